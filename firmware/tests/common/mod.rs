//! A board on a bench, for tests: currents and voltages by function of time, a contactor that follows.

use ohmward_core::{Identity, Inputs, Monitor, Outputs, Sample, TEST_CURRENT};
use ohmward_proto::event::{Event, EventKind, StartReason, TripCause};
use ohmward_proto::measure::{Channel, Codes, TripState};
use ohmward_proto::message::{Ack, BoardId, Command, CommandOutcome, Message};
use ohmward_proto::settings::Calibration;
use ohmward_proto::{Insulation, Settings};

/// Samples per second.
pub const RATE: u32 = 4000;

/// The board on the bench, at its first start.
pub const IDENTITY: Identity = Identity {
    board: BoardId(7),
    boot: 1,
    reason: StartReason::PowerOn,
    sample_rate_hz: RATE,
    epoch_unix_ms: None,
};

/// A board on a bench: currents and voltages by function of time, a contactor that follows after 20 ms.
pub struct Bench {
    pub monitor: Monitor,
    pub outputs: Outputs,
    pub feedback: bool,
    pub feedback_due: u64,
    pub stuck: bool,
    pub reset: bool,
    pub n: u64,
    pub events: Vec<Event>,
    pub insulation: Option<Insulation>,
    /// What became of commands.
    pub results: Vec<(Command, CommandOutcome)>,
    /// Conductance of a fault at the positive pole, S.
    pub fault_s: f64,
    /// Conductance of a fault at the negative pole, S.
    pub neg_fault_s: f64,
    /// The bond stays closed whatever the board says.
    pub bond_stuck: bool,
    /// The bond is open whatever the board says: a fuse that has blown.
    pub fuse_open: bool,
    /// A channel whose code stands still.
    pub stuck_code: Option<(Channel, i16)>,
    /// Another one.
    pub also_stuck: Option<(Channel, i16)>,
    /// The contactor's contacts are open whatever its coil says.
    pub fallen: bool,
    /// Sensitive current range over its true value.
    pub fine_gain: f64,
    /// What both ranges read at nothing, A.
    pub zero_a: f64,
    /// The maintenance switch.
    pub arm: bool,
    /// Missed samples that the next sample tells of.
    pub lost: u16,
    /// Measuring resistor's conductance over its calibrated value.
    pub bridge_gain: f64,
    /// Leakage capacitance, F.
    pub c: f64,
    /// Measuring leads that carry nothing: the channel reads nothing, and its divider and resistor are not there.
    pub open_lead: Option<Channel>,
    /// The board's earth lead is broken: the board stands between its own dividers.
    pub earth_lead_open: bool,
    /// No light: the array gives no voltage.
    pub dark: bool,
    neg: f64,
}

impl Bench {
    pub fn new(change: impl FnOnce(&mut Settings)) -> Self {
        let mut settings = Settings::SMALL_BONDED;
        settings.check.every_s = 0;
        settings.reading_every_ms = 100;
        change(&mut settings);
        Self {
            monitor: Monitor::new(IDENTITY, settings, Calibration::REFERENCE)
                .expect("settings are sound"),
            outputs: Outputs::default(),
            feedback: false,
            feedback_due: 0,
            stuck: false,
            reset: false,
            n: 0,
            events: Vec::new(),
            insulation: None,
            fault_s: 0.0,
            neg_fault_s: 0.0,
            bond_stuck: false,
            results: Vec::new(),
            fuse_open: false,
            stuck_code: None,
            also_stuck: None,
            fallen: false,
            fine_gain: 1.0,
            zero_a: 0.0,
            arm: false,
            bridge_gain: 1.0,
            lost: 0,
            c: 0.0,
            open_lead: None,
            earth_lead_open: false,
            dark: false,
            neg: 0.0,
        }
    }

    /// A board that starts for another reason.
    #[allow(dead_code)] // each test file is a crate of its own and uses what it needs
    pub fn restarted(reason: StartReason) -> Self {
        let mut bench = Self::new(|_| {});
        let identity = Identity {
            boot: 2,
            reason,
            ..IDENTITY
        };
        bench.monitor = Monitor::new(identity, *bench.monitor.settings(), Calibration::REFERENCE)
            .expect("sound");
        bench
    }

    /// Pole voltages of a 200 V array: a divider with leakage capacitance when the bond is open.
    fn poles(&mut self) -> (f64, f64) {
        if self.dark {
            self.neg = 0.0;
            return (0.0, 0.0);
        }
        if self.bond_closed() {
            self.neg = 0.0;
            return (200.0, 0.0);
        }
        let array = f64::from(u8::from(!self.earth_lead_open));
        let board = |lead: Channel, switched: bool| {
            let switched = if switched {
                5e-6 * self.bridge_gain
            } else {
                0.0
            };
            f64::from(u8::from(self.open_lead != Some(lead))) * (0.5e-6 + switched)
        };
        let leak = 0.1e-6;
        let gp = array * (leak + self.fault_s) + board(Channel::VPos, self.outputs.bridge_pos);
        let gn = array * (leak + self.neg_fault_s) + board(Channel::VNeg, self.outputs.bridge_neg);
        let end = -200.0 * gp / (gp + gn);
        let left = if self.c > 0.0 {
            (-(gp + gn) / self.c / f64::from(RATE)).exp()
        } else {
            0.0
        };
        self.neg = end + (self.neg - end) * left;
        (self.neg + 200.0, self.neg)
    }

    fn earthed(&self) -> bool {
        self.monitor.settings().earthing.has_bond()
    }

    fn bond_closed(&self) -> bool {
        self.earthed() && !self.fuse_open && (self.bond_stuck || !self.outputs.bond_switch)
    }

    /// What the measuring resistor at the positive pole sends back through a closed bond.
    fn bridge_current(&self, v_pos: f64) -> f64 {
        if self.outputs.bridge_pos && self.bond_closed() {
            -v_pos * 5e-6 * self.bridge_gain
        } else {
            0.0
        }
    }

    pub fn sample(&mut self, i_bond_a: f64) {
        let (mut v_pos, mut v_neg) = self.poles();
        match self.open_lead {
            Some(Channel::VPos) => v_pos = 0.0,
            Some(Channel::VNeg) => v_neg = 0.0,
            _ => {}
        }
        let code = |x: f64, full: f64| (x / full * 32768.0).round().clamp(-32768.0, 32767.0) as i16;
        let mut i = self.bridge_current(v_pos);
        // Without a bond the channel sees the residual current of both poles.
        if self.bond_closed() || !self.earthed() {
            i += i_bond_a;
        }
        if self.outputs.inject {
            i += f64::from(TEST_CURRENT.0);
        }
        let mut codes = Codes {
            i_fine: code(i * self.fine_gain + self.zero_a, 1.25),
            i_wide: code(i + self.zero_a, 25.0),
            v_pos: code(v_pos, 600.0),
            v_neg: code(v_neg, 600.0),
        };
        for (channel, code) in self.stuck_code.into_iter().chain(self.also_stuck) {
            *match channel {
                Channel::IFine => &mut codes.i_fine,
                Channel::IWide => &mut codes.i_wide,
                Channel::VPos => &mut codes.v_pos,
                Channel::VNeg => &mut codes.v_neg,
            } = code;
        }
        if self.outputs.contactor == self.feedback || self.stuck {
            self.feedback_due = self.n + u64::from(RATE) / 50;
        } else if self.n >= self.feedback_due {
            self.feedback = self.outputs.contactor;
        }
        let inputs = Inputs {
            contactor_feedback: self.feedback && !self.fallen,
            reset: self.reset,
            arm: self.arm,
        };
        let sample = Sample {
            codes,
            lost_before: std::mem::take(&mut self.lost),
        };
        self.outputs = self.monitor.step(&sample, &inputs);
        self.n += 1;
        while let Some(message) = self.monitor.poll() {
            match message {
                Message::Event(event) => {
                    self.monitor.receive(&Message::Ack(Ack::Event(event.id)));
                    self.events.push(event);
                }
                Message::CommandResult { command, outcome } => {
                    self.results.push((command, outcome));
                }
                Message::Reading(reading) => self.insulation = Some(reading.insulation),
                _ => {}
            }
        }
    }

    pub fn run(&mut self, seconds: f64, i_bond_a: impl Fn(f64) -> f64) {
        for k in 0..(seconds * f64::from(RATE)) as u64 {
            self.sample(i_bond_a(k as f64 / f64::from(RATE)));
        }
    }

    /// Runs until the array is connected.
    pub fn connected(mut self) -> Self {
        self.run(8.0, |_| 0.002);
        assert_eq!(self.monitor.state(), TripState::Closed, "{:?}", self.events);
        self
    }

    #[allow(dead_code)]
    pub fn trip(&self) -> Option<(TripCause, u64)> {
        self.events.iter().find_map(|e| match e.kind {
            EventKind::Tripped { cause, .. } => Some((cause, e.at.0)),
            _ => None,
        })
    }

    /// Milliseconds from now to the trip under this current; `None` if there is none within 2 s.
    #[allow(dead_code)]
    pub fn trip_ms(&mut self, i_bond_a: impl Fn(f64) -> f64) -> Option<(TripCause, f64)> {
        let from = self.n;
        self.run(2.0, i_bond_a);
        self.trip()
            .map(|(cause, at)| (cause, (at - from) as f64 * 1e3 / f64::from(RATE)))
    }
}
