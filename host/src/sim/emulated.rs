//! World → image in an emulator → link, in virtual time: a simulated board whose firmware is an image.
//!
//! Every sample waits for the image's answer, so world and board are in a closed loop whatever the image does. Quiet time cannot be
//! skipped: what the firmware waits for is not to be seen from here.

use super::board::{Built, Outside, SimError};
use super::image::{Image, bits_of, outputs_of};
use super::replay::ReplaySetup;
use super::serve::Served;
use ohmward_core::{Inputs, Outputs, Sample};
use ohmward_plant::{Scenario, Switches};
use ohmward_proto::Decoder;
use ohmward_proto::emulated::Setup;
use ohmward_proto::event::EventId;
use ohmward_proto::message::{Ack, Message};
use ohmward_proto::units::SampleIndex;
use std::collections::BTreeSet;
use std::path::Path;

/// Samples that a board gets after the last one each time it is to look at its link: 2 ms at 4 kS/s.
const AFTERWARDS: u32 = 8;

/// An emulated board in its world.
pub struct EmulatedBoard {
    outside: Outside,
    image: Image,
    outputs: Outputs,
    taken: u64,
    sample_rate_hz: u32,
    said: Vec<u8>,
    waiting: Waiting,
}

impl EmulatedBoard {
    /// The board of a scenario. The emulator lives no longer than the thread that calls this.
    ///
    /// # Errors
    /// A scenario that cannot be built, or an image that cannot be had or does not start.
    pub fn new(image: &Path, scenario: &Scenario) -> Result<Self, SimError> {
        Self::start(image, Built::of_scenario(scenario)?)
    }

    /// A board that meets a recorded trace.
    ///
    /// # Errors
    /// An image that cannot be had or does not start.
    pub fn replay(image: &Path, setup: &ReplaySetup) -> Result<Self, SimError> {
        Self::start(image, Built::of_replay(setup))
    }

    fn start(image: &Path, built: Built) -> Result<Self, SimError> {
        let identity = built.identity;
        let setup = Setup {
            board: identity.board,
            boot: identity.boot,
            reason: identity.reason,
            sample_rate_hz: identity.sample_rate_hz,
            epoch_unix_ms: identity.epoch_unix_ms,
            settings: built.settings,
            calibration: built.calibration,
        };
        Ok(Self {
            outside: built.outside,
            image: Image::start(image, &setup)?,
            outputs: Outputs::default(),
            taken: 0,
            sample_rate_hz: identity.sample_rate_hz,
            said: Vec::new(),
            waiting: Waiting::default(),
        })
    }

    fn sample(&mut self) -> Result<(), SimError> {
        let sensed = self
            .outside
            .step(&Switches {
                contactor: self.outputs.contactor,
                bond_open: self.outputs.bond_switch,
                bridge_pos: self.outputs.bridge_pos,
                bridge_neg: self.outputs.bridge_neg,
                inject: self.outputs.inject,
            })
            .map_err(|why| why.at(SampleIndex(self.taken)))?;
        let sample = Sample {
            codes: sensed.codes,
            lost_before: 0,
        };
        let inputs = Inputs {
            contactor_feedback: sensed.contactor_feedback,
            reset: sensed.reset,
            arm: sensed.arm,
        };
        let answers = self.image.step(&[(sample, bits_of(&inputs))])?;
        self.taken += 1;
        for answer in answers {
            self.outputs = outputs_of(answer.outputs);
        }
        let said = self.image.take_output()?;
        if !said.is_empty() {
            self.waiting.board_says(&said);
            self.said.extend(said);
        }
        Ok(())
    }
}

impl Served for EmulatedBoard {
    fn run(&mut self, samples: u64) -> Result<bool, SimError> {
        let until = self.taken.saturating_add(samples);
        // A replay learns its end on the way.
        while self.taken < until.min(self.outside.end().0) && self.said.is_empty() {
            self.sample()?;
        }
        Ok(self.taken < self.outside.end().0)
    }

    fn serve_link(&mut self) -> Result<(), SimError> {
        for _ in 0..AFTERWARDS {
            self.sample()?;
        }
        Ok(())
    }

    fn take_output(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.said)
    }

    fn send(&mut self, bytes: &[u8]) -> Result<(), SimError> {
        self.waiting.host_says(bytes);
        Ok(self.image.send(bytes)?)
    }

    fn elapsed(&self) -> u64 {
        self.taken
    }

    fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    fn all_acknowledged(&self) -> bool {
        self.waiting.told.is_empty()
    }
}

/// Events that the board has told and no host has acknowledged, as the line shows it.
#[derive(Default)]
struct Waiting {
    from_board: Decoder,
    from_host: Decoder,
    told: BTreeSet<EventId>,
}

impl Waiting {
    fn board_says(&mut self, bytes: &[u8]) {
        let told = &mut self.told;
        self.from_board.feed(bytes, |message| {
            if let Ok(Message::Event(event)) = message {
                told.insert(event.id);
            }
        });
    }

    fn host_says(&mut self, bytes: &[u8]) {
        let told = &mut self.told;
        self.from_host.feed(bytes, |message| match message {
            Ok(Message::Ack(Ack::Event(id))) => {
                told.remove(&id);
            }
            Ok(Message::Acks(acks)) => acks.events().for_each(|id| {
                told.remove(&id);
            }),
            _ => {}
        });
    }
}
