//! Repeated recordings of one thing: their mean, and the noise as it was, not as assumed.
//!
//! The scatter of a few repeats at one single point is a poor estimate of the noise there (with
//! three repeats it is off by a factor of two more often than not), so the scatter of all points
//! together carries a line, variance against level: its intercept is the read noise, its slope the
//! gain. This is the photon-transfer method (J. R. Janesick, *Photon Transfer*, SPIE 2007).
//! Changes of brightness and of dark level from one repeat to the next, common to all points, are
//! taken out first: they move no line.

use super::shape::compare;
use crate::{Error, Mask, Result, Spectrum};

/// Two axes are the same when no point differs by more than this share of a step; exports of one
/// instrument agree exactly, and rounding on the way cannot exceed it.
const SAME_AXIS_STEPS: f64 = 0.01;
/// A point whose variance exceeds the line by this factor was hit by something (a cosmic ray, a
/// switch); with two repeats the chance of that is 8e-6 a point (chi-square, one degree of
/// freedom).
const OUTLIER_RATIO: f64 = 20.0;
/// Rounds of reweighting; the line stands still after four.
const ROUNDS: usize = 8;
/// Rounds of matching the repeats' levels, each without the points that the one before found hit.
const MATCHES: usize = 3;
/// Scatter of a whole recording around the middle of all, over that of the others, from which on it
/// is no repeat of them; the figure of one of equal recordings varies by some tenths.
const STRANGER_RATIO: f64 = 3.0;
/// Share of the points that may be hit without a recording counting as another.
const HIT_SHARE: f64 = 0.002;
/// Least correlation of the structure of repeats: departures of a sixth of all structure. Two tubes
/// of one gas with different traces reach 0.98, recordings of one thing 0.99 and more.
const SAME_SHAPE: f64 = 0.985;
/// Change of brightness between repeats that is worth a note.
const NOTED_CHANGE: f64 = 0.05;

/// The mean of repeated recordings, with standard uncertainties from their scatter. One recording
/// is given back as it is.
///
/// A point without a value in some repeats is the mean of the others; a point that was saturated
/// in any repeat counts as saturated.
///
/// # Errors
/// [`Error::Usage`] for none; [`Error::Refused`] where the axes differ, and where a recording has
/// another shape than the rest, without a majority that says which one is wrong.
pub fn average(repeats: &[Spectrum]) -> Result<Spectrum> {
    let Some(first) = repeats.first() else {
        return Err(Error::usage("there is no recording to average", "give at least one"));
    };
    if repeats.len() == 1 {
        return Ok(first.clone());
    }
    for other in &repeats[1..] {
        same_axis(first, other)?;
    }
    let n = first.len();
    let (kept, left_out) = without_strangers(repeats);
    let repeats = &kept[..];
    same_shape(repeats)?;
    let mean: Vec<f64> = (0..n).map(|i| mean_at(repeats, i)).collect();
    let mut out = Spectrum::new(first.axis().clone(), mean.clone())?;
    for s in repeats {
        for (i, m) in s.mask().iter().enumerate() {
            for flag in [Mask::SATURATED, Mask::OUTSIDE] {
                if m.has(flag) {
                    out.flag(i, flag);
                }
            }
        }
    }
    out.unit = first.unit.clone();
    out.provenance = joined_provenance(repeats, "repeat");
    out.provenance.notes.extend(left_out);
    // Points that carry the noise: all repeats have them, and nothing hit them.
    let mut steady: Vec<usize> =
        (0..n).filter(|i| repeats.iter().all(|s| s.mask()[*i].is_good())).collect();
    let mut levels = match_levels(repeats, &mean, &steady);
    let mut line = None;
    let mut variance = vec![None; n];
    for _ in 0..MATCHES {
        for i in (0..n).filter(|i| repeats.iter().all(|s| !s.mask()[*i].has(Mask::DEAD))) {
            variance[i] = Some(variance_at(repeats, &levels, i));
        }
        let pairs: Vec<(f64, f64)> =
            steady.iter().filter_map(|i| Some((mean[*i], variance[*i]?))).collect();
        line = variance_line(&pairs);
        let Some(l) = &line else { break };
        steady.retain(|i| !l.is_outlier(mean[*i], variance[*i]));
        levels = match_levels(repeats, &mean, &steady);
    }
    let note = match line {
        Some(line) => {
            let root_n = (repeats.len() as f64).sqrt();
            let sigma = (0..n).map(|i| line.sigma(mean[i], variance[i]) / root_n).collect();
            out = out.with_sigma(sigma)?;
            format!(
                "mean of {} recordings; noise from their scatter: {:.3} {unit} a point in the \
                 dark, {:.3} {unit} a unit of signal on top, in variance",
                repeats.len(),
                line.dark.sqrt(),
                line.gain,
                unit = out.unit
            )
        }
        None => format!(
            "mean of {} recordings that show no scatter; noise estimated from the mean",
            repeats.len()
        ),
    };
    out.provenance.notes.push(note);
    let change = levels.iter().map(|f| (f.1 - 1.0).abs()).fold(0.0, f64::max);
    if change > NOTED_CHANGE {
        out.provenance.notes.push(format!(
            "brightness changed by up to {:.0} % between the recordings",
            100.0 * change
        ));
    }
    Ok(out)
}

pub(super) fn same_axis(a: &Spectrum, b: &Spectrum) -> Result<()> {
    let why = if a.axis().kind() != b.axis().kind() {
        "one is in nm, the other in pixels".to_string()
    } else if a.len() != b.len() {
        format!("{} points against {}", a.len(), b.len())
    } else {
        let far =
            |i: &usize| (a.x()[*i] - b.x()[*i]).abs() > SAME_AXIS_STEPS * a.axis().step(*i).abs();
        match (0..a.len()).find(far) {
            Some(i) => format!("{} against {} at point {}", a.x()[i], b.x()[i], i + 1),
            None => return Ok(()),
        }
    };
    Err(Error::refused(
        format!(
            "{} together with {}",
            super::examine::shown_name(a),
            super::examine::shown_name(b)
        ),
        format!("their axes differ ({why})"),
        "list them as items of their own",
    ))
}

/// Refuses recordings of different things.
fn same_shape(repeats: &[Spectrum]) -> Result<()> {
    let Some((first, others)) = repeats.split_first() else { return Ok(()) };
    for other in others {
        let shape = compare(first, other);
        if !shape.is_same(SAME_SHAPE) {
            return Err(Error::refused(
                format!("mean of {} recordings", repeats.len()),
                format!(
                    "{} is not a repeat of {}: {}",
                    super::examine::shown_name(other),
                    super::examine::shown_name(first),
                    shape.words()
                ),
                "give recordings of one thing, made in the same way",
            ));
        }
    }
    Ok(())
}

/// The recordings that are repeats of each other, and a sentence on each that is none (the light
/// was off, the fibre had moved). Needs three, of which the majority is right.
fn without_strangers(repeats: &[Spectrum]) -> (Vec<Spectrum>, Vec<String>) {
    if repeats.len() < 3 {
        return (repeats.to_vec(), Vec::new());
    }
    let at: Vec<usize> =
        (0..repeats[0].len()).filter(|i| repeats.iter().all(|s| s.mask()[*i].is_good())).collect();
    if at.len() < 8 {
        return (repeats.to_vec(), Vec::new());
    }
    let middle_of = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        let n = values.len();
        0.5 * (values[(n - 1) / 2] + values[n / 2])
    };
    let middle: Vec<f64> = (0..repeats[0].len())
        .map(|i| middle_of(&mut repeats.iter().map(|s| s.counts()[i]).collect()))
        .collect();
    let hits = (HIT_SHARE * at.len() as f64).ceil() as usize;
    let scatter: Vec<f64> = repeats
        .iter()
        .map(|s| {
            let mut own = at.clone();
            let mut rms = 0.0;
            // A hit tilts the level at first; without it the level is right.
            for _ in 0..2 {
                let level = match_levels(std::slice::from_ref(s), &middle, &own);
                let (offset, scale) = level.first().copied().unwrap_or((0.0, 1.0));
                let away = |i: usize| ((s.counts()[i] - offset) / scale - middle[i]).powi(2);
                own.sort_by(|a, b| away(*a).total_cmp(&away(*b)));
                own.truncate(own.len() - hits.min(own.len() / 2));
                rms = (own.iter().map(|i| away(*i)).sum::<f64>() / own.len() as f64).sqrt();
            }
            rms
        })
        .collect();
    let mut kept = Vec::new();
    let mut notes = Vec::new();
    for (k, s) in repeats.iter().enumerate() {
        let mut others: Vec<f64> =
            scatter.iter().enumerate().filter(|(j, _)| *j != k).map(|(_, v)| *v).collect();
        let usual = middle_of(&mut others);
        if scatter[k] > STRANGER_RATIO * usual && usual > 0.0 {
            notes.push(format!(
                "{} was left out: it departs from the other repeats {:.0} times as far as they from \
                 each other",
                s.provenance.name,
                scatter[k] / usual
            ));
        } else {
            kept.push(s.clone());
        }
    }
    // Where the majority disagrees, nothing says who is right.
    if kept.len() * 2 <= repeats.len() { (repeats.to_vec(), Vec::new()) } else { (kept, notes) }
}

/// Mean of the repeats that recorded something at point `i`; NaN where none did.
fn mean_at(repeats: &[Spectrum], i: usize) -> f64 {
    let values = repeats.iter().filter(|s| !s.mask()[i].has(Mask::DEAD)).map(|s| s.counts()[i]);
    let (sum, count) = values.fold((0.0, 0.0), |(s, c), v| (s + v, c + 1.0));
    sum / count
}

/// Variance of the repeats at point `i`, each brought to the common level.
fn variance_at(repeats: &[Spectrum], levels: &[(f64, f64)], i: usize) -> f64 {
    let k = repeats.len() as f64;
    let level = |(s, (offset, scale)): (&Spectrum, &(f64, f64))| (s.counts()[i] - offset) / scale;
    let m = repeats.iter().zip(levels).map(level).sum::<f64>() / k;
    repeats.iter().zip(levels).map(|p| (level(p) - m).powi(2)).sum::<f64>() / (k - 1.0)
}

/// Offset and scale of each repeat against the mean (least squares over the points `at`).
fn match_levels(repeats: &[Spectrum], mean: &[f64], at: &[usize]) -> Vec<(f64, f64)> {
    let count = at.len() as f64;
    let mm = at.iter().map(|i| mean[*i]).sum::<f64>() / count;
    let sxx: f64 = at.iter().map(|i| (mean[*i] - mm).powi(2)).sum();
    repeats
        .iter()
        .map(|s| {
            let cm = at.iter().map(|i| s.counts()[*i]).sum::<f64>() / count;
            let sxy: f64 = at.iter().map(|i| (mean[*i] - mm) * (s.counts()[*i] - cm)).sum();
            let scale = sxy / sxx;
            // A repeat without any structure of its own has no scale to take out.
            if scale.is_finite() && scale > 0.0 { (cm - scale * mm, scale) } else { (0.0, 1.0) }
        })
        .collect()
}

/// Variance of one recording against its level: `dark + gain · (level − zero)`.
struct VarianceLine {
    zero: f64,
    dark: f64,
    gain: f64,
}

impl VarianceLine {
    fn variance(&self, level: f64) -> f64 {
        self.dark + self.gain * (level - self.zero).max(0.0)
    }

    /// Standard uncertainty of one recording at a point with this mean and this own variance.
    fn sigma(&self, level: f64, own: Option<f64>) -> f64 {
        let line = if level.is_finite() { self.variance(level) } else { self.dark };
        match own {
            Some(v) if self.is_outlier(level, own) => v.sqrt(),
            _ => line.sqrt(),
        }
    }

    fn is_outlier(&self, level: f64, own: Option<f64>) -> bool {
        own.is_some_and(|v| v > OUTLIER_RATIO * self.variance(level))
    }
}

/// The line through pairs of level and variance; `None` where there is no variance at all.
fn variance_line(pairs: &[(f64, f64)]) -> Option<VarianceLine> {
    let mut levels: Vec<f64> = pairs.iter().map(|p| p.0).collect();
    levels.sort_by(f64::total_cmp);
    // Signal counts from the dark level, of which the lowest twentieth is a steady estimate.
    let zero = *levels.get(levels.len() / 20)?;
    // A first line from medians, which no hit can tilt: the dark half, then the bright end.
    let middle = levels[levels.len() / 2];
    let bright = levels[levels.len() - 1 - levels.len() / 20];
    let start = median(pairs.iter().filter(|p| p.0 <= middle).map(|p| p.1))?;
    let slopes = pairs.iter().filter(|p| p.0 >= bright && p.0 > zero);
    let gain = median(slopes.map(|p| (p.1 - start) / (p.0 - zero))).unwrap_or(0.0).max(0.0);
    if !(start > 0.0 || gain > 0.0) {
        return None;
    }
    // Never quite noiseless, so that no weight becomes infinite.
    let least = 1e-6 * (start + gain * (bright - zero));
    let mut line = VarianceLine { zero, dark: start.max(least), gain };
    // The variance of an estimated variance goes with its square, hence the weights.
    for _ in 0..ROUNDS {
        let (mut s0, mut s1, mut s2, mut t0, mut t1) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (level, v) in pairs {
            if line.is_outlier(*level, Some(*v)) {
                continue;
            }
            let w = line.variance(*level).powi(-2);
            let c = (level - zero).max(0.0);
            s0 += w;
            s1 += w * c;
            s2 += w * c * c;
            t0 += w * v;
            t1 += w * c * v;
        }
        let det = s0 * s2 - s1 * s1;
        let (mut dark, mut gain) = if det > 1e-12 * s0 * s2 {
            ((s2 * t0 - s1 * t1) / det, (s0 * t1 - s1 * t0) / det)
        } else {
            (t0 / s0, 0.0)
        };
        if gain < 0.0 {
            (dark, gain) = (t0 / s0, 0.0);
        } else if dark < 0.0 {
            (dark, gain) = (0.0, t1 / s2);
        }
        line = VarianceLine { zero, dark: dark.max(least), gain };
    }
    (line.dark.is_finite() && line.gain.is_finite()).then_some(line)
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut v: Vec<f64> = values.collect();
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 2).copied()
}

/// Provenance of several recordings made one; `each` is what one of them is called.
pub(super) fn joined_provenance(repeats: &[Spectrum], each: &str) -> crate::Provenance {
    let mut p = repeats.first().map(|s| s.provenance.clone()).unwrap_or_default();
    p.sha256 = None;
    p.path = None;
    for (k, s) in repeats.iter().enumerate() {
        let q = &s.provenance;
        let file = q.path.as_deref().and_then(std::path::Path::file_name);
        let file = file.map_or_else(|| q.name.clone(), |f| f.to_string_lossy().into_owned());
        let digest = q.sha256.as_deref().unwrap_or("without digest");
        p.metadata.push((format!("{each} {}", k + 1), format!("{file} sha256 {digest}")));
        for note in &q.notes {
            if !p.notes.contains(note) {
                p.notes.push(note.clone());
            }
        }
    }
    p
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;
    use rand::{SeedableRng, rngs::ChaCha8Rng};
    use rand_distr::{Distribution, StandardNormal};

    const READ: f64 = 4.0;
    const GAIN: f64 = 0.5;

    fn truth(i: usize) -> f64 {
        let line = |at: f64, h: f64| h * (-0.5 * ((i as f64 - at) / 3.0).powi(2)).exp();
        line(300.0, 8000.0) + line(900.0, 2000.0) + line(1500.0, 20000.0)
    }

    fn recording(seed: u64, brightness: f64) -> Spectrum {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let counts = (0..2048)
            .map(|i| {
                let t = brightness * truth(i);
                let deviate: f64 = StandardNormal.sample(&mut rng);
                1000.0 + t + (READ * READ + GAIN * t).sqrt() * deviate
            })
            .collect();
        Spectrum::new(Axis::pixels(2048), counts).unwrap()
    }

    #[test]
    fn scatter_gives_back_read_noise_and_gain() {
        for n in [2, 3, 8] {
            let set: Vec<Spectrum> =
                (0..n).map(|k| recording(k, 1.0 + 0.02 * (k % 3) as f64)).collect();
            let m = average(&set).unwrap();
            let root_n = (n as f64).sqrt();
            let sigma = m.sigma().unwrap();
            // 2048 points with n - 1 degrees of freedom each: 2 to 3 % in the dark.
            assert!((sigma[10] * root_n / READ - 1.0).abs() < 0.08, "{n}: {}", sigma[10] * root_n);
            let top = (READ * READ + GAIN * 20000.0).sqrt();
            assert!((sigma[1500] * root_n / top - 1.0).abs() < 0.35, "{n}: {}", sigma[1500]);
        }
    }

    #[test]
    fn a_hit_in_one_repeat_makes_its_own_point_doubtful_and_no_other() {
        let mut set: Vec<Spectrum> = (0..4).map(|k| recording(k, 1.0)).collect();
        let mut counts = set[2].counts().to_vec();
        counts[600] += 30000.0;
        set[2] = Spectrum::new(Axis::pixels(2048), counts).unwrap();
        let m = average(&set).unwrap();
        let sigma = m.sigma().unwrap();
        assert!(sigma[600] > 1000.0, "{}", sigma[600]);
        assert!((sigma[610] * 2.0 / READ - 1.0).abs() < 0.1, "{}", sigma[610]);
    }

    #[test]
    fn a_recording_that_is_no_repeat_is_named_and_left_out() {
        let mut set: Vec<Spectrum> = (0..5).map(|k| recording(k, 1.0)).collect();
        let mut moved = set[3].counts().to_vec();
        moved.rotate_right(4);
        set[3] = Spectrum::new(Axis::pixels(2048), moved).unwrap();
        set[3].provenance.name = "moved".into();
        let m = average(&set).unwrap();
        assert!(m.provenance.notes.iter().any(|n| n.starts_with("moved was left out")));
        assert!((m.counts()[300] - 9000.0).abs() < 200.0, "{}", m.counts()[300]);
        let off =
            Spectrum::new(Axis::pixels(2048), (0..2048).map(|i| 1000.0 + (i % 7) as f64).collect());
        set[3] = off.unwrap();
        set[3].provenance.name = "off".into();
        assert!(average(&set).unwrap().provenance.notes.iter().any(|n| n.starts_with("off was")));
        let good: Vec<Spectrum> = (0..5).map(|k| recording(k, 1.0 + 0.1 * k as f64)).collect();
        assert!(!average(&good).unwrap().provenance.notes.iter().any(|n| n.contains("left out")));
    }

    #[test]
    fn recordings_of_different_things_are_refused() {
        let other = |k: u64| {
            let mut counts = recording(k, 1.0).counts().to_vec();
            counts.rotate_right(60 * k as usize);
            let mut s = Spectrum::new(Axis::pixels(2048), counts).unwrap();
            s.provenance.name = format!("thing {k}");
            s
        };
        for n in [2, 3, 4, 6] {
            let list: Vec<Spectrum> = (1..=n).map(other).collect();
            let e = average(&list).unwrap_err().to_string();
            assert!(e.contains("thing 2 is not a repeat of thing 1"), "{n}: {e}");
        }
    }

    #[test]
    fn missing_and_saturated_points_are_kept_apart() {
        let a = Spectrum::new(Axis::pixels(3), vec![1.0, f64::NAN, f64::NAN]).unwrap();
        let mut b = Spectrum::new(Axis::pixels(3), vec![3.0, 5.0, f64::NAN]).unwrap();
        b.flag(0, Mask::SATURATED);
        let m = average(&[a, b]).unwrap();
        assert_eq!(m.counts(), [2.0, 5.0, 0.0]);
        assert!(m.mask()[0].has(Mask::SATURATED) && m.mask()[1].is_good());
        assert!(m.mask()[2].has(Mask::DEAD));
    }

    #[test]
    fn identical_repeats_claim_no_noise() {
        let s = recording(1, 1.0);
        let m = average(&[s.clone(), s.clone()]).unwrap();
        assert!(m.sigma().is_none());
        assert!(m.provenance.notes.iter().any(|n| n.contains("no scatter")));
        assert_eq!(average(std::slice::from_ref(&s)).unwrap(), s);
    }

    #[test]
    fn different_axes_are_refused() {
        let a = Spectrum::new(Axis::pixels(3), vec![1.0; 3]).unwrap();
        let b = Spectrum::new(Axis::pixels(4), vec![1.0; 4]).unwrap();
        assert!(average(&[a, b]).unwrap_err().to_string().contains("3 points against 4"));
        assert!(average(&[]).is_err());
    }
}
