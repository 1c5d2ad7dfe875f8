//! Local polynomials, robust scatter and lone points: what the band measurements stand on.

use nalgebra::{DMatrix, DVector};

/// Factor from the median absolute deviation to the standard deviation of a normal distribution.
const MAD_TO_SIGMA: f64 = 1.4826;

/// Median of the values (mean of the middle two); 0 for none.
pub(super) fn median(values: &[f64]) -> f64 {
    let mut v = values.to_vec();
    v.sort_by(f64::total_cmp);
    match v.len() {
        0 => 0.0,
        n if n % 2 == 1 => v[n / 2],
        n => 0.5 * (v[n / 2 - 1] + v[n / 2]),
    }
}

/// Standard deviation of the values about their median, from the median absolute deviation.
pub(super) fn robust_sigma(values: &[f64]) -> f64 {
    let m = median(values);
    MAD_TO_SIGMA * median(&values.iter().map(|v| (v - m).abs()).collect::<Vec<_>>())
}

/// What each inner point has over the straight line between its neighbours, divided so that
/// independent scatter of standard deviation s gives values of standard deviation s.
pub(super) fn bends(x: &[f64], y: &[f64]) -> Vec<f64> {
    (1..x.len().saturating_sub(1))
        .map(|i| {
            let w = (x[i] - x[i - 1]) / (x[i + 1] - x[i - 1]);
            let line = (1.0 - w) * y[i - 1] + w * y[i + 1];
            (y[i] - line) / (1.0 + w * w + (1.0 - w) * (1.0 - w)).sqrt()
        })
        .collect()
}

/// Most coefficients of a local polynomial: a cubic has four.
const MOST_COEFFICIENTS: usize = 4;

/// A polynomial fitted to a stretch of points, in powers of `(x − x0) / scale`.
#[derive(Debug, Clone)]
pub(super) struct LocalFit {
    x0: f64,
    scale: f64,
    /// Coefficients, constant first.
    c: DVector<f64>,
    /// Inverse of the normal matrix: covariance of the coefficients for points of unit scatter.
    inverse: DMatrix<f64>,
    /// Standard deviation of the points about the polynomial.
    pub(super) scatter: f64,
}

impl LocalFit {
    /// Least-squares polynomial of the degree through all the points, centred at `x0`; `None`
    /// where the points are fewer than coefficients or do not determine them.
    pub(super) fn new(x: &[f64], y: &[f64], x0: f64, degree: usize) -> Option<Self> {
        let (n, m) = (x.len(), degree + 1);
        if n < m || m > MOST_COEFFICIENTS {
            return None;
        }
        let scale = x.iter().map(|v| (v - x0).abs()).fold(0.0, f64::max);
        if !(scale > 0.0 && scale.is_finite()) {
            return None;
        }
        // Sums of powers instead of a design matrix: this runs once for every point of a curve.
        let (mut powers, mut moments) =
            ([0.0; 2 * MOST_COEFFICIENTS - 1], [0.0; MOST_COEFFICIENTS]);
        for (x, y) in x.iter().zip(y) {
            let t = (x - x0) / scale;
            let mut p = 1.0;
            for k in 0..2 * m - 1 {
                powers[k] += p;
                if k < m {
                    moments[k] += p * y;
                }
                p *= t;
            }
        }
        let inverse = DMatrix::from_fn(m, m, |i, k| powers[i + k]).try_inverse()?;
        let c = &inverse * DVector::from_column_slice(&moments[..m]);
        let mut fit = LocalFit { x0, scale, c, inverse, scatter: 0.0 };
        if n > m {
            let rss: f64 = x.iter().zip(y).map(|(x, y)| (y - fit.at(*x)).powi(2)).sum();
            fit.scatter = (rss / (n - m) as f64).sqrt();
        }
        fit.c.iter().all(|v| v.is_finite()).then_some(fit)
    }

    /// Value at `x`.
    pub(super) fn at(&self, x: f64) -> f64 {
        let t = (x - self.x0) / self.scale;
        self.c.iter().rev().fold(0.0, |sum, c| sum * t + c)
    }

    /// Value at `x0`.
    pub(super) fn value(&self) -> f64 {
        self.c[0]
    }

    /// Standard uncertainty of the value at `x0` for points of scatter `sigma`.
    pub(super) fn value_u(&self, sigma: f64) -> f64 {
        sigma * self.inverse[(0, 0)].max(0.0).sqrt()
    }

    /// Coefficient of `(x − x0)^k` with its standard uncertainty for points of scatter `sigma`.
    pub(super) fn coefficient(&self, k: usize, sigma: f64) -> (f64, f64) {
        let s = self.scale.powi(k as i32);
        (self.c[k] / s, sigma * self.inverse[(k, k)].max(0.0).sqrt() / s)
    }

    /// Place and standard uncertainty of the maximum next to `x0`, for points of scatter
    /// `sigma`; `None` where the polynomial has no maximum within the fitted stretch.
    pub(super) fn maximum(&self, sigma: f64) -> Option<(f64, f64)> {
        let (b, c) = (self.c[1], *self.c.get(2)?);
        let d = self.c.get(3).copied().unwrap_or(0.0);
        let t = if d == 0.0 {
            -b / (2.0 * c)
        } else {
            // Root of b + 2ct + 3dt² at which the curve bends down; this form stays exact
            // where d is small.
            let root = (c * c - 3.0 * b * d).sqrt();
            -b / (c - root)
        };
        let second = 2.0 * c + 6.0 * d * t;
        if !(t.is_finite() && t.abs() <= 1.0 && second < 0.0) {
            return None;
        }
        // The maximum moves by −(change of slope at t) / (second derivative).
        let g = DVector::from_fn(self.c.len(), |k, _| match k {
            0 => 0.0,
            _ => k as f64 * t.powi(k as i32 - 1),
        });
        let slope_u = sigma * g.dot(&(&self.inverse * &g)).max(0.0).sqrt();
        Some((self.x0 + t * self.scale, self.scale * slope_u / -second))
    }
}

/// Indices `from..to` of the points within `half_width` of point `i`, at least `least` on each
/// side where the recording has them.
pub(super) fn window(x: &[f64], i: usize, half_width: f64, least: usize) -> (usize, usize) {
    let from = x.partition_point(|v| *v < x[i] - half_width).min(i.saturating_sub(least));
    let to = x.partition_point(|v| *v <= x[i] + half_width).max((i + least + 1).min(x.len()));
    (from, to)
}

/// Longest run of lone points that is taken for hot pixels.
const LONGEST_LONE_RUN: usize = 2;
/// A lone run rises this many times further above its neighbours than they differ from theirs.
/// A line of 1.5 points FWHM reaches 2.5.
const LONE_STEEPNESS: f64 = 4.0;
/// A lone run rises by this many standard deviations of the local scatter.
const LONE_SIGMAS: f64 = 8.0;
/// A lone run rises by this share of the whole height; less cannot move a band.
const LONE_SHARE: f64 = 0.01;
/// Points on each side from which the local scatter is taken.
const LONE_NEIGHBOURHOOD: usize = 20;
/// Rounds after which the search ends: one hot pixel may hide a lesser one.
const LONE_ROUNDS: usize = 6;

/// Replaces points that stand alone, or in twos, above everything beside them (hot pixels,
/// particle hits) by the line between their neighbours; returns how many were replaced. Points that are
/// `spared` stay: an emission line of little more than a pixel looks the same.
pub(super) fn replace_lone_points(x: &[f64], y: &mut [f64], spared: impl Fn(f64) -> bool) -> usize {
    let mut replaced = vec![false; y.len()];
    for _ in 0..LONE_ROUNDS {
        let mut runs = lone_runs(x, y);
        runs.retain(|(from, to)| !x[*from..*to].iter().any(|x| spared(*x)));
        if runs.is_empty() {
            break;
        }
        for (from, to) in runs {
            let (a, b) = (from - 1, to);
            for i in from..to {
                let w = (x[i] - x[a]) / (x[b] - x[a]);
                y[i] = (1.0 - w) * y[a] + w * y[b];
                replaced[i] = true;
            }
        }
    }
    replaced.iter().filter(|r| **r).count()
}

/// Runs `from..to` of lone points, ascending, none touching another.
fn lone_runs(x: &[f64], y: &[f64]) -> Vec<(usize, usize)> {
    let n = y.len();
    let mut sorted = y.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (Some(low), Some(high)) = (sorted.get(n / 10), sorted.last()) else { return Vec::new() };
    let least = LONE_SHARE * (high - low);
    let bends = bends(x, y);
    let mut runs: Vec<(usize, usize)> = Vec::new();
    let mut i = 2;
    'points: while i + 2 < n {
        for length in 1..=LONGEST_LONE_RUN {
            let to = i + length;
            if to + 1 >= n {
                break;
            }
            let inside = y[i..to].iter().copied().fold(f64::INFINITY, f64::min);
            let rise = inside - y[i - 1].max(y[to]);
            let outside = (y[i - 1] - y[i - 2]).abs().max((y[to] - y[to + 1]).abs());
            if rise <= least || rise <= LONE_STEEPNESS * outside {
                continue;
            }
            let a = i.saturating_sub(LONE_NEIGHBOURHOOD);
            let b = (to + LONE_NEIGHBOURHOOD).min(bends.len());
            if rise > LONE_SIGMAS * robust_sigma(&bends[a.min(b)..b]) {
                runs.push((i, to));
                i = to + 1;
                continue 'points;
            }
        }
        i += 1;
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Weights that the local polynomial gives to the points of a symmetric unit grid.
    fn weights(points: usize, degree: usize, derivative: usize) -> Vec<f64> {
        let half = points as i32 / 2;
        let x: Vec<f64> = (-half..=half).map(f64::from).collect();
        let factorial: f64 = (1..=derivative).map(|k| k as f64).product();
        (0..points)
            .map(|i| {
                let y: Vec<f64> = (0..points).map(|k| f64::from(k == i)).collect();
                LocalFit::new(&x, &y, 0.0, degree).unwrap().coefficient(derivative, 1.0).0
                    * factorial
            })
            .collect()
    }

    /// Source: the smoothing and differentiating coefficients of A. Savitzky, M. J. E. Golay,
    /// Anal. Chem. 36, 1627-1639 (1964), with the corrections of J. Steinier, Y. Termonia,
    /// J. Deltour, Anal. Chem. 44, 1906-1909 (1972).
    #[test]
    fn on_an_even_grid_the_weights_are_the_published_ones() {
        // Points, degree, derivative, norm, integers, noise gain.
        type Published = (usize, usize, usize, f64, &'static [f64], f64);
        let published: [Published; 6] = [
            (5, 2, 0, 35.0, &[-3., 12., 17., 12., -3.], 0.696932),
            (7, 2, 0, 21.0, &[-2., 3., 6., 7., 6., 3., -2.], 0.577350),
            (11, 2, 0, 429.0, &[-36., 9., 44., 69., 84., 89., 84., 69., 44., 9., -36.], 0.455477),
            (5, 2, 1, 10.0, &[-2., -1., 0., 1., 2.], 0.316228),
            (7, 3, 1, 252.0, &[22., -67., -58., 0., 58., 67., -22.], 0.512412),
            (7, 2, 2, 42.0, &[5., 0., -3., -4., -3., 0., 5.], 0.218218),
        ];
        for (points, degree, derivative, norm, integers, gain) in published {
            let w = weights(points, degree, derivative);
            for (w, i) in w.iter().zip(integers) {
                assert_relative_eq!(*w, i / norm, epsilon = 1e-12);
            }
            let g = w.iter().map(|w| w * w).sum::<f64>().sqrt();
            assert_relative_eq!(g, gain, epsilon = 1e-6);
        }
    }

    #[test]
    fn the_stated_uncertainty_is_the_published_noise_gain() {
        let x: Vec<f64> = (-3..=3).map(f64::from).collect();
        let f = LocalFit::new(&x, &[0.0; 7], 0.0, 2).unwrap();
        assert_relative_eq!(f.value_u(2.0), 2.0 * 0.577350, epsilon = 1e-5);
        assert_relative_eq!(f.coefficient(1, 1.0).1, 0.188982, epsilon = 1e-6);
    }

    #[test]
    fn the_maximum_of_a_cubic_is_found_where_it_bends_down() {
        // y = −(x − 1)² + 0.1 (x − 1)³ has its maximum at 1 and its minimum at 1 + 20/3.
        let x: Vec<f64> = (0..21).map(|i| -2.0 + 0.3 * f64::from(i)).collect();
        let y: Vec<f64> =
            x.iter().map(|x| -(x - 1.0f64).powi(2) + 0.1 * (x - 1.0).powi(3)).collect();
        let (place, _) = LocalFit::new(&x, &y, 0.5, 3).unwrap().maximum(0.1).unwrap();
        assert_relative_eq!(place, 1.0, epsilon = 1e-9);
        let upward: Vec<f64> = y.iter().map(|y| -y).collect();
        assert!(LocalFit::new(&x[..12], &upward[..12], 0.5, 2).unwrap().maximum(0.1).is_none());
    }

    #[test]
    fn lone_points_go_and_a_narrow_line_stays() {
        let x: Vec<f64> = (0..200).map(f64::from).collect();
        let line = |x: f64| 100.0 * (-4.0 * 2f64.ln() * ((x - 120.3) / 1.8).powi(2)).exp();
        let wiggle = |i: usize| ((i * 7919) % 13) as f64 * 0.01;
        let clean: Vec<f64> = x.iter().enumerate().map(|(i, x)| line(*x) + wiggle(i)).collect();
        let mut y = clean.clone();
        assert_eq!(replace_lone_points(&x, &mut y, |_| false), 0);
        assert_eq!(y, clean);
        (y[40], y[41], y[80]) = (300.0, 280.0, 50.0);
        assert_eq!(replace_lone_points(&x, &mut y, |_| false), 3);
        assert!(y[40] < 1.0 && y[41] < 1.0 && y[80] < 1.0);
        assert_eq!(y[120], clean[120]);
    }

    #[test]
    fn median_and_scatter() {
        assert_eq!(median(&[]), 0.0);
        assert_eq!(median(&[3.0, 1.0]), 2.0);
        assert_eq!(median(&[3.0, 1.0, 9.0]), 3.0);
        assert_eq!(robust_sigma(&[1.0, 2.0, 3.0, 4.0, 100.0]), MAD_TO_SIGMA);
    }
}
