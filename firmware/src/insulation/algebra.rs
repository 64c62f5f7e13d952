//! Three equations in three unknowns.

/// Rows of a 3×3 matrix, or one vector of three.
pub type Three<T> = [T; 3];

/// Product of two vectors.
pub fn dot(a: Three<f64>, b: Three<f64>) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// A matrix that spans three dimensions, half way to its inverse: a sample does not wait for all of it at once.
#[derive(Clone, Copy, Debug)]
pub struct Cofactors {
    of: Three<Three<f64>>,
    first: Three<f64>,
    determinant: f64,
}

impl Cofactors {
    /// The first step.
    pub fn of(m: Three<Three<f64>>) -> Self {
        let [[a, b, c], [d, e, f], [g, h, i]] = m;
        let first = [e * i - f * h, f * g - d * i, d * h - e * g];
        let [ca, cb, cc] = first;
        Self {
            of: m,
            first,
            determinant: a * ca + b * cb + c * cc,
        }
    }

    /// The rows span three dimensions, judged against their own lengths: there is an inverse.
    pub fn spans(&self) -> bool {
        let determinant = self.determinant;
        // Of the three rows' lengths, so that units do not matter.
        let volume = self.of.iter().fold(1.0, |v, row| v * dot(*row, *row));
        // A NaN spans nothing.
        determinant.is_finite() && determinant * determinant > 1e-18 * volume
    }

    /// One row of the inverse.
    pub fn row(&self, n: usize) -> Three<f64> {
        let [[a, b, c], [d, e, f], [g, h, i]] = self.of;
        let [ca, cb, cc] = self.first;
        let adjugate = match n {
            0 => [ca, c * h - b * i, b * f - c * e],
            1 => [cb, a * i - c * g, c * d - a * f],
            _ => [cc, b * g - a * h, a * e - b * d],
        };
        adjugate.map(|x| x / self.determinant)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn inverse(m: Three<Three<f64>>) -> Option<Three<Three<f64>>> {
        let m = Cofactors::of(m);
        m.spans().then(|| [0, 1, 2].map(|n| m.row(n)))
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
