//! A stretch of a recording as a low baseline, given columns, and as many lines and symmetric
//! humps as the information criterion asks for.

use super::mixture::non_negative;
use crate::signal::fit::pseudo_voigt;
use ndarray::{Array1, Array2};
use std::cell::OnceCell;

/// Bins within one line width.
const BINS_PER_FWHM: f64 = 3.0;
/// Most line widths that a stretch is resolved into; longer ones are smoothed to this.
const MOST_WIDTHS: f64 = 80.0;
/// Fewest independent places of a stretch that can decide between shapes.
const LEAST_PLACES: f64 = 12.0;
/// Share of the light above the lowest by which any model of a shape may be off: it keeps one
/// bright line from outvoting the rest (common practice, no published source).
const MODEL_SCATTER: f64 = 0.1;
/// The same as a share of the tallest light of the stretch: fainter structure (stray light, weak
/// bands and lines of whatever else glows) is not what is asked about.
const FAINT_SCATTER: f64 = 0.01;
/// Mean square residual below which a fit is no better than another: the scatter is known no
/// better than that.
const LEAST_MISFIT: f64 = 0.1;
/// Share of the bins below which light is taken for the lowest.
const LOWEST_SHARE: f64 = 0.05;
/// Terms of the baseline: level, slope, curvature.
const BASELINE_TERMS: usize = 3;
/// Most lines and humps of one stretch.
const MOST_LINES: usize = 14;
/// Fruitless lines after which no further one is tried.
const PATIENCE: usize = 2;
/// Widths of lines and humps in line widths, their places in one line width, and their free
/// parameters: place, height, and, but for lines of the instrument's width, the width.
const SHAPES: [(f64, f64, f64); 5] =
    [(0.75, 3.0, 2.0), (1.1, 3.0, 2.0), (2.0, 2.0, 3.0), (4.0, 1.0, 3.0), (8.0, 0.5, 3.0)];

/// The points of a recording that may be used, ascending.
pub struct Points {
    /// Axis values, nm.
    pub x: Vec<f64>,
    /// Counts.
    pub y: Vec<f64>,
    /// Variance of the counts.
    pub var: Vec<f64>,
    sum_y: Vec<f64>,
    sum_var: Vec<f64>,
}

impl Points {
    /// From places, counts and their standard uncertainties.
    pub fn new(x: Vec<f64>, y: Vec<f64>, sigma: &[f64]) -> Points {
        let var: Vec<f64> = sigma.iter().map(|s| s * s).collect();
        let running = |v: &[f64]| {
            let mut sum = vec![0.0];
            let mut s = 0.0;
            for a in v {
                s += a;
                sum.push(s);
            }
            sum
        };
        let (sum_y, sum_var) = (running(&y), running(&var));
        Points { x, y, var, sum_y, sum_var }
    }

    /// Mean counts from `a` to `b` nm and their variance; `None` without points there.
    pub fn mean(&self, a: f64, b: f64) -> Option<(f64, f64)> {
        let i = self.x.partition_point(|x| *x < a);
        let j = self.x.partition_point(|x| *x <= b);
        let n = j.saturating_sub(i) as f64;
        (n > 0.0).then(|| {
            ((self.sum_y[j] - self.sum_y[i]) / n, (self.sum_var[j] - self.sum_var[i]) / (n * n))
        })
    }
}

/// A stretch, binned, weighted, its baseline projected out.
pub struct Stretch {
    /// Bin centres, axis nm.
    pub x: Vec<f64>,
    /// Line width after binning, nm.
    pub fwhm: f64,
    /// Independent places: one a line width, since what a model gets wrong it gets wrong over a
    /// width.
    pub places: f64,
    weight: Vec<f64>,
    baseline: Vec<Vec<f64>>,
    y: Vec<f64>,
    dictionary: OnceCell<Vec<(Vec<f64>, f64)>>,
}

/// Outcome of one model.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Logarithm of the evidence, nats, up to a constant of the stretch.
    pub nats: f64,
    /// Heights of the given columns.
    pub height: Vec<f64>,
    /// Their standard uncertainties, with the misfit taken into account; for a column at zero, as
    /// if it were the only one.
    pub u: Vec<f64>,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

impl Stretch {
    /// The stretch from `from` to `to` nm; `None` where too little of it was recorded.
    pub fn new(points: &Points, from: f64, to: f64, fwhm: f64) -> Option<Stretch> {
        let i = points.x.partition_point(|x| *x < from);
        let j = points.x.partition_point(|x| *x <= to);
        if j < i + 8 {
            return None;
        }
        let (x, y, var) = (&points.x[i..j], &points.y[i..j], &points.var[i..j]);
        let span = x[x.len() - 1] - x[0];
        let coarse = fwhm.max(span / MOST_WIDTHS);
        // Half the base of a triangle that brings a line to the coarser width, at least a bin's.
        let step = coarse / BINS_PER_FWHM;
        let half = (coarse * coarse - fwhm * fwhm).sqrt().max(0.5 * step);
        let bins = (span / step).ceil() as usize;
        let (mut bx, mut by, mut bv) = (Vec::new(), Vec::new(), Vec::new());
        let mut start = 0;
        for k in 0..=bins {
            let at = x[0] + k as f64 * step;
            while start < x.len() && x[start] < at - half {
                start += 1;
            }
            let (mut s, mut sx, mut sy, mut sv) = (0.0, 0.0, 0.0, 0.0);
            for m in start..x.len() {
                let d = (x[m] - at).abs();
                if x[m] >= at + half {
                    break;
                }
                let w = if half > 0.5 * step { (1.0 - d / half).max(1e-9) } else { 1.0 };
                s += w;
                sx += w * x[m];
                sy += w * y[m];
                sv += w * w * var[m];
            }
            if s > 0.0 {
                bx.push(sx / s);
                by.push(sy / s);
                bv.push(sv / (s * s));
            }
        }
        let places = (bx.len() as f64 * step / coarse).min(bx.len() as f64);
        if places < LEAST_PLACES {
            return None;
        }
        let mut sorted = by.clone();
        sorted.sort_by(f64::total_cmp);
        let low = sorted[(sorted.len() as f64 * LOWEST_SHARE) as usize];
        let faint = FAINT_SCATTER * (sorted[sorted.len() - 1] - low);
        let weight: Vec<f64> = by
            .iter()
            .zip(&bv)
            .map(|(y, v)| {
                1.0 / (v + (MODEL_SCATTER * (y - low).max(0.0)).powi(2) + faint * faint).sqrt()
            })
            .map(|w| if w.is_finite() { w } else { 0.0 })
            .collect();
        let mid = 0.5 * (bx[0] + bx[bx.len() - 1]);
        let mut baseline: Vec<Vec<f64>> = Vec::new();
        for term in 0..BASELINE_TERMS {
            let mut v: Vec<f64> = bx
                .iter()
                .zip(&weight)
                .map(|(x, w)| w * (2.0 * (x - mid) / span).powi(term as i32))
                .collect();
            for q in &baseline {
                let c = dot(q, &v);
                v.iter_mut().zip(q).for_each(|(v, q)| *v -= c * q);
            }
            let norm = dot(&v, &v).sqrt();
            if norm > 0.0 {
                v.iter_mut().for_each(|v| *v /= norm);
                baseline.push(v);
            }
        }
        let mut s = Stretch {
            x: bx,
            fwhm: coarse,
            places,
            weight,
            baseline,
            y: Vec::new(),
            dictionary: OnceCell::new(),
        };
        let raw: Vec<f64> = by.iter().zip(&s.weight).map(|(y, w)| y * w).collect();
        s.y = s.beside_baseline(raw);
        Some(s)
    }

    fn beside_baseline(&self, mut v: Vec<f64>) -> Vec<f64> {
        for q in &self.baseline {
            let c = dot(q, &v);
            v.iter_mut().zip(q).for_each(|(v, q)| *v -= c * q);
        }
        v
    }

    /// A shape over the axis as a column for [`Stretch::explain`].
    pub fn column(&self, shape: impl Fn(f64) -> f64) -> Vec<f64> {
        self.beside_baseline(self.x.iter().zip(&self.weight).map(|(x, w)| w * shape(*x)).collect())
    }

    fn dictionary(&self) -> &[(Vec<f64>, f64)] {
        self.dictionary.get_or_init(|| {
            let (a, b) = (self.x[0], self.x[self.x.len() - 1]);
            let mut out = Vec::new();
            for (width, density, cost) in SHAPES {
                let w = width * self.fwhm;
                let n = ((b - a) / self.fwhm * density).ceil() as usize;
                for k in 0..=n {
                    let at = a + k as f64 * self.fwhm / density;
                    let column = self.column(|x| pseudo_voigt(x - at, w, 0.0).0);
                    let norm = dot(&column, &column).sqrt();
                    if norm > 0.0 {
                        out.push((column.iter().map(|v| v / norm).collect(), cost));
                    }
                }
            }
            out
        })
    }

    /// Fits the columns with heights of zero or more, and with `lines` as many lines and humps
    /// beside them as pay for their parameters.
    pub fn explain(&self, columns: &[Vec<f64>], lines: bool) -> Fit {
        let mut used: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        let m = used.len();
        let mut gram: Vec<Vec<f64>> =
            used.iter().map(|a| used.iter().map(|b| dot(a, b)).collect()).collect();
        let mut right: Vec<f64> = used.iter().map(|a| dot(a, &self.y)).collect();
        let mut costs = vec![1.0; m];
        let solve = |gram: &[Vec<f64>], right: &[f64]| -> Vec<f64> {
            let n = right.len();
            non_negative(
                &Array2::from_shape_fn((n, n), |(i, j)| gram[i][j]),
                &Array1::from(right.to_vec()),
            )
        };
        let residual = |used: &[&[f64]], c: &[f64]| -> Vec<f64> {
            let mut r = self.y.clone();
            for (u, c) in used.iter().zip(c).filter(|(_, c)| **c > 0.0) {
                r.iter_mut().zip(*u).for_each(|(r, u)| *r -= c * u);
            }
            r
        };
        let n = self.x.len() as f64;
        let nats = |rss: f64, c: &[f64], costs: &[f64]| -> f64 {
            let k: f64 = BASELINE_TERMS as f64
                + c.iter().zip(costs).filter(|(c, _)| **c > 0.0).map(|(_, k)| k).sum::<f64>();
            -0.5 * self.places * (rss / n + LEAST_MISFIT).ln() - 0.5 * k * self.places.ln()
        };
        let mut c = solve(&gram, &right);
        let mut r = residual(&used, &c);
        let mut rss = dot(&r, &r);
        let mut best = (nats(rss, &c, &costs), c.clone(), rss, used.len());
        if lines {
            let mut fruitless = 0;
            for _ in 0..MOST_LINES.min((0.3 * self.places) as usize) {
                let next = self
                    .dictionary()
                    .iter()
                    .map(|(d, cost)| (d, *cost, dot(d, &r)))
                    .filter(|(_, _, g)| *g > 0.0)
                    .max_by(|a, b| a.2.total_cmp(&b.2));
                let Some((d, cost, _)) = next else { break };
                for (row, u) in gram.iter_mut().zip(&used) {
                    row.push(dot(u, d));
                }
                used.push(d);
                gram.push(used.iter().map(|u| dot(u, d)).collect());
                right.push(dot(d, &self.y));
                costs.push(cost);
                c = solve(&gram, &right);
                r = residual(&used, &c);
                rss = dot(&r, &r);
                let now = nats(rss, &c, &costs);
                if now > best.0 {
                    best = (now, c.clone(), rss, used.len());
                    fruitless = 0;
                } else {
                    fruitless += 1;
                    if fruitless > PATIENCE {
                        break;
                    }
                }
            }
        }
        let (nats, c, rss, size) = best;
        // Misfit and the bins of one width, which are not independent, widen the uncertainty.
        let widen = (rss / n).max(LEAST_MISFIT) * n / self.places;
        let active: Vec<usize> = (0..size).filter(|k| c[*k] > 0.0).collect();
        let inverse = nalgebra::DMatrix::from_fn(active.len(), active.len(), |i, j| {
            gram[active[i]][active[j]]
        })
        .try_inverse();
        let u = (0..m)
            .map(|k| {
                let free = 1.0 / gram[k][k].max(f64::MIN_POSITIVE);
                let var = match (active.iter().position(|a| *a == k), &inverse) {
                    (Some(i), Some(m)) => m[(i, i)].max(free),
                    _ => free,
                };
                (var * widen).sqrt()
            })
            .collect();
        Fit { nats, height: c[..m].to_vec(), u }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(f: impl Fn(f64) -> f64) -> Points {
        let x: Vec<f64> = (0..600).map(|i| 330.0 + 0.04 * f64::from(i)).collect();
        let y: Vec<f64> = x.iter().map(|x| f(*x)).collect();
        let sigma = vec![2.0; x.len()];
        Points::new(x, y, &sigma)
    }

    #[test]
    fn lines_on_a_slope_come_out_as_lines() {
        let p = points(|x| {
            100.0
                + 2.0 * (x - 330.0)
                + 500.0 * pseudo_voigt(x - 335.0, 0.5, 0.0).0
                + 300.0 * pseudo_voigt(x - 347.3, 0.5, 0.0).0
        });
        let s = Stretch::new(&p, 330.0, 354.0, 0.5).unwrap();
        let none = s.explain(&[], false).nats;
        let lines = s.explain(&[], true).nats;
        let right = s.column(|x| pseudo_voigt(x - 335.0, 0.5, 0.0).0);
        let with = s.explain(&[right], true);
        assert!(lines > none + 20.0, "{lines} {none}");
        assert!((with.height[0] - 500.0).abs() < 4.0 * with.u[0].max(10.0), "{with:?}");
    }

    #[test]
    fn a_short_stretch_is_refused() {
        let p = points(|_| 1.0);
        assert!(Stretch::new(&p, 330.0, 331.0, 0.5).is_none());
        assert!(Stretch::new(&p, 400.0, 420.0, 0.5).is_none());
    }
}
