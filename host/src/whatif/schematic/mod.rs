//! The schematic: the array with its faults, every current as a band whose width follows its amperes; bond closed above, opened below.
//!
//! - this file: the sheet, the legend, the file. [`layout`]: where everything stands.
//! - [`ink`]: lines, measured text, bands. [`array`]: strings, conductors, bond. [`earth`]: frames to soil, the person.
//! - `words.rs`: captions.
//!
//! An SVG of its own and not a chart: widths in fractions of a pixel, and each band names its path and its amperes in `data-path` and
//! `data-amps`.

mod array;
mod earth;
mod ink;
mod layout;
#[cfg(test)]
mod tests;
mod words;

use super::WhatIf;
use super::circuit::State;
use crate::chart::ChartError;
use crate::plan::facts::quantity;
use array::Panel;
use ink::{BOLD, Face, LINE, NOTE, PLAIN, SCALE_FROM_A, Sheet, Side, Way};
use layout::{Layout, MARGIN, WIDTH};
use std::path::Path;
use svg::Document;

/// Draws an answer into an SVG file.
pub fn draw(answer: &WhatIf, path: &Path) -> Result<(), ChartError> {
    if !path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("svg"))
    {
        return Err(ChartError::NotSvg {
            path: path.to_path_buf(),
        });
    }
    std::fs::write(path, text(answer)).map_err(|e| ChartError::Unwritable {
        path: path.to_path_buf(),
        why: e.to_string(),
    })
}

/// The SVG as text.
pub fn text(answer: &WhatIf) -> String {
    let (sheet, height) = sheet(answer);
    let view = format!("0 0 {WIDTH} {height}");
    let document = Document::new()
        .set("viewBox", view)
        .set("width", WIDTH)
        .set("height", height)
        .set("font-family", "DejaVu Sans, Verdana, Arial, sans-serif")
        .add(svg::node::element::Title::new(words::title(answer)))
        .add(
            svg::node::element::Rectangle::new()
                .set("width", "100%")
                .set("height", "100%")
                .set("fill", "#ffffff"),
        )
        .add(sheet.group);
    let mut text = document.to_string();
    text.push('\n');
    text
}

fn sheet(answer: &WhatIf) -> (Sheet, f64) {
    let mut sheet = Sheet::new();
    let wide = WIDTH - 2.0 * MARGIN;
    let title = Face { px: 22.0, ..BOLD };
    let mut y = sheet.paragraph(&words::title(answer), (MARGIN, 28.0), wide, title) + 4.0;
    if !answer.note.is_empty() {
        y = sheet.paragraph(&answer.note, (MARGIN, y), wide, NOTE);
    }
    for (letter, fault) in ('A'..).zip(&answer.faults) {
        sheet.badge(letter, (MARGIN + 8.0, y + 6.0));
        let line = format!("{}: {}", fault.place, quantity(fault.spec.ohms, "Ω"));
        y = sheet.paragraph(&line, (MARGIN + 26.0, y + 6.0), wide - 26.0, PLAIN);
    }
    let sun = &answer.sun;
    y = sheet.paragraph(
        &format!(
            "Light {} W/m², cells at {} °C. Modules are counted from the negative end of their string. At the left, what each string sends \
             out of its positive end.",
            sun.irradiance_w_m2, sun.cell_temp_c
        ),
        (MARGIN, y + 6.0),
        wide,
        NOTE,
    );
    let layout = Layout::new(answer);
    for state in [&answer.states[1], &answer.states[3]] {
        y = panel(&mut sheet, answer, state, &layout, y + 4.0);
    }
    let y = legend(&mut sheet, answer, y + 10.0);
    (sheet, y.ceil())
}

fn panel(sheet: &mut Sheet, answer: &WhatIf, state: &State, layout: &Layout, top: f64) -> f64 {
    let p = Panel {
        answer,
        state,
        layout,
        top,
    };
    sheet.stroke(
        &[(0.0, top + 14.0), (WIDTH, top + 14.0)],
        ink::METAL_EDGE,
        1.0,
    );
    sheet.text(
        words::panel_title(answer, state.phase),
        p.at(MARGIN, 40.0),
        Side::Left,
        Face { px: 18.0, ..BOLD },
    );
    earth::soil(sheet, &p);
    array::plate(sheet, &p);
    earth::frames(sheet, &p);
    array::loops(sheet, &p);
    array::strings(sheet, &p);
    array::faults(sheet, &p);
    array::monitor(sheet, &p);
    earth::ways_back(sheet, &p);
    earth::person(sheet, &p);
    let mut y = top + layout.soil_bottom + 22.0;
    for caption in words::captions(&p) {
        y = sheet.paragraph(&caption, (MARGIN, y), WIDTH - 2.0 * MARGIN, PLAIN);
    }
    y
}

fn legend(sheet: &mut Sheet, answer: &WhatIf, top: f64) -> f64 {
    sheet.stroke(&[(0.0, top), (WIDTH, top)], ink::METAL_EDGE, 1.0);
    let y = top + 24.0;
    sheet.text("Width of a current", (MARGIN, y), Side::Left, BOLD);
    let mut x = MARGIN + 180.0;
    for (amps, name) in [
        (SCALE_FROM_A / 2.0, "under 1 mA"),
        (1e-3, "1 mA"),
        (1e-2, "10 mA"),
        (0.1, "100 mA"),
        (1.0, "1 A"),
        (10.0, "10 A"),
    ] {
        sheet.sample(Way::Bond, amps, (x, y), 46.0);
        sheet.text(name, (x + 52.0, y), Side::Left, PLAIN.small());
        x += 64.0 + PLAIN.small().width(name);
    }
    let y = y + LINE + 8.0;
    sheet.text("Way of a current", (MARGIN, y), Side::Left, BOLD);
    let mut x = MARGIN + 180.0;
    for (way, name) in [
        (Way::Fault, "fault, frames"),
        (Way::Loop, "its loop in the array"),
        (Way::Bond, "bond"),
        (Way::Egc, "EGC"),
        (Way::Tie, "electrode tie"),
        (Way::Earth, "earth"),
        (Way::Person, "person"),
    ] {
        sheet.sample(way, 0.03, (x, y), 22.0);
        sheet.text(name, (x + 28.0, y), Side::Left, PLAIN.small());
        x += 38.0 + PLAIN.small().width(name);
    }
    let wide = WIDTH - 2.0 * MARGIN;
    let mut y = sheet.paragraph(
        "Each tenfold current adds the same width. Thin black lines are conductors; the load's own current is not drawn. An arrow points \
         where positive current goes.",
        (MARGIN, y + LINE + 4.0),
        wide,
        NOTE,
    );
    y = sheet.paragraph(
        &format!("Person: {}.", answer.feet.assumed),
        (MARGIN, y),
        wide,
        NOTE,
    );
    for assumed in &answer.ground.assumed {
        y = sheet.paragraph(&format!("Assumed: {assumed}."), (MARGIN, y), wide, NOTE);
    }
    y += 4.0;
    for line in answer.notice {
        y = sheet.paragraph(line, (MARGIN, y), wide, PLAIN.small());
    }
    y + 4.0
}
