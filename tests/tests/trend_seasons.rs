//! Seasons through the trend: two years, a monsoon, insulation that seems to heal in winter.
//!
//! Arrays are invented here from the physics alone: a thermally activated bulk path beside a wet surface (`design`, section 4; 0.7 eV is
//! a value from memory, common for encapsulants), a sine of temperature over the year, and water drawn by day.

use ohmward::trend::days::{Look, Record, Weather};
use ohmward::trend::{Assessment, Kind, Limit, findings};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

const DAY_S: f64 = 86_400.0;
const BOLTZMANN_EV_PER_K: f64 = 8.617_333e-5;

struct Site {
    seed: u64,
    mean_c: f64,
    season_c: f64,
    /// Days of the year with rain, and share of them that are wet; the rest has dew on one morning in four.
    wet_season: std::ops::Range<i64>,
    wet_share: f64,
    logged: bool,
}

/// Northern: coldest in the middle of January. `times` is what the insulation's conductance is multiplied by on a day.
fn record(site: &Site, days: i64, times: impl Fn(i64) -> f64) -> Record {
    let mut rng = Pcg64Mcg::seed_from_u64(site.seed);
    let mut record = Record::default();
    for day in 0..days {
        let season = (std::f64::consts::TAU * (day as f64 - 15.0) / 365.25).cos();
        let of_day_c = site.mean_c - site.season_c * season + 6.0 * (rng.random::<f64>() - 0.5);
        let is_wet = site.wet_season.contains(&(day % 365)) && rng.random::<f64>() < site.wet_share;
        let has_dew = rng.random::<f64>() < 0.25;
        for hour in [7.0, 8.0, 9.5, 11.0, 12.0, 13.0, 15.0, 17.0] {
            let light = (std::f64::consts::PI * (hour - 6.0) / 12.0).sin();
            let cell_c = of_day_c + if is_wet { 4.0 } else { 25.0 } * light;
            // In a monsoon it clears up around noon now and then: an array is not under water for four months.
            let wetness: f64 = match (is_wet, has_dew) {
                (true, _) if (10.0..14.0).contains(&hour) && rng.random::<f64>() < 0.5 => 0.02,
                (true, _) => 0.3 + 0.6 * rng.random::<f64>(),
                (false, true) if hour < 9.0 => 0.4 * rng.random::<f64>(),
                _ => 0.0,
            };
            let kt = |c: f64| 1.0 / (BOLTZMANN_EV_PER_K * (c + 273.15));
            let relative = (0.7 * (kt(25.0) - kt(cell_c))).exp() + 15.0 * wetness;
            let scatter = 1.0 + 0.1 * (rng.random::<f64>() - 0.5);
            // 30 modules of 1 GΩ.
            let g_s = 30e-9 * relative * scatter * times(day);
            record.looks.push(Look {
                t_s: 1_767_225_600.0 + DAY_S * day as f64 + 3600.0 * hour,
                g_pos_s: 0.5 * g_s,
                g_neg_s: 0.5 * g_s,
                g_sigma_s: 5e-9 + 0.003 * g_s,
                c_f: 750e-9 * (1.0 + wetness) * (1.0 + 0.01 * (rng.random::<f64>() - 0.5)),
                v_v: Some(300.0 * (1.0 - 0.0045 * (cell_c - 25.0))),
                dwell: None,
                weather: if site.logged {
                    Weather {
                        cell_c: Some(cell_c + 1.5),
                        wetness: Some(wetness),
                    }
                } else {
                    Weather::default()
                },
            });
        }
    }
    record
}

fn limits() -> Vec<Limit> {
    vec![Limit {
        name: "trip level".into(),
        r_ohm: 30e3,
    }]
}

fn monsoon(seed: u64, logged: bool) -> Site {
    Site {
        seed,
        mean_c: 26.0,
        season_c: 5.0,
        wet_season: 155..270,
        wet_share: 0.75,
        logged,
    }
}

fn cold_winters(seed: u64, logged: bool) -> Site {
    Site {
        seed,
        mean_c: 11.0,
        season_c: 13.0,
        wet_season: 0..365,
        wet_share: 0.2,
        logged,
    }
}

#[test]
fn two_healthy_years_do_not_alarm_with_a_monsoon_nor_with_cold_winters() {
    for seed in 0..3 {
        for logged in [false, true] {
            for site in [monsoon(seed, logged), cold_winters(seed, logged)] {
                let days = record(&site, 730, |_| 1.0).days();
                for day in (40..=730).step_by(15) {
                    let found = Assessment::of(&days[..day], &limits());
                    assert!(
                        !found.warns(),
                        "seed {seed}, logged {logged}, wet share {}: alarm on day {day}",
                        site.wet_share
                    );
                }
                let found = Assessment::of(&days, &limits());
                let dry = found.dry.expect("two years");
                // One-sided; from 104 weeks on like weeks of the two years are compared too.
                let seasonal = dry.decline_seasonal.expect("104 weeks");
                assert!(
                    seasonal.p_rising_one_sided() > 1e-3,
                    "seed {seed}, logged {logged}: p = {}",
                    seasonal.p_rising_one_sided()
                );
                assert_eq!(
                    findings(&days, &found)[0].kind,
                    Kind::Healthy,
                    "seed {seed}, logged {logged}, wet share {}",
                    site.wet_share
                );
            }
        }
    }
}

/// Values as measured rise through autumn while the insulation goes on failing: cold hides it, the trend does not forget it.
#[test]
fn what_seems_to_heal_in_winter_is_still_declining() {
    for seed in 10..13 {
        // From day 100 (spring) on it loses a factor of 8 in a year.
        let site = cold_winters(seed, true);
        let days = record(&site, 730, |day| {
            (8_f64.ln() * ((day - 100).max(0) as f64) / 365.0).exp()
        })
        .days();
        let median_ohm = |from: usize, to: usize| {
            let values: Vec<f64> = days[from..to]
                .iter()
                .filter_map(|day| day.dry_noon.map(|look| look.r_ohm()))
                .collect();
            ohmward::trend::statistics::median(&values).expect("measured")
        };
        // Midsummer against the winter after it, as measured.
        assert!(median_ohm(365, 395) > 1.5 * median_ohm(180, 210));
        let found = Assessment::of(&days[..395], &limits());
        let decline = found.decline.as_ref().expect("still declining in winter");
        assert!(!decline.wet_only);
        let said = &findings(&days[..395], &found)[0];
        assert!(
            matches!(said.kind, Kind::SteadyDecline | Kind::Step),
            "{said:?}"
        );
        assert!(found.dry.expect("weeks").decline.p_rising_one_sided() < 0.01);
        // A year on, like seasons are compared with each other, and they agree.
        let found = Assessment::of(&days, &limits());
        let seasonal = found.dry.expect("weeks").decline_seasonal.expect("104");
        assert!(seasonal.p_rising_one_sided() < 0.01);
        // The first day below the limit comes before most days are below it.
        let forecast = &found
            .decline
            .expect("declines")
            .outlook
            .expect("points")
            .forecasts[0];
        let first = forecast.first.median_days.unwrap_or(f64::INFINITY);
        let lasting = forecast.lasting.median_days.unwrap_or(f64::INFINITY);
        assert!(first <= lasting, "{first} {lasting}");
    }
}

/// A connector that conducts only when wet is seen in the monsoon, and is not forgotten for dry months without an all-clear being checked.
#[test]
fn a_wet_only_fault_shows_in_the_monsoon() {
    let site = monsoon(20, true);
    let mut record = record(&site, 270, |_| 1.0);
    let start_s = record.looks[0].t_s;
    for look in &mut record.looks {
        let day = (look.t_s - start_s) / DAY_S;
        let wet = look.weather.wetness.unwrap_or(0.0);
        if day > 160.0 {
            look.g_pos_s += 0.4e-6 * ((day - 160.0) / 25.0).exp() * ((wet - 0.1) / 0.9).max(0.0);
        }
    }
    let days = record.days();
    let said = findings(&days, &Assessment::of(&days, &limits()));
    assert_eq!(said[0].kind, Kind::WetOnly, "{:?}", said[0]);
    assert!(said[0].check_first.contains("Connectors"));
}
