//! The image for an RP2040 in rp2040js, a general emulator of that chip: boots, tests itself, measures insulation, connects,
//! trips, stays tripped, and comes back from every failure with its outputs off.
//!
//! `.ci/run` builds the image, names it in `OHMWARD_PICO` and installs the emulator where `NODE_PATH` says.
//! `tests/emulator/rp2040.cjs` adds what the emulator lacks; the world is the bench's, a sample at a time. The emulator
//! counts cycles as a Cortex-M0+ takes them and models the cache before flash; it has no analog noise and no real flash chip.

use ohmward::bench::around::{Around, Parts, sensors};
use ohmward::bench::array::Leakage;
use ohmward::bench::waveform::{Part, Shape, Waveform};
use ohmward_core::Outputs;
use ohmward_plant::contactor::ContactorSettings;
use ohmward_proto::event::{EventKind, StartReason, TripCause};
use ohmward_proto::measure::{BondCurrent, TripState};
use ohmward_proto::message::{Ack, BoardId, Hello, Message};
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::{Decoder, Event, Insulation, MAX_FRAME, PROTOCOL_VERSION, Reading, encode};
use ohmward_tests::measured;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

const RATE: usize = 4000;
/// GPIO numbers: `firmware/boards/pico/src/pins.rs`.
const CONTACTOR: u32 = 2;
const INJECT: u32 = 6;
const FEEDBACK: u32 = 10;
const RESET: u32 = 11;
/// `firmware/boards/pico/src/front_end.rs`.
const CALIBRATION: Calibration = Calibration {
    rail_low: -31_000,
    rail_high: 31_000,
    ..Calibration::REFERENCE
};
/// 125 MHz over 4 kS/s.
const CYCLES_A_SAMPLE: u32 = 31_250;

/// What the emulator makes happen: bits of `HAPPENS` in `rp2040.cjs`.
mod happens {
    pub const HARD_FAULT: u16 = 1;
    pub const HANG: u16 = 2;
    pub const MARK_GONE: u16 = 4;
    pub const SUPPLY_GONE: u16 = 8;
    pub const SUPPLY_SAGS: u16 = 16;
    pub const OVERRUN: u16 = 32;
    pub const STALL: u16 = 64;
}

/// The image, and the emulator with it; `None` where they are not.
fn image() -> Option<PathBuf> {
    let path = std::env::var_os("OHMWARD_PICO").map(PathBuf::from);
    assert!(
        path.is_some() || std::env::var_os("OHMWARD_REQUIRE_TOOLS").is_none(),
        "OHMWARD_PICO names no image: bash .ci/run builds it"
    );
    path
}

/// What the emulator says before a sample.
struct Asked {
    outputs: u32,
    starts: u32,
    at_us: f64,
    /// The contactor's pin was let go of last.
    fell_us: f64,
    worked_cycles: u32,
    waited_cycles: u32,
    lowest_stack: u32,
}

impl Asked {
    fn drives(&self, pin: u32) -> bool {
        self.outputs >> pin & 1 == 1
    }
}

/// The chip with the array around it, and the host at its link.
struct Bench {
    child: Child,
    to: ChildStdin,
    from: ChildStdout,
    around: Around,
    decoder: Decoder,
    asked: Asked,
    /// Bytes for the link, and how often the reset button is pressed.
    say: Vec<u8>,
    reset: bool,
    hellos: Vec<Hello>,
    events: Vec<Event>,
    readings: Vec<Reading>,
    /// Samples that the converter was ahead of each reading when that came.
    lags: Vec<i64>,
    first_us: f64,
    damaged: u32,
    /// Cycles of each sample.
    work: Vec<u32>,
    waited: Vec<u32>,
    /// Every output that was ever driven before the contactor.
    before_closing: u32,
}

impl Drop for Bench {
    fn drop(&mut self) {
        // It may be gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Bench {
    fn start(image: &Path, waveform: &Waveform, leakage: Leakage) -> Self {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("emulator/rp2040.cjs");
        let mut child = Command::new("node")
            .arg(script)
            .arg(image)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("node is there: apt-get install nodejs");
        let (Some(to), Some(from)) = (child.stdin.take(), child.stdout.take()) else {
            unreachable!("both are piped")
        };
        let settings = Settings::SMALL_BONDED;
        let around = Around::new(&Parts {
            waveform,
            settings: &settings,
            calibration: &CALIBRATION,
            sensors: sensors(waveform),
            contactor: ContactorSettings::default(),
            leakage,
            seed: 1,
        });
        let mut bench = Self {
            child,
            to,
            from,
            around,
            decoder: Decoder::new(),
            asked: Asked {
                outputs: 0,
                starts: 0,
                at_us: 0.0,
                fell_us: 0.0,
                worked_cycles: 0,
                waited_cycles: 0,
                lowest_stack: 0,
            },
            say: Vec::new(),
            reset: false,
            hellos: Vec::new(),
            events: Vec::new(),
            readings: Vec::new(),
            lags: Vec::new(),
            first_us: 0.0,
            damaged: 0,
            work: Vec::new(),
            waited: Vec::new(),
            before_closing: 0,
        };
        bench.hear();
        bench.first_us = bench.asked.at_us;
        // A host that asks who is there: then the board sends readings.
        bench.tell(&Message::HelloAsk {
            protocol: PROTOCOL_VERSION,
        });
        bench
    }

    fn tell(&mut self, message: &Message) {
        let mut frame = [0; MAX_FRAME];
        let len = encode(message, &mut frame).expect("fits");
        self.say.extend(&frame[..len]);
    }

    /// What the chip says before the next sample; every new event is acknowledged.
    fn hear(&mut self) {
        let mut head = [0; 38];
        if let Err(why) = self.from.read_exact(&mut head) {
            panic!("the emulator has stopped: {why}; {:?}", self.child.wait());
        }
        let word = |at: usize| u32::from_le_bytes(head[at..at + 4].try_into().expect("four"));
        let us = |at: usize| f64::from_le_bytes(head[at..at + 8].try_into().expect("eight"));
        self.asked = Asked {
            outputs: word(0),
            starts: word(4),
            at_us: us(8),
            fell_us: us(16),
            worked_cycles: word(24),
            waited_cycles: word(28),
            lowest_stack: word(32),
        };
        let mut bytes = vec![0; usize::from(u16::from_le_bytes([head[36], head[37]]))];
        self.from.read_exact(&mut bytes).expect("reads");
        let mut acks = Vec::new();
        let (hellos, events, readings) = (&mut self.hellos, &mut self.events, &mut self.readings);
        let (damaged, lags) = (&mut self.damaged, &mut self.lags);
        let samples = ((self.asked.at_us - self.first_us) * RATE as f64 / 1e6).round() as i64;
        self.decoder.feed(&bytes, |message| match message {
            Ok(Message::Hello(hello)) => hellos.push(hello),
            Ok(Message::Event(event)) => {
                acks.push(Ack::Event(event.id));
                if !events.contains(&event) {
                    events.push(event);
                }
            }
            Ok(Message::Reading(reading) | Message::RunReading { reading, .. }) => {
                lags.push(samples - reading.at.0 as i64);
                readings.push(reading);
            }
            Ok(_) => {}
            Err(_) => *damaged += 1,
        });
        for ack in acks {
            self.tell(&Message::Ack(ack));
        }
    }

    /// One sample.
    fn sample(&mut self, what: u16) {
        let on = |pin| self.asked.drives(pin);
        let outputs = Outputs {
            contactor: on(CONTACTOR),
            bond_switch: on(3),
            bridge_pos: on(4),
            bridge_neg: on(5),
            inject: on(INJECT),
            lamp: on(7),
            buzzer: on(8),
        };
        let codes = self.around.step(&outputs);
        let inputs =
            u32::from(self.around.contactor_closed()) << FEEDBACK | u32::from(self.reset) << RESET;
        // The emulator's buffer for the line is short, as a host's is.
        let say: Vec<u8> = self.say.drain(..self.say.len().min(256)).collect();
        let mut answer = Vec::new();
        for code in [codes.i_fine, codes.i_wide, codes.v_pos, codes.v_neg] {
            answer.extend(code.to_le_bytes());
        }
        answer.extend(inputs.to_le_bytes());
        answer.extend(what.to_le_bytes());
        answer.extend((say.len() as u16).to_le_bytes());
        answer.extend(say);
        self.to.write_all(&answer).expect("writes");
        self.hear();
        self.work.push(self.asked.worked_cycles);
        self.waited.push(self.asked.waited_cycles);
        if !self.around.contactor_closed() && !self.asked.drives(CONTACTOR) {
            self.before_closing |= self.asked.outputs;
        }
    }

    fn samples(&mut self, count: usize) {
        for _ in 0..count {
            self.sample(0);
        }
    }

    fn said(&self, which: impl Fn(&EventKind) -> bool) -> Option<&Event> {
        self.events.iter().find(|event| which(&event.kind))
    }

    /// Through self-test and insulation check to a closed contactor.
    fn connect(&mut self) {
        for _ in 0..10 * RATE {
            if self.said(|kind| *kind == EventKind::Connected).is_some() {
                assert!(self.asked.drives(CONTACTOR));
                return;
            }
            self.sample(0);
        }
        panic!(
            "not connected after {:.1} s: {:?}",
            self.asked.at_us / 1e6,
            self.events
        );
    }

    /// Something happens; the chip starts again with its outputs off, and says why.
    fn fails(&mut self, name: &str, what: u16, expected: StartReason) {
        let (starts, from_us, boot) = (
            self.asked.starts,
            self.asked.at_us,
            self.hellos.last().map_or(0, |hello| hello.boot),
        );
        self.sample(what);
        for _ in 0..RATE {
            if self.asked.starts > starts {
                break;
            }
            self.sample(0);
        }
        assert_eq!(self.asked.starts, starts + 1, "{name}: one start");
        assert_eq!(self.asked.outputs, 0, "{name}: outputs after it");
        let after_ms = (self.asked.at_us - from_us) / 1e3;
        self.decoder = Decoder::new();
        self.samples(RATE / 4);
        let told = self.events.iter().rev().find_map(|event| match event.kind {
            EventKind::Started { reason, .. } => Some((event.id.boot, reason)),
            _ => None,
        });
        assert_eq!(told, Some((boot + 1, expected)), "{name}");
        assert!(!self.asked.drives(CONTACTOR), "{name}: closed by itself");
        measured(format_args!(
            "{name}: samples again after {after_ms:.1} ms, {expected:?}"
        ));
    }
}

/// Both poles, each by its own input.
fn array_v(reading: &Reading) -> Option<f32> {
    Some(reading.v_pos?.0 - reading.v_neg?.0)
}

/// Samples in a row without a rest: what came meanwhile waited.
fn longest_without_rest(work: &[u32]) -> usize {
    work.split(|&cycles| cycles < CYCLES_A_SAMPLE - 250)
        .map(<[u32]>::len)
        .max()
        .unwrap_or(0)
}

/// Where the stack begins, and its room: `firmware/boards/pico/memory.x`.
const STACK_START: u32 = 0x2000_6000;
const STACK_LEN: u32 = 24 * 1024;

/// Bytes in flash, of code in RAM, and of variables in RAM, by an ELF file's program headers (System V ABI, object files).
fn room(elf: &[u8]) -> (u32, u32, u32) {
    let word = |at: usize| u32::from_le_bytes(elf[at..at + 4].try_into().expect("four"));
    let (first, count) = (word(28) as usize, usize::from(elf[44]));
    let (mut flash, mut code, mut variables) = (0, 0, 0);
    for header in (0..count).map(|n| first + 32 * n) {
        let (loaded, address, in_file, in_memory) = (
            word(header) == 1,
            word(header + 8),
            word(header + 16),
            word(header + 20),
        );
        let executable = word(header + 24) & 1 == 1;
        if !loaded {
            continue;
        }
        flash += in_file;
        match address >> 24 {
            0x20 if executable => code += in_memory,
            0x20 => variables += in_memory,
            _ => {}
        }
    }
    (flash, code, variables)
}

fn mean(of: &[u32]) -> u32 {
    (of.iter().map(|n| u64::from(*n)).sum::<u64>() / of.len().max(1) as u64) as u32
}

/// The whole way of a board: out of the box, connected, a fault, latched, and then every way to fail.
#[test]
fn the_image_boots_connects_trips_and_survives() {
    let Some(path) = image() else {
        return;
    };
    // An invented array: 220 V, 1 MΩ to earth in all, and a fault of 200 mA that comes and stays.
    let fault = Part::Step {
        from_s: 0.0,
        to_s: None,
        shape: Shape::Dc,
        rms_a: 0.2,
    };
    let leakage = Leakage::of(220.0, 1e6, 0.3, 0.2e-6);
    let mut bench = Bench::start(&path, &Waveform::quiet(50.0).with(fault), leakage);
    let start_ms = bench.asked.at_us / 1e3;

    bench.connect();
    let hello = bench.hellos[0];
    // The number the emulated flash chip gives.
    assert_eq!(hello.board, BoardId(0x0102_0304_0506_0708));
    assert_eq!(hello.sample_rate_hz, RATE as u32);
    assert!(bench.before_closing >> INJECT & 1 == 1, "no self-test");
    let injected = bench.events.iter().find_map(|event| match event.kind {
        EventKind::SelfTestPassed { injected, .. } => Some(injected.0),
        _ => None,
    });
    // What the board is told to send through its sensor.
    assert!(
        injected.is_some_and(|a| (a - 0.1).abs() < 0.002),
        "{injected:?}"
    );
    measured(format_args!(
        "first sample after {start_ms:.1} ms, connected after {:.2} s",
        bench.asked.at_us / 1e6
    ));

    bench.samples(RATE + RATE / 4);
    let reading = bench.readings.last().copied().expect("a reading");
    assert_eq!(reading.state, TripState::Closed);
    let Insulation::Measured { leakage, .. } = reading.insulation else {
        panic!("{:?}", reading.insulation);
    };
    let r_ohm = 1.0 / (leakage.g_pos.0 + leakage.g_neg.0);
    // The aim of hardware-notes: ±5 % ± 1 kΩ.
    assert!((r_ohm - 1e6).abs() < 51e3, "{r_ohm}");
    let BondCurrent::Measured { dc, .. } = reading.i_bond else {
        panic!("{:?}", reading.i_bond);
    };
    // 220 V over the part of the leakage at the pole that is not bonded, out of earth into the array: g₊ = 0.3 µS.
    assert!((dc.0 + 66e-6).abs() < 200e-6, "{dc:?}");

    // From the first sample on there is the start's backlog to be worked off.
    let since_start = longest_without_rest(&bench.work);
    let quiet = bench.work.len() - RATE..;
    let without_rest = longest_without_rest(&bench.work[quiet.clone()]);
    measured(format_args!(
        "cycles a sample, resting {}, connected {} (waiting for flash {}), of {CYCLES_A_SAMPLE}; samples without a rest: {since_start} at the \
         start, {without_rest} connected",
        mean(&bench.work[RATE / 2..RATE]),
        mean(&bench.work[quiet.clone()]),
        mean(&bench.waited[quiet.clone()]),
    ));
    // What `nv` asks of a board, so that it catches up with a write to flash in as long again.
    assert!(mean(&bench.work[quiet]) <= CYCLES_A_SAMPLE / 2);
    // The ring holds 128 samples, and 8 of them are left alone.
    assert!(
        since_start < 120 && without_rest < 24,
        "{since_start}, {without_rest}"
    );

    let (flash, code, variables) = room(&std::fs::read(&path).expect("reads"));
    let stack = STACK_START - bench.asked.lowest_stack;
    measured(format_args!(
        "bytes: flash {flash}; RAM: code {code}, variables {variables} (the converter's ring of 16384 with them), stack {stack} of {STACK_LEN}"
    ));
    assert!(flash < 192 * 1024 && code > 10_000 && variables > 16_384);
    assert!((1024..STACK_LEN * 3 / 4).contains(&stack), "{stack}");

    bench.around.player.begin();
    let began_us = bench.asked.at_us;
    for _ in 0..RATE / 2 {
        bench.sample(0);
    }
    assert!(!bench.asked.drives(CONTACTOR), "{:?}", bench.events);
    let trip_ms = (bench.asked.fell_us - began_us) / 1e3;
    // IEC 62109-2:2011 Table 31 (value from memory): a sudden 150 mA within 40 ms.
    assert!((0.5..40.0).contains(&trip_ms), "{trip_ms} ms");
    let tripped = bench.said(|kind| matches!(kind, EventKind::Tripped { .. }));
    let Some(EventKind::Tripped { cause, .. }) = tripped.map(|event| event.kind) else {
        panic!("{:?}", bench.events);
    };
    measured(format_args!(
        "200 mA: contactor's pin low after {trip_ms:.2} ms, {cause:?}"
    ));
    assert!(
        bench
            .said(|kind| matches!(kind, EventKind::Opened { .. }))
            .is_some()
    );

    // A button alone does not bring it back: insulation has to have been measured since.
    bench.reset = true;
    bench.samples(RATE / 4);
    bench.reset = false;
    bench.samples(RATE / 4);
    assert!(!bench.asked.drives(CONTACTOR));
    assert!(
        bench
            .said(|kind| matches!(kind, EventKind::ResetRefused(_)))
            .is_some(),
        "{:?}",
        bench.events
    );
    assert_eq!(bench.damaged, 0, "frames damaged on the link");

    // The processor stands still for longer than the ring holds: 160 samples, of which 120 find a place. The rest is missed and
    // counted, so the board's counter keeps up with the converter's time.
    let lag = *bench.lags.last().expect("a reading");
    bench.sample(happens::STALL);
    bench.samples(RATE + RATE / 4);
    let after = *bench.lags.last().expect("a reading");
    assert!(
        (lag - after).abs() < 10,
        "{lag} then {after} samples behind"
    );

    // Conversions that were lost make the converter begin again, and the board goes on.
    let at = bench.readings.last().expect("a reading").at;
    bench.sample(happens::OVERRUN);
    bench.samples(RATE + RATE / 4);
    let reading = bench.readings.last().expect("a reading");
    assert!(
        reading.at > at && array_v(reading).is_some_and(|v| (v - 220.0).abs() < 2.0),
        "{reading:?}"
    );

    for (name, what, reason) in [
        ("hard fault", happens::HARD_FAULT, StartReason::HardFault),
        ("hang", happens::HANG, StartReason::Watchdog),
        (
            "stack's mark",
            happens::MARK_GONE,
            StartReason::StackOverflow,
        ),
        ("sag", happens::SUPPLY_SAGS, StartReason::BrownOut),
        ("supply", happens::SUPPLY_GONE, StartReason::PowerOn),
    ] {
        bench.fails(name, what, reason);
    }
    // The first trip still holds, out of flash.
    let reading = bench.readings.last().expect("a reading");
    assert_eq!(reading.state, TripState::Latched, "{reading:?}");
}

/// A processor that hangs while the array is connected: the watchdog lets go of the contactor, and the board stays tripped.
#[test]
fn a_hang_while_connected_opens_the_contactor() {
    let Some(path) = image() else {
        return;
    };
    let mut bench = Bench::start(&path, &Waveform::quiet(50.0), Leakage::HEALTHY);
    bench.connect();
    bench.samples(RATE / 2);
    let hung_us = bench.asked.at_us;
    bench.fails("hang, connected", happens::HANG, StartReason::Watchdog);
    let fell_ms = (bench.asked.fell_us - hung_us) / 1e3;
    measured(format_args!("contactor's pin low after {fell_ms:.1} ms"));
    assert!((1.0..WATCHDOG_MS).contains(&fell_ms), "{fell_ms}");
    let restarted = |kind: &EventKind| {
        matches!(
            kind,
            EventKind::Tripped {
                cause: TripCause::Restarted(StartReason::Watchdog),
                ..
            }
        )
    };
    assert!(bench.said(restarted).is_some(), "{:?}", bench.events);
}

/// `firmware/boards/pico/src/watchdog.rs`.
const WATCHDOG_MS: f64 = 50.5;
