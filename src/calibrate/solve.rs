//! From a lamp's peaks to a profile.

use super::fit::{self, AxisFit, Point};
use super::pattern::{self, Mark, Seen};
use super::search::{Ground, Trial};
use super::{Anchor, CalibrateSettings, Lamp, LeftOut, Profile};
use crate::reference::{LampFeature, Tables};
use crate::signal::{LineWidth, Peak, PeakList};
use crate::{AxisKind, Error, Measured, Result, Spectrum};
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

/// Number of false lamps (patterns with displaced lines) that the true one must beat.
const FALSE_LAMPS: usize = 8;
/// Displacement of a false lamp's lines, nm: more than any line width, less than the range.
const FALSE_SHIFT_NM: (f64, f64) = (9.0, 45.0);
/// Nats by which the lamp must fit better than the best false one, and than another axis: odds of
/// 50 to 1.
const MARGIN_NATS: f64 = 4.0;
/// Fewest mercury lines that carry an axis.
const MIN_ANCHORS: usize = 3;
/// Systematic error of a line's place as a share of its width: asymmetry of the optics and
/// sampling (published calibrations bottom out at 0.01 to 0.05 pixel; a line is 2 to 6 wide).
const PLACE_FLOOR_FWHM: f64 = 0.02;
/// The same where a phosphor peak or another line stands within [`CROWDED_FWHM`] line widths.
const CROWDED_FLOOR_FWHM: f64 = 0.12;
/// Distance in line widths within which a neighbour pulls a fitted line.
const CROWDED_FWHM: f64 = 2.0;
/// A peak further than this from the expected place (in line widths, besides the axis' own
/// uncertainty) is not taken for the line.
const MATCH_FWHM: f64 = 0.6;
/// Uncertainty of the axis (in line widths, k = 1) beyond which no line is matched any more: the
/// next peak could be taken.
const MAX_MATCH_U_FWHM: f64 = 0.6;
/// Buffer-gas lines that must agree before any of them carries the axis.
const MIN_BUFFER_LINES: usize = 3;
/// Residual in standard deviations beyond which an anchor is thrown out.
const OUTLIER_SIGMA: f64 = 3.5;
/// Residual rms in line widths beyond which the pattern is not the lamp's.
const MAX_RMS_FWHM: f64 = 0.3;

/// Sets the axis by a recording of a fluorescent or mercury lamp.
///
/// The lamp is recognised by its mercury lines (with the phosphor's peaks explaining others),
/// against false lamps whose lines are displaced; the axis is fitted to mercury lines, and to the
/// buffer gas's where at least three of them agree.
///
/// # Errors
/// [`crate::Error::Refused`] where the lamp's pattern is not there, with the reason.
pub fn calibrate(
    lamp: &Spectrum,
    peaks: &PeakList,
    tables: &Tables,
    settings: &CalibrateSettings,
) -> Result<Profile> {
    let what = format!("calibration with {}", lamp.provenance.name);
    let refuse = |why: String| {
        Error::refused(
            what.clone(),
            why,
            "record a fluorescent lamp close up, not clipped, with line-free darkness around it",
        )
    };
    let kind = lamp.axis().kind();
    let (lo, hi) = lamp.axis().range();
    let seen = pattern::seen(peaks);
    let width = peaks
        .line_width
        .ok_or_else(|| refuse("no narrow line stands out of this recording".into()))?;
    if seen.len() < MIN_ANCHORS {
        return Err(refuse(format!(
            "only {} line(s) stand out, {MIN_ANCHORS} of mercury are needed",
            seen.len()
        )));
    }
    let ground = Ground { seen: &seen, range: [lo, hi], fwhm_own: width.value };
    let trial = recognise(&ground, kind, tables, settings).map_err(refuse)?;
    let solver = Solver { peaks, tables, kind, range: [lo, hi], fwhm_own: width };
    let solved = solver.run(&trial, &seen).map_err(|why| {
        Error::refused(
            what.clone(),
            why,
            "record a fluorescent lamp close up, not clipped, with line-free darkness around it",
        )
    })?;
    Ok(solver.profile(lamp, solved, settings))
}

/// Finds the one axis on which the lamp's pattern lies, or says why there is none.
fn recognise(
    ground: &Ground,
    kind: AxisKind,
    tables: &Tables,
    settings: &CalibrateSettings,
) -> std::result::Result<Trial, String> {
    let points = ground.range[1] - ground.range[0];
    let search = |shift: Option<u64>| -> Vec<Trial> {
        match kind {
            AxisKind::Nm => {
                let m = displaced(pattern::marks(tables, ground.fwhm_own), shift);
                ground.refine(&m, kind, &ground.near(&m, settings.search_nm))
            }
            AxisKind::Pixel => {
                // The line width in nm is not known yet: marks for a typical dispersion, an array
                // that spans 500 nm.
                let m = displaced(pattern::marks(tables, ground.fwhm_own * 500.0 / points), shift);
                ground.refine(&m, kind, &ground.blind(&m))
            }
        }
    };
    let trials = search(None);
    let Some(best) = trials.first().copied() else {
        return Err("no axis brings two of its lines onto mercury's".into());
    };
    if best.score.met < MIN_ANCHORS {
        return Err(format!(
            "no axis brings more than {} of its lines onto mercury's, {MIN_ANCHORS} are needed",
            best.score.met
        ));
    }
    let chance = (0..FALSE_LAMPS)
        .filter_map(|k| search(Some(k as u64)).first().map(|t| t.score.nats))
        .fold(f64::NEG_INFINITY, f64::max);
    if best.score.nats < MARGIN_NATS || best.score.nats < chance + MARGIN_NATS {
        return Err(format!(
            "the lines do not form mercury's pattern (evidence {:.1} nats; a false pattern reaches \
             {:.1}, and {MARGIN_NATS} more are asked for)",
            best.score.nats, chance
        ));
    }
    // Another axis, further away than a line width, that fits nearly as well?
    let half = 0.5 * points;
    let far = |t: &&Trial| {
        let fwhm_nm = ground.fwhm_own * best.c[1].abs() / half;
        ground
            .seen
            .iter()
            .filter(|s| s.rank <= 6.0)
            .any(|s| (t.nm(ground.t(s.x)) - best.nm(ground.t(s.x))).abs() > 3.0 * fwhm_nm)
    };
    if let Some(rival) = trials.iter().find(far)
        && rival.score.nats > best.score.nats - MARGIN_NATS
    {
        return Err(format!(
            "two axes fit nearly as well ({:.0} to {:.0} nm and {:.0} to {:.0} nm)",
            best.nm(-1.0),
            best.nm(1.0),
            rival.nm(-1.0),
            rival.nm(1.0)
        ));
    }
    Ok(best)
}

/// The marks of a false lamp: each mercury line displaced on its own, phosphor and buffer gas
/// along with it.
fn displaced(mut marks: Vec<Mark>, seed: Option<u64>) -> Vec<Mark> {
    let Some(seed) = seed else { return marks };
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    for m in &mut marks {
        let d: f64 = rng.random_range(FALSE_SHIFT_NM.0..FALSE_SHIFT_NM.1);
        m.nm += if rng.random_bool(0.5) { d } else { -d };
    }
    marks.sort_by(|a, b| a.nm.total_cmp(&b.nm));
    marks
}

struct Solver<'a> {
    peaks: &'a PeakList,
    tables: &'a Tables,
    kind: AxisKind,
    range: [f64; 2],
    fwhm_own: LineWidth,
}

struct Solved<'a> {
    fit: AxisFit,
    matched: Vec<Match<'a>>,
    left: Vec<LeftOut>,
    lamp: Lamp,
    notes: Vec<String>,
}

#[derive(Clone)]
struct Match<'a> {
    feature: &'a LampFeature,
    point: Point,
    peak: usize,
}

impl<'a> Solver<'a> {
    fn run(&self, trial: &Trial, seen: &[Seen]) -> std::result::Result<Solved<'a>, String> {
        let half = 0.5 * (self.range[1] - self.range[0]);
        let fwhm_nm = self.fwhm_own.value * trial.c[1].abs() / half;
        let (lines, left) = pattern::anchor_lines(self.tables, fwhm_nm);
        let t = |x: f64| (2.0 * x - self.range[0] - self.range[1]) / (2.0 * half);
        let mut notes = Vec::new();
        let mut left: Vec<LeftOut> = left
            .into_iter()
            .map(|(f, reason)| LeftOut {
                feature: f.name.clone(),
                wavelength_nm: f.wavelength_nm,
                reason,
            })
            .collect();
        // First round on the trial's axis, with mercury only.
        let mercury: Vec<_> = lines.iter().filter(|(f, ..)| f.is_mercury).cloned().collect();
        let rough = |x: f64| Measured::new(trial.nm(t(x)), 0.35 * fwhm_nm);
        let mut matched = self.matches(&mercury, &rough, fwhm_nm);
        let mut fit = self.fit(&matched)?;
        for _ in 0..6 {
            let model = fit.model.clone();
            let axis = |x: f64| model.wavelength(x);
            let mut next = self.matches(&mercury, &axis, fwhm_nm);
            self.drop_outliers(&mut next, &mut left)?;
            let same = next.len() == matched.len()
                && next.iter().zip(&matched).all(|(a, b)| a.peak == b.peak);
            matched = next;
            fit = self.fit(&matched)?;
            if same {
                break;
            }
        }
        let core = matched.iter().filter(|m| m.feature.is_mercury).count();
        if core < MIN_ANCHORS {
            return Err(format!(
                "only {core} mercury line(s) can carry an axis at this line width, {MIN_ANCHORS} \
                 are needed"
            ));
        }
        // Then outwards along the buffer gas, as far as the axis is sure enough to match.
        let gas: Vec<_> = lines
            .iter()
            .filter(|(f, ..)| f.is_buffer_gas)
            .filter(|(f, ..)| {
                // No phosphor peak beside it, which the line could be mistaken for.
                !self.tables.lamp().iter().any(|o| {
                    o.is_phosphor
                        && (o.wavelength_nm - f.wavelength_nm).abs() < 1.5 * fwhm_nm + o.u_nm
                })
            })
            .cloned()
            .collect();
        let mut trial_set = matched.clone();
        let mut trial_fit = fit.clone();
        for _ in 0..gas.len() {
            let model = trial_fit.model.clone();
            let axis = |x: f64| model.wavelength(x);
            let found = self.matches(&gas, &axis, fwhm_nm);
            let new: Vec<Match> =
                found.into_iter().filter(|m| trial_set.iter().all(|o| o.peak != m.peak)).collect();
            // The surest first: nearest to what is anchored already.
            let Some(next) =
                new.into_iter().min_by(|a, b| axis(a.point.x).u.total_cmp(&axis(b.point.x).u))
            else {
                break;
            };
            trial_set.push(next);
            trial_set.sort_by(|a, b| a.point.x.total_cmp(&b.point.x));
            trial_fit = self.fit(&trial_set)?;
        }
        let mut dropped = Vec::new();
        self.drop_outliers(&mut trial_set, &mut dropped)?;
        let buffer = trial_set.iter().filter(|m| m.feature.is_buffer_gas).count();
        let rms = |s: &[Match], f: &AxisFit| rms(s, f);
        if buffer >= MIN_BUFFER_LINES {
            let f = self.fit(&trial_set)?;
            if rms(&trial_set, &f) < MAX_RMS_FWHM * fwhm_nm {
                matched = trial_set;
                fit = f;
                left.extend(dropped);
                notes.push(format!("{buffer} lines of the lamp's argon carry the red end"));
            }
        } else if buffer > 0 {
            notes.push(format!(
                "{buffer} peak(s) lie on argon lines of the lamp; {MIN_BUFFER_LINES} that agree \
                 are needed before they carry the axis"
            ));
        }
        let r = rms(&matched, &fit);
        if r > MAX_RMS_FWHM * fwhm_nm {
            return Err(format!(
                "the lines scatter by {r:.2} nm about every smooth axis, more than a line of \
                 {fwhm_nm:.2} nm allows"
            ));
        }
        let end = |x: f64| fit.model.wavelength(x);
        if !monotone(&fit, self.range) {
            return Err("the axis through the matched lines would turn back".into());
        }
        for (name, x) in [("low", self.range[0]), ("high", self.range[1])] {
            let m = end(x);
            if m.u > fwhm_nm {
                notes.push(format!(
                    "the {name} end of the axis ({:.0} nm) is extrapolated: good to {:.1} nm there",
                    m.value, m.u
                ));
            }
        }
        let (a, b) = (end(self.range[0]).value, end(self.range[1]).value);
        for (f, ..) in &mercury {
            let used = matched.iter().any(|m| m.feature.name == f.name);
            let told = left.iter().any(|l| l.feature == f.name);
            if !used && !told && (a.min(b)..a.max(b)).contains(&f.wavelength_nm) {
                left.push(LeftOut {
                    feature: f.name.clone(),
                    wavelength_nm: f.wavelength_nm,
                    reason: "no single clear peak there".into(),
                });
            }
        }
        left.sort_by(|a, b| a.wavelength_nm.total_cmp(&b.wavelength_nm));
        left.dedup_by(|a, b| a.feature == b.feature);
        let lamp = self.which_lamp(&fit, seen, fwhm_nm);
        Ok(Solved { fit, matched, left, lamp, notes })
    }

    /// Lines that have one clear peak within the axis' uncertainty.
    fn matches(
        &self,
        lines: &[(&'a LampFeature, f64, f64)],
        axis: &impl Fn(f64) -> Measured,
        fwhm_nm: f64,
    ) -> Vec<Match<'a>> {
        let nm: Vec<Measured> = self.peaks.peaks.iter().map(|p| axis(p.centre.value)).collect();
        let tall = |p: &Peak| p.height_or(f64::INFINITY);
        let mut out: Vec<Match> = Vec::new();
        for (f, line_nm, line_u) in lines {
            let near: Vec<usize> = (0..nm.len())
                .filter(|k| {
                    let u = nm[*k].u.min(MAX_MATCH_U_FWHM * fwhm_nm);
                    (nm[*k].value - line_nm).abs() < MATCH_FWHM * fwhm_nm + 2.0 * u
                        && nm[*k].u < MAX_MATCH_U_FWHM * fwhm_nm
                        && self.peaks.peaks[*k].significance > 5.0
                })
                .collect();
            let Some(&k) = near.iter().max_by(|a, b| {
                tall(&self.peaks.peaks[**a]).total_cmp(&tall(&self.peaks.peaks[**b]))
            }) else {
                continue;
            };
            let p = &self.peaks.peaks[k];
            if !p.line_like && p.fwhm.value > 2.0 * self.fwhm_own.fwhm(p.centre.value) {
                continue;
            }
            // nm per unit of the own axis, here.
            let step = self.fwhm_own.value;
            let slope = ((axis(p.centre.value + step).value - axis(p.centre.value - step).value)
                / (2.0 * step))
                .abs();
            let crowded = self.peaks.peaks.iter().enumerate().any(|(j, o)| {
                j != k
                    && (o.centre.value - p.centre.value).abs()
                        < CROWDED_FWHM * self.fwhm_own.fwhm(p.centre.value)
                    && tall(o) > 0.1 * tall(p)
            }) || !p.line_like;
            let floor = if crowded { CROWDED_FLOOR_FWHM } else { PLACE_FLOOR_FWHM };
            let u_nm =
                ((p.centre.u * slope).powi(2) + (floor * fwhm_nm).powi(2) + line_u * line_u).sqrt();
            let point = Point { x: p.centre.value, nm: *line_nm, u_nm };
            let m = Match { feature: f, point, peak: k };
            // One peak carries one line: the nearer one.
            match out.iter_mut().find(|o| o.peak == k) {
                Some(o) => {
                    let d = |m: &Match| (nm[k].value - m.point.nm).abs();
                    if d(&m) < d(o) {
                        *o = m;
                    }
                }
                None => out.push(m),
            }
        }
        out.sort_by(|a, b| a.point.x.total_cmp(&b.point.x));
        out
    }

    fn fit(&self, matched: &[Match]) -> std::result::Result<AxisFit, String> {
        let points: Vec<Point> = matched.iter().map(|m| m.point).collect();
        fit::fit(&points, self.range, self.kind).map_err(|e| e.to_string())
    }

    /// Leaves out the worst anchor as long as it lies outside what the others allow.
    fn drop_outliers(
        &self,
        matched: &mut Vec<Match<'a>>,
        left: &mut Vec<LeftOut>,
    ) -> std::result::Result<(), String> {
        while matched.len() > MIN_ANCHORS {
            // Each anchor against the axis through all others.
            let mut worst = (0.0, 0);
            for k in 0..matched.len() {
                let rest: Vec<Match> = matched
                    .iter()
                    .enumerate()
                    .filter(|(j, _)| *j != k)
                    .map(|(_, m)| m.clone())
                    .collect();
                let f = self.fit(&rest)?;
                let p = &matched[k].point;
                let m = f.model.wavelength(p.x);
                let u = (m.u.powi(2) + p.u_nm.powi(2) + f.extra_nm.powi(2)).sqrt();
                let z = (m.value - p.nm).abs() / u;
                if z > worst.0 {
                    worst = (z, k);
                }
            }
            if worst.0 < OUTLIER_SIGMA {
                break;
            }
            let m = matched.remove(worst.1);
            left.push(LeftOut {
                feature: m.feature.name.clone(),
                wavelength_nm: m.feature.wavelength_nm,
                reason: format!("{:.1} standard deviations off the axis of the others", worst.0),
            });
        }
        Ok(())
    }

    /// Fluorescent where at least two phosphor peaks are among what is seen.
    fn which_lamp(&self, fit: &AxisFit, seen: &[Seen], fwhm_nm: f64) -> Lamp {
        let near = |lo: f64, hi: f64| {
            seen.iter().any(|s| {
                let nm = fit.model.wavelength(s.x).value;
                (lo - 0.5 * fwhm_nm..hi + 0.5 * fwhm_nm).contains(&nm)
            })
        };
        let phosphor: usize = self
            .tables
            .lamp()
            .iter()
            .filter(|f| f.is_phosphor && f.u_nm <= 2.0)
            .filter(|f| {
                // Mercury or argon beside it would be mistaken for it.
                !self.tables.lamp().iter().any(|o| {
                    !o.is_phosphor
                        && (o.wavelength_nm - f.wavelength_nm).abs() < f.u_nm + 1.5 * fwhm_nm
                })
            })
            .map(|f| usize::from(near(f.wavelength_nm - f.u_nm, f.wavelength_nm + f.u_nm)))
            .sum();
        if phosphor >= 2 { Lamp::Fluorescent } else { Lamp::Mercury }
    }

    fn profile(&self, lamp: &Spectrum, s: Solved, settings: &CalibrateSettings) -> Profile {
        let nm = |x: f64| s.fit.model.wavelength(x).value;
        let mut wavelengths: Vec<f64> = s.matched.iter().map(|m| m.point.nm).collect();
        wavelengths.sort_by(f64::total_cmp);
        let mut anchors: Vec<Anchor> = s
            .matched
            .iter()
            .map(|m| Anchor {
                feature: m.feature.name.clone(),
                wavelength_nm: m.point.nm,
                at: m.point.x,
                u_nm: (m.point.u_nm.powi(2) + s.fit.extra_nm.powi(2)).sqrt(),
                residual_nm: nm(m.point.x) - m.point.nm,
            })
            .collect();
        anchors.sort_by(|a, b| a.wavelength_nm.total_cmp(&b.wavelength_nm));
        // Line width in nm: own width times the slope of the axis, from the narrow anchors.
        let slope = |x: f64| {
            let h = self.fwhm_own.value;
            ((nm(x + h) - nm(x - h)) / (2.0 * h)).abs()
        };
        let mut w: Vec<f64> = s
            .matched
            .iter()
            .map(|m| &self.peaks.peaks[m.peak])
            .filter(|p| p.line_like && !p.clipped)
            .map(|p| p.fwhm.value * slope(p.centre.value))
            .collect();
        w.sort_by(f64::total_cmp);
        let mid = 0.5 * (self.range[0] + self.range[1]);
        let value = if w.is_empty() {
            self.fwhm_own.value * slope(mid)
        } else {
            // Blends are broader: the lower middle is the instrument's.
            w[(w.len() - 1) / 2]
        };
        let spread = if w.len() >= 2 { 0.5 * (w[w.len() - 1] - w[0]) } else { 0.2 * value };
        let u = (spread / (w.len().max(1) as f64).sqrt()).max(0.02 * value);
        let line_width_nm = Some(LineWidth { value, slope: 0.0, at: nm(mid), u });
        let (first, last) = (wavelengths.first().copied(), wavelengths.last().copied());
        Profile {
            format: Profile::FORMAT.into(),
            format_version: Profile::FORMAT_VERSION,
            program_version: crate::VERSION.into(),
            instrument: settings.instrument.clone(),
            points: lamp.len(),
            own_axis: self.kind,
            own_range: self.range,
            lamp: s.lamp,
            lamp_sha256: lamp.provenance.sha256.clone(),
            anchored_nm: [first.unwrap_or(0.0), last.unwrap_or(0.0)],
            rms_nm: rms(&s.matched, &s.fit),
            extra_scatter_nm: s.fit.extra_nm,
            degrees_of_freedom: s.fit.dof,
            line_width_nm,
            axis_model: s.fit.model,
            settings: settings.clone(),
            notes: s.notes,
            anchors,
            left_out: s.left,
            checks: Vec::new(),
        }
    }
}

fn rms(matched: &[Match], fit: &AxisFit) -> f64 {
    let sum: f64 =
        matched.iter().map(|m| (fit.model.wavelength(m.point.x).value - m.point.nm).powi(2)).sum();
    (sum / matched.len().max(1) as f64).sqrt()
}

/// True where the axis neither folds back nor stands still.
fn monotone(fit: &AxisFit, range: [f64; 2]) -> bool {
    const STEPS: usize = 64;
    let nm: Vec<f64> = (0..=STEPS)
        .map(|k| {
            fit.model.wavelength(range[0] + (range[1] - range[0]) * k as f64 / STEPS as f64).value
        })
        .collect();
    let up = nm[STEPS] > nm[0];
    nm.windows(2).all(|w| if up { w[1] > w[0] } else { w[1] < w[0] })
}
