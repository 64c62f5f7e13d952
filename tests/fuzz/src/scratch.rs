//! A folder for what can only be read from a disk.

use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// A fresh folder, in memory where the system has such a place: a target makes thousands a second.
///
/// # Panics
/// No folder can be made.
#[must_use]
pub fn folder() -> TempDir {
    let memory = Path::new("/dev/shm");
    let place = if memory.is_dir() {
        memory.to_path_buf()
    } else {
        std::env::temp_dir()
    };
    tempfile::Builder::new()
        .prefix("ohmward-fuzz-")
        .tempdir_in(place)
        .expect("a folder for the inputs")
}

/// Writes a file of it.
///
/// # Panics
/// The disk is full, or the like: no finding.
pub fn file(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent).expect("a folder for an input");
    }
    std::fs::write(&path, bytes).expect("an input");
    path
}

/// One line, as everything that is told to a person has to be.
///
/// # Panics
/// It is empty, or more than a line.
pub fn is_one_line(told: &impl std::fmt::Display) {
    let told = told.to_string();
    assert!(!told.trim().is_empty(), "an error that says nothing");
    assert!(!told.contains('\n'), "more than a line: {told:?}");
}
