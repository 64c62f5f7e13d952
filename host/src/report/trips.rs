//! Trips, each with the times that belong to it.

use crate::store::StoredEvent;
use crate::words;
use ohmward_proto::EventKind;
use std::collections::BTreeMap;

/// A trip.
#[derive(Clone, PartialEq, Debug)]
pub struct Trip {
    /// The event.
    pub event: StoredEvent,
    /// Why.
    pub cause: String,
    /// From pickup to the output that opens the contactor, ms; `None`: the run's sample rate is not known.
    pub pickup_to_trip_ms: Option<f64>,
    /// From there until the contactor was seen open, ms.
    pub trip_to_open_ms: Option<f64>,
    /// It did not open in its time.
    pub failed_to_open: bool,
    /// When the latch was reset, Unix microseconds; `None`: not within the period.
    pub reset_us: Option<i64>,
    /// Where the fault was, as the board told afterwards.
    pub place: Option<String>,
}

/// Every trip among events of one board, which are in the order of time.
#[must_use]
pub fn trips(events: &[StoredEvent], rates_hz: &BTreeMap<u32, u32>) -> Vec<Trip> {
    let mut trips: Vec<Trip> = Vec::new();
    for stored in events {
        let id = stored.event.id;
        let rate_hz = rates_hz.get(&id.boot).copied().filter(|hz| *hz > 0);
        let ms = |samples: u64| rate_hz.map(|hz| samples as f64 * 1000.0 / f64::from(hz));
        if let EventKind::Tripped { cause, picked_up } = &stored.event.kind {
            trips.push(Trip {
                event: *stored,
                cause: words::cause(cause),
                pickup_to_trip_ms: ms(stored.event.at.since(*picked_up)),
                trip_to_open_ms: None,
                failed_to_open: false,
                reset_us: None,
                place: None,
            });
            continue;
        }
        let Some(trip) = trips.last_mut().filter(|trip| trip.reset_us.is_none()) else {
            continue;
        };
        let same_run = trip.event.event.id.boot == id.boot;
        match &stored.event.kind {
            EventKind::Opened { after } | EventKind::OpenedLate { after } if same_run => {
                trip.trip_to_open_ms = ms(u64::from(*after));
            }
            EventKind::FailedToOpen => trip.failed_to_open = true,
            EventKind::Reset => trip.reset_us = Some(stored.t_us),
            EventKind::FaultPlaced { place, .. } => trip.place = Some(words::place(place)),
            _ => {}
        }
    }
    trips
}
