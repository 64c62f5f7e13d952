//! Invented years with a known truth through the trend, as in service: every look has the data up to then only.
//!
//! The whole record (400 years, every day) is drawn by `cargo run --release -p ohmward-tests --example trend_record`; here a
//! few of its years, every fourth day, so that a change that breaks the trend shows.

use ohmward::trend::days::{Record, Weather};
use ohmward::trend::{Assessment, Kind, Limit, Weight, findings};
use ohmward_plant::array::{Array, ArraySettings, Conditions, Contacts, Description, Place};
use ohmward_plant::module::KINDS;
use ohmward_proto::settings::{Calibration, Earthing};
use ohmward_tests::years::{Fate, Year, year};

fn limits() -> Vec<Limit> {
    vec![Limit {
        name: "trip level".into(),
        r_ohm: 30e3,
    }]
}

/// First day with a warning, and its assessment; nothing after the true crossing is looked at.
fn warned(year: &Year, every: usize) -> Option<(usize, Assessment)> {
    let days = year.record.days();
    let end = year.crosses(30e3).unwrap_or(days.len()).min(days.len());
    (30..=end).step_by(every).find_map(|day| {
        let found = Assessment::of(&days[..day], &limits());
        found.warns().then_some((day, found))
    })
}

#[test]
fn degrading_years_are_warned_of_in_time_and_healthy_ones_are_not() {
    let (mut in_time, mut crossing, mut errors) = (0, 0, Vec::new());
    for k in 0..24 {
        let fate = Fate::ALL[1 + k % 4];
        let year = year(70_000 + k as u64, fate, 365);
        let slow = |day: &usize| *day as f64 - year.begins.unwrap_or(0.0) >= 30.0;
        let Some(crosses) = year.crosses(30e3).filter(slow) else {
            continue;
        };
        crossing += 1;
        if let Some((day, found)) = warned(&year, 7)
            && day + 14 <= crosses
        {
            in_time += 1;
            let lead = (crosses - day) as f64;
            let median = found
                .warning()
                .and_then(|forecast| forecast.first.median_days);
            errors.push((median.unwrap_or(f64::INFINITY) - lead).abs() / lead);
        }
    }
    // The record has nine of ten; of two dozen a few may fail by chance.
    assert!(
        crossing >= 14 && 10 * in_time >= 8 * crossing,
        "{in_time} of {crossing}"
    );
    errors.sort_by(f64::total_cmp);
    let median = errors[errors.len() / 2];
    assert!(median < 0.25, "forecast error {median:.2} of the lead");
    for seed in 71_000..71_010 {
        assert!(
            warned(&year(seed, Fate::Healthy, 365), 7).is_none(),
            "healthy year {seed} alarmed"
        );
    }
}

/// The generator's split of leakage between the poles against the plant's own circuit, solved in both bridge states: Kirchhoff.
#[test]
fn poles_share_leakage_as_the_circuit_does() {
    let bridge = Calibration::REFERENCE.bridge;
    let settings: ArraySettings =
        toml::from_str("strings = 2\nmodules_per_string = 8\n").expect("settings");
    let place = Place::Tap {
        string: 0,
        modules_below: 6,
    };
    let mut array = Array::new(&Description {
        faults: vec![place.into()],
        ..Description::new(&settings, &KINDS[0], Earthing::NegativeBonded, &bridge)
    });
    array.set_conditions(Conditions {
        irradiance_w_m2: 700.0,
        cell_temp_c: 45.0,
        wetness: 0.5,
    });
    let healthy_s = 16.0 * settings.insulation().conductance_s(45.0, 0.5);
    let fault_s = 1.0 / 500e3;
    array.set_fault(0, fault_s);
    let mut ratio = |bridge_pos: bool| {
        let point = array
            .solve(Contacts {
                bond_open: true,
                bridge_pos,
                bridge_neg: !bridge_pos,
                ..Contacts::default()
            })
            .expect("solves");
        point.v_pos / -point.v_neg
    };
    let (a, b) = (ratio(true), ratio(false));
    let [g_m, g_a, g_b] = [
        bridge.g_permanent,
        bridge.g_switched_pos,
        bridge.g_switched_neg,
    ]
    .map(|g| f64::from(g.0));
    // Two bridge states, Kirchhoff: g₊ + g_m = (a·g_A + g_B)/(b − a).
    let pos = (a * g_a + g_b) / (b - a);
    let neg = a * (pos + g_a) - g_m;
    let pos = pos - g_m;
    let (want_pos, want_neg) = (
        0.5 * healthy_s + 0.75 * fault_s,
        0.5 * healthy_s + 0.25 * fault_s,
    );
    assert!((pos / want_pos - 1.0).abs() < 0.01, "{pos} {want_pos}");
    assert!((neg / want_neg - 1.0).abs() < 0.01, "{neg} {want_neg}");
}

#[test]
fn what_was_mostly_not_measured_is_never_healthy() {
    let healthy = year(72_000, Fate::Healthy, 200);
    let words = |record: &Record| {
        let days = record.days();
        findings(&days, &Assessment::of(&days, &limits()))
    };
    assert_eq!(words(&healthy.record)[0].kind, Kind::Healthy);
    // Too few days.
    let mut short = healthy.record.clone();
    let first_s = short.looks[0].t_s;
    short
        .looks
        .retain(|look| look.t_s < first_s + 20.0 * 86_400.0);
    assert_eq!(words(&short)[0].kind, Kind::NotEnoughData);
    // Lit, and nothing measured for the last month.
    let mut blind = healthy.record.clone();
    let last_s = blind.looks.last().expect("looks").t_s;
    let cut_s = last_s - 31.0 * 86_400.0;
    blind.glances = blind
        .looks
        .iter()
        .map(|look| ohmward::trend::days::Glance {
            t_s: look.t_s,
            lit: true,
            has_value: look.t_s < cut_s,
            i_dc_a: None,
        })
        .collect();
    blind.looks.retain(|look| look.t_s < cut_s);
    let said = words(&blind);
    assert!(said.iter().all(|finding| finding.kind != Kind::Healthy));
    assert_eq!(
        (said[0].kind, said[0].weight),
        (Kind::NotEnoughData, Weight::Unknown)
    );
    // Nothing at all.
    assert_eq!(words(&Record::default())[0].kind, Kind::NotEnoughData);
}

#[test]
fn each_fate_is_told_by_its_pattern() {
    for (fate, kinds) in [
        (Fate::WetOnly, &[Kind::WetOnly][..]),
        (Fate::Step, &[Kind::Step, Kind::OnePlace]),
        (
            Fate::OnePlace,
            &[Kind::OnePlace, Kind::Step, Kind::SteadyDecline],
        ),
        (Fate::Steady, &[Kind::SteadyDecline, Kind::Step]),
    ] {
        let mut told = 0;
        for seed in 73_000..73_004 {
            let year = year(seed, fate, 365);
            let days = year.record.days();
            let end = year.crosses(30e3).unwrap_or(days.len());
            let found = Assessment::of(&days[..end], &limits());
            let said = findings(&days[..end], &found);
            told += usize::from(kinds.contains(&said[0].kind));
            assert!(
                !said[0].check_first.is_empty() && said[0].caution.contains("live in daylight")
            );
            if fate == Fate::OnePlace
                && let Some((at, _)) = found.decline.as_ref().and_then(|decline| decline.position)
            {
                assert!(
                    (at - year.place).abs() < 0.1,
                    "{seed}: {at}, truly {}",
                    year.place
                );
            }
        }
        assert!(told >= 3, "{fate:?}: {told} of 4");
    }
}

/// A departure that has ended is no forecast: from a few days after a repair on it is told as one, and nothing warns any more.
#[test]
fn a_repair_ends_the_forecast() {
    let (mut told, mut of) = (0, 0);
    for k in 0..16_u64 {
        let fate = Fate::ALL[1 + k as usize % 4];
        let broken = year(79_000 + k, fate, 365);
        let Some(crosses) = broken.crosses(30e3).filter(|day| day + 70 < 365) else {
            continue;
        };
        let seed = broken.seed;
        let first_s = broken.record.looks[0].t_s;
        let year = broken.mended(crosses + 1);
        let days = year.record.days();
        let offset = ((year.start_s - first_s) / 86_400.0).round() as i64;
        let before = Assessment::of(&days[..crosses], &limits());
        if before.decline.is_none() {
            continue;
        }
        of += 1;
        // A fault that shows wet only is seen to be gone on wet days.
        let after = crosses + if fate == Fate::WetOnly { 60 } else { 8 };
        let found = Assessment::of(&days[..after], &limits());
        assert!(!found.warns(), "{seed} {fate:?}: warns after the repair");
        let said = findings(&days[..after], &found);
        if let Some(back) = found.recovered {
            let away = back.day - days[0].day - (crosses as i64 + 1 + offset);
            assert!(
                (-2..=30).contains(&away),
                "{seed} {fate:?}: {away} days off"
            );
            assert!(
                said.iter()
                    .any(|f| f.kind == Kind::Recovered && f.seen.contains("repair?")),
                "{said:?}"
            );
            told += 1;
        } else {
            println!("{seed} {fate:?}: not told");
        }
    }
    println!("{told} of {of} repairs told");
    assert!(of >= 8 && 4 * told >= 3 * of, "{told} of {of}");
}

/// A measurement that drifts on both poles alike while the sensor's zero moves with it is no insulation drift.
#[test]
fn sensor_drift_is_told_from_insulation_drift() {
    let mut year = year(74_001, Fate::Healthy, 240);
    let start_s = year.record.looks[0].t_s;
    let drift = |t_s: f64| ((t_s - start_s) / 86_400.0 - 80.0).max(0.0) / 100.0;
    for look in &mut year.record.looks {
        look.g_pos_s += 4e-6 * drift(look.t_s);
        look.g_neg_s += 4e-6 * drift(look.t_s);
    }
    for day in 0..240 {
        let t_s = start_s + 86_400.0 * f64::from(day);
        let ripple = 1e-5 * (f64::from(day) * 0.7).sin();
        year.record.zeros.push((t_s, 2e-3 * drift(t_s) + ripple));
    }
    let days = year.record.days();
    let said = findings(&days, &Assessment::of(&days, &limits()));
    assert_eq!(said[0].kind, Kind::SensorDrift, "{:?}", said[0]);
}

#[test]
fn same_record_same_answer() {
    let year = year(75_002, Fate::OnePlace, 365);
    let days = year.record.days();
    let once = Assessment::of(&days[..200], &limits());
    assert_eq!(once, Assessment::of(&days[..200], &limits()));
    // Features of a day do not depend on days to come.
    let mut cut = year.record.clone();
    let first_s = cut.looks[0].t_s;
    cut.looks
        .retain(|look| look.t_s < first_s + 150.0 * 86_400.0);
    let differ = cut
        .days()
        .iter()
        .zip(&days)
        .take(149)
        .filter(|(a, b)| a.lowest != b.lowest)
        .count();
    assert!(differ == 0, "{differ} days");
}

/// Weather beside the looks comes from the nearest line, and from none that is far.
#[test]
fn logged_weather_finds_its_measurement() {
    let mut record = year(76_000, Fate::Healthy, 10).record;
    let line = |t_s: f64, cell_c: f64| {
        (
            t_s,
            Weather {
                cell_c: Some(cell_c),
                wetness: None,
            },
        )
    };
    let t_s = record.looks[5].t_s;
    let lines = [
        line(t_s - 9000.0, 1.0),
        line(t_s - 60.0, 20.0),
        line(t_s + 90.0, 30.0),
    ];
    assert!(ohmward::trend::record::add_weather(&mut record, &lines) >= 1);
    assert_eq!(record.looks[5].weather.cell_c, Some(20.0));
    assert_eq!(ohmward::trend::record::add_weather(&mut record, &[]), 0);
}
