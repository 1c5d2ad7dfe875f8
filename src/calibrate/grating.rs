//! The grating equation as a curve, and what is known beforehand of small array spectrometers.

use super::bayes::{Curve, MAX_PARAMETERS, Prior, Vector};
use serde::{Deserialize, Serialize};

/// Parameters: wavelength in the middle of the detector (nm), ln U, K, τ, ln d, and two terms of
/// distortion.
pub const PARAMETERS: usize = 7;
const CENTRE: usize = 0;
const LN_HALF_WIDTH: usize = 1;
const INCLUDED: usize = 2;
const TILT: usize = 3;
const LN_SPACING: usize = 4;
const DISTORTION: usize = 5;

const DEG: f64 = std::f64::consts::PI / 180.0;
/// Nanometres in a millimetre.
const NM_PER_MM: f64 = 1e6;

/// Half width of the detector in focal lengths: median and standard deviation of the logarithm.
/// Line sensors are 25 to 30 mm long and small benches have 40 to 150 mm of focal length: 0.08 to
/// 0.37 (common practice, no published source).
const HALF_WIDTH: (f64, f64) = (0.18, 0.45);
/// Angle between the incoming ray and the ray to the middle of the detector, degrees: mean and
/// standard deviation of its size. Folded benches have 20 to 60 (common practice, no published
/// source); the outgoing ray may lie on either side of the incoming one.
const INCLUDED_DEG: (f64, f64) = (32.0, 13.0);
/// Angle between the detector's normal and the ray to its middle, degrees: mean, standard
/// deviation, share. Most plain benches have their sensor square to the beam to within what
/// mounting gives; the others tilt it to follow the focal surface, or use it off its middle, which
/// to the equation is a tilt too (common practice, no published source).
const TILT_DEG: [(f64, f64, f64); 3] = [(0.0, 2.0, 0.6), (-9.0, 6.0, 0.2), (9.0, 6.0, 0.2)];
/// Groove densities that gratings are sold with, 1/mm, with their shares: 600 is what 300 to 1100
/// nm take on a small bench, 1200 the visible alone, 500 and 1000 are those of film (common
/// practice, no published source).
const RULINGS: [(f64, f64); 5] =
    [(300.0, 0.18), (500.0, 0.08), (600.0, 0.42), (1000.0, 0.08), (1200.0, 0.16)];
/// Standard deviation of the logarithm of a catalogue density: replicas shrink, and the grating is
/// not quite square to the plane of the rays.
const RULING_SPREAD: f64 = 0.003;
/// Densities outside the catalogue: median, standard deviation of the logarithm, share.
const OTHER_RULINGS: [(f64, f64, f64); 2] = [(450.0, 0.35, 0.05), (900.0, 0.35, 0.03)];
/// Standard deviations of the terms T3 and T4 that mirrors and lenses add, over the half range of
/// the axis: distortion of some tenths of a per cent of the image (common practice, no published
/// source).
const DISTORTION_SD: [f64; 2] = [3e-4, 1e-4];
/// Nats of prior probability below the best at which a bench is not looked at.
const IMPLAUSIBLE: f64 = 6.0;

/// Standard deviation of a stated angle between the rays, degrees: a drawing or a ruler.
const STATED_INCLUDED_DEG: f64 = 1.0;
/// Standard deviation of a stated tilt of the detector, degrees.
const STATED_TILT_DEG: f64 = 0.5;
/// Standard deviation of the logarithm of a stated groove density.
const STATED_RULING_SPREAD: f64 = 0.001;
/// Standard deviation of the logarithm of a stated length of detector over focal length: focal
/// lengths are good to a few per cent.
const STATED_LENGTH_SPREAD: f64 = 0.03;

/// What is known of an instrument's optics, from its data sheet or its maker. Each fact narrows
/// the axis beyond the lamp's lines; none is needed.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct BenchFacts {
    /// Groove density of the grating, 1/mm.
    pub grooves_per_mm: Option<f64>,
    /// Angle at the grating between the incoming ray and the ray to the middle of the detector,
    /// degrees, without sign; taken to be good to one degree.
    pub included_angle_deg: Option<f64>,
    /// Angle between the detector's normal and the ray to its middle, degrees, positive where the
    /// end of the long wavelengths lies further away; taken to be good to half a degree.
    pub detector_tilt_deg: Option<f64>,
    /// Length of the detector over the focal length of the optics before it.
    pub detector_over_focal: Option<f64>,
}

impl BenchFacts {
    /// True where the layout is known so far that no other optics need to be reckoned with.
    pub(super) fn is_plain_grating(&self) -> bool {
        self.grooves_per_mm.is_some()
            && self.included_angle_deg.is_some()
            && self.detector_tilt_deg.is_some()
    }
}

/// A plane grating before a flat detector, in first order.
///
/// With groove distance `d`, incoming ray at `α` and ray to the detector's middle at `β = α + K`
/// from the grating's normal,
///
/// `λ = d (sin α + sin(β + δ))`,  `tan δ = u cos τ / (1 + u sin τ)`,  `u = U t`,
///
/// where `t` runs from −1 to 1 over the detector, `U` is its half width in focal lengths and `τ`
/// its tilt. A sensor that is used off its middle is one with another `K`, `τ` and `f`, so these
/// cover an offset too.
///
/// Source: the grating equation as in any optics textbook (for instance M. Born, E. Wolf,
/// Principles of Optics, 8.6).
pub struct Grating {
    /// 1 where wavelength rises with `t`, −1 where it falls.
    pub direction: f64,
    /// Half the range of the axis, nm: scale of the distortion.
    pub half_range_nm: f64,
}

/// A bench with its sines.
pub struct Bench {
    d: f64,
    half_width: f64,
    sin_alpha: f64,
    cos_alpha: f64,
    sin_beta: f64,
    cos_beta: f64,
    sin_tilt: f64,
    cos_tilt: f64,
    sin_inner: f64,
    cos_inner: f64,
    phi_by_centre: f64,
    phi_by_included: f64,
    tan_phi: f64,
    distortion: [f64; 2],
}

impl Curve for Grating {
    type Ready = Bench;

    fn parameters(&self) -> usize {
        PARAMETERS
    }

    fn ready(&self, p: &Vector) -> Option<Bench> {
        let d = p[LN_SPACING].exp();
        let (sin_half, cos_half) = (0.5 * p[INCLUDED]).sin_cos();
        let sin_phi = p[CENTRE] / (2.0 * d * cos_half);
        // No ray at more than some 80 degrees from the bisector.
        if sin_phi.is_nan() || sin_phi.abs() > 0.985 || cos_half < 0.2 {
            return None;
        }
        let phi = sin_phi.asin();
        let cos_phi = phi.cos();
        let (sin_alpha, cos_alpha) = (phi - 0.5 * p[INCLUDED]).sin_cos();
        let (sin_beta, cos_beta) = (phi + 0.5 * p[INCLUDED]).sin_cos();
        let (sin_tilt, cos_tilt) = p[TILT].sin_cos();
        let tan_phi = sin_phi / cos_phi;
        Some(Bench {
            d,
            half_width: p[LN_HALF_WIDTH].exp(),
            sin_alpha,
            cos_alpha,
            sin_beta,
            cos_beta,
            sin_tilt,
            cos_tilt,
            sin_inner: sin_beta * cos_tilt - cos_beta * sin_tilt,
            cos_inner: cos_beta * cos_tilt + sin_beta * sin_tilt,
            phi_by_centre: 1.0 / (2.0 * d * cos_half * cos_phi),
            phi_by_included: 0.5 * tan_phi * sin_half / cos_half,
            tan_phi,
            distortion: [p[DISTORTION], p[DISTORTION + 1]],
        })
    }

    fn at(&self, b: &Bench, t: f64) -> (f64, Vector) {
        let u = b.half_width * t * self.direction;
        let inverse = 1.0 / (1.0 + u * (2.0 * b.sin_tilt + u)).sqrt();
        let cube = inverse * inverse * inverse;
        // sin(β + δ) = (sin β + u cos(β − τ)) / √(1 + 2 u sin τ + u²)
        let top = b.sin_beta + u * b.cos_inner;
        let grating = b.d * (b.sin_alpha + top * inverse);
        let by_alpha = b.d * b.cos_alpha;
        let by_beta = b.d * (b.cos_beta - u * b.sin_inner) * inverse;
        let both = by_alpha + by_beta;
        let t2 = 2.0 * t * t - 1.0;
        let t3 = 2.0 * t * t2 - t;
        let t4 = 2.0 * t * t3 - t2;
        let mut g = [0.0; MAX_PARAMETERS];
        g[CENTRE] = both * b.phi_by_centre;
        g[LN_HALF_WIDTH] = u * b.d * (b.cos_inner * inverse - top * (b.sin_tilt + u) * cube);
        g[INCLUDED] = both * b.phi_by_included + 0.5 * (by_beta - by_alpha);
        g[TILT] = b.d * u * (b.sin_inner * inverse - top * b.cos_tilt * cube);
        g[LN_SPACING] = grating - both * b.tan_phi;
        g[DISTORTION] = self.half_range_nm * t3;
        g[DISTORTION + 1] = self.half_range_nm * t4;
        let bent = self.half_range_nm * (b.distortion[0] * t3 + b.distortion[1] * t4);
        (grating + bent, g)
    }
}

/// One sort of bench: a normal prior with its share, and where the search starts.
pub struct Sort {
    /// Prior of its parameters.
    pub prior: Prior,
    /// Logarithm of its share among all benches.
    pub log_share: f64,
    /// Start of the search: the prior's angles with the centre and dispersion of the anchors.
    pub start: Vector,
}

/// The sorts of benches that could show `centre_nm` in the middle of the detector and
/// `slope_nm` nm per half detector there (positive).
pub fn sorts(centre_nm: f64, slope_nm: f64, facts: &BenchFacts) -> Vec<Sort> {
    let rulings: Vec<(f64, f64, f64)> = match facts.grooves_per_mm {
        Some(g) => vec![(g, STATED_RULING_SPREAD, 1.0)],
        None => RULINGS
            .iter()
            .map(|(g, share)| (*g, RULING_SPREAD, *share))
            .chain(OTHER_RULINGS)
            .collect(),
    };
    let tilts = match facts.detector_tilt_deg {
        Some(t) => vec![(t, STATED_TILT_DEG, 1.0)],
        None => TILT_DEG.to_vec(),
    };
    let included =
        facts.included_angle_deg.map_or(INCLUDED_DEG, |k| (k.abs(), STATED_INCLUDED_DEG));
    let half_width =
        facts.detector_over_focal.map_or(HALF_WIDTH, |ratio| (0.5 * ratio, STATED_LENGTH_SPREAD));
    let mut out: Vec<(f64, Sort)> = Vec::new();
    for (grooves, spread, share) in rulings {
        for side in [1.0, -1.0] {
            for (tilt_deg, tilt_sd_deg, tilt_share) in &tilts {
                let mut prior =
                    Prior { mean: [0.0; MAX_PARAMETERS], precision: [0.0; MAX_PARAMETERS] };
                let mut set = |k: usize, mean: f64, sd: f64| {
                    prior.mean[k] = mean;
                    prior.precision[k] = sd.powi(-2);
                };
                set(LN_HALF_WIDTH, half_width.0.ln(), half_width.1);
                set(INCLUDED, side * included.0 * DEG, included.1 * DEG);
                set(TILT, tilt_deg * DEG, tilt_sd_deg * DEG);
                set(LN_SPACING, (NM_PER_MM / grooves).ln(), spread);
                set(DISTORTION, 0.0, DISTORTION_SD[0]);
                set(DISTORTION + 1, 0.0, DISTORTION_SD[1]);
                let log_share = (share * 0.5 * tilt_share).ln();
                if let Some((start, z2)) = start(centre_nm, slope_nm, &prior) {
                    out.push((log_share - 0.5 * z2, Sort { prior, log_share, start }));
                }
            }
        }
    }
    let best = out.iter().map(|(l, _)| *l).fold(f64::NEG_INFINITY, f64::max);
    out.into_iter().filter(|(l, _)| *l > best - IMPLAUSIBLE).map(|(_, s)| s).collect()
}

/// The bench nearest to the prior that has the centre and the dispersion, with its squared
/// distance from the prior in standard deviations; `None` where its rays cannot be.
fn start(centre_nm: f64, slope_nm: f64, prior: &Prior) -> Option<(Vector, f64)> {
    let mut start = prior.mean;
    start[CENTRE] = centre_nm;
    let b = Grating { direction: 1.0, half_range_nm: slope_nm }.ready(&start)?;
    let half_width = slope_nm / (b.d * b.cos_beta * b.cos_tilt);
    if half_width.is_nan() || half_width <= 0.0 {
        return None;
    }
    // The dispersion fixes U d: what that is off, the two share by their variances.
    let off = half_width.ln() - prior.mean[LN_HALF_WIDTH];
    let (u, d) = (1.0 / prior.precision[LN_HALF_WIDTH], 1.0 / prior.precision[LN_SPACING]);
    start[LN_HALF_WIDTH] += off * u / (u + d);
    start[LN_SPACING] += off * d / (u + d);
    Some((start, off * off / (u + d)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{self, Dispersion};

    fn some_bench() -> Vector {
        let mut p = [0.0; MAX_PARAMETERS];
        p[CENTRE] = 690.0;
        p[LN_HALF_WIDTH] = 0.26f64.ln();
        p[INCLUDED] = 0.5;
        p[TILT] = -0.12;
        p[LN_SPACING] = (NM_PER_MM / 600.0).ln();
        p[DISTORTION] = 2e-4;
        p[DISTORTION + 1] = -1e-4;
        p
    }

    /// The curve's formula against the simulation's, which was written apart from it with arc
    /// tangents.
    #[test]
    fn agrees_with_the_simulated_grating() {
        for (red_first, included_angle_deg) in [(false, 31.0), (true, -22.0)] {
            let g = simulate::Grating {
                grooves_per_mm: 500.0,
                included_angle_deg,
                focal_length_mm: 60.0,
                pixel_pitch_um: 14.0,
                centre_nm: 640.0,
                detector_tilt_deg: 7.0,
                red_first,
            };
            let mut p = [0.0; MAX_PARAMETERS];
            p[CENTRE] = 640.0;
            p[LN_HALF_WIDTH] = (2047.0 * 0.014 / 2.0 / 60.0f64).ln();
            p[INCLUDED] = included_angle_deg * DEG;
            p[TILT] = 7.0 * DEG;
            p[LN_SPACING] = (NM_PER_MM / 500.0).ln();
            let direction = if red_first { -1.0 } else { 1.0 };
            let curve = Grating { direction, half_range_nm: 400.0 };
            let ready = curve.ready(&p).unwrap();
            let truth = Dispersion::Grating(g);
            for k in [0.0, 300.0, 1023.5, 2047.0] {
                let ours = curve.at(&ready, 2.0 * k / 2047.0 - 1.0).0;
                assert!((ours - truth.wavelength_nm(k, 2048)).abs() < 1e-9, "{k}");
            }
        }
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let curve = Grating { direction: -1.0, half_range_nm: 400.0 };
        let p = some_bench();
        for t in [-1.0, -0.3, 0.0, 0.8] {
            let (_, g) = curve.at(&curve.ready(&p).unwrap(), t);
            for k in 0..PARAMETERS {
                let h = if k == CENTRE { 1e-3 } else { 1e-6 };
                let moved = |h: f64| {
                    let mut q = p;
                    q[k] += h;
                    curve.at(&curve.ready(&q).unwrap(), t).0
                };
                let difference = (moved(h) - moved(-h)) / (2.0 * h);
                assert!((g[k] - difference).abs() < 1e-5 * (1.0 + difference.abs()), "{t} {k}");
            }
        }
    }

    #[test]
    fn benches_that_cannot_be_are_left_out() {
        // 1800 grooves per mm cannot send 1500 nm anywhere.
        let facts = BenchFacts { grooves_per_mm: Some(1800.0), ..BenchFacts::default() };
        assert!(sorts(1500.0, 300.0, &facts).is_empty());
        assert!(sorts(700.0, f64::NAN, &BenchFacts::default()).is_empty());
        let all = sorts(700.0, 396.0, &BenchFacts::default());
        assert!(all.len() > 10 && all.iter().all(|s| s.start.iter().all(|v| v.is_finite())));
    }
}
