//! What boards sent, into the store: one transaction a batch, any entry any number of times.

use super::{Store, StoreError, words};
use ohmward_proto::message::{BoardId, CaptureHead, CapturePart, Hello, PART_SAMPLES};
use ohmward_proto::{
    BondCurrent, BondSpectrum, Event, EventId, Insulation, Reading, SampleIndex, Settings,
};
use rusqlite::{OptionalExtension, Transaction, params};
use serde::Serialize;
use std::collections::{BTreeSet, HashMap};

/// One thing to keep.
#[derive(Clone, PartialEq, Debug)]
pub enum Entry {
    /// A board said who it is.
    Run {
        /// The board.
        board: BoardId,
        /// What it said.
        hello: Hello,
        /// When that arrived, Unix microseconds.
        received_us: i64,
    },
    /// A board said what is set on it.
    Settings {
        /// The board.
        board: BoardId,
        /// What is set.
        settings: Settings,
    },
    /// A line of the log.
    Reading {
        /// The board.
        board: BoardId,
        /// Its run.
        boot: u32,
        /// When, Unix microseconds.
        t_us: i64,
        /// The line.
        reading: Reading,
    },
    /// What the bond current is made of.
    Spectrum {
        /// The board.
        board: BoardId,
        /// Its run.
        boot: u32,
        /// When, Unix microseconds.
        t_us: i64,
        /// The parts.
        spectrum: BondSpectrum,
    },
    /// Something happened.
    Event {
        /// The board.
        board: BoardId,
        /// When, Unix microseconds.
        t_us: i64,
        /// When it came, Unix microseconds.
        host_us: i64,
        /// `t_us` is within ± this many microseconds of the host's clock; `None`: the board's own clock, or not known.
        t_sigma_us: Option<i64>,
        /// What.
        event: Event,
    },
    /// Something happened that only a newer program can read.
    UnreadEvent {
        /// The board.
        board: BoardId,
        /// When, Unix microseconds.
        t_us: i64,
        /// When it came, Unix microseconds.
        host_us: i64,
        /// As with [`Entry::Event`].
        t_sigma_us: Option<i64>,
        /// Its number.
        id: EventId,
        /// When, on the board's own clock.
        at: SampleIndex,
        /// The event as it came.
        message: Vec<u8>,
    },
    /// A captured waveform is announced.
    CaptureHead {
        /// The board.
        board: BoardId,
        /// The announcement.
        head: CaptureHead,
    },
    /// A piece of it; may come before its head, and twice.
    CapturePart {
        /// The board.
        board: BoardId,
        /// The piece.
        part: CapturePart,
    },
}

impl Entry {
    /// The board and the run of it that this belongs to, where it belongs to one.
    fn run(&self) -> Option<(BoardId, u32)> {
        match self {
            Self::Run { board, hello, .. } => Some((*board, hello.boot)),
            Self::Settings { .. } => None,
            Self::Reading { board, boot, .. } | Self::Spectrum { board, boot, .. } => {
                Some((*board, *boot))
            }
            Self::Event { board, event, .. } => Some((*board, event.id.boot)),
            Self::UnreadEvent { board, id, .. } => Some((*board, id.boot)),
            Self::CaptureHead { board, head } => Some((*board, head.event.boot)),
            Self::CapturePart { board, part } => Some((*board, part.event.boot)),
        }
    }
}

/// How many of each.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Runs of a board.
    pub runs: u64,
    /// Settings.
    pub settings: u64,
    /// Readings.
    pub readings: u64,
    /// Spectra.
    pub spectra: u64,
    /// Events.
    pub events: u64,
    /// Heads of captures.
    pub heads: u64,
    /// Parts of captures.
    pub parts: u64,
}

/// What became of a batch. All of it is on the disk.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Written {
    /// Not there before.
    pub new: Counts,
    /// There already.
    pub known: Counts,
    /// Captures this batch touched that have all their samples: these may be acknowledged as a whole.
    pub captures_complete: Vec<(BoardId, EventId)>,
    /// Captures of those that this batch completed.
    pub captures_new: u64,
    /// Captures this batch touched whose head is there and that are not whole: which pieces of
    /// [`PART_SAMPLES`] are, by bit; the first 64 at most.
    pub captures_partial: Vec<(BoardId, EventId, u64)>,
    /// Runs that are in the store already with another start: another board of the same number, or one that has lost
    /// its count of starts. Nothing of theirs was kept.
    pub refused: Vec<(BoardId, u32)>,
    /// Events whose number was taken by another event: the board lost its start counter. Both are kept.
    pub twins: Vec<(BoardId, EventId)>,
}

impl Store {
    /// Keeps a batch. Once this returns, what was in it may be acknowledged to the boards.
    ///
    /// # Errors
    /// [`StoreError`]: then nothing of the batch was kept, and nothing may be acknowledged.
    pub fn write(&mut self, batch: &[Entry]) -> Result<Written, StoreError> {
        if self.lock.is_none() {
            return Err(StoreError::ReadOnly {
                dir: self.dir.clone(),
            });
        }
        #[cfg(test)]
        self.limit_as_full();
        let failed = self.failed("write to");
        let work = self.db.transaction().map_err(&failed)?;
        let written = Batch::new(&work).keep(batch).map_err(&failed)?;
        work.commit().map_err(&failed)?;
        Ok(written)
    }
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
        let mut batch = Batch::new(&work);
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
    /// Keys of the boards met in this batch.
    boards: HashMap<BoardId, i64>,
    /// Captures of which a head or part was in this batch.
    touched: BTreeSet<(BoardId, EventId)>,
    written: Written,
}

impl<'a> Batch<'a> {
    fn new(work: &'a Transaction<'a>) -> Self {
        Self {
            work,
            boards: HashMap::new(),
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

    fn keep(mut self, batch: &[Entry]) -> rusqlite::Result<Written> {
        for entry in batch {
            self.keep_one(entry)?;
        }
        for (board, event) in std::mem::take(&mut self.touched) {
            if self.completes(board, event)? {
                self.written.captures_complete.push((board, event));
            }
        }
        Ok(self.written)
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

    /// The store knows a run of this board and number that began at another moment.
    fn is_another_run(&mut self, board: BoardId, hello: &Hello) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let stored: Option<(Option<i64>, u32)> = self
            .work
            .prepare_cached(
                "SELECT epoch_unix_ms, sample_rate_hz FROM run WHERE board = ?1 AND boot = ?2",
            )?
            .query_row(params![key, hello.boot], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .optional()?;
        Ok(stored.is_some_and(|stored| stored != (hello.epoch_unix_ms, hello.sample_rate_hz)))
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
        Ok(rows > 0)
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
        Ok(rows > 0)
    }

    fn head(&mut self, board: BoardId, head: &CaptureHead) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        self.touched.insert((board, head.event));
        self.work
            .prepare_cached("INSERT OR IGNORE INTO calibration VALUES (?1,?2,?3,?4)")?
            .execute(params![
                key,
                head.calibration.id,
                blob(&head.calibration)?,
                json(&head.calibration)?
            ])?;
        let rows = self
            .work
            .prepare_cached("INSERT OR IGNORE INTO capture VALUES (?1,?2,?3,?4,?5,0)")?
            .execute(params![
                key,
                head.event.boot,
                head.event.seq,
                blob(head)?,
                head.samples
            ])?;
        Ok(rows > 0)
    }

    fn part(&mut self, board: BoardId, part: &CapturePart) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        self.touched.insert((board, part.event));
        // A longer piece from the same place replaces a shorter one: nothing forbids a board to cut differently.
        let rows = self
            .work
            .prepare_cached(
                "INSERT INTO capture_part VALUES (?1,?2,?3,?4,?5,?6)
                 ON CONFLICT DO UPDATE SET samples = excluded.samples, codes = excluded.codes
                 WHERE excluded.samples > samples",
            )?
            .execute(params![
                key,
                part.event.boot,
                part.event.seq,
                part.offset,
                part.codes.len() as i64,
                blob(&part.codes)?
            ])?;
        Ok(rows > 0)
    }

    /// Whether the head and every sample of a capture are there; notes it in its row.
    fn completes(&mut self, board: BoardId, event: EventId) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let of = params![key, event.boot, event.seq];
        let head: Option<(i64, bool)> = self
            .work
            .prepare_cached(
                "SELECT samples, complete FROM capture WHERE board = ?1 AND boot = ?2 AND seq = ?3",
            )?
            .query_row(of, |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
        match head {
            None => return Ok(false),
            Some((_, true)) => return Ok(true),
            Some((samples, false)) => {
                let mut parts = self.work.prepare_cached(
                    "SELECT offset, samples FROM capture_part
                     WHERE board = ?1 AND boot = ?2 AND seq = ?3 ORDER BY offset",
                )?;
                let mut parts = parts.query(of)?;
                let (mut covered, mut whole, mut have) = (0, true, 0_u64);
                while let Some(part) = parts.next()? {
                    let (offset, len): (i64, i64) = (part.get(0)?, part.get(1)?);
                    let end = (offset + len).min(samples);
                    whole &= offset <= covered;
                    covered = covered.max(end);
                    have |= pieces(offset, end, samples);
                }
                if !whole || covered < samples {
                    self.written.captures_partial.push((board, event, have));
                    return Ok(false);
                }
            }
        }
        self.written.captures_new += 1;
        self.work
            .prepare_cached(
                "UPDATE capture SET complete = 1 WHERE board = ?1 AND boot = ?2 AND seq = ?3",
            )?
            .execute(of)?;
        Ok(true)
    }
}

impl Counts {
    fn add(&mut self, more: &Self) {
        self.runs += more.runs;
        self.settings += more.settings;
        self.readings += more.readings;
        self.spectra += more.spectra;
        self.events += more.events;
        self.heads += more.heads;
        self.parts += more.parts;
    }
}

/// Bits of the pieces that lie wholly within `from..to`; the last piece of a capture may be short.
fn pieces(from: i64, to: i64, samples: i64) -> u64 {
    let piece = PART_SAMPLES as i64;
    (0..64)
        .filter(|k| {
            k * piece >= from && k * piece < samples && ((k + 1) * piece).min(samples) <= to
        })
        .fold(0, |bits, k| bits | 1 << k)
}

fn tally(is_new: bool, new: &mut u64, known: &mut u64) {
    *(if is_new { new } else { known }) += 1;
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
