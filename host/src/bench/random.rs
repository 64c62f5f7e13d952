//! Drawn cases: faults that must trip, disturbances that must not. A seed and a number give the same case anywhere.
//!
//! Even numbers are faults, odd ones disturbances, so that a number means the same case however many are drawn.

use super::case::{Case, Expect, Limit, Source, Trouble};
use super::matrix::source::{
    CONTINUOUS, CONTINUOUS_SOURCE, GROUND_FAULT, GROUND_FAULT_S, GROUND_FAULT_SOURCE, HOLD_SOURCE,
    SUDDEN, SUDDEN_SOURCE,
};
use super::waveform::{Part, Ripple, Shape, Waveform};
use ohmward_proto::measure::Channel;
use ohmward_proto::settings::Earthing;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, LogNormal};
use rand_pcg::Pcg64Mcg;

const SUDDEN_GROUPS: [&str; 3] = [
    "random fault, 30 mA and more",
    "random fault, 60 mA and more",
    "random fault, 150 mA and more",
];

/// Draws numbers.
struct Dice(Pcg64Mcg);

impl Dice {
    fn new(seed: u64, only: u64) -> Self {
        Self(Pcg64Mcg::seed_from_u64(
            seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ only.wrapping_mul(0xd1b5_4a32_d192_ed03),
        ))
    }

    fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Evenly over the decades.
    fn decades(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n - 1)
    }

    fn chance(&mut self, part: f64) -> bool {
        self.unit() < part
    }

    fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    fn shape(&mut self) -> Shape {
        let lead_cycles = self.unit();
        match self.below(3) {
            0 => Shape::Dc,
            1 => Shape::Ac { lead_cycles },
            _ => Shape::HalfWave { lead_cycles },
        }
    }
}

/// The case number `only` of the series `seed`.
pub fn case(seed: u64, only: u64) -> Case {
    let mut dice = Dice::new(seed, only);
    let mut case = if only.is_multiple_of(2) {
        fault(&mut dice)
    } else {
        disturbance(&mut dice)
    };
    case.name = format!("random/seed{seed}/{only}");
    case.seed = dice.0.next_u64();
    case
}

/// Mains and what stands for ever: capacitive current with harmonics, direct current, noise.
fn background(dice: &mut Dice, ac_a_max: f64, dc_a_max: f64) -> Waveform {
    let nominal_hz = if dice.chance(0.5) { 50.0 } else { 60.0 };
    let mut waveform = Waveform::quiet(nominal_hz + dice.between(-3.0, 3.0));
    waveform.onset_cycles = dice.unit();
    if dice.chance(0.7) {
        waveform.standing_ac_a = dice.decades(0.001, ac_a_max);
        waveform.harmonics = [
            dice.between(0.0, 0.05),
            dice.between(0.0, 0.2),
            dice.between(0.0, 0.05),
            dice.between(0.0, 0.1),
        ];
    }
    if dice.chance(0.5) && dc_a_max > 0.0 {
        waveform.standing_dc_a = dice.sign() * dice.decades(dc_a_max / 100.0, dc_a_max);
    }
    waveform.noise_a = dice.decades(0.000_1, 0.001_5);
    if dice.chance(0.3) {
        waveform.pink_noise_a = dice.decades(0.000_2, 0.001_5);
    }
    waveform
}

/// Up to `most` strokes from 60 A to 10 kA, all of one sign, as a flash has, beginning within `within_s`.
///
/// Time between strokes: log-normal, half of them over 33 ms (Berger 1975, memory), none under 12 ms: two strokes of 25 to 80 A
/// within ten milliseconds stay below the surge level, and together are what a pulsating current of 150 mA looks like.
fn flash(dice: &mut Dice, most: usize, within_s: f64) -> Vec<Part> {
    let (sign, peak_a) = (dice.sign(), dice.decades(60.0, 10e3));
    let between = LogNormal::new(0.033_f64.ln(), 0.943).expect("a finite spread");
    let mut at_s = dice.between(0.001, within_s);
    (0..=dice.below(most))
        .map(|_| {
            let part = Part::Stroke {
                at_s,
                peak_a: sign * peak_a * dice.between(0.3, 1.0),
            };
            at_s += between.sample(&mut dice.0).max(0.012);
            part
        })
        .collect()
}

/// What a fault is held against.
struct Demand {
    group: &'static str,
    limit_a: f64,
    latest_s: f64,
    source: Source,
}

fn fault(dice: &mut Dice) -> Case {
    let kind = dice.below(5);
    let larger = dice.between(1.0, 1.5);
    // Standing currents may point the other way, so they stay small where a sum is watched and not a change.
    let (waveform, demand, rms_a, shape) = match kind {
        0..=2 => {
            let level = &SUDDEN[kind];
            let demand = Demand {
                group: SUDDEN_GROUPS[kind],
                limit_a: level.a,
                latest_s: level.latest_s,
                source: SUDDEN_SOURCE,
            };
            (
                background(dice, 0.2, 0.1),
                demand,
                level.a * larger,
                dice.shape(),
            )
        }
        3 => {
            let demand = Demand {
                group: "random fault, continuous",
                limit_a: CONTINUOUS.0,
                latest_s: CONTINUOUS.1,
                source: CONTINUOUS_SOURCE,
            };
            (
                background(dice, 0.02, 0.0),
                demand,
                CONTINUOUS.0 * 1.2 * larger,
                dice.shape(),
            )
        }
        _ => {
            let (_, limit_a) = GROUND_FAULT[dice.below(GROUND_FAULT.len())];
            let demand = Demand {
                group: "random fault, by rating",
                limit_a,
                latest_s: GROUND_FAULT_S,
                source: GROUND_FAULT_SOURCE,
            };
            (
                background(dice, 0.2, 0.0),
                demand,
                limit_a * 1.1 * larger,
                Shape::Dc,
            )
        }
    };
    // Within half a second after the onset, so that a surge may lie before, in or after its beginning.
    let from_s = dice.between(0.001, 0.5);
    let mut waveform = waveform.with(Part::Step {
        from_s,
        to_s: None,
        shape,
        rms_a: dice.sign() * rms_a,
    });
    if dice.chance(0.3) {
        waveform.parts.extend(flash(dice, 5, from_s + 0.1));
    }
    let expect = Expect::trip(demand.latest_s);
    let limit = Limit::Current { a: demand.limit_a };
    let mut case =
        Case::residual(demand.group, String::new(), waveform, expect).by(limit, demand.source);
    if kind >= 3 {
        // It would be first.
        case.settings.current.sudden.enabled = false;
    }
    if kind == 4 {
        case.settings.earthing = Earthing::NegativeBonded;
        // At rest nothing drives a current through the bond, and the board tests itself then.
        case.waveform.from_closing = true;
        case.settings.current.ground_fault.above.0 = demand.limit_a as f32;
        case.settings.current.continuous.above.0 = 20.0;
    }
    case.fault_at_s = from_s;
    case.watch_s += from_s;
    case
}

/// One to three healthy things at once; their RMS together stays below the continuous limit.
fn disturbance(dice: &mut Dice) -> Case {
    let mut waveform = background(dice, 0.15, 0.05);
    let mut troubles = Vec::new();
    let mut watch_s: f64 = 4.0;
    let mut group = "";
    for n in 0..=dice.below(3) {
        let (name, seconds) = one_disturbance(dice, &mut waveform, &mut troubles);
        watch_s = watch_s.max(seconds);
        // The line of the table is the first; the others come on top.
        if n == 0 {
            group = name;
        }
    }
    let limit = Limit::Current { a: SUDDEN[0].a };
    let mut case =
        Case::residual(group, String::new(), waveform, Expect::no_trip()).by(limit, HOLD_SOURCE);
    case.troubles = troubles;
    case.watch_s = watch_s;
    case
}

/// Adds one; its name and how long it has to be looked at.
fn one_disturbance(
    dice: &mut Dice,
    waveform: &mut Waveform,
    troubles: &mut Vec<Trouble>,
) -> (&'static str, f64) {
    match dice.below(9) {
        0 => {
            waveform.parts.extend(flash(dice, 10, 2.0));
            ("random surges", 3.0)
        }
        1 => {
            let over_s = dice.between(1.0, 10.0);
            let (from_s, lead_cycles) = (dice.between(0.0, 1.0), dice.between(-0.05, 0.05));
            let ramp = |shape, rms_a| Part::Ramp {
                from_s,
                over_s,
                shape,
                rms_a,
            };
            // One only: two would be another current.
            if !waveform
                .parts
                .iter()
                .any(|part| matches!(part, Part::Ramp { .. }))
            {
                let rms_a = dice.between(0.02, 0.1);
                waveform.parts.push(ramp(Shape::Ac { lead_cycles }, rms_a));
                waveform
                    .parts
                    .push(ramp(Shape::Dc, dice.sign() * dice.between(0.0, 0.03)));
            }
            ("random cloud edges", over_s + 2.0)
        }
        2 => {
            let share = dice.between(0.2, 1.0);
            let part = Part::Step {
                from_s: dice.between(0.0, 1.0),
                to_s: dice.chance(0.5).then_some(2.0),
                shape: dice.shape(),
                rms_a: dice.sign() * share * SUDDEN[0].a / 2.0,
            };
            if !waveform
                .parts
                .iter()
                .any(|part| matches!(part, Part::Step { .. }))
            {
                waveform.parts.push(part);
            }
            ("random steps to half of 30 mA", 4.0)
        }
        3 => {
            let multiple = (3 + dice.below(4)) as f64;
            waveform.ripple = Some(Ripple {
                hz: multiple * 4000.0 + dice.between(-100.0, 100.0),
                // At most the 3.5 mA behind the filter that the front end is allowed (hardware-notes), at 12 kHz.
                peak_a: dice.decades(0.02, 0.5),
            });
            ("random switching ripple", 4.0)
        }
        4 => {
            waveform.wander_hz = dice.between(0.02, 0.2);
            waveform.wander_every_s = dice.between(4.0, 20.0);
            ("random wandering mains", 10.0)
        }
        5 => {
            waveform.noise_a = dice.between(0.001, 0.002);
            waveform.pink_noise_a = dice.between(0.000_5, 0.002);
            ("random noisy stretch", 6.0)
        }
        6 => {
            waveform.drift_a_per_s = dice.sign() * dice.decades(0.000_1, 0.002);
            ("random drift of offset", 6.0)
        }
        7 => {
            let channels = [Channel::IFine, Channel::IWide, Channel::VPos, Channel::VNeg];
            troubles.push(Trouble::BadWord {
                from_s: dice.between(0.0, 0.2),
                every_s: dice.between(0.1, 1.0),
                channel: channels[dice.below(4)],
                code: (dice.unit() * 65_535.0 - 32_768.0) as i16,
            });
            ("random bad words", 4.0)
        }
        _ => {
            troubles.push(Trouble::Missed {
                from_s: 0.0,
                every_s: dice.between(0.02, 1.0),
                samples: 1 + dice.below(4) as u16,
            });
            ("random missed samples", 4.0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One seed replays everything, and another one is another series.
    #[test]
    fn the_same_seed_gives_the_same_cases() {
        for only in 0..40 {
            assert_eq!(case(7, only), case(7, only));
            assert_ne!(case(7, only).waveform, case(8, only).waveform);
        }
    }

    /// Healthy currents stay below what must trip: RMS of everything that lasts, by adding sizes, below 300 mA.
    #[test]
    fn disturbances_are_healthy() {
        for only in (1..2001).step_by(2) {
            let case = case(1, only);
            let w = &case.waveform;
            let harmonics: f64 = w.harmonics.iter().map(|h| h * h).sum();
            let ramps = |dc: bool| -> f64 {
                let parts = w.parts.iter().filter_map(|part| match part {
                    Part::Ramp { shape, rms_a, .. } | Part::Step { shape, rms_a, .. }
                        if (*shape == Shape::Dc) == dc =>
                    {
                        Some(rms_a.abs())
                    }
                    _ => None,
                });
                parts.sum()
            };
            let ac_a = w.standing_ac_a * (1.0 + harmonics).sqrt() + ramps(false);
            let dc_a = w.standing_dc_a.abs() + ramps(true) + w.drift_a_per_s.abs() * case.watch_s;
            let rms_a = ac_a.hypot(dc_a);
            assert!(rms_a < 0.29, "{only}: {rms_a} A");
        }
    }
}
