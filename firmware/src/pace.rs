//! When an event that was not acknowledged is sent again, and how many may be under way.
//!
//! The retransmission timer of RFC 6298 (2.2, 2.3, 5.5 and Karn's rule in 3), in samples: the time an acknowledgement takes is
//! measured, so a line of 9600 baud with a slow disk behind it is not flooded with repeats, and each repeat without an
//! answer doubles the wait. A host that asks who is there begins it afresh.

use ohmward_proto::event::EventId;
use ohmward_proto::units::SampleIndex;

/// Before anything is measured, s; the least and the longest wait.
const FIRST_S: u64 = 2;
const LEAST_S: u64 = 1;
const MOST_S: u64 = 60;
/// Events under way without an answer.
const WINDOW: u8 = 32;

/// Waiting times, learned from acknowledgements.
#[derive(Debug)]
pub struct Pace {
    second: u64,
    wait: u64,
    /// Smoothed time to an acknowledgement and its spread, samples · 8 and samples · 4.
    smoothed: Option<(u64, u64)>,
    /// An event sent once whose acknowledgement is being timed.
    timed: Option<(EventId, SampleIndex)>,
    under_way: u8,
    last_sent: SampleIndex,
    doubled: SampleIndex,
}

impl Pace {
    pub fn new(sample_rate_hz: u32) -> Self {
        let second = u64::from(sample_rate_hz);
        Self {
            second,
            wait: FIRST_S * second,
            smoothed: None,
            timed: None,
            under_way: 0,
            last_sent: SampleIndex(0),
            doubled: SampleIndex(0),
        }
    }

    /// Samples after which what was sent and not acknowledged goes out again.
    pub fn wait(&self) -> u64 {
        self.wait
    }

    /// Whether another event may be under way.
    pub fn has_room(&mut self, now: SampleIndex) -> bool {
        if now.since(self.last_sent) > self.wait {
            self.under_way = 0; // whatever was sent is taken for lost
        }
        self.under_way < WINDOW
    }

    /// An event goes out; `again` if it had been sent before.
    pub fn sent(&mut self, now: SampleIndex, id: EventId, again: bool) {
        self.under_way = self.under_way.saturating_add(1);
        self.last_sent = now;
        if !again {
            self.timed.get_or_insert((id, now));
            return;
        }
        // Whose acknowledgement it would be could not be told: it is timed no more.
        if self.timed.is_some_and(|(timed, _)| timed == id) {
            self.timed = None;
        }
        // Once for all that are due together.
        if now.since(self.doubled) >= self.wait {
            self.wait = (2 * self.wait).min(MOST_S * self.second);
            self.doubled = now;
        }
    }

    /// The host has it.
    pub fn acknowledged(&mut self, now: SampleIndex, id: EventId) {
        self.under_way = self.under_way.saturating_sub(1);
        if let Some((timed, sent)) = self.timed
            && timed == id
        {
            self.timed = None;
            self.learn(now.since(sent));
        }
    }

    fn learn(&mut self, took: u64) {
        let (smoothed, spread) = match self.smoothed {
            None => (8 * took, 2 * took),
            Some((smoothed, spread)) => {
                let off = (smoothed / 8).abs_diff(took);
                (smoothed - smoothed / 8 + took, spread - spread / 4 + off)
            }
        };
        self.smoothed = Some((smoothed, spread));
        self.settle();
    }

    /// The wait that what was measured asks for.
    fn settle(&mut self) {
        self.wait = self
            .smoothed
            .map_or(FIRST_S * self.second, |(smoothed, spread)| {
                smoothed / 8 + spread
            })
            .max(LEAST_S * self.second)
            .min(MOST_S * self.second);
    }

    /// A host has (re)appeared.
    pub fn begin_again(&mut self) {
        self.timed = None;
        self.under_way = 0;
        self.settle();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 4000;

    fn id(seq: u32) -> EventId {
        EventId { boot: 1, seq }
    }

    fn seconds(s: f64) -> SampleIndex {
        SampleIndex((s * f64::from(RATE)) as u64)
    }

    /// RFC 6298, 2.2: the first measurement R gives SRTT = R, RTTVAR = R/2, so RTO = R + 4 · R/2 = 3 R; 2.3: then
    /// RTTVAR = 3/4 RTTVAR + 1/4 |SRTT − R'|, SRTT = 7/8 SRTT + 1/8 R'.
    #[test]
    fn the_wait_is_that_of_rfc_6298() {
        let mut pace = Pace::new(RATE);
        pace.sent(seconds(0.0), id(0), false);
        pace.acknowledged(seconds(0.8), id(0));
        assert_eq!(pace.wait(), seconds(2.4).0);
        pace.sent(seconds(10.0), id(1), false);
        pace.acknowledged(seconds(11.6), id(1));
        // RTTVAR = 0.75 · 0.4 + 0.25 · 0.8 = 0.5; SRTT = 0.875 · 0.8 + 0.125 · 1.6 = 0.9; RTO = 2.9.
        assert!(pace.wait().abs_diff(seconds(2.9).0) <= 8, "{}", pace.wait());
    }

    #[test]
    fn without_an_answer_the_wait_doubles_to_a_minute_and_an_ambiguous_answer_is_not_timed() {
        let mut pace = Pace::new(RATE);
        let mut now = 0;
        pace.sent(SampleIndex(now), id(0), false);
        for _ in 0..8 {
            now += pace.wait() + 1;
            pace.sent(SampleIndex(now), id(0), true);
            pace.sent(SampleIndex(now), id(1), true); // due together: no second doubling
        }
        assert_eq!(pace.wait(), 60 * u64::from(RATE));
        pace.acknowledged(SampleIndex(now + 1), id(0));
        assert_eq!(pace.wait(), 60 * u64::from(RATE), "whose answer was that?");
        pace.begin_again();
        assert_eq!(pace.wait(), 2 * u64::from(RATE));
    }

    #[test]
    fn so_many_are_under_way_and_no_more() {
        let mut pace = Pace::new(RATE);
        let now = seconds(1.0);
        let mut sent = 0;
        while pace.has_room(now) {
            pace.sent(now, id(sent), false);
            sent += 1;
        }
        assert_eq!(sent, u32::from(WINDOW));
        pace.acknowledged(now, id(3));
        assert!(pace.has_room(now));
        pace.sent(now, id(99), false);
        assert!(!pace.has_room(seconds(2.9)));
        assert!(pace.has_room(seconds(3.1)), "all of it is taken for lost");
    }
}
