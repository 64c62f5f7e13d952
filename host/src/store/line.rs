//! How the lines to a board did, day by day: what a period's report says of them.

use super::{Store, StoreError, schema};
use ohmward_proto::decoder::DecoderCounts;
use ohmward_proto::message::BoardId;
use rusqlite::params;
use std::ops::Range;

const DAY_US: i64 = 86_400_000_000;

/// What a line carried for a while.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LineCounts {
    /// Frames that came whole.
    pub frames: u64,
    /// Frames that came damaged and were dropped.
    pub damaged: u64,
    /// Sound frames of a kind that this program does not know.
    pub unknown: u64,
    /// Times the line went away while a board was on it.
    pub breaks: u64,
}

impl LineCounts {
    /// What was received since `before`, on the same line.
    #[must_use]
    pub fn since(now: DecoderCounts, before: DecoderCounts) -> Self {
        let dropped = |counts: DecoderCounts| counts.bad_crc + counts.bad_form;
        Self {
            frames: now.messages.saturating_sub(before.messages),
            damaged: dropped(now).saturating_sub(dropped(before)),
            unknown: now.unknown.saturating_sub(before.unknown),
            breaks: 0,
        }
    }
}

/// The day that a moment of this computer's clock is in: days since 1970-01-01, UTC.
pub(super) fn day_of(host_us: i64) -> i64 {
    host_us.div_euclid(DAY_US)
}

impl Store {
    /// How the lines to a board did on the days that a time (Unix microseconds) touches. `None`: not counted then; the program that
    /// recorded was older, or the board was simulated in the recorder itself.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn line(
        &self,
        board: BoardId,
        range: &Range<i64>,
    ) -> Result<Option<LineCounts>, StoreError> {
        let failed = self.failed("read");
        if !schema::has_lines(&self.db).map_err(&failed)? {
            return Ok(None);
        }
        // Of a damaged file they may be any.
        let count = |row: &rusqlite::Row, k| row.get::<_, i64>(k).map(|n| n.max(0) as u64);
        let read = |row: &rusqlite::Row| {
            Ok(LineCounts {
                frames: count(row, 0)?,
                damaged: count(row, 1)?,
                unknown: count(row, 2)?,
                breaks: count(row, 3)?,
            })
        };
        let days: Vec<LineCounts> = self
            .db
            .prepare_cached(
                "SELECT frames, damaged, unknown, breaks FROM line_day JOIN board ON board.key = line_day.board
                 WHERE board.id = ?1 AND day BETWEEN ?2 AND ?3",
            )
            .and_then(|mut query| {
                let (first, last) = (day_of(range.start), day_of(range.end.saturating_sub(1)));
                query
                    .query_map(params![board.to_string(), first, last], read)?
                    .collect()
            })
            .map_err(failed)?;
        Ok(days.into_iter().reduce(|sum, day| LineCounts {
            frames: sum.frames.saturating_add(day.frames),
            damaged: sum.damaged.saturating_add(day.damaged),
            unknown: sum.unknown.saturating_add(day.unknown),
            breaks: sum.breaks.saturating_add(day.breaks),
        }))
    }
}
