//! Molecular bands by their shape: a head with a sharp edge on one side, a flank on the other, and
//! further heads of the sequence at their distances.
//!
//! Each sequence of a system is fitted to the recording itself, and must beat what else could
//! stand there: lines and symmetric humps, lines at the places of its heads, the same bands shaded
//! to the other side, the same bands displaced, and the bands of other systems.

use super::limit::DETECTION;
use super::pattern::GLASS_CUT_NM;
use super::rotation::{System, system};
use super::sequence::{
    HEAD_CAP_NATS, HEAD_SIGMA, Head, Kind, Laid, Sequence, ShiftPrior, WIDTHS, has_edge, ln_sum,
    sequences, shifts,
};
use super::stretch::{Fit, Points};
use crate::reference::{Shading, Species};
use crate::signal::{LineWidth, PeakList};

/// Index of the temperature and the width with which shifts are first tried.
const MIDDLE: usize = 2;
/// Most shifts that are followed up with all temperatures and widths.
const FOLLOWED: usize = 2;
/// Spread of a shift between sequences over that of the axis: shift and tilt (as for lines).
const BETWEEN_SEQUENCES: f64 = 0.33;
/// A sequence is weighed where its strongest recorded head is expected with this share of the
/// strongest of all its heads.
const LEAST_STRENGTH_SHARE: f64 = 0.3;
/// A sequence is much weaker than another by this factor, which the scatter hardly bridges.
const MUCH_WEAKER: f64 = 0.33;
/// Nats by which the sum of a stretch must need a head for it to count as shown.
const HEAD_NATS: f64 = 1.5;
/// Nats from which alternatives are worked out.
const PROMISING_NATS: f64 = 1.0;
/// How much less a band of a molecule that is in no table is expected than that it is lines, nats:
/// the prior of an unusual molecule. Bands that fit no better than displaced copies get this much,
/// which makes none of them likely.
const UNLISTED_NATS: f64 = 4.0;
/// Most displaced copies.
const MOST_DECOYS: usize = 16;
/// Least that one sequence can say against a system: a missing one is judged line by line.
const AGAINST_NATS: f64 = -2.0;
/// Shift of the axis from which it is told, nm.
const TELLING_SHIFT_NM: f64 = 0.1;

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
            [most @ .., last] => {
                s += &format!(", heads at {} and {last} beside it", most.join(", "))
            }
        }
        if self.shift_nm.abs() >= TELLING_SHIFT_NM {
            let side = if self.shift_nm < 0.0 { "high" } else { "low" };
            s += &format!("; the axis reads {:.1} nm too {side} there", self.shift_nm.abs());
        }
        s
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
    let mut missing = 0.0f64;
    for heads in all {
        let inside: Vec<Head> =
            heads.iter().filter(|h| h.nm > *first && h.nm < *last).cloned().collect();
        if strongest(&inside) < LEAST_STRENGTH_SHARE * strongest(&heads) {
            continue;
        }
        let lead = inside.iter().max_by(|a, b| a.strength.total_cmp(&b.strength));
        let Some(at) = lead.map(|h| h.nm) else { continue };
        let (glass, weight) = (at < GLASS_CUT_NM, strongest(&inside));
        // Until it is found: a stronger sequence that is missing speaks against the weaker ones.
        let was_missing = missing;
        if !glass {
            missing = missing.max(weight);
        }
        let mut p = prior(at);
        if let Some((shift, u)) = known {
            p = ShiftPrior { by_lines: (shift, u), axis_u: p.axis_u };
        }
        let mut fwhm = width.fwhm(at);
        let shading = sys.shading();
        let mut found = None;
        // The width of a line was found on bumps of the bands themselves, perhaps: once more with
        // the width that fits.
        for _ in 0..2 {
            let shifts = shifts(&p, fwhm);
            let places: Vec<f64> = inside.iter().map(|h| h.nm).collect();
            let edges: Vec<f64> = shifts
                .iter()
                .copied()
                .filter(|s| has_edge(points, &inside, shading, fwhm, &places, *s))
                .collect();
            if edges.is_empty() {
                break;
            }
            let made = Sequence::new(inside.clone(), sys, points, fwhm, eta, p);
            let Some(sequence) = made else { break };
            let scan = sequence.scan(Kind::Band, &places, &edges, (MIDDLE, MIDDLE));
            let Some(first) = scan.first() else { break };
            // The baseline, lines or the other shading do as well: no band to follow. What costs
            // least is tried first.
            let beaten = |kind: Kind, shifts: &[f64]| {
                let other = sequence.scan(kind, &places, shifts, (MIDDLE, MIDDLE));
                other.first().is_some_and(|o| o.nats > first.nats)
            };
            if sequence.stretch.explain(&[], false).nats > first.nats
                || [Kind::Line, Kind::Mirror]
                    .iter()
                    .any(|k| beaten(*k, &[first.shift]) || beaten(*k, &shifts))
            {
                break;
            }
            let Some(laid) = sequence.follow(Kind::Band, &places, &scan, FOLLOWED) else { break };
            let fits = laid.width;
            fwhm *= WIDTHS[fits];
            found = Some((sequence, laid, shifts));
            if fits == MIDDLE {
                break;
            }
        }
        let Some((sequence, laid, shifts)) = found else { continue };
        let places = sequence.places();
        let lines = sequence.stretch.explain(&[], true).nats;
        let mut nats = laid.nats - lines;
        if nats > PROMISING_NATS {
            let mut others = vec![lines];
            for kind in [Kind::Line, Kind::Mirror] {
                let scan = sequence.scan(kind, &places, &shifts, (MIDDLE, MIDDLE));
                others.extend(sequence.follow(kind, &places, &scan, FOLLOWED).map(|l| l.nats));
            }
            let chance = sequence.chance(points, &laid, &shifts, copies.min(MOST_DECOYS), seed);
            others.push(chance - UNLISTED_NATS);
            nats = laid.nats - ln_sum(&others);
        }
        if nats > PROMISING_NATS && known.is_none() {
            let u = (BETWEEN_SEQUENCES * p.axis_u).min(p.axis_u).max(0.2 * sequence.stretch.fwhm);
            known = Some((laid.shift, u));
        }
        if nats > 0.0 && weight < MUCH_WEAKER * was_missing {
            nats = (nats - HEAD_CAP_NATS).max(0.0);
        }
        if nats > 0.0 {
            missing = was_missing;
        }
        nats = (sys.trust * nats).max(if glass { 0.0 } else { AGAINST_NATS });
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
        let drawn = q.columns(&s.stretch, Kind::Band, &q.places(), m.shift, m.temperature, m.width);
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
            let counts = DETECTION * u;
            if limit.is_none_or(|(_, c)| counts < c) {
                limit = Some((h.nm, counts));
            }
        }
        if w.nats > 0.0 {
            for (j, p) in peaks.peaks.iter().enumerate() {
                let at = p.centre.value;
                let lights = s
                    .drawn(Kind::Band, l.temperature, l.width)
                    .iter()
                    .zip(&s.heads)
                    .zip(&l.fit.height)
                    .map(|((d, h), height)| (h.nm, height * d.at(at + l.shift - h.nm)));
                let light: f64 = lights.clone().map(|l| l.1).sum();
                let height = p.height_or(f64::INFINITY).max(f64::MIN_POSITIVE);
                let here = (light / height).min(1.0);
                if here > share[j] {
                    share[j] = here;
                    peak_head[j] = lights.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0.0, |l| l.0);
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reference::Tables;
    use crate::signal::{PeakSettings, find_peaks};
    use crate::{Axis, AxisKind, Spectrum};
    use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

    /// Bands that the templates do not know: an exponential flank at once behind the head (the
    /// closed form for one branch), a tenth of the light in a second, longer one, and a lump of
    /// lines at the head; strengths given; drawn by sums over fine steps.
    fn flank(head_nm: f64, height: f64, decay_nm: f64, side: f64, x: f64, fwhm: f64) -> f64 {
        let sigma = fwhm / 2.354_820;
        let gauss = |d: f64| (-0.5 * (d / sigma).powi(2)).exp();
        let steps = 160;
        let step = 5.0 * decay_nm / f64::from(steps);
        let mut sum = 0.5 * gauss(x - head_nm - side * 0.1 * fwhm);
        for k in 0..steps {
            let d = (f64::from(k) + 0.5) * step;
            let light = 0.9 * (-d / decay_nm).exp() + 0.1 * (-d / (2.5 * decay_nm)).exp();
            sum += light * gauss(x - head_nm - side * d) * step / (2.506_628 * sigma);
        }
        height * sum
    }

    fn scatter(seed: u64) -> impl FnMut() -> f64 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        move || (0..12).map(|_| rng.random_range(0.0..1.0)).sum::<f64>() - 6.0
    }

    /// A recording from `from` to `to` nm of 0.03 nm a point with some noise.
    fn recording(from: f64, to: f64, seed: u64, light: impl Fn(f64) -> f64) -> Spectrum {
        let mut noise = scatter(seed);
        let n = ((to - from) / 0.03) as usize;
        let x: Vec<f64> = (0..n).map(|i| from + 0.03 * i as f64).collect();
        let y = x
            .iter()
            .map(|x| {
                let v = 300.0 + 4.0 * (x - from) + light(*x);
                v + noise() * (25.0 + v).sqrt()
            })
            .collect();
        Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), y).unwrap()
    }

    fn weigh(s: &Spectrum, axis_u: f64) -> Vec<(String, Shape)> {
        let tables = Tables::bundled().unwrap();
        let peaks = find_peaks(s, &PeakSettings::default()).unwrap();
        let width = peaks.line_width.unwrap_or(LineWidth::constant(0.25, 0.1));
        let species: Vec<&Species> = tables.species().iter().collect();
        let usable = vec![true; s.len()];
        let prior = |_| ShiftPrior { by_lines: (0.0, axis_u), axis_u };
        let out = shapes(&species, (s.x(), s.counts()), &usable, &peaks, &width, &prior, (40, 1));
        species.iter().zip(out).filter_map(|(s, o)| Some((s.name.clone(), o?))).collect()
    }

    fn best(found: &[(String, Shape)]) -> f64 {
        found.iter().map(|(_, s)| s.nats).fold(0.0, f64::max)
    }

    /// Nats from which nitrogen, the most expected molecule, is `likely`: the prior and the
    /// tempering of the verdicts.
    const LIKELY_NATS: f64 = 5.5;

    fn nitrogen(side: f64, heads: &[(f64, f64)], shift: f64, seed: u64) -> Spectrum {
        recording(326.0, 343.0, seed, |x| {
            heads.iter().map(|(nm, h)| flank(nm + shift, *h, 0.75, side, x, 0.25)).sum::<f64>()
        })
    }

    const HEADS: [(f64, f64); 4] =
        [(337.13, 20_000.0), (333.9, 1500.0), (330.9, 500.0), (328.53, 900.0)];

    #[test]
    fn a_sequence_of_heads_with_flanks_is_recognised_on_a_wrong_axis() {
        for (seed, shift) in [(1, 0.5), (2, -0.9), (3, 0.0)] {
            let found = weigh(&nitrogen(-1.0, &HEADS, shift, seed), 1.2);
            let (_, s) = found.iter().find(|(n, _)| n == "N2 (C-B)").unwrap();
            assert!(s.nats > LIKELY_NATS, "{seed}: {} {}", s.nats, s.words());
            assert!(s.shown().count() >= 2, "{seed}: {}", s.words());
            assert!((s.shift_nm + shift).abs() < 0.15, "{seed}: {}", s.shift_nm);
            assert!(s.words().starts_with("head at 337.1 with its flank towards the violet"));
            let others = found.iter().filter(|(n, _)| n != "N2 (C-B)");
            for (n, o) in others {
                assert!(o.nats < LIKELY_NATS, "{seed}: {n} {}", o.nats);
            }
        }
    }

    #[test]
    fn bands_shaded_to_the_other_side_are_nothing() {
        for seed in 1..4 {
            let found = weigh(&nitrogen(1.0, &HEADS, 0.2, seed), 1.2);
            assert!(best(&found) < LIKELY_NATS, "{seed}: {}", best(&found));
        }
    }

    #[test]
    fn the_same_bands_at_other_places_are_nothing() {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        for seed in 1..7 {
            let heads = HEADS.map(|(_, h)| (rng.random_range(327.0..342.0), h));
            let found = weigh(&nitrogen(-1.0, &heads, 0.0, seed), 1.2);
            let sure = found.iter().filter(|(_, s)| s.nats > LIKELY_NATS && s.shown().count() > 1);
            assert_eq!(sure.count(), 0, "{heads:?}: {found:?}");
        }
    }

    #[test]
    fn humps_and_lines_are_no_bands() {
        let gauss = |d: f64, w: f64| (-2.772_589 * (d / w).powi(2)).exp();
        // A light-emitting diode, steeper on one side, with lines beside it.
        let led = recording(320.0, 460.0, 4, |x| {
            let w = if x > 365.0 { 14.0 } else { 8.0 };
            9000.0 * gauss(x - 365.0, w) + 900.0 * gauss(x - 404.66, 0.4)
        });
        assert!(best(&weigh(&led, 1.2)) < LIKELY_NATS);
        // Forty lines of any height at any place.
        for seed in 5..9 {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let lines: Vec<(f64, f64)> = (0..40)
                .map(|_| {
                    let height = 10f64.powf(rng.random_range(2.0..4.5));
                    (rng.random_range(325.0..345.0), height)
                })
                .collect();
            let s = recording(325.0, 345.0, seed, |x| {
                lines.iter().map(|(nm, h)| h * gauss(x - nm, 0.2)).sum::<f64>()
            });
            let found = weigh(&s, 1.2);
            assert!(best(&found) < LIKELY_NATS, "{seed}: {}", best(&found));
        }
    }

    #[test]
    fn nothing_is_weighed_where_nothing_stands() {
        let s = recording(326.0, 343.0, 3, |_| 0.0);
        assert!(weigh(&s, 1.2).is_empty());
    }
}
