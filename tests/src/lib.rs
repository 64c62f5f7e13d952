//! What the end-to-end tests share: the scenario, the binary, a board run to its end without a host program.

pub mod children;
pub mod drawn;
pub mod emulated;
pub mod line;
pub mod linked;
pub mod lossless;
pub mod rig;
pub mod served;
pub mod years;

use ohmward::sim::{Gear, SimBoard};
use ohmward_plant::Scenario;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::frame::{MAX_FRAME, encode};
use ohmward_proto::message::{Ack, Message};
use ohmward_proto::{Event, EventKind, Reading};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// A file under `tests/data`.
pub fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("data")
        .join(name)
}

/// Says what a test measured, also where the runner keeps to itself what passing tests print: CI's log shows it.
///
/// # Panics
/// When standard error is closed.
pub fn measured(line: std::fmt::Arguments<'_>) {
    writeln!(std::io::stderr(), "{line}").expect("standard error");
}

/// The `ohmward` program, built once.
pub fn ohmward() -> Command {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    let path = BUILT.get_or_init(|| {
        // Made already, in this very state of the sources: CI says so, or it would be built once more.
        if let Some(made) = std::env::var_os("OHMWARD_PROGRAM") {
            return PathBuf::from(made);
        }
        escargot::CargoBuild::new()
            .manifest_path(Path::new(env!("CARGO_MANIFEST_DIR")).join("../host/Cargo.toml"))
            .bin("ohmward")
            .current_release()
            .run()
            .expect("the program builds")
            .path()
            .to_owned()
    });
    Command::new(path)
}

/// Everything a board said, each event once.
#[derive(Debug, Default)]
pub struct Said {
    /// Events in the order of their numbers.
    pub events: Vec<Event>,
    /// Readings.
    pub readings: Vec<Reading>,
}

impl Said {
    /// Events of some kind.
    pub fn find(&self, which: impl Fn(&EventKind) -> bool) -> Vec<&Event> {
        self.events.iter().filter(|e| which(&e.kind)).collect()
    }
}

/// Runs a scenario to its end, acknowledging every event.
pub fn run(scenario: &Scenario, gear: Gear) -> Said {
    run_until(scenario, gear, |_| false)
}

/// Runs a scenario to its end or until `stop` has seen enough.
pub fn run_until(scenario: &Scenario, gear: Gear, stop: impl Fn(&SimBoard) -> bool) -> Said {
    let mut board = SimBoard::new(scenario, gear).expect("starts");
    let mut decoder = Decoder::new();
    let mut said = Said::default();
    let mut goes_on = true;
    while goes_on && !stop(&board) {
        goes_on = board.run(u64::MAX / 2).expect("runs");
        said.readings.extend(board.take_readings());
        let mut acks = Vec::new();
        decoder.feed(&board.take_output(), |message| {
            match message.expect("a clean line") {
                Message::Event(event) => {
                    acks.push(Ack::Event(event.id));
                    if !said.events.contains(&event) {
                        said.events.push(event);
                    }
                }
                Message::Reading(reading) => said.readings.push(reading),
                _ => {}
            }
        });
        for ack in acks {
            let mut frame = [0; MAX_FRAME];
            let len = encode(&Message::Ack(ack), &mut frame).expect("fits");
            board.send(&frame[..len]);
        }
        if !goes_on {
            board.serve_link();
        }
    }
    // Drawn ones and those that came over the link.
    said.readings.sort_by_key(|reading| reading.at);
    said
}
