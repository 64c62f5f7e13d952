//! Whole circuits against values from outside this crate; the source stands at each.

// Digits as the tools printed them.
#![allow(clippy::unreadable_literal, clippy::excessive_precision)]

use ohmward_plant::array::{ArraySettings, EarthingParts};
use ohmward_plant::module::ModuleKind;
use ohmward_plant::{Array, Conditions, Contacts, Description, End, Load, OperatingPoint, Place};
use ohmward_proto::settings::{Bridge, Earthing};
use ohmward_proto::{Calibration, Siemens};

const STC: Conditions = Conditions {
    irradiance_w_m2: 1000.0,
    cell_temp_c: 25.0,
    wetness: 0.0,
};

const NO_BRIDGE: Bridge = Bridge {
    g_permanent: Siemens(0.0),
    g_switched_pos: Siemens(0.0),
    g_switched_neg: Siemens(0.0),
};

fn settings(strings: u32, modules_per_string: u32) -> ArraySettings {
    ArraySettings {
        strings,
        modules_per_string,
        module: "mono60-300w".to_owned(),
        string_cable_ohm: 0.0,
        main_cable_ohm: 0.0,
        // Out of the way: the outside values know no leakage.
        insulation_mohm_per_module: 1e7,
        leakage_nf_per_module: 25.0,
        activation_energy_ev: 0.7,
        wet_factor: 0.0,
        wet_capacitance_factor: 1.0,
        capacitance_percent_per_k: 0.0,
    }
}

struct Built {
    array: Array,
}

impl Built {
    fn new(
        settings: &ArraySettings,
        earthing: Earthing,
        parts: EarthingParts,
        load: Load,
        bridge: &Bridge,
        place: Place,
    ) -> Self {
        let kind = ModuleKind::named(&settings.module).unwrap();
        let mut array = Array::new(&Description {
            parts,
            load,
            faults: vec![place.into()],
            ..Description::new(settings, kind, earthing, bridge)
        });
        array.set_conditions(STC);
        Self { array }
    }

    fn with_fault(&mut self, ohm: f64, contacts: Contacts) -> OperatingPoint {
        self.array.set_fault(0, 1.0 / ohm);
        self.array.solve(contacts).unwrap()
    }
}

/// Bond current of a string of ten mono60-300w, negative bonded, open at the converter, 1000 W/m² 25 °C, one fault
/// with `below` modules under it; the resistance is that of fault and bond together.
/// Computed with pvlib 0.16.1 from the curve of one module: k·V(I) = I·R.
const TAPS: [(u32, f64, f64); 18] = [
    (1, 0.5, 9.7665725),
    (1, 5.0, 7.1374646),
    (1, 50.0, 0.78806645),
    (1, 500.0, 0.07944021),
    (1, 5000.0, 0.007950314),
    (1, 50000.0, 0.00079509429),
    (5, 0.5, 9.7755249),
    (5, 5.0, 9.7554048),
    (5, 50.0, 3.792442),
    (5, 500.0, 0.3957981),
    (5, 5000.0, 0.03973759),
    (5, 50000.0, 0.0039753317),
    (10, 0.5, 9.7766451),
    (10, 5.0, 9.7665725),
    (10, 50.0, 7.1374646),
    (10, 500.0, 0.78806645),
    (10, 5000.0, 0.07944021),
    (10, 50000.0, 0.007950314),
];

#[test]
fn tap_faults_of_a_bonded_string() {
    let parts = EarthingParts {
        fuse_ohm: 0.2,
        shunt_ohm: 0.1,
        high_resistance_ohm: None,
    };
    for (below, ohm, i_bond_a) in TAPS {
        let place = Place::Tap {
            string: 0,
            modules_below: below,
        };
        let mut built = Built::new(
            &settings(1, 10),
            Earthing::NegativeBonded,
            parts,
            Load::None,
            &NO_BRIDGE,
            place,
        );
        let point = built.with_fault(ohm - 0.3, Contacts::default());
        // A tap above earth drives current out of the array at the fault and back in through the bond: negative.
        let relative = point.i_bond_a / -i_bond_a - 1.0;
        assert!(
            relative.abs() < 1e-4,
            "{below} modules, {ohm} Ω: {} A",
            point.i_bond_a
        );
        assert!((point.fault_currents_a[0] + point.i_bond_a).abs() < 1e-6);
    }
}

/// The same circuit upside down: positive bonded, the fault counted from the other end, the sign turned.
#[test]
fn positive_bond_is_the_mirror_image() {
    let parts = EarthingParts {
        fuse_ohm: 0.2,
        shunt_ohm: 0.1,
        high_resistance_ohm: None,
    };
    for (below, ohm, i_bond_a) in TAPS {
        let place = Place::Tap {
            string: 0,
            modules_below: 10 - below,
        };
        let mut built = Built::new(
            &settings(1, 10),
            Earthing::PositiveBonded,
            parts,
            Load::None,
            &NO_BRIDGE,
            place,
        );
        let point = built.with_fault(ohm - 0.3, Contacts::default());
        assert!(
            (point.i_bond_a / i_bond_a - 1.0).abs() < 1e-4,
            "{} A",
            point.i_bond_a
        );
    }
}

/// The blind spot: a fault at the far end of the grounded conductor drives only that conductor's voltage drop.
/// I_bond = I_string·R_neg/(R_neg + R_fault + R_bond), one string near 9.22 A, 0.1191 Ω of 10 AWG negative cable (30 m
/// at 1.21 Ω/kft), bond path 0.20 Ω. Arithmetic; positive, against the sign of every tap fault.
#[test]
fn fault_on_the_grounded_conductor() {
    let parts = EarthingParts {
        fuse_ohm: 0.1,
        shunt_ohm: 0.1,
        high_resistance_ohm: None,
    };
    let cabled = ArraySettings {
        string_cable_ohm: 2.0 * 0.1191,
        ..settings(1, 10)
    };
    let place = Place::Tap {
        string: 0,
        modules_below: 0,
    };
    let closed = Contacts {
        contactor_closed: true,
        ..Contacts::default()
    };
    // The published 9.22 A is the maximum-power current of the module.
    for (ohm, i_bond_a) in [(0.1, 2.6201), (0.5, 1.3406), (1.0, 0.8324), (5.0, 0.2064)] {
        let mut built = Built::new(
            &cabled,
            Earthing::NegativeBonded,
            parts,
            Load::WorkingPoint,
            &NO_BRIDGE,
            place,
        );
        let point = built.with_fault(ohm, closed);
        // The string current itself moves a little with the fault: scale the example to it.
        let want = i_bond_a * point.string_currents_a[0] / 9.22;
        assert!(
            (point.string_currents_a[0] / 9.22 - 1.0).abs() < 0.01,
            "{}",
            point.string_currents_a[0]
        );
        // The table has four decimals.
        assert!(
            (point.i_bond_a - want).abs() < 1e-4,
            "{ohm} Ω: {} A not {want} A",
            point.i_bond_a
        );
        let open = built.with_fault(ohm, Contacts::default());
        assert!(
            open.i_bond_a.abs() < 1e-6,
            "no load current, no bond current: {}",
            open.i_bond_a
        );
    }
}

/// Floating array, insulation alike along the string and the dividers: the poles stand at ±V/2. A switched resistor
/// at one pole moves them as a resistive divider does (hand calculation, current balance at both poles).
#[test]
fn poles_of_a_floating_array() {
    let bridge = Calibration::REFERENCE.bridge;
    let leaky = ArraySettings {
        insulation_mohm_per_module: 20.0,
        ..settings(2, 10)
    };
    let mut built = Built::new(
        &leaky,
        Earthing::NotEarthed,
        EarthingParts::default(),
        Load::None,
        &bridge,
        Place::Tap {
            string: 1,
            modules_below: 4,
        },
    );
    let rest = built.with_fault(f64::INFINITY, Contacts::default());
    let v = rest.v_pos - rest.v_neg;
    assert!(
        (v / 397.55064 - 1.0).abs() < 1e-4,
        "ten times v_oc of pvlib: {v}"
    );
    assert!((rest.v_pos + rest.v_neg).abs() < 1e-6);

    // 20 modules of 20 MΩ: 1 µS, half of it to each pole; a 100 kΩ fault above 4 of 10 modules: 6 and 4 µS.
    for (bridge_pos, bridge_neg) in [(true, false), (false, true)] {
        for (fault_ohm, fault_pos_s, fault_neg_s) in
            [(f64::INFINITY, 0.0, 0.0), (100e3, 4e-6, 6e-6)]
        {
            let contacts = Contacts {
                bridge_pos,
                bridge_neg,
                ..Contacts::default()
            };
            let point = built.with_fault(fault_ohm, contacts);
            let g_pos = 0.5e-6 + 0.5e-6 + fault_pos_s + if bridge_pos { 5e-6 } else { 0.0 };
            let g_neg = 0.5e-6 + 0.5e-6 + fault_neg_s + if bridge_neg { 5e-6 } else { 0.0 };
            let v = point.v_pos - point.v_neg;
            let want = v * g_neg / (g_pos + g_neg);
            // The leakage currents pull the modules off open circuit by parts in 1e5.
            assert!(
                (point.v_pos / want - 1.0).abs() < 2e-4,
                "{} not {want}",
                point.v_pos
            );
            assert!(
                (point.g_earth_s / (g_pos + g_neg) - 1.0).abs() < 2e-3,
                "{}",
                point.g_earth_s
            );
            assert!((point.c_f / 0.5e-6 - 1.0).abs() < 1e-9);
        }
    }
}

/// Two-state formula of the design applied to the solved circuit must give back the fault that was put in.
/// Current balance: g₊ + g_m = (a·g_A + g_B)/(b − a), g₋ + g_m = a·(g₊ + g_m + g_A).
#[test]
fn two_states_find_the_fault() {
    let bridge = Calibration::REFERENCE.bridge;
    for below in [0, 3, 10] {
        let mut built = Built::new(
            &settings(3, 10),
            Earthing::NegativeBonded,
            EarthingParts::default(),
            Load::WorkingPoint,
            &bridge,
            Place::Tap {
                string: 2,
                modules_below: below,
            },
        );
        let state = |built: &mut Built, bridge_pos, bridge_neg| {
            let contacts = Contacts {
                contactor_closed: false,
                bond_open: true,
                bridge_pos,
                bridge_neg,
            };
            let point = built.with_fault(200e3, contacts);
            assert!(point.i_bond_a == 0.0);
            point.v_pos / -point.v_neg
        };
        let (a, b) = (
            state(&mut built, true, false),
            state(&mut built, false, true),
        );
        let (g_a, g_b, g_m) = (5e-6, 5e-6, 0.5e-6);
        let pos = (a * g_a + g_b) / (b - a);
        let neg = a * (pos + g_a);
        let (pos, neg) = (pos - g_m, neg - g_m);
        assert!(((pos + neg) / 5e-6 - 1.0).abs() < 2e-3, "{}", pos + neg);
        let x = f64::from(below) / 10.0;
        assert!(
            (pos / (pos + neg) - x).abs() < 2e-3,
            "{} not {x}",
            pos / (pos + neg)
        );
    }
}

/// A converter at maximum power: ten times v_mp of pvlib between the poles, i_mp in each string; a battery pulls the
/// array down to itself plus its resistance.
#[test]
fn loads() {
    let closed = Contacts {
        contactor_closed: true,
        ..Contacts::default()
    };
    let place = Place::Negative(End::Array);
    let parts = EarthingParts::default();
    let mut built = Built::new(
        &settings(2, 10),
        Earthing::NegativeBonded,
        parts,
        Load::WorkingPoint,
        &NO_BRIDGE,
        place,
    );
    let point = built.with_fault(f64::INFINITY, closed);
    assert!(
        (point.v_pos / 324.8373 - 1.0).abs() < 1e-4,
        "{}",
        point.v_pos
    );
    assert!((point.string_currents_a[1] / 9.2246842 - 1.0).abs() < 1e-4);

    let load = Load::Battery {
        volts: 300.0,
        series_ohm: 0.5,
    };
    let mut built = Built::new(
        &settings(2, 10),
        Earthing::NegativeBonded,
        parts,
        load,
        &NO_BRIDGE,
        place,
    );
    let point = built.with_fault(f64::INFINITY, closed);
    let amps: f64 = point.string_currents_a.iter().sum();
    // Half the 0.2 V knee of the blocking diode is what stays of it.
    assert!((point.v_pos - point.v_neg - 300.1 - 0.5 * amps).abs() < 1e-6);
    assert!(amps > 18.0, "{amps}");
    let open = built.with_fault(f64::INFINITY, Contacts::default());
    assert!((open.v_pos / 397.55064 - 1.0).abs() < 1e-4);
}

/// Every combination of harsh things still solves: bolted faults anywhere, low light, heat, hard earths.
#[test]
fn nothing_reasonable_fails_to_converge() {
    for load in [
        Load::None,
        Load::WorkingPoint,
        Load::Battery {
            volts: 48.0,
            series_ohm: 0.01,
        },
    ] {
        for earthing in [
            Earthing::NegativeBonded,
            Earthing::PositiveBonded,
            Earthing::NotEarthed,
        ] {
            let cabled = ArraySettings {
                string_cable_ohm: 0.2,
                ..settings(4, 12)
            };
            for place in [
                Place::Positive(End::Array),
                Place::Negative(End::Array),
                Place::Tap {
                    string: 0,
                    modules_below: 0,
                },
                Place::Tap {
                    string: 1,
                    modules_below: 7,
                },
                Place::Tap {
                    string: 3,
                    modules_below: 12,
                },
            ] {
                let mut built = Built::new(
                    &cabled,
                    earthing,
                    EarthingParts::default(),
                    load,
                    &Calibration::REFERENCE.bridge,
                    place,
                );
                for (irradiance_w_m2, cell_temp_c) in
                    [(1400.0, -30.0), (1.0, 5.0), (1000.0, 90.0), (0.0, 10.0)]
                {
                    built.array.set_conditions(Conditions {
                        irradiance_w_m2,
                        cell_temp_c,
                        wetness: 0.5,
                    });
                    for ohm in [0.001, 1e9, 3.0, 1e4] {
                        for contactor_closed in [true, false] {
                            for bond_open in [true, false] {
                                let contacts = Contacts {
                                    contactor_closed,
                                    bond_open,
                                    bridge_pos: bond_open,
                                    bridge_neg: false,
                                };
                                built.array.set_fault(0, 1.0 / ohm);
                                let point = built.array.solve(contacts).unwrap_or_else(|e| {
                                    panic!("{load:?} {earthing:?} {place:?} {irradiance_w_m2} {ohm} {contacts:?}: {e}")
                                });
                                assert!(point.v_pos.is_finite() && point.g_earth_s > 0.0);
                            }
                        }
                    }
                }
            }
        }
    }
}
