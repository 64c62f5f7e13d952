//! The firmware as an image on an emulated Cortex-M4F, against the same firmware linked into this test.
//!
//! `.ci/run` builds the images and names them in `OHMWARD_IMAGE` and `OHMWARD_IMAGE_FAULTS` (feature `fault-inject`). The
//! linked firmware closes the loop with its surroundings; the image gets the same words, and must answer with the same
//! outputs, the same bytes on the link and the same flash. So what is tested on the linked firmware holds on the target.

use embedded_storage::nor_flash::ReadNorFlash;
use ohmward::bench::around::{Around, Parts as Surroundings, sensors};
use ohmward::bench::array::Leakage;
use ohmward::bench::matrix;
use ohmward::bench::waveform::Waveform;
use ohmward::sim::image::{Image, ImageError, bits_of, outputs_of};
use ohmward_core::Memory;
use ohmward_core::board::{Board, Parts, Pins, SampleSource};
use ohmward_core::ram_flash::RamFlash;
use ohmward_core::{Identity, Inputs, Outputs, Sample};
use ohmward_plant::contactor::ContactorSettings;
use ohmward_plant::{Scenario, Switches, World};
use ohmward_proto::emulated::{Answer, Setup, TICKS_HZ, input, output};
use ohmward_proto::event::{EventKind, StartReason, TripCause};
use ohmward_proto::message::{Ack, BoardId, Message};
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::{Decoder, Event, Insulation, MAX_FRAME, PROTOCOL_VERSION, Reading, encode};
use ohmward_tests::linked::{Line, Pin};
use std::cell::Cell;
use std::convert::Infallible;
use std::path::PathBuf;
use std::rc::Rc;

const RATE: u32 = 4000;
/// Invented: an array that does not exist.
const MORNING: &str = r#"
name = "morning"
note = "Invented, for end-to-end tests."
seed = 4
start = "2026-04-10T09:00:00Z"
duration_h = 0.04

[board]
id = "00000000000000d2"

[array]
strings = 2
modules_per_string = 5

[load]
kind = "working-point"

[weather]
latitude_deg = 45.0
cloudiness = 0.2
rain_days_per_week = 0.0

[[surge]]
at_h = 0.02
peak_a = 2000.0

[[fault]]
string = 1
position = 4
ohm = 8.0
from_h = 0.03
to_h = 0.039
"#;
/// Samples given at a time.
const BATCH: usize = 1000;

fn image_in(variable: &str) -> Option<PathBuf> {
    let path = std::env::var_os(variable).map(PathBuf::from);
    assert!(
        path.is_some() || std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_none(),
        "{variable} names no image: bash .ci/run builds it"
    );
    path
}

fn setup(settings: Settings, calibration: Calibration, reason: StartReason) -> Setup {
    Setup {
        board: BoardId(7),
        boot: 1,
        reason,
        sample_rate_hz: RATE,
        epoch_unix_ms: None,
        settings,
        calibration,
    }
}

/// What lies before the linked firmware's converter.
#[derive(Clone, Default)]
struct Next(Rc<Cell<Sample>>);

impl SampleSource for Next {
    type Error = Infallible;

    fn next(&mut self) -> Result<Sample, Infallible> {
        Ok(self.0.get())
    }
}

/// The firmware, linked.
struct Linked {
    board: Board<Next, Pin, Pin, RamFlash, Line>,
    next: Next,
    feedback: Pin,
    reset: Pin,
    arm: Pin,
    line: Line,
}

impl Linked {
    fn start(setup: &Setup) -> Self {
        let (next, line) = (Next::default(), Line::default());
        let (feedback, reset, arm) = (Pin::default(), Pin::default(), Pin::default());
        let pin = Pin::default;
        let parts = Parts {
            source: next.clone(),
            pins: Pins {
                contactor: pin(),
                bond_switch: pin(),
                bridge_pos: pin(),
                bridge_neg: pin(),
                inject: pin(),
                lamp: pin(),
                buzzer: pin(),
                contactor_feedback: feedback.clone(),
                reset: reset.clone(),
                arm: arm.clone(),
            },
            flash: RamFlash::default(),
            link: line.clone(),
            memory: Memory::new(),
        };
        let identity = Identity {
            board: setup.board,
            boot: setup.boot,
            reason: setup.reason,
            sample_rate_hz: setup.sample_rate_hz,
            epoch_unix_ms: setup.epoch_unix_ms,
        };
        let Ok(board) = Board::start(parts, identity, setup.settings, setup.calibration) else {
            panic!("starts");
        };
        Self {
            board,
            next,
            feedback,
            reset,
            arm,
            line,
        }
    }

    fn turn(&mut self, sample: Sample, inputs: &Inputs) -> Outputs {
        self.next.0.set(sample);
        self.feedback.set(inputs.contactor_feedback);
        self.reset.set(inputs.reset);
        self.arm.set(inputs.arm);
        self.board.turn().unwrap_or_else(|_| panic!("turns"))
    }

    fn flash(&self) -> Vec<u8> {
        let mut flash = self.board.flash().clone();
        let mut bytes = vec![0; flash.capacity()];
        flash.read(0, &mut bytes).expect("reads");
        bytes
    }
}

/// Both, side by side.
struct Pair {
    linked: Linked,
    image: Image,
    waiting: Vec<(Sample, u16)>,
    expected: Vec<Outputs>,
    decoder: Decoder,
    outputs: Outputs,
    answers: Vec<Answer>,
    events: Vec<Event>,
    readings: Vec<Reading>,
    link_bytes: usize,
    samples: u64,
}

impl Pair {
    fn start(path: &std::path::Path, setup: &Setup) -> Self {
        let linked = Linked::start(setup);
        let mut image = Image::start(path, setup).unwrap_or_else(|why| panic!("{why}"));
        // A host that asks who is there: then the board sends readings.
        let protocol = PROTOCOL_VERSION;
        let mut frame = [0; MAX_FRAME];
        let len = encode(&Message::HelloAsk { protocol }, &mut frame).expect("fits");
        linked.line.put(&frame[..len]);
        image.send(&frame[..len]).expect("sends");
        Self {
            linked,
            image,
            waiting: Vec::new(),
            expected: Vec::new(),
            decoder: Decoder::new(),
            outputs: Outputs::default(),
            answers: Vec::new(),
            events: Vec::new(),
            readings: Vec::new(),
            link_bytes: 0,
            samples: 0,
        }
    }

    fn sample(&mut self, sample: Sample, inputs: &Inputs) -> Outputs {
        self.outputs = self.linked.turn(sample, inputs);
        self.waiting.push((sample, bits_of(inputs)));
        self.expected.push(self.outputs);
        self.samples += 1;
        if self.waiting.len() == BATCH {
            self.compare();
        }
        self.outputs
    }

    /// Gives the image what the linked firmware has had, and compares all that both did; the host acknowledges.
    fn compare(&mut self) {
        let answers = self
            .image
            .step(&std::mem::take(&mut self.waiting))
            .unwrap_or_else(|why| panic!("{why}"));
        let first = self.samples - answers.len() as u64;
        for (n, (answer, expected)) in answers.iter().zip(self.expected.drain(..)).enumerate() {
            let at = first + n as u64;
            assert_eq!(
                outputs_of(answer.outputs),
                expected,
                "outputs of sample {at}"
            );
        }
        self.answers.extend(answers);
        let linked = self.linked.line.take();
        let image = self
            .image
            .take_output()
            .unwrap_or_else(|why| panic!("{why}"));
        self.link_bytes += linked.len();
        let (events, readings, mut acks) = (&mut self.events, &mut self.readings, Vec::new());
        let mut decode = |bytes: &[u8], keep: bool, decoder: &mut Decoder| {
            let mut words = Vec::new();
            decoder.feed(bytes, |message| {
                let message = message.expect("sound");
                words.push(format!("{message:?}"));
                match message {
                    Message::Event(event) if keep => {
                        events.push(event);
                        acks.push(event.id);
                    }
                    Message::Reading(reading) | Message::RunReading { reading, .. } if keep => {
                        readings.push(reading);
                    }
                    _ => {}
                }
            });
            words
        };
        if linked != image {
            let a = decode(&linked, false, &mut Decoder::new());
            let b = decode(&image, false, &mut Decoder::new());
            let apart = a.iter().zip(&b).find(|(a, b)| a != b);
            panic!(
                "link before sample {}: {} and {} bytes, linked and image: {apart:#?}",
                self.samples,
                linked.len(),
                image.len()
            );
        }
        decode(&linked, true, &mut self.decoder);
        for id in acks {
            let mut frame = [0; MAX_FRAME];
            let len = encode(&Message::Ack(Ack::Event(id)), &mut frame).expect("fits");
            self.linked.line.put(&frame[..len]);
            self.image.send(&frame[..len]).expect("sends");
        }
    }

    /// Compares the last samples and flash; tells what has been compared, and what it cost.
    fn end(mut self, name: &str) -> (Vec<Event>, Vec<Reading>) {
        self.compare();
        assert!(
            self.linked.flash() == self.image.flash().expect("reads"),
            "flash differs"
        );
        println!(
            "{name}: {} samples, {} events, {} readings, {} bytes on the link, the same to the bit",
            self.samples,
            self.events.len(),
            self.readings.len(),
            self.link_bytes
        );
        print!("{}", cost(&self.answers));
        (self.events, self.readings)
    }
}

/// Ticks as instructions: the emulator takes 64 ns for each (`-icount shift=6`).
fn instructions(ticks: u64) -> u64 {
    ticks * 1_000_000_000 / u64::from(TICKS_HZ) / 64
}

fn cost(answers: &[Answer]) -> String {
    let mean = |ticks: &dyn Fn(&Answer) -> u32| {
        let sum: u64 = answers.iter().map(|a| u64::from(ticks(a))).sum();
        instructions(sum / answers.len().max(1) as u64)
    };
    let worst = |ticks: &dyn Fn(&Answer) -> u32| {
        instructions(u64::from(answers.iter().map(ticks).max().unwrap_or(0)))
    };
    format!(
        "  instructions: decision mean {}, worst {}; with flash and link mean {}, worst {}\n",
        mean(&|a| a.decide_ticks),
        worst(&|a| a.decide_ticks),
        mean(&|a| a.turn_ticks),
        worst(&|a| a.turn_ticks),
    )
}

/// A case's surroundings for so many seconds: the array connects, then the current and the leakage of the case.
fn play(pair: &mut Pair, around: &mut Around, seconds: f64) {
    for _ in 0..(seconds * f64::from(RATE)) as u64 {
        let codes = around.step(&pair.outputs);
        let inputs = Inputs {
            contactor_feedback: around.contactor_closed(),
            reset: false,
            arm: false,
        };
        let lost_before = 0;
        pair.sample(Sample { codes, lost_before }, &inputs);
    }
}

fn surroundings(waveform: &Waveform, settings: &Settings, leakage: Leakage, seed: u64) -> Around {
    Around::new(&Surroundings {
        waveform,
        settings,
        calibration: &Calibration::REFERENCE,
        sensors: sensors(waveform),
        contactor: ContactorSettings::default(),
        leakage,
        seed,
    })
}

/// From the start through self-test, insulation cycle and connection, then each of the bench's sudden, slow and noisy currents
/// that is picked here.
#[test]
fn faults_and_disturbances_are_the_same_to_the_bit() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let cases = matrix::all();
    let mut groups = Vec::new();
    let mut tripped = 0;
    for case in &cases {
        // One of each group: group names are the questions that the bench asks. Spoilt words and missed samples are the
        // bench's own doing, not its surroundings'.
        if groups.contains(&case.group) || !case.troubles.is_empty() {
            continue;
        }
        groups.push(case.group);
        let setup = setup(case.settings, case.calibration, case.start);
        let mut pair = Pair::start(&path, &setup);
        let mut around = Around::new(&Surroundings {
            waveform: &case.waveform,
            settings: &case.settings,
            calibration: &case.calibration,
            sensors: sensors(&case.waveform),
            contactor: ContactorSettings::default(),
            leakage: case.before,
            seed: case.seed,
        })
        .welded(case.welded);
        for _ in 0..60 {
            if pair.outputs.contactor {
                break;
            }
            play(&mut pair, &mut around, 1.0);
        }
        play(&mut pair, &mut around, 2.0);
        around.player.arm();
        around.leakage = case.after;
        play(&mut pair, &mut around, case.watch_s.min(5.0) + 0.1);
        let (events, _) = pair.end(&case.name);
        tripped += u32::from(
            events
                .iter()
                .any(|e| matches!(e.kind, EventKind::Tripped { .. })),
        );
    }
    assert!(groups.len() > 30 && tripped > 5, "{tripped} of {groups:?}");
}

/// Four minutes of an invented morning: dawn is over, the array connects, a surge, a hard fault. A whole day is 345 million
/// samples, an hour or more of emulation.
#[test]
fn an_invented_morning_is_the_same_to_the_bit() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let scenario = Scenario::parse("morning", MORNING).unwrap_or_else(|why| panic!("{why}"));
    let setup = Setup {
        board: scenario.board.id,
        boot: scenario.board.boot,
        reason: StartReason::PowerOn,
        sample_rate_hz: scenario.board.sample_rate_hz,
        epoch_unix_ms: None,
        settings: scenario.settings,
        calibration: Calibration::REFERENCE,
    };
    let mut world = World::new(&scenario, &Calibration::REFERENCE).expect("sound");
    let mut pair = Pair::start(&path, &setup);
    while world.now() < world.end() {
        let o = pair.outputs;
        let sensed = world
            .step(&Switches {
                contactor: o.contactor,
                bond_open: o.bond_switch,
                bridge_pos: o.bridge_pos,
                bridge_neg: o.bridge_neg,
                inject: o.inject,
            })
            .expect("solves");
        let inputs = Inputs {
            contactor_feedback: sensed.contactor_feedback,
            reset: sensed.reset,
            arm: sensed.arm,
        };
        pair.sample(
            Sample {
                codes: sensed.codes,
                lost_before: 0,
            },
            &inputs,
        );
    }
    let (events, readings) = pair.end("an invented morning");
    assert!(
        events
            .iter()
            .any(|e| matches!(e.kind, EventKind::Tripped { .. })),
        "{events:?}"
    );
    assert!(
        readings
            .iter()
            .any(|r| matches!(r.insulation, Insulation::Measured { .. })),
        "no insulation measured"
    );
}

/// Runs until the array is connected.
fn connected(path: &std::path::Path) -> (Image, Around) {
    let settings = Settings::SMALL_BONDED;
    let quiet = Waveform::quiet(50.0);
    let setup = setup(settings, Calibration::REFERENCE, StartReason::PowerOn);
    let mut image = Image::start(path, &setup).unwrap_or_else(|why| panic!("{why}"));
    let mut around = surroundings(&quiet, &settings, Leakage::HEALTHY, 1);
    let mut outputs = Outputs::default();
    for _ in 0..90 * RATE {
        let answered = one(&mut image, &mut around, outputs, 0);
        outputs = answered.unwrap_or_else(|why| {
            let _ = image.wait_for_start();
            let _ = image.step(&[(Sample::default(), 0); 100]);
            let kinds = events(&mut image, &mut Decoder::new());
            panic!("{why}; then {kinds:?}; line {:?}", image.panic_line())
        });
        if outputs.contactor {
            break;
        }
    }
    assert!(outputs.contactor, "connects");
    (image, around)
}

/// One sample in a closed loop with the image alone.
fn one(
    image: &mut Image,
    around: &mut Around,
    outputs: Outputs,
    failure: u16,
) -> Result<Outputs, ImageError> {
    let sample = Sample {
        codes: around.step(&outputs),
        lost_before: 0,
    };
    let inputs = Inputs {
        contactor_feedback: around.contactor_closed(),
        reset: false,
        arm: false,
    };
    let answers = image.step(&[(sample, bits_of(&inputs) | failure)])?;
    Ok(outputs_of(answers[0].outputs))
}

fn events(image: &mut Image, decoder: &mut Decoder) -> Vec<EventKind> {
    let mut kinds = Vec::new();
    decoder.feed(&image.take_output().expect("hears"), |message| {
        if let Ok(Message::Event(event)) = message {
            kinds.push(event.kind);
        }
    });
    kinds
}

/// Every way in which the firmware can fail opens the contactor, and the next start says why and stays tripped.
#[test]
fn every_failure_opens_the_contactor_and_is_told_after_the_restart() {
    let Some(path) = image_in("OHMWARD_IMAGE_FAULTS") else {
        return;
    };
    for (name, failure, reason, trips) in [
        ("panic", input::PANIC, StartReason::Panic, true),
        (
            "hard fault",
            input::HARD_FAULT,
            StartReason::HardFault,
            true,
        ),
        ("hang", input::HANG, StartReason::Watchdog, true),
        ("deaf hang", input::DEAF_HANG, StartReason::Watchdog, true),
        (
            "stack overflow",
            input::STACK_OVERFLOW,
            StartReason::StackOverflow,
            true,
        ),
        ("brown-out", input::SUPPLY_LOW, StartReason::BrownOut, false),
    ] {
        let (mut image, mut around) = connected(&path);
        assert_ne!(
            image.pins().expect("reads") & output::CONTACTOR,
            0,
            "{name}"
        );
        let driven = outputs_of(image.pins().expect("reads"));
        let starts = image.starts().expect("reads");
        let failed = one(&mut image, &mut around, driven, failure);
        let Err(ImageError::Restarted { outputs, .. }) = failed else {
            panic!("{name}: {failed:?}");
        };
        assert_eq!(outputs, 0, "{name}: outputs right after");
        image
            .wait_for_start()
            .unwrap_or_else(|why| panic!("{name}: {why}"));
        assert_eq!(
            image.starts().expect("reads"),
            starts + 1,
            "{name}: one restart"
        );
        assert_eq!(
            image.panic_line().expect("reads") > 0,
            name == "panic",
            "{name}"
        );
        let mut outputs = Outputs::default();
        let mut decoder = Decoder::new();
        let mut kinds = Vec::new();
        for _ in 0..2 * RATE {
            outputs = one(&mut image, &mut around, outputs, 0)
                .unwrap_or_else(|why| panic!("{name}: {why}"));
            assert!(!outputs.contactor, "{name}: closed again by itself");
            kinds.extend(events(&mut image, &mut decoder));
        }
        assert!(
            kinds.iter().any(
                |kind| matches!(kind, EventKind::Started { reason: told, .. } if *told == reason)
            ),
            "{name}: {kinds:?}"
        );
        let restarted = kinds.iter().any(|kind| {
            matches!(kind, EventKind::Tripped { cause: TripCause::Restarted(told), .. } if *told == reason)
        });
        assert_eq!(restarted, trips, "{name}: {kinds:?}");
        println!("{name}: outputs off, started again because of {reason:?}");
    }
}

/// An image that is not built for it does not fail when a sample says so.
#[test]
fn the_image_for_use_takes_no_failures() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let (mut image, mut around) = connected(&path);
    let driven = outputs_of(image.pins().expect("reads"));
    let all =
        input::PANIC | input::HARD_FAULT | input::HANG | input::DEAF_HANG | input::STACK_OVERFLOW;
    let outputs = one(&mut image, &mut around, driven, all).unwrap_or_else(|why| panic!("{why}"));
    assert!(outputs.contactor);
    // A supply that goes away leaves flash, and no reason behind.
    image.cycle_power().unwrap_or_else(|why| panic!("{why}"));
    assert_eq!(image.pins().expect("reads"), 0);
    let mut decoder = Decoder::new();
    let mut kinds = Vec::new();
    let mut outputs = Outputs::default();
    for _ in 0..100 {
        outputs = one(&mut image, &mut around, outputs, 0).unwrap_or_else(|why| panic!("{why}"));
        kinds.extend(events(&mut image, &mut decoder));
    }
    assert!(
        kinds.iter().any(|kind| matches!(
            kind,
            EventKind::Started {
                reason: StartReason::PowerOn,
                ..
            }
        )),
        "{kinds:?}"
    );
}

#[test]
fn what_is_missing_is_told_in_one_line() {
    let setup = setup(
        Settings::SMALL_BONDED,
        Calibration::REFERENCE,
        StartReason::PowerOn,
    );
    let missing = Image::start(std::path::Path::new("no-such-image"), &setup);
    let words = missing.expect_err("refused").to_string();
    assert!(
        words.starts_with("cannot read the image no-such-image") && !words.contains('\n'),
        "{words}"
    );
}
