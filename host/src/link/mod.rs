//! The way to a board.
//!
//! - [`source`]: what a person may write after `--from`.
//! - [`port`]: opens it.
//! - [`session`]: one board's conversation, without any I/O: bytes in; entries for the store and bytes to send out.
//!   An acknowledgement leaves only after the store has said that its entry is on disk.
//! - [`clock`]: the board's sample counter against the clock on the wall.

pub mod clock;
pub mod port;
pub mod session;
pub mod source;

pub use session::Session;
pub use source::Source;
