//! The log's seal: every event carries a hash over itself and over the hash of the one before.
//!
//! One chain for the whole store, in the order events arrived, late ones and those of a number taken twice among them: removing a
//! board with all it said breaks it too. Changing, removing, inserting or exchanging events behind the program's back is
//! found by working the chain out again. Whoever can write to the file can also work out a whole new chain; a head (count and hash)
//! that was written down elsewhere, in a report that was handed over, shows that as well: see
//! [`super::CheckOptions::head`].
//!
//! ```text
//! hash(n) = SHA-256( "ohmward event 1" ‖ hash(n−1) ‖ n ‖ board ‖ boot ‖ seq ‖ at_sample ‖ t_us ‖ host_us ‖ t_sigma_us ‖ kind ‖ detail ‖
//!                     message )
//! ```
//! An event that this program cannot read is chained when it comes, with empty `kind` and `detail`. When a newer program can
//! read it, its row moves among the others and its entry stays: what it is called then must be what its message says.
//!
//! `hash(0)` is 32 zero bytes; numbers are 8 bytes big-endian; texts and bytes follow their length, as numbers do;
//! a number that is not there has the length 0.

use super::rows::Source;
use super::{StoreError, schema, words};
use ohmward_proto::Event;
use rusqlite::{Connection, OptionalExtension, Row, params};
use sha2::{Digest, Sha256};

/// Count and hash of the newest event: written down elsewhere, it shows later that nothing before it was changed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Head {
    /// Events so far.
    pub count: u64,
    /// The chain's hash at the last of them.
    pub hash: [u8; 32],
}

impl std::fmt::Display for Head {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:", self.count)?;
        self.hash
            .iter()
            .try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl std::str::FromStr for Head {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!("\"{text}\" is no head: write COUNT:HASH with 64 hex digits, as it was printed")
        };
        let (count, hex) = text.split_once(':').ok_or_else(wrong)?;
        let mut hash = [0; 32];
        if hex.len() != 64 || !hex.is_ascii() {
            return Err(wrong());
        }
        for (byte, digits) in hash.iter_mut().zip(hex.as_bytes().chunks(2)) {
            *byte = std::str::from_utf8(digits)
                .ok()
                .and_then(|digits| u8::from_str_radix(digits, 16).ok())
                .ok_or_else(wrong)?;
        }
        Ok(Self {
            count: count.parse().map_err(|_| wrong())?,
            hash,
        })
    }
}

/// What of an event the hash is over: its row as it stands in the table.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Link {
    pub board: String,
    pub boot: i64,
    pub seq: i64,
    pub at_sample: i64,
    pub t_us: i64,
    pub host_us: Option<i64>,
    pub t_sigma_us: Option<i64>,
    pub kind: String,
    pub detail: String,
    pub message: Vec<u8>,
}

/// Columns of [`Link`] after the board's name.
pub const COLUMNS: &str = "boot, seq, at_sample, t_us, host_us, t_sigma_us, kind, detail, message";

/// Likewise of an event that cannot be read yet.
const UNREAD_COLUMNS: &str = "boot, seq, at_sample, t_us, host_us, t_sigma_us, message";

impl Link {
    /// From a row of the board's name and [`COLUMNS`].
    pub fn read(row: &Row) -> rusqlite::Result<Self> {
        Ok(Self {
            board: row.get(0)?,
            boot: row.get(1)?,
            seq: row.get(2)?,
            at_sample: row.get(3)?,
            t_us: row.get(4)?,
            host_us: row.get(5)?,
            t_sigma_us: row.get(6)?,
            kind: row.get(7)?,
            detail: row.get(8)?,
            message: row.get(9)?,
        })
    }

    /// From a row of the board's name and [`UNREAD_COLUMNS`].
    fn read_unread(row: &Row) -> rusqlite::Result<Self> {
        Ok(Self {
            board: row.get(0)?,
            boot: row.get(1)?,
            seq: row.get(2)?,
            at_sample: row.get(3)?,
            t_us: row.get(4)?,
            host_us: row.get(5)?,
            t_sigma_us: row.get(6)?,
            kind: String::new(),
            detail: String::new(),
            message: row.get(7)?,
        })
    }

    /// As it was chained if it could not be read when it came; `None` when it is not called what its message says.
    fn as_it_came(&self) -> Option<Self> {
        let (event, rest) = postcard::take_from_bytes::<Event>(&self.message).ok()?;
        let detail = serde_json::to_string(&event.kind).ok()?;
        let is_called_right =
            rest.is_empty() && words::of_kind(&event.kind) == self.kind && detail == self.detail;
        is_called_right.then(|| Self {
            kind: String::new(),
            detail: String::new(),
            ..self.clone()
        })
    }

    /// The head after this event.
    pub fn after(&self, head: &Head) -> Head {
        let count = head.count + 1;
        let mut hash = Sha256::new();
        hash.update(b"ohmward event 1");
        hash.update(head.hash);
        hash.update(count.to_be_bytes());
        let mut sized = |bytes: &[u8]| {
            hash.update((bytes.len() as u64).to_be_bytes());
            hash.update(bytes);
        };
        sized(self.board.as_bytes());
        for number in [self.boot, self.seq, self.at_sample, self.t_us] {
            sized(&number.to_be_bytes());
        }
        for number in [self.host_us, self.t_sigma_us] {
            match number {
                Some(number) => sized(&number.to_be_bytes()),
                None => sized(&[]),
            }
        }
        sized(self.kind.as_bytes());
        sized(self.detail.as_bytes());
        sized(&self.message);
        Head {
            count,
            hash: hash.finalize().into(),
        }
    }
}

/// The chain's head as it stands.
pub fn head(db: &Connection) -> rusqlite::Result<Head> {
    let stands: Option<(i64, Vec<u8>)> = db
        .prepare_cached("SELECT count, hash FROM event_chain_head")?
        .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    Ok(stands.map_or_else(Head::default, |(count, hash)| Head {
        count: count as u64,
        hash: hash.try_into().unwrap_or([0xff; 32]), // of another length it fits nothing
    }))
}

/// Appends an event that was just stored; `board` is its key.
pub fn append(db: &Connection, board: i64, link: &Link) -> rusqlite::Result<()> {
    let next = link.after(&head(db)?);
    db.prepare_cached("INSERT INTO event_chain VALUES (?1,?2,?3,?4,?5)")?
        .execute(params![
            next.count as i64,
            board,
            link.boot,
            link.seq,
            next.hash
        ])?;
    db.prepare_cached("INSERT OR REPLACE INTO event_chain_head VALUES (1, ?1, ?2)")?
        .execute(params![next.count as i64, next.hash])?;
    Ok(())
}

/// Chains what a store of an older layout holds, by time: in which order it arrived was not kept.
pub fn chain_all(db: &Connection) -> rusqlite::Result<()> {
    let mut query = db.prepare(&format!(
        "SELECT id, {COLUMNS}, board FROM every_event JOIN board ON board.key = every_event.board
         ORDER BY t_us, id, boot, seq, message"
    ))?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        append(db, row.get(10)?, &Link::read(row)?)?;
    }
    Ok(())
}

/// Chains events that could not be read when they came, in a store of a layout that did not do so then; by time.
pub fn chain_unread(db: &Connection) -> rusqlite::Result<()> {
    // What is among the readable ones already is there under its own entry.
    db.execute_batch(
        "DELETE FROM event_unread WHERE EXISTS (SELECT 1 FROM every_event AS e WHERE e.board = event_unread.board
            AND e.boot = event_unread.boot AND e.seq = event_unread.seq AND e.message = event_unread.message)",
    )?;
    let mut query = db.prepare(&format!(
        "SELECT id, {UNREAD_COLUMNS}, board FROM event_unread JOIN board ON board.key = event_unread.board
         ORDER BY t_us, id, boot, seq, message"
    ))?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        append(db, row.get(8)?, &Link::read_unread(row)?)?;
    }
    Ok(())
}

/// What is wrong with the chain, in lines; none when it holds.
pub fn faults(source: &Source, given: Option<Head>) -> Result<Vec<String>, StoreError> {
    let _still = source.hold_still()?;
    look(source.db, given).map_err(source.failed("read"))
}

fn look(db: &Connection, given: Option<Head>) -> rusqlite::Result<Vec<String>> {
    let mut faults = Vec::new();
    let mut query = db.prepare("SELECT n, board, boot, seq, hash FROM event_chain ORDER BY n")?;
    let mut event = db.prepare(&format!(
        "SELECT id, {COLUMNS} FROM every_event JOIN board ON board.key = every_event.board
         WHERE every_event.board = ?1 AND boot = ?2 AND seq = ?3"
    ))?;
    let chains_unread = schema::chains_unread(db)?;
    let mut unread = db.prepare(&format!(
        "SELECT id, {UNREAD_COLUMNS} FROM event_unread JOIN board ON board.key = event_unread.board
         WHERE event_unread.board = ?1 AND boot = ?2 AND seq = ?3"
    ))?;
    let mut rows = query.query([])?;
    let mut head = Head::default();
    let mut given_holds = given.is_none_or(|given| given == head);
    while let Some(row) = rows.next()? {
        let (n, board, boot, seq): (i64, i64, i64, i64) =
            (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
        let stands: Vec<u8> = row.get(4)?;
        if n != head.count as i64 + 1 {
            faults.push(format!(
                "the event log misses entries {} to {}",
                head.count + 1,
                n - 1
            ));
        }
        let before = Head {
            count: (n - 1).max(0) as u64,
            ..head
        };
        let mut found: Vec<Link> = event
            .query_map(params![board, boot, seq], Link::read)?
            .collect::<Result<_, _>>()?;
        let came: Vec<Link> = found.iter().filter_map(Link::as_it_came).collect();
        if chains_unread {
            let waiting = unread.query_map(params![board, boot, seq], Link::read_unread)?;
            found.extend(waiting.collect::<Result<Vec<_>, _>>()?);
        }
        let mut all = found.iter().chain(&came);
        let holds = all.any(|link| link.after(&before).hash[..] == stands[..]);
        if !holds && found.is_empty() {
            faults.push(format!(
                "event {boot}.{seq}, entry {n} of the log, was removed"
            ));
        } else if !holds {
            faults.push(format!(
                "event {boot}.{seq}, entry {n} of the log, or its place in it, was changed"
            ));
        }
        // From what stands: so each change is told where it was made, and not of all that follows.
        head = Head {
            count: n.max(0) as u64,
            hash: stands.try_into().unwrap_or([0xff; 32]),
        };
        given_holds |= given == Some(head);
    }
    let count = |table: &str| -> rusqlite::Result<i64> {
        db.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| {
            row.get(0)
        })
    };
    let mut stored = count("every_event")?;
    if chains_unread {
        stored += count("event_unread")?;
    }
    let chained = count("event_chain")?;
    if stored > chained {
        faults.push(format!(
            "{} events were put into the log from outside",
            stored - chained
        ));
    }
    if self::head(db)? != head {
        faults.push("the newest entries of the event log were removed or changed".into());
    }
    if let Some(given) = given.filter(|_| !given_holds) {
        faults.push(format!(
            "the event log is not the one whose head {given} was written down"
        ));
    }
    Ok(faults)
}
