//! What a recording says for or against one species, others being there.

use super::pattern::{Feature, POPULATIONS_EV, Pattern};
use crate::signal::LineWidth;

/// Scatter of a line's height about the model, natural logarithm: a factor of three, since
/// neither populations nor the detector's response are known.
pub const LN_HEIGHT_SCATTER: f64 = 1.1;
/// The same for lines that glass may have weakened, or that are resonance lines (a factor of ten).
const GLASS_SCATTER: f64 = 2.3;
/// Chance that a line of a gas that is there is missing all the same (self-absorption, wrong
/// transition probability, an unknown dip of the response).
const MISSING_ANYWAY: f64 = 0.1;
/// Systematic scatter of a peak's place, in line widths.
const PLACE_FWHM: f64 = 0.08;
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
/// Range in nm to each side over which the density of peaks is taken.
const DENSITY_RANGE_NM: f64 = 50.0;
/// Chance that a feature which looks like a ghost is one, against a new line.
const GHOST_WEIGHT: f64 = 0.5;

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

/// Φ(z) by the logistic curve; good to 0.01, which is far below what the model's own scatter
/// leaves (S. R. Bowling et al., J. Ind. Eng. Manag. 2 (2009) 114).
fn phi(z: f64) -> f64 {
    1.0 / (1.0 + (-1.702 * z).exp())
}

/// Where the features of a pattern, displaced by `shift` nm, meet peaks.
pub fn look(pattern: &Pattern, scene: &Scene, shift: f64) -> Vec<Showing> {
    let mut out = Vec::with_capacity(pattern.features.len());
    let mut taken: Vec<(usize, usize, f64)> = Vec::new();
    for (k, f) in pattern.features.iter().enumerate() {
        let nm = f.nm + shift;
        let w = scene.width.fwhm(nm);
        let start = scene.peaks.partition_point(|p| p.nm < nm - 4.0 * w - 3.0);
        let mut best: Option<(usize, f64)> = None;
        let mut hider = 0.0f64;
        for (j, p) in scene.peaks.iter().enumerate().skip(start) {
            if p.nm > nm + 4.0 * w + 3.0 {
                break;
            }
            let d = (p.nm - nm).abs();
            let sd = (p.u_nm.powi(2) + f.u_nm.powi(2) + (PLACE_FWHM * w).powi(2)).sqrt();
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
                    Showing::Nothing { below }
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
                && (weight(&pattern.features[*j]) * q, *j)
                    > (weight(&pattern.features[*k]) * place, *k)
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

/// Weighs a species, displaced by `shift` nm, while others explain the height `explained` of each
/// peak.
pub fn weigh(pattern: &Pattern, scene: &Scene, explained: &[f64], shift: f64) -> Evidence {
    let showing = look(pattern, scene, shift);
    let s = LN_HEIGHT_SCATTER;
    let ln_range = (scene.tallest / scene.typical_threshold).max(10.0).ln();
    // Per feature, what does not depend on the amplitude.
    struct Term {
        /// ln of the density of place and height without the species.
        ln_without: f64,
        ln_place: f64,
        ln_height: f64,
        explained: f64,
        clipped: bool,
    }
    let terms: Vec<Option<Term>> = showing
        .iter()
        .map(|w| match w {
            Showing::Peak { index, place } => {
                let p = &scene.peaks[*index];
                let chance = density(scene, explained, p.nm) / ln_range;
                let e = explained[*index];
                let mut without = chance;
                if e > 0.0 {
                    let d = (p.height / e).ln();
                    // Others may explain more than is there; less is what counts.
                    let d = if p.clipped { d.clamp(0.0, 1.0) } else { d };
                    without += place * ln_normal(d, s).exp();
                }
                if p.ghost {
                    without += GHOST_WEIGHT * place / ln_range;
                }
                Some(Term {
                    ln_without: without.ln(),
                    ln_place: place.ln(),
                    ln_height: p.height.ln(),
                    explained: e,
                    clipped: p.clipped,
                })
            }
            _ => None,
        })
        .collect();
    // Least amplitude: strongest free feature at some times its limit.
    let mut least = f64::INFINITY;
    for (f, w) in pattern.features.iter().zip(&showing) {
        let weight = f.weight[1].max(1e-6);
        if f.glass {
            continue;
        }
        let limit = match w {
            Showing::Peak { index, .. } => (scene.threshold)(scene.peaks[*index].nm),
            Showing::Nothing { below } => *below,
            Showing::Hidden { .. } => continue,
        };
        least = least.min(LEAST_OVER_LIMIT * limit / weight);
    }
    let most = 3.0 * scene.tallest;
    if !least.is_finite() || pattern.features.is_empty() {
        return Evidence {
            nats: 0.0,
            amplitude: 0.0,
            population: 1,
            each: vec![0.0; showing.len()],
            showing,
        };
    }
    let most = most.max(2.0 * least);
    let step = (most / least).ln() / AMPLITUDES as f64;
    let mut best = (f64::NEG_INFINITY, least, 1);
    let mut all = Vec::with_capacity(AMPLITUDES * POPULATIONS_EV.len());
    let one = |k: usize, ln_a: f64, pop: usize| -> f64 {
        let weight = pattern.features[k].weight[pop];
        let ln_expected = ln_a + weight.max(1e-9).ln();
        match (&showing[k], &terms[k]) {
            (Showing::Peak { .. }, Some(t)) => {
                let ln_sum = (ln_expected.exp() + t.explained).ln();
                let s = if pattern.features[k].glass { GLASS_SCATTER } else { s };
                let d = t.ln_height - ln_sum;
                let d = if t.clipped { d.max(0.0) } else { d };
                let with = (1.0 - MISSING_ANYWAY) * (ln_normal(d, s) + t.ln_place).exp();
                // Or the peak is another's, and this line is missing or faint under it.
                let faint = phi((t.ln_height + HIDDEN_SHARE.ln() - ln_expected) / s);
                let other = MISSING_ANYWAY + (1.0 - MISSING_ANYWAY) * faint;
                (with + other * t.ln_without.exp()).ln() - t.ln_without
            }
            (Showing::Nothing { .. } | Showing::Hidden { .. }, _) if pattern.features[k].glass => {
                0.0
            }
            (Showing::Nothing { below }, _) => {
                let z = (below.ln() - ln_expected) / s;
                (MISSING_ANYWAY + (1.0 - MISSING_ANYWAY) * phi(z)).ln()
            }
            (Showing::Hidden { below }, _) => {
                let z = ((below * HIDDEN_SHARE).ln() - ln_expected) / s;
                (MISSING_ANYWAY + (1.0 - MISSING_ANYWAY) * phi(z + 1.0)).ln()
            }
            _ => 0.0,
        }
    };
    for pop in 0..POPULATIONS_EV.len() {
        for i in 0..AMPLITUDES {
            let ln_a = least.ln() + (i as f64 + 0.5) * step;
            let sum: f64 = (0..showing.len()).map(|k| one(k, ln_a, pop)).sum();
            all.push(sum);
            if sum > best.0 {
                best = (sum, ln_a.exp(), pop);
            }
        }
    }
    let top = best.0;
    let nats = top + (all.iter().map(|v| (v - top).exp()).sum::<f64>() / all.len() as f64).ln();
    let each = (0..showing.len()).map(|k| one(k, best.1.ln(), best.2)).collect();
    Evidence { nats, amplitude: best.1, population: best.2, showing, each }
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
