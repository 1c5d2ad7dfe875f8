//! The whole recording as a non-negative sum of species.

use super::evidence::{Evidence, Scene, Showing};
use super::pattern::Pattern;
use crate::signal::fit::pseudo_voigt;
use ndarray::{Array1, Array2, ArrayView1};

/// Share of the reading by which a template may be off at any point: heights are known to a
/// factor only, so that a strong line must not outvote the rest.
const MODEL_SCATTER: f64 = 0.3;
/// Lines are drawn to this distance, in widths.
const DRAWN_FWHM: f64 = 4.0;

/// Outcome of the mixture for one species.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Part {
    /// Coefficient of its template (1: as the lines alone had it).
    pub coefficient: f64,
    /// Coefficient over its standard uncertainty with all others fitted along.
    pub significance: f64,
    /// Its share of the fitted light, 0 to 1.
    pub share: f64,
    /// The lines of its template as fitted: place, nm, and height above the baseline, counts.
    pub lines: Vec<(f64, f64)>,
}

/// Fits templates of the species to the recording above its baseline.
///
/// `x` in nm, `r` counts above the baseline, `sigma` their uncertainty, `usable` the points that
/// may be used, `eta` the line shape. One [`Part`] a species; and the share of the light above the
/// baseline that the sum leaves.
pub fn fit(
    species: &[(&Pattern, &Evidence)],
    scene: &Scene,
    x: &[f64],
    r: &[f64],
    sigma: &[f64],
    usable: &[bool],
    eta: f64,
) -> Vec<Part> {
    let n = species.len();
    if n == 0 {
        return Vec::new();
    }
    let points = x.len();
    let mut a = Array2::<f64>::zeros((n, points));
    let mut lines: Vec<Vec<(f64, f64)>> = vec![Vec::new(); n];
    for ((mut row, lines), (p, e)) in a.rows_mut().into_iter().zip(&mut lines).zip(species) {
        for (f, w) in p.features.iter().zip(&e.showing) {
            let expected = e.amplitude * f.weight[e.population];
            let (nm, height) = match w {
                // Half way, in the logarithm, from the model to what stands there.
                Showing::Peak { index, .. } => {
                    let q = &scene.peaks[*index];
                    (q.nm, (expected * q.height).sqrt().min(q.height))
                }
                Showing::Nothing { below, .. } | Showing::Hidden { below } => {
                    (f.nm, expected.min(*below))
                }
            };
            if height.is_nan() || height <= 0.0 {
                continue;
            }
            lines.push((nm, height));
            let width = scene.width.fwhm(nm);
            let from = x.partition_point(|v| *v < nm - DRAWN_FWHM * width);
            for i in from..points {
                if x[i] > nm + DRAWN_FWHM * width {
                    break;
                }
                row[i] += height * pseudo_voigt(x[i] - nm, width, eta).0;
            }
        }
    }
    // Off by a share of what stands there (or lacks there, where the baseline is too high) or of what is
    // drawn there, whichever is more.
    let drawn = a.sum_axis(ndarray::Axis(0));
    let weight: Array1<f64> = (0..points)
        .map(|i| {
            if usable[i] {
                1.0 / (sigma[i].powi(2) + (MODEL_SCATTER * r[i].abs().max(drawn[i])).powi(2))
            } else {
                0.0
            }
        })
        .collect();
    let weighted = &a * &weight;
    let gram = weighted.dot(&a.t());
    let right = weighted.dot(&ArrayView1::from(r));
    let c = non_negative(&gram, &right);
    let active: Vec<usize> = (0..n).filter(|k| c[*k] > 0.0).collect();
    let inverse = {
        let m = nalgebra::DMatrix::from_fn(active.len(), active.len(), |i, j| {
            gram[(active[i], active[j])]
        });
        m.try_inverse()
    };
    let light: Vec<f64> = (0..n).map(|k| c[k] * a.row(k).sum()).collect();
    let total: f64 = light.iter().sum();
    lines
        .into_iter()
        .enumerate()
        .map(|(k, mut lines)| {
            lines.retain(|_| c[k] > 0.0);
            lines.iter_mut().for_each(|l| l.1 *= c[k]);
            let var = active
                .iter()
                .position(|i| *i == k)
                .and_then(|i| inverse.as_ref().map(|m| m[(i, i)]))
                .unwrap_or(f64::INFINITY);
            Part {
                coefficient: c[k],
                significance: if c[k] > 0.0 { c[k] / var.max(0.0).sqrt() } else { 0.0 },
                share: if total > 0.0 { light[k] / total } else { 0.0 },
                lines,
            }
        })
        .collect()
}

/// Non-negative least squares on the normal equations: min c'Gc − 2b'c for c ≥ 0.
///
/// Active-set method of C. Lawson and R. Hanson, Solving Least Squares Problems (1974), chapter
/// 23, in the normal-equation form of R. Bro and S. De Jong, J. Chemom. 11 (1997) 393.
pub fn non_negative(gram: &Array2<f64>, right: &Array1<f64>) -> Vec<f64> {
    let n = right.len();
    let mut c = vec![0.0; n];
    let mut passive = vec![false; n];
    let scale = (0..n).map(|k| right[k].abs()).fold(f64::MIN_POSITIVE, f64::max);
    for _ in 0..3 * n + 10 {
        let gradient =
            |k: usize, c: &[f64]| right[k] - (0..n).map(|j| gram[(k, j)] * c[j]).sum::<f64>();
        let next = (0..n)
            .filter(|k| !passive[*k] && gram[(*k, *k)] > 0.0)
            .map(|k| (k, gradient(k, &c)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match next {
            Some((k, g)) if g > 1e-10 * scale => passive[k] = true,
            _ => break,
        }
        loop {
            let set: Vec<usize> = (0..n).filter(|k| passive[*k]).collect();
            let m = nalgebra::DMatrix::from_fn(set.len(), set.len(), |i, j| gram[(set[i], set[j])]);
            let b = nalgebra::DVector::from_fn(set.len(), |i, _| right[set[i]]);
            let Some(s) = m.lu().solve(&b) else {
                // Two templates that are the same: the newcomer goes.
                if let Some(k) = set.last() {
                    passive[*k] = false;
                }
                break;
            };
            if s.iter().all(|v| *v > 0.0) {
                for (i, k) in set.iter().enumerate() {
                    c[*k] = s[i];
                }
                break;
            }
            // Back along the line to the first that reaches zero.
            let alpha = set
                .iter()
                .enumerate()
                .filter(|(i, _)| s[*i] <= 0.0)
                .map(|(i, k)| c[*k] / (c[*k] - s[i]))
                .fold(1.0, f64::min);
            for (i, k) in set.iter().enumerate() {
                c[*k] += alpha * (s[i] - c[*k]);
                if c[*k] <= 1e-14 || (s[i] <= 0.0 && c[*k] < 1e-9) {
                    c[*k] = 0.0;
                    passive[*k] = false;
                }
            }
            if !passive.iter().any(|p| *p) {
                break;
            }
        }
    }
    c
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    /// Against scipy 1.17.1 `scipy.optimize.nnls` on the same A and b, which gives (0.86516854, 0,
    /// 0), and against the optimality conditions.
    #[test]
    fn non_negative_fit_meets_the_optimality_conditions() {
        let a = array![
            [1.0, 0.2, 0.0],
            [0.5, 1.0, 0.3],
            [0.0, 0.4, 1.0],
            [0.2, 0.1, 0.9],
            [0.7, 0.6, 0.1]
        ];
        let b = array![1.0, 0.2, -0.5, 0.1, 0.6];
        let gram = a.t().dot(&a);
        let right = a.t().dot(&b);
        let c = non_negative(&gram, &right);
        let g = &right - &gram.dot(&Array1::from(c.clone()));
        for k in 0..3 {
            assert!(c[k] >= 0.0);
            if c[k] > 0.0 {
                assert!(g[k].abs() < 1e-9, "{k} {g}");
            } else {
                assert!(g[k] <= 1e-9, "{k} {g}");
            }
        }
        // One passive column here: c0 = a0·b / a0·a0 = 1.54/1.78.
        assert!((c[0] - 1.54 / 1.78).abs() < 1e-12 && c[1] == 0.0 && c[2] == 0.0, "{c:?}");
    }
}
