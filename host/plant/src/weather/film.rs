//! The film of water on a module: rain, dew and frost lay it down, dry air takes it away.

/// Dew wets a module this much at most; rain wets it wholly. Own choice.
const DEW_MAX: f64 = 0.6;
/// Less than this is dry.
const DRY: f64 = 1e-3;
/// A film freezes within this of 0 °C, K. Own choice: modules are not alike.
const FREEZES_WITHIN_K: f64 = 0.5;

/// Saturation vapour pressure over water, hPa: Magnus formula (WMO constants 6.112, 17.62, 243.12; memory).
pub fn saturation_hpa(t_c: f64) -> f64 {
    6.112 * (17.62 * t_c / (243.12 + t_c)).exp()
}

/// Water on the module, frozen or not: 0 dry to 1 covered.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Film {
    cover: f64,
}

impl Film {
    /// `step_h` hours of this weather; gives the wetness, which is the part that is liquid: ice does not conduct.
    pub fn step(&mut self, step_h: f64, raining: bool, vapour_hpa: f64, cell_temp_c: f64) -> f64 {
        self.cover = if raining {
            // Wet through within minutes.
            1.0 - (1.0 - self.cover) * (-step_h * 20.0).exp()
        } else {
            let excess_hpa = vapour_hpa - saturation_hpa(cell_temp_c);
            if excess_hpa > 0.0 {
                // A few hours to a full film at 1 hPa of excess; what rain left on top of that runs off.
                DEW_MAX - (DEW_MAX - self.cover) * (-step_h * 0.4 * excess_hpa).exp()
            } else {
                // Drying follows the vapour deficit; 10 hPa dries a film in about half an hour.
                self.cover * (0.2 * excess_hpa * step_h).exp()
            }
        };
        if self.cover < DRY {
            self.cover = 0.0;
        }
        let liquid = (0.5 + 0.5 * cell_temp_c / FREEZES_WITHIN_K).clamp(0.0, 1.0);
        self.cover * liquid
    }
}

#[cfg(test)]
// Exact zeros.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;

    /// 23.4 hPa at 20 °C, 6.11 hPa at 0 °C: steam tables (memory).
    #[test]
    fn magnus() {
        assert!((saturation_hpa(20.0) - 23.4).abs() < 0.1);
        assert!((saturation_hpa(0.0) - 6.112).abs() < 1e-9);
    }

    #[test]
    fn rain_covers_dew_half_covers_and_dry_air_dries() {
        let mut film = Film::default();
        assert!(film.step(0.5, true, 20.0, 15.0) > 0.99);
        // Saturated at 12 °C, the module at 8 °C: dew, which keeps no more than its share.
        let dewy = film.step(12.0, false, saturation_hpa(12.0), 8.0);
        assert!((dewy - DEW_MAX).abs() < 0.01, "{dewy}");
        assert_eq!(film.step(3.0, false, 10.0, 40.0), 0.0);
    }

    #[test]
    fn frost_does_not_conduct_until_it_thaws() {
        let mut film = Film::default();
        assert_eq!(film.step(8.0, false, saturation_hpa(-2.0), -6.0), 0.0);
        let thawed = film.step(0.02, false, saturation_hpa(-2.0), 1.0);
        assert!(thawed > 0.1, "{thawed}");
    }
}
