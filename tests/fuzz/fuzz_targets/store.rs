//! A store's folder after anything: bytes changed in SQLite file, write-ahead log or archive, values changed by somebody who knows
//! SQL, files gone or foreign; and boards that send odd times. Whatever is asked of it gives an answer or one line.
//!
//! Where the archive is damaged its recorded hash may be changed with it, or nothing would ever reach the reader of the file.
#![no_main]

use arbitrary::{Arbitrary, Unstructured};
use libfuzzer_sys::fuzz_target;
use ohmward::store::{CheckOptions, Entry, EventFilter, Keeper, Level, Rules, Store, StoreError};
use ohmward_fuzz::flash::kind;
use ohmward_fuzz::scratch::{self, is_one_line};
use ohmward_fuzz::store::{BOARD, DAY_US, Files, T0_US, folders, reading};
use ohmward_proto::message::BoardId;
use ohmward_proto::units::SampleIndex;
use ohmward_proto::{Event, EventId, Reading};
use rusqlite::types::Value;
use sha2::Digest;
use std::path::Path;

/// One thing done to the folder. Files, places, tables and columns are taken modulo what there is.
#[derive(Arbitrary, Debug)]
enum Damage {
    Flip {
        file: u8,
        at: u32,
        bits: u8,
    },
    Fill {
        file: u8,
        at: u32,
        count: u16,
        byte: u8,
    },
    Cut {
        file: u8,
        to: u32,
    },
    Append {
        file: u8,
        bytes: Vec<u8>,
    },
    /// A page, of SQLite's 4096 bytes, in the place of another.
    Page {
        file: u8,
        from: u8,
        to: u8,
    },
    Swap {
        file: u8,
        other: u8,
    },
    Gone {
        file: u8,
    },
    Foreign {
        file: u8,
        bytes: Vec<u8>,
    },
}

#[derive(Arbitrary, Debug)]
enum Edit {
    /// A column of the row that has the `row`-th value in it, or of all.
    Set {
        table: u8,
        column: u8,
        row: Option<u8>,
        value: Odd,
    },
    Remove {
        table: u8,
        column: u8,
        row: u8,
    },
    Drop {
        table: u8,
    },
    Version(u8),
}

#[derive(Arbitrary, Debug)]
enum Odd {
    Null,
    Whole(i64),
    Small(i8),
    Edge(u8),
    Real(f64),
    Text(String),
    Bytes(Vec<u8>),
}

impl Odd {
    fn value(self) -> Value {
        match self {
            Self::Null => Value::Null,
            Self::Whole(n) => Value::Integer(n),
            Self::Small(n) => Value::Integer(n.into()),
            Self::Edge(n) => Value::Integer(match n % 8 {
                0 => i64::MIN,
                1 => i64::MAX,
                2 => i64::from(u32::MAX),
                3 => i64::from(u32::MAX) + 1,
                4 => i64::from(i32::MIN),
                5 => T0_US,
                6 => T0_US + i64::from(n) * DAY_US,
                _ => i64::MAX - DAY_US,
            }),
            Self::Real(x) => Value::Real(x),
            Self::Text(text) => Value::Text(text),
            Self::Bytes(bytes) => Value::Blob(bytes),
        }
    }
}

/// A moment that a board or this host's clock may name.
fn moment(input: &mut Unstructured) -> arbitrary::Result<i64> {
    Ok(match input.int_in_range(0..=7)? {
        0 => input.arbitrary()?,
        1 => i64::MAX,
        2 => i64::MIN,
        3 => 0,
        _ => T0_US + i64::from(input.arbitrary::<u16>()?) * 10_000_000,
    })
}

fn damage(files: &mut Files, damage: Damage) {
    if files.is_empty() {
        return;
    }
    let count = files.len();
    let place = |file: u8| usize::from(file) % count;
    match damage {
        Damage::Flip { file, at, bits } => {
            let bytes = &mut files[place(file)].1;
            let len = bytes.len().max(1);
            if let Some(byte) = bytes.get_mut(at as usize % len) {
                *byte ^= bits;
            }
        }
        Damage::Fill {
            file,
            at,
            count,
            byte,
        } => {
            let bytes = &mut files[place(file)].1;
            let from = at as usize % bytes.len().max(1);
            let to = (from + usize::from(count)).min(bytes.len());
            bytes[from..to].fill(byte);
        }
        Damage::Cut { file, to } => {
            let bytes = &mut files[place(file)].1;
            let to = to as usize % bytes.len().max(1);
            bytes.truncate(to);
        }
        Damage::Append { file, bytes } => files[place(file)].1.extend(bytes),
        Damage::Page { file, from, to } => {
            let bytes = &mut files[place(file)].1;
            let pages = bytes.len() / 4096;
            if pages > 0 {
                let at = |page: u8| usize::from(page) % pages * 4096;
                bytes.copy_within(at(from)..at(from) + 4096, at(to));
            }
        }
        Damage::Swap { file, other } => {
            let (file, other) = (place(file), place(other));
            let bytes = std::mem::take(&mut files[file].1);
            files[file].1 = std::mem::replace(&mut files[other].1, bytes);
        }
        Damage::Gone { file } => {
            files.remove(place(file));
        }
        Damage::Foreign { file, bytes } => files[place(file)].1 = bytes,
    }
}

/// Changes values through SQL; what SQLite refuses is left.
fn edit(folder: &Path, edits: Vec<Edit>, rehash: bool) -> rusqlite::Result<()> {
    let db = rusqlite::Connection::open(folder.join("ohmward.sqlite"))?;
    db.pragma_update(None, "synchronous", "OFF")?;
    let tables: Vec<String> = db
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")?
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    let named = |table: u8| {
        tables
            .get(usize::from(table) % tables.len().max(1))
            .cloned()
            .unwrap_or_default()
    };
    let column_of = |table: &str, column: u8| -> rusqlite::Result<String> {
        let columns: Vec<String> = db
            .prepare("SELECT name FROM pragma_table_info(?1)")?
            .query_map([table], |row| row.get(0))?
            .collect::<Result<_, _>>()?;
        Ok(columns
            .get(usize::from(column) % columns.len().max(1))
            .cloned()
            .unwrap_or_default())
    };
    for edit in edits {
        let _ = match edit {
            Edit::Set {
                table,
                column,
                row,
                value,
            } => {
                let table = named(table);
                let column = column_of(&table, column)?;
                let which = row.map_or_else(String::new, |row| {
                    format!(" WHERE \"{column}\" IS (SELECT \"{column}\" FROM \"{table}\" LIMIT 1 OFFSET {row})")
                });
                db.execute(
                    &format!("UPDATE OR REPLACE \"{table}\" SET \"{column}\" = ?1{which}"),
                    [value.value()],
                )
            }
            Edit::Remove { table, column, row } => {
                let table = named(table);
                let column = column_of(&table, column)?;
                db.execute(
                    &format!("DELETE FROM \"{table}\" WHERE \"{column}\" IS (SELECT \"{column}\" FROM \"{table}\" LIMIT 1 OFFSET {row})"),
                    [],
                )
            }
            Edit::Drop { table } => db.execute(&format!("DROP TABLE \"{}\"", named(table)), []),
            Edit::Version(n) => db
                .pragma_update(None, "user_version", i64::from(n % 6))
                .map(|()| 0),
        };
    }
    if rehash
        && let Ok(bytes) = std::fs::read(folder.join(format!(
            "archive/board={BOARD}/date=2026-01-01/readings.parquet"
        )))
    {
        db.execute(
            "UPDATE archive_day SET sha256 = ?1",
            [sha2::Sha256::digest(&bytes).to_vec()],
        )?;
    }
    Ok(())
}

/// The answer, or one line.
fn told<T>(answer: Result<T, StoreError>) -> Option<T> {
    match answer {
        Ok(answer) => Some(answer),
        Err(error) => {
            is_one_line(&error);
            None
        }
    }
}

/// Everything that can be asked.
fn ask(store: &Store, folder: &Path) {
    if let Some(report) = told(store.check(&CheckOptions::default())) {
        report
            .faults
            .iter()
            .chain(&report.notes)
            .for_each(is_one_line);
        report.gaps.iter().for_each(is_one_line);
    }
    told(store.event_head());
    told(store.events(&EventFilter::default()));
    told(store.events(&EventFilter {
        board: Some(BOARD),
        kinds: vec!["tripped".into()],
        from_us: Some(T0_US),
        to_us: Some(i64::MAX),
        limit: Some(3),
    }));
    told(store.unread_events());
    let mut boards = told(store.boards()).unwrap_or_default();
    boards.truncate(3);
    for board in boards.into_iter().chain([BoardId(5)]) {
        told(store.runs(board));
        told(store.settings(board));
        for (event, _) in told(store.captures(board))
            .unwrap_or_default()
            .into_iter()
            .take(4)
        {
            if let Some(Some(capture)) = told(store.capture(board, event)) {
                let _ = capture.complete();
            }
        }
        let span = told(store.span(board))
            .flatten()
            .map_or(0..0, |(from, to)| from..to.saturating_add(1));
        for range in [span, T0_US..T0_US + 3 * DAY_US, 0..i64::MAX] {
            told(store.readings(board, range.clone(), 20));
            told(store.readings(board, range.clone(), 100_000));
            told(store.rollups(board, Level::Day, range.clone()));
            told(store.rollups(board, Level::Hour, range.clone()));
            told(store.export_parquet(board, range, &folder.join("handed-over.parquet")));
        }
        told(store.rollups(board, Level::Minute, T0_US..T0_US + DAY_US));
    }
}

fn sent(input: &mut Unstructured) -> arbitrary::Result<Vec<Entry>> {
    let mut batch = Vec::new();
    for _ in 0..input.int_in_range(0..=6)? {
        let board = if input.arbitrary()? {
            BOARD
        } else {
            BoardId(input.arbitrary::<u8>()?.into())
        };
        let boot = *input.choose(&[3, 3, 4, 0, u32::MAX])?;
        let at = SampleIndex(if input.arbitrary()? {
            input.arbitrary()?
        } else {
            3_600_000 * u64::from(input.arbitrary::<u8>()?)
        });
        let t_us = moment(input)?;
        batch.push(match input.int_in_range(0..=3)? {
            0 => Entry::Event {
                board,
                t_us,
                host_us: moment(input)?,
                t_sigma_us: input.arbitrary()?,
                event: Event {
                    id: EventId {
                        boot,
                        seq: input.arbitrary()?,
                    },
                    at,
                    kind: kind(input.arbitrary()?),
                },
            },
            1 => {
                // Any reading at all: as a board may send it.
                let len = input.int_in_range(0..=60)?;
                let drawn = input.bytes(usize::min(len, input.len()))?;
                let drawn = postcard::take_from_bytes::<Reading>(drawn).map(|(reading, _)| reading);
                Entry::Reading {
                    board,
                    boot,
                    t_us,
                    reading: drawn.unwrap_or(reading(at.0 / 3_600_000)),
                }
            }
            _ => Entry::Reading {
                board,
                boot,
                t_us,
                reading: Reading {
                    at,
                    ..reading(at.0 / 3_600_000)
                },
            },
        });
    }
    Ok(batch)
}

fn run(input: &mut Unstructured) -> arbitrary::Result<()> {
    let mut files = folders()[usize::from(input.arbitrary::<bool>()?)].clone();
    for _ in 0..input.int_in_range(0..=4)? {
        damage(&mut files, input.arbitrary()?);
    }
    let folder = scratch::folder();
    let folder = folder.path();
    for (name, bytes) in &files {
        scratch::file(folder, &name.to_string_lossy(), bytes);
    }
    let mut edits = Vec::new();
    for _ in 0..input.int_in_range(0..=4)? {
        edits.push(input.arbitrary()?);
    }
    let rehash = input.arbitrary()?;
    if (rehash || !edits.is_empty()) && folder.join("ohmward.sqlite").is_file() {
        let _ = edit(folder, edits, rehash);
    }
    if let Some(store) = told(Store::open_existing(folder)) {
        ask(&store, folder);
    }
    let batch = sent(input)?;
    let now_us = moment(input)?;
    let Some(mut store) = told(Store::open_or_create(folder)) else {
        return Ok(());
    };
    told(store.write(&batch));
    let rules = Rules {
        hot_days: input.arbitrary::<u8>()?.into(),
        drop_archive_after_days: input.arbitrary()?,
    };
    told(Keeper::new(rules).turn(&mut store, now_us));
    told(store.seal_next(&rules, T0_US + 9 * DAY_US));
    told(store.work_off_rollups());
    told(store.drop_old(&rules, now_us));
    ask(&store, folder);
    Ok(())
}

fuzz_target!(|data: &[u8]| {
    let _ = run(&mut Unstructured::new(data));
});
