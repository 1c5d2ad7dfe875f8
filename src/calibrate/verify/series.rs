//! Errors at a few lines as offset, tilt and curvature; quantiles of Student's t.

use crate::{Error, Measured, Result};
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Prior standard deviations, nm, of the error's mean over the anchored range, of its further
/// growth by the end of the range, and of its bend there: an axis is off by up to a few nm, most of
/// it a shift (common practice, no published source). Only matters where lines are too few.
const PRIOR_NM: [f64; 3] = [20.0, 3.0, 1.0];
/// Probability below which a normal distribution lies two standard deviations above its mean.
const TWO_SIGMA: f64 = 0.977_249_868;
/// Most that a scatter known from few lines widens an uncertainty; see the axis fit.
const MOST_WIDENED: f64 = 2.6;
/// Coverage factor of the intervals (GUM 6.3.3: about 95 %).
pub const K: f64 = 2.0;
/// Unit of length of tilt and curvature, nm.
pub const PER_NM: f64 = 100.0;

/// The error of an axis as a parabola: with `z = (nm − centre)/100`,
/// `error = offset + tilt·z + curvature·(z² − h²/3)` where `h` is half the range in 100 nm, so
/// that `offset` is the mean error over the range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ErrorSeries {
    /// Middle of the range, nm.
    pub centre_nm: f64,
    /// Half of the range, nm.
    pub half_nm: f64,
    /// Mean error over the range, nm.
    pub offset_nm: Measured,
    /// Change of the error along the axis, nm per 100 nm.
    pub tilt_nm_per_100nm: Measured,
    /// Factor of the square, nm per (100 nm)².
    pub curvature_nm_per_100nm2: Measured,
    /// Root mean square of what the parabola leaves of the lines' errors, nm.
    pub left_rms_nm: f64,
}

impl ErrorSeries {
    /// Error that the parabola gives at `nm`, nm.
    pub fn at(&self, nm: f64) -> f64 {
        let [a, b, c] = self.powers();
        let z = (nm - self.centre_nm) / PER_NM;
        a + z * (b + z * c)
    }

    /// Factors of 1, z and z².
    pub fn powers(&self) -> [f64; 3] {
        let h = self.half_nm / PER_NM;
        let c = self.curvature_nm_per_100nm2.value;
        [self.offset_nm.value - c * h * h / 3.0, self.tilt_nm_per_100nm.value, c]
    }
}

/// Fits the parabola to errors `(nm, error)` by weighted least squares in the first three Legendre
/// polynomials over `range`, with a wide prior. `scatter_known` is false where the errors'
/// uncertainties rest on the scatter of the same few lines.
pub fn fit(
    errors: &[(f64, Measured)],
    range: [f64; 2],
    scatter_known: bool,
) -> Result<ErrorSeries> {
    let (centre, half) = (0.5 * (range[0] + range[1]), 0.5 * (range[1] - range[0]));
    if errors.len() < 2 || half <= 0.0 {
        return Err(Error::refused(
            "error of an axis",
            "fewer than two lines of the lamp are there",
            "record the lamp longer",
        ));
    }
    let basis = |nm: f64| {
        let t = (nm - centre) / half;
        [1.0, t, 1.5 * t * t - 0.5]
    };
    let n = errors.len();
    let a = DMatrix::from_fn(n, 3, |i, j| basis(errors[i].0)[j]);
    let wa = DMatrix::from_fn(n, 3, |i, j| a[(i, j)] / errors[i].1.u.powi(2).max(1e-12));
    let data = a.transpose() * &wa;
    let mut m = data.clone();
    for (j, sd) in PRIOR_NM.iter().enumerate() {
        m[(j, j)] += sd.powi(-2);
    }
    let y = DVector::from_fn(n, |i, _| errors[i].1.value);
    let cov = m.cholesky().map(|c| c.inverse()).ok_or_else(|| {
        Error::refused("error of an axis", "the lines do not determine it", "use a richer lamp")
    })?;
    let c = &cov * (wa.transpose() * &y);
    let dof = (n as f64 - (&cov * data).trace()).max(1.0);
    let widen = if scatter_known { 1.0 } else { (quantile(dof) / K).min(MOST_WIDENED) };
    let left = &a * &c - y;
    let u = |j: usize, scale: f64| widen * scale * cov[(j, j)].max(0.0).sqrt();
    let (tilt, bend) = (PER_NM / half, 1.5 * (PER_NM / half).powi(2));
    Ok(ErrorSeries {
        centre_nm: centre,
        half_nm: half,
        offset_nm: Measured::new(c[0], u(0, 1.0)),
        tilt_nm_per_100nm: Measured::new(c[1] * tilt, u(1, tilt)),
        curvature_nm_per_100nm2: Measured::new(c[2] * bend, u(2, bend)),
        left_rms_nm: (left.norm_squared() / n as f64).sqrt(),
    })
}

/// Factor that makes an uncertainty with `dof` degrees of freedom an interval of 95.45 %, 2 for
/// many (GUM G.3: Student's t).
pub fn quantile(dof: f64) -> f64 {
    StudentsT::new(0.0, 1.0, dof.max(1.0)).map_or(K, |t| t.inverse_cdf(TWO_SIGMA).max(K))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// GUM (JCGM 100:2008) table G.2, column 95.45 %.
    #[test]
    fn student_quantiles_of_the_gum() {
        for (dof, t) in
            [(1.0, 13.97), (2.0, 4.53), (3.0, 3.31), (5.0, 2.65), (10.0, 2.28), (50.0, 2.05)]
        {
            assert!((quantile(dof) - t).abs() < 0.006, "{dof}: {}", quantile(dof));
        }
    }

    #[test]
    fn a_parabola_comes_back() {
        let truth =
            |nm: f64| 0.8 - 0.3 * (nm - 500.0) / 100.0 + 0.05 * ((nm - 500.0) / 100.0).powi(2);
        let errors: Vec<_> = [404.66, 435.83, 546.07, 579.07, 763.51]
            .iter()
            .map(|nm| (*nm, Measured::new(truth(*nm), 0.01)))
            .collect();
        let s = fit(&errors, [404.66, 763.51], true).unwrap();
        for nm in [404.66, 500.0, 763.51] {
            assert!((s.at(nm) - truth(nm)).abs() < 1e-3, "{nm}");
        }
        assert!((s.curvature_nm_per_100nm2.value - 0.05).abs() < 1e-3);
        // The offset is the mean over the range: the integral of the truth, by Simpson's rule,
        // exact for a parabola.
        let mean = (truth(404.66) + 4.0 * truth(s.centre_nm) + truth(763.51)) / 6.0;
        assert!((s.offset_nm.value - mean).abs() < 1e-4);
        assert!(s.left_rms_nm < 1e-3);
        assert!(fit(&errors[..1], [404.0, 405.0], true).is_err());
    }
}
