//! What of the time was recorded and measured, and what never came.

use crate::store::{Gap, Level, LineCounts, Store, StoreError};
use crate::words;
use ohmward_proto::message::BoardId;
use ohmward_proto::{NotMeasured, Settings};
use std::ops::Range;

const HOUR_US: i64 = 3_600_000_000;
/// Hours without a record that are listed; the number of all is told.
const LISTED: usize = 20;

/// How a period was covered.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Coverage {
    /// Readings stored.
    pub readings: u64,
    /// Readings that there would be without a gap, by the interval set on the board; `None` without settings.
    pub expected: Option<u64>,
    /// Readings without a bond current, by reason.
    pub current_missing: Vec<(NotMeasured, u64)>,
    /// Readings without a measurement of insulation, by reason.
    pub insulation_missing: Vec<(NotMeasured, u64)>,
    /// Values that a board sent and that are no numbers.
    pub no_numbers: u64,
    /// Hours with nothing recorded, joined where they touch: the longest first, as many as are listed.
    pub silent: Vec<Range<i64>>,
    /// Stretches of that kind in all, and their length together, µs.
    pub silent_all: (usize, i64),
    /// Events missing from the numbering.
    pub gaps: Vec<Gap>,
    /// How the lines to the board did on these days; `None`: not counted.
    pub line: Option<LineCounts>,
}

impl Coverage {
    /// Of a board over a time (Unix microseconds).
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn from_store(
        store: &Store,
        board: BoardId,
        range: &Range<i64>,
        settings: Option<&Settings>,
    ) -> Result<Self, StoreError> {
        let mut found = Self {
            gaps: store.gaps(board)?,
            line: store.line(board, range)?,
            ..Self::default()
        };
        let mut sum = crate::store::Rollup::default();
        let first = Level::Hour.start_us(range.start);
        let mut next_us = first;
        for (hour_us, rollup) in store.rollups(board, Level::Hour, first..range.end)? {
            if rollup.readings == 0 {
                continue;
            }
            if hour_us > next_us {
                found.silent.push(next_us..hour_us);
            }
            next_us = hour_us + HOUR_US;
            sum.merge(&rollup);
        }
        if next_us < range.end {
            found.silent.push(next_us..range.end);
        }
        found.readings = sum.readings;
        found.current_missing = sum.current_missing;
        found.insulation_missing = sum.insulation_missing;
        found.no_numbers = sum.no_numbers;
        for missing in [&mut found.current_missing, &mut found.insulation_missing] {
            missing.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
        }
        let length = |span: &Range<i64>| span.end.saturating_sub(span.start);
        found.silent_all = (found.silent.len(), found.silent.iter().map(length).sum());
        found
            .silent
            .sort_by_key(|span| (std::cmp::Reverse(length(span)), span.start));
        found.silent.truncate(LISTED);
        found.expected = settings.map(|set| {
            let every_us = 1000 * i64::from(set.reading_every_ms.max(1));
            (length(range) / every_us).max(0) as u64
        });
        Ok(found)
    }

    /// Share of the readings that there should be, 0 to 1; more than all are all.
    #[must_use]
    pub fn recorded_share(&self) -> Option<f64> {
        let expected = self.expected.filter(|n| *n > 0)?;
        Some((self.readings as f64 / expected as f64).min(1.0))
    }

    /// Share of readings that carry a value, 0 to 1; `None` without readings.
    #[must_use]
    pub fn measured_share(&self, missing: &[(NotMeasured, u64)]) -> Option<f64> {
        let missing: u64 = missing.iter().map(|(_, count)| count).sum();
        (self.readings > 0).then(|| 1.0 - missing as f64 / self.readings as f64)
    }
}

/// "array dark 41 %, bond open 2 %", the most frequent first.
#[must_use]
pub fn reasons_in_words(missing: &[(NotMeasured, u64)], readings: u64) -> String {
    let words = missing.iter().map(|(why, count)| {
        format!(
            "{} {}",
            words::not_measured(*why),
            super::page::percent(*count as f64 / readings.max(1) as f64)
        )
    });
    words.collect::<Vec<_>>().join(", ")
}
