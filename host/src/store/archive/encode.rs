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
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;

/// Rows encoded at once.
const BATCH: usize = 1 << 13;
/// Batches that wait while one is encoded.
const WAITING: usize = 2;

/// A file that is being written. Columns are filled here, and encoded on a thread of their own.
pub struct FileWriter {
    path: PathBuf,
    schema: Arc<Schema>,
    filling: Arrays,
    rows: u64,
    /// What was written, where somebody will compare.
    written: Option<Vec<RecordBatch>>,
    /// Both until the end.
    to_encoder: Option<SyncSender<RecordBatch>>,
    encoder: Option<JoinHandle<Result<File, ParquetError>>>,
}

impl FileWriter {
    /// Makes the file, or empties it.
    pub fn create(path: &Path, board: BoardId) -> Result<Self, StoreError> {
        let file = File::create(path).map_err(|source| cannot_write(path, &source))?;
        let schema = Arc::new(schema());
        let mut writer =
            ArrowWriter::try_new(file, schema.clone(), Some(properties(&schema, board)))
                .map_err(|fault| failed(path, &fault))?;
        let (to_encoder, batches) = sync_channel::<RecordBatch>(WAITING);
        let encoder = std::thread::spawn(move || {
            batches
                .into_iter()
                .try_for_each(|batch| writer.write(&batch))?;
            writer.into_inner()
        });
        Ok(Self {
            path: path.to_path_buf(),
            schema,
            filling: Arrays::new(BATCH),
            rows: 0,
            written: None,
            to_encoder: Some(to_encoder),
            encoder: Some(encoder),
        })
    }

    /// From now on keeps what is written, for [`FileWriter::finish`] to give: about 80 bytes a row.
    pub fn keeping(mut self) -> Self {
        self.written = Some(Vec::new());
        self
    }

    /// Takes a row; they come by time.
    pub fn push(&mut self, row: &StoredReading) -> Result<(), StoreError> {
        self.filling.push(row);
        if self.filling.len() >= BATCH {
            self.encode()?;
        }
        Ok(())
    }

    /// Writes what is waiting and the foot, and waits for the disk. Gives the number of rows, and what was kept.
    pub fn finish(mut self) -> Result<(u64, Vec<RecordBatch>), StoreError> {
        self.encode()?;
        if let Some(mut file) = self.end()? {
            file.flush()
                .and_then(|()| file.sync_all())
                .map_err(|source| cannot_write(&self.path, &source))?;
        }
        Ok((self.rows, self.written.take().unwrap_or_default()))
    }

    fn encode(&mut self) -> Result<(), StoreError> {
        if self.filling.len() == 0 {
            return Ok(());
        }
        self.rows += self.filling.len() as u64;
        let batch = RecordBatch::try_new(self.schema.clone(), self.filling.take())
            .map_err(|fault| failed(&self.path, &fault.into()))?;
        if let Some(written) = &mut self.written {
            written.push(batch.clone());
        }
        let sent = self
            .to_encoder
            .as_ref()
            .is_some_and(|encoder| encoder.send(batch).is_ok());
        if !sent {
            self.end()?; // it ended before its time, and says why
        }
        Ok(())
    }

    /// Lets the encoder come to its end; the file, the first time.
    fn end(&mut self) -> Result<Option<File>, StoreError> {
        self.to_encoder = None;
        let Some(encoder) = self.encoder.take() else {
            return Ok(None);
        };
        encoder
            .join()
            .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
            .map(Some)
            .map_err(|fault| failed(&self.path, &fault))
    }
}

impl Drop for FileWriter {
    /// A file that is given up is let go of before anything else is done with it.
    fn drop(&mut self) {
        self.to_encoder = None;
        if let Some(encoder) = self.encoder.take() {
            drop(encoder.join());
        }
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
