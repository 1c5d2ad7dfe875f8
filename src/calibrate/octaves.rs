//! The marks of a lamp for each dispersion that an instrument may have.

use super::marks::{Mark, in_view, put_in_view};
use super::pattern::LampPattern;
use super::search::{DISPERSION_NM, Ground};
use crate::AxisKind;
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

/// Least and most displacement of a false lamp's lines, as a share of the recording's span: what
/// keeps crowds crowds and voids voids …
const FALSE_SHIFT_SPAN: (f64, f64) = (0.03, 0.15);
/// … but at least this in line widths, that no line meets its own peak …
const FALSE_SHIFT_FWHM: f64 = 3.0;
/// … and at most no less than this times the least.
const FALSE_SHIFT_RATIO: f64 = 3.0;
/// Uncertainty of place in line widths up to which a phosphor's peak starts a search and votes.
const SEED_U_FWHM: f64 = 0.5;

/// The lamp's marks for each octave of dispersion that the instrument may have: what merges and
/// which lines are strong among their neighbours depends on it.
pub struct Octaves(pub Vec<Octave>);

/// A lamp's marks where the dispersion lies within a factor of two.
#[derive(Clone)]
pub struct Octave {
    /// Least dispersion, nm per unit of the own axis.
    pub dispersion: f64,
    /// Line width and span of a recording in its middle, nm.
    fwhm_nm: f64,
    span_nm: f64,
    /// All marks, ascending.
    pub marks: Vec<Mark>,
}

impl Octaves {
    /// For the axis of `ground`.
    pub fn new(pattern: &LampPattern, ground: &Ground) -> Self {
        let points = ground.range[1] - ground.range[0];
        let mut steps = vec![1.0];
        if ground.kind == AxisKind::Pixel {
            steps.clear();
            let mut d = DISPERSION_NM.0;
            while d < DISPERSION_NM.1 {
                steps.push(d);
                d *= 2.0;
            }
        }
        let middle = if ground.kind == AxisKind::Pixel { std::f64::consts::SQRT_2 } else { 1.0 };
        let octave = |d: f64| {
            let (fwhm_nm, span_nm) = (ground.fwhm_own * d * middle, points * d * middle);
            Octave { dispersion: d, fwhm_nm, span_nm, marks: pattern.marks(fwhm_nm, span_nm) }
        };
        Octaves(steps.into_iter().map(octave).collect())
    }

    /// A false lamp: each line displaced on its own by the numbers that follow from this seed.
    pub fn displaced(&self, seed: u64) -> Self {
        Octaves(self.0.iter().map(|o| o.displaced(seed)).collect())
    }

    /// All marks for a dispersion.
    fn at(&self, dispersion: f64) -> &[Mark] {
        let k = self.0.partition_point(|o| o.dispersion <= dispersion);
        &self.0[k.max(1) - 1].marks
    }

    /// Marks that a recording of this dispersion over `range` (nm) may show.
    pub fn in_view(&self, dispersion: f64, range: (f64, f64)) -> Vec<Mark> {
        in_view(self.at(dispersion), range)
    }

    /// The same into a list that is there already.
    pub fn put_in_view(&self, dispersion: f64, range: (f64, f64), out: &mut Vec<Mark>) {
        put_in_view(self.at(dispersion), range, out);
    }
}

impl Octave {
    fn displaced(&self, seed: u64) -> Self {
        let least = (FALSE_SHIFT_SPAN.0 * self.span_nm).max(FALSE_SHIFT_FWHM * self.fwhm_nm);
        let most = (FALSE_SHIFT_SPAN.1 * self.span_nm).max(FALSE_SHIFT_RATIO * least);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut marks = self.marks.clone();
        for m in &mut marks {
            let d = rng.random_range(least..most);
            m.nm += if rng.random_bool(0.5) { d } else { -d };
        }
        marks.sort_by(|a, b| a.nm.total_cmp(&b.nm));
        Octave { marks, ..*self }
    }

    /// Marks that start a search or vote in it.
    pub fn sure(&self, fwhm_nm: f64) -> impl Iterator<Item = &Mark> {
        // A phosphor's peak serves where its place is surer than the line is wide.
        self.marks.iter().filter(move |m| m.line || m.u_nm < SEED_U_FWHM * fwhm_nm)
    }
}
