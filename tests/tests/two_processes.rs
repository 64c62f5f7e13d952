//! Board and recorder as two processes with a serial line between them.

use ohmward::store::{EventFilter, Store};
use ohmward_tests::children::{Running, served};
use ohmward_tests::{data, ohmward};
use std::io::Read;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

/// Starts a simulated board and returns it with the place it printed.
fn simulate(link: &str, speed: &str) -> (Running, String) {
    served(
        ohmward()
            .args(["simulate", "--link", link, "--speed", speed])
            .arg(data("one-day.toml")),
    )
}

fn record(place: &str, store: &Path) -> Command {
    let mut command = ohmward();
    command
        .args(["record", "--until-gone", "--from", place, "--store"])
        .arg(store);
    command
}

/// A command that must end by itself soon.
fn finish(command: &mut Command) -> Output {
    let mut child = Running(
        command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("starts"),
    );
    let begun = Instant::now();
    let status = loop {
        if let Some(status) = child.0.try_wait().expect("waits") {
            break status;
        }
        assert!(
            begun.elapsed() < Duration::from_secs(120),
            "{command:?} does not end"
        );
        std::thread::sleep(Duration::from_millis(10));
    };
    let (mut stdout, mut stderr) = (Vec::new(), Vec::new());
    child
        .0
        .stdout
        .take()
        .expect("piped")
        .read_to_end(&mut stdout)
        .expect("reads");
    child
        .0
        .stderr
        .take()
        .expect("piped")
        .read_to_end(&mut stderr)
        .expect("reads");
    Output {
        status,
        stdout,
        stderr,
    }
}

/// Every event of a store as its number and its stored bytes' meaning.
fn events(store: &Path) -> Vec<String> {
    let store = Store::open_existing(store).expect("a store");
    let events = store.events(&EventFilter::default()).expect("reads");
    events
        .iter()
        .map(|e| format!("{:?} {}", e.event, e.t_us))
        .collect()
}

#[test]
fn a_recorder_killed_again_and_again_has_every_event_once() {
    let dir = tempfile::tempdir().expect("a folder");
    let (alone, killed) = (dir.path().join("alone"), dir.path().join("killed"));
    let sim = format!("sim:{}", data("one-day.toml").display());
    assert!(finish(&mut record(&sim, &alone)).status.success());
    let expected = events(&alone);
    assert!(expected.len() > 6, "{expected:?}");

    let (board, place) = simulate("pty", "x6000");
    for life_ms in [300, 700, 1100, 900] {
        let recorder = record(&place, &killed)
            .stderr(Stdio::null())
            .spawn()
            .expect("starts");
        std::thread::sleep(Duration::from_millis(life_ms));
        drop(Running(recorder)); // SIGKILL
    }
    // Until the board has come to its end and its line closes.
    finish(&mut record(&place, &killed));
    drop(board);
    assert_eq!(events(&killed), expected);
}

#[test]
fn tcp_carries_the_same() {
    let dir = tempfile::tempdir().expect("a folder");
    let (alone, tcp) = (dir.path().join("alone"), dir.path().join("tcp"));
    let sim = format!("sim:{}", data("one-day.toml").display());
    assert!(finish(&mut record(&sim, &alone)).status.success());
    let (_board, place) = simulate("tcp:127.0.0.1:0", "max");
    assert!(place.starts_with("tcp://127.0.0.1:"), "{place}");
    finish(&mut record(&place, &tcp));
    assert_eq!(events(&tcp), events(&alone));
}

/// Runs what must fail: exit status 2 and one line that holds `needles`.
fn fails(command: &mut Command, needles: &[&str]) {
    let output = finish(command);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    let lines: Vec<_> = said
        .lines()
        .filter(|l| l.starts_with("ohmward: "))
        .collect();
    assert_eq!(lines.len(), 1, "one line: {said}");
    assert!(!said.contains("panicked"), "{said}");
    for needle in needles {
        assert!(lines[0].contains(needle), "no '{needle}' in: {}", lines[0]);
    }
}

#[test]
fn what_goes_wrong_is_said_in_one_line() {
    let dir = tempfile::tempdir().expect("a folder");
    let at = |name: &str| dir.path().join(name);
    let write = |name: &str, text: &str| {
        std::fs::write(at(name), text).expect("writes");
        at(name)
    };
    let good = std::fs::read_to_string(data("one-day.toml")).expect("reads");

    let missing = at("missing.toml");
    fails(ohmward().arg("simulate").arg(&missing), &["missing.toml"]);
    let key = write("key.toml", &good.replace("strings = 2", "strngs = 2"));
    fails(
        ohmward().arg("simulate").arg(&key),
        &["key.toml:16", "strngs"],
    );
    let value = write("value.toml", &good.replace("ohm = 8.0", "ohm = -8.0"));
    fails(
        ohmward().arg("simulate").arg(&value),
        &["value.toml:34", "ohm"],
    );
    let noise = write("noise.toml", "\u{1}\u{2} not toml");
    fails(ohmward().arg("simulate").arg(&noise), &["noise.toml:1"]);

    let store = at("store");
    fails(
        &mut record("/dev/does-not-exist", &store),
        &["/dev/does-not-exist", "plugged in"],
    );
    fails(
        &mut record(&key.display().to_string(), &store),
        &["key.toml", "not a serial device"],
    );
    fails(
        &mut record("tcp://127.0.0.1:1", &store),
        &["tcp://127.0.0.1:1", "listening"],
    );

    let foreign = at("foreign");
    std::fs::create_dir(&foreign).expect("makes");
    std::fs::write(foreign.join("ohmward.sqlite"), "a letter to my aunt").expect("writes");
    let sim = format!("sim:{}", data("one-day.toml").display());
    fails(
        &mut record(&sim, &foreign),
        &["foreign", "not an Ohmward store"],
    );
    fails(
        ohmward().args(["events", "--store"]).arg(at("nothing")),
        &["nothing", "no store"],
    );
    fails(
        ohmward().args(["events", "--store"]).arg(&foreign),
        &["not an Ohmward store"],
    );
}

#[test]
fn a_device_that_vanishes_is_told_and_what_it_sent_is_kept() {
    let dir = tempfile::tempdir().expect("a folder");
    let store = dir.path().join("store");
    let (board, place) = simulate("pty", "x600");
    let killer = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(1500));
        drop(board);
    });
    fails(&mut record(&place, &store), &[&place, "kept"]);
    killer.join().expect("ends");
    assert!(!events(&store).is_empty());
}

#[test]
fn a_board_tests_itself_when_asked() {
    let (_board, place) = simulate("pty", "x60");
    let out = finish(ohmward().args(["selftest", "--from", &place]));
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(
        out.status.success() && said.contains("passed: the sensor shows 100 mA"),
        "{out:?}"
    );
    fails(
        ohmward().args(["selftest", "--from", "tcp://127.0.0.1:1"]),
        &["tcp://127.0.0.1:1", "cannot open"],
    );
}

/// What `plan` writes goes onto a board and comes back; what protects less is refused without the maintenance switch.
#[test]
fn planned_settings_go_onto_a_board() {
    let dir = tempfile::tempdir().expect("a folder");
    let file = dir.path().join("settings.toml");
    let array =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../host/scenarios/heron-bend-array.toml");
    let planned = finish(
        ohmward()
            .arg("plan")
            .arg(&array)
            .arg("--settings")
            .arg(&file),
    );
    assert!(planned.status.success(), "{planned:?}");
    // The board of this scenario measures every quarter of an hour; more rarely would be looser.
    let text = std::fs::read_to_string(&file).expect("written");
    let text = text.replace("every_s = 1800", "every_s = 600");
    std::fs::write(&file, &text).expect("written");
    let (_board, place) = simulate("tcp:127.0.0.1:0", "x60");
    let on_board =
        |more: &[&str]| finish(ohmward().args(["settings", "--from", &place]).args(more));

    let before = String::from_utf8(on_board(&["--json"]).stdout).expect("text");
    let put = on_board(&["--put", file.to_str().expect("a path"), "--json"]);
    assert!(put.status.success(), "{put:?}");
    let after: serde_json::Value = serde_json::from_slice(&put.stdout).expect("JSON");
    let wanted: toml::Table = text.parse().expect("TOML");
    assert_ne!(before.trim(), after.to_string());
    assert_eq!(
        after["insulation"]["warn_below_ohm"].as_f64(),
        wanted["insulation"]["warn_below_ohm"].as_float()
    );

    let looser = dir.path().join("looser.toml");
    let line = format!("trip_below_ohm = {:?}", 20_000.0);
    std::fs::write(&looser, text.replace("trip_below_ohm = 30000.0", &line)).expect("written");
    let refused = on_board(&["--put", looser.to_str().expect("a path")]);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(1), "{refused:?}");
    assert!(said.contains("maintenance switch"), "{said}");

    std::fs::write(&looser, "no settings\n").expect("written");
    fails(
        ohmward()
            .args(["settings", "--from", &place, "--put"])
            .arg(&looser),
        &["looser.toml:1"],
    );
}
