//! The last 64 KiB of the chip's flash: settings, trip, events. Reading is reading memory; writing stops the chip's access to
//! flash, and with it every instruction that lies there: what runs meanwhile lies in RAM and in the boot ROM.
//!
//! The converter's DMA goes on meanwhile. A write takes 0.4 ms, 3 ms at most, well within its ring; an erase 45 ms, 400 ms at
//! most: samples that find no place are missed and counted (times from memory, of the usual serial NOR chips).

use core::ptr::addr_of;
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use rp2040_flash::flash::{flash_range_erase, flash_range_program, flash_unique_id};

use crate::watchdog;

/// A page that the chip writes at a time, and a block that it erases.
const PAGE: usize = 256;
const BLOCK: usize = 4096;
const LEN: usize = 64 * 1024;
/// Where the chip sees its flash.
const FLASH: u32 = 0x1000_0000;

unsafe extern "C" {
    static _kept_start: u8;
}

/// The board's flash.
pub struct Flash;

fn start() -> u32 {
    addr_of!(_kept_start) as u32
}

/// The flash chip's own number: every chip has another.
pub fn number() -> u64 {
    let mut bytes = [0; 8];
    cortex_m::interrupt::free(|_| {
        // SAFETY: one core, no interrupts, no DMA yet, and DMA never reads flash.
        unsafe { flash_unique_id(&mut bytes, true) }
    });
    u64::from_be_bytes(bytes)
}

impl ErrorType for Flash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, bytes.len())?;
        for (at, to) in (start() + offset..).zip(bytes) {
            // SAFETY: within the region; volatile, for writes change it behind the compiler's back.
            *to = unsafe { (at as *const u8).read_volatile() };
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        LEN
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = PAGE;
    const ERASE_SIZE: usize = BLOCK;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        for block in (from..to).step_by(BLOCK) {
            watchdog::feed_for_erase();
            cortex_m::interrupt::free(|_| {
                // SAFETY: a block of the region, where no code lies; one core, no interrupts, and DMA never reads flash.
                unsafe { flash_range_erase(start() - FLASH + block, BLOCK as u32, true) }
            });
            watchdog::feed();
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        for (at, page) in (offset..).step_by(PAGE).zip(bytes.chunks_exact(PAGE)) {
            // What is written may lie in flash itself, which cannot be read meanwhile.
            let mut in_ram = [0; PAGE];
            in_ram.copy_from_slice(page);
            watchdog::feed();
            cortex_m::interrupt::free(|_| {
                // SAFETY: as in `erase`.
                unsafe { flash_range_program(start() - FLASH + at, &in_ram, true) }
            });
        }
        Ok(())
    }
}
