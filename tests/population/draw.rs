//! One instrument with its lamp.

use crate::dice::Dice;
use crate::lamp;
use glowtell::AxisKind;
use glowtell::reference::{Tables, line_strengths};
use glowtell::simulate::{
    Detector, Dispersion, FactoryError, Fringes, Glass, Glow, Grating, HotPixel, Hump, Instrument,
    Lamp, LineShape, Polynomial, Response, Scene, SingleLine, record,
};
use rand::RngExt;
use rand_distr::{Distribution, StandardNormal};

/// Names of the lamps; the fluorescent one first.
pub const LAMPS: [&str; 7] = ["fluorescent", "Ne", "Ar", "He", "Kr", "Hg", "Hg+Ar"];
/// One of so many is calibrated without its lamp being named as well.
const AUTO_ONE_IN: u64 = 3;
/// Longest and shortest wavelength, nm.
const REACH_NM: (f64, f64) = (200.0, 1100.0);
/// Standard deviation of the logarithm for log-uniform strengths from 1/3 to 3.
const SCATTER: f64 = 0.634;
/// Share of the strongest line in the range from which a line is strong …
const STRONG: f64 = 0.1;
/// … and share of the lamp's strongest of all, that a stretch where it hardly shines is left out.
const STRONG_OF_ALL: f64 = 0.03;
/// Range, nm, in which the gases of a mixture are compared: what glass lets pass and silicon sees.
const GLASS_NM: (f64, f64) = (350.0, 1100.0);
/// Benches that are drawn for a line width and a response before these are drawn anew: there may be none
/// that shows four lines.
const MOST_TRIES: usize = 20_000;
/// Electrons for the recording that gives the height of the strongest line.
const TRIAL_ELECTRONS: f64 = 1e9;

/// One instrument with its lamp.
pub struct Draw {
    pub seed: u64,
    pub lamp: &'static str,
    pub instrument: Instrument,
    pub scene: Scene,
    /// Line width in the middle, nm.
    pub fwhm_nm: f64,
    pub snr: f64,
    pub clipped: bool,
    pub auto: bool,
}

impl Dice {
    fn one_in(&mut self, n: f64) -> bool {
        self.within(0.0, n) < 1.0
    }

    /// Standard normal within two standard deviations.
    fn normal(&mut self) -> f64 {
        loop {
            let z: f64 = StandardNormal.sample(&mut self.0);
            if z.abs() <= 2.0 {
                return z;
            }
        }
    }
}

impl Draw {
    /// The instrument of this seed.
    pub fn new(seed: u64, tables: &Tables) -> Self {
        let mut dice = Dice::new(seed);
        let lamp =
            if dice.one_in(2.0) { LAMPS[0] } else { LAMPS[dice.0.random_range(1..LAMPS.len())] };
        let lines = strong_candidates(lamp, tables);
        let mut instrument = loop {
            let (fwhm, response) = (dice.log(0.3, 6.0), response(&mut dice));
            let fits = |i: &Instrument| enough_lines(&lines, i, fwhm, lamp == LAMPS[0]);
            let mut benches = (0..MOST_TRIES).filter_map(|_| bench(&mut dice, fwhm, &response));
            if let Some(i) = benches.find(fits) {
                break i;
            }
        };
        let (lo, hi) = instrument.range_nm();
        let fwhm_nm = instrument.fwhm_nm(0.5 * (lo + hi));
        let mut scene = scene(&mut dice, lamp, tables, &instrument);
        scene.tube_seed = Some(seed);
        let snr = dice.log(30.0, 5000.0);
        let clipped = dice.one_in(5.0);
        // Height of the strongest line, without noise.
        scene.exposure_electrons = TRIAL_ELECTRONS;
        instrument.detector = Detector {
            gain_e_per_count: 1.0,
            read_noise_e: 0.0,
            dark_counts: 0.0,
            dark_slope_counts: 0.0,
            full_scale_counts: f64::MAX,
            pixel_unevenness: 0.0,
            ..Detector::default()
        };
        let height = |scene: &Scene, instrument: &Instrument| {
            let mut c = record(instrument, scene, tables, seed).unwrap().counts().to_vec();
            c.sort_by(f64::total_cmp);
            (c[c.len() - 1] - c[c.len() / 2], c[c.len() - 1])
        };
        let (_, bare_top) = height(&scene, &instrument);
        foreign(&mut dice, lamp, &mut scene, &instrument, bare_top);
        let (line, top) = height(&scene, &instrument);
        let read = dice.within(5.0, 30.0);
        let electrons = 0.5 * (snr * snr + (snr.powi(4) + 4.0 * (snr * read).powi(2)).sqrt());
        scene.exposure_electrons = TRIAL_ELECTRONS * electrons / line;
        let top = electrons * top / line;
        let dark = dice.within(0.0, 3000.0);
        let full = 65_535.0;
        let fill = if clipped { dice.within(1.2, 4.0) } else { dice.within(0.3, 0.9) };
        let least_gain = if clipped { 0.0 } else { 0.5 };
        let gain = (top / (fill * (full - dark))).max(least_gain);
        let hot = if dice.one_in(5.0) { dice.0.random_range(1..=3) } else { 0 };
        let tallest = electrons / gain;
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
                    counts: tallest * dice.log(0.03, 0.3),
                })
                .collect(),
            dark_subtracted: dice.one_in(2.0),
        };
        let auto = seed.is_multiple_of(AUTO_ONE_IN);
        Draw { seed, lamp, instrument, scene, fwhm_nm, snr, clipped, auto }
    }

    /// The instrument with this sort of axis.
    pub fn with_axis(&self, axis: AxisKind) -> Instrument {
        Instrument { axis, ..self.instrument.clone() }
    }
}

fn response(dice: &mut Dice) -> Response {
    let which = dice.within(0.0, 1.0);
    if which < 0.5 {
        Response::Silicon
    } else if which < 0.7 {
        Response::Flat
    } else {
        let places = [200.0, 400.0, 600.0, 800.0, 1100.0];
        Response::Points(places.iter().map(|nm| (*nm, dice.within(0.1, 1.0))).collect())
    }
}

/// Lines of a lamp with their strength in the tables.
fn strong_candidates(lamp: &str, tables: &Tables) -> Vec<(f64, f64)> {
    if lamp == LAMPS[0] {
        return lamp::MAIN.iter().map(|nm| (*nm, 1.0)).collect();
    }
    let mut out = Vec::new();
    for gas in lamp.split('+') {
        let Some(s) = tables.get(&format!("{gas} I")) else { continue };
        let strengths = line_strengths(s, 0.8);
        let top = strengths.iter().copied().fold(0.0, f64::max);
        out.extend(s.lines.iter().zip(strengths).map(|(l, v)| (l.wavelength_nm, v / top)));
    }
    out.sort_by(|a, b| a.0.total_cmp(&b.0));
    out
}

/// True where four strong lines stand apart within the range.
fn enough_lines(lines: &[(f64, f64)], i: &Instrument, fwhm: f64, all: bool) -> bool {
    let (lo, hi) = i.range_nm();
    let light = |(nm, s): &(f64, f64)| (*nm, if all { 1.0 } else { s * i.response.at(*nm) });
    let here: Vec<(f64, f64)> =
        lines.iter().filter(|(nm, _)| (lo + fwhm..=hi - fwhm).contains(nm)).map(light).collect();
    let brightest = |l: &[(f64, f64)]| l.iter().map(|l| l.1).fold(0.0, f64::max);
    let anywhere: Vec<(f64, f64)> = lines.iter().map(light).collect();
    let top = brightest(&here).max(brightest(&anywhere) * STRONG_OF_ALL / STRONG);
    let mut apart = 0;
    let mut last = f64::NEG_INFINITY;
    for (nm, s) in here {
        if s >= STRONG * top && nm - last >= 1.5 * fwhm {
            apart += 1;
            last = nm;
        }
    }
    apart >= 4
}

/// Bench without its detector; `None` where the choice cannot be built.
fn bench(dice: &mut Dice, fwhm: f64, response: &Response) -> Option<Instrument> {
    let pixels = match dice.within(0.0, 1.0) {
        v if v < 0.5 => 2048,
        v if v < 0.625 => 512,
        v if v < 0.75 => 1024,
        v if v < 0.875 => 3648,
        _ => 4096,
    };
    let (least, most) = ((fwhm / 30.0).max(0.05), (fwhm / 2.2).min(1.2));
    if least >= most {
        return None;
    }
    let nm_per_px = dice.log(least, most);
    let span = nm_per_px * pixels as f64;
    if span >= REACH_NM.1 - REACH_NM.0 {
        return None;
    }
    let centre = dice.within(REACH_NM.0 + 0.5 * span, REACH_NM.1 - 0.5 * span);
    let red_first = dice.within(0.0, 1.0) < 0.3;
    let dispersion = if dice.one_in(2.0) {
        let grooves = [300.0, 600.0, 1200.0, 1800.0][dice.0.random_range(0..4)];
        let included = dice.within(10.0, 50.0);
        let pitch_um = dice.within(7.0, 14.0);
        let half = f64::to_radians(0.5 * included);
        let sin = grooves * 1e-6 * centre / (2.0 * half.cos());
        if sin >= 0.95 {
            return None;
        }
        let cos = (sin.asin() + half).cos();
        // nm per pixel = pitch cos β / (G f).
        let focal_mm = pitch_um * 1e-3 * cos / (grooves * 1e-6 * nm_per_px);
        if cos < 0.2 || 0.5 * pixels as f64 * pitch_um * 1e-3 > 0.35 * focal_mm {
            return None;
        }
        Dispersion::Grating(Grating {
            grooves_per_mm: grooves,
            included_angle_deg: included,
            focal_length_mm: focal_mm,
            pixel_pitch_um: pitch_um,
            centre_nm: centre,
            detector_tilt_deg: dice.within(-6.0, 6.0),
            red_first,
        })
    } else {
        let c1 = 0.5 * span * if red_first { -1.0 } else { 1.0 };
        let (c2, c3) = (c1.abs() * 0.03 * dice.normal(), c1 * 0.005 * dice.normal());
        let h = 0.5 * (pixels as f64 - 1.0);
        // In t = p/h - 1.
        let a = [centre - c2, c1 - 3.0 * c3, 2.0 * c2, 4.0 * c3];
        Dispersion::Polynomial(Polynomial {
            first_nm: a[0] - a[1] + a[2] - a[3],
            nm_per_px: (a[1] - 2.0 * a[2] + 3.0 * a[3]) / h,
            nm_per_px2: (a[2] - 3.0 * a[3]) / (h * h),
            nm_per_px3: a[3] / h.powi(3),
        })
    };
    let [offset, tilt, curvature] = [0; 3].map(|_| dice.within(-1.0, 1.0));
    let shape = FactoryError { offset_nm: offset, tilt_nm: tilt, curvature_nm: curvature };
    let largest = (-20..=20).map(|k| shape.at(f64::from(k) / 20.0).abs()).fold(0.0, f64::max);
    let scale = dice.within(0.0, 3.0) / largest;
    let widening = dice.log(0.8, 1.25);
    let fringes = dice.one_in(4.0).then(|| Fringes {
        amplitude: dice.within(0.02, 0.1),
        optical_thickness_um: dice.within(5.0, 30.0),
    });
    let i = Instrument {
        pixels,
        dispersion,
        factory_error: FactoryError {
            offset_nm: scale * offset,
            tilt_nm: scale * tilt,
            curvature_nm: scale * curvature,
        },
        line_shape: LineShape {
            fwhm_short_nm: fwhm / widening.sqrt(),
            fwhm_long_nm: fwhm * widening.sqrt(),
            lorentz_share: dice.within(0.0, 0.2),
        },
        response: response.clone(),
        fringes,
        stray_share: dice.within(0.0, 0.05),
        second_order_share: if dice.one_in(3.0) { dice.log(0.003, 0.03) } else { 0.0 },
        ..Instrument::default()
    };
    let (lo, hi) = i.range_nm();
    (i.check().is_ok() && lo >= REACH_NM.0 - 10.0 && hi <= REACH_NM.1 + 30.0).then_some(i)
}

fn scene(dice: &mut Dice, lamp: &str, tables: &Tables, instrument: &Instrument) -> Scene {
    let mut scene = Scene::default();
    if lamp == LAMPS[0] {
        fluorescent(dice, tables, instrument, &mut scene);
        return scene;
    }
    let kt_ev = dice.within(0.4, 1.5);
    for (k, gas) in lamp.split('+').enumerate() {
        let strength = if k == 0 { 1.0 } else { dice.log(0.1, 1.0) };
        let strength = strength * in_view(gas, kt_ev, tables, instrument);
        let glow = |species: String, strength: f64| Glow {
            kt_ev,
            scatter: SCATTER,
            missing: 0.1,
            ..Glow::new(species, strength)
        };
        scene.glow.push(glow(format!("{gas} I"), strength));
        if (gas == "Ar" || gas == "Kr") && dice.one_in(4.0) {
            scene.glow.push(glow(format!("{gas} II"), strength * dice.log(0.02, 0.3)));
        }
    }
    scene
}

/// Light of a gas's strongest line on the instrument over that of its strongest line behind glass.
fn in_view(gas: &str, kt_ev: f64, tables: &Tables, instrument: &Instrument) -> f64 {
    let s = tables.get(&format!("{gas} I")).unwrap();
    let strengths = line_strengths(s, kt_ev);
    let brightest = |(lo, hi): (f64, f64)| {
        let here = s.lines.iter().zip(&strengths);
        here.filter(|(l, _)| (lo..=hi).contains(&l.wavelength_nm))
            .map(|(_, v)| *v)
            .fold(0.0, f64::max)
    };
    brightest(instrument.range_nm()) / brightest(GLASS_NM)
}

fn fluorescent(dice: &mut Dice, tables: &Tables, instrument: &Instrument, scene: &mut Scene) {
    let mut last_nm = 0.0;
    let (mut common, mut missing) = (1.0, false);
    for (wavelength_nm, usual) in lamp::MERCURY.iter().chain([&lamp::INFRARED]) {
        if wavelength_nm - last_nm > lamp::MULTIPLET_NM {
            (common, missing) = (dice.log(1.0 / 3.0, 3.0), dice.one_in(10.0));
        }
        last_nm = *wavelength_nm;
        let strength = usual * common * dice.log(0.8, 1.25);
        if !missing || lamp::NEVER_LACKING.contains(wavelength_nm) {
            scene.line.push(SingleLine { wavelength_nm: *wavelength_nm, strength });
        }
    }
    scene.glass = Some(Glass { cut_nm: dice.within(305.0, 360.0), width_nm: 5.0 });
    let whole = dice.log(0.3, 3.0);
    for (nm, usual, fwhm_nm) in lamp::PHOSPHOR {
        let u_nm = tables
            .lamp()
            .iter()
            .find(|f| f.is_phosphor && (f.wavelength_nm - nm).abs() < 0.05)
            .map_or(0.0, |f| f.u_nm);
        let centre_nm = nm + u_nm * dice.within(-1.0, 1.0);
        let strength = whole * usual * dice.log(1.0 / 3.0, 3.0);
        let fwhm_nm = fwhm_nm * dice.log(0.8, 1.25);
        if !dice.one_in(10.0) {
            scene.hump.push(Hump { centre_nm, fwhm_nm, strength });
        }
    }
    if dice.one_in(3.0) && instrument.range_nm().1 > 700.0 {
        scene.glow.push(Glow {
            kt_ev: 0.6,
            scatter: SCATTER,
            missing: 0.1,
            ..Glow::new("Ar I", dice.log(0.03, 0.5))
        });
    }
}

/// Light that is not the lamp's, by the height of the lamp's strongest line.
fn foreign(dice: &mut Dice, lamp: &str, scene: &mut Scene, i: &Instrument, top: f64) {
    if !dice.one_in(5.0) {
        return;
    }
    let (lo, hi) = i.range_nm();
    // Light of a line of that height where the response is 1.
    let pixel_nm = (hi - lo) / i.pixels as f64;
    let unit = top * i.fwhm_nm(0.5 * (lo + hi)) * 1.06 / pixel_nm / TRIAL_ELECTRONS;
    if lamp != LAMPS[0] && dice.one_in(2.0) {
        let strength = unit * dice.log(0.03, 0.3) / i.response_at(546.07);
        scene.lamp.push(Lamp { strength, ..Lamp::default() });
        return;
    }
    for _ in 0..dice.0.random_range(1..=3) {
        let wavelength_nm = dice.within(lo, hi);
        let strength = unit * dice.log(0.03, 0.3) / i.response_at(wavelength_nm);
        scene.line.push(SingleLine { wavelength_nm, strength });
    }
}
