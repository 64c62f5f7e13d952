//! Steps of the bond current around the moments in which the board has to forget what it compares with: before a check,
//! after it, over missed samples, over new settings. 30 mA is the lowest level of the sudden limits and trips whole
//! (IEC 62109-2:2011 Table 31, from memory); 40 mA leaves room for the mean over which a check compares.

mod common;
use common::{Bench, RATE};
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::message::{Command, Message};
use ohmward_proto::settings::Earthing;
use std::collections::VecDeque;

const STEP_A: f64 = 0.04;
/// What flows before.
const I_A: f64 = 0.002;

fn trips(b: &Bench) -> bool {
    matches!(b.trip(), Some((TripCause::SuddenChange { .. }, _)))
}

fn trips_after_ms(b: &Bench, from: u64) -> Option<u64> {
    b.trip().map(|(_, at)| (at - from) * 1000 / u64::from(RATE))
}

fn measure(b: &mut Bench) {
    b.monitor
        .receive(&Message::Command(Command::MeasureInsulation));
}

/// Connected and ready for another check.
fn ready(earthing: Earthing) -> Bench {
    let mut b = Bench::new(|s| s.earthing = earthing).connected();
    b.run(61.0, |_| I_A);
    b
}

/// Samples until the last wire of a check has been switched back.
fn length_of_a_check(earthing: Earthing) -> i64 {
    let mut b = ready(earthing);
    measure(&mut b);
    let (mut over, mut still) = (0, 0);
    for n in 0.. {
        b.sample(I_A);
        let o = b.outputs;
        still += 1;
        if o.bond_switch || o.bridge_pos || o.bridge_neg || o.inject {
            (over, still) = (n, 0);
        }
        if over > 0 && still > RATE / 2 {
            break;
        }
    }
    over
}

/// Every few milliseconds before a check begins.
#[test]
fn a_step_right_before_a_check_trips() {
    for earthing in [Earthing::NegativeBonded, Earthing::NotEarthed] {
        let mut missed = Vec::new();
        for ms in (0..120).step_by(6) {
            let mut b = ready(earthing);
            b.run(f64::from(ms) * 1e-3, |_| I_A + STEP_A);
            measure(&mut b);
            b.run(4.0, |_| I_A + STEP_A);
            if !trips(&b) {
                missed.push(ms);
            }
        }
        assert!(missed.is_empty(), "{earthing:?}: {missed:?}");
    }
}

#[test]
fn a_step_right_after_a_check_trips() {
    for earthing in [Earthing::NegativeBonded, Earthing::NotEarthed] {
        let over = length_of_a_check(earthing);
        let mut missed = Vec::new();
        for ms in (-20..320).step_by(10) {
            let mut b = ready(earthing);
            measure(&mut b);
            let at = over + ms * i64::from(RATE) / 1000;
            // What was said of the soonest trip in the last 10 ms.
            let mut said = VecDeque::from([u64::MAX; 40]);
            for n in 0..at + 2 * i64::from(RATE) {
                said.pop_back();
                said.push_front(b.monitor.soonest_trip());
                b.sample(if n < at { I_A } else { I_A + STEP_A });
                if b.trip().is_some() {
                    for (before, soonest) in (1..).zip(&said) {
                        assert!(*soonest <= before, "{soonest} said {before} before");
                    }
                    break;
                }
            }
            if !trips(&b) {
                missed.push(ms);
            }
        }
        assert!(missed.is_empty(), "{earthing:?}: {missed:?}");
    }
}

#[test]
fn a_step_over_missed_samples_trips() {
    let mut missed = Vec::new();
    for lost in [1, 8, 9, 20, 120, 400] {
        for ms in [-20, -10, -3, 0, 1, 10, 30, 60, 100] {
            let mut b = ready(Earthing::NegativeBonded);
            let at = 400 + i64::from(RATE) * ms / 1000;
            for n in 0..i64::from(RATE) {
                if n == 400 {
                    b.lost = lost;
                }
                b.sample(if n < at { I_A } else { I_A + STEP_A });
            }
            if !trips(&b) {
                missed.push((lost, ms));
            }
        }
    }
    assert!(missed.is_empty(), "(samples, ms): {missed:?}");
}

/// So many gaps that no two cycles are ever there to compare: that sudden changes go unwatched is told.
#[test]
fn gaps_without_end_that_blind_the_sudden_limits_are_told() {
    let mut b = ready(Earthing::NegativeBonded);
    for n in 0..10 * RATE {
        b.lost = if n % 120 == 0 { 9 } else { 0 };
        b.sample(I_A);
    }
    assert!(
        b.events
            .iter()
            .any(|e| e.kind == EventKind::SuddenUnwatched)
            || b.trip().is_some(),
        "{:?}",
        b.events
    );
}

#[test]
fn a_step_while_settings_are_taken_trips() {
    let mut missed = Vec::new();
    for ms in [-40, -20, -10, -3, 0, 1, 10, 30, 60, 100, 150, 200] {
        let mut b = ready(Earthing::NegativeBonded);
        let at = 400 + i64::from(RATE) * ms / 1000;
        for n in 0..i64::from(RATE) {
            if n == 400 {
                let mut settings = *b.monitor.settings();
                settings.reading_every_ms += 1;
                let _ = b.monitor.apply(settings);
            }
            b.sample(if n < at { I_A } else { I_A + STEP_A });
        }
        if !trips(&b) {
            missed.push(ms);
        }
    }
    assert!(missed.is_empty(), "{missed:?}");
}

/// Alternating current off its nominal frequency, over missed samples, new settings and a check: no change is made up.
#[test]
fn what_flows_on_is_no_change() {
    let flows =
        |t: f64| I_A + 0.15 * (t / 25.0).min(1.0) * (t * 50.4 * std::f64::consts::TAU).sin();
    for earthing in [Earthing::NegativeBonded, Earthing::NotEarthed] {
        let mut b = ready(earthing);
        let mut t = 0;
        for _ in 0..30 * RATE {
            t += 1;
            b.sample(flows(f64::from(t) / f64::from(RATE)));
        }
        for n in 0..30 * RATE {
            let lost = [9, 33, 120, 400][(n / 3000) as usize % 4];
            b.lost = if n % 3000 == 2999 { lost } else { 0 };
            if n == 40_500 {
                let mut settings = *b.monitor.settings();
                settings.reading_every_ms += 1;
                b.monitor.apply(settings).expect("taken");
            }
            if n == 82_000 {
                measure(&mut b);
            }
            t += 1 + u32::from(b.lost);
            b.sample(flows(f64::from(t) / f64::from(RATE)));
            assert_eq!(b.trip(), None, "{earthing:?}, sample {n}");
        }
    }
}

/// Without a bond the residual current goes on through the check, and with it the time of IEC 62109-2:2011 Table 31 (memory):
/// 30 mA in 0.3 s, whatever the board is switching; direct or alternating.
#[test]
fn a_step_at_any_moment_of_a_check_without_a_bond_trips_in_time() {
    let mut late = Vec::new();
    for alternating in [false, true] {
        for ms in (0..1900).step_by(35) {
            let mut b = ready(Earthing::NotEarthed);
            measure(&mut b);
            let from = b.n + u64::from(RATE) * ms / 1000;
            let step = |n: u64| {
                let t = n as f64 / f64::from(RATE);
                let of = if alternating {
                    std::f64::consts::SQRT_2 * (t * 50.0 * std::f64::consts::TAU).sin()
                } else {
                    1.0
                };
                I_A + if n < from { 0.0 } else { STEP_A * of }
            };
            while b.n < from + u64::from(RATE) / 2 {
                b.sample(step(b.n));
            }
            let after = trips_after_ms(&b, from);
            if after.is_none_or(|after| after > 300) {
                late.push((alternating, ms, after));
            }
        }
    }
    assert!(late.is_empty(), "{late:?}");
}

/// What is being timed when a check is due is timed to its end first; a blown fuse too.
#[test]
fn a_check_does_not_begin_over_what_is_being_timed() {
    let mut late = Vec::new();
    for ms in (0..100).step_by(10) {
        let mut b = Bench::new(|s| s.current.sudden.enabled = false).connected();
        b.run(61.0, |_| I_A);
        let from = b.n;
        b.run(f64::from(ms) * 1e-3, |_| 2.0);
        measure(&mut b);
        b.run(3.0, |_| 2.0);
        let after = trips_after_ms(&b, from);
        // A window of 20 ms, the hold time of 40 ms. What fills no window before the bond opens shows once it is closed again.
        if after.is_none_or(|after| after > if ms < 20 { 2500 } else { 70 }) {
            late.push((ms, after));
        }
    }
    assert!(late.is_empty(), "{late:?}");
    for ms in (0..200).step_by(20) {
        let mut b = ready(Earthing::NegativeBonded);
        let from = b.n;
        b.fuse_open = true;
        b.fault_s = 0.1;
        b.run(f64::from(ms) * 1e-3, |_| 0.0);
        measure(&mut b);
        b.run(4.0, |_| 0.0);
        let after = trips_after_ms(&b, from);
        // One that blows right before the bond opens shows once it should be closed again.
        if after.is_none_or(|after| after > if ms < 40 { 2500 } else { 300 }) {
            late.push((ms, after));
        }
    }
    assert!(late.is_empty(), "fuse: {late:?}");
}

/// But a value that plays about its limit does not put a check off for ever.
#[test]
fn a_value_about_its_limit_does_not_put_a_check_off() {
    let mut b = Bench::new(|s| {
        s.current.sudden.enabled = false;
        s.current.continuous.hold_ms = 10_000;
    })
    .connected();
    b.run(61.0, |_| I_A);
    // Above for 0.1 s in every 0.5 s: the timer runs back as far each time.
    let about = |t: f64| if t % 0.5 < 0.1 { 0.35 } else { 0.1 };
    b.run(5.0, about);
    measure(&mut b);
    let mut open = false;
    for n in 0..14 * RATE {
        b.sample(about(f64::from(n) / f64::from(RATE)));
        open |= b.outputs.bond_switch && b.outputs.contactor;
    }
    assert!(open, "{:?}", b.events);
}

/// A self-test that is asked for in the very sample in which the array may be connected: one of them waits.
#[test]
fn an_array_is_not_connected_with_its_bond_open() {
    let mut b = Bench::new(|_| {});
    while !b.outputs.contactor {
        b.sample(I_A);
    }
    let connects = b.n;
    for early in 0..4 {
        let mut b = Bench::new(|_| {});
        while b.n < connects - 1 - early {
            b.sample(I_A);
        }
        b.monitor.receive(&Message::Command(Command::SelfTest));
        let mut connected = 0;
        for n in 0..20 * RATE {
            b.sample(I_A);
            // The next check of a connected array is not meant.
            connected += u32::from(b.outputs.contactor);
            let both = b.outputs.contactor && b.outputs.bond_switch;
            assert!(!both || connected > RATE / 2, "{early}: sample {n}");
        }
        assert!(connected > 0);
    }
}
