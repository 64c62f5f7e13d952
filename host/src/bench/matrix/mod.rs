//! The built-in cases. Each file is one question:
//!
//! - `sudden`: does a sudden change trip in its time, over everything that may vary, and half of it never?
//! - `steady`: do the continuous limit and the ground-fault limits trip, and not below them?
//! - `disturbance`: surges, inrushes, ripple, wandering mains: no trip, and no cover for a fault
//! - `guard`: bad words, dead sensors, missed samples, welded contacts, a watchdog's restart
//! - `insulation`: is low insulation told and kept off, good insulation connected, a reset allowed only above its level?
//!
//! Numbers from standards stand in `source`, once.

mod disturbance;
mod guard;
mod insulation;
pub mod source;
mod steady;
mod sudden;

use super::case::Case;
use super::waveform::Shape;

/// Every built-in case, in the order of the table.
pub fn all() -> Vec<Case> {
    let mut cases = sudden::cases();
    cases.extend(sudden::halves());
    cases.extend(steady::cases());
    cases.extend(disturbance::cases());
    cases.extend(guard::cases());
    cases.extend(insulation::cases());
    for (n, case) in cases.iter_mut().enumerate() {
        // Noise of its own for every case, the same in every run.
        case.seed = n as u64 + 1;
    }
    cases
}

/// A sequence that fills 0..1 evenly however long it becomes: multiples of the golden ratio.
fn spread(n: usize) -> f64 {
    (n as f64 * 0.618_033_988_749_895).fract()
}

fn word(shape: Shape) -> &'static str {
    match shape {
        Shape::Dc => "dc",
        Shape::Ac { .. } => "ac",
        Shape::HalfWave { .. } => "half-wave",
    }
}

fn sign_word(sign: f64) -> &'static str {
    if sign < 0.0 { "minus" } else { "plus" }
}

/// Currents in a name.
fn ma(a: f64) -> String {
    format!("{:.0}ma", a * 1e3)
}
