//! The upper panel: RMS and DC of the bond current.

use super::data::{OverviewData, most_of_each_day};
use super::{Limit, draw_limits, log_axis, spell_entries};
use crate::chart::canvas::{Area, Canvas, Drawn, Entry, Px, Swatch, thinned};
use crate::chart::colour;
use crate::chart::scale::LogScale;
use crate::chart::time_axis::TimeAxis;
use crate::words::si;
use ohmward_proto::BondCurrent;
use plotters::prelude::*;

/// What an axis may span: nothing below is worth a decade, nothing above is a bond current.
const BOUNDS_A: (f64, f64) = (1e-4, 1e6);

pub fn legend<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    at: Px,
    right: i32,
) -> Result<i32, String> {
    let mut entries = vec![
        Entry::new(Swatch::Line(colour::WHOLE, 4), "RMS, DC included"),
        Entry::new(
            Swatch::Line(colour::PLUS, 3),
            "DC, out of the conductor into earth (+)",
        ),
        Entry::new(
            Swatch::Line(colour::MINUS, 3),
            "DC, from earth into the conductor (−)",
        ),
    ];
    if data.by_days() {
        entries.push(Entry::new(Swatch::Nothing, "(largest of each day)"));
    }
    entries.extend(spell_entries(data, &data.current_spells()));
    canvas.legend("Bond current", at, right, &entries)
}

pub fn panel<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &OverviewData,
    axis: &TimeAxis,
    area: Area,
) -> Drawn {
    let mut limits: Vec<Limit> = data.settings.iter().flat_map(limits_of).collect();
    let rows: Vec<(i64, BondCurrent)> = data
        .readings
        .rows
        .iter()
        .map(|row| (row.t_us, row.reading.i_bond))
        .collect();
    let values = rows.iter().flat_map(|(_, i)| match i {
        BondCurrent::Measured { dc, rms } => [rms.0, dc.0.abs()],
        BondCurrent::NotMeasured(_) => [f32::NAN; 2],
    });
    // From 1 mA, so that a noise of nanoamperes around zero does not take half of the panel.
    let known = limits.iter().map(|limit| limit.value).chain([1e-3]);
    let scale = LogScale::fitting(values.chain(known), BOUNDS_A, (area.top, area.bottom));
    log_axis(canvas, area, &scale, "A")?;
    draw_limits(canvas, area, &scale, &mut limits)?;

    let lowest = scale.lowest();
    let dc_of = |i: &BondCurrent, sign: f32| match i {
        // Below the axis a direction is noise; RMS stands at its edge and tells that there was a value.
        BondCurrent::Measured { dc, .. } => Some(dc.0 * sign).filter(|dc| *dc >= lowest),
        BondCurrent::NotMeasured(_) => None,
    };
    let rms_of = |i: &BondCurrent| match i {
        BondCurrent::Measured { rms, .. } => Some(rms.0).filter(|rms| !rms.is_nan()),
        BondCurrent::NotMeasured(_) => None,
    };
    let series =
        |value: &dyn Fn(&BondCurrent) -> Option<f32>, colour: RGBColor, width: u32| -> Drawn {
            let mut points: Vec<(i64, Option<f32>)> =
                rows.iter().map(|(t_us, i)| (*t_us, value(i))).collect();
            let mut apart_us = data.readings.spacing_us;
            if data.by_days() {
                points = most_of_each_day(&points, |value| value.unwrap_or(f32::MIN));
                apart_us = data.stale_us();
            }
            // A piece of line: where values follow each other without a gap.
            let joined = |(a, v): &(i64, Option<f32>), (b, w): &(i64, Option<f32>)| {
                v.is_some() && w.is_some() && b.saturating_sub(*a) <= apart_us
            };
            for piece in points.chunk_by(joined) {
                let line: Vec<Px> = piece
                    .iter()
                    .filter_map(|(t_us, value)| Some((axis.x(*t_us), scale.y((*value)?))))
                    .collect();
                match thinned(&line)[..] {
                    [] => {}
                    [point] => canvas.dot(point, if points.len() == 1 { 5 } else { 2 }, colour)?,
                    ref line => canvas.line(line, colour, width)?,
                }
            }
            Ok(())
        };
    series(&rms_of, colour::WHOLE, 4)?;
    series(&|i| dc_of(i, 1.0), colour::PLUS, 2)?;
    series(&|i| dc_of(i, -1.0), colour::MINUS, 2)
}

fn limits_of(settings: &ohmward_proto::Settings) -> [Limit; 2] {
    let (continuous, fault) = (settings.current.continuous, settings.current.ground_fault);
    [
        Limit {
            value: continuous.above.0,
            text: format!("continuous {}", si(continuous.above.0, "A")),
            colour: colour::WARN,
            dash: (5, 5),
        },
        Limit {
            value: fault.above.0,
            text: format!("ground fault {} DC", si(fault.above.0, "A")),
            colour: colour::TRIP,
            dash: (14, 6),
        },
    ]
}
