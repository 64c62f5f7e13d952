//! What the bond current is made of: DC, the mains-frequency part with its angle, harmonics to the fifth, and the rest.
//!
//! For people and for the log; no limit rests on it. One stretch of whole mains cycles is taken right before each
//! reading, sample by sample, so that no single step has to do the work of a whole window.
//!
//! Whole cycles make the parts orthogonal, so the rest is what Parseval leaves: rms² − dc² − Σ harmonic².

use crate::calibrate::MicroAmps;
use ohmward_proto::measure::BondSpectrum;
use ohmward_proto::units::{Amps, SampleIndex};

/// Fundamental and harmonics to the fifth.
const PARTS: usize = 5;

/// A complex number.
type Phasor = (f32, f32);

fn times(a: Phasor, b: Phasor) -> Phasor {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

/// The mains period as it is known.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Cycle {
    /// Samples.
    pub samples: f32,
    /// Followed on the signal; else nominal.
    pub found: bool,
}

/// One stretch under way.
#[derive(Debug)]
pub struct Spectrum {
    cycle: Cycle,
    /// Samples in the stretch: whole ones, and the part of the last that makes the cycles whole.
    total: f32,
    len: u32,
    last: f32,
    n: u32,
    /// Turn of the fundamental in a sample, and where it has turned to.
    turn: Phasor,
    at: Phasor,
    sums: [Phasor; PARTS],
    sum: f32,
    squares: f32,
}

impl Spectrum {
    /// As many whole cycles as fit `window` samples of the nominal frequency.
    pub fn begin(cycle: Cycle, window: usize) -> Self {
        let cycles = (window as f32 / cycle.samples + 0.5) as u32;
        let (sin, cos) = libm::sincosf(core::f32::consts::TAU / cycle.samples);
        let total = cycles.max(1) as f32 * cycle.samples;
        // A thousandth of a sample is the period's own rounding.
        let len = libm::ceilf(total - 1e-3) as u32;
        Self {
            cycle,
            total,
            len,
            last: total - (len - 1) as f32,
            n: 0,
            turn: (cos, sin),
            at: (1.0, 0.0),
            sums: [(0.0, 0.0); PARTS],
            sum: 0.0,
            squares: 0.0,
        }
    }

    /// One sample. The result, once the stretch is complete.
    pub fn step(
        &mut self,
        now: SampleIndex,
        i: MicroAmps,
        sample_rate_hz: u32,
    ) -> Option<BondSpectrum> {
        self.n += 1;
        let over = self.n >= self.len;
        let weight = if over { self.last } else { 1.0 };
        let x = i.0 as f32;
        self.sum += weight * x;
        self.squares += weight * x * x;
        let x = weight * x;
        let mut power = self.at;
        for sum in &mut self.sums {
            sum.0 += x * power.0;
            sum.1 -= x * power.1;
            power = times(power, self.at);
        }
        self.at = times(self.at, self.turn);
        over.then(|| self.result(now, sample_rate_hz))
    }

    fn result(&self, now: SampleIndex, sample_rate_hz: u32) -> BondSpectrum {
        let n = self.total;
        let dc = self.sum / n;
        // RMS of a part from its sum: amplitude 2|S|/n over √2.
        let part = |s: Phasor| core::f32::consts::SQRT_2 * libm::sqrtf(s.0 * s.0 + s.1 * s.1) / n;
        let [first, second, third, fourth, fifth] = self.sums;
        let harmonics = [second, third, fourth, fifth].map(part);
        let fundamental = part(first);
        let known = harmonics
            .iter()
            .fold(dc * dc + fundamental * fundamental, |sum, h| sum + h * h);
        let rest = (self.squares / n - known).max(0.0);
        let amps = |ua: f32| Amps(ua * 1e-6);
        BondSpectrum {
            at: now,
            samples: self.n as u16,
            mains_hz: sample_rate_hz as f32 / self.cycle.samples,
            mains_found: self.cycle.found,
            dc: amps(dc),
            fundamental: amps(fundamental),
            fundamental_rad: libm::atan2f(first.1, first.0),
            harmonics: harmonics.map(amps),
            remainder: amps(libm::sqrtf(rest)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::{SQRT_2, TAU};

    fn analyse(hz: f64, current_a: impl Fn(f64) -> f64) -> BondSpectrum {
        let cycle = Cycle {
            samples: (4000.0 / hz) as f32,
            found: true,
        };
        let mut spectrum = Spectrum::begin(cycle, if hz > 55.0 { 200 } else { 80 });
        (0..)
            .find_map(|n| {
                let ua = current_a(f64::from(n) / 4000.0) * 1e6;
                spectrum.step(SampleIndex(0), MicroAmps(ua.round() as i32), 4000)
            })
            .unwrap()
    }

    /// Every part as it was put in (definition of the Fourier series).
    #[test]
    fn parts_come_out_as_they_went_in() {
        for hz in [50.0, 60.0] {
            let s = analyse(hz, |t| {
                let wave =
                    |k: f64, rms: f64, rad: f64| rms * SQRT_2 * (k * TAU * hz * t + rad).cos();
                -0.012
                    + wave(1.0, 0.3, 0.7)
                    + wave(2.0, 0.004, 2.0)
                    + wave(3.0, 0.025, -1.0)
                    + wave(5.0, 0.01, 0.3)
                    + wave(7.0, 0.008, 0.1)
            });
            let near = |a: Amps, b: f32| assert!((a.0 - b).abs() < 2e-5, "{a:?} {b} in {s:?}");
            near(s.dc, -0.012);
            near(s.fundamental, 0.3);
            assert!((s.fundamental_rad - 0.7).abs() < 1e-4, "{s:?}");
            for (seen, put) in s.harmonics.into_iter().zip([0.004, 0.025, 0.0, 0.01]) {
                near(seen, put);
            }
            // The seventh harmonic is nothing that is asked for; f32 in rms² − known costs a few digits.
            assert!((s.remainder.0 - 0.008).abs() < 2e-4, "{s:?}");
            assert!((f64::from(s.mains_hz) - hz).abs() < 0.001);
        }
    }

    /// Off its nominal frequency a stretch ends within a sample.
    #[test]
    fn off_nominal_mains_leak_less_than_a_percent() {
        for hz in [47.3, 49.5, 51.2, 62.7] {
            let s = analyse(hz, |t| 0.3 * SQRT_2 * (TAU * hz * t).sin());
            assert!((s.fundamental.0 - 0.3).abs() < 0.0005, "{hz}: {s:?}");
            assert!(
                s.remainder.0 < 0.003 && s.dc.0.abs() < 0.0005,
                "{hz}: {s:?}"
            );
        }
    }
}
