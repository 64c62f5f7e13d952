//! Minimum, mean, maximum and quantiles of one quantity, as whole steps; what is added in any order, or merged from parts, comes
//! out the same.

use serde::{Deserialize, Serialize};

/// Codes up to this far from 0 have a bin each; beyond, a bin is this many to an octave.
const PER_OCTAVE: u64 = 128;

/// How values of one quantity are spread.
///
/// Counts stand in bins that are linear near 0 and logarithmic further out, the layout of an HDR histogram. Merging adds counts,
/// so a quantile of a day is as good as one taken over all its readings at once: it is within 1/256 (0.4 %) of the value at
/// that rank, and exact within 255 steps of 0.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Spread {
    count: u64,
    min: i64,
    max: i64,
    sum: i128,
    /// Bin and how many are in it, by bin.
    bins: Vec<(i32, u64)>,
}

impl Spread {
    /// Takes one value in.
    pub fn add(&mut self, code: i64) {
        self.add_many(code, code, i128::from(code), 1);
        self.put(bin(code), 1);
    }

    /// Takes another spread in.
    pub fn merge(&mut self, other: &Self) {
        if other.count == 0 {
            return;
        }
        self.add_many(other.min, other.max, other.sum, other.count);
        for &(bin, count) in &other.bins {
            self.put(bin, count);
        }
    }

    fn add_many(&mut self, min: i64, max: i64, sum: i128, count: u64) {
        if self.count == 0 {
            (self.min, self.max) = (min, max);
        }
        self.min = self.min.min(min);
        self.max = self.max.max(max);
        self.sum = self.sum.saturating_add(sum);
        self.count = self.count.saturating_add(count);
    }

    fn put(&mut self, bin: i32, count: u64) {
        match self.bins.binary_search_by_key(&bin, |&(bin, _)| bin) {
            Ok(place) => self.bins[place].1 = self.bins[place].1.saturating_add(count),
            Err(place) => self.bins.insert(place, (bin, count)),
        }
    }

    /// How many values.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The least, in steps; `None` of none.
    #[must_use]
    pub fn min(&self) -> Option<i64> {
        (self.count > 0).then_some(self.min)
    }

    /// The greatest, in steps.
    #[must_use]
    pub fn max(&self) -> Option<i64> {
        (self.count > 0).then_some(self.max)
    }

    /// The mean, in steps: of the exact sum.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum as f64 / self.count as f64)
    }

    /// The value, in steps, that a share `q` (0 to 1) of all values does not exceed (nearest rank): within 1/256 of it.
    #[must_use]
    pub fn quantile(&self, q: f64) -> Option<i64> {
        let rank = ((q * self.count as f64).ceil() as u64).clamp(1, self.count.max(1));
        let mut below = 0_u64;
        let of_rank = self.bins.iter().find(|(_, count)| {
            below = below.saturating_add(*count);
            below >= rank
        });
        of_rank.map(|&(bin, _)| middle(bin).clamp(self.min, self.max))
    }
}

/// Bins count outward from 0; the sign of a bin is that of its values.
fn bin(code: i64) -> i32 {
    let size = code.unsigned_abs();
    // Octave 0 is everything up to 255: two linear stretches.
    let octave = (size | 1).ilog2().saturating_sub(PER_OCTAVE.ilog2());
    let place = (u64::from(octave) * PER_OCTAVE + (size >> octave)) as i32;
    if code < 0 { -place } else { place }
}

fn middle(bin: i32) -> i64 {
    let place = u64::from(bin.unsigned_abs());
    let octave = (place / PER_OCTAVE).saturating_sub(1);
    let lowest = (place - octave * PER_OCTAVE) << octave;
    let middle = (lowest + ((1 << octave) - 1) / 2) as i64;
    if bin < 0 { -middle } else { middle }
}

#[cfg(test)]
mod tests {
    use super::*;
    use hdrhistogram::Histogram;
    use proptest::prelude::*;

    /// The rank itself, over all values.
    fn exact(values: &[i64], q: f64) -> i64 {
        let mut sorted = values.to_vec();
        sorted.sort_unstable();
        let rank = ((q * sorted.len() as f64).ceil() as usize).max(1);
        sorted[rank - 1]
    }

    fn is_near(got: i64, want: i64) -> bool {
        got.abs_diff(want) <= want.unsigned_abs() / 256
    }

    proptest! {
        #[test]
        fn quantiles_are_within_their_bound_and_parts_give_the_whole(
            values in prop::collection::vec(
                prop_oneof![-300_i64..300, -500_000_i64..500_000, -(1_i64 << 61)..1 << 61], 1..400),
            cut in 0_usize..400,
            q in 0.0..=1.0,
        ) {
            let of = |values: &[i64]| {
                let mut spread = Spread::default();
                for code in values {
                    spread.add(*code);
                }
                spread
            };
            let whole = of(&values);
            for q in [0.0, 0.05, 0.5, 0.95, 1.0, q] {
                let (got, want) = (whole.quantile(q).unwrap(), exact(&values, q));
                prop_assert!(is_near(got, want), "{q}: {got}, rank holds {want}");
            }
            prop_assert_eq!(whole.min(), values.iter().min().copied());
            prop_assert_eq!(whole.max(), values.iter().max().copied());
            let sum: i128 = values.iter().map(|v| i128::from(*v)).sum();
            prop_assert_eq!(whole.mean(), Some(sum as f64 / values.len() as f64));

            let (a, b) = values.split_at(cut.min(values.len()));
            let mut merged = of(b);
            merged.merge(&of(a));
            prop_assert_eq!(merged, whole);
        }

        #[test]
        fn a_bin_holds_its_middle(code in -(1_i64 << 62)..(1_i64 << 62)) {
            prop_assert_eq!(bin(middle(bin(code))), bin(code));
            prop_assert!(is_near(middle(bin(code)), code));
        }
    }

    #[test]
    fn of_nothing_there_is_nothing() {
        let none = Spread::default();
        assert_eq!(
            (none.min(), none.mean(), none.quantile(0.5)),
            (None, None, None)
        );
    }

    /// Outside reference: the `hdrhistogram` crate, three significant figures, on pole voltages of a made-up day in mV.
    #[test]
    fn quantiles_agree_with_a_general_histogram() {
        let mut reference = Histogram::<u64>::new_with_bounds(1, 1_000_000, 3).unwrap();
        let mut spread = Spread::default();
        for k in 0..20_000_i64 {
            let code = 1 + (k * k * 7_919) % 600_000;
            reference.record(code as u64).unwrap();
            spread.add(code);
        }
        for q in [0.05, 0.25, 0.5, 0.95, 0.99] {
            let (ours, theirs) = (
                spread.quantile(q).unwrap() as f64,
                reference.value_at_quantile(q) as f64,
            );
            assert!(
                (ours / theirs - 1.0).abs() < 1.0 / 256.0 + 1e-3,
                "{q}: {ours}, {theirs}"
            );
        }
        assert!((spread.mean().unwrap() / reference.mean() - 1.0).abs() < 1e-3);
    }
}
