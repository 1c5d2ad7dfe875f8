//! How uncertain each point is, and where the recording was at its end.

use crate::{Mask, Spectrum};

/// Points with which a local noise figure is made; enough for 15 % accuracy of a quantile,
/// short enough to follow a detector whose noise changes along the axis.
const WINDOW_POINTS: usize = 128;
/// Share of a window's points below which the rest give no figure, where other windows do: beside clipped
/// lines there are hardly any but flanks.
const MIN_SHARE: f64 = 0.75;
/// Quantile of the absolute second differences that is taken: low, since lines occupy the upper
/// part of the distribution (up to 70 % of a window may be lines).
const QUANTILE: f64 = 0.30;
/// The same quantile of |N(0, 1)|: Φ⁻¹(0.65).
const QUANTILE_OF_NORMAL: f64 = 0.385_320_466;
/// Floor of a point's uncertainty as a share of the range of the readings: the step of a 16-bit
/// converter, 1/65536 (common practice, no published source). It stands in where a file was
/// smoothed or flattened until no scatter is left.
pub const RELATIVE_FLOOR: f64 = 1.0 / 65_536.0;
/// Lags at which second differences are taken, points. A recording that was smoothed or resampled
/// has less scatter between neighbours than at a distance; the largest figure counts.
const LAGS: [usize; 3] = [1, 2, 3];
/// Ratio of scatter at a distance to scatter between neighbours from which the points count as
/// smoothed: a window's figure is good to 15 %, so 1.3 is two standard deviations.
const CORRELATED: f64 = 1.3;

/// Robust standard deviation of the scatter from a sample of second differences at one lag.
///
/// A second difference y(i) − (y(i−k) + y(i+k))/2 of white noise has the variance 1.5 σ².
fn sigma_of_differences(sample: &mut [f64]) -> f64 {
    if sample.is_empty() {
        return 0.0;
    }
    let k = ((sample.len() - 1) as f64 * QUANTILE) as usize;
    let (_, q, _) = sample.select_nth_unstable_by(k, f64::total_cmp);
    *q / (QUANTILE_OF_NORMAL * 1.5f64.sqrt())
}

/// Noise of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Noise {
    /// Standard uncertainty of each point without the light of lines, unit of the counts.
    pub sigma: Vec<f64>,
    /// Variance added per count above the baseline (inverse gain, counts); 0 where the recording
    /// does not show it.
    pub counts_per_electron: f64,
    /// True where hardly any scatter was found and the floor stands in.
    pub floored: bool,
}

/// Noise of a recording from its own scatter; `good` tells which points hold a reading that is not at
/// the end of the converter's range.
///
/// Local robust figure from second differences at lags 1 to 3, then a line of
/// variance against level over the windows for the photon noise.
pub fn estimate(y: &[f64], good: &[bool], measured: Option<&[f64]>) -> Noise {
    let n = y.len();
    let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
    for (v, g) in y.iter().zip(good) {
        if *g {
            lo = lo.min(*v);
            hi = hi.max(*v);
        }
    }
    let floor = ((hi - lo) * RELATIVE_FLOOR).max(f64::MIN_POSITIVE);
    if let Some(m) = measured {
        return Noise {
            sigma: m.iter().map(|s| s.max(floor)).collect(),
            counts_per_electron: 0.0,
            floored: false,
        };
    }
    let windows = n.div_ceil(WINDOW_POINTS).max(1);
    let mut centre = Vec::with_capacity(windows);
    let mut lags = Vec::with_capacity(windows);
    let mut level = Vec::with_capacity(windows);
    let mut whole = Vec::with_capacity(windows);
    let mut sample = Vec::with_capacity(WINDOW_POINTS);
    for w in 0..windows {
        let (a, b) = (w * n / windows, (w + 1) * n / windows);
        let (mut at_lag, mut few) = ([0.0; LAGS.len()], false);
        for (s, lag) in at_lag.iter_mut().zip(LAGS) {
            sample.clear();
            for i in a.max(lag)..b.min(n.saturating_sub(lag)) {
                if good[i - lag] && good[i] && good[i + lag] {
                    sample.push((y[i] - 0.5 * (y[i - lag] + y[i + lag])).abs());
                }
            }
            few |= (sample.len() as f64) < MIN_SHARE * (b - a) as f64;
            *s = sigma_of_differences(&mut sample);
        }
        sample.clear();
        sample.extend((a..b).filter(|i| good[*i]).map(|i| y[i]));
        if sample.is_empty() {
            continue;
        }
        let k = (sample.len() - 1) / 4;
        let (_, q, _) = sample.select_nth_unstable_by(k, f64::total_cmp);
        centre.push(0.5 * (a + b) as f64);
        lags.push(at_lag);
        level.push(*q);
        whole.push(!few);
    }
    if whole.contains(&true) {
        keep(&mut centre, &whole);
        keep(&mut lags, &whole);
        keep(&mut level, &whole);
    }
    // Smoothing shows in all windows, lines only in theirs: the middle window decides.
    let mut ratios: Vec<f64> = lags.iter().map(|l| largest(l) / l[0].max(floor)).collect();
    ratios.sort_by(f64::total_cmp);
    let smoothed = ratios.get(ratios.len() / 2).is_some_and(|r| *r > CORRELATED);
    let mut local: Vec<f64> =
        lags.iter().map(|l| if smoothed { largest(l) } else { l[0] }).collect();
    cap_by_quiet_windows(&level, &mut local);
    let floored = local.iter().all(|s| *s <= floor);
    let sigma = (0..n).map(|i| interpolate(&centre, &local, i as f64).max(floor)).collect();
    Noise { sigma, counts_per_electron: photon_slope(&level, &local, floor), floored }
}

/// Leaves out what is not to be kept.
fn keep<T>(of: &mut Vec<T>, which: &[bool]) {
    let mut k = which.iter();
    of.retain(|_| k.next().is_none_or(|w| *w));
}

/// Windows that are taken for the quiet ones: the lowest quarter of the figures.
const QUIET_SHARE: usize = 4;
/// How far a window may stand above what the quiet windows and the photons of its own level
/// account for: the detector's noise itself changes by less along the axis.
const MOST_ABOVE_QUIET: f64 = 2.0;

fn largest(at_lag: &[f64; LAGS.len()]) -> f64 {
    at_lag.iter().copied().fold(0.0, f64::max)
}

/// Takes the light of crowded lines out of the figures. Where hardly a point is free of lines, no
/// quantile of a window's differences is noise; the quiet windows and the least variance per count
/// that any brighter window shows bound it from above.
fn cap_by_quiet_windows(level: &[f64], local: &mut [f64]) {
    let mut order: Vec<usize> = (0..local.len()).collect();
    order.sort_by(|a, b| local[*a].total_cmp(&local[*b]));
    let Some(quiet) = order.get(order.len() / QUIET_SHARE).copied() else { return };
    let (sigma, base) = (local[quiet], level[quiet]);
    let brighter = (0..local.len()).filter(|i| level[*i] - base > 20.0 * sigma);
    let slope = brighter
        .map(|i| (local[i].powi(2) - sigma.powi(2)) / (level[i] - base))
        .fold(f64::INFINITY, f64::min);
    let slope = if slope.is_finite() { slope.max(0.0) } else { 0.0 };
    for (s, l) in local.iter_mut().zip(level) {
        let photons = slope * (l - base).max(0.0);
        *s = s.min(MOST_ABOVE_QUIET * (sigma.powi(2) + photons).sqrt());
    }
}

/// Slope of variance against level over the windows (counts), by the median of pairwise slopes
/// (Theil, Proc. K. Ned. Akad. Wet. 53 (1950) 386); 0 where the levels hardly differ.
fn photon_slope(level: &[f64], local: &[f64], floor: f64) -> f64 {
    let mut slopes = Vec::new();
    for i in 0..level.len() {
        for j in 0..i {
            let d = level[i] - level[j];
            if d.abs() > 20.0 * local[i].max(local[j]).max(floor) {
                slopes.push((local[i].powi(2) - local[j].powi(2)) / d);
            }
        }
    }
    if slopes.len() < 10 {
        return 0.0;
    }
    let m = slopes.len() / 2;
    let (_, s, _) = slopes.select_nth_unstable_by(m, f64::total_cmp);
    s.max(0.0)
}

/// Linear interpolation in ascending nodes, constant beyond the ends; 0 without nodes.
pub(super) fn interpolate(nodes: &[f64], values: &[f64], x: f64) -> f64 {
    match nodes.len() {
        0 => 0.0,
        n if x <= nodes[0] || n == 1 => values[0],
        n if x >= nodes[n - 1] => values[n - 1],
        _ => {
            let k = nodes.partition_point(|v| *v <= x) - 1;
            let t = (x - nodes[k]) / (nodes[k + 1] - nodes[k]);
            values[k] + t * (values[k + 1] - values[k])
        }
    }
}

/// Least number of points at one and the same highest reading that count as a flat top: three
/// equal neighbours on a line cannot be chance, its curvature forbids it.
const FLAT_TOP_POINTS: usize = 3;
/// Readings within this share of the range below the highest count as "the same" (converter
/// noise at full scale; a line 20 points wide drops by 0.7 % from its top to the next point).
const FLAT_TOP_TOLERANCE: f64 = 2e-3;

/// Flags points at the end of the converter's range. The level is the given full scale, or is
/// found where the highest reading repeats in a flat top. Returns the level and the number of
/// points flagged.
pub fn flag_saturation(spectrum: &mut Spectrum, full_scale: Option<f64>) -> Option<(f64, usize)> {
    let y = spectrum.counts();
    let top = (0..y.len())
        .filter(|i| !spectrum.mask()[*i].has(Mask::DEAD))
        .map(|i| y[i])
        .fold(f64::NEG_INFINITY, f64::max);
    let bottom = y.iter().copied().fold(f64::INFINITY, f64::min);
    let level = match full_scale {
        Some(level) => level,
        None => {
            let equal = top - FLAT_TOP_TOLERANCE * (top - bottom);
            // Three neighbours at the very top that differ by less than the tolerance, while the
            // points just outside the run fall away: a clipped line, not a broad hump.
            let mut found = false;
            let mut i = 0;
            while i < y.len() {
                let start = i;
                while i < y.len() && y[i] >= equal {
                    i += 1;
                }
                let run = i - start;
                if run >= FLAT_TOP_POINTS {
                    let exact = y[start..i].iter().filter(|v| **v == top).count();
                    let flank = |j: Option<usize>| {
                        j.and_then(|j| y.get(j)).map_or(0.0, |v| (top - v) / (top - bottom))
                    };
                    // A parabola through a top of `run` points within the tolerance would drop by
                    // this much one point further out; a clipped line drops by far more.
                    let half = 0.5 * run as f64;
                    let parabola = FLAT_TOP_TOLERANCE * ((half + 1.0) / half).powi(2);
                    let falls = flank(start.checked_sub(1)).max(flank(Some(i)));
                    found |= exact >= FLAT_TOP_POINTS || falls > 8.0 * parabola;
                }
                i = i.max(start + 1);
            }
            if !found {
                return None;
            }
            equal
        }
    };
    let hit: Vec<usize> = (0..y.len()).filter(|i| y[*i] >= level).collect();
    for i in &hit {
        spectrum.flag(*i, Mask::SATURATED);
    }
    (!hit.is_empty()).then_some((level, hit.len()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Axis, Spectrum};
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    fn noise(n: usize, sd: f64, seed: u64) -> Vec<f64> {
        let mut rng = rand_chacha(seed);
        let d = Normal::new(0.0, sd).unwrap();
        (0..n).map(|_| d.sample(&mut rng)).collect()
    }

    fn rand_chacha(seed: u64) -> rand::rngs::ChaCha8Rng {
        rand::rngs::ChaCha8Rng::seed_from_u64(seed)
    }

    /// White noise of known scatter, half of every other window at the end of the range: flat tops say nothing.
    #[test]
    fn flat_tops_do_not_quiet_a_recording() {
        let top = |i: usize| i % 256 < 64;
        let mut y = noise(2000, 30.0, 5);
        (0..2000).filter(|i| top(*i)).for_each(|i| y[i] = 500.0);
        let free: Vec<bool> = (0..2000).map(|i| !top(i)).collect();
        let sigma = estimate(&y, &free, None).sigma.iter().sum::<f64>() / 2000.0;
        assert!((sigma / 30.0 - 1.0).abs() < 0.15, "{sigma}");
    }

    #[test]
    fn white_noise_is_measured_within_ten_percent() {
        let y = noise(4096, 7.0, 3);
        let e = estimate(&y, &vec![true; y.len()], None);
        let mean = e.sigma.iter().sum::<f64>() / e.sigma.len() as f64;
        assert!((0.9..1.15).contains(&(mean / 7.0)), "{mean}");
        assert!(!e.floored);
    }

    #[test]
    fn lines_hardly_move_the_noise() {
        let mut y = noise(2048, 1.0, 5);
        for c in (20..2048).step_by(40) {
            for (i, v) in y.iter_mut().enumerate() {
                *v += 500.0 * (-0.5 * ((i as f64 - c as f64) / 1.7).powi(2)).exp();
            }
        }
        let e = estimate(&y, &vec![true; y.len()], None);
        let mean = e.sigma.iter().sum::<f64>() / e.sigma.len() as f64;
        assert!((0.8..2.5).contains(&mean), "{mean}");
    }

    #[test]
    fn a_flat_top_is_found_and_a_round_one_is_not() {
        let line = |clip: f64| {
            let y: Vec<f64> = (0..200)
                .map(|i| (1000.0 * (-0.5 * ((i as f64 - 100.0) / 4.0).powi(2)).exp()).min(clip))
                .collect();
            Spectrum::new(Axis::pixels(200), y).unwrap()
        };
        let mut clipped = line(600.0);
        let (level, points) = flag_saturation(&mut clipped, None).unwrap();
        assert!((590.0..=600.0).contains(&level) && points >= 7, "{level} {points}");
        assert_eq!(flag_saturation(&mut line(1e9), None), None);
        let mut broad = Spectrum::new(
            Axis::pixels(400),
            (0..400).map(|i| (-0.5 * ((i as f64 - 200.3) / 60.0).powi(2)).exp()).collect(),
        )
        .unwrap();
        assert_eq!(flag_saturation(&mut broad, None), None);
    }
}
