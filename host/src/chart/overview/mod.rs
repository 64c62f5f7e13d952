//! A period of a board on one sheet: bond current, contactor, insulation, over one time axis.
//!
//! - [`data`]: what is drawn, gathered from a store: every reading, or roll-ups when there are more than the sheet can show
//! - this file: the sheet, from top to bottom
//! - [`current`], [`insulation`]: the two panels; [`bands`]: roll-ups on them
//! - [`shade`]: time without a measurement
//! - [`labels`]: events above the upper panel
//!
//! Bond current stands on a logarithmic axis of its magnitude, because 2 mA of healthy leakage and a fault of 9 A must both
//! be read off; its direction is told by colour and dash.

mod bands;
mod current;
mod data;
mod insulation;
mod labels;
mod shade;

pub(super) use data::no_readings;
pub use data::{OverviewData, Record};

use super::canvas::{Area, Canvas, Drawn, Side};
use super::levels::{self, Level};
use super::picture::Picture;
use super::scale::LogScale;
use super::time_axis::{TimeAxis, period};
use super::{CAUTION, SIZE, colour, states};
use crate::words::si;
use labels::Labels;
use plotters::prelude::*;
use shade::Of;

/// Left and right edge of both panels.
const EDGES: (i32, i32) = (100, 1085);
const LANE: i32 = 21;
/// Contactor strip and lower panel.
const STRIP_TOP: i32 = 478;
const LOWER_BOTTOM: i32 = 790;
/// More room below, where the standards behind the limits are named.
const SOURCES: i32 = 48;

impl Picture for OverviewData {
    fn size(&self) -> (u32, u32) {
        let more = if self.sources == levels::LimitSources::default() {
            0
        } else {
            SOURCES
        };
        (SIZE.0, SIZE.1 + more as u32)
    }

    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        draw(canvas, self)
    }
}

fn draw<B: DrawingBackend>(canvas: &Canvas<B>, data: &OverviewData) -> Drawn {
    let sheet = canvas.sheet();
    let axis = TimeAxis {
        range: data.range.clone(),
        left: EDGES.0,
        right: EDGES.1,
    };
    head(canvas, data)?;
    let right = sheet.right - 16;
    let mut entries = current::entries(data);
    entries.extend(shade::entries(data, Of::Current));
    let used = canvas.legend("Bond current", (24, 62), right, &entries)?;
    let labels = Labels::place(canvas, data, &axis)?;
    // Below a panel of roll-ups lies the strip of their shares.
    let strip_room = match data.columns() {
        Some(_) => shade::STRIP + shade::STRIP_GAP,
        None => 0,
    };
    let upper = Area {
        left: EDGES.0,
        top: 62 + used + 6 + labels.lanes() * LANE,
        right: EDGES.1,
        bottom: STRIP_TOP - 44 - strip_room,
    };
    canvas.legend(
        "Contactor",
        (24, STRIP_TOP - 20),
        right,
        &states::legend(&data.states, &data.range),
    )?;
    let strip = Area {
        left: EDGES.0,
        top: STRIP_TOP,
        right: EDGES.1,
        bottom: STRIP_TOP + 18,
    };
    let legend_top = strip.bottom + 26;
    let mut entries = insulation::entries(data);
    entries.extend(shade::entries(data, Of::Insulation));
    let used = canvas.legend("Insulation to earth", (24, legend_top), right, &entries)?;
    let lower = Area {
        left: EDGES.0,
        top: legend_top + used,
        right: EDGES.1,
        bottom: LOWER_BOTTOM - strip_room,
    };

    let ticks = axis.ticks(12);
    for (panel, of) in [(upper, Of::Current), (lower, Of::Insulation)] {
        shade::panel(canvas, data, &axis, panel, of)?;
        for (x, _) in &ticks {
            canvas.line(&[(*x, panel.top), (*x, panel.bottom)], colour::GRID, 1)?;
        }
    }
    labels.draw_lines(canvas, upper)?; // under the data: an excursion stands just where its trip is marked
    current::panel(canvas, data, &axis, upper)?;
    insulation::panel(canvas, data, &axis, lower)?;
    for (panel, of) in [(upper, Of::Current), (lower, Of::Insulation)] {
        shade::strip(canvas, data, &axis, panel, of)?;
    }
    canvas.fill(strip, colour::WHITE)?;
    states::strip(canvas, &data.states, &axis, strip)?;
    time_labels(canvas, &ticks, LOWER_BOTTOM)?;
    labels.draw(canvas, upper)?;
    foot(canvas, data, LOWER_BOTTOM + 44)
}

fn head<B: DrawingBackend>(canvas: &Canvas<B>, data: &OverviewData) -> Drawn {
    let right = canvas.sheet().right - 24;
    let words = super::board_words(data.board, data.note.as_deref());
    canvas.title(&words, (24, 26))?;
    canvas.text(&period(&data.range), (right, 26), Side::Right, colour::INK)
}

/// Ticks of a time axis below `bottom`.
pub(super) fn time_labels<B: DrawingBackend>(
    canvas: &Canvas<B>,
    ticks: &[(i32, String)],
    bottom: i32,
) -> Drawn {
    for (x, label) in ticks {
        canvas.line(&[(*x, bottom), (*x, bottom + 6)], colour::INK, 2)?;
        canvas.text(label, (*x, bottom + 19), Side::Center, colour::INK)?;
    }
    canvas.text(
        "UTC",
        (EDGES.1 + 60, bottom + 19),
        Side::Center,
        colour::INK,
    )
}

fn foot<B: DrawingBackend>(canvas: &Canvas<B>, data: &OverviewData, top: i32) -> Drawn {
    let sheet = canvas.sheet();
    let levels: Vec<Level> = data
        .settings
        .iter()
        .flat_map(|settings| {
            levels::current(settings)
                .into_iter()
                .chain(levels::insulation(settings))
        })
        .collect();
    let line = data.sources.line(data.settings.as_ref(), &levels);
    canvas.paragraph(&line, (24, top), sheet.right - 24, colour::QUIET)?;
    canvas.text(CAUTION, (24, sheet.bottom - 22), Side::Left, colour::INK)
}

/// Grid, ticks and frame of a panel with a logarithmic axis.
pub(super) fn log_axis<B: DrawingBackend>(
    canvas: &Canvas<B>,
    area: Area,
    scale: &LogScale,
    unit: &str,
) -> Drawn {
    for value in scale.ticks() {
        let y = scale.y(value);
        canvas.line(&[(area.left, y), (area.right, y)], colour::GRID, 1)?;
        let label = si(value, unit);
        canvas.text(&label, (area.left - 10, y), Side::Right, colour::INK)?;
    }
    canvas.frame(area, colour::QUIET)
}
