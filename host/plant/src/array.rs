//! From the description of an array to its circuit, and from the circuit to an operating point.
//!
//! ```text
//!            string cable/2                      string cable/2          contactor
//!  neg bus ──▭── 0 ─module─ 1 ─module─ … ─module─ N ──▭── pos bus ──────── / ──────── load
//!                ⏚ half the leakage of each module at each of its terminals
//!  each bus: divider, switched measuring resistor; one bus: bond switch, fuse, shunt, earth; faults anywhere
//! ```
//! The contactor opens the ungrounded conductor only (the positive one, unless the positive one is bonded). The load
//! has no earth of its own. In the dark nothing drives the circuit and the answer is written down, not solved.

use crate::ageing::Aged;
use crate::insulation::Insulation;
use crate::module::{Curve, ModuleKind};
use crate::network::{
    ConductanceId, Device, DeviceId, EARTH, Network, NetworkError, Node, VoltageId,
};
use ohmward_proto::settings::{Bridge, Earthing};

mod description;

pub use description::{ArraySettings, EarthingParts, Load, Place};

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

/// The array at rest in one set of conditions and contacts.
#[derive(Clone, PartialEq, Debug)]
pub struct OperatingPoint {
    /// Positive conductor to earth, V.
    pub v_pos: f64,
    /// Negative conductor to earth, V.
    pub v_neg: f64,
    /// Bond current, + out of the array conductor into earth, A. Not earthed: what both poles send through the bridge.
    pub i_bond_a: f64,
    /// Current out of the positive end of each string, A.
    pub string_currents_a: Vec<f64>,
    /// Voltage of every module, string by string from the negative end, V.
    pub module_volts: Vec<f64>,
    /// Current of each fault, + out of the array into earth, A.
    pub fault_currents_a: Vec<f64>,
    /// Conductance of the whole array to earth for a small move of all its nodes together, S.
    pub g_earth_s: f64,
    /// Leakage capacitance of the whole array, F.
    pub c_f: f64,
    /// Mean voltage of the leakage capacitance to earth, V: what cannot jump.
    pub v_common: f64,
    /// Move of the positive conductor per volt of `v_common`.
    pub shape_pos: f64,
    /// Move of the negative conductor per volt of `v_common`.
    pub shape_neg: f64,
    /// Move of the bond current per volt of `v_common`, S.
    pub i_bond_per_v: f64,
}

/// The circuit of one array. Conditions, faults and contacts change; the shape does not.
pub struct Array {
    kind: &'static ModuleKind,
    modules_per_string: u32,
    string_cable_ohm: f64,
    insulation: Insulation,
    aged: Aged,
    earthing: Earthing,
    bond_s: f64,
    bridge: [f64; 3],
    load: Load,
    conditions: Conditions,
    fault_s: Vec<f64>,

    net: Network,
    pos: Node,
    neg: Node,
    /// Nodes of each string, negative end first.
    strings: Vec<Vec<Node>>,
    modules: Vec<DeviceId>,
    /// Leakage to earth with the number of half modules behind it.
    leaks: Vec<(Node, ConductanceId, f64)>,
    faults: Vec<(Node, ConductanceId)>,
    bond: Option<ConductanceId>,
    bridges: [ConductanceId; 2],
    battery: Option<DeviceId>,
    converter: Option<VoltageId>,
    /// Contactor position of the last solution: a better start than a guess while it stays.
    warm: Option<bool>,
}

impl Array {
    /// Builds the circuit. The scenario has checked the numbers; `places` lie inside the array.
    pub fn new(
        settings: &ArraySettings,
        kind: &'static ModuleKind,
        earthing: Earthing,
        parts: &EarthingParts,
        load: Load,
        bridge: &Bridge,
        places: &[Place],
    ) -> Self {
        let mut net = Network::default();
        let (pos, neg) = (net.node(), net.node());
        let half_cable_s = 2.0 / settings.string_cable_ohm;
        let mut strings = Vec::new();
        let mut modules = Vec::new();
        let mut leaks = Vec::new();
        for _ in 0..settings.strings {
            let last = settings.modules_per_string;
            let nodes: Vec<Node> = (0..=last)
                .map(|k| match k {
                    // A cable of no length is no element: its ends are one node.
                    0 if settings.string_cable_ohm == 0.0 => neg,
                    k if k == last && settings.string_cable_ohm == 0.0 => pos,
                    _ => net.node(),
                })
                .collect();
            if settings.string_cable_ohm > 0.0 {
                net.conductance(neg, nodes[0], half_cable_s);
                net.conductance(nodes[last as usize], pos, half_cable_s);
            }
            for pair in nodes.windows(2) {
                modules.push(net.device(pair[1], pair[0], Device::Module(kind.at(0.0, 25.0))));
            }
            for (k, node) in nodes.iter().enumerate() {
                let halves = if k == 0 || k == last as usize {
                    1.0
                } else {
                    2.0
                };
                leaks.push((*node, net.conductance(*node, EARTH, 0.0), halves));
            }
            strings.push(nodes);
        }
        let faults: Vec<_> = places
            .iter()
            .map(|place| {
                let node = match *place {
                    Place::Tap {
                        string,
                        modules_below,
                    } => strings[string as usize][modules_below as usize],
                    Place::Positive => pos,
                    Place::Negative => neg,
                };
                (node, net.conductance(node, EARTH, 0.0))
            })
            .collect();
        let (bonded, bond_ohm) = match earthing {
            Earthing::NegativeBonded => (Some(neg), parts.fuse_ohm + parts.shunt_ohm),
            Earthing::PositiveBonded => (Some(pos), parts.fuse_ohm + parts.shunt_ohm),
            Earthing::HighResistance => (
                Some(neg),
                parts.high_resistance_ohm.unwrap_or(0.0) + parts.shunt_ohm,
            ),
            Earthing::NotEarthed => (None, f64::INFINITY),
        };
        let bond = bonded.map(|node| net.conductance(node, EARTH, 0.0));
        let bridges = [
            net.conductance(pos, EARTH, 0.0),
            net.conductance(neg, EARTH, 0.0),
        ];
        let battery = match load {
            Load::Battery { volts, .. } => {
                Some(net.device(pos, neg, Device::Charged { volts, g_s: 0.0 }))
            }
            Load::None | Load::WorkingPoint => None,
        };
        let converter =
            matches!(load, Load::WorkingPoint).then(|| net.voltage_source(pos, neg, 0.0));
        let mut array = Self {
            kind,
            modules_per_string: settings.modules_per_string,
            string_cable_ohm: settings.string_cable_ohm,
            insulation: settings.insulation(),
            aged: Aged::NEW,
            earthing,
            bond_s: 1.0 / bond_ohm,
            bridge: [
                bridge.g_permanent,
                bridge.g_switched_pos,
                bridge.g_switched_neg,
            ]
            .map(|g| f64::from(g.0)),
            load,
            conditions: Conditions {
                irradiance_w_m2: 0.0,
                cell_temp_c: 25.0,
                wetness: 0.0,
            },
            fault_s: vec![0.0; places.len()],
            net,
            pos,
            neg,
            strings,
            modules,
            leaks,
            faults,
            bond,
            bridges,
            battery,
            converter,
            warm: None,
        };
        array.set_conditions(array.conditions);
        array
    }

    /// Sun and water from now on.
    pub fn set_conditions(&mut self, conditions: Conditions) {
        self.conditions = conditions;
        let half_s = 0.5
            * self
                .insulation
                .conductance_s(conditions.cell_temp_c, conditions.wetness);
        // Nodes stand string by string, each from its negative end.
        let n = self.modules_per_string as usize;
        for (k, (_, leak, halves)) in self.leaks.iter().enumerate() {
            let aged = self.aged.at((k % (n + 1)) as f64 / n as f64);
            self.net.set_conductance(*leak, half_s * halves * aged);
        }
        let curve = self.curve();
        for module in &self.modules {
            self.net.set_device(*module, Device::Module(curve));
        }
    }

    /// Age of the insulation; in force with the next [`set_conditions`](Self::set_conditions).
    pub fn set_age(&mut self, aged: Aged) {
        self.aged = aged;
    }

    /// Conductance of one fault from now on, in the order of the places; 0 S is no fault.
    pub fn set_fault(&mut self, index: usize, siemens: f64) {
        self.fault_s[index] = siemens;
        self.net.set_conductance(self.faults[index].1, siemens);
    }

    /// The conditions in force.
    pub fn conditions(&self) -> Conditions {
        self.conditions
    }

    /// Nothing drives the circuit.
    pub fn is_dark(&self) -> bool {
        self.conditions.irradiance_w_m2 <= 0.0
    }

    /// Voltage between the poles at which the healthy array gives most, V.
    pub fn v_maximum_power(&self) -> f64 {
        self.curve()
            .maximum_power(self.modules_per_string, self.string_cable_ohm)
            .0
    }

    fn curve(&self) -> Curve {
        self.kind
            .at(self.conditions.irradiance_w_m2, self.conditions.cell_temp_c)
    }

    /// The array at rest with these contacts.
    pub fn solve(&mut self, contacts: Contacts) -> Result<OperatingPoint, NetworkError> {
        let (bond_s, bridge_s) = self.set_contacts(contacts);
        let c_f = self.modules.len() as f64
            * self
                .insulation
                .capacitance_f(self.conditions.cell_temp_c, self.conditions.wetness);
        if self.is_dark() {
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
        let response = self.net.small_signal(&into)?;
        let r_common = into
            .iter()
            .map(|(node, w)| w * response.at(*node))
            .sum::<f64>();
        let v_common = into
            .iter()
            .map(|(node, w)| w * self.net.voltage(*node))
            .sum();
        let shape_pos = response.at(self.pos) / r_common;
        let shape_neg = response.at(self.neg) / r_common;
        let (v_pos, v_neg) = (self.net.voltage(self.pos), self.net.voltage(self.neg));
        let bond = |pos: f64, neg: f64| match self.earthing {
            Earthing::NegativeBonded | Earthing::HighResistance => bond_s * neg,
            Earthing::PositiveBonded => bond_s * pos,
            Earthing::NotEarthed => bridge_s[0] * pos + bridge_s[1] * neg,
        };
        Ok(OperatingPoint {
            v_pos,
            v_neg,
            i_bond_a: bond(v_pos, v_neg),
            string_currents_a: self
                .modules
                .chunks(self.modules_per_string as usize)
                .map(|string| -string.last().map_or(0.0, |m| self.net.device_current(*m)))
                .collect(),
            module_volts: self
                .strings
                .iter()
                .flat_map(|nodes| nodes.windows(2))
                .map(|pair| self.net.voltage(pair[1]) - self.net.voltage(pair[0]))
                .collect(),
            fault_currents_a: self
                .faults
                .iter()
                .map(|(_, id)| self.net.conductance_current(*id))
                .collect(),
            g_earth_s: 1.0 / r_common,
            c_f,
            v_common,
            shape_pos,
            shape_neg,
            i_bond_per_v: bond(shape_pos, shape_neg),
        })
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
        if let (Some(battery), Load::Battery { volts, series_ohm }) = (self.battery, self.load) {
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
        let n = f64::from(self.modules_per_string);
        let v_oc = self.curve().v_oc();
        let v_module = match self.load {
            // Past the knee of the blocking diode, where it has a slope to start from.
            Load::Battery { volts, .. } if contacts.contactor_closed => {
                v_oc.min((volts + 2.0 * Device::KNEE_V) / n)
            }
            Load::WorkingPoint if contacts.contactor_closed => self.v_maximum_power() / n,
            _ => v_oc,
        };
        let v_neg = match self.earthing {
            Earthing::NegativeBonded | Earthing::HighResistance if !contacts.bond_open => 0.0,
            Earthing::PositiveBonded if !contacts.bond_open => -n * v_module,
            _ => -0.5 * n * v_module,
        };
        self.net.guess(self.neg, v_neg);
        self.net.guess(self.pos, v_neg + n * v_module);
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
            + self.fault_s.iter().sum::<f64>();
        OperatingPoint {
            v_pos: 0.0,
            v_neg: 0.0,
            i_bond_a: 0.0,
            string_currents_a: vec![0.0; self.strings.len()],
            module_volts: vec![0.0; self.modules.len()],
            fault_currents_a: vec![0.0; self.faults.len()],
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
        }
    }
}
