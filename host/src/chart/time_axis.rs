//! Moments → pixels, ticks at round times of day and days, and words for a period. All UTC.

use jiff::civil::{Date, DateTime};
use jiff::tz::Offset;
use jiff::{Timestamp, ToSpan};
use std::ops::Range;

const SECOND_US: i64 = 1_000_000;
const MINUTE_US: i64 = 60 * SECOND_US;
const HOUR_US: i64 = 60 * MINUTE_US;
const DAY_US: i64 = 24 * HOUR_US;

/// A time axis between two pixels.
#[derive(Clone, Debug)]
pub struct TimeAxis {
    pub range: Range<i64>,
    pub left: i32,
    pub right: i32,
}

impl TimeAxis {
    pub fn x(&self, t_us: i64) -> i32 {
        let width = (self.range.end as f64 - self.range.start as f64).max(1.0);
        let share = ((t_us as f64 - self.range.start as f64) / width).clamp(0.0, 1.0);
        self.left + (share * f64::from(self.right - self.left)).round() as i32
    }

    /// Pixel and label; at most about `most` of them.
    pub fn ticks(&self, most: usize) -> Vec<(i32, String)> {
        let span_us = self.range.end.saturating_sub(self.range.start);
        let step_us = [
            SECOND_US / 100,
            SECOND_US / 20,
            SECOND_US / 10,
            SECOND_US / 5,
            SECOND_US / 2,
            SECOND_US,
            2 * SECOND_US,
            5 * SECOND_US,
            10 * SECOND_US,
            30 * SECOND_US,
            MINUTE_US,
            2 * MINUTE_US,
            5 * MINUTE_US,
            10 * MINUTE_US,
            30 * MINUTE_US,
            HOUR_US,
            2 * HOUR_US,
            3 * HOUR_US,
            6 * HOUR_US,
            12 * HOUR_US,
            DAY_US,
            2 * DAY_US,
        ]
        .into_iter()
        .find(|step_us| span_us / step_us < most as i64);
        let ticks = match step_us {
            Some(step_us) if step_us < DAY_US => self.clock_ticks(step_us),
            _ => self.calendar_ticks(most),
        };
        ticks
            .into_iter()
            .map(|(t_us, label)| (self.x(t_us), label))
            .collect()
    }

    fn clock_ticks(&self, step_us: i64) -> Vec<(i64, String)> {
        let first = self.range.start.div_euclid(step_us) + 1;
        let last = (self.range.end - 1).div_euclid(step_us);
        (first..=last)
            .map(|k| k * step_us)
            .map(|t_us| {
                let format = if t_us.rem_euclid(DAY_US) == 0 {
                    "%d %b"
                } else if step_us >= MINUTE_US {
                    "%H:%M"
                } else if step_us >= SECOND_US {
                    "%H:%M:%S"
                } else {
                    "%H:%M:%S%.2f"
                };
                (t_us, written(t_us, format))
            })
            .collect()
    }

    /// Days, each so many; or months; or years.
    fn calendar_ticks(&self, most: usize) -> Vec<(i64, String)> {
        let span_days = self.range.end.saturating_sub(self.range.start) / DAY_US;
        let start = date(self.range.start);
        let (begin, format) = match span_days {
            ..=180 => (start.first_of_year(), "%d %b"),
            181..=1500 => (start.first_of_year(), "%b %Y"),
            _ => (start.first_of_year(), "%Y"),
        };
        let step = [1, 2, 3, 5, 7, 14]
            .into_iter()
            .find(|days| span_days <= 180 && span_days / days < most as i64)
            .map(ToSpan::days)
            .or_else(|| {
                let months = span_days / 30;
                [1_i64, 2, 3, 6]
                    .into_iter()
                    .find(|step| months / step < most as i64)
                    .map(ToSpan::months)
            })
            .unwrap_or_else(|| (1 + span_days / 366 / most as i64).min(9999).years());
        let mut ticks = Vec::new();
        let mut day = begin;
        while let Some(t_us) = micros(day).filter(|t_us| *t_us < self.range.end) {
            if t_us > self.range.start {
                ticks.push((t_us, written(t_us, format)));
            }
            let Ok(next) = day.checked_add(step) else {
                break;
            };
            day = next;
        }
        ticks
    }
}

/// A period in words: "01 May 2026 00:00 – 31 May 2026 00:00 UTC".
pub fn period(range: &Range<i64>) -> String {
    let format = if range.end.saturating_sub(range.start) < 10 * MINUTE_US {
        "%d %b %Y %H:%M:%S"
    } else {
        "%d %b %Y %H:%M"
    };
    let (from, to) = (written(range.start, format), written(range.end, format));
    format!("{from} – {to} UTC")
}

/// The same without times of day.
pub fn period_days(range: &Range<i64>) -> String {
    let last = range.end.saturating_sub(1).max(range.start);
    format!("{} – {}", day_words(range.start), day_words(last))
}

/// A moment in words.
pub fn moment(t_us: i64) -> String {
    format!("{} UTC", written(t_us, "%d %b %Y %H:%M:%S"))
}

/// A day in words.
pub fn day_words(t_us: i64) -> String {
    written(t_us, "%d %b %Y")
}

fn written(t_us: i64, format: &str) -> String {
    utc(t_us).strftime(format).to_string()
}

fn utc(t_us: i64) -> DateTime {
    // A time beyond the calendar (years ±9999) is shown as its end.
    let end = if t_us < 0 {
        Timestamp::MIN
    } else {
        Timestamp::MAX
    };
    Offset::UTC.to_datetime(Timestamp::from_microsecond(t_us).unwrap_or(end))
}

fn date(t_us: i64) -> Date {
    utc(t_us).date()
}

fn micros(day: Date) -> Option<i64> {
    let midnight = Offset::UTC.to_timestamp(day.at(0, 0, 0, 0)).ok()?;
    Some(midnight.as_microsecond())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-05-01T00:00:00Z, from `date -u -d 2026-05-01 +%s`.
    const MAY_US: i64 = 1_777_593_600 * SECOND_US;

    fn labels(span_us: i64) -> Vec<String> {
        let axis = TimeAxis {
            range: MAY_US..MAY_US + span_us,
            left: 0,
            right: 1000,
        };
        axis.ticks(12).into_iter().map(|(_, label)| label).collect()
    }

    #[test]
    fn labels_suit_the_span() {
        assert_eq!(labels(10 * SECOND_US)[..2], ["00:00:01", "00:00:02"]);
        assert_eq!(labels(DAY_US)[3..5], ["12:00", "15:00"]);
        assert_eq!(labels(3 * DAY_US)[..3], ["12:00", "02 May", "12:00"]);
        assert_eq!(labels(10 * DAY_US)[..2], ["02 May", "03 May"]);
        assert_eq!(labels(365 * DAY_US)[..2], ["Jul 2026", "Sep 2026"]);
        assert_eq!(labels(20 * 366 * DAY_US)[0], "2028");
    }

    #[test]
    fn there_are_always_some_and_never_too_many() {
        let mut span_us = SECOND_US / 20;
        while span_us < 100 * 366 * DAY_US {
            let count = labels(span_us).len();
            assert!(
                (1..=13).contains(&count),
                "{count} labels over {span_us} µs"
            );
            span_us = span_us * 13 / 10;
        }
    }
}
