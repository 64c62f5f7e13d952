//! One captured event on one sheet: bond current and pole voltages, in ms before and after the trigger.
//!
//! - [`data`]: what is drawn, gathered from a store, and which part of it is worth the width of the sheet
//! - this file: the sheet, from top to bottom, and its limits

mod data;

pub use data::WaveformData;

use super::canvas::{Area, Canvas, Drawn, Entry, Px, Side, Swatch, thinned};
use super::levels::{Level, apart};
use super::marks;
use super::picture::Picture;
use super::scale::LinearScale;
use super::time_axis::moment;
use super::{CAUTION, colour};
use crate::words::si;
use ohmward_proto::{Codes, EventKind};
use plotters::prelude::*;

const EDGES: (i32, i32) = (110, 1085);
const UPPER_BOTTOM: i32 = 530;
const LOWER_TOP: i32 = 560;
const LOWER_BOTTOM: i32 = 766;

impl Picture for WaveformData {
    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        draw(canvas, self)
    }
}

fn draw<B: DrawingBackend>(canvas: &Canvas<B>, data: &WaveformData) -> Drawn {
    let sheet = canvas.sheet();
    let stored = &data.event;
    let note = data
        .note
        .as_ref()
        .map_or(String::new(), |note| format!(" ({note})"));
    let (words, ..) =
        marks::wording(&stored.event.kind).unwrap_or(("event".into(), colour::INK, 0));
    canvas.title(&capital(&words), (24, 28))?;
    let place = format!(
        "Board {}{note}, event {}, {}",
        stored.board,
        stored.event.id,
        moment(stored.t_us)
    );
    canvas.text(&place, (24, 60), Side::Left, colour::INK)?;
    canvas.text(&story(data), (24, 86), Side::Left, colour::INK)?;

    let picture = data.window();
    let time = LinearScale::new(picture, EDGES);
    let shown = |stretch: &(f64, f64)| stretch.0 < picture.1 && stretch.1 > picture.0;
    let mut missing = data.stretches(|codes| codes.is_none());
    missing.retain(shown);
    let calibration = &data.capture.head.calibration;
    let mut railed = data.stretches(|codes| codes.is_some_and(|c| calibration.at_rail(c.i_fine)));
    railed.retain(shown);

    let mut entries = vec![Entry::new(
        Swatch::Line(colour::WHOLE, 2),
        "current, + is out of the conductor into earth",
    )];
    if !railed.is_empty() {
        entries.push(Entry::new(
            Swatch::Line(colour::PLUS, 3),
            "from the wide range: the fine one is at its rail",
        ));
    }
    if !missing.is_empty() {
        entries.push(Entry::new(
            Swatch::Area(colour::NO_RECORD),
            "samples not received",
        ));
    }
    let used = canvas.legend("Bond current", (24, 120), sheet.right - 16, &entries)?;
    let upper = Area {
        left: EDGES.0,
        top: 120 + used + 24,
        right: EDGES.1,
        bottom: UPPER_BOTTOM,
    };
    let poles = [
        Entry::new(Swatch::Line(colour::PLUS, 2), "+ pole to earth"),
        Entry::new(Swatch::Line(colour::MINUS, 2), "− pole to earth"),
    ];
    let used = canvas.legend("Pole voltages", (24, LOWER_TOP), sheet.right - 16, &poles)?;
    let lower = Area {
        left: EDGES.0,
        top: LOWER_TOP + used,
        right: EDGES.1,
        bottom: LOWER_BOTTOM,
    };

    let current = LinearScale::fitting(
        data.samples()
            .map(|(_, codes)| calibration.i_bond(&codes).0)
            .chain(shown_limits(data)),
        (upper.bottom, upper.top),
    );
    let volts = LinearScale::fitting(
        data.samples().flat_map(|(_, codes)| {
            [
                calibration.v_pos.value(codes.v_pos),
                calibration.v_neg.value(codes.v_neg),
            ]
        }),
        (lower.bottom, lower.top),
    );
    for (area, scale, unit) in [(upper, &current, "A"), (lower, &volts, "V")] {
        shade_pickup(canvas, data, &time, area)?;
        for (from, to) in &missing {
            let (left, right) = (time.px(*from), time.px(*to));
            canvas.fill(
                Area {
                    left,
                    right,
                    ..area
                },
                colour::NO_RECORD,
            )?;
        }
        for ms in time.ticks(12) {
            canvas.line(
                &[(time.px(ms), area.top), (time.px(ms), area.bottom)],
                colour::GRID,
                1,
            )?;
        }
        for value in scale.ticks(6) {
            let y = scale.px(value);
            canvas.line(&[(area.left, y), (area.right, y)], colour::GRID, 1)?;
            canvas.text(
                &si(value as f32, unit),
                (area.left - 10, y),
                Side::Right,
                colour::INK,
            )?;
        }
        canvas.frame(area, colour::QUIET)?;
        draw_instants(canvas, data, &time, area, area == upper)?;
    }
    limits(canvas, data, &current, upper)?;

    let on_current = (&time, &current);
    let on_volts = (&time, &volts);
    let wide = |k: usize| {
        let codes = data.capture.codes.get(k).copied().flatten();
        codes.is_some_and(|codes| calibration.at_rail(codes.i_fine))
    };
    trace(canvas, data, on_current, colour::WHOLE, |_, c| {
        Some(calibration.i_bond(c).0)
    })?;
    // With the samples beside: the stroke that leads to a value from the wide range is of it too.
    trace(canvas, data, on_current, colour::PLUS, |k, c| {
        let near = wide(k) || wide(k + 1) || k.checked_sub(1).is_some_and(wide);
        near.then(|| calibration.i_bond(c).0)
    })?;
    trace(canvas, data, on_volts, colour::PLUS, |_, c| {
        Some(calibration.v_pos.value(c.v_pos))
    })?;
    trace(canvas, data, on_volts, colour::MINUS, |_, c| {
        Some(calibration.v_neg.value(c.v_neg))
    })?;

    for ms in time.ticks(12) {
        let label = format!("{}", (ms * 1000.0).round() / 1000.0).replace('-', "−");
        canvas.text(
            &label,
            (time.px(ms), lower.bottom + 18),
            Side::Center,
            colour::INK,
        )?;
    }
    canvas.text(
        "ms",
        (EDGES.1 + 40, lower.bottom + 18),
        Side::Center,
        colour::INK,
    )?;
    let below = i32::midpoint(EDGES.0, EDGES.1);
    let kept = (data.ms_of(0), data.ms_of(data.capture.codes.len()));
    let words = format!(
        "time from the trigger (captured: {:.0} to {:.0} ms)",
        kept.0, kept.1
    )
    .replace('-', "−");
    canvas.text(
        &words,
        (below, lower.bottom + 42),
        Side::Center,
        colour::INK,
    )?;
    let line = data
        .sources
        .line(data.settings.as_ref(), &levels(data.settings.as_ref()));
    canvas.paragraph(
        &line,
        (24, LOWER_BOTTOM + 64),
        sheet.right - 24,
        colour::QUIET,
    )?;
    canvas.text(CAUTION, (24, sheet.bottom - 22), Side::Left, colour::INK)
}

/// The limits that a waveform is held against.
fn levels(settings: Option<&ohmward_proto::Settings>) -> Vec<Level> {
    let Some(settings) = settings else {
        return Vec::new();
    };
    let surge = settings.current.surge_above.0;
    let [mut continuous, mut fault] = super::levels::current(settings);
    continuous.text = format!("continuous ±{}", si(continuous.value, "A"));
    fault.text = format!("ground fault ±{}", si(fault.value, "A"));
    vec![
        continuous,
        fault,
        Level {
            value: surge,
            text: format!("surge ±{}", si(surge, "A")),
            colour: colour::RESET,
            dash: (2, 6),
            key: "current.surge_above_a",
        },
    ]
}

fn trace<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &WaveformData,
    (time, scale): (&LinearScale, &LinearScale),
    colour: RGBColor,
    value: impl Fn(usize, &Codes) -> Option<f32>,
) -> Drawn {
    let points: Vec<Option<Px>> = data
        .capture
        .codes
        .iter()
        .enumerate()
        .map(|(k, codes)| {
            let value = value(k, codes.as_ref()?).filter(|value| value.is_finite())?;
            let ms = data.ms_of(k);
            time.holds(ms)
                .then(|| (time.px(ms), scale.px(f64::from(value))))
        })
        .collect();
    for piece in points.chunk_by(|a, b| a.is_some() && b.is_some()) {
        let line: Vec<Px> = piece.iter().copied().flatten().collect();
        match thinned(&line)[..] {
            [] => {}
            [point] => canvas.dot(point, 2, colour)?,
            ref line => canvas.line(line, colour, 2)?,
        }
    }
    Ok(())
}

/// Limits that are drawn: those the current comes near, on the side it comes from.
fn shown_limits(data: &WaveformData) -> Vec<f32> {
    let calibration = &data.capture.head.calibration;
    let values = || {
        data.samples()
            .map(|(_, codes)| calibration.i_bond(&codes).0)
    };
    let finite = |value: &f32| value.is_finite();
    let high = values().filter(finite).fold(0.0, f32::max);
    let low = values().filter(finite).fold(0.0, f32::min);
    levels(data.settings.as_ref())
        .into_iter()
        .flat_map(|level| [(level.value, high), (-level.value, -low)])
        .filter(|(limit, reach)| limit.abs() <= 3.0 * reach)
        .map(|(limit, _)| limit)
        .collect()
}

fn limits<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &WaveformData,
    scale: &LinearScale,
    area: Area,
) -> Drawn {
    const APART: i32 = 20;
    let mut drawn: Vec<(i32, String, RGBColor)> = Vec::new();
    let mut absent = Vec::new();
    let shown = shown_limits(data);
    for level in levels(data.settings.as_ref()) {
        let sides = [level.value, -level.value]
            .into_iter()
            .filter(|side| shown.contains(side));
        let ys: Vec<i32> = sides.map(|side| scale.px(f64::from(side))).collect();
        for y in &ys {
            canvas.dashes(area.left, area.right, *y, level.dash, level.colour)?;
        }
        match ys.first() {
            Some(y) => drawn.push((*y, level.text, level.colour)),
            None => absent.push(level.text),
        }
    }
    drawn.sort_by_key(|(y, ..)| *y);
    let ys: Vec<i32> = drawn.iter().map(|(y, ..)| *y).collect();
    let places = apart(&ys, APART, area.bottom);
    for ((y, words, colour), place) in drawn.iter().zip(places) {
        canvas.line(&[(area.right, *y), (area.right + 10, place)], *colour, 2)?;
        canvas.text(words, (area.right + 14, place), Side::Left, *colour)?;
    }
    if !absent.is_empty() {
        let words = format!("Limits above this scale: {}", absent.join("; "));
        let at = (canvas.sheet().right - 24, canvas.sheet().bottom - 22);
        canvas.text(&words, at, Side::Right, colour::INK)?;
    }
    Ok(())
}

fn shade_pickup<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &WaveformData,
    time: &LinearScale,
    area: Area,
) -> Drawn {
    let Some((from, to)) = data.pickup() else {
        return Ok(());
    };
    let (left, right) = (time.px(from), time.px(to));
    canvas.fill(
        Area {
            left,
            right,
            ..area
        },
        colour::UNSEEN,
    )
}

/// Trigger and pickup as lines, with their names above the upper panel.
fn draw_instants<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &WaveformData,
    time: &LinearScale,
    area: Area,
    named: bool,
) -> Drawn {
    let zero = time.px(0.0);
    canvas.line(&[(zero, area.top), (zero, area.bottom)], colour::TRIP, 2)?;
    if named {
        let is_trip = matches!(data.event.event.kind, EventKind::Tripped { .. });
        canvas.text(
            if is_trip {
                "trip"
            } else {
                "trigger: the surge is over"
            },
            (zero + 6, area.top - 12),
            Side::Left,
            colour::TRIP,
        )?;
    }
    answered(canvas, data, time, area, named)?;
    let Some((from, to)) = data.pickup() else {
        return Ok(());
    };
    let left = time.px(from);
    if time.holds(from) {
        canvas.line(&[(left, area.top), (left, area.bottom)], colour::WARN, 2)?;
    }
    if named {
        let before = if time.holds(from) {
            ""
        } else {
            "← before this picture: "
        };
        let words = format!("{before}picked up {:.1} ms before the trip", to - from);
        let wide = canvas.width_of(&words)?;
        // Beside the other name, and on the sheet.
        if left - wide > 20 {
            canvas.text(&words, (left + 2, area.top - 12), Side::Right, colour::WARN)?;
        } else {
            let x = left.max(24);
            let x = if x + wide > zero { zero + 90 } else { x };
            canvas.text(&words, (x, area.top - 12), Side::Left, colour::WARN)?;
        }
    }
    Ok(())
}

/// The contactor's answer as a line; its words stand inside the upper panel, at its lower edge.
fn answered<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &WaveformData,
    time: &LinearScale,
    area: Area,
    named: bool,
) -> Drawn {
    let Some((at, opened)) = data.answer_ms().filter(|(at, _)| time.holds(*at)) else {
        return Ok(());
    };
    let x = time.px(at);
    let ink = if opened {
        colour::RESET
    } else {
        colour::FAILED
    };
    canvas.dashed(&[(x, area.top), (x, area.bottom)], (6, 3), ink, 2)?;
    if named {
        let words = if opened {
            format!("seen open {:.1} ms", at - data.ms(data.event.event.at.0))
        } else {
            "NOT open".to_owned()
        };
        let wide = canvas.width_of(&words)?;
        let y = area.bottom - 14;
        if x + 6 + wide < area.right {
            canvas.text(&words, (x + 6, y), Side::Left, ink)?;
        } else {
            canvas.text(&words, (x - 6, y), Side::Right, ink)?;
        }
    }
    Ok(())
}

/// What happened, in a sentence.
fn story(data: &WaveformData) -> String {
    match &data.event.event.kind {
        EventKind::Tripped { cause, picked_up } => {
            let ms = data.ms(data.event.event.at.0) - data.ms(picked_up.0);
            let limit = limit_words(cause);
            let when = if ms > 0.0 {
                format!("{ms:.1} ms after the condition was first seen")
            } else {
                "as soon as it was sure".to_owned()
            };
            let bond = match data.settings {
                Some(s) if s.trip_opens_bond && s.earthing.has_bond() => {
                    " The bond opened with it."
                }
                _ => "",
            };
            format!("The monitor told the contactor to open {when}{limit}.{bond}")
        }
        EventKind::Surge { samples, .. } => {
            let ms = f64::from(*samples) * 1000.0 / f64::from(data.sample_rate_hz.max(1));
            format!(
                "A short spike: {samples} samples ({ms:.1} ms) above the surge level. Counted and kept; not a trip."
            )
        }
        _ => "Waveform around the event.".into(),
    }
}

fn limit_words(cause: &ohmward_proto::event::TripCause) -> String {
    use ohmward_proto::event::TripCause;
    match cause {
        TripCause::SuddenChange { limit, .. } => {
            format!(
                "; the level for sudden changes was {} RMS",
                si(limit.0, "A")
            )
        }
        TripCause::ContinuousCurrent { limit, .. }
        | TripCause::GroundFaultCurrent { limit, .. } => {
            format!("; its limit was {}", si(limit.0, "A"))
        }
        TripCause::InsulationLow { limit, .. }
        | TripCause::GroundedConductorFault { limit, .. } => {
            format!("; its limit was {}", si(limit.0, "Ω"))
        }
        TripCause::BondInterrupted { .. }
        | TripCause::SamplesLost
        | TripCause::Restarted(_)
        | TripCause::InsulationUnreadable { .. }
        | TripCause::SensorLost(_)
        | TripCause::SelfTestFailed(_)
        | TripCause::SecondBond
        | TripCause::FuseHeated { .. }
        | TripCause::SettingsLost
        | TripCause::ContactorFault
        | TripCause::Commanded => String::new(),
    }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}
