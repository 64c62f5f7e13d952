//! One insulation measurement: bond open, bridge A, B, A again.
//!
//! ```text
//!   begin → BondOpening → A → B → A → done: leakage, or "not measured" and why
//! ```
//!
//! The third state is there for what may change meanwhile: a fault that arrives between A and B makes a pair that is
//! consistent with a far better insulation. First and second pair must agree, or nothing is said.
//!
//! A state ends when the poles have stopped moving, at the latest after the time set; the fit does not need them
//! settled.

use super::fit::{Balance, BridgeState, Row};
use ohmward_proto::measure::{NotMeasured, PoleLeakage};
use ohmward_proto::settings::Bridge;

/// Time for the bond switch to open and its bounce to end, in ms.
const BOND_OPEN_MS: u32 = 60;
/// Fewest rows in a state: enough for the fit to know its own uncertainty.
const ROWS_MIN: u32 = 6;
/// Longest stretch of one row, in ms.
const ROW_MS: u32 = 20;
/// The poles count as settled when a row moves them by less than this part of the array voltage …
const SETTLED_PART: f64 = 5e-4;
/// … this many rows in a row.
const SETTLED_ROWS: u32 = 3;
/// Array voltage may move by this part during a measurement. The balance holds at every instant, so a moving array
/// costs accuracy only through unequal capacitance of the poles.
const ARRAY_MOVED_PART: f64 = 0.05;
/// Switching the bridge moves the poles by g_switched/(Σg + g_switched) of the array voltage, wherever the leakage sits:
/// 0.5 % at 1 kΩ. Below this part (400 Ω) noise would decide what is read, so it is not called a reading.
const UNMOVED_PART: f64 = 2e-3;
/// The two pairs A–B and B–A may differ by this part of the conductance, their uncertainties aside.
const PAIRS_APART_PART: f32 = 0.1;

/// Scatter that a quiet measurement stays well below: 2 MΩ.
const SCATTER_S: f32 = 0.5e-6;
/// How far below nothing noise alone may take a pole.
const NEGATIVE_S: f32 = 0.12e-6;

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

/// Places of the three states A, B, A.
const STATES: [BridgeState; 3] = [BridgeState::A, BridgeState::B, BridgeState::A];

#[derive(Debug)]
enum Step {
    Idle,
    BondOpening { samples: u32 },
    State { index: usize, gather: Gather },
}

/// Rows of one state as they come.
#[derive(Debug)]
struct Gather {
    samples: u32,
    rows: u32,
    settled_rows: u32,
    /// Sums over the current row, half weight on both ends (trapezoid).
    pos: i64,
    neg: i64,
    row_samples: u32,
    start: Option<WindowSums>,
}

impl Gather {
    fn new() -> Self {
        Self {
            samples: 0,
            rows: 0,
            settled_rows: 0,
            pos: 0,
            neg: 0,
            row_samples: 0,
            start: None,
        }
    }
}

/// A measurement under way, or none.
#[derive(Debug)]
pub struct Sequence {
    setup: Setup,
    state_max: u32,
    step: Step,
    balances: [Balance; 3],
    /// Negative pole at the end of each state, as a part of the array voltage.
    pole_at_end: [f64; 3],
    /// Least and greatest array voltage seen, in V.
    v_span: Option<(f64, f64)>,
}

impl Sequence {
    /// Idle, for this set-up.
    pub fn new(setup: Setup) -> Self {
        Self {
            setup,
            state_max: setup.state_max,
            step: Step::Idle,
            balances: [Balance::default(); 3],
            pole_at_end: [0.0; 3],
            v_span: None,
        }
    }

    /// Starts a measurement; one under way begins again. No state lasts longer than `state_max` samples.
    pub fn begin(&mut self, state_max: u32) {
        self.state_max = state_max.min(self.setup.state_max);
        self.balances = [Balance::default(); 3];
        self.v_span = None;
        self.step = if self.setup.bond {
            Step::BondOpening { samples: 0 }
        } else {
            Step::State {
                index: 0,
                gather: Gather::new(),
            }
        };
    }

    /// Breaks off.
    pub fn stop(&mut self) {
        self.step = Step::Idle;
    }

    /// A measurement is under way; the bond has to be open.
    pub fn busy(&self) -> bool {
        !matches!(self.step, Step::Idle)
    }

    /// The extra bridge conductance that should be switched on now.
    pub fn bridge(&self) -> Option<BridgeState> {
        match self.step {
            Step::State { index, .. } => STATES.get(index).copied(),
            Step::Idle | Step::BondOpening { .. } => None,
        }
    }

    /// One sample.
    pub fn step(&mut self, sums: WindowSums) -> Progress {
        match &mut self.step {
            Step::Idle => Progress::Idle,
            Step::BondOpening { samples } => {
                *samples += 1;
                if *samples * 1000 >= BOND_OPEN_MS * self.setup.sample_rate_hz {
                    self.enter(0);
                }
                Progress::Busy
            }
            Step::State { .. } => self.gather(sums),
        }
    }

    fn enter(&mut self, index: usize) {
        self.step = Step::State {
            index,
            gather: Gather::new(),
        };
    }

    fn end(&mut self, result: Result<PoleLeakage, NotMeasured>) -> Progress {
        self.step = Step::Idle;
        Progress::Done(result)
    }

    fn gather(&mut self, sums: WindowSums) -> Progress {
        let setup = self.setup;
        let Step::State { index, gather } = &mut self.step else {
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
        // At least a window long, so that rows do not share samples and their noise is their own.
        let row_ends = gather.row_samples >= setup.window
            && gather.row_samples * 1000 >= ROW_MS * setup.sample_rate_hz;
        let weight = if row_ends { 1 } else { 2 };
        gather.pos += weight * sums.v_pos;
        gather.neg += weight * sums.v_neg;
        if !row_ends {
            return Progress::Busy;
        }

        // mV × window, twice over: to volts × samples, then to volt seconds.
        let to_volts = 1e-3 / f64::from(setup.window);
        let dt = 1.0 / f64::from(setup.sample_rate_hz);
        let moved = (sums.v_pos - start.v_pos + sums.v_neg - start.v_neg) as f64 * 0.5 * to_volts;
        let row = Row {
            pos_vs: gather.pos as f64 * 0.5 * to_volts * dt,
            neg_vs: gather.neg as f64 * 0.5 * to_volts * dt,
            moved_v: moved,
        };
        let v = (sums.v_pos - sums.v_neg) as f64 * to_volts;
        gather.rows += 1;
        gather.settled_rows = if moved.abs() < SETTLED_PART * v {
            gather.settled_rows + 1
        } else {
            0
        };
        gather.row_samples = 0;
        gather.start = Some(sums);
        gather.pos = sums.v_pos;
        gather.neg = sums.v_neg;
        let told_enough = gather.rows >= ROWS_MIN
            && (gather.settled_rows >= SETTLED_ROWS || gather.samples >= self.state_max);
        let index = *index;

        if let (Some(state), Some(balance)) = (STATES.get(index), self.balances.get_mut(index)) {
            balance.add(&row, *state, &setup.bridge);
        }
        let (low, high) = self.v_span.unwrap_or((v, v));
        let (low, high) = (low.min(v), high.max(v));
        self.v_span = Some((low, high));
        if (v * 1e3) < setup.v_min_mv as f64 {
            return self.end(Err(NotMeasured::ArrayDark));
        }
        if high - low > ARRAY_MOVED_PART * high {
            return self.end(Err(NotMeasured::ArrayMoved));
        }
        if !told_enough {
            return Progress::Busy;
        }
        if let Some(pole) = self.pole_at_end.get_mut(index) {
            *pole = sums.v_neg as f64 * to_volts / v;
        }
        if index + 1 < STATES.len() {
            self.enter(index + 1);
            return Progress::Busy;
        }
        let result = self.conclude();
        self.end(result)
    }

    fn conclude(&self) -> Result<PoleLeakage, NotMeasured> {
        let [in_a, in_b, in_a_again] = self.pole_at_end;
        if (in_a - in_b).abs().max((in_a_again - in_b).abs()) < UNMOVED_PART {
            return Err(NotMeasured::BridgeUnmoved);
        }
        let [a, b, again] = &self.balances;
        let fit = |balance: Balance| {
            balance
                .fit(&self.setup.bridge)
                .ok_or(NotMeasured::BridgeUnmoved)
        };
        let whole = fit(a.with(b).with(again))?;
        let (first, second) = (fit(a.with(b))?, fit(b.with(again))?);
        let apart = (first.g_total() - second.g_total()).abs().0;
        let unsure = first.g_sigma.0 + second.g_sigma.0;
        let g = whole.g_total().abs().0;
        // A fault that arrives within a state fits no single answer: it shows as rows that scatter, and a guard that
        // allows for the scatter would let it pass.
        let scattered = 3.0 * unsure > PAIRS_APART_PART * g + SCATTER_S;
        if scattered || apart > 3.0 * unsure + PAIRS_APART_PART * g {
            return Err(NotMeasured::FaultMoved);
        }
        // No pole leaks less than nothing, beyond the noise.
        let negative = |g: f32, other: f32| g < -(NEGATIVE_S + PAIRS_APART_PART * other.abs());
        if negative(whole.g_pos.0, whole.g_neg.0) || negative(whole.g_neg.0, whole.g_pos.0) {
            return Err(NotMeasured::FaultMoved);
        }
        Ok(whole)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::window::Window;
    use ohmward_proto::units::Siemens;

    const BRIDGE: Bridge = Bridge {
        g_permanent: Siemens(0.5e-6),
        g_switched_pos: Siemens(5e-6),
        g_switched_neg: Siemens(5e-6),
    };

    fn setup() -> Setup {
        Setup {
            bridge: BRIDGE,
            sample_rate_hz: 4000,
            window: 80,
            bond: true,
            state_max: 20_000,
            v_min_mv: 30_000,
        }
    }

    /// An array of this leakage behind the bridge: explicit small-step RC, 50 Hz ripple, and a hook for changes.
    struct Array {
        v: f64,
        u: f64,
        g: (f64, f64),
        c: f64,
        ripple_v: f64,
    }

    impl Array {
        fn new(g_pos: f64, g_neg: f64, c: f64) -> Self {
            Self {
                v: 200.0,
                u: 0.0,
                g: (g_pos, g_neg),
                c,
                ripple_v: 0.0,
            }
        }

        fn run(
            &mut self,
            mut each: impl FnMut(&mut Self, u32, Option<BridgeState>),
        ) -> (Result<PoleLeakage, NotMeasured>, u32) {
            let mut sequence = Sequence::new(setup());
            let (mut pos, mut neg) = (Window::new(80), Window::new(80));
            sequence.begin(u32::MAX);
            for n in 0.. {
                let bridge = sequence.bridge();
                each(self, n, bridge);
                let gp = self.g.0
                    + 0.5e-6
                    + if bridge == Some(BridgeState::A) {
                        5e-6
                    } else {
                        0.0
                    };
                let gn = self.g.1
                    + 0.5e-6
                    + if bridge == Some(BridgeState::B) {
                        5e-6
                    } else {
                        0.0
                    };
                let end = -self.v * gp / (gp + gn);
                self.u = end + (self.u - end) * (-(gp + gn) / self.c / 4000.0).exp();
                let ripple = self.ripple_v * (f64::from(n) / 80.0 * core::f64::consts::TAU).sin();
                pos.push(((self.u + self.v + ripple) * 1e3).round() as i32);
                neg.push(((self.u + ripple) * 1e3).round() as i32);
                let sums = WindowSums {
                    v_pos: pos.sum(),
                    v_neg: neg.sum(),
                };
                match sequence.step(sums) {
                    Progress::Done(result) => return (result, n),
                    Progress::Busy => assert!(n < 100_000, "never ends"),
                    Progress::Idle => unreachable!("was begun"),
                }
            }
            unreachable!()
        }
    }

    fn check(g_pos: f64, g_neg: f64, c: f64) {
        let mut array = Array::new(g_pos, g_neg, c);
        array.ripple_v = 3.0;
        let (result, samples) = array.run(|_, _, _| {});
        let fit = result.expect("measurable");
        let r = 1.0 / (g_pos + g_neg);
        let seen = 1.0 / f64::from(fit.g_total().0);
        assert!(
            (seen - r).abs() < 0.05 * r + 1e3,
            "R {r:.0} seen as {seen:.0} after {samples} samples, C {c}"
        );
    }

    /// Aim of the project: ±5 % + 1 kΩ from 1 kΩ to 2 MΩ up to 10 µF.
    #[test]
    fn resistance_over_the_range() {
        for c in [50e-9, 1e-6, 10e-6] {
            for r in [1e3, 30e3, 300e3, 2e6] {
                check(0.5 / r, 0.5 / r, c);
                check(0.9 / r, 0.1 / r, c);
                check(0.0, 1.0 / r, c);
            }
        }
    }

    #[test]
    fn a_fault_between_the_states_is_not_a_good_insulation() {
        let mut array = Array::new(0.2e-6, 0.2e-6, 1e-6);
        let (result, _) = array.run(|array, _, bridge| {
            if bridge == Some(BridgeState::B) {
                array.g.1 = 1.0 / 15e3;
            }
        });
        assert_eq!(result, Err(NotMeasured::FaultMoved));
    }

    #[test]
    fn an_array_that_moves_or_darkens_is_not_measured() {
        let mut array = Array::new(1e-6, 1e-6, 1e-6);
        let (moved, _) = array.run(|array, n, _| array.v = 200.0 - f64::from(n) * 0.01);
        assert_eq!(moved, Err(NotMeasured::ArrayMoved));
        let mut array = Array::new(1e-6, 1e-6, 1e-6);
        array.v = 20.0;
        assert_eq!(array.run(|_, _, _| {}).0, Err(NotMeasured::ArrayDark));
    }

    #[test]
    fn a_conductor_at_earth_is_never_good() {
        for g in [0.05, 1.0, 1e3] {
            let mut array = Array::new(0.0, g, 1e-6);
            match array.run(|_, _, _| {}).0 {
                Ok(fit) => assert!(fit.r_iso().bound().0 < 2e3, "{fit:?}"),
                Err(why) => assert_eq!(why, NotMeasured::BridgeUnmoved),
            }
        }
    }
}
