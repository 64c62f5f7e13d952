//! Sudden changes of the bond current: shock protection.
//!
//! What a person adds by touching a conductor is a *change*, and a change of the vector: 30 mA resistive on top of 300 mA
//! capacitive in quadrature moves the RMS by 1.5 mA. So the waveform is compared with itself, whole mains cycles ago:
//!
//! ```text
//!   d(t) = i(t) − i(t − m·T)
//! ```
//!
//! Whatever repeats with the mains (capacitive leakage, its harmonics, hum, standing DC) is not in d; a step of any
//! kind, DC, AC or pulsating, of either sign and any phase, is, with its own RMS. Normally m = 2. From the first moment d
//! stands out (pickup), m grows by one a cycle, so that the reference stays before the onset until a level's
//! hold time is over.
//!
//! T is followed on the signal itself ([`Period`]): mains wander, and 300 mA of capacitive current against a reference
//! 1 % off would look like 19 mA of change.
//!
//! Each level clips d at twice its value, the amplitude of a pulsating (half-wave) current of that RMS. All that must be
//! seen is seen whole, while the millisecond a surge leaves behind cannot pile up into a trip.
//!
//! Levels and latest times: IEC 62109-2:2011 Table 31 (memory), 30 mA in 0.3 s, 60 mA in 0.15 s, 150 mA in 0.04 s.

use crate::calibrate::MicroAmps;
use crate::memory::InPlace;
use crate::spectrum::Cycle;
use ohmward_proto::settings::SuddenLimits;
use ohmward_proto::units::{Amps, SampleIndex};

/// Samples kept: eight cycles of 45 Hz at 4 kS/s and one of head-room.
const RING: usize = 1024;
/// Samples of d kept: what leaves the sums is a cycle old, 142 samples of 45 Hz at 6.4 kS/s.
const RING_D: usize = 256;
/// Cycles back that d is taken against in quiet.
const CYCLES_BACK: u32 = 2;
/// Cycles back at most, and by when a change has either tripped or become the new normal.
const CYCLES_BACK_MAX: u32 = 7;
/// A level picks up at this percentage of its value: half of it must never trip, all of it must.
const PICKUP_PERCENT: i64 = 75;
/// The last quarter of a cycle must hold this percentage of the level too: what is over already does not trip.
const RECENT_PERCENT: i64 = 60;
/// That part of a cycle.
const RECENT_PART: usize = 4;
/// A level that has not picked up counts as begun at this part of the energy it picks up at.
const BEGUN_PART: i64 = 8;
/// Levels.
const LEVELS: usize = 3;
/// Whole part and fraction of a period share a word.
const FRACTION_BITS: u32 = 16;

/// A sudden change that has lasted long enough.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Step {
    /// Largest value of the change so far, sign kept: + out of the array conductor into earth.
    pub peak: Amps,
    /// The level it passed.
    pub level: Amps,
    /// When it was first seen.
    pub since: SampleIndex,
}

/// One level: clipped sums over a cycle and over its last quarter.
#[derive(Debug)]
struct Level {
    level: Amps,
    /// µA.
    clip: i64,
    pickup_squared: i64,
    recent_squared: i64,
    hold: u64,
    sum: i64,
    recent: i64,
    since: Option<SampleIndex>,
}

impl Level {
    fn squared(&self, d: i32) -> i64 {
        // `clamp` would bring a panic with numbers in it, and a kilobyte that prints them.
        let d = i64::from(d).max(-self.clip).min(self.clip);
        d * d
    }
}

/// The last samples of i and d.
#[derive(Debug)]
pub struct Ring<const N: usize> {
    values: [i32; N],
    next: usize,
    filled: usize,
}

/// Both.
#[derive(Debug)]
pub struct Rings {
    i: Ring<RING>,
    d: Ring<RING_D>,
}

impl Rings {
    /// Empty.
    pub const fn new() -> Self {
        Self {
            i: Ring::new(),
            d: Ring::new(),
        }
    }
}

impl<const N: usize> Ring<N> {
    const fn new() -> Self {
        Self {
            values: [0; N],
            next: 0,
            filled: 0,
        }
    }

    fn clear(&mut self) {
        self.values.fill(0);
        self.next = 0;
        self.filled = 0;
    }

    fn push(&mut self, value: i32) {
        if let Some(place) = self.values.get_mut(self.next) {
            *place = value;
        }
        self.next = (self.next + 1) % N;
        self.filled = (self.filled + 1).min(N);
    }

    /// The value `ago` samples before the newest.
    fn ago(&self, ago: usize) -> i32 {
        self.values
            .get((self.next + 2 * N - 1 - ago) % N)
            .copied()
            .unwrap_or(0)
    }

    /// Between two samples, by a straight line: 0.08 % of the amplitude off at 80 samples a cycle.
    fn between(&self, ago: u64) -> i32 {
        let whole = (ago >> FRACTION_BITS) as usize;
        let fraction = (ago & ((1 << FRACTION_BITS) - 1)) as i64;
        let (near, far) = (i64::from(self.ago(whole)), i64::from(self.ago(whole + 1)));
        (near + (((far - near) * fraction) >> FRACTION_BITS)) as i32
    }
}

/// The mains period, followed on the signal.
///
/// With e = i(t) − i(t − T) and the slope s there, e ≈ s·(T − T_true): one Gauss-Newton step a cycle.
#[derive(Debug)]
struct Period {
    /// Samples × 2^16.
    period: u64,
    shortest: u64,
    longest: u64,
    cycle: u32,
    samples: u32,
    slope_error: i64,
    slope_squared: i64,
    steady_cycles: u32,
    off_cycles: u32,
    /// The last cycle's step, to be taken after one more quiet cycle: the beginning of a fault must not pull at T.
    waiting: i64,
    /// Square of the harmless part of the lowest level, µA².
    harmless_squared: f32,
    /// The last cycle held enough mains current to follow.
    followed: bool,
}

/// Steps larger than this part of 2^16 of a sample mean that T is still being found.
const STEADY: i64 = 1 << (FRACTION_BITS - 5);
/// … unless what is to be followed is so small that being out of step by it makes less than this part of the lowest level:
/// then noise, or ripple folded down, may push T about as it likes.
const HARMLESS_PART: i64 = 12;
/// Cycles of steadiness until a reference is trusted.
const STEADY_CYCLES: u32 = 5;
/// Cycles out of step until it is no longer trusted. A fault is out of step too, and picks up long before.
const OFF_CYCLES: u32 = 10;
/// Mean square of the slope, in µA² a sample, below which there is no mains current worth following: 8 mA RMS of 50 Hz.
/// Even a reference that is wholly out of step makes no more than twice that, half of a 30 mA step.
const SLOPE_FLOOR: i64 = 600 * 600;
/// Every fourth sample tells enough: twenty places in a cycle.
const LOOK_EVERY: u32 = 4;
/// The slope is taken over this many samples to either side: noise of 1 mA is then a tenth of a milliampere a sample.
const SLOPE_REACH: u64 = 8;

impl Period {
    fn new(sample_rate_hz: u32, mains_hz: u32, lowest_ua: i64) -> Self {
        let harmless = (lowest_ua / HARMLESS_PART) as f32;
        let of = |hz: u64| (u64::from(sample_rate_hz) << FRACTION_BITS) / hz;
        Self {
            period: of(u64::from(mains_hz)),
            shortest: of(u64::from(mains_hz) + 4),
            longest: of(u64::from(mains_hz) - 4),
            cycle: (sample_rate_hz + mains_hz / 2) / mains_hz,
            samples: 0,
            slope_error: 0,
            slope_squared: 0,
            steady_cycles: 0,
            off_cycles: 0,
            waiting: 0,
            harmless_squared: harmless * harmless,
            followed: false,
        }
    }

    fn steady(&self) -> bool {
        self.steady_cycles >= STEADY_CYCLES
    }

    /// Samples that tell nothing: the next look begins when it would have begun with them.
    fn pass(&mut self, samples: u64) {
        let cycle = u64::from(self.cycle.max(1));
        self.samples = ((u64::from(self.samples) + samples) % cycle) as u32;
        self.slope_error = 0;
        self.slope_squared = 0;
    }

    fn step(&mut self, i: i32, ring: &Ring<RING>, hold: bool) {
        self.samples += 1;
        if self.samples.is_multiple_of(LOOK_EVERY) {
            let reach = SLOPE_REACH << FRACTION_BITS;
            let e = i64::from(i) - i64::from(ring.between(self.period));
            let after = i64::from(ring.between(self.period - reach));
            let before = i64::from(ring.between(self.period + reach));
            let s = (after - before) / (2 * SLOPE_REACH as i64);
            self.slope_error += e * s;
            self.slope_squared += s * s;
        }
        if self.samples < self.cycle {
            return;
        }
        let (error, squared) = (self.slope_error, self.slope_squared);
        self.samples = 0;
        self.slope_error = 0;
        self.slope_squared = 0;
        let waiting = core::mem::take(&mut self.waiting);
        if hold {
            return;
        }
        // e > 0 with a rising slope means that the reference lies too far back.
        self.period = self
            .period
            .saturating_add_signed(-waiting)
            .max(self.shortest)
            .min(self.longest);
        self.followed = squared >= SLOPE_FLOOR * i64::from(self.cycle / LOOK_EVERY);
        if !self.followed {
            // Nothing there to be out of step with.
            self.steady_cycles = self.steady_cycles.saturating_add(1);
            return;
        }
        // e·s and s² are both below 2^50 a sample; the quotient is a part of a sample.
        let wanted = (error as f32 / squared as f32 * (1 << FRACTION_BITS) as f32) as i64;
        // s·ΔT, RMS over the cycle: what a reference so far out of step adds to d for each cycle back.
        let looks = (self.cycle / LOOK_EVERY) as f32;
        let harm = error as f32 / squared as f32 * error as f32 / looks;
        if wanted.abs() <= STEADY || harm <= self.harmless_squared {
            self.steady_cycles = self.steady_cycles.saturating_add(1);
            self.off_cycles = 0;
        } else {
            self.off_cycles += 1;
            if !self.steady() || self.off_cycles >= OFF_CYCLES {
                self.steady_cycles = 0;
            }
        }
        // Half a step a cycle; small ones once steady, unless so little flows that large ones do no harm.
        let much = squared >= 4 * SLOPE_FLOOR * i64::from(self.cycle / LOOK_EVERY);
        let most = if self.steady() && much {
            STEADY / 2
        } else {
            1 << FRACTION_BITS
        };
        self.waiting = (wanted / 2).max(-most).min(most);
    }
}

/// Finds sudden changes.
#[derive(Debug)]
pub struct Sudden {
    enabled: bool,
    rings: InPlace<Rings>,
    period: Period,
    cycle: usize,
    recent: usize,
    levels: [Level; LEVELS],
    /// The lowest level has picked up since then.
    picked_up: Option<SampleIndex>,
    /// Nothing is looked at before this moment: the board itself has just switched something.
    blank_until: SampleIndex,
}

impl Sudden {
    pub fn new(
        limits: &SuddenLimits,
        sample_rate_hz: u32,
        mains_hz: u32,
        rings: InPlace<Rings>,
    ) -> Self {
        let cycle = samples_in_a_cycle(sample_rate_hz, mains_hz);
        Self {
            enabled: limits.enabled,
            rings,
            period: period(limits, sample_rate_hz, mains_hz),
            cycle,
            recent: cycle / RECENT_PART,
            levels: levels(limits, sample_rate_hz, cycle),
            picked_up: None,
            blank_until: SampleIndex(0),
        }
    }

    /// Other limits: everything begins afresh.
    pub fn begin(&mut self, limits: &SuddenLimits, sample_rate_hz: u32, mains_hz: u32) {
        let cycle = samples_in_a_cycle(sample_rate_hz, mains_hz);
        self.enabled = limits.enabled;
        self.rings.i.clear();
        self.rings.d.clear();
        self.period = period(limits, sample_rate_hz, mains_hz);
        self.cycle = cycle;
        self.recent = cycle / RECENT_PART;
        self.levels = levels(limits, sample_rate_hz, cycle);
        self.picked_up = None;
        self.blank_until = SampleIndex(0);
    }

    /// A change is being timed.
    pub fn busy(&self) -> bool {
        self.picked_up.is_some()
    }

    /// The period is known, or there is nothing to follow: a change would be seen as soon as samples are there to compare.
    pub fn watches(&self) -> bool {
        let in_step = self.period.off_cycles == 0 || !self.period.followed;
        !self.enabled || (self.period.steady() && in_step)
    }

    /// The waveform is compared with itself now, and what began up to two cycles ago would be followed to its end: its reference
    /// is a cycle further back, and goes on from there.
    pub fn compares(&self) -> bool {
        !self.blind() && self.rings.i.filled >= self.two_cycles() / 2 * 5
    }

    /// A change would not be seen now: samples or a reference to be trusted are missing.
    pub fn blind(&self) -> bool {
        self.enabled && self.rings.d.filled == 0
    }

    /// No change is being timed, and what flows now can be remembered.
    pub fn may_look_away(&self) -> bool {
        !self.enabled || (!self.busy() && self.rings.i.filled >= self.two_cycles())
    }

    /// Samples until [`Self::compares`] could begin at the soonest.
    pub fn soonest_compare(&self) -> u64 {
        let period = &self.period;
        // The period may still become shorter.
        let filling = (5 * period.shortest) >> FRACTION_BITS;
        let filling = filling.saturating_sub(self.rings.i.filled as u64);
        let cycles = STEADY_CYCLES.saturating_sub(period.steady_cycles);
        u64::from(cycles * period.cycle)
            .saturating_sub(u64::from(period.samples))
            .max(filling)
    }

    /// Samples until it could trip at the soonest. A level counts once what stands out of the waveform has an eighth of the
    /// energy at which it picks up, a third of the current: less is noise and what the sun does.
    pub fn soonest(&self, now: SampleIndex) -> u64 {
        if !self.enabled {
            return u64::MAX;
        }
        let blank = self.blank_until.0.saturating_sub(now.0);
        let of = |level: &Level| {
            let missing = level.pickup_squared + 1 - level.sum;
            // Each sample adds what is clipped at most.
            let most = (level.clip * level.clip).max(1);
            let rise = || (missing.max(1) as u64).div_ceil(most as u64);
            match level.since {
                Some(since) => (since.0 + level.hold).saturating_sub(now.0).max(1),
                None if level.sum > level.pickup_squared / BEGUN_PART => rise() + level.hold,
                None => u64::MAX,
            }
        };
        let soonest = self.levels.iter().map(of).min();
        soonest.unwrap_or(u64::MAX).max(blank)
    }

    /// Samples until [`Self::dc_and_ac`] could know two cycles at the soonest.
    pub fn soonest_cycles(&self, now: SampleIndex) -> u64 {
        let blank = self.blank_until.0.saturating_sub(now.0);
        let two = (2 * self.period.shortest) >> FRACTION_BITS;
        two.saturating_sub(self.rings.i.filled as u64).max(blank)
    }

    /// DC, and the RMS of all else, over the last two cycles of the mains as they are followed; none before there are two.
    pub fn dc_and_ac(&self) -> Option<(i32, i32)> {
        let samples = self.two_cycles();
        if samples == 0 || self.rings.i.filled < samples {
            return None;
        }
        let (mut sum, mut squares) = (0_i64, 0_i64);
        for ago in 0..samples {
            let i = i64::from(self.rings.i.ago(ago));
            sum += i;
            squares += i * i;
        }
        let n = samples as i64;
        let dc = sum / n;
        let ac = (squares / n - dc * dc).max(0).isqrt();
        Some((dc as i32, ac as i32))
    }

    /// Samples in two cycles.
    fn two_cycles(&self) -> usize {
        ((2 * self.period.period + (1 << (FRACTION_BITS - 1))) >> FRACTION_BITS) as usize
    }

    /// The current a mains cycle before the sample to come, as far as it has been followed.
    pub fn a_cycle_ago(&self) -> Option<MicroAmps> {
        let ago = self.period.period.saturating_sub(1 << FRACTION_BITS);
        let known =
            self.period.steady() && self.rings.i.filled > (ago >> FRACTION_BITS) as usize + 2;
        known.then(|| MicroAmps(self.rings.i.between(ago)))
    }

    /// The mains period in samples, and whether it was found on the signal.
    pub fn cycle(&self) -> Cycle {
        Cycle {
            samples: self.period.period as f32 / (1u32 << FRACTION_BITS) as f32,
            found: self.period.followed && self.period.steady(),
        }
    }

    /// So many samples are missing: starts to fill afresh. The period stays, and so does the beat in which it is looked at.
    pub fn break_off(&mut self, missing: u64) {
        self.rings.i.filled = 0;
        self.period.pass(missing);
        self.forget();
    }

    /// The board has switched bridge, bond or contactor: whatever changes until `until` is its own doing.
    pub fn blank(&mut self, until: SampleIndex) {
        self.blank_until = self.blank_until.max(until);
        self.rings.i.filled = 0;
        // What flows afterwards may be a current that was not there before, of a frequency that nobody has followed yet.
        self.period.steady_cycles = 0;
        self.forget();
    }

    fn forget(&mut self) {
        self.rings.d.filled = 0;
        self.picked_up = None;
        for level in &mut self.levels {
            level.sum = 0;
            level.recent = 0;
            level.since = None;
        }
    }

    /// One sample, surges held out already.
    pub fn step(&mut self, now: SampleIndex, i: MicroAmps) -> Option<Step> {
        if !self.enabled || now < self.blank_until {
            return None;
        }
        self.rings.i.push(i.0);
        let longest = (self.period.longest >> FRACTION_BITS) as usize + SLOPE_REACH as usize + 2;
        if self.rings.i.filled <= longest {
            self.period.pass(1);
            return None;
        }
        self.period
            .step(i.0, &self.rings.i, self.picked_up.is_some());
        let back = self.cycles_back(now);
        let ago = self.period.period * u64::from(back);
        if self.rings.i.filled <= (ago >> FRACTION_BITS) as usize + 2 || !self.period.steady() {
            // No reference to trust: d begins when there is one.
            if self.rings.d.filled > 0 {
                self.forget();
            }
            return None;
        }
        let d = i.0.saturating_sub(self.rings.i.between(ago));
        self.take(d);
        self.judge(now)
    }

    fn cycles_back(&self, now: SampleIndex) -> u32 {
        match self.picked_up {
            None => CYCLES_BACK,
            Some(since) => {
                let cycles = (now.since(since) << FRACTION_BITS) / self.period.period.max(1);
                CYCLES_BACK + 1 + cycles as u32
            }
        }
    }

    /// Puts d into the sums of every level.
    fn take(&mut self, d: i32) {
        let leaving = if self.rings.d.filled >= self.cycle {
            self.rings.d.ago(self.cycle - 1)
        } else {
            0
        };
        let aging = if self.rings.d.filled >= self.recent {
            self.rings.d.ago(self.recent - 1)
        } else {
            0
        };
        for level in &mut self.levels {
            let square = level.squared(d);
            level.sum += square - level.squared(leaving);
            level.recent += square - level.squared(aging);
        }
        self.rings.d.push(d);
    }

    fn judge(&mut self, now: SampleIndex) -> Option<Step> {
        let mut tripped = None;
        let mut lowest = false;
        for (n, level) in self.levels.iter_mut().enumerate() {
            let above = level.sum > level.pickup_squared;
            lowest |= above && n == 0;
            if !above {
                level.since = None;
                continue;
            }
            let since = *level.since.get_or_insert(now);
            if now.since(since) >= level.hold && level.recent > level.recent_squared {
                tripped = Some((level.level, since));
            }
        }
        match (self.picked_up, lowest) {
            (None, true) => self.picked_up = Some(now),
            // Over, or it has become the new normal: either way the next change is compared with now.
            (Some(_), false) => self.picked_up = None,
            (Some(_), true) if self.cycles_back(now) > CYCLES_BACK_MAX => {
                self.rings.i.filled = 0;
                self.forget();
            }
            (None, false) | (Some(_), true) => {}
        }
        tripped.map(|(level, since)| Step {
            peak: self.peak(),
            level,
            since,
        })
    }

    /// Largest value of the change within the last cycle, unclipped. A mean or an RMS would come out too small: at a
    /// quick trip most of the cycle lies before the onset.
    fn peak(&self) -> Amps {
        let largest = (0..self.cycle.min(self.rings.d.filled))
            .map(|n| self.rings.d.ago(n))
            .max_by_key(|d| d.saturating_abs());
        MicroAmps(largest.unwrap_or(0)).amps()
    }
}

fn samples_in_a_cycle(sample_rate_hz: u32, mains_hz: u32) -> usize {
    ((sample_rate_hz + mains_hz / 2) / mains_hz).max(8) as usize
}

fn period(limits: &SuddenLimits, sample_rate_hz: u32, mains_hz: u32) -> Period {
    let lowest = i64::from(MicroAmps::from_amps(limits.low.above).0);
    Period::new(sample_rate_hz, mains_hz, lowest)
}

fn levels(limits: &SuddenLimits, sample_rate_hz: u32, cycle: usize) -> [Level; LEVELS] {
    [&limits.low, &limits.middle, &limits.high].map(|limit| {
        let ua = i64::from(MicroAmps::from_amps(limit.above).0);
        let part = |percent: i64, samples: usize| {
            let level = ua * percent / 100;
            level * level * samples as i64
        };
        Level {
            level: limit.above,
            clip: 2 * ua,
            pickup_squared: part(PICKUP_PERCENT, cycle),
            recent_squared: part(RECENT_PERCENT, cycle / RECENT_PART),
            hold: u64::from(limit.hold_ms) * u64::from(sample_rate_hz) / 1000,
            sum: 0,
            recent: 0,
            since: None,
        }
    })
}
