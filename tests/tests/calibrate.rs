//! `ohmward calibrate` from the outside, against a simulated board on a bench whose true gains, zeros and bridge are known.

use ohmward_proto::message::{BoardId, Hello, Message};
use ohmward_proto::{MAX_FRAME, SampleIndex, encode};
use ohmward_tests::children::{Running, served};
use ohmward_tests::ohmward;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{ChildStdin, Output, Stdio};
use std::time::Duration;

fn scenario(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../host/scenarios")
        .join(name)
}

/// Times as fast as the clock on the wall.
const SPEED: u32 = 20;

/// A board at the bench, and the hands.
struct Bench {
    _board: Running,
    hands: ChildStdin,
    place: String,
}

impl Bench {
    fn start() -> Self {
        let (mut board, place) = served(
            ohmward()
                .args([
                    "simulate",
                    "--calibration-bench",
                    "--link",
                    "tcp:127.0.0.1:0",
                ])
                .arg("--speed")
                .arg(format!("x{SPEED}"))
                .arg(scenario("calibration-bench.toml"))
                .stdin(Stdio::piped()),
        );
        let hands = board.0.stdin.take().expect("piped");
        Self {
            _board: board,
            hands,
            place,
        }
    }

    /// Does it, and gives source and board two seconds of theirs.
    fn put(&mut self, order: &str) {
        writeln!(self.hands, "{order}").expect("listens");
        std::thread::sleep(Duration::from_millis(2000 / u64::from(SPEED) + 50));
    }

    /// What the words of a step ask for.
    fn follow(&mut self, step: &str) {
        let number = |before: &str| -> f64 {
            let (front, _) = step.split_once(before).expect("has its unit");
            let word = front.rsplit([' ', ';', ',']).next().expect("a word");
            word.parse().expect("a number")
        };
        if step.contains("no current") {
            self.put("current 0");
            self.put("earthed");
        } else if step.contains("bond sensor's own terminals") {
            let a = number(" A through");
            self.put(&format!("current {a}"));
        } else if step.contains("both poles together") {
            self.put("current 0");
            let v = number(" V against");
            self.put(&format!("poles {v}"));
        } else {
            let ohm = number(" Ω ±");
            let pole = if step.contains("from the positive pole") {
                "positive"
            } else {
                "negative"
            };
            self.put(&format!("supply 200 {pole} {ohm}"));
        }
    }

    /// Walks through a calibration; `write`: and has it written, the maintenance switch forgotten at first.
    fn calibrate(&mut self, more: &[&str], write: bool) -> (Value, String, Option<i32>) {
        let mut child = Running(
            ohmward()
                .args(["calibrate", &self.place, "--json", "--points"])
                .arg(scenario("calibration-points.toml"))
                .args(more)
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .expect("starts"),
        );
        let mut answers = child.0.stdin.take().expect("piped");
        let steps = BufReader::new(child.0.stderr.take().expect("piped"));
        let mut said = String::new();
        let mut refused = false;
        for line in steps.lines() {
            let line = line.expect("UTF-8");
            println!("{line}");
            said += &line;
            said.push('\n');
            let answer = if line.starts_with("Type yes") {
                "yes"
            } else if line.starts_with("step ") {
                self.follow(&line);
                ""
            } else if line.contains("type write") {
                if refused {
                    self.put("arm on");
                }
                refused = true;
                if write { "write" } else { "no" }
            } else {
                continue;
            };
            writeln!(answers, "{answer}").expect("listens");
        }
        let mut out = String::new();
        let mut stdout = child.0.stdout.take().expect("piped");
        stdout.read_to_string(&mut out).expect("UTF-8");
        let status = child.0.wait().expect("ends").code();
        (serde_json::from_str(&out).expect("JSON"), said, status)
    }
}

fn asked(arguments: &[&str], stdin: Stdio) -> Output {
    ohmward()
        .arg("calibrate")
        .args(arguments)
        .stdin(stdin)
        .output()
        .expect("runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

/// What calibration-bench.toml says, as gain over the design (codes grow by the error, so the gain shrinks by it) and zero as the
/// design's scale shows it.
const TRUE: [(&str, f64, f64); 4] = [
    ("i-fine", 1.0 / 1.015, 1.2e-3 * 1.015),
    ("i-wide", 1.0 / 1.015, 1.2e-3 * 1.015),
    ("v-pos", 1.0 / 0.993, 0.2 * 0.993),
    ("v-neg", 1.0 / 1.009, 0.2 * 1.009),
];

/// Divider 2 MΩ, resistors 200 kΩ by design; conductances 1.0 % more, 1.2 % less, 0.8 % more (arithmetic).
const TRUE_OHM: [f64; 3] = [2e6 / 1.01, 200e3 / 0.988, 200e3 / 1.008];

/// The whole of it: a walk, refused without the maintenance switch, written with it, in force from the next start on with its date;
/// the truth lies within what is stated; and the next check finds nothing.
#[test]
fn a_board_is_calibrated_and_the_next_check_finds_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    let mut bench = Bench::start();
    let shown = asked(&[&bench.place, "--show"], Stdio::null());
    assert!(
        text(&shown.stdout).contains("never calibrated"),
        "{shown:?}"
    );

    let (record, said, status) = bench.calibrate(&["--out", out], true);
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("PV conductors are live in daylight"));
    assert!(
        said.contains("refused by the board: the maintenance switch is off"),
        "{said}"
    );
    assert_eq!(record["written"], true);
    for (channel, gain, zero) in TRUE {
        let found = record["channels"]
            .as_array()
            .and_then(|all| all.iter().find(|c| c["channel"] == channel))
            .expect("told");
        let of = |key: &str| found[key].as_f64().expect("a number");
        println!(
            "{channel}: gain {:.5} ± {:.5}, truly {gain:.5}; zero {:.5} ± {:.5}, truly {zero:.5}",
            of("gain"),
            of("gain_within"),
            of("zero"),
            of("zero_within")
        );
        // The bench gives exactly what was asked for: only the board's own part is left, well within.
        assert!((of("gain") - gain).abs() <= of("gain_within"), "{channel}");
        assert!(of("gain_within") < 2e-3, "{channel}");
        // Four channels, one number each: three standard uncertainties.
        assert!(
            (of("zero") - zero).abs() <= 1.5 * of("zero_within"),
            "{channel}"
        );
    }
    for (k, truth) in TRUE_OHM.iter().enumerate() {
        let of = |key: &str| record["bridge"][key][k].as_f64().expect("a number");
        println!(
            "{:.0} ± {:.0} Ω, truly {truth:.0}",
            of("ohm"),
            of("within_ohm")
        );
        assert!((of("ohm") - truth).abs() <= 1.5 * of("within_ohm"), "{k}");
        assert!(of("within_ohm") < 0.01 * truth, "{k}");
    }
    let drift = record["drift"].as_str().expect("words");
    assert!(
        drift.contains("all trips so far were off by at most 1.8"),
        "{drift}"
    );

    // On paper, and the board has it from its next start on.
    let files: Vec<_> = std::fs::read_dir(folder.path()).expect("lists").collect();
    assert_eq!(files.len(), 1);
    let path = files[0].as_ref().expect("a file").path();
    let paper = std::fs::read_to_string(&path).expect("reads");
    let paper: toml::Table = toml::from_str(&paper).expect("TOML");
    assert_eq!(paper["id"].as_str(), record["id"].as_str());
    assert_eq!(paper["points"].as_array().map(Vec::len), Some(11));
    let shown = |bench: &Bench| -> Value {
        let out = asked(&[&bench.place, "--show", "--json"], Stdio::null());
        serde_json::from_slice(&out.stdout).expect("JSON")
    };
    let before = shown(&bench);
    assert_eq!(
        (&before["id"], &before["next_id"]),
        (&Value::from("00000000"), &record["id"])
    );
    bench.put("power");
    let after = shown(&bench);
    assert_eq!(
        (&after["id"], &after["next_id"]),
        (&record["id"], &Value::Null)
    );
    assert_eq!(after["made"], record["made"]);

    // Checked again: nothing has moved, nothing is written.
    let (check, said, status) = bench.calibrate(
        &["--check", "--before", path.to_str().expect("UTF-8")],
        false,
    );
    assert_eq!(status, Some(0), "{said}");
    assert!(!said.contains("type write"), "{said}");
    let worst = check["limits"]
        .as_array()
        .expect("limits")
        .iter()
        .map(|l| l["off_percent"].as_f64().expect("a number").abs())
        .fold(0.0, f64::max);
    println!("farthest off at the check: {worst:.3} %");
    assert!(worst < 0.3, "{check}");
    assert_eq!(check["written"], false);
    assert_eq!(std::fs::read_dir(folder.path()).expect("lists").count(), 1);
}

/// A board that answers everything with who it is: of version 4.
fn old_board() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("binds");
    let place = format!("tcp://{}", listener.local_addr().expect("bound"));
    std::thread::spawn(move || {
        while let Ok((mut host, _)) = listener.accept() {
            let hello = Message::Hello(Hello {
                protocol: 4,
                firmware: (0, 1, 0),
                board: BoardId(4),
                boot: 1,
                at: SampleIndex(1),
                sample_rate_hz: 4000,
                settings_hash: 0,
                calibration_id: 0,
                epoch_unix_ms: None,
            });
            let mut frame = [0; MAX_FRAME];
            let len = encode(&hello, &mut frame).expect("fits");
            let mut bytes = [0; 512];
            while matches!(host.read(&mut bytes), Ok(1..)) {
                if host.write_all(&frame[..len]).is_err() {
                    break;
                }
            }
        }
    });
    place
}

#[test]
fn a_mistake_is_one_line_and_changes_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let fails = |arguments: &[&str], told: &[&str]| {
        let out = asked(arguments, Stdio::null());
        let said = text(&out.stderr);
        assert_eq!(out.status.code(), Some(2), "{arguments:?}: {said}");
        for word in told {
            assert!(said.contains(word), "{arguments:?}: {word}: {said}");
        }
        assert!(!said.contains("panicked"), "{said}");
    };
    let old = old_board();
    fails(
        &[&old],
        &[
            "speaks version 4 of the protocol, which knows no calibration over the link: update the board",
        ],
    );
    fails(&[&old, "--show"], &["update the board"]);
    // A wrong file is told before any port is opened.
    let wrong = folder.path().join("p.toml");
    std::fs::write(
        &wrong,
        "by = \"A\"\n[[point]]\nkind = \"zero\"\nvolts = 3\n",
    )
    .expect("writes");
    let wrong = wrong.to_str().expect("UTF-8");
    fails(
        &["tcp://127.0.0.1:1", "--points", wrong],
        &["p.toml:4", "volts"],
    );
    fails(
        &["tcp://127.0.0.1:1", "--points", "gone.toml"],
        &["gone.toml", "cannot be read"],
    );
    fails(
        &[&old, "--out", "nowhere/at/all"],
        &["is no folder", "--out"],
    );
    let bench = Bench::start();
    let record = folder.path().join("r.toml");
    std::fs::write(&record, "id = \"00000001\"\nchannels = []\n").expect("writes");
    let record = record.to_str().expect("UTF-8");
    fails(
        &[&bench.place, "--before", record],
        &["is the record of calibration 00000001, and 00000000 is in force"],
    );
    // Nobody answers the first question: nothing is done, not even the trip.
    let points = scenario("calibration-points.toml");
    let points = points.to_str().expect("UTF-8");
    fails(
        &[&bench.place, "--points", points],
        &[
            "the input ended at the step",
            "nothing was written to the board",
        ],
    );
}
