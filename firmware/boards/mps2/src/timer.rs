//! TIMER0 (CMSDK APB timer) as a free-running counter at [`ohmward_proto::emulated::TICKS_HZ`]; only for measuring steps.

use core::ptr::{read_volatile, write_volatile};

const TIMER0: usize = 0x4000_0000;
const CTRL: usize = 0x0;
const VALUE: usize = 0x4;
const RELOAD: usize = 0x8;
const ENABLE: u32 = 1;

/// Starts it.
pub fn begin() {
    for (register, word) in [(RELOAD, u32::MAX), (VALUE, u32::MAX), (CTRL, ENABLE)] {
        // SAFETY: a register of the timer, used by this core alone.
        unsafe { write_volatile((TIMER0 + register) as *mut u32, word) }
    }
}

/// Ticks; goes round every 171 s.
pub fn now() -> u32 {
    // SAFETY: as in `begin`. It counts down.
    u32::MAX - unsafe { read_volatile((TIMER0 + VALUE) as *const u32) }
}
