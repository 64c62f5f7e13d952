//! Readings → a Parquet file.

use super::columns::{
    Code, KEY_BOARD, KEY_COLUMNS, KEY_VERSION, VERSION, codes, meanings_json, schema,
};
use crate::store::{StoreError, StoredReading, words};
use arrow_array::types::Int8Type;
use arrow_array::{
    ArrayRef, BinaryArray, BooleanArray, DictionaryArray, Float32Array, Int8Array, Int32Array,
    RecordBatch, StringArray, TimestampMicrosecondArray, UInt32Array, UInt64Array,
};
use arrow_schema::{DataType, Schema};
use ohmward_proto::message::BoardId;
use ohmward_proto::{BondCurrent, Insulation, PoleLeakage};
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

/// Rows encoded at once.
const BATCH: usize = 1 << 15;

/// A file that is being written.
pub struct FileWriter {
    path: PathBuf,
    schema: Arc<Schema>,
    writer: ArrowWriter<File>,
    waiting: Vec<StoredReading>,
    rows: u64,
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
            waiting: Vec::with_capacity(BATCH),
            rows: 0,
        })
    }

    /// Takes a row; they come by time.
    pub fn push(&mut self, row: StoredReading) -> Result<(), StoreError> {
        self.waiting.push(row);
        self.rows += 1;
        if self.waiting.len() == BATCH {
            self.encode()?;
        }
        Ok(())
    }

    /// Writes what is waiting and the foot, and waits for the disk. Gives the number of rows.
    pub fn finish(mut self) -> Result<u64, StoreError> {
        self.encode()?;
        let mut file = self
            .writer
            .into_inner()
            .map_err(|fault| failed(&self.path, &fault))?;
        file.flush()
            .and_then(|()| file.sync_all())
            .map_err(|source| cannot_write(&self.path, &source))?;
        Ok(self.rows)
    }

    fn encode(&mut self) -> Result<(), StoreError> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        let columns = columns(&self.waiting);
        self.waiting.clear();
        RecordBatch::try_new(self.schema.clone(), columns)
            .map_err(ParquetError::from)
            .and_then(|batch| self.writer.write(&batch))
            .map_err(|fault| failed(&self.path, &fault))
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

fn columns(rows: &[StoredReading]) -> Vec<ArrayRef> {
    let all: Vec<[Code; 4]> = rows.iter().map(|row| codes(&row.reading)).collect();
    let steps = |place: usize| -> ArrayRef {
        let steps = all.iter().map(|codes| match codes[place] {
            Code::Steps(steps) => Some(steps),
            Code::Null | Code::None => None,
        });
        Arc::new(steps.collect::<Int32Array>())
    };
    let leakage = |of: fn(&PoleLeakage) -> f32| -> ArrayRef {
        let values = rows.iter().map(|row| match &row.reading.insulation {
            Insulation::Measured { leakage, .. } => Some(of(leakage)).filter(|x| !x.is_nan()),
            Insulation::NotMeasured { .. } => None,
        });
        Arc::new(values.collect::<Float32Array>())
    };
    let reasons = || words::REASONS.map(words::of_reason);
    let times = rows.iter().map(|row| row.t_us);
    let boots = rows.iter().map(|row| row.boot);
    let ats = rows.iter().map(|row| row.reading.at.0);
    let current_reasons = rows.iter().map(|row| match row.reading.i_bond {
        BondCurrent::NotMeasured(why) => place(&words::REASONS, &why),
        BondCurrent::Measured { .. } => None,
    });
    let measured_at = rows.iter().map(|row| match row.reading.insulation {
        Insulation::Measured { at, .. } => at.0,
        Insulation::NotMeasured { since, .. } => since.0,
    });
    let insulation_reasons = rows.iter().map(|row| match row.reading.insulation {
        Insulation::NotMeasured { why, .. } => place(&words::REASONS, &why),
        Insulation::Measured { .. } => None,
    });
    let states = rows
        .iter()
        .map(|row| place(&words::STATES, &row.reading.state));
    let bonds = rows.iter().map(|row| Some(row.reading.bond_open));
    let as_sent = rows
        .iter()
        .zip(&all)
        .map(|(row, codes)| codes.contains(&Code::None).then(|| postcard_of(row)));
    vec![
        Arc::new(TimestampMicrosecondArray::from_iter_values(times).with_timezone("UTC")),
        Arc::new(UInt32Array::from_iter_values(boots)),
        Arc::new(UInt64Array::from_iter_values(ats)),
        steps(0),
        steps(1),
        dictionary(&reasons(), current_reasons),
        steps(2),
        steps(3),
        leakage(|l| l.g_pos.0),
        leakage(|l| l.g_neg.0),
        leakage(|l| l.g_sigma.0),
        leakage(|l| l.c.0),
        leakage(|l| l.c_sigma.0),
        Arc::new(UInt64Array::from_iter_values(measured_at)),
        dictionary(&reasons(), insulation_reasons),
        dictionary(&words::STATES.map(words::of_state), states),
        Arc::new(bonds.collect::<BooleanArray>()),
        Arc::new(as_sent.collect::<BinaryArray>()),
    ]
}

/// A reading came out of a frame, so it fits the room.
fn postcard_of(row: &StoredReading) -> Vec<u8> {
    let mut room = [0; 2 * ohmward_proto::MAX_BODY];
    postcard::to_slice(&row.reading, &mut room).map_or_else(|_| Vec::new(), |bytes| bytes.to_vec())
}

fn place<T: PartialEq>(all: &[T], one: &T) -> Option<i8> {
    all.iter()
        .position(|candidate| candidate == one)
        .and_then(|place| i8::try_from(place).ok())
}

fn dictionary(words: &[&str], keys: impl Iterator<Item = Option<i8>>) -> ArrayRef {
    let keys: Int8Array = keys.collect();
    let words = StringArray::from_iter_values(words);
    Arc::new(DictionaryArray::<Int8Type>::new(keys, Arc::new(words)))
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
        std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => {
            StoreError::ArchiveFull { file }
        }
        kind => StoreError::ArchiveUnwritable {
            file,
            source: std::io::Error::new(kind, source.to_string()),
        },
    }
}
