//! `ohmward whatif` from the outside: what it prints and draws, its exit status, and one line for each mistake.

use ohmward_tests::ohmward;
use std::path::{Path, PathBuf};
use std::process::Output;

fn example() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../host/scenarios/heron-bend-array.toml")
}

fn asked(more: &[&str]) -> Output {
    ohmward()
        .arg("whatif")
        .arg(example())
        .args(more)
        .output()
        .expect("runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

/// A hard fault trips within milliseconds: status 0, a table with cautions, a picture with every way back.
#[test]
fn a_hard_fault_is_told_and_drawn() {
    let folder = tempfile::tempdir().expect("a folder");
    let svg = folder.path().join("whatif.svg");
    let out = asked(&[
        "--fault",
        "string=2,module=3,ohms=20",
        "--svg",
        svg.to_str().expect("UTF-8"),
    ]);
    let said = text(&out.stdout);
    assert_eq!(out.status.code(), Some(0), "{said}");
    for word in [
        "not a listed protective device",
        "EGC, frames → bar",
        "A PERSON TOUCHES A MODULE FRAME",
        "TRIPPED",
        "IEC TS 60479-1",
        "fuse of 1 A: melts",
    ] {
        assert!(said.contains(word), "{word}: {said}");
    }
    let drawn = std::fs::read_to_string(&svg).expect("drawn");
    for way in ["fault", "bond", "egc", "tie", "earth", "person"] {
        assert!(drawn.contains(&format!("data-path=\"{way}\"")), "{way}");
    }
}

/// Two faults whose loop no contact is in: status 1, and it says so.
#[test]
fn what_nothing_ends_has_a_status_of_its_own() {
    let faults = [
        "--fault",
        "string=1,module=0,ohms=1",
        "--fault",
        "string=2,module=4,ohms=1",
    ];
    let out = asked(&faults);
    assert_eq!(out.status.code(), Some(1));
    assert!(text(&out.stdout).contains("NOTHING ENDS IT"));
    let out = asked(&[faults.as_slice(), &["--json"]].concat());
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert_eq!(json["schema"], 1);
    assert_eq!(json["states"][2]["phase"], "opened");
    assert!(
        json["states"][2]["faults"][1]["fault_a"]
            .as_f64()
            .is_some_and(|a| a > 9.0)
    );
    assert_eq!(json["verdict"]["seen_in_time"], false);
    assert_eq!(json["faults"][0]["at"]["string"]["module"], 0);
}

#[test]
fn a_mistake_is_one_line() {
    for (more, said) in [
        (vec!["--fault", "string=3,module=1,ohms=1"], "give 1 to 2"),
        (vec!["--fault", "string=1,module=9,ohms=1"], "give 0 to 4"),
        (vec!["--fault", "string=1,module=1,ohms=0"], "0.001 to 1e10"),
        (
            vec!["--fault", "string=1,modul=1,ohms=1"],
            "there are: string, module",
        ),
        (
            vec!["--fault", "string=1,module=1,ohms=1", "--svg", "x.pdf"],
            "must end in .svg",
        ),
        (
            vec!["--fault", "string=1,module=1", "--sweep", "ohms=9..1"],
            "the lower end first",
        ),
    ] {
        let out = asked(&more);
        assert_eq!(out.status.code(), Some(2), "{more:?}");
        let line = text(&out.stderr);
        assert_eq!(line.lines().count(), 1, "{line}");
        assert!(line.contains(said), "{line}");
        assert!(out.stdout.is_empty());
    }
}

/// Over the resistance of a fault on the grounded conductor: first a current limit, then the check alone, then nothing has to.
#[test]
fn a_sweep_finds_the_blind_spot() {
    let folder = tempfile::tempdir().expect("a folder");
    let chart = folder.path().join("sweep.png");
    let out = asked(&[
        "--fault",
        "string=2,module=0",
        "--sweep",
        "ohms=1..1e6,points=7",
        "--json",
        "--chart",
        chart.to_str().expect("UTF-8"),
    ]);
    let json: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let sights: Vec<_> = json["points"]
        .as_array()
        .expect("points")
        .iter()
        .map(|p| p["sight"].as_str().expect("a word").to_owned())
        .collect();
    // 1, 10, 100 Ω, 1, 10, 100 kΩ, 1 MΩ: some 1 A, 0.2 A and 19 mA; insulation trips below 30 kΩ.
    assert_eq!(
        sights,
        [
            "bond-current",
            "bond-current",
            "insulation-check",
            "insulation-check",
            "insulation-check",
            "need-not",
            "need-not"
        ]
    );
    let drawn = std::fs::read(&chart).expect("drawn");
    assert!(drawn.starts_with(b"\x89PNG") && drawn.len() > 20_000);
}
