//! The axis settled: which of rival corrections holds (by all that is asked about), where just, and how it runs
//! between the lines of what is surely there (by the usual gases).

use super::bands::Shape;
use super::bend::{self, Bend};
use super::correct::{Corrections, as_recorded, blend_u, under};
use super::evidence::{READ_PLACE_FWHM, Scene, SeenPeak, Showing, look};
use super::explain::{explain, odds_of_all};
use super::faint::FaintLight;
use super::pattern::Pattern;
use crate::Spectrum;
use crate::signal::{LineWidth, PeakList};

/// A peak broader than this many line widths is no line of a low-pressure tube; hydrogen in a
/// dense arc reaches some three (Stark effect).
const MAX_BROAD: f64 = 3.0;
/// Nats by which all species together must speak for another correction of the axis than the one that
/// the leading lines ask for: the best of several tries gains some by chance.
const RIVAL_NATS: f64 = 8.0;
/// The same for a place close by, within what the correction itself leaves open.
const CLOSE_NATS: f64 = 4.0;
/// Uncertainty of the axis, in line widths, from which places close by are tried: below it, lines scatter
/// by as much (`evidence.rs`).
const OPEN_FWHM: f64 = 0.15;
/// Distance of two such places, in line widths.
const STEP_FWHM: f64 = 0.15;
/// How far they reach, in standard uncertainties of the axis: 95 of 100 lie within.
const REACH_SIGMA: f64 = 2.0;
/// Most steps to either side, for the time that they take: an axis that is left open wider is tried more coarsely.
const MOST_STEPS: f64 = 12.0;
/// Uncertainty of the place that was chosen, in line widths: a step and the scatter of the lines.
const CHOSEN_FWHM: f64 = 0.1;

/// What does not change while the axis is settled.
pub struct Stage<'a> {
    /// Patterns of all that is asked about.
    pub patterns: &'a [Pattern],
    /// Those of them that are usual: they alone settle the axis closer, since of all species some fits the
    /// ripples of any light at some place.
    pub usual: &'a [Pattern],
    /// The phosphor of a fluorescent lamp.
    pub phosphor: &'a Pattern,
    /// The recording.
    pub spectrum: &'a Spectrum,
    /// Its peaks.
    pub peaks: &'a PeakList,
    /// Width of a line along the axis, nm.
    pub width: LineWidth,
    /// Typical height from which a line is found.
    pub typical_threshold: f64,
    /// What stands where no peak was found.
    pub faint: &'a FaintLight,
}

impl Stage<'_> {
    /// Does something with the scene under a correction.
    pub fn under<T>(
        &self,
        correction: &Corrections,
        seen: &[SeenPeak],
        then: impl FnOnce(&Scene) -> T,
    ) -> T {
        let threshold = &self.peaks.threshold;
        let axis = self.spectrum.axis();
        then(&Scene {
            peaks: seen,
            width: self.width,
            threshold: &|nm| {
                let i = axis.index_of(nm - correction.at(nm)).round() as usize;
                threshold.get(i).copied().unwrap_or(f64::INFINITY).max(f64::MIN_POSITIVE)
            },
            tallest: seen.iter().map(|p| p.height).fold(0.0, f64::max),
            typical_threshold: self.typical_threshold,
            max_broad: MAX_BROAD,
            faint: &|nm| {
                let at = nm - correction.at(nm);
                let sure = correction.left_u(at) < READ_PLACE_FWHM * self.width.fwhm(at);
                if sure { self.faint.at(at) } else { None }
            },
            faint_share: self.faint.share,
            shift_cost: correction.second_cost(),
        })
    }

    /// Where the features of each pattern meet peaks, the phosphor's last.
    pub fn meet(&self, patterns: &[Pattern], scene: &Scene) -> Vec<Vec<Showing>> {
        let all = patterns.iter().chain(std::iter::once(self.phosphor));
        all.map(|p| look(&p.features, scene)).collect()
    }

    /// How well a correction brings species onto the recording, nats.
    fn odds(&self, patterns: &[Pattern], correction: &Corrections, seen: &[SeenPeak]) -> f64 {
        self.under(correction, seen, |scene| {
            odds_of_all(patterns, self.phosphor, &self.meet(patterns, scene), scene)
        })
    }

    /// The correction that holds, of those that the leading lines ask for (one at least, the best first),
    /// and the peaks after it.
    pub fn settle<'c>(
        &self,
        mut rivals: Vec<(Corrections<'c>, Vec<SeenPeak>)>,
        axis_u_nm: f64,
    ) -> (Corrections<'c>, Vec<SeenPeak>) {
        let mut chosen = 0;
        if rivals.len() > 1 {
            let odds: Vec<f64> =
                rivals.iter().map(|(c, seen)| self.odds(self.patterns, c, seen)).collect();
            let best = (0..odds.len()).rev().max_by(|a, b| odds[*a].total_cmp(&odds[*b]));
            chosen = best.filter(|b| odds[*b] > odds[0] + RIVAL_NATS).unwrap_or(0);
        }
        let (first, seen) = rivals.swap_remove(chosen);
        let recorded = as_recorded(self.peaks, &self.width);
        let (first, seen) = match self.bend(&first, &seen, &recorded, axis_u_nm) {
            Some(bent) => return bent,
            None => (first, seen),
        };
        match self.close_by(&first, &seen, &recorded) {
            Some((c, seen)) => match self.bend(&c, &seen, &recorded, axis_u_nm) {
                Some(bent) => bent,
                None => (c, seen),
            },
            None => (first, seen),
        }
    }

    /// A place within what a correction leaves open where the species fit better.
    fn close_by<'c>(
        &self,
        from: &Corrections<'c>,
        seen: &[SeenPeak],
        recorded: &[SeenPeak],
    ) -> Option<(Corrections<'c>, Vec<SeenPeak>)> {
        let (a, b) = self.spectrum.axis().range();
        let mid = 0.5 * (a + b);
        let (w, u) = (self.width.fwhm(mid), from.left_u(mid));
        if u <= OPEN_FWHM * w {
            return None;
        }
        let n = (REACH_SIGMA * u / (STEP_FWHM * w)).ceil().min(MOST_STEPS);
        let mut best = None;
        let mut most = self.odds(self.usual, from, seen) + CLOSE_NATS;
        for k in -(n as i32)..=n as i32 {
            let by = REACH_SIGMA * f64::from(k) / n;
            let c = from.shifted(by * u, CHOSEN_FWHM * w);
            let seen = under(&c, recorded, &self.width);
            let odds = self.odds(self.usual, &c, &seen) - 0.5 * by * by;
            if odds > most {
                most = odds;
                best = Some((c, seen));
            }
        }
        best
    }

    /// The smooth rest of a factory's axis taken out, where enough lines are sure.
    fn bend<'c>(
        &self,
        from: &Corrections<'c>,
        seen: &[SeenPeak],
        recorded: &[SeenPeak],
        axis_u_nm: f64,
    ) -> Option<(Corrections<'c>, Vec<SeenPeak>)> {
        if !from.may_bend() {
            return None;
        }
        let own: Vec<f64> =
            recorded.iter().map(|p| p.u_nm.hypot(blend_u(p, &self.width))).collect();
        let lines = self.under(from, seen, |scene| {
            let met = self.meet(self.usual, scene);
            let none: Vec<Option<Shape>> = self.usual.iter().map(|_| None).collect();
            let (taken, explained) = explain(self.usual, self.phosphor, &met, scene, &none);
            bend::anchors(self.usual, &taken, &met, &explained, scene, &own)
        });
        let ends = (seen.first()?.nm, seen.last()?.nm);
        let c = from.bent(Bend::fit(&lines, ends, axis_u_nm)?);
        let seen = under(&c, recorded, &self.width);
        Some((c, seen))
    }
}

#[cfg(test)]
mod tests {
    use super::super::{GasReport, GasSettings, Verdict, identify};
    use crate::reference::Tables;
    use crate::signal::{PeakSettings, find_peaks};
    use crate::simulate::{FactoryError, Glow, Instrument, LineShape, Scene, record};

    /// Neon through a wide slit, on an axis that is off by one nanometre and more, hardly above the noise:
    /// some six lines. Made with the simulator, whose lines scatter about the tables' strengths.
    fn faint_neon(seed: u64, off: f64) -> GasReport {
        let tables = Tables::bundled().unwrap();
        let instrument = Instrument {
            factory_error: FactoryError { offset_nm: off, tilt_nm: 0.1, curvature_nm: -0.1 },
            line_shape: LineShape { fwhm_short_nm: 3.7, fwhm_long_nm: 3.7, lorentz_share: 0.0 },
            ..Instrument::default()
        };
        let scene = Scene {
            glow: vec![Glow { scatter: 0.6, ..Glow::new("Ne I", 0.012) }],
            tube_seed: Some(seed),
            ..Scene::default()
        };
        let s = record(&instrument, &scene, &tables, seed).unwrap();
        let peaks = find_peaks(&s, &PeakSettings::default()).unwrap();
        identify(&s, &peaks, &tables, &GasSettings::default()).unwrap()
    }

    #[test]
    fn few_lines_settle_where_they_are_together() {
        let mut right = 0;
        for seed in 1..=10 {
            let off = 0.3 * (seed as f64 - 5.5);
            let report = faint_neon(seed, off);
            let neon = report.gases.iter().find(|g| g.gas == "Ne").unwrap();
            // An eighth of the line width.
            let close = (report.shift_nm.value + off).abs() < 0.5;
            right += u8::from(close && matches!(neon.verdict, Verdict::Seen | Verdict::Likely));
        }
        // Nine of the ten; six without the places close by.
        assert!(right >= 8, "{right}");
    }
}
