//! What the cases are held against, each number once with its source.

use crate::bench::case::{Confidence, Source};
use std::borrow::Cow;

/// A sudden change of this RMS has to be cut off within this time.
#[derive(Clone, Copy, Debug)]
pub struct Level {
    /// For names and groups.
    pub ma: u32,
    /// RMS of the change.
    pub a: f64,
    /// Latest time.
    pub latest_s: f64,
    /// Line of the table.
    pub group: &'static str,
    /// Line of the table for half of it.
    pub half_group: &'static str,
}

/// IEC 62109-2:2011 Table 31 (memory).
pub const SUDDEN: [Level; 3] = [
    Level {
        ma: 30,
        a: 0.030,
        latest_s: 0.3,
        group: "sudden change 30 mA",
        half_group: "half of 30 mA",
    },
    Level {
        ma: 60,
        a: 0.060,
        latest_s: 0.15,
        group: "sudden change 60 mA",
        half_group: "half of 60 mA",
    },
    Level {
        ma: 150,
        a: 0.150,
        latest_s: 0.04,
        group: "sudden change 150 mA",
        half_group: "half of 150 mA",
    },
];

/// Who says so.
pub const SUDDEN_SOURCE: Source = Source {
    text: Cow::Borrowed("IEC 62109-2:2011 Table 31"),
    confidence: Confidence::Memory,
};

/// Half a level must not trip: what a relay's pickup is commonly asked for.
pub const HALF_SOURCE: Source = Source {
    text: Cow::Borrowed("half of IEC 62109-2:2011 Table 31 must not trip"),
    confidence: Confidence::Own,
};

/// Continuous limit, A, and its time, s. The time was read in 4.8.3.5.2, the current is recalled.
pub const CONTINUOUS: (f64, f64) = (0.3, 0.3);

/// Who says so.
pub const CONTINUOUS_SOURCE: Source = Source {
    text: Cow::Borrowed("IEC 62109-2:2011 4.8.3.5.1 (300 mA), 4.8.3.5.2 (0.3 s, read)"),
    confidence: Confidence::Memory,
};

/// 10 mA below the level, then a step of 20 mA, from every pole, five times.
pub const CONTINUOUS_TEST_SOURCE: Source = Source {
    text: Cow::Borrowed("IEC 62109-2:2011 4.8.3.5.2, the test itself"),
    confidence: Confidence::LookedUp,
};

/// Largest ground-fault setting by DC rating: up to kW, A.
pub const GROUND_FAULT: [(&str, f64); 5] = [
    ("to-25kw", 1.0),
    ("to-50kw", 2.0),
    ("to-100kw", 3.0),
    ("to-250kw", 4.0),
    ("above-250kw", 5.0),
];

/// Who says so.
pub const GROUND_FAULT_SOURCE: Source = Source {
    text: Cow::Borrowed("UL 1741 Table 31.1 (currents); no published time, 0.3 s is our own"),
    confidence: Confidence::Memory,
};

/// Time for the ground-fault limits.
pub const GROUND_FAULT_S: f64 = 0.3;

/// Insulation of an array up to 20 kW, Ω.
pub const INSULATION_OHM: f64 = 30e3;

/// Response with 1 µF.
pub const INSULATION_SOURCE: Source = Source {
    text: Cow::Borrowed("30 kΩ: IEC 62548 table; 100 s at 1 µF: IEC 61557-8"),
    confidence: Confidence::Memory,
};

/// Response with more.
pub const INSULATION_SLOW_SOURCE: Source = Source {
    text: Cow::Borrowed("30 kΩ: IEC 62548 table (memory); 60 s at 10 µF"),
    confidence: Confidence::Own,
};

/// Test resistors 10 % below must fault, 10 % above must not.
pub const INSULATION_ABOVE_SOURCE: Source = Source {
    text: Cow::Borrowed("IEC 62109-2:2011 4.8.2.3 (limit +10 % must not fault)"),
    confidence: Confidence::Memory,
};

/// Who says so.
pub const SURGE_SOURCE: Source = Source {
    text: Cow::Borrowed("8/20 µs of IEEE C62.41.2 in the bond must not trip"),
    confidence: Confidence::Own,
};

/// Who says so.
pub const HOLD_SOURCE: Source = Source {
    text: Cow::Borrowed("healthy disturbance must not trip"),
    confidence: Confidence::Own,
};

/// Who says so.
pub const GUARD_SOURCE: Source = Source {
    text: Cow::Borrowed("what cannot be watched must not run"),
    confidence: Confidence::Own,
};
