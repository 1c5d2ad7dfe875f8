//! The whole way from peaks to verdicts.

use super::assign::{assign, ghosts, phosphor_pattern};
use super::bands;
use super::correct::{Corrections, LEADERS, correct, shift_prior};
use super::evidence::{Evidence, Scene};
use super::explain::{explain, judge};
use super::faint::FaintLight;
use super::mixture::{self, Part};
use super::pattern::{Feature, Pattern, pattern, single};
use super::settle::Stage;
use super::{GasReport, GasSettings, summary, verdict};
use crate::reference::{Shading, Species, Tables};
use crate::signal::{PeakList, Readings};
use crate::{AxisKind, Error, Mask, Result, Spectrum};

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
        return Ok(summary::nothing_narrow(&asked, settings, spectrum, peaks));
    };
    let singles: Vec<Vec<Feature>> = asked.iter().map(|s| single(s, &width)).collect();
    let patterns: Vec<Pattern> =
        asked.iter().zip(&singles).map(|(s, f)| pattern(s, f, range, &width)).collect();
    let phosphor = phosphor_pattern(tables, range, &width);
    let readings = Readings::new(spectrum, peaks);
    let faint = FaintLight::new(&readings, peaks, range, &width);
    let is_usual = |p: &&Pattern| LEADERS.contains(&p.name.as_str());
    let usual: Vec<Pattern> = patterns.iter().filter(is_usual).cloned().collect();
    let stage = Stage {
        patterns: &patterns,
        usual: &usual,
        phosphor: &phosphor,
        spectrum,
        peaks,
        width,
        typical_threshold: crate::signal::median(&mut peaks.threshold.clone())
            .max(f64::MIN_POSITIVE),
        faint: &faint,
    };
    let rivals = correct(&asked, &singles, spectrum, peaks, range, &width, settings);
    let (correction, seen) = stage.settle(rivals, settings.factory_axis_u_nm);
    let question = Question { settings, asked: &asked, singles: &singles, readings: &readings };
    Ok(stage.under(&correction, &seen, |scene| answer(&stage, &question, &correction, scene)))
}

/// What is asked, and what of the recording the answer is read off.
struct Question<'a> {
    settings: &'a GasSettings,
    asked: &'a [&'a Species],
    singles: &'a [Vec<Feature>],
    readings: &'a Readings<'a>,
}

/// The verdicts, once the axis is settled.
fn answer(
    stage: &Stage,
    question: &Question,
    correction: &Corrections,
    scene: &Scene,
) -> GasReport {
    let &Question { settings, asked, singles, readings } = question;
    let &Stage { patterns, phosphor, spectrum, peaks, width, .. } = stage;
    let (x, seen, range) = (spectrum.x(), scene.peaks, spectrum.axis().range());
    let met = stage.meet(patterns, scene);
    let usable: Vec<bool> = (0..x.len())
        .map(|i| {
            spectrum.mask()[i].is_good()
                && !spectrum.mask()[i].has(Mask::SATURATED)
                && peaks.saturation.is_none_or(|s| spectrum.counts()[i] < s.level)
        })
        .collect();
    // Bands that are resolved are more than the peaks that were found on them.
    let shapes = bands::shapes(
        asked,
        (x, spectrum.counts()),
        &usable,
        peaks,
        &width,
        &|nm| shift_prior(spectrum, correction, &width, settings, nm),
        (settings.decoys, settings.seed),
    );
    let (chosen, explained) = explain(patterns, phosphor, &met, scene, &shapes);
    let judged = judge(patterns, (&met, &shapes), &chosen, &explained, scene, range, settings);
    // The second view: all that is in play, together, on the points themselves.
    let nm: Vec<f64> = x.iter().map(|x| x + correction.at(*x)).collect();
    let r: Vec<f64> = spectrum.counts().iter().zip(&peaks.baseline).map(|(y, b)| y - b).collect();
    let in_play: Vec<usize> = (0..patterns.len()).filter(|k| judged[*k].log_odds > -1.0).collect();
    let parts = {
        let set: Vec<(&Pattern, &Evidence)> =
            in_play.iter().map(|k| (&patterns[*k], &judged[*k].evidence)).collect();
        mixture::fit(&set, scene, &nm, &r, &peaks.sigma, &usable, peaks.lorentzian_share)
    };
    let mut part = vec![Part::default(); patterns.len()];
    for (k, mut p) in in_play.iter().zip(parts) {
        // Back to the axis as it was recorded.
        p.lines.iter_mut().for_each(|l| l.0 -= correction.at(l.0));
        part[*k] = p;
    }
    let reading = |nm: f64| {
        let at = nm - correction.at(nm);
        readings.height(at, width.fwhm(at))
    };
    let mut report = verdict::conclude(&verdict::Case {
        patterns,
        judged: &judged,
        shapes: &shapes,
        parts: &part,
        scene,
        settings,
        spectrum,
        peaks,
        reading: &reading,
        phosphor: explained.last().map_or(&[][..], Vec::as_slice),
    });
    let brightest = seen.iter().max_by(|a, b| a.height.total_cmp(&b.height));
    report.shift_nm = correction.shift_at(brightest.map_or(range.0, |p| p.nm));
    if let Some((_, a, b)) = spectrum.axis().gap() {
        report.notes.push(format!(
            "the axis leaps from {a:.1} to {b:.1} nm: two detectors, so that the common error of \
             the axis was taken for each apart"
        ));
    }
    report.axis_u_nm = summary::axis_u_nm(spectrum, peaks, settings);
    report.assignments =
        assign(singles, range, patterns, (&judged, &shapes), &report, scene, peaks);
    report.ghosts = ghosts(seen, &report.assignments, phosphor, scene);
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
    summary::narrow(&mut report);
    report
}

/// Species that are asked about: those named, or all but humps without structure.
fn is_asked(s: &Species, settings: &GasSettings) -> bool {
    let structureless =
        !s.bands.is_empty() && s.bands.iter().all(|b| b.shading == Shading::Continuum);
    if structureless {
        return false;
    }
    // What fills nearly every tube must stay in the sum, asked or not.
    summary::asked_for(&s.name, &s.gas, settings) || LEADERS.contains(&s.name.as_str())
}
