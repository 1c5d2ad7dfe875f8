//! Which axis brings the peaks onto the lamp's features, with nothing or little known.

use super::AxisModel;
use super::fit::{self, AxisFit, Point};
use super::marks::Mark;
use super::octaves::Octaves;
use super::pattern::NARROW_PHOSPHOR_U_NM;
use super::poll::{Electorate, MIN_VOTED, Poll, may_start, may_start_together};
use super::score::{FITTED_PLACE_FWHM, PLACE_FWHM, Score, Seen, score};
use super::weigh::{doubtful, weigh};
use crate::AxisKind;

/// Smallest and largest dispersion of array spectrometers, nm per pixel.
pub const DISPERSION_NM: (f64, f64) = (0.03, 1.5);
/// Shortest and longest wavelength that array spectrometers reach, nm; an axis may run somewhat
/// beyond with dead ends.
pub const REACH_NM: (f64, f64) = (150.0, 2100.0);
/// How far beyond [`REACH_NM`] the dead ends of an axis may run, nm.
const DEAD_END_NM: f64 = 100.0;
/// How far and how deep an axis is looked for from bare pixels.
pub struct Effort {
    /// Most that the dispersion may change from the middle of the axis to its end, as a share: four
    /// times the second Chebyshev coefficient over the first.
    pub curvature: f64,
    /// Steps of the curvature between its limits: fine enough for a line that is a thousandth of the
    /// recording.
    pub steps: usize,
    /// Third Chebyshev coefficients over the first that are tried where a lamp has few lines; else the
    /// first of them, 0.
    cubics: &'static [f64],
    /// How many of the tallest peaks start the search.
    tried: usize,
    /// How many of the starts with the most votes are looked at in full.
    starts: usize,
    /// How many different trials are refined.
    refined: usize,
    /// How many of those with the most votes are refined besides.
    elected: usize,
    /// How many of the best are refined further.
    climbed: usize,
}

/// The first look: curvature to two standard deviations of its prior.
pub const QUICK: Effort = Effort {
    curvature: 0.32,
    steps: 256,
    cubics: &[0.0],
    tried: 12,
    starts: 2400,
    refined: 12,
    elected: 30,
    climbed: 2,
};
/// The second, at thirty times the cost: curvature to four and a half, third coefficients to one. Chosen on
/// 35 simulated instruments whose true axis fits better, by 2 to 130 nats, than what the first look takes:
/// 19 of them come out right.
pub const THOROUGH: Effort = Effort {
    curvature: 0.72,
    steps: 512,
    cubics: &[0.0, -0.004, 0.004, -0.008, 0.008],
    tried: 16,
    starts: 6000,
    refined: 200,
    elected: 200,
    climbed: 12,
};
/// How many more of the tallest peaks vote on the curvature.
const VOTERS: usize = 20;
/// How far a voting peak may lie off its mark, in line widths.
const VOTE_FWHM: f64 = 0.5;
/// Most that a factory nm axis is tilted, nm from its middle to its end (common practice, no
/// published source: "up to a few nm").
const MAX_TILT_NM: f64 = 3.0;
/// Most marks that start the search on an nm axis.
const NEAR_SEEDS: usize = 24;
/// How far the ends of an axis may lie from where the user says, as a share of the span, and at
/// least in nm.
const ABOUT: (f64, f64) = (0.1, 20.0);

/// An axis that was tried: a series of Chebyshev polynomials of t, which runs from −1 to 1 over the
/// recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Coefficients, nm.
    pub c: [f64; 5],
    /// How well it fits.
    pub score: Score,
}

impl Trial {
    /// Wavelength at `t`.
    pub fn nm(&self, t: f64) -> f64 {
        // Clenshaw's recurrence.
        let (mut b1, mut b2) = (0.0, 0.0);
        for c in self.c[1..].iter().rev() {
            (b1, b2) = (c + 2.0 * t * b1 - b2, b1);
        }
        self.c[0] + t * b1 - b2
    }

    /// Shortest and longest wavelength of the recording, nm.
    pub fn range(&self) -> (f64, f64) {
        let (a, b) = (self.nm(-1.0), self.nm(1.0));
        (a.min(b), a.max(b))
    }
}

/// What the search works on.
pub struct Ground<'a> {
    /// Peaks in the order of the axis.
    pub seen: &'a [Seen],
    /// First and last value of the recording's own axis.
    pub range: [f64; 2],
    /// Line width in points' own axis units.
    pub fwhm_own: f64,
    /// What the own axis is.
    pub kind: AxisKind,
    /// Where the axis begins and ends, nm, if somebody knows it roughly.
    pub about: Option<(f64, f64)>,
}

impl Ground<'_> {
    /// Own axis value to t.
    pub fn t(&self, x: f64) -> f64 {
        (2.0 * x - self.range[0] - self.range[1]) / (self.range[1] - self.range[0])
    }

    /// Half the recording in units of the own axis.
    pub fn half(&self) -> f64 {
        0.5 * (self.range[1] - self.range[0])
    }

    /// True where an instrument may cover this range, nm in either order.
    fn plausible(&self, a: f64, b: f64) -> bool {
        let (lo, hi) = (a.min(b), a.max(b));
        let reach =
            lo >= REACH_NM.0 - DEAD_END_NM && hi <= REACH_NM.1 + DEAD_END_NM && hi > REACH_NM.0;
        reach
            && self.about.is_none_or(|(s, e)| {
                let (s, e) = (s.min(e), s.max(e));
                let tolerance = (ABOUT.0 * (e - s)).max(ABOUT.1);
                (lo - s).abs() <= tolerance && (hi - e).abs() <= tolerance
            })
    }

    /// A fitted axis as a trial without a score.
    pub fn trial(&self, model: &AxisModel) -> Trial {
        let mut c = [0.0; 5];
        c.iter_mut().zip(&model.coefficients).for_each(|(c, k)| *c = *k);
        if self.kind == AxisKind::Nm {
            // The fit is a correction of the own axis.
            c[0] += 0.5 * (self.range[0] + self.range[1]);
            c[1] += self.half();
        }
        Trial { c, score: Score { nats: 0.0, met: 0 } }
    }

    /// Scores an axis; `None` where it is no axis at all (folds back, out of reach).
    fn judge(
        &self,
        octaves: &Octaves,
        c: [f64; 4],
        curvature: f64,
        buffer: &mut Buffer,
    ) -> Option<Trial> {
        let mut trial =
            Trial { c: [c[0], c[1], c[2], c[3], 0.0], score: Score { nats: 0.0, met: 0 } };
        let (a, b) = (trial.nm(-1.0), trial.nm(1.0));
        if 4.0 * c[2].abs() > curvature * c[1].abs() || !self.plausible(a, b) {
            return None;
        }
        let dispersion = c[1].abs() / self.half();
        let place = |s: &Seen| trial.nm(self.t(s.x));
        buffer.nm.clear();
        let seen: &[Seen] = if b < a {
            buffer.nm.extend(self.seen.iter().rev().map(place));
            buffer.reversed.get_or_insert_with(|| self.seen.iter().rev().cloned().collect())
        } else {
            buffer.nm.extend(self.seen.iter().map(place));
            self.seen
        };
        let range = trial.range();
        octaves.put_in_view(dispersion, range, &mut buffer.marks);
        let fwhm_nm = self.fwhm_own * dispersion;
        trial.score = score(&buffer.marks, seen, &buffer.nm, range, fwhm_nm, PLACE_FWHM);
        Some(trial)
    }

    /// Groups of the lamp's features that an axis does not show by themselves, by `least` nats.
    pub fn doubtful(&self, octaves: &Octaves, trial: &Trial, least: f64) -> Vec<usize> {
        let dispersion = trial.c[1].abs() / self.half();
        let mut at: Vec<(f64, Seen)> =
            self.seen.iter().map(|s| (trial.nm(self.t(s.x)), s.clone())).collect();
        at.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (nm, seen): (Vec<f64>, Vec<Seen>) = at.into_iter().unzip();
        let (range, fwhm_nm) = (trial.range(), self.fwhm_own * dispersion);
        doubtful(&octaves.in_view(dispersion, range), &seen, &nm, range, fwhm_nm, least)
    }

    /// The best trials again, each with an axis fitted to all the lines that it meets, and judged
    /// more strictly; best first.
    ///
    /// Any three peaks can be brought onto any three lines: it is the lines beyond the third that
    /// tell the lamp from chance, and they tell more the closer the axis is.
    pub fn refine(&self, octaves: &Octaves, trials: &[Trial]) -> Vec<Trial> {
        self.refine_some(octaves, trials, QUICK.refined)
    }

    /// The same, of at most so many different ones.
    fn refine_some(&self, octaves: &Octaves, trials: &[Trial], most: usize) -> Vec<Trial> {
        let half = self.half();
        let (mut out, mut from): (Vec<Trial>, Vec<[f64; 3]>) = (Vec::new(), Vec::new());
        for trial in trials {
            if from.len() >= most {
                break;
            }
            let dispersion = trial.c[1].abs() / half;
            let fwhm_nm = self.fwhm_own * dispersion;
            // Axes that are the same are refined once.
            let same = SAME_FWHM * fwhm_nm;
            let ends = [-1.0, 0.0, 1.0].map(|t| trial.nm(t));
            if from.iter().any(|o| o.iter().zip(&ends).all(|(o, e)| (o - e).abs() < same)) {
                continue;
            }
            from.push(ends);
            let marks = octaves.in_view(dispersion, trial.range());
            // A lamp of few lines has to make do with the fainter ones at once.
            let few = marks.iter().filter(|m| m.line && m.shows > LEVELS[0]).count() < FEW;
            let mut place: Vec<f64> = self.seen.iter().map(|s| trial.nm(self.t(s.x))).collect();
            let mut unsure: Vec<f64> = vec![FIRST_U_FWHM * fwhm_nm; place.len()];
            let mut before: Vec<Point> = Vec::new();
            let mut best: Option<Trial> = None;
            for least in &LEVELS[usize::from(few)..] {
                let mut fitted = None;
                for _ in 0..ROUNDS {
                    let (points, off) = self.meetings(&marks, *least, &place, &unsure, fwhm_nm);
                    if points.len() < 3 || points == before {
                        break;
                    }
                    let Ok(f) = fit::sturdy(&points, &off, self.range, self.kind) else { break };
                    for ((p, u), s) in place.iter_mut().zip(&mut unsure).zip(self.seen) {
                        let m = f.model.wavelength(s.x);
                        (*p, *u) = (m.value, m.u);
                    }
                    fitted = Some(f);
                    before = points;
                }
                let Some(f) = fitted else { continue };
                let Some(t) = self.weighed(&marks, &f, &place, fwhm_nm) else { break };
                if best.is_none_or(|b| t.score.nats > b.score.nats) {
                    best = Some(t);
                }
            }
            out.extend(best);
        }
        best_first(out)
    }

    /// Peaks with the marks whose places they are near, each peak once at most, for marks that show
    /// more often than `least`; and how far they are off, in standard uncertainties.
    fn meetings(
        &self,
        marks: &[Mark],
        least: f64,
        place: &[f64],
        unsure: &[f64],
        fwhm_nm: f64,
    ) -> (Vec<Point>, Vec<f64>) {
        // For each peak the mark and its distance in standard deviations.
        let mut of: Vec<Option<(f64, Point)>> = vec![None; place.len()];
        for m in marks.iter().filter(|m| m.shows > least) {
            if !m.line && m.u_nm > NARROW_PHOSPHOR_U_NM.max(fwhm_nm) {
                continue;
            }
            let near = |k: usize| (place[k] - m.nm).abs();
            let nearest = (0..place.len())
                .filter(|k| m.may_be(&self.seen[*k], fwhm_nm))
                .filter(|k| unsure[*k] < (MAX_UNSURE_FWHM * fwhm_nm).max(m.u_nm))
                .filter(|k| near(*k) < REACH_FWHM * fwhm_nm + 2.0 * unsure[*k] + m.u_nm)
                .min_by(|a, b| near(*a).total_cmp(&near(*b)));
            if let Some(k) = nearest {
                let u_nm = (FITTED_PLACE_FWHM * fwhm_nm).hypot(m.u_nm);
                let z = near(k) / u_nm;
                if of[k].is_none_or(|(other, _)| z < other) {
                    of[k] = Some((z, Point { x: self.seen[k].x, nm: m.nm, u_nm }));
                }
            }
        }
        of.into_iter().flatten().map(|(z, p)| (p, z)).unzip()
    }

    /// A fitted axis with its evidence; `place` is where it has the peaks. `None` where it folds back.
    fn weighed(&self, marks: &[Mark], f: &AxisFit, place: &[f64], fwhm_nm: f64) -> Option<Trial> {
        let ends = self.range.map(|x| f.model.wavelength(x).value);
        let mut nm = place.to_vec();
        let mut seen = self.seen.to_vec();
        if ends[1] < ends[0] {
            nm.reverse();
            seen.reverse();
        }
        if nm.windows(2).any(|w| w[1] <= w[0]) {
            return None;
        }
        let range = (ends[0].min(ends[1]), ends[0].max(ends[1]));
        let mut score = weigh(marks, &seen, &nm, range, fwhm_nm);
        score.nats -= 0.5 * f.prior_chi2;
        Some(Trial { score, ..self.trial(&f.model) })
    }

    /// The axes that bring the peaks onto the lamp's lines, best first.
    pub fn search(&self, octaves: &Octaves, search_nm: f64, effort: &Effort) -> Vec<Trial> {
        let mut refined = match self.kind {
            AxisKind::Nm => self.refine(octaves, &self.near(octaves, search_nm)),
            AxisKind::Pixel => {
                let (trials, elected) = self.blind(octaves, effort);
                let mut refined = self.refine_some(octaves, &trials, effort.refined);
                refined.extend(self.refine_some(octaves, &elected, effort.refined));
                best_first(refined)
            }
        };
        let crossed = self.cross(octaves, &refined);
        refined = best_first(crossed.into_iter().chain(refined).collect());
        for t in refined.iter_mut().take(effort.climbed) {
            *t = self.climb(octaves, *t);
        }
        best_first(refined)
    }

    /// All promising axes for an nm axis that is off by up to `search_nm`, best first: a line and
    /// a peak give a shift, two of each a shift and a tilt.
    fn near(&self, octaves: &Octaves, search_nm: f64) -> Vec<Trial> {
        let half = self.half();
        let mid = 0.5 * (self.range[1] + self.range[0]);
        let view = (self.range[0] - search_nm, self.range[1] + search_nm);
        let marks = octaves.in_view(1.0, view);
        let inside = view.0..=view.1;
        let mut main: Vec<&Mark> =
            marks.iter().filter(|m| m.seed && m.line && inside.contains(&m.nm)).collect();
        main.sort_by(|a, b| b.shows.total_cmp(&a.shows));
        main.truncate(NEAR_SEEDS);
        let mut out = Vec::new();
        let mut buffer = Buffer::default();
        let close = |m: &Mark| {
            let nm = m.nm;
            self.seen.iter().filter(move |s| (s.x - nm).abs() <= search_nm)
        };
        for (i, m1) in main.iter().enumerate() {
            for p1 in close(m1) {
                let shift = m1.nm - p1.x;
                out.extend(self.judge(
                    octaves,
                    [mid + shift, half, 0.0, 0.0],
                    QUICK.curvature,
                    &mut buffer,
                ));
                for m2 in &main[i + 1..] {
                    for p2 in close(m2).filter(|p2| p2.index != p1.index) {
                        let (t1, t2) = (self.t(p1.x), self.t(p2.x));
                        let tilt = (m2.nm - p2.x - shift) / (t2 - t1);
                        if tilt.abs() <= MAX_TILT_NM {
                            let c = [mid + shift - tilt * t1, half + tilt, 0.0, 0.0];
                            out.extend(self.judge(octaves, c, QUICK.curvature, &mut buffer));
                        }
                    }
                }
            }
        }
        best_first(out)
    }

    /// All promising axes for a recording of which nothing is known but the order of its points.
    ///
    /// Two tall peaks are taken for two strong lines; the other tall peaks then vote on the
    /// curvature, each for those that bring it onto a line. Returned are those that fit best, and those
    /// with the most votes: lines that the detector does not see count against the former.
    fn blind(&self, octaves: &Octaves, effort: &Effort) -> (Vec<Trial>, Vec<Trial>) {
        let mut tall: Vec<&Seen> = self.seen.iter().filter(|s| !s.broad).collect();
        tall.sort_by(|a, b| a.rank.total_cmp(&b.rank));
        tall.truncate(VOTERS);
        let half = self.half();
        let voters: Vec<f64> = tall.iter().map(|s| self.t(s.x)).collect();
        let tried = voters.len().min(effort.tried);
        // Pairs of tall peaks by distance, first the one with the smaller t.
        let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
        for a in 0..tried {
            for b in 0..tried {
                if voters[b] > voters[a] {
                    pairs.push((voters[b] - voters[a], a, b));
                }
            }
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut starts: Vec<(f32, [f64; 4])> = Vec::new();
        let mut poll = Poll::new();
        for (k, octave) in octaves.0.iter().enumerate() {
            let d0 = octave.dispersion;
            let d1 = octaves.0.get(k + 1).map_or(DISPERSION_NM.1, |o| o.dispersion);
            let sure = || octave.sure(self.fwhm_own * d0);
            let seeds: Vec<&Mark> = sure().filter(|m| m.seed).collect();
            let electorate = Electorate::new(sure());
            // Many lines hold a straight or evenly bent axis to where it is refined from.
            let cubics = if seeds.len() <= FEW_SEEDS { effort.cubics } else { &effort.cubics[..1] };
            let from_nm = |nm: f64| octave.marks.partition_point(|m| m.nm < nm);
            let first = starts.len();
            for (i, m1) in seeds.iter().enumerate() {
                for m2 in &seeds[i + 1..] {
                    let between = &octave.marks[from_nm(m1.nm)..from_nm(m2.nm)];
                    if !may_start_together(m1, m2, between) {
                        continue;
                    }
                    let dm = m2.nm - m1.nm;
                    // Distance of the two peaks for the dispersions of this octave.
                    let (lo, hi) = (dm / (d1 * half), dm / (d0 * half));
                    let from = pairs.partition_point(|p| p.0 < lo);
                    for (_, a, b) in pairs[from..].iter().take_while(|p| p.0 < hi) {
                        for (p1, p2) in [(*a, *b), (*b, *a)] {
                            let (t1, t2) = (voters[p1], voters[p2]);
                            let c1 = dm / (t2 - t1);
                            let c0 = m1.nm - c1 * t1;
                            if !self.plausible(c0 - c1, c0 + c1) {
                                continue;
                            }
                            let fwhm_nm = self.fwhm_own * c1.abs() / half;
                            let marks = electorate.in_view((c0 - c1.abs(), c0 + c1.abs()));
                            if !may_start(m1, m2, marks) {
                                continue;
                            }
                            let tolerance_nm = VOTE_FWHM * fwhm_nm;
                            // A vote is worth the more, the fewer lines stand about.
                            let chance = marks.len() as f64 * tolerance_nm / c1.abs();
                            let worth = -chance.min(MOST_CHANCE).ln() as f32;
                            for cubic in cubics {
                                let e = 4.0 * cubic * c1;
                                let pair = (p1, p2);
                                let (votes, d) = poll.vote(
                                    &voters,
                                    pair,
                                    (c0, c1, e),
                                    marks,
                                    tolerance_nm,
                                    effort,
                                );
                                // λ = c0 + c1 t + (d + e t)(t − t1)(t − t2) as Chebyshev coefficients.
                                let (sum, product) = (t1 + t2, t1 * t2);
                                let bent = 0.5 * (d - e * sum);
                                let c = [
                                    c0 + d * product + bent,
                                    c1 - d * sum + e * (product + 0.75),
                                    bent,
                                    0.25 * e,
                                ];
                                starts.push((votes * worth, c));
                            }
                        }
                    }
                }
            }
            let tail = starts.split_off(first);
            starts.extend(most_votes(tail, effort.starts / 2));
        }
        let mut buffer = Buffer::default();
        let mut judge = |(votes, c)| {
            self.judge(octaves, c, effort.curvature, &mut buffer).map(|trial| (votes, trial))
        };
        let mut all: Vec<(f32, Trial)> =
            most_votes(starts, effort.starts).into_iter().filter_map(&mut judge).collect();
        all.sort_by(|a, b| b.0.total_cmp(&a.0));
        let elected = all.iter().map(|(_, t)| *t).take(effort.elected).collect();
        (best_first(all.into_iter().map(|(_, t)| t).collect()), elected)
    }
}

/// Room for one scoring, kept from trial to trial.
#[derive(Default)]
struct Buffer {
    nm: Vec<f64>,
    marks: Vec<Mark>,
    /// The peaks in the order of an axis that falls.
    reversed: Option<Vec<Seen>>,
}

/// Levels of the refinement: marks that show less often are not fitted. Fainter ones come in once the
/// axis is known, the faintest last; the level is kept that fits best.
const LEVELS: [f64; 3] = [0.5, MIN_VOTED, 0.15];
/// Probability that a vote falls on a line by chance, at most.
const MOST_CHANCE: f64 = 0.8;
/// Reach in line widths for a line's peak in the refinement, besides twice the axis' uncertainty …
const REACH_FWHM: f64 = 0.3;
/// … which is this on the trial's axis.
const FIRST_U_FWHM: f64 = 0.2;
/// Uncertainty in line widths beyond which the refinement takes no peak for a line.
const MAX_UNSURE_FWHM: f64 = 0.5;
/// Distance in line widths, in the middle and at both ends, within which two trials are the same.
const SAME_FWHM: f64 = 0.5;
/// Lines that start a search up to which a lamp is one of few lines there.
const FEW_SEEDS: usize = 16;
/// Sure lines below which a lamp is one of few lines.
const FEW: usize = 6;
/// Most rounds of the refinement at each level: each reaches further from where the axis is known.
const ROUNDS: usize = 5;
/// How many trials are kept.
const KEPT: usize = 400;

fn most_votes(mut starts: Vec<(f32, [f64; 4])>, keep: usize) -> Vec<(f32, [f64; 4])> {
    if starts.len() > keep {
        starts.select_nth_unstable_by(keep, |a, b| b.0.total_cmp(&a.0));
        starts.truncate(keep);
    }
    starts
}

fn best_first(mut trials: Vec<Trial>) -> Vec<Trial> {
    trials.retain(|t| t.score.met >= 2);
    trials.sort_by(|a, b| b.score.nats.total_cmp(&a.score.nats));
    trials.truncate(KEPT);
    trials
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::ends::tests::{ground, peaks};
    use crate::calibrate::lamp::Lamp;
    use crate::calibrate::pattern::LampPattern;
    use crate::calibrate::recognise::MARGIN_NATS;
    use crate::reference::Tables;

    /// Peaks of mercury alone, taken for a lamp of mercury and argon: mercury's lines tell that it is there,
    /// argon's do not; with argon's peaks they do.
    #[test]
    fn a_gas_that_does_not_show_is_doubtful() {
        let tables = Tables::bundled().unwrap();
        let pattern = LampPattern::new(&Lamp::named("Hg+Ar", &tables).unwrap(), &tables);
        let group = |gas: &str| {
            let line = pattern.emissions.iter().find(|e| e.gas == gas && !e.ion).unwrap();
            pattern.group_of(line)
        };
        let mercury = [365.02, 404.66, 435.83, 546.08, 576.96, 579.07];
        let argon = [420.07, 415.86, 427.22, 430.01, 433.36, 603.21];
        let mut both: Vec<f64> = mercury.into_iter().chain(argon).collect();
        both.sort_by(f64::total_cmp);
        for (lines, shows) in [(mercury.to_vec(), false), (both, true)] {
            let seen = peaks(&lines);
            let ground = ground(&seen);
            let octaves = Octaves::new(&pattern, &ground);
            let points: Vec<Point> = seen
                .iter()
                .zip(&lines)
                .map(|(s, nm)| Point { x: s.x, nm: *nm, u_nm: 0.03 })
                .collect();
            let f = fit::fit(&points, ground.range, ground.kind).unwrap();
            let doubtful = ground.doubtful(&octaves, &ground.trial(&f.model), MARGIN_NATS);
            assert!(!doubtful.contains(&group("Hg")), "{doubtful:?}");
            assert_eq!(doubtful.contains(&group("Ar")), !shows, "{doubtful:?}");
        }
    }
}
