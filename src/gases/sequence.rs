//! A sequence of bands laid over a stretch of the recording: where, how hot, how wide, and what
//! displaced copies of it reach.

use super::pattern::EYE_DECADES;
use super::rotation::{Drawn, System, sticks};
use super::stretch::{Fit, Points, Stretch};
use crate::reference::{Shading, Species};
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};
use std::cell::OnceCell;

/// Widths that are tried, in line widths: where bands stand, the width of a line is known badly.
pub const WIDTHS: [f64; 5] = [0.55, 0.75, 1.0, 1.3, 1.7];
/// Step of the search for the common shift, in line widths.
const SHIFT_STEP_FWHM: f64 = 0.25;
/// Width of the place that fits, in line widths, as the search leaves it: what a shift costs.
const SHIFT_KNOWN_FWHM: f64 = 0.15;
/// Reach of the shift in prior standard deviations.
const REACH_SIGMA: f64 = 3.0;
/// Most steps of that search.
const MOST_SHIFTS: f64 = 600.0;
/// Stretch beyond the outermost heads: on the dark side in line widths and nm, and on the side of
/// the flank.
const DARK_SIDE: (f64, f64) = (4.0, 1.0);
/// See [`DARK_SIDE`].
const FLANK_SIDE: (f64, f64) = (6.0, 3.0);
/// An edge is looked for between these distances from a head, in line widths.
const EDGE_FWHM: (f64, f64) = (0.8, 3.0);
/// Parts of the flank, each of which must be lit: a neighbouring line lights one.
const FLANK_PARTS: u32 = 3;
/// An edge stands out by so many standard deviations …
const EDGE_SIGMA: f64 = 4.0;
/// … and by this share of the light at the head.
const EDGE_SHARE: f64 = 0.05;
/// Strength of a head within so many steps of the eye estimate of the strongest: one of those
/// must show an edge.
const STRONG_WITHIN: f64 = 3.0;
/// Scatter of the strengths within a sequence, natural logarithm: a factor of seven, for eye
/// estimates and unknown vibrational temperatures.
const LN_STRENGTH_SCATTER: f64 = 2.0;
/// Most nats that one head loses or one missing head costs.
pub const HEAD_CAP_NATS: f64 = 2.3;
/// Standard deviations from which a head's height is known to be more than nothing.
pub const HEAD_SIGMA: f64 = 2.0;
/// Parameters that all bands of a sequence share besides the shift: temperature and width.
const SHARED_PARAMETERS: f64 = 2.0;
/// A displaced copy must not come back to the place of the true one within so many line widths.
const DECOY_APART_FWHM: f64 = 4.0;

/// What is known of the shift (true minus axis value) at a place before the bands are looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShiftPrior {
    /// Shift and its standard uncertainty as the lines had it, nm.
    pub by_lines: (f64, f64),
    /// Standard uncertainty of the axis, nm: the lines may have been matched wrongly.
    pub axis_u: f64,
}

impl ShiftPrior {
    /// ln of the density, 1/nm: half by the lines, half by the axis.
    fn ln(&self, s: f64) -> f64 {
        let normal = |d: f64, u: f64| (-0.5 * (d / u).powi(2)).exp() / (2.506_628 * u);
        let (c, u) = self.by_lines;
        (0.5 * normal(s - c, u) + 0.5 * normal(s, self.axis_u)).max(1e-300).ln()
    }

    fn range(&self) -> (f64, f64) {
        let (c, u) = self.by_lines;
        let (a, b) = (REACH_SIGMA * u, REACH_SIGMA * self.axis_u);
        ((c - a).min(-b), (c + a).max(b))
    }
}

/// A tabulated band of a sequence.
#[derive(Debug, Clone, PartialEq)]
pub struct Head {
    /// Tabulated place, nm (air).
    pub nm: f64,
    /// Eye estimate, 0 to 10.
    pub strength: f64,
    v: (u32, u32),
}

impl Head {
    /// Expected height within the system, relative.
    pub fn weight(&self) -> f64 {
        10f64.powf((self.strength - 10.0) / 10.0 * EYE_DECADES)
    }
}

/// (v′, v″) of a label like `(1,0)`.
/// Vibrational quantum numbers v′ and v″ of a band's label in the table: `(0,1)`.
pub fn vibration(label: &str) -> Option<(u32, u32)> {
    let inside = label.strip_prefix('(')?.split(')').next()?;
    let (a, b) = inside.split_once(',')?;
    Some((a.trim().parse().ok()?, b.trim().parse().ok()?))
}

/// Sequences of a system: bands of the same v′ − v″, each once, by its outermost head.
pub fn sequences(species: &Species, sys: &System) -> Vec<Vec<Head>> {
    let mut out: Vec<(i64, Vec<Head>)> = Vec::new();
    for b in &species.bands {
        let Some(v) = vibration(&b.label) else { continue };
        // Bands that turn round at high v are shaped otherwise.
        if b.shading != sys.shading() {
            continue;
        }
        let step = i64::from(v.0) - i64::from(v.1);
        let head = Head { nm: b.head_nm, strength: b.strength.unwrap_or(5.0), v };
        match out.iter_mut().find(|(s, _)| *s == step) {
            Some((_, heads)) => match heads.iter_mut().find(|h| h.v == v) {
                Some(h) if (b.shading == Shading::Violet) == (head.nm > h.nm) => *h = head,
                Some(_) => {}
                None => heads.push(head),
            },
            None => out.push((step, vec![head])),
        }
    }
    out.into_iter().map(|(_, h)| h).collect()
}

/// What is laid at the places of the heads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Band,
    Mirror,
    Line,
}

/// Number of kinds.
const KINDS: usize = 3;

/// A sequence laid over a stretch of the recording.
pub struct Sequence {
    pub heads: Vec<Head>,
    pub shading: Shading,
    pub stretch: Stretch,
    prior: ShiftPrior,
    system: System,
    /// What is laid at the heads, for each kind, temperature and width; made when it is asked for.
    drawn: Vec<OnceCell<Vec<Drawn>>>,
    eta: f64,
}

/// One way of laying it.
#[derive(Debug, Clone, PartialEq)]
pub struct Laid {
    /// Evidence less what the way of laying costs, nats.
    pub nats: f64,
    /// Shift (true minus axis value), nm.
    pub shift: f64,
    /// Index of the temperature.
    pub temperature: usize,
    /// Index into [`WIDTHS`].
    pub width: usize,
    /// Heights of the bands.
    pub fit: Fit,
}

impl Sequence {
    /// `None` where too little of the stretch was recorded.
    pub fn new(
        heads: Vec<Head>,
        sys: &System,
        points: &Points,
        fwhm: f64,
        eta: f64,
        prior: ShiftPrior,
    ) -> Option<Sequence> {
        let shading = sys.shading();
        let (low, high) = prior.range();
        let reach = 0.5 * (high - low);
        let dark = DARK_SIDE.0 * fwhm + DARK_SIDE.1;
        let flank = FLANK_SIDE.0 * fwhm + FLANK_SIDE.1;
        let (left, right) = if shading == Shading::Violet { (flank, dark) } else { (dark, flank) };
        let mid = 0.5 * (low + high);
        let from = heads.iter().map(|h| h.nm).fold(f64::INFINITY, f64::min) - mid - reach - left;
        let to = heads.iter().map(|h| h.nm).fold(0.0, f64::max) - mid + reach + right;
        let stretch = Stretch::new(points, from, to, fwhm)?;
        let drawn =
            (0..KINDS * sys.temperatures_k.len() * WIDTHS.len()).map(|_| OnceCell::new()).collect();
        Some(Sequence { heads, shading, stretch, prior, system: *sys, drawn, eta })
    }

    /// What is laid at the heads at one temperature and width.
    pub fn drawn(&self, kind: Kind, temperature: usize, width: usize) -> &[Drawn] {
        let at =
            (kind as usize * self.system.temperatures_k.len() + temperature) * WIDTHS.len() + width;
        self.drawn[at].get_or_init(|| {
            let fwhm = WIDTHS[width] * self.stretch.fwhm;
            let kelvin = self.system.temperatures_k[temperature];
            let bands = self
                .heads
                .iter()
                .map(|h| Drawn::new(&sticks(&self.system, h.v, kelvin), h.nm, fwhm, self.eta));
            match kind {
                Kind::Band => bands.collect(),
                Kind::Mirror => bands.map(|b| b.mirrored()).collect(),
                Kind::Line => bands.map(|b| b.as_line(fwhm, self.eta)).collect(),
            }
        })
    }

    /// Columns of the heads at `places`, laid in one way.
    pub fn columns(
        &self,
        stretch: &Stretch,
        kind: Kind,
        places: &[f64],
        shift: f64,
        temperature: usize,
        width: usize,
    ) -> Vec<Vec<f64>> {
        self.drawn(kind, temperature, width)
            .iter()
            .zip(places)
            .map(|(d, nm)| stretch.column(|x| d.at(x + shift - nm)))
            .collect()
    }

    /// What laying the sequence costs besides its heights: shift, temperature and width, and
    /// strengths that are not as expected.
    pub fn cost(&self, fit: &Fit, shift: f64) -> f64 {
        let known = SHIFT_KNOWN_FWHM * self.stretch.fwhm;
        let shared = 0.5 * SHARED_PARAMETERS * self.stretch.places.ln();
        shared - (self.prior.ln(shift) + (2.506_628 * known).ln()).min(0.0) + self.strengths(fit)
    }

    /// Nats that unexpected strengths cost.
    fn strengths(&self, fit: &Fit) -> f64 {
        let ln = |k: usize, h: f64| h.ln() - self.heads[k].weight().ln();
        let sure = |k: &usize| fit.height[*k] > HEAD_SIGMA * fit.u[*k];
        let known: Vec<f64> =
            (0..self.heads.len()).filter(sure).map(|k| ln(k, fit.height[k])).collect();
        if known.is_empty() {
            return 0.0;
        }
        // The tallest says how strong the system is, as far as the others agree.
        let level = known.iter().sum::<f64>() / known.len() as f64;
        (0..self.heads.len())
            .map(|k| {
                let d = if sure(&k) {
                    ln(k, fit.height[k]) - level
                } else {
                    (ln(k, HEAD_SIGMA * fit.u[k]) - level).min(0.0)
                };
                (0.5 * (d / LN_STRENGTH_SCATTER).powi(2)).min(HEAD_CAP_NATS)
            })
            .sum()
    }

    /// One way of laying the sequence; with lines beside it where `lines`.
    pub fn one(
        &self,
        kind: Kind,
        places: &[f64],
        (shift, temperature, width): (f64, usize, usize),
        lines: bool,
    ) -> Laid {
        let columns = self.columns(&self.stretch, kind, places, shift, temperature, width);
        let fit = self.stretch.explain(&columns, lines);
        Laid { nats: fit.nats - self.cost(&fit, shift), shift, temperature, width, fit }
    }

    /// The best of some shifts at one temperature and width, best first, without lines.
    pub fn scan(
        &self,
        kind: Kind,
        places: &[f64],
        shifts: &[f64],
        (t, w): (usize, usize),
    ) -> Vec<Laid> {
        let mut all: Vec<Laid> =
            shifts.iter().map(|s| self.one(kind, places, (*s, t, w), false)).collect();
        all.sort_by(|a, b| b.nats.total_cmp(&a.nats));
        all
    }

    /// The best way of laying the sequence with its heads at `places`, from a scan.
    pub fn follow(&self, kind: Kind, places: &[f64], scan: &[Laid], most: usize) -> Option<Laid> {
        let step = SHIFT_STEP_FWHM * self.stretch.fwhm;
        let mut followed: Vec<f64> = Vec::new();
        for l in scan {
            if followed.len() < most && followed.iter().all(|s| (s - l.shift).abs() > 1.5 * step) {
                followed.push(l.shift);
            }
        }
        let mut best: Option<Laid> = None;
        for s in followed {
            for t in 0..self.system.temperatures_k.len() {
                for w in 0..WIDTHS.len() {
                    // The edge of a sharper band lies elsewhere than a blunt one's.
                    for fine in [-1.0, -0.5, 0.0, 0.5, 1.0] {
                        let l = self.one(kind, places, (s + fine * step, t, w), false);
                        if best.as_ref().is_none_or(|b| l.nats > b.nats) {
                            best = Some(l);
                        }
                    }
                }
            }
        }
        best.map(|b| self.one(kind, places, (b.shift, b.temperature, b.width), true))
    }

    /// Tabulated places of the heads, nm (air).
    pub fn places(&self) -> Vec<f64> {
        self.heads.iter().map(|h| h.nm).collect()
    }

    /// Nats of displaced copies: the logarithm of their mean evidence, which is the evidence for
    /// bands of this sort at places unknown.
    pub fn chance(
        &self,
        points: &Points,
        best: &Laid,
        shifts: &[f64],
        copies: usize,
        seed: u64,
    ) -> f64 {
        let (a, b) = (self.stretch.x[0], self.stretch.x[self.stretch.x.len() - 1]);
        let apart = DECOY_APART_FWHM * self.stretch.fwhm;
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let lead = (0..self.heads.len())
            .max_by(|i, j| best.fit.height[*i].total_cmp(&best.fit.height[*j]))
            .unwrap_or(0);
        let nats: Vec<f64> = (0..copies)
            .filter_map(|_| {
                let by = rng.random_range(0.0..(b - a));
                let places: Vec<f64> = self
                    .places()
                    .iter()
                    .map(|nm| a + (nm - best.shift - a + by).rem_euclid(b - a) + best.shift)
                    .collect();
                let away: Vec<f64> = shifts
                    .iter()
                    .copied()
                    .filter(|s| {
                        let back = places[lead] - s - (self.heads[lead].nm - best.shift);
                        back.abs() > apart
                            && has_edge(
                                points,
                                &self.heads,
                                self.shading,
                                self.stretch.fwhm,
                                &places,
                                *s,
                            )
                    })
                    .collect();
                let nuisance = (best.temperature, best.width);
                let scan = self.scan(Kind::Band, &places, &away, nuisance);
                self.follow(Kind::Band, &places, &scan, 1).map(|l| l.nats)
            })
            .collect();
        if nats.is_empty() {
            return f64::NEG_INFINITY;
        }
        ln_sum(&nats) - (nats.len() as f64).ln()
    }
}

/// True where one of the strong heads, at `places` and shifted, has an edge on its dark side
/// and a flank without gaps on the other.
pub fn has_edge(
    points: &Points,
    heads: &[Head],
    shading: Shading,
    w: f64,
    places: &[f64],
    shift: f64,
) -> bool {
    let top = heads.iter().map(|h| h.strength).fold(0.0, f64::max);
    let side = if shading == Shading::Violet { 1.0 } else { -1.0 };
    let strong = heads.iter().zip(places).filter(|(h, _)| h.strength >= top - STRONG_WITHIN);
    strong.map(|(_, nm)| nm - shift).any(|at| {
        let between = |a: f64, b: f64| {
            let (a, b) = (at + side * a * w, at + side * b * w);
            points.mean(a.min(b), a.max(b))
        };
        let Some(dark) = between(EDGE_FWHM.0, EDGE_FWHM.1) else { return false };
        let Some(head) = between(-0.5, 0.5) else { return false };
        let part = (EDGE_FWHM.1 - EDGE_FWHM.0) / f64::from(FLANK_PARTS);
        (0..FLANK_PARTS).all(|k| {
            let from = EDGE_FWHM.0 + f64::from(k) * part;
            between(-from, -from - part).is_some_and(|flank| {
                let rise = flank.0 - dark.0;
                rise > EDGE_SIGMA * (dark.1 + flank.1).sqrt()
                    && rise > EDGE_SHARE * (head.0 - dark.0)
            })
        })
    })
}

/// Shifts to try.
pub fn shifts(prior: &ShiftPrior, fwhm: f64) -> Vec<f64> {
    let (low, high) = prior.range();
    let step = SHIFT_STEP_FWHM * fwhm;
    let n = ((high - low) / step).ceil();
    // An axis known so badly, or a width of nothing, leaves no place to look at.
    if !(0.0..=MOST_SHIFTS).contains(&n) {
        return Vec::new();
    }
    (0..=n as usize).map(|k| low + k as f64 * step).collect()
}

/// ln of the sum of the exponentials.
pub fn ln_sum(v: &[f64]) -> f64 {
    let top = v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    top + v.iter().map(|v| (v - top).exp()).sum::<f64>().ln()
}
