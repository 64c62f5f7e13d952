//! A file against what it was written from, column by column.

use super::columns::meanings;
use super::decode::batches;
use crate::store::StoreError;
use arrow_array::cast::AsArray;
use arrow_array::types::Int8Type;
use arrow_array::{Array, RecordBatch};
use bytes::Bytes;
use std::ops::Range;
use std::path::Path;

/// Rows decoded at once.
const ROWS: usize = 1 << 15;

/// Decodes a file and holds it against the columns that were written: half of the columns on a thread of their own.
///
/// # Errors
/// [`StoreError::Archive`] at the first difference, in what column and where.
pub fn with_what_was_written(
    written: &[RecordBatch],
    bytes: &Bytes,
    path: &Path,
) -> Result<(), StoreError> {
    let columns = meanings().len();
    std::thread::scope(|threads| {
        let half = threads.spawn(|| columns_with(0..columns / 2, written, bytes, path));
        let rest = columns_with(columns / 2..columns, written, bytes, path);
        let half = half
            .join()
            .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        half.and(rest)
    })
}

fn columns_with(
    columns: Range<usize>,
    written: &[RecordBatch],
    bytes: &Bytes,
    path: &Path,
) -> Result<(), StoreError> {
    let differs = |why: String| StoreError::Archive {
        file: path.to_path_buf(),
        why,
    };
    let mut written = written.iter().cloned();
    let mut left: Option<RecordBatch> = None;
    let mut row = 0;
    for read in batches(bytes, path, ROWS, columns.clone())? {
        let mut read = read.map_err(|fault| differs(fault.to_string()))?;
        while read.num_rows() > 0 {
            let Some(wrote) = left.take().or_else(|| written.next()) else {
                return Err(differs("it holds more than was written".into()));
            };
            let rows = read.num_rows().min(wrote.num_rows());
            let (a, b) = (wrote.slice(0, rows), read.slice(0, rows));
            for (column, b) in columns.clone().zip(b.columns()) {
                if !is_same(a.column(column), b) {
                    return Err(differs(format!(
                        "column {} of rows {row} to {} does not read back as it was written",
                        a.schema().field(column).name(),
                        row + rows - 1
                    )));
                }
            }
            row += rows;
            left = Some(wrote.slice(rows, wrote.num_rows() - rows))
                .filter(|wrote| wrote.num_rows() > 0);
            read = read.slice(rows, read.num_rows() - rows);
        }
    }
    match left.or_else(|| written.next()) {
        None => Ok(()),
        Some(_) => Err(differs(format!("it ends after {row} rows"))),
    }
}

/// The same values and gaps, bit by bit. Words are written by their places in a list and read as text.
fn is_same(a: &dyn Array, b: &dyn Array) -> bool {
    let (Some(a), Some(b)) = (a.as_dictionary_opt::<Int8Type>(), b.as_string_opt::<i32>()) else {
        return a == b;
    };
    let words: Vec<Option<&str>> = a.values().as_string::<i32>().iter().collect();
    a.len() == b.len()
        && a.keys().iter().zip(b).all(|(place, word)| match place {
            None => word.is_none(),
            Some(place) => usize::try_from(place)
                .ok()
                .and_then(|place| words.get(place).copied().flatten())
                .is_some_and(|written| word == Some(written)),
        })
}

#[cfg(test)]
mod tests {
    use super::super::arrays::Arrays;
    use super::super::columns::schema;
    use super::super::encode::FileWriter;
    use super::*;
    use crate::store::StoredReading;
    use ohmward_proto::measure::{NotMeasured, TripState};
    use ohmward_proto::message::BoardId;
    use ohmward_proto::{
        Amps, BondCurrent, Farads, Insulation, PoleLeakage, Reading, SampleIndex, Siemens, Volts,
    };
    use std::sync::Arc;

    fn row(k: i64) -> StoredReading {
        let i_bond = BondCurrent::Measured {
            dc: Amps(1e-6 * k as f32),
            rms: Amps(0.5),
        };
        StoredReading {
            boot: 1,
            t_us: k,
            reading: Reading {
                at: SampleIndex(k as u64),
                i_bond,
                v_pos: Some(Volts(1.0)),
                v_neg: None,
                insulation: Insulation::NotMeasured {
                    why: NotMeasured::NeverYet,
                    since: SampleIndex(0),
                },
                state: if k % 3 == 0 {
                    TripState::Resting
                } else {
                    TripState::Closed
                },
                bond_open: k % 2 == 0,
            },
        }
    }

    fn arrays(rows: std::ops::Range<i64>) -> RecordBatch {
        let mut arrays = Arrays::new(16);
        rows.for_each(|k| arrays.push(&row(k)));
        RecordBatch::try_new(Arc::new(schema()), arrays.take()).unwrap()
    }

    /// That it can fail: a number, a word, a gap, a row more or less.
    #[test]
    fn every_difference_is_found() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("x.parquet");
        let mut writer = FileWriter::create(&path, BoardId(1)).unwrap();
        (0..10).for_each(|k| writer.push(&row(k)).unwrap());
        writer.finish().unwrap();
        let bytes = Bytes::from(std::fs::read(&path).unwrap());
        let compared = |written: &[RecordBatch]| with_what_was_written(written, &bytes, &path);
        compared(&[arrays(0..10)]).unwrap();
        compared(&[arrays(0..3), arrays(3..4), arrays(4..10)]).unwrap();
        for wrong in [0..9, 0..11, 1..11, 0..0] {
            compared(&[arrays(wrong)]).unwrap_err();
        }
        // One row in which everything is otherwise; what has no code is otherwise in the last column alone.
        let mut other = row(1);
        other.boot = 2;
        other.reading = Reading {
            at: SampleIndex(78),
            i_bond: BondCurrent::NotMeasured(NotMeasured::BondOpen),
            v_pos: None,
            v_neg: Some(Volts(2.0)),
            insulation: Insulation::Measured {
                leakage: PoleLeakage {
                    g_pos: Siemens(1.0),
                    g_neg: Siemens(1.0),
                    g_sigma: Siemens(1.0),
                    c: Farads(1.0),
                    c_sigma: Farads(1.0),
                },
                at: SampleIndex(5),
            },
            state: TripState::Latched,
            bond_open: false,
        };
        let mut without_code = other;
        without_code.reading.v_neg = Some(Volts(f32::INFINITY));
        let with_first = |first: &StoredReading| {
            let mut arrays = Arrays::new(16);
            arrays.push(first);
            (1..10).for_each(|k| arrays.push(&row(k)));
            arrays.take()
        };
        let (others, whole) = (with_first(&other), arrays(0..10));
        let last = with_first(&without_code).pop();
        for place in 0..whole.num_columns() {
            let mut columns = whole.columns().to_vec();
            columns[place] = match &last {
                Some(last) if place == 17 => last.clone(),
                _ => others[place].clone(),
            };
            let changed = RecordBatch::try_new(whole.schema(), columns).unwrap();
            let fault = compared(&[changed]).unwrap_err().to_string();
            assert!(
                fault.contains(whole.schema().field(place).name()),
                "{fault}"
            );
        }
    }
}
