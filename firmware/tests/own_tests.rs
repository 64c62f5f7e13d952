//! The board's tests of itself, the lock-out, and what a finding is called, through the whole monitor.

mod common;

use common::{Bench, RATE};
use ohmward_proto::event::{EventKind, FaultSide, ResetRefusal, SelfTestFault, TripCause};
use ohmward_proto::measure::TripState;
use ohmward_proto::message::{Command, CommandOutcome, Message};

fn cause(bench: &Bench) -> Option<TripCause> {
    bench.trip().map(|(cause, _)| cause)
}

#[test]
fn the_array_connects_only_after_the_board_has_proved_itself() {
    for before_connect in [true, false] {
        let bench = Bench::new(|s| s.check.before_connect = before_connect).connected();
        let passed = bench
            .events
            .iter()
            .position(|e| matches!(e.kind, EventKind::SelfTestPassed { .. }));
        let connected = bench
            .events
            .iter()
            .position(|e| e.kind == EventKind::Connected);
        assert!(passed.is_some() && passed < connected, "{:?}", bench.events);
    }
}

/// A sensitive range that is dead at zero shows nothing of 2 mA, and neither does the wide one: only the test tells.
#[test]
fn a_dead_range_keeps_the_array_off() {
    let mut bench = Bench::new(|_| {});
    bench.fine_gain = 0.0;
    bench.run(20.0, |_| 0.002);
    assert!(
        matches!(
            cause(&bench),
            Some(TripCause::SelfTestFailed(SelfTestFault::FineRange { .. }))
        ),
        "{:?}",
        bench.events
    );
    assert!(bench.events.iter().all(|e| e.kind != EventKind::Connected));
}

#[test]
fn a_range_that_dies_while_connected_is_found_by_the_next_check() {
    let mut bench = Bench::new(|s| s.check.every_s = 60).connected();
    bench.fine_gain = 0.0;
    bench.run(70.0, |_| 0.002);
    assert!(
        matches!(
            cause(&bench),
            Some(TripCause::SelfTestFailed(SelfTestFault::FineRange { .. }))
        ),
        "{:?}",
        bench.events
    );
}

/// Twice the conductance makes insulation read twice as good; half, half as good. The bond current tells.
#[test]
fn a_measuring_resistor_that_is_not_itself_keeps_the_array_off() {
    for gain in [0.0, 0.5, 2.0] {
        let mut bench = Bench::new(|_| {});
        bench.bridge_gain = gain;
        bench.run(20.0, |_| 0.002);
        assert!(
            matches!(
                cause(&bench),
                Some(TripCause::SelfTestFailed(SelfTestFault::Bridge { .. }))
            ),
            "{gain}: {:?}",
            bench.events
        );
    }
}

#[test]
fn a_zero_that_drifts_is_told_and_one_that_drifts_far_is_a_trip() {
    let mut bench = Bench::new(|s| s.check.every_s = 60).connected();
    bench.zero_a = -0.008;
    bench.run(130.0, |_| 0.0);
    let told = |bench: &Bench| {
        bench
            .events
            .iter()
            .filter(|e| matches!(e.kind, EventKind::ZeroDrifted { .. }))
            .count()
    };
    assert_eq!((told(&bench), cause(&bench)), (1, None));
    // −65 mA: 235 mA of a limit of 300 would pass for nothing. It comes slowly, or it would be a sudden change.
    for n in 0..70 * RATE {
        bench.zero_a = -0.008 - 0.057 * f64::from(n) / f64::from(70 * RATE);
        bench.sample(0.0);
    }
    bench.run(65.0, |_| 0.0);
    assert!(
        matches!(
            cause(&bench),
            Some(TripCause::SelfTestFailed(SelfTestFault::Zero { .. }))
        ),
        "{:?}",
        bench.events
    );
}

/// The test current is the board's own: no limit sees it, whatever its setting.
#[test]
fn the_test_current_trips_nothing() {
    let mut bench = Bench::new(|s| {
        s.current.continuous.above.0 = 0.05;
        s.current.ground_fault.above.0 = 0.05;
        s.check.every_s = 60;
    })
    .connected();
    bench.run(200.0, |_| 0.002);
    assert_eq!(cause(&bench), None, "{:?}", bench.events);
}

#[test]
fn a_self_test_can_be_asked_for() {
    let mut bench = Bench::new(|_| {}).connected();
    bench.run(61.0, |_| 0.0);
    bench.events.clear();
    bench.monitor.receive(&Message::Command(Command::SelfTest));
    bench.run(5.0, |_| 0.0);
    assert!(
        bench
            .events
            .iter()
            .any(|e| matches!(e.kind, EventKind::SelfTestPassed { .. })),
        "{:?}",
        bench.events
    );
    // Again at once: the bond of a connected array does not stay open for whoever asks.
    bench.monitor.receive(&Message::Command(Command::SelfTest));
    bench.sample(0.0);
    assert_eq!(
        bench.results,
        [
            (Command::SelfTest, CommandOutcome::Done),
            (Command::SelfTest, CommandOutcome::NotNow)
        ]
    );
}

/// Presses reset and waits for the array to be back; false when it was refused.
fn reset(bench: &mut Bench) -> Result<(), ResetRefusal> {
    bench.run(40.0, |_| 0.0);
    bench.events.clear();
    bench.reset = true;
    bench.run(0.1, |_| 0.0);
    bench.reset = false;
    bench.run(10.0, |_| 0.0);
    bench
        .events
        .iter()
        .find_map(|e| match e.kind {
            EventKind::Reset => Some(Ok(())),
            EventKind::ResetRefused(why) => Some(Err(why)),
            _ => None,
        })
        .expect("an answer")
}

#[test]
fn three_trips_in_a_day_lock_out_until_a_person_with_the_switch_comes() {
    let mut bench = Bench::new(|_| {}).connected();
    for trip in 1..=3 {
        bench.run(1.0, |_| 2.0);
        let wanted = if trip < 3 {
            TripState::Latched
        } else {
            TripState::LockedOut
        };
        assert_eq!(bench.monitor.state(), wanted, "trip {trip}");
        if trip < 3 {
            assert_eq!(reset(&mut bench), Ok(()));
            assert_eq!(bench.monitor.state(), TripState::Closed);
        }
    }
    assert!(
        bench
            .events
            .iter()
            .any(|e| e.kind == EventKind::LockedOut { trips: 3 })
    );
    assert_eq!(reset(&mut bench), Err(ResetRefusal::LockedOut));
    bench.arm = true;
    assert_eq!(reset(&mut bench), Ok(()));
    assert_eq!(bench.monitor.state(), TripState::Closed);
    // The count begins afresh: the next trip is the first.
    bench.run(1.0, |_| 2.0);
    assert_eq!(bench.monitor.state(), TripState::Latched);
}

#[test]
fn a_contactor_that_fails_to_open_opens_the_bond_whatever_is_set() {
    let mut bench = Bench::new(|s| s.trip_opens_bond = false).connected();
    bench.stuck = true;
    bench.run(0.05, |_| 2.0);
    assert!(!bench.outputs.bond_switch, "not before it has failed");
    bench.run(1.0, |_| 2.0);
    assert_eq!(bench.monitor.state(), TripState::FailedToOpen);
    assert!(bench.outputs.bond_switch);
}

/// The grounded conductor at earth through a few ohms beside its bond: the bond current says nothing of it.
#[test]
fn a_second_bond_and_a_bond_that_does_not_open_are_told_apart() {
    let mut bench = Bench::new(|_| {});
    bench.neg_fault_s = 1.0 / 5.0;
    bench.run(120.0, |_| 0.0);
    assert_eq!(cause(&bench), Some(TripCause::SecondBond));

    let mut bench = Bench::new(|_| {});
    bench.bond_stuck = true;
    bench.run(120.0, |_| 0.0);
    assert!(
        matches!(
            cause(&bench),
            Some(TripCause::SelfTestFailed(SelfTestFault::BondStuck { .. }))
        ),
        "{:?}",
        bench.events
    );
}

#[test]
fn a_fault_of_the_grounded_conductor_has_its_own_name() {
    let mut bench = Bench::new(|_| {});
    bench.neg_fault_s = 1.0 / 5e3;
    bench.run(120.0, |_| 0.0);
    assert!(
        matches!(
            cause(&bench),
            Some(TripCause::GroundedConductorFault { r, .. }) if (r.0 - 5e3).abs() < 500.0
        ),
        "{:?}",
        bench.events
    );
}

/// Negative bonded, under load: out of the conductor into earth is a fault of the grounded conductor (Kirchhoff).
#[test]
fn the_direction_of_the_current_names_the_conductor() {
    for (current, side) in [(0.5, FaultSide::Bonded), (-0.5, FaultSide::Other)] {
        let mut bench = Bench::new(|_| {}).connected();
        bench.run(1.0, |_| current);
        let told = bench.events.iter().find_map(|e| match e.kind {
            EventKind::FaultSide { side, .. } => Some(side),
            _ => None,
        });
        assert_eq!(told, Some(side), "{:?}", bench.events);
    }
}

#[test]
fn a_hard_fault_strains_the_fuse_and_a_small_one_does_not() {
    let strained = |current: f64| {
        let mut bench = Bench::new(|_| {}).connected();
        bench.run(1.0, |_| current);
        bench
            .events
            .iter()
            .any(|e| matches!(e.kind, EventKind::FuseStrained { .. }))
    };
    assert!(strained(-21.0) && !strained(-1.2));
}

/// 20 ms of 2 A every 0.4 s, all other limits out of the way: nothing but the heat of the fuse remembers.
#[test]
fn many_short_currents_trip_by_the_heat_of_the_fuse() {
    let mut bench = Bench::new(|s| {
        s.current.sudden.enabled = false;
        s.current.continuous.above.0 = 20.0;
        s.current.ground_fault.above.0 = 0.3;
        s.current.ground_fault.hold_ms = 1000;
    })
    .connected();
    bench.run(600.0, |t| if t % 0.4 < 0.02 { 2.0 } else { 0.0 });
    assert!(
        matches!(cause(&bench), Some(TripCause::FuseHeated { .. })),
        "{:?}",
        cause(&bench)
    );
}

/// An alternating current that comes while the bond is open for a check is there when it closes.
#[test]
fn an_alternating_fault_behind_an_open_bond_is_found_when_it_closes() {
    let sine = |rms: f64| {
        move |t: f64| rms * std::f64::consts::SQRT_2 * (t * 50.0 * std::f64::consts::TAU).sin()
    };
    let mut bench = Bench::new(|_| {}).connected();
    bench.run(61.0, |_| 0.0);
    bench
        .monitor
        .receive(&Message::Command(Command::MeasureInsulation));
    bench.run(0.02, |_| 0.0);
    assert!(bench.outputs.bond_switch);
    bench.run(4.0, sine(0.1));
    assert!(
        matches!(cause(&bench), Some(TripCause::SuddenChange { .. })),
        "{:?}",
        bench.events
    );
}

/// A stroke every half second through the whole morning: a test that a surge falls into says nothing, it does not fail.
#[test]
fn a_thunderstorm_at_dawn_is_no_failed_self_test() {
    let mut bench = Bench::new(|s| s.earthing = ohmward_proto::settings::Earthing::NotEarthed);
    bench.run(20.0, |t| if t % 0.5 < 0.001 { 25.0 } else { 0.002 });
    assert_eq!(cause(&bench), None);
    bench.run(10.0, |_| 0.002);
    assert_eq!(
        bench.monitor.state(),
        TripState::Closed,
        "{:?}",
        bench.events
    );
}
