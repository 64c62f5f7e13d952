//! Samples that are missing, and time in which nothing happens.

use super::{LOST_HELD_MAX, Monitor, Rest};
use crate::calibrate::MicroAmps;
use ohmward_proto::measure::NotMeasured;
use ohmward_proto::units::SampleIndex;

impl Monitor {
    /// A few missed samples are taken as the last one again; more of them begin everything afresh.
    pub(super) fn lost_samples(&mut self, lost: u16) {
        self.spectrum = None;
        if self.latch.contactor() {
            self.self_test.stop();
        }
        if lost <= LOST_HELD_MAX {
            for _ in 0..lost {
                self.now = self.now.after(1);
                self.push_current(self.last_ordinary);
                self.v_pos.push(self.v_pos.newest());
                self.v_neg.push(self.v_neg.newest());
            }
            self.capture.break_off(self.now.after(1));
        } else {
            self.break_off();
            self.now = self.now.after(u64::from(lost));
        }
        let state = self.latch.state();
        let watched = self
            .watch
            .break_off(self.now, state, NotMeasured::Interrupted);
        self.note_all(watched);
    }

    /// Until when every sample would only repeat the last whole cycle, as far as the monitor knows.
    ///
    /// A simulated world that also rests may then call [`Self::skip_to`]; metal never does.
    pub fn rest(&self) -> Rest {
        let busy = !self.i_bond.full()
            || self.latch.busy()
            || self.watch.measuring()
            || self.timing()
            || self.plausible.busy()
            || self.capture.busy()
            || self.spectrum.is_some()
            || self.self_test.busy()
            || self.command.is_some()
            || self.pending_trip.is_some();
        // A reading needs a whole window before it.
        let window = self.i_bond.len() as u64 + 1;
        let reading = SampleIndex(self.next_reading.0.saturating_sub(window));
        let next = reading.min(self.watch.next(self.latch.state()));
        if busy || next <= self.now.after(window) {
            Rest::Busy
        } else {
            Rest::Until(next)
        }
    }

    /// Jumps over samples that would have changed nothing: the next sample gets the index `at`.
    pub fn skip_to(&mut self, at: SampleIndex) {
        if at > self.now.after(1) {
            let skipped = at.0 - 1 - self.now.0;
            self.despike.rest(skipped);
            self.fuse.warm(MicroAmps(self.i_bond.rms()).amps(), skipped);
            self.break_off();
            self.now = SampleIndex(at.0 - 1);
        }
    }

    /// Samples are missing: windows fill afresh, a capture does not bridge the gap.
    pub(super) fn break_off(&mut self) {
        self.i_bond.clear();
        self.v_pos.clear();
        self.v_neg.clear();
        self.sudden.break_off();
        self.self_test.stop();
        self.spectrum = None;
        self.capture.break_off(self.now.after(1));
    }
}
