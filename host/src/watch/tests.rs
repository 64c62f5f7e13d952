//! What stands on the screen, cell by cell.

use super::screen::{Does, Screen};
use super::{Shown, view};
use crate::now::BoardNow;
use crate::now::of_line::LineNow;
use crate::now::tests_support::{NOW_US, happened, sound};
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::measure::{Channel, TripState};
use ohmward_proto::message::BoardId;
use ohmward_proto::units::Amps;
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use ratatui::style::Color;

fn shown(boards: Vec<BoardNow>) -> Shown {
    Shown {
        now_us: NOW_US,
        from: "array-log".into(),
        lines: Vec::new(),
        boards,
    }
}

fn key(code: KeyCode) -> KeyEvent {
    KeyEvent::new(code, KeyModifiers::NONE)
}

/// The screen as lines, and whether any cell is coloured.
fn drawn(screen: &mut Screen, width: u16, height: u16) -> (Vec<String>, bool) {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).expect("a buffer");
    terminal
        .draw(|frame| view::draw(frame, screen))
        .expect("draws");
    let buffer = terminal.backend().buffer();
    let cells = buffer.content();
    let lines = cells.chunks(usize::from(width)).map(|row| {
        let line: String = row.iter().map(ratatui::buffer::Cell::symbol).collect();
        line.trim_end().to_owned()
    });
    let coloured = cells
        .iter()
        .any(|cell| cell.fg != Color::Reset || cell.bg != Color::Reset);
    (lines.collect(), coloured)
}

fn tripped(id: u64) -> BoardNow {
    let mut board = sound();
    board.board = BoardId(id);
    board.last.as_mut().expect("it has one").reading.state = TripState::Latched;
    happened(
        &mut board,
        &[EventKind::Tripped {
            cause: TripCause::SensorLost(Channel::IFine),
            picked_up: ohmward_proto::SampleIndex(0),
        }],
    );
    board.events = board.conditions.clone();
    board
}

#[test]
fn everything_that_matters_fits_eighty_by_twenty_four() {
    let mut screen = Screen::new(shown(vec![sound(), tripped(2)]), true);
    let (lines, coloured) = drawn(&mut screen, 80, 24);
    let page = lines.join("\n");
    for words in [
        "array-log",
        "2 boards",
        "■ 1 danger",
        "■ 0000000000000002",
        "tripped, latched open",
        "bond current, RMS",
        "3 mA",
        "trip 300 mA",
        "1 MΩ",
        "not proof of isolation",
        "q leave",
        "TRIPPED: sensitive current range lost",
        "(since 2027-01-15",
        "│07:59:59 UTC)",
    ] {
        assert!(page.contains(words), "no \"{words}\" in\n{page}");
    }
    assert!(coloured);
    assert!(lines[2].contains("■"), "the worst is not first:\n{page}");
}

#[test]
fn no_colour_means_none_and_nothing_is_lost_by_it() {
    let mut with = Screen::new(shown(vec![sound(), tripped(2)]), true);
    let mut without = Screen::new(shown(vec![sound(), tripped(2)]), false);
    let (lines, coloured) = drawn(&mut without, 80, 24);
    assert!(!coloured);
    assert_eq!(lines, drawn(&mut with, 80, 24).0);
}

#[test]
fn no_size_is_too_small_to_draw() {
    let mut screen = Screen::new(shown(vec![sound(), tripped(2)]), true);
    screen.help = true;
    for width in [1, 7, 20, 79] {
        for height in [1, 3, 9, 23] {
            drawn(&mut screen, width, height);
        }
    }
}

#[test]
fn a_bar_is_as_long_as_what_is_used_up() {
    let mut half = sound();
    if let Some(last) = &mut half.last {
        last.reading.i_bond = ohmward_proto::BondCurrent::Measured {
            dc: Amps(0.0),
            rms: Amps(0.15), // of 0.3
        };
    }
    let mut screen = Screen::new(shown(vec![half]), false);
    let (lines, _) = drawn(&mut screen, 80, 24);
    let row = lines
        .iter()
        .find(|line| line.contains("RMS"))
        .expect("a row");
    let full = row.matches('█').count();
    // 11 cells, half of them.
    assert!((5..=6).contains(&full), "{row}");
}

#[test]
fn keys_choose_hold_and_leave() {
    let mut screen = Screen::new(shown(vec![sound(), tripped(2), tripped(3)]), false);
    let chosen = |screen: &Screen| screen.chosen().map(|board| board.board.0);
    assert_eq!(chosen(&screen), Some(2));
    screen.key(key(KeyCode::Down));
    assert_eq!(chosen(&screen), Some(3));
    // It stays chosen though it is the only one in danger now.
    screen.show(shown(vec![sound(), tripped(3)]));
    assert_eq!((chosen(&screen), screen.place()), (Some(3), Some(0)));
    screen.key(key(KeyCode::Up));
    assert_eq!(chosen(&screen), Some(3));
    screen.key(key(KeyCode::Char(' ')));
    assert!(screen.held());
    screen.key(key(KeyCode::Char('?')));
    assert!(
        drawn(&mut screen, 80, 24)
            .0
            .join("\n")
            .contains("keys and signs")
    );
    assert_eq!(screen.key(key(KeyCode::Esc)), Does::Stay);
    assert_eq!(screen.key(key(KeyCode::Esc)), Does::Leave);
}

#[test]
fn without_a_board_it_says_what_the_lines_do() {
    let mut nobody = shown(Vec::new());
    nobody.lines = vec![(
        "/dev/ttyACM0".into(),
        LineNow::Gone("there is no such device".into()),
    )];
    let mut screen = Screen::new(nobody, false);
    let page = drawn(&mut screen, 80, 24).0.join("\n");
    assert!(
        page.contains("/dev/ttyACM0: there is no such device (trying again)"),
        "{page}"
    );
}
