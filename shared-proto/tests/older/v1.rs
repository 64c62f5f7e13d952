//! What protocol version 1 knew, copied from the first commit of this crate and never touched again. Settings were changed
//! once more before anything was shipped; they are not part of this copy.

use ohmward_proto::event::{EventId, StartReason};
use ohmward_proto::measure::{Channel, Pole, PoleLeakage};
use ohmward_proto::message::{CaptureHead, CapturePart, Hello, LinkStats};
use ohmward_proto::{Amps, Ohms, SampleIndex, Volts};
use serde::Deserialize;

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum NotMeasured {
    NeverYet,
    ArrayDark,
    ArrayMoved,
    NotSettled,
    SensorLost(Channel),
    BridgeUnmoved,
    FaultMoved,
    Interrupted,
    WindowFilling,
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum BondCurrent {
    Measured { dc: Amps, rms: Amps },
    NotMeasured(NotMeasured),
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum Insulation {
    Measured {
        leakage: PoleLeakage,
        at: SampleIndex,
    },
    NotMeasured {
        why: NotMeasured,
        since: SampleIndex,
    },
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum TripState {
    Resting,
    Closing,
    Closed,
    Opening,
    Latched,
    FailedToOpen,
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub struct Reading {
    pub at: SampleIndex,
    pub i_bond: BondCurrent,
    pub v_pos: Option<Volts>,
    pub v_neg: Option<Volts>,
    pub insulation: Insulation,
    pub state: TripState,
    pub bond_open: bool,
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum TripCause {
    ContinuousCurrent { rms: Amps, limit: Amps },
    GroundFaultCurrent { dc: Amps, limit: Amps },
    InsulationLow { r: Ohms, limit: Ohms, pole: Pole },
    SensorLost(Channel),
    ContactorFault,
    Commanded,
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum ResetRefusal {
    NotLatched,
    ContactorNotOpen,
    FaultStillThere,
    InsulationLow,
    InsulationNotMeasured,
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum EventKind {
    Started {
        reason: StartReason,
        settings_hash: u32,
    },
    Connected,
    Rested,
    Tripped {
        cause: TripCause,
        picked_up: SampleIndex,
    },
    Opened {
        after: u32,
    },
    FailedToOpen,
    OpenedLate {
        after: u32,
    },
    FailedToClose,
    Reset,
    ResetRefused(ResetRefusal),
    InsulationWarning {
        r: Ohms,
        pole: Pole,
    },
    InsulationRecovered {
        r: Ohms,
    },
    InsulationNotMeasured(NotMeasured),
    Surge {
        peak: Amps,
        samples: u16,
    },
    SensorLost(Channel),
    SensorBack(Channel),
    SettingsApplied {
        hash: u32,
    },
    EventsLost {
        count: u32,
    },
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub struct Event {
    pub id: EventId,
    pub at: SampleIndex,
    pub kind: EventKind,
}

/// As far as a board says it.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[allow(clippy::large_enum_variant)]
pub enum Message {
    Hello(Hello),
    HelloAsk { protocol: u16 },
    Reading(Reading),
    Event(Event),
    CaptureHead(CaptureHead),
    CapturePart(CapturePart),
    Ack(()),
    TimeAsk { token: u32 },
    TimeIs { token: u32, at: SampleIndex },
    SettingsGet,
    SettingsAre(()),
    SettingsPut(()),
    SettingsResult(()),
    Command(()),
    CommandResult(()),
    LinkStatsAsk,
    LinkStatsAre(LinkStats),
}
