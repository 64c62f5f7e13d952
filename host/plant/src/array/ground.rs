//! How frames, grounding bar and soil are joined, and what a person standing there touches.
//!
//! ```text
//!  frames ──egc──┬── bar (reference: poles are measured against it, the bond ends on it)
//!    │  ──tie────┘    │
//!  array electrode   bar electrode
//!    │                │
//!  soil at array ─(earth potential)─ soil at bar
//! ```
//! What is not given is ideal: frames, bar and soil are then one node. Leakage flows to the frames. The soil itself is
//! a good conductor next to its electrodes: all of an electrode's resistance lies close around it.

use super::Place;
use crate::network::{ConductanceId, EARTH, Network, Node, VoltageId};
use serde::Deserialize;

/// Section `[ground]`. `inf` is a conductor that is broken.
#[derive(Clone, Copy, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct GroundPaths {
    /// Equipment-grounding conductor from the frames to the bar at the monitor, Ω. Without it 0: frames and bar are one.
    pub egc_ohm: Option<f64>,
    /// Electrode of the bar to the soil, Ω. Without it 0: bar and soil are one.
    pub bar_electrode_ohm: Option<f64>,
    /// Electrode of the frames to the soil, Ω. Without it there is no such electrode.
    pub array_electrode_ohm: Option<f64>,
    /// Conductor joining the two electrodes, apart from the EGC, Ω. Without it there is none.
    pub electrode_tie_ohm: Option<f64>,
    /// Soil at the array above soil at the bar, V: a strike nearby, or a fault of the mains. Without it 0.
    pub earth_potential_v: Option<f64>,
}

impl GroundPaths {
    /// Frames, bar and soil are one node.
    pub fn is_ideal(&self) -> bool {
        let none = |ohm: Option<f64>| ohm.is_none_or(|ohm| ohm == 0.0);
        none(self.egc_ohm) && none(self.bar_electrode_ohm) && self.earth_potential_v.is_none()
    }
}

/// Where a fault path ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FarEnd {
    /// Module frames, rack, anything bonded to them.
    #[default]
    Frame,
    /// Wet soil at the array, past frames and EGC.
    Soil,
    /// The grounding bar at the monitor: a second bond is a path from the grounded conductor to here or to the frames.
    Bar,
}

/// A path from the array to ground whose resistance can be set.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FaultPath {
    /// Where it begins.
    pub place: Place,
    /// Where it ends.
    pub to: FarEnd,
}

impl From<Place> for FaultPath {
    /// To the frames.
    fn from(place: Place) -> Self {
        Self {
            place,
            to: FarEnd::Frame,
        }
    }
}

/// What a person touches.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Touch {
    /// A module frame.
    Frame,
    /// A bare conductor.
    Conductor(Place),
}

/// A person standing on the soil at the array.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Person {
    /// With the hand.
    pub touches: Touch,
    /// The body, Ω (IEC 60479-1 has it fall with voltage; the caller chooses).
    pub ohm: f64,
    /// Shoes and soil under both feet, Ω.
    pub feet_ohm: f64,
}

impl Person {
    pub(super) fn siemens(&self) -> f64 {
        1.0 / (self.ohm + self.feet_ohm)
    }
}

/// Currents past the bond, and what they lift. Each current counts positive in the direction named.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Paths {
    /// Frames → bar through the equipment-grounding conductor, A.
    pub egc_a: f64,
    /// Bar → soil through the bar's electrode, A.
    pub bar_electrode_a: f64,
    /// Frames → soil through the array's electrode, A.
    pub array_electrode_a: f64,
    /// Frames → bar through the conductor that joins the electrodes, A.
    pub tie_a: f64,
    /// What is touched → soil through the person, A.
    pub person_a: f64,
    /// What is touched above what the person stands on (soil far from the feet), V: over body and feet together.
    pub person_v: f64,
    /// Array → frames through healthy insulation, all modules together, A.
    pub leakage_a: f64,
    /// Frames above bar, V.
    pub v_frame: f64,
    /// Soil at the array above bar, V.
    pub v_soil_array: f64,
    /// Soil at the bar above bar, V.
    pub v_soil_bar: f64,
}

/// The ground side of the circuit: its nodes and elements.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ground {
    pub frame: Node,
    pub soil_bar: Node,
    pub soil_array: Node,
    egc: Option<ConductanceId>,
    bar_electrode: Option<ConductanceId>,
    array_electrode: Option<ConductanceId>,
    tie: Option<ConductanceId>,
    potential: Option<VoltageId>,
    potential_v: f64,
}

/// Holds soil that no electrode reaches near the bar, so that its voltage is a number: a picoampere a volt.
const HOLD_S: f64 = 1e-12;

impl Ground {
    pub fn build(net: &mut Network, paths: &GroundPaths) -> Self {
        let finite = |ohm: Option<f64>| ohm.filter(|ohm| *ohm > 0.0);
        let joint = |net: &mut Network, ohm: Option<f64>, hold_s: f64| match finite(ohm) {
            None => (EARTH, None),
            Some(ohm) => {
                let node = net.node();
                (
                    node,
                    Some(net.conductance(node, EARTH, (1.0 / ohm).max(hold_s))),
                )
            }
        };
        let (frame, egc) = joint(net, paths.egc_ohm, 0.0);
        let (soil_bar, bar_electrode) = joint(net, paths.bar_electrode_ohm, HOLD_S);
        let potential_v = paths.earth_potential_v.unwrap_or(0.0);
        let (soil_array, potential) = if paths.earth_potential_v.is_some() {
            let node = net.node();
            net.conductance(node, soil_bar, HOLD_S);
            (node, Some(net.voltage_source(node, soil_bar, potential_v)))
        } else {
            (soil_bar, None)
        };
        let link = |net: &mut Network, to: Node, ohm: Option<f64>| {
            // A conductor of no resistance at all would make two nodes one: a micro-ohm is no conductor's fault.
            ohm.map(|ohm| net.conductance(frame, to, 1.0 / ohm.max(1e-6)))
        };
        let array_electrode = link(net, soil_array, paths.array_electrode_ohm);
        let tie = link(net, EARTH, paths.electrode_tie_ohm);
        Self {
            frame,
            soil_bar,
            soil_array,
            egc,
            bar_electrode,
            array_electrode,
            tie,
            potential,
            potential_v,
        }
    }

    pub fn end(&self, to: FarEnd) -> Node {
        match to {
            FarEnd::Frame => self.frame,
            FarEnd::Soil => self.soil_array,
            FarEnd::Bar => EARTH,
        }
    }

    /// Nothing but the array drives or divides here.
    pub fn is_ideal(&self) -> bool {
        self.frame == EARTH && self.soil_array == EARTH
    }

    /// Changes the potential of the soil at the array. Without a source in the circuit there is none to change.
    pub fn set_potential(&mut self, net: &mut Network, volts: f64) {
        if let Some(id) = self.potential {
            self.potential_v = volts;
            net.set_voltage(id, volts, true);
        }
    }

    pub fn guess(&self, net: &mut Network) {
        for node in [self.frame, self.soil_bar] {
            net.guess(node, 0.0);
        }
        net.guess(self.soil_array, self.potential_v);
    }

    /// Currents of the solved circuit. `into_frame_a` and `into_soil_a`: leakage and faults that end there, person apart.
    pub fn paths(
        &self,
        net: &Network,
        leakage_a: f64,
        into_frame_a: f64,
        into_soil_a: f64,
        person: Option<(Node, f64, bool)>,
    ) -> Paths {
        let through = |id: Option<ConductanceId>| id.map_or(0.0, |id| net.conductance_current(id));
        let (person_v, person_a, person_at_frame) =
            person.map_or((0.0, 0.0, false), |(node, siemens, at_frame)| {
                let v = net.voltage(node) - net.voltage(self.soil_array);
                (v, v * siemens, at_frame)
            });
        let array_electrode_a = through(self.array_electrode);
        let tie_a = through(self.tie);
        // A conductor without resistance carries what Kirchhoff's current law leaves for it.
        let egc_a = self.egc.map_or_else(
            || {
                let from_frame = if person_at_frame { person_a } else { 0.0 };
                into_frame_a - array_electrode_a - tie_a - from_frame
            },
            |id| net.conductance_current(id),
        );
        let bar_electrode_a = self.bar_electrode.map_or_else(
            || -(array_electrode_a + person_a + into_soil_a),
            |id| -net.conductance_current(id),
        );
        Paths {
            egc_a,
            bar_electrode_a,
            array_electrode_a,
            tie_a,
            person_a,
            person_v,
            leakage_a,
            v_frame: net.voltage(self.frame),
            v_soil_array: net.voltage(self.soil_array),
            v_soil_bar: net.voltage(self.soil_bar),
        }
    }
}
