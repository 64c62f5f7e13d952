//! What the contactor did: told by every reading of a short time; over a long one by events, exact and known from the first on.

use super::ChartError;
use super::canvas::{Area, Canvas, Drawn, Entry, Swatch};
use super::colour;
use super::time_axis::TimeAxis;
use crate::store::{EventFilter, Readings, Store, StoredEvent};
use ohmward_proto::EventKind;
use ohmward_proto::measure::TripState;
use ohmward_proto::message::BoardId;
use plotters::prelude::*;
use std::ops::Range;

/// A stretch in one state.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StateSpell {
    /// From when to when, Unix microseconds.
    pub span: Range<i64>,
    /// The state.
    pub state: TripState,
}

/// Kinds of events that change the state, as the store names them.
const KINDS: [&str; 10] = [
    "started",
    "connected",
    "rested",
    "tripped",
    "opened",
    "failed-to-open",
    "opened-late",
    "failed-to-close",
    "reset",
    "locked-out",
];

/// The state that an event leaves the contactor in.
fn after(kind: &EventKind, before: Option<TripState>) -> Option<TripState> {
    match kind {
        EventKind::Connected => Some(TripState::Closed),
        EventKind::Started { .. }
        | EventKind::Rested
        | EventKind::Reset
        | EventKind::FailedToClose => Some(TripState::Resting),
        EventKind::FailedToOpen => Some(TripState::FailedToOpen),
        EventKind::LockedOut { .. } => Some(TripState::LockedOut),
        // It opens within milliseconds, or another event says that it did not.
        EventKind::Tripped { .. } | EventKind::Opened { .. } | EventKind::OpenedLate { .. } => {
            match before {
                Some(TripState::LockedOut) => before,
                _ => Some(TripState::Latched),
            }
        }
        _ => before,
    }
}

/// Spells within `range`, from its events and the last one before them.
pub fn of_events(
    store: &Store,
    board: BoardId,
    events: &[StoredEvent],
    range: &Range<i64>,
) -> Result<Vec<StateSpell>, ChartError> {
    let before = store.events(&EventFilter {
        board: Some(board),
        from_us: None,
        to_us: Some(range.start),
        kinds: KINDS.map(str::to_owned).to_vec(),
        limit: Some(1),
    })?;
    let mut state = before
        .first()
        .and_then(|stored| after(&stored.event.kind, None));
    let mut from_us = range.start;
    let mut spells = Vec::new();
    let mut push = |from_us: i64, to_us: i64, state: Option<TripState>| {
        if let Some(state) = state.filter(|_| to_us > from_us) {
            spells.push(StateSpell {
                span: from_us..to_us,
                state,
            });
        }
    };
    for stored in events {
        let next = after(&stored.event.kind, state);
        if next != state {
            push(from_us, stored.t_us, state);
            (from_us, state) = (stored.t_us, next);
        }
    }
    push(from_us, range.end, state);
    Ok(spells)
}

/// Spells from every reading of a time; none over a gap of the record.
pub fn of_readings(readings: &Readings, range: &Range<i64>) -> Vec<StateSpell> {
    let rows = &readings.rows;
    let mut spells: Vec<StateSpell> = Vec::new();
    for (k, row) in rows.iter().enumerate() {
        let next_us = rows.get(k + 1).map_or(range.end, |next| next.t_us);
        let is_near = next_us.saturating_sub(row.t_us) <= readings.spacing_us || rows.len() == 1;
        let end_us = if is_near { next_us } else { row.t_us };
        // On its way for moments only.
        let state = match row.reading.state {
            TripState::Opening => TripState::Latched,
            TripState::Closing => TripState::Resting,
            state => state,
        };
        match spells.last_mut() {
            Some(last) if last.state == state && last.span.end == row.t_us => {
                last.span.end = end_us;
            }
            _ => spells.push(StateSpell {
                span: row.t_us..end_us,
                state,
            }),
        }
    }
    spells
}

/// Those that are drawn, the mildest first: each is drawn over those before it, so that a moment of "failed to open" is not lost in a
/// pixel.
const STATES: [TripState; 5] = [
    TripState::Closed,
    TripState::Resting,
    TripState::Latched,
    TripState::LockedOut,
    TripState::FailedToOpen,
];

/// Colour and words of a state.
pub fn look(state: TripState) -> (RGBColor, &'static str) {
    match state {
        TripState::Closed => (colour::CLOSED, "closed"),
        TripState::Resting => (colour::RESTING, "resting (open, no fault)"),
        TripState::Closing => (colour::MOVING, "closing"),
        TripState::Opening => (colour::MOVING, "opening"),
        TripState::Latched => (colour::LATCHED, "latched open after a trip"),
        TripState::LockedOut => (colour::LOCKED, "locked out after repeated trips"),
        TripState::FailedToOpen => (colour::FAILED, "failed to open"),
    }
}

/// Entries for the states that occur.
pub fn legend(spells: &[StateSpell], range: &Range<i64>) -> Vec<Entry> {
    let mut entries: Vec<Entry> = STATES
        .into_iter()
        .filter(|state| spells.iter().any(|spell| spell.state == *state))
        .map(look)
        .map(|(colour, words)| Entry::new(Swatch::Area(colour), words))
        .collect();
    if spells
        .first()
        .is_none_or(|first| first.span.start > range.start)
    {
        entries.push(Entry::new(Swatch::Area(colour::WHITE), "not known yet"));
    }
    entries
}

/// The strip. In grey print the shape tells too: closed is the whole height, resting half of it, tripped whole with a line along it.
pub fn strip<B: DrawingBackend>(
    canvas: &Canvas<B>,
    spells: &[StateSpell],
    axis: &TimeAxis,
    area: Area,
) -> Drawn {
    let middle = i32::midpoint(area.top, area.bottom);
    for state in STATES {
        for spell in spells.iter().filter(|spell| spell.state == state) {
            let left = axis.x(spell.span.start);
            let right = axis.x(spell.span.end).max(left + 2);
            let top = match state {
                TripState::Resting => middle,
                _ => area.top,
            };
            canvas.fill(
                Area {
                    left,
                    right,
                    top,
                    bottom: area.bottom,
                },
                look(state).0,
            )?;
            if !matches!(state, TripState::Closed | TripState::Resting) {
                canvas.line(&[(left, middle), (right, middle)], colour::INK, 2)?;
            }
        }
    }
    canvas.frame(area, colour::QUIET)
}
