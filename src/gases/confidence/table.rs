//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored` from the seeds
//! 1000000 to 1002399; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [-0.718, 0.382, 1.030, 0.785, 1.000, 0.731, 0.341, 0.000],
    [-4.518, 0.373, 0.000, 1.000, 1.000, 1.496, 1.029, 0.000],
    [-0.537, 0.457, 1.549, 0.925, 1.000, 1.029, 0.067, -0.980],
    [-1.989, 0.150, 1.524, 0.113, 0.876, 1.961, 0.000, 0.000],
    [0.000, 1.000, 1.000, 1.000, 1.000, 0.000, 0.000, 0.000],
    [0.000, 1.000, 1.000, 1.000, 1.000, 0.000, 0.000, 0.000],
    [-0.283, 1.000, 1.488, 0.642, 1.033, 0.000, 0.350, 0.000],
    [-1.026, 1.000, 1.404, 0.375, 0.650, 0.000, 0.227, 0.000],
];
