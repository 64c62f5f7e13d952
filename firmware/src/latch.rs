//! The one state machine that moves the contactor.
//!
//! ```text
//!              may_close                feedback closed
//!   Resting ───────────────▶ Closing ───────────────────▶ Closed
//!      ▲  ▲                     │ too late: trip            │ │
//!      │  └─────────────────────┼───────────────────────────┘ │  must_rest
//!      │                        ▼                             │
//!      │        trip (from any state) ──▶ Opening ◀───────────┘  trip
//!      │ reset, and every                   │   │
//!      │ interlock agrees    feedback open  │   │ too late
//!      ├──────────── Latched ◀──────────────┤   ▼
//!      │                ▲                   │ FailedToOpen
//!      │                └───────────────────┼───┘  feedback open after all
//!      │ the same, and armed                │ one trip too many
//!      └──────────── LockedOut ◀────────────┘
//! ```
//!
//! Rules that hold in every state: the coil is energised in Closing and Closed only; a trip leads to Opening from
//! anywhere but the latched states; only [`Seen::reset`] with every interlock agreeing leads out of Latched, and out of
//! LockedOut only with the maintenance switch on as well. A contact that closes by itself leads from both to FailedToOpen.

use ohmward_proto::event::{EventKind, ResetRefusal, TripCause};
use ohmward_proto::measure::TripState;
use ohmward_proto::units::SampleIndex;

/// What the state machine is told with every sample.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    /// A limit or a loss demands a trip now; with the moment of its pickup.
    pub trip: Option<(TripCause, SampleIndex)>,
    /// The auxiliary contact shows closed.
    pub feedback_closed: bool,
    /// Light, insulation and settings allow to connect.
    pub may_close: bool,
    /// The array went dark.
    pub must_rest: bool,
    /// A person or a command asks for a reset; with what insulation says to that.
    pub reset: Option<Result<(), ResetRefusal>>,
    /// There have been too many trips lately, the present one included.
    pub too_many_trips: bool,
    /// The maintenance switch is on.
    pub armed: bool,
}

/// Times allowed, in samples.
#[derive(Clone, Copy, Debug)]
pub struct LatchTimes {
    /// Contactor opening.
    pub open_max: u64,
    /// Contactor closing.
    pub close_max: u64,
    /// How long feedback may contradict a standing command: contact bounce.
    pub bounce_max: u64,
}

/// The state, with what belongs to it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Latch {
    /// Open, nothing wrong. Feedback has contradicted since then, if it does.
    Resting { contradicted: Option<SampleIndex> },
    /// Told to close.
    Closing { since: SampleIndex },
    /// Closed and confirmed.
    Closed { contradicted: Option<SampleIndex> },
    /// Tripped, not yet seen open.
    Opening { tripped: SampleIndex },
    /// Tripped and seen open.
    Latched,
    /// Tripped and not seen open in time.
    FailedToOpen { tripped: SampleIndex },
    /// Tripped once too often and seen open.
    LockedOut,
}

/// What one sample brought about: at most a refusal, a failure to close, and the trip of it.
pub type Events = heapless::Vec<EventKind, 3>;

impl Latch {
    /// The start of every run: open.
    pub const START: Self = Self::Resting { contradicted: None };

    /// Energise the contactor's coil.
    pub fn contactor(self) -> bool {
        matches!(self, Self::Closing { .. } | Self::Closed { .. })
    }

    /// A trip has happened and not been reset.
    pub fn tripped(self) -> bool {
        matches!(
            self,
            Self::Opening { .. } | Self::Latched | Self::FailedToOpen { .. } | Self::LockedOut
        )
    }

    /// As the protocol names it.
    pub fn state(self) -> TripState {
        match self {
            Self::Resting { .. } => TripState::Resting,
            Self::Closing { .. } => TripState::Closing,
            Self::Closed { .. } => TripState::Closed,
            Self::Opening { .. } => TripState::Opening,
            Self::Latched => TripState::Latched,
            Self::FailedToOpen { .. } => TripState::FailedToOpen,
            Self::LockedOut => TripState::LockedOut,
        }
    }

    /// A time is running: samples must not be skipped.
    pub fn busy(self) -> bool {
        match self {
            Self::Resting { contradicted } | Self::Closed { contradicted } => {
                contradicted.is_some()
            }
            Self::Closing { .. } | Self::Opening { .. } => true,
            Self::Latched | Self::FailedToOpen { .. } | Self::LockedOut => false,
        }
    }

    /// Samples until the supervision of the contactor could trip at the soonest, as long as the coil is energised.
    pub fn soonest(self, now: SampleIndex, times: &LatchTimes) -> u64 {
        let after =
            |since: SampleIndex, time: u64| (since.0 + time + 1).saturating_sub(now.0).max(1);
        match self {
            Self::Closing { since } => after(since, times.close_max),
            Self::Closed { contradicted } => {
                after(contradicted.unwrap_or(now.after(1)), times.bounce_max)
            }
            Self::Resting { .. }
            | Self::Opening { .. }
            | Self::Latched
            | Self::FailedToOpen { .. }
            | Self::LockedOut => u64::MAX,
        }
    }

    /// One sample.
    #[must_use]
    pub fn next(self, now: SampleIndex, seen: &Seen, times: &LatchTimes) -> (Self, Events) {
        let mut events = Events::new();
        let mut note = |kind| {
            // Three places, and no path below notes more than three.
            let _ = events.push(kind);
        };
        let trip = |note: &mut dyn FnMut(EventKind), cause, picked_up| {
            note(EventKind::Tripped { cause, picked_up });
            Self::Opening { tripped: now }
        };
        let reset = seen.reset.map(|said| self.reset_allowed(seen, said));
        if let Some(Err(refusal)) = reset {
            note(EventKind::ResetRefused(refusal));
        }
        let next = match self {
            Self::Resting { .. } | Self::Closing { .. } | Self::Closed { .. }
                if seen.trip.is_some() =>
            {
                match seen.trip {
                    Some((cause, picked_up)) => trip(&mut note, cause, picked_up),
                    None => self,
                }
            }

            Self::Resting { contradicted } if seen.feedback_closed => {
                // Closed though it was never told to, or still closing down from a rest.
                let since = contradicted.unwrap_or(now);
                if now.since(since) > times.open_max {
                    trip(&mut note, TripCause::ContactorFault, since)
                } else {
                    Self::Resting {
                        contradicted: Some(since),
                    }
                }
            }
            Self::Resting { .. } if seen.may_close => Self::Closing { since: now },
            Self::Resting { .. } => Self::Resting { contradicted: None },

            Self::Closing { .. } if seen.feedback_closed => {
                note(EventKind::Connected);
                Self::Closed { contradicted: None }
            }
            Self::Closing { since } if now.since(since) > times.close_max => {
                note(EventKind::FailedToClose);
                trip(&mut note, TripCause::ContactorFault, since)
            }
            Self::Closing { .. } => self,

            Self::Closed { contradicted } if !seen.feedback_closed => {
                let since = contradicted.unwrap_or(now);
                if now.since(since) > times.bounce_max {
                    trip(&mut note, TripCause::ContactorFault, since)
                } else {
                    Self::Closed {
                        contradicted: Some(since),
                    }
                }
            }
            Self::Closed { .. } if seen.must_rest => {
                note(EventKind::Rested);
                Self::Resting { contradicted: None }
            }
            Self::Closed { .. } => Self::Closed { contradicted: None },

            Self::Opening { tripped } if !seen.feedback_closed => {
                note(EventKind::Opened {
                    after: samples(now, tripped),
                });
                Self::opened(seen)
            }
            Self::Opening { tripped } if now.since(tripped) > times.open_max => {
                note(EventKind::FailedToOpen);
                Self::FailedToOpen { tripped }
            }
            Self::Opening { .. } => self,

            Self::FailedToOpen { tripped } if !seen.feedback_closed => {
                note(EventKind::OpenedLate {
                    after: samples(now, tripped),
                });
                Self::opened(seen)
            }
            Self::FailedToOpen { .. } => self,

            // Closed again with no coil: someone bridged it, or it fell shut.
            Self::Latched | Self::LockedOut if seen.feedback_closed => {
                note(EventKind::FailedToOpen);
                Self::FailedToOpen { tripped: now }
            }
            Self::Latched | Self::LockedOut if reset == Some(Ok(())) => {
                note(EventKind::Reset);
                Self::START
            }
            Self::Latched | Self::LockedOut => self,
        };
        (next, events)
    }

    /// Where a trip comes to rest.
    fn opened(seen: &Seen) -> Self {
        if seen.too_many_trips {
            Self::LockedOut
        } else {
            Self::Latched
        }
    }

    /// Every interlock of a reset, the nearest reason first; what insulation says to it is the last.
    pub fn reset_allowed(
        self,
        seen: &Seen,
        insulation: Result<(), ResetRefusal>,
    ) -> Result<(), ResetRefusal> {
        match self {
            Self::Resting { .. } | Self::Closing { .. } | Self::Closed { .. } => {
                Err(ResetRefusal::NotLatched)
            }
            Self::Opening { .. } | Self::FailedToOpen { .. } => Err(ResetRefusal::ContactorNotOpen),
            Self::Latched | Self::LockedOut if seen.feedback_closed => {
                Err(ResetRefusal::ContactorNotOpen)
            }
            Self::Latched | Self::LockedOut if seen.trip.is_some() => {
                Err(ResetRefusal::FaultStillThere)
            }
            Self::LockedOut if !seen.armed => Err(ResetRefusal::LockedOut),
            Self::Latched | Self::LockedOut => insulation,
        }
    }
}

fn samples(now: SampleIndex, since: SampleIndex) -> u32 {
    now.since(since).min(u64::from(u32::MAX)) as u32
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::collections::{HashSet, VecDeque};

    const TIMES: LatchTimes = LatchTimes {
        open_max: 3,
        close_max: 4,
        bounce_max: 2,
    };

    /// Every combination of inputs.
    fn all_inputs() -> impl Iterator<Item = Seen> {
        (0u16..256).map(|bits| Seen {
            trip: (bits & 1 != 0).then_some((TripCause::Commanded, SampleIndex(0))),
            feedback_closed: bits & 2 != 0,
            may_close: bits & 4 != 0,
            must_rest: bits & 8 != 0,
            too_many_trips: bits & 16 != 0,
            armed: bits & 32 != 0,
            reset: match bits / 64 {
                0 => None,
                1 => Some(Ok(())),
                2 => Some(Err(ResetRefusal::InsulationLow)),
                _ => Some(Err(ResetRefusal::InsulationNotMeasured)),
            },
        })
    }

    /// The state with each of its moments replaced.
    fn with_moments(state: Latch, f: impl Fn(SampleIndex) -> SampleIndex) -> Latch {
        match state {
            Latch::Resting { contradicted } => Latch::Resting {
                contradicted: contradicted.map(f),
            },
            Latch::Closing { since } => Latch::Closing { since: f(since) },
            Latch::Closed { contradicted } => Latch::Closed {
                contradicted: contradicted.map(f),
            },
            Latch::Opening { tripped } => Latch::Opening {
                tripped: f(tripped),
            },
            Latch::Latched => Latch::Latched,
            Latch::LockedOut => Latch::LockedOut,
            Latch::FailedToOpen { tripped } => Latch::FailedToOpen {
                tripped: f(tripped),
            },
        }
    }

    /// Walks every reachable state under every input.
    fn walk(mut check: impl FnMut(Latch, &Seen, Latch, &Events)) -> usize {
        const NOW: u64 = 1000;
        let key = |s: &Latch| std::format!("{s:?}");
        let mut seen_states = HashSet::new();
        let mut queue = VecDeque::from([Latch::START]);
        seen_states.insert(key(&Latch::START));
        while let Some(state) = queue.pop_front() {
            let from = with_moments(state, |age| SampleIndex(NOW - age.0));
            for input in all_inputs() {
                let (to, events) = from.next(SampleIndex(NOW), &input, &TIMES);
                check(from, &input, to, &events);
                // Moments kept as ages, old ones alike, so that the reachable space is finite.
                let next = with_moments(to, |t| SampleIndex((NOW + 1 - t.0).min(9)));
                if seen_states.insert(key(&next)) {
                    queue.push_back(next);
                }
            }
        }
        seen_states.len()
    }

    #[test]
    fn no_trip_input_leaves_the_coil_energised() {
        walk(|from, input, to, _| {
            assert!(
                input.trip.is_none() || !to.contactor(),
                "{from:?} {input:?} → {to:?}"
            );
        });
    }

    #[test]
    fn only_an_allowed_reset_leads_out_of_a_trip() {
        walk(|from, input, to, events| {
            if from.tripped() && !to.tripped() {
                assert!(from == Latch::Latched || (from == Latch::LockedOut && input.armed));
                assert!(input.trip.is_none() && !input.feedback_closed);
                assert_eq!(input.reset, Some(Ok(())));
                assert!(events.contains(&EventKind::Reset));
                assert!(
                    !to.contactor(),
                    "a reset does not close by itself in the same step"
                );
            }
        });
    }

    #[test]
    fn entering_a_trip_is_always_an_event_and_a_refused_reset_too() {
        let states = walk(|from, input, to, events| {
            if !from.tripped() && to.tripped() {
                assert!(
                    events
                        .iter()
                        .any(|e| matches!(e, EventKind::Tripped { .. }))
                );
            }
            if input.reset.is_some() && !events.contains(&EventKind::Reset) {
                assert!(
                    events
                        .iter()
                        .any(|e| matches!(e, EventKind::ResetRefused(_)))
                );
            }
        });
        assert!(states > 15, "the walk reached only {states} states");
    }

    /// A contact that reads closed with the coil off is never quiet: it leads to FailedToOpen from every state within its
    /// bound, and stays there for as long as it reads closed.
    #[test]
    fn a_contact_that_stays_closed_is_never_forgotten() {
        walk(|from, input, to, _| {
            if input.feedback_closed && matches!(from, Latch::FailedToOpen { .. }) {
                assert_eq!(to.state(), TripState::FailedToOpen);
            }
            if input.feedback_closed && matches!(from, Latch::Latched | Latch::LockedOut) {
                assert_eq!(to.state(), TripState::FailedToOpen);
            }
        });
    }

    /// Every move there is, from the walk, against the drawing above: nothing more, nothing less.
    #[test]
    fn every_move_is_in_the_table() {
        const TABLE: [&str; 23] = [
            "Closed → Closed",
            "Closed → Opening: Tripped",
            "Closed → Resting: Rested",
            "Closing → Closed: Connected",
            "Closing → Closing",
            "Closing → Opening: FailedToClose, Tripped",
            "Closing → Opening: Tripped",
            "FailedToOpen → FailedToOpen",
            "FailedToOpen → Latched: OpenedLate",
            "FailedToOpen → LockedOut: OpenedLate",
            "Latched → FailedToOpen: FailedToOpen",
            "Latched → Latched",
            "Latched → Resting: Reset",
            "LockedOut → FailedToOpen: FailedToOpen",
            "LockedOut → LockedOut",
            "LockedOut → Resting: Reset",
            "Opening → FailedToOpen: FailedToOpen",
            "Opening → Latched: Opened",
            "Opening → LockedOut: Opened",
            "Opening → Opening",
            "Resting → Closing",
            "Resting → Opening: Tripped",
            "Resting → Resting",
        ];
        let mut moves = std::collections::BTreeSet::new();
        walk(|from, _, to, events| {
            let words: std::vec::Vec<_> = events
                .iter()
                .filter(|e| !matches!(e, EventKind::ResetRefused(_)))
                .map(|e| {
                    let text = std::format!("{e:?}");
                    std::string::String::from(text.split([' ', '(']).next().unwrap_or(""))
                })
                .collect();
            let colon = if words.is_empty() { "" } else { ": " };
            moves.insert(std::format!(
                "{:?} → {:?}{colon}{}",
                from.state(),
                to.state(),
                words.join(", ")
            ));
        });
        let moves: std::vec::Vec<_> = moves.into_iter().collect();
        assert_eq!(moves, TABLE, "{moves:#?}");
    }

    #[test]
    fn one_trip_too_many_locks_out_wherever_it_comes_to_rest() {
        let mut locked = 0;
        walk(|from, input, to, _| {
            if from != to && to == Latch::Latched {
                assert!(!input.too_many_trips, "{from:?} {input:?}");
            }
            if from != to && to == Latch::LockedOut {
                assert!(input.too_many_trips);
                locked += 1;
            }
        });
        assert!(locked > 0);
    }

    #[test]
    fn waiting_for_the_contactor_always_ends() {
        for (stuck_closed, wanted) in [(true, TripState::FailedToOpen), (false, TripState::Latched)]
        {
            let mut state = Latch::Closed { contradicted: None };
            for n in 0..10 {
                let seen = Seen {
                    trip: (n == 0).then_some((TripCause::Commanded, SampleIndex(0))),
                    feedback_closed: stuck_closed || n < 2,
                    may_close: true,
                    must_rest: false,
                    reset: None,
                    too_many_trips: false,
                    armed: false,
                };
                state = state.next(SampleIndex(n), &seen, &TIMES).0;
            }
            assert_eq!(state.state(), wanted);
        }
    }
}
