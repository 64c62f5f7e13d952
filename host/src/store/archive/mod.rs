//! Sealed days: what is no longer in the tables, a Parquet file a board and day.
//!
//! ```text
//! DIR/archive/board=0123456789abcdef/date=2026-05-03/readings.parquet
//! ```
//! A file counts once the table `archive_day` says so, with its hash; what else lies there is not read. Read [`seal`] for the order
//! in which a day moves, so that at no moment a reading is lost or given twice.
//!
//! - this file: which days there are, and where. - [`columns`]: what stands in a file. - [`arrays`], [`encode`], [`decode`]:
//!   readings ↔ files.
//! - [`seal`]: tables → file, step by step. - [`build`]: those steps that need no writer. - [`compare`]: a file against what was written.
//! - [`rules`]: how long what is kept. - [`keeper`]: when, and on which thread. - [`export`]: a file to hand over.
//! - [`known`]: whether a reading that comes in is there already.

mod arrays;
mod build;
mod columns;
mod compare;
mod decode;
mod encode;
mod export;
mod keeper;
pub mod known;
mod rules;
mod seal;

pub use build::OnDisk;
pub use columns::as_kept;
pub use decode::DayRows;
#[cfg(test)]
pub use encode::FileWriter;
pub use keeper::{Keeper, Turn};
pub use rules::Rules;
#[cfg(test)]
pub use seal::Step;
pub use seal::{Sealed, strays};

use super::StoreError;
use super::rows::{Board, Source};
use bytes::Bytes;
use ohmward_proto::message::BoardId;
use rusqlite::{Row, params};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// The folder below the store's.
pub const FOLDER: &str = "archive";
pub const FILE_NAME: &str = "readings.parquet";

/// A day of a board that is in the archive, or was until a rule dropped it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Day {
    /// Days since 1970-01-01, UTC.
    pub date: i64,
    /// Readings in the file.
    pub rows: u64,
    /// Size of the file.
    pub bytes: u64,
    /// SHA-256 of the file.
    pub sha256: Vec<u8>,
    /// First and last moment in it, Unix microseconds.
    pub from_us: i64,
    pub to_us: i64,
    /// The file was removed by a rule.
    pub dropped: bool,
}

const COLUMNS: &str = "date, rows, bytes, sha256, from_us, to_us, dropped";

impl Day {
    fn read(row: &Row) -> rusqlite::Result<Self> {
        Ok(Self {
            date: row.get(0)?,
            rows: row.get::<_, i64>(1)? as u64,
            bytes: row.get::<_, i64>(2)? as u64,
            sha256: row.get(3)?,
            from_us: row.get(4)?,
            to_us: row.get(5)?,
            dropped: row.get(6)?,
        })
    }
}

/// Days of a board, by date.
pub fn days(source: &Source, board: Board) -> Result<Vec<Day>, StoreError> {
    source
        .db
        .prepare_cached(&format!(
            "SELECT {COLUMNS} FROM archive_day WHERE board = ?1 ORDER BY date"
        ))
        .and_then(|mut query| query.query_map([board.key], Day::read)?.collect())
        .map_err(source.failed("read"))
}

/// A date as people and partitions write it.
pub fn date_words(date: i64) -> String {
    let civil = i32::try_from(date)
        .ok()
        .and_then(|days| jiff::Span::new().try_days(days).ok())
        .and_then(|days| jiff::civil::date(1970, 1, 1).checked_add(days).ok());
    // Beyond the calendar's years (a board's clock gone wild) the number of the day.
    civil.map_or_else(|| format!("day{date}"), |date| date.to_string())
}

/// The file of a board and day.
pub fn file(dir: &Path, board: BoardId, date: i64) -> PathBuf {
    folder(dir, board, date).join(FILE_NAME)
}

fn folder(dir: &Path, board: BoardId, date: i64) -> PathBuf {
    dir.join(FOLDER)
        .join(format!("board={board}"))
        .join(format!("date={}", date_words(date)))
}

/// The bytes of a file of the archive, held against the hash it was recorded with: a damaged file gives an error, not readings.
///
/// A day that is being sealed again is for a moment the new file with the old record beside it; what it will be is then recorded
/// too. A recorder may have done that after this connection began to look, so in doubt it is looked up afresh, and
/// once more in case the file was replaced between the two.
pub fn load(source: &Source, board: Board, day: &Day) -> Result<Bytes, StoreError> {
    let path = file(source.dir, board.id, day.date);
    for _ in 0..2 {
        let (bytes, sha256) = bytes_of(&path)?;
        if sha256 == day.sha256 || is_recorded(source.db, board, day.date, &sha256).unwrap_or(false)
        {
            return Ok(bytes);
        }
        let afresh = super::open_to_read(&source.dir.join(super::FILE));
        if let Ok(true) = afresh.and_then(|db| is_recorded(&db, board, day.date, &sha256)) {
            return Ok(bytes);
        }
    }
    Err(StoreError::Archive {
        file: path,
        why: "its content is not what was recorded when it was sealed".into(),
    })
}

fn is_recorded(
    db: &rusqlite::Connection,
    board: Board,
    date: i64,
    sha256: &[u8],
) -> rusqlite::Result<bool> {
    db.prepare_cached(
        "SELECT 1 FROM archive_day WHERE board = ?1 AND date = ?2 AND sha256 = ?3 UNION ALL
         SELECT 1 FROM archive_next WHERE board = ?1 AND date = ?2 AND sha256 = ?3",
    )?
    .exists(params![board.key, date, sha256])
}

/// A file, and the SHA-256 of it.
pub fn bytes_of(path: &Path) -> Result<(Bytes, Vec<u8>), StoreError> {
    let bytes = std::fs::read(path).map_err(|source| StoreError::Unreadable {
        file: path.to_path_buf(),
        source,
    })?;
    let sha256 = Sha256::digest(&bytes).to_vec();
    Ok((Bytes::from(bytes), sha256))
}
