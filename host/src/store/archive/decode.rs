//! A Parquet file of the archive → readings.

use super::columns::{KEY_VERSION, VERSION, amps, meanings, schema, volts};
use crate::store::{StoreError, StoredReading, words};
use arrow_array::cast::AsArray;
use arrow_array::types::{
    Float32Type, Int32Type, TimestampMicrosecondType, UInt32Type, UInt64Type,
};
use arrow_array::{Array, PrimitiveArray, RecordBatch, StringArray};
use arrow_schema::{DataType, Schema};
use bytes::Bytes;
use ohmward_proto::{
    Amps, BondCurrent, Farads, Insulation, PoleLeakage, Reading, SampleIndex, Siemens,
};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReader,
    ParquetRecordBatchReaderBuilder,
};
use std::cell::Cell;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Rows decoded at once.
const BATCH: usize = 1 << 13;

/// The rows of a file, by time.
pub struct DayRows {
    path: PathBuf,
    bytes: Bytes,
    batches: ParquetRecordBatchReader,
    rows: std::vec::IntoIter<StoredReading>,
}

impl DayRows {
    /// Opens a file by its content; `path` is for messages.
    pub fn open(bytes: Bytes, path: &Path) -> Result<Self, StoreError> {
        Ok(Self {
            path: path.to_path_buf(),
            batches: batches(&bytes, path, BATCH, 0..meanings().len())?,
            bytes,
            rows: Vec::new().into_iter(),
        })
    }

    /// How many rows are of a time, by the time column alone.
    pub fn count_within(self, range: &Range<i64>) -> Result<u64, StoreError> {
        let file = builder(&self.bytes, &self.path)?;
        let time = ProjectionMask::roots(file.parquet_schema(), [0]);
        let batches = file
            .with_projection(time)
            .build()
            .map_err(|fault| broken(&self.path, fault))?;
        let mut count = 0;
        for batch in batches {
            let batch = batch.map_err(|fault| broken(&self.path, fault))?;
            let times = batch.column(0).as_primitive::<TimestampMicrosecondType>();
            count += times.values().iter().filter(|t| range.contains(t)).count() as u64;
        }
        Ok(count)
    }

    /// Run and count of every row, by the two columns alone.
    pub fn keys(self) -> Result<Vec<(u32, u64)>, StoreError> {
        let file = builder(&self.bytes, &self.path)?;
        let keys = ProjectionMask::roots(file.parquet_schema(), [1, 2]);
        let batches = file
            .with_projection(keys)
            .build()
            .map_err(|fault| broken(&self.path, fault))?;
        let mut all = Vec::new();
        for batch in batches {
            let batch = batch.map_err(|fault| broken(&self.path, fault))?;
            let boots = batch.column(0).as_primitive::<UInt32Type>().values();
            let ats = batch.column(1).as_primitive::<UInt64Type>().values();
            all.extend(boots.iter().copied().zip(ats.iter().copied()));
        }
        Ok(all)
    }
}

impl Iterator for DayRows {
    type Item = Result<StoredReading, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(row) = self.rows.next() {
                return Some(Ok(row));
            }
            let rows = match self.batches.next()? {
                Ok(batch) => rows(&batch).map_err(|why| broken(&self.path, why)),
                Err(fault) => Err(broken(&self.path, fault)),
            };
            match rows {
                Ok(rows) => self.rows = rows.into_iter(),
                Err(fault) => return Some(Err(fault)),
            }
        }
    }
}

fn builder(
    bytes: &Bytes,
    path: &Path,
) -> Result<ParquetRecordBatchReaderBuilder<Bytes>, StoreError> {
    ParquetRecordBatchReaderBuilder::try_new(bytes.clone())
        .map(|file| file.with_batch_size(BATCH))
        .map_err(|fault| broken(path, fault))
}

fn broken(path: &Path, why: impl std::fmt::Display) -> StoreError {
    StoreError::Archive {
        file: path.to_path_buf(),
        why: why.to_string(),
    }
}

/// Some columns of a file, words as text, so many rows at once; its layout and whole schema must be those known here.
pub fn batches(
    bytes: &Bytes,
    path: &Path,
    rows: usize,
    columns: Range<usize>,
) -> Result<ParquetRecordBatchReader, StoreError> {
    let file = builder(bytes, path)?;
    let is_ours = file
        .metadata()
        .file_metadata()
        .key_value_metadata()
        .is_some_and(|pairs| {
            pairs
                .iter()
                .any(|pair| pair.key == KEY_VERSION && pair.value.as_deref() == Some(VERSION))
        });
    let (found, known) = (file.schema(), schema());
    let same = found.fields().len() == known.fields().len()
        && found
            .fields()
            .iter()
            .zip(known.fields())
            .all(|(found, known)| {
                (found.name(), found.data_type()) == (known.name(), known.data_type())
            });
    if !is_ours || !same {
        return Err(broken(
            path,
            "its columns are not those that this program writes",
        ));
    }
    let columns = ProjectionMask::roots(file.parquet_schema(), columns);
    let as_text = ArrowReaderOptions::new().with_schema(Arc::new(words_as_text(found)));
    ArrowReaderMetadata::try_new(Arc::clone(file.metadata()), as_text)
        .and_then(|metadata| {
            ParquetRecordBatchReaderBuilder::new_with_metadata(bytes.clone(), metadata)
                .with_batch_size(rows)
                .with_projection(columns)
                .build()
        })
        .map_err(|fault| broken(path, fault))
}

/// As text a column of words that is empty for long costs nothing; as a dictionary every row of it would be looked up.
fn words_as_text(schema: &Schema) -> Schema {
    let fields = schema.fields().iter().map(|field| match field.data_type() {
        DataType::Dictionary(..) => Arc::new(field.as_ref().clone().with_data_type(DataType::Utf8)),
        _ => Arc::clone(field),
    });
    Schema::new_with_metadata(fields.collect::<Vec<_>>(), schema.metadata().clone())
}

/// Words of a column; most are the one before.
struct Words<'a, T> {
    words: &'a StringArray,
    meaning: fn(&str) -> Option<T>,
    last: Cell<Option<(&'a str, T)>>,
}

impl<'a, T: Copy> Words<'a, T> {
    fn of(batch: &'a RecordBatch, column: usize, meaning: fn(&str) -> Option<T>) -> Self {
        Self {
            words: batch.column(column).as_string(),
            meaning,
            last: Cell::new(None),
        }
    }

    fn at(&self, row: usize) -> Result<Option<T>, String> {
        if self.words.is_null(row) {
            return Ok(None);
        }
        let word = self.words.value(row);
        if let Some((last, meaning)) = self.last.get()
            && last == word
        {
            return Ok(Some(meaning));
        }
        let meaning = (self.meaning)(word)
            .ok_or_else(|| format!("\"{word}\" is a word of a newer program"))?;
        self.last.set(Some((word, meaning)));
        Ok(Some(meaning))
    }
}

fn rows(batch: &RecordBatch) -> Result<Vec<StoredReading>, String> {
    let times = batch.column(0).as_primitive::<TimestampMicrosecondType>();
    let boots = batch.column(1).as_primitive::<UInt32Type>();
    let ats = batch.column(2).as_primitive::<UInt64Type>();
    let steps = |column: usize| batch.column(column).as_primitive::<Int32Type>();
    let [dc, rms, v_pos, v_neg] = [3, 4, 6, 7].map(steps);
    let [g_pos, g_neg, g_sigma, c, c_sigma] =
        [8, 9, 10, 11, 12].map(|column| batch.column(column).as_primitive::<Float32Type>());
    let ins_at = batch.column(13).as_primitive::<UInt64Type>();
    let i_why = Words::of(batch, 5, words::reason);
    let ins_why = Words::of(batch, 14, words::reason);
    let states = Words::of(batch, 15, words::state);
    let bond_open = batch.column(16).as_boolean();
    let as_sent = batch.column(17).as_binary::<i32>();

    (0..batch.num_rows())
        .map(|k| {
            let (boot, t_us) = (boots.value(k), times.value(k));
            if as_sent.is_valid(k) {
                let reading = postcard::from_bytes(as_sent.value(k))
                    .map_err(|fault| format!("row {k}, as_sent: {fault}"))?;
                return Ok(StoredReading {
                    boot,
                    t_us,
                    reading,
                });
            }
            let amps_of = |column: &PrimitiveArray<Int32Type>| {
                optional(column, k).map_or(Amps(f32::NAN), amps)
            };
            let sent = |column| optional::<Float32Type>(column, k).unwrap_or(f32::NAN);
            let at = SampleIndex(ins_at.value(k));
            Ok(StoredReading {
                boot,
                t_us,
                reading: Reading {
                    at: SampleIndex(ats.value(k)),
                    i_bond: match i_why.at(k)? {
                        Some(why) => BondCurrent::NotMeasured(why),
                        None => BondCurrent::Measured {
                            dc: amps_of(dc),
                            rms: amps_of(rms),
                        },
                    },
                    v_pos: optional(v_pos, k).map(volts),
                    v_neg: optional(v_neg, k).map(volts),
                    insulation: match ins_why.at(k)? {
                        Some(why) => Insulation::NotMeasured { why, since: at },
                        None => Insulation::Measured {
                            leakage: PoleLeakage {
                                g_pos: Siemens(sent(g_pos)),
                                g_neg: Siemens(sent(g_neg)),
                                g_sigma: Siemens(sent(g_sigma)),
                                c: Farads(sent(c)),
                                c_sigma: Farads(sent(c_sigma)),
                            },
                            at,
                        },
                    },
                    state: states
                        .at(k)?
                        .ok_or_else(|| format!("row {k} has no state"))?,
                    bond_open: bond_open.value(k),
                },
            })
        })
        .collect()
}

fn optional<T: arrow_array::types::ArrowPrimitiveType>(
    column: &PrimitiveArray<T>,
    row: usize,
) -> Option<T::Native> {
    column.is_valid(row).then(|| column.value(row))
}
