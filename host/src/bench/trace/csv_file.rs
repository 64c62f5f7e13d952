//! A trace in a CSV file: fixed names of columns, SI units.

use super::TraceError;
use super::rows::{Onset, ROWS_MAX, Rows, Times};
use std::fs::File;
use std::path::Path;

/// Columns that can be there; the first two must. The last three are of captured events, as `export` writes them.
const COLUMNS: [&str; 7] = [
    "time_s",
    "i_bond_a",
    "v_pos_v",
    "v_neg_v",
    "pickup",
    "trip",
    "contactor",
];
const PICKUP: usize = 4;
const TRIP: usize = 5;

pub fn read(path: &Path) -> Result<Rows, TraceError> {
    let error = |line: Option<u64>, what: String| TraceError {
        file: path.display().to_string(),
        line,
        what,
    };
    let file = File::open(path).map_err(|why| error(None, format!("cannot be opened: {why}")))?;
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_reader(file);
    let of_csv = |why: csv::Error| {
        let line = why.position().map(csv::Position::line);
        let what = match why.kind() {
            csv::ErrorKind::UnequalLengths {
                expected_len, len, ..
            } => {
                format!("{len} fields where the header has {expected_len}: correct the line")
            }
            csv::ErrorKind::Utf8 { .. } => "is not UTF-8 text: save it as plain CSV".to_owned(),
            _ => why.to_string(),
        };
        error(line, what)
    };
    let header = reader.headers().map_err(of_csv)?.clone();
    let places = places(&header).map_err(|what| error(Some(1), what))?;
    let mut rows = Rows {
        poles_v: places[2].is_some().then(Default::default),
        ..Rows::default()
    };
    let mut times = Times::default();
    let mut record = csv::StringRecord::new();
    // Times of a captured event count from its trigger; a trip is its trigger.
    rows.decided_s = places[TRIP].map(|_| 0.0);
    let mut picked_up = true;
    while reader.read_record(&mut record).map_err(of_csv)? {
        let line = record.position().map(csv::Position::line);
        let text = |column: usize| {
            places[column]
                .and_then(|place| record.get(place))
                .unwrap_or("")
        };
        let value = |column: usize| -> Result<f64, TraceError> {
            let text = text(column);
            match text.parse::<f64>() {
                Ok(value) if value.is_finite() => Ok(value),
                Ok(_) => Err(error(
                    line,
                    format!(
                        "{} is {text}: a sample that is not there has no place here; cut the trace before or after it",
                        COLUMNS[column]
                    ),
                )),
                Err(_) => Err(error(
                    line,
                    format!(
                        "{} is '{}', not a number; decimals take a point",
                        COLUMNS[column],
                        text.escape_debug()
                    ),
                )),
            }
        };
        let t_s = value(0)?;
        times.next(t_s).map_err(|what| error(line, what))?;
        rows.i_a.push(value(1)? as f32);
        if let Some((v_pos, v_neg)) = &mut rows.poles_v {
            v_pos.push(value(2)? as f32);
            v_neg.push(value(3)? as f32);
        }
        let before = std::mem::replace(&mut picked_up, text(PICKUP) == "1");
        if picked_up && !before && rows.onset.is_none() {
            rows.onset = Some(Onset {
                at_s: t_s,
                what: "its column pickup".to_owned(),
            });
        }
        if rows.i_a.len() > ROWS_MAX {
            return Err(error(
                line,
                format!("more than {ROWS_MAX} samples: cut the trace around the fault"),
            ));
        }
    }
    rows.stretches = vec![times.stretch()];
    Ok(rows)
}

/// Where each known column stands.
fn places(header: &csv::StringRecord) -> Result<[Option<usize>; COLUMNS.len()], String> {
    let known = COLUMNS.join(", ");
    let mut places = [None; COLUMNS.len()];
    for (place, name) in header.iter().enumerate() {
        let Some(column) = COLUMNS.iter().position(|column| *column == name) else {
            return Err(format!(
                "the header has '{}': columns are {known}; rename or remove it",
                name.escape_debug()
            ));
        };
        if places[column].replace(place).is_some() {
            return Err(format!("the header has {name} twice: remove one"));
        }
    }
    for column in 0..2 {
        if places[column].is_none() {
            return Err(format!(
                "the header has no {}: columns are {known}",
                COLUMNS[column]
            ));
        }
    }
    if places[2].is_some() != places[3].is_some() {
        return Err("the header has one of v_pos_v and v_neg_v: give both or none".to_owned());
    }
    Ok(places)
}
