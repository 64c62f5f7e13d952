//! The event log edited behind the program's back: each edit must be found.

use super::*;

fn kinds() -> [EventKind; 6] {
    [
        EventKind::SuddenWatched,
        EventKind::Connected,
        tripped(),
        EventKind::FailedToOpen,
        EventKind::Reset,
        EventKind::Rested,
    ]
}

/// Six events that came out of order, one of them late by another board, one number taken twice.
fn filled(dir: &std::path::Path) -> Store {
    let mut store = Store::open_or_create(dir).unwrap();
    let kinds = kinds();
    for seq in [0, 1, 3, 2] {
        store.write(&[event(seq, kinds[seq as usize])]).unwrap();
    }
    let Entry::Event {
        t_us, event: other, ..
    } = event(0, kinds[4])
    else {
        unreachable!()
    };
    store
        .write(&[Entry::Event {
            board: BoardId(5),
            t_us,
            host_us: t_us,
            t_sigma_us: None,
            event: other,
        }])
        .unwrap();
    store.write(&[event(3, kinds[5])]).unwrap(); // a twin
    store
}

fn faults(store: &Store) -> Vec<String> {
    store.check(&CheckOptions::default()).unwrap().faults
}

#[test]
fn an_untouched_log_holds_and_its_head_stays_in_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    assert_eq!(faults(&store), Vec::<String>::new());
    let head = store.event_head().unwrap().unwrap();
    assert_eq!(head.count, 6);
    assert_eq!(head.to_string().parse(), Ok(head));
    store
        .write(&[event(9, EventKind::Connected), event(3, kinds()[5])])
        .unwrap();
    let report = store.check(&CheckOptions { head: Some(head) }).unwrap();
    assert_eq!((report.faults, report.events), (vec![], 7));
    for wrong in ["", "3", "3:12", "x:00", &format!("6:{}", "g".repeat(64))] {
        assert!(wrong.parse::<Head>().is_err(), "{wrong}");
    }
}

/// The way from rows to hash is written down here a second time, in bytes.
#[test]
fn the_first_hash_is_the_one_written_in_the_documentation() {
    use sha2::{Digest, Sha256};
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    store.write(&[event(7, EventKind::Reset)]).unwrap();
    let message: Vec<u8> = store
        .db
        .query_row("SELECT message FROM event", [], |row| row.get(0))
        .unwrap();
    let mut bytes = b"ohmward event 1".to_vec();
    bytes.extend([0; 32]);
    bytes.extend(1_u64.to_be_bytes());
    let mut sized = |field: &[u8]| {
        bytes.extend((field.len() as u64).to_be_bytes());
        bytes.extend(field);
    };
    sized(b"0123456789abcdef");
    for number in [3_i64, 7, 28_000, 7_000_000] {
        sized(&number.to_be_bytes());
    }
    for number in [7_000_007_i64, 3] {
        sized(&number.to_be_bytes()); // when it came, ±
    }
    sized(b"reset");
    sized(b"\"reset\"");
    sized(&message);
    assert_eq!(
        store.event_head().unwrap().unwrap().hash[..],
        Sha256::digest(&bytes)[..]
    );
}

#[test]
fn every_edit_is_found() {
    let edits = [
        "UPDATE event SET t_us = t_us + 1 WHERE seq = 1",
        "UPDATE event SET at_sample = 0 WHERE seq = 3",
        "UPDATE event SET host_us = host_us + 1 WHERE seq = 1",
        "UPDATE event SET t_sigma_us = NULL WHERE seq = 1",
        "UPDATE event SET kind = 'reset' WHERE seq = 2",
        "UPDATE event SET detail = '{}' WHERE seq = 2",
        "UPDATE event SET message = (SELECT message FROM event WHERE seq = 1) WHERE seq = 2",
        "UPDATE event SET seq = 77 WHERE seq = 2",
        "UPDATE event SET boot = 4 WHERE seq = 2",
        "UPDATE event SET board = (SELECT key FROM board WHERE id LIKE '%5') WHERE seq = 2",
        "UPDATE board SET id = '00000000000000aa' WHERE id LIKE '%ef'",
        "DELETE FROM event WHERE seq = 2",
        "DELETE FROM event_twin",
        "UPDATE event_twin SET t_us = 5",
        "DELETE FROM event WHERE seq = 2; DELETE FROM event_chain WHERE seq = 2",
        // The newest, with its entry.
        "DELETE FROM event_twin; DELETE FROM event_chain WHERE n = 6",
        // A board with all it said, and its entries.
        "DELETE FROM event WHERE board = (SELECT key FROM board WHERE id LIKE '%5');
         DELETE FROM event_chain WHERE board = (SELECT key FROM board WHERE id LIKE '%5')",
        "INSERT INTO event SELECT board, boot, 50, at_sample, t_us, kind, detail, message, host_us, t_sigma_us FROM event
         WHERE seq = 1",
        "UPDATE event_chain SET hash = zeroblob(32) WHERE n = 3",
        "UPDATE event_chain SET seq = 1 WHERE n = 1",
        // Two entries exchanged.
        "UPDATE event_chain SET n = -2 WHERE n = 2; UPDATE event_chain SET n = 2 WHERE n = 3;
         UPDATE event_chain SET n = 3 WHERE n = -2",
        // Two events exchange numbers.
        "UPDATE event SET seq = 90 WHERE seq = 1; UPDATE event SET seq = 1 WHERE seq = 2; UPDATE event SET seq = 2 WHERE seq = 90",
        "DELETE FROM event_chain_head",
        "UPDATE event_chain_head SET count = 5",
        "DELETE FROM event; DELETE FROM event_twin; DELETE FROM event_chain",
    ];
    for edit in edits {
        let dir = tempfile::tempdir().unwrap();
        let store = filled(dir.path());
        store
            .db
            .execute_batch(edit)
            .unwrap_or_else(|fault| panic!("{edit}: {fault}"));
        let found = faults(&store);
        assert!(!found.is_empty(), "not found: {edit}");
        assert!(found.iter().all(|line| !line.contains('\n')), "{found:?}");
    }
}

/// An event that nobody here can read is in the log from the moment it comes, as it came, and stays so when it can be read.
#[test]
fn an_event_that_cannot_be_read_yet_cannot_be_edited_unseen_either() {
    let unread = |seq: u32, message: Vec<u8>| Entry::UnreadEvent {
        board: BOARD,
        t_us: 5,
        host_us: 6,
        t_sigma_us: None,
        id: EventId { boot: 3, seq },
        at: SampleIndex(9),
        message,
    };
    let known = Event {
        id: EventId { boot: 3, seq: 8 },
        at: SampleIndex(9),
        kind: EventKind::Connected,
    };
    let readable = postcard::to_slice(&known, &mut [0; 64]).unwrap().to_vec();
    let filled = |dir: &std::path::Path| {
        let mut store = Store::open_or_create(dir).unwrap();
        store
            .write(&[
                event(0, tripped()),
                unread(7, vec![3, 7, 9, 99, 4]),
                unread(8, readable.clone()),
                event(1, EventKind::Reset),
            ])
            .unwrap();
        store
    };
    let dir = tempfile::tempdir().unwrap();
    let store = filled(dir.path());
    let head = store.event_head().unwrap().unwrap();
    assert_eq!((head.count, faults(&store)), (4, vec![]));
    let gaps = store.check(&CheckOptions::default()).unwrap().gaps;
    assert_eq!(gaps.len(), 1, "2 to 6 alone: 7 and 8 came; {gaps:?}");

    for edit in [
        "UPDATE event_unread SET message = x'0307096305' WHERE seq = 7",
        "UPDATE event_unread SET t_us = 4 WHERE seq = 7",
        "UPDATE event_unread SET host_us = 4 WHERE seq = 7",
        "UPDATE event_unread SET t_sigma_us = 4 WHERE seq = 7",
        "UPDATE event_unread SET at_sample = 4 WHERE seq = 7",
        "UPDATE event_unread SET seq = 6 WHERE seq = 7",
        "DELETE FROM event_unread WHERE seq = 7",
        "INSERT INTO event_unread SELECT board, boot, 20, at_sample, t_us, host_us, t_sigma_us, message FROM event_unread
         WHERE seq = 7",
    ] {
        let dir = tempfile::tempdir().unwrap();
        let store = filled(dir.path());
        store.db.execute_batch(edit).unwrap();
        assert!(!faults(&store).is_empty(), "not found: {edit}");
    }

    // Read by a program that knows one of the two: another place, the same entry, the same head.
    drop(store);
    let store = Store::open_or_create(dir.path()).unwrap();
    assert_eq!(store.events(&EventFilter::default()).unwrap().len(), 3);
    let report = store.check(&CheckOptions { head: Some(head) }).unwrap();
    assert_eq!((report.faults, report.events), (vec![], 4));
    assert_eq!(store.event_head().unwrap(), Some(head));
    drop(store);
    let whole = std::fs::read(dir.path().join(FILE)).unwrap();
    for edit in [
        "UPDATE event SET kind = 'rested' WHERE seq = 8",
        "UPDATE event SET detail = '\"rested\"' WHERE seq = 8",
        "UPDATE event SET t_us = 4 WHERE seq = 8",
        "UPDATE event SET message = (SELECT message FROM event WHERE seq = 1) WHERE seq = 8",
        "DELETE FROM event WHERE seq = 8",
    ] {
        let store = Store::open_or_create(dir.path()).unwrap();
        store.db.execute_batch(edit).unwrap();
        assert!(!faults(&store).is_empty(), "not found: {edit}");
        drop(store);
        std::fs::write(dir.path().join(FILE), &whole).unwrap();
    }
}

/// Who rewrites chain and head as well is found by a head that was written down.
#[test]
fn a_log_cut_short_with_its_head_is_found_by_a_head_from_elsewhere() {
    let dir = tempfile::tempdir().unwrap();
    let store = filled(dir.path());
    let head = store.event_head().unwrap();
    store
        .db
        .execute_batch(
            "DELETE FROM event_twin; DELETE FROM event_chain WHERE n = 6;
             UPDATE event_chain_head SET count = 5, hash = (SELECT hash FROM event_chain WHERE n = 5)",
        )
        .unwrap();
    assert_eq!(
        faults(&store),
        Vec::<String>::new(),
        "by itself it looks whole"
    );
    let found = store.check(&CheckOptions { head }).unwrap().faults;
    assert!(
        found.len() == 1 && found[0].contains("written down"),
        "{found:?}"
    );
}

#[test]
fn missing_numbers_are_told_from_to_and_whether_the_board_said_so() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open_or_create(dir.path()).unwrap();
    store
        .write(&[
            event(0, EventKind::Connected),
            event(3, EventKind::Connected),
            event(4, EventKind::EventsLost { count: 2 }),
            event(6, EventKind::Connected),
        ])
        .unwrap();
    let report = store.check(&CheckOptions::default()).unwrap();
    assert!(report.holds());
    let lines: Vec<String> = report.gaps.iter().map(ToString::to_string).collect();
    assert_eq!(
        lines,
        [
            "board 0123456789abcdef: events 3.1 to 3.2 never came; the board has said that it lost as many",
            "board 0123456789abcdef: event 3.5 never came, and the board has not said that it lost them",
        ]
    );
}
