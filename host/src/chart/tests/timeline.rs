//! Lanes of events.

use super::*;

#[test]
fn events_stand_in_their_lanes_and_a_gap_is_seen() {
    let scene = overview::month_scene();
    let mut data = TimelineData::from_store(&scene.store, BOARD, days(30)).unwrap();
    data.note = Some("invented scene".into());
    let svg = scene.draw("timeline", &data);
    let texts = texts(&svg);
    for wanted in [
        "Contactor",
        "Recording",
        "Bond open",
        "Trips",
        "Self-tests",
        "tripped: −9.02 A DC",
        "surge −12.4 A or more ×2",
        "nothing recorded",
        "latched open after a trip",
        "none",
    ] {
        assert!(
            texts.iter().any(|text| text == wanted),
            "{wanted} is missing in {texts:?}"
        );
    }
    // Half a day of thirty was not recorded: that part of the lane, and no other, is hatched.
    let strokes: Vec<i32> = lines(&svg, colour::NO_RECORD_STROKE)
        .into_iter()
        .map(|line| line[0].0)
        .filter(|x| *x >= 200)
        .collect();
    let x = |day: f64| 200 + (day * 33.0).round() as i32;
    let (from, to) = (x(12.3), x(13.0));
    let lane: Vec<&i32> = strokes
        .iter()
        .filter(|x| (from - 2..=to + 2).contains(*x))
        .collect();
    assert!(!lane.is_empty());
}

#[test]
fn the_contactor_follows_events_also_from_before_the_period() {
    let mut scene = Scene::new();
    scene.keep((0..3 * DAY_S).step_by(600).map(overview::month));
    let tripped = EventKind::Tripped {
        cause: TripCause::Commanded,
        picked_up: SampleIndex(0),
    };
    for (seq, at_s, kind) in [
        (0, 100.0, EventKind::Connected),
        (1, 90_000.0, tripped),
        (2, 90_000.1, EventKind::FailedToOpen),
        (3, 90_060.0, EventKind::OpenedLate { after: 1000 }),
        (4, 95_000.0, EventKind::Reset),
    ] {
        scene.event(seq, at_s, kind);
    }
    let second_day = START_US + DAY_S as i64 * SECOND_US..START_US + 2 * DAY_S as i64 * SECOND_US;
    let data = TimelineData::from_store(&scene.store, BOARD, second_day).unwrap();
    let states: Vec<(i64, TripState)> = data
        .states
        .iter()
        .map(|spell| ((spell.span.start - START_US) / SECOND_US, spell.state))
        .collect();
    assert_eq!(
        states,
        [
            (86_400, TripState::Closed),
            (90_000, TripState::Latched),
            (90_000, TripState::FailedToOpen),
            (90_060, TripState::Latched),
            (95_000, TripState::Resting),
        ]
    );
}
