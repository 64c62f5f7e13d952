//! From physical values to converter codes: hum, gain error, offset, noise, effective bits, rails.

mod window;

pub use window::WindowDrawn;

use crate::surge::{LowPass, LowPassState};
use ohmward_proto::settings::{Bridge, Scale};
use ohmward_proto::units::Siemens;
use ohmward_proto::{Calibration, Codes};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;
use serde::Deserialize;

/// Section `[sensors]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SensorSettings {
    /// Converter bits that carry information; codes stay left-justified 16 bit.
    pub bits: u32,
    /// Corner of the anti-alias low-pass of the current channels, Hz.
    pub corner_hz: f64,
    /// Gain error of the current channels, %.
    pub current_gain_error_percent: f64,
    /// Offset of the current channels, mA.
    pub current_offset_ma: f64,
    /// Noise of the sensitive current range, mA RMS.
    pub fine_noise_ma: f64,
    /// Noise of the wide current range, mA RMS.
    pub wide_noise_ma: f64,
    /// Gain error of the positive pole channel, %.
    pub v_pos_gain_error_percent: f64,
    /// Gain error of the negative pole channel, %.
    pub v_neg_gain_error_percent: f64,
    /// Offset of both pole channels, V.
    pub pole_offset_v: f64,
    /// Noise of the pole channels, V RMS.
    pub pole_noise_v: f64,
    /// Mains hum on the bond current while the bond is closed, mA peak.
    pub hum_bond_ma: f64,
    /// Mains hum on both pole voltages, V peak.
    pub hum_pole_v: f64,
    /// Self-test current that `inject` adds to the bond current channels, mA.
    pub inject_ma: f64,
    /// How far the conductance of both dividers is off the design, %.
    pub divider_error_percent: f64,
    /// Likewise of the switched measuring resistor at the positive pole.
    pub bridge_pos_error_percent: f64,
    /// Likewise at the negative pole.
    pub bridge_neg_error_percent: f64,
}

impl SensorSettings {
    /// The bridge as it is built, where the design says `bridge`.
    #[must_use]
    pub fn bridge(&self, bridge: &Bridge) -> Bridge {
        let off =
            |g: Siemens, percent: f64| Siemens((f64::from(g.0) * (1.0 + percent / 100.0)) as f32);
        Bridge {
            g_permanent: off(bridge.g_permanent, self.divider_error_percent),
            g_switched_pos: off(bridge.g_switched_pos, self.bridge_pos_error_percent),
            g_switched_neg: off(bridge.g_switched_neg, self.bridge_neg_error_percent),
        }
    }
}

impl Default for SensorSettings {
    /// A 14-bit converter with a few counts of noise. Our own choice: no board has been measured.
    fn default() -> Self {
        Self {
            bits: 14,
            corner_hz: 1000.0,
            current_gain_error_percent: 0.0,
            current_offset_ma: 0.0,
            fine_noise_ma: 0.2,
            wide_noise_ma: 4.0,
            v_pos_gain_error_percent: 0.0,
            v_neg_gain_error_percent: 0.0,
            pole_offset_v: 0.0,
            pole_noise_v: 0.1,
            hum_bond_ma: 0.0,
            hum_pole_v: 0.0,
            inject_ma: 100.0,
            divider_error_percent: 0.0,
            bridge_pos_error_percent: 0.0,
            bridge_neg_error_percent: 0.0,
        }
    }
}

/// One converter channel in converter steps: zero + gain·value + noise.
#[derive(Clone, Copy, Debug)]
struct ChannelModel {
    zero: f64,
    per_unit: f64,
    noise: f64,
    /// How the board reads the codes.
    scale: Scale,
}

impl ChannelModel {
    fn new(
        scale: Scale,
        step_counts: f64,
        gain_error_percent: f64,
        offset: f64,
        noise: f64,
    ) -> Self {
        let per_unit =
            (1.0 + gain_error_percent / 100.0) / f64::from(scale.per_count) / step_counts;
        Self {
            zero: f64::from(scale.zero) / step_counts + offset * per_unit,
            per_unit,
            noise: noise * per_unit.abs(),
            scale,
        }
    }
}

/// What the front end sees in one sample.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Seen {
    /// Bond current behind the anti-alias filter, A.
    pub i_a: f64,
    /// Positive conductor to earth, V.
    pub v_pos: f64,
    /// Negative conductor to earth, V.
    pub v_neg: f64,
}

/// The front end: the current channels' filter, and four converter channels.
#[derive(Clone, Debug)]
pub struct FrontEnd {
    fine: ChannelModel,
    wide: ChannelModel,
    v_pos: ChannelModel,
    v_neg: ChannelModel,
    /// Counts of one converter step.
    step_counts: i32,
    rail_low: i32,
    rail_high: i32,
    hum: Vec<f64>,
    hum_bond_a: f64,
    hum_pole_v: f64,
    inject_a: f64,
    filter: LowPass,
    filter_state: LowPassState,
    seed: u64,
    /// Of the present block of samples.
    noise: Pcg64Mcg,
}

/// Noise begins afresh every so many samples, from their index: whoever skips samples meets the same noise after them.
const NOISE_BLOCK: u64 = 64;
const NOISE: u64 = 200;

impl FrontEnd {
    /// `mains_hz`: frequency of the hum.
    pub fn new(
        settings: &SensorSettings,
        calibration: &Calibration,
        sample_rate_hz: u32,
        mains_hz: u32,
        seed: u64,
    ) -> Self {
        let (s, c) = (settings, calibration);
        let step_counts = 1_i32 << (16 - s.bits);
        let step = f64::from(step_counts);
        let current = |scale: Scale, noise_ma: f64| {
            let gain = s.current_gain_error_percent;
            ChannelModel::new(
                scale,
                step,
                gain,
                s.current_offset_ma * 1e-3,
                noise_ma * 1e-3,
            )
        };
        let pole = |scale: Scale, gain: f64| {
            ChannelModel::new(scale, step, gain, s.pole_offset_v, s.pole_noise_v)
        };
        // Both are whole hertz: the pattern of samples repeats after rate/gcd of them.
        let period = sample_rate_hz / gcd(sample_rate_hz, mains_hz);
        let turn = std::f64::consts::TAU * f64::from(mains_hz) / f64::from(sample_rate_hz);
        Self {
            fine: current(c.i_fine, s.fine_noise_ma),
            wide: current(c.i_wide, s.wide_noise_ma),
            v_pos: pole(c.v_pos, s.v_pos_gain_error_percent),
            v_neg: pole(c.v_neg, s.v_neg_gain_error_percent),
            step_counts,
            rail_low: i32::from(c.rail_low),
            rail_high: i32::from(c.rail_high),
            hum: (0..period).map(|k| (turn * f64::from(k)).sin()).collect(),
            hum_bond_a: s.hum_bond_ma * 1e-3,
            hum_pole_v: s.hum_pole_v,
            inject_a: s.inject_ma * 1e-3,
            filter: LowPass::new(s.corner_hz, 1.0 / f64::from(sample_rate_hz)),
            filter_state: LowPassState::default(),
            seed,
            noise: stream(seed, NOISE, 0),
        }
    }

    /// Bond current of one whole sample through the filter.
    pub fn filter(&mut self, i_bond_a: f64) -> f64 {
        self.filter.step(&mut self.filter_state, i_bond_a)
    }

    /// Bond current of one sample that has a fine structure, through the filter. `parts` means over equal parts.
    pub fn filter_fine(&mut self, fine: &LowPass, parts: impl Iterator<Item = f64>) -> f64 {
        parts.fold(0.0, |_, i| fine.step(&mut self.filter_state, i))
    }

    /// The next sample to convert is `at`.
    pub fn seek(&mut self, at: u64) {
        self.noise = stream(self.seed, NOISE, at / NOISE_BLOCK);
        for _ in 0..at % NOISE_BLOCK {
            self.draw();
        }
    }

    /// Four draws in a row: their latencies overlap.
    #[inline]
    fn draw(&mut self) -> [f64; 4] {
        std::array::from_fn(|_| StandardNormal.sample(&mut self.noise))
    }

    /// The filter rests at `i_bond_a`.
    pub fn rest(&mut self, i_bond_a: f64) {
        self.filter_state = LowPassState::resting(i_bond_a);
    }

    /// The filter has come to rest at `i_bond_a`.
    pub fn settled(&self, i_bond_a: f64) -> bool {
        self.filter_state.settled(i_bond_a)
    }

    /// One sample of all channels. Hum and noise are functions of the sample's index `at`; after a gap [`seek`](Self::seek)
    /// first.
    pub fn convert(&mut self, at: u64, seen: &Seen, bond_closed: bool, inject: bool) -> Codes {
        let hum = self.hum[(at % self.hum.len() as u64) as usize];
        let mut i_a = seen.i_a;
        if bond_closed {
            i_a += hum * self.hum_bond_a;
        }
        if inject {
            i_a += self.inject_a;
        }
        let hum_v = hum * self.hum_pole_v;
        if at.is_multiple_of(NOISE_BLOCK) {
            self.noise = stream(self.seed, NOISE, at / NOISE_BLOCK);
        }
        let noise = self.draw();
        Codes {
            i_fine: self.code(&self.fine, i_a, noise[0]),
            i_wide: self.code(&self.wide, i_a, noise[1]),
            v_pos: self.code(&self.v_pos, seen.v_pos + hum_v, noise[2]),
            v_neg: self.code(&self.v_neg, seen.v_neg + hum_v, noise[3]),
        }
    }

    #[inline]
    fn code(&self, channel: &ChannelModel, value: f64, noise: f64) -> i16 {
        let steps = channel.zero + channel.per_unit * value + channel.noise * noise;
        // Rounds half away from zero; the cast saturates, far outside the rails.
        let code = (steps + 0.5_f64.copysign(steps)) as i32;
        code.saturating_mul(self.step_counts)
            .clamp(self.rail_low, self.rail_high) as i16
    }
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// A generator for one purpose, apart from all others of the same scenario.
pub(crate) fn stream(seed: u64, purpose: u64, index: u64) -> Pcg64Mcg {
    // Odd constants far apart; `seed_from_u64` does the mixing.
    Pcg64Mcg::seed_from_u64(
        seed ^ purpose.wrapping_mul(0x9e37_79b9_7f4a_7c15)
            ^ index.wrapping_mul(0xd1b5_4a32_d192_ed03),
    )
}

/// Uniform in 0..1.
pub(crate) fn uniform(rng: &mut Pcg64Mcg) -> f64 {
    (rng.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
}

#[cfg(test)]
// Exact zeros and exact inputs.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;
    use ohmward_proto::settings::Calibration;

    const QUIET: Seen = Seen {
        i_a: 0.5,
        v_pos: 250.0,
        v_neg: -250.0,
    };

    fn front_end(settings: &SensorSettings) -> FrontEnd {
        FrontEnd::new(settings, &Calibration::REFERENCE, 4000, 60, 1)
    }

    /// Codes read back with the calibration are the values, to half a converter step.
    #[test]
    fn codes_read_back() {
        let silent = SensorSettings {
            fine_noise_ma: 0.0,
            wide_noise_ma: 0.0,
            pole_noise_v: 0.0,
            ..Default::default()
        };
        let codes = front_end(&silent).convert(0, &QUIET, true, false);
        let c = Calibration::REFERENCE;
        assert!((c.i_fine.value(codes.i_fine) - 0.5).abs() <= 2.0 * c.i_fine.per_count);
        assert!((c.i_wide.value(codes.i_wide) - 0.5).abs() <= 2.0 * c.i_wide.per_count);
        assert!((c.v_pos.value(codes.v_pos) - 250.0).abs() <= 2.0 * c.v_pos.per_count);
        assert!((c.v_neg.value(codes.v_neg) + 250.0).abs() <= 2.0 * c.v_neg.per_count);
        assert_eq!(codes.v_pos % 4, 0, "14 bits left-justified");
    }

    /// Over a million samples: mean and deviation of Gaussian noise, plus step²/12 of quantisation (textbook).
    #[test]
    fn noise_and_offset_have_their_size() {
        let settings = SensorSettings {
            pole_offset_v: 0.3,
            v_pos_gain_error_percent: 1.0,
            ..Default::default()
        };
        let mut front_end = front_end(&settings);
        let (mut sum, mut squares) = (0.0, 0.0);
        let n = 1_000_000;
        for at in 0..n {
            let v = f64::from(
                Calibration::REFERENCE
                    .v_pos
                    .value(front_end.convert(at, &QUIET, true, false).v_pos),
            );
            sum += v;
            squares += v * v;
        }
        let mean = sum / n as f64;
        let deviation = (squares / n as f64 - mean * mean).sqrt();
        let step_v = 4.0 * f64::from(Calibration::REFERENCE.v_pos.per_count);
        let want = ((0.1 * 1.01_f64).powi(2) + step_v * step_v / 12.0).sqrt();
        assert!((mean - 250.3 * 1.01).abs() < 1e-3, "{mean}");
        assert!(
            (deviation / want - 1.0).abs() < 5e-3,
            "{deviation} not {want}"
        );
    }

    #[test]
    fn rails_are_the_calibration_s() {
        for bits in [8, 14, 16] {
            let mut front_end = front_end(&SensorSettings {
                bits,
                ..Default::default()
            });
            for (i_a, rail) in [(1000.0, 32_760), (-1000.0, -32_760), (1e12, 32_760)] {
                let codes = front_end.convert(0, &Seen { i_a, ..QUIET }, true, false);
                assert_eq!((codes.i_fine, codes.i_wide), (rail, rail));
                assert!(Calibration::REFERENCE.at_rail(codes.i_wide));
            }
        }
    }

    /// 60 Hz at 4 kS/s repeats after 200 samples, three cycles.
    #[test]
    fn hum_only_with_the_bond_closed() {
        let settings = SensorSettings {
            hum_bond_ma: 300.0,
            fine_noise_ma: 0.0,
            ..Default::default()
        };
        let mut front_end = front_end(&settings);
        assert_eq!(front_end.hum.len(), 200);
        let seen = Seen { i_a: 0.0, ..QUIET };
        let mut span = |bond_closed| {
            let codes: Vec<_> = (0..200)
                .map(|at| front_end.convert(at, &seen, bond_closed, false).i_fine)
                .collect();
            f64::from(codes.iter().max().unwrap() - codes.iter().min().unwrap())
        };
        let peak_to_peak_a = span(true) * f64::from(Calibration::REFERENCE.i_fine.per_count);
        assert!(
            (peak_to_peak_a / 0.6 - 1.0).abs() < 2e-3,
            "{peak_to_peak_a}"
        );
        assert_eq!(span(false), 0.0);
    }
}
