//! Pickup, trip and contactor over a capture. A capture holds converter codes; what the board did stands in its events, so
//! these are known only at the moments that events name.

use crate::store::StoredEvent;
use ohmward_proto::event::TripCause;
use ohmward_proto::{Event, EventKind, SampleIndex};
use std::ops::Range;

/// What is known of the board during a capture; one entry a sample.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Wires {
    /// The limit that then tripped was passed: from when that was first seen to the trip, its sample included.
    pub pickup: Vec<bool>,
    /// Tripped: the contactor is told to open, until a reset.
    pub trip: Vec<bool>,
    /// The contactor was confirmed closed, or why that cannot be told.
    pub contactor: Result<Vec<bool>, &'static str>,
}

/// What an event says of the contactor's own contact, where it says anything.
enum Contact {
    Closed,
    Open,
    /// It contradicts what it was told.
    Doubtful,
}

impl Wires {
    /// From all stored events of one board, over the samples of one of its runs.
    pub fn of(events: &[StoredEvent], boot: u32, during: Range<SampleIndex>) -> Self {
        let mut own: Vec<_> = events
            .iter()
            .map(|stored| stored.event)
            .filter(|event| event.id.boot == boot && event.at < during.end)
            .collect();
        own.sort_by_key(|event| event.id.seq);
        let samples = during.end.since(during.start) as usize;
        let place =
            |at: SampleIndex| (at.max(during.start).since(during.start) as usize).min(samples);
        let mut wires = Self {
            pickup: vec![false; samples],
            trip: vec![false; samples],
            contactor: contactor(&own, &during, place),
        };
        for event in own {
            let from = place(event.at);
            match event.kind {
                EventKind::Tripped { picked_up, .. } => {
                    if event.at >= during.start {
                        wires.pickup[place(picked_up)..(from + 1).min(samples)].fill(true);
                    }
                    wires.trip[from..].fill(true);
                }
                EventKind::Reset => wires.trip[from..].fill(false),
                _ => {}
            }
        }
        wires
    }
}

/// How the contactor stood, sample by sample. Events that are not in the store leave it open.
fn contactor(
    own: &[Event],
    during: &Range<SampleIndex>,
    place: impl Fn(SampleIndex) -> usize,
) -> Result<Vec<bool>, &'static str> {
    let mut row = vec![false; place(during.end)];
    // As last told, and whether a trip has yet to be followed.
    let (mut now, mut tripping) = (None, false);
    for (n, event) in own.iter().enumerate() {
        let inside = event.at > during.start;
        let gap = n > 0 && own[n - 1].id.seq + 1 != event.id.seq;
        if gap && inside {
            return Err("events are missing from the store");
        }
        if gap {
            now = None;
        }
        match says(&event.kind) {
            Some(Contact::Doubtful) if inside => {
                return Err("its feedback contradicted its command");
            }
            Some(Contact::Doubtful) => now = None,
            Some(_) if inside && now.is_none() => {
                return Err("no event says how it stood when the capture began");
            }
            Some(contact) => {
                let closed = matches!(contact, Contact::Closed);
                row[place(event.at)..].fill(closed);
                (now, tripping) = (Some(closed), false);
            }
            None if matches!(event.kind, EventKind::Tripped { .. }) => tripping = now == Some(true),
            None => {}
        }
    }
    match now {
        None => Err("no event of this run says how it stood"),
        Some(_) if tripping => Err("how it followed the trip is not in the store"),
        Some(_) => Ok(row),
    }
}

fn says(kind: &EventKind) -> Option<Contact> {
    match kind {
        EventKind::Connected | EventKind::FailedToOpen => Some(Contact::Closed),
        EventKind::Opened { .. }
        | EventKind::OpenedLate { .. }
        | EventKind::Rested
        | EventKind::FailedToClose => Some(Contact::Open),
        EventKind::Tripped {
            cause: TripCause::ContactorFault,
            ..
        } => Some(Contact::Doubtful),
        _ => None,
    }
}
