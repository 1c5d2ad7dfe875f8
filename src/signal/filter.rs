//! Matched filtering: how well the shape of a line fits at each point, against the noise.

use rustfft::{FftPlanner, num_complex::Complex};

/// Half width of the filter in FWHM: beyond it a Gaussian line has fallen below 0.2 %.
const HALF_WIDTH_FWHM: f64 = 1.5;

/// Longest kernel that is summed directly: up to there that costs less than planning and running
/// the transforms (`cargo bench`, `peaks`).
const DIRECT_POINTS: usize = 96;

/// A Gaussian kernel of unit height and the given FWHM in points.
fn kernel(fwhm_points: f64) -> Vec<f64> {
    let half = (HALF_WIDTH_FWHM * fwhm_points).ceil().max(1.0) as i64;
    let c = 4.0 * std::f64::consts::LN_2 / fwhm_points.powi(2);
    (-half..=half).map(|i| (-c * (i * i) as f64).exp()).collect()
}

/// Convolution of a series with a symmetric kernel of odd length, nothing beyond the ends.
fn convolve(planner: &mut FftPlanner<f64>, y: &[f64], k: &[f64]) -> Vec<f64> {
    if k.len() <= DIRECT_POINTS { directly(y, k) } else { by_transform(planner, y, k) }
}

/// The obvious sum, one kernel value after the other over the whole series.
fn directly(y: &[f64], k: &[f64]) -> Vec<f64> {
    let half = k.len() / 2;
    let mut out = vec![0.0; y.len()];
    for (j, v) in k.iter().enumerate() {
        let (from, to) = (j.saturating_sub(half), half.saturating_sub(j));
        if from < y.len() && to < y.len() {
            out[to..].iter_mut().zip(&y[from..]).for_each(|(o, y)| *o += v * y);
        }
    }
    out
}

/// The same by complex FFT.
fn by_transform(planner: &mut FftPlanner<f64>, y: &[f64], k: &[f64]) -> Vec<f64> {
    let n = (y.len() + k.len()).next_power_of_two();
    let forward = planner.plan_fft_forward(n);
    let inverse = planner.plan_fft_inverse(n);
    // Two real series in one complex transform: y in the real part, k in the imaginary part.
    let half = k.len() / 2;
    let mut z = vec![Complex::new(0.0, 0.0); n];
    for (z, v) in z.iter_mut().zip(y) {
        z.re = *v;
    }
    for (j, v) in k.iter().enumerate() {
        z[(j + n - half) % n].im = *v;
    }
    forward.process(&mut z);
    let mut product = vec![Complex::new(0.0, 0.0); n];
    for i in 0..n {
        let (a, b) = (z[i], z[(n - i) % n].conj());
        let (fy, fk) = ((a + b) * 0.5, (a - b) * Complex::new(0.0, -0.5));
        product[i] = fy * fk;
    }
    inverse.process(&mut product);
    product[..y.len()].iter().map(|c| c.re / n as f64).collect()
}

/// Output of the matched filter.
#[derive(Debug, Clone, PartialEq)]
pub struct Filtered {
    /// Least-squares height of a line at each point, unit of the counts.
    pub height: Vec<f64>,
    /// Its standard uncertainty, unit of the counts.
    pub sigma: Vec<f64>,
}

impl Filtered {
    /// Height over its uncertainty at point `i`.
    pub fn significance(&self, i: usize) -> f64 {
        self.height[i] / self.sigma[i]
    }
}

/// Filters residuals above the baseline with the shape of a line of the given FWHM (points).
///
/// For white noise this is the most sensitive linear detector of a known shape (D. O. North, Proc.
/// IEEE 51 (1963) 1016). `r` and `sigma` in counts.
pub fn matched(r: &[f64], sigma: &[f64], fwhm_points: f64) -> Filtered {
    let k = kernel(fwhm_points);
    let norm = k.iter().map(|v| v * v).sum::<f64>();
    let k2: Vec<f64> = k.iter().map(|v| v * v).collect();
    // Plans nothing before it has to; what the heights need serves the variances as well.
    let mut planner = FftPlanner::new();
    let height = convolve(&mut planner, r, &k).into_iter().map(|v| v / norm).collect();
    // Variances span many decades, where a transform leaves rounding noise of its own: work on
    // the ratio to the largest and keep a floor from the smallest.
    let (lo, hi) = sigma.iter().fold((f64::INFINITY, 0.0f64), |(a, b), s| (a.min(*s), b.max(*s)));
    let v2: Vec<f64> = sigma.iter().map(|s| (s / hi).powi(2)).collect();
    let floor = (lo / hi).powi(2) * norm / 2.0;
    let spread = convolve(&mut planner, &v2, &k2);
    let sigma = spread.into_iter().map(|v| hi * v.max(floor).sqrt() / norm).collect();
    Filtered { height, sigma }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Term by term as the definition has it.
    fn by_definition(y: &[f64], k: &[f64]) -> Vec<f64> {
        let h = (k.len() / 2) as i64;
        (0..y.len() as i64)
            .map(|i| {
                (0..k.len() as i64)
                    .filter_map(|j| {
                        y.get(usize::try_from(i + j - h).ok()?).map(|v| v * k[j as usize])
                    })
                    .sum()
            })
            .collect()
    }

    #[test]
    fn both_ways_of_convolution_agree_with_the_definition() {
        // Also series that are shorter than the kernel.
        for (points, fwhm) in [(777, 6.3), (777, 60.0), (16, 1.2), (16, 9.0), (1, 4.0)] {
            let y: Vec<f64> = (0..points).map(|i| ((i * i) % 101) as f64).collect();
            let k = kernel(fwhm);
            let wanted = by_definition(&y, &k);
            let transformed = by_transform(&mut FftPlanner::new(), &y, &k);
            for got in [directly(&y, &k), transformed] {
                assert_eq!(got.len(), wanted.len());
                for (a, b) in got.iter().zip(&wanted) {
                    assert!((a - b).abs() < 1e-9 * 101.0 * k.len() as f64, "{a} {b}");
                }
            }
        }
    }

    #[test]
    fn the_height_of_a_line_comes_out() {
        let y: Vec<f64> = (0..400)
            .map(|i| {
                50.0 * (-4.0 * std::f64::consts::LN_2 * ((i as f64 - 200.0) / 5.0).powi(2)).exp()
            })
            .collect();
        let f = matched(&y, &[1.0; 400], 5.0);
        assert!((f.height[200] - 50.0).abs() < 1.5, "{}", f.height[200]);
    }
}
