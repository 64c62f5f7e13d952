//! Events: what happened, numbered so that it can be sent any number of times and be kept once.
//!
//! On the wire a field has no name; where events are written as JSON, the names carry the unit.

use crate::measure::{Channel, FaultPlace, NotMeasured, Pole};
use crate::units::{Amps, Ohms, SampleIndex, Volts};
use serde::{Deserialize, Serialize};

/// A number that never repeats on a board: how often it has started, and a count within that run.
#[derive(
    Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default, Hash, Serialize, Deserialize,
)]
pub struct EventId {
    /// Starts of this board so far, kept in non-volatile memory.
    pub boot: u32,
    /// Count within this run, from 0, without gaps.
    pub seq: u32,
}

impl core::fmt::Display for EventId {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "{}.{}", self.boot, self.seq)
    }
}

impl core::str::FromStr for EventId {
    type Err = &'static str;
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        const WANT: &str = "an event is named BOOT.SEQ, for example 1.4";
        let (boot, seq) = text.split_once('.').ok_or(WANT)?;
        Ok(Self {
            boot: boot.parse().map_err(|_| WANT)?,
            seq: seq.parse().map_err(|_| WANT)?,
        })
    }
}

/// Something that happened on a board.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Event {
    /// Its number.
    pub id: EventId,
    /// When, on the board's own clock.
    pub at: SampleIndex,
    /// What.
    pub kind: EventKind,
}

/// An event of a kind, or with a detail, that this side does not know: the board is newer. Number and moment can be told,
/// the rest is kept as it came until someone can read it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct UnknownEvent<'a> {
    /// Its number.
    pub id: EventId,
    /// When, on the board's own clock.
    pub at: SampleIndex,
    /// The whole event in postcard, as a newer [`Event`] reads it.
    pub bytes: &'a [u8],
}

impl<'a> UnknownEvent<'a> {
    /// From a frame's body that was sound and is no message known here; `None` if it is not an event.
    #[must_use]
    pub fn of_body(body: &'a [u8]) -> Option<Self> {
        /// Position of the event in `Message`.
        const EVENT: u32 = 3;
        let (EVENT, bytes) = postcard::take_from_bytes::<u32>(body).ok()? else {
            return None;
        };
        // An event has begun with these two ever since; its kind is at least one byte more.
        let ((id, at), [_, ..]) =
            postcard::take_from_bytes::<(EventId, SampleIndex)>(bytes).ok()?
        else {
            return None;
        };
        Some(Self { id, at, bytes })
    }
}

/// Why the board started.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StartReason {
    /// Supply came up.
    PowerOn,
    /// The watchdog had to act.
    Watchdog,
    /// Supply sagged.
    BrownOut,
    /// The firmware stopped itself on a broken invariant.
    Panic,
    /// Asked to by a person or a host.
    Requested,
    /// The processor met something that it cannot carry out.
    HardFault,
    /// The stack grew out of its room.
    StackOverflow,
}

/// Which limit, or which loss, made the monitor trip.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TripCause {
    /// RMS of the bond current stayed above the continuous limit.
    ContinuousCurrent {
        /// Value at the trip.
        #[serde(rename = "rms_a")]
        rms: Amps,
        /// The limit.
        #[serde(rename = "limit_a")]
        limit: Amps,
    },
    /// DC of the bond current stayed above the ground-fault limit.
    GroundFaultCurrent {
        /// Value at the trip, sign kept: + out of the array conductor into earth.
        #[serde(rename = "dc_a")]
        dc: Amps,
        /// The limit.
        #[serde(rename = "limit_a")]
        limit: Amps,
    },
    /// Insulation measured below its trip level, as often as asked for confirmation.
    InsulationLow {
        /// What was measured.
        #[serde(rename = "r_ohm")]
        r: Ohms,
        /// The limit.
        #[serde(rename = "limit_ohm")]
        limit: Ohms,
        /// The weaker pole.
        pole: Pole,
    },
    /// A converter channel is lost: what cannot be watched must not run.
    SensorLost(Channel),
    /// Contactor feedback contradicts the command.
    ContactorFault,
    /// Asked to by a host command.
    Commanded,
    /// Insulation cannot be told although the array is lit: a conductor at earth, a bond or bridge switch that does
    /// not move, or a reading that never repeats.
    InsulationUnreadable {
        /// What the measurement ended with.
        why: NotMeasured,
    },
    /// The stored settings were damaged; the board runs on the strictest defaults until new ones come.
    SettingsLost,
    /// The bond current changed suddenly, and the change stayed.
    SuddenChange {
        /// Largest value of the change up to the trip, sign kept: + out of the array conductor into earth.
        #[serde(rename = "peak_a")]
        peak: Amps,
        /// The level it passed, RMS.
        #[serde(rename = "limit_a")]
        limit: Amps,
    },
    /// The bond does not hold its pole at earth although it was told to be closed: the ground-fault fuse has opened or the
    /// bond is broken. The "grounded" conductor may be live.
    BondInterrupted {
        /// The bonded pole to earth.
        #[serde(rename = "v_v")]
        v: Volts,
    },
    /// Too many samples were missed for the limits to be watched.
    SamplesLost,
    /// The board was restarted by its watchdog or by a broken invariant of its own.
    Restarted(StartReason),
    /// The board's test of itself failed, twice in a row: what it reads cannot be trusted.
    SelfTestFailed(SelfTestFault),
    /// The bonded conductor stays at earth although the bond is open: a second, unintended bond, or that conductor lying
    /// on metal. It takes current past the sensor, so a small bond current says nothing.
    SecondBond,
    /// Insulation below its trip level, nearly all of it on the bonded conductor: the fault that a ground-fault fuse
    /// cannot see.
    GroundedConductorFault {
        /// What was measured.
        #[serde(rename = "r_ohm")]
        r: Ohms,
        /// The limit.
        #[serde(rename = "limit_ohm")]
        limit: Ohms,
    },
    /// The bond current has heated the ground-fault fuse as far as it may, in pieces that each were too short for the
    /// limits with definite time.
    FuseHeated {
        /// RMS over the last whole mains cycles.
        #[serde(rename = "rms_a")]
        rms: Amps,
        /// Rating the model assumes.
        #[serde(rename = "rating_a")]
        rating: Amps,
    },
}

/// What a board's test of itself found wrong.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SelfTestFault {
    /// The test current does not show in the sensitive range as it must.
    FineRange {
        /// What it showed.
        #[serde(rename = "seen_a")]
        seen: Amps,
    },
    /// It does not show in the wide range.
    WideRange {
        /// What it showed.
        #[serde(rename = "seen_a")]
        seen: Amps,
    },
    /// A current is read while the bond is open, where none can flow: the sensor's zero has drifted, or the bond did not
    /// open.
    Zero {
        /// What it showed.
        #[serde(rename = "seen_a")]
        seen: Amps,
    },
    /// The measuring resistor at the other conductor does not send its own current through the closed bond.
    Bridge {
        /// The change of the bond current.
        #[serde(rename = "seen_a")]
        seen: Amps,
        /// Array voltage over the resistor.
        #[serde(rename = "expected_a")]
        expected: Amps,
    },
    /// The bond was told to open and still carries the measuring resistor's current.
    BondStuck {
        /// What it carries.
        #[serde(rename = "seen_a")]
        seen: Amps,
    },
}

/// What a board's non-volatile memory does not do.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MemoryFault {
    /// A write was refused, or does not read back as it was written.
    Write,
    /// A block was not erased.
    Erase,
    /// What is there cannot be read.
    Read,
    /// No erased room is left: too many events that no host has taken, or none of it could be erased while connected.
    Full,
}

/// Which conductor leaks, as the direction of the bond current under load tells it.
///
/// With the bond at the converter's end, a fault on the bonded conductor drives the current of its own voltage drop the
/// other way than every other fault drives its own (derived from Kirchhoff's laws; checked against the plant).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultSide {
    /// The bonded ("grounded") conductor.
    Bonded,
    /// The other conductor, or somewhere within a string.
    Other,
}

/// Why a reset was not carried out.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResetRefusal {
    /// Nothing is latched.
    NotLatched,
    /// The contactor has not been seen open.
    ContactorNotOpen,
    /// A limit is still exceeded.
    FaultStillThere,
    /// Insulation is below the reset level.
    InsulationLow,
    /// Insulation has not been measured since the trip. Not measured is not good.
    InsulationNotMeasured,
    /// Too many trips in a day: the maintenance switch on the board has to be on as well.
    LockedOut,
}

/// What happened. Append only: the position of a variant is its number on the wire.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// The board started.
    Started {
        /// Why.
        reason: StartReason,
        /// Hash of the settings in force.
        settings_hash: u32,
    },
    /// Contactor closed and confirmed.
    Connected,
    /// Contactor opened without a fault: the array went dark.
    Rested,
    /// A limit was passed long enough; the contactor was told to open.
    Tripped {
        /// Which.
        cause: TripCause,
        /// When the condition was first seen (pickup).
        #[serde(rename = "picked_up_at_sample")]
        picked_up: SampleIndex,
    },
    /// The contactor confirmed that it opened after a trip.
    Opened {
        /// Samples since the trip, the time for which the contact must stand to count included.
        #[serde(rename = "after_samples")]
        after: u32,
    },
    /// The contactor did not open in its time. The array may still be connected.
    FailedToOpen,
    /// It opened after all.
    OpenedLate {
        /// Samples since the trip.
        #[serde(rename = "after_samples")]
        after: u32,
    },
    /// The contactor did not close in its time.
    FailedToClose,
    /// A person or a command reset the latch.
    Reset,
    /// A reset was asked for and not carried out.
    ResetRefused(ResetRefusal),
    /// Insulation fell below the warning level.
    InsulationWarning {
        /// What was measured.
        #[serde(rename = "r_ohm")]
        r: Ohms,
        /// The weaker pole.
        pole: Pole,
    },
    /// Insulation is back above the warning level, with hysteresis.
    InsulationRecovered {
        /// What was measured.
        #[serde(rename = "r_ohm")]
        r: Ohms,
    },
    /// An insulation measurement came to nothing.
    InsulationNotMeasured(NotMeasured),
    /// A short spike of bond current, counted and captured; not a trip.
    Surge {
        /// Largest value seen, sign kept; the wide range may have been saturated.
        #[serde(rename = "peak_a")]
        peak: Amps,
        /// Samples above the surge level.
        samples: u16,
    },
    /// A converter channel was lost.
    SensorLost(Channel),
    /// It is back.
    SensorBack(Channel),
    /// New settings are in force.
    SettingsApplied {
        /// Their hash.
        hash: u32,
    },
    /// Events were lost because the journal was full of unacknowledged ones.
    EventsLost {
        /// How many.
        count: u32,
    },
    /// Sudden changes cannot be watched: the standing current does not repeat with the mains. The other limits hold.
    SuddenUnwatched,
    /// They can again.
    SuddenWatched,
    /// The board has tested itself and found what it should.
    SelfTestPassed {
        /// The test current as the sensitive range shows it.
        #[serde(rename = "injected_a")]
        injected: Amps,
        /// What it shows with the bond open, where nothing flows; 0 on an array without a bond.
        #[serde(rename = "zero_a")]
        zero: Amps,
    },
    /// The zero of the bond current has drifted, not yet so far that limits are in doubt: have the board calibrated.
    ZeroDrifted {
        /// What is read with the bond open.
        #[serde(rename = "zero_a")]
        zero: Amps,
    },
    /// Too many trips within a day: from now on a reset needs the maintenance switch.
    LockedOut {
        /// How many.
        trips: u8,
    },
    /// Which conductor leaks, by the direction of the bond current under load.
    FaultSide {
        /// Which.
        side: FaultSide,
        /// The DC it is read from; + out of the array conductor into earth.
        #[serde(rename = "dc_a")]
        dc: Amps,
    },
    /// A fault has passed so much through the ground-fault fuse that it may have melted or aged: look at it before the
    /// next reset.
    FuseStrained {
        /// ∫i²dt, A²s, as far as the sensor could follow.
        i2t_a2s: f32,
    },
    /// Where along the string the fault of the last warning or insulation trip is.
    FaultPlaced {
        /// The place, or why it cannot be told.
        place: FaultPlace,
        /// Resistance of the whole array as measured then.
        #[serde(rename = "r_ohm")]
        r: Ohms,
    },
    /// The board's test of itself failed while it was tripped already. It has to pass before the array connects again.
    SelfTestFailed(SelfTestFault),
    /// The board's non-volatile memory does not take what it should. Protection and events go on; a power cut loses what
    /// the host has not yet.
    MemoryFailed(MemoryFault),
    /// It does again.
    MemoryWorks,
}
