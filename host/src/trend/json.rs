//! What a trend found, as JSON: one shape for the command and the page. Units are in the names; what is not known is null.

use super::assess::{Assessment, Decline, Weekly};
use super::days::{Dwell, Record};
use super::finding::Finding;
use super::forecast::{Crossing, Forecast};
use super::statistics::MannKendall;
use ohmward_proto::message::BoardId;
use serde::Serialize;

/// Of one board.
#[derive(Serialize)]
pub struct BoardTrend<'a> {
    board: String,
    /// Days since 1970 at the board.
    last_day: i64,
    days: usize,
    measured_days: usize,
    not_measured_share_30_days: f64,
    /// No settings of the board were known.
    limits_are_defaults: bool,
    healthy_dry_25c_ohm: Option<f64>,
    activation_energy_ev: Option<f64>,
    wet_factor: Option<f64>,
    daily_minima: Option<WeeklyTrend>,
    dry_weather_adjusted: Option<WeeklyTrend>,
    dwell_s: Option<f64>,
    dwell_extrapolated_share: Option<f64>,
    dwell_healthy_s: Option<f64>,
    dwell_now_s: Option<f64>,
    dwell_unlike_ratio: Option<f64>,
    recovered_day: Option<i64>,
    decline: Option<DeclineFound<'a>>,
    findings: Vec<FindingTold<'a>>,
}

impl<'a> BoardTrend<'a> {
    /// Of an assessment of that record and its findings.
    pub fn new(
        board: BoardId,
        limits_are_defaults: bool,
        record: &Record,
        found: &'a Assessment,
        findings: &'a [Finding],
    ) -> Self {
        let dwell = record_dwell(record);
        let dwell_s = |dwell: Option<Dwell>| dwell.map(|dwell| dwell.dwell_s);
        Self {
            board: board.to_string(),
            last_day: found.today,
            days: found.days,
            measured_days: found.measured_days,
            not_measured_share_30_days: found.not_measured_share,
            limits_are_defaults,
            healthy_dry_25c_ohm: found.healthy.map(|healthy| 1.0 / healthy.b_s),
            activation_energy_ev: found.healthy.map(|healthy| healthy.ea_ev),
            wet_factor: found.healthy.map(|healthy| healthy.wet_factor),
            daily_minima: found.minima.as_ref().map(WeeklyTrend::of),
            dry_weather_adjusted: found.dry.as_ref().map(WeeklyTrend::of),
            dwell_s: dwell_s(dwell),
            dwell_extrapolated_share: dwell.map(|dwell| dwell.extrapolated_share),
            dwell_healthy_s: dwell_s(found.dwell.healthy),
            dwell_now_s: dwell_s(found.dwell.now),
            dwell_unlike_ratio: found.dwell.unlike(),
            recovered_day: found.recovered.map(|back| back.day),
            decline: found.decline.as_ref().map(DeclineFound::of),
            findings: findings.iter().map(FindingTold::of).collect(),
        }
    }
}

/// Dwell of all measurements of a record that tell it.
pub fn record_dwell(record: &Record) -> Option<Dwell> {
    let dwells: Vec<Dwell> = record.looks.iter().filter_map(|look| look.dwell).collect();
    Dwell::of(&dwells)
}

#[derive(Serialize)]
struct FindingTold<'a> {
    kind: &'static str,
    heading: &'static str,
    weight: &'static str,
    seen: &'a str,
    sure: &'a str,
    check_first: &'a str,
    caution: &'static str,
}

impl<'a> FindingTold<'a> {
    fn of(finding: &'a Finding) -> Self {
        Self {
            kind: finding.kind.word(),
            heading: finding.kind.heading(),
            weight: finding.weight.word(),
            seen: &finding.seen,
            sure: &finding.sure,
            check_first: &finding.check_first,
            caution: finding.caution,
        }
    }
}

#[derive(Serialize)]
struct WeeklyTrend {
    ln_r_slope_per_year: f64,
    ln_r_slope_low_95_two_sided: f64,
    ln_r_slope_high_95_two_sided: f64,
    mann_kendall_autocorrelated: Test,
    mann_kendall_seasonal: Option<Test>,
}

impl WeeklyTrend {
    fn of(weekly: &Weekly) -> Self {
        Self {
            ln_r_slope_per_year: weekly.slope_per_year.slope,
            ln_r_slope_low_95_two_sided: weekly.slope_per_year.slope_low,
            ln_r_slope_high_95_two_sided: weekly.slope_per_year.slope_high,
            mann_kendall_autocorrelated: Test::of(&weekly.decline),
            mann_kendall_seasonal: weekly.decline_seasonal.as_ref().map(Test::of),
        }
    }
}

#[derive(Serialize)]
struct Test {
    weeks: usize,
    weeks_effective: f64,
    z: f64,
    p_decline_one_sided: f64,
    p_two_sided: f64,
}

impl Test {
    fn of(test: &MannKendall) -> Self {
        Self {
            weeks: test.n,
            weeks_effective: test.n_effective,
            z: test.z,
            p_decline_one_sided: test.p_rising_one_sided(),
            p_two_sided: test.p_two_sided(),
        }
    }
}

#[derive(Serialize)]
struct DeclineFound<'a> {
    since_day: i64,
    wet_only: bool,
    ln_ratio: f64,
    ln_ratio_threshold: f64,
    step_day: Option<i64>,
    step_factor: Option<f64>,
    position_from_negative: Option<f64>,
    forecasts: Vec<LimitForecast<'a>>,
}

impl<'a> DeclineFound<'a> {
    fn of(decline: &'a Decline) -> Self {
        let forecasts = decline
            .outlook
            .iter()
            .flat_map(|outlook| &outlook.forecasts);
        Self {
            since_day: decline.since_day,
            wet_only: decline.wet_only,
            ln_ratio: decline.departure.ln_ratio,
            ln_ratio_threshold: decline.departure.threshold,
            step_day: decline.step.map(|step| step.day),
            step_factor: decline.step.map(|step| step.factor),
            position_from_negative: decline.position.map(|(at, _)| at),
            forecasts: forecasts.map(LimitForecast::of).collect(),
        }
    }
}

#[derive(Serialize)]
struct LimitForecast<'a> {
    limit: &'a str,
    limit_ohm: f64,
    first: Dates,
    lasting: Dates,
}

impl<'a> LimitForecast<'a> {
    fn of(forecast: &'a Forecast) -> Self {
        Self {
            limit: &forecast.limit.name,
            limit_ohm: forecast.limit.r_ohm,
            first: Dates::of(&forecast.first),
            lasting: Dates::of(&forecast.lasting),
        }
    }
}

/// Days from the last day of the record.
#[derive(Serialize)]
struct Dates {
    within_30_days_share: f64,
    within_180_days_share: f64,
    within_365_days_share: f64,
    p5_days: Option<f64>,
    p50_days: Option<f64>,
    p95_days: Option<f64>,
}

impl Dates {
    fn of(crossing: &Crossing) -> Self {
        Self {
            within_30_days_share: crossing.within_30_days,
            within_180_days_share: crossing.within_180_days,
            within_365_days_share: crossing.within_365_days,
            p5_days: crossing.early_days,
            p50_days: crossing.median_days,
            p95_days: crossing.late_days,
        }
    }
}
