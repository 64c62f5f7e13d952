//! Patterns that do not come from a resistance that falls: each on a made-up year whose law is that pattern, and told from what looks
//! like it. The falling ones (wet only, steady, step, one place) and sensor drift are in `trend_years.rs`.

use ohmward::trend::days::{Glance, Record};
use ohmward::trend::{Assessment, Finding, Kind, Limit, Weight, findings};
use ohmward_tests::years::{Fate, year};

const DAY_S: f64 = 86_400.0;

fn said(record: &Record) -> Vec<Finding> {
    let limits = [Limit {
        name: "trip level".into(),
        r_ohm: 30e3,
    }];
    let days = record.days();
    findings(&days, &Assessment::of(&days, &limits))
}

/// What every finding has to tell.
fn is_whole(finding: &Finding) {
    for text in [&finding.seen, &finding.sure, &finding.check_first] {
        assert!(text.len() > 10, "{finding:?}");
    }
    assert!(finding.caution.contains("stay live in daylight"));
    assert!(finding.caution.contains("authority having jurisdiction"));
}

/// A healthy year whose voltage moves with the light, as with a converter that follows it.
fn with_moving_voltage(seed: u64) -> (Record, bool) {
    let year = year(seed, Fate::Healthy, 120);
    let mut record = year.record;
    for look in &mut record.looks {
        let hour = look.t_s.rem_euclid(DAY_S) / 3600.0;
        let light = (1.0 - ((hour - 12.0) / 6.5).powi(2)).max(0.0);
        look.v_v = look.v_v.map(|v| v * (0.65 + 0.35 * light.sqrt()));
    }
    (record, year.logged)
}

#[test]
fn conduction_that_grows_with_voltage_is_told_from_one_that_grows_with_heat() {
    let (mut told, mut wrongly, mut of) = (0, 0, 0);
    for seed in 78_000..78_006 {
        let (plain, logged) = with_moving_voltage(seed);
        wrongly += u32::from(
            said(&plain)
                .iter()
                .any(|f| f.kind == Kind::GrowsWithVoltage),
        );
        // A surge protection part past its knee: conductance rises with the fifth power of the voltage (a made-up, mild exponent).
        let mut worn = plain.clone();
        let v_max = worn.looks.iter().filter_map(|l| l.v_v).fold(0.0, f64::max);
        for look in &mut worn.looks {
            look.g_pos_s += 3e-6 * (look.v_v.unwrap_or(0.0) / v_max).powi(5);
        }
        // Without a logged temperature only values of the same hour are compared, and few of those differ in voltage.
        of += u32::from(logged);
        let findings = said(&worn);
        if let Some(found) = findings.iter().find(|f| f.kind == Kind::GrowsWithVoltage) {
            told += u32::from(logged);
            is_whole(found);
            assert!(found.check_first.contains("two voltages"), "{found:?}");
        }
    }
    // Where voltage and heat always come together nothing can be told, and nothing is.
    assert!(told >= 2, "told {told} of {of}");
    assert_eq!(wrongly, 0, "told though only heat did it");
}

#[test]
fn current_in_the_dark_is_told_and_current_in_light_alone_is_not() {
    for (night_a, day_a, is_told) in [
        (8e-3, 1e-3, true),
        (0.5e-3, 8e-3, false),
        (8e-3, 8e-3, false),
    ] {
        let mut record = year(79_000, Fate::Healthy, 90).record;
        let start_s = record.looks[0].t_s.div_euclid(DAY_S) * DAY_S;
        for hour in 0..90 * 24 {
            let lit = (7..17).contains(&(hour % 24));
            let ripple = 1.0 + 0.1 * f64::from(hour).sin();
            record.glances.push(Glance {
                t_s: start_s + 3600.0 * f64::from(hour) + 1800.0,
                lit,
                has_value: lit,
                i_dc_a: Some(ripple * if lit { day_a } else { night_a }),
            });
        }
        let findings = said(&record);
        let found = findings.iter().find(|f| f.kind == Kind::NightOnly);
        assert_eq!(found.is_some(), is_told, "{night_a} {day_a}: {findings:?}");
        if let Some(found) = found {
            is_whole(found);
            assert_eq!(found.weight, Weight::Notice);
            assert!(found.check_first.contains("battery"), "{found:?}");
        }
    }
}

#[test]
fn every_finding_of_a_degrading_year_is_whole() {
    for (k, fate) in Fate::ALL.into_iter().enumerate() {
        let year = year(79_100 + k as u64, fate, 200);
        for finding in said(&year.record) {
            is_whole(&finding);
        }
    }
}
