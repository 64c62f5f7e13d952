//! How long what is kept.

use super::{Sealed, days, file};
use crate::store::rollup::DAY_US;
use crate::store::rows::{Board, Source, day_us};
use crate::store::{Store, StoreError};
use rusqlite::params;
use std::collections::VecDeque;

/// What moves, and what goes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Rules {
    /// Whole days that stay in the tables after they have ended; older ones are sealed.
    pub hot_days: u32,
    /// A sealed day's file is removed so many days after the day has ended. Roll-ups, measurements of insulation, events and
    /// captures stay. `None`: never.
    pub drop_archive_after_days: Option<u32>,
}

impl Default for Rules {
    /// A week at hand, nothing ever dropped.
    fn default() -> Self {
        Self {
            hot_days: 7,
            drop_archive_after_days: None,
        }
    }
}

impl Rules {
    /// The first day (since 1970-01-01) that is not over for as long as `days`.
    fn first_kept(now_us: i64, days: u32) -> i64 {
        now_us.div_euclid(DAY_US) - i64::from(days)
    }
}

/// A day whose file a rule no longer keeps.
#[derive(Clone, Copy, Debug)]
pub struct Old {
    board: Board,
    date: i64,
    /// Noted as dropped, and the file still there.
    dropped: bool,
}

/// The oldest day that is over for long enough, of any board.
pub fn due(
    source: &Source,
    rules: &Rules,
    now_us: i64,
) -> Result<Option<(Board, i64)>, StoreError> {
    let failed = source.failed("read");
    let mut query = source
        .db
        .prepare_cached(
            "SELECT id, key, (SELECT min(minute_us) FROM reading_block WHERE reading_block.board = board.key) FROM board ORDER BY id",
        )
        .map_err(&failed)?;
    let mut rows = query.query([]).map_err(&failed)?;
    let first_kept = Rules::first_kept(now_us, rules.hot_days);
    let mut due: Option<(Board, i64)> = None;
    while let Some(row) = rows.next().map_err(&failed)? {
        let Some(oldest_us) = row.get::<_, Option<i64>>(2).map_err(&failed)? else {
            continue;
        };
        let date = oldest_us.div_euclid(DAY_US);
        if date < first_kept && due.is_none_or(|(_, earliest)| date < earliest) {
            let id: String = row.get(0).map_err(&failed)?;
            let board = Board {
                id: source.board_id(&id)?,
                key: row.get(1).map_err(&failed)?,
            };
            due = Some((board, date));
        }
    }
    Ok(due)
}

impl Store {
    /// Seals the oldest day that is due, of any board, and gives what was moved; `None` when nothing is due. One day at a time, so that
    /// a recorder can go on in between.
    ///
    /// `now_us` is the clock, Unix microseconds; for a scenario the time it has come to.
    ///
    /// # Errors
    /// [`StoreError`]: then the readings are where they were.
    pub fn seal_next(&mut self, rules: &Rules, now_us: i64) -> Result<Option<Sealed>, StoreError> {
        self.refuse_reader()?;
        match due(&self.source(), rules, now_us)? {
            Some((board, date)) => self.seal(board.id, date),
            None => Ok(None),
        }
    }

    /// Removes files of the archive that a rule no longer keeps; gives how many. Nothing with the default rules.
    ///
    /// # Errors
    /// [`StoreError`], when a file cannot be removed; it is then not given any more, and its place is named.
    pub fn drop_old(&mut self, rules: &Rules, now_us: i64) -> Result<u64, StoreError> {
        self.refuse_reader()?;
        let old = self.old_days(rules, now_us)?;
        old.iter().try_for_each(|day| self.drop_day(day))?;
        Ok(old.len() as u64)
    }

    /// Days whose files a rule no longer keeps.
    pub(super) fn old_days(&self, rules: &Rules, now_us: i64) -> Result<VecDeque<Old>, StoreError> {
        let Some(keep) = rules.drop_archive_after_days else {
            return Ok(VecDeque::new());
        };
        let first_kept = Rules::first_kept(now_us, keep);
        let source = self.source();
        let mut old = VecDeque::new();
        for id in self.boards()? {
            let Some(board) = source.board(id)? else {
                continue;
            };
            for day in days(&source, board)? {
                // A file of a day that was dropped: that was cut short the last time.
                let is_there = !day.dropped || file(&self.dir, id, day.date).exists();
                if day.date < first_kept && is_there {
                    old.push_back(Old {
                        board,
                        date: day.date,
                        dropped: day.dropped,
                    });
                }
            }
        }
        Ok(old)
    }

    /// Drops a day.
    pub(super) fn drop_day(&mut self, old: &Old) -> Result<(), StoreError> {
        let board = old.board;
        if !old.dropped {
            // Late readings first, then what stays of the day for good: its roll-ups.
            self.seal(board.id, old.date)?;
            self.work_off_within(board, &day_us(old.date))?;
            self.known.forget(board);
            self.db
                .execute(
                    "UPDATE archive_day SET dropped = 1 WHERE board = ?1 AND date = ?2",
                    params![board.key, old.date],
                )
                .map_err(self.failed("write to"))?;
        }
        let path = file(&self.dir, board.id, old.date);
        std::fs::remove_file(&path).map_err(|source| super::encode::cannot_write(&path, &source))
    }
}
