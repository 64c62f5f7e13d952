//! A day moves into a file, and whatever is cut short, full, damaged or late: each reading is there, once.

use super::super::archive::{Rules, Step, as_kept};
use super::*;
use std::cell::Cell;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Command, Stdio};

pub const DAY: i64 = 86_400;

/// Whole µA and mV, as a board sends them: the archive gives them back to the bit.
pub fn reading(k: i64) -> Reading {
    let reading = super::reading(k);
    as_kept(&StoredReading {
        boot: 3,
        t_us: 0,
        reading,
    })
    .reading
}

/// A reading every ten minutes over three days, the first 1970-01-01.
pub fn three_days(dir: &std::path::Path) -> Store {
    let mut store = Store::open_or_create(dir).unwrap();
    let mut batch = vec![Entry::Run {
        board: BOARD,
        hello: hello(),
        received_us: 0,
    }];
    batch.extend((0..3 * 144).map(|k| reading_entry(600 * k, reading(600 * k))));
    store.write(&batch).unwrap();
    store
}

pub fn all(store: &Store) -> Vec<StoredReading> {
    store.readings(BOARD, 0..i64::MAX, 10_000).unwrap().rows
}

pub fn file(dir: &std::path::Path, date: &str) -> PathBuf {
    dir.join(format!(
        "archive/board={BOARD}/date={date}/readings.parquet"
    ))
}

pub fn hot(store: &Store) -> u64 {
    store
        .db
        .query_row(
            "SELECT coalesce(sum(readings), 0) FROM reading_block",
            [],
            |row| row.get::<_, i64>(0),
        )
        .unwrap() as u64
}

fn same(found: &[StoredReading], wanted: &[StoredReading]) {
    assert_eq!(found.len(), wanted.len());
    let differ = found
        .iter()
        .zip(wanted)
        .find(|(found, wanted)| found != wanted);
    assert_eq!(differ, None);
}

pub fn holds(store: &Store) {
    assert_eq!(
        store.check(&CheckOptions::default()).unwrap().faults,
        Vec::<String>::new()
    );
}

#[test]
fn sealed_days_read_as_before_and_what_comes_again_is_known() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    let before = all(&store);
    let part = |store: &Store| {
        store
            .readings(BOARD, 86_000_000_000..173_000_000_000, 1000)
            .unwrap()
    };
    let (span, part_before) = (store.span(BOARD).unwrap(), part(&store));
    for date in [0, 1] {
        let sealed = store.seal(BOARD, date).unwrap().unwrap();
        assert_eq!((sealed.rows, sealed.moved, sealed.date), (144, 144, date));
        assert_eq!(
            store.seal(BOARD, date).unwrap(),
            None,
            "nothing is left of it"
        );
    }
    assert!(file(dir.path(), "1970-01-02").exists());
    assert_eq!(hot(&store), 144);
    same(&all(&store), &before);
    assert_eq!(
        (store.span(BOARD).unwrap(), part(&store)),
        (span, part_before)
    );
    assert_eq!(all(&Store::open_existing(dir.path()).unwrap()), before);
    holds(&store);

    // A board that is recorded a second time.
    let again: Vec<_> = (0..3 * 144)
        .map(|k| reading_entry(600 * k, reading(600 * k)))
        .collect();
    let written = store.write(&again).unwrap();
    assert_eq!((written.new.readings, written.known.readings), (0, 3 * 144));
    // With another idea of the time: run and count say that it is known.
    let Entry::Reading { t_us, .. } = reading_entry(2 * DAY + 5, reading(0)) else {
        unreachable!()
    };
    let moved = Entry::Reading {
        board: BOARD,
        boot: 3,
        t_us,
        reading: reading(DAY - 600),
    };
    assert_eq!(store.write(&[moved]).unwrap().known.readings, 1);
    same(&all(&store), &before);
}

#[test]
fn late_readings_of_a_sealed_day_are_put_into_its_file() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    store.seal(BOARD, 1).unwrap();
    let late: Vec<_> = [5, 700, 80_000]
        .map(|k| reading_entry(DAY + k, reading(DAY + k)))
        .into();
    assert_eq!(store.write(&late).unwrap().new.readings, 3);
    let with_late = all(&store);
    assert_eq!(with_late.len(), 3 * 144 + 3);
    assert!(with_late.is_sorted_by_key(|row| row.t_us));
    holds(&store);
    let sealed = store.seal(BOARD, 1).unwrap().unwrap();
    assert_eq!((sealed.rows, sealed.moved), (147, 3));
    same(&all(&store), &with_late);
    holds(&store);
}

thread_local! { static CUT: Cell<Option<Step>> = const { Cell::new(None) }; }

fn cut(step: Step) -> Result<(), StoreError> {
    if CUT.get() == Some(step) {
        return Err(StoreError::ArchiveFull {
            file: "here".into(),
        });
    }
    Ok(())
}

/// An error at every step, of a first file and of one that takes in late readings; then the same reads, and another try.
#[test]
fn cut_short_at_any_step_nothing_is_lost_and_nothing_twice() {
    for first in [true, false] {
        for step in Step::ALL {
            let dir = tempfile::tempdir().unwrap();
            let mut store = three_days(dir.path());
            if !first {
                store.seal(BOARD, 1).unwrap();
                store
                    .write(&[reading_entry(DAY + 7, reading(DAY + 7))])
                    .unwrap();
            }
            let before = all(&store);
            store.at_step = cut;
            CUT.set(Some(step));
            let result = store.seal(BOARD, 1);
            CUT.set(None);
            // A file of one late reading and 144 old ones is half written as well.
            assert!(result.is_err(), "{step:?}");
            for _ in 0..2 {
                same(&all(&store), &before);
                assert_eq!(
                    store
                        .readings(BOARD, 90_000_000_000..100_000_000_000, 500)
                        .unwrap()
                        .rows,
                    before
                        .iter()
                        .filter(|row| (90_000_000_000..100_000_000_000).contains(&row.t_us))
                        .copied()
                        .collect::<Vec<_>>()
                );
                holds(&store);
                drop(store);
                store = Store::open_or_create(dir.path()).unwrap();
            }
            store
                .write(&[reading_entry(DAY + 9, reading(DAY + 9))])
                .unwrap();
            store.seal(BOARD, 1).unwrap().unwrap();
            assert_eq!(all(&store).len(), before.len() + 1);
            assert_eq!(hot(&store), 288);
            holds(&store);
            assert_eq!(
                std::fs::read_dir(file(dir.path(), "1970-01-02").parent().unwrap())
                    .unwrap()
                    .count(),
                1
            );
        }
    }
}

#[expect(clippy::unnecessary_wraps, reason = "what a step asks for")]
fn wait_there(step: Step) -> Result<(), StoreError> {
    if std::env::var("OHMWARD_TEST_STEP").is_ok_and(|name| name == format!("{step:?}")) {
        println!("there");
        std::thread::sleep(Duration::from_secs(60));
    }
    Ok(())
}

/// The child of the next test.
#[test]
#[ignore = "only as a child process of killed_at_any_step_nothing_is_lost_and_nothing_twice"]
fn child_that_seals_and_waits() {
    let Some(dir) = std::env::var_os("OHMWARD_TEST_STORE") else {
        return;
    };
    let mut store = Store::open_or_create(dir).unwrap();
    store.at_step = wait_there;
    store.seal(BOARD, 1).unwrap();
}

/// As above, by SIGKILL: nothing is closed, removed or rolled back by hand.
#[test]
fn killed_at_any_step_nothing_is_lost_and_nothing_twice() {
    for step in Step::ALL {
        let dir = tempfile::tempdir().unwrap();
        let mut store = three_days(dir.path());
        store.seal(BOARD, 1).unwrap();
        store
            .write(&[reading_entry(DAY + 7, reading(DAY + 7))])
            .unwrap();
        let before = all(&store);
        drop(store);
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args([
                "--ignored",
                "--exact",
                "--nocapture",
                "store::tests::archive::child_that_seals_and_waits",
            ])
            .env("OHMWARD_TEST_STORE", dir.path())
            .env("OHMWARD_TEST_STEP", format!("{step:?}"))
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        assert!(
            lines.any(|line| line.unwrap().contains("there")),
            "{step:?}"
        );
        assert_eq!(
            all(&Store::open_existing(dir.path()).unwrap()),
            before,
            "{step:?}, while it works"
        );
        child.kill().unwrap();
        child.wait().unwrap();
        assert_eq!(
            all(&Store::open_existing(dir.path()).unwrap()),
            before,
            "{step:?}"
        );
        let mut store = Store::open_or_create(dir.path()).unwrap();
        same(&all(&store), &before);
        holds(&store);
        store.seal(BOARD, 1).unwrap();
        same(&all(&store), &before);
        assert_eq!(hot(&store), 288);
        holds(&store);
    }
}

#[test]
fn a_full_disk_and_a_folder_that_cannot_be_written_are_one_line_and_lose_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    let before = all(&store);
    let folder = dir.path().join("archive");
    std::fs::write(&folder, "in the way").unwrap();
    let fault = store.seal(BOARD, 1).unwrap_err();
    assert!(
        matches!(fault, StoreError::ArchiveUnwritable { .. }),
        "{fault}"
    );
    assert!(!fault.to_string().contains('\n') && fault.to_string().contains("archive"));
    same(&all(&store), &before);
    std::fs::remove_file(&folder).unwrap();

    #[cfg(target_os = "linux")]
    {
        // Linux has a file to which every write finds the disk full.
        let place = file(dir.path(), "1970-01-02");
        let hidden = place.with_file_name(".readings.parquet.new");
        std::fs::create_dir_all(place.parent().unwrap()).unwrap();
        std::os::unix::fs::symlink("/dev/full", &hidden).unwrap();
        let fault = store.seal(BOARD, 1).unwrap_err();
        assert!(matches!(fault, StoreError::ArchiveFull { .. }), "{fault}");
        assert!(
            fault.to_string().starts_with("no room left for "),
            "{fault}"
        );
        same(&all(&store), &before);
        std::fs::remove_file(&hidden).unwrap();
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let rights =
            |mode| std::fs::set_permissions(&folder, std::fs::Permissions::from_mode(mode));
        std::fs::remove_dir_all(&folder).unwrap();
        std::fs::create_dir(&folder).unwrap();
        rights(0o555).unwrap();
        // The system administrator can write everywhere.
        if std::fs::write(folder.join("probe"), "").is_err() {
            let fault = store.seal(BOARD, 1).unwrap_err();
            assert!(
                matches!(fault, StoreError::ArchiveUnwritable { .. }),
                "{fault}"
            );
            same(&all(&store), &before);
        } else {
            std::fs::remove_file(folder.join("probe")).unwrap();
        }
        rights(0o755).unwrap();
    }
    // No room in the tables for the record of the file: the rows stay there, and count.
    let pages: i64 = store
        .db
        .pragma_query_value(None, "page_count", |row| row.get(0))
        .unwrap();
    store.work_off_rollups().unwrap();
    store
        .db
        .pragma_update(None, "max_page_count", pages.min(1))
        .unwrap();
    store
        .db
        .execute_batch("CREATE TABLE filler (x)")
        .unwrap_err();
    if let Err(fault) = store.seal(BOARD, 1) {
        assert!(matches!(fault, StoreError::DiskFull { .. }), "{fault}");
    }
    same(&all(&store), &before);
    store
        .db
        .pragma_update(None, "max_page_count", 1_000_000)
        .unwrap();
    store.seal(BOARD, 1).unwrap();
    same(&all(&store), &before);
    holds(&store);
}

#[test]
fn a_damaged_file_gives_an_error_and_no_readings_and_check_names_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    store.seal(BOARD, 1).unwrap();
    let path = file(dir.path(), "1970-01-02");
    let whole = std::fs::read(&path).unwrap();
    let mut damages: Vec<(Vec<u8>, &str)> = (0..whole.len())
        .step_by(whole.len() / 12)
        .map(|k| {
            let mut bytes = whole.clone();
            bytes[k] ^= 0x10;
            (bytes, "flipped")
        })
        .collect();
    damages.push((whole[..whole.len() / 2].to_vec(), "cut"));
    damages.push((Vec::new(), "empty"));
    for (bytes, how) in damages {
        std::fs::write(&path, bytes).unwrap();
        let fault = store.readings(BOARD, 0..i64::MAX, 10).unwrap_err();
        assert!(
            matches!(fault, StoreError::Archive { .. }),
            "{how}: {fault}"
        );
        assert!(fault.to_string().contains("1970-01-02"));
        let faults = store.check(&CheckOptions::default()).unwrap().faults;
        assert!(
            faults.iter().any(|line| line.contains("1970-01-02")),
            "{how}: {faults:?}"
        );
        // Recording goes on, and other days are read.
        store
            .write(&[
                reading_entry(DAY + 600, reading(DAY + 600)),
                event(1, EventKind::Reset),
            ])
            .unwrap();
        assert_eq!(
            store
                .readings(BOARD, 0..86_400_000_000, 1000)
                .unwrap()
                .rows
                .len(),
            144
        );
    }
    std::fs::remove_file(&path).unwrap();
    let faults = store.check(&CheckOptions::default()).unwrap().faults;
    assert!(
        faults.iter().any(|line| line.contains("1970-01-02")),
        "{faults:?}"
    );
    std::fs::write(&path, whole).unwrap();
    // What came meanwhile and could not be looked up is in the tables, and once in the file when it is sealed again.
    assert_eq!(all(&store).len(), 3 * 144);
    store.seal(BOARD, 1).unwrap();
    assert_eq!(all(&store).len(), 3 * 144);
    holds(&store);
}

#[test]
fn rules_seal_the_oldest_first_and_drop_only_when_told() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    let now_us = 3 * DAY * 1_000_000;
    let days = |store: &Store, level| store.rollups(BOARD, level, 0..i64::MAX / 2).unwrap();
    let before = [Level::Minute, Level::Hour, Level::Day].map(|level| days(&store, level));
    assert_eq!(store.seal_next(&Rules::default(), now_us).unwrap(), None);
    let rules = Rules {
        hot_days: 1,
        drop_archive_after_days: Some(2),
    };
    let mut sealed = Vec::new();
    while let Some(day) = store.seal_next(&rules, now_us).unwrap() {
        sealed.push(day.date);
    }
    assert_eq!(sealed, [0, 1]);
    assert_eq!(
        store
            .drop_old(
                &Rules {
                    hot_days: 1,
                    ..Rules::default()
                },
                now_us
            )
            .unwrap(),
        0
    );
    assert_eq!(store.drop_old(&rules, now_us).unwrap(), 1);
    assert_eq!(store.drop_old(&rules, now_us).unwrap(), 0);
    assert!(!file(dir.path(), "1970-01-01").exists() && file(dir.path(), "1970-01-02").exists());
    assert_eq!(all(&store).len(), 288);
    assert_eq!(store.span(BOARD).unwrap().unwrap().0, DAY * 1_000_000);
    // What comes again of that day, known or not, is not kept, and its roll-ups stay what they were.
    for k in [600, 601] {
        let written = store.write(&[reading_entry(k, reading(k))]).unwrap();
        assert_eq!((written.new.readings, written.of_dropped_days), (0, 1));
    }
    assert_eq!(
        [Level::Minute, Level::Hour, Level::Day].map(|level| days(&store, level)),
        before
    );
    holds(&store);
    let mut reader = Store::open_existing(dir.path()).unwrap();
    assert!(matches!(
        reader.seal(BOARD, 2),
        Err(StoreError::ReadOnly { .. })
    ));
    assert!(matches!(
        reader.drop_old(&rules, now_us),
        Err(StoreError::ReadOnly { .. })
    ));
}

/// Cut short, and cut short again with other late readings: whatever file then lies there is believed, and nothing is lost.
#[test]
fn cut_short_twice_nothing_is_lost_and_nothing_twice() {
    for first in [
        Step::Compared,
        Step::Renamed,
        Step::Recorded,
        Step::SliceGone,
    ] {
        for second in Step::ALL {
            let dir = tempfile::tempdir().unwrap();
            let mut store = three_days(dir.path());
            store.seal(BOARD, 1).unwrap();
            for (k, step) in [(7, first), (9, second)] {
                store
                    .write(&[reading_entry(DAY + k, reading(DAY + k))])
                    .unwrap();
                store.at_step = cut;
                CUT.set(Some(step));
                assert!(store.seal(BOARD, 1).is_err());
                CUT.set(None);
                drop(store);
                store = Store::open_or_create(dir.path()).unwrap();
            }
            assert_eq!(all(&store).len(), 3 * 144 + 2, "{first:?}, {second:?}");
            holds(&store);
            store.seal(BOARD, 1).unwrap();
            assert_eq!(
                (all(&store).len(), hot(&store)),
                (3 * 144 + 2, 288),
                "{first:?}, {second:?}"
            );
            holds(&store);
        }
    }
}
