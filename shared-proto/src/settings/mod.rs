//! What is set on a board: limits for this array ([`Settings`]), and in `calibration` what its front end measures like
//! ([`Calibration`]).
//!
//! Checked in one place, [`Settings::check`], by the host before sending and by the board before applying.

mod calibration;

pub use calibration::{Bridge, Calibration, CalibrationFault, CalibrationState, Scale};

use crate::units::{Amps, Ohms, Volts};
use serde::{Deserialize, Serialize};

/// How the array is joined to earth (terms of IEC 62548).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Earthing {
    /// Negative conductor bonded through the ground-fault fuse and the shunt.
    NegativeBonded,
    /// Positive conductor bonded likewise.
    PositiveBonded,
    /// Functionally earthed through a high resistance at the negative conductor.
    HighResistance,
    /// No intended connection; the current channel sees the residual current of both poles.
    NotEarthed,
}

impl Earthing {
    /// The bond must open before insulation can be measured.
    #[must_use]
    pub fn has_bond(self) -> bool {
        !matches!(self, Self::NotEarthed)
    }
}

/// Frequency of the mains near the array, which sets the length of "whole cycles".
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mains {
    /// 50 Hz.
    Hz50,
    /// 60 Hz.
    Hz60,
}

impl Mains {
    /// Nominal frequency in hertz.
    #[must_use]
    pub fn hz(self) -> u32 {
        match self {
            Self::Hz50 => 50,
            Self::Hz60 => 60,
        }
    }
}

/// A limit with definite time: the value must stay above `above` for the whole of `hold_ms`.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DefiniteTime {
    /// Pickup level.
    #[serde(rename = "above_a")]
    pub above: Amps,
    /// How long above it until the trip, in ms. The window over whole mains cycles comes before that.
    pub hold_ms: u16,
}

/// Sudden changes of the bond current. `above` is the RMS of a change that must trip; three quarters of it pick up.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SuddenLimits {
    /// Look for sudden changes at all.
    pub enabled: bool,
    /// The lowest level, with the longest time.
    pub low: DefiniteTime,
    /// Between.
    pub middle: DefiniteTime,
    /// The highest level, with the shortest time.
    pub high: DefiniteTime,
}

/// Limits on the bond current.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CurrentLimits {
    /// RMS, DC included: the fire limit.
    pub continuous: DefiniteTime,
    /// DC magnitude: the ground-fault limit by array rating.
    pub ground_fault: DefiniteTime,
    /// Sudden changes: the shock limits.
    pub sudden: SuddenLimits,
    /// A single sample this large is a spike, to be counted and captured.
    #[serde(rename = "surge_above_a")]
    pub surge_above: Amps,
}

/// Limits on the insulation resistance of the whole array.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InsulationLimits {
    /// Trip level.
    #[serde(rename = "trip_below_ohm")]
    pub trip_below: Ohms,
    /// Warning level.
    #[serde(rename = "warn_below_ohm")]
    pub warn_below: Ohms,
    /// A latched trip can only be reset with insulation measured above this.
    #[serde(rename = "reset_above_ohm")]
    pub reset_above: Ohms,
    /// Measurements in a row that must agree before a trip on insulation.
    pub confirm: u8,
}

/// When and how insulation is measured.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InsulationCheck {
    /// Hold the contactor open until a measurement after dark is good.
    pub before_connect: bool,
    /// Seconds between measurements while connected; 0 means none while connected.
    pub every_s: u32,
    /// Array voltage below which there is nothing to measure with.
    #[serde(rename = "v_min_v")]
    pub v_min: Volts,
    /// Longest time in one bridge state, in ms.
    pub state_ms_max: u32,
}

/// Times allowed to the contactor.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ContactorTimes {
    /// Feedback must show open within this, in ms.
    pub open_ms_max: u16,
    /// Feedback must show closed within this, in ms.
    pub close_ms_max: u16,
}

/// Everything a person may set on a board.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Earthing arrangement.
    pub earthing: Earthing,
    /// Mains nearby.
    pub mains: Mains,
    /// ms between readings.
    pub reading_every_ms: u32,
    /// Limits on the bond current.
    pub current: CurrentLimits,
    /// Limits on insulation.
    pub insulation: InsulationLimits,
    /// Insulation measurement.
    pub check: InsulationCheck,
    /// Contactor supervision.
    pub contactor: ContactorTimes,
    /// A trip also opens the bond. That stops the fault current of a bonded array, and leaves its
    /// "grounded" conductor floating: it may then stand at array voltage.
    pub trip_opens_bond: bool,
}

impl Settings {
    /// A start for a small bonded array: the strictest row of each table in `hardware-notes`.
    ///
    /// Sudden changes of 30, 60, 150 mA within 0.3, 0.15, 0.04 s: IEC 62109-2:2011 Table 31 (memory).
    /// 0.3 A continuous within 0.3 s: IEC 62109-2:2011 4.8.3.5.1 (current from memory, time looked up).
    /// 1 A ground fault: UL 1741 table, up to 25 kW (memory). 30 kΩ: IEC 62548, up to 20 kW (memory).
    /// All of these are defaults after those standards, unverified; local code decides.
    pub const SMALL_BONDED: Self = Self {
        earthing: Earthing::NegativeBonded,
        mains: Mains::Hz50,
        reading_every_ms: 1000,
        current: CurrentLimits {
            continuous: DefiniteTime {
                above: Amps(0.3),
                hold_ms: 100,
            },
            ground_fault: DefiniteTime {
                above: Amps(1.0),
                hold_ms: 40,
            },
            sudden: SuddenLimits {
                enabled: true,
                low: DefiniteTime {
                    above: Amps(0.03),
                    hold_ms: 60,
                },
                middle: DefiniteTime {
                    above: Amps(0.06),
                    hold_ms: 35,
                },
                high: DefiniteTime {
                    above: Amps(0.15),
                    hold_ms: 0,
                },
            },
            surge_above: Amps(2.0),
        },
        insulation: InsulationLimits {
            trip_below: Ohms(30_000.0),
            warn_below: Ohms(100_000.0),
            reset_above: Ohms(45_000.0),
            confirm: 2,
        },
        check: InsulationCheck {
            before_connect: true,
            every_s: 1800,
            v_min: Volts(30.0),
            state_ms_max: 5000,
        },
        contactor: ContactorTimes {
            open_ms_max: 100,
            close_ms_max: 200,
        },
        trip_opens_bond: true,
    };

    /// Says what is wrong, if anything. A board never runs on settings that fail here.
    ///
    /// # Errors
    /// The first [`SettingsFault`] met; each names the key and the range.
    pub fn check(&self) -> Result<(), SettingsFault> {
        use SettingsFault as F;
        let between = |value: f32, low: f32, high: f32, fault: F| {
            // A NaN is in no range, so it fails here too.
            if (low..=high).contains(&value) {
                Ok(())
            } else {
                Err(fault)
            }
        };
        let c = &self.current;
        between(c.continuous.above.0, 0.005, 20.0, F::ContinuousAbove)?;
        between(c.ground_fault.above.0, 0.005, 20.0, F::GroundFaultAbove)?;
        between(c.surge_above.0, 0.1, 25.0, F::SurgeAbove)?;
        // Longer than a surge can last: what it leaves in a window must not trip by itself.
        let hold = |ms: u16, fault: F| between(f32::from(ms), 30.0, 10_000.0, fault);
        hold(c.continuous.hold_ms, F::ContinuousHold)?;
        hold(c.ground_fault.hold_ms, F::GroundFaultHold)?;
        let sudden = [c.sudden.low, c.sudden.middle, c.sudden.high];
        for limit in sudden {
            between(limit.above.0, 0.005, 1.0, F::SuddenAbove)?;
            // The reference before the change is kept for five cycles, 83 ms at 60 Hz, and a pulsating current shows
            // itself only once a cycle.
            between(f32::from(limit.hold_ms), 0.0, 60.0, F::SuddenHold)?;
        }
        let i = &self.insulation;
        between(i.trip_below.0, 500.0, 50e6, F::InsulationTrip)?;
        between(i.warn_below.0, i.trip_below.0, 100e6, F::InsulationWarn)?;
        between(i.reset_above.0, i.trip_below.0, 100e6, F::InsulationReset)?;
        between(f32::from(i.confirm), 1.0, 10.0, F::InsulationConfirm)?;
        let k = &self.check;
        between(k.v_min.0, 5.0, 1500.0, F::CheckVoltage)?;
        if k.every_s != 0 {
            between(k.every_s as f32, 10.0, 86_400.0, F::CheckInterval)?;
        }
        between(k.state_ms_max as f32, 100.0, 120_000.0, F::CheckState)?;
        between(
            self.reading_every_ms as f32,
            50.0,
            3_600_000.0,
            F::ReadingInterval,
        )?;
        let t = &self.contactor;
        between(f32::from(t.open_ms_max), 5.0, 2000.0, F::ContactorOpen)?;
        between(f32::from(t.close_ms_max), 5.0, 5000.0, F::ContactorClose)
    }

    /// Whether anything here protects less than `from` does: a higher current or a longer time, a lower resistance, a
    /// rarer check.
    #[must_use]
    pub fn loosens(&self, from: &Self) -> bool {
        let limit = |new: DefiniteTime, old: DefiniteTime| {
            new.above > old.above || new.hold_ms > old.hold_ms
        };
        let never = |every_s: u32| if every_s == 0 { u32::MAX } else { every_s };
        let (i, j) = (&self.insulation, &from.insulation);
        let (k, l) = (&self.check, &from.check);
        limit(self.current.continuous, from.current.continuous)
            || limit(self.current.ground_fault, from.current.ground_fault)
            || (from.current.sudden.enabled && !self.current.sudden.enabled)
            || limit(self.current.sudden.low, from.current.sudden.low)
            || limit(self.current.sudden.middle, from.current.sudden.middle)
            || limit(self.current.sudden.high, from.current.sudden.high)
            || self.current.surge_above < from.current.surge_above
            || i.trip_below < j.trip_below
            || i.warn_below < j.warn_below
            || i.reset_above < j.reset_above
            || i.confirm > j.confirm
            || (l.before_connect && !k.before_connect)
            || never(k.every_s) > never(l.every_s)
            || k.v_min > l.v_min
            || k.state_ms_max > l.state_ms_max
            || self.contactor.open_ms_max > from.contactor.open_ms_max
            || self.contactor.close_ms_max > from.contactor.close_ms_max
            || (from.trip_opens_bond && !self.trip_opens_bond)
            || self.earthing != from.earthing
            // Under another frequency than the grid's sudden changes are not watched.
            || self.mains != from.mains
    }

    /// A number that differs when the settings differ: CRC-32C over this crate's own encoding of them.
    #[must_use]
    pub fn hash(&self) -> u32 {
        // A hundred bytes and some; 0 would be a value too long to be sent, and none is (golden test).
        crate::checksum::hash_of::<256>(self).unwrap_or(0)
    }
}

/// What is wrong with settings, by key.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum SettingsFault {
    /// `current.continuous.above_a`
    ContinuousAbove,
    /// `current.continuous.hold_ms`
    ContinuousHold,
    /// `current.ground_fault.above_a`
    GroundFaultAbove,
    /// `current.ground_fault.hold_ms`
    GroundFaultHold,
    /// `current.surge_above_a`
    SurgeAbove,
    /// `insulation.trip_below_ohm`
    InsulationTrip,
    /// `insulation.warn_below_ohm`
    InsulationWarn,
    /// `insulation.reset_above_ohm`
    InsulationReset,
    /// `insulation.confirm`
    InsulationConfirm,
    /// `check.v_min_v`
    CheckVoltage,
    /// `check.every_s`
    CheckInterval,
    /// `check.state_ms_max`
    CheckState,
    /// `reading_every_ms`
    ReadingInterval,
    /// `contactor.open_ms_max`
    ContactorOpen,
    /// `contactor.close_ms_max`
    ContactorClose,
    /// The sample rate does not give whole mains cycles in the firmware's window.
    NoWholeCycles,
    /// They could not be written to non-volatile memory; the old ones stay in force.
    NotStored,
    /// The monitor is tripped or measuring; ask again when it is at rest or closed.
    NotNow,
    /// They loosen protection, and the maintenance switch is off.
    LooserNeedsArm,
    /// `current.sudden.*.above_a`
    SuddenAbove,
    /// `current.sudden.*.hold_ms`
    SuddenHold,
    /// The calibration is not one a board could measure with.
    Calibration,
    /// Non-volatile memory has to be erased first, which waits until the contactor is open; the old ones stay in force. From
    /// version 4 on.
    NoRoomYet,
}

impl SettingsFault {
    /// The key at fault, as it stands in a settings file.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::ContinuousAbove => "current.continuous.above_a",
            Self::ContinuousHold => "current.continuous.hold_ms",
            Self::GroundFaultAbove => "current.ground_fault.above_a",
            Self::GroundFaultHold => "current.ground_fault.hold_ms",
            Self::SurgeAbove => "current.surge_above_a",
            Self::SuddenAbove | Self::SuddenHold => "current.sudden",
            Self::InsulationTrip => "insulation.trip_below_ohm",
            Self::InsulationWarn => "insulation.warn_below_ohm",
            Self::InsulationReset => "insulation.reset_above_ohm",
            Self::InsulationConfirm => "insulation.confirm",
            Self::CheckVoltage => "check.v_min_v",
            Self::CheckInterval => "check.every_s",
            Self::CheckState => "check.state_ms_max",
            Self::ReadingInterval => "reading_every_ms",
            Self::ContactorOpen => "contactor.open_ms_max",
            Self::ContactorClose => "contactor.close_ms_max",
            Self::NoWholeCycles => "mains",
            Self::Calibration
            | Self::LooserNeedsArm
            | Self::NotStored
            | Self::NotNow
            | Self::NoRoomYet => "",
        }
    }
}

impl core::fmt::Display for SettingsFault {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::ContinuousAbove | Self::GroundFaultAbove => "must be 0.005 to 20 A",
            Self::ContinuousHold | Self::GroundFaultHold => "must be 30 to 10000 ms",
            Self::SurgeAbove => "must be 0.1 to 25 A",
            Self::SuddenAbove => "every above_a must be 0.005 to 1 A",
            Self::Calibration => "the calibration is damaged: calibrate the board again",
            Self::SuddenHold => "every hold_ms must be 0 to 60 ms",
            Self::InsulationTrip => "must be 500 Ω to 50 MΩ",
            Self::InsulationWarn | Self::InsulationReset => {
                "must be at least insulation.trip_below_ohm and at most 100 MΩ"
            }
            Self::InsulationConfirm => "must be 1 to 10",
            Self::CheckVoltage => "must be 5 to 1500 V",
            Self::CheckInterval => "must be 0 (none while connected) or 10 to 86400 s",
            Self::CheckState => "must be 100 to 120000 ms",
            Self::ReadingInterval => "must be 50 to 3600000 ms",
            Self::ContactorOpen => "must be 5 to 2000 ms",
            Self::ContactorClose => "must be 5 to 5000 ms",
            Self::NoWholeCycles => "the sample rate must be 1000 to 6400 S/s and give whole mains cycles in a window of 256 samples",
            Self::LooserNeedsArm => {
                "loosens protection: turn the maintenance switch on the board on, then send again"
            }
            Self::NotStored => "could not be stored on the board; the old settings stay",
            Self::NoRoomYet => {
                "the board has no erased memory left to store them in; try again once its contactor is open (at night, say)"
            }
            Self::NotNow => "the board is tripped or measuring; try again later",
        })
    }
}
