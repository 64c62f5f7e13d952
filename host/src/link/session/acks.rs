//! What is on disk is acknowledged, so that the board may forget it.

use super::Session;
use crate::store::{Entry, Written};
use ohmward_proto::message::{Ack, Acks, BoardId, CaptureHave, Message};
use ohmward_proto::older::KEEPS_UNKNOWN;
use ohmward_proto::{Event, EventId};
use std::collections::BTreeSet;

impl Session {
    /// These entries are on disk now: acknowledges what the board may forget.
    pub fn committed(&mut self, entries: &[Entry], written: &Written) {
        let Some(hello) = self.peer.as_ref().map(|peer| peer.hello) else {
            return;
        };
        // Another board may have appeared on this line meanwhile: its event of the same number is not on disk.
        let ids: BTreeSet<EventId> = entries
            .iter()
            .filter_map(|entry| match entry {
                Entry::Event {
                    board,
                    event: Event { id, .. },
                    ..
                }
                | Entry::UnreadEvent { board, id, .. } => (*board == hello.board).then_some(*id),
                _ => None,
            })
            .filter(|id| !written.refused.contains(&(hello.board, id.boot)))
            .collect();
        self.report.acknowledged += ids.len() as u64;
        if hello.protocol >= KEEPS_UNKNOWN {
            for acks in together(hello.board, &ids) {
                self.say(&Message::Acks(acks));
            }
        } else {
            for id in ids {
                self.say(&Message::Ack(Ack::Event(id)));
            }
        }
        for &(board, event) in &written.captures_complete {
            if board == hello.board {
                self.say(&Message::Ack(Ack::Capture(event)));
            }
        }
        for &(board, event, parts) in &written.captures_partial {
            if board == hello.board && hello.protocol >= KEEPS_UNKNOWN && parts != 0 {
                self.say(&Message::CaptureHave(CaptureHave {
                    board,
                    event,
                    parts,
                }));
            }
        }
    }
}

/// As few messages as name them all.
fn together(board: BoardId, ids: &BTreeSet<EventId>) -> Vec<Acks> {
    let mut all: Vec<Acks> = Vec::new();
    for &id in ids {
        if let Some(acks) = all.last_mut()
            && acks.first.boot == id.boot
            && let Some(bit @ 0..64) = (id.seq - acks.first.seq).checked_sub(1)
        {
            acks.more |= 1 << bit;
        } else {
            all.push(Acks {
                board,
                first: id,
                more: 0,
            });
        }
    }
    all
}
