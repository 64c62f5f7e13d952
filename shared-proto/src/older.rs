//! What a host of an older version is told instead of what it does not know.
//!
//! A host before version 3 drops an event of a kind that is new to it and never acknowledges it: it would be sent for
//! ever, and stand in the way of those it knows. So a board says such an event with the nearest kind of that version:
//! number and moment stay. What no older kind comes near becomes "one event is not in your log", which is what it is.
//! From version 3 on a host keeps an event that it does not know as it came: a new kind of event needs a line for versions 1
//! and 2 only. An answer that somebody waits for needs one for every version that does not know it.
//!
//! What each version knows was read from its sources: version 1 is the first commit of this crate, version 2 the one
//! that raised [`PROTOCOL_VERSION`](crate::message::PROTOCOL_VERSION) to 2. `tests/older.rs` holds copies of both.

use crate::event::{Event, EventKind, ResetRefusal, SelfTestFault, TripCause};
use crate::measure::{BondCurrent, Channel, Insulation, NotMeasured, Pole, Reading, TripState};
use crate::message::{CommandOutcome, Message};
use crate::settings::SettingsFault;
use crate::units::Amps;

/// The first version whose hosts keep events of unknown kinds, and acknowledge many at once.
pub const KEEPS_UNKNOWN: u16 = 3;
/// The first version that knows why settings have to wait for the contactor to open, and how long insulation measurements dwelt.
const KNOWS_ROOM_AND_DWELL: u16 = 4;
/// The first version that can be calibrated over the link.
pub const KNOWS_CALIBRATION: u16 = 5;

/// The message as a host of this version understands it; `None` when it has no word for it and loses nothing by that.
#[must_use]
pub fn for_host(message: Message, protocol: u16) -> Option<Message> {
    // Someone waits for this answer, and a word that is not known is none.
    if protocol < KNOWS_ROOM_AND_DWELL
        && message == Message::SettingsResult(Err(SettingsFault::NoRoomYet))
    {
        return Some(Message::SettingsResult(Err(SettingsFault::NotStored)));
    }
    if protocol < KNOWS_ROOM_AND_DWELL && matches!(message, Message::RunDwell { .. }) {
        return None;
    }
    // Answers to what no host before that asks.
    let of_calibrating = matches!(
        message,
        Message::CalibrationIs(_) | Message::CalibrationResult(_) | Message::CodesAre { .. }
    );
    if protocol < KNOWS_CALIBRATION && of_calibrating {
        return None;
    }
    if protocol >= KEEPS_UNKNOWN {
        return Some(message);
    }
    Some(match message {
        Message::Event(event) => Message::Event(Event {
            kind: kind(event.kind, protocol),
            ..event
        }),
        Message::Reading(reading) => Message::Reading(self::reading(reading, protocol)),
        Message::Spectrum(_) if protocol < 2 => return None,
        Message::CommandResult {
            command,
            outcome: CommandOutcome::ResetRefused(why),
        } => Message::CommandResult {
            command,
            outcome: CommandOutcome::ResetRefused(refusal(why, protocol)),
        },
        Message::RunReading { reading, .. } => Message::Reading(self::reading(reading, protocol)),
        Message::CounterIs { token, at, .. } => Message::TimeIs { token, at },
        Message::RunSpectrum { .. } if protocol < 2 => return None,
        Message::RunSpectrum { spectrum, .. } => Message::Spectrum(spectrum),
        Message::PeerIs { .. } | Message::Acks(_) | Message::CaptureHave(_) => return None,
        known => known,
    })
}

fn kind(kind: EventKind, protocol: u16) -> EventKind {
    match kind {
        EventKind::Tripped { cause, picked_up } if protocol < 2 => EventKind::Tripped {
            cause: self::cause(cause),
            picked_up,
        },
        EventKind::ResetRefused(why) => EventKind::ResetRefused(refusal(why, protocol)),
        EventKind::InsulationNotMeasured(why) => {
            EventKind::InsulationNotMeasured(reason(why, protocol))
        }
        // The limits that stay watched are told by what follows; that something is not watched must be told.
        EventKind::SuddenUnwatched if protocol < 2 => EventKind::SensorLost(Channel::IFine),
        EventKind::SuddenWatched if protocol < 2 => EventKind::SensorBack(Channel::IFine),
        EventKind::SelfTestPassed { .. }
        | EventKind::ZeroDrifted { .. }
        | EventKind::LockedOut { .. }
        | EventKind::FaultSide { .. }
        | EventKind::FuseStrained { .. }
            if protocol < 2 =>
        {
            NOT_IN_YOUR_LOG
        }
        EventKind::FaultPlaced { .. } | EventKind::MemoryFailed(_) | EventKind::MemoryWorks => {
            NOT_IN_YOUR_LOG
        }
        EventKind::SelfTestFailed(fault) => EventKind::SensorLost(failed_channel(fault)),
        known => known,
    }
}

const NOT_IN_YOUR_LOG: EventKind = EventKind::EventsLost { count: 1 };

/// For version 1. What can no longer be watched is a lost sensor in its words.
fn cause(cause: TripCause) -> TripCause {
    match cause {
        TripCause::SuddenChange { peak, limit } => TripCause::ContinuousCurrent {
            rms: Amps(if peak.0 < 0.0 { -peak.0 } else { peak.0 }),
            limit,
        },
        TripCause::FuseHeated { rms, rating } => {
            TripCause::ContinuousCurrent { rms, limit: rating }
        }
        TripCause::GroundedConductorFault { r, limit } => TripCause::InsulationLow {
            r,
            limit,
            pole: Pole::Undecided,
        },
        TripCause::InsulationUnreadable { .. } => TripCause::SensorLost(Channel::VPos),
        TripCause::SelfTestFailed(fault) => TripCause::SensorLost(failed_channel(fault)),
        TripCause::SettingsLost
        | TripCause::BondInterrupted { .. }
        | TripCause::SamplesLost
        | TripCause::Restarted(_)
        | TripCause::SecondBond => TripCause::SensorLost(Channel::IFine),
        known => known,
    }
}

fn failed_channel(fault: SelfTestFault) -> Channel {
    match fault {
        SelfTestFault::WideRange { .. } => Channel::IWide,
        SelfTestFault::FineRange { .. }
        | SelfTestFault::Zero { .. }
        | SelfTestFault::Bridge { .. }
        | SelfTestFault::BondStuck { .. } => Channel::IFine,
    }
}

fn refusal(why: ResetRefusal, protocol: u16) -> ResetRefusal {
    match why {
        ResetRefusal::LockedOut if protocol < 2 => ResetRefusal::FaultStillThere,
        known => known,
    }
}

fn reason(why: NotMeasured, protocol: u16) -> NotMeasured {
    match why {
        NotMeasured::BondOpen if protocol < 2 => NotMeasured::Interrupted,
        NotMeasured::BridgeWrong => NotMeasured::BridgeUnmoved,
        known => known,
    }
}

fn reading(reading: Reading, protocol: u16) -> Reading {
    Reading {
        i_bond: match reading.i_bond {
            BondCurrent::NotMeasured(why) => BondCurrent::NotMeasured(reason(why, protocol)),
            measured @ BondCurrent::Measured { .. } => measured,
        },
        insulation: match reading.insulation {
            Insulation::NotMeasured { why, since } => Insulation::NotMeasured {
                why: reason(why, protocol),
                since,
            },
            measured @ Insulation::Measured { .. } => measured,
        },
        state: match reading.state {
            TripState::LockedOut if protocol < 2 => TripState::Latched,
            known => known,
        },
        ..reading
    }
}
