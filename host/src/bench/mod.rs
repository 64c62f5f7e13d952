//! Trip times against the standards: made-up and recorded currents through the very firmware, in virtual time.
//!
//! - `case`: what a board meets, what it has to do by when, and who says so. Read this first
//! - `matrix`: the built-in cases; `random`: drawn ones, each from a seed and a number
//! - `waveform`, `array`: the made-up bond current; the array's poles in a closed loop with the measuring bridge
//! - `around`: these with front end and contactor, a sample at a time, for a case and for a replay
//! - `rig`: one case through the firmware, and the judgement on it; `run`: what becomes of a case, many on all cores
//! - `firmware`: what a case is run against, the linked `ohmward_core::Monitor` or an image; `on_image`: emulators for that
//! - `trace`: CSV and COMTRADE files as cases; `recorded`: their current at the core's rate, and what comes before it
//! - `report`: cases in groups; `table` for people, `json`, `junit` for machines
//!
//! Times run from the onset of the fault to the output that opens the contactor; the contactor's own time comes on top.

pub mod around;
pub mod array;
pub mod case;
pub mod firmware;
pub mod json;
pub mod junit;
pub mod matrix;
pub mod on_image;
pub mod random;
pub mod recorded;
pub mod report;
pub mod rig;
pub mod run;
pub mod table;
pub mod trace;
pub mod waveform;

#[cfg(test)]
mod tests;

use crate::sim::image::ImageError;
use crate::sim::pair::PairError;
use case::Case;
use ohmward_proto::settings::SettingsFault;
use on_image::OnImage;
use report::{Origin, Run};
use run::Outcome;

/// Why a case could not be run at all.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// The firmware refuses its settings.
    #[error("case {case}: the firmware does not start with its settings: {} {fault}", fault.key())]
    Settings {
        /// The case.
        case: String,
        /// What is wrong.
        fault: SettingsFault,
    },
    /// The emulated board stopped.
    #[error("case {case}: {source}")]
    Stopped {
        /// The case.
        case: String,
        /// Why.
        source: ImageError,
    },
    /// The emulated board cannot be had.
    #[error(transparent)]
    Image(#[from] ImageError),
}

impl BenchError {
    fn of(case: &Case, why: PairError) -> Self {
        let case = case.name.clone();
        match why {
            PairError::Settings(fault) => Self::Settings { case, fault },
            PairError::Image(source) => Self::Stopped { case, source },
            PairError::Differ(_) => {
                unreachable!("a difference is an outcome, and only asked for with an image")
            }
        }
    }
}

/// What cases are run against.
#[derive(Clone, Copy, Debug)]
pub enum On<'a> {
    /// The core that is linked into this program.
    Linked,
    /// An image in an emulator.
    Image(&'a OnImage),
}

impl On<'_> {
    fn run(
        self,
        count: usize,
        make: impl Fn(usize) -> Case + Sync,
    ) -> Result<Vec<(Case, Outcome)>, BenchError> {
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        match self {
            Self::Linked => {
                run::run_many(count, threads, make, || Ok(()), |(), case| run::run(case))
            }
            Self::Image(image) => image.run(count, threads, make),
        }
    }

    /// Options of `bench` that say so.
    fn options(self) -> String {
        match self {
            Self::Linked => String::new(),
            Self::Image(image) => image.options(),
        }
    }
}

/// Runs built-in cases.
///
/// # Errors
/// Settings of a case that the firmware refuses; an image that cannot be had or stops.
pub fn run_matrix(on: On<'_>, cases: &[Case]) -> Result<Vec<Run>, BenchError> {
    let done = on.run(cases.len(), |n| cases[n].clone())?;
    Ok(done
        .into_iter()
        .map(|(case, outcome)| Run {
            origin: Origin::Matrix,
            options: on.options(),
            case,
            outcome,
        })
        .collect())
}

/// Runs drawn cases: these numbers of the series `seed`.
///
/// # Errors
/// As [`run_matrix`].
pub fn run_random(
    on: On<'_>,
    seed: u64,
    numbers: std::ops::Range<u64>,
) -> Result<Vec<Run>, BenchError> {
    let first = numbers.start;
    let count = numbers.end.saturating_sub(first) as usize;
    let done = on.run(count, |n| random::case(seed, first + n as u64))?;
    Ok(done
        .into_iter()
        .zip(numbers)
        .map(|((case, outcome), only)| Run {
            origin: Origin::Random { seed, only },
            options: on.options(),
            case,
            outcome,
        })
        .collect())
}

/// Runs trace files.
///
/// # Errors
/// As [`run_matrix`].
pub fn run_traces(on: On<'_>, traces: &[(String, Case)]) -> Result<Vec<Run>, BenchError> {
    let done = on.run(traces.len(), |n| traces[n].1.clone())?;
    Ok(done
        .into_iter()
        .zip(traces)
        .map(|((case, outcome), (path, _))| Run {
            origin: Origin::Trace(path.clone()),
            options: on.options(),
            case,
            outcome,
        })
        .collect())
}
