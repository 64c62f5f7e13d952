//! The present as a line tells it, without a store.
//!
//! Nothing is acknowledged: a board keeps every event until a recorder has it on disk, so looking takes nothing from a log. The
//! board then sends its oldest events first, and again; what is newer than those it has waiting is not seen here.

use super::concern::CONDITIONS;
use super::of_store::Depth;
use super::{BoardNow, RunNow};
use crate::link::{Moment, Session, Source, port};
use crate::store::{Entry, StoredEvent, StoredReading, event_kind_word};
use ohmward_proto::message::BoardId;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::watch;
use tokio::time::Instant;

const TICK: Duration = Duration::from_millis(200);
const AGAIN_FIRST: Duration = Duration::from_millis(250);
const AGAIN_MOST: Duration = Duration::from_secs(10);
/// A board that has been met says something every so often, whatever is set.
const DEAD_AFTER: Duration = Duration::from_secs(150);
const CONDITIONS_MAX: usize = 64;

/// How a line stands.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum LineNow {
    /// It is being opened.
    Opening,
    /// Open; nobody has said who they are yet.
    Asking,
    /// A board is there.
    Met(BoardId),
    /// It went away, or does not open; it is tried again.
    Gone(String),
}

impl std::fmt::Display for LineNow {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Opening => f.write_str("opening"),
            Self::Asking => f.write_str("open, asking who is there"),
            Self::Met(board) => write!(f, "board {board}"),
            Self::Gone(why) => f.write_str(why),
        }
    }
}

#[derive(Default)]
struct Seen {
    boards: BTreeMap<BoardId, BoardNow>,
    lines: Vec<(String, LineNow)>,
}

/// Lines that are listened to, in a thread of their own, until this is dropped.
pub struct Listener {
    seen: Arc<Mutex<Seen>>,
    stop: watch::Sender<bool>,
}

impl Listener {
    /// Listens to these.
    ///
    /// # Errors
    /// When the system gives no runtime. A line that does not open is tried again, and told by [`Listener::lines`].
    pub fn start(sources: Vec<Source>, baud: u32, depth: Depth) -> std::io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let seen = Arc::new(Mutex::new(Seen {
            boards: BTreeMap::new(),
            lines: sources
                .iter()
                .map(|source| (source.to_string(), LineNow::Opening))
                .collect(),
        }));
        let (stop, stopped) = watch::channel(false);
        let shared = Arc::clone(&seen);
        std::thread::Builder::new()
            .name("lines".into())
            .spawn(move || {
                runtime.block_on(async {
                    let mut lines = tokio::task::JoinSet::new();
                    for (place, source) in sources.into_iter().enumerate() {
                        let line = Line {
                            place,
                            source,
                            baud,
                            depth,
                            seen: Arc::clone(&shared),
                        };
                        let mut stopped = stopped.clone();
                        lines.spawn(async move {
                            tokio::select! {
                                () = line.keep() => {}
                                _ = stopped.changed() => {}
                            }
                        });
                    }
                    while lines.join_next().await.is_some() {}
                });
            })?;
        Ok(Self { seen, stop })
    }

    /// Every board met so far, in the order of their numbers.
    #[must_use]
    pub fn boards(&self) -> Vec<BoardNow> {
        lock(&self.seen).boards.values().cloned().collect()
    }

    /// Every line, as given, and how it stands.
    #[must_use]
    pub fn lines(&self) -> Vec<(String, LineNow)> {
        lock(&self.seen).lines.clone()
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        // No receiver left means that every line has ended already.
        let _ = self.stop.send(true);
    }
}

fn lock(seen: &Mutex<Seen>) -> MutexGuard<'_, Seen> {
    seen.lock().unwrap_or_else(PoisonError::into_inner)
}

struct Line {
    place: usize,
    source: Source,
    baud: u32,
    depth: Depth,
    seen: Arc<Mutex<Seen>>,
}

impl Line {
    /// Opens, listens, and opens again.
    async fn keep(&self) {
        let mut pause = AGAIN_FIRST;
        loop {
            self.say(LineNow::Opening);
            let mut met = false;
            let why = match port::open(&self.source, self.baud).await {
                Ok(port) => self.listen(port, &mut met).await,
                Err(why) => why,
            };
            self.say(LineNow::Gone(why));
            if met {
                pause = AGAIN_FIRST;
            }
            tokio::time::sleep(pause).await;
            pause = (2 * pause).min(AGAIN_MOST);
        }
    }

    fn say(&self, now: LineNow) {
        if let Some((_, line)) = lock(&self.seen).lines.get_mut(self.place) {
            *line = now;
        }
    }

    /// Until the line ends; gives why.
    async fn listen(&self, mut port: Box<dyn port::Port>, met: &mut bool) -> String {
        use std::hash::{BuildHasher, RandomState};
        // Questions that cannot be mistaken for those of another host on this line.
        let mut session = Session::asking_from(RandomState::new().hash_one(0_u8) as u32);
        let began = std::time::Instant::now();
        let mut heard = Instant::now();
        let mut tick = tokio::time::interval(TICK);
        let mut bytes = vec![0; 4096];
        let mut batch = Vec::new();
        self.say(LineNow::Asking);
        loop {
            tokio::select! {
                read = port.read(&mut bytes) => match read {
                    Ok(0) => return "the other end closed the connection".into(),
                    Ok(n) => {
                        heard = Instant::now();
                        session.receive(&bytes[..n], moment(began), &mut batch);
                    }
                    Err(fault) => return format!("the device went away ({fault})"),
                },
                _ = tick.tick() => {
                    session.tick(moment(began));
                    if heard.elapsed() > DEAD_AFTER {
                        return format!("nothing heard for {} s", DEAD_AFTER.as_secs());
                    }
                }
            }
            let out = session.take_output();
            if let Err(fault) = port.write_all(&out).await {
                return format!("the device went away ({fault})");
            }
            let mut seen = lock(&self.seen);
            for entry in batch.drain(..) {
                seen.take(&entry, moment(began).unix_us, self.depth);
            }
            if let Some(board) = session.board() {
                *met = true;
                seen.lines[self.place].1 = LineNow::Met(board);
                seen.board(board).line = Some(session.report());
            }
        }
    }
}

fn moment(began: std::time::Instant) -> Moment {
    let unix = SystemTime::now().duration_since(UNIX_EPOCH);
    Moment {
        mono_us: began.elapsed().as_micros().min(i64::MAX as u128) as i64,
        unix_us: unix.map_or(0, |d| d.as_micros().min(i64::MAX as u128) as i64),
    }
}

impl Seen {
    fn board(&mut self, board: BoardId) -> &mut BoardNow {
        self.boards
            .entry(board)
            .or_insert_with(|| BoardNow::unknown(board))
    }

    fn take(&mut self, entry: &Entry, now_us: i64, depth: Depth) {
        match *entry {
            Entry::Run { board, hello, .. } => {
                let (major, minor, patch) = hello.firmware;
                self.board(board).run = Some(RunNow {
                    boot: hello.boot,
                    firmware: format!("{major}.{minor}.{patch}"),
                    protocol: hello.protocol,
                    sample_rate_hz: hello.sample_rate_hz,
                    calibration_id: hello.calibration_id,
                });
            }
            Entry::Settings { board, settings } => self.board(board).settings = Some(settings),
            Entry::Reading {
                board,
                boot,
                t_us,
                reading,
            } => {
                let row = StoredReading {
                    boot,
                    t_us,
                    reading,
                };
                self.board(board).take_reading(row, now_us, depth);
            }
            Entry::Event {
                board,
                t_us,
                host_us,
                t_sigma_us,
                event,
            } => self.board(board).take_event(
                StoredEvent {
                    board,
                    t_us,
                    host_us: Some(host_us),
                    t_sigma_us,
                    event,
                },
                depth,
            ),
            Entry::Spectrum { .. }
            | Entry::Dwell { .. }
            | Entry::Line { .. }
            | Entry::UnreadEvent { .. }
            | Entry::CaptureHead { .. }
            | Entry::CapturePart { .. } => {}
        }
    }
}

impl BoardNow {
    fn take_reading(&mut self, row: StoredReading, now_us: i64, depth: Depth) {
        self.heard_us = Some(now_us);
        let from_us = row.t_us.saturating_sub(depth.recent_us);
        // After a clock was set back, what seems to come later is of a time that is no more.
        self.recent
            .retain(|old| old.t_us >= from_us && old.t_us < row.t_us);
        self.recent.push(row);
        let many = self.recent.len().saturating_sub(depth.readings);
        self.recent.drain(..many);
        self.spacing_us = self.silent_after_us();
        self.last = Some(row);
    }

    fn take_event(&mut self, stored: StoredEvent, depth: Depth) {
        put(&mut self.events, stored, depth.events);
        if CONDITIONS.contains(&event_kind_word(&stored.event.kind)) {
            put(&mut self.conditions, stored, CONDITIONS_MAX);
        }
    }
}

/// In the order of their numbers, each once, the newest so many.
fn put(events: &mut Vec<StoredEvent>, stored: StoredEvent, at_most: usize) {
    if let Err(place) = events.binary_search_by_key(&stored.event.id, |old| old.event.id) {
        events.insert(place, stored);
        let many = events.len().saturating_sub(at_most);
        events.drain(..many);
    }
}
