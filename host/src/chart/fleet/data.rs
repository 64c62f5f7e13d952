//! What is known of every board of a store, gathered apart from the drawing.

use crate::chart::ChartError;
use crate::chart::columns::quantile;
use crate::store::{EventFilter, Level, Quantity, Store};
use crate::words;
use ohmward_proto::measure::{Resistance, TripState};
use ohmward_proto::message::BoardId;
use ohmward_proto::{EventKind, Insulation, Settings};
use std::cmp::Ordering;

const HOUR_US: i64 = 3_600_000_000;
const DAY_US: i64 = 24 * HOUR_US;
/// Days of the trend line.
pub const TREND_DAYS: i64 = 30;
/// A board not heard of for longer is silent.
const SILENT_US: i64 = 2 * HOUR_US;
/// An insulation value older than this does not tell how things are.
const OLD_US: i64 = 36 * HOUR_US;

/// Insulation as last measured.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Now {
    /// So much.
    Is(Resistance),
    /// So much, but too long ago to tell how things are; microseconds.
    Was(Resistance, i64),
    /// Nothing in the last days.
    NotMeasured,
}

/// One board.
#[derive(Clone, PartialEq, Debug)]
pub struct FleetRow {
    /// The board.
    pub board: BoardId,
    /// As last heard; `None`: no reading.
    pub state: Option<TripState>,
    /// Insulation of the array.
    pub now: Now,
    /// The settings last heard from it.
    pub settings: Option<Settings>,
    /// Of each of the last 30 days up to `as_of_us` that has measurements: how many days ago, lowest and median, Ω.
    pub trend: Vec<(i64, f32, f32)>,
    /// When, and why in short.
    pub last_trip: Option<(i64, String)>,
    /// Of the readings of the last 30 days, the share with an insulation value.
    pub measured_share: Option<f64>,
    /// When it was last heard, Unix microseconds.
    pub heard_us: Option<i64>,
}

/// How urgent a row is; the first is the worst.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Urgency {
    /// The contactor did not open.
    FailedToOpen,
    /// Tripped.
    Tripped,
    /// Below its warning level.
    Low,
    /// Not heard.
    Silent,
    /// Without an insulation value of today.
    Unknown,
    /// Nothing to do.
    Well,
}

impl FleetRow {
    /// How urgent, at a moment.
    #[must_use]
    pub fn urgency(&self, as_of_us: i64) -> Urgency {
        match self.state {
            Some(TripState::FailedToOpen) => return Urgency::FailedToOpen,
            Some(TripState::Latched | TripState::LockedOut | TripState::Opening) => {
                return Urgency::Tripped;
            }
            _ => {}
        }
        let below_warning = match (self.now, self.settings) {
            (Now::Is(r) | Now::Was(r, _), Some(settings)) => {
                matches!(r, Resistance::Is(r) if r < settings.insulation.warn_below)
            }
            _ => false,
        };
        let silent = self
            .heard_us
            .is_none_or(|heard| as_of_us.saturating_sub(heard) > SILENT_US);
        match self.now {
            _ if below_warning => Urgency::Low,
            _ if silent => Urgency::Silent,
            Now::Is(_) => Urgency::Well,
            Now::Was(..) | Now::NotMeasured => Urgency::Unknown,
        }
    }

    /// Insulation over its trip level: the smaller, the nearer.
    fn margin(&self) -> f32 {
        match (self.now, self.settings) {
            (Now::Is(r) | Now::Was(r, _), Some(settings)) => {
                r.bound().0 / settings.insulation.trip_below.0.max(1.0)
            }
            _ => f32::INFINITY,
        }
    }
}

/// All boards, the worst first.
#[derive(Clone, PartialEq, Debug)]
pub struct FleetData {
    /// The moment at which they are compared, Unix microseconds.
    pub as_of_us: i64,
    /// The worst first.
    pub rows: Vec<FleetRow>,
    /// Stands beside the head.
    pub note: Option<String>,
}

impl FleetData {
    /// Rows in order.
    #[must_use]
    pub fn of(as_of_us: i64, mut rows: Vec<FleetRow>) -> Self {
        rows.sort_by(|a, b| {
            a.urgency(as_of_us)
                .cmp(&b.urgency(as_of_us))
                .then(
                    a.margin()
                        .partial_cmp(&b.margin())
                        .unwrap_or(Ordering::Equal),
                )
                .then(a.board.cmp(&b.board))
        });
        Self {
            as_of_us,
            rows,
            note: None,
        }
    }

    /// Every board of a store, as of a moment; without one, as of the last that any of them was heard.
    ///
    /// # Errors
    /// A [`ChartError::Store`].
    pub fn from_store(store: &Store, as_of_us: Option<i64>) -> Result<Self, ChartError> {
        let boards = store.boards()?;
        let as_of_us = if let Some(as_of_us) = as_of_us {
            as_of_us
        } else {
            let mut last = 0;
            for board in &boards {
                last = store.span(*board)?.map_or(last, |(_, to)| last.max(to));
            }
            last + 1
        };
        let rows = boards
            .into_iter()
            .map(|board| row(store, board, as_of_us))
            .collect::<Result<_, _>>()?;
        Ok(Self::of(as_of_us, rows))
    }
}

fn row(store: &Store, board: BoardId, as_of_us: i64) -> Result<FleetRow, ChartError> {
    let settings = store.settings(board)?;
    let heard_us = store
        .span(board)?
        .map(|(_, to)| to.min(as_of_us - 1))
        .filter(|to| *to > 0);
    // The last reading: of the last hour it was heard in.
    let last = match heard_us {
        Some(heard_us) => store
            .readings(board, heard_us - HOUR_US..heard_us + 1, usize::MAX)?
            .rows
            .pop(),
        None => None,
    };
    let now = match last.map(|row| (row, row.reading.insulation)) {
        Some((row, Insulation::Measured { leakage, at })) => {
            let rate = store
                .runs(board)?
                .iter()
                .find(|run| run.boot == row.boot)
                .map_or(0, |run| run.sample_rate_hz);
            let age_us = match rate {
                0 => 0,
                hz => (row.reading.at.since(at) as f64 * 1e6 / f64::from(hz)) as i64,
            };
            aged(leakage.r_iso(), as_of_us - row.t_us + age_us)
        }
        _ => Now::NotMeasured,
    };
    let first_us = as_of_us - TREND_DAYS * DAY_US;
    let days = store.rollups(board, Level::Day, Level::Day.start_us(first_us)..as_of_us)?;
    let trend: Vec<(i64, f32, f32)> = days
        .iter()
        .filter_map(|(start_us, rollup)| {
            let ago = (as_of_us - 1).div_euclid(DAY_US) - start_us.div_euclid(DAY_US);
            let lowest = quantile(rollup, Quantity::RIso, 0.0)?;
            Some((ago, lowest, quantile(rollup, Quantity::RIso, 0.5)?))
        })
        .collect();
    // At night the reading has no value; the lowest of the last day with one stands for it, with its age.
    let now = match (now, trend.last()) {
        (Now::NotMeasured, Some((ago, lowest, _))) => {
            let r = Resistance::Is(ohmward_proto::Ohms(*lowest));
            aged(r, ago * DAY_US)
        }
        (now, _) => now,
    };
    let readings: u64 = days.iter().map(|(_, rollup)| rollup.readings).sum();
    let missing: u64 = days
        .iter()
        .flat_map(|(_, rollup)| &rollup.insulation_missing)
        .map(|(_, count)| count)
        .sum();
    let trips = store.events(&EventFilter {
        board: Some(board),
        to_us: Some(as_of_us),
        kinds: vec!["tripped".into()],
        limit: Some(1),
        ..EventFilter::default()
    })?;
    let last_trip = trips.first().and_then(|stored| match &stored.event.kind {
        EventKind::Tripped { cause, .. } => Some((stored.t_us, words::cause_short(cause))),
        _ => None,
    });
    Ok(FleetRow {
        board,
        state: last.map(|row| row.reading.state),
        now,
        settings,
        trend,
        last_trip,
        measured_share: (readings > 0).then(|| 1.0 - missing as f64 / readings as f64),
        heard_us,
    })
}

fn aged(r: Resistance, age_us: i64) -> Now {
    if age_us > OLD_US {
        Now::Was(r, age_us)
    } else {
        Now::Is(r)
    }
}
