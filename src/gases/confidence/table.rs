//! The map from clues to probability: one row for each class of species without, then with
//! agreement; a constant and the weights of `Clues::terms`.
//!
//! Made by `cargo test --release --test confidence make_the_map -- --ignored`; do not edit.

use super::{ROWS, TERMS};

/// Constant and weights of each row.
pub const MAP: [[f64; TERMS + 1]; ROWS] = [
    [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0],
    [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0],
    [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0],
    [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0],
    [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0],
    [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0],
    [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0],
    [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0],
];
