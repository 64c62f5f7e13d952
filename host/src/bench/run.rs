//! A case in virtual time through the firmware core, and the judgement on it.

use super::BenchError;
use super::around::{Around, Parts, sensors};
use super::case::{Begin, Case, Trouble, What};
use ohmward_core::{Identity, Inputs, Monitor, Outputs, Sample};
use ohmward_plant::contactor::ContactorSettings;
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::measure::{Channel, Codes, TripState};
use ohmward_proto::message::{Ack, BoardId, Message};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Samples per second and channel.
pub const RATE_HZ: u32 = 4000;
/// Corner of the front end's second-order low-pass (hardware-notes, front end).
pub const CORNER_HZ: f64 = 1000.0;
/// The longest run-up to a connected array.
pub const RUN_UP_MAX_S: f64 = 90.0;
/// How long the array has been connected before the onset: time for the detectors to know what is normal.
pub const SETTLED_S: f64 = 1.5;
/// One sample, s.
pub const SAMPLE_S: f64 = 1.0 / RATE_HZ as f64;
/// How long to look on for what must not happen once the rest has happened.
const TAIL_S: f64 = 2.0;
const RESET_EVERY_S: f64 = 5.0;

/// What became of a case.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Verdict {
    /// As demanded.
    Pass,
    /// It happened, after the latest allowed time.
    Late,
    /// It did not happen while looked at.
    Missed,
    /// What must not happen did.
    False,
    /// The state in the end is another.
    WrongEnd,
    /// The array was not connected before the onset, so nothing was tested.
    NotConnected,
}

impl Verdict {
    /// One word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Late => "late",
            Self::Missed => "missed",
            Self::False => "must not happen",
            Self::WrongEnd => "wrong state in the end",
            Self::NotConnected => "not connected before the onset",
        }
    }
}

/// A case that has been run.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Judgement.
    pub verdict: Verdict,
    /// When the demanded thing happened, after the onset of the fault.
    pub reached_s: Option<f64>,
    /// Why it tripped, if it did after the onset.
    pub cause: Option<TripCause>,
    /// What happened that must not.
    pub against: Option<What>,
    /// Where the trip logic stood in the end.
    pub state: TripState,
    /// Samples through the core.
    pub samples: u64,
}

impl Outcome {
    /// As demanded.
    pub fn passed(&self) -> bool {
        self.verdict == Verdict::Pass
    }

    /// Reached, but later than the project's own aim.
    pub fn above_aim(&self, case: &Case) -> bool {
        match (self.reached_s, case.expect.must) {
            // A hundredth of a sample: times are sums of steps.
            (Some(s), Some(must)) => s > must.aim_s + 0.01 * SAMPLE_S,
            _ => false,
        }
    }
}

/// Runs `count` cases that `make` makes, on all cores; results stand in their order.
///
/// # Errors
/// The first case whose settings the firmware does not start with.
pub fn run_many(
    count: usize,
    make: impl Fn(usize) -> Case + Sync,
) -> Result<Vec<(Case, Outcome)>, BenchError> {
    let next = AtomicUsize::new(0);
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let mut done: Vec<(usize, Case, Outcome)> = std::thread::scope(|scope| {
        let work = || {
            let mut done = Vec::new();
            loop {
                let n = next.fetch_add(1, Ordering::Relaxed);
                if n >= count {
                    return Ok(done);
                }
                let case = make(n);
                let outcome = run(&case)?;
                done.push((n, case, outcome));
            }
        };
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .map(|worker| {
                worker
                    .join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
            })
            .collect::<Result<Vec<_>, BenchError>>()
            .map(|parts| parts.into_iter().flatten().collect())
    })?;
    done.sort_by_key(|(n, ..)| *n);
    Ok(done
        .into_iter()
        .map(|(_, case, outcome)| (case, outcome))
        .collect())
}

/// Runs one case.
///
/// # Errors
/// The firmware does not start with these settings.
pub fn run(case: &Case) -> Result<Outcome, BenchError> {
    let mut rig = Rig::new(case)?;
    if case.begin == Begin::Connected {
        rig.run_up();
        if rig.monitor.state() != TripState::Closed {
            return Ok(rig.outcome(Verdict::NotConnected));
        }
    }
    rig.begin();
    while rig.since_onset_s() < case.watch_s && !rig.seen_enough() {
        rig.sample();
    }
    let verdict = rig.judge();
    Ok(rig.outcome(verdict))
}

/// Firmware, front end, array and contactor around one case.
struct Rig<'a> {
    case: &'a Case,
    monitor: Monitor,
    outputs: Outputs,
    around: Around,
    missed: u16,
    begun: bool,
    happened: Vec<(What, f64)>,
    cause: Option<TripCause>,
    silent: u32,
    reset_pressed: bool,
}

impl<'a> Rig<'a> {
    fn new(case: &'a Case) -> Result<Self, BenchError> {
        let identity = Identity {
            board: BoardId(0x0be0),
            boot: 1,
            reason: case.start,
            sample_rate_hz: RATE_HZ,
            epoch_unix_ms: None,
        };
        let monitor = Monitor::new(identity, case.settings, case.calibration).map_err(|fault| {
            BenchError {
                case: case.name.clone(),
                fault,
            }
        })?;
        Ok(Self {
            case,
            monitor,
            outputs: Outputs::default(),
            around: Around::new(&Parts {
                waveform: &case.waveform,
                settings: &case.settings,
                calibration: &case.calibration,
                sensors: sensors(&case.waveform),
                contactor: ContactorSettings::default(),
                leakage: case.before,
                seed: case.seed,
            })
            .welded(case.welded),
            missed: 0,
            begun: false,
            happened: Vec::new(),
            cause: None,
            silent: 0,
            reset_pressed: false,
        })
    }

    /// Until the array is connected and has been so for a while; however long the board takes over it.
    fn run_up(&mut self) {
        let until = |seconds: f64| (seconds * f64::from(RATE_HZ)) as u64;
        while self.monitor.state() != TripState::Closed
            && self.around.samples() < until(RUN_UP_MAX_S)
        {
            self.sample();
            if self.cause.is_some() {
                return;
            }
        }
        let end = self.around.samples() + until(SETTLED_S);
        while self.monitor.state() == TripState::Closed && self.around.samples() < end {
            self.sample();
        }
    }

    /// From here on the onset may come, as soon as the mains have their phase.
    fn begin(&mut self) {
        self.happened.clear();
        self.cause = None;
        self.around.player.arm();
        if self.case.begin == Begin::Connected {
            while self.around.player.since_onset_s().is_none() {
                self.sample();
            }
        } else {
            self.around.player.begin();
        }
        self.around.leakage = self.case.after;
        self.begun = true;
    }

    /// Seconds since the onset; a negative time lies before it.
    fn since_onset_s(&self) -> f64 {
        self.around.player.since_onset_s().unwrap_or(-SAMPLE_S)
    }

    /// What has to happen has happened, and long enough ago for the contrary to have shown.
    fn seen_enough(&self) -> bool {
        let expect = &self.case.expect;
        let tail_s = if expect.never.is_empty() { 0.0 } else { TAIL_S };
        let happened = expect.must.and_then(|must| self.first(must.what));
        expect.ends.is_none() && happened.is_some_and(|at_s| self.since_onset_s() >= at_s + tail_s)
    }

    fn first(&self, what: What) -> Option<f64> {
        self.happened
            .iter()
            .find(|(seen, _)| *seen == what)
            .map(|(_, at_s)| *at_s)
    }

    fn sample(&mut self) {
        for _ in 0..self.missed {
            self.around.step(&self.outputs);
        }
        let mut codes = self.around.step(&self.outputs);
        let lost_before = std::mem::take(&mut self.missed);
        self.trouble(&mut codes);
        if self.case.presses_reset {
            self.reset_pressed = self.since_onset_s() % RESET_EVERY_S > RESET_EVERY_S - 0.1;
        }
        let inputs = Inputs {
            contactor_feedback: self.around.contactor_closed(),
            reset: self.reset_pressed,
            arm: false,
        };
        self.outputs = self.monitor.step(&Sample { codes, lost_before }, &inputs);
        self.listen();
        self.hear();
    }

    /// Spoils the words, or has the next samples missed.
    fn trouble(&mut self, codes: &mut Codes) {
        let Some(t_s) = self.around.player.since_onset_s() else {
            return;
        };
        // In this sample: it ended at t_s.
        let due = |from_s: f64, every_s: f64| {
            let past_s = t_s - from_s;
            past_s >= 0.0 && (past_s < SAMPLE_S || (every_s > 0.0 && past_s % every_s < SAMPLE_S))
        };
        for trouble in &self.case.troubles {
            match *trouble {
                Trouble::BadWord {
                    from_s,
                    every_s,
                    channel,
                    code,
                } if due(from_s, every_s) => {
                    *place(codes, channel) = code;
                }
                Trouble::Stuck {
                    from_s,
                    channel,
                    code,
                } if t_s >= from_s => *place(codes, channel) = code,
                Trouble::Missed {
                    from_s,
                    every_s,
                    samples,
                } if due(from_s, every_s) => self.missed = samples,
                Trouble::BadWord { .. } | Trouble::Stuck { .. } | Trouble::Missed { .. } => {}
            }
        }
    }

    /// Takes and acknowledges events.
    fn listen(&mut self) {
        while self.monitor.events_waiting() > 0 {
            let Some(message) = self.monitor.poll() else {
                break;
            };
            let Message::Event(event) = message else {
                continue;
            };
            self.monitor.receive(&Message::Ack(Ack::Event(event.id)));
            match event.kind {
                EventKind::Tripped { cause, .. } => {
                    self.cause = self.cause.or(Some(cause));
                    // What counts is the wire to the contactor, not what is told.
                    if !self.outputs.contactor {
                        self.note(What::Trip);
                    }
                    if matches!(
                        cause,
                        TripCause::InsulationLow { .. }
                            | TripCause::InsulationUnreadable { .. }
                            | TripCause::GroundedConductorFault { .. }
                            | TripCause::SecondBond
                    ) {
                        self.note(What::InsulationTold);
                        self.note(What::InsulationTrip);
                    }
                }
                EventKind::Connected => self.note(What::Connected),
                EventKind::InsulationWarning { .. } => self.note(What::InsulationTold),
                EventKind::FailedToOpen => self.note(What::FailedToOpen),
                EventKind::Reset => self.note(What::Reset),
                EventKind::ResetRefused(_) => self.note(What::ResetRefused),
                EventKind::Surge { .. } => self.note(What::Surge),
                EventKind::SensorLost(_) => self.note(What::SensorLost),
                _ => {}
            }
        }
    }

    /// A contactor that has failed to open is never kept quiet about.
    fn hear(&mut self) {
        let quiet = self.monitor.state() == TripState::FailedToOpen && !self.outputs.buzzer;
        self.silent = if quiet { self.silent + 1 } else { 0 };
        if self.silent > RATE_HZ {
            self.note(What::WentSilent);
        }
    }

    fn note(&mut self, what: What) {
        // Only the first of each is ever asked for.
        if self.first(what).is_none() {
            let at_s = self.since_onset_s();
            self.happened.push((what, at_s));
        }
    }

    fn judge(&self) -> Verdict {
        let expect = &self.case.expect;
        if expect.never.iter().any(|what| self.first(*what).is_some()) {
            return Verdict::False;
        }
        if let Some(must) = expect.must {
            match self
                .first(must.what)
                .map(|at_s| at_s - self.case.fault_at_s)
            {
                None => return Verdict::Missed,
                // It answers to something else than the fault.
                Some(at_s) if at_s < 0.0 => return Verdict::False,
                Some(at_s) if at_s > must.latest_s => return Verdict::Late,
                Some(_) => {}
            }
        }
        match expect.ends {
            Some(state) if state != self.monitor.state() => Verdict::WrongEnd,
            _ => Verdict::Pass,
        }
    }

    fn outcome(&self, verdict: Verdict) -> Outcome {
        let expect = &self.case.expect;
        Outcome {
            verdict,
            reached_s: expect
                .must
                .filter(|_| verdict != Verdict::NotConnected)
                .and_then(|must| self.first(must.what))
                .map(|at_s| at_s - self.case.fault_at_s),
            cause: self.cause,
            against: expect
                .never
                .iter()
                .copied()
                .find(|what| self.first(*what).is_some()),
            state: self.monitor.state(),
            samples: self.around.samples(),
        }
    }
}

fn place(codes: &mut Codes, channel: Channel) -> &mut i16 {
    match channel {
        Channel::IFine => &mut codes.i_fine,
        Channel::IWide => &mut codes.i_wide,
        Channel::VPos => &mut codes.v_pos,
        Channel::VNeg => &mut codes.v_neg,
    }
}
