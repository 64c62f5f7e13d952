//! When a limit will be crossed, as a distribution: growth of the excess by the law that fits, redrawn by a block bootstrap.
//!
//! Each of the [`DRAWS`] futures: days of the departed series are drawn again in blocks (they are not independent), each law of
//! growth is fitted to them robustly, the best one is followed at a pace and from a level drawn beside it ([`PACE_SIGMA`],
//! [`LEVEL_SIGMA`]), and on every day to come the lowest value of that day stands to the series as it did on a day of the recent past,
//! drawn in blocks too (wet and hot spells come together) and smoothed ([`DAY_SIGMA`]). The first crossing is
//! the first such day below the limit; the lasting one the first from which the middle of thirty days stays below it.
//! Seeded: the same days give the same answer.

use super::adjusted::Point;
use super::statistics::{quantile_of, theil_sen_line};
use ohmward_proto::settings::InsulationLimits;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

/// Futures drawn.
pub const DRAWS: usize = 200;
/// Days looked ahead.
pub const HORIZON_DAYS: usize = 730;
/// Points a law is fitted to, at most.
const POINTS: usize = 45;
/// Another law than the exponential one has to lie nearer by this factor: most ageing is a rate that feeds itself, and few points
/// in a short time fit every law.
const CLEARLY_NEARER: f64 = 0.75;
/// An excess counts as one of the whole insulation when its ratio to healthy is steadier by this factor.
const CLEARLY_STEADIER: f64 = 0.9;
/// An excess of a lowest look below this share of the healthy part is not told from the weather.
const TOLD_FROM_WEATHER: f64 = 0.5;
/// What the bootstrap cannot know is drawn beside it, each as one standard deviation of a natural logarithm; chosen on invented years
/// so that nine of ten bands hold the true date. On 200 degrading years looked at only afterwards 94 % do over all days of a decline, and
/// 85 % on the day of the first warning: a warning comes first where a forecast errs towards early.
/// Pace of the growth to come over the one so far: nobody knows the law.
const PACE_SIGMA: f64 = 0.12;
/// Level of a whole future: season, dirt, and what is left of the weather after the fit.
const LEVEL_SIGMA: f64 = 0.1;
/// A single day: wetter or hotter than any of the recent past.
const DAY_SIGMA: f64 = 0.1;
/// Days drawn together.
const BLOCK: usize = 5;
/// Window of the lasting crossing, days.
const LASTING_DAYS: usize = 30;
const SEED: u64 = 0x6f68_6d77_6172_6401;

/// A limit on the insulation resistance of the array.
#[derive(Clone, PartialEq, Debug)]
pub struct Limit {
    /// What it is called.
    pub name: String,
    /// Ω.
    pub r_ohm: f64,
}

impl Limit {
    /// The level at which a board trips.
    #[must_use]
    pub fn trip(set: &InsulationLimits) -> Self {
        Self {
            name: "trip level".into(),
            r_ohm: f64::from(set.trip_below.0),
        }
    }

    /// The level at which it warns.
    #[must_use]
    pub fn warning(set: &InsulationLimits) -> Self {
        Self {
            name: "warning level".into(),
            r_ohm: f64::from(set.warn_below.0),
        }
    }
}

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
    /// The first one is meant unless another lies clearly nearer.
    const OF_ONE_PATH: [Self; 3] = [Self::Exponential, Self::Square, Self::Linear];
    const OF_THE_WHOLE: [Self; 3] = [Self::Whole, Self::Exponential, Self::Linear];

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
}

/// A law fitted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Growth {
    /// Which.
    pub law: Law,
    intercept: f64,
    slope: f64,
    /// Median distance of ln of the excess from it.
    pub miss: f64,
}

impl Growth {
    /// Excess on a day (from the last point on, in the unit of the series).
    fn at(&self, day: f64) -> f64 {
        self.law.back(self.intercept + self.slope * day)
    }

    /// Days in which it doubles from now on, if it grows.
    pub fn doubling_days(&self) -> Option<f64> {
        let now = self.at(0.0);
        let day = (self.law.straight(2.0 * now) - self.intercept) / self.slope;
        (self.slope > 0.0 && day.is_finite()).then_some(day)
    }

    /// Theil–Sen in the unit in which each law is a straight line; the law that lies nearest in ln.
    fn fit(days: &[f64], excess: &[f64], laws: &[Law]) -> Option<Self> {
        let mut best: Option<Self> = None;
        for law in laws.iter().copied() {
            let y: Vec<f64> = excess.iter().map(|e| law.straight(*e)).collect();
            let (slope, intercept) = theil_sen_line(days, &y)?;
            let mut growth = Self {
                law,
                intercept,
                slope,
                miss: 0.0,
            };
            let mut misses: Vec<f64> = days
                .iter()
                .zip(excess)
                .map(|(day, e)| (e.ln() - growth.at(*day).max(1e-15).ln()).abs())
                .collect();
            growth.miss = quantile_of(&mut misses, 0.5)?;
            if best.is_none_or(|b| growth.miss < CLEARLY_NEARER * b.miss) {
                best = Some(growth);
            }
        }
        best
    }
}

/// A date as a distribution; days from the last day of the record.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Crossing {
    /// Share of the futures that cross within 30 days.
    pub within_30_days: f64,
    /// Within half a year.
    pub within_180_days: f64,
    /// Within 365 days.
    pub within_365_days: f64,
    /// One in twenty crosses before; `None` beyond the horizon of [`HORIZON_DAYS`].
    pub early_days: Option<f64>,
    /// Half cross before.
    pub median_days: Option<f64>,
    /// One in twenty crosses after, or not within the horizon.
    pub late_days: Option<f64>,
    /// Before which so many of the futures cross: 5 %, 10 %, … 95 %; `None` beyond the horizon.
    pub quantiles_days: [Option<f64>; 19],
}

/// When one limit is crossed.
#[derive(Clone, PartialEq, Debug)]
pub struct Forecast {
    /// The limit.
    pub limit: Limit,
    /// First day with a value below it.
    pub first: Crossing,
    /// From when on most days have one.
    pub lasting: Crossing,
}

/// What was fitted, and what follows.
#[derive(Clone, PartialEq, Debug)]
pub struct Outlook {
    /// To the days as they are.
    pub growth: Growth,
    /// One a limit.
    pub forecasts: Vec<Forecast>,
    /// Lowest value of a day over the futures, a week each from today on.
    pub fan: Vec<FanWeek>,
}

/// How the lowest resistance of a day is spread over the futures and the days of a week to come.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FanWeek {
    /// Middle of the week, days from the last day of the record.
    pub day: f64,
    /// Ω that 5, 25, 50, 75 and 95 % do not exceed.
    pub r_ohm: [f64; 5],
}

/// The departed part of a series, in the unit in which it is followed.
pub struct Departed<'a> {
    /// Points of the series since it departed.
    pub points: &'a [Point],
    /// The lowest looks of all days of the recent past, dry and wet.
    pub lowest: &'a [Point],
    /// It conducts only when wet: followed per unit of water.
    pub wet_only: bool,
}

/// Follows a departed series to the limits; `None` when it has too few points.
pub fn outlook(departed: &Departed<'_>, today: i64, limits: &[Limit]) -> Option<Outlook> {
    if limits.is_empty() {
        return None;
    }
    // An excess that follows the weather as healthy insulation does is one of the whole insulation: then its ratio is steadier.
    let plain = series(departed, today, false)?;
    let scaled = series(departed, today, true)?;
    let fit = |plain: &(Vec<f64>, Vec<f64>), scaled: &(Vec<f64>, Vec<f64>)| {
        let path = Growth::fit(&plain.0, &plain.1, &Law::OF_ONE_PATH)?;
        let whole = Growth::fit(&scaled.0, &scaled.1, &Law::OF_THE_WHOLE)?;
        let with_weather = whole.miss < CLEARLY_STEADIER * path.miss;
        Some((with_weather, if with_weather { whole } else { path }))
    };
    let (with_weather, growth) = fit(&plain, &scaled)?;
    if departed.lowest.is_empty() {
        return None;
    }
    let ways = [
        Ways::of(departed, today, false, &plain),
        Ways::of(departed, today, true, &scaled),
    ];
    let mut rng = Pcg64Mcg::seed_from_u64(SEED);
    let mut dates = vec![(Vec::with_capacity(DRAWS), Vec::with_capacity(DRAWS)); limits.len()];
    let mut g_s = vec![0.0; HORIZON_DAYS];
    let mut weeks = vec![Vec::new(); HORIZON_DAYS / 7];
    for _ in 0..DRAWS {
        let drawn = draw(&mut rng, plain.0.len());
        let pick = |(days, excess): &(Vec<f64>, Vec<f64>)| -> (Vec<f64>, Vec<f64>) {
            drawn.iter().map(|k| (days[*k], excess[*k])).unzip()
        };
        let (with_weather, growth) =
            fit(&pick(&plain), &pick(&scaled)).unwrap_or((with_weather, growth));
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let pace = (PACE_SIGMA * normal()).exp();
        let level = LEVEL_SIGMA * normal();
        let ways = &ways[usize::from(with_weather)];
        let mut k = 0;
        for (day, g) in g_s.iter_mut().enumerate() {
            if day % BLOCK == 0 {
                k = rng.random_range(0..ways.lowest.len());
            }
            let (healthy, times) = ways.lowest[(k + day % BLOCK) % ways.lowest.len()];
            let own = ways.scatter[rng.random_range(0..ways.scatter.len())];
            let jitter: f64 = StandardNormal.sample(&mut rng);
            let own = own * (level + DAY_SIGMA * jitter).exp();
            *g = healthy + growth.at((day as f64 + 1.0) * pace) * times * own;
        }
        for (week, days) in weeks.iter_mut().zip(g_s.chunks(7)) {
            week.extend_from_slice(days);
        }
        for (limit, (first, lasting)) in limits.iter().zip(&mut dates) {
            let (a, b) = crossings(&g_s, 1.0 / limit.r_ohm);
            first.push(a);
            lasting.push(b);
        }
    }
    let forecasts = limits
        .iter()
        .zip(dates)
        .map(|(limit, (first, lasting))| Forecast {
            limit: limit.clone(),
            first: crossing(first),
            lasting: crossing(lasting),
        });
    Some(Outlook {
        growth,
        forecasts: forecasts.collect(),
        fan: fan(weeks),
    })
}

/// Of the conductances of each week.
fn fan(weeks: Vec<Vec<f64>>) -> Vec<FanWeek> {
    weeks
        .into_iter()
        .zip(0..)
        .map(|(mut g_s, week)| {
            g_s.sort_unstable_by(f64::total_cmp);
            // The most conductive is the least resistance.
            let r_ohm = [0.95, 0.75, 0.5, 0.25, 0.05].map(|q| {
                let k = (q * (g_s.len() as f64 - 1.0)).round() as usize;
                1.0 / g_s.get(k).copied().unwrap_or(0.0).max(1e-12)
            });
            FanWeek {
                day: 7.0 * f64::from(week) + 4.0,
                r_ohm,
            }
        })
        .collect()
}

/// How the days of the recent past lay to the series.
struct Ways {
    /// Of the lowest value of a day: healthy part, S, and times the excess.
    lowest: Vec<(f64, f64)>,
    /// Of a single point to its law.
    scatter: Vec<f64>,
}

impl Ways {
    fn of(
        departed: &Departed<'_>,
        today: i64,
        with_weather: bool,
        series: &(Vec<f64>, Vec<f64>),
    ) -> Self {
        let laws = if with_weather {
            Law::OF_THE_WHOLE
        } else {
            Law::OF_ONE_PATH
        };
        let growth = Growth::fit(&series.0, &series.1, &laws);
        let over =
            |excess: f64, day: f64| growth.map_or(1.0, |growth| excess / growth.at(day).max(1e-15));
        let lowest = departed.lowest.iter().map(|p| {
            let times = if with_weather && departed.wet_only {
                p.healthy_s
            } else if departed.wet_only {
                p.wetness
            } else if p.excess_s > TOLD_FROM_WEATHER * p.healthy_s {
                over(p.excess_s, (p.day - today) as f64)
            } else if with_weather {
                p.healthy_s
            } else {
                1.0
            };
            (p.healthy_s, times)
        });
        let last = series
            .0
            .iter()
            .zip(&series.1)
            .skip(series.0.len().saturating_sub(20));
        Self {
            lowest: lowest.collect(),
            scatter: if departed.wet_only {
                last.map(|(day, excess)| over(*excess, *day).clamp(0.2, 5.0))
                    .collect()
            } else {
                vec![1.0]
            },
        }
    }
}

/// Days and excess, thinned to the last [`POINTS`] groups; what noise put below zero keeps a share of its uncertainty.
fn series(departed: &Departed<'_>, today: i64, over_healthy: bool) -> Option<(Vec<f64>, Vec<f64>)> {
    let points = departed.points;
    let group = points.len().div_ceil(POINTS).max(1);
    let (mut days, mut excess) = (Vec::new(), Vec::new());
    for group in points.rchunks(group).rev() {
        let unit = |p: &Point| match (departed.wet_only, over_healthy) {
            (_, true) => p.healthy_s,
            (true, false) => p.wetness.max(0.05),
            (false, false) => 1.0,
        };
        let mut of: Vec<f64> = group
            .iter()
            .map(|p| p.excess_s.max(0.25 * p.sigma_s).max(1e-12) / unit(p))
            .collect();
        days.push(group.iter().map(|p| (p.day - today) as f64).sum::<f64>() / group.len() as f64);
        excess.push(quantile_of(&mut of, 0.5)?);
    }
    let span = days.last()? - days.first()?;
    (days.len() >= 4 && span >= 4.0).then_some((days, excess))
}

/// Indices in blocks.
fn draw(rng: &mut Pcg64Mcg, n: usize) -> Vec<usize> {
    let block = BLOCK.min(n.div_ceil(3));
    let mut drawn = Vec::with_capacity(n + block);
    while drawn.len() < n {
        let start = rng.random_range(0..=n - block);
        drawn.extend(start..start + block);
    }
    drawn.truncate(n);
    drawn
}

/// First and lasting crossing of `limit_s` in days from today; infinite when not within the horizon.
fn crossings(g_s: &[f64], limit_s: f64) -> (f64, f64) {
    let first = g_s.iter().position(|g| *g > limit_s);
    let mut above = g_s
        .iter()
        .rev()
        .take(LASTING_DAYS)
        .filter(|g| **g > limit_s)
        .count();
    let mut lasting = None;
    // Backwards from the last whole window, as long as most of its days are across.
    let mut start = g_s.len() - LASTING_DAYS;
    while 2 * above > LASTING_DAYS {
        lasting = Some(start);
        if start == 0 {
            break;
        }
        start -= 1;
        above += usize::from(g_s[start] > limit_s);
        above -= usize::from(g_s[start + LASTING_DAYS] > limit_s);
    }
    // The window may begin on days that are not across yet; what lasts cannot have begun before the first day that is.
    let lasting = lasting.map(|lasting| lasting.max(first.unwrap_or(lasting)));
    let days = |k: Option<usize>| k.map_or(f64::INFINITY, |k| k as f64 + 1.0);
    (days(first), days(lasting))
}

fn crossing(mut days: Vec<f64>) -> Crossing {
    let share =
        |most: f64| days.iter().filter(|d| **d <= most).count() as f64 / days.len().max(1) as f64;
    let (within_30_days, within_180_days, within_365_days) =
        (share(30.0), share(180.0), share(365.0));
    days.sort_unstable_by(f64::total_cmp);
    let at = |q: f64| {
        let k = (q * (days.len() as f64 - 1.0)).round() as usize;
        days.get(k).copied().filter(|d| d.is_finite())
    };
    Crossing {
        within_30_days,
        within_180_days,
        within_365_days,
        early_days: at(0.05),
        median_days: at(0.5),
        late_days: at(0.95),
        quantiles_days: std::array::from_fn(|k| at(0.05 * (k + 1) as f64)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: across from the 41st day on. Thirty days of which most are across begin earlier; what lasts does not.
    #[test]
    fn what_lasts_does_not_begin_before_the_first_crossing() {
        let at = |is_across: fn(usize) -> bool| -> Vec<f64> {
            (0..HORIZON_DAYS)
                .map(|day| f64::from(u8::from(is_across(day))))
                .collect()
        };
        assert_eq!(crossings(&at(|day| day >= 40), 0.5), (41.0, 41.0));
        let (first, lasting) = crossings(&at(|day| day == 5 || day >= 100), 0.5);
        assert!((first - 6.0).abs() < 1e-9, "{first}");
        assert!(lasting > 80.0 && lasting <= 101.0, "{lasting}");
        assert_eq!(
            crossings(&at(|_| false), 0.5),
            (f64::INFINITY, f64::INFINITY)
        );
    }
}
