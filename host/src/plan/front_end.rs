//! Whether the reference front end reaches this array's voltages and currents (hardware-notes).

use super::facts::Facts;
use super::finding::Finding;
use ohmward_proto::settings::Calibration;

/// Light at a cloud's edge over standard light: order of magnitude, common practice, no source.
const CLOUD_EDGE: f64 = 1.25;

/// Pole voltages and bond current.
pub fn findings(facts: &Facts) -> Vec<Finding> {
    let board = Calibration::REFERENCE;
    let reach = |per_count: f32| f64::from(per_count) * 32768.0;
    let (v_max, i_max) = (reach(board.v_pos.per_count), reach(board.i_wide.per_count));
    let v = facts.voc_cold_v;
    let says = format!(
        "either pole may stand at ±{v:.0} V to earth with the bond open; the reference front end reads ±{v_max:.0} V"
    );
    let poles = if v <= v_max {
        Finding::ok("pole-voltage-range", says)
    } else {
        Finding::problem(
            "pole-voltage-range",
            says,
            "beyond its range a pole counts as a sensor lost, which is a trip: use dividers for at least that voltage, rated for it, and \
             calibrate the board with them",
        )
    }
    .with("v_max_v", v)
    .with("range_v", v_max);
    let amps = CLOUD_EDGE * facts.isc_array_a;
    let says = format!(
        "a dead short gives up to {amps:.1} A (1.25 × the strings' short-circuit currents); the wide range reads ±{i_max:.0} A"
    );
    let bond = if amps <= i_max {
        Finding::ok("bond-current-range", says)
    } else {
        // A code at its rail is either above every limit or, when it stays, a sensor lost: both trip.
        Finding::ok(
            "bond-current-range",
            format!("{says}. It trips all the same; its captured waveform is cut off there"),
        )
    }
    .with("i_max_a", amps)
    .with("range_a", i_max);
    vec![poles, bond]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::finding::Verdict;
    use crate::plan::test_array::heron_bend;

    /// hardware-notes: poles ±600 V, wide range ±25 A.
    #[test]
    fn reaches_are_those_of_the_hardware_notes() {
        let mut facts = Facts::of(&heron_bend("")).expect("plans");
        for (v, verdict) in [(600.0, Verdict::Ok), (600.1, Verdict::Problem)] {
            facts.voc_cold_v = v;
            assert_eq!(findings(&facts)[0].verdict, verdict, "{v} V");
        }
        let said = |facts: &Facts| findings(facts)[1].says.contains("cut off");
        assert!(!said(&facts), "two strings: 24.4 A");
        facts.isc_array_a = 20.1;
        assert!(said(&facts), "25.1 A");
    }
}
