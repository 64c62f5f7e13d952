//! What a store holds, handed over in open formats.
//!
//! - [`event`]: the captured waveform of one event, as COMTRADE or CSV
//! - [`wires`]: pickup, trip and contactor over a capture, as far as the board told
//! - [`span`]: readings and events over a time, as CSV

pub mod event;
pub mod span;
pub mod wires;

#[cfg(test)]
mod tests;

use crate::chart::ChartError;
use crate::comtrade::ComtradeError;
use crate::store::StoreError;
use std::path::PathBuf;

/// What stands beside everything that is handed over.
pub const CAUTION: &str = "An instrument's record, not a protective device's: PV conductors stay live in daylight, and a good \
                           reading is no proof of isolation. Local codes, the authority having jurisdiction and licensed \
                           persons decide.";

/// Why something could not be handed over.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The event, or its waveform, is not in the store.
    #[error(transparent)]
    Event(#[from] ChartError),
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The format cannot hold it, or the file cannot be written.
    #[error(transparent)]
    Comtrade(#[from] ComtradeError),
    /// Nothing was recorded.
    #[error("nothing is recorded from {from} to {to}: {instead}")]
    Nothing {
        /// Begin of the period.
        from: String,
        /// End of the period.
        to: String,
        /// What there is.
        instead: String,
    },
    /// A file cannot be written.
    #[error("{} cannot be written: {source}; check the folder's rights and space", .file.display())]
    Write {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A date is outside what can be written.
    #[error("event time {t_us} µs cannot be written as a date: the board's clock is wrong")]
    Date {
        /// Unix microseconds.
        t_us: i64,
    },
}

/// UTC in RFC 3339 with microseconds.
fn utc(t_us: i64) -> String {
    jiff::Timestamp::from_microsecond(t_us).map_or_else(
        |_| format!("{t_us} µs"),
        |t| t.strftime("%Y-%m-%dT%H:%M:%S.%6fZ").to_string(),
    )
}
