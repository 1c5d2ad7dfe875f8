//! The light under the lines.

use super::noise::interpolate;

/// Points of a block in which the remaining offset between baseline and line-free points is
/// measured.
const BLOCK_POINTS: usize = 96;

/// Baseline of a recording: clipping of peaks by the mean of two points left and right, at
/// distances from `half_window` down to 1 (order-2 clipping with decreasing window; C. G. Ryan et
/// al., Nucl. Instrum. Methods B 34 (1988) 396; M. Morháč et al., Nucl. Instrum. Methods A 401
/// (1997) 113), on data smoothed by three points, then raised by the mean of what remains where
/// there are no lines, since clipping follows the lower side of the noise.
///
/// `y` in counts, `sigma` its standard uncertainty; returns the baseline in counts, one a point.
pub fn clip(y: &[f64], sigma: &[f64], half_window: usize) -> Vec<f64> {
    let n = y.len();
    if n < 3 {
        return y.to_vec();
    }
    let mut b: Vec<f64> = (0..n)
        .map(|i| {
            let (a, c) = (y[i.saturating_sub(1)], y[(i + 1).min(n - 1)]);
            (a + y[i] + c) / 3.0
        })
        .collect();
    let mut next = b.clone();
    for p in (1..=half_window.max(1).min((n - 1) / 2)).rev() {
        let (left, right) = (&b[..n - 2 * p], &b[2 * p..]);
        let beside = left.iter().zip(right);
        for ((to, from), (l, r)) in next[p..n - p].iter_mut().zip(&b[p..n - p]).zip(beside) {
            *to = from.min(0.5 * (l + r));
        }
        // The ends, where no window fits, are the same in both; the rest is written anew.
        std::mem::swap(&mut b, &mut next);
    }
    // What is left where no line stands: block means of residuals below three sigma above the
    // block's lower half.
    let blocks = n.div_ceil(BLOCK_POINTS).max(1);
    let (mut at, mut offset) = (Vec::with_capacity(blocks), Vec::with_capacity(blocks));
    let mut r = Vec::with_capacity(BLOCK_POINTS);
    for k in 0..blocks {
        let (lo, hi) = (k * n / blocks, (k + 1) * n / blocks);
        r.clear();
        r.extend((lo..hi).map(|i| (y[i] - b[i]) / sigma[i]).filter(|r| *r < 5.0));
        if r.is_empty() {
            continue;
        }
        let m = r.len() / 2;
        let (_, med, _) = r.select_nth_unstable_by(m, f64::total_cmp);
        at.push(0.5 * (lo + hi) as f64);
        offset.push(med.max(0.0));
    }
    for (i, v) in b.iter_mut().enumerate() {
        *v += sigma[i] * interpolate(&at, &offset, i as f64);
    }
    b
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_without_lines_is_its_own_baseline() {
        let y: Vec<f64> = (0..300).map(|i| 10.0 + 0.5 * i as f64).collect();
        let b = clip(&y, &[0.1; 300], 12);
        for (a, b) in y.iter().zip(&b).skip(1).take(298) {
            assert!((a - b).abs() < 0.2, "{a} {b}");
        }
    }

    #[test]
    fn a_line_is_left_alone() {
        let y: Vec<f64> = (0..300)
            .map(|i| 100.0 + 1000.0 * (-0.5 * ((i as f64 - 150.0) / 3.0).powi(2)).exp())
            .collect();
        let b = clip(&y, &[1.0; 300], 18);
        assert!((b[150] - 100.0).abs() < 5.0, "{}", b[150]);
    }
}
