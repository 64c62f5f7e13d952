//! A plan for a person.

use super::blind_spot::BlindSpot;
use super::changes::with_unit;
use super::facts::{kilowatts, quantity};
use super::finding::Verdict;
use super::fuse::Fuse;
use super::limits::Limit;
use super::page::Page;
use super::sources::body::{HEART_HAND_TO_HAND, TOUCH_VOLTAGE_DC};
use super::sources::limits::{FUSE_DC, GROUNDED_ARRAY_TEST, MODULE_OHM_M2};
use super::{NOTICE, Plan};
use ohmward_proto::settings::Earthing;

/// All of it.
pub fn render(plan: &Plan) -> String {
    let mut page = Page::default();
    page.line(&format!("PLAN for {} ({})", plan.name, plan.file));
    if !plan.note.is_empty() {
        page.text(2, &plan.note);
    }
    page.line("");
    for line in NOTICE {
        page.item("! ", line);
    }
    let looser: Vec<_> = plan.looser().collect();
    if !looser.is_empty() {
        page.heading("LOOSER THAN THEIR SOURCE, accepted by whoever planned");
        for limit in looser {
            page.item(
                "! ",
                &format!(
                    "{} = {}: LOOSER THAN {}",
                    limit.key,
                    with_unit(limit.key, limit.value),
                    limit.looser_than.as_deref().unwrap_or_default()
                ),
            );
        }
    }
    array(&mut page, plan);
    page.heading("LIMITS");
    page.text(2, "What the board is set to. \"Unverified\": recalled, the document was not at hand; have it checked.");
    for limit in &plan.limits {
        row(&mut page, limit);
    }
    healthy(&mut page, plan);
    if let Some(fuse) = &plan.fuse {
        self::fuse(&mut page, fuse);
    }
    match &plan.blind_spot {
        Some(spot) => blind_spot(&mut page, spot, plan),
        None => no_fuse(&mut page, plan),
    }
    commissioning(&mut page, plan);
    findings(&mut page, plan);
    cautions(&mut page, plan);
    page.out
}

fn array(page: &mut Page, plan: &Plan) {
    let f = &plan.facts;
    page.heading("THE ARRAY");
    let earthing = match f.earthing {
        Earthing::NegativeBonded => "negative conductor bonded through fuse and shunt",
        Earthing::PositiveBonded => "positive conductor bonded through fuse and shunt",
        Earthing::HighResistance => "negative conductor earthed through a high resistance",
        Earthing::NotEarthed => "not earthed",
    };
    page.pair(
        "earthing",
        &format!("{earthing}; mains {} Hz nearby", f.mains.hz()),
    );
    page.pair(
        "size",
        &format!(
            "{} modules, {:.1} m², {} ({})",
            f.modules,
            f.area_m2,
            kilowatts(f.array_kw),
            f.array_kw_from
        ),
    );
    page.pair(
        "voltage",
        &format!(
            "open circuit {:.1} V at 25 °C and {:.1} V with cells at {} °C (the module's curve at 1000 W/m² and the site's lowest \
             temperature, not a nameplate coefficient); maximum power at {:.1} V",
            f.voc_stc_v, f.voc_cold_v, f.min_c, f.vmp_stc_v
        ),
    );
    page.pair(
        "current",
        &format!(
            "short circuit {:.2} A a string, {:.2} A in all; × 1.25 is {:.2} A; maximum power {:.2} A a string",
            f.isc_string_a, f.isc_array_a, f.max_circuit_a, f.imp_string_a
        ),
    );
    if let Some(ohm) = f.bond_path_ohm {
        page.pair("bond", &format!("{} to earth", quantity(ohm, "Ω")));
    }
    page.pair(
        "conductors",
        &format!("resistances at {} °C (site.conductor_c)", f.conductor_c),
    );
}

fn row(page: &mut Page, limit: &Limit) {
    let value = with_unit(limit.key, limit.value);
    let mut why = limit.reached.clone();
    if let Some(than) = &limit.looser_than {
        why = format!("LOOSER THAN {than}. {why}");
    }
    page.columns(
        limit.what,
        &value,
        &format!("{why} — {}", limit.source_label),
    );
}

fn healthy(page: &mut Page, plan: &Plan) {
    let h = &plan.healthy;
    page.heading("WHEN NOTHING IS WRONG");
    page.text(
        2,
        &format!(
            "From {} ([array]), by the plant's model. Times with the reference bridge, states A, B, A: at most about that, the board \
             stops sooner when it knows enough.",
            h.assumed
        ),
    );
    for w in &h.weather {
        page.columns(
            &w.when,
            &quantity(w.r_ohm, "Ω"),
            &format!(
                "{:.0} MΩ·m²; {} to earth; τ {:.3} s, 1 % after {:.2} s; a measurement takes {:.1} s",
                w.r_mohm_m2,
                quantity(w.c_f, "F"),
                w.tau_s,
                w.settle_1pct_s,
                w.measure_s
            ),
        );
    }
    page.text(
        2,
        &format!(
            "Judge by MΩ·m²: modules at their own limit of {:.0} MΩ·m² are {} over this area ({}). A fixed alarm of 1 MΩ is wrong for any array \
             above 40 m².",
            MODULE_OHM_M2.value / 1e6,
            quantity(MODULE_OHM_M2.value / plan.facts.area_m2, "Ω"),
            MODULE_OHM_M2.source.label()
        ),
    );
    page.text(
        2,
        &format!(
            "Usual for crystalline modules: {} to {} dry, at most {} with both faces under water. The reference front end tells \
             insulation up to about {}; better reads as \"above\".",
            quantity(h.c_usual_f[0], "F"),
            quantity(h.c_usual_f[1], "F"),
            quantity(h.c_wet_most_f, "F"),
            quantity(h.told_up_to_ohm, "Ω")
        ),
    );
}

fn fuse(page: &mut Page, fuse: &Fuse) {
    page.heading("GROUND-FAULT FUSE");
    page.pair(
        "rating",
        &format!(
            "{}, {}; at most {} for this rating ({})",
            quantity(fuse.rating_a, "A"),
            if fuse.installed {
                "as described"
            } else {
                "not described: the largest allowed is worked with"
            },
            quantity(fuse.largest_a, "A"),
            fuse.sources[0].label()
        ),
    );
    page.pair(
        "kind",
        &format!(
            "for DC of at least {:.0} V; other fuses may melt and go on arcing ({})",
            fuse.dc_v_min,
            FUSE_DC.label()
        ),
    );
    page.pair(
        "behaviour",
        &format!(
            "carries {} for ever, opens at {} within an hour and at {} within 2 min ({})",
            quantity(fuse.carries_a, "A"),
            quantity(fuse.opens_in_1h_a, "A"),
            quantity(fuse.opens_in_2min_a, "A"),
            fuse.sources[1].label()
        ),
    );
    let melts: Vec<_> = fuse
        .melts
        .iter()
        .map(|m| match m.after_s {
            Some(s) => format!("{} {}", quantity(m.amps, "A"), quantity(s, "s")),
            None => format!("{} never", quantity(m.amps, "A")),
        })
        .collect();
    page.pair(
        "model",
        &format!(
            "opens at {} ({})",
            melts.join(", "),
            fuse.sources[2].label()
        ),
    );
}

fn blind_spot(page: &mut Page, spot: &BlindSpot, plan: &Plan) {
    page.heading("WHAT THE FUSE ALONE CANNOT SEE");
    page.text(
        2,
        &format!(
            "A fault on the GROUNDED conductor is driven only by the drop along it: {} at full load ({} of conductor{}), behind {} of \
             bond. At night, and at no load, by nothing. A second fault then shorts the array past the fuse.",
            quantity(spot.drop_v, "V"),
            quantity(spot.conductor_ohm, "Ω"),
            if spot.has_main_run {
                ""
            } else {
                "; string cable alone, the run from the strings to the converter is not described"
            },
            quantity(spot.bond_ohm, "Ω")
        ),
    );
    for r in &spot.rows {
        page.columns(
            &format!("fault of {}", quantity(r.fault_ohm, "Ω")),
            &quantity(r.bond_a, "A"),
            &format!(
                "{}; {}",
                if r.fuse_opens {
                    "the fuse opens within an hour"
                } else {
                    "THE FUSE NEED NOT OPEN"
                },
                if r.board_trips {
                    "the board trips under load"
                } else {
                    "not seen by current limits; left to the insulation check"
                }
            ),
        );
    }
    let fuse = quantity(spot.fuse_a, "A");
    page.text(
        2,
        &match (spot.fuse_opens_below_ohm, spot.fuse_whole_above_ohm) {
            (Some(opens), Some(whole)) => format!(
                "The {fuse} fuse must open only below {}; above {} it stays whole for ever.",
                quantity(opens, "Ω"),
                quantity(whole, "Ω")
            ),
            (None, Some(whole)) => format!(
                "The {fuse} fuse never has to open, even on a dead short; above {} it stays whole for ever.",
                quantity(whole, "Ω")
            ),
            (_, None) => format!(
                "The {fuse} fuse stays whole on EVERY fault of the grounded conductor: a dead short drives {}.",
                quantity(spot.dead_short_a, "A")
            ),
        },
    );
    let board = quantity(spot.board_limit_a, "A");
    let current = match spot.board_trips_below_ohm {
        Some(ohm) => format!("under full load below {}", quantity(ohm, "Ω")),
        None => "on no such fault".to_owned(),
    };
    page.text(
        2,
        &format!(
            "The board's limit of {board} trips {current}; the insulation check, bond open, before connecting each morning, finds any \
             below {} ({}).",
            quantity(spot.check_finds_below_ohm, "Ω"),
            GROUNDED_ARRAY_TEST.label()
        ),
    );
    if plan.facts.array_kw > spot.exposed_above_kw {
        page.text(
            2,
            &format!(
                "Arrays above {} kW with a bond fuse were seen as exposed to this for good ({}): the fuse is large against what a \
                 string can drive.",
                spot.exposed_above_kw,
                spot.sources[1].label()
            ),
        );
    }
}

fn no_fuse(page: &mut Page, plan: &Plan) {
    page.heading("WHAT A FUSE ALONE COULD NOT SEE");
    page.text(
        2,
        if plan.facts.earthing == Earthing::NotEarthed {
            "There is no bond and so no fuse: a first fault, on either conductor, drives no current at all. Only the insulation check \
             finds it; the second fault is the fire."
        } else {
            "There is no fuse: the earthing resistor bounds every fault's current. A fault on the grounded conductor drives next to \
             none; the insulation check finds it."
        },
    );
}

fn commissioning(page: &mut Page, plan: &Plan) {
    page.heading("COMMISSIONING TEST");
    let Some(test) = &plan.commissioning else {
        page.text(
            2,
            &format!(
                "1.25 × {:.0} V is beyond the table of IEC 62446-1 (1500 V): the test voltage has to come from the modules' maker.",
                plan.facts.voc_stc_v
            ),
        );
        return;
    };
    page.pair(
        "insulation",
        &format!(
            "{} test voltage, at least {}: row of 1.25 × Voc at 25 °C = {:.0} V ({})",
            quantity(test.test_v, "V"),
            quantity(test.r_min_ohm, "Ω"),
            test.chosen_by_v,
            test.source.label()
        ),
    );
    if test.parts > 1 {
        page.pair(
            "in parts",
            &format!(
                "above 10 kW: {} parts or more, each at least that",
                test.parts
            ),
        );
    }
    page.pair(
        "by area",
        &format!(
            "modules that just pass their own type test give {}{}: a wet array may honestly read that; a \
             reading times the area it was taken of is what compares arrays",
            quantity(test.module_minimum_of_part_ohm, "Ω"),
            if test.parts > 1 { " a part" } else { "" }
        ),
    );
    page.text(
        2,
        "Monitor disconnected or made for that voltage, bond open, surge arresters off, array de-energised as far as daylight lets. \
         Then open the bond under light and see the pole drift from 0 V: a pole that stays there has a second bond.",
    );
}

fn findings(page: &mut Page, plan: &Plan) {
    page.heading("FINDINGS");
    for (verdict, word) in [
        (Verdict::Problem, "PROBLEM"),
        (Verdict::CannotJudge, "CANNOT JUDGE"),
        (Verdict::Ok, "ok"),
    ] {
        for f in plan.findings.iter().filter(|f| f.verdict == verdict) {
            let source = f
                .source
                .map_or(String::new(), |source| format!(" — {}", source.label()));
            page.hanging(word, &format!("{}{source}", f.says));
            if !f.action.is_empty() {
                page.hanging("", &format!("→ {}", f.action));
            }
        }
    }
    page.text(
        2,
        "\"ok\" means as described: nobody looked at the array. Resistances of sources are not counted in fault currents.",
    );
}

fn cautions(page: &mut Page, plan: &Plan) {
    let t = &plan.touch;
    page.heading("CAUTIONS");
    page.text(
        2,
        &format!(
            "A touch of ten seconds at {:.0} V through {:.0} Ω of body (dry, large contact; 5 % of people have less, half less than {:.0} Ω, wet \
             skin far less). Zones of IEC 60479 are for left hand to feet; hand to hand the heart-current factor is {}:",
            t.v, t.body_p5_ohm, t.body_p50_ohm, HEART_HAND_TO_HAND.value
        ),
    );
    for touch in &t.touches {
        let counts = if touch.heart_factor < 1.0 {
            format!(
                " (counts as {})",
                quantity(touch.body_a * touch.heart_factor, "A")
            )
        } else {
            String::new()
        };
        page.item(
            "- ",
            &format!(
                "{}: {}{counts}, {}",
                touch.case,
                quantity(touch.body_a, "A"),
                touch.zone
            ),
        );
    }
    let [dry, wet] = TOUCH_VOLTAGE_DC.value;
    page.text(
        2,
        &format!(
            "Fibrillation begins at about {} for 0.3 s ({}; curve read to ±20 %). No limit of this board protects a person who touches a \
             bonded array. This array is {} the conventional limit of {dry} V DC ({wet} V wet).",
            quantity(t.c1_at_0_3_s_a, "A"),
            t.sources[3].label(),
            if t.above_touch_limit { "above" } else { "below" },
        ),
    );
    page.text(
        2,
        &format!(
            "Body resistance and zones: {}; {}.",
            t.sources[0].label(),
            t.sources[1].label()
        ),
    );
    if plan.facts.is_bonded() {
        page.text(
            2,
            "A trip opens the bond; the \"grounded\" conductor may then stand at array voltage, and measuring it to earth is the only \
             way to know. A good bond current is no all-clear: a second bond hides a fault from the sensor.",
        );
    }
    page.text(
        2,
        "Never open a grounding connection of a live array to measure an electrode: it is the fault path.",
    );
}
