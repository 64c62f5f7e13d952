//! The whole path of a sample, in one function: [`Monitor::step`].
//!
//! - this file: what a monitor is, its step
//! - `io`: what it is given and gives
//! - `settings`: how new ones come into force
//! - `current`: the limits on the bond current, and whether it is what it seems
//! - `meaning`: what a finding means: which conductor, which bond
//! - `moves`: what the latch is told, and what follows from its moves
//! - `own_tests`: when the board tests itself, and what becomes of it
//! - `quiet`: missing samples, and time in which nothing happens
//! - `soonest`: how near a trip could be
//! - `talk`: what is said to the host, and heard from it

use crate::bond::BondWatch;
use crate::calibrate::{FrontEnd, Median3, MicroAmps};
use crate::capture::Capture;
use crate::despike::Despike;
use crate::fuse::Fuse;
use crate::indicate::indicate;
use crate::insulation::fit::BridgeState;
use crate::insulation::sequence::WindowSums;
use crate::insulation::{Poles, Watch, Watched};
use crate::journal::Journal;
use crate::latch::Latch;
use crate::limits::PickupState;
use crate::lockout::RecentTrips;
use crate::memory::{self, InPlace, Replies};
use crate::pace::Pace;
use crate::plausible::{Change, Plausible};
use crate::self_test::SelfTest;
use crate::spectrum::Spectrum;
use crate::stretch::Stretch;
use crate::sudden::{Step, Sudden};
use crate::window::{Window, WindowTotals, whole_cycles};
use ohmward_proto::event::{EventKind, StartReason, TripCause};
use ohmward_proto::measure::{BondSpectrum, NotMeasured, Reading, TripState};
use ohmward_proto::message::{Command, Message};
use ohmward_proto::settings::{Calibration, Settings, SettingsFault};
use ohmward_proto::units::SampleIndex;

mod current;
mod io;
mod meaning;
mod moves;
mod own_tests;
mod quiet;
mod settings;
mod soonest;
mod talk;

pub use io::{Identity, Inputs, Outputs, Rest, Sample};

use current::STEP_QUARTERS;
use settings::{Derived, setup};

/// Missed samples that are taken as the last one again, at a time.
const LOST_HELD_MAX: u16 = 8;
/// How long the feedback input must stand before it counts, in ms.
const FEEDBACK_STANDS_MS: u64 = 10;
/// A sample in which it reads otherwise weighs as much as this many in which it does not: one that never comes to rest counts too.
const FEEDBACK_WEIGHT: u64 = 4;

/// The firmware's decisions, from codes to outputs.
pub struct Monitor {
    identity: Identity,
    settings: Settings,
    derived: Derived,
    front_end: FrontEnd,
    /// Index of the latest sample.
    now: SampleIndex,
    plausible: Plausible,
    despike: Despike,
    sudden: Sudden,
    sudden_step: Option<Step>,
    last_ordinary: MicroAmps,
    /// Sudden changes cannot be watched since then; told after a while.
    sudden_blind: Option<SampleIndex>,
    sudden_blind_told: bool,
    bond: BondWatch,
    fuse: Fuse,
    self_test: SelfTest,
    /// The self-test has passed since the array last came to rest.
    self_passed: bool,
    /// The next pass is an event.
    tell_self_test: bool,
    drift_told: bool,
    disturbed_told: bool,
    /// Test current and zero as last seen.
    sensor_seen: (MicroAmps, MicroAmps),
    /// Bond current before anything picked up: a window ago at least, and the one after that.
    standing: [WindowTotals; 2],
    stood_at: SampleIndex,
    /// Without a bond a wire of the bridge has moved: by how many quarters of the lowest sudden level the current may change.
    switched: Option<i32>,
    /// Latest sample in which the board looked away from sudden changes for a check.
    looked_away: SampleIndex,
    /// A check is due since then, and waits.
    check_due: Option<SampleIndex>,
    was_measuring: bool,
    was_away: bool,
    /// Mean bond current in the two bridge states of the latest check, µA.
    bridge_current: [i32; 2],
    spectrum: Option<Spectrum>,
    /// The reading that the latest spectrum was begun for.
    analysed_for: SampleIndex,
    next_spectrum: SampleIndex,
    /// The bond current before the board had to forget what it compares with, until it compares again.
    before: Option<Before>,
    /// Samples that were filled in for missed ones, less those that came.
    filled_in: u64,
    /// No full window, or one filled in for the most part, since then while the array is connected.
    starved_since: Option<SampleIndex>,
    v_pos_median: Median3,
    v_neg_median: Median3,
    i_bond: Window,
    v_pos: Window,
    v_neg: Window,
    /// The full windows of the poles have been looked at since they began afresh.
    poles_seen: bool,
    continuous: PickupState,
    ground_fault: PickupState,
    watch: Watch,
    latch: Latch,
    /// What the last slow look found: until the next one it stands in the way of a reset.
    found_slowly: Option<(TripCause, SampleIndex)>,
    tripped_at: SampleIndex,
    trips: RecentTrips,
    armed: bool,
    latched_cause: Option<TripCause>,
    /// Latest sample with the bond open; before a window has passed since, the window holds nothing.
    bond_was_open: SampleIndex,
    last_outputs: Outputs,
    reset_was_pressed: bool,
    command: Option<Command>,
    /// A host asks for a trip. Apart from other commands, so that none of them can take its place.
    trip_asked: bool,
    /// Demands a trip at the next step: what was wrong at the start.
    pending_trip: Option<TripCause>,
    /// That trip is one from before a power cut.
    restored: bool,
    /// The feedback input, and how much speaks against it.
    feedback: bool,
    feedback_doubt: u64,
    /// When settings were last taken.
    applied_at: Option<SampleIndex>,
    capture: Capture,
    journal: Journal,
    reading: Option<Reading>,
    spectrum_made: Option<BondSpectrum>,
    /// Codes that a host has asked for.
    stretch: Option<Stretch>,
    next_reading: SampleIndex,
    readings_skipped: u32,
    replies: InPlace<Replies>,
    pace: Pace,
    /// Version of the host's protocol, once it is known.
    host_protocol: Option<u16>,
    /// First asked for the settings since the start.
    settings_asked: Option<SampleIndex>,
}

/// Bond current over whole cycles, µA.
#[derive(Clone, Copy, Default, Debug)]
struct DcAndAc {
    dc: i32,
    /// RMS without the DC.
    ac: i32,
}

/// Bond current right before a check, missed samples or new settings.
#[derive(Clone, Copy, Debug)]
struct Before {
    current: DcAndAc,
    at: SampleIndex,
    /// It may change by so many quarters of the lowest sudden level.
    quarters: i32,
    /// It has been compared with what flows since; once more when the waveform is compared with itself again.
    compared: bool,
}

impl Monitor {
    /// A monitor at its first sample, contactor open; its large arrays within.
    ///
    /// # Errors
    /// Settings that fail their check, or a sample rate without whole mains cycles.
    #[cfg(not(target_os = "none"))]
    pub fn new(
        identity: Identity,
        settings: Settings,
        calibration: Calibration,
    ) -> Result<Self, SettingsFault> {
        let window = Self::window_for(&identity, &settings, &calibration)?;
        let (memory, _) = memory::split(memory::Memory::new());
        let mut monitor = Self::placed(identity, settings, calibration, window, memory);
        monitor.begin();
        Ok(monitor)
    }

    /// Samples of a window, for a monitor that can be made of these.
    ///
    /// # Errors
    /// Settings that fail their check, or a sample rate without whole mains cycles.
    pub(crate) fn window_for(
        identity: &Identity,
        settings: &Settings,
        calibration: &Calibration,
    ) -> Result<usize, SettingsFault> {
        settings.check()?;
        if !calibration.is_sound() {
            return Err(SettingsFault::Calibration);
        }
        whole_cycles(identity.sample_rate_hz, settings.mains)
    }

    /// The same in this memory, to be begun. It cannot fail any more, and is made where it stays: on a chip every copy of it would be three
    /// kilobytes of stack.
    #[inline(never)]
    pub(crate) fn placed(
        identity: Identity,
        settings: Settings,
        calibration: Calibration,
        window: usize,
        memory: memory::Parts,
    ) -> Self {
        let rate = identity.sample_rate_hz;
        let derived = Derived::of(&settings, rate);
        let setup = setup(&settings, &calibration, rate, window);
        let [i_bond, v_pos, v_neg] = memory.windows;
        Self {
            identity,
            settings,
            derived,
            front_end: FrontEnd::new(calibration),
            now: SampleIndex(0),
            plausible: Plausible::new(rate),
            despike: Despike::new(MicroAmps::from_amps(settings.current.surge_above), rate),
            sudden: Sudden::new(
                &settings.current.sudden,
                rate,
                settings.mains.hz(),
                memory.sudden,
            ),
            sudden_step: None,
            last_ordinary: MicroAmps(0),
            sudden_blind: None,
            sudden_blind_told: false,
            bond: BondWatch::new(rate),
            fuse: Fuse::new(rate, settings.current.ground_fault.above),
            self_test: SelfTest::new(rate, settings.earthing, settings.current.continuous.above),
            self_passed: false,
            tell_self_test: true,
            drift_told: false,
            disturbed_told: false,
            sensor_seen: (MicroAmps(0), MicroAmps(0)),
            standing: [WindowTotals::default(); 2],
            switched: None,
            stood_at: SampleIndex(0),
            looked_away: SampleIndex(0),
            check_due: None,
            was_measuring: false,
            was_away: false,
            bridge_current: [0; 2],
            spectrum: None,
            analysed_for: SampleIndex(0),
            next_spectrum: SampleIndex(0),
            before: None,
            filled_in: 0,
            starved_since: None,
            v_pos_median: Median3::default(),
            v_neg_median: Median3::default(),
            i_bond: Window::new(window, i_bond),
            v_pos: Window::new(window, v_pos),
            v_neg: Window::new(window, v_neg),
            poles_seen: false,
            continuous: PickupState::default(),
            ground_fault: PickupState::default(),
            watch: Watch::new(setup, settings.insulation, settings.check, memory.stays),
            latch: Latch::START,
            found_slowly: None,
            tripped_at: SampleIndex(0),
            trips: RecentTrips::new(rate, 0),
            armed: false,
            latched_cause: None,
            bond_was_open: SampleIndex(0),
            last_outputs: Outputs::default(),
            reset_was_pressed: true,
            command: None,
            trip_asked: false,
            pending_trip: match identity.reason {
                StartReason::Watchdog
                | StartReason::Panic
                | StartReason::HardFault
                | StartReason::StackOverflow => Some(TripCause::Restarted(identity.reason)),
                StartReason::PowerOn | StartReason::BrownOut | StartReason::Requested => None,
            },
            restored: false,
            feedback: false,
            feedback_doubt: 0,
            applied_at: None,
            capture: Capture::new(memory.capture),
            journal: Journal::placed(identity.boot, memory.journal),
            reading: None,
            spectrum_made: None,
            stretch: None,
            next_reading: SampleIndex(derived.reading_every),
            readings_skipped: 0,
            replies: memory.replies,
            pace: Pace::new(rate),
            host_protocol: None,
            settings_asked: None,
        }
    }

    /// Says that it has started; first of all it does.
    pub(crate) fn begin(&mut self) {
        self.note(EventKind::Started {
            reason: self.identity.reason,
            settings_hash: self.settings.hash(),
        });
        self.reply(Message::Hello(self.hello()));
    }

    /// A condition is being timed: its samples may neither be skipped nor its timers begun afresh.
    fn timing(&self) -> bool {
        self.continuous.picked_up()
            || self.ground_fault.picked_up()
            || self.sudden.busy()
            || self.bond.busy()
            || self.before.is_some()
            || self.feedback_doubt > 0
            || self.trip_asked
            || self.despike.busy()
            || self.fuse.busy()
    }

    /// Begins tripped: the kept settings were damaged, or the last run ended in a trip that nobody has reset.
    pub fn start_tripped(&mut self, cause: TripCause) {
        self.pending_trip = Some(cause);
        self.restored = true;
    }

    /// Trips of the run before that count towards the lock-out.
    pub fn keep_counting(&mut self, trips: u8) {
        self.trips = RecentTrips::new(self.identity.sample_rate_hz, trips);
    }

    /// Trips within the last day, as far as they count towards the lock-out.
    pub fn recent_trips(&self) -> u8 {
        self.trips.count(self.now)
    }

    /// The trip that nobody has reset yet, if there is one: what a board keeps over a power cut.
    pub fn latched_cause(&self) -> Option<TripCause> {
        self.latched_cause
    }

    /// Settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Number of this run.
    pub fn boot(&self) -> u32 {
        self.identity.boot
    }

    /// Index of the latest sample.
    pub fn now(&self) -> SampleIndex {
        self.now
    }

    /// Where the trip logic stands.
    pub fn state(&self) -> TripState {
        self.latch.state()
    }

    /// Events that no host has acknowledged yet.
    pub fn events_waiting(&self) -> usize {
        self.journal.waiting()
    }

    /// The events, to look at.
    pub(crate) fn journal(&self) -> &Journal {
        &self.journal
    }

    /// The events, for what keeps them.
    pub(crate) fn journal_mut(&mut self) -> &mut Journal {
        &mut self.journal
    }

    /// Nothing is watched, timed, measured or recorded: the board may stand still for as long as an erase takes.
    pub(crate) fn may_stall(&self) -> bool {
        !self.latch.contactor()
            && !self.latch.busy()
            && self.state() != TripState::FailedToOpen
            && !self.watch.measuring()
            && !self.self_test.busy()
            && !self.timing()
            && !self.capture.busy()
    }

    /// The contactor is open and stays so: a board that rests, or one that has tripped and was seen to open.
    pub(crate) fn is_surely_open(&self) -> bool {
        let state = self.state();
        let open = matches!(
            state,
            TripState::Resting | TripState::Latched | TripState::LockedOut
        );
        open && !self.feedback && !self.latch.contactor() && !self.latch.busy()
    }

    /// Calibration in force.
    pub(crate) fn calibration(&self) -> &Calibration {
        self.front_end.calibration()
    }

    /// The array is connected: a trip would open the contactor.
    pub(crate) fn is_connected(&self) -> bool {
        self.latch.contactor()
    }

    /// Samples in a time span.
    pub(crate) fn samples(&self, ms: u64) -> u64 {
        self.identity.samples(ms)
    }

    /// Events that are in RAM only.
    pub fn events_unwritten(&self) -> usize {
        self.journal.fresh_len()
    }

    /// When the oldest of them was made.
    pub fn unwritten_since(&self) -> Option<SampleIndex> {
        self.journal.fresh().next().map(|event| event.at)
    }

    /// One sample of every channel and the digital inputs → the digital outputs.
    pub fn step(&mut self, sample: &Sample, inputs: &Inputs) -> Outputs {
        if sample.lost_before > 0 {
            self.lost_samples(sample.lost_before);
        }
        self.now = self.now.after(1);
        let now = self.now;
        let seen = self.front_end.calibrate(&sample.codes);
        self.capture.push(now, sample.codes);
        if let Some(stretch) = &mut self.stretch
            && let Some(answer) = stretch.push(
                now,
                &sample.codes,
                &self.last_outputs,
                sample.lost_before > 0,
            )
        {
            self.stretch = None;
            self.reply(answer);
        }
        for change in self.plausible.step(&seen).into_iter().flatten() {
            self.note(match change {
                Change::Lost(channel) => EventKind::SensorLost(channel),
                Change::Back(channel) => EventKind::SensorBack(channel),
            });
        }
        self.fill_windows(&seen);
        self.analyse();
        let own_trip = self.step_own_tests(&seen);
        let insulation_trip = self.watch_insulation();
        let trip = self.current_trip().or(own_trip).or(insulation_trip);
        self.move_latch(trip, inputs);
        self.watch_sudden();
        if self.looks_away() {
            // The window still holds the current from before.
            if !self.was_away {
                self.remember_current(STEP_QUARTERS);
            }
            self.looked_away = now;
        }
        self.was_away = self.looks_away();
        if self.bond_open() {
            self.bond_was_open = now;
        }
        if !self.latch.contactor() {
            self.before = None;
        }
        if now >= self.next_reading {
            self.make_reading();
        }
        let outputs = self.outputs();
        self.blank_own_switching(&outputs);
        outputs
    }

    fn note_all(&mut self, watched: Watched) -> Option<TripCause> {
        for kind in watched.events {
            self.note(kind);
        }
        watched.trip
    }

    /// Lets the watch over the insulation see the poles.
    fn watch_insulation(&mut self) -> Option<(TripCause, SampleIndex)> {
        let full = self.slow_look() && self.v_pos.full() && self.v_neg.full();
        self.poles_seen |= full;
        let poles = Poles {
            sums: WindowSums {
                v_pos: self.v_pos.sum(),
                v_neg: self.v_neg.sum(),
            },
            v_mv: full.then(|| i64::from(self.v_pos.mean()) - i64::from(self.v_neg.mean())),
            ready: self.ready_for_check(),
            room: !self.slow_look() && self.switched.is_none(),
        };
        self.note_bridge_current();
        let state = self.latch.state();
        let watched = match self.plausible.lost_pole() {
            Some(channel) => {
                self.watch
                    .break_off(self.now, state, NotMeasured::SensorLost(channel))
            }
            None => self.watch.step(self.now, &poles, state),
        };
        self.check_due = watched.waiting.then(|| self.check_due.unwrap_or(self.now));
        self.begin_own_tests(watched.waiting);
        self.note_all(watched)
            .map(|cause| (self.named(cause), self.now))
    }

    /// A check with the bond open is under way: what changes meanwhile is compared afterwards. Without a bond the current goes on
    /// through it, and is compared around every switching.
    fn looks_away(&self) -> bool {
        let checks = self.watch.measuring() || self.self_test.busy();
        self.bond_open() || (checks && self.settings.earthing.has_bond())
    }

    /// The bond is told to be open.
    pub fn bond_open(&self) -> bool {
        // A contactor that does not open leaves the bond as the only way to stop a fault current.
        let trip_opens = self.settings.trip_opens_bond || self.state() == TripState::FailedToOpen;
        self.settings.earthing.has_bond()
            && (self.watch.measuring()
                || self.self_test.needs_bond_open()
                || (self.latch.tripped() && trip_opens))
    }

    fn outputs(&self) -> Outputs {
        let bridge = self.watch.bridge();
        let tested = self.self_test.bridge();
        let (lamp, buzzer) = indicate(
            self.latch.state(),
            self.watch.warning(),
            self.now,
            self.identity.sample_rate_hz,
        );
        Outputs {
            contactor: self.latch.contactor(),
            bond_switch: self.bond_open(),
            bridge_pos: bridge == Some(BridgeState::A) || tested.0,
            bridge_neg: bridge == Some(BridgeState::B) || tested.1,
            inject: self.self_test.inject(),
            lamp,
            buzzer,
        }
    }
}
