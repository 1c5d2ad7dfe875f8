//! One recording of a tube or another light, with what is truly in it.

use crate::dice::Dice;
use glowtell::AxisKind;
use glowtell::Spectrum;
use glowtell::reference::Tables;
use glowtell::simulate::{
    Continuum, Detector, Dispersion, FactoryError, Fringes, Glass, Glow, HotPixel, Hump,
    Instrument, Lamp, LineShape, Polynomial, Response, Scene, SingleLine, factory_axis, record,
    truth_axis,
};
use rand::RngExt;
use rand_distr::{Distribution, StandardNormal};

/// Standard deviation of the logarithm for log-uniform strengths from 1/3 to 3.
const SCATTER: f64 = 0.634;
/// Share of lines that are missing.
const MISSING: f64 = 0.1;
/// Electrons for the recordings that give the true heights.
const TRIAL_ELECTRONS: f64 = 1e9;
/// Gases that fill tubes.
pub const FILLINGS: [&str; 5] = ["He", "Ne", "Ar", "Kr", "Xe"];

/// What sort of light it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    Pure,
    Mixture,
    Air,
    Mercury,
    Halogen,
    Metal,
    NoGas,
}

impl Kind {
    pub const ALL: [Kind; 7] = [
        Kind::Pure,
        Kind::Mixture,
        Kind::Air,
        Kind::Mercury,
        Kind::Halogen,
        Kind::Metal,
        Kind::NoGas,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Kind::Pure => "pure",
            Kind::Mixture => "two gases",
            Kind::Air => "with air",
            Kind::Mercury => "with mercury",
            Kind::Halogen => "with halogen",
            Kind::Metal => "with metal",
            Kind::NoGas => "no gas",
        }
    }
}

/// What the maker of a recording may ask for; what is `None` is drawn.
#[derive(Debug, Clone, Copy, Default)]
pub struct Wish {
    pub kind: Option<Kind>,
    /// Main gas and second gas (light ratio).
    pub gases: Option<(&'static str, &'static str, f64)>,
    pub fwhm_nm: Option<f64>,
    pub snr: Option<f64>,
    /// Largest error of a factory axis, nm.
    pub axis_error_nm: Option<f64>,
    /// A plain wide instrument without clipping.
    pub wide: bool,
}

/// A recording.
pub struct Draw {
    pub seed: u64,
    pub kind: Kind,
    pub spectrum: Spectrum,
    /// Line width in the middle, nm.
    pub fwhm_nm: f64,
    pub snr: f64,
    /// Largest error of the axis, nm, and whether it is a calibrated one.
    pub axis_error_nm: f64,
    pub calibrated: bool,
    pub clipped: bool,
    /// Species that are there, with what they alone would show at each point (counts, no noise,
    /// no dark).
    pub truth: Vec<(String, Vec<f64>)>,
    /// The main gas; empty for other light.
    pub main: &'static str,
    /// Light of the second gas over that of the main one; 0 where there is none.
    pub ratio: f64,
}

impl Dice {
    fn chance(&mut self, p: f64) -> bool {
        self.within(0.0, 1.0) < p
    }

    fn of<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.0.random_range(0..list.len())]
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

/// The fields of light that are no glow, and the glows with their wanted heights over the main's.
#[derive(Default)]
struct Content {
    glow: Vec<(String, f64)>,
    scene: Scene,
    /// Heights of single lines over the main's.
    lines: Vec<(f64, f64)>,
    /// Height of a fluorescent lamp's green line over the main's.
    lamp: Option<f64>,
}

impl Draw {
    /// The recording of this seed.
    pub fn new(seed: u64, tables: &Tables, wish: &Wish) -> Self {
        let mut dice = Dice::new(seed);
        let (mut instrument, fwhm_nm) = instrument(&mut dice, wish);
        let kind = wish.kind.unwrap_or_else(|| {
            let v = dice.within(0.0, 1.0);
            [0.22, 0.46, 0.60, 0.72, 0.80, 0.86]
                .iter()
                .zip(Kind::ALL)
                .find(|(edge, _)| v < **edge)
                .map_or(Kind::NoGas, |(_, k)| k)
        });
        let snr = wish.snr.unwrap_or_else(|| dice.log(5.0, 2000.0));
        let (content, main, ratio) = content(&mut dice, kind, &instrument, wish);
        // Heights of everything alone, without noise, from one unit of light each.
        instrument.detector = Detector {
            gain_e_per_count: 1.0,
            read_noise_e: 0.0,
            dark_counts: 0.0,
            dark_slope_counts: 0.0,
            full_scale_counts: f64::MAX,
            pixel_unevenness: 0.0,
            ..Detector::default()
        };
        instrument.axis = AxisKind::Pixel;
        // Without wings, which at so much light would have to be drawn everywhere.
        let wings = std::mem::take(&mut instrument.line_shape.lorentz_share);
        // Without second order, whose images are no lines of what glows.
        let bench = Instrument { second_order_share: 0.0, ..instrument.clone() };
        let mut scene = content.scene.clone();
        scene.tube_seed = Some(seed);
        scene.exposure_electrons = TRIAL_ELECTRONS;
        let alone = |scene: &Scene| {
            let c = record(&bench, scene, tables, seed).unwrap().counts().to_vec();
            let mut sorted = c.clone();
            sorted.sort_by(f64::total_cmp);
            // Stray light and a second band's far tail are no height.
            let floor = sorted[sorted.len() / 10];
            (c.iter().map(|v| (v - floor).max(0.0)).collect::<Vec<f64>>(), sorted[sorted.len() - 1])
        };
        let glows: Vec<Glow> = content.glow.iter().map(|(name, _)| glow(&mut dice, name)).collect();
        let bare = scene.clone();
        let only = |k: usize, strength: f64| Scene {
            glow: glows
                .iter()
                .enumerate()
                .map(|(i, g)| Glow { strength: if i == k { strength } else { 0.0 }, ..g.clone() })
                .collect(),
            hump: Vec::new(),
            continuum: Vec::new(),
            ..bare.clone()
        };
        let unit = TRIAL_ELECTRONS * fwhm_share(&instrument, fwhm_nm);
        let mut truth = Vec::new();
        let mut strengths = vec![0.0; glows.len()];
        for (k, (name, wanted)) in content.glow.iter().enumerate() {
            let (shape, _) = alone(&only(k, 1.0));
            let height = shape.iter().copied().fold(0.0, f64::max);
            // In range or out of reach: below a ten-thousandth of what a line gives at best it is
            // not pulled up.
            let height = height.max(1e-3 * unit);
            strengths[k] = wanted / height * unit;
            let scale = strengths[k];
            truth.push((name.clone(), shape.iter().map(|v| v * scale).collect::<Vec<f64>>()));
        }
        for (g, s) in glows.iter().zip(&strengths) {
            scene.glow.push(Glow { strength: *s, ..g.clone() });
        }
        for (nm, height) in &content.lines {
            let strength = height / instrument.response_at(*nm).max(0.02);
            scene.line.push(SingleLine { wavelength_nm: *nm, strength });
        }
        if let Some(height) = content.lamp {
            let strength = height / instrument.response_at(546.07).max(0.02);
            scene.lamp.push(Lamp { strength, ..Lamp::default() });
            // Its mercury is there, whatever else.
            let only = Scene {
                lamp: vec![Lamp { strength, phosphor: 0.0, argon: 0.0 }],
                ..only(usize::MAX, 0.0)
            };
            truth.push(("Hg I".into(), alone(&only).0));
        }
        // Exposure for the signal-to-noise ratio of the highest point.
        let (all, top) = alone(&scene);
        // In a stretch without any line of what glows there is next to nothing.
        let line = all.iter().copied().fold(1e-4 * unit, f64::max);
        let read = dice.within(5.0, 30.0);
        let electrons = 0.5 * (snr * snr + (snr.powi(4) + 4.0 * (snr * read).powi(2)).sqrt());
        scene.exposure_electrons = TRIAL_ELECTRONS * electrons / line;
        let top = electrons * top / line;
        instrument.line_shape.lorentz_share = wings;
        let dark = dice.within(0.0, 3000.0);
        let full = 65_535.0;
        let clipped = !wish.wide && dice.chance(0.2);
        let fill = if clipped { dice.within(1.2, 4.0) } else { dice.within(0.3, 0.9) };
        let gain = (top / (fill * (full - dark))).max(if clipped { 0.01 } else { 0.5 });
        let hot = if dice.chance(0.2) { dice.0.random_range(1..=3) } else { 0 };
        let pixels = instrument.pixels;
        instrument.detector = Detector {
            gain_e_per_count: gain,
            read_noise_e: read,
            dark_counts: dark,
            dark_slope_counts: dice.within(-100.0, 100.0).max(-dark),
            full_scale_counts: full,
            pixel_unevenness: dice.within(0.002, 0.01),
            pattern_seed: seed,
            hot_pixels: (0..hot)
                .map(|_| HotPixel {
                    pixel: dice.0.random_range(0..pixels),
                    counts: electrons / gain * dice.log(0.03, 0.3),
                })
                .collect(),
            dark_subtracted: dice.chance(0.5),
        };
        let scale = scene.exposure_electrons / TRIAL_ELECTRONS / gain;
        for (_, shape) in &mut truth {
            shape.iter_mut().for_each(|v| *v *= scale);
        }
        // The axis: somebody's calibration with its uncertainty, or the factory's.
        let calibrated = wish.axis_error_nm.is_none() && dice.chance(0.5);
        let [offset, tilt, curvature] = if calibrated { [1.0, 0.5, 0.3] } else { [1.0, 0.7, 0.5] }
            .map(|most: f64| most * dice.within(-1.0, 1.0));
        let shape = FactoryError { offset_nm: offset, tilt_nm: tilt, curvature_nm: curvature };
        let largest = (-20..=20).map(|k| shape.at(f64::from(k) / 20.0).abs()).fold(0.0, f64::max);
        let u_nm = dice.log(0.02, 0.3) * fwhm_nm.clamp(0.3, 1.5);
        let axis_error_nm = match wish.axis_error_nm {
            Some(e) => e,
            None if calibrated => u_nm * dice.normal().abs(),
            None => dice.within(0.0, 1.5),
        };
        let factor = axis_error_nm / largest;
        instrument.factory_error = FactoryError {
            offset_nm: factor * offset,
            tilt_nm: factor * tilt,
            curvature_nm: factor * curvature,
        };
        instrument.axis = AxisKind::Nm;
        let mut spectrum = record(&instrument, &scene, tables, seed).unwrap();
        if truth_axis(&instrument).first() > truth_axis(&instrument).last() {
            truth.iter_mut().for_each(|t| t.1.reverse());
        }
        debug_assert_eq!(factory_axis(&instrument).len(), spectrum.len());
        if calibrated {
            let n = spectrum.len();
            spectrum = spectrum.with_axis_u(vec![u_nm; n]).unwrap();
        }
        Draw {
            seed,
            kind,
            spectrum,
            fwhm_nm,
            snr,
            axis_error_nm,
            calibrated,
            clipped,
            truth,
            main,
            ratio,
        }
    }
}

/// Share of a line's light in its highest pixel, about.
fn fwhm_share(i: &Instrument, fwhm_nm: f64) -> f64 {
    let (lo, hi) = i.range_nm();
    (hi - lo) / i.pixels as f64 / (1.06 * fwhm_nm)
}

fn instrument(dice: &mut Dice, wish: &Wish) -> (Instrument, f64) {
    let fwhm = wish.fwhm_nm.unwrap_or_else(|| dice.log(0.3, 4.0));
    let (pixels, lo, hi) = loop {
        let pixels = dice.of(&[1024_usize, 2048, 2048, 3648, 3648, 4096]);
        let (lo, hi) = if wish.wide || dice.chance(0.65) {
            dice.of(&[
                (300.0, 1100.0),
                (340.0, 1020.0),
                (200.0, 1000.0),
                (350.0, 900.0),
                (380.0, 780.0),
            ])
        } else {
            let span = dice.log(80.0, 500.0);
            let lo = dice.within(220.0, 1050.0 - span);
            (lo, lo + span)
        };
        let per_line = fwhm / (hi - lo) * pixels as f64;
        if per_line > 2.0 && (per_line < 40.0 || wish.wide) {
            break (pixels, lo, hi);
        }
        if wish.wide && wish.fwhm_nm.is_some() && per_line <= 2.0 {
            break (4096, lo, hi);
        }
    };
    let red_first = dice.chance(0.2);
    let (centre, half) = (0.5 * (lo + hi), 0.5 * (hi - lo));
    let c1 = if red_first { -half } else { half };
    let c2 = half * 0.03 * dice.within(-1.5, 1.5);
    let h = 0.5 * (pixels as f64 - 1.0);
    let widening = dice.log(0.8, 1.25);
    let i = Instrument {
        pixels,
        dispersion: Dispersion::Polynomial(Polynomial {
            first_nm: centre - c2 - c1 + 2.0 * c2,
            nm_per_px: (c1 - 4.0 * c2) / h,
            nm_per_px2: 2.0 * c2 / (h * h),
            nm_per_px3: 0.0,
        }),
        factory_error: FactoryError { offset_nm: 0.0, tilt_nm: 0.0, curvature_nm: 0.0 },
        line_shape: LineShape {
            fwhm_short_nm: fwhm / widening.sqrt(),
            fwhm_long_nm: fwhm * widening.sqrt(),
            lorentz_share: dice.within(0.0, 0.2),
        },
        response: match dice.within(0.0, 1.0) {
            v if v < 0.5 => Response::Silicon,
            v if v < 0.65 => Response::Flat,
            _ => {
                let places = [200.0, 400.0, 600.0, 800.0, 1100.0];
                Response::Points(places.iter().map(|nm| (*nm, dice.within(0.1, 1.0))).collect())
            }
        },
        fringes: dice.chance(0.25).then(|| Fringes {
            amplitude: dice.within(0.02, 0.2),
            optical_thickness_um: dice.within(5.0, 30.0),
        }),
        stray_share: dice.within(0.0, 0.05),
        second_order_share: if dice.chance(0.33) { dice.log(0.003, 0.03) } else { 0.0 },
        ..Instrument::default()
    };
    (i, fwhm)
}

fn glow(dice: &mut Dice, species: &str) -> Glow {
    Glow {
        kt_ev: dice.within(0.35, 2.0),
        scatter: SCATTER,
        missing: MISSING,
        rotational_k: dice.log(300.0, 3000.0),
        vibrational_k: dice.log(2000.0, 8000.0),
        ..Glow::new(species, 1.0)
    }
}

fn content(
    dice: &mut Dice,
    kind: Kind,
    i: &Instrument,
    wish: &Wish,
) -> (Content, &'static str, f64) {
    let mut c = Content::default();
    let (lo, hi) = i.range_nm();
    if kind == Kind::NoGas {
        no_gas(dice, &mut c, lo, hi);
        return (c, "", 0.0);
    }
    let (main, mut ratio) = match (wish.gases, kind) {
        (Some((main, second, ratio)), _) => {
            c.glow.push((format!("{second} I"), ratio));
            (main, ratio)
        }
        (None, Kind::Pure) => (dice.of(&["He", "Ne", "Ar", "Kr", "Xe", "H", "Hg"]), 0.0),
        _ => (dice.of(&FILLINGS), 0.0),
    };
    c.glow.push((format!("{main} I"), 1.0));
    if wish.gases.is_none() && main != "H" && dice.chance(0.25) {
        c.glow.push((format!("{main} II"), dice.log(0.01, 0.5)));
    }
    match kind {
        Kind::Mixture if wish.gases.is_none() => {
            ratio = 1.0 / dice.log(1.0, 1000.0);
            let second = loop {
                let g = dice.of(&["He", "Ne", "Ar", "Kr", "Xe", "H"]);
                if g != main {
                    break g;
                }
            };
            c.glow.push((format!("{second} I"), ratio));
        }
        Kind::Air => {
            ratio = dice.log(0.003, 3.0);
            c.glow.push(("N2 (C-B)".into(), ratio));
            for (name, p) in [
                ("N2 (B-A)", 0.7),
                ("N2+ (B-X)", 0.5),
                ("OH (A-X)", 0.5),
                ("O I", 0.5),
                ("H I", 0.5),
                ("CN (B-X)", 0.2),
                ("N I", 0.2),
            ] {
                if dice.chance(p) {
                    c.glow.push((name.into(), ratio * dice.log(0.03, 1.0)));
                }
            }
        }
        Kind::Mercury => {
            ratio = dice.log(0.003, 3.0);
            c.glow.push(("Hg I".into(), ratio));
        }
        Kind::Halogen => {
            ratio = dice.log(0.001, 0.1);
            c.glow.push((dice.of(&["Br I", "Cl I", "I I"]).into(), ratio));
        }
        Kind::Metal => {
            ratio = dice.log(0.003, 1.0);
            let metal = dice.of(&[
                "Fe I", "Cu I", "Mg I", "Zn I", "Cd I", "Al I", "Na I", "Ca I", "Ba I", "K I",
            ]);
            c.glow.push((metal.into(), ratio));
        }
        _ => {}
    }
    if matches!(kind, Kind::Pure | Kind::Mixture | Kind::Mercury | Kind::Halogen)
        && wish.gases.is_none()
        && main != "H"
        && dice.chance(0.15)
        && !c.glow.iter().any(|g| g.0 == "H I")
    {
        c.glow.push(("H I".into(), dice.log(0.003, 0.3)));
    }
    // Lines of no table, and a cathode that glows, and light of the room.
    if dice.chance(1.0 / 3.0) {
        for _ in 0..dice.0.random_range(1..=5) {
            c.lines.push((dice.within(lo, hi), dice.log(0.003, 0.3)));
        }
    }
    if dice.chance(0.15) {
        let strength = dice.log(0.01, 0.3);
        c.scene.continuum.push(Continuum { temperature_k: dice.within(900.0, 2500.0), strength });
    }
    if dice.chance(0.1) {
        let (centre_nm, fwhm_nm) = (dice.within(lo, hi), dice.within(20.0, 150.0));
        let strength = dice.log(0.3, 10.0);
        c.scene.hump.push(Hump { centre_nm, fwhm_nm, strength });
    }
    if kind != Kind::Mercury && main != "Hg" && dice.chance(0.07) {
        c.lamp = Some(dice.log(0.01, 0.3));
    }
    c.scene.glass = Some(Glass { cut_nm: dice.within(290.0, 350.0), width_nm: 5.0 });
    (c, main, ratio)
}

fn no_gas(dice: &mut Dice, c: &mut Content, lo: f64, hi: f64) {
    match dice.0.random_range(0..5) {
        0 => {
            for _ in 0..dice.0.random_range(1..=3) {
                let centre_nm = dice.within(lo, hi);
                c.scene.hump.push(Hump {
                    centre_nm,
                    fwhm_nm: dice.within(8.0, 60.0),
                    strength: 20.0 * dice.log(0.1, 1.0),
                });
            }
        }
        1 => c
            .scene
            .continuum
            .push(Continuum { temperature_k: dice.within(2000.0, 6500.0), strength: 1.0 }),
        2 => {
            c.lamp = Some(1.0);
            c.scene.glass = Some(Glass { cut_nm: dice.within(305.0, 360.0), width_nm: 5.0 });
        }
        // Lines of no table, few or a forest.
        3 => {
            for _ in 0..dice.0.random_range(3..=12) {
                c.lines.push((dice.within(lo, hi), dice.log(0.03, 1.0)));
            }
        }
        _ => {
            for _ in 0..dice.0.random_range(12..=60) {
                c.lines.push((dice.within(lo, hi), dice.log(0.01, 1.0)));
            }
        }
    }
}
