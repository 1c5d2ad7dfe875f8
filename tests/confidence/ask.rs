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
    /// Its lines that stand above [`STRONG_SIGMA`] and on which little else that is there shines.
    pub strong_free: usize,
    pub verdict: Verdict,
    pub probability: f64,
    pub clues: Clues,
    pub reason: String,
}

/// Factor from the detection threshold to Currie's limit (5 % / 5 %).
const CURRIE_DETECTION: f64 = 3.29;

/// Height of a strong line over the noise of a line's height.
const STRONG_SIGMA: f64 = 10.0;
/// Most light of the others, over its own, where a line counts as free.
const FREE_SHARE: f64 = 0.3;

/// Tops of a species' own light that are strong and free: nothing else within a line width shines
/// with more than a share of it.
fn strong_free(draw: &Draw, name: &str, sigma: impl Fn(usize) -> f64) -> usize {
    let Some((_, own)) = draw.truth.iter().find(|(n, _)| n == name) else { return 0 };
    let points = (draw.fwhm_nm / draw.spectrum.axis().step(own.len() / 2)).ceil().max(1.0) as usize;
    let others = |i: usize| -> f64 {
        let near = i.saturating_sub(points)..(i + points + 1).min(own.len());
        draw.truth
            .iter()
            .filter(|(n, _)| n != name)
            .flat_map(|(_, v)| &v[near.clone()])
            .fold(0.0, |a, b| a.max(*b))
    };
    (1..own.len().saturating_sub(1))
        .filter(|i| own[*i] > own[i - 1] && own[*i] >= own[i + 1])
        .filter(|i| own[*i] > STRONG_SIGMA * sigma(*i) && others(*i) < FREE_SHARE * own[*i])
        .count()
}

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
                strong_free: strong_free(draw, &s.species, |i| found.peaks.threshold[i] / z),
                verdict: s.verdict,
                probability: s.probability,
                clues: s.clues,
                species: s.species,
                gas: s.gas,
                reason: s.reason,
            }
        })
        .collect()
}
