//! A report on paper: one HTML file that holds everything it shows, for a period or for one event.
//!
//! ```text
//! store ─→ period, incident (plain data) ─→ page (HTML, pictures as SVG within it) ─→ one file
//!             ├ limits     what is set on a board, against a plan of its array
//!             ├ coverage   what of the time was recorded and measured
//!             ├ trips      each with its times
//!             └ tests      records that people wrote down (TESTS.toml)
//! ```
//! It says what was measured and by what; whether an array is safe is for a licensed person to say, and there is a place for
//! that.

mod coverage;
mod incident;
mod limits;
mod page;
mod period;
pub mod tests_file;
mod trips;

pub use incident::Incident;
pub use period::{Period, Wanted};

use crate::chart::ChartError;
use crate::store::StoreError;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A picture.
    #[error(transparent)]
    Chart(#[from] ChartError),
    /// Nothing to report on.
    #[error("nothing is stored from {from} to {to}: {instead}")]
    Nothing {
        /// Begin of the period.
        from: String,
        /// End of the period.
        to: String,
        /// What there is.
        instead: String,
    },
    /// The file.
    #[error("cannot write {}: {source}; check that its folder exists and can be written", .path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

impl Period {
    /// The report as HTML.
    #[must_use]
    pub fn html(&self) -> String {
        page::period(self).into_string()
    }
}

impl Incident {
    /// The report as HTML.
    #[must_use]
    pub fn html(&self) -> String {
        page::incident(self).into_string()
    }
}

/// Writes a report beside its place, then puts it there whole: a reader never sees half of one.
///
/// # Errors
/// [`ReportError::Unwritable`].
pub fn save(html: &str, path: &Path) -> Result<(), ReportError> {
    let unwritable = |source| ReportError::Unwritable {
        path: path.to_path_buf(),
        source,
    };
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(".new");
    let hidden = path.with_file_name(name);
    let mut file = std::fs::File::create(&hidden).map_err(unwritable)?;
    file.write_all(html.as_bytes())
        .and_then(|()| file.sync_all())
        .and_then(|()| std::fs::rename(&hidden, path))
        .map_err(|source| {
            // What cannot be written cannot always be removed either; it is hidden and small.
            let _ = std::fs::remove_file(&hidden);
            unwritable(source)
        })
}
