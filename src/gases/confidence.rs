//! From clues to a probability, by a map that was fitted on simulated tubes and other lights
//! (`confidence/table.rs`; `tests/confidence.rs` makes and judges it).

mod table;

use crate::reference::SpeciesKind;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the probability of a species is made from.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Clues {
    /// Log odds of the model, with its prior and beyond chance, nats.
    pub log_odds: f64,
    /// Evidence of its lines with the others taken away, nats.
    pub nats: f64,
    /// Nats that displaced copies of its pattern reach.
    pub chance: f64,
    /// Evidence of the shape of its bands, nats; 0 where it has none.
    pub shape_nats: f64,
    /// Lines (or heads) that speak for it and that nobody else accounts for.
    pub free_lines: usize,
    /// Height of the tallest of these over the tallest line of the recording, 0 to 1.
    pub tallest_free: f64,
    /// Coefficient of its template over its uncertainty, all others fitted along.
    pub template_sigma: f64,
    /// Share of the lines' light that its template explains, 0 to 1.
    pub share: f64,
    /// Share of its strongest line that lies in range, 0 to 1.
    pub in_range: f64,
    /// Log odds of the surest other species of the same gas (ion, atom, another band system), nats;
    /// 0 where none is more probable than not.
    pub kin: f64,
    /// Log odds of the surest species of another gas, nats, the same way: where something is known well,
    /// its lines have set the axis and are taken away.
    pub known: f64,
    /// True where the shape of its bands says more than its lines.
    pub by_shape: bool,
    /// True for an ion whose neutral atom ought to show and does not.
    pub ion_alone: bool,
    /// Kind of species as the map tells them apart.
    pub class: Class,
    /// True where it has two free lines, and lines and whole recording agree.
    pub agree: bool,
}

/// Kinds of species that the map tells apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// Neutral atoms that fill tubes.
    Filling,
    /// Mercury and hydrogen, the few lines of which come with nearly every tube.
    Common,
    /// Other neutral atoms.
    #[default]
    Atom,
    /// Ions of atoms.
    Ion,
    /// Molecules of air and its water, which any leak lets in.
    Air,
    /// Other molecules.
    Molecule,
}

/// Species of [`Class::Filling`].
const FILLINGS: [&str; 5] = ["He I", "Ne I", "Ar I", "Kr I", "Xe I"];
/// Species of [`Class::Common`].
const COMMON: [&str; 2] = ["Hg I", "H I"];
/// Species of [`Class::Air`].
const AIR: [&str; 4] = ["N2 (C-B)", "N2 (B-A)", "N2+ (B-X)", "OH (A-X)"];

impl Class {
    /// Class of a species.
    pub fn of(name: &str, kind: SpeciesKind) -> Self {
        match kind {
            SpeciesKind::Neutral if FILLINGS.contains(&name) => Class::Filling,
            SpeciesKind::Neutral if COMMON.contains(&name) => Class::Common,
            SpeciesKind::Neutral => Class::Atom,
            SpeciesKind::Ion => Class::Ion,
            _ if AIR.contains(&name) => Class::Air,
            _ => Class::Molecule,
        }
    }

    /// Row of the map, without agreement.
    fn row(self) -> usize {
        match self {
            Class::Filling => 0,
            Class::Common => 1,
            Class::Atom => 2,
            Class::Ion => 3,
            Class::Air => 4,
            Class::Molecule => 5,
        }
    }
}

/// Numbers that the map weighs, besides its constant.
pub const TERMS: usize = 11;
/// Kinds of species, [`Class`].
const CLASSES: usize = 6;
/// Rows of the map: all classes without and with agreement.
pub const ROWS: usize = 2 * CLASSES;
/// Edges of the stretches of the log odds, nats: the map is straight within each.
const EDGES: [f64; 5] = [-9.0, -2.0, 1.0, 4.0, 12.0];
/// Free lines beyond which more say nothing more.
const MANY_LINES: f64 = 10.0;
/// The same for the significance of the template.
const MANY_SIGMA: f64 = 100.0;
/// Log odds of other species beyond which more say nothing more.
const MANY_NATS: f64 = 20.0;
/// Height of a free line, and share of the light, below which less says nothing more: chance finds
/// its lines among faint peaks, of which there are many.
const LEAST_SHARE: f64 = 1e-3;
/// Log odds beyond which the population that made the map has nothing to say: one in a thousand.
const BEYOND: f64 = 7.0;

impl Clues {
    /// Row of the map that holds for these clues, below [`ROWS`].
    pub fn row(&self) -> usize {
        self.class.row() + CLASSES * usize::from(self.agree)
    }

    /// What the map weighs: the log odds in four stretches, free lines, significance of the
    /// template, height of the tallest free line, share of the light, what else is known, and an ion
    /// without its atom.
    pub fn terms(&self) -> [f64; TERMS] {
        let stretch = |k: usize| {
            // From 0, so that the sum of all stretches is the log odds itself.
            let (a, b) = (EDGES[k], EDGES[k + 1]);
            self.log_odds.clamp(a, b) - 0f64.clamp(a, b)
        };
        [
            stretch(0),
            stretch(1),
            stretch(2),
            stretch(3),
            (self.free_lines as f64).min(MANY_LINES).ln_1p(),
            self.template_sigma.clamp(0.0, MANY_SIGMA).ln_1p(),
            (self.tallest_free.clamp(LEAST_SHARE, 1.0) / LEAST_SHARE).ln(),
            (self.share.clamp(LEAST_SHARE, 1.0) / LEAST_SHARE).ln(),
            self.kin.clamp(0.0, MANY_NATS).ln_1p(),
            self.known.clamp(0.0, MANY_NATS).ln_1p(),
            f64::from(u8::from(self.ion_alone)),
        ]
    }

    /// Probability that the species shows, 0 to 1, by the map.
    pub fn probability(&self) -> f64 {
        let [constant, weights @ ..] = &table::MAP[self.row().min(ROWS - 1)];
        let sum: f64 = self.terms().iter().zip(weights).map(|(t, w)| t * w).sum();
        1.0 / (1.0 + (-(constant + sum).clamp(-BEYOND, BEYOND)).exp())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stretches_add_up_to_the_log_odds() {
        for log_odds in [-8.0, -2.5, -0.3, 0.0, 0.7, 3.0, 11.0] {
            let c = Clues { log_odds, ..Clues::default() };
            assert!((c.terms()[..4].iter().sum::<f64>() - log_odds).abs() < 1e-12);
        }
    }

    #[test]
    fn more_evidence_never_makes_a_species_less_probable() {
        for class in
            [Class::Filling, Class::Common, Class::Atom, Class::Ion, Class::Air, Class::Molecule]
        {
            for agree in [false, true] {
                let at = |log_odds: f64, free_lines: usize, template_sigma: f64| {
                    Clues { log_odds, free_lines, template_sigma, class, agree, ..Clues::default() }
                        .probability()
                };
                for k in -100..100 {
                    let z = f64::from(k) * 0.15;
                    let p = at(z, 2, 5.0);
                    assert!((0.0..=1.0).contains(&p));
                    assert!(at(z + 0.15, 2, 5.0) >= p);
                    assert!(at(z, 3, 5.0) >= p && at(z, 2, 9.0) >= p);
                }
            }
        }
    }
}
