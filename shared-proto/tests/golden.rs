//! The bytes of the wire format, version 1, written down.
//!
//! `golden/v1.txt` is never made anew. When a row differs, the format was changed under boards in the field: undo that
//! and append a new message instead. A new message or variant gets a new row at the end of the list it belongs to (the
//! test prints it); existing rows stay. What `v1.txt` holds was checked once, from outside, when it was written: each
//! row's COBS with PyPI cobs 1.2.2 and its check sum with PyPI crcmod 1.7. The `by-hand.*` rows stand on the postcard
//! specification alone (see `golden/messages.rs`).

#[path = "golden/messages.rs"]
mod messages;

use ohmward_proto::event::EventKind;
use ohmward_proto::{Decoder, MAX_BODY, MAX_FRAME, Message, encode};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

const V1: &str = include_str!("golden/v1.txt");
const ADVICE: &str = "the wire format changed: boards in the field speak the stored bytes, append a new message instead";

#[test]
fn every_message_has_exactly_the_stored_bytes_and_back() {
    let mut stored = rows();
    for (name, message) in messages::all() {
        let made = hex(&frame(&message));
        let Some(golden) = stored.remove(name.as_str()) else {
            panic!(
                "no golden row yet; if the message is new, append to golden/v1.txt:\n{name} = {made}"
            );
        };
        assert_eq!(made, golden, "{name}: {ADVICE}");

        let mut seen = Vec::new();
        Decoder::new().feed(&unhex(golden), |outcome| seen.push(outcome));
        assert_eq!(seen, [Ok(message)], "{name}: {ADVICE}");
    }
    assert!(
        stored.is_empty(),
        "rows without a message: {:?}; {ADVICE}",
        stored.keys()
    );
}

#[test]
fn no_message_and_no_event_kind_is_without_a_row() {
    let all = messages::all();
    let numbers: BTreeSet<u32> = all
        .iter()
        .map(|(_, message)| message_number(message))
        .collect();
    assert!(numbers.into_iter().eq(0..Message::KINDS));

    let kinds: BTreeSet<u32> = all
        .iter()
        .filter_map(|(_, message)| match message {
            Message::Event(event) => Some(event_number(&event.kind)),
            _ => None,
        })
        .collect();
    assert!(kinds.into_iter().eq(0..=28));
}

/// Number on the wire. No `_`: a new message has to be given its number, and a row, here.
fn message_number(message: &Message) -> u32 {
    match message {
        Message::Hello(_) => 0,
        Message::HelloAsk { .. } => 1,
        Message::Reading(_) => 2,
        Message::Event(_) => 3,
        Message::CaptureHead(_) => 4,
        Message::CapturePart(_) => 5,
        Message::Ack(_) => 6,
        Message::TimeAsk { .. } => 7,
        Message::TimeIs { .. } => 8,
        Message::SettingsGet => 9,
        Message::SettingsAre(_) => 10,
        Message::SettingsPut(_) => 11,
        Message::SettingsResult(_) => 12,
        Message::Command(_) => 13,
        Message::CommandResult { .. } => 14,
        Message::LinkStatsAsk => 15,
        Message::LinkStatsAre(_) => 16,
        Message::Spectrum(_) => 17,
        Message::PeerIs { .. } => 18,
        Message::Acks(_) => 19,
        Message::CaptureHave(_) => 20,
        Message::CounterIs { .. } => 21,
        Message::RunReading { .. } => 22,
        Message::RunSpectrum { .. } => 23,
        Message::RunDwell { .. } => 24,
        Message::CalibrationGet => 25,
        Message::CalibrationIs(_) => 26,
        Message::CalibrationPut { .. } => 27,
        Message::CalibrationResult(_) => 28,
        Message::CodesAsk { .. } => 29,
        Message::CodesAre { .. } => 30,
    }
}

/// Likewise for events.
fn event_number(kind: &EventKind) -> u32 {
    match kind {
        EventKind::Started { .. } => 0,
        EventKind::Connected => 1,
        EventKind::Rested => 2,
        EventKind::Tripped { .. } => 3,
        EventKind::Opened { .. } => 4,
        EventKind::FailedToOpen => 5,
        EventKind::OpenedLate { .. } => 6,
        EventKind::FailedToClose => 7,
        EventKind::Reset => 8,
        EventKind::ResetRefused(_) => 9,
        EventKind::InsulationWarning { .. } => 10,
        EventKind::InsulationRecovered { .. } => 11,
        EventKind::InsulationNotMeasured(_) => 12,
        EventKind::Surge { .. } => 13,
        EventKind::SensorLost(_) => 14,
        EventKind::SensorBack(_) => 15,
        EventKind::SettingsApplied { .. } => 16,
        EventKind::EventsLost { .. } => 17,
        EventKind::SuddenUnwatched => 18,
        EventKind::SuddenWatched => 19,
        EventKind::SelfTestPassed { .. } => 20,
        EventKind::ZeroDrifted { .. } => 21,
        EventKind::LockedOut { .. } => 22,
        EventKind::FaultSide { .. } => 23,
        EventKind::FuseStrained { .. } => 24,
        EventKind::FaultPlaced { .. } => 25,
        EventKind::SelfTestFailed(_) => 26,
        EventKind::MemoryFailed(_) => 27,
        EventKind::MemoryWorks => 28,
    }
}

#[test]
fn numbers_above_are_the_numbers_on_the_wire() {
    for (name, message) in messages::all() {
        let number = first_byte(&message);
        assert_eq!(number, message_number(&message), "{name}: {ADVICE}");
        if let Message::Event(event) = message {
            let number = first_byte(&event.kind);
            assert_eq!(number, event_number(&event.kind), "{name}: {ADVICE}");
        }
    }
}

fn first_byte(value: &impl serde::Serialize) -> u32 {
    let mut room = [0; MAX_BODY];
    u32::from(postcard::to_slice(value, &mut room).unwrap()[0])
}

fn rows() -> BTreeMap<&'static str, &'static str> {
    let rows: Vec<_> = V1
        .lines()
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
        .map(|line| line.split_once(" = ").expect("a row is NAME = HEX"))
        .collect();
    let by_name: BTreeMap<_, _> = rows.iter().copied().collect();
    assert_eq!(
        rows.len(),
        by_name.len(),
        "two rows of one name in golden/v1.txt"
    );
    by_name
}

fn frame(message: &Message) -> Vec<u8> {
    let mut room = [0; MAX_FRAME];
    let len = encode(message, &mut room).unwrap();
    room[..len].to_vec()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        write!(text, "{byte:02x}").expect("a String takes everything");
        text
    })
}

fn unhex(text: &str) -> Vec<u8> {
    assert!(text.len().is_multiple_of(2), "odd hex: {text}");
    (0..text.len())
        .step_by(2)
        .map(|k| u8::from_str_radix(&text[k..k + 2], 16).unwrap())
        .collect()
}
