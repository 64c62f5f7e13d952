//! The chip's watchdog. Not fed in time it resets everything but the oscillators; all pins are then inputs pulled down, so
//! nothing is driven.

use core::sync::atomic::{AtomicU32, Ordering};
use rp2040_hal::pac;

/// While samples are taken: two hundred of them. Writes to flash feed it too (3 ms at most).
const RUNNING_US: u32 = 50_000;
/// A start erases three blocks of flash, 1.2 s at most, and nothing is driven meanwhile.
const STARTING_US: u32 = 4_000_000;
/// The longest erase of a block takes 0.4 s; the core erases only while the array is not connected.
const ERASING_US: u32 = 2_000_000;

/// How long it waits now, µs.
static PERIOD: AtomicU32 = AtomicU32::new(STARTING_US);

fn registers() -> &'static pac::watchdog::RegisterBlock {
    // SAFETY: registers of the watchdog; after the start this module alone writes them.
    unsafe { &*pac::WATCHDOG::ptr() }
}

fn load(us: u32) {
    // It counts down twice a µs (RP2040-E1).
    // SAFETY: any number of 24 bits.
    registers()
        .load()
        .write(|w| unsafe { w.load().bits(us * 2) });
}

/// Starts it, with time for the start.
pub fn begin() {
    // SAFETY: chooses what a reset by the watchdog resets; nobody else does.
    let psm = unsafe { &*pac::PSM::ptr() };
    // SAFETY: seventeen bits, one a block; the oscillators go on.
    psm.wdsel().write(|w| {
        unsafe { w.bits(0x1_FFFF) }
            .rosc()
            .clear_bit()
            .xosc()
            .clear_bit()
    });
    load(STARTING_US);
    registers().ctrl().write(|w| {
        w.enable().set_bit();
        // A debugger that stops the processor stops what watches the array, too.
        w.pause_dbg0()
            .clear_bit()
            .pause_dbg1()
            .clear_bit()
            .pause_jtag()
            .clear_bit()
    });
}

/// The start is over.
pub fn watch() {
    PERIOD.store(RUNNING_US, Ordering::Relaxed);
    feed();
}

/// All is well: counts from the beginning.
pub fn feed() {
    load(PERIOD.load(Ordering::Relaxed));
}

/// An erase begins.
pub fn feed_for_erase() {
    load(ERASING_US);
}

/// Resets the chip now.
pub fn reset() -> ! {
    registers().ctrl().modify(|_, w| w.trigger().set_bit());
    loop {
        cortex_m::asm::nop();
    }
}
