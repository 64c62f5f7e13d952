//! Readings, and the measurements of insulation that they tell of.

use super::Batch;
use crate::store::StoredReading;
use crate::store::archive::known::Known;
use crate::store::rollup::{DAY_US, Level, measurement};
use crate::store::rows::Board;
use ohmward_proto::message::BoardId;
use ohmward_proto::{Dwell, Insulation, Reading};
use rusqlite::{OptionalExtension, params};

/// What a batch remembers of a run from reading to reading.
#[derive(Clone, Copy, Default)]
pub(super) struct RunNotes {
    sample_rate_hz: Option<u32>,
    /// Measurement of insulation noted last, and the reading that told of it.
    noted: Option<(u64, u64)>,
}

impl Batch<'_> {
    pub(super) fn reading(
        &mut self,
        board: BoardId,
        boot: u32,
        t_us: i64,
        r: &Reading,
    ) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let of = Board { id: board, key };
        let newest = self.newest.entry(of).or_insert(t_us);
        *newest = t_us.max(*newest);
        // What cannot be looked up is kept: twice at worst, until the day is sealed again.
        let date = t_us.div_euclid(DAY_US);
        match self.known.look(&self.source, of, boot, r.at.0, date) {
            Ok(Known::Archived) => return Ok(false),
            Ok(Known::Dropped) => {
                self.written.of_dropped_days += 1;
                return Ok(false);
            }
            Ok(Known::No) | Err(_) => {}
        }
        let row = StoredReading {
            boot,
            t_us,
            reading: *r,
        };
        if !self.pending.take(self.work, self.reached, key, &row)? {
            return Ok(false);
        }
        self.hours.insert((key, Level::Hour.start_us(t_us)));
        self.note_measurement(of, &row)?;
        Ok(true)
    }

    pub(super) fn dwell(&mut self, board: BoardId, boot: u32, d: &Dwell) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let rows = self
            .work
            .prepare_cached("INSERT OR IGNORE INTO insulation_dwell VALUES (?1,?2,?3,?4,?5,?6)")?
            .execute(params![
                key,
                boot,
                d.at.0 as i64,
                d.a_samples,
                d.b_samples,
                d.extrapolated,
            ])?;
        Ok(rows > 0)
    }

    /// A reading repeats the last measurement of insulation: looked up only when it tells of another one than the reading before.
    fn note_measurement(&mut self, board: Board, row: &StoredReading) -> rusqlite::Result<()> {
        let Insulation::Measured { at, .. } = row.reading.insulation else {
            return Ok(());
        };
        let run = (board.key, row.boot);
        let mut notes = match self.runs.get(&run) {
            Some(notes) => *notes,
            None => RunNotes {
                sample_rate_hz: self
                    .work
                    .prepare_cached(
                        "SELECT sample_rate_hz FROM run WHERE board = ?1 AND boot = ?2",
                    )?
                    .query_row(params![board.key, row.boot], |row| row.get(0))
                    .optional()?,
                noted: None,
            },
        };
        let carrier = row.reading.at.0;
        if notes
            .noted
            .is_none_or(|(noted, by)| noted != at.0 || carrier < by)
        {
            let hours = measurement::note(self.work, board.key, notes.sample_rate_hz, row)?;
            let dropped = self.known.dropped_days(&self.source, board).ok();
            for hour_us in hours {
                let is_dropped =
                    dropped.is_some_and(|days| days.contains(&hour_us.div_euclid(DAY_US)));
                if !is_dropped {
                    self.hours.insert((board.key, hour_us));
                }
            }
            notes.noted = Some((at.0, carrier));
        }
        self.runs.insert(run, notes);
        Ok(())
    }
}
