//! One insulation measurement: bond open, then rounds of bridge states, each round longer than the last.
//!
//! ```text
//!   begin → BondOpening → A → B → A ─ not sure enough ─→ B → A → B ─ … ─→ "not measured", and why
//!                                 └── sure enough ─→ rest ─ bridge agrees with itself ─→ leakage
//! ```
//!
//! Three stays are weighed piece by piece while the bridge rests: a sample must not wait for the whole of the arithmetic.
//! That takes 50 ms after the third stay, and as long again after the rest; in a hurry the bridge rests meanwhile too.
//!
//! A round ends the measurement as soon as its uncertainty allows: a quiet array of a microfarad is through in a second and
//! a half, a large or restless one gets what the settings allow. Nothing is kept from a round that was not sure enough.
//!
//! The third stay repeats the first for what may change meanwhile: a fault that arrives between A and B makes a pair that
//! is consistent with a far better insulation. First and second pair must agree, and no row may stand out, the last few
//! milliseconds included, or nothing is said. The last stay is without extra bridge: the bridge's resistors must read
//! their own ratio. In a hurry (a connected array whose bond is open) it is left out.

use super::fit::{BridgeState, ROWS_MAX, Row, Stay};
use crate::memory::InPlace;
use ohmward_proto::measure::{Dwell, NotMeasured, PoleLeakage};
use ohmward_proto::settings::Bridge;
use ohmward_proto::units::SampleIndex;
use weigh::{Tried, Verdict, Work};

mod weigh;

/// Time for the bond switch to open and its bounce to end, in ms.
const BOND_OPEN_MS: u32 = 60;
/// Fewest rows in a stay: enough for the fit to know its own uncertainty.
const ROWS_MIN: u32 = 8;
/// Fewest rows in a hurry.
const ROWS_MIN_SHORT: u32 = 6;
/// Shortest stretch of one row, in ms.
const ROW_MS: u32 = 20;
/// Stay of the first round, in ms.
const FIRST_MS: u32 = 250;
/// Each round is this many times as long as the one before.
const LONGER: u32 = 3;
/// Array voltage may move by one part in so many during a round. The balance holds at every instant, so a moving array
/// costs accuracy only through unequal capacitance of the poles.
const ARRAY_MOVED_PER: i64 = 20;

/// Pieces of arithmetic in a millisecond: one for each sample at the usual rate, more of them where samples come slower.
const PIECES_A_MS: u32 = 4;

/// Poles count as come to rest after so many time constants: 0.7 % of the way is left then.
const AT_REST_TIME_CONSTANTS: f32 = 5.0;

/// What a measurement needs to know.
#[derive(Clone, Copy, Debug)]
pub struct Setup {
    /// The measuring bridge.
    pub bridge: Bridge,
    /// Samples per second.
    pub sample_rate_hz: u32,
    /// Samples in a whole-cycle window.
    pub window: u32,
    /// The bond has to open first.
    pub bond: bool,
    /// Longest time in one state, in samples.
    pub state_max: u32,
    /// Smallest array voltage to measure with, in mV.
    pub v_min_mv: i64,
}

/// How much time there is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Pace {
    /// As long as the settings allow, and the bridge is checked too.
    Full,
    /// Three stays of no more than this many samples in all rounds together.
    Short {
        /// Samples for a stay.
        stay_max: u32,
    },
}

/// Sums of the whole-cycle windows after one sample, in mV × window.
#[derive(Clone, Copy, Debug)]
pub struct WindowSums {
    /// Positive conductor to earth.
    pub v_pos: i64,
    /// Negative conductor to earth.
    pub v_neg: i64,
}

/// Where a measurement stands after a sample.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Progress {
    /// Nothing is being measured.
    Idle,
    /// Under way.
    Busy,
    /// Ended with a result; the sequence is idle again.
    Done(Result<PoleLeakage, NotMeasured>),
}

#[derive(Debug)]
enum Step {
    Idle,
    BondOpening {
        samples: u32,
    },
    Stay(Gather),
    /// All stays are there; what they say is being worked out.
    Weigh,
}

/// Stays of a round: three, and the rest.
const STAYS: usize = 4;
/// Their memory.
pub type Stays = [Stay; STAYS];
/// None of them.
pub const NO_STAYS: Stays = [const { Stay::none() }; STAYS];

/// A row of the present stay as it comes.
#[derive(Debug, Default)]
struct Gather {
    samples: u32,
    /// Sums over the current short row, half weight on both ends (trapezoid).
    pos: i64,
    neg: i64,
    row_samples: u32,
    start: Option<WindowSums>,
    /// The current row: short rows so far.
    row: Row,
    shorts: u32,
}

/// Length of the stays of a round.
#[derive(Clone, Copy, Debug)]
struct Round {
    /// Samples in a stay, as planned.
    samples: u32,
    /// Short rows in a row of the fit.
    shorts: u32,
    /// Rows in a stay.
    rows: u32,
    /// The state that comes twice.
    twice: BridgeState,
    /// No longer one comes after it.
    last: bool,
}

/// A measurement under way, or none.
#[derive(Debug)]
pub struct Sequence {
    setup: Setup,
    pace: Pace,
    step: Step,
    round: Round,
    /// Of this round; the last one is under way.
    stays: InPlace<Stays>,
    /// So many of them.
    begun: usize,
    work: Work,
    /// Of this round: as far as they are made, and whether the stays tell.
    fits: [Tried; 3],
    verdict: Option<Verdict>,
    /// Pieces of arithmetic in a sample.
    pieces: u32,
    /// From mV × window to half a V, and a sample in s.
    half_to_volts: f64,
    dt: f64,
    /// Length of a short row, s.
    last_s: f64,
    /// Length of a row of this round, s.
    row_s: f64,
    /// The bridge disagreed with itself in the round before.
    suspect: bool,
    /// It could not be told.
    unclear: bool,
    /// Least and greatest array voltage seen in this round, in mV × window.
    v_span: Option<(i64, i64)>,
}

impl Sequence {
    /// Idle, for this set-up; its stays within.
    #[cfg(not(target_os = "none"))]
    pub fn new(setup: Setup) -> Self {
        Self::placed(setup, NO_STAYS)
    }

    /// The same, in this memory.
    pub(crate) fn placed(setup: Setup, stays: InPlace<Stays>) -> Self {
        let dt = 1.0 / f64::from(setup.sample_rate_hz);
        Self {
            setup,
            pace: Pace::Full,
            step: Step::Idle,
            round: Round {
                samples: 0,
                shorts: 1,
                rows: 0,
                twice: BridgeState::A,
                last: true,
            },
            stays,
            begun: 0,
            work: Work::Nothing,
            fits: [Tried::NotYet; 3],
            verdict: None,
            pieces: pieces(&setup),
            half_to_volts: half_to_volts(&setup),
            row_s: 0.0,
            dt,
            last_s: f64::from(short_row(&setup)) * dt,
            suspect: false,
            unclear: false,
            v_span: None,
        }
    }

    /// Another set-up; a measurement under way is forgotten.
    pub fn set_up(&mut self, setup: Setup) {
        let dt = 1.0 / f64::from(setup.sample_rate_hz);
        self.pieces = pieces(&setup);
        self.half_to_volts = half_to_volts(&setup);
        self.dt = dt;
        self.last_s = f64::from(short_row(&setup)) * dt;
        self.setup = setup;
        self.step = Step::Idle;
    }

    /// Starts a measurement; one under way begins again.
    pub fn begin(&mut self, pace: Pace) {
        self.pace = pace;
        self.suspect = false;
        self.unclear = false;
        let (samples, last) = match pace {
            Pace::Full => {
                let first = self
                    .least(ROWS_MIN)
                    .max(self.setup.sample_rate_hz / 1000 * FIRST_MS);
                (
                    first.min(self.setup.state_max),
                    first >= self.setup.state_max,
                )
            }
            Pace::Short { stay_max } => {
                let (first, stay_max) = (
                    self.least(ROWS_MIN_SHORT),
                    stay_max.min(self.setup.state_max),
                );
                // A second round has to be clearly longer than the first, or the time is better spent in one.
                if first * 5 / 2 > stay_max {
                    (stay_max, true)
                } else {
                    (first, false)
                }
            }
        };
        self.plan(samples, BridgeState::A, last);
        if self.setup.bond {
            self.step = Step::BondOpening { samples: 0 };
        } else {
            self.enter(BridgeState::A);
        }
    }

    /// Breaks off.
    pub fn stop(&mut self) {
        self.step = Step::Idle;
    }

    /// A measurement is under way; the bond has to be open.
    pub fn busy(&self) -> bool {
        !matches!(self.step, Step::Idle)
    }

    /// Samples until it could end with a finding at the soonest: after the third stay, or after the rest that follows it.
    pub fn soonest_end(&self) -> u64 {
        match &self.step {
            Step::Weigh => 1,
            Step::Stay(gather) if self.begun >= 3 => {
                let rows = self.round.rows * self.round.shorts * self.short();
                let stay = self.setup.window + 1 + rows;
                u64::from(stay.saturating_sub(gather.samples).max(1))
            }
            // A whole stay comes first.
            Step::Stay(_) => u64::from(self.least(ROWS_MIN_SHORT)),
            Step::Idle | Step::BondOpening { .. } => u64::MAX,
        }
    }

    /// The extra bridge conductance that should be switched on now.
    pub fn bridge(&self) -> Option<BridgeState> {
        match &self.step {
            Step::Stay(_) => self
                .stays()
                .last()
                .map(|stay| stay.state)
                .filter(|state| *state != BridgeState::Rest),
            Step::Idle | Step::BondOpening { .. } | Step::Weigh => None,
        }
    }

    /// How long the measurement dwelt that has just ended with this; until another one begins.
    pub fn dwelt(&self, leakage: &PoleLeakage, at: SampleIndex) -> Dwell {
        let mut dwell = Dwell {
            at,
            a_samples: 0,
            b_samples: 0,
            extrapolated: false,
        };
        let of_array = leakage.g_pos.0 + leakage.g_neg.0;
        for stay in self.stays() {
            let longest = match stay.state {
                BridgeState::A => &mut dwell.a_samples,
                BridgeState::B => &mut dwell.b_samples,
                BridgeState::Rest => continue,
            };
            *longest = stay.samples.max(*longest);
            let (pos, neg) = stay.state.known(&self.setup.bridge);
            let dwelt_s = stay.samples as f32 / self.setup.sample_rate_hz as f32;
            let all = of_array + pos as f32 + neg as f32;
            // C/Σg is the time constant; without a division by what noise may take to nothing.
            dwell.extrapolated |= dwelt_s * all < AT_REST_TIME_CONSTANTS * leakage.c.0;
        }
        dwell
    }

    /// One sample. `with_room`: it has time for a piece of arithmetic too.
    pub fn step(&mut self, sums: WindowSums, with_room: bool) -> Progress {
        match &mut self.step {
            Step::Idle => Progress::Idle,
            Step::BondOpening { samples } => {
                *samples += 1;
                if *samples * 1000 >= BOND_OPEN_MS * self.setup.sample_rate_hz {
                    self.enter(BridgeState::A);
                }
                Progress::Busy
            }
            Step::Stay(_) => {
                let progress = self.gather(sums);
                // A row that ends is work enough for its sample.
                if progress != Progress::Busy || self.row_ended() || !with_room {
                    return progress;
                }
                self.weigh()
            }
            Step::Weigh if with_room => self.weigh(),
            Step::Weigh => Progress::Busy,
        }
    }

    fn row_ended(&self) -> bool {
        matches!(&self.step, Step::Stay(gather) if gather.row_samples == 0 && gather.start.is_some())
    }

    /// Stays of this round, the one under way last.
    fn stays(&self) -> &[Stay] {
        self.stays.get(..self.begun).unwrap_or_default()
    }

    /// Samples in a short row: at least a window, so that rows do not share samples and their noise is their own.
    fn short(&self) -> u32 {
        short_row(&self.setup)
    }

    /// Samples in a stay of so many short rows.
    fn least(&self, rows: u32) -> u32 {
        self.setup.window + rows * self.short()
    }

    fn plan(&mut self, samples: u32, twice: BridgeState, last: bool) {
        let shorts = (samples.saturating_sub(self.setup.window) / self.short()).max(ROWS_MIN_SHORT);
        let per_row = shorts.div_ceil(ROWS_MAX as u32);
        self.round = Round {
            samples,
            shorts: per_row,
            rows: shorts / per_row,
            twice,
            last,
        };
        self.begun = 0;
        self.row_s = f64::from(self.short() * per_row) * self.dt;
        self.work = Work::Nothing;
        self.fits = [Tried::NotYet; 3];
        self.verdict = None;
        self.v_span = None;
    }

    fn enter(&mut self, state: BridgeState) {
        let before = self.stays().last().map(|stay| stay.state);
        let toward = match (state, before) {
            (BridgeState::A, _) | (BridgeState::Rest, Some(BridgeState::B)) => -1.0,
            (BridgeState::B | BridgeState::Rest, _) => 1.0,
        };
        let (row_s, rows) = (self.row_s, self.round.rows as usize);
        // Four at most: after the fourth everything is decided.
        if let Some(stay) = self.stays.get_mut(self.begun) {
            stay.begin(state, toward, row_s, rows);
            self.begun += 1;
        }
        self.step = Step::Stay(Gather::default());
    }

    fn end(&mut self, result: Result<PoleLeakage, NotMeasured>) -> Progress {
        self.step = Step::Idle;
        Progress::Done(result)
    }

    fn gather(&mut self, sums: WindowSums) -> Progress {
        let (setup, short) = (self.setup, self.short());
        let stays = self.stays.get_mut(..self.begun).unwrap_or_default();
        let (Step::Stay(gather), Some(stay)) = (&mut self.step, stays.last_mut()) else {
            return Progress::Idle;
        };
        gather.samples += 1;
        // The window has to lie wholly inside this state before its values obey the state's equation.
        if gather.samples <= setup.window {
            return Progress::Busy;
        }
        let Some(start) = gather.start else {
            gather.start = Some(sums);
            gather.pos = sums.v_pos;
            gather.neg = sums.v_neg;
            return Progress::Busy;
        };
        gather.row_samples += 1;
        let row_ends = gather.row_samples >= short;
        let weight = if row_ends { 1 } else { 2 };
        gather.pos += weight * sums.v_pos;
        gather.neg += weight * sums.v_neg;
        if !row_ends {
            return Progress::Busy;
        }

        // mV × window, twice over: to volts × samples, then to volt seconds.
        let (half_to_volts, dt) = (self.half_to_volts, self.dt);
        let (pos, neg) = (sums.v_pos - start.v_pos, sums.v_neg - start.v_neg);
        let short_row = Row {
            pos_vs: (gather.pos as f64 * half_to_volts * dt) as f32,
            neg_vs: (gather.neg as f64 * half_to_volts * dt) as f32,
            moved_v: ((pos + neg) as f64 * half_to_volts) as f32,
            array_moved_v: ((2 * (pos - neg)) as f64 * half_to_volts) as f32,
        };
        let v = sums.v_pos - sums.v_neg;
        gather.row_samples = 0;
        gather.start = Some(sums);
        gather.pos = sums.v_pos;
        gather.neg = sums.v_neg;
        gather.row = gather.row.and(short_row);
        gather.shorts += 1;
        if gather.shorts == self.round.shorts {
            // There is room for as many as are planned.
            let _ = stay.rows.push(core::mem::take(&mut gather.row));
            gather.shorts = 0;
        }
        stay.last = short_row;
        stay.last_s = self.last_s;
        let complete = stay.complete();
        if complete {
            stay.samples = gather.samples;
        }

        let (low, high) = self.v_span.unwrap_or((v, v));
        let (low, high) = (low.min(v), high.max(v));
        self.v_span = Some((low, high));
        if v < setup.v_min_mv * i64::from(setup.window) {
            return self.end(Err(NotMeasured::ArrayDark));
        }
        if (high - low) * ARRAY_MOVED_PER > high {
            return self.end(Err(NotMeasured::ArrayMoved));
        }
        if complete {
            self.stay_ends()
        } else {
            Progress::Busy
        }
    }

    /// The present stay has all its rows: on to the next one, to the next round, or to the end.
    fn stay_ends(&mut self) -> Progress {
        let once = match self.round.twice {
            BridgeState::A => BridgeState::B,
            BridgeState::B | BridgeState::Rest => BridgeState::A,
        };
        match self.begun {
            0 | 1 => {
                self.enter(once);
                Progress::Busy
            }
            2 => {
                self.enter(self.round.twice);
                Progress::Busy
            }
            3 if self.pace == Pace::Full => {
                self.enter(BridgeState::Rest);
                Progress::Busy
            }
            _ => {
                self.step = Step::Weigh;
                Progress::Busy
            }
        }
    }

    /// Another round, if there is time for one.
    fn longer(&mut self, why: NotMeasured) -> Progress {
        let round = self.round;
        if round.last {
            return self.end(Err(why));
        }
        let (samples, last) = match self.pace {
            Pace::Full => {
                let next = round.samples.saturating_mul(LONGER);
                let max = self.setup.state_max;
                // No last round that is hardly longer than the one before.
                if next.saturating_add(next / 2) > max {
                    (max, true)
                } else {
                    (next, false)
                }
            }
            Pace::Short { stay_max } => (stay_max.saturating_sub(round.samples), true),
        };
        self.again(samples, last)
    }

    /// A round that begins with the state that the last one did not end in.
    fn again(&mut self, samples: u32, last: bool) -> Progress {
        let ended_in = self.stays().last().map(|stay| stay.state);
        let first = match ended_in {
            Some(BridgeState::A) => BridgeState::B,
            Some(BridgeState::B | BridgeState::Rest) | None => BridgeState::A,
        };
        self.plan(samples, first, last);
        self.enter(first);
        Progress::Busy
    }
}

fn pieces(setup: &Setup) -> u32 {
    (PIECES_A_MS * 1000 / setup.sample_rate_hz.max(1)).max(1)
}

fn half_to_volts(setup: &Setup) -> f64 {
    0.5e-3 / f64::from(setup.window)
}

/// See [`Sequence::short`].
fn short_row(setup: &Setup) -> u32 {
    setup.window.max(ROW_MS * setup.sample_rate_hz / 1000)
}

#[cfg(test)]
mod tests;
