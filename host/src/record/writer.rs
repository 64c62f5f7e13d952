//! The store's thread: takes batches from every source, commits them together, says when they are on disk.

use crate::store::{Entry, Store, StoreError, Written};
use ohmward_proto::Event;
use ohmward_proto::message::BoardId;
use std::thread::JoinHandle;
use tokio::sync::{mpsc, oneshot};

/// Entries to keep, and whom to tell.
struct Job {
    entries: Vec<Entry>,
    done: oneshot::Sender<Committed>,
}

/// The entries, given back, and what became of them.
#[derive(Debug)]
pub struct Committed {
    pub entries: Vec<Entry>,
    pub written: Written,
}

/// A handle for sources.
#[derive(Clone)]
pub struct Writer {
    jobs: mpsc::Sender<Job>,
}

/// The writer has ended: the store failed, and the error is with its thread.
#[derive(Debug)]
pub struct WriterGone;

impl Writer {
    /// Hands entries over; the receiver hears when they are on disk.
    pub async fn keep(
        &self,
        entries: Vec<Entry>,
    ) -> Result<oneshot::Receiver<Committed>, WriterGone> {
        let (done, heard) = oneshot::channel();
        let job = Job { entries, done };
        self.jobs.send(job).await.map_err(|_| WriterGone)?;
        Ok(heard)
    }

    /// Keeps entries and waits; for threads outside the runtime.
    pub fn keep_now(&self, entries: Vec<Entry>) -> Result<Committed, WriterGone> {
        let (done, heard) = oneshot::channel();
        let job = Job { entries, done };
        self.jobs.blocking_send(job).map_err(|_| WriterGone)?;
        heard.blocking_recv().map_err(|_| WriterGone)
    }
}

/// How far recording has come.
#[derive(Clone, Debug, Default)]
pub struct Progress {
    /// Readings kept that were not there before.
    pub readings: u64,
    /// Events kept that were not there before, newest last.
    pub events: Vec<(BoardId, i64, Event)>,
    /// Captures that became complete.
    pub captures: u64,
    /// Newest moment of any reading, Unix µs.
    pub newest_us: Option<i64>,
}

/// Batches waiting at most: beyond that, sources feel it and stop reading.
const JOBS_MAX: usize = 64;
/// Batches in one transaction at most.
const JOBS_AT_ONCE: usize = 256;

/// Starts the thread. It ends when every [`Writer`] is gone, or with the store's first error.
pub fn start(
    mut store: Store,
    mut watch: impl FnMut(&Progress) + Send + 'static,
) -> (Writer, JoinHandle<Result<Progress, StoreError>>) {
    let (jobs, mut waiting) = mpsc::channel::<Job>(JOBS_MAX);
    let thread = std::thread::spawn(move || {
        let mut progress = Progress::default();
        let mut together = Vec::new();
        while let Some(first) = waiting.blocking_recv() {
            together.push(first);
            while together.len() < JOBS_AT_ONCE
                && let Ok(next) = waiting.try_recv()
            {
                together.push(next);
            }
            let lengths: Vec<usize> = together.iter().map(|job| job.entries.len()).collect();
            let mut entries: Vec<Entry> = together
                .iter_mut()
                .flat_map(|job| std::mem::take(&mut job.entries))
                .collect();
            let written = store.write(&entries)?;
            note(&mut progress, &entries, &written);
            for (job, length) in together.drain(..).zip(lengths) {
                let rest = entries.split_off(length);
                let own = std::mem::replace(&mut entries, rest);
                // A source that has ended meanwhile needs no answer: the board will send again, and that is fine.
                let _ = job.done.send(Committed {
                    entries: own,
                    written: written.clone(),
                });
            }
            watch(&progress);
        }
        Ok(progress)
    });
    (Writer { jobs }, thread)
}

fn note(progress: &mut Progress, entries: &[Entry], written: &Written) {
    progress.readings += written.new.readings;
    progress.captures += written.captures_new;
    for entry in entries {
        match entry {
            Entry::Reading { t_us, .. } => progress.newest_us = progress.newest_us.max(Some(*t_us)),
            Entry::Event { board, t_us, event } => {
                // A board repeats events until it is acknowledged; what was seen already is not news.
                if written.new.events > 0
                    && !progress
                        .events
                        .iter()
                        .any(|(b, _, e)| b == board && e.id == event.id)
                {
                    progress.events.push((*board, *t_us, *event));
                }
            }
            Entry::Run { .. }
            | Entry::Settings { .. }
            | Entry::Spectrum { .. }
            | Entry::CaptureHead { .. }
            | Entry::CapturePart { .. } => {}
        }
    }
}
