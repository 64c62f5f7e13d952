//! What an array is made of, as a scenario says it.

use crate::insulation::Insulation;
use serde::Deserialize;

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
    Positive,
    /// On the negative conductor, likewise.
    Negative,
}
