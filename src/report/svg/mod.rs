//! Plots: the annotated spectrum and the calibration of an axis.
//!
//! The plotting library draws axes and curve; labels with leader lines, markers,
//! the list of verdicts and what a screen reader needs are added as a layer of our own. Layout
//! rests on a table of letter widths, never on installed fonts, so the same input gives the same
//! bytes everywhere.

mod calibration;
mod colours;
mod curve;
mod errors;
mod frame;
mod labels;
mod lamp;
mod layer;
mod marks;
mod panel;
mod source;
mod style;
mod text;
mod verification;

#[cfg(test)]
mod tests;

pub(super) use colours::of_wavelength;
pub(super) use text::{FAMILY, escaped};

pub use calibration::calibration_plot;
pub use lamp::lamp_plot;
pub use source::source_plot;
pub use style::{PlotStyle, Scale, Theme};
pub use verification::verification_plot;

use crate::gases::GasReport;
use crate::report::format;
use crate::signal::PeakList;
use crate::{AxisKind, Result, Spectrum};
use frame::{AxisSpec, Frame, FrameSpec, round_steps};
use layer::{Layer, Type, number};
use style::Inks;

/// Size of the title, px.
const TITLE_SIZE: f64 = 17.0;
/// Smallest print, px.
const SMALL: f64 = 11.0;
/// Distance of lines of small print, px.
const SMALL_LINE: f64 = 15.0;
/// Room for the key of the signs, px.
const KEY_ROOM: f64 = 24.0;
/// Outer margin, px.
const EDGE: f64 = 16.0;
/// Margin at the right of the axes, px: half of the last tick's label stands in it.
const RIGHT_EDGE: f64 = 26.0;
/// Room for the title, px.
const TITLE_ROOM: f64 = 44.0;
/// Lines of small print at most, so that the curve keeps its room.
const MOST_FOOTER: usize = 6;
/// About one x tick for so many px.
const X_TICK_PX: f64 = 90.0;
/// About one y tick for so many px.
const Y_TICK_PX: f64 = 56.0;
/// Height of the strip of spectral colours at the foot of an nm plot, px.
const STRIP: f64 = 6.0;
/// Largest count or axis value that is drawn in its place.
const MOST_COUNTS: f64 = 1e290;
/// Share of the counts' lowest points that may fall below the foot of the plot.
const LOW_QUANTILE: f64 = 0.005;

/// Draws a recording with its peaks, and with what they are taken for where `gases` is given.
///
/// # Errors
/// [`crate::Error::Usage`] for a style that cannot be drawn; [`crate::Error::Draw`] where the
/// plotting library fails.
pub fn spectrum_plot(
    spectrum: &Spectrum,
    peaks: &PeakList,
    gases: Option<&GasReport>,
    style: &PlotStyle,
) -> Result<String> {
    style.check()?;
    let inks = style.theme.inks();
    let (w, h) = (style.width_px, style.height_px);
    let has_panel = gases.is_some() && w >= panel::FROM_WIDTH && style.verdicts_beside;
    let footer = footer_lines(spectrum, peaks, gases, style);
    let (low, high) = shown_range(spectrum, style);

    // Margins around the axes.
    let words = gases.filter(|_| !has_panel).map(panel::one_line);
    let top = TITLE_ROOM + if words.is_some() { SMALL_LINE + 3.0 } else { 0.0 };
    let right = if has_panel { panel::WIDTH + EDGE } else { RIGHT_EDGE };
    let bottom = footer.len() as f64 * SMALL_LINE + KEY_ROOM + EDGE;
    let margins = [top, right, bottom, EDGE];
    let area_w = w - right - EDGE - frame::Y_AXIS_ROOM;
    let area_h = h - top - bottom - frame::X_AXIS_ROOM;

    // Which labels there are decides how much headroom the curve must leave.
    let in_range = |x: f64| (low..=high).contains(&x);
    let mut marks = marks::of_peaks(spectrum, peaks, gases, in_range);
    let to_px = |x: f64| (x - low) / (high - low) * area_w;
    let plan = marks::plan(&mut marks, area_w, area_h, to_px);
    let strip = if spectrum.axis().kind() == AxisKind::Nm { STRIP + 3.0 } else { 0.0 };

    // Counts to heights.
    let raw = curve::pieces(spectrum, low, high);
    let heights = Heights::new(&raw, &peaks.baseline, style.scale, plan.headroom, strip, area_h);
    let curves = heights.curves(&raw, to_px, area_h, style.tolerance_px);
    let x_title = match spectrum.axis().kind() {
        AxisKind::Nm => "wavelength / nm (air)",
        AxisKind::Pixel => "pixel",
    };
    let power = heights.power();
    let y_title = match (style.scale, power) {
        (Scale::Linear, 0) => spectrum.unit.clone(),
        (Scale::Linear, _) => format!("{} / {}", spectrum.unit, ten_to(power)),
        (Scale::SquareRoot, 0) => format!("{} (square-root scale)", spectrum.unit),
        (Scale::SquareRoot, _) => {
            format!("{} / {} (square-root scale)", spectrum.unit, ten_to(power))
        }
    };
    let (x_ticks, places) = round_steps(low, high, (area_w / X_TICK_PX) as usize);
    let frame = frame::draw(&FrameSpec {
        size: (w, h),
        margins,
        x: AxisSpec {
            range: (low, high),
            ticks: x_ticks.into_iter().map(|v| (v, format::decimals(v, places))).collect(),
            title: x_title,
        },
        y: AxisSpec { range: heights.range, ticks: heights.ticks(area_h, power), title: &y_title },
        curves: &curves,
        inks,
        paper: true,
    })?;

    let mut layer = Layer::default();
    title(&mut layer, style, &spectrum.provenance.name, &inks, words.as_deref());
    if spectrum.axis().kind() == AxisKind::Nm {
        colours::strip(&mut layer, &frame, low, high)?;
    }
    under_the_curve(&mut layer, &frame, &curves, style.tolerance_px, &inks);
    let tolerance = style.tolerance_px;
    baseline(&mut layer, &frame, spectrum, peaks, &heights, (low, high), tolerance, &inks);
    let tips = |x: f64| {
        let y = curve::height_at(&raw, x).map(|y| heights.of(y));
        frame.py(y.unwrap_or(heights.range.0))
    };
    let bend = frame.py(heights.top);
    marks::draw(&mut layer, &marks, &plan, &frame, &inks, tips, bend);
    let key_y = h - bottom + KEY_ROOM - 8.0;
    marks::key(&mut layer, &marks, &plan, peaks, &inks, (EDGE + 8.0, key_y), w - right);
    foot(&mut layer, &footer, &inks, h);
    if let (Some(report), true) = (gases, has_panel) {
        let sides = [w - panel::WIDTH, TITLE_ROOM, w - EDGE, frame.area[3]];
        panel::draw(&mut layer, report, &inks, sides);
    }
    let headline = headline(style, &spectrum.provenance.name);
    let description = description(spectrum, peaks, gases, &plan);
    let svg = document(w, h, headline, &description, &frame.body, layer);
    Ok(told(svg, &frame, (low, high), spectrum))
}

/// How counts become heights in the coordinates that the plotting library is given.
struct Heights {
    scale: Scale,
    /// Counts at the foot of the curve.
    foot: f64,
    /// Highest count.
    peak: f64,
    /// Range of the axis in heights, headroom and strip included.
    range: (f64, f64),
    /// Height of the highest point.
    top: f64,
}

impl Heights {
    fn new(
        raw: &[Vec<(f64, f64)>],
        baseline: &[f64],
        scale: Scale,
        headroom: f64,
        strip: f64,
        area_h: f64,
    ) -> Self {
        let mut all: Vec<f64> = raw.iter().flatten().map(|p| p.1).collect();
        all.sort_by(f64::total_cmp);
        let lowest = all.get((all.len() as f64 * LOW_QUANTILE) as usize).copied().unwrap_or(0.0);
        let base = baseline.iter().copied().filter(|b| b.is_finite());
        // Bounds beyond any detector keep sums from overflowing.
        let bounded = |v: f64| v.clamp(-MOST_COUNTS, MOST_COUNTS);
        let foot = bounded(base.fold(lowest, f64::min));
        let peak = bounded(all.last().copied().unwrap_or(1.0));
        let peak = if peak > foot { peak } else { foot + foot.abs().max(1.0) };
        let mut h = Heights { scale, foot, peak, range: (0.0, 1.0), top: 1.0 };
        // Foot at 0; the strip below and the headroom above in the same unit.
        h.top = h.of(peak);
        let unit = h.top / (area_h - headroom - strip).max(1.0);
        h.range = (-strip * unit, h.top + headroom * unit);
        h
    }

    /// Height of a count; what is below the foot is drawn at the foot.
    fn of(&self, count: f64) -> f64 {
        let above = (count.min(MOST_COUNTS) - self.foot).max(0.0);
        match self.scale {
            Scale::Linear => above,
            Scale::SquareRoot => above.sqrt(),
        }
    }

    /// The pieces in heights, as they are drawn on a plotting area of `area_h` px: thinned where
    /// many share a column, and straightened by `tolerance` px.
    fn curves(
        &self,
        raw: &[Vec<(f64, f64)>],
        to_px: impl Fn(f64) -> f64,
        area_h: f64,
        tolerance: f64,
    ) -> Vec<Vec<(f64, f64)>> {
        let column = |x: f64| (to_px(x) * 2.0).floor() as i64;
        let px = area_h / (self.range.1 - self.range.0);
        let one = |piece: &Vec<(f64, f64)>| {
            let points: Vec<(f64, f64)> =
                curve::thinned(piece, column).iter().map(|(x, y)| (*x, self.of(*y))).collect();
            let on_paper: Vec<(f64, f64)> =
                points.iter().map(|(x, y)| (to_px(*x), y * px)).collect();
            curve::needed(&on_paper, tolerance).into_iter().map(|i| points[i]).collect()
        };
        raw.iter().map(one).collect()
    }

    /// Power of ten, a multiple of three, that keeps the numbers at the axis short.
    fn power(&self) -> i32 {
        /// Numbers in this range are written as they are.
        const PLAIN: std::ops::Range<f64> = 1e-2..1e5;
        let size = self.peak.abs().max(self.foot.abs());
        if PLAIN.contains(&size) || size == 0.0 {
            return 0;
        }
        format::exponent(size, 17).div_euclid(3) * 3
    }

    fn ticks(&self, area_h: f64, power: i32) -> Vec<(f64, String)> {
        let curve_px = area_h * self.top / (self.range.1 - self.range.0);
        let wanted = (curve_px / Y_TICK_PX).max(3.0);
        let (mut values, mut places) = round_steps(self.foot, self.peak, wanted as usize);
        if self.scale == Scale::SquareRoot {
            // Finer steps near the foot, where the scale is stretched.
            let first = values.iter().copied().find(|v| *v > self.foot).unwrap_or(self.peak);
            let (finer, p) = round_steps(self.foot, first, 5);
            places = places.max(p);
            values.retain(|v| *v > first * (1.0 + 1e-9));
            values.splice(0..0, finer);
        }
        let apart = (self.range.1 - self.range.0) * (Y_TICK_PX * 0.4 / area_h);
        let unit = power_of_ten(power);
        // From the top, so that the round numbers of the coarse steps stay.
        let mut last = f64::INFINITY;
        let mut kept = Vec::new();
        for v in values.into_iter().rev() {
            let at = self.of(v);
            if last - at >= apart {
                kept.push((at, v / unit));
                last = at;
            }
        }
        // No more decimals than the numbers that are left need.
        let full = places + power;
        let needed = (0..full)
            .find(|p| {
                let scale = power_of_ten(*p);
                kept.iter().all(|(_, v)| ((v * scale).round() - v * scale).abs() < TICK_ROUNDING)
            })
            .unwrap_or(full);
        kept.into_iter().map(|(at, v)| (at, format::decimals(v, needed))).collect()
    }
}

/// What computing may leave of a number that is round, in units of its last decimal.
const TICK_ROUNDING: f64 = 1e-6;

fn power_of_ten(power: i32) -> f64 {
    format!("1e{power}").parse().unwrap_or(1.0)
}

/// `10³`, `10⁻⁶`.
fn ten_to(power: i32) -> String {
    let raised = power.to_string();
    let raised = raised.chars().map(|c| match c {
        '0' => '⁰',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        '4' => '⁴',
        '5' => '⁵',
        '6' => '⁶',
        '7' => '⁷',
        '8' => '⁸',
        '9' => '⁹',
        _ => '⁻',
    });
    format!("10{}", raised.collect::<String>())
}

/// The stretch of the axis that is shown; never empty.
fn shown_range(spectrum: &Spectrum, style: &PlotStyle) -> (f64, f64) {
    let (low, high) = style.range.unwrap_or_else(|| spectrum.axis().range());
    let (low, high) = (low.max(-MOST_COUNTS), high.min(MOST_COUNTS));
    let half = (low.abs() * 1e-3).max(0.5);
    if high > low { (low, high) } else { (low - half, low + half) }
}

fn headline<'a>(style: &'a PlotStyle, name: &'a str) -> &'a str {
    match (style.title.as_str(), name) {
        ("", "") => "spectrum",
        ("", name) => name,
        (title, _) => title,
    }
}

fn title(layer: &mut Layer, style: &PlotStyle, name: &str, inks: &Inks, words: Option<&str>) {
    let bold = Type { bold: true, class: "headline", ..Type::plain(TITLE_SIZE, inks.ink_text) };
    let room = style.width_px - 2.0 * EDGE - 8.0;
    let text = text::shortened(headline(style, name), text::bold(TITLE_SIZE), room);
    layer.text(EDGE + 8.0, 28.0, 0.0, bold, &text);
    if let Some(words) = words {
        let small = Type::plain(SMALL + 1.0, inks.ink_text);
        let text = text::shortened(words, SMALL + 1.0, style.width_px - 2.0 * EDGE - 8.0);
        layer.text(EDGE + 8.0, 47.0, 0.0, small, &text);
    }
}

/// The caller's lines and one of our own: axis uncertainty, line width, version.
fn footer_lines(
    spectrum: &Spectrum,
    peaks: &PeakList,
    gases: Option<&GasReport>,
    style: &PlotStyle,
) -> Vec<String> {
    let mut own = Vec::new();
    let unit = match spectrum.axis().kind() {
        AxisKind::Nm => "nm",
        AxisKind::Pixel => "px",
    };
    match (gases, spectrum.axis_u()) {
        (Some(g), _) => {
            own.push(format!(
                "axis ± {} nm at worst under the lines",
                format::two_digits(g.axis_u_nm)
            ));
            own.push(format!("common shift {} nm", format::measured(g.shift_nm)));
        }
        (None, Some(u)) => {
            let mut u = u.to_vec();
            u.sort_by(f64::total_cmp);
            if let (Some(a), Some(b)) = (u.first(), u.get(u.len() / 2)) {
                let (a, b) = (format::two_digits(*a), format::two_digits(*b));
                own.push(format!("axis ± {a} nm at best, ± {b} nm in the median"));
            }
        }
        (None, None) if unit == "nm" => own.push("axis uncertainty not known".into()),
        (None, None) => own.push("axis not calibrated".into()),
    }
    match &peaks.line_width {
        Some(lw) => {
            let (a, b) = spectrum.axis().range();
            let fwhm = format::two_digits(lw.fwhm((a + b) / 2.0));
            own.push(format!("line width (FWHM) {fwhm} {unit} at the middle"));
        }
        None => own.push("line width not known".into()),
    }
    own.push(format!("k = 1; glowtell {}", crate::VERSION));
    let lines: Vec<String> = style.footer.iter().cloned().chain([own.join("; ")]).collect();
    footer_wrapped(&lines, style)
}

/// Lines of small print that fit the picture.
fn footer_wrapped(lines: &[String], style: &PlotStyle) -> Vec<String> {
    let room = style.width_px - 2.0 * EDGE - 8.0;
    lines.iter().flat_map(|l| text::wrapped(l, SMALL, room)).take(MOST_FOOTER).collect()
}

fn foot(layer: &mut Layer, lines: &[String], inks: &Inks, h: f64) {
    let small = Type { class: "footer", ..Type::plain(SMALL, inks.soft) };
    for (i, line) in lines.iter().rev().enumerate() {
        let y = h - 12.0 - i as f64 * SMALL_LINE;
        layer.text(EDGE + 8.0, y, 0.0, small, line);
    }
}

/// A light tone between the curve and the foot.
fn under_the_curve(
    layer: &mut Layer,
    frame: &Frame,
    curves: &[Vec<(f64, f64)>],
    tolerance: f64,
    inks: &Inks,
) {
    /// Its edge lies under the curve, so it may be coarser by this factor.
    const COARSER: f64 = 3.0;
    /// Opacity of the tone.
    const TONE: f64 = 0.13;
    let foot = frame.py(0.0);
    for piece in curves {
        if let (Some(first), Some(last)) = (piece.first(), piece.last()) {
            let mut points: Vec<(f64, f64)> = vec![(frame.px(first.0), foot)];
            let edge: Vec<(f64, f64)> =
                piece.iter().map(|(x, y)| (frame.px(*x), frame.py(*y))).collect();
            points.extend(curve::needed(&edge, COARSER * tolerance).into_iter().map(|i| edge[i]));
            points.push((frame.px(last.0), foot));
            layer.shape(&points, inks.curve_text, TONE, "none");
        }
    }
}

/// The baseline that heights count from, dashed.
#[allow(clippy::too_many_arguments)]
fn baseline(
    layer: &mut Layer,
    frame: &Frame,
    spectrum: &Spectrum,
    peaks: &PeakList,
    heights: &Heights,
    (low, high): (f64, f64),
    tolerance: f64,
    inks: &Inks,
) {
    let inside = spectrum
        .x()
        .iter()
        .zip(&peaks.baseline)
        .filter(|(x, b)| (low..=high).contains(*x) && b.is_finite());
    let points: Vec<(f64, f64)> = inside.map(|(x, b)| (*x, heights.of(*b))).collect();
    let column = |x: f64| (frame.px(x) / 3.0).floor() as i64;
    let points: Vec<(f64, f64)> = points
        .chunk_by(|a, b| column(a.0) == column(b.0))
        .filter_map(|c| c.first())
        .map(|(x, y)| (frame.px(*x), frame.py(*y)))
        .collect();
    let points: Vec<(f64, f64)> =
        curve::needed(&points, tolerance).into_iter().map(|i| points[i]).collect();
    if points.len() > 1 {
        layer.open("baseline", Some("baseline"));
        layer.line(&points, inks.soft, 1.0, "5 3");
        layer.close();
    }
}

fn description(
    spectrum: &Spectrum,
    peaks: &PeakList,
    gases: Option<&GasReport>,
    plan: &marks::Plan,
) -> String {
    let (a, b) = spectrum.axis().range();
    let axis = match spectrum.axis().kind() {
        AxisKind::Nm => {
            format!("{} to {} nm (air)", format::decimals(a, 1), format::decimals(b, 1))
        }
        AxisKind::Pixel => format!("pixel {} to {}", format::plain(a), format::plain(b)),
    };
    let mut text = format!(
        "Recording of {} from {axis}, {}.",
        format::counted(spectrum.len(), "point", "points"),
        format::counted(peaks.peaks.len(), "peak", "peaks")
    );
    if let Some(report) = gases {
        text.push_str(&format!(" Verdicts: {}.", panel::one_line(report)));
    }
    if plan.dropped > 0 {
        text.push_str(&format!(
            " {} not labelled.",
            format::counted(plan.dropped, "line", "lines")
        ));
    }
    text
}

/// The document with what programs may read of it at its root: the plotting area (left, top, right,
/// bottom, px), the range of the axis, what the axis is, and the unit of the counts.
fn told(svg: String, frame: &Frame, (low, high): (f64, f64), spectrum: &Spectrum) -> String {
    let area = frame.area.map(number).join(" ");
    let axis = match spectrum.axis().kind() {
        AxisKind::Nm => "nm",
        AxisKind::Pixel => "pixel",
    };
    let data = format!(
        " data-area=\"{area}\" data-range=\"{} {}\" data-axis=\"{axis}\" data-unit=\"{}\" role=",
        format::plain(low),
        format::plain(high),
        text::escaped(&spectrum.unit)
    );
    svg.replacen(" role=", &data, 1)
}

/// The finished document.
fn document(w: f64, h: f64, title: &str, description: &str, body: &str, layer: Layer) -> String {
    let (w, h) = (number(w), number(h));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" \
         viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{title}\">\n<title>{title}</title>\n\
         <desc>{}</desc>\n{body}{}</svg>\n",
        text::escaped(description),
        layer.into_text(),
        title = text::escaped(title),
    )
}
