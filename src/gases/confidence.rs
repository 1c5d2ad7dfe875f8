//! From clues to a probability.

use serde::{Deserialize, Serialize};

/// What the probability of a species is made from.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
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
    /// Coefficient of its template over its uncertainty, all others fitted along.
    pub template_sigma: f64,
    /// Share of the lines' light that its template explains, 0 to 1.
    pub share: f64,
    /// Share of its strongest line that lies in range, 0 to 1.
    pub in_range: f64,
    /// True where the shape of its bands says more than its lines.
    pub by_shape: bool,
    /// True for an ion whose neutral atom ought to show and does not.
    pub ion_alone: bool,
}
