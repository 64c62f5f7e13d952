//! The circuit from the description.

use super::{Array, Conditions, Description, End, Ground, Load, Place};
use crate::ageing::Aged;
use crate::network::{Device, EARTH, Network, Node};
use ohmward_proto::settings::Earthing;

impl Array {
    /// Builds the circuit, in the dark and without faults.
    pub fn new(description: &Description) -> Self {
        let settings = &description.settings;
        let parts = &description.parts;
        let mut net = Network::default();
        let (pos, neg) = (net.node(), net.node());
        let ground = Ground::build(&mut net, &description.ground);
        // A cable of no length is no element: its ends are one node.
        let mut joint = |pole: Node| {
            if settings.main_cable_ohm > 0.0 {
                let node = net.node();
                net.conductance(node, pole, 1.0 / settings.main_cable_ohm);
                node
            } else {
                pole
            }
        };
        let joints = [joint(pos), joint(neg)];
        let half_cable_s = 2.0 / settings.string_cable_ohm;
        let mut strings = Vec::new();
        let mut string_tops = Vec::new();
        let mut modules = Vec::new();
        let mut leaks = Vec::new();
        for _ in 0..settings.strings {
            let last = settings.modules_per_string;
            let nodes: Vec<Node> = (0..=last)
                .map(|k| match k {
                    0 if settings.string_cable_ohm == 0.0 => joints[1],
                    k if k == last && settings.string_cable_ohm == 0.0 => joints[0],
                    _ => net.node(),
                })
                .collect();
            if settings.string_cable_ohm > 0.0 {
                net.conductance(joints[1], nodes[0], half_cable_s);
                string_tops.push(net.conductance(nodes[last as usize], joints[0], half_cable_s));
            }
            for pair in nodes.windows(2) {
                let dark = Device::Module(description.kind.at(0.0, 25.0));
                modules.push(net.device(pair[1], pair[0], dark));
            }
            for (k, node) in nodes.iter().enumerate() {
                let halves = if k == 0 || k == last as usize {
                    1.0
                } else {
                    2.0
                };
                leaks.push((*node, net.conductance(*node, ground.frame, 0.0), halves));
            }
            strings.push(nodes);
        }
        let histories = leaks
            .iter()
            .map(|(node, _, _)| net.current_source(ground.frame, *node, 0.0))
            .collect();
        let node_of = |place| node_of(place, &strings, [pos, neg], joints);
        let faults = description
            .faults
            .iter()
            .map(|fault| {
                let from = node_of(fault.place);
                net.conductance(from, ground.end(fault.to), 0.0)
            })
            .collect();
        let (bonded, bond_ohm) = match description.earthing {
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
        let battery = match description.load {
            Load::Battery { volts, .. } => {
                Some(net.device(pos, neg, Device::Charged { volts, g_s: 0.0 }))
            }
            Load::None | Load::WorkingPoint => None,
        };
        let converter = matches!(description.load, Load::WorkingPoint)
            .then(|| net.voltage_source(pos, neg, 0.0));
        let bridge = &description.bridge;
        let mut array = Self {
            insulation: settings.insulation(),
            aged: Aged::NEW,
            bond_s: 1.0 / bond_ohm,
            bridge: [
                bridge.g_permanent,
                bridge.g_switched_pos,
                bridge.g_switched_neg,
            ]
            .map(|g| f64::from(g.0)),
            conditions: Conditions {
                irradiance_w_m2: 0.0,
                cell_temp_c: 25.0,
                wetness: 0.0,
            },
            light: vec![1.0; modules.len()],
            fault_s: vec![0.0; description.faults.len()],
            person: None,
            persons: Vec::new(),
            description: description.clone(),
            net,
            pos,
            neg,
            joints,
            ground,
            strings,
            string_tops,
            modules,
            leaks,
            histories,
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

    pub(super) fn node(&self, place: Place) -> Node {
        node_of(place, &self.strings, [self.pos, self.neg], self.joints)
    }
}

fn node_of(place: Place, strings: &[Vec<Node>], poles: [Node; 2], joints: [Node; 2]) -> Node {
    match place {
        Place::Tap {
            string,
            modules_below,
        } => strings[string as usize][modules_below as usize],
        Place::Positive(End::Monitor) => poles[0],
        Place::Negative(End::Monitor) => poles[1],
        Place::Positive(End::Array) => joints[0],
        Place::Negative(End::Array) => joints[1],
    }
}
