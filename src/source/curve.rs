//! The curve of a source: its baseline, highest point, flanks and feet.

use super::Band;
use super::smooth::{LocalFit, bends, median, replace_lone_points, robust_sigma, window};
use crate::{Mask, Measured, Spectrum};

/// Recordings with more points are averaged in blocks to at most this many: a quarter of a
/// nanometre a point over the longest range of an array spectrometer.
const MOST_POINTS: usize = 4096;
/// A band stands this many standard uncertainties of the smoothed curve above the baseline. Some
/// thousand places are looked at, so that 5 would be met by scatter once in a thousand recordings.
pub(super) const LEAST_SIGNIFICANCE: f64 = 6.0;
/// Share of the wavelength range, taken from its darkest parts, where the search for the baseline
/// begins: most sources leave more than that dark.
const DARK_SHARE: f64 = 0.1;
/// Points further than this many standard deviations from the baseline do not belong to it.
const BASELINE_CLIP: f64 = 3.0;
/// Rounds of clipping; it settles in fewer.
const BASELINE_ROUNDS: usize = 20;
/// Smoothing windows hold at least this many points on each side.
const LEAST_REACH: usize = 2;
/// Smoothing windows reach at most this share of the FWHM to each side: a quadratic through so
/// much of the top of a Gaussian lowers it by 0.2 %.
const WIDEST_REACH: f64 = 0.25;
/// The window of the highest point widens until scatter moves that point by less than this share
/// of the FWHM. Where the scatter is small the window stays small, and a lopsided or doubly humped
/// top keeps its true maximum.
const HIGHEST_GOAL: f64 = 0.01;
/// Second derivative of a Gaussian at its maximum, in heights per FWHM²: 8 ln 2.
const GAUSSIAN_CURVATURE: f64 = 8.0 * std::f64::consts::LN_2;
/// Factor between one smoothing window that is tried and the next.
const REACH_STEP: f64 = 1.25;
/// The highest point is looked for where the rough curve has at least this share of its height.
pub(super) const SEARCH_SHARE: f64 = 0.7;
/// Shortest window of the rough curve, in points: outlasts two hot pixels.
const ROUGH_POINTS: usize = 5;
/// Scatter that the rough curve may keep, as a share of its height.
const ROUGH_SCATTER: f64 = 0.05;
/// The rough curve is below half its height where so many points in a row are.
const ROUGH_RUN: usize = 3;
/// The fitted peak rests on the top of the band down to this share of its height.
const TOP_SHARE: f64 = 0.75;
/// Fewest points of the top for a fitted peak.
const TOP_POINTS: usize = 6;
/// A cubic replaces the quadratic where its last coefficient is so many standard uncertainties
/// away from zero.
const CUBIC_SIGMAS: f64 = 3.0;
/// The band ends where it has fallen to this share of its height …
const FOOT_SHARE: f64 = 0.02;
/// … or to this many standard uncertainties of the smoothed curve, where that is more.
pub(super) const FOOT_SIGMAS: f64 = 2.0;
/// A band that is narrower, in points, is a line: its place and width are better found by fitting.
const LINE_POINTS: f64 = 5.0;
/// Rounds for the width and the smoothing window to agree.
const WIDTH_ROUNDS: usize = 8;
/// Change of the width from one round to the next at which they agree.
const WIDTH_SETTLED: f64 = 1e-3;
/// Fewest points from which scatter is taken locally.
const SCATTER_POINTS: usize = 10;

/// Usable points of a recording, ascending, hot pixels bridged.
#[derive(Debug, Clone)]
pub(super) struct Curve {
    pub(super) x: Vec<f64>,
    pub(super) y: Vec<f64>,
    pub(super) saturated: Vec<bool>,
    /// Median of the measured standard uncertainties; 0 where none were measured.
    told_sigma: f64,
    /// Whether the first and the last point are ends of the recording, not of a part of it.
    ends: [bool; 2],
}

/// The level on which the band stands.
pub(super) struct Dark {
    pub(super) level: f64,
    /// Standard uncertainty of the level.
    pub(super) u: f64,
    /// Scatter of single points about it.
    pub(super) sigma: f64,
}

/// The highest point.
pub(super) struct Top {
    /// Index of the highest point of the smoothed curve.
    pub(super) at: usize,
    /// Maximum of the polynomial there, nm.
    place: Measured,
    /// Half of the smoothing window there, nm.
    pub(super) reach: f64,
    /// The polynomial there.
    pub(super) fit: LocalFit,
    /// Scatter of single points on the band.
    pub(super) sigma: f64,
}

impl Curve {
    /// The usable points, and how many were bridged as hot pixels.
    pub(super) fn new(spectrum: &Spectrum, spared: impl Fn(f64) -> bool) -> (Self, usize) {
        let usable: Vec<usize> = (0..spectrum.len())
            .filter(|i| {
                let m = spectrum.mask()[*i];
                !m.has(Mask::DEAD) && !m.has(Mask::OUTSIDE)
            })
            .collect();
        let pick = |v: &[f64]| usable.iter().map(|i| v[*i]).collect::<Vec<f64>>();
        let (x, mut y) = (pick(spectrum.x()), pick(spectrum.counts()));
        let lone = replace_lone_points(&x, &mut y, spared);
        let block = usable.len().div_ceil(MOST_POINTS).max(1);
        let blocks = |v: &[f64]| -> Vec<f64> {
            v.chunks(block).map(|c| c.iter().sum::<f64>() / c.len() as f64).collect()
        };
        let flags: Vec<bool> =
            usable.iter().map(|i| spectrum.mask()[*i].has(Mask::SATURATED)).collect();
        let told_sigma = spectrum.sigma().map_or(0.0, |s| median(&pick(s)) / (block as f64).sqrt());
        let curve = Curve {
            x: blocks(&x),
            y: blocks(&y),
            saturated: flags.chunks(block).map(|c| c.contains(&true)).collect(),
            told_sigma,
            ends: [true; 2],
        };
        (curve, lone)
    }

    /// Number of points.
    pub(super) fn len(&self) -> usize {
        self.x.len()
    }

    /// The points `from..to`.
    pub(super) fn part(&self, from: usize, to: usize) -> Self {
        Curve {
            x: self.x[from..to].to_vec(),
            y: self.y[from..to].to_vec(),
            saturated: self.saturated[from..to].to_vec(),
            told_sigma: self.told_sigma,
            ends: [self.ends[0] && from == 0, self.ends[1] && to == self.len()],
        }
    }

    /// Other points instead of these.
    pub(super) fn replaced(&self, x: Vec<f64>, y: Vec<f64>, saturated: Vec<bool>) -> Self {
        Curve { x, y, saturated, told_sigma: 0.0, ends: [true; 2] }
    }

    /// The band with the highest point; `None` where nothing stands out of the scatter.
    pub(super) fn measure(&self) -> Option<Band> {
        self.measure_on(&self.baseline())
    }

    /// [`Curve::measure`] on a baseline that is known.
    pub(super) fn measure_on(&self, dark: &Dark) -> Option<Band> {
        let rough = self.rough(dark.level);
        let mut width = rough_width(&self.x, &rough, dark.level)?;
        let mut top = self.top(&rough, dark.level, width)?;
        let mut crossings = [None; 2];
        for _ in 0..WIDTH_ROUNDS {
            crossings = [self.crossing(&top, dark, width, -1), self.crossing(&top, dark, width, 1)];
            let at = self.x[top.at];
            let new = match crossings {
                [Some(a), Some(b)] => b.value - a.value,
                // Where one side is cut off, the other stands for both.
                [Some(a), None] => 2.0 * (at - a.value),
                [None, Some(b)] => 2.0 * (b.value - at),
                [None, None] => self.x[self.len() - 1] - self.x[0],
            };
            if new.is_nan() || new <= 0.0 {
                return None;
            }
            let settled = (new - width).abs() < WIDTH_SETTLED * width;
            width = new;
            top = self.top(&rough, dark.level, width)?;
            if settled {
                break;
            }
        }
        self.assemble(dark, &top, width, crossings)
    }

    fn assemble(
        &self,
        dark: &Dark,
        top: &Top,
        width: f64,
        crossings: [Option<Measured>; 2],
    ) -> Option<Band> {
        let x = &self.x;
        let curve_u = top.fit.value_u(top.sigma.max(dark.sigma));
        let height = Measured::new(top.fit.value() - dark.level, curve_u.hypot(dark.u));
        if height.value.is_nan() || height.value <= LEAST_SIGNIFICANCE * height.u {
            return None;
        }
        let mut notes = Vec::new();
        let mut highest_nm = top.place;
        let flat = self.flat_top(top.at, dark.level);
        if let Some((a, b)) = flat {
            // The maximum may lie anywhere under the clipped stretch.
            highest_nm = Measured::new(0.5 * (x[a] + x[b]), (x[b] - x[a]) / 12f64.sqrt());
            notes.push(format!(
                "the top is clipped from {:.1} to {:.1} nm: the height is a lower bound and the \
                 width is not known",
                x[a], x[b]
            ));
        }
        let (from, to) = self.feet(top, dark, width, height.value);
        let ends = [(from == 0, "lower"), (to + 1 == self.len(), "upper")];
        for ((at_end, side), of_all) in ends.into_iter().zip(self.ends) {
            if at_end && of_all {
                notes.push(format!(
                    "the recording ends on its {side} side before the band has come down to the \
                     baseline: the centroid is that of the recorded part"
                ));
            } else if at_end {
                notes.push(format!(
                    "on its {side} side the band runs into another one: the centroid is that of \
                     the part up to the valley"
                ));
            }
        }
        if width < LINE_POINTS * self.step(top.at) {
            notes.push("the highest feature is as narrow as a line; look at its peaks".into());
        }
        notes.extend(self.rival(top, from, to));
        notes.extend(self.other_light(dark, from, to, height.value));
        let centroid_nm = self.centroid(dark, top.sigma, from, to)?;
        let clipped = flat.is_some();
        let fwhm_nm = match crossings {
            [Some(a), Some(b)] if !clipped => {
                Some(Measured::new(b.value - a.value, a.u.hypot(b.u)))
            }
            _ => None,
        };
        Some(Band {
            highest_nm,
            fitted_nm: if clipped { None } else { self.fitted(top, dark.level, width) },
            centroid_nm,
            fwhm_nm,
            half_maximum_nm: crossings,
            height,
            baseline: Measured::new(dark.level, dark.u),
            limits_nm: [x[from], x[to]],
            clipped,
            axis_u_nm: None,
            notes,
        })
    }

    /// Distance between points at point `i`, nm.
    fn step(&self, i: usize) -> f64 {
        let (a, b) = (i.saturating_sub(1), (i + 1).min(self.len() - 1));
        (self.x[b] - self.x[a]) / (b - a).max(1) as f64
    }

    /// The lowest level around which points gather.
    pub(super) fn baseline(&self) -> Dark {
        // Weighted by wavelength: some exports keep fewer points where nothing happens.
        let mut order: Vec<usize> = (0..self.len()).collect();
        order.sort_by(|a, b| self.y[*a].total_cmp(&self.y[*b]));
        let weight = |i: &usize| self.step(*i);
        let quantile = |ids: &[usize], share: f64| {
            let total: f64 = ids.iter().map(weight).sum();
            let mut sum = 0.0;
            ids.iter()
                .find(|i| {
                    sum += weight(i);
                    sum >= share * total
                })
                .map_or(0.0, |i| self.y[*i])
        };
        let mut level = quantile(&order, DARK_SHARE);
        let mut sigma = robust_sigma(&bends(&self.x, &self.y)).max(self.told_sigma);
        let mut count = 1;
        for _ in 0..BASELINE_ROUNDS {
            let near: Vec<usize> = order
                .iter()
                .copied()
                .filter(|i| (self.y[*i] - level).abs() <= BASELINE_CLIP * sigma)
                .collect();
            if near.len() < 2 || near.len() == count {
                break;
            }
            count = near.len();
            level = quantile(&near, 0.5);
            sigma = robust_sigma(&near.iter().map(|i| self.y[*i]).collect::<Vec<_>>());
        }
        Dark { level, u: sigma / (count as f64).sqrt(), sigma }
    }

    /// A running median, so long that scatter does not decide where half the height is.
    fn rough(&self, level: f64) -> Vec<f64> {
        let run = |points: usize| -> Vec<f64> {
            let half = points / 2;
            (0..self.len())
                .map(|i| median(&self.y[i.saturating_sub(half)..(i + half + 1).min(self.len())]))
                .collect()
        };
        let first = run(ROUGH_POINTS);
        let height = first.iter().copied().fold(f64::MIN, f64::max) - level;
        let high: Vec<f64> = bends(&self.x, &self.y)
            .into_iter()
            .zip(first.iter().skip(1))
            .filter(|(_, y)| **y > level + 0.5 * height)
            .map(|(b, _)| b)
            .collect();
        let needed = (robust_sigma(&high) / (ROUGH_SCATTER * height)).powi(2);
        let points = (needed as usize).min(self.len() / 10);
        if points > ROUGH_POINTS { run(points) } else { first }
    }

    /// Scatter of single points within half a width of point `at`.
    fn scatter(&self, at: usize, width: f64) -> f64 {
        let (a, b) = window(&self.x, at, 0.5 * width, SCATTER_POINTS);
        robust_sigma(&bends(&self.x[a..b], &self.y[a..b])).max(self.told_sigma)
    }

    /// Quadratic about point `i`.
    pub(super) fn quadratic(&self, i: usize, reach: f64) -> Option<LocalFit> {
        let (a, b) = window(&self.x, i, reach, LEAST_REACH);
        LocalFit::new(&self.x[a..b], &self.y[a..b], self.x[i], 2)
    }

    /// The highest point, with the narrowest window in which scatter does not choose it.
    fn top(&self, rough: &[f64], level: f64, width: f64) -> Option<Top> {
        let highest = rough.iter().copied().fold(f64::MIN, f64::max);
        let search: Vec<usize> = (0..self.len())
            .filter(|i| rough[*i] >= level + SEARCH_SHARE * (highest - level))
            .collect();
        let mut reach = LEAST_REACH as f64 * self.step(*search.first()?);
        loop {
            let (at, place, fit) = self.highest(&search, reach)?;
            // Scatter that neighbouring points share hides from their differences and shows
            // about the curve.
            let sigma = self.scatter(at, width).max(fit.scatter);
            // The curvature is that of a Gaussian of this width: the fit's own is a matter of
            // chance in a narrow window, and the highest of many places is one with too much.
            let second = GAUSSIAN_CURVATURE * (fit.value() - level) / (width * width);
            let slope_u = fit.coefficient(1, sigma).1;
            let moved = slope_u / second;
            if moved <= HIGHEST_GOAL * width || reach * REACH_STEP > WIDEST_REACH * width {
                let wide = self.quadratic(at, WIDEST_REACH * width)?;
                let flat = (-2.0 * wide.coefficient(2, sigma).0).min(second);
                let u = if flat > 0.0 { slope_u / flat } else { reach };
                return Some(Top { at, place: Measured::new(place, u), reach, fit, sigma });
            }
            reach *= REACH_STEP;
        }
    }

    /// The highest of the places at which the slope of the smoothed curve passes through zero:
    /// index of the point next to it, place in nm, and the polynomial there.
    fn highest(&self, search: &[usize], reach: f64) -> Option<(usize, f64, LocalFit)> {
        let fits: Vec<(usize, LocalFit)> =
            search.iter().filter_map(|i| Some((*i, self.quadratic(*i, reach)?))).collect();
        let slope = |f: &LocalFit| f.coefficient(1, 0.0).0;
        // The slope scatters less from place to place than the value does, so that zeros are
        // found on the slope and only chosen among by their values.
        let zeros = fits.windows(2).filter_map(|w| {
            let (a, b) = (&w[0], &w[1]);
            let (up, down) = (slope(&a.1), slope(&b.1));
            if b.0 != a.0 + 1 || up <= 0.0 || down > 0.0 {
                return None;
            }
            let share = up / (up - down);
            let nearer = if share < 0.5 { a } else { b };
            Some((nearer.0, self.x[a.0] + share * (self.x[b.0] - self.x[a.0]), &nearer.1))
        });
        // At an end of the recording there may be no such place.
        let ends = fits.first().into_iter().chain(fits.last());
        let ends = ends.map(|(i, fit)| (*i, self.x[*i], fit));
        zeros
            .chain(ends)
            .max_by(|a, b| a.2.value().total_cmp(&b.2.value()))
            .map(|(i, place, fit)| (i, place, fit.clone()))
    }

    /// First crossing of half the height, below (`way` −1) or above (`way` 1) the peak.
    fn crossing(&self, top: &Top, dark: &Dark, width: f64, way: isize) -> Option<Measured> {
        let half = 0.5 * (dark.level + top.fit.value());
        let half_u = 0.5 * dark.u.hypot(top.fit.value_u(top.sigma));
        let reach = self.flank_reach(top, width);
        let mut i = top.at;
        loop {
            i = i.checked_add_signed(way).filter(|i| *i < self.len())?;
            let fit = self.quadratic(i, reach)?;
            if fit.value() > half {
                continue;
            }
            let before = i.checked_add_signed(-way)?;
            let above = self.quadratic(before, reach)?.value();
            let share = (half - fit.value()) / (above - fit.value());
            let place = self.x[i] + share * (self.x[before] - self.x[i]);
            let slope = fit.coefficient(1, top.sigma).0.abs();
            let u = fit.value_u(top.sigma).hypot(half_u) / slope;
            return (u.is_finite() && place.is_finite()).then(|| Measured::new(place, u));
        }
    }

    /// Half of the smoothing window on the flanks, nm: no wider than at the top asks for.
    fn flank_reach(&self, top: &Top, width: f64) -> f64 {
        top.reach.min(WIDEST_REACH * width)
    }

    /// First and last point of the band.
    fn feet(&self, top: &Top, dark: &Dark, width: f64, height: f64) -> (usize, usize) {
        // As wide as the top allows: at the feet there is no shape to lose.
        let reach = WIDEST_REACH * width;
        let walk = |way: isize| {
            let mut i = top.at;
            while let Some(next) = i.checked_add_signed(way).filter(|n| *n < self.len()) {
                i = next;
                let Some(fit) = self.quadratic(i, reach) else { break };
                let scatter = FOOT_SIGMAS * fit.value_u(dark.sigma);
                if fit.value() - dark.level < (FOOT_SHARE * height).max(scatter) {
                    break;
                }
            }
            i
        };
        (walk(-1), walk(1))
    }

    /// Centroid of what lies above the baseline from point `from` to point `to`.
    fn centroid(&self, dark: &Dark, sigma: f64, from: usize, to: usize) -> Option<Measured> {
        // Trapezoids: each point stands for half of the distance to either neighbour.
        let weight = |i: usize| {
            let (a, b) = (i.saturating_sub(1).max(from), (i + 1).min(to));
            0.5 * (self.x[b] - self.x[a])
        };
        let (mut area, mut moment) = (0.0, 0.0);
        for i in from..=to {
            let light = weight(i) * (self.y[i] - dark.level);
            area += light;
            moment += light * self.x[i];
        }
        let centroid = moment / area;
        let (mut variance, mut lever) = (0.0, 0.0);
        for i in from..=to {
            let d = weight(i) * (self.x[i] - centroid) / area;
            variance += (d * sigma).powi(2);
            lever += d;
        }
        let u = variance.sqrt().hypot(lever * dark.u);
        (area > 0.0 && centroid.is_finite()).then(|| Measured::new(centroid, u))
    }

    /// Maximum of a low polynomial through the top of the band.
    fn fitted(&self, top: &Top, level: f64, width: f64) -> Option<Measured> {
        let least = level + TOP_SHARE * (top.fit.value() - level);
        let reach = self.flank_reach(top, width);
        let high = |i: usize| self.quadratic(i, reach).is_some_and(|f| f.value() >= least);
        let mut from = top.at;
        while from > 0 && high(from - 1) {
            from -= 1;
        }
        let mut to = top.at;
        while to + 1 < self.len() && high(to + 1) {
            to += 1;
        }
        let (x, y) = (&self.x[from..=to], &self.y[from..=to]);
        if x.len() < TOP_POINTS {
            return None;
        }
        let middle = 0.5 * (self.x[from] + self.x[to]);
        let fit_of = |degree| LocalFit::new(x, y, middle, degree);
        let quadratic = fit_of(2)?;
        let fit = fit_of(3)
            .filter(|f| {
                let (d, u) = f.coefficient(3, f.scatter.max(top.sigma));
                d.abs() > CUBIC_SIGMAS * u
            })
            .unwrap_or(quadratic);
        let (place, u) = fit.maximum(fit.scatter.max(top.sigma))?;
        Some(Measured::new(place, u))
    }
}

/// Width at half height of the rough curve, nm; `None` where it has no height.
fn rough_width(x: &[f64], rough: &[f64], level: f64) -> Option<f64> {
    let (at, highest) = rough.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    if highest <= level {
        return None;
    }
    let half = 0.5 * (level + highest);
    let end = |ids: &mut dyn Iterator<Item = usize>| {
        let (mut last, mut run) = (at, 0);
        for i in ids {
            run = if rough[i] < half { run + 1 } else { 0 };
            if run == 0 {
                last = i;
            } else if run == ROUGH_RUN {
                break;
            }
        }
        x[last]
    };
    let width = end(&mut (at..x.len())) - end(&mut (0..=at).rev());
    // At least the distance over which a curve is smoothed at all.
    let least = (x[x.len() - 1] - x[0]) / (x.len() - 1) as f64 * LEAST_REACH as f64;
    Some(width.max(least))
}
