//! What the fit of the whole recording says: the light of each gas under the curve, the sum, and what
//! it leaves over.

use super::curve;
use super::frame::Frame;
use super::heights::Heights;
use super::layer::{Layer, Type};
use super::style::Inks;
use super::text::width;
use crate::gases::{GasReport, SpeciesVerdict, Verdict};
use crate::report::format;
use crate::signal::PeakList;
use crate::signal::fit::pseudo_voigt;
use crate::{Mask, Spectrum};

/// Room of the strip with what is left over, px.
pub const STRIP_ROOM: f64 = 74.0;
/// Height of that strip itself, px.
const STRIP_HEIGHT: f64 = 52.0;
/// Lowest plot in px that has the strip.
pub const FROM_HEIGHT: f64 = 440.0;
/// Gases with a tint of their own: as many as are told apart at a glance.
const MOST_TINTS: usize = 6;
/// Share of the light from which on a gas is tinted: less has no area on paper.
const LEAST_SHARE: f64 = 0.002;
/// A tint ends where it is lower than this share of the plot's height: a px or two of a usual one.
const LEAST_HEIGHT: f64 = 0.004;
/// Opacity of a tint.
const TINT: f64 = 0.55;
/// Lines are drawn to this distance, in widths.
const DRAWN_FWHM: f64 = 4.0;
/// Radius of the mark of a line that is missing, px.
const HOLLOW: f64 = 3.6;
/// Size of small print, px.
const SMALL: f64 = 11.0;
/// Tints that people with any colour vision tell apart, in the order in which they are given (M. Okabe
/// and K. Ito, Color Universal Design, 2008), darker first.
pub const TINTS: [&str; MOST_TINTS] =
    ["#d55e00", "#0072b2", "#009e73", "#cc79a7", "#e69f00", "#56b4e9"];

/// The model on the points of a recording, in counts.
#[derive(Debug)]
pub struct Model {
    /// Gases with a tint, most light first, and their light above the baseline.
    gases: Vec<(String, Vec<f64>)>,
    /// All species together, above the baseline.
    total: Vec<f64>,
    /// Lines of gases that are seen or likely that ought to show and do not: place, expected height, what.
    missing: Vec<(f64, f64, String)>,
}

/// The model of a report; `None` where nothing was fitted.
pub fn of(spectrum: &Spectrum, peaks: &PeakList, report: &GasReport) -> Option<Model> {
    let light = |s: &SpeciesVerdict, out: &mut [f64]| {
        let x = spectrum.x();
        let lines = s.light.iter().filter(|l| l.at_nm.is_finite() && l.height.is_finite());
        for line in lines {
            let width = peaks.line_width.map_or(report.fwhm_nm, |w| w.fwhm(line.at_nm));
            let from = x.partition_point(|v| *v < line.at_nm - DRAWN_FWHM * width);
            let to = x.partition_point(|v| *v <= line.at_nm + DRAWN_FWHM * width);
            for i in from..to {
                let off = x[i] - line.at_nm;
                out[i] += line.height * pseudo_voigt(off, width, peaks.lorentzian_share).0;
            }
        }
    };
    let mut total = vec![0.0; spectrum.len()];
    report.species.iter().for_each(|s| light(s, &mut total));
    if !total.iter().any(|t| *t > 0.0) {
        return None;
    }
    let shown = |v: Verdict| matches!(v, Verdict::Seen | Verdict::Likely);
    let mut gases: Vec<_> =
        report.gases.iter().filter(|g| shown(g.verdict) && g.share >= LEAST_SHARE).collect();
    gases.sort_by(|a, b| b.share.total_cmp(&a.share));
    let gases = gases
        .into_iter()
        .take(MOST_TINTS)
        .map(|g| {
            let mut own = vec![0.0; spectrum.len()];
            let of_gas = report.species.iter().filter(|s| s.gas == g.gas);
            of_gas.for_each(|s| light(s, &mut own));
            (g.gas.clone(), own)
        })
        .collect();
    let shift = report.shift_nm.value;
    let missing = report
        .species
        .iter()
        .filter(|s| shown(s.verdict))
        .flat_map(|s| s.lines_missing.iter().map(move |l| (s, l)))
        .map(|(s, l)| {
            let what = format!("{} {} is expected here", s.species, format::nm(l.wavelength_nm));
            (l.wavelength_nm - shift, l.expected, what)
        })
        .collect();
    Some(Model { gases, total, missing })
}

impl Model {
    /// Tint of a gas; `None` for one without.
    pub fn tint(&self, gas: &str) -> Option<&'static str> {
        let k = self.gases.iter().position(|(g, _)| g == gas)?;
        TINTS.get(k).copied()
    }

    /// Gases with a tint, most light first.
    pub fn tints(&self) -> Vec<(String, &'static str)> {
        self.gases.iter().map(|(gas, _)| gas.clone()).zip(TINTS).collect()
    }

    /// True where a hollow mark is drawn.
    pub fn has_missing(&self, low: f64, high: f64) -> bool {
        self.missing.iter().any(|m| (low..=high).contains(&m.0))
    }

    /// Tints and sum under the curve.
    pub fn draw(&self, layer: &mut Layer, on: &Paper<'_>, inks: &Inks) {
        let least = LEAST_HEIGHT * (on.heights.peak - on.heights.foot);
        for (gas, own) in &self.gases {
            let fill = self.tint(gas).unwrap_or(inks.soft);
            layer.open("light", Some(&format!("light of {gas} in the fit of the whole recording")));
            let shapes: Vec<_> = on
                .stretches(|i| own[i] > least)
                .iter()
                .map(|stretch| {
                    let ends = [stretch[stretch.len() - 1], stretch[0]];
                    let mut outline = on.straightened(on.points(stretch, |i| own[i]));
                    outline.extend(on.points(&ends, |_| 0.0));
                    outline
                })
                .collect();
            layer.shapes(&shapes, fill, TINT);
            layer.close();
        }
        layer.open("sum", Some("all species together, in the fit of the whole recording"));
        let lines: Vec<_> = on
            .stretches(|i| self.total[i] > least)
            .iter()
            .map(|stretch| on.straightened(on.points(stretch, |i| self.total[i])))
            .collect();
        layer.lines(&lines, inks.ink_text, 0.8, "2 2");
        layer.close();
    }

    /// Hollow marks of lines that ought to show.
    pub fn draw_missing(&self, layer: &mut Layer, on: &Paper<'_>, inks: &Inks) {
        let x = on.spectrum.x();
        for (at, expected, what) in self.missing.iter().filter(|m| on.shows(m.0)) {
            let i = x.partition_point(|v| v < at).min(x.len() - 1);
            if !on.peaks.baseline[i].is_finite() {
                continue;
            }
            let (px, py) = on.point(i, *expected);
            layer.open("missing", Some(what));
            layer.circle((px, py.max(on.frame.area[1] + HOLLOW)), HOLLOW, "none", inks.alert);
            layer.close();
        }
    }

    /// The strip with what the sum leaves over, from `top` down.
    pub fn draw_left_over(&self, layer: &mut Layer, on: &Paper<'_>, inks: &Inks, top: f64) {
        let s = on.spectrum;
        let usable = |i: usize| {
            s.mask()[i].is_good() && on.peaks.baseline[i].is_finite() && on.shows(s.x()[i])
        };
        let left: Vec<f64> =
            (0..s.len()).map(|i| s.counts()[i] - on.peaks.baseline[i] - self.total[i]).collect();
        let most = (0..s.len()).filter(|i| usable(*i)).map(|i| left[i].abs()).fold(0.0, f64::max);
        if !(most > 0.0 && most.is_finite()) {
            return;
        }
        let [from, _, to, _] = on.frame.area;
        let middle = top + STRIP_HEIGHT / 2.0;
        let y = |v: f64| middle - v / most * (STRIP_HEIGHT / 2.0);
        layer.open("left-over", Some("recording minus baseline minus the sum of all species"));
        let frame =
            [(from, y(most)), (to, y(most)), (to, y(-most)), (from, y(-most)), (from, y(most))];
        layer.line(&frame, inks.leader, 1.0, "");
        layer.line(&[(from, middle), (to, middle)], inks.leader, 1.0, "");
        let lines: Vec<_> = on
            .stretches(usable)
            .iter()
            .map(|stretch| {
                let points = stretch.iter().map(|i| (on.frame.px(s.x()[*i]), y(left[*i])));
                on.straightened(thinned(points.collect()))
            })
            .collect();
        layer.lines(&lines, inks.curve_text, 0.9, "");
        let words = Type::plain(SMALL, inks.soft);
        let right = Type { anchor: "end", ..words };
        for (v, sign) in [(most, ""), (-most, "−")] {
            let text = format!("{sign}{}", format::two_digits(most));
            layer.text(from - 6.0, y(v) + 4.0, 0.0, right, &text);
        }
        layer.text(from - 6.0, middle + 4.0, 0.0, right, "0");
        let title = "left over by the model";
        let at = (to - width(title, SMALL) - 6.0, y(most) + 12.0);
        layer.text_over(at.0, at.1, 0.0, words, inks.paper_text, title);
        layer.close();
    }
}

/// At most the first, lowest, highest and last of the points that share a column of paper.
fn thinned(points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    curve::thinned(&points, |x| (x * 2.0).floor() as i64)
}

/// A recording on paper.
pub struct Paper<'a> {
    /// The recording.
    pub spectrum: &'a Spectrum,
    /// Its peaks and baseline.
    pub peaks: &'a PeakList,
    /// Axes.
    pub frame: &'a Frame,
    /// Counts to heights.
    pub heights: &'a Heights,
    /// Stretch of the axis that is shown.
    pub range: (f64, f64),
    /// How far lines are straightened, px.
    pub tolerance: f64,
}

impl Paper<'_> {
    fn shows(&self, x: f64) -> bool {
        (self.range.0..=self.range.1).contains(&x)
    }

    /// Place of `above` counts above the baseline at point `i`, px.
    fn point(&self, i: usize, above: f64) -> (f64, f64) {
        let counts = (self.peaks.baseline[i] + above).min(self.heights.peak);
        (self.frame.px(self.spectrum.x()[i]), self.frame.py(self.heights.of(counts)))
    }

    fn points(&self, of: &[usize], above: impl Fn(usize) -> f64) -> Vec<(f64, f64)> {
        of.iter().map(|i| self.point(*i, above(*i))).collect()
    }

    fn straightened(&self, points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
        curve::needed(&points, self.tolerance).into_iter().map(|i| points[i]).collect()
    }

    /// Runs of at least two points that `keep` lets through, none across dead points.
    fn stretches(&self, keep: impl Fn(usize) -> bool) -> Vec<Vec<usize>> {
        let s = self.spectrum;
        let there = |i: usize| !s.mask()[i].has(Mask::DEAD) && self.peaks.baseline[i].is_finite();
        let kept = |i: &usize| there(*i) && self.shows(s.x()[*i]) && keep(*i);
        let all: Vec<usize> = (0..s.len()).filter(kept).collect();
        all.chunk_by(|a, b| a + 1 == *b).filter(|c| c.len() > 1).map(<[usize]>::to_vec).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::made_up::{NEON, list, recording, report};
    use crate::report::svg::{PlotStyle, spectrum_plot};

    #[test]
    fn the_sum_is_that_of_the_lines_and_gases_keep_their_tints() {
        let s = recording(crate::AxisKind::Nm, 380.0, 1000.0, 2048, &NEON);
        let l = list(&s, &NEON);
        let r = report(&l);
        let m = of(&s, &l, &r).unwrap();
        // Far from its neighbours a line of the sum is as high as the report has it.
        let alone = r.species[0].light.iter().find(|a| {
            let others = r.species[0].light.iter().filter(|b| b.at_nm != a.at_nm);
            others.map(|b| (b.at_nm - a.at_nm).abs()).fold(f64::INFINITY, f64::min) > 8.0
        });
        let alone = alone.unwrap();
        let i = s.axis().index_of(alone.at_nm).round() as usize;
        assert!((m.total[i] / alone.height - 1.0).abs() < 0.1, "{} {}", m.total[i], alone.height);
        assert_eq!(
            (m.tint("Ne"), m.tint("Hg"), m.tint("H")),
            (Some(TINTS[0]), Some(TINTS[1]), None)
        );
        let nothing = list(&s, &[]);
        assert!(of(&s, &nothing, &report(&nothing)).is_none());
    }

    /// Contrast by WCAG 2.2: relative luminance of sRGB colours.
    #[test]
    fn tints_stand_out_on_either_paper() {
        let light = |hex: &str| {
            let part = |k: usize| {
                let c = f64::from(u8::from_str_radix(&hex[k..k + 2], 16).unwrap()) / 255.0;
                if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
        };
        for paper in [crate::report::svg::Theme::Light, crate::report::svg::Theme::Dark] {
            let paper = light(paper.inks().paper_text);
            for tint in TINTS.map(light) {
                let contrast = (paper.max(tint) + 0.05) / (paper.min(tint) + 0.05);
                assert!(contrast > 2.0, "{contrast}");
            }
        }
    }

    #[test]
    fn tints_sum_missing_lines_and_what_is_left_are_drawn() {
        let s = recording(crate::AxisKind::Nm, 380.0, 1000.0, 2048, &NEON);
        let l = list(&s, &NEON);
        let mut r = report(&l);
        let line = r.species[0].lines_for[0].clone();
        r.species[0].lines_missing.push(crate::gases::LineEvidence { peak: None, ..line });
        let svg = spectrum_plot(&s, &l, Some(&r), &PlotStyle::default()).unwrap();
        for part in ["class=\"light\"", "class=\"sum\"", "class=\"missing\"", "class=\"left-over\""]
        {
            assert_eq!(
                svg.matches(part).count(),
                if part.contains("light") { 2 } else { 1 },
                "{part}"
            );
        }
        assert!(svg.contains("expected and missing") && svg.contains("left over by the model"));
        let none = spectrum_plot(&s, &l, None, &PlotStyle::default()).unwrap();
        assert!(!none.contains("class=\"sum\"") && !none.contains("left-over"));
    }
}
