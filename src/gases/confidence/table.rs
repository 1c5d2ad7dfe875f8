//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored` from the seeds
//! 1000000 to 1002999; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [-0.944, 0.344, 1.118, 0.876, 1.000, 0.000, 0.000, 0.326, 0.060, 0.000],
    [-4.729, 0.344, 0.000, 1.021, 1.015, 0.981, 1.029, 0.202, 0.000, 0.000],
    [-0.877, 0.438, 1.545, 0.851, 1.000, 0.148, 0.000, 0.375, 0.083, -1.213],
    [-2.139, 0.157, 1.495, 0.176, 0.456, 1.395, 0.000, 0.255, 0.000, 0.000],
    [-2.075, 1.000, 1.313, 0.515, 1.178, 0.000, 0.000, 0.252, 0.267, 0.000],
    [-0.678, 1.000, 0.987, 0.753, 1.101, 0.000, 0.000, 0.159, 0.000, 0.000],
    [-0.510, 1.000, 1.346, 1.178, 1.006, 0.000, 0.000, 0.000, 0.529, 0.000],
    [-1.325, 1.000, 0.958, 0.483, 0.918, 0.000, 0.000, 0.000, 0.381, 0.000],
];
