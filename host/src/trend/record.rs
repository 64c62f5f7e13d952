//! A board's readings in the store → its record of completed measurements.

use super::days::{Dwell, Glance, Look, Record, Weather};
use crate::store::{Dwelt, EventFilter, Level, Measured, Quantity, Store, StoreError};
use ohmward_proto::message::BoardId;
use ohmward_proto::{BondCurrent, EventKind, Insulation, PoleLeakage};
use std::collections::HashMap;
use std::ops::Range;

/// A value older than this many checks is out of date.
const CHECKS_OLD: f64 = 3.0;

/// Reads everything a board has sent: each measurement once, what else was seen by the hour, from roll-ups.
pub fn from_store(store: &Store, board: BoardId) -> Result<Record, StoreError> {
    let terms = Terms::of(store, board)?;
    // Of days that a rule has dropped these are there still: not the span of the readings, but all time.
    let ever = i64::MIN / 2..i64::MAX / 2;
    let mut record = match store.measured(board, &ever)? {
        Some(measured) => by_hours(store, board, ever, &terms, &measured)?,
        None => by_readings(store, board, &ever, &terms)?,
    };
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

/// When an array counts as lit, and a value as out of date.
struct Terms {
    lit_v: f64,
    old_s: f64,
}

impl Terms {
    fn of(store: &Store, board: BoardId) -> Result<Self, StoreError> {
        let check = store.settings(board)?.map(|settings| settings.check);
        let every_s = check.map_or(0.0, |check| f64::from(check.every_s));
        Ok(Self {
            lit_v: check.map_or(0.0, |check| f64::from(check.v_min.0)).max(1.0),
            // Without checks while connected the morning's value stands for the day.
            old_s: if every_s > 0.0 {
                CHECKS_OLD * every_s
            } else {
                86_400.0
            },
        })
    }
}

/// `None` of what a damaged board may send: no number, no measurement.
fn look(t_s: f64, leakage: &PoleLeakage, v_v: Option<f64>, dwell: Option<Dwelt>) -> Option<Look> {
    let values = [
        leakage.g_pos.0,
        leakage.g_neg.0,
        leakage.g_sigma.0,
        leakage.c.0,
    ];
    let [g_pos_s, g_neg_s, g_sigma_s, c_f] = values.map(f64::from);
    values.iter().all(|value| value.is_finite()).then(|| Look {
        t_s,
        g_pos_s,
        g_neg_s,
        g_sigma_s: g_sigma_s.max(1e-12),
        c_f,
        v_v: v_v.filter(|v| v.is_finite()),
        dwell: dwell.map(|dwell| Dwell {
            dwell_s: 1e-3 * dwell.dwell_ms,
            extrapolated_share: f64::from(u8::from(dwell.extrapolated)),
        }),
        weather: Weather::default(),
    })
}

fn by_hours(
    store: &Store,
    board: BoardId,
    ever: Range<i64>,
    terms: &Terms,
    measured: &[Measured],
) -> Result<Record, StoreError> {
    let looks: Vec<Look> = measured
        .iter()
        .filter_map(|m| look(m.made.t_us as f64 * 1e-6, &m.made.leakage, m.v_v, m.dwell))
        .collect();
    let hours = store.rollups(board, Level::Hour, ever)?;
    let glances = hours
        .iter()
        .filter(|(_, hour)| hour.readings > 0)
        .map(|(start_us, hour)| {
            let t_s = *start_us as f64 * 1e-6;
            let end_s = t_s + 3600.0;
            let made_s = looks[..looks.partition_point(|look| look.t_s < end_s)]
                .last()
                .map(|look| look.t_s);
            let missing = hour.insulation_missing_share().unwrap_or(0.0);
            let steps = hour.of(Quantity::BondDc).quantile(0.5);
            Glance {
                t_s: t_s + 1800.0,
                lit: hour.v_v().is_some_and(|v| v >= terms.lit_v),
                has_value: missing < 0.5 && made_s.is_some_and(|made_s| t_s - made_s < terms.old_s),
                i_dc_a: steps
                    .filter(|_| 2 * hour.bond_open < hour.readings)
                    .map(|steps| Quantity::BondDc.value(steps as f64)),
            }
        })
        .collect();
    Ok(Record {
        looks,
        glances,
        zeros: Vec::new(),
    })
}

/// Of a store of an older layout. A reading repeats the last measurement; each measurement is taken once.
fn by_readings(
    store: &Store,
    board: BoardId,
    ever: &Range<i64>,
    terms: &Terms,
) -> Result<Record, StoreError> {
    let mut record = Record::default();
    let rates: HashMap<u32, f64> = store
        .runs(board)?
        .iter()
        .map(|run| (run.boot, f64::from(run.sample_rate_hz)))
        .collect();
    let mut taken = None;
    store.each_reading(board, ever, |row| {
        let t_s = row.t_us as f64 * 1e-6;
        let reading = &row.reading;
        let v_v = reading
            .v_pos
            .zip(reading.v_neg)
            .map(|(pos, neg)| f64::from(pos.0) - f64::from(neg.0));
        let mut has_value = false;
        if let Insulation::Measured { leakage, at } = reading.insulation {
            let age_s = rates
                .get(&row.boot)
                .map_or(0.0, |rate| reading.at.since(at) as f64 / rate);
            let found = look(t_s - age_s, &leakage, v_v, None);
            has_value = found.is_some() && age_s < terms.old_s;
            if taken.replace((row.boot, at)) != Some((row.boot, at)) {
                record.looks.extend(found);
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
            lit: v_v.is_some_and(|v| v >= terms.lit_v),
            has_value,
            i_dc_a,
        });
        Ok(())
    })?;
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
