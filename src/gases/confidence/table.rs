//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored` from the seeds
//! 1000000 to 1002999; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [-0.669, 0.377, 1.074, 0.833, 1.000, 0.761, 0.336, 0.000],
    [-4.625, 0.349, 0.000, 1.021, 1.016, 1.551, 1.153, 0.000],
    [-0.598, 0.478, 1.480, 0.787, 1.000, 1.079, 0.115, -1.612],
    [-2.149, 0.141, 1.460, 0.116, 0.910, 2.033, 0.000, 0.000],
    [0.000, 1.000, 1.000, 1.000, 1.000, 0.000, 0.000, 0.000],
    [0.000, 1.000, 1.000, 1.000, 1.000, 0.000, 0.000, 0.000],
    [-0.143, 1.000, 1.484, 1.051, 1.013, 0.000, 0.341, 0.000],
    [-1.020, 1.000, 0.922, 0.486, 0.833, 0.000, 0.339, 0.000],
];
