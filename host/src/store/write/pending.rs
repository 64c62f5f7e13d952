//! New readings of a batch: whether they are new, and where they wait until their blocks are written once each.

use crate::store::StoredReading;
use crate::store::blocks::{self, Place};
use rusqlite::Connection;
use std::collections::{BTreeMap, HashMap, HashSet};

/// The highest count of each run (board and boot) that was put into the tables, as far as batches asked for it; `None` before the first. Too high
/// after a batch that failed, never too low: what lies above it need not be looked up.
pub type Reached = HashMap<(i64, u32), Option<u64>>;

/// Readings that wait for the end of the batch.
#[derive(Default)]
pub(super) struct Pending {
    of: BTreeMap<Place, Vec<StoredReading>>,
    looked_up: Option<LookedUp>,
}

/// The piece of a run that was looked up last, and the counts in it.
struct LookedUp {
    board: i64,
    boot: u32,
    slot: i64,
    counts: HashSet<u64>,
}

impl LookedUp {
    fn is(&self, board: i64, boot: u32, slot: i64) -> bool {
        (self.board, self.boot, self.slot) == (board, boot, slot)
    }
}

impl Pending {
    /// Takes a reading; `false`, and it is not taken, when its run and count are known.
    pub(super) fn take(
        &mut self,
        db: &Connection,
        reached: &mut Reached,
        board: i64,
        row: &StoredReading,
    ) -> rusqlite::Result<bool> {
        let (boot, at) = (row.boot, row.reading.at.0);
        let slot = blocks::slot(at);
        let highest = match reached.get_mut(&(board, boot)) {
            Some(highest) => highest,
            None => reached
                .entry((board, boot))
                .or_insert(blocks::reached(db, board, boot)?),
        };
        // Nearly always it is newer than all there is.
        if highest.is_none_or(|highest| at > highest) {
            *highest = Some(at);
        } else {
            if !self
                .looked_up
                .as_ref()
                .is_some_and(|known| known.is(board, boot, slot))
            {
                self.look_up(db, board, boot, slot)?;
            }
            let known = self.looked_up.as_ref();
            if known.is_some_and(|known| known.counts.contains(&at)) {
                return Ok(false);
            }
        }
        if let Some(known) = &mut self.looked_up
            && known.is(board, boot, slot)
        {
            known.counts.insert(at);
        }
        let waiting = self.of.entry(Place::of(board, row)).or_default();
        waiting.push(*row);
        Ok(true)
    }

    fn look_up(
        &mut self,
        db: &Connection,
        board: i64,
        boot: u32,
        slot: i64,
    ) -> rusqlite::Result<()> {
        self.put(db)?;
        self.looked_up = Some(LookedUp {
            board,
            boot,
            slot,
            counts: blocks::counts(db, board, boot, slot)?.into_iter().collect(),
        });
        Ok(())
    }

    /// Puts what waits into the tables.
    pub(super) fn put(&mut self, db: &Connection) -> rusqlite::Result<()> {
        std::mem::take(&mut self.of)
            .iter()
            .try_for_each(|(place, rows)| blocks::put(db, *place, rows))
    }
}
