//! What is read, and what is refused with file, line and key.

use super::*;
use crate::array_file::grounding::Feeds;

const EXAMPLE: &str = include_str!("../../scenarios/heron-bend-array.toml");

fn read(text: &str) -> Result<ArrayFile, ScenarioError> {
    ArrayFile::parse("array.toml", text)
}

#[test]
fn the_example_reads_and_is_the_array_of_the_scenario() {
    let file = read(EXAMPLE).expect("reads");
    let scenario = ohmward_plant::Scenario::parse(
        "heron-bend.toml",
        include_str!("../../scenarios/heron-bend.toml"),
    )
    .expect("reads");
    let mut array = file.array.clone();
    // The one line that is another, and says so.
    array.wet_factor = scenario.array.wet_factor;
    assert_eq!(array, scenario.array);
    assert_eq!(file.module, scenario.module);
    assert_eq!(file.earthing, scenario.earthing);
    assert_eq!(file.contactor, scenario.contactor);
    assert_eq!(file.arrangement, scenario.settings.earthing);
    assert!(file.circuits.iter().any(|c| c.feeds == Feeds::Array));
}

/// One line of the example changed; the line and the key that are named.
#[test]
fn what_is_wrong_is_named_by_line_and_key() {
    for (from, to, key) in [
        ("strings = 2", "strings = 0", "array.strings"),
        ("strings = 2", "strings = -2", "array.strings"),
        ("strings = 2", "strngs = 2", "array.strngs"),
        (
            "modules_per_string = 4",
            "modules_per_string = 0",
            "array.modules_per_string",
        ),
        (
            "string_cable_ohm = 0.2 ",
            "string_cable_ohm = nan ",
            "array.string_cable_ohm",
        ),
        (
            "module = \"mono60-300w\"",
            "module = \"none\"",
            "array.module",
        ),
        (
            "earthing = \"negative-bonded\" ",
            "earthing = \"somehow\" ",
            "settings.earthing",
        ),
        ("mains = \"hz50\" ", "mains = 50 ", "settings.mains"),
        ("min_c = -20.0", "min_c = inf", "site.min_c"),
        ("min_c = -20.0", "", "site.min_c"),
        ("soil_ohm_m = 60.0", "soil_ohm_m = 0.0", "site.soil_ohm_m"),
        ("area_m2 = 1.63", "area_m2 = 0.0", "modules.area_m2"),
        ("rated_w = 300.0", "rated_w = -300.0", "modules.rated_w"),
        ("rated_kva = 2.4", "rated_kva = 0.0", "converter.rated_kva"),
        (
            "bond_fuse_a = 1.0",
            "bond_fuse_a = nan",
            "protection.bond_fuse_a",
        ),
        ("fuse_ohm = 0.2", "fuse_ohm = -0.2", "earthing.fuse_ohm"),
        (
            "length_m = 20.0, size = \"8\"",
            "length_m = 20.0, size = \"7\"",
            "circuit.conductor.size",
        ),
        (
            "length_m = 20.0, size = \"8\"",
            "length_m = 0.0, size = \"8\"",
            "circuit.conductor.length_m",
        ),
        (
            "length_m = 20.0, size = \"10\"",
            "length_m = 20.0",
            "circuit.egc",
        ),
        ("volts = 48.0", "", "circuit.volts"),
        ("ocpd_a = 100.0", "", "circuit.ocpd_a"),
        ("feeds = \"array\"", "feeds = \"moon\"", "circuit.feeds"),
        ("feeds = \"battery\"", "feeds = \"array\"", "circuit.volts"),
        (
            "joins = \"dc-system\"\nplace = \"monitor\"",
            "joins = \"dc-system\"",
            "bond.place",
        ),
        (
            "between = [\"house rod\", \"shed rod\"]",
            "between = [\"house rod\", \"shd rod\"]",
            "bond.between",
        ),
        (
            "between = [\"house rod\", \"shed rod\"]",
            "between = [\"house rod\", \"house rod\"]",
            "bond.between",
        ),
        (
            "between = [\"house rod\", \"shed rod\"]",
            "between = [\"house rod\"]",
            "bond.between",
        ),
        (
            "name = \"shed rod\"",
            "name = \"house rod\"",
            "electrode.name",
        ),
        ("name = \"shed rod\"", "name = \"egc\"", "electrode.name"),
    ] {
        assert!(EXAMPLE.contains(from), "{from}");
        let text = EXAMPLE.replacen(from, to, 1);
        let error = read(&text).expect_err(to);
        assert_eq!(error.key, key, "{error}");
        assert!(error.line > 1, "{error}");
        assert!(!error.to_string().contains('\n'), "{error}");
    }
}

/// No table is chosen by a default.
#[test]
fn earthing_and_mains_have_to_be_there() {
    for key in ["earthing", "mains"] {
        let kept: Vec<_> = EXAMPLE
            .lines()
            .filter(|line| !line.starts_with(&format!("{key} = ")))
            .collect();
        let text = kept.join("\n");
        let error = read(&text).expect_err(key);
        assert_eq!(error.key, format!("settings.{key}"));
        assert!(error.message.contains("is missing"), "{error}");
    }
}

#[test]
fn a_fuse_without_a_bond_is_refused() {
    let text = EXAMPLE.replace(
        "earthing = \"negative-bonded\"",
        "earthing = \"not-earthed\"",
    );
    assert_eq!(
        read(&text).expect_err("refused").key,
        "protection.bond_fuse_a"
    );
}
