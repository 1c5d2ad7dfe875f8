//! The height of a line at a place that is told, whether one was found there or not.

use super::PeakList;
use super::fit::Component;
use crate::{Mask, Measured, Spectrum};

/// How far to either side the level is sought, in line widths: three fifths of the points there
/// are free of the line itself.
pub const REACH_FWHM: f64 = 2.5;
/// A found line nearer than this, in line widths, is the line that is asked about: a pair so close
/// is never fitted as two.
const SAME_FWHM: f64 = 0.5;
/// How far a clipped line hides what is beside it, in its own widths: its height is not known, so that its
/// flanks cannot be taken off; further out they pass for the level.
const CLIPPED_REACH_FWHM: f64 = 2.5;
/// Fewest points: a height and a level, and two to spare.
const MIN_POINTS: usize = 4;
/// Scatter about the fit counts where χ² stands this many of its standard deviations above the degrees
/// of freedom: by chance in one place of forty.
const SCATTER_SIGMA: f64 = 2.0;

/// Heights of lines of a recording at places that are told.
#[derive(Debug)]
pub struct Readings<'a> {
    spectrum: &'a Spectrum,
    peaks: &'a PeakList,
    /// Found lines whose height is known.
    lines: Vec<Component>,
    /// Their light at each point, counts; without end where a clipped line hides everything.
    model: Vec<f64>,
}

impl<'a> Readings<'a> {
    /// Readings of a recording; `peaks` are those that [`super::find_peaks`] found in it, on the same
    /// axis.
    pub fn new(spectrum: &'a Spectrum, peaks: &'a PeakList) -> Self {
        let x = spectrum.x();
        let eta = peaks.lorentzian_share;
        let lines: Vec<Component> = peaks
            .peaks
            .iter()
            .filter_map(|p| {
                let height = p.height?.value;
                Some(Component { centre: p.centre.value, height, fwhm: p.fwhm.value })
            })
            .collect();
        let around = |at: f64, reach: f64| {
            x.partition_point(|v| *v < at - reach)..x.partition_point(|v| *v <= at + reach)
        };
        let mut model = vec![0.0; x.len()];
        for c in &lines {
            for i in around(c.centre, c.reach(eta)) {
                model[i] += c.at(x[i], eta);
            }
        }
        for p in peaks.peaks.iter().filter(|p| p.height.is_none()) {
            model[around(p.centre.value, CLIPPED_REACH_FWHM * p.fwhm.value)].fill(f64::INFINITY);
        }
        Readings { spectrum, peaks, lines, model }
    }

    /// Height (counts) of a line of width `fwhm` at `x` (axis units): weighted least squares of its
    /// shape together with a level, on what stands above the baseline and the other lines that were
    /// found. Points that another line rises above by more than their own noise are left out; where what is left
    /// scatters more than its noise accounts for (lines too weak to be found, feet of lines that are not
    /// quite of the shape), the uncertainty grows by the Birge ratio √(χ²/ν) (R. Birge, Phys. Rev. 40
    /// (1932) 207).
    ///
    /// `None` where too few points are left to tell.
    pub fn height(&self, x: f64, fwhm: f64) -> Option<Measured> {
        let eta = self.peaks.lorentzian_share;
        let own = self
            .lines
            .iter()
            .min_by(|a, b| (a.centre - x).abs().total_cmp(&(b.centre - x).abs()))
            .filter(|c| (c.centre - x).abs() < SAME_FWHM * fwhm);
        let shape = Component { centre: x, height: 1.0, fwhm };
        let axis = self.spectrum.x();
        let from = axis.partition_point(|v| *v < x - REACH_FWHM * fwhm);
        let to = axis.partition_point(|v| *v <= x + REACH_FWHM * fwhm);
        // Normal equations of the two columns, shape and level.
        let (mut n, mut w1, mut g1, mut gg) = (0, 0.0, 0.0, 0.0);
        let (mut gy, mut y1, mut yy) = (0.0, 0.0, 0.0);
        for (i, at) in axis.iter().enumerate().take(to).skip(from) {
            let sigma = self.peaks.sigma[i];
            let mask = self.spectrum.mask()[i];
            let others = self.model[i] - own.map_or(0.0, |c| c.at(*at, eta));
            let free = others <= sigma && mask.is_good() && !mask.has(Mask::SATURATED);
            if !free {
                continue;
            }
            let (w, g) = (sigma.powi(-2), shape.at(*at, eta));
            let y = self.spectrum.counts()[i] - self.peaks.baseline[i] - others;
            n += 1;
            w1 += w;
            g1 += w * g;
            gg += w * g * g;
            gy += w * g * y;
            y1 += w * y;
            yy += w * y * y;
        }
        let determinant = gg * w1 - g1 * g1;
        // By Schwarz' inequality never negative; rounding and a shape that is as flat as the level
        // leave nothing to divide by.
        if n < MIN_POINTS || determinant <= f64::EPSILON * gg * w1 {
            return None;
        }
        let height = (gy * w1 - g1 * y1) / determinant;
        let level = (gg * y1 - g1 * gy) / determinant;
        let dof = n as f64 - 2.0;
        let chi2 = yy - height * gy - level * y1;
        let chance = dof + SCATTER_SIGMA * (2.0 * dof).sqrt();
        let birge = if chi2 > chance { (chi2 / dof).sqrt() } else { 1.0 };
        Some(Measured::new(height, birge * (w1 / determinant).sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{PeakSettings, find_peaks};
    use crate::{Axis, AxisKind};
    use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

    /// A tall line at 500 and a weak one at 520 over a slope, noise of a standard deviation of 5.
    fn recording(weak: f64, seed: u64) -> Spectrum {
        let mut dice = ChaCha8Rng::seed_from_u64(seed);
        let normal = rand_distr::Normal::new(0.0, 5.0).unwrap();
        let x: Vec<f64> = (0..600).map(|i| 400.0 + 0.4 * f64::from(i)).collect();
        let line =
            |x: f64, at: f64, h: f64| Component { centre: at, height: h, fwhm: 2.0 }.at(x, 0.0);
        let y = x
            .iter()
            .map(|x| {
                1000.0
                    + 0.3 * (x - 400.0)
                    + line(*x, 500.0, 2000.0)
                    + line(*x, 520.0, weak)
                    + dice.sample(normal)
            })
            .collect();
        Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), y).unwrap()
    }

    #[test]
    fn heights_and_their_uncertainties_hold() {
        for height in [0.0, 10.0] {
            let mut pulls = Vec::new();
            for seed in 0..300 {
                let s = recording(height, seed);
                let peaks = find_peaks(&s, &PeakSettings::default()).unwrap();
                let h = Readings::new(&s, &peaks).height(520.0, 2.0).unwrap();
                pulls.push((h.value - height) / h.u);
            }
            let n = pulls.len() as f64;
            let mean = pulls.iter().sum::<f64>() / n;
            let spread = (pulls.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
            // Standard deviations of both figures over 300 recordings: 0.06 and 0.04; the noise
            // itself is known to some 10 %.
            assert!(mean.abs() < 0.25, "{height}: {mean}");
            assert!((spread - 1.0).abs() < 0.2, "{height}: {spread}");
        }
    }

    #[test]
    fn a_clipped_line_hides_its_own_surroundings_and_no_more() {
        let open = recording(0.0, 1);
        let full = 2000.0;
        let counts = open.counts().iter().map(|y| y.min(full)).collect();
        let s = Spectrum::new(open.axis().clone(), counts).unwrap();
        let settings = PeakSettings { full_scale: Some(full), ..PeakSettings::default() };
        let peaks = find_peaks(&s, &settings).unwrap();
        assert!(peaks.peaks.iter().any(|p| p.clipped));
        let clipped = Readings::new(&s, &peaks);
        assert_eq!(clipped.height(500.0, 2.0), None);
        let peaks = find_peaks(&open, &PeakSettings::default()).unwrap();
        let whole = Readings::new(&open, &peaks);
        for x in [450.0, 520.0, 600.0] {
            let (a, b) = (clipped.height(x, 2.0).unwrap().u, whole.height(x, 2.0).unwrap().u);
            assert!((a / b - 1.0).abs() < 0.2, "{x}: {a} {b}");
        }
    }

    #[test]
    fn nothing_is_read_in_the_flank_of_a_tall_line() {
        let s = recording(0.0, 1);
        let peaks = find_peaks(&s, &PeakSettings::default()).unwrap();
        let r = Readings::new(&s, &peaks);
        let u = |x: f64| r.height(x, 2.0).map_or(f64::INFINITY, |h| h.u);
        assert!(u(502.0) > 3.0 * u(540.0), "{} {}", u(502.0), u(540.0));
    }
}
