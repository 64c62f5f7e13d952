//! COMTRADE, the trade's open format for recorded waveforms: read and written. Read IEEE C37.111-2013 (the same text as
//! IEC 60255-24:2013), clauses 7 and 8, before changing this.
//!
//! - this file: [`Record`], what such files say, whichever form they have
//! - [`files`]: which files belong together, size limits, the parts of a .cff
//! - [`cfg`]: the configuration as text → a [`Record`] without samples
//! - [`dat`]: the samples, ASCII and binary
//! - [`stamp`]: dates as the format writes them
//! - [`write`]: a [`Record`] → files
//! - [`bits`]: status channels, a bit a sample
//! - [`error`]: one line that names file and line
//!
//! Read: revisions 1991, 1999 (and IEC 60255-24:2001, the same), 2013. Written: 1999 and 2013. Memory grows with the size of the
//! files, which is limited, never with what a header claims.

pub mod bits;
mod cfg;
mod dat;
pub mod error;
mod files;
mod stamp;
#[cfg(test)]
mod tests;
pub mod write;

pub use bits::Bits;
pub use error::ComtradeError;
pub use write::Layout;

use jiff::civil::DateTime;
use std::path::Path;

/// Revision of the standard.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Revision {
    /// 1991: no year in the first line, dates with the month first.
    Y1991,
    /// 1999.
    Y1999,
    /// 2013: 32-bit samples, one file, time codes.
    Y2013,
}

/// How samples are written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Encoding {
    /// Numbers as text.
    Ascii,
    /// 16-bit integers.
    Binary,
    /// 32-bit integers.
    Binary32,
    /// 32-bit floating point.
    Float32,
}

impl Encoding {
    /// As the configuration names it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Ascii => "ASCII",
            Self::Binary => "BINARY",
            Self::Binary32 => "BINARY32",
            Self::Float32 => "FLOAT32",
        }
    }

    /// Bytes of an analog sample; `None` where samples are text.
    fn analog_bytes(self) -> Option<u64> {
        match self {
            Self::Ascii => None,
            Self::Binary => Some(2),
            Self::Binary32 | Self::Float32 => Some(4),
        }
    }
}

/// On which side of the measuring transformer values stand.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Side {
    /// In the plant.
    Primary,
    /// At the recorder.
    Secondary,
}

/// An analog channel with its samples.
#[derive(Clone, PartialEq, Debug)]
pub struct Analog {
    /// Name (`ch_id`).
    pub name: String,
    /// Phase.
    pub phase: String,
    /// Circuit or component.
    pub circuit: String,
    /// Unit of the values.
    pub unit: String,
    /// Value of one count.
    pub a: f64,
    /// Value at no counts.
    pub b: f64,
    /// Time from the sample's moment to this channel's, µs.
    pub skew_us: f64,
    /// Least count, as the recorder states it; no limit on samples here.
    pub min: Option<f64>,
    /// Greatest count.
    pub max: Option<f64>,
    /// Ratio of the measuring transformer: primary …
    pub primary: f64,
    /// … to secondary.
    pub secondary: f64,
    /// Which of the two the values are.
    pub side: Side,
    /// Counts, NaN where a sample is missing; see [`Self::value`].
    counts: Vec<f64>,
}

impl Analog {
    /// A channel whose values are primary, from counts; `None` is a sample that is missing.
    pub fn from_counts(
        name: &str,
        unit: &str,
        (a, b): (f64, f64),
        counts: impl IntoIterator<Item = Option<f64>>,
    ) -> Self {
        Self {
            name: name.to_owned(),
            phase: String::new(),
            circuit: String::new(),
            unit: unit.to_owned(),
            a,
            b,
            skew_us: 0.0,
            min: None,
            max: None,
            primary: 1.0,
            secondary: 1.0,
            side: Side::Primary,
            counts: counts
                .into_iter()
                .map(|count| count.unwrap_or(f64::NAN))
                .collect(),
        }
    }

    /// Samples held.
    #[must_use]
    pub fn len(&self) -> usize {
        self.counts.len()
    }

    /// No samples.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.counts.is_empty()
    }

    /// The `n`-th count, from 0; `None`: missing, or beyond the end.
    #[must_use]
    pub fn count(&self, n: usize) -> Option<f64> {
        self.counts.get(n).copied().filter(|count| !count.is_nan())
    }

    /// The `n`-th value in [`Self::unit`], a·count + b, on the side that [`Self::side`] names.
    #[must_use]
    pub fn value(&self, n: usize) -> Option<f64> {
        self.count(n).map(|count| self.a * count + self.b)
    }

    /// Every value, in order; `None` for a missing one.
    pub fn values(&self) -> impl Iterator<Item = Option<f64>> + '_ {
        (0..self.len()).map(|n| self.value(n))
    }

    /// What a value has to be multiplied by to stand on the primary side.
    #[must_use]
    pub fn to_primary(&self) -> f64 {
        match self.side {
            Side::Secondary if self.primary != 0.0 && self.secondary != 0.0 => {
                self.primary / self.secondary
            }
            Side::Primary | Side::Secondary => 1.0,
        }
    }
}

/// A status channel with its samples.
#[derive(Clone, PartialEq, Debug)]
pub struct Status {
    /// Name (`ch_id`).
    pub name: String,
    /// Phase.
    pub phase: String,
    /// Circuit or component.
    pub circuit: String,
    /// Its state when nothing is wrong.
    pub normal: bool,
    /// Samples.
    pub bits: Bits,
}

impl Status {
    /// A channel from its samples.
    pub fn from_bits(name: &str, normal: bool, bits: impl IntoIterator<Item = bool>) -> Self {
        Self {
            name: name.to_owned(),
            phase: String::new(),
            circuit: String::new(),
            normal,
            bits: bits.into_iter().collect(),
        }
    }
}

/// A stretch of samples at one rate.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Rate {
    /// Samples a second.
    pub hz: f64,
    /// Number of its last sample, the record's first being 1.
    pub last: u64,
}

/// What the 2013 revision says about the clock, as it stands in the file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Clock {
    /// Offset of the dates from UTC: `0`, `-4`, `+10h30`.
    pub time_code: String,
    /// Offset of the recorder's place; `x`: does not apply.
    pub local_code: String,
    /// How good the time is: a hex digit, `0` locked, `F` not reliable.
    pub quality: String,
    /// Leap second: 0 none, 1 added, 2 taken out, 3 cannot be told.
    pub leap_second: String,
}

/// A recording.
#[derive(Clone, PartialEq, Debug)]
pub struct Record {
    /// Where it was recorded.
    pub station: String,
    /// What recorded it.
    pub recorder: String,
    /// Revision it was read from.
    pub revision: Revision,
    /// How its samples were written.
    pub encoding: Encoding,
    /// Analog channels.
    pub analogs: Vec<Analog>,
    /// Status channels.
    pub statuses: Vec<Status>,
    /// Mains frequency, Hz.
    pub line_hz: Option<f64>,
    /// Rates, in order. Empty: every sample has its own stamp.
    pub rates: Vec<Rate>,
    /// Date of the first sample.
    pub start: DateTime,
    /// Date of the trigger.
    pub trigger: DateTime,
    /// What a stamp has to be multiplied by.
    pub timemult: f64,
    /// Stamps count nanoseconds, not microseconds: dates have more than six decimals.
    pub nanoseconds: bool,
    /// Stamps before [`Self::timemult`], where there are no rates; else empty.
    pub stamps: Vec<u64>,
    /// The clock (2013).
    pub clock: Option<Clock>,
    /// Free text beside it (.hdr).
    pub notes: String,
}

impl Record {
    /// Reads a .cfg with its .dat (either may be named), or a .cff.
    ///
    /// # Errors
    /// [`ComtradeError`]: the file, its line, what is wrong, what to do.
    pub fn load(path: &Path) -> Result<Self, ComtradeError> {
        files::load(path)
    }

    /// Samples a channel.
    #[must_use]
    pub fn samples(&self) -> usize {
        let analog = self.analogs.first().map(Analog::len);
        analog
            .or_else(|| self.statuses.first().map(|status| status.bits.len()))
            .unwrap_or(0)
    }

    /// The analog channel of this name; upper and lower case count only where both occur.
    #[must_use]
    pub fn channel(&self, name: &str) -> Option<&Analog> {
        by_name(&self.analogs, name, |channel| &channel.name)
    }

    /// The status channel of this name, likewise.
    #[must_use]
    pub fn status_channel(&self, name: &str) -> Option<&Status> {
        by_name(&self.statuses, name, |channel| &channel.name)
    }

    /// Seconds from the first sample's date to each sample.
    ///
    /// With rates, the step to a sample has the rate of the stretch that the sample belongs to; without, stamps count.
    #[must_use]
    pub fn times_s(&self) -> Vec<f64> {
        if self.rates.is_empty() {
            let base_s = self.stamp_base_s() * self.timemult;
            return self
                .stamps
                .iter()
                .map(|stamp| *stamp as f64 * base_s)
                .collect();
        }
        let mut times = Vec::with_capacity(self.samples());
        // The last sample of the stretch before, and its time.
        let (mut from, mut from_s) = (1, 0.0);
        for rate in &self.rates {
            let last = rate.last.min(self.samples() as u64);
            let first = times.len() as u64 + 1;
            times.extend((first..=last).map(|n| from_s + (n - from) as f64 / rate.hz));
            if let Some(end_s) = times.last() {
                (from, from_s) = (last, *end_s);
            }
        }
        times
    }

    /// Seconds from the first sample's date to the trigger; negative when the trigger came before.
    #[must_use]
    pub fn trigger_s(&self) -> f64 {
        self.trigger.duration_since(self.start).as_secs_f64()
    }

    /// One unit of a stamp, s.
    fn stamp_base_s(&self) -> f64 {
        if self.nanoseconds { 1e-9 } else { 1e-6 }
    }
}

fn by_name<'a, T>(channels: &'a [T], name: &str, of: impl Fn(&T) -> &str) -> Option<&'a T> {
    let exact = channels.iter().find(|channel| of(channel) == name);
    exact.or_else(|| {
        let mut like = channels
            .iter()
            .filter(|channel| of(channel).eq_ignore_ascii_case(name));
        like.next().filter(|_| like.next().is_none())
    })
}
