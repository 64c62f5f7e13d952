//! A board on a bench: made-up currents and voltages, a contactor that follows at once, a flash that is watched, a byte link.

#![allow(dead_code)] // each test file is a crate of its own and uses what it needs

use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use embedded_storage::nor_flash::{ErrorType as FE, NorFlash, ReadNorFlash};
use ohmward_core::Memory;
use ohmward_core::board::{Board, Parts, Pins, SampleSource};
use ohmward_core::ram_flash::{FlashFault, RamFlash};
use ohmward_core::{Identity, Sample};
use ohmward_proto::event::{Event, StartReason};
use ohmward_proto::measure::{Codes, TripState};
use ohmward_proto::message::{Ack, BoardId, Message};
use ohmward_proto::settings::{Calibration, SettingsFault};
use ohmward_proto::{Decoder, MAX_FRAME, Settings, encode};
use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::convert::Infallible;
use std::rc::Rc;

const RATE: u32 = 4000;
#[derive(Clone, Default)]
pub struct World {
    pub inject: Rc<Cell<bool>>,
    pub bond: Rc<Cell<bool>>,
    pub bp: Rc<Cell<bool>>,
    pub bn: Rc<Cell<bool>>,
    pub i: Rc<Cell<f64>>,
    pub v_pos_at_rail: Rc<Cell<bool>>,
}
pub struct Src(World);
impl SampleSource for Src {
    type Error = Infallible;
    fn next(&mut self) -> Result<Sample, Infallible> {
        let w = &self.0;
        let mut i = 0.0;
        let (mut vp, mut vn) = (200.0, 0.0);
        if w.bond.get() {
            let gp = 0.6e-6 + if w.bp.get() { 5e-6 } else { 0.0 };
            let gn = 0.6e-6 + if w.bn.get() { 5e-6 } else { 0.0 };
            vn = -200.0 * gp / (gp + gn);
            vp = vn + 200.0;
        } else {
            i += w.i.get();
            if w.bp.get() {
                i -= 1e-3;
            }
        }
        if w.inject.get() {
            i += 0.1;
        }
        if w.v_pos_at_rail.get() {
            vp = 700.0;
        }
        let code = |x: f64, full: f64| (x / full * 32768.0).round().clamp(-32768.0, 32767.0) as i16;
        Ok(Sample {
            codes: Codes {
                i_fine: code(i, 1.25),
                i_wide: code(i, 25.0),
                v_pos: code(vp, 600.0),
                v_neg: code(vn, 600.0),
            },
            lost_before: 0,
        })
    }
}
#[derive(Clone, Default)]
pub struct Pin(pub Rc<Cell<bool>>);
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
/// Both ends of a byte link.
#[derive(Clone, Default)]
pub struct Line {
    pub out: Rc<RefCell<Vec<u8>>>,
    pub to_board: Rc<RefCell<VecDeque<u8>>>,
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
    fn write(&mut self, b: &[u8]) -> Result<usize, Infallible> {
        self.out.borrow_mut().extend(b);
        Ok(b.len())
    }
    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}
impl WriteReady for Line {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        Ok(true)
    }
}
/// A flash that refuses a number of writes and erases, and notes whether the contactor was driven when it was used.
#[derive(Clone, Default)]
pub struct Flaky(pub RamFlash, pub Rc<Cell<u32>>, pub Used);
/// Since when the knob was turned last.
#[derive(Clone, Default)]
pub struct Used {
    pub contactor: Rc<RefCell<Pin>>,
    pub erases_driven: Rc<Cell<u32>>,
    pub erases: Rc<Cell<u32>>,
    pub writes_driven: Rc<Cell<u32>>,
    pub writes: Rc<Cell<u32>>,
}
impl Used {
    fn note(&self, all: &Cell<u32>, driven: &Cell<u32>) {
        all.set(all.get() + 1);
        driven.set(driven.get() + u32::from(self.contactor.borrow().0.get()));
    }
    pub fn clear(&self) {
        for counter in [
            &self.erases,
            &self.erases_driven,
            &self.writes,
            &self.writes_driven,
        ] {
            counter.set(0);
        }
    }
}
impl FE for Flaky {
    type Error = FlashFault;
}
impl ReadNorFlash for Flaky {
    const READ_SIZE: usize = 1;
    fn read(&mut self, o: u32, b: &mut [u8]) -> Result<(), FlashFault> {
        self.0.read(o, b)
    }
    fn capacity(&self) -> usize {
        self.0.capacity()
    }
}
impl NorFlash for Flaky {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;
    fn erase(&mut self, a: u32, b: u32) -> Result<(), FlashFault> {
        if self.1.get() > 0 {
            self.1.set(self.1.get() - 1);
            return Err(FlashFault::Worn);
        }
        self.2.note(&self.2.erases, &self.2.erases_driven);
        self.0.erase(a, b)
    }
    fn write(&mut self, o: u32, b: &[u8]) -> Result<(), FlashFault> {
        self.2.note(&self.2.writes, &self.2.writes_driven);
        if self.1.get() > 0 {
            self.1.set(self.1.get() - 1);
            return Err(FlashFault::Worn);
        }
        self.0.write(o, b)
    }
}
pub type B = Board<Src, Pin, Pin, Flaky, Line>;
pub struct Bench {
    pub board: B,
    pub w: World,
    pub reset: Pin,
    pub arm: Pin,
    pub line: Line,
    pub events: Vec<Event>,
    /// Answers to settings.
    pub results: Vec<Result<u32, SettingsFault>>,
    decoder: Decoder,
}
pub fn start(flash: Flaky) -> Bench {
    let w = World::default();
    let p = |r: &Rc<Cell<bool>>| Pin(r.clone());
    let contactor = Pin::default();
    let line = Line::default();
    *flash.2.contactor.borrow_mut() = contactor.clone();
    let (reset, arm) = (Pin::default(), Pin::default());
    let pins = Pins {
        contactor_feedback: contactor.clone(),
        contactor,
        bond_switch: p(&w.bond),
        bridge_pos: p(&w.bp),
        bridge_neg: p(&w.bn),
        inject: p(&w.inject),
        lamp: Pin::default(),
        buzzer: Pin::default(),
        reset: reset.clone(),
        arm: arm.clone(),
    };
    let identity = Identity {
        board: BoardId(1),
        boot: 1,
        reason: StartReason::PowerOn,
        sample_rate_hz: RATE,
        epoch_unix_ms: None,
    };
    let board = Board::start(
        Parts {
            source: Src(w.clone()),
            pins,
            flash,
            link: line.clone(),
            memory: Memory::new(),
        },
        identity,
        Settings::SMALL_BONDED,
        Calibration::REFERENCE,
    )
    .unwrap_or_else(|_| panic!("starts"));
    Bench {
        board,
        w,
        reset,
        arm,
        line,
        events: Vec::new(),
        results: Vec::new(),
        decoder: Decoder::new(),
    }
}
impl Bench {
    pub fn run(&mut self, s: f64) {
        for _ in 0..(s * 4000.0) as u32 {
            self.board.turn().unwrap_or_else(|_| panic!("turns"));
        }
    }
    pub fn trip(&mut self) {
        self.w.i.set(2.0);
        self.run(1.0);
        self.w.i.set(0.0);
    }
    pub fn reset(&mut self) {
        self.run(40.0);
        self.reset.0.set(true);
        self.run(0.1);
        self.reset.0.set(false);
        self.run(10.0);
    }
    pub fn state(&self) -> TripState {
        self.board.monitor().state()
    }
    pub fn cut(self) -> Bench {
        start(self.board.into_flash())
    }
    /// A host takes what the board has said; acknowledges its events, or not.
    pub fn host(&mut self, acknowledge: bool) {
        let said = std::mem::take(&mut *self.line.out.borrow_mut());
        let events = &mut self.events;
        let mut acks = Vec::new();
        let results = &mut self.results;
        self.decoder.feed(&said, |message| match message {
            Ok(Message::Event(event)) => {
                events.push(event);
                acks.push(event.id);
            }
            Ok(Message::SettingsResult(result)) => results.push(result),
            _ => {}
        });
        for id in acks.into_iter().filter(|_| acknowledge) {
            self.say(&Message::Ack(Ack::Event(id)));
        }
    }
    pub fn say(&mut self, message: &Message) {
        let mut frame = [0; MAX_FRAME];
        let len = encode(message, &mut frame).expect("fits");
        self.line.to_board.borrow_mut().extend(&frame[..len]);
    }
}
