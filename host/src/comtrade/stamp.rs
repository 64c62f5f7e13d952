//! Dates as the format writes them: `dd/mm/yyyy,hh:mm:ss.ssssss`, in 1991 with the month first.

use super::Revision;
use super::error::quoted;
use jiff::civil::{Date, DateTime, Time};
use jiff::{SignedDuration, ToSpan};

/// A date, and whether it has more than six decimals.
pub fn read(text: &str, revision: Revision) -> Result<(DateTime, bool), String> {
    let form = match revision {
        Revision::Y1991 => "mm/dd/yy,hh:mm:ss.ssssss",
        Revision::Y1999 | Revision::Y2013 => "dd/mm/yyyy,hh:mm:ss.ssssss",
    };
    let wrong = || format!("{} is no date: write {form}", quoted(text));
    let (date, time) = text.split_once(',').ok_or_else(wrong)?;
    let parts = |text: &str, by: char| -> Option<[u32; 3]> {
        let mut parts = text.split(by).map(|part| part.trim().parse().ok());
        let three = [parts.next()??, parts.next()??, parts.next()??];
        parts.next().is_none().then_some(three)
    };
    let [first, second, year] = parts(date, '/').ok_or_else(wrong)?;
    let (day, month) = match revision {
        Revision::Y1991 => (second, first),
        Revision::Y1999 | Revision::Y2013 => (first, second),
    };
    let year = match year {
        // Two digits (1991): the format is of 1991, so 70 to 99 are of that century.
        0..=69 => year + 2000,
        70..=99 => year + 1900,
        _ => year,
    };
    let (clock, decimals) = time.trim().split_once('.').unwrap_or((time.trim(), ""));
    let [hour, minute, sec] = parts(clock, ':').ok_or_else(wrong)?;
    if decimals.len() > 9 || !decimals.bytes().all(|b| b.is_ascii_digit()) {
        return Err(wrong());
    }
    let nanos: i32 = format!("{decimals:0<9}").parse().map_err(|_| wrong())?;
    let small = |n: u32| i8::try_from(n).map_err(|_| wrong());
    // A leap second is the first of the next minute here.
    let leap = sec == 60;
    let date = Date::new(
        i16::try_from(year).map_err(|_| wrong())?,
        small(month)?,
        small(day)?,
    )
    .map_err(|_| wrong())?;
    let time = Time::new(
        small(hour)?,
        small(minute)?,
        small(if leap { 59 } else { sec })?,
        nanos,
    )
    .map_err(|_| wrong())?;
    let at = DateTime::from_parts(date, time);
    let at = if leap {
        at.checked_add(1.second()).map_err(|_| wrong())?
    } else {
        at
    };
    Ok((at, decimals.len() > 6))
}

/// As 1999 and 2013 write it, rounded to the nearest microsecond, or whole nanoseconds.
pub fn write(at: DateTime, nanoseconds: bool) -> Result<String, String> {
    if nanoseconds {
        return Ok(at.strftime("%d/%m/%Y,%H:%M:%S.%9f").to_string());
    }
    let at = at
        .checked_add(SignedDuration::from_nanos(500))
        .map_err(|why| format!("the date cannot be written: {why}"))?;
    Ok(at.strftime("%d/%m/%Y,%H:%M:%S.%6f").to_string())
}
