//! What a simulated sample costs, and what a solution of the circuit costs as the array grows.

use criterion::{Criterion, criterion_group, criterion_main};
use ohmward_plant::array::{ArraySettings, Description};
use ohmward_plant::module::ModuleKind;
use ohmward_plant::{Array, Conditions, Contacts, Load, Place, Scenario, Switches, World};
use ohmward_proto::Calibration;
use ohmward_proto::settings::Earthing;
use std::hint::black_box;

const SCENARIO: &str = r#"
name = "bench"
start = "2026-06-01T00:00:00Z"
duration_h = 87000.0
[board]
id = "00000000000000a1"
[array]
strings = 2
modules_per_string = 10
[weather]
fixed = { irradiance_w_m2 = 800.0, cell_temp_c = 45.0 }
[sensors]
hum_bond_ma = 2.0
"#;

fn step(c: &mut Criterion) {
    let scenario = Scenario::parse("bench", SCENARIO).unwrap_or_else(|e| panic!("{e}"));
    let mut world =
        World::new(&scenario, &Calibration::REFERENCE).unwrap_or_else(|e| panic!("{e}"));
    let switches = Switches {
        contactor: true,
        ..Switches::default()
    };
    c.bench_function("step, quiet", |b| {
        b.iter(|| black_box(world.step(black_box(&switches))));
    });
}

fn solve(c: &mut Criterion) {
    let parsed = Scenario::parse("bench", SCENARIO).unwrap_or_else(|e| panic!("{e}"));
    for strings in [2, 10, 50, 250] {
        let settings = ArraySettings {
            strings,
            modules_per_string: 20,
            ..parsed.array.clone()
        };
        let Some(kind) = ModuleKind::named(&settings.module) else {
            return;
        };
        let place = Place::Tap {
            string: 1,
            modules_below: 7,
        };
        let bridge = &Calibration::REFERENCE.bridge;
        let mut array = Array::new(&Description {
            load: Load::WorkingPoint,
            faults: vec![place.into()],
            ..Description::new(&settings, kind, Earthing::NegativeBonded, bridge)
        });
        array.set_fault(0, 1e-4);
        let contacts = Contacts {
            contactor_closed: true,
            ..Contacts::default()
        };
        let mut sunny = false;
        c.bench_function(&format!("tick and solve, {} modules", strings * 20), |b| {
            b.iter(|| {
                sunny = !sunny;
                array.set_conditions(Conditions {
                    irradiance_w_m2: if sunny { 820.0 } else { 800.0 },
                    cell_temp_c: 45.0,
                    wetness: 0.0,
                });
                black_box(array.solve(contacts))
            });
        });
    }
}

criterion_group!(benches, step, solve);
criterion_main!(benches);
