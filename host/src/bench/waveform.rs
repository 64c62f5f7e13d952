//! Made-up bond currents: what stands for ever, and what begins at the onset.

use super::recorded::{PoleVolts, Recorded};
use ohmward_plant::surge::Surge;
use ohmward_proto::SampleIndex;
use std::f64::consts::{SQRT_2, TAU};
use std::sync::Arc;

/// How a current runs over a mains cycle; its size is always its RMS.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Shape {
    /// Direct.
    Dc,
    /// Sine, this part of a cycle ahead of the standing capacitive current: 0.25 is quadrature, what a resistor adds.
    Ac {
        /// Lead, cycles.
        lead_cycles: f64,
    },
    /// One half wave of a sine; the amplitude is twice the RMS.
    HalfWave {
        /// Lead, cycles.
        lead_cycles: f64,
    },
}

impl Shape {
    /// Value for an RMS of 1; `cycles` is the phase of the standing current.
    fn value(self, cycles: f64) -> f64 {
        match self {
            Self::Dc => 1.0,
            Self::Ac { lead_cycles } => SQRT_2 * ((cycles + lead_cycles) * TAU).sin(),
            Self::HalfWave { lead_cycles } => 2.0 * ((cycles + lead_cycles) * TAU).sin().max(0.0),
        }
    }
}

/// One thing that happens. Times are seconds after the onset; a negative current turns its sign or polarity.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Part {
    /// A current that comes at once, and goes again at `to_s` if there is one.
    Step {
        /// Begin.
        from_s: f64,
        /// End.
        to_s: Option<f64>,
        /// Over a cycle.
        shape: Shape,
        /// RMS.
        rms_a: f64,
    },
    /// A current that grows in a straight line and then stays.
    Ramp {
        /// Begin.
        from_s: f64,
        /// Time to its full size.
        over_s: f64,
        /// Over a cycle.
        shape: Shape,
        /// RMS in the end.
        rms_a: f64,
    },
    /// A current that makes and breaks.
    Arc {
        /// Begin.
        from_s: f64,
        /// End.
        to_s: Option<f64>,
        /// Time it burns.
        on_s: f64,
        /// Time between.
        off_s: f64,
        /// Over a cycle.
        shape: Shape,
        /// RMS while it burns.
        rms_a: f64,
    },
    /// A charging current: dies away with `tau_s`, ringing at `ring_hz` (0: not at all).
    Inrush {
        /// Begin.
        from_s: f64,
        /// First value.
        peak_a: f64,
        /// Time constant.
        tau_s: f64,
        /// Ringing.
        ring_hz: f64,
    },
    /// A stroke of lightning nearby: 8/20 µs.
    Stroke {
        /// Begin, at least one sample after the onset.
        at_s: f64,
        /// Peak.
        peak_a: f64,
    },
}

impl Part {
    /// Current at `t_s` after the onset, but for strokes, which need finer steps.
    fn value(&self, t_s: f64, cycles: f64) -> f64 {
        let within =
            |from_s: f64, to_s: Option<f64>| t_s >= from_s && to_s.is_none_or(|to| t_s < to);
        match *self {
            Self::Step {
                from_s,
                to_s,
                shape,
                rms_a,
            } if within(from_s, to_s) => rms_a * shape.value(cycles),
            Self::Ramp {
                from_s,
                over_s,
                shape,
                rms_a,
            } if t_s >= from_s => rms_a * ((t_s - from_s) / over_s).min(1.0) * shape.value(cycles),
            Self::Arc {
                from_s,
                to_s,
                on_s,
                off_s,
                shape,
                rms_a,
            } if within(from_s, to_s) => {
                let burns = (t_s - from_s) % (on_s + off_s) < on_s;
                if burns {
                    rms_a * shape.value(cycles)
                } else {
                    0.0
                }
            }
            Self::Inrush {
                from_s,
                peak_a,
                tau_s,
                ring_hz,
            } if t_s >= from_s => {
                let t_s = t_s - from_s;
                peak_a * (-t_s / tau_s).exp() * (TAU * ring_hz * t_s).cos()
            }
            Self::Step { .. }
            | Self::Ramp { .. }
            | Self::Arc { .. }
            | Self::Inrush { .. }
            | Self::Stroke { .. } => 0.0,
        }
    }

    fn stroke_a(&self, t_s: f64) -> f64 {
        match *self {
            Self::Stroke { at_s, peak_a } => Surge {
                at: SampleIndex(0),
                peak_a,
            }
            .current_a(t_s - at_s),
            _ => 0.0,
        }
    }
}

/// Switching ripple of a converter, steady: high above the front end's corner.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Ripple {
    /// Frequency.
    pub hz: f64,
    /// Amplitude before the front end's filter.
    pub peak_a: f64,
}

/// A bond current over time.
#[derive(Clone, PartialEq, Debug)]
pub struct Waveform {
    /// Frequency of the mains.
    pub mains_hz: f64,
    /// It swings by this much to either side …
    pub wander_hz: f64,
    /// … within this time.
    pub wander_every_s: f64,
    /// Phase of the mains at the onset, cycles.
    pub onset_cycles: f64,
    /// What stands, 1/f noise and ripple come with the converter, when the contactor closes; else they are always there.
    pub from_closing: bool,
    /// Standing direct current.
    pub standing_dc_a: f64,
    /// Standing alternating current, RMS of its fundamental.
    pub standing_ac_a: f64,
    /// Harmonics two to five as parts of the fundamental.
    pub harmonics: [f64; 4],
    /// Slope of the front end's offset from the onset on, A/s.
    pub drift_a_per_s: f64,
    /// White noise of the converter, RMS.
    pub noise_a: f64,
    /// Noise that falls with 1/f, RMS.
    pub pink_noise_a: f64,
    /// Ripple.
    pub ripple: Option<Ripple>,
    /// What happens.
    pub parts: Vec<Part>,
    /// A charging current each time the contactor closes; its `from_s` counts from there.
    pub at_closing: Option<Part>,
    /// A recorded current, whose first sample is the onset; before and after it its pre-roll.
    pub recorded: Option<Arc<Recorded>>,
}

impl Waveform {
    /// Nothing but a little noise.
    pub fn quiet(mains_hz: f64) -> Self {
        Self {
            mains_hz,
            wander_hz: 0.0,
            wander_every_s: 10.0,
            onset_cycles: 0.0,
            from_closing: false,
            standing_dc_a: 0.0,
            standing_ac_a: 0.0,
            harmonics: [0.0; 4],
            drift_a_per_s: 0.0,
            noise_a: 0.000_2,
            pink_noise_a: 0.0,
            ripple: None,
            parts: Vec::new(),
            at_closing: None,
            recorded: None,
        }
    }

    /// With one more thing that happens.
    #[must_use]
    pub fn with(mut self, part: Part) -> Self {
        self.parts.push(part);
        self
    }
}

/// A waveform as it plays.
#[derive(Clone, Debug)]
pub struct Player {
    waveform: Waveform,
    time_s: f64,
    cycles: f64,
    armed: bool,
    /// Seconds since the onset.
    onset_s: Option<f64>,
    /// Seconds since the contactor closed.
    closed_s: Option<f64>,
}

impl Player {
    /// From the beginning, onset not yet in sight.
    pub fn new(waveform: &Waveform) -> Self {
        Self {
            waveform: waveform.clone(),
            time_s: 0.0,
            cycles: 0.0,
            armed: false,
            onset_s: None,
            closed_s: None,
        }
    }

    /// The onset comes when the mains reach their phase next.
    pub fn arm(&mut self) {
        self.armed = true;
    }

    /// The onset is now.
    pub fn begin(&mut self) {
        self.armed = false;
        self.onset_s = Some(0.0);
    }

    /// Seconds since the onset, at the end of the latest step.
    pub fn since_onset_s(&self) -> Option<f64> {
        self.onset_s
    }

    /// Recorded poles now; `None` where there are none.
    pub fn poles_v(&self) -> Option<PoleVolts> {
        self.waveform.recorded.as_ref()?.poles_v(self.onset_s)
    }

    /// Length of the recorded current, if it is one, s.
    pub fn recorded_s(&self) -> Option<f64> {
        self.waveform
            .recorded
            .as_ref()
            .map(|recorded| recorded.seconds())
    }

    /// The contactor is closed or open.
    pub fn contactor(&mut self, closed: bool) {
        self.closed_s = match (closed, self.closed_s) {
            (true, None) => Some(0.0),
            (true, since) => since,
            (false, _) => None,
        };
    }

    /// A stroke flows within the next `span_s`: steps have to be as fine as it is.
    pub fn needs_fine_steps(&self, span_s: f64) -> bool {
        let Some(now_s) = self.onset_s else {
            return false;
        };
        self.waveform.parts.iter().any(|part| match *part {
            Part::Stroke { at_s, .. } => at_s < now_s + span_s && Surge::flows(now_s - at_s),
            _ => false,
        })
    }

    /// Current in the middle of the next `step_s`, and time goes on by it.
    pub fn step(&mut self, step_s: f64) -> f64 {
        let w = &self.waveform;
        let half_s = step_s / 2.0;
        let hz = if w.wander_hz > 0.0 {
            w.mains_hz + w.wander_hz * (TAU * self.time_s / w.wander_every_s).sin()
        } else {
            w.mains_hz
        };
        let cycles = self.cycles + hz * half_s;
        let mut i_a = if self.stands() {
            self.standing(cycles)
        } else {
            0.0
        };
        if let Some(t_s) = self.onset_s {
            let t_s = t_s + half_s;
            i_a += w.drift_a_per_s * t_s;
            for part in &w.parts {
                i_a += part.value(t_s, cycles) + part.stroke_a(t_s);
            }
        }
        if let Some(recorded) = &w.recorded {
            let t_s = self.onset_s.map(|t_s| t_s + half_s);
            // Behind the recording, what is normal comes through the contactor.
            let over = t_s.is_some_and(|t_s| t_s >= recorded.seconds());
            if !over || self.closed_s.is_some() {
                i_a += recorded.current_a(t_s, cycles);
            }
        }
        if let (Some(part), Some(t_s)) = (&w.at_closing, self.closed_s) {
            i_a += part.value(t_s + half_s, cycles);
        }
        self.time_s += step_s;
        self.onset_s = self.onset_s.map(|t_s| t_s + step_s);
        self.closed_s = self.closed_s.map(|t_s| t_s + step_s);
        let before = self.cycles;
        self.cycles += hz * step_s;
        let onset = |cycles: f64| (cycles - w.onset_cycles).floor();
        if self.armed && onset(self.cycles) > onset(before) {
            self.armed = false;
            // It lay within this step.
            self.onset_s = Some((self.cycles - w.onset_cycles).rem_euclid(1.0) / hz);
        }
        i_a
    }

    /// What stands flows now.
    pub fn stands(&self) -> bool {
        !self.waveform.from_closing || self.closed_s.is_some()
    }

    fn standing(&self, cycles: f64) -> f64 {
        let w = &self.waveform;
        if w.standing_ac_a == 0.0 {
            return w.standing_dc_a;
        }
        let (sin, cos) = (cycles.fract() * TAU).sin_cos();
        // The n-th harmonic is the n-th power of the turning pointer; one sine a step is what a sample may cost.
        let (mut re, mut im) = (cos, sin);
        let mut sum = sin;
        for part in w.harmonics {
            (re, im) = (re * cos - im * sin, re * sin + im * cos);
            // Harmonics of a capacitive current lead: a fixed sixth of their own cycle here.
            sum += part * (0.5 * im + 0.866 * re);
        }
        w.standing_dc_a + w.standing_ac_a * SQRT_2 * sum
    }

    /// Ripple as the converter sees it: what the second-order filter leaves of a steady sine, sampled now.
    pub fn ripple_a(&self, corner_hz: f64) -> f64 {
        let Some(ripple) = self.waveform.ripple.filter(|_| self.stands()) else {
            return 0.0;
        };
        let ratio = ripple.hz / corner_hz;
        // Butterworth of second order: |H| = 1/√(1 + (f/fc)⁴), phase −atan2(√2·f/fc, 1 − (f/fc)²) (textbook).
        let gain = 1.0 / (1.0 + ratio.powi(4)).sqrt();
        let phase = -(SQRT_2 * ratio).atan2(1.0 - ratio * ratio);
        let turns = (ripple.hz * self.time_s).fract();
        ripple.peak_a * gain * (TAU * turns + phase).sin()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ohmward_plant::surge::{LowPass, LowPassState};

    const STEP_S: f64 = 125e-6;

    fn rms_after_onset(waveform: &Waveform) -> f64 {
        let mut player = Player::new(waveform);
        player.arm();
        while player.since_onset_s().is_none() {
            player.step(STEP_S);
        }
        let n = 1600; // 0.2 s: ten cycles of 50 Hz
        let squares: f64 = (0..n).map(|_| player.step(STEP_S).powi(2)).sum();
        (squares / f64::from(n)).sqrt()
    }

    /// RMS of a sine is amplitude/√2, of its half wave amplitude/2 (textbook).
    #[test]
    fn every_shape_has_its_rms() {
        for shape in [
            Shape::Dc,
            Shape::Ac { lead_cycles: 0.3 },
            Shape::HalfWave { lead_cycles: 0.7 },
        ] {
            let mut waveform = Waveform::quiet(50.0).with(Part::Step {
                from_s: 0.0,
                to_s: None,
                shape,
                rms_a: -0.06,
            });
            waveform.onset_cycles = 0.37;
            let rms_a = rms_after_onset(&waveform);
            assert!((rms_a - 0.06).abs() < 1e-5, "{shape:?}: {rms_a}");
        }
    }

    /// In quadrature the squares add: √(0.3² + 0.03²) = 0.301496 (Pythagoras).
    #[test]
    fn a_quarter_cycle_is_quadrature() {
        let mut waveform = Waveform::quiet(50.0).with(Part::Step {
            from_s: 0.0,
            to_s: None,
            shape: Shape::Ac { lead_cycles: 0.25 },
            rms_a: 0.03,
        });
        waveform.standing_ac_a = 0.3;
        let rms_a = rms_after_onset(&waveform);
        assert!((rms_a - 0.301_496).abs() < 2e-5, "{rms_a}");
    }

    /// The closed form of the filtered ripple against the plant's filter in steps of 1 µs; and its alias: 16 003 Hz at
    /// 4 kS/s repeats every 4000/3 samples, so it shows at 3 Hz (sampling theorem).
    #[test]
    fn ripple_behind_the_filter_is_what_the_filter_makes_of_it() {
        let mut waveform = Waveform::quiet(50.0);
        waveform.ripple = Some(Ripple {
            hz: 16_003.0,
            peak_a: 2.0,
        });
        let filter = LowPass::new(1000.0, 1e-6);
        let mut state = LowPassState::default();
        let mut player = Player::new(&waveform);
        let mut peak_a = 0.0_f64;
        for n in 0..400 {
            let mut filtered = 0.0;
            for k in 0..250 {
                let t_s = (f64::from(n) * 250.0 + f64::from(k) + 0.5) * 1e-6;
                filtered = filter.step(&mut state, 2.0 * (TAU * 16_003.0 * t_s).sin());
            }
            player.step(250e-6);
            if n > 40 {
                let closed = player.ripple_a(1000.0);
                assert!((closed - filtered).abs() < 2e-5, "{closed} {filtered}");
                peak_a = peak_a.max(closed.abs());
            }
        }
        // 2 A / √(1 + 16.003⁴) = 7.81 mA, reached within 0.1 s = 0.3 cycles of 3 Hz.
        assert!((peak_a - 0.007_81).abs() < 2e-5, "{peak_a}");
    }
}
