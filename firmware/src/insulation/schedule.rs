//! When to measure insulation, when the array may be connected, when it has to rest.
//!
//! Dark and light are told from the array's own voltage. Going dark disconnects, so that every morning begins with a
//! measurement before the array is connected; that check is what finds a fault on the grounded conductor.

use ohmward_proto::measure::TripState;
use ohmward_proto::settings::InsulationCheck;
use ohmward_proto::units::SampleIndex;

/// Light has to last this long before anything is begun on it.
const LIT_FOR_S: u64 = 2;
/// Darkness has to last this long before the array is disconnected: a passing cloud at dawn is no night.
const DARK_FOR_S: u64 = 60;
/// Pause after a measurement that was not good, before it is tried again.
const RETRY_AFTER_S: u64 = 10;
/// Pause between two measurements of a connected array, whoever asks.
const CONNECTED_PAUSE_S: u64 = 60;
/// Pause between the measurements that watch a latched fault.
const LATCHED_EVERY_S: u64 = 30;
/// A good measurement allows to connect for this long: whatever keeps the array off meanwhile, weather and night do not wait.
const CLEARED_FOR_S: u64 = 60;
/// Dark is below this many percent of the smallest voltage to measure with.
const DARK_PERCENT: i64 = 80;

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Light {
    Dark { since: SampleIndex },
    Lit { since: SampleIndex },
}

/// What the schedule wants of the measurement now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Due {
    /// Begin, unless one is under way.
    Measure,
    /// Carry on with one that is under way, do not begin.
    Wait,
    /// None may be under way.
    Never,
}

/// Light, and the last measurement.
#[derive(Debug)]
pub struct Schedule {
    rate: u64,
    light: Light,
    /// Darkness was long enough to count; told once.
    night: bool,
    /// Earliest moment of the next measurement, as far as the last one has a say.
    not_before: SampleIndex,
    /// When the last measurement ended, or the state was entered.
    last: SampleIndex,
    /// Insulation was measured good in this rest.
    cleared: bool,
    /// A person or a host asked.
    asked: bool,
    /// The last measurement wants another one soon: low or failed.
    again: bool,
}

impl Schedule {
    pub fn new(sample_rate_hz: u32) -> Self {
        Self {
            rate: u64::from(sample_rate_hz),
            light: Light::Dark {
                since: SampleIndex(0),
            },
            night: false,
            not_before: SampleIndex(0),
            last: SampleIndex(0),
            cleared: false,
            asked: false,
            again: false,
        }
    }

    /// Takes note of the array voltage. True once, when it has just become night.
    pub fn light(&mut self, now: SampleIndex, v_mv: i64, v_min_mv: i64) -> bool {
        match self.light {
            Light::Dark { .. } if v_mv >= v_min_mv => {
                self.light = Light::Lit { since: now };
                self.night = false;
            }
            Light::Lit { .. } if v_mv * 100 < v_min_mv * DARK_PERCENT => {
                self.light = Light::Dark { since: now };
                self.cleared = false;
            }
            Light::Dark { .. } | Light::Lit { .. } => {}
        }
        let falls = !self.night && self.dark_for(now, DARK_FOR_S);
        self.night |= falls;
        falls
    }

    fn dark_for(&self, now: SampleIndex, seconds: u64) -> bool {
        matches!(self.light, Light::Dark { since } if now.since(since) >= seconds * self.rate)
    }

    /// The array has given voltage long enough.
    fn lit(&self, now: SampleIndex) -> bool {
        matches!(self.light, Light::Lit { since } if now.since(since) >= LIT_FOR_S * self.rate)
    }

    /// What to do about measuring now.
    pub fn due(&self, now: SampleIndex, state: TripState, check: &InsulationCheck) -> Due {
        let may_begin = match state {
            TripState::Closing | TripState::Opening | TripState::FailedToOpen => return Due::Never,
            TripState::Resting | TripState::Closed | TripState::Latched | TripState::LockedOut => {
                self.lit(now)
            }
        };
        if may_begin && now >= self.begin_at(state, check) {
            Due::Measure
        } else {
            Due::Wait
        }
    }

    /// The earliest begin of a measurement in this state, light aside.
    fn begin_at(&self, state: TripState, check: &InsulationCheck) -> SampleIndex {
        const NEVER: SampleIndex = SampleIndex(u64::MAX);
        if self.asked || self.again {
            return self.not_before;
        }
        match state {
            TripState::Resting if check.before_connect && self.cleared => self.cleared_until(),
            TripState::Resting if check.before_connect => self.not_before,
            TripState::Closed if check.every_s > 0 => {
                self.last.after(u64::from(check.every_s) * self.rate)
            }
            TripState::Latched | TripState::LockedOut => self
                .last
                .after(LATCHED_EVERY_S * self.rate)
                .max(self.not_before),
            TripState::Resting
            | TripState::Closed
            | TripState::Closing
            | TripState::Opening
            | TripState::FailedToOpen => NEVER,
        }
    }

    /// Until when a good measurement allows to connect.
    fn cleared_until(&self) -> SampleIndex {
        self.last.after(CLEARED_FOR_S * self.rate)
    }

    /// Other limits: what was measured has to be held against them.
    pub fn renew(&mut self) {
        self.cleared = false;
        self.again = true;
    }

    /// A measurement ended; `again` asks for another one after a short pause, a longer one while the array is connected:
    /// its bond is open meanwhile.
    pub fn measured(&mut self, now: SampleIndex, state: TripState, good: bool, again: bool) {
        self.last = now;
        let pause_s = match state {
            TripState::Closed => CONNECTED_PAUSE_S,
            _ => RETRY_AFTER_S,
        };
        self.not_before = now.after(pause_s * self.rate);
        self.cleared = good;
        self.asked = false;
        self.again = again;
    }

    /// The trip logic entered another state.
    pub fn entered(&mut self, now: SampleIndex, state: TripState) {
        match state {
            TripState::Resting | TripState::Latched | TripState::LockedOut => {
                self.cleared = false;
                // A latched fault is looked at soon, so that a person can reset it after mending.
                self.not_before = now.after(self.rate);
                self.again = state != TripState::Resting;
                self.last = now;
            }
            TripState::Closing
            | TripState::Closed
            | TripState::Opening
            | TripState::FailedToOpen => {}
        }
    }

    /// Asks for a measurement; whether this state allows one.
    pub fn ask(&mut self, now: SampleIndex, state: TripState) -> bool {
        let allowed = matches!(
            state,
            TripState::Resting | TripState::Closed | TripState::Latched | TripState::LockedOut
        );
        let soon = state == TripState::Closed && now < self.not_before;
        if allowed && !soon {
            self.asked = true;
            self.not_before = now;
        }
        allowed && !soon
    }

    /// Light and insulation allow to connect.
    pub fn may_close(&self, now: SampleIndex, check: &InsulationCheck) -> bool {
        let cleared = self.cleared && now < self.cleared_until();
        self.lit(now) && (cleared || !check.before_connect)
    }

    /// It has been dark long enough to disconnect.
    pub fn must_rest(&self, now: SampleIndex) -> bool {
        self.dark_for(now, DARK_FOR_S)
    }

    /// The next moment at which this schedule changes its mind by itself.
    pub fn next(&self, state: TripState, check: &InsulationCheck) -> SampleIndex {
        match self.light {
            Light::Lit { since } => {
                let lit = since.after(LIT_FOR_S * self.rate);
                let begin = lit.max(self.begin_at(state, check));
                let may_close = self.cleared || !check.before_connect;
                if state == TripState::Resting && may_close {
                    begin.min(lit)
                } else {
                    begin
                }
            }
            Light::Dark { since } if !self.night => since.after(DARK_FOR_S * self.rate),
            Light::Dark { .. } => SampleIndex(u64::MAX),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CHECK: InsulationCheck = InsulationCheck {
        before_connect: true,
        every_s: 600,
        v_min: ohmward_proto::units::Volts(30.0),
        state_ms_max: 5000,
    };

    fn at_s(s: u64) -> SampleIndex {
        SampleIndex(s * 4000)
    }

    #[test]
    fn a_morning() {
        let mut s = Schedule::new(4000);
        assert!(!s.may_close(at_s(10), &CHECK));
        s.light(at_s(100), 31_000, 30_000);
        assert_eq!(s.due(at_s(101), TripState::Resting, &CHECK), Due::Wait);
        assert_eq!(s.due(at_s(102), TripState::Resting, &CHECK), Due::Measure);
        assert!(
            !s.may_close(at_s(102), &CHECK),
            "not before it was measured"
        );
        s.measured(at_s(106), TripState::Resting, true, false);
        assert!(s.may_close(at_s(106), &CHECK));
        assert_eq!(s.due(at_s(700), TripState::Closed, &CHECK), Due::Wait);
        assert_eq!(s.due(at_s(706), TripState::Closed, &CHECK), Due::Measure);
    }

    #[test]
    fn an_evening_is_told_once() {
        let mut s = Schedule::new(4000);
        s.light(at_s(100), 31_000, 30_000);
        assert!(
            !s.light(at_s(200), 25_000, 30_000),
            "between dark and light nothing changes"
        );
        s.light(at_s(300), 20_000, 30_000);
        assert!(!s.light(at_s(359), 20_000, 30_000));
        assert!(s.light(at_s(360), 20_000, 30_000));
        assert!(!s.light(at_s(361), 20_000, 30_000));
        assert!(s.must_rest(at_s(361)));
    }

    #[test]
    fn a_low_measurement_is_looked_at_again_and_does_not_connect() {
        let mut s = Schedule::new(4000);
        s.light(at_s(0), 31_000, 30_000);
        s.measured(at_s(10), TripState::Resting, false, true);
        assert!(!s.may_close(at_s(11), &CHECK));
        assert_eq!(s.due(at_s(19), TripState::Resting, &CHECK), Due::Wait);
        assert_eq!(s.due(at_s(20), TripState::Resting, &CHECK), Due::Measure);
    }
}
