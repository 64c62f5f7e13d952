//! What is on the screen, and what a key does to it.

use crate::now::of_line::LineNow;
use crate::now::{BoardNow, Urgency};
use ohmward_proto::message::BoardId;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

/// The present, as it was looked at.
#[derive(Clone, PartialEq, Debug)]
pub struct Shown {
    /// When, Unix microseconds.
    pub now_us: i64,
    /// Where it comes from, as a person gave it.
    pub from: String,
    /// How the lines stand, if these are lines.
    pub lines: Vec<(String, LineNow)>,
    /// Every board.
    pub boards: Vec<BoardNow>,
}

/// What a key means for the loop.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Does {
    /// Draw again.
    Stay,
    /// End.
    Leave,
}

/// The state of the view.
pub struct Screen {
    pub shown: Shown,
    pub colour: bool,
    /// The board that is shown in full; it stays so when the order changes.
    chosen: Option<BoardId>,
    held: bool,
    pub help: bool,
    /// Events above the newest that are passed over.
    pub back: usize,
}

impl Screen {
    pub fn new(shown: Shown, colour: bool) -> Self {
        let mut screen = Self {
            shown: Shown {
                now_us: 0,
                from: String::new(),
                lines: Vec::new(),
                boards: Vec::new(),
            },
            colour,
            chosen: None,
            held: false,
            help: false,
            back: 0,
        };
        screen.show(shown);
        screen
    }

    /// Takes a new look: the worst board first.
    pub fn show(&mut self, mut shown: Shown) {
        let now_us = shown.now_us;
        shown
            .boards
            .sort_by_cached_key(|board| (std::cmp::Reverse(board.urgency(now_us)), board.board));
        self.shown = shown;
        if self.chosen().is_none() {
            self.chosen = self.shown.boards.first().map(|board| board.board);
            self.back = 0;
        }
    }

    /// The picture stands still.
    pub fn held(&self) -> bool {
        self.held
    }

    /// The board that is shown in full.
    pub fn chosen(&self) -> Option<&BoardNow> {
        let chosen = self.chosen?;
        self.shown.boards.iter().find(|board| board.board == chosen)
    }

    /// Its place in the list.
    pub fn place(&self) -> Option<usize> {
        let chosen = self.chosen?;
        let mut boards = self.shown.boards.iter();
        boards.position(|board| board.board == chosen)
    }

    /// How many boards stand as badly as that, or worse.
    pub fn count(&self, at_least: Urgency) -> usize {
        let now_us = self.shown.now_us;
        let boards = self.shown.boards.iter();
        boards
            .filter(|board| board.urgency(now_us) >= at_least)
            .count()
    }

    pub fn key(&mut self, key: KeyEvent) -> Does {
        let control = key.modifiers.contains(KeyModifiers::CONTROL);
        if self.help && key.code != KeyCode::Char('q') && !control {
            self.help = false; // whatever is pressed
            return Does::Stay;
        }
        match key.code {
            KeyCode::Char('c') if control => return Does::Leave,
            KeyCode::Char('q') | KeyCode::Esc => return Does::Leave,
            KeyCode::Down | KeyCode::Char('j') => self.choose(1),
            KeyCode::Up | KeyCode::Char('k') => self.choose(-1),
            KeyCode::PageUp => self.back += 5,
            KeyCode::PageDown => self.back = self.back.saturating_sub(5),
            KeyCode::Char(' ') => self.held = !self.held,
            KeyCode::Char('?' | 'h') | KeyCode::F(1) => self.help = true,
            _ => {}
        }
        let most = self.chosen().map_or(0, |board| board.events.len());
        self.back = self.back.min(most.saturating_sub(1));
        Does::Stay
    }

    fn choose(&mut self, by: isize) {
        let Some(place) = self.place() else { return };
        let place = place.saturating_add_signed(by);
        if let Some(board) = self.shown.boards.get(place) {
            self.chosen = Some(board.board);
            self.back = 0;
        }
    }
}
