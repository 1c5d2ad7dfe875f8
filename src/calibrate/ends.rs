//! Whether the anchors at the ends of an axis could as well be other lines.
//!
//! Anchors in the middle hold each other. One that stands alone beyond them bends the axis to wherever
//! its line happens to be: if the peak is the neighbour's, nothing contradicts it. So each end is asked
//! what else it could be, with the evidence that recognised the lamp.

use super::anchors::Match;
use super::fit::{self, Point};
use super::marks::Mark;
use super::octaves::Octaves;
use super::recognise::MARGIN_NATS;
use super::search::{Ground, Trial};
use super::weigh::REACH_SIGMA;
use super::{AxisModel, LeftOut};

/// Uncertainty in line widths (k = 1) with which the other anchors must foretell an end: two of them
/// and the reach of a match then keep clear of a neighbour that the instrument resolves.
const SURE_U_FWHM: f64 = 0.2;
/// Distance in line widths from which two axes are different at an end.
const DIFFERENT_FWHM: f64 = 0.5;
/// Nats by which what else an end could be may fall short of what the search found: three times the
/// margin between two axes, as the search goes further than a climb from one axis. A choice, made on
/// simulated instruments: a mercury lamp's lone red peak is given up by it that would be wrong.
const FOUND_MARGIN_NATS: f64 = 3.0 * MARGIN_NATS;
/// Tallest peaks beyond the other anchors that are tried …
const PEAKS_TRIED: usize = 6;
/// … each with so many of the lines within reach, the likeliest first.
const LINES_TRIED: usize = 8;

/// What the ends of an axis are judged with.
pub struct Ends<'a> {
    /// The recording's peaks.
    pub ground: &'a Ground<'a>,
    /// The lamp's marks.
    pub octaves: &'a Octaves,
    /// Width of a line, nm.
    pub fwhm_nm: f64,
    /// Fewest anchors that must be left.
    pub least: usize,
    /// The axis that the search came from: where it has all anchors in their places, its evidence is
    /// that of the axis as it is.
    pub found: &'a Trial,
}

impl Ends<'_> {
    /// Leaves out anchors at either end that could as well be others, and says which.
    ///
    /// From the outermost inwards, the anchors from each weak link on are exchanged: another peak is taken
    /// for another line, the axis refined from there, and its evidence compared with that of the axis as it
    /// is. At most half the anchors are at stake from each end.
    ///
    /// # Errors
    /// A reason, where too few anchors would be left.
    pub fn drop_doubtful(
        &self,
        matched: &mut Vec<Match>,
        left: &mut Vec<LeftOut>,
    ) -> std::result::Result<(), String> {
        matched.sort_by(|a, b| a.point.x.total_cmp(&b.point.x));
        while let Some((block, rival)) = self.doubtful(matched) {
            let why = |m: &Match| {
                format!(
                    "could as well be another line: the others also fit an axis that has {:.2} nm there",
                    rival.nm(self.ground.t(m.point.x))
                )
            };
            if matched.len() - block.len() < self.least {
                let m = &matched[if block.start == 0 { block.end - 1 } else { block.start }];
                return Err(format!("the line taken for {} {}", m.line.emission.name, why(m)));
            }
            for m in matched.drain(block) {
                left.push(m.line.emission.left_out(why(&m)));
            }
        }
        Ok(())
    }

    /// The first stretch of anchors at an end that could as well be others, with the axis that has them
    /// elsewhere.
    fn doubtful(&self, matched: &[Match]) -> Option<(std::ops::Range<usize>, Trial)> {
        let Ends { ground, octaves, fwhm_nm, found, .. } = *self;
        let n = matched.len();
        let all: Vec<Point> = matched.iter().map(|m| m.point).collect();
        let now = fit::fit(&all, ground.range, ground.kind).ok()?.model;
        let mut here = None;
        for size in 1..=n / 2 {
            for block in [0..size, n - size..n] {
                let (rest, inner) = match block.start {
                    0 => (&all[size..], &all[size - 1]),
                    k => (&all[..k], &all[k]),
                };
                if rest.len() < 2 {
                    continue;
                }
                let Ok(others) = fit::fit(rest, ground.range, ground.kind) else { continue };
                let foretold_u = others.model.wavelength(inner.x).u;
                if foretold_u <= SURE_U_FWHM * fwhm_nm {
                    continue;
                }
                let here = match here {
                    Some(h) => h,
                    None => *here.insert(Here::of(ground, octaves, fwhm_nm, found, &all, &now)?),
                };
                let differs = |other: &Trial| {
                    let apart = other.nm(ground.t(inner.x)) - now.wavelength(inner.x).value;
                    apart.abs() > DIFFERENT_FWHM * fwhm_nm
                };
                let rival = |other: &&Trial, free: f64| {
                    if !differs(other) || other.score.nats <= here.refined - MARGIN_NATS - free {
                        return false;
                    }
                    // What one has climbed to is held against what the other climbs to.
                    let climbed = ground.climb(octaves, **other);
                    let nats =
                        if differs(&climbed) { climbed.score.nats } else { other.score.nats };
                    nats > here.climbed - MARGIN_NATS - free
                        && nats > here.found - FOUND_MARGIN_NATS - free
                };
                // Without them the axis may go elsewhere by itself. Free to bend, it finds a line for a peak
                // by so much more easily than its evidence says, which takes the bent axis as given.
                let without = ground.refine(octaves, &[ground.trial(&others.model)]);
                let bent = (foretold_u / now.wavelength(inner.x).u).ln().max(0.0);
                let free = |o: &Trial| if o.score.met < here.met { bent } else { 0.0 };
                if let Some(other) = without.first().filter(|o| rival(o, free(o))) {
                    return Some((block, *other));
                }
                let edge = if block.start == 0 { rest[0].x } else { rest[rest.len() - 1].x };
                let beyond = |x: f64| if block.start == 0 { x < edge } else { x > edge };
                let mut peaks: Vec<_> =
                    ground.seen.iter().filter(|s| beyond(s.x) && !s.broad).collect();
                peaks.sort_by(|a, b| a.rank.total_cmp(&b.rank));
                for s in peaks.into_iter().take(PEAKS_TRIED) {
                    let foretold = others.model.wavelength(s.x);
                    let is = now.wavelength(s.x).value;
                    let reach = REACH_SIGMA * foretold.u;
                    let ends = ground.range.map(|x| now.wavelength(x).value);
                    let view = (ends[0].min(ends[1]), ends[0].max(ends[1]));
                    let marks = octaves.in_view(fwhm_nm / ground.fwhm_own, view);
                    let mut lines: Vec<&Mark> = marks
                        .iter()
                        .filter(|m| m.line && (m.nm - foretold.value).abs() < reach)
                        .filter(|m| (m.nm - is).abs() > DIFFERENT_FWHM * fwhm_nm)
                        .collect();
                    lines.sort_by(|a, b| b.shows.total_cmp(&a.shows));
                    for m in lines.into_iter().take(LINES_TRIED) {
                        let u_nm = m.u_nm.hypot(inner.u_nm);
                        let mut points = rest.to_vec();
                        points.push(Point { x: s.x, nm: m.nm, u_nm });
                        let Ok(f) = fit::fit(&points, ground.range, ground.kind) else { continue };
                        let refined = ground.refine(octaves, &[ground.trial(&f.model)]);
                        if let Some(other) = refined.first().filter(|o| rival(o, 0.0)) {
                            return Some((block, *other));
                        }
                    }
                }
            }
        }
        None
    }
}

/// The evidence of the axis as it is.
#[derive(Clone, Copy)]
struct Here {
    /// Of the axis that a refinement of the anchors reaches, nats.
    refined: f64,
    /// Of the one that a climb from there reaches with all anchors in their places, nats.
    climbed: f64,
    /// Of the axis that the search found, nats, where it has all anchors in their places.
    found: f64,
    /// Lines that the former has on peaks.
    met: usize,
}

impl Here {
    fn of(
        ground: &Ground,
        octaves: &Octaves,
        fwhm_nm: f64,
        found: &Trial,
        anchors: &[Point],
        now: &AxisModel,
    ) -> Option<Here> {
        let refined = *ground.refine(octaves, &[ground.trial(now)]).first()?;
        let the_same = |axis: &&Trial| {
            anchors.iter().all(|p| {
                let apart = axis.nm(ground.t(p.x)) - now.wavelength(p.x).value;
                apart.abs() < DIFFERENT_FWHM * fwhm_nm
            })
        };
        let climbed = Some(ground.climb(octaves, refined)).filter(|t| the_same(&t));
        Some(Here {
            refined: refined.score.nats,
            climbed: climbed.map_or(refined.score.nats, |t| t.score.nats),
            found: Some(found).filter(the_same).map_or(f64::NEG_INFINITY, |t| t.score.nats),
            met: refined.score.met,
        })
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::AxisKind;
    use crate::calibrate::lamp::Lamp;
    use crate::calibrate::pattern::LampPattern;
    use crate::calibrate::score::{Score, Seen};
    use crate::reference::Tables;

    pub const FWHM_PX: f64 = 2.0;
    pub const NM_PER_PX: f64 = 0.15;

    /// Their axis.
    pub fn made_up_axis() -> Trial {
        Trial { c: [484.0, 153.5, 3.0, 0.0, 0.0], score: Score { nats: 0.0, met: 0 } }
    }

    /// An axis with a polynomial added, nm: its coefficients from the constant on.
    pub fn with_added(axis: &Trial, powers: [f64; 5]) -> Trial {
        let [p0, p1, p2, p3, p4] = powers;
        // Powers of t in Chebyshev's polynomials.
        let added = [
            p0 + p2 / 2.0 + 3.0 * p4 / 8.0,
            p1 + 3.0 * p3 / 4.0,
            p2 / 2.0 + p4 / 2.0,
            p3 / 4.0,
            p4 / 8.0,
        ];
        let mut out = *axis;
        out.c.iter_mut().zip(added).for_each(|(c, a)| *c += a);
        out
    }

    /// Their recording.
    pub fn ground(seen: &[Seen]) -> Ground<'_> {
        Ground { seen, range: [0.0, 2047.0], fwhm_own: FWHM_PX, kind: AxisKind::Pixel, about: None }
    }

    /// Peaks of a mercury lamp on a bent axis of 2,048 pixels from 330 nm on.
    pub fn peaks(lines: &[f64]) -> Vec<Seen> {
        let nm = |x: f64| made_up_axis().nm(x / 1023.5 - 1.0);
        let place = |line: f64| {
            let (mut lo, mut hi) = (0.0, 2047.0);
            while hi - lo > 1e-6 {
                let mid = 0.5 * (lo + hi);
                if nm(mid) < line { lo = mid } else { hi = mid }
            }
            lo
        };
        lines
            .iter()
            .enumerate()
            .map(|(k, line)| Seen {
                u_fwhm: 0.0,
                ripple: false,
                x: place(*line),
                rank: (k + 1) as f64,
                index: k,
                broad: false,
                breadth: 1.0,
                broadest: 1.0,
                faint: false,
                ln_height: 9.0 - 0.4 * k as f64,
                clipped: false,
            })
            .collect()
    }

    /// Which of the lines are left of those that each peak was taken for, on an axis that the search
    /// found with this evidence, nats.
    fn left_of(
        shown: &[f64],
        taken_for: &[f64],
        least: usize,
        nats: f64,
    ) -> Result<Vec<f64>, String> {
        let tables = Tables::bundled().unwrap();
        let pattern = LampPattern::new(&Lamp::mercury(), &tables);
        let seen = peaks(shown);
        let ground = ground(&seen);
        let fwhm_nm = FWHM_PX * NM_PER_PX;
        let (lines, _) = pattern.anchor_lines(fwhm_nm, (320.0, 650.0));
        let mut matched: Vec<Match> = taken_for
            .iter()
            .zip(&seen)
            .map(|(nm, s)| {
                let line = *lines.iter().find(|l| (l.nm - nm).abs() < 0.1).unwrap();
                let point = Point { x: s.x, nm: line.nm, u_nm: 0.02 };
                Match { line, point, peak: s.index, recording: 0 }
            })
            .collect();
        let octaves = Octaves::new(&pattern, &ground);
        let points: Vec<Point> = matched.iter().map(|m| m.point).collect();
        let fit = fit::fit(&points, ground.range, ground.kind).unwrap();
        let mut found = ground.trial(&fit.model);
        found.score.nats = nats;
        let (ground, octaves, found) = (&ground, &octaves, &found);
        let ends = Ends { ground, octaves, fwhm_nm, least, found };
        ends.drop_doubtful(&mut matched, &mut Vec::new())?;
        Ok(matched.iter().map(|m| (m.line.emission.nm * 100.0).round() / 100.0).collect())
    }

    const BLUE: [f64; 6] = [365.02, 365.48, 366.33, 404.66, 435.83, 546.08];

    fn with(more: &[f64]) -> Vec<f64> {
        BLUE.iter().chain(more).copied().collect()
    }

    /// Of the yellow pair only one line is there: which it is, a bent axis does not tell.
    #[test]
    fn a_lone_end_that_may_be_its_neighbour_is_left_out() {
        assert_eq!(left_of(&with(&[576.96]), &with(&[579.07]), 3, 0.0).unwrap(), BLUE);
        let e = left_of(&with(&[576.96]), &with(&[579.07]), 7, 0.0).unwrap_err();
        assert!(e.contains("Hg 579.07 could as well be another line"), "{e}");
    }

    /// The search found the axis with evidence that no other reading of the end reaches.
    #[test]
    fn an_end_is_kept_on_the_word_of_the_search() {
        let taken_for = with(&[579.07]);
        assert_eq!(left_of(&with(&[576.96]), &taken_for, 3, 0.0).unwrap(), BLUE);
        assert_eq!(left_of(&with(&[576.96]), &taken_for, 3, 500.0).unwrap(), taken_for);
    }

    /// Both are there, and hold each other.
    #[test]
    fn an_end_that_nothing_else_explains_is_kept() {
        let all = with(&[576.96, 579.07]);
        assert_eq!(left_of(&all, &all, 3, 0.0).unwrap(), all);
    }
}
