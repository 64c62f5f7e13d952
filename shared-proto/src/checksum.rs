//! CRC-32C (Castagnoli), the check sum of every frame and of everything kept.
//!
//! Not the older CRC-32: before COBS it detects every error of up to 5 bits in blocks this short. A flipped bit in a
//! COBS code byte moves what follows, and then 1 in 2^32 is what remains.

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
