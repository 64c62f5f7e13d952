//! Measured weather: rows of a CSV file, with a straight line between two of them.
//!
//! | column | what |
//! |---|---|
//! | `time` or `unix_s` | RFC 3339 with its offset, or seconds since 1970; rising |
//! | `irradiance_w_m2` | in the plane of the modules; a sensor's small negative zero at night is dark |
//! | `cell_temp_c` and/or `ambient_c` | with air alone cells follow by the NOCT rule and cool at night under the section's `cloudiness` |
//! | `relative_humidity` | 0 to 1; without it `wetness` is needed |
//! | `rain_mm` or `raining` | rain since the row before, mm, or 0 and 1 for the same span; optional |
//! | `wetness` | of the modules, 0 dry to 1 covered; without it the model of rain, dew and drying gives it |
//!
//! Lines that begin with `#` are remarks. Any other column is refused: a misspelt one would be lost without a word.

use super::csv_file;
use crate::scenario::ScenarioError;
use std::path::Path;

/// One row. Columns that a file does not have are the same `None` in all of them.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Row {
    /// Seconds since 1970.
    pub unix_s: f64,
    /// In the plane of the modules, W/m².
    pub irradiance_w_m2: f64,
    /// °C.
    pub cell_temp_c: Option<f64>,
    /// °C.
    pub ambient_c: Option<f64>,
    /// 0..1.
    pub relative_humidity: Option<f64>,
    /// 0..1.
    pub wetness: Option<f64>,
    /// It rained between the row before and this one.
    pub raining: bool,
}

/// The rows that a scenario needs.
#[derive(Clone, PartialEq, Debug)]
pub struct Measured {
    rows: Vec<Row>,
}

/// Most rows that are kept: two years of a row every half minute, some 250 MB.
pub const ROWS_MAX: usize = 2_200_000;

impl Measured {
    /// Reads what `from_s..=to_s` (Unix seconds) needs out of a file; rows at most `gap_max_s` apart there.
    ///
    /// # Errors
    /// One line that names file, line and column.
    pub fn load(
        path: &Path,
        from_s: f64,
        to_s: f64,
        gap_max_s: f64,
    ) -> Result<Self, ScenarioError> {
        csv_file::load(path, from_s, to_s, gap_max_s).map(|rows| Self { rows })
    }

    /// As [`load`](Self::load), from anything that reads; `file` is its name in errors.
    ///
    /// # Errors
    /// Likewise.
    pub fn read(
        file: &str,
        input: impl std::io::Read,
        from_s: f64,
        to_s: f64,
        gap_max_s: f64,
    ) -> Result<Self, ScenarioError> {
        csv_file::read(file, input, from_s, to_s, gap_max_s).map(|rows| Self { rows })
    }

    /// Weather at a moment, s: on the straight line between the rows before and after it. Rain is that of the row after,
    /// which tells of the span that ends with it. Outside of the rows, the nearest.
    pub fn at(&self, unix_s: f64) -> Row {
        let after = self.rows.partition_point(|row| row.unix_s < unix_s);
        let last = self.rows.len() - 1;
        let (a, b) = (
            &self.rows[after.saturating_sub(1).min(last)],
            &self.rows[after.min(last)],
        );
        let span_s = b.unix_s - a.unix_s;
        let part = if span_s > 0.0 {
            ((unix_s - a.unix_s) / span_s).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let line = |a: f64, b: f64| a + (b - a) * part;
        let lines = |a: Option<f64>, b: Option<f64>| a.zip(b).map(|(a, b)| line(a, b));
        Row {
            unix_s,
            irradiance_w_m2: line(a.irradiance_w_m2, b.irradiance_w_m2),
            cell_temp_c: lines(a.cell_temp_c, b.cell_temp_c),
            ambient_c: lines(a.ambient_c, b.ambient_c),
            relative_humidity: lines(a.relative_humidity, b.relative_humidity),
            wetness: lines(a.wetness, b.wetness),
            raining: b.raining,
        }
    }

    /// Rows kept.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }
}
