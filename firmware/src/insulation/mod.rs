//! Insulation of both poles to earth, from a switched measuring bridge.
//!
//! - [`fit`]: the physics: charge balance over whole transients → conductances, capacitance, uncertainty; and the
//!   closed form for two settled states, which the fit must agree with.
//! - [`sequence`]: opens the bond, switches the bridge A, B, A, gathers rows for the fit, decides when a state has told
//!   enough, and says "not measured, because" when it has not.
//! - `schedule`: when to measure, when the array may be connected, when it has to rest.
//! - `watch`: all three together, judged against the limits. Read this one first.

pub mod fit;
mod schedule;
pub mod sequence;
mod watch;

pub use sequence::{Progress, Sequence, Setup};
pub(crate) use watch::{Poles, Watch, Watched};
