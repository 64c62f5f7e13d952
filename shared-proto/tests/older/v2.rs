//! What protocol version 2 knew, as far as it differs from version 1: copied from the commit that raised the number, and
//! never touched again.

use ohmward_proto::event::{EventId, StartReason};
use ohmward_proto::measure::{Channel, Pole, PoleLeakage};
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
    BondOpen,
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
    LockedOut,
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
pub enum SelfTestFault {
    FineRange { seen: Amps },
    WideRange { seen: Amps },
    Zero { seen: Amps },
    Bridge { seen: Amps, expected: Amps },
    BondStuck { seen: Amps },
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum TripCause {
    ContinuousCurrent { rms: Amps, limit: Amps },
    GroundFaultCurrent { dc: Amps, limit: Amps },
    InsulationLow { r: Ohms, limit: Ohms, pole: Pole },
    SensorLost(Channel),
    ContactorFault,
    Commanded,
    InsulationUnreadable { why: NotMeasured },
    SettingsLost,
    SuddenChange { peak: Amps, limit: Amps },
    BondInterrupted { v: Volts },
    SamplesLost,
    Restarted(StartReason),
    SelfTestFailed(SelfTestFault),
    SecondBond,
    GroundedConductorFault { r: Ohms, limit: Ohms },
    FuseHeated { rms: Amps, rating: Amps },
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum ResetRefusal {
    NotLatched,
    ContactorNotOpen,
    FaultStillThere,
    InsulationLow,
    InsulationNotMeasured,
    LockedOut,
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub enum FaultSide {
    Bonded,
    Other,
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
    SuddenUnwatched,
    SuddenWatched,
    SelfTestPassed {
        injected: Amps,
        zero: Amps,
    },
    ZeroDrifted {
        zero: Amps,
    },
    LockedOut {
        trips: u8,
    },
    FaultSide {
        side: FaultSide,
        dc: Amps,
    },
    FuseStrained {
        i2t_a2s: f32,
    },
}

#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
pub struct Event {
    pub id: EventId,
    pub at: SampleIndex,
    pub kind: EventKind,
}
