//! Pictures from a store: what boards saw over time, what is coming, and one captured event. SVG or PNG, by the name of the file.
//!
//! Every picture is a type that holds plain data, with `from_store` to fill it, and a [`Picture`] to draw: [`save`] writes a file,
//! [`svg`] gives the text for a page.
//!
//! - [`overview`]: bond current, contactor and insulation over any span ([`OverviewData`])
//! - [`forecast`]: daily insulation of months, its futures, the dates of its limits ([`ForecastData`])
//! - [`wet_dry`]: insulation by day and hour, wet against dry ([`WetDryData`])
//! - [`timeline`]: what happened, a lane a kind ([`TimelineData`])
//! - [`fleet`]: every board in a row ([`FleetData`])
//! - [`waveform`]: one captured event ([`WaveformData`]); [`phasor`]: its mains-frequency vector ([`PhasorData`])
//! - [`sweep`]: trip time and bond current over the resistance of a fault ([`crate::whatif::sweep::Sweep`])
//! - [`columns`]: long spans from roll-ups; [`states`]: the contactor from events; [`levels`]: limits and where they come from
//! - [`marks`]: events → short labels that do not overlap
//! - [`scale`], [`time_axis`]: values and moments → pixels, ticks and their labels
//! - [`canvas`], [`colour`]: text, lines and areas on either backend, with the fonts that the program carries
//!
//! Colours are told apart by people who see few of them, and never alone: a dash, a shape or a word stands beside each.

mod canvas;
mod colour;
mod columns;
mod fleet;
mod forecast;
mod levels;
mod marks;
mod overview;
mod phasor;
mod picture;
mod scale;
mod states;
mod sweep;
#[cfg(test)]
mod tests;
mod time_axis;
mod timeline;
mod waveform;
mod wet_dry;

pub(crate) use canvas::text_width;
pub use columns::Columns;
pub use fleet::{FleetData, FleetRow, Now, Urgency};
pub use forecast::{DayValues, ForecastData, LimitDates, Seen};
pub use levels::LimitSources;
pub use overview::{OverviewData, Record};
pub use phasor::{Phasor, PhasorData};
pub use states::StateSpell;
pub use timeline::TimelineData;
pub use waveform::WaveformData;
pub use wet_dry::{Cell, Spread, Stretch, WetDryData};

use crate::store::StoreError;
use canvas::Canvas;
use ohmward_proto::EventId;
use ohmward_proto::message::BoardId;
pub use picture::Picture;
use plotters::prelude::*;
use std::path::{Path, PathBuf};

/// Width and height of a chart in pixels.
pub const SIZE: (u32, u32) = (1280, 900);

const CAUTION: &str =
    "Instrument reading, not proof of isolation: PV conductors stay live in daylight.";

/// Why there is no chart.
#[derive(Debug, thiserror::Error)]
pub enum ChartError {
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nothing to draw.
    #[error("no readings of board {board} from {from} to {to}: {instead}")]
    NoReadings {
        /// The board.
        board: BoardId,
        /// Begin of the period.
        from: String,
        /// End of the period.
        to: String,
        /// What there is.
        instead: String,
    },
    /// Nothing to make a trend or a map of.
    #[error(
        "no insulation measurement of board {board} is stored: there is one once the array was lit while the board was on"
    )]
    NoMeasurements {
        /// The board.
        board: BoardId,
    },
    /// There is no such event.
    #[error("board {board} has no event {event}: list its events for their numbers")]
    NoEvent {
        /// The board.
        board: BoardId,
        /// The event.
        event: EventId,
    },
    /// The event has no waveform.
    #[error(
        "no waveform of event {event} of board {board} is stored: trips and surges have one once the board has sent it"
    )]
    NoCapture {
        /// The board.
        board: BoardId,
        /// The event.
        event: EventId,
    },
    /// The time scale of a run is unknown.
    #[error(
        "the sample rate of run {boot} of board {board} is unknown: let the recorder meet the board once, it asks for it"
    )]
    NoRate {
        /// The board.
        board: BoardId,
        /// The run.
        boot: u32,
    },
    /// The file name ends in something else.
    #[error("cannot draw {}: its name must end in .svg or .png", .path.display())]
    UnknownFormat {
        /// The file.
        path: PathBuf,
    },
    /// A schematic is drawn as SVG alone.
    #[error("cannot draw {}: a schematic is an SVG, its name must end in .svg", .path.display())]
    NotSvg {
        /// The file.
        path: PathBuf,
    },
    /// The picture could not be drawn.
    #[error("cannot draw: {why}")]
    Undrawable {
        /// What the backend said.
        why: String,
    },
    /// The picture could not be written.
    #[error("cannot write {}: {why}; check that its folder exists and can be written", .path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What the backend said.
        why: String,
    },
}

/// Draws a picture into `path` (`.svg` or `.png`).
///
/// # Errors
/// [`ChartError::UnknownFormat`], [`ChartError::Unwritable`].
pub fn save(picture: &impl Picture, path: impl AsRef<Path>) -> Result<(), ChartError> {
    let path = path.as_ref();
    let format = format(path)?;
    let size = picture.size();
    match format {
        Format::Svg => paint(picture, SVGBackend::new(path, size), format),
        Format::Png => paint(picture, BitMapBackend::new(path, size), format),
    }
    .map_err(|why| ChartError::Unwritable {
        path: path.to_path_buf(),
        // The backend wraps what the system said in words of its own; the system's are for people.
        why: std::fs::OpenOptions::new()
            .append(true)
            .create(true)
            .open(path)
            .err()
            .map_or(why, |e| e.to_string()),
    })
}

/// The same picture as the text of an SVG, to stand in a page.
///
/// # Errors
/// [`ChartError::Undrawable`].
pub fn svg(picture: &impl Picture) -> Result<String, ChartError> {
    let mut text = String::new();
    paint(
        picture,
        SVGBackend::with_string(&mut text, picture.size()),
        Format::Svg,
    )
    .map_err(|why| ChartError::Undrawable { why })?;
    Ok(text)
}

/// The head of a sheet.
fn board_words(board: BoardId, note: Option<&str>) -> String {
    match note {
        Some(note) => format!("Board {board} ({note})"),
        None => format!("Board {board}"),
    }
}

/// What is drawn on.
#[derive(Clone, Copy)]
enum Format {
    Svg,
    Png,
}

fn format(path: &Path) -> Result<Format, ChartError> {
    let ending = path.extension().unwrap_or_default().to_ascii_lowercase();
    match ending.to_str() {
        Some("svg") => Ok(Format::Svg),
        Some("png") => Ok(Format::Png),
        _ => Err(ChartError::UnknownFormat {
            path: path.to_path_buf(),
        }),
    }
}

fn paint<B: DrawingBackend>(picture: &impl Picture, backend: B, format: Format) -> canvas::Drawn {
    let canvas = Canvas::new(backend, format);
    canvas
        .clear()
        .and_then(|()| picture.draw(&canvas))
        .and_then(|()| canvas.present())
}
