//! What happens on the ground side as time goes by: fuse, shade, soil, people, a converter's noise.

use ohmward_plant::{OperatingPoint, Scenario, Sensed, Switches, World};
use ohmward_proto::{Calibration, SampleIndex};

const HEAD: &str = r#"name = "t"
start = "2026-06-01T00:00:00Z"
seed = 3
duration_h = 1.0
[board]
id = "00000000000000a1"
[array]
strings = 2
modules_per_string = 10
[weather]
fixed = { irradiance_w_m2 = 800.0, cell_temp_c = 45.0 }
step_s = 600
[sensors]
fine_noise_ma = 0.0
wide_noise_ma = 0.0
pole_noise_v = 0.0
bits = 16
"#;
const REST: Switches = Switches {
    contactor: false,
    bond_open: false,
    bridge_pos: false,
    bridge_neg: false,
    inject: false,
};
const CONNECTED: Switches = Switches {
    contactor: true,
    ..REST
};

fn world(rest: &str) -> World {
    let scenario =
        Scenario::parse("t.toml", &format!("{HEAD}{rest}")).unwrap_or_else(|e| panic!("{e}"));
    World::new(&scenario, &Calibration::REFERENCE).unwrap()
}

fn run(world: &mut World, switches: Switches, samples: u64) -> Vec<Sensed> {
    (0..samples)
        .map(|_| world.step(&switches).unwrap())
        .collect()
}

fn amps(sensed: &Sensed) -> f64 {
    f64::from(Calibration::REFERENCE.i_bond(&sensed.codes).0)
}

fn v_neg(sensed: &Sensed) -> f64 {
    f64::from(Calibration::REFERENCE.v_neg.value(sensed.codes.v_neg))
}

/// One change a sample wide, found by `next_change` alone.
fn jump(world: &mut World, switches: Switches) {
    while !world.settled() {
        world.step(&switches).unwrap();
    }
    world.skip_to(world.next_change());
}

const FAULT_AND_FUSE: &str = "[fuse]\nrating_a = 1.0\nmelting_a2s = 0.8\n[[fault]]\nstring = 1\nposition = 10\nohm = 150.0\nfrom_h = 0.001\n";

/// 150 Ω from the positive end, some 2.5 A: τ = 0.8/1.35² = 0.4390 s and t = −τ·ln(1 − (1.35/i)²) (hand calculation).
/// Then the negative conductor is no longer grounded: the fault holds the positive end, and it stands near −V_oc.
#[test]
fn the_fuse_melts_and_the_grounded_conductor_is_live() {
    let mut stepped = world(FAULT_AND_FUSE);
    let before = run(&mut stepped, REST, 14_400 + 400);
    let i_a = amps(before.last().unwrap()).abs();
    assert!((2.4..2.6).contains(&i_a), "{i_a}");
    assert!(v_neg(before.last().unwrap()).abs() < 1.0);
    let tau_s = 0.8 / (1.35_f64 * 1.35);
    let melts_s = -tau_s * (1.0 - (1.35 / i_a).powi(2)).ln();
    run(&mut stepped, REST, 4000);
    let melted = stepped.fuse_melted().expect("melts");
    let took_s = melted.since(SampleIndex(14_400)) as f64 / 4000.0;
    assert!((took_s - melts_s).abs() < 1e-3, "{took_s} {melts_s}");
    let after = run(&mut stepped, REST, 4000);
    let live = v_neg(after.last().unwrap());
    assert!(amps(after.last().unwrap()).abs() < 1e-3);
    // 10 × 36.793328 V (pvlib 0.16.1).
    assert!((live + 367.9).abs() < 1.0, "{live}");

    let mut jumped = world(FAULT_AND_FUSE);
    jump(&mut jumped, REST);
    assert_eq!(jumped.now(), SampleIndex(14_400));
    jump(&mut jumped, REST);
    let before = jumped.now();
    assert!(jumped.fuse_melted().is_none());
    jumped.step(&REST).unwrap();
    assert_eq!(jumped.fuse_melted(), Some(melted), "{before:?}");
}

/// An 8/20 surge carries 12.16 µs × peak² (∫ of the cubic form squared, A²·6!·(τ/2)⁷, hand calculation): 109 A²s at 3 kA,
/// 0.044 A²s at 60 A, against a fuse of 0.8 A²s.
#[test]
fn a_surge_melts_a_small_fuse() {
    let text = "[fuse]\nrating_a = 1.0\nmelting_a2s = 0.8\n[[surge]]\nat_h = 0.001\npeak_a = ";
    for (peak_a, melts) in [("3000.0", true), ("60.0", false)] {
        let mut world = world(&format!("{text}{peak_a}\n"));
        run(&mut world, REST, 14_500);
        assert_eq!(world.fuse_melted().is_some(), melts, "{peak_a}");
    }
}

/// 10/350 flows forty times longer than a sample, and its charge comes through the filter: 0.5005 C at 1 kA
/// (numeric integration apart from this code).
#[test]
fn a_first_stroke_is_seen_for_milliseconds() {
    let mut world = world("[[surge]]\nat_h = 0.001\npeak_a = 20.0\nwave = \"heidler-10/350\"\n");
    let trace = run(&mut world, REST, 14_400 + 200);
    let rest = amps(&trace[14_399]);
    let charge_c: f64 = trace[14_400..].iter().map(|s| amps(s) - rest).sum::<f64>() / 4000.0;
    assert!(
        (charge_c / (0.020 * 0.5005) - 1.0).abs() < 0.03,
        "{charge_c}"
    );
}

fn points(text: &str) -> Vec<(SampleIndex, OperatingPoint)> {
    let mut world = world(text);
    let mut points = Vec::new();
    while world.now() < world.end() {
        world.step(&CONNECTED).unwrap();
        points.push((world.now(), world.operating_point(&CONNECTED).unwrap()));
        jump(&mut world, CONNECTED);
    }
    points
}

/// Every spell is found by skipping from change to change, begins and ends.
#[test]
fn shade_people_and_soil_come_and_go() {
    let text = "[ground]\negc_ohm = inf\nbar_electrode_ohm = 25.0\n\
        [[shade]]\nstring = 2\nmodules = [3, 5]\nlight = 0.2\nfrom_h = 0.1\nto_h = 0.2\n\
        [[person]]\ntouches = \"positive\"\nohm = 1000.0\nfeet_ohm = 500.0\nfrom_h = 0.3\nto_h = 0.4\n\
        [[earth_potential]]\nvolts = 100.0\nat_h = 0.35\nfor_s = 10.0\n";
    let points = points(text);
    let hour = 3600.0 * 4000.0;
    let at = |h: f64| {
        let before = |p: &&(SampleIndex, OperatingPoint)| p.0.0 as f64 <= h * hour + 2.0;
        &points.iter().rfind(before).unwrap().1
    };
    let sunny_a = at(0.05).string_currents_a[1];
    let shaded = at(0.15);
    assert!(shaded.string_currents_a[1] < 0.8 * sunny_a);
    assert!((shaded.string_currents_a[0] / sunny_a - 1.0).abs() < 1e-6);
    assert!((at(0.25).string_currents_a[1] / sunny_a - 1.0).abs() < 1e-6);
    assert!(at(0.25).paths.person_a == 0.0);
    let touched = at(0.31);
    let want_a = touched.v_pos / 1525.0;
    assert!((touched.paths.person_a / want_a - 1.0).abs() < 1e-6);
    let lifted = at(0.351);
    let want_a = (lifted.v_pos - 100.0) / 1525.0;
    assert!((lifted.paths.person_a / want_a - 1.0).abs() < 1e-6);
    assert!(at(0.45).paths.person_a == 0.0);
}

/// 100 V of 60 Hz against a bond of 0.3 Ω behind 1 kΩ: 100 mA peak, with the sine's mean of nothing. Contactor open: none.
#[test]
fn a_converter_s_noise_goes_through_the_bond() {
    let text = "[converter_noise]\nmains_v = 100.0\nsource_ohm = 999.6\n";
    let mut world = world(text);
    let quiet = run(&mut world, REST, 4000);
    let span = |trace: &[Sensed]| {
        let all = trace.iter().map(amps);
        all.clone().fold(f64::MIN, f64::max) - all.fold(f64::MAX, f64::min)
    };
    assert!(span(&quiet[2000..]) < 1e-4);
    let noisy = run(&mut world, CONNECTED, 4000);
    assert!(
        (span(&noisy[2000..]) / 0.2 - 1.0).abs() < 2e-3,
        "{}",
        span(&noisy[2000..])
    );
}

/// Two faults, the dangerous pair: 2 Ω at each conductor. The bond open, the faults alone carry the array's current past
/// the contactor, and no bond current shows it.
#[test]
fn a_double_fault_goes_on_with_the_bond_open() {
    let text = "[[fault]]\nconductor = \"positive\"\nohm = 2.0\n[[fault]]\nconductor = \"negative\"\nohm = 2.0\n";
    let mut world = world(text);
    let open = Switches {
        bond_open: true,
        ..REST
    };
    let point = world.operating_point(&open).unwrap();
    let [pos_a, neg_a] = point.fault_currents_a[..] else {
        panic!("two faults")
    };
    assert!(point.i_bond_a == 0.0);
    assert!((pos_a + neg_a).abs() < 1e-4, "{pos_a} {neg_a}");
    // Two strings of some 7.9 A at 800 W/m² into 4 Ω.
    assert!(pos_a > 15.0, "{pos_a}");
    assert!((point.v_pos / pos_a - 2.0).abs() < 1e-6);
}
