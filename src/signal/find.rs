//! The whole way from counts to a list of fitted lines.

use super::fit::{Component, Group, GroupFit, fit_group, unit_area};
use super::{
    LineWidth, Peak, PeakList, PeakSettings, Saturation, baseline, filter, noise, spikes, width,
};
use crate::{AxisKind, Error, Mask, Measured, Result, Spectrum};
use statrs::distribution::{ContinuousCDF, Normal};

/// Fewest good points of a recording: a baseline and one line need this many.
pub const MIN_POINTS: usize = 16;
/// Broadest unresolved line that an array spectrometer is taken to have, nm: the cheapest have
/// 0.5 to 3 nm, a wide-open slit gives twice that (common practice, no published source). What is
/// broader is a band.
pub const MAX_LINE_WIDTH_NM: f64 = 7.0;
/// The same on an axis of pixels, as a share of the points.
const MAX_LINE_WIDTH_SHARE: f64 = 1.0 / 40.0;
/// Width in points with which the search starts where no line-like peak tells it.
const DEFAULT_WIDTH_POINTS: f64 = 4.0;
/// Half window of the baseline in line widths: a line is 2.5 widths broad at its foot, the window
/// must pass over it to both sides.
const BASELINE_WINDOW_FWHM: f64 = 2.5;
/// Half window of a fit in line widths: beyond it a Gaussian line is below 0.1 % of its height.
const FIT_WINDOW_FWHM: f64 = 1.6;
/// Lines closer than this, in line widths, are fitted together.
const GROUP_GAP_FWHM: f64 = 2.4;
/// Most lines of one fit: beyond it the cost grows with the cube and the wings no longer matter.
const MAX_GROUP: usize = 8;
/// Closest distance of two components, in line widths: half of what two equal Gaussians need to
/// show a dip is 0.42 (C. Sparrow 1916: 0.849); below 0.5 a pair cannot be told from a line that
/// is a little broader.
const MIN_SEPARATION_FWHM: f64 = 0.5;
/// A line broader than this, in line widths, is tried as two: a pair half a width apart is broader
/// by a fifth.
const SPLIT_FROM: f64 = 1.2;
/// Beyond this, in line widths, it is a hump and no pair of lines.
const SPLIT_TO: f64 = 3.0;
/// Significance of the filter from which the tallest line of a group is there whatever its fit says:
/// several times any threshold.
const BRIGHT_SIGMA: f64 = 20.0;
/// Gain in the information criterion that one more line must bring: "very strong" on the scale of
/// R. Kass and A. Raftery, J. Am. Stat. Assoc. 90 (1995) 773.
const BIC_GAIN: f64 = 10.0;
/// Shares of the Lorentzian that are tried for the line shape.
const ETA_TRIALS: [f64; 6] = [0.0, 0.08, 0.16, 0.26, 0.38, 0.5];
/// Number of brightest isolated lines that settle the line shape.
const SHAPE_LINES: usize = 5;
/// Least departure from the fitted shape that is reckoned with beside a strong line, as a share of the height: plain
/// array spectrometers show some asymmetry (common practice, no published source).
const MIN_SHAPE_MISMATCH: f64 = 0.01;
/// Largest one: beyond a fifth of the height the shape says nothing any more.
const MAX_SHAPE_MISMATCH: f64 = 0.2;
/// Most that unexplained scatter raises the threshold: its figure is a median over all points and
/// counts a crowd of lines as scatter.
const MAX_STRUCTURE: f64 = 2.0;
/// Width below this share of the instrument's is no line: a hot pixel.
const HOT_PIXEL_WIDTH: f64 = 0.5;
/// Instrument widths in points from which a hot pixel can be told from a line.
const HOT_PIXEL_MIN_POINTS: f64 = 2.5;
/// Peaks that stand out from which the others do not tell the width: they may be ripples.
const MIN_STANDING_OUT: usize = 3;
/// Factor by which a line-like peak's width may differ from the instrument's.
const LINE_LIKE_FACTOR: f64 = 1.5;

/// Finds and fits the emission lines of a recording.
///
/// Noise from second differences, baseline by peak clipping, detection by a matched filter whose
/// threshold takes the number of places into account, groups fitted together by Levenberg-Marquardt, further components accepted
/// by the Bayesian information criterion.
///
/// # Errors
/// [`crate::Error::Refused`] where the recording has too few good points or nothing but one value.
pub fn find_peaks(spectrum: &Spectrum, settings: &PeakSettings) -> Result<PeakList> {
    let work = Work::new(spectrum, settings)?;
    Ok(work.run(settings))
}

/// A recording under work, on the grid of its points.
struct Work<'a> {
    x: &'a [f64],
    kind: AxisKind,
    /// Counts with dead points bridged.
    y: Vec<f64>,
    /// Points that may enter a fit.
    usable: Vec<bool>,
    clipped: Vec<bool>,
    step: Vec<f64>,
    noise: noise::Noise,
    saturation: Option<Saturation>,
    notes: Vec<String>,
}

impl<'a> Work<'a> {
    fn new(spectrum: &'a Spectrum, settings: &PeakSettings) -> Result<Self> {
        let n = spectrum.len();
        let mut flagged = spectrum.clone();
        let found = noise::flag_saturation(&mut flagged, settings.full_scale);
        let mask = flagged.mask();
        let good: Vec<bool> =
            mask.iter().map(|m| !m.has(Mask::DEAD) && !m.has(Mask::OUTSIDE)).collect();
        let what = format!("peaks of {}", spectrum.provenance.name);
        let count = good.iter().filter(|g| **g).count();
        if count < MIN_POINTS {
            return Err(Error::refused(
                what,
                format!("only {count} of {n} points hold a reading, {MIN_POINTS} are needed"),
                "export the whole recording",
            ));
        }
        let mut y = spectrum.counts().to_vec();
        bridge(&mut y, &good);
        let first = y[0];
        if y.iter().all(|v| *v == first) {
            return Err(Error::refused(
                what,
                format!("every reading is {first}: no signal, or all of it clipped"),
                "record again with another exposure",
            ));
        }
        let clipped: Vec<bool> = mask.iter().map(|m| m.has(Mask::SATURATED)).collect();
        // A flat top scatters nothing.
        let free: Vec<bool> = good.iter().zip(&clipped).map(|(g, c)| *g && !*c).collect();
        let noise = noise::estimate(&y, &free, spectrum.sigma());
        let mut notes = Vec::new();
        let bumps = width::bumps(&y, &noise).len();
        let alone = spikes::find(&y, &noise.sigma, &good, bumps);
        let mut good = good;
        if !alone.is_empty() {
            alone.iter().for_each(|i| good[*i] = false);
            bridge(&mut y, &good);
            let places: Vec<String> =
                alone.iter().take(5).map(|i| format!("{:.1}", spectrum.x()[*i])).collect();
            notes.push(format!(
                "{} single points that stand alone were left out (hot pixels?), at {}{}",
                alone.len(),
                places.join(", "),
                if alone.len() > places.len() { " …" } else { "" }
            ));
        }
        let usable: Vec<bool> = good.iter().zip(&clipped).map(|(g, c)| *g && !*c).collect();
        if noise.floored {
            notes.push(
                "hardly any scatter in this recording (smoothed or flattened?): the step of a \
                 16-bit converter stands in for the noise"
                    .into(),
            );
        }
        let saturation = found.map(|(level, points)| Saturation {
            level,
            points,
            given: settings.full_scale.is_some(),
        });
        if let Some(s) = saturation {
            notes.push(format!(
                "{} points at or above {:.6} are taken as clipped ({})",
                s.points,
                s.level,
                if s.given { "full scale as given" } else { "guessed from flat tops" }
            ));
        }
        let x = spectrum.x();
        let step = (0..n).map(|i| spectrum.axis().step(i)).collect();
        Ok(Work {
            x,
            kind: spectrum.axis().kind(),
            y,
            usable,
            clipped,
            step,
            noise,
            saturation,
            notes,
        })
    }

    fn index_of(&self, x: f64) -> usize {
        let k = self.x.partition_point(|v| *v < x);
        if k == 0 {
            0
        } else if k >= self.x.len() || x - self.x[k - 1] < self.x[k] - x {
            k - 1
        } else {
            k
        }
    }

    fn run(self, settings: &PeakSettings) -> PeakList {
        let n = self.x.len();
        let median_step = median(&mut self.step.clone());
        let max_points = match self.kind {
            AxisKind::Nm => MAX_LINE_WIDTH_NM / median_step,
            AxisKind::Pixel => (n as f64 * MAX_LINE_WIDTH_SHARE).max(6.0),
        };
        let bumps = width::bumps(&self.y, &self.noise);
        let estimated = width::instrument_width(&bumps, &self.clipped, max_points);
        let width_points = match settings.line_width {
            Some(w) => {
                median(&mut (0..n).map(|i| w.fwhm(self.x[i]) / self.step[i]).collect::<Vec<_>>())
            }
            None => estimated.unwrap_or(DEFAULT_WIDTH_POINTS),
        }
        .max(1.2);
        // Width in axis units for fits: given, or the same number of points everywhere.
        let fwhm_at = |i: usize| match settings.line_width {
            Some(w) => w.fwhm(self.x[i]).max(0.5 * self.step[i]),
            None => width_points * median_step.max(0.2 * self.step[i]),
        };
        let longest = longest_run(&self.clipped);
        let half_window = (BASELINE_WINDOW_FWHM * width_points).round() as usize + 1 + longest;
        let base = baseline::clip(&self.y, &self.noise.sigma, half_window);
        let r: Vec<f64> = self.y.iter().zip(&base).map(|(y, b)| y - b).collect();
        let sigma: Vec<f64> = self
            .noise
            .sigma
            .iter()
            .zip(&r)
            .map(|(s, r)| (s * s + self.noise.counts_per_electron * r.max(0.0)).sqrt())
            .collect();
        let filtered = filter::matched(&r, &sigma, width_points);
        let structure = structure(&filtered);
        let places = n as f64 / width_points;
        let z = threshold(structure, places, settings.false_peaks);
        let seeds = self.seeds(&filtered, &bumps, &r, z, width_points, &fwhm_at);
        let (mut fits, eta, mismatch) = self.fit_all(&r, &sigma, seeds, &fwhm_at);
        // What the fits leave over: search again with the shape's own error allowed for.
        let model = self.model(&fits, eta);
        let doubt = 2.0 * mismatch.max(MIN_SHAPE_MISMATCH);
        let wary: Vec<f64> = sigma
            .iter()
            .zip(neighbourhood_max(&model, width_points))
            .map(|(s, near)| (s.powi(2) + (doubt * near).powi(2)).sqrt())
            .collect();
        let rest: Vec<f64> =
            (0..n).map(|i| if self.clipped[i] { 0.0 } else { r[i] - model[i] }).collect();
        let second = filter::matched(&rest, &wary, width_points);
        self.add_components(&mut fits, &second, z, &r, &sigma, mismatch, eta, &fwhm_at);
        let threshold = second.sigma.iter().map(|s| s * z).collect();
        self.finish(
            settings, fits, eta, mismatch, base, sigma, threshold, z, structure, &filtered,
            &fwhm_at,
        )
    }

    /// Start values: maxima of the matched filter, resolved bumps that it merges, clipped runs.
    fn seeds(
        &self,
        filtered: &filter::Filtered,
        bumps: &[width::Bump],
        r: &[f64],
        z: f64,
        width_points: f64,
        fwhm_at: &impl Fn(usize) -> f64,
    ) -> Vec<Component> {
        let n = r.len();
        let mut at: Vec<usize> = (1..n.saturating_sub(1))
            .filter(|i| {
                let h = &filtered.height;
                filtered.significance(*i) > z && h[*i] > h[i - 1] && h[*i] >= h[i + 1]
            })
            .collect();
        for b in bumps {
            let near = at.iter().any(|a| a.abs_diff(b.at) as f64 <= 0.6 * width_points);
            let visible = filtered.significance(b.at) > 0.5 * z && r[b.at] > 0.3 * b.prominence;
            if !near && visible && b.width_points > HOT_PIXEL_WIDTH * width_points {
                at.push(b.at);
            }
        }
        // One seed for each clipped run, in its middle.
        let mut runs = Vec::new();
        let mut i = 0;
        while i < n {
            if self.clipped[i] {
                let start = i;
                while i < n && self.clipped[i] {
                    i += 1;
                }
                runs.push((start, i - 1));
            } else {
                i += 1;
            }
        }
        let pad = (0.5 * width_points) as usize;
        at.retain(|a| !runs.iter().any(|(s, e)| *a + pad >= *s && *a <= *e + pad));
        at.extend(runs.iter().map(|(s, e)| (s + e) / 2));
        at.sort_unstable();
        at.dedup();
        at.into_iter()
            .map(|i| {
                let height = r[i].max(filtered.height[i]).max(f64::MIN_POSITIVE);
                let lift = if self.clipped[i] { 1.5 } else { 1.0 };
                let run = runs.iter().find(|(s, e)| (*s..=*e).contains(&i));
                let centre = run.map_or(self.x[i], |(s, e)| 0.5 * (self.x[*s] + self.x[*e]));
                Component { centre, height: lift * height, fwhm: fwhm_at(i) }
            })
            .collect()
    }

    /// Splits seeds into groups, settles the line shape on isolated bright lines, fits all.
    fn fit_all(
        &self,
        r: &[f64],
        sigma: &[f64],
        seeds: Vec<Component>,
        fwhm_at: &impl Fn(usize) -> f64,
    ) -> (Vec<Fitted>, f64, f64) {
        let groups = group(seeds, |c| fwhm_at(self.index_of(c.centre)));
        let (eta, mismatch) = self.line_shape(&groups, r, sigma, fwhm_at);
        let wide: Vec<f64> =
            sigma.iter().zip(r).map(|(s, r)| (s * s + (mismatch * r).powi(2)).sqrt()).collect();
        let mut fits: Vec<Fitted> =
            groups.into_iter().map(|components| Fitted { components, fit: None }).collect();
        let mut order: Vec<usize> = (0..fits.len()).collect();
        order.sort_by(|a, b| tallest(&fits[*b]).total_cmp(&tallest(&fits[*a])));
        for k in order {
            self.refit(&mut fits, k, r, &wide, eta, fwhm_at);
        }
        (fits, eta, mismatch)
    }

    /// Fits group `k` on what the other groups leave.
    fn refit(
        &self,
        fits: &mut [Fitted],
        k: usize,
        r: &[f64],
        sigma: &[f64],
        eta: f64,
        fwhm_at: &impl Fn(usize) -> f64,
    ) {
        let components = fits[k].components.clone();
        let (Some(first), Some(last)) = (components.first(), components.last()) else { return };
        let reach = |c: &Component| 25.0 * c.fwhm;
        let others: Vec<Component> = fits
            .iter()
            .enumerate()
            .filter(|(j, _)| *j != k)
            .flat_map(|(_, f)| f.components.iter().copied())
            .filter(|c| c.centre > first.centre - reach(c) && c.centre < last.centre + reach(c))
            .collect();
        let fit = self.fit_components(&components, &others, r, sigma, eta, fwhm_at);
        if let Some(f) = fit {
            let sane =
                f.components.iter().zip(&components).all(|(a, b)| {
                    (a.centre - b.centre).abs() < 1.5 * b.fwhm && a.height.is_finite()
                });
            if sane {
                fits[k].components = f.components.clone();
                fits[k].fit = Some(f);
            }
        }
    }

    fn fit_components(
        &self,
        components: &[Component],
        others: &[Component],
        r: &[f64],
        sigma: &[f64],
        eta: f64,
        fwhm_at: &impl Fn(usize) -> f64,
    ) -> Option<GroupFit> {
        let expected: Vec<f64> =
            components.iter().map(|c| fwhm_at(self.index_of(c.centre))).collect();
        let (mut lo, mut hi) = (usize::MAX, 0);
        for (c, w) in components.iter().zip(&expected) {
            let i = self.index_of(c.centre);
            // A clipped run hides the top: the flanks beyond it are what is left to fit.
            let (mut a, mut b) = (i, i);
            while a > 0 && self.clipped[a] {
                a -= 1;
            }
            while b + 1 < self.x.len() && self.clipped[b] {
                b += 1;
            }
            let reach = FIT_WINDOW_FWHM * c.fwhm.clamp(*w, SPLIT_TO * w);
            let from = self.x.partition_point(|v| *v < self.x[a] - reach);
            let to = self.x.partition_point(|v| *v <= self.x[b] + reach);
            lo = lo.min(from).min(a.saturating_sub(3));
            hi = hi.max(to).max((b + 4).min(self.x.len()));
        }
        let inside: Vec<usize> = (lo..hi).filter(|i| self.usable[*i]).collect();
        if inside.len() < 4 {
            return None;
        }
        let x: Vec<f64> = inside.iter().map(|i| self.x[*i]).collect();
        let y = inside
            .iter()
            .map(|i| r[*i] - others.iter().map(|c| c.at(self.x[*i], eta)).sum::<f64>())
            .collect();
        let sigma = inside.iter().map(|i| sigma[*i]).collect();
        fit_group(&Group { x, y, sigma, expected_fwhm: expected, eta, start: components })
    }

    /// Share of the Lorentzian and departure from the shape, from the brightest isolated lines.
    fn line_shape(
        &self,
        groups: &[Vec<Component>],
        r: &[f64],
        sigma: &[f64],
        fwhm_at: &impl Fn(usize) -> f64,
    ) -> (f64, f64) {
        let mut lone: Vec<&Component> = groups
            .iter()
            .filter(|g| g.len() == 1)
            .map(|g| &g[0])
            .filter(|c| {
                let i = self.index_of(c.centre);
                !self.clipped[i] && c.height > 30.0 * sigma[i]
            })
            .collect();
        lone.sort_by(|a, b| b.height.total_cmp(&a.height));
        // Unresolved blends say nothing of the shape.
        let mut found = 0;
        lone.retain(|c| {
            let w = fwhm_at(self.index_of(c.centre));
            let narrow = found < SHAPE_LINES
                && self
                    .fit_components(std::slice::from_ref(*c), &[], r, sigma, 0.0, fwhm_at)
                    .is_some_and(|f| f.components[0].fwhm < SPLIT_FROM * w);
            found += usize::from(narrow);
            narrow
        });
        if lone.is_empty() {
            return (0.0, 0.0);
        }
        let mut best = (f64::INFINITY, 0.0, Vec::new());
        for eta in ETA_TRIALS {
            let mut total = 0.0;
            let mut misfit = Vec::new();
            for c in &lone {
                let Some(f) =
                    self.fit_components(std::slice::from_ref(*c), &[], r, sigma, eta, fwhm_at)
                else {
                    continue;
                };
                // Relative to the height, so that each line counts alike.
                let (dof, h) = ((f.points as f64 - 4.0).max(1.0), f.components[0].height);
                let i = self.index_of(c.centre);
                let excess = ((f.chi2 / dof - 1.0).max(0.0)).sqrt() * sigma[i] / h.abs();
                total += (f.chi2 / dof).max(1.0).ln();
                misfit.push(excess);
            }
            if total < best.0 && !misfit.is_empty() {
                best = (total, eta, misfit);
            }
        }
        // The lower quartile: some of the "isolated" lines are unresolved blends.
        let mut m = best.2;
        m.sort_by(f64::total_cmp);
        let mismatch = m.get((m.len().saturating_sub(1)) / 4).copied().unwrap_or(0.0);
        (best.1, mismatch.min(MAX_SHAPE_MISMATCH))
    }

    fn model(&self, fits: &[Fitted], eta: f64) -> Vec<f64> {
        let mut m = vec![0.0; self.x.len()];
        for f in fits {
            for c in &f.components {
                let reach = 12.0 * c.fwhm;
                let from = self.x.partition_point(|v| *v < c.centre - reach);
                for (m, x) in m[from..].iter_mut().zip(&self.x[from..]) {
                    if *x > c.centre + reach {
                        break;
                    }
                    *m += c.at(*x, eta);
                }
            }
        }
        m
    }

    /// Adds lines that the first round merged, where the information criterion asks for them.
    #[allow(clippy::too_many_arguments)]
    fn add_components(
        &self,
        fits: &mut Vec<Fitted>,
        rest: &filter::Filtered,
        z: f64,
        r: &[f64],
        sigma: &[f64],
        mismatch: f64,
        eta: f64,
        fwhm_at: &impl Fn(usize) -> f64,
    ) {
        let m = mismatch.max(MIN_SHAPE_MISMATCH);
        let wide: Vec<f64> =
            sigma.iter().zip(r).map(|(s, r)| (s * s + (m * r).powi(2)).sqrt()).collect();
        // Lines that came out too broad may be two.
        for k in 0..fits.len() {
            let mut j = 0;
            while j < fits[k].components.len() {
                let c = fits[k].components[j];
                let w = fwhm_at(self.index_of(c.centre));
                let sure =
                    fits[k].fit.is_some() && c.height > 10.0 * sigma[self.index_of(c.centre)];
                if sure
                    && c.fwhm > SPLIT_FROM * w
                    && c.fwhm < SPLIT_TO * w
                    && fits[k].components.len() < MAX_GROUP
                {
                    let d = 0.4 * (c.fwhm * c.fwhm - w * w).sqrt().max(w);
                    let pair = [-d, d].map(|d| Component {
                        centre: c.centre + d,
                        height: 0.6 * c.height,
                        fwhm: w,
                    });
                    let mut trial = fits[k].components.clone();
                    trial.splice(j..=j, pair);
                    if self.try_components(fits, k, trial, r, &wide, eta, fwhm_at) {
                        j += 1;
                    }
                }
                j += 1;
            }
        }
        let h = &rest.height;
        let mut at: Vec<usize> = (1..h.len().saturating_sub(1))
            .filter(|i| rest.significance(*i) > z && h[*i] > h[i - 1] && h[*i] >= h[i + 1])
            .collect();
        at.sort_by(|a, b| rest.significance(*b).total_cmp(&rest.significance(*a)));
        for i in at {
            let w = fwhm_at(i);
            let new = Component { centre: self.x[i], height: h[i], fwhm: w };
            let near = |f: &Fitted| {
                f.components.iter().map(|c| (c.centre - new.centre).abs()).fold(f64::MAX, f64::min)
            };
            let Some(k) =
                (0..fits.len()).min_by(|a, b| near(&fits[*a]).total_cmp(&near(&fits[*b])))
            else {
                break;
            };
            let distance = near(&fits[k]);
            if distance > GROUP_GAP_FWHM * w || fits[k].components.len() >= MAX_GROUP {
                fits.push(Fitted { components: vec![new], fit: None });
                let last = fits.len() - 1;
                self.refit(fits, last, r, &wide, eta, fwhm_at);
                continue;
            }
            if distance < MIN_SEPARATION_FWHM * w {
                continue;
            }
            // The merged line had grown broad: start again from the instrument's width.
            let mut trial = fits[k].components.clone();
            trial.push(new);
            for c in &mut trial {
                c.fwhm = fwhm_at(self.index_of(c.centre));
            }
            self.try_components(fits, k, trial, r, &wide, eta, fwhm_at);
        }
    }

    /// Takes `trial` for group `k` if the information criterion asks for it and every component
    /// stands on its own; says whether it did.
    #[allow(clippy::too_many_arguments)]
    fn try_components(
        &self,
        fits: &mut [Fitted],
        k: usize,
        mut trial: Vec<Component>,
        r: &[f64],
        sigma: &[f64],
        eta: f64,
        fwhm_at: &impl Fn(usize) -> f64,
    ) -> bool {
        trial.sort_by(|a, b| a.centre.total_cmp(&b.centre));
        // Both sides of the comparison with the same uncertainties.
        self.refit(fits, k, r, sigma, eta, fwhm_at);
        let old = fits[k].clone();
        let Some(bic) = old.fit.as_ref().map(GroupFit::bic) else { return false };
        fits[k] = Fitted { components: trial, fit: None };
        self.refit(fits, k, r, sigma, eta, fwhm_at);
        let keep = fits[k].fit.as_ref().is_some_and(|f| {
            let apart = f.components.windows(2).all(|p| {
                let w = fwhm_at(self.index_of(p[0].centre));
                p[1].centre - p[0].centre > MIN_SEPARATION_FWHM * w
            });
            let solid = f.components.iter().zip(&f.u).all(|(c, u)| c.height > 3.0 * u[1]);
            apart && solid && f.bic() + BIC_GAIN < bic
        });
        if !keep {
            fits[k] = old;
        }
        keep
    }

    #[allow(clippy::too_many_arguments)]
    fn finish(
        &self,
        settings: &PeakSettings,
        fits: Vec<Fitted>,
        eta: f64,
        mismatch: f64,
        base: Vec<f64>,
        sigma: Vec<f64>,
        threshold: Vec<f64>,
        z: f64,
        structure: f64,
        filtered: &filter::Filtered,
        fwhm_at: &impl Fn(usize) -> f64,
    ) -> PeakList {
        let mut peaks: Vec<Peak> = Vec::new();
        let mut hot = 0;
        let darkest = base.iter().copied().fold(f64::INFINITY, f64::min);
        for (g, f) in fits.iter().enumerate() {
            let Some(fit) = &f.fit else { continue };
            let tallest = fit.components.iter().map(|c| c.height).fold(0.0, f64::max);
            for (c, u) in fit.components.iter().zip(&fit.u) {
                let i = self.index_of(c.centre);
                let (lo, hi) = (self.x[0], self.x[self.x.len() - 1]);
                let expected = fwhm_at(i);
                let clipped = self.clipped[i]
                    || (c.centre - 0.5 * c.fwhm..=c.centre + 0.5 * c.fwhm)
                        .contains(&self.nearest_clipped(c.centre));
                if c.centre < lo || c.centre > hi || c.height.is_nan() || c.height <= 0.0 {
                    continue;
                }
                let points = expected / self.step[i];
                if c.fwhm < HOT_PIXEL_WIDTH * expected
                    && points >= HOT_PIXEL_MIN_POINTS
                    && !clipped
                    && c.fwhm < 1.3 * self.step[i]
                {
                    hot += 1;
                    continue;
                }
                let significance = if clipped {
                    filtered.significance(i).abs()
                } else {
                    // The smaller of filter and fit: in a blend the fit knows better. Not of a bright
                    // line: where it is not quite of the shape fitted its height is uncertain, yet
                    // nobody can doubt that it is there.
                    let fitted = c.height / u[1].max(f64::MIN_POSITIVE);
                    let filter = c.height / filtered.sigma[i];
                    let bright = c.height >= tallest && filter > BRIGHT_SIGMA;
                    if bright { filter } else { filter.min(fitted) }
                };
                if significance < 3.0 && !clipped {
                    continue;
                }
                let ln_u = u[2] / c.fwhm;
                let ratio = (c.fwhm / expected).ln().abs();
                peaks.push(Peak {
                    centre: Measured::new(c.centre, u[0]),
                    height: (!clipped).then(|| Measured::new(c.height, u[1])),
                    fwhm: Measured::new(c.fwhm, u[2]),
                    area: (!clipped)
                        .then(|| Measured::new(unit_area(eta) * c.height * c.fwhm, u[3])),
                    significance,
                    group: g,
                    group_size: fit.components.len(),
                    clipped,
                    line_like: ratio < LINE_LIKE_FACTOR.ln().max(2.0 * ln_u),
                    share_of_level: c.height / (c.height + base[i] - darkest),
                });
            }
        }
        peaks.sort_by(|a, b| a.centre.value.total_cmp(&b.centre.value));
        let mut notes = self.notes.clone();
        if hot > 0 {
            notes.push(format!(
                "{hot} spike(s) narrower than a line of this instrument left out (hot pixels)"
            ));
        }
        let line_width = match settings.line_width {
            Some(w) => Some(w),
            None => estimate_line_width(&mut peaks),
        };
        PeakList {
            axis: self.kind,
            peaks,
            line_width,
            baseline: base,
            sigma,
            threshold,
            threshold_sigma: z,
            structure,
            saturation: self.saturation,
            lorentzian_share: eta,
            shape_mismatch: mismatch,
            notes,
        }
    }

    fn nearest_clipped(&self, x: f64) -> f64 {
        let i = self.index_of(x);
        let n = self.x.len();
        (0..=3)
            .flat_map(|d| [i.checked_sub(d), Some(i + d)])
            .flatten()
            .find(|j| *j < n && self.clipped[*j])
            .map_or(f64::INFINITY, |j| self.x[j])
    }
}

#[derive(Clone)]
struct Fitted {
    components: Vec<Component>,
    fit: Option<GroupFit>,
}

fn tallest(f: &Fitted) -> f64 {
    f.components.iter().map(|c| c.height).fold(0.0, f64::max)
}

/// Splits lines into groups at gaps of [`GROUP_GAP_FWHM`], and groups that are too long at their
/// widest gaps.
fn group(mut seeds: Vec<Component>, fwhm: impl Fn(&Component) -> f64) -> Vec<Vec<Component>> {
    seeds.sort_by(|a, b| a.centre.total_cmp(&b.centre));
    let mut out: Vec<Vec<Component>> = Vec::new();
    for c in seeds {
        let join = out
            .last()
            .and_then(|g| g.last())
            .is_some_and(|l| c.centre - l.centre < GROUP_GAP_FWHM * fwhm(&c));
        match out.last_mut() {
            Some(g) if join => g.push(c),
            _ => out.push(vec![c]),
        }
    }
    let mut done = Vec::new();
    while let Some(g) = out.pop() {
        if g.len() <= MAX_GROUP {
            done.push(g);
            continue;
        }
        let cut = (1..g.len())
            .max_by(|a, b| {
                (g[*a].centre - g[a - 1].centre).total_cmp(&(g[*b].centre - g[b - 1].centre))
            })
            .unwrap_or(1);
        out.push(g[cut..].to_vec());
        out.push(g[..cut].to_vec());
    }
    done
}

/// Line width along the axis from line-like peaks: median, and a slope where enough of the axis
/// is covered.
fn estimate_line_width(peaks: &mut [Peak]) -> Option<LineWidth> {
    let pick = |p: &&Peak| p.line_like && !p.clipped && p.significance > 10.0;
    let mut c: Vec<&Peak> = peaks.iter().filter(pick).collect();
    if c.iter().filter(|p| p.stands_out()).count() >= MIN_STANDING_OUT {
        c.retain(|p| p.stands_out());
    }
    if c.is_empty() {
        c = peaks.iter().filter(|p| p.line_like && !p.clipped).collect();
    }
    if c.is_empty() {
        return None;
    }
    let mut w: Vec<f64> = c.iter().map(|p| p.fwhm.value).collect();
    let mut at: Vec<f64> = c.iter().map(|p| p.centre.value).collect();
    let value = median(&mut w);
    let mid = median(&mut at);
    let mut d: Vec<f64> = w.iter().map(|v| (v - value).abs()).collect();
    let spread = if w.len() >= 3 {
        1.4826 * median(&mut d) / (w.len() as f64).sqrt()
    } else {
        c.iter().map(|p| p.fwhm.u).fold(0.0, f64::max)
    };
    let mut slopes = Vec::new();
    if c.len() >= 6 {
        let span = c[c.len() - 1].centre.value - c[0].centre.value;
        for i in 0..c.len() {
            for j in 0..i {
                let dx = c[i].centre.value - c[j].centre.value;
                if dx > 0.3 * span {
                    slopes.push((c[i].fwhm.value - c[j].fwhm.value) / dx);
                }
            }
        }
    }
    let slope = if slopes.len() >= 10 { median(&mut slopes) } else { 0.0 };
    Some(LineWidth { value, slope, at: mid, u: spread.max(1e-3 * value) })
}

/// Scatter of the filter's output over what the noise explains, from a low quantile: 1 for noise,
/// more for a continuum with structure of its own.
fn structure(f: &filter::Filtered) -> f64 {
    let mut s: Vec<f64> = (0..f.height.len()).map(|i| f.significance(i).abs()).collect();
    let k = s.len() / 2;
    let (_, q, _) = s.select_nth_unstable_by(k, f64::total_cmp);
    // Median of |N(0,1)|.
    (*q / 0.674_489_75).max(1.0)
}

/// Significance from which a maximum counts as a line: the expected number of false ones is
/// `false_peaks` over `places` independent places (Bonferroni), raised by scatter that the noise
/// does not explain.
fn threshold(structure: f64, places: f64, false_peaks: f64) -> f64 {
    let p = (false_peaks / places.max(1.0)).clamp(1e-15, 0.4);
    Normal::standard().inverse_cdf(1.0 - p) * structure.min(MAX_STRUCTURE)
}

/// The largest value, or 0, within a line width to each side of every point.
fn neighbourhood_max(m: &[f64], width_points: f64) -> Vec<f64> {
    let reach = (width_points.ceil() as usize).min(m.len().saturating_sub(1));
    let mut out: Vec<f64> = m.iter().map(|v| v.max(0.0)).collect();
    // Distance by distance over the whole recording: faster than point by point (`cargo bench`).
    for d in 1..=reach {
        for (o, v) in out[d..].iter_mut().zip(m) {
            *o = o.max(*v);
        }
        for (o, v) in out.iter_mut().zip(&m[d..]) {
            *o = o.max(*v);
        }
    }
    out
}

fn longest_run(flags: &[bool]) -> usize {
    let (mut best, mut run) = (0, 0);
    for f in flags {
        run = if *f { run + 1 } else { 0 };
        best = best.max(run);
    }
    best
}

/// Bridges points without a reading by a straight line between their good neighbours.
fn bridge(y: &mut [f64], good: &[bool]) {
    let n = y.len();
    let mut last: Option<usize> = None;
    let mut i = 0;
    while i < n {
        if good[i] {
            last = Some(i);
            i += 1;
            continue;
        }
        let next = (i..n).find(|j| good[*j]);
        let end = next.unwrap_or(n);
        for k in i..end {
            y[k] = match (last, next) {
                (Some(a), Some(b)) => y[a] + (y[b] - y[a]) * (k - a) as f64 / (b - a) as f64,
                (Some(a), None) => y[a],
                (None, Some(b)) => y[b],
                (None, None) => 0.0,
            };
        }
        i = end;
    }
}

/// Median (upper of the two middle values for an even number); 0 for an empty slice.
pub(crate) fn median(v: &mut [f64]) -> f64 {
    if v.is_empty() {
        return 0.0;
    }
    let k = v.len() / 2;
    let (_, m, _) = v.select_nth_unstable_by(k, f64::total_cmp);
    *m
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;
    use rand::{SeedableRng, rngs::ChaCha8Rng};
    use rand_distr::{Distribution, Normal as Gauss};

    fn tube(n: usize, step: f64, lines: &[(f64, f64, f64)], noise: f64, seed: u64) -> Spectrum {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let d = Gauss::new(0.0, noise).unwrap();
        let x: Vec<f64> = (0..n).map(|i| 300.0 + step * i as f64).collect();
        let y = x
            .iter()
            .map(|x| {
                let l: f64 = lines
                    .iter()
                    .map(|(c, h, w)| {
                        h * (-4.0 * std::f64::consts::LN_2 * ((x - c) / w).powi(2)).exp()
                    })
                    .sum();
                100.0 + l + d.sample(&mut rng)
            })
            .collect();
        Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), y).unwrap()
    }

    #[test]
    fn places_heights_and_widths_come_back_within_their_uncertainty() {
        let lines: Vec<(f64, f64, f64)> =
            (0..12).map(|k| (320.0 + 21.37 * k as f64, 1000.0 + 50.0 * k as f64, 1.5)).collect();
        let (mut pulls, mut n) = (0.0, 0);
        for seed in 0..10 {
            let s = tube(1000, 0.3, &lines, 10.0, seed);
            let p = find_peaks(&s, &PeakSettings::default()).unwrap();
            assert_eq!(p.peaks.len(), lines.len(), "seed {seed}");
            for (peak, (c, h, w)) in p.peaks.iter().zip(&lines) {
                pulls += ((peak.centre.value - c) / peak.centre.u).powi(2);
                n += 1;
                let height = peak.height.unwrap();
                assert!((height.value - h).abs() < 6.0 * height.u + 0.02 * h);
                assert!((peak.fwhm.value - w).abs() < 5.0 * peak.fwhm.u);
            }
        }
        let rms = (pulls / n as f64).sqrt();
        assert!((0.6..1.3).contains(&rms), "rms pull {rms}");
    }

    #[test]
    fn noise_alone_gives_hardly_any_peak() {
        let found: usize = (0..40)
            .map(|seed| {
                let s = tube(2048, 0.4, &[], 5.0, 100 + seed);
                find_peaks(&s, &PeakSettings::default()).unwrap().peaks.len()
            })
            .sum();
        // 0.05 expected a recording with the noise known; it is estimated here.
        assert!(found <= 12, "{found} false peaks in 40 recordings");
    }

    #[test]
    fn a_blend_is_split_and_a_single_line_is_not() {
        let s = tube(
            600,
            0.3,
            &[(350.0, 1000.0, 1.5), (351.6, 600.0, 1.5), (400.0, 800.0, 1.5)],
            4.0,
            7,
        );
        let p = find_peaks(&s, &PeakSettings::default()).unwrap();
        let at: Vec<f64> = p.peaks.iter().map(|p| p.centre.value).collect();
        assert_eq!(at.len(), 3, "{:?} {:?} {:?}", p.peaks, p.notes, p.line_width);
        assert!((at[0] - 350.0).abs() < 0.05 && (at[1] - 351.6).abs() < 0.08);
        assert_eq!(p.peaks[0].group, p.peaks[1].group);
    }

    #[test]
    fn a_clipped_line_has_a_place_and_no_height() {
        let mut s = tube(600, 0.3, &[(350.13, 9000.0, 2.0), (420.0, 800.0, 2.0)], 4.0, 9);
        let y: Vec<f64> = s.counts().iter().map(|v| v.min(3000.0)).collect();
        s = Spectrum::new(s.axis().clone(), y).unwrap();
        let p = find_peaks(&s, &PeakSettings::default()).unwrap();
        assert!(p.saturation.is_some());
        let c = &p.peaks[0];
        assert!(c.clipped && c.height.is_none() && c.area.is_none());
        assert!((c.centre.value - 350.13).abs() < 0.05, "{:?}", c.centre);
    }

    #[test]
    fn too_few_points_and_a_constant_are_refused() {
        let s = Spectrum::new(Axis::pixels(5), vec![1.0; 5]).unwrap();
        assert!(find_peaks(&s, &PeakSettings::default()).unwrap_err().is_refusal());
        let s = Spectrum::new(Axis::pixels(50), vec![7.0; 50]).unwrap();
        assert!(find_peaks(&s, &PeakSettings::default()).unwrap_err().is_refusal());
    }
}
