//! A limit with pickup and definite time.
//!
//! ```text
//!             above                      held for `hold`
//!   Quiet ───────────────▶ PickedUp ─────────────────────▶ Trip
//!     ▲   below 95 % for      │
//!     └── four times as long ─┘
//! ```
//! Time below runs the timer back at a quarter of the speed, so a fault that makes and breaks cannot start afresh for ever.
//! Once picked up, it drops out only below 95 % of the level, so noise on a value that stands at its limit cannot
//! restart the time for ever (the usual reset ratio of a definite-time relay: common practice, no source).

use ohmward_proto::units::SampleIndex;

/// What a limit says of one sample.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Verdict {
    /// Below, or dropped out again.
    Quiet,
    /// Above, for less than the hold time.
    PickedUp,
    /// Above for the whole hold time; since when it was picked up.
    Trip {
        /// Moment of the pickup.
        since: SampleIndex,
    },
}

/// Percentage of the pickup level at which a picked-up limit drops out.
pub const RESET_RATIO_PERCENT: i32 = 95;

/// A sample above weighs as much as this many below.
const BACK: u64 = 4;

/// The setting.
#[derive(Clone, Copy, Debug)]
pub struct DefiniteTime {
    above: i32,
    /// Once picked up, it stays so above this.
    stays_above: i32,
    hold: u64,
}

/// The memory.
#[derive(Clone, Copy, Debug, Default)]
pub struct PickupState {
    since: Option<SampleIndex>,
    /// Samples above × [`BACK`], less the samples below.
    held: u64,
}

impl PickupState {
    pub fn picked_up(&self) -> bool {
        self.since.is_some()
    }

    pub fn clear(&mut self) {
        *self = Self::default();
    }
}

impl DefiniteTime {
    /// `above`: pickup level, in the unit of the value watched. `hold`: samples.
    pub const fn new(above: i32, hold: u64) -> Self {
        Self {
            above,
            stays_above: above / 100 * RESET_RATIO_PERCENT,
            hold,
        }
    }

    /// Samples until it could trip at the soonest.
    pub fn soonest(&self, state: &PickupState) -> u64 {
        let missing = (self.hold * BACK).saturating_sub(state.held);
        missing.div_ceil(BACK) + 1
    }

    /// `is_above` answers whether the watched value is above a level.
    pub fn step(
        &self,
        state: &mut PickupState,
        now: SampleIndex,
        is_above: impl Fn(i32) -> bool,
    ) -> Verdict {
        let level = match state.since {
            None => self.above,
            Some(_) => self.stays_above,
        };
        if !is_above(level) {
            state.held = state.held.saturating_sub(1);
            if state.held == 0 {
                state.since = None;
                return Verdict::Quiet;
            }
            return Verdict::PickedUp;
        }
        let since = *state.since.get_or_insert(now);
        let held = state.held;
        state.held = (held + BACK).min((self.hold + 1) * BACK);
        if held >= self.hold * BACK {
            Verdict::Trip { since }
        } else {
            Verdict::PickedUp
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT: DefiniteTime = DefiniteTime::new(300_000, 400);

    fn run(values: impl IntoIterator<Item = i32>) -> Option<(u64, SampleIndex)> {
        let mut state = PickupState::default();
        values.into_iter().enumerate().find_map(|(n, value)| {
            match LIMIT.step(&mut state, SampleIndex(n as u64), |level| value > level) {
                Verdict::Trip { since } => Some((n as u64, since)),
                Verdict::Quiet | Verdict::PickedUp => None,
            }
        })
    }

    #[test]
    fn trips_after_the_hold_and_not_a_sample_sooner() {
        let late = core::iter::repeat_n(0, 10).chain(core::iter::repeat_n(300_001, 401));
        assert_eq!(run(late), Some((410, SampleIndex(10))));
        let short = core::iter::repeat_n(0, 10).chain(core::iter::repeat_n(300_001, 400));
        assert_eq!(run(short), None);
    }

    #[test]
    fn exactly_at_the_limit_is_not_above_it() {
        assert_eq!(run(core::iter::repeat_n(300_000, 5000)), None);
    }

    #[test]
    fn noise_across_the_level_does_not_restart_the_time() {
        let noisy = (0..1000).map(|n| if n % 2 == 0 { 301_000 } else { 290_000 });
        assert_eq!(run(noisy), Some((400, SampleIndex(0))));
    }

    #[test]
    fn a_long_gap_restarts_the_time() {
        let gap = core::iter::repeat_n(301_000, 399)
            .chain(core::iter::repeat_n(280_000, 4 * 399))
            .chain(core::iter::repeat_n(301_000, 400));
        assert_eq!(run(gap), None);
    }

    /// 80 ms on, 25 ms off at 4 kS/s, as a loose contact does.
    #[test]
    fn a_fault_that_makes_and_breaks_trips() {
        let broken = (0..4000).map(|n| if n % 420 < 320 { 900_000 } else { 0 });
        let (at, _) = run(broken).expect("trips");
        assert!(at < 2 * 420, "{at}");
    }
}
