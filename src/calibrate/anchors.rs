//! Which peak is which line of the lamp.

use super::LeftOut;
use super::fit::{self, AxisFit, Point};
use super::pattern::AnchorLine;
use super::score::{BROAD_FWHM, MIN_SIGNIFICANCE};
use crate::signal::{LineWidth, Peak, PeakList};
use crate::{AxisKind, Measured, Spectrum};

/// Systematic error of a line's place as a share of its width: asymmetry of the optics and
/// sampling (published calibrations bottom out at 0.01 to 0.05 pixel; a line is 2 to 6 wide).
const PLACE_FLOOR_FWHM: f64 = 0.02;
/// The same where a phosphor peak or another line stands within [`CROWDED_FWHM`] line widths.
pub const CROWDED_FLOOR_FWHM: f64 = 0.12;
/// Distance in line widths within which a neighbour pulls a fitted line.
const CROWDED_FWHM: f64 = 2.0;
/// Height of a neighbour, as a share of the line's own, from which it pulls.
const PULLING_SHARE: f64 = 0.1;
/// A peak further than this from the expected place (in line widths, besides the axis' own
/// uncertainty) is not taken for the line.
const MATCH_FWHM: f64 = 0.6;
/// Uncertainty of the axis, or of a peak's place (in line widths, k = 1), beyond which no line is
/// matched any more: the next peak could be taken.
pub const MAX_MATCH_U_FWHM: f64 = 0.6;
/// Uncertainty of the axis (in line widths, k = 1) beyond which a line is only matched where no
/// other peak and no other line comes into question.
const SURE_U_FWHM: f64 = 0.21;
/// Share of the height of a peak, or of the strength of a line, from which another one comes into
/// question.
const RIVAL_SHARE: f64 = 0.2;
/// Width, nm, up to which a mercury line's peak stands out of terbium's crowd beside it: about that of
/// the narrower of its parts, which are 1.3 and 2.6 nm wide in a public recording of a compact lamp
/// without the instrument's part.
const TOO_NARROW_NM: f64 = 1.4;
/// What is left of a phosphor's pull on a line that stands out of its flank.
const FLANK_SHARE: f64 = 0.15;
/// How far in line widths a phosphor's peak may draw a line that still carries the axis, with so
/// much more uncertainty.
const MAX_DRAWN_FWHM: f64 = 0.35;
/// Residual in standard deviations beyond which an anchor is thrown out.
pub const OUTLIER_SIGMA: f64 = 3.5;

/// A lamp's recording as the matching sees it.
pub struct Recording<'a> {
    pub spectrum: &'a Spectrum,
    pub peaks: &'a PeakList,
    pub kind: AxisKind,
    /// First and last value of the own axis.
    pub range: [f64; 2],
    /// Width of an unresolved line on the own axis.
    pub width: LineWidth,
}

/// A peak that is a line of the lamp.
#[derive(Debug, Clone, Copy)]
pub struct Match<'a> {
    pub line: AnchorLine<'a>,
    pub point: Point,
    /// Index of the peak in its recording.
    pub peak: usize,
    /// Which recording.
    pub recording: usize,
}

impl Match<'_> {
    /// This line, left out for lying `sigma` standard deviations off the others' axis.
    pub fn off_the_others(&self, sigma: f64) -> LeftOut {
        self.line
            .emission
            .left_out(format!("{sigma:.1} standard deviations off the axis of the others"))
    }
}

/// Slope of an axis at `x` without its sign, nm per unit of the own axis, over `step` to both sides.
pub fn slope(nm: impl Fn(f64) -> f64, x: f64, step: f64) -> f64 {
    ((nm(x + step) - nm(x - step)) / (2.0 * step)).abs()
}

/// Lines that have one clear peak within the axis' uncertainty.
pub fn matches<'a>(
    r: &Recording,
    recording: usize,
    lines: &[AnchorLine<'a>],
    axis: &impl Fn(f64) -> Measured,
    fwhm_nm: f64,
) -> Vec<Match<'a>> {
    let peaks = &r.peaks.peaks;
    let nm: Vec<Measured> = peaks.iter().map(|p| axis(p.centre.value)).collect();
    let tall = |p: &Peak| p.height_or(f64::INFINITY);
    let mut out: Vec<Match> = Vec::new();
    for line in lines {
        let reach = |u: f64| MATCH_FWHM * fwhm_nm + 2.0 * u;
        let near: Vec<usize> = (0..nm.len())
            .filter(|k| {
                (nm[*k].value - line.nm).abs() < reach(nm[*k].u)
                    && nm[*k].u < MAX_MATCH_U_FWHM * fwhm_nm
                    && peaks[*k].significance > MIN_SIGNIFICANCE
                    && !line.is_rather_a_phosphor(nm[*k].value)
            })
            .collect();
        let Some(&k) = near.iter().max_by(|a, b| tall(&peaks[**a]).total_cmp(&tall(&peaks[**b])))
        else {
            continue;
        };
        let p = &peaks[k];
        // Where the axis leaves room for two, neither may be taken.
        let rival_peak = near.iter().any(|j| *j != k && tall(&peaks[*j]) > RIVAL_SHARE * tall(p));
        let rival_line = lines.iter().any(|o| {
            (o.nm - line.nm).abs() > 1e-9
                && o.emission.gas == line.emission.gas
                && o.emission.ion == line.emission.ion
                && (o.nm - nm[k].value).abs() < reach(nm[k].u)
                && o.emission.strength > RIVAL_SHARE * line.emission.strength
        });
        if nm[k].u > SURE_U_FWHM * fwhm_nm && (rival_peak || rival_line) {
            continue;
        }
        if !p.line_like && p.fwhm.value > BROAD_FWHM * r.width.fwhm(p.centre.value) {
            continue;
        }
        let slope = slope(|x| axis(x).value, p.centre.value, r.width.value);
        let crowded = !p.line_like
            || peaks.iter().enumerate().any(|(j, o)| {
                j != k
                    && (o.centre.value - p.centre.value).abs()
                        < CROWDED_FWHM * r.width.fwhm(p.centre.value)
                    && tall(o) > PULLING_SHARE * tall(p)
            });
        let floor = if crowded { CROWDED_FLOOR_FWHM } else { PLACE_FLOOR_FWHM };
        // A peak that is narrower than any phosphor's stands out of it, and is drawn by its flank
        // alone.
        let stands_out = p.line_like && p.fwhm.value * slope < TOO_NARROW_NM;
        let drawn_nm = line.drawn_nm * if stands_out { FLANK_SHARE } else { 1.0 };
        if drawn_nm > MAX_DRAWN_FWHM * fwhm_nm {
            continue;
        }
        let u_nm = (p.centre.u * slope).hypot(floor * fwhm_nm).hypot(line.u_nm).hypot(drawn_nm);
        if u_nm > MAX_MATCH_U_FWHM * fwhm_nm {
            continue;
        }
        let point = Point { x: p.centre.value, nm: line.nm, u_nm };
        let m = Match { line: *line, point, peak: k, recording };
        // One peak carries one line: the nearer one.
        match out.iter_mut().find(|o| o.peak == k) {
            Some(o) => {
                let d = |m: &Match| (nm[k].value - m.point.nm).abs();
                if d(&m) < d(o) {
                    *o = m;
                }
            }
            None => out.push(m),
        }
    }
    out.sort_by(|a, b| a.point.x.total_cmp(&b.point.x));
    out
}

/// Leaves out the worst anchor as long as it lies outside what the others allow.
pub fn drop_outliers(
    matched: &mut Vec<Match>,
    left: &mut Vec<LeftOut>,
    r: &Recording,
    keep: usize,
) -> std::result::Result<(), String> {
    while matched.len() > keep {
        // Each anchor against the axis through all others.
        let mut worst = (0.0, 0);
        for k in 0..matched.len() {
            let rest: Vec<Point> =
                matched.iter().enumerate().filter(|(j, _)| *j != k).map(|(_, m)| m.point).collect();
            let f = fit::fit(&rest, r.range, r.kind).map_err(|e| e.to_string())?;
            let p = &matched[k].point;
            let m = f.model.wavelength(p.x);
            let u = (m.u.powi(2) + p.u_nm.powi(2) + f.extra_nm.powi(2)).sqrt();
            let z = (m.value - p.nm).abs() / u;
            if z > worst.0 {
                worst = (z, k);
            }
        }
        if worst.0 < OUTLIER_SIGMA {
            break;
        }
        let m = matched.remove(worst.1);
        left.push(m.off_the_others(worst.0));
    }
    Ok(())
}

/// Root mean square of the residuals, each by its weight, nm: a line that may be drawn aside by a
/// neighbour says little of how well a smooth axis fits.
pub fn weighted_rms(matched: &[Match], fit: &AxisFit) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for m in matched {
        let w = m.point.u_nm.powi(-2);
        sum += w * (fit.model.wavelength(m.point.x).value - m.point.nm).powi(2);
        weight += w;
    }
    if weight > 0.0 { (sum / weight).sqrt() } else { 0.0 }
}

/// Root mean square of the residuals, nm.
pub fn rms(matched: &[Match], fit: &AxisFit) -> f64 {
    let sum: f64 =
        matched.iter().map(|m| (fit.model.wavelength(m.point.x).value - m.point.nm).powi(2)).sum();
    (sum / matched.len().max(1) as f64).sqrt()
}
