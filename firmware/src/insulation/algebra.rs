//! Three equations in three unknowns, and a square root: `core` has neither.

/// Rows of a 3×3 matrix, or one vector of three.
pub type Three<T> = [T; 3];

/// Product of two vectors.
pub fn dot(a: Three<f64>, b: Three<f64>) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Inverse by cofactors; `None` when the rows do not span three dimensions, judged against their own lengths.
pub fn inverse(m: Three<Three<f64>>) -> Option<Three<Three<f64>>> {
    let [[a, b, c], [d, e, f], [g, h, i]] = m;
    let (ca, cb, cc) = (e * i - f * h, f * g - d * i, d * h - e * g);
    let determinant = a * ca + b * cb + c * cc;
    // Of the three rows' lengths, so that units do not matter.
    let volume = m.iter().fold(1.0, |v, row| v * dot(*row, *row));
    // A NaN spans nothing.
    let spans = determinant.is_finite() && determinant * determinant > 1e-18 * volume;
    if !spans {
        return None;
    }
    let adjugate = [
        [ca, c * h - b * i, b * f - c * e],
        [cb, a * i - c * g, c * d - a * f],
        [cc, b * g - a * h, a * e - b * d],
    ];
    Some(adjugate.map(|row| row.map(|x| x / determinant)))
}

/// Square root by Newton's method; a few digits are enough for an uncertainty. Zero for what has none.
pub fn root(x: f64) -> f64 {
    if x.is_nan() || x <= 0.0 {
        return 0.0;
    }
    // Halving the exponent bits is within 6 %; three steps leave nothing an f32 could show.
    let mut r = f64::from_bits((x.to_bits() >> 1) + (1023 << 51));
    for _ in 0..3 {
        r = 0.5 * (r + x / r);
    }
    r
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn root_is_a_square_root() {
        for x in [1e-18, 3.7e-5, 0.25, 1.0, 2.0, 1e9] {
            assert!((root(x) - x.sqrt()).abs() < 1e-6 * x.sqrt());
        }
        assert!(root(-1.0).abs() < f64::MIN_POSITIVE);
    }

    /// By hand: the inverse of [[2,0,0],[0,4,1],[0,0,8]] is [[1/2,0,0],[0,1/4,−1/32],[0,0,1/8]].
    #[test]
    fn inverse_by_hand() {
        let inverse =
            inverse([[2.0, 0.0, 0.0], [0.0, 4.0, 1.0], [0.0, 0.0, 8.0]]).expect("regular");
        let want = [[0.5, 0.0, 0.0], [0.0, 0.25, -0.03125], [0.0, 0.0, 0.125]];
        for (row, wanted) in inverse.iter().zip(want) {
            for (x, y) in row.iter().zip(wanted) {
                assert!((x - y).abs() < 1e-15);
            }
        }
    }

    #[test]
    fn what_does_not_span_has_no_inverse() {
        assert_eq!(
            inverse([[1.0, 2.0, 3.0], [2.0, 4.0, 6.0], [0.0, 0.0, 1.0]]),
            None
        );
        assert_eq!(inverse([[0.0; 3]; 3]), None);
        assert_eq!(inverse([[f64::NAN; 3]; 3]), None);
    }
}
