//! A board's readings in the store → its record of completed measurements.

use super::days::{Glance, Look, Record, Weather};
use crate::store::{EventFilter, Store, StoreError};
use ohmward_proto::message::BoardId;
use ohmward_proto::{BondCurrent, EventKind, Insulation};
use std::collections::HashMap;

/// A value older than this many checks is out of date.
const CHECKS_OLD: f64 = 3.0;

/// Reads everything a board has sent. A reading repeats the last measurement; each measurement is taken once.
pub fn from_store(store: &Store, board: BoardId) -> Result<Record, StoreError> {
    let mut record = Record::default();
    let Some((first, last)) = store.span(board)? else {
        return Ok(record);
    };
    let rates: HashMap<u32, f64> = store
        .runs(board)?
        .iter()
        .map(|run| (run.boot, f64::from(run.sample_rate_hz)))
        .collect();
    let settings = store.settings(board)?;
    let (v_min, every_s) = settings.map_or((0.0, 0.0), |s| {
        (f64::from(s.check.v_min.0), f64::from(s.check.every_s))
    });
    let mut taken = None;
    for row in store.readings(board, first..last + 1, usize::MAX)?.rows {
        let t_s = row.t_us as f64 * 1e-6;
        let reading = &row.reading;
        let v_v = reading
            .v_pos
            .zip(reading.v_neg)
            .map(|(pos, neg)| f64::from(pos.0) - f64::from(neg.0));
        let lit = v_v.is_some_and(|v| v >= v_min.max(1.0));
        let mut has_value = false;
        if let Insulation::Measured { leakage, at } = reading.insulation {
            let age_s = rates
                .get(&row.boot)
                .map_or(0.0, |rate| reading.at.since(at) as f64 / rate);
            // Without checks while connected the morning's value stands for the day.
            has_value = age_s
                < if every_s > 0.0 {
                    CHECKS_OLD * every_s
                } else {
                    86_400.0
                };
            let values = [
                leakage.g_pos.0,
                leakage.g_neg.0,
                leakage.g_sigma.0,
                leakage.c.0,
            ];
            let [g_pos_s, g_neg_s, g_sigma_s, c_f] = values.map(f64::from);
            // A damaged board may send what is no number: that is no measurement.
            if values.iter().any(|value| !value.is_finite()) {
                has_value = false;
            } else if taken.replace((row.boot, at)) != Some((row.boot, at)) {
                record.looks.push(Look {
                    t_s: t_s - age_s,
                    g_pos_s,
                    g_neg_s,
                    g_sigma_s: g_sigma_s.max(1e-12),
                    c_f,
                    v_v: v_v.filter(|v| v.is_finite()),
                    weather: Weather::default(),
                });
            }
        }
        let i_dc_a = match reading.i_bond {
            BondCurrent::Measured { dc, .. } if dc.0.is_finite() && !reading.bond_open => {
                Some(f64::from(dc.0))
            }
            _ => None,
        };
        record.glances.push(Glance {
            t_s,
            lit,
            has_value,
            i_dc_a,
        });
    }
    let passed = EventFilter {
        board: Some(board),
        kinds: vec!["self-test-passed".into()],
        ..EventFilter::default()
    };
    for event in store.events(&passed)? {
        if let EventKind::SelfTestPassed { zero, .. } = event.event.kind {
            record
                .zeros
                .push((event.t_us as f64 * 1e-6, f64::from(zero.0)));
        }
    }
    Ok(record)
}

/// Puts logged weather beside the measurements: for each the nearest line within an hour. Gives how many got one.
pub fn add_weather(record: &mut Record, lines: &[(f64, Weather)]) -> usize {
    const NEAR_S: f64 = 3600.0;
    let mut found = 0;
    for look in &mut record.looks {
        let after = lines.partition_point(|(t_s, _)| *t_s < look.t_s);
        let near = lines[after.saturating_sub(1)..(after + 1).min(lines.len())]
            .iter()
            .min_by(|a, b| (a.0 - look.t_s).abs().total_cmp(&(b.0 - look.t_s).abs()));
        if let Some((_, weather)) = near.filter(|(t_s, _)| (t_s - look.t_s).abs() <= NEAR_S) {
            look.weather = *weather;
            found += 1;
        }
    }
    found
}
