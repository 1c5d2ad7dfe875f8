//! What stands at a place where no line was found: too faint to be found is not the same as nothing.
//!
//! A line-rich tube has faint lines everywhere; how many of its free places are lifted by one is taken
//! from the recording itself, and what a lifted place says is weighed against that.

use super::evidence::LN_HEIGHT_SCATTER;
use crate::signal::{LineWidth, PeakList, Readings};
use std::sync::OnceLock;

/// Places that are read within one line width.
const PLACES_PER_FWHM: f64 = 3.0;
/// A place nearer than this to a found peak, in that peak's widths, is not free.
const FREE_FWHM: f64 = 1.1;
/// A place nearer than this, in line widths, to a found peak is that peak's.
const TAKEN_FWHM: f64 = 0.5;
/// Height over its uncertainty from which a free place is counted as lifted …
const LIFTED_SIGMA: f64 = 2.5;
/// … which this share of all places are by noise alone: 1 − Φ(2.5).
const LIFTED_BY_NOISE: f64 = 0.0062;
/// Bounds of the share of free places that hold a faint line of something else: one in fifty even where
/// none is noticed, since few places are looked at; and never all.
const SHARE: (f64, f64) = (0.02, 0.9);
/// Most that a height over its uncertainty counts: from there on a line would have been found.
const MOST_SIGMA: f64 = 6.0;

/// Least of the table of [`ratio`] in z, its most, and its step.
const Z: (f64, f64, f64) = (-3.0, MOST_SIGMA, 0.25);
/// The same in ln(expected height over the uncertainty).
const X: (f64, f64, f64) = (-3.0, 9.0, 0.25);

/// What is read at a free place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Faint {
    /// Height over its standard uncertainty.
    pub z: f64,
    /// Standard uncertainty of the height, unit of the counts.
    pub u: f64,
}

/// What a recording shows at all places where no line was found.
pub struct FaintLight {
    from: f64,
    step: f64,
    places: Vec<Option<Faint>>,
    /// Share of free places that hold a faint line of whatever else glows.
    pub share: f64,
}

impl FaintLight {
    /// Reads all free places of a recording.
    pub fn new(
        readings: &Readings,
        peaks: &PeakList,
        (from, to): (f64, f64),
        width: &LineWidth,
    ) -> Self {
        let narrowest = width.fwhm(from).min(width.fwhm(to)).max(f64::MIN_POSITIVE);
        let step = narrowest / PLACES_PER_FWHM;
        let n = ((to - from) / step).max(0.0) as usize + 1;
        let near = |nm: f64, reach: f64| {
            let found = &peaks.peaks;
            let k = found.partition_point(|p| p.centre.value < nm);
            [k.wrapping_sub(1), k]
                .iter()
                .filter_map(|k| found.get(*k))
                .any(|p| (p.centre.value - nm).abs() < reach * p.fwhm.value.max(width.fwhm(nm)))
        };
        let places: Vec<Option<Faint>> = (0..n)
            .map(|k| {
                let nm = from + k as f64 * step;
                if near(nm, TAKEN_FWHM) {
                    return None;
                }
                let h = readings.height(nm, width.fwhm(nm)).filter(|h| h.u > 0.0)?;
                Some(Faint { z: (h.value / h.u).min(MOST_SIGMA), u: h.u })
            })
            .collect();
        let free = places
            .iter()
            .enumerate()
            .filter(|(k, _)| !near(from + *k as f64 * step, FREE_FWHM))
            .filter_map(|(_, p)| *p);
        let (mut all, mut high) = (0.0, 0.0);
        for p in free {
            all += 1.0;
            high += f64::from(u8::from(p.z > LIFTED_SIGMA));
        }
        // Of faint lines of any height alike, in the logarithm, from 1 to the most: so many are above.
        let above = (MOST_SIGMA / LIFTED_SIGMA).ln() / MOST_SIGMA.ln();
        let share: f64 = if all > 0.0 { (high / all - LIFTED_BY_NOISE) / above } else { 0.0 };
        FaintLight { from, step, places, share: share.clamp(SHARE.0, SHARE.1) }
    }

    /// What is read at a place of the axis, nm; `None` where a found line stands or nothing can be read.
    pub fn at(&self, nm: f64) -> Option<Faint> {
        let k = ((nm - self.from) / self.step).round();
        if k < 0.0 { None } else { *self.places.get(k as usize)? }
    }
}

/// Places of a table from its least to its most.
fn places((from, to, step): (f64, f64, f64)) -> usize {
    ((to - from) / step).round() as usize + 1
}

/// Place of a table below a value, and how far it is to the next, 0 to 1.
fn between(v: f64, grid: (f64, f64, f64)) -> (usize, f64) {
    let t = (v.clamp(grid.0, grid.1) - grid.0) / grid.2;
    let k = (t as usize).min(places(grid) - 2);
    (k, t - k as f64)
}

/// Density of z where a line of the height e^x uncertainties is expected, good to the scatter of
/// heights, over that of noise alone; from a table.
pub fn ratio(x: f64, z: f64) -> f64 {
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    let nz = places(Z);
    let table = TABLE.get_or_init(|| {
        (0..places(X) * nz)
            .map(|k| {
                let (x, z) = (X.0 + (k / nz) as f64 * X.2, Z.0 + (k % nz) as f64 * Z.2);
                expected_ratio(x, z)
            })
            .collect()
    });
    let ((i, s), (j, t)) = (between(x, X), between(z, Z));
    let row = |i: usize| table[i * nz + j] * (1.0 - t) + table[i * nz + j + 1] * t;
    row(i) * (1.0 - s) + row(i + 1) * s
}

/// Density of z where the height is h uncertainties over that of noise alone: N(z; h, 1) / N(z; 0, 1).
fn lifted(z: f64, h: f64) -> f64 {
    (z * h - 0.5 * h * h).exp()
}

/// ∫ N(ln h; x, scatter) [`lifted`] d ln h, by the sum over steps.
fn expected_ratio(x: f64, z: f64) -> f64 {
    /// Steps to either side: a twentieth of the scatter each, far below what the height varies over.
    const STEPS: i32 = 80;
    /// How far they reach, in standard deviations: beyond lie 6 of 100,000 lines.
    const REACH: f64 = 4.0;
    let (mut sum, mut norm) = (0.0, 0.0);
    for k in -STEPS..=STEPS {
        let t = REACH * f64::from(k) / f64::from(STEPS);
        let w = (-0.5 * t * t).exp();
        sum += w * lifted(z, (x + LN_HEIGHT_SCATTER * t).exp());
        norm += w;
    }
    sum / norm
}

/// Density of z at a place that holds a faint line of something else, over that of noise alone: heights
/// from one uncertainty to [`MOST_SIGMA`] alike in the logarithm; from a table.
pub fn ratio_by_chance(z: f64) -> f64 {
    /// Steps of the sum: each a fiftieth of the height.
    const STEPS: i32 = 100;
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        (0..places(Z))
            .map(|k| {
                let z = Z.0 + k as f64 * Z.2;
                let sum: f64 = (0..STEPS)
                    .map(|i| (MOST_SIGMA.ln() * (f64::from(i) + 0.5) / f64::from(STEPS)).exp())
                    .map(|h| lifted(z, h))
                    .sum();
                sum / f64::from(STEPS)
            })
            .collect()
    });
    let (k, t) = between(z, Z);
    table[k] * (1.0 - t) + table[k + 1] * t
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::fit::Component;
    use crate::signal::{PeakSettings, find_peaks};
    use crate::{Axis, AxisKind, Spectrum};
    use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

    /// A line of twenty uncertainties is not overlooked where nothing is read; a place that is lifted speaks
    /// for a line that is expected to lift it so.
    #[test]
    fn what_is_read_counts_by_what_is_expected() {
        assert!(ratio(20f64.ln(), 0.0) < 0.05, "{}", ratio(20f64.ln(), 0.0));
        assert!(ratio(4f64.ln(), 5.0) > 10.0 * ratio(0.2f64.ln(), 5.0));
        assert!(ratio_by_chance(5.0) > 100.0 && ratio_by_chance(-1.0) < 0.5);
        for z in [-2.0, 0.0, 2.0] {
            assert!((ratio(-9.0, z) - 1.0).abs() < 0.3, "{z}: {}", ratio(-9.0, z));
        }
        // Between the places of the table: the sum itself.
        let (a, b) = (ratio(1.1, 2.1), expected_ratio(1.1, 2.1));
        assert!((a / b - 1.0).abs() < 0.05, "{a} {b}");
    }

    /// Lines of these heights every 5 nm, 1 nm wide, noise of a standard deviation of 10.
    fn recording(heights: &[f64], seed: u64) -> Spectrum {
        let mut dice = ChaCha8Rng::seed_from_u64(seed);
        let normal = rand_distr::Normal::new(0.0, 10.0).unwrap();
        let x: Vec<f64> = (0..2000).map(|i| 400.0 + 0.1 * f64::from(i)).collect();
        let y = x
            .iter()
            .map(|x| {
                let lines = heights.iter().enumerate().map(|(k, h)| Component {
                    centre: 405.0 + 5.0 * k as f64,
                    height: *h,
                    fwhm: 1.0,
                });
                500.0 + lines.map(|l| l.at(*x, 0.0)).sum::<f64>() + dice.sample(normal)
            })
            .collect();
        Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), y).unwrap()
    }

    #[test]
    fn a_line_too_faint_to_be_found_is_read_and_crowds_of_them_are_noticed() {
        let width = LineWidth::constant(1.0, 0.05);
        let faint = |heights: &[f64], seed| {
            let s = recording(heights, seed);
            let peaks = find_peaks(&s, &PeakSettings::default()).unwrap();
            let readings = Readings::new(&s, &peaks);
            let found = peaks.peaks.iter().filter(|p| (p.centre.value - 450.0).abs() < 1.0).count();
            (FaintLight::new(&readings, &peaks, s.axis().range(), &width), found)
        };
        let mut one = vec![0.0; 38];
        one[1] = 5000.0;
        one[9] = 14.0;
        let (mut z, mut most_share) = (Vec::new(), 0.0f64);
        for seed in 0..20 {
            let (light, found) = faint(&one, seed);
            assert!(light.at(410.0).is_none(), "a found line is not faint");
            most_share = most_share.max(light.share);
            if found == 0 {
                z.push(light.at(450.0).unwrap().z);
            }
        }
        // Ten points a width and a level: some 4 counts of uncertainty.
        let mean = z.iter().sum::<f64>() / z.len() as f64;
        assert!(z.len() > 10 && (2.0..5.0).contains(&mean), "{} {mean}", z.len());
        assert!(most_share < 0.15, "{most_share}");
        let mut many = vec![15.0; 38];
        many[1] = 5000.0;
        let (light, _) = faint(&many, 1);
        assert!(light.share > 0.15, "{}", light.share);
    }
}
