//! What the store gives back. A row that cannot be understood is an error that names it.

use super::reduce::Reducer;
use super::{Store, StoreError, rollup};
use ohmward_proto::message::{BoardId, CaptureHead};
use ohmward_proto::{Codes, Event, EventId, Reading, SampleIndex, Settings};
use rusqlite::{OptionalExtension, params, types::Value};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// One run of a board: from a start to the next.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Run {
    /// Starts of the board so far.
    pub boot: u32,
    /// Samples per second and channel.
    pub sample_rate_hz: u32,
    /// Firmware, "major.minor.patch".
    pub firmware: String,
    /// Protocol version of the firmware.
    pub protocol: u16,
    /// Calibration in force.
    pub calibration_id: u32,
    /// Hash of the settings in force when first seen.
    pub settings_hash: u32,
    /// The sample counter when first seen.
    pub at: SampleIndex,
    /// Unix time in ms of sample 0, if the board has a wall clock.
    pub epoch_unix_ms: Option<i64>,
    /// When first seen, Unix microseconds.
    pub first_seen_us: i64,
}

/// Which events to list. The default is all of them.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct EventFilter {
    /// Of one board only.
    pub board: Option<BoardId>,
    /// From this moment on, Unix microseconds.
    pub from_us: Option<i64>,
    /// Before this moment, Unix microseconds.
    pub to_us: Option<i64>,
    /// Of these kinds only, as [`crate::store::event_kind_word`] says them; empty means every kind.
    pub kinds: Vec<String>,
    /// The newest so many.
    pub limit: Option<usize>,
}

/// An event as it was kept.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StoredEvent {
    /// The board.
    pub board: BoardId,
    /// When, Unix microseconds.
    pub t_us: i64,
    /// When it came, Unix microseconds; not known of events kept before this was noted.
    pub host_us: Option<i64>,
    /// `t_us` is within ± this many microseconds; `None`: the board's own clock was believed, or there is no bound.
    pub t_sigma_us: Option<i64>,
    /// What.
    pub event: Event,
}

/// An event that only a newer program can read.
#[derive(Clone, PartialEq, Debug)]
pub struct UnreadEvent {
    /// The board.
    pub board: BoardId,
    /// Its number.
    pub id: EventId,
    /// When, Unix microseconds.
    pub t_us: i64,
    /// As the board sent it, postcard.
    pub message: Vec<u8>,
}

/// A reading as it was kept. A NaN in it is one the board sent.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct StoredReading {
    /// The board's run.
    pub boot: u32,
    /// When, Unix microseconds.
    pub t_us: i64,
    /// What.
    pub reading: Reading,
}

impl StoredReading {
    /// The same, bit by bit: a NaN is the same as a NaN.
    #[must_use]
    pub fn is_same(&self, other: &Self) -> bool {
        self == other || format!("{self:?}") == format!("{other:?}")
    }
}

/// Readings over a time, in order.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Readings {
    /// All of them, or, when there are too many, those that carry the extremes.
    pub rows: Vec<StoredReading>,
    /// How many are stored over that time.
    pub stored: u64,
    /// Neighbours in `rows` that are further apart than this have a gap in the record between them; microseconds.
    pub spacing_us: i64,
}

/// A captured waveform.
#[derive(Clone, PartialEq, Debug)]
pub struct Capture {
    /// When, how long, and the scales.
    pub head: CaptureHead,
    /// One entry a sample; `None` for a sample that never arrived.
    pub codes: Vec<Option<Codes>>,
}

impl Capture {
    /// Every sample, if every sample is there.
    #[must_use]
    pub fn complete(&self) -> Option<Vec<Codes>> {
        self.codes.iter().copied().collect()
    }
}

impl Store {
    /// Every board that is known, in the order of their numbers.
    pub fn boards(&self) -> Result<Vec<BoardId>, StoreError> {
        let failed = self.failed("read");
        let mut query = self
            .db
            .prepare_cached("SELECT id FROM board ORDER BY id")
            .map_err(&failed)?;
        let ids = query
            .query_map([], |row| row.get::<_, String>(0))
            .map_err(&failed)?;
        ids.map(|id| self.source().board_id(&id.map_err(&failed)?))
            .collect()
    }

    /// Refuses a board that the store does not know.
    ///
    /// # Errors
    /// [`StoreError::NoBoard`], which names those that it knows.
    pub fn require(&self, board: BoardId) -> Result<(), StoreError> {
        let known = self.boards()?;
        if known.contains(&board) {
            return Ok(());
        }
        let known: Vec<_> = known.iter().map(ToString::to_string).collect();
        Err(StoreError::NoBoard {
            board,
            dir: self.dir.clone(),
            known: known.join(", "),
        })
    }

    /// The runs of a board, oldest first.
    pub fn runs(&self, board: BoardId) -> Result<Vec<Run>, StoreError> {
        let failed = self.failed("read");
        let mut query = self
            .db
            .prepare_cached(
                "SELECT boot, sample_rate_hz, firmware, protocol, calibration_id, settings_hash, at_sample,
                        epoch_unix_ms, first_seen_us
                 FROM run WHERE board = (SELECT key FROM board WHERE id = ?1) ORDER BY first_seen_us, boot",
            )
            .map_err(&failed)?;
        let runs = query
            .query_map([board.to_string()], |row| {
                Ok(Run {
                    boot: row.get(0)?,
                    sample_rate_hz: row.get(1)?,
                    firmware: row.get(2)?,
                    protocol: row.get(3)?,
                    calibration_id: row.get(4)?,
                    settings_hash: row.get(5)?,
                    at: SampleIndex(row.get::<_, i64>(6)? as u64),
                    epoch_unix_ms: row.get(7)?,
                    first_seen_us: row.get(8)?,
                })
            })
            .map_err(&failed)?;
        runs.collect::<Result<_, _>>().map_err(&failed)
    }

    /// Events, by time.
    pub fn events(&self, filter: &EventFilter) -> Result<Vec<StoredEvent>, StoreError> {
        let failed = self.failed("read");
        let times = if self.has_event_times()? {
            "host_us, t_sigma_us"
        } else {
            "NULL AS host_us, NULL AS t_sigma_us"
        };
        let mut sql = format!(
            "SELECT id, boot, seq, t_us, {times}, message FROM every_event
             JOIN board ON board.key = every_event.board WHERE 1",
        );
        let mut values: Vec<Value> = Vec::new();
        let mut bind = |sql: &mut String, text: &str, value: Value| {
            values.push(value);
            sql.push_str(&text.replace('?', &format!("?{}", values.len())));
        };
        if let Some(board) = filter.board {
            bind(&mut sql, " AND id = ?", Value::Text(board.to_string()));
        }
        if let Some(from_us) = filter.from_us {
            bind(&mut sql, " AND t_us >= ?", Value::Integer(from_us));
        }
        if let Some(to_us) = filter.to_us {
            bind(&mut sql, " AND t_us < ?", Value::Integer(to_us));
        }
        for (k, kind) in filter.kinds.iter().enumerate() {
            let text = if k == 0 {
                " AND (kind = ?"
            } else {
                " OR kind = ?"
            };
            bind(&mut sql, text, Value::Text(kind.clone()));
        }
        if !filter.kinds.is_empty() {
            sql.push(')');
        }
        sql.push_str(" ORDER BY t_us DESC, boot DESC, seq DESC");
        if let Some(limit) = filter.limit {
            let limit = i64::try_from(limit).unwrap_or(i64::MAX);
            bind(&mut sql, " LIMIT ?", Value::Integer(limit));
        }

        let mut query = self.db.prepare_cached(&sql).map_err(&failed)?;
        let mut rows = query
            .query(rusqlite::params_from_iter(values))
            .map_err(&failed)?;
        let mut events = Vec::new();
        while let Some(row) = rows.next().map_err(&failed)? {
            let id: String = row.get("id").map_err(&failed)?;
            let boot: u32 = row.get("boot").map_err(&failed)?;
            let seq: u32 = row.get("seq").map_err(&failed)?;
            let message: Vec<u8> = row.get("message").map_err(&failed)?;
            events.push(StoredEvent {
                board: self.source().board_id(&id)?,
                t_us: row.get("t_us").map_err(&failed)?,
                host_us: row.get("host_us").map_err(&failed)?,
                t_sigma_us: row.get("t_sigma_us").map_err(&failed)?,
                event: self.decode(&message, || format!("event {boot}.{seq} of board {id}"))?,
            });
        }
        events.reverse();
        Ok(events)
    }

    /// Events of kinds that this program does not know, in the order of their numbers. They are kept and acknowledged; a newer
    /// program that opens the store to write takes them in among the others.
    pub fn unread_events(&self) -> Result<Vec<UnreadEvent>, StoreError> {
        if !self.has_event_times()? {
            return Ok(Vec::new());
        }
        let failed = self.failed("read");
        let mut query = self
            .db
            .prepare_cached(
                "SELECT id, boot, seq, t_us, message FROM event_unread JOIN board ON board.key = event_unread.board
                 ORDER BY id, boot, seq",
            )
            .map_err(&failed)?;
        let mut rows = query.query([]).map_err(&failed)?;
        let mut events = Vec::new();
        while let Some(row) = rows.next().map_err(&failed)? {
            let id: String = row.get(0).map_err(&failed)?;
            events.push(UnreadEvent {
                board: self.source().board_id(&id)?,
                id: EventId {
                    boot: row.get(1).map_err(&failed)?,
                    seq: row.get(2).map_err(&failed)?,
                },
                t_us: row.get(3).map_err(&failed)?,
                message: row.get(4).map_err(&failed)?,
            });
        }
        Ok(events)
    }

    /// A store of version 1 or 2, opened for reading, does not have what version 3 added.
    fn has_event_times(&self) -> Result<bool, StoreError> {
        self.db
            .pragma_query_value(None, "user_version", |row| row.get::<_, i64>(0))
            .map(|version| version >= 3)
            .map_err(self.failed("read"))
    }

    /// Readings of a board over `from..to` (Unix microseconds), at most `at_most` of them.
    ///
    /// When there are more, the time is cut into equal buckets and of each bucket those rows are given that hold: its ends; the
    /// extremes of DC and RMS bond current, and of leakage (each pole, and both together); its first and last row without
    /// a value; its worst state. So no excursion and no gap disappears. Fewer than 16 asked for gives up to 16. Buckets of half an hour and
    /// more become whole hours, UTC, and come from roll-ups: a year is read in a fraction of a second. Of what a rule has dropped
    /// that is all there is.
    pub fn readings(
        &self,
        board: BoardId,
        range: Range<i64>,
        at_most: usize,
    ) -> Result<Readings, StoreError> {
        let source = self.source();
        let Some(board) = source.board(board)? else {
            return Ok(Readings::default());
        };
        let stored = source.count(board, &range)?;
        if usize::try_from(stored).is_ok_and(|stored| stored > at_most)
            && let Some(readings) = rollup::read::long(&source, board, &range, at_most)?
        {
            return Ok(readings);
        }
        let mut reducer = Reducer::new(range.clone(), stored, at_most);
        source.each(board, &range, |row| {
            reducer.take(row);
            Ok(())
        })?;
        Ok(reducer.finish())
    }

    /// Gives every reading of a board over `range` (Unix microseconds) to `take`, by time, one at a time: for as long a time as one likes.
    ///
    /// # Errors
    /// What cannot be read; what `take` gives ends it.
    pub fn each_reading<E: From<StoreError>>(
        &self,
        board: BoardId,
        range: &Range<i64>,
        take: impl FnMut(StoredReading) -> Result<(), E>,
    ) -> Result<(), E> {
        let source = self.source();
        match source.board(board)? {
            Some(board) => source.each(board, range, take),
            None => Ok(()),
        }
    }

    /// The newest reading of a board.
    pub fn latest_reading(&self, board: BoardId) -> Result<Option<StoredReading>, StoreError> {
        let source = self.source();
        let Some(board) = source.board(board)? else {
            return Ok(None);
        };
        let mut newest_us = source.hot_ends(board)?.map(|(_, last_us)| last_us);
        if self.has_archive {
            let archived: Option<i64> = self
                .db
                .prepare_cached(
                    "SELECT max(to_us) FROM archive_day WHERE board = ?1 AND NOT dropped",
                )
                .and_then(|mut query| query.query_row([board.key], |row| row.get(0)))
                .map_err(self.failed("read"))?;
            newest_us = newest_us.max(archived);
        }
        let Some(newest_us) = newest_us else {
            return Ok(None);
        };
        let mut newest = None;
        source.each(board, &(newest_us..newest_us.saturating_add(1)), |row| {
            newest = Some(row);
            Ok(())
        })?;
        Ok(newest)
    }

    /// First and last moment of which there is a reading or an event of a board; Unix microseconds.
    pub fn span(&self, board: BoardId) -> Result<Option<(i64, i64)>, StoreError> {
        let source = self.source();
        let Some(board) = source.board(board)? else {
            return Ok(None);
        };
        let archived = if self.has_archive {
            " UNION ALL SELECT from_us FROM archive_day WHERE board = ?1 AND NOT dropped
              UNION ALL SELECT to_us FROM archive_day WHERE board = ?1 AND NOT dropped"
        } else {
            ""
        };
        let rest: (Option<i64>, Option<i64>) = self
            .db
            .prepare_cached(&format!(
                "SELECT min(t_us), max(t_us) FROM (
                    SELECT min(t_us) AS t_us FROM event WHERE board = ?1 UNION ALL
                    SELECT max(t_us) FROM event WHERE board = ?1{archived})",
            ))
            .and_then(|mut query| {
                query.query_row([board.key], |row| Ok((row.get(0)?, row.get(1)?)))
            })
            .map_err(self.failed("read"))?;
        let ends = [source.hot_ends(board)?, rest.0.zip(rest.1)];
        Ok(ends
            .into_iter()
            .flatten()
            .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))))
    }

    /// Events of a board that have a captured waveform, and whether it is whole.
    pub fn captures(&self, board: BoardId) -> Result<Vec<(EventId, bool)>, StoreError> {
        let failed = self.failed("read");
        let mut query = self
            .db
            .prepare_cached(
                "SELECT boot, seq, complete FROM capture
                 WHERE board = (SELECT key FROM board WHERE id = ?1) ORDER BY boot, seq",
            )
            .map_err(&failed)?;
        let captures = query
            .query_map([board.to_string()], |row| {
                let (boot, seq) = (row.get(0)?, row.get(1)?);
                Ok((EventId { boot, seq }, row.get(2)?))
            })
            .map_err(&failed)?;
        captures.collect::<Result<_, _>>().map_err(&failed)
    }

    /// The waveform captured at an event, whole or not; `None` without a head.
    pub fn capture(&self, board: BoardId, event: EventId) -> Result<Option<Capture>, StoreError> {
        let failed = self.failed("read");
        let of = params![board.to_string(), event.boot, event.seq];
        let name = || format!("capture {event} of board {board}");
        let head: Option<Vec<u8>> = self
            .db
            .prepare_cached(
                "SELECT head FROM capture
                 WHERE board = (SELECT key FROM board WHERE id = ?1) AND boot = ?2 AND seq = ?3",
            )
            .and_then(|mut query| query.query_row(of, |row| row.get(0)).optional())
            .map_err(&failed)?;
        let Some(head) = head else { return Ok(None) };
        let head: CaptureHead = self.decode(&head, name)?;

        let mut codes = vec![None; usize::from(head.samples)];
        let mut query = self
            .db
            .prepare_cached(
                "SELECT offset, codes FROM capture_part
                 WHERE board = (SELECT key FROM board WHERE id = ?1) AND boot = ?2 AND seq = ?3",
            )
            .map_err(&failed)?;
        let mut rows = query.query(of).map_err(&failed)?;
        while let Some(row) = rows.next().map_err(&failed)? {
            let offset: u16 = row.get(0).map_err(&failed)?;
            let part: Vec<u8> = row.get(1).map_err(&failed)?;
            let part: Vec<Codes> =
                self.decode(&part, || format!("the part at {offset} of {}", name()))?;
            let places = codes.iter_mut().skip(usize::from(offset));
            places
                .zip(part)
                .for_each(|(place, code)| *place = Some(code));
        }
        Ok(Some(Capture { head, codes }))
    }

    /// The settings last heard from a board.
    pub fn settings(&self, board: BoardId) -> Result<Option<Settings>, StoreError> {
        let stored: Option<Vec<u8>> = self
            .db
            .prepare_cached(
                "SELECT settings FROM settings WHERE board = (SELECT key FROM board WHERE id = ?1)
                 ORDER BY seen DESC LIMIT 1",
            )
            .and_then(|mut query| {
                query
                    .query_row([board.to_string()], |row| row.get(0))
                    .optional()
            })
            .map_err(self.failed("read"))?;
        stored
            .map(|stored| self.decode(&stored, || format!("settings of board {board}")))
            .transpose()
    }

    fn decode<T: DeserializeOwned>(
        &self,
        bytes: &[u8],
        row: impl Fn() -> String,
    ) -> Result<T, StoreError> {
        let undecodable = |why: String| StoreError::Undecodable {
            row: row(),
            file: self.file(),
            why,
        };
        match postcard::take_from_bytes(bytes) {
            Ok((value, [])) => Ok(value),
            Ok((_, rest)) => Err(undecodable(format!("{} bytes too many", rest.len()))),
            Err(fault) => Err(undecodable(fault.to_string())),
        }
    }
}
