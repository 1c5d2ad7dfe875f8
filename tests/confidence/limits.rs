//! Whether the limits hold: a line just at the limit stands above the decision threshold in 95 of
//! 100, nothing does in 5 of 100.

use glowtell::Spectrum;
use glowtell::bench::{Settings, examine};
use glowtell::reference::Tables;
use glowtell::signal::PeakList;
use glowtell::simulate::{Glow, Instrument, Scene, SingleLine, record};
use rayon::prelude::*;

/// Recordings of each sort.
pub const SIZE: u64 = 1000;
/// Share of the detection limit at which Currie's decision threshold lies (Anal. Chem. 40 (1968)
/// 586).
const THRESHOLD_SHARE: f64 = 0.5;
/// First seed.
const FIRST: u64 = 4_000_000;
/// Light of the line whose height tells that of others.
const TRIAL_LIGHT: f64 = 1.0;

fn instrument() -> Instrument {
    Instrument { second_order_share: 0.0, ..Instrument::default() }
}

fn scene(line: Option<(f64, f64)>) -> Scene {
    Scene {
        glow: vec![Glow { scatter: 0.5, ..Glow::new("Ne I", 0.3) }],
        line: line
            .map(|(wavelength_nm, strength)| SingleLine { wavelength_nm, strength })
            .into_iter()
            .collect(),
        tube_seed: Some(FIRST),
        exposure_electrons: 2e5,
        ..Scene::default()
    }
}

/// Height of a line of the instrument's shape at a place, by least squares on what stands above
/// the baseline.
fn height(s: &Spectrum, peaks: &PeakList, nm: f64, fwhm: f64) -> f64 {
    let (mut a, mut b) = (0.0, 0.0);
    for i in 0..s.len() {
        let d = (s.x()[i] - nm) / fwhm;
        if d.abs() < 1.5 {
            let shape = (-4.0 * std::f64::consts::LN_2 * d * d).exp();
            a += shape * (s.counts()[i] - peaks.baseline[i]) / peaks.sigma[i].powi(2);
            b += shape * shape / peaks.sigma[i].powi(2);
        }
    }
    a / b
}

/// Share of recordings above the decision threshold with nothing there, and with a line at the
/// limit of xenon, which is not in the tube.
pub fn coverage(n: u64) -> (f64, f64) {
    let tables = Tables::bundled().unwrap();
    let settings = Settings::default();
    let i = instrument();
    // Where the axis says the line is: the factory's error is part of the instrument.
    let seen_at = |s: &Spectrum, nm: f64| {
        let truth = glowtell::simulate::truth_axis(&i);
        let k = truth.partition_point(|v| *v < nm).clamp(1, truth.len() - 1);
        let part = (nm - truth[k - 1]) / (truth[k] - truth[k - 1]);
        s.x()[k - 1] + part * (s.x()[k] - s.x()[k - 1])
    };
    let both: Vec<(bool, bool)> = (0..n)
        .into_par_iter()
        .filter_map(|k| {
            let empty = record(&i, &scene(None), &tables, FIRST + 1 + k).unwrap();
            let found = examine(empty.clone(), None, &tables, &settings).unwrap();
            let xenon = found.gases?.species.into_iter().find(|s| s.species == "Xe I")?;
            let limit = xenon.limit?;
            let fwhm = found.peaks.line_width?.fwhm(limit.line_nm);
            let at = seen_at(&empty, limit.line_nm);
            let alarm = height(&empty, &found.peaks, at, fwhm) > THRESHOLD_SHARE * limit.counts;
            // Same noise twice would do no harm; another is nearer to life.
            let seed = FIRST + 1_000_000 + k;
            let trial = |light: f64| {
                let s = scene((light > 0.0).then_some((limit.line_nm, light)));
                record(&i, &s, &tables, seed).unwrap()
            };
            let unit = {
                let with = trial(TRIAL_LIGHT);
                let list = glowtell::signal::find_peaks(&with, &settings.peaks).unwrap();
                let near = list.peaks.iter().filter(|p| (p.centre.value - at).abs() < fwhm);
                near.filter_map(|p| p.height).map(|h| h.value).fold(0.0, f64::max)
            };
            let with = trial(TRIAL_LIGHT * limit.counts / unit);
            let list = glowtell::signal::find_peaks(&with, &settings.peaks).unwrap();
            let hit = height(&with, &list, at, fwhm) > THRESHOLD_SHARE * limit.counts;
            Some((alarm, hit))
        })
        .collect();
    let share = |f: fn(&(bool, bool)) -> bool| {
        both.iter().filter(|b| f(b)).count() as f64 / both.len().max(1) as f64
    };
    (share(|b| b.0), share(|b| b.1))
}
