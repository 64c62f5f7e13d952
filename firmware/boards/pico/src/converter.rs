//! The chip's own converter, all four inputs in turn, 256 000 conversions a second by its own divider: sixteen of each input
//! are a sample. DMA puts them into a ring; the processor adds them up when a sample is whole.
//!
//! Sixteen conversions of twelve bits add up to sixteen bits. They are spread over the whole 250 µs, so the sum is a filter as
//! well: nothing of 4, 8, 12 … kHz passes it.

use core::cell::UnsafeCell;
use core::convert::Infallible;
use core::sync::atomic::{Ordering, compiler_fence};
use ohmward_core::Sample;
use ohmward_core::board::SampleSource;
use ohmward_proto::measure::Codes;
use rp2040_hal::pac;
use rp2040_hal::pac::interrupt;

use crate::watchdog;

mod dma;

pub use dma::{Dma, Size, Start};

/// Samples per second and channel.
pub const RATE_HZ: u32 = 4000;
/// Between two samples, exactly.
const SAMPLE_US: u64 = 1_000_000 / RATE_HZ as u64;
const _: () = assert!(1_000_000 % RATE_HZ == 0);
const INPUTS: usize = 4;
/// Conversions of each input in a sample.
const OVERSAMPLED: usize = 16;
const WORDS: usize = INPUTS * OVERSAMPLED;
/// 48 MHz over 187.5 (RP2040 datasheet, ADC DIV: one more than INT, and 256ths).
const DIVIDER: u32 = 186 << 8 | 128;
/// Twelve bits, the middle as zero, sixteen of them.
const MIDDLE: i32 = 1 << 15;
/// FIFO word: this conversion did not settle.
const FAILED: u32 = 1 << 15 | 1 << 31;
const DREQ_ADC: u32 = 36;
const CHANNELS: [usize; 2] = [0, 1];
/// Ring, in bytes and samples: 32 ms.
const RING_LOG2: u32 = 14;
const RING: usize = (1 << RING_LOG2) / (2 * WORDS);
/// Of these as many are left alone when the board has fallen behind: DMA is about to write them.
const SPARE: u64 = 8;

#[repr(align(16384))]
struct Words(UnsafeCell<[u32; (1 << RING_LOG2) / 4]>);

// SAFETY: DMA writes it, `Converter` alone reads it, by volatile reads.
unsafe impl Sync for Words {}

#[unsafe(link_section = ".ring")]
static WORDS_RING: Words = Words(UnsafeCell::new([0; (1 << RING_LOG2) / 4]));

/// The samples.
pub struct Converter {
    adc: pac::ADC,
    timer: pac::TIMER,
    dma: Dma,
    /// Samples of this run of DMA that were taken or missed.
    taken: u64,
    /// Missed, not yet told.
    missed: u64,
    /// The timer's µs when this run began.
    began_us: u64,
}

impl Converter {
    /// Starts it.
    pub fn new(adc: pac::ADC, resets: &mut pac::RESETS, timer: pac::TIMER) -> Self {
        resets.reset().modify(|_, w| w.adc().set_bit());
        resets.reset().modify(|_, w| w.adc().clear_bit());
        while resets.reset_done().read().adc().bit_is_clear() {}
        adc.cs().write(|w| w.en().set_bit());
        while adc.cs().read().ready().bit_is_clear() {}
        // SAFETY: the divider's field, as above.
        unsafe { adc.div().write(|w| w.bits(DIVIDER)) };
        timer.inte().modify(|_, w| w.alarm_0().set_bit());
        // SAFETY: its handler, below, only clears it.
        unsafe { cortex_m::peripheral::NVIC::unmask(pac::Interrupt::TIMER_IRQ_0) };
        let (dma, began_us) = run(&adc, &timer);
        Self {
            adc,
            timer,
            dma,
            taken: 0,
            missed: 0,
            began_us,
        }
    }

    /// Conversions were lost between converter and DMA: which input a word belongs to is not sure any more. From the
    /// beginning; the time that is gone tells how many samples are.
    fn run_again(&mut self) {
        self.adc.cs().modify(|_, w| w.start_many().clear_bit());
        // The conversion under way ends first, or its word would be taken for the first input's.
        while self.adc.cs().read().ready().bit_is_clear() {}
        self.dma.stop();
        let since = now_us(&self.timer).wrapping_sub(self.began_us);
        let due = since / SAMPLE_US;
        (self.dma, self.began_us) = run(&self.adc, &self.timer);
        self.missed += due.saturating_sub(self.taken).max(1);
        self.taken = 0;
    }

    /// Samples that DMA has finished and nobody has taken.
    fn ready(&mut self) -> u64 {
        if self.adc.fcs().read().over().bit_is_set() {
            self.run_again();
        }
        let whole = self.dma.transfers() / WORDS as u64;
        let ready = whole - self.taken;
        let kept = RING as u64 - SPARE;
        if ready <= kept {
            return ready;
        }
        self.missed += ready - kept;
        self.taken = whole - kept;
        kept
    }

    /// Sleeps until the next sample should be there.
    fn wait(&self) {
        let due = (self.taken + 1) * SAMPLE_US + self.began_us;
        let now = now_us(&self.timer);
        // At least so long that the alarm lies ahead when it is set.
        let alarm = due.max(now + 4) as u32;
        // SAFETY: any moment.
        self.timer.alarm0().write(|w| unsafe { w.bits(alarm) });
        // An interrupt that comes before this leaves its mark, and it returns at once.
        cortex_m::asm::wfe();
    }

    fn take(&mut self) -> Codes {
        compiler_fence(Ordering::Acquire);
        let first = self.taken as usize % RING * (WORDS / 2);
        // SAFETY: a whole sample within the ring, which DMA does not write before it has gone round.
        let word = |n: usize| unsafe {
            WORDS_RING
                .0
                .get()
                .cast::<u32>()
                .add(first + n)
                .read_volatile()
        };
        // Two inputs at a time in the halves of a word: sixteen conversions cannot carry into the upper half.
        let (mut current, mut volts, mut any) = (0u32, 0u32, 0u32);
        for n in (0..WORDS / 2).step_by(2) {
            let (i, v) = (word(n), word(n + 1));
            current = current.wrapping_add(i & !FAILED);
            volts = volts.wrapping_add(v & !FAILED);
            any |= i | v;
        }
        self.taken += 1;
        if any & FAILED != 0 {
            return settled(word);
        }
        Codes {
            i_fine: code(current & 0xFFFF),
            i_wide: code(current >> 16),
            v_pos: code(volts & 0xFFFF),
            v_neg: code(volts >> 16),
        }
    }
}

/// Code of a sum of sixteen.
fn code(sum: u32) -> i16 {
    (sum as i32 - MIDDLE) as i16
}

/// The same from the conversions that did settle. None of an input: its rail, which the core takes for a sensor that is lost
/// if it stays.
fn settled(word: impl Fn(usize) -> u32) -> Codes {
    let one = |input: usize| {
        let (mut sum, mut count) = (0, 0);
        for n in (input / 2..WORDS / 2).step_by(2) {
            let half = word(n) >> (input % 2 * 16) & 0xFFFF;
            if half & FAILED == 0 {
                sum += half;
                count += 1;
            }
        }
        (sum * OVERSAMPLED as u32)
            .checked_div(count)
            .map_or(i16::MIN, code)
    };
    Codes {
        i_fine: one(0),
        i_wide: one(1),
        v_pos: one(2),
        v_neg: one(3),
    }
}

/// Converter and DMA from the beginning, input 0 first. Returns the moment, µs.
fn run(adc: &pac::ADC, timer: &pac::TIMER) -> (Dma, u64) {
    while adc.fcs().read().empty().bit_is_clear() {
        let _ = adc.fifo().read().bits();
    }
    adc.fcs()
        .write(|w| w.over().clear_bit_by_one().under().clear_bit_by_one());
    // SAFETY: one word is enough for a request.
    adc.fcs().write(|w| unsafe {
        w.en()
            .set_bit()
            .err()
            .set_bit()
            .dreq_en()
            .set_bit()
            .thresh()
            .bits(1)
    });
    let dma = Dma::start(&Start {
        channels: CHANNELS,
        from: adc.fifo().as_ptr() as u32,
        ring: WORDS_RING.0.get() as u32,
        ring_log2: RING_LOG2,
        size: Size::Half,
        request: DREQ_ADC,
    });
    // SAFETY: four inputs in turn, from the first.
    adc.cs().write(|w| unsafe {
        w.en()
            .set_bit()
            .ainsel()
            .bits(0)
            .rrobin()
            .bits(0b1111)
            .start_many()
            .set_bit()
    });
    (dma, now_us(timer))
}

fn now_us(timer: &pac::TIMER) -> u64 {
    loop {
        let high = timer.timerawh().read().bits();
        let low = timer.timerawl().read().bits();
        if timer.timerawh().read().bits() == high {
            return u64::from(high) << 32 | u64::from(low);
        }
    }
}

/// Wakes the processor, no more.
#[interrupt]
fn TIMER_IRQ_0() {
    // SAFETY: clears the alarm's flag.
    unsafe {
        (*pac::TIMER::ptr())
            .intr()
            .write(|w| w.alarm_0().clear_bit_by_one())
    };
}

impl SampleSource for Converter {
    type Error = Infallible;

    /// The watchdog is fed here and nowhere else while samples are taken: no samples, no contactor.
    fn next(&mut self) -> Result<Sample, Infallible> {
        while self.ready() == 0 {
            self.wait();
        }
        watchdog::feed();
        let codes = self.take();
        let lost_before = u16::try_from(self.missed).unwrap_or(u16::MAX);
        self.missed -= u64::from(lost_before);
        Ok(Sample { codes, lost_before })
    }
}
