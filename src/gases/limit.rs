//! From what height on a species would have been seen.

use super::Limit;
use super::bands::Shape;
use super::evidence::Showing;
use super::verdict::{Case, FREE_SHARE, REACH_SHARE};

/// Standard deviations beyond which 5 % of a normal distribution lie.
const ONE_SIDED_95: f64 = 1.645;
/// Scatter of the height that is read of a line at its limit, over the uncertainty where nothing is. A
/// line lifts its own baseline a little, and in a line-rich tube the level under it is not quite flat.
/// Measured, not derived: of 1,196 limits of simulated tubes (seeds from 4,000,000 on) one in twenty was read
/// 2.27 uncertainties low, 1.4 times the 1.645 of a normal distribution. `tests/confidence/limits.rs`
/// judges it on other seeds.
const SCATTER_OF_A_LINE: f64 = 1.4;
/// Decision threshold over detection limit where the two scatters differ: L_C = k σ₀, L_D = L_C + k σ_D
/// (L. Currie, Anal. Chem. 40 (1968) 586).
const DECISION_SHARE: f64 = 1.0 / (1.0 + SCATTER_OF_A_LINE);
/// Detection limit over the uncertainty where nothing is.
pub(super) const DETECTION: f64 = ONE_SIDED_95 / DECISION_SHARE;
/// Features that are read off the recording, those with the lowest thresholds: the line that shows
/// first is among them.
const READ_OFF: usize = 8;

impl Limit {
    /// Height in counts above which a line is detected: nothing is read as more in 5 of 100
    /// recordings, a line at the limit in 95 (Currie's decision threshold L_C).
    pub fn decision_counts(&self) -> f64 {
        DECISION_SHARE * self.counts
    }
}

/// Limit on the free feature that would show first, from the standard uncertainty of a line's height
/// there, found together with the level under it.
pub fn limit(case: &Case, k: usize) -> Option<Limit> {
    let (p, j) = (&case.patterns[k], &case.judged[k]);
    let z = case.peaks.threshold_sigma.max(1.0);
    let mut free: Vec<_> = p
        .features
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
        .collect();
    free.sort_by(|a, b| (a.1 / a.0.weight[1]).total_cmp(&(b.1 / b.0.weight[1])));
    free.truncate(READ_OFF);
    free.into_iter()
        // In a crowd no point is free of stronger lines: there the search says how uncertain a height
        // is, the doubt about the shape of those lines included.
        .map(|(f, below)| (f, DETECTION * (case.reading)(f.nm).map_or(below / z, |h| h.u)))
        .min_by(|a, b| (a.1 / a.0.weight[1]).total_cmp(&(b.1 / b.0.weight[1])))
        .map(|(f, counts)| Limit {
            line_nm: f.label_nm,
            relative_to_strongest: counts / case.scene.tallest.max(f64::MIN_POSITIVE),
            counts,
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
