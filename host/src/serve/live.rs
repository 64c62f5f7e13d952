//! The present of every board, looked up by one thread for everybody, and handed to whoever listens.
//!
//! Of two thousand boards a second only the latest reading is read; the rest of what is known of a board is read again when an
//! event of it has come, for a while after that (its waveform follows), and every half minute.

use super::api::{Params, Wrong, known_board};
use super::{ServeError, State};
use crate::now::of_store::{self, Depth};
use crate::now::{self, BoardNow, Urgency};
use crate::store::{Store, StoreError, state_word};
use axum::http::StatusCode;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use ohmward_proto::message::BoardId;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::convert::Infallible;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tokio::sync::watch;
use tokio_stream::StreamExt;
use tokio_stream::wrappers::WatchStream;

/// A look begins this often, unless the one before took longer.
const EVERY: Duration = Duration::from_secs(1);
const REST_LEAST: Duration = Duration::from_millis(100);
/// The port opens after this long at the latest.
const FIRST_WITHIN: Duration = Duration::from_secs(3);
/// All that is known of a board is read again this often, in looks.
const WHOLE_EVERY: u64 = 30;
/// So many looks after an event of it, a board is read whole each time.
const WHOLE_AFTER_EVENT: u64 = 20;
/// The folder is opened anew this often, in looks: the store in it may be another one.
const REOPEN_EVERY: u64 = 10;
/// The folder is measured this often, in looks.
const SIZE_EVERY: u64 = 30;
/// Events are counted again this often at most, in looks.
const COUNT_EVERY: u64 = 10;
/// Looks older than this are told as such, µs.
pub const LOOK_OLD_US: i64 = 15_000_000;

/// No readings of before: the page asks for those it draws.
const DEPTH: Depth = Depth {
    recent_us: 0,
    readings: 1,
    events: 12,
};

/// A board as it was seen.
pub struct Seen {
    pub now: BoardNow,
    pub urgency: Urgency,
    /// Its line in the list.
    row: Value,
    /// The look at which the line last changed.
    changed: u64,
}

/// One look at the store.
#[derive(Default)]
pub struct Look {
    /// Counts looks; 0 before the first.
    pub n: u64,
    /// When, Unix microseconds.
    pub now_us: i64,
    /// Every board, by number.
    pub boards: BTreeMap<BoardId, Arc<Seen>>,
    /// Events kept, by board and kind.
    pub counts: Arc<Vec<(BoardId, String, u64)>>,
    /// A recorder holds the store.
    pub recording: bool,
    /// Bytes of the folder.
    pub bytes: u64,
    /// Why this look failed; boards are then as they were at the one before.
    pub error: Option<String>,
    /// The last look that did not fail, Unix microseconds.
    pub good_us: i64,
}

/// Begins to look. Of many boards the first look takes a while: after [`FIRST_WITHIN`] this returns all the same, with a look that says so.
pub async fn start(
    dir: PathBuf,
    stop: Arc<AtomicBool>,
) -> Result<(watch::Receiver<Arc<Look>>, JoinHandle<()>), ServeError> {
    let mut looker = Looker {
        dir,
        store: None,
        event_count: 0,
        count_due: true,
        whole_until: BTreeMap::new(),
        last: Arc::default(),
    };
    let none = Look {
        now_us: now_us(),
        error: Some("the store is being looked at for the first time: wait a little".into()),
        ..Look::default()
    };
    let (send, mut receive) = watch::channel(Arc::new(none));
    let thread = std::thread::Builder::new()
        .name("look".into())
        .spawn(move || {
            while !stop.load(Ordering::Relaxed) {
                let begun = Instant::now();
                send.send_replace(looker.look());
                let rest = EVERY.saturating_sub(begun.elapsed()).max(REST_LEAST);
                // Short naps: the end does not wait for a whole one.
                let until = Instant::now() + rest;
                while Instant::now() < until && !stop.load(Ordering::Relaxed) {
                    std::thread::sleep(Duration::from_millis(25));
                }
            }
            // With the sender gone every live answer ends.
        })
        .map_err(ServeError::System)?;
    let first = receive.wait_for(|look| look.n > 0);
    // Late or never is told by the look itself.
    let _ = tokio::time::timeout(FIRST_WITHIN, first).await;
    Ok((receive, thread))
}

struct Looker {
    dir: PathBuf,
    store: Option<Store>,
    event_count: u64,
    /// Events have come that are not counted yet.
    count_due: bool,
    whole_until: BTreeMap<BoardId, u64>,
    last: Arc<Look>,
}

impl Looker {
    fn look(&mut self) -> Arc<Look> {
        let n = self.last.n + 1;
        let now_us = now_us();
        let look = match self.try_look(n, now_us) {
            Ok(look) => look,
            Err(error) => {
                self.store = None;
                Look {
                    n,
                    now_us,
                    boards: self.last.boards.clone(),
                    counts: Arc::clone(&self.last.counts),
                    recording: false,
                    bytes: self.last.bytes,
                    error: Some(error.to_string()),
                    good_us: self.last.good_us,
                }
            }
        };
        self.last = Arc::new(look);
        Arc::clone(&self.last)
    }

    fn try_look(&mut self, n: u64, now_us: i64) -> Result<Look, StoreError> {
        if n.is_multiple_of(REOPEN_EVERY) {
            self.store = None;
        }
        let store = match self.store.take() {
            Some(store) => store,
            None => Store::open_existing(&self.dir)?,
        };
        let mut told = BTreeSet::new();
        match store.boards_with_events_after(self.event_count)? {
            Some((count, boards)) => {
                // Fewer than before is another store.
                self.count_due |= count != self.event_count;
                self.event_count = count;
                told.extend(boards);
            }
            None => self.count_due = true,
        }
        let mut counts = Arc::clone(&self.last.counts);
        if self.count_due && (n == 1 || n.is_multiple_of(COUNT_EVERY)) {
            counts = Arc::new(store.event_counts()?);
            self.count_due = false;
        }
        let mut boards = BTreeMap::new();
        for (place, board) in (0_u64..).zip(store.boards()?) {
            if told.contains(&board) {
                self.whole_until.insert(board, n + WHOLE_AFTER_EVENT);
            }
            let before = self.last.boards.get(&board);
            let is_whole = (n + place).is_multiple_of(WHOLE_EVERY)
                || self
                    .whole_until
                    .get(&board)
                    .is_some_and(|until| n <= *until);
            let now = match before {
                Some(before) if !is_whole => {
                    let last = store.latest_reading(board)?;
                    // A new run, or the first reading: who it is and what is set on it may have changed.
                    let boot = |now: &BoardNow| now.run.as_ref().map(|run| run.boot);
                    if last.map(|last| last.boot) == boot(&before.now) {
                        BoardNow {
                            last,
                            ..before.now.clone()
                        }
                    } else {
                        of_store::board(&store, board, DEPTH)?
                    }
                }
                _ => of_store::board(&store, board, DEPTH)?,
            };
            boards.insert(board, Arc::new(Seen::new(now, now_us, n, before)));
        }
        self.whole_until.retain(|_, until| n <= *until);
        let bytes = if n == 1 || n.is_multiple_of(SIZE_EVERY) {
            bytes_of(&self.dir)
        } else {
            self.last.bytes
        };
        self.store = Some(store);
        Ok(Look {
            n,
            now_us,
            boards,
            counts,
            recording: Store::is_recorded_into(&self.dir),
            bytes,
            error: None,
            good_us: now_us,
        })
    }
}

impl Seen {
    fn new(now: BoardNow, now_us: i64, n: u64, before: Option<&Arc<Self>>) -> Self {
        let concerns = now.concerns(now_us);
        // Never empty, and if it were, nobody would know how the board is.
        let (urgency, words, since_us) = concerns
            .first()
            .map_or((Urgency::Look, "nothing is known".into(), None), |worst| {
                (worst.urgency, worst.words.clone(), worst.since_us)
            });
        let row = json!({
            "board": now.board.to_string(),
            "urgency": urgency.word(),
            "rank": urgency as u8,
            "words": words,
            "since_us": since_us,
            "state": now.last.map(|last| state_word(last.reading.state)),
        });
        let changed = match before {
            Some(before) if before.row == row => before.changed,
            _ => n,
        };
        Self {
            now,
            urgency,
            row,
            changed,
        }
    }
}

impl Look {
    /// Every board's line.
    pub fn rows(&self) -> Vec<&Value> {
        self.boards.values().map(|seen| &seen.row).collect()
    }

    /// One message: the lines that changed since look `since`, or all of them; and all of one board.
    fn message(&self, since: Option<u64>, board: Option<BoardId>) -> Value {
        // Boards never leave a store; another store in its place has others.
        let is_whole = since.is_none_or(|since| since + 1 != self.n);
        let rows = self.boards.values();
        let rows: Vec<&Value> = rows
            .filter(|seen| is_whole || seen.changed == self.n)
            .map(|seen| &seen.row)
            .collect();
        let board = board.and_then(|board| self.boards.get(&board));
        json!({
            "n": self.n,
            "now_us": self.now_us,
            "recording": self.recording,
            "error": self.error,
            "good_us": self.good_us,
            "whole": is_whole,
            "count": self.boards.len(),
            "boards": rows,
            "board": board.map(|seen| now::json(&seen.now, self.now_us)),
        })
    }
}

/// `/api/live`: a message a look, until the page goes or the program ends.
pub async fn live(state: State, params: Params) -> Result<Response, Wrong> {
    params.only(&["board"])?;
    let board = match params.one("board")? {
        Some(name) => Some(known_board(&state.looks.borrow(), name)?),
        None => None,
    };
    let Ok(place) = Arc::clone(&state.live).try_acquire_owned() else {
        let wrong = Wrong::new(
            StatusCode::SERVICE_UNAVAILABLE,
            format!(
                "{} pages are live already: close some, or try again in a minute",
                super::LIVE_MOST
            ),
        );
        return Ok(([("retry-after", "60")], wrong).into_response());
    };
    let mut sent = None;
    let messages = WatchStream::new(state.looks.clone()).map(move |look| {
        let _ = &place; // free again when the stream is dropped
        let message = look.message(sent, board);
        sent = Some(look.n);
        Ok::<_, Infallible>(Event::default().data(message.to_string()))
    });
    Ok(Sse::new(messages).into_response())
}

pub fn now_us() -> i64 {
    let unix = SystemTime::now().duration_since(UNIX_EPOCH);
    unix.map_or(0, |d| d.as_micros().min(i64::MAX as u128) as i64)
}

/// Bytes of every file in a folder. What goes away meanwhile, or cannot be looked at, counts nothing.
fn bytes_of(dir: &Path) -> u64 {
    let Ok(entries) = std::fs::read_dir(dir) else {
        return 0;
    };
    entries
        .flatten()
        .map(|entry| match entry.metadata() {
            Ok(about) if about.is_dir() => bytes_of(&entry.path()),
            Ok(about) => about.len(),
            Err(_) => 0,
        })
        .sum()
}
