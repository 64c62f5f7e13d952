//! The grounding itself: conductors, electrodes, bonding points, fault paths.
//!
//! - [`conductors`]: resistance and size tables.
//! - [`electrodes`]: resistance to earth, size of the conductor to them.
//! - [`bonds`]: one bond of the DC system, one of the neutral, every electrode joined.
//! - [`paths`]: where a fault's current returns, and what opens through it.

pub mod bonds;
pub mod conductors;
pub mod electrodes;
pub mod paths;
