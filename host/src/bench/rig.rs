//! A case in virtual time through the firmware, and the judgement on it.

use super::around::{Around, Parts, sensors};
use super::case::{Begin, Case, Trouble, What};
use super::firmware::Firmware;
use super::run::{Outcome, RATE_HZ, RUN_UP_MAX_S, SAMPLE_S, SETTLED_S, Verdict};
use crate::sim::pair::PairError;
use ohmward_core::{Inputs, Outputs, Sample};
use ohmward_plant::contactor::ContactorSettings;
use ohmward_proto::event::{Event, EventKind, TripCause};
use ohmward_proto::measure::{Channel, Codes, TripState};

/// How long to look on for what must not happen once the rest has happened.
const TAIL_S: f64 = 2.0;
const RESET_EVERY_S: f64 = 5.0;

/// Runs one case through firmware that has just started with the case's settings.
///
/// # Errors
/// The firmware's.
pub fn run_on(case: &Case, firmware: &mut impl Firmware) -> Result<Outcome, PairError> {
    let mut rig = Rig::new(case, firmware);
    if case.begin == Begin::Connected {
        rig.run_up()?;
        if rig.firmware.state() != TripState::Closed {
            rig.last_words()?;
            return Ok(rig.outcome(Verdict::NotConnected));
        }
    }
    rig.begin()?;
    while rig.since_onset_s() < case.watch_s && !rig.seen_enough() {
        rig.sample()?;
    }
    rig.last_words()?;
    let verdict = rig.judge();
    Ok(rig.outcome(verdict))
}

/// Firmware, front end, array and contactor around one case.
struct Rig<'a, F> {
    case: &'a Case,
    firmware: &'a mut F,
    outputs: Outputs,
    around: Around,
    missed: u16,
    /// The onset may come from behind this sample on.
    begun_at: u64,
    /// The first sample behind the onset, and the time since the onset in it and each one after it.
    onset_at: u64,
    since_onset_s: Vec<f64>,
    /// What happened first in which sample.
    happened: Vec<(What, u64)>,
    cause: Option<(TripCause, u64)>,
    /// The contactor's drive and the trip state from which sample on: an event can be told late.
    driven: Vec<(u64, bool)>,
    states: Vec<(u64, TripState)>,
    silent: u32,
    reset_pressed: bool,
    /// The last sample that counts, once it is known.
    end: Option<u64>,
}

impl<'a, F: Firmware> Rig<'a, F> {
    fn new(case: &'a Case, firmware: &'a mut F) -> Self {
        Self {
            case,
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
            begun_at: 0,
            onset_at: 0,
            since_onset_s: Vec::new(),
            happened: Vec::new(),
            cause: None,
            driven: vec![(0, false)],
            states: vec![(0, firmware.state())],
            silent: 0,
            reset_pressed: false,
            end: None,
            firmware,
        }
    }

    /// Until the array is connected and has been so for a while; however long the board takes over it.
    fn run_up(&mut self) -> Result<(), PairError> {
        let until = |seconds: f64| (seconds * f64::from(RATE_HZ)) as u64;
        while self.firmware.state() != TripState::Closed
            && self.around.samples() < until(RUN_UP_MAX_S)
        {
            self.sample()?;
            if self.cause.is_some() {
                return Ok(());
            }
        }
        let end = self.around.samples() + until(SETTLED_S);
        while self.firmware.state() == TripState::Closed && self.around.samples() < end {
            self.sample()?;
        }
        Ok(())
    }

    /// From here on the onset may come, as soon as the mains have their phase.
    fn begin(&mut self) -> Result<(), PairError> {
        self.happened.clear();
        self.cause = None;
        self.begun_at = self.around.samples();
        self.around.player.arm();
        if self.case.begin == Begin::Connected {
            while self.around.player.since_onset_s().is_none() {
                self.sample()?;
            }
        } else {
            self.around.player.begin();
        }
        self.around.leakage = self.case.after;
        Ok(())
    }

    /// Seconds since the onset; a negative time lies before it.
    fn since_onset_s(&self) -> f64 {
        self.around.player.since_onset_s().unwrap_or(-SAMPLE_S)
    }

    /// The same for a sample.
    fn since_onset_s_at(&self, at: u64) -> f64 {
        at.checked_sub(self.onset_at)
            .and_then(|n| self.since_onset_s.get(n as usize))
            .copied()
            .unwrap_or(-SAMPLE_S)
    }

    /// What has to happen has happened, and long enough ago for the contrary to have shown.
    fn seen_enough(&self) -> bool {
        self.enough_from_s()
            .is_some_and(|from_s| self.since_onset_s() >= from_s)
    }

    /// From when on that is so.
    fn enough_from_s(&self) -> Option<f64> {
        let expect = &self.case.expect;
        let tail_s = if expect.never.is_empty() { 0.0 } else { TAIL_S };
        let happened = expect.must.and_then(|must| self.first(must.what));
        happened
            .filter(|_| expect.ends.is_none())
            .map(|at_s| at_s + tail_s)
    }

    fn first_at(&self, what: What) -> Option<u64> {
        let seen = self.happened.iter().find(|(seen, _)| *seen == what);
        seen.map(|(_, at)| *at)
    }

    fn first(&self, what: What) -> Option<f64> {
        self.first_at(what).map(|at| self.since_onset_s_at(at))
    }

    /// Firmware that tells things late has seen more samples than one that tells them at once would have been given: waits for
    /// the last of what it has to tell, then forgets what came behind the sample in which enough was seen.
    fn last_words(&mut self) -> Result<(), PairError> {
        let mut end = self.around.samples();
        let mut longest = 2 * RATE_HZ;
        while self.firmware.catch_up()? && longest > 0 {
            self.listen();
            self.sample()?;
            longest -= 1;
        }
        self.listen();
        if let Some(from_s) = self.enough_from_s() {
            let enough = self.since_onset_s.iter().position(|s| *s >= from_s);
            end = enough.map_or(end, |n| end.min(self.onset_at + n as u64));
        }
        self.happened.retain(|(_, at)| *at <= end);
        self.cause = self.cause.take_if(|(_, at)| *at <= end);
        self.end = Some(end);
        Ok(())
    }

    fn sample(&mut self) -> Result<(), PairError> {
        for _ in 0..self.missed {
            self.around.step(&self.outputs);
            self.clock();
        }
        let mut codes = self.around.step(&self.outputs);
        self.clock();
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
        let sample = Sample { codes, lost_before };
        self.outputs = self.firmware.step(&sample, &inputs)?;
        let now = self.around.samples();
        push_change(&mut self.driven, now, self.outputs.contactor);
        push_change(&mut self.states, now, self.firmware.state());
        self.listen();
        self.hear();
        Ok(())
    }

    /// Keeps the time of a sample that counts from the onset.
    fn clock(&mut self) {
        if let Some(s) = self.around.player.since_onset_s() {
            if self.since_onset_s.is_empty() {
                self.onset_at = self.around.samples();
            }
            self.since_onset_s.push(s);
        }
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

    /// Takes events.
    fn listen(&mut self) {
        let mut told = Vec::new();
        self.firmware.tell(|event| told.push(*event));
        for event in told {
            self.told(&event);
        }
    }

    fn told(&mut self, event: &Event) {
        // What happened at the start shows in the first sample.
        let at = event.at.0.max(1);
        if self.begun_at > 0 && at <= self.begun_at {
            return;
        }
        match event.kind {
            EventKind::Tripped { cause, .. } => {
                self.cause.get_or_insert((cause, at));
                // What counts is the wire to the contactor, not what is told.
                if value_at(&self.driven, at) == Some(false) {
                    self.note(What::Trip, at);
                }
                if matches!(
                    cause,
                    TripCause::InsulationLow { .. }
                        | TripCause::InsulationUnreadable { .. }
                        | TripCause::GroundedConductorFault { .. }
                        | TripCause::SecondBond
                ) {
                    self.note(What::InsulationTold, at);
                    self.note(What::InsulationTrip, at);
                }
            }
            EventKind::Connected => self.note(What::Connected, at),
            EventKind::InsulationWarning { .. } => self.note(What::InsulationTold, at),
            EventKind::FailedToOpen => self.note(What::FailedToOpen, at),
            EventKind::Reset => self.note(What::Reset, at),
            EventKind::ResetRefused(_) => self.note(What::ResetRefused, at),
            EventKind::Surge { .. } => self.note(What::Surge, at),
            EventKind::SensorLost(_) => self.note(What::SensorLost, at),
            _ => {}
        }
    }

    /// A contactor that has failed to open is never kept quiet about.
    fn hear(&mut self) {
        let quiet = self.firmware.state() == TripState::FailedToOpen && !self.outputs.buzzer;
        self.silent = if quiet { self.silent + 1 } else { 0 };
        if self.silent > RATE_HZ {
            self.note(What::WentSilent, self.around.samples());
        }
    }

    fn note(&mut self, what: What, at: u64) {
        // Only the first of each is ever asked for.
        if self.first_at(what).is_none() {
            self.happened.push((what, at));
        }
    }

    fn state_at_end(&self) -> TripState {
        let end = self.end.unwrap_or(self.around.samples());
        value_at(&self.states, end).unwrap_or(TripState::Resting)
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
            Some(state) if state != self.state_at_end() => Verdict::WrongEnd,
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
            cause: self.cause.map(|(cause, _)| cause),
            against: expect
                .never
                .iter()
                .copied()
                .find(|what| self.first(*what).is_some()),
            state: self.state_at_end(),
            samples: self.around.samples(),
            difference: None,
        }
    }
}

/// Appends a value that is another than before.
fn push_change<T: Copy + PartialEq>(changes: &mut Vec<(u64, T)>, at: u64, value: T) {
    if changes.last().is_none_or(|(_, last)| *last != value) {
        changes.push((at, value));
    }
}

/// The value in a sample.
fn value_at<T: Copy>(changes: &[(u64, T)], at: u64) -> Option<T> {
    let before = changes.partition_point(|(from, _)| *from <= at);
    changes.get(before.checked_sub(1)?).map(|(_, value)| *value)
}

fn place(codes: &mut Codes, channel: Channel) -> &mut i16 {
    match channel {
        Channel::IFine => &mut codes.i_fine,
        Channel::IWide => &mut codes.i_wide,
        Channel::VPos => &mut codes.v_pos,
        Channel::VNeg => &mut codes.v_neg,
    }
}
