//! Whether insulation fails wet: a map of the lowest resistance by day and hour, and below it what wet and what dry measurements
//! show, side by side over time. A connector that takes in water darkens the mornings and pulls the wet boxes down while the
//! dry ones stay.
//!
//! - [`data`]: what is drawn, gathered from a store
//! - this file: the sheet, from top to bottom

mod data;

pub use data::{Cell, Spread, Stretch, WetDryData};

use super::canvas::{Area, Canvas, Drawn, Entry, Side, Swatch};
use super::levels::{self, Level};
use super::overview::{log_axis, time_labels};
use super::picture::Picture;
use super::scale::LogScale;
use super::time_axis::{TimeAxis, period_days};
use super::{CAUTION, colour};
use crate::trend::adjusted::{DRY, WET};
use crate::words::si;
use plotters::prelude::*;

const DAY_US: i64 = 86_400_000_000;
const EDGES: (i32, i32) = (100, 1085);
const MAP: (i32, i32) = (122, 458);
const BOXES: (i32, i32) = (514, 770);
const BOUNDS_OHM: (f64, f64) = (1.0, 1e12);
/// Steps of colour.
const STEPS: usize = 12;

/// From low to high: dark to light in grey print too, blue to yellow for those who see few colours (after "cividis", corner values
/// from memory).
const CORNERS: [RGBColor; 6] = [
    RGBColor(0x00, 0x20, 0x4d),
    RGBColor(0x31, 0x44, 0x6b),
    RGBColor(0x66, 0x69, 0x70),
    RGBColor(0x95, 0x8f, 0x78),
    RGBColor(0xcb, 0xba, 0x69),
    RGBColor(0xff, 0xea, 0x46),
];

/// Colours over a range of resistances.
struct Heat {
    low: f64,
    high: f64,
}

impl Heat {
    /// Whole decades around what was measured and the trip level.
    fn of(data: &WetDryData) -> Self {
        let measured = data.cells.values().filter_map(|cell| match cell {
            Cell::Lowest(r) => Some(*r),
            Cell::Dark | Cell::NotMeasured => None,
        });
        let limit = data
            .settings
            .map(|settings| f64::from(settings.insulation.trip_below.0));
        let (low, high) = measured
            .chain(limit)
            .filter(|r| r.is_finite() && *r > 0.0)
            .map(|r| r.clamp(BOUNDS_OHM.0, BOUNDS_OHM.1).log10())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), log| {
                (a.min(log), b.max(log))
            });
        let low = low.floor().max(0.0);
        Self {
            low,
            high: high.ceil().max(low + 1.0),
        }
    }

    fn step(&self, r_ohm: f64) -> usize {
        let share = (r_ohm.max(1e-3).log10() - self.low) / (self.high - self.low);
        ((share * STEPS as f64).max(0.0) as usize).min(STEPS - 1)
    }
}

fn colour_of(step: usize) -> RGBColor {
    let along = step as f64 / (STEPS - 1) as f64 * (CORNERS.len() - 1) as f64;
    let k = (along as usize).min(CORNERS.len() - 2);
    let part = along - k as f64;
    let (a, b) = (CORNERS[k], CORNERS[k + 1]);
    let mix = |a: u8, b: u8| (f64::from(a) + part * (f64::from(b) - f64::from(a))).round() as u8;
    RGBColor(mix(a.0, b.0), mix(a.1, b.1), mix(a.2, b.2))
}

impl Picture for WetDryData {
    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        let sheet = canvas.sheet();
        // A solar day begins half a day before its noon.
        let us = |day: i64| (day * DAY_US).saturating_add((self.noon_s * 1e6) as i64) - DAY_US / 2;
        let columns = (self.days.1 - self.days.0) / self.column_days + 1;
        let range = us(self.days.0)..us(self.days.0 + columns * self.column_days);
        let axis = TimeAxis {
            range,
            left: EDGES.0,
            right: EDGES.1,
        };
        canvas.title(
            &super::board_words(self.board, self.note.as_deref()),
            (24, 26),
        )?;
        let last = us(self.days.1 + 1);
        canvas.text(
            &period_days(&(axis.range.start..last)),
            (sheet.right - 24, 26),
            Side::Right,
            colour::INK,
        )?;
        let heat = Heat::of(self);
        let map = Area {
            left: EDGES.0,
            right: EDGES.1,
            top: MAP.0,
            bottom: MAP.1,
        };
        canvas.legend(
            "Lowest insulation of each hour",
            (24, 62),
            sheet.right - 16,
            &map_entries(),
        )?;
        self.map(canvas, &axis, map, &heat)?;
        key(canvas, map, &heat)?;
        let logged = if self.water_logged {
            "water as logged"
        } else {
            "water inferred from the leakage capacitance"
        };
        let entries = [
            Entry::new(Swatch::Area(colour::MINUS), format!("wet (from {WET} on)")),
            Entry::new(Swatch::Line(colour::PLUS, 2), format!("dry (up to {DRY})")),
            Entry::new(
                Swatch::Nothing,
                format!("{logged}; box: half, line: nine of ten, bar: median"),
            ),
        ];
        canvas.legend("Wet against dry", (24, 488), sheet.right - 16, &entries)?;
        let boxes = Area {
            top: BOXES.0,
            bottom: BOXES.1,
            ..map
        };
        self.boxes(canvas, &axis, boxes, &us)?;
        time_labels(canvas, &axis.ticks(12), BOXES.1)?;
        let levels: Vec<Level> = self.settings.iter().flat_map(levels::insulation).collect();
        let line = self.sources.line(self.settings.as_ref(), &levels);
        canvas.paragraph(&line, (24, BOXES.1 + 44), sheet.right - 24, colour::QUIET)?;
        canvas.text(CAUTION, (24, sheet.bottom - 22), Side::Left, colour::INK)
    }
}

fn map_entries() -> Vec<Entry> {
    vec![
        Entry::new(Swatch::Area(colour_of(0)), "low"),
        Entry::new(Swatch::Area(colour_of(STEPS - 1)), "high"),
        Entry::new(Swatch::Area(colour::DARK), "array dark"),
        Entry::new(
            Swatch::Hatched(colour::UNSEEN, colour::UNSEEN_STROKE),
            "lit, not measured",
        ),
        Entry::new(
            Swatch::Hatched(colour::NO_RECORD, colour::NO_RECORD_STROKE),
            "nothing recorded",
        ),
    ]
}

impl WetDryData {
    fn map<B: DrawingBackend>(
        &self,
        canvas: &Canvas<B>,
        axis: &TimeAxis,
        area: Area,
        heat: &Heat,
    ) -> Drawn {
        let row = |hour: u8| area.bottom - (i32::from(hour) * (area.bottom - area.top)) / 24;
        // What nothing covers was not recorded.
        canvas.hatch(area, colour::NO_RECORD, colour::NO_RECORD_STROKE)?;
        let us = |day: i64| axis.range.start + (day - self.days.0) * DAY_US;
        let cells: Vec<(i64, u8, Option<usize>, Cell)> = self
            .cells
            .iter()
            .map(|(&(day, hour), &cell)| match cell {
                Cell::Lowest(r) => (day, hour, Some(heat.step(r)), cell),
                Cell::Dark | Cell::NotMeasured => (day, hour, None, cell),
            })
            .collect();
        // Hours of a day that look alike are one piece.
        let alike = |a: &(i64, u8, Option<usize>, Cell), b: &(i64, u8, Option<usize>, Cell)| {
            a.0 == b.0 && a.1 + 1 == b.1 && a.2 == b.2 && (a.2.is_some() || a.3 == b.3)
        };
        for piece in cells.chunk_by(alike) {
            let (Some(first), Some(last)) = (piece.first(), piece.last()) else {
                continue;
            };
            let at = Area {
                left: axis.x(us(first.0)),
                right: axis.x(us(first.0 + self.column_days)),
                top: row(last.1 + 1),
                bottom: row(first.1),
            };
            match (first.2, first.3) {
                (Some(step), _) => canvas.fill(at, colour_of(step))?,
                (None, Cell::NotMeasured) => {
                    canvas.hatch(at, colour::UNSEEN, colour::UNSEEN_STROKE)?;
                }
                (None, _) => canvas.fill(at, colour::DARK)?,
            }
        }
        canvas.frame(area, colour::QUIET)?;
        for (hour, words) in [
            (0, "midnight"),
            (6, "6 h"),
            (12, "sun noon"),
            (18, "18 h"),
            (24, "midnight"),
        ] {
            let y = row(hour);
            canvas.line(&[(area.left - 6, y), (area.left, y)], colour::INK, 2)?;
            canvas.text(words, (area.left - 10, y), Side::Right, colour::INK)?;
        }
        Ok(())
    }

    fn boxes<B: DrawingBackend>(
        &self,
        canvas: &Canvas<B>,
        axis: &TimeAxis,
        area: Area,
        us: &dyn Fn(i64) -> i64,
    ) -> Drawn {
        let levels: Vec<Level> = self.settings.iter().flat_map(levels::insulation).collect();
        let values = self
            .stretches
            .iter()
            .flat_map(|stretch| [stretch.wet, stretch.dry])
            .flatten()
            .flat_map(|spread| spread.r_ohm)
            .map(|r| r as f32);
        let known = levels.iter().map(|level| level.value);
        let scale = LogScale::fitting(values.chain(known), BOUNDS_OHM, (area.top, area.bottom));
        for (x, _) in axis.ticks(12) {
            canvas.line(&[(x, area.top), (x, area.bottom)], colour::GRID, 1)?;
        }
        log_axis(canvas, area, &scale, "Ω")?;
        levels::draw(canvas, area, |r| scale.y(r), &levels)?;
        for stretch in &self.stretches {
            let left = axis.x(us(stretch.day));
            let right = axis.x(us(stretch.day + self.stretch_days));
            let half = ((right - left) / 5).clamp(2, 9);
            let third = (right - left) / 4;
            let middle = i32::midpoint(left, right);
            if let Some(wet) = &stretch.wet {
                spread_box(canvas, wet, middle - third, half, &scale, true)?;
            }
            if let Some(dry) = &stretch.dry {
                spread_box(canvas, dry, middle + third, half, &scale, false)?;
            }
        }
        Ok(())
    }
}

/// Wet is a full box, dry an open one.
fn spread_box<B: DrawingBackend>(
    canvas: &Canvas<B>,
    spread: &Spread,
    x: i32,
    half: i32,
    scale: &LogScale,
    wet: bool,
) -> Drawn {
    let [p5, p25, p50, p75, p95] = spread.r_ohm.map(|r| scale.y(r as f32));
    let ink = if wet { colour::MINUS } else { colour::PLUS };
    canvas.line(&[(x, p5), (x, p95)], ink, 2)?;
    let area = Area {
        left: x - half,
        right: x + half,
        top: p75,
        bottom: p25.max(p75 + 2),
    };
    if wet {
        canvas.fill(area, ink)?;
    } else {
        canvas.fill(area, colour::WHITE)?;
        canvas.frame(area, ink)?;
    }
    let bar = if wet { colour::WHITE } else { ink };
    canvas.line(&[(x - half, p50), (x + half, p50)], bar, 2)
}

/// The scale of colours, beside the map.
fn key<B: DrawingBackend>(canvas: &Canvas<B>, map: Area, heat: &Heat) -> Drawn {
    let (left, right) = (map.right + 24, map.right + 46);
    let y = |share: f64| map.bottom - (share * f64::from(map.bottom - map.top)).round() as i32;
    for step in 0..STEPS {
        let share = |k: usize| k as f64 / STEPS as f64;
        let area = Area {
            left,
            right,
            top: y(share(step + 1)),
            bottom: y(share(step)),
        };
        canvas.fill(area, colour_of(step))?;
    }
    let whole = Area { left, right, ..map };
    canvas.frame(whole, colour::QUIET)?;
    for decade in heat.low as i32..=heat.high as i32 {
        let share = (f64::from(decade) - heat.low) / (heat.high - heat.low);
        let at = y(share);
        canvas.line(&[(right, at), (right + 5, at)], colour::INK, 2)?;
        let label = si(10_f64.powi(decade) as f32, "Ω");
        canvas.text(&label, (right + 9, at), Side::Left, colour::INK)?;
    }
    Ok(())
}
