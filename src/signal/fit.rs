//! Fitting groups of lines together.

use super::lm::{self, Problem};

/// Prior scatter of the logarithm of a line's width about the instrument's width: lines may be
/// one and a half times broader (pressure, blends) and hardly narrower; broad humps overcome it
/// by their data.
const LN_WIDTH_PRIOR: f64 = 0.35;
/// Prior scatter of the constant under a group: the baseline is good to about its noise …
const OFFSET_PRIOR_SIGMA: f64 = 1.0;
/// … and to this share of the tallest line, whose wings it may have followed.
const OFFSET_PRIOR_SHARE: f64 = 0.02;
/// Rounds of a group fit; blends of six lines need some twenty.
const ROUNDS: usize = 40;
/// Relative step that ends a group fit: a millionth of a wavelength is far below any error here.
const STEP_TOLERANCE: f64 = 1e-9;

/// Distance in FWHM beyond which even a Lorentzian wing is below 2e-4 of the height.
const LORENTZIAN_REACH: f64 = 40.0;
/// Distance in FWHM beyond which a Gaussian is below 1e-43 of the height: too little to change the
/// last digit of any sum, and its exponential is most of what a line costs.
const GAUSSIAN_REACH: f64 = 6.0;

/// Value of a pseudo-Voigt line of unit height at distance `d` for the width `w` (FWHM), with the
/// derivatives by `d` and by ln `w`. `eta` is the share of the Lorentzian in the height.
///
/// Source: G. K. Wertheim et al., Rev. Sci. Instrum. 45 (1974) 1369 (both parts with one FWHM).
pub fn pseudo_voigt(d: f64, w: f64, eta: f64) -> (f64, f64, f64) {
    const C: f64 = 4.0 * std::f64::consts::LN_2;
    let u = d / w;
    let g = (-C * u * u).exp();
    let l = 1.0 / (1.0 + 4.0 * u * u);
    let value = (1.0 - eta) * g + eta * l;
    let by_u = -(1.0 - eta) * g * 2.0 * C * u - eta * 8.0 * u * l * l;
    (value, by_u / w, -by_u * u)
}

/// A line as fitted: place, height, ln FWHM.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Place, axis units.
    pub centre: f64,
    /// Height above the baseline, counts.
    pub height: f64,
    /// FWHM, axis units.
    pub fwhm: f64,
}

impl Component {
    /// How far its light reaches to either side, axis units.
    pub fn reach(&self, eta: f64) -> f64 {
        self.fwhm * if eta == 0.0 { GAUSSIAN_REACH } else { LORENTZIAN_REACH }
    }

    /// Counts of this line at `x`.
    pub fn at(&self, x: f64, eta: f64) -> f64 {
        let u = ((x - self.centre) / self.fwhm).abs();
        if u > LORENTZIAN_REACH || (u > GAUSSIAN_REACH && eta == 0.0) {
            0.0
        } else if u > GAUSSIAN_REACH {
            let l = 1.0 / (1.0 + 4.0 * u * u);
            self.height * (eta * l)
        } else {
            self.height * pseudo_voigt(x - self.centre, self.fwhm, eta).0
        }
    }
}

/// What a group fit is given.
pub struct Group<'a> {
    /// Axis values of the window.
    pub x: Vec<f64>,
    /// Counts above the baseline and the light of other groups.
    pub y: Vec<f64>,
    /// Standard uncertainties, counts.
    pub sigma: Vec<f64>,
    /// Width of an unresolved line at each component's place.
    pub expected_fwhm: Vec<f64>,
    /// Share of the Lorentzian.
    pub eta: f64,
    /// Start values.
    pub start: &'a [Component],
}

/// Outcome of a group fit.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupFit {
    /// Components.
    pub components: Vec<Component>,
    /// Standard uncertainties of place, height and FWHM, scaled by the residual scatter where
    /// that is larger than the noise; and correlation-aware standard uncertainty of the area.
    pub u: Vec<[f64; 4]>,
    /// Weighted sum of squares without the prior.
    pub chi2: f64,
    /// Number of points.
    pub points: usize,
    /// Constant under the group, counts.
    pub offset: f64,
}

impl GroupFit {
    /// Bayesian information criterion (G. Schwarz, Ann. Stat. 6 (1978) 461).
    pub fn bic(&self) -> f64 {
        self.chi2 + (3 * self.components.len() + 1) as f64 * (self.points.max(1) as f64).ln()
    }
}

impl Group<'_> {
    fn scale(&self) -> f64 {
        self.start.iter().map(|c| c.height.abs()).fold(f64::MIN_POSITIVE, f64::max)
    }
}

impl Group<'_> {
    /// Prior standard deviation of the constant under the group, counts.
    fn offset_prior(&self) -> f64 {
        let quietest = self.sigma.iter().copied().fold(f64::INFINITY, f64::min);
        OFFSET_PRIOR_SIGMA * quietest + OFFSET_PRIOR_SHARE * self.scale()
    }
}

impl Problem for Group<'_> {
    fn residuals(&self) -> usize {
        self.x.len() + self.start.len() + 1
    }

    // Parameters: offset/scale, then for each component: (centre − start)/fwhm, height/scale,
    // ln(fwhm / expected).
    fn evaluate(&self, p: &[f64], r: &mut [f64], mut jacobian: Option<&mut [f64]>) {
        let n = p.len();
        let s = self.scale();
        let points = self.x.len();
        r[..points].fill(p[0] * s);
        // Component by component: its width, an exponential, is the same for all points.
        for (k, c) in self.start.iter().enumerate() {
            let q = &p[1 + 3 * k..4 + 3 * k];
            let e = self.expected_fwhm[k];
            let w = e * q[2].clamp(-3.0, 5.0).exp();
            let moved = q[0] * e;
            for (i, x) in self.x.iter().enumerate() {
                let (v, by_d, by_lnw) = pseudo_voigt(x - c.centre - moved, w, self.eta);
                r[i] += q[1] * s * v;
                if let Some(j) = jacobian.as_deref_mut() {
                    let at = i * n + 1 + 3 * k;
                    j[at] = -q[1] * s * by_d * e;
                    j[at + 1] = s * v;
                    j[at + 2] = q[1] * s * by_lnw;
                }
            }
        }
        for i in 0..points {
            let inv = 1.0 / self.sigma[i];
            r[i] = (r[i] - self.y[i]) * inv;
            if let Some(j) = jacobian.as_deref_mut() {
                let row = &mut j[i * n..(i + 1) * n];
                row[0] = s;
                row.iter_mut().for_each(|v| *v *= inv);
            }
        }
        let prior = s / self.offset_prior();
        let last = points + self.start.len();
        r[last] = p[0] * prior;
        if let Some(j) = jacobian.as_deref_mut() {
            let row = &mut j[last * n..(last + 1) * n];
            row.fill(0.0);
            row[0] = prior;
        }
        for k in 0..self.start.len() {
            r[points + k] = p[3 + 3 * k] / LN_WIDTH_PRIOR;
            if let Some(j) = jacobian.as_deref_mut() {
                let row = &mut j[(points + k) * n..(points + k + 1) * n];
                row.fill(0.0);
                row[3 + 3 * k] = 1.0 / LN_WIDTH_PRIOR;
            }
        }
    }
}

/// Area of a line of unit height and unit FWHM: ½√(π/ln 2) for the Gaussian, π/2 for the
/// Lorentzian.
pub fn unit_area(eta: f64) -> f64 {
    (1.0 - eta) * 1.064_467_019_431_226 + eta * std::f64::consts::FRAC_PI_2
}

/// Fits a group; `None` where the data do not determine it.
pub fn fit_group(g: &Group) -> Option<GroupFit> {
    let s = g.scale();
    let mut p = vec![0.0; 1 + 3 * g.start.len()];
    for (k, c) in g.start.iter().enumerate() {
        p[2 + 3 * k] = c.height / s;
        p[3 + 3 * k] = (c.fwhm / g.expected_fwhm[k]).ln();
    }
    let n = p.len();
    let fit = lm::minimise_to(g, &p, ROUNDS, STEP_TOLERANCE);
    let cov = fit.covariance?;
    let q = &fit.parameters;
    if q.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let mut r = vec![0.0; g.residuals()];
    g.evaluate(q, &mut r, None);
    let chi2: f64 = r[..g.x.len()].iter().map(|v| v * v).sum();
    let dof = g.x.len() as f64 - n as f64;
    let inflate = if dof >= 1.0 { (chi2 / dof).max(1.0).sqrt() } else { 1.0 };
    let mut components = Vec::with_capacity(g.start.len());
    let mut u = Vec::with_capacity(g.start.len());
    let a = unit_area(g.eta);
    for (k, c) in g.start.iter().enumerate() {
        let (i, e) = (1 + 3 * k, g.expected_fwhm[k]);
        let fwhm = e * q[i + 2].clamp(-3.0, 5.0).exp();
        let height = q[i + 1] * s;
        components.push(Component { centre: c.centre + q[i] * e, height, fwhm });
        let sd = |j: usize| cov[j * n + j].max(0.0).sqrt() * inflate;
        // Area = a · height · fwhm.
        let (dh, dw) = (a * fwhm * s, a * height * fwhm);
        let var = dh * dh * cov[(i + 1) * n + i + 1]
            + dw * dw * cov[(i + 2) * n + i + 2]
            + 2.0 * dh * dw * cov[(i + 1) * n + i + 2];
        u.push([sd(i) * e, sd(i + 1) * s, sd(i + 2) * fwhm, var.max(0.0).sqrt() * inflate]);
    }
    Some(GroupFit { components, u, chi2, points: g.x.len(), offset: q[0] * s })
}
