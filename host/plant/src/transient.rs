//! How the array moves to a new operating point through the leakage capacitance.
//!
//! [`Transient`] is what the world uses. It knows two ways and takes the cheap one wherever that is right:
//! - [`CommonMode`]: all nodes together, one state, exact exponentials (below).
//! - [`nodes`]: every capacitance a state, by an implicit method; for arrays whose modules cannot carry what the capacitance
//!   asks for without bending (the operating point says how much they can).
//!
//! The cheap way:
//! Module voltages follow light and load at once (their own capacitance is micro-seconds), so between two operating
//! points only the common voltage to earth takes time: C·du/dt = −I_earth(u). The equation is linearised at the point
//! it runs to. That is exact wherever it can be seen: while the earth paths are bridge and insulation (say 2 µF and
//! 10 µS: τ = 0.2 s) they are linear, and 10 µS at 500 V are 5 mA, which move no module. Earth paths that do bend
//! module curves carry amperes, hence are tens of ohms or less: 2 µF on 10 Ω is 20 µs, a twelfth of a sample at
//! 4 kS/s, and what is left is the charge, which is kept.

use crate::array::{Array, Contacts, OperatingPoint, Rest};
use crate::network::NetworkError;
use nodes::Nodes;
use std::sync::Arc;

pub mod nodes;

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
    c_f: f64,
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
            c_f: point.c_f,
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

/// A regime with its nodes.
#[derive(Clone)]
pub struct Target {
    /// What a sample needs.
    pub regime: Regime,
    /// What a transient that begins or ends there needs.
    rest: Arc<Rest>,
}

impl Target {
    /// `sample_s`: the sample period.
    pub fn new(point: OperatingPoint, sample_s: f64) -> Self {
        Self {
            regime: Regime::new(&point, sample_s),
            rest: Arc::new(point.rest),
        }
    }
}

/// A running [`Nodes`], in samples.
struct Running {
    nodes: Nodes,
    samples: u64,
    charge: f64,
}

/// Where the array is between operating points.
pub struct Transient {
    sample_s: f64,
    target: Target,
    common: CommonMode,
    running: Option<Running>,
}

/// Charge that is moved within this time need not come at once: it is what a chart or a fit can see, s.
const SEEN_S: f64 = 0.01;

impl Transient {
    /// At rest.
    pub fn at(target: Target, sample_s: f64) -> Self {
        Self {
            sample_s,
            target,
            common: CommonMode::default(),
            running: None,
        }
    }

    /// Where it goes, with its nodes.
    pub fn target(&self) -> &Target {
        &self.target
    }

    /// Where it goes.
    pub fn regime(&self) -> &Regime {
        &self.target.regime
    }

    /// Goes on to another operating point, from wherever it is. The array stands in the conditions of `target`.
    pub fn enter(
        &mut self,
        array: &mut Array,
        contacts: Contacts,
        target: Target,
    ) -> Result<(), NetworkError> {
        let mut common = self.common;
        let from = if let Some(running) = self.running.take() {
            let volts = running.nodes.volts(running.samples as f64 * self.sample_s);
            common.deviation_v = array.common_volts(&volts) - target.regime.v_common;
            Some(volts)
        } else {
            common.enter(&self.target.regime, &target.regime);
            let bends = target.rest.carry_a < target.regime.asked_a(&common, self.sample_s);
            let rest = &self.target.rest;
            bends.then(|| {
                let both = rest.volts.iter().zip(&rest.shapes);
                both.map(|(v, shape)| v + shape * self.common.deviation_v)
                    .collect()
            })
        };
        // In the dark nothing bends; without capacitance nothing waits.
        let one_piece = array.is_dark() || target.regime.c_f <= 0.0;
        self.running = match from.filter(|_| !one_piece) {
            Some(mut volts) => {
                // A person who came has no node of their own, so the nodes are the same; a circuit of another size is none.
                volts.resize(target.rest.volts.len(), 0.0);
                let rest = target.rest.volts.clone();
                Some(Running {
                    nodes: Nodes::begin(array, contacts, volts, rest)?,
                    samples: 0,
                    charge: 0.0,
                })
            }
            None => None,
        };
        self.common = common;
        self.target = target;
        Ok(())
    }

    /// One sample. The array must stand in the conditions and faults of the last [`enter`](Self::enter).
    pub fn step(&mut self, array: &mut Array) -> Result<Electrical, NetworkError> {
        let Some(running) = &mut self.running else {
            return Ok(self.common.step(&self.target.regime));
        };
        running.samples += 1;
        let at_s = running.samples as f64 * self.sample_s;
        running.nodes.reach(array, at_s)?;
        let charge = running.nodes.charge(at_s);
        let [pos, neg] = array.pole_places();
        let electrical = Electrical {
            v_pos: running.nodes.volt(pos, at_s),
            v_neg: running.nodes.volt(neg, at_s),
            i_bond_a: (charge - running.charge) / self.sample_s,
        };
        running.charge = charge;
        if running.nodes.arrived() {
            self.running = None;
            self.common = CommonMode::default();
        }
        Ok(electrical)
    }

    /// `samples` at once, with the same end. Only while [`settled`](Self::settled).
    pub fn skip(&mut self, samples: u64) {
        self.common.skip(&self.target.regime, samples);
    }

    /// Less than a millivolt from rest: far below one converter step.
    pub fn settled(&self) -> bool {
        self.running.is_none() && self.common.settled()
    }
}

impl Regime {
    /// Current that the leakage capacitance asks of the modules on its way from `common`, A.
    fn asked_a(&self, common: &CommonMode, sample_s: f64) -> f64 {
        let tau_s = self.tau_samples * sample_s;
        self.c_f * common.deviation_v.abs() / tau_s.max(SEEN_S)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(c_uf: f64, g_s: f64, v_common: f64) -> OperatingPoint {
        OperatingPoint {
            v_pos: v_common + 100.0,
            v_neg: v_common - 100.0,
            g_earth_s: g_s,
            c_f: c_uf * 1e-6,
            v_common,
            shape_pos: 1.0,
            shape_neg: 1.0,
            i_bond_per_v: g_s,
            ..OperatingPoint::default()
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
