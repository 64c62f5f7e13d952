//! What a transformerless converter does to its array: a common-mode voltage of mains and switching frequency on both
//! poles, which drives current over the leakage capacitance to the frames and, where there is a bond, through it.
//!
//! ```text
//!  earthed neutral ── v_cm(t) ── source ohm ── poles ──┬── leakage C ∥ all earth paths of the array ── earth
//! ```
//! Steady state at each frequency, as phasors: every settling is shorter than a mains cycle. Sampled as the converter
//! would: the filter's answer at the true frequency, taken at the sample instants, so that what lies above half the
//! sample rate folds back. The pole channels are taken to have the same filter.

use crate::array::OperatingPoint;
use crate::sensors::SensorSettings;
use ohmward_proto::SampleIndex;
use ohmward_proto::settings::Earthing;
use serde::Deserialize;

/// Section `[converter_noise]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConverterNoise {
    /// Common-mode voltage of mains frequency at the poles, V peak.
    pub mains_v: f64,
    /// Common-mode voltage of switching frequency, V peak.
    #[serde(default)]
    pub ripple_v: f64,
    /// Switching frequency, Hz.
    #[serde(default = "default_ripple_hz")]
    pub ripple_hz: u32,
    /// Filter and mains in the way of the common-mode current, Ω.
    #[serde(default = "default_source_ohm")]
    pub source_ohm: f64,
}

// Our own choice of round numbers of the kind; no source.
fn default_ripple_hz() -> u32 {
    16_000
}
fn default_source_ohm() -> f64 {
    20.0
}

#[derive(Clone, Copy, PartialEq, Debug)]
struct Phasor {
    re: f64,
    im: f64,
}

impl Phasor {
    fn times(self, other: Self) -> Self {
        Self {
            re: self.re * other.re - self.im * other.im,
            im: self.re * other.im + self.im * other.re,
        }
    }

    fn over(self, other: Self) -> Self {
        let square = other.re * other.re + other.im * other.im;
        let conjugate = Self {
            re: other.re / square,
            im: -other.im / square,
        };
        self.times(conjugate)
    }

    fn scaled(self, by: f64) -> Self {
        Self {
            re: self.re * by,
            im: self.im * by,
        }
    }
}

/// One frequency as the front end sees it.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Tone {
    hz: u32,
    i_a: Phasor,
    /// Of the common voltage.
    v: Phasor,
}

/// Both frequencies in one regime of the circuit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct NoiseRegime {
    sample_rate_hz: u32,
    tones: [Tone; 2],
    shape_pos: f64,
    shape_neg: f64,
    /// Before the filter: what heats the fuse, A².
    mean_square_a2: f64,
}

/// Moves of what the front end sees.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Noise {
    /// A.
    pub i_a: f64,
    /// V.
    pub v_pos: f64,
    /// V.
    pub v_neg: f64,
}

impl NoiseRegime {
    /// With the contactor closed and the converter feeding, at that operating point.
    pub fn new(
        noise: &ConverterNoise,
        point: &OperatingPoint,
        earthing: Earthing,
        sensors: &SensorSettings,
        sample_rate_hz: u32,
        mains_hz: u32,
    ) -> Self {
        let mut mean_square_a2 = 0.0;
        let tones =
            [(mains_hz, noise.mains_v), (noise.ripple_hz, noise.ripple_v)].map(|(hz, peak_v)| {
                let omega = std::f64::consts::TAU * f64::from(hz);
                let array = Phasor {
                    re: point.g_earth_s,
                    im: omega * point.c_f,
                };
                // V_array = V/(1 + Rs·Y); a sine is the imaginary part.
                let loaded = Phasor {
                    re: 1.0 + noise.source_ohm * array.re,
                    im: noise.source_ohm * array.im,
                };
                let source = Phasor {
                    re: peak_v,
                    im: 0.0,
                };
                let v = source.over(loaded);
                let i = match earthing {
                    // Both poles together carry whatever the converter drives into the array.
                    Earthing::NotEarthed => v.times(array),
                    Earthing::NegativeBonded
                    | Earthing::PositiveBonded
                    | Earthing::HighResistance => v.scaled(point.i_bond_per_v),
                };
                mean_square_a2 += 0.5 * (i.re * i.re + i.im * i.im);
                // Second order, Butterworth: 1/(1 − x² + j·√2·x).
                let x = f64::from(hz) / sensors.corner_hz;
                let filter = Phasor {
                    re: 1.0 - x * x,
                    im: std::f64::consts::SQRT_2 * x,
                };
                Tone {
                    hz,
                    i_a: i.over(filter),
                    v: v.over(filter),
                }
            });
        Self {
            sample_rate_hz,
            tones,
            shape_pos: point.shape_pos,
            shape_neg: point.shape_neg,
            mean_square_a2,
        }
    }

    /// At the instant of a sample.
    pub fn at(&self, sample: SampleIndex) -> Noise {
        let rate = u64::from(self.sample_rate_hz);
        let mut seen = Noise::default();
        for tone in &self.tones {
            // Whole turns taken away in whole numbers: exact for ever.
            let part = (u128::from(sample.0) * u128::from(tone.hz) % u128::from(rate)) as f64;
            let (sin, cos) = (std::f64::consts::TAU * part / rate as f64).sin_cos();
            let value = |p: Phasor| p.re * sin + p.im * cos;
            seen.i_a += value(tone.i_a);
            seen.v_pos += self.shape_pos * value(tone.v);
            seen.v_neg += self.shape_neg * value(tone.v);
        }
        seen
    }

    /// Of the bond current before the filter, A².
    pub fn mean_square_a2(&self) -> f64 {
        self.mean_square_a2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SENSORS: fn() -> SensorSettings = SensorSettings::default;

    fn point(g_s: f64, c_f: f64) -> OperatingPoint {
        OperatingPoint {
            g_earth_s: g_s,
            c_f,
            shape_pos: 1.0,
            shape_neg: 1.0,
            i_bond_per_v: g_s,
            ..OperatingPoint::default()
        }
    }

    fn peak(regime: &NoiseRegime, samples: std::ops::Range<u64>) -> f64 {
        samples
            .map(|n| regime.at(SampleIndex(n)).i_a.abs())
            .fold(0.0, f64::max)
    }

    const NOISE: ConverterNoise = ConverterNoise {
        mains_v: 160.0,
        ripple_v: 0.0,
        ripple_hz: 16_000,
        source_ohm: 0.001,
    };

    /// ωCU: 2π·50·1 µF·160 V = 50.265 mA (hand calculation), and the filter takes 3 parts in a million at 50 Hz.
    #[test]
    fn mains_over_the_leakage_capacitance() {
        let array = point(1e-9, 1e-6);
        let regime = NoiseRegime::new(&NOISE, &array, Earthing::NotEarthed, &SENSORS(), 4000, 50);
        let got = peak(&regime, 0..80);
        assert!((got / 50.265e-3 - 1.0).abs() < 1e-4, "{got}");
        assert!((regime.mean_square_a2() / (0.5 * 50.265e-3_f64.powi(2)) - 1.0).abs() < 1e-4);
    }

    /// 16 kHz at 4 kS/s folds onto DC: every sample the same. 16.1 kHz folds onto 100 Hz. Second order an octave count of
    /// four above 1 kHz: 1/√(1 + 16⁴) of it is left (Butterworth, textbook).
    #[test]
    fn ripple_folds_back() {
        for (ripple_hz, steady) in [(16_000, true), (16_100, false)] {
            let noise = ConverterNoise {
                mains_v: 0.0,
                ripple_v: 10.0,
                ripple_hz,
                ..NOISE
            };
            let array = point(1e-9, 1e-7);
            let regime =
                NoiseRegime::new(&noise, &array, Earthing::NotEarthed, &SENSORS(), 4000, 50);
            let x = f64::from(ripple_hz) / 1000.0;
            let through = 1.0 / (1.0 + x.powi(4)).sqrt();
            let full = std::f64::consts::TAU * f64::from(ripple_hz) * 1e-7 * 10.0 * through;
            let first = regime.at(SampleIndex(0)).i_a;
            let second = regime.at(SampleIndex(10)).i_a;
            assert_eq!((first - second).abs() < 1e-9 * full, steady);
            if !steady {
                let got = peak(&regime, 0..400);
                assert!((got / full - 1.0).abs() < 0.01, "{got} {full}");
                let again = regime.at(SampleIndex(40)).i_a;
                assert!((first - again).abs() < 1e-9 * full, "100 Hz: 40 samples");
            }
        }
    }

    /// A bond of 0.3 Ω shorts the array: the source's 20 Ω limit the current to 160 V/20.3 Ω = 7.882 A.
    #[test]
    fn a_bond_takes_what_the_source_gives() {
        let noise = ConverterNoise {
            source_ohm: 20.0,
            ..NOISE
        };
        let regime = NoiseRegime::new(
            &noise,
            &point(1.0 / 0.3, 1e-6),
            Earthing::NegativeBonded,
            &SENSORS(),
            4000,
            50,
        );
        let got = peak(&regime, 0..80);
        assert!((got / 7.882 - 1.0).abs() < 1e-3, "{got}");
    }
}
