//! Measurements: the raw codes, and what the firmware made of them.
//!
//! A value that is not there is an enum variant with a reason and a time, never a zero, a NaN or the last value.

use crate::settings::Bridge;
use crate::units::{Amps, Farads, Ohms, SampleIndex, Siemens, Volts};
use serde::{Deserialize, Serialize};

/// One set of converter codes, all channels at one instant. What is captured is this, so a capture can be
/// put through the firmware again and must decide the same.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Codes {
    /// Bond current, sensitive range.
    pub i_fine: i16,
    /// Bond current, wide range.
    pub i_wide: i16,
    /// Positive conductor to earth.
    pub v_pos: i16,
    /// Negative conductor to earth.
    pub v_neg: i16,
}

/// Longest stretch of [`CodeSums`], in samples: half a minute at 4 kS/s.
pub const CODE_SAMPLES_MAX: u32 = 131_072;

/// What one channel's codes came to over a stretch. Sums and not means: exact, and the board needs no root.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct ChannelSums {
    /// Sum of the codes.
    pub sum: i64,
    /// Sum of their squares.
    pub squares: u64,
    /// Lowest code.
    pub low: i16,
    /// Highest code.
    pub high: i16,
    /// Every bit that was set in any code: what is never set at the low end is below the converter's step.
    pub bits: u16,
}

/// Codes over a stretch of samples in a row, with none missing and nothing switched by the board itself meanwhile.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct CodeSums {
    /// Its last sample.
    pub at: SampleIndex,
    /// How many.
    pub samples: u32,
    /// Bond current, sensitive range.
    #[serde(with = "crate::outlined")]
    pub i_fine: ChannelSums,
    /// Bond current, wide range.
    #[serde(with = "crate::outlined")]
    pub i_wide: ChannelSums,
    /// Positive conductor to earth.
    #[serde(with = "crate::outlined")]
    pub v_pos: ChannelSums,
    /// Negative conductor to earth.
    #[serde(with = "crate::outlined")]
    pub v_neg: ChannelSums,
}

/// A converter channel, for scales and for naming the one that failed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Channel {
    /// Bond current, sensitive range.
    IFine,
    /// Bond current, wide range.
    IWide,
    /// Positive conductor to earth.
    VPos,
    /// Negative conductor to earth.
    VNeg,
}

/// Which conductor of the array, or that it cannot be told.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pole {
    /// The positive conductor.
    Positive,
    /// The negative conductor.
    Negative,
    /// Both alike, or the evidence does not tell.
    Undecided,
}

/// Why a quantity has no value now. None of these means "good".
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotMeasured {
    /// Nothing has been measured since the board started.
    NeverYet,
    /// The array gives too little voltage to measure with.
    ArrayDark,
    /// The array voltage moved too much while the bridge was switched.
    ArrayMoved,
    /// The poles had not settled, and could not be extrapolated, within the time allowed.
    NotSettled,
    /// A converter channel is out of range or implausible.
    SensorLost(Channel),
    /// The bridge moved the poles too little to tell anything: a stuck bridge switch or a bond that did not open.
    BridgeUnmoved,
    /// A state that came back at the end of the measurement read otherwise than before: something changed meanwhile.
    FaultMoved,
    /// The measurement was broken off by a trip, a command or a contactor movement.
    Interrupted,
    /// The first whole mains window is not complete.
    WindowFilling,
    /// The bond is open: no current can flow where it is measured, whatever the array leaks.
    BondOpen,
    /// The resistors of the measuring bridge do not read their own ratio: what it would say of the array is not to be
    /// trusted.
    BridgeWrong,
}

/// Bond current over the last whole number of mains cycles.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub enum BondCurrent {
    /// Both values from the same window.
    Measured {
        /// Mean; + out of the array conductor into earth. The sign is evidence: keep it.
        dc: Amps,
        /// Root mean square, the DC part included.
        rms: Amps,
    },
    /// No value, and why.
    NotMeasured(NotMeasured),
}

/// Leakage of the array to earth, both poles, as conductance.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct PoleLeakage {
    /// Positive conductor to earth. May come out slightly negative on a very good array: noise, kept so that
    /// means stay unbiased.
    pub g_pos: Siemens,
    /// Negative conductor to earth.
    pub g_neg: Siemens,
    /// One standard deviation of `g_pos + g_neg`.
    pub g_sigma: Siemens,
    /// Leakage capacitance, both poles together.
    pub c: Farads,
    /// One standard deviation of `c`.
    pub c_sigma: Farads,
}

/// A resistance that is only known to be above what can be told apart from noise.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Resistance {
    /// Told apart from noise.
    Is(Ohms),
    /// At least this much; the measurement cannot see further.
    Above(Ohms),
}

impl Resistance {
    /// The number behind either case: the value, or the bound.
    #[must_use]
    pub fn bound(self) -> Ohms {
        match self {
            Self::Is(r) | Self::Above(r) => r,
        }
    }
}

impl PoleLeakage {
    /// Conductance of the whole array to earth.
    #[must_use]
    pub fn g_total(&self) -> Siemens {
        self.g_pos + self.g_neg
    }

    /// Insulation resistance of the whole array (both poles in parallel).
    #[must_use]
    pub fn r_iso(&self) -> Resistance {
        self.resistance(self.g_total())
    }

    /// Resistance behind one conductance of this measurement: a value when it stands at least two standard
    /// deviations above zero, else the bound: it is no more conductive than two standard deviations above what was seen.
    #[must_use]
    pub fn resistance(&self, g: Siemens) -> Resistance {
        let noise = (2.0 * self.g_sigma.0).max(1e-12);
        if g.0 >= noise {
            Resistance::Is(Ohms(1.0 / g.0))
        } else {
            Resistance::Above(Ohms(1.0 / (g.0.max(0.0) + noise)))
        }
    }

    /// The least resistance of the whole array that three standard deviations allow.
    #[must_use]
    pub fn r_least(&self) -> Ohms {
        Ohms(1.0 / (self.g_total().0.max(0.0) + 3.0 * self.g_sigma.0).max(1e-12))
    }

    /// The pole that leaks more, when the difference stands clear of the noise and of balance.
    #[must_use]
    pub fn weaker_pole(&self) -> Pole {
        let difference = self.g_pos - self.g_neg;
        let clear = (2.0 * self.g_sigma.0).max(0.1 * self.g_total().0);
        if difference.0 > clear {
            Pole::Positive
        } else if -difference.0 > clear {
            Pole::Negative
        } else {
            Pole::Undecided
        }
    }

    /// Mean place of the leakage along the array: 0 at the negative, 1 at the positive conductor.
    ///
    /// A resistive fault at fraction x splits as g₊ = x·g, g₋ = (1 − x)·g. `None` when it drowns in noise.
    #[must_use]
    pub fn position(&self) -> Option<f32> {
        let g = self.g_total();
        (g.0 > 4.0 * self.g_sigma.0.max(1e-12)).then(|| (self.g_pos.0 / g.0).clamp(0.0, 1.0))
    }
}

/// Healthy leakage of an array, as learnt from measurements that found nothing wrong.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Background {
    /// Positive conductor to earth.
    pub g_pos: Siemens,
    /// Negative conductor to earth.
    pub g_neg: Siemens,
    /// How far one healthy measurement is from the next, one standard deviation of the sum.
    pub spread: Siemens,
}

/// Why a fault has no place.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WhyNoPlace {
    /// No healthy measurement since the board started: what leaks anyway is not known, and would be taken for the fault.
    NoBackground,
    /// The fault does not stand clear of healthy leakage and noise.
    Faint,
    /// No single place gives this: leakage of one pole went down, or several changed at once.
    NotOnePlace,
    /// The array feeds its load: its modules do not share the voltage alike, and the load leaks too. The pole that leaks more
    /// is known, and the place after a measurement with the contactor open.
    UnderLoad,
}

/// Where along a string a fault to earth is.
///
/// By its share of the array voltage: with the contactor open and modules alike that is the place along every string. Which
/// of several strings in parallel it is, earth currents cannot tell.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultPlace {
    /// There.
    At {
        /// 0 at the negative, 1 at the positive end.
        fraction: f32,
        /// One standard deviation of it.
        sigma: f32,
    },
    /// It cannot be told, and why.
    CannotTell(WhyNoPlace),
}

impl FaultPlace {
    /// The place of what leaks more than the background does, from a measurement with the contactor open.
    ///
    /// A resistive fault at fraction x splits as g₊ = x·g, g₋ = (1 − x)·g. The dividers and healthy leakage sit in the middle
    /// and pull the raw ratio there: by two modules of ten from 200 kΩ on. Taken off, the fault alone is left.
    ///
    /// The place is often known far better than the resistance: levels say where, swings say how much. An uncertainty of the
    /// sum that comes from levels counts for as much as the bridge moves the poles; one of scale counts for as much as other
    /// leakage pulls.
    ///
    /// # Source
    /// Kirchhoff; exact for one tap and any other leakage that stays (`two_pole_earth_currents`, arithmetic).
    #[must_use]
    pub fn of(measured: &PoleLeakage, background: Option<&Background>, bridge: &Bridge) -> Self {
        /// Standard deviation of the levels themselves: gain and quantisation of the pole channels.
        const LEVEL_PART: f32 = 1e-3;
        /// A place that is known no better than this is none.
        const SIGMA_MAX: f32 = 0.1;
        let Some(background) = background else {
            return Self::CannotTell(WhyNoPlace::NoBackground);
        };
        let pos = measured.g_pos.0 - background.g_pos.0;
        let g = pos + measured.g_neg.0 - background.g_neg.0;
        let fraction = pos / g;
        let all = measured.g_total().0 + 2.0 * bridge.g_permanent.0;
        let switched = bridge.g_switched_pos.0.max(bridge.g_switched_neg.0);
        let swing = switched / (all + switched);
        let other_pos = background.g_pos.0 + bridge.g_permanent.0;
        let other = background.g_pos.0 + background.g_neg.0 + 2.0 * bridge.g_permanent.0;
        let pull = (other_pos - fraction * other).abs() / all;
        let sigma = LEVEL_PART + (measured.g_sigma.0 * (swing + pull) + background.spread.0) / g;
        // A NaN is clear of nothing.
        let clear = g > 2.0 * (measured.g_sigma.0 + background.spread.0) && sigma < SIGMA_MAX;
        if !clear {
            return Self::CannotTell(WhyNoPlace::Faint);
        }
        let outside = (-fraction).max(fraction - 1.0);
        if outside > 3.0 * sigma + 0.02 {
            return Self::CannotTell(WhyNoPlace::NotOnePlace);
        }
        Self::At {
            fraction: fraction.clamp(0.0, 1.0),
            sigma,
        }
    }
}

/// State of the insulation, as last measured.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub enum Insulation {
    /// A completed measurement.
    Measured {
        /// What it found.
        leakage: PoleLeakage,
        /// When it ended. A reading repeats the last measurement; this says how old it is.
        at: SampleIndex,
    },
    /// No value, why, and since when.
    NotMeasured {
        /// The reason.
        why: NotMeasured,
        /// When that became so.
        since: SampleIndex,
    },
}

/// Where the trip logic stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TripState {
    /// Contactor open, nothing wrong: waiting for light, for a check, or for a first look at the array.
    Resting,
    /// Contactor told to close, feedback not there yet.
    Closing,
    /// Contactor closed and confirmed: the array feeds its load.
    Closed,
    /// Tripped, contactor told to open, feedback still says closed.
    Opening,
    /// Tripped and confirmed open. Stays until a person resets.
    Latched,
    /// Tripped, and the contactor did not open. The worst state.
    FailedToOpen,
    /// Tripped too often in a day and confirmed open. A reset needs the maintenance switch too.
    LockedOut,
}

/// One line of the log: best effort, gaps are visible by `at`.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Reading {
    /// The sample this reading was made at.
    pub at: SampleIndex,
    /// Bond current over whole mains cycles.
    pub i_bond: BondCurrent,
    /// Positive conductor to earth, mean over the same window; absent while the sensor is lost.
    pub v_pos: Option<Volts>,
    /// Negative conductor to earth, likewise.
    pub v_neg: Option<Volts>,
    /// Insulation as last measured.
    pub insulation: Insulation,
    /// Where the trip logic stands.
    pub state: TripState,
    /// The bond is open now: "grounded" conductors may stand at array voltage.
    pub bond_open: bool,
}

/// What the bond current is made of, over one stretch of whole mains cycles.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct BondSpectrum {
    /// End of the stretch.
    pub at: SampleIndex,
    /// Samples in it.
    pub samples: u16,
    /// Mains frequency used, Hz.
    pub mains_hz: f32,
    /// It was found on the signal; else it is the nominal one.
    pub mains_found: bool,
    /// Mean.
    pub dc: Amps,
    /// Mains-frequency part, RMS.
    pub fundamental: Amps,
    /// Angle of the mains-frequency part against a cosine that begins with the stretch, rad.
    pub fundamental_rad: f32,
    /// Second to fifth harmonic, RMS.
    pub harmonics: [Amps; 4],
    /// Everything else, RMS: switching ripple, noise, what does not repeat with the mains.
    pub remainder: Amps,
}

/// How long one completed insulation measurement dwelt, apart from its value: resistance rises with the time under voltage
/// (dielectric absorption), so two values compare only at like dwell.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Dwell {
    /// End of the measurement; the same as in [`Insulation::Measured`].
    pub at: SampleIndex,
    /// Samples of the longest stay in bridge state A that the value comes from.
    pub a_samples: u32,
    /// Likewise in state B.
    pub b_samples: u32,
    /// The poles had not come to rest at the end of a stay: the value is what the charge balance says they were on their way to.
    pub extrapolated: bool,
}
