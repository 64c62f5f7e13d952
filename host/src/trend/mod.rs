//! From months of readings: which insulation is on its way down, how sure that is, when it will pass its limit, where to look.
//!
//! ```text
//! readings ─ record ─ days ┬ weather ─ adjusted ┬ departure ─ forecast ┐
//!                          │ (senses, healthy)  └ statistics           ├ assess ─ finding
//!                          └ minima as measured ─ statistics ──────────┘
//! ```
//! - [`record`]: a store's readings and logged weather → completed measurements
//! - [`days`]: one line a day: lowest, wet morning, dry noon, leakage, share not measured
//! - [`weather`]: what healthy insulation shows in that temperature and water
//! - [`adjusted`]: days with the weather taken out; whether they departed; steps
//! - [`statistics`]: Theil–Sen, Mann–Kendall; held to scipy and pymannkendall
//! - [`growth`]: laws of growth, fitted and weighed
//! - [`forecast`]: first and lasting crossing of a limit, as distributions
//! - [`assess`]: all of it on one board
//! - [`finding`]: in words, with evidence, what to check first, caution
//! - [`json`]: the same for machines, one shape for command and page
//!
//! Nothing here looks at a clock, and the bootstrap is seeded: the same record gives the same words.

pub mod adjusted;
pub mod assess;
pub mod days;
pub mod finding;
pub mod forecast;
pub mod growth;
pub mod json;
pub mod record;
pub mod statistics;
pub mod weather;

pub use assess::Assessment;
pub use finding::{Finding, Kind, Weight, findings};
pub use forecast::Limit;
