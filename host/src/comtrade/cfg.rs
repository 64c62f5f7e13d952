//! The configuration: text → a [`Record`] that still has no samples.

use super::error::{ComtradeError, quoted};
use super::{Analog, Bits, Clock, Encoding, Rate, Record, Revision, Side, Status, stamp};
use std::path::Path;
use std::str::FromStr;

/// Most channels of a kind that the format can state.
const CHANNELS_MAX: u64 = 999_999;
/// Most rates.
const RATES_MAX: u64 = 999;

/// Cuts text into lines at LF, CR LF, a lone CR, or CR CR LF, which a transfer as text makes of CR LF.
pub fn lines(text: &str) -> impl Iterator<Item = &str> {
    let mut rest = Some(text);
    std::iter::from_fn(move || {
        let text = rest?;
        let Some(end) = text.find(['\r', '\n']) else {
            rest = None;
            return (!text.is_empty()).then_some(text);
        };
        let behind = &text[end..];
        let returns = behind.bytes().take_while(|b| *b == b'\r').count();
        let width = if behind.as_bytes().get(returns) == Some(&b'\n') {
            returns + 1
        } else {
            1
        };
        rest = Some(&behind[width..]);
        Some(&text[..end])
    })
}

/// What the configuration says, and how many samples it promises.
#[derive(Debug)]
pub struct Configuration {
    /// Everything but samples.
    pub record: Record,
    /// Samples promised.
    pub samples: u64,
}

/// The lines one after the other, with their numbers.
struct Lines<'a, I> {
    file: &'a Path,
    lines: I,
    /// Number of the line in hand.
    at: u64,
}

impl<'a, I: Iterator<Item = &'a str>> Lines<'a, I> {
    fn next(&mut self, what: &str) -> Result<&'a str, ComtradeError> {
        self.at += 1;
        match self.lines.next() {
            Some(line) => Ok(line),
            None => Err(self.error(format!(
                "ends where {what} belongs: the file is cut short or its counts are wrong; get the whole file"
            ))),
        }
    }

    /// The next line if there is one with anything in it.
    fn optional(&mut self) -> Option<&'a str> {
        self.at += 1;
        let line = self.lines.next()?.trim_end_matches('\u{1a}').trim();
        (!line.is_empty()).then_some(line)
    }

    fn error(&self, what: impl Into<String>) -> ComtradeError {
        ComtradeError {
            line: Some(self.at),
            ..ComtradeError::of(self.file, what)
        }
    }

    fn number<T: FromStr>(&self, text: &str, name: &str) -> Result<T, ComtradeError> {
        let text = text.trim();
        text.parse()
            .map_err(|_| self.error(format!("{name} is {}: a number belongs here", quoted(text))))
    }

    fn real(&self, text: &str, name: &str) -> Result<f64, ComtradeError> {
        let value: f64 = self.number(text, name)?;
        if value.is_finite() {
            Ok(value)
        } else {
            Err(self.error(format!(
                "{name} is {}: a finite number belongs here",
                quoted(text)
            )))
        }
    }

    fn real_or(&self, text: &str, name: &str, empty: f64) -> Result<f64, ComtradeError> {
        if text.trim().is_empty() {
            Ok(empty)
        } else {
            self.real(text, name)
        }
    }

    fn fields(
        &self,
        line: &'a str,
        counts: &[usize],
        of: &str,
    ) -> Result<Vec<&'a str>, ComtradeError> {
        let fields: Vec<&str> = line.split(',').map(str::trim).collect();
        if counts.contains(&fields.len()) {
            return Ok(fields);
        }
        let want: Vec<_> = counts.iter().map(ToString::to_string).collect();
        Err(self.error(format!(
            "{of} has {} fields where {} belong: a comma too many or too few, or the channel counts in line 2 are wrong",
            fields.len(),
            want.join(" or ")
        )))
    }
}

/// Reads the text; `first_line` is the number of its first line in `file`.
pub fn read(file: &Path, text: &str, first_line: u64) -> Result<Configuration, ComtradeError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = Lines {
        file,
        lines: lines(text),
        at: first_line - 1,
    };
    let head = lines.next("the station's line")?;
    let head = lines.fields(head, &[2, 3], "the first line (station,recorder,year)")?;
    let revision = match head.get(2).copied() {
        None | Some("1991") => Revision::Y1991,
        Some("1999" | "2001") => Revision::Y1999,
        Some("2013") => Revision::Y2013,
        Some(other) => {
            return Err(lines.error(format!(
                "revision {}: 1991, 1999, 2001 and 2013 can be read",
                quoted(other)
            )));
        }
    };
    let (analog_count, status_count) = counts(&mut lines)?;
    // Grows as lines come: what line 2 claims is not believed.
    let mut analogs = Vec::new();
    for n in 1..=analog_count {
        analogs.push(analog(&mut lines, n, revision)?);
    }
    let mut statuses = Vec::new();
    for n in 1..=status_count {
        statuses.push(status(&mut lines, n, revision)?);
    }
    let line_hz = match lines.next("the mains frequency")?.trim() {
        "" => None,
        text => Some(lines.real(text, "the mains frequency")?),
    };
    let (rates, samples) = rates(&mut lines)?;
    let mut date = |what| {
        let text = lines.next(what)?;
        stamp::read(text, revision).map_err(|what| lines.error(what))
    };
    let (start, fine) = date("the date of the first sample")?;
    let (trigger, also_fine) = date("the date of the trigger")?;
    let word = lines
        .next("the file type")?
        .trim_end_matches('\u{1a}')
        .trim();
    let all = [
        Encoding::Ascii,
        Encoding::Binary,
        Encoding::Binary32,
        Encoding::Float32,
    ];
    let Some(encoding) = all
        .into_iter()
        .find(|e| e.word().eq_ignore_ascii_case(word))
    else {
        return Err(lines.error(format!(
            "file type {}: ASCII, BINARY, BINARY32 and FLOAT32 can be read",
            quoted(word)
        )));
    };
    let timemult = match (revision, lines.optional()) {
        (Revision::Y1991, _) => 1.0,
        (_, Some(text)) => lines.real(text, "timemult")?,
        // With rates nothing is multiplied by it.
        (_, None) if !rates.is_empty() => 1.0,
        (_, None) => {
            return Err(lines.error(
                "ends where timemult belongs, and with nrates = 0 times depend on it: get the whole file",
            ));
        }
    };
    if timemult <= 0.0 {
        return Err(lines.error(format!("timemult is {timemult}: it has to be above 0")));
    }
    let clock = (revision == Revision::Y2013)
        .then(|| clock(&mut lines))
        .transpose()?
        .flatten();
    Ok(Configuration {
        record: Record {
            station: head[0].to_owned(),
            recorder: head[1].to_owned(),
            revision,
            encoding,
            analogs,
            statuses,
            line_hz,
            rates,
            start,
            trigger,
            timemult,
            nanoseconds: fine || also_fine,
            stamps: Vec::new(),
            clock,
            notes: String::new(),
        },
        samples,
    })
}

/// The second line: `TT,nA,nD`.
fn counts<'a>(
    lines: &mut Lines<'a, impl Iterator<Item = &'a str>>,
) -> Result<(u64, u64), ComtradeError> {
    let line = lines.next("the channel counts")?;
    let fields = lines.fields(line, &[3], "the second line (total,analogA,statusD)")?;
    let of_kind = |text: &str, kind: char| {
        let number = text.strip_suffix([kind, kind.to_ascii_lowercase()]);
        let count: Option<u64> = number.and_then(|n| n.trim().parse().ok());
        count.filter(|n| *n <= CHANNELS_MAX).ok_or_else(|| {
            lines.error(format!(
                "{} is no count of channels: write 0{kind} to {CHANNELS_MAX}{kind}",
                quoted(text)
            ))
        })
    };
    let (analogs, statuses) = (of_kind(fields[1], 'A')?, of_kind(fields[2], 'D')?);
    let total: u64 = lines.number(fields[0], "the total of channels")?;
    if total == 0 || total != analogs + statuses {
        return Err(lines.error(format!(
            "{total} channels in all, but {analogs} analog and {statuses} status channels: correct the counts"
        )));
    }
    Ok((analogs, statuses))
}

fn analog<'a>(
    lines: &mut Lines<'a, impl Iterator<Item = &'a str>>,
    n: u64,
    revision: Revision,
) -> Result<Analog, ComtradeError> {
    let line = lines.next(&format!("analog channel {n}"))?;
    let counts: &[usize] = match revision {
        Revision::Y1991 => &[10, 13],
        Revision::Y1999 | Revision::Y2013 => &[13],
    };
    let f = lines.fields(line, counts, &format!("analog channel {n}"))?;
    let of = |what: &str| format!("{what} of analog channel {n}");
    let limit = |text: &str, what| match text {
        "" => Ok(None),
        text => lines.real(text, &of(what)).map(Some),
    };
    let mut channel = Analog {
        phase: f[2].to_owned(),
        circuit: f[3].to_owned(),
        skew_us: lines.real_or(f[7], &of("skew"), 0.0)?,
        min: limit(f[8], "min")?,
        max: limit(f[9], "max")?,
        ..Analog::from_counts(
            f[1],
            f[4],
            (
                lines.real(f[5], &of("a"))?,
                lines.real_or(f[6], &of("b"), 0.0)?,
            ),
            [],
        )
    };
    if let [primary, secondary, side] = f[10..] {
        channel.primary = lines.real_or(primary, &of("primary"), 1.0)?;
        channel.secondary = lines.real_or(secondary, &of("secondary"), 1.0)?;
        channel.side = match side {
            "P" | "p" => Side::Primary,
            "S" | "s" => Side::Secondary,
            other => {
                return Err(lines.error(format!(
                    "{} is {}: P for primary or S for secondary values belongs here",
                    of("PS"),
                    quoted(other)
                )));
            }
        };
    }
    Ok(channel)
}

fn status<'a>(
    lines: &mut Lines<'a, impl Iterator<Item = &'a str>>,
    n: u64,
    revision: Revision,
) -> Result<Status, ComtradeError> {
    let line = lines.next(&format!("status channel {n}"))?;
    let counts: &[usize] = match revision {
        Revision::Y1991 => &[3, 5],
        Revision::Y1999 | Revision::Y2013 => &[5],
    };
    let f = lines.fields(line, counts, &format!("status channel {n}"))?;
    let normal = match f.last().copied().unwrap_or_default() {
        "" | "0" => false,
        "1" => true,
        other => {
            return Err(lines.error(format!(
                "the normal state of status channel {n} is {}: 0 or 1 belongs here",
                quoted(other)
            )));
        }
    };
    let text = |at: usize| {
        if f.len() == 5 {
            f[at].to_owned()
        } else {
            String::new()
        }
    };
    Ok(Status {
        name: f[1].to_owned(),
        phase: text(2),
        circuit: text(3),
        normal,
        bits: Bits::default(),
    })
}

/// `nrates` and its lines: the rates, none where every sample has a stamp of its own, and how many samples there are.
fn rates<'a>(
    lines: &mut Lines<'a, impl Iterator<Item = &'a str>>,
) -> Result<(Vec<Rate>, u64), ComtradeError> {
    let line = lines.next("the number of sample rates")?;
    let count: u64 = lines.number(line, "the number of sample rates")?;
    if count > RATES_MAX {
        return Err(lines.error(format!(
            "{count} sample rates: at most {RATES_MAX} can be stated"
        )));
    }
    let mut rates: Vec<Rate> = Vec::new();
    for _ in 0..count.max(1) {
        let line = lines.next("a sample rate")?;
        let fields = lines.fields(line, &[2], "a sample rate (rate,last sample)")?;
        let hz = lines.real(fields[0], "the sample rate")?;
        let last: u64 = lines.number(fields[1], "the number of the last sample")?;
        if last <= rates.last().map_or(0, |rate| rate.last) {
            return Err(lines.error(format!(
                "the last sample at this rate is number {last}: it has to come after the one before"
            )));
        }
        // One rate of 0 is another way to say that there is none.
        if count == 0 || (count == 1 && hz == 0.0) {
            return Ok((Vec::new(), last));
        }
        if hz <= 0.0 {
            return Err(lines.error(format!("the sample rate is {hz} Hz: it has to be above 0")));
        }
        rates.push(Rate { hz, last });
    }
    let samples = rates.last().map_or(0, |rate| rate.last);
    Ok((rates, samples))
}

fn clock<'a>(
    lines: &mut Lines<'a, impl Iterator<Item = &'a str>>,
) -> Result<Option<Clock>, ComtradeError> {
    let Some(codes) = lines.optional() else {
        return Ok(None);
    };
    let codes = lines.fields(codes, &[2], "the time codes (time_code,local_code)")?;
    let Some(quality) = lines.optional() else {
        return Ok(None);
    };
    let quality = lines.fields(quality, &[2], "the clock's quality (tmq_code,leapsec)")?;
    Ok(Some(Clock {
        time_code: codes[0].to_owned(),
        local_code: codes[1].to_owned(),
        quality: quality[0].to_owned(),
        leap_second: quality[1].to_owned(),
    }))
}
