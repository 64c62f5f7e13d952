//! Charge balance of the array against earth.
//!
//! Whatever current leaves the poles through leakage and bridge charges the leakage capacitance:
//!
//! ```text
//!   (g₊ + bridge₊)·v₊ + (g₋ + bridge₋)·v₋ + C·dv/dt = 0
//! ```
//!
//! Integrated over a stretch of time this needs no settling: one row per stretch, unknown g₊, g₋ and C, known bridge. The
//! plain reading at the end of a state is 10 % low even after five time constants when R is large against the bridge; this
//! is not. Rows are built from voltages averaged over whole mains cycles: averaging is linear and time-invariant, so
//! averaged voltages obey the same equation, and mains ripple is gone.
//!
//! **Not least squares.** The voltages stand on the side of the unknowns, and they wander: squares of the wander would then
//! pull the conductances towards zero, towards "good" (3 V at a few hertz read 15 kΩ as 16.7 kΩ). Instead the rows are
//! summed with weights that know nothing of the noise (instrumental variables): the level in state A, the level in state
//! B, early against late for C. Wander enters these sums linearly, and its mean is nothing.
//!
//! **Uncertainty.** What the rows leave unexplained, in blocks, so that wander which hangs together counts in full; the first
//! and the repeated stay against each other; and, carried through the same three equations, what no row can show:
//! tolerance of the bridge, gain and quantisation of the pole channels, unequal capacitance of the poles while the array
//! voltage moves. An unsettled transient makes these larger, and that is seen.
//!
//! `f64` for the sums on purpose, differences of large ones are taken; `f32` for what they may be off by. A fit is made
//! piece by piece, [`Fitting::step`], so that no sample has to do the work of a whole one.

use super::algebra::{Cofactors, Three, dot};
pub use super::stay::{BridgeState, ROWS_MAX, Row, Stay};
use super::stay::{Outlier, Scatter, Sums};
use ohmward_proto::measure::PoleLeakage;
use ohmward_proto::settings::Bridge;
use ohmward_proto::units::{Farads, Siemens};

/// Error budget of the reference front end (`hardware-notes`), one standard deviation each.
/// Each resistor of the bridge, as a part: 0.1 %.
const BRIDGE_PART: f32 = 1e-3;
/// Gain of each pole channel against the other, as a part.
const GAIN_PART: f32 = 2e-4;
/// What a settled level can be off by quantisation and offset, in volts: a step of 14 bits over ±600 V is 73 mV, its
/// standard deviation 73 mV/√12.
const LEVEL_V: f32 = 0.02;
/// How unequal the capacitances of the poles may be, as a part of both.
const UNEQUAL_PART: f32 = 0.3;

/// Part of the poles' swing that has to be left as transient before C is asked for.
const TOLD_PART: f64 = 0.02;
/// A row stands out when it is this many times the scatter of the others …
const STANDS_OUT: f32 = 5.0;
/// … and, as a conductance, this far from nothing: 3.3 MΩ that come or go …
const STANDS_OUT_S: f32 = 0.3e-6;
/// … or this part of all conductance to earth, where that is more.
const STANDS_OUT_PART: f32 = 0.01;
/// Rows that scatter by more than this part of all conductance to earth are no wander of the poles: something comes and goes,
/// and its mean says little of what it is while it is there.
const RESTLESS_PART: f32 = 0.1;

/// What the stays say together.
#[derive(Clone, Copy, Debug)]
pub struct Fit {
    /// Leakage and capacitance with their uncertainty.
    pub leakage: PoleLeakage,
    /// Part of the uncertainty that a longer look makes smaller, as a standard deviation of the total conductance, S.
    pub scatter_s: f32,
    /// The other part: tolerances, S.
    pub tolerance_s: f32,
    /// No row stands out from the others: nothing came or went meanwhile, the very end included.
    pub steady: bool,
    /// How far the negative pole moved between states A and B, as a part of the array voltage.
    pub swing: f64,
}

impl Fit {
    /// Conductance of both poles together, S.
    pub fn total_s(&self) -> f64 {
        f64::from(self.leakage.g_pos.0) + f64::from(self.leakage.g_neg.0)
    }
}

/// One weighted sum of the balance: coefficients of (g₊, g₋, C), what is known, and what tolerances would add.
#[derive(Clone, Copy, Debug, Default)]
struct Equation {
    of: Three<f64>,
    known: f64,
    /// V·s through the switched resistors.
    through_a: f64,
    through_b: f64,
    /// Current of everything known at each pole times seconds.
    at_pos: f64,
    at_neg: f64,
    spread: f64,
    t: f64,
}

impl Equation {
    fn add(&mut self, sums: &Sums, state: BridgeState, bridge: &Bridge) {
        let [p, n, c] = &mut self.of;
        *p += sums.pos;
        *n += sums.neg;
        *c += sums.moved;
        let (pos, neg) = state.known(bridge);
        self.at_pos += pos * sums.pos;
        self.at_neg += neg * sums.neg;
        self.known += pos * sums.pos + neg * sums.neg;
        match state {
            BridgeState::A => self.through_a += sums.pos,
            BridgeState::B => self.through_b += sums.neg,
            BridgeState::Rest => {}
        }
        self.spread += sums.spread;
        self.t += sums.t;
    }

    /// Negative pole, V.
    fn level(&self) -> f64 {
        let [_, n, _] = self.of;
        n / self.t
    }

    fn array_v(&self) -> f64 {
        let [p, n, _] = self.of;
        (p - n) / self.t
    }
}

/// Where a fit stands.
#[derive(Clone, Copy, Debug)]
enum Piece {
    /// Sums of this stay into the equations.
    Sums(usize),
    Cofactors,
    /// Whether the equations can be solved.
    Spans(Cofactors),
    /// This row of the inverse.
    Solve(Cofactors, usize),
    /// This row of this stay: what it leaves unexplained.
    Row(usize, usize),
    Tolerance,
}

/// What a piece of work came to.
#[derive(Clone, Copy, Debug)]
pub enum Fitted {
    /// There is more to do.
    NotYet,
    /// They do not tell: poles that did not move.
    Nothing,
    /// Leakage.
    Is(Fit),
}

/// The unknowns, and what errors in the equations do to them.
#[derive(Clone, Copy, Debug, Default)]
struct Solution {
    /// g₊, g₋, C.
    unknown: Three<f64>,
    /// What a coulomb of error in each equation does to g₊, to the sum of both conductances, and to C.
    of_pos: Three<f64>,
    of_sum: Three<f32>,
    of_c: Three<f32>,
}

/// What one stay leaves unexplained.
#[derive(Clone, Copy, Debug, Default)]
struct Unexplained {
    g: Scatter,
    c: Scatter,
}

/// The same of all stays.
#[derive(Clone, Copy, Debug)]
struct Doubts {
    /// Greatest variance of one stay's charge.
    charge: f32,
    of_levels: f32,
    variance_c: f32,
    repeated: f32,
    outlier: Outlier,
    ends: f32,
    /// How many times a row is longer than a short one.
    longer: f32,
}

/// A fit under way: leakage from stays in A and in B, any number of each.
#[derive(Debug)]
pub struct Fitting {
    piece: Piece,
    equations: Three<Equation>,
    told: bool,
    swing_v: f64,
    solution: Solution,
    stay: Unexplained,
    doubts: Doubts,
}

impl Fitting {
    /// Begins one.
    pub fn begin() -> Self {
        Self {
            piece: Piece::Sums(0),
            equations: [Equation::default(); 3],
            told: false,
            swing_v: 0.0,
            solution: Solution::default(),
            stay: Unexplained::default(),
            doubts: Doubts {
                charge: 0.0,
                of_levels: 0.0,
                variance_c: 0.0,
                repeated: 0.0,
                outlier: Outlier::default(),
                ends: 0.0,
                longer: 1.0,
            },
        }
    }

    /// One piece of it; the same complete stays each time.
    pub fn step(&mut self, stays: &[Stay], bridge: &Bridge) -> Fitted {
        self.piece = match self.piece {
            Piece::Sums(n) => {
                if let Some(stay) = stays.get(n) {
                    self.add(stay, bridge);
                    Piece::Sums(n + 1)
                } else {
                    self.tell();
                    Piece::Cofactors
                }
            }
            Piece::Cofactors => Piece::Spans(Cofactors::of(self.equations.map(|e| e.of))),
            Piece::Spans(cofactors) if cofactors.spans() => Piece::Solve(cofactors, 0),
            Piece::Spans(_) => return Fitted::Nothing,
            Piece::Solve(cofactors, n) => {
                self.solve(n, cofactors.row(n));
                if n < 2 {
                    Piece::Solve(cofactors, n + 1)
                } else {
                    Piece::Row(0, 0)
                }
            }
            Piece::Row(n, k) => match stays.get(n) {
                Some(stay) if stay.state == BridgeState::Rest => Piece::Row(n + 1, 0),
                Some(stay) if k < stay.rows.len() => {
                    self.row(stay, k, bridge);
                    Piece::Row(n, k + 1)
                }
                Some(stay) => {
                    self.stay_ends(stay, bridge);
                    Piece::Row(n + 1, 0)
                }
                None => Piece::Tolerance,
            },
            Piece::Tolerance => return Fitted::Is(self.fit(stays, bridge)),
        };
        Fitted::NotYet
    }

    fn add(&mut self, stay: &Stay, bridge: &Bridge) {
        let [in_a, in_b, early] = &mut self.equations;
        let (level, transient) = stay.sums();
        match stay.state {
            BridgeState::A => in_a.add(level, stay.state, bridge),
            BridgeState::B => in_b.add(level, stay.state, bridge),
            BridgeState::Rest => return,
        }
        early.add(transient, stay.state, bridge);
    }

    /// Without any transient in the rows C cannot be told, and g does not need it.
    fn tell(&mut self) {
        let [in_a, in_b, early] = &mut self.equations;
        self.swing_v = (in_a.level() - in_b.level()).abs();
        let [_, _, of_c] = early.of;
        self.told = of_c.abs() > TOLD_PART * self.swing_v;
        if !self.told {
            *early = Equation {
                of: [0.0, 0.0, 1.0],
                ..Equation::default()
            };
        }
    }

    /// One of the unknowns, by its row of the inverse.
    fn solve(&mut self, n: usize, row: Three<f64>) {
        let known = self.equations.map(|e| -e.known);
        let solution = &mut self.solution;
        if let Some(unknown) = solution.unknown.get_mut(n) {
            *unknown = dot(row, known);
        }
        match n {
            0 => solution.of_pos = row,
            1 => solution.of_sum = sum(solution.of_pos, row).map(|x| x as f32),
            _ => solution.of_c = row.map(|x| x as f32),
        }
    }

    /// What the level in this state does to the sum of both conductances, and to C.
    fn of_level(&self, state: BridgeState) -> (f32, f32) {
        let [a, b, _] = self.solution.of_sum;
        let [ca, cb, _] = self.solution.of_c;
        match state {
            BridgeState::A => (a, ca),
            BridgeState::B => (b, cb),
            BridgeState::Rest => (0.0, 0.0),
        }
    }

    /// Charge that the balance does not explain, in a stretch of a stay.
    fn error(&self, row: &Row, state: BridgeState, bridge: &Bridge) -> f32 {
        let (known_pos, known_neg) = state.known(bridge);
        let [g_pos, g_neg, c] = self.solution.unknown;
        ((g_pos + known_pos) * f64::from(row.pos_vs)
            + (g_neg + known_neg) * f64::from(row.neg_vs)
            + c * f64::from(row.moved_v)) as f32
    }

    fn row(&mut self, stay: &Stay, k: usize, bridge: &Bridge) {
        let Some((row, place)) = stay.row(k) else {
            return;
        };
        let e = self.error(row, stay.state, bridge);
        let (of_level, of_level_c) = self.of_level(stay.state);
        let ([_, _, t], [_, _, ct]) = (self.solution.of_sum, self.solution.of_c);
        let term = (of_level * place.level + t * place.transient) * e;
        self.stay.g.push(term, &place);
        let term_c = (of_level_c * place.level + ct * place.transient) * e;
        self.stay.c.push(term_c, &place);
        self.doubts.outlier.push(e / (row.pos_vs - row.neg_vs));
    }

    fn stay_ends(&mut self, stay: &Stay, bridge: &Bridge) {
        let of = core::mem::take(&mut self.stay);
        let (of_level, _) = self.of_level(stay.state);
        let last = &stay.last;
        let end = self.error(last, stay.state, bridge) / (last.pos_vs - last.neg_vs);
        let doubts = &mut self.doubts;
        // One stay may have caught a wander on its crest; the others then have not.
        let charge = of.g.variance(stay.seconds()) / (of_level * of_level);
        doubts.charge = doubts.charge.max(charge);
        doubts.of_levels += of_level * of_level;
        doubts.variance_c += of.c.variance(stay.seconds());
        // The stays of the repeated state add up to nothing: each tells how far a whole stay can be off.
        doubts.repeated = doubts.repeated.max(of.g.sum().abs());
        doubts.ends = doubts.ends.max(end.abs());
        // Short rows scatter more than long ones.
        doubts.longer = doubts.longer.max((stay.row_s / stay.last_s) as f32);
    }

    fn fit(&self, stays: &[Stay], bridge: &Bridge) -> Fit {
        let doubts = &self.doubts;
        let unknown = self.solution.unknown.map(|x| x as f32);
        let [g_pos, g_neg, c] = unknown;
        let scatter_s =
            libm::sqrtf(doubts.charge * doubts.of_levels + 4.0 * doubts.repeated * doubts.repeated);
        let tolerance_s = self.tolerance(unknown, stays, bridge);
        let all_s = g_pos + g_neg + in_bridge(bridge);
        let clear = STANDS_OUT_S.max(STANDS_OUT_PART * all_s);
        let scatter = doubts.outlier.scatter();
        let steady = scatter <= RESTLESS_PART * all_s
            && doubts.outlier.largest() <= STANDS_OUT * scatter + clear
            && doubts.ends <= STANDS_OUT * doubts.longer * scatter + clear;
        let [in_a, in_b, _] = &self.equations;
        Fit {
            leakage: PoleLeakage {
                g_pos: Siemens(g_pos),
                g_neg: Siemens(g_neg),
                g_sigma: Siemens(libm::sqrtf(
                    scatter_s * scatter_s + tolerance_s * tolerance_s,
                )),
                c: Farads(if self.told { c } else { 0.0 }),
                c_sigma: Farads(if self.told {
                    libm::sqrtf(doubts.variance_c + BRIDGE_PART * BRIDGE_PART * c * c)
                } else {
                    // Nothing moved between whole cycles: C is below what a cycle's time constant would show.
                    in_bridge(bridge) * 0.02
                }),
            },
            scatter_s,
            tolerance_s,
            steady,
            swing: self.swing_v / in_a.array_v().max(in_b.array_v()),
        }
    }

    /// Standard deviation of the total conductance from what no row can show.
    fn tolerance(&self, [g_pos, g_neg, c]: Three<f32>, stays: &[Stay], bridge: &Bridge) -> f32 {
        let carried = |each: &dyn Fn(&Equation) -> f32| -> f32 {
            let of = self.equations.iter().zip(self.solution.of_sum);
            of.map(|(equation, of_sum)| of_sum * each(equation)).sum()
        };
        let permanent = BRIDGE_PART * bridge.g_permanent.0;
        let mut square = 2.0 * permanent * permanent;
        let mut with = |x: f32| square += x * x;
        with(BRIDGE_PART * bridge.g_switched_pos.0 * carried(&|e| e.through_a as f32));
        with(BRIDGE_PART * bridge.g_switched_neg.0 * carried(&|e| e.through_b as f32));
        with(GAIN_PART * carried(&|e| g_pos * e.of[0] as f32 + e.at_pos as f32));
        with(GAIN_PART * carried(&|e| g_neg * e.of[1] as f32 + e.at_neg as f32));
        with(UNEQUAL_PART * c * carried(&|e| e.spread as f32));
        for stay in stays {
            let (level, _) = stay.sums();
            let (pos, neg) = stay.state.known(bridge);
            let (of_level, _) = self.of_level(stay.state);
            let off = LEVEL_V * of_level * level.t as f32;
            with(off * (g_pos + pos as f32));
            with(off * (g_neg + neg as f32));
        }
        libm::sqrtf(square)
    }
}

/// Conductance of the bridge with one switch closed.
fn in_bridge(bridge: &Bridge) -> f32 {
    bridge.g_permanent.0 * 2.0 + bridge.g_switched_pos.0.max(bridge.g_switched_neg.0)
}

fn sum(a: Three<f64>, b: Three<f64>) -> Three<f64> {
    let ([a0, a1, a2], [b0, b1, b2]) = (a, b);
    [a0 + b0, a1 + b1, a2 + b2]
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

    /// All pieces of a fit.
    fn fit(stays: &[Stay], bridge: &Bridge) -> Option<Fit> {
        let mut fitting = Fitting::begin();
        loop {
            match fitting.step(stays, bridge) {
                Fitted::NotYet => {}
                Fitted::Nothing => return None,
                Fitted::Is(fit) => return Some(fit),
            }
        }
    }

    /// Stays of the exact exponential (textbook RC), array voltage 200 V, windows of `taus` time constants: A, B, A.
    fn stays(g_pos: f64, g_neg: f64, c: f64, taus: f64) -> heapless::Vec<Stay, 3> {
        let v = 200.0;
        let mut start = -40.0; // v₋ starts anywhere
        let mut stays = heapless::Vec::new();
        for (state, toward) in [
            (BridgeState::A, -1.0),
            (BridgeState::B, 1.0),
            (BridgeState::A, -1.0),
        ] {
            let (known_pos, known_neg) = state.known(&BRIDGE);
            let (gp, gn) = (g_pos + known_pos, g_neg + known_neg);
            let tau = c / (gp + gn);
            // v₋ = u, v₊ = u + v: balance gives u∞ = −v·gp/(gp + gn).
            let end = -v * gp / (gp + gn);
            let step = taus * tau / 16.0;
            let mut stay = Stay::none();
            stay.begin(state, toward, step, 16);
            for k in 0..16 {
                let (t0, t1) = (f64::from(k) * step, f64::from(k + 1) * step);
                let decay = |t: f64| (-t / tau).exp();
                let integral = end * step + (start - end) * tau * (decay(t0) - decay(t1));
                let row = Row {
                    pos_vs: (integral + v * step) as f32,
                    neg_vs: integral as f32,
                    moved_v: ((start - end) * (decay(t1) - decay(t0))) as f32,
                    array_moved_v: 0.0,
                };
                stay.rows.push(row).expect("room");
                (stay.last, stay.last_s) = (row, step);
            }
            while stay.sum_some() {}
            stays.push(stay).expect("room");
            start = end + (start - end) * (-taus).exp();
        }
        stays
    }

    #[test]
    fn unsettled_transients_give_conductance_and_capacitance() {
        for taus in [0.6, 3.0] {
            for (g_pos, g_neg, c) in [
                (1e-3, 1e-6, 1e-6),
                (10e-6, 20e-6, 1e-6),
                (0.2e-6, 0.1e-6, 10e-6),
                (0.05e-6, 0.05e-6, 20e-6),
            ] {
                let stays = stays(g_pos, g_neg, c, taus);
                for some in [&stays[..], &stays[..2], &stays[1..]] {
                    let fit = fit(some, &BRIDGE).expect("two states tell");
                    let l = fit.leakage;
                    let total = g_pos + g_neg;
                    assert!(
                        (f64::from(l.g_total().0) - total).abs() < 1e-3 * total,
                        "{fit:?} for {total}"
                    );
                    assert!((f64::from(l.c.0) - c).abs() < 1e-3 * c, "{fit:?} for {c}");
                    assert!(fit.steady);
                }
            }
        }
    }

    #[test]
    fn one_state_alone_tells_nothing() {
        let stays = stays(1e-6, 1e-6, 1e-6, 3.0);
        assert!(fit(&stays[..1], &BRIDGE).is_none());
        assert!(fit(&[], &BRIDGE).is_none());
    }

    /// Hand calculation: 0.1 % of a switched 5 µS resistor on a settled, symmetrical array of no leakage. Balance in A:
    /// (5.5 + δ)·v₊ = 0.5·(−v₋), in B (5.5)·(−v₋) = 0.5·v₊, so p = n and the sum is off by (g_m/(g_s + 2·g_m))·… of order
    /// δ·g/g_s: with g = 1 µS of dividers, below 0.1 % of 1 µS for each resistor; the dividers themselves add 0.1 % of
    /// 0.5 µS each.
    #[test]
    fn tolerance_of_a_settled_measurement_is_that_of_its_dividers() {
        let stays = stays(1e-9, 1e-9, 0.1e-6, 30.0);
        let fit = fit(&stays, &BRIDGE).expect("tells");
        assert!(
            fit.tolerance_s < 2.5e-9 && fit.tolerance_s > 0.7e-9,
            "{fit:?}"
        );
    }
}
