//! Rows and words that the terminal and the page have in common.

use super::format::{self, NONE};
use crate::Measured;
use crate::calibrate::ModelShare;
use crate::gases::{GasReport, GasVerdict, LineEvidence, Verdict};
use crate::signal::PeakList;
use crate::source::Emission;

/// Lines that are named as evidence for one gas.
const EVIDENCE: usize = 4;

/// A value with its uncertainty, or the sign for none.
pub fn or_none(m: Option<Measured>) -> String {
    m.map_or(NONE.into(), format::measured)
}

/// What an emission is, its peak, centroid and FWHM in nm, its share, and what it is taken for.
pub fn emission(e: &Emission) -> Vec<String> {
    let mut name = e.taken_for.clone();
    if e.clipped {
        name = format!("{name} clipped").trim().into();
    }
    vec![
        if e.ghost { "image".into() } else { e.shape.word().to_string() },
        if e.rises_to_end { NONE.into() } else { format::measured(e.peak_nm) },
        format::measured(e.centroid_nm),
        or_none(e.fwhm_nm),
        format::share(e.share),
        name,
    ]
}

/// A model of the axis: name, share, parameters, rms of the lines in it and of those foretold, nm.
pub fn model(m: &ModelShare) -> Vec<String> {
    vec![
        m.name.clone(),
        format::probability(m.weight),
        format::decimals(m.effective_parameters, 1),
        format::two_digits(m.rms_nm),
        format::two_digits(m.left_out_rms_nm),
    ]
}

/// The strongest few lines for a gas, or the limit for one that is not seen.
pub fn evidence(report: &GasReport, gas: &GasVerdict) -> String {
    if gas.verdict == Verdict::NotSeen {
        return match &gas.limit {
            Some(l) => format!(
                "would show from {} of the strongest line, at {}",
                format::limit(l.relative_to_strongest),
                format::nm(l.line_nm)
            ),
            None => NONE.into(),
        };
    }
    let of_gas = report.species.iter().filter(|s| s.gas == gas.gas);
    let mut lines: Vec<&LineEvidence> =
        of_gas.flat_map(|s| &s.lines_for).filter(|l| l.peak.is_some()).collect();
    if lines.is_empty() {
        return NONE.into();
    }
    lines.sort_by(|a, b| b.decibans.total_cmp(&a.decibans));
    let named: Vec<String> =
        lines.iter().take(EVIDENCE).map(|l| format::nm(l.wavelength_nm)).collect();
    match lines.len().saturating_sub(EVIDENCE) {
        0 => named.join(", "),
        more => format!("{} and {more} more", named.join(", ")),
    }
}

fn place(list: &PeakList, peak: usize) -> String {
    list.peaks.get(peak).map_or(NONE.into(), |p| format::nm(p.centre.value))
}

/// Peaks that are no lines of the tube, place and reason.
pub fn ghosts(report: &GasReport, list: &PeakList) -> Vec<String> {
    report.ghosts.iter().map(|g| format!("{}: {}", place(list, g.peak), g.what)).collect()
}

/// Places of the peaks that neither a gas nor a ghost claims, with their share of the light; `None` where
/// there are none.
pub fn unclaimed(report: &GasReport, list: &PeakList) -> Option<String> {
    let ghost = |peak: usize| report.ghosts.iter().any(|g| g.peak == peak);
    let free = report.assignments.iter().filter(|a| a.label.is_none() && !ghost(a.peak));
    let places: Vec<String> = free.map(|a| place(list, a.peak)).collect();
    if places.is_empty() {
        return None;
    }
    let share = match format::share(report.unexplained) {
        s if s == NONE => String::new(),
        s => format!(", {s} of the light"),
    };
    Some(places.join(", ") + &share)
}
