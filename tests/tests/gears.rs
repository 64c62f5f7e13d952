//! Skipping quiet time must not change what happens.

use ohmward::sim::Gear;
use ohmward_plant::Scenario;
use ohmward_proto::event::EventKind;
use ohmward_tests::{data, run};

/// Half an hour around the hard fault, every sample against skipped quiet: the same events in the same order, and
/// within a measurement's noise at the same moments.
#[test]
fn the_same_events_in_both_gears() {
    let mut scenario = Scenario::load(&data("one-day.toml")).expect("sound");
    // Two minutes of each thing instead of an hour: start, surge, fault, repair, reset, in ten minutes.
    scenario.start = "2026-04-10T11:00:00Z".parse().expect("a moment");
    scenario.duration_h = 10.0 / 60.0;
    let minute = 1.0 / 60.0;
    scenario.surges[0].at_h = 1.5 * minute;
    scenario.faults[0].from_h = 3.0 * minute;
    scenario.faults[0].to_h = Some(5.0 * minute);
    scenario.presses[0].at_h = 4.0 * minute;
    scenario.presses[1].at_h = 7.0 * minute;
    let every = run(&scenario, Gear::EverySample);
    let skipped = run(&scenario, Gear::SkipQuiet);
    let kind = |k: &EventKind| std::mem::discriminant(k);
    let kinds = |said: &ohmward_tests::Said| {
        said.events
            .iter()
            .map(|e| kind(&e.kind))
            .collect::<Vec<_>>()
    };
    assert_eq!(
        kinds(&every),
        kinds(&skipped),
        "{:?}\n{:?}",
        every.events,
        skipped.events
    );
    for (a, b) in every.events.iter().zip(&skipped.events) {
        // A measurement may end a row (20 ms) sooner or later with other noise; connecting follows it.
        let apart_ms = a.at.0.abs_diff(b.at.0) as f64 / 4.0;
        assert!(apart_ms <= 100.0, "{a:?} and {b:?} are {apart_ms} ms apart");
    }
    assert!(every.find(|k| matches!(k, EventKind::Tripped { .. })).len() == 1);
}
