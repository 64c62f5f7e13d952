//! The screen, from top to bottom. Nothing is told by colour alone; with NO_COLOR nothing is coloured at all.

use super::screen::Screen;
use crate::now::of_line::LineNow;
use crate::now::{BoardNow, Concern, Gauge, Urgency, Verdict};
use crate::store::StoredReading;
use crate::words::{self, utc};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Borders, Clear, Paragraph, Sparkline, SparklineBar, Wrap};
use std::fmt::Write;

const CAUTION: &str =
    "Instrument reading, not proof of isolation: PV conductors stay live in daylight.";
/// Rows of the list of boards, frame included.
const LIST_MOST: u16 = 8;
/// Columns of name, value and bar of a gauge.
const NAME: u16 = 23;
const VALUE: u16 = 12;
const BAR: u16 = 14;
const LIMIT: u16 = 15;

pub fn draw(frame: &mut Frame, screen: &mut Screen) {
    let boards = screen.shown.boards.len() as u16;
    let list = if boards > 1 {
        (boards + 2).min(LIST_MOST)
    } else {
        0
    };
    let [top, list, board, caution, keys] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(list),
        Constraint::Min(10),
        Constraint::Length(1),
        Constraint::Length(1),
    ])
    .areas(frame.area());
    title(frame, screen, top);
    if list.height > 0 {
        self::list(frame, screen, list);
    }
    match screen.chosen() {
        Some(chosen) => self::board(frame, screen, chosen, board),
        None => nobody(frame, screen, board),
    }
    frame.render_widget(Paragraph::new(CAUTION), caution);
    let held = if screen.held() {
        " HELD, space goes on "
    } else {
        ""
    };
    let bar = Line::from(vec![
        Span::styled(held, Style::new().add_modifier(Modifier::REVERSED)),
        Span::raw("q leave   ↑ ↓ board   PgUp PgDn events   space hold   ? help"),
    ]);
    frame.render_widget(Paragraph::new(bar), keys);
    if screen.help {
        help(frame);
    }
}

fn title(frame: &mut Frame, screen: &Screen, area: Rect) {
    let (danger, look) = (
        screen.count(Urgency::Danger),
        screen.count(Urgency::Look) - screen.count(Urgency::Danger),
    );
    let boards = screen.shown.boards.len();
    let mut spans = vec![
        Span::styled("Ohmward", Style::new().add_modifier(Modifier::BOLD)),
        Span::raw(format!("  {}   ", screen.shown.from)),
        Span::raw(format!(
            "{boards} board{}",
            if boards == 1 { "" } else { "s" }
        )),
    ];
    for (count, urgency) in [(danger, Urgency::Danger), (look, Urgency::Look)] {
        if count > 0 {
            spans.push(Span::styled(
                format!("   {} {count} {}", urgency.sign(), urgency.word()),
                style(screen, urgency),
            ));
        }
    }
    let time = format!("{} UTC", utc(screen.shown.now_us));
    let [left, right] =
        Layout::horizontal([Constraint::Min(10), Constraint::Length(time.len() as u16)])
            .areas(area);
    frame.render_widget(Paragraph::new(Line::from(spans)), left);
    frame.render_widget(Paragraph::new(time), right);
}

fn list(frame: &mut Frame, screen: &Screen, area: Rect) {
    let block = Block::new()
        .borders(Borders::ALL)
        .title(" boards, worst first ");
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let place = screen.place().unwrap_or(0);
    let rows = usize::from(inner.height);
    let first = place.saturating_sub(rows.saturating_sub(1));
    let now_us = screen.shown.now_us;
    let lines = screen
        .shown
        .boards
        .iter()
        .enumerate()
        .skip(first)
        .take(rows);
    let lines: Vec<Line> = lines
        .map(|(k, board)| {
            let concerns = board.concerns(now_us);
            let worst = &concerns[0];
            let chosen = if k == place { "▶" } else { " " };
            let line = format!(
                "{chosen}{} {}  {:>9}  {}",
                worst.urgency.sign(),
                board.board,
                heard(board, now_us),
                worst.words
            );
            let mut style = style(screen, worst.urgency);
            if k == place {
                style = style.add_modifier(Modifier::BOLD);
            }
            Line::styled(line, style)
        })
        .collect();
    frame.render_widget(Paragraph::new(lines), inner);
}

fn board(frame: &mut Frame, screen: &Screen, board: &BoardNow, area: Rect) {
    let now_us = screen.shown.now_us;
    let run = board.run.as_ref().map_or(String::new(), |run| {
        format!(", run {}, firmware {}", run.boot, run.firmware)
    });
    let block = Block::new().borders(Borders::ALL).title(format!(
        " {}{run}, heard {} ",
        board.board,
        heard(board, now_us)
    ));
    let inner = block.inner(area);
    frame.render_widget(block, area);

    let concerns = board.concerns(now_us);
    let gauges = board.gauges();
    // What has to be known comes first, in full as far as a third of the space goes.
    let told: Vec<Line> = concerns
        .iter()
        .map(|concern| Line::styled(words_of(concern), style(screen, concern.urgency)))
        .collect();
    let told = Paragraph::new(told).wrap(Wrap { trim: false });
    let rows = concerns.iter().map(|concern| {
        let columns = words_of(concern).chars().count();
        // One more than letters need: words are not cut.
        1 + columns / usize::from(inner.width.saturating_sub(8).max(1))
    });
    let rows = rows
        .sum::<usize>()
        .min(usize::from(inner.height / 3).max(1)) as u16;
    let line = u16::from(board.line.is_some());
    let [concern, gauge, events, link] = Layout::vertical([
        Constraint::Length(rows),
        Constraint::Length(gauges.len() as u16),
        Constraint::Min(2),
        Constraint::Length(line),
    ])
    .areas(inner);
    frame.render_widget(told, concern);
    for (k, gauge_) in (0..).zip(&gauges) {
        if k < gauge.height {
            let row = Rect {
                y: gauge.y + k,
                height: 1,
                ..gauge
            };
            self::gauge(frame, screen, board, gauge_, row);
        }
    }
    self::events(frame, screen, board, events);
    if let Some(report) = &board.line {
        frame.render_widget(Paragraph::new(link_words(report)), link);
    }
}

fn gauge(frame: &mut Frame, screen: &Screen, board: &BoardNow, gauge: &Gauge, area: Rect) {
    let verdict = gauge.verdict();
    let urgency = match verdict {
        Verdict::Beyond => Urgency::Danger,
        Verdict::Warned | Verdict::Unknown => Urgency::Look,
        Verdict::Within | Verdict::NoLimit => Urgency::Fine,
    };
    let missing = gauge.value.number().is_none();
    let [name, value, bar, limit, history] = Layout::horizontal([
        Constraint::Length(NAME),
        Constraint::Length(if missing { VALUE + BAR } else { VALUE }),
        Constraint::Length(if missing { 0 } else { BAR }),
        Constraint::Length(LIMIT),
        Constraint::Min(0),
    ])
    .areas(area);
    frame.render_widget(Paragraph::new(gauge.quantity.name()), name);
    let words = if missing {
        gauge.words()
    } else {
        gauge.words().replace("at least ", "≥ ")
    };
    let mark = if urgency == Urgency::Fine {
        ' '
    } else {
        urgency.sign()
    };
    frame.render_widget(
        Paragraph::new(format!("{mark}{words}")).style(style(screen, urgency)),
        value,
    );
    if let (Some(used), Some(trip)) = (gauge.used(), gauge.trip) {
        frame.render_widget(Paragraph::new(bar_of(used)), bar);
        let unit = gauge.quantity.unit();
        frame.render_widget(
            Paragraph::new(format!(" trip {}", words::si(trip, unit))),
            limit,
        );
    }
    // Values against their limit, as the bar shows them; a gap stays a gap.
    let heights: Vec<Option<u64>> = history_of(board, gauge, history.width);
    if history.width >= 8 && heights.iter().any(Option::is_some) {
        let bars: Vec<SparklineBar> = heights.into_iter().map(SparklineBar::from).collect();
        frame.render_widget(
            Sparkline::default().data(bars).absent_value_symbol(" "),
            history,
        );
    }
}

/// How much of a limit is used up: full at the limit.
fn bar_of(used: f32) -> String {
    const STEPS: [char; 8] = ['▏', '▎', '▍', '▌', '▋', '▊', '▉', '█'];
    let cells = usize::from(BAR) - 3;
    let eighths = (used.clamp(0.0, 1.0) * (cells * 8) as f32).round() as usize;
    let mut bar = String::from("▕");
    for cell in 0..cells {
        bar.push(match eighths.saturating_sub(cell * 8) {
            0 => ' ',
            more => STEPS[more.min(8) - 1],
        });
    }
    bar.push('▏');
    bar
}

/// The last of the recent values, one a column: their size over the largest of them.
fn history_of(board: &BoardNow, gauge: &Gauge, columns: u16) -> Vec<Option<u64>> {
    let columns = usize::from(columns);
    let rows = &board.recent[board.recent.len().saturating_sub(columns)..];
    let value = |row: &StoredReading| {
        let value = gauge.quantity.of(&row.reading).number()?.abs();
        value.is_finite().then_some(value)
    };
    let values: Vec<Option<f32>> = rows.iter().map(value).collect();
    let most = values.iter().flatten().fold(0.0f32, |a, b| a.max(*b));
    values
        .into_iter()
        .map(|value| {
            value.map(|value| {
                if most > 0.0 {
                    (value / most * 64.0) as u64
                } else {
                    0
                }
            })
        })
        .collect()
}

fn events(frame: &mut Frame, screen: &Screen, board: &BoardNow, area: Rect) {
    let block = Block::new()
        .borders(Borders::TOP)
        .title(" events, newest first (UTC) ");
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let rate_hz = board.run.as_ref().map(|run| run.sample_rate_hz);
    let newest = board.events.iter().rev().skip(screen.back);
    let lines: Vec<Line> = newest
        .take(usize::from(inner.height))
        .map(|stored| {
            let captured = board.waveforms.contains(&stored.event.id);
            Line::raw(format!(
                "{} {:>7}{} {}",
                utc(stored.t_us),
                stored.event.id.to_string(),
                if captured { "~" } else { " " },
                words::event(&stored.event.kind, rate_hz)
            ))
        })
        .collect();
    if lines.is_empty() {
        frame.render_widget(Paragraph::new("none yet"), inner);
    } else {
        frame.render_widget(Paragraph::new(lines), inner);
    }
}

fn nobody(frame: &mut Frame, screen: &Screen, area: Rect) {
    let mut lines = Vec::new();
    for (from, line) in &screen.shown.lines {
        let again = match line {
            LineNow::Gone(_) => " (trying again)",
            _ => "",
        };
        lines.push(Line::raw(format!("{from}: {line}{again}")));
    }
    if lines.is_empty() {
        lines.push(Line::raw(
            "No board in this store yet. `ohmward record` puts boards into it.",
        ));
    }
    frame.render_widget(Paragraph::new(lines), area);
}

fn link_words(report: &crate::link::LinkReport) -> String {
    let received = &report.received;
    let mut words = format!(
        "line: {} frames, {} damaged",
        received.messages,
        received.bad_crc + received.bad_form
    );
    // Writing to a string cannot fail.
    if let Some((least, _)) = report.round_trip_us {
        let _ = write!(
            words,
            ", round trip {}",
            words::si(least as f32 * 1e-6, "s")
        );
    }
    if let Some((drift, sigma)) = report.drift {
        let _ = write!(
            words,
            ", board's clock {:+.0} ± {:.0} ppm",
            drift * 1e6,
            sigma * 1e6
        );
    }
    if let Some(board) = report.board {
        let _ = write!(words, ", {} events sent again", board.events_resent);
    }
    words
}

fn help(frame: &mut Frame) {
    let text = [
        "q, Esc, Ctrl-C   leave",
        "↑ ↓ or k j       another board",
        "PgUp PgDn        older, newer events",
        "space            hold the picture; again: go on",
        "?                this page; any key closes it",
        "",
        "■ danger or a trip   ▲ somebody has to look at it",
        "○ waiting: dark, or just started   · watching",
        "~ behind an event's number: its waveform is stored",
        "A bar is full at the limit set on the board. The line",
        "beside it: the last values, against the largest of them.",
        "",
        "Nothing here is sent to a board but questions, and nothing",
        "is acknowledged: looking takes nothing from the log.",
    ];
    let area = frame.area();
    let (width, height) = (62.min(area.width), (text.len() as u16 + 2).min(area.height));
    let place = Rect {
        x: (area.width - width) / 2,
        y: (area.height - height) / 2,
        width,
        height,
    };
    let lines: Vec<Line> = text.into_iter().map(Line::raw).collect();
    frame.render_widget(Clear, place);
    frame.render_widget(
        Paragraph::new(lines).block(Block::new().borders(Borders::ALL).title(" keys and signs ")),
        place,
    );
}

fn words_of(concern: &Concern) -> String {
    match concern.since_us {
        Some(since_us) => format!(
            "{} {} (since {} UTC)",
            concern.urgency.sign(),
            concern.words,
            utc(since_us)
        ),
        None => format!("{} {}", concern.urgency.sign(), concern.words),
    }
}

fn heard(board: &BoardNow, now_us: i64) -> String {
    board
        .age_us(now_us)
        .map_or("never".to_owned(), |age_us| format!("{} ago", span(age_us)))
}

/// A time for people: two digits are enough.
fn span(us: i64) -> String {
    let s = us / 1_000_000;
    match s {
        0..120 => format!("{s} s"),
        120..7200 => format!("{} min", s / 60),
        7200..172_800 => format!("{} h", s / 3600),
        _ => format!("{} days", s / 86_400),
    }
}

fn style(screen: &Screen, urgency: Urgency) -> Style {
    let plain = Style::new();
    match urgency {
        Urgency::Fine | Urgency::Notice => plain,
        Urgency::Look if screen.colour => plain.fg(Color::Yellow),
        Urgency::Danger if screen.colour => plain.fg(Color::Red).add_modifier(Modifier::BOLD),
        Urgency::Look => plain,
        Urgency::Danger => plain.add_modifier(Modifier::BOLD),
    }
}
