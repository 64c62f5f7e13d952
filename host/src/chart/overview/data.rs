//! What an overview shows, gathered from a store and kept apart from the drawing.

use crate::chart::ChartError;
use crate::chart::columns::Columns;
use crate::chart::levels::LimitSources;
use crate::chart::states::{StateSpell, of_events, of_readings};
use crate::chart::time_axis::moment;
use crate::store::{EventFilter, Readings, Store, StoredEvent};
use ohmward_proto::measure::NotMeasured;
use ohmward_proto::message::BoardId;
use ohmward_proto::{BondCurrent, Insulation, PoleLeakage, Settings};
use std::collections::BTreeMap;
use std::ops::Range;

/// So many readings are drawn each for itself; more would fall into the same columns of pixels.
const ROWS_MAX: usize = 16_000;
/// Over a longer time a moment without a value would be drawn wider than it was.
const EACH_US: i64 = 3 * 86_400_000_000;
/// A measurement older than this is not "the insulation now", where the settings do not say how often it is due.
const STALE_US: i64 = 36 * 3_600_000_000;

/// The record of a time, as fine as a sheet can show it.
#[derive(Clone, PartialEq, Debug)]
pub enum Record {
    /// Every reading.
    Readings(Readings),
    /// Roll-ups.
    Columns(Columns),
}

/// A period of one board.
#[derive(Clone, PartialEq, Debug)]
pub struct OverviewData {
    /// The board.
    pub board: BoardId,
    /// The period, Unix microseconds; the sheet shows exactly this.
    pub range: Range<i64>,
    /// Its readings or roll-ups.
    pub record: Record,
    /// Its events, by time.
    pub events: Vec<StoredEvent>,
    /// What the contactor did.
    pub states: Vec<StateSpell>,
    /// The settings last heard from the board; without them no limits are drawn.
    pub settings: Option<Settings>,
    /// Where limits come from.
    pub sources: LimitSources,
    /// Samples per second, by run.
    pub sample_rate_hz: BTreeMap<u32, u32>,
    /// Stands beside the board's number: a site's name, or "simulated".
    pub note: Option<String>,
}

/// A stretch without a measurement.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Spell {
    pub from_us: i64,
    pub to_us: i64,
    pub kind: SpellKind,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SpellKind {
    Dark,
    Other(NotMeasured),
    /// The last measurement is too old to tell how things are.
    Stale,
    NoRecord,
}

impl OverviewData {
    /// Gathers what is stored of `board` over `range` (Unix microseconds).
    ///
    /// # Errors
    /// [`ChartError::NoReadings`], which says what there is instead, or a [`ChartError::Store`].
    pub fn from_store(
        store: &Store,
        board: BoardId,
        range: Range<i64>,
    ) -> Result<Self, ChartError> {
        let record = record(store, board, &range)?;
        let is_empty = match &record {
            Record::Readings(readings) => readings.rows.is_empty(),
            Record::Columns(columns) => columns.readings() == 0,
        };
        if is_empty {
            return Err(no_readings(store, board, &range)?);
        }
        let events = store.events(&EventFilter {
            board: Some(board),
            from_us: Some(range.start),
            to_us: Some(range.end),
            ..EventFilter::default()
        })?;
        let runs = store.runs(board)?;
        Ok(Self {
            board,
            // Readings tell the state themselves; roll-ups do not keep it.
            states: match &record {
                Record::Readings(readings) => of_readings(readings, &range),
                Record::Columns(_) => of_events(store, board, &events, &range)?,
            },
            range,
            record,
            events,
            settings: store.settings(board)?,
            sources: LimitSources::default(),
            sample_rate_hz: runs
                .iter()
                .map(|run| (run.boot, run.sample_rate_hz))
                .collect(),
            note: None,
        })
    }

    pub(super) fn columns(&self) -> Option<&Columns> {
        match &self.record {
            Record::Readings(_) => None,
            Record::Columns(columns) => Some(columns),
        }
    }

    pub(super) fn readings(&self) -> Option<&Readings> {
        match &self.record {
            Record::Readings(readings) => Some(readings),
            Record::Columns(_) => None,
        }
    }

    /// Completed measurements of insulation, each once, at the time it was made; of a record of readings.
    pub fn measurements(&self) -> Vec<(i64, PoleLeakage)> {
        let mut last = None;
        let mut points = Vec::new();
        for row in self.readings().into_iter().flat_map(|r| &r.rows) {
            let Insulation::Measured { leakage, at } = row.reading.insulation else {
                continue;
            };
            if last.replace((row.boot, at)) == Some((row.boot, at)) {
                continue;
            }
            // Without the run's sample rate: when it was first heard of.
            let age_us = match self.sample_rate_hz.get(&row.boot) {
                Some(&hz) if hz > 0 => {
                    u128::from(row.reading.at.since(at)) * 1_000_000 / u128::from(hz)
                }
                _ => 0,
            };
            let age_us = i64::try_from(age_us).unwrap_or(i64::MAX);
            let t_us = row.t_us.saturating_sub(age_us);
            if self.range.contains(&t_us) {
                points.push((t_us, leakage));
            }
        }
        points.sort_by_key(|(t_us, _)| *t_us);
        points
    }

    /// Measurements further apart than this are not joined by a line.
    pub(super) fn stale_us(&self) -> i64 {
        let least_us = match &self.record {
            Record::Readings(readings) => readings.spacing_us,
            Record::Columns(columns) => columns.width_us,
        };
        match self.settings.map(|settings| settings.check.every_s) {
            Some(every_s) if every_s > 0 => (3_000_000 * i64::from(every_s)).max(least_us),
            _ => STALE_US.max(least_us),
        }
    }

    /// Stretches without a measurement of insulation, of a record of readings.
    pub(super) fn insulation_spells(&self) -> Vec<Spell> {
        let stale_us = self.stale_us();
        let mut measured_us: Option<i64> = None;
        let mut last = None;
        self.spells(|row| match row.reading.insulation {
            Insulation::NotMeasured { why, .. } => Some(kind_of(why)),
            Insulation::Measured { at, .. } => {
                if last.replace((row.boot, at)) != Some((row.boot, at)) {
                    measured_us = Some(row.t_us);
                }
                let age_us = row.t_us.saturating_sub(measured_us.unwrap_or(row.t_us));
                (age_us > stale_us).then_some(SpellKind::Stale)
            }
        })
    }

    /// Stretches without a value of the bond current, of a record of readings.
    pub(super) fn current_spells(&self) -> Vec<Spell> {
        self.spells(|row| match row.reading.i_bond {
            BondCurrent::NotMeasured(why) => Some(kind_of(why)),
            BondCurrent::Measured { .. } => None,
        })
    }

    fn spells(
        &self,
        mut missing: impl FnMut(&crate::store::StoredReading) -> Option<SpellKind>,
    ) -> Vec<Spell> {
        let mut spells: Vec<Spell> = Vec::new();
        let Some(readings) = self.readings() else {
            return spells;
        };
        let mut push = |from_us: i64, to_us: i64, kind: SpellKind| match spells.last_mut() {
            Some(last) if last.kind == kind && last.to_us == from_us => last.to_us = to_us,
            _ if to_us > from_us => spells.push(Spell {
                from_us,
                to_us,
                kind,
            }),
            _ => {}
        };
        let rows = &readings.rows;
        let spacing_us = readings.spacing_us;
        let mut from_us = self.range.start;
        if rows
            .first()
            .is_some_and(|row| row.t_us.saturating_sub(from_us) > spacing_us)
            && rows.len() > 1
        {
            push(from_us, rows[0].t_us, SpellKind::NoRecord);
        }
        for (k, row) in rows.iter().enumerate() {
            from_us = row.t_us;
            let kind = missing(row);
            let next_us = rows.get(k + 1).map_or(self.range.end, |next| next.t_us);
            let recorded = next_us.saturating_sub(from_us) <= spacing_us;
            if !recorded && rows.len() > 1 {
                push(from_us, next_us, SpellKind::NoRecord);
            } else if let Some(kind) = kind {
                push(from_us, next_us, kind);
            }
        }
        spells
    }
}

/// Every reading where they are few and the time is short, else roll-ups.
fn record(store: &Store, board: BoardId, range: &Range<i64>) -> Result<Record, ChartError> {
    if range.end.saturating_sub(range.start) <= EACH_US {
        let readings = store.readings(board, range.clone(), ROWS_MAX)?;
        if readings.stored <= ROWS_MAX as u64 {
            return Ok(Record::Readings(readings));
        }
    }
    Ok(Record::Columns(Columns::from_store(store, board, range)?))
}

/// Says what there is instead.
pub fn no_readings(
    store: &Store,
    board: BoardId,
    range: &Range<i64>,
) -> Result<ChartError, ChartError> {
    let instead = match store.span(board)? {
        Some((from, to)) => {
            format!("the store knows it from {} to {}", moment(from), moment(to))
        }
        None => "the store does not know this board".into(),
    };
    Ok(ChartError::NoReadings {
        board,
        from: moment(range.start),
        to: moment(range.end),
        instead,
    })
}

fn kind_of(why: NotMeasured) -> SpellKind {
    match why {
        NotMeasured::ArrayDark => SpellKind::Dark,
        other => SpellKind::Other(other),
    }
}
