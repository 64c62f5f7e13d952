//! A day moves from the tables into a file.
//!
//! ```text
//! rows (tables, and the day's file if it has one) ─→ hidden file, on disk ─→ read back, compared with the rows
//!   ─→ its hash announced ─→ renamed, folder on disk ─→ hash of what lies there now
//!   ─→ one transaction: file, hash and count recorded, rows removed from the tables
//! ```
//! Wherever this is cut short, the rows still stand in the tables or the record of the file does: before the last step tables are
//! read, with whatever an earlier file of the day holds; after it, the file. A new file of a day holds everything the old one
//! did, and what stands in both places is given once. The next run begins afresh.

use super::encode::{FileWriter, cannot_write};
use super::{DayRows, FOLDER, as_kept, bytes_of, date_words, days, file, folder};
use crate::store::rollup::keep;
use crate::store::rows::{Board, Source, day_us};
use crate::store::{Store, StoreError, StoredReading};
use ohmward_proto::message::BoardId;
use rusqlite::params;
use std::collections::{BTreeMap, HashSet};
use std::fs::File;
use std::ops::Range;
use std::path::Path;

const HIDDEN: &str = ".readings.parquet.new";

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
    RowsRemoved,
    Committed,
}

#[cfg(test)]
impl Step {
    pub const ALL: [Self; 9] = [
        Self::Begun,
        Self::HalfWritten,
        Self::Written,
        Self::Compared,
        Self::Announced,
        Self::Renamed,
        Self::OnDisk,
        Self::RowsRemoved,
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

/// Readings of a run that a file spans.
#[derive(Clone, Copy)]
struct RunSpan {
    first: u64,
    last: u64,
    rows: u64,
}

impl Store {
    /// Moves a day of a board (days since 1970-01-01, UTC) from the tables into the archive. `None` when the tables hold nothing of it.
    /// Late readings of a day that is there already are put into its file.
    ///
    /// # Errors
    /// [`StoreError`]: then the readings are where they were.
    pub fn seal(&mut self, board: BoardId, date: i64) -> Result<Option<Sealed>, StoreError> {
        self.refuse_reader()?;
        let source = self.source();
        let Some(board) = source.board(board)? else {
            return Ok(None);
        };
        let range = day_us(date);
        let moved = hot_count(&source, board, &range)?;
        if moved == 0 {
            return Ok(None);
        }
        self.work_off_within(board, &range)?;
        step!(self, Begun);

        let source = self.source();
        let place = folder(&self.dir, board.id, date);
        let made = make_folders(&self.dir, &place)?;
        let hidden = place.join(HIDDEN);
        let mut writer = FileWriter::create(&hidden, board.id)?;
        let mut spans: BTreeMap<u32, RunSpan> = BTreeMap::new();
        let mut ends: Option<(i64, i64)> = None;
        each_once(&source, board, date, |row| {
            let at = row.reading.at.0;
            let span = spans.entry(row.boot).or_insert(RunSpan {
                first: at,
                last: at,
                rows: 0,
            });
            span.first = span.first.min(at);
            span.last = span.last.max(at);
            span.rows += 1;
            ends = Some((ends.map_or(row.t_us, |(from, _)| from), row.t_us));
            #[cfg(test)]
            if span.rows == 2 {
                (self.at_step)(Step::HalfWritten)?;
            }
            writer.push(row)
        })?;
        let rows = writer.finish()?;
        step!(self, Written);
        let Some(ends) = ends else { return Ok(None) };

        let (bytes, sha256) = bytes_of(&hidden)?;
        let size = bytes.len() as u64;
        compare(
            &source,
            board,
            date,
            DayRows::open(bytes, &hidden)?,
            &hidden,
        )?;
        step!(self, Compared);

        self.db
            .execute(
                "INSERT OR REPLACE INTO archive_next VALUES (?1, ?2, ?3)",
                params![board.key, date, sha256],
            )
            .map_err(self.failed("write to"))?;
        step!(self, Announced);
        let path = file(&self.dir, board.id, date);
        std::fs::rename(&hidden, &path).map_err(|source| cannot_write(&path, &source))?;
        step!(self, Renamed);
        for folder in made.into_iter().chain([place.as_path()]) {
            sync_folder(folder)?;
        }
        step!(self, OnDisk);
        if bytes_of(&path)?.1 != sha256 {
            return Err(StoreError::Archive {
                file: path,
                why: "it does not read back as it was written".into(),
            });
        }

        self.known = super::known::Memory::default();
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        let source = Source {
            db: &work,
            dir: &self.dir,
            has_archive: true,
        };
        if hot_count(&source, board, &range)? != moved {
            // No way there for one writer. Whatever came is kept, and the day's turn comes again.
            return Ok(None);
        }
        let done = (|| {
            work.execute(
                "INSERT OR REPLACE INTO archive_day VALUES (?1,?2,?3,?4,?5,?6,?7,0)",
                params![
                    board.key,
                    date,
                    rows as i64,
                    size as i64,
                    sha256,
                    ends.0,
                    ends.1
                ],
            )?;
            for (boot, span) in &spans {
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
            )?;
            work.execute(
                "DELETE FROM reading WHERE board = ?1 AND t_us >= ?2 AND t_us < ?3",
                params![board.key, range.start, range.end],
            )
        })();
        done.map_err(&failed)?;
        step!(self, RowsRemoved);
        work.commit().map_err(&failed)?;
        step!(self, Committed);
        Ok(Some(Sealed {
            board: board.id,
            date,
            rows,
            moved,
            bytes: size,
        }))
    }

    /// Works off what is marked of a time, in a transaction of its own.
    pub(in crate::store) fn work_off_within(
        &mut self,
        board: Board,
        range: &Range<i64>,
    ) -> Result<(), StoreError> {
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        let source = Source {
            db: &work,
            dir: &self.dir,
            has_archive: true,
        };
        let hours = keep::stale(&source, board, range)?;
        keep::work_off(&source, board, &hours, u64::MAX, keep::Unreadable::Ends)?;
        work.commit().map_err(&failed)
    }
}

fn hot_count(source: &Source, board: Board, range: &Range<i64>) -> Result<u64, StoreError> {
    source
        .db
        .prepare_cached(
            "SELECT count(*) FROM reading WHERE board = ?1 AND t_us >= ?2 AND t_us < ?3",
        )
        .and_then(|mut query| {
            query.query_row(params![board.key, range.start, range.end], |row| {
                row.get::<_, i64>(0)
            })
        })
        .map(|count| count as u64)
        .map_err(source.failed("read"))
}

/// Every reading of a day, by time. Where the day has a file, a reading is known by run and count, whatever time it came with
/// the second time.
fn each_once(
    source: &Source,
    board: Board,
    date: i64,
    mut take: impl FnMut(StoredReading) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    let has_file = days(source, board)?
        .iter()
        .any(|day| day.date == date && !day.dropped);
    let mut given = HashSet::new();
    source.each(board, &day_us(date), |row| {
        if has_file && !given.insert((row.boot, row.reading.at)) {
            return Ok(());
        }
        take(row)
    })
}

/// Holds what was written against what it was written from.
fn compare(
    source: &Source,
    board: Board,
    date: i64,
    mut written: DayRows,
    path: &Path,
) -> Result<(), StoreError> {
    let differs = |why: String| StoreError::Archive {
        file: path.to_path_buf(),
        why,
    };
    each_once(source, board, date, |row| {
        let at = row.reading.at.0;
        match written.next().transpose()? {
            Some(read) if read.is_same(&as_kept(&row)) => Ok(()),
            _ => Err(differs(format!(
                "the reading at sample {at} of run {} does not read back as it was written",
                row.boot
            ))),
        }
    })?;
    match written.next() {
        None => Ok(()),
        Some(_) => Err(differs("it holds more than was written".into())),
    }
}

/// Makes the folders from the store's down to the file's. Gives those whose entries are new.
fn make_folders<'a>(dir: &Path, place: &'a Path) -> Result<Vec<&'a Path>, StoreError> {
    let unwritable = |source| cannot_write(place, &source);
    if place.is_dir() {
        return Ok(Vec::new());
    }
    std::fs::create_dir_all(place).map_err(unwritable)?;
    let above = place.ancestors().skip(1);
    Ok(above.take_while(|folder| folder.starts_with(dir)).collect())
}

fn sync_folder(folder: &Path) -> Result<(), StoreError> {
    // Windows has no way to wait for a folder, and needs none.
    if cfg!(windows) {
        return Ok(());
    }
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|source| cannot_write(folder, &source))
}

/// Days of which the tables hold readings, by date.
pub fn hot_days(source: &Source, board: Board) -> Result<Vec<i64>, StoreError> {
    let next = |from_us: i64| -> rusqlite::Result<Option<i64>> {
        source
            .db
            .prepare_cached("SELECT min(t_us) FROM reading WHERE board = ?1 AND t_us >= ?2")?
            .query_row(params![board.key, from_us], |row| row.get(0))
    };
    let mut dates = Vec::new();
    let mut from_us = i64::MIN;
    while let Some(t_us) = next(from_us).map_err(source.failed("read"))? {
        let date = t_us.div_euclid(crate::store::rollup::DAY_US);
        dates.push(date);
        from_us = day_us(date).end;
        if from_us <= t_us {
            break; // the end of time
        }
    }
    Ok(dates)
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
