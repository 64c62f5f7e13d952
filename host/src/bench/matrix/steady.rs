//! The continuous limit, and the ground-fault limit by DC rating. Sudden changes are switched off where they would be first.

use super::source::{
    CONTINUOUS, CONTINUOUS_SOURCE, CONTINUOUS_TEST_SOURCE, GROUND_FAULT, GROUND_FAULT_S,
    GROUND_FAULT_SOURCE, HOLD_SOURCE,
};
use super::{ma, sign_word, spread, word};
use crate::bench::array::Leakage;
use crate::bench::case::{Case, Expect, Limit};
use crate::bench::waveform::{Part, Shape, Waveform};
use ohmward_proto::settings::Earthing;

const SHAPES: [Shape; 3] = [
    Shape::Dc,
    Shape::Ac { lead_cycles: 0.0 },
    Shape::HalfWave { lead_cycles: 0.0 },
];

pub fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    above(&mut cases);
    the_test(&mut cases);
    creeping(&mut cases);
    below(&mut cases);
    by_rating(&mut cases);
    resistive(&mut cases);
    cases
}

fn step(shape: Shape, rms_a: f64) -> Part {
    Part::Step {
        from_s: 0.0,
        to_s: None,
        shape,
        rms_a,
    }
}

const CONTINUOUS_LIMIT: Limit = Limit::Current { a: CONTINUOUS.0 };

/// 10 % above the limit at once.
fn above(cases: &mut Vec<Case>) {
    let rms_a = CONTINUOUS.0 * 1.1;
    let mut push = |what: &str, parts: Vec<Part>, hz: f64| {
        let n = cases.len();
        let mut waveform = Waveform::quiet(hz);
        waveform.parts = parts;
        waveform.onset_cycles = spread(n);
        let name = format!("continuous/330ma-{what}-{hz}hz");
        let case = Case::residual(
            "continuous 300 mA, +10 %",
            name,
            waveform,
            Expect::trip(CONTINUOUS.1),
        );
        cases.push(
            case.set(|s| s.current.sudden.enabled = false)
                .by(CONTINUOUS_LIMIT, CONTINUOUS_SOURCE),
        );
    };
    for hz in [47.0, 50.0, 52.5, 57.0, 60.0, 63.0] {
        for shape in SHAPES {
            for sign in [1.0, -1.0] {
                let what = format!("{}-{}", word(shape), sign_word(sign));
                push(&what, vec![step(shape, sign * rms_a)], hz);
            }
        }
        // Equal parts: squares add, so each is 1/√2.
        let part_a = rms_a * std::f64::consts::FRAC_1_SQRT_2;
        let mixed = vec![
            step(Shape::Dc, part_a),
            step(Shape::Ac { lead_cycles: 0.1 }, part_a),
        ];
        push("mixed", mixed, hz);
    }
}

/// 10 mA below the level, then 20 mA more, five tries.
fn the_test(cases: &mut Vec<Case>) {
    for hz in [50.0, 60.0] {
        for (shape, name) in [(Shape::Dc, "dc"), (Shape::Ac { lead_cycles: 0.0 }, "ac")] {
            for try_ in 0..5 {
                let mut waveform = Waveform::quiet(hz).with(step(shape, 0.020));
                if shape == Shape::Dc {
                    waveform.standing_dc_a = CONTINUOUS.0 - 0.010;
                } else {
                    waveform.standing_ac_a = CONTINUOUS.0 - 0.010;
                }
                waveform.onset_cycles = f64::from(try_) / 5.0;
                let name = format!("continuous/290ma-then-20ma-{name}-{hz}hz-{try_}");
                cases.push(
                    Case::residual(
                        "continuous, 290 + 20 mA",
                        name,
                        waveform,
                        Expect::trip(CONTINUOUS.1),
                    )
                    .by(CONTINUOUS_LIMIT, CONTINUOUS_TEST_SOURCE),
                );
            }
        }
    }
}

/// A current that creeps over the limit: time counts from its crossing.
fn creeping(cases: &mut Vec<Case>) {
    for (over_s, shape) in [(20.0, SHAPES[0]), (20.0, SHAPES[1]), (60.0, SHAPES[0])] {
        for hz in [50.0, 60.0] {
            let waveform = Waveform::quiet(hz).with(Part::Ramp {
                from_s: 0.0,
                over_s,
                shape,
                rms_a: CONTINUOUS.0 * 1.1,
            });
            let name = format!("continuous/creeping-{}-{over_s}s-{hz}hz", word(shape));
            let mut case = Case::residual(
                "continuous 300 mA, creeping",
                name,
                waveform,
                Expect::trip(CONTINUOUS.1),
            )
            .by(CONTINUOUS_LIMIT, CONTINUOUS_SOURCE);
            case.fault_at_s = over_s / 1.1;
            case.watch_s = over_s + 1.0;
            cases.push(case);
        }
    }
}

/// What stays below never trips: half at once, and 95 % for long.
fn below(cases: &mut Vec<Case>) {
    for hz in [50.0, 60.0] {
        for shape in SHAPES {
            for part in [0.5, 0.95] {
                let rms_a = CONTINUOUS.0 * part;
                let waveform = Waveform::quiet(hz).with(step(shape, rms_a));
                let name = format!("continuous/{}-{}-{hz}hz", ma(rms_a), word(shape));
                let mut case = Case::residual("below 300 mA", name, waveform, Expect::no_trip())
                    .set(|s| s.current.sudden.enabled = false)
                    .by(CONTINUOUS_LIMIT, HOLD_SOURCE);
                case.watch_s = 5.0;
                cases.push(case);
            }
        }
    }
}

/// Every row of the table: 10 % above trips, 10 % below does not. Other limits out of the way.
fn by_rating(cases: &mut Vec<Case>) {
    for (rating, limit_a) in GROUND_FAULT {
        for hz in [50.0, 60.0] {
            for sign in [1.0, -1.0] {
                for part in [1.1, 0.9, 2.0] {
                    let n = cases.len();
                    let mut waveform =
                        Waveform::quiet(hz).with(step(Shape::Dc, sign * part * limit_a));
                    waveform.onset_cycles = spread(n);
                    let (group, expect) = if part > 1.0 {
                        ("ground fault by rating", Expect::trip(GROUND_FAULT_S))
                    } else {
                        ("below the ground-fault limit", Expect::no_trip())
                    };
                    let name = format!("ground-fault/{rating}-{part}x-{}-{hz}hz", sign_word(sign));
                    cases.push(
                        Case::residual(group, name, waveform, expect)
                            .set(|s| {
                                s.earthing = Earthing::NegativeBonded;
                                s.current.ground_fault.above.0 = limit_a as f32;
                                s.current.continuous.above.0 = 20.0;
                                s.current.sudden.enabled = false;
                            })
                            .by(Limit::Current { a: limit_a }, GROUND_FAULT_SOURCE),
                    );
                }
            }
        }
    }
}

/// Resistors from the ungrounded conductor to earth, 220 V, all limits as set: hard, and the least that passes 1 A.
fn resistive(cases: &mut Vec<Case>) {
    for ohm in [9.0, 50.0, 190.0] {
        for earthing in [Earthing::NegativeBonded, Earthing::PositiveBonded] {
            let name = format!(
                "ground-fault/resistor-{ohm}ohm-{}",
                if earthing == Earthing::NegativeBonded {
                    "negative-bonded"
                } else {
                    "positive-bonded"
                }
            );
            let mut case = Case::residual(
                "resistor to earth, bonded array",
                name,
                Waveform::quiet(50.0),
                Expect::trip(GROUND_FAULT_S),
            )
            .set(|s| s.earthing = earthing)
            .by(Limit::Current { a: 1.0 }, GROUND_FAULT_SOURCE);
            let g_s = 1.0 / ohm;
            case.after = match earthing {
                Earthing::PositiveBonded => Leakage {
                    g_neg_s: g_s,
                    ..Leakage::HEALTHY
                },
                _ => Leakage {
                    g_pos_s: g_s,
                    ..Leakage::HEALTHY
                },
            };
            cases.push(case);
        }
    }
}
