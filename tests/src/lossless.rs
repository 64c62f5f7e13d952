//! A board, a bad line, and hosts that are killed: is everything that happened in the stores, once, and nothing else?
//!
//! The firmware's own board code and the recorder's own session and store run here in virtual time, with the line of
//! [`crate::line`] between them. Everything that goes wrong follows from one seed ([`Plan::draw`]).
//!
//! The oracle is what the board put on the line before the line touched it: a plain list of events, readings and pieces
//! of captures. It shares the frame decoder with what it judges, and nothing else.

use crate::line::{Line, Manners};
use crate::linked::Pin;
use crate::rig::Draw;
use board::{Array, BoardEnd, Firmware, Wiring};
use hosts::{Host, acknowledged};
use judge::{Said, judge};
use ohmward::link::Moment;
use ohmward_core::Identity;
use ohmward_core::Memory;
use ohmward_core::board::{Board, Parts, Pins};
use ohmward_core::nv::{first_boot, in_ram_ms_max};
use ohmward_core::ram_flash::RamFlash;
use ohmward_proto::EventId;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::StartReason;
use ohmward_proto::message::BoardId;
use ohmward_proto::settings::{Calibration, Settings};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

mod board;
mod hosts;
mod judge;
mod starts;

pub use starts::{Reflashed, heard_over_a_cut, reflashed};

const RATE: u32 = 4000;
const BOARD: BoardId = BoardId(0x0b0a_4d01);
/// Samples between two looks at the line: 5 ms.
const CHUNK: u32 = 20;
/// The clock on the wall at the beginning, µs since 1970, and the monotonic one.
const WALL_US: i64 = 1_700_000_000_000_000;
const MONO_US: i64 = 77_000_000;

/// Something that goes wrong once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mishap {
    /// The host program is killed, wherever it stands, and started again after so many µs.
    KillHost {
        /// Which.
        host: usize,
        /// For how long.
        away_us: u64,
    },
    /// The board's supply goes away for a moment.
    Reboot,
    /// The plug is pulled; both ends see nothing for so many µs, the host opens the port again after.
    Unplug {
        /// For how long.
        for_us: u64,
    },
    /// The host's disk takes nothing for so many µs.
    DiskFull {
        /// Whose.
        host: usize,
        /// For how long.
        for_us: u64,
    },
    /// A lightning surge: an event and a capture.
    Surge,
    /// An earth fault: a trip, more events, a capture that is worth more.
    Fault,
}

/// Everything about a run.
#[derive(Clone, Debug)]
pub struct Plan {
    /// It follows from this.
    pub seed: u64,
    /// How long it lasts before the line is mended, s.
    pub seconds: f64,
    /// Board → host and host → board.
    pub manners: [Manners; 2],
    /// Hosts listening at once.
    pub hosts: usize,
    /// From handing a batch to the disk until it is there, µs.
    pub commit_us: u64,
    /// The board's crystal, parts of one.
    pub drift: f64,
    /// What happens when, µs.
    pub mishaps: Vec<(u64, Mishap)>,
}

impl Plan {
    /// Any run.
    pub fn draw(seed: u64) -> Self {
        let mut draw = Draw::new(seed);
        let to_host = Manners::draw(&mut draw);
        let to_board = Manners {
            baud: to_host.baud,
            ..Manners::draw(&mut draw)
        };
        let seconds = 20.0 + 40.0 * draw.uniform();
        let hosts = 1 + usize::from(draw.uniform() < 0.2);
        let mut mishaps = Vec::new();
        let count = 3 + (draw.uniform() * 12.0) as usize;
        for _ in 0..count {
            let at = (1e6 * seconds * draw.uniform()) as u64;
            let host = (draw.uniform() * hosts as f64) as usize % hosts;
            let span = |draw: &mut Draw, most: f64| draw.decades(1e4, most) as u64;
            let mishap = match (draw.uniform() * 8.0) as u32 {
                0 => Mishap::KillHost {
                    host,
                    away_us: span(&mut draw, 8e6),
                },
                1 => Mishap::Reboot,
                2 => Mishap::Unplug {
                    for_us: span(&mut draw, 15e6),
                },
                3 => Mishap::DiskFull {
                    host,
                    for_us: span(&mut draw, 5e6),
                },
                4 | 5 => Mishap::Fault,
                _ => Mishap::Surge,
            };
            mishaps.push((at, mishap));
        }
        mishaps.sort_by_key(|(at, _)| *at);
        Self {
            seed,
            seconds,
            manners: [to_host, to_board],
            hosts,
            commit_us: draw.decades(1e3, 8e5) as u64,
            drift: 2e-4 * draw.uniform() - 1e-4,
            mishaps,
        }
    }
}

/// What came of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Events the board made.
    pub made: usize,
    /// Of those, gone with the supply: younger than the time within which the board promises to have them in flash.
    pub lost_with_supply: usize,
    /// Events that were in RAM only when the supply went.
    pub in_ram_at_cut: usize,
    /// Readings that arrived.
    pub readings: usize,
    /// Captures stored whole.
    pub captures: usize,
    /// Captures that are visibly not whole.
    pub captures_partial: usize,
    /// Bytes that the line harmed.
    pub harmed: u64,
    /// Events with a bound on their time.
    pub timed: usize,
}

struct World {
    plan: Plan,
    draw: Draw,
    board: Option<Firmware>,
    wiring: Rc<RefCell<Wiring>>,
    array: Array,
    reset: Pin,
    hosts: Vec<Host>,
    said: Said,
    heard: Decoder,
    /// Events that the board has been told to forget.
    forgotten: BTreeSet<EventId>,
    /// Events that were younger at a cut than the time within which the board promises to have them in flash.
    young_at_cut: BTreeSet<EventId>,
    in_ram_at_cut: usize,
    /// What a board with blank flash has drawn.
    drawn: u32,
    /// Begin of each run of the board, true µs.
    begun_us: BTreeMap<u32, f64>,
    true_us: f64,
    fault_until_us: u64,
    plugged_at_us: u64,
    mended: bool,
    _folder: tempfile::TempDir,
}

impl World {
    fn new(plan: &Plan) -> Self {
        // In memory where the system has such a place: a thousand runs wait for a hundred thousand commits.
        let folder = tempfile::tempdir_in("/dev/shm")
            .or_else(|_| tempfile::tempdir())
            .expect("a folder");
        let line = |way: usize, n: usize| {
            Line::new(
                plan.manners[way],
                plan.seed ^ (0x9e37_79b9 + (way + 2 * n) as u64) << 20,
            )
        };
        let wiring = Rc::new(RefCell::new(Wiring {
            now_us: 0,
            to_host: (0..plan.hosts).map(|n| line(0, n)).collect(),
            to_board: (0..plan.hosts).map(|n| line(1, n)).collect(),
            said: Vec::new(),
            heard: Vec::new(),
            speaking: None,
        }));
        let mut world = Self {
            plan: plan.clone(),
            draw: Draw::new(plan.seed ^ 0x5eed),
            board: None,
            wiring,
            array: Array::default(),
            reset: Pin::default(),
            hosts: (0..plan.hosts)
                .map(|n| Host::new(folder.path().join(n.to_string()), n as u32 * 500_000_000))
                .collect(),
            said: Said::default(),
            heard: Decoder::new(),
            forgotten: BTreeSet::new(),
            young_at_cut: BTreeSet::new(),
            in_ram_at_cut: 0,
            drawn: 1,
            begun_us: BTreeMap::new(),
            true_us: 0.0,
            fault_until_us: 0,
            plugged_at_us: 0,
            mended: false,
            _folder: folder,
        };
        world.start(RamFlash::default());
        world
    }

    fn board(&self) -> &Firmware {
        self.board.as_ref().expect("has supply")
    }

    fn start(&mut self, flash: RamFlash) {
        let contactor = Pin::default();
        let pins = Pins {
            contactor_feedback: contactor.clone(),
            contactor,
            bond_switch: self.array.bond.clone(),
            bridge_pos: self.array.bridge_pos.clone(),
            bridge_neg: self.array.bridge_neg.clone(),
            inject: self.array.inject.clone(),
            lamp: Pin::default(),
            buzzer: Pin::default(),
            reset: self.reset.clone(),
            arm: Pin::default(),
        };
        let identity = Identity {
            board: BOARD,
            boot: first_boot(self.drawn),
            reason: StartReason::PowerOn,
            sample_rate_hz: RATE,
            epoch_unix_ms: None,
        };
        let settings = Settings {
            reading_every_ms: 250,
            ..Settings::SMALL_BONDED
        };
        let parts = Parts {
            source: self.array.clone(),
            pins,
            flash,
            link: BoardEnd(Rc::clone(&self.wiring)),
            memory: Memory::new(),
        };
        let board = Board::start(parts, identity, settings, Calibration::REFERENCE)
            .unwrap_or_else(|fault| panic!("does not start: {fault:?}"));
        self.said.boot = board.monitor().boot();
        self.begun_us.insert(board.monitor().boot(), self.true_us);
        self.board = Some(board);
    }

    fn reboot(&mut self) {
        self.listen();
        let (boot, now, since, in_ram) = {
            let monitor = self.board().monitor();
            let since = monitor.unwritten_since();
            (
                monitor.boot(),
                monitor.now(),
                since,
                monitor.events_unwritten(),
            )
        };
        let promised = in_ram_ms_max(in_ram.saturating_sub(1)) * u64::from(RATE) / 1000;
        assert!(
            since.is_none_or(|since| now.since(since) <= promised),
            "in RAM since {since:?} at {now:?}"
        );
        self.in_ram_at_cut += in_ram;
        let young = self.said.events.values().filter(|event| {
            event.id.boot == boot
                && in_ram > 0
                && now.since(event.at) <= promised
                && !self.forgotten.contains(&event.id)
        });
        self.young_at_cut.extend(young.map(|event| event.id));
        let flash = self.board.take().expect("has supply").into_flash();
        self.start_with(flash);
    }

    /// Somebody erases the whole flash and programs the board anew.
    fn reflash(&mut self, drawn: u32) {
        self.listen();
        self.board = None;
        self.drawn = drawn;
        self.start_with(RamFlash::default());
    }

    fn start_with(&mut self, flash: RamFlash) {
        // Half a frame may be out, and half a frame in: both decoders of the oracle begin anew, as the board's does.
        self.said.decoder = Decoder::new();
        self.heard = Decoder::new();
        self.wiring.borrow_mut().heard.clear();
        self.start(flash);
    }

    /// Takes in what board and line have said to each other.
    fn listen(&mut self) {
        let (said, heard) = {
            let wiring = &mut *self.wiring.borrow_mut();
            (
                std::mem::take(&mut wiring.said),
                std::mem::take(&mut wiring.heard),
            )
        };
        self.said.take(&said);
        let forgotten = &mut self.forgotten;
        self.heard.feed(&heard, |message| {
            if let Ok(message) = message {
                forgotten.extend(acknowledged(&message));
            }
        });
    }

    fn now_us(&self) -> u64 {
        self.wiring.borrow().now_us
    }

    /// Lets so much time pass on the board and, without hosts, nowhere else.
    fn turn(&mut self, seconds: f64) {
        let chunks = (seconds * f64::from(RATE) / f64::from(CHUNK)).ceil() as u32;
        for _ in 0..chunks {
            self.chunk();
        }
    }

    fn chunk(&mut self) {
        let now_us = self.now_us();
        let mishaps: Vec<Mishap> = {
            let due = self.plan.mishaps.iter().take_while(|(at, _)| *at <= now_us);
            let n = due.count();
            self.plan.mishaps.drain(..n).map(|(_, m)| m).collect()
        };
        for mishap in mishaps {
            self.strike(mishap, now_us);
        }
        if self.plugged_at_us != 0 && now_us >= self.plugged_at_us {
            self.plugged_at_us = 0;
            let wiring = &mut *self.wiring.borrow_mut();
            let lines = wiring.to_host.iter_mut().chain(&mut wiring.to_board);
            lines.for_each(Line::plug);
            self.hosts.iter_mut().for_each(Host::reopen);
        }
        let fault = self.array.fault_a.get();
        if fault != 0.0 && now_us >= self.fault_until_us {
            self.array.fault_a.set(0.0);
        }
        // Somebody presses reset every ten seconds or so, until it is for the line to settle.
        self.reset
            .set(!self.mended && now_us % 10_000_000 > 9_800_000);
        self.board_turns();
        let moment = Moment {
            mono_us: MONO_US + self.true_us as i64,
            unix_us: WALL_US + self.true_us as i64,
        };
        let now_us = self.now_us();
        let wiring = Rc::clone(&self.wiring);
        for (n, host) in self.hosts.iter_mut().enumerate() {
            host.step(
                now_us,
                moment,
                self.plan.commit_us,
                &mut wiring.borrow_mut(),
                n,
            );
        }
    }

    /// The board's part of it.
    fn board_turns(&mut self) {
        let board = self.board.as_mut().expect("has supply");
        for _ in 0..CHUNK {
            board.decide().unwrap_or_else(|fault| panic!("{fault:?}"));
            board.serve_flash();
        }
        board.serve_link();
        // Host time; the board's crystal decides how much of it a chunk takes.
        self.true_us += f64::from(CHUNK) * 1e6 / f64::from(RATE) * (1.0 - self.plan.drift);
        let chunk_us = u64::from(CHUNK) * 1_000_000 / u64::from(RATE);
        self.wiring.borrow_mut().now_us += chunk_us;
        self.listen();
    }

    fn strike(&mut self, mishap: Mishap, now_us: u64) {
        match mishap {
            Mishap::KillHost { host, away_us } => {
                self.hosts[host].kill(now_us, away_us, &mut self.draw);
            }
            Mishap::Reboot => self.reboot(),
            Mishap::Unplug { for_us } => {
                let wiring = &mut *self.wiring.borrow_mut();
                let lines = wiring.to_host.iter_mut().chain(&mut wiring.to_board);
                lines.for_each(Line::unplug);
                self.plugged_at_us = now_us + for_us;
            }
            Mishap::DiskFull { host, for_us } => self.hosts[host].full_until_us = now_us + for_us,
            Mishap::Surge => {
                self.array.fault_a.set(8.0);
                self.fault_until_us = now_us + 1;
            }
            Mishap::Fault => {
                self.array.fault_a.set(2.0);
                self.fault_until_us = now_us + 400_000;
            }
        }
    }

    /// The line is mended, and everybody listens.
    fn mend(&mut self) {
        let baud = self.plan.manners[0].baud;
        {
            let wiring = &mut *self.wiring.borrow_mut();
            for line in wiring.to_host.iter_mut().chain(&mut wiring.to_board) {
                line.behave(Manners::clean(baud));
                line.plug();
            }
        }
        self.plugged_at_us = 0;
        self.mended = true;
        self.array.fault_a.set(0.0);
        for host in &mut self.hosts {
            host.away_until_us = 0;
            host.full_until_us = 0;
        }
    }

    fn settled(&self) -> bool {
        self.board().monitor().events_waiting() == 0
    }
}

/// Runs a plan and looks whether anything was lost, doubled or made up.
///
/// # Panics
/// When it was, saying what.
pub fn run(plan: &Plan) -> Tally {
    let mut world = World::new(plan);
    world.turn(plan.seconds);
    world.mend();
    // However long the waits have grown: the longest is a minute.
    let mut quiet = 0;
    for _ in 0..150 {
        world.turn(1.0);
        quiet = if world.settled() { quiet + 1 } else { 0 };
        // Long enough for the last capture at the slowest speed.
        if quiet >= 25 {
            break;
        }
    }
    let reports: Vec<_> = world
        .hosts
        .iter()
        .map(|h| (h.session.board(), h.session.report()))
        .collect();
    assert!(
        world.settled(),
        "the line is sound, and still {} events wait on the board; hosts: {reports:#?}",
        world.board().monitor().events_waiting()
    );
    judge(&world)
}
