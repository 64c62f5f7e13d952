//! Rows of a day → its file, read back and compared; and the file into its place. Needs no writer: a reading connection of its own sees
//! the tables as they stood when it began, and recording goes on meanwhile.

use super::encode::{FileWriter, cannot_write};
use super::{bytes_of, compare, days, file, folder};
use crate::store::rows::{Board, Source, day_us};
use crate::store::{FILE, StoreError, open_to_read, sqlite_error};
use rusqlite::Connection;
use std::collections::{BTreeMap, HashSet};
use std::fs::File;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

#[cfg(test)]
use super::Step;

const HIDDEN: &str = ".readings.parquet.new";
/// Rows that are removed in one transaction: some 10 ms.
const SLICE: u64 = if cfg!(test) { 50 } else { 16_384 };

/// Where the store is, for what needs no writer.
#[derive(Clone, Debug)]
pub struct Place {
    pub dir: PathBuf,
    /// As long as this lives nobody else writes in the store's folder.
    pub _lock: Option<Arc<File>>,
    #[cfg(test)]
    pub at_step: fn(Step) -> Result<(), StoreError>,
}

impl Place {
    /// A reading connection.
    pub fn open(&self) -> Result<Connection, StoreError> {
        let database = self.dir.join(FILE);
        open_to_read(&database).map_err(|source| sqlite_error("read", &database, source))
    }

    /// What is read through it.
    pub fn source<'a>(&'a self, db: &'a Connection) -> Source<'a> {
        Source {
            db,
            dir: &self.dir,
            has_archive: true,
        }
    }

    /// A day to move.
    pub fn plan(self, board: Board, date: i64) -> Plan {
        Plan {
            place: self,
            board,
            date,
        }
    }
}

/// A day that is to move.
#[derive(Clone, Debug)]
pub struct Plan {
    place: Place,
    pub board: Board,
    /// Days since 1970-01-01, UTC.
    pub date: i64,
}

/// Readings of a run that a file spans.
#[derive(Clone, Copy, Debug)]
pub struct RunSpan {
    pub first: u64,
    pub last: u64,
    pub rows: u64,
}

/// A time, and how many rows of it stood in the tables.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Slice {
    pub range: Range<i64>,
    pub rows: u64,
}

/// A file that is written, on disk and compared, and not in its place yet.
#[derive(Debug)]
pub struct Built {
    pub plan: Plan,
    /// Readings in the file.
    pub rows: u64,
    /// Readings that stood in the tables.
    pub moved: u64,
    /// Size of the file.
    pub bytes: u64,
    pub sha256: Vec<u8>,
    /// First and last moment in it.
    pub ends: (i64, i64),
    pub runs: BTreeMap<u32, RunSpan>,
    /// What stood in the tables, cut into pieces that are soon removed.
    pub slices: Vec<Slice>,
    hidden: PathBuf,
    /// Folders with new entries, down to the file's.
    folders: Vec<PathBuf>,
}

/// What is noted of the rows of a file as they go by, in the order of time.
#[derive(Default)]
struct Notes {
    runs: BTreeMap<u32, RunSpan>,
    /// The run of the row before.
    run: Option<(u32, RunSpan)>,
    ends: Option<(i64, i64)>,
}

impl Notes {
    fn take(&mut self, t_us: i64, boot: u32, at: u64) {
        self.ends = Some((self.ends.map_or(t_us, |(from, _)| from), t_us));
        match &mut self.run {
            Some((run, span)) if *run == boot => {
                span.first = span.first.min(at);
                span.last = span.last.max(at);
                span.rows += 1;
            }
            _ => {
                self.change_run();
                let begun = RunSpan {
                    first: at,
                    last: at,
                    rows: 0,
                };
                let mut span = self.runs.get(&boot).copied().unwrap_or(begun);
                span.first = span.first.min(at);
                span.last = span.last.max(at);
                span.rows += 1;
                self.run = Some((boot, span));
            }
        }
    }

    fn change_run(&mut self) {
        self.runs.extend(self.run.take());
    }
}

impl Plan {
    #[cfg(test)]
    fn step(&self, step: Step) -> Result<(), StoreError> {
        (self.place.at_step)(step)
    }

    /// Writes the file, hidden, and compares it with what it was written from. `None` when the tables hold nothing of the day.
    pub fn build(self) -> Result<Option<Built>, StoreError> {
        let db = self.place.open()?;
        let source = self.place.source(&db);
        let still = source.hold_still()?;
        let range = day_us(self.date);
        let slices = slices(&source, self.board, &range)?;
        let moved = slices.iter().map(|slice| slice.rows).sum();
        if moved == 0 {
            return Ok(None);
        }
        let place = folder(&self.place.dir, self.board.id, self.date);
        let folders = make_folders(&self.place.dir, &place)?;
        let hidden = place.join(HIDDEN);
        let mut writer = FileWriter::create(&hidden, self.board.id)?.keeping();
        let has_file = days(&source, self.board)?
            .iter()
            .any(|day| day.date == self.date && !day.dropped);
        let mut notes = if has_file {
            each_once(&source, self.board, &range, &mut writer)?
        } else {
            each_hot(&source, self.board, &range, &mut writer)?
        };
        notes.change_run();
        #[cfg(test)]
        self.step(Step::HalfWritten)?;
        let (rows, written) = writer.finish()?;
        #[cfg(test)]
        self.step(Step::Written)?;
        let Some(ends) = notes.ends else {
            return Ok(None);
        };
        let (bytes, sha256) = bytes_of(&hidden)?;
        compare::with_what_was_written(&written, &bytes, &hidden)?;
        #[cfg(test)]
        self.step(Step::Compared)?;
        drop(still);
        drop(db);
        Ok(Some(Built {
            plan: self,
            rows,
            moved,
            bytes: bytes.len() as u64,
            sha256,
            ends,
            runs: notes.runs,
            slices,
            hidden,
            folders,
        }))
    }
}

impl Built {
    /// Renames the file into its place and waits for the disk; then it must still be what was written. Its hash has been announced.
    pub fn put_in_place(&self) -> Result<(), StoreError> {
        let path = file(&self.plan.place.dir, self.plan.board.id, self.plan.date);
        std::fs::rename(&self.hidden, &path).map_err(|source| cannot_write(&path, &source))?;
        #[cfg(test)]
        self.plan.step(Step::Renamed)?;
        for folder in &self.folders {
            sync_folder(folder)?;
        }
        #[cfg(test)]
        self.plan.step(Step::OnDisk)?;
        if bytes_of(&path)?.1 != self.sha256 {
            return Err(StoreError::Archive {
                file: path,
                why: "it does not read back as it was written".into(),
            });
        }
        Ok(())
    }
}

/// Every row of a day that has no file: straight from column to column.
fn each_hot(
    source: &Source,
    board: Board,
    range: &Range<i64>,
    writer: &mut FileWriter,
) -> Result<Notes, StoreError> {
    let mut notes = Notes::default();
    source.each_row(board, range, |row| {
        if let Some((t_us, boot, at)) = writer.push_row(row)? {
            notes.take(t_us, boot, at);
            return Ok(());
        }
        let row = source.decode(board.id, row)?;
        notes.take(row.t_us, row.boot, row.reading.at.0);
        writer.push(&row)
    })?;
    Ok(notes)
}

/// Every reading of a day that has a file already: a reading is known by run and count, whatever time it came with the second time.
fn each_once(
    source: &Source,
    board: Board,
    range: &Range<i64>,
    writer: &mut FileWriter,
) -> Result<Notes, StoreError> {
    let mut notes = Notes::default();
    let mut given = HashSet::new();
    source.each(board, range, |row| {
        if !given.insert((row.boot, row.reading.at)) {
            return Ok(());
        }
        notes.take(row.t_us, row.boot, row.reading.at.0);
        writer.push(&row)
    })?;
    Ok(notes)
}

/// Cuts what stands in the tables; rows of one moment stay together.
fn slices(source: &Source, board: Board, range: &Range<i64>) -> Result<Vec<Slice>, StoreError> {
    let failed = source.failed("read");
    let mut query = source
        .db
        .prepare_cached(
            "SELECT t_us FROM reading WHERE board = ?1 AND t_us >= ?2 AND t_us < ?3 ORDER BY t_us",
        )
        .map_err(&failed)?;
    let mut rows = query
        .query(rusqlite::params![board.key, range.start, range.end])
        .map_err(&failed)?;
    let mut slices: Vec<Slice> = Vec::new();
    while let Some(row) = rows.next().map_err(&failed)? {
        let t_us: i64 = row.get(0).map_err(&failed)?;
        let end = t_us.saturating_add(1);
        match slices.last_mut() {
            Some(slice) if slice.rows < SLICE || t_us < slice.range.end => {
                slice.range.end = end;
                slice.rows += 1;
            }
            _ => slices.push(Slice {
                range: t_us..end,
                rows: 1,
            }),
        }
    }
    Ok(slices)
}

/// Makes the folders from the store's down to the file's. Gives those whose entries are new, and the file's.
fn make_folders(dir: &Path, place: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut folders = vec![place.to_path_buf()];
    if !place.is_dir() {
        std::fs::create_dir_all(place).map_err(|source| cannot_write(place, &source))?;
        let above = place.ancestors().skip(1);
        folders.extend(
            above
                .take_while(|folder| folder.starts_with(dir))
                .map(Path::to_path_buf),
        );
    }
    folders.reverse();
    Ok(folders)
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
