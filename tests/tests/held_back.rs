//! Flash and trips in drawn worlds: every way a trip can come about is foretold, no write begins where one may fall, and every
//! event is in flash within the stated time.
//!
//! What is checked against is the contactor itself: the sample in which it is told to open. Worlds as
//! [`ohmward_tests::drawn`] draws them, every sample of them; `OHMWARD_HELD_BACK=N` runs N.

use ohmward::sim::{Gear, SimBoard};
use ohmward_core::nv::{CAUGHT_UP_MS, HELD_BACK_MS_MAX, in_ram_ms_max};
use ohmward_plant::Scenario;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::measure::TripState;
use ohmward_proto::message::Message;
use ohmward_tests::drawn::text;
use std::collections::VecDeque;

/// Samples before a trip that are looked back at.
const BACK: usize = 256;

#[derive(Debug, Default)]
struct Tally {
    trips: usize,
    /// Trips that were foretold in the sample before, at the latest.
    foretold: usize,
    writes: u64,
    overdue: u64,
    longest_in_ram_ms: f64,
}

/// (samples to the soonest trip, flash was written, for an event that had waited as long as any may)
type Look = (u64, bool, bool);

fn run(number: u64, tally: &mut Tally) {
    let scenario: Scenario =
        Scenario::parse(&format!("drawn-{number}.toml"), &text(number)).expect("sound");
    let mut board = SimBoard::new(&scenario, Gear::EverySample).expect("starts");
    let rate = u64::from(board.sample_rate_hz());
    let samples = |ms: u64| ms * rate / 1000;
    let mut decoder = Decoder::new();
    let mut looks: VecDeque<Look> = VecDeque::new();
    let mut trips: Vec<(u64, VecDeque<Look>)> = Vec::new();
    let mut causes = Vec::new();
    let mut writes = board.flash().writes();
    let connected = |board: &SimBoard| {
        matches!(
            board.monitor().state(),
            TripState::Closed | TripState::Closing
        )
    };
    let mut was_connected = false;
    let mut goes_on = true;
    while goes_on {
        let waits = {
            let monitor = board.monitor();
            let since = monitor.unwritten_since();
            since.map_or(0, |since| monitor.now().since(since) + 1)
        };
        goes_on = board.run(1).expect("runs");
        decoder.feed(&board.take_output(), |message| {
            if let Ok(Message::Event(event)) = message
                && let EventKind::Tripped { cause, .. } = event.kind
                && !causes.contains(&(event.at.0, cause))
            {
                causes.push((event.at.0, cause));
            }
        });
        let monitor = board.monitor();
        let now = monitor.now();
        let wrote = board.flash().writes() > writes;
        writes = board.flash().writes();
        let is_connected = connected(&board);
        if was_connected && monitor.state() == TripState::Opening {
            trips.push((now.0, std::mem::take(&mut looks)));
        }
        was_connected = is_connected;
        if !is_connected {
            looks.clear();
            continue;
        }
        let overdue = waits >= samples(HELD_BACK_MS_MAX);
        if wrote {
            tally.writes += 1;
            tally.overdue += u64::from(overdue);
        }
        if looks.len() == BACK {
            looks.pop_front();
        }
        looks.push_back((monitor.soonest_trip(), wrote, overdue));
        let aged = monitor.unwritten_since().map_or(0, |s| now.since(s));
        let ahead = monitor.events_unwritten().saturating_sub(1);
        assert!(
            aged <= samples(in_ram_ms_max(ahead)) + 1,
            "world {number}: an event in RAM for {aged} samples at {now:?}, {ahead} before it"
        );
        tally.longest_in_ram_ms = tally.longest_in_ram_ms.max(aged as f64 * 1e3 / rate as f64);
    }
    for (at, looks) in trips {
        let cause = causes
            .iter()
            .find(|(t, _)| *t == at)
            .map(|(_, cause)| *cause);
        let sudden = matches!(cause, None | Some(TripCause::SuddenChange { .. }));
        tally.trips += 1;
        tally.foretold += usize::from(looks.back().is_some_and(|(soonest, ..)| *soonest == 1));
        for (back, (soonest, wrote, overdue)) in (1_u64..).zip(looks.iter().rev()) {
            // Seven eighths of the energy of a level without hold time come after the moment it counts from, at four times
            // the level's square each sample: 0.5625 · T · 7/8 / 4 of a cycle T, 2 ms at 60 Hz.
            let quickest = sudden && back >= samples(2);
            assert!(
                *soonest <= back || quickest,
                "world {number}: tripped at {at} by {cause:?}, {back} samples before it none was due for {soonest}"
            );
            assert!(
                !wrote || *overdue || back >= samples(CAUGHT_UP_MS) || quickest,
                "world {number}: tripped at {at} by {cause:?}, flash was written {back} samples before"
            );
        }
    }
}

#[test]
fn no_trip_falls_into_a_write_in_any_world() {
    let count = std::env::var("OHMWARD_HELD_BACK")
        .ok()
        .map_or(10, |text| text.parse().expect("a number"));
    let mut tally = Tally::default();
    for number in 0..count {
        run(number, &mut tally);
    }
    println!("{count} worlds: {tally:?}");
    assert!(tally.trips > 0 && tally.writes > 0, "{tally:?}");
}
