//! Conductor sizes and resistances, electrodes.

use super::Confidence::{LookedUp, Memory};
use super::{Source, Sourced, entry};

/// Equipment-grounding conductor: device rating up to, A; copper; aluminium.
pub const NEC_250_122: Sourced<&[(f64, &str, &str)]> = entry(
    "nec_250_122",
    LookedUp,
    "NEC Table 250.122",
    &[
        (15.0, "14", "12"),
        (20.0, "12", "10"),
        (60.0, "10", "8"),
        (100.0, "8", "6"),
        (200.0, "6", "4"),
        (300.0, "4", "2"),
        (400.0, "3", "1"),
        (500.0, "2", "1/0"),
        (600.0, "1", "2/0"),
        (800.0, "1/0", "3/0"),
        (1000.0, "2/0", "4/0"),
        (1200.0, "3/0", "250"),
        (1600.0, "4/0", "350"),
        (2000.0, "250", "400"),
        (2500.0, "350", "600"),
        (3000.0, "400", "600"),
        (4000.0, "500", "750"),
        (5000.0, "700", "1250"),
        (6000.0, "800", "1250"),
    ],
);
/// The same for PV circuits: no overcurrent device, no upsizing, smallest size.
pub const NEC_690_45: Source = Source {
    id: "nec_690_45",
    standard: "NEC 690.45",
    confidence: Memory,
};
/// Smallest equipment-grounding conductor of a PV circuit, copper.
pub const NEC_690_45_SMALLEST: &str = "14";
/// PV maximum circuit current over the sum of short-circuit currents.
pub const NEC_690_8_FACTOR: Sourced<f64> = entry("string_fuse_156", Memory, "NEC 690.8(A)", 1.25);

/// DC grounding-electrode conductor.
pub const NEC_250_166: Source = Source {
    id: "nec_250_166_dc_gec",
    standard: "NEC 250.166(A) to (E)",
    confidence: Memory,
};
/// Who needs one at all.
pub const NEC_690_47_A: Source = Source {
    id: "nec_690_47_a_2017",
    standard: "NEC 690.47(A) (2017)",
    confidence: LookedUp,
};
/// One bond of the DC system.
pub const ONE_BOND: Source = Source {
    id: "one_bond_rule",
    standard: "NEC 690.42, 250.164, 250.142",
    confidence: Memory,
};
/// Earth is no fault path.
pub const NEC_250_4_A_5: Source = Source {
    id: "nec_250_4_a_5",
    standard: "NEC 250.4(A)(5)",
    confidence: Memory,
};
/// Auxiliary electrodes.
pub const NEC_250_54: Source = Source {
    id: "nec_250_54",
    standard: "NEC 250.54",
    confidence: Memory,
};
/// A single rod, pipe or plate must be supplemented above this, Ω; with the least spacing, m (6 ft).
pub const NEC_25_OHM: Sourced<(f64, f64)> = entry(
    "nec_25_ohm",
    LookedUp,
    "NEC 250.53(A)(2), (3)",
    (25.0, 1.8288),
);
/// A rod's least length, m (8 ft), and diameter, mm (5/8 in); listed rods may be thinner.
pub const NEC_ROD: Sourced<(f64, f64)> = entry(
    "nec_rod",
    LookedUp,
    "NEC 250.52(A)(5), 250.53(G)",
    (2.4384, 15.875),
);
/// Resistance of a rod.
pub const ROD_FORMULA: Source = Source {
    id: "rod_formula",
    standard: "IEEE 142 rod table: ρ/(2πL)·(ln(8L/d) − 1), d the diameter",
    confidence: LookedUp,
};
/// Resistance of two rods.
pub const TWO_RODS_FORMULA: Source = Source {
    id: "two_rods_formula",
    standard: "IEEE 142 rod table, two rods",
    confidence: LookedUp,
};

// 14 AWG stranded has 3.14 Ω, which is not π.
#[allow(clippy::approx_constant)]
/// Copper at 75 °C: size, solid, stranded, Ω per 1000 ft. From 6 AWG on there is one value.
pub const TABLE_8_COPPER: Sourced<&[(&str, f64, f64)]> = entry(
    "nec_ch9_table8_cu",
    LookedUp,
    "NEC Chapter 9 Table 8",
    &[
        ("18", 7.77, 7.95),
        ("16", 4.89, 4.99),
        ("14", 3.07, 3.14),
        ("12", 1.93, 1.98),
        ("10", 1.21, 1.24),
        ("8", 0.764, 0.778),
        ("6", 0.491, 0.491),
        ("4", 0.308, 0.308),
        ("3", 0.245, 0.245),
        ("2", 0.194, 0.194),
        ("1", 0.154, 0.154),
        ("1/0", 0.122, 0.122),
        ("2/0", 0.0967, 0.0967),
        ("3/0", 0.0766, 0.0766),
        ("4/0", 0.0608, 0.0608),
    ],
);
/// Aluminium at 75 °C: size, Ω per 1000 ft; solid up to 8 AWG.
pub const TABLE_8_ALUMINIUM: Sourced<&[(&str, f64)]> = entry(
    "nec_ch9_table8_al",
    LookedUp,
    "NEC Chapter 9 Table 8",
    &[
        ("12", 3.18),
        ("10", 2.0),
        ("8", 1.26),
        ("6", 0.808),
        ("4", 0.508),
        ("2", 0.319),
        ("1", 0.253),
        ("1/0", 0.201),
        ("2/0", 0.159),
        ("3/0", 0.126),
        ("4/0", 0.1),
    ],
);
/// Change of resistance per °C from 75 °C on: copper, aluminium.
pub const TABLE_8_PER_C: Sourced<(f64, f64)> = entry(
    "table8_temperature",
    Memory,
    "NEC Chapter 9 Table 8 note 2",
    (0.003_23, 0.003_30),
);

/// When an overcurrent device must open, in multiples of its rating.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct OcpdRule {
    /// Must open within the hour or hours of its class.
    pub conventional: f64,
    /// Must open fast; `None`: only the maker's curve tells when.
    pub fast: Option<Fast>,
}

/// Where a device has to be fast.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fast {
    /// Multiple of the rating, direct current.
    pub dc: f64,
    /// Multiple of the rating, alternating current.
    pub ac: f64,
    /// In what time, by rating: up to this, A.
    pub within: &'static [(f64, &'static str)],
}

const fn rule(
    conventional: f64,
    dc: f64,
    ac: f64,
    within: &'static [(f64, &'static str)],
) -> OcpdRule {
    OcpdRule {
        conventional,
        fast: Some(Fast { dc, ac, within }),
    }
}
const fn by_curve(conventional: f64) -> OcpdRule {
    OcpdRule {
        conventional,
        fast: None,
    }
}

/// North American moulded-case breaker.
pub const UL489: Sourced<OcpdRule> = entry(
    "ul489",
    Memory,
    "UL 489 calibration",
    rule(
        1.35,
        2.0,
        2.0,
        &[(30.0, "2 min"), (50.0, "4 min"), (100.0, "6 min")],
    ),
);
/// Household breaker, characteristic B: upper ends of the magnetic bands.
pub const IEC60898_B: Sourced<OcpdRule> = entry(
    "iec60898_bands",
    Memory,
    "IEC 60898-1 Table 7, IEC 60898-2",
    rule(1.45, 7.0, 5.0, &[(125.0, "0.1 s (magnetic release)")]),
);
/// Characteristic C.
pub const IEC60898_C: Sourced<OcpdRule> = entry(
    "iec60898_bands",
    Memory,
    "IEC 60898-1 Table 7, IEC 60898-2",
    rule(1.45, 15.0, 10.0, &[(125.0, "0.1 s (magnetic release)")]),
);
/// Industrial breaker.
pub const IEC60947: Sourced<OcpdRule> = entry("iec60947_2", Memory, "IEC 60947-2", by_curve(1.3));
/// Photovoltaic fuse.
pub const GPV: Sourced<OcpdRule> = entry(
    "gpv_conventional",
    Memory,
    "IEC 60269-6:2010 Table 101",
    by_curve(1.45),
);
/// Supplemental fuse.
pub const UL248_MIDGET: Sourced<OcpdRule> = entry(
    "ul248_14_midget",
    Memory,
    "UL 248-14",
    rule(1.35, 2.0, 2.0, &[(30.0, "2 min")]),
);
