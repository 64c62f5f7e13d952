//! The monitor on hand-made waveforms: when it trips, when it does not, and that a trip stays.
//!
//! Times allowed: 0.3 s for the continuous limit (IEC 62109-2:2011 4.8.3.5.2, looked up; its 300 mA from memory). The
//! ground-fault limit by rating has no published time; 0.3 s is the project's own target there.

mod common;

use common::{Bench, RATE};
use ohmward_proto::event::{EventKind, ResetRefusal, TripCause};
use ohmward_proto::measure::{Channel, FaultPlace, TripState, WhyNoPlace};
use ohmward_proto::settings::Mains;
use ohmward_proto::{Insulation, Settings};

#[test]
fn measures_before_it_connects() {
    let mut bench = Bench::new(|_| {});
    bench.run(1.9, |_| 0.0);
    assert_eq!(bench.monitor.state(), TripState::Resting);
    let bench = bench.connected();
    assert!(bench.events.iter().any(|e| e.kind == EventKind::Connected));
    match bench.insulation {
        // 0.1 µS at each pole, by construction: 5 MΩ.
        Some(Insulation::Measured { leakage, .. }) => {
            let r = leakage.r_iso().bound().0;
            assert!((r - 5e6).abs() < 0.25e6, "{r}");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_dc_fault_above_each_limit_trips_within_half_of_its_time() {
    for mains in [Mains::Hz50, Mains::Hz60] {
        for (current, cause) in [
            (0.35, "continuous"),
            (-0.35, "continuous"),
            (1.1, "ground"),
            (-1.1, "ground"),
            (-9.8, "ground"),
        ] {
            let mut bench = Bench::new(|s| {
                s.mains = mains;
                s.current.sudden.enabled = false; // it would be first, see tests/sudden.rs
            })
            .connected();
            let (seen, ms) = bench.trip_ms(|_| current).expect("trips");
            let named = match seen {
                TripCause::ContinuousCurrent { .. } => "continuous",
                TripCause::GroundFaultCurrent { dc, .. } => {
                    assert_eq!(f64::from(dc.0) > 0.0, current > 0.0, "the sign is evidence");
                    "ground"
                }
                other => panic!("{other:?}"),
            };
            assert_eq!(named, cause);
            assert!(ms <= 150.0, "{current} A at {mains:?}: {ms} ms");
        }
    }
}

fn no_sudden(settings: &mut Settings) {
    settings.current.sudden.enabled = false;
}

#[test]
fn an_ac_fault_trips_on_its_rms() {
    let sine = |rms: f64| {
        move |t: f64| {
            rms * std::f64::consts::SQRT_2 * (t * 50.0 * std::f64::consts::TAU + 0.7).sin()
        }
    };
    let (cause, ms) = Bench::new(no_sudden)
        .connected()
        .trip_ms(sine(0.33))
        .expect("trips");
    assert!(
        matches!(cause, TripCause::ContinuousCurrent { .. }) && ms <= 150.0,
        "{ms}"
    );
    assert_eq!(Bench::new(no_sudden).connected().trip_ms(sine(0.28)), None);
}

#[test]
fn surges_and_slow_leakage_never_trip() {
    let mut bench = Bench::new(|_| {}).connected();
    // Ten strokes in a second, each saturating the wide range for 1 ms with a 60 A induced pulse's tail behind it.
    bench.run(2.0, |t| {
        let after = t % 0.1;
        if after < 0.001 {
            30.0
        } else {
            0.9 * (-(after - 0.001) / 0.000_2).exp()
        }
    });
    // A rising morning leakage, to 80 % of the limit.
    bench.run(2.0, |t| 0.12 * t);
    assert_eq!(bench.trip(), None);
    let surges = bench
        .events
        .iter()
        .filter(|e| matches!(e.kind, EventKind::Surge { .. }))
        .count();
    assert_eq!(surges, 20);
}

/// The limits with a time sit out what is over before it; sudden changes are another matter.
#[test]
fn an_inrush_shorter_than_the_hold_time_does_not_trip_the_continuous_limit() {
    let mut bench = Bench::new(no_sudden).connected();
    bench.run(1.0, |t| if t < 0.06 { 0.6 } else { 0.0 });
    assert_eq!(bench.trip(), None);
}

#[test]
fn a_fault_that_begins_in_a_surge_still_trips_in_time() {
    let (_, ms) = Bench::new(|_| {})
        .connected()
        .trip_ms(|t| if t < 0.001 { 30.0 } else { 0.4 })
        .expect("trips");
    assert!(ms <= 150.0, "{ms}");
}

#[test]
fn a_trip_latches_and_resets_only_on_good_insulation() {
    let mut bench = Bench::new(|_| {}).connected();
    bench.fault_s = 1.0 / 50.0;
    bench.trip_ms(|_| -4.0).expect("trips");
    assert!(
        !bench.outputs.contactor && bench.outputs.bond_switch,
        "contactor and bond open"
    );
    // The fault current is gone with the bond open; the latch stays.
    bench.run(30.0, |_| 0.0);
    assert_eq!(bench.monitor.state(), TripState::Latched);
    let press = |bench: &mut Bench| {
        bench.events.clear();
        bench.reset = true;
        bench.run(0.1, |_| 0.0);
        bench.reset = false;
        bench.run(0.1, |_| 0.0);
        bench
            .events
            .iter()
            .map(|e| e.kind)
            .find(|k| matches!(k, EventKind::Reset | EventKind::ResetRefused(_)))
    };
    let refused = press(&mut bench);
    assert!(
        matches!(
            refused,
            Some(EventKind::ResetRefused(
                ResetRefusal::InsulationLow | ResetRefusal::InsulationNotMeasured
            ))
        ),
        "{refused:?}"
    );
    // Mended. The watch over the latched fault sees it within its own half minute.
    bench.fault_s = 0.0;
    bench.run(40.0, |_| 0.0);
    assert_eq!(
        bench.monitor.state(),
        TripState::Latched,
        "does not come back by itself"
    );
    assert_eq!(press(&mut bench), Some(EventKind::Reset));
    bench.run(10.0, |_| 0.0);
    assert_eq!(bench.monitor.state(), TripState::Closed);
}

#[test]
fn a_welded_contactor_is_told_and_stays_told() {
    let mut bench = Bench::new(|_| {}).connected();
    bench.stuck = true;
    bench.trip_ms(|_| 2.0).expect("trips");
    assert_eq!(bench.monitor.state(), TripState::FailedToOpen);
    assert!(
        bench
            .events
            .iter()
            .any(|e| e.kind == EventKind::FailedToOpen)
    );
    let mut heard = 0;
    for _ in 0..RATE {
        bench.sample(0.0);
        heard += u32::from(bench.outputs.buzzer);
    }
    assert!(heard > RATE / 3, "the buzzer is never silent: {heard}");
    bench.stuck = false;
    bench.run(0.1, |_| 0.0);
    assert_eq!(bench.monitor.state(), TripState::Latched);
    assert!(
        bench
            .events
            .iter()
            .any(|e| matches!(e.kind, EventKind::OpenedLate { .. }))
    );
}

#[test]
fn a_lost_sensor_is_a_trip() {
    // Beyond both ranges for good: no array gives that, so the channel is lost.
    let (cause, _) = Bench::new(no_sudden)
        .connected()
        .trip_ms(|_| 40.0)
        .expect("trips");
    assert!(
        matches!(
            cause,
            TripCause::SensorLost(Channel::IWide) | TripCause::GroundFaultCurrent { .. }
        ),
        "{cause:?}"
    );
}

fn places(bench: &Bench) -> Vec<FaultPlace> {
    let place = |kind| match kind {
        EventKind::FaultPlaced { place, .. } => Some(place),
        _ => None,
    };
    bench.events.iter().filter_map(|e| place(e.kind)).collect()
}

/// A fault of 20 kΩ at the positive conductor, by construction; healthy leakage is known from the morning.
#[test]
fn a_fault_is_placed_once_the_contactor_is_open() {
    let mut bench = Bench::new(|s| s.check.every_s = 60).connected();
    bench.fault_s = 1.0 / 20e3;
    bench.run(200.0, |_| 0.0);
    assert!(bench.trip().is_some());
    match places(&bench)[..] {
        [
            FaultPlace::CannotTell(WhyNoPlace::UnderLoad),
            FaultPlace::At { fraction, sigma },
        ] => assert!(
            fraction > 0.99 && sigma < 1.0 / 30.0,
            "{fraction} ± {sigma}"
        ),
        ref other => panic!("{other:?}"),
    }
}

#[test]
fn low_insulation_before_connecting_keeps_it_open_and_trips_when_confirmed() {
    let mut bench = Bench::new(|_| {});
    bench.fault_s = 1.0 / 20e3;
    bench.run(30.0, |_| 0.0);
    let (cause, _) = bench.trip().expect("trips");
    match cause {
        TripCause::InsulationLow { r, .. } => {
            // 20 kΩ with 10 MΩ ∥ 10 MΩ healthy leakage beside it.
            assert!((r.0 - 20e3).abs() < 0.05 * 20e3, "{r}");
        }
        other => panic!("{other:?}"),
    }
    assert!(
        bench.events.iter().all(|e| e.kind != EventKind::Connected),
        "never connected"
    );
    assert_eq!(
        places(&bench),
        // With the warning and with the trip, not with every measurement afterwards.
        [FaultPlace::CannotTell(WhyNoPlace::NoBackground); 2]
    );
}
