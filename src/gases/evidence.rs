//! What a recording says for or against one species, others being there.

use super::faint::{self, Faint};
use super::pattern::{Feature, POPULATION_PRIOR, POPULATIONS, Pattern, missing};
use crate::signal::LineWidth;

/// Scatter of a line's height about the model, natural logarithm: a factor of three, since
/// neither populations nor the detector's response are known.
pub const LN_HEIGHT_SCATTER: f64 = 1.1;
/// The same for lines that glass may have weakened, or that are resonance lines (a factor of ten).
const GLASS_SCATTER: f64 = 2.3;
/// Systematic scatter of a peak's place, in line widths.
const PLACE_FWHM: f64 = 0.08;
/// What it grows by for each line width that a peak is broader than a line: pressure shifts a line and
/// dents its top, Hβ above all (common practice, no published source).
const BROAD_PLACE: f64 = 0.2;
/// A peak within so many standard deviations of a feature may be its line.
const REACH_SIGMA: f64 = 2.6;
/// Steps of the species' amplitude over its prior range.
const AMPLITUDES: usize = 10;
/// The prior range of the amplitude starts where the strongest free feature stands this far above
/// the height from which it would be seen: below, the question is not whether it is there, but
/// whether it can be seen, and that the limit answers.
const LEAST_OVER_LIMIT: f64 = 3.0;
/// Height of a line hidden under another peak, as a share of that peak.
const HIDDEN_SHARE: f64 = 0.5;
/// Scatter of a line's expected place, in line widths, beyond which what is read just there says nothing of
/// the line: it may stand beside.
pub const READ_PLACE_FWHM: f64 = 0.4;
/// Share of a band's height that is read of it by the shape of a line, its flank passing for the level
/// (`limit.rs` works it out for one band; here half is good enough).
const READ_OF_BAND: f64 = 0.5;
/// Range in nm to each side over which the density of peaks is taken.
const DENSITY_RANGE_NM: f64 = 50.0;
/// Chance that a feature which looks like a ghost is one, against a new line.
const GHOST_WEIGHT: f64 = 0.5;

/// Slope of the logistic curve that stands in for Φ, good to 0.01, which is far below what the
/// model's own scatter leaves (S. R. Bowling et al., J. Ind. Eng. Manag. 2 (2009) 114).
const LOGISTIC_SLOPE: f64 = 1.702;
/// Least weight of a feature that is reckoned with: its logarithm must be finite.
const LEAST_WEIGHT: f64 = 1e-9;
/// Bayes factors that are multiplied before their logarithm is taken: each lies between a tenth
/// and some ten thousand, and a logarithm costs more than many products.
const FACTORS: usize = 4;

/// A peak as the identification sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct SeenPeak {
    /// Place after the common shift, nm (air).
    pub nm: f64,
    /// Standard uncertainty of the place with that of the axis after the shift, nm.
    pub u_nm: f64,
    /// Height above the baseline; for a clipped peak the least it can be.
    pub height: f64,
    /// Width over the instrument's.
    pub broad: f64,
    /// True where only a lower bound of the height is known.
    pub clipped: bool,
    /// True where it lies where a ghost would.
    pub ghost: bool,
}

/// All that the evidence is taken from.
pub struct Scene<'a> {
    /// Peaks, ascending.
    pub peaks: &'a [SeenPeak],
    /// Width of a line along the axis, nm.
    pub width: LineWidth,
    /// Height from which a line is seen, at any wavelength.
    pub threshold: &'a dyn Fn(f64) -> f64,
    /// Height of the tallest peak.
    pub tallest: f64,
    /// Typical threshold.
    pub typical_threshold: f64,
    /// Peaks of atoms may be broader than a line by this factor (pressure).
    pub max_broad: f64,
    /// What is read at a place, nm, where no line was found and the axis is sure enough.
    pub faint: &'a dyn Fn(f64) -> Option<Faint>,
    /// Share of such places that hold a faint line of whatever else glows.
    pub faint_share: f64,
    /// Nats that a shift costs which was found on the same lines.
    pub shift_cost: f64,
}

/// What one feature shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Showing {
    /// A peak lies there.
    Peak {
        /// Index of the peak.
        index: usize,
        /// Density of its place, 1/nm, under the species.
        place: f64,
    },
    /// Nothing is there up to this height.
    Nothing {
        /// Height from which a line would be seen.
        below: f64,
        /// What is read there all the same, if something can be.
        faint: Option<Faint>,
    },
    /// A peak next to it would hide a line up to this height.
    Hidden {
        /// That height.
        below: f64,
    },
}

/// Evidence for a species.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Logarithm of the Bayes factor for "there, above its limit" against "not there", nats.
    pub nats: f64,
    /// Amplitude (height of its strongest feature) that fits best.
    pub amplitude: f64,
    /// Index into the populations that fits best.
    pub population: usize,
    /// What each feature shows.
    pub showing: Vec<Showing>,
    /// What each feature says at the best amplitude, nats.
    pub each: Vec<f64>,
}

/// ln of the normal density with scatter `s` at distance `d`.
fn ln_normal(d: f64, s: f64) -> f64 {
    let z = d / s;
    -0.5 * z * z - s.ln() - 0.918_938_533_204_672_7
}

/// Where the features of a pattern meet peaks.
pub fn look(features: &[Feature], scene: &Scene) -> Vec<Showing> {
    let mut out = Vec::with_capacity(features.len());
    let mut taken: Vec<(usize, usize, f64)> = Vec::new();
    for (k, f) in features.iter().enumerate() {
        let nm = f.nm;
        let w = scene.width.fwhm(nm);
        let start = scene.peaks.partition_point(|p| p.nm < nm - 4.0 * w - 3.0);
        let mut best: Option<(usize, f64)> = None;
        let mut hider = 0.0f64;
        for (j, p) in scene.peaks.iter().enumerate().skip(start) {
            if p.nm > nm + 4.0 * w + 3.0 {
                break;
            }
            let d = (p.nm - nm).abs();
            let scatter = w * (PLACE_FWHM + BROAD_PLACE * (p.broad - 1.0).max(0.0));
            let sd = (p.u_nm.powi(2) + f.u_nm.powi(2) + scatter.powi(2)).sqrt();
            let wide = if f.band { 3.0 * scene.max_broad } else { scene.max_broad };
            if d < REACH_SIGMA * sd && p.broad < wide {
                // A density in nm, so that narrow places count for more than wide ones.
                let place = ln_normal(d, sd).exp();
                if best.is_none_or(|(_, b)| place > b) {
                    best = Some((j, place));
                }
            } else if d < 1.1 * w * p.broad.max(1.0) {
                hider = hider.max(p.height * (-2.77 * (d / (w * p.broad.max(1.0))).powi(2)).exp());
            }
        }
        out.push(match best {
            Some((index, place)) => {
                taken.push((k, index, place));
                Showing::Peak { index, place }
            }
            None => {
                let below = (scene.threshold)(nm);
                if hider > below {
                    Showing::Hidden { below: hider }
                } else {
                    let faint = if f.u_nm < READ_PLACE_FWHM * w { (scene.faint)(nm) } else { None };
                    Showing::Nothing { below, faint }
                }
            }
        });
    }
    // One peak, one feature: the stronger in expectation keeps it, the other is hidden under it.
    for (k, index, place) in &taken {
        let weight = |f: &Feature| f.weight[1];
        let rival = taken.iter().any(|(j, i, q)| {
            i == index
                && j != k
                && (weight(&features[*j]) * q, *j) > (weight(&features[*k]) * place, *k)
        });
        if rival {
            out[*k] = Showing::Hidden { below: scene.peaks[*index].height };
        }
    }
    out
}

/// Peaks per nm around a place that nothing explains, at least one in the range: a peak that lies
/// there by chance.
fn density(scene: &Scene, explained: &[f64], nm: f64) -> f64 {
    let a = scene.peaks.partition_point(|p| p.nm < nm - DENSITY_RANGE_NM);
    let b = scene.peaks.partition_point(|p| p.nm <= nm + DENSITY_RANGE_NM);
    let open =
        (a..b).filter(|k| explained[*k] < 0.3 * scene.peaks[*k].height).count().max(1) as f64;
    open / (2.0 * DENSITY_RANGE_NM)
}

/// What one feature says as a Bayes factor, in the parts that the amplitude leaves alone:
/// `missing + (1 − missing) · (peak + Φ((ln_limit − ln expected) / scatter))`.
struct Term {
    /// The peak that lies there, if one does.
    peak: Option<PeakTerm>,
    /// What is read where none does.
    faint: Option<FaintTerm>,
    /// ln of the height below which the line would not be seen.
    ln_limit: f64,
    /// Scatter of the height, natural logarithm.
    scatter: f64,
}

/// The part of a [`Term`] for the case that the peak is the species' own.
struct PeakTerm {
    /// ln of the density of the place with the species over that of place and height without it,
    /// and of what else does not depend on the height.
    ln_factor: f64,
    ln_height: f64,
    /// Height that others explain.
    explained: f64,
    clipped: bool,
}

/// The part of a [`Term`] for a place where no line was found.
struct FaintTerm {
    /// ln of the expected height that is read as one standard uncertainty.
    ln_unit: f64,
    /// Height that is read, over its uncertainty.
    z: f64,
    /// Of what is as likely without the species, the part where nothing else shines there, over the
    /// likelihood of noise alone …
    free: f64,
    /// … and the part where something else does, which needs no such line.
    other: f64,
}

impl FaintTerm {
    /// For what is read, `read` of a line's height being read of it, where a share of such places holds a
    /// faint line of something else.
    fn new(r: &Faint, read: f64, share: f64) -> Self {
        let lit = share * faint::ratio_by_chance(r.z);
        let all = 1.0 - share + lit;
        FaintTerm {
            ln_unit: (r.u / read).ln(),
            z: r.z,
            free: (1.0 - share) / all,
            other: lit / all,
        }
    }
}

impl Term {
    /// For a feature and what it shows; `None` where it says nothing.
    fn new(
        f: &Feature,
        w: &Showing,
        scene: &Scene,
        explained: &[f64],
        ln_range: f64,
    ) -> Option<Self> {
        let (index, place) = match w {
            Showing::Peak { index, place } => (*index, *place),
            Showing::Nothing { .. } | Showing::Hidden { .. } if f.glass => return None,
            Showing::Nothing { below, faint } => {
                let read = if f.band { READ_OF_BAND } else { 1.0 };
                let faint = faint.map(|r| FaintTerm::new(&r, read, scene.faint_share));
                // Under a faint line of something else one of its own is not noticed that is fainter.
                let ln_limit = faint.as_ref().map_or(below.ln(), |f| f.ln_unit + f.z.max(1.0).ln());
                return Some(Term { peak: None, faint, ln_limit, scatter: LN_HEIGHT_SCATTER });
            }
            Showing::Hidden { below } => {
                // Not seen under a peak up to a standard deviation more than its share.
                let ln_limit = (below * HIDDEN_SHARE).ln() + LN_HEIGHT_SCATTER;
                let scatter = LN_HEIGHT_SCATTER;
                return Some(Term { peak: None, faint: None, ln_limit, scatter });
            }
        };
        let p = &scene.peaks[index];
        let e = explained[index];
        // Density of place and height without the species.
        let mut without = density(scene, explained, p.nm) / ln_range;
        if e > 0.0 {
            let d = (p.height / e).ln();
            // Others may explain more than is there; less is what counts.
            let d = if p.clipped { d.clamp(0.0, 1.0) } else { d };
            without += place * ln_normal(d, LN_HEIGHT_SCATTER).exp();
        }
        if p.ghost {
            without += GHOST_WEIGHT * place / ln_range;
        }
        let scatter = if f.glass { GLASS_SCATTER } else { LN_HEIGHT_SCATTER };
        let ln_height = p.height.ln();
        Some(Term {
            peak: Some(PeakTerm {
                ln_factor: (place / without).ln() + ln_normal(0.0, scatter),
                ln_height,
                explained: e,
                clipped: p.clipped,
            }),
            faint: None,
            // Or the peak is another's, and this line is missing or faint under it.
            ln_limit: ln_height + HIDDEN_SHARE.ln(),
            scatter,
        })
    }

    /// The Bayes factor where the species would show a line of the height `expected`, whose
    /// logarithm and [`Term::odds_to_show`] the caller has at hand, and lacks it in the share
    /// `missing` of all cases.
    fn factor(&self, expected: f64, ln_expected: f64, odds_to_show: f64, missing: f64) -> f64 {
        if let Some(f) = &self.faint {
            let own = faint::ratio(ln_expected - f.ln_unit, f.z);
            let here = f.free * own + f.other / (1.0 + odds_to_show);
            return missing + (1.0 - missing) * here;
        }
        let other = missing + (1.0 - missing) / (1.0 + odds_to_show);
        let Some(p) = &self.peak else { return other };
        let ln_sum = if p.explained > 0.0 { (expected + p.explained).ln() } else { ln_expected };
        let d = p.ln_height - ln_sum;
        let z = if p.clipped { d.max(0.0) } else { d } / self.scatter;
        (1.0 - missing) * (p.ln_factor - 0.5 * z * z).exp() + other
    }

    /// Odds that a line of this expected height stands above the limit: (1 − Φ) / Φ of the
    /// logistic curve.
    fn odds_to_show(&self, ln_expected: f64) -> f64 {
        (LOGISTIC_SLOPE * (ln_expected - self.ln_limit) / self.scatter).exp()
    }
}

/// Weighs a species whose features show what [`look`] found, while others explain the height
/// `explained` of each peak.
pub fn weigh(
    features: &[Feature],
    showing: Vec<Showing>,
    scene: &Scene,
    explained: &[f64],
) -> Evidence {
    // Least amplitude: strongest free feature at some times its limit; of those that glass may have
    // taken, where the range has no others.
    let least_of = |glass: bool| {
        let mut least = f64::INFINITY;
        for (f, w) in features.iter().zip(&showing).filter(|(f, _)| f.glass == glass) {
            let limit = match w {
                Showing::Peak { index, .. } => (scene.threshold)(scene.peaks[*index].nm),
                Showing::Nothing { below, .. } => *below,
                Showing::Hidden { .. } => continue,
            };
            least = least.min(LEAST_OVER_LIMIT * limit / f.weight[1].max(1e-6));
        }
        least
    };
    let least = least_of(false);
    let least = if least.is_finite() { least } else { least_of(true) };
    if !least.is_finite() {
        return Evidence {
            nats: 0.0,
            amplitude: 0.0,
            population: 1,
            each: vec![0.0; showing.len()],
            showing,
        };
    }
    let most = (3.0 * scene.tallest).max(2.0 * least);
    let step = (most / least).ln() / AMPLITUDES as f64;
    let ln_least = least.ln();
    let ln_range = (scene.tallest / scene.typical_threshold).max(10.0).ln();
    let terms: Vec<Option<Term>> = features
        .iter()
        .zip(&showing)
        .map(|(f, w)| Term::new(f, w, scene, explained, ln_range))
        .collect();
    // Bands have the same strengths in all populations: once will do.
    let alike = features.iter().all(|f| f.weight[1..].iter().all(|w| *w == f.weight[0]));
    let prior: &[f64] = if alike { &[1.0] } else { &POPULATION_PRIOR };
    // From one amplitude to the next the odds that a line shows grow by a constant factor, for
    // either scatter: no exponential for each feature at each amplitude.
    let growth = |scatter: f64| (LOGISTIC_SLOPE * step / scatter).exp();
    let (plain, glass) = (growth(LN_HEIGHT_SCATTER), growth(GLASS_SCATTER));
    let mut best = (f64::NEG_INFINITY, ln_least, 1);
    let mut all = Vec::with_capacity(AMPLITUDES * POPULATIONS);
    // Of each feature that says something: term, weight, its logarithm, odds to show, chance to be
    // missing.
    let mut expected: Vec<(&Term, f64, f64, f64, f64)> = Vec::with_capacity(terms.len());
    for (pop, prior) in prior.iter().enumerate() {
        let ln_prior = prior.ln();
        let first = ln_least + 0.5 * step;
        expected.clear();
        expected.extend(features.iter().zip(&terms).filter_map(|(f, t)| {
            let (t, weight) = (t.as_ref()?, f.weight[pop].max(LEAST_WEIGHT));
            let ln_weight = weight.ln();
            Some((t, weight, ln_weight, t.odds_to_show(first + ln_weight), missing(pop, weight)))
        }));
        for i in 0..AMPLITUDES {
            let ln_a = ln_least + (i as f64 + 0.5) * step;
            let a = ln_a.exp();
            let mut sum = ln_prior;
            for some in expected.chunks_mut(FACTORS) {
                let mut product = 1.0;
                for (t, weight, ln_weight, odds, missing) in some {
                    product *= t.factor(a * *weight, ln_a + *ln_weight, *odds, *missing);
                    *odds *= if t.scatter == LN_HEIGHT_SCATTER { plain } else { glass };
                }
                sum += product.ln();
            }
            all.push(sum);
            if sum > best.0 {
                best = (sum, ln_a, pop);
            }
        }
    }
    let (top, ln_a, population) = best;
    let nats = top + (all.iter().map(|v| (v - top).exp()).sum::<f64>() / AMPLITUDES as f64).ln();
    let each = features
        .iter()
        .zip(&terms)
        .map(|(f, t)| {
            let Some(t) = t else { return 0.0 };
            let weight = f.weight[population].max(LEAST_WEIGHT);
            let ln_expected = ln_a + weight.ln();
            let missing = missing(population, weight);
            t.factor(ln_expected.exp(), ln_expected, t.odds_to_show(ln_expected), missing).ln()
        })
        .collect();
    Evidence { nats, amplitude: ln_a.exp(), population, showing, each }
}

/// What the species explains of each peak at its best fit: the expected height where that is less
/// than what stands there, the whole peak where it is more.
pub fn explains(pattern: &Pattern, e: &Evidence, scene: &Scene) -> Vec<f64> {
    let mut out = vec![0.0; scene.peaks.len()];
    for (f, w) in pattern.features.iter().zip(&e.showing) {
        if let Showing::Peak { index, .. } = w {
            let p = &scene.peaks[*index];
            let expected = e.amplitude * f.weight[e.population];
            // The model is good to a factor: what it nearly explains, it explains.
            let share = (expected * LN_HEIGHT_SCATTER.exp() / p.height).min(1.0);
            out[*index] += share * p.height;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::pattern::{pattern, single};
    use super::*;
    use crate::reference::Tables;

    /// Evidence for mercury on a range, with peaks of these heights at its lines and nothing else down to
    /// `limit`. Wavelengths: NIST Atomic Spectra Database, from memory.
    fn mercury(range: (f64, f64), peaks: &[(f64, f64)], limit: f64) -> f64 {
        mercury_read(range, peaks, limit, &|_| None)
    }

    /// The same where more is read at places without a peak.
    fn mercury_read(
        range: (f64, f64),
        peaks: &[(f64, f64)],
        limit: f64,
        faint: &dyn Fn(f64) -> Option<Faint>,
    ) -> f64 {
        let tables = Tables::bundled().unwrap();
        let width = LineWidth::constant(0.3, 0.01);
        let species = tables.species().iter().find(|s| s.name == "Hg I").unwrap();
        let pattern = pattern(species, &single(species, &width), range, &width);
        let peaks: Vec<SeenPeak> = peaks
            .iter()
            .map(|(nm, height)| SeenPeak {
                nm: *nm,
                u_nm: 0.05,
                height: *height,
                broad: 1.0,
                clipped: false,
                ghost: false,
            })
            .collect();
        let scene = Scene {
            peaks: &peaks,
            width,
            threshold: &|_| limit,
            tallest: peaks.iter().map(|p| p.height).fold(0.0, f64::max),
            typical_threshold: limit,
            max_broad: 3.0,
            faint,
            faint_share: 0.05,
            shift_cost: 0.0,
        };
        let showing = look(&pattern.features, &scene);
        weigh(&pattern.features, showing, &scene, &vec![0.0; peaks.len()]).nats
    }

    /// Ten faint lines that a lamp of little current lacks do not outweigh those that are there.
    #[test]
    fn faint_lines_may_all_be_missing() {
        let lines = [(546.075, 1e6), (576.961, 1.4e5), (579.067, 1.4e5)];
        let deep = mercury((450.0, 660.0), &lines, 50.0);
        assert!(deep > 5.0, "{deep}");
        // A strong one that is missing counts in full.
        let without = mercury((450.0, 660.0), &lines[1..], 50.0);
        assert!(without < deep - 5.0, "{without} {deep}");
    }

    /// One line that was found and three that are only read, at five uncertainties, where they belong; or
    /// nothing there. Neither is what a search alone says.
    #[test]
    fn faint_lines_speak_where_they_are_read() {
        let found = [(546.075, 300.0)];
        let reading = |z: f64| move |_: f64| Some(Faint { z, u: 10.0 });
        let at = |nm: f64| [435.83, 404.66, 576.96, 579.07].iter().any(|l| (l - nm).abs() < 0.3);
        let there = |nm: f64| Some(Faint { z: if at(nm) { 5.0 } else { 0.0 }, u: 10.0 });
        let range = (400.0, 660.0);
        let alone = mercury_read(range, &found, 60.0, &|_| None);
        let with = mercury_read(range, &found, 60.0, &there);
        let without = mercury_read(range, &found, 60.0, &reading(0.0));
        assert!(with > alone + 3.0 && without < alone - 1.0, "{with} {alone} {without}");
    }

    /// A line three times as broad as the instrument's may be off by more than one that is as broad.
    #[test]
    fn the_place_of_a_broad_line_is_known_the_worse() {
        let tables = Tables::bundled().unwrap();
        let width = LineWidth::constant(1.0, 0.01);
        let species = tables.species().iter().find(|s| s.name == "H I").unwrap();
        let pattern = pattern(species, &single(species, &width), (470.0, 500.0), &width);
        let met = |broad: f64, off: f64| {
            let peak = SeenPeak {
                nm: 486.13 + off,
                u_nm: 0.05,
                height: 500.0,
                broad,
                clipped: false,
                ghost: false,
            };
            let scene = Scene {
                peaks: &[peak],
                width,
                threshold: &|_| 10.0,
                tallest: 500.0,
                typical_threshold: 10.0,
                max_broad: 3.0,
                faint: &|_| None,
                faint_share: 0.0,
                shift_cost: 0.0,
            };
            let showing = look(&pattern.features, &scene);
            showing.iter().any(|w| matches!(w, Showing::Peak { .. }))
        };
        assert!(met(1.0, 0.1) && met(2.9, 0.1) && met(2.9, 0.7));
        assert!(!met(1.0, 0.7) && !met(2.9, 2.0));
    }

    /// Glass may have taken lines of the ultraviolet; where they are there, it has not.
    #[test]
    fn ultraviolet_lines_alone_speak_for_their_gas() {
        let lines = [(289.36, 300.0), (296.728, 1500.0), (302.15, 900.0), (312.566, 2000.0)];
        let there = mercury((265.0, 324.0), &lines, 20.0);
        assert!(there > 8.0, "{there}");
        let elsewhere = lines.map(|(nm, height)| (nm + 1.7, height));
        let nothing = mercury((265.0, 324.0), &elsewhere, 20.0);
        assert!(nothing.abs() < 1.0, "{nothing}");
    }
}
