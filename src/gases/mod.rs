//! Which gases are seen, which are not and down to what limit, and which cannot be decided.

mod assign;
mod bands;
mod bend;
mod chance;
pub mod confidence;
mod confusable;
mod correct;
mod evidence;
mod explain;
mod faint;
mod identify;
mod limit;
mod mixture;
mod pattern;
mod rotation;
mod sequence;
mod settle;
mod shift;
mod stretch;
mod summary;
mod tube;
mod verdict;
mod words;

pub use confidence::{Class, Clues};
pub use confusable::{Meeting, confusable};
pub use identify::identify;
pub use mixture::non_negative;
pub use pattern::POPULATIONS_EV;
pub use tube::in_words;
pub(crate) use verdict::SHARES_NOTE;

use crate::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The answer for one species or gas.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Probability of at least 99 %.
    Seen,
    /// Probability of at least 90 %.
    Likely,
    /// Neither shown nor excluded.
    Undecided,
    /// Probability of at most 2 %, with a limit.
    NotSeen,
    /// This recording could not have shown it.
    OutOfReach,
}

impl Verdict {
    /// The word that is printed.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Seen => "seen",
            Verdict::Likely => "likely",
            Verdict::Undecided => "undecided",
            Verdict::NotSeen => "not seen",
            Verdict::OutOfReach => "out of reach",
        }
    }
}

/// Choices for [`identify()`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct GasSettings {
    /// Species or gases asked about; empty: all that a discharge tube may show.
    pub ask: Vec<String>,
    /// Standard uncertainty in nm of an nm axis that nobody has calibrated.
    pub factory_axis_u_nm: f64,
    /// Number of displaced line patterns for the measure of chance.
    pub decoys: usize,
    /// Seed of the displacements.
    pub seed: u64,
    /// Displaces the lines of every species, not only of those in question, and says what share of
    /// the names chance accounts for.
    pub chance: bool,
}

impl Default for GasSettings {
    fn default() -> Self {
        GasSettings { ask: Vec::new(), factory_axis_u_nm: 1.2, decoys: 40, seed: 1, chance: false }
    }
}

/// One line of a species held against the recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LineEvidence {
    /// Tabulated wavelength (of the blend at this line width), nm (air).
    pub wavelength_nm: f64,
    /// Index of the peak that lies there; `None` where there is none.
    pub peak: Option<usize>,
    /// Peak minus line after the common axis shift, nm.
    pub offset_nm: Option<f64>,
    /// Expected height, unit of the counts.
    pub expected: f64,
    /// Observed height, or the height from which it would have been seen.
    pub observed: f64,
    /// What this line says, decibans (positive: for the species).
    pub decibans: f64,
    /// Other species with a line in the same place that account for it as well.
    pub shared_with: Vec<String>,
}

/// A line as the fit of the whole recording has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModelLine {
    /// Place on the recording's own axis, nm.
    pub at_nm: f64,
    /// Height above the baseline, unit of the counts.
    pub height: f64,
}

/// From what height on a species would have been seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Limit {
    /// The line that would show first, nm (air).
    pub line_nm: f64,
    /// Detection limit after Currie (5 % / 5 %) over the height of the strongest line.
    pub relative_to_strongest: f64,
    /// The same in the unit of the counts.
    pub counts: f64,
    /// Share of that height that is read by the shape of a line and a level: 1 of a line, less of a band, whose
    /// flank passes for the level.
    pub read_share: f64,
}

/// The answer for one species.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SpeciesVerdict {
    /// Spectroscopic name.
    pub species: String,
    /// Gas it counts under.
    pub gas: String,
    /// Verdict.
    pub verdict: Verdict,
    /// Probability that it is there, 0 to 1.
    pub probability: f64,
    /// Evidence in decibans (10 log10 of the odds that the data lend).
    pub decibans: f64,
    /// Lines that speak for it, strongest evidence first.
    pub lines_for: Vec<LineEvidence>,
    /// Expected lines that are missing.
    pub lines_missing: Vec<LineEvidence>,
    /// Share of the lines' light that its template explains, 0 to 1.
    pub share: f64,
    /// Limit, for what is not seen.
    pub limit: Option<Limit>,
    /// Why, in one sentence.
    pub reason: String,
    /// Its light as the fit of the whole recording has it; not part of a record, since it follows from
    /// the rest.
    #[serde(skip)]
    pub light: Vec<ModelLine>,
    /// What the probability was made from.
    #[serde(default)]
    pub clues: Clues,
}

/// The answer for one gas, all its species together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GasVerdict {
    /// Gas or element.
    pub gas: String,
    /// Verdict: the best of its species'.
    pub verdict: Verdict,
    /// Probability that it is there, 0 to 1.
    pub probability: f64,
    /// Species that are behind it, strongest first.
    pub species: Vec<String>,
    /// Share of the lines' light, 0 to 1.
    pub share: f64,
    /// Limit, for what is not seen.
    pub limit: Option<Limit>,
    /// Why, in one sentence.
    pub reason: String,
}

/// What a peak is taken for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Assignment {
    /// Index of the peak in the list.
    pub peak: usize,
    /// Species (or `ghost`, `room light`) and tabulated wavelength in nm, most probable first.
    pub candidates: Vec<(String, f64)>,
    /// Label for plots: species and wavelength; `None` for a peak nobody claims.
    pub label: Option<String>,
}

/// A feature that is no line of the tube.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ghost {
    /// Index of the peak.
    pub peak: usize,
    /// What it is, in words.
    pub what: String,
}

/// All that [`identify()`] found out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GasReport {
    /// Common shift of the axis (true minus axis value, nm) that was fitted along.
    pub shift_nm: Measured,
    /// Width of an unresolved line at the middle of the lines, nm.
    pub fwhm_nm: f64,
    /// Largest standard uncertainty of the axis under the lines that carry the light (a tenth of
    /// the tallest and up), before that shift, nm.
    pub axis_u_nm: f64,
    /// One entry a gas, surest first.
    pub gases: Vec<GasVerdict>,
    /// One entry a species, surest first.
    pub species: Vec<SpeciesVerdict>,
    /// What each peak is taken for, in the order of the peaks.
    pub assignments: Vec<Assignment>,
    /// Second-order images, room light and the like.
    pub ghosts: Vec<Ghost>,
    /// Share of the lines' light that no species explains, 0 to 1.
    pub unexplained: f64,
    /// What chance accounts for among the names; `None` where it was not asked for, or no
    /// copy was tried.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chance: Option<ChanceShare>,
    /// What to beware of, one sentence each.
    pub notes: Vec<String>,
    /// Settings.
    pub settings: GasSettings,
}

/// How many names chance accounts for, by displaced copies of the line patterns (decoys).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChanceShare {
    /// Species that are seen or likely by their lines.
    pub named: usize,
    /// Displaced copies of the patterns of all species asked about.
    pub copies: usize,
    /// Copies whose log odds reach those of the weakest species named.
    pub reached: usize,
    /// Share of the names that chance accounts for, estimated so as to err high: (reached + 1) / (copies of each pattern ·
    /// named), 0 to 1 (Levitsky et al., J. Proteome Res. 16 (2017) 689).
    pub share: f64,
}
