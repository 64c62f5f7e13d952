//! What was true once and is not any more: a clearance from yesterday, a measurement with a lost channel, a fault that a
//! reset does not look at, a record that this firmware cannot measure with.

#[path = "common/board.rs"]
mod board;
mod common;

use board::{Flaky, Used, start};
use common::{Bench, RATE};
use ohmward_core::nv::{Kept, KeptCalibration, Nv};
use ohmward_core::ram_flash::RamFlash;
use ohmward_proto::event::{EventKind, ResetRefusal, TripCause};
use ohmward_proto::measure::{Channel, NotMeasured, TripState};
use ohmward_proto::message::{Command, CommandOutcome, Message};
use ohmward_proto::settings::{Calibration, Earthing, Mains, Scale, SettingsFault};
use ohmward_proto::{Insulation, Settings};
use std::rc::Rc;

/// Spikes beyond the surge level, so rare that they are taken for lightning, and so many that no self-test ends.
fn storm(n: u32) -> f64 {
    if n.is_multiple_of(480) { 5.0 } else { 0.0 }
}

/// A minute of it after the start.
fn kept_off_by_a_storm() -> Bench {
    let mut b = Bench::new(|s| s.earthing = Earthing::NotEarthed);
    for n in 0..60 * RATE {
        b.sample(storm(n));
    }
    b
}

fn assert_never_connected(b: &Bench) {
    assert!(
        !b.events.iter().any(|e| e.kind == EventKind::Connected),
        "{:?}",
        b.events
    );
}

/// A storm at dusk disturbs every self-test after a good check, so the array stays off. Over night the insulation goes. Next
/// morning it has to be measured again.
#[test]
fn a_good_check_of_yesterday_does_not_connect_today() {
    let mut b = kept_off_by_a_storm();
    assert_eq!(b.monitor.state(), TripState::Resting, "{:?}", b.events);
    assert!(matches!(b.insulation, Some(Insulation::Measured { .. })));
    b.dark = true;
    b.run(120.0, |_| 0.0);
    assert!(matches!(b.insulation, Some(Insulation::NotMeasured { .. })));
    b.dark = false;
    b.fault_s = 1.0 / 5e3;
    b.run(30.0, |_| 0.0);
    assert_never_connected(&b);
}

/// The same without a night: a clearance ages.
#[test]
fn a_good_check_of_an_hour_ago_does_not_connect_now() {
    let mut b = kept_off_by_a_storm();
    b.fault_s = 1.0 / 5e3;
    for n in 0..600 * RATE {
        b.sample(storm(n));
    }
    assert!(
        !matches!(b.insulation, Some(Insulation::Measured { leakage, .. }) if leakage.r_iso().bound().0 > 30e3),
        "{:?}",
        b.insulation
    );
    b.run(30.0, |_| 0.0);
    assert_never_connected(&b);
}

/// Insulation that was good is low under limits that are tightened while the array is connected: it is measured again.
#[test]
fn tighter_limits_are_held_against_the_insulation_at_once() {
    let mut b = Bench::new(|_| {});
    b.fault_s = 1.0 / 60e3;
    let mut b = b.connected();
    b.run(70.0, |_| 0.0);
    let mut settings = *b.monitor.settings();
    settings.insulation.trip_below.0 = 200e3;
    settings.insulation.warn_below.0 = 300e3;
    settings.insulation.reset_above.0 = 300e3;
    b.monitor.apply(settings).expect("taken");
    b.run(300.0, |_| 0.0);
    let cause = b.trip().map(|(cause, _)| cause);
    assert!(
        matches!(cause, Some(TripCause::InsulationLow { .. })),
        "{cause:?}"
    );
}

/// Two channels lost at once: the pole's is not forgotten behind the current's.
#[test]
fn nothing_is_measured_with_a_lost_pole_behind_a_lost_current() {
    let mut b = Bench::new(|_| {}).connected();
    b.stuck_code = Some((Channel::IFine, 20_000));
    b.also_stuck = Some((Channel::VPos, i16::MAX));
    b.fault_s = 1.0 / 15e3;
    for _ in 0..120 * RATE {
        b.sample(0.0);
    }
    assert!(b.monitor.state() == TripState::Latched && b.trip().is_some());
    let tried = b.events.iter().any(|e| {
        matches!(e.kind, EventKind::InsulationNotMeasured(why) if why != NotMeasured::SensorLost(Channel::VPos))
    });
    assert!(!tried, "{:?}", b.events);
}

/// The bond is looked at every few samples; a reset between two looks is refused all the same.
#[test]
fn a_reset_sees_a_bond_that_is_still_open() {
    for offset in 0..16 {
        let mut b = Bench::new(|s| s.trip_opens_bond = false).connected();
        b.fuse_open = true;
        b.fault_s = 0.1;
        b.run(1.0, |_| 0.0);
        b.fault_s = 0.0;
        // The poles float, the "grounded" one far from earth; insulation itself is good.
        b.run(60.0, |_| 0.0);
        assert_eq!(b.monitor.state(), TripState::Latched);
        while b.n % 16 != offset {
            b.sample(0.0);
        }
        b.monitor.receive(&Message::Command(Command::Reset));
        b.run(0.01, |_| 0.0);
        let refused = CommandOutcome::ResetRefused(ResetRefusal::FaultStillThere);
        assert_eq!(
            b.results.last(),
            Some(&(Command::Reset, refused)),
            "{offset}"
        );
    }
}

/// What a scale gives at the ends of the codes has to fit the sums over a window, its zero included: 241 A squared, 200 times
/// over (60 Hz at 4 kS/s), are more than 2^63 µA².
#[test]
fn a_calibration_whose_ends_lie_beyond_150_amperes_is_not_sound() {
    for (zero, sound) in [
        (0.0, true),
        (200.0, true),
        (30_000.0, false),
        (-30_000.0, false),
        (1e30, false),
        (f32::NAN, false),
    ] {
        let values = Calibration {
            i_wide: Scale {
                zero,
                per_count: 149.0 / 32768.0,
            },
            ..Calibration::REFERENCE
        };
        assert_eq!(values.is_sound(), sound, "{zero}");
    }
}

/// A record that is whole, of a firmware that took such a calibration: the board starts on its design values, tripped, and can
/// be calibrated. It does not stay dead.
#[test]
fn a_kept_calibration_that_is_not_sound_is_a_trip_on_the_design_values() {
    let (mut nv, _) = Nv::open(RamFlash::default()).expect("fits");
    let values = Calibration {
        i_wide: Scale {
            zero: 30_000.0,
            per_count: 149.0 / 32768.0,
        },
        ..Calibration::REFERENCE
    };
    let kept = Kept {
        boot: 5,
        settings: Settings::SMALL_BONDED,
        tripped: None,
        trips: 0,
        calibration: Some(KeptCalibration {
            values,
            made_unix_s: None,
        }),
    };
    nv.save(&kept, true).expect("saved");
    let mut b = start(Flaky(nv.into_flash(), Rc::default(), Used::default()));
    b.run(10.0);
    assert_eq!(b.state(), TripState::Latched);
    assert_eq!(
        b.board.monitor().latched_cause(),
        Some(TripCause::SettingsLost)
    );
    assert_eq!(b.board.kept().calibration, None);
}

/// Another mains frequency than the grid's leaves sudden changes unwatched: no host sets it from afar.
#[test]
fn another_mains_frequency_needs_the_maintenance_switch() {
    let mut b = start(Flaky::default());
    b.run(40.0);
    let settings = Settings {
        mains: Mains::Hz60,
        ..*b.board.monitor().settings()
    };
    b.say(&Message::SettingsPut(settings));
    b.run(0.1);
    b.host(true);
    assert_eq!(b.results, [Err(SettingsFault::LooserNeedsArm)]);
    b.arm.0.set(true);
    b.say(&Message::SettingsPut(settings));
    b.run(1.0);
    b.host(true);
    assert!(matches!(b.results.last(), Some(Ok(_))), "{:?}", b.results);
}
