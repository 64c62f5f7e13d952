//! Resistance of a run of wire, and the size of equipment-grounding conductors.

use crate::array_file::conductor::{Conductor, Material, Size};
use crate::array_file::grounding::{Circuit, Feeds};
use crate::plan::facts::Facts;
use crate::plan::finding::Finding;
use crate::plan::sources::grounding::{
    NEC_250_122, NEC_690_45, NEC_690_45_SMALLEST, TABLE_8_ALUMINIUM, TABLE_8_COPPER, TABLE_8_PER_C,
};
use serde::Serialize;

const M_PER_KFT: f64 = 304.8;
const TABLE_8_C: f64 = 75.0;
/// Temperature of a cable's sheet value, °C.
const SHEET_C: f64 = 20.0;

/// Resistance one way, Ω, at `at_c`.
///
/// # Errors
/// In words, what is not in the table.
pub fn resistance_ohm(conductor: &Conductor, at_c: f64) -> Result<f64, String> {
    let (copper_per_c, aluminium_per_c) = TABLE_8_PER_C.value;
    let per_c = match conductor.material {
        Material::Copper => copper_per_c,
        Material::Aluminium => aluminium_per_c,
    };
    // Both coefficients hold from 75 °C on.
    let factor = |c: f64| 1.0 + per_c * (c - TABLE_8_C);
    if let Some(ohm_per_km) = conductor.ohm_per_km_20c {
        return Ok(ohm_per_km * conductor.length_m / 1e3 * factor(at_c) / factor(SHEET_C));
    }
    let name = conductor.size.as_deref().unwrap_or_default();
    let ohm_per_kft = match conductor.material {
        Material::Copper => TABLE_8_COPPER
            .value
            .iter()
            .find(|(size, ..)| *size == name)
            .map(|(_, solid, stranded)| if conductor.stranded { *stranded } else { *solid }),
        Material::Aluminium => TABLE_8_ALUMINIUM
            .value
            .iter()
            .find(|(size, _)| *size == name)
            .map(|(_, ohm)| *ohm),
    }
    .ok_or_else(|| {
        format!(
            "{} is not in the resistance table at hand (copper 18 AWG to 4/0, aluminium 12 AWG to 4/0 without 3); \
             give ohm_per_km_20c instead of size",
            conductor.describe()
        )
    })?;
    Ok(ohm_per_kft * conductor.length_m / M_PER_KFT * factor(at_c))
}

/// What an equipment-grounding conductor is sized by.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct EgcSize {
    /// Rating taken, A.
    pub by_a: f64,
    /// Least size.
    pub size: Size,
    /// Why this size.
    pub why: String,
}

/// Least size after the table; `None`: the table ends before this rating.
pub fn egc_of_rating(by_a: f64, material: Material) -> Option<Size> {
    NEC_250_122
        .value
        .iter()
        .find(|(to_a, ..)| by_a <= to_a * (1.0 + 1e-9))
        .and_then(|(_, copper, aluminium)| {
            Size::named(match material {
                Material::Copper => copper,
                Material::Aluminium => aluminium,
            })
        })
}

/// Least size for a circuit: by its overcurrent device, or by the maximum circuit current where a PV circuit has none.
///
/// # Errors
/// In words, why it cannot be told.
pub fn egc_of_circuit(circuit: &Circuit, facts: &Facts) -> Result<EgcSize, String> {
    let is_pv = matches!(circuit.feeds, Feeds::String | Feeds::Array);
    let (by_a, by) = match (circuit.ocpd_a, circuit.feeds) {
        (Some(a), _) => (a, format!("overcurrent device of {a} A")),
        (None, Feeds::String) => {
            let a = facts.max_circuit_a * facts.isc_string_a / facts.isc_array_a;
            (
                a,
                format!(
                    "no overcurrent device: one of {a:.1} A assumed, the maximum circuit current"
                ),
            )
        }
        (None, Feeds::Array) => (
            facts.max_circuit_a,
            format!(
                "no overcurrent device: one of {:.1} A assumed, the maximum circuit current",
                facts.max_circuit_a
            ),
        ),
        (None, Feeds::Battery | Feeds::Ac) => {
            return Err("the circuit names no overcurrent device; give ocpd_a and ocpd".to_owned());
        }
    };
    let material = circuit
        .egc
        .as_ref()
        .map_or(Material::Copper, |egc| egc.material);
    let table = egc_of_rating(by_a, material)
        .ok_or_else(|| format!("{by_a:.0} A is beyond the table, which ends at 6000 A"))?;
    let mut size = table;
    let mut why = by;
    // Never larger than the circuit conductors; the rule compares sizes of one material.
    if let Some(own) = circuit.conductor.awg()
        && circuit.conductor.material == material
        && own < size
    {
        size = own;
        why.push_str("; not larger than the circuit's own conductors");
    }
    if is_pv
        && let Some(smallest) = Size::named(NEC_690_45_SMALLEST)
        && size < smallest
    {
        size = smallest;
        why.push_str("; a PV circuit's is not smaller than 14 AWG");
    }
    Ok(EgcSize { by_a, size, why })
}

/// Whether the conductor described is large enough.
pub fn egc_finding(circuit: &Circuit, facts: &Facts) -> Finding {
    let name = &circuit.name;
    let is_pv = matches!(circuit.feeds, Feeds::String | Feeds::Array);
    let source = if is_pv {
        NEC_690_45
    } else {
        NEC_250_122.source
    };
    let needed = match egc_of_circuit(circuit, facts) {
        Ok(needed) => needed,
        Err(why) => {
            return Finding::cannot_judge(
                "equipment-grounding-conductor",
                format!("{name}: {why}"),
                "have it sized by a licensed person",
            )
            .after(source);
        }
    };
    let EgcSize { by_a, size, why } = needed;
    let finding = match &circuit.egc {
        None => Finding::problem(
            "equipment-grounding-conductor",
            format!(
                "{name}: no equipment-grounding conductor described; at least {size} needed ({why})"
            ),
            format!("run one of {size} or larger with the circuit's conductors"),
        ),
        Some(egc) => match egc.awg() {
            None => Finding::cannot_judge(
                "equipment-grounding-conductor",
                format!(
                    "{name}: at least {size} {} needed ({why}); the one described, {}, is of another range",
                    egc.material.word(),
                    egc.describe()
                ),
                "compare cross-sections",
            ),
            Some(own) if own < size => Finding::problem(
                "equipment-grounding-conductor",
                format!(
                    "{name}: {} described, at least {size} needed ({why})",
                    egc.describe()
                ),
                format!("replace it by {size} or larger"),
            ),
            Some(_) => Finding::ok(
                "equipment-grounding-conductor",
                format!("{name}: {}, at least {size} needed ({why})", egc.describe()),
            ),
        },
    };
    let mut finding = finding.with("by_a", by_a).after(source);
    if !is_pv {
        finding.says.push_str(
            ". Circuit conductors made thicker for voltage drop ask for a thicker one in proportion (250.122(B)): not judged",
        );
    }
    finding
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::test_array::{heron_bend, run};

    /// NEC Table 250.122 as printed (looked up): ratings on an edge, and just above it.
    #[test]
    fn egc_rows_at_their_edges() {
        for (a, copper, aluminium) in [
            (15.0, "14", "12"),
            (15.1, "12", "10"),
            (20.0, "12", "10"),
            (60.0, "10", "8"),
            (60.1, "8", "6"),
            (100.0, "8", "6"),
            (200.0, "6", "4"),
            (400.0, "3", "1"),
            (1000.0, "2/0", "4/0"),
            (1200.0, "3/0", "250"),
            (6000.0, "800", "1250"),
        ] {
            assert_eq!(
                egc_of_rating(a, Material::Copper),
                Size::named(copper),
                "{a} A"
            );
            assert_eq!(
                egc_of_rating(a, Material::Aluminium),
                Size::named(aluminium),
                "{a} A"
            );
        }
        assert_eq!(egc_of_rating(6001.0, Material::Copper), None);
    }

    /// NEC Chapter 9 Table 8 (looked up), and its note 2 (memory): copper at 20 °C is 0.822 of the table.
    #[test]
    fn resistance_with_temperature() {
        let kft = |size: &str, stranded: bool| Conductor {
            stranded,
            ..run(304.8, size)
        };
        for (size, stranded, ohm) in [
            ("10", false, 1.21),
            ("10", true, 1.24),
            ("6", true, 0.491),
            ("4/0", false, 0.0608),
        ] {
            let got = resistance_ohm(&kft(size, stranded), 75.0).expect("in the table");
            assert!((got - ohm).abs() < 1e-9, "{size}: {got}");
        }
        let cold = resistance_ohm(&kft("10", false), 20.0).expect("in the table");
        assert!((cold / 1.21 - 0.822).abs() < 1e-3, "{cold}");
        let sheet = Conductor {
            size: None,
            ohm_per_km_20c: Some(3.39),
            ..run(1000.0, "6")
        };
        assert!((resistance_ohm(&sheet, 20.0).expect("given") - 3.39).abs() < 1e-9);
        let aluminium = Conductor {
            material: Material::Aluminium,
            ..run(304.8, "2")
        };
        assert!((resistance_ohm(&aluminium, 75.0).expect("in the table") - 0.319).abs() < 1e-9);
    }

    #[test]
    fn a_size_beyond_the_table_is_said_in_words() {
        let words = resistance_ohm(&run(10.0, "500"), 75.0).expect_err("not in the table");
        assert!(
            words.contains("500 kcmil copper") && words.contains("ohm_per_km_20c"),
            "{words}"
        );
    }

    /// 690.45 (memory): two strings at 1.25 × 9.778 A are 24.4 A: 10 AWG by the table, but not larger than the conductors,
    /// and not smaller than 14 AWG.
    #[test]
    fn pv_circuit_without_a_device() {
        let facts = Facts::of(&heron_bend("")).expect("plans");
        let circuit = |size: &str| Circuit {
            name: "main run".into(),
            feeds: Feeds::Array,
            volts: None,
            source_a_max: None,
            ocpd_a: None,
            ocpd: None,
            conductor: run(20.0, size),
            egc: None,
        };
        for (conductor, egc) in [("8", "10"), ("10", "10"), ("12", "12"), ("16", "14")] {
            let got = egc_of_circuit(&circuit(conductor), &facts).expect("sized");
            assert_eq!(Some(got.size), Size::named(egc), "{conductor}: {}", got.why);
            assert!((got.by_a - 24.444).abs() < 1e-2, "{}", got.by_a);
        }
        let mut battery = circuit("8");
        battery.feeds = Feeds::Battery;
        assert!(egc_of_circuit(&battery, &facts).is_err());
    }
}
