//! Pins and a byte link for a board that is linked into a test.

use embedded_hal::digital::{ErrorType as PinError, InputPin, OutputPin};
use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::convert::Infallible;
use std::rc::Rc;

/// A wire.
#[derive(Clone, Debug, Default)]
pub struct Pin(Rc<Cell<bool>>);

impl Pin {
    /// Drives it.
    pub fn set(&self, high: bool) {
        self.0.set(high);
    }

    /// How it stands.
    #[must_use]
    pub fn is_on(&self) -> bool {
        self.0.get()
    }
}

impl PinError for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.set(false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.set(true);
        Ok(())
    }
}

impl InputPin for Pin {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.get())
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.get())
    }
}

/// Both ends of a link that always has room.
#[derive(Clone, Debug, Default)]
pub struct Line {
    to_host: Rc<RefCell<Vec<u8>>>,
    to_board: Rc<RefCell<VecDeque<u8>>>,
}

impl Line {
    /// Host side: what the board has said.
    pub fn take(&self) -> Vec<u8> {
        std::mem::take(&mut self.to_host.borrow_mut())
    }

    /// Host side: says something to the board.
    pub fn put(&self, bytes: &[u8]) {
        self.to_board.borrow_mut().extend(bytes);
    }
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
        self.to_host.borrow_mut().extend(bytes);
        Ok(bytes.len())
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
