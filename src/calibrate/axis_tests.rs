//! The final axis against simulated instruments: errors beyond the lines, coverage, bad anchors.

use super::{AxisFit, Point, fit_models};
use crate::AxisKind;
use crate::simulate::{Dispersion, Grating, Polynomial};
use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};
use rand_distr::{Distribution, StandardNormal};

/// Air wavelengths of mercury, nm: C. J. Sansonetti, M. L. Salit, J. Reader, Appl. Opt. 35 (1996)
/// 74.
const MERCURY_NM: [f64; 6] = [365.0158, 404.6565, 435.8335, 546.0750, 576.9610, 579.0670];
/// Error of a line's place, pixels.
const PLACE_PX: f64 = 0.1;

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Place of a wavelength on the pixels, by halving.
fn place(axis: &Dispersion, pixels: usize, nm: f64) -> f64 {
    let f = |p: f64| axis.wavelength_nm(p, pixels) - nm;
    let (mut lo, mut hi) = (-0.5 * pixels as f64, 1.5 * pixels as f64);
    let rising = axis.wavelength_nm(pixels as f64, pixels) > axis.wavelength_nm(0.0, pixels);
    for _ in 0..70 {
        let mid = 0.5 * (lo + hi);
        if (f(mid) < 0.0) == rising { lo = mid } else { hi = mid }
    }
    0.5 * (lo + hi)
}

/// Anchors with normal errors of `px` pixels.
fn anchors(
    axis: &Dispersion,
    pixels: usize,
    lines: &[f64],
    px: f64,
    rng: &mut ChaCha8Rng,
) -> Vec<Point> {
    lines
        .iter()
        .map(|nm| {
            let x = place(axis, pixels, *nm);
            let step =
                (axis.wavelength_nm(x + 0.5, pixels) - axis.wavelength_nm(x - 0.5, pixels)).abs();
            Point { x: x + px * normal(rng), nm: *nm, u_nm: px * step }
        })
        .collect()
}

fn fit(points: &[Point], pixels: usize) -> AxisFit {
    fit_models(points, [0.0, pixels as f64 - 1.0], AxisKind::Pixel).unwrap()
}

/// Plain least squares with a cubic, at `x`.
fn cubic(points: &[Point], pixels: usize, x: f64) -> f64 {
    let t = |x: f64| 2.0 * x / (pixels as f64 - 1.0) - 1.0;
    let a = DMatrix::from_fn(points.len(), 4, |i, j| t(points[i].x).powi(j as i32));
    let y = DVector::from_fn(points.len(), |i, _| points[i].nm);
    let c = a.svd(true, true).solve(&y, 1e-14).unwrap();
    (0..4).map(|j| c[j] * t(x).powi(j as i32)).sum()
}

/// Root mean square error of the models and of a cubic at a wavelength, with the share of errors
/// within twice the stated uncertainty.
#[derive(Default)]
struct Beyond {
    models: f64,
    cubic: f64,
    stated: f64,
    bias: f64,
    covered: f64,
}

fn beyond(axis: &Dispersion, pixels: usize, seeds: u64, nm: [f64; 2]) -> [Beyond; 2] {
    let mut out = [Beyond::default(), Beyond::default()];
    for seed in 0..seeds {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let points = anchors(axis, pixels, &MERCURY_NM, PLACE_PX, &mut rng);
        let f = fit(&points, pixels);
        for (b, nm) in out.iter_mut().zip(nm) {
            let x = place(axis, pixels, nm);
            let m = f.model.wavelength(x);
            let e = m.value - nm;
            b.bias += e / seeds as f64;
            b.models += e * e / seeds as f64;
            b.stated += m.u * m.u / seeds as f64;
            b.cubic += (cubic(&points, pixels, x) - nm).powi(2) / seeds as f64;
            b.covered += f64::from(u8::from(e.abs() <= 2.0 * m.u)) / seeds as f64;
        }
    }
    for b in &mut out {
        for v in [&mut b.models, &mut b.cubic, &mut b.stated] {
            *v = v.sqrt();
        }
    }
    out
}

/// The bench whose cubic and parabola errors are tabulated in the reference folder
/// (`extrapolation_penalty_model.csv`): its geometry follows from those figures to all their
/// digits, given 600 grooves per mm: incoming ray at 5 degrees, detector square to the beam, 286
/// to 1078 nm on 2048 pixels.
fn tabulated() -> Grating {
    Grating {
        grooves_per_mm: 600.0,
        included_angle_deg: 14.433_737,
        focal_length_mm: 55.051_3,
        pixel_pitch_um: 14.0,
        centre_nm: 699.887_06,
        detector_tilt_deg: 0.0,
        red_first: false,
    }
}

/// The tabulated bench and others: name, bench, pixels.
fn benches() -> Vec<(&'static str, Dispersion, usize)> {
    let bench = |grooves, included, focal, pitch, centre, tilt, red_first| Grating {
        grooves_per_mm: grooves,
        included_angle_deg: included,
        focal_length_mm: focal,
        pixel_pitch_um: pitch,
        centre_nm: centre,
        detector_tilt_deg: tilt,
        red_first,
    };
    let out = vec![
        ("tabulated", tabulated(), 2048),
        ("K 38, f 60, tilt 1.5", bench(600.0, 38.0, 60.0, 8.0, 640.0, 1.5, false), 3648),
        ("K 25 inward, f 75, tilt -2", bench(500.0, -25.0, 75.0, 14.0, 620.0, -2.0, true), 2048),
        ("K 48, f 42, tilt 3", bench(300.0, 48.0, 90.0, 8.0, 680.0, 3.0, false), 3648),
        ("default of the simulation", Grating::default(), 3648),
        ("K 30, tilt 8", bench(600.0, 30.0, 60.0, 8.0, 660.0, 8.0, false), 3648),
    ];
    let mut out: Vec<_> = out.into_iter().map(|(n, g, p)| (n, Dispersion::Grating(g), p)).collect();
    for (name, c, lo) in [("real 188-1119", [465.8, -0.0163, -0.00038], 653.6), ("real 145-1100", [478.0, -0.0107, -0.00069], 622.5)] {
        let h = 2047.0 / 2.0;
        // T polynomials to powers of p
        let (c1, r2, r3) = (c[0], c[1], c[2]);
        let a = [lo + c1 * (-r2), c1 * (1.0 - 3.0 * r3), c1 * 2.0 * r2, c1 * 4.0 * r3];
        // t = p/h - 1
        let first = a[0] - a[1] + a[2] - a[3];
        let p = Polynomial { first_nm: first, nm_per_px: (a[1] - 2.0 * a[2] + 3.0 * a[3]) / h, nm_per_px2: (a[2] - 3.0 * a[3]) / h / h, nm_per_px3: a[3] / h / h / h };
        out.push((name, Dispersion::Polynomial(p), 2048));
    }
    out
}

#[test]
fn beyond_the_lines() {
    for (name, bench, pixels) in benches() {
        let [a, b] = beyond(&bench, pixels, 500, [703.2, 811.5]);
        for (nm, b) in [(703.2, a), (811.5, b)] {
            println!(
                "{name:28} {nm}: models {:.3} (bias {:+.3}) cubic {:.3} ratio {:.2} stated {:.3} covered {:.3}",
                b.models, b.bias, b.cubic, b.cubic / b.models, b.stated, b.covered
            );
        }
        let f = fit(&anchors(&bench, pixels, &MERCURY_NM, PLACE_PX, &mut ChaCha8Rng::seed_from_u64(1)), pixels);
        for m in f.models { println!("    {:14} {:.2} {:.4} {:.4} w {:.4}", m.name, m.effective_parameters, m.rms_nm, m.left_out_rms_nm, m.weight); }
    }
}

#[test]
fn time() {
    let axis = Dispersion::Grating(Grating::default());
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let lines = [365.0158, 404.6565, 435.8335, 546.0750, 576.9610, 579.0670, 696.5, 738.4, 763.5, 772.4, 794.8, 811.5];
    for n in [6, 12] {
        let p = anchors(&axis, 3648, &lines[..n], 0.1, &mut rng);
        let s = std::time::Instant::now();
        for _ in 0..100 { std::hint::black_box(fit(&p, 3648)); }
        println!("{n}: {:?} models", s.elapsed() / 100);
        let s = std::time::Instant::now();
        for _ in 0..1000 { std::hint::black_box(super::fit_axis(&p, [0.0, 3647.0], AxisKind::Pixel).unwrap()); }
        println!("{n}: {:?} quick", s.elapsed() / 1000);
    }
}
#[allow(unused)] fn unused(_: Polynomial, rng: &mut ChaCha8Rng) { rng.random_range(0.0..1.0); }
