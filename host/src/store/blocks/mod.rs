//! Readings in the tables: those of a run that lie within a minute together, as one row of the table `reading_block`.
//!
//! A row a reading costs SQLite more to step over and to remove than all the rest of sealing; here that is shared by a minute.
//! A reading that comes is put to the others of its minute: that writes the very page that a row of its own would.
//!
//! - this file: which readings stand in a block, and how they are put there and read. - [`body`]: what stands in it, byte by byte.
//! - [`by_row`]: a row a reading, as layouts before 8 had them.

pub mod body;
pub mod by_row;

use super::rollup::Level;
use super::rows::{Board, Source, order};
use super::{FILE, StoreError, StoredReading};
use rusqlite::{Connection, OptionalExtension, params};
use std::ops::Range;

/// Readings in a block: at the usual one a second it is the minute that ends one. It is written anew for every reading that comes.
const MOST: usize = 128;
/// Counts of one run are cut into pieces of 2²⁰ (some four minutes at 4000 samples a second), so that a count is found by its piece.
const SLOT_BITS: u32 = 20;

/// Which block a reading belongs to. There may be several of the same place: full ones, and one that is not.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Place {
    /// The board's key in the tables.
    board: i64,
    minute_us: i64,
    boot: u32,
    slot: i64,
}

impl Place {
    /// The place of a reading.
    pub fn of(board: i64, row: &StoredReading) -> Self {
        Self {
            board,
            minute_us: minute_us(row.t_us),
            boot: row.boot,
            slot: slot(row.reading.at.0),
        }
    }
}

/// Where the minute of a block begins. The last moment that a number holds lies in no range: it is kept apart from what does.
pub fn minute_us(t_us: i64) -> i64 {
    if t_us == i64::MAX {
        t_us
    } else {
        Level::Minute.start_us(t_us)
    }
}

/// The piece of its run's counts in which a count lies.
pub fn slot(at: u64) -> i64 {
    (at >> SLOT_BITS) as i64
}

/// Puts readings of one place, which the tables do not hold, into its blocks. Within a transaction.
pub fn put(db: &Connection, place: Place, rows: &[StoredReading]) -> rusqlite::Result<()> {
    let Place {
        board,
        minute_us,
        boot,
        slot,
    } = place;
    let encode = |rows: &[StoredReading]| {
        body::encode(minute_us, rows)
            .map_err(|fault| rusqlite::Error::ToSqlConversionFailure(Box::new(fault)))
    };
    let last: Option<(i64, Vec<u8>)> = db
        .prepare_cached(
            "SELECT key, CASE WHEN readings < ?5 THEN body ELSE x'' END FROM reading_block
             WHERE board = ?1 AND boot = ?2 AND at_slot = ?3 AND minute_us = ?4 ORDER BY key DESC LIMIT 1",
        )?
        .query_row(params![board, boot, slot, minute_us, MOST as i64], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .optional()?;
    let mut rest = rows;
    if let Some((key, body)) = last {
        let mut open = Vec::with_capacity(MOST);
        // What is full, or cannot be understood, is left as it is.
        if body::each(&body, (minute_us, boot), |row| open.push(row)).is_ok() && open.len() < MOST {
            let fit = rows.len().min(MOST - open.len());
            open.extend_from_slice(&rows[..fit]);
            rest = &rows[fit..];
            db.prepare_cached("UPDATE reading_block SET readings = ?2, body = ?3 WHERE key = ?1")?
                .execute(params![key, open.len() as i64, encode(&open)?])?;
        }
    }
    for rows in rest.chunks(MOST) {
        db.prepare_cached(
            "INSERT INTO reading_block (board, minute_us, boot, at_slot, readings, body) VALUES (?1,?2,?3,?4,?5,?6)",
        )?
        .execute(params![
            board,
            minute_us,
            boot,
            slot,
            rows.len() as i64,
            encode(rows)?
        ])?;
    }
    Ok(())
}

/// Counts of a run that stand in the tables, of one [`slot`]; those of a block that cannot be understood are left out.
pub fn counts(db: &Connection, board: i64, boot: u32, slot: i64) -> rusqlite::Result<Vec<u64>> {
    let mut query = db.prepare_cached(
        "SELECT minute_us, body FROM reading_block WHERE board = ?1 AND boot = ?2 AND at_slot = ?3",
    )?;
    let mut blocks = query.query(params![board, boot, slot])?;
    let mut counts = Vec::new();
    while let Some(block) = blocks.next()? {
        let body = block.get_ref(1)?.as_blob().unwrap_or_default();
        let before = counts.len();
        let all = body::each(body, (block.get(0)?, boot), |row| {
            counts.push(row.reading.at.0);
        });
        if all.is_err() {
            counts.truncate(before);
        }
    }
    Ok(counts)
}

/// The highest count of a run that stands in the tables.
pub fn reached(db: &Connection, board: i64, boot: u32) -> rusqlite::Result<Option<u64>> {
    let last: Option<i64> = db
        .prepare_cached("SELECT max(at_slot) FROM reading_block WHERE board = ?1 AND boot = ?2")?
        .query_row(params![board, boot], |row| row.get(0))?;
    let Some(last) = last else { return Ok(None) };
    let highest = counts(db, board, boot, last)?.into_iter().max();
    Ok(Some(highest.unwrap_or((last as u64) << SLOT_BITS)))
}

/// Gives the readings of a board over `range` by time, those of a minute together.
///
/// # Errors
/// What cannot be read or understood; what `take` gives ends it.
pub fn each_minute<E: From<StoreError>>(
    source: &Source,
    board: Board,
    range: &Range<i64>,
    mut take: impl FnMut(&[StoredReading]) -> Result<(), E>,
) -> Result<(), E> {
    let failed = source.failed("read");
    let mut query = source
        .db
        .prepare_cached(
            "SELECT minute_us, boot, body, readings FROM reading_block WHERE board = ?1 AND minute_us >= ?2 AND minute_us < ?3
             ORDER BY minute_us, key",
        )
        .map_err(&failed)?;
    let mut blocks = query
        .query(params![board.key, minute_us(range.start), range.end])
        .map_err(&failed)?;
    let mut rows: Vec<StoredReading> = Vec::with_capacity(MOST);
    let mut of_us = i64::MIN;
    let mut give = |rows: &mut Vec<StoredReading>, of_us: i64| {
        if rows.is_empty() {
            return Ok(());
        }
        if !rows.is_sorted_by_key(order) {
            rows.sort_unstable_by_key(order);
        }
        if of_us < range.start || of_us.saturating_add(Level::Minute.length_us()) > range.end {
            rows.retain(|row| range.contains(&row.t_us));
        }
        take(rows)?;
        rows.clear();
        Ok::<_, E>(())
    };
    while let Some(block) = blocks.next().map_err(&failed)? {
        let minute_us = block.get(0).map_err(&failed)?;
        if minute_us != of_us {
            give(&mut rows, of_us)?;
            of_us = minute_us;
        }
        let boot = block.get(1).map_err(&failed)?;
        // What is no bytes at all is no body either.
        let body = block.get_ref(2).map_err(&failed)?;
        let body = body.as_blob().unwrap_or_default();
        let told: i64 = block.get(3).map_err(&failed)?;
        let before = rows.len();
        body::each(body, (minute_us, boot), |row| rows.push(row))
            .and_then(|()| match rows.len() - before {
                held if held as i64 == told => Ok(()),
                held => Err(format!("it holds {held} readings and says {told}")),
            })
            .map_err(|why| StoreError::Undecodable {
                row: format!(
                    "a block of readings of run {boot} of board {} in the minute from {}",
                    board.id,
                    time_words(minute_us)
                ),
                file: source.dir.join(FILE),
                why,
            })?;
    }
    give(&mut rows, of_us)
}

fn time_words(t_us: i64) -> String {
    jiff::Timestamp::from_microsecond(t_us)
        .map_or_else(|_| format!("{t_us} µs"), |time| time.to_string())
}
