//! Limits on insulation, and when it is measured.

use super::{BOARD_OHM, Bound, Builder};
use crate::plan::facts::{Facts, kilowatts, quantity};
use crate::plan::healthy::{Healthy, state_s_max};
use crate::plan::sources::limits::{
    ARRAY_AT_MODULE_MINIMUM, IEC62548_EVERY_S, IEC62548_OHM_BY_KW, MODULE_OHM_M2, OWN_CONFIRM,
    OWN_EVERY, OWN_RESET, OWN_STATE, OWN_V_MIN, OWN_WARNING, PRE_START_A,
};
use crate::plan::sources::{Source, row_of};
use ohmward_proto::settings::{InsulationCheck, InsulationLimits};
use ohmward_proto::units::{Ohms, Volts};

/// Highest trip level that a board takes, Ω (`Settings::check`).
const BOARD_TRIP_OHM: f64 = 50e6;

pub(super) fn insulation(
    b: &mut Builder,
    facts: &Facts,
    healthy: &Healthy,
    trip_wanted_ohm: Option<f64>,
) -> InsulationLimits {
    let by_rating = IEC62548_OHM_BY_KW;
    let by_rating_ohm = row_of(by_rating.value, facts.array_kw).unwrap_or(30e3);
    let by_voltage_ohm = facts.voc_cold_v / PRE_START_A.value;
    let row = format!(
        "array of {}: {}",
        kilowatts(facts.array_kw),
        quantity(by_rating_ohm, "Ω")
    );
    let per_30_ma = format!("V/30 mA is {}", quantity(by_voltage_ohm, "Ω"));
    let (trip_ohm, source, reached) = if facts.is_bonded() {
        (
            by_rating_ohm,
            by_rating.source,
            format!(
                "{row}. {per_30_ma} ({}): asked of arrays without a bond, where it bounds the current through a \
                 person; with one conductor bonded it cannot",
                PRE_START_A.source.label()
            ),
        )
    } else if by_voltage_ohm > by_rating_ohm {
        (
            by_voltage_ohm,
            PRE_START_A.source,
            format!(
                "{per_30_ma} at {:.0} V and more than the table by rating asks ({row})",
                facts.voc_cold_v
            ),
        )
    } else {
        (
            by_rating_ohm,
            by_rating.source,
            format!("{row}; {per_30_ma} at {:.0} V, less", facts.voc_cold_v),
        )
    };
    let trip_below = b.number(
        "insulation.trip_below_ohm",
        "insulation, trip below",
        trip_ohm,
        Bound::AtLeast(trip_ohm),
        source,
        reached,
    );
    // What follows from the trip level follows a stricter one that the file asks for.
    let trip_ohm = trip_wanted_ohm
        .filter(|wanted| *wanted > trip_ohm && *wanted <= BOARD_TRIP_OHM)
        .unwrap_or(trip_ohm);
    let (warn_ohm, source, reached) = warning(facts, healthy, trip_ohm);
    let warn_below = b.number(
        "insulation.warn_below_ohm",
        "insulation, warn below",
        warn_ohm,
        Bound::AtLeast(warn_ohm),
        source,
        reached,
    );
    let reset_above = b.number(
        "insulation.reset_above_ohm",
        "insulation, reset above",
        1.5 * trip_ohm,
        Bound::AtLeast(1.5 * trip_ohm),
        OWN_RESET,
        "1.5 times the trip level",
    );
    let confirm = b.number(
        "insulation.confirm",
        "… measurements in a row",
        2.0,
        Bound::AtMost(2.0),
        OWN_CONFIRM,
        "one bad measurement shall not trip; the first low one is repeated soon",
    );
    InsulationLimits {
        trip_below: Ohms(trip_below as f32),
        warn_below: Ohms(warn_below as f32),
        reset_above: Ohms(reset_above as f32),
        confirm: confirm as u8,
    }
}

/// By area: a fixed level is wrong in both directions.
fn warning(facts: &Facts, healthy: &Healthy, trip_ohm: f64) -> (f64, Source, String) {
    let by_area_ohm = MODULE_OHM_M2.value / facts.area_m2;
    let half_worst_ohm = healthy.worst_r_ohm / 2.0;
    let floor_ohm = 2.0 * trip_ohm;
    let by_area = format!(
        "40 MΩ·m² over {:.1} m² is {}",
        facts.area_m2,
        quantity(by_area_ohm, "Ω")
    );
    if floor_ohm >= by_area_ohm.min(half_worst_ohm) {
        return (
            floor_ohm,
            OWN_WARNING,
            format!("twice the trip level; {by_area}, which is lower or near it"),
        );
    }
    if half_worst_ohm < by_area_ohm {
        (
            half_worst_ohm,
            OWN_WARNING,
            format!(
                "half of what the healthy array as described reads at its worst ({}); {by_area}, which would warn on \
                 every such day",
                quantity(healthy.worst_r_ohm, "Ω")
            ),
        )
    } else {
        (
            by_area_ohm.min(BOARD_OHM),
            ARRAY_AT_MODULE_MINIMUM,
            format!("{by_area}: all modules just at their own type-test limit"),
        )
    }
}

pub(super) fn check(b: &mut Builder, facts: &Facts, healthy: &Healthy) -> InsulationCheck {
    let before_connect = b.on(
        "check.before_connect",
        "measure before connecting",
        Bound::On,
        IEC62548_EVERY_S.source,
        "before operation starts, each morning",
    );
    let every_s = b.number(
        "check.every_s",
        "… and while connected, every",
        1800.0,
        Bound::AtMost(f64::from(IEC62548_EVERY_S.value)),
        OWN_EVERY,
        format!(
            "the standard asks for once in 24 h; a measurement, the bond open, takes about {:.1} s at most",
            healthy.longest_measure_s()
        ),
    );
    let v_min = (0.25 * facts.voc_stc_v).clamp(5.0, 30.0);
    let v_min = b.number(
        "check.v_min_v",
        "smallest voltage to measure with",
        // Whole volts.
        v_min.floor(),
        Bound::AtMost(v_min.floor()),
        OWN_V_MIN,
        "a quarter of the open-circuit voltage, 5 to 30 V",
    );
    let state_ms = (1e3 * state_s_max(healthy.wet_tau_s)).round();
    let state_ms_max = b.number(
        "check.state_ms_max",
        "longest time in one bridge state",
        state_ms,
        Bound::AtMost(state_ms),
        OWN_STATE,
        format!(
            "five time constants of the wet array ({:.3} s), 2 to 120 s",
            healthy.wet_tau_s
        ),
    );
    InsulationCheck {
        before_connect,
        every_s: every_s as u32,
        v_min: Volts(v_min as f32),
        state_ms_max: state_ms_max as u32,
    }
}
