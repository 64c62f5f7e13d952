//! Starts of a board that are worth a look of their own: in the middle of a frame, and with its flash erased.

use super::judge::judge;
use super::{Plan, Tally, World};
use crate::line::Manners;
use ohmward::store::{CheckOptions, EventFilter, Report, Store};
use ohmward_proto::EventId;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::frame::FrameError;
use ohmward_proto::message::Message;

fn plan(manners: Manners, hosts: usize) -> Plan {
    Plan {
        seed: 1,
        seconds: 0.0,
        manners: [manners; 2],
        hosts,
        commit_us: 5_000,
        drift: 0.0,
        mishaps: Vec::new(),
    }
}

/// The supply goes in the middle of a frame and comes back at once. What a receiver at the other end makes of what
/// comes from then on: the torn frame, and the first words of the new run.
pub fn heard_over_a_cut(manners: Manners) -> Vec<Result<Message, FrameError>> {
    let mut world = World::new(&plan(manners, 1));
    let mut decoder = Decoder::new();
    let hear = |world: &mut World, decoder: &mut Decoder| {
        world.board_turns();
        let wiring = &mut *world.wiring.borrow_mut();
        let bytes = wiring.to_host[0].receive(wiring.now_us, usize::MAX);
        let mut heard = Vec::new();
        decoder.feed(&bytes, |message| heard.push(message));
        (heard, bytes.last().copied())
    };
    // Until the board has said something, and the receiver stands within a frame.
    let mut within = false;
    for _ in 0..10_000 {
        let (_, last) = hear(&mut world, &mut decoder);
        within = last.is_some_and(|byte| byte != 0);
        if within && world.now_us() > 1_000_000 {
            break;
        }
    }
    assert!(within, "never in the middle of a frame");
    // What waits at the sender goes with the supply.
    world.wiring.borrow_mut().to_host[0].unplug();
    world.wiring.borrow_mut().to_host[0].plug();
    world.reboot();
    let mut all = Vec::new();
    for _ in 0..100 {
        all.extend(hear(&mut world, &mut decoder).0);
    }
    all
}

/// What became of a board whose flash was erased.
pub struct Reflashed {
    /// Of both lives.
    pub tally: Tally,
    /// Of the store.
    pub report: Report,
    /// Events in the store, of the life before and of the one after.
    pub stored: (Vec<EventId>, Vec<EventId>),
}

/// A board starts `boots` times and tells everything to one store; its flash is erased; it starts again a few times. It
/// draws `drawn.0` in its first life and `drawn.1` in its second.
pub fn reflashed(boots: u32, drawn: (u32, u32)) -> Reflashed {
    let mut world = World::new(&plan(Manners::clean(115_200), 1));
    world.mended = true; // nobody presses reset
    world.reflash(drawn.0);
    let settle = |world: &mut World| {
        for _ in 0..60 {
            world.turn(0.5);
            if world.settled() {
                return;
            }
        }
        panic!("events wait for ever");
    };
    settle(&mut world);
    for _ in 1..boots {
        world.reboot();
        settle(&mut world);
    }
    let before = ids(&world);
    world.reflash(drawn.1);
    // Long enough to connect, and trip, and start again with all that.
    settle(&mut world);
    world.turn(10.0);
    for _ in 0..3 {
        world.reboot();
        settle(&mut world);
    }
    let tally = judge(&world);
    let after = ids(&world).into_iter().filter(|id| !before.contains(id));
    let after = after.collect();
    Reflashed {
        tally,
        report: store(&world)
            .check(&CheckOptions::default())
            .expect("reads"),
        stored: (before, after),
    }
}

fn store(world: &World) -> &Store {
    world.hosts[0].store.as_ref().expect("open")
}

fn ids(world: &World) -> Vec<EventId> {
    let stored = store(world).events(&EventFilter::default()).expect("reads");
    stored.iter().map(|event| event.event.id).collect()
}
