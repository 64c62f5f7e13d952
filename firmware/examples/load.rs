//! So many seconds of made-up samples through the whole core, for counting instructions: `load quiet|leaking|measuring|journal SECONDS`.
//!
//! Prints the samples and the state at the end, so that nothing can be optimised away. `tests/tests/instructions.rs` counts.

use ohmward_core::journal::Journal;
use ohmward_core::nv::{Nv, Permit};
use ohmward_core::ram_flash::RamFlash;
use ohmward_core::{Identity, Inputs, Monitor, Outputs, Sample, TEST_CURRENT};
use ohmward_proto::event::{EventKind, StartReason};
use ohmward_proto::measure::Codes;
use ohmward_proto::message::{Ack, BoardId, Command, Message};
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::units::SampleIndex;

const RATE: u32 = 4000;
/// Array voltage in counts: 200 V.
const V: i16 = 10_923;

/// Bond current without the board's own: hum and a few counts of noise, in counts of the sensitive range.
fn current(n: u32, hum: f32) -> f32 {
    let noise = (n.wrapping_mul(2_654_435_761) >> 28) as f32 - 8.0;
    ((n % 80) as f32 / 80.0 * std::f32::consts::TAU).sin() * hum + noise
}

/// The negative pole, without leakage: the bridge alone divides the voltage.
fn negative(outputs: &Outputs) -> i16 {
    match (outputs.bond_switch, outputs.bridge_pos, outputs.bridge_neg) {
        (false, ..) => 0,
        (true, true, false) => -V / 12 * 11,
        (true, false, true) => -V / 12,
        (true, ..) => -V / 2,
    }
}

/// Ten events a second through the journal to flash and to a host, one turn for each sample.
fn journal(seconds: u32) {
    let (mut nv, _) = Nv::open(RamFlash::default()).expect("geometry fits");
    let mut journal = Journal::new(1);
    let mut sent = 0;
    for n in 0..seconds * RATE {
        let now = SampleIndex(u64::from(n));
        if n % (RATE / 10) == 0 {
            journal.push(now, EventKind::Connected);
        }
        nv.serve(&mut journal, now, Permit::Erase);
        while let Some(event) = journal.next_to_send(now, 8000) {
            sent += 1;
            journal.acknowledge(event.id);
        }
    }
    println!("{sent} events, erases {:?}", nv.flash().erases());
}

fn main() {
    let mut args = std::env::args().skip(1);
    let mode = args.next().unwrap_or_default();
    let seconds: u32 = args.next().and_then(|s| s.parse().ok()).expect("SECONDS");
    if mode == "journal" {
        return journal(seconds);
    }
    // 60 and 11 000 counts of 38 µA: 2 mA and 0.42 A peak. Tripped, it may be measured again and again.
    let (hum, measure) = match mode.as_str() {
        "quiet" => (60.0, false),
        "leaking" => (11_000.0, false),
        "measuring" => (60.0, true),
        _ => panic!("load quiet|leaking|measuring|journal SECONDS"),
    };

    let identity = Identity {
        board: BoardId(1),
        boot: 1,
        reason: StartReason::PowerOn,
        sample_rate_hz: RATE,
        epoch_unix_ms: None,
    };
    let mut settings = Settings::SMALL_BONDED;
    settings.current.continuous.above.0 = 1.0;
    let mut monitor = Monitor::new(identity, settings, Calibration::REFERENCE).expect("sound");
    if measure {
        monitor.receive(&Message::Command(Command::Trip));
    }
    let mut outputs = Outputs::default();
    let mut measured = 0;
    let per_count = Calibration::REFERENCE.i_fine.per_count;
    for n in 0..seconds * RATE {
        if measure && n % 1000 == 0 {
            monitor.receive(&Message::Command(Command::MeasureInsulation));
        }
        let mut i = 0.0;
        if !outputs.bond_switch {
            i += current(n, hum);
        }
        if !outputs.bond_switch && outputs.bridge_pos {
            i -= 0.001 / per_count;
        }
        if outputs.inject {
            i += TEST_CURRENT.0 / per_count;
        }
        let v_neg = negative(&outputs);
        let sample = Sample {
            codes: Codes {
                i_fine: i as i16,
                i_wide: (i / 20.0) as i16,
                v_pos: v_neg + V,
                v_neg,
            },
            lost_before: 0,
        };
        let inputs = Inputs {
            contactor_feedback: outputs.contactor,
            ..Inputs::default()
        };
        outputs = monitor.step(&sample, &inputs);
        measured += u32::from(outputs.bridge_pos || outputs.bridge_neg);
        while let Some(message) = monitor.poll() {
            if let Message::Event(event) = message {
                monitor.receive(&Message::Ack(Ack::Event(event.id)));
            }
        }
    }
    println!(
        "{} samples, {measured} of them measuring, {:?}",
        monitor.now().0,
        monitor.state()
    );
}
