//! How the array moves to a new operating point: all its nodes together, through the leakage capacitance.
//!
//! Module voltages follow light and load at once (their own capacitance is micro-seconds), so between two operating
//! points only the common voltage to earth takes time: C·du/dt = −I_earth(u). The equation is linearised at the point
//! it runs to. That is exact wherever it can be seen: while the earth paths are bridge and insulation (say 2 µF and
//! 10 µS: τ = 0.2 s) they are linear, and 10 µS at 500 V are 5 mA, which move no module. Earth paths that do bend
//! module curves carry amperes, hence are tens of ohms or less: 2 µF on 10 Ω is 20 µs, a twelfth of a sample at
//! 4 kS/s, and what is left is the charge, which is kept.

use crate::array::OperatingPoint;

/// One operating point, reduced to what a sample needs.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Regime {
    /// At rest: conductors to earth, V, and bond current, A.
    v_pos: f64,
    v_neg: f64,
    i_bond_a: f64,
    v_common: f64,
    shape_pos: f64,
    shape_neg: f64,
    /// Share of a deviation left after one sample.
    keep: f64,
    /// Mean bond current over one sample per volt of deviation at its start, S.
    mean_s: f64,
    tau_samples: f64,
}

impl Regime {
    /// `sample_s`: the sample period.
    pub fn new(point: &OperatingPoint, sample_s: f64) -> Self {
        let tau_samples = point.c_f / point.g_earth_s / sample_s;
        // No capacitance: the new point is there at once.
        let keep = if tau_samples > 0.0 {
            (-1.0 / tau_samples).exp()
        } else {
            0.0
        };
        Self {
            v_pos: point.v_pos,
            v_neg: point.v_neg,
            i_bond_a: point.i_bond_a,
            v_common: point.v_common,
            shape_pos: point.shape_pos,
            shape_neg: point.shape_neg,
            keep,
            mean_s: point.i_bond_per_v * tau_samples * (1.0 - keep),
            tau_samples,
        }
    }

    /// Positive and negative conductor at rest, V.
    pub fn poles_v(&self) -> (f64, f64) {
        (self.v_pos, self.v_neg)
    }

    /// Bond current at rest, A.
    pub fn i_bond_a(&self) -> f64 {
        self.i_bond_a
    }

    /// Settling time constant, in samples.
    pub fn tau_samples(&self) -> f64 {
        self.tau_samples
    }
}

/// Deviation of the common voltage from rest, V.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct CommonMode {
    deviation_v: f64,
}

/// The electrical state at the end of a sample, the current as its mean over the sample.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Electrical {
    /// V.
    pub v_pos: f64,
    /// V.
    pub v_neg: f64,
    /// A.
    pub i_bond_a: f64,
}

impl CommonMode {
    /// Changes regime: the charge on the leakage capacitance, and so the common voltage, stays.
    pub fn enter(&mut self, from: &Regime, to: &Regime) {
        self.deviation_v += from.v_common - to.v_common;
    }

    /// One sample.
    pub fn step(&mut self, regime: &Regime) -> Electrical {
        let i_bond_a = regime.i_bond_a + regime.mean_s * self.deviation_v;
        self.deviation_v *= regime.keep;
        // Ends the tail before it becomes a denormal number, which costs more than the rest of the step.
        if self.deviation_v.abs() < 1e-12 {
            self.deviation_v = 0.0;
        }
        Electrical {
            v_pos: regime.v_pos + regime.shape_pos * self.deviation_v,
            v_neg: regime.v_neg + regime.shape_neg * self.deviation_v,
            i_bond_a,
        }
    }

    /// `samples` at once, with the same end.
    pub fn skip(&mut self, regime: &Regime, samples: u64) {
        if regime.tau_samples > 0.0 {
            self.deviation_v *= (-(samples as f64) / regime.tau_samples).exp();
        } else if samples > 0 {
            self.deviation_v = 0.0;
        }
    }

    /// Less than a millivolt from rest: far below one converter step.
    pub fn settled(&self) -> bool {
        self.deviation_v.abs() < 1e-3
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(c_uf: f64, g_s: f64, v_common: f64) -> OperatingPoint {
        OperatingPoint {
            v_pos: v_common + 100.0,
            v_neg: v_common - 100.0,
            i_bond_a: 0.0,
            string_currents_a: Vec::new(),
            module_volts: Vec::new(),
            fault_currents_a: Vec::new(),
            g_earth_s: g_s,
            c_f: c_uf * 1e-6,
            v_common,
            shape_pos: 1.0,
            shape_neg: 1.0,
            i_bond_per_v: g_s,
        }
    }

    /// τ = C·(R_bridge ∥ R_iso) and 1 % after 4.605 τ: arithmetic, table of settling examples made with the design.
    #[test]
    fn settling_examples() {
        for (c_uf, bridge_kohm, iso_mohm, tau_s, settle_1pct_s) in [
            (0.7, 100.0, 1.0, 0.0636, 0.293),
            (7.0, 100.0, 1.0, 0.636, 2.93),
            (1.7, 500.0, 10.0, 0.81, 3.73),
            (25.0, 100.0, 1.0, 2.27, 10.5),
        ] {
            let g_s: f64 = 1e-3 / bridge_kohm + 1e-6 / iso_mohm;
            let sample_s = 250e-6;
            let before = Regime::new(&point(c_uf, g_s, 50.0), sample_s);
            let after = Regime::new(&point(c_uf, g_s, 0.0), sample_s);
            assert!((after.tau_samples() * sample_s / tau_s - 1.0_f64).abs() < 3e-3);
            let mut state = CommonMode::default();
            state.enter(&before, &after);
            let mut samples = 0;
            while state.step(&after).v_pos - 100.0 > 0.5 {
                samples += 1;
            }
            let took_s = f64::from(samples) * sample_s;
            assert!(
                (took_s / settle_1pct_s - 1.0).abs() < 5e-3,
                "{took_s} not {settle_1pct_s}"
            );
        }
    }

    /// Charge through the earth path equals C·ΔU, however few samples it takes.
    #[test]
    fn charge_is_kept() {
        for g_s in [5.0, 1e-3, 1e-5] {
            let before = Regime::new(&point(2.0, g_s, -250.0), 250e-6);
            let after = Regime::new(&point(2.0, g_s, 0.0), 250e-6);
            let mut state = CommonMode::default();
            state.enter(&before, &after);
            let charge: f64 = (0..40_000)
                .map(|_| state.step(&after).i_bond_a * 250e-6)
                .sum();
            assert!((charge / (-250.0 * 2e-6) - 1.0).abs() < 1e-9, "{charge}");
            assert!(state.settled());
        }
    }

    #[test]
    fn skipping_ends_where_stepping_ends() {
        let before = Regime::new(&point(2.0, 1e-5, -250.0), 250e-6);
        let after = Regime::new(&point(2.0, 1e-5, 0.0), 250e-6);
        let (mut walked, mut jumped) = (CommonMode::default(), CommonMode::default());
        walked.enter(&before, &after);
        jumped.enter(&before, &after);
        for _ in 0..777 {
            walked.step(&after);
        }
        jumped.skip(&after, 777);
        assert!((walked.deviation_v - jumped.deviation_v).abs() < 1e-9);
    }
}
