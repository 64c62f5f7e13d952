//! A whole board: anything in its flash, anything on its line, any codes from its converter. It starts or says why not, and turns.
#![no_main]

use arbitrary::Unstructured;
use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use libfuzzer_sys::fuzz_target;
use ohmward_core::Memory;
use ohmward_core::board::{Board, BoardFault, Parts, Pins, SampleSource};
use ohmward_core::ram_flash::RamFlash;
use ohmward_core::{Identity, Sample};
use ohmward_fuzz::flash;
use ohmward_proto::event::StartReason;
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::Calibration;
use ohmward_proto::{Decoder, MAX_FRAME, Settings, encode};
use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::convert::Infallible;
use std::rc::Rc;

#[derive(Clone, Default)]
struct Converter(Rc<Cell<Sample>>);

impl SampleSource for Converter {
    type Error = Infallible;
    fn next(&mut self) -> Result<Sample, Infallible> {
        let sample = self.0.get();
        self.0.set(Sample {
            lost_before: 0,
            ..sample
        });
        Ok(sample)
    }
}

#[derive(Clone, Default)]
struct Pin(Rc<Cell<bool>>);

impl embedded_hal::digital::ErrorType for Pin {
    type Error = Infallible;
}
impl embedded_hal::digital::OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.set(false);
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.set(true);
        Ok(())
    }
}
impl embedded_hal::digital::InputPin for Pin {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.get())
    }
    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.get())
    }
}

#[derive(Clone, Default)]
struct Line {
    to_board: Rc<RefCell<VecDeque<u8>>>,
    from_board: Rc<RefCell<Vec<u8>>>,
    /// The line takes nothing.
    blocked: Rc<Cell<bool>>,
}

impl ErrorType for Line {
    type Error = Infallible;
}
impl Read for Line {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let mut from = self.to_board.borrow_mut();
        let n = into.len().min(from.len());
        for (to, byte) in into.iter_mut().zip(from.drain(..n)) {
            *to = byte;
        }
        Ok(n)
    }
}
impl ReadReady for Line {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(!self.to_board.borrow().is_empty())
    }
}
impl Write for Line {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        self.from_board.borrow_mut().extend(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}
impl WriteReady for Line {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        Ok(!self.blocked.get())
    }
}

fn run(input: &mut Unstructured) -> arbitrary::Result<()> {
    let flash: RamFlash = flash::drawn(input)?;
    let (converter, line, contactor) = (Converter::default(), Line::default(), Pin::default());
    let (reset, arm, feedback) = (Pin::default(), Pin::default(), Pin::default());
    let pin = Pin::default;
    let reason = *input.choose(&[
        StartReason::PowerOn,
        StartReason::BrownOut,
        StartReason::Watchdog,
        StartReason::Panic,
        StartReason::Requested,
        StartReason::HardFault,
        StartReason::StackOverflow,
    ])?;
    let started = Board::start(
        Parts {
            source: converter.clone(),
            pins: Pins {
                contactor: contactor.clone(),
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
            flash,
            link: line.clone(),
            memory: Memory::new(),
        },
        Identity {
            board: BoardId(1),
            boot: input.arbitrary()?,
            reason,
            sample_rate_hz: *input.choose(&[4000, 4000, 1000, 6400])?,
            epoch_unix_ms: None,
        },
        Settings::SMALL_BONDED,
        Calibration::REFERENCE,
    );
    let mut board = match started {
        Ok(board) => board,
        Err(BoardFault::Start(fault)) => {
            ohmward_fuzz::scratch::is_one_line(&fault);
            return Ok(());
        }
        Err(other) => panic!("neither pins nor converter fail here: {other:?}"),
    };
    let mut turns = 0;
    while turns < 4000 && !input.is_empty() {
        let (what, count, codes) = input.arbitrary::<(u8, u8, [i16; 4])>()?;
        reset.0.set(what & 1 == 1);
        arm.0.set(what & 2 == 2);
        line.blocked.set(what & 4 == 4);
        let mut sample = converter.0.get();
        match what >> 5 {
            // A host says something; or noise does.
            0 | 1 => {
                if let Some(message) = flash::message(input) {
                    let mut frame = [0; MAX_FRAME];
                    let len = encode(&message, &mut frame).expect("every message fits");
                    line.to_board.borrow_mut().extend(&frame[..len]);
                }
            }
            2 => {
                let len = usize::from(count).min(input.len());
                line.to_board.borrow_mut().extend(input.bytes(len)?);
            }
            3 => sample.lost_before = codes[0] as u16,
            _ => {
                sample.codes.i_fine = codes[0];
                sample.codes.i_wide = codes[1];
                sample.codes.v_pos = codes[2];
                sample.codes.v_neg = codes[3];
            }
        }
        converter.0.set(sample);
        for n in 0..u16::from(count) * 2 + 1 {
            // The contact follows, is stuck open, or bounces.
            feedback.0.set(match what >> 3 & 3 {
                0 | 1 => contactor.0.get(),
                2 => false,
                _ => n % 2 == 0,
            });
            if let Err(fault) = board.turn() {
                panic!("neither pins nor converter fail here: {fault:?}");
            }
            turns += 1;
        }
    }
    // Whatever it said are messages.
    let mut decoder = Decoder::new();
    decoder.feed(&line.from_board.borrow(), |outcome| {
        assert!(outcome.is_ok(), "{outcome:?}")
    });
    Ok(())
}

fuzz_target!(|data: &[u8]| {
    let _ = run(&mut Unstructured::new(data));
});
