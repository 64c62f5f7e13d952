//! `bench --image` and `simulate --image` from outside: refusals in one line, a trip through the emulator into a store, nothing
//! left running.

use ohmward_tests::children::{Running, served};
use ohmward_tests::emulated::image_in;
use ohmward_tests::ohmward;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

/// Invented: an array that does not exist.
const MORNING: &str = r#"
name = "morning"
note = "Invented, for end-to-end tests."
seed = 4
start = "2026-04-10T09:00:00Z"
duration_h = 0.01

[board]
id = "00000000000000d2"

[array]
strings = 2
modules_per_string = 5

[load]
kind = "working-point"

[weather]
latitude_deg = 45.0
cloudiness = 0.2
rain_days_per_week = 0.0

[[fault]]
string = 1
position = 4
ohm = 8.0
from_h = 0.007
to_h = 0.0095
"#;

fn refused(command: &mut Command) -> String {
    let Output { status, stderr, .. } = command.output().expect("runs");
    let words = String::from_utf8(stderr).expect("text");
    assert_eq!(status.code(), Some(2), "{words}");
    assert_eq!(words.lines().count(), 1, "{words}");
    words
}

fn bench(image: &Path) -> Command {
    let mut command = ohmward();
    command
        .args(["bench", "--case", "restart/", "--image"])
        .arg(image);
    command
}

#[test]
fn what_is_no_image_is_refused_in_one_line() {
    let dir = tempfile::tempdir().expect("a folder");
    let missing = dir.path().join("none");
    let words = refused(&mut bench(&missing));
    assert!(
        words.contains("cannot read the image") && words.contains("DEVELOPERS.md"),
        "{words}"
    );

    let text = dir.path().join("text");
    std::fs::write(&text, "no program").expect("writes");
    let words = refused(&mut bench(&text));
    assert!(words.contains("is no ELF file"), "{words}");

    // An ELF file of this machine, not of a Cortex-M.
    let own = std::env::current_exe().expect("known");
    let words = refused(&mut bench(&own));
    assert!(words.contains("for another processor"), "{words}");

    // ELF, 32 bits, ARM: enough to look for the emulator, which is not on this path.
    let arm = dir.path().join("arm");
    let mut head = b"\x7fELF\x01\x01\x01".to_vec();
    head.resize(52, 0);
    head[18] = 40;
    std::fs::write(&arm, head).expect("writes");
    let words = refused(bench(&arm).env("PATH", dir.path()));
    assert!(
        words.contains("cannot start qemu-system-arm") && words.contains("apt-get install"),
        "{words}"
    );
    let words = refused(
        ohmward()
            .args(["simulate", "--image"])
            .arg(&arm)
            .arg("scenario.toml")
            .env("PATH", dir.path()),
    );
    assert!(words.contains("cannot start qemu-system-arm"), "{words}");
}

#[test]
fn an_image_of_another_layout_is_refused_in_one_line() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let dir = tempfile::tempdir().expect("a folder");
    // The layout's number stands in the code as a constant: another one makes another image.
    let mut image = std::fs::read(&path).expect("reads");
    let number = ohmward_proto::emulated::LAYOUT.to_le_bytes();
    let places: Vec<usize> = (0..image.len() - 4)
        .filter(|at| image[*at..*at + 4] == number)
        .collect();
    assert!(!places.is_empty(), "the number is a literal of the code");
    for at in places {
        image[at] ^= 0x80;
    }
    let other = dir.path().join("other");
    std::fs::write(&other, image).expect("writes");
    let words = refused(&mut bench(&other));
    assert!(
        words.contains("different versions") && words.contains("build the image again"),
        "{words}"
    );
}

#[test]
fn the_bench_says_which_image_ran() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let dir = tempfile::tempdir().expect("a folder");
    let junit = dir.path().join("bench.xml");
    let out = bench(&path)
        .args(["--compare", "--json", "--junit"])
        .arg(&junit)
        .output()
        .expect("runs");
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let report: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let firmware = &report["firmware"];
    let size = std::fs::metadata(&path).expect("there").len();
    assert_eq!(firmware["image_bytes"], size);
    assert_eq!(firmware["image_sha256"].as_str().map(str::len), Some(64));
    assert_eq!(firmware["compared"]["differing_case_count"], 0);
    assert!(firmware["compared"]["sample_count"].as_u64() > Some(100));
    // The system's own tool over the same file.
    if let Ok(sum) = Command::new("sha256sum").arg(&path).output() {
        let sum = String::from_utf8_lossy(&sum.stdout).into_owned();
        assert_eq!(firmware["image_sha256"].as_str(), sum.get(..64));
    }
    let junit = std::fs::read_to_string(junit).expect("written");
    assert!(
        junit.contains("SHA-256") && junit.contains("the same to the bit"),
        "{junit}"
    );
}

/// A simulated board on a port, and where it is.
fn simulate(image: &Path, scenario: &Path, speed: &str) -> (Running, String) {
    served(
        ohmward()
            .args([
                "simulate",
                "--link",
                "tcp:127.0.0.1:0",
                "--speed",
                speed,
                "--image",
            ])
            .arg(image)
            .arg(scenario),
    )
}

fn scenario(dir: &Path) -> std::path::PathBuf {
    let path = dir.join("morning.toml");
    let mut file = std::fs::File::create(&path).expect("writes");
    file.write_all(MORNING.as_bytes()).expect("writes");
    path
}

/// Waits up to a minute.
fn soon(what: &str, mut is_so: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < Duration::from_secs(60), "{what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn a_trip_of_the_emulated_board_is_in_the_store() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let dir = tempfile::tempdir().expect("a folder");
    let (mut board, place) = simulate(&path, &scenario(dir.path()), "max");
    let store = dir.path().join("store");
    let recorded = ohmward()
        .args(["record", "--until-gone", "--from", &place, "--store"])
        .arg(&store)
        .output()
        .expect("runs");
    // The end of a port is told as one, and is no success of the recorder's; what came until then is kept.
    let words = String::from_utf8_lossy(&recorded.stderr).into_owned();
    assert!(words.contains("closed the connection"), "{words}");
    soon("the board comes to its end", || {
        board.0.try_wait().expect("waits").is_some()
    });
    let events = ohmward()
        .args(["events", "--json", "--store"])
        .arg(&store)
        .output()
        .expect("runs");
    let kinds: Vec<String> = String::from_utf8(events.stdout)
        .expect("text")
        .lines()
        .map(|line| {
            let event: serde_json::Value = serde_json::from_str(line).expect("JSON");
            event["kind"].as_str().unwrap_or_default().to_owned()
        })
        .collect();
    for wanted in ["started", "connected", "tripped"] {
        assert!(
            kinds.iter().any(|kind| kind == wanted),
            "{wanted}: {kinds:?}"
        );
    }
}

/// Linux: the processes that this one has started.
fn children(of: u32) -> Vec<u32> {
    let tasks = std::fs::read_dir(format!("/proc/{of}/task"));
    tasks
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|task| std::fs::read_to_string(task.path().join("children")).ok())
        .flat_map(|line| {
            line.split_whitespace()
                .filter_map(|id| id.parse().ok())
                .collect::<Vec<u32>>()
        })
        .collect()
}

/// Still there, and no mere entry that waits to be looked at (proc(5): state behind the name).
fn runs(id: u32) -> bool {
    std::fs::read_to_string(format!("/proc/{id}/stat")).is_ok_and(|stat| {
        let state = stat.rsplit(") ").next().unwrap_or_default();
        !state.starts_with('Z') && !state.starts_with('X')
    })
}

#[test]
fn no_emulator_outlives_its_program() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let dir = tempfile::tempdir().expect("a folder");
    let scenario = scenario(dir.path());
    for signal in ["KILL", "INT", "TERM"] {
        let (mut board, _) = simulate(&path, &scenario, "realtime");
        let emulators = children(board.0.id());
        assert_eq!(emulators.len(), 1, "one emulator: {emulators:?}");
        assert!(runs(emulators[0]));
        let sent = Command::new("kill")
            .args(["-s", signal, &board.0.id().to_string()])
            .status()
            .expect("sends");
        assert!(sent.success());
        soon(signal, || board.0.try_wait().expect("waits").is_some());
        soon(signal, || !runs(emulators[0]));
    }
}
