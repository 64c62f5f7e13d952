//! The simulated world of a board: an array in the weather, its faults, and the front end that watches it.
//!
//! [`Scenario`] (a TOML file) → [`World`] → one [`Sensed`] a sample, for the [`Switches`] the board sets. Read:
//! 1. [`world`]: the step, and what may be skipped.
//! 2. [`scenario`]: what can be described.
//! 3. [`array`](mod@array): description → circuit → operating point; on [`network`] (nodal analysis) and [`module`] (the curve).
//! 4. [`transient`]: how one operating point becomes the next through the leakage capacitance.
//! 5. [`weather`] (with [`sun`]), [`insulation`], [`ageing`], [`fault`], [`fuse`], [`surge`], [`contactor`],
//!    [`converter_noise`]: what changes the circuit.
//! 6. [`sensors`]: values → converter codes.
//!
//! Knows the wire crate's types and nothing of the firmware: it is the oracle the firmware is tested against.

pub mod ageing;
pub mod array;
pub mod contactor;
pub mod converter_noise;
pub mod fault;
pub mod fuse;
pub mod insulation;
pub mod module;
pub mod network;
pub mod scenario;
pub mod sensors;
pub mod sun;
pub mod surge;
pub mod transient;
pub mod weather;
pub mod world;

pub use array::{
    Array, Conditions, Contacts, Description, End, FarEnd, FaultPath, GroundPaths, Load,
    OperatingPoint, Person, Place, Touch,
};
pub use network::NetworkError;
pub use scenario::{Scenario, ScenarioError};
pub use world::{AtRest, Sensed, Switches, World, WorldError};
