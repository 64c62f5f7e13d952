//! The byte link on UART0 (CMSDK APB UART: "Cortex-M System Design Kit" manual, APB UART), as embedded-io.

use core::convert::Infallible;
use core::ptr::{read_volatile, write_volatile};
use core::sync::atomic::{AtomicU8, AtomicU32, AtomicUsize, Ordering};
use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use ohmward_proto::emulated::{LINK_SENT_AT, LINK_TAKEN_AT};

use crate::{plant, timer, watchdog};

const UART0: usize = 0x4000_4000;
const DATA: usize = 0x0;
const STATE: usize = 0x4;
const CTRL: usize = 0x8;
const BAUDDIV: usize = 0x10;
const TX_FULL: u32 = 1;
const RX_FULL: u32 = 1 << 1;
/// Transmit and receive.
const ENABLE: u32 = 3;
/// The smallest there is: the emulator does not pace bytes.
const DIVIDER: u32 = 16;

fn get(register: usize) -> u32 {
    // SAFETY: a register of the UART, used by this core alone.
    unsafe { read_volatile((UART0 + register) as *const u32) }
}

fn set(register: usize, word: u32) {
    // SAFETY: as in `get`.
    unsafe { write_volatile((UART0 + register) as *mut u32, word) }
}

/// Bytes received and not yet read: a UART with a FIFO, since this one holds a single byte. A ring; one place stays free.
static RECEIVED: [AtomicU8; ROOM] = [const { AtomicU8::new(0) }; ROOM];
static FIRST: AtomicUsize = AtomicUsize::new(0);
static END: AtomicUsize = AtomicUsize::new(0);
const ROOM: usize = 256;

fn waiting() -> usize {
    (END.load(Ordering::Relaxed) + ROOM - FIRST.load(Ordering::Relaxed)) % ROOM
}

/// Waits until the link has brought so many bytes, or there is no room for more: those wait on the line.
pub fn fetch(until: u32) {
    while plant::read(LINK_TAKEN_AT) != until && waiting() < ROOM - 1 {
        watchdog::feed();
        if get(STATE) & RX_FULL == 0 {
            continue;
        }
        let end = END.load(Ordering::Relaxed);
        if let Some(place) = RECEIVED.get(end) {
            place.store(get(DATA) as u8, Ordering::Relaxed);
        }
        END.store((end + 1) % ROOM, Ordering::Relaxed);
        plant::write(LINK_TAKEN_AT, plant::read(LINK_TAKEN_AT).wrapping_add(1));
    }
}

/// Ticks spent waiting for the line.
static WAITED: AtomicU32 = AtomicU32::new(0);

/// Ticks spent waiting for the line since the last call.
pub fn take_waited() -> u32 {
    WAITED.swap(0, Ordering::Relaxed)
}

/// The link.
pub struct Uart(());

impl Uart {
    /// Switches it on.
    pub fn new() -> Self {
        set(BAUDDIV, DIVIDER);
        set(CTRL, ENABLE);
        Self(())
    }
}

impl ErrorType for Uart {
    type Error = Infallible;
}

impl Read for Uart {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let n = waiting().min(into.len());
        let first = FIRST.load(Ordering::Relaxed);
        for (n, to) in into.iter_mut().take(n).enumerate() {
            if let Some(byte) = RECEIVED.get((first + n) % ROOM) {
                *to = byte.load(Ordering::Relaxed);
            }
        }
        FIRST.store((first + n) % ROOM, Ordering::Relaxed);
        Ok(n)
    }
}

impl ReadReady for Uart {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(waiting() > 0)
    }
}

impl Write for Uart {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        for &byte in bytes {
            self.flush()?;
            set(DATA, u32::from(byte));
        }
        plant::write(
            LINK_SENT_AT,
            plant::read(LINK_SENT_AT).wrapping_add(bytes.len() as u32),
        );
        Ok(bytes.len())
    }

    /// Until the line takes a byte. How soon it does is up to the machine around the emulator, so the line counts as one
    /// that always has room, and waiting is not the board's time.
    fn flush(&mut self) -> Result<(), Infallible> {
        if get(STATE) & TX_FULL != 0 {
            let since = timer::now();
            while get(STATE) & TX_FULL != 0 {
                watchdog::feed();
            }
            WAITED.fetch_add(timer::now().wrapping_sub(since), Ordering::Relaxed);
        }
        Ok(())
    }
}

impl WriteReady for Uart {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        Ok(true)
    }
}
