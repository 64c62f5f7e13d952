//! The watchdog (CMSDK APB watchdog at 0x4000_8000, its interrupt is the NMI). Not fed in time, it calls the NMI, which
//! switches the outputs off; not answered either, it resets the chip after as long again.

use core::ptr::write_volatile;
use core::sync::atomic::{AtomicU32, Ordering};

const WATCHDOG: usize = 0x4000_8000;
const LOAD: usize = 0x0;
const CONTROL: usize = 0x8;
const LOCK: usize = 0xC00;
const KEY: u32 = 0x1ACC_E551;
/// Interrupt, and reset.
const ENABLE: u32 = 3;
/// 100 ms at 25 MHz. The emulated core does 15.6 instructions in a µs: the longest turn of 31 250 (`tests/image_budgets.rs`) is
/// 2 ms.
const TICKS: u32 = 2_500_000;
/// 2 s: a start may erase three blocks of a real flash (1.2 s at most, `ohmward_core::board`). Nothing is driven yet.
const START_TICKS: u32 = 2 * 25_000_000;

fn set(register: usize, word: u32) {
    // SAFETY: a register of the watchdog, used by this core alone.
    unsafe { write_volatile((WATCHDOG + register) as *mut u32, word) }
}

/// How long it waits now.
static PERIOD: AtomicU32 = AtomicU32::new(START_TICKS);

/// Starts it, with time for the start.
pub fn begin() {
    set(LOCK, KEY);
    set(LOAD, START_TICKS);
    set(CONTROL, ENABLE);
}

/// The start is over.
pub fn watch() {
    PERIOD.store(TICKS, Ordering::Relaxed);
    feed();
}

/// All is well: counts from the beginning.
pub fn feed() {
    set(LOAD, PERIOD.load(Ordering::Relaxed));
}
