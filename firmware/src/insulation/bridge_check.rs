//! Whether the bridge's resistors read their own ratio.
//!
//! **What can be told.** Multiply every conductance and the capacitance by the same factor and no voltage changes: the
//! scale is not to be had from voltages, only ratios are. Three states (A, B, rest) give three levels for the three ratios
//! g₋/g₊, k₊/g₊, k₋/g₊ (k: what the switches really add; the dividers count as leakage here, they cannot be told from it).
//! So with calibration's k₊ the measurement finds the sum of all conductance G in units of k₊, with k₋ in units of k₋, and
//! the two have to agree. What cannot be told: both switched resistors off by the same factor, and dividers off (their
//! share of 1 µS reads as leakage; a divider that is off also reads a wrong voltage). The first is for a known current:
//! self-test.
//!
//! **How.** In units of G the balance reads x·(v₊ − v₋) + v₋ + (C/G)·dv/dt + (k₊/G)·v₊ [in A] + (k₋/G)·v₋ [in B] = 0, with
//! x = g₊/G. For each switch alone, its stays and the rest give x, C/G and k/G; a switch that does nothing gives k/G = 0,
//! without any division by what does not move.

use super::algebra::{Cofactors, Three, dot};
use super::stay::{BridgeState, Outlier, Row, Scatter, Stay, Sums};
use ohmward_proto::settings::Bridge;

/// The two may differ by this part, their uncertainties aside: below it the reading of R is off by no more.
const APART_PART: f32 = 0.1;
/// The uncertainty has to be below this part before agreement means anything.
const CLEAR_PART: f32 = 0.3;
/// No more than this factor is guarded against when nothing was told: a resistor of half its value, and a little.
const FACTOR_MAX: f32 = 2.2;
/// Rows that are unexplained by more than this part of the array voltage: not the bridge's doing.
const RESTLESS_PART: f32 = 0.02;
/// Or by this many times the scatter of the others and as much again.
const STANDS_OUT: f32 = 5.0;
/// Gain and quantisation of the pole channels, in volts at the level of a stay (error budget, see `fit`).
const LEVEL_V: f32 = 0.02;

/// What the bridge says of itself. `unseen`: standard deviation of the leakage, as a part of it, that covers (three times
/// over) a resistor whose error the check could not have seen.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum BridgeCheck {
    /// Both switched resistors give the same scale.
    Agrees {
        /// See above.
        unseen: f32,
    },
    /// They do not: one of them is not what calibration says.
    Disagrees,
    /// The poles moved too little, or wandered too much, to tell.
    Unclear {
        /// See above.
        unseen: f32,
    },
}

/// A check under way: the switched resistors compared with each other.
#[derive(Debug)]
pub struct Checking {
    scaling: Scaling,
    /// As the positive pole's switch sees it, once that is known.
    pos: Option<Scale>,
}

impl Checking {
    /// Begins one.
    pub fn begin() -> Self {
        Self {
            scaling: Scaling::of(BridgeState::A),
            pos: None,
        }
    }

    /// One piece of it; `stays` hold at least one in each of the three states, and are the same each time. `None`: there is
    /// more to do.
    pub fn step(&mut self, stays: &[Stay], bridge: &Bridge) -> Option<BridgeCheck> {
        let g_switched = match self.pos {
            None => bridge.g_switched_pos,
            Some(_) => bridge.g_switched_neg,
        };
        let scale = match self.scaling.step(stays, g_switched.0) {
            Scaled::NotYet => return None,
            Scaled::Nothing => {
                return Some(BridgeCheck::Unclear {
                    unseen: unseen(1.0),
                });
            }
            Scaled::Is(scale) => scale,
        };
        if let Some(pos) = self.pos {
            return Some(compare(&pos, &scale));
        }
        self.pos = Some(scale);
        self.scaling = Scaling::of(BridgeState::B);
        None
    }
}

fn compare(pos: &Scale, neg: &Scale) -> BridgeCheck {
    let unsure = 3.0 * libm::sqrtf(pos.sigma * pos.sigma + neg.sigma * neg.sigma);
    let larger = pos.value.abs().max(neg.value.abs());
    let apart = (pos.value - neg.value).abs() > unsure + APART_PART * larger;
    // A scale that is no number, or none at all, agrees with nothing.
    if !(unsure + pos.value + neg.value).is_finite() || larger <= 0.0 {
        return BridgeCheck::Unclear {
            unseen: unseen(1.0),
        };
    }
    match (apart, pos.steady && neg.steady) {
        (true, true) => BridgeCheck::Disagrees,
        // The array's doing, and what the bridge does is not seen behind it.
        (true, false) => BridgeCheck::Unclear {
            unseen: unseen(1.0),
        },
        (false, _) if unsure > CLEAR_PART * larger => BridgeCheck::Unclear {
            unseen: unseen(unsure / larger),
        },
        (false, _) => BridgeCheck::Agrees {
            unseen: unseen(unsure / larger),
        },
    }
}

/// A resistor off by the factor f moves the two scales apart by the part 1 − 1/f: unseen up to the uncertainty and what is
/// allowed. What is allowed anyway is not counted.
fn unseen(unsure_part: f32) -> f32 {
    let allowed = 1.0 - APART_PART;
    let left = (allowed - unsure_part).max(1.0 / FACTOR_MAX);
    (1.0 / left - 1.0 / allowed) / 3.0
}

/// 1/G as one switch sees it, 1/S.
#[derive(Clone, Copy, Debug)]
struct Scale {
    value: f32,
    sigma: f32,
    /// What the array did was the same all the time: each switch is fitted by itself here, so a wrong resistor leaves nothing
    /// unexplained; a fault that comes and goes does.
    steady: bool,
}

/// Sum of the balance in units of G: coefficients of (x, C/G, k/G), and what is known.
#[derive(Clone, Copy, Debug, Default)]
struct Equation {
    of: Three<f64>,
    known: f64,
    t: f64,
}

impl Equation {
    fn add(&mut self, sums: &Sums, through: f64) {
        let [x, c, k] = &mut self.of;
        *x += sums.pos - sums.neg;
        *c += sums.moved;
        *k += through;
        self.known += sums.neg;
        self.t += sums.t;
    }
}

/// Volt seconds at the pole that this state's switch loads.
fn through(state: BridgeState, pos: f64, neg: f64) -> f64 {
    match state {
        BridgeState::A => pos,
        BridgeState::B => neg,
        BridgeState::Rest => 0.0,
    }
}

/// Where a scale stands.
#[derive(Clone, Copy, Debug)]
enum Piece {
    /// Sums of this stay into the equations.
    Sums(usize),
    Cofactors,
    Spans(Cofactors),
    /// This row of the inverse.
    Solve(Cofactors, usize),
    /// This row of this stay: what it leaves unexplained.
    Row(usize, usize),
    Sigma,
}

enum Scaled {
    NotYet,
    Nothing,
    Is(Scale),
}

/// A scale under way.
#[derive(Debug)]
struct Scaling {
    switch: BridgeState,
    piece: Piece,
    /// Switched, at rest, early.
    equations: Three<Equation>,
    /// x, C/G, k/G.
    unknown: Three<f64>,
    /// What an error in each equation does to k/G.
    of_k: Three<f32>,
    terms: Scatter,
    variance: f32,
    outlier: Outlier,
}

impl Scaling {
    fn of(switch: BridgeState) -> Self {
        Self {
            switch,
            piece: Piece::Sums(0),
            equations: [Equation::default(); 3],
            unknown: [0.0; 3],
            of_k: [0.0; 3],
            terms: Scatter::default(),
            variance: 0.0,
            outlier: Outlier::default(),
        }
    }

    /// Stays in the other switch's state say nothing here.
    fn used(&self, stay: &Stay) -> bool {
        stay.state == self.switch || stay.state == BridgeState::Rest
    }

    fn step(&mut self, stays: &[Stay], g_switched: f32) -> Scaled {
        self.piece = match self.piece {
            Piece::Sums(n) => {
                if let Some(stay) = stays.get(n) {
                    self.add(stay);
                    Piece::Sums(n + 1)
                } else {
                    self.tell();
                    Piece::Cofactors
                }
            }
            Piece::Cofactors => Piece::Spans(Cofactors::of(self.equations.map(|e| e.of))),
            Piece::Spans(cofactors) if cofactors.spans() => Piece::Solve(cofactors, 0),
            Piece::Spans(_) => return Scaled::Nothing,
            Piece::Solve(cofactors, n) => {
                let row = cofactors.row(n);
                let known = self.equations.map(|e| -e.known);
                if let Some(unknown) = self.unknown.get_mut(n) {
                    *unknown = dot(row, known);
                }
                if n < 2 {
                    Piece::Solve(cofactors, n + 1)
                } else {
                    self.of_k = row.map(|x| x as f32);
                    Piece::Row(0, 0)
                }
            }
            Piece::Row(n, k) => match stays.get(n) {
                Some(stay) if !self.used(stay) => Piece::Row(n + 1, 0),
                Some(stay) if k < stay.rows.len() => {
                    self.row(stay, k);
                    Piece::Row(n, k + 1)
                }
                Some(stay) => {
                    self.stay_ends(stay);
                    Piece::Row(n + 1, 0)
                }
                None => Piece::Sigma,
            },
            Piece::Sigma => {
                let [_, _, k] = self.unknown;
                let scatter = self.outlier.scatter();
                return Scaled::Is(Scale {
                    value: k as f32 / g_switched,
                    sigma: libm::sqrtf(self.variance) / g_switched,
                    steady: scatter < RESTLESS_PART
                        && self.outlier.largest() < STANDS_OUT * scatter + RESTLESS_PART,
                });
            }
        };
        Scaled::NotYet
    }

    fn add(&mut self, stay: &Stay) {
        if !self.used(stay) {
            return;
        }
        let [switched, at_rest, early] = &mut self.equations;
        let (level, transient) = stay.sums();
        let of = |sums: &Sums| through(stay.state, sums.pos, sums.neg);
        match stay.state {
            BridgeState::Rest => at_rest.add(level, 0.0),
            BridgeState::A | BridgeState::B => switched.add(level, of(level)),
        }
        early.add(transient, of(transient));
    }

    /// Too little transient left to tell C/G by, and then to need it.
    fn tell(&mut self) {
        let [_, at_rest, early] = &mut self.equations;
        let [_, of_c, _] = early.of;
        let [of_x, _, _] = at_rest.of;
        if of_c.abs() <= 1e-3 * (of_x / at_rest.t).abs() {
            *early = Equation {
                of: [0.0, 1.0, 0.0],
                ..Equation::default()
            };
        }
    }

    fn of_level(&self, state: BridgeState) -> f32 {
        let [in_switched, in_rest, _] = self.of_k;
        match state {
            BridgeState::Rest => in_rest,
            BridgeState::A | BridgeState::B => in_switched,
        }
    }

    fn row(&mut self, stay: &Stay, n: usize) {
        let Some((row, place)) = stay.row(n) else {
            return;
        };
        let e = self.error(row, stay.state);
        let [_, _, in_early] = self.of_k;
        let term = (self.of_level(stay.state) * place.level + in_early * place.transient) * e;
        self.terms.push(term, &place);
        self.outlier.push(e / (row.pos_vs - row.neg_vs));
    }

    /// Volt seconds that the balance does not explain.
    fn error(&self, row: &Row, state: BridgeState) -> f32 {
        let (pos, neg) = (f64::from(row.pos_vs), f64::from(row.neg_vs));
        let [x, c, k] = self.unknown;
        let through = through(state, pos, neg);
        (x * (pos - neg) + neg + c * f64::from(row.moved_v) + k * through) as f32
    }

    fn stay_ends(&mut self, stay: &Stay) {
        let terms = core::mem::take(&mut self.terms);
        self.variance += terms.variance(stay.seconds());
        let (level, _) = stay.sums();
        let [_, _, k] = self.unknown;
        let off = LEVEL_V * self.of_level(stay.state) * level.t as f32 * (1.0 + (k as f32).abs());
        self.variance += off * off;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_that_is_no_number_agrees_with_nothing() {
        let scale = |value: f32, sigma: f32| Scale {
            value,
            sigma,
            steady: true,
        };
        let sound = scale(1e5, 1e2);
        assert!(matches!(
            compare(&sound, &sound),
            BridgeCheck::Agrees { .. }
        ));
        for bad in [
            scale(f32::NAN, 1e2),
            scale(f32::INFINITY, 1e2),
            scale(1e5, f32::NAN),
            scale(1e5, f32::INFINITY),
        ] {
            for (pos, neg) in [(&bad, &sound), (&sound, &bad), (&bad, &bad)] {
                let check = compare(pos, neg);
                assert!(
                    matches!(check, BridgeCheck::Unclear { .. }),
                    "{pos:?} {neg:?}: {check:?}"
                );
            }
        }
        // Switches that both do nothing read the same nothing.
        let dead = scale(0.0, 0.0);
        assert!(matches!(compare(&dead, &dead), BridgeCheck::Unclear { .. }));
    }
}
