//! Whether two axes are two solutions.

use super::octaves::Octaves;
use super::search::{Ground, Trial};

/// Tallest peaks whose places tell two axes apart, and the share of them that must differ: an axis
/// that is only bent at one end is the same solution, less well refined.
const TELLING: (f64, f64) = (12.0, 0.5);
/// Distance in line widths from which two axes are different.
const DIFFERENT_FWHM: f64 = 3.0;
/// Distance in line widths at which so few of these peaks suffice: no refinement goes so far.
const FAR: (f64, usize) = (5.0, 2);
/// Probability from which a feature of the lamp that has a peak holds the axis there.
const HOLDS_SHOWS: f64 = 0.5;
/// Fewest peaks on such features that tell axes apart by themselves.
const FEWEST: usize = 3;

/// The peaks by which an axis is told from others.
pub struct Telling {
    axis: Trial,
    fwhm_nm: f64,
    t: Vec<f64>,
}

impl Telling {
    /// Tall peaks that the axis has on features of the lamp: elsewhere, beyond the outermost of them say,
    /// it only goes on as it must, and so does any other that has these peaks in the same places. All tall
    /// peaks, where these are too few.
    pub fn of(ground: &Ground, octaves: &Octaves, axis: &Trial) -> Self {
        let dispersion = axis.c[1].abs() / ground.half();
        let fwhm_nm = ground.fwhm_own * dispersion;
        let marks = octaves.in_view(dispersion, axis.range());
        let tall = || ground.seen.iter().filter(|s| s.rank <= TELLING.0 && !s.faint);
        let mut t: Vec<f64> = tall()
            .filter(|s| {
                let mut holding = marks.iter().filter(|m| m.shows >= HOLDS_SHOWS);
                holding.any(|m| ground.meets(axis, m, s, fwhm_nm))
            })
            .map(|s| ground.t(s.x))
            .collect();
        if t.len() < FEWEST {
            t = tall().map(|s| ground.t(s.x)).collect();
        }
        Telling { axis: *axis, fwhm_nm, t }
    }

    /// True where another axis puts a good part of these peaks at other wavelengths, or some of them far
    /// away.
    pub fn tell_from(&self, other: &Trial) -> bool {
        let apart = |fwhm: f64| {
            let off = |t: f64| (self.axis.nm(t) - other.nm(t)).abs();
            self.t.iter().filter(|t| off(**t) > fwhm * self.fwhm_nm).count()
        };
        apart(DIFFERENT_FWHM) as f64 >= TELLING.1 * self.t.len() as f64 || apart(FAR.0) >= FAR.1
    }
}
