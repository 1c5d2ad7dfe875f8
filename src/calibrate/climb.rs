//! From a good axis to a better one beside it.

use super::fit::{self, AxisFit, Point};
use super::marks::Mark;
use super::octaves::Octaves;
use super::score::{FITTED_PLACE_FWHM, Seen};
use super::search::{Ground, Trial};
use super::weigh::REACH_SIGMA;

/// Rounds of the climb: each brings one more tall peak onto a line.
const ROUNDS: usize = 3;
/// Tallest peaks that are looked after: fainter ones may be anything's.
const TALL: f64 = 8.0;
/// Probability from which a line that lacks its peak is worth the trial.
const SURE_SHOWS: f64 = 0.6;
/// Distance in line widths within which a peak is a line's: what a refined axis leaves, with room for a
/// blend.
const MEETS_FWHM: f64 = 0.4;
/// Axes next to the best that it is crossed with …
const CROSSED: usize = 2;
/// … where so many tall peaks have the same place on both.
const SHARED: usize = 2;
/// Most exchanges that are tried in a round, the tallest peaks first.
const TRIED: usize = 8;

impl Ground<'_> {
    /// The axis, or a better one: a tall peak that is no line's is tried on a line that lacks its peak,
    /// where the others leave room for that.
    pub fn climb(&self, octaves: &Octaves, from: Trial) -> Trial {
        let mut best = from;
        for _ in 0..ROUNDS {
            match self.step(octaves, &best) {
                Some(better) => best = better,
                None => break,
            }
        }
        best
    }

    /// True where an axis has a peak on a feature of the lamp.
    pub fn meets(&self, axis: &Trial, m: &Mark, s: &Seen, fwhm_nm: f64) -> bool {
        let off = (m.nm - axis.nm(self.t(s.x))).abs();
        off < MEETS_FWHM * fwhm_nm + m.u_nm && m.may_be(s, fwhm_nm)
    }

    /// The lines that an axis has on peaks.
    fn met(&self, axis: &Trial, marks: &[Mark], fwhm_nm: f64) -> Vec<Point> {
        marks
            .iter()
            .filter(|m| m.line)
            .filter_map(|m| {
                let s = self.seen.iter().find(|s| self.meets(axis, m, s, fwhm_nm))?;
                let u_nm = (FITTED_PLACE_FWHM * fwhm_nm).hypot(m.u_nm);
                Some(Point { x: s.x, nm: m.nm, u_nm })
            })
            .collect()
    }

    /// Axes with one end of the best and the other of one of the next, where both are the same in
    /// between: each may have its end right.
    pub fn cross(&self, octaves: &Octaves, trials: &[Trial]) -> Vec<Trial> {
        let Some((best, others)) = trials.split_first() else { return Vec::new() };
        let dispersion = best.c[1].abs() / self.half();
        let fwhm_nm = self.fwhm_own * dispersion;
        let met = |t: &Trial| self.met(t, &octaves.in_view(dispersion, t.range()), fwhm_nm);
        let of_best = std::cell::LazyCell::new(|| met(best));
        let mut out = Vec::new();
        for other in others.iter().take(CROSSED) {
            // Tall peaks that both have at the same place.
            let same: Vec<f64> = self
                .seen
                .iter()
                .filter(|s| s.rank <= TALL && !s.broad)
                .filter(|s| {
                    let t = self.t(s.x);
                    (best.nm(t) - other.nm(t)).abs() < MEETS_FWHM * fwhm_nm
                })
                .map(|s| s.x)
                .collect();
            let apart = |t: f64| (best.nm(t) - other.nm(t)).abs() > fwhm_nm;
            if same.len() < SHARED || !apart(-1.0) || !apart(1.0) {
                continue;
            }
            let at = same[same.len() / 2];
            let of_other = met(other);
            for (low, high) in [(&*of_best, &of_other), (&of_other, &*of_best)] {
                let both: Vec<Point> = low
                    .iter()
                    .filter(|p| p.x <= at)
                    .chain(high.iter().filter(|p| p.x > at))
                    .copied()
                    .collect();
                let Ok(f) = fit::fit(&both, self.range, self.kind) else { continue };
                out.extend(self.refine(octaves, &[self.trial(&f.model)]));
            }
        }
        out
    }

    fn step(&self, octaves: &Octaves, from: &Trial) -> Option<Trial> {
        let dispersion = from.c[1].abs() / self.half();
        let fwhm_nm = self.fwhm_own * dispersion;
        let marks = octaves.in_view(dispersion, from.range());
        let meets = |m: &Mark, s: &Seen| self.meets(from, m, s, fwhm_nm);
        let met = self.met(from, &marks, fwhm_nm);
        let now = fit::fit(&met, self.range, self.kind).ok()?;
        let lacking: Vec<&Mark> = marks
            .iter()
            .filter(|m| m.line && m.shows >= SURE_SHOWS && !self.seen.iter().any(|s| meets(m, s)))
            .collect();
        let mut strangers: Vec<&Seen> = self
            .seen
            .iter()
            .filter(|s| s.rank <= TALL && !s.broad && !marks.iter().any(|m| meets(m, s)))
            .collect();
        strangers.sort_by(|a, b| a.rank.total_cmp(&b.rank));
        let mut better: Option<Trial> = None;
        for (s, m) in pairs(&strangers, &lacking, &now).take(TRIED) {
            let u_nm = (FITTED_PLACE_FWHM * fwhm_nm).hypot(m.u_nm);
            let mut points = met.clone();
            points.push(Point { x: s.x, nm: m.nm, u_nm });
            let Ok(f) = fit::fit(&points, self.range, self.kind) else { continue };
            let refined = self.refine(octaves, &[self.trial(&f.model)]);
            let best = better.as_ref().unwrap_or(from).score.nats;
            if let Some(t) = refined.first().filter(|t| t.score.nats > best) {
                better = Some(*t);
            }
        }
        better
    }
}

/// Peaks with the lines that the axis lets them be.
fn pairs<'a>(
    strangers: &'a [&'a Seen],
    lacking: &'a [&'a Mark],
    now: &'a AxisFit,
) -> impl Iterator<Item = (&'a Seen, &'a Mark)> {
    strangers.iter().flat_map(move |s| {
        let m = now.model.wavelength(s.x);
        lacking
            .iter()
            .filter(move |l| (l.nm - m.value).abs() < REACH_SIGMA * m.u)
            .map(move |l| (*s, *l))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::ends::tests::{
        FWHM_PX, NM_PER_PX, ground, made_up_axis, peaks, with_added,
    };
    use crate::calibrate::lamp::Lamp;
    use crate::calibrate::pattern::LampPattern;
    use crate::reference::Tables;

    /// An axis through the blue lines alone is off at the green one by more than its width: too far for
    /// a refinement, which takes a peak for a line only where the axis is sure.
    #[test]
    fn the_climb_brings_in_the_far_lines() {
        let tables = Tables::bundled().unwrap();
        let pattern = LampPattern::new(&Lamp::mercury(), &tables);
        let lines = [365.02, 365.48, 366.33, 404.66, 435.83, 546.08, 576.96, 579.07];
        let seen = peaks(&lines);
        let ground = ground(&seen);
        let octaves = Octaves::new(&pattern, &ground);
        let blue: Vec<Point> = seen
            .iter()
            .zip(lines)
            .take(5)
            .map(|(s, nm)| Point { x: s.x, nm, u_nm: 0.03 })
            .collect();
        let f = fit::fit(&blue, ground.range, ground.kind).unwrap();
        let refined = ground.refine(&octaves, &[ground.trial(&f.model)]);
        let off = |t: &Trial| (t.nm(ground.t(seen[5].x)) - 546.08).abs();
        assert!(off(&refined[0]) > FWHM_PX * NM_PER_PX, "{}", off(&refined[0]));
        let climbed = ground.climb(&octaves, refined[0]);
        assert!(off(&climbed) < 0.05, "{}", off(&climbed));
        assert!(climbed.score.nats > refined[0].score.nats + 10.0);
        // Nothing better beside it: it stays.
        assert_eq!(ground.climb(&octaves, climbed), climbed);
    }

    /// An axis that is right in the violet and one that is right in the orange, both in the green: crossed
    /// they are right everywhere. Wavelengths of krypton: NIST Atomic Spectra Database, from memory.
    #[test]
    fn two_axes_with_one_end_right_each_make_a_right_one() {
        let tables = Tables::bundled().unwrap();
        let pattern = LampPattern::new(&Lamp::named("Kr", &tables).unwrap(), &tables);
        let lines = [
            556.222, 557.029, 587.092, 431.958, 436.264, 437.612, 439.997, 427.397, 445.392,
            446.369, 450.235, 601.216, 605.613,
        ];
        let mut seen = peaks(&lines);
        seen.sort_by(|a, b| a.x.total_cmp(&b.x));
        let ground = ground(&seen);
        let octaves = Octaves::new(&pattern, &ground);
        let truth = made_up_axis();
        // The truth and k (t - a)²(t - b)² nm.
        let off = |k: f64, a: f64, b: f64| {
            let (s, p) = (a + b, a * b);
            let powers = [p * p, -2.0 * s * p, s * s + 2.0 * p, -2.0 * s, 1.0].map(|m| k * m);
            with_added(&truth, powers)
        };
        let [violet, green, orange] = [440.0, 556.6, 598.0].map(|nm: f64| (nm - 484.0) / 153.5);
        let axes = [off(12.0, violet, green), off(3.6, green, orange)];
        let error = |axis: &Trial| {
            let off = |s: &Seen| (axis.nm(ground.t(s.x)) - truth.nm(ground.t(s.x))).abs();
            seen.iter().map(off).fold(0.0, f64::max)
        };
        let crossed = ground.cross(&octaves, &axes);
        let best = crossed.iter().max_by(|a, b| a.score.nats.total_cmp(&b.score.nats)).unwrap();
        assert!(error(&axes[0]) > 0.8 && error(&axes[1]) > 1.5);
        assert!(error(best) < 0.05, "{}", error(best));
        // One that is the other has nothing to give.
        assert!(ground.cross(&octaves, &[axes[0], axes[0]]).is_empty());
    }
}
