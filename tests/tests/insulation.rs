//! The closed form of the two-state measurement against a numeric solve of the whole array circuit.
//!
//! The circuit (modified nodal analysis with the modules' diodes, `ohmward-plant`) knows nothing of the closed form; the
//! closed form knows nothing of modules. Where they meet is Kirchhoff.

use ohmward::sim::Gear;
use ohmward_core::insulation::fit::settled_pair;
use ohmward_plant::{Scenario, Switches, World};
use ohmward_proto::measure::FaultPlace;
use ohmward_proto::{Calibration, EventKind};
use ohmward_tests::run;

fn scenario(fault: &str) -> Scenario {
    let text = format!(
        r#"
name = "bench"
seed = 1
start = "2026-01-01T12:00:00Z"
duration_h = 1.0
[board]
id = "0000000000000001"
[array]
strings = 2
modules_per_string = 6
insulation_mohm_per_module = 30.0
[load]
kind = "none"
[weather]
fixed = {{ irradiance_w_m2 = 700.0, cell_temp_c = 25.0, wetness = 0.0 }}
{fault}
"#
    );
    Scenario::parse("inline", &text).expect("sound")
}

/// Both settled states from the circuit, through the closed form: (g₊, g₋).
fn measure(scenario: &Scenario) -> (f64, f64) {
    let calibration = Calibration::REFERENCE;
    let mut world = World::new(scenario, &calibration).expect("a circuit");
    let mut ratio = |bridge_pos| {
        let point = world
            .operating_point(&Switches {
                bond_open: true,
                bridge_pos,
                bridge_neg: !bridge_pos,
                ..Switches::default()
            })
            .expect("solves");
        (point.v_pos / -point.v_neg) as f32
    };
    let (a, b) = (ratio(true), ratio(false));
    let (g_pos, g_neg) = settled_pair(a, b, &calibration.bridge).expect("moves");
    (f64::from(g_pos.0), f64::from(g_neg.0))
}

#[test]
fn healthy_array_reads_the_sum_of_its_modules() {
    let (g_pos, g_neg) = measure(&scenario(""));
    let expected = 12.0 / 30e6;
    assert!(
        ((g_pos + g_neg) / expected - 1.0).abs() < 5e-3,
        "{g_pos:e} + {g_neg:e}"
    );
    assert!(
        (g_pos - g_neg).abs() < 5e-3 * expected,
        "alike at both poles"
    );
}

#[test]
fn a_fault_reads_its_resistance_and_its_place() {
    for position in 0..=6u32 {
        for ohm in [2e3, 20e3, 200e3, 2e6] {
            let fault = format!("[[fault]]\nstring = 1\nposition = {position}\nohm = {ohm}\n");
            let (g_pos, g_neg) = measure(&scenario(&fault));
            let (healthy_pos, healthy_neg) = measure(&scenario(""));
            let g = g_pos + g_neg - healthy_pos - healthy_neg;
            assert!(
                (g * ohm - 1.0).abs() < 0.01,
                "{ohm} Ω at {position}: {:.0}",
                1.0 / g
            );
            let place = (g_pos - healthy_pos) / g;
            let expected = f64::from(position) / 6.0;
            assert!(
                (place - expected).abs() < 0.01,
                "{ohm} Ω at {expected}: {place}"
            );
        }
    }
}

/// The whole way on the simulated array of six modules: connected when the fault comes, tripped by insulation, placed with the
/// contactor open to a third of a module.
#[test]
fn the_board_says_where_the_fault_is() {
    for position in [0u32, 2, 5] {
        let fault =
            format!("[[fault]]\nstring = 1\nposition = {position}\nohm = 25e3\nfrom_h = 0.01\n");
        let mut scenario = scenario(&fault);
        scenario.duration_h = 0.07;
        scenario.settings.check.every_s = 60;
        let said = run(&scenario, Gear::EverySample);
        let places: Vec<_> = said
            .events
            .iter()
            .filter_map(|e| match e.kind {
                EventKind::FaultPlaced {
                    place: FaultPlace::At { fraction, sigma },
                    ..
                } => Some((f64::from(fraction), sigma)),
                _ => None,
            })
            .collect();
        let [(fraction, sigma)] = places[..] else {
            panic!("{:?}", said.events);
        };
        let modules = (fraction * 6.0 - f64::from(position)).abs();
        println!(
            "position {position}: {:.2} ± {:.2}",
            fraction * 6.0,
            sigma * 6.0
        );
        assert!(modules < 1.0 / 3.0, "{position}: {modules} modules off");
    }
}
