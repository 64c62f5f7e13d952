//! The firmware core: samples in, decisions out.
//!
//! [`Monitor::step`] takes one sample of every channel and the digital inputs and returns the digital outputs. It has
//! no clock, no heap, no I/O and no board in it: time is the sample counter, and the same codes give the same
//! decisions to the bit on a simulated board, an emulated processor and real metal. What has to be said to the host
//! is drained with [`Monitor::poll`].
//!
//! The way of a sample:
//!
//! ```text
//! codes → calibrate ┬→ plausible   (a channel that cannot be right)            ┐
//!                   ├→ self_test   (currents of its own, looked for)           │
//!                   ├→ despike     (surges counted, kept out of the windows)   │
//!                   │   ├→ window → limits, fuse  (whole cycles: DC, RMS)      ├→ latch → outputs, indicate
//!                   │   ├→ sudden           (the waveform against itself)      │
//!                   │   └→ spectrum         (for the log alone)                │
//!                   └→ insulation  (bridge sequence, charge-balance fit)       ┘
//!                        └→ capture, journal → monitor::poll → messages
//! ```
//!
//! Read `monitor.rs` first: it is the whole path in one function. `latch.rs` holds the one state machine that moves
//! the contactor. `memory.rs` says where the large arrays lie. `board.rs` joins the core to pins, flash and a byte link by embedded traits.
#![no_std]
// Nothing in here may panic on what a sensor, a host or a flash gives it.
#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::indexing_slicing
    )
)]

pub mod board;
mod bond;
mod calibrate;
mod capture;
mod despike;
mod fuse;
mod indicate;
pub mod insulation;
pub mod journal;
mod latch;
mod limits;
mod lockout;
mod memory;
mod monitor;
pub mod nv;
mod pace;
mod plausible;
pub mod ram_flash;
mod self_test;
mod spectrum;
mod stretch;
mod sudden;
mod window;

pub use calibrate::{MicroAmps, MilliVolts};
pub use capture::{CAPTURE_BYTES, POST_SAMPLES, PRE_SAMPLES};
pub use memory::{InPlace, Memory};
pub use monitor::{Identity, Inputs, Monitor, Outputs, Rest, Sample};
pub use self_test::TEST_CURRENT;
