//! CRC-32C (Castagnoli), the check sum of every frame and of everything kept.
//!
//! Not the older CRC-32: before COBS it detects every error of up to 5 bits in blocks this short. A flipped bit in a
//! COBS code byte moves what follows, and then 1 in 2^32 is what remains; so too for bytes that were lost, doubled or added.
//!
//! How often is a message made up? At most one damaged frame in 2^32 is taken for sound. A board that sends two frames of 50
//! bytes a second over a line that flips one bit in 10^5 has 21 000 damaged ones a month and a made-up one every 17 000
//! years. On a line so bad that every second frame is damaged (a frame a second) it is one in 136 years a board, and it would have to say
//! something sensible besides. `tests/damage.rs` tries every small damage of a frame.

use crc::{CRC_32_ISCSI, Crc, Table};

#[cfg(feature = "fast-crc")]
type Tables = Table<16>;
#[cfg(not(feature = "fast-crc"))]
type Tables = Table<1>;

/// The check sum.
pub static CRC: Crc<u32, Tables> = Crc::<u32, Tables>::new(&CRC_32_ISCSI);

/// The same sum with the small table, which is the only one postcard takes.
#[cfg(feature = "fast-crc")]
pub static SMALL_CRC: Crc<u32, Table<1>> = Crc::<u32, Table<1>>::new(&CRC_32_ISCSI);
#[cfg(not(feature = "fast-crc"))]
pub use CRC as SMALL_CRC;

/// Check sum over the postcard encoding of a value; `None` if that is longer than `ROOM` bytes.
pub(crate) fn hash_of<const ROOM: usize>(value: &impl serde::Serialize) -> Option<u32> {
    let mut buffer = [0; ROOM];
    let bytes = postcard::to_slice(value, &mut buffer).ok()?;
    Some(CRC.checksum(bytes))
}
