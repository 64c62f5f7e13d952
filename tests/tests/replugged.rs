//! Debian's socat as the serial line: unplugged in the middle, plugged in again under another name.
//!
//! Skipped without socat, unless `OHMWARD_REQUIRE_TOOLS=1`, as in CI.

use ohmward::store::{EventFilter, Store};
use ohmward_tests::children::{Running, served};
use ohmward_tests::{data, ohmward};
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

fn has_socat() -> bool {
    let there = Command::new("socat")
        .arg("-V")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success());
    assert!(
        there || std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_none(),
        "socat is required here"
    );
    there
}

/// A pseudo-terminal of this name with the board's TCP port behind it.
fn plug(name: &Path, board: &str) -> Running {
    let child = Command::new("socat")
        .arg(format!("PTY,link={},rawer", name.display()))
        .arg(format!("TCP:{board}"))
        .stderr(Stdio::null())
        .spawn()
        .expect("starts");
    Running(child)
}

fn until(what: &str, mut done: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !done() {
        assert!(
            begun.elapsed() < Duration::from_secs(60),
            "waited in vain: {what}"
        );
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn readings(store: &Path) -> usize {
    let Ok(store) = Store::open_existing(store) else {
        return 0;
    };
    let boards = store.boards().expect("reads");
    let count = |board| {
        store
            .readings(board, i64::MIN..i64::MAX, 100)
            .expect("reads")
            .stored as usize
    };
    boards.into_iter().map(count).sum()
}

#[test]
fn a_board_plugged_in_under_another_name_is_recorded_on() {
    if !has_socat() {
        return;
    }
    let dir = tempfile::tempdir().expect("a folder");
    let store = dir.path().join("store");
    let (board, place) = served(
        ohmward()
            .args(["simulate", "--link", "tcp:127.0.0.1:0", "--speed", "x60"])
            .arg(data("one-day.toml")),
    );
    let address = place.strip_prefix("tcp://").expect("TCP").to_owned();

    let mut recorder = Running(
        ohmward()
            .args(["record", "--from"])
            .arg(dir.path().join("line*"))
            .arg("--store")
            .arg(&store)
            .args(["--json"])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("starts"),
    );
    // Nothing is plugged in yet, and that is told at once.
    std::thread::sleep(Duration::from_millis(500));
    let first = plug(&dir.path().join("line-a"), &address);
    until("the first readings", || readings(&store) > 5);
    drop(first); // the plug is pulled, and its name is gone with it: the other may be given the same terminal
    let _ = std::fs::remove_file(dir.path().join("line-a"));
    let before = readings(&store);
    let second = plug(&dir.path().join("line-b"), &address);
    until("readings over the other name", || {
        readings(&store) > before + 20
    });

    // A system that shuts down says so by SIGTERM: everything is committed, the end is a good one.
    let pid = recorder.0.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-TERM", &pid])
            .status()
            .expect("runs")
            .success()
    );
    let mut said = String::new();
    let mut json = String::new();
    recorder
        .0
        .stderr
        .take()
        .expect("piped")
        .read_to_string(&mut said)
        .expect("reads");
    recorder
        .0
        .stdout
        .take()
        .expect("piped")
        .read_to_string(&mut json)
        .expect("reads");
    assert!(recorder.0.wait().expect("ends").success(), "{said}");
    drop((second, board));

    let told: Vec<&str> = said
        .lines()
        .filter(|l| l.starts_with("ohmward: "))
        .collect();
    assert_eq!(told.len(), 3, "told once each: {said}");
    assert!(told[0].contains("line*: no device fits it"), "{said}");
    assert!(
        told[1].contains("line-a") && told[1].contains("is gone"),
        "{said}"
    );
    assert!(
        told[2].contains("line-b") && told[2].contains("is back"),
        "{said}"
    );
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(json["links"].as_array().map(Vec::len), Some(2), "{json}");
    assert_eq!(json["links"][0]["board"], json["links"][1]["board"]);
    assert!(json["links"][1]["frames"].as_u64() > Some(20), "{json}");

    let store = Store::open_existing(&store).expect("a store");
    let boards = store.boards().expect("reads");
    assert_eq!(boards.len(), 1);
    let frames = |link: usize| json["links"][link]["frames"].as_u64().expect("a number");
    let line = store
        .line(boards[0], &(0..i64::MAX))
        .expect("reads")
        .expect("counted");
    assert_eq!(line.breaks, 1, "{line:?}");
    assert_eq!(line.frames, frames(0) + frames(1), "{line:?}, {json}");
    let events = store.events(&EventFilter::default()).expect("reads");
    let seqs: Vec<u32> = events.iter().map(|e| e.event.id.seq).collect();
    assert!(
        !seqs.is_empty() && seqs.iter().copied().eq(0..seqs.len() as u32),
        "{seqs:?}"
    );
}

/// `--until-gone` holds for a pattern as for a name: with nothing there it ends at once, with the last one gone it ends, and neither is
/// told as a success. A pattern on which nobody ever answered is none either.
#[test]
fn a_pattern_ends_when_what_fitted_it_is_gone() {
    if !has_socat() {
        return;
    }
    let dir = tempfile::tempdir().expect("a folder");
    let store = dir.path().join("store");
    let pattern = dir.path().join("line*");
    let record = |more: &[&str]| {
        let mut command = ohmward();
        command.args(["record", "--from"]).arg(&pattern);
        command.arg("--store").arg(&store).args(more);
        command.stderr(Stdio::piped());
        command
    };
    for more in [["--until-gone", "--json"], ["--for", "1s"]] {
        let ended = record(&more).output().expect("runs");
        let said = String::from_utf8_lossy(&ended.stderr).into_owned();
        assert_eq!(ended.status.code(), Some(2), "{said}");
        assert!(said.contains("no device fits it"), "{said}");
    }
    let (board, place) = served(
        ohmward()
            .args(["simulate", "--link", "tcp:127.0.0.1:0", "--speed", "x60"])
            .arg(data("one-day.toml")),
    );
    let address = place.strip_prefix("tcp://").expect("TCP").to_owned();
    let line = plug(&dir.path().join("line-a"), &address);
    until("the device", || dir.path().join("line-a").exists());
    let mut recorder = Running(record(&["--until-gone"]).spawn().expect("starts"));
    until("the first readings", || readings(&store) > 5);
    drop(line);
    let _ = std::fs::remove_file(dir.path().join("line-a"));
    until("the end", || {
        recorder.0.try_wait().expect("waits").is_some()
    });
    let mut said = String::new();
    let stderr = recorder.0.stderr.as_mut().expect("piped");
    stderr.read_to_string(&mut said).expect("reads");
    assert_eq!(recorder.0.wait().expect("ended").code(), Some(2), "{said}");
    assert!(
        said.contains("line-a") && said.contains("is kept"),
        "{said}"
    );
    drop(board);
}
