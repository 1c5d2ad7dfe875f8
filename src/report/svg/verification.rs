//! One page on an axis and its instrument: recording, error of the axis, line width, figures.

use super::errors::{self, ErrorPanel, Point, Sign};
use super::lamp::{LampPanel, Named, left_out};
use super::layer::{Layer, Type};
use super::style::{Inks, PlotStyle};
use super::text::{width, wrapped};
use super::{EDGE, KEY_ROOM, RIGHT_EDGE, SMALL, SMALL_LINE, TITLE_ROOM};
use crate::calibrate::{Verification, WidthPoint};
use crate::report::format;
use crate::report::terminal::verification::{
    claim_words, correction_words, drift_words, figures, head_words, repeats_words,
};
use crate::{Measured, Result, Spectrum};

/// Height of the page over that of a single plot.
const PAGE: f64 = 2.4;
/// Shares of the page's room for plots: recording, error; line width and figures take the rest.
const SHARES: [f64; 2] = [0.32, 0.34];
/// Narrowest page on which the figures stand beside the line width, px.
const SIDE_BY_SIDE: f64 = 900.0;
/// Room between panels, px.
const BETWEEN: f64 = 10.0;
/// Steps of the line of the line width.
const WIDTH_STEPS: usize = 41;
/// Size of the figures, px.
const FIGURE: f64 = 12.0;

/// Draws a verification on one page: the lamp's recording with its lines, the error of the axis
/// with error bars and band (k = 2), the width of lines along the axis, and the instrument's
/// figures. `judged` is the recording on the axis that was judged.
///
/// # Errors
/// [`crate::Error::Usage`] for a style that cannot be drawn; [`crate::Error::Draw`] where the
/// plotting library fails.
pub fn verification_plot(v: &Verification, judged: &Spectrum, style: &PlotStyle) -> Result<String> {
    style.check()?;
    let inks = style.theme.inks();
    let (low, high) = style.range.unwrap_or_else(|| super::shown_range(judged, style));
    let (w, h) = (style.width_px, (style.height_px * PAGE).min(PlotStyle::MAX_PX));
    let footer = footer(v, style);
    let foot = footer.len() as f64 * SMALL_LINE + KEY_ROOM + EDGE;
    let head: Vec<String> = [head_words(v), claim_words(v)]
        .iter()
        .filter(|t| !t.is_empty())
        .flat_map(|t| wrapped(t, SMALL + 1.0, w - 2.0 * EDGE - 8.0))
        .collect();
    let top = TITLE_ROOM + head.len() as f64 * (SMALL_LINE + 2.0) + 4.0;
    let room = h - top - foot;
    let first = top + SHARES[0] * room;
    let second = first + SHARES[1] * room;
    let mut layer = Layer::default();
    let name = match style.title.as_str() {
        "" => format!("axis checked by {}", v.lamp),
        title => title.to_string(),
    };
    super::title(&mut layer, style, &name, &inks, None);
    let words = Type::plain(SMALL + 1.0, inks.ink_text);
    for (i, line) in head.iter().enumerate() {
        let y = TITLE_ROOM + 4.0 + i as f64 * (SMALL_LINE + 2.0);
        layer.text(EDGE + 8.0, y, 0.0, words, line);
    }
    let lines: Vec<Named> = v
        .lines
        .iter()
        .map(|l| Named {
            at: l.read_nm,
            name: &l.feature,
            title: format!("{}: read at {} nm", l.feature, format::nm(l.read_nm)),
            weight: 1.0 / l.error_nm.u.max(1e-6),
        })
        .collect();
    let upper = LampPanel {
        tolerance: style.tolerance_px,
        spectrum: judged,
        lines: &lines,
        left_out: &left_out(&v.correction),
        range: (low, high),
        size: (w, h),
        margins: [top, RIGHT_EDGE, h - first, EDGE],
        paper: true,
    }
    .draw(&mut layer, &inks)?;
    let points: Vec<Point> = v
        .lines
        .iter()
        .map(|l| Point {
            at: l.read_nm,
            value: l.error_nm,
            title: format!("{}: read minus true {} nm", l.feature, format::measured(l.error_nm)),
        })
        .collect();
    let middle = ErrorPanel {
        points: &points,
        curve: &v.curve,
        edges: Some(v.anchored_nm),
        tolerance: v.tolerance.as_ref().map(|t| t.within_nm),
        zero: true,
        range: (low, high),
        y_title: "read minus true / nm",
        size: (w, h),
        margins: [first + BETWEEN, RIGHT_EDGE, h - second, EDGE],
        paper: false,
    }
    .draw(&mut layer, &inks)?;
    let wide = w >= SIDE_BY_SIDE;
    let half = if wide { w / 2.0 } else { w };
    let mut body = upper.body + &middle.body;
    let mut column = EDGE + 8.0;
    if let Some(r) = &v.sheet.resolution {
        let at = |nm: f64| (nm, Measured::new(r.at(nm), 0.0));
        let steps = (WIDTH_STEPS - 1) as f64;
        let line: Vec<(f64, Measured)> =
            (0..WIDTH_STEPS).map(|i| at(low + (high - low) * i as f64 / steps)).collect();
        let points: Vec<Point> = r.lines.iter().map(width_point).collect();
        let bottom = if wide { foot } else { foot + 0.12 * room };
        let panel = ErrorPanel {
            points: &points,
            curve: &line,
            edges: None,
            tolerance: None,
            zero: false,
            range: (low, high),
            y_title: "width of a line (FWHM) / nm",
            size: (w, h),
            margins: [second + BETWEEN, w - half + 12.0, bottom, EDGE],
            paper: false,
        }
        .draw(&mut layer, &inks)?;
        body.push_str(&panel.body);
        column = if wide { half + 18.0 } else { EDGE + 8.0 };
    }
    let start = if column > EDGE + 8.0 || v.sheet.resolution.is_none() {
        second + BETWEEN + 14.0
    } else {
        h - foot - 0.12 * room + 14.0
    };
    sheet(&mut layer, v, &inks, [column, start, w - RIGHT_EDGE, h - foot]);
    let mut signs = vec![
        (Sign::Point, "line of the lamp, error bar k = 2"),
        (Sign::Band, "error of the axis, k = 2"),
        (Sign::Edge, "outermost lines"),
    ];
    if v.tolerance.is_some() {
        signs.push((Sign::Tolerance, "tolerance"));
    }
    if !v.correction.left_out.is_empty() {
        signs.push((Sign::Cross, "line left out"));
    }
    let at = (EDGE + 8.0, h - foot + KEY_ROOM - 8.0);
    errors::key(&mut layer, &inks, at, w - EDGE, &signs);
    super::foot(&mut layer, &footer, &inks, h);
    let description = format!(
        "{} {} The recording of the lamp, the error of the axis, the width of lines and the figures \
         of the instrument.",
        head_words(v),
        claim_words(v)
    );
    Ok(super::document((w, h), &name, &description, "", &body, layer))
}

fn width_point(p: &WidthPoint) -> Point {
    Point {
        at: p.wavelength_nm,
        value: p.fwhm_nm,
        title: format!("{}: FWHM {} nm", p.feature, format::measured(p.fwhm_nm)),
    }
}

/// The figures of the instrument, as many as fit.
fn sheet(layer: &mut Layer, v: &Verification, inks: &Inks, [left, top, right, bottom]: [f64; 4]) {
    layer.open("figures", None);
    let heading = Type { bold: true, ..Type::plain(FIGURE + 1.0, inks.ink_text) };
    layer.text(left, top, 0.0, heading, "The instrument, from this recording");
    let (name, value) = (Type::plain(FIGURE, inks.soft), Type::plain(FIGURE, inks.ink_text));
    let mut all = figures(v);
    all.push(("would be mended by".into(), correction_words(v)));
    all.extend(v.drift.iter().map(|d| ("drift".to_string(), drift_words(d))));
    all.extend(v.repeatability.iter().map(|r| ("repeats".to_string(), repeats_words(r))));
    let indent = all.iter().map(|f| width(&f.0, FIGURE)).fold(0.0, f64::max) + 12.0;
    let mut y = top + 22.0;
    for (label, text) in &all {
        let lines = wrapped(text, FIGURE, right - left - indent);
        if y + (lines.len() as f64 - 1.0) * SMALL_LINE > bottom {
            break;
        }
        layer.text(left, y, 0.0, name, label);
        for line in &lines {
            layer.text(left + indent, y, 0.0, value, line);
            y += SMALL_LINE + 1.0;
        }
        y += 3.0;
    }
    layer.close();
}

fn footer(v: &Verification, style: &PlotStyle) -> Vec<String> {
    let mut lines = style.footer.clone();
    lines.push(format!(
        "read minus true: {} nm on average between the outermost lines, tilt {} nm per 100 nm; rms \
         {} nm; ± is k = 1; glowtell {}",
        format::measured(v.error.offset_nm),
        format::measured(v.error.tilt_nm_per_100nm),
        format::two_digits(v.rms_nm),
        crate::VERSION
    ));
    super::footer_wrapped(&lines, style)
}
