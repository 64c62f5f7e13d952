//! A long time in columns: roll-ups of minutes, hours or days, so many to a column that a column is a pixel or more.

use crate::store::{Level, Quantity, Rollup, Store, StoreError};
use ohmward_proto::measure::NotMeasured;
use ohmward_proto::message::BoardId;
use std::ops::Range;

/// More columns than this would be narrower than a pixel.
const COLUMNS_MAX: i64 = 980;
const HOUR_US: i64 = 3_600_000_000;
const DAY_US: i64 = 24 * HOUR_US;

/// Roll-ups of a board over a time.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Columns {
    /// Length of one, microseconds.
    pub width_us: i64,
    /// Start (Unix microseconds) and content, by time. One with nothing in it is not there.
    pub columns: Vec<(i64, Rollup)>,
}

/// What became of the time of one column: shares that make 1 together with what was measured.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Shares {
    /// Begin and end within the time that was asked for.
    pub span: Range<i64>,
    /// The array was too dark to measure.
    pub dark: f64,
    /// Not measured for another reason.
    pub other: f64,
    /// Nothing was recorded.
    pub absent: f64,
    /// The other reasons, the most frequent first.
    pub reasons: Vec<(NotMeasured, u64)>,
}

impl Columns {
    /// Days for more than two months, hours for more than three days, else minutes.
    ///
    /// # Errors
    /// A [`StoreError`].
    pub fn from_store(
        store: &Store,
        board: BoardId,
        range: &Range<i64>,
    ) -> Result<Self, StoreError> {
        let span_us = range.end.saturating_sub(range.start);
        let level = match span_us {
            ..=259_200_000_000 => Level::Minute,
            259_200_000_001..=5_356_800_000_000 => Level::Hour,
            _ => Level::Day,
        };
        let each = (span_us / level.length_us() / COLUMNS_MAX + 1).max(1);
        let width_us = level.length_us().saturating_mul(each);
        let start_us = range.start.div_euclid(width_us).saturating_mul(width_us);
        let mut columns: Vec<(i64, Rollup)> = Vec::new();
        for (t_us, rollup) in store.rollups(board, level, start_us..range.end)? {
            let start_us = t_us.div_euclid(width_us).saturating_mul(width_us);
            match columns.last_mut() {
                Some((last_us, last)) if *last_us == start_us => last.merge(&rollup),
                _ => columns.push((start_us, rollup)),
            }
        }
        // A measurement may have ended before the first reading that tells of it: a column without a reading is none.
        Ok(Self { width_us, columns })
    }

    /// "hour", "5 minutes", "day".
    pub fn width_words(&self) -> String {
        let (unit_us, unit) = match self.width_us {
            w if w % DAY_US == 0 => (DAY_US, "day"),
            w if w % HOUR_US == 0 => (HOUR_US, "hour"),
            _ => (60_000_000, "minute"),
        };
        match self.width_us / unit_us {
            1 => unit.to_owned(),
            n => format!("{n} {unit}s"),
        }
    }

    /// How many readings all of them hold.
    pub fn readings(&self) -> u64 {
        self.columns.iter().map(|(_, rollup)| rollup.readings).sum()
    }

    /// Readings in a microsecond where the record is whole: what nine of ten columns do not exceed.
    fn rate(&self, range: &Range<i64>) -> f64 {
        let mut rates: Vec<f64> = self
            .columns
            .iter()
            .filter_map(|(start_us, rollup)| {
                let span = self.within(*start_us, range);
                let length = (span.end - span.start) as f64;
                // The edge of a record is no measure of it.
                (length > 0.5 * self.width_us as f64).then(|| rollup.readings as f64 / length)
            })
            .collect();
        if rates.is_empty() {
            let longest = range.end.saturating_sub(range.start).min(self.width_us);
            return self.readings() as f64 / longest.max(1) as f64;
        }
        rates.sort_by(f64::total_cmp);
        rates[(rates.len() - 1) * 9 / 10]
    }

    fn within(&self, start_us: i64, range: &Range<i64>) -> Range<i64> {
        let end_us = start_us.saturating_add(self.width_us);
        start_us.max(range.start)..end_us.min(range.end).max(start_us.max(range.start))
    }

    /// What became of the time within `range`, a column each and one for each gap between columns. `missing` picks the counts.
    pub fn shares(
        &self,
        range: &Range<i64>,
        missing: impl Fn(&Rollup) -> &[(NotMeasured, u64)],
    ) -> Vec<Shares> {
        let rate = self.rate(range);
        let absent = |from_us: i64, to_us: i64| Shares {
            span: from_us..to_us,
            absent: 1.0,
            ..Shares::default()
        };
        let mut shares = Vec::new();
        let mut next_us = range.start;
        for (start_us, rollup) in &self.columns {
            let span = self.within(*start_us, range);
            if span.start > next_us {
                shares.push(absent(next_us, span.start));
            }
            if span.is_empty() {
                continue;
            }
            next_us = span.end;
            let expected = rate * (span.end - span.start) as f64;
            let recorded = (rollup.readings as f64 / expected.max(1e-9)).min(1.0);
            // One line of the log lost in fifty is not a gap worth drawing.
            let recorded = if recorded > 0.98 { 1.0 } else { recorded };
            let of = |count: u64| recorded * count as f64 / rollup.readings.max(1) as f64;
            let mut reasons = missing(rollup).to_vec();
            let dark = reasons
                .iter()
                .filter(|(why, _)| *why == NotMeasured::ArrayDark)
                .map(|(_, count)| count)
                .sum();
            reasons.retain(|(why, _)| *why != NotMeasured::ArrayDark);
            reasons.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
            shares.push(Shares {
                span,
                dark: of(dark),
                other: of(reasons.iter().map(|(_, count)| count).sum()),
                absent: 1.0 - recorded,
                reasons,
            });
        }
        if range.end > next_us {
            shares.push(absent(next_us, range.end));
        }
        shares
    }
}

/// The value that a share `q` of a column does not exceed, in the quantity's unit.
pub fn quantile(rollup: &Rollup, quantity: Quantity, q: f64) -> Option<f32> {
    let spread = rollup.of(quantity);
    let code = match q {
        q if q <= 0.0 => spread.min(),
        q if q >= 1.0 => spread.max(),
        q => spread.quantile(q),
    };
    code.map(|code| quantity.value(code as f64) as f32)
}
