//! The questions that a recording puts, and how they were answered.

use crate::draw::Draw;
use glowtell::bench::{Settings, examine};
use glowtell::gases::{Clues, Verdict};
use glowtell::reference::Tables;

/// Whether a species is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Truth {
    /// Not at all.
    Absent,
    /// It glows, but no line of it reaches the detection limit: neither answer would be wrong.
    Below,
    /// Its strongest line here stands above the detection limit.
    Shows,
}

/// One species of one recording.
#[derive(Debug, Clone)]
pub struct Question {
    pub draw: usize,
    pub species: String,
    pub gas: String,
    pub truth: Truth,
    /// Height of its strongest line over the detection limit there.
    pub over_limit: f64,
    pub verdict: Verdict,
    pub probability: f64,
    pub clues: Clues,
    pub limit: Option<f64>,
    pub reason: String,
}

/// Factor from the detection threshold to Currie's limit (5 % / 5 %).
const CURRIE_DETECTION: f64 = 3.29;

/// Examines a recording and answers all questions.
pub fn ask(index: usize, draw: &Draw, tables: &Tables, settings: &Settings) -> Vec<Question> {
    // Refused where every reading is clipped.
    let Ok(found) = examine(draw.spectrum.clone(), None, tables, settings) else {
        return Vec::new();
    };
    let report = found.gases.expect("gases were asked for");
    let z = found.peaks.threshold_sigma.max(1.0);
    report
        .species
        .into_iter()
        .map(|s| {
            let over_limit = draw
                .truth
                .iter()
                .filter(|(name, _)| *name == s.species)
                .flat_map(|(_, shape)| shape.iter().zip(&found.peaks.threshold))
                .map(|(h, t)| h / (t * CURRIE_DETECTION / z))
                .fold(0.0, f64::max);
            let there = draw.truth.iter().any(|(name, _)| *name == s.species);
            Question {
                draw: index,
                truth: match (there, over_limit >= 1.0) {
                    (false, _) => Truth::Absent,
                    (true, false) => Truth::Below,
                    (true, true) => Truth::Shows,
                },
                over_limit,
                verdict: s.verdict,
                probability: s.probability,
                clues: s.clues,
                limit: s.limit.map(|l| l.counts),
                species: s.species,
                gas: s.gas,
                reason: s.reason,
            }
        })
        .collect()
}
