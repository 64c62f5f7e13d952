//! A simulated board: the plant's world on one side, the real firmware board code in the middle, a byte link on the
//! other side, all in virtual time; or an image of it in an emulator.
//!
//! - [`board`]: joins them; [`board::SimBoard::run`] moves virtual time on, in one of three gears.
//! - `coast`: the third: quiet readings drawn, weather in ticks.
//! - [`replay`]: a recorded trace in the world's place.
//! - [`calibration_bench`]: a bench in the world's place, set from outside.
//! - [`image`]: the firmware as an image in an emulator, in the linked firmware's place.
//! - [`emulated`]: joins world and image, as [`board`] does world and linked firmware.
//! - [`linked`], [`pair`]: the linked firmware a sample at a time, and an image beside it, compared; [`host_end`] is the host of both.
//! - [`wires`]: the pins and the byte link that firmware sees, as embedded traits.
//! - [`serve`]: offers the link on a pseudo-terminal or a TCP port, at a chosen speed.

pub mod board;
pub mod calibration_bench;
mod coast;
pub mod emulated;
pub mod host_end;
pub mod image;
pub mod linked;
pub mod pair;
pub mod replay;
pub mod serve;
mod wires;

pub use board::{Gear, SimBoard, SimError};
