//! Rank statistics of a series: Theil–Sen slope and Mann–Kendall test, with what autocorrelation and seasons take from it.
//!
//! Written here because no Rust crate has the corrected tests; distributions are `statrs`. Held to scipy 1.17 and
//! pymannkendall 1.4.3 by `tests/tests/trend_statistics.rs`. Every probability says in its name how many sides it has.

use statrs::distribution::{ContinuousCDF, Normal};
use statrs::statistics::{Data, RankTieBreaker};

/// Median of a copy; `None` of nothing. No value may be NaN.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Quantile with linear interpolation between order statistics (type 7 of Hyndman & Fan 1996, numpy's default).
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    quantile_of(&mut values.to_vec(), q)
}

/// As [`quantile`], in place of a copy: the order of `values` is lost.
pub fn quantile_of(values: &mut [f64], q: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let place = q.clamp(0.0, 1.0) * last as f64;
    let below = place.floor() as usize;
    let (_, low, above) = values.select_nth_unstable_by(below, f64::total_cmp);
    let low = *low;
    let part = place - below as f64;
    if part == 0.0 {
        return Some(low);
    }
    let high = above.iter().copied().min_by(f64::total_cmp).unwrap_or(low);
    Some(low + part * (high - low))
}

/// Standard deviation of a normal series with the same median absolute deviation: 1.4826 · MAD.
pub fn robust_sigma(values: &[f64]) -> Option<f64> {
    let middle = median(values)?;
    let mut away: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    quantile_of(&mut away, 0.5).map(|mad| 1.4826 * mad)
}

/// Standard normal distribution function.
pub fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Its inverse.
pub fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// Slope through all pairs, robust against a quarter of the points.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TheilSen {
    /// Median of the slopes of all pairs, unit of y over unit of x.
    pub slope: f64,
    /// Median of y less slope · median of x.
    pub intercept: f64,
    /// Lower end of the confidence band of the slope (both ends together leave 1 − confidence outside, two-sided).
    pub slope_low: f64,
    /// Upper end.
    pub slope_high: f64,
}

/// Theil–Sen slope with Sen's confidence band; `None` with fewer than two different x.
///
/// The band takes values as independent: on an autocorrelated series it is too narrow, which is why the trend gives it weekly
/// medians.
///
/// # Source
/// Sen 1968, equation 2.6, as `scipy.stats.theilslopes(y, x, confidence)` does it.
pub fn theil_sen(x: &[f64], y: &[f64], confidence: f64) -> Option<TheilSen> {
    let mut slopes = slopes(x, y);
    let slope = quantile_of(&mut slopes, 0.5)?;
    let intercept = median(y)? - slope * median(x)?;
    slopes.sort_unstable_by(f64::total_cmp);
    let sigma = (variance_of_s(y.len(), &ties(y)) - tie_part(&ties(x)))
        .max(0.0)
        .sqrt();
    let z = normal_quantile(0.5 + 0.5 * confidence);
    let count = slopes.len() as f64;
    let last = slopes.len() - 1;
    let high = f64::midpoint(count, z * sigma).round_ties_even() as usize;
    let low = f64::midpoint(count, -z * sigma).round_ties_even() - 1.0;
    Some(TheilSen {
        slope,
        intercept,
        slope_low: slopes[(low.max(0.0) as usize).min(last)],
        slope_high: slopes[high.min(last)],
    })
}

/// Slope and intercept of [`theil_sen`] alone, several times faster: without the band nothing has to be sorted.
pub fn theil_sen_line(x: &[f64], y: &[f64]) -> Option<(f64, f64)> {
    let slope = quantile_of(&mut slopes(x, y), 0.5)?;
    Some((slope, median(y)? - slope * median(x)?))
}

/// Of all pairs with different x.
fn slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let mut slopes = Vec::with_capacity(x.len() * x.len() / 2);
    for (k, (xk, yk)) in x.iter().zip(y).enumerate() {
        for (xj, yj) in x.iter().zip(y).take(k) {
            if (xk - xj).abs() > 0.0 {
                slopes.push((yk - yj) / (xk - xj));
            }
        }
    }
    slopes
}

/// What a Mann–Kendall test found.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MannKendall {
    /// Values.
    pub n: usize,
    /// How many independent values they are worth; `n` where independence is assumed.
    pub n_effective: f64,
    /// Kendall's S: rising pairs less falling ones.
    pub s: f64,
    /// Variance of S without a trend.
    pub var_s: f64,
    /// S over its standard deviation, one step nearer to 0 for continuity.
    pub z: f64,
}

impl MannKendall {
    fn new(n: usize, n_effective: f64, s: f64, var_s: f64) -> Self {
        let z = if s == 0.0 || var_s <= 0.0 {
            0.0
        } else {
            (s - s.signum()) / var_s.sqrt()
        };
        Self {
            n,
            n_effective,
            s,
            var_s,
            z,
        }
    }

    /// Probability, without a trend, of one at least this strong in either direction.
    pub fn p_two_sided(&self) -> f64 {
        2.0 * normal_cdf(-self.z.abs())
    }

    /// Probability, without a trend, of rising at least this much.
    pub fn p_rising_one_sided(&self) -> f64 {
        normal_cdf(-self.z)
    }
}

/// The textbook test. It takes values as independent: on daily insulation values it calls most healthy years trending.
///
/// # Source
/// Mann 1945, Kendall 1975; with ties as in US EPA QA/G-9S.
pub fn mann_kendall(y: &[f64]) -> MannKendall {
    let var_s = variance_of_s(y.len(), &ties(y));
    MannKendall::new(y.len(), y.len() as f64, score(y), var_s)
}

/// Mann–Kendall with the variance of S grown by what autocorrelation takes: evenly spaced values.
///
/// # Source
/// Hamed & Rao 1998, lags significant at 5 % two-sided, on the ranks of the series less its Theil–Sen slope
/// (`pymannkendall.hamed_rao_modification_test`). Never below the textbook variance when `at_least_textbook`: a negative
/// autocorrelation by chance is no reason to be surer.
pub fn mann_kendall_autocorrelated(y: &[f64], at_least_textbook: bool) -> MannKendall {
    let n = y.len();
    let var_s = variance_of_s(n, &ties(y));
    let x: Vec<f64> = (0..n).map(|k| k as f64).collect();
    let Some(line) = theil_sen(&x, y, 0.95).filter(|_| n > 3) else {
        return mann_kendall(y);
    };
    let rest: Vec<f64> = y
        .iter()
        .zip(&x)
        .map(|(y, x)| y - line.slope * (x + 1.0))
        .collect();
    let ranks =
        statrs::statistics::OrderStatistics::ranks(&mut Data::new(rest), RankTieBreaker::Average);
    let mean = ranks.iter().sum::<f64>() / n as f64;
    let away: Vec<f64> = ranks.iter().map(|rank| rank - mean).collect();
    let squares: f64 = away.iter().map(|a| a * a).sum();
    let significant = normal_quantile(0.975) / (n as f64).sqrt();
    let mut sum = 0.0;
    for lag in 1..n {
        let products: f64 = away.iter().zip(&away[lag..]).map(|(a, b)| a * b).sum();
        let r = products / squares;
        if r.abs() > significant {
            let left = (n - lag) as f64;
            sum += left * (left - 1.0) * (left - 2.0) * r;
        }
    }
    let m = n as f64;
    let mut grown = 1.0 + 2.0 / (m * (m - 1.0) * (m - 2.0)) * sum;
    if at_least_textbook {
        grown = grown.max(1.0);
    }
    MannKendall::new(n, m / grown, score(y), var_s * grown)
}

/// Seasonal Mann–Kendall: values of the same season are compared with each other only. `y[k]` belongs to season
/// `k mod period`; a value that is not there counts for nothing.
///
/// # Source
/// Hirsch & Slack 1984 without the correction between seasons (`pymannkendall.seasonal_test`).
pub fn mann_kendall_seasonal(y: &[Option<f64>], period: usize) -> MannKendall {
    let (mut n, mut s, mut var_s) = (0, 0.0, 0.0);
    for season in 0..period {
        let of: Vec<f64> = y
            .iter()
            .skip(season)
            .step_by(period)
            .copied()
            .flatten()
            .collect();
        n += of.len();
        s += score(&of);
        var_s += variance_of_s(of.len(), &ties(&of));
    }
    MannKendall::new(n, n as f64, s, var_s)
}

/// Seasonal Theil–Sen slope per period: the median over slopes within the same season. `None` when no season has two values.
///
/// # Source
/// Hipel & McLeod 1994 (`pymannkendall.seasonal_sens_slope`).
pub fn theil_sen_seasonal(y: &[Option<f64>], period: usize) -> Option<f64> {
    let mut slopes = Vec::new();
    for season in 0..period {
        let of: Vec<Option<f64>> = y.iter().skip(season).step_by(period).copied().collect();
        for (k, later) in of.iter().enumerate() {
            for (j, earlier) in of.iter().enumerate().take(k) {
                if let (Some(later), Some(earlier)) = (later, earlier) {
                    slopes.push((later - earlier) / (k - j) as f64);
                }
            }
        }
    }
    quantile_of(&mut slopes, 0.5)
}

/// Kendall's S.
fn score(y: &[f64]) -> f64 {
    let mut s = 0_i64;
    for (k, later) in y.iter().enumerate() {
        for earlier in &y[..k] {
            s += i64::from(later > earlier) - i64::from(later < earlier);
        }
    }
    s as f64
}

/// Sizes of the groups of equal values.
fn ties(y: &[f64]) -> Vec<usize> {
    // A negative zero is a zero.
    let mut sorted: Vec<f64> = y.iter().map(|v| v + 0.0).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted
        .chunk_by(|a, b| a.total_cmp(b).is_eq())
        .map(<[f64]>::len)
        .filter(|size| *size > 1)
        .collect()
}

fn tie_part(ties: &[usize]) -> f64 {
    let of = |size: usize| (size * (size - 1) * (2 * size + 5)) as f64;
    ties.iter().map(|size| of(*size)).sum::<f64>() / 18.0
}

fn variance_of_s(n: usize, ties: &[usize]) -> f64 {
    (n * n.saturating_sub(1) * (2 * n + 5)) as f64 / 18.0 - tie_part(ties)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// US EPA QA/G-9S, Data Quality Assessment: Statistical Methods for Practitioners (2006), p. 109, as quoted by a public
    /// help page (looked up): S = 22, ties of 4 and 2, var S = 155.33, Z = 1.685.
    #[test]
    fn published_worked_example() {
        let y = [
            10.0, 10.0, 10.0, 5.0, 10.0, 20.0, 18.0, 17.0, 15.0, 24.0, 15.0,
        ];
        let found = mann_kendall(&y);
        assert!((found.s - 22.0).abs() < 1e-12);
        assert!((found.var_s - 155.333_333).abs() < 1e-5);
        assert!((found.z - 1.685).abs() < 5e-4, "{}", found.z);
        // One-sided it is significant at 5 %, two-sided it is not: which one is meant has to be said.
        assert!((found.p_rising_one_sided() - 0.046).abs() < 5e-4);
        assert!((found.p_two_sided() - 0.092).abs() < 5e-4);
    }

    #[test]
    fn quantiles_by_hand() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[3.0, 1.0, 2.0, 10.0]), Some(2.5));
        assert_eq!(quantile(&[1.0, 2.0, 3.0, 4.0, 5.0], 0.9), Some(4.6));
        // MAD of 1..5 and an outlier is 1.5.
        let sigma = robust_sigma(&[1.0, 2.0, 3.0, 4.0, 5.0, 1e6]).expect("values");
        assert!((sigma - 1.4826 * 1.5).abs() < 1e-12);
    }

    #[test]
    fn too_few_values_say_nothing() {
        assert_eq!(theil_sen(&[1.0], &[2.0], 0.95), None);
        assert_eq!(theil_sen(&[1.0, 1.0], &[2.0, 3.0], 0.95), None);
        for y in [&[][..], &[1.0], &[1.0, 1.0, 1.0]] {
            let found = mann_kendall_autocorrelated(y, true);
            assert!((found.p_two_sided() - 1.0).abs() < 1e-9);
        }
    }
}
