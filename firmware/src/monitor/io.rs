//! What a monitor is given and what it gives.

use ohmward_proto::event::StartReason;
use ohmward_proto::measure::Codes;
use ohmward_proto::message::BoardId;
use ohmward_proto::units::SampleIndex;

/// Who this board is, for as long as it runs.
#[derive(Clone, Copy, Debug)]
pub struct Identity {
    /// Its own number.
    pub board: BoardId,
    /// Starts so far, this one included. For [`crate::board`]: the number that a board with blank flash begins with,
    /// [`crate::nv::first_boot`]; a board that knows its last start goes on from that.
    pub boot: u32,
    /// Why it started.
    pub reason: StartReason,
    /// Samples per second and channel.
    pub sample_rate_hz: u32,
    /// Unix time in ms of sample 0, where the board has a wall clock.
    pub epoch_unix_ms: Option<i64>,
}

impl Identity {
    /// Samples in a time span.
    pub(super) fn samples(&self, ms: u64) -> u64 {
        ms * u64::from(self.sample_rate_hz) / 1000
    }
}

/// One sample of every channel.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sample {
    /// What the converter gave.
    pub codes: Codes,
    /// Samples that were missed right before this one.
    pub lost_before: u16,
}

/// Digital inputs.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Inputs {
    /// The auxiliary contact shows the contactor closed.
    pub contactor_feedback: bool,
    /// The reset button is pressed.
    pub reset: bool,
    /// The maintenance switch is on: a host may loosen protection.
    pub arm: bool,
}

/// Digital outputs. All `false` is the safe state of a board without power.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Outputs {
    /// Energise the contactor's coil: closed.
    pub contactor: bool,
    /// Energise the bond switch: bond open.
    pub bond_switch: bool,
    /// Extra bridge conductance at the positive pole.
    pub bridge_pos: bool,
    /// Extra bridge conductance at the negative pole.
    pub bridge_neg: bool,
    /// Self-test current through the bond sensor, [`crate::TEST_CURRENT`].
    pub inject: bool,
    /// The lamp.
    pub lamp: bool,
    /// The buzzer.
    pub buzzer: bool,
}

/// Until when nothing can happen inside the monitor by itself, if the world stays as it is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Rest {
    /// Something is under way: every sample counts.
    Busy,
    /// The next sample that counts.
    Until(SampleIndex),
}
