//! ARRAY.toml: what stands in the field, as far as limits, grounding and faults depend on it.
//!
//! `[array]`, `[earthing]`, `[load]`, `[contactor]` and `[settings]` are those of a scenario and are read by the plant's own
//! checks; the rest is about the place. Nobody's key is ignored: an unknown one is an error with file, line and key.
//! - [`ArrayFile`]: what a file says, checked.
//! - [`site`]: place, modules, converter, ground-fault fuse.
//! - [`grounding`]: electrodes, bonding points, circuits.
//! - [`conductor`]: sizes and lengths of wire.

pub mod conductor;
pub mod grounding;
pub mod site;

use grounding::{Bond, Circuit, Electrode, Grounding};
use ohmward_plant::ScenarioError;
use ohmward_plant::array::{ArraySettings, EarthingParts, Load};
use ohmward_plant::contactor::ContactorSettings;
use ohmward_plant::module::ModuleKind;
use ohmward_plant::scenario::Source;
use ohmward_plant::scenario::sections::{self, Checked, LoadSettings};
use ohmward_proto::settings::{Earthing, Mains};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use site::{Converter, Modules, Protection, Site};
use std::path::Path;

/// A checked ARRAY.toml.
#[derive(Clone, PartialEq, Debug)]
pub struct ArrayFile {
    /// File it came from, as named by the caller.
    pub file: String,
    /// Its text: where a key stands is told from it.
    pub text: String,
    /// Short name of the array.
    pub name: String,
    /// What there is to know about it.
    pub note: String,
    /// Modules, strings, string cable, insulation.
    pub array: ArraySettings,
    /// Its modules' curve.
    pub module: &'static ModuleKind,
    /// How the array is joined to earth.
    pub arrangement: Earthing,
    /// The parts of that joint.
    pub earthing: EarthingParts,
    /// Mains nearby.
    pub mains: Mains,
    /// What the array feeds.
    pub load: Load,
    /// The contactor as built.
    pub contactor: ContactorSettings,
    /// The place.
    pub site: Site,
    /// What the modules' nameplate adds to the curve.
    pub modules: Modules,
    /// What the standards' tables ask about the converter.
    pub converter: Converter,
    /// The ground-fault fuse.
    pub protection: Protection,
    /// Whether there is an AC system; `None`: the file says nothing about grounding.
    pub grounding: Option<Grounding>,
    /// Grounding electrodes.
    pub electrodes: Vec<Electrode>,
    /// Bonding points.
    pub bonds: Vec<Bond>,
    /// Circuits with their conductors.
    pub circuits: Vec<Circuit>,
    /// `[settings]` without `earthing` and `mains`: changes a person wants over the planned settings.
    pub overrides: toml::Table,
}

/// The file as written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    name: String,
    #[serde(default)]
    note: String,
    settings: toml::Table,
    array: ArraySettings,
    #[serde(default)]
    earthing: EarthingParts,
    #[serde(default)]
    load: LoadSettings,
    #[serde(default)]
    contactor: ContactorSettings,
    site: Site,
    modules: Modules,
    #[serde(default)]
    converter: Converter,
    #[serde(default)]
    protection: Protection,
    grounding: Option<Grounding>,
    #[serde(default)]
    electrode: Vec<Electrode>,
    #[serde(default)]
    bond: Vec<Bond>,
    #[serde(default)]
    circuit: Vec<Circuit>,
}

impl ArrayFile {
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
        let mut raw: Raw = toml::from_str(text).map_err(|e| source.serde_error(&e))?;
        if raw.name.trim().is_empty() {
            return Err(source.error("name", "is empty; give the array a name"));
        }
        // Both decide which table applies, so neither has a default here.
        let arrangement = required(
            &source,
            &mut raw.settings,
            "earthing",
            "negative-bonded, positive-bonded, high-resistance or not-earthed",
        )?;
        let mains = required(&source, &mut raw.settings, "mains", "hz50 or hz60")?;
        let module = sections::array(&source, &raw.array)?;
        sections::earthing(&source, &raw.earthing, arrangement)?;
        let load = sections::load(&source, raw.load)?;
        sections::contactor(&source, raw.contactor)?;
        raw.site.check(&source)?;
        raw.modules.check(&source)?;
        raw.converter.check(&source)?;
        raw.protection.check(&source, arrangement)?;
        grounding::check(&source, &raw.electrode, &raw.bond, &raw.circuit)?;
        Ok(Self {
            file: file.to_owned(),
            text: text.to_owned(),
            name: raw.name,
            note: raw.note,
            array: raw.array,
            module,
            arrangement,
            earthing: raw.earthing,
            mains,
            load,
            contactor: raw.contactor,
            site: raw.site,
            modules: raw.modules,
            converter: raw.converter,
            protection: raw.protection,
            grounding: raw.grounding,
            electrodes: raw.electrode,
            bonds: raw.bond,
            circuits: raw.circuit,
            overrides: raw.settings,
        })
    }

    /// An error about the key at `path`, with its line.
    pub fn error(&self, path: &str, message: impl Into<String>) -> ScenarioError {
        match Source::new(&self.file, &self.text) {
            Ok(source) => source.error(path, message),
            // The text was read before; if it cannot be read again, that is what to say.
            Err(unreadable) => unreadable,
        }
    }
}

/// A setting that has to be there, taken out of the changes.
fn required<T: DeserializeOwned>(
    source: &Source<'_>,
    settings: &mut toml::Table,
    key: &str,
    valid: &str,
) -> Checked<T> {
    let path = format!("settings.{key}");
    let value = settings
        .remove(key)
        .ok_or_else(|| source.error(&path, format!("is missing; give {valid}")))?;
    value
        .try_into()
        .map_err(|_| source.error(&path, format!("is none of the valid values; give {valid}")))
}

#[cfg(test)]
mod tests;
