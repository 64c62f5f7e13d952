//! Events, numbered, kept until the host has them.
//!
//! When the journal fills, events that can come in swarms are refused first: the last places are for what matters. Every
//! refusal is counted, and the count becomes an event with the next one that is taken.

use heapless::Deque;
use ohmward_proto::event::{Event, EventId, EventKind};
use ohmward_proto::units::SampleIndex;

/// Events kept.
const PLACES: usize = 64;
/// Places that events of a kind that comes in swarms may not take.
const RESERVED: usize = 24;

#[derive(Debug)]
struct Entry {
    event: Event,
    sent_at: Option<SampleIndex>,
}

/// Events not yet acknowledged, oldest first.
#[derive(Debug)]
pub struct Journal {
    boot: u32,
    next_seq: u32,
    entries: Deque<Entry, PLACES>,
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
    pub fn new(boot: u32) -> Self {
        Self {
            boot,
            next_seq: 0,
            entries: Deque::new(),
            refused: 0,
            resent: 0,
        }
    }

    /// Notes what happened; `None` when there was no room for it.
    pub fn push(&mut self, now: SampleIndex, kind: EventKind) -> Option<EventId> {
        let room = PLACES - self.entries.len();
        if room == 0 || (room <= RESERVED && is_frequent(&kind)) {
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
        let event = Event { id, at: now, kind };
        let entry = Entry {
            event,
            sent_at: None,
        };
        self.entries.push_back(entry).ok()?;
        self.next_seq += 1;
        Some(id)
    }

    /// The oldest event that was never sent, or sent `retry` samples ago and not acknowledged.
    pub fn next_to_send(&mut self, now: SampleIndex, retry: u64) -> Option<Event> {
        let entry = self
            .entries
            .iter_mut()
            .find(|e| e.sent_at.is_none_or(|sent| now.since(sent) > retry))?;
        if entry.sent_at.replace(now).is_some() {
            self.resent = self.resent.saturating_add(1);
        }
        Some(entry.event)
    }

    /// A host has (re)appeared: everything that is kept goes out again.
    pub fn resend(&mut self) {
        for entry in &mut self.entries {
            entry.sent_at = None;
        }
    }

    /// The host has it.
    pub fn acknowledge(&mut self, id: EventId) {
        self.entries.retain(|e| e.event.id != id);
    }

    /// Events sent more than once.
    pub fn resent(&self) -> u32 {
        self.resent
    }

    /// Events waiting for an acknowledgement.
    pub fn waiting(&self) -> usize {
        self.entries.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
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
        let mut seen: heapless::Vec<Event, PLACES> = heapless::Vec::new();
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
