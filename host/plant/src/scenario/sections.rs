//! Sections that a scenario and the description of an array share: their ranges, checked in one place.

use super::error::{ScenarioError, Source};
use crate::array::{ArraySettings, EarthingParts, GroundPaths, Load};
use crate::contactor::ContactorSettings;
use crate::module::{KINDS, ModuleKind};
use ohmward_proto::settings::Earthing;
use serde::Deserialize;

/// A value, or what is wrong with the file.
pub type Checked<T> = Result<T, ScenarioError>;

/// Section `[load]` as written.
#[derive(Clone, Copy, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoadSettings {
    kind: LoadKind,
    volts: Option<f64>,
    series_ohm: Option<f64>,
}

#[derive(Clone, Copy, PartialEq, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum LoadKind {
    None,
    Battery,
    #[default]
    WorkingPoint,
}

impl Source<'_> {
    /// The value lies between `low` and `high`; NaN lies in no range.
    pub fn between(&self, path: &str, value: f64, low: f64, high: f64) -> Checked<()> {
        if (low..=high).contains(&value) {
            Ok(())
        } else {
            Err(self.error(
                path,
                format!("{value} is out of range; give {low} to {high}"),
            ))
        }
    }

    /// `from_h` before `to_h`, both within the scenario.
    pub(super) fn span(
        &self,
        path: &str,
        from_h: f64,
        to_h: Option<f64>,
        duration_h: f64,
    ) -> Checked<()> {
        self.between(&format!("{path}.from_h"), from_h, 0.0, duration_h)?;
        match to_h {
            Some(to_h) if to_h.is_nan() || to_h <= from_h => Err(self.error(
                &format!("{path}.to_h"),
                format!("{to_h} is not after from_h ({from_h}); give a later hour"),
            )),
            _ => Ok(()),
        }
    }
}

/// `[array]`; gives the kind of its modules.
pub fn array(source: &Source<'_>, a: &ArraySettings) -> Checked<&'static ModuleKind> {
    source.between("array.strings", f64::from(a.strings), 1.0, 1000.0)?;
    source.between(
        "array.modules_per_string",
        f64::from(a.modules_per_string),
        1.0,
        100.0,
    )?;
    source.between("array.string_cable_ohm", a.string_cable_ohm, 0.0, 100.0)?;
    source.between("array.main_cable_ohm", a.main_cable_ohm, 0.0, 100.0)?;
    source.between(
        "array.insulation_mohm_per_module",
        a.insulation_mohm_per_module,
        0.001,
        1e7,
    )?;
    source.between(
        "array.leakage_nf_per_module",
        a.leakage_nf_per_module,
        0.0,
        1e5,
    )?;
    source.between(
        "array.activation_energy_ev",
        a.activation_energy_ev,
        0.0,
        1.5,
    )?;
    source.between("array.wet_factor", a.wet_factor, 0.0, 1e6)?;
    source.between(
        "array.capacitance_percent_per_k",
        a.capacitance_percent_per_k,
        -1.0,
        1.0,
    )?;
    source.between(
        "array.wet_capacitance_factor",
        a.wet_capacitance_factor,
        1.0,
        100.0,
    )?;
    ModuleKind::named(&a.module).ok_or_else(|| {
        let known: Vec<_> = KINDS.iter().map(|kind| kind.name).collect();
        source.error(
            "array.module",
            format!(
                "\"{}\" is not a known module; choose from: {}",
                a.module,
                known.join(", ")
            ),
        )
    })
}

/// `[earthing]` beside the arrangement that `settings.earthing` names.
pub fn earthing(source: &Source<'_>, parts: &EarthingParts, arrangement: Earthing) -> Checked<()> {
    source.between("earthing.fuse_ohm", parts.fuse_ohm, 0.0, 100.0)?;
    source.between("earthing.shunt_ohm", parts.shunt_ohm, 0.001, 100.0)?;
    match (arrangement, parts.high_resistance_ohm) {
        (Earthing::HighResistance, None) => Err(source.error(
            "earthing.high_resistance_ohm",
            "is missing, and settings.earthing is high-resistance; add it",
        )),
        (Earthing::HighResistance, Some(ohm)) => {
            source.between("earthing.high_resistance_ohm", ohm, 10.0, 1e7)
        }
        (_, Some(_)) => Err(source.error(
            "earthing.high_resistance_ohm",
            "has no use unless settings.earthing is high-resistance; remove one or change the other",
        )),
        (_, None) => Ok(()),
    }
}

/// `[ground]`: resistances up to `inf`, which is a broken conductor.
pub fn ground(source: &Source<'_>, paths: &GroundPaths) -> Checked<()> {
    for (key, ohm) in [
        ("egc_ohm", paths.egc_ohm),
        ("bar_electrode_ohm", paths.bar_electrode_ohm),
        ("array_electrode_ohm", paths.array_electrode_ohm),
        ("electrode_tie_ohm", paths.electrode_tie_ohm),
    ] {
        if let Some(ohm) = ohm.filter(|ohm| *ohm != f64::INFINITY) {
            source.between(&format!("ground.{key}"), ohm, 0.0, 1e9)?;
        }
    }
    if let Some(volts) = paths.earth_potential_v {
        source.between("ground.earth_potential_v", volts, -1e5, 1e5)?;
    }
    Ok(())
}

/// `[load]`.
pub fn load(source: &Source<'_>, raw: LoadSettings) -> Checked<Load> {
    match (raw.kind, raw.volts, raw.series_ohm) {
        (LoadKind::Battery, Some(volts), Some(series_ohm)) => {
            source.between("load.volts", volts, 1.0, 1500.0)?;
            source.between("load.series_ohm", series_ohm, 0.001, 1000.0)?;
            Ok(Load::Battery { volts, series_ohm })
        }
        (LoadKind::Battery, None, _) => {
            Err(source.error("load.volts", "is missing for a battery; add it"))
        }
        (LoadKind::Battery, _, None) => {
            Err(source.error("load.series_ohm", "is missing for a battery; add it"))
        }
        (LoadKind::None, None, None) => Ok(Load::None),
        (LoadKind::WorkingPoint, None, None) => Ok(Load::WorkingPoint),
        (_, volts, _) => Err(source.error(
            if volts.is_some() {
                "load.volts"
            } else {
                "load.series_ohm"
            },
            "belongs to kind = \"battery\" only; remove it or change the kind",
        )),
    }
}

/// `[contactor]`.
pub fn contactor(source: &Source<'_>, c: ContactorSettings) -> Checked<()> {
    source.between("contactor.close_ms", c.close_ms, 0.0, 5000.0)?;
    source.between("contactor.open_ms", c.open_ms, 0.0, 5000.0)
}
