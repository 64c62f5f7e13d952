//! The supply goes away at every step of every write and erase, and once more while the board comes back: what must be there
//! is there, nothing is there that was not, and nothing is there twice with different contents.
//!
//! The oracle is a list of what was pushed, what had left the journal for flash, and what a host had acknowledged. A step is
//! a byte of a write or a quarter of an erase; after each cut the board starts cold, from flash alone. Three ways a cut can
//! leave a word or a block: [`Tear`].

use ohmward_core::journal::Journal;
use ohmward_core::nv::{Found, Kept, Nv, Permit};
use ohmward_core::ram_flash::{NorFake, Tear};
use ohmward_proto::Settings;
use ohmward_proto::event::{Event, EventId, EventKind, MemoryFault, TripCause};
use ohmward_proto::units::{Amps, Ohms, SampleIndex};
use std::collections::{BTreeMap, BTreeSet};

const TEARS: [Tear; 3] = [Tear::Sharp, Tear::LooksBlank, Tear::Garbage { seed: 1 }];

#[derive(Clone, Copy, Debug)]
enum Op {
    /// A clean end, and a new start.
    Boot,
    Push(EventKind),
    /// So many turns of the board.
    Serve(u32, Permit),
    /// The host takes what is sent and acknowledges it, but for every so many-th (0: all).
    Host(u32),
    Settings(u16),
    Trip(Option<TripCause>),
}

/// What the world outside the board knows.
#[derive(Clone, Default)]
struct Oracle {
    made: BTreeMap<EventId, Event>,
    in_flash: BTreeSet<EventId>,
    acked: BTreeSet<EventId>,
    host: BTreeMap<EventId, Event>,
    twice: u32,
    /// The last save that was confirmed, and one that was under way.
    kept: Option<Kept>,
    saving: Option<Kept>,
}

type Fake<const W: usize, const E: usize, const B: usize, const M: usize> = NorFake<W, E, B, M>;

struct Rig<const W: usize, const E: usize, const B: usize, const M: usize> {
    nv: Nv<Fake<W, E, B, M>>,
    journal: Journal,
    now: u64,
    kept: Kept,
    sent: u32,
}

fn fresh_board() -> Kept {
    Kept {
        boot: 0,
        settings: Settings::SMALL_BONDED,
        tripped: None,
        trips: 0,
        calibration: None,
    }
}

impl<const W: usize, const E: usize, const B: usize, const M: usize> Rig<W, E, B, M> {
    /// A cold start, as the board does it. `None`: the supply went away in it.
    fn start(flash: Fake<W, E, B, M>, oracle: &mut Oracle) -> Result<Self, Fake<W, E, B, M>> {
        let (mut nv, found) = Nv::open(flash).expect("geometry fits");
        let kept = match found {
            Found::Nothing => {
                assert!(oracle.kept.is_none(), "everything is gone");
                fresh_board()
            }
            Found::Damaged { .. } => {
                // Only a new board's very first record has no older one beside it.
                assert!(oracle.kept.is_none(), "what was kept is damaged");
                fresh_board()
            }
            Found::Kept(kept) => {
                assert!(
                    Some(kept) == oracle.kept || Some(kept) == oracle.saving,
                    "neither old nor new: {kept:?}"
                );
                oracle.kept = Some(kept);
                kept
            }
        };
        let kept = Kept {
            boot: kept.boot.max(nv.newest_boot()) + 1,
            ..kept
        };
        if let Some(old) = oracle.kept {
            assert!(kept.boot > old.boot, "boot count went back");
        }
        oracle.saving = Some(kept);
        if nv.save(&kept, true).is_err() {
            return Err(nv.into_flash());
        }
        oracle.kept = Some(kept);
        let mut rig = Self {
            nv,
            journal: Journal::new(kept.boot),
            now: 0,
            kept,
            sent: 0,
        };
        if rig.nv.prepare(1).is_err() && rig.off() {
            return Err(rig.nv.into_flash());
        }
        rig.nv.serve(&mut rig.journal, SampleIndex(0), Permit::Read);
        Ok(rig)
    }

    fn off(&self) -> bool {
        self.nv.flash().is_off()
    }

    /// Notes what the journal has made and what has gone to flash.
    fn look(&self, oracle: &mut Oracle) {
        let fresh: BTreeMap<EventId, Event> = self.journal.fresh().map(|e| (e.id, *e)).collect();
        for (id, event) in &fresh {
            let first = oracle.made.entry(*id).or_insert(*event);
            assert_eq!(first, event);
        }
        for id in oracle.made.keys() {
            if id.boot == self.kept.boot && !fresh.contains_key(id) && !oracle.acked.contains(id) {
                oracle.in_flash.insert(*id);
            }
        }
    }

    fn save(&mut self, kept: Kept, oracle: &mut Oracle) {
        oracle.saving = Some(kept);
        if self.nv.save(&kept, true).is_ok() {
            self.kept = kept;
            oracle.kept = Some(kept);
        }
    }

    fn serve(&mut self, turns: u32, permit: Permit, oracle: &mut Oracle) {
        for _ in 0..turns {
            self.now += 1;
            self.nv
                .serve(&mut self.journal, SampleIndex(self.now), permit);
            // What a write did not finish has not left the journal.
            self.look(oracle);
            if self.off() {
                return;
            }
        }
    }

    fn host(&mut self, but_every: u32, oracle: &mut Oracle) {
        while let Some(event) = self.journal.next_to_send(SampleIndex(self.now), 1 << 40) {
            // What the journal says of its own flash can be written in the very call that makes it.
            if matches!(event.kind, EventKind::MemoryFailed(MemoryFault::Full)) {
                oracle.made.entry(event.id).or_insert(event);
            }
            assert_eq!(
                oracle.made.get(&event.id),
                Some(&event),
                "nobody pushed this"
            );
            if let Some(before) = oracle.host.insert(event.id, event) {
                assert_eq!(before, event, "twice, and different");
                oracle.twice += 1;
            }
            self.sent += 1;
            if but_every == 0 || !self.sent.is_multiple_of(but_every) {
                oracle.acked.insert(event.id);
                self.journal.acknowledge(event.id);
            }
        }
    }

    /// Everything goes out and flash comes to rest.
    fn drain(&mut self, oracle: &mut Oracle) {
        let (mut still, mut steps) = (0, 0);
        while still < 8 {
            self.serve(1, Permit::Erase, oracle);
            if self.off() {
                return;
            }
            self.host(0, oracle);
            let before = std::mem::replace(&mut steps, self.nv.flash().steps());
            still = if steps == before && self.journal.waiting() == 0 {
                still + 1
            } else {
                0
            };
            assert!(self.now < 5000, "never comes to rest");
        }
        assert_eq!(self.journal.waiting(), 0);
        for id in &oracle.in_flash {
            assert!(
                oracle.host.contains_key(id),
                "{id} was in flash and never came"
            );
        }
        for (id, event) in &oracle.host {
            assert!(
                !matches!(event.kind, EventKind::EventsLost { .. }),
                "{id}: a loss was told, nothing was lost"
            );
        }
        assert_eq!(
            self.nv.flash().violations(),
            0,
            "a rule of flash was broken"
        );
    }
}

/// Runs the script until its end, or until the supply goes away; the flash as it is then.
fn run<const W: usize, const E: usize, const B: usize, const M: usize>(
    script: &[Op],
    flash: Fake<W, E, B, M>,
    oracle: &mut Oracle,
) -> Fake<W, E, B, M> {
    let mut rig = match Rig::start(flash, oracle) {
        Ok(rig) => rig,
        Err(flash) => return flash,
    };
    for op in script {
        match *op {
            Op::Boot => {
                rig = match Rig::start(rig.nv.into_flash(), oracle) {
                    Ok(rig) => rig,
                    Err(flash) => return flash,
                };
            }
            Op::Push(kind) => {
                rig.now += 1;
                assert!(rig.journal.push(SampleIndex(rig.now), kind).is_some());
                rig.look(oracle);
            }
            Op::Serve(turns, permit) => rig.serve(turns, permit, oracle),
            Op::Host(but_every) => rig.host(but_every, oracle),
            Op::Settings(mille) => {
                let mut kept = rig.kept;
                kept.settings.current.continuous.above = Amps(f32::from(mille) * 1e-3);
                rig.save(kept, oracle);
            }
            Op::Trip(tripped) => {
                let kept = Kept {
                    tripped,
                    trips: rig.kept.trips + 1,
                    ..rig.kept
                };
                rig.save(kept, oracle);
            }
        }
        if rig.off() {
            break;
        }
    }
    rig.nv.into_flash()
}

const APPLIED: EventKind = EventKind::SettingsApplied { hash: u32::MAX };
const TRIPPED: EventKind = EventKind::Tripped {
    cause: TripCause::Commanded,
    picked_up: SampleIndex(1 << 40),
};
const WARNED: EventKind = EventKind::InsulationRecovered { r: Ohms(2e6) };

/// Starts, settings, a trip and its reset, events acknowledged in order, out of order, late and not at all, over a start;
/// enough of them to go round the ring of `places` units more than once.
fn script(places: usize) -> Vec<Op> {
    let mut ops = vec![
        Op::Push(EventKind::Connected),
        Op::Push(APPLIED),
        Op::Serve(4, Permit::Write),
        Op::Host(0),
        Op::Settings(120),
        Op::Push(TRIPPED),
        Op::Push(WARNED),
        Op::Trip(Some(TripCause::Commanded)),
        Op::Serve(3, Permit::Write),
        Op::Boot,
        Op::Host(2),
        Op::Serve(6, Permit::Erase),
        Op::Push(EventKind::Reset),
        Op::Trip(None),
        Op::Serve(2, Permit::Erase),
    ];
    for round in 0..places * 3 / 4 {
        ops.extend([Op::Push(EventKind::Connected), Op::Push(EventKind::Rested)]);
        ops.push(Op::Serve(2, Permit::Write));
        ops.push(Op::Push(APPLIED));
        ops.push(Op::Host(if round % 3 == 0 { 3 } else { 0 }));
        ops.push(Op::Serve(5, Permit::Erase));
        if round % 4 == 3 {
            ops.push(Op::Host(0));
            ops.extend([Op::Settings(130 + round as u16), Op::Boot]);
        }
    }
    ops.extend([
        Op::Serve(12, Permit::Erase),
        Op::Host(0),
        Op::Serve(6, Permit::Erase),
    ]);
    ops
}

/// How thoroughly.
struct Cuts {
    /// A second cut, in the recovery, after every so many-th first one,
    again_every: u64,
    /// and so many steps apart.
    again_steps: u64,
}

const SHORT: Cuts = Cuts {
    again_every: 29,
    again_steps: 61,
};
const LONG: Cuts = Cuts {
    again_every: 1,
    again_steps: 61,
};

/// Nobody listens: the ring fills until nothing more goes in, over a start; then the host is there.
fn full_script(places: usize) -> Vec<Op> {
    let mut ops = Vec::new();
    for n in 0..places + 8 {
        ops.extend([Op::Push(EventKind::Connected), Op::Serve(3, Permit::Erase)]);
        if n == places / 2 {
            ops.push(Op::Boot);
        }
    }
    ops.push(Op::Host(0));
    for _ in 0..4 {
        ops.extend([Op::Serve(8, Permit::Erase), Op::Host(0)]);
    }
    ops
}

/// Cuts at every step, and once more in the recovery. Prints how often.
fn every_cut<const W: usize, const E: usize, const B: usize, const M: usize>(
    script: &[Op],
    thorough: &Cuts,
) {
    let mut oracle = Oracle::default();
    let whole = run(script, Fake::<W, E, B, M>::default(), &mut oracle);
    assert_eq!(whole.violations(), 0);
    // Each page once when it was new: more of them is the ring gone round.
    let laps = whole.erases().iter().skip(2).max().copied();
    assert!(laps >= Some(2), "{:?}", whole.erases());
    let steps = whole.steps();
    let (mut cuts, mut second_cuts) = (0, 0);
    for tear in TEARS {
        for cut in 0..steps {
            let mut oracle = Oracle::default();
            let mut flash = Fake::<W, E, B, M>::default();
            flash.cut_after(cut, tear);
            let mut flash = run(script, flash, &mut oracle);
            assert!(flash.is_off(), "cut after {cut} of {steps}");
            flash.power_up();
            cuts += 1;
            // Once more while it comes back, at a place that depends on the first; then in peace.
            let mut again = flash.clone();
            let mut other = oracle.clone();
            let mut further = cut % thorough.again_steps;
            loop {
                if !cut.is_multiple_of(thorough.again_every) {
                    break;
                }
                let mut flash = again.clone();
                let mut oracle = other.clone();
                flash.cut_after(further, tear);
                let mut flash = match Rig::start(flash, &mut oracle) {
                    Err(flash) => flash,
                    Ok(mut rig) => {
                        rig.drain(&mut oracle);
                        rig.nv.into_flash()
                    }
                };
                if !flash.is_off() {
                    break;
                }
                flash.power_up();
                second_cuts += 1;
                come_back(flash, &mut oracle, (cut, further));
                further += thorough.again_steps;
            }
            again.power_up();
            come_back(again, &mut other, (cut, u64::MAX));
        }
    }
    println!("{cuts} cuts, {second_cuts} second cuts");
}

/// A start in peace, another one after it, and everything that must be there.
fn come_back<const W: usize, const E: usize, const B: usize, const M: usize>(
    flash: Fake<W, E, B, M>,
    oracle: &mut Oracle,
    at: (u64, u64),
) {
    let Ok(mut rig) = Rig::start(flash, oracle) else {
        panic!("{at:?}: flash is whole and does not start");
    };
    let push = rig.journal.push(SampleIndex(1), EventKind::Connected);
    assert!(push.is_some());
    rig.look(oracle);
    rig.drain(oracle);
    let acked = oracle.twice;
    let Ok(mut rig) = Rig::start(rig.nv.into_flash(), oracle) else {
        panic!("{at:?}: does not start a second time");
    };
    rig.drain(oracle);
    // Acknowledgements are written late, not never.
    assert!(oracle.twice - acked <= 16, "{at:?}: {}", oracle.twice);
}

#[test]
fn words_of_four_bytes() {
    every_cut::<4, 512, 6, 64>(&script(4 * 7), &SHORT);
}

#[test]
fn words_of_256_bytes() {
    every_cut::<256, 1024, 6, 128>(&script(4 * 3 * 2), &SHORT);
}

#[test]
fn a_ring_that_is_full() {
    every_cut::<4, 512, 5, 64>(&full_script(3 * 7), &SHORT);
    every_cut::<256, 1024, 5, 128>(&full_script(3 * 3), &SHORT);
}

#[test]
#[ignore = "minutes; the same with a second cut after every first one"]
fn a_ring_that_is_full_twice() {
    every_cut::<4, 512, 5, 64>(&full_script(3 * 7), &LONG);
    every_cut::<256, 1024, 5, 128>(&full_script(3 * 3), &LONG);
}

#[test]
#[ignore = "minutes; the same with a second cut after every first one"]
fn words_of_four_bytes_twice() {
    every_cut::<4, 512, 6, 64>(&script(4 * 7), &LONG);
}

#[test]
#[ignore = "minutes; the same with a second cut after every first one"]
fn words_of_256_bytes_twice() {
    every_cut::<256, 1024, 6, 128>(&script(4 * 3 * 2), &LONG);
}
