//! Sums of raw codes over a stretch of samples, for whoever calibrates: calibrating needs codes, not readings.
//!
//! A stretch is samples in a row. One that is missing, or a wire that the board itself switches, begins it afresh: its own
//! test current, its bridge and what its bond switch leaves behind are not what stands at the terminals.

use crate::monitor::Outputs;
use ohmward_proto::measure::{CODE_SAMPLES_MAX, ChannelSums, CodeSums, Codes};
use ohmward_proto::message::Message;
use ohmward_proto::units::SampleIndex;

/// A stretch being gathered.
#[derive(Debug)]
pub struct Stretch {
    token: u32,
    wanted: u32,
    /// Samples to let pass after a switch.
    settle: u32,
    settled: u32,
    bond_switch: bool,
    sums: CodeSums,
}

impl Stretch {
    pub fn new(token: u32, samples: u32, settle: u32) -> Self {
        Self {
            token,
            wanted: samples.clamp(1, CODE_SAMPLES_MAX),
            settle,
            settled: 0,
            bond_switch: false,
            sums: CodeSums::default(),
        }
    }

    /// One sample, taken while the wires stood as `wires` says; `lost`: some before it are missing. Gives the answer after
    /// the last one.
    pub fn push(
        &mut self,
        now: SampleIndex,
        codes: &Codes,
        wires: &Outputs,
        lost: bool,
    ) -> Option<Message> {
        let moved =
            core::mem::replace(&mut self.bond_switch, wires.bond_switch) != wires.bond_switch;
        let own = wires.inject || wires.bridge_pos || wires.bridge_neg;
        if own || moved || lost {
            self.sums = CodeSums::default();
        }
        if own || moved {
            self.settled = 0;
            return None;
        }
        if self.settled < self.settle {
            self.settled += 1;
            return None;
        }
        let first = self.sums.samples == 0;
        let s = &mut self.sums;
        for (channel, code) in [
            (&mut s.i_fine, codes.i_fine),
            (&mut s.i_wide, codes.i_wide),
            (&mut s.v_pos, codes.v_pos),
            (&mut s.v_neg, codes.v_neg),
        ] {
            add(channel, code, first);
        }
        s.samples += 1;
        s.at = now;
        (s.samples >= self.wanted).then_some(Message::CodesAre {
            token: self.token,
            sums: *s,
        })
    }
}

fn add(sums: &mut ChannelSums, code: i16, first: bool) {
    let wide = i64::from(code);
    // 2^17 samples of at most 2^30: no overflow within a stretch.
    sums.sum += wide;
    sums.squares += (wide * wide) as u64;
    sums.low = if first { code } else { sums.low.min(code) };
    sums.high = if first { code } else { sums.high.max(code) };
    sums.bits |= code as u16;
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::vec;

    fn gather(
        stretch: &mut Stretch,
        samples: impl IntoIterator<Item = (i16, Outputs, bool)>,
    ) -> Option<CodeSums> {
        let mut done = None;
        for (k, (code, wires, lost)) in samples.into_iter().enumerate() {
            let codes = Codes {
                i_fine: code,
                v_neg: -4,
                ..Codes::default()
            };
            if let Some(Message::CodesAre { token: 9, sums }) =
                stretch.push(SampleIndex(k as u64), &codes, &wires, lost)
            {
                assert!(done.is_none(), "answers twice");
                done = Some(sums);
                break;
            }
        }
        done
    }

    const QUIET: Outputs = Outputs {
        contactor: false,
        bond_switch: false,
        bridge_pos: false,
        bridge_neg: false,
        inject: false,
        lamp: false,
        buzzer: false,
    };

    /// By hand: 3, −5, 100 and −32768.
    #[test]
    fn sums_by_hand() {
        let codes = [3, -5, 100, i16::MIN].map(|code| (code, QUIET, false));
        let sums = gather(&mut Stretch::new(9, 4, 0), codes).expect("four samples");
        assert_eq!(sums.at, SampleIndex(3));
        assert_eq!(sums.samples, 4);
        assert_eq!(sums.i_fine.sum, 98 - 32_768);
        assert_eq!(sums.i_fine.squares, 9 + 25 + 10_000 + (1 << 30));
        assert_eq!((sums.i_fine.low, sums.i_fine.high), (i16::MIN, 100));
        assert_eq!(sums.i_fine.bits, 0xFFFF);
        // −4 is …1100: the step is no smaller than four counts.
        assert_eq!(sums.v_neg.bits.trailing_zeros(), 2);
        assert_eq!((sums.v_neg.low, sums.v_neg.high), (-4, -4));
    }

    /// The longest stretch at the rail: nothing overflows (arithmetic: 2^17 · 2^30 = 2^47).
    #[test]
    fn the_longest_stretch_fits() {
        let rail = core::iter::repeat_n((i16::MIN, QUIET, false), 1 << 18);
        let sums = gather(&mut Stretch::new(9, u32::MAX, 0), rail).expect("at the longest");
        assert_eq!(sums.samples, CODE_SAMPLES_MAX);
        assert_eq!(sums.i_fine.squares, 1 << 47);
        assert_eq!(sums.i_fine.sum, -(1 << 32));
    }

    #[test]
    fn what_the_board_switches_and_what_is_missing_begin_it_afresh() {
        let inject = Outputs {
            inject: true,
            ..QUIET
        };
        let bond = Outputs {
            bond_switch: true,
            ..QUIET
        };
        // Two settle, two count, injection; again two settle, and the test current is in no sum.
        let mut samples = vec![(1, QUIET, false); 4];
        samples.push((7000, inject, false));
        samples.extend([(2, QUIET, false); 6]);
        let sums = gather(&mut Stretch::new(9, 4, 2), samples).expect("in the end");
        assert_eq!((sums.i_fine.sum, sums.i_fine.high), (8, 2));
        assert_eq!(sums.at, SampleIndex(10));
        // A lost sample needs no settling.
        let mut samples = vec![(1, QUIET, false); 3];
        samples.extend([(2, QUIET, true), (2, QUIET, false), (2, QUIET, false)]);
        let sums = gather(&mut Stretch::new(9, 3, 1), samples).expect("in the end");
        assert_eq!(sums.i_fine.sum, 6);
        // A bond that is open all through is no disturbance, its movement is.
        let mut samples = vec![(1, QUIET, false); 2];
        samples.extend([(5, bond, false), (5, bond, false)]);
        samples.extend([(2, bond, false); 2]);
        let sums = gather(&mut Stretch::new(9, 2, 1), samples).expect("in the end");
        assert_eq!(
            sums.i_fine.sum, 4,
            "what the movement leaves behind is in no sum"
        );
    }
}
