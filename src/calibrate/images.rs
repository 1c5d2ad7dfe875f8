//! Images of a lamp's own short lines in second order, which carry the red end of an axis.
//!
//! A grating sends λ in second order where it sends 2λ in first. The images are faint, each by about
//! the same share of its line, and they stand where few lines of a fluorescent lamp do. One of them may
//! be any line's peak; three on one smooth axis with one share of their lines' light are images.

use super::anchors::{CROWDED_FLOOR_FWHM, MAX_MATCH_U_FWHM, Match, Recording, slope, weighted_rms};
use super::fit::{self, AxisFit, Point};
use super::pattern::{AnchorLine, LampPattern};
use super::score::MIN_SIGNIFICANCE;
use super::weigh::REACH_SIGMA;

/// Images that must agree before any of them carries the axis.
const MIN_IMAGES: usize = 3;
/// Share of a line's height that its image has at most: filters and gratings that are blazed for first
/// order leave a few per cent (common practice, no published source).
const MOST_SHARE: f64 = 0.2;
/// Factor within which the images' shares agree: the response differs between 2λ and λ, and from
/// image to image (common practice, no published source).
const SHARE_FACTOR: f64 = 4.0;
/// How far from the foretold place an image may stand, in line widths, besides [`REACH_SIGMA`].
const REACH_FWHM: f64 = 0.3;
/// Weighted residual in line widths beyond which the images are not on one axis with the lines.
const MAX_RMS_FWHM: f64 = 0.15;

/// The images that a recording shows beyond the anchors `from`, where they agree with these and with
/// each other, and no other choice of peaks does.
pub fn images<'a>(
    r: &Recording,
    index: usize,
    pattern: &'a LampPattern,
    from: &[Match<'a>],
    fwhm_nm: f64,
) -> Vec<Match<'a>> {
    let ends = |f: &AxisFit| r.range.map(|x| f.model.wavelength(x).value);
    let Some(start) = fitted(from, r) else { return Vec::new() };
    let [a, b] = ends(&start);
    let lines = pattern.image_lines(fwhm_nm, (a.min(b), a.max(b)));
    // Each image with the height of its line, where that one is an anchor.
    let known: Vec<(AnchorLine<'a>, f64)> = lines
        .into_iter()
        .filter_map(|(image, source)| {
            let line = from.iter().find(|m| m.line.emission == source)?;
            Some((image, r.peaks.peaks[line.peak].height?.value))
        })
        .collect();
    if known.len() < MIN_IMAGES {
        return Vec::new();
    }
    let mut found: Option<Vec<Match<'a>>> = None;
    for (k, (image, height)) in known.iter().enumerate().take(known.len() + 1 - MIN_IMAGES) {
        for (peak, share) in candidates(r, from, &start, image, *height, fwhm_nm, None) {
            let first = match_of(r, index, image, peak, &start, fwhm_nm);
            let chain = follow(r, index, from, first, share, &known[k + 1..], fwhm_nm);
            match (&found, chain) {
                (_, None) => {}
                (Some(other), Some(chain)) if same_peaks(other, &chain) => {}
                // Two choices that both agree: neither is sure.
                (Some(_), Some(_)) => return Vec::new(),
                (None, Some(chain)) => found = Some(chain),
            }
        }
    }
    found.unwrap_or_default()
}

/// True where one choice of peaks is part of the other.
fn same_peaks(a: &[Match], b: &[Match]) -> bool {
    let (few, many) = if a.len() < b.len() { (a, b) } else { (b, a) };
    few.iter().all(|m| many.iter().any(|o| o.peak == m.peak && o.point.nm == m.point.nm))
}

fn fitted(matched: &[Match], r: &Recording) -> Option<AxisFit> {
    let points: Vec<Point> = matched.iter().map(|m| m.point).collect();
    fit::fit(&points, r.range, r.kind).ok()
}

/// Peaks that may be an image, each with its share of the line's light; `share` is that of the image
/// before it.
fn candidates(
    r: &Recording,
    taken: &[Match],
    axis: &AxisFit,
    image: &AnchorLine,
    height: f64,
    fwhm_nm: f64,
    share: Option<f64>,
) -> Vec<(usize, f64)> {
    let fits = |k: &usize| {
        let p = &r.peaks.peaks[*k];
        let at = axis.model.wavelength(p.centre.value);
        p.line_like
            && p.significance > MIN_SIGNIFICANCE
            && (at.value - image.nm).abs() < REACH_SIGMA * at.u + REACH_FWHM * fwhm_nm
            && taken.iter().all(|m| m.peak != *k)
    };
    (0..r.peaks.peaks.len())
        .filter(fits)
        .filter_map(|k| Some((k, r.peaks.peaks[k].height?.value / height)))
        .filter(|(_, s)| *s < MOST_SHARE)
        .filter(|(_, s)| share.is_none_or(|t| (s / t).ln().abs() < SHARE_FACTOR.ln()))
        .collect()
}

fn match_of<'a>(
    r: &Recording,
    recording: usize,
    image: &AnchorLine<'a>,
    peak: usize,
    axis: &AxisFit,
    fwhm_nm: f64,
) -> Match<'a> {
    let centre = r.peaks.peaks[peak].centre;
    let slope = slope(|x| axis.model.wavelength(x).value, centre.value, r.width.value);
    let u_nm = (centre.u * slope).hypot(CROWDED_FLOOR_FWHM * fwhm_nm).hypot(image.u_nm);
    Match { line: *image, point: Point { x: centre.value, nm: image.nm, u_nm }, peak, recording }
}

/// The further images on the axis that the first one sets; `None` where too few are there.
fn follow<'a>(
    r: &Recording,
    index: usize,
    from: &[Match<'a>],
    first: Match<'a>,
    share: f64,
    others: &[(AnchorLine<'a>, f64)],
    fwhm_nm: f64,
) -> Option<Vec<Match<'a>>> {
    let mut all = from.to_vec();
    let mut chain = vec![first];
    all.push(first);
    for (image, height) in others {
        let axis = fitted(&all, r)?;
        let near = candidates(r, &all, &axis, image, *height, fwhm_nm, Some(share));
        let [(peak, _)] = near[..] else { continue };
        if axis.model.wavelength(r.peaks.peaks[peak].centre.value).u > MAX_MATCH_U_FWHM * fwhm_nm {
            continue;
        }
        let next = match_of(r, index, image, peak, &axis, fwhm_nm);
        chain.push(next);
        all.push(next);
    }
    let axis = fitted(&all, r)?;
    let agree = weighted_rms(&all, &axis) < MAX_RMS_FWHM * fwhm_nm;
    (chain.len() >= MIN_IMAGES && agree).then_some(chain)
}

#[cfg(test)]
mod tests {
    use crate::AxisKind;
    use crate::calibrate::{CalibrateSettings, Lamp, Profile, calibrate};
    use crate::reference::Tables;
    use crate::signal::{PeakSettings, find_peaks};
    use crate::simulate::{
        Detector, Instrument, LineShape, Response, Scene, SingleLine, record, truth_axis,
    };

    /// Mercury's lines from 365 to 579 nm before a simulated grating, with a share of their light in
    /// second order; how far the axis is off at 870 nm, and what it says of that.
    fn red_end(share: f64, seed: u64) -> (Profile, f64, f64) {
        let tables = Tables::bundled().unwrap();
        let lines = [
            (365.0158, 0.12),
            (404.6565, 0.36),
            (407.7837, 0.03),
            (435.8335, 0.9),
            (546.075, 1.0),
            (576.961, 0.17),
            (579.067, 0.18),
        ];
        let instrument = Instrument {
            axis: AxisKind::Pixel,
            second_order_share: share,
            response: Response::Flat,
            line_shape: LineShape { fwhm_short_nm: 1.0, fwhm_long_nm: 1.0, lorentz_share: 0.0 },
            detector: Detector { pattern_seed: seed, ..Detector::default() },
            ..Instrument::default()
        };
        let line = lines.map(|(wavelength_nm, strength)| SingleLine { wavelength_nm, strength });
        let scene = Scene { line: line.to_vec(), exposure_electrons: 5e5, ..Scene::default() };
        let s = record(&instrument, &scene, &tables, seed).unwrap();
        let peaks = find_peaks(&s, &PeakSettings::default()).unwrap();
        let settings =
            CalibrateSettings { lamp: Some(Lamp::mercury()), ..CalibrateSettings::default() };
        let profile = calibrate(&s, &peaks, &tables, &settings).unwrap();
        let truth = truth_axis(&instrument);
        let k = truth.iter().position(|nm| *nm > 870.0).unwrap();
        let m = profile.wavelength(s.x()[k]);
        let off = (m.value - truth[k]).abs();
        (profile, off, m.u)
    }

    /// Twice 365.02, 404.66 and 435.83 nm carry the axis where mercury has no strong line; without them
    /// it is not known there.
    #[test]
    fn images_carry_the_red_end() {
        for seed in 0..8 {
            let (profile, off, u) = red_end(0.02, seed);
            let images = profile.anchors.iter().filter(|a| a.feature.contains("second order"));
            assert!(images.count() >= 3, "{seed}: {:?}", profile.notes);
            assert!(off < 2.0 * u && u < 0.3, "{seed}: {off} {u}");
            let (without, _, wide) = red_end(0.0, seed);
            assert!(without.anchors.iter().all(|a| a.wavelength_nm < 700.0));
            assert!(wide > 4.0 * u, "{seed}: {wide} {u}");
        }
    }
}
