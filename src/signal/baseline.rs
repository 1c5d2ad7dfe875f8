//! The light under the lines.

use super::noise::interpolate;

/// Points of a block in which the remaining offset between baseline and line-free points is
/// measured.
const BLOCK_POINTS: usize = 96;
/// Fewest line-free points of a block from which its offset is read: the median of as many is good to a
/// quarter of the noise. Blocks with fewer go with what lies beside them.
const MIN_FREE_POINTS: usize = 24;
/// A point is free of lines where the mean over a line width around it stands less than this above
/// the block's middle, in its own standard deviations.
const FREE_SIGMA: f64 = 2.5;
/// Line widths to either side of a line that are not taken for free of it: a Gaussian is below
/// 0.2 % of its height there.
const FOOT_FWHM: f64 = 1.5;
/// How often middle and free points are found from each other; they settle in two rounds.
const ROUNDS: usize = 3;

/// Baseline of a recording: clipping of peaks by the mean of two points left and right, at
/// distances from `half_window` down to 1 (order-2 clipping with decreasing window; C. G. Ryan et
/// al., Nucl. Instrum. Methods B 34 (1988) 396; M. Morháč et al., Nucl. Instrum. Methods A 401
/// (1997) 113), on data smoothed by three points. Clipping follows the lower side of the noise, and less
/// closely so under a weak line, which it would swallow in part: its result is averaged over
/// `half_window` points, and raised by the median of what remains where there are no lines.
///
/// `y` in counts, `sigma` its standard uncertainty, `width` the FWHM of a line in points; returns the
/// baseline in counts, one a point.
pub fn clip(y: &[f64], sigma: &[f64], width: f64, half_window: usize) -> Vec<f64> {
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
    let mut b = running_mean(&b, half_window / 2);
    raise(&mut b, y, sigma, width);
    b
}

/// Mean over `half` points to either side, fewer near the ends (as many on either side, so that a slope
/// keeps its level).
fn running_mean(v: &[f64], half: usize) -> Vec<f64> {
    let n = v.len();
    let mut sums = Vec::with_capacity(n + 1);
    sums.push(0.0);
    // Around the first value, so that a high level costs no digits.
    v.iter().for_each(|x| sums.push(sums[sums.len() - 1] + (x - v[0])));
    (0..n)
        .map(|i| {
            let h = half.min(i).min(n - 1 - i);
            v[0] + (sums[i + h + 1] - sums[i - h]) / (2 * h + 1) as f64
        })
        .collect()
}

/// Raises the baseline by what is left where no line stands.
fn raise(b: &mut [f64], y: &[f64], sigma: &[f64], width: f64) {
    let n = y.len();
    let r: Vec<f64> = (0..n).map(|i| (y[i] - b[i]) / sigma[i]).collect();
    let half = (0.5 * width).round() as usize;
    let mean = running_mean(&r, half);
    let most = FREE_SIGMA / ((2 * half + 1) as f64).sqrt();
    let foot = (FOOT_FWHM * width).ceil() as usize;
    let blocks = n.div_ceil(BLOCK_POINTS).max(1);
    let ends = |k: usize| (k * n / blocks, (k + 1) * n / blocks);
    let mut offset = vec![0.0; blocks];
    let mut free = vec![true; n];
    let mut sample = Vec::with_capacity(3 * BLOCK_POINTS);
    for round in 0..=ROUNDS {
        for (k, o) in offset.iter_mut().enumerate() {
            // As far to both sides as it takes.
            for reach in 0..=blocks {
                let (lo, hi) =
                    (ends(k.saturating_sub(reach)).0, ends((k + reach).min(blocks - 1)).1);
                sample.clear();
                sample.extend((lo..hi).filter(|i| free[*i]).map(|i| r[i]));
                if sample.len() >= MIN_FREE_POINTS || hi - lo == n {
                    break;
                }
            }
            if sample.is_empty() {
                continue;
            }
            let m = sample.len() / 2;
            let (_, median, _) = sample.select_nth_unstable_by(m, f64::total_cmp);
            *o = median.max(0.0);
        }
        if round == ROUNDS {
            break;
        }
        free.fill(true);
        for k in 0..blocks {
            let (lo, hi) = ends(k);
            for i in (lo..hi).filter(|i| mean[*i] > offset[k] + most) {
                free[i.saturating_sub(foot)..(i + foot + 1).min(n)].fill(false);
            }
        }
    }
    let at: Vec<f64> = (0..blocks).map(|k| 0.5 * (ends(k).0 + ends(k).1) as f64).collect();
    for (i, v) in b.iter_mut().enumerate() {
        *v += sigma[i] * interpolate(&at, &offset, i as f64);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_without_lines_is_its_own_baseline() {
        let y: Vec<f64> = (0..300).map(|i| 10.0 + 0.5 * i as f64).collect();
        let b = clip(&y, &[0.1; 300], 5.0, 12);
        for (a, b) in y.iter().zip(&b).skip(1).take(298) {
            assert!((a - b).abs() < 0.2, "{a} {b}");
        }
    }

    #[test]
    fn a_line_is_left_alone() {
        let y: Vec<f64> = (0..300)
            .map(|i| 100.0 + 1000.0 * (-0.5 * ((i as f64 - 150.0) / 3.0).powi(2)).exp())
            .collect();
        let b = clip(&y, &[1.0; 300], 7.0, 18);
        assert!((b[150] - 100.0).abs() < 5.0, "{}", b[150]);
    }
}
