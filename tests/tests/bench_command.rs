//! `ohmward bench` from the outside: what it prints to be typed again can be typed again.

use ohmward_tests::ohmward;
use std::fmt::Write;
use std::process::Command;

#[test]
fn the_command_of_a_failed_trace_runs_and_fails_the_same() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut text = String::from("time_s,i_bond_a\n");
    for n in 0..4000 {
        // Half an ampere at half time, which trips after some milliseconds.
        let a = if n > 2000 { 0.5 } else { 0.0 };
        let _ = writeln!(text, "{},{a}", f64::from(n) / 4000.0);
    }
    let trace = dir.path().join("it's a trace.csv");
    std::fs::write(&trace, text).expect("writes");
    let first = ohmward()
        .args(["bench", "--latest-ms", "0.5", "--onset-s", "0.5"])
        .arg(&trace)
        .output()
        .expect("runs");
    let said = String::from_utf8(first.stdout).expect("UTF-8");
    assert_eq!(first.status.code(), Some(1), "{said}");
    let again = said
        .lines()
        .find_map(|line| line.trim().strip_prefix("again, alone: ohmward "))
        .expect("told");
    let program = ohmward();
    let second = Command::new("sh")
        .arg("-c")
        .arg(format!("\"$0\" {again}"))
        .arg(program.get_program())
        .output()
        .expect("runs");
    assert_eq!(second.status.code(), Some(1), "{again}");
    assert_eq!(String::from_utf8(second.stdout).expect("UTF-8"), said);
    // A fault outside of its trace is told with both.
    for onset in ["99", "-3"] {
        let outside = ohmward()
            .args(["bench", "--latest-ms", "20", "--onset-s", onset])
            .arg(&trace)
            .output()
            .expect("runs");
        let said = String::from_utf8_lossy(&outside.stderr).into_owned();
        assert_eq!(outside.status.code(), Some(2), "{said}");
        assert!(
            said.contains(&format!(
                "is said to begin at {onset} s, the trace goes from 0 to "
            )),
            "{said}"
        );
    }
}
