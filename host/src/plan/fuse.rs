//! The ground-fault fuse: rating, and when it opens.

use super::facts::{Facts, quantity};
use super::finding::Finding;
use super::sources::limits::{FUSE_DC, FUSE_MODEL, FuseRule, MIDGET_FUSE, UL1741_GFDI_A_BY_KW};
use super::sources::{Source, row_of};
use serde::Serialize;

/// When it opens at one current.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Melts {
    /// Current, A.
    pub amps: f64,
    /// After this by the model, s; `None`: never.
    pub after_s: Option<f64>,
}

/// The fuse.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Fuse {
    /// Largest rating for this array, A.
    pub largest_a: f64,
    /// Rating that everything is worked with, A.
    pub rating_a: f64,
    /// ARRAY.toml names it; else it is the largest allowed.
    pub installed: bool,
    /// Carries without opening, A.
    pub carries_a: f64,
    /// Must open within an hour, A.
    pub opens_in_1h_a: f64,
    /// Must open within two minutes, A.
    pub opens_in_2min_a: f64,
    /// It has to be made for this DC voltage at least, V.
    pub dc_v_min: f64,
    /// When it opens, by the model.
    pub melts: Vec<Melts>,
    /// What this rests on.
    pub sources: [Source; 4],
}

/// Melting time by first-order heating, s; `None`: carried for ever.
pub fn melts_after_s(amps: f64, rating_a: f64) -> Option<f64> {
    let (least, tau_s) = FUSE_MODEL.value;
    let ratio = least * rating_a / amps;
    (ratio < 1.0).then(|| -tau_s * (-ratio * ratio).ln_1p())
}

/// The fuse of a bonded array; `None` for any other.
pub fn fuse(facts: &Facts, installed_a: Option<f64>) -> Option<Fuse> {
    if !facts.is_bonded() {
        return None;
    }
    let largest_a = row_of(UL1741_GFDI_A_BY_KW.value, facts.dc_rating_kw)?;
    let rating_a = installed_a.unwrap_or(largest_a);
    let FuseRule {
        carries,
        opens_in_1h,
        opens_in_2min,
    } = MIDGET_FUSE.value;
    Some(Fuse {
        largest_a,
        rating_a,
        installed: installed_a.is_some(),
        carries_a: carries * rating_a,
        opens_in_1h_a: opens_in_1h * rating_a,
        opens_in_2min_a: opens_in_2min * rating_a,
        dc_v_min: facts.voc_cold_v,
        melts: [
            opens_in_1h * rating_a,
            opens_in_2min * rating_a,
            facts.isc_string_a,
            facts.isc_array_a,
        ]
        .map(|amps| Melts {
            amps,
            after_s: melts_after_s(amps, rating_a),
        })
        .to_vec(),
        sources: [
            UL1741_GFDI_A_BY_KW.source,
            MIDGET_FUSE.source,
            FUSE_MODEL.source,
            FUSE_DC,
        ],
    })
}

/// Whether the one installed fits.
pub fn finding(fuse: &Fuse) -> Finding {
    let (rating, largest) = (quantity(fuse.rating_a, "A"), quantity(fuse.largest_a, "A"));
    let finding = if !fuse.installed {
        Finding::cannot_judge(
            "ground-fault-fuse",
            format!("no fuse named; worked with {largest}, the largest for this rating"),
            "give protection.bond_fuse_a",
        )
    } else if fuse.rating_a > fuse.largest_a * (1.0 + 1e-9) {
        Finding::problem(
            "ground-fault-fuse",
            format!("a fuse of {rating} stands in the bond, at most {largest} for this rating"),
            format!("use a fuse of {largest} or less, made for DC at the array's voltage"),
        )
    } else {
        Finding::ok(
            "ground-fault-fuse",
            format!("a fuse of {rating}, at most {largest} for this rating"),
        )
    };
    finding
        .with("rating_a", fuse.rating_a)
        .with("largest_a", fuse.largest_a)
        .after(UL1741_GFDI_A_BY_KW.source)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With 1.25 In and 240 s, 1.35 In melts after 467 s and 2 In after 118.9 s (arithmetic made apart from this code): inside the
    /// hour and the two minutes of UL 248-14.
    #[test]
    fn model_passes_both_conventional_times() {
        for (x_in, s) in [(1.35, 467.0), (2.0, 118.9)] {
            let got = melts_after_s(x_in * 3.0, 3.0).expect("melts");
            assert!((got - s).abs() < 0.5, "{x_in} In: {got}");
        }
        assert_eq!(melts_after_s(1.1, 1.0), None);
        assert_eq!(
            melts_after_s(1.25, 1.0),
            None,
            "least melting current is carried"
        );
    }

    /// The same form with 600 s: 1168.4, 711.4, 297.2, 114.4, 38.7, 9.45 s; times go with τ.
    #[test]
    fn model_thermal_points() {
        for (x_in, s) in [
            (1.35, 1168.4),
            (1.5, 711.4),
            (2.0, 297.2),
            (3.0, 114.4),
            (5.0, 38.7),
            (10.0, 9.45),
        ] {
            let got = melts_after_s(x_in, 1.0).expect("melts") * 600.0 / 240.0;
            assert!((got / s - 1.0_f64).abs() < 1e-3, "{x_in} In: {got}");
        }
    }
}
