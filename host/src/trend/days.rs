//! Measurements → one line a day: lowest value, wet morning, dry noon, leakage, capacitance, and how much was not measured.
//!
//! A day runs from solar midnight to solar midnight. Where noon is, the board does not know: it is the middle of the light,
//! and only in light can anything be measured, so the mean hour of all looks at a lit array is taken for noon.

use super::statistics::{median, quantile_of};

const DAY_S: f64 = 86_400.0;
/// Noon is so many hours before and after the middle of the light.
const NOON_H: f64 = 2.0;
/// So near two temperatures count as the same, K: 0.7 eV then move a conductance by a factor of 1.4 at most.
const AS_WARM_K: f64 = 4.0;
/// Two measurements differ in voltage from this ratio on.
const LOW_VOLTAGE: f64 = 0.85;

/// Temperature and water at the array, where somebody logs them.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Weather {
    /// Of the modules (else of the air), °C.
    pub cell_c: Option<f64>,
    /// 0 dry to 1 covered with water.
    pub wetness: Option<f64>,
}

/// How long a measurement dwelt in a state of the bridge; of several, the middle.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Dwell {
    /// Seconds under voltage before its value was read.
    pub dwell_s: f64,
    /// Share of them whose poles had not come to rest by then, so that the value was extrapolated, 0..1.
    pub extrapolated_share: f64,
}

impl Dwell {
    /// Of several: median of the times, mean of the shares; `None` of none.
    pub fn of(all: &[Self]) -> Option<Self> {
        let times: Vec<f64> = all.iter().map(|dwell| dwell.dwell_s).collect();
        let shares = all
            .iter()
            .map(|dwell| dwell.extrapolated_share)
            .sum::<f64>();
        Some(Self {
            dwell_s: median(&times)?,
            extrapolated_share: shares / all.len() as f64,
        })
    }
}

/// One completed insulation measurement, or several of a day as one.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Look {
    /// When, Unix s.
    pub t_s: f64,
    /// Positive conductor to earth, S.
    pub g_pos_s: f64,
    /// Negative conductor to earth, S.
    pub g_neg_s: f64,
    /// One standard deviation of the sum, S.
    pub g_sigma_s: f64,
    /// Leakage capacitance, F.
    pub c_f: f64,
    /// Between the poles, V.
    pub v_v: Option<f64>,
    /// How long it dwelt, where the board said so.
    pub dwell: Option<Dwell>,
    /// Weather at that moment.
    pub weather: Weather,
}

impl Look {
    /// Conductance of the whole array to earth, S.
    pub fn g_s(&self) -> f64 {
        self.g_pos_s + self.g_neg_s
    }

    /// Insulation resistance of the whole array, Ω; infinite where nothing stands above zero.
    pub fn r_ohm(&self) -> f64 {
        if self.g_s() > 0.0 {
            1.0 / self.g_s()
        } else {
            f64::INFINITY
        }
    }
}

/// One day of a board.
#[derive(Clone, PartialEq, Debug)]
pub struct DayFeatures {
    /// Solar days since 1970 at the board.
    pub day: i64,
    /// The measurement with the lowest resistance.
    pub lowest: Option<Look>,
    /// The lowest of the morning, before noon begins: dew.
    pub wet_morning: Option<Look>,
    /// Medians over noon: the driest the day has.
    pub dry_noon: Option<Look>,
    /// Conductance at low voltage over that at high voltage soon before or after, in alike water; 1 = a plain resistance.
    pub low_over_high_voltage: Option<f64>,
    /// Completed measurements.
    pub measured: u32,
    /// Share of the light for which there is no value, 0..1; 1 for a day without a reading.
    pub not_measured_share: f64,
    /// Median size of the DC bond current in light, A.
    pub leakage_a: Option<f64>,
    /// The same in the dark.
    pub night_leakage_a: Option<f64>,
    /// What the current sensor shows when nothing can flow, A.
    pub zero_a: Option<f64>,
}

/// A moment at which the board was looked at, measured or not.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Glance {
    /// When, Unix s.
    pub t_s: f64,
    /// The array gave enough voltage to measure with.
    pub lit: bool,
    /// There was an insulation value that was not out of date.
    pub has_value: bool,
    /// DC bond current, where it could flow and was measured, A.
    pub i_dc_a: Option<f64>,
}

/// What is known of a board, as it comes.
#[derive(Clone, Debug, Default)]
pub struct Record {
    /// Completed measurements.
    pub looks: Vec<Look>,
    /// What else was seen of the board, for shares and leakage. Without any, days with measurements count as measured.
    pub glances: Vec<Glance>,
    /// Zero of the current sensor: when (Unix s), A.
    pub zeros: Vec<(f64, f64)>,
}

impl Record {
    /// One entry a day from the first to the last, days without anything included.
    pub fn days(&self) -> Vec<DayFeatures> {
        let Some(noon_s) = self.noon_s() else {
            return Vec::new();
        };
        let day_of = |t_s: f64| ((t_s - noon_s) / DAY_S + 0.5).floor() as i64;
        let times = (self.looks.iter().map(|look| look.t_s))
            .chain(self.glances.iter().map(|glance| glance.t_s));
        let (first, last) = times
            .map(day_of)
            .fold((i64::MAX, i64::MIN), |(a, b), day| (a.min(day), b.max(day)));
        let mut days: Vec<Raw<'_>> = (first..=last).map(|_| Raw::default()).collect();
        let at = |t_s: f64| usize::try_from(day_of(t_s) - first).ok();
        for look in &self.looks {
            if let Some(raw) = at(look.t_s).and_then(|k| days.get_mut(k)) {
                raw.looks.push(look);
            }
        }
        for glance in &self.glances {
            if let Some(raw) = at(glance.t_s).and_then(|k| days.get_mut(k)) {
                raw.glances.push(glance);
            }
        }
        for (t_s, zero_a) in &self.zeros {
            if let Some(raw) = at(*t_s).and_then(|k| days.get_mut(k)) {
                raw.zeros.push(*zero_a);
            }
        }
        let no_glances = self.glances.is_empty();
        (first..)
            .zip(&days)
            .map(|(day, raw)| raw.features(day, day as f64 * DAY_S + noon_s, no_glances))
            .collect()
    }

    /// Seconds after midnight UTC at which it is noon: the mean direction of all lit moments on the dial.
    pub fn noon_s(&self) -> Option<f64> {
        let lit = self
            .glances
            .iter()
            .filter(|glance| glance.lit)
            .map(|glance| glance.t_s);
        let (mut x, mut y, mut n) = (0.0, 0.0, 0);
        for t_s in self.looks.iter().map(|look| look.t_s).chain(lit) {
            let angle = t_s.rem_euclid(DAY_S) / DAY_S * std::f64::consts::TAU;
            x += angle.cos();
            y += angle.sin();
            n += 1;
        }
        (n > 0)
            .then(|| y.atan2(x).rem_euclid(std::f64::consts::TAU) / std::f64::consts::TAU * DAY_S)
    }
}

#[derive(Default)]
struct Raw<'a> {
    looks: Vec<&'a Look>,
    glances: Vec<&'a Glance>,
    zeros: Vec<f64>,
}

impl Raw<'_> {
    fn features(&self, day: i64, noon_s: f64, no_glances: bool) -> DayFeatures {
        let hour = |look: &Look| (look.t_s - noon_s) / 3600.0;
        let lowest = |looks: &mut dyn Iterator<Item = &&Look>| -> Option<Look> {
            looks
                .max_by(|a, b| a.g_s().total_cmp(&b.g_s()))
                .map(|look| **look)
        };
        let noon: Vec<Look> = self
            .looks
            .iter()
            .filter(|look| hour(look).abs() <= NOON_H)
            .map(|look| **look)
            .collect();
        let lit = self.glances.iter().filter(|glance| glance.lit).count();
        let without = self
            .glances
            .iter()
            .filter(|glance| glance.lit && !glance.has_value)
            .count();
        let not_measured_share = match lit {
            0 if no_glances && !self.looks.is_empty() => 0.0,
            0 => 1.0,
            lit => without as f64 / lit as f64,
        };
        let leakage = |lit: bool| {
            let of = self.glances.iter().filter(|glance| glance.lit == lit);
            median(
                &of.filter_map(|glance| glance.i_dc_a.map(f64::abs))
                    .collect::<Vec<_>>(),
            )
        };
        DayFeatures {
            day,
            lowest: lowest(&mut self.looks.iter()),
            wet_morning: lowest(&mut self.looks.iter().filter(|look| hour(look) < -NOON_H)),
            dry_noon: middle(&noon),
            low_over_high_voltage: self.low_over_high_voltage(),
            measured: self.looks.len() as u32,
            not_measured_share,
            leakage_a: leakage(true),
            night_leakage_a: leakage(false),
            zero_a: median(&self.zeros),
        }
    }

    /// Pairs near in time that differ in voltage but hardly in water. Heat rises with voltage over a morning: where
    /// temperature is logged only pairs as warm count, else only pairs of the same hour.
    fn low_over_high_voltage(&self) -> Option<f64> {
        let mut ratios = Vec::new();
        for (k, a) in self.looks.iter().enumerate() {
            for b in &self.looks[k + 1..] {
                let (Some(a_v), Some(b_v)) = (a.v_v, b.v_v) else {
                    continue;
                };
                let (low, high) = if a_v < b_v { (a, b) } else { (b, a) };
                let (within_s, is_as_warm) = match (low.weather.cell_c, high.weather.cell_c) {
                    (Some(low_c), Some(high_c)) => {
                        (3.0 * 3600.0, (low_c - high_c).abs() <= AS_WARM_K)
                    }
                    _ => (3600.0, true),
                };
                let apart =
                    (a.t_s - b.t_s).abs() <= within_s && a_v.min(b_v) < LOW_VOLTAGE * a_v.max(b_v);
                let alike = is_as_warm && (low.c_f / high.c_f - 1.0).abs() < 0.05;
                let clear = low.g_s() > 6.0 * low.g_sigma_s && high.g_s() > 6.0 * high.g_sigma_s;
                if apart && alike && clear {
                    ratios.push(low.g_s() / high.g_s());
                }
            }
        }
        median(&ratios)
    }
}

/// Median of each quantity.
fn middle(looks: &[Look]) -> Option<Look> {
    let of = |value: &dyn Fn(&Look) -> Option<f64>| -> Option<f64> {
        quantile_of(&mut looks.iter().filter_map(value).collect::<Vec<_>>(), 0.5)
    };
    Some(Look {
        t_s: of(&|look| Some(look.t_s))?,
        g_pos_s: of(&|look| Some(look.g_pos_s))?,
        g_neg_s: of(&|look| Some(look.g_neg_s))?,
        // Of a median, and of what is alike in all of them: the bridge. So it is not divided by the root of the count.
        g_sigma_s: of(&|look| Some(look.g_sigma_s))?,
        c_f: of(&|look| Some(look.c_f))?,
        v_v: of(&|look| look.v_v),
        dwell: Dwell::of(
            &looks
                .iter()
                .filter_map(|look| look.dwell)
                .collect::<Vec<_>>(),
        ),
        weather: Weather {
            cell_c: of(&|look| look.weather.cell_c),
            wetness: of(&|look| look.weather.wetness),
        },
    })
}
