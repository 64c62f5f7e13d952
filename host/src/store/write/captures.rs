//! Captured waveforms: heads and pieces in any order, any number of times.

use super::{Batch, blob, json};
use ohmward_proto::EventId;
use ohmward_proto::message::{BoardId, CaptureHead, CapturePart, PART_SAMPLES};
use rusqlite::{OptionalExtension, params};

impl Batch<'_> {
    pub(super) fn head(&mut self, board: BoardId, head: &CaptureHead) -> rusqlite::Result<bool> {
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

    pub(super) fn part(&mut self, board: BoardId, part: &CapturePart) -> rusqlite::Result<bool> {
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
    pub(super) fn completes(&mut self, board: BoardId, event: EventId) -> rusqlite::Result<bool> {
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

/// Bits of the pieces that lie wholly within `from..to`; the last piece of a capture may be short.
fn pieces(from: i64, to: i64, samples: i64) -> u64 {
    let piece = PART_SAMPLES as i64;
    (0..64)
        .filter(|k| {
            k * piece >= from && k * piece < samples && ((k + 1) * piece).min(samples) <= to
        })
        .fold(0, |bits, k| bits | 1 << k)
}
