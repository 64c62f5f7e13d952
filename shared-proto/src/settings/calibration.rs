//! What a board's front end measures like: scales of its converter's codes, and its measuring bridge.

use crate::measure::Codes;
use crate::units::{Amps, Siemens};
use serde::{Deserialize, Serialize};

/// How one channel's codes become amperes or volts: `(code − zero) × per_count`.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Scale {
    /// Code at nothing.
    pub zero: f32,
    /// A or V per count.
    pub per_count: f32,
}

impl Scale {
    /// The value behind a code, in the channel's unit.
    #[must_use]
    pub fn value(self, code: i16) -> f32 {
        (f32::from(code) - self.zero) * self.per_count
    }
}

/// The measuring bridge: resistors from each pole to earth.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Bridge {
    /// Always there, at each pole (the voltage dividers).
    pub g_permanent: Siemens,
    /// Added at the positive pole in state A.
    pub g_switched_pos: Siemens,
    /// Added at the negative pole in state B.
    pub g_switched_neg: Siemens,
}

/// What a board's front end measures like. Written when the board is calibrated, not by its user.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Calibration {
    /// Number of this calibration; 0 is the design values.
    pub id: u32,
    /// Bond current, sensitive range.
    pub i_fine: Scale,
    /// Bond current, wide range.
    pub i_wide: Scale,
    /// Positive conductor to earth.
    pub v_pos: Scale,
    /// Negative conductor to earth.
    pub v_neg: Scale,
    /// Codes at or below this are the converter's lower rail.
    pub rail_low: i16,
    /// Codes at or above this are its upper rail.
    pub rail_high: i16,
    /// The measuring bridge.
    pub bridge: Bridge,
}

impl Calibration {
    /// Design values of the reference front end (`hardware-notes`): 16-bit signed codes, ±1.25 A fine, ±25 A wide,
    /// ±600 V poles, 2 MΩ dividers, 200 kΩ switched resistors.
    pub const REFERENCE: Self = {
        const fn span(full: f32) -> Scale {
            Scale {
                zero: 0.0,
                per_count: full / 32768.0,
            }
        }
        Self {
            id: 0,
            i_fine: span(1.25),
            i_wide: span(25.0),
            v_pos: span(600.0),
            v_neg: span(600.0),
            rail_low: -32_760,
            rail_high: 32_760,
            bridge: Bridge {
                g_permanent: Siemens(0.5e-6),
                g_switched_pos: Siemens(5e-6),
                g_switched_neg: Siemens(5e-6),
            },
        }
    };

    /// The number of these values: CRC-32C over their bytes, little-endian and in their order, whatever `id` says; never 0,
    /// which is the design values'.
    #[must_use]
    pub fn number(&self) -> u32 {
        let mut sum = crate::checksum::CRC.digest();
        for scale in [self.i_fine, self.i_wide, self.v_pos, self.v_neg] {
            sum.update(&scale.zero.to_le_bytes());
            sum.update(&scale.per_count.to_le_bytes());
        }
        for rail in [self.rail_low, self.rail_high] {
            sum.update(&rail.to_le_bytes());
        }
        let Bridge {
            g_permanent,
            g_switched_pos,
            g_switched_neg,
        } = self.bridge;
        for g in [g_permanent, g_switched_pos, g_switched_neg] {
            sum.update(&g.0.to_le_bytes());
        }
        sum.finalize().max(1)
    }

    /// Whether a board can measure with this at all.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        // What is no number is no more than anything. A zero far from the middle makes one end large.
        let scale = |s: Scale, full: f32| {
            s.per_count != 0.0
                && [i16::MIN, i16::MAX]
                    .iter()
                    .all(|&end| s.value(end).abs() <= full)
        };
        // 150 A and 2 kV: sums of squares over a window then stay inside 64 bits.
        scale(self.i_fine, 150.0)
            && scale(self.i_wide, 150.0)
            && scale(self.v_pos, 2000.0)
            && scale(self.v_neg, 2000.0)
            && self.rail_low < self.rail_high
            && [
                self.bridge.g_permanent,
                self.bridge.g_switched_pos,
                self.bridge.g_switched_neg,
            ]
            .iter()
            .all(|g| g.0.is_finite() && g.0 > 0.0)
    }

    /// The code stands at either rail.
    #[must_use]
    pub fn at_rail(&self, code: i16) -> bool {
        code <= self.rail_low || code >= self.rail_high
    }

    /// Bond current of one set of codes: the fine range where it is inside its rails, else the wide one.
    #[must_use]
    pub fn i_bond(&self, codes: &Codes) -> Amps {
        if self.at_rail(codes.i_fine) {
            Amps(self.i_wide.value(codes.i_wide))
        } else {
            Amps(self.i_fine.value(codes.i_fine))
        }
    }
}

/// How a board is calibrated.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct CalibrationState {
    /// In force.
    #[serde(with = "crate::outlined")]
    pub in_force: Calibration,
    /// When it was made, Unix time in seconds; `None` for design values.
    pub made_unix_s: Option<i64>,
    /// What this kind of front end is designed to be.
    #[serde(with = "crate::outlined")]
    pub design: Calibration,
    /// Number of another one that is kept and in force from the next start on.
    pub next_id: Option<u32>,
}

/// Why a board does not keep a calibration.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum CalibrationFault {
    /// No board can measure with these values.
    Unsound,
    /// The number does not belong to the values.
    WrongNumber,
    /// The maintenance switch is off.
    NotArmed,
    /// The contactor is not surely open: closed, moving, or stuck.
    ContactorNotOpen,
    /// Non-volatile memory has to be erased first, and something is being measured.
    NoRoomYet,
    /// Non-volatile memory refused; the old one stays.
    NotStored,
}

impl core::fmt::Display for CalibrationFault {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Unsound => {
                "these values are none a board can measure with: calibrate again, do not edit them"
            }
            Self::WrongNumber => {
                "the number does not belong to the values: damaged on the way or edited; calibrate again"
            }
            Self::NotArmed => {
                "the maintenance switch is off: turn it on at the board, then send again"
            }
            Self::ContactorNotOpen => {
                "the contactor is not surely open: trip the board, see it open, then send again"
            }
            Self::NoRoomYet => {
                "the board is measuring and has no erased memory left: send again in a minute"
            }
            Self::NotStored => {
                "could not be stored on the board; the old calibration stays. Look at its events for a memory fault"
            }
        })
    }
}
