//! What happened, one lane a kind: contactor, bond, recording, trips, warnings, tests, sensors, settings.

use super::canvas::{Area, Canvas, Drawn, Entry, Side, Swatch};
use super::columns::Columns;
use super::marks;
use super::overview::{no_readings, time_labels};
use super::picture::Picture;
use super::time_axis::{TimeAxis, period};
use super::{CAUTION, ChartError, SIZE, colour, states};
use crate::chart::states::{StateSpell, of_events};
use crate::store::{EventFilter, Store, StoredEvent};
use ohmward_proto::EventKind;
use ohmward_proto::message::BoardId;
use plotters::prelude::*;
use std::ops::Range;

const EDGES: (i32, i32) = (200, 1190);
const TOP: i32 = 132;
const LANE: i32 = 58;
/// Marks nearer than this are one with a count.
const NEAR: i32 = 9;

/// Everything that happened on one board over a time.
#[derive(Clone, PartialEq, Debug)]
pub struct TimelineData {
    /// The board.
    pub board: BoardId,
    /// The period, Unix microseconds.
    pub range: Range<i64>,
    /// Its events, by time.
    pub events: Vec<StoredEvent>,
    /// What the contactor did.
    pub states: Vec<StateSpell>,
    /// What was recorded, and when the bond was open.
    pub columns: Columns,
    /// Stands beside the board's number.
    pub note: Option<String>,
}

impl TimelineData {
    /// Gathers what is stored of `board` over `range`.
    ///
    /// # Errors
    /// [`ChartError::NoReadings`] when there is neither a reading nor an event, or a [`ChartError::Store`].
    pub fn from_store(
        store: &Store,
        board: BoardId,
        range: Range<i64>,
    ) -> Result<Self, ChartError> {
        let events = store.events(&EventFilter {
            board: Some(board),
            from_us: Some(range.start),
            to_us: Some(range.end),
            ..EventFilter::default()
        })?;
        let columns = Columns::from_store(store, board, &range)?;
        if events.is_empty() && columns.readings() == 0 {
            return Err(no_readings(store, board, &range)?);
        }
        Ok(Self {
            board,
            states: of_events(store, board, &events, &range)?,
            range,
            events,
            columns,
            note: None,
        })
    }
}

/// Lanes of events, most urgent first.
const LANES: [&str; 7] = [
    "Trips",
    "Insulation",
    "Surges, currents",
    "Self-tests",
    "Sensors",
    "Resets",
    "Board, settings",
];

/// The lane of an event; `None` for what the contactor's lane tells.
fn lane(kind: &EventKind) -> Option<usize> {
    match kind {
        EventKind::Tripped { .. }
        | EventKind::FailedToOpen
        | EventKind::OpenedLate { .. }
        | EventKind::FailedToClose
        | EventKind::LockedOut { .. }
        | EventKind::FuseStrained { .. } => Some(0),
        EventKind::InsulationWarning { .. }
        | EventKind::InsulationRecovered { .. }
        | EventKind::InsulationNotMeasured(_)
        | EventKind::FaultPlaced { .. } => Some(1),
        EventKind::Surge { .. }
        | EventKind::FaultSide { .. }
        | EventKind::SuddenUnwatched
        | EventKind::SuddenWatched => Some(2),
        EventKind::SelfTestPassed { .. } | EventKind::SelfTestFailed(_) => Some(3),
        EventKind::SensorLost(_) | EventKind::SensorBack(_) | EventKind::ZeroDrifted { .. } => {
            Some(4)
        }
        EventKind::Reset | EventKind::ResetRefused(_) => Some(5),
        EventKind::Started { .. }
        | EventKind::SettingsApplied { .. }
        | EventKind::EventsLost { .. }
        | EventKind::MemoryFailed(_)
        | EventKind::MemoryWorks => Some(6),
        EventKind::Connected | EventKind::Rested | EventKind::Opened { .. } => None,
    }
}

/// Words, colour, and whether somebody has to look at it.
fn look(kind: &EventKind) -> (String, RGBColor, bool) {
    match kind {
        EventKind::SelfTestPassed { .. } => ("passed".into(), colour::RESET, false),
        EventKind::InsulationNotMeasured(_) => ("not measured".into(), colour::QUIET, false),
        EventKind::FaultPlaced { .. } | EventKind::FaultSide { .. } => {
            let (words, ..) =
                marks::wording(kind).unwrap_or_else(|| ("place not told".into(), colour::QUIET, 5));
            (words, colour::QUIET, false)
        }
        kind => match marks::wording(kind) {
            Some((words, colour, rank)) => (words, colour, rank <= 2),
            None => ("other".into(), colour::QUIET, false),
        },
    }
}

impl Picture for TimelineData {
    fn size(&self) -> (u32, u32) {
        let lanes = 3 + LANES.len() as i32;
        (SIZE.0, (TOP + lanes * LANE + 110).unsigned_abs())
    }

    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Drawn {
        let sheet = canvas.sheet();
        let axis = TimeAxis {
            range: self.range.clone(),
            left: EDGES.0,
            right: EDGES.1,
        };
        canvas.title(
            &super::board_words(self.board, self.note.as_deref()),
            (24, 26),
        )?;
        canvas.text(
            &period(&self.range),
            (sheet.right - 24, 26),
            Side::Right,
            colour::INK,
        )?;
        let mut entries = states::legend(&self.states, &self.range);
        entries.extend([
            Entry::new(
                Swatch::Hatched(colour::NO_RECORD, colour::NO_RECORD_STROKE),
                "nothing recorded",
            ),
            Entry::new(
                Swatch::Area(colour::MOVING_DARK),
                format!("bond open, share of each {}", self.columns.width_words()),
            ),
            Entry::new(Swatch::Dot(colour::TRIP), "to be looked at"),
            Entry::new(
                Swatch::Ring(colour::QUIET),
                "for the record; ×n: so many so near",
            ),
        ]);
        canvas.legend("Events", (24, 62), sheet.right - 16, &entries)?;
        let bottom = TOP + (3 + LANES.len() as i32) * LANE;
        let ticks = axis.ticks(12);
        for (x, _) in &ticks {
            canvas.line(&[(*x, TOP), (*x, bottom)], colour::GRID, 1)?;
        }
        for k in 0..=3 + LANES.len() as i32 {
            let y = TOP + k * LANE;
            canvas.line(&[(24, y), (EDGES.1, y)], colour::GRID, 1)?;
        }
        let bar = |k: i32| Area {
            left: EDGES.0,
            right: EDGES.1,
            top: TOP + k * LANE + 16,
            bottom: TOP + k * LANE + LANE - 14,
        };
        title(canvas, 0, "Contactor")?;
        states::strip(canvas, &self.states, &axis, bar(0))?;
        self.recorded(canvas, &axis, bar(1))?;
        self.bond(canvas, &axis, bar(2))?;
        for (k, name) in LANES.iter().enumerate() {
            self.lane(canvas, &axis, k, name)?;
        }
        time_labels(canvas, &ticks, bottom)?;
        canvas.text(
            "Words, times and numbers of all events: `ohmward events`.",
            (24, sheet.bottom - 46),
            Side::Left,
            colour::INK,
        )?;
        canvas.text(CAUTION, (24, sheet.bottom - 22), Side::Left, colour::INK)
    }
}

fn title<B: DrawingBackend>(canvas: &Canvas<B>, k: i32, name: &str) -> Drawn {
    canvas.bold(name, (24, TOP + k * LANE + LANE / 2), colour::INK)
}

impl TimelineData {
    fn recorded<B: DrawingBackend>(
        &self,
        canvas: &Canvas<B>,
        axis: &TimeAxis,
        area: Area,
    ) -> Drawn {
        title(canvas, 1, "Recording")?;
        canvas.fill(area, colour::MOST_OF_IT)?;
        let shares = self.columns.shares(&self.range, |_| &[]);
        // From the top down: a column half recorded is half hatched.
        for piece in shares.chunk_by(|a, b| {
            a.span.end == b.span.start && (a.absent >= 1.0) == (b.absent >= 1.0) && a.absent >= 1.0
        }) {
            let (Some(first), Some(last)) = (piece.first(), piece.last()) else {
                continue;
            };
            let height = (first.absent * f64::from(area.bottom - area.top)).round() as i32;
            if height == 0 {
                continue;
            }
            let left = axis.x(first.span.start);
            let gap = Area {
                left,
                right: axis.x(last.span.end).max(left + 1),
                top: area.top,
                bottom: area.top + height,
            };
            canvas.hatch(gap, colour::NO_RECORD, colour::NO_RECORD_STROKE)?;
        }
        canvas.frame(area, colour::QUIET)
    }

    fn bond<B: DrawingBackend>(&self, canvas: &Canvas<B>, axis: &TimeAxis, area: Area) -> Drawn {
        title(canvas, 2, "Bond open")?;
        let stretches: Vec<(i32, i32, i32, i32)> = self
            .columns
            .columns
            .iter()
            .filter(|(_, rollup)| rollup.bond_open > 0)
            .map(|(start_us, rollup)| {
                let share = rollup.bond_open as f64 / rollup.readings.max(1) as f64;
                let left = axis.x(*start_us);
                let right = axis
                    .x(start_us.saturating_add(self.columns.width_us))
                    .max(left + 1);
                // A check of seconds is a pixel high at least: it was there.
                let height = (share * f64::from(area.bottom - area.top)).round().max(1.0) as i32;
                (left, right, area.bottom - height, area.bottom)
            })
            .collect();
        canvas.band(&stretches, colour::MOVING_DARK)?;
        canvas.frame(area, colour::QUIET)
    }

    fn lane<B: DrawingBackend>(
        &self,
        canvas: &Canvas<B>,
        axis: &TimeAxis,
        k: usize,
        name: &str,
    ) -> Drawn {
        struct Group {
            x: i32,
            last: i32,
            count: usize,
            words: String,
            colour: RGBColor,
            heavy: bool,
        }
        let row = 3 + k as i32;
        let mut groups: Vec<Group> = Vec::new();
        let mut total = 0;
        for stored in self
            .events
            .iter()
            .filter(|stored| lane(&stored.event.kind) == Some(k))
        {
            total += 1;
            let (words, colour, heavy) = look(&stored.event.kind);
            let x = axis.x(stored.t_us);
            match groups.last_mut() {
                Some(group) if x - group.last <= NEAR => {
                    group.count += 1;
                    group.last = x;
                    // The weightiest of them speaks for all.
                    if heavy && !group.heavy {
                        (group.words, group.colour, group.heavy) = (words, colour, true);
                    }
                }
                _ => groups.push(Group {
                    x,
                    last: x,
                    count: 1,
                    words,
                    colour,
                    heavy,
                }),
            }
        }
        title(canvas, row, name)?;
        let top = TOP + row * LANE;
        let count = if total == 0 {
            "none".to_owned()
        } else {
            total.to_string()
        };
        canvas.small(
            &count,
            (EDGES.1 + 12, top + LANE / 2),
            Side::Left,
            colour::QUIET,
        )?;
        // Words where they have room, the weighty ones first; a row above the marks.
        let mut order: Vec<usize> = (0..groups.len()).collect();
        order.sort_by_key(|&k| (!groups[k].heavy, k));
        let mut taken: Vec<(i32, i32)> = Vec::new();
        for k in order {
            let group = &groups[k];
            let words = if group.count > 1 {
                format!("{} ×{}", group.words, group.count)
            } else {
                group.words.clone()
            };
            let wide = canvas.small_width(&words)?;
            let left = (group.x - 4).min(EDGES.1 - wide);
            let fits = left >= EDGES.0
                && taken
                    .iter()
                    .all(|(from, to)| left > to + 10 || left + wide + 10 < *from);
            if fits {
                taken.push((left, left + wide));
                canvas.small(&words, (left, top + 17), Side::Left, group.colour)?;
            }
        }
        let y = top + 40;
        for group in &groups {
            if group.last > group.x {
                canvas.line(&[(group.x, y), (group.last, y)], group.colour, 3)?;
            }
            for x in [group.x, group.last] {
                if group.heavy {
                    canvas.dot((x, y), 6, group.colour)?;
                } else {
                    canvas.circle((x, y), 5, group.colour, 2)?;
                }
            }
        }
        Ok(())
    }
}
