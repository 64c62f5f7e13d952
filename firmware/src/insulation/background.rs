//! What a healthy array leaks, learnt slowly: what is to be taken off before a fault has a place.
//!
//! Two numbers and their spread, however long the array runs. A measurement moves them by an eighth of the difference, by no
//! more than a fiftieth of the whole, and at most once an hour: a fault that grows over weeks is followed by 2 % a morning
//! at most, and one that comes at once is not followed at all, being below what is learnt from.

use ohmward_proto::measure::{Background, PoleLeakage};
use ohmward_proto::units::{SampleIndex, Siemens};

/// Least time between two measurements that count, in s: someone who asks often does not teach faster.
const EVERY_S: u64 = 3600;
/// A measurement counts for this part of the difference …
const PART: f32 = 1.0 / 8.0;
/// … but moves each pole by no more than this part of all healthy leakage …
const STEP_PART: f32 = 1.0 / 50.0;
/// … or this, S: noise of a very good array.
const STEP_S: f32 = 1e-9;
/// Spread taken for granted from one measurement alone, as a part of it. Our own choice: moisture alone changes more in a
/// day, and shows in the spread after a few mornings.
const FIRST_SPREAD: f32 = 0.25;

/// The background as learnt so far.
#[derive(Debug, Default)]
pub struct Learnt {
    background: Option<Background>,
    not_before: SampleIndex,
}

impl Learnt {
    /// As learnt so far; `None` before the first healthy measurement.
    pub fn background(&self) -> Option<&Background> {
        self.background.as_ref()
    }

    /// Learns from a healthy measurement with the contactor open.
    pub fn learn(&mut self, now: SampleIndex, sample_rate_hz: u64, seen: &PoleLeakage) {
        if self.background.is_some() && now < self.not_before {
            return;
        }
        self.not_before = now.after(EVERY_S * sample_rate_hz);
        let Some(known) = &mut self.background else {
            self.background = Some(Background {
                g_pos: seen.g_pos,
                g_neg: seen.g_neg,
                spread: Siemens(seen.g_total().0.abs() * FIRST_SPREAD),
            });
            return;
        };
        let all = (known.g_pos + known.g_neg).0;
        let step = (all.abs() * STEP_PART).max(STEP_S);
        let apart = (seen.g_total().0 - all).abs();
        known.spread.0 += (apart - known.spread.0) * PART;
        for (mean, seen) in [
            (&mut known.g_pos, seen.g_pos),
            (&mut known.g_neg, seen.g_neg),
        ] {
            mean.0 += ((seen.0 - mean.0) * PART).clamp(-step, step);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leakage(g_pos: f32, g_neg: f32) -> PoleLeakage {
        PoleLeakage {
            g_pos: Siemens(g_pos),
            g_neg: Siemens(g_neg),
            ..PoleLeakage::default()
        }
    }

    fn at_h(h: u64) -> SampleIndex {
        SampleIndex(h * 3600 * 4000)
    }

    #[test]
    fn the_first_is_taken_and_the_next_counts_a_little() {
        let mut learnt = Learnt::default();
        assert!(learnt.background().is_none());
        learnt.learn(at_h(0), 4000, &leakage(0.2e-6, 0.2e-6));
        learnt.learn(at_h(24), 4000, &leakage(0.24e-6, 0.2e-6));
        // By hand: an eighth of 0.04 µS is 5 nS, below a fiftieth of 0.4 µS.
        let known = *learnt.background().expect("learnt");
        assert!((known.g_pos.0 - 0.205e-6).abs() < 1e-11, "{known:?}");
        assert!((known.g_neg.0 - 0.2e-6).abs() < 1e-12, "{known:?}");
    }

    /// By hand: 30 mornings at 2 % are a factor of at most 1.02³⁰ = 1.81 for each pole's share of the whole.
    #[test]
    fn a_growing_fault_does_not_drag_it_along() {
        let mut learnt = Learnt::default();
        learnt.learn(at_h(0), 4000, &leakage(0.2e-6, 0.2e-6));
        for day in 1..=30u16 {
            let fault = f32::from(day) * 0.1e-6;
            for again in 0..20 {
                let now = SampleIndex(at_h(u64::from(day) * 24).0 + again);
                learnt.learn(now, 4000, &leakage(0.2e-6 + fault, 0.2e-6));
            }
        }
        let known = learnt.background().expect("learnt");
        let all = (known.g_pos + known.g_neg).0;
        assert!(all < 1.82 * 0.4e-6 && all > 0.4e-6, "{known:?}");
        // And how little is known shows in the spread.
        assert!(known.spread.0 > 1e-6, "{known:?}");
    }
}
