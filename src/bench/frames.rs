//! Dark, background and flat, taken off or divided out point by point, with their uncertainties.
//!
//! - A **dark** is what the detector gives without light. It is subtracted; it must have the
//!   exposure of the recording, or two darks of different exposure foretell it point by point
//!   (level + rate · exposure).
//! - A **background** is what it gives with everything but the source: dark and stray light. It is
//!   subtracted instead of the dark, and must have the recording's exposure; with a dark, its light
//!   is scaled to it.
//! - A **flat** is a smooth light. Its own smooth course is taken out of it, and the recording is
//!   divided by what is left: unevenness from pixel to pixel, fringes. It changes no colour.
//!
//! Saturation is looked for before anything is subtracted, since a subtracted top is no longer flat.

use super::examine::shown_name;
use super::exposure::{exposure_ms, same};
use super::repeats::{average, same_axis};
use super::shape::running_median;
use crate::signal::{PeakSettings, find_peaks, flag_saturation, noise_of};
use crate::{Error, Mask, Result, Spectrum};

/// Points of a flat below this share of its median bear no light worth dividing by: the
/// uncertainty would grow twentyfold (common practice, no published source).
const FLAT_LEAST_SHARE: f64 = 0.05;
/// Half width of the running median that is a flat's smooth course, as a share of its points.
const FLAT_WINDOW_SHARE: f64 = 0.02;
/// Standard deviations by which the middle of what is left may lie below zero before a dark is
/// called brighter than the recording.
const BELOW_ZERO_SIGMAS: f64 = 3.0;
/// Standard deviations below the zero of what is left, and share of the points so far below, from
/// which a frame held light that the recording lacks: pixels that warmed up are fewer.
const HOLE_SIGMAS: f64 = 5.0;
const HOLE_SHARE: f64 = 0.02;
/// Significance from which a peak of a dark is a line, and the fewest such lines that make it a
/// recording of light; hot pixels are narrower.
const CLEAR_LINE: f64 = 20.0;
const CLEAR_LINES: usize = 2;
/// Share of the axis from which a peak is a hump rather than a line.
const WIDEST_LINE_SHARE: f64 = 0.05;
/// Height over its course, and fewest points in a row so high, from which a flat has a line; the
/// unevenness of pixels and fringes is tens of percent at most.
const FLAT_LINE_RATIO: f64 = 1.5;
const FLAT_LINE_POINTS: usize = 3;
/// Peaks of a dark that meet peaks of the recording from which on it holds light; one may meet by
/// chance.
const MEETING_PEAKS: usize = 2;

/// The frames of a bench, read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Frames {
    /// Recordings without light; those of one exposure are averaged.
    pub darks: Vec<Spectrum>,
    /// Recordings with everything but the source; averaged.
    pub backgrounds: Vec<Spectrum>,
    /// Recordings of a smooth light; averaged.
    pub flats: Vec<Spectrum>,
}

/// A frame at the exposure that is wanted: counts and their standard uncertainties.
struct Level {
    counts: Vec<f64>,
    sigma: Vec<f64>,
    bad: Vec<bool>,
}

impl Frames {
    /// True where there is nothing to correct by.
    pub fn is_empty(&self) -> bool {
        self.darks.is_empty() && self.backgrounds.is_empty() && self.flats.is_empty()
    }

    /// The recording with dark or background subtracted and the flat divided out. What was done,
    /// and what looks wrong about the frames, becomes notes.
    ///
    /// Uncertainties: where the recording has measured ones, those of the frames are added (sum of
    /// squares, JCGM 100:2008, 5.1.2); where it has none, they are estimated from the result later
    /// on, scatter of the frames included.
    ///
    /// # Errors
    /// [`Error::Refused`] where a frame has another axis, an exposure that cannot be scaled, or is
    /// brighter than the recording.
    pub fn apply(&self, recording: &Spectrum) -> Result<Spectrum> {
        if self.is_empty() {
            return Ok(recording.clone());
        }
        let mut s = recording.clone();
        flag_saturation(&mut s, None);
        let mut notes = Vec::new();
        let time = exposure_ms(&s);
        let dark = self.dark_at(&s, time, &mut notes)?;
        let subtracted = match (self.background_at(&s, time, dark.as_ref(), &mut notes)?, dark) {
            (Some(b), _) => Some(b),
            (None, d) => d,
        };
        let mut counts = s.counts().to_vec();
        let mut sigma = s.sigma().map(<[f64]>::to_vec);
        let mut lost = vec![false; s.len()];
        if let Some(level) = &subtracted {
            for (i, c) in counts.iter_mut().enumerate() {
                *c -= level.counts[i];
                lost[i] |= level.bad[i];
            }
            let good: Vec<bool> =
                (0..s.len()).map(|i| s.mask()[i].is_good() && !level.bad[i]).collect();
            let scatter = noise_of(&counts, &good, None).sigma;
            if let Some(u) = &mut sigma {
                for i in 0..s.len() {
                    // The pattern of a single dark looks like scatter; what is left without it
                    // cannot scatter less than the dark did.
                    u[i] = u[i].hypot(level.sigma[i].min(scatter[i]));
                }
            }
            not_brighter(&s, &counts, &good, &scatter)?;
            let below = counts.iter().filter(|c| **c < 0.0).count();
            let far = (0..s.len())
                .filter(|i| good[*i] && counts[*i] < -BELOW_ZERO_SIGMAS * scatter[*i])
                .count();
            notes.push(format!(
                "{below} of {} points are below zero after that, {far} of them by more than \
                 {BELOW_ZERO_SIGMAS:.0} standard deviations; they were kept.",
                s.len()
            ));
        }
        let mut outside = vec![false; s.len()];
        if !self.flats.is_empty() {
            let flat = self.flat_of(&s, &mut notes)?;
            for i in 0..s.len() {
                if flat.bad[i] {
                    outside[i] = true;
                    continue;
                }
                let f = flat.counts[i];
                counts[i] /= f;
                if let Some(u) = &mut sigma {
                    u[i] = (u[i] / f).hypot(counts[i] * flat.sigma[i] / f);
                }
            }
        }
        let mut out = Spectrum::new(s.axis().clone(), counts)?;
        if let Some(u) = sigma {
            out = out.with_sigma(u)?;
        }
        if let Some(u) = s.axis_u() {
            out = out.with_axis_u(u.to_vec())?;
        }
        for (i, m) in s.mask().iter().enumerate() {
            out.flag(i, *m);
            if lost[i] {
                out.flag(i, Mask::DEAD);
            }
            if outside[i] {
                out.flag(i, Mask::OUTSIDE);
            }
        }
        out.unit = s.unit.clone();
        out.provenance = s.provenance.clone();
        out.provenance.notes.extend(notes);
        Ok(out)
    }

    /// The dark at an exposure.
    fn dark_at(
        &self,
        s: &Spectrum,
        time: Option<f64>,
        notes: &mut Vec<String>,
    ) -> Result<Option<Level>> {
        let Some(first) = self.darks.first() else { return Ok(None) };
        self.darks.iter().try_for_each(|d| same_axis(s, d))?;
        let times: Vec<Option<f64>> = self.darks.iter().map(exposure_ms).collect();
        let matching: Vec<Spectrum> = match time {
            None => self.darks.clone(),
            Some(t) => {
                let fits = |u: &Option<f64>| u.is_none_or(|u| same(t, u));
                let pairs = self.darks.iter().zip(&times);
                pairs.filter(|(_, u)| fits(u)).map(|(d, _)| d.clone()).collect()
            }
        };
        let level = if !matching.is_empty() {
            if time.is_none() || times.iter().any(Option::is_none) {
                notes.push(
                    "The exposure of recording or dark is not told; both were taken as equal."
                        .into(),
                );
            }
            let known: Vec<f64> = times.iter().flatten().copied().collect();
            if time.is_none() && known.windows(2).any(|w| !same(w[0], w[1])) {
                return Err(Error::refused(
                    format!("dark of {}", shown_name(s)),
                    "the darks have different exposures, and that of the recording is not told",
                    "tell its exposure (`exposure-ms` in a sheet), or give one dark",
                ));
            }
            level_of(&average(&matching)?)
        } else {
            let known: Vec<(f64, Spectrum)> = times
                .iter()
                .zip(&self.darks)
                .filter_map(|(t, d)| Some(((*t)?, d.clone())))
                .collect();
            foretold(s, time.unwrap_or_default(), &known)?
        };
        notes.push(format!(
            "A dark was subtracted ({}).",
            names(if matching.is_empty() { &self.darks } else { &matching })
        ));
        for d in if matching.is_empty() { &self.darks } else { &matching } {
            not_lit(d, s)?;
        }
        if let Some(note) = light_in(first, s) {
            notes.push(note);
        }
        Ok(Some(level))
    }

    /// The background at an exposure; with a dark, only its light is scaled.
    fn background_at(
        &self,
        s: &Spectrum,
        time: Option<f64>,
        dark: Option<&Level>,
        notes: &mut Vec<String>,
    ) -> Result<Option<Level>> {
        let Some(first) = self.backgrounds.first() else { return Ok(None) };
        self.backgrounds.iter().try_for_each(|d| same_axis(s, d))?;
        let other = exposure_ms(first);
        let equal = match (time, other) {
            (Some(a), Some(b)) => same(a, b),
            _ => {
                notes.push(
                    "The exposure of recording or background is not told; both were taken as equal."
                        .into(),
                );
                true
            }
        };
        let mut level = level_of(&average(&self.backgrounds)?);
        if let (Some(a), Some(b), false) = (time, other, equal) {
            let Some(dark) = dark else {
                return Err(Error::refused(
                    format!("background of {}", shown_name(s)),
                    format!("it was exposed {b} ms and the recording {a} ms"),
                    "give a dark beside it, or record the background with the same exposure",
                ));
            };
            // The dark of the background itself, then its light brought to the recording.
            let own = self.dark_at(&with_time(first, b), Some(b), &mut Vec::new())?;
            let own = own.as_ref().unwrap_or(dark);
            let scale = a / b;
            for i in 0..level.counts.len() {
                level.counts[i] = dark.counts[i] + scale * (level.counts[i] - own.counts[i]);
                level.sigma[i] = (scale * level.sigma[i].hypot(own.sigma[i])).hypot(dark.sigma[i]);
                level.bad[i] |= own.bad[i];
            }
            notes.push(format!("The light of the background was scaled by {scale:.3}."));
        }
        notes.push(format!("A background was subtracted ({}).", names(&self.backgrounds)));
        Ok(Some(level))
    }

    /// What a recording has to be divided by: 1 on average.
    fn flat_of(&self, s: &Spectrum, notes: &mut Vec<String>) -> Result<Level> {
        self.flats.iter().try_for_each(|f| same_axis(s, f))?;
        let mut mean = average(&self.flats)?;
        flag_saturation(&mut mean, None);
        let time = exposure_ms(&mean);
        let dark = self.dark_at(&mean, time, &mut Vec::new())?;
        let mut level = level_of(&mean);
        if let Some(d) = dark {
            for i in 0..level.counts.len() {
                level.counts[i] -= d.counts[i];
                level.sigma[i] = level.sigma[i].hypot(d.sigma[i]);
            }
        }
        let half = ((level.counts.len() as f64 * FLAT_WINDOW_SHARE) as usize).max(3);
        let smooth = running_median(&level.counts, half);
        let mut sorted = smooth.clone();
        sorted.sort_by(f64::total_cmp);
        let least = FLAT_LEAST_SHARE * sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        if let Some(i) = lines_of(&level, &smooth, least).first() {
            return Err(Error::refused(
                format!("flat of {}", shown_name(s)),
                format!(
                    "{} has narrow lines (the first at {:.1}), and a flat is smooth",
                    shown_name(&mean),
                    mean.x()[*i]
                ),
                "record a smooth light, as that of a halogen lamp",
            ));
        }
        let mut out = 0usize;
        for (i, course) in smooth.iter().enumerate() {
            let clipped = mean.mask()[i].has(Mask::SATURATED);
            if *course <= least || level.counts[i] <= least || clipped || level.bad[i] {
                level.bad[i] = true;
                out += 1;
                continue;
            }
            level.counts[i] /= course;
            level.sigma[i] /= course;
        }
        if out * 2 > level.counts.len() {
            return Err(Error::refused(
                format!("flat of {}", shown_name(s)),
                "more than half of its points have no light or are clipped",
                "record a smooth light that fills the range without clipping",
            ));
        }
        notes.push(format!(
            "A flat was divided out ({}): unevenness over fewer than {} points, no colour.",
            names(&self.flats),
            2 * half + 1
        ));
        if out > 0 {
            notes.push(format!("{out} points without usable flat are marked as outside."));
        }
        Ok(level)
    }
}

/// Refuses where what is left lies far below zero; `scatter` is that of what is left.
fn not_brighter(s: &Spectrum, left: &[f64], good: &[bool], scatter: &[f64]) -> Result<()> {
    let points = good.iter().filter(|g| **g).count();
    let below =
        (0..s.len()).filter(|i| good[*i] && left[*i] < -BELOW_ZERO_SIGMAS * scatter[*i]).count();
    // A level that drifted moves all points; light of the frame digs holes into what is left.
    let mut sorted: Vec<f64> = (0..s.len()).filter(|i| good[*i]).map(|i| left[i]).collect();
    sorted.sort_by(f64::total_cmp);
    let zero = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0).min(0.0);
    let holes =
        (0..s.len()).filter(|i| good[*i] && left[*i] < zero - HOLE_SIGMAS * scatter[*i]).count();
    if 2 * below <= points && holes as f64 <= HOLE_SHARE * points as f64 {
        return Ok(());
    }
    let below = below.max(holes);
    Err(Error::refused(
        format!("dark of {}", shown_name(s)),
        format!("it is brighter than the recording at {below} of {points} points"),
        "give the dark of this instrument and exposure, recorded without light",
    ))
}

/// The names of recordings in a sentence.
fn names(list: &[Spectrum]) -> String {
    let names: Vec<&str> = list.iter().map(|s| s.provenance.name.as_str()).collect();
    names.join(", ")
}

/// A frame with its own or estimated uncertainties.
fn level_of(frame: &Spectrum) -> Level {
    let mut flagged = frame.clone();
    flag_saturation(&mut flagged, None);
    let bad: Vec<bool> = flagged.mask().iter().map(|m| !m.is_good()).collect();
    let sigma = match frame.sigma() {
        Some(u) => u.to_vec(),
        None => {
            let good: Vec<bool> = bad.iter().map(|b| !b).collect();
            noise_of(frame.counts(), &good, None).sigma
        }
    };
    Level { counts: frame.counts().to_vec(), sigma, bad }
}

/// Level and rate of each point from darks of different exposure, at exposure `time`.
fn foretold(s: &Spectrum, time: f64, darks: &[(f64, Spectrum)]) -> Result<Level> {
    let n = darks.len() as f64;
    let mean = darks.iter().map(|d| d.0).sum::<f64>() / n;
    let spread: f64 = darks.iter().map(|d| (d.0 - mean).powi(2)).sum();
    let differ = darks.iter().any(|d| !same(d.0, darks[0].0));
    if !differ {
        let told = darks.first().map_or(0.0, |d| d.0);
        return Err(Error::refused(
            format!("dark of {}", shown_name(s)),
            format!("it was exposed {told} ms and the recording {time} ms"),
            "record a dark with the same exposure, or give darks of two exposures",
        ));
    }
    let levels: Vec<Level> = darks.iter().map(|d| level_of(&d.1)).collect();
    // The straight line through the darks at this exposure is a weighted sum of them.
    let weights: Vec<f64> =
        darks.iter().map(|d| 1.0 / n + (time - mean) * (d.0 - mean) / spread).collect();
    let sum = |f: &dyn Fn(&Level) -> f64| -> f64 {
        levels.iter().zip(&weights).map(|(l, w)| w * f(l)).sum()
    };
    let points = s.len();
    let counts = (0..points).map(|i| sum(&|l| l.counts[i])).collect();
    let sigma = (0..points)
        .map(|i| {
            levels.iter().zip(&weights).map(|(l, w)| (w * l.sigma[i]).powi(2)).sum::<f64>().sqrt()
        })
        .collect();
    let bad = (0..points).map(|i| levels.iter().any(|l| l.bad[i])).collect();
    Ok(Level { counts, sigma, bad })
}

/// The recording as if told that it was exposed `ms`.
fn with_time(s: &Spectrum, ms: f64) -> Spectrum {
    let mut s = s.clone();
    s.provenance.metadata.push(("exposure-ms".into(), ms.to_string()));
    s
}

/// Refuses a dark with lines of its own, far above its noise.
fn not_lit(dark: &Spectrum, s: &Spectrum) -> Result<()> {
    let settings = PeakSettings::default();
    let Ok(found) = find_peaks(dark, &settings) else { return Ok(()) };
    let step = |nm: f64| dark.axis().step(dark.axis().index_of(nm).round().max(0.0) as usize).abs();
    let (first, last) = dark.axis().range();
    let widest = WIDEST_LINE_SHARE * (last - first);
    let clear: Vec<String> = found
        .peaks
        .iter()
        .filter(|p| p.significance > CLEAR_LINE)
        .filter(|p| p.fwhm.value > 2.0 * step(p.centre.value) && p.fwhm.value < widest)
        .map(|p| format!("{:.1}", p.centre.value))
        .collect();
    if clear.len() < CLEAR_LINES {
        return Ok(());
    }
    let shown = &clear[..clear.len().min(5)];
    Err(Error::refused(
        format!("dark of {}", shown_name(s)),
        format!(
            "{} holds light: it has {} clear lines (at {}{})",
            shown_name(dark),
            clear.len(),
            shown.join(", "),
            if shown.len() < clear.len() { ", …" } else { "" }
        ),
        "record the dark with the light shut off",
    ))
}

/// Places where a flat stands far above its course over several points: lines.
fn lines_of(flat: &Level, course: &[f64], least: f64) -> Vec<usize> {
    let is_high = |i: usize| {
        !flat.bad[i]
            && course[i] > least
            && flat.counts[i] > FLAT_LINE_RATIO * course[i]
            && flat.counts[i] - course[i] > 2.0 * HOLE_SIGMAS * flat.sigma[i]
    };
    let mut out = Vec::new();
    let mut run = 0;
    for i in 0..course.len() {
        run = if is_high(i) { run + 1 } else { 0 };
        if run == FLAT_LINE_POINTS {
            out.push(i - FLAT_LINE_POINTS / 2);
        }
    }
    out
}

/// A sentence where the dark has peaks that are those of the recording.
fn light_in(dark: &Spectrum, s: &Spectrum) -> Option<String> {
    let settings = PeakSettings::default();
    let (d, r) = (find_peaks(dark, &settings).ok()?, find_peaks(s, &settings).ok()?);
    let width = r.line_width?;
    let meets = d.peaks.iter().filter(|p| {
        let fwhm = width.fwhm(p.centre.value);
        // A hot pixel is narrower than any line.
        p.fwhm.value > 0.5 * fwhm
            && r.peaks.iter().any(|q| (q.centre.value - p.centre.value).abs() < 0.5 * fwhm)
    });
    let places: Vec<String> = meets.map(|p| format!("{:.1}", p.centre.value)).collect();
    (places.len() >= MEETING_PEAKS).then(|| {
        format!(
            "The dark holds light: it has lines of the recording itself (at {}). Heights are too \
             low by its share; record it with the light shut off.",
            places.join(", ")
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Axis, AxisKind};
    use rand::{SeedableRng, rngs::ChaCha8Rng};
    use rand_distr::{Distribution, StandardNormal};

    const N: usize = 1000;
    const READ: f64 = 3.0;

    /// Fixed pattern of level and rate (counts in each ms), as it truly is.
    fn dark_truth(i: usize, ms: f64) -> f64 {
        500.0 + 20.0 * ((i * 37 % 11) as f64) + ms * 0.1 * ((i * 13 % 7) as f64)
    }

    fn light(i: usize) -> f64 {
        let line = |at: f64, h: f64| h * (-0.5 * ((i as f64 - at) / 2.0).powi(2)).exp();
        line(200.0, 4000.0) + line(500.5, 9000.0) + line(801.0, 2000.0)
    }

    fn recorded(ms: f64, share: f64, seed: u64) -> Spectrum {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let counts = (0..N)
            .map(|i| {
                let deviate: f64 = StandardNormal.sample(&mut rng);
                dark_truth(i, ms) + share * light(i) + READ * deviate
            })
            .collect();
        let axis = Axis::new(AxisKind::Nm, (0..N).map(|i| 400.0 + 0.5 * i as f64).collect());
        let mut s = Spectrum::new(axis.unwrap(), counts).unwrap();
        s.provenance.name = format!("made {seed}");
        s.provenance.metadata.push(("exposure".into(), format!("{ms} ms")));
        s
    }

    fn error(s: &Spectrum) -> f64 {
        let sum: f64 = (0..N).map(|i| (s.counts()[i] - light(i)).powi(2)).sum();
        (sum / N as f64).sqrt()
    }

    fn darks(list: Vec<Spectrum>) -> Frames {
        Frames { darks: list, ..Frames::default() }
    }

    #[test]
    fn a_dark_takes_the_pattern_off_and_adds_its_noise() {
        let s = recorded(100.0, 1.0, 1).with_sigma(vec![READ; N]).unwrap();
        let out = darks(vec![recorded(100.0, 0.0, 2)]).apply(&s).unwrap();
        assert!((error(&out) / (READ * 2f64.sqrt()) - 1.0).abs() < 0.1, "{}", error(&out));
        // One dark alone: its noise is known only together with that of the recording, from above.
        let u = out.sigma().unwrap()[5] / READ;
        assert!((2f64.sqrt()..2.2).contains(&u), "{u}");
        // With repeats, the scatter is known and the uncertainty true.
        let many: Vec<Spectrum> = (10..14).map(|k| recorded(100.0, 0.0, k)).collect();
        let out = darks(many).apply(&s).unwrap();
        let u = out.sigma().unwrap()[5];
        assert!((u / (READ * 1.25f64.sqrt()) - 1.0).abs() < 0.1, "{u}");
        assert!((error(&out) / u - 1.0).abs() < 0.15);
    }

    #[test]
    fn two_darks_foretell_a_third_exposure() {
        let s = recorded(300.0, 1.0, 3);
        let one = darks(vec![recorded(100.0, 0.0, 4)]);
        let e = one.apply(&s).err().map_or(String::new(), |e| e.to_string());
        assert!(e.contains("100 ms") && e.contains("300 ms"), "{e}");
        let two = darks(vec![recorded(100.0, 0.0, 4), recorded(500.0, 0.0, 5)]);
        let out = two.apply(&s).unwrap();
        assert!(error(&out) < 1.5 * READ, "{}", error(&out));
    }

    #[test]
    fn a_wrong_dark_is_noticed() {
        let s = recorded(100.0, 1.0, 6);
        // A third of the light is refused or told, as its lines stand out of the pattern of the dark.
        let said = match darks(vec![recorded(100.0, 0.3, 7)]).apply(&s) {
            Ok(lit) => lit.provenance.notes.join(" "),
            Err(e) => e.to_string(),
        };
        assert!(said.contains("holds light"), "{said}");
        let good = darks(vec![recorded(100.0, 0.0, 7)]).apply(&s).unwrap();
        assert!(!good.provenance.notes.iter().any(|n| n.contains("holds light")));
        let short = Spectrum::new(Axis::pixels(10), (0..10).map(f64::from).collect()).unwrap();
        assert!(darks(vec![short]).apply(&s).is_err());
        let mut bright = recorded(100.0, 0.0, 8).counts().to_vec();
        bright.iter_mut().for_each(|c| *c += 400.0);
        let mut bright = Spectrum::new(s.axis().clone(), bright).unwrap();
        bright.provenance.name = "bright".into();
        let e = darks(vec![bright]).apply(&s).err().map(|e| e.to_string());
        assert!(e.as_ref().is_some_and(|e| e.contains("brighter")), "{e:?}");
    }

    #[test]
    fn light_that_the_recording_lacks_is_no_dark() {
        let s = recorded(100.0, 1.0, 30);
        let d = recorded(100.0, 0.0, 31);
        let hump = |i: usize| 300.0 * (-0.5 * ((i as f64 - 330.0) / 40.0).powi(2)).exp();
        let counts = d.counts().iter().enumerate().map(|(i, c)| c + hump(i)).collect();
        let mut broad = Spectrum::new(d.axis().clone(), counts).unwrap();
        broad.provenance = d.provenance.clone();
        let e = darks(vec![broad]).apply(&s).unwrap_err().to_string();
        assert!(e.contains("brighter than the recording"), "{e}");
    }

    #[test]
    fn a_line_lamp_is_no_flat() {
        let s = recorded(100.0, 1.0, 32);
        let flats = vec![recorded(100.0, 0.5, 33)];
        let e = Frames { flats, ..Frames::default() }.apply(&s).unwrap_err().to_string();
        assert!(e.contains("narrow lines"), "{e}");
    }

    #[test]
    fn a_background_is_scaled_by_its_light_alone() {
        // Stray light in proportion to the exposure, and a dark level that is not.
        let stray = |ms: f64, seed: u64| {
            let s = recorded(ms, 0.0, seed);
            let counts = s.counts().iter().map(|c| c + 0.5 * ms).collect();
            let mut out = Spectrum::new(s.axis().clone(), counts).unwrap();
            out.provenance = s.provenance.clone();
            out
        };
        let mut s = recorded(100.0, 1.0, 20);
        let counts = s.counts().iter().map(|c| c + 50.0).collect();
        let provenance = s.provenance.clone();
        s = Spectrum::new(s.axis().clone(), counts).unwrap();
        s.provenance = provenance;
        let alone = Frames { backgrounds: vec![stray(100.0, 21)], ..Frames::default() };
        assert!(error(&alone.apply(&s).unwrap()) < 1.6 * READ);
        let other = Frames { backgrounds: vec![stray(400.0, 22)], ..Frames::default() };
        assert!(other.apply(&s).is_err());
        let both = Frames {
            backgrounds: vec![stray(400.0, 22)],
            darks: vec![recorded(100.0, 0.0, 23), recorded(400.0, 0.0, 24)],
            ..Frames::default()
        };
        let e = error(&both.apply(&s).unwrap());
        assert!(e < 2.0 * READ, "{e}");
    }

    #[test]
    fn a_flat_takes_out_unevenness_and_keeps_colour() {
        let gain = |i: usize| 1.0 + 0.1 * (((i * 29) % 13) as f64 / 6.0 - 1.0);
        let axis =
            || Axis::new(AxisKind::Nm, (0..N).map(|i| 400.0 + 0.5 * i as f64).collect()).unwrap();
        let slope = |i: usize| 1000.0 + 10.0 * i as f64;
        let mut flat = Spectrum::new(axis(), (0..N).map(|i| gain(i) * slope(i)).collect()).unwrap();
        flat.provenance.name = "flat".into();
        let counts = (0..N).map(|i| gain(i) * (5000.0 + light(i))).collect();
        let s = Spectrum::new(axis(), counts).unwrap().with_sigma(vec![1.0; N]).unwrap();
        let out = Frames { flats: vec![flat], ..Frames::default() }.apply(&s).unwrap();
        for i in (50..N - 50).step_by(7) {
            let truth = 5000.0 + light(i);
            assert!(
                (out.counts()[i] / truth - 1.0).abs() < 0.02,
                "{i} {} {truth}",
                out.counts()[i]
            );
        }
        assert!(out.sigma().unwrap().iter().all(|u| u.is_finite() && *u > 0.5));
    }

    #[test]
    fn clipping_is_found_before_it_is_hidden() {
        let s = recorded(100.0, 3.0, 9);
        let counts: Vec<f64> = s.counts().iter().map(|c| c.min(9000.0)).collect();
        let mut clipped = Spectrum::new(s.axis().clone(), counts).unwrap();
        clipped.provenance = s.provenance.clone();
        let out = darks(vec![recorded(100.0, 0.0, 10)]).apply(&clipped).unwrap();
        assert!(out.mask()[500].has(Mask::SATURATED) && !out.mask()[300].has(Mask::SATURATED));
    }
}
