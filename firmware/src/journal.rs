//! Events, numbered, kept until the host has them.
//!
//! ```text
//! push → fresh ──(nv writes them)→ flash ──(nv reads them)→ window → host
//!          └──────── straight to the host while nothing older waits in flash
//! ```
//!
//! Alone, without flash or while it fails, the journal is what stands in `fresh`. With flash, what has been written goes
//! on into the `window`, or waits in flash until there is room in it. Events of former runs wait there too, and leave
//! under their own numbers. Oldest first.
//!
//! When the journal fills, events that can come in swarms are refused first: the last places are for what matters. Every
//! refusal is counted, and the count becomes an event with the next one that is taken.

use crate::memory::InPlace;
use core::num::NonZeroU64;
use heapless::Deque;
use ohmward_proto::event::{Event, EventId, EventKind};
use ohmward_proto::units::SampleIndex;

/// Events kept in RAM until they are in flash, or acknowledged.
const PLACES: usize = 64;
/// Places, here and in flash, that events of a kind that comes in swarms may not take.
const RESERVED: usize = 24;
/// Events in flash that are being sent.
const WINDOW: usize = 32;

#[derive(Debug)]
struct Entry {
    event: Event,
    /// Sample after the one in which it was sent: half the size of an optional index.
    sent_before: Option<NonZeroU64>,
    /// In flash, if it is there.
    serial: u32,
}

/// Places for events.
#[derive(Debug)]
pub struct Places {
    window: Deque<Entry, WINDOW>,
    fresh: Deque<Entry, PLACES>,
}

impl Places {
    /// Empty.
    pub(crate) const fn new() -> Self {
        Self {
            window: Deque::new(),
            fresh: Deque::new(),
        }
    }
}

impl Entry {
    /// Never sent, or more than `retry` samples ago.
    fn is_due(&self, now: SampleIndex, retry: u64) -> bool {
        self.sent_before
            .is_none_or(|sent| now.since(SampleIndex(sent.get() - 1)) > retry)
    }
}

/// What flash can do for the journal, as [`crate::nv`] sees it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Backing {
    /// Events that it can still take, beyond those reserved for what matters.
    pub room_for_frequent: usize,
    /// Events in it that have not come to the window; what is fresh has to wait for them.
    pub behind_window: u32,
}

/// Events not yet acknowledged, oldest first.
#[derive(Debug)]
pub struct Journal {
    boot: u32,
    next_seq: u32,
    places: InPlace<Places>,
    /// `None`: RAM alone.
    backing: Option<Backing>,
    refused: u32,
    resent: u32,
}

/// Can come in swarms.
fn is_frequent(kind: &EventKind) -> bool {
    matches!(
        kind,
        EventKind::Surge { .. }
            | EventKind::SensorLost(_)
            | EventKind::SensorBack(_)
            | EventKind::InsulationNotMeasured(_)
            | EventKind::ResetRefused(_)
            | EventKind::FailedToOpen
            | EventKind::OpenedLate { .. }
            | EventKind::SelfTestPassed { .. }
            | EventKind::ZeroDrifted { .. }
            | EventKind::FuseStrained { .. }
            | EventKind::FaultSide { .. }
    )
}

impl Journal {
    /// An empty journal of this run, in RAM alone; its places within.
    #[cfg(not(target_os = "none"))]
    pub fn new(boot: u32) -> Self {
        Self::placed(boot, Places::new())
    }

    /// The same, in these places.
    pub(crate) fn placed(boot: u32, places: InPlace<Places>) -> Self {
        Self {
            boot,
            next_seq: 0,
            places,
            backing: None,
            refused: 0,
            resent: 0,
        }
    }

    /// Notes what happened; `None` when there was no room for it.
    pub fn push(&mut self, now: SampleIndex, kind: EventKind) -> Option<EventId> {
        let room = PLACES - self.places.fresh.len();
        let crowded = room <= RESERVED
            || self
                .backing
                .is_some_and(|flash| flash.room_for_frequent <= self.places.fresh.len());
        if room == 0 || (crowded && is_frequent(&kind)) {
            self.refused = self.refused.saturating_add(1);
            return None;
        }
        if self.refused > 0 && room >= 2 {
            let count = core::mem::take(&mut self.refused);
            self.append(now, EventKind::EventsLost { count });
        }
        self.append(now, kind)
    }

    fn append(&mut self, now: SampleIndex, kind: EventKind) -> Option<EventId> {
        let id = EventId {
            boot: self.boot,
            seq: self.next_seq,
        };
        let entry = Entry {
            event: Event { id, at: now, kind },
            sent_before: None,
            serial: 0,
        };
        self.places.fresh.push_back(entry).ok()?;
        self.next_seq += 1;
        Some(id)
    }

    /// The oldest event that was never sent, or sent `retry` samples ago and not acknowledged.
    pub fn next_to_send(&mut self, now: SampleIndex, retry: u64) -> Option<Event> {
        let held_back = self.backing.is_some_and(|flash| flash.behind_window > 0);
        let sendable = if held_back { 0 } else { PLACES };
        let fresh = self.places.fresh.iter_mut().take(sendable);
        let entry = self
            .places
            .window
            .iter_mut()
            .chain(fresh)
            .find(|e| e.is_due(now, retry))?;
        let sent_before = NonZeroU64::MIN.saturating_add(now.0);
        if entry.sent_before.replace(sent_before).is_some() {
            self.resent = self.resent.saturating_add(1);
        }
        Some(entry.event)
    }

    /// A host has (re)appeared: everything that is kept goes out again.
    pub fn resend(&mut self) {
        for entry in self.places.window.iter_mut().chain(&mut self.places.fresh) {
            entry.sent_before = None;
        }
    }

    /// The host has it.
    pub fn acknowledge(&mut self, id: EventId) {
        self.places.window.retain(|e| e.event.id != id);
        self.places.fresh.retain(|e| e.event.id != id);
    }

    /// Events sent more than once.
    pub fn resent(&self) -> u32 {
        self.resent
    }

    /// Events waiting for an acknowledgement.
    pub fn waiting(&self) -> usize {
        let in_flash = self.backing.map_or(0, |flash| flash.behind_window);
        self.places.window.len() + self.places.fresh.len() + in_flash as usize
    }

    /// What flash can do from now on; `None`: nothing.
    pub fn back(&mut self, by: Option<Backing>) {
        self.backing = by;
    }

    /// Events that are not in flash, oldest first.
    pub fn fresh(&self) -> impl Iterator<Item = &Event> {
        self.places.fresh.iter().map(|e| &e.event)
    }

    /// How many.
    pub fn fresh_len(&self) -> usize {
        self.places.fresh.len()
    }

    /// These are in flash now, the first under `serial`. True when they went on into the window, from where they are sent;
    /// else there was no room, or `behind` something older, and flash has to be read for them.
    pub fn written(&mut self, ids: &[EventId], serial: u32, behind: bool) -> bool {
        let holds = !behind && self.places.window.len() + ids.len() <= WINDOW;
        for (id, serial) in ids.iter().zip(serial..) {
            // One that was acknowledged meanwhile is not here any more.
            let Some(entry) = self.places.fresh.iter().find(|e| e.event.id == *id) else {
                continue;
            };
            let entry = Entry { serial, ..*entry };
            self.places.fresh.retain(|e| e.event.id != *id);
            if holds {
                let _ = self.places.window.push_back(entry);
            }
        }
        holds
    }

    /// How many places are taken: where nothing has changed nothing is to do.
    pub fn fill(&self) -> (usize, usize) {
        (self.places.window.len(), self.places.fresh.len())
    }

    /// Room for an event from flash.
    pub fn has_window(&self) -> bool {
        !self.places.window.is_full()
    }

    /// An event from flash, oldest first.
    pub fn take_in(&mut self, serial: u32, event: Event) {
        let _ = self.places.window.push_back(Entry {
            event,
            sent_before: None,
            serial,
        });
    }

    /// Everything in flash below this serial is acknowledged; `read` is the serial up to which flash has been read.
    pub fn acked_below(&self, read: u32) -> u32 {
        self.places.window.front().map_or(read, |e| e.serial)
    }

    /// Events that flash had and that cannot be read.
    pub fn lost(&mut self, now: SampleIndex, count: u32) {
        let count = count.saturating_add(core::mem::take(&mut self.refused));
        if self.append(now, EventKind::EventsLost { count }).is_none() {
            self.refused = count;
        }
    }

    /// Notes something about the journal itself, ahead of every reserve. Its number, if there was a place.
    pub fn note_own(&mut self, now: SampleIndex, kind: EventKind) -> Option<EventId> {
        self.append(now, kind)
    }

    /// The newest fresh events.
    pub fn newest_fresh(&self) -> Option<&Event> {
        self.places.fresh.back().map(|e| &e.event)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use heapless::Vec;
    use ohmward_proto::units::Amps;

    const SURGE: EventKind = EventKind::Surge {
        peak: Amps(9.0),
        samples: 2,
    };

    #[test]
    fn kept_until_acknowledged_and_sent_again_after_a_while() {
        let mut journal = Journal::new(3);
        let id = journal
            .push(SampleIndex(10), EventKind::Connected)
            .expect("room");
        assert_eq!(id, EventId { boot: 3, seq: 0 });
        assert!(journal.next_to_send(SampleIndex(11), 100).is_some());
        assert!(journal.next_to_send(SampleIndex(111), 100).is_none());
        assert!(journal.next_to_send(SampleIndex(112), 100).is_some());
        assert_eq!(journal.resent(), 1);
        journal.acknowledge(id);
        assert!(journal.next_to_send(SampleIndex(9999), 100).is_none());
    }

    #[test]
    fn a_swarm_of_surges_leaves_room_for_a_trip_and_its_loss_is_told() {
        let mut journal = Journal::new(1);
        for n in 0..100 {
            journal.push(SampleIndex(n), SURGE);
        }
        assert_eq!(journal.waiting(), PLACES - RESERVED);
        assert!(
            journal
                .push(SampleIndex(100), EventKind::Connected)
                .is_some()
        );
        let mut seen: Vec<Event, PLACES> = Vec::new();
        while let Some(event) = journal.next_to_send(SampleIndex(101), 1000) {
            seen.push(event).expect("fits");
        }
        assert!(
            seen.iter()
                .any(|e| e.kind == EventKind::EventsLost { count: 60 })
        );
        assert!(
            seen.iter().enumerate().all(|(n, e)| e.id.seq == n as u32),
            "no gaps"
        );
    }
}
