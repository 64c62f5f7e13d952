//! Limits on the bond current.

use super::{BOARD_CURRENT_A, Bound, Builder};
use crate::plan::facts::{Facts, kilowatts, quantity};
use crate::plan::holds;
use crate::plan::sources::limits::{
    CONTINUOUS_LARGE_A_PER_KVA, CONTINUOUS_SMALL_A, OWN_HIGH_RESISTANCE, SMALL_CONVERTER_KVA,
    SUDDEN_CHANGE, SUDDEN_HOLDS, UL1741_GFDI_A_BY_KW,
};
use crate::plan::sources::{Source, row_of};
use ohmward_proto::settings::{DefiniteTime, Earthing, SuddenLimits};
use ohmward_proto::units::Amps;

pub(super) fn continuous(facts: &Facts) -> (f64, Source, String) {
    let scope = if facts.is_bonded() {
        ". Written for arrays without a bond; here a level for the sensor in the bond"
    } else {
        ""
    };
    let small = CONTINUOUS_SMALL_A;
    match facts.converter_kva {
        None => (
            small.value,
            small.source,
            format!("converter.rated_kva not given: the strictest row, 300 mA{scope}"),
        ),
        Some(kva) if kva <= SMALL_CONVERTER_KVA * (1.0 + 1e-9) => (
            small.value,
            small.source,
            format!("converter {kva} kVA, up to 30 kVA: 300 mA{scope}"),
        ),
        Some(kva) => {
            let large = CONTINUOUS_LARGE_A_PER_KVA;
            let amps = kva * large.value;
            let capped = if amps > BOARD_CURRENT_A {
                format!(
                    " = {amps:.1} A, more than the {BOARD_CURRENT_A} A a board can be set to: stricter"
                )
            } else {
                String::new()
            };
            (
                amps.min(BOARD_CURRENT_A),
                large.source,
                format!("converter {kva} kVA, above 30 kVA: 10 mA a kVA{capped}{scope}"),
            )
        }
    }
}

pub(super) fn ground_fault(facts: &Facts, continuous_a: f64) -> (f64, Source, String) {
    match facts.earthing {
        Earthing::NegativeBonded | Earthing::PositiveBonded => {
            let table = UL1741_GFDI_A_BY_KW;
            let row = row_of(table.value, facts.dc_rating_kw);
            (
                // The table has no end and a rating is above zero: a row is always there; else the strictest.
                row.unwrap_or(1.0),
                table.source,
                format!(
                    "row of {} DC ({})",
                    kilowatts(facts.dc_rating_kw),
                    facts.dc_rating_kw_from
                ),
            )
        }
        Earthing::NotEarthed => (
            continuous_a,
            CONTINUOUS_SMALL_A.source,
            "the table by rating is for grounded arrays; here the continuous residual limit, on the DC part".into(),
        ),
        Earthing::HighResistance => {
            let r_ohm = facts.bond_path_ohm.unwrap_or(f64::INFINITY);
            let dead_short_a = facts.vmp_stc_v / r_ohm;
            let half_a = (dead_short_a / 2.0).clamp(0.005, continuous_a);
            (
                half_a,
                OWN_HIGH_RESISTANCE,
                format!(
                    "a dead short of the far conductor drives {} through the {} of the earthing; half of that, \
                     within 5 mA and the continuous limit",
                    quantity(dead_short_a, "A"),
                    quantity(r_ohm, "Ω")
                ),
            )
        }
    }
}

pub(super) fn sudden(
    b: &mut Builder,
    contactor_open_ms: f64,
    isolated: Option<bool>,
) -> SuddenLimits {
    let source = SUDDEN_CHANGE.source;
    let needed = match isolated {
        Some(true) => {
            "asked of converters that do not isolate; this one does, the watch is kept on all the same"
        }
        Some(false) => "asked of converters that do not isolate, as this one",
        None => "converter.isolated not given: taken as not isolated",
    };
    let enabled = b.on(
        "current.sudden.enabled",
        "watch sudden changes",
        if isolated == Some(true) {
            Bound::Free
        } else {
            Bound::On
        },
        source,
        needed,
    );
    let keys = [
        (
            "current.sudden.low.above_a",
            "current.sudden.low.hold_ms",
            "sudden change, lowest",
        ),
        (
            "current.sudden.middle.above_a",
            "current.sudden.middle.hold_ms",
            "sudden change, middle",
        ),
        (
            "current.sudden.high.above_a",
            "current.sudden.high.hold_ms",
            "sudden change, highest",
        ),
    ];
    let [low, middle, high] = std::array::from_fn(|k| {
        let ((above, hold, what), h) = (keys[k], holds::SUDDEN[k]);
        DefiniteTime {
            above: Amps(b.number(
                above,
                what,
                h.amps,
                Bound::AtMost(h.amps),
                source,
                format!("{} within {} s", quantity(h.amps, "A"), h.allowed_ms / 1e3),
            ) as f32),
            hold_ms: b.number(
                hold,
                "… held for",
                f64::from(h.hold_ms),
                Bound::AtMost(h.longest_hold_ms(contactor_open_ms)),
                SUDDEN_HOLDS,
                format!(
                    "found within {} ms at worst, leaves {} ms to the contactor",
                    h.found_ms_worst,
                    h.allowed_ms - h.found_ms_worst
                ),
            ) as u16,
        }
    });
    SuddenLimits {
        enabled,
        low,
        middle,
        high,
    }
}
