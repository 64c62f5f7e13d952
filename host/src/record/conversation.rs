//! One open port: bytes both ways, until it ends or has to stop.

use super::writer::{Committed, Writer};
use crate::link::{Moment, Session};
use crate::store::{Entry, LineCounts};
use ohmward_proto::decoder::DecoderCounts;
use ohmward_proto::message::BoardId;
use std::hash::{BuildHasher, RandomState};
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::{oneshot, watch};
use tokio::time::Instant;

/// How often a session is asked what is due: while a board is being met, and later.
const TICK_MEETING: Duration = Duration::from_millis(100);
const TICK: Duration = Duration::from_millis(500);
/// How long a port may stay without a board before that is an error.
const SILENT_FOR: Duration = Duration::from_secs(10);
/// A board that has been met answers a question every minute, whatever else it says: with nothing at all for this long the
/// line is dead, though nobody has closed it.
const DEAD_AFTER: Duration = Duration::from_secs(150);
/// Entries of one board read ahead while the disk is busy; beyond that its port is left to wait. Below the second number
/// it may always go on, however little room the others have left.
const AHEAD_MAX: usize = 20_000;
const AHEAD_ALWAYS: usize = 64;
/// How often the line's counts go into the store.
const COUNTS_EVERY: Duration = Duration::from_secs(60);
/// Bytes for a board that does not take them.
const UNSENT_MAX: usize = 64 * 1024;
/// How long to wait at the end for the last commit, so that its acknowledgement still goes out.
const LAST_COMMIT: Duration = Duration::from_secs(5);

/// How a conversation ended.
pub enum Ended {
    /// It was asked to, or the writer has ended.
    Stopped,
    /// The store has this run with another start.
    OtherRun(BoardId, u32),
    /// Nobody there speaks the protocol.
    Silent,
    /// The port went away.
    Gone(String),
}

/// What happens meanwhile.
pub enum Seen {
    /// A board has said who it is.
    Met(BoardId),
    /// This computer's clock was set by so many µs.
    ClockSet(i64),
}

/// A batch on its way to the disk.
type OnItsWay = Option<oneshot::Receiver<Committed>>;

/// A session whose questions cannot be mistaken for those of the host before, whose answers may still be on the line.
pub fn new_session() -> Session {
    Session::asking_from(RandomState::new().hash_one(0_u8) as u32)
}

/// Talks until the port ends or `stop` says so.
pub async fn talk(
    port: impl AsyncRead + AsyncWrite + Unpin,
    (writer, wall_clock): (&Writer, fn() -> SystemTime),
    mut stop: watch::Receiver<bool>,
    session: &mut Session,
    mut seen: impl FnMut(Seen),
) -> Ended {
    let (mut from_board, mut to_board) = tokio::io::split(port);
    let clock = HostClock::new(wall_clock);
    let mut batch: Vec<Entry> = Vec::new();
    let mut on_its_way: OnItsWay = None;
    let mut bytes = vec![0; 4096];
    let mut unsent: Vec<u8> = Vec::new();
    let mut known_at = Instant::now();
    let mut heard_at = Instant::now();
    let mut met = None;
    let mut steps = 0;
    let mut next_tick = Instant::now();
    let mut told = Told {
        counts: session.report().received,
        at: Instant::now(),
    };
    let ended = loop {
        let may_read =
            batch.len() < AHEAD_ALWAYS || (batch.len() < AHEAD_MAX && writer.room().is_left());
        tokio::select! {
            read = from_board.read(&mut bytes), if may_read => match read {
                Ok(0) => break Ended::Gone("the other end closed the connection".to_owned()),
                Ok(n) => {
                    heard_at = Instant::now();
                    session.receive(&bytes[..n], clock.now(), &mut batch);
                }
                Err(e) => break Ended::Gone(format!("the device went away ({e})")),
            },
            written = to_board.write(&unsent), if !unsent.is_empty() => match written {
                Ok(0) => break Ended::Gone("the other end takes nothing any more".to_owned()),
                Ok(n) => { unsent.drain(..n); }
                Err(e) => break Ended::Gone(format!("the device went away ({e})")),
            },
            committed = heard(&mut on_its_way) => match committed {
                Some(committed) => {
                    let own = committed.written.refused.iter().find(|run| {
                        committed.entries.iter().any(|e| matches!(e, Entry::Run { board, hello, .. } if (*board, hello.boot) == **run))
                    });
                    if let Some(&(board, boot)) = own {
                        break Ended::OtherRun(board, boot);
                    }
                    session.committed(&committed.entries, &committed.written);
                }
                None => break Ended::Stopped, // the writer's own error is told where it is joined
            },
            () = tokio::time::sleep_until(next_tick) => {
                session.tick(clock.now());
                next_tick = Instant::now() + if session.board().is_some() { TICK } else { TICK_MEETING };
                if session.board().is_some() {
                    known_at = Instant::now();
                    if told.at.elapsed() > COUNTS_EVERY {
                        batch.extend(told.news(session, 0, clock.now()));
                    }
                } else if known_at.elapsed() > SILENT_FOR {
                    break Ended::Silent;
                }
                // A port that is not read from is not silent.
                if !may_read {
                    heard_at = Instant::now();
                } else if heard_at.elapsed() > DEAD_AFTER {
                    break Ended::Gone(format!("nothing heard for {} s", DEAD_AFTER.as_secs()));
                }
            }
            _ = stop.changed() => {
                // A line on which nobody has ever answered is no recording that went well.
                break if session.board().is_some() { Ended::Stopped } else { Ended::Silent };
            }
        }
        if met != session.board() {
            met = session.board();
            if let Some(board) = met {
                seen(Seen::Met(board));
            }
        }
        let (stepped, by_us) = session.clock_steps();
        if stepped != steps {
            steps = stepped;
            seen(Seen::ClockSet(by_us));
        }
        if on_its_way.is_none() && !batch.is_empty() {
            match writer.keep(std::mem::take(&mut batch)) {
                Ok(receiver) => on_its_way = Some(receiver),
                Err(_) => break Ended::Stopped,
            }
        }
        unsent.append(&mut session.take_output());
        if unsent.len() > UNSENT_MAX {
            break Ended::Gone("the other end takes nothing any more".to_owned());
        }
    };
    let breaks = u64::from(matches!(ended, Ended::Gone(_)));
    if !matches!(ended, Ended::OtherRun(..)) {
        batch.extend(told.news(session, breaks, clock.now()));
    }
    finish(session, batch, on_its_way, writer, unsent, &mut to_board).await;
    ended
}

/// What the store has been told of this line.
struct Told {
    counts: DecoderCounts,
    at: Instant,
}

impl Told {
    /// What came since; none before the board is known, or when nothing came.
    fn news(&mut self, session: &Session, breaks: u64, now: Moment) -> Option<Entry> {
        let board = session.board()?;
        let received = session.report().received;
        let counts = LineCounts {
            breaks,
            ..LineCounts::since(received, self.counts)
        };
        (self.counts, self.at) = (received, Instant::now());
        (counts != LineCounts::default()).then_some(Entry::Line {
            board,
            host_us: now.unix_us,
            counts,
        })
    }
}

/// Commits what was received; a board that is still there gets its acknowledgements.
async fn finish(
    session: &mut Session,
    batch: Vec<Entry>,
    mut on_its_way: OnItsWay,
    writer: &Writer,
    mut unsent: Vec<u8>,
    port: &mut (impl AsyncWrite + Unpin),
) {
    let last = async {
        if on_its_way.is_some()
            && let Some(committed) = heard(&mut on_its_way).await
        {
            session.committed(&committed.entries, &committed.written);
        }
        if !batch.is_empty()
            && let Ok(receiver) = writer.keep(batch)
            && let Ok(committed) = receiver.await
        {
            session.committed(&committed.entries, &committed.written);
        }
        unsent.append(&mut session.take_output());
        // If the device is gone, these acknowledgements are simply lost: the board sends again, the store knows.
        let _ = port.write_all(&unsent).await;
        let _ = port.flush().await;
    };
    let _ = tokio::time::timeout(LAST_COMMIT, last).await;
}

/// Waits for a batch that is on its way; for ever when there is none.
async fn heard(on_its_way: &mut OnItsWay) -> Option<Committed> {
    match on_its_way {
        Some(receiver) => {
            let committed = receiver.await.ok();
            *on_its_way = None;
            committed
        }
        None => std::future::pending().await,
    }
}

/// Both clocks of this computer.
struct HostClock(std::time::Instant, fn() -> SystemTime);

impl HostClock {
    fn new(wall: fn() -> SystemTime) -> Self {
        Self(std::time::Instant::now(), wall)
    }

    fn now(&self) -> Moment {
        let unix = (self.1)().duration_since(UNIX_EPOCH);
        Moment {
            mono_us: self.0.elapsed().as_micros().min(i64::MAX as u128) as i64,
            unix_us: unix.map_or(0, |d| d.as_micros().min(i64::MAX as u128) as i64),
        }
    }
}
