//! The map from clues to probability: logistic regression, held towards the model's own odds.

use crate::ask::{Question, Truth};
use glowtell::gases::confidence::{ROWS, TERMS};
use nalgebra::{DMatrix, DVector};
use std::fmt::Write;

/// Strength by which each weight is held to what the model says without a map, as the inverse
/// square of the departure that is still taken for usual.
const HOLD: f64 = 4.0;
/// Steps of Newton's method.
const STEPS: usize = 40;
/// Number of parameters of a row.
const N: usize = TERMS + 1;
/// The map that leaves the model's log odds as they are.
const AS_IS: [f64; N] = [0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];
/// Weights that must not fall below 0: more evidence must not make less probable.
const RISING: std::ops::Range<usize> = 1..10;

/// Fits all rows.
pub fn fit(questions: &[Question]) -> [[f64; N]; ROWS] {
    std::array::from_fn(|row| {
        let cases: Vec<([f64; N], f64)> = questions
            .iter()
            .filter(|q| q.truth != Truth::Below && q.clues.row() == row)
            .map(|q| {
                let mut x = [1.0; N];
                x[1..].copy_from_slice(&q.clues.terms());
                (x, f64::from(u8::from(q.truth == Truth::Shows)))
            })
            .collect();
        let mut free = [true; N];
        loop {
            let w = newton(&cases, &free);
            match RISING.filter(|k| w[*k] < 0.0).min_by(|a, b| w[*a].total_cmp(&w[*b])) {
                Some(k) => free[k] = false,
                None => return w,
            }
        }
    })
}

/// Penalised likelihood with the weights that are not free at 0.
fn newton(cases: &[([f64; N], f64)], free: &[bool; N]) -> [f64; N] {
    let mut w = AS_IS;
    for k in 0..N {
        if !free[k] {
            w[k] = 0.0;
        }
    }
    let set: Vec<usize> = (0..N).filter(|k| free[*k]).collect();
    let value = |w: &[f64; N]| -> f64 {
        let fit: f64 = cases
            .iter()
            .map(|(x, y)| {
                let eta: f64 = x.iter().zip(w).map(|(a, b)| a * b).sum();
                // ln(1 + e^eta) − y·eta
                eta.max(0.0) + (-eta.abs()).exp().ln_1p() - y * eta
            })
            .sum();
        fit + set.iter().map(|k| 0.5 * HOLD * (w[*k] - AS_IS[*k]).powi(2)).sum::<f64>()
    };
    for _ in 0..STEPS {
        let n = set.len();
        let (mut g, mut h) = (DVector::zeros(n), DMatrix::zeros(n, n));
        for (i, k) in set.iter().enumerate() {
            g[i] = HOLD * (w[*k] - AS_IS[*k]);
            h[(i, i)] = HOLD;
        }
        for (x, y) in cases {
            let eta: f64 = x.iter().zip(&w).map(|(a, b)| a * b).sum();
            let p = 1.0 / (1.0 + (-eta).exp());
            for (i, k) in set.iter().enumerate() {
                g[i] += (p - y) * x[*k];
                for (j, l) in set.iter().enumerate() {
                    h[(i, j)] += p * (1.0 - p) * x[*k] * x[*l];
                }
            }
        }
        let Some(step) = h.lu().solve(&g) else { break };
        let (before, mut scale) = (value(&w), 1.0);
        let next = loop {
            let mut next = w;
            set.iter().enumerate().for_each(|(i, k)| next[*k] -= scale * step[i]);
            if value(&next) <= before || scale < 1e-6 {
                break next;
            }
            scale *= 0.5;
        };
        let moved = next.iter().zip(&w).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        w = next;
        if moved < 1e-6 {
            break;
        }
    }
    w
}

/// The map as source text.
pub fn source(map: &[[f64; N]; ROWS], seeds: &std::ops::Range<u64>) -> String {
    let mut t = format!(
        "//! The map from clues to probability: one row for each class of species without, then \
         with\n//! agreement; a constant and the weights of `Clues::terms`.\n//!\n//! Made by \
         `cargo test --release --test confidence make_the_map -- --ignored` from the seeds\n//! {} \
         to {}; do not edit.\n\nuse super::{{ROWS, TERMS}};\n\n/// Constant and weights of each \
         row.\npub const MAP: [[f64; TERMS + 1]; ROWS] = [\n",
        seeds.start,
        seeds.end - 1
    );
    for row in map {
        let list: Vec<String> = row.iter().map(|v| format!("{v:.3}")).collect();
        let _ = writeln!(t, "    [{}],", list.join(", "));
    }
    t + "];\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With one free constant and no hold worth the name, the fit gives the log odds of the share.
    #[test]
    fn a_constant_is_the_log_odds_of_the_share() {
        let mut x = [0.0; N];
        x[0] = 1.0;
        let cases: Vec<_> = (0..40_000).map(|k| (x, f64::from(u8::from(k % 4 == 0)))).collect();
        let mut free = [false; N];
        free[0] = true;
        let w = newton(&cases, &free);
        assert!((w[0] - (1.0f64 / 3.0).ln()).abs() < 1e-3, "{w:?}");
    }
}
