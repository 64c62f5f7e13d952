//! Days with the weather taken out: how far each lies above what healthy insulation would show, dry and wet apart.

use super::days::{DayFeatures, Look};
use super::statistics::{median, quantile_of, robust_sigma};
use super::weather::{Air, Healthy, Known, Senses};

/// From this much water on a look is a wet one.
pub const WET: f64 = 0.15;
/// At noon, up to this much is dry.
pub const DRY: f64 = 0.08;
/// Points whose median must stand out before anything counts as departed: dry days, and wet ones, which are rarer.
pub const ROLL_DRY: usize = 7;
/// Wet days.
pub const ROLL_WET: usize = 2;

/// One day's value against healthy insulation in the same weather.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Point {
    /// Solar day.
    pub day: i64,
    /// Conductance beyond healthy, S; may be below 0.
    pub excess_s: f64,
    /// Of that, the positive conductor's, taking half of the healthy part from each.
    pub excess_pos_s: f64,
    /// Healthy, S.
    pub healthy_s: f64,
    /// One standard deviation of the measurement, S.
    pub sigma_s: f64,
    /// Water.
    pub wetness: f64,
    /// ln of measured over healthy, both above the noise: 0 is healthy, 0.69 twice the conductance.
    pub ln_ratio: f64,
}

/// The two series: a wet-only fault shows in the second alone, a slow decline in the first.
#[derive(Clone, PartialEq, Debug)]
pub struct Adjusted {
    /// Dry noons.
    pub dry: Vec<Point>,
    /// The lowest look of each wet day.
    pub wet: Vec<Point>,
    /// The lowest look of every day, wet or dry.
    pub lowest: Vec<Point>,
}

impl Adjusted {
    /// Every day that has the look in question.
    pub fn of(days: &[DayFeatures], senses: &Senses, healthy: &Healthy) -> Self {
        let points = |look: &dyn Fn(&DayFeatures) -> Option<Look>, keep: &dyn Fn(Air) -> bool| {
            let mut points = Vec::new();
            for day in days {
                if let Some(look) = look(day) {
                    let air = senses.air(day.day, &look);
                    if keep(air) {
                        points.push(point(day.day, &look, air, healthy));
                    }
                }
            }
            points
        };
        Self {
            dry: points(&|day| day.dry_noon, &|air| air.wetness <= DRY),
            wet: points(&|day| day.lowest, &|air| air.wetness >= WET),
            lowest: points(&|day| day.lowest, &|_| true),
        }
    }
}

fn point(day: i64, look: &Look, air: Air, healthy: &Healthy) -> Point {
    let healthy_s = healthy.g_s(air);
    let floor = 2.0 * look.g_sigma_s;
    Point {
        day,
        excess_s: look.g_s() - healthy_s,
        excess_pos_s: look.g_pos_s - 0.5 * healthy_s,
        healthy_s,
        sigma_s: look.g_sigma_s,
        wetness: air.wetness,
        ln_ratio: ((look.g_s().max(0.0) + floor) / (healthy_s + floor)).ln(),
    }
}

/// How far weather that is not, or only roughly, known can move ln G over months without any change of the insulation.
///
/// `arrhenius_factors`: 0.7 eV between 5 and 60 °C is ln 124 = 4.8 over day and season together; noons of winter and summer lie
/// about 35 K apart, which is 3.
pub fn season_allowance(senses: &Senses, days_since_start: f64) -> f64 {
    let most = match senses.temperature {
        Known::Logged => 0.35,
        Known::Inferred => 0.8,
        Known::No => 3.0,
    };
    // Half a year from coldest to hottest; the first third of it does two thirds of the way.
    most * (0.3 + 0.7 * (days_since_start / 120.0).clamp(0.0, 1.0))
}

/// A series that has left what it was.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Departure {
    /// Index of the first point of it.
    pub from: usize,
    /// Median ln of measured over healthy of the last points.
    pub ln_ratio: f64,
    /// What it had to pass.
    pub threshold: f64,
    /// Scatter of a healthy day.
    pub sigma: f64,
}

/// A series held against its own healthy days.
struct Held {
    /// Scatter of a healthy day.
    sigma: f64,
    /// Median of the healthy days.
    offset: f64,
    /// Median of the last points up to each.
    rolled: Vec<f64>,
}

impl Held {
    /// `None` of a series too short for it.
    fn of(points: &[Point], baseline: usize, roll: usize) -> Option<Self> {
        if points.len() < baseline.min(roll) + roll {
            return None;
        }
        let base: Vec<f64> = points.iter().take(baseline).map(|p| p.ln_ratio).collect();
        let rolled = (0..points.len())
            .map(|k| middle(&points[(k + 1).saturating_sub(roll)..=k], |p| p.ln_ratio))
            .collect();
        Some(Self {
            sigma: robust_sigma(&base)?.max(0.08),
            offset: median(&base)?,
            rolled,
        })
    }

    /// What a rolled median has to pass so many days after the first.
    fn threshold(&self, senses: &Senses, days: i64) -> f64 {
        season_allowance(senses, days as f64) + 3.0 * self.sigma + self.offset.max(0.0)
    }

    /// Up to here nothing stands out of the series' own scatter.
    fn start(&self) -> f64 {
        self.offset + (1.5 * self.sigma).max(0.35)
    }
}

fn middle(points: &[Point], value: impl Fn(&Point) -> f64) -> f64 {
    quantile_of(&mut points.iter().map(value).collect::<Vec<_>>(), 0.5).unwrap_or(0.0)
}

/// Whether the last points stand clear of healthy scatter and of what the season may do; `baseline` points at the start are
/// what is healthy here. Only points from `not_before` on count, where a day is given: since a recovery.
pub fn departure(
    points: &[Point],
    baseline: usize,
    roll: usize,
    senses: &Senses,
    not_before: Option<i64>,
) -> Option<Departure> {
    let held = Held::of(points, baseline, roll)?;
    let (first, last) = (points.first()?, points.last()?);
    let earliest = not_before.map_or(0, |day| points.partition_point(|p| p.day < day));
    if earliest + roll > points.len() && not_before.is_some() {
        return None;
    }
    let threshold = held.threshold(senses, last.day - first.day);
    let ln_ratio = *held.rolled.last()?;
    if ln_ratio <= threshold {
        return None;
    }
    // Where it stood out of its own scatter for good. The rolled median lags by half its length.
    let start = held.start();
    let from = held
        .rolled
        .iter()
        .rposition(|r| *r < start)
        .map_or(0, |k| (k + 1).saturating_sub(roll / 2));
    Some(Departure {
        from: from.max(earliest),
        ln_ratio,
        threshold,
        sigma: held.sigma,
    })
}

/// A departure that has ended: the series fell back to healthy from one point to the next, and stayed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Recovery {
    /// First day of the departure.
    pub since_day: i64,
    /// First day back.
    pub day: i64,
    /// Conductance over healthy before it fell.
    pub factor: f64,
    /// Points since.
    pub points: usize,
}

/// Points before a fall that it is held against.
const BEFORE_FALL: usize = 5;
/// Points after it that must be healthy.
const BACK: usize = 2;
/// And on which no more of the excess is left than this share.
const LEFT: f64 = 0.1;

/// The latest departure that has ended at once, if no other has followed. Weather does not do that: the excess itself is gone, on
/// [`BACK`] days running, in the look of the series as in the `lowest` of each day. An excess that needs water is taken per water.
pub fn recovery(
    points: &[Point],
    lowest: &[Point],
    baseline: usize,
    roll: usize,
    senses: &Senses,
    needs_water: bool,
) -> Option<Recovery> {
    let held = Held::of(points, baseline, roll)?;
    let first = points.first()?;
    let start = held.start();
    let excess = |p: &Point| {
        if needs_water {
            p.excess_s / p.wetness.max(0.05)
        } else {
            p.excess_s
        }
    };
    let departed = |k: usize| {
        held.rolled.get(k).copied().unwrap_or(0.0)
            > held.threshold(senses, points[k].day - first.day)
    };
    let fell = (BEFORE_FALL.max(roll)..=points.len().checked_sub(BACK)?).rfind(|&k| {
        let (before, back) = (&points[k - BEFORE_FALL..k], &points[k..k + BACK]);
        let gone = LEFT * middle(before, excess);
        departed(k - 1)
            && points[k - 1].ln_ratio > start
            && back.iter().all(|p| p.ln_ratio < start && excess(p) < gone)
    })?;
    // Once the window holds no point from before the fall, nothing may have departed again.
    if (fell + roll - 1..points.len()).any(departed) {
        return None;
    }
    let day = points[fell].day;
    let of_days = |from: i64, to: i64| {
        &lowest[lowest.partition_point(|p| p.day < from)..lowest.partition_point(|p| p.day < to)]
    };
    let before = of_days(points[fell - BEFORE_FALL].day, day);
    let after = of_days(day, points[fell + BACK - 1].day + 1);
    let most = after.iter().map(|p| p.excess_s).fold(0.0, f64::max);
    if !needs_water && most > 0.5 * middle(before, |p| p.excess_s) {
        return None;
    }
    let since = held.rolled[..fell]
        .iter()
        .rposition(|r| *r < start)
        .map_or(0, |k| (k + 1).saturating_sub(roll / 2));
    Some(Recovery {
        since_day: points[since.min(fell - 1)].day,
        day,
        factor: middle(&points[fell - BEFORE_FALL..fell], |p| p.ln_ratio).exp(),
        points: points.len() - fell,
    })
}

/// A sudden change that stayed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Step {
    /// First day after it.
    pub day: i64,
    /// Factor on the conductance.
    pub factor: f64,
    /// Height over the scatter of the days before it.
    pub sigmas: f64,
}

/// The largest step within `points`: medians of up to ten days before and after it differ by a factor of two and six times the
/// scatter at least, and most of that within two days.
pub fn step(points: &[Point]) -> Option<Step> {
    const SIDE: usize = 10;
    let value: Vec<f64> = points.iter().map(|p| p.ln_ratio).collect();
    let mut best: Option<Step> = None;
    for k in 5..value.len().saturating_sub(4) {
        let before = &value[k.saturating_sub(SIDE)..k];
        let after = &value[k..(k + SIDE).min(value.len())];
        let (old, new) = (median(before)?, median(after)?);
        // The scatter of neighbours: a slope does not add to it.
        let apart: Vec<f64> = before.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let sigma = (robust_sigma(&apart)? / std::f64::consts::SQRT_2).max(0.08);
        let height = new - old;
        let at_once = median(&value[k..(k + 3).min(value.len())])? - median(&value[k - 3..k])?;
        let sigmas = height / sigma;
        if height > 2_f64.ln()
            && sigmas > 6.0
            && at_once > 0.7 * height
            && best.is_none_or(|b| height > b.factor.ln())
        {
            best = Some(Step {
                day: points[k].day,
                factor: height.exp(),
                sigmas,
            });
        }
    }
    best
}
