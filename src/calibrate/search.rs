//! Which axis brings the peaks onto the lamp's features, with nothing or little known.

use super::fit::{self, Point};
use super::pattern::{FITTED_PLACE_FWHM, Mark, PLACE_FWHM, Score, Seen, score};
use crate::AxisKind;

/// Smallest and largest dispersion of array spectrometers, nm per pixel.
pub const DISPERSION_NM: (f64, f64) = (0.03, 1.5);
/// Shortest and longest wavelength that silicon and CMOS array spectrometers reach, nm; an axis
/// may run somewhat beyond with dead ends.
pub const REACH_NM: (f64, f64) = (150.0, 1250.0);
/// Most that the dispersion may change from the middle of the axis to its end, as a share: four
/// times the second Chebyshev coefficient over the first, for the prior's two standard deviations.
const MAX_CURVATURE: f64 = 0.32;
/// How many of the tallest peaks are tried as main lines.
const TRIED: usize = 16;
/// Reach for a third line beyond the straight axis through two, as a share of its distance: what
/// the curvature of a plane grating amounts to.
const THIRD_REACH: f64 = 0.06;

/// Most that a factory nm axis is tilted, nm from its middle to its end (common practice, no
/// published source: "up to a few nm").
const MAX_TILT_NM: f64 = 3.0;

/// An axis that was tried: λ(t) = c0 + c1 t + c2 (2t² − 1), t from −1 to 1 over the recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Coefficients, nm.
    pub c: [f64; 3],
    /// How well it fits.
    pub score: Score,
}

impl Trial {
    /// Wavelength at `t`.
    pub fn nm(&self, t: f64) -> f64 {
        self.c[0] + self.c[1] * t + self.c[2] * (2.0 * t * t - 1.0)
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
}

impl Ground<'_> {
    /// Own axis value to t.
    pub fn t(&self, x: f64) -> f64 {
        (2.0 * x - self.range[0] - self.range[1]) / (self.range[1] - self.range[0])
    }

    /// Scores an axis; `None` where it is no axis at all (folds back, out of reach).
    fn judge(&self, marks: &[Mark], c: [f64; 3], buffer: &mut Vec<(f64, usize)>) -> Option<Trial> {
        let mut trial = Trial { c, score: Score { nats: 0.0, met: 0 } };
        let (a, b) = (trial.nm(-1.0), trial.nm(1.0));
        let range = (a.min(b), a.max(b));
        if 4.0 * c[2].abs() > MAX_CURVATURE * c[1].abs()
            || range.0 < REACH_NM.0 - 100.0
            || range.1 > REACH_NM.1 + 100.0
        {
            return None;
        }
        let half = 0.5 * (self.range[1] - self.range[0]);
        let fwhm_nm = self.fwhm_own * c[1].abs() / half;
        buffer.clear();
        buffer.extend(self.seen.iter().enumerate().map(|(k, s)| (trial.nm(self.t(s.x)), k)));
        if b < a {
            buffer.reverse();
        }
        let nm: Vec<f64> = buffer.iter().map(|(n, _)| *n).collect();
        let ordered: Vec<Seen> = buffer.iter().map(|(_, k)| self.seen[*k].clone()).collect();
        trial.score = score(marks, &ordered, &nm, range, fwhm_nm, PLACE_FWHM);
        Some(trial)
    }

    /// The best trials again, each with an axis fitted to all the lines that it meets, and judged
    /// more strictly; best first.
    ///
    /// Any three peaks can be brought onto any three lines: it is the lines beyond the third that
    /// tell the lamp from chance, and they tell more the closer the axis is.
    pub fn refine(&self, marks: &[Mark], kind: AxisKind, trials: &[Trial]) -> Vec<Trial> {
        let half = 0.5 * (self.range[1] - self.range[0]);
        let mut out: Vec<Trial> = Vec::new();
        for trial in trials {
            if out.len() >= REFINED {
                break;
            }
            let fwhm_nm = self.fwhm_own * trial.c[1].abs() / half;
            let mut place: Vec<f64> = self.seen.iter().map(|s| trial.nm(self.t(s.x))).collect();
            // Axes that are the same within a line width are refined once.
            let mid = trial.nm(0.0);
            if out
                .iter()
                .any(|o| (o.nm(0.0) - mid).abs() < fwhm_nm && (o.c[1] - trial.c[1]).abs() < fwhm_nm)
            {
                continue;
            }
            let mut fitted = None;
            for reach in [1.0, 0.6, 0.4] {
                let points: Vec<Point> = marks
                    .iter()
                    .filter(|m| m.mercury || m.u_nm < 0.2 * fwhm_nm)
                    .filter_map(|m| {
                        let near = |k: &usize| (place[*k] - m.nm).abs();
                        let k = (0..place.len())
                            .filter(|k| near(k) < reach * fwhm_nm + m.u_nm)
                            .min_by(|a, b| near(a).total_cmp(&near(b)))?;
                        let u = (FITTED_PLACE_FWHM * fwhm_nm).hypot(m.u_nm);
                        Some(Point { x: self.seen[k].x, nm: m.nm, u_nm: u })
                    })
                    .collect();
                if points.len() < 3 {
                    break;
                }
                let Ok(f) = fit::fit(&points, self.range, kind) else { break };
                for (p, s) in place.iter_mut().zip(self.seen) {
                    *p = f.model.wavelength(s.x).value;
                }
                fitted = Some(f);
            }
            let Some(f) = fitted else { continue };
            let (a, b) =
                (f.model.wavelength(self.range[0]).value, f.model.wavelength(self.range[1]).value);
            let ascending = if b < a {
                let mut v: Vec<(f64, Seen)> =
                    place.iter().copied().zip(self.seen.iter().cloned()).collect();
                v.reverse();
                v
            } else {
                place.iter().copied().zip(self.seen.iter().cloned()).collect()
            };
            if ascending.windows(2).any(|w| w[1].0 <= w[0].0) {
                continue;
            }
            let (nm, seen): (Vec<f64>, Vec<Seen>) = ascending.into_iter().unzip();
            let mut s = score(marks, &seen, &nm, (a.min(b), a.max(b)), fwhm_nm, FITTED_PLACE_FWHM);
            s.nats -= 0.5 * f.prior_chi2;
            let k = &f.model.coefficients;
            let base = if kind == AxisKind::Nm {
                [0.5 * (self.range[0] + self.range[1]), half]
            } else {
                [0.0, 0.0]
            };
            out.push(Trial { c: [base[0] + k[0], base[1] + k[1], k[2]], score: s });
        }
        best_first(out)
    }

    /// All promising axes for an nm axis that is off by up to `search_nm`, best first: a line and
    /// a peak give a shift, two of each a shift and a tilt.
    pub fn near(&self, marks: &[Mark], search_nm: f64) -> Vec<Trial> {
        let half = 0.5 * (self.range[1] - self.range[0]);
        let mid = 0.5 * (self.range[1] + self.range[0]);
        let main: Vec<&Mark> = marks.iter().filter(|m| m.missing > 0.0).collect();
        let mut out = Vec::new();
        let mut buffer = Vec::new();
        let close = |m: &Mark| {
            let nm = m.nm;
            self.seen.iter().filter(move |s| (s.x - nm).abs() <= search_nm)
        };
        for (i, m1) in main.iter().enumerate() {
            for p1 in close(m1) {
                let shift = m1.nm - p1.x;
                out.extend(self.judge(marks, [mid + shift, half, 0.0], &mut buffer));
                for m2 in &main[i + 1..] {
                    for p2 in close(m2).filter(|p2| p2.index != p1.index) {
                        let (t1, t2) = (self.t(p1.x), self.t(p2.x));
                        let tilt = (m2.nm - p2.x - shift) / (t2 - t1);
                        if tilt.abs() <= MAX_TILT_NM {
                            let c = [mid + shift - tilt * t1, half + tilt, 0.0];
                            out.extend(self.judge(marks, c, &mut buffer));
                        }
                    }
                }
            }
        }
        best_first(out)
    }

    /// All promising axes for a recording of which nothing is known but the order of its points.
    ///
    /// Two tall peaks are taken for two main lines, a third one sets the curvature.
    pub fn blind(&self, marks: &[Mark]) -> Vec<Trial> {
        let main: Vec<&Mark> = marks.iter().filter(|m| m.missing > 0.0).collect();
        let mut tall: Vec<&Seen> = self.seen.iter().collect();
        tall.sort_by(|a, b| a.rank.total_cmp(&b.rank));
        tall.truncate(TRIED);
        let points = self.range[1] - self.range[0];
        let half = 0.5 * points;
        let mut out = Vec::new();
        let mut buffer = Vec::new();
        for (i, m1) in main.iter().enumerate() {
            for m2 in &main[i + 1..] {
                // The pair must hold one of the two surest lines.
                if m1.missing.max(m2.missing) < 6.0 {
                    continue;
                }
                for p1 in &tall {
                    for p2 in &tall {
                        if p1.index == p2.index {
                            continue;
                        }
                        let slope = (m2.nm - m1.nm) / (p2.x - p1.x);
                        if !(DISPERSION_NM.0..=DISPERSION_NM.1).contains(&slope.abs()) {
                            continue;
                        }
                        let (t1, t2) = (self.t(p1.x), self.t(p2.x));
                        let line = |t: f64| m1.nm + slope * half * (t - t1);
                        let straight = [line(0.0), slope * half, 0.0];
                        out.extend(self.judge(marks, straight, &mut buffer));
                        for m3 in marks {
                            if m3.missing == 0.0 || m3.nm == m1.nm || m3.nm == m2.nm {
                                continue;
                            }
                            let reach = THIRD_REACH
                                * (m3.nm - m1.nm).abs().max((m3.nm - m2.nm).abs())
                                + 3.0;
                            for p3 in self.seen {
                                if (line(self.t(p3.x)) - m3.nm).abs() > reach
                                    || p3.index == p1.index
                                    || p3.index == p2.index
                                {
                                    continue;
                                }
                                let t3 = self.t(p3.x);
                                // Newton's form of the parabola through three points.
                                let d12 = (m2.nm - m1.nm) / (t2 - t1);
                                let d123 = ((m3.nm - m2.nm) / (t3 - t2) - d12) / (t3 - t1);
                                let q = [
                                    m1.nm - d12 * t1 + d123 * t1 * t2,
                                    d12 - d123 * (t1 + t2),
                                    d123,
                                ];
                                let c = [q[0] + 0.5 * q[2], q[1], 0.5 * q[2]];
                                out.extend(self.judge(marks, c, &mut buffer));
                            }
                        }
                    }
                }
            }
        }
        best_first(out)
    }
}

/// How many different trials are refined.
const REFINED: usize = 24;
/// How many trials are kept.
const KEPT: usize = 400;

fn best_first(mut trials: Vec<Trial>) -> Vec<Trial> {
    trials.retain(|t| t.score.met >= 2);
    trials.sort_by(|a, b| b.score.nats.total_cmp(&a.score.nats));
    trials.truncate(KEPT);
    trials
}
