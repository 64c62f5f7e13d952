//! Insulation of both poles to earth, from a switched measuring bridge.
//!
//! - [`fit`]: the physics: charge balance over whole transients → conductances, capacitance, uncertainty; and the
//!   closed form for two settled states, which the fit must agree with.
//! - `stay`: what was seen in one bridge state, and its weighted sums; `algebra`: three equations in three unknowns.
//! - [`bridge_check`]: whether the bridge's resistors read their own ratio.
//! - [`sequence`]: opens the bond, switches the bridge A, B, A, rest, for longer and longer until enough is known, and says
//!   "not measured, because" when it is not. What the stays say together is worked out a piece a sample (`sequence/weigh.rs`).
//! - `background`: what a healthy array leaks, so that a fault has a place.
//! - `schedule`: when to measure, when the array may be connected, when it has to rest.
//! - `watch`: all together, judged against the limits. Read this one first.

mod algebra;
mod background;
pub mod bridge_check;
pub mod fit;
mod schedule;
pub mod sequence;
mod stay;
mod watch;

pub use sequence::{Pace, Progress, Sequence, Setup};
pub(crate) use watch::{Poles, Watch, Watched};
