//! The measuring bridge from known resistors between a pole and earth.
//!
//! Voltages alone tell ratios of conductances; the known resistor gives them their size. What the board made of its insulation
//! is turned back into the two ratios v₊/(−v₋) it saw, with the bridge in force, and these are read again by the new
//! scales of the poles:
//!
//! ```text
//!   state A   a·(G₊ + P + S₊) = G₋ + P            G: known, P: divider at each pole,
//!   state B   b·(G₊ + P)      = G₋ + P + S₋       S₊, S₋: switched resistors
//! ```
//!
//! Linear in P, S₊, S₋: a resistor at each pole gives four equations for three unknowns.

use super::line::{Uncertain, coverage};
use super::points::{At, Known, Point};
use super::seen::{InsulationSeen, Seen};
use super::{Finding, Limits, is_beyond};
use faer::Mat;
use faer::prelude::*;
use ohmward_proto::settings::{Bridge, Calibration, Scale};
use ohmward_proto::units::Siemens;

/// Each resistor of the bridge may be this far off the design.
const OFF_MAX: f64 = 0.05;
/// Without new scales of the poles, one standard deviation each: gain of one against the other as the firmware's own budget
/// has it, and a level, V (hardware-notes, "How well insulation is measured").
const GAIN_PART: f64 = 2e-4;
const LEVEL_V: f64 = 0.02;
/// Residuals beyond so many standard uncertainties are no noise.
const FAR: f64 = 5.0;

/// How sure a pole channel is, the reference's own error left out: it is in both poles and leaves their ratio alone.
#[derive(Clone, Copy, Debug)]
pub struct PoleSure {
    /// One standard uncertainty of its gain, as a part.
    pub gain_part: f64,
    /// Of its zero, V.
    pub zero_v: f64,
}

impl Default for PoleSure {
    fn default() -> Self {
        Self {
            gain_part: GAIN_PART,
            zero_v: LEVEL_V,
        }
    }
}

/// What became of the bridge.
#[derive(Clone, Debug)]
pub struct BridgeResult {
    /// The new values.
    pub bridge: Bridge,
    /// Divider, switched resistor at the positive, at the negative pole, S.
    pub siemens: [Uncertain; 3],
    /// The same against the design: 1 is equal.
    pub ratio: [f64; 3],
    /// Per known resistor.
    pub points: Vec<BridgePoint>,
}

/// One known resistor.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BridgePoint {
    /// Which point of the walk.
    pub index: usize,
    /// Known, Ω.
    pub known_ohm: f64,
    /// What the calibration in force makes of it, Ω.
    pub before_ohm: f64,
    /// What the new one makes of it, Ω.
    pub after_ohm: f64,
    /// Expanded uncertainty of the board's own part and of the resistor (k = 2), Ω.
    pub within_ohm: f64,
}

/// v₊/(−v₋) in states A and B behind these conductances.
pub fn ratios([g_pos, g_neg]: [f64; 2], bridge: [f64; 3]) -> [f64; 2] {
    let [permanent, s_pos, s_neg] = bridge;
    let (pos, neg) = (g_pos + permanent, g_neg + permanent);
    [neg / (pos + s_pos), (neg + s_neg) / pos]
}

/// The conductances behind these ratios; `None` where the poles did not move.
pub fn conductances([a, b]: [f64; 2], bridge: [f64; 3]) -> Option<[f64; 2]> {
    let [permanent, s_pos, s_neg] = bridge;
    let pos = (a * s_pos + s_neg) / (b - a);
    let g = [pos - permanent, a * (pos + s_pos) - permanent];
    (b > a && g.iter().all(|g| g.is_finite())).then_some(g)
}

/// As numbers: divider, positive, negative.
pub fn values(bridge: &Bridge) -> [f64; 3] {
    [
        bridge.g_permanent,
        bridge.g_switched_pos,
        bridge.g_switched_neg,
    ]
    .map(|g| f64::from(g.0))
}

/// A ratio as other scales of the poles show it, at this array voltage.
pub fn through(ratio: f64, array_v: f64, from: [Scale; 2], to: [Scale; 2]) -> f64 {
    let v_neg = -array_v / (1.0 + ratio);
    let read = |v: f64, k: usize| {
        let code = v / f64::from(from[k].per_count) + f64::from(from[k].zero);
        (code - f64::from(to[k].zero)) * f64::from(to[k].per_count)
    };
    read(v_neg + array_v, 0) / -read(v_neg, 1)
}

/// The scales of the poles.
pub fn poles(calibration: &Calibration) -> [Scale; 2] {
    [calibration.v_pos, calibration.v_neg]
}

/// Everything the bridge is reckoned from, to be moved one by one.
#[derive(Clone)]
struct Input {
    /// Known conductances at both poles, S.
    known: [f64; 2],
    /// Mean ratios as the new scales show them, their standard uncertainties, and the array voltage.
    ratios: [f64; 2],
    u: [f64; 2],
    array_v: f64,
}

fn solve(inputs: &[Input], guess: [f64; 3]) -> Option<[f64; 3]> {
    // In µS, so that no number is far from the others.
    const MICRO: f64 = 1e6;
    let [p, s_pos, _] = guess;
    let rows = 2 * inputs.len();
    let (mut m, mut y) = (Mat::<f64>::zeros(rows, 3), Mat::<f64>::zeros(rows, 1));
    for (k, input) in inputs.iter().enumerate() {
        let [a, b] = input.ratios;
        let [g_pos, g_neg] = input.known;
        // What an error of the ratio is in this equation.
        let of_a = (input.u[0] * (p + s_pos + g_pos) * MICRO).max(1e-9);
        let of_b = (input.u[1] * (p + g_pos) * MICRO).max(1e-9);
        for (row, cells, right, u) in [
            (2 * k, [a - 1.0, a, 0.0], g_neg - a * g_pos, of_a),
            (2 * k + 1, [b - 1.0, 0.0, -1.0], g_neg - b * g_pos, of_b),
        ] {
            for (column, cell) in cells.iter().enumerate() {
                m[(row, column)] = cell / u;
            }
            y[(row, 0)] = right * MICRO / u;
        }
    }
    let solved = m.qr().solve_lstsq(&y);
    let found = [0, 1, 2].map(|k| solved[(k, 0)] / MICRO);
    found.iter().all(|g| g.is_finite()).then_some(found)
}

/// Solves for the bridge. `new`: with the new scales of the poles. `None` when no resistor is known, or it cannot be told;
/// `findings` then says why.
pub fn fit(
    points: &[(Point, Seen)],
    new: &Calibration,
    sure: [PoleSure; 2],
    limits: &Limits<'_>,
    findings: &mut Vec<Finding>,
) -> Option<BridgeResult> {
    let old = values(&limits.in_force.bridge);
    let design = values(&limits.design.bridge);
    let (from, to) = (poles(limits.in_force), poles(new));
    let mut inputs = Vec::new();
    let mut about = Vec::new();
    for (index, (point, seen)) in points.iter().enumerate() {
        let (Known::Resistor { ohm, at }, Seen::Insulation(seen)) = (point.known, seen) else {
            continue;
        };
        let known = match at {
            At::Positive => [1.0 / ohm, 0.0],
            At::Negative => [0.0, 1.0 / ohm],
        };
        if seen.len() < 2 {
            findings.push(Finding::refuse(format!(
                "bridge: {} was measured {} times; two are needed to know how far one is from the next",
                point.words(),
                seen.len()
            )));
            return None;
        }
        inputs.push(input(seen, known, old, from, to));
        about.push((index, ohm, at, point));
    }
    let has = |at: At| about.iter().any(|(_, _, is, _)| *is == at);
    if about.is_empty() {
        return None;
    }
    if !(has(At::Positive) && has(At::Negative)) {
        findings.push(Finding::refuse(
            "bridge: only one pole had a known resistor; divider and switched resistors cannot be told apart by that: measure \
             it at the other pole too"
                .to_owned(),
        ));
        return None;
    }
    let found = solve(&inputs, design)?;
    let ratio = [0, 1, 2].map(|k| found[k] / design[k]);
    for (k, what) in [
        "divider",
        "positive measuring resistor",
        "negative measuring resistor",
    ]
    .iter()
    .enumerate()
    {
        if is_beyond(ratio[k] - 1.0, OFF_MAX) {
            findings.push(Finding::refuse(format!(
                "bridge: the {what} comes out {:+.1} % off its design, more than {:.0} %: a known resistor that is not what was \
                 stated, at the other pole, or something else leaks to earth",
                100.0 * (1.0 / ratio[k] - 1.0),
                100.0 * OFF_MAX
            )));
        }
    }
    let siemens = uncertainty(&inputs, found, &about, to, sure);
    let mut result = Vec::new();
    for (input, (index, ohm, _, point)) in inputs.iter().zip(&about) {
        let total = |g: [f64; 2]| 1.0 / (g[0] + g[1]);
        let before = conductances(
            input.ratios.map(|r| through(r, input.array_v, to, from)),
            old,
        )?;
        let after = conductances(input.ratios, found)?;
        // A ratio moved by its uncertainty moves the resistance by so much.
        let mut square = (point.within / 2.0).powi(2);
        for k in 0..2 {
            let mut moved = input.ratios;
            moved[k] += input.u[k];
            square += (total(conductances(moved, found)?) - total(after)).powi(2);
        }
        for (k, value) in siemens.iter().enumerate() {
            let mut bridge = found;
            bridge[k] += value.u;
            square += (total(conductances(input.ratios, bridge)?) - total(after)).powi(2);
        }
        let within = 2.0 * square.sqrt();
        let off = total(after) - ohm;
        if is_beyond(off, FAR / 2.0 * within) {
            findings.push(Finding::refuse(format!(
                "bridge: with the new values {} reads {:.0} Ω, farther off than its uncertainty of {within:.0} Ω explains: \
                 something else leaks, or a known resistor is not what was stated",
                point.words(),
                total(after)
            )));
        }
        result.push(BridgePoint {
            index: *index,
            known_ohm: *ohm,
            before_ohm: total(before),
            after_ohm: total(after),
            within_ohm: within,
        });
    }
    let of = |k: usize| Siemens(found[k] as f32);
    Some(BridgeResult {
        bridge: Bridge {
            g_permanent: of(0),
            g_switched_pos: of(1),
            g_switched_neg: of(2),
        },
        siemens,
        ratio,
        points: result,
    })
}

/// Mean ratios of several measurements, and how sure they are.
fn input(
    seen: &[InsulationSeen],
    known: [f64; 2],
    old: [f64; 3],
    from: [Scale; 2],
    to: [Scale; 2],
) -> Input {
    let n = seen.len() as f64;
    let array_v = seen.iter().map(|s| s.array_v).sum::<f64>() / n;
    let each: Vec<[f64; 2]> = seen
        .iter()
        .map(|s| {
            let g = [s.leakage.g_pos, s.leakage.g_neg].map(|g| f64::from(g.0));
            ratios(g, old).map(|r| through(r, s.array_v, from, to))
        })
        .collect();
    let mean = [0, 1].map(|k| each.iter().map(|r| r[k]).sum::<f64>() / n);
    let u = [0, 1].map(|k| {
        let scatter = each.iter().map(|r| (r[k] - mean[k]).powi(2)).sum::<f64>();
        let scatter = scatter / (n - 1.0) / n;
        // A step of the converter that noise does not cover would not scatter at all.
        let r = mean[k];
        let level = LEVEL_V * (1.0 + r).powi(2) / array_v;
        (scatter + level * level / n).sqrt()
    });
    Input {
        known,
        ratios: mean,
        u,
        array_v,
    }
}

/// Carries everything uncertain through the solution, each moved by its standard uncertainty.
fn uncertainty(
    inputs: &[Input],
    found: [f64; 3],
    about: &[(usize, f64, At, &Point)],
    to: [Scale; 2],
    sure: [PoleSure; 2],
) -> [Uncertain; 3] {
    let (mut square, mut few) = ([0.0; 3], [0.0; 3]);
    let moved = |change: &dyn Fn(usize, &mut Input)| {
        let mut inputs = inputs.to_vec();
        for (k, input) in inputs.iter_mut().enumerate() {
            change(k, input);
        }
        let moved = solve(&inputs, found).unwrap_or([f64::NAN; 3]);
        [0, 1, 2].map(|k| moved[k] - found[k])
    };
    let mut add = |by: [f64; 3], dof: Option<f64>| {
        for k in 0..3 {
            square[k] += by[k] * by[k];
            few[k] += dof.map_or(0.0, |dof| by[k].powi(4) / dof);
        }
    };
    for which in 0..inputs.len() {
        for state in 0..2 {
            let by = moved(&|k, input| {
                if k == which {
                    input.ratios[state] += input.u[state];
                }
            });
            // Three measurements or more: two degrees of freedom at least.
            add(by, Some(2.0));
        }
    }
    // Resistors of one name are one resistor: its error is the same at each point.
    let mut names: Vec<&str> = about.iter().map(|(_, _, _, p)| p.with.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    for name in names {
        let by = moved(&|k, input| {
            let (_, ohm, _, point) = about[k];
            if point.with == name {
                input.known = input.known.map(|g| g / (1.0 + point.within / 2.0 / ohm));
            }
        });
        add(by, None);
    }
    for pole in 0..2 {
        for gain in [true, false] {
            let mut other = to;
            if gain {
                other[pole].per_count *= 1.0 + sure[pole].gain_part as f32;
            } else {
                other[pole].zero += (sure[pole].zero_v / f64::from(to[pole].per_count)) as f32;
            }
            let by = moved(&|_, input| {
                let array_v = input.array_v;
                input.ratios = input.ratios.map(|r| through(r, array_v, to, other));
            });
            add(by, None);
        }
    }
    [0, 1, 2].map(|k| Uncertain {
        value: found[k],
        u: square[k].sqrt(),
        k: coverage(square[k] * square[k] / few[k].max(f64::MIN_POSITIVE)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hand calculation as in the firmware's fit: 10 and 20 µS, divider 0.5, switched 5 µS: 20.5/15.5 and 25.5/10.5.
    #[test]
    fn ratios_by_hand_and_back() {
        let bridge = [0.5e-6, 5e-6, 5e-6];
        let [a, b] = ratios([10e-6, 20e-6], bridge);
        assert!((a - 20.5 / 15.5).abs() < 1e-12 && (b - 25.5 / 10.5).abs() < 1e-12);
        let g = conductances([a, b], bridge).expect("moves");
        assert!((g[0] - 10e-6).abs() < 1e-16 && (g[1] - 20e-6).abs() < 1e-16);
        assert_eq!(conductances([1.0, 1.0], bridge), None);
    }

    /// Exact ratios of an invented bridge give it back.
    #[test]
    fn exact_ratios_give_the_bridge_back() {
        let truth = [0.508e-6, 4.93e-6, 5.11e-6];
        let inputs: Vec<Input> = [[10e-6, 0.0], [0.0, 10e-6]]
            .iter()
            .map(|known| Input {
                known: *known,
                ratios: ratios(*known, truth),
                u: [1e-4, 1e-4],
                array_v: 200.0,
            })
            .collect();
        let found = solve(&inputs, [0.5e-6, 5e-6, 5e-6]).expect("solves");
        for k in 0..3 {
            assert!((found[k] / truth[k] - 1.0).abs() < 1e-9, "{k}: {found:?}");
        }
    }
}
