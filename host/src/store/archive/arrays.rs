//! Readings → columns in memory.

use super::columns::{Code, codes};
use crate::store::{StoredReading, words};
use arrow_array::builder::{
    BinaryBuilder, BooleanBufferBuilder, Float32Builder, Int8Builder, Int32Builder,
};
use arrow_array::types::{Int8Type, UInt64Type};
use arrow_array::{
    ArrayRef, BooleanArray, DictionaryArray, PrimitiveArray, StringArray,
    TimestampMicrosecondArray, UInt32Array,
};
use ohmward_proto::{BondCurrent, Insulation};
use std::sync::Arc;

/// Columns that are being filled.
pub struct Arrays {
    t_us: Vec<i64>,
    boot: Vec<u32>,
    at: Vec<u64>,
    /// DC, RMS, positive and negative pole.
    steps: [Int32Builder; 4],
    i_why: WordColumn,
    /// Both poles' conductance and its doubt, capacitance and its doubt.
    leakage: [Float32Builder; 5],
    ins_at: Vec<u64>,
    ins_why: WordColumn,
    state: WordColumn,
    bond_open: BooleanBufferBuilder,
    as_sent: BinaryBuilder,
}

/// A column of words, by their place in a list.
struct WordColumn {
    words: Vec<&'static str>,
    places: Int8Builder,
    /// Most words are the one before.
    last: usize,
}

impl WordColumn {
    fn new(words: impl IntoIterator<Item = &'static str>, rows: usize) -> Self {
        Self {
            words: words.into_iter().collect(),
            places: Int8Builder::with_capacity(rows),
            last: 0,
        }
    }

    fn place(&mut self, word: &[u8]) -> Option<i8> {
        let is_it = |known: &&'static str| known.as_bytes() == word;
        if !self.words.get(self.last).is_some_and(is_it) {
            self.last = self
                .words
                .iter()
                .position(|known| known.as_bytes() == word)?;
        }
        i8::try_from(self.last).ok()
    }

    fn push(&mut self, word: Option<&str>) {
        let place = word.and_then(|word| self.place(word.as_bytes()));
        self.places.append_option(place);
    }

    fn take(&mut self) -> ArrayRef {
        let words = StringArray::from_iter_values(&self.words);
        Arc::new(DictionaryArray::<Int8Type>::new(
            self.places.finish(),
            Arc::new(words),
        ))
    }
}

impl Arrays {
    /// Room for so many rows at once.
    pub fn new(rows: usize) -> Self {
        let reasons = || words::REASONS.map(words::of_reason);
        Self {
            t_us: Vec::with_capacity(rows),
            boot: Vec::with_capacity(rows),
            at: Vec::with_capacity(rows),
            steps: std::array::from_fn(|_| Int32Builder::with_capacity(rows)),
            i_why: WordColumn::new(reasons(), rows),
            leakage: std::array::from_fn(|_| Float32Builder::with_capacity(rows)),
            ins_at: Vec::with_capacity(rows),
            ins_why: WordColumn::new(reasons(), rows),
            state: WordColumn::new(words::STATES.map(words::of_state), rows),
            bond_open: BooleanBufferBuilder::new(rows),
            as_sent: BinaryBuilder::with_capacity(rows, 0),
        }
    }

    /// Rows so far.
    pub fn len(&self) -> usize {
        self.t_us.len()
    }

    /// Takes a reading.
    pub fn push(&mut self, row: &StoredReading) {
        let r = &row.reading;
        self.t_us.push(row.t_us);
        self.boot.push(row.boot);
        self.at.push(r.at.0);
        let codes = codes(r);
        for (column, code) in self.steps.iter_mut().zip(codes) {
            column.append_option(match code {
                Code::Steps(steps) => Some(steps),
                Code::Null | Code::None => None,
            });
        }
        self.i_why.push(match r.i_bond {
            BondCurrent::NotMeasured(why) => Some(words::of_reason(why)),
            BondCurrent::Measured { .. } => None,
        });
        let (leakage, at, why) = match r.insulation {
            Insulation::Measured { leakage: l, at } => {
                let sent = [l.g_pos.0, l.g_neg.0, l.g_sigma.0, l.c.0, l.c_sigma.0];
                (sent, at, None)
            }
            Insulation::NotMeasured { why, since } => ([f32::NAN; 5], since, Some(why)),
        };
        for (column, value) in self.leakage.iter_mut().zip(leakage) {
            column.append_option(Some(value).filter(|value| !value.is_nan()));
        }
        self.ins_at.push(at.0);
        self.ins_why.push(why.map(words::of_reason));
        self.state.push(Some(words::of_state(r.state)));
        self.bond_open.append(r.bond_open);
        if codes.contains(&Code::None) {
            self.as_sent.append_value(postcard_of(row));
        } else {
            self.as_sent.append_null();
        }
    }

    /// The columns as the file's schema has them; empty again.
    pub fn take(&mut self) -> Vec<ArrayRef> {
        let times = TimestampMicrosecondArray::from(std::mem::take(&mut self.t_us));
        let counts = |column: &mut Vec<u64>| -> ArrayRef {
            Arc::new(PrimitiveArray::<UInt64Type>::from(std::mem::take(column)))
        };
        let [dc, rms, v_pos, v_neg] = self
            .steps
            .each_mut()
            .map(|column| Arc::new(column.finish()) as ArrayRef);
        let [g_pos, g_neg, g_sigma, c, c_sigma] = self
            .leakage
            .each_mut()
            .map(|column| Arc::new(column.finish()) as ArrayRef);
        let boots: UInt32Array = std::mem::take(&mut self.boot).into();
        let ats = counts(&mut self.at);
        vec![
            Arc::new(times.with_timezone("UTC")),
            Arc::new(boots),
            ats,
            dc,
            rms,
            self.i_why.take(),
            v_pos,
            v_neg,
            g_pos,
            g_neg,
            g_sigma,
            c,
            c_sigma,
            counts(&mut self.ins_at),
            self.ins_why.take(),
            self.state.take(),
            Arc::new(BooleanArray::new(self.bond_open.finish(), None)),
            Arc::new(self.as_sent.finish()),
        ]
    }
}

/// A reading came out of a frame, so it fits the room.
fn postcard_of(row: &StoredReading) -> Vec<u8> {
    let mut room = [0; 2 * ohmward_proto::MAX_BODY];
    postcard::to_slice(&row.reading, &mut room).map_or_else(|_| Vec::new(), |bytes| bytes.to_vec())
}
