//! A row a reading in the table `reading`, as layouts before 8 had them: how a reader takes them as they are, and how a writer brings
//! them into blocks.

use super::{Place, put};
use crate::store::rows::{Board, Source};
use crate::store::{FILE, StoreError, StoredReading, words};
use ohmward_proto::{
    Amps, BondCurrent, Farads, Insulation, PoleLeakage, Reading, SampleIndex, Siemens, Volts,
};
use rusqlite::{Connection, Row, params};
use std::collections::BTreeMap;
use std::ops::Range;

/// Columns of a row as [`decode`] wants them.
const COLUMNS: &str = "t_us, boot, at_sample, i_dc_a, i_rms_a, i_why, v_pos_v, v_neg_v, g_pos_s, g_neg_s, g_sigma_s, c_f, \
                       c_sigma_f, ins_at_sample, ins_why, state, bond_open";

/// Readings put into blocks together while a store is brought up to date: some 10 MB.
const AT_ONCE: usize = 100_000;

/// Why a row is no reading.
enum Fault {
    Sqlite(rusqlite::Error),
    /// A word of a newer program, or damage.
    Word {
        column: &'static str,
        word: String,
    },
}

impl From<rusqlite::Error> for Fault {
    fn from(fault: rusqlite::Error) -> Self {
        Self::Sqlite(fault)
    }
}

/// Gives the readings that stand in the table, by time.
pub fn each<E: From<StoreError>>(
    source: &Source,
    board: Board,
    range: &Range<i64>,
    mut take: impl FnMut(StoredReading) -> Result<(), E>,
) -> Result<(), E> {
    let failed = source.failed("read");
    let mut query = source
        .db
        .prepare_cached(&format!(
            "SELECT {COLUMNS} FROM reading WHERE board = ?1 AND t_us >= ?2 AND t_us < ?3
             ORDER BY t_us, boot, at_sample"
        ))
        .map_err(&failed)?;
    let mut rows = query
        .query(params![board.key, range.start, range.end])
        .map_err(&failed)?;
    while let Some(row) = rows.next().map_err(&failed)? {
        let reading = decode(row).map_err(|fault| match fault {
            Fault::Sqlite(fault) => failed(fault),
            Fault::Word { column, word } => {
                let number = |column| row.get::<_, i64>(column).unwrap_or_default();
                StoreError::Undecodable {
                    row: format!(
                        "the reading at sample {} of run {} of board {}",
                        number(2) as u64,
                        number(1),
                        board.id
                    ),
                    file: source.dir.join(FILE),
                    why: format!("\"{word}\" in column {column}"),
                }
            }
        })?;
        take(reading)?;
    }
    Ok(())
}

/// How many readings stand in the table.
pub fn count(db: &Connection, board: i64, range: &Range<i64>) -> rusqlite::Result<i64> {
    db.prepare_cached("SELECT count(*) FROM reading WHERE board = ?1 AND t_us >= ?2 AND t_us < ?3")?
        .query_row(params![board, range.start, range.end], |row| row.get(0))
}

/// First and last moment of which there is a reading.
pub fn ends(db: &Connection, board: i64) -> rusqlite::Result<Option<(i64, i64)>> {
    let end = |which: &str| -> rusqlite::Result<Option<i64>> {
        db.prepare_cached(&format!(
            "SELECT {which}(t_us) FROM reading WHERE board = ?1"
        ))?
        .query_row([board], |row| row.get(0))
    };
    Ok(end("min")?.zip(end("max")?))
}

/// The first moment from `from_us` on of which there is a reading.
pub fn next(db: &Connection, board: i64, from_us: i64) -> rusqlite::Result<Option<i64>> {
    db.prepare_cached("SELECT min(t_us) FROM reading WHERE board = ?1 AND t_us >= ?2")?
        .query_row(params![board, from_us], |row| row.get(0))
}

/// Brings every reading into a block. Rows that cannot be understood stay, in the table `reading_unread`.
pub fn migrate(db: &Connection) -> rusqlite::Result<()> {
    let mut query = db.prepare(&format!(
        "SELECT {COLUMNS}, board FROM reading ORDER BY board, t_us, boot, at_sample"
    ))?;
    let mut keep_unread = db.prepare(
        "INSERT INTO reading_unread SELECT * FROM reading
         WHERE (board, t_us, boot, at_sample) = (?1, ?2, ?3, ?4)",
    )?;
    let mut rows = query.query([])?;
    let mut waiting: BTreeMap<Place, Vec<StoredReading>> = BTreeMap::new();
    let mut count = 0;
    while let Some(row) = rows.next()? {
        let board: i64 = row.get(17)?;
        if let Ok(reading) = decode(row) {
            let place = Place::of(board, &reading);
            waiting.entry(place).or_default().push(reading);
            count += 1;
        } else {
            let number = |column| row.get::<_, rusqlite::types::Value>(column);
            keep_unread.execute(params![board, number(0)?, number(1)?, number(2)?])?;
        }
        if count == AT_ONCE {
            put_all(db, &mut waiting)?;
            count = 0;
        }
    }
    put_all(db, &mut waiting)?;
    drop(rows);
    drop((query, keep_unread));
    db.execute_batch("DROP TABLE reading")
}

fn put_all(
    db: &Connection,
    waiting: &mut BTreeMap<Place, Vec<StoredReading>>,
) -> rusqlite::Result<()> {
    std::mem::take(waiting)
        .iter()
        .try_for_each(|(place, rows)| put(db, *place, rows))
}

/// A row of [`COLUMNS`].
fn decode(row: &Row) -> Result<StoredReading, Fault> {
    let real = |column: usize| row.get::<_, Option<f32>>(column);
    // NULL beside no reason: a value the board sent that is no number.
    let sent = |column: usize| real(column).map(|value| value.unwrap_or(f32::NAN));
    let text = |column: usize| -> Result<Option<&str>, Fault> {
        row.get_ref(column)?
            .as_str_or_null()
            .map_err(|fault| Fault::Sqlite(fault.into()))
    };
    let reason = |place: usize, column: &'static str| {
        text(place)?
            .map(|word| {
                words::reason(word).ok_or_else(|| Fault::Word {
                    column,
                    word: word.to_owned(),
                })
            })
            .transpose()
    };
    let i_bond = match reason(5, "i_why")? {
        Some(why) => BondCurrent::NotMeasured(why),
        None => BondCurrent::Measured {
            dc: Amps(sent(3)?),
            rms: Amps(sent(4)?),
        },
    };
    let ins_at = SampleIndex(row.get::<_, i64>(13)? as u64);
    let insulation = match reason(14, "ins_why")? {
        Some(why) => Insulation::NotMeasured { why, since: ins_at },
        None => Insulation::Measured {
            leakage: PoleLeakage {
                g_pos: Siemens(sent(8)?),
                g_neg: Siemens(sent(9)?),
                g_sigma: Siemens(sent(10)?),
                c: Farads(sent(11)?),
                c_sigma: Farads(sent(12)?),
            },
            at: ins_at,
        },
    };
    let state = text(15)?.unwrap_or_default();
    Ok(StoredReading {
        boot: row.get(1)?,
        t_us: row.get(0)?,
        reading: Reading {
            at: SampleIndex(row.get::<_, i64>(2)? as u64),
            i_bond,
            v_pos: real(6)?.map(Volts),
            v_neg: real(7)?.map(Volts),
            insulation,
            state: words::state(state).ok_or_else(|| Fault::Word {
                column: "state",
                word: state.to_owned(),
            })?,
            bond_open: row.get(16)?,
        },
    })
}
