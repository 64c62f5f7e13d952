//! When a limit will be crossed, as a distribution: growth of the excess by the law that fits, redrawn by a block bootstrap.
//!
//! Each of the [`DRAWS`] futures: days of the departed series are drawn again in blocks (they are not independent), each law of
//! growth is fitted to them robustly, the best one is followed, and on every day to come the lowest value of that day stands to the
//! series as it did on a day of the recent past, drawn in blocks too (wet and hot spells come together). The first crossing is
//! the first such day below the limit; the lasting one the first from which the middle of thirty days stays below it.
//! Seeded: the same days give the same answer.

use super::adjusted::Point;
use super::statistics::{quantile_of, theil_sen};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Futures drawn.
pub const DRAWS: usize = 200;
/// Days looked ahead.
pub const HORIZON_DAYS: usize = 730;
/// Points a law is fitted to, at most.
const POINTS: usize = 45;
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

/// How the excess conductance grows.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Law {
    /// By the same share every day.
    Exponential,
    /// Its square root by the same amount every day.
    Square,
    /// By the same amount every day.
    Linear,
}

impl Law {
    const ALL: [Self; 3] = [Self::Exponential, Self::Square, Self::Linear];

    fn straight(self, excess: f64) -> f64 {
        match self {
            Self::Exponential => excess.ln(),
            Self::Square => excess.sqrt(),
            Self::Linear => excess,
        }
    }

    fn back(self, straight: f64) -> f64 {
        match self {
            Self::Exponential => straight.min(300.0).exp(),
            Self::Square => straight.max(0.0).powi(2),
            Self::Linear => straight.max(0.0),
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
    fn fit(days: &[f64], excess: &[f64]) -> Option<Self> {
        let mut best: Option<Self> = None;
        for law in Law::ALL {
            let y: Vec<f64> = excess.iter().map(|e| law.straight(*e)).collect();
            let line = theil_sen(days, &y, 0.95)?;
            let mut growth = Self {
                law,
                intercept: line.intercept,
                slope: line.slope,
                miss: 0.0,
            };
            let mut misses: Vec<f64> = days
                .iter()
                .zip(excess)
                .map(|(day, e)| (e.ln() - growth.at(*day).max(1e-15).ln()).abs())
                .collect();
            growth.miss = quantile_of(&mut misses, 0.5)?;
            if best.is_none_or(|b| growth.miss < b.miss) {
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
    /// Within 365 days.
    pub within_365_days: f64,
    /// One in twenty crosses before; `None` beyond the horizon of [`HORIZON_DAYS`].
    pub early_days: Option<f64>,
    /// Half cross before.
    pub median_days: Option<f64>,
    /// One in twenty crosses after, or not within the horizon.
    pub late_days: Option<f64>,
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
    // An excess that follows the weather as healthy insulation does is one of the whole insulation: then its ratio is steadier.
    let plain = series(departed, today, false)?;
    let scaled = series(departed, today, true)?;
    let plain_fit = Growth::fit(&plain.0, &plain.1)?;
    let scaled_fit = Growth::fit(&scaled.0, &scaled.1)?;
    let with_weather = !departed.wet_only && scaled_fit.miss < 0.9 * plain_fit.miss;
    let (days, excess) = if with_weather { &scaled } else { &plain };
    let growth = if with_weather { scaled_fit } else { plain_fit };

    let recent: Vec<(f64, f64)> = departed
        .lowest
        .iter()
        .map(|p| (p.healthy_s, p.excess_s.max(0.0) / growth.at((p.day - today) as f64).max(1e-15)))
        .collect();
    if recent.is_empty() {
        return None;
    }
    let mut rng = Pcg64Mcg::seed_from_u64(SEED);
    let mut dates = vec![(Vec::with_capacity(DRAWS), Vec::with_capacity(DRAWS)); limits.len()];
    let mut g_s = vec![0.0; HORIZON_DAYS];
    for _ in 0..DRAWS {
        let drawn = draw(&mut rng, days.len());
        let pick = |of: &[f64]| drawn.iter().map(|k| of[*k]).collect::<Vec<_>>();
        let growth = Growth::fit(&pick(days), &pick(excess)).unwrap_or(growth);
        let mut k = 0;
        for (day, g) in g_s.iter_mut().enumerate() {
            if day % BLOCK == 0 {
                k = rng.random_range(0..recent.len());
            }
            let (healthy, times) = recent[(k + day % BLOCK) % recent.len()];
            *g = healthy + growth.at(day as f64 + 1.0) * times;
        }
        for (limit, (first, lasting)) in limits.iter().zip(&mut dates) {
            let (a, b) = crossings(&g_s, 1.0 / limit.r_ohm);
            first.push(a);
            lasting.push(b);
        }
    }
    let forecasts = limits.iter().zip(dates).map(|(limit, (first, lasting))| Forecast {
        limit: limit.clone(),
        first: crossing(first),
        lasting: crossing(lasting),
    });
    Some(Outlook {
        growth,
        forecasts: forecasts.collect(),
    })
}

/// Days and excess, thinned to the last [`POINTS`] groups; what noise put below zero keeps a share of its uncertainty.
fn series(departed: &Departed<'_>, today: i64, over_healthy: bool) -> Option<(Vec<f64>, Vec<f64>)> {
    let points = departed.points;
    let group = points.len().div_ceil(POINTS).max(1);
    let (mut days, mut excess) = (Vec::new(), Vec::new());
    for group in points.rchunks(group).rev() {
        let unit = |p: &Point| match (departed.wet_only, over_healthy) {
            (true, _) => p.wetness.max(0.05),
            (false, true) => p.healthy_s,
            (false, false) => 1.0,
        };
        let mut of: Vec<f64> = group.iter().map(|p| p.excess_s.max(0.25 * p.sigma_s).max(1e-12) / unit(p)).collect();
        days.push(group.iter().map(|p| (p.day - today) as f64).sum::<f64>() / group.len() as f64);
        excess.push(quantile_of(&mut of, 0.5)?);
    }
    let span = days.last()? - days.first()?;
    (days.len() >= 6 && span >= 8.0).then_some((days, excess))
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
    let mut above = g_s.iter().rev().take(LASTING_DAYS).filter(|g| **g > limit_s).count();
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
    let days = |k: Option<usize>| k.map_or(f64::INFINITY, |k| k as f64 + 1.0);
    (days(first), days(lasting))
}

fn crossing(mut days: Vec<f64>) -> Crossing {
    let share = |most: f64| days.iter().filter(|d| **d <= most).count() as f64 / days.len().max(1) as f64;
    let (within_30_days, within_365_days) = (share(30.0), share(365.0));
    days.sort_unstable_by(f64::total_cmp);
    let at = |q: f64| {
        let k = (q * (days.len() as f64 - 1.0)).round() as usize;
        days.get(k).copied().filter(|d| d.is_finite())
    };
    Crossing {
        within_30_days,
        within_365_days,
        early_days: at(0.05),
        median_days: at(0.5),
        late_days: at(0.95),
    }
}
