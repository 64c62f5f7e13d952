//! Measurements of insulation, each once: a reading repeats the last one until there is another.
//!
//! A measurement is what the earliest reading that carries it says, by the board's own count: then it does not matter which
//! reading came first. Its time is that reading's, less its age by the board's sample rate; with no rate known, the reading's.

use super::Level;
use crate::store::StoredReading;
use ohmward_proto::{Farads, Insulation, PoleLeakage, Siemens};
use rusqlite::{Connection, OptionalExtension, Row, params};
use std::ops::Range;

/// A completed measurement.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Measurement {
    /// The board's run.
    pub boot: u32,
    /// When it ended, the board's count; of a run, no two end together.
    pub at_sample: u64,
    /// When it ended, Unix microseconds.
    pub t_us: i64,
    /// What it found.
    pub leakage: PoleLeakage,
}

const COLUMNS: &str = "boot, at_sample, t_us, g_pos_s, g_neg_s, g_sigma_s, c_f, c_sigma_f";

impl Measurement {
    fn read(row: &Row) -> rusqlite::Result<Self> {
        // NULL: a value the board sent that is no number.
        let sent = |column: usize| -> rusqlite::Result<f32> {
            Ok(row.get::<_, Option<f32>>(column)?.unwrap_or(f32::NAN))
        };
        Ok(Self {
            boot: row.get(0)?,
            at_sample: row.get::<_, i64>(1)? as u64,
            t_us: row.get(2)?,
            leakage: PoleLeakage {
                g_pos: Siemens(sent(3)?),
                g_neg: Siemens(sent(4)?),
                g_sigma: Siemens(sent(5)?),
                c: Farads(sent(6)?),
                c_sigma: Farads(sent(7)?),
            },
        })
    }
}

/// Measurements that ended within a time, by time.
pub fn within(
    db: &Connection,
    board: i64,
    range: &Range<i64>,
) -> rusqlite::Result<Vec<Measurement>> {
    db.prepare_cached(&format!(
        "SELECT {COLUMNS} FROM insulation WHERE board = ?1 AND t_us >= ?2 AND t_us < ?3
         ORDER BY t_us, boot, at_sample"
    ))?
    .query_map(params![board, range.start, range.end], Measurement::read)?
    .collect()
}

/// Notes the measurement that a new row carries, if it carries one and if no earlier row does. Gives the hours whose roll-ups that
/// changes: where it stood, where it stands.
pub fn note(
    db: &Connection,
    board: i64,
    sample_rate_hz: Option<u32>,
    row: &StoredReading,
) -> rusqlite::Result<Vec<i64>> {
    let Insulation::Measured { leakage, at } = row.reading.insulation else {
        return Ok(Vec::new());
    };
    let carrier = row.reading.at.0 as i64;
    let stood: Option<(i64, i64)> = db
        .prepare_cached(
            "SELECT carrier, t_us FROM insulation WHERE board = ?1 AND boot = ?2 AND at_sample = ?3",
        )?
        .query_row(params![board, row.boot, at.0 as i64], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .optional()?;
    if stood.is_some_and(|(stood, _)| stood as u64 <= carrier as u64) {
        return Ok(Vec::new());
    }
    let age_us = match sample_rate_hz {
        Some(hz) if hz > 0 => u128::from(row.reading.at.since(at)) * 1_000_000 / u128::from(hz),
        _ => 0,
    };
    let t_us = row
        .t_us
        .saturating_sub(i64::try_from(age_us).unwrap_or(i64::MAX));
    db.prepare_cached("INSERT OR REPLACE INTO insulation VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10)")?
        .execute(params![
            board,
            row.boot,
            at.0 as i64,
            t_us,
            carrier,
            leakage.g_pos.0,
            leakage.g_neg.0,
            leakage.g_sigma.0,
            leakage.c.0,
            leakage.c_sigma.0,
        ])?;
    let mut hours = vec![Level::Hour.start_us(t_us)];
    if let Some((_, stood_us)) = stood {
        let stood = Level::Hour.start_us(stood_us);
        if stood != hours[0] {
            hours.push(stood);
        }
    }
    Ok(hours)
}
