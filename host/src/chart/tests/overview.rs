//! Overviews of made-up periods.

use super::*;

/// Days and nights, an insulation that goes down and is repaired after a trip.
pub(super) fn month(at_s: u64) -> Reading {
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

pub(super) fn month_scene() -> Scene {
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
        "surge −12.4 A or more ×2",
        "reset",
        "insulation recovered",
        "surge 20 A or more",
        "insulation warning 98 kΩ, − pole",
        "reset refused: insulation below the reset level",
        "not measured: array dark",
        "not measured: broken off",
        "nothing recorded",
        "latched open after a trip",
        "array: median of each hour",
        CAUTION,
    ] {
        assert!(
            texts.iter().any(|text| text == wanted),
            "{wanted} is missing in {texts:?}"
        );
    }
    // Ten events, of which "opened" is told by the contactor strip; a mark is a triangle 12 px wide.
    assert_eq!(triangles(&svg, 12), 9);
    // 31 nights; one begins in the hours that were not recorded.
    let nights = svg
        .matches(&format!("fill=\"{}\"", hex(colour::DARK)))
        .count();
    assert!((30..=33).contains(&nights), "{nights} nights are shaded");
    assert!(svg.contains(&hex(colour::NO_RECORD)));
}

/// Triangles so many pixels wide.
fn triangles(svg: &str, wide: i32) -> usize {
    svg.split("<polygon")
        .skip(1)
        .filter_map(|polygon| polygon.split_once("points=\"")?.1.split_once('"'))
        .filter(|(points, _)| {
            let xs: Vec<i32> = points
                .split_whitespace()
                .filter_map(|point| point.split(',').next()?.parse().ok())
                .collect();
            let width = xs.iter().max().zip(xs.iter().min());
            xs.len() == 3 && width.is_some_and(|(most, least)| most - least == wide)
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
    let fault = save(&data, "month.pdf").unwrap_err().to_string();
    assert_eq!(
        fault,
        "cannot draw month.pdf: its name must end in .svg or .png"
    );
    let nowhere = scene.folder.path().join("absent").join("month.svg");
    for ending in ["svg", "png"] {
        let fault = save(&data, nowhere.with_extension(ending)).unwrap_err();
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
    let Record::Readings(readings) = &mut data.record else {
        panic!("an hour and some is drawn reading by reading");
    };
    for (row, reading) in readings.rows.iter_mut().zip(extreme) {
        row.reading = reading; // NaNs as a board sends them
    }
    data.range = i64::MIN..i64::MAX;
    data.sample_rate_hz.insert(1, 0);
    scene.draw("odder", &data);
}

/// A hundred days in which the bond is open for two minutes each night, as a check of insulation does.
fn checked_nightly(at_s: u64) -> Reading {
    let mut reading = month(at_s % (20 * DAY_S));
    reading.at = SampleIndex(at_s * RATE_HZ);
    if let Insulation::Measured { at, .. } = &mut reading.insulation {
        *at = SampleIndex(at_s / 1800 * 1800 * RATE_HZ);
    }
    if (10_800..10_920).contains(&(at_s % DAY_S)) {
        reading.bond_open = true;
        reading.i_bond = BondCurrent::NotMeasured(NotMeasured::BondOpen);
    }
    reading
}

#[test]
fn a_check_of_minutes_is_not_drawn_as_a_day() {
    let mut scene = Scene::new();
    scene.keep((0..100 * DAY_S).step_by(60).map(checked_nightly));
    let svg = scene.overview("checked-nightly", days(100));
    for colour in [colour::UNSEEN, colour::NO_RECORD] {
        assert!(!svg.contains(&format!("fill=\"{}\"", hex(colour))));
    }
    let data = OverviewData::from_store(&scene.store, BOARD, days(100)).unwrap();
    let Record::Columns(columns) = &data.record else {
        panic!("a hundred days are drawn from roll-ups");
    };
    let shares = columns.shares(&data.range, |rollup| &rollup.current_missing);
    assert_eq!(shares.len(), 100);
    for share in &shares {
        // Two of 1440 minutes.
        assert!((share.other - 2.0 / 1440.0).abs() < 1e-9, "{share:?}");
        assert!(share.absent == 0.0 && share.dark == 0.0, "{share:?}");
    }
    // Where it is the whole of a column it shows: the same night alone.
    let night = START_US + 10_800 * SECOND_US;
    let svg = scene.overview(
        "one-check",
        night - 600 * SECOND_US..night + 600 * SECOND_US,
    );
    assert!(svg.contains(&hex(colour::UNSEEN)));
    assert!(texts(&svg).contains(&"not measured: bond open".to_owned()));
}

#[test]
fn no_line_crosses_a_gap_and_limits_stand_at_their_values() {
    let mut scene = Scene::new();
    let recorded = |at_s: &u64| !(40 * DAY_S..50 * DAY_S).contains(at_s);
    scene.keep(
        (0..100 * DAY_S)
            .step_by(300)
            .filter(recorded)
            .map(checked_nightly),
    );
    let svg = scene.overview("gap", days(100));
    // The axis as the tests know it: 100 to 1085 px over a hundred days.
    let x = |day: f64| 100 + (day * 9.85).round() as i32;
    let (from, to) = (x(41.0), x(49.0));
    let crossing = |colour| {
        lines(&svg, colour).into_iter().filter(move |line| {
            let xs = line.iter().map(|(x, _)| *x);
            xs.clone().min().unwrap() < from
                && xs.max().unwrap() > to
                && line[0].1 != line[line.len() - 1].1
        })
    };
    for colour in [colour::WHOLE, colour::PLUS, colour::MINUS] {
        let found: Vec<_> = crossing(colour).collect();
        assert!(found.is_empty(), "{colour:?}: {found:?}");
    }
    assert!(svg.contains(&hex(colour::NO_RECORD_STROKE)));
    assert!(texts(&svg).contains(&"nothing recorded".to_owned()));
    let settings = Settings::SMALL_BONDED.insulation;
    for (limit, colour) in [
        (settings.trip_below, colour::TRIP),
        (settings.warn_below, colour::WARN),
    ] {
        let y = height_on_axis(&svg, (1e5, "100 kΩ"), (1e6, "1 MΩ"), f64::from(limit.0));
        let there = lines(&svg, colour).iter().any(|line| {
            line[0].1 == line[1].1
                && (f64::from(line[0].1) - y).abs() <= 2.0
                && line[1].0 > line[0].0
        });
        assert!(there, "no line of {limit:?} at {y}");
    }
}

#[test]
fn limits_name_their_standard_when_the_array_is_described() {
    let scene = month_scene();
    let mut data = OverviewData::from_store(&scene.store, BOARD, days(30)).unwrap();
    let svg = scene.draw("no-source", &data);
    assert!(svg.contains("as the board last reported them"));
    let file = crate::plan::test_array::heron_bend("");
    let plan = crate::plan::plan(&file, crate::plan::changes::Looser::AcceptMarked).unwrap();
    data.sources = LimitSources::of(&plan);
    let svg = scene.draw("source", &data);
    let limit = plan
        .limits
        .iter()
        .find(|limit| limit.key == "insulation.trip_below_ohm")
        .unwrap();
    // Broken into lines on the sheet.
    let all = texts(&svg).join(" ");
    assert!(
        all.contains(limit.source.standard),
        "{} in {all}",
        limit.source.standard
    );
}
