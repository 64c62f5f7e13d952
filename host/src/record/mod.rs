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
//! - [`conversation`]: one port. - [`simulation`]: one scenario, in this process. - [`writer`]: the store's thread.

mod conversation;
mod simulation;
mod writer;

use crate::link::Source;
use crate::sim::Gear;
use crate::store::{Store, StoreError};
use ohmward_plant::ScenarioError;
use ohmward_proto::message::BoardId;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::watch;

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
    /// Frames that came damaged, over all lines.
    pub damaged_frames: u64,
}

/// Records until every source has ended, the time is over, or `stop`; then everything received is committed.
///
/// `watch_progress` is called from the writer's thread after every commit, `tell` as soon as a source ends early while
/// others go on.
///
/// # Errors
/// When nothing could begin: the store, or every source at once. Sources that end later are in [`Outcome::failed`].
pub fn record(
    options: &Options,
    stop: &Arc<AtomicBool>,
    watch_progress: impl FnMut(&Progress) + Send + 'static,
    mut tell: impl FnMut(&RecordError),
) -> Result<Outcome, RecordError> {
    let store = Store::open_or_create(&options.store)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(RecordError::Runtime)?;
    let (writer, writing) = writer::start(store, watch_progress);
    let (stop_tx, stop_rx) = watch::channel(false);

    let mut simulations = Vec::new();
    let mut ports = Vec::new();
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
            Source::Serial(_) | Source::Tcp(_) => ports.push(source.clone()),
        }
    }

    let (failed, damaged_frames) = runtime.block_on(async {
        let mut tasks = tokio::task::JoinSet::new();
        for source in ports {
            let (writer, stop_rx) = (writer.clone(), stop_rx.clone());
            let baud = options.baud;
            tasks.spawn(async move { conversation::run(&source, baud, &writer, stop_rx).await });
        }
        drop(writer);
        let watch = tokio::spawn(stop_when(options.duration, Arc::clone(stop), stop_tx));
        let (mut failed, mut damaged_frames) = (Vec::new(), 0);
        while let Some(ended) = tasks.join_next().await {
            match ended {
                Ok((result, damaged)) => {
                    damaged_frames += damaged;
                    if let Err(error) = result {
                        tell(&error);
                        failed.push(error);
                    }
                }
                Err(panic) => std::panic::resume_unwind(panic.into_panic()),
            }
        }
        watch.abort();
        (failed, damaged_frames)
    });
    let mut outcome = Outcome {
        failed,
        damaged_frames,
        ..Outcome::default()
    };
    for simulation in simulations {
        match simulation.join() {
            Ok(Ok(())) => {}
            Ok(Err(error)) => {
                tell(&error);
                outcome.failed.push(error);
            }
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }
    outcome.progress = match writing.join() {
        Ok(progress) => progress?,
        Err(panic) => std::panic::resume_unwind(panic),
    };
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
