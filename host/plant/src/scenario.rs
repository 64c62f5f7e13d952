//! A scenario file: what array, what board, what weather, what goes wrong and when.
//!
//! TOML with units in the key names. Unknown keys and impossible values are errors that name file, line and key.
//! - [`Scenario`] is what a file says, checked.
//! - `error.rs`: the one-line error, and finding the line of a key.
//! - `check.rs`: ranges.
//! - [`sections`]: ranges of the sections that other files share with a scenario.
//! - `settings.rs`: the board's settings as a few changes over the defaults.

mod check;
mod error;
pub mod sections;
mod settings;

pub use error::{ScenarioError, Source};
pub use settings::{leaves, overlay};

use crate::ageing::AgeingSettings;
use crate::array::{
    ArraySettings, EarthingParts, End, FaultPath, GroundPaths, Load, Person, Place, Touch,
};
use crate::contactor::ContactorSettings;
use crate::converter_noise::ConverterNoise;
use crate::fault::{FaultSettings, at_hours};
use crate::fuse::FuseSettings;
use crate::module::ModuleKind;
use crate::sensors::SensorSettings;
use crate::surge::Wave;
use crate::weather::WeatherSettings;
use jiff::Timestamp;
use ohmward_proto::message::BoardId;
use ohmward_proto::{SampleIndex, Settings};
use sections::LoadSettings;
use serde::Deserialize;
use std::path::Path;

/// A checked scenario.
#[derive(Clone, PartialEq, Debug)]
pub struct Scenario {
    /// File it came from, as named by the caller.
    pub file: String,
    /// Short name.
    pub name: String,
    /// What it shows.
    pub note: String,
    /// Draws clouds, showers, noise, intermittent contacts.
    pub seed: u64,
    /// Wall-clock time of sample 0.
    pub start: Timestamp,
    /// Length, h.
    pub duration_h: f64,
    /// The board.
    pub board: Board,
    /// What is set on the board.
    pub settings: Settings,
    /// The array.
    pub array: ArraySettings,
    /// Its modules.
    pub module: &'static ModuleKind,
    /// Parts of the bond.
    pub earthing: EarthingParts,
    /// Frames, bar, electrodes, soil.
    pub ground: GroundPaths,
    /// What it feeds.
    pub load: Load,
    /// The weather.
    pub weather: WeatherSettings,
    /// How the insulation of all modules grows old.
    pub ageing: AgeingSettings,
    /// The front end.
    pub sensors: SensorSettings,
    /// The contactor.
    pub contactor: ContactorSettings,
    /// Faults.
    pub faults: Vec<FaultSettings>,
    /// From where to where they lead, in the same order.
    pub fault_paths: Vec<FaultPath>,
    /// The ground-fault fuse, if it can melt.
    pub fuse: Option<FuseSettings>,
    /// What a transformerless converter adds.
    pub converter_noise: Option<ConverterNoise>,
    /// Shade.
    pub shades: Vec<Shade>,
    /// People.
    pub persons: Vec<PersonSettings>,
    /// Lifts of the soil.
    pub earth_potentials: Vec<EarthPotential>,
    /// Surges.
    pub surges: Vec<SurgeSettings>,
    /// Buttons pressed.
    pub presses: Vec<Press>,
    /// Times at which the contactor is welded.
    pub welds: Vec<Weld>,
}

/// The simulated board.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Board {
    /// Its number.
    pub id: BoardId,
    /// Samples a second and channel.
    pub sample_rate_hz: u32,
    /// How often it has started, this start included.
    pub boot: u32,
}

/// One `[[surge]]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurgeSettings {
    /// Hours from the start.
    pub at_h: f64,
    /// Peak in the bond, A; the sign is its direction.
    pub peak_a: f64,
    /// Form: "8/20", "heidler-8/20" or "heidler-10/350", in µs.
    #[serde(default)]
    pub wave: Wave,
}

/// One `[[shade]]`: some of the light on some modules of a string.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shade {
    /// String, counted from 1.
    pub string: u32,
    /// First and last module, counted from 1 at the negative end; without it the whole string.
    pub modules: Option<[u32; 2]>,
    /// Share of the light that is left, 0 to 1.
    pub light: f64,
    /// Hours from the start.
    #[serde(default)]
    pub from_h: f64,
    /// Hours from the start; without it, for good.
    pub to_h: Option<f64>,
}

/// One `[[person]]` standing on the soil at the array.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PersonSettings {
    /// What the hand is on.
    pub touches: Touched,
    /// Which end of that conductor.
    #[serde(default)]
    pub at: End,
    /// The body, Ω.
    pub ohm: f64,
    /// Shoes and soil under the feet, Ω.
    pub feet_ohm: f64,
    /// Hours from the start.
    #[serde(default)]
    pub from_h: f64,
    /// Hours from the start; without it, for good.
    pub to_h: Option<f64>,
}

/// What a person of a scenario can touch.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Touched {
    /// A frame.
    Frame,
    /// The bare positive conductor.
    Positive,
    /// The bare negative conductor.
    Negative,
}

impl PersonSettings {
    /// For the circuit.
    pub fn person(&self) -> Person {
        Person {
            touches: match self.touches {
                Touched::Frame => Touch::Frame,
                Touched::Positive => Touch::Conductor(Place::Positive(self.at)),
                Touched::Negative => Touch::Conductor(Place::Negative(self.at)),
            },
            ohm: self.ohm,
            feet_ohm: self.feet_ohm,
        }
    }
}

/// One `[[earth_potential]]`: the soil at the array is lifted further for a while.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EarthPotential {
    /// Soil at the array above soil at the bar, V, on top of what `[ground]` says.
    pub volts: f64,
    /// Hours from the start.
    pub at_h: f64,
    /// How long, s.
    pub for_s: f64,
}

/// One `[[press]]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Press {
    /// Which.
    pub button: Button,
    /// Hours from the start.
    pub at_h: f64,
    /// How long, s.
    pub for_s: f64,
}

/// What a person can press on the board.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Button {
    /// The reset button.
    Reset,
    /// The maintenance switch.
    Arm,
}

/// One `[[weld]]`: contacts that are closed, or close, meanwhile do not open.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Weld {
    /// Hours from the start.
    pub from_h: f64,
    /// Hours from the start; without it, for good.
    pub to_h: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BoardSettings {
    id: String,
    #[serde(default = "default_rate_hz")]
    sample_rate_hz: u32,
    #[serde(default = "default_boot")]
    boot: u32,
}

fn default_rate_hz() -> u32 {
    4000
}
fn default_boot() -> u32 {
    1
}

/// The file as written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    name: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    seed: u64,
    start: String,
    duration_h: f64,
    board: BoardSettings,
    #[serde(default)]
    settings: toml::Table,
    array: ArraySettings,
    #[serde(default)]
    earthing: EarthingParts,
    #[serde(default)]
    ground: GroundPaths,
    #[serde(default)]
    load: LoadSettings,
    #[serde(default)]
    weather: WeatherSettings,
    #[serde(default)]
    ageing: AgeingSettings,
    #[serde(default)]
    sensors: SensorSettings,
    #[serde(default)]
    contactor: ContactorSettings,
    #[serde(default)]
    fault: Vec<FaultSettings>,
    fuse: Option<FuseSettings>,
    converter_noise: Option<ConverterNoise>,
    #[serde(default)]
    shade: Vec<Shade>,
    #[serde(default)]
    person: Vec<PersonSettings>,
    #[serde(default)]
    earth_potential: Vec<EarthPotential>,
    #[serde(default)]
    surge: Vec<SurgeSettings>,
    #[serde(default)]
    press: Vec<Press>,
    #[serde(default)]
    weld: Vec<Weld>,
}

impl Scenario {
    /// Reads and checks a file.
    pub fn load(path: &Path) -> Result<Self, ScenarioError> {
        let file = path.display().to_string();
        let text =
            std::fs::read_to_string(path).map_err(|e| ScenarioError::unreadable(&file, &e))?;
        Self::parse(&file, &text)
    }

    /// Checks a text; `file` is its name in errors.
    pub fn parse(file: &str, text: &str) -> Result<Self, ScenarioError> {
        let source = Source::new(file, text)?;
        let raw: Raw = toml::from_str(text).map_err(|e| source.serde_error(&e))?;
        let settings = overlay(&source, Settings::SMALL_BONDED, &raw.settings)?;
        check::scenario(&source, raw, settings)
    }

    /// First sample after the scenario.
    pub fn end(&self) -> SampleIndex {
        at_hours(self.duration_h, self.board.sample_rate_hz)
    }
}
