//! The samples: text or binary → the channels of a [`Record`].
//!
//! How many there are is told by the bytes that are there; the configuration has to agree before a channel grows.

use super::cfg::{Configuration, lines};
use super::error::{ComtradeError, quoted};
use super::{Analog, Encoding, Record, Revision};
use std::path::Path;

/// In a binary record: no stamp.
pub const NO_STAMP: u32 = u32::MAX;
/// In text: no sample (1999, 2013).
pub const NO_SAMPLE_TEXT: f64 = 99_999.0;
/// Bytes of a binary record before its samples: number and stamp.
const HEAD: usize = 8;

/// Fills the channels from the bytes of `file`; `first_line` is the number of the first line of text in it.
pub fn read(
    file: &Path,
    configuration: Configuration,
    bytes: &[u8],
    first_line: u64,
) -> Result<Record, ComtradeError> {
    let Configuration {
        mut record,
        samples,
    } = configuration;
    match record.encoding {
        Encoding::Ascii => ascii(file, &mut record, samples, bytes, first_line)?,
        Encoding::Binary | Encoding::Binary32 | Encoding::Float32 => {
            binary(file, &mut record, samples, bytes)?;
        }
    }
    Ok(record)
}

fn miscounted(file: &Path, promised: u64, there: u64) -> ComtradeError {
    ComtradeError::of(
        file,
        format!(
            "has {there} samples where the configuration promises {promised}: it is cut short or belongs to another \
             configuration; get the whole file, or correct endsamp"
        ),
    )
}

fn ascii(
    file: &Path,
    record: &mut Record,
    promised: u64,
    bytes: &[u8],
    first_line: u64,
) -> Result<(), ComtradeError> {
    let text = super::files::text(file, bytes, first_line)?;
    let text = text.trim_end_matches(['\u{1a}', '\r', '\n', ' ']);
    let there = lines(text).count() as u64;
    if there != promised {
        return Err(miscounted(file, promised, there));
    }
    let stamped = record.rates.is_empty();
    let want = 2 + record.analogs.len() + record.statuses.len();
    let mut first = None;
    for (n, line) in (0..).zip(lines(text)) {
        let error = |what: String| ComtradeError {
            line: Some(first_line + n),
            ..ComtradeError::of(file, what)
        };
        let count = line.split(',').count();
        if count != want {
            return Err(error(format!(
                "{count} fields where number, stamp and {} channels make {want}: the line is damaged, or the channel \
                 counts of the configuration are wrong",
                want - 2
            )));
        }
        let mut fields = line.split(',').map(str::trim);
        let mut next = || fields.next().unwrap_or_default();
        let number = next();
        let number: u64 = number
            .parse()
            .map_err(|_| error(format!("the sample's number is {}", quoted(number))))?;
        check_number(&mut first, n, number).map_err(error)?;
        let stamp = next();
        if stamped {
            let stamp = stamp.parse().map_err(|_| {
                error(format!(
                    "the stamp is {}, and without sample rates every sample needs one: a whole number belongs here",
                    quoted(stamp)
                ))
            })?;
            record.stamps.push(stamp);
        }
        for channel in &mut record.analogs {
            let text = next();
            let count = match text {
                "" => f64::NAN,
                _ => text
                    .parse()
                    .ok()
                    .filter(|count: &f64| count.is_finite())
                    .ok_or_else(|| {
                        error(format!(
                            "channel {} is {}: a finite number belongs here, 99999 or nothing where the sample is missing",
                            quoted(&channel.name),
                            quoted(text)
                        ))
                    })?,
            };
            let missing = is_missing_text(record.revision, channel, count);
            channel.counts.push(if missing { f64::NAN } else { count });
        }
        for channel in &mut record.statuses {
            let bit = match next() {
                "0" => false,
                "1" => true,
                other => {
                    return Err(error(format!(
                        "status channel {} is {}: 0 or 1 belongs here",
                        quoted(&channel.name),
                        quoted(other)
                    )));
                }
            };
            channel.bits.push(bit);
        }
    }
    Ok(())
}

/// 99999 stands for a missing sample. In 2013 counts may be larger than that: a channel that says so may mean the number.
fn is_missing_text(revision: Revision, channel: &Analog, count: f64) -> bool {
    let is_code = (count - NO_SAMPLE_TEXT).abs() < 0.5;
    is_code
        && match revision {
            Revision::Y1991 | Revision::Y1999 => true,
            Revision::Y2013 => channel.max.is_none_or(|max| max < NO_SAMPLE_TEXT),
        }
}

/// Numbers go up by one; where they begin is left to the recorder.
fn check_number(first: &mut Option<u64>, n: u64, number: u64) -> Result<(), String> {
    let first = *first.get_or_insert(number);
    if first.checked_add(n) == Some(number) {
        Ok(())
    } else {
        Err(format!(
            "the sample is number {number} where {} belongs: samples are missing or out of order; cut the record there",
            first.saturating_add(n)
        ))
    }
}

fn binary(
    file: &Path,
    record: &mut Record,
    promised: u64,
    bytes: &[u8],
) -> Result<(), ComtradeError> {
    let width = record.encoding.analog_bytes().unwrap_or(2);
    let words = record.statuses.len().div_ceil(16);
    let size = HEAD as u64 + record.analogs.len() as u64 * width + 2 * words as u64;
    let there = bytes.len() as u64 / size;
    if there != promised {
        return Err(miscounted(file, promised, there));
    }
    if !(bytes.len() as u64).is_multiple_of(size) {
        return Err(ComtradeError::of(
            file,
            format!(
                "is {} bytes long, which is no whole number of records of {size} bytes ({} analog, {} status channels, {}): \
                 it is damaged or belongs to another configuration",
                bytes.len(),
                record.analogs.len(),
                record.statuses.len(),
                record.encoding.word()
            ),
        ));
    }
    let stamped = record.rates.is_empty();
    let mut first = None;
    // The size was computed from what is there, so it fits.
    for (n, row) in (0..).zip(bytes.chunks_exact(size as usize)) {
        let error = |what: String| ComtradeError::of(file, format!("record {}: {what}", n + 1));
        let (head, samples) = row.split_at(HEAD);
        let (number, stamp) = (u32_of(&head[..4]), u32_of(&head[4..]));
        check_number(&mut first, n, u64::from(number)).map_err(error)?;
        if stamped {
            if stamp == NO_STAMP {
                return Err(error(
                    "has no stamp, and without sample rates every sample needs one".to_owned(),
                ));
            }
            record.stamps.push(u64::from(stamp));
        }
        let (analog, status) = samples.split_at(record.analogs.len() * width as usize);
        let places = analog.chunks_exact(width as usize);
        for (channel, place) in record.analogs.iter_mut().zip(places) {
            let count = match record.encoding {
                Encoding::Binary => int16(record.revision, place),
                Encoding::Binary32 => int32(place),
                Encoding::Float32 | Encoding::Ascii => float32(place).map_err(|value| {
                    error(format!(
                        "channel {} is {value}: no number; cut the record before or after it",
                        quoted(&channel.name)
                    ))
                })?,
            };
            channel.counts.push(count);
        }
        for (k, channel) in record.statuses.iter_mut().enumerate() {
            let word = u16::from_le_bytes([status[k / 16 * 2], status[k / 16 * 2 + 1]]);
            channel.bits.push(word >> (k % 16) & 1 == 1);
        }
    }
    Ok(())
}

fn u32_of(bytes: &[u8]) -> u32 {
    bytes
        .iter()
        .rev()
        .fold(0, |n, byte| n << 8 | u32::from(*byte))
}

/// 8000h is a missing sample, in 1991 FFFFh.
fn int16(revision: Revision, place: &[u8]) -> f64 {
    let count = u32_of(place) as u16 as i16;
    match (revision, count) {
        (Revision::Y1991, -1) | (Revision::Y1999 | Revision::Y2013, i16::MIN) => f64::NAN,
        _ => f64::from(count),
    }
}

/// 80000000h is a missing sample.
fn int32(place: &[u8]) -> f64 {
    match u32_of(place) as i32 {
        i32::MIN => f64::NAN,
        count => f64::from(count),
    }
}

/// FF7FFFFFh, the lowest number there is, is a missing sample. NaN and infinity have no place.
fn float32(place: &[u8]) -> Result<f64, f32> {
    let value = f32::from_bits(u32_of(place));
    if value.to_bits() == f32::MIN.to_bits() {
        Ok(f64::NAN)
    } else if value.is_finite() {
        Ok(f64::from(value))
    } else {
        Err(value)
    }
}
