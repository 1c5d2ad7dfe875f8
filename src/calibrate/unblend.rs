//! Where a mercury line stands that phosphors or its own neighbour hide.

use super::anchors::{CROWDED_FLOOR_FWHM, Recording, slope};
use super::fit::Point;
use super::lamp::MERCURY;
use super::pattern::{Emission, LampPattern, NARROW_PHOSPHOR_U_NM, Role, SAME_LINE_NM};
use super::score::MIN_SIGNIFICANCE;
use crate::Mask;
use crate::signal::fit::pseudo_voigt;
use crate::signal::lm::{self, Problem};

/// Groups of mercury lines, nm, that a phosphor may hide or that merge with each other.
const GROUPS_NM: [&[f64]; 2] = [&[546.075], &[576.961, 579.067]];
/// Usual logarithm of a component's height as a share of the tallest count, and its standard
/// deviation: from a hundredth to more than there is.
const LN_HEIGHT: (f64, f64) = (-1.0, 2.0);
/// Distance of two lines, in line widths, from which they stand apart: half again what shows a dip between
/// equal ones (C. Sparrow 1916: 0.849).
const RESOLVED_FWHM: f64 = 1.27;
/// How far beyond its lines a group is fitted, and a phosphor's peak has a say, in line widths.
const REACH_FWHM: f64 = 1.5;
/// How far the recognised axis may be off there, in line widths, standard deviation.
const AXIS_U_FWHM: f64 = 0.5;
/// Usual width of a phosphor's peak, nm, and standard deviation of its logarithm: those beside mercury's
/// lines are 1.3 (542.4 nm), 2.6 (545.0), 0.6 (580.7) and 1.8 nm (585.0) in a public recording of a
/// compact lamp without the instrument's part; other hosts spread them further.
const PHOSPHOR_NM: (f64, f64) = (2.0, 0.6);
/// Standard deviation of the logarithm of the ratio of two lines of one multiplet: what excites one
/// excites the other (common practice, no published source).
const RATIO_U: f64 = 0.3;
/// Scatter of the recording about any such sum, as a share of the largest count in it: no line shape
/// is known better.
const SHAPE_U: f64 = 0.01;
/// Places from which the fit starts, in line widths from where the axis has the line.
const STARTS_FWHM: [f64; 5] = [0.0, -0.4, 0.4, -0.8, 0.8];
/// Chi-square by which another place must fit worse not to count: two standard deviations.
const AS_GOOD: f64 = 4.0;
/// Scatter over what is expected of the right sum from which something else stands there.
const MOST_BIRGE: f64 = 2.0;
/// Most that the axis may be found off, in line widths: what lies further is another feature.
const MAX_SHIFT_FWHM: f64 = 2.0 * AXIS_U_FWHM;
/// Least height of the line over the tallest count of its group …
const LEAST_LIGHT: f64 = 0.1;
/// … and share of the light at its place that must be the line's own.
const LEAST_SHARE: f64 = 0.25;
/// Standard uncertainty, in line widths, from which the place says nothing.
const MAX_U_FWHM: f64 = 0.35;
/// Rounds and step of the fit: no more than its uncertainty is worth.
const ROUNDS: usize = 60;
const STEP_TOLERANCE: f64 = 1e-4;
/// Fewest points beyond the number of parameters.
const MIN_FREE: usize = 3;
/// Step of a parameter for its derivative.
const STEP: f64 = 1e-4;

/// A line that a fit of its whole group places.
pub struct Unblended<'a> {
    /// The strongest line of the group.
    pub emission: &'a Emission,
    /// Where it stands.
    pub point: Point,
    /// The others of the group.
    pub with: Vec<&'a Emission>,
}

/// The groups of hidden lines that a recording shows, each placed by a fit of all that may stand
/// there: mercury's lines with the instrument's own shape, the phosphors with places and widths as
/// free as the tables leave them. `nm` is the axis as far as it is known.
pub fn unblend<'a>(
    r: &Recording,
    pattern: &'a LampPattern,
    nm: &impl Fn(f64) -> f64,
) -> Vec<Unblended<'a>> {
    let group = |lines: &&[f64]| {
        let mut lines: Vec<&Emission> = pattern
            .emissions
            .iter()
            .filter(|e| e.role == Role::Line && e.gas == MERCURY && !e.ion)
            .filter(|e| lines.iter().any(|nm| (e.nm - nm).abs() < SAME_LINE_NM))
            .collect();
        lines.sort_by(|a, b| b.strength.total_cmp(&a.strength));
        place(r, pattern, &lines, nm)
    };
    GROUPS_NM.iter().filter_map(group).collect()
}

fn place<'a>(
    r: &Recording,
    pattern: &'a LampPattern,
    lines: &[&'a Emission],
    nm: &impl Fn(f64) -> f64,
) -> Option<Unblended<'a>> {
    let (main, with) = lines.split_first()?;
    let spectrum = r.spectrum;
    let x = spectrum.x();
    // The place where the axis has the main line, to the next point.
    let rising = nm(x[x.len() - 1]) > nm(x[0]);
    let at = x.partition_point(|v| (nm(*v) < main.nm) == rising);
    if at == 0 || at == x.len() {
        return None;
    }
    let width = r.width.fwhm(x[at]);
    let slope = slope(nm, x[at], width);
    let fwhm_nm = width * slope;
    let (lo, hi) = lines
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), l| (lo.min(l.nm), hi.max(l.nm)));
    // Lines that the instrument resolves show as peaks of their own, or not at all.
    if lines.len() > 1 && hi - lo > RESOLVED_FWHM * fwhm_nm {
        return None;
    }
    let reach = REACH_FWHM * fwhm_nm;
    let (mut points, mut top) = (Vec::new(), 0.0f64);
    for (i, v) in x.iter().enumerate() {
        let here = nm(*v);
        let mask = spectrum.mask()[i];
        if (lo - reach..=hi + reach).contains(&here) && mask.is_good() && !mask.has(Mask::SATURATED)
        {
            let count = spectrum.counts()[i] - r.peaks.baseline[i];
            points.push((here, count, r.peaks.sigma[i]));
            top = top.max(count);
        }
    }
    let noise = points.iter().map(|p| p.2).fold(0.0, f64::max);
    if top <= MIN_SIGNIFICANCE * noise {
        return None;
    }
    let points: Vec<(f64, f64, f64)> = points
        .into_iter()
        .map(|(nm, count, sigma)| (nm, count / top, (sigma / top).hypot(SHAPE_U)))
        .collect();
    let phosphors: Vec<(f64, f64)> = pattern
        .emissions
        .iter()
        .filter(|e| e.role == Role::Phosphor && e.u_nm <= NARROW_PHOSPHOR_U_NM)
        .filter(|e| (lo - reach - e.u_nm..=hi + reach + e.u_nm).contains(&e.nm))
        .map(|e| (e.nm, e.u_nm))
        .collect();
    let sum = Sum {
        lines: lines.iter().map(|l| (l.nm, l.strength)).collect(),
        phosphors,
        points,
        fwhm_nm,
        eta: r.peaks.lorentzian_share,
        middle: 0.5 * (lo + hi),
    };
    if sum.points.len() < sum.parameters() + MIN_FREE {
        return None;
    }
    let fits: Vec<lm::Fit> = STARTS_FWHM
        .iter()
        .map(|s| lm::minimise_to(&sum, &sum.start(*s), ROUNDS, STEP_TOLERANCE))
        .collect();
    let best = fits.iter().min_by(|a, b| a.chi2.total_cmp(&b.chi2))?;
    // What scatters more than its noise accounts for says less (R. Birge, Phys. Rev. 40 (1932) 207).
    let birge2 = (best.chi2 / sum.points.len() as f64).max(1.0);
    if birge2 > MOST_BIRGE.powi(2) {
        return None;
    }
    let shift = best.parameters[0];
    let own = (best.covariance.as_ref()?[0] * birge2).sqrt();
    // Other places that fit as well.
    let rivals = fits.iter().filter(|f| f.chi2 - best.chi2 < AS_GOOD * birge2);
    let apart = rivals.map(|f| (f.parameters[0] - shift).abs()).fold(0.0, f64::max);
    let u_fwhm = own.hypot(apart).hypot(CROWDED_FLOOR_FWHM);
    let (light, share) = sum.own(&best.parameters);
    if shift.abs() > MAX_SHIFT_FWHM
        || u_fwhm > MAX_U_FWHM
        || share < LEAST_SHARE
        || light < LEAST_LIGHT.max(MIN_SIGNIFICANCE * noise / top)
    {
        return None;
    }
    // The recording has it where the axis says `main.nm - shift`.
    let wanted = main.nm - shift * fwhm_nm;
    let x0 = x[at] + (wanted - nm(x[at])) / slope * if rising { 1.0 } else { -1.0 };
    let point = Point { x: x0, nm: main.nm, u_nm: main.u_nm.hypot(u_fwhm * fwhm_nm) };
    Some(Unblended { emission: main, point, with: with.to_vec() })
}

/// The sum of a group's lines, the phosphors among them and a straight level.
struct Sum {
    /// Place, nm, and strength of each line, the strongest first.
    lines: Vec<(f64, f64)>,
    /// Place and its uncertainty of each phosphor's peak, nm.
    phosphors: Vec<(f64, f64)>,
    /// Place on the axis, nm, height and its uncertainty, as shares of the tallest.
    points: Vec<(f64, f64, f64)>,
    fwhm_nm: f64,
    eta: f64,
    /// Where the level's slope turns, nm.
    middle: f64,
}

/// Parameters: shift of the axis in line widths, level, its slope over a line width, logarithm of
/// each line's height, and of each phosphor's peak the logarithm of its height, its place and the
/// logarithm of its width, both in standard deviations.
impl Sum {
    fn parameters(&self) -> usize {
        3 + self.lines.len() + 3 * self.phosphors.len()
    }

    fn start(&self, shift: f64) -> Vec<f64> {
        let mut p = vec![shift, 0.0, 0.0];
        p.extend(self.lines.iter().map(|_| LN_HEIGHT.0));
        p.extend(self.phosphors.iter().flat_map(|_| [LN_HEIGHT.0, 0.0, 0.0]));
        p
    }

    /// Light of the lines and of all else at a place.
    fn light(&self, p: &[f64], nm: f64) -> (f64, f64) {
        let (shift, rest) = (p[0] * self.fwhm_nm, &p[3 + self.lines.len()..]);
        let true_nm = nm + shift;
        let own: f64 = self
            .lines
            .iter()
            .zip(&p[3..])
            .map(|((at, _), q)| q.exp() * pseudo_voigt(true_nm - at, self.fwhm_nm, self.eta).0)
            .sum();
        let others: f64 = self
            .phosphors
            .iter()
            .zip(rest.chunks_exact(3))
            .map(|((at, u), q)| {
                let width = PHOSPHOR_NM.0 * (PHOSPHOR_NM.1 * q[2]).exp();
                let d = true_nm - at - u * q[1];
                q[0].exp() * pseudo_voigt(d, width.hypot(self.fwhm_nm), self.eta).0
            })
            .sum();
        (own, others + p[1] + p[2] * (nm - self.middle) / self.fwhm_nm)
    }

    /// Light of the lines at the main line's place, and their share of all light there.
    fn own(&self, p: &[f64]) -> (f64, f64) {
        let (own, rest) = self.light(p, self.lines[0].0 - p[0] * self.fwhm_nm);
        (own, own / (own + rest.max(0.0)))
    }

    fn fill(&self, p: &[f64], r: &mut [f64]) {
        let n = self.points.len();
        for (r, (nm, height, u)) in r.iter_mut().zip(&self.points) {
            let (own, rest) = self.light(p, *nm);
            *r = (own + rest - height) / u;
        }
        let mut priors = r[n..].iter_mut();
        let mut put = |v: f64| {
            if let Some(r) = priors.next() {
                *r = v;
            }
        };
        put(p[0] / AXIS_U_FWHM);
        for (q, (_, strength)) in p[4..].iter().zip(&self.lines[1..]) {
            put((q - p[3] - (strength / self.lines[0].1).ln()) / RATIO_U);
        }
        put((p[3] - LN_HEIGHT.0) / LN_HEIGHT.1);
        for q in p[3 + self.lines.len()..].chunks_exact(3) {
            put((q[0] - LN_HEIGHT.0) / LN_HEIGHT.1);
            put(q[1]);
            put(q[2]);
        }
    }
}

impl Problem for Sum {
    fn residuals(&self) -> usize {
        self.points.len() + 1 + self.lines.len() + 3 * self.phosphors.len()
    }

    fn evaluate(&self, p: &[f64], r: &mut [f64], jacobian: Option<&mut [f64]>) {
        self.fill(p, r);
        let Some(jacobian) = jacobian else { return };
        let (mut moved, mut there) = (p.to_vec(), vec![0.0; r.len()]);
        for k in 0..p.len() {
            moved[k] = p[k] + STEP;
            self.fill(&moved, &mut there);
            moved[k] = p[k];
            for (i, (t, r)) in there.iter().zip(r.iter()).enumerate() {
                jacobian[i * p.len() + k] = (t - r) / STEP;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::lamp::Lamp;
    use crate::reference::Tables;
    use crate::signal::{LineWidth, PeakList};
    use crate::{Axis, AxisKind, Spectrum};
    use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

    const FIRST_NM: f64 = 520.0;
    const NM_PER_PX: f64 = 0.4;
    const FWHM_NM: f64 = 3.5;
    const NOISE: f64 = 5.0;

    fn nm(x: f64) -> f64 {
        FIRST_NM + NM_PER_PX * x
    }

    /// A recording of these components (place and own width, nm, height, counts), seen through an
    /// instrument that makes a line [`FWHM_NM`] wide, with the peaks' bookkeeping that the fit reads.
    fn recording(parts: &[(f64, f64, f64)], rng: &mut ChaCha8Rng) -> (Spectrum, PeakList) {
        let n = 220;
        let x: Vec<f64> = (0..n).map(f64::from).collect();
        let y = x
            .iter()
            .map(|x| {
                let light: f64 = parts
                    .iter()
                    .map(|(at, own, h)| h * pseudo_voigt(nm(*x) - at, own.hypot(FWHM_NM), 0.0).0)
                    .sum();
                light + NOISE * rng.random_range(-1.0..1.0) * 3f64.sqrt()
            })
            .collect();
        let peaks = PeakList {
            axis: AxisKind::Pixel,
            peaks: Vec::new(),
            line_width: Some(LineWidth::constant(FWHM_NM / NM_PER_PX, 0.1)),
            baseline: vec![0.0; x.len()],
            sigma: vec![NOISE; x.len()],
            threshold: vec![NOISE; x.len()],
            threshold_sigma: 1.0,
            structure: 1.0,
            saturation: None,
            lorentzian_share: 0.0,
            shape_mismatch: 0.0,
            notes: Vec::new(),
        };
        (Spectrum::new(Axis::new(AxisKind::Pixel, x).unwrap(), y).unwrap(), peaks)
    }

    fn unblended(parts: &[(f64, f64, f64)], off_nm: f64, seed: u64) -> Vec<(f64, Point)> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (spectrum, peaks) = recording(parts, &mut rng);
        let width = peaks.line_width.unwrap();
        let range = [0.0, 219.0];
        let r =
            Recording { spectrum: &spectrum, peaks: &peaks, kind: AxisKind::Pixel, range, width };
        let pattern = LampPattern::new(&Lamp::Fluorescent, &Tables::bundled().unwrap());
        let found = unblend(&r, &pattern, &|x| nm(x) + off_nm);
        found.iter().map(|u| (u.emission.nm, u.point)).collect()
    }

    /// Terbium's peaks on the green line, both where the lamp table allows them, and an axis that is
    /// off: the line is placed within twice the stated uncertainty in 95 of 100 (normal law).
    #[test]
    fn the_green_line_is_placed_as_well_as_is_said() {
        let (mut within, mut all, mut worst) = (0, 0, 0.0f64);
        for seed in 0..200 {
            let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed);
            let mut near = |at: f64, u: f64| at + u * rng.random_range(-1.0..1.0);
            let (a, b, off) = (near(542.4, 1.2), near(545.0, 1.5), near(0.0, 1.0));
            let parts = [
                (546.075, 0.0, 1000.0),
                (a, near(3.5, 1.5), near(700.0, 400.0)),
                (b, near(4.5, 1.5), near(500.0, 300.0)),
            ];
            for (line, p) in unblended(&parts, off, seed) {
                if line > 550.0 {
                    continue;
                }
                let error = nm(p.x) - line;
                all += 1;
                within += u32::from(error.abs() < 2.0 * p.u_nm);
                worst = worst.max(error.abs() / FWHM_NM);
            }
        }
        println!("{within} of {all} within 2 u, worst {worst:.2} line widths");
        assert!(all > 150, "{all}");
        // Three standard deviations of a binomial share below 0.95.
        let share = f64::from(within) / f64::from(all);
        assert!(share > 0.95 - 3.0 * (0.95 * 0.05 / f64::from(all)).sqrt(), "{share}");
        // Lines of a known shape come out better than the floor for real ones.
        assert!(worst < CROWDED_FLOOR_FWHM, "{worst}");
    }

    /// Two lines of nearly one height that are seen as one.
    #[test]
    fn the_yellow_pair_is_placed_by_both() {
        let parts = [(576.961, 0.0, 500.0), (579.067, 0.0, 560.0), (587.5, 2.5, 300.0)];
        let found = unblended(&parts, 0.8, 3);
        let (line, p) = *found.iter().find(|(nm, _)| *nm > 570.0).unwrap();
        assert!((nm(p.x) - line).abs() < p.u_nm && p.u_nm < 0.25 * FWHM_NM, "{p:?}");
    }

    /// A line that is not there is not placed, nor one that is far from where the axis has it.
    #[test]
    fn nothing_is_placed_by_nothing() {
        assert_eq!(unblended(&[], 0.0, 5), []);
        assert_eq!(unblended(&[(560.0, 0.0, 1000.0)], 0.0, 5), []);
    }
}
