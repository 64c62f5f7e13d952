//! Readings and events over a time, as CSV: units in the headers, nothing where nothing was measured, and the reason beside it.

use super::{ExportError, utc};
use crate::store::{EventFilter, Store, StoredReading, event_kind_word, reason_word, state_word};
use crate::words;
use ohmward_proto::measure::Resistance;
use ohmward_proto::message::BoardId;
use ohmward_proto::{BondCurrent, Insulation};
use std::collections::HashMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Columns of `readings.csv`.
const READING: [&str; 23] = [
    "board",
    "time_utc",
    "boot",
    "at_sample",
    "i_bond_dc_a",
    "i_bond_rms_a",
    "i_bond_reason",
    "v_pos_v",
    "v_pos_reason",
    "v_neg_v",
    "v_neg_reason",
    "r_iso_ohm",
    "r_iso_is",
    "g_pos_s",
    "g_neg_s",
    "g_sigma_s",
    "c_f",
    "c_sigma_f",
    "insulation_at_sample",
    "insulation_reason",
    "state",
    "bond_open",
    "sample_rate_hz",
];
/// Columns of `events.csv`.
const EVENT: [&str; 8] = [
    "board",
    "time_utc",
    "boot",
    "seq",
    "at_sample",
    "kind",
    "words",
    "detail",
];
/// What the board sent is no number: its sensor or its memory is damaged.
const NO_NUMBER: &str = "sent-as-no-number";
/// Readings are taken from the store one by one, and a day at a time: a recorder that writes meanwhile is not held up by a reader
/// that looks at one state of the store for as long as a year takes to write.
const DAY_US: i64 = 86_400_000_000;

/// What was written.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Written {
    /// The files.
    pub files: Vec<PathBuf>,
    /// Readings in them.
    pub readings: u64,
    /// Events in them.
    pub events: u64,
}

/// Writes `readings.csv` and `events.csv` into the folder `into`, which is made if it is not there.
///
/// `range`: Unix µs, its end not included; `None` on either side: from the first, to the last that is stored.
///
/// # Errors
/// Nothing recorded in that time; store or files fail.
pub fn save_csv(
    store: &Store,
    boards: &[BoardId],
    (from_us, to_us): (Option<i64>, Option<i64>),
    into: &Path,
) -> Result<Written, ExportError> {
    let mut spans = Vec::new();
    for board in boards {
        if let Some((first, last)) = store.span(*board)? {
            let range = from_us.unwrap_or(first)..to_us.unwrap_or(last + 1);
            spans.push((*board, first..last + 1, range));
        }
    }
    let write_error = |file: &Path| {
        let file = file.to_path_buf();
        move |source| ExportError::Write { file, source }
    };
    if !spans
        .iter()
        .any(|(_, stored, range)| stored.start < range.end && range.start < stored.end)
    {
        let first = spans.iter().map(|(_, stored, _)| stored.start).min();
        let last = spans.iter().map(|(_, stored, _)| stored.end - 1).max();
        let edge = |at: Option<i64>, open: &str| at.map_or_else(|| open.to_owned(), utc);
        return Err(ExportError::Nothing {
            from: edge(from_us, "the beginning"),
            to: edge(to_us, "the end"),
            instead: match (first, last) {
                (Some(first), Some(last)) => {
                    format!("the record goes from {} to {}", utc(first), utc(last))
                }
                _ => "nothing has been recorded yet".to_owned(),
            },
        });
    }
    std::fs::create_dir_all(into).map_err(write_error(into))?;
    let mut written = Written {
        files: vec![into.join("readings.csv"), into.join("events.csv")],
        readings: 0,
        events: 0,
    };
    let mut sink = Sink::create(&written.files[0], &READING)?;
    for (board, stored, range) in &spans {
        let rates: HashMap<u32, u32> = store
            .runs(*board)?
            .iter()
            .map(|run| (run.boot, run.sample_rate_hz))
            .collect();
        // Nothing lies outside what is stored, however wide the range that was asked for.
        let clipped = range.start.max(stored.start)..range.end.min(stored.end);
        for day in days(clipped) {
            store.each_reading(*board, &day, |row| {
                written.readings += 1;
                sink.row(&reading(*board, &row, rates.get(&row.boot).copied()))
            })?;
        }
    }
    sink.finish()?;
    let mut sink = Sink::create(&written.files[1], &EVENT)?;
    for (board, _, range) in &spans {
        let rates = store.runs(*board)?;
        for stored in store.events(&EventFilter {
            board: Some(*board),
            from_us: Some(range.start),
            to_us: Some(range.end),
            ..EventFilter::default()
        })? {
            let event = &stored.event;
            let run = rates.iter().find(|run| run.boot == event.id.boot);
            sink.row(&[
                board.to_string(),
                utc(stored.t_us),
                event.id.boot.to_string(),
                event.id.seq.to_string(),
                event.at.0.to_string(),
                event_kind_word(&event.kind).to_owned(),
                words::event(&event.kind, run.map(|run| run.sample_rate_hz)),
                serde_json::to_string(&event.kind).unwrap_or_default(),
            ])?;
            written.events += 1;
        }
    }
    sink.finish()?;
    Ok(written)
}

/// A CSV file as it is written.
struct Sink {
    file: PathBuf,
    out: csv::Writer<std::fs::File>,
}

impl Sink {
    fn create(file: &Path, header: &[&str]) -> Result<Self, ExportError> {
        let file = file.to_path_buf();
        match std::fs::File::create(&file) {
            Ok(open) => {
                let mut sink = Self {
                    file,
                    out: csv::Writer::from_writer(open),
                };
                sink.row(header)?;
                Ok(sink)
            }
            Err(source) => Err(ExportError::Write { file, source }),
        }
    }

    fn row<T: AsRef<[u8]>>(&mut self, fields: &[T]) -> Result<(), ExportError> {
        let file = &self.file;
        self.out
            .write_record(fields)
            .map_err(|why| ExportError::Write {
                file: file.clone(),
                source: why.into(),
            })
    }

    fn finish(mut self) -> Result<(), ExportError> {
        self.out.flush().map_err(|source| ExportError::Write {
            file: self.file,
            source,
        })
    }
}

fn days(range: Range<i64>) -> impl Iterator<Item = Range<i64>> {
    let mut from = range.start;
    std::iter::from_fn(move || {
        let to = from.saturating_add(DAY_US).min(range.end);
        (from < to).then(|| std::mem::replace(&mut from, to)..to)
    })
}

/// A measured value; empty when it is no number.
fn number(value: f32) -> String {
    if value.is_finite() {
        value.to_string()
    } else {
        String::new()
    }
}

fn reading(board: BoardId, row: &StoredReading, rate_hz: Option<u32>) -> [String; READING.len()] {
    let r = &row.reading;
    let none = String::new;
    let doubt = |values: &[f32]| {
        let sound = values.iter().all(|value| value.is_finite());
        if sound {
            String::new()
        } else {
            NO_NUMBER.to_owned()
        }
    };
    let (dc, rms, i_reason) = match r.i_bond {
        BondCurrent::Measured { dc, rms } => (number(dc.0), number(rms.0), doubt(&[dc.0, rms.0])),
        BondCurrent::NotMeasured(why) => (none(), none(), reason_word(why).to_owned()),
    };
    let pole = |v: Option<ohmward_proto::Volts>, lost: &str| match v {
        Some(v) => (number(v.0), doubt(&[v.0])),
        // The one reason there is for a pole without a value.
        None => (none(), lost.to_owned()),
    };
    let (v_pos, v_pos_reason) = pole(r.v_pos, "sensor-lost-v-pos");
    let (v_neg, v_neg_reason) = pole(r.v_neg, "sensor-lost-v-neg");
    let (leakage, at, ins_reason) = match r.insulation {
        Insulation::Measured { leakage: l, at } => {
            let (ohm, is) = match l.r_iso() {
                Resistance::Is(ohm) => (ohm.0, "value"),
                Resistance::Above(ohm) => (ohm.0, "at-least"),
            };
            let sent = [l.g_pos.0, l.g_neg.0, l.g_sigma.0, l.c.0, l.c_sigma.0];
            let reason = doubt(&sent);
            let [g_pos, g_neg, g_sigma, c, c_sigma] = sent.map(number);
            let sound = reason.is_empty() && ohm.is_finite();
            let iso = if sound {
                (number(ohm), is.to_owned())
            } else {
                (none(), none())
            };
            (
                [iso.0, iso.1, g_pos, g_neg, g_sigma, c, c_sigma],
                at,
                reason,
            )
        }
        Insulation::NotMeasured { why, since } => (
            std::array::from_fn(|_| none()),
            since,
            reason_word(why).to_owned(),
        ),
    };
    let [r_iso, r_iso_is, g_pos, g_neg, g_sigma, c, c_sigma] = leakage;
    [
        board.to_string(),
        utc(row.t_us),
        row.boot.to_string(),
        r.at.0.to_string(),
        dc,
        rms,
        i_reason,
        v_pos,
        v_pos_reason,
        v_neg,
        v_neg_reason,
        r_iso,
        r_iso_is,
        g_pos,
        g_neg,
        g_sigma,
        c,
        c_sigma,
        at.0.to_string(),
        ins_reason,
        state_word(r.state).to_owned(),
        u8::from(r.bond_open).to_string(),
        rate_hz.map_or_else(none, |hz| hz.to_string()),
    ]
}
