//! When a limit will be crossed, as a distribution: growth of the excess by the laws that fit, each as often as the days speak for it.
//!
//! Each of the [`DRAWS`] futures follows a law drawn by its weight, with numbers drawn as the days allow ([`super::growth`]), at a pace
//! and from a level drawn beside it ([`PACE_SIGMA`], [`LEVEL_SIGMA`]). On every day to come the lowest value of that day stands to the law
//! as it did on a day of the recent past, drawn in blocks (wet and hot spells come together) and smoothed ([`DAY_SIGMA`]); a wet day
//! from before the fault stands to it as water did on the wet days since ([`WATER`]). The first crossing is
//! the first such day below the limit; the lasting one the first from which the middle of thirty days stays below it.
//! Seeded: the same days give the same answer.

use super::adjusted::Point;
use super::growth::{Growth, Laws, Unit, unit_of};
use ohmward_proto::settings::InsulationLimits;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

/// Futures drawn.
pub const DRAWS: usize = 200;
/// Days looked ahead.
pub const HORIZON_DAYS: usize = 730;
/// An excess of a lowest look below this share of the healthy part is not told from the weather.
const TOLD_FROM_WEATHER: f64 = 0.5;
/// A law is compared with days on which it had reached this share of today.
const EARLY: f64 = 0.2;
/// ln of how much better a path conducts under water than dry before a wet day is seen, and how far; scatter of such a day. Own choice:
/// up to several times.
const WATER: (f64, f64) = (0.6, 0.4);
const WATER_SCATTER: f64 = 0.3;
/// What the days cannot tell is drawn beside them, each as one standard deviation of a natural logarithm; chosen on invented years
/// so that nine of ten bands of a first warning hold the true date, half of them on either side of the middle.
/// Pace of the growth to come over the one so far: nobody knows the law.
const PACE_SIGMA: f64 = 0.15;
/// Its middle: with laws of less bend weighed in, dates came late by so much.
const PACE_MEAN: f64 = 0.04;
/// Level of a whole future: season, dirt, and what is left of the weather after the fit.
const LEVEL_SIGMA: f64 = 0.15;
/// A single day: wetter or hotter than any of the recent past.
const DAY_SIGMA: f64 = 0.13;
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
    if limits.is_empty() || departed.lowest.is_empty() {
        return None;
    }
    let laws = Laws::of(departed.points, today, departed.wet_only)?;
    let ways: Vec<Ways> = (laws.0.iter())
        .map(|(growth, _)| Ways::of(departed, today, growth))
        .collect();
    let growth = laws.0.first()?.0;
    let mut rng = Pcg64Mcg::seed_from_u64(SEED);
    let mut dates = vec![(Vec::with_capacity(DRAWS), Vec::with_capacity(DRAWS)); limits.len()];
    let mut g_s = vec![0.0; HORIZON_DAYS];
    let mut weeks = vec![Vec::new(); HORIZON_DAYS / 7];
    for _ in 0..DRAWS {
        let which = laws.pick(&mut rng);
        let growth = laws.0[which].0.drawn(&mut rng);
        let ways = &ways[which];
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let pace = (PACE_MEAN + PACE_SIGMA * normal()).exp();
        let level = LEVEL_SIGMA * normal();
        let water = ways.water.0 + ways.water.1 * normal();
        let mut k = 0;
        for (day, g) in g_s.iter_mut().enumerate() {
            if day % BLOCK == 0 {
                k = rng.random_range(0..ways.lowest.len());
            }
            let lowest = &ways.lowest[(k + day % BLOCK) % ways.lowest.len()];
            let own = ways.scatter[rng.random_range(0..ways.scatter.len())];
            let jitter: f64 = StandardNormal.sample(&mut rng);
            let own = own * (level + DAY_SIGMA * jitter).exp();
            let times = (lowest.times).unwrap_or_else(|| (water * lowest.wetness).exp());
            *g =
                lowest.healthy_s + growth.at((day as f64 + 1.0) * pace) * lowest.unit * times * own;
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

/// How the days of the recent past lay to the law.
struct Ways {
    lowest: Vec<Lowest>,
    /// Of a single point to its law.
    scatter: Vec<f64>,
    /// How much better the path conducts under water: ln of the factor, and one standard deviation of it.
    water: (f64, f64),
}

/// The lowest value of one of them.
struct Lowest {
    healthy_s: f64,
    /// One of the law's unit on that day.
    unit: f64,
    /// Times the law, where the excess stood out.
    times: Option<f64>,
    wetness: f64,
}

impl Ways {
    fn of(departed: &Departed<'_>, today: i64, growth: &Growth) -> Self {
        let now = growth.at(0.0);
        // Near its beginning a law is too near to zero to be compared with.
        let over = |p: &Point| {
            let law = growth.at((p.day - today) as f64);
            (law > EARLY * now).then(|| p.excess_s / unit_of(p, growth.unit) / law)
        };
        let since = departed.points.first().map_or(i64::MAX, |p| p.day);
        let lowest: Vec<Lowest> = (departed.lowest.iter())
            .map(|p| {
                let told = p.day >= since && p.excess_s > TOLD_FROM_WEATHER * p.healthy_s;
                Lowest {
                    healthy_s: p.healthy_s,
                    unit: match growth.unit {
                        Unit::PerWater(power) => p.wetness.powf(power),
                        unit => unit_of(p, unit),
                    },
                    times: match growth.unit {
                        _ if departed.wet_only => Some(1.0),
                        _ => over(p).filter(|_| told),
                    },
                    wetness: p.wetness,
                }
            })
            .collect();
        let scatter: Vec<f64> = if departed.wet_only {
            let last = &departed.points[departed.points.len().saturating_sub(20)..];
            (last.iter().filter_map(over))
                .map(|times| times.clamp(0.2, 5.0))
                .collect()
        } else {
            vec![1.0]
        };
        let water = match growth.unit {
            Unit::Siemens => water(&lowest),
            Unit::PerWater(_) | Unit::OverHealthy => (0.0, 0.0),
        };
        Self {
            lowest,
            scatter: if scatter.is_empty() {
                vec![1.0]
            } else {
                scatter
            },
            water,
        }
    }
}

/// Regression through the origin of ln of what a wet day lay above the law, with a normal prior.
fn water(lowest: &[Lowest]) -> (f64, f64) {
    let (mut xx, mut xy) = (1.0 / WATER.1.powi(2), WATER.0 / WATER.1.powi(2));
    for day in lowest {
        if let Some(times) = day.times.filter(|times| *times > 0.0) {
            xx += (day.wetness / WATER_SCATTER).powi(2);
            xy += day.wetness * times.ln() / WATER_SCATTER.powi(2);
        }
    }
    (xy / xx, xx.sqrt().recip())
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
