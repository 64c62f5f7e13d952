//! What must not happen, each found once by trying: a fault that is covered up, a protection that goes quiet.

#[path = "common/board.rs"]
mod board;
mod common;

use board::Pin;
use common::{Bench, RATE};
use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use ohmward_core::Memory;
use ohmward_core::board::{Board, Parts, Pins, SampleSource};
use ohmward_core::ram_flash::RamFlash;
use ohmward_core::{Identity, Rest, Sample};
use ohmward_proto::Settings;
use ohmward_proto::event::{EventKind, StartReason, TripCause};
use ohmward_proto::measure::{Codes, TripState};
use ohmward_proto::message::{BoardId, Command, Message};
use ohmward_proto::settings::Calibration;
use std::convert::Infallible;

#[test]
fn a_blown_fuse_is_told_and_trips() {
    let mut bench = Bench::new(|_| {}).connected();
    bench.fuse_open = true;
    bench.fault_s = 0.1;
    let (cause, ms) = bench.trip_ms(|_| 0.0).expect("trips");
    assert!(
        matches!(cause, TripCause::BondInterrupted { .. }),
        "{cause:?}"
    );
    assert!(ms < 300.0, "{ms}");
}

/// Skipped time must not stretch what is being timed.
#[test]
fn no_quiet_is_claimed_while_the_bond_is_under_suspicion() {
    let mut bench = Bench::new(|s| s.reading_every_ms = 60_000).connected();
    bench.run(1.0, |_| 0.0);
    assert!(matches!(bench.monitor.rest(), Rest::Until(_)));
    bench.fuse_open = true;
    bench.fault_s = 0.1;
    // Long enough for the poles to be seen away from earth, too short for the trip.
    bench.run(0.08, |_| 0.0);
    assert_eq!(bench.trip(), None);
    assert_eq!(bench.monitor.rest(), Rest::Busy);
}

#[test]
fn missed_samples_do_not_blind_the_limits() {
    // One in every eighty, for ever, while a fault current creeps up.
    let mut bench = Bench::new(|_| {}).connected();
    for n in 0..40 * RATE {
        bench.lost = u16::from(n % 80 == 0);
        bench.sample(f64::from(n) / f64::from(RATE) * 0.02);
    }
    assert!(
        matches!(bench.trip(), Some((TripCause::ContinuousCurrent { .. }, _))),
        "{:?}",
        bench.trip()
    );
    // So many that no window ever fills: that itself is a trip.
    let mut bench = Bench::new(|_| {}).connected();
    for n in 0..2 * RATE {
        bench.lost = if n % 40 == 0 { 20 } else { 0 };
        bench.sample(0.0);
    }
    assert!(
        matches!(bench.trip(), Some((TripCause::SamplesLost, _))),
        "{:?}",
        bench.trip()
    );
}

#[test]
fn repeated_settings_do_not_restart_the_timers() {
    let mut bench = Bench::new(|s| s.current.sudden.enabled = false).connected();
    for n in 0..2 * RATE {
        if n % 400 == 0 {
            let mut settings = *bench.monitor.settings();
            settings.reading_every_ms += 1;
            let _ = bench.monitor.apply(settings);
        }
        bench.sample(0.5);
    }
    assert!(bench.trip().is_some());
}

#[test]
fn no_command_takes_the_place_of_a_trip() {
    let mut bench = Bench::new(|_| {}).connected();
    bench.monitor.receive(&Message::Command(Command::Trip));
    bench
        .monitor
        .receive(&Message::Command(Command::MeasureInsulation));
    bench.run(0.1, |_| 0.0);
    assert!(matches!(bench.trip(), Some((TripCause::Commanded, _))));
}

#[test]
fn a_start_after_a_failure_is_a_trip() {
    for reason in [
        StartReason::Watchdog,
        StartReason::Panic,
        StartReason::HardFault,
        StartReason::StackOverflow,
    ] {
        let mut bench = Bench::restarted(reason);
        bench.run(10.0, |_| 0.0);
        assert_eq!(bench.monitor.state(), TripState::Latched);
        assert_eq!(
            bench.trip().map(|(cause, _)| cause),
            Some(TripCause::Restarted(reason))
        );
    }
}

#[test]
fn asking_for_measurements_does_not_keep_the_bond_open() {
    let mut bench = Bench::new(|_| {}).connected();
    let mut open = 0;
    for n in 0..60 * RATE {
        if n % 400 == 0 {
            bench
                .monitor
                .receive(&Message::Command(Command::MeasureInsulation));
        }
        bench.sample(0.0);
        open += u32::from(bench.outputs.bond_switch);
    }
    assert!(open < 2 * RATE, "{open} samples of {}", 60 * RATE);
}

#[test]
fn a_fault_that_comes_while_the_bond_is_open_is_there_when_it_closes() {
    let mut bench = Bench::new(|_| {}).connected();
    bench.run(60.0, |_| 0.002); // the pause between two measurements
    bench
        .monitor
        .receive(&Message::Command(Command::MeasureInsulation));
    bench.run(0.01, |_| 0.002);
    assert!(bench.outputs.bond_switch);
    let from = bench.n;
    // 0.1 A, far below the continuous limit, and a step that nobody saw.
    bench.run(5.0, |_| 0.1);
    let (cause, at) = bench.trip().expect("trips");
    assert!(matches!(cause, TripCause::SuddenChange { .. }), "{cause:?}");
    assert!(at - from < 3 * u64::from(RATE));
}

/// A fault that arrives at any moment of the check before connecting must not be read as good. What comes in the last moments
/// before the contactor is told to close no measurement can see; the bond current will.
#[test]
fn a_fault_that_arrives_during_the_check_keeps_the_array_off() {
    for ohm in [20.0, 2e3, 15e3] {
        let mut connected = Vec::new();
        for tenths in 0..60 {
            let mut bench = Bench::new(|_| {});
            bench.c = 1e-6;
            bench.run(2.05 + f64::from(tenths) * 0.02, |_| 0.0);
            let measuring = bench.outputs.bond_switch;
            bench.fault_s = 1.0 / ohm;
            bench.run(3.0, |_| 0.0);
            if measuring && bench.events.iter().any(|e| e.kind == EventKind::Connected) {
                connected.push(tenths);
            }
        }
        assert!(connected.len() <= 2, "{ohm} Ω: {connected:?}");
    }
}

/// A converter that gives a lit, quiet array.
struct Quiet;

impl SampleSource for Quiet {
    type Error = Infallible;

    fn next(&mut self) -> Result<Sample, Infallible> {
        Ok(Sample {
            codes: Codes {
                v_pos: 6000,
                ..Codes::default()
            },
            lost_before: 0,
        })
    }
}

/// A link that says the same thing whenever it is asked.
struct Says(Vec<u8>);

impl ErrorType for Says {
    type Error = Infallible;
}

impl Read for Says {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let n = self.0.len().min(into.len());
        into[..n].copy_from_slice(&self.0[..n]);
        Ok(n)
    }
}

impl ReadReady for Says {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.is_empty())
    }
}

impl Write for Says {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        Ok(bytes.len())
    }
    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

impl WriteReady for Says {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        Ok(true)
    }
}

type QuietBoard = Board<Quiet, Pin, Pin, RamFlash, Says>;

fn start(flash: RamFlash, says: Vec<u8>) -> QuietBoard {
    let pin = Pin::default;
    let contactor = pin();
    let pins = Pins {
        contactor_feedback: contactor.clone(),
        contactor,
        bond_switch: pin(),
        bridge_pos: pin(),
        bridge_neg: pin(),
        inject: pin(),
        lamp: pin(),
        buzzer: pin(),
        reset: pin(),
        arm: pin(),
    };
    let parts = Parts {
        source: Quiet,
        pins,
        flash,
        link: Says(says),
        memory: Memory::new(),
    };
    let identity = Identity {
        board: BoardId(1),
        boot: 1,
        reason: StartReason::PowerOn,
        sample_rate_hz: RATE,
        epoch_unix_ms: None,
    };
    Board::start(
        parts,
        identity,
        Settings::SMALL_BONDED,
        Calibration::REFERENCE,
    )
    .expect("starts")
}

fn frame(message: &Message) -> Vec<u8> {
    let mut bytes = [0; ohmward_proto::MAX_FRAME];
    let n = ohmward_proto::encode(message, &mut bytes).expect("fits");
    bytes[..n].to_vec()
}

#[test]
fn a_power_cut_does_not_clear_a_trip() {
    let mut board = start(RamFlash::default(), frame(&Message::Command(Command::Trip)));
    for _ in 0..400 {
        board.turn().expect("turns");
    }
    assert_eq!(board.monitor().state(), TripState::Latched);
    let mut board = start(board.into_flash(), Vec::new());
    for _ in 0..10 * RATE {
        board.turn().expect("turns");
    }
    assert_eq!(board.monitor().state(), TripState::Latched);
    assert_eq!(board.monitor().latched_cause(), Some(TripCause::Commanded));
}

/// How many trips there were is damaged too: the worst is taken, and the maintenance switch is wanted.
#[test]
fn damaged_settings_are_a_trip_that_stays_and_numbers_do_not_repeat() {
    let mut boots = Vec::new();
    for damage in [7u8, 11] {
        let mut flash = start(RamFlash::default(), Vec::new()).into_flash();
        flash.bytes_mut()[20] ^= damage;
        for power_cycle in 0..2 {
            let mut board = start(flash, Vec::new());
            for _ in 0..400 {
                board.turn().expect("turns");
            }
            assert_eq!(
                board.monitor().state(),
                TripState::LockedOut,
                "power cycle {power_cycle}"
            );
            boots.push(board.monitor().boot());
            flash = board.into_flash();
        }
    }
    boots.sort_unstable();
    boots.dedup();
    assert_eq!(boots.len(), 4);
}

/// A line that never falls silent does not hold up a sample.
#[test]
fn a_talkative_host_does_not_stop_the_protection() {
    let mut board = start(RamFlash::default(), vec![1; 64]);
    for _ in 0..1000 {
        board.turn().expect("turns");
    }
    assert!(board.monitor().now().0 >= 1000);
}
