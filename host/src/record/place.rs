//! One source, for as long as recording lasts: opened, talked to, and opened again after it went away.

use super::conversation::{Ended, Seen, new_session, talk};
use super::notice::Notice;
use super::writer::Writer;
use super::{LinkSummary, RecordError};
use crate::link::{Session, Source, port};
use ohmward_proto::message::BoardId;
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio::time::Instant;

/// Waits between two tries to open what went away.
const AGAIN_FIRST: Duration = Duration::from_millis(250);
const AGAIN_MOST: Duration = Duration::from_secs(30);
/// Time between two looks for devices that fit a pattern.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// A device that fits a pattern and is no board is tried again after this long.
const NO_BOARD_AGAIN: Duration = Duration::from_secs(60);

/// Two sources lead to one device.
const HELD: &str = "another source has it open already";
/// Nothing is plugged in where a pattern looks.
const NOTHING_FITS: &str = "no device fits it. Is the board plugged in, is the pattern right?";

fn nothing_fits(from: String) -> RecordError {
    let why = NOTHING_FITS.to_owned();
    RecordError::Open { from, why }
}

/// What all sources share.
#[derive(Clone)]
pub struct Shared {
    pub writer: Writer,
    pub wall_clock: fn() -> SystemTime,
    pub baud: u32,
    /// A source that went away is waited for.
    pub comes_back: bool,
    pub notices: mpsc::UnboundedSender<Notice>,
    pub stop: watch::Receiver<bool>,
    pub boards: Arc<Mutex<Boards>>,
}

/// Which board is where: known by its own number, wherever it is plugged in.
#[derive(Default)]
pub struct Boards {
    at: HashMap<BoardId, (String, bool)>,
    /// Serial devices that are open, by the file that their name leads to.
    open: HashSet<PathBuf>,
    /// Sources on which nothing answered or that did not open, and that this has been told of.
    silent: HashSet<String>,
    clock_set_us: i64,
}

impl Shared {
    fn tell(&self, notice: Notice) {
        // Nobody listens any more: recording is ending.
        let _ = self.notices.send(notice);
    }

    fn boards(&self) -> MutexGuard<'_, Boards> {
        self.boards.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn seen(&self, from: &str, seen: &Seen) {
        match *seen {
            Seen::Met(board) => {
                let before = self.boards().at.insert(board, (from.to_owned(), true));
                let from = from.to_owned();
                match before {
                    Some((_, false)) => self.tell(Notice::Back { from, board }),
                    Some((other, true)) if other != from => {
                        self.tell(Notice::SameBoard { board, from, other });
                    }
                    _ => {}
                }
            }
            // Every line sees it; one tells.
            Seen::ClockSet(by_us) => {
                let before = std::mem::replace(&mut self.boards().clock_set_us, by_us);
                if (before - by_us).abs() > 100_000 {
                    self.tell(Notice::ClockSet { by_us });
                }
            }
        }
    }

    fn gone(&self, from: &str, board: Option<BoardId>, why: String) {
        if let Some(board) = board {
            let mut boards = self.boards();
            match boards.at.get_mut(&board) {
                Some((at, here)) if at == from && *here => *here = false,
                // It is elsewhere by now, or this has been told.
                _ => return,
            }
        }
        self.tell(Notice::Gone {
            from: from.to_owned(),
            board,
            why,
        });
    }

    fn nothing(&self, from: &str, why: String) {
        if self.boards().silent.insert(from.to_owned()) {
            let from = from.to_owned();
            self.tell(Notice::Nothing { from, why });
        }
    }

    fn silent(&self, from: &str) {
        if self.boards().silent.insert(from.to_owned()) {
            self.tell(Notice::Silent {
                from: from.to_owned(),
            });
        }
    }
}

/// A serial device, held for one conversation: two on one device would take each other's bytes.
struct Held(PathBuf, Arc<Mutex<Boards>>);

impl Held {
    fn new(device: &Path, shared: &Shared) -> Option<Self> {
        let file = std::fs::canonicalize(device).unwrap_or_else(|_| device.to_path_buf());
        let new = shared.boards().open.insert(file.clone());
        new.then(|| Self(file, Arc::clone(&shared.boards)))
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        let mut boards = self.1.lock().unwrap_or_else(PoisonError::into_inner);
        boards.open.remove(&self.0);
    }
}

/// Opens once and talks to its end.
async fn once(source: &Source, shared: &Shared) -> Result<(Ended, LinkSummary), String> {
    let from = source.to_string();
    let _held = match source {
        Source::Serial(device) => {
            let held = Held::new(device, shared);
            if held.is_none() {
                return Err(HELD.to_owned());
            }
            held
        }
        _ => None,
    };
    let port = port::open(source, shared.baud).await?;
    let mut session = new_session();
    let seen = |seen: Seen| shared.seen(&from, &seen);
    let stop = shared.stop.clone();
    let ended = talk(
        port,
        (&shared.writer, shared.wall_clock),
        stop,
        &mut session,
        seen,
    )
    .await;
    Ok((ended, summary(&from, &session)))
}

fn summary(from: &str, session: &Session) -> LinkSummary {
    LinkSummary {
        from: from.to_owned(),
        board: session.board(),
        report: session.report(),
    }
}

/// One source by name. Returns why it ended early, if it did, and how each of its conversations went.
pub async fn keep_one(
    source: Source,
    shared: Shared,
) -> (Result<(), RecordError>, Vec<LinkSummary>) {
    let from = source.to_string();
    let mut links: Vec<LinkSummary> = Vec::new();
    let mut met_before = false;
    let mut pause = AGAIN_FIRST;
    let mut stop = shared.stop.clone();
    loop {
        let opened = once(&source, &shared).await;
        match opened {
            Err(why) if !met_before => return (Err(RecordError::Open { from, why }), links),
            Err(_) => {}
            Ok((ended, summary)) => {
                let board = summary.board;
                if board.is_some() {
                    met_before = true;
                    pause = AGAIN_FIRST;
                }
                merge(&mut links, summary);
                match ended {
                    Ended::Stopped => return (Ok(()), links),
                    Ended::OtherRun(board, boot) => {
                        return (Err(RecordError::OtherRun { from, board, boot }), links);
                    }
                    Ended::Silent if !met_before => {
                        let baud = shared.baud;
                        return (Err(RecordError::Silent { from, baud }), links);
                    }
                    Ended::Silent => shared.silent(&from),
                    Ended::Gone(why) if !shared.comes_back || !met_before => {
                        return (Err(RecordError::Gone { from, why }), links);
                    }
                    Ended::Gone(why) => shared.gone(&from, board, why),
                }
            }
        }
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            _ = stop.changed() => return (Ok(()), links),
        }
        pause = (2 * pause).min(AGAIN_MOST);
    }
}

/// Every serial device that fits a pattern, whenever it is there.
pub async fn keep_pattern(
    pattern: String,
    shared: Shared,
) -> (Result<(), RecordError>, Vec<LinkSummary>) {
    let mut links = Vec::new();
    let mut talking = JoinSet::new();
    let mut busy: HashSet<PathBuf> = HashSet::new();
    let mut not_before: HashMap<PathBuf, Instant> = HashMap::new();
    let mut stop = shared.stop.clone();
    let mut stopped = false;
    if devices(&pattern).is_empty() {
        if !shared.comes_back {
            return (Err(nothing_fits(pattern)), links);
        }
        shared.tell(Notice::Nothing {
            from: pattern.clone(),
            why: NOTHING_FITS.to_owned(),
        });
    }
    loop {
        let met = |links: &[LinkSummary]| links.iter().any(|link| link.board.is_some());
        if !stopped {
            for device in devices(&pattern) {
                let due = not_before
                    .get(&device)
                    .is_none_or(|at| *at <= Instant::now());
                if due && busy.insert(device.clone()) {
                    let shared = shared.clone();
                    talking.spawn(async move {
                        let ended = once(&Source::Serial(device.clone()), &shared).await;
                        (device, ended)
                    });
                }
            }
            // What is gone may be plugged in again at once.
            not_before.retain(|device, _| device.exists());
        }
        if stopped && talking.is_empty() {
            // With nobody met this is no recording that went well, as on a single line.
            let ended = match links.first() {
                None => Err(nothing_fits(pattern)),
                Some(link) if !met(&links) => {
                    let (from, baud) = (link.from.clone(), shared.baud);
                    Err(RecordError::Silent { from, baud })
                }
                Some(_) => Ok(()),
            };
            return (ended, links);
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK_EVERY), if !stopped => {}
            _ = stop.changed(), if !stopped => stopped = true,
            Some(done) = talking.join_next() => {
                let (device, ended) = match done {
                    Ok(done) => done,
                    Err(panic) => std::panic::resume_unwind(panic.into_panic()),
                };
                busy.remove(&device);
                let from = device.display().to_string();
                let mut wait = AGAIN_FIRST;
                match ended {
                Ok((ended, summary)) => {
                    let board = summary.board;
                    merge(&mut links, summary);
                    match ended {
                        Ended::Stopped => {}
                        Ended::OtherRun(board, boot) => {
                            let error = RecordError::OtherRun { from, board, boot };
                            return (Err(error), links);
                        }
                        Ended::Silent if !stopped => {
                            shared.silent(&from);
                            wait = NO_BOARD_AGAIN;
                        }
                        Ended::Silent => {}
                        Ended::Gone(why) if !shared.comes_back && met(&links) && talking.is_empty() => {
                            return (Err(RecordError::Gone { from, why }), links);
                        }
                        Ended::Gone(why) if board.is_some() => shared.gone(&from, board, why),
                        Ended::Gone(_) => {}
                    }
                }
                Err(why) => {
                    // What another source holds is in good hands; what is not ours to open has to be told.
                    if why != HELD && device.exists() {
                        shared.nothing(&from, format!("cannot open: {why}"));
                    }
                    wait = AGAIN_MOST.min(4 * wait);
                }
                }
                not_before.insert(device, Instant::now() + wait);
            }
        }
    }
}

/// Devices whose names fit, each once however many names lead to it.
fn devices(pattern: &str) -> Vec<PathBuf> {
    let mut files = HashSet::new();
    let Ok(paths) = glob::glob(pattern) else {
        return Vec::new(); // looked at when the source was read
    };
    paths
        .flatten()
        .filter(|path| {
            std::fs::canonicalize(path).is_ok_and(|file| !file.is_dir() && files.insert(file))
        })
        .collect()
}

/// One line of the report for each place and board, however often it came and went.
fn merge(links: &mut Vec<LinkSummary>, new: LinkSummary) {
    match links
        .iter_mut()
        .find(|old| old.from == new.from && old.board == new.board)
    {
        Some(old) => old.add(&new),
        None => links.push(new),
    }
}
