//! Three gears, one world: skipping quiet time must not change what happens, nor drawing readings what they say.

use ohmward::sim::Gear;
use ohmward_plant::Scenario;
use ohmward_proto::event::EventKind;
use ohmward_proto::measure::{BondCurrent, Insulation};
use ohmward_proto::{Reading, SampleIndex};
use ohmward_tests::drawn::{compare, text};
use ohmward_tests::{Said, data, run};

/// Half an hour around the hard fault, every sample against skipped quiet: the same events in the same order, and
/// within a measurement's noise at the same moments.
#[test]
fn the_same_events_in_both_gears() {
    let mut scenario = Scenario::load(&data("one-day.toml")).expect("sound");
    // Two minutes of each thing instead of an hour: start, surge, fault, repair, reset, in ten minutes.
    scenario.start = "2026-04-10T11:00:00Z".parse().expect("a moment");
    scenario.duration_h = 10.0 / 60.0;
    let minute = 1.0 / 60.0;
    scenario.surges[0].at_h = 1.5 * minute;
    scenario.faults[0].from_h = 3.0 * minute;
    scenario.faults[0].to_h = Some(5.0 * minute);
    scenario.presses[0].at_h = 4.0 * minute;
    scenario.presses[1].at_h = 7.0 * minute;
    let every = run(&scenario, Gear::EverySample);
    let skipped = run(&scenario, Gear::SkipQuiet);
    let kind = |k: &EventKind| std::mem::discriminant(k);
    let kinds = |said: &ohmward_tests::Said| {
        said.events
            .iter()
            .map(|e| kind(&e.kind))
            .collect::<Vec<_>>()
    };
    assert_eq!(
        kinds(&every),
        kinds(&skipped),
        "{:?}\n{:?}",
        every.events,
        skipped.events
    );
    for (a, b) in every.events.iter().zip(&skipped.events) {
        // A measurement may end a row (20 ms) sooner or later with other noise; connecting follows it.
        let apart_ms = a.at.0.abs_diff(b.at.0) as f64 / 4.0;
        assert!(apart_ms <= 100.0, "{a:?} and {b:?} are {apart_ms} ms apart");
    }
    assert!(every.find(|k| matches!(k, EventKind::Tripped { .. })).len() == 1);
}

/// Like events of current, contacts and hands may be this far apart. Noise belongs to the sample, so they mostly coincide; what follows the mains by a filter of
/// its own (self-tests over cycles) ends a sample or two sooner or later.
const APART_MS: f64 = 5.0;
/// Those that wait for a measurement of insulation: it may go into one more round by a hair, three stays of five seconds and the
/// rest; later checks follow it.
const MEASURED_APART_MS: f64 = 20_000.0;

/// Drawn scenarios in both gears: the same events, kind by kind, in the same order. `OHMWARD_DRAWN=N` runs N of them; the example
/// `gears_agree` runs thousands in release.
#[test]
fn drawn_scenarios_are_told_alike() {
    let count = std::env::var("OHMWARD_DRAWN")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(12);
    let (mut events, mut trips) = (0, 0);
    for number in 0..count {
        let scenario =
            Scenario::parse(&format!("drawn-{number}.toml"), &text(number)).expect("sound");
        let compared = compare(&scenario);
        assert_eq!(
            compared.first_difference, None,
            "{number}:\n{:#?}\n{:#?}",
            compared.every.events, compared.skipped.events
        );
        assert!(
            compared.apart_ms <= APART_MS && compared.measured_apart_ms <= MEASURED_APART_MS,
            "{number}: {} and {} ms apart",
            compared.apart_ms,
            compared.measured_apart_ms
        );
        events += compared.every.events.len();
        trips += compared
            .every
            .find(|k| matches!(k, EventKind::Tripped { .. }))
            .len();
    }
    // A comparison of nothing would be easy.
    assert!(
        events > 4 * count as usize && trips > 0,
        "{events} events, {trips} trips"
    );
}

/// Readings in quiet weather and readings through a day.
const QUIET: &str = r#"name = "quiet"
note = "Invented, for tests."
seed = 11
start = "2026-04-10T10:00:00Z"
duration_h = HOURS
[board]
id = "00000000000000d4"
[settings]
reading_every_ms = 1000
check.every_s = 600
[array]
strings = 2
modules_per_string = 8
[sensors]
hum_bond_ma = 3.0
hum_pole_v = 0.4
current_gain_error_percent = 2.0
current_offset_ma = 0.7
v_pos_gain_error_percent = 0.5
[weather]
WEATHER
"#;

fn quiet(weather: &str, hours: f64, more: impl FnOnce(&mut Scenario)) -> (Said, Said) {
    let text = QUIET
        .replace("WEATHER", weather)
        .replace("HOURS", &format!("{hours:.3}"));
    let mut scenario = Scenario::parse("quiet.toml", &text).expect("sound");
    more(&mut scenario);
    (
        run(&scenario, Gear::SkipQuiet),
        run(&scenario, Gear::ReadingsOnly),
    )
}

/// Mean and standard deviation, and how many.
fn spread(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let square = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, square.sqrt())
}

fn measured(readings: &[Reading]) -> [Vec<f64>; 4] {
    let mut columns = [const { Vec::new() }; 4];
    for reading in readings {
        if let (BondCurrent::Measured { dc, rms }, Some(v_pos), Some(v_neg)) =
            (reading.i_bond, reading.v_pos, reading.v_neg)
        {
            for (column, value) in columns.iter_mut().zip([dc.0, rms.0, v_pos.0, v_neg.0]) {
                column.push(f64::from(value));
            }
        }
    }
    columns
}

fn not_measured(readings: &[Reading]) -> usize {
    let missing = |r: &&Reading| matches!(r.i_bond, BondCurrent::NotMeasured(_));
    readings.iter().filter(missing).count()
}

/// Five thousand readings of an array at rest, from samples and drawn: the same mean within the standard error of the difference
/// (four of them), the same scatter within 6 % (a standard deviation from 5400 values is known to 1 %), for all four values; the
/// same events; as many without a value.
#[test]
fn drawn_readings_scatter_as_sampled_ones() {
    let weather = "fixed = { irradiance_w_m2 = 700.0, cell_temp_c = 40.0 }";
    let (sampled, drawn) = quiet(weather, 1.5, |_| {});
    assert!(drawn.readings.len() > 5000, "{}", drawn.readings.len());
    assert!(sampled.readings.len().abs_diff(drawn.readings.len()) <= 10);
    for (k, (a, b)) in measured(&sampled.readings)
        .iter()
        .zip(&measured(&drawn.readings))
        .enumerate()
    {
        let ((mean_a, sigma_a), (mean_b, sigma_b)) = (spread(a), spread(b));
        let error =
            4.0 * (sigma_a * sigma_a / a.len() as f64 + sigma_b * sigma_b / b.len() as f64).sqrt();
        assert!(
            (mean_a - mean_b).abs() < error,
            "{k}: {mean_a} and {mean_b}, {error}"
        );
        assert!(
            (sigma_a / sigma_b - 1.0).abs() < 0.06,
            "{k}: {sigma_a} and {sigma_b}"
        );
    }
    let (a, b) = (
        not_measured(&sampled.readings),
        not_measured(&drawn.readings),
    );
    assert!(a.abs_diff(b) <= 10 && a > 0, "{a} and {b} without a value");
    let kinds = |said: &Said| {
        said.events
            .iter()
            .map(|e| (std::mem::discriminant(&e.kind), e.at))
            .collect::<Vec<_>>()
    };
    assert_eq!(kinds(&sampled), kinds(&drawn));
}

/// A day and a half of weather with dew, rain and clouds: every reading has its like, in the same state, of the same check; the
/// values part by noise alone.
#[test]
fn a_day_of_drawn_readings_is_the_day_that_was_sampled() {
    let weather = "latitude_deg = 46.0\ncloudiness = 0.5\nhumidity = 0.85\nrain = [{ from_h = 27.0, to_h = 29.0 }]";
    let (sampled, drawn) = quiet(weather, 36.0, |scenario| {
        scenario.settings.reading_every_ms = 60_000;
        scenario.settings.check.every_s = 1800;
    });
    let at = |said: &Said| {
        said.readings
            .iter()
            .map(|r| r.at)
            .collect::<Vec<SampleIndex>>()
    };
    assert_eq!(at(&sampled), at(&drawn));
    assert!(drawn.readings.len() > 2100);
    let (mut checks, mut apart) = (0, Vec::new());
    for (a, b) in sampled.readings.iter().zip(&drawn.readings) {
        assert_eq!(
            (a.state, a.bond_open),
            (b.state, b.bond_open),
            "{a:?}\n{b:?}"
        );
        match (a.insulation, b.insulation) {
            (
                Insulation::Measured {
                    leakage: a,
                    at: at_a,
                },
                Insulation::Measured {
                    leakage: b,
                    at: at_b,
                },
            ) => {
                assert!(at_a.0.abs_diff(at_b.0) < 8000, "{at_a:?} {at_b:?}");
                let off = (a.g_total().0 - b.g_total().0).abs();
                assert!(off < 5.0 * (a.g_sigma.0 + b.g_sigma.0), "{a:?}\n{b:?}");
                checks += 1;
            }
            (Insulation::NotMeasured { why: a, .. }, Insulation::NotMeasured { why: b, .. }) => {
                assert_eq!(a, b);
            }
            (a, b) => panic!("{a:?}\n{b:?}"),
        }
        if let (BondCurrent::Measured { dc: a, .. }, BondCurrent::Measured { dc: b, .. }) =
            (a.i_bond, b.i_bond)
        {
            apart.push(f64::from(a.0 - b.0));
        }
    }
    assert!(checks > 1000, "{checks}");
    let (mean, sigma) = spread(&apart);
    // 0.2 mA of noise over 80 samples, twice: 32 µA; quantisation adds little.
    assert!(
        mean.abs() < 4.0 * sigma / (apart.len() as f64).sqrt() && (20e-6..50e-6).contains(&sigma),
        "{mean} {sigma}"
    );
}

/// An array whose insulation a storm halves: readings alone tell of it, to the law's own numbers.
#[test]
fn ageing_shows_in_drawn_readings() {
    let weather = "fixed = { irradiance_w_m2 = 700.0, cell_temp_c = 25.0 }";
    let (_, drawn) = quiet(weather, 20.0, |scenario| {
        scenario.settings.reading_every_ms = 60_000;
        scenario.array.insulation_mohm_per_module = 40.0;
        scenario.ageing.step = vec![ohmward_plant::ageing::Step {
            at_h: 10.0,
            left: 0.5,
            end: ohmward_plant::ageing::End::All,
        }];
    });
    let seen = |from_h: u64, to_h: u64| {
        let hour = 3600 * 4000;
        let g: Vec<f64> = drawn
            .readings
            .iter()
            .filter(|r| (from_h * hour..to_h * hour).contains(&r.at.0))
            .filter_map(|r| match r.insulation {
                Insulation::Measured { leakage, .. } => Some(f64::from(leakage.g_total().0)),
                Insulation::NotMeasured { .. } => None,
            })
            .collect();
        spread(&g).0
    };
    // 16 modules of 40 MΩ are 0.4 µS, 0.8 µS after the storm; the front end's tolerances leave a few per cent (0.5 % of gain error
    // on one pole channel alone moves 0.4 µS by some 20 nS).
    let (before, after) = (seen(1, 10), seen(11, 20));
    assert!((before / 0.4e-6 - 1.0).abs() < 0.15, "{before}");
    assert!(
        (after - before) / 0.4e-6 > 0.9 && (after - before) / 0.4e-6 < 1.1,
        "{before} {after}"
    );
}
