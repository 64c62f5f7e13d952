//! From the description of an array to its circuit, and from the circuit to an operating point.
//!
//! ```text
//!      main cable   string cable/2                      string cable/2   main cable   contactor
//!  neg ──▭── joint ──▭── 0 ─module─ 1 ─module─ … ─module─ N ──▭── joint ──▭── pos ──── / ──────── load
//!                        half the leakage of each module at each of its terminals, to the frames
//!  pos and neg: divider, switched measuring resistor, to the bar; one of them: bond switch, fuse, shunt, bar
//! ```
//! - `description.rs`: what it is made of. `build.rs`: the circuit from that. `point.rs`: what a solution says.
//! - [`ground`]: frames, grounding bar, electrodes, soil, a person. Faults anywhere end on frames, soil or bar.
//!
//! The contactor opens the ungrounded conductor only (the positive one, unless the positive one is bonded). The load
//! has no earth of its own. In the dark nothing drives the circuit and the answer is written down, not solved.

use crate::ageing::Aged;
use crate::insulation::Insulation;
use crate::module::Curve;
use crate::network::{
    ConductanceId, CurrentId, Device, DeviceId, Network, NetworkError, Node, VoltageId,
};
use ground::Ground;
use ohmward_proto::settings::Earthing;
use std::ops::Range;

mod build;
mod charge;
mod description;
pub mod ground;
mod point;

pub use description::{ArraySettings, Description, EarthingParts, End, Load, Place};
pub use ground::{FarEnd, FaultPath, GroundPaths, Paths, Person, Touch};
pub use point::{OperatingPoint, Rest};

/// Sun and water on the array.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Conditions {
    /// In the plane of the modules, W/m²; 0 is dark.
    pub irradiance_w_m2: f64,
    /// Of the cells, °C.
    pub cell_temp_c: f64,
    /// 0 dry to 1 covered with water.
    pub wetness: f64,
}

/// Positions of everything that switches.
// One switch, one bool: any combination is possible.
#[allow(clippy::struct_excessive_bools)]
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Contacts {
    /// Contacts of the contactor touch.
    pub contactor_closed: bool,
    /// The bond is open.
    pub bond_open: bool,
    /// Measuring resistor at the positive conductor.
    pub bridge_pos: bool,
    /// Measuring resistor at the negative conductor.
    pub bridge_neg: bool,
}

/// The circuit of one array. Conditions, faults and contacts change; the shape does not.
pub struct Array {
    description: Description,
    insulation: Insulation,
    aged: Aged,
    bond_s: f64,
    bridge: [f64; 3],
    conditions: Conditions,
    /// Share of the light on each module, string by string from the negative end.
    light: Vec<f64>,
    fault_s: Vec<f64>,
    person: Option<Person>,

    net: Network,
    pos: Node,
    neg: Node,
    /// Where the strings join: positive, negative.
    joints: [Node; 2],
    ground: Ground,
    /// Nodes of each string, negative end first.
    strings: Vec<Vec<Node>>,
    /// Cable at the positive end of each string; empty without string cables.
    string_tops: Vec<ConductanceId>,
    modules: Vec<DeviceId>,
    /// Leakage to the frames with the number of half modules behind it.
    leaks: Vec<(Node, ConductanceId, f64)>,
    /// What a step in time remembers, beside each leakage.
    histories: Vec<CurrentId>,
    faults: Vec<ConductanceId>,
    /// Where a person has stood: one element for each place.
    persons: Vec<(Node, ConductanceId)>,
    bond: Option<ConductanceId>,
    bridges: [ConductanceId; 2],
    battery: Option<DeviceId>,
    converter: Option<VoltageId>,
    /// Contactor position of the last solution: a better start than a guess while it stays.
    warm: Option<bool>,
}

impl Array {
    /// Sun and water from now on.
    pub fn set_conditions(&mut self, conditions: Conditions) {
        self.conditions = conditions;
        self.load_leaks(0.0, None);
        let full = self.curve();
        for (module, light) in self.modules.iter().zip(&self.light) {
            // Most modules share the full light: its curve is made once.
            let curve = if *light >= 1.0 {
                full
            } else {
                self.description
                    .kind
                    .at(conditions.irradiance_w_m2 * light, conditions.cell_temp_c)
            };
            self.net.set_device(*module, Device::Module(curve));
        }
    }

    /// Share of the light, 0 to 1, that reaches some modules of a string (both from 0; modules from the negative end) from
    /// now on. Modules past the end of the string are not there.
    pub fn set_light(&mut self, string: u32, modules: Range<u32>, share: f64) {
        let per_string = self.description.settings.modules_per_string;
        let first = string * per_string;
        for module in modules.start..modules.end.min(per_string) {
            self.light[(first + module) as usize] = share;
        }
        self.warm = None;
        self.set_conditions(self.conditions);
    }

    /// Ends all shade.
    pub fn set_full_light(&mut self) {
        self.light.fill(1.0);
        self.warm = None;
        self.set_conditions(self.conditions);
    }

    /// Age of the insulation; in force with the next [`set_conditions`](Self::set_conditions).
    pub fn set_age(&mut self, aged: Aged) {
        self.aged = aged;
    }

    /// Conductance of one fault from now on, in the order of the places; 0 S is no fault.
    pub fn set_fault(&mut self, index: usize, siemens: f64) {
        self.fault_s[index] = siemens;
        self.net.set_conductance(self.faults[index], siemens);
    }

    /// Who stands there from now on; `None`: nobody.
    pub fn set_person(&mut self, person: Option<Person>) {
        for (_, element) in &self.persons {
            self.net.set_conductance(*element, 0.0);
        }
        self.person = person;
        let Some(person) = person else { return };
        let touched = self.touched(person.touches);
        let known = self.persons.iter().find(|(node, _)| *node == touched);
        if let Some((_, element)) = known {
            self.net.set_conductance(*element, person.siemens());
        } else {
            let soil = self.ground.soil_array;
            let element = self.net.conductance(touched, soil, person.siemens());
            self.persons.push((touched, element));
        }
    }

    /// Soil at the array above soil at the bar from now on, V, if `[ground]` gave one at all.
    pub fn set_earth_potential(&mut self, volts: f64) {
        self.ground.set_potential(&mut self.net, volts);
    }

    fn touched(&self, touch: Touch) -> Node {
        match touch {
            Touch::Frame => self.ground.frame,
            Touch::Conductor(place) => self.node(place),
        }
    }

    /// The conditions in force.
    pub fn conditions(&self) -> Conditions {
        self.conditions
    }

    /// Nothing drives the circuit.
    pub fn is_dark(&self) -> bool {
        self.conditions.irradiance_w_m2 <= 0.0
    }

    /// Voltage between the poles at which the healthy, unshaded array gives most, V.
    pub fn v_maximum_power(&self) -> f64 {
        let s = &self.description.settings;
        // Alike strings share the main cable: each sees it as often as there are strings.
        let cable_ohm = s.string_cable_ohm + 2.0 * s.main_cable_ohm * f64::from(s.strings);
        self.curve()
            .maximum_power(s.modules_per_string, cable_ohm)
            .0
    }

    fn curve(&self) -> Curve {
        self.description
            .kind
            .at(self.conditions.irradiance_w_m2, self.conditions.cell_temp_c)
    }

    /// The array at rest with these contacts.
    pub fn solve(&mut self, contacts: Contacts) -> Result<OperatingPoint, NetworkError> {
        let (bond_s, bridge_s) = self.set_contacts(contacts);
        let c_f = self.modules.len() as f64
            * self
                .insulation
                .capacitance_f(self.conditions.cell_temp_c, self.conditions.wetness);
        // A potential between soil and bar drives currents at night too.
        if self.is_dark() && self.ground.is_ideal() {
            return Ok(self.dark(bond_s, bridge_s, c_f));
        }
        if self.warm != Some(contacts.contactor_closed) {
            self.guess(contacts);
        }
        // A start from the last solution can be the wrong one after a large change: try once from a guess.
        if self.net.solve().is_err() {
            self.warm = None;
            self.guess(contacts);
            self.net.solve()?;
        }
        self.warm = Some(contacts.contactor_closed);

        let halves_all = 2.0 * self.modules.len() as f64;
        let into: Vec<_> = self
            .leaks
            .iter()
            .map(|(node, _, h)| (*node, h / halves_all))
            .collect();
        let mut between = into.clone();
        between.push((self.ground.frame, -1.0));
        let response = self.net.small_signal(&between)?;
        let frame = self.ground.frame;
        let r_common = into
            .iter()
            .map(|(node, w)| w * response.at(*node))
            .sum::<f64>()
            - response.at(frame);
        let v_common = into
            .iter()
            .map(|(node, w)| w * self.net.voltage(*node))
            .sum::<f64>()
            - self.net.voltage(frame);
        let shape_pos = response.at(self.pos) / r_common;
        let shape_neg = response.at(self.neg) / r_common;
        let (v_pos, v_neg) = (self.net.voltage(self.pos), self.net.voltage(self.neg));
        let bond = |pos: f64, neg: f64| self.bond(bond_s, bridge_s, pos, neg);
        let rest = Rest {
            volts: self.net.volts().to_vec(),
            shapes: response.all().iter().map(|r| r / r_common).collect(),
            carry_a: self.carry_a((v_pos - v_neg).abs()),
        };
        let fault_currents_a: Vec<f64> = self
            .faults
            .iter()
            .map(|id| self.net.conductance_current(*id))
            .collect();
        Ok(OperatingPoint {
            v_pos,
            v_neg,
            i_bond_a: bond(v_pos, v_neg),
            string_currents_a: self.string_currents(),
            module_volts: self
                .strings
                .iter()
                .flat_map(|nodes| nodes.windows(2))
                .map(|pair| self.net.voltage(pair[1]) - self.net.voltage(pair[0]))
                .collect(),
            paths: self.paths(&fault_currents_a),
            fault_currents_a,
            g_earth_s: 1.0 / r_common,
            c_f,
            v_common,
            shape_pos,
            shape_neg,
            i_bond_per_v: bond(shape_pos, shape_neg),
            rest,
        })
    }

    /// See [`Rest`]; `v` is the voltage between the poles.
    fn carry_a(&self, v: f64) -> f64 {
        let move_v = 1e-3 * v / f64::from(self.description.settings.modules_per_string);
        self.modules
            .iter()
            .map(|module| self.net.device_give_a(*module, move_v))
            .fold(f64::INFINITY, f64::min)
    }

    fn string_currents(&self) -> Vec<f64> {
        if !self.string_tops.is_empty() {
            let cables = self.string_tops.iter();
            return cables.map(|id| self.net.conductance_current(*id)).collect();
        }
        self.modules
            .chunks(self.description.settings.modules_per_string as usize)
            .map(|string| -string.last().map_or(0.0, |m| self.net.device_current(*m)))
            .collect()
    }

    fn paths(&self, fault_currents_a: &[f64]) -> Paths {
        let leakage_a = self
            .leaks
            .iter()
            .map(|(_, id, _)| self.net.conductance_current(*id))
            .sum::<f64>();
        let ending = |to: FarEnd| -> f64 {
            let faults = self.description.faults.iter().zip(fault_currents_a);
            faults.filter(|(f, _)| f.to == to).map(|(_, i)| i).sum()
        };
        let person = self.person.map(|p| {
            (
                self.touched(p.touches),
                p.siemens(),
                p.touches == Touch::Frame,
            )
        });
        self.ground.paths(
            &self.net,
            leakage_a,
            leakage_a + ending(FarEnd::Frame),
            ending(FarEnd::Soil),
            person,
        )
    }

    /// Puts the contacts into the circuit; gives bond and bridge conductances.
    fn set_contacts(&mut self, contacts: Contacts) -> (f64, [f64; 2]) {
        let bond_s = if contacts.bond_open || self.bond.is_none() {
            0.0
        } else {
            self.bond_s
        };
        if let Some(bond) = self.bond {
            self.net.set_conductance(bond, bond_s);
        }
        let [permanent, pos, neg] = self.bridge;
        let bridge_s = [
            permanent + if contacts.bridge_pos { pos } else { 0.0 },
            permanent + if contacts.bridge_neg { neg } else { 0.0 },
        ];
        self.net.set_conductance(self.bridges[0], bridge_s[0]);
        self.net.set_conductance(self.bridges[1], bridge_s[1]);
        // A converter cannot hold a voltage without light.
        let feeding = contacts.contactor_closed && !self.is_dark();
        let load = self.description.load;
        if let (Some(battery), Load::Battery { volts, series_ohm }) = (self.battery, load) {
            let g_s = if feeding { 1.0 / series_ohm } else { 0.0 };
            self.net.set_device(battery, Device::Charged { volts, g_s });
        }
        if let Some(converter) = self.converter {
            let volts = if feeding { self.v_maximum_power() } else { 0.0 };
            self.net.set_voltage(converter, volts, feeding);
        }
        (bond_s, bridge_s)
    }

    /// A start near the healthy array: all modules alike, the bonded pole (or the middle) at earth.
    fn guess(&mut self, contacts: Contacts) {
        let n = f64::from(self.description.settings.modules_per_string);
        let v_oc = self.curve().v_oc();
        let v_module = match self.description.load {
            // Past the knee of the blocking diode, where it has a slope to start from.
            Load::Battery { volts, .. } if contacts.contactor_closed => {
                v_oc.min((volts + 2.0 * Device::KNEE_V) / n)
            }
            Load::WorkingPoint if contacts.contactor_closed => self.v_maximum_power() / n,
            _ => v_oc,
        };
        let v_neg = match self.description.earthing {
            Earthing::NegativeBonded | Earthing::HighResistance if !contacts.bond_open => 0.0,
            Earthing::PositiveBonded if !contacts.bond_open => -n * v_module,
            _ => -0.5 * n * v_module,
        };
        self.net.guess(self.neg, v_neg);
        self.net.guess(self.pos, v_neg + n * v_module);
        self.net.guess(self.joints[1], v_neg);
        self.net.guess(self.joints[0], v_neg + n * v_module);
        self.ground.guess(&mut self.net);
        for nodes in &self.strings {
            for (k, node) in nodes.iter().enumerate() {
                self.net.guess(*node, v_neg + k as f64 * v_module);
            }
        }
    }

    /// No light: every voltage and current is zero, and charge left over leaves through all paths at once.
    fn dark(&mut self, bond_s: f64, bridge_s: [f64; 2], c_f: f64) -> OperatingPoint {
        self.warm = None;
        let module_s = self
            .insulation
            .conductance_s(self.conditions.cell_temp_c, self.conditions.wetness);
        let g_earth_s = self.modules.len() as f64 * module_s * self.aged.mean()
            + bond_s
            + bridge_s.iter().sum::<f64>()
            + self.fault_s.iter().sum::<f64>()
            + self.person.as_ref().map_or(0.0, Person::siemens);
        OperatingPoint {
            v_pos: 0.0,
            v_neg: 0.0,
            i_bond_a: 0.0,
            string_currents_a: vec![0.0; self.strings.len()],
            module_volts: vec![0.0; self.modules.len()],
            fault_currents_a: vec![0.0; self.faults.len()],
            paths: Paths::default(),
            g_earth_s,
            c_f,
            v_common: 0.0,
            shape_pos: 1.0,
            shape_neg: 1.0,
            i_bond_per_v: if self.bond.is_some() {
                bond_s
            } else {
                bridge_s.iter().sum()
            },
            rest: Rest {
                volts: vec![0.0; self.net.nodes()],
                shapes: vec![1.0; self.net.nodes()],
                carry_a: f64::INFINITY,
            },
        }
    }
}
