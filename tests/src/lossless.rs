//! A board, a bad line, and hosts that are killed: is everything that happened in the stores, once, and nothing else?
//!
//! The firmware's own board code and the recorder's own session and store run here in virtual time, with the line of
//! [`crate::line`] between them. Everything that goes wrong follows from one seed ([`Plan::draw`]).
//!
//! The oracle is what the board put on the line before the line touched it: a plain list of events, readings and pieces
//! of captures. It shares the frame decoder with what it judges, and nothing else.

use crate::line::{Line, Manners};
use crate::rig::Draw;
use embedded_hal::digital::{ErrorType as PinErrorType, InputPin, OutputPin};
use embedded_io::{ErrorType as IoErrorType, Read, ReadReady, Write, WriteReady};
use ohmward::link::{Moment, Session};
use ohmward::store::{Entry, EventFilter, Store};
use ohmward_core::board::{Board, Parts, Pins, SampleSource};
use ohmward_core::ram_flash::RamFlash;
use ohmward_core::{Identity, Sample};
use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::StartReason;
use ohmward_proto::measure::Codes;
use ohmward_proto::message::{Ack, BoardId, CaptureHead, Message};
use ohmward_proto::settings::{Calibration, Settings};
use ohmward_proto::units::SampleIndex;
use ohmward_proto::{Event, EventId, Reading};
use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::convert::Infallible;
use std::fmt::Debug;
use std::path::PathBuf;
use std::rc::Rc;

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
    /// Of those, gone with the supply of a board whose journal does not outlive it.
    pub lost_with_supply: usize,
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

// --- the board's parts ---

#[derive(Clone, Default)]
struct Wire(Rc<Cell<bool>>);

impl PinErrorType for Wire {
    type Error = Infallible;
}

impl OutputPin for Wire {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.set(false);
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.set(true);
        Ok(())
    }
}

impl InputPin for Wire {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.get())
    }
    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.get())
    }
}

/// A small bonded array as a formula: leakage, bridge, test current, and a fault current that the run sets.
#[derive(Clone, Default)]
struct Array {
    bond: Wire,
    bridge_pos: Wire,
    bridge_neg: Wire,
    inject: Wire,
    fault_a: Rc<Cell<f64>>,
}

impl SampleSource for Array {
    type Error = Infallible;

    fn next(&mut self) -> Result<Sample, Infallible> {
        let g = |wire: &Wire| 0.6e-6 + if wire.0.get() { 5e-6 } else { 0.0 };
        let mut i = if self.inject.0.get() { 0.1 } else { 0.0 };
        let mut v_neg = 0.0;
        if self.bond.0.get() {
            let (pos, neg) = (g(&self.bridge_pos), g(&self.bridge_neg));
            v_neg = -200.0 * pos / (pos + neg);
        } else {
            i += self.fault_a.get();
            if self.bridge_pos.0.get() {
                i -= 1e-3;
            }
        }
        let code = |x: f64, full: f64| (x / full * 32768.0).round().clamp(-32768.0, 32767.0) as i16;
        Ok(Sample {
            codes: Codes {
                i_fine: code(i, 1.25),
                i_wide: code(i, 25.0),
                v_pos: code(v_neg + 200.0, 600.0),
                v_neg: code(v_neg, 600.0),
            },
            lost_before: 0,
        })
    }
}

/// The board's end of the line.
#[derive(Clone)]
struct BoardEnd(Rc<RefCell<Wiring>>);

struct Wiring {
    now_us: u64,
    to_host: Vec<Line>,
    to_board: Vec<Line>,
    /// What the board has said, before the line touched it.
    said: Vec<u8>,
    /// What it heard.
    heard: Vec<u8>,
    /// Whose frame is coming in, and since when nothing more of it has.
    speaking: Option<(usize, u64)>,
}

/// How long a host may pause within a frame before another one is let in.
const PAUSE_US: u64 = 50_000;

impl Wiring {
    /// With two hosts something sits before the board that lets one frame through after the other.
    fn next_from_hosts(&mut self, most: usize) -> Vec<u8> {
        let now_us = self.now_us;
        let mut bytes = Vec::new();
        while bytes.len() < most {
            let n = match self.speaking {
                Some((n, _)) if self.to_board[n].has_arrived(now_us) => n,
                Some((_, since)) if now_us - since < PAUSE_US => break,
                _ => match self.to_board.iter().position(|l| l.has_arrived(now_us)) {
                    Some(n) => n,
                    None => break,
                },
            };
            let byte = self.to_board[n].receive(now_us, 1);
            self.speaking = (byte != [0]).then_some((n, now_us));
            bytes.extend(byte);
        }
        bytes
    }
}

impl IoErrorType for BoardEnd {
    type Error = Infallible;
}

impl Read for BoardEnd {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let wiring = &mut *self.0.borrow_mut();
        let bytes = wiring.next_from_hosts(into.len());
        into[..bytes.len()].copy_from_slice(&bytes);
        wiring.heard.extend_from_slice(&bytes);
        Ok(bytes.len())
    }
}

impl ReadReady for BoardEnd {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        let wiring = self.0.borrow();
        Ok(wiring
            .to_board
            .iter()
            .any(|line| line.has_arrived(wiring.now_us)))
    }
}

impl Write for BoardEnd {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        let wiring = &mut *self.0.borrow_mut();
        let now_us = wiring.now_us;
        let room = wiring.to_host.iter().map(|line| line.room(now_us)).min();
        let n = bytes.len().min(room.unwrap_or(0));
        for line in &mut wiring.to_host {
            line.send(&bytes[..n], now_us);
        }
        wiring.said.extend_from_slice(&bytes[..n]);
        Ok(n)
    }
    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

impl WriteReady for BoardEnd {
    fn write_ready(&mut self) -> Result<bool, Infallible> {
        let wiring = self.0.borrow();
        Ok(wiring
            .to_host
            .iter()
            .all(|line| line.room(wiring.now_us) > 0))
    }
}

type Firmware = Board<Array, Wire, Wire, RamFlash, BoardEnd>;

// --- a host ---

/// A recorder: session, store, and a batch on its way to the disk.
struct Host {
    dir: PathBuf,
    store: Option<Store>,
    session: Session,
    batch: Vec<Entry>,
    on_its_way: Option<(u64, Vec<Entry>)>,
    /// Not running, until then.
    away_until_us: u64,
    full_until_us: u64,
    /// Events that are on its disk.
    kept: BTreeSet<EventId>,
    said: Decoder,
    starts: u32,
    /// Its questions are numbered from here: a real host draws that by lot.
    tokens: u32,
}

impl Host {
    fn new(dir: PathBuf, tokens: u32) -> Self {
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
    fn kill(&mut self, now_us: u64, away_us: u64, draw: &mut Draw) {
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
    fn reopen(&mut self) {
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

    fn write(&mut self, entries: &[Entry]) -> ohmward::store::Written {
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

    fn step(&mut self, now_us: u64, moment: Moment, commit_us: u64, wiring: &mut Wiring, n: usize) {
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

fn acknowledged(message: &Message) -> Vec<EventId> {
    match message {
        Message::Ack(Ack::Event(id)) => vec![*id],
        Message::Acks(acks) if acks.board == BOARD => acks.events().collect(),
        _ => Vec::new(),
    }
}

// --- the oracle ---

/// What the board said.
#[derive(Default)]
struct Said {
    decoder: Decoder,
    events: BTreeMap<EventId, Event>,
    readings: BTreeMap<(u32, SampleIndex), Reading>,
    heads: BTreeMap<EventId, CaptureHead>,
    codes: BTreeMap<(EventId, u16), Codes>,
    boot: u32,
}

impl Said {
    fn take(&mut self, bytes: &[u8]) {
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

/// Whether events that nobody acknowledged outlive the board's supply.
pub fn journal_outlives_supply() -> bool {
    let mut world = World::new(&Plan {
        seed: 0,
        seconds: 0.0,
        manners: [Manners::clean(115_200); 2],
        hosts: 0,
        commit_us: 1,
        drift: 0.0,
        mishaps: Vec::new(),
    });
    world.turn(1.0);
    world.reboot();
    world.turn(0.01);
    world.board().monitor().events_waiting() > 1
}

// --- the run ---

struct World {
    plan: Plan,
    draw: Draw,
    board: Option<Firmware>,
    wiring: Rc<RefCell<Wiring>>,
    array: Array,
    reset: Wire,
    hosts: Vec<Host>,
    said: Said,
    heard: Decoder,
    /// Events that the board has been told to forget.
    forgotten: BTreeSet<EventId>,
    lost_with_supply: BTreeSet<EventId>,
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
            reset: Wire::default(),
            hosts: (0..plan.hosts)
                .map(|n| Host::new(folder.path().join(n.to_string()), n as u32 * 500_000_000))
                .collect(),
            said: Said::default(),
            heard: Decoder::new(),
            forgotten: BTreeSet::new(),
            lost_with_supply: BTreeSet::new(),
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
        let contactor = Wire::default();
        let pins = Pins {
            contactor_feedback: contactor.clone(),
            contactor,
            bond_switch: self.array.bond.clone(),
            bridge_pos: self.array.bridge_pos.clone(),
            bridge_neg: self.array.bridge_neg.clone(),
            inject: self.array.inject.clone(),
            lamp: Wire::default(),
            buzzer: Wire::default(),
            reset: self.reset.clone(),
            arm: Wire::default(),
        };
        let identity = Identity {
            board: BOARD,
            boot: 1,
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
        };
        let board = Board::start(parts, identity, settings, Calibration::REFERENCE)
            .unwrap_or_else(|fault| panic!("does not start: {fault:?}"));
        self.said.boot = board.monitor().boot();
        self.begun_us.insert(board.monitor().boot(), self.true_us);
        self.board = Some(board);
    }

    fn reboot(&mut self) {
        self.listen();
        let held = self
            .said
            .events
            .keys()
            .filter(|id| !self.forgotten.contains(id));
        self.lost_with_supply.extend(held.copied());
        let flash = self.board.take().expect("has supply").into_flash();
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
            .0
            .set(!self.mended && now_us % 10_000_000 > 9_800_000);
        let board = self.board.as_mut().expect("has supply");
        for _ in 0..CHUNK {
            board.decide().unwrap_or_else(|fault| panic!("{fault:?}"));
            board.serve_flash();
        }
        board.serve_link();
        // Host time; the board's crystal decides how much of it a chunk takes.
        self.true_us += f64::from(CHUNK) * 1e6 / f64::from(RATE) * (1.0 - self.plan.drift);
        let chunk_us = u64::from(CHUNK) * 1_000_000 / u64::from(RATE);
        let wiring = Rc::clone(&self.wiring);
        wiring.borrow_mut().now_us += chunk_us;
        self.listen();
        let moment = Moment {
            mono_us: MONO_US + self.true_us as i64,
            unix_us: WALL_US + self.true_us as i64,
        };
        let now_us = self.now_us();
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
pub fn run(plan: &Plan, journal_outlives_supply: bool) -> Tally {
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
    judge(&mut world, journal_outlives_supply)
}

fn same(a: &impl Debug, b: &impl Debug) -> bool {
    format!("{a:?}") == format!("{b:?}") // a NaN is the same NaN
}

fn judge(world: &mut World, journal_outlives_supply: bool) -> Tally {
    let said = &world.said;
    let mut tally = Tally {
        made: said.events.len(),
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
        assert!(
            id.seq == *due || !journal_outlives_supply,
            "the board never said {}.{due}",
            id.boot
        );
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
            !journal_outlives_supply && world.lost_with_supply.contains(id),
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
