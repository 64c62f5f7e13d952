//! What the fuzz targets share. Each target stands in `fuzz_targets/`, what it begins from in `corpus/`; the first lines of a
//! target say what an input is.
//!
//! - [`flash`]: what may stand in a board's flash
//! - [`store`]: a small store, whole
//! - [`text`]: mutations that leave a file a file: numbers, lines and sections change, not single letters
//! - [`scratch`]: a folder for what can only be read from a disk
//!
//! With `cargo install cargo-fuzz --locked`, a C++ compiler and, on a stable compiler, `RUSTC_BOOTSTRAP=1`:
//!
//! ```sh
//! cargo fuzz run --fuzz-dir tests/fuzz --codegen-units 16 scenario "$(mktemp -d)" tests/fuzz/corpus/scenario -- -max_total_time=300 -len_control=0
//! ```
//!
//! Without the host's side (`--no-default-features`: frames, messages, settings, flash, board) the first build is short.

pub mod flash;
pub mod scratch;
#[cfg(feature = "host")]
pub mod store;
pub mod text;
