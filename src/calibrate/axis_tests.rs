//! The final axis against simulated instruments: errors beyond the lines, coverage, bad anchors,
//! time.

use super::{AxisFit, BenchFacts, Point, fit_axis, fit_models, fit_models_knowing};
use crate::AxisKind;
use crate::simulate::{Dispersion, Grating, Polynomial};
use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};
use rand_distr::{Distribution, StandardNormal};

/// Air wavelengths of mercury, nm: C. J. Sansonetti, M. L. Salit, J. Reader, Appl. Opt. 35 (1996)
/// 74.
const MERCURY_NM: [f64; 6] = [365.0158, 404.6565, 435.8335, 546.0750, 576.9610, 579.0670];
/// Air wavelengths of argon beyond them, nm (NIST Atomic Spectra Database, value from memory).
const ARGON_NM: [f64; 9] =
    [696.5431, 706.7218, 738.3980, 750.3869, 763.5106, 772.4207, 794.8176, 801.4786, 811.5311];
/// Error of a line's place, pixels.
const PLACE_PX: f64 = 0.1;
/// Where the axis is judged beyond the mercury lines: lines of neon and argon, nm, rounded.
const BEYOND_NM: [f64; 2] = [703.2, 811.5];

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Place of a wavelength on the pixels, by halving.
fn place(axis: &Dispersion, pixels: usize, nm: f64) -> f64 {
    let (mut lo, mut hi) = (-0.5 * pixels as f64, 1.5 * pixels as f64);
    let rising = axis.wavelength_nm(pixels as f64, pixels) > axis.wavelength_nm(0.0, pixels);
    for _ in 0..70 {
        let mid = 0.5 * (lo + hi);
        if (axis.wavelength_nm(mid, pixels) < nm) == rising { lo = mid } else { hi = mid }
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

fn domain(pixels: usize) -> [f64; 2] {
    [0.0, pixels as f64 - 1.0]
}

fn fit(points: &[Point], pixels: usize) -> AxisFit {
    fit_models(points, domain(pixels), AxisKind::Pixel).unwrap()
}

/// Plain least squares with a cubic, at `x`.
fn cubic(points: &[Point], pixels: usize, x: f64) -> f64 {
    let t = |x: f64| 2.0 * x / (pixels as f64 - 1.0) - 1.0;
    let a = DMatrix::from_fn(points.len(), 4, |i, j| t(points[i].x).powi(j as i32));
    let y = DVector::from_fn(points.len(), |i, _| points[i].nm);
    let c = a.svd(true, true).solve(&y, 1e-14).unwrap();
    (0..4).map(|j| c[j] * t(x).powi(j as i32)).sum()
}

/// What came out at one wavelength over many seeds.
#[derive(Default)]
struct Beyond {
    /// Root mean square error of the models, nm.
    rms: f64,
    /// The same over that of a cubic through the same points.
    ratio: f64,
    /// Share of errors within twice the stated uncertainty.
    covered: f64,
}

/// Over many seeds; `images` where the lamp's short lines show in second order too, at twice their
/// wavelength.
fn beyond(
    axis: &Dispersion,
    pixels: usize,
    facts: &BenchFacts,
    images: bool,
    seeds: u64,
) -> [Beyond; 2] {
    let ends = [0.0, pixels as f64 - 1.0].map(|x| axis.wavelength_nm(x, pixels));
    let range = ends[0].min(ends[1])..ends[0].max(ends[1]);
    let in_second_order: Vec<f64> =
        MERCURY_NM.iter().map(|nm| 2.0 * nm).filter(|nm| images && range.contains(nm)).collect();
    let mut out = [Beyond::default(), Beyond::default()];
    let mut squares = [[0.0; 2]; 2];
    for seed in 0..seeds {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let points = anchors(axis, pixels, &MERCURY_NM, PLACE_PX, &mut rng);
        let mut all = points.clone();
        all.extend(anchors(axis, pixels, &in_second_order, PLACE_PX, &mut rng));
        let f = fit_models_knowing(&all, domain(pixels), AxisKind::Pixel, facts).unwrap();
        for ((b, s), nm) in out.iter_mut().zip(&mut squares).zip(BEYOND_NM) {
            let x = place(axis, pixels, nm);
            let m = f.model.wavelength(x);
            s[0] += (m.value - nm).powi(2);
            s[1] += (cubic(&points, pixels, x) - nm).powi(2);
            b.covered += f64::from(u8::from((m.value - nm).abs() <= 2.0 * m.u)) / seeds as f64;
        }
    }
    for (b, s) in out.iter_mut().zip(squares) {
        b.rms = (s[0] / seeds as f64).sqrt();
        b.ratio = (s[1] / s[0]).sqrt();
    }
    out
}

/// Benches that obey the grating equation. The first is that of the tabulated errors of parabola
/// and cubic (`extrapolation_penalty_model.csv` of the reference folder, 286 to 1078 nm at 0.387
/// nm per pixel): its geometry follows from those figures to their last digit, for 600 grooves per
/// mm an incoming ray at 5 degrees and a detector square to the beam.
fn gratings() -> Vec<(&'static str, Grating, usize)> {
    let bench = |grooves, included, focal, pitch, centre, tilt| Grating {
        grooves_per_mm: grooves,
        included_angle_deg: included,
        focal_length_mm: focal,
        pixel_pitch_um: pitch,
        centre_nm: centre,
        detector_tilt_deg: tilt,
        red_first: false,
    };
    let inward = bench(500.0, -25.0, 75.0, 14.0, 620.0, -2.0);
    vec![
        ("tabulated", bench(600.0, 14.433_737, 55.051_3, 14.0, 699.887_06, 0.0), 2048),
        ("500/mm, K -25, f 75, tilt -2", Grating { red_first: true, ..inward }, 2048),
        ("300/mm, K 48, f 90, tilt 3", bench(300.0, 48.0, 90.0, 8.0, 680.0, 3.0), 3648),
        ("600/mm, K 38, f 60, tilt 1.5", bench(600.0, 38.0, 60.0, 8.0, 640.0, 1.5), 3648),
        ("600/mm, K 30, f 60, tilt 8", bench(600.0, 30.0, 60.0, 8.0, 660.0, 8.0), 3648),
        ("600/mm, K 24, f 53, tilt 3", Grating::default(), 3648),
    ]
}

/// What a data sheet may say of the bench: angle off by up to 1.2 degrees, tilt by 0.3, the
/// sensor's length over the focal length by 2 %.
fn data_sheet(g: &Grating, pixels: usize) -> BenchFacts {
    BenchFacts {
        grooves_per_mm: Some(g.grooves_per_mm),
        included_angle_deg: Some((g.included_angle_deg.abs() + 0.7).round()),
        detector_tilt_deg: Some(g.detector_tilt_deg + 0.3),
        detector_over_focal: Some(
            1.02 * g.pixel_pitch_um * 1e-3 * pixels as f64 / g.focal_length_mm,
        ),
    }
}

/// An axis from its first Chebyshev terms.
fn chebyshev(c: [f64; 4], pixels: usize) -> Dispersion {
    let h = 0.5 * (pixels as f64 - 1.0);
    let a = [c[0] - c[2], c[1] - 3.0 * c[3], 2.0 * c[2], 4.0 * c[3]];
    Dispersion::Polynomial(Polynomial {
        first_nm: a[0] - a[1] + a[2] - a[3],
        nm_per_px: (a[1] - 2.0 * a[2] + 3.0 * a[3]) / h,
        nm_per_px2: (a[2] - 3.0 * a[3]) / (h * h),
        nm_per_px3: a[3] / (h * h * h),
    })
}

/// Factory axes of two array spectrometers as public recordings show them (188 to 1119 nm and 145
/// to 1100 nm): much straighter than a plane grating before a flat detector.
fn mirror_benches() -> Vec<(&'static str, Dispersion, usize)> {
    vec![
        ("mirrors 188-1119", chebyshev([653.6, 465.8, -7.59, -0.177], 2068), 2068),
        ("mirrors 145-1100", chebyshev([622.5, 478.0, -5.11, -0.330], 3236), 3236),
    ]
}

fn print(name: &str, how: &str, b: &[Beyond; 2]) {
    for (nm, b) in BEYOND_NM.iter().zip(b) {
        println!(
            "{name:30} {how:10} {nm}: rms {:.3} nm, ratio to a cubic {:.2}, within k=2 {:.3}",
            b.rms, b.ratio, b.covered
        );
    }
}

/// With nothing known of the bench, six lines that are off by 0.1 pixel tell no more: even if all
/// but the parabola's three coefficients were known, the errors would only be 4.2 and 6.1 times
/// smaller than a cubic's at the two places (the table's propagated errors, 0.772 over 0.185 nm
/// and 2.708 over 0.447 nm); what is unknown of ruling, tilt and mirrors takes most of
/// that. The band must say so.
fn check_unknown(seeds: u64) {
    let facts = BenchFacts::default();
    let mut all = mirror_benches();
    all.extend(gratings().into_iter().map(|(n, g, p)| (n, Dispersion::Grating(g), p)));
    for (name, axis, pixels) in all {
        let b = beyond(&axis, pixels, &facts, false, seeds);
        print(name, "unknown", &b);
        for b in &b {
            assert!(b.covered >= 0.90, "{name}: covered {}", b.covered);
            // Never worse than the cubic, and clearly better on the sort of bench most people have.
            let least = if name.starts_with("mirrors") { 1.6 } else { 0.97 };
            assert!(b.ratio > least, "{name}: ratio {}", b.ratio);
        }
    }
}

/// With the data sheet's figures the axis beyond the lines is several times surer.
fn check_known(seeds: u64) {
    for (k, (name, g, pixels)) in gratings().into_iter().enumerate() {
        let facts = data_sheet(&g, pixels);
        let b = beyond(&Dispersion::Grating(g), pixels, &facts, false, seeds);
        print(name, "data sheet", &b);
        // The lines of the benches with finer pixels leave the cubic less to be wrong about.
        let least = if k < 3 { [4.0, 6.0] } else { [3.0, 4.0] };
        for (b, least) in b.iter().zip(least) {
            assert!(b.covered >= 0.93, "{name}: covered {}", b.covered);
            assert!(b.ratio >= least, "{name}: ratio {}", b.ratio);
        }
    }
}

/// Nothing is known of the bench, but it shows the same lines in second order: at 730, 809 and 872 nm as
/// far as its range goes, they carry the red end, and the axis there is as sure as between the lines.
fn check_images(seeds: u64) {
    let mut all = mirror_benches();
    all.extend(gratings().into_iter().map(|(n, g, p)| (n, Dispersion::Grating(g), p)));
    for (name, axis, pixels) in all {
        let b = beyond(&axis, pixels, &BenchFacts::default(), true, seeds);
        print(name, "images", &b);
        for (b, least) in b.iter().zip([4.0, 6.0]) {
            assert!(b.covered >= 0.93, "{name}: covered {}", b.covered);
            assert!(b.ratio >= least, "{name}: ratio {}", b.ratio);
        }
    }
}

#[test]
fn images_in_second_order_make_the_red_end_sure() {
    check_images(60);
}

#[test]
fn beyond_the_lines_the_band_holds() {
    check_unknown(100);
}

#[test]
fn a_known_bench_is_several_times_surer_beyond_the_lines() {
    check_known(60);
}

/// The same with more seeds, and the ruling and focal length alone.
#[test]
#[ignore = "long: run it after a change of the models"]
fn beyond_the_lines_with_many_seeds() {
    check_unknown(500);
    check_known(500);
    check_images(500);
    for (name, g, pixels) in gratings() {
        let facts = BenchFacts {
            included_angle_deg: None,
            detector_tilt_deg: None,
            ..data_sheet(&g, pixels)
        };
        print(name, "ruling, f", &beyond(&Dispersion::Grating(g), pixels, &facts, false, 500));
    }
}

/// How often the truth lies within k = 2.
#[derive(Default)]
struct Tally {
    inside: [usize; 2],
    outside: [usize; 2],
}

impl Tally {
    /// Counts at 33 places along the axis, inside the outermost anchors and outside.
    fn add(&mut self, f: &AxisFit, points: &[Point], range: [f64; 2], truth: impl Fn(f64) -> f64) {
        let lo = points.iter().map(|p| p.x).fold(f64::INFINITY, f64::min);
        let hi = points.iter().map(|p| p.x).fold(f64::NEG_INFINITY, f64::max);
        for k in 0..33 {
            let x = range[0] + (range[1] - range[0]) * k as f64 / 32.0;
            let m = f.model.wavelength(x);
            let c = if (lo..=hi).contains(&x) { &mut self.inside } else { &mut self.outside };
            c[0] += usize::from((m.value - truth(x)).abs() <= 2.0 * m.u);
            c[1] += 1;
        }
    }

    fn shares(&self) -> [f64; 2] {
        [self.inside, self.outside].map(|c| c[0] as f64 / c[1].max(1) as f64)
    }
}

type Draw = fn(&mut ChaCha8Rng) -> (Dispersion, usize);

/// Gratings of the catalogue and others, either side, tilted or square.
fn random_grating(rng: &mut ChaCha8Rng) -> (Dispersion, usize) {
    const RULINGS: [f64; 8] = [300.0, 400.0, 500.0, 600.0, 600.0, 600.0, 1000.0, 1200.0];
    const SENSORS: [(usize, f64); 3] = [(2048, 14.0), (3648, 8.0), (1024, 25.0)];
    loop {
        let (pixels, pitch) = SENSORS[rng.random_range(0..SENSORS.len())];
        let of_catalogue = rng.random_bool(0.8);
        let tilted = rng.random_bool(0.4);
        let axis = Dispersion::Grating(Grating {
            grooves_per_mm: if of_catalogue {
                RULINGS[rng.random_range(0..RULINGS.len())]
            } else {
                rng.random_range(300.0..1200.0)
            },
            included_angle_deg: rng.random_range(15.0..60.0)
                * if rng.random_bool(0.5) { 1.0 } else { -1.0 },
            focal_length_mm: rng.random_range(45.0..150.0),
            pixel_pitch_um: pitch,
            centre_nm: rng.random_range(450.0..800.0),
            detector_tilt_deg: if tilted {
                rng.random_range(-18.0..18.0)
            } else {
                2.0 * normal(rng)
            },
            red_first: rng.random_bool(0.3),
        });
        let ends = [0.0, pixels as f64 - 1.0].map(|p| axis.wavelength_nm(p, pixels));
        let (lo, hi) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
        if lo > 150.0 && lo < 400.0 && hi > 590.0 && hi < 1200.0 {
            return (axis, pixels);
        }
    }
}

/// Mirror benches over the span of measured axes.
fn random_mirrors(rng: &mut ChaCha8Rng) -> (Dispersion, usize) {
    let (c1, lo) = (rng.random_range(150.0..480.0), rng.random_range(190.0..380.0));
    let (r2, r3) = (-rng.random_range(0.0..0.036), -rng.random_range(0.0..0.0016));
    (chebyshev([lo + c1, c1, c1 * r2, c1 * r3], 2048), 2048)
}

/// Any smooth axis.
fn random_polynomial(rng: &mut ChaCha8Rng) -> (Dispersion, usize) {
    let (c1, lo) = (rng.random_range(150.0..480.0), rng.random_range(190.0..380.0));
    let (r2, r3) = (0.03 * normal(rng), 0.005 * normal(rng));
    (chebyshev([lo + c1, c1, c1 * r2, c1 * r3], 2048), 2048)
}

/// Shares inside and outside over random instruments, with `change` done to the anchors; of the
/// models, then of the quick fit.
fn coverage(
    draw: Draw,
    instruments: usize,
    change: impl Fn(&mut [Point], &mut ChaCha8Rng),
) -> [[f64; 2]; 2] {
    let (mut models, mut quick) = (Tally::default(), Tally::default());
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    for _ in 0..instruments {
        let (axis, pixels) = draw(&mut rng);
        let mut lines = MERCURY_NM.to_vec();
        match rng.random_range(0..4) {
            0 => lines.extend(ARGON_NM),
            1 => lines.retain(|l| *l > 400.0),
            2 => lines.retain(|l| *l > 400.0 && *l < 579.0),
            _ => {}
        }
        let ends = [0.0, pixels as f64 - 1.0].map(|p| axis.wavelength_nm(p, pixels));
        lines.retain(|l| (ends[0].min(ends[1])..ends[0].max(ends[1])).contains(l));
        if lines.len() < 4 {
            continue;
        }
        let px = 10f64.powf(rng.random_range(-1.5..-0.5));
        let mut points = anchors(&axis, pixels, &lines, px, &mut rng);
        change(&mut points, &mut rng);
        let truth = |x: f64| axis.wavelength_nm(x, pixels);
        models.add(&fit(&points, pixels), &points, domain(pixels), truth);
        let f = fit_axis(&points, domain(pixels), AxisKind::Pixel).unwrap();
        quick.add(&f, &points, domain(pixels), truth);
    }
    [models.shares(), quick.shares()]
}

fn check_coverage(instruments: usize) {
    // Polynomials drawn at random are no instruments: only few of them look like the priors.
    for (name, draw, outside) in [
        ("gratings", random_grating as Draw, 0.90),
        ("mirrors", random_mirrors, 0.90),
        ("polynomials", random_polynomial, 0.85),
    ] {
        let [m, q] = coverage(draw, instruments, |_, _| ());
        println!(
            "{name:12} inside {:.3} outside {:.3} (quick fit {:.3} {:.3})",
            m[0], m[1], q[0], q[1]
        );
        assert!((0.93..=0.985).contains(&m[0]), "{name}: {m:?}");
        assert!(m[1] >= outside, "{name}: {m:?}");
    }
}

#[test]
fn the_band_covers_the_truth() {
    check_coverage(120);
}

/// Many instruments, and anchors that are worse than stated: all three times, or one by twenty
/// stated uncertainties.
#[test]
#[ignore = "long: run it after a change of the models"]
fn the_band_covers_the_truth_of_many() {
    check_coverage(2000);
    for draw in [random_grating as Draw, random_mirrors, random_polynomial] {
        let under = coverage(draw, 500, |p, _| p.iter_mut().for_each(|p| p.u_nm /= 3.0));
        let bad = coverage(draw, 500, |p, rng| {
            let k = rng.random_range(0..p.len());
            p[k].nm += 20.0 * p[k].u_nm;
        });
        println!("understated [models, quick]: {under:.3?}; one bad: {bad:.3?}");
        assert!(under[0][0] > 0.8 && bad[0][0] > 0.83);
    }
}

/// One bad anchor among eight moves the axis at the others by less than twice their uncertainty;
/// where it is the outermost, which no other can judge, the band still holds.
#[test]
fn one_bad_anchor_does_not_bend_the_axis() {
    let (_, g, pixels) = gratings().remove(3);
    let axis = Dispersion::Grating(g);
    let mut lines = MERCURY_NM.to_vec();
    lines.extend([696.5431, 763.5106]);
    for k in 0..lines.len() {
        let mut rng = ChaCha8Rng::seed_from_u64(k as u64);
        let good = anchors(&axis, pixels, &lines, PLACE_PX, &mut rng);
        let mut bad = good.clone();
        bad[k].nm += 2.0;
        let f = fit(&bad, pixels);
        let allowed = |p: &Point| match k {
            7 => 3.0 * f.model.wavelength(p.x).u,
            _ => 2.0 * p.u_nm,
        };
        let straight = fit(&good, pixels);
        for p in good.iter().enumerate().filter(|(i, _)| *i != k).map(|(_, p)| p) {
            let moved = straight.model.wavelength(p.x).value - f.model.wavelength(p.x).value;
            assert!(moved.abs() < allowed(p), "{k}: {moved} at {}", p.nm);
        }
    }
}

/// A factory's axis that is shifted, stretched or bent is mended, and the band covers the truth.
#[test]
fn a_factory_axis_is_mended_within_the_band() {
    let mut t = Tally::default();
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for k in 0..200 {
        let sd = [[1.5, 0.0, 0.0], [2.0, 0.7, 0.0], [2.0, 1.0, 0.3]][k % 3];
        let c = sd.map(|s| s * normal(&mut rng));
        let truth = |x: f64| {
            let s = (x - 700.0) / 400.0;
            x + c[0] + c[1] * s + c[2] * (2.0 * s * s - 1.0)
        };
        let points: Vec<Point> = MERCURY_NM
            .iter()
            .map(|nm| {
                // The place that reads this wavelength in truth, by fixed-point rounds.
                let x = (0..40).fold(*nm, |x, _| x - (truth(x) - nm));
                Point { x: x + 0.04 * normal(&mut rng), nm: *nm, u_nm: 0.04 }
            })
            .collect();
        let f = fit_models(&points, [300.0, 1100.0], AxisKind::Nm).unwrap();
        assert!(f.model.correction && f.models.iter().all(|m| m.name != "grating"));
        t.add(&f, &points, [300.0, 1100.0], truth);
    }
    let [inside, outside] = t.shares();
    println!("factory axes: inside {inside:.3} outside {outside:.3}");
    assert!(inside >= 0.93 && outside >= 0.90, "{inside} {outside}");
}

#[test]
#[ignore = "a clock is no test: prints the time of a fit"]
fn time_of_a_fit() {
    let axis = Dispersion::Grating(Grating::default());
    let mut lines = MERCURY_NM.to_vec();
    lines.extend(&ARGON_NM[..6]);
    for n in [6, 12] {
        let p = anchors(&axis, 3648, &lines[..n], PLACE_PX, &mut ChaCha8Rng::seed_from_u64(1));
        let least = |f: &dyn Fn() -> f64| {
            let once = |_| {
                let s = std::time::Instant::now();
                std::hint::black_box(f());
                s.elapsed()
            };
            (0..100).map(once).min().unwrap_or_default()
        };
        println!(
            "{n} anchors: models {:?}, quick {:?}",
            least(&|| fit(&p, 3648).extra_nm),
            least(&|| fit_axis(&p, domain(3648), AxisKind::Pixel).unwrap().extra_nm)
        );
    }
}
