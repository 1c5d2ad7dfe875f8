//! Planck's law, colour temperature by the form of the spectrum and by its colour.

use super::net::{Net, cell};
use crate::Measured;
use crate::reference::LightTables;
use crate::reference::constants::{BOLTZMANN_EV_PER_K, HC_EV_NM};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Second radiation constant h·c/k, nm·K; 1.438 777e7.
const C2_NM_K: f64 = HC_EV_NM / BOLTZMANN_EV_PER_K;
/// Stretch of the spectrum that is held against Planck's law, nm: below, stray light, above, the
/// fringes and the falling response of the array.
const FIT_NM: [f64; 2] = [430.0, 900.0];
/// Light below this share of the highest does not count.
const LEAST_SHARE: f64 = 0.05;
/// Shortest stretch from which a temperature is told, nm.
const LEAST_STRETCH_NM: f64 = 150.0;
/// Temperatures that are tried, K.
const TEMPERATURES_K: [f64; 2] = [1000.0, 20_000.0];
/// Stretch over which departures from Planck's law hang together, nm.
const CORRELATED_NM: f64 = 40.0;
/// Standard uncertainty of the slope of a usual array's response, d ln R / d ln λ (common
/// practice, no published source).
const USUAL_SLOPE_U: f64 = 0.7;
/// A response that is not known: where one of the two that are tried fits so many times better,
/// the other is left out.
const CLEARLY_BETTER: f64 = 0.5;
/// Root mean square departure of the logarithm up to which a spectrum is Planck's.
pub(super) const FITS_WITHIN: f64 = 0.12;
/// Stretch that a recording and the response have to cover for a colour, nm: outside of it the eye
/// sees little (the CIE 1931 observer's functions hold less than 1 % of their sums there).
pub(super) const COLOUR_NM: [f64; 2] = [400.0, 700.0];
/// Colours further than this from the black body's line have no correlated colour temperature
/// (CIE 15: 5e-2 in the plane u, 2/3 v of 1976; value from memory).
const MOST_DUV: f64 = 0.05;

/// Spectral radiance of a black body for each nm at a wavelength in nm and a temperature in K, up
/// to a constant factor: Planck's law, `λ⁻⁵ / (exp(c₂/λT) − 1)`, with λ in µm before it.
pub fn planck(nm: f64, temperature_k: f64) -> f64 {
    let um = nm / 1000.0;
    1.0 / (um.powi(5) * libm::expm1(C2_NM_K / (nm * temperature_k)))
}

/// Response of a usual bare silicon array behind a grating, largest 1: rises through the violet,
/// falls from 800 nm on (common practice, no published source).
pub(super) fn usual_response(nm: f64) -> f64 {
    // Points of (nm, response), joined by lines.
    const POINTS: [(f64, f64); 12] = [
        (300.0, 0.05),
        (350.0, 0.15),
        (400.0, 0.4),
        (450.0, 0.75),
        (500.0, 0.92),
        (600.0, 1.0),
        (700.0, 0.95),
        (800.0, 0.75),
        (900.0, 0.45),
        (1000.0, 0.18),
        (1050.0, 0.09),
        (1100.0, 0.04),
    ];
    let k = POINTS.partition_point(|p| p.0 <= nm);
    if k == 0 {
        return POINTS[0].1;
    }
    let Some(b) = POINTS.get(k) else { return POINTS[POINTS.len() - 1].1 };
    let a = POINTS[k - 1];
    a.1 + (nm - a.0) / (b.0 - a.0) * (b.1 - a.1)
}

/// A spectrum held against Planck's law.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Thermal {
    /// Temperature of the black body whose spectrum has the same form, K.
    pub temperature_k: Measured,
    /// Root mean square departure from it, as a share of the light at each wavelength.
    pub departure: f64,
    /// What was taken for the response, in words.
    pub assumed: String,
}

/// A light's colour as the CIE 1931 observer sees it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Colour {
    /// Chromaticity x, y (CIE 1931).
    pub xy: [f64; 2],
    /// Correlated colour temperature, K; `None` where the colour is too far from the black
    /// body's.
    pub correlated_k: Option<f64>,
    /// Distance from the black body's line in CIE 1960 u, v; above it (greenish) positive.
    pub duv: f64,
}

/// Temperature and departure of the best black body for values `y` over a response.
fn fit(net: &Net, response: &dyn Fn(f64) -> f64) -> Option<(f64, f64, f64)> {
    let top = net.smooth.iter().copied().fold(0.0, f64::max);
    let points: Vec<(f64, f64)> = net
        .x
        .iter()
        .zip(&net.smooth)
        .filter(|(x, y)| (FIT_NM[0]..=FIT_NM[1]).contains(*x) && **y > LEAST_SHARE * top)
        .map(|(x, y)| (*x, (y / response(*x)).ln()))
        .filter(|p| p.1.is_finite())
        .collect();
    let (first, last) = (points.first()?, points.last()?);
    if last.0 - first.0 < LEAST_STRETCH_NM || points.len() < super::LEAST_POINTS {
        return None;
    }
    let n = points.len() as f64;
    let departure = |t: f64| {
        let r: Vec<f64> = points.iter().map(|(x, l)| l - planck(*x, t).ln()).collect();
        let mean = r.iter().sum::<f64>() / n;
        (r.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / n).sqrt()
    };
    // Golden section in 1/T, in which the logarithm of Planck's law is nearly straight.
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let (mut a, mut b) = (1.0 / TEMPERATURES_K[1], 1.0 / TEMPERATURES_K[0]);
    for _ in 0..60 {
        let (p, q) = (b - golden * (b - a), a + golden * (b - a));
        if departure(1.0 / p) < departure(1.0 / q) {
            b = q;
        } else {
            a = p;
        }
    }
    let inverse = 0.5 * (a + b);
    let rms = departure(1.0 / inverse);
    // d ln B / d(1/T) = −c₂/λ about its mean: the scatter of a slope through correlated points.
    let mean = points.iter().map(|p| C2_NM_K / p.0).sum::<f64>() / n;
    let spread = points.iter().map(|p| (C2_NM_K / p.0 - mean).powi(2)).sum::<f64>() / n;
    let independent = ((last.0 - first.0) / CORRELATED_NM).max(2.0);
    let u = rms / (spread * independent).sqrt();
    Some((1.0 / inverse, u / (inverse * inverse), rms))
}

/// Holds the smooth part against Planck's law. `corrected`: the response is divided out already.
pub(super) fn thermal(net: &Net, corrected: bool) -> Option<Thermal> {
    let measured = |(t, u, rms): (f64, f64, f64), assumed: &str, slope_u: f64| {
        let middle = 0.5 * (FIT_NM[0] + FIT_NM[1]);
        let by_slope = slope_u * t * t * middle / C2_NM_K;
        Thermal {
            temperature_k: Measured::new(t, u.hypot(by_slope)),
            departure: rms,
            assumed: assumed.into(),
        }
    };
    if corrected {
        return Some(measured(fit(net, &|_| 1.0)?, "response divided out", 0.0));
    }
    let flat = fit(net, &|_| 1.0)?;
    let usual = fit(net, &usual_response)?;
    let as_recorded = "the recording is taken as corrected for the response";
    let as_counts = "the recording is taken as counts of a usual silicon array";
    if usual.2 < CLEARLY_BETTER * flat.2 {
        return Some(measured(usual, as_counts, USUAL_SLOPE_U));
    }
    if flat.2 < CLEARLY_BETTER * usual.2 {
        return Some(measured(flat, as_recorded, 0.0));
    }
    let middle = 0.5 * (flat.0 + usual.0);
    let half = 0.5 * (flat.0 - usual.0).abs();
    let both = (middle, flat.1.max(usual.1).hypot(half), flat.2.min(usual.2));
    Some(measured(both, "corrected recording or counts of a usual silicon array", USUAL_SLOPE_U))
}

/// Tristimulus values of a function of the wavelength, by sums over `steps` of (nm, width, value).
fn tristimulus(tables: &LightTables, steps: impl Iterator<Item = (f64, f64, f64)>) -> [f64; 3] {
    let mut sum = [0.0; 3];
    for (nm, width, value) in steps {
        let m = tables.colour_matching(nm);
        (0..3).for_each(|i| sum[i] += m[i] * value * width);
    }
    sum
}

fn uv_1960([x, y, z]: [f64; 3]) -> [f64; 2] {
    let d = x + 15.0 * y + 3.0 * z;
    [4.0 * x / d, 6.0 * y / d]
}

/// The black body's colour at a temperature in K, CIE 1960 u, v.
fn planckian(tables: &LightTables, t: f64) -> [f64; 2] {
    let steps = (0..95).map(|i| 360.0 + 5.0 * f64::from(i)).map(|nm| (nm, 5.0, planck(nm, t)));
    uv_1960(tristimulus(tables, steps))
}

/// Chromaticity of the light and its correlated colour temperature: the nearest point of the black
/// body's line in CIE 1960 u, v. `None` without light in the visible, and where less than
/// [`COLOUR_NM`] is covered.
pub(super) fn colour(net: &Net, tables: &LightTables) -> Option<Colour> {
    if !covers_colour(net) {
        return None;
    }
    let steps = (0..net.x.len()).map(|i| (net.x[i], cell(&net.x, i), net.y[i]));
    chromaticity(tristimulus(tables, steps), tables)
}

/// True where all of [`COLOUR_NM`] is covered.
pub(super) fn covers_colour(net: &Net) -> bool {
    /// A point spacing or two that may be missing at either end, nm.
    const SLACK_NM: f64 = 1.0;
    let [from, to] = net.range();
    from <= COLOUR_NM[0] + SLACK_NM && to >= COLOUR_NM[1] - SLACK_NM
}

fn chromaticity(xyz: [f64; 3], tables: &LightTables) -> Option<Colour> {
    /// Temperatures of the search, reciprocal megakelvin: 1000 to 25 000 K.
    const MIRED: [f64; 2] = [40.0, 1000.0];
    let sum: f64 = xyz.iter().sum();
    if !(sum > 0.0 && xyz[1] > 0.0) {
        return None;
    }
    let uv = uv_1960(xyz);
    let distance = |mired: f64| {
        let p = planckian(tables, 1e6 / mired);
        (p[0] - uv[0]).hypot(p[1] - uv[1])
    };
    // Coarse, then fine: the line is smooth and the distance has one lowest point on it nearby.
    let mut best = (f64::INFINITY, MIRED[0]);
    let mut step = 20.0;
    let (mut from, mut to) = (MIRED[0], MIRED[1]);
    for _ in 0..4 {
        let count = ((to - from) / step).round() as usize;
        for i in 0..=count {
            let m = from + i as f64 * step;
            let d = distance(m);
            if d < best.0 {
                best = (d, m);
            }
        }
        (from, to) = ((best.1 - step).max(MIRED[0]), (best.1 + step).min(MIRED[1]));
        step /= 10.0;
    }
    let above = uv[1] >= planckian(tables, 1e6 / best.1)[1];
    let near = best.0 <= MOST_DUV;
    Some(Colour {
        xy: [xyz[0] / sum, xyz[1] / sum],
        correlated_k: near.then_some(1e6 / best.1),
        duv: if above { best.0 } else { -best.0 },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Wien's displacement constant 2.897 771 955e-3 m K (CODATA 2018): the maximum of Planck's law
    /// for each wavelength.
    #[test]
    fn planck_has_its_maximum_where_wien_says() {
        for t in [2000.0, 2856.0, 5800.0] {
            let top = (0..200_000)
                .map(|i| 300.0 + 0.01 * f64::from(i))
                .max_by(|a, b| planck(*a, t).total_cmp(&planck(*b, t)))
                .unwrap();
            assert!((top - 2.897_771_955e6 / t).abs() < 0.02, "{t} K: {top}");
        }
    }

    /// CIE standard illuminant A: relative spectral power 100·(560/λ)⁵·(exp(1.435e7/(2848·560)) − 1)
    /// / (exp(1.435e7/(2848 λ)) − 1) (ISO/CIE 11664-2); table values 9.795100 at 380, 33.0859 at
    /// 450 (value from memory), 100 at 560, 241.675 at 780 nm. With today's c₂ that is 2855.5 K.
    #[test]
    fn planck_gives_illuminant_a() {
        let t = 2848.0 * C2_NM_K / 1.435e7;
        let a = |nm: f64| 100.0 * planck(nm, t) / planck(560.0, t);
        for (nm, s) in [(380.0, 9.795_100), (450.0, 33.085_9), (780.0, 241.675)] {
            assert_relative_eq!(a(nm), s, max_relative = 2e-5);
        }
    }

    /// Illuminant A has x, y = 0.4476, 0.4074 (CIE 15:2004, Table T.3) and, by its definition, a
    /// colour temperature of 2856 K.
    #[test]
    fn the_colour_of_illuminant_a() {
        let tables = LightTables::bundled().unwrap();
        let steps = (0..95).map(|i| 360.0 + 5.0 * f64::from(i));
        let c = tristimulus(&tables, steps.map(|nm| (nm, 5.0, planck(nm, 2855.5))));
        let c = chromaticity(c, &tables).unwrap();
        assert!((c.xy[0] - 0.4476).abs() < 1e-4 && (c.xy[1] - 0.4074).abs() < 1e-4, "{c:?}");
        assert!((c.correlated_k.unwrap() - 2856.0).abs() < 3.0 && c.duv.abs() < 1e-4, "{c:?}");
    }

    /// Colour temperatures of chromaticities: D65 x, y = 0.3127, 0.3290 has 6504 K; fluorescent
    /// illuminants F2 0.3721, 0.3751: 4230 K, F7 0.3129, 0.3292: 6500 K, F11 0.3805, 0.3769: 4000 K
    /// (CIE 15:2004, Table T.6).
    #[test]
    fn correlated_colour_temperatures_are_the_published_ones() {
        let tables = LightTables::bundled().unwrap();
        for (x, y, t) in [
            (0.3127, 0.3290, 6504.0),
            (0.3721, 0.3751, 4230.0),
            (0.3129, 0.3292, 6500.0),
            (0.3805, 0.3769, 4000.0),
        ] {
            let c = chromaticity([x / y, 1.0, (1.0 - x - y) / y], &tables).unwrap();
            assert!((c.correlated_k.unwrap() / t - 1.0).abs() < 0.005, "{t}: {c:?}");
        }
        // A green light has none.
        let green = chromaticity(tables.colour_matching(540.0), &tables).unwrap();
        assert_eq!(green.correlated_k, None);
    }
}
