//! Measurements of insulation with the array's voltage at the time, without a reading being read: what a trend is made of.

use super::keep::stale;
use super::measurement::{self, Measurement};
use super::read::{all, decode};
use super::{HOUR_US, Level, Rollup};
use crate::store::quantity::Quantity;
use crate::store::rows::{Board, Source};
use crate::store::{Store, StoreError};
use ohmward_proto::message::BoardId;
use rusqlite::params;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// A measurement and what stood between the poles.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Measured {
    /// The measurement.
    pub made: Measurement,
    /// Between the poles in the first minute with readings from the measurement's own on, within an hour: medians of the poles, V.
    pub v_v: Option<f64>,
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
                Ok(Measured { made, v_v })
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
