//! A file system without room, through the program itself: told once, nothing acknowledged is lost, and it goes on when there is room.
//!
//! The file system is a small one in memory, mounted in a user's own name space (util-linux's `unshare`), so no rights are needed.
//! Skipped where that is not possible.

use ohmward::store::{CheckOptions, Entry, EventFilter, Store};
use ohmward_proto::measure::{BondCurrent, Insulation, NotMeasured, Reading, TripState};
use ohmward_proto::message::BoardId;
use ohmward_proto::units::{Amps, SampleIndex, Volts};
use ohmward_tests::children::{Running, served};
use ohmward_tests::{data, ohmward};
use std::fs::File;
use std::io::Read;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Mounts a file system of 8 MB, nearly full, records onto it, makes room when told, and hands the store over. `$1`: where to mount,
/// `$2`: the program, `$3`: the board, `$4`: folder for messages and for the store.
const SCRIPT: &str = r#"
mount -t tmpfs -o size=8m tmpfs "$1" || exit 77
head -c 7400k /dev/zero > "$1/ballast"
"$2" record --until-gone --from "$3" --store "$1/store" 2> "$4/told" &
recorder=$!
while [ ! -e "$4/room" ]; do sleep 0.05; done
rm "$1/ballast"
wait $recorder
code=$?
cp -r "$1/store" "$4/store"
exit $code
"#;

/// The same in a name space of its own; all of it ends with it.
fn in_own_space(script: &str) -> Command {
    let mut command = Command::new("unshare");
    command
        .args(["--user", "--map-root-user", "--mount", "--pid", "--fork"])
        .args(["--kill-child", "sh", "-c", script, "sh"]);
    command
}

fn can_mount(at: &Path) -> bool {
    let tried = in_own_space("mount -t tmpfs -o size=1m tmpfs \"$1\"")
        .arg(at)
        .output();
    let can = tried.as_ref().is_ok_and(|tried| tried.status.success());
    if !can {
        eprintln!("skipped, no file system can be mounted here: {tried:?}");
    }
    can
}

/// Every event as its number, kind and time.
fn events(store: &Store) -> Vec<String> {
    let events = store.events(&EventFilter::default()).expect("reads");
    events
        .iter()
        .map(|e| format!("{:?} {}", e.event, e.t_us))
        .collect()
}

#[test]
fn without_room_it_is_told_once_and_recording_goes_on_when_there_is_room() {
    let dir = tempfile::tempdir().expect("a folder");
    let (small, outside) = (dir.path().join("small"), dir.path().join("outside"));
    for folder in [&small, &outside] {
        std::fs::create_dir(folder).expect("makes");
    }
    if !can_mount(&small) {
        return;
    }
    let scenario = data("one-day.toml");
    let alone = dir.path().join("alone");
    let recorded = ohmward()
        .args(["record", "--from"])
        .arg(format!("sim:{}", scenario.display()))
        .arg("--store")
        .arg(&alone)
        .output()
        .expect("runs");
    assert!(recorded.status.success(), "{recorded:?}");
    let expected = events(&Store::open_existing(&alone).expect("a store"));
    assert!(expected.len() > 6, "{expected:?}");

    let (_board, place) = served(
        ohmward()
            .args(["simulate", "--link", "tcp:127.0.0.1:0", "--speed", "x4000"])
            .arg(&scenario),
    );
    let mut recorder = Running(
        in_own_space(SCRIPT)
            .arg(&small)
            .arg(ohmward().get_program())
            .arg(place.trim())
            .arg(&outside)
            .stderr(Stdio::piped())
            .spawn()
            .expect("starts"),
    );
    let told = || std::fs::read_to_string(outside.join("told")).unwrap_or_default();
    let begun = Instant::now();
    while !told().contains("no room left") {
        assert!(begun.elapsed() < Duration::from_secs(60), "{}", told());
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_millis(2500)); // it is tried again every second, and not told again
    assert_eq!(told().matches("no room left").count(), 1, "{}", told());
    std::fs::write(outside.join("room"), "").expect("says so");
    let begun = Instant::now();
    let status = loop {
        if let Some(status) = recorder.0.try_wait().expect("waits") {
            break status;
        }
        assert!(begun.elapsed() < Duration::from_secs(120), "{}", told());
        std::thread::sleep(Duration::from_millis(20));
    };
    let mut said = String::new();
    let mut errors = recorder.0.stderr.take().expect("piped");
    errors.read_to_string(&mut said).expect("reads");
    let told = told();
    // The board's end is the end of its source, and is told as such.
    assert_eq!(status.code(), Some(2), "{status}, {told}{said}");
    assert!(told.contains("closed the connection"), "{told}");
    assert_eq!(told.matches("no room left").count(), 1, "{told}");
    assert_eq!(told.matches("takes").count(), 1, "{told}");

    let store = Store::open_existing(outside.join("store")).expect("a store");
    assert_eq!(events(&store), expected);
    let report = store.check(&CheckOptions::default()).expect("reads");
    assert_eq!((report.faults, report.gaps), (vec![], vec![]));
    assert!(report.readings > 100, "{}", report.readings);
}

/// Files may not grow beyond 64 KiB (the shell's `ulimit`; the signal is ignored, so a write fails): no room for a day's file.
#[test]
fn a_day_for_which_there_is_no_room_in_the_archive_stays_and_moves_later() {
    let dir = tempfile::tempdir().expect("a folder");
    let folder = dir.path().join("store");
    let board = BoardId(0x00f1_1100);
    // Made up: numbers that do not pack well.
    let batch: Vec<Entry> = (0..20_000_u64)
        .map(|k| {
            let mixed = k.wrapping_mul(0x9e37_79b9_7f4a_7c15);
            let mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            let wild = ((mixed ^ (mixed >> 27)) >> 44) as f32;
            Entry::Reading {
                board,
                boot: 1,
                t_us: 1_777_766_400_000_000 + 4_000_000 * k as i64,
                reading: Reading {
                    at: SampleIndex(16_000 * k),
                    i_bond: BondCurrent::Measured {
                        dc: Amps(wild * 1e-6),
                        rms: Amps(wild * 1e-6),
                    },
                    v_pos: Some(Volts(wild * 1e-3)),
                    v_neg: Some(Volts(wild * 1e-3)),
                    insulation: Insulation::NotMeasured {
                        why: NotMeasured::NeverYet,
                        since: SampleIndex(0),
                    },
                    state: TripState::Closed,
                    bond_open: false,
                },
            }
        })
        .collect();
    let mut store = Store::open_or_create(&folder).expect("makes");
    store.write(&batch).expect("keeps");
    store.work_off_rollups().expect("works off");
    drop(store);
    let files = || {
        let store = Store::open_existing(&folder).expect("a store");
        let report = store.check(&CheckOptions::default()).expect("reads");
        assert_eq!((report.faults, report.readings), (vec![], 20_000));
        report.files
    };
    // Somebody who never says a word: the recorder waits, and has time for the archive.
    let silent = TcpListener::bind("127.0.0.1:0").expect("a port");
    let place = format!("tcp://{}", silent.local_addr().expect("bound"));
    let told = dir.path().join("told");
    let record = |blocks_of_512: &str| {
        let child = Command::new("sh")
            .arg("-c")
            .arg("trap '' XFSZ; ulimit -S -f \"$1\"; shift; exec \"$@\"")
            .args(["sh", blocks_of_512])
            .arg(ohmward().get_program())
            .args(["record", "--from", &place, "--store"])
            .arg(&folder)
            .stderr(File::create(&told).expect("makes"))
            .spawn()
            .expect("starts");
        Running(child)
    };
    let said = || std::fs::read_to_string(&told).unwrap_or_default();

    let recorder = record("128");
    let begun = Instant::now();
    while !said().contains("no room left") {
        assert!(begun.elapsed() < Duration::from_secs(60), "{}", said());
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(said().matches("no room left").count(), 1, "{}", said());
    drop(recorder);
    assert_eq!(files(), 0);

    let recorder = record("unlimited");
    let begun = Instant::now();
    while files() == 0 {
        assert!(begun.elapsed() < Duration::from_secs(60), "{}", said());
        std::thread::sleep(Duration::from_millis(200));
    }
    assert!(!said().contains("no room left"), "{}", said());
    drop(recorder);
    assert_eq!(files(), 1);
}
