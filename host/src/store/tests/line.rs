use super::BOARD;
use super::folder::downgrade;
use crate::store::{Entry, LineCounts, Store};
use ohmward_proto::decoder::DecoderCounts;
use ohmward_proto::message::BoardId;
use std::ops::Range;

const DAY_US: i64 = 86_400_000_000;

fn said(day: i64, counts: LineCounts) -> Entry {
    Entry::Line {
        board: BOARD,
        host_us: day * DAY_US + 5,
        counts,
    }
}

#[test]
fn days_add_up_and_others_stay_out() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut store = Store::open_or_create(dir.path()).expect("opens");
    let counts = |frames, damaged, breaks| LineCounts {
        frames,
        damaged,
        unknown: 0,
        breaks,
    };
    assert_eq!(store.line(BOARD, &(0..DAY_US)).expect("reads"), None);
    store
        .write(&[said(0, counts(7, 0, 0)), said(1, counts(10, 1, 0))])
        .expect("keeps");
    store.write(&[said(1, counts(5, 2, 1))]).expect("keeps");
    let at = |range: Range<i64>| store.line(BOARD, &range).expect("reads");
    assert_eq!(at(0..DAY_US), Some(counts(7, 0, 0)));
    assert_eq!(at(DAY_US..2 * DAY_US), Some(counts(15, 3, 1)));
    assert_eq!(at(-DAY_US..5 * DAY_US), Some(counts(22, 3, 1)));
    assert_eq!(at(3 * DAY_US..5 * DAY_US), None);
    assert_eq!(
        store.line(BoardId(99), &(0..DAY_US)).expect("reads"),
        None,
        "a board that is not there"
    );
}

#[test]
fn a_store_from_before_has_none_and_then_has() {
    let dir = tempfile::tempdir().expect("a folder");
    drop(Store::open_or_create(dir.path()).expect("opens"));
    downgrade(dir.path(), 6);
    let reader = Store::open_existing(dir.path()).expect("opens");
    assert_eq!(reader.line(BOARD, &(0..DAY_US)).expect("reads"), None);
    drop(reader);
    let mut store = Store::open_or_create(dir.path()).expect("opens");
    let counts = LineCounts {
        frames: 1,
        ..LineCounts::default()
    };
    store.write(&[said(0, counts)]).expect("keeps");
    assert_eq!(
        store.line(BOARD, &(0..DAY_US)).expect("reads"),
        Some(counts)
    );
}

#[test]
fn counts_are_of_what_came_since() {
    let counts = |messages, bad_crc, bad_form| DecoderCounts {
        messages,
        bad_crc,
        bad_form,
        unknown: 4,
        bytes_dropped: 9,
    };
    let since = LineCounts::since(counts(30, 3, 2), counts(10, 1, 1));
    assert_eq!(
        (since.frames, since.damaged, since.unknown, since.breaks),
        (20, 3, 0, 0)
    );
}
