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
mod heights;
mod labels;
mod lamp;
mod layer;
mod marks;
mod model;
mod panel;
mod pooled;
mod source;
mod style;
mod text;
mod tubes;
mod verification;

#[cfg(test)]
mod tests;

pub(super) use colours::of_wavelength;
#[cfg(test)]
pub(super) use model::TINTS;
pub(super) use text::{FAMILY, escaped};

pub use calibration::calibration_plot;
pub use lamp::lamp_plot;
pub use pooled::pooled_plot;
pub use source::source_plot;
pub use style::{PlotStyle, Scale, Theme};
pub use tubes::{MOST_ROWS as MOST_SPECTRA, tubes_plot};
pub use verification::verification_plot;

use crate::gases::GasReport;
use crate::report::format;
use crate::signal::PeakList;
use crate::{AxisKind, Result, Spectrum};
use frame::{AxisSpec, Frame, FrameSpec, round_steps};
use heights::{Heights, Y_TICK_PX, ten_to};
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
/// Height of the strip of spectral colours at the foot of an nm plot, px.
const STRIP: f64 = 6.0;
/// What lies under the curve may be straightened by this factor more than the curve.
const COARSER: f64 = 3.0;
/// Largest count or axis value that is drawn in its place.
const MOST_COUNTS: f64 = 1e290;

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
    let model = gases.and_then(|g| model::of(spectrum, peaks, g));
    let left_over =
        if model.is_some() && h >= model::FROM_HEIGHT { model::STRIP_ROOM } else { 0.0 };
    let foot_room = footer.len() as f64 * SMALL_LINE + KEY_ROOM + EDGE;
    let bottom = foot_room + left_over;
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
    let paper = model::Paper {
        spectrum,
        peaks,
        frame: &frame,
        heights: &heights,
        range: (low, high),
        tolerance: COARSER * style.tolerance_px,
    };
    if let Some(m) = &model {
        m.draw(&mut layer, &paper, &inks);
    }
    baseline(&mut layer, &frame, spectrum, peaks, &heights, (low, high), style);
    let tips = |x: f64| {
        let y = curve::height_at(&raw, x).map(|y| heights.of(y));
        frame.py(y.unwrap_or(heights.range.0))
    };
    let bend = frame.py(heights.top);
    marks::draw(&mut layer, &marks, &plan, &frame, &inks, tips, bend);
    if let Some(m) = &model {
        m.draw_missing(&mut layer, &paper, &inks);
        if left_over > 0.0 {
            m.draw_left_over(&mut layer, &paper, &inks, h - bottom + 8.0);
        }
    }
    let key_y = h - foot_room + KEY_ROOM - 8.0;
    let also = marks::Also {
        baseline: peaks.baseline.len() > 1,
        sum: model.is_some(),
        missing: model.as_ref().is_some_and(|m| m.has_missing(low, high)),
        tints: model.iter().filter(|_| !has_panel).flat_map(model::Model::tints).collect(),
    };
    marks::key(&mut layer, &marks, &plan, also, &inks, (EDGE + 8.0, key_y), w - right);
    foot(&mut layer, &footer, &inks, h);
    if let (Some(report), true) = (gases, has_panel) {
        let sides = [w - panel::WIDTH, TITLE_ROOM, w - EDGE, frame.area[3]];
        let tint = |gas: &str| model.as_ref().and_then(|m| m.tint(gas));
        panel::draw(&mut layer, report, &inks, &tint, sides);
    }
    let headline = headline(style, &spectrum.provenance.name);
    let description = description(spectrum, peaks, gases, &plan);
    let told = told(&frame, (low, high), spectrum);
    Ok(document((w, h), headline, &description, &told, &frame.body, layer))
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
fn baseline(
    layer: &mut Layer,
    frame: &Frame,
    spectrum: &Spectrum,
    peaks: &PeakList,
    heights: &Heights,
    (low, high): (f64, f64),
    style: &PlotStyle,
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
        curve::needed(&points, style.tolerance_px).into_iter().map(|i| points[i]).collect();
    if points.len() > 1 {
        layer.open("baseline", Some("baseline"));
        layer.line(&points, style.theme.inks().soft, 1.0, "5 3");
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

/// What programs may read of a drawing, as attributes of its root: the plotting area (left, top, right,
/// bottom, px), the range of the axis, what the axis is, and the unit of the counts.
fn told(frame: &Frame, (low, high): (f64, f64), spectrum: &Spectrum) -> String {
    let area = frame.area.map(number).join(" ");
    let axis = match spectrum.axis().kind() {
        AxisKind::Nm => "nm",
        AxisKind::Pixel => "pixel",
    };
    format!(
        " data-area=\"{area}\" data-range=\"{} {}\" data-axis=\"{axis}\" data-unit=\"{}\"",
        format::plain(low),
        format::plain(high),
        text::escaped(&spectrum.unit)
    )
}

/// The finished document; `told` are further attributes of its root, each after a space.
fn document(
    (w, h): (f64, f64),
    title: &str,
    description: &str,
    told: &str,
    body: &str,
    layer: Layer,
) -> String {
    let (w, h) = (number(w), number(h));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" \
         viewBox=\"0 0 {w} {h}\"{told} role=\"img\" aria-label=\"{title}\">\n<title>{title}</title>\n\
         <desc>{}</desc>\n{body}{}</svg>\n",
        text::escaped(description),
        layer.into_text(),
        title = text::escaped(title),
    )
}
