//! Species summed up by gas, and what concerns the report as a whole.

use super::bands::Shape;
use super::confidence::Clues;
use super::verdict::Case;
use super::{Assignment, GasReport, GasSettings, GasVerdict, SpeciesVerdict, Verdict};
use crate::reference::Species;
use crate::signal::{LineWidth, PeakList};
use crate::{Measured, Spectrum};

/// Share of the tallest peak's height from which a peak counts for [`axis_u_nm`]: what carries the
/// light, and not every speck at the end of the axis.
const CARRIES_LIGHT: f64 = 0.1;
/// A measured zero for reports without a correction.
pub const NO_SHIFT: Measured = Measured { value: 0.0, u: 0.0 };

/// Leaves in the report what was asked about: fillings stay in the sum, asked or not.
pub fn narrow(report: &mut GasReport) {
    let settings = report.settings.clone();
    report.species.retain(|s| asked_for(&s.species, &s.gas, &settings));
    report.gases = by_gas(&report.species);
}

/// True for a species that the settings ask about by its own name or its gas.
pub fn asked_for(species: &str, gas: &str, settings: &GasSettings) -> bool {
    settings.ask.is_empty()
        || settings
            .ask
            .iter()
            .any(|a| a.eq_ignore_ascii_case(species) || a.eq_ignore_ascii_case(gas))
}

/// Verdicts by gas: the best of its species.
pub fn by_gas(species: &[SpeciesVerdict]) -> Vec<GasVerdict> {
    let mut out: Vec<GasVerdict> = Vec::new();
    // Species come surest first: the first of a gas speaks for it, except that one out of reach
    // must not silence another that can be answered.
    for s in species {
        match out.iter_mut().find(|g| g.gas == s.gas) {
            Some(g) => {
                if matches!(s.verdict, Verdict::Seen | Verdict::Likely) {
                    g.species.push(s.species.clone());
                }
                g.share += s.share;
                let better = rank(s.verdict) > rank(g.verdict);
                if better {
                    g.verdict = s.verdict;
                    g.reason = s.reason.clone();
                    g.probability = s.probability;
                }
                if g.limit.is_none() && s.verdict == g.verdict {
                    g.limit = s.limit.clone();
                }
            }
            None => out.push(GasVerdict {
                gas: s.gas.clone(),
                verdict: s.verdict,
                probability: s.probability,
                species: if matches!(s.verdict, Verdict::Seen | Verdict::Likely) {
                    vec![s.species.clone()]
                } else {
                    Vec::new()
                },
                share: s.share,
                limit: s.limit.clone(),
                reason: s.reason.clone(),
            }),
        }
    }
    out.sort_by(|a, b| {
        rank(b.verdict)
            .cmp(&rank(a.verdict))
            .then(b.probability.total_cmp(&a.probability))
            .then(a.gas.cmp(&b.gas))
    });
    out
}

fn rank(v: Verdict) -> u8 {
    match v {
        Verdict::Seen => 4,
        Verdict::Likely => 3,
        Verdict::Undecided => 2,
        Verdict::NotSeen => 1,
        Verdict::OutOfReach => 0,
    }
}

/// Share of the peaks' heights that species which are seen or likely lay claim to.
pub fn claimed_share(case: &Case, species: &[SpeciesVerdict]) -> f64 {
    let mut claimed: Vec<bool> = case
        .scene
        .peaks
        .iter()
        .zip(case.phosphor)
        .map(|(p, f)| p.ghost || *f > 0.5 * p.height)
        .collect();
    for s in species.iter().filter(|s| matches!(s.verdict, Verdict::Seen | Verdict::Likely)) {
        for l in &s.lines_for {
            if let Some(p) = l.peak {
                claimed[p] = true;
            }
        }
    }
    for (p, shape) in case.patterns.iter().zip(case.shapes) {
        let shown = species
            .iter()
            .any(|s| s.species == p.name && matches!(s.verdict, Verdict::Seen | Verdict::Likely));
        for (k, (_, share)) in shape.iter().flat_map(Shape::on_peaks).enumerate() {
            claimed[k] |= shown && share > 0.5;
        }
    }
    let all: f64 = case.scene.peaks.iter().map(|p| p.height).sum();
    let sum: f64 =
        case.scene.peaks.iter().zip(&claimed).filter(|(_, c)| **c).map(|(p, _)| p.height).sum();
    if all > 0.0 { sum / all } else { 0.0 }
}

/// Largest standard uncertainty of the axis, nm, under the peaks that carry the light; without
/// any peak, the largest along the axis. An uncalibrated axis has the one of the settings.
pub fn axis_u_nm(spectrum: &Spectrum, peaks: &PeakList, settings: &GasSettings) -> f64 {
    let Some(all) = spectrum.axis_u() else { return settings.factory_axis_u_nm };
    let tallest = peaks.peaks.iter().map(|p| p.height_or(0.0)).fold(0.0, f64::max);
    let under = peaks
        .peaks
        .iter()
        .filter(|p| p.height_or(f64::INFINITY) >= CARRIES_LIGHT * tallest)
        .filter_map(|p| spectrum.axis_u_at(p.centre.value))
        .fold(0.0, f64::max);
    if under > 0.0 { under } else { all.iter().copied().fold(0.0, f64::max) }
}

/// The report for a recording without any narrow line.
pub fn nothing_narrow(
    asked: &[&Species],
    settings: &GasSettings,
    spectrum: &Spectrum,
    peaks: &PeakList,
) -> GasReport {
    let reason = "nothing as narrow as a line of this instrument stands out";
    let species: Vec<SpeciesVerdict> = asked
        .iter()
        .filter(|s| asked_for(&s.name, &s.gas, settings))
        .map(|s| SpeciesVerdict {
            species: s.name.clone(),
            gas: s.gas.clone(),
            verdict: Verdict::OutOfReach,
            probability: 0.0,
            decibans: 0.0,
            lines_for: Vec::new(),
            lines_missing: Vec::new(),
            share: 0.0,
            limit: None,
            reason: reason.into(),
            light: Vec::new(),
            clues: Clues::default(),
        })
        .collect();
    GasReport {
        shift_nm: NO_SHIFT,
        fwhm_nm: peaks.line_width.map_or(0.0, |w: LineWidth| w.value),
        axis_u_nm: axis_u_nm(spectrum, peaks, settings),
        gases: by_gas(&species),
        species,
        assignments: (0..peaks.peaks.len())
            .map(|peak| Assignment { peak, candidates: Vec::new(), label: None })
            .collect(),
        ghosts: Vec::new(),
        unexplained: 1.0,
        chance: None,
        notes: vec![format!(
            "{reason}: this is a lamp without lines, darkness, or a recording too weak to tell"
        )],
        settings: settings.clone(),
    }
}
