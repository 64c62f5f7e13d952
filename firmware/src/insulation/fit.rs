//! Charge balance of the array against earth.
//!
//! Whatever current leaves the poles through leakage and bridge charges the leakage capacitance:
//!
//! ```text
//!   (g₊ + bridge₊)·v₊ + (g₋ + bridge₋)·v₋ + C·dv/dt = 0
//! ```
//!
//! Integrated over a stretch of time this needs no settling: one row per stretch, unknown g₊, g₋ and C, known bridge.
//! Rows from two bridge states are enough for all three; more rows give the uncertainty. The plain reading at the end
//! of a state is 10 % low even after five time constants when R is large against the bridge; this is not.
//!
//! Rows are built from voltages averaged over whole mains cycles. Averaging is linear and time-invariant, so averaged
//! voltages obey the same equation, and mains ripple is gone.
//!
//! `f64` here on purpose: it runs once a row and once a measurement, never per sample, and normal equations lose half
//! of the digits.

use ohmward_proto::measure::PoleLeakage;
use ohmward_proto::settings::Bridge;
use ohmward_proto::units::{Farads, Siemens};

/// What the bridge is doing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BridgeState {
    /// Extra conductance at the positive pole.
    A,
    /// Extra conductance at the negative pole.
    B,
}

/// One stretch of time in one bridge state.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// ∫ v₊ dt, in volt seconds.
    pub pos_vs: f64,
    /// ∫ v₋ dt.
    pub neg_vs: f64,
    /// Change of the pole voltages over the stretch, in volts: mean of both poles.
    pub moved_v: f64,
}

/// Sums for a least-squares fit; rows of several states add up.
#[derive(Clone, Copy, Debug, Default)]
pub struct Balance {
    /// Normal matrix, upper triangle: ++, +−, +C, −−, −C, CC.
    a: [f64; 6],
    /// Right-hand side.
    b: [f64; 3],
    /// Σ y², for the residual.
    yy: f64,
    rows: u32,
}

/// Part of the conductance in the bridge that calibration leaves uncertain (error budget of the reference front end in
/// `hardware-notes`: 0.1 %).
const SYSTEMATIC: f64 = 1e-3;

impl Balance {
    /// Adds a row that was taken in `state`.
    pub fn add(&mut self, row: &Row, state: BridgeState, bridge: &Bridge) {
        let known = f64::from(bridge.g_permanent.0) * (row.pos_vs + row.neg_vs)
            + match state {
                BridgeState::A => f64::from(bridge.g_switched_pos.0) * row.pos_vs,
                BridgeState::B => f64::from(bridge.g_switched_neg.0) * row.neg_vs,
            };
        let (p, n, c, y) = (row.pos_vs, row.neg_vs, row.moved_v, -known);
        let terms = [p * p, p * n, p * c, n * n, n * c, c * c];
        for (sum, term) in self.a.iter_mut().zip(terms) {
            *sum += term;
        }
        for (sum, term) in self.b.iter_mut().zip([p * y, n * y, c * y]) {
            *sum += term;
        }
        self.yy += y * y;
        self.rows += 1;
    }

    /// The rows of both.
    #[must_use]
    pub fn with(&self, other: &Self) -> Self {
        let mut sum = *self;
        for (s, o) in sum.a.iter_mut().zip(other.a) {
            *s += o;
        }
        for (s, o) in sum.b.iter_mut().zip(other.b) {
            *s += o;
        }
        sum.yy += other.yy;
        sum.rows += other.rows;
        sum
    }

    /// Number of rows.
    pub fn rows(&self) -> u32 {
        self.rows
    }

    /// Least-squares leakage with its uncertainty; `None` when the rows do not tell (poles that did not move).
    pub fn fit(&self, bridge: &Bridge) -> Option<PoleLeakage> {
        if self.rows < 4 {
            return None;
        }
        let [pp, pn, pc, nn, nc, cc] = self.a;
        // Without any transient in the rows C cannot be told, and g does not need it.
        let scale = pp.max(nn);
        let told = cc > scale * 1e-12;
        let cc = if told { cc } else { scale };
        let (pc, nc) = if told { (pc, nc) } else { (0.0, 0.0) };
        // Inverse of the symmetric 3×3 by cofactors.
        let m = [
            nn * cc - nc * nc,
            pc * nc - pn * cc,
            pn * nc - pc * nn,
            pp * cc - pc * pc,
            pn * pc - pp * nc,
            pp * nn - pn * pn,
        ];
        let [mpp, mpn, mpc, mnn, mnc, mcc] = m;
        let determinant = pp * mpp + pn * mpn + pc * mpc;
        if determinant.is_nan() || determinant <= 1e-13 * pp * nn * cc {
            return None;
        }
        let [bp, bn, bc] = self.b;
        let g_pos = (mpp * bp + mpn * bn + mpc * bc) / determinant;
        let g_neg = (mpn * bp + mnn * bn + mnc * bc) / determinant;
        let c = if told {
            (mpc * bp + mnc * bn + mcc * bc) / determinant
        } else {
            0.0
        };
        let residual = (self.yy - g_pos * bp - g_neg * bn - c * bc).max(0.0);
        let variance = residual / f64::from(self.rows - 3);
        let var_sum = variance * (mpp + 2.0 * mpn + mnn) / determinant;
        let in_bridge = f64::from(bridge.g_permanent.0) * 2.0
            + f64::from(bridge.g_switched_pos.0).max(f64::from(bridge.g_switched_neg.0));
        let systematic = SYSTEMATIC * in_bridge;
        Some(PoleLeakage {
            g_pos: Siemens(g_pos as f32),
            g_neg: Siemens(g_neg as f32),
            g_sigma: Siemens(root(var_sum + systematic * systematic)),
            c: Farads(c as f32),
            c_sigma: Farads(if told {
                root(variance * mcc / determinant)
            } else {
                // Nothing moved between whole cycles: C is below what a cycle's time constant would show.
                (in_bridge * 0.02) as f32
            }),
        })
    }
}

/// Square root by Newton's method: core has none without `std`, and a few digits are enough for an uncertainty.
fn root(x: f64) -> f32 {
    if x.is_nan() || x <= 0.0 {
        return 0.0;
    }
    // Halving the exponent bits is within 6 %; three steps leave nothing an f32 could show.
    let mut r = f64::from_bits((x.to_bits() >> 1) + (1023 << 51));
    for _ in 0..3 {
        r = 0.5 * (r + x / r);
    }
    r as f32
}

/// Why two settled states gave no conductances.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PairError {
    /// Switching the bridge moved the poles too little: a dark array, a stuck switch, or a conductor at earth.
    /// Not "good".
    Unmoved,
}

/// Closed form for two settled states: conductance of the positive and of the negative pole, bridge taken off.
///
/// `a`, `b`: v₊/(−v₋) in state A and in state B; no unit, above zero.
///
/// # Errors
/// [`PairError::Unmoved`] when `b − a` is under a thousandth of `b`.
/// # Source
/// Current balance at earth in both states, solved for two unknowns (hand derivation in the test).
pub fn settled_pair(a: f32, b: f32, bridge: &Bridge) -> Result<(Siemens, Siemens), PairError> {
    if a.is_nan() || b.is_nan() || a <= 0.0 || b - a <= 1e-3 * b {
        return Err(PairError::Unmoved);
    }
    let with_bridge = (a * bridge.g_switched_pos.0 + bridge.g_switched_neg.0) / (b - a);
    let g_pos = with_bridge - bridge.g_permanent.0;
    let g_neg = a * (with_bridge + bridge.g_switched_pos.0) - bridge.g_permanent.0;
    Ok((Siemens(g_pos), Siemens(g_neg)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const BRIDGE: Bridge = Bridge {
        g_permanent: Siemens(0.5e-6),
        g_switched_pos: Siemens(5e-6),
        g_switched_neg: Siemens(5e-6),
    };

    /// Hand calculation. g₊ = 10 µS, g₋ = 20 µS. State A: (10 + 0.5 + 5)·v₊ = (20 + 0.5)·(−v₋), so a = 20.5/15.5.
    /// State B: (10 + 0.5)·v₊ = (20 + 0.5 + 5)·(−v₋), so b = 25.5/10.5.
    #[test]
    fn settled_pair_by_hand() {
        let (g_pos, g_neg) = settled_pair(20.5 / 15.5, 25.5 / 10.5, &BRIDGE).expect("moves");
        assert!((g_pos.0 - 10e-6).abs() < 1e-10, "{g_pos}");
        assert!((g_neg.0 - 20e-6).abs() < 1e-10, "{g_neg}");
    }

    #[test]
    fn poles_that_do_not_move_are_no_division() {
        assert_eq!(settled_pair(1.0, 1.0, &BRIDGE), Err(PairError::Unmoved));
        assert_eq!(settled_pair(0.0, 0.0, &BRIDGE), Err(PairError::Unmoved));
        assert_eq!(
            settled_pair(f32::NAN, 1.0, &BRIDGE),
            Err(PairError::Unmoved)
        );
    }

    /// Rows of the exact exponential (textbook RC), array voltage 200 V, from windows of 0.6 τ.
    fn rows(g_pos: f64, g_neg: f64, c: f64) -> (Balance, Balance) {
        let v = 200.0;
        let mut start = 40.0; // v₋ starts anywhere
        let mut balances = [Balance::default(); 2];
        for (state, balance) in [BridgeState::A, BridgeState::B]
            .into_iter()
            .zip(&mut balances)
        {
            let gp = g_pos + 0.5e-6 + if state == BridgeState::A { 5e-6 } else { 0.0 };
            let gn = g_neg + 0.5e-6 + if state == BridgeState::B { 5e-6 } else { 0.0 };
            let tau = c / (gp + gn);
            // v₋ = u, v₊ = u + v: balance gives u∞ = −v·gp/(gp + gn).
            let end = -v * gp / (gp + gn);
            let step = 0.6 * tau / 8.0;
            for k in 0..8 {
                let (t0, t1) = (f64::from(k) * step, f64::from(k + 1) * step);
                let decay = |t: f64| (-t / tau).exp();
                let integral = end * step + (start - end) * tau * (decay(t0) - decay(t1));
                balance.add(
                    &Row {
                        pos_vs: integral + v * step,
                        neg_vs: integral,
                        moved_v: (start - end) * (decay(t1) - decay(t0)),
                    },
                    state,
                    &BRIDGE,
                );
            }
            start = end + (start - end) * (-0.6f64).exp();
        }
        (balances[0], balances[1])
    }

    #[test]
    fn unsettled_transients_give_conductance_and_capacitance() {
        for (g_pos, g_neg, c) in [
            (1e-3, 1e-6, 1e-6),
            (10e-6, 20e-6, 1e-6),
            (0.2e-6, 0.1e-6, 10e-6),
            (0.05e-6, 0.05e-6, 20e-6),
        ] {
            let (a, b) = rows(g_pos, g_neg, c);
            let fit = a.with(&b).fit(&BRIDGE).expect("two states tell");
            let total = g_pos + g_neg;
            assert!(
                (f64::from(fit.g_total().0) - total).abs() < 1e-3 * total,
                "{fit:?} for {total}"
            );
            assert!((f64::from(fit.c.0) - c).abs() < 1e-3 * c, "{fit:?} for {c}");
        }
    }

    #[test]
    fn one_state_alone_tells_nothing() {
        // A settled state: every row the same, so the three unknowns have one equation.
        let mut a = Balance::default();
        for _ in 0..10 {
            let row = Row {
                pos_vs: 2.0,
                neg_vs: -2.0,
                moved_v: 0.0,
            };
            a.add(&row, BridgeState::A, &BRIDGE);
        }
        assert!(a.fit(&BRIDGE).is_none());
    }

    #[test]
    fn root_is_a_square_root() {
        for x in [1e-18, 3.7e-5, 0.25, 1.0, 2.0, 1e9] {
            assert!((f64::from(root(x)) - x.sqrt()).abs() < 1e-6 * x.sqrt());
        }
        assert!(root(-1.0).abs() < f32::MIN_POSITIVE);
    }
}
