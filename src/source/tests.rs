use super::*;
use crate::{Axis, Mask};
use approx::assert_abs_diff_eq;
use proptest::prelude::*;
use rand::{SeedableRng, rngs::ChaCha12Rng};
use rand_distr::{Distribution, StandardNormal};
use std::path::Path;

/// Places of a plain array spectrometer, nm.
fn places(from: f64, to: f64, step: f64) -> Vec<f64> {
    (0..=((to - from) / step) as usize).map(|i| from + step * i as f64).collect()
}

fn gaussian(x: f64, centre: f64, fwhm: f64) -> f64 {
    (-4.0 * 2f64.ln() * ((x - centre) / fwhm).powi(2)).exp()
}

fn spectrum(x: Vec<f64>, y: Vec<f64>) -> Spectrum {
    Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), y).unwrap()
}

/// `height · shape + level` with scatter `sigma`.
fn noisy(shape: impl Fn(f64) -> f64, height: f64, level: f64, sigma: f64, seed: u64) -> Spectrum {
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let x = places(300.0, 500.0, 0.4);
    let y = x
        .iter()
        .map(|x| {
            let z: f64 = StandardNormal.sample(&mut rng);
            level + height * shape(*x) + sigma * z
        })
        .collect();
    spectrum(x, y)
}

#[test]
fn a_clean_gaussian_is_measured_as_it_is() {
    let b = band(&noisy(|x| gaussian(x, 371.23, 11.0), 5000.0, 300.0, 0.0, 1)).unwrap();
    assert_abs_diff_eq!(b.highest_nm.value, 371.23, epsilon = 0.01);
    assert_abs_diff_eq!(b.fitted_nm.unwrap().value, 371.23, epsilon = 0.01);
    assert_abs_diff_eq!(b.centroid_nm.value, 371.23, epsilon = 0.01);
    assert_abs_diff_eq!(b.fwhm_nm.unwrap().value, 11.0, epsilon = 0.05);
    assert_abs_diff_eq!(b.baseline.value, 300.0, epsilon = 0.5);
    assert_abs_diff_eq!(b.height.value, 5000.0, epsilon = 5.0);
    // Nothing odd about it; only that the response is not known.
    assert!(b.notes.iter().all(|n| n.contains("response")) && !b.clipped, "{:?}", b.notes);
}

/// Over many recordings the differences from the truth have to be what the stated uncertainties
/// say: pulls of mean 0 and standard deviation 1. The interval allows for 200 recordings and for
/// uncertainties that are themselves estimates from few points.
#[test]
fn stated_uncertainties_cover_the_truth() {
    let truth = [371.23, 371.23, 371.23, 11.0];
    let mut pulls: [Vec<f64>; 4] = Default::default();
    for seed in 0..200 {
        let b = band(&noisy(|x| gaussian(x, 371.23, 11.0), 5000.0, 300.0, 60.0, seed)).unwrap();
        let found = [b.highest_nm, b.fitted_nm.unwrap(), b.centroid_nm, b.fwhm_nm.unwrap()];
        for ((f, t), p) in found.iter().zip(truth).zip(&mut pulls) {
            p.push((f.value - t) / f.u);
        }
    }
    for (name, p) in ["highest", "fitted", "centroid", "fwhm"].iter().zip(&pulls) {
        let n = p.len() as f64;
        let mean = p.iter().sum::<f64>() / n;
        let sd = (p.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / n).sqrt();
        println!("{name}: mean {mean:.2} sd {sd:.2}");
        assert!(mean.abs() < 0.5 && (0.6..1.5).contains(&sd), "{name}: mean {mean:.2} sd {sd:.2}");
    }
}

/// A skewed band of known moments: exponentially modified Gaussian by its convolution integral,
/// summed plainly; mean = centre + decay.
#[test]
fn a_skewed_band_has_its_centroid_beside_its_peak() {
    let (centre, fwhm, decay) = (390.0, 9.0, 5.0);
    let shape = |x: f64| {
        let d = 0.02;
        (0..5000)
            .map(|i| (f64::from(i) + 0.5) * d)
            .map(|t| gaussian(x - t, centre, fwhm) * (-t / decay).exp() / decay * d)
            .sum::<f64>()
    };
    // Truth of peak and width from the shape itself, on a fine grid.
    let fine = places(380.0, 420.0, 0.01);
    let y: Vec<f64> = fine.iter().map(|x| shape(*x)).collect();
    let top = y.iter().copied().fold(0.0, f64::max);
    let peak = fine[y.iter().position(|v| *v == top).unwrap()];
    let above: Vec<f64> =
        fine.iter().zip(&y).filter(|(_, y)| **y >= 0.5 * top).map(|(x, _)| *x).collect();
    let width = above[above.len() - 1] - above[0];
    let b = band(&noisy(shape, 2000.0, 50.0, 0.0, 1)).unwrap();
    assert_abs_diff_eq!(b.highest_nm.value, peak, epsilon = 0.05);
    assert_abs_diff_eq!(b.fitted_nm.unwrap().value, peak, epsilon = 0.2);
    assert_abs_diff_eq!(b.fwhm_nm.unwrap().value, width, epsilon = 0.1);
    // The part of the tail below 2 % of the height is cut off.
    assert_abs_diff_eq!(b.centroid_nm.value, centre + decay, epsilon = 0.5);
    assert!(b.centroid_nm.value > b.highest_nm.value + 1.0);
}

#[test]
fn hot_pixels_and_scatter_do_not_move_the_highest_point() {
    for seed in 0..20 {
        let s = noisy(|x| gaussian(x, 371.23, 11.0), 5000.0, 300.0, 150.0, seed);
        let mut y = s.counts().to_vec();
        (y[40], y[188], y[300], y[301]) = (60000.0, 9000.0, 7000.0, 8000.0);
        let b = band(&spectrum(s.x().to_vec(), y)).unwrap();
        assert_abs_diff_eq!(b.highest_nm.value, 371.23, epsilon = 0.6);
        assert!(b.notes.iter().any(|n| n.contains("hot pixels: 4")), "{:?}", b.notes);
    }
}

#[test]
fn a_tenth_of_the_height_in_scatter_leaves_the_width() {
    for seed in 0..20 {
        let b = band(&noisy(|x| gaussian(x, 420.0, 24.0), 1000.0, 200.0, 100.0, seed)).unwrap();
        assert_abs_diff_eq!(b.highest_nm.value, 420.0, epsilon = 2.5);
        assert_abs_diff_eq!(b.fitted_nm.unwrap().value, 420.0, epsilon = 1.5);
        assert_abs_diff_eq!(b.fwhm_nm.unwrap().value, 24.0, epsilon = 3.0);
    }
}

#[test]
fn the_higher_of_two_humps_is_the_peak() {
    let shape = |x| gaussian(x, 364.0, 6.0) + 1.04 * gaussian(x, 371.0, 6.0);
    let b = band(&noisy(shape, 3000.0, 100.0, 5.0, 3)).unwrap();
    assert_abs_diff_eq!(b.highest_nm.value, 371.0, epsilon = 0.3);
    assert_abs_diff_eq!(b.fwhm_nm.unwrap().value, 13.0, epsilon = 0.3);
    let even = |x| gaussian(x, 364.0, 6.0) + gaussian(x, 371.0, 6.0);
    let b = band(&noisy(even, 3000.0, 100.0, 40.0, 3)).unwrap();
    assert!(b.notes.iter().any(|n| n.contains("as high as")), "{:?}", b.notes);
}

#[test]
fn a_band_at_the_end_of_the_recording_is_said_to_be_cut() {
    let b = band(&noisy(|x| gaussian(x, 300.0, 16.0), 1000.0, 10.0, 1.0, 5)).unwrap();
    assert!(b.fwhm_nm.is_none() && b.half_maximum_nm[0].is_none());
    assert!(b.half_maximum_nm[1].is_some());
    assert!(b.notes.iter().any(|n| n.contains("lower side")), "{:?}", b.notes);
}

#[test]
fn a_clipped_top_gives_a_middle_and_no_width() {
    let s = noisy(|x| gaussian(x, 371.23, 11.0), 5000.0, 300.0, 2.0, 7);
    let y: Vec<f64> = s.counts().iter().map(|y| y.round().min(4095.0)).collect();
    let b = band(&spectrum(s.x().to_vec(), y.clone())).unwrap();
    assert!(b.clipped && b.fwhm_nm.is_none() && b.fitted_nm.is_none());
    assert!((b.highest_nm.value - 371.23).abs() < 2.0 * b.highest_nm.u);
    // The same where the import has flagged the points.
    let mut s = spectrum(s.x().to_vec(), y.iter().map(|y| y * 1.0).collect());
    for (i, y) in y.iter().enumerate() {
        if *y == 4095.0 {
            s.flag(i, Mask::SATURATED);
        }
    }
    assert!(band(&s).unwrap().clipped);
}

#[test]
fn a_coarsely_digitised_top_is_not_clipped() {
    let s = noisy(|x| gaussian(x, 420.0, 40.0), 90.0, 10.0, 0.0, 7);
    let b = band(&spectrum(s.x().to_vec(), s.counts().iter().map(|y| y.round()).collect()));
    let b = b.unwrap();
    assert!(!b.clipped);
    assert_abs_diff_eq!(b.fitted_nm.unwrap().value, 420.0, epsilon = 0.5);
    assert_abs_diff_eq!(b.highest_nm.value, 420.0, epsilon = 2.0);
}

#[test]
fn nothing_and_pixels_are_refused() {
    for seed in 0..50 {
        let r = band(&noisy(|_| 0.0, 0.0, 1000.0, 10.0, seed));
        assert!(r.as_ref().is_err_and(Error::is_refusal), "seed {seed}: {r:?}");
    }
    assert!(band(&noisy(|_| 0.0, 0.0, 1000.0, 0.0, 1)).unwrap_err().is_refusal());
    let pixels = Spectrum::new(Axis::pixels(100), vec![1.0; 100]).unwrap();
    assert!(band(&pixels).unwrap_err().to_string().contains("pixels"));
    let few = spectrum(places(300.0, 303.0, 1.0), vec![1.0; 4]);
    assert!(band(&few).unwrap_err().to_string().contains("too few"));
    let empty = spectrum(Vec::new(), Vec::new());
    assert!(band(&empty).unwrap_err().is_refusal());
}

#[test]
fn dead_points_are_passed_over() {
    let s = noisy(|x| gaussian(x, 371.23, 11.0), 5000.0, 300.0, 0.0, 1);
    let mut y = s.counts().to_vec();
    (y[175], y[178], y[179]) = (f64::NAN, f64::INFINITY, f64::NAN);
    let b = band(&spectrum(s.x().to_vec(), y)).unwrap();
    assert_abs_diff_eq!(b.highest_nm.value, 371.23, epsilon = 0.05);
}

#[test]
fn light_outside_the_band_is_mentioned() {
    let shape = |x| gaussian(x, 365.0, 10.0) + 0.2 * gaussian(x, 450.0, 15.0);
    let b = band(&noisy(shape, 1000.0, 10.0, 1.0, 1)).unwrap();
    assert!(b.notes.iter().any(|n| n.contains("20 %")), "{:?}", b.notes);
    assert_abs_diff_eq!(b.centroid_nm.value, 365.0, epsilon = 0.1);
}

#[test]
fn a_calibrated_axis_adds_its_uncertainty_to_the_places() {
    let s = noisy(|x| gaussian(x, 371.23, 11.0), 5000.0, 300.0, 5.0, 1);
    let plain = band(&s).unwrap();
    let n = s.len();
    let b = band(&s.with_axis_u(vec![0.3; n]).unwrap()).unwrap();
    assert_eq!(b.axis_u_nm, Some(0.3));
    assert_abs_diff_eq!(b.centroid_nm.u, plain.centroid_nm.u.hypot(0.3), epsilon = 1e-9);
    assert_eq!(b.fwhm_nm, plain.fwhm_nm);
}

proptest! {
    #[test]
    fn any_gaussian_band_is_found(
        centre in 340.0..460.0f64, fwhm in 6.0..40.0f64, level in -50.0..3000.0f64,
        relative in 0.0..0.02f64, seed in 0u64..1000,
    ) {
        let b = band(&noisy(|x| gaussian(x, centre, fwhm), 1000.0, level, 1000.0 * relative, seed));
        let b = b.unwrap();
        prop_assert!((b.highest_nm.value - centre).abs() < 0.05 * fwhm, "{b:?}");
        prop_assert!((b.fitted_nm.unwrap().value - centre).abs() < 0.05 * fwhm, "{b:?}");
        prop_assert!((b.fwhm_nm.unwrap().value - fwhm).abs() < 0.1 * fwhm, "{b:?}");
    }

    #[test]
    fn no_recording_brings_it_down(
        y in prop::collection::vec(prop_oneof![Just(0.0), -1e3..1e6f64, Just(f64::NAN), Just(1e300)], 0..200),
    ) {
        let x = places(300.0, 300.0 + y.len() as f64, 1.0)[..y.len()].to_vec();
        if let Ok(b) = band(&spectrum(x, y)) {
            prop_assert!(b.highest_nm.value.is_finite() && b.centroid_nm.value.is_finite());
        }
    }
}

/// Highest points of measured sources within 0.5 nm of the list's; skipped where the folder of
/// measured spectra is absent.
#[test]
fn measured_sources_have_their_peak() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/real-spectra");
    let Ok(mut index) = csv::Reader::from_path(folder.join("INDEX.csv")) else {
        println!("skipped: no measured spectra beside the project");
        return;
    };
    let head = index.headers().unwrap().clone();
    let column = |name: &str| head.iter().position(|h| h == name).unwrap();
    for row in index.records().map(|r| r.unwrap()) {
        let Ok(peak) = row[column("peak_nm")].parse::<f64>() else { continue };
        let mut file = csv::Reader::from_path(folder.join(&row[column("file")])).unwrap();
        let mut points: Vec<(f64, f64)> = file.deserialize().map(|r| r.unwrap()).collect();
        points.dedup_by_key(|p| p.0);
        let (x, y) = points.into_iter().unzip();
        let b = band(&spectrum(x, y)).unwrap();
        println!("{} {peak}: {b:?}", &row[column("file")]);
        assert!((b.highest_nm.value - peak).abs() <= 0.5, "{}: {b:?}", &row[column("file")]);
    }
}

#[test]
fn the_response_pulls_a_band_as_the_note_says() {
    // The product of the band and a response that doubles every 40 nm, measured.
    let rising = |x: f64| 2f64.powf((x - 400.0) / 40.0);
    let x: Vec<f64> = (0..500).map(|i| 350.0 + 0.2 * f64::from(i)).collect();
    let y = x.iter().map(|x| 1000.0 * rising(*x) * gaussian(*x, 400.0, 13.0)).collect();
    let b = band(&spectrum(x, y)).unwrap();
    let pull = b.highest_nm.value - 400.0;
    assert!((pull - response_pull_nm(13.0)).abs() < 0.05, "{pull}");
    assert!(b.notes.iter().any(|n| n.contains("0.5 nm too far")), "{:?}", b.notes);
}
