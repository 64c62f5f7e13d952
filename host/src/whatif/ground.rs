//! The ways back to the bond that ARRAY.toml describes, in ohms, with what had to be assumed.
//!
//! ```text
//!   frames ── EGC ──┬── bar ── bond ── grounded conductor
//!     │  ── tie ────┘    │
//!   array electrode    bar electrode
//!     └──── soil ────────┘
//! ```

use super::WhatIfError;
use crate::array_file::ArrayFile;
use crate::array_file::conductor::Conductor;
use crate::array_file::grounding::{Bond, EGC, Electrode, Feeds, Joins, Place};
use crate::plan::facts::quantity;
use crate::plan::grounding::conductors::resistance_ohm;
use crate::plan::grounding::electrodes::electrode_ohm;
use ohmward_plant::array::GroundPaths;
use serde::Serialize;

/// The ways back, Ω. `None`: there is none.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Ground {
    /// Equipment-grounding conductor, frames to bar.
    pub egc_ohm: Option<f64>,
    /// Conductor that joins the electrodes, apart from the EGC: frames to bar once more.
    pub tie_ohm: Option<f64>,
    /// Electrodes at the array with their conductors, frames to soil.
    pub array_electrode_ohm: Option<f64>,
    /// All other electrodes with theirs, bar to soil.
    pub bar_electrode_ohm: Option<f64>,
    /// Names of the electrodes at the array.
    pub array_electrodes: Vec<String>,
    /// Names of the others.
    pub bar_electrodes: Vec<String>,
    /// Main run from the strings' joint to the converter, each conductor.
    pub main_ohm: f64,
    /// Resistivity of the soil, Ω·m; `None`: the file does not say.
    pub soil_ohm_m: Option<f64>,
    /// What the file does not say and was assumed here.
    pub assumed: Vec<String>,
}

impl Ground {
    /// Works them out.
    ///
    /// # Errors
    /// A conductor that is in no table, an electrode without a resistance.
    pub fn of(file: &ArrayFile) -> Result<Self, WhatIfError> {
        let at_c = file.site.conductor_c;
        let ohm = |conductor: &Conductor, of: &str| {
            resistance_ohm(conductor, at_c).map_err(|why| WhatIfError::Ground {
                what: of.to_owned(),
                why,
            })
        };
        let mut assumed = Vec::new();
        let run = file.circuits.iter().find(|c| c.feeds == Feeds::Array);
        let strings: Vec<_> = file
            .circuits
            .iter()
            .filter(|c| c.feeds == Feeds::String)
            .collect();
        let mut egc_ohm = None;
        // One string's conductor, then the common run: the way that a fault of one string takes.
        for circuit in run.into_iter().chain(strings.first().copied()) {
            if let Some(egc) = &circuit.egc {
                *egc_ohm.get_or_insert(0.0) += ohm(egc, &circuit.name)?;
            }
        }
        if let Some(circuit) = strings.first().filter(|_| strings.len() > 1) {
            assumed.push(format!(
                "of the strings' equipment-grounding conductors that of \"{}\"",
                circuit.name
            ));
        }
        if egc_ohm.is_none() {
            assumed.push(
                "no equipment-grounding conductor of the array is described: none is there"
                    .to_owned(),
            );
        }
        let main_ohm = if let Some(circuit) = run {
            ohm(&circuit.conductor, &circuit.name)?
        } else {
            assumed.push("no circuit feeds = \"array\": a main run without resistance".to_owned());
            0.0
        };
        let (array, bar): (Vec<_>, Vec<_>) = file
            .electrodes
            .iter()
            .partition(|e| e.place == Place::Array);
        let array_electrode_ohm = parallel(&array, file, &ohm)?;
        let bar_electrode_ohm = parallel(&bar, file, &ohm)?;
        if bar.is_empty() {
            assumed
                .push("no electrode away from the array is described: the bar has none".to_owned());
        }
        if file.electrodes.len() > 1 {
            assumed.push("electrodes far enough apart not to share soil".to_owned());
        }
        let tie_ohm = if file.bonds.iter().any(|b| joins(b, &array, &bar)) {
            let (ohm, how) = tie(file, &array, &ohm)?;
            assumed.push(how);
            Some(ohm)
        } else {
            None
        };
        Ok(Self {
            egc_ohm,
            tie_ohm,
            array_electrode_ohm,
            bar_electrode_ohm,
            array_electrodes: array.iter().map(|e| e.name.clone()).collect(),
            bar_electrodes: bar.iter().map(|e| e.name.clone()).collect(),
            main_ohm,
            soil_ohm_m: file.site.soil_ohm_m,
            assumed,
        })
    }

    /// As the plant takes them: there a missing conductor is one of infinite resistance.
    pub fn paths(&self) -> GroundPaths {
        GroundPaths {
            egc_ohm: Some(self.egc_ohm.unwrap_or(f64::INFINITY)),
            bar_electrode_ohm: Some(self.bar_electrode_ohm.unwrap_or(f64::INFINITY)),
            array_electrode_ohm: self.array_electrode_ohm,
            electrode_tie_ohm: self.tie_ohm,
            earth_potential_v: None,
        }
    }

    /// Frames to bar through the soil alone, Ω.
    pub fn earth_ohm(&self) -> Option<f64> {
        Some(self.array_electrode_ohm? + self.bar_electrode_ohm?)
    }

    /// Frames to bar through metal, Ω.
    pub fn metal_ohm(&self) -> Option<f64> {
        match (self.egc_ohm, self.tie_ohm) {
            (Some(egc), Some(tie)) => Some(egc * tie / (egc + tie)),
            (one, other) => one.or(other),
        }
    }
}

type OhmOf<'a> = dyn Fn(&Conductor, &str) -> Result<f64, WhatIfError> + 'a;

fn parallel(
    electrodes: &[&Electrode],
    file: &ArrayFile,
    ohm: &OhmOf<'_>,
) -> Result<Option<f64>, WhatIfError> {
    let mut g_s = 0.0;
    for e in electrodes {
        let own = electrode_ohm(e, file.site.soil_ohm_m).map_err(|why| WhatIfError::Ground {
            what: e.name.clone(),
            why,
        })?;
        let lead = match &e.conductor {
            Some(conductor) => ohm(conductor, &e.name)?,
            None => 0.0,
        };
        g_s += 1.0 / (own + lead);
    }
    Ok((g_s > 0.0).then(|| 1.0 / g_s))
}

/// Joins an electrode at the array to another one by a conductor of its own.
fn joins(bond: &Bond, array: &[&Electrode], bar: &[&Electrode]) -> bool {
    let one_of = |set: &[&Electrode]| {
        bond.between
            .iter()
            .any(|name| name != EGC && set.iter().any(|e| e.name == *name))
    };
    bond.joins == Joins::Electrodes && one_of(array) && one_of(bar)
}

/// The file names such a conductor without its size: as thick as the electrode's own, as long as the array's run.
fn tie(
    file: &ArrayFile,
    array: &[&Electrode],
    ohm: &OhmOf<'_>,
) -> Result<(f64, String), WhatIfError> {
    let size = array.iter().find_map(|e| e.conductor.as_ref());
    let run = file
        .circuits
        .iter()
        .find(|c| c.feeds == Feeds::Array)
        .map(|c| c.conductor.length_m);
    let (Some(size), Some(length_m)) = (size, run) else {
        return Err(WhatIfError::Ground {
            what: "the conductor between the electrodes".to_owned(),
            why: "its size and length are taken from the array electrode's conductor and from the circuit feeds = \
                  \"array\"; describe both"
                .to_owned(),
        });
    };
    let conductor = Conductor {
        length_m,
        ..size.clone()
    };
    let ohm = ohm(&conductor, "the conductor between the electrodes")?;
    Ok((
        ohm,
        format!(
            "the conductor that joins the electrodes is as long as the array's run ({length_m} m) and of the electrode's size \
             ({}): {}",
            conductor.describe(),
            quantity(ohm, "Ω")
        ),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::test_array::heron_bend;

    const RODS: &str = r#"
[[electrode]]
name = "house rod"
kind = "rod"
place = "main-panel"
length_m = 2.4384
diameter_mm = 15.875
[[electrode]]
name = "shed rod"
kind = "rod"
place = "array"
length_m = 2.4384
diameter_mm = 15.875
conductor = { length_m = 3.0, size = "6" }
[[circuit]]
name = "run"
feeds = "array"
conductor = { length_m = 30.48, size = "10" }
egc = { length_m = 30.48, size = "10" }
"#;

    /// IEEE 142 rod formula, 100 Ω·m: 39.905 Ω; NEC Chapter 9 Table 8 at 75 °C: 10 AWG 1.21 Ω, 6 AWG 0.491 Ω (solid or stranded
    /// within a per cent) a thousand feet, so 100 ft are 0.121 and 0.0491 Ω.
    #[test]
    fn ohms_of_milliohm_and_ohm_paths() {
        let file = heron_bend(RODS);
        let ground = Ground::of(&file).expect("reads");
        let near = |got: Option<f64>, want: f64| {
            assert!(
                got.is_some_and(|ohm| (ohm / want - 1.0).abs() < 0.02),
                "{got:?} {want}"
            );
        };
        near(ground.egc_ohm, 0.121);
        near(Some(ground.main_ohm), 0.121);
        near(ground.bar_electrode_ohm, 39.905);
        near(ground.array_electrode_ohm, 39.905 + 0.0048);
        assert_eq!(ground.tie_ohm, None);
        near(ground.earth_ohm(), 79.815);

        let tied = format!(
            "{RODS}\n[[bond]]\njoins = \"electrodes\"\nbetween = [\"house rod\", \"shed rod\"]\n"
        );
        let ground = Ground::of(&heron_bend(&tied)).expect("reads");
        near(ground.tie_ohm, 0.0491);
        near(ground.metal_ohm(), 0.121 * 0.0491 / 0.1701);
        assert!(
            ground.assumed.iter().any(|a| a.contains("30.48 m")),
            "{:?}",
            ground.assumed
        );
    }

    #[test]
    fn what_is_not_described_is_not_there() {
        let ground = Ground::of(&heron_bend("")).expect("reads");
        assert_eq!((ground.egc_ohm, ground.tie_ohm), (None, None));
        assert_eq!(
            (ground.array_electrode_ohm, ground.bar_electrode_ohm),
            (None, None)
        );
        let paths = ground.paths();
        assert!(paths.egc_ohm.is_some_and(f64::is_infinite));
        assert!(
            ground
                .assumed
                .iter()
                .any(|a| a.contains("equipment-grounding"))
        );
    }

    #[test]
    fn an_electrode_without_a_resistance_is_an_error() {
        let plate = RODS.replace(
            "kind = \"rod\"\nplace = \"main-panel\"\nlength_m = 2.4384\ndiameter_mm = 15.875",
            "kind = \"plate\"\nplace = \"main-panel\"",
        );
        let said = Ground::of(&heron_bend(&plate))
            .expect_err("no value")
            .to_string();
        assert!(
            said.contains("house rod") && said.contains("measured_ohm"),
            "{said}"
        );
    }
}
