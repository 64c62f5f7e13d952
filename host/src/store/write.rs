//! What boards sent, into the store: one transaction a batch, any entry any number of times.

use super::archive::known::Memory;
use super::blocks;
use super::rollup::{DAY_US, Level, keep};
use super::rows::{Board, Source};
use super::{Counts, Entry, LineCounts, Store, StoreError, Written, line};
use ohmward_proto::message::{BoardId, Hello};
use ohmward_proto::{BondSpectrum, EventId, Settings};
use pending::Pending;
use readings::RunNotes;
use rusqlite::{OptionalExtension, Transaction, params};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet, HashMap};

mod captures;
mod events;
mod pending;
mod readings;

pub use pending::Reached;

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
        self.in_one_transaction(|work| {
            work.keep(batch).map_err(&failed)?;
            work_off_hours_over(&work.source, &work.newest, batch.len())?;
            Ok(std::mem::take(&mut work.written))
        })
    }

    fn in_one_transaction<T>(
        &mut self,
        keep: impl FnOnce(&mut Batch<'_>) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        let source = Source {
            db: &work,
            dir: &self.dir,
            has_archive: true,
            has_blocks: true,
        };
        let kept = keep(&mut Batch::new(
            &work,
            source,
            &mut self.known,
            &mut self.reached,
        ))?;
        work.commit().map_err(&failed)?;
        Ok(kept)
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

struct Batch<'a> {
    work: &'a Transaction<'a>,
    source: Source<'a>,
    known: &'a mut Memory,
    reached: &'a mut Reached,
    runs: HashMap<(i64, u32), RunNotes>,
    /// New readings, until the end of the batch.
    pending: Pending,
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
    fn new(
        work: &'a Transaction<'a>,
        source: Source<'a>,
        known: &'a mut Memory,
        reached: &'a mut Reached,
    ) -> Self {
        Self {
            work,
            source,
            known,
            reached,
            boards: HashMap::new(),
            runs: HashMap::new(),
            pending: Pending::default(),
            hours: BTreeSet::new(),
            newest: BTreeMap::new(),
            touched: BTreeSet::new(),
            written: Written::default(),
        }
    }

    fn keep(&mut self, batch: &[Entry]) -> rusqlite::Result<()> {
        for entry in batch {
            self.keep_one(entry)?;
        }
        self.pending.put(self.work)?;
        for (board, event) in std::mem::take(&mut self.touched) {
            if self.completes(board, event)? {
                self.written.captures_complete.push((board, event));
            }
        }
        for (board, hour_us) in std::mem::take(&mut self.hours) {
            keep::mark(self.work, board, hour_us)?;
        }
        Ok(())
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
            Entry::Dwell { board, boot, dwell } => tally(
                self.dwell(*board, *boot, dwell)?,
                &mut new.dwells,
                &mut known.dwells,
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
            Entry::Line {
                board,
                host_us,
                counts,
            } => self.line(*board, *host_us, counts)?,
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
        self.pending.put(self.work)?;
        let reached = blocks::reached(self.work, key, hello.boot)?;
        Ok(reached.is_some_and(|reached| reached > hello.at.0))
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

    fn line(&mut self, board: BoardId, host_us: i64, counts: &LineCounts) -> rusqlite::Result<()> {
        let key = self.board(board)?;
        self.work
            .prepare_cached(
                "INSERT INTO line_day VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO UPDATE SET
                 frames = frames + excluded.frames, damaged = damaged + excluded.damaged,
                 unknown = unknown + excluded.unknown, breaks = breaks + excluded.breaks",
            )?
            .execute(params![
                key,
                line::day_of(host_us),
                counts.frames as i64,
                counts.damaged as i64,
                counts.unknown as i64,
                counts.breaks as i64,
            ])?;
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
