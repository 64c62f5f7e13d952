//! Events, each once, chained as it comes; those that this program cannot read yet as well.

use super::{Batch, blob, json};
use crate::store::chain::{self, Link};
use crate::store::{Store, StoreError, words};
use ohmward_proto::message::BoardId;
use ohmward_proto::{Event, EventId, SampleIndex};
use rusqlite::{OptionalExtension, params};

/// When it happened, when it came, ±; µs.
pub(super) type Times = (i64, i64, Option<i64>);

impl Store {
    /// Events that an older program could only keep as they came, and that this one can read, take their place among the
    /// others. Their entry in the chain is the one they got when they came.
    pub(in crate::store) fn take_in_unread(&mut self) -> Result<(), StoreError> {
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
        self.in_one_transaction(|batch| {
            readable.iter().try_for_each(|(board, event, message)| {
                batch.take_in(*board, event, message).map_err(&failed)
            })
        })
    }
}

impl Batch<'_> {
    /// An event out of `event_unread`, as it stands there.
    fn take_in(&mut self, board: BoardId, event: &Event, message: &[u8]) -> rusqlite::Result<()> {
        let key = self.board(board)?;
        let (boot, seq) = (event.id.boot, event.id.seq);
        let table = match self.stored_event(key, event.id)? {
            None => "event",
            Some(_) => "event_twin",
        };
        let moved = self
            .work
            .prepare_cached(&format!(
                "INSERT OR IGNORE INTO {table} SELECT board, boot, seq, at_sample, t_us, ?5, ?6, message, host_us, t_sigma_us
                 FROM event_unread WHERE board = ?1 AND boot = ?2 AND seq = ?3 AND message = ?4"
            ))?
            .execute(params![
                key,
                boot,
                seq,
                message,
                words::of_kind(&event.kind),
                json(&event.kind)?
            ])?;
        if moved > 0 {
            self.work
                .prepare_cached(
                    "DELETE FROM event_unread WHERE board = ?1 AND boot = ?2 AND seq = ?3 AND message = ?4",
                )?
                .execute(params![key, boot, seq, message])?;
        }
        Ok(())
    }

    /// The message of the event that has a number.
    fn stored_event(&self, key: i64, id: EventId) -> rusqlite::Result<Option<Vec<u8>>> {
        self.work
            .prepare_cached(
                "SELECT message FROM event WHERE board = ?1 AND boot = ?2 AND seq = ?3",
            )?
            .query_row(params![key, id.boot, id.seq], |row| row.get(0))
            .optional()
    }

    pub(super) fn unread_event(
        &mut self,
        board: BoardId,
        (t_us, host_us, t_sigma_us): Times,
        (id, at): (EventId, SampleIndex),
        message: &[u8],
    ) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        // A newer program may have kept it among the readable ones.
        if self
            .stored_event(key, id)?
            .is_some_and(|stored| stored == message)
        {
            return Ok(false);
        }
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
        if rows > 0 {
            let link = Link {
                board: board.to_string(),
                boot: id.boot.into(),
                seq: id.seq.into(),
                at_sample: at.0 as i64,
                t_us,
                host_us: Some(host_us),
                t_sigma_us,
                kind: String::new(),
                detail: String::new(),
                message: message.to_vec(),
            };
            chain::append(self.work, key, &link)?;
        }
        Ok(rows > 0)
    }

    pub(super) fn event(
        &mut self,
        board: BoardId,
        (t_us, host_us, t_sigma_us): Times,
        event: &Event,
    ) -> rusqlite::Result<bool> {
        let key = self.board(board)?;
        let message = blob(event)?;
        let insert = match self.stored_event(key, event.id)? {
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
