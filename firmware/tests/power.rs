//! What a power cut, a flash that refuses and damaged flash leave of a trip, of the lock-out and of events.

#[path = "common/board.rs"]
mod board;

use board::{Flaky, start};
use ohmward_proto::event::{Event, EventId, EventKind, MemoryFault};
use ohmward_proto::measure::TripState;
use ohmward_proto::settings::SettingsFault;
use ohmward_proto::units::SampleIndex;

#[test]
fn a_latched_trip_outlives_a_power_cut() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    assert_eq!(b.state(), TripState::Closed);
    b.trip();
    assert_eq!(b.state(), TripState::Latched);
    let mut b = b.cut();
    b.run(10.0);
    assert_eq!(b.state(), TripState::Latched);
    assert_eq!(b.board.monitor().recent_trips(), 1);
}
#[test]
fn a_save_that_flash_refuses_is_tried_again() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    let f = b.board.into_flash();
    let knob = f.1.clone();
    let mut b = start(f);
    b.run(10.0);
    knob.set(6);
    b.trip();
    assert!(knob.get() < 6, "nothing was refused");
    assert_eq!(b.state(), TripState::Latched);
    b.run(60.0);
    let mut b = b.cut();
    b.run(10.0);
    assert_eq!(
        b.state(),
        TripState::Latched,
        "a trip that nobody has reset is forgotten"
    );
}
#[test]
fn trips_that_are_over_do_not_count_after_a_power_cut() {
    let mut b = start(Flaky::default());
    for _ in 0..2 {
        b.run(10.0);
        assert_eq!(b.state(), TripState::Closed);
        b.trip();
        b.reset();
        assert_eq!(b.state(), TripState::Closed);
        // two days later the supply goes away for a second
        let at = b.board.monitor().now().0 + 48 * 3600 * 4000;
        b.board.skip_to(SampleIndex(at));
        b.run(10.0);
        assert_eq!(b.board.monitor().recent_trips(), 0);
        b = b.cut();
        println!("after the cut: {}", b.board.monitor().recent_trips());
    }
    b.run(10.0);
    b.trip();
    assert_eq!(
        b.state(),
        TripState::Latched,
        "three trips in five days are not three in a day"
    );
}
#[test]
fn damaged_flash_frees_no_lock_out() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    for n in 0..3 {
        b.trip();
        if n < 2 {
            b.reset();
        }
    }
    assert_eq!(b.state(), TripState::LockedOut);
    let mut f = b.board.into_flash();
    // Every record of both slots.
    for at in (20..2 * 4096).step_by(256) {
        f.0.bytes_mut()[at] ^= 1;
    }
    let mut b = start(f);
    b.run(1.0);
    b.reset();
    assert_ne!(
        b.state(),
        TripState::Closed,
        "out of a lock-out without the maintenance switch"
    );
}
#[test]
fn a_lock_out_outlives_a_power_cut() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    for n in 0..3 {
        b.trip();
        if n < 2 {
            b.reset();
        }
    }
    assert_eq!(b.state(), TripState::LockedOut);
    let mut b = b.cut();
    b.run(10.0);
    assert_eq!(b.state(), TripState::LockedOut);
    b.reset();
    assert_eq!(b.state(), TripState::LockedOut);
    b.arm.0.set(true);
    b.reset();
    assert_eq!(b.state(), TripState::Closed);
    let b = b.cut();
    assert_eq!(b.board.monitor().recent_trips(), 0);
}

fn ids(events: &[Event]) -> Vec<EventId> {
    events.iter().map(|e| e.id).collect()
}

/// Nobody has listened; the supply goes away twice. Then the host gets every event of all three runs, in order, once.
#[test]
fn events_of_former_runs_come_under_their_own_numbers() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    b.trip();
    b.run(1.0);
    b.host(false);
    let mut made = b.events.clone();
    assert!(
        made.iter()
            .any(|e| matches!(e.kind, EventKind::Tripped { .. }))
    );
    let mut b = b.cut();
    b.run(0.1);
    b.host(false);
    // Sent again from the first run on; what is new comes behind.
    made.retain(|e| !b.events.iter().any(|again| again == e));
    assert!(made.is_empty(), "never came again: {made:?}");
    let all = b.events.clone();
    assert_eq!(all.last().map(|e| e.id.boot), Some(2));
    let mut b = b.cut();
    // Longer than it takes to write acknowledgements down.
    for _ in 0..70 {
        b.run(1.0);
        b.host(true);
    }
    let third = b.events.clone();
    assert_eq!(ids(&third)[..all.len()], ids(&all));
    assert!(
        third.windows(2).all(|two| two[0].id < two[1].id),
        "in order, once"
    );
    assert_eq!(
        third.first().map(|e| e.id),
        Some(EventId { boot: 1, seq: 0 })
    );
    // What it has acknowledged does not come again.
    let mut b = b.cut();
    b.run(0.1);
    b.host(true);
    let last = third.last().map(|e| e.id).expect("some");
    assert!(b.events.iter().all(|e| e.id > last), "{:?}", ids(&b.events));
}

/// Flash hears of a trip after the contactor; and no block is erased while the contactor is driven.
#[test]
fn outputs_come_before_flash() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    assert_eq!(b.state(), TripState::Closed);
    let flash = b.board.into_flash();
    let used = flash.2.clone();
    let mut b = start(flash);
    b.run(20.0);
    assert_eq!(b.state(), TripState::Closed);
    b.host(true);
    assert!(
        used.writes_driven.get() > 0,
        "events are written while connected"
    );
    assert_eq!(used.erases_driven.get(), 0);
    used.clear();
    b.w.i.set(2.0);
    while b.state() == TripState::Closed {
        let written = used.writes.get();
        let outputs = b.board.decide().unwrap_or_else(|_| panic!("decides"));
        assert_eq!(used.writes.get(), written, "a decision writes nothing");
        if outputs.contactor {
            b.board.serve_link();
        }
    }
    assert!(!used.contactor.borrow().0.get());
    used.clear();
    b.w.i.set(0.0);
    b.run(0.01);
    assert!(used.writes.get() > 0, "the trip is kept within 10 ms");
    assert_eq!(used.erases.get(), 0, "by writes alone");
    assert_eq!(used.writes_driven.get(), 0);
    b.run(30.0);
    assert_eq!(used.erases_driven.get(), 0);
}

/// A flash that takes nothing any more while the array is connected: it trips as ever, and tells everything.
#[test]
fn protection_goes_on_without_flash() {
    let mut b = start(Flaky::default());
    b.run(10.0);
    let f = b.board.into_flash();
    let knob = f.1.clone();
    let mut b = start(f);
    b.run(10.0);
    assert_eq!(b.state(), TripState::Closed);
    knob.set(u32::MAX);
    b.trip();
    assert_eq!(b.state(), TripState::Latched);
    b.run(1.0);
    b.host(true);
    let told = |is: fn(&EventKind) -> bool| b.events.iter().filter(|e| is(&e.kind)).count();
    assert_eq!(told(|k| matches!(k, EventKind::Tripped { .. })), 1);
    assert_eq!(
        told(|k| *k == EventKind::MemoryFailed(MemoryFault::Write)),
        1
    );
    // It works again: a minute later that is told, and the trip is kept after all.
    knob.set(0);
    b.run(190.0);
    b.host(true);
    assert!(b.events.iter().any(|e| e.kind == EventKind::MemoryWorks));
    let mut b = b.cut();
    b.run(1.0);
    assert_eq!(b.state(), TripState::Latched);
}

/// A host that sends other settings every ten seconds to a connected board: at some point flash is full, and nothing may be
/// erased. It is told so in words, a trip is still kept, and once the contactor is open there is room again.
#[test]
fn settings_wait_for_the_contactor_when_flash_is_full_and_leave_room_for_a_trip() {
    let mut b = start(Flaky::default());
    b.arm.0.set(true);
    b.run(10.0);
    let mut stored = 0;
    let mut put = |b: &mut board::Bench| {
        b.run(11.0);
        let mut settings = *b.board.monitor().settings();
        settings.reading_every_ms = 1000 + 50 * (stored % 7 + 1);
        stored += 1;
        b.host(true);
        b.results.clear();
        b.say(&ohmward_proto::Message::SettingsPut(settings));
        // Question and answer go over the link a piece a sample.
        b.run(0.05);
        b.host(true);
        b.results.pop().expect("an answer")
    };
    let first = (0..40).take_while(|_| put(&mut b).is_ok()).count();
    assert_eq!(b.state(), TripState::Closed);
    // A new board has 15 records left at its first connection, and none of the other block's: all but those for trips.
    assert_eq!(first, 11);
    assert_eq!(put(&mut b), Err(SettingsFault::NoRoomYet));
    let kept = *b.board.kept();
    b.trip();
    let mut b = b.cut();
    assert!(b.board.kept().tripped.is_some(), "the trip is kept");
    assert_eq!(b.board.kept().settings, kept.settings);
    b.arm.0.set(true);
    b.run(40.0);
    b.reset();
    assert_eq!(b.state(), TripState::Closed);
    // Ten seconds open: the other block is ready now.
    let second = (0..40).take_while(|_| put(&mut b).is_ok()).count();
    println!("stored while connected: {first} on a new board, {second} after it has been open");
    assert!(second >= 12, "{second}");
    let faults = b
        .events
        .iter()
        .filter(|e| matches!(e.kind, EventKind::MemoryFailed(_)));
    assert_eq!(faults.count(), 0, "waiting is no fault of the flash");
}
