//! A board's memory with anything in it: it opens or says why not, works on as long as flash does, breaks no rule of the chip, and
//! tells only events that were made or stood there under a right check sum.
#![no_main]

use arbitrary::{Arbitrary, Unstructured};
use libfuzzer_sys::fuzz_target;
use ohmward_core::journal::Journal;
use ohmward_core::nv::{Found, Kept, Nv, Permit};
use ohmward_core::ram_flash::{NorFake, Tear};
use ohmward_fuzz::flash;
use ohmward_proto::event::{Event, EventId, EventKind};
use ohmward_proto::units::SampleIndex;
use std::collections::BTreeMap;

#[derive(Arbitrary, Debug)]
enum Op {
    Push(u8),
    Serve {
        turns: u8,
        permit: u8,
    },
    Host {
        acknowledges: u8,
    },
    Save {
        odd: u8,
        may_erase: bool,
    },
    Wait(u32),
    Refuse {
        writes: u8,
        erases: u8,
    },
    Stick {
        at: u16,
        value: u8,
    },
    Boot,
    Cut {
        after: u16,
        tear: u8,
    },
    /// Somebody writes into flash behind the board's back, while it is off.
    Damage(flash::Damage),
}

/// Everything that may be told: made in this run, or found.
type Made = BTreeMap<EventId, Vec<Event>>;

struct Run<const W: usize, const E: usize, const B: usize, const M: usize> {
    nv: Nv<NorFake<W, E, B, M>>,
    journal: Journal,
    boot: u32,
    kept: Kept,
    now: u64,
}

fn open<const W: usize, const E: usize, const B: usize, const M: usize>(
    mut flash: NorFake<W, E, B, M>,
    made: &mut Made,
) -> Option<Run<W, E, B, M>> {
    flash.power_up();
    for (id, events) in flash::events(flash.bytes_mut()) {
        made.entry(id).or_default().extend(events);
    }
    let (mut nv, found) = Nv::open(flash).ok()?;
    let before = match found {
        Found::Kept(kept) => kept,
        Found::Nothing => flash::kept(0, false, 0),
        Found::Damaged { sum } => flash::kept(sum | 1 << 31, false, 0),
    };
    // As `Board::start` does it.
    let boot = before.boot.max(nv.newest_boot()).wrapping_add(1);
    let kept = Kept { boot, ..before };
    nv.save(&kept, true).ok()?;
    let _ = nv.prepare(1);
    let mut journal = Journal::new(boot);
    nv.serve(&mut journal, SampleIndex(0), Permit::Read);
    Some(Run {
        nv,
        journal,
        boot,
        kept,
        now: 0,
    })
}

impl<const W: usize, const E: usize, const B: usize, const M: usize> Run<W, E, B, M> {
    /// What is sent was made. Its own journal's word on losses and flash is made by the journal itself.
    fn host(&mut self, acknowledges: u8, made: &mut Made) {
        let mut told = 0_u8;
        while let Some(event) = self.journal.next_to_send(SampleIndex(self.now), 1000) {
            let own = event.id.boot == self.boot
                && matches!(
                    event.kind,
                    EventKind::EventsLost { .. }
                        | EventKind::MemoryFailed(_)
                        | EventKind::MemoryWorks
                );
            let known = made.entry(event.id).or_default();
            let same = |other: &Event| format!("{other:?}") == format!("{event:?}");
            if !known.iter().any(same) {
                assert!(own, "an event that nobody made: {event:?}");
                known.push(event);
            }
            if acknowledges != 0 && told % acknowledges == 0 {
                self.journal.acknowledge(event.id);
            }
            told += 1;
            if told > 200 {
                break;
            }
        }
    }
}

fn run<const W: usize, const E: usize, const B: usize, const M: usize>(
    input: &mut Unstructured,
) -> arbitrary::Result<()> {
    let mut made = Made::new();
    let Some(mut run) = open(flash::drawn::<W, E, B, M>(input)?, &mut made) else {
        return Ok(());
    };
    let mut ops = 0;
    while !input.is_empty() && ops < 60 {
        ops += 1;
        match input.arbitrary::<Op>()? {
            Op::Push(n) => {
                if let Some(id) = run.journal.push(SampleIndex(run.now), flash::kind(n)) {
                    assert_eq!(id.boot, run.boot);
                    let event = Event {
                        id,
                        at: SampleIndex(run.now),
                        kind: flash::kind(n),
                    };
                    made.entry(id).or_default().push(event);
                }
            }
            Op::Serve { turns, permit } => {
                let permit = [Permit::Read, Permit::Write, Permit::Erase][usize::from(permit) % 3];
                for _ in 0..turns {
                    run.now += 1;
                    run.nv.serve(&mut run.journal, SampleIndex(run.now), permit);
                }
            }
            Op::Host { acknowledges } => run.host(acknowledges, &mut made),
            Op::Save { odd, may_erase } => {
                let kept = Kept {
                    boot: run.boot,
                    ..flash::kept(run.boot, odd & 1 == 1, odd & !3)
                };
                if run.nv.save(&kept, may_erase).is_ok() {
                    run.kept = kept;
                }
            }
            Op::Wait(samples) => run.now += u64::from(samples),
            Op::Refuse { writes, erases } => {
                run.nv.flash_mut().refuse_writes(u32::from(writes));
                run.nv.flash_mut().refuse_erases(u32::from(erases));
            }
            Op::Stick { at, value } => run.nv.flash_mut().stick(usize::from(at) % (E * B), value),
            Op::Cut { after, tear } => {
                let tear = [
                    Tear::Sharp,
                    Tear::LooksBlank,
                    Tear::Garbage {
                        seed: u32::from(tear),
                    },
                ][usize::from(tear) % 3];
                run.nv.flash_mut().cut_after(u64::from(after % 600), tear);
            }
            Op::Boot => match open(run.nv.into_flash(), &mut made) {
                Some(next) => run = next,
                None => return Ok(()),
            },
            Op::Damage(damage) => {
                let mut flash = run.nv.into_flash();
                damage.to(flash.bytes_mut(), E);
                match open(flash, &mut made) {
                    Some(next) => run = next,
                    None => return Ok(()),
                }
            }
        }
    }
    for _ in 0..50 {
        run.now += 1;
        run.nv
            .serve(&mut run.journal, SampleIndex(run.now), Permit::Erase);
    }
    run.host(1, &mut made);
    Ok(())
}

fuzz_target!(|data: &[u8]| {
    let mut input = Unstructured::new(data);
    // The simulated board's flash, one with the words of an RP2040's, and the smallest that will do.
    let _ = match input.int_in_range(0..=2) {
        Ok(0) => run::<4, 4096, 8, 512>(&mut input),
        Ok(1) => run::<256, 4096, 8, 512>(&mut input),
        _ => run::<4, 1024, 5, 128>(&mut input),
    };
});
