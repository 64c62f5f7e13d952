//! The byte link: what has come, what goes, a piece at a time.

use super::{Board, SampleSource};
use embedded_hal::digital::{InputPin, OutputPin};
use embedded_io::{Read, ReadReady, Write, WriteReady};
use embedded_storage::nor_flash::NorFlash;
use ohmward_proto::frame::{MAX_FRAME, encode};
use ohmward_proto::message::Message;
use ohmward_proto::settings::CalibrationState;

/// Bytes taken from the link at a time, and given to it: a sample must not wait for a talkative host. At 4 kS/s that is 128 kB/s
/// in and some 200 kB/s out.
pub(super) const INBOX: usize = 32;
const SENT_MAX: usize = 64;
/// The same in one [`Board::serve_link`], which is for whoever has time.
const BYTES_IN_MAX: usize = 256;
const FRAMES_OUT_MAX: usize = 8;

/// What has been looked at of what has come.
struct Heard {
    bytes: usize,
    /// It was the end of a frame.
    frame: bool,
}

impl<S, O, I, F, L> Board<S, O, I, F, L>
where
    S: SampleSource,
    O: OutputPin,
    I: InputPin,
    F: NorFlash,
    L: Read + ReadReady + Write + WriteReady,
{
    /// What a sample's time has room for beside the decision: a piece of work for flash; or else one frame that has come, or
    /// one that goes: made ready, or some bytes of it sent. A broken link is no fault of the protection: what could not be
    /// sent stays in the monitor.
    pub fn serve(&mut self) {
        if self.serve_flash() {
            return;
        }
        let hears_first = !self.heard;
        self.heard = hears_first && self.hear().is_some_and(|heard| heard.frame);
        if self.heard {
            return;
        }
        if !self.send_some(SENT_MAX) && !self.fill_frame() && !hears_first {
            self.heard = self.hear().is_some_and(|heard| heard.frame);
        }
    }

    /// As [`Self::serve`], with all that the host has sent and all that the link has room for: takes far longer than a sample.
    pub fn serve_link(&mut self) {
        self.serve_flash();
        let mut bytes = 0;
        while bytes < BYTES_IN_MAX
            && let Some(heard) = self.hear()
        {
            bytes += heard.bytes;
        }
        for _ in 0..FRAMES_OUT_MAX {
            if !self.fill_frame() {
                return;
            }
            while self.send_some(MAX_FRAME) {}
            if self.frame_sent < self.frame_len {
                return;
            }
        }
    }

    /// Looks at what has come, up to the end of the first frame in it; `None` when nothing has.
    fn hear(&mut self) -> Option<Heard> {
        if self.taken >= self.arrived {
            self.taken = 0;
            self.arrived = 0;
            if !self.link.read_ready().unwrap_or(false) {
                return None;
            }
            self.arrived = self.link.read(&mut self.inbox).ok()?.min(INBOX);
        }
        let waiting = self.inbox.get(self.taken..self.arrived)?;
        let end = waiting.iter().position(|&byte| byte == 0);
        let piece = waiting.get(..end.map_or(waiting.len(), |end| end + 1))?;
        if piece.is_empty() {
            return None;
        }
        self.taken += piece.len();
        let heard = Heard {
            bytes: piece.len(),
            frame: end.is_some(),
        };
        let mut said = None;
        self.decoder
            .feed_to_board(piece, |message| said = message.ok());
        if let Some(Some(message)) = said {
            self.receive(&message);
        }
        Some(heard)
    }

    /// Sends so many bytes of the frame that is ready. False when nothing went: there is none, or the link has no room.
    fn send_some(&mut self, most: usize) -> bool {
        let rest = self
            .frame
            .get(self.frame_sent..self.frame_len)
            .unwrap_or_default();
        let some = rest.get(..most).unwrap_or(rest);
        if some.is_empty() || !self.link.write_ready().unwrap_or(false) {
            return false;
        }
        let sent = self.link.write(some).unwrap_or(0);
        self.frame_sent += sent;
        sent > 0
    }

    /// Puts the next message into the frame buffer when that is empty. False when there is nothing to send.
    fn fill_frame(&mut self) -> bool {
        if self.frame_sent < self.frame_len {
            return true;
        }
        self.frame_sent = 0;
        self.frame_len = 0;
        // Nothing is taken from the monitor before the link can take it: a reading waiting there is still the newest.
        if !self.link.write_ready().unwrap_or(false) {
            return false;
        }
        let Some(message) = self.monitor.poll() else {
            return false;
        };
        if let Ok(len) = encode(&message, &mut self.frame[..]) {
            self.frame_len = len;
            self.stats.frames_out = self.stats.frames_out.wrapping_add(1);
        }
        true
    }

    fn receive(&mut self, message: &Message) {
        match message {
            Message::SettingsPut(settings) => {
                let result = self.put_settings(settings);
                self.monitor.answer(Message::SettingsResult(result));
            }
            Message::CalibrationPut {
                calibration,
                made_unix_s,
            } => {
                let result = self
                    .keep_calibration(*calibration, Some(*made_unix_s))
                    .map(|()| calibration.id);
                self.monitor.answer(Message::CalibrationResult(result));
            }
            Message::CalibrationGet => {
                let in_force = *self.monitor.calibration();
                let next = self.kept.calibration.map(|own| own.values.id);
                self.monitor
                    .answer(Message::CalibrationIs(CalibrationState {
                        in_force,
                        made_unix_s: self.calibrated_unix_s,
                        design: self.design,
                        next_id: next.filter(|id| *id != in_force.id),
                    }));
            }
            Message::LinkStatsAsk => {
                let counts = self.decoder.counts();
                let mut stats = self.stats;
                stats.frames_in = counts.messages as u32;
                stats.bad_crc = counts.bad_crc as u32;
                stats.bad_form = (counts.bad_form + counts.unknown) as u32;
                self.monitor.add_link_stats(&mut stats);
                self.monitor.answer(Message::LinkStatsAre(stats));
            }
            other => self.monitor.receive(other),
        }
    }
}
