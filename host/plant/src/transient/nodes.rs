//! All node voltages on their way, where the array cannot move as one piece: dark modules, first light, hard switching.
//!
//! Every leakage capacitance is a state. TR-BDF2: a trapezoid to γ of the step, then a second-order backward difference;
//! L-stable, so that capacitances of nanoseconds beside seconds cost nothing. One matrix shape serves both stages. Steps
//! follow the estimated local error; between the ends of a step a parabola through its three points.
//! Charge through the bond is summed with the weights that move the capacitors, so none is lost in a switch.
//!
//! # Source
//! R. E. Bank et al., IEEE Trans. CAD 4 (1985) 436-451, coefficients from memory; checked against ngspice.

use crate::array::{Array, Contacts};
use crate::network::NetworkError;

const GAMMA: f64 = 2.0 - std::f64::consts::SQRT_2;
/// (2 − γ)/(1 − γ) = 2/γ: both stages meet a capacitor of C·RATE/h.
const RATE: f64 = 2.0 / GAMMA;
/// Of the local error, (−3γ² + 4γ − 2)/(12·(2 − γ)).
const ERROR: f64 = (-3.0 * GAMMA * GAMMA + 4.0 * GAMMA - 2.0) / (12.0 * (2.0 - GAMMA));
/// The first step after a switch is a backward Euler step of this length: it needs no current from before the switch.
const FIRST_S: f64 = 1e-7;
const SHORTEST_S: f64 = 1e-12;
const LONGEST_S: f64 = 60.0;
/// Local error of a step, V: a hundred of them are still below a thousandth of a small array's voltage.
const TOLERANCE_V: f64 = 2e-3;

/// Three points of one step.
struct Span {
    from_s: f64,
    step_s: f64,
    volts: [Vec<f64>; 3],
    /// Charge through the bond, A·s.
    charge: [f64; 3],
}

/// Value at `at` (0 to 1 of the step) of the parabola through the points at 0, γ and 1.
fn parabola(at: f64, y: [f64; 3]) -> f64 {
    let to_gamma = (y[1] - y[0]) / GAMMA;
    let second = ((y[2] - y[1]) / (1.0 - GAMMA) - to_gamma) * at * (at - GAMMA);
    y[0] + to_gamma * at + second
}

/// A transient that runs. Time counts from its beginning.
pub struct Nodes {
    contacts: Contacts,
    rest: Vec<f64>,
    farads: Vec<f64>,
    span: Span,
    next_step_s: f64,
    /// Through the capacitors and through the bond at the end of the span, A.
    capacitor_a: Vec<f64>,
    bond_a: f64,
    /// Less than a millivolt from rest everywhere.
    arrived: bool,
}

impl Nodes {
    /// From these node voltages to `rest`, the operating point with these contacts.
    pub fn begin(
        array: &mut Array,
        contacts: Contacts,
        from: Vec<f64>,
        rest: Vec<f64>,
    ) -> Result<Self, NetworkError> {
        let farads = array.leakage_farads();
        let before = array.leakage_volts(&from);
        let rate = 1.0 / FIRST_S;
        let history: Vec<f64> = before
            .iter()
            .zip(&farads)
            .map(|(u, c)| c * rate * u)
            .collect();
        let end = array.implicit_step(contacts, rate, &history, &from)?;
        let after = array.leakage_volts(&end);
        let capacitor_a = (0..farads.len())
            .map(|k| farads[k] * rate * (after[k] - before[k]))
            .collect();
        let bond_a = array.bond_current(contacts, &end);
        let charge = bond_a * FIRST_S;
        Ok(Self {
            contacts,
            rest,
            farads,
            span: Span {
                from_s: 0.0,
                step_s: FIRST_S,
                volts: [from, end.clone(), end],
                charge: [0.0, charge, charge],
            },
            next_step_s: FIRST_S,
            capacitor_a,
            bond_a,
            arrived: false,
        })
    }

    /// Goes on until `at_s` lies within what is known. Conditions and faults of the array are those of the beginning.
    pub fn reach(&mut self, array: &mut Array, at_s: f64) -> Result<(), NetworkError> {
        while self.span.from_s + self.span.step_s < at_s {
            self.advance(array)?;
        }
        Ok(())
    }

    /// Node voltages at a time that was reached.
    pub fn volts(&self, at_s: f64) -> Vec<f64> {
        let at = self.share(at_s);
        let [a, b, c] = &self.span.volts;
        (0..a.len())
            .map(|k| parabola(at, [a[k], b[k], c[k]]))
            .collect()
    }

    /// One node at a time that was reached, V.
    pub fn volt(&self, node: usize, at_s: f64) -> f64 {
        let [a, b, c] = &self.span.volts;
        parabola(self.share(at_s), [a[node], b[node], c[node]])
    }

    /// Charge through the bond since the beginning, at a time that was reached, A·s.
    pub fn charge(&self, at_s: f64) -> f64 {
        parabola(self.share(at_s), self.span.charge)
    }

    /// Everything is at rest.
    pub fn arrived(&self) -> bool {
        self.arrived
    }

    fn share(&self, at_s: f64) -> f64 {
        ((at_s - self.span.from_s) / self.span.step_s).clamp(0.0, 1.0)
    }

    fn advance(&mut self, array: &mut Array) -> Result<(), NetworkError> {
        loop {
            match self.attempt(array, self.next_step_s) {
                Ok(error) if error <= 1.0 => {
                    let grow = 0.9 * error.max(1e-3).powf(-1.0 / 3.0);
                    self.next_step_s = (self.next_step_s * grow.min(4.0)).min(LONGEST_S);
                    return Ok(());
                }
                Ok(error) => self.next_step_s *= (0.9 * error.powf(-1.0 / 3.0)).clamp(0.1, 0.9),
                Err(why) => {
                    self.next_step_s *= 0.25;
                    if self.next_step_s < SHORTEST_S {
                        return Err(why);
                    }
                }
            }
        }
    }

    /// One step of `h`; taken over if its error, in units of the tolerance, is at most 1.
    fn attempt(&mut self, array: &mut Array, h: f64) -> Result<f64, NetworkError> {
        let rate = RATE / h;
        let n = self.farads.len();
        let start = &self.span.volts[2];
        let before = array.leakage_volts(start);
        let history: Vec<f64> = (0..n)
            .map(|k| self.farads[k] * rate * before[k] + self.capacitor_a[k])
            .collect();
        let middle = array.implicit_step(self.contacts, rate, &history, start)?;
        let at_middle = array.leakage_volts(&middle);
        let middle_a: Vec<f64> = (0..n)
            .map(|k| self.farads[k] * rate * (at_middle[k] - before[k]) - self.capacitor_a[k])
            .collect();

        let alpha = 1.0 / (GAMMA * (2.0 - GAMMA));
        let beta = (1.0 - GAMMA).powi(2) * alpha;
        let blend: Vec<f64> = (0..n)
            .map(|k| alpha * at_middle[k] - beta * before[k])
            .collect();
        let history: Vec<f64> = (0..n).map(|k| self.farads[k] * rate * blend[k]).collect();
        let end = array.implicit_step(self.contacts, rate, &history, &middle)?;
        let after = array.leakage_volts(&end);
        let end_a: Vec<f64> = (0..n)
            .map(|k| self.farads[k] * rate * (after[k] - blend[k]))
            .collect();
        let error_v = (0..n)
            .filter(|k| self.farads[*k] > 0.0)
            .map(|k| {
                let bend = self.capacitor_a[k] / GAMMA - middle_a[k] / (GAMMA * (1.0 - GAMMA))
                    + end_a[k] / (1.0 - GAMMA);
                (2.0 * ERROR * h * bend / self.farads[k]).abs()
            })
            .fold(0.0, f64::max);
        let error = error_v / TOLERANCE_V;
        if error > 1.0 {
            return Ok(error);
        }
        let middle_bond_a = array.bond_current(self.contacts, &middle);
        let end_bond_a = array.bond_current(self.contacts, &end);
        let charge = self.span.charge[2];
        let weight = std::f64::consts::SQRT_2 / 4.0;
        self.span.charge = [
            charge,
            charge + 0.5 * GAMMA * h * (self.bond_a + middle_bond_a),
            charge + h * (weight * (self.bond_a + middle_bond_a) + 0.5 * GAMMA * end_bond_a),
        ];
        self.bond_a = end_bond_a;
        self.capacitor_a = end_a;
        self.span.from_s += self.span.step_s;
        self.span.step_s = h;
        let off = end.iter().zip(&self.rest).map(|(v, rest)| (v - rest).abs());
        self.arrived = off.fold(0.0, f64::max) < 1e-3;
        let [_, _, start] = &mut self.span.volts;
        self.span.volts = [std::mem::take(start), middle, end];
        Ok(error)
    }
}

#[cfg(test)]
// The parabola must hit its points to the bit or nearly.
mod tests {
    use super::*;

    #[test]
    fn parabola_goes_through_its_points() {
        let y = [3.0, -1.0, 7.0];
        for (at, want) in [(0.0, 3.0), (GAMMA, -1.0), (1.0, 7.0)] {
            assert!((parabola(at, y) - want).abs() < 1e-12, "{at}");
        }
        let square = |t: f64| 2.0 - 3.0 * t + 5.0 * t * t;
        let y = [square(0.0), square(GAMMA), square(1.0)];
        assert!((parabola(0.3, y) - square(0.3)).abs() < 1e-12);
    }

    /// Both stages' capacitor factors agree, or the stages would need two matrices (algebra, γ = 2 − √2).
    #[test]
    fn one_matrix_for_both_stages() {
        assert!((RATE - (2.0 - GAMMA) / (1.0 - GAMMA)).abs() < 1e-12);
    }
}
