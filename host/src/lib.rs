//! host

pub mod chart;
pub mod store;
