//! Every board of a store in a row: state, insulation against its limit, the last thirty days, the last trip, how much was
//! measured, when it was last heard. The worst stands first.
//!
//! - [`data`]: what is drawn, gathered from a store, and what is worse than what
//! - this file: the sheet

mod data;

pub use data::{FleetData, FleetRow, Now, TREND_DAYS, Urgency};

use super::canvas::{Area, Canvas, Drawn, Entry, Px, Side, Swatch};
use super::picture::Picture;
use super::scale::{LinearScale, LogScale};
use super::time_axis::{day_words, moment};
use super::{CAUTION, SIZE, colour, states};
use crate::words::si;
use ohmward_proto::measure::Resistance;
use plotters::prelude::*;

const TOP: i32 = 150;
const ROW: i32 = 58;
/// Left edges of the columns: board, state, insulation, trend, trip, measured, heard.
const X: [i32; 7] = [24, 200, 400, 620, 850, 1040, 1150];
const HEADS: [&str; 7] = [
    "Board",
    "State",
    "Insulation, limit",
    "30 days",
    "Last trip",
    "Measured",
    "Last heard",
];
/// Rows on one sheet; the rest is counted.
const ROWS_MAX: usize = 60;

impl Picture for FleetData {
    fn size(&self) -> (u32, u32) {
        let rows = self.rows.len().clamp(1, ROWS_MAX) as u32;
        (SIZE.0, TOP as u32 + rows * ROW as u32 + 80)
    }

    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        let sheet = canvas.sheet();
        let note = self
            .note
            .as_ref()
            .map_or_else(String::new, |note| format!(" ({note})"));
        let count = match self.rows.len() {
            1 => "1 board".to_owned(),
            n => format!("{n} boards"),
        };
        canvas.title(&format!("{count}, the worst first{note}"), (24, 26))?;
        canvas.text(
            &format!("as of {}", moment(self.as_of_us)),
            (sheet.right - 24, 26),
            Side::Right,
            colour::INK,
        )?;
        let entries = [
            Entry::new(Swatch::Line(colour::WHOLE, 2), "median of each day"),
            Entry::new(Swatch::Dot(colour::MINUS), "lowest of each day"),
            Entry::new(
                Swatch::Dashed(colour::TRIP, (8, 4), 2),
                "trip level, as set on each board",
            ),
        ];
        canvas.legend("30 days", (24, 64), sheet.right - 16, &entries)?;
        for (x, head) in X.into_iter().zip(HEADS) {
            canvas.bold(head, (x, TOP - 30), colour::INK)?;
        }
        for (k, row) in self.rows.iter().take(ROWS_MAX).enumerate() {
            let top = TOP + k as i32 * ROW;
            canvas.line(
                &[(24, top - 6), (sheet.right - 24, top - 6)],
                colour::GRID,
                1,
            )?;
            self.row(canvas, row, top)?;
        }
        if self.rows.is_empty() {
            canvas.text("no board is known", (24, TOP + 20), Side::Left, colour::INK)?;
        }
        if self.rows.len() > ROWS_MAX {
            let words = format!(
                "{} more boards, none worse than these",
                self.rows.len() - ROWS_MAX
            );
            canvas.text(&words, (24, sheet.bottom - 46), Side::Left, colour::INK)?;
        }
        canvas.text(CAUTION, (24, sheet.bottom - 22), Side::Left, colour::INK)
    }
}

impl FleetData {
    fn row<B: DrawingBackend>(&self, canvas: &Canvas<B>, row: &FleetRow, top: i32) -> Drawn {
        let (upper, lower) = (top + 12, top + 34);
        let urgency = row.urgency(self.as_of_us);
        let (mark, words) = urgency_look(urgency);
        canvas.text(
            &row.board.to_string(),
            (X[0], upper),
            Side::Left,
            colour::INK,
        )?;
        let badge = Area {
            left: X[0],
            right: X[0] + 14,
            top: lower - 7,
            bottom: lower + 7,
        };
        if urgency == Urgency::Well {
            canvas.frame(badge, mark)?;
        } else {
            canvas.fill(badge, mark)?;
        }
        canvas.small(words, (X[0] + 20, lower), Side::Left, colour::INK)?;

        match row.state {
            Some(state) => {
                let (colour, words) = states::look(state);
                let swatch = Area {
                    left: X[1],
                    right: X[1] + 22,
                    top: upper - 8,
                    bottom: upper + 8,
                };
                canvas.fill(swatch, colour)?;
                canvas.frame(swatch, colour::QUIET)?;
                let (first, rest) = words.split_once(" (").unwrap_or((words, ""));
                let (first, rest) = match first.split_once(" after") {
                    Some((first, after)) => (first, format!("after{after}")),
                    None => (first, rest.trim_end_matches(')').to_owned()),
                };
                canvas.text(first, (X[1] + 30, upper), Side::Left, colour::INK)?;
                canvas.small(&rest, (X[1] + 30, lower), Side::Left, colour::QUIET)?;
            }
            None => canvas.text("never heard", (X[1], upper), Side::Left, colour::INK)?,
        }
        insulation(canvas, row, top)?;
        trend(canvas, row, top)?;
        match &row.last_trip {
            Some((t_us, why)) => {
                canvas.text(&day_words(*t_us), (X[4], upper), Side::Left, colour::INK)?;
                canvas.small(
                    &cut(canvas, why, X[5] - X[4] - 12)?,
                    (X[4], lower),
                    Side::Left,
                    colour::QUIET,
                )?;
            }
            None => canvas.text("none", (X[4], upper), Side::Left, colour::QUIET)?,
        }
        let measured = row.measured_share.map_or_else(
            || "nothing".into(),
            |share| format!("{:.0} %", 100.0 * share),
        );
        canvas.text(&measured, (X[5], upper), Side::Left, colour::INK)?;
        canvas.small("of 30 days", (X[5], lower), Side::Left, colour::QUIET)?;
        let heard = row.heard_us.map_or_else(
            || "never".into(),
            |heard| ago(self.as_of_us.saturating_sub(heard)),
        );
        canvas.text(&heard, (X[6], upper), Side::Left, colour::INK)
    }
}

fn insulation<B: DrawingBackend>(canvas: &Canvas<B>, row: &FleetRow, top: i32) -> Drawn {
    let (upper, lower) = (top + 12, top + 34);
    let words = |r: Resistance| match r {
        Resistance::Is(r) => si(r.0, "Ω"),
        Resistance::Above(r) => format!("at least {}", si(r.0, "Ω")),
    };
    let (text, ink) = match row.now {
        Now::Is(r) => (words(r), colour::INK),
        Now::Was(r, age_us) => (format!("{}, {}", words(r), ago(age_us)), colour::QUIET),
        Now::NotMeasured => ("not measured".into(), colour::QUIET),
    };
    canvas.text(&text, (X[2], upper), Side::Left, ink)?;
    let limit = match row.settings {
        Some(settings) => {
            let levels = settings.insulation;
            format!(
                "warn {}, trip {}",
                si(levels.warn_below.0, "Ω"),
                si(levels.trip_below.0, "Ω")
            )
        }
        None => "limits not known".into(),
    };
    canvas.small(&limit, (X[2], lower), Side::Left, colour::QUIET)
}

fn trend<B: DrawingBackend>(canvas: &Canvas<B>, row: &FleetRow, top: i32) -> Drawn {
    let area = Area {
        left: X[3],
        right: X[4] - 24,
        top,
        bottom: top + ROW - 14,
    };
    canvas.frame(area, colour::GRID)?;
    let limit = row
        .settings
        .map(|settings| settings.insulation.trip_below.0);
    let values = row
        .trend
        .iter()
        .flat_map(|(_, low, middle)| [*low, *middle]);
    let scale = LogScale::fitting(
        values.chain(limit),
        (1.0, 1e12),
        (area.top + 3, area.bottom - 3),
    );
    let x = LinearScale::new((-(TREND_DAYS as f64), 0.0), (area.left + 4, area.right - 4));
    let at = |ago: i64, r: f32| -> Px { (x.px(-(ago as f64)), scale.y(r)) };
    if let Some(limit) = limit.filter(|_| !row.trend.is_empty()) {
        canvas.dashes(area.left, area.right, scale.y(limit), (8, 4), colour::TRIP)?;
    }
    // Over a day without a measurement there is no line.
    for piece in row.trend.chunk_by(|a, b| a.0 - b.0 <= 1) {
        let line: Vec<Px> = piece.iter().map(|(ago, _, r)| at(*ago, *r)).collect();
        canvas.line(&line, colour::WHOLE, 2)?;
    }
    for (ago, low, _) in &row.trend {
        canvas.dot(at(*ago, *low), 2, colour::MINUS)?;
    }
    if row.trend.is_empty() {
        let middle = (
            i32::midpoint(area.left, area.right),
            i32::midpoint(area.top, area.bottom),
        );
        canvas.small("nothing measured", middle, Side::Center, colour::QUIET)?;
    }
    Ok(())
}

fn urgency_look(urgency: Urgency) -> (RGBColor, &'static str) {
    match urgency {
        Urgency::FailedToOpen => (colour::FAILED, "go there now"),
        Urgency::Tripped => (colour::TRIP, "tripped"),
        Urgency::Low => (colour::WARN, "insulation low"),
        Urgency::Silent => (colour::MINUS, "not heard"),
        Urgency::Unknown => (colour::QUIET, "not measured"),
        Urgency::Well => (colour::RESET, "nothing due"),
    }
}

/// As much of a text as fits.
fn cut<B: DrawingBackend>(canvas: &Canvas<B>, text: &str, most: i32) -> Result<String, String> {
    let mut shown = text.to_owned();
    while canvas.small_width(&shown)? > most && shown.chars().count() > 2 {
        shown = shown.chars().take(shown.chars().count() - 2).collect();
        shown.push('…');
    }
    Ok(shown)
}

fn ago(us: i64) -> String {
    let minutes = us.max(0) / 60_000_000;
    match minutes {
        0..=1 => "just now".into(),
        2..=119 => format!("{minutes} min ago"),
        120..=2879 => format!("{} h ago", minutes / 60),
        _ => format!("{} days ago", minutes / 1440),
    }
}
