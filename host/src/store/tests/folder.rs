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
            "PRAGMA application_id = 0x4F484D57; PRAGMA user_version = 5",
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
    let events = |store: &Store| store.events(&EventFilter::default()).unwrap().len();
    assert_eq!(events(&Store::open_existing(dir.path()).unwrap()), 1);
    let mut store = Store::open_or_create(dir.path()).unwrap();
    assert_eq!(store.write(&[spectrum(1)]).unwrap().new.spectra, 1);
    assert_eq!(events(&store), 1);
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
