//! Watches the insulation: begins measurements when they are due, judges what they find, and remembers.
//!
//! Three judgements, on purpose not two: *low* (told apart from noise and below the trip level), *good* (at or above it, or a
//! bound above it) and neither. Only good lets the array connect or a trip be reset; only low, as often as confirmation
//! asks, or poles that cannot be read again and again, trips.

use super::background::Learnt;
use super::schedule::{Due, Schedule};
use super::sequence::{Pace, Progress, Sequence, Setup, Stays, WindowSums};
use crate::insulation::fit::BridgeState;
use crate::memory::InPlace;
use ohmward_proto::event::{EventKind, ResetRefusal, TripCause};
use ohmward_proto::measure::{
    Dwell, FaultPlace, Insulation, NotMeasured, PoleLeakage, Resistance, TripState, WhyNoPlace,
};
use ohmward_proto::settings::{Bridge, InsulationCheck, InsulationLimits};
use ohmward_proto::units::SampleIndex;

/// A warning goes away only this far above its level, so that a morning's dew makes one event, not ten.
const WARNING_HYSTERESIS: f32 = 1.2;

/// Longest bridge state while a bonded array is connected, in ms: three of them, the bond's opening, and 50 ms to weigh what was
/// seen in each of two rounds stay below two seconds without a look at the bond current.
const CONNECTED_STATE_MS: u32 = 600;

/// An array this many times above its warning level is healthy enough to learn its background from.
const HEALTHY: f32 = 3.0;
/// Good, and fit for a reset, is only what stands with all its uncertainty (three standard deviations) above this part of the
/// level.
const SURELY_PART: f32 = 0.8;

/// What is told of the place of a fault.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Placed {
    /// Nothing yet.
    No,
    /// That it cannot be told under load.
    UnderLoad,
    /// All that can be.
    Done,
}

/// What one sample brought about.
#[derive(Debug, Default)]
pub struct Watched {
    /// What demands a trip.
    pub trip: Option<TripCause>,
    /// What is worth noting.
    pub events: heapless::Vec<EventKind, 3>,
    /// A measurement is due and waits for the board to be ready.
    pub waiting: bool,
}

/// The pole voltages as the watch needs them.
#[derive(Clone, Copy, Debug)]
pub struct Poles {
    /// Sums of the whole-cycle windows.
    pub sums: WindowSums,
    /// Array voltage in mV; `None` while the windows fill, and between two looks.
    pub v_mv: Option<i64>,
    /// The board has nothing to do first.
    pub ready: bool,
    /// This sample has time for a piece of arithmetic: nothing else that is long falls into it.
    pub room: bool,
}

/// Insulation, as last measured, and what to do about it next.
#[derive(Debug)]
pub struct Watch {
    limits: InsulationLimits,
    check: InsulationCheck,
    v_min_mv: i64,
    bond: bool,
    /// Samples in a bridge state at most while connected with a bond.
    connected_state_max: u32,
    sequence: Sequence,
    schedule: Schedule,
    insulation: Insulation,
    /// Measurements below the trip level in a row.
    low: u8,
    /// Measurements in a row that found poles that cannot be moved or do not repeat.
    unreadable: u8,
    /// Why it was not measured, as last told: told again only after a good measurement.
    told: Option<NotMeasured>,
    warning: bool,
    rate: u64,
    bridge: Bridge,
    learnt: Learnt,
    placed: Placed,
    /// Of the last completed measurement, until it is told.
    dwell: Option<Dwell>,
}

impl Watch {
    pub fn new(
        setup: Setup,
        limits: InsulationLimits,
        check: InsulationCheck,
        stays: InPlace<Stays>,
    ) -> Self {
        Self {
            limits,
            check,
            v_min_mv: setup.v_min_mv,
            bond: setup.bond,
            connected_state_max: setup.sample_rate_hz / 1000 * CONNECTED_STATE_MS,
            schedule: Schedule::new(setup.sample_rate_hz),
            sequence: Sequence::placed(setup, stays),
            insulation: Insulation::NotMeasured {
                why: NotMeasured::NeverYet,
                since: SampleIndex(0),
            },
            low: 0,
            unreadable: 0,
            told: None,
            warning: false,
            rate: u64::from(setup.sample_rate_hz),
            bridge: setup.bridge,
            learnt: Learnt::default(),
            placed: Placed::No,
            dwell: None,
        }
    }

    /// New settings; what was measured stays, a measurement under way is forgotten.
    pub fn apply(&mut self, setup: Setup, limits: InsulationLimits, check: InsulationCheck) {
        if self.limits != limits || self.bond != setup.bond {
            self.schedule.renew();
        }
        self.limits = limits;
        self.check = check;
        self.v_min_mv = setup.v_min_mv;
        self.bond = setup.bond;
        self.sequence.set_up(setup);
    }

    /// As last measured.
    pub fn insulation(&self) -> Insulation {
        self.insulation
    }

    /// How long the last completed measurement dwelt; once.
    pub fn take_dwell(&mut self) -> Option<Dwell> {
        self.dwell.take()
    }

    /// A measurement is under way; the bond has to be open.
    pub fn measuring(&self) -> bool {
        self.sequence.busy()
    }

    /// Samples until what is being measured could trip at the soonest.
    pub fn soonest(&self) -> u64 {
        self.sequence.soonest_end()
    }

    /// The extra bridge conductance that should be switched on now.
    pub fn bridge(&self) -> Option<BridgeState> {
        self.sequence.bridge()
    }

    /// Insulation is below its warning level.
    pub fn warning(&self) -> bool {
        self.warning
    }

    /// Light, insulation and settings allow to connect.
    pub fn may_close(&self, now: SampleIndex) -> bool {
        self.schedule.may_close(now, &self.check) && !self.sequence.busy()
    }

    /// It has been dark long enough to disconnect.
    pub fn must_rest(&self, now: SampleIndex) -> bool {
        self.schedule.must_rest(now)
    }

    /// The trip logic entered another state.
    pub fn entered(&mut self, now: SampleIndex, state: TripState) {
        self.schedule.entered(now, state);
    }

    /// Asks for a measurement; whether this state allows one.
    pub fn ask(&mut self, now: SampleIndex, state: TripState) -> bool {
        self.schedule.ask(now, state)
    }

    /// The next moment at which something is due by itself.
    pub fn next(&self, state: TripState) -> SampleIndex {
        self.schedule.next(state, &self.check)
    }

    /// What insulation says to a reset of a trip at `tripped_at`: an older measurement says nothing.
    pub fn for_reset(&self, tripped_at: SampleIndex) -> Result<(), ResetRefusal> {
        match self.insulation {
            Insulation::Measured { leakage, at } if at > tripped_at => {
                let above = self.limits.reset_above.0;
                if leakage.r_iso().bound().0 > above && leakage.r_least().0 >= SURELY_PART * above {
                    Ok(())
                } else {
                    Err(ResetRefusal::InsulationLow)
                }
            }
            Insulation::Measured { .. } | Insulation::NotMeasured { .. } => {
                Err(ResetRefusal::InsulationNotMeasured)
            }
        }
    }

    /// One sample.
    pub fn step(&mut self, now: SampleIndex, poles: &Poles, state: TripState) -> Watched {
        let mut watched = Watched::default();
        if let Some(v_mv) = poles.v_mv
            && !self.sequence.busy()
            && self.schedule.light(now, v_mv, self.v_min_mv)
        {
            self.night(now);
        }
        match self.schedule.due(now, state, &self.check) {
            Due::Measure if !self.sequence.busy() && poles.ready => {
                self.sequence.begin(self.pace(state));
            }
            Due::Measure => watched.waiting = !self.sequence.busy(),
            Due::Never if self.sequence.busy() => {
                self.sequence.stop();
                self.failed(now, state, NotMeasured::Interrupted, &mut watched);
                return watched;
            }
            Due::Never | Due::Wait => {}
        }
        match self.sequence.step(poles.sums, poles.room) {
            Progress::Done(Ok(leakage)) => self.judge(now, state, leakage, &mut watched),
            Progress::Done(Err(why)) => self.failed(now, state, why, &mut watched),
            Progress::Idle | Progress::Busy => {}
        }
        watched
    }

    /// While the array feeds its load with the bond open, the bond current is not watched: that stays short.
    fn pace(&self, state: TripState) -> Pace {
        if state == TripState::Closed && self.bond {
            Pace::Short {
                stay_max: self.connected_state_max,
            }
        } else {
            Pace::Full
        }
    }

    /// Samples are missing, or a pole's sensor is: a measurement under way is worth nothing.
    pub fn break_off(&mut self, now: SampleIndex, state: TripState, why: NotMeasured) -> Watched {
        let mut watched = Watched::default();
        if self.sequence.busy() {
            self.sequence.stop();
            self.failed(now, state, why, &mut watched);
        }
        watched
    }

    fn night(&mut self, now: SampleIndex) {
        self.insulation = Insulation::NotMeasured {
            why: NotMeasured::ArrayDark,
            since: now,
        };
        self.low = 0;
        self.unreadable = 0;
    }

    fn failed(
        &mut self,
        now: SampleIndex,
        state: TripState,
        why: NotMeasured,
        watched: &mut Watched,
    ) {
        let repeated =
            matches!(self.insulation, Insulation::NotMeasured { why: before, .. } if before == why);
        if !repeated {
            self.insulation = Insulation::NotMeasured { why, since: now };
        }
        // Night falls every evening; that is no news.
        if why != NotMeasured::ArrayDark && self.told != Some(why) {
            self.told = Some(why);
            let _ = watched.events.push(EventKind::InsulationNotMeasured(why));
        }
        self.schedule.measured(now, state, false, true);
        // Poles that the bridge cannot move, that never read the same twice, or too unsurely with all the time there is, and a
        // bridge that contradicts itself are no ground to carry on.
        if matches!(
            why,
            NotMeasured::BridgeUnmoved
                | NotMeasured::BridgeWrong
                | NotMeasured::FaultMoved
                | NotMeasured::NotSettled
        ) {
            self.unreadable = self.unreadable.saturating_add(1);
            if self.unreadable > self.limits.confirm {
                watched.trip = Some(TripCause::InsulationUnreadable { why });
            }
        }
    }

    fn judge(
        &mut self,
        now: SampleIndex,
        state: TripState,
        leakage: PoleLeakage,
        watched: &mut Watched,
    ) {
        self.insulation = Insulation::Measured { leakage, at: now };
        self.dwell = Some(self.sequence.dwelt(&leakage, now));
        let limits = self.limits;
        let r = leakage.r_iso();
        let pole = leakage.weaker_pole();
        let below = |level: f32| matches!(r, Resistance::Is(r) if r.0 < level);
        let low = below(limits.trip_below.0);
        let trip_below = limits.trip_below.0;
        let good = r.bound().0 >= trip_below && leakage.r_least().0 >= SURELY_PART * trip_below;
        self.schedule.measured(now, state, good, !good);
        if good {
            self.told = None;
        }
        // Neither low nor good: too uncertain to say anything. Again and again, that is no ground to carry on either.
        self.unreadable = if low || good {
            0
        } else {
            self.unreadable.saturating_add(1)
        };
        if self.unreadable > limits.confirm {
            watched.trip = Some(TripCause::InsulationUnreadable {
                why: NotMeasured::NotSettled,
            });
        }
        // Three places: a warning and its end exclude each other.
        if below(limits.warn_below.0) && !self.warning {
            self.warning = true;
            self.placed = Placed::No;
            let _ = watched
                .events
                .push(EventKind::InsulationWarning { r: r.bound(), pole });
        }
        if self.warning && r.bound().0 > limits.warn_below.0 * WARNING_HYSTERESIS {
            self.warning = false;
            let _ = watched
                .events
                .push(EventKind::InsulationRecovered { r: r.bound() });
        }
        // Neither low nor good makes up for nothing.
        self.low = match (low, good) {
            (true, _) => self.low.saturating_add(1),
            (false, true) => 0,
            (false, false) => self.low,
        };
        // Once, however often it is confirmed afterwards: the fault that trips need not be the one that warned.
        if low && self.low == limits.confirm && self.placed == Placed::Done {
            self.placed = Placed::No;
        }
        self.place(now, state, &leakage, &mut watched.events);
        if low && self.low >= limits.confirm {
            watched.trip = Some(TripCause::InsulationLow {
                r: r.bound(),
                limit: limits.trip_below,
                pole,
            });
        }
    }

    /// Learns from a healthy array, tells the place of a fault. Only an open circuit shares its voltage evenly.
    fn place(
        &mut self,
        now: SampleIndex,
        state: TripState,
        leakage: &PoleLeakage,
        events: &mut heapless::Vec<EventKind, 3>,
    ) {
        let loaded = state == TripState::Closed;
        let r = leakage.r_iso().bound();
        if !self.warning {
            if !loaded && leakage.r_least().0 >= HEALTHY * self.limits.warn_below.0 {
                self.learnt.learn(now, self.rate, leakage);
            }
            return;
        }
        let (place, placed) = if loaded {
            (
                FaultPlace::CannotTell(WhyNoPlace::UnderLoad),
                Placed::UnderLoad,
            )
        } else {
            (
                FaultPlace::of(leakage, self.learnt.background(), &self.bridge),
                Placed::Done,
            )
        };
        if self.placed != Placed::Done && self.placed != placed {
            self.placed = placed;
            let _ = events.push(EventKind::FaultPlaced { place, r });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::insulation::sequence::NO_STAYS;
    use ohmward_proto::settings::{Calibration, Settings};
    use ohmward_proto::units::Siemens;

    /// 25 kΩ told clearly (low), and 33 kΩ with a sixth of it unsure (three sixths on top: 22 kΩ, below four fifths of 30 kΩ,
    /// so neither low nor good), in turn: this is no array to carry on with.
    #[test]
    fn low_and_neither_in_turn_trip() {
        let settings = Settings::SMALL_BONDED;
        let setup = Setup {
            bridge: Calibration::REFERENCE.bridge,
            sample_rate_hz: 4000,
            window: 80,
            bond: true,
            state_max: 20_000,
            v_min_mv: 30_000,
        };
        let mut watch = Watch::new(setup, settings.insulation, settings.check, NO_STAYS);
        let mut watched = Watched::default();
        for n in 0..4u16 {
            let (g, sigma) = if n % 2 == 0 {
                (1.0 / 25e3, 1e-7)
            } else {
                (1.0 / 33e3, 1.0 / 33e3 / 6.0)
            };
            let leakage = PoleLeakage {
                g_pos: Siemens(g),
                g_sigma: Siemens(sigma),
                ..PoleLeakage::default()
            };
            let now = SampleIndex(u64::from(n) * 400_000);
            watched = Watched::default();
            watch.judge(now, TripState::Closed, leakage, &mut watched);
            if watched.trip.is_some() {
                break;
            }
        }
        assert!(
            matches!(watched.trip, Some(TripCause::InsulationLow { .. })),
            "{watched:?}"
        );
    }
}
