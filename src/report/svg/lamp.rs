//! A lamp's recording with the lines that carry its axis, and what they leave over.

use super::curve;
use super::errors::{self, ErrorPanel, Point, Sign};
use super::frame::{self, AxisSpec, Frame, FrameSpec, round_steps};
use super::labels::{Wish, place};
use super::layer::{Layer, Type};
use super::style::{Inks, PlotStyle, Scale};
use super::text::{LINE_HEIGHT, shortened, width};
use super::{EDGE, Heights, KEY_ROOM, RIGHT_EDGE, SMALL_LINE, STRIP, TITLE_ROOM, X_TICK_PX};
use crate::calibrate::Profile;
use crate::report::format;
use crate::{AxisKind, Measured, Result, Spectrum};

/// Size of the lines' names, px.
const LABEL_SIZE: f64 = 11.5;
/// Room between names and curve, px.
const BEND: f64 = 22.0;
/// Largest shift of a name from its line, px.
const REACH: f64 = 70.0;
/// Points of the uncertainty band.
const BAND_POINTS: usize = 241;
/// Height of the page over that of a single plot.
const PAGE: f64 = 1.45;
/// Share of the page's room for plots that the recording takes.
const UPPER: f64 = 0.52;

/// A line with its name.
pub struct Named<'a> {
    /// Place, nm.
    pub at: f64,
    /// Name.
    pub name: &'a str,
    /// For hovering.
    pub title: String,
    /// The higher, the later its name is dropped.
    pub weight: f64,
}

/// The recording of a lamp with its lines named.
pub struct LampPanel<'a> {
    /// The recording on an nm axis.
    pub spectrum: &'a Spectrum,
    /// Lines that carry the axis, ascending.
    pub lines: &'a [Named<'a>],
    /// Lines that do not.
    pub left_out: &'a [Named<'a>],
    /// Range of the horizontal axis, nm.
    pub range: (f64, f64),
    /// Width and height of the picture, px.
    pub size: (f64, f64),
    /// Free room at top, right, bottom, left, px.
    pub margins: [f64; 4],
    /// How far the curve is straightened, px; see [`PlotStyle::tolerance_px`].
    pub tolerance: f64,
    /// True for the first frame on the paper.
    pub paper: bool,
}

impl LampPanel<'_> {
    /// Draws axes and curve into the picture's body and everything else into the layer.
    ///
    /// # Errors
    /// [`crate::Error::Draw`] where the plotting library fails.
    pub fn draw(&self, layer: &mut Layer, inks: &Inks) -> Result<Frame> {
        let (low, high) = self.range;
        let [top, right, bottom, left] = self.margins;
        let area_w = self.size.0 - left - right - frame::Y_AXIS_ROOM;
        let area_h = self.size.1 - top - bottom - frame::X_AXIS_ROOM;
        let to_px = |x: f64| (x - low) / (high - low) * area_w;
        let shown: Vec<&Named> =
            self.lines.iter().filter(|l| (low..=high).contains(&l.at)).collect();
        let gap = LABEL_SIZE * LINE_HEIGHT;
        let wishes: Vec<Wish> =
            shown.iter().map(|l| Wish { at: to_px(l.at), weight: l.weight }).collect();
        let placed = place(&wishes, gap, gap / 2.0 + 1.0, area_w - gap / 2.0 - 1.0, REACH);
        let names: Vec<String> =
            shown.iter().map(|l| shortened(l.name, LABEL_SIZE, area_h * 0.35)).collect();
        let room = placed.iter().map(|p| width(&names[p.wish], LABEL_SIZE)).fold(0.0, f64::max);
        let headroom = room + BEND + 8.0;
        let strip = STRIP + 3.0;
        let raw = curve::pieces(self.spectrum, low, high);
        let heights = Heights::new(&raw, &[], Scale::SquareRoot, headroom, strip, area_h);
        let curves = heights.curves(&raw, to_px, area_h, self.tolerance);
        let power = heights.power();
        let unit = &self.spectrum.unit;
        let y_title = match power {
            0 => format!("{unit} (square-root scale)"),
            _ => format!("{unit} / {} (square-root scale)", super::ten_to(power)),
        };
        let (ticks, places) = round_steps(low, high, (area_w / X_TICK_PX) as usize);
        let frame = frame::draw(&FrameSpec {
            size: self.size,
            margins: self.margins,
            x: AxisSpec {
                range: (low, high),
                ticks: ticks.into_iter().map(|v| (v, format::decimals(v, places))).collect(),
                title: "wavelength / nm (air)",
            },
            y: AxisSpec {
                range: heights.range,
                ticks: heights.ticks(area_h, power),
                title: &y_title,
            },
            curves: &curves,
            inks: *inks,
            paper: self.paper,
        })?;
        super::colours::strip(layer, &frame, low, high)?;
        super::under_the_curve(layer, &frame, &curves, self.tolerance, inks);
        let bend = frame.py(heights.top) - 4.0;
        for (i, l) in shown.iter().enumerate() {
            layer.open("anchor", Some(&l.title));
            let x = frame.px(l.at);
            let tip = curve::height_at(&raw, l.at).map_or(heights.range.0, |y| heights.of(y));
            let y = frame.py(tip) - 4.0;
            match placed.iter().find(|p| p.wish == i) {
                Some(p) => {
                    let at = frame.area[0] + p.at;
                    let foot = frame.area[1] + 4.0 + room;
                    let line = [(x, y.max(bend)), (x, bend), (at, foot + 7.0), (at, foot + 3.0)];
                    layer.line(&line, inks.leader, 0.9, "");
                    let style =
                        Type { class: "peak-label", ..Type::plain(LABEL_SIZE, inks.ink_text) };
                    layer.text(at + LABEL_SIZE * 0.35, foot, -90.0, style, &names[i]);
                }
                None => layer.line(&[(x, y), (x, y - 7.0)], inks.leader, 1.2, ""),
            }
            layer.close();
        }
        for l in self.left_out.iter().filter(|l| (low..=high).contains(&l.at)) {
            layer.open("left-out", Some(&l.title));
            errors::cross(layer, frame.px(l.at), frame.area[3] - strip - 6.0, inks);
            layer.close();
        }
        Ok(frame)
    }
}

/// The lines left out of a profile.
pub fn left_out(profile: &Profile) -> Vec<Named<'_>> {
    profile
        .left_out
        .iter()
        .map(|l| Named {
            at: l.wavelength_nm,
            name: &l.feature,
            title: format!("{} left out: {}", l.feature, l.reason),
            weight: 0.0,
        })
        .collect()
}

/// Draws how an axis was set: the lamp's recording with its anchors, and below it the residuals
/// (fitted minus tabulated) with error bars and the band of the axis' uncertainty (both k = 2)
/// over the whole axis. `lamp` is the recording that the profile was made from, as it was read.
///
/// # Errors
/// [`crate::Error::Refused`] where the recording is not of the profile's instrument;
/// [`crate::Error::Usage`] for a style that cannot be drawn; [`crate::Error::Draw`] where the
/// plotting library fails.
pub fn lamp_plot(profile: &Profile, lamp: &Spectrum, style: &PlotStyle) -> Result<String> {
    style.check()?;
    let inks = style.theme.inks();
    let on = profile.apply(lamp)?;
    let (low, high) = style.range.unwrap_or_else(|| super::shown_range(&on, style));
    let (w, h) = (style.width_px, (style.height_px * PAGE).min(PlotStyle::MAX_PX));
    let footer = super::calibration::footer(profile, style);
    let foot = footer.len() as f64 * SMALL_LINE + KEY_ROOM + EDGE;
    let room = h - TITLE_ROOM - foot;
    let split = TITLE_ROOM + UPPER * room;
    let mut layer = Layer::default();
    let name = match style.title.as_str() {
        "" => format!("axis of {}", profile.instrument),
        title => title.to_string(),
    };
    super::title(&mut layer, style, &name, &inks, None);
    let lines: Vec<Named> = profile
        .anchors
        .iter()
        .map(|a| Named {
            at: a.wavelength_nm,
            name: &a.feature,
            title: format!("{}: {} nm (air)", a.feature, format::nm(a.wavelength_nm)),
            weight: 1.0 / a.u_nm.max(1e-6),
        })
        .collect();
    let upper = LampPanel {
        spectrum: &on,
        lines: &lines,
        left_out: &left_out(profile),
        range: (low, high),
        size: (w, h),
        margins: [TITLE_ROOM, RIGHT_EDGE, h - split, EDGE],
        tolerance: style.tolerance_px,
        paper: true,
    }
    .draw(&mut layer, &inks)?;
    let points: Vec<Point> = profile
        .anchors
        .iter()
        .filter(|a| a.residual_nm.is_finite() && a.u_nm.is_finite())
        .map(|a| Point {
            at: a.wavelength_nm,
            value: Measured::new(a.residual_nm, a.u_nm),
            title: format!(
                "{}: {} nm (air), fitted minus tabulated {} nm",
                a.feature,
                format::nm(a.wavelength_nm),
                format::measured(Measured::new(a.residual_nm, a.u_nm))
            ),
        })
        .collect();
    let [a, b] = profile.own_range;
    let mut band: Vec<(f64, Measured)> = (0..BAND_POINTS)
        .map(|i| profile.wavelength(a + (b - a) * i as f64 / (BAND_POINTS - 1) as f64))
        .filter(|m| m.value.is_finite() && m.u.is_finite())
        .map(|m| (m.value, Measured::new(0.0, m.u)))
        .collect();
    band.sort_by(|p, q| p.0.total_cmp(&q.0));
    let lower = ErrorPanel {
        points: &points,
        curve: &band,
        edges: Some(profile.anchored_nm),
        tolerance: None,
        zero: true,
        range: (low, high),
        y_title: "fitted minus tabulated / nm",
        size: (w, h),
        margins: [split + 8.0, RIGHT_EDGE, foot, EDGE],
        paper: false,
    }
    .draw(&mut layer, &inks)?;
    let key = [
        (Sign::Point, "anchor, error bar k = 2"),
        (Sign::Band, "uncertainty of the axis, k = 2"),
        (Sign::Edge, "outermost anchors"),
        (Sign::Cross, "left out"),
    ];
    let signs = if profile.left_out.is_empty() { &key[..3] } else { &key[..] };
    let at = (EDGE + 8.0, h - foot + KEY_ROOM - 8.0);
    errors::key(&mut layer, &inks, at, w - EDGE, signs);
    super::foot(&mut layer, &footer, &inks, h);
    let axis = match profile.own_axis {
        AxisKind::Nm => "its own nm axis, corrected",
        AxisKind::Pixel => "a pixel axis",
    };
    let description = format!(
        "A lamp's recording with {} that carry the axis of {} ({axis}), their residuals, root mean \
         square {} nm, and the uncertainty of the axis; anchored from {} to {} nm (air).",
        format::counted(profile.anchors.len(), "line", "lines"),
        profile.instrument,
        format::two_digits(profile.rms_nm),
        format::nm(profile.anchored_nm[0]),
        format::nm(profile.anchored_nm[1]),
    );
    let body = upper.body + &lower.body;
    Ok(super::document((w, h), &name, &description, "", &body, layer))
}
