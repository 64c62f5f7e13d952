//! Waveforms of made-up events.

use super::*;

/// A capture of 1600 samples of `current`, triggered at 1000; the contactor opens at 1120; parts in `lost` never came.
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
    texts(&scene.draw(name, &data))
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
    let (scene, event) = waveform_scene(kind, current, 900..920);
    let texts = draw_event(&scene, "trip", event);
    for wanted in [
        "Tripped: −9.02 A DC",
        "picked up 40.0 ms before the trip",
        "trip",
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

#[test]
fn the_contactors_answer_stands_in_the_waveform() {
    let kind = EventKind::Tripped {
        cause: TripCause::GroundFaultCurrent {
            dc: Amps(-9.02),
            limit: Amps(1.0),
        },
        picked_up: SampleIndex(1_000_000 - 160),
    };
    let current = |k: u16| {
        if (820..1120).contains(&k) {
            -9.0
        } else {
            -0.002
        }
    };
    let (mut scene, event) = waveform_scene(kind, current, 0..0);
    scene.event(
        4,
        1_000_140.0 / RATE_HZ as f64,
        EventKind::Opened { after: 140 },
    );
    let data = WaveformData::from_store(&scene.store, BOARD, event).unwrap();
    // 140 samples at 4 kS/s.
    assert_eq!(data.answer_ms(), Some((35.0, true)));
    let texts = draw_event(&scene, "trip-opened", event);
    assert!(
        texts.iter().any(|text| text == "seen open 35.0 ms"),
        "{texts:?}"
    );
    assert!(
        texts
            .iter()
            .any(|text| text.contains("as the board last reported them"))
    );
}

/// A person's 30 mA on 300 mA of capacitive current, a quarter of a cycle apart: √(300² + 30²) − 300 = 1.5 mA more RMS (Pythagoras).
#[test]
fn a_step_in_quadrature_is_seen_as_a_vector() {
    let kind = EventKind::Tripped {
        cause: TripCause::SuddenChange {
            peak: Amps(0.042),
            limit: Amps(0.03),
        },
        picked_up: SampleIndex(1_000_000 - 240),
    };
    let wave = |k: u16, rms: f32, rad: f32| {
        rms * std::f32::consts::SQRT_2 * (f32::from(k) * std::f32::consts::TAU / 80.0 + rad).sin()
    };
    let current = |k: u16| {
        let fault = if k >= 760 { wave(k, 0.03, 0.0) } else { 0.0 };
        wave(k, 0.3, std::f32::consts::FRAC_PI_2) + fault
    };
    let (scene, event) = waveform_scene(kind, current, 0..0);
    let mut data = WaveformData::from_store(&scene.store, BOARD, event).unwrap();
    data.note = Some("invented scene".into());
    let phasor = PhasorData::of(&data);
    assert!(phasor.mains_found && (phasor.mains_hz - 50.0).abs() < 0.01);
    let (a, b) = (phasor.standing.unwrap(), phasor.at_trigger.unwrap());
    let moved = (b.re_a - a.re_a).hypot(b.im_a - a.im_a);
    assert!((moved - 0.03).abs() < 5e-4, "{moved}");
    let more = b.re_a.hypot(b.im_a) - a.re_a.hypot(a.im_a);
    assert!((more - 1.5e-3).abs() < 5e-4, "{more}");
    let svg = scene.draw("phasor", &phasor);
    let texts = texts(&svg);
    for wanted in [
        "sudden change 30 mA, about A",
        "continuous 300 mA RMS, about 0",
        "A  standing, before it began",
    ] {
        assert!(
            texts.iter().any(|text| text == wanted),
            "{wanted} is missing in {texts:?}"
        );
    }
    assert!(
        texts
            .iter()
            .any(|text| text.starts_with("moved A to B by 30")
                || text.starts_with("moved A to B by 29.")),
        "{texts:?}"
    );
    // Radius of the 30 mA circle: its dashes lie 30 mA from the standing vector on the axis that the labels tell.
    let all = boxes(&svg);
    let y = |label: &str| {
        let b = all
            .iter()
            .find(|b| b.text == label && b.right < 110.0)
            .unwrap();
        f64::midpoint(b.top, b.bottom)
    };
    let px_per_a = (y("−200 mA") - y("200 mA")) / 0.4;
    let zero = (435.0, f64::midpoint(y("200 mA"), y("−200 mA")));
    let centre = (zero.0 + a.re_a * px_per_a, zero.1 - a.im_a * px_per_a);
    let near = lines(&svg, colour::TRIP)
        .into_iter()
        .flatten()
        .filter(|(x, y)| {
            let r = (f64::from(*x) - centre.0).hypot(f64::from(*y) - centre.1);
            (r - 0.03 * px_per_a).abs() < 3.0
        });
    assert!(near.count() > 20);
}
