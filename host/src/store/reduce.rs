//! Many readings → fewer, such that every extreme and every gap is still there.

use super::{Readings, StoredReading};
use ohmward_proto::measure::TripState;
use ohmward_proto::{BondCurrent, Insulation, PoleLeakage};
use std::ops::Range;

/// Rows kept of a bucket, at most: see [`Bucket`].
const ROWS_A_BUCKET: usize = 16;

/// Takes readings in the order of time.
pub struct Reducer {
    /// Where the first bucket begins.
    start_us: i64,
    cut: Cut,
    bucket_now: usize,
    bucket: Bucket,
    rows: Vec<StoredReading>,
    stored: u64,
    last_us: Option<i64>,
    steps_us: Vec<i64>,
}

/// Buckets that give at most so many rows; at least one.
pub fn buckets_of(at_most: usize) -> usize {
    (at_most / ROWS_A_BUCKET).max(1)
}

/// What is kept of a bucket: row and the value it is kept for.
#[derive(Default)]
pub struct Bucket {
    ends: [Option<StoredReading>; 2],
    extremes: [Option<(f32, StoredReading)>; 10],
    /// First and last without bond current, first and last without insulation.
    without: [Option<StoredReading>; 4],
}

/// Into which buckets a time is cut.
#[derive(Clone, Copy)]
enum Cut {
    /// There are few enough, all are kept.
    Not,
    /// So many over a time of this many microseconds.
    Into(usize, i128),
}

impl Reducer {
    /// `stored` readings are to come, `at_most` are wanted.
    pub fn new(range: Range<i64>, stored: u64, at_most: usize) -> Self {
        let width = i128::from(range.end) - i128::from(range.start);
        let cut = if usize::try_from(stored).is_ok_and(|stored| stored <= at_most) {
            Cut::Not
        } else {
            Cut::Into(buckets_of(at_most), width.max(1))
        };
        Self {
            start_us: range.start,
            cut,
            bucket_now: 0,
            bucket: Bucket::default(),
            rows: Vec::new(),
            stored: 0,
            last_us: None,
            steps_us: Vec::new(),
        }
    }

    /// Buckets of `width_us` each from `start_us` on.
    pub fn of_width(start_us: i64, width_us: i64) -> Self {
        Self {
            cut: Cut::Into(1, i128::from(width_us.max(1))),
            ..Self::new(start_us..start_us, 0, 0)
        }
    }

    pub fn take(&mut self, row: StoredReading) {
        self.stored += 1;
        if let Some(last_us) = self.last_us.replace(row.t_us) {
            self.steps_us.push(row.t_us.saturating_sub(last_us));
        }
        self.keep(row);
    }

    /// Rows that hold the ends and extremes of `readings` readings, which are usually `step_us` apart. They all fall into one bucket.
    pub fn take_reduced(&mut self, rows: &[StoredReading], readings: u64, step_us: i64) {
        self.stored = self.stored.saturating_add(readings);
        if readings > 1 {
            self.steps_us.push(step_us);
        }
        self.last_us = rows.last().map(|row| row.t_us).or(self.last_us);
        for row in rows {
            self.keep(*row);
        }
    }

    fn keep(&mut self, row: StoredReading) {
        let Cut::Into(buckets, width) = self.cut else {
            self.rows.push(row);
            return;
        };
        let place = i128::from(row.t_us) - i128::from(self.start_us);
        let bucket = (place * buckets as i128 / width) as usize;
        if bucket != self.bucket_now {
            self.empty_bucket();
            self.bucket_now = bucket;
        }
        self.bucket.take(row);
    }

    pub fn finish(mut self) -> Readings {
        self.empty_bucket();
        let middle = self.steps_us.len() / 2;
        let step_us = match self.steps_us.get_mut(..) {
            None | Some([]) => 0,
            Some(steps) => *steps.select_nth_unstable(middle).1,
        };
        let bucket_us = match self.cut {
            Cut::Not => 0,
            Cut::Into(buckets, width) => i64::try_from(width / buckets as i128).unwrap_or(i64::MAX),
        };
        Readings {
            rows: self.rows,
            stored: self.stored,
            // Three steps: one lost line of the log is not yet a gap worth drawing.
            spacing_us: step_us.saturating_mul(3).saturating_add(bucket_us),
        }
    }

    fn empty_bucket(&mut self) {
        self.rows.extend(std::mem::take(&mut self.bucket).kept());
    }
}

impl Bucket {
    /// The rows that are kept, by time.
    pub fn kept(self) -> Vec<StoredReading> {
        let mut kept: Vec<StoredReading> = self
            .ends
            .into_iter()
            .chain(self.without)
            .flatten()
            .chain(self.extremes.into_iter().flatten().map(|(_, row)| row))
            .collect();
        let key = |row: &StoredReading| (row.t_us, row.boot, row.reading.at);
        kept.sort_unstable_by_key(key);
        kept.dedup_by_key(|row| key(row));
        kept
    }

    pub fn take(&mut self, row: StoredReading) {
        keep_ends(&mut self.ends, row);
        let [no_current, no_insulation] = {
            let [a, b, c, d] = &mut self.without;
            [[a, b], [c, d]]
        };
        let mut current = [None; 4];
        match row.reading.i_bond {
            BondCurrent::Measured { dc, rms } => {
                current = [Some(dc.0), Some(-dc.0), Some(rms.0), Some(-rms.0)];
            }
            BondCurrent::NotMeasured(_) => keep_first_and_last(no_current, row),
        }
        let mut leakage = [None; 5];
        match row.reading.insulation {
            Insulation::Measured { leakage: l, .. } => leakage = leakages(&l),
            Insulation::NotMeasured { .. } => keep_first_and_last(no_insulation, row),
        }
        let values = current
            .into_iter()
            .chain(leakage)
            .chain([Some(severity(row.reading.state))]);
        for (kept, value) in self.extremes.iter_mut().zip(values) {
            let Some(value) = value.filter(|value| !value.is_nan()) else {
                continue;
            };
            if kept.is_none_or(|(most, _)| value > most) {
                *kept = Some((value, row));
            }
        }
    }
}

fn leakages(l: &PoleLeakage) -> [Option<f32>; 5] {
    let total = l.g_total().0;
    [
        Some(total),
        Some(-total),
        Some(l.g_pos.0),
        Some(l.g_neg.0),
        Some(l.g_sigma.0),
    ]
}

fn keep_ends(ends: &mut [Option<StoredReading>; 2], row: StoredReading) {
    ends[0].get_or_insert(row);
    ends[1] = Some(row);
}

fn keep_first_and_last(ends: [&mut Option<StoredReading>; 2], row: StoredReading) {
    let [first, last] = ends;
    first.get_or_insert(row);
    *last = Some(row);
}

/// The higher, the more a person must see it.
pub fn severity(state: TripState) -> f32 {
    match state {
        TripState::Closed => 0.0,
        TripState::Closing => 1.0,
        TripState::Resting => 2.0,
        TripState::Latched => 3.0,
        TripState::LockedOut => 4.0,
        TripState::Opening => 5.0,
        TripState::FailedToOpen => 6.0,
    }
}
