//! Where insulation is going: daily values of months, the futures as a fan, limits with the dates at which they are passed, and
//! what follows from it in words.
//!
//! - [`data`]: what is drawn, gathered from a store
//! - this file: the sheet, from top to bottom

mod data;

pub use data::{DayValues, ForecastData, LimitDates, Seen};

use super::canvas::{Area, Canvas, Drawn, Entry, Px, SMALL_ROW, Side, Swatch, small_lines};
use super::levels::{self, Level};
use super::overview::{log_axis, time_labels};
use super::picture::Picture;
use super::scale::LogScale;
use super::time_axis::{TimeAxis, day_words};
use super::{CAUTION, SIZE, colour};
use crate::trend::forecast::Crossing;
use crate::words::si;
use plotters::prelude::*;

const DAY_US: i64 = 86_400_000_000;
const EDGES: (i32, i32) = (100, 1085);
/// Panels from top to bottom: the array, then each pole.
const ARRAY: (i32, i32) = (122, 470);
const POLES: [(i32, i32); 2] = [(500, 590), (620, 710)];
const WORDS_TOP: i32 = 768;
/// Findings told in words; the rest is counted.
const TOLD: usize = 2;
const BOUNDS_OHM: (f64, f64) = (1.0, 1e12);
const FAN_OUTER: RGBColor = RGBColor(0xf6, 0xdc, 0xc4);
const FAN_INNER: RGBColor = RGBColor(0xe9, 0xb3, 0x83);

/// One line of the part in words.
struct Words {
    bold: Option<String>,
    text: String,
}

impl Picture for ForecastData {
    fn size(&self) -> (u32, u32) {
        let right = SIZE.0 as i32 - 24;
        let mut height = WORDS_TOP + 40;
        for words in in_words(self) {
            height += 24 * i32::from(words.bold.is_some());
            height += small_lines(&words.text, right - 24).len() as i32 * SMALL_ROW + 4;
        }
        (SIZE.0, height.max(0).unsigned_abs())
    }

    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        let sheet = canvas.sheet();
        let first_us = self.days.first().map_or(self.today_us, |day| day.t_us);
        let ahead_us = (self.ahead_days() * DAY_US as f64) as i64;
        let axis = TimeAxis {
            range: first_us - DAY_US / 2..self.today_us + ahead_us + DAY_US / 2,
            left: EDGES.0,
            right: EDGES.1,
        };
        canvas.title(
            &super::board_words(self.board, self.note.as_deref()),
            (24, 26),
        )?;
        let spoken = format!("insulation to {}", day_words(self.today_us));
        canvas.text(&spoken, (sheet.right - 24, 26), Side::Right, colour::INK)?;
        canvas.legend("Each day", (24, 62), sheet.right - 16, &entries(self))?;

        let ticks = axis.ticks(12);
        let array = panel_area(ARRAY);
        let levels: Vec<Level> = self.settings.iter().flat_map(levels::insulation).collect();
        let scale = scale(self, 0, &levels, ARRAY);
        grid(canvas, &ticks, array)?;
        fan(canvas, self, &axis, &scale, array)?;
        log_axis(canvas, array, &scale, "Ω")?;
        levels::draw(canvas, array, |r| scale.y(r), &levels)?;
        values(canvas, self, 0, &axis, &scale)?;
        adjusted(canvas, self, &axis, &scale)?;
        dates(canvas, self, &axis, &scale)?;
        name(canvas, array, "whole array")?;
        for (k, (span, words)) in POLES.into_iter().zip(["+ pole", "− pole"]).enumerate() {
            let area = panel_area(span);
            let scale = self::scale(self, k + 1, &[], span);
            grid(canvas, &ticks, area)?;
            log_axis(canvas, area, &scale, "Ω")?;
            values(canvas, self, k + 1, &axis, &scale)?;
            name(canvas, area, words)?;
        }
        time_labels(canvas, &ticks, POLES[1].1, EDGES.1)?;
        words(canvas, self)?;
        canvas.text(CAUTION, (24, sheet.bottom - 22), Side::Left, colour::INK)
    }
}

fn panel_area((top, bottom): (i32, i32)) -> Area {
    Area {
        left: EDGES.0,
        right: EDGES.1,
        top,
        bottom,
    }
}

fn name<B: DrawingBackend>(canvas: &Canvas<B>, area: Area, words: &str) -> Drawn {
    canvas.bold(words, (area.left + 2, area.top - 13), colour::INK)
}

fn entries(data: &ForecastData) -> Vec<Entry> {
    let mut entries = vec![
        Entry::new(Swatch::Ring(colour::MINUS), "lowest of the morning (dew)"),
        Entry::new(Swatch::Dot(colour::PLUS), "median of noon (dry)"),
        Entry::new(
            Swatch::Line(colour::WHOLE, 3),
            "noon, weather taken out (as dry at 25 °C): median of a week",
        ),
    ];
    let bounded = data
        .days
        .iter()
        .flat_map(|day| [day.wet_morning, day.dry_noon])
        .flatten()
        .flatten()
        .any(|seen| seen.is_bound);
    if bounded {
        entries.push(Entry::new(Swatch::AtLeast(colour::INK), "at least this"));
    }
    if !data.fan.is_empty() {
        entries.push(Entry::new(
            Swatch::Area(FAN_INNER),
            "forecast of a day's lowest: half of the futures",
        ));
        entries.push(Entry::new(Swatch::Area(FAN_OUTER), "nine of ten"));
        entries.push(Entry::new(
            Swatch::Dashed(colour::WHOLE, (4, 3), 2),
            "middle",
        ));
    }
    entries
}

fn of_day(day: &DayValues, which: usize) -> [Option<Seen>; 2] {
    [day.wet_morning, day.dry_noon].map(|values| values.and_then(|v| v.get(which).copied()))
}

fn scale(data: &ForecastData, which: usize, levels: &[Level], span: (i32, i32)) -> LogScale {
    let values = data
        .days
        .iter()
        .flat_map(|day| of_day(day, which))
        .flatten()
        .map(|seen| seen.r_ohm);
    let adjusted = data
        .days
        .iter()
        .filter_map(|day| day.adjusted_ohm)
        .filter(|_| which == 0);
    let values = values.chain(adjusted).map(|r| r as f32);
    // A decade below the lowest limit the fan may leave the sheet: by then something has to be done.
    let lowest = levels
        .iter()
        .map(|level| level.value)
        .fold(f32::NAN, f32::min);
    let levels = levels.iter().map(|level| level.value).chain([0.3 * lowest]);
    LogScale::fitting(values.chain(levels), BOUNDS_OHM, span)
}

fn grid<B: DrawingBackend>(canvas: &Canvas<B>, ticks: &[(i32, String)], area: Area) -> Drawn {
    for (x, _) in ticks {
        canvas.line(&[(*x, area.top), (*x, area.bottom)], colour::GRID, 1)?;
    }
    Ok(())
}

fn fan<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &ForecastData,
    axis: &TimeAxis,
    scale: &LogScale,
    area: Area,
) -> Drawn {
    let at_us = |days: f64| data.today_us + (days * DAY_US as f64) as i64;
    let shown: Vec<_> = data
        .fan
        .iter()
        .filter(|week| at_us(week.day) <= axis.range.end)
        .collect();
    let band = |low: usize, high: usize| -> Vec<Px> {
        let edge = |q: usize| {
            shown
                .iter()
                .map(move |week| (axis.x(at_us(week.day)), scale.y(week.r_ohm[q] as f32)))
        };
        edge(high).chain(edge(low).rev()).collect()
    };
    if shown.len() > 1 {
        canvas.polygon(band(0, 4), FAN_OUTER)?;
        canvas.polygon(band(1, 3), FAN_INNER)?;
        let middle: Vec<Px> = shown
            .iter()
            .map(|week| (axis.x(at_us(week.day)), scale.y(week.r_ohm[2] as f32)))
            .collect();
        canvas.dashed(&middle, (4, 3), colour::WHOLE, 2)?;
    }
    let today = axis.x(data.today_us);
    canvas.line(&[(today, area.top), (today, area.bottom)], colour::QUIET, 1)?;
    if !data.fan.is_empty() {
        canvas.small(
            "forecast →",
            (today + 2, area.top - 13),
            Side::Left,
            colour::QUIET,
        )?;
    }
    Ok(())
}

fn values<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &ForecastData,
    which: usize,
    axis: &TimeAxis,
    scale: &LogScale,
) -> Drawn {
    let mut free = [i32::MIN; 2];
    for day in &data.days {
        for (k, seen) in of_day(day, which).into_iter().enumerate() {
            let Some(seen) = seen else { continue };
            let at = (axis.x(day.t_us), scale.y(seen.r_ohm as f32));
            let ink = [colour::MINUS, colour::PLUS][k];
            if seen.is_bound {
                // One in a few pixels is enough to be seen.
                if at.0 >= free[k] {
                    canvas.at_least((at.0, at.1.max(ARRAY.0 + 12)), ink)?;
                    free[k] = at.0 + 9;
                }
            } else if k == 0 {
                canvas.circle(at, 3, ink, 1)?;
            } else {
                canvas.dot(at, 2, ink)?;
            }
        }
    }
    Ok(())
}

/// The running median of a week; no line over more than a week without a value.
fn adjusted<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &ForecastData,
    axis: &TimeAxis,
    scale: &LogScale,
) -> Drawn {
    let points: Vec<(i64, f64)> = data
        .days
        .iter()
        .filter_map(|day| Some((day.t_us, day.adjusted_ohm?)))
        .collect();
    for piece in points.chunk_by(|a, b| b.0 - a.0 <= 7 * DAY_US) {
        let line: Vec<Px> = (0..piece.len())
            .map(|k| {
                let near = &piece[k.saturating_sub(3)..(k + 4).min(piece.len())];
                let mut near: Vec<f64> = near.iter().map(|(_, r)| *r).collect();
                near.sort_by(f64::total_cmp);
                (axis.x(piece[k].0), scale.y(near[near.len() / 2] as f32))
            })
            .collect();
        canvas.line(&line, colour::WHOLE, 3)?;
    }
    Ok(())
}

/// On each limit a bar from the early to the late date: above the line the first crossing, below it the lasting one.
fn dates<B: DrawingBackend>(
    canvas: &Canvas<B>,
    data: &ForecastData,
    axis: &TimeAxis,
    scale: &LogScale,
) -> Drawn {
    let at = |days: f64| axis.x(data.today_us + (days * DAY_US as f64) as i64);
    for dates in &data.dates {
        let line = scale.y(dates.limit.r_ohm as f32);
        for (crossing, y) in [(&dates.first, line - 7), (&dates.lasting, line + 7)] {
            let Some(early) = crossing.early_days else {
                continue;
            };
            let late = crossing.late_days.map_or(axis.right, at);
            let (left, right) = (at(early), late.max(at(early) + 2));
            canvas.line(&[(left, y), (right, y)], colour::INK, 3)?;
            for x in [left, right] {
                canvas.line(&[(x, y - 4), (x, y + 4)], colour::INK, 2)?;
            }
            if let Some(middle) = crossing.median_days {
                canvas.dot((at(middle), y), 4, colour::INK)?;
            }
        }
    }
    Ok(())
}

/// Dates and findings.
fn in_words(data: &ForecastData) -> Vec<Words> {
    let mut all = Vec::new();
    for dates in &data.dates {
        let limit = format!(
            "{} ({})",
            dates.limit.name,
            si(dates.limit.r_ohm as f32, "Ω")
        );
        let range = |crossing: &Crossing| range_words(data.today_us, crossing);
        all.push(Words {
            bold: None,
            text: format!(
                "{limit}: first day below it (bar above its line) {}; for good, most days (bar below) {}.",
                range(&dates.first),
                range(&dates.lasting)
            ),
        });
    }
    if data.fan.is_empty() {
        all.push(Words {
            bold: None,
            text: "No forecast is drawn: nothing was found that declines and has days enough to be followed.".into(),
        });
    }
    for finding in data.findings.iter().take(TOLD) {
        all.push(Words {
            bold: Some(format!(
                "{}: {}",
                finding.weight.word().to_uppercase(),
                finding.kind.heading()
            )),
            text: format!(
                "{} {} Check first: {}",
                finding.seen, finding.sure, finding.check_first
            ),
        });
    }
    if data.findings.len() > TOLD {
        all.push(Words {
            bold: None,
            text: format!(
                "{} more findings: `ohmward trend` tells them.",
                data.findings.len() - TOLD
            ),
        });
    }
    let levels: Vec<Level> = data.settings.iter().flat_map(levels::insulation).collect();
    all.push(Words {
        bold: None,
        text: data.sources.line(data.settings.as_ref(), &levels),
    });
    all
}

fn range_words(today_us: i64, crossing: &Crossing) -> String {
    let on = |days: f64| day_words(today_us + (days * DAY_US as f64) as i64);
    match (
        crossing.early_days,
        crossing.median_days,
        crossing.late_days,
    ) {
        (None, ..) => "not within two years".into(),
        (Some(early), None, _) => format!(
            "not before {}, half of the futures not within two years",
            on(early)
        ),
        (Some(early), Some(middle), None) => {
            format!(
                "about {} (nine of ten: {} to beyond two years)",
                on(middle),
                on(early)
            )
        }
        (Some(early), Some(middle), Some(late)) => {
            format!(
                "about {} (nine of ten: {} to {})",
                on(middle),
                on(early),
                on(late)
            )
        }
    }
}

fn words<B: DrawingBackend>(canvas: &Canvas<B>, data: &ForecastData) -> Drawn {
    let right = canvas.sheet().right - 24;
    let mut y = WORDS_TOP;
    for words in in_words(data) {
        if let Some(bold) = &words.bold {
            canvas.bold(bold, (24, y), colour::INK)?;
            y += 24;
        }
        y += canvas.paragraph(&words.text, (24, y), right, colour::INK)? + 4;
    }
    Ok(())
}
