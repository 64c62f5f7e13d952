//! What the monitor says to the host and hears from it.

use super::Monitor;
use super::current::OWN_SWITCHING_MS;
use crate::calibrate::MicroAmps;
use crate::capture::Worth;
use crate::stretch::Stretch;
use crate::window::Window;
use ohmward_proto::event::{EventId, EventKind};
use ohmward_proto::measure::{BondCurrent, Channel, NotMeasured, Reading};
use ohmward_proto::message::{
    Ack, Command, CommandOutcome, Hello, LinkStats, Message, PROTOCOL_VERSION,
};
use ohmward_proto::older::for_host;
use ohmward_proto::units::Volts;

/// A host that has asked for the settings, and not who this is for so long, is an old one.
const OLD_HOST_AFTER_S: u64 = 20;
/// Version of this firmware: major, minor, patch.
pub const FIRMWARE_VERSION: (u8, u8, u8) = (0, 1, 0);

impl Monitor {
    pub(super) fn make_reading(&mut self) {
        self.next_reading = self
            .next_reading
            .after(self.derived.reading_every)
            .max(self.now.after(1));
        let lost = self.plausible.lost();
        let i_bond = match lost {
            Some(channel @ (Channel::IFine | Channel::IWide)) => {
                BondCurrent::NotMeasured(NotMeasured::SensorLost(channel))
            }
            _ if self.bond_open() => BondCurrent::NotMeasured(NotMeasured::BondOpen),
            _ if !self.i_bond.full()
                || self.now.since(self.bond_was_open) <= self.i_bond.len() as u64 =>
            {
                BondCurrent::NotMeasured(NotMeasured::WindowFilling)
            }
            _ => BondCurrent::Measured {
                dc: MicroAmps(self.i_bond.mean()).amps(),
                rms: MicroAmps(self.i_bond.rms()).amps(),
            },
        };
        let volts = |window: &Window, channel| {
            (window.full() && !self.plausible.is_lost(channel))
                .then(|| Volts(window.mean() as f32 * 1e-3))
        };
        let reading = Reading {
            at: self.now,
            i_bond,
            v_pos: volts(&self.v_pos, Channel::VPos),
            v_neg: volts(&self.v_neg, Channel::VNeg),
            insulation: self.watch.insulation(),
            state: self.latch.state(),
            bond_open: self.bond_open(),
        };
        if self.reading.replace(reading).is_some() {
            self.readings_skipped = self.readings_skipped.saturating_add(1);
        }
    }

    pub(super) fn note(&mut self, kind: EventKind) -> Option<EventId> {
        self.journal.push(self.now, kind)
    }

    pub(super) fn keep_waveform(&mut self, event: Option<EventId>, worth: Worth) {
        if let Some(event) = event {
            self.capture.trigger(self.now, event, worth);
        }
    }

    pub(super) fn reply(&mut self, message: Message) {
        // A host that asks faster than the link carries gets fewer answers, not stale ones.
        if self.replies.is_full() {
            self.replies.pop_front();
        }
        let _ = self.replies.push_back(message);
    }

    pub(super) fn hello(&self) -> Hello {
        Hello {
            protocol: PROTOCOL_VERSION,
            firmware: FIRMWARE_VERSION,
            board: self.identity.board,
            boot: self.identity.boot,
            at: self.now,
            sample_rate_hz: self.identity.sample_rate_hz,
            settings_hash: self.settings.hash(),
            calibration_id: self.front_end.calibration().id,
            epoch_unix_ms: self.identity.epoch_unix_ms,
        }
    }

    /// The next message for the host, in words of its version: answers first, then events, the newest reading, and captures
    /// last.
    pub fn poll(&mut self) -> Option<Message> {
        // A host of version 1 or 2 that has seen this board start asks for its settings, and never again who it is. A
        // later one does, as soon as it has noticed the start.
        let wait = self.identity.samples(OLD_HOST_AFTER_S * 1000);
        if self.host_protocol.is_none()
            && self
                .settings_asked
                .is_some_and(|at| self.now.since(at) > wait)
        {
            self.host_protocol = Some(1);
        }
        let protocol = self.host_protocol.unwrap_or(PROTOCOL_VERSION);
        loop {
            let said = for_host(self.next_message()?, protocol);
            if said.is_some() {
                return said;
            }
        }
    }

    fn next_message(&mut self) -> Option<Message> {
        let now = self.now;
        if let Some(message) = self.replies.pop_front() {
            return Some(message);
        }
        let wait = self.pace.wait();
        if self.pace.has_room(now) {
            let resent = self.journal.resent();
            if let Some(event) = self.journal.next_to_send(now, wait) {
                let again = self.journal.resent() != resent;
                self.pace.sent(now, event.id, again);
                return Some(Message::Event(event));
            }
        }
        // Whoever has not asked who this is since the start may take this run for the one before: it hears no run named.
        let boot = self.host_protocol.map(|_| self.identity.boot);
        if let Some(reading) = self.reading.take() {
            return Some(match boot {
                Some(boot) => Message::RunReading { boot, reading },
                None => Message::Reading(reading),
            });
        }
        if let Some(spectrum) = self.spectrum_made.take() {
            return Some(match boot {
                Some(boot) => Message::RunSpectrum { boot, spectrum },
                None => Message::Spectrum(spectrum),
            });
        }
        // Only hosts that are met know this message.
        if let Some(boot) = boot
            && let Some(dwell) = self.watch.take_dwell()
        {
            return Some(Message::RunDwell { boot, dwell });
        }
        self.capture.retry(now, wait);
        if let Some(head) = self.capture.next_head(self.front_end.calibration()) {
            return Some(Message::CaptureHead(head));
        }
        self.capture.next_part(now).map(Message::CapturePart)
    }

    fn acknowledged(&mut self, id: EventId) {
        self.journal.acknowledge(id);
        self.pace.acknowledged(self.now, id);
    }

    /// Takes a message from the host. New settings are the board's to store first, see [`crate::board`].
    pub fn receive(&mut self, message: &Message) {
        match message {
            Message::HelloAsk { protocol } => {
                self.host_protocol = Some(*protocol);
                self.reply(Message::Hello(self.hello()));
                self.reply(Message::PeerIs {
                    protocol: (*protocol).min(PROTOCOL_VERSION),
                });
                self.journal.resend();
                self.capture.resend();
                self.pace.begin_again();
            }
            Message::Ack(Ack::Event(id)) => self.acknowledged(*id),
            Message::Acks(acks) if acks.board == self.identity.board => {
                acks.events().for_each(|id| self.acknowledged(id));
            }
            Message::CaptureHave(have) if have.board == self.identity.board => {
                self.capture.has(have.event, have.parts);
            }
            Message::Ack(Ack::Capture(id)) => self.capture.acknowledge(*id),
            Message::TimeAsk { token } => self.reply(match self.host_protocol {
                Some(_) => Message::CounterIs {
                    token: *token,
                    boot: self.identity.boot,
                    at: self.now,
                },
                None => Message::TimeIs {
                    token: *token,
                    at: self.now,
                },
            }),
            Message::SettingsGet => {
                self.settings_asked.get_or_insert(self.now);
                self.reply(Message::SettingsAre(self.settings));
            }
            Message::CodesAsk { token, samples } => {
                let settle = self.identity.samples(OWN_SWITCHING_MS) as u32;
                self.stretch = Some(Stretch::new(*token, *samples, settle));
            }
            Message::Command(Command::Trip) => {
                let outcome = if self.latch.tripped() {
                    CommandOutcome::NotNow
                } else {
                    CommandOutcome::Done
                };
                self.trip_asked |= outcome == CommandOutcome::Done;
                self.reply(Message::CommandResult {
                    command: Command::Trip,
                    outcome,
                });
            }
            Message::Command(command) => {
                // The newer one counts; the older one is told so.
                if let Some(command) = self.command.replace(*command) {
                    let outcome = CommandOutcome::NotNow;
                    self.reply(Message::CommandResult { command, outcome });
                }
            }
            // What only a board says, and what the board answers before it comes here.
            // What was meant for another board.
            Message::Acks(_)
            | Message::CaptureHave(_)
            | Message::PeerIs { .. }
            | Message::SettingsPut(_)
            | Message::LinkStatsAsk
            | Message::CalibrationGet
            | Message::CalibrationPut { .. }
            | Message::CalibrationIs(_)
            | Message::CalibrationResult(_)
            | Message::CodesAre { .. }
            | Message::Hello(_)
            | Message::Reading(_)
            | Message::Event(_)
            | Message::CaptureHead(_)
            | Message::CapturePart(_)
            | Message::TimeIs { .. }
            | Message::SettingsAre(_)
            | Message::SettingsResult(_)
            | Message::CommandResult { .. }
            | Message::LinkStatsAre(_)
            | Message::Spectrum(_)
            | Message::CounterIs { .. }
            | Message::RunReading { .. }
            | Message::RunSpectrum { .. }
            | Message::RunDwell { .. } => {}
        }
    }

    /// Queues an answer that the board itself gives.
    pub fn answer(&mut self, message: Message) {
        self.reply(message);
    }

    /// The monitor's part of the link statistics.
    pub fn add_link_stats(&self, stats: &mut LinkStats) {
        stats.readings_skipped = self.readings_skipped;
        stats.events_resent = self.journal.resent();
    }
}
