//! Readings of any time as one Parquet file, to hand over.

use super::encode::{FileWriter, cannot_write};
use crate::store::{Store, StoreError};
use ohmward_proto::message::BoardId;
use std::ops::Range;
use std::path::Path;

impl Store {
    /// Writes the readings of a board over `range` (Unix microseconds) into a Parquet file of the archive's columns; gives how many.
    /// The file appears whole or not at all.
    ///
    /// # Errors
    /// [`StoreError`]: what cannot be read or written.
    pub fn export_parquet(
        &self,
        board: BoardId,
        range: Range<i64>,
        to: &Path,
    ) -> Result<u64, StoreError> {
        let mut hidden = to.as_os_str().to_owned();
        hidden.push(".part");
        let hidden = Path::new(&hidden);
        let written = (|| {
            let mut writer = FileWriter::create(hidden, board)?;
            let source = self.source();
            if let Some(board) = source.board(board)? {
                source.each(board, &range, |row| writer.push(&row))?;
            }
            let (rows, _) = writer.finish()?;
            std::fs::rename(hidden, to).map_err(|source| cannot_write(to, &source))?;
            Ok(rows)
        })();
        if written.is_err() {
            let _ = std::fs::remove_file(hidden); // best effort: the error that led here is the one to tell
        }
        written
    }
}
