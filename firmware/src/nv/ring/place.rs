//! A place of the ring: what it can hold, and how that stands in flash.

use embedded_storage::nor_flash::NorFlash;
use ohmward_proto::checksum::CRC;
use ohmward_proto::event::{Event, MemoryFault};
use serde::{Deserialize, Serialize};

/// Bytes of a place. The longest event takes 47 with its serial (a test below); a check sum more is 51.
pub const PLACE: usize = 64;

#[derive(Serialize, Deserialize)]
pub enum Place {
    Head {
        layout: u32,
        order: u32,
        acked_below: u32,
        next_serial: u32,
    },
    Event {
        serial: u32,
        event: Event,
    },
    Acked {
        below: u32,
    },
}

pub enum Seen {
    Blank,
    Torn,
    Whole(Place),
}

pub fn encode(place: &Place, into: &mut [u8]) -> Result<(), MemoryFault> {
    let (body, sum) = into.split_last_chunk_mut::<4>().ok_or(MemoryFault::Write)?;
    body.fill(0xFF);
    postcard::to_slice(place, body).map_err(|_| MemoryFault::Write)?;
    *sum = CRC.checksum(body).to_le_bytes();
    Ok(())
}

pub fn decode(bytes: &[u8; PLACE]) -> Seen {
    if bytes.iter().all(|&b| b == 0xFF) {
        return Seen::Blank;
    }
    match bytes.split_last_chunk::<4>() {
        Some((body, sum)) if CRC.checksum(body) == u32::from_le_bytes(*sum) => {
            postcard::take_from_bytes(body).map_or(Seen::Torn, |(place, _)| Seen::Whole(place))
        }
        _ => Seen::Torn,
    }
}

/// Writes, reads back, compares.
pub fn write_and_check<F: NorFlash>(
    flash: &mut F,
    address: u32,
    bytes: &[u8],
) -> Result<(), MemoryFault> {
    flash
        .write(address, bytes)
        .map_err(|_| MemoryFault::Write)?;
    let mut at = address;
    for wanted in bytes.chunks(PLACE) {
        let mut there = [0; PLACE];
        let there = there.get_mut(..wanted.len()).unwrap_or_default();
        flash.read(at, there).map_err(|_| MemoryFault::Read)?;
        if there != wanted {
            return Err(MemoryFault::Write);
        }
        at += wanted.len() as u32;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use ohmward_proto::event::{EventId, EventKind, FaultSide, SelfTestFault, TripCause};
    use ohmward_proto::measure::{Channel, FaultPlace, NotMeasured, Pole};
    use ohmward_proto::units::{Amps, Ohms, SampleIndex, Volts};

    const A: Amps = Amps(1e9);
    const R: Ohms = Ohms(1e9);
    const SEEN: SelfTestFault = SelfTestFault::Bridge {
        seen: A,
        expected: A,
    };

    /// One of every kind that holds a number, each number as long as it can be. No `_`: a new kind has to be placed.
    fn longest(kind: &EventKind) -> bool {
        match kind {
            EventKind::Started { .. }
            | EventKind::Connected
            | EventKind::Rested
            | EventKind::Tripped { .. }
            | EventKind::Opened { .. }
            | EventKind::FailedToOpen
            | EventKind::OpenedLate { .. }
            | EventKind::FailedToClose
            | EventKind::Reset
            | EventKind::ResetRefused(_)
            | EventKind::InsulationWarning { .. }
            | EventKind::InsulationRecovered { .. }
            | EventKind::InsulationNotMeasured(_)
            | EventKind::Surge { .. }
            | EventKind::SensorLost(_)
            | EventKind::SensorBack(_)
            | EventKind::SettingsApplied { .. }
            | EventKind::EventsLost { .. }
            | EventKind::SuddenUnwatched
            | EventKind::SuddenWatched
            | EventKind::SelfTestPassed { .. }
            | EventKind::ZeroDrifted { .. }
            | EventKind::LockedOut { .. }
            | EventKind::FaultSide { .. }
            | EventKind::FuseStrained { .. }
            | EventKind::FaultPlaced { .. }
            | EventKind::SelfTestFailed(_)
            | EventKind::MemoryFailed(_)
            | EventKind::MemoryWorks => true,
        }
    }

    fn causes() -> [TripCause; 10] {
        [
            TripCause::ContinuousCurrent { rms: A, limit: A },
            TripCause::GroundFaultCurrent { dc: A, limit: A },
            TripCause::InsulationLow {
                r: R,
                limit: R,
                pole: Pole::Undecided,
            },
            TripCause::SensorLost(Channel::VNeg),
            TripCause::InsulationUnreadable {
                why: NotMeasured::SensorLost(Channel::VNeg),
            },
            TripCause::SuddenChange { peak: A, limit: A },
            TripCause::BondInterrupted { v: Volts(1e9) },
            TripCause::SelfTestFailed(SEEN),
            TripCause::GroundedConductorFault { r: R, limit: R },
            TripCause::FuseHeated { rms: A, rating: A },
        ]
    }

    /// Sizes by the wire format of postcard 1.x (<https://postcard.jamesmunns.com/wire-format>): a u32 is 5 bytes at most, a u64
    /// 10, an f32 4, the index of an enum 1.
    #[test]
    fn the_longest_event_fits_a_place() {
        let trips = causes().map(|cause| EventKind::Tripped {
            cause,
            picked_up: SampleIndex(u64::MAX),
        });
        let others = [
            EventKind::Started {
                reason: ohmward_proto::event::StartReason::Requested,
                settings_hash: u32::MAX,
            },
            EventKind::OpenedLate { after: u32::MAX },
            EventKind::InsulationWarning {
                r: R,
                pole: Pole::Undecided,
            },
            EventKind::Surge {
                peak: A,
                samples: u16::MAX,
            },
            EventKind::EventsLost { count: u32::MAX },
            EventKind::SelfTestPassed {
                injected: A,
                zero: A,
            },
            EventKind::FaultSide {
                side: FaultSide::Other,
                dc: A,
            },
            EventKind::FaultPlaced {
                place: FaultPlace::At {
                    fraction: 1.0,
                    sigma: 1.0,
                },
                r: R,
            },
            EventKind::SelfTestFailed(SEEN),
        ];
        let size = |kind: EventKind| {
            assert!(longest(&kind));
            let event = Event {
                id: EventId {
                    boot: u32::MAX,
                    seq: u32::MAX,
                },
                at: SampleIndex(u64::MAX),
                kind,
            };
            let place = Place::Event {
                serial: u32::MAX,
                event,
            };
            let mut bytes = [0; PLACE];
            encode(&place, &mut bytes).expect("fits");
            let whole =
                matches!(decode(&bytes), Seen::Whole(Place::Event { event: e, .. }) if e == event);
            assert!(whole, "{kind:?}");
            postcard::to_slice(&place, &mut [0; PLACE])
                .map(|used| used.len())
                .expect("fits")
        };
        let most = trips.into_iter().chain(others).map(size).max();
        assert_eq!(most, Some(47));
    }

    /// Head and record fit too.
    #[test]
    fn what_else_stands_in_a_place_fits() {
        let head = Place::Head {
            layout: u32::MAX,
            order: u32::MAX,
            acked_below: u32::MAX,
            next_serial: u32::MAX,
        };
        for place in [head, Place::Acked { below: u32::MAX }] {
            encode(&place, &mut [0; PLACE]).expect("fits");
        }
    }
}
