//! The byte link on UART0 as embedded-io: 460 800 baud, 8 data bits, no parity, one stop bit.
//!
//! DMA takes what comes into a ring, so nothing is lost while the processor computes or writes flash; 1024 bytes are 22 ms of
//! a busy line. What goes out waits in the UART's own 32 bytes, filled after every sample: 460 800 baud are eleven and a half
//! bytes a sample.

use core::cell::UnsafeCell;
use core::convert::Infallible;
use embedded_io::{ErrorType, Read, ReadReady, Write, WriteReady};
use rp2040_hal::pac;

use crate::converter::{Dma, Size, Start};

const BAUD: u32 = 460_800;
/// Bytes of the ring, as a power of two.
const ROOM_LOG2: u32 = 10;
const ROOM: usize = 1 << ROOM_LOG2;
/// Bytes that may come while some are read.
const SPARE: usize = 32;
/// DMA channels, and its request line (RP2040 datasheet, DREQ table).
const CHANNELS: [usize; 2] = [2, 3];
const DREQ_UART0_RX: u32 = 21;

#[repr(align(1024))]
struct Ring(UnsafeCell<[u8; ROOM]>);

// SAFETY: DMA writes it, `Link` alone reads it, by volatile reads.
unsafe impl Sync for Ring {}

static RING: Ring = Ring(UnsafeCell::new([0; ROOM]));

/// The link.
pub struct Link {
    uart: pac::UART0,
    dma: Dma,
    /// Bytes taken so far.
    taken: u64,
}

impl Link {
    /// Switches it on.
    pub fn new(uart: pac::UART0, resets: &mut pac::RESETS, clock_hz: u32) -> Self {
        resets.reset().modify(|_, w| w.uart0().set_bit());
        resets.reset().modify(|_, w| w.uart0().clear_bit());
        while resets.reset_done().read().uart0().bit_is_clear() {}
        // 64ths of the divider (PL011 manual, "Fractional baud rate divider").
        let divider = (clock_hz * 4 + BAUD / 2) / BAUD;
        // SAFETY: the divider's two parts fit their fields: 125 MHz / 16 / 460 800 is 17.
        unsafe {
            uart.uartibrd().write(|w| w.bits(divider / 64));
            uart.uartfbrd().write(|w| w.bits(divider % 64));
            uart.uartlcr_h()
                .write(|w| w.wlen().bits(0b11).fen().set_bit());
        }
        uart.uartdmacr().write(|w| w.rxdmae().set_bit());
        uart.uartcr()
            .write(|w| w.uarten().set_bit().txe().set_bit().rxe().set_bit());
        let dma = Dma::start(&Start {
            channels: CHANNELS,
            from: uart.uartdr().as_ptr() as u32,
            ring: RING.0.get() as u32,
            ring_log2: ROOM_LOG2,
            size: Size::Byte,
            request: DREQ_UART0_RX,
        });
        Self {
            uart,
            dma,
            taken: 0,
        }
    }

    /// Bytes that wait. When the ring is about to overrun, its older half is given up: the frames in it fail their checksum, and
    /// a host that is not answered says it again.
    fn waiting(&mut self) -> usize {
        let came = self.dma.transfers();
        if came - self.taken > (ROOM - SPARE) as u64 {
            self.taken = came - ROOM as u64 / 2;
        }
        (came - self.taken) as usize
    }
}

impl ErrorType for Link {
    type Error = Infallible;
}

impl Read for Link {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let n = self.waiting().min(into.len());
        for to in into.iter_mut().take(n) {
            let at = self.taken as usize % ROOM;
            // SAFETY: within the ring.
            *to = unsafe { RING.0.get().cast::<u8>().add(at).read_volatile() };
            self.taken += 1;
        }
        Ok(n)
    }
}

impl ReadReady for Link {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(self.waiting() > 0)
    }
}

impl Write for Link {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        let mut n = 0;
        for &byte in bytes {
            if self.uart.uartfr().read().txff().bit_is_set() {
                break;
            }
            // SAFETY: any byte.
            self.uart.uartdr().write(|w| unsafe { w.data().bits(byte) });
            n += 1;
        }
        Ok(n)
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        while self.uart.uartfr().read().busy().bit_is_set() {}
        Ok(())
    }
}

impl WriteReady for Link {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        Ok(self.uart.uartfr().read().txff().bit_is_clear())
    }
}
