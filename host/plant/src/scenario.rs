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
use crate::array::{ArraySettings, EarthingParts, Load, Place};
use crate::contactor::ContactorSettings;
use crate::fault::{FaultSettings, at_hours};
use crate::module::ModuleKind;
use crate::sensors::SensorSettings;
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
    /// Places of the faults, in the same order.
    pub places: Vec<Place>,
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
    /// Peak of the 8/20 µs wave in the bond, A; the sign is its direction.
    pub peak_a: f64,
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
