//! Healthy insulation of one module: how resistance and capacitance to earth move with temperature and water.

use crate::module::{BOLTZMANN_EV_PER_K, ZERO_CELSIUS_K};

/// Insulation of one module to earth.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Insulation {
    /// Resistance dry at 25 °C, Ω.
    pub r_dry_25c_ohm: f64,
    /// Capacitance dry, F.
    pub c_dry_f: f64,
    /// Activation energy of the bulk path, eV.
    pub activation_energy_ev: f64,
    /// Conductance of the fully wet surface over the dry one at 25 °C; 0 = water changes nothing.
    pub wet_factor: f64,
    /// Capacitance fully wet over dry.
    pub wet_capacitance_factor: f64,
    /// Change of the capacitance from 25 °C on, %/K.
    pub capacitance_percent_per_k: f64,
}

impl Insulation {
    /// Conductance of one module to earth, S. `wetness` is 0 (dry) to 1 (covered with water).
    ///
    /// The bulk is thermally activated, R = R₂₅·exp(Ea/k·(1/T − 1/T₂₅)); the wet surface lies parallel to it.
    ///
    /// # Source
    /// Arrhenius form and 0.7 to 0.9 eV: module literature as generally quoted (memory). The linear share of water
    /// is our own choice; that humidity and rain raise module leakage is measured (Progress in Photovoltaics 22 (2014)
    /// 173-179 and 24 (2016) 1304-1309, abstracts looked up).
    pub fn conductance_s(&self, cell_c: f64, wetness: f64) -> f64 {
        let t25_k = ZERO_CELSIUS_K + 25.0;
        let exponent = self.activation_energy_ev / BOLTZMANN_EV_PER_K
            * (1.0 / t25_k - 1.0 / (cell_c + ZERO_CELSIUS_K));
        (exponent.exp() + self.wet_factor * wetness) / self.r_dry_25c_ohm
    }

    /// Capacitance of one module to earth, F.
    ///
    /// # Source
    /// Permittivity of polymers rises with temperature by some tenths of a percent per kelvin (memory); more wet area, more
    /// capacitance: the linear share is our own choice.
    pub fn capacitance_f(&self, cell_c: f64, wetness: f64) -> f64 {
        let warm = 1.0 + self.capacitance_percent_per_k / 100.0 * (cell_c - 25.0);
        self.c_dry_f * warm.max(0.1) * (1.0 + (self.wet_capacitance_factor - 1.0) * wetness)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 100 nF, 0.2 %/K, 20 K warmer, half wet with a factor 2: 100·1.04·1.5.
    #[test]
    fn capacitance_grows_with_warmth_and_water() {
        let module = Insulation {
            r_dry_25c_ohm: 1e9,
            c_dry_f: 100e-9,
            activation_energy_ev: 0.7,
            wet_factor: 0.0,
            wet_capacitance_factor: 2.0,
            capacitance_percent_per_k: 0.2,
        };
        assert!((module.capacitance_f(45.0, 0.5) - 156e-9).abs() < 1e-15);
        assert!((module.capacitance_f(25.0, 0.0) - 100e-9).abs() < 1e-15);
    }

    /// Ratios R25/R35, R25/R60 and R5/R60: exp(Ea/k·(1/T1 − 1/T2)), computed apart from this code, k = 8.617333e-5 eV/K.
    #[test]
    fn arrhenius_factors() {
        for (ea_ev, r25_over_r35, r25_over_r60, r5_over_r60) in [
            (0.5, 1.881, 7.725, 31.31),
            (0.7, 2.421, 17.5, 124.1),
            (0.9, 3.117, 39.65, 492.2),
        ] {
            let dry = Insulation {
                r_dry_25c_ohm: 1e9,
                c_dry_f: 0.0,
                activation_energy_ev: ea_ev,
                wet_factor: 30.0,
                wet_capacitance_factor: 2.0,
                capacitance_percent_per_k: 0.2,
            };
            let ratio =
                |cold: f64, hot: f64| dry.conductance_s(hot, 0.0) / dry.conductance_s(cold, 0.0);
            for (got, want) in [
                (ratio(25.0, 35.0), r25_over_r35),
                (ratio(25.0, 60.0), r25_over_r60),
                (ratio(5.0, 60.0), r5_over_r60),
            ] {
                assert!(
                    (got / want - 1.0_f64).abs() < 1e-3,
                    "{ea_ev} eV: {got} not {want}"
                );
            }
            assert!((dry.conductance_s(25.0, 1.0) / 31e-9 - 1.0).abs() < 1e-12);
        }
    }
}
