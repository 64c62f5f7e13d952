//! Trend.

pub mod adjusted;
pub mod assess;
pub mod days;
pub mod forecast;
pub mod statistics;
pub mod weather;
