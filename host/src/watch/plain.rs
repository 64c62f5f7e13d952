//! One look as text: for scripts, and for people whose reader does not like a screen that is drawn again and again.

use super::Shown;
use crate::words;
use std::fmt::Write;

/// Lines for people, worst board first.
#[must_use]
pub fn text(shown: &Shown) -> String {
    let mut out = String::new();
    for board in &shown.boards {
        // Writing to a string cannot fail.
        let _ = writeln!(out, "board {}", board.board);
        for concern in board.concerns(shown.now_us) {
            let since = concern.since_us.map_or(String::new(), |t_us| {
                format!(" (since {} UTC)", words::utc(t_us))
            });
            let _ = writeln!(
                out,
                "  {}: {}{since}",
                concern.urgency.word(),
                concern.words
            );
        }
        for gauge in board.gauges() {
            let limit = gauge.trip.map_or(String::new(), |trip| {
                format!("  (trip {})", words::si(trip, gauge.quantity.unit()))
            });
            let _ = writeln!(
                out,
                "  {:<22} {}{limit}",
                gauge.quantity.name(),
                gauge.words()
            );
        }
        if let Some(last) = &board.last {
            let _ = writeln!(out, "  {:<22} {} UTC", "heard", words::utc(last.t_us));
        }
    }
    out
}
