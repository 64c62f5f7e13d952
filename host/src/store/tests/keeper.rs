//! Days move while a recorder goes on and others read.

use super::super::archive::Rules;
use super::archive::{DAY, all, holds, hot, reading, three_days};
use super::*;

/// Turns until something has come of them.
fn next_turn(keeper: &mut Keeper, store: &mut Store, now_us: i64) -> Result<Turn, StoreError> {
    loop {
        match keeper.turn(store, now_us) {
            Ok(Turn::Busy(wait)) => std::thread::sleep(wait),
            turn => return turn,
        }
    }
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
