//! COMTRADE against an outside reader and against files that were not made by our writer; and the whole way of a fault
//! through it: simulated → recorded → handed over → through the bench and through a board again.

use ohmward::comtrade::{Analog, Clock, Encoding, Layout, Rate, Record, Revision, Side, Status};
use ohmward::export::event::CapturedEvent;
use ohmward::store::{EventFilter, Store};
use ohmward_proto::EventKind;
use ohmward_tests::children::served;
use ohmward_tests::{data, ohmward};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The format's revisions and encodings that are written, and in which form.
const WRITTEN: [(Revision, Encoding, &str); 10] = [
    (Revision::Y1999, Encoding::Ascii, "cfg"),
    (Revision::Y1999, Encoding::Binary, "cfg"),
    (Revision::Y2013, Encoding::Ascii, "cfg"),
    (Revision::Y2013, Encoding::Binary, "cfg"),
    (Revision::Y2013, Encoding::Binary32, "cfg"),
    (Revision::Y2013, Encoding::Float32, "cfg"),
    (Revision::Y2013, Encoding::Ascii, "cff"),
    (Revision::Y2013, Encoding::Binary, "cff"),
    (Revision::Y2013, Encoding::Binary32, "cff"),
    (Revision::Y2013, Encoding::Float32, "cff"),
];

fn script(name: &str, folder: &Path) -> Option<Output> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("reference")
        .join(name);
    let output = Command::new("python3").arg(path).arg(folder).output();
    let required = std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_some();
    match output {
        Ok(output) if output.status.code() != Some(77) => Some(output),
        Ok(output) => {
            let said = String::from_utf8_lossy(&output.stdout).into_owned();
            assert!(!required, "{said}");
            eprintln!("skipped: {said}");
            None
        }
        Err(why) => {
            assert!(!required, "python3: {why}");
            eprintln!("skipped: python3: {why}");
            None
        }
    }
}

/// What a reader has to find in a record, as `comtrade_check.py` takes it.
fn expectation(record: &Record) -> Value {
    let values: serde_json::Map<String, Value> = record
        .analogs
        .iter()
        .map(|channel| (channel.name.clone(), channel.values().collect()))
        .collect();
    let bits: serde_json::Map<String, Value> = record
        .statuses
        .iter()
        .map(|channel| {
            (
                channel.name.clone(),
                channel.bits.iter().map(u8::from).collect(),
            )
        })
        .collect();
    let lsb: serde_json::Map<String, Value> = record
        .analogs
        .iter()
        .map(|channel| (channel.name.clone(), json!(channel.a.abs())))
        .collect();
    json!({
        "values": values,
        "bits": bits,
        "times_s": record.times_s(),
        "trigger_s": record.trigger_s(),
        "lsb": lsb,
    })
}

fn write_with_expectation(
    record: &Record,
    folder: &Path,
    name: &str,
    layout: Layout,
    form: &str,
) -> PathBuf {
    let path = folder.join(format!("{name}.{form}"));
    record.save(&path, layout).expect("writes");
    std::fs::write(path.with_extension("json"), expectation(record).to_string()).expect("writes");
    path
}

/// Odd on purpose: 19 status channels, missing samples, an offset, secondary values, two rates, a trigger between samples.
fn made_up() -> Record {
    let samples = 50;
    let missing = |n: i32| n % 17 != 5;
    let counts = |factor: i32| {
        (0..samples).map(move |n| {
            let count = (n * n * factor + 91 * n) % 32_700 * if n % 2 == 0 { 1 } else { -1 };
            missing(n).then(|| f64::from(count))
        })
    };
    let mut second = Analog::from_counts("V pos", "kV", (0.005, -1.25), counts(7));
    (second.side, second.primary, second.secondary) = (Side::Secondary, 400.0, 5.0);
    (second.phase, second.circuit) = ("P".to_owned(), "ARRAY".to_owned());
    Record {
        station: "Invented Ridge".to_owned(),
        recorder: "00000000000000d1".to_owned(),
        revision: Revision::Y2013,
        encoding: Encoding::Ascii,
        analogs: vec![
            Analog::from_counts("I_BOND", "A", (3.814_697_265_625e-5, 0.0), counts(3)),
            second,
        ],
        statuses: (0..19)
            .map(|k| {
                let bits = (0..samples).map(|n| (n * 31 + k * 7) % 5 < 2);
                Status::from_bits(&format!("S{k}"), k % 3 == 0, bits)
            })
            .collect(),
        line_hz: Some(60.0),
        rates: vec![
            Rate {
                hz: 1200.0,
                last: 20,
            },
            Rate {
                hz: 4000.0,
                last: 50,
            },
        ],
        start: "2026-02-28T23:59:59.999".parse().expect("a date"),
        trigger: "2026-03-01T00:00:00.010123".parse().expect("a date"),
        timemult: 1.0,
        nanoseconds: false,
        stamps: Vec::new(),
        clock: Some(Clock {
            time_code: "+5h30".to_owned(),
            local_code: "x".to_owned(),
            quality: "B".to_owned(),
            leap_second: "3".to_owned(),
        }),
        notes: "invented".to_owned(),
    }
}

/// PyPI's `comtrade` 0.2.0 reads every file that we write: values within one LSB, status bits, times, trigger.
#[test]
fn the_outside_reader_reads_every_file_that_we_write() {
    let dir = tempfile::tempdir().expect("a folder");
    let record = made_up();
    let mut by_stamps = made_up();
    by_stamps.rates.clear();
    by_stamps.stamps = (0..50).map(|n| n * 250 + n * n).collect();
    by_stamps.timemult = 2.0;
    let (_store, captured) = a_captured_trip();
    let (mut files, mut last) = (0, PathBuf::new());
    for (k, (revision, encoding, form)) in WRITTEN.into_iter().enumerate() {
        let layout = Layout { revision, encoding };
        let event = captured.record(encoding).expect("has a date");
        for (name, record) in [
            ("made-up", &record),
            ("stamps", &by_stamps),
            ("event", &event),
        ] {
            last = write_with_expectation(record, dir.path(), &format!("{name}-{k}"), layout, form);
            files += 1;
        }
    }
    let Some(output) = script("comtrade_check.py", dir.path()) else {
        return;
    };
    let said = String::from_utf8_lossy(&output.stdout).into_owned()
        + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    assert!(said.contains(&format!("{files} files agree")), "{said}");

    // And it would tell: one count, one bit and the trigger changed.
    let json = std::fs::read_to_string(last.with_extension("json")).expect("there");
    let mut want: Value = serde_json::from_str(&json).expect("JSON");
    want["values"]["I_BOND"][3] = json!(7.0);
    want["bits"]["TRIP"][0] = json!(1);
    want["trigger_s"] = json!(0.5);
    std::fs::write(last.with_extension("json"), want.to_string()).expect("writes");
    let output = script("comtrade_check.py", dir.path()).expect("was there before");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    for what in ["I_BOND[3]", "TRIP", "trigger"] {
        assert!(said.contains(what), "{said}");
    }
}

/// Files made by a script with `struct` and text, and what it says of them.
#[test]
fn we_read_files_that_others_made() {
    let mut read = 0;
    for entry in std::fs::read_dir(data("comtrade")).expect("there") {
        let path = entry.expect("there").path();
        if path.extension().is_none_or(|e| e != "json") {
            continue;
        }
        let want: Value =
            serde_json::from_str(&std::fs::read_to_string(&path).expect("there")).expect("JSON");
        let file = ["cfg", "CFG", "cff"]
            .into_iter()
            .map(|extension| path.with_extension(extension))
            .find(|file| file.exists())
            .expect("a record beside it");
        let record = Record::load(&file).unwrap_or_else(|why| panic!("{why}"));
        let name = file.display();
        for (label, values) in want["values"].as_object().expect("an object") {
            let channel = record.channel(label).expect("there");
            let lsb = want["lsb"][label].as_f64().expect("a number");
            let values = values.as_array().expect("a list");
            assert_eq!(channel.len(), values.len(), "{name}");
            for (n, value) in values.iter().enumerate() {
                match (channel.value(n), value.as_f64()) {
                    (None, None) => {}
                    // Far below an LSB: the same counts, and one product.
                    (Some(seen), Some(want)) => assert!(
                        (seen - want).abs() <= 1e-6 * lsb.max(want.abs()),
                        "{name} {label}[{n}]: {seen} {want}"
                    ),
                    (seen, want) => panic!("{name} {label}[{n}]: {seen:?} {want:?}"),
                }
            }
        }
        for (label, bits) in want["bits"].as_object().expect("an object") {
            let seen: Value = record
                .status_channel(label)
                .expect("there")
                .bits
                .iter()
                .map(u8::from)
                .collect();
            assert_eq!(&seen, bits, "{name} {label}");
        }
        let times = want["times_s"].as_array().expect("a list");
        for (seen, want) in record.times_s().iter().zip(times) {
            assert!(
                (seen - want.as_f64().expect("a number")).abs() < 1e-9,
                "{name}: {seen} {want}"
            );
        }
        let trigger = want["trigger_s"].as_f64().expect("a number");
        assert!((record.trigger_s() - trigger).abs() < 1e-9, "{name}");
        read += 1;
    }
    assert_eq!(read, 5);
}

#[test]
fn stored_files_are_what_their_script_makes() {
    let dir = tempfile::tempdir().expect("a folder");
    let Some(output) = script("comtrade_make.py", dir.path()) else {
        return;
    };
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let mut same = 0;
    for entry in std::fs::read_dir(dir.path()).expect("there") {
        let made = entry.expect("there").path();
        let stored = data("comtrade").join(made.file_name().expect("a name"));
        assert_eq!(
            std::fs::read(&made).expect("there"),
            std::fs::read(&stored).unwrap_or_default(),
            "{}: make it again with tests/reference/comtrade_make.py",
            stored.display()
        );
        same += 1;
    }
    assert_eq!(
        same,
        std::fs::read_dir(data("comtrade")).expect("there").count()
    );
}

fn run(args: &[&str]) -> (Option<i32>, String, String) {
    let output = ohmward().args(args).output().expect("starts");
    (
        output.status.code(),
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

/// 60 mA in quadrature: 150 ms (IEC 62109-2:2011 table 31, memory). Two currents lie in the file, so one has to be named.
#[test]
fn a_hand_made_record_goes_through_the_bench() {
    let file = data("comtrade").join("quadrature-60ma.cfg");
    let file = file.to_str().expect("UTF-8");
    let (status, _, said) = run(&["bench", file, "--latest-ms", "150"]);
    assert_eq!(status, Some(2), "{said}");
    assert_eq!(said.lines().count(), 1, "{said}");
    for part in ["#1 I_RES [mA]", "#2 I_LINE [A]", "--channel i_bond=NAME"] {
        assert!(said.contains(part), "{said}");
    }
    let named = [
        "bench",
        file,
        "--channel",
        "i_bond=I_RES",
        "--latest-ms",
        "150",
        "--json",
    ];
    let (status, table, said) = run(&named);
    assert_eq!(status, Some(0), "{table}{said}");
    assert!(said.contains("its trigger time"), "{said}");
    let table: Value = serde_json::from_str(&table).expect("JSON");
    assert!(table.to_string().contains("quadrature-60ma"), "{table}");
    // The same record without its fault's time is a fault that must not be called healthy.
    let healthy = [
        "bench",
        file,
        "--channel",
        "i_bond=I_RES",
        "--must-not-trip",
    ];
    assert_eq!(run(&healthy).0, Some(1));
}

/// The invented day, recorded: a fault of 8 Ω at 7 h trips. Returns the store's folder and the trip.
fn a_captured_trip() -> (tempfile::TempDir, CapturedEvent) {
    let dir = tempfile::tempdir().expect("a folder");
    let sim = format!("sim:{}", data("one-day.toml").display());
    let folder = dir.path().join("log");
    let (status, _, said) = run(&[
        "record",
        "--from",
        &sim,
        "--store",
        folder.to_str().expect("UTF-8"),
    ]);
    assert_eq!(status, Some(0), "{said}");
    let captured = trip_of(&folder);
    (dir, captured)
}

fn trip_of(folder: &Path) -> CapturedEvent {
    let store = Store::open_existing(folder).expect("a store");
    let trips: Vec<_> = store
        .events(&EventFilter::default())
        .expect("reads")
        .into_iter()
        .filter(|stored| matches!(stored.event.kind, EventKind::Tripped { .. }))
        .collect();
    assert_eq!(trips.len(), 1, "{trips:?}");
    CapturedEvent::from_store(&store, trips[0].board, trips[0].event.id).expect("captured")
}

#[test]
fn a_fault_goes_round_simulated_recorded_handed_over_benched_and_replayed() {
    let (dir, captured) = a_captured_trip();
    let path = |name: &str| dir.path().join(name).to_str().expect("UTF-8").to_owned();
    let event = captured.data.event.event.id.to_string();
    // The contactor's way through the trip is known from the events of the day.
    let contactor = captured.wires.contactor.clone().expect("known");
    assert!(contactor[0] && !contactor[contactor.len() - 1]);
    let (log, cfg, csv) = (path("log"), path("trip.cfg"), path("trip.csv"));
    for (format, out) in [("comtrade", &cfg), ("csv", &csv)] {
        let args = [
            "export", "--store", &log, "--event", &event, "--format", format, "--out", out,
        ];
        let (status, files, said) = run(&args);
        assert_eq!(status, Some(0), "{said}");
        assert!(files.contains(out.as_str()), "{files}");
    }
    // 40 ms for a sudden change of 150 mA or more (IEC 62109-2:2011 table 31, memory).
    for file in [&cfg, &csv] {
        let (status, table, said) = run(&["bench", file, "--latest-ms", "40"]);
        assert_eq!(status, Some(0), "{table}{said}");
        assert!(said.contains("leaves what repeated"), "{said}");
    }

    // A board that meets the exported record trips as well, and what it captured is that record.
    let (board, place) = served(ohmward().args([
        "simulate", "--replay", &cfg, "--link", "pty", "--speed", "max",
    ]));
    let again = path("again");
    // It ends by itself when the board has come to its end.
    let (_, _, said) = run(&[
        "record",
        "--from",
        &place,
        "--store",
        &again,
        "--until-gone",
    ]);
    drop(board);
    let replayed = trip_of(Path::new(&again));
    assert_eq!(replayed.missing(), 0, "{said}");
    compare(&captured, &replayed);
    let png = path("again.png");
    let event = replayed.data.event.event.id.to_string();
    let (status, _, said) = run(&["chart", "--store", &again, "--event", &event, "--out", &png]);
    assert_eq!(status, Some(0), "{said}");
}

/// The replayed waveform is the recorded one, as far as a second pass through the front end leaves it: shifted until both
/// agree best, most samples within 3 % of the largest current (the filter's edge at the onset is wider).
fn compare(first: &CapturedEvent, second: &CapturedEvent) {
    let amps = |captured: &CapturedEvent| -> Vec<f64> {
        let calibration = captured.data.capture.head.calibration;
        let codes = captured.data.capture.complete().expect("whole");
        codes
            .iter()
            .map(|codes| f64::from(calibration.i_bond(codes).0))
            .collect()
    };
    let (a, b) = (amps(first), amps(second));
    let largest = a.iter().fold(0.0_f64, |max, i| max.max(i.abs()));
    assert!(largest > 1.0, "a hard fault: {largest} A");
    let near = |shift: i64| {
        let pairs = a.iter().enumerate().filter_map(|(n, i)| {
            let m = usize::try_from(n as i64 + shift).ok()?;
            Some((i - b.get(m)?).abs() < 0.03 * largest)
        });
        let (all, near) = pairs.fold((0, 0), |(all, near), is| (all + 1, near + i32::from(is)));
        f64::from(near) / f64::from(all)
    };
    let best = (-80..=80).map(near).fold(0.0, f64::max);
    assert!(best > 0.97, "{best} of the samples agree");
}
