//! What a reader that stays open asks again and again, in little time however much is stored.

use super::{LOCK, Store, StoreError};
use ohmward_proto::message::BoardId;
use rusqlite::params;
use std::fs::{File, TryLockError};
use std::path::Path;

impl Store {
    /// Boards of which events were kept after the first `seen` of the whole store, and how many there are now. A store of a layout
    /// without a chain over its events says nothing: `None`.
    ///
    /// # Errors
    /// [`StoreError`], when it cannot be read.
    pub fn boards_with_events_after(
        &self,
        seen: u64,
    ) -> Result<Option<(u64, Vec<BoardId>)>, StoreError> {
        if !self.has_archive {
            return Ok(None);
        }
        let failed = self.failed("read");
        let count: Option<i64> = self
            .db
            .prepare_cached("SELECT max(n) FROM event_chain")
            .and_then(|mut query| query.query_row([], |row| row.get(0)))
            .map_err(&failed)?;
        let count = count.map_or(0, |count| count as u64);
        if count <= seen {
            return Ok(Some((count, Vec::new())));
        }
        let mut query = self
            .db
            .prepare_cached(
                "SELECT DISTINCT id FROM event_chain JOIN board ON board.key = event_chain.board WHERE n > ?1",
            )
            .map_err(&failed)?;
        let ids = query
            .query_map(params![seen as i64], |row| row.get::<_, String>(0))
            .map_err(&failed)?;
        let boards: Result<_, _> = ids
            .map(|id| self.source().board_id(&id.map_err(&failed)?))
            .collect();
        Ok(Some((count, boards?)))
    }

    /// How many events of each kind are kept of each board.
    ///
    /// # Errors
    /// [`StoreError`], when it cannot be read.
    pub fn event_counts(&self) -> Result<Vec<(BoardId, String, u64)>, StoreError> {
        let failed = self.failed("read");
        let mut query = self
            .db
            .prepare_cached(
                "SELECT id, kind, count(*) FROM every_event JOIN board ON board.key = every_event.board
                 GROUP BY id, kind ORDER BY id, kind",
            )
            .map_err(&failed)?;
        let mut rows = query.query([]).map_err(&failed)?;
        let mut counts = Vec::new();
        while let Some(row) = rows.next().map_err(&failed)? {
            let id: String = row.get(0).map_err(&failed)?;
            let count: i64 = row.get(2).map_err(&failed)?;
            counts.push((
                self.source().board_id(&id)?,
                row.get(1).map_err(&failed)?,
                count as u64,
            ));
        }
        Ok(counts)
    }

    /// Whether a recorder holds the store in `dir` at this moment. A folder that cannot be looked at says no.
    #[must_use]
    pub fn is_recorded_into(dir: &Path) -> bool {
        // Shared, and let go of at once: other readers look too, and a recorder that just starts waits for longer than this.
        File::open(dir.join(LOCK))
            .is_ok_and(|lock| matches!(lock.try_lock_shared(), Err(TryLockError::WouldBlock)))
    }
}
