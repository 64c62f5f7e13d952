//! Operating points and transients of drawn arrays against ngspice.
//!
//! `tests/reference/array_ngspice.py` writes the netlists from a description of its own and stored what ngspice gave; CI makes
//! the values again. Bounds: 0.1 % of every operating point, 0.5 % of full scale at every 10 ms of a transient.

use ohmward_plant::array::{ArraySettings, EarthingParts};
use ohmward_plant::fault::FaultSettings;
use ohmward_plant::module::ModuleKind;
use ohmward_plant::scenario::PersonSettings;
use ohmward_plant::transient::{Target, Transient};
use ohmward_plant::{Array, Conditions, Contacts, Description, GroundPaths, Load};
use ohmward_proto::Calibration;
use ohmward_proto::settings::Earthing;
use serde::Deserialize;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case<T> {
    name: String,
    module: String,
    strings: u32,
    modules_per_string: u32,
    string_cable_ohm: f64,
    main_cable_ohm: f64,
    insulation_mohm_per_module: f64,
    leakage_nf_per_module: f64,
    irradiance_w_m2: f64,
    cell_temp_c: f64,
    earthing: Earthing,
    fuse_ohm: f64,
    shunt_ohm: f64,
    high_resistance_ohm: f64,
    ground: GroundPaths,
    load: String,
    battery_v: f64,
    battery_ohm: f64,
    /// String, first and last module, all from 1, and the share of the light.
    shade: Vec<(u32, u32, u32, f64)>,
    fault: Vec<FaultSettings>,
    person: Option<PersonSettings>,
    contactor_closed: bool,
    bond_open: bool,
    bridge_pos: bool,
    bridge_neg: bool,
    expect: T,
}

#[derive(Deserialize)]
struct File<T> {
    case: Vec<Case<T>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Point {
    v_pos: f64,
    v_neg: f64,
    i_bond_a: f64,
    string_currents_a: Vec<f64>,
    fault_currents_a: Vec<f64>,
    egc_a: Option<f64>,
    v_frame: Option<f64>,
    person_a: Option<f64>,
}

fn cases<T: serde::de::DeserializeOwned>(name: &str) -> Vec<Case<T>> {
    let path = format!(
        "{}/../../tests/data/ngspice/{name}",
        env!("CARGO_MANIFEST_DIR")
    );
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let file: File<T> = toml::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}"));
    file.case
}

impl<T> Case<T> {
    fn array(&self) -> Array {
        let settings = ArraySettings {
            strings: self.strings,
            modules_per_string: self.modules_per_string,
            module: self.module.clone(),
            string_cable_ohm: self.string_cable_ohm,
            main_cable_ohm: self.main_cable_ohm,
            insulation_mohm_per_module: self.insulation_mohm_per_module,
            leakage_nf_per_module: self.leakage_nf_per_module,
            // Insulation has tests of its own: here its resistance is what the case says.
            activation_energy_ev: 0.0,
            wet_factor: 0.0,
            wet_capacitance_factor: 1.0,
            capacitance_percent_per_k: 0.0,
        };
        let load = match self.load.as_str() {
            "none" => Load::None,
            "battery" => Load::Battery {
                volts: self.battery_v,
                series_ohm: self.battery_ohm,
            },
            "working-point" => Load::WorkingPoint,
            other => panic!("{other}"),
        };
        let high = self.earthing == Earthing::HighResistance;
        let mut array = Array::new(&Description {
            parts: EarthingParts {
                fuse_ohm: self.fuse_ohm,
                shunt_ohm: self.shunt_ohm,
                high_resistance_ohm: high.then_some(self.high_resistance_ohm),
            },
            ground: self.ground,
            load,
            faults: self.fault.iter().map(|f| f.path().unwrap()).collect(),
            ..Description::new(
                &settings,
                ModuleKind::named(&self.module).unwrap(),
                self.earthing,
                &Calibration::REFERENCE.bridge,
            )
        });
        array.set_conditions(Conditions {
            irradiance_w_m2: self.irradiance_w_m2,
            cell_temp_c: self.cell_temp_c,
            wetness: 0.0,
        });
        for (string, first, last, light) in &self.shade {
            array.set_light(string - 1, first - 1..*last, *light);
        }
        for (k, fault) in self.fault.iter().enumerate() {
            array.set_fault(k, 1.0 / fault.ohm.unwrap());
        }
        array.set_person(self.person.map(|p| p.person()));
        array
    }

    fn contacts(&self) -> Contacts {
        Contacts {
            contactor_closed: self.contactor_closed,
            bond_open: self.bond_open,
            bridge_pos: self.bridge_pos,
            bridge_neg: self.bridge_neg,
        }
    }
}

/// Below a thousand of these only the difference counts: both solvers stop at about a nanoampere left over at a node, which
/// is all that flows in an open string or along a conductor that leads nowhere. A millionth of a channel's step.
const FLOOR_A: f64 = 1e-8;
const FLOOR_V: f64 = 1e-6;
const PART: f64 = 1e-3;

#[test]
fn operating_points() {
    let cases: Vec<Case<Point>> = cases("points.toml");
    // What they are meant to cover.
    let with = |what: &dyn Fn(&Case<Point>) -> bool| cases.iter().filter(|c| what(c)).count();
    for earthing in [
        Earthing::NegativeBonded,
        Earthing::PositiveBonded,
        Earthing::HighResistance,
        Earthing::NotEarthed,
    ] {
        assert!(with(&|c| c.earthing == earthing) >= 30, "{earthing:?}");
    }
    assert!(with(&|c| !c.ground.is_ideal()) >= 30);
    assert!(with(&|c| !c.shade.is_empty()) >= 30);
    assert!(with(&|c| c.fault.len() >= 2) >= 30);
    assert!(with(&|c| c.load == "battery" && c.contactor_closed) >= 15);
    assert!(with(&|c| c.load == "working-point" && c.contactor_closed) >= 20);
    assert!(with(&|c| c.bond_open) >= 20);
    let mut worst = std::collections::BTreeMap::<&str, (f64, String)>::new();
    let mut beyond = Vec::new();
    for case in &cases {
        let point = case
            .array()
            .solve(case.contacts())
            .unwrap_or_else(|e| panic!("{}: {e}", case.name));
        let want = &case.expect;
        let mut pairs = vec![
            ("v_pos", point.v_pos, want.v_pos, FLOOR_V),
            ("v_neg", point.v_neg, want.v_neg, FLOOR_V),
            ("i_bond_a", point.i_bond_a, want.i_bond_a, FLOOR_A),
        ];
        let mut lists = |name, got: &[f64], want: &[f64]| {
            assert_eq!(got.len(), want.len());
            pairs.extend(got.iter().zip(want).map(|(g, w)| (name, *g, *w, FLOOR_A)));
        };
        lists("string", &point.string_currents_a, &want.string_currents_a);
        lists("fault", &point.fault_currents_a, &want.fault_currents_a);
        for (name, got, want, floor) in [
            ("egc_a", point.paths.egc_a, want.egc_a, FLOOR_A),
            ("v_frame", point.paths.v_frame, want.v_frame, FLOOR_V),
            ("person_a", point.paths.person_a, want.person_a, FLOOR_A),
        ] {
            pairs.extend(want.map(|want| (name, got, want, floor)));
        }
        for (name, got, want, floor) in pairs {
            let off = (got - want).abs();
            let part = if want.abs() < floor / PART {
                off / floor * PART
            } else {
                off / want.abs()
            };
            if part > PART {
                beyond.push(format!("{} {name}: {got} not {want}", case.name));
            }
            let entry = worst.entry(name).or_default();
            if part >= entry.0 {
                *entry = (part, format!("{}: {got} {want}", case.name));
            }
        }
    }
    for (name, (part, at)) in &worst {
        println!("{name}: worst {part:.2e} of the value, {at}");
    }
    assert!(beyond.is_empty(), "{}", beyond.join("\n"));
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Trace {
    first_s: f64,
    v_pos: Vec<f64>,
    v_neg: Vec<f64>,
}

const SAMPLE_S: f64 = 250e-6;
const TICK_SAMPLES: usize = 40;

/// Bond closed; from 0.5 s open with the bridge at the positive, from 1 s at the negative, from 1.5 s at none. Full scale is
/// the larger open-circuit voltage between the poles of the case itself, not of the channel: the harder bound.
#[test]
fn two_state_transients() {
    let cases: Vec<Case<Trace>> = cases("transients.toml");
    assert!(cases.len() >= 12, "{}", cases.len());
    let mut beyond = Vec::new();
    for case in &cases {
        let mut array = case.array();
        let want = &case.expect;
        let full_v = want.v_pos.iter().zip(&want.v_neg).map(|(p, n)| p - n);
        let full_v = full_v.fold(0.0, f64::max);
        let skip = (want.first_s / SAMPLE_S).round() as usize;
        let mut transient: Option<Transient> = None;
        let mut got = Vec::new();
        for (bond_open, bridge_pos, bridge_neg) in [
            (false, false, false),
            (true, true, false),
            (true, false, true),
            (true, false, false),
        ] {
            let contacts = Contacts {
                contactor_closed: false,
                bond_open,
                bridge_pos,
                bridge_neg,
            };
            let target = Target::new(array.solve(contacts).unwrap(), SAMPLE_S);
            match &mut transient {
                None => transient = Some(Transient::at(target, SAMPLE_S)),
                Some(t) => t.enter(&mut array, contacts, target).unwrap(),
            }
            let transient = transient.as_mut().unwrap();
            for _ in 0..2000 {
                let electrical = transient.step(&mut array).unwrap();
                got.push((electrical.v_pos, electrical.v_neg));
            }
        }
        let mut worst = (0.0, String::new());
        for (k, (pos, neg)) in want.v_pos.iter().zip(&want.v_neg).enumerate() {
            let (got_pos, got_neg) = got[k * TICK_SAMPLES + skip - 1];
            for (name, got, want) in [("v_pos", got_pos, *pos), ("v_neg", got_neg, *neg)] {
                let part = (got - want).abs() / full_v;
                if part > worst.0 {
                    worst = (part, format!("{name} at {k}0 ms: {got} not {want}"));
                }
            }
        }
        println!(
            "{}: {:.4} % of {full_v:.1} V, {}",
            case.name,
            worst.0 * 100.0,
            worst.1
        );
        if worst.0 > 5e-3 {
            beyond.push(format!("{}: {}", case.name, worst.1));
        }
    }
    assert!(beyond.is_empty(), "{}", beyond.join("\n"));
}
