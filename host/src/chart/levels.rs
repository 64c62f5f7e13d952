//! Limits on a panel: dashed lines with their names beside the panel, and where they come from in a line below.

use super::canvas::{Area, Canvas, Drawn, Side};
use super::colour;
use crate::plan::Plan;
use crate::plan::limits::Value;
use crate::words::si;
use ohmward_proto::Settings;
use plotters::prelude::*;
use std::collections::BTreeMap;

/// A level that decides something.
#[derive(Clone, PartialEq, Debug)]
pub struct Level {
    /// In the unit of its axis.
    pub value: f32,
    pub text: String,
    pub colour: RGBColor,
    pub dash: (i32, i32),
    /// Its key in the settings.
    pub key: &'static str,
}

/// Which standard stands behind which limit, from a plan of the array.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct LimitSources(BTreeMap<&'static str, (f64, String)>);

impl LimitSources {
    /// Those of a plan.
    #[must_use]
    pub fn of(plan: &Plan) -> Self {
        Self(
            plan.limits
                .iter()
                .filter_map(|limit| match limit.value {
                    Value::Number(value) => Some((limit.key, (value, limit.source_label.clone()))),
                    Value::Switch(_) => None,
                })
                .collect(),
        )
    }

    /// The line below a picture that says where its limits come from.
    pub(super) fn line(&self, settings: Option<&Settings>, levels: &[Level]) -> String {
        let Some(settings) = settings else {
            return "No limits are drawn: the board's settings were never received.".into();
        };
        let mut text = format!(
            "Limits: settings {:08x}, as the board last reported them.",
            settings.hash()
        );
        if self.0.is_empty() {
            text.push_str(
                " Which standard asks for which: name the array's description with --array.",
            );
            return text;
        }
        for level in levels {
            let Some((value, label)) = self.0.get(level.key) else {
                continue;
            };
            let is_so = (f64::from(level.value) / value - 1.0).abs() < 1e-4;
            let words = if is_so {
                format!(" {}: {label}.", level.text)
            } else {
                format!(
                    " {}: set on the board; the array's description gives {} ({label}).",
                    level.text,
                    si(*value as f32, unit_of(level.key))
                )
            };
            text.push_str(&words);
        }
        text
    }
}

fn unit_of(key: &str) -> &'static str {
    if key.ends_with("_ohm") { "Ω" } else { "A" }
}

/// Limits on the insulation of the whole array.
pub fn insulation(settings: &Settings) -> [Level; 3] {
    let levels = &settings.insulation;
    let level = |r: f32, words: &str, colour, dash, key| Level {
        value: r,
        text: format!("{words} {}", si(r, "Ω")),
        colour,
        dash,
        key,
    };
    [
        level(
            levels.warn_below.0,
            "warn below",
            colour::WARN,
            (5, 5),
            "insulation.warn_below_ohm",
        ),
        level(
            levels.reset_above.0,
            "reset above",
            colour::RESET,
            (2, 6),
            "insulation.reset_above_ohm",
        ),
        level(
            levels.trip_below.0,
            "trip below",
            colour::TRIP,
            (14, 6),
            "insulation.trip_below_ohm",
        ),
    ]
}

/// Limits on the bond current that a picture of its mean and RMS can show.
pub fn current(settings: &Settings) -> [Level; 2] {
    let (continuous, fault) = (settings.current.continuous, settings.current.ground_fault);
    [
        Level {
            value: continuous.above.0,
            text: format!("continuous {}", si(continuous.above.0, "A")),
            colour: colour::WARN,
            dash: (5, 5),
            key: "current.continuous.above_a",
        },
        Level {
            value: fault.above.0,
            text: format!("ground fault {} DC", si(fault.above.0, "A")),
            colour: colour::TRIP,
            dash: (14, 6),
            key: "current.ground_fault.above_a",
        },
    ]
}

/// Key of the continuous limit.
pub const CONTINUOUS: &str = "current.continuous.above_a";

/// Levels for sudden changes, where they are watched, and the continuous limit: circles about the standing current and about zero.
pub fn sudden(settings: Option<&Settings>) -> Vec<Level> {
    let Some(settings) = settings else {
        return Vec::new();
    };
    let sudden = settings.current.sudden;
    let mut levels = Vec::new();
    if sudden.enabled {
        for (limit, dash, key) in [
            (sudden.low, (2, 5), "current.sudden.low.above_a"),
            (sudden.middle, (6, 5), "current.sudden.middle.above_a"),
            (sudden.high, (12, 5), "current.sudden.high.above_a"),
        ] {
            levels.push(Level {
                value: limit.above.0,
                text: format!("sudden change {}", si(limit.above.0, "A")),
                colour: colour::TRIP,
                dash,
                key,
            });
        }
    }
    let above = settings.current.continuous.above.0;
    levels.push(Level {
        value: above,
        text: format!("continuous {} RMS", si(above, "A")),
        colour: colour::WARN,
        dash: (16, 4),
        key: CONTINUOUS,
    });
    levels
}

/// Limits as dashed lines, named on the right where no data is; names that would touch move apart.
pub fn draw<B: DrawingBackend>(
    canvas: &Canvas<B>,
    area: Area,
    y: impl Fn(f32) -> i32,
    levels: &[Level],
) -> Drawn {
    const APART: i32 = 20;
    let mut levels: Vec<&Level> = levels.iter().collect();
    levels.sort_by(|a, b| b.value.total_cmp(&a.value));
    let ys: Vec<i32> = levels.iter().map(|level| y(level.value)).collect();
    for ((level, y), place) in levels
        .iter()
        .zip(&ys)
        .zip(apart(&ys, APART, area.bottom - 6))
    {
        canvas.dashes(area.left, area.right, *y, level.dash, level.colour)?;
        canvas.line(
            &[(area.right, *y), (area.right + 12, place)],
            level.colour,
            2,
        )?;
        canvas.text(
            &level.text,
            (area.right + 16, place),
            Side::Left,
            level.colour,
        )?;
    }
    Ok(())
}

/// Places for names beside `ys` (from above to below) so that they do not touch: down first, then back up as far as the floor asks.
pub fn apart(ys: &[i32], apart: i32, floor: i32) -> Vec<i32> {
    let mut places = ys.to_vec();
    for k in 1..places.len() {
        places[k] = places[k].max(places[k - 1].saturating_add(apart));
    }
    let mut floor = floor;
    for place in places.iter_mut().rev() {
        *place = (*place).min(floor);
        floor = *place - apart;
    }
    places
}
