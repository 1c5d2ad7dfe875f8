//! Whether the limits hold: of lines just at the limit 95 of 100 stand above the decision threshold,
//! of nothing 5 of 100 do.

use crate::dice::Dice;
use glowtell::Spectrum;
use glowtell::bench::{Settings, examine};
use glowtell::gases::Limit;
use glowtell::reference::Tables;
use glowtell::signal::{PeakList, Readings, find_peaks};
use glowtell::simulate::{
    Detector, Glow, Instrument, LineShape, Scene, SingleLine, record, truth_axis,
};
use rayon::prelude::*;
use std::ops::Range;

/// Tubes.
pub const SIZE: u64 = 1000;
/// What glows in them, and of what they are asked the limits where it does not glow.
const GASES: [&str; 7] = ["He I", "Ne I", "Ar I", "Kr I", "Xe I", "Hg I", "H I"];
/// First seed; tubes from 4,000,000 on have set what the limits take for a line's scatter.
pub const FIRST: u64 = 4_100_000;
/// Height over the limit of the line that tells what light makes a line of given height.
const TRIAL_LIMITS: f64 = 10.0;
/// How much longer it is looked at, before a detector without end: a hundredth of the noise is left.
const QUIET_EXPOSURE: f64 = 1e4;

/// Molecules that are asked for besides.
const MOLECULES: [&str; 5] = ["N2 (C-B)", "N2 (B-A)", "N2+ (B-X)", "OH (A-X)", "C2 (d-a)"];
/// Light of bands that tells what light makes them stand at a height.
const TRIAL_BAND: f64 = 0.01;
/// How far from its head a band's highest place is looked for, in line widths.
const BESIDE_HEAD_FWHM: f64 = 1.5;

/// One tube before one instrument.
#[derive(Clone)]
struct Tube {
    instrument: Instrument,
    scene: Scene,
    seed: u64,
}

impl Tube {
    fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let fwhm = dice.log(0.8, 3.0);
        let instrument = Instrument {
            second_order_share: 0.0,
            line_shape: LineShape {
                fwhm_short_nm: fwhm,
                fwhm_long_nm: fwhm * dice.within(0.9, 1.1),
                lorentz_share: dice.within(0.0, 0.1),
            },
            detector: Detector { pattern_seed: seed, ..Detector::default() },
            ..Instrument::default()
        };
        let main = GASES[seed as usize % GASES.len()];
        let scene = Scene {
            glow: vec![Glow { scatter: 0.5, ..Glow::new(main, dice.log(0.05, 0.5)) }],
            tube_seed: Some(seed),
            ..Scene::default()
        };
        Tube { instrument, scene, seed: seed << 8 }
    }

    /// The tube with one line more, with noise of its own.
    fn record(&self, line: Option<(f64, f64)>, noise: u64, tables: &Tables) -> Spectrum {
        let mut scene = self.scene.clone();
        scene
            .line
            .extend(line.map(|(wavelength_nm, strength)| SingleLine { wavelength_nm, strength }));
        record(&self.instrument, &scene, tables, self.seed + noise).unwrap()
    }

    /// The same with hardly any noise.
    fn quiet(&self) -> Tube {
        let mut tube = self.clone();
        tube.scene.exposure_electrons *= QUIET_EXPOSURE;
        tube.instrument.detector.full_scale_counts = f64::MAX.sqrt();
        tube
    }

    /// Where the axis says a wavelength is: the factory's error is part of the instrument.
    fn place(&self, s: &Spectrum, nm: f64) -> f64 {
        let truth = truth_axis(&self.instrument);
        let k = truth.partition_point(|v| *v < nm).clamp(1, truth.len() - 1);
        let part = (nm - truth[k - 1]) / (truth[k] - truth[k - 1]);
        s.x()[k - 1] + part * (s.x()[k] - s.x()[k - 1])
    }

    /// The same for a species whose bands' highest place beside the head is to stand at the limit.
    fn above_as_band(
        &self,
        (s, peaks): (&Spectrum, &PeakList),
        (species, limit): (&str, &Limit),
        tables: &Tables,
        noise: u64,
    ) -> Option<(bool, bool)> {
        let lit_by = |strength: f64| {
            let mut tube = self.clone();
            tube.scene.glow.push(Glow { scatter: 0.0, ..Glow::new(species, strength) });
            tube
        };
        let bare = self.quiet().record(None, noise, tables);
        let lit = lit_by(TRIAL_BAND).quiet().record(None, noise, tables);
        let head = self.place(s, limit.line_nm);
        let fwhm = peaks.line_width?.fwhm(head);
        let light = |i: usize| (lit.counts()[i] - bare.counts()[i]) / QUIET_EXPOSURE;
        let (top, at) = (0..s.len())
            .filter(|i| (s.x()[*i] - head).abs() < BESIDE_HEAD_FWHM * fwhm)
            .map(|i| (light(i), s.x()[i]))
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let height = |s: &Spectrum, peaks: &PeakList| {
            Some(Readings::new(s, peaks).height(at, peaks.line_width?.fwhm(at))?.value)
        };
        let threshold = limit.decision_counts();
        let alarm = height(s, peaks)? > threshold;
        let with = lit_by(TRIAL_BAND * limit.counts / top).record(None, noise + 1, tables);
        let hit = height(&with, &find_peaks(&with, &Settings::default().peaks).unwrap())?;
        Some((alarm, hit > threshold))
    }

    /// Whether nothing, and a line at the limit, stand above the decision threshold.
    fn above(
        &self,
        (s, peaks): (&Spectrum, &PeakList),
        limit: &Limit,
        tables: &Tables,
        noise: u64,
    ) -> Option<(bool, bool)> {
        let settings = Settings::default();
        let at = self.place(s, limit.line_nm);
        let height = |s: &Spectrum, peaks: &PeakList| {
            let fwhm = peaks.line_width?.fwhm(at);
            Some(Readings::new(s, peaks).height(at, fwhm)?.value)
        };
        let threshold = limit.decision_counts();
        let alarm = height(s, peaks)? > threshold;
        // What light makes a line of the limit's height: from the difference that a line makes to a
        // recording with hardly any noise, fitted with the width that the limit was made with.
        let light = TRIAL_LIMITS * limit.counts / self.scene.exposure_electrons;
        let quiet = |line| self.quiet().record(line, noise, tables);
        let (without, with) = (quiet(None), quiet(Some((limit.line_nm, light))));
        let fwhm = peaks.line_width?.fwhm(at);
        let (mut gy, mut gg) = (0.0, 0.0);
        for (i, x) in s.x().iter().enumerate() {
            let d = (x - at) / fwhm;
            let g = (-4.0 * std::f64::consts::LN_2 * d * d).exp();
            gy += g * (with.counts()[i] - without.counts()[i]) / QUIET_EXPOSURE;
            gg += g * g;
        }
        let light = light * limit.counts / (gy / gg);
        let with = self.record(Some((limit.line_nm, light)), noise + 1, tables);
        let hit = height(&with, &find_peaks(&with, &settings.peaks).unwrap())? > threshold;
        Some((alarm, hit))
    }
}

/// Shares above the decision threshold with nothing there, and with a line at the limit; their number.
pub fn coverage(seeds: Range<u64>) -> (f64, f64, usize) {
    share(seeds, &GASES, |tube, found, (_, limit), tables, noise| {
        tube.above(found, limit, tables, noise)
    })
}

/// The same of bands.
pub fn coverage_of_bands(seeds: Range<u64>) -> (f64, f64, usize) {
    share(seeds, &MOLECULES, Tube::above_as_band)
}

/// The same of these species where they do not glow, as `above` says.
fn share(
    seeds: Range<u64>,
    asked: &[&str],
    above: impl Fn(&Tube, (&Spectrum, &PeakList), (&str, &Limit), &Tables, u64) -> Option<(bool, bool)>
    + Sync,
) -> (f64, f64, usize) {
    let tables = Tables::bundled().unwrap();
    let settings = Settings::default();
    let all: Vec<(bool, bool)> = seeds
        .into_par_iter()
        .flat_map_iter(|k| {
            let tube = Tube::new(k);
            let s = tube.record(None, 0, &tables);
            let found = examine(s.clone(), None, &tables, &settings).unwrap();
            let species = found.gases.map_or_else(Vec::new, |g| g.species);
            let there = &tube.scene.glow[0].species;
            let absent = asked.iter().enumerate().filter(|(_, name)| *name != there);
            let answers: Vec<(bool, bool)> = absent
                .filter_map(|(j, name)| {
                    let limit = species.iter().find(|s| s.species == *name)?.limit.as_ref()?;
                    let noise = 16 * (j as u64 + 1);
                    above(&tube, (&s, &found.peaks), (name, limit), &tables, noise)
                })
                .collect();
            answers
        })
        .collect();
    let share = |f: fn(&(bool, bool)) -> bool| {
        all.iter().filter(|b| f(b)).count() as f64 / all.len().max(1) as f64
    };
    (share(|b| b.0), share(|b| b.1), all.len())
}
