//! Whether displaced line patterns stand for what is named by chance.

use crate::draw::{Draw, Wish};
use glowtell::bench::{Settings, examine};
use glowtell::gases::Verdict;
use glowtell::reference::Tables;
use rayon::prelude::*;
use std::ops::Range;

/// Names by lines, those of them that are not there, and those that chance accounts for at most by the
/// displaced patterns, over recordings of these seeds.
pub fn account(seeds: Range<u64>) -> (usize, usize, f64) {
    let tables = Tables::bundled().unwrap();
    let mut settings = Settings::default();
    settings.gases.chance = true;
    seeds
        .into_par_iter()
        .filter_map(|seed| {
            let draw = Draw::new(seed, &tables, &Wish::default());
            let report = examine(draw.spectrum.clone(), None, &tables, &settings).ok()?.gases?;
            let chance = report.chance.as_ref()?;
            let absent = report
                .species
                .iter()
                .filter(|s| matches!(s.verdict, Verdict::Seen | Verdict::Likely))
                .filter(|s| !draw.truth.iter().any(|(name, _)| *name == s.species))
                .count();
            Some((chance.named, absent, chance.share * chance.named as f64))
        })
        .reduce(|| (0, 0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1, a.2 + b.2))
}
