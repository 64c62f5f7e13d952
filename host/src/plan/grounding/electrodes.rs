//! Electrodes: resistance to earth from the soil, and the size of the conductor to them.

use crate::array_file::ArrayFile;
use crate::array_file::conductor::{Material, Size};
use crate::array_file::grounding::{Circuit, EGC, Electrode, ElectrodeKind, Feeds, Place};
use crate::plan::facts::Facts;
use crate::plan::finding::Finding;
use crate::plan::sources::grounding::{
    NEC_25_OHM, NEC_250_54, NEC_250_166, NEC_690_47_A, NEC_ROD, ROD_FORMULA, TWO_RODS_FORMULA,
};
use std::f64::consts::PI;

/// One driven rod in uniform soil, Ω.
///
/// `diameter_m` is the diameter: with the radius the logarithm is of 4L/a. (ln(4L/d) is a common mistake, 11 % low.)
pub fn rod_ohm(rho_ohm_m: f64, length_m: f64, diameter_m: f64) -> f64 {
    rho_ohm_m / (2.0 * PI * length_m) * ((8.0 * length_m / diameter_m).ln() - 1.0)
}

/// Two such rods in parallel, Ω; `None` unless the spacing is more than their length, where the series does not hold.
pub fn two_rods_ohm(rho_ohm_m: f64, length_m: f64, diameter_m: f64, spacing_m: f64) -> Option<f64> {
    if spacing_m.is_nan() || spacing_m <= length_m * (1.0 - 1e-9) {
        return None;
    }
    let x = length_m / spacing_m;
    let own = rho_ohm_m / (4.0 * PI * length_m) * ((8.0 * length_m / diameter_m).ln() - 1.0);
    let mutual = rho_ohm_m / (4.0 * PI * spacing_m) * (1.0 - x * x / 3.0 + 2.0 * x.powi(4) / 5.0);
    Some(own + mutual)
}

/// Resistance of an electrode, Ω.
///
/// # Errors
/// In words, what is missing to tell it.
pub fn electrode_ohm(e: &Electrode, soil_ohm_m: Option<f64>) -> Result<f64, String> {
    if let Some(measured) = e.measured_ohm {
        return Ok(measured);
    }
    let (ElectrodeKind::Rod, Some(length_m), Some(diameter_mm)) =
        (e.kind, e.length_m, e.diameter_mm)
    else {
        return Err("only rods are computed; measure it and give measured_ohm".to_owned());
    };
    let rho = soil_ohm_m.ok_or("give site.soil_ohm_m, or measure it and give measured_ohm")?;
    match (e.rods, e.spacing_m) {
        (2, Some(spacing_m)) => two_rods_ohm(rho, length_m, diameter_mm * 1e-3, spacing_m).ok_or_else(|| {
            format!(
                "two rods {spacing_m} m apart and {length_m} m long: the formula holds only for a spacing of more \
                 than the length; measure it and give measured_ohm"
            )
        }),
        _ => Ok(rod_ohm(rho, length_m, diameter_mm * 1e-3)),
    }
}

/// Every electrode by itself.
pub fn findings(file: &ArrayFile, facts: &Facts) -> Vec<Finding> {
    let mut found = Vec::new();
    for e in &file.electrodes {
        found.push(resistance_finding(e, file));
        if e.kind == ElectrodeKind::Rod {
            found.push(rod_size_finding(e));
        }
        found.push(conductor_finding(e, file, facts));
    }
    found
}

/// What stands in for a second rod: another electrode joined to this one, or being only an addition to the system.
fn need_not_be_low(e: &Electrode, file: &ArrayFile) -> Option<String> {
    let joined = file.bonds.iter().find_map(|b| match b.between.as_slice() {
        [one, other] if *one == e.name && other != EGC => Some(other),
        [other, one] if *one == e.name && other != EGC => Some(other),
        _ => None,
    });
    match joined {
        Some(other) => Some(format!("supplemented by {other}, at least 6 ft away")),
        None if e.place == Place::Array => Some(format!(
            "auxiliary: no value is asked of it ({})",
            NEC_250_54.label()
        )),
        None => None,
    }
}

fn resistance_finding(e: &Electrode, file: &ArrayFile) -> Finding {
    let name = &e.name;
    let soil_ohm_m = file.site.soil_ohm_m;
    let (limit_ohm, spacing_m_min) = NEC_25_OHM.value;
    let source = if e.rods == 2 {
        TWO_RODS_FORMULA
    } else {
        ROD_FORMULA
    };
    let r_ohm = match electrode_ohm(e, soil_ohm_m) {
        Ok(r_ohm) => r_ohm,
        Err(why) => {
            return Finding::cannot_judge(
                "electrode-resistance",
                format!("{name}: resistance not known"),
                why,
            )
            .after(source);
        }
    };
    let how = match (e.measured_ohm, soil_ohm_m) {
        (Some(_), _) => "measured".to_owned(),
        (None, Some(rho)) => format!("computed for uniform soil of {rho} Ω·m; measure it"),
        (None, None) => "computed".to_owned(),
    };
    let says = format!("{name}: {r_ohm:.1} Ω ({how})");
    let single = e.rods == 1 && matches!(e.kind, ElectrodeKind::Rod | ElectrodeKind::Plate);
    let finding = if e.rods == 2 && e.spacing_m.is_some_and(|s| s < spacing_m_min - 1e-3) {
        Finding::problem(
            "electrode-resistance",
            format!("{says}; its rods stand closer than 6 ft (1.83 m)"),
            "set them further apart, better twice their length",
        )
    } else if single && r_ohm > limit_ohm {
        match need_not_be_low(e, file) {
            Some(why) => Finding::ok(
                "electrode-resistance",
                format!("{says}; above {limit_ohm} Ω, {why}"),
            ),
            None => Finding::problem(
                "electrode-resistance",
                format!("{says}; a single rod or plate above {limit_ohm} Ω must be supplemented"),
                "drive a second rod at least 6 ft away, better twice its length, and join both",
            ),
        }
    } else {
        Finding::ok("electrode-resistance", says)
    };
    finding
        .with("r_ohm", r_ohm)
        .after(if single { NEC_25_OHM.source } else { source })
}

fn rod_size_finding(e: &Electrode) -> Finding {
    let (length_m_min, diameter_mm_min) = NEC_ROD.value;
    let (length_m, diameter_mm) = (
        e.length_m.unwrap_or_default(),
        e.diameter_mm.unwrap_or_default(),
    );
    let says = format!("{}: rod {length_m} m long, {diameter_mm} mm thick", e.name);
    // 2.44 m and 15.9 mm are sold as 8 ft and 5/8 in; half an inch is the thinnest that can be listed.
    let finding = if length_m < length_m_min - 0.005 {
        Finding::problem(
            "rod-size",
            format!("{says}; at least 8 ft (2.44 m) must be in the soil"),
            "use a longer rod",
        )
    } else if diameter_mm < 12.65 {
        Finding::problem(
            "rod-size",
            format!("{says}; thinner than any rod that is listed (1/2 in)"),
            "use a rod of 5/8 in (15.9 mm)",
        )
    } else if diameter_mm < diameter_mm_min - 0.1 {
        Finding::cannot_judge(
            "rod-size",
            format!("{says}; thinner than 5/8 in (15.9 mm) only if the rod is listed"),
            "look for the listing mark",
        )
    } else {
        Finding::ok("rod-size", says)
    };
    finding
        .with("length_m", length_m)
        .with("diameter_mm", diameter_mm)
        .after(NEC_ROD.source)
}

/// Least size of the DC grounding-electrode conductor to an electrode: as large as the largest conductor of the system, but no
/// more than the electrode could use. `None`: no conductor of the system is of this range.
pub fn gec_size(kind: ElectrodeKind, material: Material, circuits: &[Circuit]) -> Option<Size> {
    let largest = circuits
        .iter()
        .filter(|c| c.feeds != Feeds::Ac)
        .filter_map(|c| c.conductor.awg())
        .max()?;
    let (least, cap) = match (material, kind) {
        (Material::Copper, ElectrodeKind::Rod | ElectrodeKind::Plate) => ("8", "6"),
        (Material::Aluminium, ElectrodeKind::Rod | ElectrodeKind::Plate) => ("6", "4"),
        (Material::Copper, ElectrodeKind::ConcreteEncased) => ("8", "4"),
        // No cap is named for aluminium to concrete, and a ring's is the ring's own size, which is not described.
        (Material::Aluminium, ElectrodeKind::ConcreteEncased | ElectrodeKind::Ring) => {
            ("6", "2500")
        }
        (Material::Copper, ElectrodeKind::Ring) => ("8", "2500"),
    };
    Some(largest.max(Size::named(least)?).min(Size::named(cap)?))
}

fn conductor_finding(e: &Electrode, file: &ArrayFile, facts: &Facts) -> Finding {
    const CHECK: &str = "grounding-electrode-conductor";
    let material = e
        .conductor
        .as_ref()
        .map_or(Material::Copper, |c| c.material);
    let Some(size) = gec_size(e.kind, material, &file.circuits) else {
        return Finding::cannot_judge(
            CHECK,
            format!(
                "{}: no DC circuit with an AWG or kcmil size to size it by",
                e.name
            ),
            "describe the circuits of the DC system as [[circuit]]",
        )
        .after(NEC_250_166);
    };
    let needed = format!("{size} {}", material.word());
    let finding = match &e.conductor {
        None => Finding::cannot_judge(
            CHECK,
            format!("{}: conductor not described; {needed} or larger", e.name),
            "give electrode.conductor",
        ),
        Some(conductor) => match conductor.awg() {
            None => Finding::cannot_judge(
                CHECK,
                format!(
                    "{}: {needed} or larger; {} is of another range",
                    e.name,
                    conductor.describe()
                ),
                "compare cross-sections",
            ),
            Some(own) if own < size => Finding::problem(
                CHECK,
                format!(
                    "{}: {} described, {needed} or larger",
                    e.name,
                    conductor.describe()
                ),
                format!("replace it by {needed}"),
            ),
            Some(_) => Finding::ok(
                CHECK,
                format!(
                    "{}: {} described, {needed} or larger needed",
                    e.name,
                    conductor.describe()
                ),
            ),
        },
    };
    let mut finding = finding.after(NEC_250_166);
    if facts.is_bonded() {
        finding.says = format!(
            "{}. An array bonded through a fuse needs no DC one of its own ({}); this is for one that is run",
            finding.says, NEC_690_47_A.standard
        );
    }
    finding
}

/// Electrodes of a list in parallel, Ω, as if far apart; `None` when one is not known or there is none.
pub fn parallel_ohm<'e>(
    electrodes: impl Iterator<Item = &'e Electrode>,
    soil_ohm_m: Option<f64>,
) -> Option<f64> {
    let mut g_s = 0.0;
    for e in electrodes {
        g_s += 1.0 / electrode_ohm(e, soil_ohm_m).ok()?;
    }
    (g_s > 0.0).then(|| 1.0 / g_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::test_array::{electrode, run};

    const FT: f64 = 0.3048;
    const IN: f64 = 0.0254;

    /// IEEE 142 rod formula, 100 Ω·m: 39.905, 33.089, 41.361, 32.137 Ω (arithmetic made apart from this code; a public
    /// calculator gives about 33 Ω for 3 m × 16 mm).
    #[test]
    fn rod_examples() {
        for (length_ft, dia_in, r_ohm) in [
            (8.0, 0.625, 39.905),
            (10.0, 0.625, 33.089),
            (8.0, 0.5, 41.361),
            (10.0, 0.75, 32.137),
        ] {
            let got = rod_ohm(100.0, length_ft * FT, dia_in * IN);
            assert!(
                (got - r_ohm).abs() < 1e-3,
                "{length_ft} ft × {dia_in} in: {got}"
            );
        }
    }

    /// The same, two 10 ft × 5/8 in rods: 19.329 Ω at 3.048 m, 17.774 Ω at 6.096 m.
    #[test]
    fn two_rods_examples() {
        for (s_m, r_ohm) in [(3.048, 19.329), (6.096, 17.774)] {
            let got = two_rods_ohm(100.0, 10.0 * FT, 0.625 * IN, s_m).expect("in range");
            assert!((got - r_ohm).abs() < 1e-3, "{s_m} m: {got}");
        }
        assert_eq!(two_rods_ohm(100.0, 3.0, 0.016, 2.0), None);
        assert_eq!(two_rods_ohm(100.0, 3.0, 0.016, f64::NAN), None);
    }

    /// NEC 250.53(A)(2) (looked up), 250.54 (memory).
    #[test]
    fn a_rod_above_25_ohm_is_a_problem_and_two_are_not() {
        use crate::plan::finding::Verdict;
        use crate::plan::test_array::heron_bend;
        let judge = |e: &Electrode, soil_ohm_m: Option<f64>, bonds: &str| {
            let mut file = heron_bend(&format!(
                "[[electrode]]\nname = \"foundation\"\nkind = \"concrete-encased\"\nplace = \"main-panel\"\n\
                 [[electrode]]\nname = \"house\"\nkind = \"rod\"\nplace = \"main-panel\"\nlength_m = 2.44\n\
                 diameter_mm = 15.9\n{bonds}"
            ));
            file.site.soil_ohm_m = soil_ohm_m;
            resistance_finding(e, &file).verdict
        };
        let mut e = electrode("house");
        assert_eq!(judge(&e, Some(100.0), ""), Verdict::Problem);
        let joined = "[[bond]]\njoins = \"electrodes\"\nbetween = [\"foundation\", \"house\"]\n";
        assert_eq!(judge(&e, Some(100.0), joined), Verdict::Ok);
        let by_egc = "[[bond]]\njoins = \"electrodes\"\nbetween = [\"house\", \"egc\"]\n";
        assert_eq!(judge(&e, Some(100.0), by_egc), Verdict::Problem);
        assert_eq!(judge(&e, Some(60.0), ""), Verdict::Ok);
        e.measured_ohm = Some(25.0);
        assert_eq!(judge(&e, None, ""), Verdict::Ok);
        e.measured_ohm = Some(25.1);
        assert_eq!(judge(&e, None, ""), Verdict::Problem);
        e.place = Place::Array;
        assert_eq!(judge(&e, None, ""), Verdict::Ok, "auxiliary");
        e.measured_ohm = None;
        assert_eq!(judge(&e, None, ""), Verdict::CannotJudge);
        e.place = Place::MainPanel;
        e.rods = 2;
        e.spacing_m = Some(5.0);
        assert_eq!(judge(&e, Some(100.0), ""), Verdict::Ok);
        e.spacing_m = Some(1.5);
        e.measured_ohm = Some(20.0);
        assert_eq!(judge(&e, None, ""), Verdict::Problem);
    }

    /// NEC 250.166 (memory): not below 8 AWG copper, not above 6 to a rod or 4 to concrete.
    #[test]
    fn electrode_conductor_between_floor_and_cap() {
        let circuit = |size: &str| {
            vec![Circuit {
                name: "battery".into(),
                feeds: Feeds::Battery,
                volts: Some(48.0),
                source_a_max: None,
                ocpd_a: None,
                ocpd: None,
                conductor: run(2.0, size),
                egc: None,
            }]
        };
        for (size, kind, gec) in [
            ("10", ElectrodeKind::Rod, "8"),
            ("6", ElectrodeKind::Rod, "6"),
            ("2/0", ElectrodeKind::Rod, "6"),
            ("2/0", ElectrodeKind::ConcreteEncased, "4"),
            ("2/0", ElectrodeKind::Ring, "2/0"),
        ] {
            assert_eq!(
                gec_size(kind, Material::Copper, &circuit(size)),
                Size::named(gec),
                "{size} {kind:?}"
            );
        }
        assert_eq!(
            gec_size(ElectrodeKind::Rod, Material::Aluminium, &circuit("10")),
            Size::named("6")
        );
    }
}
