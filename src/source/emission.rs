//! What a light consists of: lines, bands, a continuum; and what is only an image of these.

use super::Band;
use super::curve::{Curve, Dark};
use super::net::{Net, cell};
use super::smooth::robust_sigma;
use crate::Measured;
use crate::signal::PeakList;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Broadest band, nm: LEDs are up to 60 nm, phosphors up to some 150 nm wide; what is broader is a
/// continuum (common practice, no published source).
const BROADEST_BAND_NM: f64 = 170.0;
/// Dips narrower than this are absorption, not valleys between two bands, nm: the deepest of the
/// air, at 760 nm, is about 10 nm wide in a cheap spectrometer.
const DIP_NM: f64 = 14.0;
/// Half of the stretch over which the curve is averaged before its bands are told apart, nm.
const AVERAGE_NM: f64 = 1.5;
/// Fewest points of that average.
const AVERAGE_POINTS: usize = 5;
/// Two crests are two bands where the valley is below this share of the lower one.
const VALLEY: f64 = 0.8;
/// A band stands out by this share of the highest point …
const LEAST_SHARE: f64 = 0.02;
/// … and by this many standard deviations of the averaged curve.
const LEAST_SIGMAS: f64 = 8.0;
/// Most bands that are listed.
const MOST_BANDS: usize = 12;
/// Most of a light that its second-order image can be, as a share of its height: gratings of
/// cheap instruments send 0.1 to 3 % there (common practice, no published source).
const GHOST_SHARE: f64 = 0.05;
/// A continuum lower than this share of the highest point may be stray light as well.
const FAINT_SHARE: f64 = 5e-3;
/// What is faint and less than this many times broader than a line is a line.
const BAND_OVER_LINE: f64 = 1.5;
/// It is faint below this share of the light.
const FAINT_LINE: f64 = 0.1;
/// Bands with at least this share of the light are searched for their images.
const IMAGED_SHARE: f64 = 0.1;
/// How far a second-order image may be from twice the wavelength, nm, beside the axis'
/// uncertainty.
const GHOST_WITHIN_NM: f64 = 3.0;

/// A highest point nearer than this to an end of what is covered is no peak, nm: the curve is
/// averaged over so much to either side, and a peak has to fall on both.
const END_NM: f64 = AVERAGE_NM;

/// What an emission looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// As narrow as the instrument shows anything.
    Line,
    /// Broader than a line: LED, phosphor, excimer.
    Band,
    /// So broad that it has no band's shape: incandescence, daylight.
    Continuum,
}

impl Shape {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Shape::Line => "line",
            Shape::Band => "band",
            Shape::Continuum => "continuum",
        }
    }
}

/// One emission of a source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Emission {
    /// Line, band or continuum.
    pub shape: Shape,
    /// Peak wavelength on the recording's axis, nm: for a band its highest point, for a line its
    /// fitted place; the uncertainty contains that of the axis.
    pub peak_nm: Measured,
    /// Maximum of a low polynomial through the top of a band, nm; `None` for lines and where the
    /// top has none.
    pub fitted_nm: Option<Measured>,
    /// Centroid, nm; for a line its place.
    pub centroid_nm: Measured,
    /// Full width at half maximum, nm; `None` where a side is missing or the top is clipped.
    pub fwhm_nm: Option<Measured>,
    /// Half-maximum crossings, nm, where there are such.
    pub half_maximum_nm: [Option<f64>; 2],
    /// Where it ends, nm: the foot of a band, the stretch of a line.
    pub limits_nm: [f64; 2],
    /// Share of the recorded light, 0 to 1.
    pub share: f64,
    /// What it is taken for, `Hg I 435.83` or `second order of 396.5 nm`; empty where nothing is
    /// known.
    pub taken_for: String,
    /// True for a second-order image: it is not light of that wavelength.
    pub ghost: bool,
    /// True where its top is clipped.
    pub clipped: bool,
    /// True where it rises to an end of what the recording, or the known response, covers: the
    /// place of its highest point is that end and no peak.
    #[serde(default)]
    pub rises_to_end: bool,
}

/// Bands and continua of the smooth part, by their places.
pub(super) fn bands(net: &Net) -> Vec<(Band, Shape, f64)> {
    let curve = &net.curve;
    let averaged = averaged(&curve.x, &net.smooth);
    let top = averaged.iter().copied().fold(f64::MIN, f64::max);
    if top.is_nan() || top <= 0.0 {
        return Vec::new();
    }
    let closed = closed(&curve.x, &averaged);
    let ground = if is_broad(&curve.x, &closed) { &closed } else { &averaged };
    let noise = robust_sigma(&differences(&averaged));
    let least = (LEAST_SHARE * top).max(LEAST_SIGMAS * noise);
    let pieces = pieces(ground, least);
    let sigma = curve.baseline().sigma.max(0.0);
    let dark = Dark { level: net.dark.value, u: net.dark.u, sigma };
    let whole = pieces.len();
    let mut out = Vec::new();
    for (from, to) in pieces.into_iter().take(MOST_BANDS) {
        let part = if whole == 1 { curve.clone() } else { curve.part(from, to) };
        let Some(band) = measured(&part, &dark) else { continue };
        let light: f64 = (from..to).map(|i| net.smooth[i] * cell(&net.x, i)).sum();
        let width = band.fwhm_nm.map_or(band.limits_nm[1] - band.limits_nm[0], |w| w.value);
        let shape = if width > BROADEST_BAND_NM { Shape::Continuum } else { Shape::Band };
        out.push((band, shape, light));
    }
    out
}

fn measured(part: &Curve, dark: &Dark) -> Option<Band> {
    if part.len() < super::LEAST_POINTS {
        return None;
    }
    part.measure_on(dark)
}

/// Averages over [`AVERAGE_NM`], or [`AVERAGE_POINTS`] where that is more.
fn averaged(x: &[f64], y: &[f64]) -> Vec<f64> {
    let half = AVERAGE_POINTS / 2;
    (0..x.len())
        .map(|i| {
            let from = x.partition_point(|v| *v < x[i] - AVERAGE_NM).min(i.saturating_sub(half));
            let to = x.partition_point(|v| *v <= x[i] + AVERAGE_NM);
            let to = to.max((i + half + 1).min(x.len()));
            y[from..to].iter().sum::<f64>() / (to - from) as f64
        })
        .collect()
}

/// The curve with dips narrower than [`DIP_NM`] filled: highest within the window, then lowest of
/// these (a closing).
fn closed(x: &[f64], y: &[f64]) -> Vec<f64> {
    let over = |y: &[f64], pick: fn(f64, f64) -> f64| -> Vec<f64> {
        let half = 0.5 * DIP_NM;
        (0..x.len())
            .map(|i| {
                let from = x.partition_point(|v| *v < x[i] - half);
                let to = x.partition_point(|v| *v <= x[i] + half);
                y[from..to].iter().copied().fold(y[i], pick)
            })
            .collect()
    };
    over(&over(y, f64::max), f64::min)
}

/// True where the stretch above half of the highest point is broader than a band's.
fn is_broad(x: &[f64], y: &[f64]) -> bool {
    let Some((at, top)) = y.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1)) else {
        return false;
    };
    let low = (0..=at).rev().take_while(|i| y[*i] >= 0.5 * top).last().unwrap_or(at);
    let high = (at..y.len()).take_while(|i| y[*i] >= 0.5 * top).last().unwrap_or(at);
    x[high] - x[low] > BROADEST_BAND_NM
}

fn differences(y: &[f64]) -> Vec<f64> {
    y.windows(2).map(|w| (w[1] - w[0]) / 2f64.sqrt()).collect()
}

/// Stretches `from..to` of crests that stand out, ascending; together they cover everything.
fn pieces(y: &[f64], least: f64) -> Vec<(usize, usize)> {
    // A crest counts once the curve has fallen from it as far as a valley asks for, and the next one
    // once it has risen from the valley as far.
    let n = y.len();
    let mut crests: Vec<usize> = Vec::new();
    let (mut top, mut low, mut rising) = (0, 0, true);
    let deep = |low: f64, crest: f64| low < VALLEY * crest && crest - low >= least;
    for i in 0..n {
        match rising {
            true if y[i] >= y[top] => top = i,
            true if deep(y[i], y[top]) => {
                crests.push(top);
                (rising, low) = (false, i);
            }
            false if y[i] <= y[low] => low = i,
            false if deep(y[low], y[i]) => (rising, top) = (true, i),
            _ => {}
        }
    }
    if rising && n > 0 {
        crests.push(top);
    }
    crests.retain(|c| y[*c] >= least);
    let mut out = Vec::new();
    let mut from = 0;
    for pair in crests.windows(2) {
        let low = (pair[0]..pair[1]).min_by(|a, b| y[*a].total_cmp(&y[*b])).unwrap_or(pair[0]);
        out.push((from, low + 1));
        from = low;
    }
    if !crests.is_empty() {
        out.push((from, n));
    }
    out
}

/// All emissions, ascending: lines from the peak list, bands from the smooth part.
pub(super) fn emissions(net: &Net, peaks: &PeakList, axis_u: &dyn Fn(f64) -> f64) -> Vec<Emission> {
    let whole = net.whole();
    let share = |light: f64| if whole > 0.0 { (light / whole).max(0.0) } else { 0.0 };
    // The peak search knows nothing of how well the axis is known.
    let with_axis = |m: Measured| Measured::new(m.value, m.u.hypot(axis_u(m.value)));
    let mut out: Vec<Emission> = Vec::new();
    for l in &net.lines {
        let fwhm = peaks.peaks.get(l.peak).map(|p| p.fwhm);
        let (a, b) = (l.centre_nm.value - l.fwhm_nm, l.centre_nm.value + l.fwhm_nm);
        let place = with_axis(l.centre_nm);
        out.push(Emission {
            shape: Shape::Line,
            peak_nm: place,
            fitted_nm: None,
            centroid_nm: place,
            fwhm_nm: fwhm,
            half_maximum_nm: [None, None],
            limits_nm: [a, b],
            share: share(l.light),
            taken_for: String::new(),
            ghost: false,
            clipped: peaks.peaks.get(l.peak).is_some_and(|p| p.clipped),
            rises_to_end: false,
        });
    }
    for (band, shape, light) in bands(net) {
        // A line too faint for the list of lines is still none of the bands.
        let faint = light < FAINT_LINE * whole;
        let narrow = band
            .fwhm_nm
            .zip(peaks.line_width)
            .is_some_and(|(w, line)| w.value < BAND_OVER_LINE * line.fwhm(band.highest_nm.value));
        let shape = if faint && narrow { Shape::Line } else { shape };
        let end = end_reached(&band, net);
        let taken_for = match (faint_words(&band, shape, net), end) {
            (words, Some(nm)) if words.is_empty() => format!("rises to the end at {nm:.0} nm"),
            (words, Some(nm)) => format!("{words}, rises to the end at {nm:.0} nm"),
            (words, None) => words,
        };
        out.push(Emission {
            shape,
            peak_nm: with_axis(band.highest_nm),
            fitted_nm: band.fitted_nm.map(with_axis),
            centroid_nm: with_axis(band.centroid_nm),
            fwhm_nm: band.fwhm_nm,
            half_maximum_nm: band.half_maximum_nm.map(|m| m.map(|m| m.value)),
            limits_nm: band.limits_nm,
            share: share(light),
            taken_for,
            ghost: false,
            clipped: band.clipped,
            rises_to_end: end.is_some(),
        });
    }
    out.sort_by(|a, b| a.peak_nm.value.total_cmp(&b.peak_nm.value));
    mark_ghosts(&mut out, net);
    let images: Vec<Emission> = out.iter().filter_map(|e| faint_image(e, &out, net)).collect();
    out.extend(images);
    out.sort_by(|a, b| a.peak_nm.value.total_cmp(&b.peak_nm.value));
    out
}

/// The end of what is covered that a band rises to, nm; `None` where it has a peak.
fn end_reached(band: &Band, net: &Net) -> Option<f64> {
    let [from, to] = net.range();
    let points = net.x.len();
    let reach = |a: usize, b: usize| match (net.x.get(a), net.x.get(b)) {
        (Some(a), Some(b)) => END_NM.max(2.0 * (b - a)),
        _ => END_NM,
    };
    let at = band.highest_nm.value;
    if band.half_maximum_nm[0].is_none() && at - from <= reach(0, 1) {
        Some(from)
    } else if band.half_maximum_nm[1].is_none()
        && to - at <= reach(points.saturating_sub(2), points.saturating_sub(1))
    {
        Some(to)
    } else {
        None
    }
}

/// What a continuum far below the highest point may be.
fn faint_words(band: &Band, shape: Shape, net: &Net) -> String {
    let faint = shape == Shape::Continuum && band.height.value < FAINT_SHARE * net.highest();
    if faint { "stray light, room light or a faint continuum".into() } else { String::new() }
}

/// The second-order image of a strong band where it is too faint to be found as a band itself:
/// twice as broad, at twice the wavelength.
fn faint_image(of: &Emission, all: &[Emission], net: &Net) -> Option<Emission> {
    let width = 2.0 * of.fwhm_nm?.value;
    if of.ghost || of.shape != Shape::Band || of.share < IMAGED_SHARE {
        return None;
    }
    let at = 2.0 * of.peak_nm.value;
    let taken = |e: &Emission| (e.peak_nm.value - at).abs() < width;
    if all.iter().any(taken) {
        return None;
    }
    let middle = net.mean_at(at, 0.5 * width)?;
    // What is beside it on both sides, each in two halves that tell how uneven it is there.
    let beside = [-2.5, -2.0, 2.0, 2.5].map(|k| net.mean_at(at + k * width, 0.25 * width));
    let [a, b, c, d] = [beside[0]?, beside[1]?, beside[2]?, beside[3]?];
    let ground = 0.25 * (a + b + c + d);
    let uneven = (a - ground).abs().max((b - ground).abs()).max((c - ground).abs());
    let uneven = uneven.max((d - ground).abs());
    let scatter = net.scatter_u(at - 0.5 * width, at + 0.5 * width) / width;
    let height = middle - ground;
    let strongest = net.mean_at(of.peak_nm.value, 1.0)?;
    if height < LEAST_SIGMAS * scatter.hypot(0.5 * uneven) || height > GHOST_SHARE * strongest {
        return None;
    }
    let limits_nm = [at - 1.3 * width, at + 1.3 * width];
    let whole = net.whole();
    Some(Emission {
        peak_nm: Measured::new(at, 2.0 * of.peak_nm.u),
        fitted_nm: None,
        centroid_nm: Measured::new(at, 2.0 * of.peak_nm.u),
        fwhm_nm: None,
        half_maximum_nm: [None, None],
        limits_nm,
        share: (net.light(&net.y, limits_nm[0], limits_nm[1]) / whole).max(0.0),
        taken_for: format!("second order of {:.1} nm", of.peak_nm.value),
        ghost: true,
        clipped: false,
        rises_to_end: false,
        shape: Shape::Band,
    })
}

/// Marks what lies at twice the wavelength of something far stronger.
fn mark_ghosts(list: &mut [Emission], net: &Net) {
    let heights: Vec<f64> =
        list.iter().map(|e| net.mean_at(e.peak_nm.value, 1.0).unwrap_or(0.0)).collect();
    for i in 0..list.len() {
        let e = &list[i];
        if e.shape == Shape::Continuum {
            continue;
        }
        let parent = (0..list.len()).find(|k| {
            let p = &list[*k];
            let within = GHOST_WITHIN_NM
                + 0.2 * e.fwhm_nm.map_or(0.0, |w| w.value)
                + 2.0 * p.peak_nm.u.hypot(e.peak_nm.u);
            // A band's image is twice as broad; a narrower thing is something else.
            let broad = match (e.fwhm_nm, p.fwhm_nm, p.shape) {
                (Some(e), Some(p), Shape::Band) => e.value > 1.3 * p.value,
                (_, _, Shape::Continuum) => false,
                _ => true,
            };
            (e.peak_nm.value - 2.0 * p.peak_nm.value).abs() <= within
                && heights[i] <= GHOST_SHARE * heights[*k]
                && e.shape == p.shape
                && broad
        });
        if let Some(k) = parent {
            let of = list[k].peak_nm.value;
            list[i].ghost = true;
            list[i].taken_for = format!("second order of {of:.1} nm");
        }
    }
}
