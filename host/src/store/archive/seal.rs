//! A day moves from the tables into a file.
//!
//! ```text
//!   anywhere       rows (tables, and the day's file if it has one) ─→ hidden file, on disk ─→ read back, compared
//!   writer         its hash announced
//!   anywhere       renamed, folder on disk ─→ hash of what lies there now
//!   writer         one transaction, if the tables hold as many rows of the day as then: file, hash and count recorded
//!   writer         rows removed from the tables, some at a time, each time if they are as many as then
//! ```
//! Wherever this is cut short, the rows still stand in the tables or the record of the file does: before the record tables are
//! read, with whatever an earlier file of the day holds; after it, both. A new file of a day holds everything the old one
//! did, and what stands in both places is given once. Rows are only ever added, by the one writer, so as many as then are the same
//! as then. The next run begins afresh; what it finds in both places it puts into the file once.

use super::build::{Built, Place};
use super::{FOLDER, date_words, days};
use crate::store::rows::{Board, Source, day_us};
use crate::store::{Store, StoreError};
use ohmward_proto::message::BoardId;
use rusqlite::params;
use std::collections::HashSet;
use std::sync::Arc;

/// A day that was moved.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Sealed {
    /// The board.
    pub board: BoardId,
    /// Days since 1970-01-01, UTC.
    pub date: i64,
    /// Readings in the file.
    pub rows: u64,
    /// Of those, readings that came from the tables now: all of them, or the late ones.
    pub moved: u64,
    /// Size of the file.
    pub bytes: u64,
}

impl From<&Built> for Sealed {
    fn from(built: &Built) -> Self {
        Self {
            board: built.plan.board.id,
            date: built.plan.date,
            rows: built.rows,
            moved: built.moved,
            bytes: built.bytes,
        }
    }
}

/// Where sealing can be cut short, for tests that do.
#[cfg(test)]
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Step {
    Begun,
    HalfWritten,
    Written,
    Compared,
    Announced,
    Renamed,
    OnDisk,
    RecordWritten,
    Recorded,
    RowsRemoved,
    SliceGone,
    Committed,
}

#[cfg(test)]
impl Step {
    pub const ALL: [Self; 12] = [
        Self::Begun,
        Self::HalfWritten,
        Self::Written,
        Self::Compared,
        Self::Announced,
        Self::Renamed,
        Self::OnDisk,
        Self::RecordWritten,
        Self::Recorded,
        Self::RowsRemoved,
        Self::SliceGone,
        Self::Committed,
    ];
}

/// A test's way to cut in; nothing otherwise.
macro_rules! step {
    ($store:expr, $step:ident) => {
        #[cfg(test)]
        ($store.at_step)(Step::$step)?;
    };
}

impl Store {
    /// Moves a day of a board (days since 1970-01-01, UTC) from the tables into the archive. `None` when the tables hold nothing of it.
    /// Late readings of a day that is there already are put into its file. All of it at once: a recorder goes by
    /// [`crate::store::Keeper`].
    ///
    /// # Errors
    /// [`StoreError`]: then the readings are where they were, or in the file, or in both; each is given once.
    pub fn seal(&mut self, board: BoardId, date: i64) -> Result<Option<Sealed>, StoreError> {
        self.refuse_reader()?;
        let source = self.source();
        let Some(board) = source.board(board)? else {
            return Ok(None);
        };
        let range = day_us(date);
        if source.count_hot(board, &range)? == 0 {
            return Ok(None);
        }
        self.work_off_within(board, &range)?;
        step!(self, Begun);
        let Some(built) = self.place().plan(board, date).build()? else {
            return Ok(None);
        };
        self.announce(&built)?;
        built.put_in_place()?;
        if !self.record(&built)? {
            return Ok(None);
        }
        for slice in 0..built.slices.len() {
            if !self.remove(&built, slice)? {
                break;
            }
        }
        step!(self, Committed);
        Ok(Some(Sealed::from(&built)))
    }

    pub(super) fn place(&self) -> Place {
        Place {
            dir: self.dir.clone(),
            _lock: self.lock.clone(),
            on_disk: Arc::clone(&self.on_disk),
            #[cfg(test)]
            at_step: self.at_step,
        }
    }

    /// Says what the day's file will be, so that readers believe it from the moment it is there.
    pub(super) fn announce(&mut self, built: &Built) -> Result<(), StoreError> {
        self.db
            .execute(
                "INSERT OR IGNORE INTO archive_next VALUES (?1, ?2, ?3)",
                params![built.plan.board.key, built.plan.date, built.sha256],
            )
            .map_err(self.failed("write to"))?;
        step!(self, Announced);
        Ok(())
    }

    /// From now on the file counts. `false`, and nothing is recorded, when rows of the day came meanwhile: its turn comes again.
    pub(super) fn record(&mut self, built: &Built) -> Result<bool, StoreError> {
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        let source = Source {
            db: &work,
            dir: &self.dir,
            has_archive: true,
            has_blocks: true,
        };
        let (board, date) = (built.plan.board, built.plan.date);
        if source.count_hot(board, &day_us(date))? != built.moved {
            return Ok(false);
        }
        let done = (|| {
            work.execute(
                "INSERT OR REPLACE INTO archive_day VALUES (?1,?2,?3,?4,?5,?6,?7,0)",
                params![
                    board.key,
                    date,
                    built.rows as i64,
                    built.bytes as i64,
                    built.sha256,
                    built.ends.0,
                    built.ends.1
                ],
            )?;
            for (boot, span) in &built.runs {
                work.execute(
                    "INSERT OR REPLACE INTO archive_run VALUES (?1,?2,?3,?4,?5,?6)",
                    params![
                        board.key,
                        boot,
                        date,
                        span.first as i64,
                        span.last as i64,
                        span.rows as i64
                    ],
                )?;
            }
            work.execute(
                "DELETE FROM archive_next WHERE board = ?1 AND date = ?2",
                params![board.key, date],
            )
        })();
        done.map_err(&failed)?;
        step!(self, RecordWritten);
        work.commit().map_err(&failed)?;
        self.known.forget(board);
        step!(self, Recorded);
        Ok(true)
    }

    /// Removes a slice of the rows that are in the file. `false`, and they stay, when a late row is among them: then the day's turn comes
    /// again.
    pub(super) fn remove(&mut self, built: &Built, slice: usize) -> Result<bool, StoreError> {
        let Some(slice) = built.slices.get(slice) else {
            return Ok(true);
        };
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        let removed = work
            .prepare_cached(
                "DELETE FROM reading_block WHERE board = ?1 AND minute_us >= ?2 AND minute_us < ?3 RETURNING readings",
            )
            .and_then(|mut remove| {
                remove
                    .query_map(
                        params![
                            built.plan.board.key,
                            slice.range.start,
                            slice.range.end
                        ],
                        |row| row.get::<_, i64>(0),
                    )?
                    .sum::<rusqlite::Result<i64>>()
            })
            .map_err(&failed)?;
        if removed as u64 != slice.rows {
            return Ok(false); // rolled back
        }
        step!(self, RowsRemoved);
        work.commit().map_err(&failed)?;
        step!(self, SliceGone);
        Ok(true)
    }
}

/// Files below the archive's folder that no record knows: what a sealing that was cut short has left, or a stranger's.
pub fn strays(source: &Source, board: Board) -> Result<Vec<String>, StoreError> {
    let known: HashSet<String> = days(source, board)?
        .iter()
        .filter(|day| !day.dropped)
        .map(|day| date_words(day.date))
        .collect();
    let folder = source.dir.join(FOLDER).join(format!("board={}", board.id));
    let Ok(entries) = std::fs::read_dir(&folder) else {
        return Ok(Vec::new()); // nothing was ever sealed
    };
    let mut strays = Vec::new();
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let date = name.strip_prefix("date=").unwrap_or_default();
        if !known.contains(date) && entry.path().join(super::FILE_NAME).exists() {
            strays.push(format!("{FOLDER}/board={}/{name}", board.id));
        }
    }
    strays.sort();
    Ok(strays)
}
