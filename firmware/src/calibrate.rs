//! Codes → µA and mV as integers.
//!
//! Integers, so that sums over a window are exact for ever and the same on every processor; the one multiplication
//! by a calibrated gain is a single IEEE `f32` product, which is the same everywhere too.

use ohmward_proto::measure::Codes;
use ohmward_proto::settings::{Calibration, Scale};
use ohmward_proto::units::Amps;

/// Allowed disagreement of the two current ranges: 100 mA, a dozen steps of a 12-bit wide range over ±25 A …
pub const RANGES_APART_UA: i32 = 100_000;
/// … plus a 1/16 of the reading, for the ranges' gains.
const RANGES_APART_PART: i32 = 16;

/// Bond current in µA; + out of the array conductor into earth.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct MicroAmps(pub i32);

/// Voltage in mV.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct MilliVolts(pub i32);

impl MicroAmps {
    /// As the protocol's unit.
    pub fn amps(self) -> Amps {
        Amps(self.0 as f32 * 1e-6)
    }

    /// From the protocol's unit; saturates.
    pub fn from_amps(a: Amps) -> Self {
        Self(nearest(a.0 * 1e6))
    }
}

/// One sample in engineering units.
#[derive(Clone, Copy, Debug)]
pub struct Calibrated {
    /// Bond current, from the fine range while that is inside its rails.
    pub i_bond: MicroAmps,
    /// Bond current as the sensitive range has it, whatever the other says.
    pub i_fine: MicroAmps,
    /// Bond current as the wide range has it, for comparison.
    pub i_wide: MicroAmps,
    /// The two ranges show different currents.
    pub disagree: bool,
    /// The fine range is at a rail; `i_bond` is the wide one.
    pub fine_at_rail: bool,
    /// The wide range is at a rail: the current is at least this large.
    pub wide_at_rail: bool,
    /// Positive conductor to earth.
    pub v_pos: MilliVolts,
    /// Negative conductor to earth.
    pub v_neg: MilliVolts,
    /// A pole voltage is at a rail.
    pub v_pos_at_rail: bool,
    /// Likewise.
    pub v_neg_at_rail: bool,
}

/// The calibration, made ready for the hot path.
#[derive(Debug)]
pub struct FrontEnd {
    calibration: Calibration,
    largest: Amps,
}

impl FrontEnd {
    pub fn new(calibration: Calibration) -> Self {
        let ends = [calibration.i_fine, calibration.i_wide]
            .map(|scale| [scale.value(i16::MIN), scale.value(i16::MAX)]);
        let largest = |most: f32, end: &f32| most.max(end.abs());
        Self {
            calibration,
            largest: Amps(ends.as_flattened().iter().fold(0.0, largest)),
        }
    }

    pub fn calibration(&self) -> &Calibration {
        &self.calibration
    }

    /// No bond current can show as more than this.
    pub fn largest(&self) -> Amps {
        self.largest
    }

    pub fn calibrate(&self, codes: &Codes) -> Calibrated {
        let c = &self.calibration;
        let fine_at_rail = c.at_rail(codes.i_fine);
        let i_wide = MicroAmps(scaled(c.i_wide, codes.i_wide, 1e6));
        let i_fine = MicroAmps(scaled(c.i_fine, codes.i_fine, 1e6));
        let apart = i_fine.0.saturating_sub(i_wide.0).saturating_abs();
        let disagree = !fine_at_rail
            && apart > RANGES_APART_UA + i_wide.0.saturating_abs() / RANGES_APART_PART;
        // While it is open which range is wrong, the one that shows more is believed.
        let wide_counts =
            fine_at_rail || (disagree && i_wide.0.saturating_abs() > i_fine.0.saturating_abs());
        Calibrated {
            i_bond: if wide_counts { i_wide } else { i_fine },
            disagree,
            i_fine,
            i_wide,
            fine_at_rail,
            wide_at_rail: c.at_rail(codes.i_wide),
            v_pos: MilliVolts(scaled(c.v_pos, codes.v_pos, 1e3)),
            v_neg: MilliVolts(scaled(c.v_neg, codes.v_neg, 1e3)),
            v_pos_at_rail: c.at_rail(codes.v_pos),
            v_neg_at_rail: c.at_rail(codes.v_neg),
        }
    }
}

fn scaled(scale: Scale, code: i16, to_small: f32) -> i32 {
    nearest(scale.value(code) * to_small)
}

/// The middle one of the last three values: one bad converter word leaves no trace.
#[derive(Clone, Copy, Debug, Default)]
pub struct Median3 {
    last: [i32; 2],
}

impl Median3 {
    pub fn step(&mut self, value: i32) -> i32 {
        let [a, b] = self.last;
        self.last = [b, value];
        a.min(b).max(a.max(b).min(value))
    }
}

/// Round to nearest; saturating, NaN to 0 (`as` does that).
fn nearest(x: f32) -> i32 {
    (x + if x < 0.0 { -0.5 } else { 0.5 }) as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hand calculation from the reference scale: 1.25 A over 32768 counts, so 1000 counts are 38.147 mA.
    #[test]
    fn reference_scale_by_hand() {
        let front_end = FrontEnd::new(Calibration::REFERENCE);
        let seen = front_end.calibrate(&Codes {
            i_fine: 1000,
            i_wide: 50,
            v_pos: 16384,
            v_neg: -16384,
        });
        assert_eq!(seen.i_bond, MicroAmps(38_147));
        assert_eq!(seen.v_pos, MilliVolts(300_000));
        assert_eq!(seen.v_neg, MilliVolts(-300_000));
    }

    #[test]
    fn the_median_forgets_a_single_bad_word() {
        let mut median = Median3::default();
        let seen = [5, 5, 600, 6, 7, 8].map(|v| median.step(v));
        assert_eq!(seen[2..], [5, 6, 7, 7]);
    }

    #[test]
    fn a_saturated_fine_range_hands_over_to_the_wide_one() {
        let front_end = FrontEnd::new(Calibration::REFERENCE);
        let seen = front_end.calibrate(&Codes {
            i_fine: 32_767,
            i_wide: 13_107,
            ..Codes::default()
        });
        assert!(seen.fine_at_rail && !seen.wide_at_rail);
        // 13107 × 25 A / 32768 = 9.999847 A; an f32 holds 24 bits, so 1 µA in 10 A is its last place.
        assert!((seen.i_bond.0 - 9_999_847).abs() <= 1);
    }
}
