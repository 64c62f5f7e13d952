//! Pins for a board that is linked into a test.

use embedded_hal::digital::{ErrorType as PinError, InputPin, OutputPin};
use std::cell::Cell;
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
