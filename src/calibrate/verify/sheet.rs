//! What a lamp's recording says of the instrument: line width, noise, range, stray light, ghosts.

use super::super::Profile;
use crate::reference::{LampFeature, Tables};
use crate::signal::{Peak, PeakList};
use crate::{Mask, Measured, Spectrum};
use serde::{Deserialize, Serialize};

/// A line is isolated where no peak of at least [`NEIGHBOUR_SHARE`] of its height stands within
/// this many line widths.
const ISOLATED_FWHM: f64 = 2.5;
/// See [`ISOLATED_FWHM`].
const NEIGHBOUR_SHARE: f64 = 0.03;
/// A point further than this many line widths from every peak is free of lines.
const FREE_FWHM: f64 = 3.0;
/// Fewest line-free points from which noise is told.
const FEWEST_POINTS: usize = 20;
/// Lines of the tables nearer than this many line widths …
const MERGED_FWHM: f64 = 1.2;
/// … that together have more than this share of the strongest's intensity broaden it.
const MERGED_SHARE: f64 = 0.05;
/// Scatter of widths from line to line beside noise, as a share of the width: hyperfine structure
/// and isotopes of mercury spread a line by some 0.02 nm (common practice, no published source).
const STRUCTURE: f64 = 0.02;
/// Fewest isolated lines through which a straight line is laid.
const SLOPE_LINES: usize = 3;
/// Quantile of the level between lines that is taken for the darkest.
const DARK_QUANTILE: f64 = 0.05;
/// A ghost is looked for within this many line widths of its place, besides the axis' uncertainty.
const GHOST_FWHM: f64 = 0.4;
/// Strong short lines of mercury whose second-order images fall into the red, nm (air).
const GHOST_SOURCES_NM: [f64; 3] = [365.0158, 404.6565, 435.8335];
/// A fitted width below this many steps of the axis is that of the sampling, not of the line.
const COARSE_STEPS: f64 = 1.5;

/// Width of one isolated line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WidthPoint {
    /// Name of the lamp feature.
    pub feature: String,
    /// Wavelength, nm (air).
    pub wavelength_nm: f64,
    /// FWHM with its standard uncertainty, nm.
    pub fwhm_nm: Measured,
}

/// FWHM along the axis: `value + slope·(nm − at)/100`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Resolution {
    /// The isolated lines.
    pub lines: Vec<WidthPoint>,
    /// Where `fwhm-nm` holds, nm (air).
    pub at_nm: f64,
    /// FWHM there with its standard uncertainty, nm.
    pub fwhm_nm: Measured,
    /// Change along the axis, nm per 100 nm; nothing where fewer than three lines are isolated.
    pub slope_nm_per_100nm: Option<Measured>,
}

impl Resolution {
    /// FWHM at `nm`.
    pub fn at(&self, nm: f64) -> f64 {
        let slope = self.slope_nm_per_100nm.map_or(0.0, |s| s.value);
        self.fwhm_nm.value + slope * (nm - self.at_nm) / 100.0
    }
}

/// What the highest reading was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Top {
    /// The end of the range, found from flat tops.
    FullScale,
    /// The highest point of this recording; the instrument may reach higher.
    HighestPoint,
}

/// A second-order image.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SecondOrder {
    /// The line, nm (air).
    pub of_nm: f64,
    /// Where its image would stand, nm (air).
    pub at_nm: f64,
    /// Height of the peak there over that of the line, at most the image where `remark` names
    /// another line; nothing where no peak stands there.
    pub ratio: Option<Measured>,
    /// Ratio from which it would have been detected; nothing where the line itself is clipped or
    /// missing, or the place is off the axis.
    pub limit: Option<f64>,
    /// Why there is no figure, or what to beware of; may be empty.
    pub remark: String,
}

/// The instrument as one recording of a lamp shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InstrumentSheet {
    /// Width of lines; nothing where no line is isolated.
    pub resolution: Option<Resolution>,
    /// Root mean square about the baseline in line-free stretches, unit of the counts.
    pub noise: Option<f64>,
    /// Noise from one point to the next there (root mean square of differences over √2), unit of
    /// the counts: smaller than `noise` where something smooth is left.
    pub noise_point_to_point: Option<f64>,
    /// Line-free points.
    pub free_points: usize,
    /// Top of the range over the darkest level, unit of the counts.
    pub span: Option<f64>,
    /// What `span` was taken from.
    pub top: Top,
    /// `span` over `noise`.
    pub dynamic_range: Option<f64>,
    /// Darkest level between the outermost lines over the height of the strongest line: an upper
    /// bound of stray light, because dark reading and the lamp's own continuum are in it; void where
    /// more than the dark reading was taken off. Never less than twice the noise.
    pub stray_light_below: Option<f64>,
    /// Second-order images of strong short lines.
    pub second_order: Vec<SecondOrder>,
}

/// The sheet from a recording on the judged axis, its peaks, and that axis' correction.
pub fn sheet(
    lamp: &Spectrum,
    list: &PeakList,
    correction: &Profile,
    tables: &Tables,
) -> InstrumentSheet {
    let free = free_points(lamp, list);
    let rms = |v: &[f64]| {
        (v.len() >= FEWEST_POINTS)
            .then(|| (v.iter().map(|x| x * x).sum::<f64>() / v.len() as f64).sqrt())
    };
    let about: Vec<f64> = free.iter().map(|i| lamp.counts()[*i] - list.baseline[*i]).collect();
    let steps: Vec<f64> = free
        .windows(2)
        .filter(|w| w[1] == w[0] + 1)
        .map(|w| (lamp.counts()[w[1]] - lamp.counts()[w[0]]) / std::f64::consts::SQRT_2)
        .collect();
    let (noise, next) = (rms(&about), rms(&steps));
    // Darkest level between the outermost lines, and over the whole axis.
    let at: Vec<f64> = correction.anchors.iter().map(|a| a.at).collect();
    let (first, last) = (
        at.iter().copied().fold(f64::INFINITY, f64::min),
        at.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    );
    let level = |inside: &dyn Fn(f64) -> bool| {
        let mut v: Vec<f64> =
            free.iter().filter(|i| inside(lamp.x()[**i])).map(|i| list.baseline[*i]).collect();
        v.sort_by(f64::total_cmp);
        v.get((v.len() as f64 * DARK_QUANTILE) as usize).copied()
    };
    let dark = level(&|_| true);
    let between = level(&|x| (first..=last).contains(&x)).or(dark);
    let good = lamp.mask().iter().zip(lamp.counts()).filter(|(m, _)| !m.has(Mask::DEAD));
    let highest = good.map(|(_, c)| *c).fold(f64::NEG_INFINITY, f64::max);
    let (top, full) = match list.saturation {
        Some(s) => (Top::FullScale, s.level),
        None => (Top::HighestPoint, highest),
    };
    let span = dark.map(|d| full - d).filter(|s| s.is_finite() && *s > 0.0);
    let strongest = list
        .peaks
        .iter()
        .filter(|p| p.line_like)
        .map(|p| p.height_or(highest - between.unwrap_or(0.0)))
        .fold(0.0, f64::max);
    // Less than the noise of a point is not told: exports that took the dark off end at nothing.
    let floor = 2.0 * noise.unwrap_or(0.0);
    let stray = between.filter(|_| strongest > 0.0).map(|b| b.max(floor) / strongest);
    InstrumentSheet {
        resolution: resolution(lamp, list, correction, tables),
        noise,
        noise_point_to_point: next,
        free_points: free.len(),
        span,
        top,
        dynamic_range: span.zip(noise).filter(|(_, n)| *n > 0.0).map(|(s, n)| s / n),
        stray_light_below: stray,
        second_order: second_order(lamp, list, correction, tables),
    }
}

/// Points without flag that are far from all peaks, phosphor among them.
fn free_points(lamp: &Spectrum, list: &PeakList) -> Vec<usize> {
    let mut ends: Vec<(f64, f64)> = list
        .peaks
        .iter()
        .map(|p| {
            let reach = FREE_FWHM * p.fwhm.value.max(0.0);
            (p.centre.value - reach, p.centre.value + reach)
        })
        .collect();
    ends.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out = Vec::new();
    let (mut k, mut covered) = (0, f64::NEG_INFINITY);
    for (i, x) in lamp.x().iter().enumerate() {
        while k < ends.len() && ends[k].0 <= *x {
            covered = covered.max(ends[k].1);
            k += 1;
        }
        if *x > covered && lamp.mask()[i].is_good() && list.baseline[i].is_finite() {
            out.push(i);
        }
    }
    out
}

/// The peak that carries an anchor.
pub fn peak_at(list: &PeakList, at: f64) -> Option<&Peak> {
    let off = |p: &Peak| (p.centre.value - at).abs();
    let near = list.peaks.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
    (off(near) <= near.fwhm.value.abs()).then_some(near)
}

fn resolution(
    lamp: &Spectrum,
    list: &PeakList,
    correction: &Profile,
    tables: &Tables,
) -> Option<Resolution> {
    let alone = |p: &Peak| {
        let step = lamp.axis().step(lamp.axis().index_of(p.centre.value).round() as usize);
        p.line_like
            && !p.clipped
            && p.group_size == 1
            && p.fwhm.value > COARSE_STEPS * step
            && p.fwhm.u.is_finite()
            && !list.peaks.iter().any(|o| {
                !std::ptr::eq(o, p)
                    && (o.centre.value - p.centre.value).abs() < ISOLATED_FWHM * p.fwhm.value
                    && o.height_or(f64::INFINITY) > NEIGHBOUR_SHARE * p.height_or(f64::INFINITY)
            })
    };
    // Lines of the tables that merge with it and broaden it.
    let merged = |nm: f64, fwhm: f64| {
        let near =
            |f: &&LampFeature| !f.is_phosphor && (f.wavelength_nm - nm).abs() < MERGED_FWHM * fwhm;
        let all = tables.lamp().iter().filter(near).filter_map(|f| f.intensity);
        let (sum, most) = all.fold((0.0, 0.0f64), |(s, m), i| (s + i, m.max(i)));
        sum - most > MERGED_SHARE * most
    };
    let lines: Vec<WidthPoint> = correction
        .anchors
        .iter()
        .filter_map(|a| {
            let p = peak_at(list, a.at)
                .filter(|p| alone(p) && !merged(a.wavelength_nm, p.fwhm.value))?;
            Some(WidthPoint {
                feature: a.feature.clone(),
                wavelength_nm: a.wavelength_nm,
                fwhm_nm: p.fwhm,
            })
        })
        .collect();
    let n = lines.len();
    if n == 0 {
        return None;
    }
    // Lines differ by their own structure as well as by noise.
    let weight =
        |l: &WidthPoint| 1.0 / (l.fwhm_nm.u.powi(2) + (STRUCTURE * l.fwhm_nm.value).powi(2));
    let sum: f64 = lines.iter().map(weight).sum();
    let mean =
        |f: &dyn Fn(&WidthPoint) -> f64| lines.iter().map(|l| weight(l) * f(l)).sum::<f64>() / sum;
    let (at, width) = (mean(&|l| l.wavelength_nm), mean(&|l| l.fwhm_nm.value));
    let sxx = mean(&|l| (l.wavelength_nm - at).powi(2));
    if n < SLOPE_LINES || sxx <= 0.0 {
        let noise = (1.0 / sum).sqrt();
        let spread = if n > 1 {
            (mean(&|l| (l.fwhm_nm.value - width).powi(2)) / (n - 1) as f64).sqrt()
        } else {
            0.0
        };
        let fwhm_nm = Measured::new(width, noise.max(spread));
        return Some(Resolution { lines, at_nm: at, fwhm_nm, slope_nm_per_100nm: None });
    }
    let b = mean(&|l| (l.wavelength_nm - at) * (l.fwhm_nm.value - width)) / sxx;
    let rest = mean(&|l| (l.fwhm_nm.value - width - b * (l.wavelength_nm - at)).powi(2));
    let u2 = (rest / (n - 2) as f64).max(1.0 / sum);
    Some(Resolution {
        lines,
        at_nm: at,
        fwhm_nm: Measured::new(width, u2.sqrt()),
        slope_nm_per_100nm: Some(Measured::new(100.0 * b, 100.0 * (u2 / sxx).sqrt())),
    })
}

fn second_order(
    lamp: &Spectrum,
    list: &PeakList,
    correction: &Profile,
    tables: &Tables,
) -> Vec<SecondOrder> {
    let fwhm = |p: &Peak| list.line_width.map_or(p.fwhm.value, |w| w.fwhm(p.centre.value));
    // The peak nearest to a true wavelength, within what axis and line width allow.
    let near = |nm: f64| {
        let off = |p: &Peak| (correction.wavelength(p.centre.value).value - nm).abs();
        let p = list.peaks.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        let u = correction.wavelength(p.centre.value).u;
        (off(p) <= GHOST_FWHM * fwhm(p) + 2.0 * u).then_some(p)
    };
    let end = |x: f64| correction.wavelength(x).value;
    let (lo, hi) = lamp.axis().range();
    let covered = |nm: f64| (end(lo)..=end(hi)).contains(&nm);
    GHOST_SOURCES_NM
        .iter()
        .map(|nm| {
            let at_nm = 2.0 * nm;
            let mut out =
                SecondOrder { of_nm: *nm, at_nm, ratio: None, limit: None, remark: String::new() };
            if !covered(at_nm) {
                out.remark = "its place is off the axis".into();
                return out;
            }
            let Some(line) = near(*nm) else {
                out.remark = "the line itself is not seen".into();
                return out;
            };
            let Some(height) = line.height.map(|h| h.value).filter(|h| *h > 0.0) else {
                out.remark = "the line itself is clipped".into();
                return out;
            };
            match near(at_nm).filter(|p| p.line_like).and_then(|p| Some((p, p.height?))) {
                Some((p, h)) => {
                    let line_u = line.height.map_or(0.0, |l| l.u / l.value);
                    let ratio = h.value / height;
                    let u = ratio * ((h.u / h.value).powi(2) + line_u * line_u).sqrt();
                    out.ratio = Some(Measured::new(ratio, u));
                    let other = tables.lamp().iter().find(|f| {
                        f.is_buffer_gas && (f.wavelength_nm - at_nm).abs() < 1.5 * fwhm(p)
                    });
                    if let Some(o) = other {
                        out.remark = format!("may be {} of the lamp's filling", o.name);
                    }
                }
                None => {
                    // Read on the judged axis: at most the axis' error off, which moves no limit.
                    let i = lamp.axis().index_of(at_nm).round() as usize;
                    out.limit = list.threshold.get(i).map(|t| t / height);
                }
            }
            out
        })
        .collect()
}
