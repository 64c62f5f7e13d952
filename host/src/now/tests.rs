//! What people are told of a board.

use super::tests_support::{NOW_US, RATE_HZ, happened, sound};
use super::*;
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::measure::{Channel, NotMeasured, TripState};
use ohmward_proto::units::{Amps, Siemens};
use ohmward_proto::{BondCurrent, Insulation, Reading, SampleIndex};

fn with(change: impl FnOnce(&mut Reading)) -> BoardNow {
    let mut board = sound();
    change(&mut board.last.as_mut().expect("it has one").reading);
    board
}

fn worst(board: &BoardNow) -> Concern {
    board.concerns(NOW_US)[0].clone()
}

#[test]
fn a_sound_board_is_watching() {
    let board = sound();
    let concerns = board.concerns(NOW_US);
    assert_eq!(concerns.len(), 1, "{concerns:?}");
    assert_eq!(concerns[0].urgency, Urgency::Fine);
    assert_eq!(board.measurement_age_us(), Some(60_000_000));
    let insulation = board.gauges()[2];
    assert_eq!(insulation.words(), "1 MΩ");
    // 30 kΩ of 1 MΩ.
    assert!((insulation.used().expect("has a limit") - 0.03).abs() < 1e-6);
}

#[test]
fn nothing_that_is_missing_is_good() {
    let mut quiet = sound();
    quiet.last.as_mut().expect("it has one").t_us = NOW_US - 11_000_000;
    assert_eq!(worst(&quiet).urgency, Urgency::Look);
    // A simulated board lives in a time of its own: what counts is when the line brought it.
    quiet.heard_us = Some(NOW_US - 1_000_000);
    assert_eq!(worst(&quiet).urgency, Urgency::Fine);
    quiet.heard_us = Some(NOW_US - 11_000_000);
    assert_eq!(worst(&quiet).urgency, Urgency::Look);
    assert_eq!(worst(&BoardNow::unknown(BoardId(1))).urgency, Urgency::Look);
    let lost =
        with(|r| r.i_bond = BondCurrent::NotMeasured(NotMeasured::SensorLost(Channel::IFine)));
    assert_eq!(worst(&lost).urgency, Urgency::Look);
    let since = SampleIndex(0);
    let dark = with(|r| {
        r.insulation = Insulation::NotMeasured {
            why: NotMeasured::ArrayDark,
            since,
        };
    });
    assert_eq!(worst(&dark).urgency, Urgency::Notice);
    let mut old = with(|r| r.at = SampleIndex(r.at.0 + 3 * 1800 * u64::from(RATE_HZ)));
    assert_eq!(worst(&old).urgency, Urgency::Look, "{:?}", worst(&old));
    old.settings = None;
    assert!(
        old.gauges()
            .iter()
            .all(|gauge| gauge.verdict() == Verdict::NoLimit)
    );
    assert_ne!(worst(&old).urgency, Urgency::Fine);
}

#[test]
fn levels_are_those_that_are_set() {
    let leak = |g: f32, sigma: f32| {
        with(|r| {
            if let Insulation::Measured { leakage, .. } = &mut r.insulation {
                leakage.g_pos = Siemens(g);
                leakage.g_neg = Siemens(0.0);
                leakage.g_sigma = Siemens(sigma);
            }
        })
    };
    // Warning below 100 kΩ, trip below 30 kΩ.
    let verdict = |board: &BoardNow| board.gauges()[2].verdict();
    assert_eq!(verdict(&leak(1.0 / 101e3, 1e-9)), Verdict::Within);
    assert_eq!(verdict(&leak(1.0 / 99e3, 1e-9)), Verdict::Warned);
    assert_eq!(verdict(&leak(1.0 / 29e3, 1e-9)), Verdict::Beyond);
    // Noise hides everything above 50 kΩ: no warning, no all-clear.
    let noisy = leak(0.0, 10e-6);
    assert_eq!(verdict(&noisy), Verdict::Unknown);
    assert_eq!(worst(&noisy).urgency, Urgency::Look);
    let over = with(|r| {
        r.i_bond = BondCurrent::Measured {
            dc: Amps(-1.2),
            rms: Amps(1.2),
        };
    });
    assert_eq!(over.gauges()[1].verdict(), Verdict::Beyond);
    assert_eq!(worst(&over).urgency, Urgency::Danger);
    let broken = with(|r| {
        r.i_bond = BondCurrent::Measured {
            dc: Amps(f32::NAN),
            rms: Amps(f32::NAN),
        };
    });
    assert_eq!(broken.gauges()[0].verdict(), Verdict::Unknown);
    assert_eq!(worst(&broken).urgency, Urgency::Look);
}

#[test]
fn a_trip_comes_first_and_says_why() {
    let mut tripped = with(|r| r.state = TripState::Latched);
    happened(
        &mut tripped,
        &[EventKind::Tripped {
            cause: TripCause::GroundFaultCurrent {
                dc: Amps(9.0),
                limit: Amps(1.0),
            },
            picked_up: SampleIndex(0),
        }],
    );
    let first = worst(&tripped);
    assert_eq!(first.urgency, Urgency::Danger);
    assert!(first.words.contains("9 A"), "{first:?}");
    let stuck = with(|r| r.state = TripState::FailedToOpen);
    assert!(worst(&stuck).words.contains("DID NOT OPEN"));
}

#[test]
fn what_began_stands_until_its_own_end() {
    let mut board = sound();
    happened(
        &mut board,
        &[
            EventKind::SensorLost(Channel::VPos),
            EventKind::SensorLost(Channel::VNeg),
            EventKind::SensorBack(Channel::VNeg),
            EventKind::SuddenUnwatched,
            EventKind::SuddenWatched,
            EventKind::ZeroDrifted { zero: Amps(0.006) },
            EventKind::SelfTestPassed {
                injected: Amps(0.1),
                zero: Amps(0.001),
            },
        ],
    );
    let concerns = board.concerns(NOW_US);
    assert_eq!(concerns.len(), 1, "{concerns:?}");
    assert!(concerns[0].words.contains("positive pole"), "{concerns:?}");
}
