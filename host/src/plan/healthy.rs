//! What a healthy array of this kind should read: insulation, leakage capacitance, leakage current, time to measure.

use super::facts::{Facts, quantity};
use super::finding::Finding;
use super::holds;
use super::sources::limits::{CAPACITANCE_F_PER_KWP, CAPACITANCE_WET_F_PER_M2, MODULE_OHM_M2};
use crate::array_file::ArrayFile;
use ohmward_proto::settings::Calibration;
use serde::Serialize;

/// The array in one kind of weather.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Weather {
    /// What kind.
    pub when: String,
    /// Of the cells, °C.
    pub cell_c: f64,
    /// 0 dry to 1 covered with water.
    pub wetness: f64,
    /// Whole array to earth, Ω.
    pub r_ohm: f64,
    /// The same times its area, MΩ·m²: comparable between arrays.
    pub r_mohm_m2: f64,
    /// Leakage capacitance, F.
    pub c_f: f64,
    /// Bridge and leakage together against that capacitance, s.
    pub tau_s: f64,
    /// One bridge state until 1 % is left, s.
    pub settle_1pct_s: f64,
    /// Three states until a thousandth of the change is left, and the bond's opening, s. At most about that: the board stops
    /// sooner when it knows enough, and with long time constants that is much sooner.
    pub measure_s: f64,
}

/// All of it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Healthy {
    /// What of a module it was worked out from.
    pub assumed: String,
    /// Kinds of weather.
    pub weather: Vec<Weather>,
    /// The least of them, Ω.
    pub worst_r_ohm: f64,
    /// Time constant fully wet, s.
    pub wet_tau_s: f64,
    /// Through a closed bond at maximum power in the worst of them, A: half of the voltage over all leakage.
    pub worst_bond_a: f64,
    /// Capacitance to expect of crystalline modules dry, F, low and high.
    pub c_usual_f: [f64; 2],
    /// Both faces of all modules under water, F.
    pub c_wet_most_f: f64,
    /// The reference front end tells insulation up to this, Ω.
    pub told_up_to_ohm: f64,
}

impl Healthy {
    /// The longest measurement among them, s.
    pub fn longest_measure_s(&self) -> f64 {
        self.weather.iter().map(|w| w.measure_s).fold(0.0, f64::max)
    }
}

/// Opening of the bond before the first state, s.
const BOND_OPENS_S: f64 = 0.06;
/// Bridge states of one measurement: A, B, A again.
const STATES: f64 = 3.0;
/// A state takes this many windows beside settling: one that lies wholly inside it, and rows that show it is over.
const STATE_WINDOWS: f64 = 5.0;
/// Beyond this part of the change nobody waits.
const SETTLED_PART: f64 = 1e-3;
/// hardware-notes, "uncertainty of the bridge after calibration".
const TOLD_UP_TO_OHM: f64 = 80e6;

/// Time constant of a two-state bridge: all conductance that discharges the leakage capacitance, s.
pub fn tau_s(c_f: f64, g_s: f64) -> f64 {
    c_f / g_s
}

/// Until 1 % of the change is left, s.
pub fn settle_1pct_s(tau_s: f64) -> f64 {
    tau_s * 100_f64.ln()
}

/// Longest time in one bridge state, s, in tenths: five time constants of the wet array, within what a board takes.
pub fn state_s_max(wet_tau_s: f64) -> f64 {
    ((5.0 * wet_tau_s * 10.0).ceil() / 10.0).clamp(2.0, 120.0)
}

/// Works it out with the plant's model of module insulation and the reference bridge.
pub fn healthy(file: &ArrayFile, facts: &Facts) -> Healthy {
    let insulation = file.array.insulation();
    let modules = f64::from(facts.modules);
    let bridge = Calibration::REFERENCE.bridge;
    let windows_s = STATE_WINDOWS * holds::window_ms(facts.mains) * 1e-3;
    let bridge_s = 2.0 * f64::from(bridge.g_permanent.0) + f64::from(bridge.g_switched_pos.0);
    // The slowest the array can be: all the water's capacitance, none of its leakage.
    let wet_tau_s = tau_s(modules * insulation.capacitance_f(25.0, 1.0), bridge_s);
    let state_s_max = state_s_max(wet_tau_s);
    let weather: Vec<_> = [(25.0, 0.0), (file.site.max_cell_c, 0.0), (25.0, 1.0)]
        .into_iter()
        .map(|(cell_c, wetness)| {
            let water = if wetness > 0.0 {
                "covered with water"
            } else {
                "dry"
            };
            let g_s = modules * insulation.conductance_s(cell_c, wetness);
            let c_f = modules * insulation.capacitance_f(cell_c, wetness);
            let tau_s = tau_s(c_f, bridge_s + g_s);
            let settle_1pct_s = settle_1pct_s(tau_s);
            Weather {
                when: format!("{water}, cells at {cell_c} °C"),
                cell_c,
                wetness,
                r_ohm: 1.0 / g_s,
                r_mohm_m2: facts.area_m2 / g_s / 1e6,
                c_f,
                tau_s,
                settle_1pct_s,
                measure_s: BOND_OPENS_S
                    + STATES * (windows_s - tau_s * SETTLED_PART.ln()).min(state_s_max),
            }
        })
        .collect();
    let worst_r_ohm = weather
        .iter()
        .map(|w| w.r_ohm)
        .fold(f64::INFINITY, f64::min);
    let a = &file.array;
    Healthy {
        assumed: format!(
            "{} MΩ a module dry at 25 °C, {} eV, conductance × {} and capacitance × {} under water, {} nF a module",
            a.insulation_mohm_per_module,
            a.activation_energy_ev,
            1.0 + a.wet_factor,
            a.wet_capacitance_factor,
            a.leakage_nf_per_module
        ),
        worst_r_ohm,
        wet_tau_s,
        worst_bond_a: facts.vmp_stc_v / 2.0 / worst_r_ohm,
        c_usual_f: CAPACITANCE_F_PER_KWP.value.map(|f| f * facts.array_kw),
        c_wet_most_f: CAPACITANCE_WET_F_PER_M2.value * facts.area_m2,
        told_up_to_ohm: TOLD_UP_TO_OHM,
        weather,
    }
}

/// What of the description is out of the ordinary, or would trip a healthy array.
pub fn findings(
    healthy: &Healthy,
    facts: &Facts,
    continuous_a: f64,
    trip_ohm: f64,
) -> Vec<Finding> {
    let mut found = Vec::new();
    if let Some(wet) = healthy.weather.iter().find(|w| w.wetness > 0.0) {
        let minimum = MODULE_OHM_M2.value / 1e6;
        let says = format!(
            "covered with water the modules as described are at {:.0} MΩ·m²; a module must keep {minimum} MΩ·m²",
            wet.r_mohm_m2
        );
        let finding = if wet.r_mohm_m2 >= minimum {
            Finding::ok("module-insulation", says)
        } else {
            Finding::problem(
                "module-insulation",
                says,
                "look at array.insulation_mohm_per_module and array.wet_factor; if they are right, these modules are \
                 worse than new ones may be",
            )
        };
        found.push(
            finding
                .with("r_wet_mohm_m2", wet.r_mohm_m2)
                .with("r_module_minimum_mohm_m2", minimum)
                .after(MODULE_OHM_M2.source),
        );
    }
    if let Some(dry) = healthy.weather.first() {
        let [low, high] = healthy.c_usual_f;
        let says = format!(
            "leakage capacitance as described {}, usual for crystalline modules {} to {}",
            quantity(dry.c_f, "F"),
            quantity(low, "F"),
            quantity(high, "F")
        );
        let finding = if (low..=high).contains(&dry.c_f) {
            Finding::ok("leakage-capacitance", says)
        } else {
            Finding::cannot_judge(
                "leakage-capacitance",
                says,
                "thin film and wet modules have more; else look at array.leakage_nf_per_module",
            )
        };
        found.push(
            finding
                .with("c_f", dry.c_f)
                .with("c_usual_low_f", low)
                .with("c_usual_high_f", high)
                .after(CAPACITANCE_F_PER_KWP.source),
        );
    }
    found.push(false_trip(healthy, facts, continuous_a, trip_ohm));
    found
}

fn false_trip(healthy: &Healthy, facts: &Facts, continuous_a: f64, trip_ohm: f64) -> Finding {
    let r = quantity(healthy.worst_r_ohm, "Ω");
    let finding = if healthy.worst_r_ohm < 2.0 * trip_ohm {
        Finding::problem(
            "healthy-array-trips",
            format!(
                "the healthy array reads {r} at its worst, and {} trips it",
                quantity(trip_ohm, "Ω")
            ),
            "measure in parts, each with a monitor of its own, or look at the insulation described",
        )
    } else if facts.is_bonded() && healthy.worst_bond_a > continuous_a / 2.0 {
        Finding::problem(
            "healthy-array-trips",
            format!(
                "the healthy array sends {} through its bond at its worst, the continuous limit is {}",
                quantity(healthy.worst_bond_a, "A"),
                quantity(continuous_a, "A")
            ),
            "divide the array, each part with a bond and a monitor of its own",
        )
    } else {
        Finding::ok(
            "healthy-array-trips",
            format!(
                "at its worst the healthy array reads {r} and leaks {} of direct current: far from every limit",
                quantity(healthy.worst_bond_a, "A")
            ),
        )
    };
    finding
        .with("r_worst_ohm", healthy.worst_r_ohm)
        .with("i_bond_worst_a", healthy.worst_bond_a)
        .with("trip_below_ohm", trip_ohm)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::test_array::heron_bend;

    /// τ = C·(R_bridge ∥ R_iso), 1 % after 4.605 τ: arithmetic of four examples, made apart from this code.
    #[test]
    fn settling_time_examples() {
        for (c_uf, r_bridge_kohm, r_iso_mohm, tau, settle) in [
            (0.7, 100.0, 1.0, 0.0636, 0.293),
            (7.0, 100.0, 1.0, 0.636, 2.93),
            (1.7, 500.0, 10.0, 0.81, 3.73),
            (25.0, 100.0, 1.0, 2.27, 10.5),
        ] {
            let got = tau_s(c_uf * 1e-6, 1e-3 / r_bridge_kohm + 1e-6 / r_iso_mohm);
            assert!((got / tau - 1.0_f64).abs() < 2e-3, "{c_uf} µF: τ {got}");
            assert!(
                (settle_1pct_s(got) / settle - 1.0_f64).abs() < 5e-3,
                "{c_uf} µF: {}",
                settle_1pct_s(got)
            );
        }
    }

    /// By hand: eight modules of 400 MΩ are 50 MΩ dry at 25 °C; wet at 25 °C each has 400/31 MΩ, together 1.613 MΩ; at 65 °C
    /// 0.7 eV make exp(0.7/8.617333e-5·(1/298.15 − 1/338.15)) = 25.10 of it.
    #[test]
    fn heron_bend_by_hand() {
        let file = heron_bend("");
        let facts = Facts::of(&file).expect("plans");
        let healthy = healthy(&file, &facts);
        let r: Vec<f64> = healthy.weather.iter().map(|w| w.r_ohm / 1e6).collect();
        assert!((r[0] - 50.0).abs() < 1e-9, "{r:?}");
        assert!((r[1] - 50.0 / 25.10).abs() < 2e-3, "{r:?}");
        assert!((r[2] - 50.0 / 31.0).abs() < 1e-9, "{r:?}");
        assert!((healthy.worst_r_ohm - r[2] * 1e6).abs() < 1.0);
        // 8 × 25 nF against 6 µS of bridge and 0.02 µS of leakage.
        assert!((healthy.weather[0].tau_s - 0.2e-6 / 6.02e-6).abs() < 1e-9);
        assert!((healthy.wet_tau_s - 0.4e-6 / 6e-6).abs() < 1e-7);
    }

    /// The plant's own circuit of the same array as oracle, negative conductor bonded, fully wet, at maximum power: healthy
    /// leakage through the bond is half of the voltage over all leakage, and flows from earth into the array.
    #[test]
    fn healthy_bond_current_is_what_the_circuit_says() {
        use ohmward_plant::array::{Array, Conditions, Contacts, Description, Load};
        let file = heron_bend("");
        let facts = Facts::of(&file).expect("plans");
        let bridge = &Calibration::REFERENCE.bridge;
        let mut array = Array::new(&Description {
            parts: file.earthing,
            load: Load::WorkingPoint,
            ..Description::new(&file.array, file.module, file.arrangement, bridge)
        });
        array.set_conditions(Conditions {
            irradiance_w_m2: 1000.0,
            cell_temp_c: 25.0,
            wetness: 1.0,
        });
        let point = array
            .solve(Contacts {
                contactor_closed: true,
                ..Contacts::default()
            })
            .expect("solves");
        // The divider at the positive pole draws too: off with it.
        let dividers_a = f64::from(Calibration::REFERENCE.bridge.g_permanent.0) * point.v_pos;
        let leaks_a = -point.i_bond_a - dividers_a;
        let planned_a = healthy(&file, &facts).worst_bond_a;
        assert!(
            (leaks_a / planned_a - 1.0).abs() < 0.02,
            "{leaks_a} {planned_a}"
        );
    }
}
