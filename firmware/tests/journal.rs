//! The journal on flash, without cuts: how evenly it wears flash, what it does when flash is full, and when flash fails.

use ohmward_core::journal::Journal;
use ohmward_core::nv::{Found, Kept, Nv, Permit};
use ohmward_core::ram_flash::{NorFake, RamFlash};
use ohmward_proto::Settings;
use ohmward_proto::event::{Event, EventKind, MemoryFault};
use ohmward_proto::units::{Amps, SampleIndex};
use std::collections::BTreeMap;

const SURGE: EventKind = EventKind::Surge {
    peak: Amps(9.0),
    samples: 2,
};

struct Rig<const W: usize> {
    nv: Nv<NorFake<W, 4096, 8, 512>>,
    journal: Journal,
    now: u64,
    got: BTreeMap<(u32, u32), Event>,
    pushed: u32,
}

impl<const W: usize> Rig<W> {
    fn start(flash: NorFake<W, 4096, 8, 512>) -> Self {
        let (mut nv, found) = Nv::open(flash).expect("geometry fits");
        let kept = match found {
            Found::Kept(kept) => kept,
            _ => Kept {
                boot: 0,
                settings: Settings::SMALL_BONDED,
                tripped: None,
                trips: 0,
                calibration: None,
            },
        };
        let kept = Kept {
            boot: kept.boot + 1,
            ..kept
        };
        nv.save(&kept, true).expect("saves");
        let prepared = nv.prepare(2);
        let mut journal = Journal::new(kept.boot);
        if let Err(fault) = prepared {
            nv.failed(&mut journal, SampleIndex(0), fault);
        }
        nv.serve(&mut journal, SampleIndex(0), Permit::Read);
        Self {
            nv,
            journal,
            now: 0,
            got: BTreeMap::new(),
            pushed: 0,
        }
    }

    fn restart(self) -> Self {
        let got = self.got;
        Self {
            got,
            ..Self::start(self.nv.into_flash())
        }
    }

    fn push(&mut self, kind: EventKind) -> bool {
        self.pushed += 1;
        self.journal.push(SampleIndex(self.now), kind).is_some()
    }

    fn serve(&mut self, turns: u64, permit: Permit) {
        for _ in 0..turns {
            self.now += 1;
            self.nv
                .serve(&mut self.journal, SampleIndex(self.now), permit);
        }
    }

    fn host(&mut self) {
        while let Some(event) = self.journal.next_to_send(SampleIndex(self.now), 1 << 40) {
            let before = self.got.insert((event.id.boot, event.id.seq), event);
            assert!(before.is_none_or(|b| b == event));
            self.journal.acknowledge(event.id);
        }
    }

    fn drain(&mut self) {
        for _ in 0..20_000 {
            if self.journal.waiting() == 0 {
                return;
            }
            self.serve(1, Permit::Erase);
            self.host();
        }
        panic!("{} events never come", self.journal.waiting());
    }

    fn count(&self, is: impl Fn(&EventKind) -> bool) -> usize {
        self.got.values().filter(|e| is(&e.kind)).count()
    }

    fn lost(&self) -> u32 {
        let lost = |e: &Event| match e.kind {
            EventKind::EventsLost { count } => count,
            _ => 0,
        };
        self.got.values().map(lost).sum()
    }
}

/// 10 000 events, each acknowledged before the next, one start in a hundred: erases of the ring's blocks differ by one at most.
fn wear<const W: usize>(bytes_per_event_max: f64, erases_per_1000_max: f64) {
    let mut rig = Rig::<W>::start(NorFake::default());
    let before: u32 = rig.nv.flash().erases().iter().skip(2).sum();
    let first = rig.nv.flash().steps();
    for n in 1..=10_000 {
        assert!(rig.push(EventKind::Connected));
        rig.serve(3, Permit::Erase);
        rig.host();
        if n % 100 == 0 {
            rig = rig.restart();
        }
    }
    rig.drain();
    let flash = rig.nv.flash();
    let (slots, ring) = flash.erases().split_at(2);
    let erases = ring.iter().sum::<u32>() - before;
    let written = (flash.steps() - first) as f64 - 4.0 * f64::from(erases);
    println!(
        "words of {W}: erases of the ring {ring:?}, of the slots {slots:?}; {:.0} bytes of flash an event, {:.1} erases of the ring in 1000",
        written / 1e4,
        f64::from(erases) / 10.0
    );
    let spread = ring.iter().max().unwrap() - ring.iter().min().unwrap();
    assert!(spread <= 1, "{ring:?}");
    assert!(written / 1e4 <= bytes_per_event_max);
    assert!(f64::from(erases) / 10.0 <= erases_per_1000_max);
    assert_eq!(flash.violations(), 0);
}

#[test]
fn ten_thousand_events_wear_every_block_alike() {
    // 64 for the event, 1/16 of that for the acknowledgements, the slots' 256 once in a hundred, heads.
    wear::<4>(80.0, 19.0);
    wear::<256>(330.0, 80.0);
}

/// No host for long: the ring fills, then RAM; what can come in swarms is refused first; every refusal is counted, and when
/// the host is there, events received and events lost are the events made.
fn full<const W: usize>() {
    let mut rig = Rig::<W>::start(NorFake::default());
    let mut refused_surge = None;
    let mut refused_other = None;
    for n in 0..900 {
        if !rig.push(SURGE) {
            refused_surge.get_or_insert(n);
        }
        if !rig.push(EventKind::Connected) {
            refused_other.get_or_insert(n);
        }
        rig.serve(3, Permit::Erase);
    }
    let (surge, other) = (
        refused_surge.expect("swarms give way"),
        refused_other.expect("full"),
    );
    println!("words of {W}: surges refused from {surge} on, others from {other} on");
    assert!(other > surge + 24);
    // A cut: what stood in RAM alone is gone, what was in flash is not, and it says that it was full.
    let mut rig2 = Rig::<W>::start(rig.nv.flash().clone());
    rig2.drain();
    assert!(rig2.count(|k| *k == EventKind::MemoryFailed(MemoryFault::Full)) == 1);
    assert!(rig2.got.len() as u32 + 64 >= surge + other);
    // The ring is of use again.
    let lost = rig2.lost();
    for _ in 0..1000 {
        assert!(rig2.push(EventKind::Connected));
        rig2.serve(3, Permit::Erase);
        rig2.host();
    }
    assert_eq!(rig2.lost(), lost);
    // The same without the cut.
    rig.drain();
    assert!(rig.push(EventKind::Rested));
    rig.drain();
    let own = rig.count(|k| {
        matches!(
            k,
            EventKind::MemoryFailed(_) | EventKind::MemoryWorks | EventKind::EventsLost { .. }
        )
    });
    assert_eq!(
        rig.got.len() - own + rig.lost() as usize,
        rig.pushed as usize
    );
    assert_eq!(rig.count(|k| *k == EventKind::MemoryWorks), 1);
    assert_eq!(rig.nv.flash().violations(), 0);
}

#[test]
fn a_full_ring_refuses_swarms_first_and_counts_what_it_refuses() {
    full::<4>();
    full::<256>();
}

/// While connected nothing is erased; when the erased room is used up the journal stands in RAM, and goes on.
#[test]
fn nothing_is_erased_while_it_may_not_be() {
    let mut rig = Rig::start(RamFlash::default());
    rig.serve(20, Permit::Erase);
    let erases = *rig.nv.flash().erases();
    for _ in 0..2000 {
        assert!(rig.push(EventKind::Connected));
        rig.serve(3, Permit::Write);
        rig.host();
    }
    assert_eq!(rig.nv.flash().erases(), &erases);
    assert_eq!(rig.lost(), 0);
    let connected = rig.count(|k| *k == EventKind::Connected);
    assert_eq!(connected, 2000);
    // Told when it happened, and that it is over.
    rig.serve(50, Permit::Erase);
    rig.drain();
    assert_eq!(
        rig.count(|k| *k == EventKind::MemoryFailed(MemoryFault::Full)),
        1
    );
    assert_eq!(rig.count(|k| *k == EventKind::MemoryWorks), 1);
}

const MINUTE: u64 = 240_000;

/// What is refused is told once and written again; a minute without a failure is told too. Nothing is lost over a restart.
#[test]
fn a_flash_that_fails_is_told_and_tried_again() {
    for fault in [MemoryFault::Write, MemoryFault::Erase] {
        let mut rig = Rig::start(RamFlash::default());
        match fault {
            MemoryFault::Write => rig.nv.flash_mut().refuse_writes(9),
            _ => rig.nv.flash_mut().refuse_erases(9),
        }
        for _ in 0..20 {
            assert!(rig.push(EventKind::Connected));
            rig.serve(MINUTE / 10, Permit::Erase);
        }
        let mut rig = rig.restart();
        rig.drain();
        assert_eq!(rig.count(|k| *k == EventKind::Connected), 20);
        assert_eq!(rig.count(|k| *k == EventKind::MemoryFailed(fault)), 1);
        assert_eq!(rig.count(|k| *k == EventKind::MemoryWorks), 1);
        assert_eq!(rig.nv.flash().violations(), 0);
    }
}

/// A byte that cannot be written any more costs its unit on every round, and no event.
#[test]
fn a_stuck_byte_loses_nothing() {
    for (at, value) in [
        (3 * 4096 + 130, 0xA5),
        (3 * 4096 + 130, 0x00),
        (4 * 4096 + 5, 0x00),
        (300, 0x00),
    ] {
        let mut rig = Rig::start(RamFlash::default());
        rig.nv.flash_mut().stick(at, value);
        for n in 0..2000 {
            assert!(rig.push(EventKind::Connected));
            rig.serve(20, Permit::Erase);
            if n % 7 == 0 {
                rig.host();
            }
            if n % 50 == 0 {
                rig = rig.restart();
            }
        }
        rig.drain();
        assert_eq!(rig.count(|k| *k == EventKind::Connected), 2000, "{at}");
        assert_eq!(rig.lost(), 0);
    }
}

/// Flash that takes nothing any more: the journal in RAM goes on as it does without flash.
#[test]
fn a_dead_flash_leaves_the_journal_in_ram() {
    let mut rig = Rig::start(RamFlash::default());
    rig.nv.flash_mut().refuse_writes(u32::MAX);
    rig.nv.flash_mut().refuse_erases(u32::MAX);
    for _ in 0..5000 {
        assert!(rig.push(EventKind::Connected));
        rig.serve(100, Permit::Erase);
        rig.host();
    }
    assert_eq!(rig.count(|k| *k == EventKind::Connected), 5000);
    assert_eq!(rig.count(|k| matches!(k, EventKind::MemoryFailed(_))), 1);
}

#[test]
fn bytes_of_ram() {
    println!(
        "journal {} bytes, flash's state {} bytes",
        size_of::<Journal>(),
        size_of::<Nv<()>>()
    );
    assert!(size_of::<Journal>() <= 10_000 && size_of::<Nv<()>>() <= 2_000);
}
