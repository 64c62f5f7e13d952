//! Every message between board and host, in wire order.
//!
//! Append only: postcard writes a variant as its position, so a position is never reused or moved. A field is never
//! added to a published message either: a new message is. `tests/golden` holds the bytes of every version.

use crate::event::{Event, EventId, ResetRefusal};
use crate::measure::{BondSpectrum, CodeSums, Codes, Dwell, Reading};
use crate::settings::{Calibration, CalibrationFault, CalibrationState, Settings, SettingsFault};
use crate::units::SampleIndex;
use serde::{Deserialize, Serialize};

/// Version of this message list. Higher only ever means "more messages at the end".
pub const PROTOCOL_VERSION: u16 = 5;

/// Samples in one [`CapturePart`].
pub const PART_SAMPLES: usize = 24;

/// A board's own, unchanging number.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash, Serialize, Deserialize)]
pub struct BoardId(pub u64);

impl core::fmt::Display for BoardId {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "{:016x}", self.0)
    }
}

/// Who a board is. Sent when it starts, and when a host asks.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Hello {
    /// [`PROTOCOL_VERSION`] of the firmware.
    pub protocol: u16,
    /// Firmware version: major, minor, patch.
    pub firmware: (u8, u8, u8),
    /// The board's own number.
    pub board: BoardId,
    /// Number of this run: one more than the one before. A board whose memory was erased begins with one drawn by lot, so that
    /// numbers of its earlier life do not come again.
    pub boot: u32,
    /// The sample counter now.
    pub at: SampleIndex,
    /// Samples per second and channel.
    pub sample_rate_hz: u32,
    /// Hash of the settings in force.
    pub settings_hash: u32,
    /// Number of the calibration in force.
    pub calibration_id: u32,
    /// Unix time in ms of sample 0, from a board that has a wall clock (a real-time clock, or a simulated world).
    pub epoch_unix_ms: Option<i64>,
}

/// Announces a capture; its parts follow. Enough beside the parts to scale and to replay them.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct CaptureHead {
    /// The event that triggered it.
    pub event: EventId,
    /// The moment of the first sample.
    pub first: SampleIndex,
    /// The moment of the trigger.
    pub trigger: SampleIndex,
    /// Number of samples.
    pub samples: u16,
    /// Scales of the codes.
    #[serde(with = "crate::outlined")]
    pub calibration: Calibration,
}

/// A piece of a captured waveform.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct CapturePart {
    /// The event that triggered the capture.
    pub event: EventId,
    /// Position of the first of these samples in the capture.
    pub offset: u16,
    /// Raw codes.
    pub codes: heapless::Vec<Codes, PART_SAMPLES>,
}

/// What a host has safely on disk, so that the board may forget it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum Ack {
    /// That event.
    Event(EventId),
    /// The whole capture of that event.
    Capture(EventId),
}

/// What a host may ask a board to do. Nothing here can close a contactor that protection holds open.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum Command {
    /// Reset the latch, under the same interlocks as the button.
    Reset,
    /// Trip now.
    Trip,
    /// Measure the insulation as soon as the state allows.
    MeasureInsulation,
    /// Test the board itself as soon as the state allows: sensor, zero, measuring resistor.
    SelfTest,
}

/// What became of a command.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum CommandOutcome {
    /// Carried out, or begun.
    Done,
    /// The reset interlock said no.
    ResetRefused(ResetRefusal),
    /// Not in this state.
    NotNow,
}

/// The board's view of its link, since it started.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct LinkStats {
    /// Frames received whole.
    pub frames_in: u32,
    /// Frames sent.
    pub frames_out: u32,
    /// Frames dropped because the check sum differed.
    pub bad_crc: u32,
    /// Frames dropped for any other fault of form.
    pub bad_form: u32,
    /// Readings overwritten before the link took them.
    pub readings_skipped: u32,
    /// Events sent again for want of an acknowledgement.
    pub events_resent: u32,
}

/// Events that a host has safely on disk: up to 65 of one run, in one message.
///
/// It names the board, so that what was meant for another one that stood at this line before costs no event.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Acks {
    /// The board whose events they are; no other takes this to heart.
    pub board: BoardId,
    /// The lowest of them.
    pub first: EventId,
    /// Bit k: `first.seq + 1 + k` of the same run too.
    pub more: u64,
}

impl Acks {
    /// Every event that is meant.
    pub fn events(self) -> impl Iterator<Item = EventId> {
        let EventId { boot, seq } = self.first;
        let more = (0..64u32)
            .filter(move |k| self.more >> k & 1 == 1)
            .filter_map(move |k| seq.checked_add(1 + k));
        core::iter::once(seq)
            .chain(more)
            .map(move |seq| EventId { boot, seq })
    }
}

/// Which pieces of a capture a host has safely on disk already, so that the others come first after a break.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct CaptureHave {
    /// The board; no other takes this to heart.
    pub board: BoardId,
    /// The event that triggered the capture.
    pub event: EventId,
    /// Bit k: every sample from `k` · [`PART_SAMPLES`] up to the next such place is there. Samples beyond 64 pieces are
    /// sent as if none of this had been said.
    pub parts: u64,
}

/// Everything that can be said on the link. The order is the wire format.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
// A capture part is ten times a reading, and there is no heap to box it on.
#[allow(clippy::large_enum_variant)]
pub enum Message {
    /// Board → host: who I am.
    Hello(Hello),
    /// Host → board: who are you? Carries the host's [`PROTOCOL_VERSION`].
    HelloAsk {
        /// The host's [`PROTOCOL_VERSION`].
        protocol: u16,
    },
    /// Board → host: one line of the log.
    Reading(Reading),
    /// Board → host: something happened; sent again until acknowledged.
    Event(Event),
    /// Board → host: a capture begins.
    CaptureHead(CaptureHead),
    /// Board → host: a piece of it.
    CapturePart(CapturePart),
    /// Host → board: this is on disk.
    Ack(Ack),
    /// Host → board: what is your sample counter?
    TimeAsk {
        /// Comes back in the answer.
        token: u32,
    },
    /// Board → host: my sample counter when your question arrived.
    TimeIs {
        /// From the question.
        token: u32,
        /// The counter.
        at: SampleIndex,
    },
    /// Host → board: tell me your settings.
    SettingsGet,
    /// Board → host: settings in force.
    SettingsAre(Settings),
    /// Host → board: use these settings.
    SettingsPut(Settings),
    /// Board → host: what became of them: the new hash, or what is wrong.
    SettingsResult(Result<u32, SettingsFault>),
    /// Host → board: do this.
    Command(Command),
    /// Board → host: what became of it.
    CommandResult {
        /// The command.
        command: Command,
        /// Its outcome.
        outcome: CommandOutcome,
    },
    /// Host → board: how is the link?
    LinkStatsAsk,
    /// Board → host: like this.
    LinkStatsAre(LinkStats),
    /// Board → host: what the bond current is made of. Best effort, as readings are.
    Spectrum(BondSpectrum),
    /// Board → host, after [`Message::Hello`] when that was asked for: I take you for a host of this version. What follows
    /// is said in that version's words.
    PeerIs {
        /// From the question.
        protocol: u16,
    },
    /// Host → board: these events are on disk.
    Acks(Acks),
    /// Host → board: these pieces of a capture are on disk, the capture is not whole yet.
    CaptureHave(CaptureHave),
    /// Board → host of version 3 or later, instead of [`Message::TimeIs`]: the run is named, so that a counter that began again
    /// is never taken for the one before.
    CounterIs {
        /// From the question.
        token: u32,
        /// The board's run.
        boot: u32,
        /// The counter.
        at: SampleIndex,
    },
    /// The same for [`Message::Reading`].
    RunReading {
        /// The board's run.
        boot: u32,
        /// The line of the log.
        reading: Reading,
    },
    /// The same for [`Message::Spectrum`].
    RunSpectrum {
        /// The board's run.
        boot: u32,
        /// The parts.
        spectrum: BondSpectrum,
    },
    /// Board → host of version 4 or later, once for each completed insulation measurement: how long it dwelt. Best effort, as
    /// readings are.
    RunDwell {
        /// The board's run.
        boot: u32,
        /// How long.
        dwell: Dwell,
    },
    /// Host → board: how are you calibrated? From version 5 on, as all that follows.
    CalibrationGet,
    /// Board → host: like this.
    CalibrationIs(CalibrationState),
    /// Host → board: keep this calibration. It is in force from the next start on.
    CalibrationPut {
        /// Its values, and their number, [`Calibration::number`].
        #[serde(with = "crate::outlined")]
        calibration: Calibration,
        /// When it was made, Unix time in seconds.
        made_unix_s: i64,
    },
    /// Board → host: what became of it: the number that is kept now, or why not.
    CalibrationResult(Result<u32, CalibrationFault>),
    /// Host → board: sum up the converter's codes over so many samples in a row. A newer question takes an older one's place.
    CodesAsk {
        /// Comes back in the answer.
        token: u32,
        /// Samples, 1 to [`CODE_SAMPLES_MAX`](crate::measure::CODE_SAMPLES_MAX).
        samples: u32,
    },
    /// Board → host, once they have been gathered.
    CodesAre {
        /// From the question.
        token: u32,
        /// The sums.
        sums: CodeSums,
    },
}

impl Message {
    /// Number of variants this version knows; a higher number in a frame comes from a newer peer.
    pub const KINDS: u32 = 31;
}

/// What a board makes of a message: all that a host may say, and nothing that only boards say. A board that could read what it
/// never hears would carry kilobytes of code for it.
///
/// `body`: what stands behind the number of its kind. Gives the message, `None` for one that only boards say, and what is left.
///
/// # Errors
/// A body that does not fit its kind.
pub(crate) fn said_to_board(kind: u32, body: &[u8]) -> postcard::Result<(Option<Message>, &[u8])> {
    use postcard::take_from_bytes;
    let (message, rest) = match kind {
        1 => {
            let (protocol, rest) = take_from_bytes(body)?;
            (Message::HelloAsk { protocol }, rest)
        }
        6 => {
            let (ack, rest) = take_from_bytes(body)?;
            (Message::Ack(ack), rest)
        }
        7 => {
            let (token, rest) = take_from_bytes(body)?;
            (Message::TimeAsk { token }, rest)
        }
        9 => (Message::SettingsGet, body),
        11 => {
            let (settings, rest) = take_from_bytes(body)?;
            (Message::SettingsPut(settings), rest)
        }
        13 => {
            let (command, rest) = take_from_bytes(body)?;
            (Message::Command(command), rest)
        }
        15 => (Message::LinkStatsAsk, body),
        19 => {
            let (acks, rest) = take_from_bytes(body)?;
            (Message::Acks(acks), rest)
        }
        20 => {
            let (have, rest) = take_from_bytes(body)?;
            (Message::CaptureHave(have), rest)
        }
        25 => (Message::CalibrationGet, body),
        27 => {
            let ((calibration, made_unix_s), rest) = take_from_bytes(body)?;
            let put = Message::CalibrationPut {
                calibration,
                made_unix_s,
            };
            (put, rest)
        }
        29 => {
            let ((token, samples), rest) = take_from_bytes(body)?;
            (Message::CodesAsk { token, samples }, rest)
        }
        // What only a board says: nothing here for this one.
        _ => return Ok((None, &[])),
    };
    Ok((Some(message), rest))
}
