//! Reads the rows of [`super::measured`]; whatever is wrong is one line with file, line and column.

use super::measured::{ROWS_MAX, Row};
use crate::scenario::ScenarioError;
use csv::StringRecord;
use jiff::Timestamp;
use std::io::{self, Read};
use std::path::Path;

/// Longest line, bytes: a row of numbers is a hundred.
const LINE_MAX: usize = 4096;
/// Moments that a clock may show, s: 1970 to 2200.
const UNIX_S_MAX: f64 = 7_258_118_400.0;

/// The columns there are; their places in this list are named below.
const COLUMNS: [&str; 9] = [
    "time",
    "unix_s",
    "irradiance_w_m2",
    "cell_temp_c",
    "ambient_c",
    "relative_humidity",
    "rain_mm",
    "raining",
    "wetness",
];
const TIME: usize = 0;
const UNIX_S: usize = 1;
const IRRADIANCE: usize = 2;
const CELL: usize = 3;
const AMBIENT: usize = 4;
const HUMIDITY: usize = 5;
const RAIN_MM: usize = 6;
const RAINING: usize = 7;
const WETNESS: usize = 8;

pub fn load(
    path: &Path,
    from_s: f64,
    to_s: f64,
    gap_max_s: f64,
) -> Result<Vec<Row>, ScenarioError> {
    let file = path.display().to_string();
    let input = std::fs::File::open(path).map_err(|e| ScenarioError::unreadable(&file, &e))?;
    read(&file, io::BufReader::new(input), from_s, to_s, gap_max_s)
}

pub fn read(
    file: &str,
    input: impl Read,
    from_s: f64,
    to_s: f64,
    gap_max_s: f64,
) -> Result<Vec<Row>, ScenarioError> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(ShortLines::new(input));
    let header = reader.headers().map_err(|e| csv_error(file, &e))?.clone();
    let columns = Columns::find(file, &header)?;
    let mut rows: Vec<Row> = Vec::new();
    let mut before: Option<(Row, u64)> = None;
    let mut record = StringRecord::new();
    while reader
        .read_record(&mut record)
        .map_err(|e| csv_error(file, &e))?
    {
        let line = record.position().map_or(0, csv::Position::line);
        let row = columns.row(file, line, &record)?;
        let named = columns.time_name();
        if let Some((last, _)) = before {
            let step_s = row.unix_s - last.unix_s;
            if step_s <= 0.0 {
                return Err(error(
                    file,
                    line,
                    named,
                    format!("is {step_s} s after the row before; sort the rows, each moment once"),
                ));
            }
            let needed = row.unix_s > from_s && last.unix_s < to_s;
            if needed && step_s > gap_max_s {
                return Err(error(
                    file,
                    line,
                    named,
                    format!(
                        "leaves a gap of {step_s:.0} s, more than weather.csv_gap_max_s = {gap_max_s:.0}; fill the gap, or allow it"
                    ),
                ));
            }
        }
        // The last row before the scenario begins is needed for the first line between two.
        if row.unix_s <= from_s {
            rows.clear();
        } else if rows.is_empty() && before.is_none() {
            return Err(error(
                file,
                line,
                named,
                format!(
                    "begins {:.0} s after the scenario's start; begin the scenario later or the file earlier",
                    row.unix_s - from_s
                ),
            ));
        }
        before = Some((row, line));
        // After the end one more row, then the rest is only checked for its order.
        let over = rows.last().is_some_and(|last| last.unix_s >= to_s);
        if !over {
            if rows.len() >= ROWS_MAX {
                return Err(error(
                    file,
                    line,
                    "",
                    format!(
                        "has more than {ROWS_MAX} rows within the scenario; take means over longer steps"
                    ),
                ));
            }
            rows.push(row);
        }
    }
    match (before, rows.last()) {
        (Some((last, line)), _) if last.unix_s < to_s => Err(error(
            file,
            line,
            columns.time_name(),
            format!(
                "ends {:.0} s before the scenario; shorten the scenario or lengthen the file",
                to_s - last.unix_s
            ),
        )),
        (Some(_), Some(_)) => Ok(rows),
        _ => Err(error(file, 1, "", "has no rows; add measurements")),
    }
}

fn error(file: &str, line: u64, column: &str, message: impl Into<String>) -> ScenarioError {
    ScenarioError {
        file: file.to_owned(),
        line: line as usize,
        key: column.to_owned(),
        message: message.into(),
    }
}

fn csv_error(file: &str, e: &csv::Error) -> ScenarioError {
    let line = e.position().map_or(0, csv::Position::line);
    if let csv::ErrorKind::Io(e) = e.kind()
        && let Some(long) = e.get_ref().and_then(|e| e.downcast_ref::<LongLine>())
    {
        let message = format!("is longer than {LINE_MAX} bytes; this is no table of measurements");
        return error(file, long.line, "", message);
    }
    let message = match e.kind() {
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => format!("has {len} fields where the first line has {expected_len}; correct the line"),
        csv::ErrorKind::Utf8 { .. } => "is not UTF-8 text; save the file as UTF-8".to_owned(),
        csv::ErrorKind::Io(e) => format!("cannot be read ({e}); check the file"),
        _ => format!("{e}; correct the line"),
    };
    error(file, line, "", message)
}

/// Where each known column stands in the file.
struct Columns {
    place: [Option<usize>; COLUMNS.len()],
}

impl Columns {
    fn find(file: &str, header: &StringRecord) -> Result<Self, ScenarioError> {
        let wrong = |column: &str, message: String| error(file, 1, column, message);
        let mut place = [None; COLUMNS.len()];
        for (k, name) in header.iter().enumerate() {
            let name = name.trim_start_matches('\u{feff}');
            let Some(known) = COLUMNS.iter().position(|column| *column == name) else {
                let shown: String = name.chars().take(40).flat_map(char::escape_debug).collect();
                return Err(wrong(
                    &shown,
                    format!(
                        "unknown column; valid: {}. Rename it or take it out",
                        COLUMNS.join(", ")
                    ),
                ));
            };
            if place[known].replace(k).is_some() {
                return Err(wrong(name, "is there twice; take one out".to_owned()));
            }
        }
        let has = |column: usize| place[column].is_some();
        let one_of = |a: usize, b: usize, needed: bool| {
            if has(a) && has(b) {
                let message = format!("and {} say the same; take one out", COLUMNS[b]);
                return Err(wrong(COLUMNS[a], message));
            }
            if needed && !has(a) && !has(b) {
                let message = format!("is missing, and so is {}; add one of them", COLUMNS[b]);
                return Err(wrong(COLUMNS[a], message));
            }
            Ok(())
        };
        one_of(TIME, UNIX_S, true)?;
        one_of(RAIN_MM, RAINING, false)?;
        if !has(IRRADIANCE) {
            return Err(wrong(COLUMNS[IRRADIANCE], "is missing; add it".to_owned()));
        }
        if !has(CELL) && !has(AMBIENT) {
            let message = "is missing, and so is ambient_c; add one of them".to_owned();
            return Err(wrong(COLUMNS[CELL], message));
        }
        if !has(HUMIDITY) && !has(WETNESS) {
            let message = "is missing, and so is wetness; add one of them".to_owned();
            return Err(wrong(COLUMNS[HUMIDITY], message));
        }
        Ok(Self { place })
    }

    fn time_name(&self) -> &'static str {
        COLUMNS[if self.place[TIME].is_some() {
            TIME
        } else {
            UNIX_S
        }]
    }

    fn row(&self, file: &str, line: u64, record: &StringRecord) -> Result<Row, ScenarioError> {
        let text = |column: usize| self.place[column].and_then(|k| record.get(k));
        let wrong = |column: usize, message: String| error(file, line, COLUMNS[column], message);
        let number = |column: usize, low: f64, high: f64| {
            let Some(text) = text(column) else {
                return Ok(None);
            };
            if text.is_empty() {
                let message = "is empty; give a number, or leave the whole row out".to_owned();
                return Err(wrong(column, message));
            }
            match text.parse::<f64>() {
                // NaN lies in no range.
                Ok(value) if (low..=high).contains(&value) => Ok(Some(value)),
                Ok(value) => Err(wrong(
                    column,
                    format!("{value} is out of range; give {low} to {high}"),
                )),
                Err(_) => {
                    let shown: String =
                        text.chars().take(40).flat_map(char::escape_debug).collect();
                    Err(wrong(
                        column,
                        format!("\"{shown}\" is not a number; give one"),
                    ))
                }
            }
        };
        let unix_s = match text(TIME) {
            Some(text) => {
                let time: Timestamp = text.parse().map_err(|_| {
                    let shown: String =
                        text.chars().take(40).flat_map(char::escape_debug).collect();
                    let message =
                        format!("\"{shown}\" is not a time; write it like 2026-06-01T12:00:00Z");
                    wrong(TIME, message)
                })?;
                time.as_millisecond() as f64 / 1000.0
            }
            None => number(UNIX_S, 0.0, UNIX_S_MAX)?.unwrap_or_default(),
        };
        Ok(Row {
            unix_s,
            irradiance_w_m2: number(IRRADIANCE, -20.0, 2000.0)?.unwrap_or_default(),
            cell_temp_c: number(CELL, -60.0, 120.0)?,
            ambient_c: number(AMBIENT, -60.0, 70.0)?,
            relative_humidity: number(HUMIDITY, 0.0, 1.0)?,
            wetness: number(WETNESS, 0.0, 1.0)?,
            raining: number(RAIN_MM, 0.0, 1000.0)?.is_some_and(|mm| mm > 0.0)
                || match number(RAINING, 0.0, 1.0)? {
                    Some(value) if value != 0.0 && value < 1.0 => {
                        return Err(wrong(
                            RAINING,
                            format!("{value} is neither 0 nor 1; give one of them"),
                        ));
                    }
                    Some(value) => value > 0.0,
                    None => false,
                },
        })
    }
}

/// Refuses a line that does not end, before it fills the memory.
struct ShortLines<R> {
    input: R,
    line: u64,
    length: usize,
}

#[derive(Debug, thiserror::Error)]
#[error("a line is too long")]
struct LongLine {
    line: u64,
}

impl<R> ShortLines<R> {
    fn new(input: R) -> Self {
        Self {
            input,
            line: 1,
            length: 0,
        }
    }
}

impl<R: Read> Read for ShortLines<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let n = self.input.read(into)?;
        for byte in &into[..n] {
            self.length += 1;
            if *byte == b'\n' {
                self.line += 1;
                self.length = 0;
            } else if self.length > LINE_MAX {
                return Err(io::Error::other(LongLine { line: self.line }));
            }
        }
        Ok(n)
    }
}
