//! The upper panel: RMS and DC of the bond current.

use super::bands::{self, Band, Line};
use super::data::OverviewData;
use super::log_axis;
use crate::chart::canvas::{Area, Canvas, Drawn, Entry, Px, Swatch, thinned};
use crate::chart::colour;
use crate::chart::columns::{Columns, quantile};
use crate::chart::levels::{self, Level};
use crate::chart::scale::LogScale;
use crate::chart::time_axis::TimeAxis;
use crate::store::Quantity;
use ohmward_proto::BondCurrent;
use plotters::prelude::*;

/// What an axis may span: nothing below is worth a decade, nothing above is a bond current.
const BOUNDS_A: (f64, f64) = (1e-4, 1e6);
/// DC from earth into the conductor, told from the other direction without colour.
const DASH: (i32, i32) = (9, 4);

pub fn entries(data: &OverviewData) -> Vec<Entry> {
    match data.columns() {
        None => vec![
            Entry::new(Swatch::Line(colour::WHOLE, 4), "RMS, DC included"),
            Entry::new(
                Swatch::Line(colour::PLUS, 3),
                "DC, out of the conductor into earth (+)",
            ),
            Entry::new(
                Swatch::Dashed(colour::MINUS, DASH, 3),
                "DC, from earth into the conductor (−)",
            ),
        ],
        Some(columns) => {
            let mut entries = bands::entries("RMS with DC", &columns.width_words());
            entries.push(Entry::new(
                Swatch::Line(colour::PLUS, 2),
                "largest DC into earth (+)",
            ));
            entries.push(Entry::new(
                Swatch::Dashed(colour::MINUS, DASH, 2),
                "largest DC from earth (−)",
            ));
            entries
        }
    }
}

pub fn panel<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    axis: &TimeAxis,
    area: Area,
) -> Drawn {
    let levels: Vec<Level> = data.settings.iter().flat_map(levels::current).collect();
    // From 1 mA, so that a noise of nanoamperes around zero does not take half of the panel.
    let known = levels.iter().map(|level| level.value).chain([1e-3]);
    let span = (area.top, area.bottom);
    if let Some(columns) = data.columns() {
        let values = columns.columns.iter().flat_map(|(_, rollup)| {
            let of = |quantity, q| quantile(rollup, quantity, q).map_or(f32::NAN, f32::abs);
            [
                of(Quantity::BondRms, 0.0),
                of(Quantity::BondRms, 1.0),
                of(Quantity::BondDc, 0.0),
                of(Quantity::BondDc, 1.0),
            ]
        });
        let scale = LogScale::fitting(values.chain(known), BOUNDS_A, span);
        log_axis(canvas, area, &scale, "A")?;
        levels::draw(canvas, area, |a| scale.y(a), &levels)?;
        of_columns(canvas, columns, axis, &scale)
    } else {
        let rows: Vec<(i64, BondCurrent)> = data
            .readings()
            .into_iter()
            .flat_map(|readings| &readings.rows)
            .map(|row| (row.t_us, row.reading.i_bond))
            .collect();
        let values = rows.iter().flat_map(|(_, i)| match i {
            BondCurrent::Measured { dc, rms } => [rms.0, dc.0.abs()],
            BondCurrent::NotMeasured(_) => [f32::NAN; 2],
        });
        let scale = LogScale::fitting(values.chain(known), BOUNDS_A, span);
        log_axis(canvas, area, &scale, "A")?;
        levels::draw(canvas, area, |a| scale.y(a), &levels)?;
        let apart_us = data.readings().map_or(0, |readings| readings.spacing_us);
        of_readings(canvas, &rows, apart_us, axis, &scale)
    }
}

fn of_columns<B: DrawingBackend>(
    canvas: &Canvas<B>,
    columns: &Columns,
    axis: &TimeAxis,
    scale: &LogScale,
) -> Drawn {
    bands::draw(
        canvas,
        columns,
        axis,
        |value| scale.y(value),
        &Band {
            join_us: 0,
            value: &|rollup, q| quantile(rollup, Quantity::BondRms, q),
        },
    )?;
    let lowest = scale.lowest();
    // Below the axis a direction is noise; RMS stands at its edge and tells that there was a value.
    let shown = |a: f32| Some(a).filter(|a| *a >= lowest);
    for (value, dash, colour) in [
        (
            &(|rollup: &_| quantile(rollup, Quantity::BondDc, 1.0).and_then(shown))
                as &dyn Fn(&_) -> Option<f32>,
            None,
            colour::PLUS,
        ),
        (
            &|rollup: &_| quantile(rollup, Quantity::BondDc, 0.0).and_then(|a| shown(-a)),
            Some(DASH),
            colour::MINUS,
        ),
    ] {
        let line = Line {
            join_us: 0,
            dash,
            colour,
            width: 2,
        };
        bands::line(canvas, columns, axis, |v| scale.y(v), value, &line)?;
    }
    Ok(())
}

fn of_readings<B: DrawingBackend>(
    canvas: &Canvas<B>,
    rows: &[(i64, BondCurrent)],
    apart_us: i64,
    axis: &TimeAxis,
    scale: &LogScale,
) -> Drawn {
    let lowest = scale.lowest();
    let dc_of = |i: &BondCurrent, sign: f32| match i {
        BondCurrent::Measured { dc, .. } => Some(dc.0 * sign).filter(|dc| *dc >= lowest),
        BondCurrent::NotMeasured(_) => None,
    };
    let rms_of = |i: &BondCurrent| match i {
        BondCurrent::Measured { rms, .. } => Some(rms.0).filter(|rms| !rms.is_nan()),
        BondCurrent::NotMeasured(_) => None,
    };
    let series = |value: &dyn Fn(&BondCurrent) -> Option<f32>,
                  dash: Option<(i32, i32)>,
                  colour: RGBColor,
                  width: u32|
     -> Drawn {
        let points: Vec<(i64, Option<f32>)> =
            rows.iter().map(|(t_us, i)| (*t_us, value(i))).collect();
        // A piece of line: where values follow each other without a gap.
        let joined = |(a, v): &(i64, Option<f32>), (b, w): &(i64, Option<f32>)| {
            v.is_some() && w.is_some() && b.saturating_sub(*a) <= apart_us
        };
        for piece in points.chunk_by(joined) {
            let line: Vec<Px> = piece
                .iter()
                .filter_map(|(t_us, value)| Some((axis.x(*t_us), scale.y((*value)?))))
                .collect();
            match (&thinned(&line)[..], dash) {
                ([], _) => {}
                ([point], _) => {
                    canvas.dot(*point, if points.len() == 1 { 5 } else { 2 }, colour)?;
                }
                (line, Some(dash)) => canvas.dashed(line, dash, colour, width)?,
                (line, None) => canvas.line(line, colour, width)?,
            }
        }
        Ok(())
    };
    series(&rms_of, None, colour::WHOLE, 4)?;
    series(&|i| dc_of(i, 1.0), None, colour::PLUS, 2)?;
    series(&|i| dc_of(i, -1.0), Some(DASH), colour::MINUS, 2)
}
