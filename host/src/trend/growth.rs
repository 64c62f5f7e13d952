//! How an excess grows: laws fitted to the days of a decline, each with its weight of evidence.
//!
//! A law is a straight line in a unit of its own ([`Law::straight`]). It is fitted by weighted least squares on what it leaves of
//! the logarithm of the excess, far days counting less (Huber's weights, k = 1.5). A day counts by how well its excess is known:
//! the noise of the measurement and the error of the healthy part both weigh most while the excess is small. Laws are then
//! weighed against each other by what they leave, the scatter itself unknown: Student's marginal likelihood of a normal model with
//! an inverse gamma prior (any text on Bayesian regression), of as many values as the days are worth.

use super::adjusted::Point;
use super::statistics::quantile_of;
use rand::{Rng, RngExt};
use rand_distr::{Distribution, StandardNormal};

/// Points a law is fitted to, at most.
const POINTS: usize = 45;
/// Scatter of ln of the excess that a day keeps when everything is known: dry, and per water. Own choice.
const SCATTER_DRY: f64 = 0.06;
const SCATTER_WET: f64 = 0.22;
/// Error of the healthy part, share of it. Own choice, near what is left of a healthy day.
const HEALTHY_ERROR: f64 = 0.2;
/// Scatter is taken for known from this many days.
const SCATTER_DAYS: f64 = 4.0;
/// So many neighbouring days are worth one independent one, where it is told how well a law's numbers are known.
const DAYS_WORTH_ONE: f64 = 2.0;
/// So many of the first points are left out at most, each below this share of those that follow.
const BEFORE_JUMP: usize = 4;
/// See [`BEFORE_JUMP`].
const JUMP: f64 = 0.05;
/// From this many scatters on a day pulls no harder.
const HUBER: f64 = 1.5;
const ROUNDS: usize = 8;

/// How the excess conductance grows.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Law {
    /// By the same share every day.
    Exponential,
    /// Its square root by the same amount every day.
    Square,
    /// By the same amount every day.
    Linear,
    /// The whole insulation, excess and healthy part together, by the same share every day (of an excess over healthy).
    Whole,
}

impl Law {
    fn straight(self, excess: f64) -> f64 {
        match self {
            Self::Exponential => excess.ln(),
            Self::Square => excess.sqrt(),
            Self::Linear => excess,
            Self::Whole => excess.ln_1p(),
        }
    }

    fn back(self, straight: f64) -> f64 {
        match self {
            Self::Exponential => straight.min(300.0).exp(),
            Self::Square => straight.max(0.0).powi(2),
            Self::Linear => straight.max(0.0),
            Self::Whole => straight.clamp(0.0, 300.0).exp_m1(),
        }
    }

    /// d straight / d ln excess.
    fn per_ln(self, excess: f64) -> f64 {
        match self {
            Self::Exponential => 1.0,
            Self::Square => 0.5 * excess.sqrt(),
            Self::Linear => excess,
            Self::Whole => excess / (1.0 + excess),
        }
    }
}

/// What an excess is counted in.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Unit {
    /// Siemens: a path of its own.
    Siemens,
    /// Siemens per water to that power: a path that conducts only when wet.
    PerWater(f64),
    /// Times the healthy part in the same weather: the whole insulation.
    OverHealthy,
}

/// Laws that are weighed, and what each is worth before a day is seen: most ageing is a rate that feeds itself. Own choice.
const LAWS_OF_A_PATH: [(Law, f64); 3] = [
    (Law::Exponential, 0.6),
    (Law::Square, 0.1),
    (Law::Linear, 0.25),
];
const LAWS_OF_THE_WHOLE: [(Law, f64); 2] = [(Law::Whole, 0.6), (Law::Linear, 0.25)];

/// Powers of the water that are weighed: a gap may have to fill before it conducts.
const WATER_POWERS: [f64; 2] = [1.0, 1.5];

/// A law fitted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Growth {
    /// Which.
    pub law: Law,
    /// Of what.
    pub unit: Unit,
    intercept: f64,
    slope: f64,
    /// Lower triangle of the covariance's root: a draw is the fit and this times two normal numbers.
    root: [f64; 3],
}

impl Growth {
    /// Excess on a day (from the last of the record on, in the unit of the series).
    pub fn at(&self, day: f64) -> f64 {
        self.law.back(self.intercept + self.slope * day)
    }

    /// Days in which it doubles from now on, if it grows.
    pub fn doubling_days(&self) -> Option<f64> {
        let now = self.at(0.0);
        let day = (self.law.straight(2.0 * now) - self.intercept) / self.slope;
        (self.slope > 0.0 && day.is_finite()).then_some(day)
    }

    /// One that the days allow as well.
    #[must_use]
    pub fn drawn(&self, rng: &mut impl Rng) -> Self {
        let mut normal = || -> f64 { StandardNormal.sample(rng) };
        let (a, b) = (normal(), normal());
        Self {
            intercept: self.intercept + self.root[0] * a,
            slope: self.slope + self.root[1] * a + self.root[2] * b,
            ..*self
        }
    }

    /// The fit, and ln of how well it explains the days.
    fn fit(law: Law, unit: Unit, days: &[Weighed]) -> Option<(Self, f64)> {
        let most = days.iter().map(|d| d.excess).fold(0.0, f64::max);
        let mut line: Option<(f64, f64)> = None;
        let mut sums = [0.0; 5];
        let mut left = 0.0;
        for round in 0..ROUNDS {
            sums = [0.0; 5];
            left = 0.0;
            for day in days {
                let fitted = line.map(|(a, b)| law.back(a + b * day.day).max(1e-3 * most));
                // Where the line lies decides what a day's scatter is worth in the unit of the law, not where the day fell.
                let at = fitted.map_or(day.excess, |fitted| {
                    fitted.clamp(0.5 * day.excess, 2.0 * day.excess)
                });
                let z = fitted.map_or(0.0, |f| (day.excess / f).ln() / day.sigma);
                let huber = if z.abs() > HUBER {
                    HUBER / z.abs()
                } else {
                    1.0
                };
                left += z * z * huber;
                let weight = huber / (day.sigma * law.per_ln(at)).powi(2);
                let y = law.straight(day.excess);
                sums[0] += weight;
                sums[1] += weight * day.day;
                sums[2] += weight * day.day * day.day;
                sums[3] += weight * y;
                sums[4] += weight * day.day * y;
            }
            if round + 1 < ROUNDS {
                let [n, x, xx, y, xy] = sums;
                let slope = (n * xy - x * y) / (n * xx - x * x);
                let intercept = (y - slope * x) / n;
                if !slope.is_finite() || !intercept.is_finite() {
                    return None;
                }
                line = Some((intercept, slope));
            }
        }
        let (intercept, slope) = line?;
        let count = days.len() as f64;
        let variance = (SCATTER_DAYS + left) / (SCATTER_DAYS + count);
        let evidence = -0.5 * (SCATTER_DAYS + count) * (1.0 + left / SCATTER_DAYS).ln();
        let [n, x, xx, ..] = sums.map(|sum| sum / DAYS_WORTH_ONE / variance);
        let of_both = n * xx - x * x;
        let (of_a, of_b, of_ab) = (xx / of_both, n / of_both, -x / of_both);
        let first = of_a.sqrt();
        let root = [
            first,
            of_ab / first,
            (of_b - (of_ab / first).powi(2)).max(0.0).sqrt(),
        ];
        let growth = Self {
            law,
            unit,
            intercept,
            slope,
            root,
        };
        root.iter()
            .all(|r| r.is_finite())
            .then_some((growth, evidence))
    }
}

/// Laws of one decline, with their weights, which sum to one; the heaviest first.
#[derive(Clone, PartialEq, Debug)]
pub struct Laws(pub Vec<(Growth, f64)>);

impl Laws {
    /// Weighs all laws on the points since the departure; `None` of fewer than four days, or within fewer than four.
    pub fn of(points: &[Point], today: i64, wet_only: bool) -> Option<Self> {
        let paths = if wet_only {
            WATER_POWERS.map(Unit::PerWater).to_vec()
        } else {
            vec![Unit::Siemens]
        };
        let points = since_jump(points);
        let mut fits = Vec::new();
        let units = (paths.iter().map(|unit| (*unit, &LAWS_OF_A_PATH[..])))
            .chain([(Unit::OverHealthy, &LAWS_OF_THE_WHOLE[..])]);
        for (unit, laws) in units {
            // A fault that shows when wet only is seldom one of the whole insulation.
            let share = match unit {
                Unit::OverHealthy if wet_only => 0.5,
                Unit::OverHealthy => 1.0,
                Unit::Siemens | Unit::PerWater(_) => 1.0 / paths.len() as f64,
            };
            let days = weighed(points, today, unit, wet_only)?;
            fits.extend(laws.iter().filter_map(|(law, before)| {
                let (growth, evidence) = Growth::fit(*law, unit, &days)?;
                Some((growth, evidence + (before * share).ln()))
            }));
        }
        let most = fits.iter().map(|fit| fit.1).fold(f64::MIN, f64::max);
        for fit in &mut fits {
            fit.1 = (fit.1 - most).exp();
        }
        let sum: f64 = fits.iter().map(|fit| fit.1).sum();
        for fit in &mut fits {
            fit.1 /= sum;
        }
        fits.sort_by(|a, b| b.1.total_cmp(&a.1));
        (!fits.is_empty()).then_some(Self(fits))
    }

    /// Which of them, as likely as its weight.
    pub fn pick(&self, rng: &mut impl Rng) -> usize {
        let mut left: f64 = rng.random();
        for (k, (_, weight)) in self.0.iter().enumerate() {
            left -= weight;
            if left < 0.0 {
                return k;
            }
        }
        0
    }
}

/// Leaves out what came before a jump: the first points of a departure may lie before it, for a median saw it.
fn since_jump(points: &[Point]) -> &[Point] {
    let mut points = points;
    for _ in 0..BEFORE_JUMP {
        let [first, next @ ..] = points else { break };
        let middle = quantile_of(
            &mut next.iter().take(3).map(|p| p.excess_s).collect::<Vec<_>>(),
            0.5,
        );
        if middle.is_none_or(|middle| first.excess_s > JUMP * middle) {
            break;
        }
        points = next;
    }
    points
}

/// One day, or a few, of a series.
struct Weighed {
    day: f64,
    excess: f64,
    /// One standard deviation of its ln.
    sigma: f64,
}

/// Thinned to the last [`POINTS`] groups; what noise put below zero keeps a share of its uncertainty.
fn weighed(points: &[Point], today: i64, unit: Unit, wet_only: bool) -> Option<Vec<Weighed>> {
    let group = points.len().div_ceil(POINTS).max(1);
    let days: Option<Vec<Weighed>> = points
        .rchunks(group)
        .rev()
        .map(|group| {
            let of = |value: &dyn Fn(&Point) -> f64| {
                quantile_of(&mut group.iter().map(value).collect::<Vec<_>>(), 0.5)
            };
            let excess_s = |p: &Point| p.excess_s.max(0.25 * p.sigma_s).max(1e-12);
            let scatter = if wet_only { SCATTER_WET } else { SCATTER_DRY };
            Some(Weighed {
                day: group.iter().map(|p| (p.day - today) as f64).sum::<f64>() / group.len() as f64,
                excess: of(&|p| excess_s(p) / unit_of(p, unit))?,
                sigma: of(&|p| {
                    let noise = p.sigma_s.hypot(HEALTHY_ERROR * p.healthy_s) / excess_s(p);
                    scatter.hypot(noise)
                })?,
            })
        })
        .collect();
    let days = days?;
    let span = days.last()?.day - days.first()?.day;
    (days.len() >= 4 && span >= 4.0).then_some(days)
}

/// What one of that unit is at a look.
pub fn unit_of(p: &Point, unit: Unit) -> f64 {
    match unit {
        Unit::Siemens => 1.0,
        Unit::PerWater(power) => p.wetness.max(0.05).powf(power),
        Unit::OverHealthy => p.healthy_s.max(1e-12),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(excess_us: impl IntoIterator<Item = f64>) -> Vec<Point> {
        let point = |(day, us): (i64, f64)| Point {
            day,
            excess_s: 1e-6 * us,
            excess_pos_s: 0.5e-6 * us,
            healthy_s: 0.05e-6,
            sigma_s: 0.01e-6,
            wetness: 0.0,
            ln_ratio: 0.0,
        };
        (0..).zip(excess_us).map(point).collect()
    }

    fn heaviest(points: &[Point]) -> (Growth, f64) {
        let laws = Laws::of(points, points.last().expect("points").day, false).expect("laws");
        let sum: f64 = laws.0.iter().map(|(_, weight)| weight).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
        // Over a healthy part that never changes a law is the same in siemens and in parts of it: they share its weight.
        let (heaviest, _) = laws.0[0];
        let alike = laws
            .0
            .iter()
            .filter(|(growth, _)| growth.law == heaviest.law);
        (heaviest, alike.map(|(_, weight)| weight).sum())
    }

    /// By hand: 0.5 µS a day, so 10 days after the eighth 4 + 5 = 9 µS.
    #[test]
    fn a_straight_line_is_told_from_eight_days() {
        let (growth, weight) = heaviest(&points((1..=8).map(|k| 0.5 * f64::from(k))));
        assert_eq!(growth.law, Law::Linear);
        assert!(weight > 0.6, "{weight}");
        assert!((growth.at(10.0) - 9e-6).abs() < 0.3e-6, "{growth:?}");
    }

    /// By hand: twice as much every 10 days, so four times 20 days on.
    #[test]
    fn a_doubling_is_told_from_fifteen_days() {
        let (growth, weight) = heaviest(&points(
            (0..15).map(|k| 2.0 * 2_f64.powf(f64::from(k) / 10.0)),
        ));
        assert_eq!(growth.law, Law::Exponential);
        // Of an excess forty times the healthy part the whole grows all but alike, and has the other half.
        assert!(weight > 0.45, "{weight}");
        let doubles = growth.doubling_days().expect("grows");
        assert!((doubles - 10.0).abs() < 0.3, "{doubles}");
        assert!((growth.at(20.0) / growth.at(0.0) - 4.0).abs() < 0.2);
    }

    /// Two healthy days before a jump do not make a climb of it.
    #[test]
    fn what_was_before_a_jump_is_left_out() {
        let after = (0..10).map(|k| 0.6 * 1.02_f64.powi(k));
        let with = points([0.004, 0.006].into_iter().chain(after));
        assert_eq!(since_jump(&with).len(), 10);
        let (growth, _) = heaviest(&with);
        // 2 % a day: 1.02^10 = 1.219.
        let grown = growth.at(10.0) / growth.at(0.0);
        assert!((grown - 1.219).abs() < 0.05, "{grown}");
    }

    #[test]
    fn three_days_tell_no_growth() {
        assert_eq!(Laws::of(&points([1.0, 2.0, 3.0]), 2, false), None);
        assert_eq!(Laws::of(&[], 0, true), None);
    }
}
