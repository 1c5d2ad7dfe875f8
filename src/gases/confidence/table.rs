//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored` from the seeds
//! 1000000 to 1002999; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [-0.912, 0.342, 1.134, 0.893, 1.000, 0.000, 0.000, 0.322, 0.057, 0.000],
    [-4.722, 0.344, 0.000, 1.021, 1.016, 0.966, 1.032, 0.202, 0.000, 0.000],
    [-0.903, 0.441, 1.517, 0.863, 1.000, 0.062, 0.000, 0.385, 0.097, -1.173],
    [-2.102, 0.155, 1.518, 0.166, 0.454, 1.389, 0.000, 0.258, 0.000, 0.000],
    [-2.053, 1.000, 1.233, 0.552, 1.210, 0.000, 0.000, 0.252, 0.262, 0.000],
    [-0.644, 1.000, 1.014, 0.768, 1.097, 0.000, 0.000, 0.138, 0.000, 0.000],
    [-0.438, 1.000, 1.316, 1.156, 1.005, 0.000, 0.000, 0.013, 0.548, 0.000],
    [-1.289, 1.000, 0.964, 0.503, 0.908, 0.000, 0.000, 0.000, 0.364, 0.000],
];
