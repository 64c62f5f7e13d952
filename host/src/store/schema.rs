//! The tables, and how a file is recognised as ours.
//!
//! `t_us`, `first_seen_us`: Unix time in microseconds. `at_sample`: the board's sample counter; SQLite knows no unsigned
//! numbers, so a counter is stored as the i64 of the same bits (at 1 MS/s the sign would show after 290 000 years).
//! A quantity that was not measured is NULL beside a reason in words, never 0. A quantity that was measured and is no
//! number (a damaged board) is NULL beside no reason.

use super::blocks::by_row;
use super::chain::{chain_all, chain_unread};
use rusqlite::Connection;

/// `PRAGMA application_id`: "OHMW".
pub const APPLICATION_ID: i64 = 0x4F48_4D57;
/// `PRAGMA user_version`: the layout below. Higher means newer.
pub const VERSION: i64 = 8;

pub const TABLES: &str = "
CREATE TABLE board (
    key             INTEGER PRIMARY KEY,
    id              TEXT NOT NULL UNIQUE    -- 16 hex digits
);
CREATE TABLE run (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    sample_rate_hz  INTEGER NOT NULL,
    firmware        TEXT NOT NULL,          -- major.minor.patch
    protocol        INTEGER NOT NULL,
    calibration_id  INTEGER NOT NULL,
    settings_hash   INTEGER NOT NULL,       -- in force when first seen
    at_sample       INTEGER NOT NULL,       -- the counter when first seen
    epoch_unix_ms   INTEGER,                -- of sample 0, from a board with a wall clock
    first_seen_us   INTEGER NOT NULL,
    PRIMARY KEY (board, boot)
) WITHOUT ROWID;
CREATE TABLE settings (
    board           INTEGER NOT NULL REFERENCES board,
    hash            INTEGER NOT NULL,
    seen            INTEGER NOT NULL,       -- the highest is the latest heard from the board
    settings        BLOB NOT NULL,          -- postcard
    json            TEXT NOT NULL,          -- the same, for people
    PRIMARY KEY (board, hash)
) WITHOUT ROWID;
CREATE TABLE calibration (
    board           INTEGER NOT NULL REFERENCES board,
    id              INTEGER NOT NULL,
    calibration     BLOB NOT NULL,          -- postcard
    json            TEXT NOT NULL,
    PRIMARY KEY (board, id)
) WITHOUT ROWID;
CREATE TABLE reading (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    at_sample       INTEGER NOT NULL,
    t_us            INTEGER NOT NULL,
    i_dc_a          REAL,
    i_rms_a         REAL,
    i_why           TEXT,
    v_pos_v         REAL,
    v_neg_v         REAL,
    g_pos_s         REAL,
    g_neg_s         REAL,
    g_sigma_s       REAL,
    c_f             REAL,
    c_sigma_f       REAL,
    ins_at_sample   INTEGER NOT NULL,       -- end of the measurement, or since when there is none
    ins_why         TEXT,
    state           TEXT NOT NULL,
    bond_open       INTEGER NOT NULL,
    PRIMARY KEY (board, boot, at_sample)
) WITHOUT ROWID;
CREATE INDEX reading_by_time ON reading (board, t_us);
CREATE TABLE event (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    seq             INTEGER NOT NULL,
    at_sample       INTEGER NOT NULL,
    t_us            INTEGER NOT NULL,
    kind            TEXT NOT NULL,
    detail          TEXT NOT NULL,          -- JSON, for people
    message         BLOB NOT NULL,          -- postcard
    PRIMARY KEY (board, boot, seq)
) WITHOUT ROWID;
CREATE INDEX event_by_time ON event (board, t_us);
-- A number that came twice with two meanings: the board's start counter was lost. Neither event is.
CREATE TABLE event_twin (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    seq             INTEGER NOT NULL,
    at_sample       INTEGER NOT NULL,
    t_us            INTEGER NOT NULL,
    kind            TEXT NOT NULL,
    detail          TEXT NOT NULL,
    message         BLOB NOT NULL,
    PRIMARY KEY (board, boot, seq, message)
) WITHOUT ROWID;
CREATE VIEW every_event AS SELECT * FROM event UNION ALL SELECT * FROM event_twin;
CREATE TABLE capture (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    seq             INTEGER NOT NULL,
    head            BLOB NOT NULL,          -- postcard
    samples         INTEGER NOT NULL,
    complete        INTEGER NOT NULL,
    PRIMARY KEY (board, boot, seq)
) WITHOUT ROWID;
CREATE TABLE capture_part (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    seq             INTEGER NOT NULL,
    offset          INTEGER NOT NULL,
    samples         INTEGER NOT NULL,
    codes           BLOB NOT NULL,          -- postcard
    PRIMARY KEY (board, boot, seq, offset)
) WITHOUT ROWID;
";

/// What version 2 added: what the bond current is made of, once a minute. RMS each; see `BondSpectrum`.
const SPECTRUM: &str = "
CREATE TABLE spectrum (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    at_sample       INTEGER NOT NULL,
    t_us            INTEGER NOT NULL,
    samples         INTEGER NOT NULL,
    mains_hz        REAL,
    mains_found     INTEGER NOT NULL,
    dc_a            REAL,
    fundamental_a   REAL,
    fundamental_rad REAL,
    second_a        REAL,
    third_a         REAL,
    fourth_a        REAL,
    fifth_a         REAL,
    remainder_a     REAL,
    PRIMARY KEY (board, boot, at_sample)
) WITHOUT ROWID;
";

/// What version 3 added: when an event came and how well its time is known, and events that only a newer program can read.
/// In rows from before, both times are NULL.
const EVENT_TIMES: &str = "
ALTER TABLE event ADD COLUMN host_us INTEGER;       -- when it came, Unix µs
ALTER TABLE event ADD COLUMN t_sigma_us INTEGER;    -- t_us is within ± this; NULL: the board's own clock, or not known
ALTER TABLE event_twin ADD COLUMN host_us INTEGER;
ALTER TABLE event_twin ADD COLUMN t_sigma_us INTEGER;
CREATE TABLE event_unread (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    seq             INTEGER NOT NULL,
    at_sample       INTEGER NOT NULL,
    t_us            INTEGER NOT NULL,
    host_us         INTEGER NOT NULL,
    t_sigma_us      INTEGER,
    message         BLOB NOT NULL,          -- postcard, as the board sent it
    PRIMARY KEY (board, boot, seq, message)
) WITHOUT ROWID;
";

/// What version 4 added: roll-ups, measurements of insulation each once, the archive's record, the chain over the event log.
const LEDGER: &str = "
CREATE TABLE rollup (
    board           INTEGER NOT NULL REFERENCES board,
    level           INTEGER NOT NULL,       -- its length, microseconds: 1 min, 1 h, 1 day
    start_us        INTEGER NOT NULL,
    body            BLOB NOT NULL,          -- postcard
    PRIMARY KEY (board, level, start_us)
);
-- What a picture of a long time is drawn from.
CREATE TABLE hour_rows (
    board           INTEGER NOT NULL REFERENCES board,
    hour_us         INTEGER NOT NULL,
    readings        INTEGER NOT NULL,
    step_us         INTEGER NOT NULL,       -- from one reading to the next, the median
    rows            BLOB NOT NULL,          -- postcard: the readings that hold its ends and extremes
    PRIMARY KEY (board, hour_us)
);
-- Hours with rows that their roll-ups do not know yet.
CREATE TABLE rollup_stale (
    board           INTEGER NOT NULL REFERENCES board,
    hour_us         INTEGER NOT NULL,
    PRIMARY KEY (board, hour_us)
) WITHOUT ROWID;
CREATE TABLE insulation (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    at_sample       INTEGER NOT NULL,       -- when the measurement ended
    t_us            INTEGER NOT NULL,
    carrier         INTEGER NOT NULL,       -- at_sample of the earliest reading that tells of it
    g_pos_s         REAL,
    g_neg_s         REAL,
    g_sigma_s       REAL,
    c_f             REAL,
    c_sigma_f       REAL,
    PRIMARY KEY (board, boot, at_sample)
) WITHOUT ROWID;
CREATE INDEX insulation_by_time ON insulation (board, t_us);
CREATE TABLE archive_day (
    board           INTEGER NOT NULL REFERENCES board,
    date            INTEGER NOT NULL,       -- days since 1970-01-01, UTC
    rows            INTEGER NOT NULL,
    bytes           INTEGER NOT NULL,
    sha256          BLOB NOT NULL,          -- of the file
    from_us         INTEGER NOT NULL,       -- first and last reading
    to_us           INTEGER NOT NULL,
    dropped         INTEGER NOT NULL,       -- a rule has removed the file
    PRIMARY KEY (board, date)
) WITHOUT ROWID;
-- A file that is about to take its place.
CREATE TABLE archive_next (
    board           INTEGER NOT NULL REFERENCES board,
    date            INTEGER NOT NULL,
    sha256          BLOB NOT NULL,
    PRIMARY KEY (board, date)
) WITHOUT ROWID;
CREATE TABLE archive_run (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    date            INTEGER NOT NULL,
    at_first        INTEGER NOT NULL,
    at_last         INTEGER NOT NULL,
    rows            INTEGER NOT NULL,
    PRIMARY KEY (board, boot, date)
) WITHOUT ROWID;
CREATE TABLE event_chain (
    n               INTEGER PRIMARY KEY,    -- 1, 2, 3 … in the order of arrival
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    seq             INTEGER NOT NULL,
    hash            BLOB NOT NULL           -- SHA-256, see the module `chain`
);
CREATE TABLE event_chain_head (
    one             INTEGER PRIMARY KEY CHECK (one = 1),
    count           INTEGER NOT NULL,
    hash            BLOB NOT NULL
);
";

/// What version 5 changed: readings lie in the order of time, as they are read and removed, and are known by run and count
/// through an index. Whether their board is there is not looked up for every one: the writer has just put it there.
///
/// Copying takes about two seconds a million readings, once.
pub const READINGS_BY_TIME: &str = "
CREATE TABLE reading_new (
    board           INTEGER NOT NULL,
    boot            INTEGER NOT NULL,
    at_sample       INTEGER NOT NULL,
    t_us            INTEGER NOT NULL,
    i_dc_a          REAL,
    i_rms_a         REAL,
    i_why           TEXT,
    v_pos_v         REAL,
    v_neg_v         REAL,
    g_pos_s         REAL,
    g_neg_s         REAL,
    g_sigma_s       REAL,
    c_f             REAL,
    c_sigma_f       REAL,
    ins_at_sample   INTEGER NOT NULL,       -- end of the measurement, or since when there is none
    ins_why         TEXT,
    state           TEXT NOT NULL,
    bond_open       INTEGER NOT NULL,
    PRIMARY KEY (board, t_us, boot, at_sample)
) WITHOUT ROWID;
INSERT INTO reading_new SELECT * FROM reading ORDER BY board, t_us, boot, at_sample;
DROP TABLE reading;
ALTER TABLE reading_new RENAME TO reading;
CREATE UNIQUE INDEX reading_by_count ON reading (board, boot, at_sample);
-- Files that may be about to take their place: of a sealing that was cut short more than once, several.
CREATE TABLE archive_next_new (
    board           INTEGER NOT NULL REFERENCES board,
    date            INTEGER NOT NULL,
    sha256          BLOB NOT NULL,
    PRIMARY KEY (board, date, sha256)
) WITHOUT ROWID;
INSERT INTO archive_next_new SELECT * FROM archive_next;
DROP TABLE archive_next;
ALTER TABLE archive_next_new RENAME TO archive_next;
";

/// What version 6 added: how long each measurement in `insulation` dwelt, in the board's samples as it said so; none where it did
/// not (an older board, a frame lost). A table of its own: it may come before the reading that carries the measurement. Files of
/// sealed days do not hold it, for this table stays, whatever a rule drops.
const DWELL: &str = "
CREATE TABLE insulation_dwell (
    board           INTEGER NOT NULL REFERENCES board,
    boot            INTEGER NOT NULL,
    at_sample       INTEGER NOT NULL,       -- when the measurement ended
    a_samples       INTEGER NOT NULL,       -- longest stay in bridge state A, and in B
    b_samples       INTEGER NOT NULL,
    extrapolated    INTEGER NOT NULL,       -- the poles had not come to rest by then
    PRIMARY KEY (board, boot, at_sample)
) WITHOUT ROWID;
";

/// What version 7 added: how the lines to a board did, by days of the recorder's clock. Simulations inside the recorder have no line.
const LINES: &str = "
CREATE TABLE line_day (
    board           INTEGER NOT NULL REFERENCES board,
    day             INTEGER NOT NULL,       -- since 1970-01-01, UTC
    frames          INTEGER NOT NULL,       -- that came whole
    damaged         INTEGER NOT NULL,       -- dropped: check sum or form
    unknown         INTEGER NOT NULL,       -- sound, of a kind this program does not know
    breaks          INTEGER NOT NULL,       -- times the line went away
    PRIMARY KEY (board, day)
) WITHOUT ROWID;
";

/// What version 8 changed: readings of a minute lie together in one row, see the module `blocks`; before, each had its own.
///
/// Copying takes about a second a million readings, once; a store does not get smaller by it, but fills the room that becomes free.
const BLOCKS: &str = "
CREATE TABLE reading_block (
    key             INTEGER PRIMARY KEY,
    board           INTEGER NOT NULL,
    minute_us       INTEGER NOT NULL,       -- all of its readings lie in the minute that begins here
    boot            INTEGER NOT NULL,
    at_slot         INTEGER NOT NULL,       -- and their counts in the piece of 2^20 of this number
    readings        INTEGER NOT NULL,       -- how many there are
    body            BLOB NOT NULL
);
CREATE INDEX reading_block_by_time ON reading_block (board, minute_us);
CREATE INDEX reading_block_by_count ON reading_block (board, boot, at_slot, minute_us);
-- Rows from before that could not be understood.
CREATE TABLE reading_unread AS SELECT * FROM reading WHERE 0;
";

/// What is there already, put into what version 4 added.
fn fill_ledger(db: &Connection) -> rusqlite::Result<()> {
    db.execute_batch(
        "INSERT OR IGNORE INTO insulation
         SELECT r.board, r.boot, r.ins_at_sample,
                r.t_us - max(r.at_sample - r.ins_at_sample, 0) * 1000000 / coalesce(nullif(run.sample_rate_hz, 0), 9e18),
                r.at_sample, r.g_pos_s, r.g_neg_s, r.g_sigma_s, r.c_f, r.c_sigma_f
         FROM (SELECT *, min(at_sample) FROM reading WHERE ins_why IS NULL GROUP BY board, boot, ins_at_sample) AS r
         LEFT JOIN run ON run.board = r.board AND run.boot = r.boot;
         UPDATE insulation SET t_us = CAST(t_us AS INTEGER);
         INSERT OR IGNORE INTO rollup_stale
         SELECT board, t_us - ((t_us % 3600000000) + 3600000000) % 3600000000 FROM reading UNION
         SELECT board, t_us - ((t_us % 3600000000) + 3600000000) % 3600000000 FROM insulation;",
    )?;
    chain_all(db)
}

/// A step from one layout to the next: brings tables and content there.
type Migration = fn(&Connection) -> rusqlite::Result<()>;

/// By the version each leads to, ascending; version 1 is [`TABLES`].
const MIGRATIONS: [(i64, Migration); 7] = [
    (2, |db| db.execute_batch(SPECTRUM)),
    (3, |db| db.execute_batch(EVENT_TIMES)),
    (4, |db| {
        db.execute_batch(LEDGER)?;
        fill_ledger(db)
    }),
    (5, |db| {
        db.execute_batch(READINGS_BY_TIME)?;
        chain_unread(db)
    }),
    (6, |db| db.execute_batch(DWELL)),
    (7, |db| db.execute_batch(LINES)),
    (8, |db| {
        db.execute_batch(BLOCKS)?;
        by_row::migrate(db)
    }),
];

/// Layouts from here on have roll-ups and an archive.
pub fn has_archive(db: &Connection) -> rusqlite::Result<bool> {
    let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    Ok(version >= 4)
}

/// Layouts from here on chain events that only a newer program can read, too.
pub fn chains_unread(db: &Connection) -> rusqlite::Result<bool> {
    let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    Ok(version >= 5)
}

/// Layouts from here on hold how long insulation measurements dwelt.
pub fn has_dwell(db: &Connection) -> rusqlite::Result<bool> {
    let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    Ok(version >= 6)
}

/// Layouts from here on hold how the lines did.
pub fn has_lines(db: &Connection) -> rusqlite::Result<bool> {
    let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    Ok(version >= 7)
}

/// Layouts from here on keep readings in blocks.
pub fn has_blocks(db: &Connection) -> rusqlite::Result<bool> {
    let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    Ok(version >= 8)
}

/// What a file with SQLite's own head turned out to be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Found {
    /// Nothing in it: a new store, or one whose making was cut short.
    Empty,
    /// A store of the layout known here.
    Ours,
    /// A store of an older layout: whoever may write brings it up to date first.
    Older,
    /// A store of a newer layout.
    Newer(i64),
    /// Someone else's.
    Foreign,
}

/// Looks, without changing anything.
pub fn look(db: &Connection) -> rusqlite::Result<Found> {
    let number = |pragma: &str| db.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
    let version = number("user_version")?;
    Ok(match number("application_id")? {
        APPLICATION_ID if version > VERSION => Found::Newer(version),
        APPLICATION_ID if version == VERSION => Found::Ours,
        APPLICATION_ID if version >= 1 => Found::Older,
        0 if number("schema_version")? == 0 => Found::Empty,
        _ => Found::Foreign,
    })
}

/// Makes the tables: all of them and the marks, or nothing.
pub fn create(db: &mut Connection) -> rusqlite::Result<()> {
    let work = db.transaction()?;
    work.execute_batch(TABLES)?;
    work.pragma_update(None, "application_id", APPLICATION_ID)?;
    bring_up_to_date(&work, 1)?;
    work.commit()
}

/// Brings an older layout up to date: wholly, or not at all.
pub fn migrate(db: &mut Connection) -> rusqlite::Result<()> {
    let work = db.transaction()?;
    let version: i64 = work.pragma_query_value(None, "user_version", |row| row.get(0))?;
    bring_up_to_date(&work, version)?;
    work.commit()
}

fn bring_up_to_date(db: &Connection, version: i64) -> rusqlite::Result<()> {
    for (_, migrate) in MIGRATIONS
        .iter()
        .filter(|(leads_to, _)| *leads_to > version)
    {
        migrate(db)?;
    }
    db.pragma_update(None, "user_version", VERSION)
}
