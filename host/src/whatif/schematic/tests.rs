use super::ink::{NOTHING_A, SCALE_FROM_A, width};
use super::{sheet, text};
use crate::array_file::ArrayFile;
use crate::whatif::fault::FaultSpec;
use crate::whatif::{Question, WhatIf, what_if};

/// Two rods, an EGC; text appended or replaced by the tests. Invented.
pub const EXAMPLE: &str = include_str!("../../../scenarios/heron-bend-array.toml");

fn answer(text: &str, faults: &[&str]) -> WhatIf {
    let file = ArrayFile::parse("array.toml", text).expect("reads");
    let faults: Vec<FaultSpec> = faults.iter().map(|f| f.parse().expect("a fault")).collect();
    what_if(&file, &Question::of(faults)).expect("an answer")
}

/// Attribute `name` of every band whose path is `way`, with its stroke width.
fn bands(svg: &str, way: &str) -> Vec<(f64, f64)> {
    let attribute = |element: &str, name: &str| -> f64 {
        let from = element.find(&format!(" {name}=\"")).expect("is there") + name.len() + 3;
        element[from..]
            .split('"')
            .next()
            .expect("ends")
            .parse()
            .expect("a number")
    };
    svg.split("<path")
        .skip(1)
        .filter(|element| element.contains(&format!("data-path=\"{way}\"")))
        .map(|element| {
            (
                attribute(element, "data-amps"),
                attribute(element, "stroke-width"),
            )
        })
        .collect()
}

/// Every way that carries current is there with its own amperes, as wide as the legend says: 2 px at 1 mA, 3.2 px more each tenfold.
#[test]
fn every_current_is_drawn_to_scale() {
    let answer = answer(EXAMPLE, &["string=2,module=3,ohms=20"]);
    let svg = text(&answer);
    let state = &answer.states[1];
    for (way, amps) in [
        ("fault", state.faults[0].fault_a),
        ("bond", state.i_bond_a),
        ("egc", state.egc_a),
        ("tie", state.tie_a),
        ("earth", state.bar_electrode_a),
        ("person", state.person.as_ref().expect("touched").person_a),
        ("frames", state.faults[0].fault_a),
        ("loop", state.i_bond_a),
    ] {
        let found = bands(&svg, way);
        let own = found
            .iter()
            .find(|(a, _)| (a / amps - 1.0).abs() < 1e-9)
            .unwrap_or_else(|| panic!("{way}: {amps} A among {found:?}"));
        let decades = (amps.abs() / 1e-3).log10().max(0.0);
        assert!(
            (own.1 - (2.0 + 3.2 * decades)).abs() < 0.01,
            "{way}: {own:?}"
        );
    }
    // Bond open: what is there is too little for a width, and nothing of the bond is drawn.
    assert_eq!(bands(&svg, "bond").len(), 1);
    assert!((width(SCALE_FROM_A) - width(NOTHING_A)).abs() < 1e-12);
}

/// Kirchhoff at the bar and at the frames, over what is drawn.
#[test]
fn what_is_drawn_adds_up() {
    let answer = answer(EXAMPLE, &["string=2,module=3,ohms=20"]);
    for s in &answer.states {
        let person = s.person.as_ref().map_or(0.0, |p| p.person_a);
        let frames =
            s.faults[0].fault_a + s.leakage_a - s.egc_a - s.tie_a - s.array_electrode_a - person;
        let soil = s.array_electrode_a + s.bar_electrode_a + person;
        assert!(frames.abs() < 1e-7 && soil.abs() < 1e-7, "{frames} {soil}");
    }
}

/// No text on another, none off the sheet: small and large arrays, every kind of fault.
#[test]
fn labels_keep_apart() {
    let sized = |strings: u32, modules: u32| {
        EXAMPLE
            .replace("strings = 2", &format!("strings = {strings}"))
            .replace(
                "modules_per_string = 4",
                &format!("modules_per_string = {modules}"),
            )
    };
    for (strings, modules, faults) in [
        (1, 1, vec!["string=1,module=1,ohms=20"]),
        (
            2,
            4,
            vec![
                "string=2,module=0,ohms=200",
                "conductor=positive,ohms=5,to=soil",
            ],
        ),
        (
            12,
            24,
            vec!["string=1,module=1,ohms=1", "string=12,module=24,ohms=1"],
        ),
        (5, 24, vec!["string=3,module=7,ohms=1e5"]),
        (
            40,
            30,
            vec![
                "string=20,module=15,ohms=100,to=soil",
                "string=21,module=15,ohms=9",
            ],
        ),
    ] {
        let answer = answer(&sized(strings, modules), &faults);
        let (sheet, height) = sheet(&answer);
        for (k, label) in sheet.labels.iter().enumerate() {
            let [left, top, right, bottom] = label.box_px;
            assert!(
                left >= 0.0 && right <= super::WIDTH && top >= 0.0 && bottom <= height,
                "{strings}×{modules}: {} stands off the sheet: {:?}",
                label.text,
                label.box_px
            );
            for other in &sheet.labels[..k] {
                let o = other.box_px;
                let apart = right <= o[0] || o[2] <= left || bottom <= o[1] || o[3] <= top;
                assert!(apart, "{strings}×{modules}: {label:?} stands on {other:?}");
            }
        }
    }
}
