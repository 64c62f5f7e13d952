//! `ohmward plan` from the outside, and what it expects against the real firmware in the simulated world.

use ohmward::array_file::ArrayFile;
use ohmward::plan::changes::Looser;
use ohmward::plan::plan;
use ohmward::sim::Gear;
use ohmward_plant::Scenario;
use ohmward_proto::{EventKind, Settings};
use ohmward_tests::{ohmward, run};
use std::path::{Path, PathBuf};
use std::process::Output;

fn example() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../host/scenarios/heron-bend-array.toml")
}

fn planned(array: &Path, more: &[&str]) -> Output {
    ohmward()
        .arg("plan")
        .arg(array)
        .args(more)
        .output()
        .expect("runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

/// The example has nothing wrong with it: status 0, limits with their standards, settings that a board takes.
#[test]
fn the_example_plans_and_writes_settings_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("settings.toml");
    let file = file.to_str().expect("UTF-8");
    let out = planned(&example(), &["--settings", file]);
    let said = text(&out.stdout);
    assert_eq!(out.status.code(), Some(0), "{said}");
    for word in [
        "UL 1741 Table 31.1",
        "unverified",
        "not a listed protective device",
    ] {
        assert!(said.contains(word), "{word}");
    }
    let written = std::fs::read_to_string(file).expect("written");
    let settings: Settings =
        ohmward::plan::settings_file::read(file, &written).expect("a board takes it");
    assert!((settings.current.ground_fault.above.0 - 1.0).abs() < f32::EPSILON);

    let again = planned(&example(), &["--settings", file]);
    assert_eq!(again.status.code(), Some(2));
    assert!(text(&again.stderr).contains("is there already"));
    assert!(again.stdout.is_empty());
    assert_eq!(std::fs::read_to_string(file).expect("there"), written);
}

#[test]
fn json_has_units_in_its_keys_and_marks_what_is_looser() {
    let folder = tempfile::tempdir().expect("a folder");
    let array = folder.path().join("array.toml");
    let loose = std::fs::read_to_string(example()).expect("reads").replace(
        "reading_every_ms = 60_000",
        "current.ground_fault.above_a = 3.0",
    );
    std::fs::write(&array, loose).expect("writes");

    let refused = planned(&array, &["--json"]);
    assert_eq!(refused.status.code(), Some(2));
    let line = text(&refused.stderr);
    assert_eq!(line.lines().count(), 1, "{line}");
    for part in [
        "array.toml:11",
        "settings.current.ground_fault.above_a",
        "3 is looser",
        "UL 1741",
    ] {
        assert!(line.contains(part), "{line}");
    }

    let accepted = planned(&array, &["--json", "--accept-looser"]);
    assert_eq!(
        accepted.status.code(),
        Some(1),
        "marked, and a status that says so"
    );
    let json: serde_json::Value = serde_json::from_slice(&accepted.stdout).expect("JSON");
    assert_eq!(json["schema"], 1);
    assert_eq!(json["settings"]["current"]["ground_fault"]["above_a"], 3.0);
    let row = json["limits"]
        .as_array()
        .expect("a list")
        .iter()
        .find(|l| l["key"] == "current.ground_fault.above_a")
        .expect("a row");
    assert!(
        row["looser_than"]
            .as_str()
            .is_some_and(|s| s.contains("UL 1741")),
        "{row}"
    );
    assert!(
        json["facts"]["voc_cold_v"]
            .as_f64()
            .is_some_and(|v| v > 170.0)
    );
}

#[test]
fn a_file_that_is_not_there_is_one_line() {
    let out = planned(Path::new("nowhere.toml"), &[]);
    assert_eq!(out.status.code(), Some(2));
    assert_eq!(text(&out.stderr).lines().count(), 1);
}

/// From light to connected, with the real firmware on the same array: two seconds of light, the measurement, the contactor. It
/// takes no longer than planned, and not so much less that the plan would be of no use.
#[test]
fn a_measurement_takes_as_long_as_planned() {
    for (strings, modules, nf, wetness) in
        [(2, 4, 25.0, 0.0), (10, 10, 50.0, 1.0), (10, 10, 100.0, 1.0)]
    {
        let array = format!(
            "[array]\nstrings = {strings}\nmodules_per_string = {modules}\nleakage_nf_per_module = {nf:.1}\n"
        );
        let file = ArrayFile::parse(
            "array.toml",
            &format!(
                "name = \"a\"\n{array}[settings]\nearthing = \"negative-bonded\"\nmains = \"hz50\"\n[site]\nmin_c = 0.0\n\
                 [modules]\narea_m2 = 1.63\n"
            ),
        )
        .expect("reads");
        let plan = plan(&file, Looser::Refuse).expect("plans");
        let expected_s = plan
            .healthy
            .weather
            .iter()
            .find(|w| w.cell_c < 26.0 && (w.wetness - wetness).abs() < 1e-9)
            .expect("planned for")
            .measure_s;
        let scenario = Scenario::parse(
            "scenario.toml",
            &format!(
                "name = \"a\"\nstart = \"2026-06-01T12:00:00Z\"\nduration_h = 0.03\n{array}[board]\nid = \"00000000000000a1\"\n\
                 [settings]\ncheck.state_ms_max = {}\n\
                 [weather]\nfixed = {{ irradiance_w_m2 = 800.0, cell_temp_c = 25.0, wetness = {wetness:.1} }}\n",
                plan.settings.check.state_ms_max
            ),
        )
        .expect("sound");
        let said = run(&scenario, Gear::EverySample);
        let at_s = |which: fn(&EventKind) -> bool| {
            let events = said.find(which);
            let at = events.first().expect("happens").at.0;
            at as f64 / f64::from(scenario.board.sample_rate_hz)
        };
        // The board proves itself first; the measurement begins when it has.
        let took_s = at_s(|kind| matches!(kind, EventKind::Connected))
            - at_s(|kind| matches!(kind, EventKind::SelfTestPassed { .. }));
        println!(
            "{strings} × {modules}, {nf} nF, wet {wetness}: planned {expected_s:.2} s, took {took_s:.2} s"
        );
        assert!(
            took_s < expected_s * 1.1 + 0.1,
            "{took_s} s, planned {expected_s} s"
        );
        assert!(
            took_s > expected_s * 0.1,
            "{took_s} s, planned {expected_s} s"
        );
    }
}
