//! What the board does about it: the real firmware in the simulated world, in virtual time.
//!
//! Twice: the fault comes while the array has been connected for a while, and the fault is there before the board looks for
//! the first time. The settings are the planned ones; only readings are spaced out, which decides nothing.

use super::circuit::one_way;
use super::fault::FaultSpec;
use super::ground::Ground;
use super::{Question, Sun, WhatIfError};
use crate::array_file::ArrayFile;
use crate::sim::{Gear, SimBoard};
use crate::words;
use ohmward_plant::Scenario;
use ohmward_plant::array::{FarEnd, FaultPath, Touch};
use ohmward_plant::fault::FaultSettings;
use ohmward_plant::weather::Fixed;
use ohmward_proto::decoder::Decoder;
use ohmward_proto::event::{EventKind, TripCause};
use ohmward_proto::frame::{MAX_FRAME, encode};
use ohmward_proto::message::{Ack, Message};
use ohmward_proto::{Event, Settings};
use serde::Serialize;

/// When the fault comes.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Onset {
    /// The array is at work.
    WhileConnected,
    /// Before the board looks for the first time.
    BeforeStart,
    /// The array is at work, and with the fault comes a person who touches a bare conductor.
    WhileTouched {
        /// Body and feet, Ω.
        person_ohm: f64,
    },
}

/// What noticed it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SeenBy {
    /// A limit on the bond current.
    BondCurrent,
    /// The insulation measurement with the bond open.
    InsulationCheck,
    /// Anything else the board watches: its bond, its sensors, its contactor.
    OtherWatch,
}

impl SeenBy {
    /// For sentences.
    pub fn words(self) -> &'static str {
        match self {
            Self::BondCurrent => "bond current",
            Self::InsulationCheck => "insulation check",
            Self::OtherWatch => "the board's other watches",
        }
    }

    fn of(cause: &TripCause) -> Self {
        match cause {
            TripCause::ContinuousCurrent { .. }
            | TripCause::GroundFaultCurrent { .. }
            | TripCause::SuddenChange { .. }
            | TripCause::FuseHeated { .. } => Self::BondCurrent,
            TripCause::InsulationLow { .. }
            | TripCause::InsulationUnreadable { .. }
            | TripCause::SecondBond
            | TripCause::GroundedConductorFault { .. } => Self::InsulationCheck,
            TripCause::BondInterrupted { .. }
            | TripCause::SelfTestFailed(_)
            | TripCause::SamplesLost
            | TripCause::Restarted(_)
            | TripCause::SensorLost(_)
            | TripCause::SettingsLost
            | TripCause::ContactorFault
            | TripCause::Commanded => Self::OtherWatch,
        }
    }
}

/// A trip.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Trip {
    /// What noticed.
    pub seen_by: SeenBy,
    /// Why, in words.
    pub cause: String,
    /// Decided this long after the onset, ms.
    pub after_ms: f64,
    /// Contactor seen open this long after the onset, ms; `None`: not within the time looked at, or it never closed.
    pub open_after_ms: Option<f64>,
}

/// One line of what the board said.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Line {
    /// After the onset, ms.
    pub after_ms: f64,
    /// What.
    pub says: String,
}

/// What came of one run.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Run {
    /// When the fault came.
    pub onset: Onset,
    /// The board did not connect this array even before the fault, and this is what it said: nothing was tested.
    pub never_connected: Option<String>,
    /// The array was connected at the onset, or came to be afterwards.
    pub connected: bool,
    /// The trip, if there was one.
    pub trip: Option<Trip>,
    /// Insulation warned without a trip before it.
    pub warned: bool,
    /// Looked at for this long after the onset, s.
    pub observed_s: f64,
    /// Everything said from the onset on.
    pub lines: Vec<Line>,
}

impl Run {
    /// What kept it out: a trip before the array was ever connected.
    pub fn refused(&self) -> Option<&Trip> {
        self.trip
            .as_ref()
            .filter(|_| self.onset == Onset::BeforeStart && !self.connected)
    }
}

const RATE_HZ: u32 = 4000;
/// The board takes its first look, connects, and knows what is normal; long measurements of large wet arrays come on top.
const RUN_UP_S: f64 = 40.0;
/// Looked at for at least this long, s.
const OBSERVED_S_MIN: f64 = 120.0;
/// Every sample is made until this long after the onset, s: no skipped time before it can have hidden anything from a detector that
/// remembers. The current limits have all had their time by then.
const FULL_RATE_S: f64 = 2.0;
/// After a trip: the contactor has answered by then.
const AFTER_TRIP_S: f64 = 1.0;

/// How long a run goes on: until a scheduled check and its confirmations are through.
pub fn observed_s(settings: &Settings) -> f64 {
    let check = &settings.check;
    // Two bridge states and one again, self-test and waiting; a pause of a minute between measurements while connected.
    let measure_s = measure_s_max(settings);
    let confirmed_s = f64::from(settings.insulation.confirm) * (60.0 + measure_s);
    (f64::from(check.every_s) + confirmed_s + measure_s).max(OBSERVED_S_MIN)
}

fn measure_s_max(settings: &Settings) -> f64 {
    15.0 + 3.0 * f64::from(settings.check.state_ms_max) / 1e3
}

/// One run.
pub fn run(
    file: &ArrayFile,
    ground: &Ground,
    settings: &Settings,
    question: &Question,
    onset: Onset,
) -> Result<Run, WhatIfError> {
    let onset_s = match onset {
        Onset::WhileConnected | Onset::WhileTouched { .. } => {
            RUN_UP_S + 2.0 * measure_s_max(settings)
        }
        Onset::BeforeStart => 0.0,
    };
    let observed_s = observed_s(settings);
    let mut scenario = scenario(file, ground, settings, question, onset_s, observed_s)?;
    if let (Onset::WhileTouched { person_ohm }, Touch::Conductor(place)) =
        (onset, question.touches.plant())
    {
        scenario.fault_paths.push(FaultPath {
            place,
            to: FarEnd::Soil,
        });
        scenario.faults.push(lasting(person_ohm, onset_s));
    }
    let onset_at = (onset_s * f64::from(RATE_HZ)).round();
    let after_ms = |event: &Event| (event.at.0 as f64 - onset_at) / f64::from(RATE_HZ) * 1e3;
    let events = listen(&scenario, onset_s + FULL_RATE_S, |events| {
        // Long enough after the first trip for the contactor to have answered.
        events
            .iter()
            .find(|e| matches!(e.kind, EventKind::Tripped { .. }))
            .map(|trip| trip.at.after((AFTER_TRIP_S * f64::from(RATE_HZ)) as u64).0)
    })?;
    let never_connected = (onset != Onset::BeforeStart
        && !events
            .iter()
            .any(|e| e.kind == EventKind::Connected && after_ms(e) < 0.0))
    .then(|| {
        events
            .iter()
            .find(|e| matches!(e.kind, EventKind::Tripped { .. }))
            .or(events.last())
            .map_or_else(
                || "it said nothing; is there enough light?".to_owned(),
                |e| words::event(&e.kind, Some(RATE_HZ)),
            )
    });
    if never_connected.is_some() {
        return Ok(Run {
            onset,
            never_connected,
            connected: false,
            trip: None,
            warned: false,
            observed_s: 0.0,
            lines: Vec::new(),
        });
    }
    let since: Vec<_> = events
        .iter()
        .filter(|e| onset == Onset::BeforeStart || after_ms(e) >= 0.0)
        .collect();
    let tripped = since
        .iter()
        .position(|e| matches!(e.kind, EventKind::Tripped { .. }));
    let before_trip = &since[..tripped.unwrap_or(since.len())];
    let connected =
        onset != Onset::BeforeStart || before_trip.iter().any(|e| e.kind == EventKind::Connected);
    let trip = tripped.and_then(|k| match &since[k].kind {
        EventKind::Tripped { cause, .. } => Some(Trip {
            seen_by: SeenBy::of(cause),
            cause: words::cause(cause),
            after_ms: after_ms(since[k]),
            open_after_ms: since[k..]
                .iter()
                .find(|e| {
                    matches!(
                        e.kind,
                        EventKind::Opened { .. } | EventKind::OpenedLate { .. }
                    )
                })
                .filter(|_| connected)
                .map(|e| after_ms(e)),
        }),
        _ => None,
    });
    Ok(Run {
        onset,
        never_connected,
        connected,
        trip,
        warned: before_trip
            .iter()
            .any(|e| matches!(e.kind, EventKind::InsulationWarning { .. })),
        observed_s,
        lines: since
            .iter()
            .filter(|e| !matches!(e.kind, EventKind::Started { .. }))
            .map(|e| Line {
                after_ms: after_ms(e),
                says: words::event(&e.kind, Some(RATE_HZ)),
            })
            .collect(),
    })
}

/// The array of the file under a steady sun; what a scenario has besides stands at its defaults.
fn scenario(
    file: &ArrayFile,
    ground: &Ground,
    settings: &Settings,
    question: &Question,
    onset_s: f64,
    observed_s: f64,
) -> Result<Scenario, WhatIfError> {
    const FRAME: &str = "name = \"what if\"\nnote = \"Made in memory.\"\nstart = \"2026-06-01T12:00:00Z\"\n\
                         duration_h = 1.0\n[board]\nid = \"00000000000000f1\"\n[array]\nstrings = 1\nmodules_per_string = 1\n";
    let mut scenario = Scenario::parse("(in memory)", FRAME)?;
    let Sun {
        irradiance_w_m2,
        cell_temp_c,
        wetness,
    } = question.sun;
    scenario.name.clone_from(&file.name);
    scenario.file.clone_from(&file.file);
    scenario.duration_h = (onset_s + observed_s) / 3600.0;
    scenario.board.sample_rate_hz = RATE_HZ;
    scenario.settings = Settings {
        reading_every_ms: 600_000,
        ..*settings
    };
    scenario.array = file.array.clone();
    scenario.array.main_cable_ohm = ground.main_ohm;
    scenario.module = file.module;
    scenario.earthing = file.earthing;
    scenario.ground = ground.paths();
    scenario.load = one_way(file, question.sun);
    scenario.contactor = file.contactor;
    scenario.weather.fixed = Some(Fixed {
        irradiance_w_m2,
        cell_temp_c,
        wetness,
    });
    // Nothing changes, so nothing has to be looked at.
    scenario.weather.step_s = 3600;
    scenario.fault_paths = question.faults.iter().map(FaultSpec::path).collect();
    scenario.faults = question
        .faults
        .iter()
        .map(|fault| lasting(fault.ohms, onset_s))
        .collect();
    Ok(scenario)
}

fn lasting(ohms: f64, from_s: f64) -> FaultSettings {
    FaultSettings {
        ohm: Some(ohms),
        from_h: from_s / 3600.0,
        ..FaultSettings::default()
    }
}

/// Runs until the scenario ends or until the sample that `stop_at` names, acknowledging every event.
fn listen(
    scenario: &Scenario,
    full_rate_until_s: f64,
    stop_at: impl Fn(&[Event]) -> Option<u64>,
) -> Result<Vec<Event>, WhatIfError> {
    let mut board = SimBoard::new(scenario, Gear::EverySample)?;
    let full_rate_until = (full_rate_until_s * f64::from(RATE_HZ)) as u64;
    let mut decoder = Decoder::new();
    let mut events: Vec<Event> = Vec::new();
    let mut goes_on = true;
    while goes_on {
        let left = match stop_at(&events) {
            Some(at) if at <= board.now().0 => break,
            Some(at) => at - board.now().0,
            None if board.now().0 < full_rate_until => full_rate_until - board.now().0,
            None => {
                board.set_gear(Gear::SkipQuiet);
                u64::MAX / 2
            }
        };
        goes_on = board.run(left)?;
        if !goes_on {
            board.serve_link();
        }
        let mut acks = Vec::new();
        decoder.feed(&board.take_output(), |message| {
            if let Ok(Message::Event(event)) = message {
                acks.push(Ack::Event(event.id));
                if !events.iter().any(|known| known.id == event.id) {
                    events.push(event);
                }
            }
        });
        for ack in acks {
            let mut frame = [0; MAX_FRAME];
            if let Ok(len) = encode(&Message::Ack(ack), &mut frame) {
                board.send(&frame[..len]);
            }
        }
    }
    events.sort_by_key(|event| event.id);
    Ok(events)
}
