//! The array's circuit with the faults in it: bond closed and opened, with and without a person.

use super::fault::{At, FaultSpec, Pole};
use super::ground::Ground;
use super::person::{Feet, Touched, body_at};
use super::{Question, Sun, WhatIfError};
use crate::array_file::ArrayFile;
use ohmward_plant::array::{
    Array, Conditions, Contacts, Description, End, Load, OperatingPoint, Person, Place, Touch,
};
use ohmward_proto::settings::{Bridge, Calibration, Earthing};
use serde::Serialize;

/// What a person touches.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Touches {
    /// A module frame.
    #[default]
    Frame,
    /// The bare positive conductor at the strings' joint.
    Positive,
    /// The bare negative conductor there.
    Negative,
}

impl Touches {
    /// For sentences.
    pub fn word(self) -> &'static str {
        match self {
            Self::Frame => "a module frame",
            Self::Positive => "the bare positive conductor",
            Self::Negative => "the bare negative conductor",
        }
    }

    /// In the plant's circuit.
    pub fn plant(self) -> Touch {
        match self {
            Self::Frame => Touch::Frame,
            Self::Positive => Touch::Conductor(Place::Positive(End::Array)),
            Self::Negative => Touch::Conductor(Place::Negative(End::Array)),
        }
    }
}

/// Where the contacts of the monitor stand.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Bond closed, contactor closed, array at work.
    Connected,
    /// Bond open, contactor open: after a trip, and during an insulation check before connection.
    Opened,
}

impl Phase {
    /// Both, in the order in which they come.
    pub const ALL: [Self; 2] = [Self::Connected, Self::Opened];

    fn contacts(self) -> Contacts {
        Contacts {
            contactor_closed: self == Self::Connected,
            bond_open: self == Self::Opened,
            ..Contacts::default()
        }
    }
}

/// One fault at one operating point.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct FaultNow {
    /// Out of the array into what it touches, A.
    pub fault_a: f64,
    /// Turned into heat in it, W.
    pub fault_w: f64,
}

/// One operating point.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct State {
    /// Where the contacts stand.
    pub phase: Phase,
    /// Somebody touches something; `None`: nobody.
    pub person: Option<Touched>,
    /// Positive conductor to the bar at the monitor, as the board measures it, V.
    pub v_pos_v: f64,
    /// Negative conductor likewise, V.
    pub v_neg_v: f64,
    /// Frames above the soil beside them, V.
    pub v_frame_to_soil_v: f64,
    /// Bond, + out of the conductor into the bar, A. Not earthed: what both poles send through the bridge.
    pub i_bond_a: f64,
    /// Frames → bar through the equipment-grounding conductor, A.
    pub egc_a: f64,
    /// Frames → bar through the conductor between the electrodes, A.
    pub tie_a: f64,
    /// Frames → soil through the array's electrodes, A.
    pub array_electrode_a: f64,
    /// Bar → soil through the other electrodes, A.
    pub bar_electrode_a: f64,
    /// Array → frames through healthy insulation, A.
    pub leakage_a: f64,
    /// Out of the positive end of each string, A; below 0 it is driven backwards.
    pub string_a: Vec<f64>,
    /// Each fault, in the order given.
    pub faults: Vec<FaultNow>,
}

/// What the board's two-state measurement makes of these faults with the bond open.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Insulation {
    /// Positive conductor to earth, Ω; `None`: better than can be told.
    pub r_pos_ohm: Option<f64>,
    /// Negative conductor to earth, Ω.
    pub r_neg_ohm: Option<f64>,
    /// Both in parallel, Ω.
    pub r_iso_ohm: Option<f64>,
    /// Where along the string from its negative end, 0 to 1, if it is one fault.
    pub fraction: Option<f64>,
}

/// The most that a contact at one place could turn into heat, whatever its resistance: an arc too is a resistance that moves.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Most {
    /// With this resistance, Ω.
    pub ohms: f64,
    /// W.
    pub w: f64,
    /// Across it while next to nothing flows, V: what strikes an arc.
    pub v_open_v: f64,
}

/// What the array feeds, as it is under a fault: a converter holds the maximum-power voltage as long as the array gives that
/// much, and never feeds the array. (The plant's working point holds its voltage both ways, which suits a healthy array.)
pub fn one_way(file: &ArrayFile, sun: Sun) -> Load {
    match file.load {
        Load::WorkingPoint => {
            let curve = file.module.at(sun.irradiance_w_m2, sun.cell_temp_c);
            let (volts, _) =
                curve.maximum_power(file.array.modules_per_string, file.array.string_cable_ohm);
            Load::Battery {
                volts,
                series_ohm: CONVERTER_OHM,
            }
        }
        other => other,
    }
}

/// How stiffly a converter holds its voltage, Ω: well below every cable.
const CONVERTER_OHM: f64 = 0.01;

/// Takes no current worth the name from anything here, Ω.
const NO_BODY_OHM: f64 = 1e12;

/// The circuit of one question.
pub struct Circuit {
    array: Array,
    earthing: Earthing,
    bridge: Bridge,
    faults: Vec<FaultSpec>,
    touches: Touches,
    feet: Feet,
}

impl Circuit {
    /// Builds it.
    pub fn new(file: &ArrayFile, ground: &Ground, question: &Question, feet: &Feet) -> Self {
        let bridge = Calibration::REFERENCE.bridge;
        let mut description = Description::new(&file.array, file.module, file.arrangement, &bridge);
        description.settings.main_cable_ohm = ground.main_ohm;
        description.parts = file.earthing;
        description.ground = ground.paths();
        description.load = one_way(file, question.sun);
        description.faults = question.faults.iter().map(FaultSpec::path).collect();
        let mut array = Array::new(&description);
        array.set_conditions(Conditions {
            irradiance_w_m2: question.sun.irradiance_w_m2,
            cell_temp_c: question.sun.cell_temp_c,
            wetness: question.sun.wetness,
        });
        for (k, fault) in question.faults.iter().enumerate() {
            array.set_fault(k, 1.0 / fault.ohms);
        }
        Self {
            array,
            earthing: file.arrangement,
            bridge,
            faults: question.faults.clone(),
            touches: question.touches,
            feet: feet.clone(),
        }
    }

    /// Another resistance for one fault.
    pub fn set_ohms(&mut self, fault: usize, ohms: f64) {
        self.faults[fault].ohms = ohms;
        self.array.set_fault(fault, 1.0 / ohms);
    }

    /// With and without a person.
    pub fn states(&mut self, phase: Phase) -> Result<[State; 2], WhatIfError> {
        let contacts = phase.contacts();
        let alone = self.solve(contacts)?;
        // A hand that carries nothing feels what a person would meet.
        self.array.set_person(Some(self.person(NO_BODY_OHM)));
        let v_open_v = self.solve(contacts)?.paths.person_v;
        // The person's resistance follows the voltage that the person leaves standing: a few rounds settle it.
        let mut body = body_at(v_open_v, self.feet.ohm());
        let mut touching = alone.clone();
        for _ in 0..8 {
            self.array.set_person(Some(self.person(body)));
            touching = self.solve(contacts)?;
            let next = body_at(touching.paths.person_v, self.feet.ohm());
            if (next / body - 1.0).abs() < 1e-6 {
                break;
            }
            body = next;
        }
        self.array.set_person(None);
        let touched = Touched::new(v_open_v, touching.paths.person_v, body, self.feet.ohm());
        Ok([
            self.state(phase, &alone, None),
            self.state(phase, &touching, Some(touched)),
        ])
    }

    /// What the board measures with the bond (if there is one) and the contactor open.
    ///
    /// Two bridge states, a and b the ratios v_pos/(−v_neg): design, section 4.
    pub fn insulation(&mut self) -> Result<Insulation, WhatIfError> {
        let open = Phase::Opened.contacts();
        let mut ratio = |contacts: Contacts| -> Result<f64, WhatIfError> {
            let point = self.solve(contacts)?;
            Ok(point.v_pos / -point.v_neg)
        };
        let a = ratio(Contacts {
            bridge_pos: true,
            ..open
        })?;
        let b = ratio(Contacts {
            bridge_neg: true,
            ..open
        })?;
        let [g_m, g_a, g_b] = [
            self.bridge.g_permanent,
            self.bridge.g_switched_pos,
            self.bridge.g_switched_neg,
        ]
        .map(|g| f64::from(g.0));
        let with_bridge_s = (a * g_a + g_b) / (b - a);
        let g_pos = with_bridge_s - g_m;
        let g_neg = a * (with_bridge_s + g_a) - g_m;
        let ohm = |g_s: f64| (g_s > 1e-12).then(|| 1.0 / g_s);
        Ok(Insulation {
            r_pos_ohm: ohm(g_pos),
            r_neg_ohm: ohm(g_neg),
            r_iso_ohm: ohm(g_pos + g_neg),
            fraction: (self.faults.len() == 1 && g_pos + g_neg > 1e-9)
                .then(|| (g_pos / (g_pos + g_neg)).clamp(0.0, 1.0)),
        })
    }

    /// The most that one fault could turn into heat, the others as they are.
    pub fn most(&mut self, fault: usize, phase: Phase) -> Result<Most, WhatIfError> {
        let given = self.faults[fault].ohms;
        let watts = |circuit: &mut Self, log: f64| -> Result<f64, WhatIfError> {
            let ohms = 10_f64.powf(log);
            circuit.set_ohms(fault, ohms);
            let amps = circuit.solve(phase.contacts())?.fault_currents_a[fault];
            Ok(amps * amps * ohms)
        };
        let mut best = (0.0, 0.0);
        // From 10 mΩ to 10 kΩ, then finer around the best.
        for (from, to) in [(-2.0, 4.0), (-0.2, 0.2), (-0.02, 0.02)] {
            let middle: f64 = if to > 1.0 { 0.0 } else { best.0 };
            for k in 0..=24 {
                let log = middle + from + (to - from) * f64::from(k) / 24.0;
                let w = watts(self, log)?;
                if w > best.1 {
                    best = (log, w);
                }
            }
        }
        self.set_ohms(fault, 1e10);
        let v_open_v = self.solve(phase.contacts())?.fault_currents_a[fault] * 1e10;
        self.set_ohms(fault, given);
        Ok(Most {
            ohms: 10_f64.powf(best.0),
            w: best.1,
            v_open_v,
        })
    }

    fn person(&self, body_ohm: f64) -> Person {
        Person {
            touches: self.touches.plant(),
            ohm: body_ohm,
            feet_ohm: self.feet.ohm(),
        }
    }

    fn solve(&mut self, contacts: Contacts) -> Result<OperatingPoint, WhatIfError> {
        Ok(self.array.solve(contacts)?)
    }

    fn state(&self, phase: Phase, point: &OperatingPoint, person: Option<Touched>) -> State {
        let paths = &point.paths;
        State {
            phase,
            person,
            v_pos_v: point.v_pos,
            v_neg_v: point.v_neg,
            v_frame_to_soil_v: paths.v_frame - paths.v_soil_array,
            i_bond_a: point.i_bond_a,
            egc_a: paths.egc_a,
            tie_a: paths.tie_a,
            array_electrode_a: paths.array_electrode_a,
            bar_electrode_a: paths.bar_electrode_a,
            leakage_a: paths.leakage_a,
            string_a: point.string_currents_a.clone(),
            faults: self
                .faults
                .iter()
                .zip(&point.fault_currents_a)
                .map(|(fault, amps)| FaultNow {
                    fault_a: *amps,
                    fault_w: amps * amps * fault.ohms,
                })
                .collect(),
        }
    }

    /// The pole that the arrangement joins to earth; `None`: neither.
    pub fn bonded(&self) -> Option<Pole> {
        match self.earthing {
            Earthing::NegativeBonded | Earthing::HighResistance => Some(Pole::Negative),
            Earthing::PositiveBonded => Some(Pole::Positive),
            Earthing::NotEarthed => None,
        }
    }
}

/// Whether a fault lies on the bonded conductor, where a fuse cannot see it: at that end of a string, or on the run.
pub fn on_bonded_conductor(at: At, earthing: Earthing, modules_per_string: u32) -> bool {
    let (pole, end) = match earthing {
        Earthing::NegativeBonded | Earthing::HighResistance => (Pole::Negative, 0),
        Earthing::PositiveBonded => (Pole::Positive, modules_per_string),
        Earthing::NotEarthed => return false,
    };
    match at {
        At::String { module, .. } => module == end,
        At::Conductor(other) => other == pole,
    }
}
