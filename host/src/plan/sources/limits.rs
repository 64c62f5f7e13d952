//! Trip currents, residual limits, insulation, commissioning, fuses.

use super::Confidence::{CommonPractice, Computed, LookedUp, Memory};
use super::{ByRating, Source, Sourced, entry};

const NO_END: f64 = 1e6;

/// Largest setting of a ground-fault detector/interrupter of a grounded array, A by DC rating in kW.
pub const UL1741_GFDI_A_BY_KW: Sourced<ByRating> = entry(
    "ul1741_gfdi_table",
    Memory,
    "UL 1741 Table 31.1",
    &[
        (0.0, 25.0, 1.0),
        (25.0, 50.0, 2.0),
        (50.0, 100.0, 3.0),
        (100.0, 250.0, 4.0),
        (250.0, NO_END, 5.0),
    ],
);

/// Continuous residual current up to [`SMALL_CONVERTER_KVA`], A.
pub const CONTINUOUS_SMALL_A: Sourced<f64> = entry(
    "continuous_limit_small",
    Memory,
    "IEC 62109-2:2011 4.8.3.5.1 a)",
    0.3,
);
/// Continuous residual current above [`SMALL_CONVERTER_KVA`], A per kVA.
pub const CONTINUOUS_LARGE_A_PER_KVA: Sourced<f64> = entry(
    "continuous_limit_large",
    Memory,
    "IEC 62109-2:2011 4.8.3.5.1 a)",
    0.01,
);
/// Where one continuous limit goes over into the other, kVA; on the edge the lower one holds.
pub const SMALL_CONVERTER_KVA: f64 = 30.0;

/// Continuous limit passed: disconnected and indicated within, s.
pub const CONTINUOUS_TIME_S: Sourced<f64> = entry(
    "continuous_time",
    LookedUp,
    "IEC 62109-2:2011 4.8.3.5.2",
    0.3,
);

/// Sudden change of residual current, `(A, s)`.
pub const SUDDEN_CHANGE: Sourced<[(f64, f64); 3]> = entry(
    "sudden_change_table",
    Memory,
    "IEC 62109-2:2011 Table 31",
    [(0.030, 0.3), (0.060, 0.15), (0.150, 0.04)],
);

/// Least insulation of an ungrounded array before start: voltage over this current, A.
pub const PRE_START_A: Sourced<f64> = entry(
    "pre_start_r_min_ungrounded",
    Memory,
    "IEC 62109-2:2011 4.8.2.1",
    0.030,
);

/// Why a grounded array is tested all the same.
pub const GROUNDED_ARRAY_TEST: Source = Source {
    id: "grounded_array_r_test_2011",
    standard: "IEC 62109-2:2011 Table 30 and notes",
    confidence: LookedUp,
};

/// Insulation at which a fault must be detected, Ω by array rating in kW.
pub const IEC62548_OHM_BY_KW: Sourced<ByRating> = entry(
    "iec62548_thresholds",
    Memory,
    "IEC 62548, table of minimum insulation resistance by rating",
    &[
        (0.0, 20.0, 30e3),
        (20.0, 30.0, 20e3),
        (30.0, 50.0, 15e3),
        (50.0, 100.0, 10e3),
        (100.0, 200.0, 7e3),
        (200.0, 400.0, 4e3),
        (400.0, 500.0, 2e3),
        (500.0, NO_END, 1e3),
    ],
);

/// Insulation is measured before operation and at least this often, s.
pub const IEC62548_EVERY_S: Sourced<u32> =
    entry("iec62548_when", Memory, "IEC 62548:2016 6.4", 86_400);

/// Least insulation of one module, dry and wet, Ω·m².
pub const MODULE_OHM_M2: Sourced<f64> = entry(
    "module_dry_and_wet_limit",
    LookedUp,
    "IEC 61215-2 MQT 03/MQT 15, IEC 61730-2 MST 16/MST 17",
    40e6,
);

/// The same over the area of an array, Ω.
pub const ARRAY_AT_MODULE_MINIMUM: Source = Source {
    id: "array_r_at_module_minimum",
    standard: "40 MΩ·m² a module (IEC 61215-2) over the array's area",
    confidence: Computed,
};

/// One row of the commissioning test.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TestRow {
    /// 1.25 × Voc at standard test conditions up to and including this, V.
    pub to_v: f64,
    /// Test voltage, V.
    pub test_v: f64,
    /// Least insulation, Ω.
    pub r_min_ohm: f64,
}

/// Commissioning insulation test, array or part up to [`TEST_PART_KW`].
pub const IEC62446_TEST: Sourced<[TestRow; 4]> = entry(
    "iec62446_test_table",
    Memory,
    "IEC 62446-1:2016 6.7",
    [
        TestRow {
            to_v: 120.0,
            test_v: 250.0,
            r_min_ohm: 0.5e6,
        },
        TestRow {
            to_v: 500.0,
            test_v: 500.0,
            r_min_ohm: 1e6,
        },
        TestRow {
            to_v: 1000.0,
            test_v: 1000.0,
            r_min_ohm: 1e6,
        },
        TestRow {
            to_v: 1500.0,
            test_v: 1500.0,
            r_min_ohm: 1e6,
        },
    ],
);
/// Above this the array is tested in parts, kW.
pub const TEST_PART_KW: f64 = 10.0;

/// Capacitance of crystalline, glass-faced modules to earth, F per kWp.
pub const CAPACITANCE_F_PER_KWP: Sourced<[f64; 2]> = entry(
    "capacitance_literature",
    Memory,
    "review papers on transformerless inverters: 50 to 150 nF/kWp, crystalline",
    [50e-9, 150e-9],
);
/// Both faces of a module covered with water, F per m².
pub const CAPACITANCE_WET_F_PER_M2: Sourced<f64> = entry(
    "capacitance_geometry",
    Computed,
    "parallel plates with textbook permittivities, both faces wet",
    50e-9,
);

/// Arrays above this were seen as exposed to the blind spot for good, kW.
pub const BLIND_SPOT_KW: Sourced<f64> = entry(
    "blind_spot_size_limit_kw",
    LookedUp,
    "expert post and journal article on the 2009 fire",
    30.0,
);

/// A fuse kind: multiples of its rating and what must happen there.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FuseRule {
    /// Must carry this without opening.
    pub carries: f64,
    /// Must open at this within an hour.
    pub opens_in_1h: f64,
    /// Must open at this within two minutes.
    pub opens_in_2min: f64,
}

/// Supplemental (midget) fuse, the usual ground-fault fuse.
pub const MIDGET_FUSE: Sourced<FuseRule> = entry(
    "ul248_14_midget",
    Memory,
    "UL 248-14",
    FuseRule {
        carries: 1.1,
        opens_in_1h: 1.35,
        opens_in_2min: 2.0,
    },
);

/// Fuse as a first-order heating: least melting current over rating, and time constant in s.
pub const FUSE_MODEL: Sourced<(f64, f64)> = entry(
    "model_thermal_points",
    Computed,
    "first-order heating with 1.25 In and 240 s, chosen to pass both times of UL 248-14",
    (1.25, 240.0),
);

/// Fuse must be made for direct current at the array's voltage.
pub const FUSE_DC: Source = Source {
    id: "dc_note",
    standard: "IEC 60269-6 scope",
    confidence: Memory,
};

/// What we chose ourselves; the words say what, the label says that there is no source.
const fn own(id: &'static str, standard: &'static str) -> Source {
    Source {
        id,
        standard,
        confidence: CommonPractice,
    }
}
/// No time was found for the table of grounded arrays.
pub const OWN_GROUND_FAULT_TIME: Source = own(
    "trip_time_limit",
    "0.3 s of IEC 62109-2 as a target for the UL 1741 table, which has no time",
);
/// DC level of an array that is earthed through a high resistance.
pub const OWN_HIGH_RESISTANCE: Source = own(
    "own_high_resistance_level",
    "half of what a dead short drives through the earthing resistor",
);
/// A surge is beyond every limit.
pub const OWN_SURGE: Source = own("own_surge_level", "twice the ground-fault limit");
/// Reset above.
pub const OWN_RESET: Source = own("own_reset_level", "1.5 times the trip level");
/// Warning below.
pub const OWN_WARNING: Source = own(
    "own_warning_level",
    "the module minimum over the area, or half of the healthy array at its worst",
);
/// Measurements that must agree.
pub const OWN_CONFIRM: Source = own("own_confirm", "two measurements that agree");
/// Smallest voltage to measure with.
pub const OWN_V_MIN: Source = own("own_v_min", "a quarter of the open-circuit voltage");
/// Longest bridge state.
pub const OWN_STATE: Source = own("own_state_time", "five time constants of the wet array");
/// Contactor supervision.
pub const OWN_CONTACTOR: Source = own("own_contactor_times", "five times a usual contactor's own");
/// Readings.
pub const OWN_READING: Source = own("own_reading_interval", "one reading a second");
/// Between measurements of a connected array.
pub const OWN_EVERY: Source = own("own_check_interval", "half an hour between measurements");

/// Detection must leave the contactor half of the time.
pub const HALF_THE_TIME: Source = Source {
    id: "half_of_continuous_time",
    standard: "the 0.3 s of IEC 62109-2:2011 4.8.3.5.2, halved",
    confidence: Computed,
};
/// Hold times of the sudden levels.
pub const SUDDEN_HOLDS: Source = Source {
    id: "half_of_sudden_times",
    standard: "the times of IEC 62109-2:2011 Table 31 (memory), halved",
    confidence: Computed,
};
/// A grounded array's fault has to be cut off from the ground reference too.
pub const NEC_690_41_B: Source = Source {
    id: "nec_690_41_b_duties",
    standard: "NEC 690.41(B)",
    confidence: Memory,
};

#[cfg(test)]
// Values copied from the tables named.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;
    use crate::plan::sources::row_of;

    /// UL 1741 Table 31.1 (memory): each edge, and just above it.
    #[test]
    fn gfdi_table_at_its_edges() {
        for (kw, amps) in [
            (0.1, 1.0),
            (25.0, 1.0),
            (25.001, 2.0),
            (50.0, 2.0),
            (50.001, 3.0),
            (100.0, 3.0),
            (100.001, 4.0),
            (250.0, 4.0),
            (250.001, 5.0),
            (600.0, 5.0),
        ] {
            assert_eq!(row_of(UL1741_GFDI_A_BY_KW.value, kw), Some(amps), "{kw} kW");
        }
    }

    /// IEC 62548 (memory): 30, 20, 15, 10, 7, 4, 2, 1 kΩ.
    #[test]
    fn insulation_table_at_its_edges() {
        for (kw, kohm) in [
            (20.0, 30.0),
            (20.001, 20.0),
            (30.0, 20.0),
            (30.001, 15.0),
            (50.0, 15.0),
            (50.001, 10.0),
            (100.0, 10.0),
            (100.001, 7.0),
            (200.0, 7.0),
            (200.001, 4.0),
            (400.0, 4.0),
            (400.001, 2.0),
            (500.0, 2.0),
            (500.001, 1.0),
        ] {
            assert_eq!(
                row_of(IEC62548_OHM_BY_KW.value, kw),
                Some(kohm * 1e3),
                "{kw} kW"
            );
        }
    }
}
