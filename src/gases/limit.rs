//! From what height on a species would have been seen.

use super::Limit;
use super::bands::Shape;
use super::evidence::Showing;
use super::pattern::{Feature, Pattern};
use super::rotation::{Drawn, sticks, system};
use super::verdict::{Case, FREE_SHARE, REACH_SHARE};
use crate::signal::REACH_FWHM;
use crate::signal::fit::pseudo_voigt;

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

/// Index of the rotational temperature with which a band is drawn that is not there: the middle one.
const MIDDLE_TEMPERATURE: usize = 2;
/// Points a line width in the sums over a band.
const POINTS_A_WIDTH: f64 = 10.0;
/// How far the flank of a neighbouring band reaches, nm.
const NEIGHBOURS_NM: f64 = 8.0;
/// How far from its head a band's highest place is, in line widths, at most.
const BESIDE_FWHM: f64 = 1.5;
/// Power of the share that is read of a band alone which comes to what is read of it: of its flank and of the
/// bands beside it part is found as peaks and taken off before the level is sought. Measured, not derived: with
/// 1 the readings of bands at their limit (seeds from 4,300,000 on) lay above the decision threshold by 2.5 to
/// 5 times where lines do by 2.4, the more the smaller the share; `tests/confidence/limits.rs` judges it on
/// other seeds.
const TAKEN_OFF: f64 = 0.5;
/// Least share of its height that is read of a band: what is broader is no feature that is read as a line.
const LEAST_READ: f64 = 0.2;

impl Limit {
    /// Height in counts, as it is read by the shape of a line, above which a line is detected: nothing is
    /// read as more in 5 of 100 recordings, a line or band at the limit in 95 (Currie's decision threshold
    /// L_C).
    pub fn decision_counts(&self) -> f64 {
        DECISION_SHARE * self.counts * self.read_share
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
            Showing::Nothing { below, .. } => Some((f, *below)),
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
        .map(|(f, counts)| {
            let read_share = read_of(case, p, f).powf(TAKEN_OFF);
            let counts = counts / read_share;
            Limit {
                read_share,
                line_nm: f.label_nm,
                relative_to_strongest: counts / case.scene.tallest.max(f64::MIN_POSITIVE),
                counts,
            }
        })
}

/// What is read of a feature of unit height at its highest place by a line's shape and a level: 1 of a
/// line; less of a band whose shape is known, as its flank and those of its neighbours pass for the level.
fn read_of(case: &Case, p: &Pattern, f: &Feature) -> f64 {
    let Some(s) = system(&p.name).filter(|_| f.v.is_some()) else { return 1.0 };
    let (fwhm, eta) = (case.scene.width.fwhm(f.nm), case.peaks.lorentzian_share);
    let reach = NEIGHBOURS_NM + REACH_FWHM * fwhm;
    let bands: Vec<(f64, f64, Drawn)> = p
        .features
        .iter()
        .filter(|o| (o.label_nm - f.label_nm).abs() < reach)
        .filter_map(|o| {
            let rotating = sticks(s, o.v?, s.temperatures_k[MIDDLE_TEMPERATURE]);
            let drawn = Drawn::new(&rotating, o.label_nm, fwhm, eta);
            Some((o.label_nm, o.weight[1], drawn))
        })
        .collect();
    let light = |nm: f64| bands.iter().map(|(head, w, b)| w * b.at(nm - head)).sum();
    read_as_line(&light, f.label_nm, fwhm, eta).clamp(LEAST_READ, 1.0)
}

/// Least squares of a line and a level on light, over the reach of a reading about its highest place
/// within [`BESIDE_FWHM`] of `nm`: height of the line over that of the light.
fn read_as_line(light: &dyn Fn(f64) -> f64, nm: f64, fwhm: f64, eta: f64) -> f64 {
    let step = fwhm / POINTS_A_WIDTH;
    let steps = |widths: f64| {
        let half = (widths * POINTS_A_WIDTH) as i32;
        (-half..=half).map(move |k| f64::from(k) * step)
    };
    let (top, at) = steps(BESIDE_FWHM)
        .map(|d| (light(nm + d), nm + d))
        .fold((f64::MIN_POSITIVE, nm), |a, b| if b.0 > a.0 { b } else { a });
    let (mut n, mut g1, mut gg, mut gy, mut y1) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for d in steps(REACH_FWHM) {
        let (g, y) = (pseudo_voigt(d, fwhm, eta).0, light(at + d) / top);
        n += 1.0;
        g1 += g;
        gg += g * g;
        gy += g * y;
        y1 += y;
    }
    (gy * n - g1 * y1) / (gg * n - g1 * g1)
}

/// Limit of the head that would show first as a shape.
pub fn limit_of_shape(case: &Case, s: &Shape) -> Option<Limit> {
    let (line_nm, counts) = s.limit.filter(|(_, c)| c.is_finite() && *c > 0.0)?;
    Some(Limit {
        read_share: 1.0,
        line_nm,
        relative_to_strongest: counts / case.scene.tallest.max(f64::MIN_POSITIVE),
        counts,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line is read as it is; of nitrogen's band at 337.1 nm, which fades over nanometres, less is read
    /// by an instrument of half a nanometre than by one of a whole.
    #[test]
    fn less_is_read_of_a_band_than_of_a_line() {
        let s = system("N2 (C-B)").unwrap();
        let read = |fwhm: f64| {
            let rotating = sticks(s, (0, 0), s.temperatures_k[MIDDLE_TEMPERATURE]);
            let band = Drawn::new(&rotating, 337.13, fwhm, 0.0);
            read_as_line(&|nm| 3.0 * band.at(nm - 337.13), 337.13, fwhm, 0.0)
        };
        let line = |nm: f64| 2.0 * pseudo_voigt(nm - 500.3, 1.0, 0.0).0;
        assert!((read_as_line(&line, 500.0, 1.0, 0.0) - 1.0).abs() < 0.02);
        assert!(read(0.5) < read(1.0) - 0.05 && read(1.0) < 0.97, "{} {}", read(0.5), read(1.0));
    }
}
