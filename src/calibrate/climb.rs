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

    fn step(&self, octaves: &Octaves, from: &Trial) -> Option<Trial> {
        let dispersion = from.c[1].abs() / self.half();
        let fwhm_nm = self.fwhm_own * dispersion;
        let marks = octaves.in_view(dispersion, from.range());
        let nm = |s: &Seen| from.nm(self.t(s.x));
        let meets = |m: &Mark, s: &Seen| {
            (m.nm - nm(s)).abs() < MEETS_FWHM * fwhm_nm + m.u_nm && m.may_be(s, fwhm_nm)
        };
        let met: Vec<Point> = marks
            .iter()
            .filter(|m| m.line)
            .filter_map(|m| {
                let s = self.seen.iter().find(|s| meets(m, s))?;
                let u_nm = (FITTED_PLACE_FWHM * fwhm_nm).hypot(m.u_nm);
                Some(Point { x: s.x, nm: m.nm, u_nm })
            })
            .collect();
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
    use crate::calibrate::ends::tests::{FWHM_PX, NM_PER_PX, ground, peaks};
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
}
