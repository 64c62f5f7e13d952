//! The oracle: what the board said before the line touched it, held against the stores.

use super::{BOARD, RATE, Tally, WALL_US, World};
use ohmward::store::EventFilter;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::measure::Codes;
use ohmward_proto::message::{CaptureHead, Message};
use ohmward_proto::units::SampleIndex;
use ohmward_proto::{Event, EventId, Reading};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Debug;

/// What the board said.
#[derive(Default)]
pub(super) struct Said {
    pub(super) decoder: Decoder,
    pub(super) events: BTreeMap<EventId, Event>,
    readings: BTreeMap<(u32, SampleIndex), Reading>,
    heads: BTreeMap<EventId, CaptureHead>,
    codes: BTreeMap<(EventId, u16), Codes>,
    pub(super) boot: u32,
}

impl Said {
    pub(super) fn take(&mut self, bytes: &[u8]) {
        let mut messages = Vec::new();
        self.decoder.feed(bytes, |m| {
            messages.push(m.expect("a board says nothing damaged"));
        });
        for message in messages {
            match message {
                Message::Event(event) => {
                    let before = self.events.insert(event.id, event);
                    assert!(
                        before.is_none_or(|b| b == event),
                        "{event:?} was {before:?}"
                    );
                }
                Message::Reading(reading) | Message::RunReading { reading, .. } => {
                    self.readings.insert((self.boot, reading.at), reading);
                }
                Message::CaptureHead(head) => {
                    self.heads.insert(head.event, head);
                }
                Message::CapturePart(part) => {
                    for (k, codes) in (part.offset..).zip(&part.codes) {
                        self.codes.insert((part.event, k), *codes);
                    }
                }
                _ => {}
            }
        }
    }
}

fn same(a: &impl Debug, b: &impl Debug) -> bool {
    format!("{a:?}") == format!("{b:?}") // a NaN is the same NaN
}

/// Looks whether anything was lost, doubled or made up.
pub(super) fn judge(world: &World) -> Tally {
    let said = &world.said;
    let mut tally = Tally {
        made: said.events.len(),
        in_ram_at_cut: world.in_ram_at_cut,
        ..Tally::default()
    };
    {
        let wiring = world.wiring.borrow();
        tally.harmed = wiring
            .to_host
            .iter()
            .chain(&wiring.to_board)
            .map(|l| l.harmed)
            .sum();
    }
    // The board numbers without a gap: nothing it made went unsaid.
    let mut next: BTreeMap<u32, u32> = BTreeMap::new();
    for id in said.events.keys() {
        let due = next.entry(id.boot).or_default();
        assert!(id.seq == *due, "the board never said {}.{due}", id.boot);
        *due = id.seq + 1;
    }
    let mut everywhere = BTreeSet::new();
    for host in &world.hosts {
        let store = host.store.as_ref().expect("open");
        let stored = store.events(&EventFilter::default()).expect("reads");
        let ids: BTreeSet<EventId> = stored.iter().map(|e| e.event.id).collect();
        assert_eq!(ids.len(), stored.len(), "an event twice");
        assert_eq!(ids, host.kept, "what is stored is not what was committed");
        assert_eq!(store.unread_events().expect("reads"), []);
        for event in &stored {
            let made = said.events.get(&event.event.id);
            assert!(
                made.is_some_and(|made| same(made, &event.event)),
                "made up: {event:?}, the board said {made:?}"
            );
            let begun = world.begun_us[&event.event.id.boot];
            let at = event.event.at.0 as f64 * 1e6 / f64::from(RATE) * (1.0 - world.plan.drift);
            let truth = WALL_US as f64 + begun + at;
            if let Some(within) = event.t_sigma_us {
                tally.timed += 1;
                let wrong = (event.t_us as f64 - truth).abs();
                // The harness itself looks every 5 ms: a question may be answered a look later than it could be.
                assert!(
                    wrong <= within as f64 + 5.0,
                    "{:?}: {wrong} µs off, said to be within {within}",
                    event.event
                );
            }
            let came = event.host_us.expect("noted");
            assert!(
                came as f64 >= truth - 5.0,
                "came before it happened: {event:?}"
            );
        }
        everywhere.extend(ids);
        let readings = store
            .readings(BOARD, i64::MIN..i64::MAX, usize::MAX)
            .expect("reads");
        for row in &readings.rows {
            let made = said.readings.get(&(row.boot, row.reading.at));
            assert!(
                made.is_some_and(|made| same(made, &row.reading)),
                "made up: {row:?}, the board said {made:?}"
            );
        }
        tally.readings += readings.rows.len();
        for (id, whole) in store.captures(BOARD).expect("reads") {
            let capture = store.capture(BOARD, id).expect("reads").expect("listed");
            assert_eq!(capture.complete().is_some(), whole, "{id}: whole or not?");
            assert!(same(&capture.head, &said.heads[&id]), "{id}: another head");
            for (k, codes) in (0u16..).zip(&capture.codes) {
                if let Some(codes) = codes {
                    assert_eq!(said.codes.get(&(id, k)), Some(codes), "{id}, sample {k}");
                }
            }
            *(if whole {
                &mut tally.captures
            } else {
                &mut tally.captures_partial
            }) += 1;
        }
    }
    for id in said.events.keys() {
        if everywhere.contains(id) {
            continue;
        }
        assert!(
            world.young_at_cut.contains(id),
            "lost: {:?}",
            said.events[id]
        );
        tally.lost_with_supply += 1;
    }
    // The last capture of all has had a sound line and time enough; one from before the supply went is gone.
    if let Some(id) = said.heads.keys().next_back()
        && id.boot == said.boot
    {
        let whole = world.hosts.iter().any(|host| {
            let store = host.store.as_ref().expect("open");
            let captures = store.captures(BOARD).expect("reads");
            captures.contains(&(*id, true))
        });
        assert!(whole, "the capture of {id} never became whole");
    }
    tally
}
