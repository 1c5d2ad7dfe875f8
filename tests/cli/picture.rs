//! Photographs of a fluorescent lamp and of a neon tube behind a grating, made as a telephone would:
//! tilted by five degrees, colour filters of a mosaic, display curve, eight bit, JPEG.

use crate::place::Place;
use glowtell::AxisKind;
use glowtell::calibrate::Profile;
use glowtell::reference::Tables;
use glowtell::simulate::{
    Dispersion, Glow, Instrument, Lamp, LineShape, Polynomial, Scene, record, truth_axis,
};

const WIDTH: usize = 2000;
const HEIGHT: usize = 440;
const TILT_DEG: f64 = 5.0;
/// Half the strip's breadth and its distance from the middle of the picture, pixels.
const HALF_BREADTH: f64 = 45.0;
const OFF_MIDDLE: f64 = 25.0;
/// Width of a line, nm: some eight pixels.
const FWHM_NM: f64 = 1.5;
/// Dispersion at the blue end, nm a pixel.
const NM_PER_PX: f64 = 0.185;
const QUALITY: u8 = 80;

fn grating_box() -> Instrument {
    grating_box_of(FWHM_NM, NM_PER_PX)
}

fn grating_box_of(fwhm_nm: f64, nm_per_px: f64) -> Instrument {
    Instrument {
        pixels: WIDTH,
        axis: AxisKind::Pixel,
        dispersion: Dispersion::Polynomial(Polynomial {
            first_nm: 375.0,
            nm_per_px,
            nm_per_px2: 3e-6,
            ..Polynomial::default()
        }),
        line_shape: LineShape {
            fwhm_short_nm: fwhm_nm,
            fwhm_long_nm: fwhm_nm,
            ..LineShape::default()
        },
        ..Instrument::default()
    }
}

/// Share of light that passes each colour filter; invented, of the form that such filters have, with
/// the glass that cuts off infrared.
fn colours(nm: f64) -> [f64; 3] {
    let bell = |centre: f64, width: f64| (-0.5 * ((nm - centre) / width).powi(2)).exp();
    let cut = 1.0 / (1.0 + ((nm - 690.0) / 12.0).exp()) / (1.0 + ((400.0 - nm) / 6.0).exp());
    [
        cut * (bell(605.0, 38.0) + 0.07 * bell(440.0, 25.0) + 0.1 * bell(660.0, 40.0)),
        cut * (0.9 * bell(535.0, 42.0) + 0.08 * bell(630.0, 50.0)),
        cut * (0.85 * bell(455.0, 32.0) + 0.05 * bell(530.0, 40.0)),
    ]
}

/// The photograph of a scene; full light is `full` times the strongest place.
fn photograph(scene: &Scene, full: f64, seed: u64) -> Vec<u8> {
    photograph_by(&grating_box(), scene, full, seed)
}

fn photograph_by(instrument: &Instrument, scene: &Scene, full: f64, seed: u64) -> Vec<u8> {
    let nm = truth_axis(instrument);
    let s = record(instrument, scene, &Tables::bundled().unwrap(), seed).unwrap();
    let floor = s.counts().iter().copied().fold(f64::INFINITY, f64::min);
    let light: Vec<f64> = s.counts().iter().map(|c| c - floor).collect();
    let top = (0..WIDTH)
        .map(|i| light[i] * colours(nm[i]).into_iter().fold(0.0, f64::max))
        .fold(0.0, f64::max);
    let (sin, cos) = TILT_DEG.to_radians().sin_cos();
    let mut state = seed;
    let mut scatter = || {
        // About normal: four evenly spread numbers.
        let mut sum = -2.0;
        for _ in 0..4 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            sum += (state >> 11) as f64 / (1u64 << 53) as f64;
        }
        sum * 3f64.sqrt()
    };
    // What the mosaic holds: green where x + y is even, red and blue in turn elsewhere.
    let filter = |x: usize, y: usize| match (x % 2, y % 2) {
        (0, 0) | (1, 1) => 1,
        (1, 0) => 0,
        _ => 2,
    };
    let mut mosaic = vec![0.0f64; WIDTH * HEIGHT];
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let (dx, dy) =
                (x as f64 - (WIDTH as f64 - 1.0) / 2.0, y as f64 - (HEIGHT as f64 - 1.0) / 2.0);
            let u = dx * cos + dy * sin + (WIDTH as f64 - 1.0) / 2.0;
            let w = (dy * cos - dx * sin - OFF_MIDDLE).abs();
            let across = 1.0 / (1.0 + ((w - HALF_BREADTH) / 2.0).exp());
            let i = u.floor().clamp(0.0, WIDTH as f64 - 2.0) as usize;
            let f = (u - i as f64).clamp(0.0, 1.0);
            let here = light[i] * (1.0 - f) + light[i + 1] * f;
            let colour = colours(nm[i])[filter(x, y)];
            let value = full * across * here * colour / top;
            mosaic[y * WIDTH + x] =
                (value + 0.004 + (0.002 + 0.004 * value.sqrt()) * scatter()).clamp(0.0, 1.0);
        }
    }
    // Each colour is the mean of those of its kind within one point around.
    let mut rgb = Vec::with_capacity(WIDTH * HEIGHT * 3);
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let (mut sum, mut n) = ([0.0; 3], [0.0; 3]);
            for b in y.saturating_sub(1)..=(y + 1).min(HEIGHT - 1) {
                for a in x.saturating_sub(1)..=(x + 1).min(WIDTH - 1) {
                    let k = filter(a, b);
                    sum[k] += mosaic[b * WIDTH + a];
                    n[k] += 1.0;
                }
            }
            for k in 0..3 {
                let l: f64 = sum[k] / n[k];
                let v =
                    if l <= 0.003_130_8 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 };
                rgb.push((255.0 * v).round().clamp(0.0, 255.0) as u8);
            }
        }
    }
    let mut out = Vec::new();
    jpeg_encoder::Encoder::new(&mut out, QUALITY)
        .encode(&rgb, WIDTH as u16, HEIGHT as u16, jpeg_encoder::ColorType::Rgb)
        .unwrap();
    out
}

fn lamp() -> Scene {
    Scene { exposure_electrons: 1e6, averages: 16, lamp: vec![Lamp::default()], ..Scene::default() }
}

fn neon() -> Scene {
    let glow = vec![Glow::new("Ne I", 1.0)];
    Scene { exposure_electrons: 1e6, averages: 16, glow, ..Scene::default() }
}

fn helium() -> Scene {
    let glow = vec![Glow::new("He I", 1.0)];
    Scene { exposure_electrons: 1e6, averages: 16, glow, ..Scene::default() }
}

/// Largest error of a profile between its outermost anchors, nm.
fn worst(p: &Place, profile: &str) -> f64 {
    worst_of(p, profile, &grating_box())
}

fn worst_of(p: &Place, profile: &str, instrument: &Instrument) -> f64 {
    let profile = Profile::load(&p.path().join(profile)).unwrap();
    let [low, high] = profile.anchored_nm;
    let truth = truth_axis(instrument);
    let inside = truth.iter().enumerate().filter(|(_, nm)| **nm > low && **nm < high);
    let worst =
        inside.map(|(i, nm)| (profile.wavelength(i as f64).value - nm).abs()).fold(0.0, f64::max);
    println!("axis from photographs: worst {worst:.2} nm from {low:.0} to {high:.0} nm");
    worst
}

/// Gases that are seen or likely.
fn gases(p: &Place, file: &str, profile: &str) -> Vec<String> {
    let ran = p.answer(&["gases", file, "--profile", profile, "--json"]);
    let json: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    let gases = json["gases"]["gases"].as_array().unwrap_or_else(|| panic!("{}", ran.out));
    gases
        .iter()
        .filter(|g| g["verdict"] == "seen" || g["verdict"] == "likely")
        .filter_map(|g| g["gas"].as_str().map(String::from))
        .collect()
}

#[test]
fn photographed_lamps_set_the_axis_and_photographed_tubes_show_their_gas() {
    let p = Place::new();
    p.write("lamp.jpg", photograph(&lamp(), 0.85, 3));
    p.write("neon.jpg", photograph(&neon(), 0.85, 4));
    p.write("helium.jpg", photograph(&helium(), 0.85, 5));
    // The fluorescent lamp alone, nothing told.
    p.answer(&["calibrate", "lamp.jpg", "--out", "one.profile.toml"]);
    assert!(worst(&p, "one.profile.toml") < FWHM_NM / 3.0);
    assert_eq!(gases(&p, "neon.jpg", "one.profile.toml"), ["Ne"]);
    // With a glow lamp beside it the axis reaches into the red.
    p.answer(&["calibrate", "lamp.jpg", "neon.jpg", "--lamp", "auto", "--out", "two.profile.toml"]);
    assert!(worst(&p, "two.profile.toml") < FWHM_NM / 3.0);
    assert_eq!(gases(&p, "helium.jpg", "two.profile.toml"), ["He"]);
}

/// Six line widths, two photographs each, with the lamp alone and with a neon lamp beside it: right
/// within a third of the line, or refused.
#[test]
#[ignore = "takes a minute: run it after a change of the axis"]
fn photographed_lamps_of_many_boxes() {
    let boxes = [(1.0, 0.185), (1.2, 0.2), (1.3, 0.22), (1.5, 0.185), (1.8, 0.25), (2.2, 0.26)];
    let (mut alone, mut both) = (0, 0);
    for (fwhm_nm, nm_per_px) in boxes {
        let instrument = grating_box_of(fwhm_nm, nm_per_px);
        for seed in [3, 13] {
            let p = Place::new();
            p.write("lamp.jpg", photograph_by(&instrument, &lamp(), 0.85, seed));
            p.write("neon.jpg", photograph_by(&instrument, &neon(), 0.85, seed + 1));
            let solved = |args: &[&str], profile: &str| {
                let args = [&["calibrate"], args, &["--out", profile]].concat();
                let ran = p.run(&args);
                if ran.code == Some(0) {
                    let error = worst_of(&p, profile, &instrument);
                    assert!(error < fwhm_nm / 3.0, "{fwhm_nm} nm, seed {seed}: {error}");
                } else {
                    println!("{fwhm_nm} nm, seed {seed}, refused: {}", ran.err);
                }
                usize::from(ran.code == Some(0))
            };
            alone += solved(&["lamp.jpg"], "one.profile.toml");
            both += solved(&["lamp.jpg", "neon.jpg", "--lamp", "auto"], "two.profile.toml");
        }
    }
    println!("of {}: {alone} with the lamp alone, {both} with neon beside it", 2 * boxes.len());
    // Measured: see DEVELOPERS.md.
    assert!(alone >= 11 && both == 2 * boxes.len());
}
