//! What a finding means for a person beside the array: which conductor, which bond.

use super::Monitor;
use crate::insulation::fit::BridgeState;
use ohmward_proto::event::{EventKind, FaultSide, SelfTestFault, TripCause};
use ohmward_proto::measure::{Insulation, NotMeasured};
use ohmward_proto::settings::Earthing;
use ohmward_proto::units::Amps;

/// So much of the leakage on the bonded conductor makes it a fault of that conductor.
const NEARLY_ALL: f32 = 0.9;
/// A conductor within this part of the array voltage of earth stands at earth, with the bond open.
const AT_EARTH_PART: i64 = 50;
/// A direction is told from at least this much DC …
const SIDE_LEAST_UA: i32 = 5_000;
/// … that makes at least this part of the RMS: an alternating fault has no direction. A current that tripped within a
/// sixteenth of the window makes just that; whether it would have turned round, nobody knows by then.
const SIDE_PART: i32 = 4;

impl Monitor {
    /// Remembers the bond current in each bridge state, while the bond should be open.
    pub(super) fn note_bridge_current(&mut self) {
        if !self.slow_look() || self.self_test.busy() {
            return;
        }
        let place = match self.watch.bridge() {
            Some(BridgeState::A) => 0,
            Some(BridgeState::B) => 1,
            Some(BridgeState::Rest) | None => return,
        };
        let mean = self.i_bond.mean();
        if let Some(kept) = self.bridge_current.get_mut(place) {
            *kept = mean;
        }
    }

    /// The same finding, by its name: a bonded array tells more than "low" and "cannot be told".
    pub(super) fn named(&self, cause: TripCause) -> TripCause {
        let bonded_neg = match self.settings.earthing {
            Earthing::NegativeBonded => true,
            Earthing::PositiveBonded => false,
            Earthing::HighResistance | Earthing::NotEarthed => return cause,
        };
        match cause {
            TripCause::InsulationUnreadable {
                why: NotMeasured::BridgeUnmoved,
            } => {
                let (pos, neg) = (i64::from(self.v_pos.mean()), i64::from(self.v_neg.mean()));
                let bonded = if bonded_neg { neg } else { pos };
                if bonded.abs() * AT_EARTH_PART > pos - neg {
                    return cause;
                }
                // Through a bond that did not open, the resistor of the other conductor sends its current.
                let bridge = self.front_end.calibration().bridge;
                let g = if bonded_neg {
                    bridge.g_switched_pos
                } else {
                    bridge.g_switched_neg
                };
                let expected_ua = (pos - neg) as f32 * 1e3 * g.0;
                let [a, b] = self.bridge_current;
                let seen = if bonded_neg {
                    a.saturating_sub(b)
                } else {
                    b.saturating_sub(a)
                };
                if seen.unsigned_abs() as f32 > expected_ua / 2.0 {
                    TripCause::SelfTestFailed(SelfTestFault::BondStuck {
                        seen: Amps(seen as f32 * 1e-6),
                    })
                } else {
                    TripCause::SecondBond
                }
            }
            TripCause::InsulationLow { r, limit, .. } => match self.watch.insulation() {
                Insulation::Measured { leakage, .. } => {
                    let (bonded, other) = if bonded_neg {
                        (leakage.g_neg, leakage.g_pos)
                    } else {
                        (leakage.g_pos, leakage.g_neg)
                    };
                    // A fault of the other conductor that is bad enough by itself must not hide behind the name.
                    let alone = other.0 * limit.0 < 1.0;
                    if alone && bonded.0 >= NEARLY_ALL * leakage.g_total().0 {
                        TripCause::GroundedConductorFault { r, limit }
                    } else {
                        cause
                    }
                }
                Insulation::NotMeasured { .. } => cause,
            },
            _ => cause,
        }
    }

    /// Tells the conductor from the direction of the current that tripped, under load.
    pub(super) fn tell_side(&mut self, cause: &TripCause) {
        let by_current = matches!(
            cause,
            TripCause::ContinuousCurrent { .. }
                | TripCause::GroundFaultCurrent { .. }
                | TripCause::SuddenChange { .. }
                | TripCause::FuseHeated { .. }
        );
        // A sudden change stands on top of what leaked before, perhaps from the other conductor.
        let dc = match cause {
            TripCause::SuddenChange { .. } => self.i_bond.mean().saturating_sub(self.stood().dc),
            _ => self.i_bond.mean(),
        };
        let clear = dc.saturating_abs() >= SIDE_LEAST_UA
            && dc.saturating_abs() >= self.dc_and_ac().ac / SIDE_PART
            && self.i_bond.full();
        let bonded_sends = match self.settings.earthing {
            Earthing::NegativeBonded => dc > 0,
            Earthing::PositiveBonded => dc < 0,
            Earthing::HighResistance | Earthing::NotEarthed => return,
        };
        if by_current && clear && !self.last_outputs.inject {
            self.note(EventKind::FaultSide {
                side: if bonded_sends {
                    FaultSide::Bonded
                } else {
                    FaultSide::Other
                },
                dc: Amps(dc as f32 * 1e-6),
            });
        }
    }
}
