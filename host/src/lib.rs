//! Ohmward's host: boards in, a store, lists and pictures out.
//!
//! - [`bench`]: trip times against the standards, in virtual time
//! - [`sim`]: a simulated board around the real firmware, in virtual time
//! - [`link`]: one board's conversation, without I/O
//! - [`record`]: boards → store
//! - [`store`]: the folder everything is kept in
//! - [`chart`]: pictures from the store
//! - [`comtrade`]: recorded waveforms in the trade's open format
//! - [`report`]: a period, or one event, on paper
//! - [`now`]: what is known of a board at this moment
//! - [`export`]: what a store holds, handed over as COMTRADE and CSV
//! - [`calibrate`]: known values at a board's terminals → its calibration
//! - [`talk`]: a few words with one board: settings, self-test
//! - [`array_file`]: ARRAY.toml, what stands in the field
//! - [`plan`]: limits, grounding and cautions for it, with their sources
//! - [`whatif`]: what a fault would do, and what the board would do about it
//! - [`watch`]: boards in a terminal
//! - [`serve`]: a store in a browser, read-only
//! - [`words`]: events as sentences
//! - [`demo`]: all of it once, on a scenario of our own
//!
//! The binary only reads arguments, calls in here and prints.

pub mod array_file;
pub mod bench;
pub mod calibrate;
pub mod chart;
pub mod comtrade;
pub mod demo;
pub mod export;
pub mod link;
pub mod now;
pub mod plan;
pub mod record;
pub mod report;
pub mod serve;
pub mod sim;
pub mod store;
pub mod talk;
pub mod trend;
pub mod watch;
pub mod whatif;
pub mod words;
