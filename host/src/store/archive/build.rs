//! Rows of a day → its file, read back and compared; and the file into its place. Needs no writer: a reading connection of its own sees
//! the tables as they stood when it began, and recording goes on meanwhile.

use super::encode::{FileWriter, cannot_write};
use super::{bytes_of, compare, days, file, folder};
use crate::store::blocks;
use crate::store::rollup::Level;
use crate::store::rows::{Board, Source, day_us};
use crate::store::{FILE, StoreError, open_to_read, sqlite_error};
use rusqlite::Connection;
use std::collections::{BTreeMap, HashSet};
use std::fs::File;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

#[cfg(test)]
use super::Step;

const HIDDEN: &str = ".readings.parquet.new";
/// Rows that are removed in one transaction: some 10 ms.
const SLICE: u64 = if cfg!(test) { 50 } else { 100_000 };

/// Where the store is, for what needs no writer.
#[derive(Clone, Debug)]
pub struct Place {
    pub dir: PathBuf,
    /// As long as this lives nobody else writes in the store's folder.
    pub _lock: Option<Arc<File>>,
    /// Folders below the store's that are known to be on disk, by this program's own doing.
    pub on_disk: OnDisk,
    #[cfg(test)]
    pub at_step: fn(Step) -> Result<(), StoreError>,
}

/// Folders, shared by all that seals in a store.
pub type OnDisk = Arc<Mutex<HashSet<PathBuf>>>;

impl Place {
    fn on_disk(&self) -> MutexGuard<'_, HashSet<PathBuf>> {
        self.on_disk.lock().unwrap_or_else(PoisonError::into_inner)
    }

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
            has_blocks: true,
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
    /// Folders with new entries, see [`make_folders`].
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
        let folders = make_folders(&self.place, &place)?;
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
        // Of these it is known now that their own entries are on disk.
        let known = self.folders.iter().skip(1).cloned();
        self.plan.place.on_disk().extend(known);
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

/// Every row of a day that has no file.
fn each_hot(
    source: &Source,
    board: Board,
    range: &Range<i64>,
    writer: &mut FileWriter,
) -> Result<Notes, StoreError> {
    let mut notes = Notes::default();
    blocks::each_minute(source, board, range, |rows| {
        rows.iter().try_for_each(|row| {
            notes.take(row.t_us, row.boot, row.reading.at.0);
            writer.push(row)
        })
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

/// Cuts what stands in the tables, between minutes.
fn slices(source: &Source, board: Board, range: &Range<i64>) -> Result<Vec<Slice>, StoreError> {
    let failed = source.failed("read");
    let mut query = source
        .db
        .prepare_cached(
            "SELECT minute_us, readings FROM reading_block WHERE board = ?1 AND minute_us >= ?2 AND minute_us < ?3
             ORDER BY minute_us",
        )
        .map_err(&failed)?;
    let mut blocks = query
        .query(rusqlite::params![board.key, range.start, range.end])
        .map_err(&failed)?;
    let mut slices: Vec<Slice> = Vec::new();
    while let Some(block) = blocks.next().map_err(&failed)? {
        let minute_us: i64 = block.get(0).map_err(&failed)?;
        let rows = block.get::<_, i64>(1).map_err(&failed)? as u64;
        let end = minute_us.saturating_add(Level::Minute.length_us());
        match slices.last_mut() {
            Some(slice) if slice.rows < SLICE || minute_us < slice.range.end => {
                slice.range.end = end;
                slice.rows += rows;
            }
            _ => slices.push(Slice {
                range: minute_us..end,
                rows,
            }),
        }
    }
    Ok(slices)
}

/// Makes the folders from the store's down to the file's. Gives those that have entries of which it is not known that they are on disk,
/// outermost first; the file's own, which gets one now, last.
fn make_folders(place: &Place, file: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut on_disk = place.on_disk();
    let below = file.ancestors().take_while(|folder| *folder != place.dir);
    for folder in below.filter(|folder| !folder.is_dir()) {
        on_disk.remove(folder); // somebody took it away
    }
    std::fs::create_dir_all(file).map_err(|source| cannot_write(file, &source))?;
    let made = file
        .ancestors()
        .take_while(|folder| *folder != place.dir && !on_disk.contains(*folder));
    let mut folders: Vec<PathBuf> = made
        .filter_map(|folder| folder.parent().map(Path::to_path_buf))
        .collect();
    folders.reverse();
    folders.push(file.to_path_buf());
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
