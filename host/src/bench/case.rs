//! One case: what the board meets, what it has to do about it and by when, and who says so.

use super::array::Leakage;
use super::waveform::Waveform;
use ohmward_proto::event::StartReason;
use ohmward_proto::measure::{Channel, TripState};
use ohmward_proto::settings::{Calibration, Settings};
use std::borrow::Cow;

/// How sure a source is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Confidence {
    /// Read in the document.
    LookedUp,
    /// Recalled: a person with the document in hand has to check it.
    Memory,
    /// Usual in the trade.
    CommonPractice,
    /// The project's own aim or bound.
    Own,
    /// Said by whoever gave the trace.
    Given,
}

impl Confidence {
    /// As printed behind a source.
    pub fn words(self) -> &'static str {
        match self {
            Self::LookedUp => "looked up",
            Self::Memory => "memory, unverified",
            Self::CommonPractice => "common practice, no source",
            Self::Own => "own target",
            Self::Given => "given",
        }
    }
}

/// Where a limit and its time come from.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Source {
    /// Document, clause or reason.
    pub text: Cow<'static, str>,
    /// How sure.
    pub confidence: Confidence,
}

/// The limit that a case is about.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Limit {
    /// A current.
    Current {
        /// A.
        a: f64,
    },
    /// An insulation resistance.
    Resistance {
        /// Ω.
        ohm: f64,
    },
    /// None: something else is lost or stuck.
    None,
}

/// Something that can happen on a board.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum What {
    /// The contactor is told to open for a fault, or a board that rests trips.
    Trip,
    /// The contactor closed and was seen closed.
    Connected,
    /// Insulation is told to be low: warning, trip or "cannot be told in daylight".
    InsulationTold,
    /// A trip for low or unreadable insulation.
    InsulationTrip,
    /// "Failed to open" is told.
    FailedToOpen,
    /// The buzzer was silent for a second while the contactor has failed to open.
    WentSilent,
    /// The latch was reset.
    Reset,
    /// A reset was refused.
    ResetRefused,
    /// A surge was counted.
    Surge,
    /// A sensor was told to be lost.
    SensorLost,
}

impl What {
    /// As JSON and tables call it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Trip => "trip",
            Self::Connected => "connected",
            Self::InsulationTold => "insulation told low",
            Self::InsulationTrip => "insulation trip",
            Self::FailedToOpen => "failed to open told",
            Self::WentSilent => "buzzer silent",
            Self::Reset => "reset",
            Self::ResetRefused => "reset refused",
            Self::Surge => "surge counted",
            Self::SensorLost => "sensor lost told",
        }
    }
}

/// What has to happen, by when.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Must {
    /// What.
    pub what: What,
    /// The latest allowed time after the onset of the fault, contactor apart.
    pub latest_s: f64,
    /// The project's aim.
    pub aim_s: f64,
}

/// What a case demands.
#[derive(Clone, PartialEq, Debug)]
pub struct Expect {
    /// What has to happen.
    pub must: Option<Must>,
    /// What must not.
    pub never: &'static [What],
    /// Where the trip logic has to stand in the end.
    pub ends: Option<TripState>,
}

impl Expect {
    /// A trip within `latest_s`; the aim is half of that.
    pub fn trip(latest_s: f64) -> Self {
        Self::happens(What::Trip, latest_s, latest_s / 2.0)
    }

    /// Something within a time.
    pub fn happens(what: What, latest_s: f64, aim_s: f64) -> Self {
        Self {
            must: Some(Must {
                what,
                latest_s,
                aim_s,
            }),
            never: &[],
            ends: None,
        }
    }

    /// No trip, and still connected in the end.
    pub fn no_trip() -> Self {
        Self {
            must: None,
            never: &[What::Trip],
            ends: Some(TripState::Closed),
        }
    }

    /// And this must not happen.
    #[must_use]
    pub fn never(mut self, never: &'static [What]) -> Self {
        self.never = never;
        self
    }

    /// And this is the state in the end.
    #[must_use]
    pub fn ends(mut self, state: TripState) -> Self {
        self.ends = Some(state);
        self
    }
}

/// Trouble between the world and the firmware. Times are seconds after the onset.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Trouble {
    /// One converter word is wrong, again every `every_s` if that is not 0.
    BadWord {
        /// First.
        from_s: f64,
        /// Distance.
        every_s: f64,
        /// Which channel.
        channel: Channel,
        /// What it reads.
        code: i16,
    },
    /// A channel reads the same word for ever.
    Stuck {
        /// From here on.
        from_s: f64,
        /// Which channel.
        channel: Channel,
        /// What it reads.
        code: i16,
    },
    /// Samples are missed, again every `every_s` if that is not 0; the firmware is told how many.
    Missed {
        /// First.
        from_s: f64,
        /// Distance.
        every_s: f64,
        /// How many at a time.
        samples: u16,
    },
}

/// Where the onset lies.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Begin {
    /// After the array was connected and a while had passed.
    Connected,
    /// At the first light, before anything was measured.
    FirstLight,
}

/// One case.
#[derive(Clone, PartialEq, Debug)]
pub struct Case {
    /// Unique; what `--case` takes.
    pub name: String,
    /// Line of the table.
    pub group: &'static str,
    /// The limit.
    pub limit: Limit,
    /// What has to happen.
    pub expect: Expect,
    /// Who says so.
    pub source: Source,
    /// Settings of the board.
    pub settings: Settings,
    /// Its front end.
    pub calibration: Calibration,
    /// Why it started.
    pub start: StartReason,
    /// Where the onset lies.
    pub begin: Begin,
    /// The bond current besides what the array's leakage drives.
    pub waveform: Waveform,
    /// The fault begins so long after the onset.
    pub fault_at_s: f64,
    /// How long to look on after the onset.
    pub watch_s: f64,
    /// The array before the onset …
    pub before: Leakage,
    /// … and from it on.
    pub after: Leakage,
    /// What goes wrong besides.
    pub troubles: Vec<Trouble>,
    /// The contactor welds once it is closed.
    pub welded: bool,
    /// The reset button is pressed every five seconds.
    pub presses_reset: bool,
    /// Seed of the noise.
    pub seed: u64,
}

impl Case {
    /// A current case on a connected, healthy array without an earth of its own: the sensor sees the residual current.
    ///
    /// The insulation check before connecting and the periodic one are off: they have cases of their own.
    pub fn residual(group: &'static str, name: String, waveform: Waveform, expect: Expect) -> Self {
        use ohmward_proto::settings::{Earthing, Mains};
        let mut settings = Settings::SMALL_BONDED;
        settings.earthing = Earthing::NotEarthed;
        settings.mains = if waveform.mains_hz < 55.0 {
            Mains::Hz50
        } else {
            Mains::Hz60
        };
        settings.check.before_connect = false;
        settings.check.every_s = 0;
        settings.reading_every_ms = 60_000;
        let watch_s = expect.must.map_or(2.0, |must| must.latest_s * 2.0 + 0.1);
        Self {
            name,
            group,
            limit: Limit::None,
            expect,
            source: Source {
                text: Cow::Borrowed("project's own demand on itself"),
                confidence: Confidence::Own,
            },
            settings,
            calibration: Calibration::REFERENCE,
            start: StartReason::PowerOn,
            begin: Begin::Connected,
            waveform,
            fault_at_s: 0.0,
            watch_s,
            before: Leakage::HEALTHY,
            after: Leakage::HEALTHY,
            troubles: Vec::new(),
            welded: false,
            presses_reset: false,
            seed: 1,
        }
    }

    /// With this limit and source.
    #[must_use]
    pub fn by(mut self, limit: Limit, source: Source) -> Self {
        self.limit = limit;
        self.source = source;
        self
    }

    /// With settings changed.
    #[must_use]
    pub fn set(mut self, change: impl FnOnce(&mut Settings)) -> Self {
        change(&mut self.settings);
        self
    }
}
