//! The axis as a series with prior knowledge of how array spectrometers disperse.

use super::{AxisModel, ModelShare};
use crate::{AxisKind, Error, Result};
use nalgebra::{DMatrix, DVector, SMatrix, SVector};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Number of coefficients: up to the fourth degree, what the data do not bear is held by the
/// prior.
const COEFFICIENTS: usize = 5;
/// Prior standard deviations of c2, c3, c4 over c1 on an axis of pixels. A plane grating with a
/// flat detector of half width U focal lengths and diffraction angle β has, to lowest order,
/// c2/c1 = −U tan β/4 and c3/c1 = −U²/8 (expand λ = d(sin α + sin(β + atan u)) in u); U up to 0.3
/// and tan β up to 0.5 give 0.04 and 0.011.
pub const PIXEL_PRIOR: [f64; 3] = [0.04, 0.008, 0.0012];
/// Prior standard deviations of c0 … c4 in nm for the correction of a factory nm axis: off by "up
/// to a few nm", most of it a shift (common practice, no published source).
pub const NM_PRIOR: [f64; 5] = [5.0, 1.5, 0.6, 0.25, 0.08];

/// A place with its wavelength.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Place on the instrument's own axis.
    pub x: f64,
    /// Wavelength, nm.
    pub nm: f64,
    /// Standard uncertainty of the pair, nm.
    pub u_nm: f64,
}

/// A fitted axis.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisFit {
    /// The axis with its covariance.
    pub model: AxisModel,
    /// Scatter of the points beyond their own uncertainty, nm.
    pub extra_nm: f64,
    /// Points less effective parameters, at least 1.
    pub dof: usize,
    /// Squared distance of the coefficients from their prior, in standard deviations.
    pub prior_chi2: f64,
    /// Models that were weighed, the most probable first; empty for the quick fit.
    pub models: Vec<ModelShare>,
}

/// What both fits start from: an axis without coefficients, the basis at each point, what it is to
/// give there, and the prior.
struct Ready {
    model: AxisModel,
    a: DMatrix<f64>,
    y: DVector<f64>,
    prior: DVector<f64>,
}

fn ready(points: &[Point], domain: [f64; 2], kind: AxisKind) -> Result<Ready> {
    let n = points.len();
    if n < 2 {
        return Err(Error::refused("axis fit", "fewer than two anchors", "record the lamp longer"));
    }
    let correction = kind == AxisKind::Nm;
    let model = AxisModel {
        domain,
        correction,
        coefficients: vec![0.0; COEFFICIENTS],
        covariance: vec![vec![0.0; COEFFICIENTS]; COEFFICIENTS],
    };
    let a = DMatrix::from_fn(n, COEFFICIENTS, |i, j| model.basis(points[i].x)[j]);
    let y = DVector::from_fn(n, |i, _| points[i].nm - if correction { points[i].x } else { 0.0 });
    let prior = prior_precision(points, &a, &y, correction)?;
    Ok(Ready { model, a, y, prior })
}

fn undetermined() -> Error {
    Error::refused("axis fit", "the anchors do not determine an axis", "use a richer lamp")
}

/// Fits the series to points by weighted least squares with a Gaussian prior on its coefficients
/// (ridge regression in the Chebyshev basis), adds a scatter term until chi-square equals its
/// expectation, and widens the covariance by Student's t where points are few.
///
/// # Errors
/// [`Error::Refused`] where fewer than two points are given or they do not determine an axis.
pub fn fit(points: &[Point], domain: [f64; 2], kind: AxisKind) -> Result<AxisFit> {
    let Ready { mut model, a, y, prior } = ready(points, domain, kind)?;
    let n = points.len();
    let mut extra: f64 = 0.0;
    let mut out = solve(&a, &y, points, extra, &prior)?;
    for _ in 0..30 {
        let (chi2, dof) = (out.2, (n as f64 - out.3).max(1.0));
        let next = if chi2 > dof {
            // Raise the scatter by what is missing, in the mean.
            let mean_u2 =
                points.iter().map(|p| p.u_nm.powi(2) + extra * extra).sum::<f64>() / n as f64;
            (extra * extra + (chi2 / dof - 1.0) * 0.7 * mean_u2).sqrt()
        } else if extra > 0.0 {
            extra * (chi2 / dof).max(0.25).sqrt()
        } else {
            break;
        };
        if (next - extra).abs() < 1e-4 * next.max(1e-6) {
            break;
        }
        extra = next;
        out = solve(&a, &y, points, extra, &prior)?;
    }
    let (c, cov, _, used) = out;
    let dof = (n as f64 - used).max(1.0);
    // Half width at two standard deviations of a normal, widened to the same coverage of t.
    let t = StudentsT::new(0.0, 1.0, dof)
        .map(|t| t.inverse_cdf(0.977_249_868))
        .map_or(1.0, |q| (q / 2.0).max(1.0));
    // The scatter is known from the same few points; the prior is not.
    let widen = if extra > 0.0 { t.min(MAX_STUDENT) } else { 1.0 };
    model.coefficients = c.iter().copied().collect();
    for i in 0..COEFFICIENTS {
        for j in 0..COEFFICIENTS {
            model.covariance[i][j] = widen * widen * cov[(i, j)];
        }
    }
    let prior_chi2 = (0..COEFFICIENTS).map(|j| prior[j] * c[j] * c[j]).sum();
    Ok(AxisFit {
        model,
        extra_nm: extra,
        dof: dof.round() as usize,
        prior_chi2,
        models: Vec::new(),
    })
}

/// Degrees of freedom of the law that points of a search follow: some are other lines' (Lange, Little
/// and Taylor, J. Am. Stat. Assoc. 84 (1989) 881, find 4 to serve for data with such).
const STURDY_DOF: f64 = 4.0;
/// Most rounds of reweighting …
const STURDY_ROUNDS: usize = 8;
/// … which end where no coefficient moves by more than this share of the points' least uncertainty.
const STURDY_ENOUGH: f64 = 0.01;

/// The same for the search, where some points may belong to other lines: they follow Student's law,
/// fitted by iterated reweighting from an axis that is off by `off` standard uncertainties at each.
///
/// # Errors
/// As for [`fit`].
pub fn sturdy(points: &[Point], off: &[f64], domain: [f64; 2], kind: AxisKind) -> Result<AxisFit> {
    let Ready { mut model, a, y, prior } = ready(points, domain, kind)?;
    let rows: Vec<Row> = a.row_iter().map(|r| Row::from_iterator(r.iter().copied())).collect();
    let least_u = points.iter().map(|p| p.u_nm).fold(f64::INFINITY, f64::min);
    let mut z = off.to_vec();
    let mut c = Row::zeros();
    let mut cov = SMatrix::<f64, COEFFICIENTS, COEFFICIENTS>::zeros();
    for _ in 0..STURDY_ROUNDS {
        let mut m = SMatrix::<f64, COEFFICIENTS, COEFFICIENTS>::zeros();
        let mut v = Row::zeros();
        for j in 0..COEFFICIENTS {
            m[(j, j)] = prior[j];
        }
        for ((row, p), (y, z)) in rows.iter().zip(points).zip(y.iter().zip(&z)) {
            let w = 1.0 / (p.u_nm * p.u_nm * (1.0 + z * z / STURDY_DOF));
            m += w * row * row.transpose();
            v += w * *y * row;
        }
        cov = m.cholesky().map(|c| c.inverse()).ok_or_else(undetermined)?;
        let next = cov * v;
        let moved = (next - c).abs().max();
        c = next;
        for ((z, row), (p, y)) in z.iter_mut().zip(&rows).zip(points.iter().zip(y.iter())) {
            *z = (row.dot(&c) - y) / p.u_nm;
        }
        if moved < STURDY_ENOUGH * least_u {
            break;
        }
    }
    model.coefficients = c.iter().copied().collect();
    for i in 0..COEFFICIENTS {
        for j in 0..COEFFICIENTS {
            model.covariance[i][j] = cov[(i, j)];
        }
    }
    let prior_chi2 = (0..COEFFICIENTS).map(|j| prior[j] * c[j] * c[j]).sum();
    let dof = points.len().saturating_sub(COEFFICIENTS).max(1);
    Ok(AxisFit { model, extra_nm: 0.0, dof, prior_chi2, models: Vec::new() })
}

type Row = SVector<f64, COEFFICIENTS>;

/// Most that few degrees of freedom widen the covariance: t for one degree of freedom (7) says
/// only that nothing is known, while the priors say more.
const MAX_STUDENT: f64 = 2.6;

/// Coefficients, covariance, chi-square of the points, effective number of parameters.
pub(super) type Solved = (DVector<f64>, DMatrix<f64>, f64, f64);

pub(super) fn solve(
    a: &DMatrix<f64>,
    y: &DVector<f64>,
    points: &[Point],
    extra: f64,
    prior: &DVector<f64>,
) -> Result<Solved> {
    let n = points.len();
    let w: Vec<f64> =
        points.iter().map(|p| 1.0 / (p.u_nm.powi(2) + extra * extra).max(1e-12)).collect();
    let wa = DMatrix::from_fn(n, a.ncols(), |i, j| w[i] * a[(i, j)]);
    let data = a.transpose() * &wa;
    let mut m = data.clone();
    for j in 0..prior.len() {
        m[(j, j)] += prior[j];
    }
    let cov = m.cholesky().map(|c| c.inverse()).ok_or_else(undetermined)?;
    let c = &cov * (wa.transpose() * y);
    let r = a * &c - y;
    let chi2 = (0..n).map(|i| w[i] * r[i] * r[i]).sum();
    let used = (&cov * data).trace();
    Ok((c, cov, chi2, used))
}

/// Inverse prior variances of the coefficients.
fn prior_precision(
    points: &[Point],
    a: &DMatrix<f64>,
    y: &DVector<f64>,
    correction: bool,
) -> Result<DVector<f64>> {
    if correction {
        return Ok(DVector::from_fn(COEFFICIENTS, |j, _| NM_PRIOR[j].powi(-2)));
    }
    // The scale c1 from a straight line through the points.
    let n = points.len() as f64;
    let (mt, my) = (a.column(1).sum() / n, y.sum() / n);
    let (mut stt, mut sty) = (0.0, 0.0);
    for i in 0..points.len() {
        stt += (a[(i, 1)] - mt).powi(2);
        sty += (a[(i, 1)] - mt) * (y[i] - my);
    }
    let c1 = (sty / stt).abs();
    if !c1.is_finite() || c1 == 0.0 {
        return Err(Error::refused("axis fit", "all anchors at one place", "use a richer lamp"));
    }
    Ok(DVector::from_fn(COEFFICIENTS, |j, _| match j {
        0 | 1 => 0.0,
        _ => (PIXEL_PRIOR[j - 2] * c1).powi(-2),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008 (GUM) H.3: thermometer calibration, straight line; tests value, uncertainty
    /// and correlation of a fitted and extrapolated correction.
    #[test]
    fn gum_h3_thermometer_example() {
        let t = [
            21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
        ];
        let b = [
            -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
        ];
        let n = t.len();
        let a = DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { t[i] - 20.0 });
        let y = DVector::from_row_slice(&b);
        let points: Vec<Point> =
            t.iter().zip(&b).map(|(x, y)| Point { x: *x, nm: *y, u_nm: 1.0 }).collect();
        let (c, cov, chi2, _) =
            solve(&a, &y, &points, 0.0, &DVector::from_row_slice(&[0.0, 0.0])).unwrap();
        let s2 = chi2 / 9.0;
        assert!((c[0] + 0.1712).abs() < 5e-5 && (c[1] - 0.00218).abs() < 5e-6);
        assert!(((s2 * cov[(0, 0)]).sqrt() - 0.0029).abs() < 5e-5);
        assert!(((s2 * cov[(1, 1)]).sqrt() - 0.00067).abs() < 5e-6);
        assert!((cov[(0, 1)] / (cov[(0, 0)] * cov[(1, 1)]).sqrt() + 0.930).abs() < 5e-4);
        assert!((s2.sqrt() - 0.0035).abs() < 5e-5);
        let u30 = (s2 * (cov[(0, 0)] + 20.0 * cov[(0, 1)] + 100.0 * cov[(1, 1)])).sqrt();
        assert!((c[0] + 10.0 * c[1] + 0.1494).abs() < 5e-5 && (u30 - 0.0041).abs() < 5e-5);
    }

    /// Points on a straight axis, one of them another line's by 30 standard uncertainties: least squares
    /// follows it, the sturdy fit leaves it.
    #[test]
    fn a_false_point_does_not_draw_the_sturdy_fit() {
        let nm = |x: f64| 400.0 + 0.2 * x;
        let mut points: Vec<Point> = [100.0, 450.0, 800.0, 1200.0, 1700.0]
            .map(|x| Point { x, nm: nm(x), u_nm: 0.05 })
            .to_vec();
        points[2].nm += 1.5;
        let (domain, kind) = ([0.0, 2000.0], AxisKind::Pixel);
        let off: Vec<f64> = points.iter().map(|p| (nm(p.x) - p.nm) / p.u_nm).collect();
        let worst = |f: &AxisFit| {
            let off = points.iter().map(|p| (f.model.wavelength(p.x).value - nm(p.x)).abs());
            off.fold(0.0, f64::max)
        };
        let sturdy = sturdy(&points, &off, domain, kind).unwrap();
        let plain = fit(&points, domain, kind).unwrap();
        assert!(
            worst(&sturdy) < 0.1 && worst(&plain) > 0.2,
            "{} {}",
            worst(&sturdy),
            worst(&plain)
        );
        // Without false points both agree.
        points[2].nm -= 1.5;
        let (a, b) = (
            super::sturdy(&points, &[0.0; 5], domain, kind).unwrap(),
            fit(&points, domain, kind).unwrap(),
        );
        for x in [0.0, 900.0, 2000.0] {
            let (a, b) = (a.model.wavelength(x), b.model.wavelength(x));
            assert!((a.value - b.value).abs() < 1e-3 && (a.u / b.u - 1.0).abs() < 0.01);
        }
    }

    /// The prior's scale against the grating equation itself, over geometries of small array
    /// spectrometers.
    #[test]
    fn the_pixel_prior_covers_plane_gratings() {
        let (mut worst2, mut worst3) = (0.0f64, 0.0f64);
        for half_width in [0.1, 0.17, 0.25, 0.3] {
            for beta in [-0.45f64, -0.2, 0.0, 0.2, 0.45] {
                let f = |t: f64| (beta + (half_width * t).atan()).sin();
                // Chebyshev coefficients by the discrete cosine sum over 32 nodes.
                let m = 32;
                let c: Vec<f64> = (0..4)
                    .map(|k| {
                        (0..m)
                            .map(|j| {
                                let th = std::f64::consts::PI * (j as f64 + 0.5) / m as f64;
                                f(th.cos()) * (k as f64 * th).cos()
                            })
                            .sum::<f64>()
                            * 2.0
                            / m as f64
                    })
                    .collect();
                worst2 = worst2.max((c[2] / c[1]).abs());
                worst3 = worst3.max((c[3] / c[1]).abs());
            }
        }
        // Within one and a half standard deviations at the edge of the geometries.
        assert!(worst2 < 1.5 * PIXEL_PRIOR[0] && worst2 > 0.3 * PIXEL_PRIOR[0], "{worst2}");
        assert!(worst3 < 1.5 * PIXEL_PRIOR[1] && worst3 > 0.3 * PIXEL_PRIOR[1], "{worst3}");
    }
}
