//! A recorded current as it plays: at the core's rate, and with what has to come before it.
//!
//! Detectors have to know what is normal before a trace begins. So a pre-roll is played until the array has been connected
//! for a while: direct current, fundamental and harmonics to the fifth, fitted by least squares to the trace's own
//! beginning and continued backwards from it without a seam. A beginning shorter than three cycles gives no fundamental:
//! the pre-roll then stands at the beginning's mean.

use super::run::RATE_HZ;
use faer::Mat;
use faer::prelude::*;
use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Async, FixedAsync, Resampler, SincInterpolationParameters, WindowFunction};
use std::f64::consts::{SQRT_2, TAU};

/// Harmonics in the pre-roll, the fundamental being the first.
const HARMONICS: usize = 5;
const COLUMNS: usize = 1 + 2 * HARMONICS;
/// How much of the beginning is fitted at most.
const FIT_S: f64 = 0.5;
/// Fewest cycles that tell a frequency.
const FIT_CYCLES: f64 = 3.0;
/// Frequencies tried to either side of the nominal one: as far as the firmware follows.
const AROUND_HZ: f64 = 4.0;
/// Length of the resampling filter in samples of the slower side; 64 leave a transition band of about a tenth of it.
const SINC_LEN: usize = 64;

/// Two poles to earth, V.
pub type PoleVolts = [f32; 2];

/// A trace at [`RATE_HZ`].
#[derive(Clone, PartialEq)]
pub struct Recorded {
    /// Bond current, A.
    pub i_a: Vec<f32>,
    /// Poles, if they were recorded.
    pub poles_v: Option<Vec<PoleVolts>>,
    /// What comes before it.
    pub pre_roll: PreRoll,
}

/// A periodic current that leads into the trace.
#[derive(Clone, PartialEq, Debug)]
pub struct PreRoll {
    /// Frequency; the nominal one where none was found.
    pub hz: f64,
    /// Mean, A.
    pub dc_a: f64,
    /// Cosine and sine amplitudes, A, phase counted from the trace's first sample. Empty: none was fitted.
    pub harmonics_a: Vec<(f64, f64)>,
}

/// Without its samples: a case is printed when it fails.
impl std::fmt::Debug for Recorded {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recorded")
            .field("seconds", &self.seconds())
            .field("pre_roll", &self.pre_roll)
            .finish_non_exhaustive()
    }
}

impl Recorded {
    /// Current at `t_s` after the trace's first sample, by a straight line; before it and behind its end the pre-roll at
    /// this phase.
    pub fn current_a(&self, t_s: Option<f64>, cycles: f64) -> f64 {
        match t_s.filter(|t_s| *t_s < self.seconds()) {
            None => self.pre_roll.current_a(cycles),
            Some(t_s) => {
                let at = (t_s * f64::from(RATE_HZ)).max(0.0);
                let last = self.i_a.len() - 1;
                let here = (at as usize).min(last);
                let next = (here + 1).min(last);
                let (a, b) = (f64::from(self.i_a[here]), f64::from(self.i_a[next]));
                a + (b - a) * at.fract()
            }
        }
    }

    /// Recorded poles at this time; `None` where there are none, and before and behind the trace.
    pub fn poles_v(&self, t_s: Option<f64>) -> Option<PoleVolts> {
        let at = (t_s? * f64::from(RATE_HZ)).max(0.0) as usize;
        self.poles_v.as_ref()?.get(at).copied()
    }

    /// Length, s.
    pub fn seconds(&self) -> f64 {
        self.i_a.len() as f64 / f64::from(RATE_HZ)
    }
}

impl PreRoll {
    fn current_a(&self, cycles: f64) -> f64 {
        let mut sum = self.dc_a;
        for (n, (cos_a, sin_a)) in self.harmonics_a.iter().enumerate() {
            let (sin, cos) = (TAU * cycles.fract() * (n + 1) as f64).sin_cos();
            sum += cos_a * cos + sin_a * sin;
        }
        sum
    }

    /// In words, for whoever reads the result.
    pub fn words(&self) -> String {
        match self.harmonics_a.first() {
            Some((cos_a, sin_a)) => format!(
                "pre-roll from the trace's own beginning: {:.2} mA DC, {:.2} mA RMS at {:.3} Hz, harmonics to the fifth",
                self.dc_a * 1e3,
                cos_a.hypot(*sin_a) / SQRT_2 * 1e3,
                self.hz
            ),
            None => format!(
                "pre-roll: {:.2} mA DC, the beginning's mean (too short for a frequency)",
                self.dc_a * 1e3
            ),
        }
    }

    /// Fitted to the first `seconds` of a trace.
    pub fn of(i_a: &[f32], seconds: f64, nominal_hz: f64) -> Self {
        let rate = f64::from(RATE_HZ);
        let n = ((seconds.min(FIT_S) * rate) as usize).clamp(1, i_a.len());
        let begin = &i_a[..n];
        let mean = begin.iter().map(|i| f64::from(*i)).sum::<f64>() / n as f64;
        let flat = Self {
            hz: nominal_hz,
            dc_a: mean,
            harmonics_a: Vec::new(),
        };
        if (n as f64) < FIT_CYCLES * rate / (nominal_hz - AROUND_HZ) {
            return flat;
        }
        // The residual has one valley, a reciprocal of the length wide: half-seconds make 2 Hz.
        let steps = 80;
        let hz = |k: i32| nominal_hz + AROUND_HZ * f64::from(k) / f64::from(steps / 2);
        let best = (-steps / 2..=steps / 2)
            .map(|k| (fit(begin, hz(k)).0, k))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(0, |(_, k)| k);
        let (mut low, mut high) = (hz(best - 1), hz(best + 1));
        for _ in 0..30 {
            let (a, b) = (low + (high - low) * 0.382, low + (high - low) * 0.618);
            if fit(begin, a).0 < fit(begin, b).0 {
                high = b;
            } else {
                low = a;
            }
        }
        let hz = f64::midpoint(low, high);
        let (_, x) = fit(begin, hz);
        Self {
            hz,
            dc_a: x[0],
            harmonics_a: (0..HARMONICS)
                .map(|k| (x[1 + 2 * k], x[2 + 2 * k]))
                .collect(),
        }
    }
}

/// Least squares of DC and harmonics of `hz`: sum of squares left over, and the solution.
fn fit(i_a: &[f32], hz: f64) -> (f64, [f64; COLUMNS]) {
    let a = Mat::from_fn(i_a.len(), COLUMNS, |row, column| {
        let angle = TAU * hz * row as f64 / f64::from(RATE_HZ) * column.div_ceil(2) as f64;
        if column % 2 == 1 || column == 0 {
            angle.cos()
        } else {
            angle.sin()
        }
    });
    let b = Mat::from_fn(i_a.len(), 1, |row, _| f64::from(i_a[row]));
    let x = a.qr().solve_lstsq(&b);
    let left = &b - &a * &x;
    (left.squared_norm_l2(), std::array::from_fn(|k| x[(k, 0)]))
}

/// Brings one channel from `rate_hz` to [`RATE_HZ`] with a windowed-sinc filter at the lower Nyquist frequency.
///
/// The ends are continued by point reflection, so that neither level nor slope breaks off there.
///
/// # Errors
/// What the resampler says.
pub fn resample(values: &[f32], rate_hz: f64) -> Result<Vec<f32>, String> {
    let ratio = f64::from(RATE_HZ) / rate_hz;
    if (ratio - 1.0).abs() < 1e-6 {
        return Ok(values.to_vec());
    }
    let sinc_len = ((SINC_LEN as f64 * (1.0 / ratio).max(1.0)).ceil() as usize).next_multiple_of(8);
    // Where the first sample comes out: behind the padding and what is left of the filter's delay once the resampler has
    // taken whole samples of it off, and one more, for its first value belongs to the second moment.
    let delay = sinc_len as f64 / 2.0 * ratio;
    let place = |pad: usize| pad as f64 * ratio + delay.fract() - 1.0;
    // A padding that brings it out on a whole sample, as nearly as there is one.
    let off_whole = |pad: usize| (place(pad) - place(pad).round()).abs();
    let pad = (sinc_len..sinc_len + 200)
        .min_by(|a, b| off_whole(*a).total_cmp(&off_whole(*b)))
        .unwrap_or(sinc_len);
    let last = values.len() - 1;
    let before = (1..=pad)
        .rev()
        .map(|k| 2.0 * values[0] - values[k.min(last)]);
    let after = (1..=pad).map(|k| 2.0 * values[last] - values[last - k.min(last)]);
    let padded: Vec<f32> = before.chain(values.iter().copied()).chain(after).collect();
    let parameters = SincInterpolationParameters::new(sinc_len, WindowFunction::BlackmanHarris2);
    let mut resampler = Async::<f32>::new_sinc(ratio, 1.0, &parameters, 1024, 1, FixedAsync::Input)
        .map_err(|why| why.to_string())?;
    let input = InterleavedSlice::new(&padded, 1, padded.len()).map_err(|why| why.to_string())?;
    let output = resampler
        .process_all(&input, padded.len(), None)
        .map_err(|why| why.to_string())?;
    let skip = place(pad).round() as usize;
    let wanted = (values.len() as f64 * ratio) as usize;
    Ok(output
        .take_data()
        .into_iter()
        .skip(skip)
        .take(wanted)
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sine(rate_hz: f64, seconds: f64, hz: f64, a: f64, dc: f64) -> Vec<f32> {
        (0..(seconds * rate_hz) as usize)
            .map(|n| (dc + a * (TAU * hz * n as f64 / rate_hz + 0.3).sin()) as f32)
            .collect()
    }

    /// A sine stays the same sine at every rate (sampling theorem), edges too; what lies above the new Nyquist frequency
    /// of 2 kHz is gone.
    #[test]
    fn a_sine_comes_through_every_rate() {
        for rate_hz in [1000.0, 4000.0, 5000.0, 10_000.0, 12_345.6, 100_000.0] {
            let out = resample(&sine(rate_hz, 0.5, 50.0, 0.3, 0.1), rate_hz).expect("resamples");
            let want = sine(4000.0, 0.5, 50.0, 0.3, 0.1);
            assert!(
                out.len().abs_diff(want.len()) <= 2,
                "{rate_hz}: {}",
                out.len()
            );
            for (n, (a, b)) in out.iter().zip(&want).enumerate() {
                assert!((a - b).abs() < 3e-3, "{rate_hz} Hz, sample {n}: {a} {b}");
            }
        }
        let out = resample(&sine(100_000.0, 0.5, 7000.0, 1.0, 0.0), 100_000.0).expect("resamples");
        let worst = out[100..out.len() - 100]
            .iter()
            .fold(0.0_f32, |m, i| m.max(i.abs()));
        assert!(worst < 1e-3, "{worst}");
    }

    #[test]
    fn the_pre_roll_goes_over_into_the_trace_without_a_seam() {
        let i_a = sine(4000.0, 0.3, 48.7, 0.3, -0.05);
        let pre_roll = PreRoll::of(&i_a, 0.3, 50.0);
        assert!((pre_roll.hz - 48.7).abs() < 1e-3, "{pre_roll:?}");
        assert!((pre_roll.dc_a + 0.05).abs() < 1e-5, "{pre_roll:?}");
        for n in 0..80 {
            let t_s = f64::from(n) / 4000.0;
            let want = f64::from(i_a[n as usize]);
            assert!((pre_roll.current_a(48.7 * t_s) - want).abs() < 1e-4);
        }
    }

    #[test]
    fn a_short_beginning_gives_its_mean() {
        let pre_roll = PreRoll::of(&sine(4000.0, 0.3, 50.0, 0.0, 0.02), 0.01, 50.0);
        assert!((pre_roll.dc_a - 0.02).abs() < 1e-6 && pre_roll.harmonics_a.is_empty());
    }
}
