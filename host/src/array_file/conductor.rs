//! Sizes and lengths of wire.

use ohmward_plant::scenario::Source;
use ohmward_plant::scenario::sections::Checked;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Sizes of the North American range, thin to thick: AWG, then thousands of circular mils.
const SIZES: [&str; 32] = [
    "18", "16", "14", "12", "10", "8", "6", "4", "3", "2", "1", "1/0", "2/0", "3/0", "4/0", "250",
    "300", "350", "400", "500", "600", "700", "750", "800", "900", "1000", "1250", "1500", "1750",
    "2000", "2250", "2500",
];

/// A conductor size; a larger one compares greater.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(into = "String")]
pub struct Size(u8);

impl Size {
    /// The size of that name: "14", "1/0", "250".
    pub fn named(name: &str) -> Option<Self> {
        SIZES
            .iter()
            .position(|size| *size == name)
            .map(|place| Self(place as u8))
    }

    /// Its name without a unit.
    pub fn name(self) -> &'static str {
        SIZES[usize::from(self.0)]
    }
}

impl From<Size> for String {
    fn from(size: Size) -> Self {
        size.to_string()
    }
}

impl fmt::Display for Size {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kcmil = Self::named("4/0").is_some_and(|largest_awg| *self > largest_awg);
        write!(f, "{} {}", self.name(), if kcmil { "kcmil" } else { "AWG" })
    }
}

/// What a conductor is made of.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Material {
    /// Uncoated copper.
    #[default]
    Copper,
    /// Aluminium.
    Aluminium,
}

impl Material {
    /// For sentences.
    pub fn word(self) -> &'static str {
        match self {
            Self::Copper => "copper",
            Self::Aluminium => "aluminium",
        }
    }
}

/// A run of wire: either a size of the North American range, or its resistance.
#[derive(Clone, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Conductor {
    /// One way, m.
    pub length_m: f64,
    /// AWG or kcmil: "10", "2/0", "250".
    pub size: Option<String>,
    /// For wire of another range: Ω/km at 20 °C, from its sheet.
    pub ohm_per_km_20c: Option<f64>,
    /// What it is made of.
    #[serde(default)]
    pub material: Material,
    /// Stranded; the table tells only up to 8 AWG.
    #[serde(default)]
    pub stranded: bool,
}

impl Conductor {
    /// The size, if it is one of the North American range.
    pub fn awg(&self) -> Option<Size> {
        self.size.as_deref().and_then(Size::named)
    }

    /// "10 AWG copper", or its resistance.
    pub fn describe(&self) -> String {
        match (self.awg(), self.ohm_per_km_20c) {
            (Some(size), _) => format!("{size} {}", self.material.word()),
            (None, Some(ohm)) => format!("{} of {ohm} Ω/km", self.material.word()),
            (None, None) => self.material.word().to_owned(),
        }
    }

    pub(super) fn check(&self, source: &Source<'_>, path: &str) -> Checked<()> {
        source.between(&format!("{path}.length_m"), self.length_m, 0.01, 10_000.0)?;
        match (&self.size, self.ohm_per_km_20c) {
            (Some(name), None) if Size::named(name).is_none() => Err(source.error(
                &format!("{path}.size"),
                format!(
                    "\"{name}\" is no AWG or kcmil size; choose from {}, or give ohm_per_km_20c",
                    SIZES.join(", ")
                ),
            )),
            (Some(_), None) => Ok(()),
            (None, Some(ohm)) => {
                source.between(&format!("{path}.ohm_per_km_20c"), ohm, 0.005, 100.0)
            }
            (None, None) => Err(source.error(
                path,
                "does not say how thick; give size (AWG or kcmil) or ohm_per_km_20c",
            )),
            (Some(_), Some(_)) => Err(source.error(
                &format!("{path}.ohm_per_km_20c"),
                "stands beside size; remove one of them",
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_ordered_by_thickness() {
        let sizes = ["18", "14", "8", "1", "1/0", "4/0", "250", "2500"].map(Size::named);
        assert!(sizes.iter().all(Option::is_some));
        assert!(sizes.is_sorted());
        assert_eq!(Size::named("7"), None);
        assert_eq!(
            Size::named("4/0").map(|s| s.to_string()),
            Some("4/0 AWG".into())
        );
        assert_eq!(
            Size::named("250").map(|s| s.to_string()),
            Some("250 kcmil".into())
        );
    }
}
