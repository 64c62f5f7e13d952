//! Readings → a Parquet file.

use super::arrays::Arrays;
use super::columns::{KEY_BOARD, KEY_COLUMNS, KEY_VERSION, VERSION, meanings_json, schema};
use crate::store::{StoreError, StoredReading};
use arrow_array::RecordBatch;
use arrow_schema::{DataType, Schema};
use ohmward_proto::message::BoardId;
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::metadata::{KeyValue, SortingColumn};
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::schema::types::ColumnPath;
use rusqlite::Row;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Rows encoded at once.
const BATCH: usize = 1 << 15;

/// A file that is being written.
pub struct FileWriter {
    path: PathBuf,
    schema: Arc<Schema>,
    writer: ArrowWriter<File>,
    filling: Arrays,
    rows: u64,
    /// What was written, where somebody will compare.
    written: Option<Vec<RecordBatch>>,
}

impl FileWriter {
    /// Makes the file, or empties it.
    pub fn create(path: &Path, board: BoardId) -> Result<Self, StoreError> {
        let file = File::create(path).map_err(|source| cannot_write(path, &source))?;
        let schema = Arc::new(schema());
        let writer = ArrowWriter::try_new(file, schema.clone(), Some(properties(&schema, board)))
            .map_err(|fault| failed(path, &fault))?;
        Ok(Self {
            path: path.to_path_buf(),
            schema,
            writer,
            filling: Arrays::new(BATCH),
            rows: 0,
            written: None,
        })
    }

    /// From now on keeps what is written, for [`FileWriter::finish`] to give: about 80 bytes a row.
    pub fn keeping(self) -> Self {
        Self {
            written: Some(Vec::new()),
            ..self
        }
    }

    /// Takes a row; they come by time.
    pub fn push(&mut self, row: &StoredReading) -> Result<(), StoreError> {
        self.filling.push(row);
        self.encode_when_full()
    }

    /// Takes a row of [`super::arrays::HOT_COLUMNS`] and gives its time, run and count; `None`, and nothing is taken, when it
    /// has to come by [`FileWriter::push`].
    pub fn push_row(&mut self, row: &Row) -> Result<Option<(i64, u32, u64)>, StoreError> {
        let taken = self.filling.push_row(row);
        self.encode_when_full()?;
        Ok(taken)
    }

    /// Writes what is waiting and the foot, and waits for the disk. Gives the number of rows, and what was kept.
    pub fn finish(mut self) -> Result<(u64, Vec<RecordBatch>), StoreError> {
        self.encode()?;
        let mut file = self
            .writer
            .into_inner()
            .map_err(|fault| failed(&self.path, &fault))?;
        file.flush()
            .and_then(|()| file.sync_all())
            .map_err(|source| cannot_write(&self.path, &source))?;
        Ok((self.rows, self.written.unwrap_or_default()))
    }

    fn encode_when_full(&mut self) -> Result<(), StoreError> {
        if self.filling.len() >= BATCH {
            self.encode()?;
        }
        Ok(())
    }

    fn encode(&mut self) -> Result<(), StoreError> {
        if self.filling.len() == 0 {
            return Ok(());
        }
        self.rows += self.filling.len() as u64;
        let batch = RecordBatch::try_new(self.schema.clone(), self.filling.take())
            .map_err(ParquetError::from)
            .and_then(|batch| self.writer.write(&batch).map(|()| batch))
            .map_err(|fault| failed(&self.path, &fault))?;
        if let Some(written) = &mut self.written {
            written.push(batch);
        }
        Ok(())
    }
}

fn properties(schema: &Schema, board: BoardId) -> WriterProperties {
    let pair = |key: &str, value: String| KeyValue::new(key.to_owned(), value);
    let mut properties = WriterProperties::builder()
        .set_created_by(concat!("ohmward ", env!("CARGO_PKG_VERSION")).to_owned())
        // Higher levels buy nothing on packed codes.
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_statistics_enabled(EnabledStatistics::Page)
        .set_sorting_columns(Some(
            (0..3)
                .map(|column_idx| SortingColumn {
                    column_idx,
                    descending: false,
                    nulls_first: false,
                })
                .collect(),
        ))
        .set_key_value_metadata(Some(vec![
            pair(KEY_VERSION, VERSION.to_owned()),
            pair(KEY_BOARD, board.to_string()),
            pair(KEY_COLUMNS, meanings_json()),
        ]));
    for field in schema.fields() {
        let whole = matches!(
            field.data_type(),
            DataType::Int32 | DataType::UInt32 | DataType::UInt64 | DataType::Timestamp(..)
        );
        if whole {
            let column = ColumnPath::from(field.name().as_str());
            properties = properties
                .set_column_dictionary_enabled(column.clone(), false)
                .set_column_encoding(column, Encoding::DELTA_BINARY_PACKED);
        }
    }
    properties.build()
}

fn failed(path: &Path, fault: &ParquetError) -> StoreError {
    // What the disk said is inside.
    if let ParquetError::External(inner) = fault
        && let Some(source) = inner.downcast_ref::<std::io::Error>()
    {
        return cannot_write(path, source);
    }
    StoreError::Archive {
        file: path.to_path_buf(),
        why: fault.to_string(),
    }
}

pub fn cannot_write(path: &Path, source: &std::io::Error) -> StoreError {
    let file = path.to_path_buf();
    match source.kind() {
        std::io::ErrorKind::StorageFull
        | std::io::ErrorKind::QuotaExceeded
        | std::io::ErrorKind::FileTooLarge => StoreError::ArchiveFull { file },
        kind => StoreError::ArchiveUnwritable {
            file,
            source: std::io::Error::new(kind, source.to_string()),
        },
    }
}
