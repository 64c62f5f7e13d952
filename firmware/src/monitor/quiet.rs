//! Samples that are missing, and time in which nothing happens.

use super::current::STEP_QUARTERS;
use super::{LOST_HELD_MAX, Monitor, Rest};
use crate::calibrate::MicroAmps;
use ohmward_proto::measure::{BondCurrent, Channel, NotMeasured, Reading};
use ohmward_proto::units::{Amps, SampleIndex, Volts};

impl Monitor {
    /// A few missed samples are taken as the last one again; more of them begin everything afresh.
    pub(super) fn lost_samples(&mut self, lost: u16) {
        self.spectrum = None;
        if self.latch.contactor() {
            self.self_test.stop();
        }
        if lost <= LOST_HELD_MAX {
            let most = 2 * self.i_bond.len() as u64;
            self.filled_in = (self.filled_in + u64::from(lost)).min(most);
            for _ in 0..lost {
                self.now = self.now.after(1);
                self.push_current(self.last_ordinary);
                self.v_pos.push(self.v_pos.newest());
                self.v_neg.push(self.v_neg.newest());
            }
            self.capture.break_off(self.now.after(1));
        } else {
            self.remember_current(STEP_QUARTERS);
            self.break_off(u64::from(lost));
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
        // A reading needs a whole window before it.
        let window = self.i_bond.len() as u64 + 1;
        let reading = SampleIndex(self.next_reading.0.saturating_sub(window));
        self.rest_until(reading)
    }

    /// The same with the readings left aside: a simulation may make them itself, as [`Self::quiet_reading`].
    pub fn rest_but_for_readings(&self) -> Rest {
        self.rest_until(SampleIndex(u64::MAX))
    }

    fn rest_until(&self, reading: SampleIndex) -> Rest {
        let hot = self.has_fuse() && self.fuse.would_trip(MicroAmps(self.i_bond.rms()).amps());
        let busy = !self.i_bond.full()
            || !self.poles_seen
            || hot
            || !self.sudden.watches()
            || self.sudden_blind_told
            || self.latch.busy()
            || self.watch.measuring()
            || self.timing()
            || self.plausible.busy()
            || self.capture.busy()
            || self.spectrum.is_some()
            || self.stretch.is_some()
            || self.self_test.busy()
            || self.command.is_some()
            || self.pending_trip.is_some();
        let window = self.i_bond.len() as u64 + 1;
        // Before a check its current is looked at for two cycles, to be compared with afterwards.
        let check = self.watch.next(self.latch.state()).0;
        let check = SampleIndex(check.saturating_sub(2 * window + 32));
        let next = reading.min(check);
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
            self.fuse.rest(skipped);
            self.break_off(skipped);
            self.sudden_blind = None;
            self.now = SampleIndex(at.0 - 1);
        }
    }

    /// When the next reading is due.
    pub fn next_reading(&self) -> SampleIndex {
        self.next_reading
    }

    /// Samples of a reading's window.
    pub fn window(&self) -> usize {
        self.i_bond.len()
    }

    /// The reading that is due next, of values that a simulation drew for its window, instead of one from samples. Only while
    /// [`Self::rest_but_for_readings`] allows to pass over it.
    pub fn quiet_reading(&mut self, dc: Amps, rms: Amps, v_pos: Volts, v_neg: Volts) -> Reading {
        let at = self.next_reading;
        self.next_reading = at.after(self.derived.reading_every);
        let lost = self.plausible.lost();
        let i_bond = match lost {
            Some(channel @ (Channel::IFine | Channel::IWide)) => {
                BondCurrent::NotMeasured(NotMeasured::SensorLost(channel))
            }
            _ if self.bond_open() => BondCurrent::NotMeasured(NotMeasured::BondOpen),
            _ => BondCurrent::Measured { dc, rms },
        };
        Reading {
            at,
            i_bond,
            v_pos: (!self.plausible.is_lost(Channel::VPos)).then_some(v_pos),
            v_neg: (!self.plausible.is_lost(Channel::VNeg)).then_some(v_neg),
            insulation: self.watch.insulation(),
            state: self.latch.state(),
            bond_open: self.bond_open(),
        }
    }

    /// So many samples are missing: windows fill afresh, a capture does not bridge the gap.
    pub(super) fn break_off(&mut self, missing: u64) {
        self.i_bond.clear();
        self.v_pos.clear();
        self.v_neg.clear();
        self.poles_seen = false;
        self.sudden.break_off(missing);
        self.self_test.stop();
        self.spectrum = None;
        self.capture.break_off(self.now.after(1));
    }
}
