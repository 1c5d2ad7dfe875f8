//! The instrument model against published numbers.

use super::draw::{self, FWHM_PER_SIGMA};
use super::light::{self, Light, Ray};
use super::*;
use crate::Error;
use proptest::prelude::*;
use std::sync::OnceLock;

fn tables() -> &'static Tables {
    static TABLES: OnceLock<Tables> = OnceLock::new();
    TABLES.get_or_init(|| Tables::bundled().unwrap())
}

/// A straight axis of `pixels` steps of `nm_per_px` from `first_nm`, and nothing that spoils the
/// light.
fn plain(first_nm: f64, nm_per_px: f64, pixels: usize, fwhm_nm: f64) -> Instrument {
    Instrument {
        pixels,
        dispersion: Dispersion::Polynomial(Polynomial {
            first_nm,
            nm_per_px,
            nm_per_px2: 0.0,
            nm_per_px3: 0.0,
        }),
        factory_error: FactoryError { offset_nm: 0.0, tilt_nm: 0.0, curvature_nm: 0.0 },
        line_shape: LineShape { fwhm_short_nm: fwhm_nm, fwhm_long_nm: fwhm_nm, lorentz_share: 0.0 },
        response: Response::Flat,
        stray_share: 0.0,
        second_order_share: 0.0,
        detector: Detector { pixel_unevenness: 0.0, ..Detector::default() },
        ..Instrument::default()
    }
}

fn one_line(nm: f64) -> Light {
    Light { rays: vec![Ray { nm, light: 1.0 }], ..Light::default() }
}

fn unit_exposure() -> Scene {
    Scene { exposure_electrons: 1.0, ..Scene::default() }
}

/// Sum, centroid (in nm) and standard deviation (in nm) of an image.
fn moments(instrument: &Instrument, e: &[f64]) -> (f64, f64, f64) {
    let nm = truth_axis(instrument);
    let sum: f64 = e.iter().sum();
    let mean = e.iter().zip(&nm).map(|(e, x)| e * x).sum::<f64>() / sum;
    let var = e.iter().zip(&nm).map(|(e, x)| e * (x - mean) * (x - mean)).sum::<f64>() / sum;
    (sum, mean, var.sqrt())
}

/// Wien's displacement constant, CODATA 2018: 2.897 771 955e-3 m K.
#[test]
fn planck_peaks_where_wien_says() {
    for kelvin in [3000.0, 5772.0, 9000.0] {
        let expected = 2.897_771_955e6 / kelvin;
        // A parabola through three points 0.5 nm apart around the expected top.
        let h = 0.5;
        let [a, b, c] = [-h, 0.0, h].map(|d| light::planck(expected + d, kelvin));
        let top = expected + 0.5 * h * (a - c) / (a - 2.0 * b + c);
        assert!((top - expected).abs() < 2e-3, "{top} {expected}");
    }
}

/// Stefan-Boltzmann: the whole radiance goes with the fourth power of the temperature.
#[test]
fn planck_grows_with_the_fourth_power() {
    // Trapezoid in ln λ, where the integrand is smooth and dies at both ends.
    let whole = |kelvin: f64| -> f64 {
        (0..6000)
            .map(|i| (4.0 + f64::from(i) * 0.002).exp())
            .map(|nm| nm * light::planck(nm, kelvin))
            .sum()
    };
    assert!((whole(6000.0) / whole(3000.0) / 16.0 - 1.0).abs() < 1e-3);
}

/// Area of a Gaussian: 1.0644670 · height · FWHM (2·sqrt(ln 2/π) inverted).
#[test]
fn a_gaussian_line_has_the_area_of_its_height_and_width() {
    let i = plain(490.0, 0.01, 2001, 1.5);
    let e = draw::electrons(&i, &unit_exposure(), &one_line(500.0));
    let sum: f64 = e.iter().sum();
    let height_per_nm = e.iter().copied().fold(0.0, f64::max) / 0.01;
    assert!((sum - 1.0).abs() < 1e-9);
    let found = 1.064_467_0 * height_per_nm * 1.5;
    // The highest pixel is a mean over its width: lower by (d/sigma)²/24, here 1.0e-5.
    assert!((found - sum).abs() < 2e-5, "{found} {sum}");
}

/// A pseudo-Voigt image keeps its FWHM and its area whatever its wings.
#[test]
fn wings_take_light_and_leave_the_width() {
    let mut i = plain(440.0, 0.01, 12_001, 1.5);
    i.line_shape.lorentz_share = 0.3;
    let scene = Scene { exposure_electrons: 1e6, ..Scene::default() };
    let e = draw::electrons(&i, &scene, &one_line(500.0));
    let nm = truth_axis(&i);
    let top = e.iter().copied().fold(0.0, f64::max);
    let above: Vec<f64> =
        nm.iter().zip(&e).filter(|(_, e)| **e >= top / 2.0).map(|(x, _)| *x).collect();
    let width = above[above.len() - 1] - above[0];
    assert!((width - 1.5).abs() < 0.02, "{width}");
    // Lorentzian of half width w: the share beyond ±60 nm is 2w/(π·60).
    let lost = 0.3 * 1.5 / (std::f64::consts::PI * 60.0);
    assert!((e.iter().sum::<f64>() / 1e6 - (1.0 - lost)).abs() < 1e-4);
}

/// Summing over pixels of width d widens a line of FWHM G to sqrt(G² + (2.3548²/12)·d²);
/// 2 px become 2.112 px and 3 px become 3.076 px (a box of width d has the variance d²/12).
#[test]
fn pixels_widen_a_line() {
    for (fwhm_px, expected_px) in [(2.0, 2.112), (3.0, 3.076)] {
        let i = plain(480.0, 0.4, 101, fwhm_px * 0.4);
        for phase in [0.0, 0.1, 0.2] {
            let e = draw::electrons(&i, &unit_exposure(), &one_line(500.0 + phase));
            let (_, mean, sd) = moments(&i, &e);
            let formula: f64 = fwhm_px * fwhm_px + FWHM_PER_SIGMA * FWHM_PER_SIGMA / 12.0;
            assert!((sd * FWHM_PER_SIGMA / 0.4 - formula.sqrt()).abs() < 2e-3);
            assert!((sd * FWHM_PER_SIGMA / 0.4 - expected_px).abs() < 2e-3);
            assert!((mean - 500.0 - phase).abs() < 1e-4);
        }
    }
}

/// Ghosts of mercury lie at twice their air wavelengths: 365.0158 at 730.0316, 435.8335 at
/// 871.6670 (the grating equation with m = 2; lines of NIST ASD).
#[test]
fn second_order_lies_at_twice_the_air_wavelength() {
    for (nm, ghost) in [(365.0158, 730.0316), (435.8335, 871.6670)] {
        let mut i = plain(700.0, 0.05, 4001, 1.5);
        i.second_order_share = 0.02;
        let e = draw::electrons(&i, &unit_exposure(), &one_line(nm));
        let (sum, mean, _) = moments(&i, &e);
        assert!((sum - 0.02).abs() < 1e-6 && (mean - ghost).abs() < 1e-4, "{sum} {mean}");
        i.second_order_below_nm = 360.0;
        let e = draw::electrons(&i, &unit_exposure(), &one_line(nm));
        assert_eq!(e.iter().sum::<f64>(), 0.0, "the filter takes it away");
    }
}

/// A hump's second order holds the same share of its light as a line's.
#[test]
fn second_order_of_a_hump_keeps_its_light() {
    let mut i = plain(600.0, 0.2, 2001, 1.5);
    i.second_order_share = 0.02;
    let scene = Scene {
        hump: vec![Hump { centre_nm: 395.0, fwhm_nm: 12.0, strength: 1.0 }],
        ..unit_exposure()
    };
    let light = light::gather(&i, &scene, &[], &[], 1).unwrap();
    let (sum, mean, sd) = moments(&i, &draw::electrons(&i, &scene, &light));
    assert!((sum - 0.02).abs() < 1e-6 && (mean - 790.0).abs() < 1e-2);
    // Twice as wide in its place, and the instrument's own width on top.
    assert!((sd * FWHM_PER_SIGMA - (24.0f64 * 24.0 + 1.5 * 1.5).sqrt()).abs() < 0.05);
}

/// Photon transfer: variance in counts = mean/gain + (read noise/gain)² + 1/12 for rounding
/// (J. R. Janesick, Photon Transfer, SPIE 2007, ch. 4, value from memory; the last term is the
/// variance of a uniform rounding error).
#[test]
fn noise_follows_the_photon_transfer_law() {
    const N: usize = 60_000;
    let mut i = plain(300.0, 0.01, N, 1.5);
    i.detector = Detector {
        gain_e_per_count: 4.0,
        read_noise_e: 10.0,
        dark_counts: 500.0,
        dark_slope_counts: 0.0,
        pixel_unevenness: 0.0,
        ..Detector::default()
    };
    for electrons in [0.0, 40.0, 4000.0] {
        let counts = draw::counts(&i, 1, &vec![electrons; N], 11);
        let mean = counts.iter().sum::<f64>() / N as f64;
        let var = counts.iter().map(|c| (c - mean) * (c - mean)).sum::<f64>() / (N - 1) as f64;
        let expected = electrons / 16.0 + 100.0 / 16.0 + 1.0 / 12.0;
        assert!((mean - 500.0 - electrons / 4.0).abs() < 4.0 * (expected / N as f64).sqrt());
        // Relative standard error of a variance: sqrt(2/N) for the normal law.
        assert!((var / expected - 1.0).abs() < 4.5 * (2.0 / N as f64).sqrt(), "{var} {expected}");
        let many = draw::counts(&i, 16, &vec![electrons; N], 12);
        let mean = many.iter().sum::<f64>() / N as f64;
        let var16 = many.iter().map(|c| (c - mean) * (c - mean)).sum::<f64>() / (N - 1) as f64;
        assert!((var16 * 16.0 / expected - 1.0).abs() < 4.5 * (2.0 / N as f64).sqrt());
    }
}

#[test]
fn bright_lines_are_clipped_at_full_scale() {
    let mut scene = Scene { exposure_electrons: 5e6, ..Scene::default() };
    scene.line.push(SingleLine { wavelength_nm: 585.0, strength: 1.0 });
    let i = Instrument::default();
    let s = record(&i, &scene, tables(), 4).unwrap();
    let full = i.detector.full_scale_counts;
    assert!(s.counts().iter().all(|c| (0.0..=full).contains(c)));
    assert!(s.counts().iter().filter(|c| **c == full).count() >= 3, "a flat top");
    assert!(s.mask().iter().all(|m| m.is_good()), "finding it is the reader's work");
}

#[test]
fn the_dark_reading_slopes_and_can_be_taken_off() {
    let mut i = plain(300.0, 0.4, 2000, 1.5);
    i.detector.dark_slope_counts = 400.0;
    i.detector.hot_pixels = vec![HotPixel { pixel: 1000, counts: 3000.0 }];
    let thirds = |i: &Instrument| -> (f64, f64, f64) {
        let s = record(i, &Scene { exposure_electrons: 0.0, ..Scene::default() }, tables(), 5);
        let c = s.unwrap().counts().to_vec();
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        (mean(&c[..20]), mean(&c[1980..]), c[1000])
    };
    let (first, last, hot) = thirds(&i);
    assert!((first - 1202.0).abs() < 15.0 && (last - 1598.0).abs() < 15.0);
    assert!((hot - 4400.0).abs() < 60.0);
    i.detector.dark_subtracted = true;
    let (first, last, hot) = thirds(&i);
    assert!(first.abs() < 15.0 && last.abs() < 15.0 && (hot - 3000.0).abs() < 60.0);
}

#[test]
fn stray_light_lifts_all_pixels_alike() {
    let mut i = plain(400.0, 0.5, 400, 1.5);
    i.stray_share = 0.1;
    let e = draw::electrons(&i, &unit_exposure(), &one_line(500.0));
    assert!((e[10] - 0.1 / 400.0).abs() < 1e-12 && (e[390] - e[10]).abs() < 1e-12);
}

/// Fringes repeat after λ²/(2·n·d): 10 µm of silicon (n about 3.68) at 850 nm give 9.8 nm.
#[test]
fn fringes_have_the_period_of_their_plate() {
    let f = Fringes { amplitude: 0.1, optical_thickness_um: 36.8 };
    let i = Instrument { fringes: Some(f), ..plain(800.0, 0.1, 1000, 1.5) };
    let values: Vec<f64> = (0..4000).map(|k| i.response_at(830.0 + 0.01 * f64::from(k))).collect();
    let tops: Vec<f64> = (1..3999)
        .filter(|k| values[*k] > values[k - 1] && values[*k] >= values[k + 1])
        .map(|k| 830.0 + 0.01 * k as f64)
        .collect();
    assert!(
        tops.windows(2).any(|w| (w[0]..w[1]).contains(&850.0) && (w[1] - w[0] - 9.8).abs() < 0.2)
    );
    let (low, high) =
        values.iter().fold((9.0, 0.0), |(l, h): (f64, f64), v| (l.min(*v), h.max(*v)));
    assert!((low - 0.9).abs() < 1e-3 && (high - 1.1).abs() < 1e-3);
}

#[test]
fn the_factory_axis_errs_as_told() {
    let i = Instrument {
        factory_error: FactoryError { offset_nm: 1.0, tilt_nm: -0.5, curvature_nm: 0.25 },
        ..Instrument::default()
    };
    let error: Vec<f64> = factory_axis(&i).iter().zip(truth_axis(&i)).map(|(f, t)| f - t).collect();
    assert!((error[0] - 1.75).abs() < 1e-9);
    assert!((error[i.pixels - 1] - 0.75).abs() < 1e-9);
    assert!((error[i.pixels / 2] - 1.0).abs() < 1e-3);
}

#[test]
fn same_seed_same_recording() {
    let scene = Scene { glow: vec![Glow::new("Ne I", 1.0)], ..Scene::default() };
    let i = Instrument::default();
    let counts = |scene: &Scene, seed| record(&i, scene, tables(), seed).unwrap().counts().to_vec();
    assert_eq!(counts(&scene, 1), counts(&scene, 1));
    assert_ne!(counts(&scene, 1), counts(&scene, 2));
    // The same tube again: the lines are as strong as before, the noise is another.
    let tube = Scene { tube_seed: Some(9), ..scene };
    let (a, b) = (counts(&tube, 1), counts(&tube, 2));
    assert_ne!(a, b);
    let top = (0..a.len()).max_by(|x, y| a[*x].total_cmp(&a[*y])).unwrap();
    let sigma = (2.0 * (a[top] + 200.0)).sqrt();
    assert!((a[top] - b[top]).abs() < 6.0 * sigma, "{} {}", a[top], b[top]);
}

#[test]
fn an_instrument_built_the_other_way_round_sees_the_same() {
    let grating = Grating { red_first: true, ..Grating::default() };
    let turned = Instrument { dispersion: Dispersion::Grating(grating), ..Instrument::default() };
    let light = one_line(585.249);
    let mut a = draw::electrons(&Instrument::default(), &unit_exposure(), &light);
    let b = draw::electrons(&turned, &unit_exposure(), &light);
    a.reverse();
    assert!(a.iter().zip(&b).all(|(a, b)| (a - b).abs() < 1e-9));
    let s = record(&turned, &Scene::default(), tables(), 1).unwrap();
    assert!(s.provenance.reversed && s.x()[0] < s.x()[1]);
    let pixel = Instrument { axis: AxisKind::Pixel, ..turned };
    let s = record(&pixel, &Scene::default(), tables(), 1).unwrap();
    assert_eq!((s.axis().kind(), s.x()[0]), (AxisKind::Pixel, 0.0));
    assert!(truth_axis(&pixel)[0] > truth_axis(&pixel)[1]);
}

fn rays_of(glow: Glow) -> Vec<Ray> {
    let scene = Scene { glow: vec![glow], ..Scene::default() };
    let i = Instrument::default();
    light::gather(&i, &scene, tables().species(), tables().lamp(), 1).unwrap().rays
}

fn light_at(rays: &[Ray], nm: f64) -> f64 {
    rays.iter().filter(|r| (r.nm - nm).abs() < 0.003).map(|r| r.light).sum()
}

/// Lines of one upper level share its atoms by their A alone, whatever kT: Hg 435.83 and 546.07
/// both start at 7³S₁, with A = 5.6e7 and 4.9e7 1/s (NIST ASD, rounded there to two digits).
#[test]
fn lines_of_one_level_share_by_their_transition_probabilities() {
    for kt_ev in [0.3, 1.0, 3.0] {
        let rays = rays_of(Glow { kt_ev, scatter: 0.0, ..Glow::new("Hg I", 1.0) });
        let ratio = light_at(&rays, 435.8335) / light_at(&rays, 546.0750);
        assert!((ratio - 5.6e7 / 435.8335 / (4.9e7 / 546.0750)).abs() < 0.02, "{ratio}");
    }
}

/// exp(−ΔE/kT) between two levels: Ne 585.25 (18.966 eV, g 1, A 6.15e7) over 640.22 (18.555 eV,
/// g 7, A 5.149e7), all of NIST ASD.
#[test]
fn levels_share_by_boltzmann() {
    let rays = rays_of(Glow { kt_ev: 0.5, scatter: 0.0, ..Glow::new("Ne I", 1.0) });
    let ratio = light_at(&rays, 585.2488) / light_at(&rays, 640.2248);
    let expected = 6.15e7 / 585.2488 / (7.0 * 5.149e7 / 640.2248) * (-0.411f64 / 0.5).exp();
    assert!((ratio / expected - 1.0).abs() < 0.03, "{ratio} {expected}");
}

/// Mercury 1013.975 and 366.328 have no A in the table and must not vanish.
#[test]
fn lines_without_a_probability_fall_back_on_their_intensity() {
    let hg = tables().get("Hg I").unwrap();
    for nm in [366.3284, 1013.975] {
        let line = hg.lines.iter().find(|l| (l.wavelength_nm - nm).abs() < 0.003).unwrap();
        assert!(line.a_per_s.is_none(), "{nm}");
        let rays = rays_of(Glow { scatter: 0.0, ..Glow::new("Hg I", 1.0) });
        assert!(light_at(&rays, nm) > 0.0, "{nm}");
    }
    let tabulated = Glow { weights: Weights::Tabulated, scatter: 0.0, ..Glow::new("Hg I", 1.0) };
    let rays = rays_of(tabulated);
    // 435.83 and 546.07 stand as 12000 to 6000 there.
    assert!((light_at(&rays, 435.8335) / light_at(&rays, 546.0750) - 2.0).abs() < 1e-9);
}

#[test]
fn the_strongest_line_within_range_has_the_glows_strength() {
    for species in ["He I", "Ne I", "Ar I", "Kr I", "Xe I", "N2 (C-B)", "OH (A-X)", "Br I"] {
        let glow = Glow { scatter: 0.0, ..Glow::new(species, 3.0) };
        let rays = rays_of(glow);
        let i = Instrument::default();
        let (low, high) = i.range_nm();
        if species.contains('(') {
            assert!(rays.iter().map(|r| r.light).sum::<f64>() >= 2.9, "{species}");
            continue;
        }
        let top = rays
            .iter()
            .filter(|r| (low..=high).contains(&r.nm))
            .map(|r| r.light)
            .fold(0.0, f64::max);
        assert!((top - 3.0).abs() < 1e-9, "{species} {top}");
    }
}

#[test]
fn missing_lines_and_scatter_belong_to_the_seed() {
    assert!(rays_of(Glow { missing: 1.0, ..Glow::new("Ne I", 1.0) }).is_empty());
    let all = rays_of(Glow { scatter: 0.0, ..Glow::new("Ne I", 1.0) });
    let half = rays_of(Glow { scatter: 0.0, missing: 0.5, ..Glow::new("Ne I", 1.0) });
    assert!((half.len() as f64 / all.len() as f64 - 0.5).abs() < 0.1);
    assert!(half.iter().all(|r| all.contains(r)));
    let scattered = rays_of(Glow { scatter: 0.4, ..Glow::new("Ne I", 1.0) });
    let logs: Vec<f64> =
        scattered.iter().zip(&all).map(|(s, a)| (s.light / a.light).ln()).collect();
    let mean = logs.iter().sum::<f64>() / logs.len() as f64;
    let sd = (logs.iter().map(|l| (l - mean) * (l - mean)).sum::<f64>() / logs.len() as f64).sqrt();
    assert!((sd - 0.4).abs() < 0.05, "{sd}");
}

/// The band head of N2 337.13 fades to shorter waves, by λ²·kT·|ΔB|/B′: at 500 K and 0.1 that is
/// 0.395 nm (k/hc = 0.695 cm⁻¹/K, CODATA).
#[test]
fn bands_fade_from_their_heads() {
    let rays = rays_of(Glow { scatter: 0.0, rotational_k: 500.0, ..Glow::new("N2 (C-B)", 1.0) });
    let band: Vec<&Ray> = rays.iter().filter(|r| (334.3..337.2).contains(&r.nm)).collect();
    assert!(band.iter().all(|r| r.nm <= 337.13));
    let sum: f64 = band.iter().map(|r| r.light).sum();
    let mean = band.iter().map(|r| r.light * r.nm).sum::<f64>() / sum;
    assert!((337.13 - mean - 0.395).abs() < 0.01, "{}", 337.13 - mean);
    // The (0,0) band is the strongest of the system within the range.
    assert!((sum - 1.0).abs() < 1e-6, "{sum}");
}

#[test]
fn the_fluorescent_lamp_finds_its_features_in_the_table() {
    let scene = Scene { lamp: vec![Lamp { argon: 0.3, ..Lamp::default() }], ..Scene::default() };
    let i = Instrument::default();
    let l = light::gather(&i, &scene, tables().species(), tables().lamp(), 1).unwrap();
    assert!((light_at(&l.rays, 546.0750) - 1.0).abs() < 1e-9);
    assert!(light_at(&l.rays, 763.5106) > 0.05, "argon of the cold start");
    assert_eq!(l.smooth.len(), lamp::PHOSPHOR.len());
    let places: std::collections::BTreeSet<u64> =
        l.rays[..lamp::MERCURY.len()].iter().map(|r| r.nm.to_bits()).collect();
    assert_eq!(places.len(), lamp::MERCURY.len(), "no feature is taken twice");
    let e = light::gather(&i, &scene, tables().species(), &[], 1).unwrap_err();
    assert!(e.to_string().contains("312.57"));
}

#[test]
fn an_unknown_species_names_those_that_come_near() {
    for (wrong, near) in [("ne i", "Ne I"), ("NeI", "Ne I"), ("Ar", "Ar I"), ("N2", "N2 (C-B)")] {
        let scene = Scene { glow: vec![Glow::new(wrong, 1.0)], ..Scene::default() };
        let e = record(&Instrument::default(), &scene, tables(), 1).unwrap_err();
        assert!(matches!(e, Error::Usage { .. }));
        assert!(e.to_string().contains(near), "{wrong}: {e}");
    }
    let scene = Scene { glow: vec![Glow::new("Zyx IV", 1.0)], ..Scene::default() };
    let e = record(&Instrument::default(), &scene, tables(), 1).unwrap_err().to_string();
    assert!(e.contains("lines"), "{e}");
}

#[test]
fn senseless_scenes_are_refused() {
    let glow = |g: Glow| Scene { glow: vec![g], ..Scene::default() };
    for scene in [
        Scene { exposure_electrons: -1.0, ..Scene::default() },
        Scene { averages: 0, ..Scene::default() },
        Scene { glass: Some(Glass { cut_nm: 320.0, width_nm: 0.0 }), ..Scene::default() },
        glow(Glow { kt_ev: 0.0, ..Glow::new("Ne I", 1.0) }),
        glow(Glow { missing: 1.1, ..Glow::new("Ne I", 1.0) }),
        glow(Glow::new("Ne I", f64::NAN)),
        Scene {
            hump: vec![Hump { centre_nm: 400.0, fwhm_nm: 0.0, strength: 1.0 }],
            ..Scene::default()
        },
        Scene {
            continuum: vec![Continuum { temperature_k: 0.0, strength: 1.0 }],
            ..Scene::default()
        },
    ] {
        let e = record(&Instrument::default(), &scene, tables(), 1).unwrap_err();
        assert!(matches!(e, Error::Usage { .. }), "{e}");
    }
    assert!(toml::from_str::<Scene>("exposure = 3").is_err(), "unknown fields are named");
}

#[test]
fn glass_takes_the_short_waves() {
    let i = plain(300.0, 0.1, 2000, 1.5);
    let scene = Scene { glass: Some(Glass { cut_nm: 350.0, width_nm: 5.0 }), ..unit_exposure() };
    for (nm, share) in [(350.0, 0.5), (355.0, 0.731_059), (400.0, 0.999_955)] {
        let e = draw::electrons(&i, &scene, &one_line(nm));
        assert!((e.iter().sum::<f64>() - share).abs() < 1e-6, "logistic at {nm}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Wherever a line lies, whatever its shape, the light within the detector is never more than
    /// was sent, and all of it for a line that lies well inside.
    #[test]
    fn no_light_is_made(
        nm in 100.0..1500.0f64,
        fwhm in 0.2..5.0f64,
        lorentz in 0.0..0.5f64,
        step in 0.1..1.0f64,
    ) {
        let mut i = plain(300.0, step, 800, fwhm);
        i.line_shape.lorentz_share = lorentz;
        let scene = Scene { exposure_electrons: 1e5, ..Scene::default() };
        let e = draw::electrons(&i, &scene, &one_line(nm));
        let sum: f64 = e.iter().sum();
        prop_assert!(e.iter().all(|v| *v >= 0.0));
        prop_assert!(sum <= 1e5 * (1.0 + 1e-9));
        let (low, high) = i.range_nm();
        let inside = (nm - low).min(high - nm);
        if inside > 4.0 * fwhm {
            // What the wings lose at both ends, plus what is cut off as too faint to draw.
            let lost = lorentz * fwhm / (std::f64::consts::PI * inside) + 0.01;
            prop_assert!(sum >= 1e5 * (1.0 - lost), "{sum} {lost}");
        }
    }
}
