//! Rows, roll-ups and files changed behind the program's back: `check` says which.

use super::super::archive::Rules;
use super::*;

const HOUR: i64 = 3600;

fn filled(dir: &std::path::Path) -> Store {
    let mut store = Store::open_or_create(dir).unwrap();
    let mut batch = vec![
        Entry::Run {
            board: BOARD,
            hello: hello(),
            received_us: 0,
        },
        event(7, tripped()),
    ];
    batch.extend((0..48).map(|k| reading_entry(k * HOUR, reading(k * HOUR))));
    store.write(&batch).unwrap();
    store.seal(BOARD, 0).unwrap().unwrap();
    store.work_off_rollups().unwrap();
    store
}

#[test]
fn a_store_left_alone_holds_and_says_what_it_holds() {
    let dir = tempfile::tempdir().unwrap();
    filled(dir.path());
    let report = Store::open_existing(dir.path())
        .unwrap()
        .check(&CheckOptions::default())
        .unwrap();
    assert_eq!(report.faults, Vec::<String>::new());
    assert_eq!(
        (report.boards, report.readings, report.events, report.files),
        (1, 48, 1, 1)
    );
    // 48 minutes with a reading, 48 hours, 2 days; and the minute in which the one measurement was made, which the first reading shares.
    assert_eq!(report.rollups, 98);
    assert_eq!(
        report.gaps.len(),
        1,
        "events 0 to 6 of the run are not there"
    );
}

#[test]
fn every_change_is_found() {
    let day = 86_400_000_000_i64;
    for edit in [
        format!("DELETE FROM reading_block WHERE minute_us = {}", day + 7_200_000_000),
        "UPDATE reading_block SET readings = readings + 1".into(),
        "UPDATE reading_block SET body = zeroblob(9)".into(),
        "UPDATE reading_block SET body = substr(body, 1, length(body) - 1)".into(),
        "UPDATE reading_block SET boot = 4".into(),
        "UPDATE insulation SET g_pos_s = 1".into(),
        "DELETE FROM rollup WHERE level = 60000000 AND start_us = 3600000000".into(),
        format!("DELETE FROM rollup WHERE level = 3600000000 AND start_us = {day}"),
        format!("DELETE FROM rollup WHERE level = {day} AND start_us = {day}"),
        format!("UPDATE rollup SET body = (SELECT body FROM rollup WHERE level = 3600000000 LIMIT 1) WHERE level = {day}"),
        "UPDATE hour_rows SET rows = (SELECT rows FROM hour_rows WHERE hour_us = 3600000000) WHERE hour_us = 7200000000".into(),
        "DELETE FROM hour_rows WHERE hour_us = 3600000000".into(),
        "UPDATE archive_day SET rows = 25".into(),
        "UPDATE archive_day SET sha256 = zeroblob(32)".into(),
        "UPDATE archive_day SET to_us = to_us - 1".into(),
        // The record of a day goes, its file stays.
        "DELETE FROM archive_day".into(),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let store = filled(dir.path());
        store.db.execute_batch(&edit).unwrap_or_else(|fault| panic!("{edit}: {fault}"));
        let report = store.check(&CheckOptions::default()).unwrap();
        assert!(!report.holds(), "not found: {edit}");
        assert!(report.faults.iter().all(|line| !line.contains('\n')), "{:?}", report.faults);
    }
}

/// A change of the readings of a block.
type Edit = fn(&mut Vec<StoredReading>);

#[test]
fn every_changed_reading_is_found() {
    const DAY_US: i64 = 86_400_000_000;
    let each_of_them: [fn(&mut Reading); 4] = [
        |r| {
            r.i_bond = BondCurrent::Measured {
                dc: Amps(0.5),
                rms: Amps(0.5),
            };
        },
        |r| r.state = TripState::Latched,
        |r| r.v_neg = Some(Volts(0.0)),
        |r| r.i_bond = BondCurrent::NotMeasured(NotMeasured::BondOpen),
    ];
    let blocks: [Edit; 2] = [
        |rows| rows.retain(|row| row.t_us != DAY_US + 7_200_000_000),
        |rows| {
            let mut twin = rows[0];
            twin.t_us += 1;
            twin.reading.at.0 += 1;
            rows.push(twin);
        },
    ];
    let found = |edit: &dyn Fn(&mut Vec<StoredReading>)| {
        let dir = tempfile::tempdir().unwrap();
        let store = filled(dir.path());
        edit_readings(&store, edit);
        !store.check(&CheckOptions::default()).unwrap().holds()
    };
    assert!(!found(&|_| {}));
    for edit in each_of_them {
        assert!(found(&|rows| rows
            .iter_mut()
            .filter(|row| row.t_us == DAY_US + 3_600_000_000)
            .for_each(|row| edit(&mut row.reading))));
    }
    for edit in blocks {
        assert!(found(&edit));
    }
}

/// A page of the database file overwritten: SQLite's own check finds it, and ours passes it on.
#[test]
fn a_damaged_database_is_an_error_or_a_fault_but_never_fine() {
    let dir = tempfile::tempdir().unwrap();
    // Without pages that nobody uses.
    filled(dir.path()).db.execute_batch("VACUUM").unwrap();
    let path = dir.path().join(FILE);
    let whole = std::fs::read(&path).unwrap();
    for page in 1..whole.len() / 4096 {
        let mut bytes = whole.clone();
        bytes[page * 4096..page * 4096 + 2048].fill(0x5a);
        std::fs::write(&path, bytes).unwrap();
        let found = Store::open_existing(dir.path())
            .and_then(|store| store.check(&CheckOptions::default()));
        assert!(
            found.is_err() || found.is_ok_and(|report| !report.holds()),
            "page {page}"
        );
    }
}

/// Found by fuzzing: sums of times ran over, and a check asked for every day between two readings, 200 000 at most; what lay
/// beyond was never looked at.
#[test]
fn times_at_the_ends_of_what_a_number_holds_are_read_and_checked() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    let year_2900 = 29_348_006_400;
    let mut batch = vec![reading_entry(year_2900, reading(60 * HOUR))];
    for (k, t_us) in [(61, i64::MAX), (62, i64::MAX - 1), (63, i64::MIN)] {
        batch.push(Entry::Reading {
            board: BOARD,
            boot: 3,
            t_us,
            reading: reading(k * HOUR),
        });
    }
    store.write(&batch).unwrap();
    store.work_off_rollups().unwrap();
    for range in [i64::MIN..i64::MAX, 0..i64::MAX] {
        for at_most in [20, 100_000] {
            assert!(
                store
                    .readings(BOARD, range.clone(), at_most)
                    .unwrap()
                    .stored
                    > 48
            );
        }
        for level in [Level::Minute, Level::Hour, Level::Day] {
            assert!(
                !store
                    .rollups(BOARD, level, range.clone())
                    .unwrap()
                    .is_empty()
            );
        }
    }
    store.seal_next(&Rules::default(), i64::MAX).unwrap();
    store.check(&CheckOptions::default()).unwrap();

    edit_readings(&store, |rows| {
        for row in rows
            .iter_mut()
            .filter(|row| row.t_us == year_2900 * 1_000_000)
        {
            row.reading.state = TripState::Latched;
        }
    });
    let faults = store.check(&CheckOptions::default()).unwrap().faults;
    let of_that_day = |fault: &String| fault.contains("2900-01-01");
    assert!(faults.iter().any(of_that_day), "{faults:?}");
}

/// Found by fuzzing: SQLite's complaint showed the whole statement.
#[test]
fn what_sqlite_says_is_one_line() {
    let dir = tempfile::tempdir().unwrap();
    let store = filled(dir.path());
    store.db.pragma_update(None, "user_version", 1).unwrap();
    drop(store);
    let error = Store::open_or_create(dir.path()).unwrap_err().to_string();
    assert!(
        error.contains("table spectrum already exists; check"),
        "{error}"
    );
    assert!(!error.contains('\n'), "{error}");
}

/// Found by fuzzing: roll-ups out of a damaged store may hold any counts.
#[test]
fn counts_that_are_too_large_to_be_added_stay_at_the_most() {
    let dir = tempfile::tempdir().unwrap();
    let store = filled(dir.path());
    let all = store.rollups(BOARD, Level::Hour, 0..i64::MAX).unwrap();
    let mut sum = all[0].1.clone();
    sum.readings = u64::MAX - 1;
    let huge = sum.clone();
    sum.merge(&huge);
    assert_eq!(sum.readings, u64::MAX);
}
