//! What the ground-fault fuse alone cannot see: a fault on the grounded conductor.
//!
//! ```text
//!   array end ── string cable ── joint ── main run ── converter end
//!      │  I of one string           I of all strings      │
//!    fault                                               bond: fuse + shunt
//!      ⏚                                                  ⏚
//! ```
//! Only the drop along that conductor drives current through fault and bond, and only under load. With the strings as
//! current sources, the fault at the far end sees V = I·R_string + ΣI·R_main behind R_string + R_main.

use super::facts::{Facts, quantity};
use super::finding::Finding;
use super::sources::Source;
use super::sources::limits::{BLIND_SPOT_KW, MIDGET_FUSE};
use ohmward_proto::Settings;
use serde::Serialize;

/// One fault resistance and what sees it.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct FaultRow {
    /// From the grounded conductor's far end to earth, Ω.
    pub fault_ohm: f64,
    /// Through the bond, A.
    pub bond_a: f64,
    /// The fuse must open within an hour.
    pub fuse_opens: bool,
    /// The board's DC or continuous limit sees it under load.
    pub board_trips: bool,
}

/// All of it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct BlindSpot {
    /// Drop along the grounded conductor at maximum power, V.
    pub drop_v: f64,
    /// Resistance of that conductor up to the fault, Ω.
    pub conductor_ohm: f64,
    /// Of the bond, Ω.
    pub bond_ohm: f64,
    /// Whether the description has the main run; without it only the string cable counts.
    pub has_main_run: bool,
    /// Rating of the fuse, A.
    pub fuse_a: f64,
    /// A dead short of the grounded conductor drives this through the bond, A.
    pub dead_short_a: f64,
    /// Above this the fuse carries the fault for ever, Ω; `None`: even a dead short leaves it whole.
    pub fuse_whole_above_ohm: Option<f64>,
    /// Below this it must open within an hour, Ω; `None`: it never has to.
    pub fuse_opens_below_ohm: Option<f64>,
    /// Below this the board's current limits trip under full load, Ω.
    pub board_trips_below_ohm: Option<f64>,
    /// Which limit that is, A.
    pub board_limit_a: f64,
    /// Below this the insulation check finds it before the array is connected, Ω.
    pub check_finds_below_ohm: f64,
    /// Some faults.
    pub rows: Vec<FaultRow>,
    /// Size above which arrays were seen as exposed, kW.
    pub exposed_above_kw: f64,
    /// What this rests on.
    pub sources: [Source; 2],
}

/// Current through the bond, A: `drop_v` along the conductor behind its own resistance, the fault and the bond.
pub fn bond_amps(drop_v: f64, conductor_ohm: f64, fault_ohm: f64, bond_ohm: f64) -> f64 {
    drop_v / (conductor_ohm + fault_ohm + bond_ohm)
}

/// The fault that drives just `amps`, Ω; `None` when even a dead short does not.
fn fault_ohm_at(amps: f64, drop_v: f64, conductor_ohm: f64, bond_ohm: f64) -> Option<f64> {
    let fault_ohm = drop_v / amps - conductor_ohm - bond_ohm;
    (fault_ohm >= 0.0).then_some(fault_ohm)
}

/// Works it out; `None` for an array without a fuse in its bond.
pub fn blind_spot(facts: &Facts, fuse_a: f64, settings: &Settings) -> Option<BlindSpot> {
    if !facts.is_bonded() {
        return None;
    }
    let bond_ohm = facts.bond_path_ohm?;
    let main_ohm = facts.main_one_way_ohm.unwrap_or(0.0);
    let all_a = facts.imp_string_a * facts.isc_array_a / facts.isc_string_a;
    let drop_v = facts.imp_string_a * facts.string_one_way_ohm + all_a * main_ohm;
    let conductor_ohm = facts.string_one_way_ohm + main_ohm;
    let board_limit_a = f64::from(
        settings
            .current
            .continuous
            .above
            .0
            .min(settings.current.ground_fault.above.0),
    );
    let at = |amps: f64| fault_ohm_at(amps, drop_v, conductor_ohm, bond_ohm);
    let rule = MIDGET_FUSE.value;
    let rows = [0.0, 0.1, 0.5, 1.0, 5.0, 50.0, 500.0]
        .map(|fault_ohm| {
            let bond_a = bond_amps(drop_v, conductor_ohm, fault_ohm, bond_ohm);
            FaultRow {
                fault_ohm,
                bond_a,
                fuse_opens: bond_a >= rule.opens_in_1h * fuse_a,
                board_trips: bond_a > board_limit_a,
            }
        })
        .to_vec();
    Some(BlindSpot {
        drop_v,
        conductor_ohm,
        bond_ohm,
        has_main_run: facts.main_one_way_ohm.is_some(),
        fuse_a,
        dead_short_a: bond_amps(drop_v, conductor_ohm, 0.0, bond_ohm),
        fuse_whole_above_ohm: at(rule.carries * fuse_a),
        fuse_opens_below_ohm: at(rule.opens_in_1h * fuse_a),
        board_trips_below_ohm: at(board_limit_a),
        board_limit_a,
        check_finds_below_ohm: f64::from(settings.insulation.trip_below.0),
        rows,
        exposed_above_kw: BLIND_SPOT_KW.value,
        sources: [MIDGET_FUSE.source, BLIND_SPOT_KW.source],
    })
}

/// Whether the board's current limits reach into the blind spot at all.
pub fn finding(spot: &BlindSpot, healthy_a: f64) -> Finding {
    // Well above healthy leakage, well below a dead short.
    let lower_a = (10.0 * healthy_a).max(spot.dead_short_a / 4.0);
    let dead = format!(
        "a dead short of the grounded conductor drives {} at full load; the board's limit is {}",
        quantity(spot.dead_short_a, "A"),
        quantity(spot.board_limit_a, "A")
    );
    let finding = if spot.dead_short_a > spot.board_limit_a {
        Finding::ok(
            "blind-spot",
            format!("{dead}. The insulation check has to find the weaker ones"),
        )
    } else if lower_a < spot.dead_short_a {
        Finding::problem(
            "blind-spot",
            format!("{dead}: no current limit sees any such fault, only the insulation check"),
            format!(
                "set settings.current.continuous.above_a lower, to about {} (healthy leakage is at most {}); common practice, no \
                 source",
                quantity(lower_a, "A"),
                quantity(healthy_a, "A")
            ),
        )
    } else {
        Finding::problem(
            "blind-spot",
            format!("{dead}: no current limit sees any such fault, only the insulation check"),
            "healthy leakage leaves no room for a lower limit: keep check.before_connect on and watch the insulation's trend",
        )
    };
    finding
        .with("dead_short_a", spot.dead_short_a)
        .with("board_limit_a", spot.board_limit_a)
        .with("healthy_bond_a", healthy_a)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::array_file::conductor::{Conductor, Material};
    use crate::plan::grounding::conductors::resistance_ohm;
    use crate::plan::test_array::heron_bend;

    /// One string at 9.22 A, 30 m (98.425 ft) of 10 AWG at 1.21 Ω/kft, bond path 0.20 Ω; computed apart from this code:
    /// 3.4411, 2.6201, 1.3406, 0.8324, 0.2064 A.
    #[test]
    fn grounded_conductor_fault_example() {
        let run = Conductor {
            length_m: 30.0,
            size: Some("10".into()),
            ohm_per_km_20c: None,
            material: Material::Copper,
            stranded: false,
        };
        let r_neg_ohm = resistance_ohm(&run, 75.0).expect("in the table");
        assert!((r_neg_ohm - 0.1191).abs() < 5e-5, "{r_neg_ohm}");
        for (fault_ohm, bond_a) in [
            (0.0, 3.4411),
            (0.1, 2.6201),
            (0.5, 1.3406),
            (1.0, 0.8324),
            (5.0, 0.2064),
        ] {
            let got = bond_amps(9.22 * r_neg_ohm, r_neg_ohm, fault_ohm, 0.2);
            assert!((got - bond_a).abs() < 1e-4, "{fault_ohm} Ω: {got}");
        }
    }

    /// The plant's circuit as oracle: a fault at the negative end of string 1, array at maximum power. It knows no main run.
    #[test]
    fn same_as_the_circuit() {
        use ohmward_plant::array::{Array, Conditions, Contacts, Description, Load, Place};
        let file = heron_bend("");
        let facts = Facts::of(&file).expect("plans");
        let place = Place::Tap {
            string: 0,
            modules_below: 0,
        };
        let bridge = &ohmward_proto::settings::Calibration::REFERENCE.bridge;
        let mut array = Array::new(&Description {
            parts: file.earthing,
            load: Load::WorkingPoint,
            faults: vec![place.into()],
            ..Description::new(&file.array, file.module, file.arrangement, bridge)
        });
        array.set_conditions(Conditions {
            irradiance_w_m2: 1000.0,
            cell_temp_c: 25.0,
            wetness: 0.0,
        });
        for fault_ohm in [0.01, 0.5, 5.0] {
            array.set_fault(0, 1.0 / fault_ohm);
            let point = array
                .solve(Contacts {
                    contactor_closed: true,
                    ..Contacts::default()
                })
                .expect("solves");
            let r_ohm = facts.string_one_way_ohm;
            let planned = bond_amps(facts.imp_string_a * r_ohm, r_ohm, fault_ohm, 0.3);
            assert!(
                (point.i_bond_a / planned - 1.0).abs() < 0.01,
                "{fault_ohm} Ω: {} {planned}",
                point.i_bond_a
            );
        }
    }

    #[test]
    fn a_limit_above_every_such_fault_is_a_problem() {
        use crate::plan::finding::Verdict;
        let facts = Facts::of(&heron_bend("")).expect("plans");
        let mut settings = Settings::SMALL_BONDED;
        let judge = |settings: &Settings, healthy_a: f64| {
            finding(
                &blind_spot(&facts, 1.0, settings).expect("bonded"),
                healthy_a,
            )
        };
        // String cable alone: 9.22 A × 0.1 Ω behind 0.1 + 0.3 Ω are 2.3 A.
        assert_eq!(judge(&settings, 1e-4).verdict, Verdict::Ok);
        settings.current.continuous.above.0 = 5.0;
        settings.current.ground_fault.above.0 = 5.0;
        let low = judge(&settings, 1e-4);
        assert_eq!(low.verdict, Verdict::Problem);
        assert!(low.action.contains("577 mA"), "{}", low.action);
        assert!(judge(&settings, 1.0).action.contains("no room"));
    }

    #[test]
    fn no_fault_at_all_is_told_apart_from_zero_ohms() {
        assert_eq!(fault_ohm_at(1.0, 0.1, 0.05, 0.2), None);
        let edge = fault_ohm_at(1.0, 0.25, 0.05, 0.2).expect("a dead short just does");
        assert!(edge.abs() < 1e-12);
    }
}
