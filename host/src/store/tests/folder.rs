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

/// Puts every reading into a row of its own, as layouts before 8 had them.
fn into_rows(db: &Connection) {
    let columns = &schema::READINGS_BY_TIME[..schema::READINGS_BY_TIME.find("INSERT").unwrap()];
    db.execute_batch(columns).unwrap();
    let mut query = db
        .prepare("SELECT board, minute_us, boot, body FROM reading_block")
        .unwrap();
    let mut insert = db
        .prepare("INSERT INTO reading_new VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,?18)")
        .unwrap();
    let mut blocks = query.query([]).unwrap();
    while let Some(block) = blocks.next().unwrap() {
        let board: i64 = block.get(0).unwrap();
        let body: Vec<u8> = block.get(3).unwrap();
        let place = (block.get(1).unwrap(), block.get(2).unwrap());
        blocks::body::each(&body, place, |row| {
            let r = &row.reading;
            let (dc, rms, i_why) = match r.i_bond {
                BondCurrent::Measured { dc, rms } => (Some(dc.0), Some(rms.0), None),
                BondCurrent::NotMeasured(why) => (None, None, Some(words::of_reason(why))),
            };
            let (l, ins_at, ins_why) = match r.insulation {
                Insulation::Measured { leakage, at } => (Some(leakage), at, None),
                Insulation::NotMeasured { why, since } => {
                    (None, since, Some(words::of_reason(why)))
                }
            };
            insert
                .execute(rusqlite::params![
                    board,
                    row.boot,
                    r.at.0 as i64,
                    row.t_us,
                    dc,
                    rms,
                    i_why,
                    r.v_pos.map(|v| v.0),
                    r.v_neg.map(|v| v.0),
                    l.map(|l| l.g_pos.0),
                    l.map(|l| l.g_neg.0),
                    l.map(|l| l.g_sigma.0),
                    l.map(|l| l.c.0),
                    l.map(|l| l.c_sigma.0),
                    ins_at.0 as i64,
                    ins_why,
                    words::of_state(r.state),
                    r.bond_open,
                ])
                .unwrap();
        })
        .unwrap();
    }
    drop(blocks);
    db.execute_batch(
        "DROP TABLE reading_block; DROP TABLE reading_unread; ALTER TABLE reading_new RENAME TO reading;
         CREATE UNIQUE INDEX reading_by_count ON reading (board, boot, at_sample);",
    )
    .unwrap();
}

/// Takes away what later layouts added.
pub fn downgrade(dir: &Path, version: i64) {
    let db = Connection::open(dir.join(FILE)).unwrap();
    into_rows(&db);
    if version == 7 {
        db.pragma_update(None, "user_version", version).unwrap();
        return;
    }
    db.execute_batch("DROP TABLE line_day").unwrap();
    if version == 6 {
        db.pragma_update(None, "user_version", version).unwrap();
        return;
    }
    db.execute_batch("DROP TABLE insulation_dwell").unwrap();
    if version == 5 {
        db.pragma_update(None, "user_version", version).unwrap();
        return;
    }
    // Layout 5 put readings into another order and gave the announcements of a day a longer key.
    let old = &schema::TABLES[schema::TABLES.find("CREATE TABLE reading").unwrap()..];
    let old = &old[..old.find("CREATE TABLE event").unwrap()];
    db.execute_batch(&format!(
        "DROP INDEX reading_by_count; ALTER TABLE reading RENAME TO reading_5;
         {old} INSERT INTO reading SELECT * FROM reading_5; DROP TABLE reading_5;
         CREATE TABLE next_4 (board INTEGER NOT NULL REFERENCES board, date INTEGER NOT NULL, sha256 BLOB NOT NULL,
                              PRIMARY KEY (board, date)) WITHOUT ROWID;
         INSERT OR REPLACE INTO next_4 SELECT * FROM archive_next;
         DROP TABLE archive_next; ALTER TABLE next_4 RENAME TO archive_next;"
    ))
    .unwrap();
    if version == 4 {
        db.execute_batch("DELETE FROM event_chain WHERE NOT EXISTS (SELECT 1 FROM every_event AS e
            WHERE (e.board, e.boot, e.seq) = (event_chain.board, event_chain.boot, event_chain.seq))").unwrap();
        db.pragma_update(None, "user_version", version).unwrap();
        return;
    }
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
    assert_eq!(
        store.check(&CheckOptions::default()).unwrap().faults,
        Vec::<String>::new()
    );
}

/// A store of layout 4, with a sealed day, hot rows, and an event that it could not read and did not chain.
#[test]
fn a_store_of_layout_4_is_opened_and_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let mut batch: Vec<Entry> = (0..300)
        .map(|k| reading_entry(k * 600, reading(k * 600)))
        .collect();
    batch.push(event(0, tripped()));
    store.write(&batch).unwrap();
    store.seal(BOARD, 0).unwrap().unwrap();
    drop(store);
    downgrade(dir.path(), 4);
    let db = Connection::open(dir.path().join(FILE)).unwrap();
    db.execute(
        "INSERT INTO event_unread VALUES (1, 3, 1, 9, 5, 6, NULL, x'0301096304')",
        [],
    )
    .unwrap();
    drop(db);
    let all = |store: &Store| store.readings(BOARD, 0..i64::MAX, 1000).unwrap().rows;
    let reader = Store::open_existing(dir.path()).unwrap();
    let before = all(&reader);
    assert_eq!(before.len(), 300);
    assert_eq!(
        reader.check(&CheckOptions::default()).unwrap().faults,
        Vec::<String>::new()
    );
    drop(reader);

    let mut store = Store::open_or_create(dir.path()).unwrap();
    assert_eq!(all(&store), before);
    let report = store.check(&CheckOptions::default()).unwrap();
    assert_eq!((report.faults, report.events), (vec![], 2));
    assert_eq!(store.write(&batch).unwrap().known.readings, 300);
    let more = reading_entry(200_000, reading(200_000));
    assert_eq!(store.write(&[more]).unwrap().new.readings, 1);
    store.seal(BOARD, 1).unwrap().unwrap();
    assert_eq!(all(&store).len(), 301);
}

/// A store of layout 7: a row a reading. Read as it is; brought into blocks by a writer, all but a row that nobody understands, which
/// stays and is told.
#[test]
fn a_store_of_layout_7_is_read_as_it_is_and_opened_and_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let batch: Vec<Entry> = (0..5000)
        .map(|k| {
            let mut reading = reading(k * 20);
            match k % 7 {
                0 => reading.i_bond = BondCurrent::NotMeasured(NotMeasured::BondOpen),
                1 => (reading.v_pos, reading.v_neg) = (None, Some(Volts(-0.5))),
                2 => reading.state = TripState::LockedOut,
                3 => {
                    reading.insulation = Insulation::NotMeasured {
                        why: NotMeasured::ArrayDark,
                        since: SampleIndex(9),
                    }
                }
                _ => reading.bond_open = true,
            }
            reading_entry(k * 20, reading)
        })
        .collect();
    store.write(&batch).unwrap();
    store.seal(BOARD, 0).unwrap().unwrap();
    store.work_off_rollups().unwrap();
    let all = |store: &Store| store.readings(BOARD, 0..i64::MAX, 10_000).unwrap();
    let ends = |store: &Store| {
        (
            store.span(BOARD).unwrap(),
            store.latest_reading(BOARD).unwrap(),
        )
    };
    let (before, ends_before) = (all(&store), ends(&store));
    assert_eq!(before.rows.len(), 5000);
    drop(store);
    downgrade(dir.path(), 7);
    let nothing_wrong = |store: &Store| {
        assert_eq!(
            store.check(&CheckOptions::default()).unwrap().faults,
            Vec::<String>::new()
        );
    };
    let reader = Store::open_existing(dir.path()).unwrap();
    assert_eq!((all(&reader), ends(&reader)), (before.clone(), ends_before));
    nothing_wrong(&reader);
    drop(reader);

    let mut store = Store::open_or_create(dir.path()).unwrap();
    assert_eq!((all(&store), ends(&store)), (before.clone(), ends_before));
    nothing_wrong(&store);
    assert_eq!(store.write(&batch).unwrap().known.readings, 5000);
    let more = reading_entry(100_000, reading(100_000));
    assert_eq!(store.write(&[more]).unwrap().new.readings, 1);
    nothing_wrong(&store);
    drop(store);

    downgrade(dir.path(), 7);
    let db = Connection::open(dir.path().join(FILE)).unwrap();
    let changed = db.execute(
        "UPDATE reading SET state = 'levitating' WHERE t_us = 100000000000",
        [],
    );
    assert_eq!(changed, Ok(1));
    drop(db);
    let fault = Store::open_existing(dir.path())
        .unwrap()
        .readings(BOARD, 0..i64::MAX, 10_000)
        .unwrap_err()
        .to_string();
    assert!(
        fault.contains("sample 400000000 of run 3") && fault.contains("levitating"),
        "{fault}"
    );
    let store = Store::open_or_create(dir.path()).unwrap();
    assert_eq!(all(&store), before);
    let kept: String = store
        .db
        .query_row("SELECT state FROM reading_unread", [], |row| row.get(0))
        .unwrap();
    assert_eq!(kept, "levitating");
    let faults = store.check(&CheckOptions::default()).unwrap().faults;
    assert!(
        faults[0].starts_with("1 readings of an older layout could not be understood"),
        "{faults:?}"
    );
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
