//! Weather from a file of measurements: what it means, and what is refused.

use ohmward_plant::weather::Weather;
use ohmward_plant::weather::measured::Measured;
use ohmward_plant::{Scenario, ScenarioError};
use std::fmt::Write as _;

/// 2026-06-01T00:00:00Z.
const START_UNIX_S: f64 = 1_780_272_000.0;

fn read(text: &str) -> Result<Measured, ScenarioError> {
    Measured::read(
        "m.csv",
        text.as_bytes(),
        START_UNIX_S,
        START_UNIX_S + 7200.0,
        3600.0,
    )
}

const GOOD: &str = "# invented\n\
time,irradiance_w_m2,ambient_c,relative_humidity,rain_mm\n\
2026-06-01T00:00:00Z,0,10,0.80,0\n\
2026-06-01T02:00:00+01:00,400,14,0.60,0.2\n\
2026-06-01T02:00:00Z,800,20,0.50,0\n";

/// Straight lines between rows, rain for the span that ends with its row: by hand.
#[test]
fn rows_are_joined_by_straight_lines() {
    let measured = read(GOOD).unwrap();
    let quarter = measured.at(START_UNIX_S + 900.0);
    assert!((quarter.irradiance_w_m2 - 100.0).abs() < 1e-9);
    assert!((quarter.ambient_c.unwrap() - 11.0).abs() < 1e-9);
    assert!((quarter.relative_humidity.unwrap() - 0.75).abs() < 1e-9);
    assert!(quarter.raining && quarter.cell_temp_c.is_none());
    let later = measured.at(START_UNIX_S + 5400.0);
    assert!((later.irradiance_w_m2 - 600.0).abs() < 1e-9 && !later.raining);
    assert_eq!(measured.at(START_UNIX_S).irradiance_w_m2.to_bits(), 0);
}

/// A scenario finds the file beside itself; cells follow by the NOCT rule, rain wets, and the same scenario reads the same.
#[test]
fn a_scenario_takes_its_weather_from_the_file_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("m.csv"), GOOD).unwrap();
    let path = folder.path().join("s.toml");
    std::fs::write(
        &path,
        SCENARIO.replace("WEATHER", "csv = \"m.csv\"\nnoct_c = 45.0"),
    )
    .unwrap();
    let scenario = Scenario::load(&path).unwrap();
    let ticks = || {
        let mut weather = Weather::new(&scenario.weather, START_UNIX_S, scenario.seed);
        (0..120).map(|_| weather.next_tick()).collect::<Vec<_>>()
    };
    let sky = ticks();
    assert_eq!(sky, ticks());
    // 90 minutes in: 600 W/m² over 800 times 25 K above 17 °C of air, by hand.
    let c = sky[90].conditions;
    assert!(
        (c.irradiance_w_m2 - 600.0).abs() < 1e-9 && (c.cell_temp_c - 35.75).abs() < 1e-9,
        "{c:?}"
    );
    assert!(sky[59].conditions.wetness > 0.9, "it rained for an hour");
    assert!(sky[119].conditions.wetness < 0.1, "and dried for one");
}

const SCENARIO: &str = "name = \"t\"\nstart = \"2026-06-01T00:00:00Z\"\nduration_h = 2.0\n\
[board]\nid = \"00000000000000a1\"\n[array]\nstrings = 1\nmodules_per_string = 4\n[weather]\nWEATHER\n";

#[test]
fn a_column_of_wetness_is_believed() {
    let text = "unix_s,irradiance_w_m2,cell_temp_c,wetness\n1780272000,0,10,0.25\n1780275600,0,10,0.75\n1780279200,0,10,0.75\n";
    let measured = read(text).unwrap();
    assert!((measured.at(START_UNIX_S + 1800.0).wetness.unwrap() - 0.5).abs() < 1e-9);
}

/// One line each, with file, line and column.
#[test]
fn what_is_wrong_is_told_with_its_line() {
    let cases: &[(&str, &str, &str)] = &[
        (
            "time,irr",
            "time,irradiance,",
            "m.csv:1: irradiance: unknown column",
        ),
        ("irradiance_w_m2", "time", "m.csv:1: time: is there twice"),
        (
            "time,",
            "cell_temp_c,",
            "m.csv:1: time: is missing, and so is unix_s",
        ),
        (",ambient_c", ",wetness", "m.csv:1: cell_temp_c: is missing"),
        (
            ",400,",
            ",NaN,",
            "m.csv:4: irradiance_w_m2: NaN is out of range; give -20 to 2000",
        ),
        (
            ",400,",
            ",inf,",
            "m.csv:4: irradiance_w_m2: inf is out of range",
        ),
        (",400,", ",,", "m.csv:4: irradiance_w_m2: is empty"),
        (
            ",400,",
            ",4OO,",
            "m.csv:4: irradiance_w_m2: \"4OO\" is not a number",
        ),
        (
            ",0.60,",
            ",60,",
            "m.csv:4: relative_humidity: 60 is out of range; give 0 to 1",
        ),
        (
            "T02:00:00+01:00",
            "T02:00:00",
            "m.csv:4: time: \"2026-06-01T02:00:00\" is not a time",
        ),
        (
            "T02:00:00+01:00",
            "T00:00:00+01:00",
            "m.csv:4: time: is -3600 s after the row before",
        ),
        (
            ",0.2\n",
            ",0.2,7\n",
            "m.csv:4: has 6 fields where the first line has 5",
        ),
        (
            "2026-06-01T02:00:00+01:00,400,14,0.60,0.2\n",
            "",
            "m.csv:4: time: leaves a gap of 7200 s, more than weather.csv_gap_max_s = 3600",
        ),
        (
            "2026-06-01T02:00:00Z,800,20,0.50,0\n",
            "",
            "m.csv:4: time: ends 3600 s before the scenario",
        ),
        (
            "2026-06-01T00:00:00Z,0,10,0.80,0\n",
            "",
            "m.csv:3: time: begins 3600 s after the scenario's start",
        ),
    ];
    for (old, new, wanted) in cases {
        let text = if *old == "time,irr" {
            GOOD.replace("irradiance_w_m2", "irradiance")
        } else {
            GOOD.replacen(old, new, 1)
        };
        let error = read(&text).expect_err(wanted).to_string();
        assert!(error.starts_with(wanted), "{error}\nnot {wanted}");
        assert!(!error.contains('\n'), "{error}");
    }
    let empty = read("").unwrap_err().to_string();
    assert!(empty.starts_with("m.csv:1: "), "{empty}");
    let header = GOOD.lines().nth(1).unwrap();
    assert!(
        read(header)
            .unwrap_err()
            .to_string()
            .contains("has no rows")
    );
    let raining = GOOD.replace("rain_mm", "raining");
    assert!(
        read(&raining)
            .unwrap_err()
            .to_string()
            .starts_with("m.csv:4: raining: 0.2 is neither 0 nor 1")
    );
}

/// A missing file, and keys that would say the weather twice, name the scenario and its line.
#[test]
fn the_scenario_s_own_mistakes() {
    for (weather, wanted) in [
        (
            "csv = \"nowhere.csv\"",
            "t.toml:10: weather.csv: nowhere.csv cannot be read",
        ),
        (
            "csv = \"m.csv\"\nrain_days_per_week = 1.0",
            "t.toml:11: weather.rain_days_per_week: has no use beside csv",
        ),
        (
            "csv_gap_max_s = 0",
            "t.toml:10: weather.csv_gap_max_s: 0 is out of range",
        ),
    ] {
        let error = Scenario::parse("t.toml", &SCENARIO.replace("WEATHER", weather))
            .unwrap_err()
            .to_string();
        assert!(error.starts_with(wanted), "{error}\nnot {wanted}");
    }
}

/// A line without an end, and more rows than there is room for, are refused instead of kept.
#[test]
fn memory_is_bounded() {
    let endless = std::io::Read::chain(GOOD.as_bytes(), std::io::repeat(b'7'));
    let error = Measured::read(
        "m.csv",
        endless,
        START_UNIX_S,
        START_UNIX_S + 7200.0,
        3600.0,
    )
    .unwrap_err();
    assert_eq!(error.line, 6, "{error}");
    assert!(
        error.to_string().contains("is longer than 4096 bytes"),
        "{error}"
    );
    // Rows far before and after the scenario are read and let go.
    let mut text = "unix_s,irradiance_w_m2,cell_temp_c,wetness\n".to_owned();
    for k in -10_000..10_000 {
        let _ = writeln!(text, "{},0,10,0", START_UNIX_S + 3600.0 * f64::from(k));
    }
    assert_eq!(read(&text).unwrap().rows().len(), 3);
}
