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

/// Nats that displaced copies of a pattern reach: the ninth in ten. The copies keep the strengths
/// and the distances of the lines, wrapped round within the range.
pub fn level(
    pattern: &Pattern,
    scene: &Scene,
    explained: &[f64],
    range: (f64, f64),
    decoys: usize,
    seed: u64,
) -> f64 {
    let span = range.1 - range.0;
    let least = (LEAST_SHIFT_FWHM * scene.width.fwhm(0.5 * (range.0 + range.1)))
        .max(LEAST_SHIFT_NM)
        .min(0.3 * span);
    if decoys == 0 || span <= 0.0 {
        return 0.0;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut nats: Vec<f64> = (0..decoys)
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
    let k = ((nats.len() - 1) as f64 * QUANTILE).round() as usize;
    let (_, q, _) = nats.select_nth_unstable_by(k, f64::total_cmp);
    *q
}
