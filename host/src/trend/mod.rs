//! Trend.

pub mod statistics;
