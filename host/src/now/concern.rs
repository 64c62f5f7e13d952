//! What a person has to know of a board, worst first.

use super::{BoardNow, Verdict};
use crate::store::StoredEvent;
use crate::words;
use ohmward_proto::measure::TripState;
use ohmward_proto::{BondCurrent, EventKind, Insulation, NotMeasured};
use std::collections::BTreeMap;

/// A measurement is old when so many of the intervals set have passed since it,
const MEASUREMENT_OLD: i64 = 3;
/// or, where none is set, this long: a night, and half a day more.
const MEASUREMENT_OLD_US: i64 = 36 * 3_600_000_000;

/// A self-test that finds less than this where nothing flows ends a drift of the zero: the firmware's own measure.
const ZERO_GOOD_A: f32 = 0.003;

/// How much a concern matters.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Urgency {
    /// As it should be.
    Fine,
    /// As it should be, and not watched in full: dark, or just starting.
    Notice,
    /// Somebody has to look at it.
    Look,
    /// Danger, or a trip.
    Danger,
}

impl Urgency {
    /// In a word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Fine => "watching",
            Self::Notice => "waiting",
            Self::Look => "look at it",
            Self::Danger => "danger",
        }
    }

    /// A sign that is told apart without colour.
    #[must_use]
    pub fn sign(self) -> char {
        match self {
            Self::Fine => '·',
            Self::Notice => '○',
            Self::Look => '▲',
            Self::Danger => '■',
        }
    }
}

/// One thing to know.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Concern {
    /// How much it matters.
    pub urgency: Urgency,
    /// In words.
    pub words: String,
    /// Since when, Unix microseconds, where that is known.
    pub since_us: Option<i64>,
}

/// Events that say whether something stands, for [`BoardNow::conditions`].
pub const CONDITIONS: &[&str] = &[
    "tripped",
    "reset",
    "sensor-lost",
    "sensor-back",
    "self-test-passed",
    "self-test-failed",
    "zero-drifted",
    "sudden-unwatched",
    "sudden-watched",
    "memory-failed",
    "memory-works",
    "fuse-strained",
];

impl BoardNow {
    /// Everything to know at `now_us` (Unix microseconds), worst first; of equal ones the one that was found first. Never empty.
    #[must_use]
    pub fn concerns(&self, now_us: i64) -> Vec<Concern> {
        let mut found = Vec::new();
        let mut tell = |urgency, words: String, since_us| {
            found.push(Concern {
                urgency,
                words,
                since_us,
            });
        };
        let Some(last) = &self.last else {
            tell(Urgency::Look, "no reading of this board yet".into(), None);
            return found;
        };
        let reading = &last.reading;
        match reading.state {
            TripState::FailedToOpen => tell(
                Urgency::Danger,
                "TRIPPED AND THE CONTACTOR DID NOT OPEN: the array may still be connected".into(),
                self.trip_us(),
            ),
            TripState::Opening | TripState::Latched | TripState::LockedOut => {
                let state = words::state(reading.state);
                let cause = self.trip_words();
                tell(
                    Urgency::Danger,
                    cause.map_or_else(|| state.into(), |cause| format!("{state}: {cause}")),
                    self.trip_us(),
                );
            }
            TripState::Resting | TripState::Closing | TripState::Closed => {}
        }
        if self.is_silent(now_us) {
            tell(
                Urgency::Look,
                "nothing heard since; what is shown was true then".into(),
                self.heard_us.or(Some(last.t_us)),
            );
        }
        for gauge in self.gauges() {
            let name = gauge.quantity.name();
            match gauge.verdict() {
                Verdict::Beyond => tell(
                    Urgency::Danger,
                    format!("{name} beyond its limit: {}", gauge.words()),
                    None,
                ),
                Verdict::Warned => tell(
                    Urgency::Look,
                    format!("{name} below its warning level: {}", gauge.words()),
                    None,
                ),
                // Missing values are told below, with their reason.
                Verdict::Unknown if gauge.value.number().is_some() => tell(
                    Urgency::Look,
                    format!("{name} cannot be told from its limit: {}", gauge.words()),
                    None,
                ),
                _ => {}
            }
        }
        if let BondCurrent::NotMeasured(why) = reading.i_bond {
            tell(
                urgency_of(why),
                format!("bond current not measured: {}", words::not_measured(why)),
                None,
            );
        }
        if let Insulation::NotMeasured { why, .. } = reading.insulation {
            tell(
                urgency_of(why),
                format!("insulation not measured: {}", words::not_measured(why)),
                None,
            );
        }
        if let Some(age_us) = self.measurement_age_us().filter(|age| *age > self.old_us()) {
            tell(
                Urgency::Look,
                "the last insulation measurement is old".into(),
                Some(last.t_us.saturating_sub(age_us)),
            );
        }
        if reading.bond_open && reading.state != TripState::Resting {
            tell(
                Urgency::Look,
                "the bond is open: the \"grounded\" conductor may stand at array voltage".into(),
                None,
            );
        }
        if self.settings.is_none() {
            tell(
                Urgency::Notice,
                "limits not known: no settings of this board received".into(),
                None,
            );
        }
        self.tell_conditions(&mut tell);
        if found.is_empty() {
            found.push(Concern {
                urgency: Urgency::Fine,
                words: words::state(reading.state).into(),
                since_us: None,
            });
        }
        found.sort_by_key(|concern| std::cmp::Reverse(concern.urgency));
        found
    }

    /// The worst of it.
    #[must_use]
    pub fn urgency(&self, now_us: i64) -> Urgency {
        self.concerns(now_us)
            .first()
            .map_or(Urgency::Look, |concern| concern.urgency)
    }

    /// A measurement older than this does not tell how things are, µs.
    fn old_us(&self) -> i64 {
        match self.settings.map(|set| set.check.every_s) {
            Some(every_s) if every_s > 0 => MEASUREMENT_OLD * 1_000_000 * i64::from(every_s),
            _ => MEASUREMENT_OLD_US,
        }
    }

    /// Why it tripped last.
    fn trip_words(&self) -> Option<String> {
        self.conditions
            .iter()
            .rev()
            .find_map(|stored| match &stored.event.kind {
                EventKind::Tripped { cause, .. } => Some(words::cause(cause)),
                _ => None,
            })
    }

    fn trip_us(&self) -> Option<i64> {
        let trip = |kind: &EventKind| matches!(kind, EventKind::Tripped { .. });
        let stored = self.conditions.iter().rev();
        stored
            .filter(|stored| trip(&stored.event.kind))
            .map(|stored| stored.t_us)
            .next()
    }

    /// Conditions that an event began and none has ended.
    fn tell_conditions(&self, tell: &mut impl FnMut(Urgency, String, Option<i64>)) {
        let mut standing: BTreeMap<About, &StoredEvent> = BTreeMap::new();
        for stored in &self.conditions {
            match about(&stored.event.kind) {
                Some((about, true)) => {
                    standing.insert(about, stored);
                }
                Some((about, false)) => {
                    standing.remove(&about);
                }
                None => {}
            }
            if let EventKind::SelfTestPassed { zero, .. } = stored.event.kind
                && zero.0.abs() < ZERO_GOOD_A
            {
                standing.remove(&About::Zero);
            }
        }
        let rate_hz = self.run.as_ref().map(|run| run.sample_rate_hz);
        for stored in standing.values() {
            let words = words::event(&stored.event.kind, rate_hz);
            tell(Urgency::Look, words, Some(stored.t_us));
        }
    }
}

/// What a condition is about.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum About {
    Sensor(u8),
    SelfTest,
    Memory,
    Sudden,
    Fuse,
    Zero,
}

/// What an event is about, and whether it says that it stands.
fn about(kind: &EventKind) -> Option<(About, bool)> {
    Some(match kind {
        EventKind::SensorLost(channel) => (About::Sensor(*channel as u8), true),
        EventKind::SensorBack(channel) => (About::Sensor(*channel as u8), false),
        EventKind::SelfTestFailed(_) => (About::SelfTest, true),
        EventKind::SelfTestPassed { .. } => (About::SelfTest, false),
        EventKind::ZeroDrifted { .. } => (About::Zero, true),
        EventKind::SuddenUnwatched => (About::Sudden, true),
        EventKind::SuddenWatched => (About::Sudden, false),
        EventKind::MemoryFailed(_) => (About::Memory, true),
        EventKind::MemoryWorks => (About::Memory, false),
        // Nothing the board can measure says that the fuse is whole; a reset is the word of someone who has looked.
        EventKind::FuseStrained { .. } => (About::Fuse, true),
        EventKind::Reset => (About::Fuse, false),
        _ => return None,
    })
}

/// Dark and starting are no faults; everything else that keeps a value away is.
fn urgency_of(why: NotMeasured) -> Urgency {
    match why {
        NotMeasured::ArrayDark | NotMeasured::NeverYet | NotMeasured::WindowFilling => {
            Urgency::Notice
        }
        // A check opens the bond for seconds; a trip tells of itself.
        NotMeasured::BondOpen | NotMeasured::ArrayMoved | NotMeasured::Interrupted => {
            Urgency::Notice
        }
        NotMeasured::NotSettled
        | NotMeasured::SensorLost(_)
        | NotMeasured::BridgeUnmoved
        | NotMeasured::FaultMoved
        | NotMeasured::BridgeWrong => Urgency::Look,
    }
}
