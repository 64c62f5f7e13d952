//! Pictures from a store: what a board saw over time, and one captured event. SVG or PNG, by the name of the file.
//!
//! - this file: file name → backend; what can go wrong
//! - [`overview`]: gathering ([`OverviewData`]) and drawing of bond current, contactor and insulation over a period
//! - [`waveform`]: the same for the waveform around one event ([`WaveformData`])
//! - [`sweep`]: trip time and bond current over the resistance of a fault ([`Sweep`])
//! - [`marks`]: events → short labels that do not overlap
//! - [`scale`], [`time_axis`]: values and moments → pixels, ticks and their labels
//! - [`canvas`], [`colour`]: text, lines and areas on either backend, with the fonts that the program carries
//!
//! Colours are told apart by people who see few of them (blue, vermilion, black; a dash pattern beside each colour of a limit).

mod canvas;
mod colour;
mod marks;
mod overview;
mod scale;
mod sweep;
#[cfg(test)]
mod tests;
mod time_axis;
mod waveform;

pub(crate) use canvas::text_width;
pub use overview::OverviewData;
pub use waveform::WaveformData;

use crate::store::StoreError;
use crate::whatif::sweep::Sweep;
use canvas::Canvas;
use ohmward_proto::EventId;
use ohmward_proto::message::BoardId;
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
    /// The picture could not be written.
    #[error("cannot write {}: {why}; check that its folder exists and can be written", .path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What the backend said.
        why: String,
    },
}

/// Draws bond current, contactor and insulation over a period into `path` (`.svg` or `.png`).
pub fn draw_overview(data: &OverviewData, path: impl AsRef<Path>) -> Result<(), ChartError> {
    let path = path.as_ref();
    let format = format(path)?;
    match format {
        Format::Svg => finish(
            overview::draw,
            data,
            SVGBackend::new(path, SIZE),
            format,
            path,
        ),
        Format::Png => finish(
            overview::draw,
            data,
            BitMapBackend::new(path, SIZE),
            format,
            path,
        ),
    }
}

/// Draws the waveform around one event into `path` (`.svg` or `.png`).
pub fn draw_waveform(data: &WaveformData, path: impl AsRef<Path>) -> Result<(), ChartError> {
    let path = path.as_ref();
    let format = format(path)?;
    match format {
        Format::Svg => finish(
            waveform::draw,
            data,
            SVGBackend::new(path, SIZE),
            format,
            path,
        ),
        Format::Png => finish(
            waveform::draw,
            data,
            BitMapBackend::new(path, SIZE),
            format,
            path,
        ),
    }
}

/// Draws a sweep into `path` (`.svg` or `.png`).
pub fn draw_sweep(data: &Sweep, path: impl AsRef<Path>) -> Result<(), ChartError> {
    let path = path.as_ref();
    let format = format(path)?;
    match format {
        Format::Svg => finish(sweep::draw, data, SVGBackend::new(path, SIZE), format, path),
        Format::Png => finish(
            sweep::draw,
            data,
            BitMapBackend::new(path, SIZE),
            format,
            path,
        ),
    }
}

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

fn finish<B: DrawingBackend, D>(
    draw: impl FnOnce(&Canvas<B>, &D) -> canvas::Drawn,
    data: &D,
    backend: B,
    format: Format,
    path: &Path,
) -> Result<(), ChartError> {
    let canvas = Canvas::new(backend, format);
    canvas
        .clear()
        .and_then(|()| draw(&canvas, data))
        .and_then(|()| canvas.present())
        .map_err(|why| ChartError::Unwritable {
            path: path.to_path_buf(),
            why,
        })
}
