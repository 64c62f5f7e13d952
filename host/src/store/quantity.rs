//! Whole numbers for measured values: what one step is, per quantity.
//!
//! Sums of whole numbers are exact in any order, so a roll-up does not depend on the order readings came in; and they are
//! what packs well. Boards send current in whole µA and pole voltages in whole mV (`firmware/src/window.rs`), so there
//! nothing is rounded at all. Conductance, capacitance and resistance are rounded in roll-ups only; the archive keeps them as
//! they were sent.

use ohmward_proto::measure::PoleLeakage;

/// What a roll-up tells of.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Quantity {
    /// Bond current, mean over whole mains cycles; A, steps of 1 µA.
    BondDc,
    /// Bond current, RMS; A, steps of 1 µA.
    BondRms,
    /// Positive conductor to earth; V, steps of 1 mV.
    VPos,
    /// Negative conductor to earth; V, steps of 1 mV.
    VNeg,
    /// Leakage of the positive conductor; S, steps of 1 pS.
    GPos,
    /// Leakage of the negative conductor; S, steps of 1 pS.
    GNeg,
    /// Insulation resistance of the whole array, or the bound it is known to be above; Ω, steps of 1 mΩ.
    RIso,
    /// Leakage capacitance; F, steps of 1 pF.
    C,
}

impl Quantity {
    /// All, in the order of [`super::Rollup::spreads`].
    pub const ALL: [Self; 8] = [
        Self::BondDc,
        Self::BondRms,
        Self::VPos,
        Self::VNeg,
        Self::GPos,
        Self::GNeg,
        Self::RIso,
        Self::C,
    ];

    /// Name and unit, as a column would carry them.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::BondDc => "i_dc_a",
            Self::BondRms => "i_rms_a",
            Self::VPos => "v_pos_v",
            Self::VNeg => "v_neg_v",
            Self::GPos => "g_pos_s",
            Self::GNeg => "g_neg_s",
            Self::RIso => "r_iso_ohm",
            Self::C => "c_f",
        }
    }

    /// Steps in one unit.
    #[must_use]
    pub fn steps(self) -> f64 {
        match self {
            Self::BondDc | Self::BondRms => 1e6,
            Self::VPos | Self::VNeg | Self::RIso => 1e3,
            Self::GPos | Self::GNeg | Self::C => 1e12,
        }
    }

    /// The nearest whole number of steps; `None` for what is no number, or beyond any instrument (2⁶² steps).
    #[must_use]
    pub fn code(self, value: f32) -> Option<i64> {
        let steps = (f64::from(value) * self.steps()).round();
        (steps.abs() < (1_u64 << 62) as f64).then_some(steps as i64)
    }

    /// Steps back to the unit.
    #[must_use]
    pub fn value(self, steps: f64) -> f64 {
        steps / self.steps()
    }
}

/// R_iso of a measurement, or the bound it is known to be above.
pub fn r_iso(leakage: &PoleLeakage) -> f32 {
    leakage.r_iso().bound().0
}
