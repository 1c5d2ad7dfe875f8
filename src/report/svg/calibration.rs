//! How well an axis is known: residuals of its anchors and the band of its uncertainty.

use super::frame::{self, AxisSpec, Frame, FrameSpec, round_steps};
use super::labels::{Wish, place};
use super::layer::{Layer, Type};
use super::style::{Inks, PlotStyle};
use super::text::{LINE_HEIGHT, shortened, width};
use super::{EDGE, KEY_ROOM, RIGHT_EDGE, SMALL, SMALL_LINE, TITLE_ROOM, X_TICK_PX, Y_TICK_PX};
use crate::calibrate::Profile;
use crate::report::format;
use crate::report::record::axis_samples;
use crate::{Measured, Result};

/// Points of the band.
const BAND_POINTS: usize = 241;
/// Coverage factor of the band and of the error bars.
const K: f64 = 2.0;
/// The vertical axis shows at most this many times the largest residual with its error bar; the
/// band may leave the plot beyond the anchors.
const MOST_BAND: f64 = 3.0;
/// Size of anchor names, px.
const LABEL_SIZE: f64 = 11.5;
/// Room between labels and plot content, px.
const BEND: f64 = 18.0;

/// Draws the residuals of a profile's anchors (fitted minus tabulated) with error bars (k = 2)
/// and the band of the axis' uncertainty (k = 2) over the whole axis.
///
/// # Errors
/// [`crate::Error::Usage`] for a style that cannot be drawn; [`crate::Error::Draw`] where the
/// plotting library fails.
pub fn calibration_plot(profile: &Profile, style: &PlotStyle) -> Result<String> {
    style.check()?;
    let inks = style.theme.inks();
    let (w, h) = (style.width_px, style.height_px);
    let band = band(profile);
    let (mut low, mut high) = style.range.unwrap_or_else(|| ends(&band));
    if !(low.is_finite() && high.is_finite() && low < high) {
        (low, high) = (profile.anchored_nm[0] - 1.0, profile.anchored_nm[1] + 1.0);
    }
    if !(low.is_finite() && high.is_finite() && low < high) {
        (low, high) = (300.0, 1000.0);
    }
    let anchors: Vec<_> = profile
        .anchors
        .iter()
        .filter(|a| {
            a.residual_nm.is_finite()
                && a.u_nm.is_finite()
                && (low..=high).contains(&a.wavelength_nm)
        })
        .collect();
    let footer = footer(profile, style);
    let bottom = footer.len() as f64 * SMALL_LINE + KEY_ROOM + EDGE;
    let margins = [TITLE_ROOM, RIGHT_EDGE, bottom, EDGE];
    let area_w = w - RIGHT_EDGE - EDGE - frame::Y_AXIS_ROOM;
    let area_h = h - TITLE_ROOM - bottom - frame::X_AXIS_ROOM;

    let left_out: Vec<_> =
        profile.left_out.iter().filter(|l| (low..=high).contains(&l.wavelength_nm)).collect();

    // Labels first: they decide the headroom. Anchors go before what was left out.
    let gap = LABEL_SIZE * LINE_HEIGHT;
    let to_px = |x: f64| (x - low) / (high - low) * area_w;
    let mut tags: Vec<Tag> = anchors
        .iter()
        .enumerate()
        .map(|(i, a)| Tag { at: a.wavelength_nm, name: &a.feature, of: Of::Anchor(i), u: a.u_nm })
        .chain(left_out.iter().enumerate().map(|(i, l)| Tag {
            at: l.wavelength_nm,
            name: &l.feature,
            of: Of::LeftOut(i),
            u: f64::INFINITY,
        }))
        .collect();
    tags.sort_by(|a, b| a.at.total_cmp(&b.at));
    let wishes: Vec<Wish> =
        tags.iter().map(|t| Wish { at: to_px(t.at), weight: 1.0 / t.u.max(1e-6) }).collect();
    let placed = place(&wishes, gap, gap / 2.0 + 1.0, area_w - gap / 2.0 - 1.0, 80.0);
    let names: Vec<String> =
        tags.iter().map(|t| shortened(t.name, LABEL_SIZE, area_h * 0.3)).collect();
    let label_room = placed.iter().map(|p| width(&names[p.wish], LABEL_SIZE)).fold(0.0, f64::max);
    let headroom = label_room + BEND + 6.0;

    let residuals = anchors.iter().map(|a| a.residual_nm.abs() + K * a.u_nm).fold(0.0, f64::max);
    let inside =
        |m: &&Measured| (profile.anchored_nm[0]..=profile.anchored_nm[1]).contains(&m.value);
    let of_band = |least: f64, m: &Measured| f64::max(least, K * m.u);
    let anchored = band.iter().filter(inside).fold(0.0, of_band);
    let whole = band.iter().fold(0.0, of_band);
    let content = residuals.max(anchored).max(1e-3);
    let reach = 1.15 * whole.clamp(content, MOST_BAND * content);
    let per_px = 2.0 * reach / (area_h - headroom).max(1.0);
    let range = (-reach, reach + headroom * per_px);

    let (x_ticks, x_places) = round_steps(low, high, (area_w / X_TICK_PX) as usize);
    let (y_ticks, y_places) =
        round_steps(-reach, reach, ((area_h - headroom) / Y_TICK_PX).max(2.0) as usize);
    let frame = frame::draw(&FrameSpec {
        size: (w, h),
        margins,
        x: AxisSpec {
            range: (low, high),
            ticks: x_ticks.into_iter().map(|v| (v, format::decimals(v, x_places))).collect(),
            title: "wavelength / nm (air)",
        },
        y: AxisSpec {
            range,
            ticks: y_ticks.into_iter().map(|v| (v, format::decimals(v, y_places))).collect(),
            title: "fitted minus tabulated / nm",
        },
        curves: &[],
        inks,
        paper: true,
    })?;

    let mut layer = Layer::default();
    let name = match style.title.as_str() {
        "" => format!("axis of {}", profile.instrument),
        title => title.to_string(),
    };
    super::title(&mut layer, style, &name, &inks, None);
    draw_band(&mut layer, &frame, &band, (low, high), reach, &inks);
    layer.line(
        &[(frame.px(low), frame.py(0.0)), (frame.px(high), frame.py(0.0))],
        inks.soft,
        1.0,
        "",
    );
    for edge in profile.anchored_nm.iter().filter(|e| (low..=high).contains(*e)) {
        let x = frame.px(*edge);
        layer.line(&[(x, frame.py(-reach)), (x, frame.py(reach))], inks.soft, 1.0, "2 4");
    }
    // Leader line from `from` up to the name, where that has a place.
    let label = |layer: &mut Layer, of: Of, from: (f64, f64), ink: (&str, &str)| {
        let Some(p) = placed.iter().find(|p| tags[p.wish].of == of) else { return };
        let at = frame.area[0] + p.at;
        let foot = frame.area[1] + 4.0 + label_room;
        let line = [from, (from.0, frame.py(reach)), (at, foot + 7.0), (at, foot + 3.0)];
        layer.line(&line, ink.0, 0.9, "");
        let style = Type { class: "peak-label", ..Type::plain(LABEL_SIZE, ink.1) };
        layer.text(at + LABEL_SIZE * 0.35, foot, -90.0, style, &names[p.wish]);
    };
    for (i, a) in anchors.iter().enumerate() {
        let title = format!(
            "{}: {} nm (air), fitted minus tabulated {} nm",
            a.feature,
            format::nm(a.wavelength_nm),
            format::measured(Measured::new(a.residual_nm, a.u_nm))
        );
        layer.open("anchor", Some(&title));
        let x = frame.px(a.wavelength_nm);
        let y = |v: f64| frame.py(v.clamp(-reach, reach));
        let (up, down) = (y(a.residual_nm + K * a.u_nm), y(a.residual_nm - K * a.u_nm));
        let ink = (inks.leader, inks.ink_text);
        label(&mut layer, Of::Anchor(i), (x, up - 2.0), ink);
        layer.line(&[(x, up), (x, down)], inks.ink_text, 1.3, "");
        for end in [up, down] {
            layer.line(&[(x - 4.0, end), (x + 4.0, end)], inks.ink_text, 1.3, "");
        }
        layer.circle((x, y(a.residual_nm)), 3.5, inks.paper_text, inks.ink_text);
        layer.close();
    }
    for (i, l) in left_out.iter().enumerate() {
        layer.open("left-out", Some(&format!("{} left out: {}", l.feature, l.reason)));
        let (x, y) = (frame.px(l.wavelength_nm), frame.py(reach) + 9.0);
        label(&mut layer, Of::LeftOut(i), (x, y - 6.0), (inks.alert, inks.alert));
        cross(&mut layer, x, y, &inks);
        layer.close();
    }
    key(&mut layer, profile, &inks, h - bottom + KEY_ROOM - 8.0, placed.len() < tags.len());
    super::foot(&mut layer, &footer, &inks, h);
    let description = format!(
        "Residuals of {} and uncertainty of the axis of {}, anchored from {} to {} nm (air), \
         root mean square {} nm.",
        format::counted(profile.anchors.len(), "anchor", "anchors"),
        profile.instrument,
        format::nm(profile.anchored_nm[0]),
        format::nm(profile.anchored_nm[1]),
        format::two_digits(profile.rms_nm)
    );
    Ok(super::document((w, h), &name, &description, "", &frame.body, layer))
}

/// What a name belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Of {
    /// The anchor of that number.
    Anchor(usize),
    /// The line left out of that number.
    LeftOut(usize),
}

/// A name that wants a place.
struct Tag<'a> {
    at: f64,
    name: &'a str,
    of: Of,
    u: f64,
}

/// The band as a tone, with edges where they are inside the plot.
fn draw_band(
    layer: &mut Layer,
    frame: &Frame,
    band: &[Measured],
    (low, high): (f64, f64),
    reach: f64,
    inks: &Inks,
) {
    let place_of = |m: &Measured, sign: f64| {
        (frame.px(m.value.clamp(low, high)), frame.py((sign * K * m.u).clamp(-reach, reach)))
    };
    layer.open("band", Some("uncertainty of the axis, k = 2"));
    let upper = band.iter().map(|m| place_of(m, 1.0));
    let lower = band.iter().rev().map(|m| place_of(m, -1.0));
    let outline: Vec<(f64, f64)> = upper.chain(lower).collect();
    layer.shape(&outline, inks.curve_text, 0.16, "none");
    let inside = |m: &Measured| K * m.u <= reach && (low..=high).contains(&m.value);
    for piece in band.chunk_by(|a, b| inside(a) == inside(b)).filter(|p| inside(&p[0])) {
        for sign in [1.0, -1.0] {
            let edge: Vec<(f64, f64)> = piece.iter().map(|m| place_of(m, sign)).collect();
            layer.line(&edge, inks.curve_text, 1.0, "");
        }
    }
    layer.close();
}

/// The sign of what was left out.
fn cross(layer: &mut Layer, x: f64, y: f64, inks: &Inks) {
    for s in [1.0, -1.0] {
        layer.line(&[(x - 4.0, y - 4.0 * s), (x + 4.0, y + 4.0 * s)], inks.alert, 1.4, "");
    }
}

/// Wavelength and uncertainty along the instrument's own axis, ascending in wavelength.
fn band(profile: &Profile) -> Vec<Measured> {
    let [a, b] = profile.own_range;
    let mut out: Vec<Measured> = (0..BAND_POINTS)
        .map(|i| a + (b - a) * i as f64 / (BAND_POINTS - 1) as f64)
        .map(|x| profile.wavelength(x))
        .filter(|m| m.value.is_finite() && m.u.is_finite())
        .collect();
    out.sort_by(|p, q| p.value.total_cmp(&q.value));
    out
}

fn ends(band: &[Measured]) -> (f64, f64) {
    let at = |m: Option<&Measured>| m.map_or(f64::NAN, |m| m.value);
    (at(band.first()), at(band.last()))
}

fn key(layer: &mut Layer, profile: &Profile, inks: &Inks, y: f64, some_unnamed: bool) {
    let words = Type::plain(SMALL, inks.soft);
    let mut x = EDGE + 8.0;
    layer.open("key", None);
    layer.rectangle((x, y - 9.0), (18.0, 10.0), inks.curve_text, 0.3);
    let mut entry = |layer: &mut Layer, text: &str| {
        layer.text(x + 24.0, y, 0.0, words, text);
        x += 24.0 + width(text, SMALL) + 16.0;
        x
    };
    let next = entry(layer, "uncertainty of the axis, k = 2");
    layer.line(&[(next + 9.0, y - 10.0), (next + 9.0, y + 2.0)], inks.soft, 1.0, "2 4");
    let next = entry(layer, "outermost anchors");
    if !profile.left_out.is_empty() {
        cross(layer, next + 10.0, y - 4.0, inks);
        entry(layer, "left out");
    }
    if some_unnamed {
        entry(layer, "some lines without a name");
    }
    layer.close();
}

pub(super) fn footer(profile: &Profile, style: &PlotStyle) -> Vec<String> {
    let mut own = vec![
        format!("{} anchors, error bars k = 2", profile.anchors.len()),
        format!("rms {} nm", format::two_digits(profile.rms_nm)),
        format!("{} degrees of freedom", profile.degrees_of_freedom),
    ];
    if let Some(lw) = &profile.line_width_nm {
        own.push(format!(
            "line width (FWHM) {} nm",
            format::measured(Measured::new(lw.value, lw.u))
        ));
    }
    own.push(format!("glowtell {}", crate::VERSION));
    let samples: Vec<String> = axis_samples(profile)
        .iter()
        .filter_map(|s| Some((s, s.u_nm?)))
        .map(|(s, u)| {
            let star = if s.extrapolated { "*" } else { "" };
            format!(
                "{} at {}{star}",
                format::two_digits(K * u),
                format::decimals(s.wavelength_nm, 0)
            )
        })
        .collect();
    let mut lines = style.footer.clone();
    if !samples.is_empty() {
        lines.push(format!("axis ± nm (k = 2): {}; * beyond the anchors", samples.join(", ")));
    }
    lines.push(own.join("; "));
    super::footer_wrapped(&lines, style)
}
