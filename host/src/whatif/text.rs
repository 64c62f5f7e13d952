//! An answer for a person.

use super::WhatIf;
use super::board::Run;
use super::circuit::{Phase, State};
use super::verdict::{ARC_V, FIRE_W, Kind, after};
use crate::plan::facts::quantity;
use crate::plan::page::Page;
use ohmward_proto::settings::Earthing;

/// All of it.
pub fn render(answer: &WhatIf) -> String {
    let mut page = Page::default();
    page.line(&format!("WHAT IF, at {} ({})", answer.name, answer.file));
    if !answer.note.is_empty() {
        page.text(2, &answer.note);
    }
    page.line("");
    for line in answer.notice {
        page.item("! ", line);
    }
    faults(&mut page, answer);
    states(&mut page, answer);
    person(&mut page, answer);
    measured(&mut page, answer);
    heat(&mut page, answer);
    board(&mut page, answer);
    verdict(&mut page, answer);
    assumed(&mut page, answer);
    page.out
}

fn faults(page: &mut Page, answer: &WhatIf) {
    page.heading("THE FAULT");
    for (letter, fault) in ('A'..).zip(&answer.faults) {
        page.pair(
            &letter.to_string(),
            &format!("{} through {}", fault.place, quantity(fault.spec.ohms, "Ω")),
        );
    }
    let earthing = match answer.earthing {
        Earthing::NegativeBonded => "negative conductor bonded",
        Earthing::PositiveBonded => "positive conductor bonded",
        Earthing::HighResistance => "negative conductor earthed through a high resistance",
        Earthing::NotEarthed => "not earthed",
    };
    page.pair(
        "array",
        &format!(
            "{} strings of {} modules, {earthing}; {} W/m², cells at {} °C, wetness {}",
            answer.strings,
            answer.modules_per_string,
            answer.sun.irradiance_w_m2,
            answer.sun.cell_temp_c,
            answer.sun.wetness
        ),
    );
    let ohm = |ohm: Option<f64>| ohm.map_or_else(|| "none".to_owned(), |ohm| quantity(ohm, "Ω"));
    let g = &answer.ground;
    page.pair(
        "ways back",
        &format!(
            "equipment-grounding conductor (EGC) {}; conductor between the electrodes {}; electrodes at the array {}, elsewhere {}; bond {}",
            ohm(g.egc_ohm),
            ohm(g.tie_ohm),
            ohm(g.array_electrode_ohm),
            ohm(g.bar_electrode_ohm),
            ohm(answer.bond_path_ohm)
        ),
    );
}

/// One row over the four states; nothing where it is nothing.
fn row(page: &mut Page, name: &str, answer: &WhatIf, value: impl Fn(&State) -> Option<String>) {
    let cells: Vec<_> = answer
        .states
        .iter()
        .map(|state| value(state).unwrap_or_else(|| "–".to_owned()))
        .collect();
    page.line(&format!(
        "  {name:<34}{:>14} {:>14} {:>14} {:>14}",
        cells[0], cells[1], cells[2], cells[3]
    ));
}

fn states(page: &mut Page, answer: &WhatIf) {
    page.heading("WHERE THE CURRENT GOES");
    let (bond, closed, open) = match answer.earthing {
        Earthing::NotEarthed => (
            "dividers, both poles → bar",
            "array connected",
            "contactor open",
        ),
        _ => (
            "bond, conductor → bar",
            "bond closed, array connected",
            "bond and contactor open",
        ),
    };
    page.line(&format!("  {:<34}{closed:>29} {open:>29}", ""));
    page.line(&format!(
        "  {:<34}{:>14} {:>14} {:>14} {:>14}",
        "", "nobody", "touched", "nobody", "touched"
    ));
    let amps = |a: f64| Some(quantity(zeroed(a, 1e-9), "A"));
    let volts = |v: f64| Some(quantity(zeroed(v, 1e-6), "V"));
    for (k, letter) in ('A'..).enumerate().take(answer.faults.len()) {
        row(
            page,
            &format!("fault {letter}, array → earth"),
            answer,
            |s| amps(s.faults[k].fault_a),
        );
    }
    row(page, bond, answer, |s| amps(s.i_bond_a));
    if answer.ground.egc_ohm.is_some() {
        row(page, "EGC, frames → bar", answer, |s| amps(s.egc_a));
    }
    if answer.ground.tie_ohm.is_some() {
        row(page, "between electrodes, frames → bar", answer, |s| {
            amps(s.tie_a)
        });
    }
    if answer.ground.array_electrode_ohm.is_some() {
        row(page, "electrode at array, frames → soil", answer, |s| {
            amps(s.array_electrode_a)
        });
    }
    if answer.ground.bar_electrode_ohm.is_some() {
        row(page, "electrode of bar, bar → soil", answer, |s| {
            amps(s.bar_electrode_a)
        });
    }
    row(
        page,
        &format!("person at {}", answer.touches.word()),
        answer,
        |s| s.person.as_ref().and_then(|p| amps(p.person_a)),
    );
    row(page, "frames above the soil beside them", answer, |s| {
        volts(s.v_frame_to_soil_v)
    });
    row(page, "positive conductor to earth", answer, |s| {
        volts(s.v_pos_v)
    });
    row(page, "negative conductor to earth", answer, |s| {
        volts(s.v_neg_v)
    });
    for k in 0..shown_strings(answer).len() {
        let string = shown_strings(answer)[k];
        row(
            page,
            &format!("string {}, out of its positive end", string + 1),
            answer,
            |s| amps(s.string_a[string]),
        );
    }
    if shown_strings(answer).len() < answer.strings as usize {
        page.text(2, "Other strings are left out here; --json has them all.");
    }
    for phase in Phase::ALL {
        for (string, amps) in reverse(answer, phase) {
            let state = match phase {
                Phase::Connected => "connected",
                Phase::Opened => "opened",
            };
            let beyond = if -amps > answer.isc_string_a {
                format!(
                    ", more than the {} a string gives into a short: modules and cables carry it only up to their series-fuse rating",
                    quantity(answer.isc_string_a, "A")
                )
            } else {
                String::new()
            };
            page.item(
                "! ",
                &format!(
                    "String {} is driven BACKWARDS, {state}: {} from the other strings into the fault{beyond}",
                    string + 1,
                    quantity(-amps, "A")
                ),
            );
        }
    }
}

/// Strings with a negative current, and how much.
pub(super) fn reverse(answer: &WhatIf, phase: Phase) -> Vec<(usize, f64)> {
    let index = match phase {
        Phase::Connected => 0,
        Phase::Opened => 2,
    };
    let strings = answer.states[index].string_a.iter().copied().enumerate();
    strings.filter(|(_, a)| *a < -0.05).collect()
}

/// First, last and faulted strings when there are many.
fn shown_strings(answer: &WhatIf) -> Vec<usize> {
    let strings = answer.strings as usize;
    (0..strings)
        .filter(|k| {
            strings <= 6
                || *k == 0
                || *k + 1 == strings
                || answer
                    .faults
                    .iter()
                    .any(|f| matches!(f.spec.at, super::fault::At::String { string, .. } if string as usize == k + 1))
        })
        .collect()
}

/// What rounding of the solver left over is nothing.
fn zeroed(x: f64, below: f64) -> f64 {
    if x.abs() < below { 0.0 } else { x }
}

fn person(page: &mut Page, answer: &WhatIf) {
    page.heading(&format!(
        "A PERSON TOUCHES {}",
        answer.touches.word().to_uppercase()
    ));
    for (state, words) in [
        (&answer.states[1], "bond closed"),
        (&answer.states[3], "bond open"),
    ] {
        let Some(p) = &state.person else { continue };
        let until = match p.c1_after_s {
            Some(s) => format!("; the heart may fibrillate after {}", after(s * 1e3)),
            None => String::new(),
        };
        page.pair(
            words,
            &format!(
                "{} before, {} while touched; body {}, feet {}: {}. {}{until}",
                quantity(zeroed(p.v_open_v, 1e-6), "V"),
                quantity(zeroed(p.v_touch_v, 1e-6), "V"),
                quantity(p.body_ohm, "Ω"),
                quantity(p.feet_ohm, "Ω"),
                quantity(zeroed(p.person_a, 1e-9), "A"),
                p.zone
            ),
        );
    }
    page.text(2, &format!("Assumed: {}.", answer.feet.assumed));
    page.text(
        2,
        "Touching a bare conductor instead (--touch positive, negative) is another matter: ask.",
    );
}

fn measured(page: &mut Page, answer: &WhatIf) {
    page.heading("WHAT THE BOARD MEASURES WITH BOND AND CONTACTOR OPEN");
    let i = &answer.insulation;
    let ohm = |ohm: Option<f64>| {
        ohm.map_or_else(|| "beyond measure".to_owned(), |ohm| quantity(ohm, "Ω"))
    };
    let place = match i.fraction {
        Some(x) => format!(
            "; points at {:.0} % of the string from its negative end",
            x * 100.0
        ),
        None => String::new(),
    };
    page.text(
        2,
        &format!(
            "R+ {}, R− {}, together {}{place}. It trips below {}.",
            ohm(i.r_pos_ohm),
            ohm(i.r_neg_ohm),
            ohm(i.r_iso_ohm),
            quantity(answer.insulation_trip_below_ohm, "Ω")
        ),
    );
}

fn heat(page: &mut Page, answer: &WhatIf) {
    page.heading("HEAT AND ARC");
    for (letter, (k, fault)) in ('A'..).zip(answer.faults.iter().enumerate()) {
        let now = |state: usize| quantity(answer.states[state].faults[k].fault_w, "W");
        let most = &fault.most_connected;
        page.pair(
            &letter.to_string(),
            &format!(
                "{} while connected, {} with the bond open. At most {} if its resistance were {} (an arc too is a resistance that \
                 moves), from {} across the gap; with the bond open at most {}",
                now(0),
                now(2),
                quantity(most.w, "W"),
                quantity(most.ohms, "Ω"),
                quantity(most.v_open_v.abs(), "V"),
                quantity(fault.most_opened.w, "W")
            ),
        );
        if most.w > FIRE_W && most.v_open_v.abs() > ARC_V {
            page.item("! ", "A contact here can strike and keep an arc.");
        }
    }
    if let Some(fuse) = &answer.fuse {
        let does = match fuse.melts_after_s {
            Some(s) => format!(
                "melts after about {} by the model; then the \"grounded\" conductor is live",
                after(s * 1e3)
            ),
            None => "carries that for ever: the fuse does not see this fault".to_owned(),
        };
        page.pair(
            "fuse",
            &format!(
                "{} in a fuse of {} A: {does}",
                quantity(fuse.bond_a, "A"),
                fuse.rating_a
            ),
        );
    }
}

fn board(page: &mut Page, answer: &WhatIf) {
    page.heading("WHAT THE BOARD DOES (its firmware, in virtual time, with the planned settings)");
    lines(
        page,
        "The fault comes while the array is connected:",
        &answer.while_connected,
    );
    lines(
        page,
        "The fault is there before the board's first look:",
        &answer.before_start,
    );
    if let Some(run) = &answer.touched {
        lines(
            page,
            &format!(
                "A person touches {} as the fault comes:",
                answer.touches.word()
            ),
            run,
        );
    }
}

/// More than these are in the JSON.
const SHOWN: usize = 8;

fn lines(page: &mut Page, head: &str, run: &Run) {
    page.text(2, head);
    if let Some(why) = &run.never_connected {
        page.item(
            "! ",
            &format!(
                "not told: it does not connect this array even without a fault. It says: {why}"
            ),
        );
        return;
    }
    if run.lines.is_empty() {
        page.item("  ", &format!("nothing in {}", after(run.observed_s * 1e3)));
    }
    for line in run.lines.iter().take(SHOWN) {
        page.hanging(&format!("  {:>9}", after(line.after_ms)), &line.says);
    }
    if run.lines.len() > SHOWN {
        page.item(
            "  ",
            &format!("and {} more (--json)", run.lines.len() - SHOWN),
        );
    }
}

fn verdict(page: &mut Page, answer: &WhatIf) {
    let v = &answer.verdict;
    page.heading("WHAT IT COMES TO");
    for line in &v.seen {
        page.item("- ", line);
    }
    if let Some(blind) = &v.blind_spot {
        page.item(
            "! ",
            &format!("BLIND SPOT of fuse and current limits. {blind}"),
        );
    }
    for danger in &v.dangers {
        let kind = match danger.kind {
            Kind::Fire => "FIRE",
            Kind::Shock => "SHOCK",
            Kind::NextFault => "NEXT FAULT",
        };
        let phase = match danger.phase {
            Phase::Connected => "while connected",
            Phase::Opened => "with bond and contactor open",
        };
        let allowed = match danger.allowed_s {
            Some(s) => format!(", {} allowed", after(s * 1e3)),
            None => String::new(),
        };
        let ended = match (danger.ended_after_s, danger.in_time) {
            (Some(s), true) => format!("ended after {}{allowed}", after(s * 1e3)),
            (Some(s), false) => format!("ENDED ONLY AFTER {}{allowed}", after(s * 1e3)),
            (None, _)
                if danger.phase == Phase::Connected
                    && answer.while_connected.never_connected.is_some() =>
            {
                "Whether anything ends it cannot be told".to_owned()
            }
            (None, _) => "NOTHING ENDS IT".to_owned(),
        };
        page.item(
            if danger.in_time { "- " } else { "! " },
            &format!("{kind} {phase}: {}. {ended}", danger.says),
        );
    }
    page.text(
        2,
        if v.dangers.is_empty() {
            "No danger by the measures here. That is no all-clear: live conductors stay dangerous to touch."
        } else if v.seen_in_time {
            "Every danger is ended in time, if the board works as its firmware says."
        } else {
            "NOT every danger is ended in time."
        },
    );
    page.text(2, &format!("Fire is measured by {}.", v.source.standard));
}

fn assumed(page: &mut Page, answer: &WhatIf) {
    if !answer.ground.assumed.is_empty() {
        page.heading("ASSUMED");
        for line in &answer.ground.assumed {
            page.item("- ", line);
        }
    }
}
