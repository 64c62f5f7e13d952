//! The lower panel: insulation resistance of each pole and of the whole array, at the times it was measured.

use super::bands::{self, Band, Line};
use super::data::OverviewData;
use super::log_axis;
use crate::chart::canvas::{Area, Canvas, Drawn, Entry, Px, Side, Swatch, thinned};
use crate::chart::colour;
use crate::chart::columns::{Columns, quantile};
use crate::chart::levels::{self, Level};
use crate::chart::scale::LogScale;
use crate::chart::time_axis::TimeAxis;
use crate::store::{Quantity, Rollup};
use ohmward_proto::PoleLeakage;
use ohmward_proto::measure::Resistance;
use plotters::prelude::*;

const BOUNDS_OHM: (f64, f64) = (1.0, 1e12);
/// The negative pole, told from the positive one without colour.
const DASH: (i32, i32) = (9, 4);

type Series = (
    fn(&PoleLeakage) -> Resistance,
    Option<(i32, i32)>,
    RGBColor,
    u32,
);

/// The whole array, broad, so that the pole which makes most of it can lie on it; the positive and the negative pole.
const SERIES: [Series; 3] = [
    (PoleLeakage::r_iso, None, colour::WHOLE, 6),
    (|l| l.resistance(l.g_pos), None, colour::PLUS, 2),
    (|l| l.resistance(l.g_neg), Some(DASH), colour::MINUS, 2),
];

pub fn entries(data: &OverviewData) -> Vec<Entry> {
    if let Some(columns) = data.columns() {
        let mut entries = bands::entries("array", &columns.width_words());
        entries.push(Entry::new(Swatch::Line(colour::PLUS, 2), "lowest, + pole"));
        entries.push(Entry::new(
            Swatch::Dashed(colour::MINUS, DASH, 2),
            "lowest, − pole",
        ));
        return entries;
    }
    let mut entries = vec![
        Entry::new(Swatch::Line(colour::WHOLE, 6), "both poles together"),
        Entry::new(Swatch::Line(colour::PLUS, 3), "+ pole"),
        Entry::new(Swatch::Dashed(colour::MINUS, DASH, 3), "− pole"),
    ];
    let bounded = data.measurements().iter().any(|(_, leakage)| {
        SERIES
            .iter()
            .any(|(resistance, ..)| matches!(resistance(leakage), Resistance::Above(_)))
    });
    if bounded {
        entries.push(Entry::new(
            Swatch::AtLeast(colour::INK),
            "at least this, cannot be seen further",
        ));
    }
    entries
}

pub fn panel<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    axis: &TimeAxis,
    area: Area,
) -> Drawn {
    let levels: Vec<Level> = data.settings.iter().flat_map(levels::insulation).collect();
    let known = levels.iter().map(|level| level.value);
    let span = (area.top, area.bottom);
    let is_empty = if let Some(columns) = data.columns() {
        let values = columns
            .columns
            .iter()
            .flat_map(|(_, rollup)| {
                [0.0, 1.0]
                    .map(|q| quantile(rollup, Quantity::RIso, q))
                    .into_iter()
                    .chain(POLES.map(|(quantity, ..)| lowest(rollup, quantity)))
            })
            .flatten();
        let scale = LogScale::fitting(values.chain(known), BOUNDS_OHM, span);
        log_axis(canvas, area, &scale, "Ω")?;
        levels::draw(canvas, area, |r| scale.y(r), &levels)?;
        of_columns(canvas, columns, data.stale_us(), axis, &scale)?;
        columns
            .columns
            .iter()
            .all(|(_, rollup)| rollup.of(Quantity::RIso).count() == 0)
    } else {
        let measurements = data.measurements();
        let values = measurements
            .iter()
            .flat_map(|(_, leakage)| SERIES.map(|(resistance, ..)| resistance(leakage)))
            .map(|r| r.bound().0);
        let scale = LogScale::fitting(values.chain(known), BOUNDS_OHM, span);
        log_axis(canvas, area, &scale, "Ω")?;
        levels::draw(canvas, area, |r| scale.y(r), &levels)?;
        of_measurements(canvas, &measurements, data.stale_us(), axis, (&scale, area))?;
        measurements.is_empty()
    };
    if is_empty {
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

/// A pole with how its line looks.
type Pole = (Quantity, Option<(i32, i32)>, RGBColor);

const POLES: [Pole; 2] = [
    (Quantity::GPos, None, colour::PLUS),
    (Quantity::GNeg, Some(DASH), colour::MINUS),
];

/// The lowest resistance of a pole; of one that leaks too little to be told from none there is no number.
fn lowest(rollup: &Rollup, quantity: Quantity) -> Option<f32> {
    quantile(rollup, quantity, 1.0)
        .filter(|g| *g > 0.0)
        .map(|g| 1.0 / g)
}

fn of_columns<B: DrawingBackend>(
    canvas: &Canvas<B>,
    columns: &Columns,
    join_us: i64,
    axis: &TimeAxis,
    scale: &LogScale,
) -> Drawn {
    let band = Band {
        join_us,
        value: &|rollup, q| quantile(rollup, Quantity::RIso, q),
    };
    bands::draw(canvas, columns, axis, |r| scale.y(r), &band)?;
    for (quantity, dash, colour) in POLES {
        let look = Line {
            join_us,
            dash,
            colour,
            width: 2,
        };
        let value = |rollup: &Rollup| lowest(rollup, quantity);
        bands::line(canvas, columns, axis, |r| scale.y(r), &value, &look)?;
    }
    Ok(())
}

fn of_measurements<B: DrawingBackend>(
    canvas: &Canvas<B>,
    measurements: &[(i64, PoleLeakage)],
    stale_us: i64,
    axis: &TimeAxis,
    (scale, area): (&LogScale, Area),
) -> Drawn {
    let is = |r: &Resistance| matches!(r, Resistance::Is(_));
    for (resistance, dash, colour, width) in SERIES {
        let points: Vec<(i64, Resistance)> = measurements
            .iter()
            .map(|(t_us, leakage)| (*t_us, resistance(leakage)))
            .filter(|(_, r)| !r.bound().0.is_nan())
            .collect();
        for piece in
            points.chunk_by(|(a, r), (b, s)| is(r) && is(s) && b.saturating_sub(*a) <= stale_us)
        {
            if !is(&piece[0].1) {
                continue;
            }
            let line: Vec<Px> = piece
                .iter()
                .map(|(t_us, r)| (axis.x(*t_us), scale.y(r.bound().0)))
                .collect();
            let line = thinned(&line);
            match (line.len(), dash) {
                (1, _) => canvas.dot(line[0], 3, colour)?,
                (_, Some(dash)) => canvas.dashed(&line, dash, colour, width)?,
                (_, None) => canvas.line(&line, colour, width)?,
            }
            if points.len() <= 80 {
                for point in line {
                    canvas.dot(point, 3, colour)?;
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
    Ok(())
}
