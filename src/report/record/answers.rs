//! Verdicts and their evidence in a record.

use super::{MeasuredRecord, finite};
use crate::gases::{
    Assignment, ChanceShare, GasReport, GasVerdict, Ghost, Limit, LineEvidence, SpeciesVerdict,
    Verdict,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// All answers about gases. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GasesRecord {
    /// Common shift of the axis that was fitted along (true minus axis value), nm.
    pub shift_nm: MeasuredRecord,
    /// Width of an unresolved line at the middle of the lines, nm.
    pub fwhm_nm: Option<f64>,
    /// Typical standard uncertainty of the axis under the lines before that shift, nm.
    pub axis_u_nm: Option<f64>,
    /// One entry a gas, surest first.
    pub gases: Vec<GasRecord>,
    /// One entry a species, surest first.
    pub species: Vec<SpeciesRecord>,
    /// What each peak is taken for.
    pub assignments: Vec<AssignmentRecord>,
    /// Features that are no lines of the tube.
    pub ghosts: Vec<GhostRecord>,
    /// Share of the lines' light that no species explains, 0 to 1.
    pub unexplained: Option<f64>,
    /// What chance accounts for among the names, where it was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chance: Option<ChanceShare>,
    /// What to beware of, one sentence each.
    pub notes: Vec<String>,
}

/// The answer for one gas. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GasRecord {
    /// Gas or element.
    pub gas: String,
    /// `seen`, `likely`, `undecided`, `not-seen` or `out-of-reach`.
    pub verdict: Verdict,
    /// Probability that it is there, 0 to 1.
    pub probability: Option<f64>,
    /// Species behind it, strongest first.
    pub species: Vec<String>,
    /// Share of the lines' light, 0 to 1.
    pub share: Option<f64>,
    /// Limit, for what is not seen.
    pub limit: Option<LimitRecord>,
    /// Why, in one sentence.
    pub reason: String,
}

/// The answer for one species. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SpeciesRecord {
    /// Spectroscopic name.
    pub species: String,
    /// Gas it counts under.
    pub gas: String,
    /// `seen`, `likely`, `undecided`, `not-seen` or `out-of-reach`.
    pub verdict: Verdict,
    /// Probability that it is there, 0 to 1.
    pub probability: Option<f64>,
    /// Evidence, decibans.
    pub decibans: Option<f64>,
    /// Lines that speak for it, strongest evidence first.
    pub lines_for: Vec<EvidenceRecord>,
    /// Expected lines that are missing.
    pub lines_missing: Vec<EvidenceRecord>,
    /// Share of the lines' light, 0 to 1.
    pub share: Option<f64>,
    /// Limit, for what is not seen.
    pub limit: Option<LimitRecord>,
    /// Why, in one sentence.
    pub reason: String,
}

/// One line of a species held against the recording. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EvidenceRecord {
    /// Tabulated wavelength, nm (air).
    pub wavelength_nm: Option<f64>,
    /// Index of the peak that lies there.
    pub peak: Option<usize>,
    /// Peak minus line after the common shift, nm.
    pub offset_nm: Option<f64>,
    /// Expected height, unit of the counts.
    pub expected: Option<f64>,
    /// Observed height, or the height from which it would have been seen.
    pub observed: Option<f64>,
    /// What this line says, decibans.
    pub decibans: Option<f64>,
    /// Other species that account for it as well.
    pub shared_with: Vec<String>,
}

/// From what height on a species would have been seen. The list may grow.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LimitRecord {
    /// The line that would show first, nm (air).
    pub line_nm: Option<f64>,
    /// Detection limit over the height of the strongest line.
    pub relative_to_strongest: Option<f64>,
    /// The same in the unit of the counts.
    pub counts: Option<f64>,
}

/// What a peak is taken for. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AssignmentRecord {
    /// Index of the peak.
    pub peak: usize,
    /// Species (or `ghost`, `room light`) and tabulated wavelength, nm (air), likeliest first.
    pub candidates: Vec<(String, Option<f64>)>,
    /// Label; `null` for a peak nobody claims.
    pub label: Option<String>,
}

/// A feature that is no line of the tube. The list may grow.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct GhostRecord {
    /// Index of the peak.
    pub peak: usize,
    /// What it is, in words.
    pub what: String,
}

impl From<&GasReport> for GasesRecord {
    fn from(r: &GasReport) -> Self {
        GasesRecord {
            shift_nm: r.shift_nm.into(),
            fwhm_nm: finite(r.fwhm_nm),
            axis_u_nm: finite(r.axis_u_nm),
            gases: r.gases.iter().map(Into::into).collect(),
            species: r.species.iter().map(Into::into).collect(),
            assignments: r.assignments.iter().map(Into::into).collect(),
            ghosts: r.ghosts.iter().map(Into::into).collect(),
            unexplained: finite(r.unexplained),
            chance: r.chance.clone(),
            notes: r.notes.clone(),
        }
    }
}

impl From<&GasVerdict> for GasRecord {
    fn from(g: &GasVerdict) -> Self {
        GasRecord {
            gas: g.gas.clone(),
            verdict: g.verdict,
            probability: finite(g.probability),
            species: g.species.clone(),
            share: finite(g.share),
            limit: g.limit.as_ref().map(Into::into),
            reason: g.reason.clone(),
        }
    }
}

impl From<&SpeciesVerdict> for SpeciesRecord {
    fn from(s: &SpeciesVerdict) -> Self {
        SpeciesRecord {
            species: s.species.clone(),
            gas: s.gas.clone(),
            verdict: s.verdict,
            probability: finite(s.probability),
            decibans: finite(s.decibans),
            lines_for: s.lines_for.iter().map(Into::into).collect(),
            lines_missing: s.lines_missing.iter().map(Into::into).collect(),
            share: finite(s.share),
            limit: s.limit.as_ref().map(Into::into),
            reason: s.reason.clone(),
        }
    }
}

impl From<&LineEvidence> for EvidenceRecord {
    fn from(l: &LineEvidence) -> Self {
        EvidenceRecord {
            wavelength_nm: finite(l.wavelength_nm),
            peak: l.peak,
            offset_nm: l.offset_nm.and_then(finite),
            expected: finite(l.expected),
            observed: finite(l.observed),
            decibans: finite(l.decibans),
            shared_with: l.shared_with.clone(),
        }
    }
}

impl From<&Limit> for LimitRecord {
    fn from(l: &Limit) -> Self {
        LimitRecord {
            line_nm: finite(l.line_nm),
            relative_to_strongest: finite(l.relative_to_strongest),
            counts: finite(l.counts),
        }
    }
}

impl From<&Assignment> for AssignmentRecord {
    fn from(a: &Assignment) -> Self {
        AssignmentRecord {
            peak: a.peak,
            candidates: a.candidates.iter().map(|(s, nm)| (s.clone(), finite(*nm))).collect(),
            label: a.label.clone(),
        }
    }
}

impl From<&Ghost> for GhostRecord {
    fn from(g: &Ghost) -> Self {
        GhostRecord { peak: g.peak, what: g.what.clone() }
    }
}
