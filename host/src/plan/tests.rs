//! Whole plans: which limits an array gets, what comes back from a settings file.

use super::changes::Looser;
use super::finding::Verdict;
use super::limits::{Bound, Value};
use super::test_array::{heron_bend, heron_bend_text};
use super::{Plan, plan, settings_file, text};
use crate::array_file::ArrayFile;
use ohmward_plant::scenario::leaves;
use ohmward_proto::Settings;

fn read(text: &str) -> ArrayFile {
    ArrayFile::parse("array.toml", text).expect("reads")
}

fn planned(text: &str) -> Plan {
    plan(&read(text), Looser::Refuse).expect("plans")
}

/// The array of the tests with other numbers in some lines.
fn with(changes: &[(&str, &str)]) -> String {
    changes
        .iter()
        .fold(heron_bend_text(""), |text, (from, to)| {
            assert!(text.contains(from), "{from}");
            text.replace(from, to)
        })
}

fn number(plan: &Plan, key: &str) -> f64 {
    match plan.limits.iter().find(|l| l.key == key).map(|l| l.value) {
        Some(Value::Number(x)) => x,
        other => panic!("{key}: {other:?}"),
    }
}

/// Every setting of the board but the two that the file states has a row, and the row says what is set.
#[test]
fn every_setting_has_a_row_and_no_row_says_otherwise() {
    for text in [
        heron_bend_text(""),
        with(&[("hz50", "hz60"), ("negative-bonded", "not-earthed")]),
    ] {
        let plan = planned(&text);
        let table = toml::Table::try_from(plan.settings).expect("a table");
        let keys: Vec<_> = leaves(&table).into_iter().map(|(key, _)| key).collect();
        for key in &keys {
            let row = plan.limits.iter().find(|l| l.key == key);
            let stated = ["earthing", "mains"].contains(&key.as_str());
            assert_eq!(row.is_some(), !stated, "{key}");
            let set = settings_file::value_at(&plan.settings, key);
            match (row.map(|l| l.value), set) {
                (Some(Value::Number(x)), Some(Value::Number(y))) => {
                    assert!((x - y).abs() <= 1e-6 * x.abs(), "{key}: {x} {y}");
                }
                (Some(Value::Switch(x)), Some(Value::Switch(y))) => assert_eq!(x, y, "{key}"),
                (None, None) if stated => {}
                other => panic!("{key}: {other:?}"),
            }
        }
        assert_eq!(plan.limits.len() + 2, keys.len());
    }
}

/// 80 modules of 312.5 W are exactly 25 kW: lower row of UL 1741 Table 31.1 (1 A), 20 to 30 kW of IEC 62548 (20 kΩ). One watt
/// more a module is the next row of the one, not of the other.
#[test]
fn exactly_on_an_edge_is_the_lower_row() {
    let edge = |w: &str| {
        planned(&with(&[
            ("strings = 2", "strings = 8"),
            ("modules_per_string = 4", "modules_per_string = 10"),
            ("rated_w = 300.0", &format!("rated_w = {w}")),
        ]))
    };
    let (on, above) = (edge("312.5"), edge("313.5"));
    assert!((on.facts.array_kw - 25.0).abs() < 1e-12);
    for (plan, amps) in [(&on, 1.0), (&above, 2.0)] {
        assert!((number(plan, "current.ground_fault.above_a") - amps).abs() < 1e-12);
        assert!((number(plan, "insulation.trip_below_ohm") - 20e3).abs() < 1e-9);
        plan.settings.check().expect("a board takes it");
    }
}

/// IEC 62109-2:2011 4.8.3.5.1 a) (memory): 300 mA up to 30 kVA, 10 mA a kVA above: 100 kVA is 1 A. A board takes 20 A at most.
#[test]
fn continuous_limit_by_converter() {
    for (kva, amps) in [
        ("2.4", 0.3),
        ("30.0", 0.3),
        ("30.1", 0.301),
        ("100.0", 1.0),
        ("2000.0", 20.0),
        ("5000.0", 20.0),
    ] {
        let plan = planned(&heron_bend_text(&format!(
            "[converter]\nrated_kva = {kva}\n"
        )));
        assert!(
            (number(&plan, "current.continuous.above_a") - amps).abs() < 1e-9,
            "{kva} kVA"
        );
        plan.settings.check().expect("a board takes it");
    }
    let untold = planned(&heron_bend_text(""));
    assert!((number(&untold, "current.continuous.above_a") - 0.3).abs() < 1e-12);
    assert!(
        untold.limits[0]
            .reached
            .contains("converter.rated_kva not given")
    );
}

/// IEC 62109-2:2011 4.8.2.1 (memory): V/30 mA, asked of arrays without a bond; 1000 V are 33.3 kΩ, above the 1 kΩ of a large array.
#[test]
fn insulation_by_voltage_rules_where_there_is_no_bond() {
    let large = [
        ("strings = 2", "strings = 100"),
        ("modules_per_string = 4", "modules_per_string = 22"),
        (
            "insulation_mohm_per_module = 400.0",
            "insulation_mohm_per_module = 20000.0",
        ),
    ];
    let mut floating = large.to_vec();
    floating.push(("negative-bonded", "not-earthed"));
    let (bonded, floating) = (planned(&with(&large)), planned(&with(&floating)));
    assert!((number(&bonded, "insulation.trip_below_ohm") - 1e3).abs() < 1e-9);
    let trip_ohm = number(&floating, "insulation.trip_below_ohm");
    assert!((trip_ohm - floating.facts.voc_cold_v / 0.03).abs() < 1e-6);
    assert!(trip_ohm > 33e3, "{trip_ohm}");
    let small = planned(&with(&[("negative-bonded", "not-earthed")]));
    assert!((number(&small, "insulation.trip_below_ohm") - 30e3).abs() < 1e-9);
    assert!(small.fuse.is_none() && small.blind_spot.is_none());
}

/// 40 MΩ·m² over the area, 184 W/m² (arithmetic made apart from this code); healthy modules far better, so that this decides.
#[test]
fn warning_by_area() {
    for (kwp, area_m2, r_mohm) in [
        (3.0, 16.3, 2.454),
        (5.0, 27.2, 1.471),
        (10.0, 54.3, 0.737),
        (25.0, 135.9, 0.294),
        (30.0, 163.0, 0.245),
        (50.0, 271.7, 0.147),
        (100.0, 543.0, 0.0737),
        (250.0, 1359.0, 0.0294),
        (500.0, 2717.0, 0.0147),
    ] {
        // A thousand modules of a thousandth each.
        let plan = planned(&with(&[
            ("strings = 2", "strings = 100"),
            ("modules_per_string = 4", "modules_per_string = 10"),
            ("area_m2 = 1.63", &format!("area_m2 = {}", area_m2 / 1e3)),
            ("rated_w = 300.0", &format!("rated_w = {kwp:.1}")),
            (
                "insulation_mohm_per_module = 400.0",
                "insulation_mohm_per_module = 1e6",
            ),
        ]));
        assert!((plan.facts.array_kw - kwp).abs() < 1e-9);
        let got = number(&plan, "insulation.warn_below_ohm") / 1e6;
        // At 30 kWp the trip level is 20 kΩ and at 3 kWp 30 kΩ: nowhere near half of these.
        assert!((got / r_mohm - 1.0_f64).abs() < 3e-3, "{kwp} kWp: {got} MΩ");
    }
}

#[test]
fn settings_go_into_a_file_and_come_back_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    for (n, text) in [
        heron_bend_text(""),
        with(&[("negative-bonded", "not-earthed"), ("hz50", "hz60")]),
        with(&[(
            "mains = \"hz50\"",
            "mains = \"hz50\"\ncurrent.ground_fault.above_a = 0.123456789\ncheck.v_min_v = 7.3",
        )]),
        heron_bend_text("").replace("\"Heron Bend\"", "\"two\\nlines\""),
    ]
    .iter()
    .enumerate()
    {
        let plan = planned(text);
        let path = folder.path().join(format!("{n}.toml"));
        settings_file::write(&plan, &path).expect("writes");
        let written = std::fs::read_to_string(&path).expect("reads");
        assert_eq!(
            settings_file::read("s.toml", &written).expect("reads"),
            plan.settings
        );
        // And by the plain way, without our reader.
        let plain: Settings = toml::from_str(&written).expect("TOML");
        assert_eq!(plain.hash(), plan.settings.hash());
        for limit in &plan.limits {
            assert!(
                written.contains(&format!("[{}]", limit.source.id)),
                "{}",
                limit.key
            );
        }
        let again = settings_file::write(&plan, &path).expect_err("is there");
        assert!(again.to_string().contains("is there already"), "{again}");
        assert_eq!(
            std::fs::read_to_string(&path).expect("reads"),
            written,
            "left alone"
        );
    }
}

#[test]
fn a_damaged_settings_file_is_told_by_line_and_key() {
    let whole = settings_file::render(&planned(&heron_bend_text(""))).expect("fits");
    for (from, to, key) in [
        ("v_min_v = 30.0", "v_min_v = 3.0", "check.v_min_v"),
        ("v_min_v = 30.0", "", "check.v_min_v"),
        (
            "confirm = 2",
            "confirm = 2\nconfrim = 2",
            "insulation.confrim",
        ),
        ("confirm = 2", "confirm = 0", "insulation.confirm"),
    ] {
        assert!(whole.contains(from));
        let error = settings_file::read("s.toml", &whole.replace(from, to)).expect_err(to);
        assert_eq!(error.key, key, "{error}");
        assert!(error.line > 1, "{error}");
    }
}

/// A high-resistance earth bounds the current: half of what a dead short drives. By hand: 4 modules at maximum power over 10 kΩ.
#[test]
fn high_resistance_earth_has_a_level_that_can_be_reached() {
    let text = with(&[("negative-bonded", "high-resistance")])
        + "[earthing]\nhigh_resistance_ohm = 10_000.0\n";
    let plan = planned(&text);
    let dead_short_a = plan.facts.vmp_stc_v / 10_000.1;
    assert!((number(&plan, "current.ground_fault.above_a") - dead_short_a / 2.0).abs() < 1e-6);
    assert!(plan.fuse.is_none());
}

#[test]
fn beyond_the_tables_is_said_in_words() {
    let high = plan(
        &read(&with(&[(
            "modules_per_string = 4",
            "modules_per_string = 40",
        )])),
        Looser::Refuse,
    )
    .expect_err("above 1500 V");
    assert_eq!(high.key, "array.modules_per_string");
    assert!(high.message.contains("1500 V"), "{high}");
    // 30 modules: 1193 V at 25 °C, 1365 V at −20 °C; 1.25 × Voc is 1491 V, 31 modules go beyond the commissioning table.
    let edge = |n: u32| {
        planned(&with(&[(
            "modules_per_string = 4",
            &format!("modules_per_string = {n}"),
        )]))
    };
    assert!(edge(30).commissioning.is_some());
    let beyond = edge(31);
    assert!(beyond.commissioning.is_none());
    assert!(text::render(&beyond).contains("beyond the table of IEC 62446-1"));
    let poles = beyond
        .findings
        .iter()
        .find(|f| f.check == "pole-voltage-range")
        .expect("checked");
    assert_eq!(
        poles.verdict,
        Verdict::Problem,
        "the reference front end reads 600 V"
    );
}

/// No array in the ranges of the file makes it panic, and every planned setting is one that a board takes.
#[test]
fn no_array_panics_and_every_plan_is_taken_by_a_board() {
    let mut plans = 0;
    for strings in [1, 2, 7, 100, 1000] {
        for modules in [1, 2, 4, 25, 38, 100] {
            for (earthing, more) in [
                ("negative-bonded", ""),
                ("positive-bonded", "[protection]\nbond_fuse_a = 0.05\n"),
                ("high-resistance", "[earthing]\nhigh_resistance_ohm = 1e7\n"),
                (
                    "not-earthed",
                    "[converter]\nrated_kva = 1e6\ndc_rating_kw = 1e6\n",
                ),
            ] {
                for (insulation, area) in [("0.001", "0.01"), ("1e7", "10.0"), ("400.0", "1.63")] {
                    let text = with(&[
                        ("strings = 2", &format!("strings = {strings}")),
                        (
                            "modules_per_string = 4",
                            &format!("modules_per_string = {modules}"),
                        ),
                        ("negative-bonded", earthing),
                        (
                            "insulation_mohm_per_module = 400.0",
                            &format!("insulation_mohm_per_module = {insulation}"),
                        ),
                        ("area_m2 = 1.63", &format!("area_m2 = {area}")),
                    ]) + more;
                    match plan(&read(&text), Looser::Refuse) {
                        Ok(plan) => {
                            plan.settings
                                .check()
                                .unwrap_or_else(|e| panic!("{text}: {e:?}"));
                            assert!(plan.looser().next().is_none());
                            let json = serde_json::to_string(&plan).expect("JSON");
                            assert!(!text::render(&plan).contains("NaN"), "{text}");
                            assert!(!json.contains("\"r_ohm\":null"), "{text}");
                            plans += 1;
                        }
                        Err(error) => assert!(error.message.contains("1500 V"), "{error}"),
                    }
                }
            }
        }
    }
    assert!(plans > 200, "{plans}");
}

/// "Unverified" beside every recalled limit, nowhere beside one that was looked up; the notice on every way out.
#[test]
fn what_was_recalled_says_so_and_the_notice_is_always_there() {
    let plan = planned(&heron_bend_text(""));
    for limit in &plan.limits {
        let recalled = limit.source.confidence == super::sources::Confidence::Memory;
        assert_eq!(
            limit.source_label.contains("unverified"),
            recalled,
            "{}",
            limit.key
        );
    }
    let joined = text::render(&plan)
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    let settings = settings_file::render(&plan).expect("fits");
    for line in super::NOTICE {
        assert!(settings.contains(line));
        let plain = line.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(joined.contains(&plain), "{line}");
    }
    assert!(
        text::render(&plan)
            .lines()
            .all(|l| l.chars().count() <= super::page::COLUMNS)
    );
}

/// Every bound is on the safe side of the value planned.
#[test]
fn no_planned_value_is_looser_than_its_own_bound() {
    for limit in plan(&heron_bend(""), Looser::Refuse).expect("plans").limits {
        match (limit.value, limit.bound) {
            (Value::Number(x), Bound::AtMost(most)) => assert!(x <= most, "{}", limit.key),
            (Value::Number(x), Bound::AtLeast(least)) => assert!(x >= least, "{}", limit.key),
            (Value::Switch(on), Bound::On) => assert!(on, "{}", limit.key),
            (_, Bound::Free) => {}
            other => panic!("{}: {other:?}", limit.key),
        }
    }
}
