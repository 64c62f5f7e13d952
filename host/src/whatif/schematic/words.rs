//! Captions: what a panel teaches, in a few short sentences with its own numbers.

use super::array::{Panel, rounded};
use super::ink::NOTHING_A;
use crate::plan::facts::quantity;
use crate::whatif::WhatIf;
use crate::whatif::circuit::Phase;
use crate::whatif::fault::To;
use crate::whatif::verdict::after;
use ohmward_proto::settings::Earthing;

/// The sheet's title.
pub fn title(answer: &WhatIf) -> String {
    match answer.faults.as_slice() {
        [one] => format!(
            "What if {} has a fault of {}?",
            answer.name,
            quantity(one.spec.ohms, "Ω")
        ),
        several => format!(
            "What if {} has {} faults at once?",
            answer.name,
            several.len()
        ),
    }
}

/// A panel's title.
pub fn panel_title(answer: &WhatIf, phase: Phase) -> &'static str {
    match (phase, answer.earthing) {
        (Phase::Connected, Earthing::NotEarthed) => "1  Array connected; it has no bond",
        (Phase::Connected, _) => "1  Bond closed, array connected",
        (Phase::Opened, Earthing::NotEarthed) => "2  Contactor open",
        (Phase::Opened, _) => "2  Bond and contactor open, as after a trip",
    }
}

/// What happens to the fault's current.
pub fn captions(p: &Panel<'_>) -> Vec<String> {
    let mut says = vec![at_the_faults(p)];
    match p.state.phase {
        Phase::Connected => {
            says.push(way_back(p));
            says.push(board(p.answer));
        }
        Phase::Opened => {
            says.push(opened(p));
            says.push(measured(p.answer));
        }
    }
    says.push(touch(p));
    says
}

fn at_the_faults(p: &Panel<'_>) -> String {
    let each: Vec<_> = ('A'..)
        .zip(&p.state.faults)
        .map(|(letter, now)| {
            format!(
                "{letter}: {}, {} of heat",
                quantity(rounded(now.fault_a.abs(), 1e-9), "A"),
                quantity(rounded(now.fault_w, 1e-9), "W")
            )
        })
        .collect();
    format!("At the fault {}.", each.join("; "))
}

fn way_back(p: &Panel<'_>) -> String {
    let g = &p.answer.ground;
    let s = p.state;
    let metal_a = (s.egc_a + s.tie_a).abs();
    let earth_a = s.bar_electrode_a.abs();
    let to_frame = p.answer.faults.iter().any(|f| f.spec.to == To::Frame);
    let earth_ohm = g.earth_ohm().map(|ohm| quantity(ohm, "Ω"));
    if p.answer.earthing == Earthing::NotEarthed {
        return "No bond, so a first fault has no way back: hardly any current flows, and no fuse or current limit can see it."
            .to_owned();
    }
    match (g.metal_ohm(), earth_ohm) {
        (Some(metal_ohm), Some(earth_ohm)) if to_frame && metal_a > NOTHING_A => format!(
            "{} returns to the bond through {} of copper, {} through {earth_ohm} of earth: the earth is no fault path.",
            quantity(metal_a, "A"),
            quantity(metal_ohm, "Ω"),
            quantity(rounded(earth_a, 1e-9), "A")
        ),
        (Some(metal_ohm), None) if to_frame => format!(
            "{} returns to the bond through {} of copper; the earth has no closed way back.",
            quantity(metal_a, "A"),
            quantity(metal_ohm, "Ω")
        ),
        (None, Some(earth_ohm)) if to_frame => format!(
            "Without an equipment-grounding conductor {earth_ohm} of earth is the only way back: {}. The frames stand {} above the soil.",
            quantity(rounded(earth_a, 1e-9), "A"),
            quantity(rounded(s.v_frame_to_soil_v, 1e-6), "V")
        ),
        (None, None) if to_frame => format!(
            "Frames without any conductor to the bar: no way back. They stand {} above the soil.",
            quantity(rounded(s.v_frame_to_soil_v, 1e-6), "V")
        ),
        _ => format!(
            "The soil is a poor conductor: {} finds its way back to the bond.",
            quantity(rounded(s.i_bond_a.abs(), 1e-9), "A")
        ),
    }
}

fn board(answer: &WhatIf) -> String {
    if answer.while_connected.never_connected.is_some() {
        return "What the board would do cannot be told: it does not connect this array even without a fault.".to_owned();
    }
    match &answer.while_connected.trip {
        Some(trip) => {
            let open = trip.open_after_ms.map_or_else(String::new, |ms| {
                format!(", contactor open after {}", after(ms))
            });
            format!(
                "The board trips after {} ({}){open}.",
                after(trip.after_ms),
                trip.seen_by.words()
            )
        }
        None => format!(
            "NOTHING TRIPS in {}: a blind spot.",
            after(answer.while_connected.observed_s * 1e3)
        ),
    }
}

fn opened(p: &Panel<'_>) -> String {
    let s = p.state;
    let most = s.faults.iter().map(|f| f.fault_a.abs()).fold(0.0, f64::max);
    if most > 0.01 {
        return format!(
            "Opening does not end it: the faults feed each other through the frames, {} round a loop that no switch or fuse is in. \
             Daylight drives it on.",
            quantity(most, "A")
        );
    }
    let left = if most > NOTHING_A {
        format!(
            " What is left, {}, goes through insulation and the board's own dividers.",
            quantity(most, "A")
        )
    } else {
        String::new()
    };
    let live = s.v_pos_v.abs().max(s.v_neg_v.abs());
    let floats = match p.answer.earthing {
        Earthing::NotEarthed => String::new(),
        _ => " The \"grounded\" conductor now floats: treat it as live.".to_owned(),
    };
    format!(
        "The loop is open and the current has stopped, the voltage has not: up to {} to earth.{floats}{left}",
        quantity(live, "V")
    )
}

fn measured(answer: &WhatIf) -> String {
    let r = answer
        .insulation
        .r_iso_ohm
        .map_or_else(|| "beyond measure".to_owned(), |r| quantity(r, "Ω"));
    let head = match answer.earthing {
        Earthing::NotEarthed => "Insulation",
        _ => "Only with the bond open can insulation be measured",
    };
    let refused = match answer.before_start.refused() {
        Some(trip) => format!(
            "had the fault been there in the morning, it would have refused to connect after {}",
            after(trip.after_ms)
        ),
        None => "such a fault in the morning would NOT have kept it from connecting".to_owned(),
    };
    format!(
        "{head}: {r} (trips below {}); {refused}.",
        quantity(answer.insulation_trip_below_ohm, "Ω")
    )
}

fn touch(p: &Panel<'_>) -> String {
    match &p.state.person {
        None => String::new(),
        Some(t) => format!(
            "A hand on {}: {} before, {} while touched. {}.",
            p.answer.touches.word(),
            quantity(rounded(t.v_open_v, 1e-6), "V"),
            quantity(rounded(t.v_touch_v, 1e-6), "V"),
            t.zone
        ),
    }
}
