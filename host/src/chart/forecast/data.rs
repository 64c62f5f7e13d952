//! What a forecast shows: plain numbers out of the trend, gathered apart from the drawing.

use crate::chart::ChartError;
use crate::chart::levels::LimitSources;
use crate::store::Store;
use crate::trend::days::{DayFeatures, Look, Record, Weather};
use crate::trend::forecast::{Crossing, FanWeek};
use crate::trend::record::{add_weather, from_store};
use crate::trend::{Assessment, Finding, Limit, findings};
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;

const DAY_US: i64 = 86_400_000_000;
/// Shown of the future, days: at least, and at most.
const AHEAD_DAYS: (f64, f64) = (45.0, 420.0);

/// A resistance of a pole or of the array; `is_bound`: it is at least this.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Seen {
    /// Ω.
    pub r_ohm: f64,
    /// Too high to be told from none; at least `r_ohm`.
    pub is_bound: bool,
}

/// One day: whole array, positive pole, negative pole.
#[derive(Clone, PartialEq, Debug)]
pub struct DayValues {
    /// When, Unix microseconds.
    pub t_us: i64,
    /// Lowest of the morning.
    pub wet_morning: Option<[Seen; 3]>,
    /// Median of noon.
    pub dry_noon: Option<[Seen; 3]>,
    /// The whole array at dry noon as it would be at 25 °C, Ω.
    pub adjusted_ohm: Option<f64>,
}

/// When one limit is crossed.
#[derive(Clone, PartialEq, Debug)]
pub struct LimitDates {
    /// The limit.
    pub limit: Limit,
    /// First day below it.
    pub first: Crossing,
    /// From when on most days are.
    pub lasting: Crossing,
}

/// Months of one board and what is likely to follow.
#[derive(Clone, PartialEq, Debug)]
pub struct ForecastData {
    /// The board.
    pub board: BoardId,
    /// Stands beside the board's number.
    pub note: Option<String>,
    /// The settings last heard from the board; without them no limits are drawn.
    pub settings: Option<Settings>,
    /// Where limits come from.
    pub sources: LimitSources,
    /// The last day of the record, Unix microseconds: where the future begins.
    pub today_us: i64,
    /// One a day, oldest first.
    pub days: Vec<DayValues>,
    /// Nothing when nothing declines.
    pub fan: Vec<FanWeek>,
    /// Nothing when nothing declines.
    pub dates: Vec<LimitDates>,
    /// In words, the weightiest first.
    pub findings: Vec<Finding>,
}

impl ForecastData {
    /// Assesses what is stored of a board. `weather`: logged, Unix s, by time.
    ///
    /// # Errors
    /// A [`ChartError::Store`], or [`ChartError::NoMeasurements`].
    pub fn from_store(
        store: &Store,
        board: BoardId,
        weather: Option<&[(f64, Weather)]>,
    ) -> Result<Self, ChartError> {
        let mut record = from_store(store, board)?;
        if let Some(lines) = weather {
            add_weather(&mut record, lines);
        }
        let settings = store.settings(board)?;
        Self::of_record(board, &record, settings).ok_or(ChartError::NoMeasurements { board })
    }

    /// The same of a record; `None` when it holds no measurement.
    #[must_use]
    pub fn of_record(board: BoardId, record: &Record, settings: Option<Settings>) -> Option<Self> {
        let days = record.days();
        let noon_s = record.noon_s()?;
        if record.looks.is_empty() {
            return None;
        }
        let found = Assessment::of(&days, &limits(settings.as_ref()));
        let adjusted = |day: i64| {
            let points = &found.adjusted.as_ref()?.dry;
            let k = points.binary_search_by_key(&day, |point| point.day).ok()?;
            let healthy = found.healthy?;
            Some(1.0 / (healthy.b_s * points.get(k)?.ln_ratio.exp()))
        };
        let at_us = |day: i64| day * DAY_US + (noon_s * 1e6) as i64;
        let outlook = found
            .decline
            .as_ref()
            .and_then(|decline| decline.outlook.as_ref());
        Some(Self {
            board,
            note: None,
            settings,
            sources: LimitSources::default(),
            today_us: at_us(found.today),
            days: days
                .iter()
                .map(|day| values(day, at_us(day.day), adjusted(day.day)))
                .collect(),
            fan: outlook.map_or_else(Vec::new, |outlook| outlook.fan.clone()),
            dates: outlook
                .into_iter()
                .flat_map(|outlook| &outlook.forecasts)
                .map(|forecast| LimitDates {
                    limit: forecast.limit.clone(),
                    first: forecast.first,
                    lasting: forecast.lasting,
                })
                .collect(),
            findings: findings(&days, &found),
        })
    }

    /// Shown of the future, days.
    pub(in crate::chart) fn ahead_days(&self) -> f64 {
        if self.fan.is_empty() {
            return 0.0;
        }
        let latest = self
            .dates
            .iter()
            .flat_map(|dates| [dates.first, dates.lasting])
            .filter_map(|crossing| crossing.late_days.or(crossing.median_days))
            .fold(0.0, f64::max);
        (1.15 * latest).clamp(AHEAD_DAYS.0, AHEAD_DAYS.1)
    }
}

/// What a forecast is held against; of a board whose settings are not known, nothing.
fn limits(settings: Option<&Settings>) -> Vec<Limit> {
    settings.map_or_else(Vec::new, |settings| {
        let set = &settings.insulation;
        vec![Limit::warning(set), Limit::trip(set)]
    })
}

fn values(day: &DayFeatures, t_us: i64, adjusted_ohm: Option<f64>) -> DayValues {
    DayValues {
        t_us,
        wet_morning: day.wet_morning.as_ref().map(seen),
        dry_noon: day.dry_noon.as_ref().map(seen),
        adjusted_ohm,
    }
}

fn seen(look: &Look) -> [Seen; 3] {
    [look.g_s(), look.g_pos_s, look.g_neg_s].map(|g| {
        // As the board itself tells a value from a bound (`PoleLeakage::resistance`).
        let noise = (2.0 * look.g_sigma_s).max(1e-12);
        if g >= noise {
            Seen {
                r_ohm: 1.0 / g,
                is_bound: false,
            }
        } else {
            Seen {
                r_ohm: 1.0 / (g.max(0.0) + noise),
                is_bound: true,
            }
        }
    })
}
