//! The invented array that unit tests share, and pieces of it.

use crate::array_file::ArrayFile;
use crate::array_file::conductor::{Conductor, Material};
use crate::array_file::grounding::{Electrode, ElectrodeKind, Place};

/// Text of an off-grid array of eight modules; `more` is appended.
pub fn heron_bend_text(more: &str) -> String {
    format!(
        r#"name = "Heron Bend"

[settings]
earthing = "negative-bonded"
mains = "hz50"

[array]
strings = 2
modules_per_string = 4
module = "mono60-300w"
string_cable_ohm = 0.2
insulation_mohm_per_module = 400.0
leakage_nf_per_module = 25.0

[site]
min_c = -20.0
soil_ohm_m = 100.0

[modules]
area_m2 = 1.63
rated_w = 300.0

{more}"#
    )
}

/// The same, read.
pub fn heron_bend(more: &str) -> ArrayFile {
    ArrayFile::parse("heron-bend-array.toml", &heron_bend_text(more)).expect("reads")
}

/// Solid copper.
pub fn run(length_m: f64, size: &str) -> Conductor {
    Conductor {
        length_m,
        size: Some(size.to_owned()),
        ohm_per_km_20c: None,
        material: Material::Copper,
        stranded: false,
    }
}

/// A rod of 8 ft × 5/8 in at the main panel.
pub fn electrode(name: &str) -> Electrode {
    Electrode {
        name: name.to_owned(),
        kind: ElectrodeKind::Rod,
        place: Place::MainPanel,
        length_m: Some(2.4384),
        diameter_mm: Some(15.875),
        rods: 1,
        spacing_m: None,
        measured_ohm: None,
        conductor: None,
    }
}
