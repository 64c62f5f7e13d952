//! The board's test of itself: does the bond sensor see what the board itself sends through it?
//!
//! A range that is dead at zero, a zero that has drifted, a measuring resistor that is no longer what it was: in quiet
//! service none of them shows, and each could hide a fault. So the board makes currents that it knows and looks for them.
//!
//! ```text
//!   at rest, bond open, before anything else, and
//!   in every insulation check, while the bond is open:   Injected → Released   Δi = 0.1 A in both ranges, then 0
//!   at rest, bond closed, before the insulation check:   Before → Bridge → After   Δi = ∓V·g_switched
//! ```
//!
//! In an insulation check the first pair costs no time of its own. It needs the bond open, for then nothing else flows in the sensor. The
//! second pair gives the measuring resistor its absolute value: the two-state measurement knows ratios alone, and a
//! resistor of half its value would make insulation look twice as good.
//!
//! Before and after, so that a leakage that grows with the morning's voltage is no difference. Means run over whole cycles of the
//! mains as they are followed.
//!
//! What fails is tried once more before it counts. A surge makes a pair begin again, twice at most: the bond of a connected
//! array does not stay open for a thunderstorm.

use crate::calibrate::MicroAmps;
use ohmward_proto::event::SelfTestFault;
use ohmward_proto::settings::Earthing;
use ohmward_proto::units::{Amps, Siemens};

/// What a board must send through the bond sensor while `inject` is driven, + out of the array conductor into earth.
pub const TEST_CURRENT: Amps = Amps(0.1);
/// How far from that the sensitive range may read: 15 %.
const FINE_APART_UA: i32 = 15_000;
/// And the wide one, three steps of 12 bits over ±25 A.
const WIDE_APART_UA: i32 = 40_000;
/// Zero beyond this is told: a sixth of the lowest sudden level.
const ZERO_TOLD_UA: i32 = 5_000;
/// And told again only after it has been below this.
const ZERO_FORGOTTEN_UA: i32 = 3_000;
/// Zero beyond this part of the continuous limit is a fault: the limit would be off by as much.
const ZERO_PART: i32 = 5;
/// But a zero below this is never one.
const ZERO_FLOOR_UA: i32 = 10_000;
/// The measuring resistor's current may be off by a quarter …
const BRIDGE_PART: f32 = 0.25;
/// … and by this much, the sensor's own uncertainty over [`LONG_CYCLES`].
const BRIDGE_APART_A: f32 = 0.000_04;
/// Below this the sensor cannot tell the measuring resistor's current: not judged. 24 V over 200 kΩ.
const BRIDGE_LEAST_A: f32 = 0.000_12;
/// What the switching leaves behind, in ms.
const SETTLE_MS: u32 = 60;
/// Cycles averaged for the measuring resistor, and for the test current where other current flows meanwhile.
const LONG_CYCLES: f32 = 16.0;
/// For the test current with the bond open.
const SHORT_CYCLES: f32 = 3.0;
/// A pair begins again this many times after a surge.
const RESTARTS: u8 = 2;

/// Means over a phase, µA.
#[derive(Clone, Copy, Debug)]
struct Means {
    fine: i32,
    wide: i32,
}

#[derive(Clone, Copy, Debug)]
enum Phase {
    Idle,
    Before,
    Bridge { before: Means },
    After { before: Means, with: Means },
    Injected,
    Released { on: Means },
}

/// Whether a zero is to be told of as drifted, once it was (`told`) or was not.
pub fn drifted(zero: MicroAmps, told: bool) -> bool {
    let level = if told {
        ZERO_FORGOTTEN_UA
    } else {
        ZERO_TOLD_UA
    };
    zero.0.saturating_abs() > level
}

/// What one sample brought about.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Outcome {
    /// Nothing yet.
    None,
    /// The measuring resistor is what it should be, or the array gives too little voltage to tell.
    BridgeSound,
    /// Both ranges saw the test current and the zero is where it should be.
    SensorSound {
        /// As the sensitive range showed it.
        injected: MicroAmps,
        /// With the bond open; 0 on an array without a bond.
        zero: MicroAmps,
    },
    /// Surges did not let it end.
    Disturbed,
    /// Wrong twice in a row.
    Failed(SelfTestFault),
}

/// The test, between its phases.
#[derive(Debug)]
pub struct SelfTest {
    settle: u32,
    earthing: Earthing,
    zero_max: i32,
    phase: Phase,
    samples: u32,
    /// Samples gathered in this phase.
    wanted: u32,
    restarts: u8,
    fine: i64,
    wide: i64,
    failed_before: bool,
    /// The measuring resistor was tested since the array last came to rest.
    bridge_tested: bool,
}

impl SelfTest {
    /// `continuous`: the limit that the zero is held against.
    pub fn new(sample_rate_hz: u32, earthing: Earthing, continuous: Amps) -> Self {
        Self {
            settle: sample_rate_hz * SETTLE_MS / 1000,
            earthing,
            zero_max: (MicroAmps::from_amps(continuous).0 / ZERO_PART).max(ZERO_FLOOR_UA),
            phase: Phase::Idle,
            samples: 0,
            wanted: 0,
            restarts: 0,
            fine: 0,
            wide: 0,
            failed_before: false,
            bridge_tested: false,
        }
    }

    /// A test is under way.
    pub fn busy(&self) -> bool {
        !matches!(self.phase, Phase::Idle)
    }

    /// Samples until it could fail at the soonest: at the end of a pair.
    pub fn soonest(&self) -> u64 {
        let left = if self.samples < self.settle {
            // Three cycles of 64 Hz or more follow, longer than three quarters of it.
            self.settle - self.samples + self.settle / 4 * 3
        } else {
            (self.settle + self.wanted).saturating_sub(self.samples)
        };
        let left = u64::from(left).max(1);
        match self.phase {
            Phase::Idle => u64::MAX,
            Phase::After { .. } | Phase::Released { .. } => left,
            // Another phase comes first.
            Phase::Before | Phase::Bridge { .. } | Phase::Injected => left + u64::from(self.settle),
        }
    }

    /// Drive the test current.
    pub fn inject(&self) -> bool {
        matches!(self.phase, Phase::Injected)
    }

    /// The bond has to stay open.
    pub fn needs_bond_open(&self) -> bool {
        matches!(self.phase, Phase::Injected | Phase::Released { .. })
    }

    /// Switch the measuring resistor of the conductor that is not bonded: (positive, negative).
    pub fn bridge(&self) -> (bool, bool) {
        match self.phase {
            Phase::Bridge { .. } => (
                self.earthing == Earthing::NegativeBonded,
                self.earthing == Earthing::PositiveBonded,
            ),
            Phase::Idle
            | Phase::Before
            | Phase::After { .. }
            | Phase::Injected
            | Phase::Released { .. } => (false, false),
        }
    }

    /// The measuring resistor has to be tested before the next insulation check. A high resistance in the bond lets no
    /// current through that could be told from noise; without a bond there is none.
    pub fn bridge_due(&self) -> bool {
        !self.bridge_tested
            && matches!(
                self.earthing,
                Earthing::NegativeBonded | Earthing::PositiveBonded
            )
    }

    /// The array came to rest, or someone asks: test the measuring resistor again.
    pub fn renew(&mut self) {
        self.bridge_tested = false;
    }

    /// Begins with the measuring resistor, bond closed.
    pub fn begin_bridge(&mut self) {
        self.failed_before = false;
        self.restarts = 0;
        self.enter(Phase::Before);
    }

    /// Begins with the test current: the bond has just been told to open.
    pub fn begin_injection(&mut self) {
        self.failed_before = false;
        self.restarts = 0;
        self.enter(Phase::Injected);
    }

    /// Samples are missing, or a trip came between: forgets what is under way.
    pub fn stop(&mut self) {
        self.enter(Phase::Idle);
    }

    /// A surge came through the sensor: what was gathered says nothing, and the pair begins again.
    pub fn disturbed(&mut self) -> Outcome {
        let again = match self.phase {
            Phase::Idle => return Outcome::None,
            // Still settling: nothing has been gathered.
            _ if self.samples <= self.settle => return Outcome::None,
            Phase::Before | Phase::Bridge { .. } | Phase::After { .. } => Phase::Before,
            Phase::Injected | Phase::Released { .. } => Phase::Injected,
        };
        if self.restarts >= RESTARTS {
            self.enter(Phase::Idle);
            return Outcome::Disturbed;
        }
        self.restarts += 1;
        self.enter(again);
        Outcome::None
    }

    fn enter(&mut self, phase: Phase) {
        self.phase = phase;
        self.samples = 0;
        self.fine = 0;
        self.wide = 0;
    }

    /// One sample of both ranges. `cycle`: samples in a mains cycle; `v`: array voltage; `g_switched`: the measuring resistor as
    /// the calibration has it.
    pub fn step(
        &mut self,
        fine: MicroAmps,
        wide: MicroAmps,
        cycle: f32,
        v: f32,
        g_switched: Siemens,
    ) -> Outcome {
        let cycles = match self.phase {
            Phase::Idle => return Outcome::None,
            Phase::Before | Phase::Bridge { .. } | Phase::After { .. } => LONG_CYCLES,
            // An array without a bond goes on leaking meanwhile.
            _ if !self.earthing.has_bond() => LONG_CYCLES,
            Phase::Injected | Phase::Released { .. } => SHORT_CYCLES,
        };
        self.samples += 1;
        if self.samples <= self.settle {
            // Fixed here: a period that is still being followed must not move the end.
            self.wanted = (cycles * cycle + 0.5) as u32;
            return Outcome::None;
        }
        self.fine += i64::from(fine.0);
        self.wide += i64::from(wide.0);
        let count = self.wanted.max(1);
        if self.samples < self.settle + count {
            return Outcome::None;
        }
        let means = Means {
            fine: (self.fine / i64::from(count)) as i32,
            wide: (self.wide / i64::from(count)) as i32,
        };
        match self.phase {
            Phase::Idle => Outcome::None,
            Phase::Before => {
                self.enter(Phase::Bridge { before: means });
                Outcome::None
            }
            Phase::Bridge { before } => {
                self.enter(Phase::After {
                    before,
                    with: means,
                });
                Outcome::None
            }
            Phase::After { before, with } => {
                let without = Means {
                    fine: i32::midpoint(before.fine, means.fine),
                    wide: i32::midpoint(before.wide, means.wide),
                };
                let judged = self.judge_bridge(without, with, v * g_switched.0);
                self.settle_on(judged, Phase::Before)
            }
            Phase::Injected => {
                self.enter(Phase::Released { on: means });
                Outcome::None
            }
            Phase::Released { on } => {
                let judged = self.judge_sensor(on, means);
                self.settle_on(judged, Phase::Injected)
            }
        }
    }

    /// What was found, or once more from `again`.
    fn settle_on(&mut self, judged: Result<Outcome, SelfTestFault>, again: Phase) -> Outcome {
        match judged {
            Ok(outcome) => {
                self.bridge_tested |= outcome == Outcome::BridgeSound;
                self.enter(Phase::Idle);
                outcome
            }
            Err(fault) if self.failed_before => {
                self.enter(Phase::Idle);
                Outcome::Failed(fault)
            }
            Err(_) => {
                self.failed_before = true;
                self.enter(again);
                Outcome::None
            }
        }
    }

    fn judge_bridge(
        &self,
        without: Means,
        with: Means,
        v_times_g: f32,
    ) -> Result<Outcome, SelfTestFault> {
        // From the other conductor through the resistor into earth, and through the bond back into its own conductor.
        let expected = if self.earthing == Earthing::NegativeBonded {
            -v_times_g
        } else {
            v_times_g
        };
        let seen = MicroAmps(with.fine.saturating_sub(without.fine)).amps();
        let apart = (seen.0 - expected).abs();
        if expected.abs() >= BRIDGE_LEAST_A && apart > expected.abs() * BRIDGE_PART + BRIDGE_APART_A
        {
            return Err(SelfTestFault::Bridge {
                seen,
                expected: Amps(expected),
            });
        }
        Ok(Outcome::BridgeSound)
    }

    fn judge_sensor(&self, on: Means, off: Means) -> Result<Outcome, SelfTestFault> {
        let test = MicroAmps::from_amps(TEST_CURRENT).0;
        let fine = on.fine.saturating_sub(off.fine);
        let wide = on.wide.saturating_sub(off.wide);
        let seen = |ua: i32| MicroAmps(ua).amps();
        if (fine - test).abs() > FINE_APART_UA {
            return Err(SelfTestFault::FineRange { seen: seen(fine) });
        }
        if (wide - test).abs() > WIDE_APART_UA {
            return Err(SelfTestFault::WideRange { seen: seen(wide) });
        }
        // The residual current of an array without a bond does not stop for a test.
        let zero = if self.earthing.has_bond() {
            off.fine
        } else {
            0
        };
        if zero.abs() > self.zero_max {
            return Err(SelfTestFault::Zero { seen: seen(zero) });
        }
        Ok(Outcome::SensorSound {
            injected: MicroAmps(fine),
            zero: MicroAmps(zero),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const G: Siemens = Siemens(5e-6);

    fn test(earthing: Earthing) -> SelfTest {
        SelfTest::new(4000, earthing, Amps(0.3))
    }

    /// Runs to the end on a sensor: (test current on, resistor on) → fine and wide range, A.
    fn run(test: &mut SelfTest, sensor: impl Fn(bool, bool) -> (f32, f32)) -> Outcome {
        for _ in 0..20_000 {
            let (pos, neg) = test.bridge();
            let (fine, wide) = sensor(test.inject(), pos || neg);
            let ua = |a: f32| MicroAmps::from_amps(Amps(a));
            match test.step(ua(fine), ua(wide), 80.0, 200.0, G) {
                Outcome::None => {}
                outcome => return outcome,
            }
        }
        panic!("never ends");
    }

    fn injected(sensor: impl Fn(f32) -> (f32, f32)) -> Outcome {
        let mut test = test(Earthing::NegativeBonded);
        test.begin_injection();
        run(&mut test, |on, _| sensor(if on { 0.1 } else { 0.0 }))
    }

    #[test]
    fn a_sound_sensor_passes() {
        let outcome = injected(|i| (i * 1.05 + 0.002, i - 0.3));
        let Outcome::SensorSound { zero, .. } = outcome else {
            panic!("{outcome:?}")
        };
        assert_eq!(zero, MicroAmps(2000));
    }

    #[test]
    fn a_dead_range_and_a_drifted_zero_do_not() {
        use SelfTestFault as F;
        // Dead at zero, less than 100 mA flowing: nothing else tells.
        assert!(matches!(
            injected(|i| (0.0, i)),
            Outcome::Failed(F::FineRange { .. })
        ));
        assert!(matches!(
            injected(|i| (i, 0.0)),
            Outcome::Failed(F::WideRange { .. })
        ));
        assert!(matches!(
            injected(|i| (i + 0.07, i)),
            Outcome::Failed(F::Zero { .. })
        ));
        assert!(matches!(
            injected(|i| (i - 0.02, i)),
            Outcome::SensorSound { .. }
        ));
        let mut told = false;
        let seen = [4_500, 5_500, 4_500, 2_900, 4_500, -5_500].map(|ua| {
            told = drifted(MicroAmps(ua), told);
            told
        });
        assert_eq!(seen, [false, true, true, false, false, true]);
    }

    /// 200 V over 200 kΩ is 1 mA (Ohm's law), and its direction belongs to it.
    #[test]
    fn the_measuring_resistor_has_to_send_its_own_current() {
        let bridged = |earthing, factor: f32| {
            let mut test = test(earthing);
            assert!(test.bridge_due());
            test.begin_bridge();
            run(&mut test, |_, on| {
                let i = -0.002 + if on { 0.001 * factor } else { 0.0 };
                (i, i)
            })
        };
        assert_eq!(
            bridged(Earthing::NegativeBonded, -1.1),
            Outcome::BridgeSound
        );
        assert_eq!(bridged(Earthing::PositiveBonded, 0.9), Outcome::BridgeSound);
        for factor in [0.0, -0.5, -2.0, 1.0] {
            assert!(
                matches!(
                    bridged(Earthing::NegativeBonded, factor),
                    Outcome::Failed(SelfTestFault::Bridge { .. })
                ),
                "{factor}"
            );
        }
        assert!(!test(Earthing::NotEarthed).bridge_due());
    }

    #[test]
    fn one_failure_is_tried_again() {
        let mut test = test(Earthing::NegativeBonded);
        test.begin_injection();
        let mut n = 0;
        loop {
            n += 1;
            // A flicker in the first half second only.
            let i = if test.inject() && n > 1000 { 0.1 } else { 0.0 };
            let ua = MicroAmps::from_amps(Amps(i));
            match test.step(ua, ua, 80.0, 200.0, G) {
                Outcome::None => assert!(n < 5000),
                outcome => {
                    assert!(
                        matches!(outcome, Outcome::SensorSound { .. }),
                        "{outcome:?}"
                    );
                    return;
                }
            }
        }
    }
}
