//! Whether a reading that comes in is in the archive already: a board or a scenario that is recorded again sends old ones.

use super::days;
use crate::store::StoreError;
use crate::store::rows::{Board, Source};
use std::collections::hash_map::Entry;
use std::collections::{BTreeSet, HashMap};

/// What the archive says of a reading.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Known {
    /// Nothing: it is new, or in the tables.
    No,
    /// It is in a file.
    Archived,
    /// It is of a day that a rule has dropped.
    Dropped,
}

/// Counts of a run that a file spans.
#[derive(Clone, Copy, Debug)]
struct Span {
    date: i64,
    first: u64,
    last: u64,
}

/// What of a run is in files.
#[derive(Debug)]
struct Spans {
    of_files: Vec<Span>,
    /// The highest count in any.
    last: u64,
}

/// The file looked into last.
#[derive(Debug)]
struct FileKeys {
    board: i64,
    date: i64,
    /// Run and count of its readings, sorted.
    keys: Vec<(u32, u64)>,
}

/// What is remembered of it from reading to reading. To be forgotten, of its board, whenever a day moves.
#[derive(Debug, Default)]
pub struct Memory {
    /// By board and run.
    spans: HashMap<(i64, u32), Spans>,
    dropped: HashMap<i64, BTreeSet<i64>>,
    file: Option<FileKeys>,
}

impl Memory {
    /// A day of this board has moved, or was dropped.
    pub fn forget(&mut self, board: Board) {
        self.spans.retain(|(of, _), _| *of != board.key);
        self.dropped.remove(&board.key);
        self.file = self.file.take().filter(|file| file.board != board.key);
    }

    /// Looks a reading up.
    pub fn look(
        &mut self,
        source: &Source,
        board: Board,
        boot: u32,
        at: u64,
        date: i64,
    ) -> Result<Known, StoreError> {
        let dropped = self.dropped_days(source, board)?;
        if !dropped.is_empty() && dropped.contains(&date) {
            return Ok(Known::Dropped);
        }
        let spans = match self.spans.entry((board.key, boot)) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(place) => place.insert(spans_of(source, board, boot)?),
        };
        // Nearly always it is newer than all there is.
        if at > spans.last {
            return Ok(Known::No);
        }
        let within = spans
            .of_files
            .iter()
            .filter(|span| (span.first..=span.last).contains(&at));
        let dates: Vec<i64> = within.map(|span| span.date).collect();
        for date in dates {
            if self.dropped_days(source, board)?.contains(&date) {
                return Ok(Known::Dropped);
            }
            if self.is_in_file(source, board, date, (boot, at))? {
                return Ok(Known::Archived);
            }
        }
        Ok(Known::No)
    }

    /// Days of a board that a rule has dropped.
    pub fn dropped_days(
        &mut self,
        source: &Source,
        board: Board,
    ) -> Result<&BTreeSet<i64>, StoreError> {
        Ok(match self.dropped.entry(board.key) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(place) => {
                let all = days(source, board)?;
                let dropped = all.iter().filter(|day| day.dropped);
                place.insert(dropped.map(|day| day.date).collect())
            }
        })
    }

    fn is_in_file(
        &mut self,
        source: &Source,
        board: Board,
        date: i64,
        key: (u32, u64),
    ) -> Result<bool, StoreError> {
        let is_it = |file: &FileKeys| (file.board, file.date) == (board.key, date);
        if let Some(file) = self.file.as_ref().filter(|file| is_it(file)) {
            return Ok(file.keys.binary_search(&key).is_ok());
        }
        let all = days(source, board)?;
        let Some(day) = all.iter().find(|day| day.date == date) else {
            return Ok(false);
        };
        let mut keys = source.day(board, day)?.keys()?;
        keys.sort_unstable();
        let is_there = keys.binary_search(&key).is_ok();
        self.file = Some(FileKeys {
            board: board.key,
            date,
            keys,
        });
        Ok(is_there)
    }
}

fn spans_of(source: &Source, board: Board, boot: u32) -> Result<Spans, StoreError> {
    let of_files: Vec<Span> = source
        .db
        .prepare_cached(
            "SELECT date, at_first, at_last FROM archive_run WHERE board = ?1 AND boot = ?2 ORDER BY date",
        )
        .and_then(|mut query| {
            query
                .query_map(rusqlite::params![board.key, boot], |row| {
                    Ok(Span {
                        date: row.get(0)?,
                        first: row.get::<_, i64>(1)? as u64,
                        last: row.get::<_, i64>(2)? as u64,
                    })
                })?
                .collect()
        })
        .map_err(source.failed("read"))?;
    let last = of_files.iter().map(|span| span.last).max();
    Ok(Spans {
        of_files,
        last: last.unwrap_or_default(),
    })
}
