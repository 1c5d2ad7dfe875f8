//! A Chebyshev series as a curve: polynomials of any degree, and corrections of an nm axis.

use super::bayes::{Curve, MAX_PARAMETERS, Vector};

/// Chebyshev polynomials up to a degree.
pub struct Series {
    /// Number of coefficients.
    pub coefficients: usize,
}

impl Curve for Series {
    type Ready = Vector;

    fn parameters(&self) -> usize {
        self.coefficients
    }

    fn ready(&self, p: &Vector) -> Option<Vector> {
        Some(*p)
    }

    fn at(&self, p: &Vector, t: f64) -> (f64, Vector) {
        let mut g = [0.0; MAX_PARAMETERS];
        g[0] = 1.0;
        let mut value = p[0];
        for k in 1..self.coefficients {
            g[k] = if k == 1 { t } else { 2.0 * t * g[k - 1] - g[k - 2] };
            value += p[k] * g[k];
        }
        (value, g)
    }
}
