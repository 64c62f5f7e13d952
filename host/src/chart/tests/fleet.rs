//! Boards in rows.

use super::*;
use ohmward_proto::measure::Resistance;

const AS_OF_US: i64 = START_US + 30 * DAY_S as i64 * SECOND_US;

fn row(board: u64, state: TripState, r_ohm: f32) -> FleetRow {
    FleetRow {
        board: BoardId(board),
        state: Some(state),
        now: Now::Is(Resistance::Is(Ohms(r_ohm))),
        settings: Some(Settings::SMALL_BONDED),
        trend: (0..30)
            .rev()
            .filter(|ago| !(10..14).contains(ago))
            .map(|ago| (ago, r_ohm * 0.6, r_ohm * (1.0 + 0.02 * ago as f32)))
            .collect(),
        last_trip: None,
        measured_share: Some(0.47),
        heard_us: Some(AS_OF_US - 60 * SECOND_US),
    }
}

#[test]
fn the_worst_board_stands_first_and_not_measured_is_no_value() {
    let silent = FleetRow {
        heard_us: Some(AS_OF_US - 3 * DAY_S as i64 * SECOND_US),
        ..row(4, TripState::Closed, 5e6)
    };
    let unknown = FleetRow {
        now: Now::NotMeasured,
        trend: Vec::new(),
        measured_share: Some(0.0),
        ..row(5, TripState::Resting, 5e6)
    };
    let tripped = FleetRow {
        last_trip: Some((
            AS_OF_US - DAY_S as i64 * SECOND_US,
            "insulation 21 kΩ".into(),
        )),
        ..row(6, TripState::Latched, 21_000.0)
    };
    let rows = vec![
        row(1, TripState::Closed, 8e6),
        row(2, TripState::Closed, 3e6),
        row(3, TripState::Closed, 80_000.0),
        silent,
        unknown,
        tripped,
        row(7, TripState::FailedToOpen, 9e6),
    ];
    let mut data = FleetData::of(AS_OF_US, rows);
    data.note = Some("invented scene".into());
    let order: Vec<u64> = data.rows.iter().map(|row| row.board.0).collect();
    assert_eq!(order, [7, 6, 3, 4, 5, 2, 1]);
    let scene = Scene::new();
    let svg = scene.draw("fleet", &data);
    let texts = texts(&svg);
    for wanted in [
        "7 boards, the worst first (invented scene)",
        "go there now",
        "insulation low",
        "not heard",
        "3 days ago",
        "not measured",
        "nothing measured",
        "80 kΩ",
        "warn 100 kΩ, trip 30 kΩ",
        "30 May 2026",
        CAUTION,
    ] {
        assert!(
            texts.iter().any(|text| text == wanted),
            "{wanted} is missing in {texts:?}"
        );
    }
    // Six trends, each in two pieces about the four days without a measurement.
    let trends = lines(&svg, colour::WHOLE)
        .into_iter()
        .filter(|line| line.len() > 2 && line.iter().all(|(x, _)| (620..850).contains(x)))
        .count();
    assert_eq!(trends, 12);
}

#[test]
fn boards_of_a_store_are_compared_at_the_last_moment_of_any() {
    let mut scene = Scene::new();
    let measured = |at_s: u64, g: f32| {
        let at = SampleIndex(at_s * RATE_HZ);
        Reading {
            at,
            i_bond: BondCurrent::Measured {
                dc: Amps(0.0),
                rms: Amps(0.001),
            },
            v_pos: Some(Volts(380.0)),
            v_neg: Some(Volts(0.0)),
            insulation: Insulation::Measured {
                leakage: PoleLeakage {
                    g_pos: Siemens(g),
                    g_neg: Siemens(0.0),
                    g_sigma: Siemens(1e-9),
                    c: Farads(1e-7),
                    c_sigma: Farads(1e-9),
                },
                at,
            },
            state: TripState::Closed,
            bond_open: false,
        }
    };
    scene.keep((0..5 * DAY_S).step_by(1800).map(|s| measured(s, 1e-6)));
    let other = BoardId(2);
    let batch: Vec<Entry> = (0..5 * DAY_S - 9 * 3600)
        .step_by(1800)
        .map(|s| Entry::Reading {
            board: other,
            boot: 1,
            t_us: START_US + s as i64 * SECOND_US,
            reading: measured(s, 5e-6),
        })
        .collect();
    scene.store.write(&batch).unwrap();
    let data = FleetData::from_store(&scene.store, None).unwrap();
    let rows: Vec<(u64, Urgency, usize)> = data
        .rows
        .iter()
        .map(|row| (row.board.0, row.urgency(data.as_of_us), row.trend.len()))
        .collect();
    assert_eq!(rows, [(2, Urgency::Silent, 5), (BOARD.0, Urgency::Well, 5)]);
    assert_eq!(data.rows[1].measured_share, Some(1.0));
    let Now::Is(Resistance::Is(r)) = data.rows[1].now else {
        panic!("{:?}", data.rows[1].now);
    };
    assert!((r.0 / 1e6 - 1.0).abs() < 1e-3, "{r:?}");
}
