//! Units as types: an ampere cannot be added to a volt, and a bare number has to say what it is.
//!
//! All are `f32` newtypes in SI; scaling to mA or MΩ happens only where a person looks.

use core::ops::{Add, Div, Mul, Neg, Sub};
use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, PartialOrd, Debug, Default, Serialize, Deserialize)]
        pub struct $name(pub f32);

        impl $name {
            /// The unit's symbol, for labels.
            pub const SYMBOL: &'static str = $symbol;

            /// Magnitude, sign dropped.
            #[must_use]
            pub fn abs(self) -> Self {
                Self(if self.0 < 0.0 { -self.0 } else { self.0 })
            }
        }
        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }
        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }
        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }
        impl Mul<f32> for $name {
            type Output = Self;
            fn mul(self, factor: f32) -> Self {
                Self(self.0 * factor)
            }
        }
        impl core::fmt::Display for $name {
            fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
                core::fmt::Display::fmt(&self.0, f)?;
                f.write_str(concat!(" ", $symbol))
            }
        }
    };
}

unit!(/// Electric current.
    Amps, "A");
unit!(/// Electric potential difference.
    Volts, "V");
unit!(/// Resistance.
    Ohms, "Ω");
unit!(/// Conductance. Insulation is computed and sent as conductance: sums of leakage paths are plain sums,
    /// a perfect insulation is 0 and not infinity, and noise around it stays unbiased.
    Siemens, "S");
unit!(/// Capacitance.
    Farads, "F");
unit!(/// Time span.
    Seconds, "s");

impl Div<Ohms> for Volts {
    type Output = Amps;
    fn div(self, r: Ohms) -> Amps {
        Amps(self.0 / r.0)
    }
}
impl Mul<Siemens> for Volts {
    type Output = Amps;
    fn mul(self, g: Siemens) -> Amps {
        Amps(self.0 * g.0)
    }
}

impl Siemens {
    /// Conductance of a resistor; the caller vouches that it is not 0 Ω.
    #[must_use]
    pub fn of(r: Ohms) -> Self {
        Self(1.0 / r.0)
    }
}

/// A moment on a board: samples since it started. The only clock the firmware has.
#[derive(
    Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default, Hash, Serialize, Deserialize,
)]
pub struct SampleIndex(pub u64);

impl SampleIndex {
    /// Samples from `earlier` to here; 0 if `earlier` is in the future.
    #[must_use]
    pub fn since(self, earlier: Self) -> u64 {
        self.0.saturating_sub(earlier.0)
    }

    /// The moment `samples` later.
    #[must_use]
    pub fn after(self, samples: u64) -> Self {
        Self(self.0.saturating_add(samples))
    }
}
