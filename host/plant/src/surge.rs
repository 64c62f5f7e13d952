//! Lightning nearby: an 8/20 µs current pulse in the bond, and the front end's anti-alias filter that it meets.

use ohmward_proto::SampleIndex;

/// Cubic form i = A·Ip·t³·e^{−t/τ} of IEEE C62.41.2; constants from memory, the shape they give is checked in the
/// tests (T1 8.02 µs, T2 19.94 µs). A double exponential cannot be 8/20.
const A_PER_US3: f64 = 0.012_43;
const TAU_US: f64 = 3.911;
/// After this the pulse is below 1e-12 of its peak.
const OVER_S: f64 = 150e-6;

/// One pulse.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Surge {
    /// Begins at the start of this sample period.
    pub at: SampleIndex,
    /// Peak, A; the sign is the direction in the bond.
    pub peak_a: f64,
}

impl Surge {
    /// Current `t_s` after its beginning, A.
    pub fn current_a(&self, t_s: f64) -> f64 {
        let t_us = t_s * 1e6;
        if t_us <= 0.0 {
            0.0
        } else {
            self.peak_a * A_PER_US3 * t_us.powi(3) * (-t_us / TAU_US).exp()
        }
    }

    /// The pulse still flows `t_s` after its beginning.
    pub fn flows(t_s: f64) -> bool {
        t_s < OVER_S
    }
}

/// Second-order low-pass with Butterworth damping, stepped exactly for an input held over the step.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LowPass {
    /// Transition of (output, slope/ω) around the held input, over one step.
    phi: [[f64; 2]; 2],
}

/// Memory of a [`LowPass`].
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct LowPassState {
    y: f64,
    slope: f64,
}

impl LowPass {
    /// `corner_hz`: −3 dB; `step_s`: time of one step.
    pub fn new(corner_hz: f64, step_s: f64) -> Self {
        // Poles at ω·(−1 ± j)/√2: real and imaginary part alike.
        let s = std::f64::consts::TAU * corner_hz * std::f64::consts::FRAC_1_SQRT_2 * step_s;
        let (sin, cos) = s.sin_cos();
        let (damped_sin, damped_cos) = ((-s).exp() * sin, (-s).exp() * cos);
        let cross = std::f64::consts::SQRT_2 * damped_sin;
        Self {
            phi: [
                [damped_cos + damped_sin, cross],
                [-cross, damped_cos - damped_sin],
            ],
        }
    }

    /// One step with `input` held; gives the output at its end.
    pub fn step(&self, state: &mut LowPassState, input: f64) -> f64 {
        let off = state.y - input;
        let slope = state.slope;
        state.y = input + self.phi[0][0] * off + self.phi[0][1] * slope;
        state.slope = self.phi[1][0] * off + self.phi[1][1] * slope;
        state.y
    }
}

impl LowPassState {
    /// At rest at this value.
    pub fn resting(y: f64) -> Self {
        Self { y, slope: 0.0 }
    }

    /// Within a hundredth of the finest converter step of rest at `input`.
    pub fn settled(&self, input: f64) -> bool {
        (self.y - input).abs() < 1e-6 && self.slope.abs() < 1e-6
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KILOAMPERE: Surge = Surge {
        at: SampleIndex(0),
        peak_a: 1000.0,
    };
    const DT_S: f64 = 1e-9;

    fn crossing(level: f64, from_us: f64) -> f64 {
        let rising = KILOAMPERE.current_a(from_us * 1e-6) < level;
        let mut t_s = from_us * 1e-6;
        while (KILOAMPERE.current_a(t_s) < level) == rising {
            t_s += DT_S;
        }
        t_s * 1e6
    }

    /// Shape by numeric integration with numpy, apart from this code: peak 0.99957 of Ip at 11.733 µs, T1 8.023 µs,
    /// T2 19.938 µs from the virtual origin, 0.017457 C for each kA of the peak reached. T1 = 1.25·(t90 − t10): IEC 60060-1.
    #[test]
    fn is_an_8_20_wave() {
        let samples: Vec<f64> = (0..200_000)
            .map(|k| KILOAMPERE.current_a(f64::from(k) * DT_S))
            .collect();
        let (at, peak) = samples
            .iter()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(b.1))
            .unwrap();
        assert!((peak / 999.57 - 1.0).abs() < 1e-5, "{peak}");
        assert!((at as f64 * DT_S * 1e6 - 11.733).abs() < 2e-3);
        let charge: f64 = samples.iter().sum::<f64>() * DT_S;
        assert!(
            (charge / (0.017_457e-3 * peak) - 1.0).abs() < 1e-4,
            "{charge}"
        );
        let (t10, t90) = (crossing(0.1 * peak, 0.0), crossing(0.9 * peak, 0.0));
        let t1 = 1.25 * (t90 - t10);
        let origin = t10 - (t90 - t10) / 8.0;
        let t2 = crossing(0.5 * peak, 11.8) - origin;
        assert!((t1 - 8.023).abs() < 3e-3, "{t1}");
        assert!((t2 - 19.938).abs() < 3e-3, "{t2}");
    }

    /// A low-pass of unity gain keeps the area of what goes through it: 60 A leave 1.047 mC (0.017457 C/kA, numpy),
    /// which is about 0.9 A for about 1 ms.
    #[test]
    fn filter_keeps_the_charge() {
        let surge = Surge {
            at: SampleIndex(0),
            peak_a: 60.0,
        };
        let filter = LowPass::new(1000.0, 1e-6);
        let mut state = LowPassState::default();
        let out: Vec<f64> = (0..20_000)
            .map(|k| filter.step(&mut state, surge.current_a((f64::from(k) + 0.5) * 1e-6)))
            .collect();
        let charge: f64 = out.iter().sum::<f64>() * 1e-6;
        assert!((charge / 1.0474e-3 - 1.0).abs() < 1e-3, "{charge}");
        let above = out.iter().filter(|i| i.abs() > 0.1).count();
        assert!((500..1500).contains(&above), "{above} µs above 0.1 A");
    }

    /// Butterworth step response: overshoot e^{−π} = 4.32 % (textbook, damping 1/√2), and −3 dB at the corner.
    #[test]
    fn filter_is_butterworth() {
        let filter = LowPass::new(1000.0, 1e-6);
        let mut state = LowPassState::default();
        let top = (0..5000)
            .map(|_| filter.step(&mut state, 1.0))
            .fold(0.0, f64::max);
        assert!(
            (top - 1.0 - (-std::f64::consts::PI).exp()).abs() < 1e-5,
            "{top}"
        );
        assert!(state.settled(1.0));
        let mut state = LowPassState::default();
        let top = (0..50_000)
            .map(|k| {
                filter.step(
                    &mut state,
                    (std::f64::consts::TAU * 1e-3 * (f64::from(k) + 0.5)).sin(),
                )
            })
            .skip(40_000)
            .fold(0.0, f64::max);
        assert!(
            (top - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-4,
            "{top}"
        );
    }
}
