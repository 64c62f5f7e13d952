//! The ground-fault fuse: heats with the square of the bond current, cools, and melts once.
//!
//! `dθ/dt = i²/M − θ/τ`, melted at θ = 1. M is the melting I²t of the data sheet (adiabatic, short times); τ = M/I_m²
//! makes I_m the current that just melts it after a long time. One time constant: true at both ends, and a straight
//! guess between them, where data sheets give a curve.

use ohmward_proto::SampleIndex;
use serde::Deserialize;

/// Section `[fuse]`. Its cold resistance stands in `[earthing]`.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FuseSettings {
    /// Rating, A.
    pub rating_a: f64,
    /// Melting I²t, A²s.
    pub melting_a2s: f64,
    /// Melts at this current after a long time, A. Without it 1.35 × rating (UL 248-19 lets a fuse hold no longer than an
    /// hour at that; from memory).
    pub melting_a: Option<f64>,
}

/// The fuse at one moment. Starts cold.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fuse {
    melting_a2s: f64,
    tau_s: f64,
    /// 0 cold, 1 melts.
    heat: f64,
    melted: Option<SampleIndex>,
}

impl Fuse {
    /// Cold and whole.
    pub fn new(settings: &FuseSettings) -> Self {
        let melting_a = settings.melting_a.unwrap_or(1.35 * settings.rating_a);
        Self {
            melting_a2s: settings.melting_a2s,
            tau_s: settings.melting_a2s / (melting_a * melting_a),
            heat: 0.0,
            melted: None,
        }
    }

    /// Carries a current of this mean square, A², for `for_s` up to the sample `end`. True if it melts in that time.
    pub fn carry(&mut self, mean_square_a2: f64, for_s: f64, end: SampleIndex) -> bool {
        if self.melted.is_some() {
            return false;
        }
        let rest = self.rest(mean_square_a2);
        self.heat = rest + (self.heat - rest) * (-for_s / self.tau_s).exp();
        if self.heat >= 1.0 {
            self.melted = Some(end);
        }
        self.melted.is_some()
    }

    /// Time until it melts at a steady current, s; `None`: never.
    pub fn melts_after_s(&self, mean_square_a2: f64) -> Option<f64> {
        let rest = self.rest(mean_square_a2);
        let melts = self.melted.is_none() && rest > 1.0;
        melts.then(|| self.tau_s * ((rest - self.heat) / (rest - 1.0)).ln())
    }

    /// First sample at which it was open.
    pub fn melted(&self) -> Option<SampleIndex> {
        self.melted
    }

    fn rest(&self, mean_square_a2: f64) -> f64 {
        mean_square_a2 * self.tau_s / self.melting_a2s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ONE_AMP: FuseSettings = FuseSettings {
        rating_a: 1.0,
        melting_a2s: 0.8,
        melting_a: None,
    };

    /// Hand calculation. Short: t = M/i² (0.8/100² = 80 µs). Long: t = −τ·ln(1 − (1.35/i)²), τ = 0.8/1.35² = 0.4390 s;
    /// at 2 A 0.2669 s. Just under 1.35 A never.
    #[test]
    fn melts_when_arithmetic_says() {
        let fuse = Fuse::new(&ONE_AMP);
        for (i_a, t_s) in [(100.0, 80.007e-6), (2.0, 0.266_95)] {
            let got: f64 = fuse.melts_after_s(i_a * i_a).unwrap();
            assert!((got / t_s - 1.0).abs() < 1e-4, "{i_a} A: {got}");
        }
        assert_eq!(fuse.melts_after_s(1.349 * 1.349), None);
    }

    /// Carried in steps it melts where it was said to, once.
    #[test]
    fn steps_melt_where_foretold() {
        let mut fuse = Fuse::new(&ONE_AMP);
        assert!(
            !fuse.carry(1.0, 10.0, SampleIndex(1)),
            "its rating for ever"
        );
        let t_s = fuse.melts_after_s(9.0).unwrap();
        let step_s = 250e-6;
        let mut steps = 0_u64;
        while !fuse.carry(9.0, step_s, SampleIndex(steps + 1)) {
            steps += 1;
        }
        assert_eq!(steps, (t_s / step_s).floor() as u64);
        assert_eq!(fuse.melted(), Some(SampleIndex(steps + 1)));
        assert!(!fuse.carry(9.0, 1.0, SampleIndex(9_999_999)));
        assert_eq!(fuse.melts_after_s(9.0), None);
    }
}
