//! A NOR flash in RAM: as strict as a chip, and as faulty as one may be.
//!
//! Strict: writes only clear bits, only aligned, only inside, only in blocks whose erase has ended; erases whole blocks.
//! Whoever breaks a rule gets an error, and is counted in [`NorFake::violations`] should the error be swallowed.
//!
//! Faulty: a supply that goes away at any step of a write or an erase ([`NorFake::cut_after`]), and what it leaves
//! behind ([`Tear`]); writes and erases that are refused; bytes that no longer change. A word whose write was torn may
//! be weak: bits of the torn write come through when it is written again, even if it had read as blank.
//!
//! For the simulated board and for tests; every block's erases are counted.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read,
    check_write,
};

/// Steps of an erase between which the supply can go away.
pub const ERASE_STEPS: u32 = 4;

/// The simulated board's flash: words of four bytes, blocks of 4096; two for the slots of [`crate::nv`], six for its ring.
pub type RamFlash = NorFake<4, 4096, 8, 512>;

/// What a step that the supply did not last through leaves behind.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Tear {
    /// Whole bytes up to the cut, nothing after it, and nothing weak.
    #[default]
    Sharp,
    /// Bits at random, within the torn word of a write, all over the block of an erase.
    Garbage {
        /// Of the random numbers.
        seed: u32,
    },
    /// The torn word, or the whole block, reads as blank. It is not.
    LooksBlank,
}

/// What a chip would refuse, or a supply that is gone.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum FlashFault {
    /// Outside, or not aligned.
    Refused(NorFlashErrorKind),
    /// A write would have to set a bit that an erase did not, or stands in a block whose erase was cut.
    NotErased {
        /// Address of the byte.
        at: usize,
    },
    /// The supply went away.
    PowerLost,
    /// A fault that was asked for.
    Worn,
}

impl NorFlashError for FlashFault {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Refused(kind) => *kind,
            Self::NotErased { .. } | Self::PowerLost | Self::Worn => NorFlashErrorKind::Other,
        }
    }
}

/// NOR flash of `BLOCKS` erase blocks of `ERASE` bytes, written in words of `WRITE` bytes, read by the byte.
///
/// `MARKS` is `ERASE / 8`.
#[derive(Clone, Debug)]
pub struct NorFake<const WRITE: usize, const ERASE: usize, const BLOCKS: usize, const MARKS: usize>
{
    bytes: [[u8; ERASE]; BLOCKS],
    /// A bit a byte: a torn write has weakened it.
    weak: [[u8; MARKS]; BLOCKS],
    /// The last erase of the block was cut.
    half_erased: [bool; BLOCKS],
    erases: [u32; BLOCKS],
    /// Steps until the supply is gone; `None` for a supply that holds.
    budget: Option<u64>,
    /// It is gone.
    off: bool,
    tear: Tear,
    steps: u64,
    writes: u64,
    violations: u32,
    refuse_writes: u32,
    refuse_erases: u32,
    stuck: Option<(usize, u8)>,
}

impl<const WRITE: usize, const ERASE: usize, const BLOCKS: usize, const MARKS: usize> Default
    for NorFake<WRITE, ERASE, BLOCKS, MARKS>
{
    fn default() -> Self {
        const { assert!(MARKS == ERASE / 8 && ERASE.is_multiple_of(WRITE)) };
        Self {
            bytes: [[0xFF; ERASE]; BLOCKS],
            weak: [[0; MARKS]; BLOCKS],
            half_erased: [false; BLOCKS],
            erases: [0; BLOCKS],
            budget: None,
            off: false,
            tear: Tear::Sharp,
            steps: 0,
            writes: 0,
            violations: 0,
            refuse_writes: 0,
            refuse_erases: 0,
            stuck: None,
        }
    }
}

/// The next of a row of random numbers (xorshift, 32 bit).
fn random(state: &mut u32) -> u8 {
    *state ^= *state << 13;
    *state ^= *state >> 17;
    *state ^= *state << 5;
    (*state >> 11) as u8
}

impl<const WRITE: usize, const ERASE: usize, const BLOCKS: usize, const MARKS: usize>
    NorFake<WRITE, ERASE, BLOCKS, MARKS>
{
    /// Lets this many more steps through (a byte of a write, a quarter of an erase), then fails as a supply would.
    pub fn cut_after(&mut self, steps: u64, tear: Tear) {
        self.budget = Some(steps);
        self.tear = tear;
    }

    /// The supply is back.
    pub fn power_up(&mut self) {
        self.off = false;
        self.budget = None;
    }

    /// The supply is gone.
    pub fn is_off(&self) -> bool {
        self.off
    }

    /// Steps done so far: what [`Self::cut_after`] counts.
    pub fn steps(&self) -> u64 {
        self.steps
    }

    /// Writes begun so far: a chip would have stopped the board for each.
    pub fn writes(&self) -> u64 {
        self.writes
    }

    /// How often a rule was broken.
    pub fn violations(&self) -> u32 {
        self.violations
    }

    /// Erases of each block.
    pub fn erases(&self) -> &[u32; BLOCKS] {
        &self.erases
    }

    /// Refuses the next so many writes.
    pub fn refuse_writes(&mut self, count: u32) {
        self.refuse_writes = count;
    }

    /// Refuses the next so many erases.
    pub fn refuse_erases(&mut self, count: u32) {
        self.refuse_erases = count;
    }

    /// The byte at this address reads like this from now on, whatever is written or erased.
    pub fn stick(&mut self, at: usize, value: u8) {
        self.stuck = Some((at, value));
        self.hold_stuck();
    }

    /// Raw content, for damage on purpose.
    pub fn bytes_mut(&mut self) -> &mut [u8] {
        self.bytes.as_flattened_mut()
    }

    fn hold_stuck(&mut self) {
        if let Some((at, value)) = self.stuck
            && let Some(byte) = self.bytes.as_flattened_mut().get_mut(at)
        {
            *byte = value;
        }
    }

    fn broken(&mut self, fault: FlashFault) -> FlashFault {
        self.violations += 1;
        fault
    }

    fn powered(&self) -> Result<(), FlashFault> {
        if self.off {
            return Err(FlashFault::PowerLost);
        }
        Ok(())
    }

    /// One step further; false when the supply goes away in it.
    fn step(&mut self) -> bool {
        match &mut self.budget {
            Some(0) => {
                self.off = true;
                return false;
            }
            Some(left) => *left -= 1,
            None => {}
        }
        self.steps += 1;
        true
    }

    fn is_weak(&self, at: usize) -> bool {
        let mark = self.weak.as_flattened().get(at / 8).copied();
        mark.unwrap_or(0) & (1 << (at % 8)) != 0
    }

    fn program(&mut self, at: usize, value: u8) {
        // What a torn write left in the cell comes through.
        let weak = if self.is_weak(at) { 0x5A } else { 0xFF };
        if let Some(byte) = self.bytes.as_flattened_mut().get_mut(at) {
            *byte &= value & weak;
        }
    }

    /// The supply went away at `at` of a write of `bytes` to `offset`: what becomes of that word.
    fn tear_word(&mut self, offset: usize, at: usize, bytes: &[u8]) {
        let word = at - at % WRITE;
        let mut state = match self.tear {
            Tear::Garbage { seed } => seed.wrapping_mul(2_654_435_761) ^ at as u32 | 1,
            Tear::Sharp | Tear::LooksBlank => 0,
        };
        for n in word..word + WRITE {
            let Some(&new) = n.checked_sub(offset).and_then(|k| bytes.get(k)) else {
                continue;
            };
            let tear = self.tear;
            if let Some(byte) = self.bytes.as_flattened_mut().get_mut(n) {
                match tear {
                    Tear::Sharp => {}
                    Tear::Garbage { .. } => *byte &= new | random(&mut state),
                    Tear::LooksBlank => *byte = 0xFF,
                }
            }
            if tear == Tear::Sharp {
                continue;
            }
            if let Some(mark) = self.weak.as_flattened_mut().get_mut(n / 8) {
                *mark |= 1 << (n % 8);
            }
        }
    }

    /// The supply went away `done` steps into an erase.
    fn tear_block(&mut self, block: usize, done: u32) {
        let Some(bytes) = self.bytes.get_mut(block) else {
            return;
        };
        let erased = ERASE * done as usize / ERASE_STEPS as usize;
        let mut state = match self.tear {
            Tear::Garbage { seed } => seed.wrapping_mul(0x9E37_79B9) ^ done | 1,
            Tear::Sharp | Tear::LooksBlank => 1,
        };
        for (n, byte) in bytes.iter_mut().enumerate() {
            match self.tear {
                Tear::Sharp if n < erased => *byte = 0xFF,
                Tear::Sharp => {}
                // A third is as it was, a third half way, a third done.
                Tear::Garbage { .. } => match random(&mut state) % 3 {
                    0 => {}
                    1 => *byte |= random(&mut state),
                    _ => *byte = 0xFF,
                },
                Tear::LooksBlank => *byte = 0xFF,
            }
        }
    }
}

impl<const WRITE: usize, const ERASE: usize, const BLOCKS: usize, const MARKS: usize> ErrorType
    for NorFake<WRITE, ERASE, BLOCKS, MARKS>
{
    type Error = FlashFault;
}

impl<const WRITE: usize, const ERASE: usize, const BLOCKS: usize, const MARKS: usize> ReadNorFlash
    for NorFake<WRITE, ERASE, BLOCKS, MARKS>
{
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.powered()?;
        if let Err(kind) = check_read(self, offset, bytes.len()) {
            return Err(self.broken(FlashFault::Refused(kind)));
        }
        let from = self.bytes.as_flattened().iter().skip(offset as usize);
        for (to, byte) in bytes.iter_mut().zip(from) {
            *to = *byte;
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        ERASE * BLOCKS
    }
}

impl<const WRITE: usize, const ERASE: usize, const BLOCKS: usize, const MARKS: usize> NorFlash
    for NorFake<WRITE, ERASE, BLOCKS, MARKS>
{
    const WRITE_SIZE: usize = WRITE;
    const ERASE_SIZE: usize = ERASE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        self.powered()?;
        if let Err(kind) = check_erase(self, from, to) {
            return Err(self.broken(FlashFault::Refused(kind)));
        }
        if self.refuse_erases > 0 {
            self.refuse_erases -= 1;
            return Err(FlashFault::Worn);
        }
        for block in from as usize / ERASE..to as usize / ERASE {
            for done in 0..ERASE_STEPS {
                if !self.step() {
                    self.tear_block(block, done);
                    if let Some(half) = self.half_erased.get_mut(block) {
                        *half = true;
                    }
                    self.hold_stuck();
                    return Err(FlashFault::PowerLost);
                }
            }
            if let Some(bytes) = self.bytes.get_mut(block) {
                bytes.fill(0xFF);
            }
            if let Some(marks) = self.weak.get_mut(block) {
                marks.fill(0);
            }
            if let Some(half) = self.half_erased.get_mut(block) {
                *half = false;
            }
            if let Some(erases) = self.erases.get_mut(block) {
                *erases += 1;
            }
            self.hold_stuck();
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        self.powered()?;
        if let Err(kind) = check_write(self, offset, bytes.len()) {
            return Err(self.broken(FlashFault::Refused(kind)));
        }
        if self.refuse_writes > 0 {
            self.refuse_writes -= 1;
            return Err(FlashFault::Worn);
        }
        self.writes += 1;
        let offset = offset as usize;
        for (n, &new) in bytes.iter().enumerate() {
            let at = offset + n;
            let old = self.bytes.as_flattened().get(at).copied().unwrap_or(0);
            let half = self.half_erased.get(at / ERASE).copied();
            let stuck = self.stuck.is_some_and(|(stuck, _)| stuck == at);
            if half.unwrap_or(true) || (new & !old != 0 && !stuck) {
                return Err(self.broken(FlashFault::NotErased { at }));
            }
            if !self.step() {
                self.tear_word(offset, at, bytes);
                self.hold_stuck();
                return Err(FlashFault::PowerLost);
            }
            self.program(at, new);
        }
        self.hold_stuck();
        Ok(())
    }
}
