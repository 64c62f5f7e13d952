//! The tables, and how a file is recognised as ours.
//!
//! `t_us`, `first_seen_us`: Unix time in microseconds. `at_sample`: the board's sample counter; SQLite knows no unsigned
//! numbers, so a counter is stored as the i64 of the same bits (at 1 MS/s the sign would show after 290 000 years).
//! A quantity that was not measured is NULL beside a reason in words, never 0. A quantity that was measured and is no
//! number (a damaged board) is NULL beside no reason.

use rusqlite::Connection;

/// `PRAGMA application_id`: "OHMW".
pub const APPLICATION_ID: i64 = 0x4F48_4D57;
/// `PRAGMA user_version`: the layout below. Higher means newer.
pub const VERSION: i64 = 3;

const TABLES: &str = "
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
    work.execute_batch(SPECTRUM)?;
    work.execute_batch(EVENT_TIMES)?;
    work.pragma_update(None, "application_id", APPLICATION_ID)?;
    work.pragma_update(None, "user_version", VERSION)?;
    work.commit()
}

/// Brings an older layout up to date: wholly, or not at all.
pub fn migrate(db: &mut Connection) -> rusqlite::Result<()> {
    let work = db.transaction()?;
    let version: i64 = work.pragma_query_value(None, "user_version", |row| row.get(0))?;
    if version < 2 {
        work.execute_batch(SPECTRUM)?;
    }
    if version < 3 {
        work.execute_batch(EVENT_TIMES)?;
    }
    work.pragma_update(None, "user_version", VERSION)?;
    work.commit()
}
