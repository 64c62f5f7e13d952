//! How long what is kept.

use super::seal::hot_days;
use super::{Sealed, days, file};
use crate::store::rollup::DAY_US;
use crate::store::rows::day_us;
use crate::store::{Store, StoreError};
use ohmward_proto::message::BoardId;
use rusqlite::params;

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
        let first_kept = Rules::first_kept(now_us, rules.hot_days);
        let source = self.source();
        let mut due: Option<(i64, BoardId)> = None;
        for id in self.boards()? {
            let Some(board) = source.board(id)? else {
                continue;
            };
            let oldest = hot_days(&source, board)?.first().copied();
            if let Some(date) = oldest.filter(|date| *date < first_kept)
                && due.is_none_or(|(earliest, _)| date < earliest)
            {
                due = Some((date, id));
            }
        }
        match due {
            Some((date, board)) => self.seal(board, date),
            None => Ok(None),
        }
    }

    /// Removes files of the archive that a rule no longer keeps; gives how many. Nothing with the default rules.
    ///
    /// # Errors
    /// [`StoreError`], when a file cannot be removed; it is then not given any more, and its place is named.
    pub fn drop_old(&mut self, rules: &Rules, now_us: i64) -> Result<u64, StoreError> {
        self.refuse_reader()?;
        let Some(keep) = rules.drop_archive_after_days else {
            return Ok(0);
        };
        let first_kept = Rules::first_kept(now_us, keep);
        let mut dropped = 0;
        for id in self.boards()? {
            let Some(board) = self.source().board(id)? else {
                continue;
            };
            let old = days(&self.source(), board)?;
            for day in old.iter().filter(|day| day.date < first_kept) {
                let path = file(&self.dir, id, day.date);
                if !day.dropped {
                    // Late readings first, then what stays of the day for good: its roll-ups.
                    self.seal(id, day.date)?;
                    self.work_off_within(board, &day_us(day.date))?;
                    self.known = super::known::Memory::default();
                    self.db
                        .execute(
                            "UPDATE archive_day SET dropped = 1 WHERE board = ?1 AND date = ?2",
                            params![board.key, day.date],
                        )
                        .map_err(self.failed("write to"))?;
                } else if !path.exists() {
                    continue;
                } // else this was cut short the last time
                std::fs::remove_file(&path)
                    .map_err(|source| super::encode::cannot_write(&path, &source))?;
                dropped += 1;
            }
        }
        Ok(dropped)
    }
}
