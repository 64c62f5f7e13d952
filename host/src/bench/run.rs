//! What becomes of a case; many cases on all cores.

use super::BenchError;
use super::case::{Case, What};
use super::firmware;
use super::rig::run_on;
use crate::sim::pair::{Difference, PairError};
use ohmward_proto::event::TripCause;
use ohmward_proto::measure::TripState;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Samples per second and channel.
pub const RATE_HZ: u32 = 4000;
/// Corner of the front end's second-order low-pass (hardware-notes, front end).
pub const CORNER_HZ: f64 = 1000.0;
/// The longest run-up to a connected array.
pub const RUN_UP_MAX_S: f64 = 90.0;
/// How long the array has been connected before the onset: time for the detectors to know what is normal.
pub const SETTLED_S: f64 = 1.5;
/// One sample, s.
pub const SAMPLE_S: f64 = 1.0 / RATE_HZ as f64;

/// What became of a case.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Verdict {
    /// As demanded.
    Pass,
    /// It happened, after the latest allowed time.
    Late,
    /// It did not happen while looked at.
    Missed,
    /// What must not happen did.
    False,
    /// The state in the end is another.
    WrongEnd,
    /// The array was not connected before the onset, so nothing was tested.
    NotConnected,
    /// An image did otherwise than the linked firmware.
    Differs,
}

impl Verdict {
    /// One word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Late => "late",
            Self::Missed => "missed",
            Self::False => "must not happen",
            Self::WrongEnd => "wrong state in the end",
            Self::NotConnected => "not connected before the onset",
            Self::Differs => "differs from the linked firmware",
        }
    }
}

/// A case that has been run.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Judgement.
    pub verdict: Verdict,
    /// When the demanded thing happened, after the onset of the fault.
    pub reached_s: Option<f64>,
    /// Why it tripped, if it did after the onset.
    pub cause: Option<TripCause>,
    /// What happened that must not.
    pub against: Option<What>,
    /// Where the trip logic stood in the end.
    pub state: TripState,
    /// Samples through the firmware.
    pub samples: u64,
    /// Where an image and the linked firmware differ, if that was asked.
    pub difference: Option<Box<Difference>>,
}

impl Outcome {
    /// As demanded.
    pub fn passed(&self) -> bool {
        self.verdict == Verdict::Pass
    }

    /// Reached, but later than the project's own aim.
    pub fn above_aim(&self, case: &Case) -> bool {
        match (self.reached_s, case.expect.must) {
            // A hundredth of a sample: times are sums of steps.
            (Some(s), Some(must)) => s > must.aim_s + 0.01 * SAMPLE_S,
            _ => false,
        }
    }
}

/// Runs `count` cases that `make` makes, on so many threads; results stand in their order. `begin` is called once on each
/// thread, and what it makes is handed to `run` with each of its cases.
///
/// # Errors
/// The first of `begin` and `run`.
pub fn run_many<W, R: Send>(
    count: usize,
    threads: usize,
    make: impl Fn(usize) -> Case + Sync,
    begin: impl Fn() -> Result<W, BenchError> + Sync,
    run: impl Fn(&mut W, &Case) -> Result<R, BenchError> + Sync,
) -> Result<Vec<(Case, R)>, BenchError> {
    let next = AtomicUsize::new(0);
    let mut done: Vec<(usize, Case, R)> = std::thread::scope(|scope| {
        let work = || {
            let mut done = Vec::new();
            let mut with = begin()?;
            loop {
                let n = next.fetch_add(1, Ordering::Relaxed);
                if n >= count {
                    return Ok(done);
                }
                let case = make(n);
                let outcome = run(&mut with, &case).inspect_err(|_| {
                    // Nobody begins another one.
                    next.store(count, Ordering::Relaxed);
                })?;
                done.push((n, case, outcome));
            }
        };
        let workers: Vec<_> = (0..threads.min(count)).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .map(|worker| {
                worker
                    .join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
            })
            .collect::<Result<Vec<_>, BenchError>>()
            .map(|parts| parts.into_iter().flatten().collect())
    })?;
    done.sort_by_key(|(n, ..)| *n);
    Ok(done
        .into_iter()
        .map(|(_, case, outcome)| (case, outcome))
        .collect())
}

/// Runs one case through the linked core.
///
/// # Errors
/// The firmware does not start with these settings.
pub fn run(case: &Case) -> Result<Outcome, BenchError> {
    firmware::linked(case)
        .map_err(PairError::Settings)
        .and_then(|mut monitor| run_on(case, &mut monitor))
        .map_err(|why| BenchError::of(case, why))
}
