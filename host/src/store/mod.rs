//! The store: a folder with one SQLite file and, of days gone by, Parquet files. Nothing that was acknowledged to a board can be lost
//! from it.
//!
//! ```text
//! boards ─→ write ─→ tables ─→ rollup (minutes, hours, days)
//!                      └─ a day over for a week ─→ archive/board=…/date=…/readings.parquet   (built beside the writer)
//! readers ←─ read ←─ rows (tables and archive as one)      check ←─ all of it
//! ```
//! - this file: opening, for one writer or any number of readers
//! - [`schema`]: the tables, and how a file is recognised as ours
//! - [`entry`]: what boards send, as it is kept
//! - [`write`]: batches of what boards sent, each in one transaction; once it returns, it may be acknowledged
//! - [`chain`]: hashes over the event log, so that it shows when it was edited
//! - [`blocks`]: readings in the tables, a minute together
//! - [`rows`]: readings as one stream, wherever they stand
//! - [`rollup`]: minutes, hours and days in a few numbers
//! - [`archive`]: sealed days
//! - [`check`]: whether all of it holds together
//! - [`read`]: events, readings, captures, settings
//! - [`live`]: what a reader that stays asks again and again
//! - [`quantity`]: measured values as whole numbers
//! - [`reduce`]: many readings to fewer, so that no excursion and no gap disappears
//! - [`words`]: what stands in the text columns
//! - [`error`]: what can go wrong, in one line each

mod archive;
mod blocks;
mod chain;
mod check;
mod entry;
mod error;
mod line;
mod live;
mod quantity;
mod read;
mod reduce;
mod rollup;
mod rows;
mod schema;
#[cfg(test)]
mod tests;
mod words;
mod write;

pub use archive::{Keeper, Rules, Sealed, Turn};
pub use chain::Head;
pub use check::{CheckOptions, Gap, Report};
pub use entry::{Counts, Entry, Written};
pub use error::StoreError;
pub use line::LineCounts;
pub use quantity::Quantity;
pub use read::{Capture, EventFilter, Readings, Run, StoredEvent, StoredReading, UnreadEvent};
pub use rollup::{Dwelt, Level, Measured, Rollup, Spread};
pub use words::{
    kinds as event_kind_words, of_kind as event_kind_word, of_reason as reason_word,
    of_state as state_word,
};

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};
use schema::Found;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

const FILE: &str = "ohmward.sqlite";
/// Locked by the writer for as long as it lives; the system lets go of it however the writer ends.
const LOCK: &str = "ohmward.lock";
const SQLITE_HEAD: &[u8; 16] = b"SQLite format 3\0";
/// Statements that a writer uses again and again, with room.
const STATEMENTS: usize = 64;
const LOCK_WAIT: Duration = Duration::from_millis(400);
const BUSY: Duration = Duration::from_secs(10);

/// An open store.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    dir: PathBuf,
    /// Held by a writer only, and by what works for it on other threads.
    lock: Option<Arc<File>>,
    /// The layout has roll-ups and an archive; a reader takes an older one as it is.
    has_archive: bool,
    /// The layout keeps readings in blocks; likewise.
    has_blocks: bool,
    /// What the archive holds, as far as new readings asked for it.
    known: archive::known::Memory,
    /// What the tables hold, likewise.
    reached: write::Reached,
    /// Folders of the archive known to be on disk.
    on_disk: archive::OnDisk,
    /// Where a test cuts in.
    #[cfg(test)]
    at_step: fn(archive::Step) -> Result<(), StoreError>,
    #[cfg(test)]
    full: Option<std::sync::Arc<std::sync::atomic::AtomicBool>>,
}

impl Store {
    /// Opens the store in `dir` for writing; makes the folder and the store where there is none.
    ///
    /// # Errors
    /// Anything in the way, and a second writer, as a [`StoreError`]. What is not ours is left untouched.
    pub fn open_or_create(dir: impl AsRef<Path>) -> Result<Self, StoreError> {
        let dir = dir.as_ref().to_path_buf();
        if dir.exists() && !dir.is_dir() {
            return Err(StoreError::NotAFolder { dir });
        }
        let unwritable = |source| StoreError::Unwritable {
            dir: dir.clone(),
            source,
        };
        std::fs::create_dir_all(&dir).map_err(unwritable)?;
        let file = dir.join(FILE);
        if file.exists() {
            refuse_foreign_head(&file)?; // before so much as a lock file is put beside it
        }
        let lock = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(dir.join(LOCK))
            .map_err(unwritable)?;
        // A recorder that is just ending, or a process just being started by one, may hold it for a moment.
        let until = Instant::now() + LOCK_WAIT;
        loop {
            match lock.try_lock() {
                Ok(()) => break,
                Err(TryLockError::WouldBlock) if Instant::now() < until => {
                    std::thread::sleep(LOCK_WAIT / 20);
                }
                Err(TryLockError::WouldBlock) => return Err(StoreError::InUse { dir }),
                Err(TryLockError::Error(source)) => return Err(unwritable(source)),
            }
        }

        let failed = |source| sqlite_error("open", &file, source);
        let mut db = Connection::open(&file).map_err(failed)?;
        db.busy_timeout(BUSY).map_err(failed)?;
        let found = schema::look(&db).map_err(failed)?;
        refuse(found, &file, found == Found::Empty)?;
        db.pragma_update(None, "journal_mode", "WAL")
            .map_err(failed)?;
        // Two thousand boards touch two pages each a second: they fit into memory, and into the log between two
        // copies into the file. KiB when negative; pages.
        db.pragma_update(None, "cache_size", -65_536)
            .map_err(failed)?;
        db.pragma_update(None, "wal_autocheckpoint", 16_384)
            .map_err(failed)?;
        db.set_prepared_statement_cache_capacity(STATEMENTS);
        keep_plans(&db).map_err(failed)?;
        // An acknowledged event must survive a power cut: every commit waits for the disk.
        db.pragma_update(None, "synchronous", "FULL")
            .map_err(failed)?;
        if found == Found::Empty {
            schema::create(&mut db).map_err(failed)?;
        }
        if found == Found::Older {
            schema::migrate(&mut db).map_err(failed)?;
        }
        let mut store = Self {
            db,
            dir,
            lock: Some(Arc::new(lock)),
            has_archive: true,
            has_blocks: true,
            known: archive::known::Memory::default(),
            reached: write::Reached::default(),
            on_disk: archive::OnDisk::default(),
            #[cfg(test)]
            at_step: |_| Ok(()),
            #[cfg(test)]
            full: None,
        };
        store.take_in_unread()?;
        Ok(store)
    }

    /// Opens the store in `dir` for reading, while a recorder may be writing to it. Makes nothing.
    ///
    /// # Errors
    /// No store, not a store, or a newer one, as a [`StoreError`].
    pub fn open_existing(dir: impl AsRef<Path>) -> Result<Self, StoreError> {
        let dir = dir.as_ref().to_path_buf();
        if dir.exists() && !dir.is_dir() {
            return Err(StoreError::NotAFolder { dir });
        }
        let file = dir.join(FILE);
        if !file.exists() {
            return Err(StoreError::NoStore { dir });
        }
        refuse_foreign_head(&file)?;
        let db = open_to_read(&file).map_err(|source| sqlite_error("open", &file, source))?;
        let found = schema::look(&db).map_err(|source| sqlite_error("read", &file, source))?;
        refuse(found, &file, false)?;
        let has_archive =
            schema::has_archive(&db).map_err(|source| sqlite_error("read", &file, source))?;
        let has_blocks =
            schema::has_blocks(&db).map_err(|source| sqlite_error("read", &file, source))?;
        Ok(Self {
            db,
            dir,
            lock: None,
            has_archive,
            has_blocks,
            known: archive::known::Memory::default(),
            reached: write::Reached::default(),
            on_disk: archive::OnDisk::default(),
            #[cfg(test)]
            at_step: |_| Ok(()),
            #[cfg(test)]
            full: None,
        })
    }

    /// From now on the file may not grow, as on a full disk, until the returned function is called.
    #[cfg(test)]
    pub(crate) fn fill_up(&mut self) -> impl FnOnce() + use<> {
        use std::sync::atomic::{AtomicBool, Ordering};
        let full = std::sync::Arc::new(AtomicBool::new(true));
        self.full = Some(std::sync::Arc::clone(&full));
        move || full.store(false, Ordering::Relaxed)
    }

    #[cfg(test)]
    fn limit_as_full(&self) {
        if let Some(full) = &self.full {
            let full = full.load(std::sync::atomic::Ordering::Relaxed);
            let pages = if full { 1 } else { 1 << 30 };
            // Less than there are means: no more.
            self.db
                .pragma_update(None, "max_page_count", pages)
                .expect("a pragma");
        }
    }

    /// The folder.
    #[must_use]
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    fn file(&self) -> PathBuf {
        self.dir.join(FILE)
    }

    fn source(&self) -> rows::Source<'_> {
        rows::Source {
            db: &self.db,
            dir: &self.dir,
            has_archive: self.has_archive,
            has_blocks: self.has_blocks,
        }
    }

    fn refuse_reader(&self) -> Result<(), StoreError> {
        match self.lock {
            Some(_) => Ok(()),
            None => Err(StoreError::ReadOnly {
                dir: self.dir.clone(),
            }),
        }
    }

    fn failed(&self, doing: &'static str) -> impl Fn(rusqlite::Error) -> StoreError + use<> {
        let file = self.file();
        move |source| sqlite_error(doing, &file, source)
    }
}

/// A reader beside a writer shares its memory map. On a medium that cannot be written, where no writer can be, the file is
/// all there is to read.
fn open_to_read(file: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(file, flags)?;
    keep_plans(&db)?;
    db.busy_timeout(BUSY)?;
    match schema::look(&db) {
        Err(fault)
            if matches!(
                fault.sqlite_error_code(),
                Some(rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::ReadOnly)
            ) && !has_wal(file) =>
        {
            let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"/.-_".contains(&byte);
            let path = file.as_os_str().as_encoded_bytes().iter().map(|&byte| {
                if plain(byte) {
                    char::from(byte).to_string()
                } else {
                    format!("%{byte:02X}")
                }
            });
            let uri = format!("file:{}?immutable=1", path.collect::<String>());
            Connection::open_with_flags(uri, flags | OpenFlags::SQLITE_OPEN_URI)
        }
        _ => Ok(db),
    }
}

/// A statement keeps its plan whatever values it is given: left to itself SQLite plans some of ours anew for every row, which is most of
/// their cost ("the query planner stability guarantee", sqlite.org/queryplanner-ng.html).
fn keep_plans(db: &Connection) -> rusqlite::Result<()> {
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)
        .map(drop)
}

fn has_wal(file: &Path) -> bool {
    let mut name = file.as_os_str().to_owned();
    name.push("-wal");
    std::fs::metadata(name).is_ok_and(|wal| wal.len() > 0)
}

/// Looks at the file's first bytes alone, so that a stranger's database is not even opened.
fn refuse_foreign_head(file: &Path) -> Result<(), StoreError> {
    let unreadable = |source| StoreError::Unreadable {
        file: file.to_path_buf(),
        source,
    };
    let foreign = |found| StoreError::Foreign {
        file: file.to_path_buf(),
        found,
    };
    if file.is_dir() {
        return Err(foreign("a folder"));
    }
    let mut head = Vec::new();
    let open = File::open(file).map_err(unreadable)?;
    open.take(100).read_to_end(&mut head).map_err(unreadable)?;
    if head.is_empty() {
        return Ok(()); // the making of a store was cut short: as good as none
    }
    if !head.starts_with(SQLITE_HEAD) {
        return Err(foreign("no SQLite database"));
    }
    // SQLite file format, "1.3 The Database Header": the application id, big-endian, at byte 68. It may still be 0
    // when our own mark stands in the write-ahead log.
    let id = head.get(68..72).map_or(0, |id| {
        id.iter().fold(0, |id, byte| id << 8 | i64::from(*byte))
    });
    if id == 0 || id == schema::APPLICATION_ID {
        Ok(())
    } else {
        Err(foreign("another program's SQLite database"))
    }
}

fn refuse(found: Found, file: &Path, may_be_empty: bool) -> Result<(), StoreError> {
    let foreign = |found| StoreError::Foreign {
        file: file.to_path_buf(),
        found,
    };
    match found {
        Found::Ours | Found::Older => Ok(()),
        Found::Empty if may_be_empty => Ok(()),
        Found::Empty => Err(foreign("empty")),
        Found::Foreign => Err(foreign("another program's SQLite database")),
        Found::Newer(found) => Err(StoreError::Newer {
            file: file.to_path_buf(),
            found,
            known: schema::VERSION,
        }),
    }
}

fn sqlite_error(doing: &'static str, file: &Path, source: rusqlite::Error) -> StoreError {
    let file = file.to_path_buf();
    match source.sqlite_error_code() {
        Some(rusqlite::ErrorCode::NotADatabase) => StoreError::Foreign {
            file,
            found: "no SQLite database",
        },
        Some(rusqlite::ErrorCode::DiskFull) => StoreError::DiskFull { file },
        _ => StoreError::Sqlite {
            doing,
            file,
            source,
        },
    }
}
