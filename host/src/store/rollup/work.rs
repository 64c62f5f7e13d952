//! Roll-ups that wait, worked off by the writer between batches.

use super::{Level, keep};
use crate::store::rows::{Board, Source};
use crate::store::{Store, StoreError};
use std::collections::VecDeque;
use std::ops::Range;

/// Hours of one day worked off together.
const HOURS: usize = 6;

impl Store {
    /// Works off every roll-up that waits for its hour to be over or for its turn. What waits is worked out whenever it is asked for;
    /// this spares readers the work. Gives how many hours it was.
    ///
    /// # Errors
    /// [`StoreError`]; what was worked off stays so.
    pub fn work_off_rollups(&mut self) -> Result<u64, StoreError> {
        self.refuse_reader()?;
        let mut waiting = self.hours_waiting()?;
        let hours = waiting.iter().map(|(_, hours)| hours.len() as u64).sum();
        while !waiting.is_empty() {
            self.work_off_hours(&mut waiting, u64::MAX)?;
        }
        Ok(hours)
    }

    /// What waits now, a few hours of a board and day together.
    pub(in crate::store) fn hours_waiting(
        &self,
    ) -> Result<VecDeque<(Board, Vec<i64>)>, StoreError> {
        let mut all = VecDeque::new();
        for id in self.boards()? {
            let source = self.source();
            if let Some(board) = source.board(id)? {
                let waiting = keep::stale(&source, board, &(i64::MIN..i64::MAX))?;
                let days =
                    waiting.chunk_by(|a, b| Level::Day.start_us(*a) == Level::Day.start_us(*b));
                all.extend(
                    days.flat_map(|day| day.chunks(HOURS))
                        .map(|hours| (board, hours.to_vec())),
                );
            }
        }
        Ok(all)
    }

    /// Works some of these off, in one transaction, until so many rows have been read.
    pub(in crate::store) fn work_off_hours(
        &mut self,
        waiting: &mut VecDeque<(Board, Vec<i64>)>,
        rows_max: u64,
    ) -> Result<(), StoreError> {
        self.in_a_transaction(|source| {
            let mut rows = 0;
            while rows < rows_max
                && let Some((board, hours)) = waiting.pop_front()
            {
                rows +=
                    keep::work_off(source, board, &hours, u64::MAX, keep::Unreadable::Ends)?.max(1);
            }
            Ok(())
        })
    }

    /// Works off what is marked of a time.
    pub(in crate::store) fn work_off_within(
        &mut self,
        board: Board,
        range: &Range<i64>,
    ) -> Result<(), StoreError> {
        self.work_off_some(board, range, u64::MAX)
    }

    /// Likewise until so many rows have been read.
    pub(in crate::store) fn work_off_some(
        &mut self,
        board: Board,
        range: &Range<i64>,
        rows_max: u64,
    ) -> Result<(), StoreError> {
        self.in_a_transaction(|source| {
            let hours = keep::stale(source, board, range)?;
            keep::work_off(source, board, &hours, rows_max, keep::Unreadable::Ends).map(drop)
        })
    }

    fn in_a_transaction(
        &mut self,
        work_off: impl FnOnce(&Source) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        work_off(&Source {
            db: &work,
            dir: &self.dir,
            has_archive: true,
            has_blocks: true,
        })?;
        work.commit().map_err(&failed)
    }
}
