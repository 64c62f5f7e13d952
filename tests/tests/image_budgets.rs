//! What the firmware may cost on a chip, measured on the image in the emulator: flash, RAM, stack, the longest decision and the
//! longest turn.
//!
//! A sample comes every 250 µs at 4 kS/s: 31 250 instructions of a core at 125 MHz, if each took one cycle. The emulated
//! Cortex-M4F has an FPU for `f32`; a Cortex-M0+ has none, and takes some 90 cycles for an operation in `f32`, 250 in `f64`
//! (common practice, no source). So what may be decided in a sample is a quarter of that here. Outputs are driven at the end
//! of the decision, a trip's too; flash and link come after it.
//!
//! `.ci/run` builds the image and names it in `OHMWARD_IMAGE`.

use ohmward::bench::around::{Around, Parts as Surroundings, sensors};
use ohmward::bench::case::Case;
use ohmward::bench::matrix;
use ohmward::sim::image::{Image, bits_of, outputs_of};
use ohmward_core::{CAPTURE_BYTES, Inputs, Outputs, Sample};
use ohmward_plant::contactor::ContactorSettings;
use ohmward_proto::emulated::{Answer, Setup, TICKS_HZ};
use ohmward_proto::event::EventId;
use ohmward_proto::message::{Ack, Acks, BoardId, Command, Message};
use ohmward_proto::settings::Settings;
use ohmward_proto::{Decoder, EventKind, MAX_FRAME, PROTOCOL_VERSION, encode};
use ohmward_tests::emulated::image_in;
use ohmward_tests::measured;

const RATE: u64 = 4000;
/// The aims, and what breaks the build.
const FLASH_MAX: u64 = 96 * 1024;
/// Besides the captured waveforms: variables, the board's state and the deepest stack.
const RAM_MAX: u64 = 32 * 1024;
const STACK_MAX: u64 = 13 * 1024;
/// Instructions from a sample to its outputs.
const DECISION_MAX: u64 = 8_000;
/// Instructions of a whole turn, flash and link included: a sample's time at 125 MHz.
const TURN_MAX: u64 = 31_250;

/// Ticks as instructions: the emulator takes 64 ns for each (`-icount shift=6`).
fn instructions(ticks: u32) -> u64 {
    u64::from(ticks) * 1_000_000_000 / u64::from(TICKS_HZ) / 64
}

/// A board, its surroundings, and a host that keeps what it is told.
struct Story {
    image: Image,
    around: Around,
    outputs: Outputs,
    decoder: Decoder,
    answers: Vec<Answer>,
    events: Vec<EventKind>,
    readings: u32,
    capture: Option<(EventId, u16)>,
    captures: u32,
}

impl Story {
    fn begin(path: &std::path::Path, case: &Case, settings: &Settings) -> Self {
        let setup = Setup {
            board: BoardId(7),
            boot: 1,
            reason: case.start,
            sample_rate_hz: RATE as u32,
            epoch_unix_ms: None,
            settings: *settings,
            calibration: case.calibration,
        };
        let mut image = Image::start(path, &setup).unwrap_or_else(|why| panic!("{why}"));
        image
            .send(&frame(&Message::HelloAsk {
                protocol: PROTOCOL_VERSION,
            }))
            .expect("sends");
        Self {
            image,
            around: Around::new(&Surroundings {
                waveform: &case.waveform,
                settings,
                calibration: &case.calibration,
                sensors: sensors(&case.waveform),
                contactor: ContactorSettings::default(),
                leakage: case.before,
                seed: case.seed,
            }),
            outputs: Outputs::default(),
            decoder: Decoder::new(),
            answers: Vec::new(),
            events: Vec::new(),
            readings: 0,
            capture: None,
            captures: 0,
        }
    }

    fn sample(&mut self, reset: bool) {
        let inputs = Inputs {
            contactor_feedback: self.around.contactor_closed(),
            reset,
            arm: true,
        };
        let sample = Sample {
            codes: self.around.step(&self.outputs),
            lost_before: 0,
        };
        let answers = self
            .image
            .step(&[(sample, bits_of(&inputs))])
            .unwrap_or_else(|why| panic!("{why}"));
        self.outputs = outputs_of(answers[0].outputs);
        self.answers.extend(answers);
        if self.answers.len().is_multiple_of(100) {
            self.listen();
        }
    }

    fn run(&mut self, seconds: f64) {
        for _ in 0..(seconds * RATE as f64) as u64 {
            self.sample(false);
        }
    }

    /// Acknowledges events singly and captures as a whole, as a host does.
    fn listen(&mut self) {
        let bytes = self.image.take_output().expect("hears");
        let mut answer = Vec::new();
        let (events, readings) = (&mut self.events, &mut self.readings);
        let (capture, captures) = (&mut self.capture, &mut self.captures);
        self.decoder.feed(&bytes, |message| match message {
            Ok(Message::Event(event)) => {
                events.push(event.kind);
                answer.extend(frame(&Message::Ack(Ack::Event(event.id))));
            }
            Ok(Message::Reading(_) | Message::RunReading { .. }) => *readings += 1,
            Ok(Message::CaptureHead(head)) => *capture = Some((head.event, head.samples)),
            Ok(Message::CapturePart(part)) => {
                if let Some((event, samples)) = *capture
                    && event == part.event
                    && part.offset + part.codes.len() as u16 >= samples
                {
                    *captures += 1;
                    answer.extend(frame(&Message::Ack(Ack::Capture(event))));
                }
            }
            Ok(_) => {}
            Err(why) => panic!("{why}"),
        });
        self.image.send(&answer).expect("sends");
    }

    fn say(&mut self, message: &Message) {
        self.image.send(&frame(message)).expect("sends");
    }

    /// All that a host may say, all at once, and a kilobyte of noise behind it.
    fn talk(&mut self, settings: &Settings) {
        for message in [
            Message::SettingsGet,
            Message::LinkStatsAsk,
            Message::SettingsPut(*settings),
            Message::Command(Command::MeasureInsulation),
            Message::Acks(Acks {
                board: BoardId(7),
                first: EventId { boot: 1, seq: 0 },
                more: u64::MAX,
            }),
        ] {
            self.say(&message);
        }
        for token in 0..64 {
            self.say(&Message::TimeAsk { token });
        }
        let noise: Vec<u8> = (0..1024_u32).map(|n| (n * 37 % 251 + 1) as u8).collect();
        self.image.send(&noise).expect("sends");
        self.image.send(&[0]).expect("sends");
    }
}

fn frame(message: &Message) -> Vec<u8> {
    let mut frame = [0; MAX_FRAME];
    let len = encode(message, &mut frame).expect("fits");
    frame[..len].to_vec()
}

/// Bytes of an ELF file's sections that a chip's flash holds, and that its RAM holds, without the stack.
fn sizes(elf: &[u8]) -> (u64, u64) {
    let half = |at: usize| u64::from(u16::from_le_bytes([elf[at], elf[at + 1]]));
    let word = |at: usize| {
        u64::from(u32::from_le_bytes(
            elf[at..at + 4].try_into().expect("four"),
        ))
    };
    assert_eq!(&elf[..5], b"\x7fELF\x01", "an ELF file of 32 bits");
    // Program headers (System V ABI, object files): loaded ones by where they are.
    let (first, each, count) = (word(28) as usize, half(42) as usize, half(44) as usize);
    let (mut flash, mut ram) = (0, 0);
    for header in (0..count).map(|n| first + n * each) {
        if word(header) != 1 {
            continue;
        }
        flash += word(header + 16);
        if word(header + 8) >= 0x2000_0000 {
            ram += word(header + 20);
        }
    }
    (flash, ram)
}

/// From a blank board over self-test, insulation cycle, connection, a talkative host, a check under way and a surge with a fault
/// to the latch, its captures on the host, and a reset.
#[test]
fn the_image_fits_a_chip() {
    let Some(path) = image_in("OHMWARD_IMAGE") else {
        return;
    };
    let (flash, ram) = sizes(&std::fs::read(&path).expect("reads"));
    let cases = matrix::all();
    let (mut decision, mut turn, mut stack) = (0, 0, 0);
    // With a bond, which is opened for a check; and without one, at 1000 V.
    for name in [
        "surge-and-fault/60a-30ma-dc",
        "insulation/unearthed-1000v-falls-to-half-at0",
    ] {
        let case = cases.iter().find(|case| case.name == name);
        let case = case.unwrap_or_else(|| panic!("no case {name}"));
        // A line of the log each second, and a spectrum with some of them.
        let settings = Settings {
            reading_every_ms: 1000,
            ..case.settings
        };
        let mut story = Story::begin(&path, case, &settings);
        for _ in 0..90 {
            if story.outputs.contactor {
                break;
            }
            story.run(1.0);
        }
        assert!(story.outputs.contactor, "{name}: {:?}", story.events);
        story.talk(&settings);
        story.run(10.0);
        story.around.player.arm();
        story.around.leakage = case.after;
        story.run(5.0);
        story.say(&Message::Command(Command::Trip));
        story.run(20.0);
        story.around.leakage = case.before;
        story.run(20.0);
        story.sample(true);
        story.run(5.0);
        let tripped = |kind: &EventKind| matches!(kind, EventKind::Tripped { .. });
        assert!(story.events.iter().any(tripped), "{name}");
        assert!(
            story.captures > 0 && story.readings > 20,
            "{name}: {} {} {:?}",
            story.captures,
            story.readings,
            story.events
        );
        let worst = |of: fn(&Answer) -> u32| {
            let ticks = story.answers.iter().map(of).max();
            instructions(ticks.unwrap_or(0))
        };
        let (decides, turns) = (worst(|a| a.decide_ticks), worst(|a| a.turn_ticks));
        let (used, _) = story.image.stack().expect("reads");
        measured(format_args!(
            "{name}: {} samples, longest decision {decides} instructions, longest turn {turns}, stack {used} bytes",
            story.answers.len()
        ));
        decision = decision.max(decides);
        turn = turn.max(turns);
        stack = stack.max(u64::from(used));
    }
    let besides = ram + stack - CAPTURE_BYTES as u64;
    let budgets = [
        ("flash, bytes", flash, FLASH_MAX),
        ("RAM besides captures, bytes", besides, RAM_MAX),
        ("deepest stack, bytes", stack, STACK_MAX),
        ("longest decision, instructions", decision, DECISION_MAX),
        ("longest turn, instructions", turn, TURN_MAX),
    ];
    for (what, is, most) in budgets {
        measured(format_args!("budget: {what}: {is} of {most}"));
    }
    let over: Vec<_> = budgets
        .iter()
        .filter(|(_, is, most)| is > most)
        .map(|(what, is, most)| format!("{what}: {is}, {most} at most"))
        .collect();
    assert!(over.is_empty(), "{}", over.join("; "));
}
