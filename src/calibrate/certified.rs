//! The linear solver of the axis against certified regressions: NIST Statistical Reference
//! Datasets (StRD), linear archive, public domain; read from the reference folder where it is
//! there.

use super::fit::{Point, solve};
use nalgebra::{DMatrix, DVector};

/// A certified set: points, coefficients and their standard deviations by rising power.
struct Certified {
    x: Vec<f64>,
    y: Vec<f64>,
    value: Vec<f64>,
    sd: Vec<f64>,
}

fn certified(name: &str) -> Option<Certified> {
    let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../shared/reference/standards/nist_strd");
    let Ok(text) = std::fs::read_to_string(dir.join(format!("{name}.csv"))) else {
        println!("skipped: no reference folder with the certified sets");
        return None;
    };
    let json = std::fs::read_to_string(dir.join(format!("{name}.json"))).unwrap();
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let list = |k: &str| -> Vec<f64> {
        json[k].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
    };
    let column = text.lines().next().unwrap().split(',').position(|h| h.trim() == "x").unwrap();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .skip(1)
        .map(|l| l.split(',').map(|c| c.trim().parse().unwrap()).collect())
        .collect();
    Some(Certified {
        x: rows.iter().map(|r| r[column]).collect(),
        y: rows.iter().map(|r| r[1 - column]).collect(),
        value: list("certified"),
        sd: list("certified_sd"),
    })
}

/// Coefficients of powers of `x` for each Chebyshev polynomial of `(x − middle)/half`, a column
/// each.
fn powers(n: usize, middle: f64, half: f64) -> DMatrix<f64> {
    let mut out = DMatrix::zeros(n, n);
    out[(0, 0)] = 1.0;
    for k in 1..n {
        let step = if k == 1 { 1.0 } else { 2.0 };
        for i in 0..n {
            // t T(k−1) with t = (x − middle)/half.
            let raised = if i > 0 { out[(i - 1, k - 1)] } else { 0.0 };
            let before = if k > 1 { out[(i, k - 2)] } else { 0.0 };
            out[(i, k)] = step * (raised - middle * out[(i, k - 1)]) / half - before;
        }
    }
    out
}

/// Fits in the Chebyshev basis of the scaled axis, as the axis is, and compares as powers.
fn check(name: &str, value_tolerance: f64, sd_tolerance: f64) {
    let Some(c) = certified(name) else { return };
    let n = c.value.len();
    let (lo, hi) =
        c.x.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| (a.min(*x), b.max(*x)));
    let (middle, half) = (0.5 * (lo + hi), 0.5 * (hi - lo));
    let mut a = DMatrix::zeros(c.x.len(), n);
    for (i, x) in c.x.iter().enumerate() {
        let t = (x - middle) / half;
        a[(i, 0)] = 1.0;
        for k in 1..n {
            a[(i, k)] = if k == 1 { t } else { 2.0 * t * a[(i, k - 1)] - a[(i, k - 2)] };
        }
    }
    let y = DVector::from_row_slice(&c.y);
    let points: Vec<Point> =
        c.x.iter().zip(&c.y).map(|(x, y)| Point { x: *x, nm: *y, u_nm: 1.0 }).collect();
    let (found, covariance, chi2, _) = solve(&a, &y, &points, 0.0, &DVector::zeros(n)).unwrap();
    let to_powers = powers(n, middle, half);
    let value = &to_powers * found;
    let covariance = &to_powers * covariance * to_powers.transpose();
    let s2 = chi2 / (c.x.len() - n) as f64;
    let (mut worst_value, mut worst_sd) = (0.0f64, 0.0f64);
    for k in 0..n {
        worst_value = worst_value.max((value[k] / c.value[k] - 1.0).abs());
        if c.sd[k] > 0.0 {
            worst_sd = worst_sd.max(((s2 * covariance[(k, k)]).sqrt() / c.sd[k] - 1.0).abs());
        }
    }
    println!("{name}: values to {worst_value:.1e}, standard deviations to {worst_sd:.1e}");
    assert!(worst_value < value_tolerance, "{name}: {worst_value}");
    assert!(worst_sd < sd_tolerance, "{name}: {worst_sd}");
}

#[test]
fn straight_line_norris() {
    check("Norris", 1e-10, 1e-8);
}

#[test]
fn parabola_pontius() {
    check("Pontius", 1e-9, 1e-8);
}

#[test]
fn degree_ten_filip() {
    check("Filip", 1e-7, 1e-6);
}

/// An exact polynomial: the certified standard deviations are zero.
#[test]
fn degree_five_wampler1() {
    check("Wampler1", 1e-8, f64::INFINITY);
}
