//! The memory shared with the program around the emulator: converter, pins, flash ([`ohmward_proto::emulated`]).

use core::convert::Infallible;
use core::ptr::{read_volatile, write_volatile};
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use ohmward_core::Sample;
use ohmward_core::board::{Pins, SampleSource};
use ohmward_proto::checksum::CRC;
use ohmward_proto::emulated::{
    ANSWERS_AT, Answer, BASE, COMMAND_AT, CYCLE_POWER, ENTRY_LEN, GIVEN_AT, Given, LAYOUT,
    LAYOUT_AT, PINS_AT, RING, SAMPLES_AT, SETUP_AT, SETUP_LEN_MAX, STARTS_AT, STATE_AT, Setup,
    State, TAKEN_AT, input, output,
};

use crate::{safe, timer, uart, watchdog};

/// Reads a word at an offset.
pub fn read(at: usize) -> u32 {
    debug_assert!(at.is_multiple_of(4));
    // SAFETY: offsets are constants of the layout, all within the external RAM, which only this core and the program use.
    unsafe { read_volatile((BASE + at) as *const u32) }
}

/// Writes a word at an offset.
pub fn write(at: usize, word: u32) {
    // SAFETY: as in `read`; nothing in Rust's memory lies there.
    unsafe { write_volatile((BASE + at) as *mut u32, word) }
}

/// All outputs off. Uses no stack worth the name and nothing that could be broken.
#[inline(always)]
pub fn outputs_off() {
    write(PINS_AT, 0);
}

/// Counts the start; samples that were given and not answered are gone.
pub fn begin() {
    outputs_off();
    write(STATE_AT, State::Starting.word());
    write(TAKEN_AT, read(GIVEN_AT));
    write(STARTS_AT, read(STARTS_AT).wrapping_add(1));
}

/// What the board is built with, read on a piece of stack that is free again when it runs; `None` when it is not there, damaged, or of another layout.
#[inline(never)]
pub fn setup() -> Option<Setup> {
    if read(LAYOUT_AT) != LAYOUT {
        return None;
    }
    let len = read(SETUP_AT) as usize;
    let mut bytes = [0; 512];
    let bytes = bytes.get_mut(..len).filter(|_| len <= SETUP_LEN_MAX)?;
    for (n, word) in bytes.chunks_mut(4).enumerate() {
        let from = read(SETUP_AT + 8 + 4 * n).to_le_bytes();
        word.copy_from_slice(&from[..word.len()]);
    }
    if CRC.checksum(bytes) != read(SETUP_AT + 4) {
        return None;
    }
    postcard::from_bytes(bytes).ok()
}

/// Loses its supply when told so.
pub fn obey() {
    if read(COMMAND_AT) == CYCLE_POWER {
        write(COMMAND_AT, 0);
        safe::lose_power();
    }
}

/// An output: a bit of the port.
pub struct Out(u32);

impl ErrorType for Out {
    type Error = Infallible;
}

impl OutputPin for Out {
    fn set_low(&mut self) -> Result<(), Infallible> {
        write(PINS_AT, read(PINS_AT) & !self.0);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        write(PINS_AT, read(PINS_AT) | self.0);
        Ok(())
    }
}

/// An input: a bit that belongs to the sample under way.
pub struct In(u16);

/// Inputs of the sample under way, in internal RAM: the ring's place may be written again.
static INPUTS: core::sync::atomic::AtomicU16 = core::sync::atomic::AtomicU16::new(0);

impl ErrorType for In {
    type Error = Infallible;
}

impl InputPin for In {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(INPUTS.load(core::sync::atomic::Ordering::Relaxed) & self.0 != 0)
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        self.is_high().map(|high| !high)
    }
}

/// The board's wires.
pub fn pins() -> Pins<Out, In> {
    Pins {
        contactor: Out(output::CONTACTOR),
        bond_switch: Out(output::BOND_SWITCH),
        bridge_pos: Out(output::BRIDGE_POS),
        bridge_neg: Out(output::BRIDGE_NEG),
        inject: Out(output::INJECT),
        lamp: Out(output::LAMP),
        buzzer: Out(output::BUZZER),
        contactor_feedback: In(input::CONTACTOR_FEEDBACK),
        reset: In(input::RESET),
        arm: In(input::ARM),
    }
}

/// The samples.
pub struct Converter {
    taken: u32,
    /// Ticks at which the sample under way was there.
    pub since: u32,
}

impl Converter {
    /// From the next sample on.
    pub fn new() -> Self {
        Self {
            taken: read(TAKEN_AT),
            since: timer::now(),
        }
    }

    /// Answers the sample under way.
    pub fn answer(&mut self, answer: &Answer) {
        let place = ANSWERS_AT + self.taken as usize % RING * ENTRY_LEN;
        for (n, word) in answer.to_words().into_iter().enumerate() {
            write(place + 4 * n, word);
        }
        self.taken = self.taken.wrapping_add(1);
        write(TAKEN_AT, self.taken);
    }
}

impl SampleSource for Converter {
    type Error = Infallible;

    /// Waits for as long as the program takes. That time is not the board's: its watchdog stands still meanwhile. It spins,
    /// because the emulator's clock goes wrong when the core sleeps.
    fn next(&mut self) -> Result<Sample, Infallible> {
        while read(GIVEN_AT) == self.taken {
            watchdog::feed();
            obey();
        }
        let place = SAMPLES_AT + self.taken as usize % RING * ENTRY_LEN;
        let given = Given::of_words(core::array::from_fn(|n| read(place + 4 * n)));
        uart::fetch(given.link_given);
        watchdog::feed();
        self.since = timer::now();
        INPUTS.store(given.inputs, core::sync::atomic::Ordering::Relaxed);
        if given.inputs & input::SUPPLY_LOW != 0 {
            safe::brown_out();
        }
        #[cfg(feature = "fault-inject")]
        crate::inject::fail(given.inputs);
        Ok(Sample {
            codes: given.codes,
            lost_before: given.lost_before,
        })
    }
}
