//! Settings, boot count, calibration and trip: one record, in two slots of one erase block each.
//!
//! A slot holds several records, one behind the other; the newest whole one counts. The block that holds it is never
//! erased, so at every instant one whole record is there: the old one or the new one, never a mixture. The other block
//! is erased ahead of need, while nothing is watched, so that a trip is kept by a write alone.

use super::Kept;
use super::ring::write_and_check;
use embedded_storage::nor_flash::NorFlash;
use ohmward_proto::checksum::CRC;
use ohmward_proto::event::MemoryFault;
use ohmward_proto::units::SampleIndex;
use serde::{Deserialize, Serialize};

/// Marks a record of ours, this layout.
const MAGIC: u32 = 0x4F57_0003;
/// Longest record; a multiple of every write size up to 256 bytes.
pub const RECORD_MAX: usize = 256;
/// With so many places left the other slot is erased as soon as it may be; with more of them not right after a start: a
/// supply that comes and goes would wear it out.
const LOW: usize = 8;
/// "Right after a start", in samples: 10 s at 4 kS/s.
const LASTING_SAMPLES: u64 = 40_000;
/// Records that are kept for trips and their resets while nothing may be erased.
const FOR_TRIPS: usize = 4;

#[derive(Serialize, Deserialize)]
struct Record {
    magic: u32,
    /// Grows with every save; the larger of two whole records is the newer.
    generation: u32,
    kept: Kept,
    /// Events below this serial are acknowledged, see the ring.
    acked_below: u32,
}

/// What was found at start.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Found {
    /// Both slots are erased: a new board.
    Nothing,
    /// The newest whole record.
    Kept(Kept),
    /// Something is there and no record of it is whole. Not the same as a new board. The check sum of what is there
    /// stands for the boot count that is lost: another damage gives another number.
    Damaged {
        /// CRC-32C of both slots.
        sum: u32,
    },
}

#[derive(Debug)]
pub struct Slots {
    generation: u32,
    /// Slot of the newest record.
    newest: Option<u32>,
    /// Where the next record goes.
    block: u32,
    place: usize,
    /// The slot without the newest record has been erased in this run.
    other_erased: bool,
}

impl Slots {
    pub fn fits<F: NorFlash>() -> bool {
        RECORD_MAX.is_multiple_of(F::WRITE_SIZE)
            && RECORD_MAX.is_multiple_of(F::READ_SIZE)
            && F::ERASE_SIZE >= RECORD_MAX
            && F::ERASE_SIZE.is_multiple_of(RECORD_MAX)
    }

    /// Reads both slots: what they hold, and which events are acknowledged as far as they know.
    pub fn open<F: NorFlash>(flash: &mut F) -> Result<(Self, Found, u32), MemoryFault> {
        let mut newest: Option<(u32, Record)> = None;
        let mut erased = true;
        let mut used = [0usize; 2];
        let mut sum = CRC.digest();
        for (block, used) in (0..).zip(&mut used) {
            for place in 0..F::ERASE_SIZE / RECORD_MAX {
                let mut bytes = [0u8; RECORD_MAX];
                flash
                    .read(address::<F>(block, place), &mut bytes)
                    .map_err(|_| MemoryFault::Read)?;
                sum.update(&bytes);
                if bytes.iter().all(|&b| b == 0xFF) {
                    continue;
                }
                erased = false;
                *used = place + 1;
                let Some(record) = decode(&bytes) else {
                    continue;
                };
                let newer = newest.as_ref().is_none_or(|(_, best)| {
                    record.generation.wrapping_sub(best.generation) < u32::MAX / 2
                });
                if record.magic == MAGIC && newer {
                    newest = Some((block, record));
                }
            }
        }
        let found = match &newest {
            Some((_, record)) => Found::Kept(record.kept),
            None if erased => Found::Nothing,
            None => Found::Damaged {
                sum: sum.finalize(),
            },
        };
        let slots = Self {
            generation: newest.as_ref().map_or(0, |(_, record)| record.generation),
            newest: newest.as_ref().map(|(block, _)| *block),
            block: newest.as_ref().map_or(0, |(block, _)| *block),
            // Without a newest record nothing is known of either block: full, so that the first save erases.
            place: match &newest {
                Some((0, _)) => used[0],
                Some(_) => used[1],
                None => F::ERASE_SIZE / RECORD_MAX,
            },
            other_erased: false,
        };
        let acked_below = newest.as_ref().map_or(0, |(_, record)| record.acked_below);
        Ok((slots, found, acked_below))
    }

    /// Writes a record behind the newest one, or into the other slot; erases that only when `may_erase`.
    ///
    /// # Errors
    /// [`MemoryFault::Full`]: an erase is needed first. After any other the old record or this one may be found at the next
    /// start: save again what is to hold.
    pub fn save<F: NorFlash>(
        &mut self,
        flash: &mut F,
        kept: &Kept,
        acked_below: u32,
        may_erase: bool,
    ) -> Result<(), MemoryFault> {
        let generation = self.generation.wrapping_add(1);
        let record = Record {
            magic: MAGIC,
            generation,
            kept: *kept,
            acked_below,
        };
        let mut bytes = [0xFF; RECORD_MAX];
        encode(&record, &mut bytes)?;
        if self.left::<F>() == 0 {
            if !self.other_erased {
                if !may_erase {
                    return Err(MemoryFault::Full);
                }
                self.erase_other(flash)?;
            }
            self.other_erased = false;
            self.block = self.other();
            self.place = 0;
        }
        let at = address::<F>(self.block, self.place);
        // Both used up, whatever becomes of it: it may read as whole later.
        self.place += 1;
        self.generation = generation;
        write_and_check(flash, at, &bytes)?;
        self.newest = Some(self.block);
        Ok(())
    }

    fn left<F: NorFlash>(&self) -> usize {
        (F::ERASE_SIZE / RECORD_MAX).saturating_sub(self.place)
    }

    /// The slot that may be erased.
    fn other(&self) -> u32 {
        self.newest.map_or(0, |newest| 1 - newest)
    }

    /// There is room for what a host wants saved without an erase, and for trips beyond that.
    pub fn has_room<F: NorFlash>(&self) -> bool {
        let block = F::ERASE_SIZE / RECORD_MAX;
        let other = if self.other_erased { block } else { 0 };
        self.left::<F>() + other > FOR_TRIPS.min(block)
    }

    /// The other slot should be erased.
    pub fn wants_erase<F: NorFlash>(&self, now: SampleIndex) -> bool {
        let low = self.left::<F>() <= LOW.min(F::ERASE_SIZE / RECORD_MAX / 2);
        !self.other_erased && self.newest == Some(self.block) && (low || now.0 >= LASTING_SAMPLES)
    }

    pub fn erase_other<F: NorFlash>(&mut self, flash: &mut F) -> Result<(), MemoryFault> {
        let at = address::<F>(self.other(), 0);
        flash
            .erase(at, at + F::ERASE_SIZE as u32)
            .map_err(|_| MemoryFault::Erase)?;
        self.other_erased = true;
        Ok(())
    }
}

fn address<F: NorFlash>(block: u32, place: usize) -> u32 {
    block * F::ERASE_SIZE as u32 + (place * RECORD_MAX) as u32
}

/// The record, and its check sum behind it.
fn encode(record: &Record, into: &mut [u8; RECORD_MAX]) -> Result<(), MemoryFault> {
    let body = postcard::to_slice(record, into.as_mut_slice());
    let len = body.map_err(|_| MemoryFault::Write)?.len();
    let (body, rest) = into.split_at_mut_checked(len).ok_or(MemoryFault::Write)?;
    let sum = rest.first_chunk_mut::<4>().ok_or(MemoryFault::Write)?;
    *sum = CRC.checksum(body).to_le_bytes();
    Ok(())
}

fn decode(bytes: &[u8; RECORD_MAX]) -> Option<Record> {
    let (record, rest) = postcard::take_from_bytes::<Record>(bytes).ok()?;
    let body = bytes.get(..bytes.len() - rest.len())?;
    let sum = rest.first_chunk::<4>()?;
    (CRC.checksum(body) == u32::from_le_bytes(*sum)).then_some(record)
}
