//! Boards → store.
//!
//! ```text
//!   port (serial, TCP) ⇄ conversation task ┐                       ┌→ acknowledgements, back to the port
//!   port               ⇄ conversation task ┼→ writer thread, store ┘
//!   scenario           ⇄ simulation thread ┘
//! ```
//! A port's task never waits for the disk: while one batch is being committed it goes on reading into the next. One
//! transaction takes in whatever all boards have ready.
//!
//! A board is known by its own number, not by the device it is plugged into. What goes away is waited for, at a pattern of
//! device names as at a fixed place, and told once when it goes and once when it is back.
//!
//! - [`place`]: a source for as long as recording lasts: opened, and opened again. - [`conversation`]: one open port.
//! - [`simulation`]: one scenario, in this process. - [`writer`]: the store's thread. - [`notice`]: what is told meanwhile.

mod conversation;
mod latency;
mod notice;
mod place;
mod simulation;
mod writer;

use crate::link::{LinkReport, Source};
use crate::sim::Gear;
use crate::store::{Keeper, Rules, Store, StoreError};
use ohmward_plant::ScenarioError;
use ohmward_proto::message::BoardId;
use place::Shared;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, SystemTime};
use tokio::sync::{mpsc, watch};

pub use latency::Latency;
pub use notice::Notice;
pub use writer::Progress;

/// What to record.
#[derive(Clone, Debug)]
pub struct Options {
    /// From where.
    pub sources: Vec<Source>,
    /// Into which folder.
    pub store: PathBuf,
    /// Speed of serial lines.
    pub baud: u32,
    /// How virtual time moves in scenarios.
    pub gear: Gear,
    /// For how long: on the wall for real boards, in virtual time for scenarios.
    pub duration: Option<Duration>,
    /// A board that went away is waited for; else its source has ended.
    pub comes_back: bool,
    /// How long what is kept.
    pub rules: Rules,
    /// This computer's clock on the wall: [`std::time::SystemTime::now`]. It may be set while recording.
    pub wall_clock: fn() -> SystemTime,
}

/// Why recording from one source ended early, or did not begin.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The scenario file.
    #[error(transparent)]
    Scenario(#[from] ScenarioError),
    /// The simulation.
    #[error(transparent)]
    Sim(#[from] crate::sim::SimError),
    /// The device did not open.
    #[error("{from}: cannot open: {why}")]
    Open {
        /// Which.
        from: String,
        /// Why, and what to do.
        why: String,
    },
    /// It went away while recording.
    #[error("{from}: {why}. What it sent until then is kept; plug it in and start again")]
    Gone {
        /// Which.
        from: String,
        /// How that showed.
        why: String,
    },
    /// Nothing there speaks the protocol.
    #[error(
        "{from}: no board answered. Is it powered, does another host hold it, is the speed right? (--baud, {baud} now)"
    )]
    Silent {
        /// Which.
        from: String,
        /// Speed tried.
        baud: u32,
    },
    /// Its run is in the store with another start.
    #[error(
        "{from}: the store has a run {boot} of board {board} that began at another time: this is another board of the \
         same number, or one that has lost its count of starts. Record it into another folder"
    )]
    OtherRun {
        /// Which source.
        from: String,
        /// The board's number.
        board: BoardId,
        /// The run's.
        boot: u32,
    },
    /// The runtime did not start.
    #[error("cannot start the recorder: {0}")]
    Runtime(std::io::Error),
}

/// What came of it.
#[derive(Debug, Default)]
pub struct Outcome {
    /// What was kept.
    pub progress: Progress,
    /// Sources that ended early, each with its reason.
    pub failed: Vec<RecordError>,
    /// How each line has gone, by source and board.
    pub links: Vec<LinkSummary>,
}

impl Outcome {
    /// Frames that came damaged, over all lines.
    pub fn damaged_frames(&self) -> u64 {
        self.links.iter().map(LinkSummary::damaged_frames).sum()
    }
}

/// How a line has gone.
#[derive(Clone, Debug)]
pub struct LinkSummary {
    /// The source, or the device for a pattern.
    pub from: String,
    /// The board, once it had said who it is.
    pub board: Option<BoardId>,
    /// Counts and times; over all connections, but what is a bound, which is of the latest.
    pub report: LinkReport,
}

impl LinkSummary {
    /// Frames that came damaged.
    pub fn damaged_frames(&self) -> u64 {
        self.report.received.bad_crc + self.report.received.bad_form
    }

    fn add(&mut self, newer: &Self) {
        let before = self.report;
        let sum = &mut self.report;
        *sum = newer.report;
        sum.received.messages += before.received.messages;
        sum.received.bad_crc += before.received.bad_crc;
        sum.received.bad_form += before.received.bad_form;
        sum.received.unknown += before.received.unknown;
        sum.received.bytes_dropped += before.received.bytes_dropped;
        sum.unread_events += before.unread_events;
        sum.acknowledged += before.acknowledged;
        sum.time_restarts += before.time_restarts;
        sum.round_trip_us = match (before.round_trip_us, newer.report.round_trip_us) {
            (Some((a, _)), Some((b, last))) => Some((a.min(b), last)),
            (before, newer) => newer.or(before),
        };
        sum.board = newer.report.board.or(before.board);
    }
}

/// Records until every source has ended, the time is over, or `stop`; then everything received is committed.
///
/// `watch_progress` is called from the writer's thread after every commit, `tell` as soon as there is something to tell: a
/// source that ended early while others go on, a board that is gone or back, a full disk.
///
/// # Errors
/// When nothing could begin: the store, or every source at once. Sources that end later are in [`Outcome::failed`].
pub fn record(
    options: &Options,
    stop: &Arc<AtomicBool>,
    watch_progress: impl FnMut(&Progress) + Send + 'static,
    mut tell: impl FnMut(&Notice),
) -> Result<Outcome, RecordError> {
    let store = Store::open_or_create(&options.store)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(RecordError::Runtime)?;
    let (notices, mut noticed) = mpsc::unbounded_channel();
    let from_writer = notices.clone();
    let tell_writers = move |notice| {
        // Nobody listens any more: recording is ending.
        let _ = from_writer.send(notice);
    };
    let keeper = Keeper::new(options.rules);
    let (writer, writing) = writer::start(
        store,
        (keeper, options.wall_clock),
        Arc::clone(stop),
        tell_writers,
        watch_progress,
    );
    let (stop_tx, stop_rx) = watch::channel(false);

    let mut simulations = Vec::new();
    let mut lines = Vec::new();
    for source in &options.sources {
        match source {
            Source::Sim(path) => {
                let scenario = ohmward_plant::Scenario::load(path)?;
                let (writer, stop) = (writer.clone(), Arc::clone(stop));
                let (duration, gear) = (options.duration, options.gear);
                let from = source.to_string();
                simulations.push(std::thread::spawn(move || {
                    simulation::run(&from, &scenario, duration, gear, &writer, &stop)
                }));
            }
            Source::Serial(_) | Source::Pattern(_) | Source::Tcp(_) => lines.push(source.clone()),
        }
    }

    let mut outcome = Outcome::default();
    let shared = Shared {
        writer,
        wall_clock: options.wall_clock,
        baud: options.baud,
        comes_back: options.comes_back,
        notices,
        stop: stop_rx,
        boards: Arc::default(),
    };
    runtime.block_on(async {
        let mut tasks = tokio::task::JoinSet::new();
        for source in lines {
            let shared = shared.clone();
            match source {
                Source::Pattern(pattern) => tasks.spawn(place::keep_pattern(pattern, shared)),
                source => tasks.spawn(place::keep_one(source, shared)),
            };
        }
        drop(shared);
        let watch = tokio::spawn(stop_when(options.duration, Arc::clone(stop), stop_tx));
        loop {
            tokio::select! {
                biased;
                Some(notice) = noticed.recv() => tell(&notice),
                ended = tasks.join_next() => match ended {
                    None => break,
                    Some(Ok((result, links))) => {
                        outcome.links.extend(links);
                        if let Err(error) = result {
                            tell(&Notice::Ended { error: error.to_string() });
                            outcome.failed.push(error);
                        }
                    }
                    Some(Err(panic)) => std::panic::resume_unwind(panic.into_panic()),
                },
            }
        }
        watch.abort();
    });
    for simulation in simulations {
        match simulation.join() {
            Ok(Ok(())) => {}
            Ok(Err(error)) => {
                let text = error.to_string();
                tell(&Notice::Ended { error: text });
                outcome.failed.push(error);
            }
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }
    let written = match writing.join() {
        Ok(written) => written,
        Err(panic) => std::panic::resume_unwind(panic),
    };
    while let Ok(notice) = noticed.try_recv() {
        tell(&notice);
    }
    outcome.progress = written?;
    Ok(outcome)
}

/// Tells every port to end when the time is over or a person asks for it.
async fn stop_when(duration: Option<Duration>, stop: Arc<AtomicBool>, tell: watch::Sender<bool>) {
    let begun = tokio::time::Instant::now();
    while !stop.load(Ordering::Relaxed) && duration.is_none_or(|d| begun.elapsed() < d) {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    // No receiver left means that every port has ended already.
    let _ = tell.send(true);
}
