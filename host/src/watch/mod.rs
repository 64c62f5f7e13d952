//! Boards in a terminal, as they are now: gauges against limits, the last minutes, what happened, how the line goes.
//!
//! ```text
//! store, or lines ─→ now ─→ Screen (what is shown, what a key does) ─→ view (cells) ─→ terminal
//!                                                                   └→ plain (text, JSON), once
//! ```
//! - this file: the loop. - [`screen`]: state and keys. - [`view`]: drawing. - [`plain`]: without a terminal.

pub mod plain;
mod screen;
#[cfg(test)]
mod tests;
mod view;

use crate::link::Source;
use crate::now::of_line::Listener;
use crate::now::of_store::{self, Depth};
use crate::store::{Store, StoreError};
use ohmward_proto::message::BoardId;
use ratatui::crossterm::event::{self, Event, KeyEventKind};
use screen::{Does, Screen};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

pub use screen::Shown;

/// How often a store is read and the screen drawn anew.
const EVERY: Duration = Duration::from_secs(1);

/// Why nothing can be watched.
#[derive(Debug, thiserror::Error)]
pub enum WatchError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The terminal, or the runtime for the lines.
    #[error("cannot use the terminal: {0}")]
    Terminal(#[from] std::io::Error),
}

/// Where the present comes from.
pub enum Feed {
    /// A store's folder: opened for reading, again at every look, so that it may be made anew meanwhile.
    Store(PathBuf),
    /// Lines, listened to; nothing is acknowledged.
    Lines(Listener),
}

impl Feed {
    /// A store, which must be there.
    ///
    /// # Errors
    /// [`WatchError::Store`].
    pub fn of_store(dir: &Path) -> Result<Self, WatchError> {
        Store::open_existing(dir)?;
        Ok(Self::Store(dir.to_path_buf()))
    }

    /// Lines.
    ///
    /// # Errors
    /// [`WatchError::Terminal`] without a runtime.
    pub fn of_lines(sources: Vec<Source>, baud: u32) -> Result<Self, WatchError> {
        Ok(Self::Lines(Listener::start(
            sources,
            baud,
            Depth::default(),
        )?))
    }

    /// What is known now, of one board or of all.
    ///
    /// # Errors
    /// [`WatchError`]: the store cannot be read, or does not have that board.
    pub fn look(&self, only: Option<BoardId>) -> Result<Shown, WatchError> {
        match self {
            Self::Store(dir) => {
                let store = Store::open_existing(dir)?;
                let boards = match only {
                    None => of_store::boards(&store, Depth::default())?,
                    Some(board) => {
                        store.require(board)?;
                        vec![of_store::board(&store, board, Depth::default())?]
                    }
                };
                Ok(Shown {
                    now_us: now_us(),
                    from: dir.display().to_string(),
                    lines: Vec::new(),
                    boards,
                })
            }
            Self::Lines(listener) => {
                let lines = listener.lines();
                let names: Vec<_> = lines.iter().map(|(from, _)| from.as_str()).collect();
                let mut boards = listener.boards();
                boards.retain(|board| only.is_none_or(|only| board.board == only));
                Ok(Shown {
                    now_us: now_us(),
                    from: names.join(", "),
                    boards,
                    lines,
                })
            }
        }
    }
}

/// Shows until a person leaves.
///
/// # Errors
/// [`WatchError`]: the terminal, or a store that was there when this began and cannot be read any more. The terminal is as it
/// was before.
pub fn run(feed: &Feed, only: Option<BoardId>, colour: bool) -> Result<(), WatchError> {
    let mut screen = Screen::new(feed.look(only)?, colour);
    let mut terminal = ratatui::try_init()?;
    let ended = (|| {
        let mut next = Instant::now() + EVERY;
        loop {
            terminal.draw(|frame| view::draw(frame, &mut screen))?;
            let wait = next.saturating_duration_since(Instant::now());
            if event::poll(wait)? {
                if let Event::Key(key) = event::read()?
                    && key.kind == KeyEventKind::Press
                    && screen.key(key) == Does::Leave
                {
                    return Ok(());
                }
                continue;
            }
            next = Instant::now() + EVERY;
            if !screen.held() {
                screen.show(feed.look(only)?);
            }
        }
    })();
    ratatui::restore();
    ended
}

fn now_us() -> i64 {
    let unix = SystemTime::now().duration_since(UNIX_EPOCH);
    unix.map_or(0, |d| d.as_micros().min(i64::MAX as u128) as i64)
}
