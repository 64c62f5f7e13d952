//! TESTS.toml: tests that people made with instruments of their own, as they wrote them down.
//!
//! ```toml
//! [[insulation_test]]
//! date = 2026-04-12
//! board = "00000000000000a1"     # the board that watches the array tested; may be left out
//! part = "string 1, both conductors together"
//! test_v = 500
//! r_ohm = 3.2e6                  # what the instrument read
//! r_min_ohm = 1e6                # the least allowed; a plan's when left out
//! instrument = "insulation tester 7, calibrated 2026-01"
//! by = "initials of who tested"
//! note = "dry, 18 °C"
//! ```

use jiff::civil::Date;
use ohmward_plant::ScenarioError;
use ohmward_plant::scenario::Source;
use serde::Deserialize;
use std::path::Path;

/// An insulation test made by people.
#[derive(Clone, PartialEq, Debug)]
pub struct InsulationTest {
    /// The day.
    pub date: Date,
    /// The board that watches what was tested, as its 16 hex digits.
    pub board: Option<u64>,
    /// What was tested.
    pub part: String,
    /// Test voltage, V.
    pub test_v: f64,
    /// What was read, Ω.
    pub r_ohm: f64,
    /// The least allowed, Ω; `None`: a plan says it.
    pub r_min_ohm: Option<f64>,
    /// With what.
    pub instrument: String,
    /// Who.
    pub by: String,
    /// Anything else.
    pub note: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    insulation_test: Vec<Written>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    date: toml::value::Datetime,
    board: Option<String>,
    part: String,
    test_v: f64,
    r_ohm: f64,
    r_min_ohm: Option<f64>,
    instrument: String,
    by: String,
    #[serde(default)]
    note: String,
}

/// Reads a file.
///
/// # Errors
/// File, line and key of what is missing, unknown or no value for it.
pub fn load(path: &Path) -> Result<Vec<InsulationTest>, ScenarioError> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|e| ScenarioError::unreadable(&name, &e))?;
    parse(&name, &text)
}

/// Reads its text; `name` is the file in errors.
///
/// # Errors
/// As [`load`].
pub fn parse(name: &str, text: &str) -> Result<Vec<InsulationTest>, ScenarioError> {
    let source = Source::new(name, text)?;
    let file: File = toml::from_str(text).map_err(|e| source.serde_error(&e))?;
    let tests = file.insulation_test.into_iter().enumerate();
    let mut tests: Vec<InsulationTest> = tests
        .map(|(k, written)| read(&source, k, written))
        .collect::<Result<_, _>>()?;
    tests.sort_by_key(|test| test.date);
    Ok(tests)
}

fn read(source: &Source, k: usize, written: Written) -> Result<InsulationTest, ScenarioError> {
    let wrong = |key: &str, what: &str| source.error(&format!("insulation_test.{k}.{key}"), what);
    let date = written
        .date
        .date
        .and_then(|d| Date::new(d.year as i16, d.month as i8, d.day as i8).ok())
        .ok_or_else(|| wrong("date", "no day; write it as 2026-04-12, without quotes"))?;
    let board = match &written.board {
        None => None,
        Some(id) => Some(u64::from_str_radix(id, 16).map_err(|_| {
            wrong(
                "board",
                "no board's number; write up to 16 hex digits in quotes, as `events` prints it",
            )
        })?),
    };
    let positive = |key: &str, value: f64| {
        if value.is_finite() && value > 0.0 {
            Ok(value)
        } else {
            Err(wrong(key, "must be above 0"))
        }
    };
    Ok(InsulationTest {
        date,
        board,
        part: written.part,
        test_v: positive("test_v", written.test_v)?,
        r_ohm: positive("r_ohm", written.r_ohm)?,
        r_min_ohm: written
            .r_min_ohm
            .map(|r| positive("r_min_ohm", r))
            .transpose()?,
        instrument: written.instrument,
        by: written.by,
        note: written.note,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOUND: &str = "[[insulation_test]]\ndate = 2026-04-12\nboard = \"a1\"\npart = \"string 1\"\ntest_v = 500\n\
                         r_ohm = 3.2e6\ninstrument = \"tester 7\"\nby = \"n. n.\"\n";

    #[test]
    fn reads_what_was_written() {
        let tests = parse("t.toml", SOUND).expect("reads");
        assert_eq!(tests.len(), 1);
        assert_eq!(tests[0].board, Some(0xa1));
        assert_eq!(tests[0].date, jiff::civil::date(2026, 4, 12));
        assert_eq!(parse("t.toml", ""), Ok(Vec::new()));
    }

    #[test]
    fn says_where_and_what_is_wrong() {
        for (from, to, line, words) in [
            ("2026-04-12", "10:00:00", 2, "no day"),
            ("\"a1\"", "\"north\"", 3, "no board's number"),
            ("3.2e6", "0", 6, "above 0"),
            ("3.2e6", "nan", 6, "above 0"),
            ("by =", "from =", 8, "from"),
        ] {
            let error = parse("t.toml", &SOUND.replace(from, to)).expect_err(to);
            assert_eq!(error.line, line, "{error}");
            assert!(error.to_string().contains(words), "{error}");
        }
    }
}
