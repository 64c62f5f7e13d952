//! Trip time and bond current over the resistance of a fault, limits with their sources, the blind spot shaded.

use super::canvas::{Area, Canvas, Drawn, Entry, Px, Side, Swatch};
use super::colour::{GRID, INK, MINUS, PLUS, QUIET, TRIP, UNSEEN, WARN, WHITE, WHOLE};
use super::picture::Picture;
use super::scale::LogScale;
use super::{CAUTION, SIZE};
use crate::whatif::sweep::{Level, Point, Sight, Sweep, blind_words};
use crate::words::si;
use plotters::prelude::DrawingBackend;
use plotters::style::RGBColor;

const LEFT: i32 = 110;
const RIGHT: i32 = SIZE.0 as i32 - 30;
const TIME: (i32, i32) = (150, 440);
const CURRENT: (i32, i32) = (500, 770);
/// Nothing trips: darker than a check that comes late, and hatched.
const BLIND: RGBColor = RGBColor(0xf2, 0xc4, 0xbc);

impl Picture for Sweep {
    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        draw(canvas, self)
    }
}

fn draw<B: DrawingBackend>(canvas: &Canvas<B>, sweep: &Sweep) -> Drawn {
    let across =
        |v: &mut dyn Iterator<Item = f32>, bounds, pixels| LogScale::fitting(v, bounds, pixels);
    let x = across(
        &mut sweep.points.iter().map(|p| p.ohms as f32),
        (1e-3, 1e10),
        (RIGHT, LEFT),
    );
    let time = across(
        &mut sweep
            .points
            .iter()
            .filter_map(|p| p.trip_after_s)
            .chain(sweep.time_levels_s.iter().map(|l| l.value))
            .map(|s| s as f32),
        (1e-3, 1e5),
        TIME,
    );
    let current = across(
        &mut sweep
            .points
            .iter()
            .map(|p| p.i_bond_a.abs())
            // Room for words above the highest.
            .chain(sweep.current_levels_a.iter().map(|l| 5.0 * l.value))
            .map(|a| a as f32),
        (1e-6, 1e3),
        CURRENT,
    );
    canvas.title(&format!("What if a fault grew: {}", sweep.name), (LEFT, 32))?;
    canvas.text(&sweep.place, (LEFT, 62), Side::Left, INK)?;
    canvas.text(&blind_words(sweep), (LEFT, 88), Side::Left, INK)?;
    shade(canvas, sweep, &x)?;
    for (panel, scale, unit, name) in [
        (
            TIME,
            &time,
            "s",
            "Trip after the fault comes, array connected",
        ),
        (
            CURRENT,
            &current,
            "A",
            "Bond current before the trip, whichever way it flows",
        ),
    ] {
        axes(canvas, panel, &x, scale, unit)?;
        canvas.bold(name, (LEFT, panel.0 - 18), INK)?;
    }
    // Where insulation has to trip, the fault alone at its worst.
    let edge = x.y(sweep.insulation_trip_below_ohm as f32);
    for panel in [TIME, CURRENT] {
        canvas.line(&[(edge, panel.0), (edge, panel.1)], WARN, 2)?;
    }
    canvas.text(
        &format!(
            "insulation trips below {}",
            si(sweep.insulation_trip_below_ohm as f32, "Ω")
        ),
        (edge - 8, TIME.1 - 18),
        Side::Right,
        WARN,
    )?;
    levels(canvas, &sweep.time_levels_s, &time, "s")?;
    levels(canvas, &sweep.current_levels_a, &current, "A")?;
    // A line only between neighbours that trip for the same reason.
    for pair in sweep.points.windows(2) {
        if let [a, b] = pair
            && let (Some(s), Some(t)) = (a.trip_after_s, b.trip_after_s)
            && a.sight == b.sight
        {
            let ends = [
                (x.y(a.ohms as f32), time.y(s as f32)),
                (x.y(b.ohms as f32), time.y(t as f32)),
            ];
            canvas.line(&ends, colour(a.sight), 3)?;
        }
    }
    for p in &sweep.points {
        if let Some(s) = p.trip_after_s {
            canvas.dot((x.y(p.ohms as f32), time.y(s as f32)), 4, colour(p.sight))?;
        }
    }
    let line: Vec<Px> = sweep
        .points
        .iter()
        .map(|p| (x.y(p.ohms as f32), current.y(p.i_bond_a.abs() as f32)))
        .collect();
    canvas.line(&line, WHOLE, 3)?;
    canvas.text(
        "resistance of the fault",
        (i32::midpoint(LEFT, RIGHT), CURRENT.1 + 44),
        Side::Center,
        INK,
    )?;
    let used = canvas.legend(
        "Seen by",
        (LEFT, CURRENT.1 + 72),
        RIGHT,
        &[
            Entry::new(Swatch::Line(MINUS, 3), "a limit on the bond current"),
            Entry::new(Swatch::Line(PLUS, 3), "an insulation check while connected"),
            Entry::new(Swatch::Area(UNSEEN), "no current limit trips"),
            Entry::new(Swatch::Area(BLIND), "nothing trips"),
        ],
    )?;
    canvas.text(
        CAUTION,
        (LEFT, CURRENT.1 + 72 + used + 4),
        Side::Left,
        QUIET,
    )
}

fn colour(sight: Sight) -> RGBColor {
    match sight {
        Sight::BondCurrent => MINUS,
        Sight::InsulationCheck => PLUS,
        Sight::OtherWatch | Sight::NotTold | Sight::Blind | Sight::NeedNot => WHOLE,
    }
}

/// Half-way to the neighbours on either side belongs to a point.
fn shade<B: DrawingBackend>(canvas: &Canvas<B>, sweep: &Sweep, x: &LogScale) -> Drawn {
    let at = |p: &Point| x.y(p.ohms as f32);
    for (k, p) in sweep.points.iter().enumerate() {
        let fill = match p.sight {
            Sight::InsulationCheck => UNSEEN,
            Sight::Blind => BLIND,
            Sight::BondCurrent | Sight::OtherWatch | Sight::NotTold | Sight::NeedNot => continue,
        };
        let middle = |other: Option<&Point>| other.map_or(at(p), |o| i32::midpoint(at(p), at(o)));
        let left = middle(k.checked_sub(1).and_then(|k| sweep.points.get(k)));
        let right = middle(sweep.points.get(k + 1));
        for (top, bottom) in [TIME, CURRENT] {
            canvas.fill(
                Area {
                    left,
                    top,
                    right,
                    bottom,
                },
                fill,
            )?;
        }
    }
    Ok(())
}

fn axes<B: DrawingBackend>(
    canvas: &Canvas<B>,
    (top, bottom): (i32, i32),
    x: &LogScale,
    scale: &LogScale,
    unit: &str,
) -> Drawn {
    for tick in scale.ticks() {
        let y = scale.y(tick);
        canvas.line(&[(LEFT, y), (RIGHT, y)], GRID, 1)?;
        // Nobody counts in kiloseconds.
        let text = if unit == "s" && tick >= 999.0 {
            format!("{tick} s")
        } else {
            si(tick, unit)
        };
        canvas.text(&text, (LEFT - 8, y), Side::Right, INK)?;
    }
    for tick in x.ticks() {
        let at = x.y(tick);
        canvas.line(&[(at, top), (at, bottom)], GRID, 1)?;
        canvas.text(&si(tick, "Ω"), (at, bottom + 16), Side::Center, INK)?;
    }
    canvas.frame(
        Area {
            left: LEFT,
            top,
            right: RIGHT,
            bottom,
        },
        QUIET,
    )
}

/// Dashed, with their words on white at the right end; words that would stand on each other move up.
fn levels<B: DrawingBackend>(
    canvas: &Canvas<B>,
    levels: &[Level],
    scale: &LogScale,
    unit: &str,
) -> Drawn {
    let mut sorted: Vec<_> = levels.iter().collect();
    sorted.sort_by(|a, b| a.value.total_cmp(&b.value));
    for level in &sorted {
        canvas.dashes(LEFT, RIGHT, scale.y(level.value as f32), (9, 5), TRIP)?;
    }
    let mut free = i32::MAX;
    for level in sorted {
        let at = (scale.y(level.value as f32) - 12).min(free);
        free = at - 19;
        let text = format!(
            "{}, {} ({})",
            si(level.value as f32, unit),
            level.what,
            level.source
        );
        let left = RIGHT - 8 - canvas.width_of(&text)?;
        canvas.fill(
            Area {
                left: left - 4,
                top: at - 8,
                right: RIGHT - 3,
                bottom: at + 9,
            },
            WHITE,
        )?;
        canvas.text(&text, (RIGHT - 6, at), Side::Right, TRIP)?;
    }
    Ok(())
}
