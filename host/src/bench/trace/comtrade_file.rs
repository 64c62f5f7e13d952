//! A trace in COMTRADE files: which channel is which, and its unit.
//!
//! A channel's skew of up to half a sample of the core is left as it is: trip times are no finer than a sample.

use super::TraceError;
use super::rows::{Onset, ROWS_MAX, Rows, Stretch, Times};
use crate::comtrade::{Analog, ComtradeError, Record, Status};
use std::collections::BTreeMap;
use std::path::Path;

/// What a channel can be taken for.
pub const ROLES: [&str; 4] = ["i_bond", "v_pos", "v_neg", "pickup"];
/// Half a sample of the core.
const SKEW_US_MAX: f64 = 125.0;

impl From<ComtradeError> for TraceError {
    fn from(why: ComtradeError) -> Self {
        Self {
            file: why.file,
            line: why.line,
            what: why.what,
        }
    }
}

/// Reads the files and takes the channels that `told` names by role, and those that name and unit tell.
pub fn read(path: &Path, told: &BTreeMap<String, String>) -> Result<Rows, TraceError> {
    let record = Record::load(path)?;
    taken(&record, told).map_err(|what| TraceError {
        file: path.display().to_string(),
        line: None,
        what,
    })
}

/// The quantity a unit is of, and what makes A or V of it.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Unit {
    Current(f64),
    Voltage(f64),
}

impl Unit {
    fn of(channel: &Analog) -> Option<Self> {
        // Both letters that look like a micro sign. "MA" in capitals may be either of two: no guess.
        let factor = |prefix: &str| match prefix {
            "" => Some(1.0),
            "k" | "K" => Some(1e3),
            "m" => Some(1e-3),
            "u" | "µ" | "μ" => Some(1e-6),
            _ => None,
        };
        let unit = channel.unit.trim();
        let prefix = |letter: char| unit.strip_suffix([letter, letter.to_ascii_lowercase()]);
        if let Some(prefix) = prefix('A') {
            return factor(prefix).map(Self::Current);
        }
        prefix('V').and_then(factor).map(Self::Voltage)
    }

    fn is(self, current: bool) -> Option<f64> {
        match self {
            Self::Current(factor) if current => Some(factor),
            Self::Voltage(factor) if !current => Some(factor),
            Self::Current(_) | Self::Voltage(_) => None,
        }
    }
}

fn taken(record: &Record, told: &BTreeMap<String, String>) -> Result<Rows, String> {
    if let Some(unknown) = told.keys().find(|role| !ROLES.contains(&role.as_str())) {
        return Err(format!(
            "no channel is taken for '{unknown}': i_bond, v_pos, v_neg and pickup can be named"
        ));
    }
    if record.samples() > ROWS_MAX {
        return Err(format!(
            "more than {ROWS_MAX} samples: cut the trace around the fault"
        ));
    }
    let analog = |role| analog(record, role, told.get(role).map(String::as_str));
    let Some(bond) = analog("i_bond")? else {
        return Err(format!(
            "which channel is the bond current? It has {}; name one with --channel i_bond=NAME or i_bond=#2",
            list(record)
        ));
    };
    let poles = match (analog("v_pos")?, analog("v_neg")?) {
        (Some(pos), Some(neg)) => Some((pos, neg)),
        (None, None) => None,
        _ => {
            return Err(format!(
                "has one of the two poles: name the other with --channel v_pos=NAME --channel v_neg=NAME; it has {}",
                list(record)
            ));
        }
    };
    let mut taken = vec![format!("i_bond is channel {}", described(bond))];
    if let Some((pos, neg)) = poles {
        taken.push(format!(
            "v_pos {}, v_neg {}",
            described(pos),
            described(neg)
        ));
    }
    let times = record.times_s();
    let (onset, decided_s) = onset(record, &times, told.get("pickup").map(String::as_str))?;
    Ok(Rows {
        stretches: stretches(record, &times)?,
        i_a: values(bond, &times, true)?,
        poles_v: match poles {
            Some((pos, neg)) => Some((values(pos, &times, false)?, values(neg, &times, false)?)),
            None => None,
        },
        onset,
        decided_s,
        taken: Some(taken.join(", ")),
    })
}

/// The channel of a role: as told, else by its name, else, for the bond current, the only current there is.
fn analog<'a>(
    record: &'a Record,
    role: &str,
    told: Option<&str>,
) -> Result<Option<&'a Analog>, String> {
    let current = role == "i_bond";
    let of_quantity = |channel: &&Analog| {
        Unit::of(channel)
            .and_then(|unit| unit.is(current))
            .is_some()
    };
    if let Some(told) = told {
        let channel = named(&record.analogs, told, |channel| &channel.name).ok_or_else(|| {
            format!(
                "has no analog channel '{}': it has {}",
                told.escape_debug(),
                list(record)
            )
        })?;
        if of_quantity(&channel) {
            return Ok(Some(channel));
        }
        return Err(format!(
            "channel {} cannot be {role}: a unit of {} belongs there",
            described(channel),
            if current {
                "current (A, mA, kA, uA)"
            } else {
                "voltage (V, mV, kV)"
            }
        ));
    }
    let candidates: Vec<_> = record.analogs.iter().filter(of_quantity).collect();
    let like: Vec<_> = candidates
        .iter()
        .filter(|channel| plain(&channel.name) == plain(role))
        .collect();
    Ok(match (like.as_slice(), candidates.as_slice()) {
        ([one], _) => Some(**one),
        ([], [one]) if current => Some(*one),
        _ => None,
    })
}

/// Letters and digits alone: I_BOND, "i bond" and iBond are one name.
fn plain(name: &str) -> String {
    let kept = name.chars().filter(char::is_ascii_alphanumeric);
    kept.map(|c| c.to_ascii_lowercase()).collect()
}

/// By name, in either case where that is enough, or by number from 1: `#2`.
fn named<'a, T>(channels: &'a [T], told: &str, name: impl Fn(&T) -> &str) -> Option<&'a T> {
    if let Some(channel) = channels.iter().find(|channel| name(channel) == told) {
        return Some(channel);
    }
    if let Some(number) = told.strip_prefix('#') {
        let number: usize = number.parse().ok()?;
        return channels.get(number.checked_sub(1)?);
    }
    let mut like = channels
        .iter()
        .filter(|channel| name(channel).eq_ignore_ascii_case(told));
    like.next().filter(|_| like.next().is_none())
}

fn described(channel: &Analog) -> String {
    format!(
        "{} [{}]",
        channel.name.escape_debug(),
        channel.unit.escape_debug()
    )
}

/// Channels as an error lists them; not more than a person reads.
fn list(record: &Record) -> String {
    const MOST: usize = 12;
    let mut names: Vec<String> = record
        .analogs
        .iter()
        .take(MOST)
        .enumerate()
        .map(|(n, channel)| format!("#{} {}", n + 1, described(channel)))
        .collect();
    if let Some(more) = record
        .analogs
        .len()
        .checked_sub(MOST)
        .filter(|more| *more > 0)
    {
        names.push(format!("{more} more"));
    }
    if names.is_empty() {
        return "no analog channel".to_owned();
    }
    names.join(", ")
}

/// In A or V, on the primary side.
fn values(channel: &Analog, times: &[f64], current: bool) -> Result<Vec<f32>, String> {
    if channel.skew_us.abs() > SKEW_US_MAX {
        return Err(format!(
            "channel {} is {} µs off the others, and up to {SKEW_US_MAX} are left as they are: resample it",
            described(channel),
            channel.skew_us
        ));
    }
    let unit = Unit::of(channel)
        .and_then(|unit| unit.is(current))
        .unwrap_or(1.0);
    let factor = unit * channel.to_primary();
    channel
        .values()
        .enumerate()
        .map(|(n, value)| {
            let value = value.map(|value| (value * factor) as f32);
            value.filter(|value| value.is_finite()).ok_or_else(|| {
                format!(
                    "channel {} has no sample number {} ({:.6} s): a sample that is not there has no place here; cut the \
                     trace before or after it",
                    described(channel),
                    n + 1,
                    times.get(n).copied().unwrap_or_default()
                )
            })
        })
        .collect()
}

fn stretches(record: &Record, times: &[f64]) -> Result<Vec<Stretch>, String> {
    if record.rates.is_empty() {
        let mut watch = Times::default();
        for (n, t_s) in times.iter().enumerate() {
            watch
                .next(*t_s)
                .map_err(|what| format!("sample {}: {what}", n + 1))?;
        }
        return Ok(vec![watch.stretch()]);
    }
    let mut from = 0;
    let mut stretches = Vec::new();
    for rate in &record.rates {
        stretches.push(Stretch {
            from,
            at_s: times.get(from).copied().unwrap_or_default(),
            rate_hz: rate.hz,
        });
        from = rate.last as usize;
    }
    Ok(stretches)
}

/// Where the fault begins, and when the recording board had decided.
///
/// A status channel that was told to be the pickup; else the trigger. A record with a channel for the trip is a captured event:
/// its trigger is the decision, and only a pickup that rose earlier says more.
fn onset(
    record: &Record,
    times: &[f64],
    told: Option<&str>,
) -> Result<(Option<Onset>, Option<f64>), String> {
    let called = |name: &str| {
        let mut channels = record.statuses.iter();
        channels.find(|channel| plain(&channel.name) == name)
    };
    let rise = |channel: &Status| {
        let bits: Vec<bool> = channel.bits.iter().collect();
        let at = bits.windows(2).position(|pair| pair == [false, true])?;
        Some(Onset {
            at_s: *times.get(at + 1)?,
            what: format!("its status channel {}", channel.name.escape_debug()),
        })
    };
    if let Some(told) = told {
        let channel = named(&record.statuses, told, |channel| &channel.name)
            .ok_or_else(|| format!("has no status channel '{}'", told.escape_debug()))?;
        let onset = rise(channel).ok_or_else(|| {
            format!(
                "status channel {} never rises: it tells no pickup",
                channel.name.escape_debug()
            )
        })?;
        return Ok((Some(onset), None));
    }
    let trigger_s = record.trigger_s();
    let pickup = called("pickup")
        .and_then(rise)
        .filter(|onset| onset.at_s < trigger_s);
    if called("trip").is_some() {
        return Ok((pickup, Some(trigger_s)));
    }
    let trigger = Onset {
        at_s: trigger_s,
        what: "its trigger time".to_owned(),
    };
    Ok((Some(pickup.unwrap_or(trigger)), None))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::comtrade::{Encoding, Rate, Revision};
    use jiff::civil::date;

    fn channel(name: &str, unit: &str) -> Analog {
        Analog::from_counts(
            name,
            unit,
            (2.0, 1.0),
            (0..800).map(|n| Some(f64::from(n % 7))),
        )
    }

    fn record(analogs: Vec<Analog>) -> Record {
        Record {
            station: "invented".to_owned(),
            recorder: "1".to_owned(),
            revision: Revision::Y1999,
            encoding: Encoding::Ascii,
            analogs,
            statuses: vec![Status::from_bits(
                "Pick-up",
                false,
                (0..800).map(|n| n >= 200),
            )],
            line_hz: None,
            rates: vec![Rate {
                hz: 4000.0,
                last: 800,
            }],
            start: date(2026, 1, 1).at(0, 0, 0, 0),
            trigger: date(2026, 1, 1).at(0, 0, 0, 100_000_000),
            timemult: 1.0,
            nanoseconds: false,
            stamps: Vec::new(),
            clock: None,
            notes: String::new(),
        }
    }

    fn told(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
        pairs
            .iter()
            .map(|(role, name)| ((*role).to_owned(), (*name).to_owned()))
            .collect()
    }

    #[test]
    fn units_are_scaled_to_ampere_and_volt() {
        for (unit, factor) in [
            ("A", 1.0),
            ("mA", 1e-3),
            ("kA", 1e3),
            ("uA", 1e-6),
            ("µA", 1e-6),
            ("ka", 1e3),
        ] {
            let rows = taken(
                &record(vec![channel("X", unit), channel("U", "V")]),
                &told(&[]),
            )
            .expect("one current");
            assert!(
                (f64::from(rows.i_a[1]) - 3.0 * factor).abs() < 1e-6 * factor,
                "{unit}"
            );
            assert!(rows.poles_v.is_none());
        }
        let kilovolts = record(vec![
            channel("I", "A"),
            channel("v pos", "kV"),
            channel("V_NEG", "mV"),
        ]);
        let rows = taken(&kilovolts, &told(&[])).expect("by name");
        let (pos, neg) = rows.poles_v.expect("both");
        assert!((pos[1] - 3000.0).abs() < 1e-3 && (neg[1] - 0.003).abs() < 1e-9);
        let mut secondary = record(vec![channel("I", "A")]);
        secondary.analogs[0].side = crate::comtrade::Side::Secondary;
        (secondary.analogs[0].primary, secondary.analogs[0].secondary) = (100.0, 5.0);
        let rows = taken(&secondary, &told(&[])).expect("one current");
        assert!((rows.i_a[1] - 60.0).abs() < 1e-4);
    }

    #[test]
    fn the_bond_current_is_told_or_plain_or_asked_for() {
        let two = record(vec![
            channel("I_L1", "A"),
            channel("I_L2", "mA"),
            channel("U", "V"),
        ]);
        let error = taken(&two, &told(&[])).expect_err("which?");
        for part in ["#1 I_L1 [A]", "#2 I_L2 [mA]", "--channel i_bond=NAME"] {
            assert!(error.contains(part), "{error}");
        }
        for name in ["I_L2", "i_l2", "#2"] {
            let rows = taken(&two, &told(&[("i_bond", name)])).expect("told");
            assert!((rows.i_a[1] - 0.003).abs() < 1e-9, "{name}");
        }
        let error = taken(&two, &told(&[("i_bond", "U")])).expect_err("a voltage");
        assert!(error.contains("unit of current"), "{error}");
        let error = taken(&two, &told(&[("i_bond", "I_L3")])).expect_err("not there");
        assert!(
            error.contains("no analog channel 'I_L3'") && error.contains("I_L2"),
            "{error}"
        );
        let error = taken(&two, &told(&[("bond", "U")])).expect_err("no role");
        assert!(error.contains("v_pos"), "{error}");
        let error = taken(&two, &told(&[("i_bond", "#1"), ("v_pos", "U")])).expect_err("one pole");
        assert!(error.contains("v_neg=NAME"), "{error}");
        let error =
            taken(&record(vec![channel("X", "MA")]), &told(&[])).expect_err("milli or mega?");
        assert!(error.contains("X [MA]"), "{error}");
        let both = record(vec![channel("I_L1", "A"), channel("iBond", "mA")]);
        assert!((taken(&both, &told(&[])).expect("by name").i_a[1] - 0.003).abs() < 1e-9);
    }

    #[test]
    fn the_onset_is_the_pickup_or_the_trigger() {
        let mut one = record(vec![channel("I", "A")]);
        let onset = |record: &Record| {
            taken(record, &told(&[]))
                .expect("one")
                .onset
                .expect("known")
        };
        assert!((onset(&one).at_s - 0.05).abs() < 1e-9, "pickup");
        assert!(onset(&one).what.contains("Pick-up"));
        one.statuses
            .push(Status::from_bits("TRIP", false, (0..800).map(|n| n >= 400)));
        let rows = taken(&one, &told(&[])).expect("one");
        assert!((rows.decided_s.expect("a captured event") - 0.1).abs() < 1e-9);
        assert!((rows.onset.expect("earlier").at_s - 0.05).abs() < 1e-9);
        one.statuses.clear();
        assert!((onset(&one).at_s - 0.1).abs() < 1e-9, "trigger");
        let error = taken(&one, &told(&[("pickup", "P")])).expect_err("none");
        assert!(error.contains("no status channel 'P'"), "{error}");
    }

    #[test]
    fn a_missing_sample_and_a_skew_are_told() {
        let hole = Analog::from_counts(
            "I",
            "A",
            (1.0, 0.0),
            (0..800).map(|n| (n != 3).then_some(0.0)),
        );
        let error = taken(&record(vec![hole]), &told(&[])).expect_err("a hole");
        assert!(error.contains("number 4 (0.000750 s)"), "{error}");
        let mut skewed = channel("I", "A");
        skewed.skew_us = 300.0;
        let error = taken(&record(vec![skewed]), &told(&[])).expect_err("off");
        assert!(error.contains("300 µs"), "{error}");
    }
}
