//! What a trace file holds, in amperes and volts, and when; from there to the core's rate.

use super::super::recorded::{PreRoll, Recorded, resample};
use super::super::run::RATE_HZ;

/// Samples at most: what is read is held in memory, 96 MB with all columns.
pub const ROWS_MAX: usize = 8_000_000;
/// Rates that make sense: sixteen places in a cycle of 60 Hz, and what a recorder of this current would use.
const RATE_HZ_MIN: f64 = 1000.0;
const RATE_HZ_MAX: f64 = 1_000_000.0;
/// Shortest trace, s.
const SHORTEST_S: f64 = 0.1;
/// A step of the time column may be this part longer or shorter than the mean; beyond it samples are missing.
const STEP_APART: f64 = 0.5;

/// Why a trace may begin to be faulty where it does, if the file itself says so.
#[derive(Clone, PartialEq, Debug)]
pub struct Onset {
    /// In the trace's own time.
    pub at_s: f64,
    /// What in the file says so.
    pub what: String,
}

/// Evenly sampled, from its first sample to the next stretch's.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stretch {
    /// Index of its first sample.
    pub from: usize,
    /// When that was, in the trace's own time.
    pub at_s: f64,
    /// Samples a second.
    pub rate_hz: f64,
}

/// A trace as it was read.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Rows {
    /// At least one; the first one's begin is the trace's.
    pub stretches: Vec<Stretch>,
    /// Bond current, A.
    pub i_a: Vec<f32>,
    /// Positive and negative pole to earth, V.
    pub poles_v: Option<(Vec<f32>, Vec<f32>)>,
    /// Where the fault begins, as far as the file says.
    pub onset: Option<Onset>,
    /// Which of the file's channels were taken, for whoever reads the result.
    pub taken: Option<String>,
}

impl Rows {
    /// When the first sample was, in the trace's own time.
    pub fn begin_s(&self) -> f64 {
        self.stretches.first().map_or(0.0, |stretch| stretch.at_s)
    }

    /// Its length: to a step behind the last sample.
    pub fn seconds(&self) -> f64 {
        self.stretches.last().map_or(0.0, |last| {
            last.at_s - self.begin_s() + (self.i_a.len() - last.from) as f64 / last.rate_hz
        })
    }

    /// Long and dense enough to be used.
    pub fn check(&self) -> Result<(), String> {
        let step_s = self.stretches.last().map_or(0.0, |last| 1.0 / last.rate_hz);
        let seconds = self.seconds() - step_s;
        if self.i_a.len() < 2 || seconds < SHORTEST_S {
            return Err(format!(
                "is {seconds:.3} s long: at least {SHORTEST_S} s are needed"
            ));
        }
        match self
            .stretches
            .iter()
            .find(|stretch| !(RATE_HZ_MIN..=RATE_HZ_MAX).contains(&stretch.rate_hz))
        {
            Some(stretch) => Err(format!(
                "has {:.0} samples a second: {RATE_HZ_MIN:.0} to {RATE_HZ_MAX:.0} can be used; is time_s in seconds?",
                stretch.rate_hz
            )),
            None => Ok(()),
        }
    }

    /// At the core's rate, with its pre-roll from the first `normal_s`.
    pub fn recorded(&self, normal_s: f64, nominal_hz: f64) -> Result<Recorded, String> {
        let i_a = self.at_core_rate(&self.i_a)?;
        let poles_v = match &self.poles_v {
            Some((v_pos, v_neg)) => {
                let poles = self
                    .at_core_rate(v_pos)?
                    .into_iter()
                    .zip(self.at_core_rate(v_neg)?);
                Some(poles.map(|(pos, neg)| [pos, neg]).collect())
            }
            None => None,
        };
        let pre_roll = PreRoll::of(&i_a, normal_s, nominal_hz);
        Ok(Recorded {
            i_a,
            poles_v,
            pre_roll,
        })
    }

    /// One channel at the core's rate. Each stretch goes through the filter by itself; where there are several, their
    /// samples fall between those of the first, and are brought there in straight lines.
    fn at_core_rate(&self, values: &[f32]) -> Result<Vec<f32>, String> {
        let filtered = |values: &[f32], rate_hz| {
            resample(values, rate_hz)
                .map_err(|why| format!("cannot be resampled to {RATE_HZ} Hz: {why}"))
        };
        if let [only] = self.stretches.as_slice() {
            return filtered(values, only.rate_hz);
        }
        let step_s = 1.0 / f64::from(RATE_HZ);
        let mut points: Vec<(f64, f32)> = Vec::new();
        for (n, stretch) in self.stretches.iter().enumerate() {
            let to = self
                .stretches
                .get(n + 1)
                .map_or(values.len(), |next| next.from);
            let part = filtered(&values[stretch.from..to], stretch.rate_hz)?;
            let times = (0..).map(|k| stretch.at_s - self.begin_s() + f64::from(k) * step_s);
            points.extend(times.zip(part));
        }
        let count = (self.seconds() * f64::from(RATE_HZ)) as usize;
        let mut next = 0;
        let line = (0..count).map(|k| {
            let t_s = k as f64 * step_s;
            while points.get(next).is_some_and(|(at_s, _)| *at_s < t_s) {
                next += 1;
            }
            match (
                next.checked_sub(1).and_then(|n| points.get(n)),
                points.get(next),
            ) {
                (Some((from_s, from)), Some((to_s, to))) => {
                    let part = ((t_s - from_s) / (to_s - from_s)) as f32;
                    from + (to - from) * part
                }
                (Some((_, value)), None) | (None, Some((_, value))) => *value,
                (None, None) => 0.0,
            }
        });
        Ok(line.collect())
    }
}

/// Watches a column of times.
#[derive(Debug, Default)]
pub struct Times {
    count: u64,
    first_s: f64,
    last_s: f64,
}

impl Times {
    /// One more; it has to come a step behind the last.
    pub fn next(&mut self, t_s: f64) -> Result<(), String> {
        if self.count == 0 {
            self.first_s = t_s;
        } else {
            let step_s = t_s - self.last_s;
            if step_s <= 0.0 {
                return Err(format!(
                    "time_s goes from {} to {t_s}: it has to grow",
                    self.last_s
                ));
            }
            // The mean so far; the first step is all there is to compare the second with.
            if self.count > 1 {
                let mean_s = (self.last_s - self.first_s) / (self.count - 1) as f64;
                if step_s > mean_s * (1.0 + STEP_APART) {
                    return Err(format!(
                        "a gap: {step_s:.6} s after steps of {mean_s:.6} s; cut the trace before or after it"
                    ));
                }
                if step_s < mean_s * (1.0 - STEP_APART) {
                    return Err(format!(
                        "uneven: {step_s:.6} s after steps of {mean_s:.6} s; resample the trace evenly"
                    ));
                }
            }
        }
        self.last_s = t_s;
        self.count += 1;
        Ok(())
    }

    /// All of them as one even stretch. Fewer than two have no rate, and are refused as too short.
    pub fn stretch(&self) -> Stretch {
        let steps = self.count.saturating_sub(1).max(1) as f64;
        let seconds = self.last_s - self.first_s;
        Stretch {
            from: 0,
            at_s: self.first_s,
            rate_hz: if seconds > 0.0 {
                steps / seconds
            } else {
                f64::from(RATE_HZ)
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine at 8 kS/s and, from its middle on, at 2.5 kS/s is the same sine at 4 kS/s. The straight lines cost
    /// (2π·50/4000)²/8 = 0.08 % of the amplitude at most (textbook), the filter's ends at the seam 1 %.
    #[test]
    fn several_rates_make_one_trace() {
        let wave = |t_s: f64| (0.3 * (std::f64::consts::TAU * 50.0 * t_s + 0.4).sin()) as f32;
        let first = 2001;
        let seam_s = f64::from(first) / 8000.0;
        let mut i_a: Vec<f32> = (0..first).map(|n| wave(f64::from(n) / 8000.0)).collect();
        i_a.extend((0..625).map(|n| wave(seam_s + f64::from(n) / 2500.0)));
        let rows = Rows {
            stretches: vec![
                Stretch {
                    from: 0,
                    at_s: 0.0,
                    rate_hz: 8000.0,
                },
                Stretch {
                    from: first as usize,
                    at_s: seam_s,
                    rate_hz: 2500.0,
                },
            ],
            i_a,
            ..Rows::default()
        };
        rows.check().expect("can be used");
        let out = rows.at_core_rate(&rows.i_a).expect("resamples");
        assert!(out.len().abs_diff(2000) <= 1, "{}", out.len());
        for (n, i) in out.iter().enumerate() {
            let want = wave(n as f64 / 4000.0);
            assert!((i - want).abs() < 4e-3, "sample {n}: {i} {want}");
        }
    }
}
