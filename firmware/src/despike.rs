//! Surges: counted, kept out of the windows, never part of a trip, and never a cover for a fault.
//!
//! An induced 8/20 µs surge reaches the converter as a spike of a millisecond or less behind the anti-alias filter,
//! and its mean over 20 ms would stand far above any fault limit. So a sample beyond the surge level is held back: the
//! windows get the last ordinary value instead.
//!
//! Holding back spends credit, [`SPIKE_MS_MAX`] at most, which comes back at one part in [`REFILL`]. What lasts longer
//! than a surge, or comes again and again as an arc does, uses it up and from then on goes in as it is. The price is
//! that much delay on currents beyond the surge level.

use crate::calibrate::MicroAmps;

/// Longest spike, in ms: ten times what an 8/20 or 10/350 µs surge leaves behind a 1 kHz filter (computed in the plant's
/// tests), and a quarter of the shortest hold time that settings allow.
pub const SPIKE_MS_MAX: u32 = 5;
/// One held-back sample for every so many ordinary ones: a flash of twenty strokes in a second, a millisecond each,
/// is 2 %; 5 % and more is no lightning.
pub const REFILL: u32 = 20;
/// A spike is over when the current has stayed below the level for this long, in ms: a filter's ringing is one surge.
const OVER_AFTER_MS: u32 = 3;

/// A spike that is over.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Spike {
    /// Largest value, sign kept.
    pub peak: MicroAmps,
    /// Samples beyond the level.
    pub samples: u16,
}

/// What becomes of one sample.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Despiked {
    /// The value for the windows.
    pub value: MicroAmps,
    /// A spike ended here.
    pub spike: Option<Spike>,
}

#[derive(Clone, Copy, Debug)]
enum State {
    Ordinary,
    /// Beyond the level, or below it for `below` samples so far.
    Spike {
        spike: Spike,
        below: u32,
    },
    /// Beyond the level with the credit used up.
    Fault,
}

/// Holds spikes back.
#[derive(Debug)]
pub struct Despike {
    level: i32,
    over_after: u32,
    /// In parts of a sample: `REFILL` parts hold one back.
    credit: u32,
    credit_max: u32,
    last_ordinary: MicroAmps,
    state: State,
}

impl Despike {
    pub fn new(level: MicroAmps, sample_rate_hz: u32) -> Self {
        let credit_max = sample_rate_hz * SPIKE_MS_MAX / 1000 * REFILL;
        Self {
            level: level.0,
            over_after: sample_rate_hz * OVER_AFTER_MS / 1000,
            credit: credit_max,
            credit_max,
            last_ordinary: MicroAmps(0),
            state: State::Ordinary,
        }
    }

    /// A spike is being held back, or a current beyond the level flows, or not all credit is back.
    pub fn busy(&self) -> bool {
        !matches!(self.state, State::Ordinary) || self.credit < self.credit_max
    }

    pub fn step(&mut self, i: MicroAmps) -> Despiked {
        if i.0.saturating_abs() <= self.level {
            self.ordinary(i)
        } else {
            Despiked {
                value: self.beyond(i),
                spike: None,
            }
        }
    }

    fn ordinary(&mut self, i: MicroAmps) -> Despiked {
        self.last_ordinary = i;
        self.credit = (self.credit + 1).min(self.credit_max);
        let mut over = None;
        self.state = match self.state {
            State::Ordinary | State::Fault => State::Ordinary,
            State::Spike { spike, below } if below + 1 >= self.over_after => {
                over = Some(spike);
                State::Ordinary
            }
            State::Spike { spike, below } => State::Spike {
                spike,
                below: below + 1,
            },
        };
        Despiked {
            value: i,
            spike: over,
        }
    }

    /// The value for the windows in place of one beyond the level.
    fn beyond(&mut self, i: MicroAmps) -> MicroAmps {
        if self.credit < REFILL || matches!(self.state, State::Fault) {
            self.state = State::Fault;
            return i;
        }
        self.credit -= REFILL;
        let mut spike = match self.state {
            State::Spike { spike, .. } => spike,
            State::Ordinary | State::Fault => Spike {
                peak: i,
                samples: 0,
            },
        };
        spike.samples += 1;
        if i.0.saturating_abs() > spike.peak.0.saturating_abs() {
            spike.peak = i;
        }
        self.state = State::Spike { spike, below: 0 };
        self.last_ordinary
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn despike() -> Despike {
        Despike::new(MicroAmps(2_000_000), 4000)
    }

    #[test]
    fn a_saturated_surge_leaves_no_trace_in_the_windows_and_is_one_surge() {
        let mut d = despike();
        let surge = [3_000, 25_000_000, 25_000_000, 900_000, -3_700_000, 4_000];
        let values = surge.map(|i| d.step(MicroAmps(i)).value.0);
        assert_eq!(values, [3_000, 3_000, 3_000, 900_000, 900_000, 4_000]);
        let spikes: heapless::Vec<_, 4> = (0..100)
            .filter_map(|_| d.step(MicroAmps(4_000)).spike)
            .collect();
        assert_eq!(
            spikes.as_slice(),
            [Spike {
                peak: MicroAmps(25_000_000),
                samples: 3
            }]
        );
    }

    #[test]
    fn a_hard_fault_is_held_back_for_a_spike_length_and_then_let_in() {
        let mut d = despike();
        let held = (0..1000)
            .take_while(|_| d.step(MicroAmps(9_800_000)).value.0 == 0)
            .count();
        assert_eq!(held, 20); // 5 ms at 4 kS/s
        assert_eq!(d.step(MicroAmps(9_800_000)).value, MicroAmps(9_800_000));
        assert_eq!(
            d.step(MicroAmps(0)).spike,
            None,
            "a fault that ends is no surge"
        );
    }

    #[test]
    fn a_fault_below_the_level_behind_a_surge_goes_in_at_once() {
        let mut d = despike();
        d.step(MicroAmps(25_000_000));
        assert_eq!(d.step(MicroAmps(500_000)).value, MicroAmps(500_000));
    }

    /// 1 ms in every 4 ms, as an arc may burn: a quarter of the time is not lightning.
    #[test]
    fn an_arc_that_strikes_again_and_again_is_let_in() {
        let mut d = despike();
        let passed = (0..4000)
            .filter(|n| {
                let i = MicroAmps(if n % 16 < 4 { 5_000_000 } else { 0 });
                d.step(i).value.0 > 2_000_000
            })
            .count();
        assert!(passed > 700, "{passed} of 1000");
    }

    /// Twenty strokes in a second, 1 ms each.
    #[test]
    fn a_flash_of_many_strokes_is_held_back() {
        let mut d = despike();
        let passed = (0..4000)
            .filter(|n| {
                let i = MicroAmps(if n % 200 < 4 { 25_000_000 } else { 0 });
                d.step(i).value.0 > 2_000_000
            })
            .count();
        assert_eq!(passed, 0);
    }
}
