//! Pins and link of the simulated board, as firmware's embedded traits.

use embedded_hal::digital::{ErrorType as PinErrorType, InputPin, OutputPin};
use embedded_io::{ErrorType as IoErrorType, Read, ReadReady, Write, WriteReady};
use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::convert::Infallible;
use std::rc::Rc;

/// A wire between firmware and world: one side drives it, the other looks.
#[derive(Clone, Debug, Default)]
pub struct Wire(Rc<Cell<bool>>);

impl Wire {
    pub fn get(&self) -> bool {
        self.0.get()
    }

    pub fn set(&self, high: bool) {
        self.0.set(high);
    }
}

impl PinErrorType for Wire {
    type Error = Infallible;
}

impl OutputPin for Wire {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.set(false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.set(true);
        Ok(())
    }
}

impl InputPin for Wire {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.get())
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.get())
    }
}

/// Bytes that wait on the board's side of the line. Firmware sees "not ready" beyond this, as on a slow serial line.
const TO_HOST_MAX: usize = 4096;

#[derive(Debug)]
struct Line {
    to_host: Vec<u8>,
    to_host_max: usize,
    from_host: VecDeque<u8>,
}

impl Default for Line {
    fn default() -> Self {
        Self {
            to_host: Vec::new(),
            to_host_max: TO_HOST_MAX,
            from_host: VecDeque::new(),
        }
    }
}

/// The two ends of a byte link in memory.
#[derive(Clone, Debug, Default)]
pub struct ByteLine(Rc<RefCell<Line>>);

impl ByteLine {
    /// A line that takes whatever the board sends, as an emulated board's does.
    pub fn roomy() -> Self {
        let line = Self::default();
        line.0.borrow_mut().to_host_max = usize::MAX;
        line
    }

    /// Host side: takes everything the board has sent.
    pub fn take(&self) -> Vec<u8> {
        std::mem::take(&mut self.0.borrow_mut().to_host)
    }

    /// Host side: whether the board has sent anything.
    pub fn has_output(&self) -> bool {
        !self.0.borrow().to_host.is_empty()
    }

    /// Host side: bytes that the board has sent and nobody has taken.
    pub fn output_len(&self) -> usize {
        self.0.borrow().to_host.len()
    }

    /// Host side: sends to the board.
    pub fn put(&self, bytes: &[u8]) {
        self.0.borrow_mut().from_host.extend(bytes);
    }
}

impl IoErrorType for ByteLine {
    type Error = Infallible;
}

impl Read for ByteLine {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let mut line = self.0.borrow_mut();
        let n = into.len().min(line.from_host.len());
        for (to, byte) in into.iter_mut().zip(line.from_host.drain(..n)) {
            *to = byte;
        }
        Ok(n)
    }
}

impl ReadReady for ByteLine {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.borrow().from_host.is_empty())
    }
}

impl Write for ByteLine {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        let mut line = self.0.borrow_mut();
        let n = bytes
            .len()
            .min(line.to_host_max.saturating_sub(line.to_host.len()));
        line.to_host.extend(bytes.iter().take(n));
        Ok(n)
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

impl WriteReady for ByteLine {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        let line = self.0.borrow();
        Ok(line.to_host.len() < line.to_host_max)
    }
}
