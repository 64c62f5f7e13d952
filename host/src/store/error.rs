//! What can go wrong with a store, each in one line: what, where, what to do.

use ohmward_proto::message::BoardId;
use std::path::PathBuf;

/// Why a store could not be opened, written or read.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no such board.
    #[error("no board {board} in {}: it has {known}", .dir.display())]
    NoBoard {
        /// The board asked for.
        board: BoardId,
        /// The store.
        dir: PathBuf,
        /// Those there are.
        known: String,
    },
    /// A reader found no store.
    #[error("no store in {}: name a folder that a recorder has written to", .dir.display())]
    NoStore {
        /// The folder looked in.
        dir: PathBuf,
    },
    /// The path exists and is no folder.
    #[error("{} is not a folder: a store is a folder, name one", .dir.display())]
    NotAFolder {
        /// The path.
        dir: PathBuf,
    },
    /// The folder cannot be made or written to.
    #[error("cannot write in {}: {source}; check its owner and rights, or name another folder", .dir.display())]
    Unwritable {
        /// The folder.
        dir: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file cannot be read.
    #[error("cannot read {}: {source}; check its owner and rights", .file.display())]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// There is a file of the store's name, and something else is in it. It is not touched.
    #[error("{} is {found}, not an Ohmward store; it was left as it is, name another folder", .file.display())]
    Foreign {
        /// The file.
        file: PathBuf,
        /// What it is instead.
        found: &'static str,
    },
    /// The store was written by a newer program.
    #[error("{} has layout {found}, this program knows up to {known}: update this program", .file.display())]
    Newer {
        /// The file.
        file: PathBuf,
        /// Layout found.
        found: i64,
        /// Newest layout known here.
        known: i64,
    },
    /// Another process holds the store for writing.
    #[error("another recorder is writing to {}: stop it first, or name another folder", .dir.display())]
    InUse {
        /// The folder.
        dir: PathBuf,
    },
    /// Writing through a store that was opened for reading.
    #[error("{} was opened for reading only: open it for writing to record", .dir.display())]
    ReadOnly {
        /// The folder.
        dir: PathBuf,
    },
    /// No room left. The batch was not kept, so it must not be acknowledged.
    #[error("no room left for {}: nothing of this batch was kept; free some space, the boards will send again", .file.display())]
    DiskFull {
        /// The file.
        file: PathBuf,
    },
    /// A file of the archive is damaged, or was written by a newer program.
    #[error("{} cannot be trusted: {why}; nothing of it was used, put back a copy of it", .file.display())]
    Archive {
        /// The file.
        file: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// No room left for a file of the archive. The readings stay where they were.
    #[error("no room left for {}: its readings stay in the store's tables; free some space, sealing is tried again", .file.display())]
    ArchiveFull {
        /// The file.
        file: PathBuf,
    },
    /// The archive's folder, or a file in it, cannot be written.
    #[error("cannot write {}: {source}; its readings stay where they were, check owner and rights", .file.display())]
    ArchiveUnwritable {
        /// The file or folder.
        file: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A stored value means nothing to this program.
    #[error("{row} in {} cannot be understood ({why}): it was written by a newer program, or damaged", .file.display())]
    Undecodable {
        /// Which row.
        row: String,
        /// The file.
        file: PathBuf,
        /// In what way.
        why: String,
    },
    /// Anything else that SQLite reports.
    #[error("could not {doing} {}: {}; {}", .file.display(), one_line(.source), advice(.source))]
    Sqlite {
        /// What was being done.
        doing: &'static str,
        /// The file.
        file: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
}

/// What SQLite says is a line; the statement it may show with it is not.
fn one_line(source: &rusqlite::Error) -> String {
    let said = match source {
        rusqlite::Error::SqlInputError { msg, .. } => msg.clone(),
        other => other.to_string(),
    };
    said.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// What to do: another try does not mend a damaged file.
fn advice(source: &rusqlite::Error) -> &'static str {
    match source.sqlite_error_code() {
        Some(rusqlite::ErrorCode::DatabaseCorrupt | rusqlite::ErrorCode::NotADatabase) => {
            "the file is damaged: keep a copy of the folder as it is, put back an earlier copy or record into another folder"
        }
        _ => "check the disk, then try again",
    }
}

impl StoreError {
    /// Waiting may mend it: a full disk, a medium that is away, another program that looks at the file.
    pub fn may_pass(&self) -> bool {
        use rusqlite::ErrorCode::{CannotOpen, DatabaseBusy, DatabaseLocked, SystemIoFailure};
        match self {
            Self::DiskFull { .. } => true,
            Self::Sqlite { source, .. } => matches!(
                source.sqlite_error_code(),
                Some(SystemIoFailure | DatabaseBusy | DatabaseLocked | CannotOpen)
            ),
            _ => false,
        }
    }
}
