//! One board's conversation, without any I/O.
//!
//! Bytes in → entries for the store; entries on disk → acknowledgements out. Whatever comes before the board has said
//! who it is, and in whose words it speaks, is left unacknowledged: the board sends it again.
//!
//! ```text
//! host   HelloAsk, TimeAsk ───────────────▶  board
//!        ◀─── Hello, PeerIs, CounterIs, then every event not acknowledged, readings, captures
//!        Acks, CaptureHave ──────────────▶  once the store has them on disk
//! ```
//!
//! **Versions.** A board of version 3 or later says for a host of which version it speaks ([`Message::PeerIs`]). Until it has
//! named ours, its events are not taken: they may be worded for an older host that stood at this line. A newer board's
//! events of unknown kinds are kept as they came and acknowledged.
//!
//! **Runs.** A board's counter begins again at each start, and the hello that says so may be lost. A board of version 3 names
//! the run in all that hangs on the counter, once it has been asked in that run who it is; what names none is not taken.
//! Of an older board a counter that fell back, or a reading that comes late, shows the new run.
//!
//! **Two hosts.** A board keeps an event until one host has it on disk, readings go to whoever listens. With two hosts, in
//! turn or at once, the log is whole in both stores together, not in each.

mod acks;
mod runs;
#[cfg(test)]
mod tests;

use self::runs::EarlierRuns;
use super::clock::{Clock, Moment, Stamp, Wall};
use crate::store::Entry;
use ohmward_proto::decoder::{Decoder, DecoderCounts};
use ohmward_proto::event::UnknownEvent;
use ohmward_proto::frame::{FrameError, MAX_FRAME, encode};
use ohmward_proto::message::{BoardId, Hello, LinkStats, Message, PROTOCOL_VERSION};
use ohmward_proto::older::KEEPS_UNKNOWN;
use ohmward_proto::units::SampleIndex;
use ohmward_proto::{EventId, Reading};
use std::collections::HashMap;

/// How long to wait for a hello, or for the settings, before asking again. Each hello asked for makes the board send all it
/// has again, so the wait doubles up to the second value: a slow line is not asked faster than it answers.
const ASK_AGAIN_US: i64 = 1_000_000;
const ASK_AGAIN_MOST_US: i64 = 16_000_000;
/// Time between two questions for the sample counter: the first few in a row, since the shortest round trip gives the bound.
const TIME_FIRST_US: i64 = 1_000_000;
const TIME_FIRST_N: u32 = 4;
const TIME_EVERY_US: i64 = 30_000_000;
/// Questions for the counter that may still be answered.
const TIME_OPEN_MAX: usize = 8;
/// Time between two questions for the board's own count of frames.
const STATS_EVERY_US: i64 = 60_000_000;
/// A board without a clock has its events taken without a bound on their time when no question for its counter has been
/// answered for this long.
const TIME_WAIT_US: i64 = 10_000_000;
/// A reading is the newest there is when it goes out. One that is older than this by the clock of the run it seems to belong
/// to comes from another run, whose hello was lost.
const READING_LATE_US: f64 = 60e6;

/// What a host knows of the board at the other end.
struct Peer {
    hello: Hello,
    clock: Clock,
    since_us: i64,
    /// The board has said that it speaks to a host of this version, or it is too old to say so.
    speaks_to_us: bool,
    /// Its settings have come.
    settings_known: bool,
    settings_asked_us: i64,
    /// The newest reading: one that is older means the board has started again.
    last_reading: SampleIndex,
    times_asked: u32,
}

/// How a conversation has gone so far.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct LinkReport {
    /// Frames that came whole, and what was dropped.
    pub received: DecoderCounts,
    /// Events kept as they came, since only a newer program can read them.
    pub unread_events: u64,
    /// Events acknowledged.
    pub acknowledged: u64,
    /// Shortest and latest round trip, µs.
    pub round_trip_us: Option<(i64, i64)>,
    /// How much faster than nominal the board's counter runs against this host, and ±; parts of one.
    pub drift: Option<(f64, f64)>,
    /// Times the bounds on the board's time contradicted each other: this host slept, or a crystal is out of its range.
    pub time_restarts: u32,
    /// Large steps of this host's clock, and the latest one in µs.
    pub clock_steps: (u32, i64),
    /// The board's own count, as last heard.
    pub board: Option<LinkStats>,
}

/// A conversation with one board.
pub struct Session {
    decoder: Decoder,
    peer: Option<Peer>,
    earlier: EarlierRuns,
    wall: Wall,
    asked_us: i64,
    ask_again_us: i64,
    time_asked_us: i64,
    stats_asked_us: i64,
    /// Token → when it left.
    time_open: HashMap<u32, Moment>,
    next_token: u32,
    report: LinkReport,
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
        Self::asking_from(0)
    }

    /// The same, with its questions numbered from `token`: an answer to another host that is still on the line must not be
    /// taken for one's own.
    pub fn asking_from(token: u32) -> Self {
        let mut session = Self {
            decoder: Decoder::new(),
            peer: None,
            earlier: EarlierRuns::default(),
            wall: Wall::default(),
            asked_us: i64::MIN,
            ask_again_us: ASK_AGAIN_US,
            time_asked_us: i64::MIN,
            stats_asked_us: i64::MIN,
            time_open: HashMap::new(),
            next_token: token,
            report: LinkReport::default(),
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

    /// The board's hello, once it has come.
    pub fn hello(&self) -> Option<&Hello> {
        self.peer.as_ref().map(|peer| &peer.hello)
    }

    /// Time of a sample of the board's present run.
    pub fn stamp(&self, at: SampleIndex) -> Option<Stamp> {
        let peer = self.peer.as_ref()?;
        Some(peer.clock.stamp(at, &self.wall))
    }

    /// How it has gone so far.
    pub fn report(&self) -> LinkReport {
        let clock = self.peer.as_ref().map(|peer| &peer.clock);
        LinkReport {
            received: *self.decoder.counts(),
            drift: clock.and_then(Clock::drift),
            clock_steps: self.clock_steps(),
            ..self.report
        }
    }

    /// Large steps of this host's clock so far, and the latest in µs.
    pub fn clock_steps(&self) -> (u32, i64) {
        (self.wall.steps, self.wall.last_step_us)
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
    pub fn tick(&mut self, now: Moment) {
        self.wall.look(now);
        let now_us = now.mono_us;
        let due = |asked_us: i64, every_us: i64| now_us.saturating_sub(asked_us) >= every_us;
        let met = self.peer.as_ref().is_some_and(|peer| peer.speaks_to_us);
        // Two hosts that heard the same hello would ask at the same moments for ever.
        let spread = i64::from(self.next_token.wrapping_mul(2_654_435_769) >> 22);
        if !met
            && due(
                self.asked_us,
                self.ask_again_us + self.ask_again_us * spread / 1024,
            )
        {
            self.ask_hello(now);
        }
        let Some(peer) = self.peer.as_mut().filter(|peer| peer.speaks_to_us) else {
            return;
        };
        if !peer.settings_known && due(peer.settings_asked_us, ASK_AGAIN_US) {
            peer.settings_asked_us = now_us;
            self.say(&Message::SettingsGet);
        }
        let Some(peer) = &self.peer else { return };
        let every_us = if peer.times_asked < TIME_FIRST_N || !peer.clock.known() {
            TIME_FIRST_US
        } else {
            TIME_EVERY_US
        };
        if due(self.time_asked_us, every_us) {
            self.ask_time(now);
        }
        if due(self.stats_asked_us, STATS_EVERY_US) {
            self.stats_asked_us = now_us;
            self.say(&Message::LinkStatsAsk);
        }
    }

    /// The question for the counter goes along: its answer is here before the first event.
    fn ask_hello(&mut self, now: Moment) {
        self.ask_again_us = (2 * self.ask_again_us).min(ASK_AGAIN_MOST_US);
        self.asked_us = now.mono_us;
        self.say(&Message::HelloAsk {
            protocol: PROTOCOL_VERSION,
        });
        self.ask_time(now);
    }

    fn ask_time(&mut self, now: Moment) {
        self.time_asked_us = now.mono_us;
        if let Some(peer) = &mut self.peer {
            peer.times_asked = peer.times_asked.saturating_add(1);
        }
        let token = self.next_token;
        self.next_token = token.wrapping_add(1);
        let oldest = token.wrapping_sub(TIME_OPEN_MAX as u32);
        self.time_open.remove(&oldest);
        self.time_open.insert(token, now);
        self.say(&Message::TimeAsk { token });
    }

    /// Forgets the board: it has to say again who it is.
    fn meet_again(&mut self, now: Moment) {
        if let Some(peer) = self.peer.take() {
            self.remember(peer);
        }
        self.ask_again_us = ASK_AGAIN_US;
        if now.mono_us.saturating_sub(self.asked_us) >= ASK_AGAIN_US {
            self.ask_hello(now);
        }
    }

    fn remember(&mut self, peer: Peer) {
        let Peer { hello, clock, .. } = peer;
        self.earlier.keep(hello.board, hello.boot, clock);
    }

    /// Takes bytes as they come and appends what is to be stored to `batch`.
    pub fn receive(&mut self, bytes: &[u8], now: Moment, batch: &mut Vec<Entry>) {
        self.wall.look(now);
        let mut decoder = std::mem::take(&mut self.decoder);
        decoder.feed_bodies(bytes, |outcome, body| match outcome {
            Ok(message) => self.take(message, now, batch),
            Err(FrameError::Body) => {
                if let Some(event) = UnknownEvent::of_body(body) {
                    self.take_unread(event, now, batch);
                }
            }
            // Counted by the decoder; the board sends again what matters.
            Err(_) => {}
        });
        self.decoder = decoder;
    }

    fn take(&mut self, message: Message, now: Moment, batch: &mut Vec<Entry>) {
        match message {
            Message::Hello(hello) => self.meet(hello, now, batch),
            Message::PeerIs { protocol } => {
                if let Some(peer) = &mut self.peer {
                    peer.speaks_to_us = protocol == PROTOCOL_VERSION.min(peer.hello.protocol);
                    if peer.speaks_to_us {
                        self.ask_again_us = ASK_AGAIN_US;
                        self.tick(now);
                    }
                }
            }
            Message::TimeIs { token, at } => self.learn_time(token, None, at, now),
            Message::CounterIs { token, boot, at } => self.learn_time(token, Some(boot), at, now),
            other => self.take_from_known(other, now, batch),
        }
    }

    fn learn_time(&mut self, token: u32, boot: Option<u32>, at: SampleIndex, now: Moment) {
        let Some(asked) = self.time_open.remove(&token) else {
            return;
        };
        let took = now.mono_us - asked.mono_us;
        let least = self.report.round_trip_us.map_or(took, |(l, _)| l.min(took));
        self.report.round_trip_us = Some((least, took));
        let Some(peer) = &mut self.peer else { return };
        let this_run = match boot {
            Some(boot) => boot == peer.hello.boot,
            None => peer.hello.protocol < KEEPS_UNKNOWN && at >= peer.last_reading,
        };
        if !this_run {
            self.meet_again(now);
        } else if !peer.clock.learn(at, asked, now) {
            self.report.time_restarts += 1;
        }
    }

    fn meet(&mut self, hello: Hello, now: Moment, batch: &mut Vec<Entry>) {
        let known = self
            .peer
            .as_ref()
            .is_some_and(|peer| (peer.hello.board, peer.hello.boot) == (hello.board, hello.boot));
        if !known {
            if let Some(peer) = self.peer.take() {
                self.remember(peer);
            }
            let clock = self.earlier.take(hello.board, hello.boot);
            let clock = clock.unwrap_or_else(|| Clock::new(&hello, now));
            let spontaneous = now.mono_us.saturating_sub(self.asked_us) >= ASK_AGAIN_US;
            self.peer = Some(Peer {
                hello,
                clock,
                since_us: now.mono_us,
                speaks_to_us: hello.protocol < KEEPS_UNKNOWN,
                settings_known: false,
                settings_asked_us: i64::MIN,
                last_reading: SampleIndex(0),
                times_asked: 0,
            });
            self.ask_again_us = ASK_AGAIN_US;
            self.stats_asked_us = i64::MIN;
            // A board that says hello of itself has just started and does not know who listens.
            if spontaneous && hello.protocol >= KEEPS_UNKNOWN {
                self.ask_hello(now);
            }
            self.tick(now);
        }
        batch.push(Entry::Run {
            board: hello.board,
            hello,
            received_us: now.unix_us,
        });
    }

    /// Messages that mean something only once the board is known.
    fn take_from_known(&mut self, message: Message, now: Moment, batch: &mut Vec<Entry>) {
        let Some(peer) = &mut self.peer else { return };
        let board = peer.hello.board;
        let names_runs = peer.hello.protocol >= KEEPS_UNKNOWN;
        match message {
            Message::SettingsAre(settings) => {
                peer.settings_known = true;
                batch.push(Entry::Settings { board, settings });
            }
            Message::Reading(reading) => {
                let age_us = now.mono_us as f64 - peer.clock.mono_us(reading.at);
                let late = peer.hello.epoch_unix_ms.is_none()
                    && peer.clock.known()
                    && age_us > READING_LATE_US;
                // Another run, whose hello was lost, or a board that does not know who listens.
                if names_runs || reading.at < peer.last_reading || late {
                    self.another_run(now);
                } else {
                    self.take_reading(reading, now, batch);
                }
            }
            Message::RunReading { boot, .. }
            | Message::RunSpectrum { boot, .. }
            | Message::RunDwell { boot, .. }
                if boot != peer.hello.boot =>
            {
                self.another_run(now);
            }
            // Worded for an older host, it would be kept as if the board had meant it so.
            Message::RunReading { reading, .. } if peer.speaks_to_us => {
                self.take_reading(reading, now, batch);
            }
            Message::RunSpectrum { spectrum, .. } => batch.push(Entry::Spectrum {
                board,
                boot: peer.hello.boot,
                t_us: peer.clock.stamp(spectrum.at, &self.wall).t_us,
                spectrum,
            }),
            Message::RunDwell { boot, dwell } => {
                batch.push(Entry::Dwell { board, boot, dwell });
            }
            Message::Spectrum(spectrum) if !names_runs => batch.push(Entry::Spectrum {
                board,
                boot: peer.hello.boot,
                t_us: peer.clock.stamp(spectrum.at, &self.wall).t_us,
                spectrum,
            }),
            Message::Event(event) => {
                if let Some(stamp) = self.time_of_event(event.id, event.at, now) {
                    batch.push(Entry::Event {
                        board,
                        t_us: stamp.t_us,
                        host_us: now.unix_us,
                        t_sigma_us: stamp.within_us,
                        event,
                    });
                }
            }
            Message::CaptureHead(head) => batch.push(Entry::CaptureHead { board, head }),
            Message::CapturePart(part) => batch.push(Entry::CapturePart { board, part }),
            Message::LinkStatsAre(stats) => self.report.board = Some(stats),
            // Answers to what a person asked, and what only a host says.
            Message::Hello(_)
            | Message::PeerIs { .. }
            | Message::RunReading { .. }
            | Message::Spectrum(_)
            | Message::CounterIs { .. }
            | Message::TimeIs { .. }
            | Message::SettingsResult(_)
            | Message::CommandResult { .. }
            | Message::HelloAsk { .. }
            | Message::Ack(_)
            | Message::Acks(_)
            | Message::CaptureHave(_)
            | Message::TimeAsk { .. }
            | Message::SettingsGet
            | Message::SettingsPut(_)
            | Message::Command(_)
            | Message::LinkStatsAsk
            | Message::CalibrationGet
            | Message::CalibrationIs(_)
            | Message::CalibrationPut { .. }
            | Message::CalibrationResult(_)
            | Message::CodesAsk { .. }
            | Message::CodesAre { .. } => {}
        }
    }

    fn take_reading(&mut self, reading: Reading, now: Moment, batch: &mut Vec<Entry>) {
        let Some(peer) = &mut self.peer else { return };
        peer.last_reading = reading.at;
        if !peer.clock.heard(reading.at, now) {
            self.report.time_restarts += 1;
            self.time_asked_us = i64::MIN;
        }
        batch.push(Entry::Reading {
            board: peer.hello.board,
            boot: peer.hello.boot,
            t_us: peer.clock.stamp(reading.at, &self.wall).t_us,
            reading,
        });
    }

    /// Something that is not of the run one thought. While a board is being met that is only to be expected.
    fn another_run(&mut self, now: Moment) {
        if self.peer.as_ref().is_some_and(|peer| peer.speaks_to_us) {
            self.meet_again(now);
        }
    }

    fn take_unread(&mut self, event: UnknownEvent<'_>, now: Moment, batch: &mut Vec<Entry>) {
        let Some(board) = self.board() else { return };
        let Some(stamp) = self.time_of_event(event.id, event.at, now) else {
            return;
        };
        self.report.unread_events += 1;
        batch.push(Entry::UnreadEvent {
            board,
            t_us: stamp.t_us,
            host_us: now.unix_us,
            t_sigma_us: stamp.within_us,
            id: event.id,
            at: event.at,
            message: event.bytes.to_vec(),
        });
    }

    /// When an event was; `None` for one that is not taken now. The board sends it again.
    fn time_of_event(&mut self, id: EventId, at: SampleIndex, now: Moment) -> Option<Stamp> {
        let peer = self.peer.as_ref()?;
        let waited = now.mono_us - peer.since_us > TIME_WAIT_US;
        if !peer.speaks_to_us || !(peer.clock.known() || waited) {
            return None;
        }
        if id.boot == peer.hello.boot {
            return Some(peer.clock.stamp(at, &self.wall));
        }
        if id.boot > peer.hello.boot {
            // From a run that has not said hello yet.
            self.meet_again(now);
            return None;
        }
        // Of an earlier run: by that run's clock if it was heard, else all that is known is when it came.
        let unknown = Stamp {
            t_us: now.unix_us,
            within_us: None,
        };
        let clock = self.earlier.clock(peer.hello.board, id.boot);
        Some(clock.map_or(unknown, |clock| clock.stamp(at, &self.wall)))
    }
}
