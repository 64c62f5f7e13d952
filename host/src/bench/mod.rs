//! Trip times against the standards: made-up and recorded currents through the very firmware, in virtual time.
//!
//! - `case`: what a board meets, what it has to do by when, and who says so. Read this first
//! - `matrix`: the built-in cases
//! - `waveform`, `array`: the made-up bond current; the array's poles in a closed loop with the measuring bridge
//! - `run`: one case through `ohmward_core::Monitor`, and the judgement on it; many cases on all cores
//!
//! Times run from the onset of the fault to the output that opens the contactor; the contactor's own time comes on top.

pub mod array;
pub mod case;
pub mod matrix;
pub mod run;
pub mod waveform;
