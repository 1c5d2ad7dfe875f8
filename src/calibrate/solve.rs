//! From a lamp's peaks to a profile.

use super::anchors::{
    Match, OUTLIER_SIGMA, Recording, drop_outliers, matches, rms, slope, weighted_rms,
};
use super::ends::Ends;
use super::fit::{self, AxisFit};
use super::images::images;
use super::lamp::{Lamp, MERCURY};
use super::marks::in_view;
use super::octaves::Octaves;
use super::pattern::{AnchorLine, Emission, LampPattern, Role};
use super::recognise::{
    MARGIN_NATS, MIN_ANCHORS, MIN_BLIND_ANCHORS, Recognised, companions, recognise, recognise_any,
};
use super::score::{self, Seen};
use super::search::{Ground, Trial};
use super::unblend::{Unblended, unblend};
use super::width::line_width;
use super::{Anchor, CalibrateSettings, LampUsed, LeftOut, Profile, fit_models_knowing};
use crate::reference::Tables;
use crate::signal::PeakList;
use crate::{AxisKind, Error, Measured, Result, Spectrum};

/// Buffer-gas lines that must agree before any of them carries the axis.
const MIN_BUFFER_LINES: usize = 3;
/// Lines of a further recording that must agree before any of them carries the axis.
const MIN_FURTHER_LINES: usize = 2;
/// Residual rms in line widths beyond which the pattern is not the lamp's.
const MAX_RMS_FWHM: f64 = 0.3;
/// Standard uncertainty in line widths, root mean square between the outermost anchors, beyond which an
/// axis is refused: at k = 2 half a line width. Where so few lines hold it, it may also be further off than
/// it says, if the instrument is none of those that the models know.
const MAX_U_FWHM: f64 = 0.25;
/// Places at which an axis is looked at, less one.
const STEPS: usize = 64;
/// Uncertainty in line widths (k = 1) of the axis that the search found.
const TRIAL_U_FWHM: f64 = 0.2;
/// Distance in line widths within which a line of the lamp explains a peak.
const EXPLAINS_FWHM: f64 = 0.5;
/// Distance in standard deviations from which two recordings contradict each other.
const CONTRADICTS_SIGMA: f64 = 3.0;
/// Distance from a phosphor peak, in line widths, within which an argon line may be mistaken for
/// it.
const PHOSPHOR_FWHM: f64 = 1.5;
/// The same, in line widths, of the place where a mercury line stands in second order: what merges there
/// may be either's.
const IMAGE_FWHM: f64 = 1.5;
/// What would help where a lamp is not recognised.
const REMEDY: &str = "record the lamp close up, not clipped, with darkness around it, and name it \
                      with --lamp if it is no fluorescent one";

/// A recording of a lamp with its peaks.
#[derive(Debug, Clone, Copy)]
pub struct LampRecording<'a> {
    /// The recording, on the instrument's own axis.
    pub spectrum: &'a Spectrum,
    /// Its peaks.
    pub peaks: &'a PeakList,
}

/// Sets the axis by a recording of a lamp; see [`calibrate_together`].
///
/// # Errors
/// As there.
pub fn calibrate(
    lamp: &Spectrum,
    peaks: &PeakList,
    tables: &Tables,
    settings: &CalibrateSettings,
) -> Result<Profile> {
    calibrate_together(&[LampRecording { spectrum: lamp, peaks }], tables, settings)
}

/// Sets the axis by recordings of one or several lamps through one instrument.
///
/// A lamp is recognised by its lines (a fluorescent lamp also by its phosphor's peaks), against
/// false lamps whose lines are displaced. The recording that is recognised most surely sets the
/// axis; the lines of the others join where they agree with it. The fluorescent lamp's own argon
/// carries the axis where at least three of its lines agree.
///
/// # Errors
/// [`crate::Error::Refused`] where no lamp's pattern is there, where recordings are not of one
/// instrument or contradict each other, with the reason.
pub fn calibrate_together(
    lamps: &[LampRecording],
    tables: &Tables,
    settings: &CalibrateSettings,
) -> Result<Profile> {
    let Some(first) = lamps.first() else {
        return Err(Error::usage("no lamp is given", "give the recording of a lamp"));
    };
    let name = |l: &LampRecording| format!("calibration with {}", l.spectrum.provenance.name);
    let refuse = |l: &LampRecording, why: String| Error::refused(name(l), why, REMEDY);
    let (kind, range) = (first.spectrum.axis().kind(), first.spectrum.axis().range());
    for l in lamps {
        let axis = l.spectrum.axis();
        if (axis.kind(), axis.range(), axis.values().len())
            != (kind, range, first.spectrum.axis().values().len())
        {
            return Err(Error::refused(
                name(l),
                format!("its axis is not that of {}", first.spectrum.provenance.name),
                "give recordings of one instrument with one export setting",
            ));
        }
        if let Some((k, lo, hi)) = axis.gap() {
            return Err(Error::refused(
                name(l),
                format!(
                    "its axis leaps from {lo} to {hi} between points {} and {}, as where two \
                     detectors were joined: no one axis can be right",
                    k + 1,
                    k + 2
                ),
                "calibrate each detector's stretch as a recording of its own",
            ));
        }
    }
    let mut bench = Vec::new();
    for l in lamps {
        let width = l
            .peaks
            .line_width
            .ok_or_else(|| refuse(l, "no narrow line stands out of this recording".into()))?;
        let seen = score::seen(l.peaks);
        bench.push((
            Recording {
                spectrum: l.spectrum,
                peaks: l.peaks,
                kind,
                range: [range.0, range.1],
                width,
            },
            seen,
        ));
    }
    // Each on its own.
    let mut alone: Vec<std::result::Result<Recognised, String>> = bench
        .iter()
        .map(|(r, seen)| {
            if seen.len() < MIN_ANCHORS {
                return Err(format!(
                    "only {} line(s) stand out, {MIN_ANCHORS} of the lamp are needed",
                    seen.len()
                ));
            }
            let ground = ground(r, seen, settings.about_nm);
            match &settings.lamp {
                Some(lamp) => recognise(&ground, lamp, tables, settings.search_nm),
                None => recognise_any(&ground, tables, settings.search_nm, true),
            }
        })
        .collect();
    let surest = (0..alone.len())
        .filter_map(|k| Some((k, alone[k].as_ref().ok()?.surplus)))
        .max_by(|a, b| a.1.total_cmp(&b.1));
    let Some((base, _)) = surest else {
        let why = alone.swap_remove(0).err().unwrap_or_default();
        let named = bench.iter().zip(lamps).find_map(|((r, seen), l)| {
            let lamp = other_lamp(r, seen, tables, settings)?;
            Some(match lamps.len() {
                1 => format!(
                    "its lines form the pattern of {}: give --lamp {}",
                    lamp.one(),
                    lamp.name()
                ),
                _ => format!(
                    "the lines of {} form the pattern of {}: give --lamp auto",
                    l.spectrum.provenance.name,
                    lamp.one()
                ),
            })
        });
        let mut remedy = named.unwrap_or_else(|| REMEDY.into());
        if settings.about_nm.is_some() {
            remedy += ", and check the wavelengths of both ends that were given";
        }
        return Err(Error::refused(name(first), why, remedy));
    };
    let mut patterns: Vec<Option<LampPattern>> = Vec::new();
    let mut trials: Vec<Option<Trial>> = Vec::new();
    let mut notes = Vec::new();
    for (l, r) in lamps.iter().zip(alone) {
        match r {
            Ok(r) => {
                patterns.push(Some(r.pattern));
                trials.push(Some(r.trial));
            }
            Err(why) => {
                if let Some(lamp) = &settings.lamp {
                    patterns.push(Some(LampPattern::new(lamp, tables)));
                } else {
                    notes.push(format!("{} is not used: {why}", l.spectrum.provenance.name));
                    patterns.push(None);
                }
                trials.push(None);
            }
        }
    }
    if settings.lamp.is_none() {
        // What a mixture holds besides shows once the axis is known.
        for (k, (recording, seen)) in bench.iter().enumerate() {
            if let (Some(p), Some(t)) = (&mut patterns[k], &trials[k]) {
                let solver = Solver { pattern: p };
                let solved = solver.run(recording, k, t);
                if let Ok(s) = solved
                    && let Some(richer) = with_companions(recording, seen, p, &s, tables)
                {
                    *p = richer;
                }
            }
        }
    }
    let solver = |k: usize| patterns[k].as_ref().map(|p| Solver { pattern: p });
    let (Some(base_solver), Some(base_trial)) = (solver(base), trials[base]) else {
        return Err(refuse(first, "no lamp was recognised".into()));
    };
    let mut solved = base_solver
        .run(&bench[base].0, base, &base_trial)
        .map_err(|why| refuse(&lamps[base], why))?;
    let mut used = vec![base];
    for k in (0..lamps.len()).filter(|k| *k != base) {
        let Some(s) = solver(k) else { continue };
        if let Some(own) = trials[k].as_ref().and_then(|t| s.run(&bench[k].0, k, t).ok()) {
            contradiction(&bench[k].0, &own, &solved.fit).map_err(|why| {
                refuse(&lamps[k], format!("{why} ({})", lamps[base].spectrum.provenance.name))
            })?;
        }
        match s.join(&bench[k].0, k, &mut solved) {
            0 => {
                let other = trials[k]
                    .is_none()
                    .then(|| other_lamp(&bench[k].0, &bench[k].1, tables, settings))
                    .flatten();
                let hint = other.map(|lamp| {
                    format!(": its lines form the pattern of {}, give --lamp auto", lamp.one())
                });
                notes.push(format!(
                    "{} adds no line to the axis{}",
                    lamps[k].spectrum.provenance.name,
                    hint.unwrap_or_default()
                ));
            }
            n => {
                notes.push(format!("{} adds {n} lines", lamps[k].spectrum.provenance.name));
                used.push(k);
            }
        }
    }
    used.sort_unstable();
    let recordings: Vec<&Recording> = bench.iter().map(|(r, _)| r).collect();
    loop {
        let points: Vec<_> = solved.matched.iter().map(|m| m.point).collect();
        solved.fit = fit_models_knowing(&points, [range.0, range.1], kind, &settings.optics)
            .map_err(|e| refuse(&lamps[base], e.to_string()))?;
        if !solved.drop_what_the_models_doubt() {
            break;
        }
    }
    check(&recordings, &solved, range).map_err(|why| refuse(&lamps[base], why))?;
    let lamps_used = used
        .iter()
        .filter_map(|k| {
            Some(LampUsed {
                lamp: which(
                    patterns[*k].as_ref()?,
                    &bench[*k].1,
                    &solved.fit,
                    bench[*k].0.width.value,
                    &solved.matched,
                    *k,
                ),
                recording: lamps[*k].spectrum.provenance.name.clone(),
                sha256: lamps[*k].spectrum.provenance.sha256.clone(),
            })
        })
        .collect();
    solved.notes.extend(notes);
    Ok(profile(first.spectrum, &recordings, solved, lamps_used, settings))
}

fn ground<'a>(r: &Recording, seen: &'a [Seen], about_nm: Option<[f64; 2]>) -> Ground<'a> {
    Ground {
        seen,
        range: r.range,
        fwhm_own: r.width.value,
        kind: r.kind,
        about: about_nm.map(|[a, b]| (a, b)),
    }
}

/// Which of the usual lamps a recording shows that is not the one named; `None` where none was
/// named, or no other is recognised.
fn other_lamp(
    r: &Recording,
    seen: &[Seen],
    tables: &Tables,
    settings: &CalibrateSettings,
) -> Option<Lamp> {
    let named = settings.lamp.as_ref()?;
    if seen.len() < MIN_ANCHORS {
        return None;
    }
    let ground = ground(r, seen, settings.about_nm);
    let found = recognise_any(&ground, tables, settings.search_nm, false).ok()?;
    (found.pattern.lamp != *named).then_some(found.pattern.lamp)
}

/// The pattern with the gases that stand beside it in the recording.
fn with_companions(
    recording: &Recording,
    seen: &[Seen],
    pattern: &LampPattern,
    solved: &Solved,
    tables: &Tables,
) -> Option<LampPattern> {
    let Lamp::Discharge(gases) = &pattern.lamp else { return None };
    let place: Vec<f64> = seen.iter().map(|s| solved.fit.model.wavelength(s.x).value).collect();
    let mid = 0.5 * (recording.range[0] + recording.range[1]);
    let fwhm_nm = recording.width.value
        * slope(|x| solved.fit.model.wavelength(x).value, mid, recording.width.value);
    let taken: Vec<bool> = place
        .iter()
        .map(|nm| {
            pattern
                .emissions
                .iter()
                .any(|e| e.strength > 0.0 && (e.nm - nm).abs() < EXPLAINS_FWHM * fwhm_nm + e.u_nm)
        })
        .collect();
    let more = companions(seen, tables, gases, &place, &taken, fwhm_nm);
    if more.is_empty() {
        return None;
    }
    let all = gases.iter().cloned().chain(more).collect();
    Some(LampPattern::new(&Lamp::Discharge(all), tables))
}

/// Whether the axis that a recording sets alone is another than the one found, and where: judged at
/// its own anchors, since beyond them it knows little.
fn contradiction(r: &Recording, own: &Solved, fit: &AxisFit) -> std::result::Result<(), String> {
    for a in &own.matched {
        let x = a.point.x;
        let (here, there) = (own.fit.model.wavelength(x), fit.model.wavelength(x));
        let fwhm_nm =
            r.width.value * slope(|x| own.fit.model.wavelength(x).value, x, r.width.value);
        let allowed = CONTRADICTS_SIGMA * (here.u.hypot(there.u) + TRIAL_U_FWHM * fwhm_nm);
        if there.u < fwhm_nm && (here.value - there.value).abs() > allowed {
            return Err(format!(
                "its lines ask for {:.1} nm where the axis of the other recording has {:.1} nm",
                here.value, there.value
            ));
        }
    }
    Ok(())
}

/// An axis with the lines that carry it.
pub(super) struct Solved<'a> {
    pub fit: AxisFit,
    pub matched: Vec<Match<'a>>,
    pub left: Vec<LeftOut>,
    pub notes: Vec<String>,
}

impl Solved<'_> {
    /// Leaves out the anchor that lies furthest off the fitted axis, if it lies beyond what its
    /// uncertainty allows; says whether one was. The models give it little weight already, but it
    /// carries nothing, and ought not to stand among those that do.
    fn drop_what_the_models_doubt(&mut self) -> bool {
        let off = |m: &Match| {
            let u = m.point.u_nm.hypot(self.fit.extra_nm);
            (self.fit.model.wavelength(m.point.x).value - m.point.nm).abs() / u
        };
        let worst = self
            .matched
            .iter()
            .enumerate()
            .map(|(k, m)| (k, off(m)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((k, sigma)) = worst else { return false };
        if sigma <= OUTLIER_SIGMA || self.matched.len() <= MIN_BLIND_ANCHORS {
            return false;
        }
        let m = self.matched.remove(k);
        self.left.push(m.off_the_others(sigma));
        true
    }
}

/// Brings the lines of one lamp onto an axis.
struct Solver<'a> {
    pattern: &'a LampPattern,
}

impl<'a> Solver<'a> {
    fn run(
        &self,
        r: &Recording,
        index: usize,
        trial: &Trial,
    ) -> std::result::Result<Solved<'a>, String> {
        let half = 0.5 * (r.range[1] - r.range[0]);
        let fwhm_nm = r.width.value * trial.c[1].abs() / half;
        let t = |x: f64| (2.0 * x - r.range[0] - r.range[1]) / (2.0 * half);
        let (a, b) = (trial.nm(-1.0), trial.nm(1.0));
        let (lines, mut left) = self.pattern.anchor_lines(fwhm_nm, (a.min(b), a.max(b)));
        let seen = score::seen(r.peaks);
        let ground = ground(r, &seen, None);
        let octaves = Octaves::new(self.pattern, &ground);
        // What a mixture's gas or an ion shows may be other peaks, unless its own lines tell it.
        let doubtful = match self.pattern.lamp {
            Lamp::Fluorescent => Vec::new(),
            Lamp::Discharge(_) => ground.doubtful(&octaves, trial, MARGIN_NATS),
        };
        let core: Vec<AnchorLine> = lines
            .iter()
            .filter(|l| l.emission.role == Role::Line)
            .filter(|l| !doubtful.contains(&self.pattern.group_of(l.emission)))
            .copied()
            .collect();
        // First the strong lines that lie where the trial's axis has them, then line by line as far
        // as the axis is sure enough: strong ones again, and at last the fainter ones.
        let strong: Vec<AnchorLine> = core.iter().filter(|l| l.strong).copied().collect();
        let rough = |x: f64| Measured::new(trial.nm(t(x)), TRIAL_U_FWHM * fwhm_nm);
        let mut matched = matches(r, index, &strong, &rough, fwhm_nm);
        if matched.len() < MIN_ANCHORS {
            matched = matches(r, index, &core, &rough, fwhm_nm);
        }
        let least = match r.kind {
            AxisKind::Nm => MIN_ANCHORS,
            AxisKind::Pixel => MIN_BLIND_ANCHORS,
        };
        let enough = |n: usize| match n >= least {
            true => Ok(()),
            false => Err(format!(
                "only {n} line(s) of {} can carry an axis at this line width, {least} are needed",
                self.pattern.lamp.one()
            )),
        };
        if matched.len() < 2 {
            enough(matched.len())?;
        }
        drop_outliers(&mut matched, &mut left, r, MIN_ANCHORS)?;
        for lines in [&strong, &core, &core] {
            let from = Solved { fit: fit_of(&matched, r)?, matched, left: vec![], notes: vec![] };
            let (grown, dropped) = grow(r, index, lines, &from, fwhm_nm)?;
            matched = grown;
            left.extend(dropped);
        }
        self.keep_to_what_is_there(r, &mut matched, fwhm_nm)?;
        let mut hidden = self.hidden(r, index, &matched, &|x| trial.nm(t(x)));
        matched.retain(|m| hidden.iter().all(|h| h.line.emission != m.line.emission));
        if matched.len() >= least {
            // Clear lines speak first: what was placed in a crowd joins where they have room for it.
            let fit = fit_of(&matched, r)?;
            hidden.retain(|m| {
                let there = fit.model.wavelength(m.point.x);
                let u = there.u.hypot(m.point.u_nm).hypot(fit.extra_nm);
                (there.value - m.point.nm).abs() < OUTLIER_SIGMA * u
            });
        }
        let placed: Vec<&str> = hidden.iter().map(|m| m.line.emission.name.as_str()).collect();
        if !hidden.is_empty() {
            matched.extend(hidden.iter().copied());
            matched.sort_by(|a, b| a.point.x.total_cmp(&b.point.x));
            drop_outliers(&mut matched, &mut left, r, MIN_ANCHORS)?;
        }
        let ends = Ends { ground: &ground, octaves: &octaves, fwhm_nm, least, found: trial };
        ends.drop_doubtful(&mut matched, &mut left)?;
        enough(matched.len())?;
        let fit = fit_of(&matched, r)?;
        let mut notes = Vec::new();
        for l in lines.iter().filter(|l| doubtful.contains(&self.pattern.group_of(l.emission))) {
            let (gas, sort) = (&l.emission.gas, if l.emission.ion { "ion" } else { "atom" });
            let note = format!(
                "no line of the {gas} {sort} carries the axis: its lines by themselves do not tell that \
                 it is there"
            );
            if l.emission.role == Role::Line && !notes.contains(&note) {
                notes.push(note);
            }
        }
        let mut out = Solved { fit, matched, left, notes };
        let before = out.matched.len();
        // Then outwards along the buffer gas, as far as the axis is sure enough to match.
        let gas: Vec<AnchorLine> = lines
            .iter()
            .filter(|l| l.emission.role == Role::Buffer)
            // No image of a mercury line in second order beside it, nor a phosphor's peak, which the
            // line could be mistaken for.
            .filter(|l| {
                let image = |e: &Emission| e.gas == MERCURY && !e.ion && e.role == Role::Line;
                !self
                    .pattern
                    .emissions
                    .iter()
                    .filter(|e| image(e))
                    .any(|e| (2.0 * e.nm - l.emission.nm).abs() < IMAGE_FWHM * fwhm_nm)
            })
            .filter(|l| {
                !self.pattern.emissions.iter().any(|e| {
                    e.role == Role::Phosphor
                        && (e.nm - l.emission.nm).abs() < PHOSPHOR_FWHM * fwhm_nm + e.u_nm
                })
            })
            .copied()
            .collect();
        let (grown, dropped) = grow(r, index, &gas, &out, fwhm_nm)?;
        let buffer = grown.iter().filter(|m| m.line.emission.role == Role::Buffer).count();
        if buffer >= MIN_BUFFER_LINES {
            let f = fit_of(&grown, r)?;
            if weighted_rms(&grown, &f) < MAX_RMS_FWHM * fwhm_nm {
                out.matched = grown;
                out.fit = f;
                out.left.extend(dropped);
                out.notes.push(format!("{buffer} lines of the lamp's argon carry the red end"));
                // The argon carries the axis on to mercury's infrared line.
                let (grown, dropped) = grow(r, index, &core, &out, fwhm_nm)?;
                let f = fit_of(&grown, r)?;
                if weighted_rms(&grown, &f) < MAX_RMS_FWHM * fwhm_nm {
                    out.matched = grown;
                    out.fit = f;
                    out.left.extend(dropped);
                }
            }
        } else if buffer > 0 {
            out.notes.push(format!(
                "{buffer} peak(s) lie on argon lines of the lamp; {MIN_BUFFER_LINES} that agree \
                 are needed before they carry the axis"
            ));
        }
        if out.matched.len() > before {
            ends.drop_doubtful(&mut out.matched, &mut out.left)?;
            out.fit = fit_of(&out.matched, r)?;
        }
        // Only now: no other reading of the ends holds three images.
        let images = images(r, index, self.pattern, &out.matched, fwhm_nm);
        if !images.is_empty() {
            out.notes.push(format!(
                "{} images of the lamp's own lines in second order carry the axis",
                images.len()
            ));
            out.matched.extend(images);
            out.matched.sort_by(|a, b| a.point.x.total_cmp(&b.point.x));
            out.fit = fit_of(&out.matched, r)?;
        }
        for name in placed {
            if out.matched.iter().any(|m| m.line.emission.name == name) {
                out.left.retain(|l| l.feature != name);
                out.notes.push(format!(
                    "{name} is hidden by its neighbours, and was placed by a fit of all that stand there"
                ));
            }
        }
        for l in &core {
            let used = out.matched.iter().any(|m| m.line.emission == l.emission);
            let told = out.left.iter().any(|o| o.feature == l.emission.name);
            let strong = self.pattern.lamp.has_mercury();
            if !used && !told && strong {
                out.left.push(l.emission.left_out("no single clear peak there".into()));
            }
        }
        Ok(out)
    }

    /// Lines that are hidden in a crowd, as far as none of it is matched already, each placed by a fit
    /// of the crowd.
    fn hidden(
        &self,
        r: &Recording,
        index: usize,
        matched: &[Match<'a>],
        nm: &impl Fn(f64) -> f64,
    ) -> Vec<Match<'a>> {
        if self.pattern.lamp != Lamp::Fluorescent {
            return Vec::new();
        }
        // A peak that others draw aside says less of a line than a fit of all that stand there.
        let known = |u: &Unblended| {
            let mut lines = u.with.iter().chain(std::iter::once(&u.emission));
            lines.any(|e| {
                matched.iter().any(|m| {
                    m.line.emission == *e && (*e != u.emission || m.point.u_nm <= u.point.u_nm)
                })
            })
        };
        unblend(r, self.pattern, nm)
            .into_iter()
            .filter(|u| !known(u))
            .filter_map(|u| {
                let off = |k: &usize| (r.peaks.peaks[*k].centre.value - u.point.x).abs();
                let peak = (0..r.peaks.peaks.len()).min_by(|a, b| off(a).total_cmp(&off(b)))?;
                let line = AnchorLine {
                    emission: u.emission,
                    nm: u.point.nm,
                    u_nm: u.point.u_nm,
                    drawn_nm: 0.0,
                    phosphors: [None; 2],
                    strong: true,
                };
                Some(Match { line, point: u.point, peak, recording: index })
            })
            .collect()
    }

    /// Drops anchors at the ends where the lamp's pattern does not go on: an axis that left the
    /// true one meets some lines by chance, but lacks the strong ones.
    fn keep_to_what_is_there(
        &self,
        r: &Recording,
        matched: &mut Vec<Match<'a>>,
        fwhm_nm: f64,
    ) -> std::result::Result<(), String> {
        let fit = fit_of(matched, r)?;
        let mut seen: Vec<(f64, Seen)> = score::seen(r.peaks)
            .into_iter()
            .map(|s| (fit.model.wavelength(s.x).value, s))
            .collect();
        seen.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (nm, seen): (Vec<f64>, Vec<Seen>) = seen.into_iter().unzip();
        let ends = r.range.map(|x| fit.model.wavelength(x).value);
        let range = (ends[0].min(ends[1]), ends[0].max(ends[1]));
        let marks = in_view(&self.pattern.marks(fwhm_nm, range.1 - range.0), range);
        let mut said: Vec<(f64, f64)> = Vec::new();
        score::score_marks(
            &marks,
            &seen,
            &nm,
            range,
            fwhm_nm,
            score::FITTED_PLACE_FWHM,
            |m, nats, _| said.push((m.nm, nats)),
        );
        let mut places: Vec<f64> = matched.iter().map(|m| m.point.nm).collect();
        places.sort_by(f64::total_cmp);
        let Some(middle) = places.get(places.len() / 2) else { return Ok(()) };
        // The stretch about the middle that says most for the axis.
        let best_end = |marks: &mut dyn Iterator<Item = &(f64, f64)>| {
            let (mut sum, mut most, mut end) = (0.0, 0.0, *middle);
            for (nm, nats) in marks {
                sum += nats;
                if sum >= most {
                    (most, end) = (sum, *nm);
                }
            }
            end
        };
        let hi = best_end(&mut said.iter().filter(|s| s.0 >= *middle));
        let lo = best_end(&mut said.iter().rev().filter(|s| s.0 <= *middle));
        let kept = |m: &Match| (lo - fwhm_nm..=hi + fwhm_nm).contains(&m.point.nm);
        if matched.iter().filter(|m| kept(m)).count() >= MIN_ANCHORS {
            matched.retain(kept);
        }
        Ok(())
    }

    /// Adds this lamp's lines in a further recording to an axis; says how many.
    fn join(&self, r: &Recording, index: usize, solved: &mut Solved<'a>) -> usize {
        let ends = r.range.map(|x| solved.fit.model.wavelength(x).value);
        let mid = 0.5 * (r.range[0] + r.range[1]);
        let fwhm_nm =
            r.width.value * slope(|x| solved.fit.model.wavelength(x).value, mid, r.width.value);
        let (lines, left) =
            self.pattern.anchor_lines(fwhm_nm, (ends[0].min(ends[1]), ends[0].max(ends[1])));
        let core: Vec<AnchorLine> =
            lines.into_iter().filter(|l| l.emission.role == Role::Line).collect();
        let Ok((grown, dropped)) = grow(r, index, &core, solved, fwhm_nm) else { return 0 };
        let added = grown.iter().filter(|m| m.recording == index).count();
        let Ok(f) = fit_of(&grown, r) else { return 0 };
        if added < MIN_FURTHER_LINES || weighted_rms(&grown, &f) > MAX_RMS_FWHM * fwhm_nm {
            return 0;
        }
        solved.matched = grown;
        solved.fit = f;
        solved.left.extend(dropped);
        solved.left.extend(left);
        added
    }
}

/// Adds lines one by one, the surest first, so that each carries the axis to the next.
fn grow<'a>(
    r: &Recording,
    index: usize,
    lines: &[AnchorLine<'a>],
    from: &Solved<'a>,
    fwhm_nm: f64,
) -> std::result::Result<(Vec<Match<'a>>, Vec<LeftOut>), String> {
    let mut set = from.matched.clone();
    let mut fit = from.fit.clone();
    for _ in 0..lines.len() {
        let model = fit.model.clone();
        let axis = |x: f64| model.wavelength(x);
        let next = matches(r, index, lines, &axis, fwhm_nm)
            .into_iter()
            .filter(|m| {
                let own = |o: &&Match| o.recording == m.recording;
                let taken = |o: &Match| o.peak == m.peak || o.line.emission == m.line.emission;
                !set.iter().filter(own).any(taken)
            })
            .min_by(|a, b| axis(a.point.x).u.total_cmp(&axis(b.point.x).u));
        let Some(next) = next else { break };
        set.push(next);
        set.sort_by(|a, b| a.point.x.total_cmp(&b.point.x));
        fit = fit_of(&set, r)?;
    }
    let mut dropped = Vec::new();
    drop_outliers(&mut set, &mut dropped, r, MIN_ANCHORS)?;
    Ok((set, dropped))
}

fn fit_of(matched: &[Match], r: &Recording) -> std::result::Result<AxisFit, String> {
    let points: Vec<_> = matched.iter().map(|m| m.point).collect();
    fit::fit(&points, r.range, r.kind).map_err(|e| e.to_string())
}

/// Whether an axis may stand, and what is to be said of its ends.
fn check(
    recordings: &[&Recording],
    solved: &Solved,
    range: (f64, f64),
) -> std::result::Result<(), String> {
    let Some(r) = recordings.first() else { return Ok(()) };
    let mid = 0.5 * (range.0 + range.1);
    let fwhm_nm =
        r.width.value * slope(|x| solved.fit.model.wavelength(x).value, mid, r.width.value);
    let scatter = weighted_rms(&solved.matched, &solved.fit);
    if scatter > MAX_RMS_FWHM * fwhm_nm {
        return Err(format!(
            "the lines scatter by {scatter:.2} nm about every smooth axis, more than a line of \
             {fwhm_nm:.2} nm allows"
        ));
    }
    if !monotone(&solved.fit, range) {
        return Err("the axis through the matched lines would turn back".into());
    }
    let unsure = unsure_between(&solved.matched, &solved.fit);
    if r.kind == AxisKind::Pixel && unsure > MAX_U_FWHM * fwhm_nm {
        return Err(format!(
            "its {} lines leave the axis between them uncertain by {:.2} nm (k = 2), more than half the \
             width of a line ({fwhm_nm:.2} nm): a second lamp beside it may close the gaps",
            solved.matched.len(),
            2.0 * unsure
        ));
    }
    Ok(())
}

/// Root mean square of the axis' standard uncertainty between its outermost anchors, nm.
fn unsure_between(matched: &[Match], fit: &AxisFit) -> f64 {
    let places = || matched.iter().map(|m| m.point.x);
    let (lo, hi) =
        (places().fold(f64::INFINITY, f64::min), places().fold(f64::NEG_INFINITY, f64::max));
    let at = |k: usize| lo + (hi - lo) * k as f64 / STEPS as f64;
    let sum: f64 = (0..=STEPS).map(|k| fit.model.wavelength(at(k)).u.powi(2)).sum();
    (sum / (STEPS + 1) as f64).sqrt()
}

/// Fluorescent where at least two phosphor peaks are among what is seen; of other lamps the gases
/// that have an anchor in this recording.
fn which(
    pattern: &LampPattern,
    seen: &[Seen],
    fit: &AxisFit,
    fwhm_own: f64,
    matched: &[Match],
    recording: usize,
) -> Lamp {
    if let Lamp::Discharge(gases) = &pattern.lamp {
        let own = || matched.iter().filter(|m| m.recording == recording);
        let shown = |gas: &&String| own().any(|m| m.line.emission.gas == **gas);
        let shown: Vec<String> = gases.iter().filter(shown).cloned().collect();
        return if shown.is_empty() { pattern.lamp.clone() } else { Lamp::Discharge(shown) };
    }
    let met = pattern
        .emissions
        .iter()
        .filter(|f| f.role == Role::Phosphor && f.u_nm <= 2.0)
        .filter(|f| {
            seen.iter().any(|s| {
                let fwhm_nm = fwhm_own * slope(|x| fit.model.wavelength(x).value, s.x, fwhm_own);
                // Mercury or argon beside it would be mistaken for it.
                let apart = pattern.emissions.iter().all(|o| {
                    o.role == Role::Phosphor || (o.nm - f.nm).abs() >= f.u_nm + 1.5 * fwhm_nm
                });
                let nm = fit.model.wavelength(s.x).value;
                apart && (nm - f.nm).abs() <= f.u_nm + 0.5 * fwhm_nm
            })
        })
        .count();
    if met >= 2 { Lamp::Fluorescent } else { Lamp::mercury() }
}

fn profile(
    lamp: &Spectrum,
    recordings: &[&Recording],
    mut s: Solved,
    lamps: Vec<LampUsed>,
    settings: &CalibrateSettings,
) -> Profile {
    let nm = |x: f64| s.fit.model.wavelength(x);
    let (lo, hi) = lamp.axis().range();
    let line_width_nm = line_width(recordings, &s.matched, &s.fit);
    let rising = nm(lo).value <= nm(hi).value;
    for (x, short) in [(lo, rising), (hi, !rising)] {
        let m = nm(x);
        let name = if short { "short" } else { "long" };
        if m.u > line_width_nm.value {
            s.notes.push(format!(
                "the {name}-wave end of the axis ({:.0} nm) is extrapolated: good to {:.1} nm there",
                m.value, m.u
            ));
        }
    }
    let mut anchors: Vec<Anchor> = s
        .matched
        .iter()
        .map(|m| Anchor {
            feature: m.line.emission.name.clone(),
            wavelength_nm: m.point.nm,
            at: m.point.x,
            u_nm: (m.point.u_nm.powi(2) + s.fit.extra_nm.powi(2)).sqrt(),
            residual_nm: nm(m.point.x).value - m.point.nm,
        })
        .collect();
    anchors.sort_by(|a, b| a.wavelength_nm.total_cmp(&b.wavelength_nm));
    s.left.sort_by(|a, b| a.wavelength_nm.total_cmp(&b.wavelength_nm));
    s.left.dedup_by(|a, b| a.feature == b.feature);
    let first = anchors.first().map_or(0.0, |a| a.wavelength_nm);
    let last = anchors.last().map_or(0.0, |a| a.wavelength_nm);
    Profile {
        format: Profile::FORMAT.into(),
        format_version: Profile::FORMAT_VERSION,
        program_version: crate::VERSION.into(),
        instrument: settings.instrument.clone(),
        points: lamp.len(),
        own_axis: lamp.axis().kind(),
        own_range: [lo, hi],
        lamps,
        anchored_nm: [first, last],
        rms_nm: rms(&s.matched, &s.fit),
        extra_scatter_nm: s.fit.extra_nm,
        degrees_of_freedom: s.fit.dof,
        line_width_nm: Some(line_width_nm),
        axis_model: s.fit.model,
        settings: settings.clone(),
        notes: s.notes,
        models: s.fit.models,
        checks: Vec::new(),
        anchors,
        left_out: s.left,
    }
}

/// True where the axis neither folds back nor stands still.
fn monotone(fit: &AxisFit, range: (f64, f64)) -> bool {
    let nm: Vec<f64> = (0..=STEPS)
        .map(|k| {
            fit.model.wavelength(range.0 + (range.1 - range.0) * k as f64 / STEPS as f64).value
        })
        .collect();
    let up = nm[STEPS] > nm[0];
    nm.windows(2).all(|w| if up { w[1] > w[0] } else { w[1] < w[0] })
}
