//! The way to a board.
//!
//! - [`source`]: what a person may write after `--from`.
//! - [`port`]: opens it.
//! - [`session`]: one board's conversation, without any I/O: bytes in; entries for the store and bytes to send out.
//!   An acknowledgement leaves only after the store has said that its entry is on disk.
//! - [`clock`]: the board's sample counter against the host's clocks, each moment with a bound.

pub mod clock;
pub mod port;
pub mod session;
pub mod source;

pub use clock::Moment;
pub use session::{LinkReport, Session};
pub use source::Source;
