//! Insulation test before the array is first used: voltage and least resistance (IEC 62446-1).

use super::facts::Facts;
use super::sources::Source;
use super::sources::limits::{IEC62446_TEST, MODULE_OHM_M2, TEST_PART_KW};
use serde::Serialize;

/// The test.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Commissioning {
    /// 1.25 × open circuit at standard test conditions, V: what the row is chosen by.
    pub chosen_by_v: f64,
    /// Test voltage, V.
    pub test_v: f64,
    /// Least insulation, Ω.
    pub r_min_ohm: f64,
    /// Parts that the array is tested in: none may be above 10 kW.
    pub parts: u32,
    /// What a part would read if its modules just passed their own type test, Ω.
    pub module_minimum_of_part_ohm: f64,
    /// Which table.
    pub source: Source,
}

/// `None`: 1.25 × Voc is beyond the table.
pub fn commissioning(facts: &Facts) -> Option<Commissioning> {
    let chosen_by_v = 1.25 * facts.voc_stc_v;
    let row = IEC62446_TEST
        .value
        .into_iter()
        .find(|row| chosen_by_v <= row.to_v * (1.0 + 1e-9))?;
    let parts = (facts.array_kw / (TEST_PART_KW * (1.0 + 1e-9)))
        .ceil()
        .max(1.0);
    Some(Commissioning {
        chosen_by_v,
        test_v: row.test_v,
        r_min_ohm: row.r_min_ohm,
        parts: parts as u32,
        module_minimum_of_part_ohm: MODULE_OHM_M2.value * parts / facts.area_m2,
        source: IEC62446_TEST.source,
    })
}

#[cfg(test)]
// Values copied from the table.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;
    use crate::plan::test_array::heron_bend;

    /// IEC 62446-1:2016 6.7 (memory): 250, 500, 1000, 1500 V by 1.25 × Voc.
    #[test]
    fn rows_at_their_edges() {
        let mut facts = Facts::of(&heron_bend("")).expect("plans");
        for (voc_v, test_v, r_min_ohm) in [
            (96.0, 250.0, 0.5e6),
            (96.1, 500.0, 1e6),
            (400.0, 500.0, 1e6),
            (400.1, 1000.0, 1e6),
            (800.0, 1000.0, 1e6),
            (800.1, 1500.0, 1e6),
            (1200.0, 1500.0, 1e6),
        ] {
            facts.voc_stc_v = voc_v;
            let test = commissioning(&facts).expect("in the table");
            assert_eq!(
                (test.test_v, test.r_min_ohm),
                (test_v, r_min_ohm),
                "{voc_v} V"
            );
        }
        facts.voc_stc_v = 1200.1;
        assert!(commissioning(&facts).is_none());
    }

    #[test]
    fn ten_kilowatts_are_one_part() {
        let mut facts = Facts::of(&heron_bend("")).expect("plans");
        for (kw, parts) in [(2.4, 1), (10.0, 1), (10.1, 2), (24.0, 3)] {
            facts.array_kw = kw;
            assert_eq!(
                commissioning(&facts).map(|t| t.parts),
                Some(parts),
                "{kw} kW"
            );
        }
    }
}
