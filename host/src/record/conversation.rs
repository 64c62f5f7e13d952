//! One port: a serial device or a TCP connection.

use super::RecordError;
use super::writer::{Committed, Writer};
use crate::link::{Session, Source, port};
use crate::store::Entry;
use ohmward_proto::message::BoardId;
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::{oneshot, watch};

/// How often a session is asked what is due.
const TICK: Duration = Duration::from_millis(100);
/// How long a port may stay without a board before that is an error.
const SILENT_FOR: Duration = Duration::from_secs(10);
/// Entries read ahead while the disk is busy; beyond that the port is left to wait.
const AHEAD_MAX: usize = 20_000;
/// How long to wait at the end for the last commit, so that its acknowledgement still goes out.
const LAST_COMMIT: Duration = Duration::from_secs(5);

/// Talks until the port ends or `stop` says so. Also returns how many frames came damaged.
pub async fn run(
    source: &Source,
    baud: u32,
    writer: &Writer,
    stop: watch::Receiver<bool>,
) -> (Result<(), RecordError>, u64) {
    let mut session = Session::new();
    let result = open_and_talk(source, baud, writer, stop, &mut session).await;
    let counts = session.counts();
    (result, counts.bad_crc + counts.bad_form)
}

async fn open_and_talk(
    source: &Source,
    baud: u32,
    writer: &Writer,
    stop: watch::Receiver<bool>,
    session: &mut Session,
) -> Result<(), RecordError> {
    let open = |why: String| RecordError::Open {
        from: source.to_string(),
        why,
    };
    let port = port::open(source, baud).await.map_err(open)?;
    let ended = talk(port, writer, stop, session).await;
    match ended {
        Ended::Stopped => Ok(()),
        Ended::OtherRun(board, boot) => Err(RecordError::OtherRun {
            from: source.to_string(),
            board,
            boot,
        }),
        Ended::Silent => Err(RecordError::Silent {
            from: source.to_string(),
            baud,
        }),
        Ended::Gone(why) => Err(RecordError::Gone {
            from: source.to_string(),
            why,
        }),
    }
}

enum Ended {
    Stopped,
    OtherRun(BoardId, u32),
    Silent,
    Gone(String),
}

/// A batch on its way to the disk.
type OnItsWay = Option<oneshot::Receiver<Committed>>;

async fn talk(
    mut port: impl AsyncRead + AsyncWrite + Unpin,
    writer: &Writer,
    mut stop: watch::Receiver<bool>,
    session: &mut Session,
) -> Ended {
    let mut batch: Vec<Entry> = Vec::new();
    let mut on_its_way: OnItsWay = None;
    let mut bytes = vec![0; 16 * 1024];
    let mut ticks = tokio::time::interval(TICK);
    let mut known_at = tokio::time::Instant::now();
    let ended = loop {
        tokio::select! {
            read = port.read(&mut bytes), if batch.len() < AHEAD_MAX => match read {
                Ok(0) => break Ended::Gone("the other end closed the connection".to_owned()),
                Ok(n) => session.receive(&bytes[..n], unix_us(), &mut batch),
                Err(e) => break Ended::Gone(format!("the device went away ({e})")),
            },
            committed = heard(&mut on_its_way) => match committed {
                Some(committed) => {
                    if let Some(&(board, boot)) = committed.written.refused.first() {
                        break Ended::OtherRun(board, boot);
                    }
                    session.committed(&committed.entries, &committed.written);
                }
                None => break Ended::Stopped, // the writer's own error is told where it is joined
            },
            _ = ticks.tick() => {
                session.tick(unix_us());
                if session.board().is_some() {
                    known_at = tokio::time::Instant::now();
                } else if known_at.elapsed() > SILENT_FOR {
                    break Ended::Silent;
                }
            }
            _ = stop.changed() => {
                // A line on which nobody has ever answered is no recording that went well.
                break if session.board().is_some() { Ended::Stopped } else { Ended::Silent };
            }
        }
        if on_its_way.is_none() && !batch.is_empty() {
            match writer.keep(std::mem::take(&mut batch)).await {
                Ok(receiver) => on_its_way = Some(receiver),
                Err(_) => break Ended::Stopped,
            }
        }
        let out = session.take_output();
        if !out.is_empty()
            && let Err(e) = port.write_all(&out).await
        {
            break Ended::Gone(format!("the device went away ({e})"));
        }
    };
    finish(session, batch, on_its_way, writer, &mut port).await;
    ended
}

/// Commits what was received; a board that is still there gets its acknowledgements.
async fn finish(
    session: &mut Session,
    batch: Vec<Entry>,
    mut on_its_way: OnItsWay,
    writer: &Writer,
    port: &mut (impl AsyncWrite + Unpin),
) {
    let last = async {
        if on_its_way.is_some()
            && let Some(committed) = heard(&mut on_its_way).await
        {
            session.committed(&committed.entries, &committed.written);
        }
        if !batch.is_empty()
            && let Ok(receiver) = writer.keep(batch).await
            && let Ok(committed) = receiver.await
        {
            session.committed(&committed.entries, &committed.written);
        }
        // If the device is gone, these acknowledgements are simply lost: the board sends again, the store knows.
        let _ = port.write_all(&session.take_output()).await;
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

fn unix_us() -> i64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_micros().min(i64::MAX as u128) as i64)
}
