//! Readings of a board as one stream, by time: those still in the tables and those in the archive, each once.
//!
//! While a day is being sealed a reading may stand in both places. Streams are merged by (time, run, count), so it is given once.

use super::archive::{self, DayRows, HOT_COLUMNS};
use super::rollup::{DAY_US, Level};
use super::{FILE, StoreError, sqlite_error, words};
use crate::store::StoredReading;
use ohmward_proto::message::BoardId;
use ohmward_proto::{
    Amps, BondCurrent, Farads, Insulation, PoleLeakage, Reading, SampleIndex, Siemens, Volts,
};
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};
use std::ops::Range;
use std::path::Path;

/// Where rows are read from: a connection, perhaps in the middle of a transaction, and the folder.
#[derive(Clone, Copy)]
pub struct Source<'a> {
    pub db: &'a Connection,
    pub dir: &'a Path,
    /// The layout has roll-ups and an archive.
    pub has_archive: bool,
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
        self.each_row(board, range, |row| take(self.decode(board.id, row)?))
    }

    /// Likewise as rows of [`HOT_COLUMNS`].
    pub fn each_row<E: From<StoreError>>(
        &self,
        board: Board,
        range: &Range<i64>,
        mut take: impl FnMut(&Row) -> Result<(), E>,
    ) -> Result<(), E> {
        let failed = self.failed("read");
        let mut query = self
            .db
            .prepare_cached(&format!(
                "SELECT {HOT_COLUMNS} FROM reading WHERE board = ?1 AND t_us >= ?2 AND t_us < ?3
                 ORDER BY t_us, boot, at_sample"
            ))
            .map_err(&failed)?;
        let mut rows = query
            .query(params![board.key, range.start, range.end])
            .map_err(&failed)?;
        while let Some(row) = rows.next().map_err(&failed)? {
            take(row)?;
        }
        Ok(())
    }

    /// How many readings stand in the tables.
    pub fn count_hot(&self, board: Board, range: &Range<i64>) -> Result<u64, StoreError> {
        self.db
            .prepare_cached(
                "SELECT count(*) FROM reading WHERE board = ?1 AND t_us >= ?2 AND t_us < ?3",
            )
            .and_then(|mut query| {
                query.query_row(params![board.key, range.start, range.end], |row| {
                    row.get::<_, i64>(0)
                })
            })
            .map(|count| count as u64)
            .map_err(self.failed("read"))
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

    /// A row of [`HOT_COLUMNS`].
    pub fn decode(&self, board: BoardId, row: &Row) -> Result<StoredReading, StoreError> {
        let failed = self.failed("read");
        let boot: u32 = row.get(1).map_err(&failed)?;
        let at = row.get::<_, i64>(2).map_err(&failed)? as u64;
        let real = |column: usize| row.get::<_, Option<f32>>(column).map_err(&failed);
        let unknown = |column: &str, word: &str| StoreError::Undecodable {
            row: format!("the reading at sample {at} of run {boot} of board {board}"),
            file: self.dir.join(FILE),
            why: format!("\"{word}\" in column {column}"),
        };
        let text = |column: usize| -> Result<Option<&str>, StoreError> {
            row.get_ref(column)
                .map_err(&failed)?
                .as_str_or_null()
                .map_err(|fault| failed(fault.into()))
        };
        let reason = |column: usize, name: &str| {
            text(column)?
                .map(|word| words::reason(word).ok_or_else(|| unknown(name, word)))
                .transpose()
        };
        // NULL beside no reason: a value the board sent that is no number.
        let sent = |column: usize| real(column).map(|value| value.unwrap_or(f32::NAN));

        let i_bond = match reason(5, "i_why")? {
            Some(why) => BondCurrent::NotMeasured(why),
            None => BondCurrent::Measured {
                dc: Amps(sent(3)?),
                rms: Amps(sent(4)?),
            },
        };
        let ins_at = SampleIndex(row.get::<_, i64>(13).map_err(&failed)? as u64);
        let insulation = match reason(14, "ins_why")? {
            Some(why) => Insulation::NotMeasured { why, since: ins_at },
            None => Insulation::Measured {
                leakage: PoleLeakage {
                    g_pos: Siemens(sent(8)?),
                    g_neg: Siemens(sent(9)?),
                    g_sigma: Siemens(sent(10)?),
                    c: Farads(sent(11)?),
                    c_sigma: Farads(sent(12)?),
                },
                at: ins_at,
            },
        };
        let state = text(15)?.unwrap_or_default();
        Ok(StoredReading {
            boot,
            t_us: row.get(0).map_err(&failed)?,
            reading: Reading {
                at: SampleIndex(at),
                i_bond,
                v_pos: real(6)?.map(Volts),
                v_neg: real(7)?.map(Volts),
                insulation,
                state: words::state(state).ok_or_else(|| unknown("state", state))?,
                bond_open: row.get(16).map_err(&failed)?,
            },
        })
    }
}

/// A day's own time.
pub fn day_us(date: i64) -> Range<i64> {
    let start_us = date.saturating_mul(Level::Day.length_us());
    start_us..start_us.saturating_add(DAY_US)
}
