//! How long a limit may wait: the time a standard allows, less what finding, filtering and the contactor take.

use super::finding::Finding;
use super::sources::limits::{CONTINUOUS_TIME_S, SUDDEN_CHANGE};
use ohmward_proto::Settings;
use ohmward_proto::settings::Mains;

/// Hold of the continuous limit: half of 300 ms is for detection, and the longest window takes 50 of it.
pub const CONTINUOUS_HOLD_MS: u16 = 100;
/// Hold of the ground-fault limit: what a surge leaves in a window is over by then.
pub const GROUND_FAULT_HOLD_MS: u16 = 40;

/// Window over whole mains cycles at 4 kS/s: 80 samples of 50 Hz; 60 Hz fits only three cycles at a time.
pub fn window_ms(mains: Mains) -> f64 {
    match mains {
        Mains::Hz50 => 20.0,
        Mains::Hz60 => 50.0,
    }
}

/// One sudden level.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SuddenLevel {
    /// RMS of the change, A.
    pub amps: f64,
    /// Time allowed, ms.
    pub allowed_ms: f64,
    /// Hold set, ms.
    pub hold_ms: u16,
    /// From the change to the trip with this hold, worst of the firmware's test cases, ms.
    pub found_ms_worst: f64,
}

impl SuddenLevel {
    /// The longest hold that still meets the time with this contactor, ms; never below the hold planned.
    pub fn longest_hold_ms(&self, contactor_open_ms: f64) -> f64 {
        let spare_ms = self.allowed_ms - self.found_ms_worst - contactor_open_ms;
        f64::from(self.hold_ms) + spare_ms.floor().max(0.0)
    }
}

const fn level(row: (f64, f64), hold_ms: u16, found_ms_worst: f64) -> SuddenLevel {
    SuddenLevel {
        amps: row.0,
        allowed_ms: row.1 * 1e3,
        hold_ms,
        found_ms_worst,
    }
}

/// Holds of the firmware's defaults; worst times as its tests hold them (hardware-notes, "How fast").
pub const SUDDEN: [SuddenLevel; 3] = [
    level(SUDDEN_CHANGE.value[0], 60, 84.0),
    level(SUDDEN_CHANGE.value[1], 35, 62.0),
    level(SUDDEN_CHANGE.value[2], 0, 19.0),
];

/// The longest hold of the continuous limit that still meets 0.3 s, ms.
pub fn longest_continuous_hold_ms(mains: Mains, contactor_open_ms: f64) -> f64 {
    let spare_ms = CONTINUOUS_TIME_S.value * 1e3 - window_ms(mains) - contactor_open_ms;
    spare_ms.floor().max(f64::from(CONTINUOUS_HOLD_MS))
}

/// From the fault to contacts apart with these settings, against the time allowed.
pub fn times(mains: Mains, settings: &Settings, contactor_open_ms: f64) -> Vec<Finding> {
    let current = &settings.current;
    let continuous_ms =
        window_ms(mains) + f64::from(current.continuous.hold_ms) + contactor_open_ms;
    let holds = [
        current.sudden.low,
        current.sudden.middle,
        current.sudden.high,
    ];
    let mut rows = vec![(
        "continuous limit".to_owned(),
        continuous_ms,
        CONTINUOUS_TIME_S.value * 1e3,
        CONTINUOUS_TIME_S.source,
    )];
    rows.extend(SUDDEN.iter().zip(holds).map(|(level, set)| {
        let hold_changed_ms = f64::from(set.hold_ms) - f64::from(level.hold_ms);
        (
            format!("sudden change of {} mA", level.amps * 1e3),
            level.found_ms_worst + hold_changed_ms + contactor_open_ms,
            level.allowed_ms,
            SUDDEN_CHANGE.source,
        )
    }));
    rows.into_iter()
        .map(|(what, total_ms, allowed_ms, source)| {
            let says = format!(
                "{what}: contacts apart after {total_ms:.0} ms at worst ({contactor_open_ms} ms of it the contactor), \
                 {allowed_ms:.0} ms allowed"
            );
            let finding = if total_ms <= allowed_ms {
                Finding::ok("time-to-interruption", says)
            } else {
                Finding::problem(
                    "time-to-interruption",
                    says,
                    "use a faster contactor and give its time as contactor.open_ms",
                )
            };
            finding
                .with("total_ms", total_ms)
                .with("allowed_ms", allowed_ms)
                .after(source)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::finding::Verdict;

    #[test]
    fn half_of_the_time_is_met_at_either_frequency() {
        for mains in [Mains::Hz50, Mains::Hz60] {
            assert!(window_ms(mains) + f64::from(CONTINUOUS_HOLD_MS) <= 150.0);
        }
        for level in SUDDEN {
            assert!(
                level.found_ms_worst <= level.allowed_ms / 2.0 + 1e-9,
                "{level:?}"
            );
        }
    }

    /// 40 ms less 19 ms leave 21.
    #[test]
    fn a_slow_contactor_misses_the_highest_level_alone() {
        let verdicts = |open_ms: f64| {
            // The holds of these defaults are those planned.
            times(Mains::Hz50, &Settings::SMALL_BONDED, open_ms)
                .iter()
                .map(|f| f.verdict)
                .collect::<Vec<_>>()
        };
        assert!(verdicts(21.0).iter().all(|v| *v == Verdict::Ok));
        assert_eq!(
            verdicts(22.0),
            [Verdict::Ok, Verdict::Ok, Verdict::Ok, Verdict::Problem]
        );
        assert_eq!(verdicts(190.0)[0], Verdict::Problem, "20 + 100 + 190 ms");
    }

    /// 300 − 50 − 20 ms at 60 Hz, 300 − 20 − 20 ms at 50 Hz.
    #[test]
    fn longer_holds_end_where_the_standard_does() {
        assert!((longest_continuous_hold_ms(Mains::Hz60, 20.0) - 230.0).abs() < 1e-9);
        assert!((longest_continuous_hold_ms(Mains::Hz50, 20.0) - 260.0).abs() < 1e-9);
        assert!((SUDDEN[2].longest_hold_ms(20.0) - 1.0).abs() < 1e-9);
        assert!((SUDDEN[2].longest_hold_ms(500.0) - 0.0).abs() < 1e-9);
    }
}
