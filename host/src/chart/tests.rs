//! Charts of made-up scenes: what must be on them, and that no value breaks them.
//!
//! With `OHMWARD_CHART_DIR` set, the pictures stay there to be looked at.

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

/// Days and nights, an insulation that goes down and is repaired after a trip.
fn month(at_s: u64) -> Reading {
    let hour = (at_s % DAY_S) as f32 / 3600.0;
    let light = (5.5..20.5).contains(&hour);
    let sun = ((hour - 5.5) / 15.0 * std::f32::consts::PI).sin().max(0.0);
    let day = at_s as f32 / DAY_S as f32;
    let latched = (TRIP_S..RESET_S).contains(&at_s);
    let measured_s = at_s / 1800 * 1800;
    let morning = 0.5 + (hour - 5.5).max(0.0) / 4.0;
    let aged = if at_s < RESET_S {
        (day / 24.0).powi(3) * 22e-6
    } else {
        0.0
    };
    let g_neg = (aged + 0.2e-6) / morning.min(2.0) * (1.0 + 0.08 * noise(measured_s));
    let g_pos = 4e-8 * (1.0 + noise(measured_s + 1));
    let dc = if !light || latched {
        2e-6 * noise(at_s)
    } else if (TRIP_S - 120..TRIP_S).contains(&at_s) {
        -9.0
    } else {
        sun * (-0.001 - 40.0 * aged) + 1e-4 * noise(at_s)
    };
    let insulation = if !light {
        Insulation::NotMeasured {
            why: NotMeasured::ArrayDark,
            since: SampleIndex(at_s * RATE_HZ),
        }
    } else if latched && at_s < TRIP_S + 7200 {
        Insulation::NotMeasured {
            why: NotMeasured::Interrupted,
            since: SampleIndex(TRIP_S * RATE_HZ),
        }
    } else {
        Insulation::Measured {
            leakage: PoleLeakage {
                g_pos: Siemens(g_pos),
                g_neg: Siemens(g_neg),
                g_sigma: Siemens(2e-8),
                c: Farads(1e-7),
                c_sigma: Farads(1e-9),
            },
            at: SampleIndex(measured_s * RATE_HZ),
        }
    };
    Reading {
        at: SampleIndex(at_s * RATE_HZ),
        i_bond: BondCurrent::Measured {
            dc: Amps(dc),
            rms: Amps(dc.hypot(2e-4 + 1e-3 * sun)),
        },
        v_pos: Some(Volts(if light { 380.0 } else { 0.0 })),
        v_neg: Some(Volts(0.2)),
        insulation,
        state: match (latched, light) {
            (true, _) => TripState::Latched,
            (false, true) => TripState::Closed,
            (false, false) => TripState::Resting,
        },
        bond_open: latched,
    }
}

fn month_scene() -> Scene {
    let mut scene = Scene::new();
    // Half a day without a recorder, on the 13th.
    let recorded = |at_s: &u64| !(12 * DAY_S + 30_000..13 * DAY_S).contains(at_s);
    scene.keep((0..30 * DAY_S).step_by(60).filter(recorded).map(month));
    let day = |day: f64| day * DAY_S as f64;
    let trip = TRIP_S as f64;
    let surge = |peak| EventKind::Surge {
        peak: Amps(peak),
        samples: 9,
    };
    let started = EventKind::Started {
        reason: StartReason::PowerOn,
        settings_hash: 0,
    };
    let cause = TripCause::GroundFaultCurrent {
        dc: Amps(-9.02),
        limit: Amps(1.0),
    };
    for (seq, (at_s, kind)) in [
        (1.0, started),
        (day(5.6), surge(-12.4)),
        (day(5.602), surge(8.1)),
        (day(17.4), surge(20.0)),
        (
            day(16.25),
            EventKind::InsulationWarning {
                r: Ohms(98_000.0),
                pole: Pole::Negative,
            },
        ),
        (
            trip,
            EventKind::Tripped {
                cause,
                picked_up: SampleIndex(TRIP_S * RATE_HZ - 180),
            },
        ),
        (trip + 0.04, EventKind::Opened { after: 160 }),
        (
            RESET_S as f64 - 90.0,
            EventKind::ResetRefused(ohmward_proto::event::ResetRefusal::InsulationLow),
        ),
        (RESET_S as f64, EventKind::Reset),
        (
            RESET_S as f64 + 60.0,
            EventKind::InsulationRecovered { r: Ohms(4.1e6) },
        ),
    ]
    .into_iter()
    .enumerate()
    {
        scene.event(seq as u32, at_s, kind);
    }
    scene
}

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

#[test]
fn a_month_shows_limits_events_gaps_and_states() {
    let scene = month_scene();
    let svg = scene.overview("month", days(30));
    let texts = texts(&svg);
    for wanted in [
        "Board 0000a11a5c3e0001 (invented scene)",
        "01 May 2026 00:00 – 31 May 2026 00:00 UTC",
        "continuous 300 mA",
        "ground fault 1 A DC",
        "warn below 100 kΩ",
        "reset above 45 kΩ",
        "trip below 30 kΩ",
        "tripped: −9.02 A DC",
        "surge −12.4 A ×2",
        "reset",
        "insulation recovered",
        "surge 20 A",
        "insulation warning 98 kΩ, − pole",
        "reset refused: insulation low",
        "not measured: array dark",
        "not measured: tripped or interrupted",
        "nothing recorded",
        "latched open after a trip",
        "at least this, cannot be seen further",
        CAUTION,
    ] {
        assert!(
            texts.iter().any(|text| text == wanted),
            "{wanted} is missing in {texts:?}"
        );
    }
    // Ten events, of which "opened" is told by the contactor strip.
    assert_eq!(svg.matches("<polygon").count() - arrows(&svg), 9);
    // 31 nights; one begins in the hours that were not recorded.
    let nights = svg
        .matches(&format!("fill=\"{}\"", hex(colour::DARK)))
        .count();
    assert!((30..=33).contains(&nights), "{nights} nights are shaded");
    assert!(svg.contains(&hex(colour::NO_RECORD)));
}

/// Heads of the "at least" arrows, 8 px wide; a mark of an event is 12 px wide.
fn arrows(svg: &str) -> usize {
    svg.split("<polygon")
        .skip(1)
        .filter_map(|polygon| polygon.split_once("points=\"")?.1.split_once('"'))
        .filter(|(points, _)| {
            let xs: Vec<i32> = points
                .split_whitespace()
                .filter_map(|point| point.split(',').next()?.parse().ok())
                .collect();
            xs.iter()
                .max()
                .zip(xs.iter().min())
                .is_some_and(|(most, least)| most - least == 8)
        })
        .count()
}

#[test]
fn a_measurement_repeated_in_readings_is_one_point() {
    let mut scene = Scene::new();
    scene.keep((12 * 3600..14 * 3600).step_by(60).map(month));
    let noon = START_US + 12 * 3600 * SECOND_US;
    let data =
        OverviewData::from_store(&scene.store, BOARD, noon..noon + 7200 * SECOND_US).unwrap();
    let at: Vec<i64> = data
        .measurements()
        .iter()
        .map(|(t_us, _)| (t_us - noon) / SECOND_US)
        .collect();
    assert_eq!(at, [0, 1800, 3600, 5400]);
    scene.overview("two-hours", noon..noon + 7200 * SECOND_US);
}

#[test]
fn any_span_can_be_drawn() {
    let mut scene = Scene::new();
    let noon = 12 * 3600;
    scene.keep([month(noon)].into_iter());
    let t = t_us(SampleIndex(noon * RATE_HZ));
    scene.overview("single", t - 30 * SECOND_US..t + 30 * SECOND_US);
    scene.overview("instant", t..t + 1);
    scene.overview(
        "century",
        t - 50 * 31_557_600 * SECOND_US..t + 50 * 31_557_600 * SECOND_US,
    );

    scene.keep((noon..noon + 10).map(month));
    scene.overview("ten-seconds", t..t + 10 * SECOND_US);
}

#[test]
fn a_year_keeps_its_trip_and_its_texts_apart() {
    let mut scene = Scene::new();
    let year = (0..365 * DAY_S).step_by(600).map(|at_s| {
        let mut reading = month(at_s % (20 * DAY_S));
        reading.at = SampleIndex(at_s * RATE_HZ);
        if let Insulation::Measured { at, leakage } = &mut reading.insulation {
            *at = SampleIndex(at_s / 1800 * 1800 * RATE_HZ);
            leakage.g_neg = leakage.g_neg * (at_s as f32 / (100 * DAY_S) as f32);
        }
        reading
    });
    scene.keep(year);
    for k in 0..60 {
        let peak = Amps(2.0 + noise(k).abs() * 10.0);
        scene.event(
            k as u32,
            (k * 6 * DAY_S + k * k * 500) as f64,
            EventKind::Surge { peak, samples: 4 },
        );
    }
    scene.event(99, 300.0 * DAY_S as f64, EventKind::FailedToOpen);
    let svg = scene.overview("year", days(365));
    let texts = texts(&svg);
    assert!(texts.iter().any(|text| text == "failed to open"));
    assert!(
        texts
            .iter()
            .any(|text| text.ends_with("more marks without a label: see the event list"))
    );
    assert!(texts.iter().any(|text| text == "Jul 2026"));
}

#[test]
fn nothing_to_draw_is_said_in_a_line() {
    let scene = month_scene();
    let before = START_US - 10 * SECOND_US..START_US;
    let fault = OverviewData::from_store(&scene.store, BOARD, before)
        .unwrap_err()
        .to_string();
    assert_eq!(
        fault,
        "no readings of board 0000a11a5c3e0001 from 30 Apr 2026 23:59:50 UTC to 01 May 2026 00:00:00 UTC: the store knows it \
         from 01 May 2026 00:00:00 UTC to 30 May 2026 23:59:00 UTC"
    );
    let data = OverviewData::from_store(&scene.store, BOARD, days(1)).unwrap();
    let fault = draw_overview(&data, "month.pdf").unwrap_err().to_string();
    assert_eq!(
        fault,
        "cannot draw month.pdf: its name must end in .svg or .png"
    );
    let nowhere = scene.folder.path().join("absent").join("month.svg");
    for ending in ["svg", "png"] {
        let fault = draw_overview(&data, nowhere.with_extension(ending)).unwrap_err();
        assert!(matches!(fault, ChartError::Unwritable { .. }), "{fault}");
    }
    let event = EventId { boot: 1, seq: 5 };
    let fault = WaveformData::from_store(&scene.store, BOARD, event).unwrap_err();
    assert!(matches!(fault, ChartError::NoCapture { .. }), "{fault}");
    let event = EventId { boot: 9, seq: 5 };
    let fault = WaveformData::from_store(&scene.store, BOARD, event).unwrap_err();
    assert!(matches!(fault, ChartError::NoEvent { .. }), "{fault}");
}

#[test]
fn no_value_breaks_a_chart() {
    let odd = [
        0.0,
        -0.0,
        -1e-3,
        1e-12,
        1e-38,
        1e9,
        f32::MAX,
        f32::MIN,
        f32::INFINITY,
        f32::NAN,
    ];
    let mut scene = Scene::new();
    let mut readings = Vec::new();
    for a in odd {
        for b in odd {
            let at = SampleIndex((1 + readings.len() as u64) * 60 * RATE_HZ);
            readings.push(Reading {
                at,
                i_bond: BondCurrent::Measured {
                    dc: Amps(a),
                    rms: Amps(b),
                },
                insulation: Insulation::Measured {
                    leakage: PoleLeakage {
                        g_pos: Siemens(a),
                        g_neg: Siemens(b),
                        g_sigma: Siemens(a),
                        c: Farads(a),
                        c_sigma: Farads(b),
                    },
                    at,
                },
                ..month(0)
            });
        }
    }
    let extreme = readings.clone();
    scene.keep(readings.into_iter());
    let range = START_US..START_US + 6100 * SECOND_US;
    scene.overview("odd", range.clone());

    let mut data = OverviewData::from_store(&scene.store, BOARD, range).unwrap();
    let settings = data.settings.as_mut().unwrap();
    settings.current.continuous.above = Amps(f32::NAN);
    settings.current.ground_fault.above = Amps(-1.0);
    settings.insulation.trip_below = Ohms(0.0);
    settings.insulation.warn_below = Ohms(f32::INFINITY);
    for (row, reading) in data.readings.rows.iter_mut().zip(extreme) {
        row.reading = reading; // NaNs as a board sends them
    }
    data.range = i64::MIN..i64::MAX;
    data.sample_rate_hz.insert(1, 0);
    scene.draw("odder", |path| draw_overview(&data, path));
}

/// A fault of `fault_a` from sample 800 on, a trip at 1000, contactor open at 1120.
fn waveform_scene(
    kind: EventKind,
    current: impl Fn(u16) -> f32,
    lost: Range<u16>,
) -> (Scene, EventId) {
    let mut scene = Scene::new();
    let event = EventId { boot: 1, seq: 3 };
    let calibration = Calibration::REFERENCE;
    let trigger = 1_000_000;
    scene.event(3, trigger as f64 / RATE_HZ as f64, kind);
    let code =
        |value: f32, per_count: f32| (value / per_count).round().clamp(-32768.0, 32767.0) as i16;
    let codes: Vec<Codes> = (0..1600_u16)
        .map(|k| {
            let i = current(k) + 4e-4 * noise(u64::from(k));
            let v = if k < 1120 { 380.0 } else { 410.0 };
            Codes {
                i_fine: code(i, calibration.i_fine.per_count),
                i_wide: code(i, calibration.i_wide.per_count),
                v_pos: code(v - i * 8.0, calibration.v_pos.per_count),
                v_neg: code(-i * 2.0, calibration.v_neg.per_count),
            }
        })
        .collect();
    let mut batch = vec![Entry::CaptureHead {
        board: BOARD,
        head: CaptureHead {
            event,
            first: SampleIndex(trigger - 1000),
            trigger: SampleIndex(trigger),
            samples: 1600,
            calibration,
        },
    }];
    for (k, codes) in codes.chunks(20).enumerate() {
        let offset = k as u16 * 20;
        if !lost.contains(&offset) {
            batch.push(Entry::CapturePart {
                board: BOARD,
                part: CapturePart {
                    event,
                    offset,
                    codes: codes.iter().copied().collect(),
                },
            });
        }
    }
    scene.store.write(&batch).unwrap();
    (scene, event)
}

fn draw_event(scene: &Scene, name: &str, event: EventId) -> Vec<String> {
    let mut data = WaveformData::from_store(&scene.store, BOARD, event).unwrap();
    data.note = Some("invented scene".into());
    texts(&scene.draw(name, |path| draw_waveform(&data, path)))
}

#[test]
fn a_trip_is_shown_with_its_pickup_and_limits() {
    let kind = EventKind::Tripped {
        cause: TripCause::GroundFaultCurrent {
            dc: Amps(-9.02),
            limit: Amps(1.0),
        },
        picked_up: SampleIndex(1_000_000 - 160),
    };
    let current = |k: u16| match k {
        0..820 => -0.002,
        820..1120 => -9.0 * (1.0 - (-f32::from(k - 819) / 12.0).exp()),
        _ => -9.0 * (-f32::from(k - 1119) / 6.0).exp(),
    };
    let (scene, event) = waveform_scene(kind, current, 1400..1460);
    let texts = draw_event(&scene, "trip", event);
    for wanted in [
        "Tripped: −9.02 A DC",
        "picked up 40.0 ms before the trip",
        "trigger",
        "ground fault ±1 A",
        "continuous ±300 mA",
        "from the wide range: the fine one is at its rail",
        "samples not received",
        "−40",
    ] {
        assert!(
            texts.iter().any(|text| text == wanted),
            "{wanted} is missing in {texts:?}"
        );
    }
}

#[test]
fn a_surge_and_a_quiet_waveform_are_drawn() {
    let kind = EventKind::Surge {
        peak: Amps(18.2),
        samples: 9,
    };
    let ringing = |k: u16| {
        let t = f32::from(k.saturating_sub(998));
        if k < 998 {
            0.002
        } else {
            0.002 + 19.0 * (-t / 9.0).exp() * (t * 0.7 + 1.4).sin()
        }
    };
    let (scene, event) = waveform_scene(kind, ringing, 0..0);
    let texts = draw_event(&scene, "surge", event);
    assert!(texts.iter().any(|text| text == "surge ±2 A"), "{texts:?}");

    let kind = EventKind::Tripped {
        cause: TripCause::InsulationLow {
            r: Ohms(21_000.0),
            limit: Ohms(30_000.0),
            pole: Pole::Negative,
        },
        picked_up: SampleIndex(1_000_000 - 4000),
    };
    let (scene, event) = waveform_scene(
        kind,
        |k| 0.002 + 0.001 * (f32::from(k) * 0.0785).sin(),
        0..0,
    );
    let texts = draw_event(&scene, "insulation-trip", event);
    for wanted in [
        "Limits above this scale: continuous ±300 mA; ground fault ±1 A; surge ±2 A",
        "← before this picture: picked up 1000.0 ms before the trip",
    ] {
        assert!(
            texts.iter().any(|text| text == wanted),
            "{wanted} is missing in {texts:?}"
        );
    }
}
