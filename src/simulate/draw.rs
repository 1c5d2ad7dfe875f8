//! From light to electrons, from electrons to counts.

use super::chance::{Chance, Stream};
use super::instrument::{Instrument, logistic};
use super::light::{Light, Ray, Smooth, planck};
use super::scene::Scene;

/// FWHM of a Gaussian over its standard deviation, 2·sqrt(2·ln 2).
pub(super) const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949_3;
/// Reach of the Gaussian core in FWHM: at 4 FWHM it is below 1e-19 of its height.
const CORE_REACH_FWHM: f64 = 4.0;
/// Lorentzian wings are drawn until they add less than this to a pixel, electrons: a hundredth of
/// what the quietest sensor could tell.
const WING_FLOOR_E: f64 = 0.01;

/// Area of the left part of a line's image of area 1, up to `offset_nm` from its middle.
fn shape_integral(offset_nm: f64, fwhm_nm: f64, lorentz_share: f64) -> f64 {
    let sigma = fwhm_nm / FWHM_PER_SIGMA;
    let core = 0.5 * libm::erfc(-offset_nm / (sigma * std::f64::consts::SQRT_2));
    if lorentz_share == 0.0 {
        return core;
    }
    let wing = 0.5 + libm::atan(2.0 * offset_nm / fwhm_nm) / std::f64::consts::PI;
    core + lorentz_share * (wing - core)
}

/// Adds a line's image to pixels whose ascending edges are given, summed over each pixel.
fn add_line(into: &mut [f64], edges: &[f64], nm: f64, electrons: f64, fwhm: f64, lorentz: f64) {
    let pixel_nm = (edges[edges.len() - 1] - edges[0]) / (edges.len() - 1) as f64;
    // Lorentzian of half width w and area N far from its middle: N·w/(π·r²) for each nm.
    let wing = libm::sqrt(
        electrons * lorentz * fwhm / 2.0 * pixel_nm / (std::f64::consts::PI * WING_FLOOR_E),
    );
    let reach = wing.max(CORE_REACH_FWHM * fwhm);
    let first = edges.partition_point(|e| *e < nm - reach).saturating_sub(1);
    let last = edges.partition_point(|e| *e <= nm + reach).min(into.len());
    let mut below = shape_integral(edges[first] - nm, fwhm, lorentz);
    for i in first..last {
        let above = shape_integral(edges[i + 1] - nm, fwhm, lorentz);
        into[i] += electrons * (above - below);
        below = above;
    }
}

/// Light of smooth sources in each nm at `nm`, as the instrument widens it.
fn density(smooth: &Smooth, nm: f64, instrument_fwhm: f64) -> f64 {
    match smooth {
        Smooth::Hump { centre_nm, fwhm_nm, light } => {
            let fwhm = libm::sqrt(fwhm_nm * fwhm_nm + instrument_fwhm * instrument_fwhm);
            let z = (nm - centre_nm) * FWHM_PER_SIGMA / fwhm;
            let norm = FWHM_PER_SIGMA / (fwhm * libm::sqrt(2.0 * std::f64::consts::PI));
            light * norm * libm::exp(-0.5 * z * z)
        }
        Smooth::Thermal { temperature_k, scale } => scale * planck(nm, *temperature_k),
    }
}

/// Expected electrons in each pixel, in the order of the pixels, without dark and noise.
pub(super) fn electrons(instrument: &Instrument, scene: &Scene, light: &Light) -> Vec<f64> {
    let mut edges = instrument.dispersion.edges_nm(instrument.pixels);
    let red_first = edges.first() > edges.last();
    if red_first {
        edges.reverse();
    }
    let mut e = vec![0.0; instrument.pixels];
    // Light of one wavelength meets glass and sensor at that wavelength, wherever its image lies.
    let seen = |nm: f64| {
        let glass = scene.glass.as_ref().map_or(1.0, |g| logistic(nm, g.cut_nm, g.width_nm));
        scene.exposure_electrons * glass * instrument.response_at(nm)
    };
    let share2 = instrument.second_order_share;
    let lorentz = instrument.line_shape.lorentz_share;
    for Ray { nm, light } in &light.rays {
        let n = light * seen(*nm);
        add_line(&mut e, &edges, *nm, n, instrument.fwhm_nm(*nm), lorentz);
        if share2 > 0.0 && *nm < instrument.second_order_below_nm {
            // m·λ decides the angle: the image in second order lies where 2λ lies in first.
            let at = 2.0 * nm;
            add_line(&mut e, &edges, at, n * share2, instrument.fwhm_nm(at), lorentz);
        }
    }
    for (i, e) in e.iter_mut().enumerate() {
        let nm = 0.5 * (edges[i] + edges[i + 1]);
        let width_nm = edges[i + 1] - edges[i];
        let fwhm = instrument.fwhm_nm(nm);
        let first: f64 = light.smooth.iter().map(|s| density(s, nm, fwhm)).sum();
        *e += first * width_nm * seen(nm);
        let half = nm / 2.0;
        if share2 > 0.0 && half < instrument.second_order_below_nm {
            // The pixel's stretch of wavelengths is halved as well.
            let second: f64 = light.smooth.iter().map(|s| density(s, half, fwhm / 2.0)).sum();
            *e += share2 * second * (width_nm / 2.0) * seen(half);
        }
    }
    let stray = e.iter().sum::<f64>() * instrument.stray_share / instrument.pixels as f64;
    e.iter_mut().for_each(|v| *v += stray);
    if red_first {
        e.reverse();
    }
    e
}

/// What the converter gives for these electrons: mean of `averages` exposures, counts.
pub(super) fn counts(
    instrument: &Instrument,
    averages: u32,
    electrons: &[f64],
    seed: u64,
) -> Vec<f64> {
    let d = &instrument.detector;
    let last = electrons.len().saturating_sub(1).max(1) as f64;
    let mut pattern = Chance::new(d.pattern_seed, Stream::Pattern);
    let expected: Vec<f64> =
        electrons.iter().map(|e| e * (1.0 + d.pixel_unevenness * pattern.normal())).collect();
    let smooth_dark: Vec<f64> = (0..electrons.len())
        .map(|i| d.dark_counts + d.dark_slope_counts * i as f64 / last)
        .collect();
    let mut dark = smooth_dark.clone();
    for h in &d.hot_pixels {
        if let Some(v) = dark.get_mut(h.pixel) {
            *v += h.counts;
        }
    }
    let mut noise = Chance::new(seed, Stream::Noise);
    let mut sum = vec![0.0; electrons.len()];
    for _ in 0..averages {
        for (s, (e, dark)) in sum.iter_mut().zip(expected.iter().zip(&dark)) {
            let read = d.read_noise_e * noise.normal();
            let level = dark + (noise.poisson(*e) + read) / d.gain_e_per_count;
            *s += level.round().clamp(0.0, d.full_scale_counts);
        }
    }
    sum.iter()
        .zip(&smooth_dark)
        .map(|(s, dark)| {
            let mean = s / f64::from(averages);
            if d.dark_subtracted { mean - dark.round() } else { mean }
        })
        .collect()
}
