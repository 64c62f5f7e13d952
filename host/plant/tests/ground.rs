//! Frames, bar, electrodes and a person: hand calculation (Ohm's and Kirchhoff's laws) with the pole voltage of the
//! solved circuit, which `array.rs` checks against outside values.

use ohmward_plant::array::{ArraySettings, Touch};
use ohmward_plant::module::ModuleKind;
use ohmward_plant::{
    Array, Conditions, Contacts, Description, End, FarEnd, FaultPath, GroundPaths, Load,
    OperatingPoint, Person, Place,
};
use ohmward_proto::settings::{Bridge, Earthing};
use ohmward_proto::{Calibration, Siemens};

const STC: Conditions = Conditions {
    irradiance_w_m2: 1000.0,
    cell_temp_c: 25.0,
    wetness: 0.0,
};
const CLOSED: Contacts = Contacts {
    contactor_closed: true,
    bond_open: false,
    bridge_pos: false,
    bridge_neg: false,
};

fn settings(main_cable_ohm: f64) -> ArraySettings {
    ArraySettings {
        strings: 2,
        modules_per_string: 10,
        module: "mono60-300w".to_owned(),
        string_cable_ohm: 0.2,
        main_cable_ohm,
        insulation_mohm_per_module: 1e7,
        leakage_nf_per_module: 25.0,
        activation_energy_ev: 0.7,
        wet_factor: 0.0,
        wet_capacitance_factor: 1.0,
        capacitance_percent_per_k: 0.0,
    }
}

fn array(ground: GroundPaths, main_cable_ohm: f64, faults: Vec<FaultPath>) -> Array {
    let settings = settings(main_cable_ohm);
    let kind = ModuleKind::named(&settings.module).unwrap();
    let bridge = Bridge {
        g_permanent: Siemens(0.0),
        ..Calibration::REFERENCE.bridge
    };
    let mut array = Array::new(&Description {
        ground,
        load: Load::WorkingPoint,
        faults,
        ..Description::new(&settings, kind, Earthing::NegativeBonded, &bridge)
    });
    array.set_conditions(STC);
    array
}

fn close(name: &str, got: f64, want: f64) {
    assert!(
        (got - want).abs() <= 1e-6 * want.abs() + 1e-7,
        "{name}: {got} not {want}"
    );
}

/// What enters a node leaves it: frames, bar and soil.
fn kirchhoff(point: &OperatingPoint, frame_fault_a: f64, soil_fault_a: f64, at_frame: bool) {
    let p = &point.paths;
    let from_frame = if at_frame { p.person_a } else { 0.0 };
    let frame = p.leakage_a + frame_fault_a - p.egc_a - p.tie_a - p.array_electrode_a - from_frame;
    let soil = p.array_electrode_a + p.bar_electrode_a + p.person_a + soil_fault_a;
    let bar = point.i_bond_a + p.egc_a + p.tie_a - p.bar_electrode_a;
    for (name, left_a) in [("frame", frame), ("soil", soil), ("bar", bar)] {
        assert!(
            left_a.abs() < 1e-7,
            "{left_a} A left at the {name}: {point:?}"
        );
    }
}

const POSITIVE: Place = Place::Positive(End::Array);

/// The EGC carries the fault and is the only way back: 20 Ω + 1 Ω + 0.3 Ω of bond. Electrodes of 25 and 40 Ω beside it
/// take 1/66 of it. Broken, the earth must carry all of it and the frames stand at most of the array's voltage.
#[test]
fn the_earth_is_no_fault_path() {
    let rods = GroundPaths {
        egc_ohm: Some(1.0),
        bar_electrode_ohm: Some(25.0),
        array_electrode_ohm: Some(40.0),
        ..GroundPaths::default()
    };
    let mut whole = array(rods, 0.0, vec![POSITIVE.into()]);
    whole.set_fault(0, 1.0 / 20.0);
    let point = whole.solve(CLOSED).unwrap();
    let way_ohm = 1.0 / (1.0 + 1.0 / 65.0);
    let i_a = point.v_pos / (20.0 + way_ohm);
    close("fault", point.fault_currents_a[0], i_a);
    close("bond", point.i_bond_a, -i_a);
    close("EGC", point.paths.egc_a, i_a * 65.0 / 66.0);
    close("rods", point.paths.array_electrode_a, i_a / 66.0);
    close("frame", point.paths.v_frame, i_a * 65.0 / 66.0);
    kirchhoff(&point, i_a, 0.0, false);

    let mut broken = array(
        GroundPaths {
            egc_ohm: Some(f64::INFINITY),
            ..rods
        },
        0.0,
        vec![POSITIVE.into()],
    );
    broken.set_fault(0, 1.0 / 20.0);
    let point = broken.solve(CLOSED).unwrap();
    let i_a = point.v_pos / (20.0 + 65.0);
    close("fault", point.fault_currents_a[0], i_a);
    close("EGC", point.paths.egc_a, 0.0);
    close("frame", point.paths.v_frame, i_a * 65.0);
    close("soil", point.paths.v_soil_array, i_a * 25.0);
    assert!(point.paths.v_frame > 200.0, "{}", point.paths.v_frame);
    kirchhoff(&point, i_a, 0.0, false);
}

/// A person of 1 kΩ and 500 Ω of shoes and soil at a frame whose EGC is broken, and at a bare conductor.
#[test]
fn a_person_carries_what_ohms_law_says() {
    let ground = GroundPaths {
        egc_ohm: Some(f64::INFINITY),
        bar_electrode_ohm: Some(25.0),
        ..GroundPaths::default()
    };
    let mut hurt = array(ground, 0.0, vec![POSITIVE.into()]);
    hurt.set_fault(0, 1.0 / 20.0);
    hurt.set_person(Some(Person {
        touches: Touch::Frame,
        ohm: 1000.0,
        feet_ohm: 500.0,
    }));
    let point = hurt.solve(CLOSED).unwrap();
    let i_a = point.v_pos / (20.0 + 1500.0 + 25.0);
    close("person", point.paths.person_a, i_a);
    close("person", point.paths.person_v, i_a * 1500.0);
    kirchhoff(&point, i_a, 0.0, true);

    hurt.set_fault(0, 0.0);
    hurt.set_person(Some(Person {
        touches: Touch::Conductor(POSITIVE),
        ohm: 1000.0,
        feet_ohm: 500.0,
    }));
    let point = hurt.solve(CLOSED).unwrap();
    close("bare", point.paths.person_a, point.v_pos / 1525.0);
    kirchhoff(&point, 0.0, 0.0, false);
    hurt.set_person(None);
    assert!(hurt.solve(CLOSED).unwrap().i_bond_a.abs() < 1e-6);
}

/// 300 V between the soils: round through rod, EGC and rod (40 + 1 + 25 Ω), nothing through the bond; a tie beside the
/// EGC shares by conductance. In the dark as well.
#[test]
fn a_strike_nearby_drives_a_current_round() {
    let ground = GroundPaths {
        egc_ohm: Some(1.0),
        bar_electrode_ohm: Some(25.0),
        array_electrode_ohm: Some(40.0),
        electrode_tie_ohm: Some(0.25),
        earth_potential_v: Some(300.0),
    };
    let mut struck = array(ground, 0.0, vec![]);
    for irradiance_w_m2 in [1000.0, 0.0] {
        struck.set_conditions(Conditions {
            irradiance_w_m2,
            ..STC
        });
        let point = struck.solve(CLOSED).unwrap();
        let i_a = 300.0 / (65.0 + 0.2);
        close("array electrode", point.paths.array_electrode_a, -i_a);
        close("bar electrode", point.paths.bar_electrode_a, i_a);
        close("EGC", point.paths.egc_a, 0.2 * i_a);
        close("tie", point.paths.tie_a, 0.8 * i_a);
        close("soil", point.paths.v_soil_array, 300.0 - 25.0 * i_a);
        assert!(point.i_bond_a.abs() < 1e-6, "{}", point.i_bond_a);
        kirchhoff(&point, 0.0, 0.0, false);
    }
}

/// A fault into wet soil misses frames and EGC: 20 Ω, the bar's electrode, the bond.
#[test]
fn a_fault_to_the_soil_comes_back_through_the_bar_s_electrode() {
    let ground = GroundPaths {
        egc_ohm: Some(1.0),
        bar_electrode_ohm: Some(25.0),
        ..GroundPaths::default()
    };
    let path = FaultPath {
        place: POSITIVE,
        to: FarEnd::Soil,
    };
    let mut wet = array(ground, 0.0, vec![path]);
    wet.set_fault(0, 1.0 / 20.0);
    let point = wet.solve(CLOSED).unwrap();
    let i_a = point.v_pos / 45.0;
    close("fault", point.fault_currents_a[0], i_a);
    close("bar electrode", point.paths.bar_electrode_a, -i_a);
    close("EGC", point.paths.egc_a, point.paths.leakage_a);
    kirchhoff(&point, 0.0, i_a, false);
}

/// A second bond of 0.5 Ω beside the monitor's 0.3 Ω, on a main cable of 0.1 Ω a conductor that carries both strings: at
/// the array end it takes I·R_main/(R_main + R_second + R_bond) from the cable, at the monitor nothing.
#[test]
fn a_second_bond_takes_part_of_the_load_current() {
    for (end, to) in [(End::Array, FarEnd::Frame), (End::Monitor, FarEnd::Bar)] {
        let path = FaultPath {
            place: Place::Negative(end),
            to,
        };
        let mut second = array(GroundPaths::default(), 0.1, vec![path]);
        second.set_fault(0, 2.0);
        let point = second.solve(CLOSED).unwrap();
        let load_a: f64 = point.string_currents_a.iter().sum();
        let want = match end {
            End::Array => load_a * 0.1 / (0.1 + 0.5 + 0.3),
            End::Monitor => 0.0,
        };
        close("bond", point.i_bond_a, want);
        assert!((load_a / 18.45 - 1.0).abs() < 0.01, "{load_a}");
    }
}
