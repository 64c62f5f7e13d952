//! What the latch is told, what it answers, and what that means for everything else.

use super::{FEEDBACK_STANDS_MS, FEEDBACK_WEIGHT, Inputs, Monitor};
use crate::capture::Worth;
use crate::latch::{Latch, Seen};
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::measure::TripState;
use ohmward_proto::message::{Command, CommandOutcome, Message};
use ohmward_proto::units::SampleIndex;

impl Monitor {
    pub(super) fn move_latch(&mut self, trip: Option<(TripCause, SampleIndex)>, inputs: &Inputs) {
        let now = self.now;
        let command = self.command.take();
        let pressed = inputs.reset && !self.reset_was_pressed;
        self.reset_was_pressed = inputs.reset;
        let commanded_trip =
            core::mem::take(&mut self.trip_asked).then_some((TripCause::Commanded, now));
        self.debounce(inputs.contactor_feedback);
        self.armed = inputs.arm;
        let asked = pressed || command == Some(Command::Reset);
        let under_load = self.latch.contactor();
        let pending_trip = self.pending_trip.map(|cause| (cause, now));
        let mut seen = Seen {
            trip: pending_trip.or(trip).or(commanded_trip),
            feedback_closed: self.feedback,
            may_close: self.watch.may_close(now) && self.self_tested(),
            must_rest: self.watch.must_rest(now),
            reset: asked.then(|| self.watch.for_reset(self.tripped_at)),
            too_many_trips: self.trips.too_many(now),
            armed: self.armed,
        };
        if let Some(command) = command {
            self.answer_command(command, &seen);
            // It may have begun a test.
            seen.may_close &= self.self_tested();
        }
        let (next, events) = self.latch.next(now, &seen, &self.derived.latch);
        self.pending_trip = None;
        for kind in events {
            match kind {
                EventKind::Tripped { cause, .. } => {
                    self.tripped_at = now;
                    self.latched_cause = Some(cause);
                    self.self_test.stop();
                    if self.counts(&cause) {
                        self.trips.note(now);
                    }
                }
                EventKind::Reset => {
                    self.latched_cause = None;
                    if self.latch == Latch::LockedOut {
                        self.trips.clear();
                    }
                }
                _ => {}
            }
            let id = self.note(kind);
            if let EventKind::Tripped { cause, .. } = kind {
                self.keep_waveform(id, Worth::Trip);
                if under_load {
                    self.tell_side(&cause);
                }
            }
        }
        if next.state() != self.latch.state() {
            self.watch.entered(now, next.state());
            match next.state() {
                TripState::Resting => self.renew_own_tests(),
                TripState::LockedOut => {
                    let trips = self.trips.count(now);
                    self.note(EventKind::LockedOut { trips });
                }
                _ => {}
            }
        }
        self.latch = next;
        self.restored = false;
    }

    /// A trip that counts towards the lock-out: not one that was asked for, nor one from before a power cut, which has
    /// been counted.
    pub(super) fn counts(&self, cause: &TripCause) -> bool {
        *cause != TripCause::Commanded && !self.restored
    }

    /// Feedback contacts bounce: a reading counts once it has stood for a while.
    pub(super) fn debounce(&mut self, feedback: bool) {
        if feedback == self.feedback {
            self.feedback_doubt = self.feedback_doubt.saturating_sub(1);
            return;
        }
        self.feedback_doubt += FEEDBACK_WEIGHT;
        if self.feedback_doubt > self.identity.samples(FEEDBACK_STANDS_MS) * FEEDBACK_WEIGHT {
            self.feedback = feedback;
            self.feedback_doubt = 0;
        }
    }

    pub(super) fn answer_command(&mut self, command: Command, seen: &Seen) {
        let outcome = match command {
            Command::Reset => self
                .latch
                .reset_allowed(seen, self.watch.for_reset(self.tripped_at))
                .map_or_else(CommandOutcome::ResetRefused, |()| CommandOutcome::Done),
            // Answered when it came.
            Command::Trip => return,
            Command::SelfTest => self.ask_self_test(),
            Command::MeasureInsulation => {
                if self.watch.ask(self.now, self.latch.state()) {
                    CommandOutcome::Done
                } else {
                    CommandOutcome::NotNow
                }
            }
        };
        self.reply(Message::CommandResult { command, outcome });
    }
}
