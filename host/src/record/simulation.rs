//! One scenario, simulated in this process, as fast as it goes: firmware, session and store in lock-step.

use super::RecordError;
use super::writer::{Writer, is_urgent};
use crate::link::{Moment, Session};
use crate::sim::{Gear, SimBoard};
use crate::store::Entry;
use ohmward_plant::Scenario;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Entries in one transaction: a commit costs the same for one and for a thousand.
const BATCH: usize = 2000;

pub fn run(
    from: &str,
    scenario: &Scenario,
    duration: Option<Duration>,
    gear: Gear,
    writer: &Writer,
    stop: &AtomicBool,
) -> Result<(), RecordError> {
    let mut board = SimBoard::new(scenario, gear)?;
    let end = duration.map_or(board.end().0, |d| {
        (d.as_secs_f64() * f64::from(board.sample_rate_hz())) as u64
    });
    let mut session = Session::new();
    let mut batch = Vec::new();
    let mut goes_on = true;
    let mut quiet_turns = 0;
    // After the last sample the board still has things to say and to hear.
    while quiet_turns < 3 {
        session.tick(moment(&board));
        board.send(&session.take_output());
        if goes_on {
            let left = end.saturating_sub(board.now().0);
            goes_on = board.run(left)? && left > 0 && !stop.load(Ordering::Relaxed);
        } else {
            board.serve_link();
        }
        let drawn = board.take_readings();
        batch.extend(drawn.into_iter().map(|reading| Entry::Reading {
            board: scenario.board.id,
            boot: board.monitor().boot(),
            t_us: board.unix_ms(reading.at).saturating_mul(1000),
            reading,
        }));
        let said = board.take_output();
        session.receive(&said, moment(&board), &mut batch);
        let urgent = batch.iter().any(is_urgent) || !goes_on;
        if !batch.is_empty() && (urgent || batch.len() >= BATCH) {
            // The writer has ended with the store's error, which is told where the writer is joined.
            let Ok(committed) = writer.keep_now(std::mem::take(&mut batch)) else {
                return Ok(());
            };
            if let Some(&(board, boot)) = committed.written.refused.first() {
                return Err(RecordError::OtherRun {
                    from: from.to_owned(),
                    board,
                    boot,
                });
            }
            session.committed(&committed.entries, &committed.written);
        }
        quiet_turns = if goes_on || !said.is_empty() {
            0
        } else {
            quiet_turns + 1
        };
    }
    Ok(())
}

/// Virtual time has no other clock than the board's.
fn moment(board: &SimBoard) -> Moment {
    Moment::virtual_us(board.unix_ms(board.now()).saturating_mul(1000))
}
