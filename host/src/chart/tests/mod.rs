//! Charts of made-up scenes: what must be on them, and that no value breaks them.
//!
//! With `OHMWARD_CHART_DIR` set, the pictures stay there to be looked at.

mod fleet;
mod overview;
mod timeline;
mod trend;
mod waveform;

use super::*;
use crate::store::{Entry, Store};
use ohmward_proto::event::{StartReason, TripCause};
use ohmward_proto::measure::{NotMeasured, Pole, TripState};
use ohmward_proto::message::{CaptureHead, CapturePart, Hello};
use ohmward_proto::{
    Amps, BondCurrent, Calibration, Codes, Event, EventKind, Farads, Insulation, Ohms, PoleLeakage,
    Reading, SampleIndex, Settings, Siemens, Volts,
};
use std::ops::Range;

const BOARD: BoardId = BoardId(0x0000_a11a_5c3e_0001);
const RATE_HZ: u64 = 4_000;
/// 2026-05-01T00:00:00Z.
const START_US: i64 = 1_777_593_600_000_000;
const SECOND_US: i64 = 1_000_000;
const DAY_S: u64 = 86_400;

struct Scene {
    folder: tempfile::TempDir,
    store: Store,
}

impl Scene {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(folder.path()).unwrap();
        let hello = Hello {
            protocol: 1,
            firmware: (0, 1, 0),
            board: BOARD,
            boot: 1,
            at: SampleIndex(0),
            sample_rate_hz: RATE_HZ as u32,
            settings_hash: 0,
            calibration_id: 0,
            epoch_unix_ms: None,
        };
        store
            .write(&[
                Entry::Run {
                    board: BOARD,
                    hello,
                    received_us: START_US,
                },
                Entry::Settings {
                    board: BOARD,
                    settings: Settings::SMALL_BONDED,
                },
            ])
            .unwrap();
        Self { folder, store }
    }

    fn keep(&mut self, readings: impl Iterator<Item = Reading>) {
        let batch: Vec<Entry> = readings
            .map(|reading| Entry::Reading {
                board: BOARD,
                boot: 1,
                t_us: t_us(reading.at),
                reading,
            })
            .collect();
        self.store.write(&batch).unwrap();
    }

    fn event(&mut self, seq: u32, at_s: f64, kind: EventKind) {
        let at = SampleIndex((at_s * RATE_HZ as f64) as u64);
        let event = Event {
            id: EventId { boot: 1, seq },
            at,
            kind,
        };
        let t_us = t_us(at);
        self.store
            .write(&[Entry::Event {
                board: BOARD,
                t_us,
                host_us: t_us,
                t_sigma_us: None,
                event,
            }])
            .unwrap();
    }

    fn overview(&self, name: &str, range: Range<i64>) -> String {
        let mut data = OverviewData::from_store(&self.store, BOARD, range).unwrap();
        data.note = Some("invented scene".into());
        self.draw(name, &data)
    }

    /// Both formats; returns the SVG's text. No text may lie on another or beside the sheet.
    fn draw(&self, name: &str, picture: &impl Picture) -> String {
        let dir = std::env::var_os("OHMWARD_CHART_DIR")
            .map_or_else(|| self.folder.path().to_path_buf(), PathBuf::from);
        let path = dir.join(name).with_extension("svg");
        let png = dir.join(name).with_extension("PNG");
        save(picture, &path).unwrap();
        save(picture, &png).unwrap();
        assert_eq!(std::fs::read(&png).unwrap()[..8], *b"\x89PNG\r\n\x1a\n");
        let text = std::fs::read_to_string(path).unwrap();
        assert_eq!(
            text,
            svg(picture).unwrap(),
            "{name}: file and string differ"
        );
        assert_apart(name, &text, picture.size());
        text
    }
}

/// A text of an SVG with the box it takes.
struct Box {
    text: String,
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

fn boxes(svg: &str) -> Vec<Box> {
    let element = |text: &str| {
        let (head, rest) = text.split_once('>')?;
        let text = rest.split_once("</text>")?.0.trim().to_owned();
        let of = |name: &str| {
            let (_, value) = head.split_once(&format!(" {name}=\""))?;
            Some(value.split_once('"')?.0.to_owned())
        };
        let number = |name: &str| of(name)?.parse::<f64>().ok();
        let (x, y, px) = (number("x")?, number("y")?, number("font-size")?);
        // Numeric entities stand for one letter each.
        let plain = text
            .replace("&quot;", "\"")
            .replace("&lt;", "<")
            .replace("&gt;", ">")
            .replace("&apos;", "'")
            .replace("&amp;", "&");
        let bold = of("font-weight").is_some_and(|weight| weight == "bold");
        let wide = text_width(&plain, px) * if bold { 1.1 } else { 1.0 };
        let left = match of("text-anchor")?.as_str() {
            "start" => x,
            "middle" => x - wide / 2.0,
            _ => x - wide,
        };
        Some(Box {
            text: plain,
            left,
            right: left + wide,
            // Letters without what hangs below the line.
            top: y - 0.4 * px,
            bottom: y + 0.4 * px,
        })
    };
    svg.split("<text").skip(1).filter_map(element).collect()
}

fn assert_apart(name: &str, svg: &str, (width, height): (u32, u32)) {
    let boxes = boxes(svg);
    assert_eq!(
        boxes.len(),
        svg.matches("<text").count(),
        "{name}: a text is not understood"
    );
    for (k, a) in boxes.iter().enumerate() {
        assert!(
            a.left >= 0.0
                && a.right <= f64::from(width)
                && a.top >= 0.0
                && a.bottom <= f64::from(height),
            "{name}: '{}' is cut off: {:.0} to {:.0} of {width}, {:.0} to {:.0} of {height}",
            a.text,
            a.left,
            a.right,
            a.top,
            a.bottom
        );
        for b in &boxes[k + 1..] {
            let apart =
                a.right <= b.left || b.right <= a.left || a.bottom <= b.top || b.bottom <= a.top;
            assert!(
                apart,
                "{name}: '{}' ({:.0}..{:.0}) lies on '{}' ({:.0}..{:.0}) at {:.0}",
                a.text, a.left, a.right, b.text, b.left, b.right, a.top
            );
        }
    }
}

#[test]
fn the_overlap_check_can_fail() {
    let at = |x: i32, y: i32, text: &str| {
        format!(
            "<text x=\"{x}\" y=\"{y}\" dy=\"0.5ex\" text-anchor=\"start\" font-size=\"14.5\">\n{text}\n</text>"
        )
    };
    let fails = |svg: String| {
        std::panic::catch_unwind(|| assert_apart("made up", &svg, (200, 100))).is_err()
    };
    assert!(!fails(
        at(10, 20, "limit") + &at(10, 40, "limit") + &at(100, 20, "limit")
    ));
    assert!(fails(at(10, 20, "limit") + &at(14, 22, "limit")));
    assert!(fails(at(180, 20, "limit")));
}

fn t_us(at: SampleIndex) -> i64 {
    START_US + (at.0 * 1_000_000 / RATE_HZ) as i64
}

fn days(count: u64) -> Range<i64> {
    START_US..START_US + (count * DAY_S) as i64 * SECOND_US
}

/// The same pseudo-random number for the same `k`, −1 to 1.
fn noise(k: u64) -> f32 {
    let mixed = k
        .wrapping_mul(0x9E37_79B9_7F4A_7C15)
        .rotate_left(31)
        .wrapping_mul(0xBF58_476D_1CE4_E5B9);
    (mixed >> 40) as f32 / 8_388_608.0 - 1.0
}

const TRIP_S: u64 = 23 * DAY_S + 11 * 3600;
const RESET_S: u64 = TRIP_S + 3 * DAY_S - 7200;

/// Texts of an SVG, as a reader sees them.
fn texts(svg: &str) -> Vec<String> {
    svg.split("<text")
        .skip(1)
        .filter_map(|text| {
            Some(
                text.split_once('>')?
                    .1
                    .split_once("</text>")?
                    .0
                    .trim()
                    .to_owned(),
            )
        })
        .collect()
}

/// Lines of an SVG in one colour: their points.
fn lines(svg: &str, colour: RGBColor) -> Vec<Vec<(i32, i32)>> {
    let stroke = format!("stroke=\"{}\"", hex(colour));
    svg.split('<')
        .filter(|element| element.contains(&stroke))
        .filter_map(|element| {
            let of = |name: &str| {
                let (_, value) = element.split_once(&format!(" {name}=\""))?;
                Some(value.split_once('"')?.0)
            };
            let number = |name: &str| of(name)?.parse::<i32>().ok();
            if element.starts_with("line") {
                return Some(vec![
                    (number("x1")?, number("y1")?),
                    (number("x2")?, number("y2")?),
                ]);
            }
            let points = of("points")?.split_whitespace();
            points
                .map(|point| {
                    let (x, y) = point.split_once(',')?;
                    Some((x.parse().ok()?, y.parse().ok()?))
                })
                .collect()
        })
        .collect()
}

/// Height of a value on a logarithmic axis, from the labels of two decades beside it: nothing of the drawing is used.
fn height_on_axis(
    svg: &str,
    (low, label_low): (f64, &str),
    (high, label_high): (f64, &str),
    value: f64,
) -> f64 {
    let all = boxes(svg);
    let y = |label: &str| {
        let mut of = all.iter().filter(|b| b.text == label && b.right < 100.0);
        let b = of.next().unwrap_or_else(|| panic!("no label {label}"));
        f64::midpoint(b.top, b.bottom)
    };
    let share = (value / low).log10() / (high / low).log10();
    y(label_low) + share * (y(label_high) - y(label_low))
}

fn hex(colour: RGBColor) -> String {
    format!("#{:02X}{:02X}{:02X}", colour.0, colour.1, colour.2)
}
