//! Channels that cannot be right. A sensor that is lost is itself a trip: what cannot be watched must not run.
//!
//! Both current ranges see the same conductor, so they have to agree; a pole voltage never rests at a rail of a front
//! end that was chosen for the array.

use crate::calibrate::{Calibrated, RANGES_APART_UA};
use ohmward_proto::measure::Channel;

/// How long a channel may be implausible before it counts as lost, in ms: longer than any surge rings.
const PATIENCE_MS: u32 = 50;
/// A lost channel has to be right for this long to be back, in ms: an array that stands at the rail of its front end
/// would otherwise make two events a second.
const BACK_MS: u32 = 10_000;
/// A wrong sample weighs this many right ones: an alternating current agrees with a dead range at every zero crossing.
const WRONG_WEIGHT: u32 = 4;

/// Watches all four channels.
#[derive(Debug)]
pub struct Plausible {
    patience: u32,
    back: u32,
    i_fine: Watch,
    i_wide: Watch,
    v_pos: Watch,
    v_neg: Watch,
}

#[derive(Debug, Default)]
struct Watch {
    suspicion: u32,
    right_for: u32,
    lost: bool,
}

/// A channel was lost or came back with this sample.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Change {
    Lost(Channel),
    Back(Channel),
}

impl Watch {
    /// Lost when wrong samples outweigh the right ones by `patience`, back after `back` right ones in a row.
    fn step(
        &mut self,
        wrong: bool,
        (patience, back): (u32, u32),
        channel: Channel,
    ) -> Option<Change> {
        if wrong {
            self.right_for = 0;
            self.suspicion = (self.suspicion + WRONG_WEIGHT).min(patience * WRONG_WEIGHT);
        } else {
            self.right_for = self.right_for.saturating_add(1);
            self.suspicion = self.suspicion.saturating_sub(1);
        }
        if !self.lost && self.suspicion >= patience * WRONG_WEIGHT {
            self.lost = true;
            return Some(Change::Lost(channel));
        }
        if self.lost && self.right_for >= back {
            self.lost = false;
            self.suspicion = 0;
            return Some(Change::Back(channel));
        }
        None
    }
}

impl Plausible {
    pub fn new(sample_rate_hz: u32) -> Self {
        Self {
            patience: sample_rate_hz * PATIENCE_MS / 1000,
            back: sample_rate_hz * BACK_MS / 1000,
            i_fine: Watch::default(),
            i_wide: Watch::default(),
            v_pos: Watch::default(),
            v_neg: Watch::default(),
        }
    }

    /// The channel that is lost now, the current ranges first.
    pub fn lost(&self) -> Option<Channel> {
        [Channel::IFine, Channel::IWide]
            .into_iter()
            .find(|channel| self.is_lost(*channel))
            .or_else(|| self.lost_pole())
    }

    /// The pole that is lost now, a lost current range or not.
    pub fn lost_pole(&self) -> Option<Channel> {
        [Channel::VPos, Channel::VNeg]
            .into_iter()
            .find(|channel| self.is_lost(*channel))
    }

    /// This one is lost now.
    pub fn is_lost(&self, channel: Channel) -> bool {
        match channel {
            Channel::IFine => self.i_fine.lost,
            Channel::IWide => self.i_wide.lost,
            Channel::VPos => self.v_pos.lost,
            Channel::VNeg => self.v_neg.lost,
        }
    }

    /// Something is under suspicion: do not skip samples.
    pub fn busy(&self) -> bool {
        let suspect = |w: &Watch| w.suspicion > 0 || (w.lost && w.right_for < self.back);
        suspect(&self.i_fine)
            || suspect(&self.i_wide)
            || suspect(&self.v_pos)
            || suspect(&self.v_neg)
    }

    /// Samples until a channel could be lost at the soonest. One that is lost has tripped.
    pub fn soonest(&self) -> u64 {
        [&self.i_fine, &self.i_wide, &self.v_pos, &self.v_neg]
            .into_iter()
            .filter(|watch| !watch.lost)
            .map(|watch| (self.patience * WRONG_WEIGHT).saturating_sub(watch.suspicion))
            .min()
            .map_or(u64::MAX, |missing| {
                u64::from(missing.div_ceil(WRONG_WEIGHT)).max(1)
            })
    }

    /// What changed with this sample, channel by channel.
    pub fn step(&mut self, seen: &Calibrated) -> [Option<Change>; 4] {
        let stuck_fine = seen.fine_at_rail && seen.i_wide.0.saturating_abs() < RANGES_APART_UA;
        let p = (self.patience, self.back);
        [
            self.i_fine
                .step(seen.disagree || stuck_fine, p, Channel::IFine),
            self.i_wide.step(seen.wide_at_rail, p, Channel::IWide),
            self.v_pos.step(seen.v_pos_at_rail, p, Channel::VPos),
            self.v_neg.step(seen.v_neg_at_rail, p, Channel::VNeg),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::FrontEnd;
    use ohmward_proto::measure::Codes;
    use ohmward_proto::settings::Calibration;

    fn changes(codes: impl IntoIterator<Item = Codes>) -> heapless::Vec<(usize, Change), 8> {
        let front_end = FrontEnd::new(Calibration::REFERENCE);
        let mut plausible = Plausible::new(4000);
        codes
            .into_iter()
            .enumerate()
            .flat_map(|(n, c)| {
                let changes = plausible.step(&front_end.calibrate(&c));
                changes.into_iter().flatten().map(move |change| (n, change))
            })
            .collect()
    }

    #[test]
    fn ranges_that_disagree_are_a_lost_sensor() {
        let torn = Codes {
            i_fine: 0,
            i_wide: 400,
            ..Codes::default()
        }; // 0 against 305 mA
        assert_eq!(
            changes(core::iter::repeat_n(torn, 300)).as_slice(),
            [(199, Change::Lost(Channel::IFine))]
        );
    }

    /// A dead fine range under 2 A of 50 Hz: the ranges agree around every zero crossing, and yet.
    #[test]
    fn a_dead_range_is_found_on_alternating_current() {
        let wide =
            |n: u32| (f64::from(n) / 80.0 * core::f64::consts::TAU).sin() * 2.83 / 25.0 * 32768.0;
        let codes = (0..4000).map(|n| Codes {
            i_wide: wide(n) as i16,
            ..Codes::default()
        });
        let seen = changes(codes);
        assert!(
            matches!(seen.first(), Some((n, Change::Lost(Channel::IFine))) if *n < 800),
            "{seen:?}"
        );
    }

    #[test]
    fn a_surge_at_both_rails_is_not_a_lost_sensor() {
        let rail = Codes {
            i_fine: 32_767,
            i_wide: 32_767,
            ..Codes::default()
        };
        let surge =
            core::iter::repeat_n(rail, 8).chain(core::iter::repeat_n(Codes::default(), 100));
        assert!(changes(surge).is_empty());
    }

    #[test]
    fn a_single_bad_word_is_forgiven_and_a_lost_channel_comes_back() {
        let bad = Codes {
            v_pos: i16::MAX,
            ..Codes::default()
        };
        let codes = core::iter::once(bad)
            .chain(core::iter::repeat_n(Codes::default(), 10))
            .chain(core::iter::repeat_n(bad, 200))
            .chain(core::iter::repeat_n(Codes::default(), 40_100));
        assert_eq!(
            changes(codes).as_slice(),
            [
                (210, Change::Lost(Channel::VPos)),
                (40_210, Change::Back(Channel::VPos))
            ]
        );
    }
}
