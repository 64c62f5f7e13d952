//! A [`Record`] → files, as 1999 or 2013 has them. Lines end in CR LF.
//!
//! Nothing is rounded to fit: counts that an encoding cannot hold are an error, so a caller chooses the scale.

use super::dat::{NO_SAMPLE_TEXT, NO_STAMP};
use super::error::{ComtradeError, quoted};
use super::{Analog, Encoding, Record, Revision, Side, Status, stamp};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// How a record is written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Layout {
    /// 1999 or 2013.
    pub revision: Revision,
    /// Of the samples; 32-bit ones need 2013.
    pub encoding: Encoding,
}

impl Record {
    /// Writes `path`: a .cff (2013), or a .cfg and beside it a .dat and, if there are notes, a .hdr. Returns what was written.
    ///
    /// # Errors
    /// [`ComtradeError`]: what the format cannot hold, or what the system says. What is there already is overwritten.
    pub fn save(&self, path: &Path, layout: Layout) -> Result<Vec<PathBuf>, ComtradeError> {
        let error = |what: String| ComtradeError::of(path, what);
        let cfg = self.configuration(layout).map_err(error)?;
        let dat = self.data(layout).map_err(error)?;
        let notes = lines_of(&self.notes);
        let extension = path
            .extension()
            .map(|e| e.to_string_lossy().to_ascii_lowercase());
        let files = match extension.as_deref() {
            Some("cfg") => {
                let mut files = vec![
                    (path.to_path_buf(), cfg.into_bytes()),
                    (path.with_extension("dat"), dat),
                ];
                if !notes.is_empty() {
                    files.push((path.with_extension("hdr"), notes.into_bytes()));
                }
                files
            }
            Some("cff") if layout.revision == Revision::Y2013 => {
                vec![(
                    path.to_path_buf(),
                    in_one(&cfg, &notes, dat, layout.encoding),
                )]
            }
            Some("cff") => {
                return Err(error(
                    "one file for all (.cff) came with revision 2013: write 2013, or a .cfg with its .dat".to_owned(),
                ));
            }
            _ => {
                return Err(error(
                    "is no name for a COMTRADE file: end it in .cfg (with a .dat beside it) or .cff".to_owned(),
                ));
            }
        };
        let mut written = Vec::new();
        for (file, bytes) in files {
            std::fs::write(&file, bytes)
                .map_err(|why| ComtradeError::of(&file, format!("cannot be written: {why}")))?;
            written.push(file);
        }
        Ok(written)
    }

    fn configuration(&self, layout: Layout) -> Result<String, String> {
        let year = match (layout.revision, layout.encoding) {
            (Revision::Y1999, Encoding::Ascii | Encoding::Binary) => "1999",
            (Revision::Y1999, encoding) => {
                return Err(format!(
                    "{} came with revision 2013: write 2013, or ASCII or BINARY",
                    encoding.word()
                ));
            }
            (Revision::Y2013, _) => "2013",
            (Revision::Y1991, _) => {
                return Err("revision 1991 is read only: write 1999 or 2013".to_owned());
            }
        };
        let (analogs, statuses) = (self.analogs.len(), self.statuses.len());
        let samples = self.samples();
        let lengths = self.analogs.iter().map(Analog::len);
        if lengths
            .chain(self.statuses.iter().map(|status| status.bits.len()))
            .any(|len| len != samples)
            || samples == 0
        {
            return Err("channels are empty or differ in length: every channel has a sample at every moment".to_owned());
        }
        let mut text = String::new();
        let mut line = |fields: &[String]| {
            text.push_str(&fields.join(","));
            text.push_str("\r\n");
        };
        line(&[
            field("the station", &self.station, 64)?,
            field("the recorder", &self.recorder, 64)?,
            year.to_owned(),
        ]);
        line(&[
            (analogs + statuses).to_string(),
            format!("{analogs}A"),
            format!("{statuses}D"),
        ]);
        for (n, channel) in self.analogs.iter().enumerate() {
            line(&analog_line(n + 1, channel)?);
        }
        for (n, channel) in self.statuses.iter().enumerate() {
            line(&status_line(n + 1, channel)?);
        }
        line(&[self.line_hz.map_or_else(String::new, real)]);
        line(&[self.rates.len().to_string()]);
        if self.rates.is_empty() {
            if self.stamps.len() != samples {
                return Err("has neither sample rates nor a stamp for every sample".to_owned());
            }
            line(&["0".to_owned(), samples.to_string()]);
        } else if self
            .rates
            .last()
            .is_none_or(|rate| rate.last != samples as u64)
        {
            return Err(format!("the last rate does not end at sample {samples}"));
        }
        for rate in &self.rates {
            line(&[real(rate.hz), rate.last.to_string()]);
        }
        line(&[stamp::write(self.start, self.nanoseconds)?]);
        line(&[stamp::write(self.trigger, self.nanoseconds)?]);
        line(&[layout.encoding.word().to_owned()]);
        line(&[real(self.timemult)]);
        if layout.revision == Revision::Y2013 {
            let Some(clock) = &self.clock else {
                return Err("revision 2013 wants to know the clock: time code, local code, quality, leap second".to_owned());
            };
            line(&[
                field("the time code", &clock.time_code, 6)?,
                field("the local code", &clock.local_code, 6)?,
            ]);
            line(&[
                field("the clock's quality", &clock.quality, 1)?,
                field("the leap second", &clock.leap_second, 1)?,
            ]);
        }
        Ok(text)
    }

    fn data(&self, layout: Layout) -> Result<Vec<u8>, String> {
        let mut out = Vec::new();
        let stamps: Vec<f64> = if self.rates.is_empty() {
            self.stamps.iter().map(|stamp| *stamp as f64).collect()
        } else {
            let base_s = self.stamp_base_s() * self.timemult;
            self.times_s()
                .iter()
                .map(|t_s| (t_s / base_s).round())
                .collect()
        };
        for (n, stamp) in stamps.into_iter().enumerate() {
            match layout.encoding {
                Encoding::Ascii => {
                    // 13 digits at most; with rates a stamp may be left out.
                    let stamp = if stamp < 1e13 {
                        format!("{stamp:.0}")
                    } else {
                        String::new()
                    };
                    out.extend(format!("{},{stamp}", n + 1).into_bytes());
                }
                Encoding::Binary | Encoding::Binary32 | Encoding::Float32 => {
                    let fits = stamp < f64::from(NO_STAMP);
                    if !fits && self.rates.is_empty() {
                        return Err(format!(
                            "the stamp of sample {} is beyond 32 bits: write ASCII",
                            n + 1
                        ));
                    }
                    let stamp = if fits { stamp as u32 } else { NO_STAMP };
                    let number = u32::try_from(n + 1).map_err(|why| why.to_string())?;
                    out.extend(number.to_le_bytes());
                    out.extend(stamp.to_le_bytes());
                }
            }
            for channel in &self.analogs {
                put(&mut out, channel, n, layout).map_err(|why| {
                    format!(
                        "sample {} of channel {}: {why}",
                        n + 1,
                        quoted(&channel.name)
                    )
                })?;
            }
            let bit = |channel: &Status| channel.bits.get(n).unwrap_or(false);
            if layout.encoding == Encoding::Ascii {
                for channel in &self.statuses {
                    out.extend(if bit(channel) { b",1" } else { b",0" });
                }
                out.extend(b"\r\n");
            } else {
                for channels in self.statuses.chunks(16) {
                    let word = channels
                        .iter()
                        .rev()
                        .fold(0_u16, |word, channel| word << 1 | u16::from(bit(channel)));
                    out.extend(word.to_le_bytes());
                }
            }
        }
        Ok(out)
    }
}

/// One count, or what stands for a missing one.
fn put(out: &mut Vec<u8>, channel: &Analog, n: usize, layout: Layout) -> Result<(), String> {
    let count = channel.count(n);
    let whole = |most: f64, or: &str| match count {
        Some(count) if count.fract() != 0.0 => Err(format!("count {count} is not whole: {or}")),
        Some(count) if count.abs() > most => Err(format!(
            "count {count} does not fit into {}: {or}",
            layout.encoding.word()
        )),
        _ => Ok(()),
    };
    match layout.encoding {
        Encoding::Ascii => {
            if layout.revision == Revision::Y1999 {
                whole(99_998.0, "choose another scale")?;
            }
            let text = match count {
                // A reader takes 99999 for a count where counts may be as large.
                None if limits(channel).1 >= NO_SAMPLE_TEXT => {
                    return Err("is missing, and text cannot say so beside counts that large: choose another scale".to_owned());
                }
                None => format!(",{NO_SAMPLE_TEXT}"),
                Some(count) if (count - NO_SAMPLE_TEXT).abs() < 0.5 => {
                    return Err(
                        "count 99999 means that there is no sample: choose another scale"
                            .to_owned(),
                    );
                }
                Some(count) => format!(",{}", real(count)),
            };
            out.extend(text.into_bytes());
        }
        Encoding::Binary => {
            whole(32_767.0, "choose another scale, or FLOAT32")?;
            out.extend(count.map_or(i16::MIN, |count| count as i16).to_le_bytes());
        }
        Encoding::Binary32 => {
            whole(f64::from(i32::MAX), "choose another scale, or FLOAT32")?;
            out.extend(count.map_or(i32::MIN, |count| count as i32).to_le_bytes());
        }
        Encoding::Float32 => {
            let value = count.map_or(f32::MIN, |count| count as f32);
            if !value.is_finite() || (count.is_some() && value <= f32::MIN) {
                return Err("does not fit into FLOAT32: choose another scale".to_owned());
            }
            out.extend(value.to_le_bytes());
        }
    }
    Ok(())
}

fn analog_line(n: usize, channel: &Analog) -> Result<Vec<String>, String> {
    let (min, max) = limits(channel);
    let name = quoted(&channel.name);
    for (what, value) in [
        ("a", channel.a),
        ("b", channel.b),
        ("skew", channel.skew_us),
    ] {
        if !value.is_finite() {
            return Err(format!(
                "{what} of channel {name} is {value}: it has to be finite"
            ));
        }
    }
    Ok(vec![
        n.to_string(),
        field("a channel's name", &channel.name, 128)?,
        field("a channel's phase", &channel.phase, 2)?,
        field("a channel's circuit", &channel.circuit, 64)?,
        field("a channel's unit", &channel.unit, 32)?,
        real(channel.a),
        real(channel.b),
        real(channel.skew_us),
        short(min),
        short(max),
        real(channel.primary),
        real(channel.secondary),
        match channel.side {
            Side::Primary => "P".to_owned(),
            Side::Secondary => "S".to_owned(),
        },
    ])
}

/// Least and greatest count as stated, else as they occur: readers want a number there.
fn limits(channel: &Analog) -> (f64, f64) {
    let counts = || (0..channel.len()).filter_map(|n| channel.count(n));
    let min = channel.min.or_else(|| counts().min_by(f64::total_cmp));
    let max = channel.max.or_else(|| counts().max_by(f64::total_cmp));
    (min.unwrap_or(0.0), max.unwrap_or(0.0))
}

fn status_line(n: usize, channel: &Status) -> Result<Vec<String>, String> {
    Ok(vec![
        n.to_string(),
        field("a channel's name", &channel.name, 128)?,
        field("a channel's phase", &channel.phase, 2)?,
        field("a channel's circuit", &channel.circuit, 64)?,
        u8::from(channel.normal).to_string(),
    ])
}

/// Text that fits between two commas.
fn field(what: &str, text: &str, most: usize) -> Result<String, String> {
    if text.chars().any(|c| c == ',' || c.is_control()) {
        return Err(format!(
            "{what} is {}: no comma and no line end has a place in it",
            quoted(text)
        ));
    }
    if text.chars().count() > most {
        return Err(format!(
            "{what} is {}: at most {most} letters fit",
            quoted(text)
        ));
    }
    Ok(text.to_owned())
}

/// The shortest text that reads back as this number, in at most 24 characters.
fn real(value: f64) -> String {
    let plain = format!("{value}");
    if plain.len() <= 20 {
        plain
    } else {
        format!("{value:e}")
    }
}

/// In at most 13 characters, which is what min and max may have.
fn short(value: f64) -> String {
    let exact = real(value);
    if exact.len() <= 13 {
        exact
    } else {
        format!("{value:.5e}")
    }
}

/// Notes with the line ends of the format.
fn lines_of(notes: &str) -> String {
    notes.lines().fold(String::new(), |mut text, line| {
        let _ = write!(text, "{line}\r\n");
        text
    })
}

fn in_one(cfg: &str, notes: &str, dat: Vec<u8>, encoding: Encoding) -> Vec<u8> {
    let mut all = format!(
        "--- file type: CFG ---\r\n{cfg}--- file type: INF ---\r\n--- file type: HDR ---\r\n{notes}--- file type: DAT {}",
        encoding.word()
    );
    match encoding {
        Encoding::Ascii => all.push_str(" ---\r\n"),
        Encoding::Binary | Encoding::Binary32 | Encoding::Float32 => {
            let _ = write!(all, ": {} ---\r\n", dat.len());
        }
    }
    let mut all = all.into_bytes();
    all.extend(dat);
    all
}
