use super::circuit::Phase;
use super::fault::FaultSpec;
use super::{Question, WhatIf, what_if};
use crate::array_file::ArrayFile;
use crate::plan::blind_spot::bond_amps;
use crate::plan::facts::Facts;

const EXAMPLE: &str = include_str!("../../scenarios/heron-bend-array.toml");

fn ask(text: &str, faults: &[&str]) -> WhatIf {
    let file = ArrayFile::parse("array.toml", text).expect("reads");
    let faults: Vec<FaultSpec> = faults.iter().map(|f| f.parse().expect("a fault")).collect();
    what_if(&file, &Question::of(faults)).expect("an answer")
}

/// The example without equipment-grounding conductor at the array and without a tie: earth alone.
fn earth_only() -> String {
    EXAMPLE
        .replace("egc = { length_m = 20.0, size = \"10\" }\n", "")
        .replace(
            "[[bond]]\njoins = \"electrodes\"\nbetween = [\"house rod\", \"shed rod\"] # or [\"shed rod\", \"egc\"]: through the array's equipment-grounding conductor\n",
            "",
        )
}

/// Ohm's law, by hand. Each rod of 2.44 m × 15.9 mm in 60 Ω·m: 60/(2π·2.44)·(ln(8·2.44/0.0159) − 1) = 23.93 Ω (rod formula as in IEEE
/// 142). A dead short behind module 4, bond 0.3 Ω: through the earth 47.9 Ω stand in the loop, and the frames stand at 23.9 of these
/// 48.2 Ω. Through 79.4 mΩ of 10 AWG (NEC Chapter 9 Table 8: 1.21 Ω/kft at 75 °C, 20 m) metal takes all but R_metal/R_earth of it.
#[test]
fn earth_is_no_fault_path_and_copper_is() {
    let earth = ask(&earth_only(), &["conductor=positive,ohms=0.001"]);
    assert_eq!(earth.ground.egc_ohm, None);
    let s = &earth.states[0];
    let rod_ohm =
        60.0 / (2.0 * std::f64::consts::PI * 2.44) * ((8.0 * 2.44_f64 / 0.0159).ln() - 1.0);
    assert!((rod_ohm - 23.93).abs() < 0.01);
    let gec_ohm = 0.01; // some metres of 6 AWG, 0.491 Ω/kft: below a hundredth of an ohm
    // The fault lies at the strings' joint: above the monitor by what the load's current drops along the main run.
    let load_a = s.string_a.iter().sum::<f64>() - s.faults[0].fault_a;
    let amps = (s.v_pos_v + load_a * earth.ground.main_ohm) / (2.0 * rod_ohm);
    assert!(
        (s.i_bond_a.abs() / amps - 1.0).abs() < 2.0 * gec_ohm / rod_ohm + 1e-3,
        "{} {amps}",
        s.i_bond_a
    );
    assert!(
        (s.v_frame_to_soil_v / (amps * rod_ohm) - 1.0).abs() < 2e-3,
        "{s:?}"
    );

    let copper = ask(EXAMPLE, &["conductor=positive,ohms=0.001"]);
    let s = &copper.states[0];
    let egc_ohm = 1.21 * 20.0 / 304.8;
    assert!((copper.ground.egc_ohm.expect("one") / egc_ohm - 1.0).abs() < 1e-3);
    let metal = copper.ground.metal_ohm().expect("metal");
    let share = s.bar_electrode_a.abs() / (s.egc_a + s.tie_a);
    assert!(
        (share / (metal / copper.ground.earth_ohm().expect("earth")) - 1.0).abs() < 1e-6,
        "{share}"
    );
    // Ten times the current of the earth, and the frames stay below a volt.
    assert!(
        s.i_bond_a.abs() > 6.0 * amps && s.v_frame_to_soil_v < 1.0,
        "{s:?}"
    );
}

/// A person beside 23.9 Ω changes nothing, so V/(R) by hand: the frame's voltage over body and feet, the body from IEC TS 60479-1:2005
/// Table 10 (memory) between 50 V (1600 Ω) and 75 V (1275 Ω), the feet 1.5 × 60 Ω·m (IEEE 80, memory).
#[test]
fn a_person_is_a_resistor_at_the_frames_voltage() {
    let answer = ask(&earth_only(), &["conductor=positive,ohms=0.001"]);
    let touched = answer.states[1].person.as_ref().expect("touched");
    assert!((50.0..75.0).contains(&touched.v_touch_v), "{touched:?}");
    let v_body = touched.v_touch_v * touched.body_ohm / (touched.body_ohm + 90.0);
    let table_ohm = 1600.0 + (v_body - 50.0) / 25.0 * (1275.0 - 1600.0);
    assert!(
        (touched.body_ohm / table_ohm - 1.0).abs() < 1e-3,
        "{touched:?} {table_ohm}"
    );
    let amps = touched.v_touch_v / (table_ohm + 90.0);
    assert!((touched.person_a / amps - 1.0).abs() < 1e-3);
    assert!(touched.zone.starts_with("DC-3"), "some 40 mA: {touched:?}");
}

/// `plan`'s own formula for a fault on the grounded conductor as the other side: strings as current sources, drop behind conductor,
/// fault and bond. Ways back that the formula takes as nothing are some 23 mΩ here.
#[test]
fn the_blind_spot_is_the_plans() {
    let file = ArrayFile::parse("array.toml", EXAMPLE).expect("reads");
    let facts = Facts::of(&file).expect("plans");
    for ohms in [5.0, 20.0, 200.0] {
        let answer = ask(EXAMPLE, &[&format!("string=2,module=0,ohms={ohms}")]);
        let (main, string) = (
            facts.main_one_way_ohm.expect("a run"),
            facts.string_one_way_ohm,
        );
        let drop_v = facts.imp_string_a * string + 2.0 * facts.imp_string_a * main;
        let planned = bond_amps(drop_v, string + main, ohms, 0.3 + 0.023);
        let got = answer.states[0].i_bond_a;
        assert!(
            (got / planned - 1.0).abs() < 0.03,
            "{ohms} Ω: {got} {planned}"
        );
        assert!(answer.faults[0].on_grounded_conductor);
    }
}

/// A fault of 200 Ω on the grounded conductor: no current limit sees the 9 mA, the scheduled check does, and in the morning the array
/// is not connected.
#[test]
fn the_blind_spot_is_told_in_words() {
    let answer = ask(EXAMPLE, &["string=2,module=0,ohms=200"]);
    let trip = answer
        .while_connected
        .trip
        .as_ref()
        .expect("the check finds it");
    assert_eq!(trip.seen_by, super::board::SeenBy::InsulationCheck);
    assert!(trip.after_ms > 60e3);
    assert!(answer.before_start.refused().is_some());
    assert!(
        answer
            .verdict
            .blind_spot
            .as_deref()
            .is_some_and(|w| w.contains("No fuse and no current limit"))
    );
    let page = super::text::render(&answer);
    assert!(page.contains("Not seen by: bond current"), "{page}");
}

/// The bench's limits (IEC 62109-2:2011: 300 ms continuous, looked up; 30 mA in 0.3 s, 60 mA in 0.15 s, 150 mA in 0.04 s, memory) hold
/// with the contactor's own 20 ms in them, for currents just above each level.
#[test]
fn trip_times_are_those_of_the_bench() {
    for (ohms, at_least_a, within_ms) in [
        (20.0, 1.0, 40.0),
        (900.0, 0.1, 150.0),
        (2000.0, 0.04, 300.0),
    ] {
        let answer = ask(EXAMPLE, &[&format!("string=1,module=3,ohms={ohms}")]);
        assert!(answer.states[0].i_bond_a.abs() > at_least_a, "{ohms} Ω");
        let trip = answer.while_connected.trip.as_ref().expect("trips");
        assert_eq!(trip.seen_by, super::board::SeenBy::BondCurrent);
        // The feedback counts once it has stood 10 ms: contacts are apart that much earlier.
        let apart_ms = trip.after_ms + 20.0;
        assert!(apart_ms <= within_ms, "{ohms} Ω: {apart_ms} ms");
        assert!(
            trip.open_after_ms
                .is_some_and(|ms| ms >= apart_ms && ms < apart_ms + 15.0),
            "{trip:?}"
        );
    }
}

/// Two faults in two strings, bond and contactor open: the loop through the frames goes on, and no opening ends it. By hand: between
/// the ends of one string lie four modules whose short-circuit current is 9.78 A (pvlib 0.16.1 `singlediode`); two strings in parallel
/// drive at most twice that through 2 × 1 Ω.
#[test]
fn opening_does_not_end_a_double_fault() {
    let answer = ask(
        EXAMPLE,
        &["string=1,module=0,ohms=1", "string=2,module=4,ohms=1"],
    );
    let s = &answer.states[2];
    assert_eq!(s.phase, Phase::Opened);
    let (a, b) = (s.faults[0].fault_a, s.faults[1].fault_a);
    assert!(
        (a + b).abs() < 1e-3 * b && (9.0..19.6).contains(&b),
        "{a} {b}"
    );
    assert!(!answer.verdict.seen_in_time);
    let said = answer.verdict.blind_spot.expect("said");
    assert!(
        said.contains("Opening bond and contactor does not end it"),
        "{said}"
    );
}

/// What the board would measure is the fault itself: 1 MΩ of healthy insulation beside it matters little. At three of four modules.
#[test]
fn insulation_points_at_the_fault() {
    let answer = ask(EXAMPLE, &["string=2,module=3,ohms=5000"]);
    let i = answer.insulation;
    let r = i.r_iso_ohm.expect("measured");
    // 5 kΩ beside 50 MΩ dry.
    assert!((r / 5000.0 - 1.0).abs() < 1e-3, "{r}");
    assert!(
        (i.fraction.expect("one fault") - 0.75).abs() < 1e-3,
        "{i:?}"
    );
}

/// Maximum power transfer: of a source that is nearly an ideal current source up to its knee the best load is V_mp/I_mp. Three modules
/// in a string and what the other string drives back: between one and two strings' worth of them.
#[test]
fn most_heat_is_what_the_modules_can_give() {
    let answer = ask(EXAMPLE, &["string=2,module=3,ohms=20"]);
    let most = answer.faults[0].most_connected;
    // 300 W a module (pvlib 0.16.1 `singlediode`: 299.65 W).
    assert!(
        most.w > 3.0 * 299.65 * 0.9 && most.w < 8.0 * 299.65,
        "{most:?}"
    );
    assert!(most.w >= answer.states[0].faults[0].fault_w);
}
