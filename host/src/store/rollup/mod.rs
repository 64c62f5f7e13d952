//! Minutes, hours and days of a board in a few numbers each.
//!
//! ```text
//!   new rows ─ in their own transaction ─→ hour marked stale ─ when it is over ─→ 60 minutes, the hour, its day
//! ```
//! A roll-up is worked out of the set of rows and of nothing else, so rows that came late, out of order or twice give what rows in
//! order give. What stands in the tables is used unless its hour is marked; a marked hour is worked out of the rows when asked
//! for. So at every commit roll-ups agree with the rows, and each row is read back once, not each roll-up rewritten with
//! every row.
//!
//! - [`spread`]: minimum, mean, maximum, quantiles. - [`build`]: rows → roll-ups. - [`keep`]: marking and working off.
//! - [`work`]: what waits, worked off. - [`read`]: giving them out. - [`measurement`]: measurements of insulation, each once;
//!   [`measured`]: with the voltage at the time.

mod build;
pub mod keep;
mod measured;
pub mod measurement;
pub mod read;
mod spread;
mod work;

pub use measured::{Dwelt, Measured};
pub use spread::Spread;

use super::quantity::Quantity;
use super::words;
use build::severity;
pub use build::{Hour, hour};
use ohmward_proto::measure::{NotMeasured, TripState};
use serde::{Deserialize, Serialize};

pub const MINUTE_US: i64 = 60_000_000;
pub const HOUR_US: i64 = 60 * MINUTE_US;
pub const DAY_US: i64 = 24 * HOUR_US;

/// How long a roll-up is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Level {
    /// 60 s.
    Minute,
    /// 3600 s.
    Hour,
    /// 86 400 s, UTC.
    Day,
}

impl Level {
    /// Its length in microseconds. Each begins at a multiple of it since 1970-01-01T00:00Z.
    #[must_use]
    pub const fn length_us(self) -> i64 {
        match self {
            Self::Minute => MINUTE_US,
            Self::Hour => HOUR_US,
            Self::Day => DAY_US,
        }
    }

    /// Where the one that holds `t_us` begins.
    #[must_use]
    pub fn start_us(self, t_us: i64) -> i64 {
        t_us.div_euclid(self.length_us())
            .saturating_mul(self.length_us())
    }
}

/// What a stretch of time held.
///
/// Currents and voltages are of every reading; conductances, resistance and capacitance of every *measurement* of insulation, each
/// once and at the time it was made, though readings repeat it until the next.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Rollup {
    /// How many readings.
    pub readings: u64,
    /// One for each of [`Quantity::ALL`], in that order.
    pub spreads: [Spread; 8],
    /// Readings without a bond current, by reason.
    pub current_missing: Vec<(NotMeasured, u64)>,
    /// Readings without a voltage of the positive, of the negative conductor.
    pub poles_missing: [u64; 2],
    /// Readings without a measurement of insulation, by reason.
    pub insulation_missing: Vec<(NotMeasured, u64)>,
    /// Values that a board sent and that are no numbers, or beyond any instrument.
    pub no_numbers: u64,
    /// The state a person must see most.
    pub worst: Option<TripState>,
    /// Readings with the bond open.
    pub bond_open: u64,
}

impl Rollup {
    /// How one quantity is spread, in steps of [`Quantity::steps`].
    #[must_use]
    pub fn of(&self, quantity: Quantity) -> &Spread {
        &self.spreads[quantity as usize]
    }

    /// Share of readings without a bond current, 0 to 1; `None` without readings.
    #[must_use]
    pub fn current_missing_share(&self) -> Option<f64> {
        self.share(&self.current_missing)
    }

    /// Share of readings without a measurement of insulation.
    #[must_use]
    pub fn insulation_missing_share(&self) -> Option<f64> {
        self.share(&self.insulation_missing)
    }

    fn share(&self, missing: &[(NotMeasured, u64)]) -> Option<f64> {
        let missing: f64 = missing.iter().map(|(_, n)| *n as f64).sum();
        (self.readings > 0).then(|| missing / self.readings as f64)
    }

    /// Takes another stretch in. Counts out of a damaged store may be any: they stay at the most there is.
    pub fn merge(&mut self, other: &Self) {
        self.readings = self.readings.saturating_add(other.readings);
        for (own, other) in self.spreads.iter_mut().zip(&other.spreads) {
            own.merge(other);
        }
        for &(why, count) in &other.current_missing {
            count_reason(&mut self.current_missing, why, count);
        }
        for (own, other) in self.poles_missing.iter_mut().zip(other.poles_missing) {
            *own = own.saturating_add(other);
        }
        for &(why, count) in &other.insulation_missing {
            count_reason(&mut self.insulation_missing, why, count);
        }
        self.no_numbers = self.no_numbers.saturating_add(other.no_numbers);
        if let Some(state) = other.worst {
            self.note_state(state);
        }
        self.bond_open = self.bond_open.saturating_add(other.bond_open);
    }

    fn note_state(&mut self, state: TripState) {
        if self
            .worst
            .is_none_or(|worst| severity(state) > severity(worst))
        {
            self.worst = Some(state);
        }
    }
}

/// By word, so that the order does not depend on what came first.
fn count_reason(counts: &mut Vec<(NotMeasured, u64)>, why: NotMeasured, count: u64) {
    let word = words::of_reason(why);
    match counts.binary_search_by_key(&word, |&(why, _)| words::of_reason(why)) {
        Ok(place) => counts[place].1 = counts[place].1.saturating_add(count),
        Err(place) => counts.insert(place, (why, count)),
    }
}
