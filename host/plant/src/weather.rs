//! The weather, tick by tick: sun, clouds, air, rain, dew, wetness.
//!
//! Either synthetic, a function of scenario, seed and tick number alone: made to exercise a monitor (dawn, passing clouds,
//! wet mornings, hot noons), not to forecast. Or measured ([`measured`]). Constant within a tick. Wetness remembers
//! ([`film`]), so ticks are taken in order from the first; the same tick always reads the same.

mod csv_file;
pub mod film;
pub mod measured;

use crate::array::Conditions;
use crate::sensors::{stream, uniform};
use crate::sun::{clear_sky_w_m2, sun};
use film::{Film, saturation_hpa};
use measured::Measured;
use rand_distr::{Distribution, StandardNormal};
use serde::Deserialize;
use std::path::PathBuf;
use std::sync::Arc;

/// Section `[weather]`.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WeatherSettings {
    /// North is positive, °.
    pub latitude_deg: f64,
    /// East is positive, °. Sets when noon is in UTC.
    pub longitude_deg: f64,
    /// Lean of the modules towards the equator, °.
    pub tilt_deg: f64,
    /// Mean cloud cover, 0 (never) to 1 (always).
    pub cloudiness: f64,
    /// Air temperature, mean over the year, °C.
    pub mean_c: f64,
    /// Summer above the mean, K.
    pub season_swing_c: f64,
    /// Afternoon above the mean of the day, K.
    pub day_swing_c: f64,
    /// Day-to-day changes, K (one standard deviation).
    pub day_to_day_c: f64,
    /// Relative humidity at the mean temperature of the day, 0..1.
    pub humidity: f64,
    /// Nominal operating cell temperature of the modules, °C.
    pub noct_c: f64,
    /// Seeded showers on this many days a week, 0..7.
    pub rain_days_per_week: f64,
    /// Length of a tick, s.
    pub step_s: u32,
    /// Rain at known times.
    pub rain: Vec<Rain>,
    /// No weather at all: these conditions, always.
    pub fixed: Option<Fixed>,
    /// Measurements instead, from this file beside the scenario; its columns are in [`measured`].
    pub csv: Option<PathBuf>,
    /// Rows of it may be this far apart, s; between two the straight line is taken.
    pub csv_gap_max_s: u32,
    /// What the file says, once the scenario has been checked.
    #[serde(skip)]
    pub measured: Option<Arc<Measured>>,
}

/// One rain of known time.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rain {
    /// Hours from the start.
    pub from_h: f64,
    /// Hours from the start.
    pub to_h: f64,
}

/// Conditions that never change, for a bench.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fixed {
    /// On the modules, W/m².
    pub irradiance_w_m2: f64,
    /// Of the cells, °C.
    pub cell_temp_c: f64,
    /// 0 dry to 1 wet.
    #[serde(default)]
    pub wetness: f64,
}

impl Default for WeatherSettings {
    fn default() -> Self {
        Self {
            latitude_deg: 40.0,
            longitude_deg: 0.0,
            tilt_deg: 30.0,
            cloudiness: 0.3,
            mean_c: 12.0,
            season_swing_c: 10.0,
            day_swing_c: 5.0,
            day_to_day_c: 2.5,
            humidity: 0.7,
            noct_c: 45.0,
            rain_days_per_week: 0.0,
            step_s: 60,
            rain: Vec::new(),
            fixed: None,
            csv: None,
            csv_gap_max_s: 3600,
            measured: None,
        }
    }
}

/// The weather of one tick.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sky {
    /// What the array feels.
    pub conditions: Conditions,
    /// Air, °C.
    pub ambient_c: f64,
    /// Relative humidity of the air, 0..1.
    pub relative_humidity: f64,
    /// Cloud cover, 0..1.
    pub cloud: f64,
    /// It rains.
    pub raining: bool,
}

/// Less light than this is dark, W/m².
const DARK_W_M2: f64 = 1.0;
/// A clear night sky cools a module so far below air (common experience, no source): that is where dew comes from.
const SKY_COOLS_K: f64 = 3.0;
/// With that much sun nothing of it is left, W/m². Own choice, so that dawn is no jump.
const SKY_GONE_W_M2: f64 = 100.0;

// Purposes of the random streams.
const CLOUD_DAY: u64 = 1;
const CLOUD_HOUR: u64 = 2;
const CLOUD_MINUTE: u64 = 3;
const AIR_DAY: u64 = 4;
const VAPOUR_DAY: u64 = 5;
const SHOWER: u64 = 6;

/// The weather, tick by tick.
#[derive(Clone, Debug)]
pub struct Weather {
    settings: WeatherSettings,
    seed: u64,
    start_unix_s: f64,
    tick: u64,
    film: Film,
}

impl Weather {
    /// `start_unix_s`: moment of tick 0.
    pub fn new(settings: &WeatherSettings, start_unix_s: f64, seed: u64) -> Self {
        Self {
            settings: settings.clone(),
            seed,
            start_unix_s,
            tick: 0,
            film: Film::default(),
        }
    }

    /// The next tick, from the first on.
    pub fn next_tick(&mut self) -> Sky {
        let hours = self.tick as f64 * f64::from(self.settings.step_s) / 3600.0;
        self.tick += 1;
        if let Some(fixed) = self.settings.fixed {
            return Sky {
                conditions: Conditions {
                    irradiance_w_m2: fixed.irradiance_w_m2,
                    cell_temp_c: fixed.cell_temp_c,
                    wetness: fixed.wetness,
                },
                ambient_c: fixed.cell_temp_c,
                relative_humidity: self.settings.humidity,
                cloud: 0.0,
                raining: false,
            };
        }
        if let Some(measured) = self.settings.measured.clone() {
            return self.measured_tick(&measured, hours);
        }
        let s = &self.settings;
        // Days of mean solar time at the longitude since 1970.
        let days = (self.start_unix_s / 3600.0 + hours + s.longitude_deg / 15.0) / 24.0;
        let solar_hour = 24.0 * days.rem_euclid(1.0);
        // Mean year: a leap day moves the sun by a quarter degree, which nobody here needs.
        let day_of_year = 1.0 + days.rem_euclid(365.2425);

        let raining = self.rains(hours, days, solar_hour);
        let cloud = if raining { 1.0 } else { self.cloud(days) };
        let sun = sun(s.latitude_deg, s.tilt_deg, day_of_year, solar_hour);
        // Kasten & Czeplak 1980 (memory): global irradiance falls with the 3.4th power of cloud cover, to a quarter.
        let light = clear_sky_w_m2(&sun) * (1.0 - 0.75 * cloud.powf(3.4));
        let irradiance_w_m2 = if light < DARK_W_M2 { 0.0 } else { light };

        let (ambient_c, day_mean_c) = self.air(days, day_of_year, solar_hour);
        let air_holds_hpa = saturation_hpa(ambient_c);
        let vapour_hpa = if raining {
            air_holds_hpa
        } else {
            // What air cannot hold has fallen out as mist.
            let day = (0.15 * self.noise(VAPOUR_DAY, days)).exp();
            (s.humidity * saturation_hpa(day_mean_c) * day).min(air_holds_hpa)
        };
        let cell_temp_c = cell_temp_c(ambient_c, irradiance_w_m2, s.noct_c, cloud);
        let step_h = f64::from(s.step_s) / 3600.0;
        let wetness = self.film.step(step_h, raining, vapour_hpa, cell_temp_c);
        Sky {
            conditions: Conditions {
                irradiance_w_m2,
                cell_temp_c,
                wetness,
            },
            ambient_c,
            relative_humidity: vapour_hpa / air_holds_hpa,
            cloud,
            raining,
        }
    }

    /// A tick of the measurements: the straight line between the two rows around its beginning.
    fn measured_tick(&mut self, measured: &Measured, hours: f64) -> Sky {
        let s = &self.settings;
        let seen = measured.at(self.start_unix_s + 3600.0 * hours);
        let irradiance_w_m2 = if seen.irradiance_w_m2 < DARK_W_M2 {
            0.0
        } else {
            seen.irradiance_w_m2
        };
        // Nobody measured the clouds; their mean cools the night.
        let cloud = s.cloudiness;
        let above_air_k = cell_temp_c(0.0, irradiance_w_m2, s.noct_c, cloud);
        let (ambient_c, cell_temp_c) = match (seen.ambient_c, seen.cell_temp_c) {
            (Some(air), Some(cell)) => (air, cell),
            (Some(air), None) => (air, air + above_air_k),
            (None, Some(cell)) => (cell - above_air_k, cell),
            // The file has one of the two.
            (None, None) => (s.mean_c, s.mean_c + above_air_k),
        };
        let relative_humidity = seen.relative_humidity.unwrap_or(s.humidity);
        let vapour_hpa = relative_humidity * saturation_hpa(ambient_c);
        let step_h = f64::from(s.step_s) / 3600.0;
        let inferred = self
            .film
            .step(step_h, seen.raining, vapour_hpa, cell_temp_c);
        Sky {
            conditions: Conditions {
                irradiance_w_m2,
                cell_temp_c,
                wetness: seen.wetness.unwrap_or(inferred),
            },
            ambient_c,
            relative_humidity,
            cloud,
            raining: seen.raining,
        }
    }

    /// Cloud cover: the setting, moved by noise of a day, of two hours and of twelve minutes. Never at 0, always at 1.
    fn cloud(&self, days: f64) -> f64 {
        let c = self.settings.cloudiness;
        let width = 0.6 * (4.0 * c * (1.0 - c)).sqrt();
        let noise = 0.6 * self.noise(CLOUD_DAY, days)
            + 0.6 * self.noise(CLOUD_HOUR, days * 12.0)
            + 0.5 * self.noise(CLOUD_MINUTE, days * 120.0);
        (c + width * noise).clamp(0.0, 1.0)
    }

    /// Air temperature now, and the mean of the day.
    fn air(&self, days: f64, day_of_year: f64, solar_hour: f64) -> (f64, f64) {
        let s = &self.settings;
        // Warmest a month after the solstice, and at 15 h.
        let summer = (std::f64::consts::TAU * (day_of_year - 201.0) / 365.25).cos();
        let day_mean_c = s.mean_c
            + s.season_swing_c * summer.copysign(summer * s.latitude_deg)
            + s.day_to_day_c * self.noise(AIR_DAY, days);
        let now_c =
            day_mean_c + s.day_swing_c * (std::f64::consts::TAU * (solar_hour - 15.0) / 24.0).cos();
        (now_c, day_mean_c)
    }

    /// Listed rain, or a shower that the seed puts into this solar day.
    fn rains(&self, hours: f64, days: f64, solar_hour: f64) -> bool {
        let s = &self.settings;
        if s.rain
            .iter()
            .any(|rain| (rain.from_h..rain.to_h).contains(&hours))
        {
            return true;
        }
        let mut rng = stream(self.seed, SHOWER, days.floor() as u64);
        let chance = uniform(&mut rng);
        let from = 22.0 * uniform(&mut rng);
        let to = from + 0.5 + 3.0 * uniform(&mut rng);
        chance < s.rain_days_per_week / 7.0 && (from..to).contains(&solar_hour)
    }

    /// Smooth noise of unit variance with one independent value at each whole `x`.
    fn noise(&self, purpose: u64, x: f64) -> f64 {
        let at = |k: f64| -> f64 {
            StandardNormal.sample(&mut stream(self.seed, purpose, k as i64 as u64))
        };
        let whole = x.floor();
        let part = x - whole;
        let weight = part * part * (3.0 - 2.0 * part);
        let (old, new) = (1.0 - weight, weight);
        (old * at(whole) + new * at(whole + 1.0)) / (old * old + new * new).sqrt()
    }
}

/// Cells above air by the NOCT rule: at NOCT with 800 W/m² and 20 °C air (IEC 61215, memory); at night below it.
fn cell_temp_c(ambient_c: f64, irradiance_w_m2: f64, noct_c: f64, cloud: f64) -> f64 {
    let night = (1.0 - irradiance_w_m2 / SKY_GONE_W_M2).max(0.0);
    ambient_c + irradiance_w_m2 * (noct_c - 20.0) / 800.0 - SKY_COOLS_K * (1.0 - cloud) * night
}

#[cfg(test)]
// Exact zeros and exact inputs.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;

    /// 2026-06-21T00:00:00Z.
    const MIDSUMMER_UNIX_S: f64 = 1_782_000_000.0;

    fn day(settings: &WeatherSettings, seed: u64) -> Vec<Sky> {
        let mut weather = Weather::new(settings, MIDSUMMER_UNIX_S, seed);
        (0..1440).map(|_| weather.next_tick()).collect()
    }

    #[test]
    fn clear_midsummer_day() {
        let sky = day(
            &WeatherSettings {
                cloudiness: 0.0,
                ..Default::default()
            },
            1,
        );
        let light = |hour: usize| sky[hour * 60].conditions.irradiance_w_m2;
        assert!((800.0..1100.0).contains(&light(12)), "{}", light(12));
        assert_eq!(light(0), 0.0);
        assert_eq!(light(23), 0.0);
        assert!(light(6) > 0.0 && light(9) < light(12) && light(15) < light(12));
        // NOCT rule by hand: (45 − 20)/800 K per W/m².
        let noon = &sky[720];
        let rise = noon.conditions.irradiance_w_m2 * 25.0 / 800.0;
        assert!((noon.conditions.cell_temp_c - noon.ambient_c - rise).abs() < 1e-9);
    }

    #[test]
    fn dew_wets_the_morning_and_the_sun_dries_it() {
        let sky = day(
            &WeatherSettings {
                cloudiness: 0.0,
                humidity: 0.8,
                ..Default::default()
            },
            3,
        );
        let wet = |hour: usize| sky[hour * 60].conditions.wetness;
        assert!(wet(5) > 0.1, "{}", wet(5));
        assert!(wet(13) < 0.01, "{}", wet(13));
    }

    #[test]
    fn listed_rain_wets_and_darkens() {
        let rain = vec![Rain {
            from_h: 11.0,
            to_h: 13.0,
        }];
        let wet = day(
            &WeatherSettings {
                cloudiness: 0.0,
                rain,
                ..Default::default()
            },
            1,
        );
        let dry = day(
            &WeatherSettings {
                cloudiness: 0.0,
                ..Default::default()
            },
            1,
        );
        assert!(wet[12 * 60].raining && wet[12 * 60].conditions.wetness > 0.99);
        let light = |sky: &[Sky]| sky[12 * 60].conditions.irradiance_w_m2;
        assert!((light(&wet) / light(&dry) - 0.25).abs() < 1e-9);
        assert!(!wet[13 * 60].raining);
    }

    #[test]
    fn same_seed_same_sky_and_another_another() {
        let settings = WeatherSettings {
            cloudiness: 0.5,
            rain_days_per_week: 3.0,
            ..Default::default()
        };
        assert_eq!(day(&settings, 7), day(&settings, 7));
        assert_ne!(day(&settings, 7), day(&settings, 8));
    }

    #[test]
    fn showers_come_as_often_as_asked() {
        let settings = WeatherSettings {
            rain_days_per_week: 2.0,
            step_s: 600,
            ..Default::default()
        };
        let mut weather = Weather::new(&settings, MIDSUMMER_UNIX_S, 5);
        let days = 700;
        let wet_days = (0..days)
            .filter(|_| (0..144).filter(|_| weather.next_tick().raining).count() > 0)
            .count();
        // 200 expected; four standard deviations of a binomial are 48.
        assert!((152..248).contains(&wet_days), "{wet_days}");
    }
}
