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
/// Most current a trace can be about, A: five times the largest stroke that the simulated surges know.
const I_A_MAX: f32 = 1e6;
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
    /// When the board that recorded it had decided: it is a captured event, and what it is about began before.
    pub decided_s: Option<f64>,
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

    /// Of a captured event, looks for where the current leaves what repeated with the mains until then. What is found there
    /// comes before a pickup that is told; where nothing is found, an earlier pickup stands.
    pub fn find_onset(&mut self, mains_hz: f64) {
        let Some(decided_s) = self.decided_s else {
            return;
        };
        let pickup = self.onset.take().filter(|onset| onset.at_s < decided_s);
        let until_s = pickup.as_ref().map_or(decided_s, |onset| onset.at_s);
        self.onset = match self.leaves_its_cycle_s(until_s, mains_hz) {
            Some(at_s) => Some(Onset {
                at_s,
                what: "where the current leaves what repeated until then".to_owned(),
            }),
            None => pickup,
        };
    }

    /// The first moment at which the current stays away from its own value a cycle ago, by far more than it does as a rule.
    fn leaves_its_cycle_s(&self, until_s: f64, mains_hz: f64) -> Option<f64> {
        /// Of the median difference: over five standard deviations of white noise.
        const FAR: f32 = 8.0;
        /// Of the largest difference: the edge of a step that is filtered once more.
        const EDGE: f32 = 0.02;
        let [only] = self.stretches.as_slice() else {
            return None;
        };
        let cycle = (only.rate_hz / mains_hz).round() as usize;
        let until = ((until_s - only.at_s) * only.rate_hz).round().max(0.0) as usize + 1;
        let i_a = self.i_a.get(..until.min(self.i_a.len()))?;
        let away = |n: usize| (i_a[n] - i_a[n - cycle]).abs();
        let mut sorted: Vec<f32> = (cycle..i_a.len()).map(away).collect();
        sorted.sort_by(f32::total_cmp);
        let (median, most) = (*sorted.get(sorted.len() / 2)?, *sorted.last()?);
        let far = (FAR * median).max(EDGE * most);
        // One sample alone may be noise; the last ones before the decision have none behind them to confirm them.
        let stays = |n: usize| {
            let next = n + 1..(n + 4).min(i_a.len());
            let count = next.len();
            2 * next.filter(|m| away(*m) > far).count() >= count
        };
        (cycle..i_a.len())
            .find(|n| away(*n) > far && stays(*n))
            .map(|n| only.at_s + n as f64 / only.rate_hz)
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
        // A NaN is within no limit.
        if let Some(i_a) = self
            .i_a
            .iter()
            .find(|i_a| !(-I_A_MAX..=I_A_MAX).contains(*i_a))
        {
            return Err(format!(
                "has a bond current of {i_a:e} A: at most {I_A_MAX:e} A can be played; is it in amperes?"
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

    /// 0.3 A of standing 50 Hz under noise of 0.2 mA or none; from 0.152 s on 20 mA more. Found within a sample; a current that
    /// only repeats has no such moment.
    #[test]
    fn a_captured_event_begins_where_the_current_leaves_its_cycle() {
        for (noise_a, step_a, standing_a) in [
            (2e-4, 0.02, 0.3),
            (0.0, -13.0, 0.0),
            (2e-4, 0.0, 0.3),
            (0.0, 0.0, 0.0),
        ] {
            let i_a = (0..1024_u32).map(|n| {
                let t_s = f64::from(n) / 4000.0;
                let hash = f64::from(n.wrapping_mul(2_654_435_761)) / f64::from(u32::MAX) - 0.5;
                let standing = standing_a * (std::f64::consts::TAU * 50.0 * t_s).sin();
                let step = if n >= 608 { step_a } else { 0.0 };
                (standing + step + noise_a * 3.46 * hash) as f32
            });
            let mut rows = Rows {
                stretches: vec![Stretch {
                    from: 0,
                    at_s: -0.16,
                    rate_hz: 4000.0,
                }],
                i_a: i_a.collect(),
                decided_s: Some(0.0),
                ..Rows::default()
            };
            rows.find_onset(50.0);
            let at_s = rows.onset.map(|onset| onset.at_s);
            if step_a == 0.0 {
                assert_eq!(at_s, None, "{noise_a} {standing_a}");
            } else {
                let apart_s = (at_s.expect("found") + 0.008).abs();
                assert!(apart_s < 3e-4, "{noise_a} {step_a}: {at_s:?}");
            }
        }
    }

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
