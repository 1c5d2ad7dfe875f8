//! The error that is common to all lines of a recording.

use super::evidence::SeenPeak;
use super::pattern::{Feature, Pattern};
use crate::Measured;
use crate::signal::LineWidth;

/// Reach in prior standard deviations within which the common shift is looked for.
const REACH_SIGMA: f64 = 3.0;
/// Step of the search in line widths.
const STEP_FWHM: f64 = 0.15;
/// Scatter of a line's place where the shift is right but no tilt has been taken out, in line widths.
const PLACE_FWHM: f64 = 0.22;
/// The same once the tilt is right too: what evidence takes for the systematic scatter, and what a
/// factory axis is bent beside.
const FITTED_FWHM: f64 = 0.1;
/// A peak within so many standard deviations of a feature may be its line.
const MATCH_SIGMA: f64 = 2.5;
/// Tilts of a factory axis that are tried, in their standard deviations.
const TILTS: [f64; 3] = [0.0, -1.0, 1.0];
/// Most shifts that are refined and held against each other.
const FOLLOWED: usize = 6;
/// Nats below the best from which another correction is no rival: here each line counts for little and
/// few species are looked at, so that all of them, line by line, may say otherwise.
const RIVAL_NATS: f64 = 12.0;
/// Most rivals, the best itself among them.
const RIVALS: usize = 4;
/// Distance in line widths at both ends within which two corrections are the same.
const SAME_FWHM: f64 = 0.3;
/// Most that one match says, nats.
const MATCH_CAP: f64 = 4.0;
/// Nats lost for a strongest line that is missing.
const MISSING: f64 = 2.0;
/// Strongest features of a species that are looked at.
const LOOKED_AT: usize = 14;
/// Nats that a species must reach to have a say.
const MIN_NATS: f64 = 6.0;
/// Prior standard deviation of a factory axis' tilt, nm from the middle of the lines to their
/// end: a third of its shift (common practice, no published source).
const TILT_SHARE: f64 = 0.33;

/// Common correction of an axis: true minus axis value, `shift + tilt · t` with t from −1 to 1
/// over `range`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correction {
    /// Shift in the middle of the range, nm.
    pub shift: Measured,
    /// Tilt, nm at the ends.
    pub tilt: f64,
    /// Range of the peaks, nm.
    pub range: (f64, f64),
    /// Scatter of the matched lines about it, nm; `None` where too few were matched.
    pub scatter_nm: Option<f64>,
}

impl Correction {
    /// Correction at a place, nm.
    pub fn at(&self, nm: f64) -> f64 {
        let half = 0.5 * (self.range.1 - self.range.0).max(1.0);
        let t = (nm - 0.5 * (self.range.0 + self.range.1)) / half;
        self.shift.value + self.tilt * t.clamp(-1.5, 1.5)
    }
}

/// Finds the corrections of an axis, the best first and then those that fit nearly as well.
///
/// The common error has the standard deviation of the first of `prior`, nm; each place has the part of it
/// that the second gives, 1 or less. `tilts` where the axis may be tilted as well.
pub fn find(
    patterns: &[&Pattern],
    peaks: &[SeenPeak],
    width: &LineWidth,
    (prior_nm, part): (f64, &dyn Fn(f64) -> f64),
    tilts: bool,
) -> Vec<Correction> {
    let range = (peaks.first().map_or(0.0, |p| p.nm), peaks.last().map_or(0.0, |p| p.nm));
    let none =
        Correction { shift: Measured::new(0.0, prior_nm), tilt: 0.0, range, scatter_nm: None };
    if peaks.is_empty() {
        return vec![none];
    }
    let fwhm = width.fwhm(0.5 * (range.0 + range.1));
    let mut by_height: Vec<usize> = (0..peaks.len()).collect();
    by_height.sort_by(|a, b| peaks[*b].height.total_cmp(&peaks[*a].height));
    let mut rank = vec![0.0; peaks.len()];
    for (r, k) in by_height.iter().enumerate() {
        rank[*k] = (r + 1) as f64;
    }
    // The strongest features of each species, with the part of the shift at their places.
    let top: Vec<Vec<(&Feature, f64)>> = patterns
        .iter()
        .map(|p| {
            let mut f: Vec<&Feature> = p.features.iter().collect();
            f.sort_by(|a, b| b.weight[1].total_cmp(&a.weight[1]));
            f.truncate(LOOKED_AT);
            f.into_iter().map(|f| (f, part(f.nm))).collect()
        })
        .collect();
    let span = (range.1 - range.0).max(20.0);
    // Nats of a species under a correction (true = axis + correction), lines being off it by `scatter`
    // widths.
    let nats = |top: &[(&Feature, f64)], c: &Correction, scatter: f64| -> f64 {
        let mut sum = 0.0;
        for (f, part) in top {
            let sd = (scatter * fwhm).hypot(f.u_nm);
            let at = f.nm - c.at(f.nm) * part;
            let from = peaks.partition_point(|q| q.nm < at - MATCH_SIGMA * sd);
            let mut best = f64::NEG_INFINITY;
            for (q, r) in peaks[from..].iter().zip(&rank[from..]) {
                if q.nm > at + MATCH_SIGMA * sd {
                    break;
                }
                let z = (q.nm - at) / sd;
                let chance = r / span * sd * 2.506_628;
                best = best.max((-chance.ln() - 0.5 * z * z).min(MATCH_CAP));
            }
            if best > 0.0 {
                sum += best;
            } else if !f.glass && at > range.0 - 0.05 * span && at < range.1 + 0.05 * span {
                sum -= MISSING * f.weight[1].powf(0.3);
            }
        }
        sum
    };
    let total = |c: &Correction, scatter: f64| -> f64 {
        let all: f64 = top.iter().map(|t| (nats(t, c, scatter) - MIN_NATS).max(0.0)).sum();
        let tilt = if tilts { c.tilt / (TILT_SHARE * prior_nm) } else { 0.0 };
        all - 0.5 * ((c.shift.value / prior_nm).powi(2) + tilt * tilt)
    };
    // The search, by shift and a few tilts.
    let step = (STEP_FWHM * fwhm).max(0.02 * prior_nm).max(1e-3);
    let steps = (REACH_SIGMA * prior_nm / step).ceil() as i64;
    let mut tops: Vec<(Correction, f64)> = Vec::new();
    for tilt in TILTS.iter().filter(|t| tilts || **t == 0.0) {
        let scan: Vec<(Correction, f64)> = (-steps..=steps)
            .map(|k| Correction {
                shift: Measured::new(k as f64 * step, fwhm),
                tilt: tilt * TILT_SHARE * prior_nm,
                ..none
            })
            .map(|c| (c, total(&c, PLACE_FWHM)))
            .collect();
        let value = |k: usize| scan.get(k).map_or(f64::NEG_INFINITY, |s| s.1);
        tops.extend((0..scan.len()).filter_map(|k| {
            let top = value(k) >= value(k + 1) && value(k) > value(k.wrapping_sub(1));
            (top && value(k) > 0.0).then_some(scan[k])
        }));
    }
    tops.sort_by(|a, b| b.1.total_cmp(&a.1));
    tops.truncate(FOLLOWED);
    // Each refined on the lines of the species that have a say there, with a tilt; the lines' own
    // places then decide between them.
    let half = 0.5 * (range.1 - range.0).max(1.0);
    let mid = 0.5 * (range.0 + range.1);
    let refined = |start: &Correction| -> Correction {
        let mut c = *start;
        for round in 0..4 {
            let reach = if round == 0 { 0.6 } else { 0.4 } * fwhm;
            let (mut s, mut n) = ([0.0; 5], 0);
            let mut pairs = Vec::new();
            for t in &top {
                if nats(t, start, PLACE_FWHM) < MIN_NATS {
                    continue;
                }
                for (f, part) in t {
                    let near = peaks
                        .iter()
                        .map(|q| (q, f.nm - q.nm - c.at(q.nm) * part))
                        .filter(|(_, d)| d.abs() < reach)
                        .min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
                    if let Some((q, _)) = near {
                        let u = q.u_nm.hypot(f.u_nm).hypot(0.05 * fwhm);
                        pairs.push((q.nm, f.nm - q.nm, u, *part));
                    }
                }
            }
            for (x, y, u, part) in &pairs {
                let (w, t) = (u.powi(-2), (x - mid) / half);
                let w2 = w * part * part;
                s[0] += w2;
                s[1] += w2 * t;
                s[2] += w2 * t * t;
                s[3] += w * part * y;
                s[4] += w * part * t * y;
                n += 1;
            }
            if n == 0 {
                return *start;
            }
            s[0] += prior_nm.powi(-2);
            s[2] += if tilts { (TILT_SHARE * prior_nm).powi(-2) } else { 1e12 };
            let det = s[0] * s[2] - s[1] * s[1];
            c.shift.value = (s[2] * s[3] - s[1] * s[4]) / det;
            c.tilt = (s[0] * s[4] - s[1] * s[3]) / det;
            let mut rest: Vec<f64> =
                pairs.iter().map(|(x, y, _, part)| (y - c.at(*x) * part).abs()).collect();
            let scatter = 1.4826 * crate::signal::median(&mut rest);
            c.scatter_nm = (n >= 4).then_some(scatter);
            c.shift.u = (s[2] / det).sqrt().hypot(scatter / (n as f64).sqrt());
        }
        c
    };
    let mut best: Vec<(Correction, f64)> =
        tops.iter().map(|(start, _)| refined(start)).map(|c| (c, total(&c, FITTED_FWHM))).collect();
    best.sort_by(|a, b| b.1.total_cmp(&a.1));
    let ends = [range.0, range.1];
    let same = |a: &Correction, b: &Correction| {
        ends.iter().all(|nm| (a.at(*nm) - b.at(*nm)).abs() < SAME_FWHM * fwhm)
    };
    let mut out: Vec<Correction> = Vec::new();
    for (c, value) in &best {
        if *value > best[0].1 - RIVAL_NATS && !out.iter().any(|o| same(o, c)) {
            out.push(*c);
        }
    }
    out.truncate(RIVALS);
    if out.is_empty() { vec![none] } else { out }
}

#[cfg(test)]
mod tests {
    use super::super::pattern::{pattern, single};
    use super::*;
    use crate::reference::Tables;

    /// Mercury's lines where a lamp set the axis well, and argon's beyond it where it reads 1.2 nm too
    /// low: the places that are sure stay where they are. Wavelengths: NIST Atomic Spectra Database,
    /// from memory.
    #[test]
    fn a_place_that_is_sure_is_not_shifted_with_the_rest() {
        let tables = Tables::bundled().unwrap();
        let width = LineWidth::constant(1.0, 0.05);
        let range = (380.0, 900.0);
        let species: Vec<_> =
            ["Hg I", "Ar I"].map(|n| tables.species().iter().find(|s| s.name == n).unwrap()).into();
        let features: Vec<Vec<Feature>> = species.iter().map(|s| single(s, &width)).collect();
        let patterns: Vec<Pattern> =
            species.iter().zip(&features).map(|(s, f)| pattern(s, f, range, &width)).collect();
        let part = |nm: f64| if nm < 600.0 { 0.05 } else { 1.0 };
        let peaks: Vec<SeenPeak> = [
            404.656, 407.783, 435.834, 491.607, 546.075, 578.0, 696.543, 706.722, 738.398, 750.387,
            763.511, 772.42, 794.818, 811.531, 842.465,
        ]
        .iter()
        .map(|nm| SeenPeak {
            nm: nm - 1.2 * part(*nm),
            u_nm: 0.03,
            height: 100.0,
            broad: 1.0,
            clipped: false,
            ghost: false,
        })
        .collect();
        let refs: Vec<&Pattern> = patterns.iter().collect();
        let c = find(&refs, &peaks, &width, (1.0, &part), false)[0];
        assert!((c.shift.value - 1.2).abs() < 0.1 && c.shift.u < 0.2, "{c:?}");
        // One shift for all has either mercury or argon right, and so many lines of the other wrong.
        let placed = |part: &dyn Fn(f64) -> f64| {
            let c = find(&refs, &peaks, &width, (1.0, part), false)[0];
            peaks
                .iter()
                .filter(|p| {
                    let nm = p.nm + c.at(p.nm) * part(p.nm);
                    patterns.iter().flat_map(|p| &p.features).any(|f| (f.nm - nm).abs() < 0.15)
                })
                .count()
        };
        assert!(
            placed(&part) >= peaks.len() - 1 && placed(&|_| 1.0) < 12,
            "{} {}",
            placed(&part),
            placed(&|_| 1.0)
        );
    }
}
