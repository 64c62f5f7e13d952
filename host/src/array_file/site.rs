//! Place, modules, converter, ground-fault fuse.

use ohmward_plant::scenario::Source;
use ohmward_plant::scenario::sections::Checked;
use ohmward_proto::settings::Earthing;
use serde::Deserialize;

/// Section `[site]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Site {
    /// Lowest temperature the modules meet in daylight, °C.
    pub min_c: f64,
    /// Hottest cells, °C.
    #[serde(default = "max_cell_c")]
    pub max_cell_c: f64,
    /// Temperature at which conductor resistances are taken, °C.
    #[serde(default = "conductor_c")]
    pub conductor_c: f64,
    /// Resistivity of the soil, Ω·m.
    pub soil_ohm_m: Option<f64>,
}

fn max_cell_c() -> f64 {
    65.0
}
fn conductor_c() -> f64 {
    75.0
}

/// Section `[modules]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Modules {
    /// Of one module, m².
    pub area_m2: f64,
    /// Of one module as its nameplate says, W; without it, the maximum power of the module's curve.
    pub rated_w: Option<f64>,
}

/// Section `[converter]`.
#[derive(Clone, Copy, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Converter {
    /// Continuous output rating, kVA.
    pub rated_kva: Option<f64>,
    /// DC rating, kW; without it, the rating of the array.
    pub dc_rating_kw: Option<f64>,
    /// Whether a transformer or the like isolates its output from the array.
    pub isolated: Option<bool>,
}

/// Section `[protection]`.
#[derive(Clone, Copy, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protection {
    /// Rating of the ground-fault fuse in the bond, A.
    pub bond_fuse_a: Option<f64>,
}

impl Site {
    pub(super) fn check(&self, source: &Source<'_>) -> Checked<()> {
        source.between("site.min_c", self.min_c, -60.0, 50.0)?;
        source.between("site.max_cell_c", self.max_cell_c, 25.0, 120.0)?;
        source.between("site.conductor_c", self.conductor_c, -40.0, 120.0)?;
        match self.soil_ohm_m {
            Some(ohm_m) => source.between("site.soil_ohm_m", ohm_m, 1.0, 100_000.0),
            None => Ok(()),
        }
    }
}

impl Modules {
    pub(super) fn check(&self, source: &Source<'_>) -> Checked<()> {
        source.between("modules.area_m2", self.area_m2, 0.01, 10.0)?;
        match self.rated_w {
            Some(w) => source.between("modules.rated_w", w, 1.0, 2000.0),
            None => Ok(()),
        }
    }
}

impl Converter {
    pub(super) fn check(&self, source: &Source<'_>) -> Checked<()> {
        for (key, value) in [
            ("rated_kva", self.rated_kva),
            ("dc_rating_kw", self.dc_rating_kw),
        ] {
            if let Some(value) = value {
                source.between(&format!("converter.{key}"), value, 0.01, 1e6)?;
            }
        }
        Ok(())
    }
}

impl Protection {
    pub(super) fn check(&self, source: &Source<'_>, arrangement: Earthing) -> Checked<()> {
        let Some(amps) = self.bond_fuse_a else {
            return Ok(());
        };
        source.between("protection.bond_fuse_a", amps, 0.05, 100.0)?;
        match arrangement {
            Earthing::NegativeBonded | Earthing::PositiveBonded => Ok(()),
            Earthing::HighResistance | Earthing::NotEarthed => Err(source.error(
                "protection.bond_fuse_a",
                "has no place unless settings.earthing is negative-bonded or positive-bonded; remove one or change the other",
            )),
        }
    }
}
