//! One smooth curve through anchors with Gaussian prior knowledge: its best parameters, their
//! covariance, and how probable the anchors are under it.

use std::f64::consts::PI;

/// Most parameters of a curve.
pub const MAX_PARAMETERS: usize = 8;
/// Parameters of a curve; those beyond its number are zero.
pub type Vector = [f64; MAX_PARAMETERS];
/// A symmetric matrix over the parameters.
pub type Matrix = [[f64; MAX_PARAMETERS]; MAX_PARAMETERS];

/// Share of anchors that are taken to be badly off (a wrong match, a blend): one in twenty
/// (common practice, no published source). The form, a normal contaminated by a wide one, is that
/// of J. W. Tukey, "A survey of sampling from contaminated distributions" (1960); unlike
/// Student's t it costs next to nothing where all anchors are good.
const BAD_SHARE: f64 = 0.02;
/// Standard deviation of a bad anchor in standard deviations of a good one: a wrong match lies
/// some half a line width off, of which a good place is uncertain by a few per cent.
const BAD_WIDTH: f64 = 15.0;
/// Most Gauss-Newton rounds; two to five are usual.
const MAX_ROUNDS: usize = 12;
/// Most halvings of a step.
const MAX_HALVINGS: usize = 6;
/// Nats below which a gain ends the search.
const ENOUGH: f64 = 1e-3;

/// Anchors on the scaled axis.
pub struct Data {
    /// Places, mapped to −1 … 1 over the domain.
    pub t: Vec<f64>,
    /// Wavelengths (or corrections), nm.
    pub y: Vec<f64>,
    /// Standard uncertainties, nm.
    pub u: Vec<f64>,
}

/// A family of curves.
pub trait Curve {
    /// What is computed once for given parameters.
    type Ready;
    /// Number of parameters.
    fn parameters(&self) -> usize;
    /// Prepares the curve of the parameters `p`; `None` where there is no such curve.
    fn ready(&self, p: &Vector) -> Option<Self::Ready>;
    /// Value at `t`, nm, with the derivatives by the parameters.
    fn at(&self, ready: &Self::Ready, t: f64) -> (f64, Vector);
}

/// Independent normal prior of the parameters.
#[derive(Debug, Clone, Copy)]
pub struct Prior {
    /// Means.
    pub mean: Vector,
    /// Inverse variances; 0 for a flat prior of density 1.
    pub precision: Vector,
}

/// A curve's posterior, normal about its peak (Laplace's approximation).
#[derive(Debug, Clone)]
pub struct Posterior {
    /// Most probable parameters.
    pub p: Vector,
    /// Their covariance.
    pub covariance: Matrix,
    /// Logarithm of the probability density of the anchors under prior and curve.
    pub log_evidence: f64,
    /// Residuals, curve less anchor, nm.
    pub residuals: Vec<f64>,
    /// Share of each anchor in its own fitted value.
    pub leverage: Vec<f64>,
}

/// Standard deviation of one anchor with what follows from it.
struct Scale {
    precision: f64,
    /// Logarithm of the density of a good anchor without its exponential.
    log_norm: f64,
}

impl Scale {
    fn new(s: f64) -> Self {
        let log_norm = (1.0 - BAD_SHARE).ln() - s.ln() - 0.5 * (2.0 * PI).ln();
        Scale { precision: 1.0 / (s * s), log_norm }
    }

    /// Weight of a residual in the normal equations (1/nm²) and its log density.
    fn contaminated(&self, r: f64) -> (f64, f64) {
        const FLAT: f64 = 1.0 / (BAD_WIDTH * BAD_WIDTH);
        const SHARE: f64 = BAD_SHARE / (1.0 - BAD_SHARE) / BAD_WIDTH;
        let z2 = r * r * self.precision;
        // Density of a bad anchor over that of a good one, bounded so that it stays a number.
        let ratio = SHARE * (0.5 * z2 * (1.0 - FLAT)).min(600.0).exp();
        let weight = (1.0 + ratio * FLAT) / (1.0 + ratio) * self.precision;
        let log =
            if ratio < 1e100 { -0.5 * z2 + ratio.ln_1p() } else { SHARE.ln() - 0.5 * z2 * FLAT };
        (weight, self.log_norm + log)
    }
}

struct Step {
    log_posterior: f64,
    gradient: Vector,
    normal: Matrix,
}

/// Log posterior with gradient and (Gauss-Newton) curvature.
fn evaluate<C: Curve>(
    curve: &C,
    data: &Data,
    scale: &[Scale],
    prior: &Prior,
    p: &Vector,
) -> Option<Step> {
    let n = curve.parameters();
    let ready = curve.ready(p)?;
    let mut out = Step {
        log_posterior: 0.0,
        gradient: [0.0; MAX_PARAMETERS],
        normal: [[0.0; MAX_PARAMETERS]; MAX_PARAMETERS],
    };
    for ((t, y), scale) in data.t.iter().zip(&data.y).zip(scale) {
        let (value, g) = curve.at(&ready, *t);
        let r = value - y;
        let (w, log) = scale.contaminated(r);
        out.log_posterior += log;
        for a in 0..n {
            let wg = w * g[a];
            out.gradient[a] -= wg * r;
            for (cell, g) in out.normal[a][..=a].iter_mut().zip(g) {
                *cell += wg * g;
            }
        }
    }
    for (a, p) in p.iter().enumerate().take(n) {
        let (d, q) = (p - prior.mean[a], prior.precision[a]);
        out.gradient[a] -= q * d;
        out.normal[a][a] += q;
        if q > 0.0 {
            out.log_posterior -= 0.5 * q * d * d;
        }
    }
    out.log_posterior.is_finite().then_some(out)
}

/// Cholesky factor of the lower triangle, in place; false where not positive definite.
fn factor(m: &mut Matrix, n: usize) -> bool {
    for i in 0..n {
        for j in 0..=i {
            let done: f64 = m[i][..j].iter().zip(&m[j]).map(|(a, b)| a * b).sum();
            let s = m[i][j] - done;
            if i == j {
                if s.is_nan() || s <= 0.0 {
                    return false;
                }
                m[i][i] = s.sqrt();
            } else {
                m[i][j] = s / m[j][j];
            }
        }
    }
    true
}

/// Solves with the factor.
fn solve(l: &Matrix, n: usize, b: &Vector) -> Vector {
    let mut x = *b;
    for i in 0..n {
        for k in 0..i {
            x[i] -= l[i][k] * x[k];
        }
        x[i] /= l[i][i];
    }
    for i in (0..n).rev() {
        for k in i + 1..n {
            x[i] -= l[k][i] * x[k];
        }
        x[i] /= l[i][i];
    }
    x
}

/// Climbs from `start` to the most probable parameters by Gauss-Newton steps with re-weighting
/// and takes the posterior there. `None` where the anchors and the prior determine no curve.
///
/// Source of the evidence: Laplace's approximation, for instance R. Kass and A. Raftery, J. Am.
/// Stat. Assoc. 90 (1995) 773, eq. 5.
pub fn fit<C: Curve>(
    curve: &C,
    data: &Data,
    extra_nm: f64,
    prior: &Prior,
    start: &Vector,
) -> Option<Posterior> {
    let n = curve.parameters();
    let scale: Vec<Scale> = data.u.iter().map(|u| Scale::new(u.hypot(extra_nm))).collect();
    let mut p = *start;
    let mut here = evaluate(curve, data, &scale, prior, &p)?;
    for _ in 0..MAX_ROUNDS {
        let mut l = here.normal;
        if !factor(&mut l, n) {
            return None;
        }
        let step = solve(&l, n, &here.gradient);
        let mut share = 1.0;
        let mut gained = None;
        for _ in 0..MAX_HALVINGS {
            let mut trial = p;
            for k in 0..n {
                trial[k] += share * step[k];
            }
            match evaluate(curve, data, &scale, prior, &trial) {
                Some(next) if next.log_posterior >= here.log_posterior => {
                    gained = Some(next.log_posterior - here.log_posterior);
                    p = trial;
                    here = next;
                    break;
                }
                _ => share *= 0.5,
            }
        }
        if gained.is_none_or(|g| g < ENOUGH) {
            break;
        }
    }
    let mut l = here.normal;
    if !factor(&mut l, n) {
        return None;
    }
    let mut covariance = [[0.0; MAX_PARAMETERS]; MAX_PARAMETERS];
    let mut half_log_det = 0.0;
    for k in 0..n {
        let mut e = [0.0; MAX_PARAMETERS];
        e[k] = 1.0;
        covariance[k] = solve(&l, n, &e);
        half_log_det += l[k][k].ln();
    }
    // A normal prior brings √(q/2π) for each parameter, the integral √(2π)ⁿ/√det.
    let half_log_prior: f64 = prior.precision[..n]
        .iter()
        .map(|q| 0.5 * if *q > 0.0 { q.ln() } else { (2.0 * PI).ln() })
        .sum();
    let log_evidence = here.log_posterior + half_log_prior - half_log_det;
    let ready = curve.ready(&p)?;
    let (mut residuals, mut leverage) = (Vec::new(), Vec::new());
    for ((t, y), scale) in data.t.iter().zip(&data.y).zip(&scale) {
        let (value, g) = curve.at(&ready, *t);
        let r = value - y;
        let (w, _) = scale.contaminated(r);
        residuals.push(r);
        leverage.push(w * quadratic(&covariance, &g, n));
    }
    Some(Posterior { p, covariance, log_evidence, residuals, leverage })
}

/// gᵀ C g.
fn quadratic(c: &Matrix, g: &Vector, n: usize) -> f64 {
    let mut v = 0.0;
    for a in 0..n {
        for b in 0..n {
            v += g[a] * c[a][b] * g[b];
        }
    }
    v
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::series::Series;
    use nalgebra::{DMatrix, DVector};

    /// For a linear curve with a proper prior the evidence is a normal density in closed form: the
    /// anchors are normal about X m with covariance S + X V Xᵀ.
    #[test]
    fn evidence_of_a_line_is_the_closed_form() {
        let t = [-0.9, -0.5, -0.1, 0.2, 0.7];
        let y = [1.02, 1.21, 1.36, 1.52, 1.74];
        let (u, sd, mean) = (0.02f64, [0.8f64, 0.5], [1.1, 0.3]);
        let data = Data { t: t.to_vec(), y: y.to_vec(), u: vec![u; 5] };
        let mut prior = Prior { mean: [0.0; MAX_PARAMETERS], precision: [0.0; MAX_PARAMETERS] };
        for k in 0..2 {
            prior.mean[k] = mean[k];
            prior.precision[k] = sd[k].powi(-2);
        }
        let f = fit(&Series { coefficients: 2 }, &data, 0.0, &prior, &prior.mean).unwrap();
        let x = DMatrix::from_fn(5, 2, |i, j| if j == 0 { 1.0 } else { t[i] });
        let v = DMatrix::from_diagonal(&DVector::from_fn(2, |k, _| sd[k] * sd[k]));
        let s = DMatrix::identity(5, 5) * (u * u) + &x * v * x.transpose();
        let r = DVector::from_fn(5, |i, _| y[i] - mean[0] - mean[1] * t[i]);
        let inverse = s.clone().try_inverse().unwrap();
        let chi2 = (r.transpose() * inverse * &r)[(0, 0)];
        let exact = -0.5 * (chi2 + s.determinant().ln() + 5.0 * (2.0 * PI).ln());
        // All anchors are good here; the model also allows for bad ones.
        let exact = exact + 5.0 * (1.0 - BAD_SHARE).ln();
        assert!((f.log_evidence - exact).abs() < 0.05, "{} {exact}", f.log_evidence);
        let used: f64 = f.leverage.iter().sum();
        assert!((1.9..2.0).contains(&used), "{used}");
    }

    /// Far residuals keep a bounded pull, and density and weight stay numbers.
    #[test]
    fn a_far_anchor_has_hardly_any_weight() {
        let s = Scale::new(0.1);
        let (near, _) = s.contaminated(0.05);
        let (far, log) = s.contaminated(1.0);
        assert!(far < 0.01 * near && near < 100.0);
        let (w, farther) = s.contaminated(1e6);
        assert!(w > 0.0 && farther.is_finite() && farther < log);
        // The weight is the slope of the density: w r = −d log p / d r.
        for r in [0.01, 0.2, 0.36, 0.5, 2.0] {
            let h = 1e-6;
            let slope = (s.contaminated(r + h).1 - s.contaminated(r - h).1) / (2.0 * h);
            let w = s.contaminated(r).0;
            assert!((w * r + slope).abs() < 1e-4 * (1.0 + slope.abs()), "{r}");
        }
    }
}
