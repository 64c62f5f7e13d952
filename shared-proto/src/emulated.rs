//! What an emulated board shares with the program around it: memory that both see, in place of converter, pins and flash.
//!
//! The emulator maps a file as the board's external RAM. The program puts samples into a ring there, as a converter's DMA
//! would; the board answers each one in a second ring, and drives its outputs in a word of their own, as a port of pins. A
//! sample, then its answer: results do not depend on how fast either side runs. Several samples may wait in the ring.
//!
//! The byte link is not here: it is a serial port. So that it too is the same in every run, a sample says how many bytes
//! the link has brought before it, and an answer how many it has sent.
//!
//! All words are 32 bits, little-endian. Who writes which stands beside it.

use crate::event::StartReason;
use crate::measure::{Codes, TripState};
use crate::message::BoardId;
use crate::settings::{Calibration, Settings};
use serde::{Deserialize, Serialize};

/// Where the board sees the memory (`mps2-an386`: external RAM). Offsets below count from here.
pub const BASE: usize = 0x2100_0000;
/// Bytes of it; the rest of the external RAM is not used.
pub const LEN: usize = FLASH_AT + FLASH_LEN;
/// Program: version of this layout, [`LAYOUT`]. The board does not start with another.
pub const LAYOUT_AT: usize = 0x00;
/// Number of this layout.
pub const LAYOUT: u32 = 0x4F48_0002;
/// Board: its outputs now, bits of [`output`]. Zero is the safe state; the first thing that any failure writes.
pub const PINS_AT: usize = 0x04;
/// Board: how often it has started.
pub const STARTS_AT: usize = 0x08;
/// Board: [`State`] as a number.
pub const STATE_AT: usize = 0x0C;
/// Program: samples given so far.
pub const GIVEN_AT: usize = 0x10;
/// Board: samples answered so far; at a start all that were given count as answered.
pub const TAKEN_AT: usize = 0x14;
/// Board: bytes it has taken from the link so far.
pub const LINK_TAKEN_AT: usize = 0x18;
/// Board: bytes it has sent over the link so far.
pub const LINK_SENT_AT: usize = 0x1C;
/// Program: [`CYCLE_POWER`] for a supply that goes away and comes back; the board clears it.
pub const COMMAND_AT: usize = 0x20;
/// Board: most stack used since it started, bytes.
pub const STACK_USED_AT: usize = 0x24;
/// Board: stack there is, bytes.
pub const STACK_LEN_AT: usize = 0x28;
/// Board: source line of the last panic.
pub const PANIC_LINE_AT: usize = 0x2C;
/// Board: timer ticks that its start took.
pub const START_TICKS_AT: usize = 0x30;
/// Board: words of its flash that it has written or erased, since the emulator began; goes round.
pub const FLASH_WORDS_AT: usize = 0x40;
/// Program: the supply goes away once so many more words of flash are written or erased; 0 for never. The board counts it
/// down, and loses its supply as by [`CYCLE_POWER`].
pub const CUT_AFTER_WORDS_AT: usize = 0x44;
/// Program: length and CRC-32C of [`Setup`] in postcard, then the bytes.
pub const SETUP_AT: usize = 0x100;
/// Longest [`Setup`].
pub const SETUP_LEN_MAX: usize = 0xE00;
/// Program: ring of samples, [`Given`].
pub const SAMPLES_AT: usize = 0x1000;
/// Board: ring of answers, [`Answer`].
pub const ANSWERS_AT: usize = SAMPLES_AT + RING * ENTRY_LEN;
/// Entries of each ring.
pub const RING: usize = 4096;
/// Bytes of an entry of either ring.
pub const ENTRY_LEN: usize = 16;
/// Both: the board's flash. Lasts as long as the file.
pub const FLASH_AT: usize = ANSWERS_AT + RING * ENTRY_LEN;
/// Bytes of it.
pub const FLASH_LEN: usize = 8 * 4096;
/// [`COMMAND_AT`]: nothing but flash stays.
pub const CYCLE_POWER: u32 = 1;
/// Rate of the timer that counts ticks, Hz.
pub const TICKS_HZ: u32 = 25_000_000;

/// Where the board is. Number on the wire = position.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum State {
    /// Not up yet.
    Starting,
    /// Takes samples.
    Running,
    /// No [`Setup`] that it can read: none, damaged, or of another layout.
    NoSetup,
    /// The firmware refused to start: settings or flash.
    NotStarted,
}

impl State {
    /// The number of a state.
    #[must_use]
    pub const fn word(self) -> u32 {
        self as u32
    }

    /// The state of a number; `None` if it is none.
    #[must_use]
    pub const fn of(word: u32) -> Option<Self> {
        Some(match word {
            0 => Self::Starting,
            1 => Self::Running,
            2 => Self::NoSetup,
            3 => Self::NotStarted,
            _ => return None,
        })
    }
}

/// What a board on a bench of its own has in its flash or is built with.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Setup {
    /// Its number.
    pub board: BoardId,
    /// Number of its first run, if flash is blank.
    pub boot: u32,
    /// Why it starts, unless it knows better itself.
    pub reason: StartReason,
    /// Samples per second and channel.
    pub sample_rate_hz: u32,
    /// Unix time in ms of sample 0.
    pub epoch_unix_ms: Option<i64>,
    /// Settings of a blank board.
    pub settings: Settings,
    /// Its calibration.
    pub calibration: Calibration,
}

/// Digital inputs, and a failure to happen in this sample. Bits of [`Given::inputs`].
pub mod input {
    /// Auxiliary contact: contactor closed.
    pub const CONTACTOR_FEEDBACK: u16 = 1;
    /// Reset button.
    pub const RESET: u16 = 1 << 1;
    /// Maintenance switch.
    pub const ARM: u16 = 1 << 2;
    /// The supervisor of the supply: it sags, in a moment it is gone.
    pub const SUPPLY_LOW: u16 = 1 << 3;
    /// A broken invariant. This and what follows: only an image built with `fault-inject` looks at it.
    pub const PANIC: u16 = 1 << 8;
    /// A read where nothing is.
    pub const HARD_FAULT: u16 = 1 << 9;
    /// A loop without end.
    pub const HANG: u16 = 1 << 10;
    /// A recursion without end.
    pub const STACK_OVERFLOW: u16 = 1 << 11;
    /// A loop without end that takes no interrupt either: only the watchdog's own reset is left.
    pub const DEAF_HANG: u16 = 1 << 12;
}

/// Bits of the outputs.
pub mod output {
    /// Contactor coil.
    pub const CONTACTOR: u32 = 1;
    /// Bond switch driven = bond open.
    pub const BOND_SWITCH: u32 = 1 << 1;
    /// Bridge, positive pole.
    pub const BRIDGE_POS: u32 = 1 << 2;
    /// Bridge, negative pole.
    pub const BRIDGE_NEG: u32 = 1 << 3;
    /// Self-test current.
    pub const INJECT: u32 = 1 << 4;
    /// Lamp.
    pub const LAMP: u32 = 1 << 5;
    /// Buzzer.
    pub const BUZZER: u32 = 1 << 6;
}

/// A sample with the inputs that belong to it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Given {
    /// What the converter gave.
    pub codes: Codes,
    /// Samples missed right before.
    pub lost_before: u16,
    /// Bits of [`input`].
    pub inputs: u16,
    /// Bytes that the link has brought before this sample, since the emulator began; goes round.
    pub link_given: u32,
}

impl Given {
    /// As it lies in the ring.
    #[must_use]
    pub fn to_bytes(&self) -> [u8; ENTRY_LEN] {
        let c = &self.codes;
        let halves = [
            c.i_fine.to_le_bytes(),
            c.i_wide.to_le_bytes(),
            c.v_pos.to_le_bytes(),
            c.v_neg.to_le_bytes(),
            self.lost_before.to_le_bytes(),
            self.inputs.to_le_bytes(),
        ];
        let mut bytes = [0; ENTRY_LEN];
        let (front, back) = bytes.split_at_mut(12);
        front.copy_from_slice(halves.as_flattened());
        back.copy_from_slice(&self.link_given.to_le_bytes());
        bytes
    }

    /// From the words of the ring.
    #[must_use]
    pub fn of_words([a, b, c, link_given]: [u32; 4]) -> Self {
        Self {
            codes: Codes {
                i_fine: a as u16 as i16,
                i_wide: (a >> 16) as u16 as i16,
                v_pos: b as u16 as i16,
                v_neg: (b >> 16) as u16 as i16,
            },
            lost_before: c as u16,
            inputs: (c >> 16) as u16,
            link_given,
        }
    }
}

/// What the board says to a sample.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Answer {
    /// Bits of [`output`].
    pub outputs: u16,
    /// Where the trip logic stands: position of a [`TripState`].
    pub state: u16,
    /// Timer ticks from the sample to the outputs.
    pub decide_ticks: u32,
    /// Timer ticks from the sample until flash and link were served too.
    pub turn_ticks: u32,
    /// Bytes that the board has sent over the link, this sample's included, since the emulator began; goes round.
    pub link_sent: u32,
}

impl Answer {
    /// As it lies in the ring.
    #[must_use]
    pub const fn to_words(&self) -> [u32; 4] {
        [
            self.outputs as u32 | (self.state as u32) << 16,
            self.decide_ticks,
            self.turn_ticks,
            self.link_sent,
        ]
    }

    /// Where the trip logic stands; `None` for a number that no state has.
    #[must_use]
    pub const fn trip_state(&self) -> Option<TripState> {
        Some(match self.state {
            0 => TripState::Resting,
            1 => TripState::Closing,
            2 => TripState::Closed,
            3 => TripState::Opening,
            4 => TripState::Latched,
            5 => TripState::FailedToOpen,
            6 => TripState::LockedOut,
            _ => return None,
        })
    }

    /// From the bytes of the ring.
    #[must_use]
    pub fn of_bytes(bytes: &[u8; ENTRY_LEN]) -> Self {
        let (words, _) = bytes.as_chunks::<4>();
        let mut words = words.iter().map(|word| u32::from_le_bytes(*word));
        let mut word = || words.next().unwrap_or_default();
        let first = word();
        Self {
            outputs: first as u16,
            state: (first >> 16) as u16,
            decide_ticks: word(),
            turn_ticks: word(),
            link_sent: word(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_reads_as_it_was_written() {
        let given = Given {
            codes: Codes {
                i_fine: -2,
                i_wide: i16::MIN,
                v_pos: i16::MAX,
                v_neg: 0x1234,
            },
            lost_before: 0xABCD,
            inputs: input::ARM | input::DEAF_HANG,
            link_given: 0xDEAD_BEEF,
        };
        let bytes = given.to_bytes();
        assert_eq!(
            bytes,
            [
                0xFE, 0xFF, 0x00, 0x80, 0xFF, 0x7F, 0x34, 0x12, 0xCD, 0xAB, 0x04, 0x10, 0xEF, 0xBE,
                0xAD, 0xDE
            ]
        );
        let (words, []) = bytes.as_chunks::<4>() else {
            unreachable!("sixteen bytes")
        };
        let words: [u32; 4] = core::array::from_fn(|n| u32::from_le_bytes(words[n]));
        assert_eq!(Given::of_words(words), given);

        let answer = Answer {
            outputs: (output::CONTACTOR | output::BUZZER) as u16,
            state: 6,
            decide_ticks: 3,
            turn_ticks: 0x0102_0304,
            link_sent: u32::MAX,
        };
        let mut bytes = [0; ENTRY_LEN];
        for (to, word) in bytes.chunks_mut(4).zip(answer.to_words()) {
            to.copy_from_slice(&word.to_le_bytes());
        }
        assert_eq!(Answer::of_bytes(&bytes), answer);
    }

    #[test]
    fn every_state_has_its_number() {
        for state in [
            State::Starting,
            State::Running,
            State::NoSetup,
            State::NotStarted,
        ] {
            assert_eq!(State::of(state.word()), Some(state));
        }
        assert_eq!(State::of(4), None);
        for state in [
            TripState::Resting,
            TripState::Closing,
            TripState::Closed,
            TripState::Opening,
            TripState::Latched,
            TripState::FailedToOpen,
            TripState::LockedOut,
        ] {
            let answer = Answer {
                state: state as u16,
                ..Answer::default()
            };
            assert_eq!(answer.trip_state(), Some(state));
        }
        let none = Answer {
            state: 7,
            ..Answer::default()
        };
        assert_eq!(none.trip_state(), None);
    }

    #[test]
    fn a_setup_fits() {
        let setup = Setup {
            board: BoardId(u64::MAX),
            boot: u32::MAX,
            reason: StartReason::Requested,
            sample_rate_hz: u32::MAX,
            epoch_unix_ms: Some(i64::MIN),
            settings: Settings::SMALL_BONDED,
            calibration: Calibration::REFERENCE,
        };
        let mut room = [0; SETUP_LEN_MAX];
        let len = postcard::to_slice(&setup, &mut room).expect("fits").len();
        assert!(len < SETUP_LEN_MAX / 2, "{len}");
        assert_eq!(postcard::from_bytes(&room[..len]), Ok(setup));
    }
}
