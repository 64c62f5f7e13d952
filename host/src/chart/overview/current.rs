//! The upper panel: RMS and DC of the bond current.

use super::data::OverviewData;
use super::{Limit, draw_limits, log_axis, spell_entries};
use crate::chart::canvas::{Area, Canvas, Drawn, Entry, Px, Swatch, thinned};
use crate::chart::colour;
use crate::chart::scale::{LogScale, engineering};
use crate::chart::time_axis::TimeAxis;
use crate::store::StoredReading;
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
        Entry::new(Swatch::Line(colour::WHOLE, 3), "RMS, DC included"),
        Entry::new(
            Swatch::Line(colour::PLUS, 3),
            "DC, out of the conductor into earth (+)",
        ),
        Entry::new(
            Swatch::Line(colour::MINUS, 3),
            "DC, from earth into the conductor (−)",
        ),
    ];
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
    let values = data
        .readings
        .rows
        .iter()
        .flat_map(|row| match row.reading.i_bond {
            BondCurrent::Measured { dc, rms } => [rms.0, dc.0.abs()],
            BondCurrent::NotMeasured(_) => [f32::NAN; 2],
        });
    // From 1 mA, so that a noise of nanoamperes around zero does not take half of the panel.
    let known = limits.iter().map(|limit| limit.value).chain([1e-3]);
    let scale = LogScale::fitting(values.chain(known), BOUNDS_A, (area.top, area.bottom));
    log_axis(canvas, area, &scale, "A")?;
    draw_limits(canvas, area, &scale, &mut limits)?;

    // A piece of line: where values follow each other without a gap, and DC keeps its direction.
    let follows =
        |a: &StoredReading, b: &StoredReading| b.t_us - a.t_us <= data.readings.spacing_us;
    let series = |value: fn(f32, f32) -> Option<f32>, colour: RGBColor| -> Drawn {
        let points: Vec<(&StoredReading, Option<f32>)> = data
            .readings
            .rows
            .iter()
            .map(|row| match row.reading.i_bond {
                BondCurrent::Measured { dc, rms } => {
                    (row, value(dc.0, rms.0).filter(|v| !v.is_nan()))
                }
                BondCurrent::NotMeasured(_) => (row, None),
            })
            .collect();
        for piece in points.chunk_by(|(a, v), (b, w)| v.is_some() && w.is_some() && follows(a, b)) {
            let line: Vec<Px> = piece
                .iter()
                .filter_map(|(row, value)| Some((axis.x(row.t_us), scale.y((*value)?))))
                .collect();
            match thinned(&line)[..] {
                [] => {}
                [point] => canvas.dot(point, if points.len() == 1 { 5 } else { 2 }, colour)?,
                ref line => canvas.line(line, colour, 2)?,
            }
        }
        Ok(())
    };
    series(|_, rms| Some(rms), colour::WHOLE)?;
    series(|dc, _| (dc > 0.0).then_some(dc), colour::PLUS)?;
    series(|dc, _| (dc <= 0.0).then_some(-dc), colour::MINUS)
}

fn limits_of(settings: &ohmward_proto::Settings) -> [Limit; 2] {
    let (continuous, fault) = (settings.current.continuous, settings.current.ground_fault);
    [
        Limit {
            value: continuous.above.0,
            text: format!("continuous {}", engineering(continuous.above.0, "A")),
            colour: colour::WARN,
            dash: (5, 5),
        },
        Limit {
            value: fault.above.0,
            text: format!("ground fault {} DC", engineering(fault.above.0, "A")),
            colour: colour::TRIP,
            dash: (14, 6),
        },
    ]
}
