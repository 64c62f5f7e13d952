//! Every input that is itself a fault opens the contactor, each within its own bound.
//!
//! The bounds are the project's own; no standard times the loss of a sensor. What they have to stay below is the 0.3 s that
//! IEC 62109-2:2011 4.8.3.5.2 gives the continuous limit (looked up): while a sensor is out, no other limit is watched.

mod common;

use common::{Bench, IDENTITY, RATE};
use ohmward_core::{Inputs, Monitor, Sample};
use ohmward_proto::Settings;
use ohmward_proto::event::TripCause;
use ohmward_proto::measure::{Channel, Codes, TripState};
use ohmward_proto::message::{Command, Message};
use ohmward_proto::settings::{Calibration, Scale};

/// ms from now until the coil is off, while `fault` acts on the bench before every sample; with the cause.
fn opens_after_ms(mut bench: Bench, mut fault: impl FnMut(&mut Bench, u32)) -> (f64, TripCause) {
    let begun = bench.n;
    for n in 0..2 * RATE {
        fault(&mut bench, n);
        bench.sample(0.002);
        if !bench.outputs.contactor {
            let ms = (bench.n - begun) as f64 * 1e3 / f64::from(RATE);
            bench.sample(0.002);
            return (ms, bench.trip().expect("told").0);
        }
    }
    panic!("still closed after 2 s: {:?}", bench.events);
}

fn connected() -> Bench {
    Bench::new(|s| s.current.sudden.enabled = false).connected()
}

#[test]
fn each_channel_at_its_rail() {
    for channel in [Channel::IFine, Channel::IWide, Channel::VPos, Channel::VNeg] {
        for rail in [i16::MIN, i16::MAX] {
            let (ms, cause) = opens_after_ms(connected(), |bench, _| {
                bench.stuck_code = Some((channel, rail));
            });
            // The larger of two ranges that disagree is believed, and 25 A is a fault first.
            let believed =
                channel == Channel::IWide && matches!(cause, TripCause::GroundFaultCurrent { .. });
            assert!(
                believed || cause == TripCause::SensorLost(channel),
                "{channel:?} at {rail}: {cause:?}"
            );
            assert!(ms <= 75.0, "{channel:?} at {rail}: {ms} ms");
        }
    }
}

/// The largest currents a calibration may stand for fit the sums over a window: one that wraps would read much as nothing.
#[test]
fn the_largest_currents_there_are() {
    let mut calibration = Calibration::REFERENCE;
    for scale in [&mut calibration.i_fine, &mut calibration.i_wide] {
        *scale = Scale {
            zero: 0.0,
            per_count: 150.0 / 32768.0,
        };
    }
    for code in [i16::MIN, i16::MAX] {
        let mut monitor =
            Monitor::new(IDENTITY, Settings::SMALL_BONDED, calibration).expect("sound");
        for _ in 0..2 * RATE {
            let codes = Codes {
                i_fine: code,
                i_wide: code,
                v_pos: 0,
                v_neg: 0,
            };
            let sample = Sample {
                codes,
                lost_before: 0,
            };
            monitor.step(&sample, &Inputs::default());
        }
        assert_eq!(monitor.state(), TripState::Latched);
    }
}

/// A code between the rails that stands still: the two ranges part as soon as a current flows.
#[test]
fn a_range_stuck_at_nothing_under_a_fault_current() {
    let mut bench = connected();
    bench.fine_gain = 0.0;
    let begun = bench.n;
    while bench.outputs.contactor {
        bench.sample(0.5);
        assert!(bench.n - begun < u64::from(RATE));
    }
    let ms = (bench.n - begun) as f64 * 1e3 / f64::from(RATE);
    assert!(ms <= 150.0, "{ms} ms");
}

#[test]
fn missing_samples() {
    let (ms, cause) = opens_after_ms(connected(), |bench, n| {
        bench.lost = if n % 40 == 0 { 20 } else { 0 };
    });
    // Without the missing ones the counter shows two thirds of the time.
    assert_eq!(cause, TripCause::SamplesLost);
    assert!(ms <= 250.0, "{ms} ms");
}

/// Eight of nine samples missing: each time few enough to be taken as the last one again, together no watch over anything. A limit
/// with a hold time would run at a ninth of its speed.
#[test]
fn so_many_missing_that_the_limits_run_slow() {
    for lost in [2, 4, 8] {
        let (ms, cause) = opens_after_ms(connected(), |bench, _| bench.lost = lost);
        assert_eq!(cause, TripCause::SamplesLost, "{lost}");
        // The counter shows one of so many, and one.
        let ms = ms * f64::from(lost + 1);
        assert!(ms <= 350.0, "{lost}: {ms} ms");
    }
}

/// Every second sample missing is lived with: nothing trips by itself, and a fault of 2 A still does.
#[test]
fn every_second_sample_missing() {
    let mut bench = connected();
    for _ in 0..4 * RATE {
        bench.lost = 1;
        bench.sample(0.0);
    }
    assert_eq!(bench.trip(), None);
    let begun = bench.n;
    while bench.outputs.contactor {
        bench.lost = 1;
        bench.sample(2.0);
        assert!(2 * (bench.n - begun) * 1000 <= 200 * u64::from(RATE));
    }
}

/// An auxiliary contact that opens and closes without end, never for as long as a bounce may last.
#[test]
fn a_contact_that_never_comes_to_rest() {
    for (open, closed) in [(3, 3), (5, 5), (8, 8), (20, 20), (39, 39), (30, 10)] {
        let (ms, cause) = opens_after_ms(connected(), |bench, n| {
            bench.fallen = n % (open + closed) < open;
        });
        assert_eq!(cause, TripCause::ContactorFault, "{open}, {closed}");
        assert!(ms <= 150.0, "{open}, {closed}: {ms} ms");
    }
    // A contact that bounces for 8 ms and stands again is none of that.
    let mut bench = connected();
    for n in 0..8 * RATE {
        bench.fallen = n % 4000 < 32 && n % 2 == 0;
        bench.sample(0.0);
    }
    assert_eq!(bench.trip(), None);
}

#[test]
fn an_open_bond() {
    let (ms, cause) = opens_after_ms(connected(), |bench, _| {
        bench.fuse_open = true;
        bench.fault_s = 0.1;
    });
    assert!(
        matches!(cause, TripCause::BondInterrupted { .. }),
        "{cause:?}"
    );
    assert!(ms <= 250.0, "{ms} ms");
}

#[test]
fn a_contactor_that_falls_open_by_itself_and_a_command() {
    let (ms, cause) = opens_after_ms(connected(), |bench, _| bench.fallen = true);
    assert_eq!(cause, TripCause::ContactorFault);
    assert!(ms <= 50.0, "{ms} ms");
    let (ms, cause) = opens_after_ms(connected(), |bench, n| {
        if n == 0 {
            bench.monitor.receive(&Message::Command(Command::Trip));
        }
    });
    assert_eq!(cause, TripCause::Commanded);
    assert!(ms <= 1.0, "{ms} ms");
}

/// Nothing of all this comes back by itself.
#[test]
fn a_sensor_that_comes_back_does_not_close_the_contactor() {
    let mut bench = connected();
    bench.stuck_code = Some((Channel::VPos, i16::MAX));
    bench.run(1.0, |_| 0.0);
    bench.stuck_code = None;
    bench.run(60.0, |_| 0.0);
    assert_eq!(bench.monitor.state(), TripState::Latched);
}
