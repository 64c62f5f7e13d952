//! Insulation of both poles to earth, from a switched measuring bridge.
//!
//! - [`fit`]: the physics: charge balance over whole transients → conductances, capacitance, uncertainty; and the
//!   closed form for two settled states, which the fit must agree with.
//! - [`sequence`]: opens the bond, switches the bridge A, B, A, gathers rows for the fit, decides when a state has told
//!   enough, and says "not measured, because" when it has not.

pub mod fit;
pub mod sequence;

pub use sequence::{Progress, Sequence, Setup};
