//! How much evidence line patterns collect that mean nothing.

use super::evidence::{Scene, look, weigh};
use super::pattern::Pattern;
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

/// Least displacement of a decoy in line widths: it must leave its own lines.
const LEAST_SHIFT_FWHM: f64 = 5.0;
/// Least displacement in nm.
const LEAST_SHIFT_NM: f64 = 6.0;
/// Share of decoys below the figure that is taken for chance.
const QUANTILE: f64 = 0.9;

/// What displaced copies of a pattern collect.
#[derive(Debug, Clone, Default)]
pub struct Chance {
    /// Nats that nine in ten of them stay below, at least 0.
    pub level: f64,
    /// Nats of each.
    pub copies: Vec<f64>,
}

/// Displaces copies of a pattern. They keep the strengths and the distances of the lines, wrapped
/// round within the range.
pub fn measure(
    pattern: &Pattern,
    scene: &Scene,
    explained: &[f64],
    range: (f64, f64),
    decoys: usize,
    seed: u64,
) -> Chance {
    let span = range.1 - range.0;
    let least = (LEAST_SHIFT_FWHM * scene.width.fwhm(0.5 * (range.0 + range.1)))
        .max(LEAST_SHIFT_NM)
        .min(0.3 * span);
    if decoys == 0 || span <= 0.0 {
        return Chance::default();
    }
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut copies: Vec<f64> = (0..decoys)
        .map(|_| {
            let shift = rng.random_range(least..(span - least).max(least * 1.01));
            let mut decoy = pattern.features.clone();
            for f in &mut decoy {
                f.nm = range.0 + (f.nm - range.0 + shift).rem_euclid(span);
            }
            decoy.sort_by(|a, b| a.nm.total_cmp(&b.nm));
            weigh(&decoy, look(&decoy, scene), scene, explained).nats
        })
        .collect();
    let k = ((copies.len() - 1) as f64 * QUANTILE).round() as usize;
    let (_, q, _) = copies.select_nth_unstable_by(k, f64::total_cmp);
    Chance { level: q.max(0.0), copies }
}

/// Share of `named` patterns that is chance, by an estimate that errs high, where `reached` of the decoys get as far and
/// there are `copies` decoys for each pattern that was tried: (D + 1) / (copies · T).
///
/// A decoy stands for a pattern that means nothing: as many of those as of the decoys, copy by copy,
/// are expected among the names. The one that is added keeps the estimate from being too small where
/// few decoys get that far. Source: J. E. Elias and S. P. Gygi, Nat. Methods 4 (2007) 207 (decoys
/// tried apart: D/T); L. I. Levitsky et al., J. Proteome Res. 16 (2017) 689 (the added one).
pub fn share_of_chance(named: usize, reached: usize, copies: usize) -> f64 {
    if named == 0 || copies == 0 {
        return 0.0;
    }
    ((reached + 1) as f64 / (copies * named) as f64).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 100 names and 5 decoys, one decoy for each pattern: (D + 1)/T = 0.06 (Levitsky et al. 2017, as
    /// cited above; D/T itself is 0.05 by Elias and Gygi 2007).
    #[test]
    fn the_published_example_comes_out() {
        assert!((share_of_chance(100, 5, 1) - 0.06).abs() < 1e-12);
        // Forty copies of each: two hundred and thirty-nine of them stand for as much.
        assert!((share_of_chance(100, 239, 40) - 0.06).abs() < 1e-12);
        assert_eq!(share_of_chance(0, 5, 40), 0.0);
        assert_eq!(share_of_chance(1, 100, 40), 1.0);
    }
}
