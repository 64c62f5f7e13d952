//! Columns of roll-ups on a panel: lowest to highest, where nine of ten lie, the median; lines through columns.

use crate::chart::canvas::{Canvas, Drawn, Entry, Px, Swatch};
use crate::chart::colour;
use crate::chart::columns::Columns;
use crate::chart::time_axis::TimeAxis;
use crate::store::Rollup;
use plotters::prelude::*;

/// A quantity as bands.
pub struct Band<'a> {
    /// Columns no further apart than this are joined, microseconds; those that touch always are.
    pub join_us: i64,
    /// The value that a share of a column does not exceed.
    pub value: &'a dyn Fn(&Rollup, f64) -> Option<f32>,
}

/// How a line looks.
pub struct Line {
    /// As of a band.
    pub join_us: i64,
    pub dash: Option<(i32, i32)>,
    pub colour: RGBColor,
    pub width: u32,
}

/// `of`: what it is; `each`: "hour".
pub fn entries(of: &str, each: &str) -> Vec<Entry> {
    vec![
        Entry::new(
            Swatch::Line(colour::WHOLE, 3),
            format!("{of}: median of each {each}"),
        ),
        Entry::new(Swatch::Area(colour::MOST_OF_IT), "5 to 95 %"),
        Entry::new(Swatch::Area(colour::ALL_OF_IT), "lowest to highest"),
    ]
}

pub fn draw<B: DrawingBackend>(
    canvas: &Canvas<B>,
    columns: &Columns,
    axis: &TimeAxis,
    y: impl Fn(f32) -> i32,
    band: &Band,
) -> Drawn {
    let stretches = |low: f64, high: f64| -> Vec<(i32, i32, i32, i32)> {
        columns
            .columns
            .iter()
            .filter_map(|(start_us, rollup)| {
                let (from, to) = ends(columns, axis, *start_us);
                let low = y((band.value)(rollup, low)?);
                let high = y((band.value)(rollup, high)?);
                Some((from, to, low.min(high), low.max(high) + 1))
            })
            .collect()
    };
    canvas.band(&stretches(0.0, 1.0), colour::ALL_OF_IT)?;
    canvas.band(&stretches(0.05, 0.95), colour::MOST_OF_IT)?;
    let look = Line {
        join_us: band.join_us,
        dash: None,
        colour: colour::WHOLE,
        width: 3,
    };
    line(
        canvas,
        columns,
        axis,
        &y,
        &|rollup| (band.value)(rollup, 0.5),
        &look,
    )
}

/// Through the middles of columns; not over a column without a value, and not over more than a gap that is due.
pub fn line<B: DrawingBackend>(
    canvas: &Canvas<B>,
    columns: &Columns,
    axis: &TimeAxis,
    y: impl Fn(f32) -> i32,
    value: &dyn Fn(&Rollup) -> Option<f32>,
    look: &Line,
) -> Drawn {
    let points: Vec<(i64, f32)> = columns
        .columns
        .iter()
        .filter_map(|(start_us, rollup)| Some((*start_us, value(rollup)?)))
        .collect();
    let apart_us = look.join_us.max(columns.width_us);
    for piece in points.chunk_by(|a, b| b.0.saturating_sub(a.0) <= apart_us) {
        let mut line: Vec<Px> = piece
            .iter()
            .map(|(start_us, value)| {
                let (from, to) = ends(columns, axis, *start_us);
                (i32::midpoint(from, to), y(*value))
            })
            .collect();
        if let (&[(_, height)], &[(start_us, _)]) = (&line[..], piece) {
            let (from, to) = ends(columns, axis, start_us);
            line = vec![(from, height), (to.max(from + 2), height)];
        }
        match look.dash {
            Some(dash) => canvas.dashed(&line, dash, look.colour, look.width)?,
            None => canvas.line(&line, look.colour, look.width)?,
        }
    }
    Ok(())
}

fn ends(columns: &Columns, axis: &TimeAxis, start_us: i64) -> (i32, i32) {
    let from = axis.x(start_us);
    let to = axis.x(start_us.saturating_add(columns.width_us));
    (from, to.max(from + 1))
}
