//! What an array is made of, as a scenario says it.

use super::ground::{FaultPath, GroundPaths};
use crate::insulation::Insulation;
use crate::module::ModuleKind;
use ohmward_proto::settings::{Bridge, Earthing};
use serde::Deserialize;

/// Everything the circuit of an array is built from. The scenario has checked the numbers; places lie inside the array.
#[derive(Clone, PartialEq, Debug)]
pub struct Description {
    /// Strings, modules, cables, insulation.
    pub settings: ArraySettings,
    /// The modules.
    pub kind: &'static ModuleKind,
    /// Which pole is bonded.
    pub earthing: Earthing,
    /// Parts of the bond.
    pub parts: EarthingParts,
    /// Past the bond.
    pub ground: GroundPaths,
    /// What it feeds.
    pub load: Load,
    /// Dividers and switched measuring resistors at the monitor.
    pub bridge: Bridge,
    /// Paths to ground that may appear, in the order in which [`Array::set_fault`](super::Array::set_fault) counts them.
    pub faults: Vec<FaultPath>,
}

impl Description {
    /// An array with the usual parts, ideal ground, no load and no faults; change the fields that differ.
    pub fn new(
        settings: &ArraySettings,
        kind: &'static ModuleKind,
        earthing: Earthing,
        bridge: &Bridge,
    ) -> Self {
        Self {
            settings: settings.clone(),
            kind,
            earthing,
            parts: EarthingParts::default(),
            ground: GroundPaths::default(),
            load: Load::None,
            bridge: *bridge,
            faults: Vec::new(),
        }
    }
}

/// Section `[array]` of a scenario.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ArraySettings {
    /// Strings in parallel.
    pub strings: u32,
    /// Modules in series in each.
    pub modules_per_string: u32,
    /// Name of the module kind.
    #[serde(default = "defaults::module")]
    pub module: String,
    /// Cable of one string, both ways together, Ω; half lies at each end.
    #[serde(default = "defaults::string_cable_ohm")]
    pub string_cable_ohm: f64,
    /// Main cable from the joint of the strings to the monitor, each conductor, Ω.
    #[serde(default)]
    pub main_cable_ohm: f64,
    /// Insulation of one module, dry at 25 °C, MΩ.
    #[serde(default = "defaults::insulation_mohm_per_module")]
    pub insulation_mohm_per_module: f64,
    /// Capacitance of one module to earth, dry, nF.
    #[serde(default = "defaults::leakage_nf_per_module")]
    pub leakage_nf_per_module: f64,
    /// Activation energy of the insulation, eV.
    #[serde(default = "defaults::activation_energy_ev")]
    pub activation_energy_ev: f64,
    /// Conductance of the fully wet surface over the dry insulation at 25 °C.
    #[serde(default = "defaults::wet_factor")]
    pub wet_factor: f64,
    /// Leakage capacitance fully wet over dry.
    #[serde(default = "defaults::wet_capacitance_factor")]
    pub wet_capacitance_factor: f64,
    /// Change of the leakage capacitance with the cells' temperature, %/K.
    #[serde(default = "defaults::capacitance_percent_per_k")]
    pub capacitance_percent_per_k: f64,
}

/// Section `[earthing]`: the parts of the bond. Which arrangement it is stands in the board's settings.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct EarthingParts {
    /// Ground-fault fuse, cold, Ω.
    pub fuse_ohm: f64,
    /// Shunt of the bond current channel, Ω.
    pub shunt_ohm: f64,
    /// The resistor of high-resistance earthing, Ω.
    pub high_resistance_ohm: Option<f64>,
}

impl Default for EarthingParts {
    /// A 1 A fuse is a few tenths of an ohm cold: common practice, no source.
    fn default() -> Self {
        Self {
            fuse_ohm: 0.2,
            shunt_ohm: 0.1,
            high_resistance_ohm: None,
        }
    }
}

// Healthy modules are 10 to 1000 times better than the 40 MΩ·m² of IEC 61215-2 (24 MΩ for 1.6 m²); 60 to 150 nF/kWp for
// crystalline modules and a factor 10 to 100 between dry noon and wet morning are literature values from memory.
mod defaults {
    pub fn module() -> String {
        crate::module::KINDS[0].name.to_owned()
    }
    pub fn string_cable_ohm() -> f64 {
        0.2
    }
    pub fn insulation_mohm_per_module() -> f64 {
        2000.0
    }
    pub fn leakage_nf_per_module() -> f64 {
        25.0
    }
    pub fn activation_energy_ev() -> f64 {
        0.7
    }
    pub fn wet_factor() -> f64 {
        30.0
    }
    pub fn wet_capacitance_factor() -> f64 {
        2.0
    }
    pub fn capacitance_percent_per_k() -> f64 {
        0.2
    }
}

impl ArraySettings {
    /// Modules in all.
    pub fn modules(&self) -> u32 {
        self.strings * self.modules_per_string
    }

    /// Insulation of one module.
    pub fn insulation(&self) -> Insulation {
        Insulation {
            r_dry_25c_ohm: self.insulation_mohm_per_module * 1e6,
            c_dry_f: self.leakage_nf_per_module * 1e-9,
            activation_energy_ev: self.activation_energy_ev,
            wet_factor: self.wet_factor,
            wet_capacitance_factor: self.wet_capacitance_factor,
            capacitance_percent_per_k: self.capacitance_percent_per_k,
        }
    }
}

/// What the array feeds.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Load {
    /// Nothing.
    None,
    /// A battery behind a blocking diode and a resistance.
    Battery {
        /// V.
        volts: f64,
        /// Ω.
        series_ohm: f64,
    },
    /// A converter that holds the healthy array's maximum-power voltage.
    WorkingPoint,
}

/// Where a fault path to earth starts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Place {
    /// In a string.
    Tap {
        /// The string, from 0.
        string: u32,
        /// Modules between the negative end of the string and the fault, 0 to modules per string.
        modules_below: u32,
    },
    /// On the positive conductor, between strings and contactor.
    Positive(End),
    /// On the negative conductor, likewise.
    Negative(End),
}

/// An end of the main cable. Without main cable both are one.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// The joint of the strings.
    #[default]
    Array,
    /// Where the monitor, its bond and the contactor are.
    Monitor,
}
