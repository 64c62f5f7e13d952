//! How the healthy insulation of the whole array grows old: slowly for years, and in steps.
//!
//! Single connectors and cables that go bad are faults (`fault.rs`). This is what all modules do together, and its law
//! is known exactly, so that what a trend makes of it can be held against the truth.

use serde::Deserialize;

/// Section `[ageing]`.
#[derive(Clone, PartialEq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AgeingSettings {
    /// The encapsulant loses this share of its resistance every year, in proportion to what is left, %.
    pub decline_percent_per_year: f64,
    /// Which end of the strings declines.
    pub end: End,
    /// Damage at known times.
    pub step: Vec<Step>,
}

/// Where along the strings.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// All modules alike.
    #[default]
    All,
    /// Most at the positive end, not at all at the negative one, evenly in between.
    Positive,
    /// The other way round.
    Negative,
}

/// One `[[ageing.step]]`: hail or a storm leaves insulation at a part of what it was.
#[derive(Clone, Copy, PartialEq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Step {
    /// Hours from the start.
    pub at_h: f64,
    /// Part of the resistance that is left at that end, above 0 to 1.
    pub left: f64,
    /// Which end.
    #[serde(default)]
    pub end: End,
}

/// How many times as conductive as when new: at both ends of a string, evenly in between.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Aged {
    /// At the positive end.
    pub pos: f64,
    /// At the negative end.
    pub neg: f64,
}

impl Aged {
    /// As new.
    pub const NEW: Self = Self { pos: 1.0, neg: 1.0 };

    /// At a place along the string, 0 the negative end, 1 the positive one.
    pub fn at(&self, place: f64) -> f64 {
        self.neg + (self.pos - self.neg) * place
    }

    /// Of a whole string.
    pub fn mean(&self) -> f64 {
        f64::midpoint(self.pos, self.neg)
    }

    fn times(&mut self, end: End, factor: f64) {
        match end {
            End::All => {
                self.pos *= factor;
                self.neg *= factor;
            }
            End::Positive => self.pos *= factor,
            End::Negative => self.neg *= factor,
        }
    }
}

const HOURS_A_YEAR: f64 = 8766.0;

impl AgeingSettings {
    /// The state of the insulation that many hours from the start.
    ///
    /// # Source
    /// Exponential decline: the usual first form of a wear-out law (common practice, no source).
    pub fn at_h(&self, hours: f64) -> Aged {
        let mut aged = Aged::NEW;
        let left = 1.0 - self.decline_percent_per_year / 100.0;
        aged.times(self.end, left.powf(-hours / HOURS_A_YEAR));
        for step in &self.step {
            if hours >= step.at_h {
                aged.times(step.end, 1.0 / step.left);
            }
        }
        aged
    }
}

#[cfg(test)]
// Exact ones.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;

    /// By hand: half is lost in a year, three quarters in two; a storm leaves a fifth of one end.
    #[test]
    fn declines_by_the_same_share_and_steps_at_one_end() {
        let settings = AgeingSettings {
            decline_percent_per_year: 50.0,
            end: End::Positive,
            step: vec![Step {
                at_h: 10_000.0,
                left: 0.2,
                end: End::Negative,
            }],
        };
        assert_eq!(settings.at_h(0.0), Aged::NEW);
        let year = settings.at_h(HOURS_A_YEAR);
        assert!((year.pos - 2.0).abs() < 1e-12 && year.neg == 1.0);
        assert!((year.mean() - 1.5).abs() < 1e-12);
        let two = settings.at_h(2.0 * HOURS_A_YEAR);
        assert!((two.pos - 4.0).abs() < 1e-12 && (two.neg - 5.0).abs() < 1e-12);
        assert!((two.at(0.25) - 4.75).abs() < 1e-12);
        assert_eq!(AgeingSettings::default().at_h(1e6), Aged::NEW);
    }
}
