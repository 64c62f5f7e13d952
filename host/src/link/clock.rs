//! The board's sample counter against the host's clocks.
//!
//! Every question for the counter gives a bound that cannot be wrong: the sample named in the answer was taken after the
//! question left, at most one sample period before that, and before the answer came. Between two questions the bound widens
//! by what two crystals can drift ([`DRIFT_MAX`]), and every new one is intersected with it. So a moment comes with a bound
//! that holds however uneven the two ways of the line are; no noise is assumed to be Gaussian, and nothing is fitted.
//! The estimate inside the bound moves smoothly: the last one carried on at the drift seen so far, and pushed only when
//! the bound says so.
//!
//! Intervals are measured with the host's monotonic clock. The clock on the wall joins in at the end, see [`Wall`].

use ohmward_proto::message::Hello;
use ohmward_proto::units::SampleIndex;
use std::collections::VecDeque;

/// How far the board's crystal and the host's can run apart, together: 100 ppm for a board's over its temperature range and
/// 50 ppm for a computer's (common practice, no source).
pub const DRIFT_MAX: f64 = 150e-6;
/// A step of the wall clock that is larger is taken over at once, and told; a smaller one is followed at [`SLEW`].
const STEP_US: i64 = 500_000;
/// How fast a small correction of the wall clock is followed: the rate at which NTP itself slews (RFC 5905, 500 ppm).
const SLEW: f64 = 500e-6;
/// Bounds kept for moments that lie back.
const BOUNDS: usize = 256;

/// Now, on both of the host's clocks.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Moment {
    /// Never steps; its zero means nothing.
    pub mono_us: i64,
    /// Unix time.
    pub unix_us: i64,
}

impl Moment {
    /// In a simulation both clocks are one.
    pub fn virtual_us(us: i64) -> Self {
        Self {
            mono_us: us,
            unix_us: us,
        }
    }
}

/// Unix time of something on the board.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stamp {
    /// Unix µs.
    pub t_us: i64,
    /// True within ± this many µs of the host's clock; `None` when there is no bound: the board's own clock was
    /// believed, or nothing is known yet.
    pub within_us: Option<i64>,
}

/// The clock on the wall over the monotonic one.
///
/// A small correction is followed slowly, so that the times of a series keep their order and spacing, and what has not been
/// followed yet is in the bound. A large step (a computer that got its date late, a person who set it) is followed at once and
/// counted.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wall {
    offset_us: Option<f64>,
    lag_us: f64,
    seen_us: i64,
    /// Large steps so far.
    pub steps: u32,
    /// The latest one, + when the clock was set forward.
    pub last_step_us: i64,
}

impl Wall {
    /// Looks at both clocks. Returns the size of a large step.
    pub fn look(&mut self, now: Moment) -> Option<i64> {
        let measured = (now.unix_us - now.mono_us) as f64;
        let elapsed = (now.mono_us - self.seen_us).max(0) as f64;
        self.seen_us = now.mono_us;
        let Some(offset) = self.offset_us else {
            self.offset_us = Some(measured);
            return None;
        };
        let off = measured - offset;
        if off.abs() > STEP_US as f64 {
            self.offset_us = Some(measured);
            self.lag_us = 0.0;
            self.steps += 1;
            self.last_step_us = off as i64;
            return Some(off as i64);
        }
        let moved = off.clamp(-elapsed * SLEW, elapsed * SLEW);
        self.offset_us = Some(offset + moved);
        self.lag_us = (off - moved).abs();
        None
    }

    fn unix_us(&self, mono_us: f64) -> f64 {
        mono_us + self.offset_us.unwrap_or(0.0)
    }
}

/// Bounds on the monotonic time of a sample, µs.
#[derive(Clone, Copy, Debug)]
struct Bound {
    at: u64,
    low: f64,
    high: f64,
    best: f64,
}

/// Maps a board's samples to time, for one run of the board.
#[derive(Clone, Debug)]
pub struct Clock {
    us_per_sample: f64,
    /// Unix µs of sample 0 from a board with a wall clock: it is believed.
    own_us: Option<i64>,
    /// Until a question has been answered: the hello came then, and was sent before.
    hello: (u64, f64),
    bounds: VecDeque<Bound>,
    /// Times the bounds contradicted each other: the host slept, or a crystal is out of its range. What was known
    /// before is forgotten each time.
    pub contradictions: u32,
}

impl Clock {
    /// From a hello.
    pub fn new(hello: &Hello, received: Moment) -> Self {
        Self {
            us_per_sample: 1e6 / f64::from(hello.sample_rate_hz.max(1)),
            own_us: hello.epoch_unix_ms.map(|ms| ms.saturating_mul(1000)),
            hello: (hello.at.0, received.mono_us as f64),
            bounds: VecDeque::new(),
            contradictions: 0,
        }
    }

    /// There is a bound, or the board's own clock makes one needless.
    pub fn known(&self) -> bool {
        self.own_us.is_some() || !self.bounds.is_empty()
    }

    /// A question for the sample counter left at `asked` and its answer came at `received`. False when that contradicts
    /// what was known.
    pub fn learn(&mut self, at: SampleIndex, asked: Moment, received: Moment) -> bool {
        let low = asked.mono_us as f64 - self.us_per_sample;
        let high = received.mono_us as f64;
        self.take(at.0, low, high)
    }

    /// Something taken at `at` came at `received`: it was not taken later than that. False when that contradicts
    /// what was known.
    pub fn heard(&mut self, at: SampleIndex, received: Moment) -> bool {
        let came = received.mono_us as f64;
        let (Some(last), Some(seen)) = (self.bounds.back(), self.bound(at.0)) else {
            return true;
        };
        // Only the newest moment is worth a look: an old one says nothing that is not known.
        if at.0 < last.at || came >= seen.high {
            return true;
        }
        self.take(at.0, seen.low, came)
    }

    fn take(&mut self, at: u64, low: f64, high: f64) -> bool {
        let (mut low, mut high) = (low, high);
        let mut best = f64::midpoint(low, high);
        let mut agrees = true;
        if let Some(last) = self.bounds.back() {
            if at < last.at {
                return true; // an answer that was overtaken
            }
            if let Some(seen) = self.bound(at) {
                if low > seen.high || high < seen.low {
                    self.contradictions += 1;
                    self.bounds.clear();
                    agrees = false;
                    if high < low {
                        return false;
                    }
                } else {
                    low = low.max(seen.low);
                    high = high.min(seen.high);
                    best = seen.best.clamp(low, high);
                }
            }
        }
        // A second bound for the same sample replaces the first: it is contained in it.
        if self.bounds.back().is_some_and(|last| last.at == at) {
            self.bounds.pop_back();
        }
        self.bounds.push_back(Bound {
            at,
            low,
            high,
            best,
        });
        if self.bounds.len() > BOUNDS {
            // The older half at half the density; the first and the newest stay.
            let mut n = 0;
            self.bounds.retain(|_| {
                n += 1;
                n > BOUNDS / 2 || n % 2 == 1
            });
        }
        agrees
    }

    /// How much faster than nominal the board's counter runs, as seen so far, and how far off that may be.
    pub fn drift(&self) -> Option<(f64, f64)> {
        let (first, last) = (self.bounds.front()?, self.bounds.back()?);
        let span = (last.at - first.at) as f64 * self.us_per_sample;
        if span < 1e6 {
            return None;
        }
        // More time passed than samples say: the counter is slow.
        let slow_least = ((last.low - first.high) / span - 1.0).max(-DRIFT_MAX);
        let slow_most = ((last.high - first.low) / span - 1.0).min(DRIFT_MAX);
        Some((
            -f64::midpoint(slow_least, slow_most),
            (slow_most - slow_least).max(0.0) / 2.0,
        ))
    }

    /// Carries a bound to another sample.
    fn carry(&self, from: &Bound, at: u64, slow: f64) -> Bound {
        if at >= from.at {
            let span = (at - from.at) as f64 * self.us_per_sample;
            Bound {
                at,
                low: from.low + span * (1.0 - DRIFT_MAX),
                high: from.high + span * (1.0 + DRIFT_MAX),
                best: from.best + span * (1.0 + slow),
            }
        } else {
            let span = (from.at - at) as f64 * self.us_per_sample;
            Bound {
                at,
                low: from.low - span * (1.0 + DRIFT_MAX),
                high: from.high - span * (1.0 - DRIFT_MAX),
                best: from.best - span * (1.0 + slow),
            }
        }
    }

    /// What is known of a sample's time.
    fn bound(&self, at: u64) -> Option<Bound> {
        let slow = self
            .drift()
            .filter(|(_, off)| *off < DRIFT_MAX / 2.0)
            .map_or(0.0, |(fast, _)| -fast);
        let later = self.bounds.partition_point(|bound| bound.at <= at);
        let before = later.checked_sub(1).and_then(|k| self.bounds.get(k));
        let after = self.bounds.get(later);
        let mut seen = match (before, after) {
            (Some(bound), None) | (None, Some(bound)) => self.carry(bound, at, slow),
            (Some(before), Some(after)) => {
                let (a, b) = (self.carry(before, at, slow), self.carry(after, at, slow));
                let part = (at - before.at) as f64 / (after.at - before.at) as f64;
                Bound {
                    at,
                    low: a.low.max(b.low),
                    high: a.high.min(b.high),
                    best: before.best + part * (after.best - before.best),
                }
            }
            (None, None) => return None,
        };
        // With both sides known the bounds cannot cross, but for the last bits of a float.
        if seen.low > seen.high {
            (seen.low, seen.high) = (seen.high, seen.low);
        }
        seen.best = seen.best.clamp(seen.low, seen.high);
        Some(seen)
    }

    /// Monotonic time of a sample, µs, as well as it is known.
    pub fn mono_us(&self, at: SampleIndex) -> f64 {
        self.bound(at.0).map_or_else(
            || {
                let (hello, received) = self.hello;
                received + (at.0 as f64 - hello as f64) * self.us_per_sample
            },
            |bound| bound.best,
        )
    }

    /// Unix time of a sample.
    pub fn stamp(&self, at: SampleIndex, wall: &Wall) -> Stamp {
        if let Some(own_us) = self.own_us {
            let since = (at.0 as f64 * self.us_per_sample).round() as i64;
            return Stamp {
                t_us: own_us.saturating_add(since),
                within_us: None,
            };
        }
        let within_us = self.bound(at.0).map(|bound| {
            let half = (bound.high - bound.best).max(bound.best - bound.low);
            // The moment a board names may be any: the bound of one in a million years is as wide as can be said.
            ((half + wall.lag_us).ceil() as i64).saturating_add(1)
        });
        Stamp {
            t_us: wall.unix_us(self.mono_us(at)).round() as i64,
            within_us,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ohmward_proto::message::BoardId;
    use rand::{Rng, SeedableRng};
    use rand_pcg::Pcg64Mcg;

    const RATE: u32 = 4000;

    fn hello(epoch_unix_ms: Option<i64>) -> Hello {
        Hello {
            protocol: 1,
            firmware: (0, 1, 0),
            board: BoardId(1),
            boot: 1,
            at: SampleIndex(0),
            sample_rate_hz: RATE,
            settings_hash: 0,
            calibration_id: 0,
            epoch_unix_ms,
        }
    }

    fn wall_at(now: Moment) -> Wall {
        let mut wall = Wall::default();
        wall.look(now);
        wall
    }

    #[test]
    fn a_board_with_a_clock_is_believed() {
        let mut clock = Clock::new(&hello(Some(1000)), Moment::virtual_us(77));
        clock.learn(
            SampleIndex(8000),
            Moment::virtual_us(0),
            Moment::virtual_us(10),
        );
        let stamp = clock.stamp(SampleIndex(8000), &Wall::default());
        assert_eq!((stamp.t_us, stamp.within_us), (3_000_000, None));
    }

    /// Found by fuzzing: any counter may come over the line.
    #[test]
    fn the_bound_of_a_counter_beyond_all_time_is_as_wide_as_can_be() {
        let mut clock = Clock::new(
            &Hello {
                sample_rate_hz: 1,
                ..hello(None)
            },
            Moment::virtual_us(0),
        );
        let moment = Moment::virtual_us;
        assert!(clock.learn(SampleIndex(8000), moment(0), moment(10)));
        let stamp = clock.stamp(SampleIndex(u64::MAX), &Wall::default());
        assert_eq!(stamp.within_us, Some(i64::MAX));
    }

    #[test]
    fn without_a_clock_a_question_gives_a_bound_and_a_short_one_a_tight_bound() {
        let mut clock = Clock::new(&hello(None), Moment::virtual_us(1_000_000));
        let wall = wall_at(Moment::virtual_us(0));
        assert_eq!(clock.stamp(SampleIndex(0), &wall).within_us, None);
        clock.learn(
            SampleIndex(8000),
            Moment::virtual_us(2_000_000),
            Moment::virtual_us(2_400_000),
        );
        let wide = clock.stamp(SampleIndex(8000), &wall);
        assert!((wide.t_us - 2_200_000).abs() <= 200, "{wide:?}");
        assert!(wide.within_us.unwrap() >= 200_000, "{wide:?}");
        clock.learn(
            SampleIndex(8400),
            Moment::virtual_us(2_290_000),
            Moment::virtual_us(2_310_000),
        );
        let tight = clock.stamp(SampleIndex(8400), &wall);
        assert!((2_290_000..=2_310_000).contains(&tight.t_us), "{tight:?}");
        assert!(tight.within_us.unwrap() < 21_000, "{tight:?}");
        let before = tight.within_us;
        clock.learn(
            SampleIndex(8800),
            Moment::virtual_us(2_350_000),
            Moment::virtual_us(2_950_000),
        );
        assert_eq!(
            clock.stamp(SampleIndex(8400), &wall).within_us,
            before,
            "a long one teaches nothing"
        );
    }

    /// A crystal that wanders within its range, a line with jitter and with ways of different length, answers that are lost, a
    /// clock on the wall that is corrected: the true time is inside the bound, always.
    #[test]
    fn the_true_time_is_inside_the_bound_always() {
        for seed in 0..200 {
            let mut draw = Pcg64Mcg::seed_from_u64(seed);
            let mut uniform = move || (draw.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
            let slow_way = [1e3, 20e3, 300e3][seed as usize % 3];
            let (mut fast, mut true_us, mut counter) = (2e-4 * uniform() - 1e-4, 5e6, 0.0_f64);
            let mut clock = Clock::new(&hello(None), Moment::virtual_us(5_000_000));
            let mut wall = Wall::default();
            // What the wall shows over the monotonic clock: slewed as NTP does, by less than a step.
            let mut off_us = 1.7e15;
            let moment = |us: f64, off: f64| Moment {
                mono_us: us as i64,
                unix_us: (us + off) as i64,
            };
            wall.look(moment(true_us, off_us));
            let mut past = Vec::new();
            for n in 0..300 {
                fast = (fast + 4e-6 * (uniform() - 0.5)).clamp(-1e-4, 1e-4);
                let pause = 1e6 + 30e6 * uniform() * f64::from(n > 5);
                true_us += pause;
                counter += pause * 1e-6 * f64::from(RATE) * (1.0 + fast);
                off_us += 200e-6 * pause * (uniform() - 0.5);
                let (there, back) = (slow_way * uniform(), slow_way * uniform().powi(3));
                let asked = moment(true_us - there, off_us);
                let received = moment(true_us + back, off_us);
                if uniform() < 0.7 {
                    let at = SampleIndex(counter as u64);
                    assert!(clock.learn(at, asked, received), "seed {seed}");
                } else if uniform() < 0.5 {
                    assert!(
                        clock.heard(SampleIndex(counter as u64), received),
                        "seed {seed}"
                    );
                }
                wall.look(received);
                // The sample named is the last whole one.
                let part = counter.fract() / f64::from(RATE) * 1e6 * (1.0 - fast);
                past.push((counter as u64, true_us - part));
                for back in [0, 1, 7, 40] {
                    let Some(&(at, when)) =
                        past.len().checked_sub(1 + back).and_then(|k| past.get(k))
                    else {
                        continue;
                    };
                    let stamp = clock.stamp(SampleIndex(at), &wall);
                    // Unix time of that moment on the clock as it shows now.
                    let truth = when + off_us;
                    if let Some(within) = stamp.within_us {
                        let wrong = (stamp.t_us as f64 - truth).abs();
                        assert!(
                            wrong <= within as f64 + 1.0,
                            "seed {seed}, exchange {n}, {back} back: {wrong} µs off, bound {within} µs"
                        );
                    }
                }
            }
            let (seen, off) = clock.drift().expect("long enough");
            // The mean over the whole time lies within ±100 ppm; the estimate says how far it may be off.
            assert!(
                seen.abs() <= 1e-4 + off + 1e-9,
                "seed {seed}: {seen} ± {off}"
            );
            assert_eq!(clock.contradictions, 0);
            if slow_way < 2e3 {
                let stamp = clock.stamp(SampleIndex(counter as u64), &wall);
                assert!(stamp.within_us.unwrap() < 50_000, "seed {seed}: {stamp:?}");
            }
        }
    }

    #[test]
    fn a_host_that_slept_begins_anew_and_says_so() {
        let mut clock = Clock::new(&hello(None), Moment::virtual_us(0));
        let wall = wall_at(Moment::virtual_us(0));
        let us = Moment::virtual_us;
        assert!(clock.learn(SampleIndex(4000), us(1_000_000), us(1_002_000)));
        // An hour of samples, a second on a monotonic clock that stands still in sleep.
        assert!(!clock.learn(SampleIndex(4000 * 3600), us(2_000_000), us(2_002_000)));
        assert_eq!(clock.contradictions, 1);
        let stamp = clock.stamp(SampleIndex(4000 * 3600), &wall);
        assert!((1_999_000..=2_002_000).contains(&stamp.t_us), "{stamp:?}");
        // Something that comes before it can have been sent shows it too.
        assert!(!clock.heard(SampleIndex(4000 * 7200), us(3_000_000)));
    }

    #[test]
    fn a_large_step_of_the_wall_clock_is_followed_at_once_and_a_small_one_slowly() {
        let at = |mono: i64, off: i64| Moment {
            mono_us: mono,
            unix_us: mono + off,
        };
        let mut wall = wall_at(at(0, 1_000_000_000));
        assert_eq!(wall.look(at(1_000_000, 1_000_200_000)), None);
        // 500 ppm of a second; the rest is in the bound.
        assert!((wall.unix_us(1e6) - 1_001_000_500.0).abs() < 1.0);
        assert!((wall.lag_us - 199_500.0).abs() < 1.0);
        for second in 2..500 {
            assert_eq!(wall.look(at(second * 1_000_000, 1_000_200_000)), None);
        }
        assert!(wall.lag_us < 1.0, "{wall:?}");
        let hour = 3_600_000_000;
        assert_eq!(
            wall.look(at(501_000_000, 1_000_200_000 - hour)),
            Some(-hour)
        );
        assert_eq!((wall.steps, wall.last_step_us), (1, -hour));
    }
}
