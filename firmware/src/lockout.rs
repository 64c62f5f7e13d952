//! Trips in a row: a fault that comes back after every reset wants more than a finger on a button.
//!
//! Three trips within 24 hours lock the board out: from then on a reset needs the maintenance switch as well (common
//! practice for automatic devices, no source). Trips that a host asked for do not count.

use ohmward_proto::units::SampleIndex;

/// So many trips within the span lock out.
const TRIPS: usize = 3;
/// The span, in hours.
const WITHIN_H: u64 = 24;

/// The latest trips.
#[derive(Debug)]
pub struct RecentTrips {
    at: [Option<SampleIndex>; TRIPS],
    span: u64,
}

impl RecentTrips {
    /// `kept`: trips that counted when the supply went away. Nobody knows how long ago that was: they count from now.
    pub fn new(sample_rate_hz: u32, kept: u8) -> Self {
        let mut recent = Self {
            at: [None; TRIPS],
            span: WITHIN_H * 3600 * u64::from(sample_rate_hz),
        };
        for _ in 0..kept.min(TRIPS as u8) {
            recent.note(SampleIndex(0));
        }
        recent
    }

    /// One more.
    pub fn note(&mut self, now: SampleIndex) {
        self.at.rotate_left(1);
        if let Some(last) = self.at.last_mut() {
            *last = Some(now);
        }
    }

    /// Trips within the span.
    pub fn count(&self, now: SampleIndex) -> u8 {
        let lately = |at: &&Option<SampleIndex>| at.is_some_and(|at| now.since(at) < self.span);
        self.at.iter().filter(lately).count() as u8
    }

    /// That is too many.
    pub fn too_many(&self, now: SampleIndex) -> bool {
        usize::from(self.count(now)) >= TRIPS
    }

    /// A person with the maintenance switch on has taken it in hand.
    pub fn clear(&mut self) {
        self.at = [None; TRIPS];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_within_a_day_are_too_many_and_a_day_later_no_more() {
        let hour = |h: u64| SampleIndex(h * 3600 * 4000);
        let mut trips = RecentTrips::new(4000, 0);
        trips.note(hour(1));
        trips.note(hour(10));
        assert!(!trips.too_many(hour(10)));
        trips.note(hour(24));
        assert!(trips.too_many(hour(24)));
        assert!(!trips.too_many(hour(25)));
        trips.note(hour(30));
        assert!(trips.too_many(hour(30)), "the window slides");
        trips.clear();
        assert_eq!(trips.count(hour(30)), 0);
        assert!(RecentTrips::new(4000, 3).too_many(hour(0)));
    }
}
