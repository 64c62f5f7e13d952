//! Readings of a board as one stream, by time: those still in the tables and those in the archive, each once.
//!
//! While a day is being sealed a reading may stand in both places. Streams are merged by (time, run, count), so it is given once.

use super::archive::{self, DayRows};
use super::blocks::{self, by_row, minute_us};
use super::rollup::Level;
use super::{FILE, StoreError, sqlite_error};
use crate::store::StoredReading;
use ohmward_proto::message::BoardId;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use std::ops::Range;
use std::path::Path;

/// Where rows are read from: a connection, perhaps in the middle of a transaction, and the folder.
#[derive(Clone, Copy)]
pub struct Source<'a> {
    pub db: &'a Connection,
    pub dir: &'a Path,
    /// The layout has roll-ups and an archive.
    pub has_archive: bool,
    /// The layout keeps readings in blocks.
    pub has_blocks: bool,
}

/// A board, and its key in the tables.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Board {
    pub id: BoardId,
    pub key: i64,
}

/// What the streams are merged by.
pub fn order(row: &StoredReading) -> (i64, u32, i64) {
    (row.t_us, row.boot, row.reading.at.0 as i64) // as SQLite sorts them
}

impl Source<'_> {
    /// What went wrong with SQLite, and with which file.
    pub fn failed(&self, doing: &'static str) -> impl Fn(rusqlite::Error) -> StoreError + use<> {
        let file = self.dir.join(FILE);
        move |source| sqlite_error(doing, &file, source)
    }

    /// A board's number as the table has it.
    pub fn board_id(&self, id: &str) -> Result<BoardId, StoreError> {
        u64::from_str_radix(id, 16)
            .map(BoardId)
            .map_err(|_| StoreError::Undecodable {
                row: format!("board \"{id}\""),
                file: self.dir.join(FILE),
                why: "its number is not 16 hex digits".into(),
            })
    }

    /// `None` for a board that was never heard.
    pub fn board(&self, id: BoardId) -> Result<Option<Board>, StoreError> {
        self.db
            .prepare_cached("SELECT key FROM board WHERE id = ?1")
            .and_then(|mut query| {
                query
                    .query_row([id.to_string()], |row| row.get(0))
                    .optional()
            })
            .map(|key| key.map(|key| Board { id, key }))
            .map_err(self.failed("read"))
    }

    /// Holds still what the tables say until it is dropped, so that a day which moves meanwhile is in one place or the other. Within a
    /// transaction they stand still already.
    pub fn hold_still(&self) -> Result<Option<Transaction<'_>>, StoreError> {
        if !self.db.is_autocommit() {
            return Ok(None);
        }
        self.db
            .unchecked_transaction()
            .map(Some)
            .map_err(self.failed("read"))
    }

    /// Gives every reading over `range`, by time, each once. What `take` gives ends it.
    pub fn each<E: From<StoreError>>(
        &self,
        board: Board,
        range: &Range<i64>,
        mut take: impl FnMut(StoredReading) -> Result<(), E>,
    ) -> Result<(), E> {
        let _still = self.hold_still()?;
        let mut days = self.days_within(board, range)?.into_iter();
        let mut cold: Option<DayRows> = None;
        let mut next_cold = || -> Result<Option<StoredReading>, StoreError> {
            loop {
                if let Some(rows) = &mut cold {
                    match rows.next().transpose()? {
                        Some(row) if row.t_us < range.start => continue,
                        Some(row) if row.t_us < range.end => return Ok(Some(row)),
                        _ => cold = None,
                    }
                }
                match days.next() {
                    None => return Ok(None),
                    Some(day) => cold = Some(self.day(board, &day)?),
                }
            }
        };
        let mut archived = next_cold()?;
        self.each_hot(board, range, |hot| {
            while let Some(row) = archived.filter(|row| order(row) <= order(&hot)) {
                archived = next_cold()?;
                if order(&row) == order(&hot) {
                    return take(row);
                }
                take(row)?;
            }
            take(hot)
        })?;
        while let Some(row) = archived {
            take(row)?;
            archived = next_cold()?;
        }
        Ok(())
    }

    /// Archived days that touch `range` and are still there.
    fn days_within(
        &self,
        board: Board,
        range: &Range<i64>,
    ) -> Result<Vec<archive::Day>, StoreError> {
        if !self.has_archive {
            return Ok(Vec::new());
        }
        let mut days = archive::days(self, board)?;
        days.retain(|day| !day.dropped && day.from_us < range.end && day.to_us >= range.start);
        Ok(days)
    }

    /// The rows of an archived day.
    pub fn day(&self, board: Board, day: &archive::Day) -> Result<DayRows, StoreError> {
        DayRows::open(
            archive::load(self, board, day)?,
            &archive::file(self.dir, board.id, day.date),
        )
    }

    /// Gives the readings that stand in the tables, by time.
    fn each_hot<E: From<StoreError>>(
        &self,
        board: Board,
        range: &Range<i64>,
        mut take: impl FnMut(StoredReading) -> Result<(), E>,
    ) -> Result<(), E> {
        if self.has_blocks {
            blocks::each_minute(self, board, range, |rows| {
                rows.iter().try_for_each(|row| take(*row))
            })
        } else {
            by_row::each(self, board, range, take)
        }
    }

    /// How many readings stand in the tables.
    pub fn count_hot(&self, board: Board, range: &Range<i64>) -> Result<u64, StoreError> {
        if !self.has_blocks {
            return by_row::count(self.db, board.key, range)
                .map(|count| count as u64)
                .map_err(self.failed("read"));
        }
        // Minutes that lie within as their blocks say; those at the ends one by one.
        let start_us = match minute_us(range.start) {
            start_us if start_us == range.start => start_us,
            start_us => start_us.saturating_add(Level::Minute.length_us()),
        };
        let end_us = minute_us(range.end);
        let mut count = 0;
        let mut at_ends = |part: Range<i64>| {
            blocks::each_minute(self, board, &part, |rows| {
                count += rows.len() as u64;
                Ok::<_, StoreError>(())
            })
        };
        if start_us > end_us {
            at_ends(range.clone())?;
            return Ok(count);
        }
        if range.start < start_us {
            at_ends(range.start..start_us)?;
        }
        if end_us < range.end {
            at_ends(end_us..range.end)?;
        }
        self.db
            .prepare_cached(
                "SELECT total(readings) FROM reading_block WHERE board = ?1 AND minute_us >= ?2 AND minute_us < ?3",
            )
            .and_then(|mut query| {
                query.query_row(params![board.key, start_us, end_us], |row| {
                    row.get::<_, f64>(0)
                })
            })
            .map(|within| count + within as u64)
            .map_err(self.failed("read"))
    }

    /// First and last moment of which a reading stands in the tables. Where a block cannot be understood, its minute's ends.
    pub fn hot_ends(&self, board: Board) -> Result<Option<(i64, i64)>, StoreError> {
        let failed = self.failed("read");
        if !self.has_blocks {
            return by_row::ends(self.db, board.key).map_err(&failed);
        }
        let end = |which: &str| -> rusqlite::Result<Option<i64>> {
            self.db
                .prepare_cached(&format!(
                    "SELECT {which}(minute_us) FROM reading_block WHERE board = ?1"
                ))?
                .query_row([board.key], |row| row.get(0))
        };
        let ends = end("min").and_then(|first| Ok(first.zip(end("max")?)));
        let Some((first_us, last_us)) = ends.map_err(&failed)? else {
            return Ok(None);
        };
        let within = |start_us: i64| {
            let end_us = start_us.saturating_add(Level::Minute.length_us());
            let mut ends = None;
            let all = blocks::each_minute(self, board, &(start_us..end_us), |rows| {
                ends = rows.first().zip(rows.last()).map(|(a, b)| (a.t_us, b.t_us));
                Ok::<_, StoreError>(())
            });
            ends.filter(|_| all.is_ok())
                .unwrap_or((start_us, end_us.saturating_sub(1).max(start_us)))
        };
        Ok(Some((within(first_us).0, within(last_us).1)))
    }

    /// The minute of the first reading from `from_us` on that stands in the tables; of a layout without blocks, its moment.
    pub fn next_hot(&self, board: Board, from_us: i64) -> Result<Option<i64>, StoreError> {
        let next = if self.has_blocks {
            self.db
                .prepare_cached(
                    "SELECT min(minute_us) FROM reading_block WHERE board = ?1 AND minute_us >= ?2",
                )
                .and_then(|mut query| {
                    query.query_row(params![board.key, minute_us(from_us)], |row| row.get(0))
                })
        } else {
            by_row::next(self.db, board.key, from_us)
        };
        next.map_err(self.failed("read"))
    }

    /// How many readings there are over `range`, each once.
    pub fn count(&self, board: Board, range: &Range<i64>) -> Result<u64, StoreError> {
        let _still = self.hold_still()?;
        let mut count = self.count_hot(board, range)?;
        for day in self.days_within(board, range)? {
            let own = day.from_us.max(range.start)..day.to_us.saturating_add(1).min(range.end);
            let in_both = self.count_hot(board, &own)?;
            if in_both > 0 {
                // Late readings, or a day that is just being moved.
                let mut of_both = 0;
                self.each(board, &own, |_| {
                    of_both += 1;
                    Ok::<_, StoreError>(())
                })?;
                count = count.saturating_sub(in_both).saturating_add(of_both);
            } else if day.from_us >= range.start && day.to_us < range.end {
                count = count.saturating_add(day.rows);
            } else {
                count = count.saturating_add(self.day(board, &day)?.count_within(range)?);
            }
        }
        Ok(count)
    }
}

/// A day's own time.
pub fn day_us(date: i64) -> Range<i64> {
    let start_of = |date: i64| date.saturating_mul(Level::Day.length_us());
    start_of(date)..start_of(date.saturating_add(1))
}
