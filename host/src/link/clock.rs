//! The board's sample counter against the clock on the wall.

use ohmward_proto::message::Hello;
use ohmward_proto::units::SampleIndex;

/// Maps a board's samples to Unix time, for one run of the board.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    rate: f64,
    /// A moment known on both sides.
    at: SampleIndex,
    unix_us: i64,
    /// Half the round trip in which it was learned.
    uncertainty_us: i64,
    /// The board has a wall clock of its own: nothing a round trip says is better.
    own: bool,
}

impl Clock {
    /// From a hello. A board with a wall clock is believed; else the hello was sent at most a moment before it came.
    pub fn new(hello: &Hello, received_us: i64) -> Self {
        let rate = f64::from(hello.sample_rate_hz.max(1));
        match hello.epoch_unix_ms {
            Some(epoch_ms) => Self {
                rate,
                at: SampleIndex(0),
                unix_us: epoch_ms.saturating_mul(1000),
                uncertainty_us: 0,
                own: true,
            },
            None => Self {
                rate,
                at: hello.at,
                unix_us: received_us,
                uncertainty_us: i64::MAX,
                own: false,
            },
        }
    }

    /// A question for the sample counter left at `asked_us` and its answer came at `received_us`.
    pub fn learn(&mut self, at: SampleIndex, asked_us: i64, received_us: i64) {
        let uncertainty = (received_us - asked_us).max(0) / 2;
        // Crystals drift by tens of ppm: an old exchange loses 50 µs a second against a new one.
        let aged = (at.since(self.at) as f64 / self.rate * 50.0) as i64;
        if !self.own && uncertainty <= self.uncertainty_us.saturating_add(aged) {
            self.at = at;
            self.unix_us = asked_us + uncertainty;
            self.uncertainty_us = uncertainty;
        }
    }

    /// Unix time of a sample in µs.
    pub fn unix_us(&self, at: SampleIndex) -> i64 {
        let samples = if at >= self.at {
            at.since(self.at) as f64
        } else {
            -(self.at.since(at) as f64)
        };
        self.unix_us
            .saturating_add((samples / self.rate * 1e6).round() as i64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ohmward_proto::message::BoardId;

    fn hello(epoch_unix_ms: Option<i64>) -> Hello {
        Hello {
            protocol: 1,
            firmware: (0, 1, 0),
            board: BoardId(1),
            boot: 1,
            at: SampleIndex(4000),
            sample_rate_hz: 4000,
            settings_hash: 0,
            calibration_id: 0,
            epoch_unix_ms,
        }
    }

    #[test]
    fn a_board_with_a_clock_is_believed() {
        let mut clock = Clock::new(&hello(Some(1000)), 77);
        clock.learn(SampleIndex(8000), 0, 10);
        assert_eq!(clock.unix_us(SampleIndex(8000)), 3_000_000);
    }

    #[test]
    fn without_one_the_shortest_round_trip_counts() {
        let mut clock = Clock::new(&hello(None), 1_000_000);
        assert_eq!(clock.unix_us(SampleIndex(0)), 0);
        clock.learn(SampleIndex(8000), 2_000_000, 2_400_000);
        assert_eq!(clock.unix_us(SampleIndex(8000)), 2_200_000);
        clock.learn(SampleIndex(8400), 2_290_000, 2_310_000);
        assert_eq!(clock.unix_us(SampleIndex(8400)), 2_300_000);
        clock.learn(SampleIndex(8800), 2_350_000, 2_950_000);
        assert_eq!(
            clock.unix_us(SampleIndex(8400)),
            2_300_000,
            "a long one teaches nothing"
        );
    }
}
