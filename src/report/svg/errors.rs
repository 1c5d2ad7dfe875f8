//! Errors along an axis: points with error bars, a curve with its band, a tolerance.

use super::frame::{self, AxisSpec, Frame, FrameSpec, round_steps};
use super::layer::{Layer, Type};
use super::style::Inks;
use super::text::width;
use super::{SMALL, X_TICK_PX, Y_TICK_PX};
use crate::report::format;
use crate::{Measured, Result};

/// Coverage factor of bands and error bars.
pub const K: f64 = 2.0;
/// The vertical axis shows at most this many times the span of the points with their error bars;
/// the band may leave the plot beyond the outermost lines.
const MOST_BAND: f64 = 2.5;
/// Free room above and below the content, as a share of its span.
const AIR: f64 = 0.12;
/// Least span of the vertical axis, nm.
const LEAST_SPAN: f64 = 2e-3;
/// Half width of the caps of error bars, px.
const CAP: f64 = 4.0;

/// One point.
pub struct Point {
    /// Place, nm.
    pub at: f64,
    /// Value with its standard uncertainty.
    pub value: Measured,
    /// For hovering.
    pub title: String,
}

/// What is drawn.
pub struct ErrorPanel<'a> {
    /// Points, drawn with error bars (k = 2).
    pub points: &'a [Point],
    /// A curve with its standard uncertainty: `(place, value)`, ascending.
    pub curve: &'a [(f64, Measured)],
    /// Outermost lines, nm.
    pub edges: Option<[f64; 2]>,
    /// Largest error that is allowed.
    pub tolerance: Option<f64>,
    /// True where zero must be in the picture and is marked by a line.
    pub zero: bool,
    /// Range of the horizontal axis, nm.
    pub range: (f64, f64),
    /// Title of the vertical axis.
    pub y_title: &'a str,
    /// Width and height of the picture, px.
    pub size: (f64, f64),
    /// Free room at top, right, bottom, left, px.
    pub margins: [f64; 4],
    /// True for the first frame on the paper.
    pub paper: bool,
}

impl ErrorPanel<'_> {
    /// Lowest and highest value that are shown.
    fn shown(&self) -> (f64, f64) {
        let ends = |m: Measured| [m.value - K * m.u, m.value + K * m.u];
        let inside = |x: f64| self.edges.is_none_or(|[a, b]| (a..=b).contains(&x));
        let points = self.points.iter().flat_map(|p| ends(p.value));
        let curve = self.curve.iter().filter(|c| inside(c.0)).flat_map(|c| ends(c.1));
        let zero = self.zero.then_some(0.0);
        let wanted: Vec<f64> = points.chain(curve).chain(zero).filter(|v| v.is_finite()).collect();
        let least = |v: &[f64]| v.iter().copied().fold(f64::INFINITY, f64::min);
        let most = |v: &[f64]| v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (mut low, mut high) = (least(&wanted), most(&wanted));
        if !(low.is_finite() && high.is_finite()) {
            (low, high) = (-1.0, 1.0);
        }
        let span = (high - low).max(LEAST_SPAN);
        // The band beyond the lines and the tolerance are welcome as far as they leave room.
        let reach = 0.5 * (MOST_BAND - 1.0) * span;
        let limits = self.tolerance.into_iter().flat_map(|t| [-t, t]);
        let more: Vec<f64> = self
            .curve
            .iter()
            .flat_map(|c| ends(c.1))
            .chain(limits)
            .filter(|v| v.is_finite())
            .map(|v| v.clamp(low - reach, high + reach))
            .collect();
        let (low, high) = (low.min(least(&more)), high.max(most(&more)));
        let air = AIR * (high - low).max(LEAST_SPAN);
        (low - air, high + air)
    }

    /// Draws axes into the picture's body and everything else into the layer.
    ///
    /// # Errors
    /// [`crate::Error::Draw`] where the plotting library fails.
    pub fn draw(&self, layer: &mut Layer, inks: &Inks) -> Result<Frame> {
        let (low, high) = self.shown();
        let [top, right, bottom, left] = self.margins;
        let area_w = self.size.0 - left - right - frame::Y_AXIS_ROOM;
        let area_h = self.size.1 - top - bottom - frame::X_AXIS_ROOM;
        let (x_ticks, x_places) =
            round_steps(self.range.0, self.range.1, (area_w / X_TICK_PX) as usize);
        let (y_ticks, y_places) = round_steps(low, high, (area_h / Y_TICK_PX).max(2.0) as usize);
        let words = |ticks: Vec<f64>, places: i32| -> Vec<(f64, String)> {
            ticks.into_iter().map(|v| (v, format::decimals(v, places))).collect()
        };
        let frame = frame::draw(&FrameSpec {
            size: self.size,
            margins: self.margins,
            x: AxisSpec {
                range: self.range,
                ticks: words(x_ticks, x_places),
                title: "wavelength / nm (air)",
            },
            y: AxisSpec {
                range: (low, high),
                ticks: words(y_ticks, y_places),
                title: self.y_title,
            },
            curves: &[],
            inks: *inks,
            paper: self.paper,
        })?;
        let y = |v: f64| frame.py(v.clamp(low, high));
        let (x0, x1) = (frame.px(self.range.0), frame.px(self.range.1));
        self.band(layer, &frame, inks, (low, high));
        if self.zero {
            layer.line(&[(x0, y(0.0)), (x1, y(0.0))], inks.soft, 1.0, "");
        }
        for t in self.tolerance.into_iter().flat_map(|t| [-t, t]) {
            if (low..=high).contains(&t) {
                layer.line(&[(x0, y(t)), (x1, y(t))], inks.alert, 1.3, "8 4");
            }
        }
        for edge in self.edges.iter().flatten() {
            if (self.range.0..=self.range.1).contains(edge) {
                let x = frame.px(*edge);
                layer.line(&[(x, y(low)), (x, y(high))], inks.soft, 1.0, "2 4");
            }
        }
        for p in self.points.iter().filter(|p| (self.range.0..=self.range.1).contains(&p.at)) {
            layer.open("point", Some(&p.title));
            let x = frame.px(p.at);
            let bar = (y(p.value.value + K * p.value.u), y(p.value.value - K * p.value.u));
            layer.line(&[(x, bar.0), (x, bar.1)], inks.ink_text, 1.3, "");
            for end in [bar.0, bar.1] {
                layer.line(&[(x - CAP, end), (x + CAP, end)], inks.ink_text, 1.3, "");
            }
            layer.circle((x, y(p.value.value)), 3.5, inks.paper_text, inks.ink_text);
            layer.close();
        }
        Ok(frame)
    }

    /// The band as a tone, and the curve where it is inside the plot.
    fn band(&self, layer: &mut Layer, frame: &Frame, inks: &Inks, (low, high): (f64, f64)) {
        let inside = |c: &&(f64, Measured)| {
            (self.range.0..=self.range.1).contains(&c.0)
                && c.1.value.is_finite()
                && c.1.u.is_finite()
        };
        let curve: Vec<&(f64, Measured)> = self.curve.iter().filter(inside).collect();
        if curve.len() < 2 {
            return;
        }
        let place = |c: &(f64, Measured), sign: f64| {
            (frame.px(c.0), frame.py((c.1.value + sign * K * c.1.u).clamp(low, high)))
        };
        layer.open("band", Some("uncertainty, k = 2"));
        let upper = curve.iter().map(|c| place(c, 1.0));
        let lower = curve.iter().rev().map(|c| place(c, -1.0));
        let outline: Vec<(f64, f64)> = upper.chain(lower).collect();
        layer.shape(&outline, inks.curve_text, 0.16, "none");
        // A curve that is zero all along is the line of zero.
        let middle = self.zero && curve.iter().any(|c| c.1.value != 0.0);
        for sign in [-1.0, 0.0, 1.0] {
            let shown =
                |c: &&(f64, Measured)| (low..=high).contains(&(c.1.value + sign * K * c.1.u));
            let pen = if sign == 0.0 { 1.6 } else { 0.8 };
            for piece in curve.chunk_by(|a, b| shown(a) == shown(b)) {
                if piece.first().is_some_and(shown) && (sign != 0.0 || middle || !self.zero) {
                    let line: Vec<(f64, f64)> = piece.iter().map(|c| place(c, sign)).collect();
                    layer.line(&line, inks.curve_text, pen, "");
                }
            }
        }
        layer.close();
    }
}

/// A sign of the key.
pub enum Sign {
    /// Point with error bar.
    Point,
    /// Toned band.
    Band,
    /// Dotted upright line.
    Edge,
    /// Dashed line of a tolerance.
    Tolerance,
    /// Cross.
    Cross,
}

/// One line of signs with their words, from `at`, as many as fit before `right`.
pub fn key(layer: &mut Layer, inks: &Inks, at: (f64, f64), right: f64, entries: &[(Sign, &str)]) {
    let words = Type::plain(SMALL, inks.soft);
    let (mut x, y) = at;
    layer.open("key", None);
    for (sign, text) in entries {
        if x + 24.0 + width(text, SMALL) > right {
            break;
        }
        match sign {
            Sign::Point => {
                layer.line(&[(x + 9.0, y - 11.0), (x + 9.0, y + 3.0)], inks.ink_text, 1.3, "");
                layer.circle((x + 9.0, y - 4.0), 3.5, inks.paper_text, inks.ink_text);
            }
            Sign::Band => layer.rectangle((x, y - 9.0), (18.0, 10.0), inks.curve_text, 0.3),
            Sign::Edge => {
                layer.line(&[(x + 9.0, y - 12.0), (x + 9.0, y + 4.0)], inks.soft, 1.2, "2 2");
            }
            Sign::Tolerance => {
                layer.line(&[(x, y - 4.0), (x + 18.0, y - 4.0)], inks.alert, 1.3, "8 4");
            }
            Sign::Cross => cross(layer, x + 9.0, y - 4.0, inks),
        }
        layer.text(x + 24.0, y, 0.0, words, text);
        x += 24.0 + width(text, SMALL) + 16.0;
    }
    layer.close();
}

/// The sign of a line that was left out.
pub fn cross(layer: &mut Layer, x: f64, y: f64, inks: &Inks) {
    for s in [1.0, -1.0] {
        layer.line(&[(x - 3.5, y - 3.5 * s), (x + 3.5, y + 3.5 * s)], inks.alert, 1.3, "");
    }
}
