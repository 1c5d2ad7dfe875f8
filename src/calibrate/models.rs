//! The final axis: several models of it, each weighed by what the anchors say of it, and their
//! spread as part of the uncertainty.

use super::bayes::{self, Data, MAX_PARAMETERS, Posterior, Prior, Vector};
use super::fit::{AxisFit, NM_PRIOR, PIXEL_PRIOR, Point};
use super::grating::{self, BenchFacts, Grating};
use super::merge::Merging;
use super::series::Series;
use crate::{AxisKind, Error, Result};
use serde::{Deserialize, Serialize};

/// Share of each model before the anchors are looked at. Of ten factory or fitted axes of array
/// spectrometers in public recordings (some of one maker), eight followed the low-order form of
/// folded mirror benches ([`MIRROR`]) and two that of a plane grating with a lens; the plainest
/// instruments have neither, so both count the same. The series stands for other optics, the
/// straight line for an export that was resampled to even steps, the polynomials for axes that
/// somebody's program made (these shares: common practice, no published source).
const PIXEL_SHARES: [(&str, f64); 7] = [
    (GRATING, 0.40),
    (MIRRORS, 0.40),
    (SERIES, 0.10),
    (POLYNOMIALS[1], 0.05),
    (POLYNOMIALS[2], 0.02),
    (POLYNOMIALS[3], 0.02),
    (POLYNOMIALS[4], 0.01),
];
/// Terms T2, T3, T4 of folded mirror benches over T1: mean and standard deviation. Factory axes of
/// array spectrometers in public recordings have −0.036 to 0.002, −0.0021 to 0.0002 and at most
/// 0.0003: their mirrors' distortion nearly takes away what the tangent of a flat detector adds.
const MIRROR: [(f64, f64); 3] = [(0.0, 0.025), (-7e-4, 7e-4), (0.0, 2e-4)];
/// Share of the grating where ruling, angle and tilt of the bench are known, and the factor that
/// this leaves the others.
const KNOWN_GRATING: f64 = 0.97;
const UNKNOWN_OPTICS: f64 = 0.05;
/// The same for corrections of a factory's nm axis.
const NM_SHARES: [(&str, f64); 5] = [
    (POLYNOMIALS[0], 0.2),
    (POLYNOMIALS[1], 0.2),
    (POLYNOMIALS[2], 0.2),
    (POLYNOMIALS[3], 0.2),
    (SERIES, 0.2),
];
const GRATING: &str = "grating";
const SERIES: &str = "series";
const MIRRORS: &str = "mirror-bench";
/// Names of polynomials by degree.
const POLYNOMIALS: [&str; 5] = ["constant", "straight-line", "parabola", "cubic", "quartic"];
/// Coefficients of the series.
const SERIES_COEFFICIENTS: usize = 5;
/// Anchors that a polynomial must have beyond its coefficients.
const SPARE_ANCHORS: usize = 2;
/// Width of a polynomial's prior over that of the series: such an axis need not be an instrument's.
const FREE: f64 = 5.0;
/// Half ranges that array spectrometers have, nm: from a stretch of the visible to all of silicon.
const HALF_RANGE_NM: (f64, f64) = (30.0, 1000.0);
/// Scatter of the anchors beyond their stated uncertainty, in medians of that, with the
/// probability of each: the stated one is right in nine cases of ten, and where it is not, something
/// was forgotten that is larger (common practice, no published source). Summing over it is what Student's t does, with what is known beforehand of
/// the scatter.
const EXTRA: [(f64, f64); 7] =
    [(0.0, 0.9), (1.0, 0.01), (2.0, 0.04), (4.0, 0.03), (8.0, 0.01), (16.0, 0.007), (32.0, 0.003)];
/// A model that foretells left-out anchors this many times worse than the best is not admitted.
const ADMITTED: f64 = 3.0;
/// Nats below the best at which a variant no longer counts.
const NEGLIGIBLE: f64 = 7.0;
/// One model of the axis and what it counts for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ModelShare {
    /// Name: `grating`, `series`, or a polynomial's.
    pub name: String,
    /// Parameters that the anchors determine; what the prior holds counts in part.
    pub effective_parameters: f64,
    /// Root mean square of the anchors' residuals, nm.
    pub rms_nm: f64,
    /// The same with each anchor foretold by the others, nm.
    pub left_out_rms_nm: f64,
    /// Probability of the model, 0 to 1; 0 where it is not admitted.
    pub weight: f64,
}

enum Law {
    Series(Series),
    Grating(Grating),
}

/// A model with one sort of prior and one scatter.
struct Variant {
    model: usize,
    law: Law,
    prior: Prior,
    log_share: f64,
    start: Vector,
}

/// A variant's posterior at one scatter.
struct Candidate {
    variant: usize,
    extra_nm: f64,
    posterior: Posterior,
    log_weight: f64,
}

/// Fits the axis by all models that the anchors bear and merges them by their probabilities.
///
/// On an axis of pixels: the grating equation with priors of small benches, a Chebyshev series
/// with a prior of its size, and polynomials of degree one to four with wide ones. On an nm axis:
/// corrections of degree zero to four. An anchor that is badly off loses its weight. Each
/// model's weight is its probability by Laplace's approximation, summed over the scatter of the
/// anchors; the covariance holds each model's own and the spread between them.
///
/// # Errors
/// [`Error::Refused`] where fewer than two points are given or they do not determine an axis.
pub fn fit_models(points: &[Point], domain: [f64; 2], kind: AxisKind) -> Result<AxisFit> {
    fit_models_knowing(points, domain, kind, &BenchFacts::default())
}

/// [`fit_models`] with what is known of the instrument's optics, which only an axis of pixels
/// needs. With the ruling, the angle and the tilt, the axis beyond the lines is several times
/// surer.
///
/// # Errors
/// Those of [`fit_models`].
pub fn fit_models_knowing(
    points: &[Point],
    domain: [f64; 2],
    kind: AxisKind,
    facts: &BenchFacts,
) -> Result<AxisFit> {
    if points.len() < 2 {
        return Err(Error::refused("axis fit", "fewer than two anchors", "record the lamp longer"));
    }
    let undetermined =
        || Error::refused("axis fit", "the anchors do not determine an axis", "use a richer lamp");
    let correction = kind == AxisKind::Nm;
    let data = scaled(points, domain, correction);
    let mut shares = if correction { NM_SHARES.to_vec() } else { PIXEL_SHARES.to_vec() };
    if !correction && facts.is_plain_grating() {
        for (name, share) in &mut shares {
            *share *= if *name == GRATING { KNOWN_GRATING / *share } else { UNKNOWN_OPTICS };
        }
    }
    let variants = variants(&data, correction, &shares, facts).ok_or_else(undetermined)?;
    let mut candidates = candidates(&variants, &data);
    let models = weigh(&variants, &mut candidates, &data, &shares);
    candidates.retain(|c| c.log_weight > -NEGLIGIBLE);
    if candidates.is_empty() {
        return Err(undetermined());
    }
    let weight = |c: &Candidate| c.log_weight.exp();
    let mut merging = Merging::new();
    for c in &candidates {
        match &variants[c.variant].law {
            Law::Series(s) => merging.add(s, &c.posterior, weight(c)),
            Law::Grating(g) => merging.add(g, &c.posterior, weight(c)),
        }
    }
    let model = merging.finish(domain, correction);
    let used: f64 = models.iter().map(|m| m.weight * m.effective_parameters).sum();
    let prior_chi2 = candidates
        .iter()
        .map(|c| weight(c) * distance(&variants[c.variant].prior, &c.posterior.p))
        .sum();
    Ok(AxisFit {
        model,
        extra_nm: candidates.iter().map(|c| weight(c) * c.extra_nm).sum(),
        dof: (points.len() as f64 - used).round().max(1.0) as usize,
        prior_chi2,
        models,
    })
}

fn scaled(points: &[Point], domain: [f64; 2], correction: bool) -> Data {
    let t = |x: f64| (2.0 * x - domain[0] - domain[1]) / (domain[1] - domain[0]);
    Data {
        t: points.iter().map(|p| t(p.x)).collect(),
        y: points.iter().map(|p| p.nm - if correction { p.x } else { 0.0 }).collect(),
        u: points.iter().map(|p| p.u_nm.max(1e-6)).collect(),
    }
}

/// Median of the slopes between all pairs of anchors (P. K. Sen, J. Am. Stat. Assoc. 63 (1968)
/// 1379), nm per half range; `None` where all lie at one place.
fn slope(data: &Data) -> Option<f64> {
    let n = data.t.len();
    let mut s = Vec::with_capacity(n * n / 2);
    for i in 0..n {
        for j in 0..i {
            let d = data.t[i] - data.t[j];
            if d.abs() > 1e-9 {
                s.push((data.y[i] - data.y[j]) / d);
            }
        }
    }
    s.sort_by(f64::total_cmp);
    let middle = s.get(s.len() / 2).copied()?;
    (middle.is_finite() && middle != 0.0).then_some(middle)
}

/// Prior of the first coefficients of a series; flat where `sd` gives none.
fn series_prior(coefficients: usize, sd: impl Fn(usize) -> Option<f64>) -> Prior {
    let mut prior = Prior { mean: [0.0; MAX_PARAMETERS], precision: [0.0; MAX_PARAMETERS] };
    for k in 0..coefficients {
        prior.precision[k] = sd(k).map_or(0.0, |s| s.powi(-2));
    }
    prior
}

/// All models with their priors.
fn variants(
    data: &Data,
    correction: bool,
    shares: &[(&str, f64)],
    facts: &BenchFacts,
) -> Option<Vec<Variant>> {
    let half_range = if correction { 0.0 } else { slope(data)? };
    let physical = |factor: f64| {
        move |k: usize| match (correction, k) {
            (true, _) => Some(NM_PRIOR[k]),
            (false, 0 | 1) => None,
            (false, _) => Some(factor * PIXEL_PRIOR[k - 2] * half_range.abs()),
        }
    };
    let prior = series_prior(SERIES_COEFFICIENTS, physical(1.0));
    let start = reference(data, &prior, half_range)?;
    // Density of the flat prior of the slope: even in its logarithm over what instruments have.
    let flat_slope = if correction {
        0.0
    } else {
        -((HALF_RANGE_NM.1 / HALF_RANGE_NM.0).ln() * half_range.abs()).ln()
    };
    let mut out = Vec::new();
    for (model, (name, share)) in shares.iter().enumerate() {
        let log_share = share.ln();
        if *name == GRATING {
            let direction = half_range.signum();
            let middle = start[0] - start[2] + start[4];
            let middle_slope = (start[1] - 3.0 * start[3]) * direction;
            let half_range_nm = half_range.abs();
            for s in grating::sorts(middle, middle_slope, facts) {
                out.push(Variant {
                    model,
                    law: Law::Grating(Grating { direction, half_range_nm }),
                    prior: s.prior,
                    log_share: log_share + s.log_share,
                    start: s.start,
                });
            }
            continue;
        }
        let degree = POLYNOMIALS.iter().position(|p| p == name);
        let coefficients = degree.map_or(SERIES_COEFFICIENTS, |d| d + 1);
        if degree.is_some() && !correction && data.t.len() < coefficients + SPARE_ANCHORS {
            continue;
        }
        let factor = if degree.is_some() { FREE } else { 1.0 };
        let mut prior = series_prior(coefficients, physical(factor));
        if *name == MIRRORS {
            for (k, (mean, sd)) in MIRROR.into_iter().enumerate() {
                prior.mean[k + 2] = mean * half_range;
                prior.precision[k + 2] = (sd * half_range).powi(-2);
            }
        }
        let mut start = start;
        start[coefficients..].fill(0.0);
        out.push(Variant {
            model,
            law: Law::Series(Series { coefficients }),
            prior,
            log_share: log_share + flat_slope,
            start,
        });
    }
    Some(out)
}

/// A series through the anchors from which the other fits start, found with each anchor left out
/// in turn so that none can hold it.
fn reference(data: &Data, prior: &Prior, half_range: f64) -> Option<Vector> {
    let series = Series { coefficients: SERIES_COEFFICIENTS };
    let mut line = [0.0; MAX_PARAMETERS];
    let n = data.t.len();
    let mut rest: Vec<f64> = data.t.iter().zip(&data.y).map(|(t, y)| y - half_range * t).collect();
    rest.sort_by(f64::total_cmp);
    line[0] = rest[n / 2];
    line[1] = half_range;
    let mut best = bayes::fit(&series, data, 0.0, prior, &line)?;
    // Three anchors cannot outvote one.
    for k in 0..if n >= 4 { n } else { 0 } {
        let without = |v: &[f64]| {
            v.iter().enumerate().filter(|(i, _)| *i != k).map(|(_, v)| *v).collect::<Vec<f64>>()
        };
        let others = Data { t: without(&data.t), y: without(&data.y), u: without(&data.u) };
        let next = bayes::fit(&series, &others, 0.0, prior, &line)
            .and_then(|f| bayes::fit(&series, data, 0.0, prior, &f.p));
        if let Some(f) = next.filter(|f| f.log_evidence > best.log_evidence) {
            best = f;
        }
    }
    Some(best.p)
}

fn posterior(v: &Variant, data: &Data, extra_nm: f64, start: &Vector) -> Option<Posterior> {
    match &v.law {
        Law::Series(s) => bayes::fit(s, data, extra_nm, &v.prior, start),
        Law::Grating(g) => bayes::fit(g, data, extra_nm, &v.prior, start),
    }
}

/// Each variant at each scatter, as far as it still counts within its model.
fn candidates(variants: &[Variant], data: &Data) -> Vec<Candidate> {
    let mut u = data.u.clone();
    u.sort_by(f64::total_cmp);
    let unit = u[u.len() / 2];
    let mut starts: Vec<(usize, Vector)> =
        variants.iter().enumerate().map(|(k, v)| (k, v.start)).collect();
    let mut out: Vec<Candidate> = Vec::new();
    for (multiple, probability) in EXTRA {
        let extra_nm = multiple * unit;
        let from = out.len();
        for (k, start) in &starts {
            if let Some(posterior) = posterior(&variants[*k], data, extra_nm, start) {
                let log_weight = posterior.log_evidence + variants[*k].log_share + probability.ln();
                out.push(Candidate { variant: *k, extra_nm, posterior, log_weight });
            }
        }
        // The next scatter starts from here, without those that fell behind in their model.
        let new = &out[from..];
        let best = |model: usize| {
            new.iter()
                .filter(|c| variants[c.variant].model == model)
                .map(|c| c.log_weight)
                .fold(f64::NEG_INFINITY, f64::max)
        };
        starts = new
            .iter()
            .filter(|c| c.log_weight > best(variants[c.variant].model) - NEGLIGIBLE)
            .map(|c| (c.variant, c.posterior.p))
            .collect();
    }
    out
}

/// Turns the candidates' weights into logarithms of probabilities and sums up the models.
fn weigh(
    variants: &[Variant],
    candidates: &mut [Candidate],
    data: &Data,
    shares: &[(&str, f64)],
) -> Vec<ModelShare> {
    let n = data.t.len() as f64;
    let mut models: Vec<(usize, ModelShare)> = Vec::new();
    for (model, (name, _)) in shares.iter().enumerate() {
        let Some(best) = candidates
            .iter()
            .filter(|c| variants[c.variant].model == model)
            .max_by(|a, b| a.log_weight.total_cmp(&b.log_weight))
        else {
            continue;
        };
        let p = &best.posterior;
        let rms = |f: &dyn Fn(f64, f64) -> f64| {
            let sum: f64 =
                p.residuals.iter().zip(&p.leverage).map(|(r, h)| f(*r, *h).powi(2)).sum();
            (sum / n).sqrt()
        };
        let share = ModelShare {
            name: (*name).into(),
            effective_parameters: p.leverage.iter().sum(),
            rms_nm: rms(&|r, _| r),
            // Exact for a linear model with fixed weights (R. D. Cook, Technometrics 19 (1977) 15).
            left_out_rms_nm: rms(&|r, h| r / (1.0 - h).max(1e-3)),
            weight: 0.0,
        };
        models.push((model, share));
    }
    let unit = data.u.iter().copied().fold(f64::INFINITY, f64::min);
    let least = models.iter().map(|(_, m)| m.left_out_rms_nm).fold(f64::INFINITY, f64::min);
    let limit = ADMITTED * least.max(unit);
    let admitted =
        |model: usize| models.iter().any(|(k, m)| *k == model && m.left_out_rms_nm <= limit);
    for c in candidates.iter_mut() {
        if !admitted(variants[c.variant].model) {
            c.log_weight = f64::NEG_INFINITY;
        }
    }
    let best = candidates.iter().map(|c| c.log_weight).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = candidates.iter().map(|c| (c.log_weight - best).exp()).sum();
    for c in candidates.iter_mut() {
        c.log_weight -= best + total.ln();
    }
    for (model, share) in &mut models {
        share.weight = candidates
            .iter()
            .filter(|c| variants[c.variant].model == *model)
            .map(|c| c.log_weight.exp())
            .sum();
    }
    let mut models: Vec<ModelShare> = models.into_iter().map(|(_, m)| m).collect();
    models.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    models
}

/// Squared distance from the prior in standard deviations.
fn distance(prior: &Prior, p: &Vector) -> f64 {
    (0..MAX_PARAMETERS).map(|k| prior.precision[k] * (p[k] - prior.mean[k]).powi(2)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// An axis of a small bench at a few lines, without errors.
    fn points(pixels: f64, reversed: bool) -> Vec<Point> {
        [404.6565, 435.8335, 546.075, 576.961, 579.067]
            .iter()
            .map(|nm| {
                let x = pixels * (nm - 300.0) / 600.0 * (1.0 + 1e-4 * (nm - 300.0));
                Point { x: if reversed { pixels - x } else { x }, nm: *nm, u_nm: 0.05 }
            })
            .collect()
    }

    #[test]
    fn weights_sum_to_one_and_shares_pass_through_text() {
        let f = fit_models(&points(2000.0, false), [0.0, 2000.0], AxisKind::Pixel).unwrap();
        assert!((f.models.iter().map(|m| m.weight).sum::<f64>() - 1.0).abs() < 1e-9);
        assert!(f.models.windows(2).all(|w| w[0].weight >= w[1].weight));
        let text = serde_json::to_string(&f.models).unwrap();
        assert!(text.contains("left-out-rms-nm"), "{text}");
        assert_eq!(serde_json::from_str::<Vec<ModelShare>>(&text).unwrap().len(), f.models.len());
    }

    /// An export resampled to even steps is recognised as such.
    #[test]
    fn even_steps_are_a_straight_line() {
        let p: Vec<Point> = [365.0158, 404.6565, 435.8335, 546.075, 576.961, 579.067]
            .iter()
            .map(|nm| Point { x: 2.0 * (nm - 300.0), nm: *nm, u_nm: 0.03 })
            .collect();
        let f = fit_models(&p, [0.0, 1200.0], AxisKind::Pixel).unwrap();
        assert_eq!(f.models[0].name, "straight-line", "{:?}", f.models);
        let end = f.model.wavelength(1200.0);
        assert!((end.value - 900.0).abs() < 2.0 * end.u);
    }

    #[test]
    fn a_reversed_axis_is_the_same_turned_round() {
        let a = fit_models(&points(2000.0, false), [0.0, 2000.0], AxisKind::Pixel).unwrap();
        let b = fit_models(&points(2000.0, true), [0.0, 2000.0], AxisKind::Pixel).unwrap();
        for x in [0.0, 400.0, 1000.0, 2000.0] {
            let (a, b) = (a.model.wavelength(x), b.model.wavelength(2000.0 - x));
            assert!((a.value - b.value).abs() < 0.05 * a.u + 1e-6, "{x}: {a:?} {b:?}");
        }
    }

    #[test]
    fn what_determines_no_axis_is_refused() {
        let at = |x: f64, nm: f64| Point { x, nm, u_nm: 0.05 };
        for p in [vec![at(1.0, 500.0)], vec![at(3.0, 400.0), at(3.0, 500.0)]] {
            let r = fit_models(&p, [0.0, 10.0], AxisKind::Pixel);
            assert!(r.is_err_and(|e| e.is_refusal()));
        }
        let two = [at(100.0, 435.8335), at(400.0, 546.075)];
        assert!(fit_models(&two, [0.0, 1000.0], AxisKind::Pixel).is_ok());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Whatever the anchors are: a refusal, or finite numbers with a proper covariance.
        #[test]
        fn any_anchors_give_numbers_or_a_refusal(
            raw in prop::collection::vec((0.0..2000.0f64, 200.0..1100.0f64, 1e-3..3.0f64), 2..9),
            nm in any::<bool>(),
        ) {
            let p: Vec<Point> =
                raw.iter().map(|(x, nm, u)| Point { x: *x, nm: *nm, u_nm: *u }).collect();
            let kind = if nm { AxisKind::Nm } else { AxisKind::Pixel };
            if let Ok(f) = fit_models(&p, [0.0, 2000.0], kind) {
                for x in [0.0, 700.0, 2000.0] {
                    let m = f.model.wavelength(x);
                    prop_assert!(m.value.is_finite() && m.u.is_finite() && m.u > 0.0);
                }
                let total: f64 = f.models.iter().map(|m| m.weight).sum();
                prop_assert!((total - 1.0).abs() < 1e-6);
            }
        }
    }
}
