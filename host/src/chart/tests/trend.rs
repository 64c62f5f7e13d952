//! Months of one board: what is coming, and whether it fails wet. Records are made by a law that the tests know.

use super::*;
use crate::trend::days::{Look, Record, Weather};

const DAYS: i64 = 160;
/// Fault from here on, doubling in so many days.
const BEGINS: f64 = 80.0;
const DOUBLES: f64 = 12.0;

/// Half-hourly looks from 7 to 17 h; healthy 4 MΩ; the fault on the negative pole.
fn record(fault_s: impl Fn(f64, bool) -> f64, left_out: Range<i64>) -> Record {
    let mut record = Record::default();
    for day in (0..DAYS).filter(|day| !left_out.contains(day)) {
        for half_hour in 14..=34_u64 {
            let hour = half_hour as f64 / 2.0;
            let wet = hour < 9.0;
            let jitter = |k: u64| 1.0 + 0.05 * f64::from(noise(day as u64 * 97 + half_hour + k));
            let healthy = 1.25e-7 * jitter(0);
            let fault = fault_s(day as f64 + hour / 24.0, wet);
            record.looks.push(Look {
                t_s: START_US as f64 * 1e-6 + day as f64 * 86_400.0 + hour * 3600.0,
                g_pos_s: healthy,
                g_neg_s: healthy * jitter(1) + fault,
                g_sigma_s: 4e-9,
                c_f: if wet { 1.5e-7 } else { 1e-7 },
                v_v: Some(380.0),
                dwell: None,
                weather: Weather {
                    cell_c: Some(25.0),
                    wetness: Some(if wet { 0.5 } else { 0.0 }),
                },
            });
        }
    }
    record
}

fn declining(day: f64, _: bool) -> f64 {
    if day < BEGINS {
        0.0
    } else {
        5e-8 * 2_f64.powf((day - BEGINS) / DOUBLES)
    }
}

fn forecast_of(record: &Record) -> ForecastData {
    let mut data = ForecastData::of_record(BOARD, record, Some(Settings::SMALL_BONDED)).unwrap();
    data.note = Some("invented scene".into());
    data
}

#[test]
fn a_decline_has_a_fan_and_dates_on_its_limits() {
    let data = forecast_of(&record(declining, 0..0));
    assert!(!data.fan.is_empty(), "{:?}", data.findings);
    let svg = Scene::new().draw("forecast", &data);
    let texts = texts(&svg);
    let all = texts.join(" ");
    for wanted in [
        "forecast →",
        "trip below 30 kΩ",
        "warn below 100 kΩ",
        "trip level (30 kΩ): first day below it",
        CAUTION,
    ] {
        assert!(all.contains(wanted), "{wanted} is missing in {all}");
    }
    // The law puts the conductance at 1/30 kΩ when 5e-8 · 2^(d/12) = 1/30000 S − healthy: solved here, not in the trend.
    let crosses = BEGINS + DOUBLES * ((1.0 / 30e3 - 2.5e-7) / 5e-8_f64).log2();
    let ahead = crosses - DAYS as f64;
    let dates = data
        .dates
        .iter()
        .find(|dates| dates.limit.name == "trip level")
        .unwrap();
    let middle = dates.first.median_days.unwrap();
    assert!(
        (middle / ahead - 1.0).abs() < 0.25,
        "{middle} days, by the law {ahead}"
    );
    // The bar of the first crossing lies above its limit's line, right of the last day, about where the law says.
    let y = height_on_axis(&svg, (1e5, "100 kΩ"), (1e6, "1 MΩ"), 30e3);
    let whole_days = DAYS as f64 + data.ahead_days();
    let x = 100.0 + 985.0 * crosses / whole_days;
    let bar = lines(&svg, colour::INK).into_iter().find(|line| {
        line.len() == 2
            && line[0].1 == line[1].1
            && (f64::from(line[0].1) - (y - 7.0)).abs() <= 2.0
            && line[1].0 > line[0].0
    });
    let bar = bar.unwrap_or_else(|| panic!("no bar at {y}"));
    assert!(
        f64::from(bar[0].0) - 25.0 < x && f64::from(bar[1].0) + 25.0 > x,
        "{bar:?} does not hold {x}"
    );
}

#[test]
fn healthy_insulation_has_no_fan_and_a_gap_no_line() {
    let data = forecast_of(&record(|_, _| 0.0, 60..90));
    assert!(data.fan.is_empty());
    let svg = Scene::new().draw("forecast-healthy", &data);
    let all = texts(&svg).join(" ");
    assert!(all.contains("No forecast is drawn"), "{all}");
    assert!(!all.contains("forecast →"));
    let x = |day: f64| 100 + (985.0 * day / DAYS as f64) as i32;
    for line in lines(&svg, colour::WHOLE)
        .iter()
        .filter(|line| line.len() > 2)
    {
        let xs = || line.iter().map(|(x, _)| *x);
        let crosses = xs().min().unwrap() < x(62.0) && xs().max().unwrap() > x(88.0);
        assert!(!crosses, "a line over the month that is not there");
    }
}

#[test]
fn wet_and_dry_are_told_apart_and_what_was_not_measured_is_hatched() {
    let wet_only = |day: f64, wet: bool| if wet { declining(day, wet) } else { 0.0 };
    let data = WetDryData::of_record(
        BOARD,
        &record(wet_only, 30..40),
        Some(Settings::SMALL_BONDED),
    );
    let mut data = data.unwrap();
    data.note = Some("invented scene".into());
    let last = data.stretches.last().unwrap();
    let (wet, dry) = (last.wet.unwrap(), last.dry.unwrap());
    // By the law: 5e-8 · 2^(79/12) S more, wet.
    let by_law = 1.0 / (2.5e-7 + declining(DAYS as f64 - 2.0, true));
    assert!(
        (wet.r_ohm[2] / by_law).ln().abs() < 0.2,
        "{wet:?}, by the law {by_law}"
    );
    assert!((dry.r_ohm[2] / 4e6).ln().abs() < 0.1, "{dry:?}");
    // Ten days are missing from the map, and the hours of night from every day.
    assert!(
        data.cells
            .keys()
            .all(|(day, _)| !(30..40).contains(&(day - data.days.0)))
    );
    assert!(data.cells.keys().any(|(day, _)| day - data.days.0 == 41));
    let svg = Scene::new().draw("wet-dry", &data);
    let all = texts(&svg).join(" ");
    for wanted in [
        "sun noon",
        "lit, not measured",
        "nothing recorded",
        "water as logged",
        "trip below 30 kΩ",
    ] {
        assert!(all.contains(wanted), "{wanted} is missing in {all}");
    }
    assert!(svg.contains(&hex(colour::NO_RECORD_STROKE)));
}
