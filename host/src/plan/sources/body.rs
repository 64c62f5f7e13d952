//! Effects of direct current on people, for words of caution; never for a claim of protection.

use super::Confidence::Memory;
use super::{Sourced, entry};

/// Resistance of a body for direct current.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct BodyRow {
    /// Touch voltage, V.
    pub v: f64,
    /// Not exceeded by 5 % of people, Ω.
    pub p5_ohm: f64,
    /// Not exceeded by half, Ω.
    pub p50_ohm: f64,
}

const fn row(v: f64, p5_ohm: f64, p50_ohm: f64) -> BodyRow {
    BodyRow { v, p5_ohm, p50_ohm }
}

/// Hand to hand, dry, large contact area.
pub const BODY_DC: Sourced<[BodyRow; 13]> = entry(
    "rt_dc_hand_to_hand_2005",
    Memory,
    "IEC TS 60479-1:2005 Table 10",
    [
        row(25.0, 2100.0, 3875.0),
        row(50.0, 1600.0, 2900.0),
        row(75.0, 1275.0, 2275.0),
        row(100.0, 1100.0, 1900.0),
        row(125.0, 975.0, 1675.0),
        row(150.0, 875.0, 1475.0),
        row(175.0, 825.0, 1350.0),
        row(200.0, 800.0, 1275.0),
        row(225.0, 775.0, 1225.0),
        row(400.0, 700.0, 950.0),
        row(500.0, 625.0, 850.0),
        row(700.0, 575.0, 775.0),
        row(1000.0, 575.0, 775.0),
    ],
);

/// Up to here slight pricking at most (line a), A.
pub const DC_LINE_A: Sourced<f64> =
    entry("dc_zones", Memory, "IEC TS 60479-1:2005 Table 13", 0.002);
/// Border of zones DC-2 and DC-3 at long times, A. An older edition has 30 mA.
pub const DC_CURVE_B_A: Sourced<f64> = entry("dc_curve_b_ma", Memory, "IEC TS 60479-1:2005", 0.025);
/// Border of zones DC-3 and DC-4, `(s, A)`; read off a figure to ±20 %.
pub const DC_CURVE_C1: Sourced<[(f64, f64); 8]> = entry(
    "dc_curve_c1_points",
    Memory,
    "IEC TS 60479-1 Figure 22",
    [
        (0.01, 0.5),
        (0.1, 0.5),
        (0.2, 0.4),
        (0.5, 0.25),
        (1.0, 0.18),
        (2.0, 0.15),
        (5.0, 0.14),
        (10.0, 0.14),
    ],
);
/// Reference current over current, hand to hand.
pub const HEART_HAND_TO_HAND: Sourced<f64> = entry(
    "heart_current_factor",
    Memory,
    "IEC TS 60479-1 Table 12",
    0.4,
);
/// Conventional touch voltage, DC: dry, and wet or special, V.
pub const TOUCH_VOLTAGE_DC: Sourced<[f64; 2]> = entry(
    "touch_voltage_limits",
    Memory,
    "IEC 60364-4-41, IEC 61140",
    [120.0, 60.0],
);
