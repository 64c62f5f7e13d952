//! The board's parts: wires, a small array as a formula, its end of the line.

use crate::line::Line;
use crate::linked::Pin;
use embedded_io::{ErrorType as IoErrorType, Read, ReadReady, Write, WriteReady};
use ohmward_core::Sample;
use ohmward_core::board::{Board, SampleSource};
use ohmward_core::ram_flash::RamFlash;
use ohmward_proto::measure::Codes;
use std::cell::{Cell, RefCell};
use std::convert::Infallible;
use std::rc::Rc;

/// A small bonded array as a formula: leakage, bridge, test current, and a fault current that the run sets.
#[derive(Clone, Default)]
pub(super) struct Array {
    pub(super) bond: Pin,
    pub(super) bridge_pos: Pin,
    pub(super) bridge_neg: Pin,
    pub(super) inject: Pin,
    pub(super) fault_a: Rc<Cell<f64>>,
}

impl SampleSource for Array {
    type Error = Infallible;

    fn next(&mut self) -> Result<Sample, Infallible> {
        let g = |wire: &Pin| 0.6e-6 + if wire.is_on() { 5e-6 } else { 0.0 };
        let mut i = if self.inject.is_on() { 0.1 } else { 0.0 };
        let mut v_neg = 0.0;
        if self.bond.is_on() {
            let (pos, neg) = (g(&self.bridge_pos), g(&self.bridge_neg));
            v_neg = -200.0 * pos / (pos + neg);
        } else {
            i += self.fault_a.get();
            if self.bridge_pos.is_on() {
                i -= 1e-3;
            }
        }
        let code = |x: f64, full: f64| (x / full * 32768.0).round().clamp(-32768.0, 32767.0) as i16;
        Ok(Sample {
            codes: Codes {
                i_fine: code(i, 1.25),
                i_wide: code(i, 25.0),
                v_pos: code(v_neg + 200.0, 600.0),
                v_neg: code(v_neg, 600.0),
            },
            lost_before: 0,
        })
    }
}

/// The board's end of the line.
#[derive(Clone)]
pub(super) struct BoardEnd(pub(super) Rc<RefCell<Wiring>>);

pub(super) struct Wiring {
    pub(super) now_us: u64,
    pub(super) to_host: Vec<Line>,
    pub(super) to_board: Vec<Line>,
    /// What the board has said, before the line touched it.
    pub(super) said: Vec<u8>,
    /// What it heard.
    pub(super) heard: Vec<u8>,
    /// Whose frame is coming in, and since when nothing more of it has.
    pub(super) speaking: Option<(usize, u64)>,
}

/// How long a host may pause within a frame before another one is let in.
const PAUSE_US: u64 = 50_000;

impl Wiring {
    /// With two hosts something sits before the board that lets one frame through after the other.
    fn next_from_hosts(&mut self, most: usize) -> Vec<u8> {
        let now_us = self.now_us;
        let mut bytes = Vec::new();
        while bytes.len() < most {
            let n = match self.speaking {
                Some((n, _)) if self.to_board[n].has_arrived(now_us) => n,
                Some((_, since)) if now_us - since < PAUSE_US => break,
                _ => match self.to_board.iter().position(|l| l.has_arrived(now_us)) {
                    Some(n) => n,
                    None => break,
                },
            };
            let byte = self.to_board[n].receive(now_us, 1);
            self.speaking = (byte != [0]).then_some((n, now_us));
            bytes.extend(byte);
        }
        bytes
    }
}

impl IoErrorType for BoardEnd {
    type Error = Infallible;
}

impl Read for BoardEnd {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let wiring = &mut *self.0.borrow_mut();
        let bytes = wiring.next_from_hosts(into.len());
        into[..bytes.len()].copy_from_slice(&bytes);
        wiring.heard.extend_from_slice(&bytes);
        Ok(bytes.len())
    }
}

impl ReadReady for BoardEnd {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        let wiring = self.0.borrow();
        Ok(wiring
            .to_board
            .iter()
            .any(|line| line.has_arrived(wiring.now_us)))
    }
}

impl Write for BoardEnd {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        let wiring = &mut *self.0.borrow_mut();
        let now_us = wiring.now_us;
        let room = wiring.to_host.iter().map(|line| line.room(now_us)).min();
        let n = bytes.len().min(room.unwrap_or(0));
        for line in &mut wiring.to_host {
            line.send(&bytes[..n], now_us);
        }
        wiring.said.extend_from_slice(&bytes[..n]);
        Ok(n)
    }
    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

impl WriteReady for BoardEnd {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        let wiring = self.0.borrow();
        Ok(wiring
            .to_host
            .iter()
            .all(|line| line.room(wiring.now_us) > 0))
    }
}

pub(super) type Firmware = Board<Array, Pin, Pin, RamFlash, BoardEnd>;
