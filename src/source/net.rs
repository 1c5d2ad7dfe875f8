//! The light itself: a recording without its dark level, cut into lines and what is smooth.

use super::curve::Curve;
use super::response::Response;
use super::smooth::{bends, median, robust_sigma};
use crate::signal::PeakList;
use crate::{Measured, Spectrum};

/// Share of the points that must agree on the darkest level for it to be taken for dark: fewer are
/// the low end of a continuum.
const LEAST_DARK_SHARE: f64 = 0.04;
/// Share of the points from which they are plainly dark, whatever their scatter.
const PLAINLY_DARK_SHARE: f64 = 0.25;
/// Scatter of dark points about their level, over that from point to point, up to which they are
/// level.
const DARK_OVER_NOISE: f64 = 3.0;
/// Parts of the recording between which the dark level may differ.
const UNEVEN_PARTS: usize = 24;
/// Parts whose median is within this share of the highest count are dark.
const UNEVEN_SHARE: f64 = 0.02;
/// Share of whole numbers that makes a recording a converter's: bridged hot pixels are none.
const WHOLE_SHARE: f64 = 0.98;
/// Lowest light below this share of the highest: whether it is dark matters little.
const LITTLE_SHARE: f64 = 0.02;
/// The same for the light a little above it, …
const RISE_QUANTILE: f64 = 0.05;
/// … which is less than this share of the lowest above it where that is a dark level.
const RISE_SHARE: f64 = 0.08;
/// Rounds in which parts that are not dark go.
const LEAN_ROUNDS: usize = 6;
/// They are this many standard deviations off.
const LEAN_CLIP: f64 = 3.0;
/// Fewest dark parts from which a lean of the dark level is told …
const LEAN_PARTS: usize = 8;
/// … and share of the range that they span.
const LEAN_SPAN: f64 = 0.6;
/// A broad rest lower than this share of the highest point …
const PEDESTAL_SHARE: f64 = 0.015;
/// … and than this share of the dark level is the detector's unevenness, not light.
const PEDESTAL_OVER_DARK: f64 = 0.3;
/// Points over which it is averaged to measure it.
const PEDESTAL_BLOCK: usize = 41;
/// Share of the lowest points that may be stragglers when the lowest light is looked for.
const LOW_QUANTILE: f64 = 0.02;
/// A peak is a line from this share of the smooth light under it: a crest of a phosphor or an LED
/// is less.
const LINE_OVER_SMOOTH: f64 = 0.15;
/// A peak is a line from this share of the highest point: below, it may be a hot pixel's rest or
/// a ripple of the detector.
const LINE_OVER_HIGHEST: f64 = 2e-4;
/// A line has at least this significance in the matched filter; the peak search admits less.
const LINE_SIGNIFICANCE: f64 = 8.0;
/// Fewest lines of like width that show how narrow a line of this instrument is.
const AGREEING_LINES: usize = 3;
/// A line may be so many instrument widths broad: blends and self-reversed lines are broader than
/// one.
const BROADEST_LINE: f64 = 2.5;
/// Half of the stretch that a line covers, in its FWHM.
const LINE_REACH: f64 = 1.6;
/// Response below which nothing is made of it, as a share of its largest value: what is divided by
/// less is noise and stray light.
const LEAST_RESPONSE: f64 = 0.02;
/// Part of the light that a cheap array scatters evenly over its detector: 1e-3 to 1e-4 of a
/// broadband signal in published reports (values from memory); the upper figure is used as the
/// half-width of a rectangular distribution.
const STRAY_SHARE: f64 = 1e-3;

/// A line of the light.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LineLight {
    /// Index in the peak list.
    pub peak: usize,
    /// Place, nm.
    pub centre_nm: Measured,
    /// Width, nm.
    pub fwhm_nm: f64,
    /// Its light above the smooth part, counts · nm.
    pub light: f64,
}

/// A recording's light, point by point.
#[derive(Debug, Clone)]
pub(super) struct Net {
    /// Places, nm, ascending.
    pub x: Vec<f64>,
    /// Counts above the dark level.
    pub y: Vec<f64>,
    /// Scatter of each point.
    pub sigma: Vec<f64>,
    /// What of `y` is no line.
    pub smooth: Vec<f64>,
    /// Level that was taken for dark, counts, and its uncertainty, stray light included.
    pub dark: Measured,
    /// The same uncertainty at each point, in the unit of `y`.
    pub level_u: Vec<f64>,
    /// True where part of the recording is dark, so that its level is known.
    pub dark_seen: bool,
    /// Lines, ascending.
    pub lines: Vec<LineLight>,
    /// Height of the uneven dark level that was taken off, counts, where there was one.
    pub pedestal: Option<f64>,
    /// Points of it that are clipped.
    pub clipped: usize,
    /// The curve that the bands are measured on, lines taken out.
    pub curve: Curve,
}

impl Net {
    /// The light of a recording; `None` with fewer than two usable points.
    pub fn new(spectrum: &Spectrum, peaks: &PeakList) -> Option<Self> {
        let (mut curve, _) = Curve::new(spectrum, |x| in_a_line(peaks, x));
        let n = curve.len();
        if n < super::LEAST_POINTS {
            return None;
        }
        let found = curve.baseline();
        let dark_points = curve
            .y
            .iter()
            .filter(|y| (*y - found.level).abs() <= 3.0 * found.sigma.max(f64::MIN_POSITIVE))
            .count();
        let mut sorted = curve.y.clone();
        sorted.sort_by(f64::total_cmp);
        let lowest = sorted[((n as f64 * LOW_QUANTILE) as usize).min(n - 1)];
        let highest = sorted[n - 1];
        // Few agreeing points are dark only where nothing but noise parts them; the low end of a
        // continuum slopes.
        let noise = robust_sigma(&bends(&curve.x, &curve.y));
        let share = dark_points as f64 / n as f64;
        // Whole numbers are a converter's readings, and those have an offset.
        let whole = curve.y.iter().filter(|y| y.fract() == 0.0).count();
        let whole_numbers = whole as f64 >= WHOLE_SHARE * n as f64;
        let matters_little = lowest < LITTLE_SHARE * highest;
        let dark_seen = lowest <= 0.0
            || share >= PLAINLY_DARK_SHARE
            || ((whole_numbers || matters_little)
                && share >= LEAST_DARK_SHARE
                && found.sigma <= DARK_OVER_NOISE * noise);
        // The low end of a continuum on a high dark level: it hardly rises against that level.
        let rise = sorted[((n as f64 * RISE_QUANTILE) as usize).min(n - 1)] - lowest;
        let level_low = rise < RISE_SHARE * lowest && matters_little;
        let on_offset = !dark_seen && (whole_numbers || level_low);
        let (level, level_u) = if dark_seen {
            (found.level, found.u)
        } else if on_offset {
            (lowest, rise)
        } else {
            // Anywhere between nothing and the lowest light.
            (0.5 * lowest, lowest / 12f64.sqrt())
        };
        let tilt = if dark_seen { Tilt::new(&curve, level, highest) } else { Tilt::default() };
        let level_u = level_u.hypot(tilt.scatter);
        let width = |i: usize| cell(&curve.x, i);
        let y: Vec<f64> = (0..n).map(|i| curve.y[i] - level - tilt.at(curve.x[i])).collect();
        let whole: f64 = (0..n).map(|i| y[i] * width(i)).sum();
        let mean = whole / (curve.x[n - 1] - curve.x[0]);
        let stray = STRAY_SHARE * mean.max(0.0) / 3f64.sqrt();
        let sigma = scatter_at(spectrum, peaks, &curve.x);
        let mut net = Net {
            smooth: y.clone(),
            sigma,
            dark: Measured::new(level, level_u.hypot(stray)),
            level_u: vec![level_u.hypot(stray); n],
            dark_seen: dark_seen || on_offset,
            lines: Vec::new(),
            pedestal: None,
            clipped: curve.saturated.iter().filter(|s| **s).count(),
            x: curve.x.clone(),
            y,
            curve: curve.clone(),
        };
        net.take_lines(peaks, highest - level);
        net.take_pedestal(spectrum, peaks);
        for (to, from) in curve.y.iter_mut().zip(&net.smooth) {
            *to = from + level;
        }
        net.curve = curve;
        Some(net)
    }

    /// The same light with the response divided out: only where the response is known well enough.
    /// Counts become light on a scale on which the response's largest value is 1.
    pub fn corrected(&self, response: &Response) -> Self {
        let kept: Vec<(usize, f64)> = (0..self.x.len())
            .filter_map(|i| Some((i, response.at(self.x[i])?)))
            .filter(|(_, r)| *r >= LEAST_RESPONSE)
            .collect();
        let pick = |v: &[f64]| kept.iter().map(|(i, r)| v[*i] / r).collect::<Vec<f64>>();
        let x: Vec<f64> = kept.iter().map(|(i, _)| self.x[*i]).collect();
        let level: Vec<f64> = self.curve.y.iter().map(|y| y - self.dark.value).collect();
        let flags = kept.iter().map(|(i, _)| self.curve.saturated[*i]).collect();
        let lines = self.lines.iter().filter_map(|l| {
            let r = response.at(l.centre_nm.value).filter(|r| *r >= LEAST_RESPONSE)?;
            Some(LineLight { light: l.light / r, ..l.clone() })
        });
        Net {
            y: pick(&self.y),
            sigma: pick(&self.sigma),
            smooth: pick(&self.smooth),
            level_u: pick(&self.level_u),
            lines: lines.collect(),
            curve: self.curve.replaced(x.clone(), pick(&level), flags),
            x,
            dark: Measured::new(0.0, self.dark.u),
            dark_seen: self.dark_seen,
            pedestal: self.pedestal,
            clipped: self.clipped,
        }
    }

    /// The light of the lines alone: what is under and between them does not stand out of the dark
    /// level's uncertainty, and would only drown them in it.
    pub fn lines_only(&self) -> Self {
        let n = self.x.len();
        let in_line = |i: usize| self.y[i] != self.smooth[i];
        Net {
            y: (0..n).map(|i| self.y[i] - self.smooth[i]).collect(),
            sigma: (0..n).map(|i| if in_line(i) { self.sigma[i] } else { 0.0 }).collect(),
            smooth: vec![0.0; n],
            level_u: vec![0.0; n],
            ..self.clone()
        }
    }

    /// Finds the lines and takes them out of the smooth part.
    fn take_lines(&mut self, peaks: &PeakList, highest: f64) {
        let Some(instrument) = peaks.line_width else { return };
        let candidates: Vec<(usize, f64, f64)> = peaks
            .peaks
            .iter()
            .enumerate()
            .filter(|(_, p)| {
                let broadest = BROADEST_LINE * instrument.fwhm(p.centre.value);
                p.fwhm.value <= broadest && p.significance >= LINE_SIGNIFICANCE
            })
            .filter_map(|(k, p)| {
                let c = p.centre.value;
                let under = self.smooth_under(c, LINE_REACH * p.fwhm.value)?;
                let height = self.top_near(c, 0.5 * p.fwhm.value) - under;
                let least = (LINE_OVER_SMOOTH * under).max(LINE_OVER_HIGHEST * highest);
                (height > least).then_some((k, c, p.fwhm.value))
            })
            .collect();
        // Stretches that lines cover, those that touch as one.
        let mut stretches: Vec<(f64, f64)> = Vec::new();
        for (_, c, w) in &candidates {
            let (a, b) = (c - LINE_REACH * w, c + LINE_REACH * w);
            match stretches.last_mut() {
                Some(last) if a <= last.1 => last.1 = last.1.max(b),
                _ => stretches.push((a, b)),
            }
        }
        for (a, b) in &stretches {
            self.bridge(*a, *b);
        }
        let edges: Vec<f64> = candidates.windows(2).map(|w| 0.5 * (w[0].1 + w[1].1)).collect();
        for (i, (k, c, w)) in candidates.iter().enumerate() {
            let low = edges.get(i.wrapping_sub(1)).copied().unwrap_or(f64::NEG_INFINITY);
            let high = edges.get(i).copied().unwrap_or(f64::INFINITY);
            let (a, b) = ((c - LINE_REACH * w).max(low), (c + LINE_REACH * w).min(high));
            let light: f64 = (0..self.x.len())
                .filter(|i| self.x[*i] >= a && self.x[*i] < b)
                .map(|i| (self.y[i] - self.smooth[i]) * cell(&self.x, i))
                .sum();
            self.lines.push(LineLight {
                peak: *k,
                centre_nm: peaks.peaks[*k].centre,
                fwhm_nm: *w,
                light: light.max(0.0),
            });
        }
    }

    /// Takes off a broad, low rest under lines where the dark level is high beside it: detectors
    /// are not evenly dark.
    fn take_pedestal(&mut self, spectrum: &Spectrum, peaks: &PeakList) {
        let level = self.dark.value;
        let smooth: Vec<f64> = self.smooth.chunks(PEDESTAL_BLOCK).map(median).collect();
        let most = smooth.iter().copied().fold(0.0, f64::max);
        let low = most < PEDESTAL_SHARE * self.highest() && most < PEDESTAL_OVER_DARK * level;
        if !low || self.lines.is_empty() {
            return;
        }
        for i in 0..self.x.len() {
            let k = spectrum.axis().index_of(self.x[i]).round() as usize;
            let base = peaks.baseline.get(k).copied().filter(|b| b.is_finite());
            let pedestal = base.unwrap_or(level) - level;
            self.y[i] -= pedestal;
            self.smooth[i] -= pedestal;
        }
        self.pedestal = Some(most);
    }

    /// Smooth light under a place: the lower of the medians on either side, `reach` away.
    fn smooth_under(&self, at: f64, reach: f64) -> Option<f64> {
        let side = |x: f64| {
            let i = self.x.partition_point(|v| *v < x);
            let (a, b) = (i.saturating_sub(1), (i + 2).min(self.x.len()));
            (b > a).then(|| median(&self.y[a..b]))
        };
        Some(side(at - reach)?.max(side(at + reach)?))
    }

    fn top_near(&self, at: f64, reach: f64) -> f64 {
        let a = self.x.partition_point(|v| *v < at - reach).saturating_sub(1);
        let b = (self.x.partition_point(|v| *v <= at + reach) + 1).min(self.x.len());
        self.y[a..b].iter().copied().fold(f64::MIN, f64::max)
    }

    /// Replaces the smooth part between `a` and `b` by the line between what is outside.
    fn bridge(&mut self, a: f64, b: f64) {
        let n = self.x.len();
        let from = self.x.partition_point(|v| *v < a);
        let to = self.x.partition_point(|v| *v <= b);
        if from >= to {
            return;
        }
        let left = median(&self.y[from.saturating_sub(3)..from]);
        let right = median(&self.y[to..(to + 3).min(n)]);
        let (left, right) = match (from == 0, to == n) {
            (true, true) => (0.0, 0.0),
            (true, false) => (right, right),
            (false, true) => (left, left),
            _ => (left, right),
        };
        for i in from..to {
            let t = (i - from + 1) as f64 / (to - from + 1) as f64;
            self.smooth[i] = self.y[i].min(left + t * (right - left));
        }
    }

    /// Light between two wavelengths, counts · nm; points at the borders count in part.
    pub fn light(&self, values: &[f64], from_nm: f64, to_nm: f64) -> f64 {
        (0..self.x.len())
            .map(|i| values[i] * overlap(cell_edges(&self.x, i), (from_nm, to_nm)))
            .sum()
    }

    /// All of the light, counts · nm.
    pub fn whole(&self) -> f64 {
        self.light(&self.y, f64::NEG_INFINITY, f64::INFINITY)
    }

    /// Standard uncertainty of the light between two wavelengths by scatter alone.
    pub fn scatter_u(&self, from_nm: f64, to_nm: f64) -> f64 {
        let sum: f64 = (0..self.x.len())
            .map(|i| (self.sigma[i] * overlap(cell_edges(&self.x, i), (from_nm, to_nm))).powi(2))
            .sum();
        sum.sqrt()
    }

    /// First and last wavelength of the recording, nm.
    pub fn range(&self) -> [f64; 2] {
        [self.x[0], self.x[self.x.len() - 1]]
    }

    /// Highest net count.
    pub fn highest(&self) -> f64 {
        self.y.iter().copied().fold(f64::MIN, f64::max)
    }

    /// Value at a wavelength, averaged over `half_nm` to both sides; `None` outside.
    pub fn mean_at(&self, nm: f64, half_nm: f64) -> Option<f64> {
        let [a, b] = self.range();
        if nm - half_nm < a || nm + half_nm > b {
            return None;
        }
        Some(self.light(&self.y, nm - half_nm, nm + half_nm) / (2.0 * half_nm))
    }
}

/// How the dark level leans along the detector, and what is left of its unevenness.
#[derive(Debug, Clone, Copy, Default)]
struct Tilt {
    /// Counts for each nm.
    slope: f64,
    /// Middle of the dark parts, nm.
    middle: f64,
    /// What they are above the level there, counts.
    mean: f64,
    /// Standard deviation of the dark parts about the leaning level, counts.
    scatter: f64,
}

impl Tilt {
    /// What to take off beside the level at a place in nm, counts.
    fn at(&self, nm: f64) -> f64 {
        self.mean + self.slope * (nm - self.middle)
    }

    /// From the medians of those parts of a recording that are dark. A lean is taken off where they
    /// span most of the range; else all of their scatter is left as uncertainty.
    fn new(curve: &Curve, level: f64, highest: f64) -> Self {
        let part = curve.y.len().div_ceil(UNEVEN_PARTS).max(1);
        let parts: Vec<(f64, f64)> = curve
            .x
            .chunks(part)
            .zip(curve.y.chunks(part))
            .map(|(x, y)| (median(x), median(y) - level))
            .filter(|p| p.1.abs() < UNEVEN_SHARE * (highest - level))
            .collect();
        // The feet of bands are no dark parts: what is far from the line of the others goes.
        let mut parts = parts;
        let mut tilt = Tilt::default();
        for _ in 0..LEAN_ROUNDS {
            let Some(found) = Tilt::of(&parts, curve.x[curve.x.len() - 1] - curve.x[0]) else {
                break;
            };
            tilt = found;
            let rest = |p: &(f64, f64)| p.1 - tilt.at(p.0);
            let all: Vec<f64> = parts.iter().map(rest).collect();
            let far = LEAN_CLIP * robust_sigma(&all);
            let middle = median(&all);
            let before = parts.len();
            parts.retain(|p| (rest(p) - middle).abs() <= far);
            if parts.len() == before {
                break;
            }
        }
        tilt
    }

    /// The line through dark parts; `None` with fewer than three.
    fn of(parts: &[(f64, f64)], range: f64) -> Option<Self> {
        let n = parts.len() as f64;
        if parts.len() < 3 {
            return None;
        }
        let (mx, my) = (
            parts.iter().map(|p| p.0).sum::<f64>() / n,
            parts.iter().map(|p| p.1).sum::<f64>() / n,
        );
        let sxx: f64 = parts.iter().map(|p| (p.0 - mx).powi(2)).sum();
        let sxy: f64 = parts.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
        let spans = parts[parts.len() - 1].0 - parts[0].0 > LEAN_SPAN * range;
        let leans = spans && parts.len() >= LEAN_PARTS;
        let slope = if leans { sxy / sxx } else { 0.0 };
        let rest = |p: &(f64, f64)| p.1 - my - slope * (p.0 - mx);
        let freedom = if leans { n - 2.0 } else { n - 1.0 };
        let scatter = (parts.iter().map(|p| rest(p).powi(2)).sum::<f64>() / freedom).sqrt();
        let mean = if leans { my } else { 0.0 };
        Some(Tilt { slope, middle: mx, mean, scatter })
    }
}

/// True for a place in a line of the peak list, where several lines agree on their width: what is
/// that narrow is the instrument's line and no fault of a pixel.
fn in_a_line(peaks: &PeakList, x: f64) -> bool {
    let lines =
        || peaks.peaks.iter().filter(|p| p.line_like && p.significance >= LINE_SIGNIFICANCE);
    lines().count() >= AGREEING_LINES && lines().any(|p| (p.centre.value - x).abs() <= p.fwhm.value)
}

/// Borders of the stretch that a point stands for: half way to its neighbours.
pub(super) fn cell_edges(x: &[f64], i: usize) -> (f64, f64) {
    let a = if i == 0 { x[0] } else { 0.5 * (x[i - 1] + x[i]) };
    let b = if i + 1 == x.len() { x[i] } else { 0.5 * (x[i] + x[i + 1]) };
    (a, b)
}

/// Width of that stretch, nm.
pub(super) fn cell(x: &[f64], i: usize) -> f64 {
    let (a, b) = cell_edges(x, i);
    b - a
}

/// Length that two stretches have in common.
pub(super) fn overlap(a: (f64, f64), b: (f64, f64)) -> f64 {
    (a.1.min(b.1) - a.0.max(b.0)).max(0.0)
}

/// Scatter of the recording at the places of the curve.
fn scatter_at(spectrum: &Spectrum, peaks: &PeakList, x: &[f64]) -> Vec<f64> {
    let block = (spectrum.len() as f64 / x.len() as f64).max(1.0).sqrt();
    x.iter()
        .map(|v| {
            let i = spectrum.axis().index_of(*v).round() as usize;
            peaks.sigma.get(i).copied().filter(|s| s.is_finite()).unwrap_or(0.0) / block
        })
        .collect()
}
