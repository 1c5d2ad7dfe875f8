//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored` from the seeds
//! 1000000 to 1002999; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [-0.962, 0.325, 1.159, 0.879, 1.000, 0.000, 0.000, 0.334, 0.060, 0.000],
    [-4.723, 0.347, 0.000, 1.000, 1.000, 0.946, 1.075, 0.203, 0.000, 0.000],
    [-0.862, 0.458, 1.511, 0.864, 1.000, 0.007, 0.000, 0.392, 0.089, -1.159],
    [-2.138, 0.158, 1.495, 0.175, 0.456, 1.410, 0.000, 0.251, 0.000, 0.000],
    [-2.146, 1.000, 1.227, 0.597, 1.052, 0.000, 0.000, 0.269, 0.255, 0.000],
    [-0.612, 1.000, 1.021, 0.751, 1.099, 0.000, 0.000, 0.142, 0.000, 0.000],
    [-0.476, 1.000, 1.264, 1.176, 1.006, 0.000, 0.000, 0.031, 0.509, 0.000],
    [-1.187, 1.000, 0.935, 0.487, 0.931, 0.000, 0.000, 0.000, 0.332, 0.000],
];
