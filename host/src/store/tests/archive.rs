//! A day moves into a file, and whatever is cut short, full, damaged or late: each reading is there, once.

use super::super::archive::{Rules, Step, as_kept};
use super::*;
use proptest::prelude::*;
use std::cell::Cell;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Command, Stdio};

const DAY: i64 = 86_400;

/// Whole µA and mV, as a board sends them: the archive gives them back to the bit.
fn reading(k: i64) -> Reading {
    let reading = super::reading(k);
    as_kept(&StoredReading {
        boot: 3,
        t_us: 0,
        reading,
    })
    .reading
}

/// A reading every ten minutes over three days, the first 1970-01-01.
fn three_days(dir: &std::path::Path) -> Store {
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

fn all(store: &Store) -> Vec<StoredReading> {
    store.readings(BOARD, 0..i64::MAX, 10_000).unwrap().rows
}

fn file(dir: &std::path::Path, date: &str) -> PathBuf {
    dir.join(format!(
        "archive/board={BOARD}/date={date}/readings.parquet"
    ))
}

fn hot(store: &Store) -> u64 {
    store
        .db
        .query_row("SELECT count(*) FROM reading", [], |row| {
            row.get::<_, i64>(0)
        })
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

fn holds(store: &Store) {
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

/// Turns until something has come of them.
fn next_turn(keeper: &mut Keeper, store: &mut Store, now_us: i64) -> Result<Turn, StoreError> {
    loop {
        match keeper.turn(store, now_us) {
            Ok(Turn::Busy(wait)) => std::thread::sleep(wait),
            turn => return turn,
        }
    }
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

/// Readings come in, late ones of the very day among them, at every turn of a keeper; then another connection reads all of it.
#[test]
fn what_comes_while_a_day_moves_is_kept_and_read_once() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    let rules = Rules {
        hot_days: 0,
        drop_archive_after_days: None,
    };
    let mut keeper = Keeper::new(rules);
    let mut written = 3 * 144;
    let reader = Store::open_existing(dir.path()).unwrap();
    let mut late = 0;
    loop {
        let turn = keeper.turn(&mut store, 3 * DAY * 1_000_000).unwrap();
        // Shorter: readings came to the very day that was built.
        if matches!(turn, Turn::Nothing(wait) if wait > Duration::from_secs(60)) {
            break;
        }
        // At first with every turn: then some find rows that came meanwhile.
        late += 1;
        if late < 40 {
            let k = late % 3 * DAY + 1 + late;
            store.write(&[reading_entry(k, reading(k))]).unwrap();
            written += 1;
        }
        let range = 0..i64::MAX;
        let mut seen = 0;
        reader
            .each_reading(BOARD, &range, |_| {
                seen += 1;
                Ok::<_, StoreError>(())
            })
            .unwrap();
        assert_eq!(seen, written);
        assert_eq!(reader.readings(BOARD, range, 10).unwrap().stored, written);
        std::thread::sleep(Duration::from_millis(3));
    }
    assert!(late > 10);
    // What came to a day that had just moved has its turn now.
    for date in [0, 1, 2] {
        store.seal(BOARD, date).unwrap();
    }
    assert_eq!((all(&store).len() as u64, hot(&store)), (written, 0));
    holds(&store);
}

/// Another process reads without a pause while days move: never a reading less, never one twice.
#[test]
fn a_reader_beside_the_sealing_sees_every_reading_once() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    let stop = std::sync::atomic::AtomicBool::new(false);
    std::thread::scope(|scope| {
        let looks = scope.spawn(|| {
            let reader = Store::open_existing(dir.path()).unwrap();
            let mut looks = 0;
            while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                let found = reader.readings(BOARD, 0..i64::MAX, 10_000).unwrap();
                let seen = found.rows.len() as u64;
                assert!(seen >= 3 * 144 && seen == found.stored, "{seen}");
                assert!(found.rows.is_sorted_by(|a, b| a.t_us < b.t_us));
                looks += 1;
            }
            looks
        });
        for k in 0..60 {
            let s = k % 3 * DAY + 11 + k;
            store.write(&[reading_entry(s, reading(s))]).unwrap();
            store.seal(BOARD, k % 3).unwrap().unwrap();
        }
        stop.store(true, std::sync::atomic::Ordering::Relaxed);
        assert!(looks.join().unwrap() > 0);
    });
    holds(&store);
}

/// The straight way from SQLite's columns to the file's gives the very columns that readings give, the unusual ones too.
#[test]
fn the_straight_way_into_columns_gives_what_readings_give() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    let odd = [
        f32::NAN,
        f32::INFINITY,
        -0.0,
        3e9,
        1e-9,
        0.123_456_79,
        -24.999_99,
    ];
    let batch: Vec<Entry> = (0..400)
        .map(|k: i64| {
            let value = odd[k as usize % 7];
            let mut reading = reading(k);
            reading.i_bond = match k % 5 {
                0 => BondCurrent::NotMeasured(words::REASONS[k as usize % 14]),
                1 => BondCurrent::Measured {
                    dc: Amps(value),
                    rms: Amps(0.5),
                },
                2 => BondCurrent::Measured {
                    dc: Amps(0.25),
                    rms: Amps(value),
                },
                _ => reading.i_bond,
            };
            if k % 3 == 0 {
                (reading.v_pos, reading.v_neg) = (Some(Volts(value)), Some(Volts(-1.5)));
            }
            if k % 4 == 0 {
                reading.insulation = Insulation::NotMeasured {
                    why: words::REASONS[k as usize % 13],
                    since: SampleIndex(u64::MAX - k as u64),
                };
            }
            if k % 11 == 0
                && let Insulation::Measured { leakage, .. } = &mut reading.insulation
            {
                leakage.c = Farads(value);
            }
            reading.state = words::STATES[k as usize % 7];
            reading.bond_open = k % 2 == 0;
            Entry::Reading {
                board: BOARD,
                boot: 3 + u32::from(k > 200),
                t_us: k / 2 * 1_000_000,
                reading,
            }
        })
        .collect();
    store.write(&batch).unwrap();
    let (straight, round) = (dir.path().join("a.parquet"), dir.path().join("b.parquet"));
    let (source, range) = (store.source(), 0..i64::MAX);
    let board = source.board(BOARD).unwrap().unwrap();
    let mut writer = crate::store::archive::FileWriter::create(&straight, BOARD).unwrap();
    let mut unusual = 0;
    source
        .each_row(board, &range, |row| {
            if writer.push_row(row)?.is_none() {
                unusual += 1;
                writer.push(&source.decode(BOARD, row)?)?;
            }
            Ok::<_, StoreError>(())
        })
        .unwrap();
    writer.finish().unwrap();
    assert!((20..200).contains(&unusual), "{unusual}");
    let mut writer = crate::store::archive::FileWriter::create(&round, BOARD).unwrap();
    source.each(board, &range, |row| writer.push(&row)).unwrap();
    writer.finish().unwrap();
    assert!(std::fs::read(&straight).unwrap() == std::fs::read(&round).unwrap());
}

/// What a recorder calls while it waits.
#[test]
fn a_keeper_seals_day_by_day_and_then_waits_an_hour() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    let rules = Rules {
        hot_days: 0,
        drop_archive_after_days: None,
    };
    let mut keeper = Keeper::new(rules);
    let now_us = 2 * DAY * 1_000_000 + 5;
    for date in [0, 1] {
        let turn = next_turn(&mut keeper, &mut store, now_us).unwrap();
        assert!(
            matches!(turn, Turn::Sealed(sealed) if sealed.date == date),
            "{turn:?}"
        );
    }
    for _ in 0..2 {
        let turn = next_turn(&mut keeper, &mut store, now_us).unwrap();
        assert!(
            matches!(turn, Turn::Nothing(wait) if wait > Duration::from_secs(3590)),
            "{turn:?}"
        );
    }
    let waiting: i64 = store
        .db
        .query_row("SELECT count(*) FROM rollup_stale", [], |row| row.get(0))
        .unwrap();
    assert_eq!((waiting, hot(&store)), (0, 144));
    // A fault is told once an hour, not at every turn.
    std::fs::remove_dir_all(dir.path().join("archive")).unwrap();
    std::fs::write(dir.path().join("archive"), "in the way").unwrap();
    let mut keeper = Keeper::new(rules);
    next_turn(&mut keeper, &mut store, 4 * DAY * 1_000_000).unwrap_err();
    let turn = keeper.turn(&mut store, 4 * DAY * 1_000_000).unwrap();
    assert!(matches!(turn, Turn::Nothing(_)));
}

#[test]
fn an_exported_file_is_whole_or_not_there() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = three_days(dir.path());
    store.seal(BOARD, 0).unwrap();
    let out = dir.path().join("handed-over.parquet");
    assert_eq!(
        store
            .export_parquet(BOARD, 80_000_000_000..100_000_000_000, &out)
            .unwrap(),
        33
    );
    assert!(out.exists() && !dir.path().join("handed-over.parquet.part").exists());
    let fault = store
        .export_parquet(BOARD, 0..10, &dir.path().join("no/such/folder.parquet"))
        .unwrap_err();
    assert!(
        matches!(fault, StoreError::ArchiveUnwritable { .. }),
        "{fault}"
    );
}

fn through_a_file(rows: &[StoredReading]) -> Vec<StoredReading> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("x.parquet");
    let mut writer = crate::store::archive::FileWriter::create(&path, BOARD).unwrap();
    for row in rows {
        writer.push(row).unwrap();
    }
    writer.finish().unwrap();
    let (bytes, _) = crate::store::archive::bytes_of(&path).unwrap();
    crate::store::archive::DayRows::open(bytes, &path)
        .unwrap()
        .map(Result::unwrap)
        .collect()
}

/// Currents of whole µA and voltages of whole mV, made as `firmware/src/monitor/talk.rs` makes them: back to the bit, over the whole
/// range of the front end.
#[test]
fn what_a_board_sends_comes_back_to_the_bit() {
    let rows: Vec<StoredReading> = (0..60_000_i32)
        .map(|k| {
            let (ua, mv) = (
                k.wrapping_mul(69_621) % 25_000_000,
                k.wrapping_mul(7_919) % 1_500_000,
            );
            let mut reading = reading(i64::from(k));
            reading.i_bond = BondCurrent::Measured {
                dc: Amps(ua as f32 * 1e-6),
                rms: Amps(ua.abs() as f32 * 1e-6),
            };
            reading.v_pos = Some(Volts(mv as f32 * 1e-3));
            reading.v_neg = (k % 3 != 0).then_some(Volts(-mv as f32 * 1e-3));
            StoredReading {
                boot: 3,
                t_us: i64::from(k),
                reading,
            }
        })
        .collect();
    assert_eq!(through_a_file(&rows), rows);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// Any numbers: current within half a µA, voltage within half a mV (and the last bit of an `f32`), the rest to the bit; what has no
    /// code to the bit as well.
    #[test]
    fn any_reading_comes_back_within_the_stated_step(
        numbers in prop::collection::vec((any::<f32>(), -30.0_f32..30.0, -1500.0_f32..1500.0, any::<u64>()), 1..40),
    ) {
        let mut rows = Vec::new();
        for (k, (any, amps, volts, at)) in numbers.into_iter().enumerate() {
            let mut reading = reading(7);
            reading.at = SampleIndex(at);
            reading.i_bond = match k % 4 {
                0 => BondCurrent::Measured { dc: Amps(any), rms: Amps(amps) },
                1 => BondCurrent::NotMeasured(words::REASONS[at as usize % 14]),
                _ => BondCurrent::Measured { dc: Amps(amps), rms: Amps(amps.abs()) },
            };
            // From the tables a voltage that is no number comes as none.
            reading.v_pos = Some(Volts(if k % 5 == 0 { any } else { volts })).filter(|v| !v.0.is_nan());
            reading.v_neg = Some(Volts(-volts));
            reading.insulation = if k % 2 == 0 {
                Insulation::NotMeasured { why: words::REASONS[at as usize % 14], since: SampleIndex(at / 2) }
            } else {
                let g = if any.is_nan() { f32::NAN } else { any };
                Insulation::Measured {
                    leakage: PoleLeakage { g_pos: Siemens(g), g_neg: Siemens(amps), g_sigma: Siemens(volts), c: Farads(g), c_sigma: Farads(0.0) },
                    at: SampleIndex(at),
                }
            };
            reading.state = words::STATES[at as usize % 7];
            reading.bond_open = at % 2 == 0;
            rows.push(StoredReading { boot: (at >> 32) as u32, t_us: k as i64 - 5, reading });
        }
        let back = through_a_file(&rows);
        prop_assert_eq!(back.len(), rows.len());
        for (row, back) in rows.iter().zip(&back) {
            prop_assert!(back.is_same(&as_kept(row)), "{:?} {:?}", row, back);
            prop_assert!(as_kept(back).is_same(back), "keeping twice changes nothing");
            let near = |a: f32, b: f32, step: f64| {
                let (a, b) = (f64::from(a), f64::from(b));
                (a.is_nan() && b.is_nan()) || a.to_bits() == b.to_bits() || (a - b).abs() <= step / 2.0 + a.abs() * 2.0_f64.powi(-22)
            };
            if let (BondCurrent::Measured { dc, rms }, BondCurrent::Measured { dc: dc_back, rms: rms_back }) = (row.reading.i_bond, back.reading.i_bond) {
                prop_assert!(near(dc.0, dc_back.0, 1e-6) && near(rms.0, rms_back.0, 1e-6), "{dc} {dc_back}");
            }
            let volts = |r: &Reading| [r.v_pos, r.v_neg].map(|v| v.map_or(f32::NAN, |v| v.0));
            for (a, b) in volts(&row.reading).into_iter().zip(volts(&back.reading)) {
                prop_assert!(near(a, b, 1e-3), "{a} {b}");
            }
            let rest = |row: &StoredReading| StoredReading {
                reading: Reading { i_bond: BondCurrent::NotMeasured(NotMeasured::BondOpen), v_pos: None, v_neg: None, ..row.reading },
                ..*row
            };
            prop_assert!(rest(row).is_same(&rest(back)));
        }
    }
}
