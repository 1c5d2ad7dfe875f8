//! How much of the light two recordings do not share, once axis, line width and exposure are matched.

use super::Distance;
use super::tube::Tube;
use crate::Spectrum;
use crate::signal::PeakList;

/// Points of the common axis in a line width: four, so that no line falls between two.
const POINTS_PER_FWHM: f64 = 4.0;
/// FWHM of a normal distribution over its standard deviation.
const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949;
/// Widths that differ by less are the same.
const SAME_WIDTH: f64 = 0.03;
/// Where a normal distribution is cut off, standard deviations.
const REACH: f64 = 4.0;
/// Mean absolute value of a normal distribution of standard deviation 1: √(2/π).
const MEAN_ABSOLUTE: f64 = 0.797_884_560_802_865_4;

/// Light and noise on a common axis.
struct Grid {
    light: Vec<f64>,
    sigma: Vec<f64>,
}

/// The dissimilarity of J. Bray and J. Curtis, Ecol. Monogr. 27 (1957) 325, of the light above the
/// baselines: Σ|a − b| over Σ(|a| + |b|), 0 for the same, 1 for nothing in common. `scale` is the logarithm
/// of the factor by which the second recording is weaker at a wavelength, `shift` what its axis is ahead.
/// `None` where the recordings do not overlap.
pub fn distance(
    a: &Tube<'_>,
    b: &Tube<'_>,
    shift: f64,
    scale: &dyn Fn(f64) -> f64,
) -> Option<Distance> {
    let (wa, wb) = (a.fwhm_nm(), b.fwhm_nm());
    let broad = wa.max(wb);
    let (from, to) = {
        let (la, ha) = a.found.spectrum.axis().range();
        let (lb, hb) = b.found.spectrum.axis().range();
        (la.max(lb), ha.min(hb))
    };
    let step = broad / POINTS_PER_FWHM;
    let n = ((to - from) / step).floor();
    if n.is_nan() || n < POINTS_PER_FWHM {
        return None;
    }
    let nm: Vec<f64> = (0..n as usize).map(|i| from + step * i as f64).collect();
    let on = |t: &Tube<'_>, width: f64, ahead: f64| {
        let off = ahead - t.gases.shift_nm.value;
        let g = on_grid(&t.found.spectrum, &t.found.peaks, &nm, off);
        if broad > width * (1.0 + SAME_WIDTH) {
            broadened(&g, (broad * broad - width * width).sqrt() / FWHM_PER_SIGMA / step)
        } else {
            g
        }
    };
    let (ga, gb) = (on(a, wa, 0.0), on(b, wb, shift));
    let (mut apart, mut all, mut noise) = (0.0, 0.0, 0.0);
    for (i, x) in nm.iter().enumerate() {
        let factor = scale(*x).exp();
        let (p, q) = (ga.light[i], gb.light[i] * factor);
        if !(p.is_finite() && q.is_finite()) {
            continue;
        }
        apart += (p - q).abs();
        all += p.abs() + q.abs();
        noise += MEAN_ABSOLUTE * ga.sigma[i].hypot(gb.sigma[i] * factor);
    }
    (all > 0.0).then(|| Distance { share: apart / all, by_noise: (noise / all).min(1.0) })
}

/// Counts above the baseline on the common axis, linear between the points; nothing where a point is not
/// good.
fn on_grid(s: &Spectrum, peaks: &PeakList, nm: &[f64], ahead: f64) -> Grid {
    let x = s.x();
    let value = |i: usize| {
        let clipped = peaks.saturation.is_some_and(|l| s.counts()[i] >= l.level);
        if s.mask()[i].is_good() && !clipped { s.counts()[i] - peaks.baseline[i] } else { f64::NAN }
    };
    let (light, sigma) = nm
        .iter()
        .map(|nm| {
            let at = nm + ahead;
            let k = x.partition_point(|v| *v <= at).clamp(1, x.len() - 1);
            let t = (at - x[k - 1]) / (x[k] - x[k - 1]);
            if !(0.0..=1.0).contains(&t) {
                return (f64::NAN, 0.0);
            }
            let between = |a: f64, b: f64| a + t * (b - a);
            (between(value(k - 1), value(k)), between(peaks.sigma[k - 1], peaks.sigma[k]))
        })
        .unzip();
    Grid { light, sigma }
}

/// The recording as a broader instrument would have it; `sigma` in points.
fn broadened(g: &Grid, sigma: f64) -> Grid {
    let reach = (REACH * sigma).ceil() as usize;
    let kernel: Vec<f64> = (0..=reach).map(|d| (-0.5 * (d as f64 / sigma).powi(2)).exp()).collect();
    let total = kernel[0] + 2.0 * kernel[1..].iter().sum::<f64>();
    let n = g.light.len();
    let near = |i: usize| {
        (i.saturating_sub(reach)..(i + reach + 1).min(n)).map(move |k| (k, i.abs_diff(k)))
    };
    let light =
        (0..n).map(|i| near(i).map(|(k, d)| g.light[k] * kernel[d]).sum::<f64>() / total).collect();
    let sigma = (0..n)
        .map(|i| {
            let v: f64 = near(i).map(|(k, d)| (g.sigma[k] * kernel[d] / total).powi(2)).sum();
            v.sqrt()
        })
        .collect();
    Grid { light, sigma }
}
