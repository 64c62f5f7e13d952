//! Bonding points: exactly one of the DC system, one of the neutral in the main panel, every electrode joined.

use super::electrodes::{electrode_ohm, parallel_ohm};
use crate::array_file::ArrayFile;
use crate::array_file::grounding::{Bond, EGC, Electrode, Feeds, Grounding, Joins, Place};
use crate::plan::facts::{Facts, quantity};
use crate::plan::finding::Finding;
use crate::plan::sources::grounding::{NEC_250_54, ONE_BOND};
use ohmward_proto::settings::Earthing;

/// All checks of the bonding points.
pub fn findings(file: &ArrayFile, facts: &Facts) -> Vec<Finding> {
    let Some(grounding) = file.grounding else {
        return vec![Finding::cannot_judge(
            "bonding",
            "the file has no [grounding]: bonding points, electrodes and neutral were not looked at",
            "describe them as [grounding], [[electrode]] and [[bond]]",
        )];
    };
    let mut found = vec![dc_system(file, facts), neutral(grounding, &file.bonds)];
    found.extend(electrodes(file, facts));
    found
}

fn places(bonds: &[Bond], joins: Joins) -> Vec<Place> {
    bonds
        .iter()
        .filter(|b| b.joins == joins)
        .filter_map(|b| b.place)
        .collect()
}

fn listed(places: &[Place]) -> String {
    let words: Vec<_> = places.iter().map(|p| p.word()).collect();
    words.join(" and ")
}

fn dc_system(file: &ArrayFile, facts: &Facts) -> Finding {
    const CHECK: &str = "dc-system-bond";
    let bonds = places(&file.bonds, Joins::DcSystem);
    let finding = match (facts.earthing, bonds.as_slice()) {
        (Earthing::NotEarthed, []) => Finding::ok(
            CHECK,
            "no bond of the DC system, as fits an array that is not earthed",
        ),
        (Earthing::NotEarthed, at) => Finding::problem(
            CHECK,
            format!(
                "settings.earthing says not-earthed, and the DC system is bonded at {}",
                listed(at)
            ),
            "open that bond or change settings.earthing",
        ),
        (_, []) => Finding::problem(
            CHECK,
            "no bond of the DC system is listed: a fault to earth would have no way back, and nothing would open",
            "make exactly one, in the ground-fault monitor",
        ),
        (_, [Place::Monitor]) => Finding::ok(
            CHECK,
            "one bond of the DC system, in the monitor, where its current is seen",
        ),
        (_, [other]) => Finding::problem(
            CHECK,
            format!(
                "the one bond of the DC system is at {}: its current does not pass the monitor's shunt",
                other.word()
            ),
            "move the bond into the monitor",
        ),
        (_, several) => two_bonds(several, facts),
    };
    finding.with("bonds", bonds.len() as f64).after(ONE_BOND)
}

/// A plain second bond of good wire beside fuse and shunt, Ω: for the arithmetic alone.
const SECOND_BOND_OHM: f64 = 0.01;

fn two_bonds(several: &[Place], facts: &Facts) -> Finding {
    let bond_ohm = facts.bond_path_ohm.unwrap_or_default();
    let seen = SECOND_BOND_OHM / (SECOND_BOND_OHM + bond_ohm);
    Finding::problem(
        "dc-system-bond",
        format!(
            "the DC system is bonded {} times, at {}. A second bond of {} beside the {} of fuse and shunt leaves {:.1} % of a \
             fault's current to the sensor: 1 A shows as {}. Load current returns through the grounding conductors as well",
            several.len(),
            listed(several),
            quantity(SECOND_BOND_OHM, "Ω"),
            quantity(bond_ohm, "Ω"),
            seen * 100.0,
            quantity(seen, "A"),
        ),
        "keep the one in the monitor, open every other; then see that the open bond lets the pole drift from 0 V",
    )
    .with("second_bond_assumed_ohm", SECOND_BOND_OHM)
    .with("bond_path_ohm", bond_ohm)
    .with("share_seen", seen)
}

fn neutral(grounding: Grounding, bonds: &[Bond]) -> Finding {
    const CHECK: &str = "neutral-bond";
    let bonds = places(bonds, Joins::Neutral);
    let finding = match (grounding.ac_system, bonds.as_slice()) {
        (false, []) => Finding::ok(CHECK, "no AC system, no neutral to bond"),
        (false, at) => Finding::cannot_judge(
            CHECK,
            format!(
                "grounding.ac_system is false, and a neutral is bonded at {}",
                listed(at)
            ),
            "correct one of them",
        ),
        (true, []) => Finding::problem(
            CHECK,
            "no neutral-to-ground bond is listed: a fault to earth in the AC system would not open its breaker",
            "make exactly one, in the main panel",
        ),
        (true, [Place::MainPanel]) => {
            Finding::ok(CHECK, "neutral bonded to ground in the main panel only")
        }
        (true, [other]) => Finding::problem(
            CHECK,
            format!("neutral bonded at {}, not in the main panel", other.word()),
            "bond it in the main panel and only there",
        ),
        (true, several) => Finding::problem(
            CHECK,
            format!(
                "neutral bonded {} times, at {}: part of the neutral current returns through grounding conductors, and \
                 metal between the bonds carries it",
                several.len(),
                listed(several)
            ),
            "keep the one in the main panel, remove every other; look for a bonding screw or strap and for an inverter's \
             internal bond",
        ),
    };
    finding.with("bonds", bonds.len() as f64).after(ONE_BOND)
}

fn electrodes(file: &ArrayFile, facts: &Facts) -> Vec<Finding> {
    const CHECK: &str = "electrodes-joined";
    let Some(main) = file
        .electrodes
        .iter()
        .find(|e| e.place == Place::MainPanel)
        .or(file.electrodes.first())
    else {
        return vec![Finding::problem(
            CHECK,
            "no grounding electrode is listed",
            "describe every electrode as [[electrode]]; if there is none, make one",
        )];
    };
    let joined = joined_to(&main.name, file);
    let apart: Vec<_> = file
        .electrodes
        .iter()
        .filter(|e| !joined.contains(&e.name.as_str()))
        .collect();
    if apart.is_empty() {
        let names: Vec<_> = file.electrodes.iter().map(|e| e.name.as_str()).collect();
        let says = if names.len() == 1 {
            format!("one electrode, {}", names.join(""))
        } else {
            format!("{} are joined to one another", names.join(", "))
        };
        return vec![Finding::ok(CHECK, says).with("electrodes", names.len() as f64)];
    }
    let system: Vec<_> = file
        .electrodes
        .iter()
        .filter(|e| joined.contains(&e.name.as_str()))
        .collect();
    apart
        .into_iter()
        .map(|e| not_joined(e, main, &system, file, facts))
        .collect()
}

/// Names of everything that has metal to the electrode of that name.
fn joined_to<'f>(name: &'f str, file: &'f ArrayFile) -> Vec<&'f str> {
    let mut reached = vec![name];
    // The array's equipment-grounding conductor ends at the system's own ground.
    let egc_runs = file
        .circuits
        .iter()
        .any(|c| matches!(c.feeds, Feeds::String | Feeds::Array) && c.egc.is_some());
    if egc_runs {
        reached.push(EGC);
    }
    let mut next = 0;
    while let Some(from) = reached.get(next).copied() {
        for bond in file.bonds.iter().filter(|b| b.joins == Joins::Electrodes) {
            let [one, other] = bond.between.as_slice() else {
                continue;
            };
            for (near, far) in [(one, other), (other, one)] {
                if near == from && !reached.contains(&far.as_str()) {
                    reached.push(far);
                }
            }
        }
        next += 1;
    }
    reached
}

/// What two grounds that are not joined invite: a fault on the one side lifts everything tied to it.
fn not_joined(
    e: &Electrode,
    main: &Electrode,
    system: &[&Electrode],
    file: &ArrayFile,
    facts: &Facts,
) -> Finding {
    let soil = file.site.soil_ohm_m;
    let action = format!(
        "join it to {} with a conductor of the size of a grounding-electrode conductor, and list that as a [[bond]]; \
         through the array's equipment-grounding conductor as between = [\"{}\", \"egc\"]",
        main.name, e.name
    );
    let own = electrode_ohm(e, soil);
    let house = parallel_ohm(system.iter().copied(), soil);
    let (Ok(own_ohm), Some(house_ohm)) = (own, house) else {
        return Finding::problem(
            "electrodes-joined",
            format!(
                "{} at {} is joined to no other electrode; by how much it would lift what is tied to it cannot be told \
                 without its resistance and that of {}",
                e.name,
                e.place.word(),
                main.name
            ),
            action,
        )
        .after(NEC_250_54);
    };
    let bond_ohm = facts.bond_path_ohm.unwrap_or_default();
    let amps = (facts.voc_cold_v / (own_ohm + house_ohm + bond_ohm)).min(facts.isc_array_a);
    let (to_house_v, to_soil_v) = (amps * (own_ohm + house_ohm), amps * own_ohm);
    Finding::problem(
        "electrodes-joined",
        format!(
            "{} ({own_ohm:.1} Ω) at {} is joined to no other electrode, {} has {house_ohm:.1} Ω. A fault of the array to metal tied \
             to it alone drives {} through the earth: that metal then stands {to_house_v:.0} V above the building's ground and \
             {to_soil_v:.0} V above distant soil. Each kiloampere of a stroke lifts it by {own_ohm:.0} kV",
            e.name,
            e.place.word(),
            main.name,
            quantity(amps, "A"),
        ),
        action,
    )
    .with("r_own_ohm", own_ohm)
    .with("r_system_ohm", house_ohm)
    .with("fault_a", amps)
    .with("to_system_ground_v", to_house_v)
    .with("to_soil_v", to_soil_v)
    .with("lift_kv_per_ka", own_ohm)
    .after(NEC_250_54)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::finding::Verdict;
    use crate::plan::test_array::heron_bend;

    const GOOD: &str = r#"
[grounding]
ac_system = true
[[electrode]]
name = "house rod"
kind = "rod"
place = "main-panel"
length_m = 2.44
diameter_mm = 15.9
[[electrode]]
name = "array rod"
kind = "rod"
place = "array"
length_m = 2.44
diameter_mm = 15.9
[[bond]]
joins = "dc-system"
place = "monitor"
[[bond]]
joins = "neutral"
place = "main-panel"
[[bond]]
joins = "electrodes"
between = ["house rod", "array rod"]
"#;

    fn verdicts(text: &str) -> Vec<(&'static str, Verdict)> {
        let file = heron_bend(text);
        let facts = Facts::of(&file).expect("plans");
        findings(&file, &facts)
            .into_iter()
            .map(|f| (f.check, f.verdict))
            .collect()
    }

    #[test]
    fn good_bonding_is_ok() {
        assert_eq!(
            verdicts(GOOD),
            [
                ("dc-system-bond", Verdict::Ok),
                ("neutral-bond", Verdict::Ok),
                ("electrodes-joined", Verdict::Ok)
            ]
        );
    }

    #[test]
    fn nothing_described_is_never_ok() {
        assert_eq!(verdicts(""), [("bonding", Verdict::CannotJudge)]);
        let bare = verdicts("[grounding]\nac_system = true\n");
        assert_eq!(
            bare,
            [
                ("dc-system-bond", Verdict::Problem),
                ("neutral-bond", Verdict::Problem),
                ("electrodes-joined", Verdict::Problem)
            ]
        );
    }

    /// 0.01 Ω beside 0.3 Ω: 3.2 % of 1 A is 32 mA.
    #[test]
    fn two_dc_bonds() {
        let text = format!("{GOOD}\n[[bond]]\njoins = \"dc-system\"\nplace = \"battery\"\n");
        let file = heron_bend(&text);
        let facts = Facts::of(&file).expect("plans");
        let finding = dc_system(&file, &facts);
        assert_eq!(finding.verdict, Verdict::Problem);
        assert!((finding.evidence["share_seen"] - 0.01 / 0.31).abs() < 1e-12);
        assert!(
            finding
                .says
                .contains("the ground-fault monitor and the battery"),
            "{}",
            finding.says
        );
    }

    #[test]
    fn one_dc_bond_outside_the_monitor() {
        let text = GOOD.replace("place = \"monitor\"", "place = \"charge-controller\"");
        assert_eq!(verdicts(&text)[0].1, Verdict::Problem);
    }

    #[test]
    fn neutral_bonded_in_a_subpanel() {
        let only = GOOD.replace(
            "place = \"main-panel\"\n[[bond]]",
            "place = \"subpanel\"\n[[bond]]",
        );
        assert_eq!(verdicts(&only)[1], ("neutral-bond", Verdict::Problem));
        let too = format!("{GOOD}\n[[bond]]\njoins = \"neutral\"\nplace = \"subpanel\"\n");
        assert_eq!(verdicts(&too)[1], ("neutral-bond", Verdict::Problem));
    }

    /// By hand: 2.44 m × 15.9 mm in 100 Ω·m is 39.87 Ω each; with 0.3 Ω of bond at the cold open-circuit voltage of some 178 V
    /// 2.2 A flow: nearly the whole voltage to the building's ground, half of it to the soil.
    #[test]
    fn array_electrode_not_tied_back() {
        let text = GOOD.replace(
            "[[bond]]\njoins = \"electrodes\"\nbetween = [\"house rod\", \"array rod\"]\n",
            "",
        );
        let file = heron_bend(&text);
        let facts = Facts::of(&file).expect("plans");
        let found = findings(&file, &facts);
        let finding = found.last().expect("one");
        assert_eq!(finding.verdict, Verdict::Problem);
        let e = &finding.evidence;
        let amps = facts.voc_cold_v / (2.0 * 39.876 + 0.3);
        assert!((e["r_own_ohm"] - 39.876).abs() < 0.01, "{e:?}");
        assert!((e["fault_a"] - amps).abs() < 1e-3, "{e:?}");
        assert!(
            (e["to_system_ground_v"] - amps * 2.0 * 39.876).abs() < 0.1,
            "{e:?}"
        );
        assert!((e["to_soil_v"] - amps * 39.876).abs() < 0.1, "{e:?}");
    }

    #[test]
    fn an_electrode_may_be_tied_back_through_the_equipment_grounding_conductor() {
        let by_egc = GOOD.replace("[\"house rod\", \"array rod\"]", "[\"array rod\", \"egc\"]");
        assert_eq!(
            verdicts(&by_egc)[2].1,
            Verdict::Problem,
            "no such conductor runs"
        );
        let with_circuit = format!(
            "{by_egc}\n[[circuit]]\nname = \"run\"\nfeeds = \"array\"\nconductor = {{ length_m = 20.0, size = \"10\" }}\n\
             egc = {{ length_m = 20.0, size = \"10\" }}\n"
        );
        assert_eq!(verdicts(&with_circuit)[2].1, Verdict::Ok);
    }

    #[test]
    fn an_array_that_is_not_earthed_wants_no_bond() {
        let floating = |text: &str| {
            let mut file = heron_bend(text);
            file.arrangement = Earthing::NotEarthed;
            let facts = Facts::of(&file).expect("plans");
            dc_system(&file, &facts).verdict
        };
        assert_eq!(floating(GOOD), Verdict::Problem);
        assert_eq!(floating("[grounding]\nac_system = false\n"), Verdict::Ok);
    }
}
