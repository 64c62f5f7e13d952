//! What survives a power cut: boot count and settings, in two slots with a check sum each.
//!
//! A save goes to the slot that does not hold the newest record, so at every instant one whole record is there: the old
//! one or the new one, never a mixture. A board's flash is reached by `embedded-storage`'s NOR traits.

use embedded_storage::nor_flash::NorFlash;
use ohmward_proto::event::TripCause;
use ohmward_proto::settings::Settings;
use serde::{Deserialize, Serialize};

/// Marks a record of ours, this layout.
const MAGIC: u32 = 0x4F57_0002;
/// Longest record; a multiple of every write size up to 256 bytes.
const RECORD_MAX: usize = 256;

/// What is kept.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Kept {
    /// Starts so far.
    pub boot: u32,
    /// Settings in force.
    pub settings: Settings,
    /// A trip that nobody has reset yet: a power cut does not clear it.
    pub tripped: Option<TripCause>,
    /// Trips that count towards the lock-out: a power cut does not forget them either.
    pub trips: u8,
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

/// Why a save did not happen.
#[derive(Debug)]
pub enum NvError<E> {
    /// The flash said no.
    Flash(E),
    /// Its erase blocks or write size do not fit a record.
    Geometry,
}

#[derive(Serialize, Deserialize)]
struct Record {
    magic: u32,
    /// Grows with every save; the larger of two whole records is the newer.
    generation: u32,
    kept: Kept,
}

/// Two slots in a flash: its first two erase blocks.
#[derive(Debug)]
pub struct Nv<F> {
    flash: F,
    generation: u32,
    /// Slot of the newest record.
    newest: u32,
}

impl<F: NorFlash> Nv<F> {
    /// Looks at both slots.
    ///
    /// # Errors
    /// The flash's own, or a geometry that does not fit.
    pub fn open(mut flash: F) -> Result<(Self, Found), NvError<F::Error>> {
        if !RECORD_MAX.is_multiple_of(F::WRITE_SIZE)
            || !RECORD_MAX.is_multiple_of(F::READ_SIZE)
            || F::ERASE_SIZE < RECORD_MAX
            || flash.capacity() < 2 * F::ERASE_SIZE
        {
            return Err(NvError::Geometry);
        }
        let mut newest: Option<(u32, Record)> = None;
        let mut erased = true;
        let mut sum = ohmward_proto::checksum::SMALL_CRC.digest();
        for slot in 0..2 {
            let mut bytes = [0u8; RECORD_MAX];
            flash
                .read(slot * F::ERASE_SIZE as u32, &mut bytes)
                .map_err(NvError::Flash)?;
            sum.update(&bytes);
            erased &= bytes.iter().all(|&b| b == 0xFF);
            let Ok(record) = postcard::from_bytes_crc32::<Record>(
                &bytes,
                ohmward_proto::checksum::SMALL_CRC.digest(),
            ) else {
                continue;
            };
            let newer = newest.as_ref().is_none_or(|(_, best)| {
                record.generation.wrapping_sub(best.generation) < u32::MAX / 2
            });
            if record.magic == MAGIC && newer {
                newest = Some((slot, record));
            }
        }
        let found = match &newest {
            Some((_, record)) => Found::Kept(record.kept),
            None if erased => Found::Nothing,
            None => Found::Damaged {
                sum: sum.finalize(),
            },
        };
        let (newest, generation) =
            newest.map_or((1, 0), |(slot, record)| (slot, record.generation));
        let nv = Self {
            flash,
            generation,
            newest,
        };
        Ok((nv, found))
    }

    /// Writes a new record beside the newest one.
    ///
    /// # Errors
    /// The flash's own; the old record is then still the newest.
    pub fn save(&mut self, kept: &Kept) -> Result<(), NvError<F::Error>> {
        let slot = 1 - self.newest;
        let at = slot * F::ERASE_SIZE as u32;
        let generation = self.generation.wrapping_add(1);
        let record = Record {
            magic: MAGIC,
            generation,
            kept: *kept,
        };
        let mut bytes = [0xFF; RECORD_MAX];
        postcard::to_slice_crc32(
            &record,
            &mut bytes,
            ohmward_proto::checksum::SMALL_CRC.digest(),
        )
        .map_err(|_| NvError::Geometry)?;
        self.flash
            .erase(at, at + F::ERASE_SIZE as u32)
            .map_err(NvError::Flash)?;
        self.flash.write(at, &bytes).map_err(NvError::Flash)?;
        self.newest = slot;
        self.generation = generation;
        Ok(())
    }

    /// Gives the flash back.
    pub fn into_flash(self) -> F {
        self.flash
    }
}
