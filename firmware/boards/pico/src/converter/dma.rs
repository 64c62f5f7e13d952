//! DMA into a ring, for ever: two channels that start each other, each with a count that is a whole number of rings. No
//! interrupt is needed, so it goes on while flash is written.

use rp2040_hal::pac;

/// Transfers of a channel until the other takes over.
const COUNT: u32 = 1 << 30;

/// Bytes in a transfer.
#[derive(Clone, Copy)]
pub enum Size {
    Byte = 0,
    Half = 1,
}

/// What is moved where.
pub struct Start {
    /// Two channels of its own.
    pub channels: [usize; 2],
    /// The register it reads.
    pub from: u32,
    /// The ring, at a multiple of its size.
    pub ring: u32,
    /// Its size in bytes, as a power of two.
    pub ring_log2: u32,
    pub size: Size,
    /// Who says when (RP2040 datasheet, DREQ table).
    pub request: u32,
}

/// A running pair.
pub struct Dma {
    channels: [usize; 2],
    /// Of both channels together, modulo two counts, when last looked at.
    seen: u32,
    transfers: u64,
}

fn channel(n: usize) -> &'static pac::dma::CH {
    // SAFETY: each channel belongs to one `Dma`.
    unsafe { (*pac::DMA::ptr()).ch(n) }
}

impl Dma {
    /// Starts it.
    pub fn start(start: &Start) -> Self {
        let [a, b] = start.channels;
        // The second first: writing the first one's control starts it.
        for (own, other) in [(b, a), (a, b)] {
            let control = 1
                | (start.size as u32) << 2
                | 1 << 5 // the ring's address goes on
                | start.ring_log2 << 6
                | 1 << 10 // the ring is the one written
                | (other as u32) << 11
                | start.request << 15
                | 1 << 21; // no interrupts
            let channel = channel(own);
            // SAFETY: CTRL as above (RP2040 datasheet, DMA); the ring is a static of that size and alignment.
            unsafe {
                channel.ch_read_addr().write(|w| w.bits(start.from));
                channel.ch_write_addr().write(|w| w.bits(start.ring));
                channel.ch_trans_count().write(|w| w.bits(COUNT));
                if own == a {
                    channel.ch_ctrl_trig().write(|w| w.bits(control));
                } else {
                    channel.ch_al1_ctrl().write(|w| w.bits(control));
                }
            }
        }
        Self {
            channels: start.channels,
            seen: 0,
            transfers: 0,
        }
    }

    /// Stops both channels; nothing is written any more.
    pub fn stop(&mut self) {
        let mask = self.channels.iter().fold(0, |mask, n| mask | 1 << n);
        for &n in &self.channels {
            channel(n).ch_al1_ctrl().modify(|_, w| w.en().clear_bit());
        }
        // SAFETY: channels of its own.
        unsafe {
            let dma = &*pac::DMA::ptr();
            dma.chan_abort().write(|w| w.bits(mask));
            while dma.chan_abort().read().bits() & mask != 0 {}
        }
    }

    /// Transfers since the start. To be asked at least once in two counts: 2.3 hours of the converter.
    pub fn transfers(&mut self) -> u64 {
        let [a, b] = self.channels.map(channel);
        let busy = |channel: &pac::dma::CH| channel.ch_ctrl_trig().read().busy().bit_is_set();
        let left = |channel: &pac::dma::CH| channel.ch_trans_count().read().bits();
        // Between two looks one channel may end and the other begin; a pair that has stopped is the watchdog's.
        let now = loop {
            let (first, second) = (busy(a), busy(b));
            let now = match (first, second) {
                (true, false) => COUNT - left(a),
                (false, true) => 2 * COUNT - left(b),
                _ => continue,
            };
            if (busy(a), busy(b)) == (first, second) {
                break now;
            }
        };
        let since = now.wrapping_sub(self.seen) % (2 * COUNT);
        self.seen = now % (2 * COUNT);
        self.transfers += u64::from(since);
        self.transfers
    }
}
