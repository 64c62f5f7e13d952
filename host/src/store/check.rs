//! Whether a store holds together: what `record --check` says.

use super::archive::{self, bytes_of, date_words};
use super::chain::{self, Head};
use super::rollup::{Level, keep, read};
use super::rows::{Board, Source, day_us};
use super::{EventFilter, FILE, Store, StoreError};
use ohmward_proto::message::BoardId;
use ohmward_proto::{EventId, EventKind};
use rusqlite::params;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// What to check.
#[derive(Clone, Copy, Debug, Default)]
pub struct CheckOptions {
    /// A head of the event log that was written down earlier: the log must still contain it.
    pub head: Option<Head>,
}

/// Numbers of events that are not there. Not a fault of the store: it shows what never came.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Gap {
    /// The board.
    pub board: String,
    /// Its run.
    pub boot: u32,
    /// First missing number.
    pub from_seq: u32,
    /// Last missing number.
    pub to_seq: u32,
    /// The board itself has said, later, that so many or more were lost.
    pub told_lost: bool,
}

impl Gap {
    fn len(&self) -> u64 {
        u64::from(self.to_seq - self.from_seq) + 1
    }
}

impl fmt::Display for Gap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            board,
            boot,
            from_seq,
            to_seq,
            ..
        } = self;
        if from_seq == to_seq {
            write!(f, "board {board}: event {boot}.{from_seq} never came")?;
        } else {
            write!(
                f,
                "board {board}: events {boot}.{from_seq} to {boot}.{to_seq} never came"
            )?;
        }
        f.write_str(if self.told_lost {
            "; the board has said that it lost as many"
        } else {
            ", and the board has not said that it lost them"
        })
    }
}

/// What a check found.
#[derive(Clone, PartialEq, Debug, Default, Serialize)]
pub struct Report {
    /// What does not hold, a line each. Empty: all that was checked holds.
    pub faults: Vec<String>,
    /// Events missing from the numbering.
    pub gaps: Vec<Gap>,
    /// Other things worth knowing, a line each.
    pub notes: Vec<String>,
    /// Boards.
    pub boards: u64,
    /// Events in the chain.
    pub events: u64,
    /// Head of the event log: write it down elsewhere, and a later check can be held against it.
    pub head: String,
    /// Readings, tables and archive together.
    pub readings: u64,
    /// Files of the archive.
    pub files: u64,
    /// Roll-ups that were worked out again.
    pub rollups: u64,
}

impl Report {
    /// Nothing is wrong. Gaps in the numbering do not count: the store is as it was written.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.faults.is_empty()
    }
}

impl Store {
    /// Checks everything: SQLite's own check, the chain over the event log, numbering of events, files of the archive against their
    /// hashes and counts, roll-ups against the rows. Reads every reading twice.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read at all; what is merely wrong is in the [`Report`].
    pub fn check(&self, options: &CheckOptions) -> Result<Report, StoreError> {
        let source = self.source();
        let mut report = Report::default();
        report.faults.extend(sqlite_faults(&source)?);
        report.faults.extend(unread_rows(&source)?);
        if self.has_archive {
            report.faults.extend(chain::faults(&source, options.head)?);
            let head = chain::head(&self.db).map_err(self.failed("read"))?;
            (report.events, report.head) = (head.count, head.to_string());
        } else {
            report.notes.push(
                "an older program wrote this store: no roll-ups, no archive and no chain over events yet; \
                 recording into it adds them"
                    .into(),
            );
        }
        for id in self.boards()? {
            report.boards += 1;
            report.gaps.extend(self.gaps(id)?);
            let Some(board) = source.board(id)? else {
                continue;
            };
            if self.has_archive {
                check_files(&source, board, &mut report)?;
                check_rollups(&source, board, &mut report)?;
            }
        }
        Ok(report)
    }

    /// The head of the event log as it stands: count and hash.
    ///
    /// # Errors
    /// [`StoreError`]; and a store of an older layout has none.
    pub fn event_head(&self) -> Result<Option<Head>, StoreError> {
        if !self.has_archive {
            return Ok(None);
        }
        chain::head(&self.db).map(Some).map_err(self.failed("read"))
    }

    /// What does not hold in the chain over the event log, a line each; empty when every event is as it was written.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub fn event_log_faults(&self) -> Result<Vec<String>, StoreError> {
        if !self.has_archive {
            return Ok(Vec::new());
        }
        chain::faults(&self.source(), None)
    }

    /// Numbers of events of a board that are missing: each run counts from 0.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub fn gaps(&self, board: BoardId) -> Result<Vec<Gap>, StoreError> {
        let events = self.events(&EventFilter {
            board: Some(board),
            ..EventFilter::default()
        })?;
        let mut said: BTreeMap<EventId, u64> = BTreeMap::new();
        let mut runs: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
        for stored in &events {
            let id = stored.event.id;
            runs.entry(id.boot).or_default().push(id.seq);
            if let EventKind::EventsLost { count } = stored.event.kind {
                *said.entry(id).or_default() += u64::from(count);
            }
        }
        // They came, though what they say is for a newer program.
        for unread in self.unread_events()? {
            if unread.board == board {
                runs.entry(unread.id.boot).or_default().push(unread.id.seq);
            }
        }
        let mut gaps = Vec::new();
        for (boot, mut seqs) in runs {
            seqs.sort_unstable();
            let mut next = 0;
            for seq in seqs {
                if seq > next {
                    gaps.push(Gap {
                        board: board.to_string(),
                        boot,
                        from_seq: next,
                        to_seq: seq - 1,
                        told_lost: false,
                    });
                }
                next = next.max(seq.saturating_add(1));
            }
        }
        // What a board says it lost it can only have lost before it says so.
        for gap in gaps.iter_mut().rev() {
            let after = EventId {
                boot: gap.boot,
                seq: gap.to_seq,
            };
            let mut missing = gap.len();
            let told: u64 = said.range(after..).map(|(_, count)| count).sum();
            gap.told_lost = told >= missing;
            if gap.told_lost {
                for (_, count) in said.range_mut(after..) {
                    let used = missing.min(*count);
                    *count -= used;
                    missing -= used;
                }
            }
        }
        Ok(gaps)
    }
}

fn sqlite_faults(source: &Source) -> Result<Vec<String>, StoreError> {
    let lines: Vec<String> = source
        .db
        .prepare("PRAGMA integrity_check(20)")
        .and_then(|mut query| query.query_map([], |row| row.get(0))?.collect())
        .map_err(source.failed("check"))?;
    Ok(lines
        .into_iter()
        .filter(|line| line != "ok")
        .map(|line| format!("SQLite: {}", line.replace('\n', " ")))
        .collect())
}

/// Readings that an older program had written, or that were damaged then, and that were not understood when the store was brought
/// up to date.
fn unread_rows(source: &Source) -> Result<Option<String>, StoreError> {
    if !source.has_blocks {
        return Ok(None);
    }
    let count: i64 = source
        .db
        .query_row("SELECT count(*) FROM reading_unread", [], |row| row.get(0))
        .map_err(source.failed("check"))?;
    Ok((count > 0).then(|| {
        format!(
            "{count} readings of an older layout could not be understood: they are not given, and stand as they were in the table reading_unread of {}",
            source.dir.join(FILE).display()
        )
    }))
}

/// Files against their hashes, counts and ends; and days that are nowhere.
fn check_files(source: &Source, board: Board, report: &mut Report) -> Result<(), StoreError> {
    for day in archive::days(source, board)?
        .iter()
        .filter(|day| !day.dropped)
    {
        report.files += 1;
        let path = archive::file(source.dir, board.id, day.date);
        let name = format!("board {}, {}", board.id, date_words(day.date));
        let bytes = match bytes_of(&path) {
            Err(fault) => {
                report.faults.push(fault.to_string());
                continue;
            }
            Ok((bytes, sha256)) if sha256 == day.sha256 => bytes,
            Ok(_) => match archive::load(source, board, day) {
                Ok(_) => {
                    report
                        .notes
                        .push(format!("{name}: sealing was cut short; it is done again"));
                    continue;
                }
                Err(fault) => {
                    report.faults.push(fault.to_string());
                    continue;
                }
            },
        };
        let (mut rows, mut ends) = (0, None);
        let whole = archive::DayRows::open(bytes, &path).and_then(|mut all| {
            all.try_for_each(|row| {
                let t_us = row?.t_us;
                rows += 1;
                ends = Some((ends.map_or(t_us, |(from, _)| from), t_us));
                Ok(())
            })
        });
        if let Err(fault) = whole {
            report.faults.push(fault.to_string());
        } else if rows != day.rows || ends != Some((day.from_us, day.to_us)) {
            report.faults.push(format!(
                "{name}: the file holds {rows} readings, the record says {}, or they are of another time",
                day.rows
            ));
        }
    }
    for stray in archive::strays(source, board)? {
        report.notes.push(format!(
            "{stray} is not recorded and not read: left by a sealing that was cut short, or put there by hand"
        ));
    }
    Ok(())
}

/// Every roll-up that stands against one worked out of the rows; a day at a time.
fn check_rollups(source: &Source, board: Board, report: &mut Report) -> Result<(), StoreError> {
    let dropped: Vec<i64> = archive::days(source, board)?
        .iter()
        .filter(|day| day.dropped)
        .map(|day| day.date)
        .collect();
    for date in days_with_anything(source, board)? {
        if dropped.binary_search(&date).is_ok() {
            continue; // roll-ups are all that is left of it
        }
        if let Err(fault) = check_day(source, board, date, report) {
            report.faults.push(fault.to_string());
        }
    }
    Ok(())
}

/// Days of which there is anything, each once: a clock gone wild may lie centuries from the rest, and the days between are many.
fn days_with_anything(source: &Source, board: Board) -> Result<BTreeSet<i64>, StoreError> {
    let mut found: BTreeSet<i64> = archive::days(source, board)?
        .iter()
        .map(|day| day.date)
        .collect();
    // From one day's end to the next row behind it.
    let mut add = |next: &dyn Fn(i64) -> Result<Option<i64>, StoreError>| {
        let mut from_us = i64::MIN;
        loop {
            let Some(t_us) = next(from_us)? else {
                return Ok::<_, StoreError>(());
            };
            let date = t_us.div_euclid(Level::Day.length_us());
            found.insert(date);
            from_us = day_us(date).end;
            if from_us <= t_us {
                return Ok(()); // the end of time
            }
        }
    };
    for level in [Level::Minute, Level::Hour, Level::Day] {
        add(&|from_us| {
            source
                .db
                .prepare_cached(
                    "SELECT min(start_us) FROM rollup WHERE board = ?1 AND start_us >= ?2 AND level = ?3",
                )
                .and_then(|mut query| {
                    query.query_row(params![board.key, from_us, level.length_us()], |row| {
                        row.get(0)
                    })
                })
                .map_err(source.failed("read"))
        })?;
    }
    add(&|from_us| source.next_hot(board, from_us))?;
    Ok(found)
}

fn check_day(
    source: &Source,
    board: Board,
    date: i64,
    report: &mut Report,
) -> Result<(), StoreError> {
    let _still = source.hold_still()?;
    let range = day_us(date);
    let stale = keep::stale(source, board, &range)?;
    let minutes = read::stored(source, board, Level::Minute, &range)?;
    let mut minutes: BTreeMap<i64, _> = minutes.into_iter().collect();
    let mut hours: BTreeMap<i64, _> = read::stored(source, board, Level::Hour, &range)?
        .into_iter()
        .collect();
    let mut wrong: Vec<i64> = Vec::new();
    let mut day = super::Rollup::default();
    let mut is_whole = true;
    let mut worked_out = keep::work_out_day(source, board, &range)?;
    for hour_us in range.clone().step_by(Level::Hour.length_us() as usize) {
        let hour_range = hour_us..hour_us.saturating_add(Level::Hour.length_us());
        let hour = worked_out.remove(&hour_us).unwrap_or_default();
        report.readings += hour.rollup.readings;
        day.merge(&hour.rollup);
        let stand: Vec<i64> = minutes.range(hour_range).map(|(start, _)| *start).collect();
        let stand: Vec<_> = stand
            .into_iter()
            .filter_map(|start| minutes.remove(&start).map(|minute| (start, minute)))
            .collect();
        let hour_stands = hours.remove(&hour_us);
        if stale.binary_search(&hour_us).is_ok() {
            is_whole = false;
            continue; // worked out of the rows whenever it is asked for
        }
        report.rollups += 1 + stand.len() as u64;
        let rows = read::stored_rows(source, board, hour_us)?.unwrap_or_default();
        if stand != hour.minutes
            || hour_stands.unwrap_or_default() != hour.rollup
            || !keep::same_rows(&rows, &hour.rows)
        {
            wrong.push(hour_us);
        }
    }
    if is_whole {
        report.rollups += 1;
        let stands = read::stored(
            source,
            board,
            Level::Day,
            &(range.start..range.start.saturating_add(1)),
        )?;
        if stands
            .into_iter()
            .next()
            .map(|(_, day)| day)
            .unwrap_or_default()
            != day
        {
            report.faults.push(format!(
                "board {}: the roll-up of {} is not that of its readings",
                board.id,
                date_words(date)
            ));
        }
    }
    for hour_us in wrong {
        let hour = (hour_us - range.start) / Level::Hour.length_us();
        report.faults.push(format!(
            "board {}: roll-ups of {} {hour:02}:00 are not those of its readings",
            board.id,
            date_words(date)
        ));
    }
    Ok(())
}
