//! The bond, from its two ends: does it hold its pole at earth, and is the current after a check the one from before?

use crate::calibrate::MilliVolts;
use ohmward_proto::settings::Earthing;
use ohmward_proto::units::SampleIndex;

/// A closed bond holds its pole within this of earth, mV. 25 A through fuse and shunt of 0.3 Ω is 7.5 V …
const HELD_MV: i32 = 10_000;
/// … or within this part of the array voltage, whichever is more.
const HELD_PART: i32 = 10;
/// How long a pole may be away from earth, and how long after closing nothing is judged, in ms.
const PATIENCE_MS: u64 = 100;

/// Watches that a bond that is told to be closed is closed. A ground-fault fuse that has opened shows nowhere else: the
/// bond current is zero and looks healthy, while the "grounded" conductor stands at array voltage.
#[derive(Debug)]
pub struct BondWatch {
    patience: u64,
    away_since: Option<SampleIndex>,
    closed_since: Option<SampleIndex>,
}

/// What is known at one sample.
#[derive(Clone, Copy, Debug)]
pub struct BondSeen {
    /// The board has told the bond to open.
    pub told_open: bool,
    /// Window mean of the positive pole.
    pub v_pos: MilliVolts,
    /// Window mean of the negative pole.
    pub v_neg: MilliVolts,
    /// There is light: without voltage nothing can be told.
    pub lit: bool,
}

impl BondWatch {
    pub fn new(sample_rate_hz: u32) -> Self {
        Self {
            patience: u64::from(sample_rate_hz) * PATIENCE_MS / 1000,
            away_since: None,
            closed_since: None,
        }
    }

    /// A pole is under suspicion.
    pub fn busy(&self) -> bool {
        self.away_since.is_some()
    }

    /// Samples until it could trip at the soonest.
    pub fn soonest(&self, now: SampleIndex) -> u64 {
        let since = self.away_since.unwrap_or(now.after(1));
        (since.0 + self.patience).saturating_sub(now.0).max(1)
    }

    /// The bonded pole's voltage and since when, once it has been away from earth for too long.
    pub fn step(
        &mut self,
        now: SampleIndex,
        earthing: Earthing,
        seen: &BondSeen,
    ) -> Option<(MilliVolts, SampleIndex)> {
        let bonded = match earthing {
            Earthing::NegativeBonded => seen.v_neg,
            Earthing::PositiveBonded => seen.v_pos,
            // A high resistance lets its pole move; there is no pole to hold otherwise.
            Earthing::HighResistance | Earthing::NotEarthed => return None,
        };
        if seen.told_open {
            self.away_since = None;
            self.closed_since = None;
            return None;
        }
        let closed_since = *self.closed_since.get_or_insert(now);
        let v = seen.v_pos.0.saturating_sub(seen.v_neg.0).saturating_abs();
        let away = seen.lit && bonded.0.saturating_abs() > HELD_MV.max(v / HELD_PART);
        if !away || now.since(closed_since) < self.patience {
            self.away_since = None;
            return None;
        }
        let since = *self.away_since.get_or_insert(now);
        (now.since(since) >= self.patience).then_some((bonded, since))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(v_pos: i32, v_neg: i32) -> BondSeen {
        BondSeen {
            told_open: false,
            v_pos: MilliVolts(v_pos),
            v_neg: MilliVolts(v_neg),
            lit: true,
        }
    }

    fn first(seen: BondSeen, earthing: Earthing) -> Option<u64> {
        let mut watch = BondWatch::new(4000);
        (0..4000).find(|&n| watch.step(SampleIndex(n), earthing, &seen).is_some())
    }

    #[test]
    fn a_grounded_conductor_at_array_voltage_is_seen() {
        assert_eq!(
            first(seen(0, -200_000), Earthing::NegativeBonded),
            Some(800)
        );
        assert_eq!(first(seen(200_000, 0), Earthing::PositiveBonded), Some(800));
    }

    #[test]
    fn a_hard_fault_through_a_sound_bond_is_not_an_open_one() {
        // 25 A through 0.3 Ω.
        assert_eq!(first(seen(92_500, -7_500), Earthing::NegativeBonded), None);
        assert_eq!(first(seen(100_000, -100_000), Earthing::NotEarthed), None);
    }
}
