//! Random numbers of a drawn recording.

use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

/// A seeded stream of random numbers.
pub struct Dice(pub ChaCha8Rng);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }

    pub fn within(&mut self, lo: f64, hi: f64) -> f64 {
        self.0.random_range(lo..hi)
    }

    /// Log-uniform.
    pub fn log(&mut self, lo: f64, hi: f64) -> f64 {
        self.within(lo.ln(), hi.ln()).exp()
    }
}
