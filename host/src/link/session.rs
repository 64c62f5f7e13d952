//! One board's conversation, without any I/O.
//!
//! Bytes in → entries for the store; entries on disk → acknowledgements out. Whatever comes before the board has said
//! who it is, is left unacknowledged: the board sends it again.

use super::clock::Clock;
use crate::store::{Entry, Written};
use ohmward_proto::decoder::{Decoder, DecoderCounts};
use ohmward_proto::frame::{FrameError, MAX_FRAME, encode};
use ohmward_proto::message::{Ack, BoardId, Hello, Message, PROTOCOL_VERSION};
use ohmward_proto::units::SampleIndex;
use std::collections::HashMap;

/// How long to wait for a hello, or for the settings, before asking again.
const ASK_AGAIN_US: i64 = 1_000_000;
/// Time between two questions for the sample counter.
const TIME_EVERY_US: i64 = 30_000_000;

/// What a host knows of the board at the other end.
struct Peer {
    hello: Hello,
    clock: Clock,
    /// Its settings have come.
    settings_known: bool,
    settings_asked_us: i64,
    /// The newest reading: one that is older means the board has started again.
    last_reading: SampleIndex,
}

/// A conversation with one board.
pub struct Session {
    decoder: Decoder,
    peer: Option<Peer>,
    asked_us: i64,
    time_asked_us: i64,
    /// Token → when it left.
    time_open: HashMap<u32, i64>,
    next_token: u32,
    /// A newer peer's message kinds, met and passed over.
    pub unknown_kinds: u64,
    to_send: Vec<u8>,
}

impl Default for Session {
    fn default() -> Self {
        Self::new()
    }
}

impl Session {
    /// A conversation that begins with asking who is there.
    pub fn new() -> Self {
        let mut session = Self {
            decoder: Decoder::new(),
            peer: None,
            asked_us: i64::MIN,
            time_asked_us: i64::MIN,
            time_open: HashMap::new(),
            next_token: 0,
            unknown_kinds: 0,
            to_send: Vec::new(),
        };
        // A zero first: whatever an earlier host left half-sent ends here.
        session.to_send.push(0);
        session
    }

    /// The board, once it has said who it is.
    pub fn board(&self) -> Option<BoardId> {
        self.peer.as_ref().map(|peer| peer.hello.board)
    }

    /// Unix time of a sample of the board, µs.
    pub fn unix_us(&self, at: SampleIndex) -> Option<i64> {
        self.peer.as_ref().map(|peer| peer.clock.unix_us(at))
    }

    /// What the decoder has seen and dropped.
    pub fn counts(&self) -> &DecoderCounts {
        self.decoder.counts()
    }

    /// Puts a message into the outgoing bytes.
    pub fn say(&mut self, message: &Message) {
        let mut frame = [0; MAX_FRAME];
        // No message is longer than a frame (a property test of the protocol holds that).
        if let Ok(len) = encode(message, &mut frame) {
            self.to_send.extend_from_slice(&frame[..len]);
        }
    }

    /// Bytes to send now.
    pub fn take_output(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.to_send)
    }

    /// Asks what is due at this time: who is there, and how far its counter is. Call a few times a second.
    pub fn tick(&mut self, now_us: i64) {
        if self.peer.is_none() && now_us.saturating_sub(self.asked_us) >= ASK_AGAIN_US {
            self.ask_hello(now_us);
        }
        if let Some(peer) = &mut self.peer
            && !peer.settings_known
            && now_us.saturating_sub(peer.settings_asked_us) >= ASK_AGAIN_US
        {
            peer.settings_asked_us = now_us;
            self.say(&Message::SettingsGet);
        }
        let wants_time = self
            .peer
            .as_ref()
            .is_some_and(|p| p.hello.epoch_unix_ms.is_none());
        if wants_time && now_us.saturating_sub(self.time_asked_us) >= TIME_EVERY_US {
            self.time_asked_us = now_us;
            let token = self.next_token;
            self.next_token = token.wrapping_add(1);
            // An answer that never came is of no use any more.
            self.time_open.clear();
            self.time_open.insert(token, now_us);
            self.say(&Message::TimeAsk { token });
        }
    }

    fn ask_hello(&mut self, now_us: i64) {
        self.asked_us = now_us;
        self.say(&Message::HelloAsk {
            protocol: PROTOCOL_VERSION,
        });
    }

    /// Takes bytes as they come and appends what is to be stored to `batch`.
    pub fn receive(&mut self, bytes: &[u8], now_us: i64, batch: &mut Vec<Entry>) {
        let mut messages = Vec::new();
        self.decoder.feed(bytes, |outcome| messages.push(outcome));
        for outcome in messages {
            match outcome {
                Ok(message) => self.take(message, now_us, batch),
                Err(FrameError::UnknownMessage { .. }) => self.unknown_kinds += 1,
                // Counted by the decoder; the board sends again what matters.
                Err(_) => {}
            }
        }
    }

    fn take(&mut self, message: Message, now_us: i64, batch: &mut Vec<Entry>) {
        match message {
            Message::Hello(hello) => {
                let restarted = self.peer.as_ref().is_none_or(|peer| {
                    (peer.hello.board, peer.hello.boot) != (hello.board, hello.boot)
                });
                if restarted {
                    self.time_asked_us = i64::MIN;
                    self.peer = Some(Peer {
                        hello,
                        clock: Clock::new(&hello, now_us),
                        settings_known: false,
                        settings_asked_us: i64::MIN,
                        last_reading: SampleIndex(0),
                    });
                    self.tick(now_us);
                }
                batch.push(Entry::Run {
                    board: hello.board,
                    hello,
                    received_us: now_us,
                });
            }
            Message::TimeIs { token, at } => {
                if let (Some(asked_us), Some(peer)) =
                    (self.time_open.remove(&token), &mut self.peer)
                {
                    peer.clock.learn(at, asked_us, now_us);
                }
            }
            other => self.take_from_known(other, now_us, batch),
        }
    }

    /// Messages that mean something only once the board is known.
    fn take_from_known(&mut self, message: Message, now_us: i64, batch: &mut Vec<Entry>) {
        let Some(peer) = &mut self.peer else { return };
        let board = peer.hello.board;
        match message {
            Message::SettingsAre(settings) => {
                peer.settings_known = true;
                batch.push(Entry::Settings { board, settings });
            }
            Message::Reading(reading) => {
                if reading.at < peer.last_reading {
                    // The counter fell back: another run, whose hello was lost. Its readings must not go under this one.
                    self.peer = None;
                    self.ask_hello(now_us);
                    return;
                }
                peer.last_reading = reading.at;
                batch.push(Entry::Reading {
                    board,
                    boot: peer.hello.boot,
                    t_us: peer.clock.unix_us(reading.at),
                    reading,
                });
            }
            Message::Spectrum(spectrum) => batch.push(Entry::Spectrum {
                board,
                boot: peer.hello.boot,
                t_us: peer.clock.unix_us(spectrum.at),
                spectrum,
            }),
            // An event of an earlier run keeps its own number; its time can only be told from this run's clock when
            // it belongs to it.
            // From a run that has not said hello yet.
            Message::Event(event) if event.id.boot > peer.hello.boot => {
                self.peer = None;
                self.ask_hello(now_us);
            }
            Message::Event(event) => batch.push(Entry::Event {
                board,
                t_us: if event.id.boot == peer.hello.boot {
                    peer.clock.unix_us(event.at)
                } else {
                    now_us
                },
                event,
            }),
            Message::CaptureHead(head) => batch.push(Entry::CaptureHead { board, head }),
            Message::CapturePart(part) => batch.push(Entry::CapturePart { board, part }),
            // Answers to what a person asked, and what only a host says.
            Message::Hello(_)
            | Message::TimeIs { .. }
            | Message::SettingsResult(_)
            | Message::CommandResult { .. }
            | Message::LinkStatsAre(_)
            | Message::HelloAsk { .. }
            | Message::Ack(_)
            | Message::TimeAsk { .. }
            | Message::SettingsGet
            | Message::SettingsPut(_)
            | Message::Command(_)
            | Message::LinkStatsAsk => {}
        }
    }

    /// These entries are on disk now: acknowledges what the board may forget.
    pub fn committed(&mut self, entries: &[Entry], written: &Written) {
        for entry in entries {
            // Another board may have appeared on this line meanwhile: its event of the same number is not on disk.
            if let Entry::Event { board, event, .. } = entry
                && Some(*board) == self.board()
            {
                self.say(&Message::Ack(Ack::Event(event.id)));
            }
        }
        for &(board, event) in &written.captures_complete {
            if Some(board) == self.board() {
                self.say(&Message::Ack(Ack::Capture(event)));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ohmward_proto::event::{Event, EventId, EventKind};

    fn frame(message: &Message) -> Vec<u8> {
        let mut bytes = [0; MAX_FRAME];
        let len = encode(message, &mut bytes).expect("fits");
        bytes[..len].to_vec()
    }

    fn said(session: &mut Session) -> Vec<Message> {
        let mut messages = Vec::new();
        Decoder::new().feed(&session.take_output(), |m| messages.extend(m.ok()));
        messages
    }

    fn hello(boot: u32) -> Message {
        Message::Hello(Hello {
            protocol: 1,
            firmware: (0, 1, 0),
            board: BoardId(5),
            boot,
            at: SampleIndex(0),
            sample_rate_hz: 4000,
            settings_hash: 0,
            calibration_id: 0,
            epoch_unix_ms: Some(0),
        })
    }

    fn event(boot: u32, seq: u32) -> Message {
        Message::Event(Event {
            id: EventId { boot, seq },
            at: SampleIndex(8000),
            kind: EventKind::Connected,
        })
    }

    #[test]
    fn nothing_is_acknowledged_before_it_is_committed() {
        let mut session = Session::new();
        let mut batch = Vec::new();
        session.tick(0);
        assert!(matches!(said(&mut session)[..], [Message::HelloAsk { .. }]));
        // An event before the hello is not kept and not acknowledged: it will come again.
        session.receive(&frame(&event(1, 0)), 0, &mut batch);
        assert!(batch.is_empty());
        session.receive(&frame(&hello(1)), 0, &mut batch);
        session.receive(&frame(&event(1, 0)), 0, &mut batch);
        assert_eq!(batch.len(), 2);
        let acks = |messages: Vec<Message>| {
            messages
                .into_iter()
                .filter(|m| matches!(m, Message::Ack(_)))
                .count()
        };
        assert_eq!(acks(said(&mut session)), 0);
        session.committed(&batch, &Written::default());
        assert_eq!(acks(said(&mut session)), 1);
    }

    #[test]
    fn a_board_that_starts_again_is_met_anew() {
        let mut session = Session::new();
        let mut batch = Vec::new();
        session.receive(&frame(&hello(1)), 0, &mut batch);
        session.receive(&frame(&hello(2)), 0, &mut batch);
        session.receive(&frame(&event(2, 0)), 0, &mut batch);
        assert_eq!(session.unix_us(SampleIndex(4000)), Some(1_000_000));
        assert!(matches!(
            batch[2],
            Entry::Event {
                t_us: 2_000_000,
                ..
            }
        ));
    }
}
