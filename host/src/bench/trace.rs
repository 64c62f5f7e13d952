//! Recorded traces: a CSV file, and what is expected of it from a TOML file beside it or from flags.

use super::array::Leakage;
use super::case::{Case, Confidence, Expect, Limit, Source};
use super::recorded::{PreRoll, Recorded, resample};
use super::run::RATE_HZ;
use super::waveform::Waveform;
use ohmward_proto::Settings;
use ohmward_proto::settings::{Calibration, Earthing, Mains, Scale};
use serde::Deserialize;
use std::borrow::Cow;
use std::fs::File;
use std::path::Path;
use std::sync::Arc;
use toml::Table;

/// Columns that can be there; the first two must.
const COLUMNS: [&str; 4] = ["time_s", "i_bond_a", "v_pos_v", "v_neg_v"];
/// Rows at most: what is read is held in memory, 96 MB with all columns.
const ROWS_MAX: usize = 8_000_000;
/// Rates that make sense: sixteen places in a cycle of 60 Hz, and what a recorder of this current would use.
const RATE_HZ_MIN: f64 = 1000.0;
const RATE_HZ_MAX: f64 = 1_000_000.0;
/// Shortest trace, s.
const SHORTEST_S: f64 = 0.1;
/// Shortest stretch before the fault, s: a cycle of 47 Hz, so that something is known of what was normal.
const BEFORE_S: f64 = 0.022;
/// A step of the time column may be this part longer or shorter than the mean; beyond it samples are missing.
const STEP_APART: f64 = 0.5;

/// Why a trace cannot be used.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{file}{line}: {what}", line = .line.map_or_else(String::new, |n| format!(":{n}")))]
pub struct TraceError {
    /// The file at fault.
    pub file: String,
    /// Line in it, from 1.
    pub line: Option<u64>,
    /// What is wrong, and what to do.
    pub what: String,
}

/// What is expected of a trace, and on what board. Every key of the TOML file beside it.
#[derive(Clone, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expected {
    /// The limit the trace is about; printed, not set.
    pub limit_a: Option<f64>,
    /// Latest time from the onset to the trip, ms.
    pub latest_ms: Option<f64>,
    /// When the fault begins, in the time column's own time.
    pub onset_s: Option<f64>,
    /// The trace is healthy.
    pub must_not_trip: Option<bool>,
    /// Who says so.
    pub source: Option<String>,
    /// Changes to the settings for a small array without an earth of its own; keys as in a scenario's `[settings]`.
    pub settings: Option<Table>,
}

impl Expected {
    /// `self` where it says something, else `other`.
    #[must_use]
    pub fn or(self, other: Self) -> Self {
        // A demand to trip on the command line takes the place of "must not" in the file, and the other way round.
        let trips = self.latest_ms.is_some();
        let (latest_ms, must_not_trip) = match self.must_not_trip {
            Some(true) => (None, Some(true)),
            _ if trips => (self.latest_ms, None),
            _ => (other.latest_ms, other.must_not_trip),
        };
        Self {
            limit_a: self.limit_a.or(other.limit_a),
            latest_ms,
            onset_s: self.onset_s.or(other.onset_s),
            must_not_trip,
            source: self.source.or(other.source),
            settings: self.settings.or(other.settings),
        }
    }
}

/// A trace file with what is expected of it, as a case.
///
/// # Errors
/// [`TraceError`], with file and line.
pub fn load(path: &Path, flags: &Expected) -> Result<Case, TraceError> {
    let beside = path.with_extension("toml");
    let expected = flags.clone().or(read_expected(&beside)?);
    let rows = read(path)?;
    case(path, &beside, &rows, &expected)
}

fn read_expected(beside: &Path) -> Result<Expected, TraceError> {
    let error = |line, what| TraceError {
        file: beside.display().to_string(),
        line,
        what,
    };
    let text = match std::fs::read_to_string(beside) {
        Ok(text) => text,
        Err(why) if why.kind() == std::io::ErrorKind::NotFound => return Ok(Expected::default()),
        Err(why) => return Err(error(None, why.to_string())),
    };
    toml::from_str(&text).map_err(|why| {
        let line = why
            .span()
            .map(|span| text[..span.start.min(text.len())].matches('\n').count() as u64 + 1);
        error(line, why.message().to_owned())
    })
}

/// The file's columns as they stand in it.
#[derive(Debug, Default)]
struct Rows {
    begin_s: f64,
    rate_hz: f64,
    i_a: Vec<f32>,
    poles_v: Option<(Vec<f32>, Vec<f32>)>,
}

fn read(path: &Path) -> Result<Rows, TraceError> {
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
    while reader.read_record(&mut record).map_err(of_csv)? {
        let line = record.position().map(csv::Position::line);
        let value = |column: usize| -> Result<f64, TraceError> {
            let text = places[column]
                .and_then(|place| record.get(place))
                .unwrap_or("");
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
                        "{} is '{text}', not a number; decimals take a point",
                        COLUMNS[column]
                    ),
                )),
            }
        };
        times.next(value(0)?).map_err(|what| error(line, what))?;
        rows.i_a.push(value(1)? as f32);
        if let Some((v_pos, v_neg)) = &mut rows.poles_v {
            v_pos.push(value(2)? as f32);
            v_neg.push(value(3)? as f32);
        }
        if rows.i_a.len() > ROWS_MAX {
            return Err(error(
                line,
                format!("more than {ROWS_MAX} samples: cut the trace around the fault"),
            ));
        }
    }
    rows.begin_s = times.first_s;
    rows.rate_hz = times.rate_hz().map_err(|what| error(None, what))?;
    Ok(rows)
}

/// Where each known column stands.
fn places(header: &csv::StringRecord) -> Result<[Option<usize>; 4], String> {
    let known = COLUMNS.join(", ");
    let mut places = [None; 4];
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

/// Watches the time column.
#[derive(Debug, Default)]
struct Times {
    count: u64,
    first_s: f64,
    last_s: f64,
}

impl Times {
    fn next(&mut self, t_s: f64) -> Result<(), String> {
        if self.count == 0 {
            self.first_s = t_s;
        } else {
            let step_s = t_s - self.last_s;
            if step_s <= 0.0 {
                return Err(format!(
                    "time_s goes from {} to {t_s}: it has to grow",
                    self.last_s
                ));
            }
            // The mean so far; the first step is all there is to compare the second with.
            if self.count > 1 {
                let mean_s = (self.last_s - self.first_s) / (self.count - 1) as f64;
                if step_s > mean_s * (1.0 + STEP_APART) {
                    return Err(format!(
                        "a gap: {step_s:.6} s after steps of {mean_s:.6} s; cut the trace before or after it"
                    ));
                }
                if step_s < mean_s * (1.0 - STEP_APART) {
                    return Err(format!(
                        "uneven: {step_s:.6} s after steps of {mean_s:.6} s; resample the trace evenly"
                    ));
                }
            }
        }
        self.last_s = t_s;
        self.count += 1;
        Ok(())
    }

    fn rate_hz(&self) -> Result<f64, String> {
        let seconds = self.last_s - self.first_s;
        if self.count < 2 || seconds < SHORTEST_S {
            return Err(format!(
                "is {seconds:.3} s long: at least {SHORTEST_S} s are needed"
            ));
        }
        let rate_hz = (self.count - 1) as f64 / seconds;
        if (RATE_HZ_MIN..=RATE_HZ_MAX).contains(&rate_hz) {
            Ok(rate_hz)
        } else {
            Err(format!(
                "has {rate_hz:.0} samples a second: {RATE_HZ_MIN:.0} to {RATE_HZ_MAX:.0} can be used; is time_s in seconds?"
            ))
        }
    }
}

fn case(path: &Path, beside: &Path, rows: &Rows, expected: &Expected) -> Result<Case, TraceError> {
    let error = |what: String| TraceError {
        file: path.display().to_string(),
        line: None,
        what,
    };
    let settings = settings(expected.settings.as_ref()).map_err(|what| TraceError {
        file: beside.display().to_string(),
        line: None,
        what: format!("settings: {what}"),
    })?;
    let seconds = rows.i_a.len() as f64 / rows.rate_hz;
    let healthy = expected.must_not_trip == Some(true);
    let (expect, fault_at_s) = if healthy {
        (Expect::no_trip(), 0.0)
    } else {
        let (Some(latest_ms), Some(onset_s)) = (expected.latest_ms, expected.onset_s) else {
            return Err(error(format!(
                "what is expected? give --onset-s and --latest-ms, or --must-not-trip, or write onset_s and latest_ms \
                 into {}",
                beside.display()
            )));
        };
        if !(latest_ms.is_finite() && latest_ms > 0.0) {
            return Err(error(format!(
                "latest_ms is {latest_ms}: it has to be above 0"
            )));
        }
        let at_s = onset_s - rows.begin_s;
        if at_s.is_nan() || at_s < BEFORE_S {
            return Err(error(format!(
                "the fault begins {:.1} ms after the trace: at least {:.0} ms have to come before, so that it is known \
                 what was normal",
                at_s * 1e3,
                BEFORE_S * 1e3
            )));
        }
        if at_s + latest_ms * 1e-3 > seconds {
            return Err(error(format!(
                "ends {:.1} ms after the fault begins: too short for latest_ms = {latest_ms}",
                (seconds - at_s) * 1e3
            )));
        }
        (Expect::trip(latest_ms * 1e-3), at_s)
    };
    let nominal_hz = f64::from(settings.mains.hz());
    let recorded =
        recorded(rows, if healthy { seconds } else { fault_at_s }, nominal_hz).map_err(&error)?;
    let mut waveform = Waveform::quiet(recorded.pre_roll.hz);
    let v_max = recorded
        .poles_v
        .iter()
        .flatten()
        .flatten()
        .fold(0.0_f32, |max, v| max.max(v.abs()));
    let watch_s = recorded.seconds();
    waveform.recorded = Some(Arc::new(recorded));
    let name = path.file_stem().map_or_else(
        || "trace".to_owned(),
        |stem| stem.to_string_lossy().into_owned(),
    );
    let mut case = Case::residual("recorded traces", format!("trace/{name}"), waveform, expect);
    case.settings = settings;
    case.limit = expected
        .limit_a
        .map_or(Limit::None, |a| Limit::Current { a });
    case.source = Source {
        text: expected
            .source
            .clone()
            .map_or(Cow::Borrowed("as given with the trace"), Cow::Owned),
        confidence: Confidence::Given,
    };
    case.calibration = calibration(v_max);
    case.fault_at_s = fault_at_s;
    case.watch_s = watch_s;
    case.before = Leakage::HEALTHY;
    Ok(case)
}

/// The settings for a small array without an earth of its own, no insulation checks, with changes laid over.
fn settings(changes: Option<&Table>) -> Result<Settings, String> {
    let mut settings = Settings::SMALL_BONDED;
    settings.earthing = Earthing::NotEarthed;
    settings.mains = Mains::Hz50;
    settings.check.before_connect = false;
    settings.check.every_s = 0;
    if let Some(changes) = changes {
        let mut whole = Table::try_from(settings).map_err(|why| why.to_string())?;
        lay_over(&mut whole, changes);
        settings = whole
            .try_into()
            .map_err(|why: toml::de::Error| why.message().to_owned())?;
    }
    settings
        .check()
        .map_err(|fault| format!("{} {fault}", fault.key()))?;
    Ok(settings)
}

fn lay_over(whole: &mut Table, changes: &Table) {
    for (key, change) in changes {
        match (whole.get_mut(key), change) {
            (Some(toml::Value::Table(inner)), toml::Value::Table(change)) => {
                lay_over(inner, change);
            }
            _ => {
                // A key that is not there is found when the whole is read back.
                whole.insert(key.clone(), change.clone());
            }
        }
    }
}

/// Pole channels wide enough for what was recorded.
fn calibration(v_max: f32) -> Calibration {
    let full_v = v_max * 1.2;
    if full_v <= 600.0 {
        return Calibration::REFERENCE;
    }
    let span = Scale {
        zero: 0.0,
        per_count: full_v / 32768.0,
    };
    Calibration {
        v_pos: span,
        v_neg: span,
        ..Calibration::REFERENCE
    }
}

/// At the core's rate, with its pre-roll from the first `normal_s`.
fn recorded(rows: &Rows, normal_s: f64, nominal_hz: f64) -> Result<Recorded, String> {
    let at_rate = |values: &[f32]| {
        resample(values, rows.rate_hz)
            .map_err(|why| format!("cannot be resampled to {RATE_HZ} Hz: {why}"))
    };
    let i_a = at_rate(&rows.i_a)?;
    let poles_v = match &rows.poles_v {
        Some((v_pos, v_neg)) => {
            let poles = at_rate(v_pos)?.into_iter().zip(at_rate(v_neg)?);
            Some(poles.map(|(pos, neg)| [pos, neg]).collect())
        }
        None => None,
    };
    let pre_roll = PreRoll::of(&i_a, normal_s, nominal_hz);
    Ok(Recorded {
        i_a,
        poles_v,
        pre_roll,
    })
}
