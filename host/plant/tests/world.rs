//! The world as a board meets it.

use ohmward_plant::{Scenario, Sensed, Switches, World};
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
leakage_nf_per_module = 100.0
insulation_mohm_per_module = 200.0
capacitance_percent_per_k = 0.0
"#;
const SUNNY: &str = "[weather]\nfixed = { irradiance_w_m2 = 800.0, cell_temp_c = 45.0 }\n";
const SILENT: &str =
    "[sensors]\nfine_noise_ma = 0.0\nwide_noise_ma = 0.0\npole_noise_v = 0.0\nbits = 16\n";
const REST: Switches = Switches {
    contactor: false,
    bond_open: false,
    bridge_pos: false,
    bridge_neg: false,
    inject: false,
};
const CHECK_A: Switches = Switches {
    bond_open: true,
    bridge_pos: true,
    ..REST
};
const CHECK_B: Switches = Switches {
    bond_open: true,
    bridge_neg: true,
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

fn volts(sensed: &Sensed) -> (f64, f64) {
    let c = &Calibration::REFERENCE;
    (
        f64::from(c.v_pos.value(sensed.codes.v_pos)),
        f64::from(c.v_neg.value(sensed.codes.v_neg)),
    )
}

fn amps(sensed: &Sensed) -> f64 {
    f64::from(Calibration::REFERENCE.i_bond(&sensed.codes).0)
}

#[test]
fn same_seed_same_codes_and_another_others() {
    let text = format!("{HEAD}[weather]\ncloudiness = 0.5\nlongitude_deg = 180.0\n");
    let trace = |text: &str| {
        let scenario = Scenario::parse("t", text).unwrap();
        let mut world = World::new(&scenario, &Calibration::REFERENCE).unwrap();
        let mut all = run(
            &mut world,
            Switches {
                contactor: true,
                ..REST
            },
            300_000,
        );
        all.extend(run(&mut world, CHECK_A, 3000));
        all
    };
    assert_eq!(trace(&text), trace(&text));
    assert_ne!(trace(&text), trace(&text.replace("seed = 3", "seed = 4")));
}

/// Opening the bond and switching the bridge: the poles run exponentially to the new state with τ = C/Σg.
/// C = 20·100 nF = 2 µF; Σg = 2·0.5 µS dividers + 5 µS bridge + the insulation of 20 modules.
#[test]
fn poles_settle_with_c_over_g() {
    let mut world = world(&format!("{SUNNY}{SILENT}"));
    run(&mut world, REST, 400);
    assert!(world.settled());
    let point = world.operating_point(&CHECK_A).unwrap();
    // Arrhenius, 0.7 eV from 25 to 45 °C, k = 8.617333e-5 eV/K: ×5.543 (hand calculation).
    let g = 1e-6 + 5e-6 + 20.0 * 5e-9 * 5.543;
    assert!(
        (point.g_earth_s / g - 1.0).abs() < 1e-3,
        "{} not {g}",
        point.g_earth_s
    );
    let tau_samples = 2e-6 / g * 4000.0;
    let trace = run(&mut world, CHECK_A, (10.0 * tau_samples) as u64);
    let end = point.v_pos;
    let first = volts(&trace[0]).0 - end;
    let later = volts(&trace[tau_samples as usize]).0 - end;
    // τ in whole samples: the exponent is known to 1/1300.
    assert!(
        (later / first * std::f64::consts::E - 1.0).abs() < 3e-3,
        "{first} {later}"
    );
    assert!((volts(trace.last().unwrap()).0 - end).abs() < 0.05);
    // The difference of the poles does not wait.
    let (pos, neg) = volts(&trace[0]);
    assert!((pos - neg - (point.v_pos - point.v_neg)).abs() < 0.1);
}

#[test]
fn skipping_ends_where_stepping_ends() {
    let text = format!("{SUNNY}{SILENT}[[fault]]\nstring = 1\nposition = 4\nohm = 3e5\n");
    let (mut walked, mut jumped) = (world(&text), world(&text));
    for world in [&mut walked, &mut jumped] {
        run(world, REST, 100);
        run(world, CHECK_A, 40_000);
        assert!(world.settled());
    }
    let to = walked.next_change();
    assert_eq!(to, SampleIndex(60 * 4000));
    while walked.now() < to {
        walked.step(&CHECK_A).unwrap();
    }
    jumped.skip_to(to);
    assert_eq!(run(&mut walked, CHECK_A, 10), run(&mut jumped, CHECK_A, 10));
    assert_eq!(
        run(&mut walked, CHECK_B, 1000),
        run(&mut jumped, CHECK_B, 1000)
    );
}

#[test]
#[should_panic(expected = "must not pass next_change")]
fn skipping_past_a_change_is_refused() {
    let mut world = world(SUNNY);
    run(&mut world, REST, 100);
    world.skip_to(world.next_change().after(1));
}

#[test]
fn fault_shows_on_its_sample_and_goes() {
    let mut world = world(&format!(
        "{SUNNY}{SILENT}[[fault]]\nstring = 1\nposition = 10\nohm = 1000.0\nfrom_h = 0.001\nto_h = 0.002\n"
    ));
    run(&mut world, REST, 2);
    assert_eq!(world.next_change(), SampleIndex(14_400));
    let trace = run(&mut world, REST, 40_000);
    let at = |sample: usize| amps(&trace[sample - 2]);
    // Before and after, the dividers and the insulation send a milliampere or less through the bond.
    let before = at(14_399);
    assert!(before.abs() < 1e-3, "{before}");
    // Ten open modules at 800 W/m² 45 °C (36.793328 V each, pvlib 0.16.1) over 1000 Ω, bond and cable.
    assert!(
        (at(14_440) / (-367.933 / 1000.4) - 1.0).abs() < 2e-3,
        "{}",
        at(14_440)
    );
    assert!((at(28_840) - before).abs() < 1e-4);
}

/// 3 kA leaves 52 mC (0.017457 C/kA): far over 25 A for a sample or three, and gone within 10 ms. 60 A leaves
/// 1.047 mC and saturates nothing.
#[test]
fn surges_saturate_shortly() {
    for (peak_a, saturated_samples, charge_c) in
        [(3000.0, 1..=3, None), (60.0, 0..=0, Some(1.0474e-3))]
    {
        let mut world = world(&format!(
            "{SUNNY}{SILENT}[[surge]]\nat_h = 0.001\npeak_a = {peak_a:.1}\n"
        ));
        let trace = run(&mut world, REST, 14_440);
        let saturated = trace
            .iter()
            .filter(|s| Calibration::REFERENCE.at_rail(s.codes.i_wide))
            .count();
        assert!(
            saturated_samples.contains(&saturated),
            "{peak_a} A: {saturated}"
        );
        let before = amps(&trace[0]);
        assert!((amps(trace.last().unwrap()) - before).abs() < 1e-3);
        if let Some(charge_c) = charge_c {
            let got: f64 = trace[14_400..]
                .iter()
                .map(|s| f64::from(Calibration::REFERENCE.i_wide.value(s.codes.i_wide)) - before)
                .sum::<f64>()
                / 4000.0;
            // What a 1 kHz filter lets through at 4 kHz and 8 kHz (1/16, 1/64, both sides) folds onto the sum.
            assert!((got / charge_c - 1.0_f64).abs() < 0.16, "{got}");
        }
        assert!(world.settled());
    }
}

#[test]
fn buttons_welds_and_feedback() {
    let mut world = world(&format!(
        "{SUNNY}[[press]]\nbutton = \"reset\"\nat_h = 0.001\nfor_s = 0.5\n[[press]]\nbutton = \"arm\"\nat_h = 0.0\nfor_s = 1.0\n[[weld]]\nfrom_h = 0.001\n"
    ));
    let closed = Switches {
        contactor: true,
        ..REST
    };
    let trace = run(&mut world, closed, 14_400);
    assert!(
        !trace[159].contactor_feedback && trace[160].contactor_feedback,
        "40 ms at 4 kS/s"
    );
    assert!(trace[3999].arm && !trace[4000].arm);
    assert!(!trace.iter().any(|s| s.reset));
    let trace = run(&mut world, REST, 8000);
    assert!(trace[0].reset && trace[1999].reset && !trace[2000].reset);
    assert!(trace.iter().all(|s| s.contactor_feedback), "welded");
}

#[test]
fn night_is_dark_and_costs_no_solution() {
    let mut world = world(&format!("{SILENT}[weather]\nlongitude_deg = 0.0\n"));
    let trace = run(&mut world, REST, 4000);
    assert!(
        trace
            .iter()
            .all(|s| volts(s) == (0.0, 0.0) && amps(s) == 0.0)
    );
    while world.now() < world.end() {
        world.step(&REST).unwrap();
        world.skip_to(world.next_change());
    }
    assert!(world.sky().conditions.irradiance_w_m2 <= 0.0);
    assert_eq!(
        world.unix_ms(world.end()) - world.unix_ms(SampleIndex(0)),
        3_600_000
    );
}

/// Two days of the example, quiet time skipped: light and dark, a dry noon and a wet one, both faults.
#[test]
fn two_days_in_jumps() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/small.toml");
    let scenario = Scenario::load(std::path::Path::new(path)).unwrap();
    let mut world = World::new(&scenario, &Calibration::REFERENCE).unwrap();
    let hour = 3600 * 4000;
    let (mut steps, mut lit, mut worst_a) = (0_u64, 0_u64, 0.0_f64);
    let mut g_earth_s = Vec::new();
    while world.now() < world.end() {
        if world.now().0.is_multiple_of(hour) {
            g_earth_s.push(world.operating_point(&CHECK_A).unwrap().g_earth_s);
        }
        let sensed = world.step(&REST).unwrap();
        steps += 1;
        worst_a = worst_a.max(amps(&sensed).abs());
        lit += u64::from(volts(&sensed).0 > 100.0);
        if world.settled() {
            world.skip_to(world.next_change());
        }
    }
    assert!(steps < 400_000, "{steps} of {} samples", world.end().0);
    assert!(lit > 1000 && lit < steps - 1000, "{lit} of {steps}");
    assert!(worst_a > 20.0, "the surge: {worst_a} A");
    // 31 h is in the rain with the connector far gone; 8 h is dry and early.
    assert!(
        g_earth_s[31] - 6e-6 > 10.0 * (g_earth_s[8] - 6e-6),
        "{g_earth_s:?}"
    );
}

#[test]
fn self_test_current_is_seen() {
    let mut world = world(&format!("{SUNNY}{SILENT}"));
    run(&mut world, REST, 100);
    let with = amps(
        &world
            .step(&Switches {
                inject: true,
                ..REST
            })
            .unwrap(),
    );
    let without = amps(&world.step(&REST).unwrap());
    assert!((with - without - 0.1).abs() < 2e-4);
}
