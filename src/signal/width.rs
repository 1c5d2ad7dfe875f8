//! Width of an unresolved line, from the recording itself.

use super::MOST_RIPPLE;
use super::noise::Noise;

/// Prominence over noise from which a local maximum takes part in the estimate of the width.
const MIN_PROMINENCE_SIGMA: f64 = 8.0;
/// Widths within this factor of each other belong to one instrument width.
const SAME_WIDTH: f64 = 1.3;
/// Share of the candidates that a cluster of widths must hold to be the instrument's, unless it
/// is the largest one: phosphor and blends are broader than lines, never narrower, so the
/// narrowest well-filled cluster is taken.
const CLUSTER_SHARE: f64 = 0.2;
/// Prominence as a share of the height above the darkest point from which a maximum stands alone,
/// twice what ripples reach: of those two suffice, however many others there are. A fluorescent lamp
/// has two or three such lines among a dozen peaks of its phosphors, which are never narrower.
const ALONE: f64 = 2.0 * MOST_RIPPLE;
/// Prominence over noise from which the width of a line that stands alone is sure: noise moves it by
/// less than a tenth.
const SURE_SIGMA: f64 = 12.0;
/// Fewest candidates of a cluster, where there are others: one narrow spike is a hot pixel.
const CLUSTER_MIN: usize = 2;
/// Prominence below this share of the largest one does not take part: in a recording with strong
/// lines the smallest bumps are noise that was underestimated, or parts of the wings.
const MIN_PROMINENCE_SHARE: f64 = 5e-3;
/// Prominence as a share of the height above the darkest point below which a maximum does not take
/// part: pixels differ in sensitivity by up to 1 % (common practice, no published source), which on
/// a bright line looks like maxima of one point.
const MIN_SHARE_OF_LEVEL: f64 = 0.05;
/// Width in points below which a maximum is a hot pixel or noise, where there are wider ones: a
/// line falls on two points or more.
const SPIKE_POINTS: f64 = 1.5;
/// Most candidates that are looked at, strongest first.
const MAX_CANDIDATES: usize = 60;

/// A local maximum with its height above the higher of the two valleys beside it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bump {
    /// Index of the maximum.
    pub at: usize,
    /// Height above the higher valley, unit of the counts.
    pub prominence: f64,
    /// Width at half the prominence, points.
    pub width_points: f64,
    /// Prominence over the height above the darkest point.
    pub share_of_level: f64,
    /// Prominence over the noise of the maximum.
    pub significance: f64,
}

/// Local maxima of `y` that are no noise (see [`MIN_PROMINENCE_SIGMA`], [`MIN_SHARE_OF_LEVEL`]),
/// each with its width at half prominence (interpolated).
pub fn bumps(y: &[f64], noise: &Noise) -> Vec<Bump> {
    let n = y.len();
    let darkest = y.iter().copied().fold(f64::INFINITY, f64::min);
    let mut out = Vec::new();
    let mut i = 1;
    while i + 1 < n {
        if y[i] <= y[i - 1] {
            i += 1;
            continue;
        }
        let mut j = i;
        while j + 1 < n && y[j + 1] == y[i] {
            j += 1;
        }
        if j + 1 >= n || y[j + 1] > y[i] {
            i = j + 1;
            continue;
        }
        let top = y[i];
        let level = top - darkest;
        let scatter = noise.sigma[i].powi(2) + noise.counts_per_electron * level;
        let sigma = scatter.sqrt();
        let need = (MIN_PROMINENCE_SIGMA * sigma).max(MIN_SHARE_OF_LEVEL * level);
        // Walk down both sides until something higher stands there; remember the valleys.
        let (mut left, mut right) = (top, top);
        for k in (0..i).rev() {
            if y[k] > top {
                break;
            }
            left = left.min(y[k]);
        }
        for v in &y[j + 1..] {
            if *v > top {
                break;
            }
            right = right.min(*v);
        }
        let prominence = top - left.max(right);
        if prominence > need {
            let half = top - 0.5 * prominence;
            let mut a = i;
            while a > 0 && y[a] > half {
                a -= 1;
            }
            let mut b = j;
            while b + 1 < n && y[b] > half {
                b += 1;
            }
            let frac = |lo: f64, hi: f64| if hi > lo { (half - lo) / (hi - lo) } else { 0.5 };
            let xa = a as f64 + frac(y[a], y[a + 1]);
            let xb = b as f64 - frac(y[b], y[b - 1]);
            let share_of_level = prominence / level;
            out.push(Bump {
                at: (i + j) / 2,
                prominence,
                width_points: xb - xa,
                share_of_level,
                significance: prominence / sigma.max(f64::MIN_POSITIVE),
            });
        }
        i = j + 1;
    }
    out
}

/// Width in points of the narrowest well-filled cluster of line widths; `None` without any bump
/// narrower than `max_points`. `clipped` tells which points are at the end of the range: such
/// lines have no half height.
pub fn instrument_width(bumps: &[Bump], clipped: &[bool], max_points: f64) -> Option<f64> {
    let tallest = bumps.iter().map(|b| b.prominence).fold(0.0, f64::max);
    let mut c: Vec<Bump> = bumps
        .iter()
        .filter(|b| b.width_points <= max_points && !clipped[b.at])
        .filter(|b| b.prominence > MIN_PROMINENCE_SHARE * tallest)
        .copied()
        .collect();
    if c.iter().any(|b| b.width_points >= SPIKE_POINTS) {
        c.retain(|b| b.width_points >= SPIKE_POINTS);
    }
    let stands_out = |b: &Bump| b.share_of_level > MOST_RIPPLE;
    if c.iter().filter(|b| stands_out(b)).count() > CLUSTER_MIN {
        c.retain(stands_out);
    }
    c.sort_by(|a, b| b.prominence.total_cmp(&a.prominence));
    c.truncate(MAX_CANDIDATES);
    let alone: Vec<f64> = c
        .iter()
        .filter(|b| b.share_of_level > ALONE && b.significance > SURE_SIGMA)
        .map(|b| b.width_points)
        .collect();
    let all: Vec<f64> = c.iter().map(|b| b.width_points).collect();
    let need = ((CLUSTER_SHARE * all.len() as f64).ceil() as usize).max(CLUSTER_MIN);
    let (sure, any) = (narrowest(alone, CLUSTER_MIN, false), narrowest(all, need, true));
    match (sure, any) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    }
}

/// Middle of the narrowest cluster of widths that holds `need`, or with `or_largest` as many as the
/// largest holds.
fn narrowest(mut w: Vec<f64>, need: usize, or_largest: bool) -> Option<f64> {
    w.sort_by(f64::total_cmp);
    // For each width the number within the factor above it.
    let count: Vec<usize> = w
        .iter()
        .map(|lo| w.partition_point(|v| *v <= lo * SAME_WIDTH) - w.partition_point(|v| v < lo))
        .collect();
    let largest = count.iter().copied().max()?;
    let need = if or_largest { need.min(largest) } else { need };
    let start = count.iter().position(|c| *c >= need)?;
    let cluster = &w[start..start + count[start]];
    Some(cluster[cluster.len() / 2])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gauss(n: usize, lines: &[(f64, f64, f64)]) -> Vec<f64> {
        (0..n)
            .map(|i| {
                lines
                    .iter()
                    .map(|(c, h, w)| {
                        h * (-4.0 * std::f64::consts::LN_2 * ((i as f64 - c) / w).powi(2)).exp()
                    })
                    .sum()
            })
            .collect()
    }

    fn noise(sigma: f64, points: usize) -> Noise {
        Noise { sigma: vec![sigma; points], counts_per_electron: 0.0, floored: false }
    }

    #[test]
    fn uneven_pixels_on_a_bright_line_are_no_lines() {
        let mut y = gauss(600, &[(150.0, 1e4, 24.0), (400.0, 3e3, 25.0)]);
        // One pixel in two 1 % less sensitive.
        y.iter_mut().skip(1).step_by(2).for_each(|v| *v *= 0.99);
        y[320] += 5e3;
        let b = bumps(&y, &noise(1.0, 600));
        let w = instrument_width(&b, &[false; 600], 60.0).unwrap();
        assert!((w - 24.5).abs() < 1.5, "{w}");
    }

    #[test]
    fn narrow_lines_win_over_humps_and_a_hot_pixel() {
        let mut y = gauss(
            600,
            &[
                (60.0, 50.0, 5.0),
                (150.0, 80.0, 5.0),
                (300.0, 40.0, 5.2),
                (380.0, 200.0, 12.0),
                (450.0, 90.0, 14.0),
                (540.0, 60.0, 13.0),
            ],
        );
        y[500] += 500.0;
        let b = bumps(&y, &noise(0.1, 600));
        let w = instrument_width(&b, &[false; 600], 60.0).unwrap();
        assert!((w - 5.0).abs() < 0.5, "{w}");
    }

    /// Fringes of 4 points on a band, a tenth to both sides, beside lines of 9 points.
    #[test]
    fn ripples_of_a_band_do_not_tell_the_width() {
        let mut y = gauss(
            800,
            &[(100.0, 60.0, 9.0), (420.0, 80.0, 9.0), (600.0, 40.0, 9.0), (250.0, 50.0, 90.0)],
        );
        for (i, v) in y.iter_mut().enumerate() {
            *v *= 1.0 + 0.1 * (i as f64 * std::f64::consts::TAU / 8.0).sin();
        }
        let b = bumps(&y, &noise(0.1, 800));
        assert!(b.iter().filter(|b| b.share_of_level < MOST_RIPPLE).count() > 3);
        let w = instrument_width(&b, &[false; 800], 60.0).unwrap();
        assert!((w - 9.0).abs() < 1.5, "{w}");
    }

    /// Two lines on dark ground among a dozen phosphor peaks that are twice as broad.
    #[test]
    fn two_lines_that_stand_alone_win_over_a_crowd_of_phosphors() {
        let mut lines = vec![(60.0, 60.0, 5.0), (130.0, 300.0, 5.2)];
        lines.extend((0..12).map(|k| (220.0 + 45.0 * f64::from(k), 80.0, 10.0)));
        let y = gauss(800, &lines);
        let w = |sigma: f64| {
            instrument_width(&bumps(&y, &noise(sigma, 800)), &[false; 800], 60.0).unwrap()
        };
        assert!((w(0.1) - 5.1).abs() < 0.3, "{}", w(0.1));
        // Where noise leaves one of them unsure, one alone may be a hot pixel.
        assert!((w(6.0) - 10.0).abs() < 1.0, "{}", w(6.0));
    }

    #[test]
    fn a_lone_line_gives_its_own_width() {
        let y = gauss(300, &[(150.0, 50.0, 8.0)]);
        let b = bumps(&y, &noise(0.1, 300));
        assert_eq!(b.len(), 1);
        let w = instrument_width(&b, &[false; 300], 60.0).unwrap();
        assert!((w - 8.0).abs() < 0.2, "{w}");
    }
}
