//! Opening: who may, what is refused, what a crash leaves.

use super::*;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

#[test]
fn a_second_writer_and_a_writing_reader_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let first = Store::open_or_create(dir.path()).unwrap();
    let second = Store::open_or_create(dir.path()).unwrap_err();
    assert!(matches!(second, StoreError::InUse { .. }), "{second}");
    let mut reader = Store::open_existing(dir.path()).unwrap();
    assert!(matches!(
        reader.write(&[]),
        Err(StoreError::ReadOnly { .. })
    ));
    drop(first);
    Store::open_or_create(dir.path()).unwrap();
}

/// The child of the next test: writes, says so, and waits to be killed.
#[test]
#[ignore = "only as a child process of killed_in_the_middle_leaves_a_store_to_go_on_with"]
fn child_that_writes_and_waits() {
    let Some(dir) = std::env::var_os("OHMWARD_TEST_STORE") else {
        return;
    };
    let mut store = Store::open_or_create(dir).unwrap();
    store.write(&[event(7, tripped())]).unwrap();
    let work = store.db.transaction().unwrap();
    work.execute("DELETE FROM event", []).unwrap();
    println!("written");
    std::thread::sleep(Duration::from_secs(60));
}

#[test]
fn killed_in_the_middle_leaves_a_store_to_go_on_with() {
    let dir = tempfile::tempdir().unwrap();
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args([
            "--ignored",
            "--exact",
            "--nocapture",
            "store::tests::folder::child_that_writes_and_waits",
        ])
        .env("OHMWARD_TEST_STORE", dir.path())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().contains("written")));
    let refused = Store::open_or_create(dir.path()).unwrap_err();
    assert!(matches!(refused, StoreError::InUse { .. }), "{refused}");
    child.kill().unwrap(); // SIGKILL: nothing is closed, nothing is unlocked by hand
    child.wait().unwrap();

    let mut store = Store::open_or_create(dir.path()).unwrap();
    assert_eq!(store.events(&EventFilter::default()).unwrap().len(), 1);
    assert_eq!(store.write(&[event(7, tripped())]).unwrap().known.events, 1);
}

#[test]
fn what_is_not_a_store_is_named_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let line = |fault: StoreError| {
        let text = fault.to_string();
        assert!(
            !text.contains('\n') && text.contains(&dir.path().display().to_string()),
            "{text}"
        );
        text
    };
    let absent = dir.path().join("absent");
    assert!(line(Store::open_existing(&absent).unwrap_err()).contains("no store in"));
    assert!(!absent.exists(), "a reader makes nothing");

    let plain = dir.path().join("plain");
    std::fs::write(&plain, "a file").unwrap();
    assert!(line(Store::open_existing(&plain).unwrap_err()).contains("not a folder"));
    assert!(line(Store::open_or_create(&plain).unwrap_err()).contains("not a folder"));

    for (name, content) in [("text", &b"notes of mine"[..]), ("short", b"SQ")] {
        let folder = dir.path().join(name);
        std::fs::create_dir(&folder).unwrap();
        std::fs::write(folder.join(FILE), content).unwrap();
        for fault in [
            Store::open_existing(&folder).unwrap_err(),
            Store::open_or_create(&folder).unwrap_err(),
        ] {
            assert!(line(fault).contains("not an Ohmward store"));
        }
        assert_eq!(std::fs::read(folder.join(FILE)).unwrap(), content);
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 1);
    }

    for (name, pragmas, words) in [
        ("other", "PRAGMA application_id = 7", "another program's"),
        ("bare", "", "another program's"),
        (
            "newer",
            "PRAGMA application_id = 0x4F484D57; PRAGMA user_version = 1000",
            "update this program",
        ),
    ] {
        let folder = dir.path().join(name);
        std::fs::create_dir(&folder).unwrap();
        let db = Connection::open(folder.join(FILE)).unwrap();
        db.execute_batch(&format!("{pragmas}; CREATE TABLE t (x)"))
            .unwrap();
        drop(db);
        for fault in [
            Store::open_existing(&folder).unwrap_err(),
            Store::open_or_create(&folder).unwrap_err(),
        ] {
            let text = line(fault);
            assert!(text.contains(words), "{name}: {text}");
        }
    }
}

/// Takes away what later layouts added.
pub fn downgrade(dir: &Path, version: i64) {
    let db = Connection::open(dir.join(FILE)).unwrap();
    let mut added = vec![
        "rollup",
        "hour_rows",
        "rollup_stale",
        "insulation",
        "archive_day",
        "archive_next",
        "archive_run",
        "event_chain",
        "event_chain_head",
    ];
    if version < 2 {
        added.push("spectrum");
    }
    for table in added {
        db.execute_batch(&format!("DROP TABLE {table}")).unwrap();
    }
    if version < 3 {
        db.execute_batch(
            "DROP TABLE event_unread; DROP VIEW every_event;
             ALTER TABLE event DROP COLUMN host_us; ALTER TABLE event DROP COLUMN t_sigma_us;
             ALTER TABLE event_twin DROP COLUMN host_us; ALTER TABLE event_twin DROP COLUMN t_sigma_us;
             CREATE VIEW every_event AS SELECT * FROM event UNION ALL SELECT * FROM event_twin;",
        )
        .unwrap();
    }
    db.pragma_update(None, "user_version", version).unwrap();
}

/// Version 1 had no table of spectra.
#[test]
fn a_store_of_an_older_program_is_read_as_it_is_and_brought_up_to_date_by_a_writer() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    store.write(&[event(7, tripped())]).unwrap();
    drop(store);
    downgrade(dir.path(), 1);
    let times = |store: &Store| -> Vec<_> {
        let events = store.events(&EventFilter::default()).unwrap();
        events.iter().map(|e| (e.host_us, e.t_sigma_us)).collect()
    };
    let reader = Store::open_existing(dir.path()).unwrap();
    assert_eq!(times(&reader), [(None, None)]);
    assert_eq!(reader.unread_events().unwrap(), []);
    let mut store = Store::open_or_create(dir.path()).unwrap();
    assert_eq!(store.write(&[spectrum(1)]).unwrap().new.spectra, 1);
    store.write(&[event(8, tripped())]).unwrap();
    assert_eq!(times(&store), [(None, None), (Some(8_000_007), Some(3))]);
}

/// A board newer than this program: its event is kept as it came, once, and shown by a program that knows it.
#[test]
fn an_event_that_only_a_newer_program_reads_waits_for_it() {
    let dir = tempfile::tempdir().unwrap();
    let unread = |seq: u32, message: Vec<u8>| Entry::UnreadEvent {
        board: BOARD,
        t_us: 5,
        host_us: 6,
        t_sigma_us: None,
        id: EventId { boot: 3, seq },
        at: SampleIndex(9),
        message,
    };
    let known = Event {
        id: EventId { boot: 3, seq: 2 },
        at: SampleIndex(9),
        kind: EventKind::Connected,
    };
    let readable = postcard::to_slice(&known, &mut [0; 64]).unwrap().to_vec();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let future = unread(1, vec![3, 1, 9, 99, 4]);
    assert_eq!(
        store
            .write(std::slice::from_ref(&future))
            .unwrap()
            .new
            .events,
        1
    );
    assert_eq!(store.write(&[future]).unwrap().known.events, 1);
    store.write(&[unread(2, readable)]).unwrap();
    assert_eq!(store.unread_events().unwrap().len(), 2);
    assert_eq!(store.events(&EventFilter::default()).unwrap().len(), 0);
    drop(store);
    // "Newer": one of the two is a kind that this program knows.
    let store = Store::open_or_create(dir.path()).unwrap();
    let events = store.events(&EventFilter::default()).unwrap();
    assert_eq!(events.len(), 1);
    assert_eq!(
        (events[0].event, events[0].t_us, events[0].host_us),
        (known, 5, Some(6))
    );
    let still = store.unread_events().unwrap();
    assert_eq!(still.len(), 1);
    assert_eq!(still[0].message, [3, 1, 9, 99, 4]);
}

#[test]
fn a_store_whose_making_was_cut_short_is_made_again() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join(FILE), "").unwrap();
    let fault = Store::open_existing(dir.path()).unwrap_err();
    assert!(fault.to_string().contains("empty"), "{fault}");
    Store::open_or_create(dir.path()).unwrap();
    Store::open_existing(dir.path()).unwrap();
}

/// A card that was taken out of the board's computer and sits write-protected in another. The system administrator can write
/// everywhere, so there this checks reading alone.
#[cfg(unix)]
#[test]
fn a_store_on_a_medium_that_cannot_be_written_is_readable() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("a card, 100 % full?");
    let mut store = Store::open_or_create(&folder).unwrap();
    store.write(&[event(7, tripped())]).unwrap();
    drop(store);
    let rights =
        |mode| std::fs::set_permissions(&folder, std::fs::Permissions::from_mode(mode)).unwrap();
    rights(0o555);
    let protected = std::fs::write(folder.join("probe"), "").is_err();
    let reader = Store::open_existing(&folder).unwrap();
    assert_eq!(reader.events(&EventFilter::default()).unwrap().len(), 1);
    if protected {
        let fault = Store::open_or_create(folder.join("below")).unwrap_err();
        assert!(matches!(fault, StoreError::Unwritable { .. }), "{fault}");
    }
    drop(reader);
    rights(0o755);
}
