//! What a touch would drive through a person at this array's voltage. Words of caution; no claim of protection.

use super::facts::Facts;
use super::sources::Source;
use super::sources::body::{
    BODY_DC, DC_CURVE_B_A, DC_CURVE_C1, DC_LINE_A, HEART_HAND_TO_HAND, TOUCH_VOLTAGE_DC,
};
use ohmward_proto::settings::{Earthing, InsulationLimits};
use serde::Serialize;

/// One way of touching.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Touch {
    /// What is touched, and in which state the array is.
    pub case: String,
    /// In series with the person, Ω.
    pub series_ohm: f64,
    /// Through the person, A.
    pub body_a: f64,
    /// Heart-current factor of the way through the body.
    pub heart_factor: f64,
    /// Zone of IEC 60479 for a touch of ten seconds, by current × factor.
    pub zone: &'static str,
}

/// All of it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Touches {
    /// Voltage taken, V.
    pub v: f64,
    /// Resistance of the person, Ω: 5 % of people have less.
    pub body_p5_ohm: f64,
    /// Half of people have less, Ω.
    pub body_p50_ohm: f64,
    /// The voltage passes the conventional limit for dry places, 120 V.
    pub above_touch_limit: bool,
    /// Ways of touching.
    pub touches: Vec<Touch>,
    /// Beginning of fibrillation when interrupted after 0.3 s, A.
    pub c1_at_0_3_s_a: f64,
    /// What everything here rests on.
    pub sources: [Source; 5],
}

/// Through a person whose `body_ohm` lies in series with `series_ohm`, A.
pub fn body_amps(v: f64, series_ohm: f64, body_ohm: f64) -> f64 {
    v / (series_ohm + body_ohm)
}

/// Resistance at a touch voltage, 5 % and 50 % of people; between rows straight lines, beyond the last row its values.
pub fn body_ohm(v: f64) -> (f64, f64) {
    let rows = BODY_DC.value;
    let first = rows[0];
    let last = rows[rows.len() - 1];
    if v <= first.v {
        return (first.p5_ohm, first.p50_ohm);
    }
    rows.windows(2)
        .find(|pair| v <= pair[1].v)
        .map_or((last.p5_ohm, last.p50_ohm), |pair| {
            let x = (v - pair[0].v) / (pair[1].v - pair[0].v);
            let between = |low: f64, high: f64| low + x * (high - low);
            (
                between(pair[0].p5_ohm, pair[1].p5_ohm),
                between(pair[0].p50_ohm, pair[1].p50_ohm),
            )
        })
}

/// Beginning of fibrillation (curve c1) after `s` seconds, A; between points straight in double-logarithmic scale.
pub fn c1_amps(s: f64) -> f64 {
    let points = DC_CURVE_C1.value;
    let (first, last) = (points[0], points[points.len() - 1]);
    if s <= first.0 {
        return first.1;
    }
    points
        .windows(2)
        .find(|pair| s <= pair[1].0)
        .map_or(last.1, |pair| {
            let x = (s / pair[0].0).ln() / (pair[1].0 / pair[0].0).ln();
            pair[0].1 * (pair[1].1 / pair[0].1).powf(x)
        })
}

/// Zone of a direct current that flows for ten seconds or longer.
pub fn zone(amps: f64) -> &'static str {
    if amps <= DC_LINE_A.value {
        "DC-1: slight pricking at most"
    } else if amps <= DC_CURVE_B_A.value {
        "DC-2: muscles cramp, usually no harm"
    } else if amps <= c1_amps(10.0) {
        "DC-3: strong cramps, heart disturbed"
    } else {
        "DC-4: HEART FIBRILLATION POSSIBLE"
    }
}

/// Ways of touching this array.
pub fn touches(facts: &Facts, insulation: &InsulationLimits) -> Touches {
    let v = facts.voc_cold_v;
    let (body_p5_ohm, body_p50_ohm) = body_ohm(v);
    let touch = |case: &str, series_ohm: f64, heart_factor: f64| {
        let body_a = body_amps(v, series_ohm, body_p5_ohm);
        Touch {
            case: case.to_owned(),
            series_ohm,
            body_a,
            heart_factor,
            zone: zone(body_a * heart_factor),
        }
    };
    let trip_ohm = f64::from(insulation.trip_below.0);
    let hand_to_hand = touch(
        "both conductors, hand to hand, whatever the earthing",
        0.0,
        HEART_HAND_TO_HAND.value,
    );
    let touches = match (facts.earthing, facts.bond_path_ohm) {
        (Earthing::NotEarthed, _) | (_, None) => vec![
            hand_to_hand,
            touch(
                "one pole and earth, insulation just at the trip level",
                trip_ohm,
                1.0,
            ),
        ],
        (Earthing::HighResistance, Some(ohm)) => vec![
            touch(
                "the far conductor and earth, through the earthing resistor",
                ohm,
                1.0,
            ),
            hand_to_hand,
            touch(
                "bond open: one pole and earth, insulation just at the trip level",
                trip_ohm,
                1.0,
            ),
        ],
        (Earthing::NegativeBonded | Earthing::PositiveBonded, Some(ohm)) => vec![
            touch("bond closed: the ungrounded conductor and earth", ohm, 1.0),
            hand_to_hand,
            touch(
                "bond open: one pole and earth, insulation just at the trip level",
                trip_ohm,
                1.0,
            ),
        ],
    };
    Touches {
        v,
        body_p5_ohm,
        body_p50_ohm,
        above_touch_limit: v > TOUCH_VOLTAGE_DC.value[0],
        touches,
        c1_at_0_3_s_a: c1_amps(0.3),
        sources: [
            BODY_DC.source,
            DC_LINE_A.source,
            DC_CURVE_B_A.source,
            DC_CURVE_C1.source,
            HEART_HAND_TO_HAND.source,
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand from the table: 600 V lies midway between 625 and 575 Ω; V/(R_iso + R_body), all leakage on the
    /// other pole.
    #[test]
    fn touch_example() {
        for (v, r_body_ohm, series_ohm, ma) in [
            (600.0, 600.0, 20_000.0, 29.1),
            (1000.0, 575.0, 33_333.0, 29.5),
        ] {
            let (p5, _) = body_ohm(v);
            assert!((p5 - r_body_ohm).abs() < 1e-9, "{v} V: {p5}");
            let got_ma = body_amps(v, series_ohm, p5) * 1e3;
            assert!((got_ma - ma).abs() < 0.05, "{v} V: {got_ma}");
        }
    }

    #[test]
    fn beyond_the_table_the_last_row_holds() {
        let (low, _) = body_ohm(3.0);
        let (high, half) = body_ohm(1500.0);
        assert!((low - 2100.0).abs() < 1e-9);
        assert!((high - 575.0).abs() < 1e-9 && (half - 775.0).abs() < 1e-9);
    }

    /// IEC TS 60479-1:2005 (memory): 2 mA, 25 mA, 140 mA.
    #[test]
    fn zones_at_their_borders() {
        for (ma, name) in [
            (2.0, "DC-1"),
            (2.1, "DC-2"),
            (25.0, "DC-2"),
            (26.0, "DC-3"),
            (139.0, "DC-3"),
            (141.0, "DC-4"),
        ] {
            assert!(
                zone(ma * 1e-3).starts_with(name),
                "{ma} mA: {}",
                zone(ma * 1e-3)
            );
        }
    }

    #[test]
    fn c1_goes_through_its_points_and_falls() {
        for (s, a) in DC_CURVE_C1.value {
            assert!((c1_amps(s) - a).abs() < 1e-9, "{s}");
        }
        assert!(c1_amps(0.3) < 0.4 && c1_amps(0.3) > 0.25);
        assert!((c1_amps(1000.0) - 0.14).abs() < 1e-12);
    }
}
