//! `[settings]` of ARRAY.toml laid over the planned settings: stricter goes in, looser only when accepted, and marked.

use super::facts::quantity;
use super::limits::{Bound, Limit, Limits, Value};
use crate::array_file::ArrayFile;
use ohmward_plant::ScenarioError;
use ohmward_plant::scenario::{Source, leaves, overlay};
use ohmward_proto::Settings;

/// What to do about a change that protects less than its source asks.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Looser {
    /// Refuse it.
    Refuse,
    /// Take it and mark it.
    AcceptMarked,
}

/// The trip level that the file asks for, Ω; other levels follow it.
pub fn trip_wanted_ohm(file: &ArrayFile) -> Option<f64> {
    number(file.overrides.get("insulation")?.get("trip_below_ohm")?)
}

/// Applies the changes to both the settings and the list.
///
/// # Errors
/// A key that does not exist, a value the board does not take, or a looser one that was not accepted: the file, line and
/// key, and what to give instead.
pub fn apply(
    file: &ArrayFile,
    planned: Limits,
    looser: Looser,
) -> Result<(Vec<Limit>, Settings), ScenarioError> {
    let Limits { mut all, settings } = planned;
    let source = Source::new(&file.file, &file.text)?;
    let settings = overlay(&source, settings, &file.overrides)?;
    for (key, written) in leaves(&file.overrides) {
        let Some(limit) = all.iter_mut().find(|limit| limit.key == key) else {
            continue;
        };
        let Some(value) = value_of(written) else {
            continue;
        };
        let asked = is_looser(&key, value, limit.bound);
        if let (Some((words, asked)), Looser::Refuse) = (&asked, looser) {
            return Err(source.error(
                &format!("settings.{key}"),
                format!(
                    "{} is looser than its source asks: {words}{} ({}); give that or stricter, or plan with --accept-looser",
                    shown(value),
                    shown(*asked),
                    limit.source_label
                ),
            ));
        }
        let planned = limit.value;
        limit.reached = format!(
            "ARRAY.toml; planned was {}: {}",
            shown(planned),
            limit.reached
        );
        limit.value = value;
        limit.changed = true;
        limit.looser_than = asked.map(|asked| than(limit, asked));
    }
    Ok((all, settings))
}

/// What a value protects less than, and what that asks; `None` when it does not.
pub fn looser_than(limit: &Limit, value: Value) -> Option<String> {
    is_looser(limit.key, value, limit.bound).map(|asked| than(limit, asked))
}

/// Which keys of `new` protect less than `before`, each by the board's own rule, with both values.
pub fn loosened(new: &Settings, before: &Settings) -> Vec<String> {
    let table = |settings: &Settings| toml::Table::try_from(*settings).unwrap_or_default();
    let (wanted, present) = (table(new), table(before));
    let mut said = Vec::new();
    for (key, value) in leaves(&wanted) {
        let mut alone = present.clone();
        let Some(place) = at_mut(&mut alone, &key) else {
            continue;
        };
        let was = std::mem::replace(place, value.clone());
        let one: Result<Settings, _> = alone.try_into();
        if one.is_ok_and(|one| one.loosens(before)) {
            said.push(format!("{key} = {value}, now {was}"));
        }
    }
    said
}

fn at_mut<'t>(table: &'t mut toml::Table, key: &str) -> Option<&'t mut toml::Value> {
    match key.split_once('.') {
        Some((first, rest)) => at_mut(table.get_mut(first)?.as_table_mut()?, rest),
        None => table.get_mut(key),
    }
}

fn than(limit: &Limit, (words, asked): (&str, Value)) -> String {
    let asked = with_unit(limit.key, asked);
    format!("{}, which asks {words}{asked}", limit.source.short())
}

/// A number or a switch; nothing else is a limit.
pub fn value_of(value: &toml::Value) -> Option<Value> {
    match value {
        toml::Value::Boolean(on) => Some(Value::Switch(*on)),
        other => number(other).map(Value::Number),
    }
}

fn number(value: &toml::Value) -> Option<f64> {
    match value {
        toml::Value::Float(x) => Some(*x),
        toml::Value::Integer(n) => Some(*n as f64),
        _ => None,
    }
}

/// What the source asks, if the value is looser than that. Compared as the board keeps it, in single precision: 0.3 read back from a
/// board is a little more than 0.3 in double precision, and no looser.
fn is_looser(key: &str, value: Value, bound: Bound) -> Option<(&'static str, Value)> {
    match (value, bound) {
        // None while connected: the check before connecting is the daily one, and has its own switch.
        (Value::Number(x), Bound::AtMost(_)) if key == "check.every_s" && x == 0.0 => None,
        (Value::Number(x), Bound::AtMost(most)) if x as f32 > most as f32 => {
            Some(("at most ", Value::Number(most)))
        }
        (Value::Number(x), Bound::AtLeast(least)) if (x as f32) < least as f32 => {
            let least = (least * 10.0).ceil() / 10.0;
            Some(("at least ", Value::Number(least)))
        }
        (Value::Switch(false), Bound::On) => Some(("", Value::Switch(true))),
        _ => None,
    }
}

/// A value as it is written, without unit: the key has it.
pub fn shown(value: Value) -> String {
    match value {
        Value::Number(x) => format!("{x}"),
        Value::Switch(on) => format!("{on}"),
    }
}

/// A value for people, its unit taken from the key.
pub fn with_unit(key: &str, value: Value) -> String {
    match value {
        Value::Switch(on) => if on { "on" } else { "off" }.to_owned(),
        Value::Number(x) => match key.rsplit('_').next() {
            Some("a") => quantity(x, "A"),
            Some("ohm") => quantity(x, "Ω"),
            Some("v") => quantity(x, "V"),
            Some("s") => format!("{x} s"),
            _ if key.contains("_ms") => format!("{x} ms"),
            _ => format!("{x}"),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::test_array::heron_bend_text;
    use crate::plan::{Plan, plan, settings_file, text};

    #[test]
    fn what_protects_less_is_named_and_nothing_else() {
        let before = Settings::SMALL_BONDED;
        let mut new = before;
        new.insulation.warn_below.0 = 90e3;
        new.current.continuous.above.0 = 0.2; // stricter
        new.reading_every_ms = 5_000; // protects nothing
        new.check.before_connect = false;
        let said = loosened(&new, &before);
        assert_eq!(
            said,
            [
                "check.before_connect = false, now true",
                "insulation.warn_below_ohm = 90000.0, now 100000.0"
            ]
        );
        assert!(loosened(&before, &before).is_empty());
    }

    /// A board that has exactly what was planned for it: its single precision is no loosening, above or below.
    #[test]
    fn what_a_board_gives_back_is_not_looser_than_what_was_planned() {
        let plan = planned(&heron_bend_text(""));
        let table = toml::Table::try_from(plan.settings).expect("a table");
        let mut compared = 0;
        for (key, value) in leaves(&table) {
            let Some(limit) = plan.limits.iter().find(|limit| limit.key == key) else {
                continue;
            };
            let read_back = value_of(value).expect("a value");
            assert_eq!(looser_than(limit, read_back), None, "{key} = {value}");
            compared += 1;
        }
        assert!(compared > 15, "{compared}");
        // And what is looser still is, by as little as the board can tell.
        let continuous = |limit: &&Limit| limit.key == "current.continuous.above_a";
        let limit = plan.limits.iter().find(continuous).expect("planned");
        let next = f64::from(f32::from_bits(0.3_f32.to_bits() + 1));
        let said = looser_than(limit, Value::Number(next)).expect("looser");
        assert!(said.ends_with("which asks at most 300 mA"), "{said}");
    }

    fn read(text: &str) -> ArrayFile {
        ArrayFile::parse("array.toml", text).expect("reads")
    }

    fn planned(text: &str) -> Plan {
        plan(&read(text), Looser::Refuse).expect("plans")
    }

    fn changed(settings: &str) -> String {
        heron_bend_text("").replace("mains = \"hz50\"", &format!("mains = \"hz50\"\n{settings}"))
    }

    #[test]
    fn stricter_goes_in_and_what_follows_from_it_follows() {
        let plan = planned(&changed(
            "insulation.trip_below_ohm = 60_000.0\ncurrent.ground_fault.above_a = 0.5",
        ));
        assert!((plan.settings.current.ground_fault.above.0 - 0.5).abs() < f32::EPSILON);
        assert!((plan.settings.insulation.trip_below.0 - 60e3).abs() < 0.1);
        assert!((plan.settings.insulation.reset_above.0 - 90e3).abs() < 0.1);
        assert!(plan.looser().next().is_none());
        let row = &plan
            .limits
            .iter()
            .find(|l| l.key == "current.ground_fault.above_a")
            .expect("a row");
        assert!(
            row.changed && row.reached.contains("planned was 1"),
            "{row:?}"
        );
    }

    /// Refused with file, line, key, value, limit and source; accepted it is marked in list, text, settings file and JSON.
    #[test]
    fn looser_is_refused_or_marked() {
        for (line, key, than) in [
            (
                "current.ground_fault.above_a = 2.0",
                "current.ground_fault.above_a",
                "UL 1741 Table 31.1, which asks at most 1 A",
            ),
            (
                "current.continuous.above_a = 0.31",
                "current.continuous.above_a",
                "IEC 62109-2:2011 4.8.3.5.1 a), which asks at most 300 mA",
            ),
            (
                "current.continuous.hold_ms = 270",
                "current.continuous.hold_ms",
                "at most 260",
            ),
            (
                "current.sudden.enabled = false",
                "current.sudden.enabled",
                "IEC 62109-2:2011 Table 31",
            ),
            (
                "current.sudden.low.above_a = 0.05",
                "current.sudden.low.above_a",
                "at most 30 mA",
            ),
            (
                "insulation.trip_below_ohm = 29_999.0",
                "insulation.trip_below_ohm",
                "at least 30 kΩ",
            ),
            (
                "check.before_connect = false",
                "check.before_connect",
                "IEC 62548",
            ),
            (
                "trip_opens_bond = false",
                "trip_opens_bond",
                "NEC 690.41(B)",
            ),
        ] {
            let file = read(&changed(line));
            let refused = plan(&file, Looser::Refuse).expect_err(line);
            assert_eq!(refused.key, format!("settings.{key}"));
            let at = 1 + file.text[..file.text.find(line).expect("there")]
                .matches('\n')
                .count();
            assert_eq!(refused.line, at, "{refused}");
            assert!(refused.message.contains("--accept-looser"), "{refused}");

            let accepted = plan(&file, Looser::AcceptMarked).expect(line);
            let marked: Vec<_> = accepted.looser().map(|l| l.key).collect();
            assert_eq!(marked, [key]);
            let mark = accepted
                .looser()
                .next()
                .and_then(|l| l.looser_than.clone())
                .expect("marked");
            assert!(mark.contains(than), "{mark}");
            // The text may break the line anywhere.
            let shown = text::render(&accepted);
            assert!(shown.contains("LOOSER THAN THEIR SOURCE"), "{shown}");
            let settings = settings_file::render(&accepted).expect("fits");
            assert!(
                settings.contains(&format!("# LOOSER THAN {mark}")),
                "{settings}"
            );
            let json = serde_json::to_value(&accepted).expect("JSON");
            let in_json = json["limits"]
                .as_array()
                .expect("a list")
                .iter()
                .filter(|l| !l["looser_than"].is_null())
                .count();
            assert_eq!(in_json, 1);
        }
    }

    #[test]
    fn on_the_bound_is_not_looser() {
        let plan = planned(&changed(
            "current.ground_fault.above_a = 1.0\ncurrent.continuous.above_a = 0.3\ncurrent.sudden.low.above_a = 0.03\n\
         insulation.trip_below_ohm = 30_000\ncheck.every_s = 0\ncurrent.continuous.hold_ms = 260",
        ));
        assert!(plan.looser().next().is_none());
    }

    /// A converter that isolates needs no watch for sudden changes: switching it off is then not looser.
    #[test]
    fn an_isolating_converter_may_leave_sudden_changes_alone() {
        let text = changed("current.sudden.enabled = false") + "[converter]\nisolated = true\n";
        assert!(planned(&text).looser().next().is_none());
    }

    #[test]
    fn changes_that_make_no_sense_are_named() {
        for (line, key) in [
            (
                "current.ground_falt.above_a = 0.5",
                "settings.current.ground_falt.above_a",
            ),
            (
                "current.ground_fault.above_a = \"much\"",
                "settings.current.ground_fault.above_a",
            ),
            (
                "current.ground_fault.above_a = nan",
                "settings.current.ground_fault.above_a",
            ),
            (
                "current.ground_fault.above_a = -1.0",
                "settings.current.ground_fault.above_a",
            ),
            (
                "insulation.trip_below_ohm = 0.0",
                "settings.insulation.trip_below_ohm",
            ),
            ("insulation.confirm = 300", "settings.insulation.confirm"),
            ("current = 3", "settings.current"),
        ] {
            let file = read(&changed(line));
            for looser in [Looser::Refuse, Looser::AcceptMarked] {
                let error = plan(&file, looser).expect_err(line);
                assert_eq!(error.key, key, "{error}");
                assert!(
                    error.line > 3 && !error.to_string().contains('\n'),
                    "{error}"
                );
            }
        }
    }
}
