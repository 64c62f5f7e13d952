//! Scenario files: what a person gets to read when one is wrong. Lines are counted by hand in the texts below.

use ohmward_plant::Scenario;
use ohmward_proto::settings::Earthing;
use ohmward_proto::{Amps, Ohms};
use std::path::Path;

const GOOD: &str = r#"name = "t"
start = "2026-06-01T00:00:00Z"
duration_h = 2.0

[board]
id = "00000000000000a1"

[settings]
check.every_s = 60

[array]
strings = 2
modules_per_string = 10

[[fault]]
string = 1
position = 3
ohm = 1000.0

[[fault]]
conductor = "negative"
ohm = 5.0
"#;

/// `GOOD` with one piece replaced.
fn with(old: &str, new: &str) -> String {
    assert!(GOOD.contains(old), "{old}");
    GOOD.replacen(old, new, 1)
}

fn error(text: &str) -> String {
    Scenario::parse("demo.toml", text)
        .expect_err("this scenario is wrong")
        .to_string()
}

#[test]
fn example_file_loads() {
    let scenario = Scenario::load(Path::new(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/data/small.toml"
    )))
    .unwrap();
    assert_eq!(scenario.board.id.to_string(), "00000000000000a1");
    assert_eq!(scenario.board.sample_rate_hz, 4000);
    assert_eq!(scenario.settings.check.every_s, 600);
    assert_eq!(scenario.settings.current.ground_fault.above, Amps(0.8));
    assert_eq!(scenario.settings.earthing, Earthing::NegativeBonded);
    assert_eq!(scenario.end().0, 48 * 3600 * 4000);
    assert_eq!(scenario.faults.len(), 2);
}

#[test]
fn errors_name_file_line_and_key() {
    for (text, want) in [
        (
            with("strings = 2", "string = 2"),
            "demo.toml:12: array.string: unknown key; valid here: strings, ",
        ),
        (
            with("strings = 2", "strings = \"two\""),
            "demo.toml:12: array.strings: invalid type: string \"two\", expected u32; correct the value",
        ),
        (
            with("strings = 2", "strings = 0"),
            "demo.toml:12: array.strings: 0 is out of range; give 1 to 1000",
        ),
        (
            with("strings = 2\n", ""),
            "demo.toml:11: array.strings: is missing; add it",
        ),
        (
            with("name = \"t\"\n", ""),
            "demo.toml:1: name: is missing; add it",
        ),
        (
            with("duration_h = 2.0", "duration_h = 2.0\nfoo = 1"),
            "demo.toml:4: foo: unknown key; valid here: name, ",
        ),
        (
            with("duration_h = 2.0", "duration_h = nan"),
            "demo.toml:3: duration_h: NaN is out of range",
        ),
        (
            with("2026-06-01T00:00:00Z", "yesterday"),
            "demo.toml:2: start: \"yesterday\" is not a time; write it like",
        ),
        (
            with("00000000000000a1", "a1"),
            "demo.toml:6: board.id: \"a1\" is not 16 hexadecimal digits",
        ),
        (
            with("check.every_s = 60", "check.every_s = 5"),
            "demo.toml:9: settings.check.every_s: must be 0 (none while connected) or 10 to 86400 s; change it",
        ),
        (
            with("check.every_s = 60", "check.evry_s = 60"),
            "demo.toml:9: settings.check.evry_s: unknown key; valid here: ",
        ),
        (
            with("check.every_s = 60", "earthing = \"wet\""),
            "demo.toml:9: settings.earthing: unknown variant `wet`",
        ),
        (
            with("check.every_s = 60", "earthing = \"high-resistance\""),
            "earthing.high_resistance_ohm: is missing, and settings.earthing is high-resistance; add it",
        ),
        (
            with("check.every_s = 60", "check = 3"),
            "demo.toml:9: settings.check: is a group of keys, not a value",
        ),
        (
            with("position = 3", "position = 11"),
            "demo.toml:17: fault.position: 11 is out of range; give 0 to 10",
        ),
        (
            with("ohm = 5.0", "ohm = 0.0"),
            "demo.toml:22: fault.ohm: 0 is out of range; give 0.001 to",
        ),
        (
            with("ohm = 5.0", "ohms = 5.0"),
            "demo.toml:22: fault.ohms: unknown key; valid here: string, position",
        ),
        (
            with("ohm = 5.0", "ohm = \"5\""),
            "demo.toml:22: fault.ohm: invalid type: string \"5\", expected f64",
        ),
        (
            with("ohm = 5.0", "ohm = 5.0\nto_h = 0.0"),
            "demo.toml:23: fault.to_h: 0 is not after from_h (0); give a later hour",
        ),
        (
            with("conductor = \"negative\"", "string = 1"),
            "demo.toml:20: fault: does not say where; give string and position, or conductor",
        ),
        (
            with(
                "\n[[fault]]",
                "\n[load]\nkind = \"battery\"\nvolts = 48.0\n\n[[fault]]",
            ),
            "demo.toml:15: load.series_ohm: is missing for a battery; add it",
        ),
        (
            with(
                "modules_per_string = 10",
                "modules_per_string = 10\nmodule = \"mono\"",
            ),
            "demo.toml:14: array.module: \"mono\" is not a known module; choose from: mono60-300w, mono72-400w",
        ),
        (
            with("\n[[fault]]", "\n[ground]\negc_ohm = -1.0\n\n[[fault]]"),
            "demo.toml:16: ground.egc_ohm: -1 is out of range; give 0 to",
        ),
        (
            with(
                "ohm = 5.0",
                "ohm = 5.0\nwater = { r_dry_ohm = 1e6, r_full_ohm = 1e3, soak_h = 1, dry_h = 1 }",
            ),
            "demo.toml:20: fault: needs exactly one of ohm, degrading, storm_step and water",
        ),
        (
            with(
                "\n[[fault]]",
                "\n[[shade]]\nstring = 3\nlight = 0.5\n\n[[fault]]",
            ),
            "demo.toml:16: shade.string: 3 is out of range; give 1 to 2",
        ),
        (
            with(
                "\n[[fault]]",
                "\n[[shade]]\nstring = 1\nmodules = [4, 2]\nlight = 0.5\n\n[[fault]]",
            ),
            "demo.toml:17: shade.modules: 2 is out of range; give 4 to 10",
        ),
        (
            with(
                "\n[[fault]]",
                "\n[[person]]\ntouches = \"frame\"\nohm = 1e3\nfeet_ohm = 0\n[[person]]\ntouches = \"positive\"\nohm = 1e3\nfeet_ohm = 0\n\n[[fault]]",
            ),
            "demo.toml:19: person: is there while another person is; one at a time",
        ),
        (
            with(
                "\n[[fault]]",
                "\n[fuse]\nrating_a = 1.0\nmelting_a2s = -1.0\n\n[[fault]]",
            ),
            "demo.toml:17: fuse.melting_a2s: -1 is out of range",
        ),
        (
            with(
                "\n[[fault]]",
                "\n[[surge]]\nat_h = 1.0\npeak_a = 60.0\nwave = \"1/2\"\n\n[[fault]]",
            ),
            "demo.toml:18: surge.wave: unknown variant `1/2`",
        ),
        (
            with("modules_per_string = 10", "modules_per_string = = 10"),
            "demo.toml:13: not TOML: ",
        ),
        (
            with(
                "\n[[fault]]",
                "\n[[surge]]\nat_h = 3.0\npeak_a = 60.0\n\n[[fault]]",
            ),
            "demo.toml:16: surge.at_h: 3 is out of range; give 0 to 2",
        ),
        (
            with(
                "\n[[fault]]",
                "\n[weather]\nrain = [{ from_h = 1.0, to_h = 0.5 }]\n\n[[fault]]",
            ),
            "demo.toml:16: weather.rain.to_h: 0.5 is not after from_h (1)",
        ),
    ] {
        let got = error(&text);
        assert!(got.contains(want), "\n got {got}\nwant {want}\n");
        assert!(!got.contains('\n'), "one line: {got}");
    }
}

#[test]
fn missing_file_is_one_line() {
    let got = Scenario::load(Path::new("no/such.toml")).unwrap_err();
    assert_eq!(got.line, 0);
    assert!(
        got.to_string()
            .starts_with("no/such.toml: cannot be read ("),
        "{got}"
    );
    assert!(got.to_string().ends_with("; check the path"), "{got}");
}

#[test]
fn settings_are_laid_over_the_defaults() {
    let text = with(
        "check.every_s = 60",
        "earthing = \"not-earthed\"\ninsulation = { trip_below_ohm = 20000, confirm = 3 }",
    );
    let settings = Scenario::parse("t", &text).unwrap().settings;
    assert_eq!(settings.earthing, Earthing::NotEarthed);
    assert_eq!(settings.insulation.trip_below, Ohms(20_000.0));
    assert_eq!(settings.insulation.confirm, 3);
    assert_eq!(settings.insulation.warn_below, Ohms(100_000.0), "untouched");
}
