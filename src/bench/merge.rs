//! Exposures of different length merged into one recording of high range.
//!
//! Each shorter exposure is brought onto the longest by a straight line, fitted over the points
//! that both hold unclipped; then each point is the mean of those that hold it, weighed by their
//! variances (read noise and photon noise, both measured on the recordings themselves). Where the
//! longest is clipped the shorter ones stand alone.

use super::exposure::exposure_ms;
use super::repeats::{joined_provenance, same_axis};
use super::shape::compare;
use crate::signal::{flag_saturation, noise_of};
use crate::{Error, Mask, Result, Spectrum};

/// Rounds of fitting and leaving out what does not follow.
const ROUNDS: usize = 5;
/// Standard deviations beyond which a point does not follow.
const FAR_SIGMAS: f64 = 4.0;
/// Share of the bright overlap beyond [`FAR_SIGMAS`] that is put up with; more is a change of the
/// light.
const FAR_SHARE: f64 = 0.02;
/// Difference of two exposures at a line from which on it is worth telling; photon noise of any
/// usable line is less.
const TOLD_SHARE: f64 = 0.02;
/// Deviation of the fitted scale from the ratio of the told exposures that is worth telling.
const SCALE_SHARE: f64 = 0.05;
/// Standard deviations above the dark level from which a point carries the scale.
const BRIGHT_SIGMAS: f64 = 10.0;
/// Least correlation of the structure of two exposures of one light; lines that changed against each
/// other by tens of percent are told, another light is refused.
const SAME_LIGHT: f64 = 0.8;
/// Fewest such points in common.
const LEAST_OVERLAP: usize = 8;

/// Middle of the squares of a normal scatter, over its variance (chi-square, one degree of
/// freedom).
const MEDIAN_OF_SQUARES: f64 = 0.4549;

/// One exposure on the scale of the longest.
struct Scaled {
    counts: Vec<f64>,
    /// Standard uncertainty of each point: all of it where it was measured, else read noise alone.
    sigma: Vec<f64>,
    measured: bool,
    usable: Vec<bool>,
    scale: f64,
}

impl Scaled {
    /// Standard uncertainty of a point with so much light above the dark level, where a photon
    /// count of the longest exposure has the variance `gain`.
    fn sigma_at(&self, i: usize, light: f64, gain: f64) -> f64 {
        let photons = if self.measured { 0.0 } else { gain * self.scale * light.max(0.0) };
        (self.sigma[i].powi(2) + photons).sqrt().max(f64::MIN_POSITIVE)
    }
}

/// The exposures as one recording, in the unit of the longest.
///
/// # Errors
/// [`Error::Usage`] for fewer than two; [`Error::Refused`] where the axes differ, or two have too
/// little light in common to find the scale, or are not of one light.
pub fn merge(exposures: &[Spectrum]) -> Result<Spectrum> {
    if exposures.len() < 2 {
        return Err(Error::usage(
            "there is nothing to merge",
            "give two exposures or more of the same light",
        ));
    }
    let mut list: Vec<Spectrum> = exposures.to_vec();
    for s in &mut list {
        flag_saturation(s, None);
    }
    for s in &list[1..] {
        same_axis(&list[0], s)?;
    }
    // The longest first, by what is told, else by the light below any clipping.
    let told: Vec<Option<f64>> = list.iter().map(exposure_ms).collect();
    let key = |i: usize| {
        if told.iter().all(Option::is_some) { told[i].unwrap_or(0.0) } else { brightness(&list[i]) }
    };
    let mut order: Vec<usize> = (0..list.len()).collect();
    order.sort_by(|a, b| key(*b).total_cmp(&key(*a)));
    let longest = &list[order[0]];
    let n = longest.len();
    let mut notes = Vec::new();
    if told.iter().any(Option::is_none) {
        notes.push(format!(
            "No exposure is told of every recording; {} was taken as the longest, since it has the \
             most light.",
            longest.provenance.name
        ));
    }
    let mut scaled: Vec<Scaled> = vec![Scaled {
        counts: longest.counts().to_vec(),
        sigma: read_noise(longest),
        measured: longest.sigma().is_some(),
        usable: longest.mask().iter().map(|m| m.is_good()).collect(),
        scale: 1.0,
    }];
    let zero = quarter(longest.counts());
    let mut gains = Vec::new();
    for pair in order.windows(2) {
        // Against the next longer one: that has the most unclipped light in common.
        let (long, short) = (&scaled[scaled.len() - 1], &list[pair[1]]);
        let name = short.provenance.name.clone();
        let fit = fit(long, short).ok_or_else(|| {
            Error::refused(
                format!("merging {name} with longer exposures"),
                format!("fewer than {LEAST_OVERLAP} bright points are unclipped in both"),
                "record an exposure between them",
            )
        })?;
        let shape = compare(&list[pair[0]], short);
        if !shape.is_same(SAME_LIGHT) {
            return Err(Error::refused(
                format!("merging {name} with {}", list[pair[0]].provenance.name),
                format!("no one factor leads from one to the other: {}", shape.words()),
                "give exposures of the same light",
            ));
        }
        let (offset, scale) = (fit.offset, fit.scale);
        if let (Some(a), Some(b)) = (told[order[0]], told[pair[1]]) {
            let ratio = a / b;
            if (scale / ratio - 1.0).abs() > SCALE_SHARE {
                notes.push(format!(
                    "{name}: the light says {scale:.3}, the exposures {ratio:.3}: the light changed \
                     between them, or an exposure is not as told."
                ));
            }
        }
        let counts: Vec<f64> = short.counts().iter().map(|c| offset + scale * c).collect();
        let sigma: Vec<f64> = read_noise(short).iter().map(|u| scale * u).collect();
        gains.push(fit.gain);
        let usable: Vec<bool> = short.mask().iter().map(|m| m.is_good()).collect();
        if fit.far_share > FAR_SHARE && fit.worst > TOLD_SHARE {
            notes.push(format!(
                "{name}: {:.0} % of the bright points do not follow the longer exposure (the worst by \
                 {:.0} %): the light changed between them (lines against each other).",
                100.0 * fit.far_share,
                100.0 * fit.worst
            ));
        }
        notes.push(format!(
            "{name}: brought onto the longest exposure with scale {scale:.4} ± {:.4} from {} points \
             in common.",
            fit.scale_u, fit.points
        ));
        scaled.push(Scaled { counts, sigma, measured: short.sigma().is_some(), usable, scale });
    }
    gains.sort_by(f64::total_cmp);
    let gain = gains.get(gains.len() / 2).copied().unwrap_or(0.0);
    let mut counts = vec![f64::NAN; n];
    let mut sigma = vec![0.0; n];
    let mut saturated = vec![false; n];
    let mut filled = 0usize;
    for i in 0..n {
        let good: Vec<&Scaled> = scaled.iter().filter(|s| s.usable[i]).collect();
        if good.is_empty() {
            // Clipped in all: the shortest says the least it can have been.
            let dead = list.iter().all(|s| s.mask()[i].has(Mask::DEAD));
            if let Some(last) = scaled.last().filter(|_| !dead) {
                counts[i] = last.counts[i];
                sigma[i] = last.sigma_at(i, last.counts[i] - zero, gain);
                saturated[i] = true;
            }
            continue;
        }
        filled += usize::from(!scaled[0].usable[i]);
        // One figure of the light for all weights, or a low reading would weigh more.
        let light = good.iter().map(|s| s.counts[i]).sum::<f64>() / good.len() as f64 - zero;
        let weight = |s: &Scaled| s.sigma_at(i, light, gain).powi(-2);
        let sum: f64 = good.iter().map(|s| weight(s)).sum();
        counts[i] = good.iter().map(|s| weight(s) * s.counts[i]).sum::<f64>() / sum;
        sigma[i] = sum.powf(-0.5);
    }
    let mut out = Spectrum::new(longest.axis().clone(), counts)?.with_sigma(sigma)?;
    for (i, s) in saturated.iter().enumerate() {
        if *s {
            out.flag(i, Mask::SATURATED);
        }
    }
    out.unit = longest.unit.clone();
    let ordered: Vec<Spectrum> = order.iter().map(|i| list[*i].clone()).collect();
    out.provenance = joined_provenance(&ordered, "exposure");
    out.provenance.notes.extend(notes);
    out.provenance.notes.push(format!(
        "{} exposures merged; {filled} points clipped in the longest were taken from shorter ones, {} \
         are clipped in all.",
        list.len(),
        saturated.iter().filter(|s| **s).count()
    ));
    Ok(out)
}

/// Light above the darkest twentieth, summed over the points that are not clipped.
fn brightness(s: &Spectrum) -> f64 {
    let mut v: Vec<f64> = s.counts().to_vec();
    v.sort_by(f64::total_cmp);
    // The middle of the points is hardly ever clipped; the sum of its upper half tells exposure.
    let zero = v.get(v.len() / 20).copied().unwrap_or(0.0);
    let upto = v.len() * 9 / 10;
    let clipped = s.mask().iter().filter(|m| m.has(Mask::SATURATED)).count() as f64;
    v.iter().take(upto).map(|c| c - zero).sum::<f64>() * (1.0 + clipped)
}

/// Standard uncertainties as measured, else the scatter without that of photons.
fn read_noise(s: &Spectrum) -> Vec<f64> {
    if let Some(u) = s.sigma() {
        return u.to_vec();
    }
    let good: Vec<bool> = s.mask().iter().map(|m| m.is_good()).collect();
    noise_of(s.counts(), &good, None).sigma
}

/// The lower quartile: a level without line.
fn quarter(y: &[f64]) -> f64 {
    let mut v = y.to_vec();
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 4).copied().unwrap_or(0.0)
}

/// `long = offset + scale · short` over the points that both hold.
struct Fit {
    offset: f64,
    scale: f64,
    scale_u: f64,
    points: usize,
    far_share: f64,
    /// Largest relative departure among the points that do not follow.
    worst: f64,
    /// Variance of a count of light in the longest exposure.
    gain: f64,
}

fn fit(long: &Scaled, short: &Spectrum) -> Option<Fit> {
    let own = read_noise(short);
    let measured = short.sigma().is_some();
    let both: Vec<usize> =
        (0..short.len()).filter(|i| long.usable[*i] && short.mask()[*i].is_good()).collect();
    let zero = quarter(&both.iter().map(|i| short.counts()[*i]).collect::<Vec<f64>>());
    let is_bright = |i: usize| short.counts()[i] - zero > BRIGHT_SIGMAS * own[i];
    let bright: Vec<usize> = both.iter().copied().filter(|i| is_bright(*i)).collect();
    if bright.len() < LEAST_OVERLAP {
        return None;
    }
    let mut kept = both.clone();
    let (mut offset, mut scale, mut scale_u) = (0.0, 1.0, 0.0);
    // A first scale from the medians of the bright points, which no change of one line tilts.
    let mut ratios: Vec<f64> = Vec::new();
    let long_zero = quarter(&both.iter().map(|i| long.counts[*i]).collect::<Vec<f64>>());
    for i in &bright {
        ratios.push((long.counts[*i] - long_zero) / (short.counts()[*i] - zero));
    }
    ratios.sort_by(f64::total_cmp);
    let middle = *ratios.get(ratios.len() / 2)?;
    if middle.is_finite() && middle > 0.0 {
        scale = middle;
        offset = long_zero - scale * zero;
    }
    let light = |i: usize, scale: f64| (scale * (short.counts()[i] - zero)).max(0.0);
    let mut gain = 0.0;
    for _ in 0..ROUNDS {
        gain = gain_of(long, short, &own, measured, &bright, (offset, scale, zero));
        let spread = |i: usize, scale: f64| {
            let photons = if measured { 0.0 } else { gain * scale * light(i, scale) };
            let of_short = ((scale * own[i]).powi(2) + photons).sqrt();
            long.sigma_at(i, light(i, scale), gain).hypot(of_short)
        };
        let follows = |i: &usize| {
            (long.counts[*i] - offset - scale * short.counts()[*i]).abs()
                <= FAR_SIGMAS * spread(*i, scale)
        };
        let next: Vec<usize> = both.iter().copied().filter(follows).collect();
        if next.len() * 2 < both.len() {
            break;
        }
        kept = next;
        let (mut s0, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for i in &kept {
            let w = spread(*i, scale).powi(-2);
            let (x, y) = (short.counts()[*i] - zero, long.counts[*i]);
            s0 += w;
            sx += w * x;
            sy += w * y;
            sxx += w * x * x;
            sxy += w * x * y;
        }
        let det = s0 * sxx - sx * sx;
        if det <= 1e-12 * s0 * sxx {
            return None;
        }
        // Noise of the shorter one along x flattens the line by its share of the spread.
        let noise: f64 = kept
            .iter()
            .map(|i| {
                let photons = if measured { 0.0 } else { gain * light(*i, scale) / scale };
                spread(*i, scale).powi(-2) * (own[*i].powi(2) + photons)
            })
            .sum();
        let steady = 1.0 - (noise * s0 / det).clamp(0.0, 0.5);
        scale = (s0 * sxy - sx * sy) / det / steady;
        offset = (sy - scale * sx) / s0 - scale * zero;
        scale_u = (s0 / det).sqrt();
    }
    if !(scale.is_finite() && scale > 0.0 && offset.is_finite()) {
        return None;
    }
    let spread = |i: usize, scale: f64| {
        let photons = if measured { 0.0 } else { gain * scale * light(i, scale) };
        let of_short = ((scale * own[i]).powi(2) + photons).sqrt();
        long.sigma_at(i, light(i, scale), gain).hypot(of_short)
    };
    let away = |i: &&usize| {
        (long.counts[**i] - offset - scale * short.counts()[**i]).abs()
            > FAR_SIGMAS * spread(**i, scale)
    };
    let far: Vec<&usize> = bright.iter().filter(away).collect();
    let worst = far
        .iter()
        .map(|i| {
            let light = scale * (short.counts()[**i] - zero);
            ((long.counts[**i] - offset - scale * short.counts()[**i]) / light).abs()
        })
        .fold(0.0, f64::max);
    Some(Fit {
        offset,
        scale,
        scale_u,
        points: kept.len(),
        far_share: far.len() as f64 / bright.len() as f64,
        worst,
        gain,
    })
}

/// Variance of a count of light in the longest exposure, from how far the bright points of two
/// exposures lie from the line between them. The middle of all, so that a line whose light changed
/// has no say.
fn gain_of(
    long: &Scaled,
    short: &Spectrum,
    own: &[f64],
    measured: bool,
    bright: &[usize],
    (offset, scale, zero): (f64, f64, f64),
) -> f64 {
    if measured || long.measured {
        return 0.0;
    }
    let mut each: Vec<f64> = bright
        .iter()
        .map(|i| {
            let away = long.counts[*i] - offset - scale * short.counts()[*i];
            let read = long.sigma[*i].powi(2) + (scale * own[*i]).powi(2);
            let light = (scale * (short.counts()[*i] - zero)).max(f64::MIN_POSITIVE);
            (away * away / MEDIAN_OF_SQUARES - read) / (light * (long.scale + scale))
        })
        .collect();
    each.sort_by(f64::total_cmp);
    each.get(each.len() / 2).copied().unwrap_or(0.0).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;
    use rand::{SeedableRng, rngs::ChaCha8Rng};
    use rand_distr::{Distribution, StandardNormal};

    const N: usize = 2048;
    const READ: f64 = 6.0;
    const GAIN: f64 = 0.4;
    const TOP: f64 = 65535.0;

    /// Light in each ms; the last line changes by `change`.
    fn light(i: usize, change: f64) -> f64 {
        let line = |at: f64, h: f64| h * (-0.5 * ((i as f64 - at) / 2.5).powi(2)).exp();
        line(200.0, 4.0)
            + line(600.0, 60.0)
            + line(1000.0, 900.0)
            + line(1400.0, 25.0)
            + line(1800.0, 250.0 * change)
            + 0.3
    }

    fn exposed(ms: f64, change: f64, seed: u64, told: bool) -> Spectrum {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let counts = (0..N)
            .map(|i| {
                let t = ms * light(i, change);
                let deviate: f64 = StandardNormal.sample(&mut rng);
                (1200.0 + t + (READ * READ + GAIN * t).sqrt() * deviate).round().min(TOP)
            })
            .collect();
        let mut s = Spectrum::new(Axis::pixels(N), counts).unwrap();
        s.provenance.name = format!("{ms} ms");
        if told {
            s.provenance.metadata.push(("exposure".into(), format!("{ms} ms")));
        }
        s
    }

    #[test]
    fn the_range_grows_and_the_uncertainties_hold() {
        for told in [true, false] {
            let m = merge(&[
                exposed(20.0, 1.0, 1, told),
                exposed(1000.0, 1.0, 2, told),
                exposed(150.0, 1.0, 3, told),
            ])
            .unwrap();
            assert!(m.mask().iter().all(|m| m.is_good()), "{:?}", m.provenance.notes);
            let truth = |i: usize| 1200.0 + 1000.0 * light(i, 1.0);
            // The strongest line would need fourteen times the converter's range.
            assert!((m.counts()[1000] / truth(1000) - 1.0).abs() < 0.02, "{}", m.counts()[1000]);
            let pull = |i: usize| (m.counts()[i] - truth(i)) / m.sigma().unwrap()[i];
            let dark: Vec<f64> = (0..150).chain(700..900).map(pull).collect();
            let rms = (dark.iter().map(|p| p * p).sum::<f64>() / dark.len() as f64).sqrt();
            assert!((0.7..1.4).contains(&rms), "{rms}");
            assert!(
                !m.provenance.notes.iter().any(|n| n.contains("changed")),
                "{:?}",
                m.provenance.notes
            );
        }
    }

    #[test]
    fn a_light_that_changes_is_told() {
        let m = merge(&[exposed(1000.0, 1.0, 5, true), exposed(100.0, 1.5, 6, true)]).unwrap();
        assert!(
            m.provenance.notes.iter().any(|n| n.contains("lines against each other")),
            "{:?}",
            m.provenance.notes
        );
        let mut dim = exposed(100.0, 1.0, 7, false);
        dim.provenance.metadata.push(("exposure".into(), "130 ms".into()));
        let m = merge(&[exposed(1000.0, 1.0, 5, true), dim]).unwrap();
        assert!(
            m.provenance.notes.iter().any(|n| n.contains("not as told")),
            "{:?}",
            m.provenance.notes
        );
    }

    #[test]
    fn another_light_is_no_exposure() {
        let long = exposed(1000.0, 1.0, 11, false);
        let mut counts = exposed(100.0, 1.0, 12, false).counts().to_vec();
        counts.rotate_right(130);
        let mut other = Spectrum::new(Axis::pixels(N), counts).unwrap();
        other.provenance.name = "other".into();
        let e = merge(&[other, long.clone()]).unwrap_err().to_string();
        assert!(e.contains("other with 1000 ms") && e.contains("no one factor"), "{e}");
        let m = merge(&[exposed(100.0, 1.0, 12, false), long]).unwrap();
        let said = |n: &String| n.contains("1000 ms was taken as the longest");
        assert!(m.provenance.notes.iter().any(said), "{:?}", m.provenance.notes);
    }

    #[test]
    fn what_cannot_be_merged_is_refused() {
        assert!(merge(&[exposed(10.0, 1.0, 8, true)]).is_err());
        let flat =
            Spectrum::new(Axis::pixels(N), (0..N).map(|i| 1200.0 + (i % 3) as f64).collect())
                .unwrap();
        let e = merge(&[exposed(1000.0, 1.0, 9, true), flat]).unwrap_err().to_string();
        assert!(e.contains("bright points"), "{e}");
    }
}
