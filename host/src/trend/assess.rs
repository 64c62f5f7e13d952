//! All of it on one board: features, weather, statistics, departure, forecast.

use super::adjusted::{
    Adjusted, Departure, Point, ROLL_DRY, ROLL_WET, Recovery, Step, departure, recovery, step,
};
use super::days::{DayFeatures, Dwell};
use super::forecast::{Crossing, Departed, Forecast, HORIZON_DAYS, Limit, Outlook, outlook};
use super::statistics::{
    MannKendall, TheilSen, mann_kendall_autocorrelated, mann_kendall_seasonal, median, theil_sen,
};
use super::weather::{Healthy, Senses};

/// Measured days before anything is said.
pub const LEARNING_DAYS: usize = 30;
/// Days that set what is healthy here.
const BASELINE_DAYS: usize = 60;
/// Weeks in a year.
const WEEKS_A_YEAR: f64 = 365.25 / 7.0;
/// Recent past from which wet and hot days are drawn.
const RECENT_DAYS: i64 = 45;
/// Resistances compare while the time under voltage differs by no more than this factor (dielectric absorption: it rises by some
/// tens of percent from one minute to ten, common practice of insulation testing, no source).
pub const DWELL_ALIKE: f64 = 2.0;
/// Share of the futures that must pass a limit within half a year before there is a warning.
pub const WARN_SHARE: f64 = 0.9;
/// A date counts as known when nine of ten futures lie within this many times its median.
const KNOWN_TO: f64 = 0.8;
/// A limit that one future in twenty passes within so many days is near: then a date known within so many times its median will do.
const NEAR_DAYS: f64 = 14.0;
const NEAR_KNOWN_TO: f64 = 3.0;
/// A trend counts when chance gives one so strong no more often than this, one-sided.
pub const P_ONE_SIDED: f64 = 0.01;

/// Statistics of a weekly series of ln of the resistance, or of what is left of it with the weather out.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Weekly {
    /// Slope of ln R, 1/year, with its two-sided 95 % band; below 0 is a decline.
    pub slope_per_year: TheilSen,
    /// Of −ln R with autocorrelation paid for: rising is a decline.
    pub decline: MannKendall,
    /// The same within seasons, from two years on.
    pub decline_seasonal: Option<MannKendall>,
}

/// One departed series with what follows from it.
#[derive(Clone, PartialEq, Debug)]
pub struct Decline {
    /// It shows on wet days only.
    pub wet_only: bool,
    /// When and how far.
    pub departure: Departure,
    /// First day of it.
    pub since_day: i64,
    /// A step within it, if that is how it began.
    pub step: Option<Step>,
    /// Place along the array by the two poles, 0 at the negative end, and its scatter.
    pub position: Option<(f64, f64)>,
    /// Growth and dates, when there are points enough.
    pub outlook: Option<Outlook>,
}

/// What is known of a board's insulation.
#[derive(Clone, PartialEq, Debug)]
pub struct Assessment {
    /// Last day of the record.
    pub today: i64,
    /// Days from first to last.
    pub days: usize,
    /// Of them, with at least one measurement.
    pub measured_days: usize,
    /// Share of the light of the last 30 days without a value.
    pub not_measured_share: f64,
    /// How weather is known.
    pub senses: Option<Senses>,
    /// Healthy insulation as learnt.
    pub healthy: Option<Healthy>,
    /// Days with the weather taken out.
    pub adjusted: Option<Adjusted>,
    /// Daily minima as measured.
    pub minima: Option<Weekly>,
    /// Dry noons with the weather taken out.
    pub dry: Option<Weekly>,
    /// What has departed.
    pub decline: Option<Decline>,
    /// What had departed, and fell back to healthy.
    pub recovered: Option<Recovery>,
    /// How long the measurements that are compared dwelt.
    pub dwell: DwellThenNow,
}

/// Dwell of the measurements that set what is healthy, and of those of late.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct DwellThenNow {
    /// Of the days that count as healthy; `None` where none of them tells.
    pub healthy: Option<Dwell>,
    /// Of the last [`RECENT_DAYS`], since the departure if there is one.
    pub now: Option<Dwell>,
}

impl DwellThenNow {
    /// Time now over time then, where both are known and differ by more than [`DWELL_ALIKE`].
    pub fn unlike(&self) -> Option<f64> {
        let ratio = self.now?.dwell_s / self.healthy?.dwell_s;
        (ratio.is_finite() && !(1.0 / DWELL_ALIKE..=DWELL_ALIKE).contains(&ratio)).then_some(ratio)
    }
}

/// One day's looks as they enter the series of a decline.
fn dwell_then_now(days: &[DayFeatures], decline: Option<&Decline>, today: i64) -> DwellThenNow {
    let is_wet = decline.is_some_and(|decline| decline.wet_only);
    // A healthy board's first days set the scale; a departed one's days before it left.
    let (healthy_to, now_from) = match decline {
        Some(decline) => (decline.since_day, decline.since_day),
        None => (
            days.first().map_or(0, |day| day.day) + BASELINE_DAYS as i64,
            i64::MIN,
        ),
    };
    let of = |keep: &dyn Fn(i64) -> bool| {
        let looks = days.iter().filter(|day| keep(day.day)).filter_map(|day| {
            let look = if is_wet { day.lowest } else { day.dry_noon };
            look.or(day.lowest)?.dwell
        });
        Dwell::of(&looks.collect::<Vec<_>>())
    };
    DwellThenNow {
        healthy: of(&|day| day < healthy_to),
        now: of(&|day| day > today - RECENT_DAYS && day >= now_from),
    }
}

impl Assessment {
    /// Assesses the days of a board, oldest first, one entry a day.
    pub fn of(days: &[DayFeatures], limits: &[Limit]) -> Self {
        let measured_days = days.iter().filter(|day| day.measured > 0).count();
        let recent = &days[days.len().saturating_sub(30)..];
        let shares: Vec<f64> = recent.iter().map(|day| day.not_measured_share).collect();
        let mut found = Self {
            today: days.last().map_or(0, |day| day.day),
            days: days.len(),
            measured_days,
            not_measured_share: shares.iter().sum::<f64>() / shares.len().max(1) as f64,
            senses: None,
            healthy: None,
            adjusted: None,
            minima: None,
            dry: None,
            decline: None,
            recovered: None,
            dwell: DwellThenNow::default(),
        };
        found.dwell = dwell_then_now(days, None, found.today);
        if measured_days < LEARNING_DAYS {
            return found;
        }
        let senses = Senses::of(days);
        let Some(first) = Healthy::fit(days, &senses, BASELINE_DAYS, BASELINE_DAYS, None) else {
            return found;
        };
        let look = |healthy: &Healthy| {
            let adjusted = Adjusted::of(days, &senses, healthy);
            let (in_dry, in_wet) = (baseline(&adjusted.dry), baseline(&adjusted.wet));
            let recovery = |points: &[Point], baseline, roll, needs_water| {
                let lowest = &adjusted.lowest;
                recovery(points, lowest, baseline, roll, &senses, needs_water)
            };
            let dry_back = recovery(&adjusted.dry, in_dry, ROLL_DRY, false);
            let wet_back = recovery(&adjusted.wet, in_wet, ROLL_WET, true);
            let since = dry_back.map(|back| back.day);
            let dry = departure(&adjusted.dry, in_dry, ROLL_DRY, &senses, since);
            // Wet days before a dry fault was mended tell of that fault.
            let wet = departure(&adjusted.wet, in_wet, ROLL_WET, &senses, since);
            let back = dry_back.or(wet_back.filter(|_| dry.is_none()));
            (adjusted, dry, wet, back)
        };
        let (adjusted, dry, wet, back) = look(&first);
        let since = [(dry, &adjusted.dry), (wet, &adjusted.wet)]
            .into_iter()
            .filter_map(|(departure, points)| departure.map(|d| points[d.from].day))
            .chain(back.map(|back| back.since_day))
            .min();
        // The law of the weather is learnt from all days that are still healthy.
        let law_days = since
            .map_or(days.len(), |since| (since - days[0].day) as usize)
            .max(BASELINE_DAYS);
        let (healthy, (adjusted, dry, wet, back)) = if law_days > BASELINE_DAYS {
            match Healthy::fit(days, &senses, law_days, BASELINE_DAYS, Some(&first)) {
                Some(healthy) => (healthy, look(&healthy)),
                None => (first, (adjusted, dry, wet, back)),
            }
        } else {
            (first, (adjusted, dry, wet, back))
        };
        found.decline = dry
            .map(|departure| {
                decline(
                    &adjusted,
                    &adjusted.dry,
                    departure,
                    false,
                    found.today,
                    limits,
                )
            })
            .or_else(|| {
                wet.map(|departure| {
                    decline(
                        &adjusted,
                        &adjusted.wet,
                        departure,
                        true,
                        found.today,
                        limits,
                    )
                })
            });
        found.recovered = back;
        found.dwell = dwell_then_now(days, found.decline.as_ref(), found.today);
        let minima: Vec<(i64, f64)> = days
            .iter()
            .filter_map(|day| {
                day.lowest.map(|look| {
                    (
                        day.day,
                        look.g_s().max(0.5 * look.g_sigma_s).max(1e-12).ln(),
                    )
                })
            })
            .collect();
        found.minima = weekly(&minima);
        found.dry = weekly(
            &adjusted
                .dry
                .iter()
                .map(|p| (p.day, p.ln_ratio))
                .collect::<Vec<_>>(),
        );
        found.senses = Some(senses);
        found.healthy = Some(healthy);
        found.adjusted = Some(adjusted);
        found
    }

    /// The limit most likely passed within half a year, when that is likely enough for a warning: [`WARN_SHARE`] of the futures pass
    /// it, and the date is known to a factor or so, a near one more roughly.
    pub fn warning(&self) -> Option<&Forecast> {
        let outlook = self.decline.as_ref()?.outlook.as_ref()?;
        let known = |first: &Crossing| {
            let (Some(early), Some(middle)) = (first.early_days, first.median_days) else {
                return false;
            };
            let late = first.late_days.unwrap_or(HORIZON_DAYS as f64);
            let known_to = if early <= NEAR_DAYS {
                NEAR_KNOWN_TO
            } else {
                KNOWN_TO
            };
            late - early <= known_to * middle
        };
        let soon = outlook
            .forecasts
            .iter()
            .filter(|f| f.first.within_180_days >= WARN_SHARE && known(&f.first));
        soon.min_by(|a, b| a.limit.r_ohm.total_cmp(&b.limit.r_ohm))
    }

    /// It declines, and most likely passes a limit within half a year.
    pub fn warns(&self) -> bool {
        self.warning().is_some()
    }
}

/// Points of the first [`BASELINE_DAYS`] days, fewer while the record is short.
fn baseline(points: &[Point]) -> usize {
    let Some(first) = points.first() else {
        return 0;
    };
    let early = points
        .iter()
        .take_while(|p| p.day - first.day < BASELINE_DAYS as i64)
        .count();
    early.min(points.len() * 2 / 3).max(1)
}

fn decline(
    adjusted: &Adjusted,
    points: &[Point],
    departure: Departure,
    wet_only: bool,
    today: i64,
    limits: &[Limit],
) -> Decline {
    let of = &points[departure.from..];
    let since_day = of[0].day;
    let around = &points[departure.from.saturating_sub(12)..];
    let lowest: Vec<Point> = adjusted
        .lowest
        .iter()
        .filter(|p| {
            p.day
                > today
                    - if wet_only {
                        3 * RECENT_DAYS
                    } else {
                        RECENT_DAYS
                    }
        })
        .copied()
        .collect();
    let last = &of[of.len().saturating_sub(20)..];
    let clear: Vec<f64> = last
        .iter()
        .filter(|p| p.excess_s > 4.0 * p.sigma_s)
        .map(|p| p.excess_pos_s / p.excess_s)
        .collect();
    let position = median(&clear).filter(|_| clear.len() >= 5).map(|middle| {
        let away: Vec<f64> = clear.iter().map(|x| (x - middle).abs()).collect();
        (
            middle.clamp(0.0, 1.0),
            1.4826 * median(&away).unwrap_or(0.0),
        )
    });
    let step = step(around);
    // What came before a step tells nothing of how it goes on.
    let after = step.map_or(0, |step| of.partition_point(|p| p.day < step.day));
    Decline {
        wet_only,
        departure,
        since_day,
        step,
        position,
        outlook: outlook(
            &Departed {
                points: &of[after..],
                lowest: &lowest,
                wet_only,
            },
            today,
            limits,
        ),
    }
}

/// Weekly medians of ln G → statistics of ln R; needs six weeks.
fn weekly(ln_g: &[(i64, f64)]) -> Option<Weekly> {
    let first = ln_g.first()?.0;
    let mut weeks: Vec<Option<f64>> = Vec::new();
    for week in ln_g.chunk_by(|a, b| (a.0 - first) / 7 == (b.0 - first) / 7) {
        let at = ((week[0].0 - first) / 7) as usize;
        weeks.resize(at, None);
        weeks.push(median(&week.iter().map(|(_, y)| *y).collect::<Vec<_>>()));
    }
    let there: Vec<(f64, f64)> = weeks
        .iter()
        .enumerate()
        .filter_map(|(k, y)| y.map(|y| (k as f64, y)))
        .collect();
    let (x, y): (Vec<f64>, Vec<f64>) = there.into_iter().unzip();
    if y.len() < 6 {
        return None;
    }
    let years: Vec<f64> = x.iter().map(|week| week / WEEKS_A_YEAR).collect();
    let ln_r: Vec<f64> = y.iter().map(|y| -y).collect();
    Some(Weekly {
        slope_per_year: theil_sen(&years, &ln_r, 0.95)?,
        decline: mann_kendall_autocorrelated(&y, true),
        decline_seasonal: (weeks.len() >= 104).then(|| mann_kendall_seasonal(&weeks, 52)),
    })
}
