//! Places of lines against the Cramér-Rao bound: how much of what the counts say of a place does
//! the whole way of `find_peaks` use?

use super::{PeakSettings, find_peaks};
use crate::{Axis, AxisKind, Spectrum};
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};
use rand_distr::{Distribution, StandardNormal};

/// FWHM of a Gaussian in standard deviations.
const FWHM_SD: f64 = 2.354_820_045_030_949;
/// Points of a recording.
const POINTS: usize = 900;
/// Distance of neighbouring lines in line widths: none reaches into another's window.
const APART_FWHM: f64 = 14.0;

/// One sort of recording: isolated Gaussian lines of one height, read at the middle of each pixel.
struct Case {
    height: f64,
    fwhm_nm: f64,
    step_nm: f64,
    /// Counts under the lines.
    background: f64,
    /// Standard deviation of the read noise, counts.
    read: f64,
    /// True where the counts are photons, too.
    shot: bool,
}

impl Case {
    /// Least standard deviation of the place of a line, nm: inverse of the Fisher information of
    /// the place, summed over the pixels (the place is uncorrelated with height, width and constant
    /// baseline by symmetry).
    ///
    /// Source: D. A. Landman, R. Roussel-Dupré, G. Tanigawa, Astrophys. J. 261 (1982) 732.
    fn bound_nm(&self) -> f64 {
        let s = self.fwhm_nm / FWHM_SD;
        let mut sum = 0.0;
        for i in -200..=200 {
            let d = f64::from(i) * self.step_nm;
            let f = self.height * (-0.5 * (d / s).powi(2)).exp();
            let shot = if self.shot { f + self.background } else { 0.0 };
            sum += (f * d / (s * s)).powi(2) / (self.read.powi(2) + shot);
        }
        1.0 / sum.sqrt()
    }

    /// Root mean square error of the places that `find_peaks` gives, that of their pulls, and the
    /// number of lines.
    fn error_nm(&self, recordings: u64) -> (f64, f64, f64) {
        let (mut square, mut pull, mut count) = (0.0, 0.0, 0);
        for seed in 0..recordings {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            let apart = APART_FWHM * self.fwhm_nm;
            let end = 400.0 + self.step_nm * (POINTS - 1) as f64;
            let mut lines = Vec::new();
            let mut at = 400.0 + 0.5 * apart;
            while at + 0.5 * apart < end {
                lines.push(at + self.step_nm * rng.random_range(-0.5..0.5));
                at += apart;
            }
            let s = self.fwhm_nm / FWHM_SD;
            let x: Vec<f64> = (0..POINTS).map(|i| 400.0 + self.step_nm * i as f64).collect();
            let counts = x
                .iter()
                .map(|x| {
                    let light: f64 = lines
                        .iter()
                        .map(|l| self.height * (-0.5 * ((x - l) / s).powi(2)).exp())
                        .sum::<f64>()
                        + self.background;
                    let shot = if self.shot { light } else { 0.0 };
                    let n: f64 = StandardNormal.sample(&mut rng);
                    light + (self.read.powi(2) + shot).sqrt() * n
                })
                .collect();
            let axis = Axis::new(AxisKind::Nm, x).unwrap();
            let spectrum = Spectrum::new(axis, counts).unwrap();
            let peaks = find_peaks(&spectrum, &PeakSettings::default()).unwrap().peaks;
            for l in &lines {
                let p = peaks
                    .iter()
                    .min_by(|a, b| {
                        (a.centre.value - l).abs().total_cmp(&(b.centre.value - l).abs())
                    })
                    .unwrap();
                let e = p.centre.value - l;
                assert!(e.abs() < 0.5 * self.fwhm_nm, "a line of {} was lost", self.height);
                square += e * e;
                pull += (e / p.centre.u).powi(2);
                count += 1;
            }
        }
        let n = f64::from(count);
        ((square / n).sqrt(), (pull / n).sqrt(), n)
    }
}

const WHITE: Case =
    Case { height: 1000.0, fwhm_nm: 1.5, step_nm: 0.3, background: 0.0, read: 10.0, shot: false };

/// Worked bounds (`acceptance_checks.csv` U1, U2 and U4 of the reference folder, computed there by
/// closed form and by Monte Carlo).
#[test]
fn the_bound_is_the_published_one() {
    let u2 = Case { height: 200.0, fwhm_nm: 2.0, step_nm: 0.5, ..WHITE };
    let u4 = Case { background: 100.0, read: 0.0, shot: true, ..WHITE };
    for (case, nm) in [(WHITE, 0.004_644), (u2, 0.034_61), (u4, 0.010_656)] {
        assert!((case.bound_nm() / nm - 1.0).abs() < 0.002, "{} {nm}", case.bound_nm());
    }
}

/// Most that the error may be over the bound, between ten and a thousand times the noise.
const MOST: f64 = 1.1;

/// Error over bound in every case. What photons add to the noise of a line is not known from the
/// recording, so its pixels are not weighed quite as they should be: that costs most of a tenth.
fn check(recordings: u64) {
    let mut cases: Vec<(String, Case)> = [10.0, 20.0, 50.0, 100.0, 300.0, 1000.0]
        .iter()
        .map(|snr| (format!("white, {snr} times the noise"), Case { height: 10.0 * snr, ..WHITE }))
        .collect();
    let u2 = Case { height: 200.0, fwhm_nm: 2.0, step_nm: 0.5, ..WHITE };
    cases.push(("white, 20 times the noise, 4 points wide".into(), u2));
    let u4 = Case { background: 100.0, read: 0.0, shot: true, ..WHITE };
    cases.push(("photons on a background".into(), u4));
    let mut worst = Vec::new();
    for (name, case) in cases {
        let (error, pull, lines) = case.error_nm(recordings);
        let ratio = error / case.bound_nm();
        println!("{name}: error {error:.5} nm, ratio to the bound {ratio:.3}, rms pull {pull:.2}");
        // A standard deviation from n lines is good to 1/√(2n).
        if ratio > MOST * (1.0 + 2.0 / (2.0 * lines).sqrt()) {
            worst.push(format!("{name}: {ratio:.3}"));
        }
    }
    assert!(worst.is_empty(), "{worst:?}");
}

#[test]
fn places_reach_the_bound() {
    check(40);
}

#[test]
#[ignore = "long: run it after a change of the fits"]
fn places_reach_the_bound_over_many() {
    check(400);
}
