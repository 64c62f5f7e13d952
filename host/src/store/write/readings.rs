//! Readings, and the measurements of insulation that they tell of.

use super::Batch;
use crate::store::archive::known::Known;
use crate::store::rollup::{DAY_US, Level, measurement};
use crate::store::rows::Board;
use crate::store::{StoredReading, words};
use ohmward_proto::message::BoardId;
use ohmward_proto::{BondCurrent, Dwell, Insulation, Reading};
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
        let (i_dc, i_rms, i_why) = match r.i_bond {
            BondCurrent::Measured { dc, rms } => (Some(dc.0), Some(rms.0), None),
            BondCurrent::NotMeasured(why) => (None, None, Some(words::of_reason(why))),
        };
        let (leakage, ins_at, ins_why) = match r.insulation {
            Insulation::Measured { leakage, at } => (Some(leakage), at, None),
            Insulation::NotMeasured { why, since } => (None, since, Some(words::of_reason(why))),
        };
        // SQLite itself stores a NaN as NULL.
        let insert = match &mut self.insert_reading {
            Some(insert) => insert,
            none => none.insert(self.work.prepare_cached(
                "INSERT OR IGNORE INTO reading
                 VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,?18)",
            )?),
        };
        let rows = insert.execute(params![
            key,
            boot,
            r.at.0 as i64,
            t_us,
            i_dc,
            i_rms,
            i_why,
            r.v_pos.map(|v| v.0),
            r.v_neg.map(|v| v.0),
            leakage.map(|l| l.g_pos.0),
            leakage.map(|l| l.g_neg.0),
            leakage.map(|l| l.g_sigma.0),
            leakage.map(|l| l.c.0),
            leakage.map(|l| l.c_sigma.0),
            ins_at.0 as i64,
            ins_why,
            words::of_state(r.state),
            r.bond_open,
        ])?;
        if rows == 0 {
            return Ok(false);
        }
        self.hours.insert((key, Level::Hour.start_us(t_us)));
        let row = StoredReading {
            boot,
            t_us,
            reading: *r,
        };
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
