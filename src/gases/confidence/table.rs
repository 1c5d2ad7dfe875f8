//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored` from the seeds
//! 1000000 to 1002999; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [-1.053, 0.377, 1.043, 1.068, 1.000, 0.000, 0.000, 0.282, 0.134, 0.000],
    [-4.690, 0.360, 0.000, 1.022, 1.016, 0.977, 0.965, 0.201, 0.000, 0.000],
    [-0.967, 0.485, 1.389, 0.825, 1.000, 0.000, 0.000, 0.369, 0.166, -1.216],
    [-2.178, 0.157, 1.472, 0.185, 0.458, 1.386, 0.000, 0.258, 0.000, 0.000],
    [-1.949, 1.000, 1.254, 0.554, 1.206, 0.000, 0.000, 0.194, 0.302, 0.000],
    [-0.672, 1.000, 1.062, 0.780, 1.093, 0.000, 0.000, 0.141, 0.000, 0.000],
    [-0.377, 1.000, 1.356, 1.170, 1.005, 0.000, 0.000, 0.064, 0.447, 0.000],
    [-1.340, 1.000, 0.956, 0.486, 0.916, 0.000, 0.000, 0.000, 0.385, 0.000],
];
