//! Width of an unresolved line along the calibrated axis.

use super::anchors::{Match, Recording, slope};
use super::fit::AxisFit;
use crate::signal::LineWidth;

/// Fewest lines from which a slope of the width is taken.
const MIN_FOR_SLOPE: usize = 5;
/// The slope must stand out of its uncertainty by this factor.
const SLOPE_SIGMA: f64 = 2.0;
/// Distance in line widths from which two lines tell a slope.
const FAR_FWHM: f64 = 10.0;
/// Least relative uncertainty of a width: a line is never quite of the shape that is fitted.
const MIN_RELATIVE_U: f64 = 0.02;
/// Relative uncertainty of a width that no anchor tells.
const UNTOLD_RELATIVE_U: f64 = 0.2;

/// FWHM in nm along the axis from the narrow anchors: constant, or with a slope where the lines
/// show one.
pub fn line_width(recordings: &[&Recording], matched: &[Match], fit: &AxisFit) -> LineWidth {
    let nm = |x: f64| fit.model.wavelength(x).value;
    let mut w: Vec<(f64, f64)> = matched
        .iter()
        .filter_map(|m| {
            let r = recordings.get(m.recording)?;
            let p = r.peaks.peaks.get(m.peak)?;
            let fwhm_nm = p.fwhm.value * slope(nm, p.centre.value, r.width.value);
            (p.line_like && !p.clipped).then_some((m.point.nm, fwhm_nm))
        })
        .collect();
    let Some(r) = recordings.first() else { return LineWidth::constant(1.0, UNTOLD_RELATIVE_U) };
    let mid_x = 0.5 * (r.range[0] + r.range[1]);
    if w.is_empty() {
        let value = r.width.value * slope(nm, mid_x, r.width.value);
        return LineWidth { value, slope: 0.0, at: nm(mid_x), u: UNTOLD_RELATIVE_U * value };
    }
    w.sort_by(|a, b| a.1.total_cmp(&b.1));
    // Blends are broader: the lower middle is the instrument's.
    let value = w[(w.len() - 1) / 2].1;
    let n = w.len() as f64;
    let spread =
        if w.len() >= 2 { 0.5 * (w[w.len() - 1].1 - w[0].1) } else { UNTOLD_RELATIVE_U * value };
    let u = (spread / n.sqrt()).max(MIN_RELATIVE_U * value);
    let flat = LineWidth { value, slope: 0.0, at: nm(mid_x), u };
    if w.len() < MIN_FOR_SLOPE {
        return flat;
    }
    // The middle of the slopes between all pairs of lines (Theil 1950, Sen 1968): blends do not
    // turn it.
    let mut slopes: Vec<f64> = Vec::new();
    for (k, a) in w.iter().enumerate() {
        for b in &w[k + 1..] {
            if (a.0 - b.0).abs() > FAR_FWHM * value {
                slopes.push((b.1 - a.1) / (b.0 - a.0));
            }
        }
    }
    if slopes.len() < MIN_FOR_SLOPE {
        return flat;
    }
    slopes.sort_by(f64::total_cmp);
    let middle = slopes[slopes.len() / 2];
    let at = w.iter().map(|p| p.0).sum::<f64>() / n;
    let mut level: Vec<f64> = w.iter().map(|p| p.1 - middle * (p.0 - at)).collect();
    level.sort_by(f64::total_cmp);
    let value_at = level[(level.len() - 1) / 2];
    let scatter = (level.iter().map(|l| (l - value_at).powi(2)).sum::<f64>() / n).sqrt();
    let reach = (w.iter().map(|p| (p.0 - at).powi(2)).sum::<f64>()).sqrt();
    if middle.abs() < SLOPE_SIGMA * scatter / reach {
        return flat;
    }
    LineWidth {
        value: value_at,
        slope: middle,
        at,
        u: (scatter / n.sqrt()).max(MIN_RELATIVE_U * value_at),
    }
}
