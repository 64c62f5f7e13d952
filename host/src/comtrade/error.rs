//! Why COMTRADE files cannot be read or written.

use std::path::Path;

/// One line: the file, the line in it where there is one, what is wrong, what to do.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{file}{line}: {what}", line = .line.map_or_else(String::new, |n| format!(":{n}")))]
pub struct ComtradeError {
    /// The file at fault.
    pub file: String,
    /// Line in it, from 1; `None` for binary samples and for a file as a whole.
    pub line: Option<u64>,
    /// What is wrong, and what to do.
    pub what: String,
}

impl ComtradeError {
    /// About a file as a whole.
    pub(super) fn of(file: &Path, what: impl Into<String>) -> Self {
        Self {
            file: file.display().to_string(),
            line: None,
            what: what.into(),
        }
    }
}

/// Something from a file, made fit to print: no control characters, and no more than a glance takes in.
pub(super) fn quoted(text: &str) -> String {
    const MOST: usize = 40;
    let mut short: String = text.chars().take(MOST).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    format!("'{}'", short.escape_debug())
}
