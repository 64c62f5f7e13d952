//! The limits on the bond current: windows, sudden changes, the bond itself, and the blind moments around the board's own
//! switching.

use super::Monitor;
use crate::bond::BondSeen;
use crate::calibrate::{Calibrated, MicroAmps, MilliVolts};
use crate::capture::Worth;
use crate::limits::Verdict;
use crate::monitor::{Before, DcAndAc, Outputs};
use crate::spectrum::Spectrum;
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::settings::Earthing;
use ohmward_proto::units::{SampleIndex, Volts};

/// Samples between two looks at light and bond: 4 ms at 4 kS/s.
pub(super) const SLOW_LOOK: u64 = 16;
/// How long the array may stay connected while so many samples are missed that no window fills, or more than half of them, in ms:
/// what is timed by samples takes twice as long then.
pub(super) const STARVED_MS: u64 = 200;
/// A spectrum goes with a reading at most this often, in s.
const SPECTRUM_EVERY_S: u64 = 60;
/// How long sudden changes may go unwatched until that is told, in s.
const SUDDEN_BLIND_S: u64 = 5;
/// How long what the board switches may ring in the bond current: contactor movement and the charging of leakage
/// capacitance when the bond closes.
pub(super) const OWN_SWITCHING_MS: u64 = 60;
/// By when the waveform is compared with itself again after a check, in ms: 60 ms of ringing, five cycles in step. A current that
/// does not repeat with the mains is compared with the one before at this moment for the last time.
pub(super) const COMPARES_AGAIN_MS: u64 = 400;
/// Change of the bond current that is a step, in quarters of the lowest sudden level; and where the test current comes or goes, of
/// which 15 % may be wrong.
pub(super) const STEP_QUARTERS: i32 = 3;
const TEST_QUARTERS: i32 = 5;

impl Monitor {
    pub(super) fn fill_windows(&mut self, seen: &Calibrated) {
        self.filled_in = self.filled_in.saturating_sub(1);
        let i = self.without_test_current(seen.i_bond);
        if self.has_fuse()
            && let Some(i2t_a2s) = self.fuse.strain(i)
        {
            self.note(EventKind::FuseStrained { i2t_a2s });
        }
        let cycle_ago = self
            .sudden
            .a_cycle_ago()
            .or_else(|| self.i_bond.oldest().map(MicroAmps));
        let despiked = self.despike.step(i, cycle_ago);
        self.push_current(despiked.value);
        self.v_pos.push(self.v_pos_median.step(seen.v_pos.0));
        self.v_neg.push(self.v_neg_median.step(seen.v_neg.0));
        self.last_ordinary = despiked.value;
        if let Some(spike) = despiked.spike {
            let id = self.note(EventKind::Surge {
                peak: spike.peak.amps(),
                samples: spike.samples,
            });
            self.keep_waveform(id, Worth::Surge);
        }
    }

    /// Gives every detector the value of one sample, surges held out already.
    pub(super) fn push_current(&mut self, value: MicroAmps) {
        self.i_bond.push(value.0);
        // A step found in samples that were filled in for missed ones still counts.
        let step = self.sudden.step(self.now, value);
        self.sudden_step = step.or(self.sudden_step);
    }

    /// Limits on the bond current, a lost sensor first: its values are worth nothing.
    pub(super) fn current_trip(&mut self) -> Option<(TripCause, SampleIndex)> {
        let now = self.now;
        let sudden = self.sudden_step.take();
        if let Some(channel) = self.plausible.lost() {
            self.continuous.clear();
            self.ground_fault.clear();
            return Some((TripCause::SensorLost(channel), now));
        }
        let full = self.i_bond.full();
        let starved = !full || self.filled_in > self.i_bond.len() as u64;
        if starved && self.latch.contactor() {
            let since = *self.starved_since.get_or_insert(now);
            if now.since(since) > self.identity.samples(STARVED_MS) {
                return Some((TripCause::SamplesLost, since));
            }
        } else {
            self.starved_since = None;
        }
        if !full {
            return None;
        }
        let slow = self.slow_look();
        if slow {
            self.found_slowly = self.bond_trip();
        } else if !self.latch.tripped() {
            self.found_slowly = None;
        }
        if let Some(trip) = self.found_slowly.or_else(|| self.changed_over_check()) {
            return Some(trip);
        }
        let window = &self.i_bond;
        let derived = &self.derived;
        let ground_fault = derived
            .ground_fault
            .step(&mut self.ground_fault, now, |level| {
                window.mean_above(level)
            });
        let continuous = derived
            .continuous
            .step(&mut self.continuous, now, |level| window.rms_above(level));
        let limits = &self.settings.current;
        let rms = MicroAmps(if slow { window.rms() } else { 0 }).amps();
        let hot = slow && self.has_fuse() && self.fuse.warm(rms, SLOW_LOOK);
        if slow
            && !self.sudden.busy()
            && !self.continuous.picked_up()
            && now.since(self.stood_at) >= self.i_bond.len() as u64
        {
            let [_, newer] = self.standing;
            self.standing = [newer, self.i_bond.totals()];
            self.stood_at = now;
        }
        if let Some(sudden) = sudden {
            let cause = TripCause::SuddenChange {
                peak: sudden.peak,
                limit: sudden.level,
            };
            return Some((cause, sudden.since));
        }
        match (ground_fault, continuous) {
            (Verdict::Trip { since }, _) => Some((
                TripCause::GroundFaultCurrent {
                    dc: MicroAmps(window.mean()).amps(),
                    limit: limits.ground_fault.above,
                },
                since,
            )),
            (_, Verdict::Trip { since }) => Some((
                TripCause::ContinuousCurrent {
                    rms: MicroAmps(window.rms()).amps(),
                    limit: limits.continuous.above,
                },
                since,
            )),
            (Verdict::Quiet | Verdict::PickedUp, Verdict::Quiet | Verdict::PickedUp) => {
                let rating = self.fuse.rating();
                self.found_slowly = hot.then_some((TripCause::FuseHeated { rms, rating }, now));
                self.found_slowly
            }
        }
    }

    /// DC and the RMS of all else, over two cycles of the mains as they are followed.
    fn cycles(&self) -> Option<DcAndAc> {
        let (dc, ac) = self.sudden.dc_and_ac()?;
        Some(DcAndAc { dc, ac })
    }

    /// The samples that a sudden change would be found by are about to be forgotten: what flows now is compared with what
    /// flows afterwards. It may change by so many quarters of the lowest sudden level.
    pub(super) fn remember_current(&mut self, quarters: i32) {
        // Behind an open bond nothing flows that could be compared.
        if !self.latch.contactor() || self.was_away {
            return;
        }
        if let Some(before) = &mut self.before {
            before.compared = false;
            return;
        }
        let at = self.now;
        // A change that is being timed is no part of what was there before.
        let current = if self.sudden.busy() {
            Some(self.stood())
        } else {
            self.cycles()
        };
        self.before = current.map(|current| Before {
            current,
            at,
            quarters,
            compared: false,
        });
    }

    /// What flowed before anything picked up.
    pub(super) fn stood(&self) -> DcAndAc {
        let [standing, _] = self.standing;
        let (dc, ac) = standing.dc_and_ac(self.i_bond.len());
        DcAndAc { dc, ac }
    }

    /// A ground-fault fuse stands in the bond.
    pub(super) fn has_fuse(&self) -> bool {
        matches!(
            self.settings.earthing,
            Earthing::NegativeBonded | Earthing::PositiveBonded
        )
    }

    /// DC and the RMS of all else, over the last whole cycles.
    pub(super) fn dc_and_ac(&self) -> DcAndAc {
        let (dc, rms) = (i64::from(self.i_bond.mean()), i64::from(self.i_bond.rms()));
        DcAndAc {
            dc: dc as i32,
            ac: (rms * rms - dc * dc).max(0).isqrt() as i32,
        }
    }

    /// Begins a spectrum so that it ends with the next reading, and takes a sample into it.
    pub(super) fn analyse(&mut self) {
        let window = self.i_bond.len();
        let soon = self.now.after(window as u64) >= self.next_reading
            && self.next_reading >= self.next_spectrum;
        if soon && self.analysed_for != self.next_reading && self.i_bond.full() {
            self.analysed_for = self.next_reading;
            self.spectrum = Some(Spectrum::begin(self.sudden.cycle(), window));
        }
        if self.bond_open() || self.plausible.lost().is_some() {
            self.spectrum = None;
        }
        let Some(spectrum) = &mut self.spectrum else {
            return;
        };
        let rate = self.identity.sample_rate_hz;
        if let Some(made) = spectrum.step(self.now, self.last_ordinary, rate) {
            self.spectrum = None;
            self.spectrum_made = Some(made);
            let pause = self.identity.samples(SPECTRUM_EVERY_S * 1000);
            self.next_spectrum = self.next_spectrum.after(pause).max(self.now);
        }
    }

    /// What changes over tens of milliseconds is looked at every few samples: its means cost divisions.
    pub(super) fn slow_look(&self) -> bool {
        self.now.0.is_multiple_of(SLOW_LOOK)
    }

    /// The bond was told to be closed and does not hold its pole. To be asked at every slow look.
    pub(super) fn bond_trip(&mut self) -> Option<(TripCause, SampleIndex)> {
        let (v_pos, v_neg) = (self.v_pos.mean(), self.v_neg.mean());
        let seen = BondSeen {
            told_open: self.bond_open(),
            v_pos: MilliVolts(v_pos),
            v_neg: MilliVolts(v_neg),
            lit: i64::from(v_pos) - i64::from(v_neg) >= self.derived.v_min_mv,
        };
        let (v, since) = self.bond.step(self.now, self.settings.earthing, &seen)?;
        let v = Volts(v.0 as f32 * 1e-3);
        Some((TripCause::BondInterrupted { v }, since))
    }

    /// A fault that came while the bond was open for a check, over missed samples or new settings is there afterwards: compares
    /// with the current before. As soon as two cycles are there, and again when sudden changes are looked for again: what comes
    /// in between is not in their samples.
    pub(super) fn changed_over_check(&mut self) -> Option<(TripCause, SampleIndex)> {
        let before = self.before?;
        let ringing = self.identity.samples(OWN_SWITCHING_MS);
        if self.looks_away() || self.now.since(self.looked_away) <= ringing {
            return None;
        }
        let over = self.now >= self.compares_by(&before);
        let last = over || self.sudden.compares() || !self.settings.current.sudden.enabled;
        if before.compared && !last {
            return None;
        }
        let after = self.cycles();
        self.before = (!last).then_some(Before {
            compared: after.is_some(),
            ..before
        });
        let (after, quarters) = (after?, before.quarters);
        let since = before.at.max(self.looked_away);
        let before = before.current;
        let dc = after.dc.saturating_sub(before.dc);
        // Of an alternating part only the size can be compared: its angle has turned on since, nobody knows how far.
        let ac = after.ac.saturating_sub(before.ac);
        let larger = if ac.saturating_abs() > dc.saturating_abs() {
            ac
        } else {
            dc
        };
        let (dc, ac) = (i64::from(dc), i64::from(ac));
        let size = (dc * dc + ac * ac).isqrt() as i32;
        let change = if larger < 0 { -size } else { size };
        let limits = &self.settings.current.sudden;
        let level = MicroAmps::from_amps(limits.low.above).0;
        let allowed = level / 4 * quarters;
        (limits.enabled && change.saturating_abs() > allowed).then_some((
            TripCause::SuddenChange {
                peak: MicroAmps(change).amps(),
                limit: limits.low.above,
            },
            since,
        ))
    }

    /// When the current is compared with the one before for the last time.
    pub(super) fn compares_by(&self, before: &Before) -> SampleIndex {
        let samples = self.identity.samples(COMPARES_AGAIN_MS);
        before.at.max(self.looked_away).after(samples)
    }

    /// Tells when sudden changes cannot be watched for long, and when they can again.
    pub(super) fn watch_sudden(&mut self) {
        let blind = self.latch.contactor() && self.sudden.blind();
        let since = blind.then(|| self.sudden_blind.unwrap_or(self.now));
        self.sudden_blind = since;
        let long = self.identity.samples(SUDDEN_BLIND_S * 1000);
        let told = since.is_some_and(|since| self.now.since(since) > long);
        if told != self.sudden_blind_told && (told || !blind) {
            self.sudden_blind_told = told;
            self.note(if told {
                EventKind::SuddenUnwatched
            } else {
                EventKind::SuddenWatched
            });
        }
    }

    /// What the board switches makes a change of its own: the detector of sudden changes, and it alone, looks away.
    pub(super) fn blank_own_switching(&mut self, outputs: &Outputs) {
        let wires = |o: &Outputs| {
            (
                o.contactor,
                o.bond_switch,
                o.bridge_pos,
                o.bridge_neg,
                o.inject,
            )
        };
        let until = self.now.after(self.identity.samples(OWN_SWITCHING_MS));
        // A sample or two later: that of the switching has the end of a stay to work out.
        if !self.slow_look()
            && let Some(quarters) = self.switched.take()
        {
            self.remember_current(quarters);
            self.looked_away = self.now;
            self.sudden.blank(until);
        }
        let last = self.last_outputs;
        if wires(outputs) != wires(&last) {
            if !self.settings.earthing.has_bond() && outputs.contactor == last.contactor {
                self.switched = Some(if outputs.inject == last.inject {
                    STEP_QUARTERS
                } else {
                    TEST_QUARTERS
                });
            } else {
                self.sudden.blank(until);
            }
        }
        self.last_outputs = *outputs;
    }
}
