//! Marking hours whose roll-ups are no longer true, and working them off.

use super::build::Collector;
use super::{HOUR_US, Hour, Level, Rollup, hour, measurement};
use crate::store::archive::as_kept;
use crate::store::rows::{Board, Source};
use crate::store::{StoreError, StoredReading};
use rusqlite::{Connection, params};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// The hour that begins at `hour_us` has new rows.
pub fn mark(db: &Connection, board: i64, hour_us: i64) -> rusqlite::Result<()> {
    db.prepare_cached("INSERT OR IGNORE INTO rollup_stale VALUES (?1, ?2)")?
        .execute(params![board, hour_us])?;
    Ok(())
}

/// Marked hours that touch `range`, in order.
pub fn stale(source: &Source, board: Board, range: &Range<i64>) -> Result<Vec<i64>, StoreError> {
    let from_us = Level::Hour.start_us(range.start);
    source
        .db
        .prepare_cached(
            "SELECT hour_us FROM rollup_stale WHERE board = ?1 AND hour_us >= ?2 AND hour_us < ?3 ORDER BY hour_us",
        )
        .and_then(|mut query| {
            query
                .query_map(params![board.key, from_us, range.end], |row| row.get(0))?
                .collect()
        })
        .map_err(source.failed("read"))
}

/// Works an hour out of its rows.
///
/// Rows go in as the archive gives them back, so an hour comes out the same before and after its day is sealed.
pub fn work_out(source: &Source, board: Board, hour_us: i64) -> Result<Hour, StoreError> {
    let range = hour_us..hour_us.saturating_add(HOUR_US);
    let mut hour = hour(hour_us);
    source.each(board, &range, |row| {
        hour.row(as_kept(&row));
        Ok(())
    })?;
    // Of an older layout the measurements are not known apart from the readings that repeat them.
    let made = if source.has_archive {
        measurement::within(source.db, board.key, &range).map_err(source.failed("read"))?
    } else {
        Vec::new()
    };
    for made in &made {
        hour.measurement(made);
    }
    Ok(hour.finish())
}

/// Works out every hour of a day of which there is anything; the day's rows are read once.
pub fn work_out_day(
    source: &Source,
    board: Board,
    day_us: &Range<i64>,
) -> Result<BTreeMap<i64, Hour>, StoreError> {
    let mut hours: BTreeMap<i64, Collector> = BTreeMap::new();
    let mut of = |t_us: i64, put: &mut dyn FnMut(&mut Collector)| {
        let hour_us = Level::Hour.start_us(t_us);
        put(hours.entry(hour_us).or_insert_with(|| hour(hour_us)));
    };
    source.each(board, day_us, |row| {
        of(row.t_us, &mut |hour| hour.row(as_kept(&row)));
        Ok(())
    })?;
    for made in measurement::within(source.db, board.key, day_us).map_err(source.failed("read"))? {
        of(made.t_us, &mut |hour| hour.measurement(&made));
    }
    Ok(hours
        .into_iter()
        .map(|(hour_us, hour)| (hour_us, hour.finish()))
        .collect())
}

/// What becomes of an hour with a row that cannot be understood.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Unreadable {
    /// It stays marked; whoever asks for it hears of the row. Recording goes on.
    Waits,
    /// That is the error.
    Ends,
}

/// Works off marked hours, oldest first, until `rows_max` rows have been read; an hour is not left half done. Within a transaction.
pub fn work_off(
    source: &Source,
    board: Board,
    hours: &[i64],
    rows_max: u64,
    unreadable: Unreadable,
) -> Result<u64, StoreError> {
    let mut rows = 0;
    let mut days = BTreeSet::new();
    for &hour_us in hours {
        if rows >= rows_max {
            break;
        }
        let hour = match (work_out(source, board, hour_us), unreadable) {
            (Ok(hour), _) => hour,
            (Err(_), Unreadable::Waits) => continue,
            (Err(fault), Unreadable::Ends) => return Err(fault),
        };
        rows += hour.rollup.readings.max(1);
        store(source.db, board.key, hour_us, &hour).map_err(source.failed("write to"))?;
        days.insert(Level::Day.start_us(hour_us));
    }
    for day_us in days {
        let day = day_of(source, board, day_us)?;
        put(source.db, board.key, Level::Day, day_us, &day).map_err(source.failed("write to"))?;
    }
    Ok(rows)
}

/// A day out of its hours, as far as they are worked off.
fn day_of(source: &Source, board: Board, day_us: i64) -> Result<Rollup, StoreError> {
    let range = day_us..day_us.saturating_add(Level::Day.length_us());
    let mut day = Rollup::default();
    for (_, hour) in super::read::stored(source, board, Level::Hour, &range)? {
        day.merge(&hour);
    }
    Ok(day)
}

fn store(db: &Connection, board: i64, hour_us: i64, hour: &Hour) -> rusqlite::Result<()> {
    db.prepare_cached(
        "DELETE FROM rollup WHERE board = ?1 AND level = ?2 AND start_us >= ?3 AND start_us < ?4",
    )?
    .execute(params![
        board,
        Level::Minute.length_us(),
        hour_us,
        hour_us.saturating_add(HOUR_US)
    ])?;
    for (start_us, minute) in &hour.minutes {
        put(db, board, Level::Minute, *start_us, minute)?;
    }
    put(db, board, Level::Hour, hour_us, &hour.rollup)?;
    db.prepare_cached("INSERT OR REPLACE INTO hour_rows VALUES (?1,?2,?3,?4,?5)")?
        .execute(params![
            board,
            hour_us,
            hour.rollup.readings as i64,
            hour.step_us,
            blob(&hour.rows)?
        ])?;
    db.prepare_cached("DELETE FROM rollup_stale WHERE board = ?1 AND hour_us = ?2")?
        .execute(params![board, hour_us])?;
    Ok(())
}

fn put(
    db: &Connection,
    board: i64,
    level: Level,
    start_us: i64,
    rollup: &Rollup,
) -> rusqlite::Result<()> {
    db.prepare_cached("INSERT OR REPLACE INTO rollup VALUES (?1,?2,?3,?4)")?
        .execute(params![board, level.length_us(), start_us, blob(rollup)?])?;
    Ok(())
}

/// What stands in a roll-up's columns.
pub fn blob(value: &impl Serialize) -> rusqlite::Result<Vec<u8>> {
    postcard::to_extend(value, Vec::new())
        .map_err(|fault| rusqlite::Error::ToSqlConversionFailure(Box::new(fault)))
}

/// The same row, byte for byte: a NaN is the same as a NaN.
pub fn same_rows(a: &[StoredReading], b: &[StoredReading]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.is_same(b))
}
