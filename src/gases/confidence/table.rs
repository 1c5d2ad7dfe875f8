//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored` from the seeds
//! 1000000 to 1002999; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [-0.975, 0.328, 1.160, 0.891, 1.000, 0.000, 0.000, 0.338, 0.052, 0.000],
    [-4.725, 0.347, 0.000, 1.000, 1.000, 0.959, 1.028, 0.202, 0.000, 0.000],
    [-0.890, 0.459, 1.491, 0.865, 1.000, 0.000, 0.000, 0.391, 0.098, -1.151],
    [-2.099, 0.158, 1.514, 0.758, 1.003, 1.407, 0.000, 0.250, 0.000, 0.000],
    [-2.099, 1.000, 1.236, 0.565, 1.082, 0.000, 0.000, 0.259, 0.261, 0.000],
    [-0.591, 1.000, 1.046, 0.732, 1.102, 0.000, 0.000, 0.135, 0.000, 0.000],
    [-0.475, 1.000, 1.271, 1.171, 1.006, 0.000, 0.000, 0.030, 0.514, 0.000],
    [-1.255, 1.000, 0.821, 0.502, 0.930, 0.000, 0.000, 0.000, 0.373, 0.000],
];
