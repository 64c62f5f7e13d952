//! Where the sun stands and what a cloudless sky gives: geometry and two textbook formulas.
//!
//! Solar time is mean time at the longitude; the equation of time (up to 16 minutes) and refraction are left out:
//! the world needs believable mornings, not an almanac.

/// Sun above the horizon and on a plane that leans towards the equator.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sun {
    /// Sine of the elevation; below 0 at night.
    pub sin_elevation: f64,
    /// Cosine of the angle between sun and plane normal.
    pub cos_incidence: f64,
}

/// `day_of_year` from 1, with fraction; `solar_hour` 0..24.
///
/// # Source
/// Declination: Cooper 1969; elevation and incidence: Duffie & Beckman, Solar Engineering of Thermal Processes,
/// chapter 1 (both from memory; checked against solstice and equinox angles in the tests).
pub fn sun(latitude_deg: f64, tilt_deg: f64, day_of_year: f64, solar_hour: f64) -> Sun {
    let declination =
        (23.45 * (360.0 / 365.0 * (284.0 + day_of_year)).to_radians().sin()).to_radians();
    let hour_angle = (15.0 * (solar_hour - 12.0)).to_radians();
    let cos_to = |latitude_deg: f64| {
        let latitude = latitude_deg.to_radians();
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos()
    };
    Sun {
        sin_elevation: cos_to(latitude_deg),
        // A plane leaning towards the equator is level at a latitude nearer to it.
        cos_incidence: cos_to(latitude_deg - tilt_deg.copysign(latitude_deg)),
    }
}

/// Irradiance on the plane under a clear sky, W/m².
///
/// # Source
/// Beam 1353 W/m² · 0.7^(AM^0.678): Meinel 1976, and a tenth of it from the sky around; air mass: Kasten & Young
/// 1989. All from memory.
pub fn clear_sky_w_m2(sun: &Sun) -> f64 {
    if sun.sin_elevation <= 0.0 {
        return 0.0;
    }
    let elevation_deg = sun.sin_elevation.asin().to_degrees();
    let air_mass = 1.0 / (sun.sin_elevation + 0.505_72 * (elevation_deg + 6.079_95).powf(-1.6364));
    let beam = 1353.0 * 0.7_f64.powf(air_mass.powf(0.678));
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
        for (day, declination_deg) in [(172.0, 23.45), (355.0, -23.45), (81.0, 0.0)] {
            let up = sun(40.0, 0.0, day, 12.0).sin_elevation.asin().to_degrees();
            assert!((up - (50.0 + declination_deg)).abs() < 0.2, "{day}: {up}");
        }
        // Equinox: up at six, down at eighteen, everywhere.
        assert!(sun(40.0, 0.0, 81.0, 6.0).sin_elevation.abs() < 0.01);
        assert!(sun(-55.0, 0.0, 81.0, 18.0).sin_elevation.abs() < 0.01);
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
        });
        assert!((950.0..1100.0).contains(&noon), "{noon}");
        assert_eq!(
            clear_sky_w_m2(&Sun {
                sin_elevation: -0.01,
                cos_incidence: 0.5
            }),
            0.0
        );
    }
}
