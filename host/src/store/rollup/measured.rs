//! Measurements of insulation with the array's voltage at the time, without a reading being read: what a trend is made of.

use super::keep::stale;
use super::measurement::{self, Measurement};
use super::read::{all, decode};
use super::{HOUR_US, Level, Rollup};
use crate::store::quantity::Quantity;
use crate::store::rows::{Board, Source};
use crate::store::{Store, StoreError, schema};
use ohmward_proto::message::BoardId;
use rusqlite::params;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Range;

/// A measurement and what stood between the poles.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Measured {
    /// The measurement.
    pub made: Measurement,
    /// Between the poles in the first minute with readings from the measurement's own on, within an hour: medians of the poles, V.
    pub v_v: Option<f64>,
    /// How long it dwelt; `None` where that was not told.
    pub dwell: Option<Dwelt>,
}

/// How long a measurement dwelt in a state of the bridge.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Dwelt {
    /// Milliseconds in the state in which it dwelt shorter.
    pub dwell_ms: f64,
    /// The poles had not come to rest by then; the value is what they were on their way to.
    pub extrapolated: bool,
}

impl Store {
    /// Measurements of a board that ended within `range` (Unix microseconds), each once, by time; `None` for a store of a layout in
    /// which they are known from the readings alone.
    pub fn measured(
        &self,
        board: BoardId,
        range: &Range<i64>,
    ) -> Result<Option<Vec<Measured>>, StoreError> {
        let source = self.source();
        if !source.has_archive {
            return Ok(None);
        }
        let Some(board) = source.board(board)? else {
            return Ok(Some(Vec::new()));
        };
        let around = range.start..range.end.saturating_add(HOUR_US);
        let marked: BTreeSet<i64> = stale(&source, board, &around)?.into_iter().collect();
        let mut worked_out = BTreeMap::new();
        let dwells = dwells(&source, board)?;
        let made =
            measurement::within(source.db, board.key, range).map_err(source.failed("read"))?;
        made.into_iter()
            .map(|made| {
                let hour_us = Level::Hour.start_us(made.t_us);
                let near = made.t_us..made.t_us.saturating_add(HOUR_US);
                // A marked hour's minutes do not stand yet; it and the one after are worked out, once each.
                let is_marked = [hour_us, hour_us.saturating_add(HOUR_US)]
                    .iter()
                    .any(|hour_us| marked.contains(hour_us));
                let v_v = if is_marked {
                    let minutes = match worked_out.entry(hour_us) {
                        Entry::Occupied(entry) => entry.into_mut(),
                        Entry::Vacant(entry) => {
                            let hours = hour_us..hour_us.saturating_add(2 * HOUR_US);
                            entry.insert(all(&source, board, Level::Minute, &hours)?)
                        }
                    };
                    minutes
                        .range(Level::Minute.start_us(near.start)..near.end)
                        .find_map(|(_, minute)| minute.v_v())
                } else {
                    stored_volts(&source, board, &near)?
                };
                Ok(Measured {
                    made,
                    v_v,
                    dwell: dwells.get(&(made.boot, made.at_sample)).copied(),
                })
            })
            .collect::<Result<_, StoreError>>()
            .map(Some)
    }
}

impl Rollup {
    /// Between the poles, V: their medians, positive less negative; `None` without a reading of both.
    pub fn v_v(&self) -> Option<f64> {
        let of = |quantity: Quantity| {
            let steps = self.of(quantity).quantile(0.5)?;
            Some(quantity.value(steps as f64))
        };
        Some(of(Quantity::VPos)? - of(Quantity::VNeg)?)
    }
}

/// By run and end of the measurement. Of a run whose sample rate is not known there is none: samples are no time.
fn dwells(source: &Source, board: Board) -> Result<HashMap<(u32, u64), Dwelt>, StoreError> {
    let failed = source.failed("read");
    if !schema::has_dwell(source.db).map_err(&failed)? {
        return Ok(HashMap::new());
    }
    let read = |row: &rusqlite::Row| {
        let samples: u32 = row.get(2)?;
        let rate_hz: u32 = row.get(4)?;
        let dwelt = Dwelt {
            dwell_ms: f64::from(samples) * 1e3 / f64::from(rate_hz),
            extrapolated: row.get(3)?,
        };
        Ok(((row.get(0)?, row.get::<_, i64>(1)? as u64), dwelt))
    };
    source
        .db
        .prepare_cached(
            "SELECT d.boot, d.at_sample, min(d.a_samples, d.b_samples), d.extrapolated, run.sample_rate_hz
             FROM insulation_dwell AS d JOIN run ON run.board = d.board AND run.boot = d.boot
             WHERE d.board = ?1 AND run.sample_rate_hz > 0",
        )
        .and_then(|mut query| query.query_map([board.key], read)?.collect())
        .map_err(failed)
}

fn stored_volts(
    source: &Source,
    board: Board,
    near: &Range<i64>,
) -> Result<Option<f64>, StoreError> {
    let failed = source.failed("read");
    let mut query = source
        .db
        .prepare_cached(
            "SELECT start_us, body FROM rollup
             WHERE board = ?1 AND level = ?2 AND start_us >= ?3 AND start_us < ?4 ORDER BY start_us",
        )
        .map_err(&failed)?;
    let from_us = Level::Minute.start_us(near.start);
    let mut rows = query
        .query(params![
            board.key,
            Level::Minute.length_us(),
            from_us,
            near.end
        ])
        .map_err(&failed)?;
    while let Some(row) = rows.next().map_err(&failed)? {
        let start_us = row.get(0).map_err(&failed)?;
        let body = row.get_ref(1).map_err(&failed)?;
        let body = body.as_blob().map_err(|fault| failed(fault.into()))?;
        if let Some(v_v) = decode::<Rollup>(source, board, start_us, body)?.v_v() {
            return Ok(Some(v_v));
        }
    }
    Ok(None)
}
