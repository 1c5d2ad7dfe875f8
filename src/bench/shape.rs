//! Whether two recordings have the same shape: one factor and one level between them.

use crate::signal::{flag_saturation, noise_of};
use crate::{Mask, Spectrum};

/// Share of the points that may be hit (a cosmic ray, a switch) without a say in the shape.
const HIT_SHARE: f64 = 0.005;
/// Fewest points in common from which a shape is told.
const LEAST_POINTS: usize = 16;
/// Half width of the running median that parts narrow from broad, as a share of the points.
const BROAD_SHARE: f64 = 0.02;
/// Structure is what varies by more than this over the scatter, as variances.
const STRUCTURE: f64 = 0.5;
/// Structure of the one over the scatter of the other, as variances, from which the other would
/// have to show it too if it were a repeat.
const MISSING: f64 = 9.0;
/// Share by which the figure of the scatter may be wrong, and standard deviations of the
/// correlation by which two shapes are given the benefit of the doubt.
const SCATTER_DOUBT: f64 = 0.15;
const DOUBT_SIGMAS: f64 = 3.0;
/// Scatter of a normal distribution over the median of the absolute differences of neighbours.
const SIGMA_PER_DIFFERENCE: f64 = 1.4826 / std::f64::consts::SQRT_2;

/// How alike two recordings on one axis are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shape {
    /// Correlation of their structure without the part of the scatter, the highest that the scatter
    /// allows; the lesser of that of all light and of that of narrow features.
    Correlates(f64),
    /// One shows light where the other shows none.
    OneIsDark,
    /// Neither shows structure above its scatter, or too few points are usable in both.
    Featureless,
}

impl Shape {
    /// True where nothing speaks against one shape at this least correlation.
    pub(super) fn is_same(self, least: f64) -> bool {
        match self {
            Shape::Correlates(r) => r >= least,
            Shape::OneIsDark => false,
            Shape::Featureless => true,
        }
    }

    /// What is wrong, as the rest of a sentence that starts with the first recording.
    pub(super) fn words(self) -> String {
        match self {
            Shape::Correlates(r) => format!("their shapes correlate by {:.2} at most", r.max(0.0)),
            Shape::OneIsDark => "one shows light where the other shows none".into(),
            Shape::Featureless => "neither shows any structure".into(),
        }
    }
}

/// Compares the shapes over the points that both hold unclipped.
pub(super) fn compare(a: &Spectrum, b: &Spectrum) -> Shape {
    let clean = |s: &Spectrum| {
        let mut s = s.clone();
        flag_saturation(&mut s, None);
        s
    };
    let (a, b) = (clean(a), clean(b));
    let usable = |s: &Spectrum, i: usize| {
        s.mask()[i].is_good() && !s.mask()[i].has(Mask::SATURATED) && s.counts()[i].is_finite()
    };
    let at: Vec<usize> =
        (0..a.len().min(b.len())).filter(|i| usable(&a, *i) && usable(&b, *i)).collect();
    if at.len() < LEAST_POINTS {
        return Shape::Featureless;
    }
    let pick = |v: &[f64]| -> Vec<f64> { at.iter().map(|i| v[*i]).collect() };
    let (ya, yb) = (pick(a.counts()), pick(b.counts()));
    let noise = |s: &Spectrum| {
        let good: Vec<bool> = s.mask().iter().map(|m| m.is_good()).collect();
        pick(&noise_of(s.counts(), &good, s.sigma()).sigma)
    };
    let half = ((at.len() as f64 * BROAD_SHARE) as usize).max(3);
    let (na, nb) = (scatter(&ya, &noise(&a), half), scatter(&yb, &noise(&b), half));
    let narrow = |y: &[f64]| -> Vec<f64> {
        y.iter().zip(running_median(y, half)).map(|(v, m)| v - m).collect()
    };
    let all = correlate(&ya, &yb, &na, &nb);
    match (all, correlate(&narrow(&ya), &narrow(&yb), &na, &nb)) {
        (Shape::OneIsDark, _) | (_, Shape::OneIsDark) => Shape::OneIsDark,
        (Shape::Correlates(r), Shape::Correlates(q)) => Shape::Correlates(r.min(q)),
        (Shape::Featureless, other) | (other, Shape::Featureless) => other,
    }
}

/// Scatter of each point: as told, but no less than the middle step between neighbours around it,
/// which holds the noise of a broad light's photons and no lines.
fn scatter(y: &[f64], told: &[f64], half: usize) -> Vec<f64> {
    let steps: Vec<f64> =
        (0..y.len()).map(|i| (y[i] - y[(i + 1).min(y.len() - 1)]).abs()).collect();
    let local = running_median(&steps, half);
    told.iter().zip(local).map(|(t, l)| t.max(SIGMA_PER_DIFFERENCE * l)).collect()
}

/// Correlation of the structure, with the few points left out that depart most.
fn correlate(a: &[f64], b: &[f64], na: &[f64], nb: &[f64]) -> Shape {
    let mut kept: Vec<usize> = (0..a.len()).collect();
    let hits = (HIT_SHARE * a.len() as f64).ceil() as usize;
    let mut m = Moments::of(a, b, na, nb, &kept);
    for _ in 0..2 {
        // The line of equal departures: both recordings scatter alike.
        let slope = (m.bb / m.aa).sqrt();
        if !(slope.is_finite() && slope > 0.0) {
            break;
        }
        let away = |i: &usize| ((b[*i] - m.b) - slope * (a[*i] - m.a)).abs();
        kept = (0..a.len()).collect();
        kept.sort_by(|i, j| away(i).total_cmp(&away(j)));
        kept.truncate(a.len() - hits);
        m = Moments::of(a, b, na, nb, &kept);
    }
    let (sa, sb) = (m.aa - m.na, m.bb - m.nb);
    match (sa > STRUCTURE * m.na, sb > STRUCTURE * m.nb) {
        (true, true) => {
            let (qa, qb) = (m.na / sa, m.nb / sb);
            let u = ((qa + qb + qa * qb) / a.len() as f64).sqrt();
            let doubt = DOUBT_SIGMAS * u + SCATTER_DOUBT * (qa + qb);
            Shape::Correlates((m.ab / (sa * sb).sqrt() + doubt).min(1.0))
        }
        (true, false) if sa > MISSING * m.nb => Shape::OneIsDark,
        (false, true) if sb > MISSING * m.na => Shape::OneIsDark,
        _ => Shape::Featureless,
    }
}

/// Means, variances, covariance and mean variance of the scatter.
struct Moments {
    a: f64,
    b: f64,
    aa: f64,
    bb: f64,
    ab: f64,
    na: f64,
    nb: f64,
}

impl Moments {
    fn of(a: &[f64], b: &[f64], na: &[f64], nb: &[f64], at: &[usize]) -> Self {
        let n = at.len().max(1) as f64;
        let mean = |f: &dyn Fn(usize) -> f64| at.iter().map(|i| f(*i)).sum::<f64>() / n;
        let (ma, mb) = (mean(&|i| a[i]), mean(&|i| b[i]));
        Moments {
            a: ma,
            b: mb,
            aa: mean(&|i| (a[i] - ma).powi(2)),
            bb: mean(&|i| (b[i] - mb).powi(2)),
            ab: mean(&|i| (a[i] - ma) * (b[i] - mb)),
            na: mean(&|i| na[i].powi(2)),
            nb: mean(&|i| nb[i].powi(2)),
        }
    }
}

/// Median over `half` points to both sides, the same reach to both so that a slope is not moved at
/// the ends.
pub(super) fn running_median(y: &[f64], half: usize) -> Vec<f64> {
    let mut window = Vec::new();
    (0..y.len())
        .map(|i| {
            let reach = half.min(i).min(y.len() - 1 - i);
            window.clear();
            window.extend_from_slice(&y[i - reach..=i + reach]);
            window.sort_by(f64::total_cmp);
            window[window.len() / 2]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;
    use rand::{SeedableRng, rngs::ChaCha8Rng};
    use rand_distr::{Distribution, StandardNormal};

    /// Lines on a broad hump, with read and photon noise.
    fn made(lines: &[f64], hump: f64, height: f64, seed: u64) -> Spectrum {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let counts = (0..1024)
            .map(|i| {
                let x = f64::from(i);
                let light: f64 =
                    lines.iter().map(|c| height * (-0.5 * ((x - c) / 2.0).powi(2)).exp()).sum();
                let light = light + hump * (-0.5 * ((x - 500.0) / 200.0).powi(2)).exp();
                let deviate: f64 = StandardNormal.sample(&mut rng);
                1000.0 + light + (9.0 + 0.5 * light).sqrt() * deviate
            })
            .collect();
        Spectrum::new(Axis::pixels(1024), counts).unwrap()
    }

    #[test]
    fn same_things_correlate_and_different_ones_do_not() {
        let (x, y) = ([100.0, 300.0, 640.0], [150.0, 420.0, 800.0]);
        for (hump, height) in [(0.0, 80.0), (0.0, 8000.0), (3000.0, 900.0)] {
            let same = compare(&made(&x, hump, height, 1), &made(&x, hump, 1.3 * height, 2));
            assert!(same.is_same(0.9), "{hump} {height} {same:?}");
            let other = compare(&made(&x, hump, height, 1), &made(&y, hump, height, 2));
            assert!(!other.is_same(0.5), "{hump} {height} {other:?}");
        }
    }

    #[test]
    fn darks_are_featureless_and_a_dark_beside_light_is_noticed() {
        assert_eq!(compare(&made(&[], 0.0, 0.0, 1), &made(&[], 0.0, 0.0, 2)), Shape::Featureless);
        let lit = made(&[300.0], 0.0, 5000.0, 3);
        assert_eq!(compare(&lit, &made(&[], 0.0, 0.0, 2)), Shape::OneIsDark);
        let smooth = compare(&made(&[], 9000.0, 0.0, 4), &made(&[], 9000.0, 0.0, 5));
        assert!(smooth.is_same(0.95), "{smooth:?}");
    }
}
