//! One photovoltaic module: the single-diode model with De Soto scaling, and its bypass diode.
//!
//! `I = IL − I0·(e^{x/a} − 1) − x/Rsh` with the diode voltage `x = V + I·Rs`, current counted out of the positive
//! terminal. Five numbers at one light and one temperature are a [`Curve`]; a [`ModuleKind`] makes them.

/// Boltzmann constant in eV/K (CODATA 2018, exact).
pub const BOLTZMANN_EV_PER_K: f64 = 8.617_333_262e-5;
/// 0 °C in kelvin.
pub const ZERO_CELSIUS_K: f64 = 273.15;

const T_REF_K: f64 = ZERO_CELSIUS_K + 25.0;
const G_REF_W_M2: f64 = 1000.0;
// Silicon band gap and its slope as De Soto uses them (defaults of pvlib 0.16.1's calcparams_desoto).
const EG_REF_EV: f64 = 1.121;
const EG_SLOPE_PER_K: f64 = -0.000_267_7;

/// Data-sheet side of a module: De Soto's five parameters at 1000 W/m², 25 °C.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ModuleKind {
    /// Name as written in a scenario.
    pub name: &'static str,
    /// Modified ideality n·Ns·Vth, V.
    pub a_ref_v: f64,
    /// Photocurrent, A.
    pub il_ref_a: f64,
    /// Diode saturation current, A.
    pub i0_ref_a: f64,
    /// Series resistance, Ω.
    pub rs_ohm: f64,
    /// Shunt resistance, Ω; grows as light falls.
    pub rsh_ref_ohm: f64,
    /// Temperature coefficient of the photocurrent, A/K.
    pub alpha_sc_a_per_k: f64,
}

/// The kinds a scenario can name. Parameters are rounded medians of a class in the CEC list that pvlib ships;
/// they are no maker's module.
pub const KINDS: [ModuleKind; 2] = [
    ModuleKind {
        name: "mono60-300w",
        a_ref_v: 1.565,
        il_ref_a: 9.784,
        i0_ref_a: 9e-11,
        rs_ohm: 0.278,
        rsh_ref_ohm: 436.0,
        alpha_sc_a_per_k: 0.004_16,
    },
    ModuleKind {
        name: "mono72-400w",
        a_ref_v: 1.837,
        il_ref_a: 10.35,
        i0_ref_a: 2.25e-11,
        rs_ohm: 0.248,
        rsh_ref_ohm: 294.0,
        alpha_sc_a_per_k: 0.003_34,
    },
];

impl ModuleKind {
    /// The kind of that name, if there is one.
    pub fn named(name: &str) -> Option<&'static Self> {
        KINDS.iter().find(|kind| kind.name == name)
    }

    /// The curve at `irradiance_w_m2` (0 is dark) and `cell_c`.
    ///
    /// # Source
    /// De Soto scaling as in pvlib 0.16.1 `calcparams_desoto`; checked against its values in the tests.
    pub fn at(&self, irradiance_w_m2: f64, cell_c: f64) -> Curve {
        let t_k = cell_c + ZERO_CELSIUS_K;
        let eg_ev = EG_REF_EV * (1.0 + EG_SLOPE_PER_K * (t_k - T_REF_K));
        let suns = irradiance_w_m2.max(0.0) / G_REF_W_M2;
        Curve {
            il_a: suns * (self.il_ref_a + self.alpha_sc_a_per_k * (t_k - T_REF_K)),
            i0_a: self.i0_ref_a
                * (t_k / T_REF_K).powi(3)
                * (EG_REF_EV / (BOLTZMANN_EV_PER_K * T_REF_K) - eg_ev / (BOLTZMANN_EV_PER_K * t_k))
                    .exp(),
            rs_ohm: self.rs_ohm,
            gsh_s: suns / self.rsh_ref_ohm,
            a_v: self.a_ref_v * t_k / T_REF_K,
        }
    }
}

/// A module at one light and one temperature.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Curve {
    /// Photocurrent, A.
    pub il_a: f64,
    /// Diode saturation current, A.
    pub i0_a: f64,
    /// Series resistance, Ω.
    pub rs_ohm: f64,
    /// Shunt conductance, S; 0 in the dark.
    pub gsh_s: f64,
    /// Modified ideality n·Ns·Vth, V.
    pub a_v: f64,
}

impl Curve {
    /// Current out of the positive terminal at `v`, and its slope in S (never positive). Bypass diode included.
    pub fn current(&self, v: f64) -> (f64, f64) {
        let (cells, slope) = self.cells(v);
        let (bypass, bypass_slope) = bypass_diode(-v);
        (cells + bypass, slope - bypass_slope)
    }

    /// The cells alone.
    ///
    /// The function solved, `x + Rs·(I0·(e^{x/a} − 1) + x/Rsh) − (V + Rs·IL)`, rises and is convex in x, so Newton
    /// from above its root comes down to it without ever crossing: no overflow, no search.
    fn cells(&self, v: f64) -> (f64, f64) {
        let w = v + self.rs_ohm * self.il_a;
        let mut x = if w >= 0.0 {
            // Both bounds follow from dropping one of the two positive terms beside the other.
            w.min(self.a_v * (w / (self.rs_ohm * self.i0_a)).ln_1p())
        } else {
            // The diode gives back at most I0 in reverse.
            ((w + self.rs_ohm * self.i0_a) / (1.0 + self.rs_ohm * self.gsh_s)).min(0.0)
        };
        loop {
            let (diode_a, gd_s) = self.diode(x);
            let down = (x + self.rs_ohm * diode_a - w) / (1.0 + self.rs_ohm * gd_s);
            x -= down;
            // Also ends on a step that rounding turned around.
            if down <= 1e-13 * (x.abs() + self.a_v) {
                let (diode_a, gd_s) = self.diode(x);
                return (self.il_a - diode_a, -gd_s / (1.0 + self.rs_ohm * gd_s));
            }
        }
    }

    /// Diode and shunt current at diode voltage `x`, and its slope.
    fn diode(&self, x: f64) -> (f64, f64) {
        let e = (x / self.a_v).exp_m1();
        (
            self.i0_a * e + x * self.gsh_s,
            self.i0_a / self.a_v * (e + 1.0) + self.gsh_s,
        )
    }

    /// Open-circuit voltage, V.
    pub fn v_oc(&self) -> f64 {
        let mut x = self.a_v * (self.il_a / self.i0_a).ln_1p();
        loop {
            let (diode_a, gd_s) = self.diode(x);
            let down = (diode_a - self.il_a) / gd_s;
            x -= down;
            if down <= 1e-13 * (x.abs() + self.a_v) {
                return x;
            }
        }
    }

    /// Terminal voltage and current at the maximum power of `modules` alike in series with a cable of `series_ohm`.
    ///
    /// Bisection on dP/dx over the diode voltage x: P rises at x = 0, falls at open circuit, and turns once between.
    pub fn maximum_power(&self, modules: u32, series_ohm: f64) -> (f64, f64) {
        let n = f64::from(modules);
        let at = |x: f64| {
            let (diode_a, gd_s) = self.diode(x);
            let i = self.il_a - diode_a;
            let v = n * (x - i * self.rs_ohm) - i * series_ohm;
            let dv = n * (1.0 + self.rs_ohm * gd_s) + series_ohm * gd_s;
            (v, i, dv * i - v * gd_s)
        };
        let (mut low, mut high) = (0.0, self.v_oc());
        // 60 halvings of at most some 60 V end below the rounding of x.
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if at(middle).2 > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        let (v, i, _) = at(low);
        (v, i)
    }
}

/// Forward current of the bypass diode at forward voltage `u`, and its slope.
///
/// A Schottky diode of 0.1 µA saturation current and 27 mV per e-fold, with 10 mΩ taking over where the exponential
/// is steeper than that: 0.53 V at 10 A, and a bounded slope for Newton. Round numbers of the kind; no source.
fn bypass_diode(u: f64) -> (f64, f64) {
    const SATURATION_A: f64 = 1e-7;
    const EFOLD_V: f64 = 0.027;
    const OHMIC_S: f64 = 100.0;
    // ln(OHMIC_S · EFOLD_V / SATURATION_A)
    const KNEE: f64 = 17.111_347_328_1;
    let e = u / EFOLD_V;
    if e < KNEE {
        let exp = e.exp();
        (SATURATION_A * (exp - 1.0), SATURATION_A / EFOLD_V * exp)
    } else {
        let at_knee = OHMIC_S * EFOLD_V - SATURATION_A;
        (at_knee + OHMIC_S * (u - KNEE * EFOLD_V), OHMIC_S)
    }
}

#[cfg(test)]
// Exact zeros and exact inputs.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;

    #[test]
    fn bypass_knee_is_smooth() {
        let knee_v = 17.111_347_328_1 * 0.027;
        let (below, slope_below) = bypass_diode(knee_v - 1e-9);
        let (above, slope_above) = bypass_diode(knee_v + 1e-9);
        assert!((above - below).abs() < 1e-6, "{below} {above}");
        assert!(
            (slope_above - slope_below).abs() < 1e-4,
            "{slope_below} {slope_above}"
        );
    }

    #[test]
    fn slope_is_the_derivative_everywhere() {
        for curve in [
            KINDS[0].at(1000.0, 25.0),
            KINDS[1].at(0.0, -20.0),
            KINDS[0].at(3.0, 80.0),
        ] {
            for v in [
                -500.0, -40.0, -0.6, -0.3, 0.0, 5.0, 33.0, 41.0, 80.0, 4000.0,
            ] {
                let h = 1e-5;
                let numeric = (curve.current(v + h).0 - curve.current(v - h).0) / (2.0 * h);
                let (i, slope) = curve.current(v);
                assert!(i.is_finite());
                assert!(
                    (slope - numeric).abs() <= 1e-4 * slope.abs() + 1e-8,
                    "{v}: {slope} {numeric}"
                );
            }
        }
    }

    #[test]
    fn dark_module_gives_nothing_at_rest() {
        let dark = KINDS[0].at(0.0, 10.0);
        assert_eq!(dark.current(0.0).0, 0.0);
        assert_eq!(dark.v_oc(), 0.0);
    }
}
