//! What a sample costs, in instructions, counted and not timed: the same on a busy machine and an idle one.
//!
//! Counted by callgrind on this machine's instruction set, as the difference of a long run and a short one. It says how the
//! core's work changes from commit to commit; how long a step takes on a board is another number.

use std::path::Path;
use std::process::Command;

/// The budget, instructions a sample. At a core's 125 MHz and 4 kS/s there are 31 250 cycles for each; a tenth of
/// that leaves room for an instruction set that does its floats in software.
const BUDGET: u64 = 3_000;

/// Of which for the journal and its flash, with ten events a second.
const JOURNAL_BUDGET: u64 = 300;

fn valgrind_is_there() -> bool {
    let there = Command::new("valgrind")
        .arg("--version")
        .output()
        .is_ok_and(|out| out.status.success());
    assert!(
        there || std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_none(),
        "valgrind is missing (Debian: apt-get install valgrind)"
    );
    there
}

/// Instructions of a whole run.
fn instructions(load: &Path, mode: &str, seconds: u32) -> u64 {
    let out = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(load)
        .arg(mode)
        .arg(seconds.to_string())
        .output()
        .expect("runs");
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{said}");
    said.lines()
        .find_map(|line| line.split("Collected :").nth(1)?.trim().parse().ok())
        .unwrap_or_else(|| panic!("no count in:\n{said}"))
}

#[test]
fn a_sample_stays_within_its_budget() {
    if !valgrind_is_there() {
        return;
    }
    let load = escargot::CargoBuild::new()
        .manifest_path(Path::new(env!("CARGO_MANIFEST_DIR")).join("../firmware/Cargo.toml"))
        .example("load")
        .release()
        .run()
        .expect("builds")
        .path()
        .to_owned();
    for mode in ["quiet", "leaking", "measuring", "journal"] {
        // The first seconds hold the start, the self-test and the first check.
        let more = instructions(&load, mode, 30) - instructions(&load, mode, 10);
        let each = more / (20 * 4000);
        println!("{mode}: {each} instructions a sample, of {BUDGET}");
        assert!(each <= BUDGET, "{mode}: {each} instructions a sample");
        // A monitor that does nothing would be cheap as well.
        // The journal alone, ten events a second: next to nothing for a sample.
        if mode == "journal" {
            assert!((20..=JOURNAL_BUDGET).contains(&each), "journal: {each}");
            continue;
        }
        assert!(each > 200, "{mode}: {each}, nothing was measured");
    }
}
