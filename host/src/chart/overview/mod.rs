//! A period of a board on one sheet: bond current, contactor, insulation, over one time axis.
//!
//! - [`data`]: what is drawn, gathered from a store, and what follows from it (measurements, spells without one)
//! - this file: the sheet, from top to bottom
//! - [`current`], [`insulation`]: the two panels
//!
//! Bond current stands on a logarithmic axis of its magnitude, because 2 mA of healthy leakage and a fault of 9 A must both
//! be read off; its direction is told by colour.

mod current;
mod data;
mod insulation;

pub use data::OverviewData;

use super::CAUTION;
use super::canvas::{Area, Canvas, Drawn, Entry, Side, Swatch};
use super::colour;
use super::marks::{self, Mark, Place};
use super::scale::LogScale;
use super::time_axis::{TimeAxis, period};
use crate::words::si;
use data::{Spell, SpellKind};
use ohmward_proto::measure::TripState;
use plotters::prelude::*;
use std::collections::BTreeSet;

/// Left and right edge of both panels.
const EDGES: (i32, i32) = (100, 1085);
const LANES_MAX: i32 = 4;
const LANE: i32 = 21;

pub fn draw<B: DrawingBackend>(canvas: &Canvas<B>, data: &OverviewData) -> Drawn {
    let sheet = Area::sheet();
    let axis = TimeAxis {
        range: data.range.clone(),
        left: EDGES.0,
        right: EDGES.1,
    };
    let mut notes: Vec<&str> = data.note.iter().map(String::as_str).collect();
    if data.settings.is_none() {
        notes.push("limits not known: no settings received");
    }
    let note = if notes.is_empty() {
        String::new()
    } else {
        format!(" ({})", notes.join("; "))
    };
    canvas.title(&format!("Board {}{note}", data.board), (24, 26))?;
    canvas.text(
        &period(&data.range),
        (sheet.right - 24, 26),
        Side::Right,
        colour::INK,
    )?;

    let (strip_top, lower_bottom) = (478, 806);
    let used = current::legend(canvas, data, (24, 62), sheet.right - 16)?;
    let labels = Labels::place(canvas, data, &axis)?;
    let upper = Area {
        left: EDGES.0,
        top: 62 + used + 6 + labels.lanes() * LANE,
        right: EDGES.1,
        bottom: strip_top - 44,
    };
    strip_legend(canvas, data, (24, strip_top - 20), sheet.right - 16)?;
    let strip = Area {
        left: EDGES.0,
        top: strip_top,
        right: EDGES.1,
        bottom: strip_top + 18,
    };
    let legend_top = strip.bottom + 26;
    let used = insulation::legend(canvas, data, (24, legend_top), sheet.right - 16)?;
    let lower = Area {
        left: EDGES.0,
        top: legend_top + used,
        right: EDGES.1,
        bottom: lower_bottom,
    };

    let ticks = axis.ticks(12);
    for panel in [upper, lower] {
        shade(canvas, data, &axis, panel, panel == lower)?;
        for (x, _) in &ticks {
            canvas.line(&[(*x, panel.top), (*x, panel.bottom)], colour::GRID, 1)?;
        }
    }
    labels.draw_lines(canvas, upper)?; // under the data: an excursion stands just where its trip is marked
    current::panel(canvas, data, &axis, upper)?;
    insulation::panel(canvas, data, &axis, lower)?;
    strip_of_states(canvas, data, &axis, strip)?;
    for (x, label) in &ticks {
        canvas.line(
            &[(*x, lower.bottom), (*x, lower.bottom + 6)],
            colour::INK,
            2,
        )?;
        canvas.text(label, (*x, lower.bottom + 19), Side::Center, colour::INK)?;
    }
    canvas.text(
        "UTC",
        (EDGES.1 + 60, lower.bottom + 19),
        Side::Center,
        colour::INK,
    )?;
    labels.draw(canvas, upper)?;
    canvas.text(CAUTION, (24, sheet.bottom - 24), Side::Left, colour::INK)
}

/// Grid, ticks and frame of a panel with a logarithmic axis.
fn log_axis<B: DrawingBackend>(
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

/// A level that decides something.
struct Limit {
    value: f32,
    text: String,
    colour: RGBColor,
    dash: (i32, i32),
}

/// Limits as dashed lines, named on the right where no data is; names that would touch move apart.
fn draw_limits<B: DrawingBackend>(
    canvas: &Canvas<B>,
    area: Area,
    scale: &LogScale,
    limits: &mut [Limit],
) -> Drawn {
    const APART: i32 = 20;
    limits.sort_by(|a, b| b.value.total_cmp(&a.value));
    let mut places: Vec<i32> = limits.iter().map(|limit| scale.y(limit.value)).collect();
    for k in 1..places.len() {
        places[k] = places[k].max(places[k - 1] + APART);
    }
    // Back up from the lower edge, so that the lowest name stays beside its panel.
    let mut floor = area.bottom;
    for place in places.iter_mut().rev() {
        *place = (*place).min(floor);
        floor = *place - APART;
    }
    for (limit, place) in limits.iter().zip(places) {
        let y = scale.y(limit.value);
        canvas.dashes(area.left, area.right, y, limit.dash, limit.colour)?;
        canvas.line(
            &[(area.right, y), (area.right + 12, place)],
            limit.colour,
            2,
        )?;
        canvas.text(
            &limit.text,
            (area.right + 16, place),
            Side::Left,
            limit.colour,
        )?;
    }
    Ok(())
}

/// Times without a measurement; narrow dark ones are left out where they would only make the panel grey.
fn shade<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    axis: &TimeAxis,
    area: Area,
    insulation: bool,
) -> Drawn {
    let spells = if insulation {
        data.insulation_spells()
    } else {
        data.current_spells()
    };
    for spell in spells {
        let (left, right) = (axis.x(spell.from_us), axis.x(spell.to_us));
        if spell.kind == SpellKind::Dark && data.by_days() {
            continue;
        }
        let right = right.max(left + 1);
        canvas.fill(
            Area {
                left,
                right,
                ..area
            },
            spell_colour(spell.kind),
        )?;
    }
    Ok(())
}

fn spell_colour(kind: SpellKind) -> RGBColor {
    match kind {
        SpellKind::Dark => colour::DARK,
        SpellKind::Other(_) | SpellKind::Stale => colour::UNSEEN,
        SpellKind::NoRecord => colour::NO_RECORD,
    }
}

/// Legend entries for the shadings that occur among `spells`.
fn spell_entries(data: &OverviewData, spells: &[Spell]) -> Vec<Entry> {
    let mut entries = Vec::new();
    let has = |kind| spells.iter().any(|spell| spell.kind == kind);
    if has(SpellKind::Dark) {
        entries.push(if data.by_days() {
            Entry::new(Swatch::Nothing, "(nights, not measured, are not shaded)")
        } else {
            Entry::new(Swatch::Area(colour::DARK), "not measured: array dark")
        });
    }
    let reasons: BTreeSet<&str> = spells
        .iter()
        .filter_map(|spell| match spell.kind {
            SpellKind::Other(why) => Some(data::reason_words(why)),
            SpellKind::Stale => Some("none was due or done"),
            SpellKind::Dark | SpellKind::NoRecord => None,
        })
        .collect();
    if !reasons.is_empty() {
        let mut words: Vec<&str> = reasons.iter().copied().take(3).collect();
        if reasons.len() > 3 {
            words.push("…");
        }
        let text = format!("not measured: {}", words.join(", "));
        entries.push(Entry::new(Swatch::Area(colour::UNSEEN), text));
    }
    if has(SpellKind::NoRecord) {
        entries.push(Entry::new(
            Swatch::Area(colour::NO_RECORD),
            "nothing recorded",
        ));
    }
    entries
}

fn state_look(state: TripState) -> (RGBColor, &'static str) {
    match state {
        TripState::Closed => (colour::CLOSED, "closed"),
        TripState::Resting => (colour::RESTING, "resting (open, no fault)"),
        TripState::Closing => (colour::MOVING, "closing"),
        TripState::Opening => (colour::MOVING, "opening"),
        TripState::Latched => (colour::LATCHED, "latched open after a trip"),
        TripState::LockedOut => (colour::LOCKED, "locked out after repeated trips"),
        TripState::FailedToOpen => (colour::FAILED, "failed to open"),
    }
}

const STATES: [TripState; 7] = [
    TripState::Closed,
    TripState::Resting,
    TripState::Closing,
    TripState::Opening,
    TripState::Latched,
    TripState::LockedOut,
    TripState::FailedToOpen,
];

fn strip_legend<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    at: (i32, i32),
    right: i32,
) -> Drawn {
    let seen = |state| {
        data.readings
            .rows
            .iter()
            .any(|row| row.reading.state == state)
    };
    let entries: Vec<Entry> = STATES
        .into_iter()
        .filter(|state| seen(*state))
        .map(state_look)
        .map(|(colour, words)| Entry::new(Swatch::Area(colour), words))
        .collect();
    canvas.legend("Contactor", at, right, &entries).map(|_| ())
}

fn strip_of_states<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    axis: &TimeAxis,
    area: Area,
) -> Drawn {
    let spells = data.states();
    // The worst last, over the others: a moment of "failed to open" must not be lost in a pixel.
    for state in STATES {
        for (span, _) in spells.iter().filter(|(_, seen)| *seen == state) {
            let left = axis.x(span.start);
            let right = axis.x(span.end).max(left + 2);
            canvas.fill(
                Area {
                    left,
                    right,
                    ..area
                },
                state_look(state).0,
            )?;
        }
    }
    for spell in data.current_spells() {
        if spell.kind == SpellKind::NoRecord {
            let (left, right) = (axis.x(spell.from_us), axis.x(spell.to_us));
            canvas.fill(
                Area {
                    left,
                    right,
                    ..area
                },
                colour::NO_RECORD,
            )?;
        }
    }
    canvas.frame(area, colour::QUIET)
}

/// The marks of a sheet's events and the places of their labels.
struct Labels {
    /// One for each event that is marked.
    marks: Vec<Mark>,
    /// With like neighbours joined.
    labels: Vec<(Mark, Option<Place>)>,
}

impl Labels {
    fn place<B: DrawingBackend>(
        canvas: &Canvas<B>,
        data: &OverviewData,
        axis: &TimeAxis,
    ) -> Result<Self, String> {
        let marks: Vec<Mark> = data
            .events
            .iter()
            .filter_map(|stored| {
                let (text, colour, rank) = marks::wording(&stored.event.kind)?;
                Some(Mark {
                    x: axis.x(stored.t_us),
                    text,
                    colour,
                    rank,
                })
            })
            .collect();
        let joined = marks::joined(marks.clone());
        let widths: Result<Vec<i32>, String> = joined
            .iter()
            .map(|mark| canvas.width_of(&mark.text))
            .collect();
        let places = marks::place(&joined, &widths?, LANES_MAX, (20, Area::sheet().right - 10));
        Ok(Self {
            marks,
            labels: joined.into_iter().zip(places).collect(),
        })
    }

    fn lanes(&self) -> i32 {
        let lanes = self.labels.iter().filter_map(|(_, place)| *place);
        lanes.map(|place| place.lane + 1).max().unwrap_or(0)
    }

    /// Lines down through the panel, of the weighty ones.
    fn draw_lines<B: DrawingBackend>(&self, canvas: &Canvas<B>, panel: Area) -> Drawn {
        for (mark, _) in self.labels.iter().filter(|(mark, _)| mark.rank <= 2) {
            canvas.line(
                &[(mark.x, panel.top), (mark.x, panel.bottom)],
                mark.colour,
                2,
            )?;
        }
        Ok(())
    }

    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>, panel: Area) -> Drawn {
        for mark in &self.marks {
            canvas.pointer((mark.x, panel.top), mark.colour)?;
        }
        let mut without = 0;
        for (mark, place) in &self.labels {
            let Some(place) = place else {
                without += 1;
                continue;
            };
            let y = panel.top - 20 - place.lane * LANE;
            canvas.line(&[(mark.x, panel.top - 9), (mark.x, y - 7)], mark.colour, 2)?;
            let (x, side) = if place.flipped {
                (mark.x - 6, Side::Right)
            } else {
                (mark.x + 6, Side::Left)
            };
            canvas.text(&mark.text, (x, y), side, mark.colour)?;
        }
        if without > 0 {
            let text = format!("{without} more marks without a label: see the event list");
            let at = (Area::sheet().right - 24, Area::sheet().bottom - 24);
            canvas.text(&text, at, Side::Right, colour::INK)?;
        }
        Ok(())
    }
}
