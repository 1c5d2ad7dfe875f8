//! Several curves as one series: its mean, and a covariance with the spread between them.

use super::AxisModel;
use super::bayes::{Curve, MAX_PARAMETERS, Posterior, Vector};

/// Places at which a model is read off to become a series: as many terms as any bench needs for
/// [`RESOLUTION_NM`] (the grating's terms fall by a factor of five or more each).
const NODES: usize = 12;
/// Terms of the common series that are smaller than this, nm, are left out.
const RESOLUTION_NM: f64 = 1e-5;

/// Fewest terms of the common series.
const FEWEST_TERMS: usize = 5;

/// Coefficients of T0 … and their derivatives by the parameters, read off at Chebyshev's nodes.
fn project<C: Curve>(curve: &C, p: &Vector, cosines: &Cosines) -> Option<Projected> {
    let ready = curve.ready(p)?;
    let mut out = [[0.0; MAX_PARAMETERS + 1]; NODES];
    for j in 0..NODES {
        let (value, g) = curve.at(&ready, cosines.node[j]);
        for (k, row) in out.iter_mut().enumerate() {
            let c = cosines.weight[k][j];
            row[MAX_PARAMETERS] += c * value;
            for (o, g) in row.iter_mut().zip(g) {
                *o += c * g;
            }
        }
    }
    Some(out)
}

/// A row for each coefficient: derivatives, then the value.
type Projected = [[f64; MAX_PARAMETERS + 1]; NODES];

/// The discrete cosine sum that turns values at Chebyshev's nodes into coefficients.
struct Cosines {
    node: [f64; NODES],
    weight: [[f64; NODES]; NODES],
}

impl Cosines {
    fn new() -> Self {
        let angle = |j: usize| std::f64::consts::PI * (j as f64 + 0.5) / NODES as f64;
        let mut weight = [[0.0; NODES]; NODES];
        for (k, row) in weight.iter_mut().enumerate() {
            let scale = if k == 0 { 1.0 } else { 2.0 } / NODES as f64;
            for (j, w) in row.iter_mut().enumerate() {
                *w = scale * (k as f64 * angle(j)).cos();
            }
        }
        Cosines { node: std::array::from_fn(|j| angle(j).cos()), weight }
    }
}

/// A weighted sum of posteriors under way.
pub struct Merging {
    cosines: Cosines,
    /// Values of the first one: deviations from it keep the digits of the spread.
    origin: Option<[f64; NODES]>,
    total: f64,
    mean: [f64; NODES],
    square: [[f64; NODES]; NODES],
}

impl Merging {
    /// Nothing yet.
    pub fn new() -> Self {
        Merging {
            cosines: Cosines::new(),
            origin: None,
            total: 0.0,
            mean: [0.0; NODES],
            square: [[0.0; NODES]; NODES],
        }
    }

    /// Adds a curve's posterior with a weight.
    pub fn add<C: Curve>(&mut self, curve: &C, posterior: &Posterior, weight: f64) {
        let Some(rows) = project(curve, &posterior.p, &self.cosines) else { return };
        let value: [f64; NODES] = std::array::from_fn(|k| rows[k][MAX_PARAMETERS]);
        let origin = self.origin.get_or_insert(value);
        self.total += weight;
        for k in 0..NODES {
            let mut by = [0.0; MAX_PARAMETERS];
            for (a, row) in posterior.covariance.iter().enumerate() {
                for (b, v) in by.iter_mut().zip(row) {
                    *b += rows[k][a] * v;
                }
            }
            let dk = value[k] - origin[k];
            self.mean[k] += weight * dk;
            for j in 0..=k {
                let own: f64 = by.iter().zip(&rows[j]).map(|(b, r)| b * r).sum();
                self.square[k][j] += weight * (own + dk * (value[j] - origin[j]));
            }
        }
    }

    /// The common series: mean, own covariances and the covariance of the means (law of total
    /// variance).
    pub fn finish(&self, domain: [f64; 2], correction: bool) -> AxisModel {
        let origin = self.origin.unwrap_or([0.0; NODES]);
        let total = if self.total > 0.0 { self.total } else { 1.0 };
        let coefficients: Vec<f64> = (0..NODES).map(|k| origin[k] + self.mean[k] / total).collect();
        let covariance = |k: usize, j: usize| {
            let (k, j) = (k.max(j), k.min(j));
            self.square[k][j] / total - self.mean[k] * self.mean[j] / (total * total)
        };
        let mut terms = NODES;
        while terms > FEWEST_TERMS
            && coefficients[terms - 1].abs() + covariance(terms - 1, terms - 1).max(0.0).sqrt()
                < RESOLUTION_NM
        {
            terms -= 1;
        }
        AxisModel {
            domain,
            correction,
            coefficients: coefficients[..terms].to_vec(),
            covariance: (0..terms)
                .map(|k| (0..terms).map(|j| covariance(k, j)).collect())
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::grating::Grating;
    use crate::calibrate::series::Series;

    /// The common series holds what each model says to a ten-thousandth of a nanometre, for the
    /// strongest curvature that is looked at.
    #[test]
    fn reading_off_loses_less_than_a_ten_thousandth() {
        let g = Grating { direction: 1.0, half_range_nm: 400.0 };
        let cosines = Cosines::new();
        for (half_width, tilt) in [(0.1f64, 0.0), (0.3, 0.2), (0.42, -0.25)] {
            let mut p = [0.0; MAX_PARAMETERS];
            p[..5].copy_from_slice(&[700.0, half_width.ln(), 0.6, tilt, (1e6 / 600.0f64).ln()]);
            let rows = project(&g, &p, &cosines).unwrap();
            let model = AxisModel {
                domain: [-1.0, 1.0],
                correction: false,
                coefficients: rows.iter().map(|r| r[MAX_PARAMETERS]).collect(),
                covariance: vec![vec![0.0; NODES]; NODES],
            };
            let ready = g.ready(&p).unwrap();
            for k in 0..=100 {
                let t = k as f64 / 50.0 - 1.0;
                let lost = model.wavelength(t).value - g.at(&ready, t).0;
                assert!(lost.abs() < 1e-4, "{half_width} {tilt}: {lost} at {t}");
            }
        }
    }

    /// Two lines of equal weight: mean, and variance of the two values about it plus their own.
    #[test]
    fn the_spread_between_curves_is_part_of_the_variance() {
        let posterior = |slope: f64| {
            let mut p = Posterior {
                p: [0.0; MAX_PARAMETERS],
                covariance: [[0.0; MAX_PARAMETERS]; MAX_PARAMETERS],
                log_evidence: 0.0,
                residuals: vec![],
                leverage: vec![],
            };
            p.p[..2].copy_from_slice(&[500.0, slope]);
            p.covariance[0][0] = 0.04;
            p
        };
        let mut merging = Merging::new();
        for slope in [200.0, 202.0] {
            merging.add(&Series { coefficients: 2 }, &posterior(slope), 0.5);
        }
        let end = merging.finish([-1.0, 1.0], false).wavelength(1.0);
        assert!((end.value - 701.0).abs() < 1e-9);
        assert!((end.u - 1.04f64.sqrt()).abs() < 1e-9);
    }
}
