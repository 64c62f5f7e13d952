//! The lower panel: insulation resistance of each pole and of the whole array, at the times it was measured.

use super::data::{OverviewData, most_of_each_day};
use super::{Limit, draw_limits, log_axis, spell_entries};
use crate::chart::canvas::{Area, Canvas, Drawn, Entry, Px, Side, Swatch, thinned};
use crate::chart::colour;
use crate::chart::scale::LogScale;
use crate::chart::time_axis::TimeAxis;
use crate::words::si;
use ohmward_proto::measure::Resistance;
use ohmward_proto::{PoleLeakage, Settings};
use plotters::prelude::*;

const BOUNDS_OHM: (f64, f64) = (1.0, 1e12);

type Series = (fn(&PoleLeakage) -> Resistance, RGBColor, u32);

/// The whole array, broad, so that the pole which makes most of it can lie on it; the positive and the negative pole.
const SERIES: [Series; 3] = [
    (PoleLeakage::r_iso, colour::WHOLE, 6),
    (|l| l.resistance(l.g_pos), colour::PLUS, 2),
    (|l| l.resistance(l.g_neg), colour::MINUS, 2),
];

pub fn legend<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    at: Px,
    right: i32,
) -> Result<i32, String> {
    let mut entries = vec![
        Entry::new(Swatch::Line(colour::WHOLE, 6), "both poles together"),
        Entry::new(Swatch::Line(colour::PLUS, 3), "+ pole"),
        Entry::new(Swatch::Line(colour::MINUS, 3), "− pole"),
    ];
    if data.by_days() {
        entries.push(Entry::new(Swatch::Nothing, "(lowest of each day)"));
    }
    let bounded = data.measurements().iter().any(|(_, leakage)| {
        SERIES
            .iter()
            .any(|(resistance, _, _)| matches!(resistance(leakage), Resistance::Above(_)))
    });
    if bounded {
        entries.push(Entry::new(
            Swatch::AtLeast(colour::INK),
            "at least this, cannot be seen further",
        ));
    }
    entries.extend(spell_entries(data, &data.insulation_spells()));
    canvas.legend("Insulation to earth", at, right, &entries)
}

pub fn panel<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    axis: &TimeAxis,
    area: Area,
) -> Drawn {
    let measurements = data.measurements();
    let mut limits: Vec<Limit> = data.settings.iter().flat_map(limits_of).collect();
    let values = measurements
        .iter()
        .flat_map(|(_, leakage)| SERIES.map(|(resistance, _, _)| resistance(leakage).bound().0));
    let levels = limits.iter().map(|limit| limit.value);
    let scale = LogScale::fitting(values.chain(levels), BOUNDS_OHM, (area.top, area.bottom));
    log_axis(canvas, area, &scale, "Ω")?;
    draw_limits(canvas, area, &scale, &mut limits)?;

    let stale_us = data.stale_us();
    for (resistance, colour, width) in SERIES {
        let mut points: Vec<(i64, Resistance)> = measurements
            .iter()
            .map(|(t_us, leakage)| (*t_us, resistance(leakage)))
            .filter(|(_, r)| !r.bound().0.is_nan())
            .collect();
        if data.by_days() {
            points = most_of_each_day(&points, |r| -r.bound().0);
        }
        let is = |r: &Resistance| matches!(r, Resistance::Is(_));
        for piece in
            points.chunk_by(|(a, r), (b, s)| is(r) && is(s) && b.saturating_sub(*a) <= stale_us)
        {
            let line: Vec<Px> = piece
                .iter()
                .map(|(t_us, r)| (axis.x(*t_us), scale.y(r.bound().0)))
                .collect();
            if is(&piece[0].1) {
                let line = thinned(&line);
                if line.len() > 1 {
                    canvas.line(&line, colour, width)?;
                } else {
                    canvas.dot(line[0], 3, colour)?;
                }
                if points.len() <= 80 {
                    for point in line {
                        canvas.dot(point, 3, colour)?;
                    }
                }
            }
        }
        // One arrow in a few columns is enough to be seen, and more would be a wall.
        let mut free = i32::MIN;
        for (t_us, r) in points.iter().filter(|(_, r)| !is(r)) {
            let at = (axis.x(*t_us), scale.y(r.bound().0).max(area.top + 12));
            if at.0 >= free {
                canvas.at_least(at, colour)?;
                free = at.0 + 9;
            }
        }
    }
    if measurements.is_empty() {
        let middle = (
            i32::midpoint(area.left, area.right),
            i32::midpoint(area.top, area.bottom),
        );
        canvas.text(
            "no insulation measurement in this period",
            middle,
            Side::Center,
            colour::INK,
        )?;
    }
    Ok(())
}

fn limits_of(settings: &Settings) -> [Limit; 3] {
    let levels = &settings.insulation;
    let limit = |r: f32, words: &str, colour, dash| Limit {
        value: r,
        text: format!("{words} {}", si(r, "Ω")),
        colour,
        dash,
    };
    [
        limit(levels.warn_below.0, "warn below", colour::WARN, (5, 5)),
        limit(levels.reset_above.0, "reset above", colour::RESET, (2, 6)),
        limit(levels.trip_below.0, "trip below", colour::TRIP, (14, 6)),
    ]
}
