//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored` from the seeds
//! 1000000 to 1002999; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [-0.911, 0.342, 1.134, 0.893, 1.000, 0.000, 0.000, 0.322, 0.057, 0.000],
    [-4.722, 0.344, 0.000, 1.000, 1.000, 0.966, 1.032, 0.202, 0.000, 0.000],
    [-0.901, 0.441, 1.518, 0.863, 1.000, 0.062, 0.000, 0.385, 0.096, -1.172],
    [-2.129, 0.156, 1.503, 0.173, 0.455, 1.386, 0.000, 0.258, 0.000, 0.000],
    [-2.056, 1.000, 1.233, 0.552, 1.209, 0.000, 0.000, 0.253, 0.261, 0.000],
    [-0.644, 1.000, 1.014, 0.769, 1.099, 0.000, 0.000, 0.139, 0.000, 0.000],
    [-0.438, 1.000, 1.318, 1.157, 1.005, 0.000, 0.000, 0.013, 0.546, 0.000],
    [-1.266, 1.000, 0.980, 0.492, 0.910, 0.000, 0.000, 0.000, 0.360, 0.000],
];
