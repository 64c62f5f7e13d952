//! Insulation that grows old, as the poles of the array show it.

use ohmward_plant::{Scenario, Switches, World};
use ohmward_proto::Calibration;

const SCENARIO: &str = r#"name = "t"
start = "2026-06-01T00:00:00Z"
duration_h = 20000.0
[board]
id = "00000000000000a1"
[array]
strings = 2
modules_per_string = 10
string_cable_ohm = 0.0
insulation_mohm_per_module = 200.0
activation_energy_ev = 0.0
[load]
kind = "none"
[weather]
step_s = 3600
fixed = { irradiance_w_m2 = 800.0, cell_temp_c = 25.0 }
[ageing]
AGEING
"#;

/// Leakage of both poles, S, with the bond open, from the exact two-state reading; and the dividers' share taken off.
fn poles_s(ageing: &str, at_h: f64) -> (f64, f64) {
    let scenario = Scenario::parse("t.toml", &SCENARIO.replace("AGEING", ageing)).expect("sound");
    let calibration = Calibration::REFERENCE;
    let mut world = World::new(&scenario, &calibration).expect("starts");
    let quiet = Switches::default();
    let end = (at_h * 3600.0 * 4000.0) as u64;
    while world.now().0 < end {
        world.step(&quiet).expect("runs");
        if world.settled() {
            let next = world.next_change().0.min(end);
            world.skip_to(ohmward_proto::SampleIndex(next));
        }
    }
    world.step(&quiet).expect("runs");
    let ratio = |switches: Switches, world: &mut World| {
        let point = world.operating_point(&switches).expect("solves");
        point.v_pos / -point.v_neg
    };
    let open = Switches {
        bond_open: true,
        ..quiet
    };
    let a = ratio(
        Switches {
            bridge_pos: true,
            ..open
        },
        &mut world,
    );
    let b = ratio(
        Switches {
            bridge_neg: true,
            ..open
        },
        &mut world,
    );
    // The closed form of the design, section 4.
    let bridge = calibration.bridge;
    let [gm, ga, gb] = [
        bridge.g_permanent,
        bridge.g_switched_pos,
        bridge.g_switched_neg,
    ]
    .map(|g| f64::from(g.0));
    let pos = (a * ga + gb) / (b - a);
    (pos - gm, a * (pos + ga) - gm)
}

/// 20 modules of 200 MΩ are 100 nS, half at each pole while all are alike. By hand: with a decline to a half every year the
/// conductance doubles; at one end alone the mean of a string is 1.5 times as conductive, and what a module leaks counts for
/// the poles by its place: Σ x·(1 + x) over the string is 0.5 + 1/3 (+ 1/600 for ten modules), Σ (1 − x)·(1 + x) the rest.
#[test]
fn decline_and_steps_show_at_the_poles() {
    let year = 8766.0;
    let near = |got: f64, want_ns: f64| {
        assert!(
            (got * 1e9 / want_ns - 1.0).abs() < 2e-3,
            "{got} not {want_ns} nS"
        );
    };
    let (pos, neg) = poles_s("", 1.0);
    near(pos, 50.0);
    near(neg, 50.0);
    let (pos, neg) = poles_s("decline_percent_per_year = 50.0", year);
    near(pos, 100.0);
    near(neg, 100.0);
    let (pos, neg) = poles_s("decline_percent_per_year = 50.0\nend = \"positive\"", year);
    near(pos + neg, 150.0);
    near(pos, 100.0 * (0.5 + 1.0 / 3.0 + 1.0 / 600.0));
    let step = "[[ageing.step]]\nat_h = 100.0\nleft = 0.25\n";
    near(poles_s(step, 99.0).0, 50.0);
    near(poles_s(step, 101.0).0, 200.0);
}

#[test]
fn impossible_ageing_is_told() {
    for (text, wanted) in [
        (
            "decline_percent_per_year = 100.0",
            "t.toml:18: ageing.decline_percent_per_year: 100 is out of range",
        ),
        (
            "[[ageing.step]]\nat_h = 1.0\nleft = 0.0",
            "t.toml:20: ageing.step.left: 0 is out of range",
        ),
        ("speed = 1", "t.toml:18: ageing.speed: unknown key"),
    ] {
        let error = Scenario::parse("t.toml", &SCENARIO.replace("AGEING", text))
            .expect_err(wanted)
            .to_string();
        assert!(error.starts_with(wanted), "{error}\nnot {wanted}");
    }
}
