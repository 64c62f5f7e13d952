//! NOR flash in the shared memory: words of 4 bytes, blocks of 4096. As strict as a chip: a write only clears bits. The supply
//! can be told to go away between two words.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use ohmward_proto::emulated::{CUT_AFTER_WORDS_AT, FLASH_AT, FLASH_LEN, FLASH_WORDS_AT};

use crate::{plant, safe, watchdog};

/// The board's flash.
pub struct Flash;

impl ErrorType for Flash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, bytes.len())?;
        for (at, to) in (offset as usize..).zip(bytes) {
            let word = plant::read(FLASH_AT + (at & !3)).to_le_bytes();
            *to = word[at % 4];
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        FLASH_LEN
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        // As a driver does that waits for a chip: an erase takes longer than the watchdog, and is never asked for while the
        // array is connected.
        watchdog::feed();
        for at in (from as usize..to as usize).step_by(4) {
            put(FLASH_AT + at, u32::MAX);
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        watchdog::feed();
        let (words, _) = bytes.as_chunks::<4>();
        for (at, word) in (FLASH_AT + offset as usize..).step_by(4).zip(words) {
            let new = u32::from_le_bytes(*word);
            if new & !plant::read(at) != 0 {
                return Err(NorFlashErrorKind::Other);
            }
            put(at, new);
        }
        Ok(())
    }
}

/// Changes a word; the last one before the supply is cut, if the program has said so.
fn put(at: usize, word: u32) {
    plant::write(at, word);
    plant::write(FLASH_WORDS_AT, plant::read(FLASH_WORDS_AT).wrapping_add(1));
    match plant::read(CUT_AFTER_WORDS_AT) {
        0 => {}
        1 => {
            plant::write(CUT_AFTER_WORDS_AT, 0);
            safe::lose_power();
        }
        more => plant::write(CUT_AFTER_WORDS_AT, more - 1),
    }
}
