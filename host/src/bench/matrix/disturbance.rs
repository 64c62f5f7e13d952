//! What is healthy, or over before it could hurt: no trip. And that none of it covers a fault.

use super::source::{
    CONTINUOUS, CONTINUOUS_SOURCE, HOLD_SOURCE, SUDDEN, SUDDEN_SOURCE, SURGE_SOURCE,
};
use super::{ma, sign_word, spread, word};
use crate::bench::case::{Begin, Case, Expect, Limit, What};
use crate::bench::waveform::{Part, Ripple, Shape, Waveform};

/// What may be left of ripple behind the filter, where it folds to a few hertz, peak. Twice this, the most by which it can stand
/// against a change of 30 mA, leaves more than the three quarters that pick up.
const FOLDED_PEAK_A: f64 = 0.003_5;
/// A converter's ripple of this peak in the bond, before the filter, must not trip.
const RIPPLE_PEAK_A: f64 = 2.0;

pub fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    surges(&mut cases);
    faults_in_surges(&mut cases);
    arcs(&mut cases);
    inrush(&mut cases);
    ripple(&mut cases);
    wander(&mut cases);
    drift(&mut cases);
    noise(&mut cases);
    cases
}

fn stroke(at_s: f64, peak_a: f64) -> Part {
    Part::Stroke { at_s, peak_a }
}

fn step_at(from_s: f64, shape: Shape, rms_a: f64) -> Part {
    Part::Step {
        from_s,
        to_s: None,
        shape,
        rms_a,
    }
}

/// Flashes: when and how large, and their name.
fn flashes() -> Vec<(&'static str, Vec<Part>)> {
    let several = |n: u32, every_s: f64, peak_a: f64| {
        (0..n)
            .map(|k| stroke(0.002 + f64::from(k) * every_s, peak_a))
            .collect::<Vec<_>>()
    };
    vec![
        ("60a", several(1, 0.0, 60.0)),
        ("1ka", several(1, 0.0, 1e3)),
        ("5ka", several(1, 0.0, 5e3)),
        ("20ka", several(1, 0.0, 20e3)),
        ("3x3ka", several(3, 0.07, 3e3)),
        ("20x1ka", several(20, 0.05, 1e3)),
        ("5x60a-close", several(5, 0.012, 60.0)),
    ]
}

fn surges(cases: &mut Vec<Case>) {
    for (name, parts) in flashes() {
        for sign in [1.0, -1.0] {
            for (standing_a, hz) in [(0.0, 50.0), (0.2, 50.0), (0.2, 60.0)] {
                let mut waveform = Waveform::quiet(hz);
                waveform.standing_ac_a = standing_a;
                waveform.onset_cycles = spread(cases.len());
                waveform.parts = signed(&parts, sign);
                let name = format!(
                    "surge/{name}-{}-on-{}-{hz}hz",
                    sign_word(sign),
                    ma(standing_a)
                );
                let mut case = Case::residual("surges", name, waveform, Expect::no_trip())
                    .by(Limit::None, SURGE_SOURCE);
                case.watch_s = 3.0;
                cases.push(case);
            }
        }
    }
    // Seen, and told.
    let waveform = Waveform::quiet(50.0).with(stroke(0.002, 1e3));
    let expect = Expect::happens(What::Surge, 0.1, 0.05).never(&[What::Trip]);
    cases.push(
        Case::residual("surge counted", "surge/counted".into(), waveform, expect)
            .by(Limit::None, SURGE_SOURCE),
    );
}

fn signed(parts: &[Part], sign: f64) -> Vec<Part> {
    parts
        .iter()
        .map(|part| match *part {
            Part::Stroke { at_s, peak_a } => stroke(at_s, peak_a * sign),
            other => other,
        })
        .collect()
}

/// A fault that begins before, in and after a stroke has the same time as any.
fn faults_in_surges(cases: &mut Vec<Case>) {
    for (flash, parts) in flashes() {
        for level in &SUDDEN {
            for (kind, shape) in [
                Shape::Dc,
                Shape::Ac { lead_cycles: 0.2 },
                Shape::HalfWave { lead_cycles: 0.6 },
            ]
            .into_iter()
            .enumerate()
            {
                let n = cases.len();
                // From 0.5 ms before the first stroke to just after it, in turn.
                let from_s = [0.001_5, 0.002, 0.002_3, 0.003][(n + kind) % 4];
                let sign = if n.is_multiple_of(2) { 1.0 } else { -1.0 };
                let mut waveform = Waveform::quiet(if n.is_multiple_of(3) { 60.0 } else { 50.0 });
                waveform.onset_cycles = spread(n);
                waveform.parts = signed(&parts, sign);
                waveform.parts.push(step_at(from_s, shape, level.a));
                let name = format!("surge-and-fault/{flash}-{}ma-{}", level.ma, word(shape));
                let mut case = Case::residual(
                    "fault begins in a surge",
                    name,
                    waveform,
                    Expect::trip(level.latest_s),
                )
                .by(Limit::Current { a: level.a }, SUDDEN_SOURCE);
                case.fault_at_s = from_s;
                cases.push(case);
            }
        }
        let mut waveform = Waveform::quiet(50.0);
        waveform.parts.clone_from(&parts);
        waveform
            .parts
            .push(step_at(0.002, Shape::Dc, CONTINUOUS.0 * 1.1));
        let mut case = Case::residual(
            "continuous fault in a surge",
            format!("surge-and-fault/{flash}-330ma-continuous"),
            waveform,
            Expect::trip(CONTINUOUS.1),
        )
        .set(|s| s.current.sudden.enabled = false)
        .by(Limit::Current { a: CONTINUOUS.0 }, CONTINUOUS_SOURCE);
        case.fault_at_s = 0.002;
        cases.push(case);
    }
}

/// A current that makes and breaks has an RMS of its own; what burns again and again is no surge.
fn arcs(cases: &mut Vec<Case>) {
    for (name, on_s, off_s, rms_a, shape) in [
        ("20ms-of-40ms-300ma", 0.020, 0.020, 0.3, Shape::Dc),
        ("5ms-of-10ms-300ma", 0.005, 0.005, 0.3, Shape::Dc),
        ("80ms-of-105ms-900ma", 0.080, 0.025, 0.9, Shape::Dc),
        ("1ms-of-4ms-8a", 0.001, 0.003, 8.0, Shape::Dc),
        (
            "half-waves-1a",
            0.010,
            0.010,
            1.0,
            Shape::HalfWave { lead_cycles: 0.0 },
        ),
        (
            "3-cycles-of-4-500ma",
            0.060,
            0.020,
            0.5,
            Shape::Ac { lead_cycles: 0.0 },
        ),
    ] {
        for sudden in [true, false] {
            let waveform = Waveform::quiet(50.0).with(Part::Arc {
                from_s: 0.0,
                to_s: None,
                on_s,
                off_s,
                shape,
                rms_a,
            });
            // Above the continuous limit only where its own RMS is.
            let over_a = rms_a * (on_s / (on_s + off_s)).sqrt();
            if !sudden && over_a < CONTINUOUS.0 * 1.1 {
                continue;
            }
            let name = format!(
                "arc/{name}-{}",
                if sudden {
                    "all-limits"
                } else {
                    "continuous-alone"
                }
            );
            cases.push(
                Case::residual("arcing fault", name, waveform, Expect::trip(CONTINUOUS.1))
                    .set(|s| s.current.sudden.enabled = sudden)
                    .by(Limit::Current { a: CONTINUOUS.0 }, CONTINUOUS_SOURCE),
            );
        }
    }
}

/// Currents of connecting, of the morning and of passing clouds.
fn inrush(cases: &mut Vec<Case>) {
    for (name, peak_a, tau_s, ring_hz) in [
        ("2a-1ms", 2.0, 0.001, 0.0),
        ("5a-5ms-400hz", 5.0, 0.005, 400.0),
        ("20a-2ms", 20.0, 0.002, 0.0),
        ("20a-4ms-150hz", 20.0, 0.004, 150.0),
    ] {
        let mut waveform = Waveform::quiet(50.0);
        waveform.at_closing = Some(Part::Inrush {
            from_s: 0.0,
            peak_a,
            tau_s,
            ring_hz,
        });
        let mut case = Case::residual(
            "contactor closes on an inrush",
            format!("inrush/{name}"),
            waveform,
            Expect::no_trip(),
        )
        .by(Limit::None, HOLD_SOURCE);
        case.begin = Begin::FirstLight;
        case.watch_s = 12.0;
        cases.push(case);
    }
    for hz in [47.0, 49.5, 50.0, 59.6, 60.0] {
        for rms_a in [0.05, 0.25] {
            let mut waveform = Waveform::quiet(hz);
            waveform.from_closing = true;
            waveform.standing_ac_a = rms_a;
            let name = format!("connecting/{}-capacitive-{hz}hz", ma(rms_a));
            let mut case = Case::residual(
                "capacitive leakage comes with connecting",
                name,
                waveform,
                Expect::no_trip(),
            )
            .by(Limit::Current { a: CONTINUOUS.0 }, HOLD_SOURCE);
            case.begin = Begin::FirstLight;
            case.watch_s = 8.0;
            cases.push(case);
        }
    }
    for over_s in [1.0, 5.0, 30.0] {
        for hz in [49.8, 60.0] {
            let shape = Shape::Ac { lead_cycles: 0.0 };
            let waveform = Waveform::quiet(hz)
                .with(Part::Ramp {
                    from_s: 0.0,
                    over_s,
                    shape,
                    rms_a: 0.25,
                })
                .with(Part::Ramp {
                    from_s: 0.0,
                    over_s,
                    shape: Shape::Dc,
                    rms_a: 0.02,
                });
            let name = format!("morning/250ma-capacitive-within-{over_s}s-{hz}hz");
            let mut case = Case::residual("sunrise and clouds", name, waveform, Expect::no_trip())
                .by(Limit::Current { a: CONTINUOUS.0 }, HOLD_SOURCE);
            case.watch_s = over_s + 3.0;
            cases.push(case);
        }
    }
}

/// Peak of the ripple at which the filter just keeps its demand (hardware-notes): 3.5 mA of what is folded down, 1 mA of what then
/// looks like mains of another frequency. A second-order
/// filter lets (1 kHz / f)² through far above its corner.
fn ripple_allowed_a(hz: f64) -> f64 {
    let folded_hz = (hz % 4000.0).min(4000.0 - hz % 4000.0);
    let beside_mains = (40.0..70.0).contains(&folded_hz);
    let folded_a = if beside_mains { 0.001 } else { FOLDED_PEAK_A };
    folded_a * (hz / 1000.0).powi(2)
}

/// Ripple that folds to 3 Hz, 1 Hz, and beside the mains: 2 A of it do not trip, and as much as the filter's demand allows
/// does not cover a fault.
fn ripple(cases: &mut Vec<Case>) {
    for hz in [16_003.0, 15_999.0, 16_050.3, 20_001.0, 12_003.0, 17_340.0] {
        for mains_hz in [50.0, 60.0] {
            let mut waveform = Waveform::quiet(mains_hz);
            waveform.standing_ac_a = 0.05;
            waveform.ripple = Some(Ripple {
                hz,
                peak_a: RIPPLE_PEAK_A,
            });
            let mut case = Case::residual(
                "switching ripple, 2 A peak",
                format!("ripple/{hz}hz-at-{mains_hz}hz"),
                waveform.clone(),
                Expect::no_trip(),
            )
            .by(Limit::Current { a: SUDDEN[0].a }, HOLD_SOURCE);
            case.watch_s = 5.0;
            cases.push(case);
            for level in &SUDDEN {
                for shape in [Shape::Dc, Shape::Ac { lead_cycles: 0.25 }] {
                    let mut waveform = waveform.clone().with(step_at(0.0, shape, level.a));
                    waveform.ripple = Some(Ripple {
                        hz,
                        peak_a: ripple_allowed_a(hz),
                    });
                    waveform.onset_cycles = spread(cases.len());
                    let name = format!(
                        "ripple/{hz}hz-at-{mains_hz}hz-{}ma-{}",
                        level.ma,
                        word(shape)
                    );
                    cases.push(
                        Case::residual(
                            "fault under ripple",
                            name,
                            waveform,
                            Expect::trip(level.latest_s),
                        )
                        .by(Limit::Current { a: level.a }, SUDDEN_SOURCE),
                    );
                }
            }
        }
    }
}

/// Mains that wander by ±0.2 Hz within seconds, under 300 mA of capacitive current; and a fault meanwhile.
fn wander(cases: &mut Vec<Case>) {
    for mains_hz in [50.0, 60.0] {
        for every_s in [4.0, 10.0] {
            let mut waveform = Waveform::quiet(mains_hz);
            waveform.standing_ac_a = 0.3;
            waveform.harmonics = [0.01, 0.05, 0.0, 0.03];
            waveform.wander_hz = 0.2;
            waveform.wander_every_s = every_s;
            let without_continuous = |case: Case| case.set(|s| s.current.continuous.above.0 = 2.0);
            let name = format!("wander/{mains_hz}hz-within-{every_s}s");
            let mut case = without_continuous(Case::residual(
                "wandering mains",
                name.clone(),
                waveform.clone(),
                Expect::no_trip(),
            ))
            .by(Limit::Current { a: SUDDEN[0].a }, HOLD_SOURCE);
            case.watch_s = 20.0;
            cases.push(case);
            for level in &SUDDEN {
                let mut waveform =
                    waveform
                        .clone()
                        .with(step_at(0.7, Shape::Ac { lead_cycles: 0.25 }, level.a));
                waveform.onset_cycles = spread(cases.len());
                let mut case = without_continuous(Case::residual(
                    "fault under wandering mains",
                    format!("{name}-{}ma", level.ma),
                    waveform,
                    Expect::trip(level.latest_s),
                ))
                .by(Limit::Current { a: level.a }, SUDDEN_SOURCE);
                case.fault_at_s = 0.7;
                case.watch_s += 0.7;
                cases.push(case);
            }
        }
    }
}

/// The front end's offset runs away slowly.
fn drift(cases: &mut Vec<Case>) {
    for drift_a_per_s in [0.002, -0.002] {
        let mut waveform = Waveform::quiet(50.0);
        waveform.drift_a_per_s = drift_a_per_s;
        let name = format!("drift/{}-2ma-per-s", sign_word(drift_a_per_s));
        let mut case = Case::residual(
            "drift of offset",
            name.clone(),
            waveform.clone(),
            Expect::no_trip(),
        )
        .by(Limit::Current { a: SUDDEN[0].a }, HOLD_SOURCE);
        case.watch_s = 30.0;
        cases.push(case);
        for level in &SUDDEN {
            // Against the drift, where it would be smallest.
            let fault = step_at(10.0, Shape::Dc, -drift_a_per_s.signum() * level.a);
            let mut case = Case::residual(
                "fault under drift",
                format!("{name}-{}ma", level.ma),
                waveform.clone().with(fault),
                Expect::trip(level.latest_s),
            )
            .by(Limit::Current { a: level.a }, SUDDEN_SOURCE);
            case.fault_at_s = 10.0;
            case.watch_s += 10.0;
            cases.push(case);
        }
    }
}

/// A noisy stretch: hum, harmonics, 1/f.
fn noise(cases: &mut Vec<Case>) {
    for mains_hz in [50.0, 60.0] {
        let mut waveform = Waveform::quiet(mains_hz);
        waveform.standing_ac_a = 0.1;
        waveform.harmonics = [0.05, 0.2, 0.05, 0.1];
        waveform.noise_a = 0.002;
        waveform.pink_noise_a = 0.002;
        let mut case = Case::residual(
            "noisy stretch",
            format!("noise/hum-and-pink-{mains_hz}hz"),
            waveform,
            Expect::no_trip(),
        )
        .by(Limit::Current { a: SUDDEN[0].a }, HOLD_SOURCE);
        case.watch_s = 30.0;
        cases.push(case);
    }
}
