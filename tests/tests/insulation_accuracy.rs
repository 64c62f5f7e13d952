//! How well insulation is measured: the board's sequence on an exact circuit with everything that disturbs
//! (`ohmward_tests::rig`), and that its own word on its uncertainty is true.
//!
//! Bounds: ±5 % + 1 kΩ from 1 kΩ to 2 MΩ, 10 s at 1 µF and 60 s at 10 µF are this project's aims. The standard for insulation
//! monitors asks ±15 % and 100 s at 1 µF (IEC 61557-8, from memory).

use ohmward_core::insulation::Pace;
use ohmward_proto::measure::{Background, FaultPlace, NotMeasured, PoleLeakage, WhyNoPlace};
use ohmward_proto::settings::{Bridge, Calibration};
use ohmward_proto::units::Siemens;
use ohmward_tests::rig::{Arrival, Draw, Outcome, Rig, Sine};

const BRIDGE: Bridge = Calibration::REFERENCE.bridge;

fn r_of(leakage: &PoleLeakage) -> f64 {
    1.0 / (f64::from(leakage.g_pos.0) + f64::from(leakage.g_neg.0))
}

fn measured(rig: &Rig) -> (PoleLeakage, f64) {
    let Outcome { result, took_s } = rig.measure();
    (
        result.unwrap_or_else(|why| panic!("{why:?} after {took_s} s: {rig:?}")),
        took_s,
    )
}

/// R × C × imbalance and place × array voltage × irradiance ramp.
#[test]
fn within_five_percent_and_a_kiloohm_in_time() {
    let mut worst = (0.0_f64, String::new());
    for (c, within_s) in [(0.05e-6, 10.0), (1e-6, 10.0), (10e-6, 60.0), (20e-6, 60.0)] {
        for volts in [200.0, 1000.0] {
            for r in [1e3, 10e3, 30e3, 100e3, 500e3, 2e6] {
                for (x, ramp_part, c_at_pos) in
                    [(0.5, 0.0, 0.5), (0.95, 0.001, 0.6), (0.0, -0.001, 0.35)]
                {
                    let mut rig = Rig::new(r, c).at(x);
                    rig.volts = volts;
                    rig.ramp_v_s = ramp_part * volts;
                    rig.c_at_pos = c_at_pos;
                    let (leakage, took_s) = measured(&rig);
                    let error = (r_of(&leakage) - r).abs() / (0.05 * r + 1e3);
                    assert!(error < 1.0, "{r} Ω read as {:.0}: {rig:?}", r_of(&leakage));
                    assert!(took_s < within_s, "{took_s} s: {rig:?}");
                    if error > worst.0 {
                        worst = (error, format!("{r} Ω, {c} F, {volts} V, x {x}"));
                    }
                }
            }
        }
    }
    println!("worst: {:.0} % of the band, {}", worst.0 * 100.0, worst.1);
}

/// What the reference front end cannot: 10 MΩ to 5 % within a minute at 20 µF and 200 V, and it knows.
#[test]
fn where_physics_forbids_the_uncertainty_says_so() {
    for (c, volts) in [(1e-6, 200.0), (20e-6, 1000.0), (20e-6, 200.0)] {
        let mut rig = Rig::new(10e6, c);
        rig.volts = volts;
        let (leakage, took_s) = measured(&rig);
        let g = f64::from(leakage.g_total().0);
        let sigma = f64::from(leakage.g_sigma.0);
        println!(
            "{c} F, {volts} V: {:.2} MΩ ± {:.1} %, {took_s:.1} s",
            1e-6 / g,
            sigma / g * 100.0
        );
        assert!((g - 0.1e-6).abs() < 3.0 * sigma && took_s < 60.0);
        assert!(sigma / g > 0.01, "{sigma} of {g}");
    }
}

/// Everything at once, drawn at random: tolerances of bridge and channels, noise, hum beside its nominal frequency, ramps,
/// unequal capacitances, and wander of the poles by up to `wander_v` at 1 to 8 Hz, twice.
fn draw(seed: u64, wander_v: f64, pace: Pace) -> (Rig, f64) {
    let mut d = Draw::new(seed);
    let r = d.decades(300.0, 10e6);
    let mut rig = Rig::new(r, d.decades(0.02e-6, 20e-6)).at(d.uniform());
    rig.volts = d.decades(35.0, 1000.0);
    rig.pace = pace;
    rig.seed = seed;
    for part in &mut rig.bridge {
        *part = 1.0 + 1e-3 * d.normal();
    }
    for gain in &mut rig.gain {
        *gain = 1.0 + 2e-4 * d.normal();
    }
    rig.noise_v = if d.uniform() < 0.3 { 0.0 } else { 0.1 };
    rig.c_at_pos = (0.5 + 0.15 * d.normal()).clamp(0.1, 0.9);
    rig.ramp_v_s = rig.volts * 0.003 * d.normal();
    rig.sines.push(d.sine(10.0, 49.5, 50.5));
    if wander_v > 0.0 {
        rig.sines
            .extend([d.sine(wander_v, 1.0, 8.0), d.sine(wander_v, 1.0, 8.0)]);
    }
    (rig, r)
}

/// Whether a board with this trip level would call it good, as the watch does.
fn good(leakage: &PoleLeakage, trip_ohm: f32) -> bool {
    leakage.r_iso().bound().0 >= trip_ohm && leakage.r_least().0 >= 0.8 * trip_ohm
}

/// Beyond three of its own standard deviations in fewer than one in a hundred; and never good below 0.8 × the trip level.
#[test]
fn its_word_on_its_uncertainty_is_true() {
    for (pace, name) in [
        (Pace::Full, "full"),
        (Pace::Short { stay_max: 2400 }, "short"),
    ] {
        for wander_v in [0.0, 1.0, 5.0] {
            let (mut all, mut beyond, mut why) = (0, 0, [0; 4]);
            for seed in 0..100 {
                let (rig, r) = draw(seed, wander_v, pace);
                match rig.measure().result {
                    Ok(leakage) => {
                        let g = 1.0 / r_of(&leakage);
                        all += 1;
                        beyond +=
                            u32::from((g - 1.0 / r).abs() > 3.0 * f64::from(leakage.g_sigma.0));
                        for trip in [1e3_f32, 30e3, 1e6] {
                            assert!(
                                r >= 0.8 * f64::from(trip) || !good(&leakage, trip),
                                "{r:.0} Ω is good for {trip} Ω as {:.0}: {rig:?}",
                                1.0 / g
                            );
                        }
                    }
                    Err(NotMeasured::NotSettled) => why[0] += 1,
                    Err(NotMeasured::ArrayMoved) => why[1] += 1,
                    Err(NotMeasured::FaultMoved) => why[2] += 1,
                    Err(NotMeasured::BridgeUnmoved) => why[3] += 1,
                    Err(other) => panic!("{other:?}: {rig:?}"),
                }
            }
            println!(
                "{name}, wander {wander_v} V: {all} measured, {beyond} beyond 3 sigma; not settled {}, array moved {}, \
                 fault moved {}, unmoved {}",
                why[0], why[1], why[2], why[3]
            );
            // One in a hundred of few is none or one.
            assert!(beyond * 100 <= all.max(100), "{beyond} of {all}");
        }
    }
}

/// The weak spot of least squares: 15 kΩ read as 16.7 kΩ, 1.3 % sure of it. 3 V at 3 Hz, 200 V.
#[test]
fn wander_of_the_poles_does_not_read_as_good_insulation() {
    for r in [5e3, 15e3, 24e3] {
        for (c, hz) in [(0.05e-6, 3.0), (1e-6, 3.0), (1e-6, 1.3), (10e-6, 3.0)] {
            let mut rig = Rig::new(r, c).at(0.9);
            rig.sines.push(Sine {
                volts: 3.0,
                hz,
                phase: 1.0,
            });
            if let Ok(leakage) = rig.measure().result {
                let part = r_of(&leakage) / r - 1.0;
                assert!(
                    part.abs() < 0.01,
                    "{r} Ω off by {:.1} %: {rig:?}",
                    part * 100.0
                );
            }
        }
    }
}

/// Dawn: 35 to 60 V, two volts of wander and two of hum at 49.6 Hz. Refused or right.
#[test]
fn dawn() {
    let mut read = 0;
    for volts in [35.0, 45.0, 60.0] {
        for r in [2e3, 20e3, 200e3, 2e6] {
            let mut rig = Rig::new(r, 1e-6).at(0.8);
            rig.volts = volts;
            rig.ramp_v_s = 0.02;
            rig.sines = vec![
                Sine {
                    volts: 2.0,
                    hz: 49.6,
                    phase: 0.3,
                },
                Sine {
                    volts: 2.0,
                    hz: 4.3,
                    phase: 2.0,
                },
            ];
            if let Ok(leakage) = rig.measure().result {
                read += 1;
                let off = (r_of(&leakage) - r).abs();
                assert!(
                    off < 0.05 * r + 1e3,
                    "{r} Ω read as {:.0}: {rig:?}",
                    r_of(&leakage)
                );
            }
        }
    }
    assert!(read >= 9, "{read} of 12");
}

/// A switched resistor that is not what calibration says. Either the check says so, or what is read is no more than 1.7
/// times too good and never good below 0.8 × the trip level.
#[test]
fn a_wrong_bridge_resistor_is_told() {
    let mut told = [0; 5];
    let factors = [0.0, 0.5, 0.8, 1.2, 2.0];
    for (factor, told) in factors.into_iter().zip(&mut told) {
        for switch in [2, 3] {
            for (r, x) in [
                (20e3, 1.0),
                (20e3, 0.3),
                (300e3, 0.5),
                (2e6, 0.5),
                (2e6, 0.05),
            ] {
                for volts in [45.0, 400.0] {
                    let mut rig = Rig::new(r, 1e-6).at(x);
                    rig.volts = volts;
                    rig.bridge[switch] = factor;
                    match rig.measure().result {
                        Err(NotMeasured::BridgeWrong) => *told += 1,
                        // What it does to a very good array looks like a pole that leaks less than nothing.
                        Err(
                            NotMeasured::FaultMoved
                            | NotMeasured::BridgeUnmoved
                            | NotMeasured::NotSettled,
                        ) => {}
                        Err(other) => panic!("{other:?}: {rig:?}"),
                        Ok(leakage) => assert!(
                            r > 24e3 || !good(&leakage, 30e3),
                            "{r} Ω read as {:.0}: {rig:?}",
                            r_of(&leakage)
                        ),
                    }
                }
            }
        }
    }
    println!("told of 20, at 0, 0.5, 0.8, 1.2, 2 times: {told:?}");
    assert!(told.iter().all(|n| *n >= 12), "{told:?}");
    // And a sound bridge, each resistor up to half a percent off, never.
    for seed in 0..25 {
        let (mut rig, _) = draw(seed, 0.0, Pace::Full);
        rig.bridge[3] *= 1.005;
        assert_ne!(
            rig.measure().result,
            Err(NotMeasured::BridgeWrong),
            "{rig:?}"
        );
    }
}

/// A fault of 15 kΩ that arrives at any time: in the very last moments no measurement can see it. How many milliseconds that
/// is, and that before them it is never called good. A fault at the very place that the last state holds at earth
/// voltage (the middle of a balanced array at rest) carries no current in that state and moves nothing: it is seen only if it
/// came before that state.
#[test]
fn a_fault_that_arrives_late_is_seen_up_to_the_last_window() {
    for (c, pace) in [
        (0.05e-6, Pace::Full),
        (10e-6, Pace::Full),
        (1e-6, Pace::Short { stay_max: 2400 }),
    ] {
        for x in [0.0, 0.3, 0.5, 1.0] {
            let mut rig = Rig::new(5e6, c);
            rig.pace = pace;
            let took_s = rig.measure().took_s;
            let mut blind_ms = 0.0_f64;
            for ms in (0..300)
                .step_by(5)
                .chain((300..6000).step_by(250))
                .map(f64::from)
            {
                let before_end_s = ms * 1e-3;
                if before_end_s > took_s {
                    break;
                }
                rig.arrival = Some(Arrival::once(
                    took_s - before_end_s,
                    x / 15e3,
                    (1.0 - x) / 15e3,
                ));
                if let Ok(leakage) = rig.measure().result
                    && good(&leakage, 30e3)
                {
                    blind_ms = blind_ms.max(ms);
                }
            }
            println!("{pace:?}, {c} F, x {x}: unseen in the last {blind_ms} ms");
            let balanced = pace == Pace::Full && (x - 0.5).abs() < 0.01;
            // What has been seen is weighed for up to 50 ms, a piece a sample; nothing is looked at meanwhile.
            let bound_ms = if balanced {
                took_s * 1e3 / 4.0
            } else {
                20.0 + 50.0
            };
            assert!(
                blind_ms <= bound_ms,
                "{c} F, x {x}: unseen {blind_ms} ms before the end"
            );
        }
    }
}

fn background(rig: &Rig) -> Background {
    let (healthy, _) = measured(rig);
    Background {
        g_pos: healthy.g_pos,
        g_neg: healthy.g_neg,
        spread: Siemens(0.02 * healthy.g_total().0),
    }
}

/// Ten modules, leakage of 2.5 MΩ spread evenly, faults up to 200 kΩ: within a third of a module. What the poles alone show
/// is more than that off, and says so here.
#[test]
fn a_fault_is_placed_within_a_third_of_a_module() {
    let mut rig = Rig::new(2.5e6, 1e-6);
    rig.volts = 400.0;
    let known = background(&rig);
    let (mut worst, mut worst_raw) = (0.0_f32, 0.0_f32);
    for ohm in [2e3, 20e3, 100e3, 200e3] {
        for tap in 0..=10u8 {
            let x = f64::from(tap) / 10.0;
            let mut rig = rig.clone();
            rig.g_pos += x / ohm;
            rig.g_neg += (1.0 - x) / ohm;
            rig.seed = u64::from(tap) + 7;
            for (part, tolerance) in rig.bridge.iter_mut().zip([1.001, 0.999, 0.999, 1.001]) {
                *part = tolerance;
            }
            let (leakage, _) = measured(&rig);
            let FaultPlace::At { fraction, sigma } =
                FaultPlace::of(&leakage, Some(&known), &BRIDGE)
            else {
                panic!("no place: {rig:?}");
            };
            let modules = (fraction - x as f32).abs() * 10.0;
            assert!(
                modules < 1.0 / 3.0,
                "{ohm} Ω at {tap}: off by {modules} modules"
            );
            assert!(
                modules < 30.0 * sigma + 0.01,
                "{ohm} Ω at {tap}: {modules} modules, σ {sigma}"
            );
            worst = worst.max(modules);
            // At rest, from the pole voltages: −v₋/V = (g₊ + g_m)/(g₊ + g₋ + 2·g_m).
            let raw = (rig.g_pos + 0.5e-6) / (rig.g_pos + rig.g_neg + 1e-6);
            worst_raw = worst_raw.max((raw - x).abs() as f32 * 10.0);
        }
    }
    println!("worst: {worst:.2} modules of ten; pole voltages alone: {worst_raw:.1}");
    assert!(worst_raw > 1.0);
    // Above: 500 kΩ at an end, where the raw ratio is two modules off.
    let raw = (2e-6 + 0.2e-6 + 0.5e-6) / (2e-6 + 0.4e-6 + 1e-6);
    assert!((1.0_f64 - raw) * 10.0 > 2.0);
}

#[test]
fn a_place_that_cannot_be_told_says_why() {
    let rig = Rig::new(2.5e6, 1e-6);
    let known = background(&rig);
    let (healthy, _) = measured(&rig);
    let none = |why| FaultPlace::CannotTell(why);
    assert_eq!(
        FaultPlace::of(&healthy, None, &BRIDGE),
        none(WhyNoPlace::NoBackground)
    );
    assert_eq!(
        FaultPlace::of(&healthy, Some(&known), &BRIDGE),
        none(WhyNoPlace::Faint)
    );
    let mut changed = healthy;
    changed.g_pos.0 += 5e-6;
    changed.g_neg.0 -= 1e-6;
    assert_eq!(
        FaultPlace::of(&changed, Some(&known), &BRIDGE),
        none(WhyNoPlace::NotOnePlace)
    );
}
