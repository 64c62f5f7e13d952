//! Clocks of a line's earlier runs, for events that come late.

use crate::link::clock::Clock;
use ohmward_proto::message::BoardId;
use std::collections::VecDeque;

/// Runs whose clocks are remembered.
const KEPT: usize = 4;

/// The latest of them, newest last.
#[derive(Default)]
pub struct EarlierRuns(VecDeque<(BoardId, u32, Clock)>);

impl EarlierRuns {
    /// Keeps the clock of a run, in place of what was known of it, and forgets the oldest when they are too many.
    pub fn keep(&mut self, board: BoardId, boot: u32, clock: Clock) {
        self.take(board, boot);
        self.0.push_back((board, boot, clock));
        if self.0.len() > KEPT {
            self.0.pop_front();
        }
    }

    /// Gives back the clock of a run that goes on after all.
    pub fn take(&mut self, board: BoardId, boot: u32) -> Option<Clock> {
        let place = self
            .0
            .iter()
            .position(|run| (run.0, run.1) == (board, boot))?;
        self.0.remove(place).map(|(_, _, clock)| clock)
    }

    /// The clock of a run.
    pub fn clock(&self, board: BoardId, boot: u32) -> Option<&Clock> {
        let run = self.0.iter().find(|run| (run.0, run.1) == (board, boot));
        run.map(|(_, _, clock)| clock)
    }
}
