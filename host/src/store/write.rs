//! What boards sent, into the store: one transaction a batch, any entry any number of times.

use super::archive::known::{Known, Memory};
use super::chain::{self, Link};
use super::rollup::{DAY_US, Level, keep, measurement};
use super::rows::{Board, Source};
use super::{Counts, Entry, Store, StoreError, StoredReading, Written, words};
use ohmward_proto::message::{BoardId, Hello};
use ohmward_proto::{
    BondCurrent, BondSpectrum, Event, EventId, Insulation, Reading, SampleIndex, Settings,
};
use rusqlite::{OptionalExtension, Transaction, params};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet, HashMap};

mod captures;

impl Store {
    /// Keeps a batch. Once this returns, what was in it may be acknowledged to the boards.
    ///
    /// # Errors
    /// [`StoreError`]: then nothing of the batch was kept, and nothing may be acknowledged.
    pub fn write(&mut self, batch: &[Entry]) -> Result<Written, StoreError> {
        self.refuse_reader()?;
        #[cfg(test)]
        self.limit_as_full();
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        let source = Source {
            db: &work,
            dir: &self.dir,
            has_archive: true,
        };
        let (written, newest) = Batch::new(&work, source, &mut self.known)
            .keep(batch)
            .map_err(&failed)?;
        work_off_hours_over(&source, &newest, batch.len())?;
        work.commit().map_err(&failed)?;
        Ok(written)
    }

    /// Works off every roll-up that waits for its hour to be over or for its turn. What waits is worked out whenever it is asked for;
    /// this spares readers the work. Gives how many hours it was.
    ///
    /// # Errors
    /// [`StoreError`]; what was worked off stays so.
    pub fn work_off_rollups(&mut self) -> Result<u64, StoreError> {
        self.refuse_reader()?;
        let mut hours = 0;
        for id in self.boards()? {
            if let Some(board) = self.source().board(id)? {
                let waiting = keep::stale(&self.source(), board, &(i64::MIN..i64::MAX))?;
                for day in
                    waiting.chunk_by(|a, b| Level::Day.start_us(*a) == Level::Day.start_us(*b))
                {
                    let end_us = day.last().map_or(day[0], |last| last.saturating_add(1));
                    self.work_off_within(board, &(day[0]..end_us))?;
                    hours += day.len() as u64;
                }
            }
        }
        Ok(hours)
    }
}

/// Rows read back to work off roll-ups in one transaction: some 20 ms. At the hour all boards are due at once, and each waits its turn.
const ROWS_WORKED_OFF: u64 = 20_000;

/// Hours that are over, by the newest reading of their board. Those of sealed days wait for [`Store::seal`]: a file that cannot be
/// read must not stand in the way of recording.
fn work_off_hours_over(
    source: &Source,
    newest: &BTreeMap<Board, i64>,
    entries: usize,
) -> Result<(), StoreError> {
    let mut rows_left = ROWS_WORKED_OFF.max(2 * entries as u64);
    for (&board, &newest_us) in newest {
        let over = i64::MIN..Level::Hour.start_us(newest_us);
        let mut hours = keep::stale(source, board, &over)?;
        if hours.is_empty() {
            continue;
        }
        let sealed: BTreeSet<i64> = super::archive::days(source, board)?
            .iter()
            .map(|day| day.date)
            .collect();
        hours.retain(|hour_us| !sealed.contains(&hour_us.div_euclid(DAY_US)));
        let rows = keep::work_off(source, board, &hours, rows_left, keep::Unreadable::Waits)?;
        rows_left = rows_left.saturating_sub(rows);
        if rows_left == 0 {
            break;
        }
    }
    Ok(())
}

/// What a batch remembers of a run from reading to reading.
#[derive(Clone, Copy, Default)]
struct RunNotes {
    sample_rate_hz: Option<u32>,
    /// Measurement of insulation noted last, and the reading that told of it.
    noted: Option<(u64, u64)>,
}

impl Store {
    /// Events that an older program could only keep as they came, and that this one can read, take their place among the
    /// others.
    pub(super) fn take_in_unread(&mut self) -> Result<(), StoreError> {
        let mut readable = Vec::new();
        for unread in self.unread_events()? {
            if let Ok((event, [])) = postcard::take_from_bytes::<Event>(&unread.message) {
                readable.push((unread.board, event, unread.message));
            }
        }
        if readable.is_empty() {
            return Ok(());
        }
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        let source = Source {
            db: &work,
            dir: &self.dir,
            has_archive: true,
        };
        let mut batch = Batch::new(&work, source, &mut self.known);
        for (board, event, message) in readable {
            batch.take_in(board, &event, &message).map_err(&failed)?;
        }
        work.commit().map_err(&failed)
    }
}

/// When it happened, when it came, ±; µs.
type Times = (i64, i64, Option<i64>);

struct Batch<'a> {
    work: &'a Transaction<'a>,
    source: Source<'a>,
    known: &'a mut Memory,
    runs: HashMap<(i64, u32), RunNotes>,
    /// Board and hour of new rows.
    hours: BTreeSet<(i64, i64)>,
    /// Newest reading of a board in this batch.
    newest: BTreeMap<Board, i64>,
    /// Keys of the boards met in this batch.
    boards: HashMap<BoardId, i64>,
    /// Captures of which a head or part was in this batch.
    touched: BTreeSet<(BoardId, EventId)>,
    written: Written,
}

impl<'a> Batch<'a> {
    fn new(work: &'a Transaction<'a>, source: Source<'a>, known: &'a mut Memory) -> Self {
        Self {
            work,
            source,
            known,
            boards: HashMap::new(),
            runs: HashMap::new(),
            hours: BTreeSet::new(),
            newest: BTreeMap::new(),
            touched: BTreeSet::new(),
            written: Written::default(),
        }
    }

    /// An event out of `event_unread`.
    fn take_in(&mut self, board: BoardId, event: &Event, message: &[u8]) -> rusqlite::Result<()> {
        let key = self.board(board)?;
        let of = params![key, event.id.boot, event.id.seq, message];
        let times = self
            .work
            .prepare_cached(
                "DELETE FROM event_unread WHERE board = ?1 AND boot = ?2 AND seq = ?3 AND message = ?4
                 RETURNING t_us, host_us, t_sigma_us",
            )?
            .query_row(of, |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        self.event(board, times, event).map(drop)
    }

    fn keep(mut self, batch: &[Entry]) -> rusqlite::Result<(Written, BTreeMap<Board, i64>)> {
        for entry in batch {
            self.keep_one(entry)?;
        }
        for (board, event) in std::mem::take(&mut self.touched) {
            if self.completes(board, event)? {
                self.written.captures_complete.push((board, event));
            }
        }
        for (board, hour_us) in std::mem::take(&mut self.hours) {
            keep::mark(self.work, board, hour_us)?;
        }
        Ok((self.written, self.newest))
    }

    fn keep_one(&mut self, entry: &Entry) -> rusqlite::Result<()> {
        if let Entry::Run { board, hello, .. } = entry
            && self.is_another_run(*board, hello)?
        {
            self.written.refused.push((*board, hello.boot));
        }
        if let Some(run) = entry.run()
            && self.written.refused.contains(&run)
        {
            return Ok(());
        }
        let (mut new, mut known) = (Counts::default(), Counts::default());
        match entry {
            Entry::Run {
                board,
                hello,
                received_us,
            } => tally(
                self.run(*board, hello, *received_us)?,
                &mut new.runs,
                &mut known.runs,
            ),
            Entry::Settings { board, settings } => tally(
                self.settings(*board, settings)?,
                &mut new.settings,
                &mut known.settings,
            ),
            Entry::Reading {
                board,
                boot,
                t_us,
                reading,
            } => tally(
                self.reading(*board, *boot, *t_us, reading)?,
                &mut new.readings,
                &mut known.readings,
            ),
            Entry::Spectrum {
                board,
                boot,
                t_us,
                spectrum,
            } => tally(
                self.spectrum(*board, *boot, *t_us, spectrum)?,
                &mut new.spectra,
                &mut known.spectra,
            ),
            Entry::Event {
                board,
                t_us,
                host_us,
                t_sigma_us,
                event,
            } => tally(
                self.event(*board, (*t_us, *host_us, *t_sigma_us), event)?,
                &mut new.events,
                &mut known.events,
            ),
            Entry::UnreadEvent {
                board,
                t_us,
                host_us,
                t_sigma_us,
                id,
                at,
                message,
            } => tally(
                self.unread_event(*board, (*t_us, *host_us, *t_sigma_us), (*id, *at), message)?,
                &mut new.events,
                &mut known.events,
            ),
            Entry::CaptureHead { board, head } => {
                tally(self.head(*board, head)?, &mut new.heads, &mut known.heads);
            }
            Entry::CapturePart { board, part } => {
                tally(self.part(*board, part)?, &mut new.parts, &mut known.parts);
            }
        }
        self.written.new.add(&new);
        self.written.known.add(&known);
        Ok(())
    }

    fn board(&mut self, board: BoardId) -> rusqlite::Result<i64> {
        if let Some(key) = self.boards.get(&board) {
            return Ok(*key);
        }
        let id = board.to_string();
        self.work
            .prepare_cached("INSERT OR IGNORE INTO board (id) VALUES (?1)")?
            .execute([&id])?;
        let key = self
            .work
            .prepare_cached("SELECT key FROM board WHERE id = ?1")?
            .query_row([&id], |row| row.get(0))?;
        self.boards.insert(board, key);
        Ok(key)
    }

    /// The store knows a run of this board and number that began at another moment, or, of a board that does not say when, one
    /// that got further than this: a counter never goes back within a run.
    fn is_another_run(&mut self, board: BoardId, hello: &Hello) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let stored: Option<(Option<i64>, u32, i64)> = self
            .work
            .prepare_cached(
                "SELECT epoch_unix_ms, sample_rate_hz, at_sample FROM run WHERE board = ?1 AND boot = ?2",
            )?
            .query_row(params![key, hello.boot], |row| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?))
            })
            .optional()?;
        let Some((epoch_unix_ms, sample_rate_hz, first_at)) = stored else {
            return Ok(false);
        };
        if (epoch_unix_ms, sample_rate_hz) != (hello.epoch_unix_ms, hello.sample_rate_hz) {
            return Ok(true);
        }
        // The very hello that made the row may come any number of times. So may that of another start, which begins at 0 as every
        // start does; but nothing is taken from a board before it has been asked, and has said where it is by then.
        if epoch_unix_ms.is_some() || first_at == hello.at.0 as i64 {
            return Ok(false);
        }
        let reached: Option<i64> = self
            .work
            .prepare_cached("SELECT max(at_sample) FROM reading WHERE board = ?1 AND boot = ?2")?
            .query_row(params![key, hello.boot], |row| row.get(0))?;
        Ok(reached.is_some_and(|reached| reached as u64 > hello.at.0))
    }

    fn run(&mut self, board: BoardId, hello: &Hello, received_us: i64) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let (major, minor, patch) = hello.firmware;
        let rows = self
            .work
            .prepare_cached("INSERT OR IGNORE INTO run VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10)")?
            .execute(params![
                key,
                hello.boot,
                hello.sample_rate_hz,
                format!("{major}.{minor}.{patch}"),
                hello.protocol,
                hello.calibration_id,
                hello.settings_hash,
                hello.at.0 as i64,
                hello.epoch_unix_ms,
                received_us,
            ])?;
        Ok(rows > 0)
    }

    fn settings(&mut self, board: BoardId, settings: &Settings) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let known = self
            .work
            .prepare_cached("SELECT 1 FROM settings WHERE board = ?1 AND hash = ?2")?
            .exists(params![key, settings.hash()])?;
        self.work
            .prepare_cached(
                "INSERT INTO settings VALUES (?1, ?2,
                    1 + (SELECT coalesce(max(seen), 0) FROM settings WHERE board = ?1), ?3, ?4)
                 ON CONFLICT DO UPDATE SET seen = excluded.seen",
            )?
            .execute(params![
                key,
                settings.hash(),
                blob(settings)?,
                json(settings)?
            ])?;
        Ok(!known)
    }

    fn reading(
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
        let rows = self
            .work
            .prepare_cached(
                "INSERT OR IGNORE INTO reading
                 VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,?18)",
            )?
            .execute(params![
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

    fn spectrum(
        &mut self,
        board: BoardId,
        boot: u32,
        t_us: i64,
        s: &BondSpectrum,
    ) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let [second, third, fourth, fifth] = s.harmonics;
        let rows = self
            .work
            .prepare_cached(
                "INSERT OR IGNORE INTO spectrum
                 VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15)",
            )?
            .execute(params![
                key,
                boot,
                s.at.0 as i64,
                t_us,
                s.samples,
                s.mains_hz,
                s.mains_found,
                s.dc.0,
                s.fundamental.0,
                s.fundamental_rad,
                second.0,
                third.0,
                fourth.0,
                fifth.0,
                s.remainder.0,
            ])?;
        Ok(rows > 0)
    }

    fn unread_event(
        &mut self,
        board: BoardId,
        (t_us, host_us, t_sigma_us): Times,
        (id, at): (EventId, SampleIndex),
        message: &[u8],
    ) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let rows = self
            .work
            .prepare_cached("INSERT OR IGNORE INTO event_unread VALUES (?1,?2,?3,?4,?5,?6,?7,?8)")?
            .execute(params![
                key,
                id.boot,
                id.seq,
                at.0 as i64,
                t_us,
                host_us,
                t_sigma_us,
                message
            ])?;
        Ok(rows > 0)
    }

    fn event(
        &mut self,
        board: BoardId,
        (t_us, host_us, t_sigma_us): Times,
        event: &Event,
    ) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let message = blob(event)?;
        let stored: Option<Vec<u8>> = self
            .work
            .prepare_cached(
                "SELECT message FROM event WHERE board = ?1 AND boot = ?2 AND seq = ?3",
            )?
            .query_row(params![key, event.id.boot, event.id.seq], |row| row.get(0))
            .optional()?;
        let insert = match stored {
            None => "INSERT OR IGNORE INTO event VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10)",
            Some(stored) if stored == message => return Ok(false),
            Some(_) => {
                self.written.twins.push((board, event.id));
                "INSERT OR IGNORE INTO event_twin VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10)"
            }
        };
        let rows = self.work.prepare_cached(insert)?.execute(params![
            key,
            event.id.boot,
            event.id.seq,
            event.at.0 as i64,
            t_us,
            words::of_kind(&event.kind),
            json(&event.kind)?,
            message,
            host_us,
            t_sigma_us,
        ])?;
        if rows > 0 {
            let link = Link {
                board: board.to_string(),
                boot: event.id.boot.into(),
                seq: event.id.seq.into(),
                at_sample: event.at.0 as i64,
                t_us,
                host_us: Some(host_us),
                t_sigma_us,
                kind: words::of_kind(&event.kind).to_owned(),
                detail: json(&event.kind)?,
                message,
            };
            chain::append(self.work, key, &link)?;
        }
        Ok(rows > 0)
    }
}

fn blob(value: &impl Serialize) -> rusqlite::Result<Vec<u8>> {
    // Everything that came out of a frame fits one.
    let mut room = [0; 2 * ohmward_proto::MAX_BODY];
    postcard::to_slice(value, &mut room)
        .map(|bytes| bytes.to_vec())
        .map_err(|fault| rusqlite::Error::ToSqlConversionFailure(Box::new(fault)))
}

fn json(value: &impl Serialize) -> rusqlite::Result<String> {
    serde_json::to_string(value)
        .map_err(|fault| rusqlite::Error::ToSqlConversionFailure(Box::new(fault)))
}

fn tally(is_new: bool, new: &mut u64, known: &mut u64) {
    *(if is_new { new } else { known }) += 1;
}
