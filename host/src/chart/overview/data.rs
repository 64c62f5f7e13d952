//! What an overview shows, gathered from a store and kept apart from the drawing.

use crate::chart::ChartError;
use crate::chart::marks::channel_words;
use crate::chart::time_axis::moment;
use crate::store::{EventFilter, Readings, Store, StoredEvent};
use ohmward_proto::measure::{NotMeasured, TripState};
use ohmward_proto::message::BoardId;
use ohmward_proto::{BondCurrent, Insulation, PoleLeakage, Settings};
use std::collections::BTreeMap;
use std::ops::Range;

/// More rows would fall into the same columns of pixels.
const ROWS_MAX: usize = 16_000;
/// A measurement older than this is not "the insulation now", where the settings do not say how often it is due.
const STALE_US: i64 = 36 * 3_600_000_000;

const DAY_US: i64 = 86_400_000_000;

/// Of points by time, the one of each day that has the most of something.
pub fn most_of_each_day<T: Copy>(points: &[(i64, T)], most: impl Fn(&T) -> f32) -> Vec<(i64, T)> {
    points
        .chunk_by(|(a, _), (b, _)| a.div_euclid(DAY_US) == b.div_euclid(DAY_US))
        .filter_map(|day| {
            day.iter()
                .max_by(|(_, a), (_, b)| most(a).total_cmp(&most(b)))
        })
        .copied()
        .collect()
}

/// A period of one board.
#[derive(Clone, PartialEq, Debug)]
pub struct OverviewData {
    /// The board.
    pub board: BoardId,
    /// The period, Unix microseconds; the sheet shows exactly this.
    pub range: Range<i64>,
    /// Its readings, by time.
    pub readings: Readings,
    /// Its events, by time.
    pub events: Vec<StoredEvent>,
    /// The settings last heard from the board; without them no limits are drawn.
    pub settings: Option<Settings>,
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
    /// The last measurement is too old to stand for now.
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
        let readings = store.readings(board, range.clone(), ROWS_MAX)?;
        if readings.rows.is_empty() {
            let instead = match store.span(board)? {
                Some((from, to)) => {
                    format!("the store knows it from {} to {}", moment(from), moment(to))
                }
                None => "the store does not know this board".into(),
            };
            return Err(ChartError::NoReadings {
                board,
                from: moment(range.start),
                to: moment(range.end),
                instead,
            });
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
            range,
            readings,
            events,
            settings: store.settings(board)?,
            sample_rate_hz: runs
                .iter()
                .map(|run| (run.boot, run.sample_rate_hz))
                .collect(),
            note: None,
        })
    }

    /// Completed measurements of insulation, each once, at the time it was made.
    pub fn measurements(&self) -> Vec<(i64, PoleLeakage)> {
        let mut last = None;
        let mut points = Vec::new();
        for row in &self.readings.rows {
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

    /// The period is so long that a night is a pixel or less: the worst of each day is drawn, and nights are not shaded.
    pub(in crate::chart) fn by_days(&self) -> bool {
        self.range.end.saturating_sub(self.range.start) > 62 * DAY_US
    }

    /// Measurements further apart than this are not joined by a line.
    pub(in crate::chart) fn stale_us(&self) -> i64 {
        if self.by_days() {
            return (3 * DAY_US).max(self.readings.spacing_us);
        }
        match self.settings.map(|settings| settings.check.every_s) {
            Some(every_s) if every_s > 0 => {
                (3_000_000 * i64::from(every_s)).max(self.readings.spacing_us)
            }
            _ => STALE_US.max(self.readings.spacing_us),
        }
    }

    /// Stretches without a measurement of insulation.
    pub(in crate::chart) fn insulation_spells(&self) -> Vec<Spell> {
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

    /// Stretches without a value of the bond current.
    pub(in crate::chart) fn current_spells(&self) -> Vec<Spell> {
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
        let mut push = |from_us: i64, to_us: i64, kind: SpellKind| match spells.last_mut() {
            Some(last) if last.kind == kind && last.to_us == from_us => last.to_us = to_us,
            _ if to_us > from_us => spells.push(Spell {
                from_us,
                to_us,
                kind,
            }),
            _ => {}
        };
        let rows = &self.readings.rows;
        let spacing_us = self.readings.spacing_us;
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

    /// What the trip logic said, by time.
    pub(in crate::chart) fn states(&self) -> Vec<(Range<i64>, TripState)> {
        let rows = &self.readings.rows;
        let mut spells: Vec<(Range<i64>, TripState)> = Vec::new();
        for (k, row) in rows.iter().enumerate() {
            let next_us = rows.get(k + 1).map_or(self.range.end, |next| next.t_us);
            let to_us = if next_us.saturating_sub(row.t_us) <= self.readings.spacing_us {
                next_us
            } else {
                row.t_us
            };
            match spells.last_mut() {
                Some((span, state)) if *state == row.reading.state && span.end == row.t_us => {
                    span.end = to_us;
                }
                _ => spells.push((row.t_us..to_us, row.reading.state)),
            }
        }
        spells
    }
}

fn kind_of(why: NotMeasured) -> SpellKind {
    match why {
        NotMeasured::ArrayDark => SpellKind::Dark,
        other => SpellKind::Other(other),
    }
}

/// Why there is no value, in words.
pub fn reason_words(why: NotMeasured) -> &'static str {
    match why {
        NotMeasured::NeverYet => "not since start",
        NotMeasured::ArrayDark => "array dark",
        NotMeasured::ArrayMoved => "sun moved",
        NotMeasured::NotSettled => "did not settle",
        NotMeasured::SensorLost(channel) => match channel_words(channel) {
            "fine current" => "fine current sensor lost",
            "wide current" => "wide current sensor lost",
            _ => "pole voltage sensor lost",
        },
        NotMeasured::BridgeUnmoved => "bridge without effect",
        NotMeasured::FaultMoved => "fault moved",
        NotMeasured::Interrupted => "tripped or interrupted",
        NotMeasured::WindowFilling => "window filling",
        NotMeasured::BondOpen => "bond open",
        NotMeasured::BridgeWrong => "bridge resistors wrong",
    }
}
