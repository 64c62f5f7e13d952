//! A NOR flash in RAM, as strict as a chip: writes only clear bits, only aligned, only inside; erases whole blocks.
//!
//! For the simulated board and for tests. [`RamFlash::cut_after`] makes the supply go away in the middle of a write.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read,
    check_write,
};

/// Bytes in an erase block.
const BLOCK: usize = 4096;
/// Two blocks: what [`crate::nv`] needs.
const SIZE: usize = 2 * BLOCK;

/// Two erase blocks of NOR flash.
#[derive(Clone, Debug)]
pub struct RamFlash {
    bytes: [u8; SIZE],
    /// Bytes that may still be changed before the supply is gone; `None` for a supply that holds.
    budget: Option<usize>,
}

/// What a chip would refuse, or a supply that is gone.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RamFlashError {
    /// Outside, or not aligned.
    Refused(NorFlashErrorKind),
    /// A write would have to set a bit that an erase did not.
    BitNotErased {
        /// Address of the byte.
        at: usize,
    },
    /// The supply went away.
    PowerLost,
}

impl NorFlashError for RamFlashError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Refused(kind) => *kind,
            Self::BitNotErased { .. } | Self::PowerLost => NorFlashErrorKind::Other,
        }
    }
}

impl Default for RamFlash {
    fn default() -> Self {
        Self {
            bytes: [0xFF; SIZE],
            budget: None,
        }
    }
}

impl RamFlash {
    /// Lets this many more bytes change, then fails as a supply would.
    pub fn cut_after(&mut self, bytes: usize) {
        self.budget = Some(bytes);
    }

    /// The supply is back.
    pub fn power_up(&mut self) {
        self.budget = None;
    }

    /// Raw content, for damage on purpose.
    pub fn bytes_mut(&mut self) -> &mut [u8] {
        &mut self.bytes
    }

    fn change(&mut self, at: usize, value: u8) -> Result<(), RamFlashError> {
        match &mut self.budget {
            Some(0) => return Err(RamFlashError::PowerLost),
            Some(left) => *left -= 1,
            None => {}
        }
        if let Some(byte) = self.bytes.get_mut(at) {
            *byte = value;
        }
        Ok(())
    }
}

impl ErrorType for RamFlash {
    type Error = RamFlashError;
}

impl ReadNorFlash for RamFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        check_read(self, offset, bytes.len()).map_err(RamFlashError::Refused)?;
        let from = offset as usize;
        for (to, byte) in bytes.iter_mut().zip(self.bytes.iter().skip(from)) {
            *to = *byte;
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        SIZE
    }
}

impl NorFlash for RamFlash {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = BLOCK;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        check_erase(self, from, to).map_err(RamFlashError::Refused)?;
        (from as usize..to as usize).try_for_each(|at| self.change(at, 0xFF))
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        check_write(self, offset, bytes.len()).map_err(RamFlashError::Refused)?;
        for (n, &new) in bytes.iter().enumerate() {
            let at = offset as usize + n;
            let old = self.bytes.get(at).copied().unwrap_or(0);
            if new & !old != 0 {
                return Err(RamFlashError::BitNotErased { at });
            }
            self.change(at, new)?;
        }
        Ok(())
    }
}
