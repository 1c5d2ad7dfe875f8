//! Molecular bands by their shape: a head with a sharp edge on one side, a flank on the other, and
//! further heads of the sequence at their distances.
//!
//! Each sequence of a system is fitted to the recording itself, and must beat what else could
//! stand there: lines and symmetric humps, lines at the places of its heads, the same bands shaded
//! to the other side, the same bands displaced, and the bands of other systems.

use super::pattern::{EYE_DECADES, GLASS_CUT_NM};
use super::rotation::{Drawn, Sticks, System, sticks, system};
use super::stretch::{Fit, Points, Stretch};
use crate::reference::{Shading, Species};
use crate::signal::{LineWidth, PeakList};
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

/// Widths that are tried, in line widths: where bands stand, the width of a line is known badly.
const WIDTHS: [f64; 3] = [0.6, 1.0, 1.5];
/// Step of the search for the common shift, in line widths.
const SHIFT_STEP_FWHM: f64 = 0.25;
/// Width of the place that fits, in line widths, as the search leaves it: what a shift costs.
const SHIFT_KNOWN_FWHM: f64 = 0.15;
/// Reach of the shift in prior standard deviations.
const REACH_SIGMA: f64 = 3.0;
/// Most shifts that are followed up with all temperatures and widths.
const FOLLOWED: usize = 3;
/// Spread of a shift between sequences over that of the axis: shift and tilt (as for lines).
const BETWEEN_SEQUENCES: f64 = 0.33;
/// Stretch beyond the outermost heads: on the dark side in line widths and nm, and on the side of
/// the flank.
const DARK_SIDE: (f64, f64) = (4.0, 1.0);
/// See [`DARK_SIDE`].
const FLANK_SIDE: (f64, f64) = (6.0, 3.0);
/// An edge is looked for between these distances from a head, in line widths.
const EDGE_FWHM: (f64, f64) = (0.8, 3.0);
/// An edge stands out by so many standard deviations …
const EDGE_SIGMA: f64 = 4.0;
/// … and by this share of the light at the head.
const EDGE_SHARE: f64 = 0.04;
/// Strength of a head within so many steps of the eye estimate of the strongest: one of those
/// must show an edge.
const STRONG_WITHIN: f64 = 3.0;
/// Fewest heads in the recorded range, the strongest among them.
const LEAST_STRENGTH_SHARE: f64 = 0.3;
/// Scatter of the strengths within a sequence, natural logarithm: a factor of seven, for eye
/// estimates and unknown vibrational temperatures.
const LN_STRENGTH_SCATTER: f64 = 2.0;
/// Most nats that one head loses or one missing head costs.
const HEAD_CAP_NATS: f64 = 2.3;
/// Standard deviations from which a head's height is known to be more than nothing.
const HEAD_SIGMA: f64 = 2.0;
/// Nats by which the sum of a stretch must need a head for it to count as shown.
const HEAD_NATS: f64 = 1.5;
/// Parameters that all bands of a sequence share besides the shift: temperature and width.
const SHARED_PARAMETERS: f64 = 2.0;
/// Nats from which alternatives are worked out.
const PROMISING_NATS: f64 = 1.0;
/// A displaced copy must not come back to the place of the true one within so many line widths.
const DECOY_APART_FWHM: f64 = 4.0;
/// Most displaced copies.
const MOST_DECOYS: usize = 24;
/// Least that one sequence can say against a system: a missing one is judged line by line.
const AGAINST_NATS: f64 = -2.0;
/// Currie's factor of the detection limit for 5 % / 5 %: 2 · 1.645 (Anal. Chem. 40 (1968) 586).
const CURRIE_DETECTION: f64 = 3.29;

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

/// One head as fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct ShownHead {
    /// Tabulated head, nm (air).
    pub nm: f64,
    /// Height of the band at its highest place, counts.
    pub height: f64,
    /// What the recording loses without it, nats.
    pub nats: f64,
    /// True where the recording needs it.
    pub shown: bool,
}

/// What the shapes of a system's bands say.
#[derive(Debug, Clone, PartialEq)]
pub struct Shape {
    /// Evidence beyond all alternatives, nats.
    pub nats: f64,
    /// Side to which the bands fade.
    pub shading: Shading,
    /// Shift (true minus axis value) of the best sequence, nm.
    pub shift_nm: f64,
    /// Heads, tallest first.
    pub heads: Vec<ShownHead>,
    /// Share of each peak's height that the bands account for, 0 to 1.
    pub share: Vec<f64>,
    /// Tabulated head of the band that lends each peak most of that light, nm (air).
    pub peak_head: Vec<f64>,
    /// Tabulated head and height in counts from which its band would have been seen.
    pub limit: Option<(f64, f64)>,
}

impl Shape {
    /// Heads that the recording needs.
    pub fn shown(&self) -> impl Iterator<Item = &ShownHead> {
        self.heads.iter().filter(|h| h.shown)
    }

    /// For each peak the head it lies behind and the share of its height that the bands give.
    pub fn on_peaks(&self) -> impl Iterator<Item = (f64, f64)> {
        self.peak_head.iter().copied().zip(self.share.iter().copied())
    }

    /// The shape in words: where the heads are and to which side they fade.
    pub fn words(&self) -> String {
        let mut heads = self.shown();
        let Some(first) = heads.next() else { return "no head of a band stands out".into() };
        let side = if self.shading == Shading::Violet { "violet" } else { "red" };
        let mut s = format!("head at {:.1} with its flank towards the {side}", first.nm);
        let rest: Vec<String> = heads.take(4).map(|h| format!("{:.1}", h.nm)).collect();
        match rest.as_slice() {
            [] => s += ", no other head beside it",
            [one] => s += &format!(", head at {one} beside it"),
            [most @ .., last] => s += &format!(", heads at {} and {last} beside it", most.join(", ")),
        }
        s
    }
}

/// A tabulated band of a sequence.
#[derive(Debug, Clone, PartialEq)]
struct Head {
    nm: f64,
    strength: f64,
    v: (u32, u32),
}

impl Head {
    /// Expected height within the system, relative.
    fn weight(&self) -> f64 {
        10f64.powf((self.strength - 10.0) / 10.0 * EYE_DECADES)
    }
}

/// (v′, v″) of a label like `(1,0)`.
fn vibration(label: &str) -> Option<(u32, u32)> {
    let inside = label.strip_prefix('(')?.split(')').next()?;
    let (a, b) = inside.split_once(',')?;
    Some((a.trim().parse().ok()?, b.trim().parse().ok()?))
}

/// Sequences of a system: bands of the same v′ − v″, each once, by its outermost head.
fn sequences(species: &Species, sys: &System) -> Vec<Vec<Head>> {
    let mut out: Vec<(i64, Vec<Head>)> = Vec::new();
    for b in &species.bands {
        let Some(v) = vibration(&b.label) else { continue };
        // Bands that turn round at high v are shaped otherwise.
        if b.shading != sticks(sys, v, sys.temperatures_k[0]).shading {
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
enum Kind {
    Band,
    Mirror,
    Line,
}

/// A sequence laid over a stretch of the recording.
struct Sequence {
    heads: Vec<Head>,
    shading: Shading,
    stretch: Stretch,
    prior: ShiftPrior,
    /// One for each temperature, width and head.
    drawn: Vec<Vec<Vec<Drawn>>>,
    eta: f64,
}

/// One way of laying it.
#[derive(Debug, Clone, PartialEq)]
struct Laid {
    nats: f64,
    shift: f64,
    temperature: usize,
    width: usize,
    fit: Fit,
}

impl Sequence {
    fn new(
        heads: Vec<Head>,
        sys: &System,
        points: &Points,
        fwhm: f64,
        eta: f64,
        prior: ShiftPrior,
    ) -> Option<Sequence> {
        let made: Vec<Vec<Sticks>> = sys
            .temperatures_k
            .iter()
            .map(|t| heads.iter().map(|h| sticks(sys, h.v, *t)).collect())
            .collect();
        let shading = made[0].first()?.shading;
        let (low, high) = prior.range();
        let reach = 0.5 * (high - low);
        let dark = DARK_SIDE.0 * fwhm + DARK_SIDE.1;
        let flank = FLANK_SIDE.0 * fwhm + FLANK_SIDE.1;
        let (left, right) =
            if shading == Shading::Violet { (flank, dark) } else { (dark, flank) };
        let mid = 0.5 * (low + high);
        let from = heads.iter().map(|h| h.nm).fold(f64::INFINITY, f64::min) - mid - reach - left;
        let to = heads.iter().map(|h| h.nm).fold(0.0, f64::max) - mid + reach + right;
        let stretch = Stretch::new(points, from, to, fwhm)?;
        let drawn = made
            .iter()
            .map(|set| {
                WIDTHS
                    .iter()
                    .map(|w| {
                        set.iter()
                            .zip(&heads)
                            .map(|(s, h)| Drawn::new(s, h.nm, w * stretch.fwhm, eta))
                            .collect()
                    })
                    .collect()
            })
            .collect();
        Some(Sequence { heads, shading, stretch, prior, drawn, eta })
    }

    /// Shifts to try.
    fn shifts(&self) -> Vec<f64> {
        let (low, high) = self.prior.range();
        let step = SHIFT_STEP_FWHM * self.stretch.fwhm;
        let n = ((high - low) / step).ceil() as usize;
        (0..=n).map(|k| low + k as f64 * step).collect()
    }

    /// True where one of the strong heads, shifted, has an edge on its dark side.
    fn has_edge(&self, points: &Points, shift: f64) -> bool {
        let top = self.heads.iter().map(|h| h.strength).fold(0.0, f64::max);
        let w = self.stretch.fwhm;
        let side = if self.shading == Shading::Violet { 1.0 } else { -1.0 };
        self.heads.iter().filter(|h| h.strength >= top - STRONG_WITHIN).any(|h| {
            let at = h.nm - shift;
            let between = |a: f64, b: f64| points.mean(a.min(b), a.max(b));
            let dark = between(at + side * EDGE_FWHM.0 * w, at + side * EDGE_FWHM.1 * w);
            let flank = between(at - side * EDGE_FWHM.0 * w, at - side * EDGE_FWHM.1 * w);
            let head = between(at - 0.5 * w, at + 0.5 * w);
            match (dark, flank, head) {
                (Some(d), Some(f), Some(h)) => {
                    let rise = f.0 - d.0;
                    rise > EDGE_SIGMA * (d.1 + f.1).sqrt() && rise > EDGE_SHARE * (h.0 - d.0)
                }
                _ => false,
            }
        })
    }

    /// Columns of the heads at `places`, laid in one way.
    fn columns(
        &self,
        stretch: &Stretch,
        kind: Kind,
        places: &[f64],
        shift: f64,
        temperature: usize,
        width: usize,
    ) -> Vec<Vec<f64>> {
        self.drawn[temperature][width]
            .iter()
            .zip(places)
            .map(|(d, nm)| {
                let other;
                let d = match kind {
                    Kind::Band => d,
                    Kind::Mirror => {
                        other = d.mirrored();
                        &other
                    }
                    Kind::Line => {
                        other = d.as_line(WIDTHS[width] * self.stretch.fwhm, self.eta);
                        &other
                    }
                };
                stretch.column(|x| d.at(x + shift - nm))
            })
            .collect()
    }

    /// What laying the sequence costs besides its heights: shift, temperature and width, and
    /// strengths that are not as expected.
    fn cost(&self, fit: &Fit, shift: f64) -> f64 {
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

    /// The best way of laying the sequence with its heads at `places`, among the shifts given.
    fn lay(&self, kind: Kind, places: &[f64], shifts: &[f64]) -> Option<Laid> {
        let one = |shift: f64, temperature: usize, width: usize, lines: bool| {
            let columns = self.columns(&self.stretch, kind, places, shift, temperature, width);
            let fit = self.stretch.explain(&columns, lines);
            Laid { nats: fit.nats - self.cost(&fit, shift), shift, temperature, width, fit }
        };
        let mut first: Vec<Laid> = shifts.iter().map(|s| one(*s, 1, 1, false)).collect();
        first.sort_by(|a, b| b.nats.total_cmp(&a.nats));
        let step = SHIFT_STEP_FWHM * self.stretch.fwhm;
        let mut followed: Vec<f64> = Vec::new();
        for l in &first {
            if followed.len() < FOLLOWED && followed.iter().all(|s| (s - l.shift).abs() > 1.5 * step)
            {
                followed.push(l.shift);
            }
        }
        let mut best: Option<Laid> = None;
        for s in followed {
            for t in 0..self.drawn.len() {
                for w in 0..WIDTHS.len() {
                    // The edge of a sharper band lies elsewhere than a blunt one's.
                    for fine in [-0.5, 0.0, 0.5] {
                        let l = one(s + fine * step, t, w, false);
                        if best.as_ref().is_none_or(|b| l.nats > b.nats) {
                            best = Some(l);
                        }
                    }
                }
            }
        }
        best.map(|b| one(b.shift, b.temperature, b.width, true))
    }

    fn places(&self) -> Vec<f64> {
        self.heads.iter().map(|h| h.nm).collect()
    }

    /// Nats of displaced copies: the logarithm of their mean evidence, which is the evidence for
    /// bands of this sort at places unknown.
    fn chance(&self, best: &Laid, shifts: &[f64], copies: usize, seed: u64) -> f64 {
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
                    })
                    .collect();
                self.lay(Kind::Band, &places, &away).map(|l| l.nats)
            })
            .collect();
        if nats.is_empty() {
            return f64::NEG_INFINITY;
        }
        let top = nats.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        top + (nats.iter().map(|v| (v - top).exp()).sum::<f64>() / nats.len() as f64).ln()
    }
}

/// A sequence as weighed.
struct Weighed {
    sequence: Sequence,
    laid: Laid,
    nats: f64,
    glass: bool,
}

/// Weighs the band shapes of all species whose shapes are known.
///
/// `usable` marks the points that may be used; `prior` gives what is known of the shift at a
/// place. One entry a species; `None` where no edge stands that could be one of its heads'.
pub fn shapes(
    species: &[&Species],
    (x, y): (&[f64], &[f64]),
    usable: &[bool],
    peaks: &PeakList,
    width: &LineWidth,
    prior: &dyn Fn(f64) -> ShiftPrior,
    (copies, seed): (usize, u64),
) -> Vec<Option<Shape>> {
    let keep: Vec<usize> = (0..x.len()).filter(|i| usable[*i]).collect();
    let pick = |v: &[f64]| -> Vec<f64> { keep.iter().map(|i| v[*i]).collect() };
    let points = Points::new(pick(x), pick(y), &pick(&peaks.sigma));
    let eta = peaks.lorentzian_share;
    let weighed: Vec<Vec<Weighed>> = species
        .iter()
        .map(|s| match system(&s.name) {
            Some(sys) => one_species(s, sys, &points, width, eta, prior, (copies, seed)),
            None => Vec::new(),
        })
        .collect();
    (0..species.len())
        .map(|k| {
            let own = &weighed[k];
            if own.is_empty() {
                return None;
            }
            let sum: f64 = own.iter().map(|w| w.nats).sum();
            let nats = weighed
                .iter()
                .enumerate()
                .filter(|(r, o)| *r != k && sum > 0.0 && o.iter().any(|w| w.nats > 0.0))
                .map(|(_, rival)| own.iter().map(|w| beside(w, rival)).sum::<f64>())
                .fold(sum, f64::min);
            Some(shape(own, nats, peaks))
        })
        .collect()
}

fn one_species(
    species: &Species,
    sys: &System,
    points: &Points,
    width: &LineWidth,
    eta: f64,
    prior: &dyn Fn(f64) -> ShiftPrior,
    (copies, seed): (usize, u64),
) -> Vec<Weighed> {
    let (Some(first), Some(last)) = (points.x.first(), points.x.last()) else {
        return Vec::new();
    };
    let strongest = |h: &[Head]| h.iter().map(Head::weight).fold(0.0, f64::max);
    let mut all = sequences(species, sys);
    all.sort_by(|a, b| strongest(b).total_cmp(&strongest(a)));
    let mut out: Vec<Weighed> = Vec::new();
    let mut known: Option<(f64, f64)> = None;
    for heads in all {
        let inside: Vec<Head> =
            heads.iter().filter(|h| h.nm > *first && h.nm < *last).cloned().collect();
        if strongest(&inside) < LEAST_STRENGTH_SHARE * strongest(&heads) {
            continue;
        }
        let lead = inside.iter().max_by(|a, b| a.strength.total_cmp(&b.strength));
        let Some(at) = lead.map(|h| h.nm) else { continue };
        let mut p = prior(at);
        if let Some((shift, u)) = known {
            p = ShiftPrior { by_lines: (shift, u), axis_u: p.axis_u };
        }
        let Some(sequence) = Sequence::new(inside, sys, points, width.fwhm(at), eta, p) else {
            continue;
        };
        let shifts: Vec<f64> = sequence.shifts();
        let edges: Vec<f64> =
            shifts.iter().copied().filter(|s| sequence.has_edge(points, *s)).collect();
        if edges.is_empty() {
            continue;
        }
        let places = sequence.places();
        let Some(laid) = sequence.lay(Kind::Band, &places, &edges) else { continue };
        let lines = sequence.stretch.explain(&[], true).nats;
        let mut nats = laid.nats - lines;
        if nats > PROMISING_NATS {
            for kind in [Kind::Line, Kind::Mirror] {
                if let Some(l) = sequence.lay(kind, &places, &shifts) {
                    nats = nats.min(laid.nats - l.nats);
                }
            }
        }
        if nats > PROMISING_NATS {
            let chance = sequence.chance(&laid, &shifts, copies.min(MOST_DECOYS), seed);
            nats = nats.min(laid.nats - chance);
        }
        if nats > PROMISING_NATS && known.is_none() {
            let u = (BETWEEN_SEQUENCES * p.axis_u).min(p.axis_u).max(0.2 * sequence.stretch.fwhm);
            known = Some((laid.shift, u));
        }
        let glass = at < GLASS_CUT_NM;
        nats = nats.max(if glass { 0.0 } else { AGAINST_NATS });
        out.push(Weighed { sequence, laid, nats, glass });
    }
    out
}

/// Nats of a sequence where the bands of another system stand in the same stretch.
fn beside(w: &Weighed, rival: &[Weighed]) -> f64 {
    let (s, l) = (&w.sequence, &w.laid);
    let (a, b) = (s.stretch.x[0], s.stretch.x[s.stretch.x.len() - 1]);
    let mut columns: Vec<Vec<f64>> = Vec::new();
    for r in rival.iter().filter(|r| r.nats > 0.0) {
        let (q, m) = (&r.sequence, &r.laid);
        let drawn =
            q.columns(&s.stretch, Kind::Band, &q.places(), m.shift, m.temperature, m.width);
        for ((c, h), height) in drawn.into_iter().zip(&q.heads).zip(&m.fit.height) {
            if *height > 0.0 && h.nm - m.shift > a && h.nm - m.shift < b {
                columns.push(c);
            }
        }
    }
    if columns.is_empty() {
        return w.nats;
    }
    let without = s.stretch.explain(&columns, true).nats;
    let m = s.heads.len();
    let mut all = s.columns(&s.stretch, Kind::Band, &s.places(), l.shift, l.temperature, l.width);
    all.append(&mut columns);
    let fit = s.stretch.explain(&all, true);
    let own = Fit { nats: fit.nats, height: fit.height[..m].to_vec(), u: fit.u[..m].to_vec() };
    let nats = fit.nats - s.cost(&own, l.shift) - without;
    w.nats.min(nats.max(if w.glass { 0.0 } else { AGAINST_NATS }))
}

/// Puts the sequences of a species together.
fn shape(own: &[Weighed], nats: f64, peaks: &PeakList) -> Shape {
    let mut heads = Vec::new();
    let mut share = vec![0.0; peaks.peaks.len()];
    let mut peak_head = vec![0.0; peaks.peaks.len()];
    let mut limit: Option<(f64, f64)> = None;
    for w in own {
        let (s, l) = (&w.sequence, &w.laid);
        let columns =
            s.columns(&s.stretch, Kind::Band, &s.places(), l.shift, l.temperature, l.width);
        for (k, h) in s.heads.iter().enumerate() {
            let (height, u) = (l.fit.height[k], l.fit.u[k]);
            let mut lost = 0.0;
            if w.nats > 0.0 && height > HEAD_SIGMA * u {
                let others: Vec<Vec<f64>> =
                    (0..columns.len()).filter(|j| *j != k).map(|j| columns[j].clone()).collect();
                lost = l.fit.nats - s.stretch.explain(&others, true).nats;
            }
            heads.push(ShownHead { nm: h.nm, height, nats: lost, shown: lost > HEAD_NATS });
            let counts = CURRIE_DETECTION * u;
            if limit.is_none_or(|(_, c)| counts < c) {
                limit = Some((h.nm, counts));
            }
        }
        if w.nats > 0.0 {
            for (j, p) in peaks.peaks.iter().enumerate() {
                let at = p.centre.value;
                let lights = s.drawn[l.temperature][l.width]
                    .iter()
                    .zip(&s.heads)
                    .zip(&l.fit.height)
                    .map(|((d, h), height)| (h.nm, height * d.at(at + l.shift - h.nm)));
                let light: f64 = lights.clone().map(|l| l.1).sum();
                let height = p.height_or(f64::INFINITY).max(f64::MIN_POSITIVE);
                let here = (light / height).min(1.0);
                if here > share[j] {
                    share[j] = here;
                    peak_head[j] =
                        lights.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0.0, |l| l.0);
                }
            }
        }
    }
    heads.sort_by(|a, b| b.height.total_cmp(&a.height));
    let best = own.iter().max_by(|a, b| a.nats.total_cmp(&b.nats));
    Shape {
        nats,
        shading: own[0].sequence.shading,
        shift_nm: best.map_or(0.0, |w| w.laid.shift),
        heads,
        share,
        peak_head,
        limit,
    }
}
