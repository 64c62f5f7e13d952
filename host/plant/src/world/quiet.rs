//! What may be skipped: whether the world stands still, how long, and what stands at the sensors meanwhile.

use super::{Entered, World, WorldError};
use crate::sensors::{Seen, WindowDrawn, stream};
use crate::transient::{Regime, Transient};
use ohmward_proto::SampleIndex;

/// Purpose of a random stream: windows drawn at once.
const DRAWN: u64 = 201;

/// What stands at the sensors, everything at rest.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct AtRest {
    /// Bond current, A.
    pub i_bond_a: f64,
    /// Positive conductor to earth, V.
    pub v_pos: f64,
    /// Negative conductor to earth, V.
    pub v_neg: f64,
}

impl AtRest {
    fn of(regime: &Regime) -> Self {
        let (v_pos, v_neg) = regime.poles_v();
        Self {
            i_bond_a: regime.i_bond_a(),
            v_pos,
            v_neg,
        }
    }
}

impl World {
    /// Samples since anything outside or a contact changed: what averages over a window has seen it only after that long.
    pub fn unchanged_for(&self) -> u64 {
        self.now.since(self.changed)
    }

    /// The next scheduled change that is not the weather's.
    pub fn next_event(&self) -> SampleIndex {
        self.next_event
    }

    /// With the switches left as they were in the last step, nothing but noise and hum changes before
    /// [`next_change`](Self::next_change).
    pub fn settled(&self) -> bool {
        self.now < self.next_change()
            && !self.contactor.moving()
            && self.surging.is_empty()
            && self.transient.settled()
            && !self.stale
            && self.front_end.settled(self.transient.regime().i_bond_a())
    }

    /// Jumps over quiet time with the switches of the last step held. Noise belongs to the sample: it is the same after a jump
    /// as without.
    ///
    /// # Panics
    /// If the world is not [`settled`](Self::settled) or `at` lies beyond [`next_change`](Self::next_change): the
    /// caller's mistake.
    pub fn skip_to(&mut self, at: SampleIndex) {
        if at <= self.now {
            return;
        }
        assert!(self.settled(), "skip_to needs a settled world");
        assert!(
            at <= self.next_change(),
            "skip_to must not pass next_change"
        );
        self.transient.skip(at.since(self.now));
        self.carry_steadily(at);
        self.front_end.rest(self.transient.regime().i_bond_a());
        self.front_end.seek(at.0);
        self.now = at;
    }

    /// What stands at the sensors once everything is at rest, in the present weather.
    pub fn at_rest(&self) -> AtRest {
        AtRest::of(self.transient.regime())
    }

    /// Windows can be [drawn](Self::draw_window): there is no converter's noise in the bond current, and the fuse does not
    /// melt at it.
    pub fn drawable(&self) -> bool {
        let noise = self.noise.is_some();
        !noise && !self.melts_at(self.transient.regime().i_bond_a())
    }

    fn melts_at(&self, i_bond_a: f64) -> bool {
        self.fuse
            .is_some_and(|fuse| fuse.melts_after_s(i_bond_a * i_bond_a).is_some())
    }

    /// Goes from one tick of the weather to the next with the switches of the last step held, if it stays
    /// [`drawable`](Self::drawable) and `allow` agrees with what will then be [`at_rest`](Self::at_rest). Otherwise nothing
    /// has changed, and the answer is false.
    ///
    /// # Errors
    /// [`WorldError::Circuit`].
    ///
    /// # Panics
    /// If the world is not [`settled`](Self::settled), or something else is due before or with the tick.
    pub fn pass_tick(&mut self, allow: impl FnOnce(&AtRest) -> bool) -> Result<bool, WorldError> {
        assert!(self.settled(), "pass_tick needs a settled world");
        assert!(
            self.next_tick < self.next_event,
            "pass_tick must not pass an event"
        );
        let (now, sky, aged) = (self.now, self.sky, self.aged);
        // Water in a connector moves with the tick.
        let faults = self.faults.clone();
        self.now = self.next_tick;
        self.change();
        let next = if self.stale {
            self.regime_for(self.contacts)?
        } else {
            Entered {
                target: self.transient.target().clone(),
                noise: self.noise,
            }
        };
        let at_rest = AtRest::of(&next.target.regime);
        let drawable = next.noise.is_none() && !self.melts_at(at_rest.i_bond_a);
        if drawable && allow(&at_rest) {
            let tick = std::mem::replace(&mut self.now, now);
            self.carry_steadily(tick);
            self.now = tick;
            self.transient = Transient::at(next.target, 1.0 / f64::from(self.sample_rate_hz));
            self.noise = None;
            self.stale = false;
            self.front_end.rest(at_rest.i_bond_a);
            self.front_end.seek(self.now.0);
            return Ok(true);
        }
        self.ahead = Some(self.sky);
        (self.now, self.sky, self.aged) = (now, sky, aged);
        self.faults = faults;
        self.next_tick = SampleIndex(self.next_tick.0 - self.tick_samples);
        self.array.set_age(aged);
        self.array.set_conditions(sky.conditions);
        self.change();
        self.known = Default::default();
        self.stale = false;
        Ok(false)
    }

    /// A window of so many samples up to the present one, while the world stands still: drawn, not sampled.
    pub fn draw_window(&self, at: SampleIndex, seen: &AtRest, samples: usize) -> WindowDrawn {
        let seen = Seen {
            i_a: seen.i_bond_a,
            v_pos: seen.v_pos,
            v_neg: seen.v_neg,
        };
        let mut rng = stream(self.seed, DRAWN, at.0);
        self.front_end
            .draw_window(&seen, !self.contacts.bond_open, samples, &mut rng)
    }

    /// Whether both poles are so far from the rails of their channels that no noise takes them there.
    pub fn poles_in_range(&self, seen: &AtRest) -> bool {
        self.front_end.poles_in_range(&Seen {
            i_a: seen.i_bond_a,
            v_pos: seen.v_pos,
            v_neg: seen.v_neg,
        })
    }
}
