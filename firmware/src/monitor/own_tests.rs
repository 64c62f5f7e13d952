//! The board's tests of itself: when they run, and what becomes of their outcome.

use super::Monitor;
use crate::calibrate::{Calibrated, MicroAmps};
use crate::self_test::{Outcome, TEST_CURRENT, drifted};
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::measure::{NotMeasured, TripState};
use ohmward_proto::message::CommandOutcome;
use ohmward_proto::settings::Earthing;
use ohmward_proto::units::SampleIndex;

/// How long a check of a connected array waits for what is being timed, in ms: the longest hold time that settings allow.
const CHECK_WAITS_MS: u64 = 10_000;

impl Monitor {
    /// The bond current without what the board itself sends through the sensor.
    pub(super) fn without_test_current(&self, i: MicroAmps) -> MicroAmps {
        if self.last_outputs.inject {
            MicroAmps(i.0.saturating_sub(MicroAmps::from_amps(TEST_CURRENT).0))
        } else {
            i
        }
    }

    /// An insulation check may begin: the measuring resistor has been tested, if it can be here; or, while connected, nothing is
    /// being timed that the open bond would hide, and two cycles are there to be compared with afterwards. What is timed trips or
    /// is over by itself; a value that plays about its limit is not waited for beyond the longest hold time.
    pub(super) fn ready_for_check(&self) -> bool {
        match self.latch.state() {
            TripState::Resting => !self.self_test.bridge_due(),
            TripState::Closed => {
                let waited = self.check_due.map_or(0, |since| self.now.since(since));
                let timed = self.continuous.picked_up()
                    || self.ground_fault.picked_up()
                    || self.bond.busy()
                    || !self.sudden.may_look_away();
                !timed || waited > self.identity.samples(CHECK_WAITS_MS)
            }
            _ => true,
        }
    }

    /// The board has proved itself since the array last came to rest.
    pub(super) fn self_tested(&self) -> bool {
        self.self_passed && !self.self_test.busy() && !self.self_test.bridge_due()
    }

    /// Begins what is due. `check_waits`: an insulation check waits for the measuring resistor's test.
    pub(super) fn begin_own_tests(&mut self, check_waits: bool) {
        let measuring = self.watch.measuring();
        let check_begins = measuring && !self.was_measuring;
        self.was_measuring = measuring;
        if check_begins {
            self.self_test.begin_injection();
        }
        if self.self_test.busy() {
            return;
        }
        let check_waits = check_waits && self.latch.state() == TripState::Resting;
        // Without a check before connecting, the tests come right before it.
        let wants_to_close = self.latch.state() == TripState::Resting
            && self.watch.may_close(self.now)
            && !self.self_tested();
        // The sensor first: a dead one would be taken for a dead resistor.
        if (check_waits || wants_to_close) && !self.self_passed {
            self.self_test.begin_injection();
        } else if check_waits || wants_to_close {
            self.self_test.begin_bridge();
        }
    }

    /// One sample through the test under way.
    pub(super) fn step_own_tests(&mut self, seen: &Calibrated) -> Option<(TripCause, SampleIndex)> {
        if !self.self_test.busy() {
            return None;
        }
        let bridge = self.front_end.calibration().bridge;
        let g = match self.settings.earthing {
            Earthing::PositiveBonded => bridge.g_switched_neg,
            _ => bridge.g_switched_pos,
        };
        let v_mv = i64::from(self.v_pos.mean()) - i64::from(self.v_neg.mean());
        let v = v_mv as f32 * 1e-3;
        let cycle = self.sudden.cycle().samples;
        let outcome = if self.despike.spiking() {
            self.self_test.disturbed()
        } else {
            self.self_test.step(seen.i_fine, seen.i_wide, cycle, v, g)
        };
        match outcome {
            Outcome::None => None,
            Outcome::BridgeSound => {
                self.tell_passed();
                None
            }
            Outcome::Disturbed => {
                // Told once; the array at rest stays off and tries again, a connected one waits for its next check.
                if !self.disturbed_told {
                    self.disturbed_told = true;
                    self.note(EventKind::InsulationNotMeasured(NotMeasured::Interrupted));
                }
                None
            }
            Outcome::SensorSound { injected, zero } => {
                self.self_passed = true;
                self.disturbed_told = false;
                self.sensor_seen = (injected, zero);
                self.tell_passed();
                let drifted = drifted(zero, self.drift_told);
                if drifted && !self.drift_told {
                    self.note(EventKind::ZeroDrifted { zero: zero.amps() });
                }
                self.drift_told = drifted;
                None
            }
            Outcome::Failed(fault) => {
                self.self_passed = false;
                if self.latch.tripped() {
                    self.note(EventKind::SelfTestFailed(fault));
                }
                Some((TripCause::SelfTestFailed(fault), self.now))
            }
        }
    }

    /// Tells a pass, once everything that can be tested in this state has been.
    fn tell_passed(&mut self) {
        // At night there is nothing to test the resistor with: the sensor alone is told.
        let v_mv = i64::from(self.v_pos.mean()) - i64::from(self.v_neg.mean());
        let open = self.latch.state() == TripState::Resting
            && self.self_test.bridge_due()
            && v_mv >= self.derived.v_min_mv;
        if self.self_passed && !open && core::mem::take(&mut self.tell_self_test) {
            let (injected, zero) = self.sensor_seen;
            self.note(EventKind::SelfTestPassed {
                injected: injected.amps(),
                zero: zero.amps(),
            });
        }
    }

    /// The array came to rest: every connection begins with a proof.
    pub(super) fn renew_own_tests(&mut self) {
        self.self_test.renew();
        self.self_passed = false;
        self.tell_self_test = true;
    }

    /// Someone asks for a test: with the next insulation check, which is asked for too; at night the sensor alone.
    pub(super) fn ask_self_test(&mut self) -> CommandOutcome {
        let state = self.latch.state();
        if self.watch.measuring() || self.self_test.busy() {
            return CommandOutcome::NotNow;
        }
        let asked = self.watch.ask(self.now, state);
        if state == TripState::Resting {
            self.self_test.renew();
        }
        let at_rest = matches!(
            state,
            TripState::Resting | TripState::Latched | TripState::LockedOut
        );
        if at_rest {
            self.self_test.begin_injection();
        }
        if at_rest || asked {
            self.tell_self_test = true;
            CommandOutcome::Done
        } else {
            CommandOutcome::NotNow
        }
    }
}
