//! Whether tubes hold the same filling.
//!
//! Each pair of tubes is held against each other in three ways: the gases that each shows and the other
//! would have shown; the ratios of the lines that they have in common, where what is smooth along the
//! wavelength (exposure, response) is taken out and gases are tested against the scatter between lines of one
//! gas; and the light that they do not share. All tests of a drawer are adjusted together. In a drawer of five
//! and more the crowd itself says how much tubes of one filling differ, and which tube stands out.

mod crowd;
mod distance;
mod pair;
mod regression;
pub(super) mod stats;
mod tube;

#[cfg(test)]
mod tests;

pub use crowd::{FEWEST as FEWEST_FOR_STANDOUTS, Standout, StandoutTest};
pub use pair::CONDITIONS_FACTOR;

use super::Examination;
use crate::{Error, Result};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use stats::holm;
use std::collections::BTreeSet;
use tube::Tube;

/// Probability of a false difference anywhere in a comparison that is accepted.
pub const ALPHA: f64 = 0.05;
/// Lines in common below which two tubes cannot be called the same.
pub const FEWEST_LINES: usize = 6;

/// Answer for a pair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PairVerdict {
    /// The same gases, none of them with more than [`CONDITIONS_FACTOR`] times the light beside the others.
    SameFill,
    /// At least one gas differs by more than conditions explain.
    Differs,
    /// Neither can be said.
    CannotTell,
}

impl PairVerdict {
    /// The words that are printed.
    pub fn words(self) -> &'static str {
        match self {
            PairVerdict::SameFill => "same fill",
            PairVerdict::Differs => "differs",
            PairVerdict::CannotTell => "cannot tell",
        }
    }
}

/// Light of a gas beside that of the main one, first tube over second.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RatioOfGas {
    /// The gas.
    pub gas: String,
    /// Natural logarithm of the ratio.
    pub ln_ratio: f64,
    /// Its standard uncertainty, the scatter between lines in it.
    pub u: f64,
    /// Lines that it rests on.
    pub lines: usize,
    /// Probability of a ratio so far from 1 by chance, the spread of [`CONDITIONS_FACTOR`] allowed for.
    pub p: f64,
    /// Factor that the ratio, or its reverse, does not exceed with a probability of 1 − [`ALPHA`].
    pub at_most: f64,
}

/// Ratios of the lines in common.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Ratios {
    /// Lines in common of gases that both show.
    pub lines: usize,
    /// The gas that the others are held against; empty where there is none.
    pub against: String,
    /// The others.
    pub gases: Vec<RatioOfGas>,
    /// Standard deviation of the logarithm between lines of one gas, beyond their uncertainties; `None` with
    /// too few lines.
    pub scatter: Option<f64>,
    /// Lines left out as far from the rest of their gas.
    pub left_out: usize,
    /// Coefficients of the smooth part that was taken out: 1 exposure alone, 2 a slope, 3 a bend.
    pub orders: usize,
}

/// Light that two recordings do not share.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Distance {
    /// Σ|a − b| over Σ(|a| + |b|): 0 for the same, 1 for nothing in common.
    pub share: f64,
    /// What noise alone makes of it.
    pub by_noise: f64,
}

/// A gas in which two tubes differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// The gas.
    pub gas: String,
    /// What differs, in one sentence.
    pub what: String,
    /// Probability of that by chance, for this test alone.
    pub p: f64,
    /// The same with all tests of the comparison in mind (Holm).
    pub adjusted_p: f64,
}

/// Two tubes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Index of the first tube.
    pub first: usize,
    /// Index of the second.
    pub second: usize,
    /// The answer.
    pub verdict: PairVerdict,
    /// Differences, surest first.
    pub differences: Vec<Difference>,
    /// Why nothing can be said, or what is left open, one sentence each.
    pub open: Vec<String>,
    /// Axis of the second ahead of the first, nm, beside what each was corrected by.
    pub shift_nm: f64,
    /// Ratios of their lines.
    pub ratios: Ratios,
    /// Light that they do not share; `None` where their ranges do not overlap.
    pub distance: Option<Distance>,
}

/// Tubes against each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TubeComparison {
    /// Names of the tubes.
    pub tubes: Vec<String>,
    /// Gases that each shows (seen or likely).
    pub gases: Vec<Vec<String>>,
    /// All pairs, by first, then second.
    pub pairs: Vec<Pair>,
    /// Groups of tubes that are linked by `same fill`, largest first; indices.
    pub groups: Vec<Vec<usize>>,
    /// Whether most tubes are alike enough to be a crowd that others may stand out of; never with fewer than
    /// [`FEWEST_FOR_STANDOUTS`].
    pub crowd: bool,
    /// Tubes that stand out of that crowd, surest first.
    pub standouts: Vec<Standout>,
    /// What to beware of, one sentence each.
    pub notes: Vec<String>,
}

/// Holds tubes against each other; names are shown, and told apart by their order.
///
/// # Errors
/// [`Error::Usage`] for fewer than two; [`Error::Refused`] for one whose gases were not looked for.
pub fn compare_tubes(list: &[(&str, &Examination)]) -> Result<TubeComparison> {
    if list.len() < 2 {
        return Err(Error::usage(
            format!("a comparison needs two recordings, not {}", list.len()),
            "name at least two tubes",
        ));
    }
    let tubes = list.iter().map(|(n, e)| Tube::new(n, e)).collect::<Result<Vec<_>>>()?;
    let indices: Vec<(usize, usize)> =
        (0..tubes.len()).flat_map(|i| (i + 1..tubes.len()).map(move |k| (i, k))).collect();
    let mut pairs: Vec<Pair> =
        indices.par_iter().map(|(i, k)| one_pair((*i, &tubes[*i]), (*k, &tubes[*k]))).collect();
    let found = crowd::standouts(&tubes, &pairs);
    let crowd = found.is_some();
    let standouts = found.unwrap_or_default();
    adjust(&mut pairs, &tubes);
    let groups = groups(tubes.len(), &pairs, &standouts);
    let mut notes = vec![format!(
        "Light of a gas beside another's changes with current, pressure and temperature: up to {CONDITIONS_FACTOR} \
         times as much is taken for the same filling where only two recordings are compared."
    )];
    notes.push(format!("{}.", crate::gases::SHARES_NOTE));
    let shown = |t: &Tube<'_>| {
        let v = [crate::gases::Verdict::Seen, crate::gases::Verdict::Likely];
        t.gases.gases.iter().filter(|g| v.contains(&g.verdict)).map(|g| g.gas.clone()).collect()
    };
    Ok(TubeComparison {
        tubes: list.iter().map(|(n, _)| n.to_string()).collect(),
        gases: tubes.iter().map(shown).collect(),
        pairs,
        groups,
        crowd,
        standouts,
        notes,
    })
}

fn one_pair((first, a): (usize, &Tube<'_>), (second, b): (usize, &Tube<'_>)) -> Pair {
    let compared = pair::ratios(a, b);
    let mut differences = pair::presence(a, b, &compared);
    for r in &compared.ratios.gases {
        let (more, less) = if r.ln_ratio > 0.0 { (a.name, b.name) } else { (b.name, a.name) };
        differences.push(Difference {
            gas: r.gas.clone(),
            what: format!(
                "{}: {:.1} times as much of its light beside {} in {more} as in {less} ({} lines)",
                r.gas,
                r.ln_ratio.abs().exp(),
                compared.ratios.against,
                r.lines
            ),
            p: r.p,
            adjusted_p: 1.0,
        });
    }
    let distance = distance::distance(a, b, compared.shift, &|nm| compared.common(nm));
    Pair {
        first,
        second,
        verdict: PairVerdict::CannotTell,
        differences,
        open: Vec::new(),
        shift_nm: compared.shift,
        ratios: compared.ratios,
        distance,
    }
}

/// Adjusts all tests together and gives each pair its verdict.
fn adjust(pairs: &mut [Pair], tubes: &[Tube<'_>]) {
    let all: Vec<f64> = pairs.iter().flat_map(|p| p.differences.iter().map(|d| d.p)).collect();
    let mut adjusted = holm(&all).into_iter();
    for pair in pairs {
        for d in &mut pair.differences {
            d.adjusted_p = adjusted.next().unwrap_or(1.0);
        }
        pair.differences.retain(|d| d.adjusted_p < ALPHA);
        pair.differences.sort_by(|a, b| a.p.total_cmp(&b.p));
        let (a, b) = (&tubes[pair.first], &tubes[pair.second]);
        let told: BTreeSet<&str> = pair.differences.iter().map(|d| d.gas.as_str()).collect();
        let mut open: Vec<String> = pair::open(a, b)
            .into_iter()
            .filter(|(gas, _)| !told.contains(gas.as_str()))
            .map(|(_, text)| text)
            .collect();
        if pair.ratios.lines < FEWEST_LINES {
            open.push(format!(
                "{} in common, at least {FEWEST_LINES} are needed: a longer exposure, or the same range",
                match pair.ratios.lines {
                    0 => "no line of a gas that both show".to_string(),
                    1 => "one line of gases that both show".to_string(),
                    n => format!("{n} lines of gases that both show"),
                }
            ));
        }
        for r in pair.ratios.gases.iter().filter(|r| !told.contains(r.gas.as_str())) {
            if r.at_most > CONDITIONS_FACTOR {
                open.push(format!(
                    "{}: its light beside {} may differ by up to {:.1} times ({})",
                    r.gas,
                    pair.ratios.against,
                    r.at_most,
                    if r.lines == 1 { "one line".into() } else { format!("{} lines", r.lines) }
                ));
            }
        }
        pair.verdict = match (pair.differences.is_empty(), open.is_empty()) {
            (false, _) => PairVerdict::Differs,
            (true, true) => PairVerdict::SameFill,
            (true, false) => PairVerdict::CannotTell,
        };
        pair.open = open;
    }
}

/// Tubes linked by `same fill`; those that stand out are by themselves.
fn groups(n: usize, pairs: &[Pair], odd: &[Standout]) -> Vec<Vec<usize>> {
    let mut group: Vec<usize> = (0..n).collect();
    let alone = |i: usize| odd.iter().any(|s| s.tube == i);
    for p in pairs.iter().filter(|p| p.verdict == PairVerdict::SameFill) {
        let (a, b) = (group[p.first], group[p.second]);
        if a != b && !alone(p.first) && !alone(p.second) {
            group.iter_mut().filter(|g| **g == b).for_each(|g| *g = a);
        }
    }
    let ids: BTreeSet<usize> = group.iter().copied().collect();
    let mut out: Vec<Vec<usize>> =
        ids.into_iter().map(|id| (0..n).filter(|i| group[*i] == id).collect()).collect();
    out.sort_by_key(|g: &Vec<usize>| (std::cmp::Reverse(g.len()), g[0]));
    out
}
