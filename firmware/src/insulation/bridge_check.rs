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

use super::algebra::{Three, dot, inverse, root};
use super::stay::{BridgeState, Outlier, Row, Scatter, Stay, Sums};
use ohmward_proto::settings::Bridge;

/// The two may differ by this part, their uncertainties aside: below it the reading of R is off by no more.
const APART_PART: f64 = 0.1;
/// The uncertainty has to be below this part before agreement means anything.
const CLEAR_PART: f64 = 0.3;
/// No more than this factor is guarded against when nothing was told: a resistor of half its value, and a little.
const FACTOR_MAX: f64 = 2.2;
/// Rows that are unexplained by more than this part of the array voltage: not the bridge's doing.
const RESTLESS_PART: f64 = 0.02;
/// Or by this many times the scatter of the others and as much again.
const STANDS_OUT: f64 = 5.0;
/// Gain and quantisation of the pole channels, in volts at the level of a stay (error budget, see `fit`).
const LEVEL_V: f64 = 0.02;

/// What the bridge says of itself. `unseen`: standard deviation of the leakage, as a part of it, that covers (three times
/// over) a resistor whose error the check could not have seen.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum BridgeCheck {
    /// Both switched resistors give the same scale.
    Agrees {
        /// See above.
        unseen: f64,
    },
    /// They do not: one of them is not what calibration says.
    Disagrees,
    /// The poles moved too little, or wandered too much, to tell.
    Unclear {
        /// See above.
        unseen: f64,
    },
}

/// Compares the switched resistors with each other; `stays` hold at least one in each of the three states.
pub fn check(stays: &[Stay], bridge: &Bridge) -> BridgeCheck {
    let pos = scale(stays, BridgeState::A, f64::from(bridge.g_switched_pos.0));
    let neg = scale(stays, BridgeState::B, f64::from(bridge.g_switched_neg.0));
    let (Some(pos), Some(neg)) = (pos, neg) else {
        return BridgeCheck::Unclear {
            unseen: unseen(1.0),
        };
    };
    let unsure = 3.0 * root(pos.sigma * pos.sigma + neg.sigma * neg.sigma);
    let larger = pos.value.abs().max(neg.value.abs());
    let apart = (pos.value - neg.value).abs() > unsure + APART_PART * larger;
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
fn unseen(unsure_part: f64) -> f64 {
    let allowed = 1.0 - APART_PART;
    let left = (allowed - unsure_part).max(1.0 / FACTOR_MAX);
    (1.0 / left - 1.0 / allowed) / 3.0
}

/// 1/G as one switch sees it, 1/S.
#[derive(Clone, Copy, Debug)]
struct Scale {
    value: f64,
    sigma: f64,
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

fn scale(stays: &[Stay], switch: BridgeState, g_switched: f64) -> Option<Scale> {
    let (mut switched, mut at_rest, mut early) = (
        Equation::default(),
        Equation::default(),
        Equation::default(),
    );
    let used = || {
        stays
            .iter()
            .filter(|stay| stay.state == switch || stay.state == BridgeState::Rest)
    };
    for stay in used() {
        let (level, transient) = stay.sums();
        let of = |sums: &Sums| through(stay.state, sums.pos, sums.neg);
        match stay.state {
            BridgeState::Rest => at_rest.add(&level, 0.0),
            BridgeState::A | BridgeState::B => switched.add(&level, of(&level)),
        }
        early.add(&transient, of(&transient));
    }
    // Too little transient left to tell C/G by, and then to need it.
    let [_, of_c, _] = early.of;
    let array_v = (at_rest.of.first()? / at_rest.t).abs();
    if of_c.abs() <= 1e-3 * array_v {
        early = Equation {
            of: [0.0, 1.0, 0.0],
            ..Equation::default()
        };
    }
    let inverse = inverse([switched.of, at_rest.of, early.of])?;
    let known = [-switched.known, -at_rest.known, -early.known];
    let [x, c, k] = inverse.map(|row| dot(row, known));
    let [_, _, of_k] = inverse;
    let [in_switched, in_rest, in_early] = of_k;
    let mut variance = 0.0;
    let mut outlier = Outlier::default();
    for stay in used() {
        let in_level = if stay.state == BridgeState::Rest {
            in_rest
        } else {
            in_switched
        };
        let error = |row: &Row| {
            let (pos, neg) = (f64::from(row.pos_vs), f64::from(row.neg_vs));
            x * (pos - neg) + neg + c * f64::from(row.moved_v) + k * through(stay.state, pos, neg)
        };
        let mut terms = Scatter::default();
        for (row, level, transient) in stay.weighed() {
            let e = error(row);
            terms.push((in_level * level + in_early * transient) * e);
            outlier.push(e / f64::from(row.pos_vs - row.neg_vs));
        }
        variance += terms.variance(stay.seconds());
        let (level, _) = stay.sums();
        let off = LEVEL_V * in_level * level.t * (1.0 + k.abs());
        variance += off * off;
    }
    Some(Scale {
        value: k / g_switched,
        sigma: root(variance) / g_switched,
        steady: outlier.scatter() < RESTLESS_PART
            && outlier.largest() < STANDS_OUT * outlier.scatter() + RESTLESS_PART,
    })
}
