//! An array on a bench: leakage, capacitance and bridge as one exact circuit, seen through the reference front end's
//! whole-cycle windows by the board's own measuring sequence.
//!
//! The oracle: voltage and leakage of the whole array are lumped at its two poles (any number of leaks reduces to that,
//! `two_pole_earth_currents` in the reference facts: exact), so the common voltage obeys one linear equation whose
//! solution is written down, sample by sample, without a step size. Nothing here is shared with the fit.

use ohmward_core::insulation::fit::BridgeState;
use ohmward_core::insulation::sequence::{Pace, Progress, Sequence, Setup, WindowSums};
use ohmward_proto::measure::{NotMeasured, PoleLeakage};
use ohmward_proto::settings::Calibration;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;
use std::collections::VecDeque;
use std::f64::consts::TAU;

/// A sine on both poles alike: mains hum, or slow wander.
#[derive(Clone, Copy, Debug)]
pub struct Sine {
    /// Peak, V.
    pub volts: f64,
    /// Frequency, Hz.
    pub hz: f64,
    /// Phase at the start, rad.
    pub phase: f64,
}

/// Leakage that is there from some moment on, or comes and goes.
#[derive(Clone, Copy, Debug)]
pub struct Arrival {
    /// Seconds from the begin of the measurement.
    pub at_s: f64,
    /// It comes again each time after so many seconds; infinity: it stays.
    pub every_s: f64,
    /// And lasts for this long.
    pub lasts_s: f64,
    /// Added at the positive pole, S.
    pub g_pos: f64,
    /// Added at the negative pole, S.
    pub g_neg: f64,
}

impl Arrival {
    /// Comes once and stays.
    pub fn once(at_s: f64, g_pos: f64, g_neg: f64) -> Self {
        Self {
            at_s,
            every_s: f64::INFINITY,
            lasts_s: f64::INFINITY,
            g_pos,
            g_neg,
        }
    }

    fn there(&self, t: f64) -> bool {
        t >= self.at_s && (t - self.at_s) % self.every_s < self.lasts_s
    }
}

/// The array, the bridge as it really is, and what disturbs.
#[derive(Clone, Debug)]
pub struct Rig {
    /// Array voltage at the start, V.
    pub volts: f64,
    /// Its rise, V/s: light that grows.
    pub ramp_v_s: f64,
    /// Leakage of the positive pole, S.
    pub g_pos: f64,
    /// Of the negative pole, S.
    pub g_neg: f64,
    /// Leakage capacitance of both poles together, F.
    pub c: f64,
    /// Share of it at the positive pole; 0.5 is balanced.
    pub c_at_pos: f64,
    /// What the bridge's conductances really are, as parts of what calibration says: permanent at the positive pole, at the
    /// negative one, switched positive, switched negative.
    pub bridge: [f64; 4],
    /// Gain of each pole channel.
    pub gain: [f64; 2],
    /// Offset of each pole channel, V.
    pub offset_v: [f64; 2],
    /// Noise of each pole channel, V RMS.
    pub noise_v: f64,
    /// Converter bits over ±600 V.
    pub bits: u32,
    /// What rides on both poles.
    pub sines: Vec<Sine>,
    /// A fault that comes meanwhile.
    pub arrival: Option<Arrival>,
    /// Longest stay in one bridge state, ms.
    pub state_ms_max: u32,
    /// Hurried or not.
    pub pace: Pace,
    /// Mains for which the windows are whole cycles, Hz.
    pub mains_hz: u32,
    /// Seed of the noise.
    pub seed: u64,
}

/// What came of a measurement.
#[derive(Clone, Copy, Debug)]
pub struct Outcome {
    /// The measurement's own words.
    pub result: Result<PoleLeakage, NotMeasured>,
    /// How long it took, s.
    pub took_s: f64,
}

/// Samples per second.
pub const RATE: u32 = 4000;
/// Full scale of the pole channels, V: as in the reference calibration, or a front end for 1000 V arrays.
const FULL_V: f64 = 600.0;

impl Rig {
    /// A quiet, balanced array at 200 V behind a perfect bridge; noise and bits of the simulated front end.
    pub fn new(r_ohm: f64, c: f64) -> Self {
        Self {
            volts: 200.0,
            ramp_v_s: 0.0,
            g_pos: 0.5 / r_ohm,
            g_neg: 0.5 / r_ohm,
            c,
            c_at_pos: 0.5,
            bridge: [1.0; 4],
            gain: [1.0; 2],
            offset_v: [0.0; 2],
            noise_v: 0.1,
            bits: 14,
            sines: Vec::new(),
            arrival: None,
            state_ms_max: 5000,
            pace: Pace::Full,
            mains_hz: 50,
            seed: 1,
        }
    }

    /// The same with the leakage split: `x` of it at the positive pole.
    #[must_use]
    pub fn at(mut self, x: f64) -> Self {
        let g = self.g_pos + self.g_neg;
        (self.g_pos, self.g_neg) = (x * g, (1.0 - x) * g);
        self
    }

    /// Runs one measurement of an array whose negative conductor was bonded until now.
    pub fn measure(&self) -> Outcome {
        let bridge = Calibration::REFERENCE.bridge;
        let window = match self.mains_hz {
            60 => 200,
            _ => RATE / self.mains_hz,
        };
        let mut sequence = Sequence::new(Setup {
            bridge,
            sample_rate_hz: RATE,
            window,
            bond: true,
            state_max: self.state_ms_max * RATE / 1000,
            v_min_mv: 30_000,
        });
        sequence.begin(self.pace);
        let [gm_pos, gm_neg, ga, gb] = self.bridge;
        let gm = f64::from(bridge.g_permanent.0);
        let (ga, gb) = (
            ga * f64::from(bridge.g_switched_pos.0),
            gb * f64::from(bridge.g_switched_neg.0),
        );
        let dt = 1.0 / f64::from(RATE);
        let full = if self.volts > FULL_V {
            2.0 * FULL_V
        } else {
            FULL_V
        };
        let step_v = 2.0 * full / f64::from(1u32 << self.bits);
        let mut noise = Pcg64Mcg::seed_from_u64(self.seed);
        let mut windows = [Window::new(window), Window::new(window)];
        let mut u = 0.0;
        // An exponential a sample would be most of the time.
        let (mut known_g, mut keep) = (f64::NAN, 0.0);
        for n in 0.. {
            let t = f64::from(n) * dt;
            let state = sequence.bridge();
            let mut p = self.g_pos + gm * gm_pos;
            let mut q = self.g_neg + gm * gm_neg;
            if state == Some(BridgeState::A) {
                p += ga;
            }
            if state == Some(BridgeState::B) {
                q += gb;
            }
            if let Some(arrival) = self.arrival
                && arrival.there(t)
            {
                p += arrival.g_pos;
                q += arrival.g_neg;
            }
            // C·u' + (p+q)·u = −p·V(t) − C₊·V', V(t) a ramp: a particular solution on the ramp, and what is left of the
            // deviation from it.
            let (v0, v1) = (
                self.volts + self.ramp_v_s * t,
                self.volts + self.ramp_v_s * (t + dt),
            );
            let g = p + q;
            let slope = -p / g;
            let lag = -(self.c * self.c_at_pos + self.c * slope) * self.ramp_v_s / g;
            let on_ramp = |v: f64| slope * v + lag;
            if g.to_bits() != known_g.to_bits() {
                known_g = g;
                keep = if self.c > 0.0 {
                    (-g / self.c * dt).exp()
                } else {
                    0.0
                };
            }
            u = on_ramp(v1) + (u - on_ramp(v0)) * keep;
            let common: f64 = self
                .sines
                .iter()
                .map(|s| s.volts * (TAU * s.hz * t + s.phase).sin())
                .sum();
            for (k, (volts, window)) in [u + v1 + common, u + common]
                .iter()
                .zip(&mut windows)
                .enumerate()
            {
                let hiss: f64 = StandardNormal.sample(&mut noise);
                let seen = self.gain[k] * volts + self.offset_v[k] + self.noise_v * hiss;
                window.push((((seen / step_v).round() * step_v) * 1e3).round() as i64);
            }
            let sums = WindowSums {
                v_pos: windows[0].sum,
                v_neg: windows[1].sum,
            };
            match sequence.step(sums, true) {
                Progress::Done(result) => return Outcome { result, took_s: t },
                Progress::Busy => assert!(t < 1000.0, "never ends: {self:?}"),
                Progress::Idle => unreachable!("was begun"),
            }
        }
        unreachable!("u32 samples are twelve days")
    }
}

/// Sum over the last samples, as the board's own window gives it.
struct Window {
    last: VecDeque<i64>,
    sum: i64,
}

impl Window {
    fn new(len: u32) -> Self {
        Self {
            last: std::iter::repeat_n(0, len as usize).collect(),
            sum: 0,
        }
    }

    fn push(&mut self, value: i64) {
        self.sum += value - self.last.pop_front().unwrap_or(0);
        self.last.push_back(value);
    }
}

/// Random numbers for a whole case from one seed.
#[derive(Debug)]
pub struct Draw(Pcg64Mcg);

impl Draw {
    /// From a seed.
    pub fn new(seed: u64) -> Self {
        Self(Pcg64Mcg::seed_from_u64(seed))
    }

    /// 0 to 1.
    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Standard normal.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// Even in the logarithm.
    pub fn decades(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.uniform())
    }

    /// A sine of up to so many volts, at some frequency between, at any phase.
    pub fn sine(&mut self, volts: f64, hz_low: f64, hz_high: f64) -> Sine {
        Sine {
            volts: volts * self.uniform(),
            hz: self.decades(hz_low, hz_high),
            phase: TAU * self.uniform(),
        }
    }
}
