//! What an Ohmward board and its host say to each other, and how the bytes look.
//!
//! Read in this order:
//! 1. [`units`]: amperes, ohms, sample counts as types.
//! 2. [`message`]: every message, in the order that *is* the wire format (append only).
//! 3. [`event`], [`settings`], [`measure`]: what the messages carry.
//! 4. [`frame`]: message ↔ bytes: postcard body, [`checksum`], COBS, one zero byte.
//! 5. [`decoder`]: a byte stream with anything in it → messages and counted losses.
//! 6. [`older`]: what a host of an older version is told instead of what it does not know.
//!
//! [`emulated`] is for boards in an emulator: the memory they share with the program around them.
//!
//! No clock, no heap, no I/O. This crate knows nobody else's types.
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)
)]

pub mod checksum;
pub mod decoder;
pub mod emulated;
pub mod event;
pub mod frame;
pub mod measure;
pub mod message;
pub mod older;
mod outlined;
pub mod settings;
pub mod units;

pub use decoder::{Decoder, DecoderCounts};
pub use event::{Event, EventId, EventKind, UnknownEvent};
pub use frame::{FrameError, MAX_BODY, MAX_FRAME, encode};
pub use measure::{
    BondCurrent, BondSpectrum, Codes, Dwell, Insulation, NotMeasured, PoleLeakage, Reading,
};
pub use message::{Message, PROTOCOL_VERSION};
pub use settings::{Calibration, Settings};
pub use units::{Amps, Farads, Ohms, SampleIndex, Seconds, Siemens, Volts};
