//! The store's thread: takes batches from every source, commits them together, says when they are on disk.
//!
//! A disk that refuses (full, or gone for a moment) ends nothing: what has come is held, nothing is acknowledged, and the
//! same batch is tried again until there is room. Meanwhile [`Room`] runs out, sources stop reading, boards drop readings and
//! keep their events.
//!
//! Between transactions the [`Keeper`] has its turn, some 20 ms: what is over moves into the archive.

use super::latency::Latency;
use super::notice::Notice;
use crate::store::{Entry, Keeper, Store, StoreError, Turn, Written};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use tokio::sync::oneshot;

/// Entries to keep, and whom to tell.
struct Job {
    entries: Vec<Entry>,
    /// Somebody waits for it: commit now.
    urgent: bool,
    came: Instant,
    done: oneshot::Sender<Committed>,
}

/// The entries, given back, and what became of them.
#[derive(Debug)]
pub struct Committed {
    pub entries: Vec<Entry>,
    /// Of the whole transaction, which may hold other boards' entries too.
    pub written: Arc<Written>,
}

/// Entries held in memory over all sources: read, and not yet on disk.
#[derive(Debug, Default)]
pub struct Room(AtomicUsize);

/// About 60 MB of readings.
const ENTRIES_HELD_MAX: usize = 200_000;

impl Room {
    /// Whether a source that holds nothing much itself may read on.
    pub fn is_left(&self) -> bool {
        self.0.load(Ordering::Relaxed) < ENTRIES_HELD_MAX
    }
}

/// A handle for sources.
#[derive(Clone)]
pub struct Writer {
    jobs: Sender<Job>,
    room: Arc<Room>,
}

/// The writer has ended: the store failed, and the error is with its thread.
#[derive(Debug)]
pub struct WriterGone;

impl Writer {
    /// Hands entries over without waiting; the receiver hears when they are on disk. A source has one batch on its way at a
    /// time, which bounds the queue.
    pub fn keep(&self, entries: Vec<Entry>) -> Result<oneshot::Receiver<Committed>, WriterGone> {
        let urgent = entries.iter().any(is_urgent);
        self.hand_over(entries, urgent)
    }

    /// Keeps entries and waits; for threads outside the runtime.
    pub fn keep_now(&self, entries: Vec<Entry>) -> Result<Committed, WriterGone> {
        let heard = self.hand_over(entries, true)?;
        heard.blocking_recv().map_err(|_| WriterGone)
    }

    fn hand_over(
        &self,
        entries: Vec<Entry>,
        urgent: bool,
    ) -> Result<oneshot::Receiver<Committed>, WriterGone> {
        let (done, heard) = oneshot::channel();
        self.room.0.fetch_add(entries.len(), Ordering::Relaxed);
        let job = Job {
            entries,
            urgent,
            came: Instant::now(),
            done,
        };
        self.jobs.send(job).map_err(|_| WriterGone)?;
        Ok(heard)
    }

    /// What is held over all sources.
    pub fn room(&self) -> &Room {
        &self.room
    }
}

/// A board waits for an acknowledgement of these.
pub fn is_urgent(entry: &Entry) -> bool {
    match entry {
        Entry::Event { .. }
        | Entry::UnreadEvent { .. }
        | Entry::CaptureHead { .. }
        | Entry::CapturePart { .. } => true,
        Entry::Run { .. }
        | Entry::Settings { .. }
        | Entry::Reading { .. }
        | Entry::Spectrum { .. }
        | Entry::Dwell { .. }
        | Entry::Line { .. } => false,
    }
}

/// How far recording has come.
#[derive(Clone, Debug, Default)]
pub struct Progress {
    /// Readings kept that were not there before.
    pub readings: u64,
    /// Events kept that were not there before.
    pub events: u64,
    /// Captures that became complete.
    pub captures: u64,
    /// Newest moment of any reading, Unix µs.
    pub newest_us: Option<i64>,
    /// From the hand-over of a batch until it is on disk.
    pub latency: Latency,
}

/// Entries in one transaction, about: a larger one would keep the others waiting.
const ENTRIES_AT_ONCE: usize = 20_000;
/// Readings alone wait this long for others to share a transaction with: a commit costs the same for one and for a thousand.
const LINGER: Duration = Duration::from_millis(100);
/// A disk that refused is tried again after this long.
const TRY_AGAIN: Duration = Duration::from_secs(1);

/// Starts the thread. It ends when every [`Writer`] is gone, with an error of the store that does not pass by itself, or
/// when `stop` is set while the disk refuses.
pub fn start(
    mut store: Store,
    (mut keeper, wall_clock): (Keeper, fn() -> SystemTime),
    stop: Arc<AtomicBool>,
    mut tell: impl FnMut(Notice) + Send + 'static,
    mut watch: impl FnMut(&Progress) + Send + 'static,
) -> (Writer, JoinHandle<Result<Progress, StoreError>>) {
    let (jobs, waiting) = channel::<Job>();
    let room = Arc::new(Room::default());
    let writer = Writer {
        jobs,
        room: Arc::clone(&room),
    };
    let thread = std::thread::spawn(move || {
        let mut progress = Progress::default();
        let mut idle_for = Duration::ZERO;
        loop {
            let mut together = match gather(&waiting, idle_for) {
                Gathered::Jobs(together) => together,
                Gathered::Nothing => {
                    idle_for = keep(&mut keeper, &mut store, wall_clock(), &mut tell);
                    continue;
                }
                Gathered::Ended => break,
            };
            let lengths: Vec<usize> = together.iter().map(|job| job.entries.len()).collect();
            let mut entries: Vec<Entry> = together
                .iter_mut()
                .flat_map(|job| std::mem::take(&mut job.entries))
                .collect();
            let written = Arc::new(write_at_last(&mut store, &entries, &stop, &mut tell)?);
            note(&mut progress, &entries, &written);
            room.0.fetch_sub(entries.len(), Ordering::Relaxed);
            for (job, length) in together.into_iter().zip(lengths).rev() {
                let own = entries.split_off(entries.len() - length);
                progress.latency.note(job.came.elapsed());
                // A source that has ended meanwhile needs no answer: the board will send again, and that is fine.
                let _ = job.done.send(Committed {
                    entries: own,
                    written: Arc::clone(&written),
                });
            }
            watch(&progress);
            idle_for = keep(&mut keeper, &mut store, wall_clock(), &mut tell);
        }
        // What it has under way ends first.
        drop(keeper);
        drop(store);
        Ok(progress)
    });
    (writer, thread)
}

/// Gives the keeper its turn, and how long it then has nothing to do. What it cannot move stays where it was.
fn keep(
    keeper: &mut Keeper,
    store: &mut Store,
    now: SystemTime,
    tell: &mut impl FnMut(Notice),
) -> Duration {
    // Before 1970 nothing is due.
    let now_us = now
        .duration_since(UNIX_EPOCH)
        .map_or(0, |now| i64::try_from(now.as_micros()).unwrap_or(0));
    match keeper.turn(store, now_us) {
        Ok(Turn::Sealed(_)) => Duration::ZERO,
        Ok(Turn::Busy(wait) | Turn::Nothing(wait)) => wait,
        Err(error) => {
            tell(Notice::ArchiveWaits {
                why: error.to_string(),
            });
            TRY_AGAIN
        }
    }
}

/// What came in time.
enum Gathered {
    /// One transaction.
    Jobs(Vec<Job>),
    Nothing,
    /// Every source has ended.
    Ended,
}

/// What goes into one transaction, if anything comes within `idle_for`.
fn gather(waiting: &Receiver<Job>, idle_for: Duration) -> Gathered {
    let first = match waiting.recv_timeout(idle_for) {
        Ok(first) => first,
        Err(RecvTimeoutError::Timeout) => return Gathered::Nothing,
        Err(RecvTimeoutError::Disconnected) => return Gathered::Ended,
    };
    let until = first.came + LINGER;
    let mut urgent = first.urgent;
    let mut entries = first.entries.len();
    let mut together = vec![first];
    while entries < ENTRIES_AT_ONCE {
        let next = if urgent {
            waiting.try_recv().ok()
        } else {
            let left = until.saturating_duration_since(Instant::now());
            waiting.recv_timeout(left).ok()
        };
        let Some(job) = next else { break };
        urgent |= job.urgent;
        entries += job.entries.len();
        together.push(job);
    }
    Gathered::Jobs(together)
}

fn write_at_last(
    store: &mut Store,
    entries: &[Entry],
    stop: &AtomicBool,
    tell: &mut impl FnMut(Notice),
) -> Result<Written, StoreError> {
    let mut refused: Option<Instant> = None;
    loop {
        match store.write(entries) {
            Ok(written) => {
                if let Some(since) = refused {
                    tell(Notice::DiskTakesAgain {
                        after: since.elapsed(),
                    });
                }
                return Ok(written);
            }
            Err(error) if error.may_pass() && !stop.load(Ordering::Relaxed) => {
                if refused.is_none() {
                    refused = Some(Instant::now());
                    tell(Notice::DiskRefuses {
                        why: error.to_string(),
                    });
                }
                let again = Instant::now() + TRY_AGAIN;
                while Instant::now() < again && !stop.load(Ordering::Relaxed) {
                    std::thread::sleep(Duration::from_millis(20));
                }
            }
            Err(error) => return Err(error),
        }
    }
}

fn note(progress: &mut Progress, entries: &[Entry], written: &Written) {
    progress.readings += written.new.readings;
    progress.events += written.new.events;
    progress.captures += written.captures_new;
    let newest = entries.iter().filter_map(|entry| match entry {
        Entry::Reading { t_us, .. } => Some(*t_us),
        _ => None,
    });
    progress.newest_us = progress.newest_us.max(newest.max());
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Rules;
    use ohmward_proto::message::BoardId;
    use ohmward_proto::{Event, EventId, EventKind, SampleIndex};
    use std::sync::Mutex;

    fn event(seq: u32) -> Entry {
        Entry::Event {
            board: BoardId(1),
            t_us: 0,
            host_us: 0,
            t_sigma_us: None,
            event: Event {
                id: EventId { boot: 1, seq },
                at: SampleIndex(0),
                kind: EventKind::Connected,
            },
        }
    }

    /// A full disk: told once, nothing is said to be kept, and it goes on when there is room again.
    #[test]
    fn a_full_disk_is_told_once_and_nothing_is_lost() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut store = Store::open_or_create(dir.path()).expect("opens");
        let lift = store.fill_up();
        let told = Arc::new(Mutex::new(Vec::new()));
        let heard = Arc::clone(&told);
        let (writer, thread) = start(
            store,
            (Keeper::new(Rules::default()), SystemTime::now),
            Arc::default(),
            move |notice| heard.lock().expect("alone").push(notice.to_string()),
            |_| {},
        );
        let batch: Vec<Entry> = (0..2000).map(event).collect();
        let mut waiting = writer.keep(batch).expect("runs");
        std::thread::sleep(Duration::from_millis(2500)); // refused more than once
        assert!(
            waiting.try_recv().is_err(),
            "said to be kept on a full disk"
        );
        assert_eq!(told.lock().expect("alone").len(), 1);
        assert!(told.lock().expect("alone")[0].contains("no room left"));
        lift();
        let committed = waiting.blocking_recv().expect("kept at last");
        assert_eq!(committed.written.new.events, 2000);
        drop(writer);
        let progress = thread.join().expect("ends").expect("well");
        assert_eq!(progress.events, 2000);
        assert_eq!(told.lock().expect("alone").len(), 2);
    }

    #[test]
    fn stopping_on_a_full_disk_ends_with_its_error() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut store = Store::open_or_create(dir.path()).expect("opens");
        let _lift = store.fill_up();
        let stop = Arc::new(AtomicBool::new(false));
        let (writer, thread) = start(
            store,
            (Keeper::new(Rules::default()), SystemTime::now),
            Arc::clone(&stop),
            |_| {},
            |_| {},
        );
        let waiting = writer.keep((0..2000).map(event).collect()).expect("runs");
        stop.store(true, Ordering::Relaxed);
        drop(writer);
        assert!(matches!(
            thread.join().expect("ends"),
            Err(StoreError::DiskFull { .. })
        ));
        assert!(waiting.blocking_recv().is_err());
    }

    #[test]
    fn each_source_gets_its_own_entries_back() {
        let dir = tempfile::tempdir().expect("a folder");
        let store = Store::open_or_create(dir.path()).expect("opens");
        let (writer, thread) = start(
            store,
            (Keeper::new(Rules::default()), SystemTime::now),
            Arc::default(),
            |_| {},
            |_| {},
        );
        let sent: Vec<_> = (0..50)
            .map(|n| {
                writer
                    .keep((n..n + 1 + n % 3).map(event).collect())
                    .expect("runs")
            })
            .collect();
        for (n, heard) in (0..50).zip(sent) {
            let own: Vec<Entry> = (n..n + 1 + n % 3).map(event).collect();
            assert_eq!(heard.blocking_recv().expect("kept").entries, own);
        }
        drop(writer);
        thread.join().expect("ends").expect("well");
    }
}
