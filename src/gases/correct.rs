//! The axis set right by what the lines have in common, and the peaks after it.

use super::GasSettings;
use super::bend::Bend;
use super::evidence::SeenPeak;
use super::pattern::{Feature, Pattern, pattern};
use super::sequence::ShiftPrior;
use super::shift::{self, Correction};
use crate::reference::Species;
use crate::signal::{LineWidth, PeakList};
use crate::{Measured, Spectrum};

/// Species that may set the common shift of an axis: the fillings and the mercury and hydrogen
/// that nearly every tube shows.
pub const LEADERS: [&str; 9] =
    ["He I", "Ne I", "Ar I", "Kr I", "Xe I", "Hg I", "H I", "N2 (C-B)", "O I"];
/// Scatter of a factory axis about shift and tilt, nm (common practice, no published source).
const FACTORY_SCATTER_NM: f64 = 0.2;
/// Standard deviation of a Gaussian over its FWHM, 1/√(8 ln 2). A peak that is broader than a line
/// holds several: by its second moment, two equal lines that make it b times as broad stand
/// σ √(b² − 1) to each side of its centre.
const SIGMA_PER_FWHM: f64 = 0.424_660_900_144_009_5;
/// Breadth up to which two equal lines stay one peak: they show a dip from a distance of 2 σ on
/// (C. Sparrow, Astrophys. J. 44 (1916) 76), where the peak is √2 times as broad.
const UNRESOLVED_BROAD: f64 = std::f64::consts::SQRT_2;
/// Standard uncertainties of a smooth correction by many lines that bound what is left of the axis' error: it
/// is fitted with terms that may not be the axis' own (common practice, no published source).
const SURE_BOUND: f64 = 4.0;
/// Second-order images come from below this wavelength, nm: twice it is the end of silicon.
const GHOST_BELOW_NM: f64 = 560.0;
/// A ghost is at most this share of the line that casts it.
const GHOST_SHARE: f64 = 0.3;

/// The corrections of an axis: one, or where it leaps one for each detector's stretch, with the
/// end of that stretch.
pub struct Corrections<'a> {
    first: (f64, Correction),
    second: Option<Correction>,
    spectrum: &'a Spectrum,
    /// Typical standard uncertainty of the axis, nm.
    typical_nm: f64,
    /// The smooth rest, where it is known.
    bend: Option<Bend>,
}

impl Corrections<'_> {
    /// The one that holds at a place of the axis, nm.
    pub fn of(&self, nm: f64) -> &Correction {
        match &self.second {
            Some(c) if nm >= self.first.0 => c,
            _ => &self.first.1,
        }
    }

    /// Correction at a place, nm.
    pub fn at(&self, nm: f64) -> f64 {
        let common = self.of(nm).at(nm) * part(self.spectrum, self.typical_nm, nm);
        common + self.bend.as_ref().map_or(0.0, |b| b.at(nm + common))
    }

    /// Nats that the second stretch of an axis that leaps costs: its shift was found on the same lines, so
    /// that the evidence is less by its prior width over what it is known to (for the first, which every
    /// axis has, the map of confidences was made).
    pub fn second_cost(&self) -> f64 {
        let cost = |c: &Correction| (self.typical_nm / c.shift.u.max(f64::MIN_POSITIVE)).ln();
        self.second.as_ref().map_or(0.0, |c| cost(c).max(0.0))
    }

    /// True for an axis of one stretch that nobody has calibrated.
    pub fn may_bend(&self) -> bool {
        self.second.is_none() && self.spectrum.axis_u().is_none()
    }

    /// The same with a smooth rest.
    pub fn bent(&self, bend: Bend) -> Self {
        Corrections { bend: Some(bend), ..*self }
    }

    /// The same shifted by so much, nm, and sure to `u` from then on; of an axis that leaps, the first
    /// stretch.
    pub fn shifted(&self, by: f64, u: f64) -> Self {
        let mut first = self.first;
        first.1.shift = Measured::new(first.1.shift.value + by, u);
        first.1.scatter_nm = Some(first.1.scatter_nm.map_or(u, |s| s.min(u)));
        Corrections { first, bend: None, ..*self }
    }

    /// Correction at a place with the standard uncertainty of the shift, nm.
    pub fn shift_at(&self, nm: f64) -> Measured {
        let u = self.bend.as_ref().map_or(self.of(nm).shift.u, |b| b.u(nm));
        Measured::new(self.at(nm), u * part(self.spectrum, self.typical_nm, nm))
    }

    /// Standard uncertainty of a place once the common correction is taken out, nm.
    pub fn left_u(&self, nm: f64) -> f64 {
        let c = self.of(nm);
        if let Some(b) = &self.bend {
            return b.u(nm);
        }
        match self.spectrum.axis_u_at(nm) {
            // What is common has been taken out; what grows beyond the typical stays.
            Some(u) => {
                let beyond = (u * u - self.typical_nm * self.typical_nm).max(0.0).sqrt();
                beyond.hypot(self.shift_at(nm).u.min(u))
            }
            None => match c.scatter_nm {
                Some(s) => c.shift.u.min(self.typical_nm).hypot(s.max(FACTORY_SCATTER_NM)),
                None => self.typical_nm,
            },
        }
    }
}

/// Part of the common shift that a place of the axis has: where the axis is surer than it typically
/// is, as between the lamp's lines, less in the same measure.
fn part(spectrum: &Spectrum, typical_nm: f64, nm: f64) -> f64 {
    spectrum.axis_u_at(nm).map_or(1.0, |u| (u / typical_nm).min(1.0))
}

/// The common correction of the axis, and the peaks after it; with those that fit nearly as well, where
/// there are some.
pub fn correct<'a>(
    asked: &[&Species],
    singles: &[Vec<Feature>],
    spectrum: &'a Spectrum,
    peaks: &PeakList,
    range: (f64, f64),
    width: &LineWidth,
    settings: &GasSettings,
) -> Vec<(Corrections<'a>, Vec<SeenPeak>)> {
    let seen = as_recorded(peaks, width);
    let calibrated = spectrum.axis_u().is_some();
    let mut u: Vec<f64> = peaks
        .peaks
        .iter()
        .map(|p| spectrum.axis_u_at(p.centre.value).unwrap_or(settings.factory_axis_u_nm))
        .collect();
    let prior = crate::signal::median(&mut u).max(0.02 * width.fwhm(0.5 * (range.0 + range.1)));
    // The search reaches beyond the range by the prior: lines there may come in.
    let leaders: Vec<Pattern> = LEADERS
        .iter()
        .filter_map(|n| asked.iter().zip(singles).find(|(s, _)| s.name == *n))
        .map(|(s, f)| pattern(s, f, (range.0 - prior, range.1 + prior), width))
        .collect();
    let refs: Vec<&Pattern> = leaders.iter().collect();
    // Stretches of two detectors have nothing in common but the file.
    let leap = spectrum.axis().gap().map_or(f64::INFINITY, |(_, a, b)| 0.5 * (a + b));
    let (low, high): (Vec<SeenPeak>, Vec<SeenPeak>) =
        seen.iter().cloned().partition(|p| p.nm < leap);
    let find = |seen: &[SeenPeak]| {
        shift::find(&refs, seen, width, (prior, &|nm| part(spectrum, prior, nm)), !calibrated)
    };
    let second = leap.is_finite().then(|| find(&high)[0]);
    let mut firsts = find(&low);
    if second.is_some() {
        // Each stretch has too little to weigh one pair of corrections against another.
        firsts.truncate(1);
    }
    firsts
        .into_iter()
        .map(|first| {
            let all = Corrections {
                first: (leap, first),
                second,
                spectrum,
                typical_nm: prior,
                bend: None,
            };
            let seen = under(&all, &seen, width);
            (all, seen)
        })
        .collect()
}

/// Peaks as they were recorded, without the uncertainty of the axis.
pub fn as_recorded(peaks: &PeakList, width: &LineWidth) -> Vec<SeenPeak> {
    let floor = peaks.saturation.map_or(0.0, |s| {
        let mut b = peaks.baseline.clone();
        (s.level - crate::signal::median(&mut b)).max(0.0)
    });
    let tallest =
        peaks.peaks.iter().filter_map(|p| p.height.map(|h| h.value)).fold(floor, f64::max);
    peaks
        .peaks
        .iter()
        .map(|p| SeenPeak {
            nm: p.centre.value,
            u_nm: p.centre.u,
            height: p.height_or(tallest.max(floor)).max(f64::MIN_POSITIVE),
            broad: p.fwhm.value / width.fwhm(p.centre.value),
            clipped: p.clipped,
            ghost: false,
        })
        .collect()
}

/// Uncertainty of a peak's place from a line that may be hidden in it, nm.
pub fn blend_u(p: &SeenPeak, width: &LineWidth) -> f64 {
    // Beyond Sparrow's limit a pair shows a dip and is fitted as two: such a peak is one broad
    // line (pressure), and its centre stands.
    let unresolved = if p.broad < UNRESOLVED_BROAD { p.broad.max(1.0) } else { 1.0 };
    SIGMA_PER_FWHM * width.fwhm(p.nm) * (unresolved * unresolved - 1.0).sqrt()
}

/// Recorded peaks after a correction.
pub fn under(all: &Corrections, recorded: &[SeenPeak], width: &LineWidth) -> Vec<SeenPeak> {
    let mut seen = recorded.to_vec();
    for p in &mut seen {
        let (own, blend) = (all.left_u(p.nm), blend_u(p, width));
        p.nm += all.at(p.nm);
        p.u_nm = p.u_nm.hypot(own).hypot(blend);
    }
    seen_ghosts(&mut seen, width);
    seen
}

/// Marks peaks that lie at twice the wavelength of a much stronger one.
fn seen_ghosts(seen: &mut [SeenPeak], width: &LineWidth) {
    let sources: Vec<(f64, f64, f64)> = seen
        .iter()
        .filter(|p| p.nm < GHOST_BELOW_NM)
        .map(|p| (2.0 * p.nm, 2.0 * p.u_nm, p.height))
        .collect();
    for p in seen.iter_mut() {
        p.ghost = sources.iter().any(|(at, u, h)| {
            let sd = u.hypot(p.u_nm).hypot(0.15 * width.fwhm(p.nm));
            (p.nm - at).abs() < 2.0 * sd && p.height < GHOST_SHARE * h
        });
    }
}

/// What is known of the shift at a place before bands are looked at.
pub fn shift_prior(
    spectrum: &Spectrum,
    all: &Corrections,
    width: &LineWidth,
    settings: &GasSettings,
    nm: f64,
) -> ShiftPrior {
    let c = all.of(nm);
    let least = 0.05 * width.fwhm(nm);
    let (axis_u, scatter) = match spectrum.axis_u_at(nm) {
        Some(u) => (u, 0.0),
        // Without matched lines nothing is known beyond the axis itself.
        None => (
            settings.factory_axis_u_nm,
            match (&all.bend, c.scatter_nm) {
                (Some(_), _) => 0.0,
                (None, Some(s)) => s.max(FACTORY_SCATTER_NM),
                (None, None) => f64::INFINITY,
            },
        ),
    };
    // The lines of what is surely there bound it: they are many, and few of them are other lines.
    let axis_u = match &all.bend {
        Some(b) => axis_u.min(SURE_BOUND * b.u(nm)),
        None => axis_u,
    };
    let u = all.shift_at(nm).u.hypot(scatter).min(axis_u).max(least);
    let shift = if scatter.is_finite() { all.at(nm) } else { 0.0 };
    ShiftPrior { by_lines: (shift, u), axis_u: axis_u.max(least) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;

    /// A second shift known to a tenth of its prior costs ln 10; one that is not known, nothing.
    #[test]
    fn a_second_stretch_costs_what_its_shift_was_narrowed_by() {
        let axis = Axis::new(crate::AxisKind::Nm, vec![400.0, 500.0, 600.0]).unwrap();
        let spectrum = Spectrum::new(axis, vec![1.0; 3]).unwrap();
        let of = |u: f64| Correction {
            shift: Measured::new(0.3, u),
            tilt: 0.0,
            range: (400.0, 600.0),
            scatter_nm: None,
        };
        let all = |second: Option<Correction>| Corrections {
            first: (500.0, of(0.01)),
            second,
            spectrum: &spectrum,
            typical_nm: 1.0,
            bend: None,
        };
        assert_eq!(all(None).second_cost(), 0.0);
        assert!((all(Some(of(0.1))).second_cost() - 10f64.ln()).abs() < 1e-12);
        assert_eq!(all(Some(of(1.0))).second_cost(), 0.0);
    }

    /// Where the axis is good to a tenth of what it typically is, a tenth of the shift; where it is
    /// worse, no more than the shift.
    #[test]
    fn a_sure_place_has_a_small_part_of_the_shift() {
        let axis = Axis::new(crate::AxisKind::Nm, vec![400.0, 500.0, 600.0]).unwrap();
        let spectrum = Spectrum::new(axis, vec![1.0; 3]).unwrap();
        assert_eq!(part(&spectrum, 1.0, 400.0), 1.0);
        let spectrum = spectrum.with_axis_u(vec![0.1, 1.0, 9.0]).unwrap();
        let shift = Measured::new(-1.5, 0.2);
        let c = Correction { shift, tilt: 0.0, range: (400.0, 600.0), scatter_nm: None };
        let all = Corrections {
            first: (f64::INFINITY, c),
            second: None,
            spectrum: &spectrum,
            typical_nm: 1.0,
            bend: None,
        };
        let at = [400.0, 500.0, 600.0].map(|nm| all.shift_at(nm));
        assert!((at[0].value + 0.15).abs() < 1e-12 && (at[0].u - 0.02).abs() < 1e-12);
        assert_eq!((at[1], at[2]), (shift, shift));
        assert!((all.at(400.0) + 0.15).abs() < 1e-12);
    }
}
