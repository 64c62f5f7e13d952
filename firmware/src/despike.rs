//! Surges: counted, kept out of the windows, never part of a trip.
//!
//! An induced 8/20 µs surge reaches the converter as a spike of a millisecond or less behind the anti-alias filter,
//! and its mean over 20 ms would stand far above any fault limit. So a sample beyond the surge level is held back: the
//! windows get the last ordinary value instead, for at most [`SPIKE_MS_MAX`]. What lasts longer is no surge but a fault
//! current, and from then on goes in as it is: the price is that delay on currents beyond the surge level.

use crate::calibrate::MicroAmps;

/// Longest spike, in ms: ten times what an 8/20 or 10/350 µs surge leaves behind a 1 kHz filter (computed in the plant's
/// tests), and a quarter of the shortest hold time that settings allow.
pub const SPIKE_MS_MAX: u32 = 5;

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

#[derive(Debug)]
enum State {
    Ordinary,
    Spike(Spike),
    /// Beyond the level for longer than a spike lasts.
    Fault,
}

/// Holds spikes back.
#[derive(Debug)]
pub struct Despike {
    level: i32,
    samples_max: u16,
    last_ordinary: MicroAmps,
    state: State,
}

impl Despike {
    pub fn new(level: MicroAmps, sample_rate_hz: u32) -> Self {
        Self {
            level: level.0,
            samples_max: (sample_rate_hz * SPIKE_MS_MAX / 1000) as u16,
            last_ordinary: MicroAmps(0),
            state: State::Ordinary,
        }
    }

    /// A spike is being held back, or a current beyond the level flows.
    pub fn busy(&self) -> bool {
        !matches!(self.state, State::Ordinary)
    }

    pub fn step(&mut self, i: MicroAmps) -> Despiked {
        if i.0.saturating_abs() <= self.level {
            let spike = match core::mem::replace(&mut self.state, State::Ordinary) {
                State::Spike(spike) => Some(spike),
                State::Ordinary | State::Fault => None,
            };
            self.last_ordinary = i;
            return Despiked { value: i, spike };
        }
        let value = match &mut self.state {
            State::Fault => i,
            State::Ordinary => {
                self.state = State::Spike(Spike {
                    peak: i,
                    samples: 1,
                });
                self.last_ordinary
            }
            State::Spike(spike) if spike.samples >= self.samples_max => {
                self.state = State::Fault;
                i
            }
            State::Spike(spike) => {
                spike.samples += 1;
                if i.0.saturating_abs() > spike.peak.0.saturating_abs() {
                    spike.peak = i;
                }
                self.last_ordinary
            }
        };
        Despiked { value, spike: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn despike() -> Despike {
        Despike::new(MicroAmps(2_000_000), 4000)
    }

    #[test]
    fn a_saturated_surge_leaves_no_trace_in_the_windows() {
        let mut d = despike();
        let seen = [3_000, 25_000_000, 25_000_000, -9_000_000, 4_000];
        let out = seen.map(|i| d.step(MicroAmps(i)));
        assert_eq!(out.map(|o| o.value.0), [3_000, 3_000, 3_000, 3_000, 4_000]);
        assert_eq!(
            out[4].spike,
            Some(Spike {
                peak: MicroAmps(25_000_000),
                samples: 3
            })
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
}
