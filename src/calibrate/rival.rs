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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::ends::tests::{ground, made_up_axis, peaks, with_added};
    use crate::calibrate::lamp::Lamp;
    use crate::calibrate::pattern::LampPattern;
    use crate::reference::Tables;

    const MERCURY: [f64; 4] = [404.66, 435.83, 546.08, 576.96];
    /// Tall peaks that are nothing of mercury's.
    const STRANGERS: [f64; 2] = [618.0, 634.0];

    /// The axis of the made-up peaks, and `nm` times what is nought at the first four of `t`.
    fn bent(t: &[f64], nm: f64) -> Trial {
        let mut powers = [nm, 0.0, 0.0, 0.0, 0.0];
        for root in &t[..4] {
            for k in (0..5).rev() {
                powers[k] = if k > 0 { powers[k - 1] } else { 0.0 } - root * powers[k];
            }
        }
        with_added(&made_up_axis(), powers)
    }

    /// Two axes with the same four mercury lines and two tall peaks of something else far apart are one
    /// solution; where the lines themselves are elsewhere they are two.
    #[test]
    fn an_axis_is_told_by_the_lines_it_holds() {
        let tables = Tables::bundled().unwrap();
        let pattern = LampPattern::new(&Lamp::mercury(), &tables);
        let lines: Vec<f64> = MERCURY.into_iter().chain(STRANGERS).collect();
        let seen = peaks(&lines);
        let ground = ground(&seen);
        let octaves = Octaves::new(&pattern, &ground);
        let t: Vec<f64> = seen.iter().map(|s| ground.t(s.x)).collect();
        let axis = bent(&t, 0.0);
        let telling = Telling::of(&ground, &octaves, &axis);
        let other = bent(&t, 60.0);
        let fwhm_nm = ground.fwhm_own * axis.c[1] / ground.half();
        for t in &t[4..] {
            assert!((axis.nm(*t) - other.nm(*t)).abs() > FAR.0 * fwhm_nm);
        }
        assert!(!telling.tell_from(&other));
        let mut shifted = axis;
        shifted.c[0] += 1.1 * DIFFERENT_FWHM * fwhm_nm;
        assert!(telling.tell_from(&shifted));
        // Of two lines alone nobody tells which axis is another: then all tall peaks count.
        let seen = peaks(&[MERCURY[2], MERCURY[3], STRANGERS[0], STRANGERS[1]]);
        let ground = super::super::ends::tests::ground(&seen);
        let telling = Telling::of(&ground, &octaves, &axis);
        assert!(telling.tell_from(&other));
    }
}
