//! What the fuzz targets share. Each target stands in `fuzz_targets/`, what it begins from in `corpus/`.
//!
//! - [`flash`]: what may stand in a board's flash
//! - [`store`]: a small store, whole
//! - [`text`]: mutations that leave a file a file: numbers, lines and sections change, not single letters
//! - [`scratch`]: a folder for what can only be read from a disk

pub mod flash;
pub mod scratch;
#[cfg(feature = "host")]
pub mod store;
pub mod text;
