//! An assessment in words: what was seen, how sure that is, what to check first, and what to beware of.

use super::assess::{Assessment, Decline, LEARNING_DAYS, P_ONE_SIDED};
use super::days::DayFeatures;
use super::forecast::Crossing;
use super::growth::Law;
use super::statistics::{mann_kendall_autocorrelated, median};
use super::weather::Known;
use crate::words::si;
use std::fmt::Write;

/// Less than this of the light unmeasured, or nothing is called healthy.
pub const UNMEASURED_MOST: f64 = 0.5;
/// For so long a recovery is told.
const RECOVERY_IS_NEWS_DAYS: i64 = 90;
/// Said with everything: no reading makes work on an array safe.
const CAUTION: &str = "PV conductors stay live in daylight, and a good reading is no proof of isolation. Have it opened and measured by a \
                       licensed person; local code and the authority having jurisdiction decide.";

/// What kind of finding.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// Nothing departs from what is healthy here.
    Healthy,
    /// Too little was measured to say anything.
    NotEnoughData,
    /// It fails only wet.
    WetOnly,
    /// It declines in dry weather too, on both poles alike.
    SteadyDecline,
    /// It stepped on one day and stayed.
    Step,
    /// It leaks at one place that stays.
    OnePlace,
    /// It conducts better at higher voltage.
    GrowsWithVoltage,
    /// It had departed and fell back to healthy at once.
    Recovered,
    /// Current flows in the dark.
    NightOnly,
    /// The board's own measurement moves, not the array.
    SensorDrift,
}

/// How much it matters.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Weight {
    /// Nothing to do.
    Fine,
    /// Worth knowing; nothing is due.
    Notice,
    /// Nobody knows: not measured is not good.
    Unknown,
    /// A limit will most likely be passed within half a year.
    Warning,
}

/// One finding.
#[derive(Clone, PartialEq, Debug)]
pub struct Finding {
    /// Kind.
    pub kind: Kind,
    /// Weight.
    pub weight: Weight,
    /// What was seen, with its numbers.
    pub seen: String,
    /// How sure that is.
    pub sure: String,
    /// What to check first.
    pub check_first: String,
    /// What to beware of.
    pub caution: &'static str,
}

impl Kind {
    /// A few words, as a heading.
    pub fn heading(self) -> &'static str {
        match self {
            Self::Healthy => "healthy",
            Self::NotEnoughData => "not enough data",
            Self::WetOnly => "fails only wet",
            Self::SteadyDecline => "steady decline",
            Self::Step => "step on one day",
            Self::OnePlace => "one place leaks",
            Self::GrowsWithVoltage => "leaks more at higher voltage",
            Self::Recovered => "back to healthy (repaired?)",
            Self::NightOnly => "current in the dark",
            Self::SensorDrift => "the measurement drifts, not the array",
        }
    }

    /// As JSON says it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Healthy => "healthy",
            Self::NotEnoughData => "not-enough-data",
            Self::WetOnly => "wet-only",
            Self::SteadyDecline => "steady-decline",
            Self::Step => "step",
            Self::OnePlace => "one-place",
            Self::GrowsWithVoltage => "grows-with-voltage",
            Self::Recovered => "recovered",
            Self::NightOnly => "night-only",
            Self::SensorDrift => "sensor-drift",
        }
    }
}

impl Weight {
    /// One word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Fine => "fine",
            Self::Notice => "notice",
            Self::Unknown => "unknown",
            Self::Warning => "warning",
        }
    }
}

/// Everything worth saying, the weightiest first; never nothing.
pub fn findings(days: &[DayFeatures], found: &Assessment) -> Vec<Finding> {
    let mut all = Vec::new();
    if let Some(unknown) = not_enough(found) {
        all.push(unknown);
    }
    if let Some(decline) = &found.decline {
        all.push(match drift(days, found, decline) {
            Some(drift) => drift,
            None => declining(found, decline),
        });
    }
    all.extend(recovered(found));
    all.extend(with_voltage(days));
    all.extend(at_night(days));
    if all.is_empty() {
        all.push(healthy(found));
    }
    all.sort_by_key(|finding| std::cmp::Reverse(finding.weight));
    all
}

fn ohms(r: f64) -> String {
    si(r as f32, "Ω")
}

fn date_of_day(day: i64) -> String {
    jiff::civil::date(1970, 1, 1)
        .checked_add(jiff::Span::new().try_days(day).unwrap_or_default())
        .map_or_else(|_| format!("day {day}"), |date| date.to_string())
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

fn not_enough(found: &Assessment) -> Option<Finding> {
    let why = if found.measured_days < LEARNING_DAYS {
        format!(
            "Insulation was measured on {} of {} days; {LEARNING_DAYS} are needed to learn what is healthy here.",
            found.measured_days, found.days
        )
    } else if found.not_measured_share > UNMEASURED_MOST {
        format!(
            "In the last 30 days {} of the light had no insulation value. What was not measured is not good.",
            percent(found.not_measured_share)
        )
    } else {
        return None;
    };
    Some(Finding {
        kind: Kind::NotEnoughData,
        weight: Weight::Unknown,
        seen: why,
        sure: "This is a count, not an estimate.".into(),
        check_first: "Whether the recorder and the board were on, and why measurements failed: `ohmward events --kind \
                      insulation-not-measured`."
            .into(),
        caution: CAUTION,
    })
}

fn healthy(found: &Assessment) -> Finding {
    let lowest = found
        .adjusted
        .iter()
        .flat_map(|adjusted| &adjusted.lowest)
        .filter(|p| p.day > found.today - 30)
        .map(|p| p.excess_s + p.healthy_s)
        .fold(0.0, f64::max);
    let slope = found.dry.map_or_else(String::new, |dry| {
        let per_year = |ln: f64| 100.0 * (ln.exp() - 1.0);
        format!(
            " With the weather taken out, resistance at dry noon moves by {:+.0} % a year (95 % band {:+.0} to {:+.0} %, two-sided; \
             Mann–Kendall for a decline p = {:.2}, one-sided, {} weeks worth {:.0}).",
            per_year(dry.slope_per_year.slope),
            per_year(dry.slope_per_year.slope_low),
            per_year(dry.slope_per_year.slope_high),
            dry.decline.p_rising_one_sided(),
            dry.decline.n,
            dry.decline.n_effective
        )
    });
    Finding {
        kind: Kind::Healthy,
        weight: Weight::Fine,
        seen: format!(
            "Nothing stands out of what this array does in such weather. Lowest of the last 30 days: {}.{slope}",
            if lowest > 0.0 {
                ohms(1.0 / lowest)
            } else {
                "too high to be told".into()
            }
        ),
        sure: format!(
            "{} of {} days measured, {} of the light of the last 30 days without a value. {} {}",
            found.measured_days,
            found.days,
            percent(found.not_measured_share),
            weather_words(found),
            dwell_words(found)
        ),
        check_first: "Nothing is due.".into(),
        caution: CAUTION,
    }
}

/// A fall that is still news.
fn recovered(found: &Assessment) -> Option<Finding> {
    let back = found
        .recovered
        .filter(|back| found.today - back.day < RECOVERY_IS_NEWS_DAYS)?;
    let day = date_of_day(back.day);
    Some(Finding {
        kind: Kind::Recovered,
        weight: Weight::Notice,
        seen: format!(
            "Since {} the array leaked up to {:.1} times what it did in such weather; recovered on {day} (repair?): from then on it has \
                        been as healthy as before.",
            date_of_day(back.since_day),
            back.factor
        ),
        sure: format!(
            "{} days of measurements since, against what is healthy here in such weather. {} {}",
            back.points,
            weather_words(found),
            dwell_words(found)
        ),
        check_first: format!(
            "Whether somebody mended or isolated something on {day} or shortly before. If nobody did: are both earth leads of \
                        the board whole? Without them it reads every insulation as perfect. If they are, the fault is there still and \
                        comes and goes: look for it."
        ),
        caution: CAUTION,
    })
}

/// Whether the measurements that are compared dwelt alike; R rises with the time under voltage.
fn dwell_words(found: &Assessment) -> String {
    let (then, now) = (found.dwell.healthy, found.dwell.now);
    let (Some(then), Some(now)) = (then, now) else {
        return match (then, now) {
            (None, None) => "How long the measurements dwelt was not logged.".into(),
            _ => "How long the measurements dwelt was logged for a part of the record only: whether they compare is not known.".into(),
        };
    };
    let (then_s, now_s) = (seconds(then.dwell_s), seconds(now.dwell_s));
    match found.dwell.unlike() {
        None => {
            format!("Measurements dwelt alike: {then_s} when healthy, {now_s} of late (medians).")
        }
        Some(ratio) => format!(
            "Measurements dwelt {now_s} of late, {then_s} when healthy (medians, {ratio:.2} times): resistance rises with the time \
                        under voltage, so {}.",
            if ratio < 1.0 {
                "a part of what seems lost may be the shorter dwell"
            } else {
                "more is lost than it seems"
            }
        ),
    }
}

fn seconds(s: f64) -> String {
    si(s as f32, "s")
}

fn weather_words(found: &Assessment) -> &'static str {
    match found.senses.as_ref().map(|senses| senses.temperature) {
        Some(Known::Logged) => "Temperature was logged.",
        Some(Known::Inferred) => {
            "Temperature was inferred from the array's voltage; a decline slower than the seasons hides in it for months."
        }
        Some(Known::No) | None => {
            "Temperature is not known: what the season may do was allowed for, and a slow decline hides in it for months."
        }
    }
}

fn declining(found: &Assessment, decline: &Decline) -> Finding {
    let warning = found.warning();
    let p = found
        .dry
        .filter(|_| !decline.wet_only)
        .or(found.minima)
        .map(|weekly| weekly.decline);
    let one_place = decline
        .position
        .filter(|(at, scatter)| *scatter < 0.1 && !(0.4..=0.6).contains(at));
    let kind = match (decline.wet_only, decline.step, one_place) {
        (true, _, _) => Kind::WetOnly,
        (false, Some(_), _) => Kind::Step,
        (false, None, Some(_)) => Kind::OnePlace,
        (false, None, None) => Kind::SteadyDecline,
    };
    let mut seen = format!(
        "Since {} the array leaks {:.1} times what it did in such weather{}.",
        date_of_day(decline.since_day),
        decline.departure.ln_ratio.exp(),
        if decline.wet_only {
            ", on wet days only"
        } else {
            ", in dry weather too"
        }
    );
    if let Some(step) = decline.step {
        let _ = write!(
            seen,
            " On {} it rose {:.1} times at once.",
            date_of_day(step.day),
            step.factor
        );
    }
    if let Some((at, scatter)) = decline.position {
        let _ = write!(
            seen,
            " By the two poles the place is {} of the string from its negative end (± {}).",
            percent(at),
            percent(scatter.max(0.01))
        );
    }
    if let Some(outlook) = &decline.outlook {
        if let Some(days) = outlook.growth.doubling_days().filter(|days| *days < 1000.0) {
            let _ = write!(
                seen,
                " The leakage beyond healthy doubles in {days:.0} days ({}).",
                law(outlook.growth.law)
            );
        }
        for forecast in &outlook.forecasts {
            let _ = write!(
                seen,
                "\n{} of {}: first passed {}; on most days from {}.",
                forecast.limit.name,
                ohms(forecast.limit.r_ohm),
                when(&forecast.first, found.today),
                when(&forecast.lasting, found.today)
            );
        }
    }
    let sure = format!(
        "{:.1} above a threshold of {:.1} (ln of the ratio; a healthy day scatters by {:.2}).{} {} {}",
        decline.departure.ln_ratio,
        decline.departure.threshold,
        decline.departure.sigma,
        p.map_or_else(String::new, |p| format!(
            " Mann–Kendall for a decline, one-sided, autocorrelation paid for: p = {:.4}{}.",
            p.p_rising_one_sided(),
            if p.p_rising_one_sided() < P_ONE_SIDED {
                ""
            } else {
                ", not yet significant over the whole record"
            }
        )),
        weather_words(found),
        dwell_words(found)
    );
    let place = decline.position.map_or_else(String::new, |(at, _)| {
        format!(
            " Of N modules, begin at number {} · N from the negative end, on every string.",
            format_args!("{at:.2}")
        )
    });
    let check_first = match kind {
        Kind::WetOnly => format!("Connectors and junction boxes that can take in water; look on a wet morning.{place}"),
        Kind::Step => format!("Surge protection: its indicator, and its leakage with the part taken out. Then what the storm may have hit.{place}"),
        Kind::OnePlace => format!("The module, connector and cable at that place.{place}"),
        _ => "Encapsulant and cable jackets: compare strings one by one, isolated, dry, at the same dwell time.".into(),
    };
    Finding {
        kind,
        weight: if warning.is_some() {
            Weight::Warning
        } else {
            Weight::Notice
        },
        seen,
        sure,
        check_first,
        caution: CAUTION,
    }
}

fn law(law: Law) -> &'static str {
    match law {
        Law::Exponential => "by the same share every day",
        Law::Square => "faster than in a straight line",
        Law::Linear => "by the same amount every day",
        Law::Whole => "the whole insulation by the same share every day",
    }
}

/// A date with its spread: half of the futures cross before the first, nine of ten between the others.
fn when(crossing: &Crossing, today: i64) -> String {
    let on = |days: f64| date_of_day(today + days.round() as i64);
    match (
        crossing.early_days,
        crossing.median_days,
        crossing.late_days,
    ) {
        (None, _, _) => "not within two years".into(),
        (Some(early), None, _) => format!("after two years or never, not before {}", on(early)),
        (Some(early), Some(middle), None) => format!(
            "about {} (90 %: {} to beyond two years)",
            on(middle),
            on(early)
        ),
        (Some(early), Some(middle), Some(late)) => {
            format!("about {} (90 %: {} to {})", on(middle), on(early), on(late))
        }
    }
}

/// Both poles and the sensor's zero move together, and the excess cares for neither water nor heat.
fn drift(days: &[DayFeatures], found: &Assessment, decline: &Decline) -> Option<Finding> {
    let zeros: Vec<f64> = days
        .iter()
        .filter_map(|day| day.zero_a.map(f64::abs))
        .collect();
    let moving = zeros.len() >= 20
        && mann_kendall_autocorrelated(&zeros, true).p_rising_one_sided() < P_ONE_SIDED;
    let even = decline
        .position
        .is_some_and(|(at, scatter)| (at - 0.5).abs() < 0.05 && scatter < 0.05);
    if !moving || !even {
        return None;
    }
    let adjusted = found.adjusted.as_ref()?;
    let of = |points: &[super::adjusted::Point]| {
        median(
            &points
                .iter()
                .filter(|p| p.day >= found.today - 30)
                .map(|p| p.excess_s)
                .collect::<Vec<_>>(),
        )
    };
    let (dry, lowest) = (of(&adjusted.dry)?, of(&adjusted.lowest)?);
    if dry <= 0.0 || !(0.7..1.4).contains(&(lowest / dry)) {
        return None;
    }
    let (first, last) = (median(&zeros[..10])?, median(&zeros[zeros.len() - 10..])?);
    Some(Finding {
        kind: Kind::SensorDrift,
        weight: if found.warns() { Weight::Warning } else { Weight::Notice },
        seen: format!(
            "Since {} both poles leak more by the same amount, wet or dry, hot or cold, and the zero of the current sensor moved with \
             them: {:.2} to {:.2} mA.",
            date_of_day(decline.since_day),
            1e3 * first,
            1e3 * last
        ),
        sure: "Insulation that ages cares for heat and water; this does not. It is still no proof that the array is well.".into(),
        check_first: "The board: its self-test, then calibration against a known resistor.".into(),
        caution: CAUTION,
    })
}

fn with_voltage(days: &[DayFeatures]) -> Option<Finding> {
    let last = &days[days.len().saturating_sub(30)..];
    let ratios: Vec<f64> = last
        .iter()
        .filter_map(|day| day.low_over_high_voltage)
        .collect();
    let ratio = median(&ratios).filter(|ratio| ratios.len() >= 10 && *ratio < 0.6)?;
    Some(Finding {
        kind: Kind::GrowsWithVoltage,
        weight: Weight::Notice,
        seen: format!(
            "At high array voltage the conductance to earth is {:.1} times that at low voltage soon before or after ({} of 30 days).",
            1.0 / ratio,
            ratios.len()
        ),
        sure: "Heat moves the same way as voltage over a morning. Where temperature is logged only values as warm are compared, else only those of the same \
               hour are compared; a measurement at two voltages a minute apart would tell for certain."
            .into(),
        check_first: "Surge protection parts, and cracked insulation that tracks: an insulation test at two voltages.".into(),
        caution: CAUTION,
    })
}

/// Current in the dark comes from elsewhere: the array drives none then.
fn at_night(days: &[DayFeatures]) -> Option<Finding> {
    let last = &days[days.len().saturating_sub(30)..];
    let of = |value: &dyn Fn(&DayFeatures) -> Option<f64>| {
        median(&last.iter().filter_map(value).collect::<Vec<_>>())
    };
    let (night, day) = (of(&|day| day.night_leakage_a)?, of(&|day| day.leakage_a)?);
    let nights = last
        .iter()
        .filter(|day| day.night_leakage_a.is_some())
        .count();
    (nights >= 10 && night > 3e-3 && night > 2.0 * day).then(|| Finding {
        kind: Kind::NightOnly,
        weight: Weight::Notice,
        seen: format!("In the dark {:.1} mA flow through the bond, in light {:.1} mA ({nights} nights).", 1e3 * night, 1e3 * day),
        sure: "The array drives nothing in the dark: the current comes from a battery, a converter, or the sensor's own zero.".into(),
        check_first: "The sensor's zero (self-test), then battery and converter side, isolated one after the other.".into(),
        caution: CAUTION,
    })
}
