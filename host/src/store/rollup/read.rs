//! Roll-ups as they are asked for: those that stand, and those of marked hours, worked out of the rows.

use super::keep::{stale, work_out};
use super::{HOUR_US, Hour, Level, Rollup};
use crate::store::reduce::{Reducer, buckets_of};
use crate::store::rows::{Board, Source};
use crate::store::{FILE, Readings, Store, StoreError, StoredReading};
use ohmward_proto::message::BoardId;
use rusqlite::params;
use serde::de::DeserializeOwned;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

impl Store {
    /// Roll-ups of a board that begin within `range` (Unix microseconds), each with its start, by time; stretches of which there
    /// is nothing are not among them.
    ///
    /// # Errors
    /// [`StoreError`], when rows of a part that is not worked off yet cannot be read.
    pub fn rollups(
        &self,
        board: BoardId,
        level: Level,
        range: Range<i64>,
    ) -> Result<Vec<(i64, Rollup)>, StoreError> {
        let source = self.source();
        let Some(board) = source.board(board)? else {
            return Ok(Vec::new());
        };
        Ok(all(&source, board, level, &range)?
            .into_iter()
            .filter(|(start_us, _)| range.contains(start_us))
            .collect())
    }
}

/// Every roll-up that begins within `range`, and others of hours that it touches.
pub fn all(
    source: &Source,
    board: Board,
    level: Level,
    range: &Range<i64>,
) -> Result<BTreeMap<i64, Rollup>, StoreError> {
    if level == Level::Day {
        let days =
            Level::Day.start_us(range.start)..range.end.saturating_add(Level::Day.length_us());
        let marked: BTreeSet<i64> = marked(source, board, &days)?
            .into_iter()
            .map(|hour_us| Level::Day.start_us(hour_us))
            .collect();
        let mut found: BTreeMap<i64, Rollup> =
            stored(source, board, level, range)?.into_iter().collect();
        for day_us in marked {
            let mut day = Rollup::default();
            let hours = day_us..day_us.saturating_add(Level::Day.length_us());
            for hour in all(source, board, Level::Hour, &hours)?.values() {
                day.merge(hour);
            }
            found.insert(day_us, day);
        }
        return Ok(found);
    }
    let marked = marked(source, board, range)?;
    let is_marked = |start_us| {
        marked
            .binary_search(&Level::Hour.start_us(start_us))
            .is_ok()
    };
    let mut found: BTreeMap<i64, Rollup> = stored(source, board, level, range)?
        .into_iter()
        .filter(|(start_us, _)| !is_marked(*start_us))
        .collect();
    for &hour_us in &marked {
        let hour = work_out(source, board, hour_us)?;
        match level {
            Level::Minute => found.extend(hour.minutes),
            Level::Hour | Level::Day => {
                found.insert(hour_us, hour.rollup);
            }
        }
    }
    Ok(found)
}

/// Hours to be worked out of their rows. A store of a layout without roll-ups has none that stand.
fn marked(source: &Source, board: Board, range: &Range<i64>) -> Result<Vec<i64>, StoreError> {
    if source.has_archive {
        return stale(source, board, range);
    }
    let mut hours = BTreeSet::new();
    source.each(board, range, |row| {
        hours.insert(Level::Hour.start_us(row.t_us));
        Ok(())
    })?;
    Ok(hours.into_iter().collect())
}

/// Roll-ups that stand in the tables, marked or not.
pub fn stored(
    source: &Source,
    board: Board,
    level: Level,
    range: &Range<i64>,
) -> Result<Vec<(i64, Rollup)>, StoreError> {
    if !source.has_archive {
        return Ok(Vec::new());
    }
    let failed = source.failed("read");
    let mut query = source
        .db
        .prepare_cached(
            "SELECT start_us, body FROM rollup
             WHERE board = ?1 AND level = ?2 AND start_us >= ?3 AND start_us < ?4 ORDER BY start_us",
        )
        .map_err(&failed)?;
    let mut rows = query
        .query(params![
            board.key,
            level.length_us(),
            range.start,
            range.end
        ])
        .map_err(&failed)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next().map_err(&failed)? {
        let start_us = row.get(0).map_err(&failed)?;
        let body = row.get_ref(1).map_err(&failed)?;
        let body = body.as_blob().map_err(|fault| failed(fault.into()))?;
        found.push((start_us, decode(source, board, start_us, body)?));
    }
    Ok(found)
}

/// The hours that begin within `range`: what a picture of a long time is drawn from. Roll-up and minutes are not filled in.
pub fn hours(
    source: &Source,
    board: Board,
    range: &Range<i64>,
    mut take: impl FnMut(i64, u64, &Hour),
) -> Result<(), StoreError> {
    let failed = source.failed("read");
    let marked = marked(source, board, range)?;
    let mut marked = marked
        .into_iter()
        .filter(|hour| range.contains(hour))
        .peekable();
    let mut work_out_before = |end_us: i64, take: &mut dyn FnMut(i64, u64, &Hour)| {
        while let Some(hour_us) = marked.next_if(|hour_us| *hour_us < end_us) {
            let hour = work_out(source, board, hour_us)?;
            take(hour_us, hour.rollup.readings, &hour);
        }
        // The one that follows, if it is marked, stands with what it was.
        Ok::<_, StoreError>(marked.peek().copied())
    };
    if source.has_archive {
        let mut query = source
            .db
            .prepare_cached(
                "SELECT hour_us, readings, step_us, rows FROM hour_rows
                 WHERE board = ?1 AND hour_us >= ?2 AND hour_us < ?3 ORDER BY hour_us",
            )
            .map_err(&failed)?;
        let mut rows = query
            .query(params![board.key, range.start, range.end])
            .map_err(&failed)?;
        while let Some(row) = rows.next().map_err(&failed)? {
            let hour_us: i64 = row.get(0).map_err(&failed)?;
            if work_out_before(hour_us, &mut take)? == Some(hour_us) {
                continue;
            }
            let kept = row.get_ref(3).map_err(&failed)?;
            let kept = kept.as_blob().map_err(|fault| failed(fault.into()))?;
            let hour = Hour {
                rows: decode(source, board, hour_us, kept)?,
                step_us: row.get(2).map_err(&failed)?,
                ..Hour::default()
            };
            let readings: i64 = row.get(1).map_err(&failed)?;
            take(hour_us, readings as u64, &hour);
        }
    }
    work_out_before(i64::MAX, &mut take)?;
    Ok(())
}

/// Readings over a long time, from the hours' own extremes and, at the ends, from rows. `None` where the time is not that long.
///
/// Buckets are then whole hours, so the extremes of each are exactly those of its rows.
pub fn long(
    source: &Source,
    board: Board,
    range: &Range<i64>,
    at_most: usize,
) -> Result<Option<Readings>, StoreError> {
    let start_us = Level::Hour.start_us(range.start);
    let width = i128::from(range.end) - i128::from(start_us);
    let buckets = buckets_of(at_most) as i128;
    let hours_each = (width + buckets * i128::from(HOUR_US) - 1) / (buckets * i128::from(HOUR_US));
    let whole = next_hour(range.start)..Level::Hour.start_us(range.end);
    // Buckets of an hour each are taken though up to twice as many had room: three weeks of rows take half a second.
    let is_long = 2 * width / i128::from(HOUR_US) >= buckets && whole.start < whole.end;
    let Some(width_us) = i64::try_from(hours_each)
        .ok()
        .and_then(|hours| hours.checked_mul(HOUR_US))
        .filter(|_| is_long)
    else {
        return Ok(None);
    };
    let mut reducer = Reducer::of_width(start_us, width_us);
    let ends = |reducer: &mut Reducer, range: Range<i64>| {
        source.each(board, &range, |row| {
            reducer.take(row);
            Ok(())
        })
    };
    ends(&mut reducer, range.start..whole.start)?;
    hours(source, board, &whole, |_, readings, hour| {
        reducer.take_reduced(&hour.rows, readings, hour.step_us);
    })?;
    ends(&mut reducer, whole.end..range.end)?;
    Ok(Some(reducer.finish()))
}

fn next_hour(t_us: i64) -> i64 {
    let start_us = Level::Hour.start_us(t_us);
    if start_us == t_us {
        t_us
    } else {
        start_us.saturating_add(HOUR_US)
    }
}

pub fn decode<T: DeserializeOwned>(
    source: &Source,
    board: Board,
    start_us: i64,
    bytes: &[u8],
) -> Result<T, StoreError> {
    postcard::from_bytes(bytes).map_err(|fault| StoreError::Undecodable {
        row: format!("the roll-up at {start_us} µs of board {}", board.id),
        file: source.dir.join(FILE),
        why: fault.to_string(),
    })
}

/// The rows kept of an hour, as they stand.
pub fn stored_rows(
    source: &Source,
    board: Board,
    hour_us: i64,
) -> Result<Option<Vec<StoredReading>>, StoreError> {
    use rusqlite::OptionalExtension;
    let kept: Option<Vec<u8>> = source
        .db
        .prepare_cached("SELECT rows FROM hour_rows WHERE board = ?1 AND hour_us = ?2")
        .and_then(|mut query| {
            query
                .query_row(params![board.key, hour_us], |row| row.get(0))
                .optional()
        })
        .map_err(source.failed("read"))?;
    kept.map(|kept| decode(source, board, hour_us, &kept))
        .transpose()
}
