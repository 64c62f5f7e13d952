//! A person who stands on the soil at the array and touches something: their resistance, and what the current does.

use crate::plan::sources::Source;
use crate::plan::sources::body::{BODY_DC, DC_CURVE_B_A, DC_CURVE_C1, DC_LINE_A};
use crate::plan::touch::{body_ohm, c1_amps, zone};
use serde::Serialize;

/// Resistance of both feet side by side on bare soil over its resistivity, Ω per Ω·m: each foot a plate of 8 cm radius.
/// IEEE 80, memory.
pub const FEET_OHM_PER_OHM_M: f64 = 1.5;

/// What does not depend on the touch.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Feet {
    /// Shoes, Ω: 0 is bare or soaked.
    pub shoes_ohm: f64,
    /// Soil under both feet, Ω.
    pub soil_ohm: f64,
    /// In words.
    pub assumed: String,
}

impl Feet {
    /// Of a person on soil of that resistivity.
    pub fn on(soil_ohm_m: Option<f64>, shoes_ohm: f64) -> Self {
        let soil_ohm = FEET_OHM_PER_OHM_M * soil_ohm_m.unwrap_or(0.0);
        let soil = match soil_ohm_m {
            Some(rho) => format!(
                "{soil_ohm:.0} Ω of soil under both feet (1.5 × {rho} Ω·m, IEEE 80, unverified)"
            ),
            None => "no resistance of the soil (site.soil_ohm_m is not given)".to_owned(),
        };
        let shoes = if shoes_ohm > 0.0 {
            format!("shoes of {shoes_ohm} Ω")
        } else {
            "bare or soaked feet".to_owned()
        };
        Self {
            shoes_ohm,
            soil_ohm,
            assumed: format!(
                "one hand to both feet, {shoes}, {soil}; a body that 5 % of people fall below, dry skin, at the voltage over it \
                 ({}); wet skin has less",
                BODY_DC.source.label()
            ),
        }
    }

    /// Shoes and soil, Ω.
    pub fn ohm(&self) -> f64 {
        self.shoes_ohm + self.soil_ohm
    }
}

/// What a touch does.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Touched {
    /// What is touched above the soil before anyone touches it, V.
    pub v_open_v: f64,
    /// While it is touched, V: over body and feet together.
    pub v_touch_v: f64,
    /// The body alone at the voltage over it, Ω.
    pub body_ohm: f64,
    /// Shoes and soil, Ω.
    pub feet_ohm: f64,
    /// Through the person, + from hand to feet, A.
    pub person_a: f64,
    /// Zone of IEC 60479 for ten seconds or longer.
    pub zone: &'static str,
    /// Longest time before the heart may fibrillate, s (curve c1); `None`: no time is long enough.
    pub c1_after_s: Option<f64>,
}

impl Touched {
    /// From a solved circuit.
    pub fn new(v_open_v: f64, v_touch_v: f64, body_ohm: f64, feet_ohm: f64) -> Self {
        let person_a = v_touch_v / (body_ohm + feet_ohm);
        Self {
            v_open_v,
            v_touch_v,
            body_ohm,
            feet_ohm,
            person_a,
            zone: zone(person_a.abs()),
            c1_after_s: c1_after_s(person_a.abs()),
        }
    }

    /// Beyond curve b: muscles held, the heart disturbed.
    pub fn is_dangerous(&self) -> bool {
        self.person_a.abs() > DC_CURVE_B_A.value
    }
}

/// What zones and body rest on.
pub fn sources() -> [Source; 4] {
    [
        BODY_DC.source,
        DC_LINE_A.source,
        DC_CURVE_B_A.source,
        DC_CURVE_C1.source,
    ]
}

/// Body at the voltage over it when body and feet share `v_touch_v`, Ω: their shares settle each other.
pub fn body_at(v_touch_v: f64, feet_ohm: f64) -> f64 {
    let v = v_touch_v.abs();
    let mut body = body_ohm(v).0;
    // The table falls slower than 1/v: each round halves what is left at least.
    for _ in 0..40 {
        body = body_ohm(v * body / (body + feet_ohm)).0;
    }
    body
}

/// Beginning of curve c1 for a current, s; at once is 0.01 s.
fn c1_after_s(amps: f64) -> Option<f64> {
    // From 10 ms to 10 s, where the curve ends.
    (0..=300)
        .map(|k| 10_f64.powf(-2.0 + f64::from(k) / 100.0))
        .find(|s| amps > c1_amps(*s))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand from the table (IEC TS 60479-1:2005 Table 10, memory): 120 V on 1000 Ω of feet. 50 V has 1600 Ω, 75 V 1275 Ω; at
    /// 71.0 V over the body 1327 Ω, and 120·1327/2327 = 68.4 V; at 69.0 V 1353 Ω and 69.0 V: settled. 120/2353 = 51 mA, DC-3.
    #[test]
    fn body_and_feet_share_the_voltage() {
        let body = body_at(120.0, 1000.0);
        let v = 120.0 * body / (body + 1000.0);
        assert!(
            (body - 1353.0).abs() < 3.0 && (v - 69.0).abs() < 0.1,
            "{body} Ω, {v} V"
        );
        let touched = Touched::new(120.0, 120.0, body, 1000.0);
        assert!((touched.person_a - 0.051).abs() < 2e-4, "{touched:?}");
        assert!(touched.zone.starts_with("DC-3") && touched.is_dangerous());
        assert_eq!(
            touched.c1_after_s, None,
            "51 mA lie below the curve's 140 mA"
        );
    }

    /// Curve c1 (read off the figure): 400 mA from 0.2 s on, 150 mA from 2 s on.
    #[test]
    fn how_long_the_heart_has() {
        for (amps, s) in [(0.401, 0.2), (0.151, 2.0), (0.6, 0.01)] {
            let got = c1_after_s(amps).expect("crosses");
            assert!((got / s - 1.0).abs() < 0.06, "{amps} A: {got} s");
        }
    }
}
