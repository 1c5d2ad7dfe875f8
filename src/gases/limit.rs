//! From what height on a species would have been seen.

use super::Limit;
use super::bands::Shape;
use super::evidence::Showing;
use super::verdict::{Case, FREE_SHARE, REACH_SHARE};

/// Currie's factor of the detection limit for 5 % / 5 %: 2 · 1.645 (Anal. Chem. 40 (1968) 586).
const CURRIE_DETECTION: f64 = 3.29;

/// Limit on the free feature that would show first.
pub fn limit(case: &Case, k: usize) -> Option<Limit> {
    let (p, j) = (&case.patterns[k], &case.judged[k]);
    let z = case.peaks.threshold_sigma.max(1.0);
    p.features
        .iter()
        .zip(&j.evidence.showing)
        .filter(|(f, _)| f.weight[1] >= REACH_SHARE)
        .filter_map(|(f, w)| match w {
            Showing::Nothing { below } => Some((f, *below)),
            Showing::Peak { index, .. }
                if j.others[*index] < FREE_SHARE * case.scene.peaks[*index].height =>
            {
                Some((f, (case.scene.threshold)(f.nm)))
            }
            _ => None,
        })
        .filter(|(_, below)| below.is_finite())
        .min_by(|a, b| (a.1 / a.0.weight[1]).total_cmp(&(b.1 / b.0.weight[1])))
        .map(|(f, below)| {
            let counts = CURRIE_DETECTION / z * below;
            Limit {
                line_nm: f.label_nm,
                relative_to_strongest: counts / case.scene.tallest.max(f64::MIN_POSITIVE),
                counts,
            }
        })
}

/// Limit of the head that would show first as a shape.
pub fn limit_of_shape(case: &Case, s: &Shape) -> Option<Limit> {
    let (line_nm, counts) = s.limit.filter(|(_, c)| c.is_finite() && *c > 0.0)?;
    Some(Limit {
        line_nm,
        relative_to_strongest: counts / case.scene.tallest.max(f64::MIN_POSITIVE),
        counts,
    })
}
