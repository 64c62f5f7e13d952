//! The upper part of a panel: strings on their frames, both conductors, contactor, bond, and the faults.

use super::ink::{ALARM, BOLD, INK, METAL, METAL_EDGE, MODULE, NOTE, PLAIN, Sheet, Side, Way};
use super::layout::Layout;
use crate::plan::facts::quantity;
use crate::whatif::WhatIf;
use crate::whatif::circuit::{Phase, State, Touches};
use crate::whatif::fault::{At as Place, Pole, To};
use crate::whatif::verdict::after;
use ohmward_proto::settings::Earthing;

/// What one panel shows.
pub struct Panel<'a> {
    pub answer: &'a WhatIf,
    pub state: &'a State,
    pub layout: &'a Layout,
    /// Its top on the sheet, px.
    pub top: f64,
}

impl Panel<'_> {
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (x, self.top + y)
    }

    pub fn person_a(&self) -> f64 {
        self.state.person.as_ref().map_or(0.0, |p| p.person_a)
    }

    /// Which pole the person touches, if not the frame.
    pub fn touched_pole(&self) -> Option<Pole> {
        match self.answer.touches {
            Touches::Frame => None,
            Touches::Positive => Some(Pole::Positive),
            Touches::Negative => Some(Pole::Negative),
        }
    }

    /// The faults with their currents.
    pub fn faults(&self) -> impl Iterator<Item = (char, Place, To, f64)> {
        ('A'..)
            .zip(self.answer.faults.iter().zip(&self.state.faults))
            .map(|(letter, (fault, now))| (letter, fault.spec.at, fault.spec.to, now.fault_a))
    }

    /// Currents that leave the array's conductors other than by bond and load: place, A. A touched conductor is one of them.
    fn leaving(&self) -> Vec<(Place, f64)> {
        let touched = self
            .touched_pole()
            .map(|pole| (Place::Conductor(pole), self.person_a()));
        self.faults()
            .map(|(_, at, _, amps)| (at, amps))
            .chain(touched)
            .collect()
    }

    /// Where a fault leaves: the tap of its string, or the lower end of a bus.
    pub fn tap(&self, at: Place) -> (f64, f64) {
        let l = self.layout;
        match at {
            Place::String { string, module } => (l.tap_x(module), l.row_y(l.row_of(string))),
            Place::Conductor(pole) => (self.bus_x(pole), l.last_row_y() + l.pitch_y * 0.5),
        }
    }

    pub fn bus_x(&self, pole: Pole) -> f64 {
        if pole == self.layout.left {
            self.layout.bus_left
        } else {
            self.layout.bus_right
        }
    }
}

/// What lies behind everything.
pub fn plate(sheet: &mut Sheet, p: &Panel<'_>) {
    let [left, top, right, bottom] = p.layout.plate;
    sheet.area(
        [left, p.top + top, right, p.top + bottom],
        METAL,
        METAL_EDGE,
    );
}

/// Bands of the fault current inside the array's own conductors: from the left bus through the modules to each fault.
///
/// Exact by Kirchhoff's law: what leaves a string at a tap has come through the left part of that string more than goes on
/// through the right part. A fault on the right conductor is shared by all strings alike; that share is a choice.
pub fn loops(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    let strings = f64::from(p.answer.strings);
    let leaving = p.leaving();
    let right_a: f64 = leaving
        .iter()
        .filter(|(at, _)| matches!(at, Place::Conductor(pole) if *pole != l.left))
        .map(|(_, a)| a)
        .sum();
    let own = |string: u32| -> Vec<(u32, f64, f64)> {
        let mut taps: Vec<_> = leaving
            .iter()
            .filter_map(|(at, amps)| match at {
                Place::String { string: s, module } if *s == string => {
                    Some((l.passed_from_left(*module), l.tap_x(*module), *amps))
                }
                _ => None,
            })
            .collect();
        taps.sort_by_key(|(from_left, ..)| *from_left);
        taps
    };
    // The bus, from its lower end up: each row adds what its string takes.
    let left_bus_a: f64 = leaving
        .iter()
        .filter(|(at, _)| matches!(at, Place::Conductor(pole) if *pole == l.left))
        .map(|(_, a)| a)
        .sum();
    let mut bus_a = left_bus_a;
    let bottom = l.last_row_y() + l.pitch_y * 0.5;
    sheet.flow(
        Way::Loop,
        &[p.at(l.bus_left, l.last_row_y()), p.at(l.bus_left, bottom)],
        left_bus_a,
    );
    let hidden_a = {
        let drawn: f64 = l
            .rows
            .iter()
            .flatten()
            .map(|k| own(k + 1).iter().map(|(_, _, a)| a).sum::<f64>() + right_a / strings)
            .sum();
        let all: f64 = leaving.iter().map(|(_, a)| a).sum();
        all - left_bus_a - drawn
    };
    for row in (0..l.rows.len()).rev() {
        let y = l.row_y(row);
        if let Some(k) = l.rows[row] {
            let taps = own(k + 1);
            let mut amps = taps.iter().map(|(_, _, a)| a).sum::<f64>() + right_a / strings;
            bus_a += amps;
            let mut x = l.bus_left;
            for (_, tap_x, tap_a) in taps {
                sheet.flow(Way::Loop, &[p.at(x, y), p.at(tap_x, y)], amps);
                amps -= tap_a;
                x = tap_x;
            }
            sheet.flow(Way::Loop, &[p.at(x, y), p.at(l.bus_right, y)], amps);
        } else {
            bus_a += hidden_a;
        }
        let above = if row == 0 { l.run_y } else { l.row_y(row - 1) };
        sheet.flow(
            Way::Loop,
            &[p.at(l.bus_left, above), p.at(l.bus_left, y)],
            bus_a,
        );
    }
    let mut bus_a = right_a;
    let rows = l.rows.len();
    let share = |row: usize| {
        if l.rows[row].is_some() {
            right_a / strings
        } else {
            0.0
        }
    };
    sheet.flow(
        Way::Loop,
        &[p.at(l.bus_right, l.last_row_y()), p.at(l.bus_right, bottom)],
        right_a,
    );
    for row in (1..rows).rev() {
        bus_a -= share(row);
        sheet.flow(
            Way::Loop,
            &[
                p.at(l.bus_right, l.row_y(row - 1)),
                p.at(l.bus_right, l.row_y(row)),
            ],
            bus_a,
        );
    }
    // What the bond takes out of the conductor, coming from the array: the run carries it besides the load's current.
    sheet.flow(
        Way::Loop,
        &[
            p.at(l.bus_left, l.run_y),
            p.at(l.bar_x, l.run_y),
            p.at(l.bar_x, l.switched_y),
        ],
        p.state.i_bond_a,
    );
}

/// Modules, wires, names.
pub fn strings(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    let half = l.half_module();
    let ends_y = l.last_row_y() + l.pitch_y * 0.5;
    let wants_stub = |pole: Pole| {
        p.faults().any(|(_, at, ..)| at == Place::Conductor(pole)) || p.touched_pole() == Some(pole)
    };
    for (pole, x) in [(l.left, l.bus_left), (other(l.left), l.bus_right)] {
        let top = if pole == l.left {
            l.run_y
        } else {
            l.switched_y
        };
        let bottom = if wants_stub(pole) {
            ends_y
        } else {
            l.last_row_y()
        };
        sheet.core(&[p.at(x, top), p.at(x, bottom)]);
    }
    for (row, string) in l.rows.iter().enumerate() {
        let y = l.row_y(row);
        let Some(k) = string else {
            sheet.text("⋮", p.at(96.0, y), Side::Middle, BOLD);
            sheet.text(
                "⋮",
                p.at(f64::midpoint(l.bus_left, l.bus_right), y),
                Side::Middle,
                BOLD,
            );
            continue;
        };
        sheet.core(&[p.at(l.bus_left, y), p.at(l.bus_right, y)]);
        for x in [l.bus_left, l.bus_right] {
            sheet.dot(p.at(x, y), 2.6, INK);
        }
        for (column, module) in l.columns.iter().enumerate() {
            let x = l.column_x(column);
            if module.is_none() {
                sheet.text("…", p.at(x + l.pitch_x / 2.0, y - 7.0), Side::Middle, BOLD);
                continue;
            }
            let gap = (l.pitch_x * 0.16).clamp(3.0, 7.0);
            sheet.area(
                [
                    x + gap,
                    p.top + y - half,
                    x + l.pitch_x - gap,
                    p.top + y + half,
                ],
                MODULE,
                INK,
            );
        }
        let amps = p.state.string_a[*k as usize];
        sheet.text(
            &format!("string {}", k + 1),
            p.at(128.0, y - 8.0),
            Side::Right,
            PLAIN.small(),
        );
        let shown = if amps.abs() < 1e-3 { 0.0 } else { amps };
        let face = if shown < -0.05 {
            BOLD.small().in_colour(ALARM)
        } else {
            NOTE
        };
        sheet.text(
            &quantity(shown, "A"),
            p.at(128.0, y + 9.0),
            Side::Right,
            face,
        );
    }
    module_numbers(sheet, p);
    let ([left, _, _, bottom], sign) = (l.plate, |pole| match pole {
        Pole::Positive => "+",
        Pole::Negative => "−",
    });
    for (pole, x) in [
        (l.left, l.bus_left - 11.0),
        (other(l.left), l.bus_right + 11.0),
    ] {
        sheet.text(sign(pole), p.at(x, l.plate[1] + 22.0), Side::Middle, BOLD);
    }
    sheet.text(
        &format!(
            "frames, one piece of metal: {} above the soil",
            quantity(rounded(p.state.v_frame_to_soil_v, 1e-6), "V")
        ),
        p.at(left + 80.0, bottom - 42.0),
        Side::Left,
        NOTE,
    );
}

/// What rounding of the solver left over is nothing.
pub fn rounded(x: f64, below: f64) -> f64 {
    if x.abs() < below { 0.0 } else { x }
}

fn module_numbers(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    let y = l.plate[1] + 22.0;
    let last = l.columns.iter().flatten().max().copied().unwrap_or(1);
    for (column, module) in l.columns.iter().enumerate() {
        let Some(m) = module else { continue };
        if l.pitch_x >= 24.0 || *m == 1 || *m == last || m % 5 == 0 && *m + 2 < last {
            let x = l.column_x(column) + l.pitch_x / 2.0;
            sheet.text(&m.to_string(), p.at(x, y), Side::Middle, NOTE);
        }
    }
}

fn other(pole: Pole) -> Pole {
    match pole {
        Pole::Positive => Pole::Negative,
        Pole::Negative => Pole::Positive,
    }
}

/// Each fault: the current out of the conductor, a jagged line, its letter.
pub fn faults(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    for (letter, at, to, amps) in p.faults() {
        let (x, y) = p.tap(at);
        let end = y + l.pitch_y * 0.5;
        let bottom = match to {
            To::Frame => end,
            To::Soil => l.soil_y,
        };
        if to == To::Soil {
            sheet.stroke(&[p.at(x, y), p.at(x, bottom)], "#ffffff", 5.0);
        }
        sheet.flow(Way::Fault, &[p.at(x, y), p.at(x, bottom)], amps);
        let step = (end - y) / 4.0;
        let jag = [
            p.at(x, y),
            p.at(x + 4.0, y + step),
            p.at(x - 4.0, y + 2.0 * step),
            p.at(x + 4.0, y + 3.0 * step),
            p.at(x, end),
        ];
        sheet.stroke(&jag, "#ffffff", 3.4);
        sheet.stroke(&jag, ALARM, 1.8);
        if to == To::Soil {
            sheet.stroke(&[p.at(x, end), p.at(x, bottom)], ALARM, 1.6);
        }
        sheet.dot(p.at(x, y), 3.2, ALARM);
        sheet.dot(p.at(x, bottom), 3.2, ALARM);
        // A fault to the soil stands beside one to the frame at the same place.
        let aside = match to {
            To::Frame => 14.0,
            To::Soil => -14.0,
        };
        sheet.badge(letter, p.at(x + aside, y + l.pitch_y * 0.36));
    }
}

/// Right of the array: run, contactor, load, and the bond down to the bar.
pub fn monitor(sheet: &mut Sheet, p: &Panel<'_>) {
    let l = p.layout;
    let open = p.state.phase == Phase::Opened;
    let bonded = p.answer.earthing != Earthing::NotEarthed;
    let bar_top = l.egc_y - 26.0;
    let (switch_y, fuse_y, shunt_y) = (
        l.switched_y + 62.0,
        l.switched_y + 108.0,
        l.switched_y + 150.0,
    );
    if bonded {
        sheet.flow(
            Way::Bond,
            &[p.at(l.bar_x, l.switched_y), p.at(l.bar_x, bar_top)],
            p.state.i_bond_a,
        );
    }
    sheet.core(&[
        p.at(l.bus_left, l.run_y),
        p.at(l.bar_x, l.run_y),
        p.at(l.bar_x, l.switched_y),
    ]);
    sheet.core(&[p.at(l.bus_right, l.switched_y), p.at(632.0, l.switched_y)]);
    contact(
        sheet,
        p.at(632.0, l.switched_y),
        p.at(658.0, l.switched_y),
        open,
    );
    sheet.core(&[p.at(658.0, l.switched_y), p.at(682.0, l.switched_y)]);
    sheet.area(
        [
            682.0,
            p.top + l.switched_y - 17.0,
            730.0,
            p.top + l.switched_y + 17.0,
        ],
        "#ffffff",
        INK,
    );
    sheet.text(
        "load",
        p.at(706.0, l.switched_y),
        Side::Middle,
        PLAIN.small(),
    );
    sheet.core(&[p.at(730.0, l.switched_y), p.at(l.bar_x, l.switched_y)]);
    let word = if open { "open" } else { "closed" };
    sheet.text(
        "contactor",
        p.at(650.0, l.switched_y + 27.0),
        Side::Middle,
        NOTE,
    );
    sheet.text(word, p.at(650.0, l.switched_y + 43.0), Side::Middle, NOTE);
    if bonded {
        sheet.core(&[p.at(l.bar_x, l.switched_y), p.at(l.bar_x, switch_y - 13.0)]);
        contact(
            sheet,
            p.at(l.bar_x, switch_y - 13.0),
            p.at(l.bar_x, switch_y + 13.0),
            open,
        );
        sheet.core(&[p.at(l.bar_x, switch_y + 13.0), p.at(l.bar_x, bar_top)]);
        for y in [fuse_y, shunt_y] {
            sheet.area(
                [
                    l.bar_x - 8.0,
                    p.top + y - 13.0,
                    l.bar_x + 8.0,
                    p.top + y + 13.0,
                ],
                "#ffffff",
                INK,
            );
        }
        let right = l.bar_x + 18.0;
        sheet.text(
            &format!("bond switch {word}"),
            p.at(right, switch_y),
            Side::Left,
            NOTE,
        );
        let lines = match (&p.answer.fuse, p.answer.earthing) {
            (Some(fuse), _) => {
                let does = match (open, fuse.melts_after_s) {
                    (true, _) => "carries nothing".to_owned(),
                    (false, Some(s)) => format!("melts after {}", after(s * 1e3)),
                    (false, None) => "never melts on this".to_owned(),
                };
                [format!("fuse {} A", fuse.rating_a), does]
            }
            (None, Earthing::HighResistance) => ["earthing resistor".to_owned(), String::new()],
            (None, _) => ["fuse".to_owned(), String::new()],
        };
        sheet.text(&lines[0], p.at(right, fuse_y - 8.0), Side::Left, NOTE);
        if !lines[1].is_empty() {
            sheet.text(&lines[1], p.at(right, fuse_y + 9.0), Side::Left, NOTE);
        }
        sheet.text("shunt: the sensor", p.at(right, shunt_y), Side::Left, NOTE);
        sheet.amps(
            "bond",
            p.state.i_bond_a,
            p.at(l.bar_x - 20.0, fuse_y + 20.0),
            Side::Right,
            Way::Bond,
        );
        let ohm = p
            .answer
            .bond_path_ohm
            .map_or_else(String::new, |ohm| quantity(ohm, "Ω"));
        sheet.text(&ohm, p.at(l.bar_x - 20.0, fuse_y + 39.0), Side::Right, NOTE);
    } else {
        sheet.text(
            "no bond: not earthed",
            p.at(l.bar_x + 18.0, fuse_y),
            Side::Left,
            NOTE,
        );
    }
    let [left_v, right_v] = match l.left {
        Pole::Negative => [p.state.v_neg_v, p.state.v_pos_v],
        Pole::Positive => [p.state.v_pos_v, p.state.v_neg_v],
    };
    let sign = |pole| match pole {
        Pole::Positive => "positive",
        Pole::Negative => "negative",
    };
    let grounded = match (bonded, open) {
        (true, false) => ", grounded by the bond",
        (true, true) => ", \"grounded\" in name only: LIVE",
        (false, _) => "",
    };
    let face = if bonded && open && left_v.abs() > 60.0 {
        BOLD.in_colour(ALARM)
    } else {
        PLAIN
    };
    sheet.text(
        &format!(
            "{} conductor {} to earth{grounded}",
            sign(l.left),
            quantity(left_v, "V")
        ),
        p.at(l.bus_left, l.run_y - 22.0),
        Side::Left,
        face,
    );
    sheet.text(
        &format!("{} {}", sign(other(l.left)), quantity(right_v, "V")),
        p.at(622.0, l.switched_y - 27.0),
        Side::Left,
        PLAIN.small(),
    );
}

/// A contact between two points, open or closed.
fn contact(sheet: &mut Sheet, from: (f64, f64), to: (f64, f64), open: bool) {
    sheet.dot(from, 2.6, INK);
    sheet.dot(to, 2.6, INK);
    if open {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        // Turned by some 30° about its hinge.
        sheet.stroke(
            &[
                from,
                (from.0 + 0.85 * dx + 0.5 * dy, from.1 + 0.85 * dy - 0.5 * dx),
            ],
            INK,
            2.2,
        );
    } else {
        sheet.stroke(&[from, to], INK, 2.2);
    }
}
