//! The whole way from peaks to verdicts.

use super::bands::{self, Shape};
use super::evidence::{Evidence, Scene, SeenPeak, Showing, explains, look, weigh};
use super::mixture::{self, Part};
use super::pattern::{Feature, Pattern, all_features, pattern, single};
use super::sequence::ShiftPrior;
use super::shift::{self, Correction};
use super::verdict::{self, Judged};
use super::{Assignment, GasReport, GasSettings, Ghost, Verdict, chance};
use crate::reference::{Shading, Species, SpeciesKind, Tables};
use crate::signal::{LineWidth, PeakList};
use crate::{AxisKind, Error, Mask, Measured, Result, Spectrum};

/// Species that may set the common shift of an axis: the fillings and the mercury and hydrogen
/// that nearly every tube shows.
const LEADERS: [&str; 9] =
    ["He I", "Ne I", "Ar I", "Kr I", "Xe I", "Hg I", "H I", "N2 (C-B)", "O I"];
/// Scatter of a factory axis about shift and tilt, nm (common practice, no published source).
const FACTORY_SCATTER_NM: f64 = 0.2;
/// Most species that are taken to explain a recording.
const MAX_EXPLAINING: usize = 12;
/// Log odds (with the prior) from which a species takes part in explaining the others' peaks.
const EXPLAINS_FROM_NATS: f64 = 0.0;
/// The same for the shape of bands: `likely`, ln 9.
const SHAPE_EXPLAINS_FROM_NATS: f64 = 2.2;
/// Nats from which the measure of chance is worked out for a species.
const CHANCE_FROM_NATS: f64 = -1.0;
/// A peak broader than this many line widths is no line of a low-pressure tube; hydrogen in a
/// dense arc reaches some three (Stark effect).
const MAX_BROAD: f64 = 3.0;
/// Standard deviation of a Gaussian over its FWHM, 1/√(8 ln 2). A peak that is broader than a line
/// holds several: by its second moment, two equal lines that make it b times as broad stand
/// σ √(b² − 1) to each side of its centre.
const SIGMA_PER_FWHM: f64 = 0.424_660_900_144_009_5;
/// Breadth up to which two equal lines stay one peak: they show a dip from a distance of 2 σ on
/// (C. Sparrow, Astrophys. J. 44 (1916) 76), where the peak is √2 times as broad.
const UNRESOLVED_BROAD: f64 = std::f64::consts::SQRT_2;
/// Second-order images come from below this wavelength, nm: twice it is the end of silicon.
const GHOST_BELOW_NM: f64 = 560.0;
/// Scatter of a faint line's place in line widths, the reach in standard deviations, and the factor
/// by which it may stand above what is expected, to be taken for one more line of a species that
/// is there.
const FAINT_PLACE_FWHM: f64 = 0.12;
/// See [`FAINT_PLACE_FWHM`].
const FAINT_REACH_SIGMA: f64 = 2.5;
/// See [`FAINT_PLACE_FWHM`]; the cube of the scatter that the weighing allows.
const FAINT_FACTOR: f64 = 27.0;
/// Share of a peak's height from which a band's shape accounts for it.
const CLAIMS_SHARE: f64 = 0.5;
/// A ghost is at most this share of the line that casts it.
const GHOST_SHARE: f64 = 0.3;

/// Holds all species of the tables against a recording on an nm axis.
///
/// Lines (with level populations and heights known to a factor), then the whole recording as a
/// sum of species; species that are there explain their peaks away for the others; displaced
/// line patterns measure chance.
///
/// # Errors
/// [`crate::Error::Refused`] where the axis is in pixels.
pub fn identify(
    spectrum: &Spectrum,
    peaks: &PeakList,
    tables: &Tables,
    settings: &GasSettings,
) -> Result<GasReport> {
    if spectrum.axis().kind() != AxisKind::Nm {
        return Err(Error::refused(
            format!("identification of {}", spectrum.provenance.name),
            "its axis counts pixels",
            "calibrate the instrument with a fluorescent lamp and give the profile",
        ));
    }
    let asked: Vec<&Species> = tables.species().iter().filter(|s| is_asked(s, settings)).collect();
    let range = spectrum.axis().range();
    let Some(width) = peaks.line_width.filter(|_| peaks.peaks.iter().any(|p| p.line_like)) else {
        return Ok(verdict::nothing_narrow(&asked, settings, spectrum, peaks));
    };
    let singles: Vec<Vec<Feature>> = asked.iter().map(|s| single(s, &width)).collect();
    let patterns: Vec<Pattern> =
        asked.iter().zip(&singles).map(|(s, f)| pattern(s, f, range, &width)).collect();
    let (correction, seen) = correct(&asked, &singles, spectrum, peaks, range, &width, settings);
    let tallest = seen.iter().map(|p| p.height).fold(0.0, f64::max);
    let x = spectrum.x();
    let threshold = |nm: f64| {
        let at = nm - correction.at(nm);
        let i = spectrum.axis().index_of(at).round() as usize;
        peaks.threshold.get(i).copied().unwrap_or(f64::INFINITY).max(f64::MIN_POSITIVE)
    };
    let mut typical = peaks.threshold.clone();
    let scene = Scene {
        peaks: &seen,
        width,
        threshold: &threshold,
        tallest,
        typical_threshold: crate::signal::median(&mut typical).max(f64::MIN_POSITIVE),
        max_broad: MAX_BROAD,
    };
    let phosphor = phosphor_pattern(tables, range, &width);
    // Where the features of each pattern meet peaks, the phosphor's last.
    let met: Vec<Vec<Showing>> = patterns
        .iter()
        .chain(std::iter::once(&phosphor))
        .map(|p| look(&p.features, &scene))
        .collect();
    let usable: Vec<bool> = (0..x.len())
        .map(|i| {
            spectrum.mask()[i].is_good()
                && !spectrum.mask()[i].has(Mask::SATURATED)
                && peaks.saturation.is_none_or(|s| spectrum.counts()[i] < s.level)
        })
        .collect();
    // Bands that are resolved are more than the peaks that were found on them.
    let shapes = bands::shapes(
        &asked,
        (x, spectrum.counts()),
        &usable,
        peaks,
        &width,
        &|nm| shift_prior(spectrum, &correction, &width, settings, nm),
        (settings.decoys, settings.seed),
    );
    let (chosen, explained) = explain(&patterns, &phosphor, &met, &scene, &shapes);
    let judged = judge(&patterns, (&met, &shapes), &chosen, &explained, &scene, range, settings);
    // The second view: all that is in play, together, on the points themselves.
    let nm: Vec<f64> = x.iter().map(|x| x + correction.at(*x)).collect();
    let r: Vec<f64> = spectrum.counts().iter().zip(&peaks.baseline).map(|(y, b)| y - b).collect();
    let in_play: Vec<usize> = (0..patterns.len()).filter(|k| judged[*k].log_odds > -1.0).collect();
    let parts = {
        let set: Vec<(&Pattern, &Evidence)> =
            in_play.iter().map(|k| (&patterns[*k], &judged[*k].evidence)).collect();
        mixture::fit(&set, &scene, &nm, &r, &peaks.sigma, &usable, peaks.lorentzian_share)
    };
    let mut part = vec![Part::default(); patterns.len()];
    for (k, p) in in_play.iter().zip(parts) {
        part[*k] = p;
    }
    let mut report = verdict::conclude(&verdict::Case {
        patterns: &patterns,
        judged: &judged,
        shapes: &shapes,
        parts: &part,
        scene: &scene,
        settings,
        spectrum,
        peaks,
        phosphor: explained.last().map_or(&[][..], Vec::as_slice),
    });
    report.shift_nm = correction.shift;
    report.axis_u_nm = verdict::axis_u_nm(spectrum, peaks, settings);
    report.assignments =
        assign(&singles, range, &patterns, (&judged, &shapes), &report, &scene, peaks);
    report.ghosts = ghosts(&seen, &report.assignments, &phosphor, &scene);
    for g in &report.ghosts {
        let a = &mut report.assignments[g.peak];
        if a.candidates.is_empty() {
            a.candidates.push(("ghost".into(), peaks.peaks[g.peak].centre.value));
        }
    }
    let all: f64 = seen.iter().map(|p| p.height).sum();
    let open: f64 = seen
        .iter()
        .zip(&report.assignments)
        .filter(|(_, a)| a.candidates.is_empty())
        .map(|(p, _)| p.height)
        .sum();
    report.unexplained = if all > 0.0 { open / all } else { 1.0 };
    verdict::narrow(&mut report);
    Ok(report)
}

/// Species that are asked about: those named, or all but humps without structure.
fn is_asked(s: &Species, settings: &GasSettings) -> bool {
    let structureless =
        !s.bands.is_empty() && s.bands.iter().all(|b| b.shading == Shading::Continuum);
    if structureless {
        return false;
    }
    // What fills nearly every tube must stay in the sum, asked or not.
    verdict::asked_for(&s.name, &s.gas, settings) || LEADERS.contains(&s.name.as_str())
}

/// The common correction of the axis, and the peaks after it.
fn correct(
    asked: &[&Species],
    singles: &[Vec<Feature>],
    spectrum: &Spectrum,
    peaks: &PeakList,
    range: (f64, f64),
    width: &LineWidth,
    settings: &GasSettings,
) -> (Correction, Vec<SeenPeak>) {
    let floor = peaks.saturation.map_or(0.0, |s| {
        let mut b = peaks.baseline.clone();
        (s.level - crate::signal::median(&mut b)).max(0.0)
    });
    let tallest =
        peaks.peaks.iter().filter_map(|p| p.height.map(|h| h.value)).fold(floor, f64::max);
    let mut seen: Vec<SeenPeak> = peaks
        .peaks
        .iter()
        .map(|p| SeenPeak {
            nm: p.centre.value,
            u_nm: p.centre.u,
            height: p.height_or(tallest.max(floor)).max(f64::MIN_POSITIVE),
            broad: p.fwhm.value / width.fwhm(p.centre.value),
            clipped: p.clipped,
            ghost: false,
        })
        .collect();
    let calibrated = spectrum.axis_u().is_some();
    let mut u: Vec<f64> = peaks
        .peaks
        .iter()
        .map(|p| spectrum.axis_u_at(p.centre.value).unwrap_or(settings.factory_axis_u_nm))
        .collect();
    let prior = crate::signal::median(&mut u).max(0.02 * width.fwhm(0.5 * (range.0 + range.1)));
    // The search reaches beyond the range by the prior: lines there may come in.
    let leaders: Vec<Pattern> = LEADERS
        .iter()
        .filter_map(|n| asked.iter().zip(singles).find(|(s, _)| s.name == *n))
        .map(|(s, f)| pattern(s, f, (range.0 - prior, range.1 + prior), width))
        .collect();
    let refs: Vec<&Pattern> = leaders.iter().collect();
    let c = shift::find(&refs, &seen, width, prior, !calibrated);
    for p in &mut seen {
        let own = match spectrum.axis_u_at(p.nm) {
            // What is common has been taken out; what grows beyond the typical stays.
            Some(u) => (u * u - prior * prior).max(0.0).sqrt().hypot(c.shift.u.min(u)),
            None => match c.scatter_nm {
                Some(s) => c.shift.u.min(prior).hypot(s.max(FACTORY_SCATTER_NM)),
                None => prior,
            },
        };
        // Beyond Sparrow's limit a pair shows a dip and is fitted as two: such a peak is one broad
        // line (pressure), and its centre stands.
        let unresolved = if p.broad < UNRESOLVED_BROAD { p.broad.max(1.0) } else { 1.0 };
        let blend = SIGMA_PER_FWHM * width.fwhm(p.nm) * (unresolved * unresolved - 1.0).sqrt();
        p.nm += c.at(p.nm);
        p.u_nm = p.u_nm.hypot(own).hypot(blend);
    }
    seen_ghosts(&mut seen, width);
    (c, seen)
}

/// Marks peaks that lie at twice the wavelength of a much stronger one.
fn seen_ghosts(seen: &mut [SeenPeak], width: &LineWidth) {
    let sources: Vec<(f64, f64, f64)> = seen
        .iter()
        .filter(|p| p.nm < GHOST_BELOW_NM)
        .map(|p| (2.0 * p.nm, 2.0 * p.u_nm, p.height))
        .collect();
    for p in seen.iter_mut() {
        p.ghost = sources.iter().any(|(at, u, h)| {
            let sd = u.hypot(p.u_nm).hypot(0.15 * width.fwhm(p.nm));
            (p.nm - at).abs() < 2.0 * sd && p.height < GHOST_SHARE * h
        });
    }
}

/// The phosphor's peaks of a fluorescent lamp as something that explains peaks.
fn phosphor_pattern(tables: &Tables, range: (f64, f64), width: &LineWidth) -> Pattern {
    let features: Vec<Feature> = tables
        .lamp()
        .iter()
        .filter(|f| f.is_phosphor && f.u_nm < 3.0)
        .filter(|f| (range.0..=range.1).contains(&f.wavelength_nm))
        .map(|f| {
            // Main groups stand out by about ten (common practice, no published source).
            let main = ["Tb3+ 5D4-7F6", "Tb3+ 5D4-7F5 a", "Eu3+ 5D0-7F2 main"];
            let w = if main.contains(&f.name.as_str()) { 1.0 } else { 0.12 };
            Feature {
                nm: f.wavelength_nm,
                u_nm: f.u_nm.hypot(0.1 * width.fwhm(f.wavelength_nm)),
                weight: [w; 3],
                label_nm: f.wavelength_nm,
                band: true,
                glass: false,
            }
        })
        .collect();
    Pattern {
        name: "phosphor".into(),
        gas: "phosphor".into(),
        kind: SpeciesKind::Molecule,
        features,
        strongest_in_range: 1.0,
    }
}

/// What is known of the shift at a place before bands are looked at.
fn shift_prior(
    spectrum: &Spectrum,
    c: &Correction,
    width: &LineWidth,
    settings: &GasSettings,
    nm: f64,
) -> ShiftPrior {
    let least = 0.05 * width.fwhm(nm);
    let (axis_u, scatter) = match spectrum.axis_u_at(nm) {
        Some(u) => (u, 0.0),
        // Without matched lines nothing is known beyond the axis itself.
        None => (
            settings.factory_axis_u_nm,
            c.scatter_nm.map_or(f64::INFINITY, |s| s.max(FACTORY_SCATTER_NM)),
        ),
    };
    let u = c.shift.u.hypot(scatter).min(axis_u).max(least);
    let shift = if scatter.is_finite() { c.at(nm) } else { 0.0 };
    ShiftPrior { by_lines: (shift, u), axis_u: axis_u.max(least) }
}

/// Takes species in, the surest first, until none is left that the recording asks for. Returns
/// for each pattern whether it is taken, and what each explains (the phosphor last). What bands
/// explain by their shape is explained from the start.
fn explain(
    patterns: &[Pattern],
    phosphor: &Pattern,
    met: &[Vec<Showing>],
    scene: &Scene,
    shapes: &[Option<Shape>],
) -> (Vec<bool>, Vec<Vec<f64>>) {
    let n = patterns.len();
    let all: Vec<&Pattern> = patterns.iter().chain(std::iter::once(phosphor)).collect();
    let mut taken = vec![false; n + 1];
    let mut explained = vec![vec![0.0; scene.peaks.len()]; n + 1];
    let mut open: Vec<f64> = vec![f64::INFINITY; n + 1];
    let by_shape = |k: usize| -> Vec<f64> {
        match shapes.get(k).and_then(Option::as_ref) {
            // What stands from the start must be surer than what is taken in by turns.
            Some(s)
                if verdict::odds_of_shape(all[k], s)
                    .is_some_and(|odds| odds > SHAPE_EXPLAINS_FROM_NATS) =>
            {
                s.share.iter().zip(scene.peaks).map(|(s, p)| s * p.height).collect()
            }
            _ => vec![0.0; scene.peaks.len()],
        }
    };
    for (k, e) in explained.iter_mut().enumerate() {
        *e = by_shape(k);
    }
    for _ in 0..MAX_EXPLAINING {
        let sum = total(&explained, scene, None);
        let mut best: Option<(usize, f64, Evidence)> = None;
        for k in 0..=n {
            // Evidence only shrinks as others explain more: skip what is behind already.
            if taken[k] || best.as_ref().is_some_and(|b| open[k] < b.1) || open[k] < -3.0 {
                continue;
            }
            // Its own bands must not count against it.
            let own = &explained[k];
            let others: Vec<f64> = sum.iter().zip(own).map(|(s, o)| (s - o).max(0.0)).collect();
            let e = weigh(&all[k].features, met[k].clone(), scene, &others);
            let odds = e.nats + verdict::prior_nats(all[k]);
            open[k] = odds;
            if best.as_ref().is_none_or(|b| odds > b.1) {
                best = Some((k, odds, e));
            }
        }
        let Some((k, odds, e)) = best else { break };
        if odds < EXPLAINS_FROM_NATS {
            break;
        }
        taken[k] = true;
        let lines = explains(all[k], &e, scene);
        explained[k] = by_shape(k).iter().zip(lines).map(|(a, b)| a.max(b)).collect();
    }
    taken.truncate(n);
    (taken, explained)
}

/// What all but one explain of each peak.
fn total(explained: &[Vec<f64>], scene: &Scene, but: Option<usize>) -> Vec<f64> {
    let mut sum = vec![0.0; scene.peaks.len()];
    for (k, e) in explained.iter().enumerate() {
        if Some(k) != but {
            for (s, v) in sum.iter_mut().zip(e) {
                *s += v;
            }
        }
    }
    sum
}

/// Each species against all the others that are taken, and against chance.
fn judge(
    patterns: &[Pattern],
    (met, shapes): (&[Vec<Showing>], &[Option<Shape>]),
    taken: &[bool],
    explained: &[Vec<f64>],
    scene: &Scene,
    range: (f64, f64),
    settings: &GasSettings,
) -> Vec<Judged> {
    patterns
        .iter()
        .enumerate()
        .map(|(k, p)| {
            let others = total(explained, scene, Some(k));
            let evidence = weigh(&p.features, met[k].clone(), scene, &others);
            let chance = if evidence.nats > CHANCE_FROM_NATS || taken[k] {
                chance::level(p, scene, &others, range, settings.decoys, settings.seed).max(0.0)
            } else {
                0.0
            };
            // Peaks on a band and its shape are the same light: the larger counts, not the sum.
            let by_lines = verdict::log_odds(p, evidence.nats - chance);
            let by_shape = shapes[k]
                .as_ref()
                .and_then(|s| verdict::odds_of_shape(p, s))
                .unwrap_or(f64::NEG_INFINITY);
            let log_odds = by_lines.max(by_shape);
            Judged { evidence, chance, others, log_odds }
        })
        .collect()
}

/// What each peak is taken for.
fn assign(
    singles: &[Vec<Feature>],
    range: (f64, f64),
    patterns: &[Pattern],
    (judged, shapes): (&[Judged], &[Option<Shape>]),
    report: &GasReport,
    scene: &Scene,
    peaks: &PeakList,
) -> Vec<Assignment> {
    let mut out: Vec<Vec<(f64, String, f64)>> = vec![Vec::new(); peaks.peaks.len()];
    let mut faint = out.clone();
    let is_shown = |p: &Pattern| {
        report
            .species
            .iter()
            .find(|s| s.species == p.name)
            .is_some_and(|s| matches!(s.verdict, Verdict::Seen | Verdict::Likely))
    };
    let shown: Vec<(&[Feature], &Pattern, &Judged)> = singles
        .iter()
        .zip(patterns)
        .zip(judged)
        .filter(|((_, p), _)| is_shown(p))
        .map(|((s, p), j)| (s.as_slice(), p, j))
        .collect();
    for (p, s) in patterns.iter().zip(shapes).filter(|(p, _)| is_shown(p)) {
        for (k, (nm, light)) in s.iter().flat_map(|s| s.on_peaks()).enumerate() {
            if light > CLAIMS_SHARE {
                out[k].push((light * scene.peaks[k].height, p.name.clone(), nm));
            }
        }
    }
    for (_, p, j) in &shown {
        for (f, w) in p.features.iter().zip(&j.evidence.showing) {
            if let Showing::Peak { index, place } = w {
                let expected = j.evidence.amplitude * f.weight[j.evidence.population];
                let height = scene.peaks[*index].height;
                // A line that is expected far below the peak is not what the peak is.
                if expected > 0.02 * height {
                    let score = expected.min(height) * place;
                    out[*index].push((score, p.name.clone(), f.label_nm));
                }
            }
        }
    }
    // Faint lines beyond those that were weighed belong to the species as well.
    for (single, p, j) in shown {
        let expected = |f: &Feature| j.evidence.amplitude * f.weight[j.evidence.population];
        for f in all_features(single, range, &scene.width) {
            for (k, q) in scene.peaks.iter().enumerate() {
                let sd = q.u_nm.hypot(f.u_nm).hypot(FAINT_PLACE_FWHM * scene.width.fwhm(f.nm));
                let place = (q.nm - f.nm) / sd;
                if out[k].is_empty()
                    && place.abs() < FAINT_REACH_SIGMA
                    && expected(&f) * FAINT_FACTOR > q.height
                {
                    faint[k].push((
                        expected(&f) * (-0.5 * place * place).exp(),
                        p.name.clone(),
                        f.label_nm,
                    ));
                }
            }
        }
    }
    for (o, f) in out.iter_mut().zip(faint) {
        o.extend(f);
    }
    out.into_iter()
        .enumerate()
        .map(|(peak, mut c)| {
            c.sort_by(|a, b| b.0.total_cmp(&a.0));
            Assignment {
                peak,
                label: c.first().map(|(_, s, nm)| format!("{s} {nm:.2}")),
                candidates: c.into_iter().map(|(_, s, nm)| (s, nm)).collect(),
            }
        })
        .collect()
}

/// Names what is no line of the tube.
fn ghosts(
    seen: &[SeenPeak],
    assignments: &[Assignment],
    phosphor: &Pattern,
    scene: &Scene,
) -> Vec<Ghost> {
    // Phosphor only where its two main groups stand there, besides mercury.
    let look = look(&phosphor.features, scene);
    let main = phosphor
        .features
        .iter()
        .zip(&look)
        .filter(|(f, w)| f.weight[0] >= 1.0 && matches!(w, Showing::Peak { .. }))
        .count();
    let mercury =
        assignments.iter().any(|a| a.candidates.first().is_some_and(|(s, _)| s == "Hg I"));
    let mut out = Vec::new();
    for (k, p) in seen.iter().enumerate() {
        if !assignments[k].candidates.is_empty() {
            continue;
        }
        if p.ghost {
            out.push(Ghost {
                peak: k,
                what: format!("second-order image of the light at {:.1} nm", 0.5 * p.nm),
            });
        } else if main >= 2 && mercury {
            let hit = phosphor
                .features
                .iter()
                .zip(&look)
                .find(|(_, w)| matches!(w, Showing::Peak { index, .. } if *index == k));
            if let Some((f, _)) = hit {
                out.push(Ghost {
                    peak: k,
                    what: format!("phosphor of a fluorescent lamp ({:.1} nm)", f.label_nm),
                });
            }
        }
    }
    out
}

/// A measured zero for reports without a correction.
pub(super) const NO_SHIFT: Measured = Measured { value: 0.0, u: 0.0 };
