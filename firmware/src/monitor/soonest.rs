//! The soonest moment at which anything that has begun could trip: what work that takes its time has to keep clear of.

use super::Monitor;
use super::current::{OWN_SWITCHING_MS, SLOW_LOOK, STARVED_MS};
use ohmward_proto::units::{Amps, SampleIndex};

/// Room above what the front end can show: the test current is taken off its values.
const BEYOND_FULL_SCALE: f32 = 1.1;
/// Looks at the fuse that are thought ahead: 32 ms at 4 kS/s.
const FUSE_LOOKS: u64 = 8;

impl Monitor {
    /// Samples until a trip could fall at the soonest, whatever they bring: 1 = with the next one. A lower bound over every
    /// limit, loss and supervision that is being timed; [`u64::MAX`] when nothing is. What has not begun yet is not in it: the
    /// quickest of that, a sudden change that needs no hold time, takes an eighth of a mains cycle from its first sample on.
    pub fn soonest_trip(&self) -> u64 {
        if self.trip_asked || self.pending_trip.is_some() {
            return 1;
        }
        let now = self.now;
        let until = |since: SampleIndex, samples: u64| {
            since.0.saturating_add(samples).saturating_sub(now.0).max(1)
        };
        let starved = self.starved_since.map_or(u64::MAX, |since| {
            until(since, self.identity.samples(STARVED_MS) + 1)
        });
        [
            self.derived.continuous.soonest(&self.continuous),
            self.derived.ground_fault.soonest(&self.ground_fault),
            self.sudden.soonest(now),
            self.plausible.soonest(),
            self.bond.soonest(now),
            self.latch.soonest(now, &self.derived.latch),
            self.self_test.soonest(),
            self.watch.soonest(),
            self.soonest_after_check(),
            self.soonest_of_fuse(),
            starved,
        ]
        .into_iter()
        .min()
        .unwrap_or(1)
    }

    /// The current from before a check is compared once the switching has rung out and two cycles are there, and again with the
    /// next step of the period that is followed.
    fn soonest_after_check(&self) -> u64 {
        let Some(before) = &self.before else {
            return u64::MAX;
        };
        if before.compared {
            let by = self.compares_by(before).0.saturating_sub(self.now.0);
            return self.sudden.soonest_compare().min(by).max(1);
        }
        let ringing = self.identity.samples(OWN_SWITCHING_MS) + 1;
        let rung_out = if self.looks_away() {
            ringing
        } else {
            (self.looked_away.0 + ringing).saturating_sub(self.now.0)
        };
        rung_out.max(self.sudden.soonest_cycles(self.now)).max(1)
    }

    /// The fuse is judged every few samples, and warms slowly even at full scale.
    fn soonest_of_fuse(&self) -> u64 {
        let most = Amps(self.front_end.largest().0 * BEYOND_FULL_SCALE);
        if self.has_fuse() && self.fuse.could_trip(most, FUSE_LOOKS * SLOW_LOOK) {
            SLOW_LOOK - self.now.0 % SLOW_LOOK
        } else {
            // At the look after those at the soonest.
            FUSE_LOOKS * SLOW_LOOK
        }
    }
}
