//! Recorded traces: a CSV or COMTRADE file, and what is expected of it from a TOML file beside it or from flags.
//!
//! - this file: expectations, and the case that comes of them
//! - `csv_file`, `comtrade_file`: files → `rows`; `rows`: → the core's rate

mod comtrade_file;
mod csv_file;
mod rows;

pub use comtrade_file::ROLES;

use super::array::Leakage;
use super::case::{Case, Confidence, Expect, Limit, Source};
use super::waveform::Waveform;
use ohmward_proto::Settings;
use ohmward_proto::settings::{Calibration, Earthing, Mains, Scale};
use rows::Rows;
use serde::Deserialize;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use toml::Table;

/// Shortest stretch before the fault, s: a cycle of 47 Hz, so that something is known of what was normal.
const BEFORE_S: f64 = 0.022;
/// "The end of the trace" may be told rounded, s.
const END_NEAR_S: f64 = 0.01;

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
    /// When the fault begins, in the trace's own time: the time column's, or from a COMTRADE record's first sample on.
    /// Where it is not said: a COMTRADE record's trigger, or an earlier rise of a channel called pickup; of a captured event, as
    /// `export` writes it, where the current leaves what repeated until then.
    pub onset_s: Option<f64>,
    /// The trace is healthy.
    pub must_not_trip: Option<bool>,
    /// Who says so.
    pub source: Option<String>,
    /// Changes to the settings for a small array without an earth of its own; keys as in a scenario's `[settings]`.
    pub settings: Option<Table>,
    /// COMTRADE: names of the channels by role ([`ROLES`]), `#2` for the second.
    #[serde(default)]
    pub channel: BTreeMap<String, String>,
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
            channel: other.channel.into_iter().chain(self.channel).collect(),
        }
    }
}

/// A trace that has been read, with what is expected of it.
#[derive(Clone, PartialEq, Debug)]
pub struct Trace {
    path: PathBuf,
    /// Where expectations may stand.
    beside: PathBuf,
    rows: Rows,
    expected: Expected,
    /// The board's settings: for a small array without an earth of its own, no insulation checks, with the changes laid over.
    pub settings: Settings,
}

/// A trace as it is to be played: at the core's rate, with a pre-roll.
#[derive(Clone, PartialEq, Debug)]
pub struct Playable {
    /// The current, its pre-roll and, if recorded, the poles.
    pub waveform: Waveform,
    /// Pole channels wide enough for it.
    pub calibration: Calibration,
}

/// A trace file with what is expected of it, as a case.
///
/// # Errors
/// [`TraceError`], with file and line.
pub fn load(path: &Path, flags: &Expected) -> Result<Case, TraceError> {
    Trace::open(path, flags)?.case()
}

impl Trace {
    /// Reads a trace file and the TOML file beside it.
    ///
    /// # Errors
    /// [`TraceError`], with file and line.
    pub fn open(path: &Path, flags: &Expected) -> Result<Self, TraceError> {
        let beside = path.with_extension("toml");
        let expected = flags.clone().or(read_expected(&beside)?);
        let error = |what: String| TraceError {
            file: path.display().to_string(),
            line: None,
            what,
        };
        let extension = path
            .extension()
            .map(|e| e.to_string_lossy().to_ascii_lowercase());
        let mut rows = match extension.as_deref() {
            Some("cfg" | "dat" | "cff") => comtrade_file::read(path, &expected.channel)?,
            _ if !expected.channel.is_empty() => {
                return Err(error(
                    "channels can be chosen in COMTRADE files; the columns of a CSV file have fixed names: rename them"
                        .to_owned(),
                ));
            }
            _ => csv_file::read(path)?,
        };
        rows.check().map_err(error)?;
        let settings = settings(expected.settings.as_ref()).map_err(|what| TraceError {
            file: beside.display().to_string(),
            line: None,
            what: format!("settings: {what}"),
        })?;
        rows.find_onset(f64::from(settings.mains.hz()));
        Ok(Self {
            path: path.to_path_buf(),
            beside,
            rows,
            expected,
            settings,
        })
    }

    /// How the file was read, for whoever reads the result: which channels, and what the onset rests on.
    pub fn remarks(&self) -> Vec<String> {
        let onset = match (&self.expected.onset_s, &self.rows.onset) {
            (None, Some(onset)) if !self.healthy() => Some(format!(
                "the fault is taken to begin at {:.4} s, {}; if it began before, say so with --onset-s",
                onset.at_s, onset.what
            )),
            _ => None,
        };
        self.rows.taken.iter().cloned().chain(onset).collect()
    }

    fn healthy(&self) -> bool {
        self.expected.must_not_trip == Some(true)
    }

    fn error(&self, what: String) -> TraceError {
        TraceError {
            file: self.path.display().to_string(),
            line: None,
            what,
        }
    }

    /// When the fault begins, in the trace's own time: as told, else as the file has it.
    fn onset_s(&self) -> Option<f64> {
        let found = self.rows.onset.as_ref();
        self.expected.onset_s.or(found.map(|onset| onset.at_s))
    }

    /// Why a captured event has no onset, to begin an error with.
    fn no_onset(&self) -> &'static str {
        if self.onset_s().is_none() && self.rows.decided_s.is_some() {
            "it was captured when the board had decided, and nothing before that stands out: "
        } else {
            ""
        }
    }

    /// How much of its beginning shows what is normal, if nothing in it is a fault: up to what the file is about.
    fn normal_s(&self) -> f64 {
        let onset_s = self.onset_s().map(|onset_s| onset_s - self.rows.begin_s());
        let seconds = self.rows.seconds();
        onset_s
            .filter(|s| (BEFORE_S..seconds).contains(s))
            .unwrap_or(seconds)
    }

    /// From the first sample to the fault, once there is enough before it.
    fn fault_at_s(&self, onset_s: f64) -> Result<f64, TraceError> {
        let at_s = onset_s - self.rows.begin_s();
        let (begin_s, seconds) = (self.rows.begin_s(), self.rows.seconds());
        if at_s.is_nan() || at_s < BEFORE_S || at_s > seconds + END_NEAR_S {
            return Err(self.error(format!(
                "the fault is said to begin at {onset_s} s, the trace goes from {begin_s} to {} s: it has to begin within \
                 that, {:.0} ms after the beginning or later, so that it is known what was normal",
                begin_s + seconds,
                BEFORE_S * 1e3
            )));
        }
        Ok(at_s)
    }

    /// To be played without a judgement on it; what comes before the fault tells what is normal.
    ///
    /// # Errors
    /// It is not known where that ends, or it is too short.
    pub fn playable(&self) -> Result<Playable, TraceError> {
        let normal_s = match (self.healthy(), self.onset_s()) {
            (true, _) => self.normal_s(),
            (false, Some(onset_s)) => self.fault_at_s(onset_s)?.min(self.rows.seconds()),
            (false, None) => {
                return Err(self.error(format!(
                    "{}where does the fault begin? give --onset-s, the end of the trace if it is healthy all through",
                    self.no_onset()
                )));
            }
        };
        self.played(normal_s)
    }

    fn played(&self, normal_s: f64) -> Result<Playable, TraceError> {
        let nominal_hz = f64::from(self.settings.mains.hz());
        let recorded = self
            .rows
            .recorded(normal_s, nominal_hz)
            .map_err(|what| self.error(what))?;
        let mut waveform = Waveform::quiet(recorded.pre_roll.hz);
        let v_max = recorded
            .poles_v
            .iter()
            .flatten()
            .flatten()
            .fold(0.0_f32, |max, v| max.max(v.abs()));
        waveform.recorded = Some(Arc::new(recorded));
        let calibration = calibration(v_max);
        if !calibration.is_sound() {
            return Err(self.error(format!(
                "a pole stands at {v_max:e} V: a board can be made for about 1600 V; are the voltages in volts?"
            )));
        }
        Ok(Playable {
            waveform,
            calibration,
        })
    }

    /// As a case of the bench.
    ///
    /// # Errors
    /// It is not said what is expected, or the trace is too short for that.
    pub fn case(&self) -> Result<Case, TraceError> {
        let expected = &self.expected;
        let seconds = self.rows.seconds();
        let (expect, fault_at_s) = if self.healthy() {
            (Expect::no_trip(), 0.0)
        } else {
            let (Some(latest_ms), Some(onset_s)) = (expected.latest_ms, self.onset_s()) else {
                return Err(self.error(format!(
                    "{}what is expected? give --onset-s and --latest-ms, or --must-not-trip, or write onset_s and latest_ms \
                     into {}",
                    self.no_onset(),
                    self.beside.display()
                )));
            };
            if !(latest_ms.is_finite() && latest_ms > 0.0) {
                return Err(self.error(format!("latest_ms is {latest_ms}: it has to be above 0")));
            }
            let at_s = self.fault_at_s(onset_s)?;
            if at_s + latest_ms * 1e-3 > seconds {
                return Err(self.error(format!(
                    "ends {:.1} ms after the fault begins: too short for latest_ms = {latest_ms}; take a longer trace",
                    (seconds - at_s) * 1e3
                )));
            }
            (Expect::trip(latest_ms * 1e-3), at_s)
        };
        let normal_s = if self.healthy() {
            self.normal_s()
        } else {
            fault_at_s
        };
        let Playable {
            waveform,
            calibration,
        } = self.played(normal_s)?;
        let watch_s = waveform
            .recorded
            .as_ref()
            .map_or(seconds, |recorded| recorded.seconds());
        let name = self.path.file_stem().map_or_else(
            || "trace".to_owned(),
            |stem| stem.to_string_lossy().into_owned(),
        );
        let mut case = Case::residual("recorded traces", format!("trace/{name}"), waveform, expect);
        case.settings = self.settings;
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
        case.calibration = calibration;
        case.fault_at_s = fault_at_s;
        case.watch_s = watch_s;
        case.before = Leakage::HEALTHY;
        Ok(case)
    }
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
