//! The array against earth: two poles, leakage, capacitance, bridge and bond, solved exactly over each sample.
//!
//! ```text
//!   v₊ ─┬─ g₊ + bridge₊ ─┐
//!   V   │                ├─ C ── earth
//!   v₋ ─┴─ g₋ + bridge₋ ─┘         bond: a conductance at the bonded pole
//! ```
//!
//! With u = v₋ and v₊ = u + V (V stands within a sample): C·du/dt = −(Σg₊·(u + V) + Σg₋·u), one exponential.

use ohmward_core::Outputs;
use ohmward_proto::settings::{Bridge, Earthing};

/// Fuse, shunt and lead of a bond, S. 0.3 Ω: a small fuse's own resistance and a shunt (common practice, no source).
const BOND_S: f64 = 1.0 / 0.3;
/// A functional earth through a high resistance: 20 kΩ (our own choice).
const HIGH_RESISTANCE_S: f64 = 1.0 / 20e3;

/// What the array is like.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Leakage {
    /// Pole to pole, V.
    pub v_v: f64,
    /// Positive conductor to earth, S.
    pub g_pos_s: f64,
    /// Negative conductor to earth, S.
    pub g_neg_s: f64,
    /// Both poles to earth together, F.
    pub c_f: f64,
}

impl Leakage {
    /// A healthy small array: 220 V, 10 MΩ at each pole, 0.2 µF.
    pub const HEALTHY: Self = Self {
        v_v: 220.0,
        g_pos_s: 0.1e-6,
        g_neg_s: 0.1e-6,
        c_f: 0.2e-6,
    };

    /// Of `r_ohm` in all, `at` of it (0 negative pole … 1 positive pole).
    pub fn of(v_v: f64, r_ohm: f64, at: f64, c_f: f64) -> Self {
        Self {
            v_v,
            g_pos_s: at / r_ohm,
            g_neg_s: (1.0 - at) / r_ohm,
            c_f,
        }
    }
}

/// Means over one sample.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Poles {
    /// Positive conductor to earth, V.
    pub v_pos: f64,
    /// Negative conductor to earth, V.
    pub v_neg: f64,
    /// What flows where the bond current is measured because of leakage: + out of the array conductor into earth, A.
    pub i_bond_a: f64,
    /// Whatever else flows there can flow: the bond is closed, or there is none to open.
    pub bond_closed: bool,
}

/// The array as it moves.
#[derive(Clone, Debug)]
pub struct Array {
    earthing: Earthing,
    bridge: Bridge,
    u: f64,
    /// The time constant that the exponential was last made for, and the exponential.
    decay: (f64, f64),
}

impl Array {
    /// At rest with both poles discharged.
    pub fn new(earthing: Earthing, bridge: Bridge) -> Self {
        Self {
            earthing,
            bridge,
            u: 0.0,
            decay: (0.0, 0.0),
        }
    }

    /// One sample of `step_s` with the board's switches set so.
    pub fn step(&mut self, leakage: &Leakage, switches: &Outputs, step_s: f64) -> Poles {
        let permanent = f64::from(self.bridge.g_permanent.0);
        let switched = |on: bool, g: f32| if on { f64::from(g) } else { 0.0 };
        let bridge_pos = permanent + switched(switches.bridge_pos, self.bridge.g_switched_pos.0);
        let bridge_neg = permanent + switched(switches.bridge_neg, self.bridge.g_switched_neg.0);
        let (bond_pos, bond_neg) = match self.earthing {
            _ if switches.bond_switch => (0.0, 0.0),
            Earthing::NegativeBonded => (0.0, BOND_S),
            Earthing::PositiveBonded => (BOND_S, 0.0),
            Earthing::HighResistance => (0.0, HIGH_RESISTANCE_S),
            Earthing::NotEarthed => (0.0, 0.0),
        };
        let v = leakage.v_v;
        let g_pos = leakage.g_pos_s + bridge_pos + bond_pos;
        let g_neg = leakage.g_neg_s + bridge_neg + bond_neg;
        let tau_s = leakage.c_f / (g_pos + g_neg);
        let end = -v * g_pos / (g_pos + g_neg);
        if (tau_s - self.decay.0).abs() > 0.0 {
            self.decay = (tau_s, (-step_s / tau_s).exp());
        }
        let off = self.u - end;
        let left = self.decay.1;
        self.u = end + off * left;
        let mean = end + off * (1.0 - left) * tau_s / step_s;
        let (v_pos, v_neg) = (mean + v, mean);
        let i_bond_a = match self.earthing {
            // The sensor encloses both conductors between bridge and array: what it sees comes back through the bridge.
            Earthing::NotEarthed => -(bridge_pos * v_pos + bridge_neg * v_neg),
            _ => bond_pos * v_pos + bond_neg * v_neg,
        };
        Poles {
            v_pos,
            v_neg,
            i_bond_a,
            bond_closed: !switches.bond_switch || self.earthing == Earthing::NotEarthed,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ohmward_proto::settings::Calibration;

    const STEP_S: f64 = 250e-6;
    const BRIDGE: Bridge = Calibration::REFERENCE.bridge;

    /// Hand calculation. Bond closed, 2 kΩ from the positive pole, 220 V: 220 V / (2 kΩ + 0.3 Ω) = 110 mA from earth
    /// into the array, and the bonded pole 33 mV below earth.
    #[test]
    fn a_fault_at_the_other_pole_drives_current_into_the_array() {
        let leakage = Leakage {
            g_pos_s: 1.0 / 2e3,
            ..Leakage::HEALTHY
        };
        let mut array = Array::new(Earthing::NegativeBonded, BRIDGE);
        let mut last = None;
        for _ in 0..100 {
            last = Some(array.step(&leakage, &Outputs::default(), STEP_S));
        }
        let poles = last.expect("stepped");
        assert!((poles.i_bond_a + 0.110).abs() < 0.0003, "{poles:?}");
        assert!((poles.v_neg + 0.033).abs() < 0.0002, "{poles:?}");
    }

    /// Textbook RC: bond open, state A of the bridge. Σg = 2·0.1 + 2·0.5 + 5 = 6.2 µS, C = 0.2 µF: τ = 32.26 ms; the
    /// end is −220·5.6/6.2 = −198.7 V. After one τ 63.2 % of the way is gone.
    #[test]
    fn an_open_bond_leaves_an_exponential() {
        let switches = Outputs {
            bond_switch: true,
            bridge_pos: true,
            ..Outputs::default()
        };
        let mut array = Array::new(Earthing::NegativeBonded, BRIDGE);
        let tau_samples = 129; // 32.25 ms
        for _ in 0..tau_samples {
            array.step(&Leakage::HEALTHY, &switches, STEP_S);
        }
        assert!((array.u + 198.71 * 0.632).abs() < 0.2, "{}", array.u);
        for _ in 0..20 * tau_samples {
            array.step(&Leakage::HEALTHY, &switches, STEP_S);
        }
        assert!((array.u + 198.71).abs() < 0.01, "{}", array.u);
    }
}
