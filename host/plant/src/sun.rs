//! Where the sun stands and what a cloudless sky gives: geometry and textbook formulas.
//!
//! Refraction (half a degree at the horizon) is left out; leap days are averaged. Elevation and incidence are within half
//! a degree of an ephemeris: see `tests/year.rs`, which compares with pvlib.

use std::f64::consts::TAU;

/// Sun above the horizon and on a plane that leans towards the equator.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sun {
    /// Sine of the elevation; below 0 at night.
    pub sin_elevation: f64,
    /// Cosine of the angle between sun and plane normal.
    pub cos_incidence: f64,
    /// Square of the mean distance over today's: what it does to the irradiance.
    pub nearness: f64,
}

/// `day_of_year` from 1, with fraction; `solar_hour` 0..24 of mean solar time at the longitude.
///
/// # Source
/// Declination, equation of time and distance: Fourier series of Spencer 1971; elevation and incidence: Duffie & Beckman,
/// Solar Engineering of Thermal Processes, chapter 1 (both from memory; compared with pvlib in `tests/year.rs`).
pub fn sun(latitude_deg: f64, tilt_deg: f64, day_of_year: f64, solar_hour: f64) -> Sun {
    let year = TAU * (day_of_year - 1.0) / 365.2425;
    let (sin, cos) = year.sin_cos();
    let (sin2, cos2) = (2.0 * year).sin_cos();
    let (sin3, cos3) = (3.0 * year).sin_cos();
    let declination = 0.006_918 - 0.399_912 * cos + 0.070_257 * sin - 0.006_758 * cos2
        + 0.000_907 * sin2
        - 0.002_697 * cos3
        + 0.001_48 * sin3;
    // Of a day: sundial before clock.
    let equation_of_time =
        (0.000_007_5 + 0.001_868 * cos - 0.032_077 * sin - 0.014_615 * cos2 - 0.040_849 * sin2)
            / TAU;
    let nearness =
        1.000_11 + 0.034_221 * cos + 0.001_28 * sin + 0.000_719 * cos2 + 0.000_077 * sin2;
    let hour_angle = TAU * (solar_hour / 24.0 + equation_of_time - 0.5);
    let cos_to = |latitude_deg: f64| {
        let latitude = latitude_deg.to_radians();
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos()
    };
    Sun {
        sin_elevation: cos_to(latitude_deg),
        // A plane leaning towards the equator is level at a latitude nearer to it.
        cos_incidence: cos_to(latitude_deg - tilt_deg.copysign(latitude_deg)),
        nearness,
    }
}

/// Irradiance on the plane under a clear sky, W/m².
///
/// # Source
/// Beam 1353 W/m² · 0.7^(AM^0.678): Meinel 1976, and a tenth of it from the sky around; air mass: Kasten & Young
/// 1989. All from memory; compared with pvlib in `tests/year.rs`.
pub fn clear_sky_w_m2(sun: &Sun) -> f64 {
    if sun.sin_elevation <= 0.0 {
        return 0.0;
    }
    let elevation_deg = sun.sin_elevation.asin().to_degrees();
    let air_mass = 1.0 / (sun.sin_elevation + 0.505_72 * (elevation_deg + 6.079_95).powf(-1.6364));
    let beam = 1353.0 * sun.nearness * 0.7_f64.powf(air_mass.powf(0.678));
    beam * (sun.cos_incidence.max(0.0) + 0.1)
}

#[cfg(test)]
// Exact zeros and exact inputs.
#[allow(clippy::float_cmp)]
mod tests {
    use super::*;

    /// Noon elevation is 90° − latitude + declination: ±23.45° at the solstices, 0° at the equinox (definition).
    #[test]
    fn noon_elevation() {
        for (day, declination_deg) in [(172.0, 23.45), (355.0, -23.45), (80.5, 0.0)] {
            let up = sun(40.0, 0.0, day, 12.0).sin_elevation.asin().to_degrees();
            assert!((up - (50.0 + declination_deg)).abs() < 0.2, "{day}: {up}");
        }
        // Equinox: up at six, down at eighteen of true solar time, everywhere; the sundial is 7.5 minutes late then.
        assert!(sun(40.0, 0.0, 80.0, 6.0 + 7.5 / 60.0).sin_elevation.abs() < 0.01);
        assert!(sun(-55.0, 0.0, 80.0, 18.0 + 7.5 / 60.0).sin_elevation.abs() < 0.01);
    }

    #[test]
    fn tilt_leans_to_the_equator_on_both_halves() {
        // At the equinox a plane tilted by the latitude faces the noon sun.
        for latitude in [40.0, -40.0] {
            assert!((sun(latitude, 40.0, 81.0, 12.0).cos_incidence - 1.0).abs() < 1e-3);
        }
    }

    /// Near 1 kW/m² with the sun overhead (the rating condition of modules is meant to be a clear noon), dark below.
    #[test]
    fn clear_noon_and_night() {
        let noon = clear_sky_w_m2(&Sun {
            sin_elevation: 1.0,
            cos_incidence: 1.0,
            nearness: 1.0,
        });
        assert!((950.0..1100.0).contains(&noon), "{noon}");
        assert_eq!(
            clear_sky_w_m2(&Sun {
                sin_elevation: -0.01,
                cos_incidence: 0.5,
                nearness: 1.0,
            }),
            0.0
        );
    }
}
