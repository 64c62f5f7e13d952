//! The firmware's board code linked into the program, a sample and its outputs at a time: what an image is compared with.

use super::wires::{ByteLine, Wire};
use embedded_storage::nor_flash::ReadNorFlash;
use ohmward_core::board::{Board, BoardFault, Parts, Pins, SampleSource};
use ohmward_core::ram_flash::RamFlash;
use ohmward_core::{Identity, Inputs, Memory, Monitor, Outputs, Sample};
use ohmward_proto::emulated::Setup;
use ohmward_proto::settings::SettingsFault;
use std::cell::Cell;
use std::convert::Infallible;
use std::rc::Rc;

/// What lies before the converter.
#[derive(Clone, Default)]
struct Next(Rc<Cell<Sample>>);

impl SampleSource for Next {
    type Error = Infallible;

    fn next(&mut self) -> Result<Sample, Infallible> {
        Ok(self.0.get())
    }
}

/// A board on wires, with a flash of its own and a line that always has room.
pub struct LinkedBoard {
    board: Board<Next, Wire, Wire, RamFlash, ByteLine>,
    next: Next,
    feedback: Wire,
    reset: Wire,
    arm: Wire,
    line: ByteLine,
}

impl LinkedBoard {
    /// As from the factory: blank flash.
    ///
    /// # Errors
    /// Settings the firmware does not start with.
    pub fn start(setup: &Setup) -> Result<Self, SettingsFault> {
        let (next, line) = (Next::default(), ByteLine::roomy());
        let (feedback, reset, arm) = (Wire::default(), Wire::default(), Wire::default());
        let wire = Wire::default;
        let parts = Parts {
            source: next.clone(),
            pins: Pins {
                contactor: wire(),
                bond_switch: wire(),
                bridge_pos: wire(),
                bridge_neg: wire(),
                inject: wire(),
                lamp: wire(),
                buzzer: wire(),
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
        let board =
            Board::start(parts, identity, setup.settings, setup.calibration).map_err(|fault| {
                match fault {
                    BoardFault::Start(fault) => fault,
                    BoardFault::Sample(never) => match never {},
                    BoardFault::Pin(never) => unreachable!("wires do not fail: {never:?}"),
                }
            })?;
        Ok(Self {
            board,
            next,
            feedback,
            reset,
            arm,
            line,
        })
    }

    /// One sample: decision, outputs, flash, link.
    pub fn turn(&mut self, sample: &Sample, inputs: &Inputs) -> Outputs {
        self.next.0.set(*sample);
        self.feedback.set(inputs.contactor_feedback);
        self.reset.set(inputs.reset);
        self.arm.set(inputs.arm);
        match self.board.turn() {
            Ok(outputs) => outputs,
            Err(fault) => unreachable!("wires and samples in memory do not fail: {fault:?}"),
        }
    }

    /// The firmware, to look at.
    pub fn monitor(&self) -> &Monitor {
        self.board.monitor()
    }

    /// Host side: what it has said.
    pub fn take_output(&self) -> Vec<u8> {
        self.line.take()
    }

    /// Bytes that it has said and nobody has taken.
    pub fn output_len(&self) -> usize {
        self.line.output_len()
    }

    /// Host side: says something to it.
    pub fn send(&self, bytes: &[u8]) {
        self.line.put(bytes);
    }

    /// Content of its flash.
    pub fn flash(&self) -> Vec<u8> {
        let mut flash = self.board.flash().clone();
        let mut bytes = vec![0; flash.capacity()];
        match flash.read(0, &mut bytes) {
            Ok(()) => bytes,
            Err(why) => unreachable!("memory within its bounds is read: {why:?}"),
        }
    }
}
