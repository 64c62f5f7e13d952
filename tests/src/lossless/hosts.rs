//! A host: session, store, and a batch on its way to the disk.

use super::BOARD;
use super::board::Wiring;
use crate::rig::Draw;
use ohmward::link::{Moment, Session};
use ohmward::store::{Entry, Store, Written};
use ohmward_proto::EventId;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::message::{Ack, Message};
use std::collections::BTreeSet;
use std::path::PathBuf;

/// A recorder: session, store, and a batch on its way to the disk.
pub(super) struct Host {
    dir: PathBuf,
    pub(super) store: Option<Store>,
    pub(super) session: Session,
    batch: Vec<Entry>,
    on_its_way: Option<(u64, Vec<Entry>)>,
    /// Not running, until then.
    pub(super) away_until_us: u64,
    pub(super) full_until_us: u64,
    /// Events that are on its disk.
    pub(super) kept: BTreeSet<EventId>,
    said: Decoder,
    starts: u32,
    /// Its questions are numbered from here: a real host draws that by lot.
    tokens: u32,
}

impl Host {
    pub(super) fn new(dir: PathBuf, tokens: u32) -> Self {
        Self {
            tokens,
            store: Some(Store::open_or_create(&dir).expect("a store")),
            dir,
            session: Session::asking_from(tokens),
            batch: Vec::new(),
            on_its_way: None,
            away_until_us: 0,
            full_until_us: 0,
            kept: BTreeSet::new(),
            said: Decoder::new(),
            starts: 0,
        }
    }

    /// SIGKILL: memory is gone; a transaction that was on its way is there or is not.
    pub(super) fn kill(&mut self, now_us: u64, away_us: u64, draw: &mut Draw) {
        if let Some((_, entries)) = self.on_its_way.take()
            && draw.uniform() < 0.5
        {
            self.write(&entries);
        }
        self.batch.clear();
        self.store = None;
        self.begin_again();
        self.away_until_us = now_us + away_us;
    }

    /// The port was opened anew: another conversation, the same store. What was on its way to the disk gets there, and is
    /// acknowledged to nobody.
    pub(super) fn reopen(&mut self) {
        if let Some((_, entries)) = self.on_its_way.take() {
            self.write(&entries);
        }
        self.begin_again();
    }

    fn begin_again(&mut self) {
        self.starts += 1;
        // The answers to earlier questions may still be on the line.
        self.session = Session::asking_from(self.tokens + self.starts * 1_000_000);
        self.said = Decoder::new();
    }

    fn write(&mut self, entries: &[Entry]) -> Written {
        let store = self.store.as_mut().expect("open");
        let written = store.write(entries).expect("writes");
        assert_eq!(written.twins, [], "two events of one number");
        assert_eq!(written.refused, [], "a run that is another's");
        for entry in entries {
            if let Entry::Event { event, .. } = entry {
                self.kept.insert(event.id);
            }
        }
        written
    }

    pub(super) fn step(
        &mut self,
        now_us: u64,
        moment: Moment,
        commit_us: u64,
        wiring: &mut Wiring,
        n: usize,
    ) {
        let bytes = wiring.to_host[n].receive(now_us, usize::MAX);
        if now_us < self.away_until_us {
            return;
        }
        if self.store.is_none() {
            self.store = Some(Store::open_or_create(&self.dir).expect("a store"));
        }
        self.session.receive(&bytes, moment, &mut self.batch);
        if now_us.is_multiple_of(100_000) {
            self.session.tick(moment);
        }
        if let Some((due_us, _)) = &self.on_its_way
            && *due_us <= now_us
            && now_us >= self.full_until_us
            && let Some((_, entries)) = self.on_its_way.take()
        {
            let written = self.write(&entries);
            self.session.committed(&entries, &written);
        }
        if self.on_its_way.is_none() && !self.batch.is_empty() {
            self.on_its_way = Some((now_us + commit_us, std::mem::take(&mut self.batch)));
        }
        let out = self.session.take_output();
        let kept = &self.kept;
        self.said.feed(&out, |message| {
            for id in acknowledged(&message.expect("a host says nothing damaged")) {
                assert!(
                    kept.contains(&id),
                    "{id} was acknowledged before it was on disk"
                );
            }
        });
        wiring.to_board[n].send(&out, now_us);
    }
}

pub(super) fn acknowledged(message: &Message) -> Vec<EventId> {
    match message {
        Message::Ack(Ack::Event(id)) => vec![*id],
        Message::Acks(acks) if acks.board == BOARD => acks.events().collect(),
        _ => Vec::new(),
    }
}
