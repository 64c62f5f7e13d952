//! What a recorder that runs for months tells meanwhile.

use ohmward_proto::message::BoardId;
use std::time::Duration;

/// One line for whoever looks after the recorder.
#[derive(Clone, PartialEq, Debug)]
pub enum Notice {
    /// A board can no longer be reached, and is waited for. Told once.
    Gone {
        /// Where it was.
        from: String,
        /// Which, if it had said so.
        board: Option<BoardId>,
        /// How that showed.
        why: String,
    },
    /// It is back, perhaps elsewhere.
    Back {
        /// Where it is now.
        from: String,
        /// Which.
        board: BoardId,
    },
    /// Nothing at this place speaks the protocol; it is tried again now and then. Told once.
    Silent {
        /// Where.
        from: String,
    },
    /// No device fits a pattern, or none can be opened; it is looked for all the while. Told once.
    Nothing {
        /// The pattern, or a device that fits it.
        from: String,
        /// Why, and what to do.
        why: String,
    },
    /// Two sources lead to one board.
    SameBoard {
        /// Which.
        board: BoardId,
        /// The one.
        from: String,
        /// The other.
        other: String,
    },
    /// A source ended early.
    Ended {
        /// The error, in a line.
        error: String,
    },
    /// The disk does not take what has come; nothing is acknowledged until it does.
    DiskRefuses {
        /// The store's words.
        why: String,
    },
    /// It does again.
    DiskTakesAgain {
        /// For how long it had not.
        after: Duration,
    },
    /// A day that is due does not go into the archive; it stays where it is, and is tried again in an hour.
    ArchiveWaits {
        /// The store's words.
        why: String,
    },
    /// This computer's clock was set.
    ClockSet {
        /// By so much; + is forward.
        by_us: i64,
    },
}

impl std::fmt::Display for Notice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Gone {
                from,
                board: Some(board),
                why,
            } => write!(
                f,
                "{from}: board {board} is gone: {why}. What it sent is kept; waiting for it to come back"
            ),
            Self::Gone { from, why, .. } => write!(f, "{from}: {why}. Waiting for it to come back"),
            Self::Back { from, board } => write!(f, "{from}: board {board} is back"),
            Self::Silent { from } => write!(
                f,
                "{from}: no board answers there (right speed? another host?); trying again now and then"
            ),
            Self::Nothing { from, why } => {
                let stop = if why.ends_with(['.', '?']) { "" } else { "." };
                write!(f, "{from}: {why}{stop} Looking again all the while")
            }
            Self::SameBoard { board, from, other } => write!(
                f,
                "{from}: board {board} is recorded from {other} too: give one of them, or change the board's number"
            ),
            Self::Ended { error } => f.write_str(error),
            Self::DiskRefuses { why } => write!(
                f,
                "{why}. Recording waits; boards keep their events until there is room, readings are lost meanwhile"
            ),
            Self::DiskTakesAgain { after } => {
                write!(
                    f,
                    "the disk takes data again, after {:.0} s",
                    after.as_secs_f64()
                )
            }
            Self::ArchiveWaits { why } => write!(
                f,
                "{why}. What should go into the archive stays in the store's tables; recording goes on"
            ),
            Self::ClockSet { by_us } => write!(
                f,
                "this computer's clock was set {} by {:.1} s: times from here on follow it, earlier ones stay as they are",
                if *by_us < 0 { "back" } else { "forward" },
                by_us.unsigned_abs() as f64 * 1e-6
            ),
        }
    }
}
