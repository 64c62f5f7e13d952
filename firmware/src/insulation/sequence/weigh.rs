//! What the stays of a round say together: worked out a piece a sample, beside the measuring.
//!
//! ```text
//!   rows → sums → fit A–B (while the third stay lasts) → fit of all three → fit B–A → verdict ┬ in a hurry: the end
//!                                       (while the bridge rests)                              └ after the rest: check → the end
//! ```

use super::{Pace, Progress, Sequence};
use crate::insulation::bridge_check::{BridgeCheck, Checking};
use crate::insulation::fit::{Fit, Fitted, Fitting, Stay};
use ohmward_proto::measure::{NotMeasured, PoleLeakage};

/// Switching the bridge moves the poles by g_switched/(Σg + g_switched) of the array voltage, wherever the leakage sits:
/// 0.5 % at 1 kΩ. Below this part (400 Ω) noise would decide what is read, so it is not called a reading.
const UNMOVED_PART: f64 = 2e-3;
/// The two pairs A–B and B–A may differ by this part of the conductance, their uncertainties aside.
const PAIRS_APART_PART: f64 = 0.1;
/// How far below nothing noise alone may take a pole.
const NEGATIVE_S: f32 = 0.12e-6;

/// Sure enough: 2.5 standard deviations within 5 % + 1 kΩ, up to 2 MΩ (aim of the project); the kiloohm counts for no more
/// than a quarter of a small resistance …
const AIM_PART: f64 = 0.05;
const AIM_OHM: f64 = 1e3;
const AIM_OHM_PART: f64 = 0.25;
const AIM_TO_S: f64 = 0.5e-6;
/// … or as good as the front end's tolerances let it be: 10 nS are what is left of them when the poles swing fully.
const TOLERANCE_S: f64 = 10e-9;
/// When the time is up: three standard deviations within 15 % + 1 kΩ + 0.5 µS (2 MΩ), or it is no measurement.
const LAST_PART: f64 = 0.15;
const LAST_S: f64 = 0.5e-6;

/// Which stays are fitted together: all three, and either pair.
const FIRST: usize = 0;
const WHOLE: usize = 1;
const SECOND: usize = 2;
const STAYS_OF: [core::ops::Range<usize>; 3] = [0..2, 0..3, 1..3];

/// Arithmetic under way.
#[derive(Debug)]
pub(super) enum Work {
    Nothing,
    /// One of the three fits.
    Fit(usize, Fitting),
    Check(Checking),
}

/// One of the fits, as far as it is made.
#[derive(Clone, Copy, Debug)]
pub(super) enum Tried {
    NotYet,
    /// The stays tell, or they do not.
    Came(Option<Fit>),
}

/// What three stays came to.
#[derive(Clone, Copy, Debug)]
pub(super) enum Verdict {
    Sure(Fit),
    NotYet(NotMeasured),
}

impl Sequence {
    /// As much arithmetic as a sample has room for.
    pub(super) fn weigh(&mut self) -> Progress {
        for _ in 0..self.pieces {
            if let Some(progress) = self.piece() {
                return progress;
            }
        }
        Progress::Busy
    }

    /// One piece of arithmetic, if any is due: sums of what has just been seen, then fits, verdict, check. `Some` when
    /// something follows from it.
    fn piece(&mut self) -> Option<Progress> {
        // The one before the newest too: its last row ends it.
        let begun = self.stays.get_mut(..self.begun).unwrap_or_default();
        if begun.iter_mut().any(Stay::sum_some) {
            return None;
        }
        let complete = self.stays().iter().filter(|stay| stay.samples > 0).count();
        let begun = self.begun;
        match &mut self.work {
            Work::Fit(which, fitting) => {
                let which = *which;
                let stays = STAYS_OF
                    .get(which)
                    .and_then(|range| self.stays.get(range.clone()));
                let fit = match fitting.step(stays.unwrap_or_default(), &self.setup.bridge) {
                    Fitted::NotYet => return None,
                    Fitted::Nothing => None,
                    Fitted::Is(fit) => Some(fit),
                };
                if let Some(place) = self.fits.get_mut(which) {
                    *place = Tried::Came(fit);
                }
                self.work = Work::Nothing;
                None
            }
            Work::Check(checking) => {
                let stays = self.stays.get(..begun).unwrap_or_default();
                let check = checking.step(stays, &self.setup.bridge)?;
                self.work = Work::Nothing;
                Some(self.conclude(check))
            }
            Work::Nothing => match (&self.fits, self.verdict) {
                ([Tried::NotYet, ..], _) if complete >= 2 => self.fit(FIRST),
                ([_, Tried::NotYet, _], _) if complete >= 3 => self.fit(WHOLE),
                ([_, _, Tried::NotYet], _) if complete >= 3 => self.fit(SECOND),
                ([Tried::Came(first), Tried::Came(whole), Tried::Came(second)], None) => {
                    let verdict = self.verdict(*first, *whole, *second);
                    self.verdict = Some(verdict);
                    self.judged(verdict)
                }
                (_, Some(_)) if complete >= 4 => {
                    self.work = Work::Check(Checking::begin());
                    None
                }
                _ => None,
            },
        }
    }

    fn fit(&mut self, which: usize) -> Option<Progress> {
        self.work = Work::Fit(which, Fitting::begin());
        None
    }

    /// What follows from three stays.
    fn judged(&mut self, verdict: Verdict) -> Option<Progress> {
        match (verdict, self.pace) {
            (Verdict::Sure(fit), Pace::Short { .. }) => Some(self.end(plausible(fit.leakage))),
            // A wrong resistor can keep any round from being sure: it gets its name before the end.
            (Verdict::Sure(_), Pace::Full) => None,
            (Verdict::NotYet(_), Pace::Full) if self.round.last => None,
            (Verdict::NotYet(why), _) => {
                // The rest has begun meanwhile, and is not asked for.
                self.begun = 3;
                Some(self.longer(why))
            }
        }
    }

    /// After three stays.
    fn verdict(&self, first: Option<Fit>, whole: Option<Fit>, second: Option<Fit>) -> Verdict {
        let (Some(whole), Some(first), Some(second)) = (whole, first, second) else {
            return Verdict::NotYet(NotMeasured::BridgeUnmoved);
        };
        if whole.swing < UNMOVED_PART {
            return Verdict::NotYet(NotMeasured::BridgeUnmoved);
        }
        let g = whole.total_s().abs();
        let sigma = f64::from(whole.leakage.g_sigma.0);
        let apart = (first.total_s() - second.total_s()).abs();
        let unsure = 3.0 * f64::from(first.scatter_s + second.scatter_s);
        if !whole.steady || apart > unsure + PAIRS_APART_PART * g {
            return Verdict::NotYet(NotMeasured::FaultMoved);
        }
        let kiloohm = (AIM_OHM * g).min(AIM_OHM_PART) * g;
        let enough = 2.5 * sigma <= AIM_PART * g.max(AIM_TO_S) + kiloohm || sigma <= TOLERANCE_S;
        let at_last = self.round.last && 3.0 * sigma <= LAST_PART * g + LAST_S + kiloohm;
        if enough || at_last {
            Verdict::Sure(whole)
        } else {
            Verdict::NotYet(NotMeasured::NotSettled)
        }
    }

    /// After the rest.
    fn conclude(&mut self, check: BridgeCheck) -> Progress {
        match check {
            // A fault that arrives during the rest looks the same: once more, then it is the bridge.
            BridgeCheck::Disagrees if self.suspect => self.end(Err(NotMeasured::BridgeWrong)),
            BridgeCheck::Disagrees => {
                self.suspect = true;
                let round = self.round;
                if round.last {
                    self.again(round.samples, true)
                } else {
                    self.longer(NotMeasured::BridgeWrong)
                }
            }
            BridgeCheck::Unclear { .. } if !self.unclear && !self.round.last => {
                self.unclear = true;
                self.longer(NotMeasured::NotSettled)
            }
            BridgeCheck::Unclear { unseen } | BridgeCheck::Agrees { unseen } => {
                self.conclude_with(unseen)
            }
        }
    }

    /// The fit of the three stays, with what the bridge may hide as a part of it.
    fn conclude_with(&mut self, unseen: f32) -> Progress {
        match self.verdict {
            Some(Verdict::Sure(fit)) => {
                let mut leakage = fit.leakage;
                let sigma = leakage.g_sigma.0;
                let of_bridge = unseen * fit.total_s() as f32;
                leakage.g_sigma.0 = libm::sqrtf(sigma * sigma + of_bridge * of_bridge);
                self.end(plausible(leakage))
            }
            Some(Verdict::NotYet(why)) => self.end(Err(why)),
            None => self.end(Err(NotMeasured::NotSettled)),
        }
    }
}

/// No pole leaks less than nothing, beyond the noise; and what is no number is no leakage: a NaN compares as neither, and comes
/// out as "good" further on.
fn plausible(leakage: PoleLeakage) -> Result<PoleLeakage, NotMeasured> {
    let possible = |g: f32, other: f32| g >= -(NEGATIVE_S + PAIRS_APART_PART as f32 * other.abs());
    let (pos, neg) = (leakage.g_pos.0, leakage.g_neg.0);
    let finite = (pos + neg + leakage.g_sigma.0).is_finite();
    if finite && possible(pos, neg) && possible(neg, pos) {
        Ok(leakage)
    } else {
        Err(NotMeasured::FaultMoved)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ohmward_proto::units::Siemens;

    /// Compared with any limit a NaN is neither below nor above it, and as an uncertainty it lets everything pass.
    #[test]
    fn what_is_no_number_is_no_leakage() {
        let sound = PoleLeakage {
            g_pos: Siemens(1e-6),
            g_neg: Siemens(1e-6),
            g_sigma: Siemens(1e-8),
            ..PoleLeakage::default()
        };
        assert!(plausible(sound).is_ok());
        for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
            for (n, leakage) in [
                PoleLeakage {
                    g_pos: Siemens(bad),
                    ..sound
                },
                PoleLeakage {
                    g_neg: Siemens(bad),
                    ..sound
                },
                PoleLeakage {
                    g_sigma: Siemens(bad),
                    ..sound
                },
            ]
            .into_iter()
            .enumerate()
            {
                assert!(plausible(leakage).is_err(), "{n} {bad}");
            }
        }
    }
}
