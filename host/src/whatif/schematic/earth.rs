//! The lower part of a panel: frames, equipment-grounding conductor, bar, electrodes, soil, and the person.

use super::array::Panel;
use super::ink::{BOLD, INK, METAL_EDGE, NOTE, SOIL, Sheet, Side, Way};
use super::layout::WIDTH;
use crate::plan::facts::quantity;
use crate::whatif::fault::To;

/// The soil lies behind everything.
pub fn soil(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    sheet.area(
        [0.0, p.top + l.soil_y, WIDTH, p.top + l.soil_bottom],
        SOIL,
        "none",
    );
    sheet.stroke(
        &[p.at(0.0, l.soil_y), p.at(WIDTH, l.soil_y)],
        "#a08040",
        1.4,
    );
}

/// Currents along a line with inflows at some places, left to right: each stretch carries the sum of what came in before it.
fn along(sheet: &mut Sheet, way: Way, y: f64, mut inflows: Vec<(f64, f64)>) {
    inflows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut amps = 0.0;
    for pair in inflows.windows(2) {
        amps += pair[0].1;
        if pair[1].0 > pair[0].0 {
            sheet.flow(way, &[(pair[0].0, y), (pair[1].0, y)], amps);
        }
    }
}

/// Fault current in the frames: from each fault down to a collector, along it to the ways out. Drawn behind the modules.
pub fn frames(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    let s = p.state;
    let y = l.collector_y;
    let mut inflows = Vec::new();
    for (_, at, to, amps) in p.faults() {
        if to == To::Frame {
            let (x, tap_y) = p.tap(at);
            sheet.flow(
                Way::Frames,
                &[p.at(x, tap_y + l.pitch_y * 0.5), p.at(x, y)],
                amps,
            );
            inflows.push((x, amps));
        }
    }
    if p.touched_pole().is_none() {
        inflows.push((l.hand_x, -p.person_a()));
    }
    if p.answer.ground.array_electrode_ohm.is_some() {
        inflows.push((l.array_electrode_x, -(s.array_electrode_a + s.tie_a)));
    }
    if p.answer.ground.egc_ohm.is_some() {
        inflows.push((l.egc_x, -s.egc_a));
    }
    along(sheet, Way::Frames, p.top + y, inflows);
}

/// Conductors from frames to bar, electrodes, earth.
pub fn ways_back(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    let (s, g) = (p.state, &p.answer.ground);
    let bar_bottom = l.tie_y + 14.0;
    let rod_bottom = l.soil_y + 52.0;
    let out_y = l.collector_y;
    if g.egc_ohm.is_some() {
        let way = [
            p.at(l.egc_x, out_y),
            p.at(l.egc_x, l.egc_y),
            p.at(l.bar_x, l.egc_y),
        ];
        sheet.flow(Way::Egc, &way, s.egc_a);
        sheet.core(&way);
    }
    if g.array_electrode_ohm.is_some() {
        let (x, tied) = (l.array_electrode_x, g.tie_ohm.is_some());
        let split = if tied { l.tie_y } else { out_y };
        if tied {
            let head = [p.at(x, out_y), p.at(x, l.tie_y), p.at(l.bar_x, l.tie_y)];
            sheet.flow(Way::Tie, &head, s.tie_a);
            sheet.core(&head);
        }
        let rod = [p.at(x, split), p.at(x, l.earth_y)];
        sheet.flow(Way::Earth, &rod, s.array_electrode_a);
        sheet.core(&[p.at(x, split), p.at(x, l.soil_y)]);
        electrode(
            sheet,
            p,
            x,
            rod_bottom,
            &g.array_electrodes,
            g.array_electrode_ohm,
            Side::Left,
        );
    }
    if g.bar_electrode_ohm.is_some() {
        sheet.flow(
            Way::Earth,
            &[p.at(l.bar_x, bar_bottom), p.at(l.bar_x, l.earth_y)],
            s.bar_electrode_a,
        );
        sheet.core(&[p.at(l.bar_x, bar_bottom), p.at(l.bar_x, l.soil_y)]);
        electrode(
            sheet,
            p,
            l.bar_x,
            rod_bottom,
            &g.bar_electrodes,
            g.bar_electrode_ohm,
            Side::Right,
        );
    }
    let mut inflows = vec![(l.person_x, p.person_a())];
    if g.array_electrode_ohm.is_some() {
        inflows.push((l.array_electrode_x, s.array_electrode_a));
    }
    if g.bar_electrode_ohm.is_some() {
        inflows.push((l.bar_x, s.bar_electrode_a));
    }
    for (_, at, to, amps) in p.faults() {
        if to == To::Soil {
            let (x, _) = p.tap(at);
            sheet.flow(Way::Earth, &[p.at(x, l.soil_y), p.at(x, l.earth_y)], amps);
            inflows.push((x, amps));
        }
    }
    along(sheet, Way::Earth, p.top + l.earth_y, inflows);
    sheet.area(
        [
            l.bar_x - 5.0,
            p.top + l.egc_y - 26.0,
            l.bar_x + 5.0,
            p.top + bar_bottom,
        ],
        METAL_EDGE,
        INK,
    );
    labels(sheet, p);
}

fn electrode(
    sheet: &mut Sheet,
    p: &Panel<'_>,
    x: f64,
    bottom: f64,
    names: &[String],
    ohm: Option<f64>,
    side: Side,
) {
    let l = p.layout;
    sheet.area(
        [x - 3.0, p.top + l.soil_y - 4.0, x + 3.0, p.top + bottom],
        METAL_EDGE,
        INK,
    );
    let name = match names {
        [one] if one.chars().count() <= 22 => one.clone(),
        [_] => "electrode".to_owned(),
        several => format!("{} electrodes", several.len()),
    };
    let text = format!("{name} {}", quantity(ohm.unwrap_or(f64::INFINITY), "Ω"));
    let aside = if side == Side::Left { 16.0 } else { -16.0 };
    sheet.text(&text, p.at(x + aside, l.soil_y + 22.0), side, NOTE);
}

fn labels(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    let (s, g) = (p.state, &p.answer.ground);
    sheet.text(
        "grounding bar",
        p.at(l.bar_x + 18.0, l.egc_y),
        Side::Left,
        NOTE,
    );
    let middle = f64::midpoint(l.egc_x, l.bar_x);
    if let Some(ohm) = g.egc_ohm {
        let at = p.at(middle, l.egc_y - 19.0);
        let what = format!("EGC {},", quantity(ohm, "Ω"));
        sheet.amps(&what, s.egc_a, at, Side::Middle, Way::Egc);
        let at = p.at(middle, l.egc_y + 18.0);
        sheet.text(
            "equipment-grounding conductor (EGC)",
            at,
            Side::Middle,
            NOTE,
        );
    } else {
        let at = p.at(middle, l.egc_y - 19.0);
        sheet.text("no equipment-grounding conductor", at, Side::Middle, BOLD);
    }
    if let Some(ohm) = g.tie_ohm {
        let at = p.at(middle, l.tie_y - 19.0);
        let what = format!("tie of the electrodes {},", quantity(ohm, "Ω"));
        sheet.amps(&what, s.tie_a, at, Side::Middle, Way::Tie);
    }
    let over = g
        .earth_ohm()
        .map_or_else(String::new, |ohm| format!(" {},", quantity(ohm, "Ω")));
    sheet.amps(
        &format!("through the earth{over}"),
        s.bar_electrode_a,
        p.at(middle - 60.0, l.earth_y - 18.0),
        Side::Middle,
        Way::Earth,
    );
    let soil = g
        .soil_ohm_m
        .map_or_else(|| "soil".to_owned(), |rho| format!("soil, {rho} Ω·m"));
    sheet.text(
        &soil,
        p.at(WIDTH - 14.0, l.soil_bottom - 14.0),
        Side::Right,
        NOTE,
    );
}

/// Somebody on the soil with a hand on the frame or on a bare conductor.
pub fn person(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    let x = l.person_x;
    let (head_y, shoulder_y, hip_y) = (l.soil_y - 112.0, l.soil_y - 90.0, l.soil_y - 44.0);
    let hand = match p.touched_pole() {
        None => p.at(l.hand_x, l.collector_y),
        Some(pole) => {
            let hand = p.at(l.hand_x - 14.0, l.collector_y + 30.0);
            // Beside the end of the bus, where a fault may hang.
            let y = p.top + l.last_row_y() + 8.0;
            let x = p.bus_x(pole) + if pole == l.left { -12.0 } else { -18.0 };
            let bare = [(p.bus_x(pole), y), (x, y), (x, hand.1), hand];
            sheet.stroke(&bare, "#ffffff", 6.0);
            sheet.flow(Way::Person, &bare, p.person_a());
            sheet.core(&bare);
            hand
        }
    };
    let shoulder = p.at(x, shoulder_y);
    sheet.flow(
        Way::Person,
        &[hand, shoulder, p.at(x, l.soil_y), p.at(x, l.earth_y)],
        p.person_a(),
    );
    let limbs: [&[(f64, f64)]; 4] = [
        &[p.at(x, shoulder_y - 4.0), p.at(x, hip_y)],
        &[p.at(x, hip_y), p.at(x - 13.0, l.soil_y)],
        &[p.at(x, hip_y), p.at(x + 13.0, l.soil_y)],
        &[shoulder, p.at(x - 20.0, hip_y + 4.0)],
    ];
    for limb in limbs {
        sheet.stroke(limb, INK, 2.6);
    }
    sheet.stroke(&[shoulder, hand], INK, 2.6);
    sheet.dot(hand, 3.6, INK);
    sheet.dot(p.at(x, head_y), 11.0, "#ffffff");
    let Some(touched) = &p.state.person else {
        return;
    };
    let zone = touched.zone.split(':').next().unwrap_or_default();
    sheet.text(
        "hand to feet",
        p.at(x + 27.0, hip_y - 20.0),
        Side::Left,
        NOTE,
    );
    sheet.amps(
        "",
        p.person_a(),
        p.at(x + 22.0, hip_y - 1.0),
        Side::Left,
        Way::Person,
    );
    sheet.text(zone, p.at(x + 27.0, hip_y + 18.0), Side::Left, NOTE);
}
