//! What a wet/dry picture shows, gathered from a store and kept apart from the drawing.

use crate::chart::ChartError;
use crate::chart::levels::LimitSources;
use crate::store::Store;
use crate::trend::adjusted::{DRY, WET};
use crate::trend::days::{Record, Weather};
use crate::trend::record::{add_weather, from_store};
use crate::trend::statistics::quantile_of;
use crate::trend::weather::{Known, Senses};
use ohmward_proto::Settings;
use ohmward_proto::message::BoardId;
use std::collections::BTreeMap;

const DAY_S: f64 = 86_400.0;
/// Stretches of days in the lower panel, at most.
const STRETCHES_MAX: i64 = 48;
/// Columns of the map, at most.
const COLUMNS_MAX: i64 = 370;

/// One hour of the map.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Cell {
    /// Lowest resistance measured, Ω.
    Lowest(f64),
    /// Recorded, and too dark to measure.
    Dark,
    /// Recorded and lit, without a measurement.
    NotMeasured,
}

/// How resistances are spread: Ω that 5, 25, 50, 75 and 95 % do not exceed, and how many there are.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Spread {
    /// Ω.
    pub r_ohm: [f64; 5],
    /// How many.
    pub count: usize,
}

/// Wet and dry measurements of some days.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stretch {
    /// First day, solar.
    pub day: i64,
    /// Wet ones.
    pub wet: Option<Spread>,
    /// Dry ones.
    pub dry: Option<Spread>,
}

/// Insulation wet and dry, of one board.
#[derive(Clone, PartialEq, Debug)]
pub struct WetDryData {
    /// The board.
    pub board: BoardId,
    /// Stands beside the board's number.
    pub note: Option<String>,
    /// The settings last heard from the board; without them no limits are drawn.
    pub settings: Option<Settings>,
    /// Where limits come from.
    pub sources: LimitSources,
    /// First and last solar day (days since 1970).
    pub days: (i64, i64),
    /// Solar noon, s after midnight UTC.
    pub noon_s: f64,
    /// Days in a column of the map.
    pub column_days: i64,
    /// By first day of the column and hour (0 to 23, 12 is noon); an hour of which nothing is recorded is not there.
    pub cells: BTreeMap<(i64, u8), Cell>,
    /// Days in a stretch.
    pub stretch_days: i64,
    /// By time.
    pub stretches: Vec<Stretch>,
    /// Water was logged, or inferred from the capacitance.
    pub water_logged: bool,
}

impl WetDryData {
    /// Gathers all that is stored of a board. `weather`: logged, Unix s, by time.
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
        let features = record.days();
        let noon_s = record.noon_s()?;
        let (first, last) = (features.first()?.day, features.last()?.day);
        if record.looks.is_empty() {
            return None;
        }
        let senses = Senses::of(&features);
        // Solar day and hour; noon is at 12.
        let place = |t_s: f64| {
            let days = (t_s - noon_s) / DAY_S + 0.5;
            let day = days.floor();
            (day as i64, ((days - day) * 24.0).min(23.0) as u8)
        };
        let span = last - first + 1;
        let column_days = (span - 1) / COLUMNS_MAX + 1;
        let stretch_days = (span - 1) / STRETCHES_MAX + 1;
        let begin = |day: i64, each: i64| first + (day - first).div_euclid(each) * each;

        let mut cells: BTreeMap<(i64, u8), Cell> = BTreeMap::new();
        for glance in &record.glances {
            let (day, hour) = place(glance.t_s);
            let cell = cells
                .entry((begin(day, column_days), hour))
                .or_insert(Cell::Dark);
            if glance.lit {
                *cell = Cell::NotMeasured;
            }
        }
        let mut of: BTreeMap<i64, (Vec<f64>, Vec<f64>)> = BTreeMap::new();
        for look in &record.looks {
            let (day, hour) = place(look.t_s);
            // Above what can be told from none it is at least so much.
            let r_ohm = 1.0 / look.g_s().max(2.0 * look.g_sigma_s).max(1e-12);
            let cell = cells
                .entry((begin(day, column_days), hour))
                .or_insert(Cell::Lowest(r_ohm));
            *cell = match *cell {
                Cell::Lowest(other) => Cell::Lowest(other.min(r_ohm)),
                Cell::Dark | Cell::NotMeasured => Cell::Lowest(r_ohm),
            };
            let wetness = senses.air(day, look).wetness;
            let (wet, dry) = of.entry(begin(day, stretch_days)).or_default();
            if wetness >= WET {
                wet.push(r_ohm);
            } else if wetness <= DRY {
                dry.push(r_ohm);
            }
        }
        Some(Self {
            board,
            note: None,
            settings,
            sources: LimitSources::default(),
            days: (first, last),
            noon_s,
            column_days,
            cells,
            stretch_days,
            stretches: of
                .into_iter()
                .map(|(day, (wet, dry))| Stretch {
                    day,
                    wet: spread(wet),
                    dry: spread(dry),
                })
                .collect(),
            water_logged: senses.water == Known::Logged,
        })
    }
}

fn spread(mut r_ohm: Vec<f64>) -> Option<Spread> {
    let mut at = |q: f64| quantile_of(&mut r_ohm, q);
    let of = [at(0.05)?, at(0.25)?, at(0.5)?, at(0.75)?, at(0.95)?];
    Some(Spread {
        r_ohm: of,
        count: r_ohm.len(),
    })
}
