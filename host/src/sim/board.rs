//! World → firmware → link, in virtual time.

use super::calibration_bench::{BenchSetup, BenchWorld};
use super::coast::Coast;
use super::image::ImageError;
use super::replay::{Replay, ReplayError, ReplaySetup};
use super::serve::Served;
use super::wires::{ByteLine, Wire};
use crate::bench::run::RATE_HZ;
use ohmward_core::Memory;
use ohmward_core::board::{Board, BoardFault, Parts, Pins, SampleSource};
use ohmward_core::ram_flash::RamFlash;
use ohmward_core::{Identity, Monitor, PRE_SAMPLES, Rest, Sample};
use ohmward_plant::{Scenario, Sensed, Switches, World, WorldError};
use ohmward_proto::event::StartReason;
use ohmward_proto::settings::{Calibration, SettingsFault};
use ohmward_proto::units::SampleIndex;
use ohmward_proto::{Reading, Settings};

/// How virtual time moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Gear {
    /// Every sample goes through the world and the firmware.
    EverySample,
    /// Where the world stands still and the firmware waits, time jumps to shortly before the next thing that can
    /// happen on either side.
    SkipQuiet,
    /// As `SkipQuiet`, and in quiet the readings are drawn for their windows instead of sampled, and the weather goes by in
    /// ticks: checks, connecting, faults, trips are sampled as ever. Readings are taken with [`SimBoard::take_readings`];
    /// there are no spectra in quiet.
    ReadingsOnly,
}

impl std::str::FromStr for Gear {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "every-sample" => Ok(Self::EverySample),
            "skip-quiet" => Ok(Self::SkipQuiet),
            "readings-only" => Ok(Self::ReadingsOnly),
            _ => Err(format!(
                "'{text}' is no gear: use every-sample, skip-quiet or readings-only"
            )),
        }
    }
}

/// Why a simulated board stopped.
#[derive(Debug, thiserror::Error)]
pub enum SimError {
    /// The circuit had no solution.
    #[error("the simulated world failed at sample {at}: {source}")]
    World {
        /// When.
        at: u64,
        /// Why.
        source: WorldError,
    },
    /// The recording cannot go on.
    #[error("the replay stopped at sample {at}: {source}")]
    Replay {
        /// When.
        at: u64,
        /// Why.
        source: ReplayError,
    },
    /// The world could not be built.
    #[error("the simulated world cannot start: {0}")]
    Start(WorldError),
    /// The emulated board.
    #[error(transparent)]
    Image(#[from] ImageError),
    /// Firmware refused to start.
    #[error("the firmware does not start: {prefix}{fault}", prefix = key_prefix(*.fault))]
    Settings {
        /// What is wrong.
        fault: SettingsFault,
    },
}

fn key_prefix(fault: SettingsFault) -> String {
    match fault.key() {
        "" => String::new(),
        key => format!("settings {key}: "),
    }
}

/// What is around the board.
pub(super) enum Outside {
    World(Box<World>),
    Replay(Box<Replay>),
    Bench(Box<BenchWorld>),
}

/// Why there is no next sample.
#[derive(Debug)]
pub(super) enum OutsideError {
    World(WorldError),
    Replay(ReplayError),
}

impl OutsideError {
    pub(super) fn at(self, at: SampleIndex) -> SimError {
        match self {
            Self::World(source) => SimError::World { at: at.0, source },
            Self::Replay(source) => SimError::Replay { at: at.0, source },
        }
    }
}

impl Outside {
    pub(super) fn step(&mut self, switches: &Switches) -> Result<Sensed, OutsideError> {
        match self {
            Self::World(world) => world.step(switches).map_err(OutsideError::World),
            Self::Replay(replay) => replay.step(switches).map_err(OutsideError::Replay),
            Self::Bench(bench) => Ok(bench.step(switches)),
        }
    }

    pub(super) fn end(&self) -> SampleIndex {
        match self {
            Self::World(world) => world.end(),
            Self::Replay(replay) => replay.end(),
            // As long as somebody stands at it.
            Self::Bench(_) => SampleIndex(u64::MAX),
        }
    }

    pub(super) fn unix_ms(&self, at: SampleIndex) -> i64 {
        match self {
            Self::World(world) => world.unix_ms(at),
            Self::Replay(replay) => replay.unix_ms(at),
            Self::Bench(bench) => bench.unix_ms(at),
        }
    }
}

/// A board before it starts: how it is built, and what is around it.
pub(super) struct Built {
    pub outside: Outside,
    pub identity: Identity,
    pub settings: Settings,
    pub calibration: Calibration,
}

impl Built {
    pub fn of_scenario(scenario: &Scenario) -> Result<Self, SimError> {
        let calibration = Calibration::REFERENCE;
        let world = World::new(scenario, &calibration).map_err(SimError::Start)?;
        Ok(Self {
            identity: Identity {
                board: scenario.board.id,
                boot: scenario.board.boot,
                reason: StartReason::PowerOn,
                sample_rate_hz: scenario.board.sample_rate_hz,
                epoch_unix_ms: Some(world.unix_ms(SampleIndex(0))),
            },
            outside: Outside::World(Box::new(world)),
            settings: scenario.settings,
            calibration,
        })
    }

    pub fn of_replay(setup: &ReplaySetup) -> Self {
        let replay = Replay::new(setup);
        Self {
            identity: Identity {
                board: setup.board,
                boot: setup.boot,
                reason: StartReason::PowerOn,
                sample_rate_hz: RATE_HZ,
                epoch_unix_ms: Some(replay.unix_ms(SampleIndex(0))),
            },
            outside: Outside::Replay(Box::new(replay)),
            settings: setup.settings,
            calibration: setup.calibration(),
        }
    }
}

/// Feeds the firmware with what the sensors give, and what is around it with what firmware switches.
pub(super) struct OutsideSource {
    outside: Outside,
    contactor: Wire,
    bond_switch: Wire,
    bridge_pos: Wire,
    bridge_neg: Wire,
    inject: Wire,
    contactor_feedback: Wire,
    reset: Wire,
    arm: Wire,
}

impl OutsideSource {
    /// The simulated world; a replay and a bench have none and never rest.
    pub(super) fn world(&self) -> Option<&World> {
        match &self.outside {
            Outside::World(world) => Some(world),
            Outside::Replay(_) | Outside::Bench(_) => None,
        }
    }

    /// The same, to move it on.
    pub(super) fn world_mut(&mut self) -> Option<&mut World> {
        match &mut self.outside {
            Outside::World(world) => Some(world),
            Outside::Replay(_) | Outside::Bench(_) => None,
        }
    }
}

impl SampleSource for OutsideSource {
    type Error = OutsideError;

    fn next(&mut self) -> Result<Sample, OutsideError> {
        let sensed = self.outside.step(&Switches {
            contactor: self.contactor.get(),
            bond_open: self.bond_switch.get(),
            bridge_pos: self.bridge_pos.get(),
            bridge_neg: self.bridge_neg.get(),
            inject: self.inject.get(),
        })?;
        self.contactor_feedback.set(sensed.contactor_feedback);
        self.reset.set(sensed.reset);
        self.arm.set(sensed.arm);
        Ok(Sample {
            codes: sensed.codes,
            lost_before: 0,
        })
    }
}

/// The firmware's board code on simulated parts.
pub struct SimBoard {
    board: SimulatedBoard,
    line: ByteLine,
    sample_rate_hz: u32,
    gear: Gear,
    until_look: u32,
    coast: Coast,
    /// At a bench: what it is made of, and samples of the runs before.
    bench: Option<BenchSetup>,
    power_cycles: u32,
    before: u64,
}

/// Board code on simulated parts.
pub(super) type SimulatedBoard = Board<OutsideSource, Wire, Wire, RamFlash, ByteLine>;

/// Samples until the firmware has taken notice of a change: its whole-cycle windows hold nothing else, the waveform has been
/// compared for a cycle, and the slow looks have had their turn. Only then does it say of itself whether it rests.
pub(super) fn until_seen(window: usize) -> u64 {
    2 * window as u64 + 32
}

/// Samples between two looks at link and quiet: 5 ms at 4 kS/s, much less than the shortest reading interval.
const LOOK_EVERY: u32 = 20;

impl SimBoard {
    /// Builds world and board, powers the board up.
    ///
    /// # Errors
    /// A scenario that cannot be built, or settings the firmware does not start with.
    pub fn new(scenario: &Scenario, gear: Gear) -> Result<Self, SimError> {
        let coast = Coast::new(&scenario.settings, scenario.sensors.hum_bond_ma);
        Self::build(
            Built::of_scenario(scenario)?,
            gear,
            coast,
            RamFlash::default(),
        )
    }

    /// A board that meets a recorded trace, every sample of it.
    ///
    /// # Errors
    /// Settings the firmware does not start with.
    pub fn replay(setup: &ReplaySetup) -> Result<Self, SimError> {
        let coast = Coast::new(&setup.settings, 0.0);
        Self::build(
            Built::of_replay(setup),
            Gear::EverySample,
            coast,
            RamFlash::default(),
        )
    }

    /// A board on a calibration bench, every sample of it.
    ///
    /// # Errors
    /// Settings the firmware does not start with.
    pub fn at_bench(setup: &BenchSetup) -> Result<Self, SimError> {
        let mut board = Self::start_at_bench(setup, RamFlash::default(), 0)?;
        board.bench = Some(setup.clone());
        board.power_cycles = setup.bench.terminals().power_cycles;
        Ok(board)
    }

    fn start_at_bench(setup: &BenchSetup, flash: RamFlash, before: u64) -> Result<Self, SimError> {
        let world = BenchWorld::new(setup, before);
        let identity = Identity {
            board: setup.board,
            boot: setup.boot,
            reason: StartReason::PowerOn,
            sample_rate_hz: setup.sample_rate_hz,
            epoch_unix_ms: Some(world.unix_ms(SampleIndex(0))),
        };
        let built = Built {
            outside: Outside::Bench(Box::new(world)),
            identity,
            settings: setup.settings,
            calibration: Calibration::REFERENCE,
        };
        let coast = Coast::new(&setup.settings, 0.0);
        Self::build(built, Gear::EverySample, coast, flash)
    }

    /// Starts cold, from flash alone, if somebody at the bench has switched it off and on.
    ///
    /// # Errors
    /// Settings the firmware does not start with.
    pub fn follow_power(&mut self) -> Result<(), SimError> {
        let Some(setup) = self.bench.take() else {
            return Ok(());
        };
        let asked = setup.bench.terminals().power_cycles;
        if asked != self.power_cycles {
            let before = self.elapsed();
            *self = Self::start_at_bench(&setup, self.flash().clone(), before)?;
            self.before = before;
            self.power_cycles = asked;
        }
        self.bench = Some(setup);
        Ok(())
    }

    /// Samples of this run and of those before it.
    pub fn elapsed(&self) -> u64 {
        self.before + self.now().0
    }

    fn build(built: Built, gear: Gear, coast: Coast, flash: RamFlash) -> Result<Self, SimError> {
        let Built {
            outside,
            identity,
            settings,
            calibration,
        } = built;
        let wire = Wire::default;
        let line = ByteLine::default();
        let pins = Pins {
            contactor: wire(),
            bond_switch: wire(),
            bridge_pos: wire(),
            bridge_neg: wire(),
            inject: wire(),
            lamp: wire(),
            buzzer: wire(),
            contactor_feedback: wire(),
            reset: wire(),
            arm: wire(),
        };
        let source = OutsideSource {
            outside,
            contactor: pins.contactor.clone(),
            bond_switch: pins.bond_switch.clone(),
            bridge_pos: pins.bridge_pos.clone(),
            bridge_neg: pins.bridge_neg.clone(),
            inject: pins.inject.clone(),
            contactor_feedback: pins.contactor_feedback.clone(),
            reset: pins.reset.clone(),
            arm: pins.arm.clone(),
        };
        let parts = Parts {
            source,
            pins,
            flash,
            link: line.clone(),
            memory: Memory::new(),
        };
        let board = Board::start(parts, identity, settings, calibration).map_err(|fault| {
            match fault {
                BoardFault::Start(fault) => SimError::Settings { fault },
                // Start touches neither converter nor pins.
                BoardFault::Sample(why) => why.at(SampleIndex(0)),
                BoardFault::Pin(never) => unreachable!("simulated pins do not fail: {never:?}"),
            }
        })?;
        Ok(Self {
            board,
            line,
            sample_rate_hz: identity.sample_rate_hz,
            gear,
            until_look: LOOK_EVERY,
            coast,
            bench: None,
            power_cycles: 0,
            before: 0,
        })
    }

    /// Moves virtual time on by about `samples`, less when the board has something to say, more when quiet time is
    /// skipped past that point. Returns whether the scenario goes on.
    ///
    /// Where time is skipped depends on world and firmware alone, never on the link or on how this is called: the same
    /// scenario gives the same events whoever listens.
    ///
    /// # Errors
    /// [`SimError::World`], [`SimError::Replay`].
    pub fn run(&mut self, samples: u64) -> Result<bool, SimError> {
        let until = self.now().after(samples);
        // A replay learns its end on the way.
        while self.now() < until.min(self.end()) {
            self.board.decide().map_err(|fault| self.fault(fault))?;
            self.board.serve_flash();
            self.until_look -= 1;
            if self.until_look == 0 {
                self.until_look = LOOK_EVERY;
                self.board.serve_link();
                self.skip_quiet()?;
                if self.line.has_output() || self.coast.is_full() {
                    break;
                }
            }
        }
        Ok(self.now() < self.end())
    }

    /// Goes on in another gear.
    pub fn set_gear(&mut self, gear: Gear) {
        self.gear = gear;
    }

    /// Jumps over time in which neither side has anything to do.
    fn skip_quiet(&mut self) -> Result<(), SimError> {
        match self.gear {
            Gear::EverySample => return Ok(()),
            Gear::SkipQuiet => {}
            Gear::ReadingsOnly => {
                let at = self.now().0;
                let coasted = self.coast.go(&mut self.board);
                return coasted.map_err(|source| SimError::World { at, source });
            }
        }
        let Rest::Until(firmware) = self.board.rest() else {
            return Ok(());
        };
        let window = self.board.monitor().window();
        let Some(world) = self.board.source_mut().world_mut() else {
            return Ok(());
        };
        if !world.settled() || world.unchanged_for() < until_seen(window) {
            return Ok(());
        }
        // A capture reaches back from its trigger, so what comes before a change has to be sampled too.
        let change = SampleIndex(world.next_change().0.saturating_sub(PRE_SAMPLES as u64));
        // The world counts samples taken, the firmware names the sample it is at: the n-th is n − 1 in the world.
        let next = SampleIndex(firmware.0 - 1).min(change);
        if next > world.now() {
            world.skip_to(next);
            self.board.skip_to(next.after(1));
        }
        Ok(())
    }

    /// Takes the readings that were drawn, in their order; those that were sampled come over the link as ever.
    pub fn take_readings(&mut self) -> Vec<Reading> {
        self.coast.take()
    }

    fn fault(&self, fault: BoardFault<OutsideError>) -> SimError {
        match fault {
            BoardFault::Sample(why) => why.at(self.now()),
            BoardFault::Start(fault) => SimError::Settings { fault },
            BoardFault::Pin(never) => unreachable!("simulated pins do not fail: {never:?}"),
        }
    }

    /// Lets the board use its link once more, without a sample: after the last one there is no other way.
    pub fn serve_link(&mut self) {
        self.board.serve_link();
    }

    /// Takes what the board has sent.
    pub fn take_output(&mut self) -> Vec<u8> {
        self.line.take()
    }

    /// Sends to the board; it looks at its link within the next few samples.
    pub fn send(&mut self, bytes: &[u8]) {
        self.line.put(bytes);
    }

    /// The firmware, to look at.
    pub fn monitor(&self) -> &Monitor {
        self.board.monitor()
    }

    /// The board's flash, to look at.
    pub fn flash(&self) -> &RamFlash {
        self.board.flash()
    }

    /// Samples taken so far.
    pub fn now(&self) -> SampleIndex {
        self.board.monitor().now()
    }

    /// The last sample of the scenario.
    pub fn end(&self) -> SampleIndex {
        self.board.source().outside.end()
    }

    /// Samples per second.
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// Virtual date of a sample, Unix ms.
    pub fn unix_ms(&self, at: SampleIndex) -> i64 {
        self.board.source().outside.unix_ms(at)
    }
}

impl Served for SimBoard {
    fn run(&mut self, samples: u64) -> Result<bool, SimError> {
        let goes_on = self.run(samples)?;
        self.follow_power()?;
        Ok(goes_on)
    }

    fn serve_link(&mut self) -> Result<(), SimError> {
        self.serve_link();
        Ok(())
    }

    fn take_output(&mut self) -> Vec<u8> {
        self.take_output()
    }

    fn send(&mut self, bytes: &[u8]) -> Result<(), SimError> {
        self.send(bytes);
        Ok(())
    }

    fn elapsed(&self) -> u64 {
        self.elapsed()
    }

    fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz()
    }

    fn all_acknowledged(&self) -> bool {
        self.monitor().events_waiting() == 0
    }
}
