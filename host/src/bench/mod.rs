//! Trip times against the standards: made-up and recorded currents through the very firmware, in virtual time.
//!
//! - `case`: what a board meets, what it has to do by when, and who says so. Read this first
//! - `matrix`: the built-in cases; `random`: drawn ones, each from a seed and a number
//! - `waveform`, `array`: the made-up bond current; the array's poles in a closed loop with the measuring bridge
//! - `around`: these with front end and contactor, a sample at a time, for a case and for a replay
//! - `run`: one case through `ohmward_core::Monitor`, and the judgement on it; many cases on all cores
//! - `trace`: CSV and COMTRADE files as cases; `recorded`: their current at the core's rate, and what comes before it
//! - `report`: cases in groups; `table` for people, `json`, `junit` for machines
//!
//! Times run from the onset of the fault to the output that opens the contactor; the contactor's own time comes on top.

pub mod around;
pub mod array;
pub mod case;
pub mod json;
pub mod junit;
pub mod matrix;
pub mod random;
pub mod recorded;
pub mod report;
pub mod run;
pub mod table;
pub mod trace;
pub mod waveform;

#[cfg(test)]
mod tests;

use case::Case;
use ohmward_proto::settings::SettingsFault;
use report::{Origin, Run};

/// Why a case could not be run at all.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("case {case}: the firmware does not start with its settings: {} {fault}", fault.key())]
pub struct BenchError {
    /// The case.
    pub case: String,
    /// What is wrong.
    pub fault: SettingsFault,
}

/// Runs built-in cases.
///
/// # Errors
/// Settings of a case that the firmware refuses.
pub fn run_matrix(cases: &[Case]) -> Result<Vec<Run>, BenchError> {
    let done = run::run_many(cases.len(), |n| cases[n].clone())?;
    Ok(done
        .into_iter()
        .map(|(case, outcome)| Run {
            origin: Origin::Matrix,
            case,
            outcome,
        })
        .collect())
}

/// Runs drawn cases: these numbers of the series `seed`.
///
/// # Errors
/// As [`run_matrix`].
pub fn run_random(seed: u64, numbers: std::ops::Range<u64>) -> Result<Vec<Run>, BenchError> {
    let first = numbers.start;
    let count = numbers.end.saturating_sub(first) as usize;
    let done = run::run_many(count, |n| random::case(seed, first + n as u64))?;
    Ok(done
        .into_iter()
        .zip(numbers)
        .map(|((case, outcome), only)| Run {
            origin: Origin::Random { seed, only },
            case,
            outcome,
        })
        .collect())
}

/// Runs trace files.
///
/// # Errors
/// As [`run_matrix`].
pub fn run_traces(traces: &[(String, Case)]) -> Result<Vec<Run>, BenchError> {
    let done = run::run_many(traces.len(), |n| traces[n].1.clone())?;
    Ok(done
        .into_iter()
        .zip(traces)
        .map(|((case, outcome), (path, _))| Run {
            origin: Origin::Trace(path.clone()),
            case,
            outcome,
        })
        .collect())
}
