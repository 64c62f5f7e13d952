//! A straight line through points whose both sides are uncertain: converter codes over known values.
//!
//! Weighted least squares, each point by its standard uncertainty in codes: scatter of the board's means and quantisation,
//! and the reference's own uncertainty carried through the slope. The covariance is carried through the same weights
//! (JCGM 100:2008, 5.2). Nobody knows whether one instrument's errors at its several points hang together: reckoned
//! both ways, as independent and as one error common to all of them, and the larger counts.

use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};

/// Level of confidence of k = 2 for a normal distribution: 95.45 % (JCGM 100:2008, G.6.6).
const TWO_SIDED: f64 = 0.9545;

/// One point.
#[derive(Clone, Copy, Debug)]
pub struct LinePoint {
    /// What stands at the terminals, in the channel's unit.
    pub x: f64,
    /// Its standard uncertainty (type B).
    pub u_x: f64,
    /// Which instrument says so.
    pub instrument: usize,
    /// Mean code.
    pub y: f64,
    /// Its standard uncertainty from scatter (type A), counts.
    pub u_a: f64,
    /// Degrees of freedom of that.
    pub dof: f64,
    /// From quantisation, counts.
    pub u_q: f64,
}

impl LinePoint {
    /// What the board adds, counts².
    fn own(&self) -> f64 {
        self.u_a.powi(2) + self.u_q.powi(2)
    }

    /// Standard uncertainty of all of it in counts, for this slope.
    fn sigma(&self, slope: f64) -> f64 {
        (self.own() + (slope * self.u_x).powi(2)).sqrt()
    }
}

/// A value with its standard uncertainty and what to multiply that with.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Uncertain {
    /// The value.
    pub value: f64,
    /// One standard uncertainty.
    pub u: f64,
    /// Coverage factor: 2, or more where few values stand behind the scatter (Welch-Satterthwaite, JCGM 100:2008, G.4).
    pub k: f64,
}

impl Uncertain {
    /// Expanded uncertainty.
    pub fn expanded(&self) -> f64 {
        self.k * self.u
    }
}

/// The line `y = zero + slope · x`.
#[derive(Clone, Debug)]
pub struct Line {
    /// Code at nothing.
    pub zero: f64,
    /// Counts per unit.
    pub slope: f64,
    /// Independent errors: variance of the zero, covariance, variance of the slope.
    pub covariance: [f64; 3],
    /// y − line, counts.
    pub residuals: Vec<f64>,
    /// Standard uncertainty of each point, counts.
    pub sigmas: Vec<f64>,
    /// Sum of squared residuals over uncertainties.
    pub chi_squared: f64,
    points: Vec<LinePoint>,
    /// What a count at each point does to zero and slope.
    of_point: Vec<[f64; 2]>,
}

impl Line {
    /// `slope`: about what it is, to weigh the references' uncertainty with. `None` when all points are at one place.
    pub fn through(points: &[LinePoint], slope: f64) -> Option<Self> {
        let once = Self::weighed(points, slope)?;
        // The weights depend on the slope a little.
        Self::weighed(points, once.slope)
    }

    fn weighed(points: &[LinePoint], slope: f64) -> Option<Self> {
        let sigmas: Vec<f64> = points.iter().map(|p| p.sigma(slope)).collect();
        let weight = |k: usize| 1.0 / sigmas[k].powi(2);
        let all: f64 = (0..points.len()).map(weight).sum();
        let mean = |of: &dyn Fn(&LinePoint) -> f64| {
            points
                .iter()
                .enumerate()
                .map(|(k, p)| weight(k) * of(p))
                .sum::<f64>()
                / all
        };
        let (x, y) = (mean(&|p| p.x), mean(&|p| p.y));
        let xx = mean(&|p| (p.x - x).powi(2));
        if !all.is_finite() || xx.is_nan() || xx <= 0.0 {
            return None;
        }
        let of_point: Vec<[f64; 2]> = points
            .iter()
            .enumerate()
            .map(|(k, p)| {
                let part = weight(k) / all;
                let of_slope = part * (p.x - x) / xx;
                [part - x * of_slope, of_slope]
            })
            .collect();
        let slope = points
            .iter()
            .zip(&of_point)
            .map(|(p, of)| of[1] * p.y)
            .sum::<f64>();
        let zero = y - slope * x;
        let residuals: Vec<f64> = points.iter().map(|p| p.y - zero - slope * p.x).collect();
        let chi_squared = residuals
            .iter()
            .zip(&sigmas)
            .map(|(r, s)| (r / s).powi(2))
            .sum();
        let product = |a: usize, b: usize| {
            of_point
                .iter()
                .zip(&sigmas)
                .map(|(of, s)| of[a] * of[b] * s * s)
                .sum()
        };
        Some(Self {
            zero,
            slope,
            covariance: [product(0, 0), product(0, 1), product(1, 1)],
            residuals,
            sigmas,
            chi_squared,
            points: points.to_vec(),
            of_point,
        })
    }

    /// The probability that points which do lie on a line scatter this much or more; `None`: two points always do.
    pub fn probability(&self) -> Option<f64> {
        let dof = self.points.len().checked_sub(2).filter(|dof| *dof > 0)?;
        let chi = ChiSquared::new(dof as f64).ok()?;
        Some(chi.sf(self.chi_squared))
    }

    /// Uncertainty of `of_zero · zero + of_slope · slope`, counts; of the board's own part alone where `own_only`.
    pub fn uncertainty(&self, of_zero: f64, of_slope: f64, own_only: bool) -> Uncertain {
        let of: Vec<f64> = self
            .of_point
            .iter()
            .map(|[z, s]| of_zero * z + of_slope * s)
            .collect();
        let each = || self.points.iter().zip(&of);
        let own: f64 = each().map(|(p, of)| of * of * p.own()).sum();
        let (mut apart, mut common) = (0.0, vec![0.0; self.points.len() + 1]);
        for (p, of) in each().filter(|_| !own_only) {
            let through = of * self.slope * p.u_x;
            apart += through * through;
            let last = common.len() - 1;
            common[p.instrument.min(last)] += through * p.x.signum();
        }
        let together: f64 = common.iter().map(|d| d * d).sum();
        let square = own + apart.max(together);
        // Only scatter has few degrees of freedom.
        let few: f64 = each()
            .map(|(p, of)| (of * p.u_a).powi(4) / p.dof.max(1.0))
            .sum();
        Uncertain {
            value: of_zero * self.zero + of_slope * self.slope,
            u: square.sqrt(),
            k: coverage(square * square / few.max(f64::MIN_POSITIVE)),
        }
    }
}

/// Coverage factor for so many effective degrees of freedom: 2 for many.
pub fn coverage(dof: f64) -> f64 {
    if dof > 1000.0 {
        return 2.0;
    }
    StudentsT::new(0.0, 1.0, dof.max(1.0)).map_or(2.0, |t| t.inverse_cdf(0.5 + TWO_SIDED / 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Deserialize)]
    struct Case {
        name: String,
        x: Vec<f64>,
        u_x: Vec<f64>,
        instrument: Vec<usize>,
        y: Vec<f64>,
        u_a: Vec<f64>,
        u_q: Vec<f64>,
        slope_about: f64,
        zero: f64,
        slope: f64,
        covariance: [f64; 3],
        chi_squared: f64,
        p: f64,
        common_u: [f64; 2],
    }

    #[derive(Deserialize)]
    struct Reference {
        line: Vec<Case>,
        coverage: Vec<[f64; 2]>,
    }

    fn reference() -> Reference {
        let text = include_str!("../../../tests/data/calibration-reference.json");
        serde_json::from_str(text).expect("JSON")
    }

    fn near(a: f64, b: f64, part: f64) -> bool {
        (a - b).abs() <= part * a.abs().max(b.abs())
    }

    /// scipy `curve_fit(absolute_sigma=True)`, its covariance and scipy's chi-squared; the common error by numpy's
    /// matrices (`tests/reference/calibration_scipy.py`).
    #[test]
    fn the_line_its_covariance_and_its_test_are_scipys() {
        for case in reference().line {
            let points: Vec<LinePoint> = (0..case.x.len())
                .map(|k| LinePoint {
                    x: case.x[k],
                    u_x: case.u_x[k],
                    instrument: case.instrument[k],
                    y: case.y[k],
                    u_a: case.u_a[k],
                    dof: 15.0,
                    u_q: case.u_q[k],
                })
                .collect();
            let line = Line::through(&points, case.slope_about).expect("apart");
            let name = &case.name;
            assert!(
                (line.zero - case.zero).abs() < 1e-6 * line.covariance[0].sqrt(),
                "{name}"
            );
            assert!(near(line.slope, case.slope, 1e-10), "{name}");
            for (ours, theirs) in line.covariance.iter().zip(case.covariance) {
                assert!(near(*ours, theirs, 1e-5), "{name}: {ours} {theirs}");
            }
            assert!(near(line.chi_squared, case.chi_squared, 1e-5), "{name}");
            let p = line.probability().expect("more than two");
            assert!((p - case.p).abs() < 1e-6, "{name}: {p} {}", case.p);
            let apart = [line.covariance[0].sqrt(), line.covariance[2].sqrt()];
            for (k, ours) in [
                line.uncertainty(1.0, 0.0, false),
                line.uncertainty(0.0, 1.0, false),
            ]
            .iter()
            .enumerate()
            {
                let larger = case.common_u[k].max(apart[k]);
                assert!(near(ours.u, larger, 1e-5), "{name} {k}: {ours:?} {larger}");
            }
        }
    }

    /// scipy's Student distribution, which JCGM 100:2008, Table G.2 prints: 13.97 for one degree of freedom, 2.28 for ten.
    #[test]
    fn coverage_factors_are_those_of_the_guide() {
        for [dof, k] in reference().coverage {
            assert!(near(coverage(dof), k, 1e-3), "{dof}: {} {k}", coverage(dof));
        }
        assert!((coverage(1.0) - 13.97).abs() < 0.01);
        assert!((coverage(10.0) - 2.28).abs() < 0.005);
        assert!((coverage(f64::INFINITY) - 2.0).abs() < 1e-9);
    }

    #[test]
    fn points_at_one_place_are_no_line() {
        let point = LinePoint {
            x: 1.0,
            u_x: 0.0,
            instrument: 0,
            y: 5.0,
            u_a: 1.0,
            dof: 15.0,
            u_q: 0.3,
        };
        assert!(Line::through(&[point, point], 1.0).is_none());
        assert!(Line::through(&[], 1.0).is_none());
        let apart = LinePoint { x: 2.0, ..point };
        let two = Line::through(&[point, apart], 1.0).expect("a line");
        assert_eq!(two.probability(), None);
    }
}
