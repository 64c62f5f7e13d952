//! Charts of made-up scenes: what must be on them, and that no value breaks them.
//!
//! With `OHMWARD_CHART_DIR` set, the pictures stay there to be looked at.

mod overview;
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
        self.draw(name, |path| draw_overview(&data, path))
    }

    /// Both formats; returns the SVG's text.
    fn draw(&self, name: &str, draw: impl Fn(&Path) -> Result<(), ChartError>) -> String {
        let dir = std::env::var_os("OHMWARD_CHART_DIR")
            .map_or_else(|| self.folder.path().to_path_buf(), PathBuf::from);
        let svg = dir.join(name).with_extension("svg");
        let png = dir.join(name).with_extension("PNG");
        draw(&svg).unwrap();
        draw(&png).unwrap();
        assert_eq!(std::fs::read(&png).unwrap()[..8], *b"\x89PNG\r\n\x1a\n");
        std::fs::read_to_string(svg).unwrap()
    }
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

fn hex(colour: RGBColor) -> String {
    format!("#{:02X}{:02X}{:02X}", colour.0, colour.1, colour.2)
}
