//! What is known of a board at this moment: for people who look, whether at a terminal or at a page.
//!
//! ```text
//! a store, being written or not ──→ of_store ─┐
//! a line; nothing acknowledged ───→ of_line ──┴─→ BoardNow ─→ gauges   values against the limits set on the board
//!                                                         ├─→ concerns what a person has to know, worst first
//!                                                         └─→ json     the same for a machine
//! ```
//! Silence, a value that is missing and a measurement that is old are concerns like any other: none of them is "good".

mod concern;
mod gauge;
mod json;
pub mod of_line;
pub mod of_store;
#[cfg(test)]
mod tests;
#[cfg(test)]
pub(crate) mod tests_support;

pub use concern::{Concern, Urgency};
pub use gauge::{Gauge, Quantity, Value, Verdict};
pub use json::json;

use crate::link::LinkReport;
use crate::store::{StoredEvent, StoredReading};
use ohmward_proto::message::BoardId;
use ohmward_proto::{EventId, Settings};

/// Silence shorter than this is no news, whatever the interval of readings.
const SILENT_LEAST_US: i64 = 10_000_000;
/// Readings that may be missing in a row before a board counts as silent.
const SILENT_READINGS: i64 = 3;

/// The run that a board is in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RunNow {
    /// Starts of the board so far.
    pub boot: u32,
    /// Firmware, "major.minor.patch".
    pub firmware: String,
    /// Protocol version of the firmware.
    pub protocol: u16,
    /// Samples per second and channel.
    pub sample_rate_hz: u32,
    /// Calibration in force.
    pub calibration_id: u32,
}

/// What is known of one board.
#[derive(Clone, PartialEq, Debug)]
pub struct BoardNow {
    /// The board.
    pub board: BoardId,
    /// Its latest run, once it has said who it is.
    pub run: Option<RunNow>,
    /// What is set on it, once it has said so.
    pub settings: Option<Settings>,
    /// The latest reading; the last of `recent` is the same.
    pub last: Option<StoredReading>,
    /// When it came, Unix microseconds, where it comes from a line: a board may keep a time of its own, or a simulated one.
    pub heard_us: Option<i64>,
    /// Readings of the time before it, by time, not more than a line of a picture can show.
    pub recent: Vec<StoredReading>,
    /// Neighbours in `recent` further apart than this have a gap between them, µs.
    pub spacing_us: i64,
    /// The newest events, by time.
    pub events: Vec<StoredEvent>,
    /// The newest events that say whether a condition stands, by time: trips, sensors, self-tests, memory.
    pub conditions: Vec<StoredEvent>,
    /// Events that have a captured waveform, whole.
    pub waveforms: Vec<EventId>,
    /// How the line goes, where this comes from a line.
    pub line: Option<LinkReport>,
}

impl BoardNow {
    /// A board of which nothing is known but its number.
    #[must_use]
    pub fn unknown(board: BoardId) -> Self {
        Self {
            board,
            run: None,
            settings: None,
            last: None,
            heard_us: None,
            recent: Vec::new(),
            spacing_us: 0,
            events: Vec::new(),
            conditions: Vec::new(),
            waveforms: Vec::new(),
            line: None,
        }
    }

    /// Age of the latest reading at `now_us` (Unix microseconds), µs; 0 for one from the future.
    #[must_use]
    pub fn age_us(&self, now_us: i64) -> Option<i64> {
        let heard_us = self.heard_us.or(self.last.map(|last| last.t_us))?;
        Some(now_us.saturating_sub(heard_us).max(0))
    }

    /// Silence longer than this is worth telling, µs.
    #[must_use]
    pub fn silent_after_us(&self) -> i64 {
        let every_ms = self.settings.map_or(1000, |set| set.reading_every_ms);
        (SILENT_READINGS * 1000 * i64::from(every_ms)).max(SILENT_LEAST_US)
    }

    /// No reading for longer than there should be none.
    #[must_use]
    pub fn is_silent(&self, now_us: i64) -> bool {
        self.age_us(now_us)
            .is_none_or(|age_us| age_us > self.silent_after_us())
    }

    /// Time between the latest reading and the insulation measurement that it repeats, µs.
    #[must_use]
    pub fn measurement_age_us(&self) -> Option<i64> {
        let last = self.last.as_ref()?;
        let ohmward_proto::Insulation::Measured { at, .. } = last.reading.insulation else {
            return None;
        };
        let rate_hz = self.run.as_ref().map(|run| run.sample_rate_hz)?;
        if rate_hz == 0 {
            return None;
        }
        let age_us = u128::from(last.reading.at.since(at)) * 1_000_000 / u128::from(rate_hz);
        i64::try_from(age_us).ok()
    }
}
