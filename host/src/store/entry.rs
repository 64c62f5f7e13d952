//! What boards send, as it is kept, and what became of it.

use super::LineCounts;
use ohmward_proto::message::{BoardId, CaptureHead, CapturePart, Hello};
use ohmward_proto::{BondSpectrum, Dwell, Event, EventId, Reading, SampleIndex, Settings};

/// One thing to keep.
#[derive(Clone, PartialEq, Debug)]
pub enum Entry {
    /// A board said who it is.
    Run {
        /// The board.
        board: BoardId,
        /// What it said.
        hello: Hello,
        /// When that arrived, Unix microseconds.
        received_us: i64,
    },
    /// A board said what is set on it.
    Settings {
        /// The board.
        board: BoardId,
        /// What is set.
        settings: Settings,
    },
    /// A line of the log.
    Reading {
        /// The board.
        board: BoardId,
        /// Its run.
        boot: u32,
        /// When, Unix microseconds.
        t_us: i64,
        /// The line.
        reading: Reading,
    },
    /// What the bond current is made of.
    Spectrum {
        /// The board.
        board: BoardId,
        /// Its run.
        boot: u32,
        /// When, Unix microseconds.
        t_us: i64,
        /// The parts.
        spectrum: BondSpectrum,
    },
    /// How long an insulation measurement dwelt; may come before the reading that tells what it found.
    Dwell {
        /// The board.
        board: BoardId,
        /// Its run.
        boot: u32,
        /// How long, and which measurement.
        dwell: Dwell,
    },
    /// Something happened.
    Event {
        /// The board.
        board: BoardId,
        /// When, Unix microseconds.
        t_us: i64,
        /// When it came, Unix microseconds.
        host_us: i64,
        /// `t_us` is within ± this many microseconds of the host's clock; `None`: the board's own clock, or not known.
        t_sigma_us: Option<i64>,
        /// What.
        event: Event,
    },
    /// Something happened that only a newer program can read.
    UnreadEvent {
        /// The board.
        board: BoardId,
        /// When, Unix microseconds.
        t_us: i64,
        /// When it came, Unix microseconds.
        host_us: i64,
        /// As with [`Entry::Event`].
        t_sigma_us: Option<i64>,
        /// Its number.
        id: EventId,
        /// When, on the board's own clock.
        at: SampleIndex,
        /// The event as it came.
        message: Vec<u8>,
    },
    /// How the line to a board did since this was last said. Once, not any number of times: it adds up.
    Line {
        /// The board.
        board: BoardId,
        /// When, by this computer's clock, Unix microseconds.
        host_us: i64,
        /// How.
        counts: LineCounts,
    },
    /// A captured waveform is announced.
    CaptureHead {
        /// The board.
        board: BoardId,
        /// The announcement.
        head: CaptureHead,
    },
    /// A piece of it; may come before its head, and twice.
    CapturePart {
        /// The board.
        board: BoardId,
        /// The piece.
        part: CapturePart,
    },
}

impl Entry {
    /// The board and the run of it that this belongs to, where it belongs to one.
    pub(super) fn run(&self) -> Option<(BoardId, u32)> {
        match self {
            Self::Run { board, hello, .. } => Some((*board, hello.boot)),
            Self::Settings { .. } | Self::Line { .. } => None,
            Self::Reading { board, boot, .. }
            | Self::Spectrum { board, boot, .. }
            | Self::Dwell { board, boot, .. } => Some((*board, *boot)),
            Self::Event { board, event, .. } => Some((*board, event.id.boot)),
            Self::UnreadEvent { board, id, .. } => Some((*board, id.boot)),
            Self::CaptureHead { board, head } => Some((*board, head.event.boot)),
            Self::CapturePart { board, part } => Some((*board, part.event.boot)),
        }
    }
}

/// How many of each.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Runs of a board.
    pub runs: u64,
    /// Settings.
    pub settings: u64,
    /// Readings.
    pub readings: u64,
    /// Spectra.
    pub spectra: u64,
    /// Dwell times of insulation measurements.
    pub dwells: u64,
    /// Events.
    pub events: u64,
    /// Heads of captures.
    pub heads: u64,
    /// Parts of captures.
    pub parts: u64,
}

/// What became of a batch. All of it is on the disk.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Written {
    /// Not there before.
    pub new: Counts,
    /// There already.
    pub known: Counts,
    /// Captures this batch touched that have all their samples: these may be acknowledged as a whole.
    pub captures_complete: Vec<(BoardId, EventId)>,
    /// Captures of those that this batch completed.
    pub captures_new: u64,
    /// Captures this batch touched whose head is there and that are not whole: which pieces of
    /// [`PART_SAMPLES`](ohmward_proto::message::PART_SAMPLES) are, by bit; the first 64 at most.
    pub captures_partial: Vec<(BoardId, EventId, u64)>,
    /// Runs that are in the store already with another start: another board of the same number, or one that has lost
    /// its count of starts. Nothing of theirs was kept.
    pub refused: Vec<(BoardId, u32)>,
    /// Events whose number was taken by another event: the board lost its start counter. Both are kept.
    pub twins: Vec<(BoardId, EventId)>,
    /// Readings of days that a rule has dropped from the archive: not kept again.
    pub of_dropped_days: u64,
}

impl Counts {
    pub(super) fn add(&mut self, more: &Self) {
        self.runs += more.runs;
        self.settings += more.settings;
        self.readings += more.readings;
        self.spectra += more.spectra;
        self.dwells += more.dwells;
        self.events += more.events;
        self.heads += more.heads;
        self.parts += more.parts;
    }
}
