//! Axes, ticks and curves, drawn by the plotting library.
//!
//! The library knows whole pixels only, so everything is drawn on a canvas that is [`FINE`] times
//! too large and shrunk by a transform; and it writes text 1.24 times too small.

use super::layer::number;
use super::style::Inks;
use crate::{Error, Result};
use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};
use plotters::prelude::*;
use std::fmt::Write;
use std::ops::Range;

/// Canvas units a px.
const FINE: f64 = 10.0;
/// Asked size over written size of text in this backend.
const TEXT_FACTOR: f64 = 1.24;
/// Size of tick labels and axis titles, px.
pub const AXIS_SIZE: f64 = 12.0;
/// Width of the curve, px.
const CURVE_WIDTH: f64 = 1.2;
/// Room for y ticks and y title, px.
pub const Y_AXIS_ROOM: f64 = 66.0;
/// Room for x ticks and x title, px.
pub const X_AXIS_ROOM: f64 = 44.0;

/// One axis of a plot.
#[derive(Clone)]
pub struct AxisSpec<'a> {
    /// Ends.
    pub range: (f64, f64),
    /// Places of ticks with what is written there.
    pub ticks: Vec<(f64, String)>,
    /// Title with unit.
    pub title: &'a str,
}

/// For the plotting library: ticks and their words are those of the specification.
impl Ranged for AxisSpec<'_> {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        let share = (value - self.range.0) / (self.range.1 - self.range.0);
        // A conversion that saturates: what is not finite must not get here, and does no harm.
        (f64::from(limit.0) + share * f64::from(limit.1 - limit.0)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if hint.weight().allow_light_points() {
            return Vec::new();
        }
        self.ticks.iter().map(|t| t.0).collect()
    }

    fn range(&self) -> Range<f64> {
        self.range.0..self.range.1
    }
}

impl ValueFormatter<f64> for AxisSpec<'_> {
    fn format_ext(&self, value: &f64) -> String {
        self.ticks.iter().find(|t| t.0 == *value).map(|t| t.1.clone()).unwrap_or_default()
    }
}

/// What is to be drawn.
pub struct FrameSpec<'a> {
    /// Width and height of the picture, px.
    pub size: (f64, f64),
    /// Free room at top, right, bottom, left, outside the axes, px.
    pub margins: [f64; 4],
    /// Horizontal axis.
    pub x: AxisSpec<'a>,
    /// Vertical axis.
    pub y: AxisSpec<'a>,
    /// Pieces of the curve, in axis values.
    pub curves: &'a [Vec<(f64, f64)>],
    /// Colours.
    pub inks: Inks,
    /// False for a further frame on the same paper, which would hide the first.
    pub paper: bool,
}

/// The drawn frame and how axis values map to px.
pub struct Frame {
    /// SVG elements, to be put into the root.
    pub body: String,
    /// Left, top, right, bottom of the plotting area, px.
    pub area: [f64; 4],
    x: (f64, f64),
    y: (f64, f64),
}

impl Frame {
    /// Horizontal place of an axis value, px.
    pub fn px(&self, x: f64) -> f64 {
        let [left, _, right, _] = self.area;
        left + (x - self.x.0) / (self.x.1 - self.x.0) * (right - left)
    }

    /// Vertical place of an axis value, px.
    pub fn py(&self, y: f64) -> f64 {
        let [_, top, _, bottom] = self.area;
        bottom - (y - self.y.0) / (self.y.1 - self.y.0) * (bottom - top)
    }
}

/// Draws axes and curves.
///
/// # Errors
/// [`Error::Draw`] where the library fails.
pub fn draw(spec: &FrameSpec<'_>) -> Result<Frame> {
    let mut svg = String::new();
    let area = draw_into(&mut svg, spec).map_err(Error::Draw)?;
    // The root tag is ours to write; what is between its ends is kept.
    let start = svg.find("<svg").and_then(|i| svg[i..].find('>').map(|j| i + j + 1));
    let (Some(start), Some(end)) = (start, svg.rfind("</svg>")) else {
        return Err(Error::Draw("the backend gave no SVG root".into()));
    };
    let mut body = String::new();
    let _ = write!(body, "<g transform=\"scale({})\">", number(1.0 / FINE));
    body.push_str(svg.get(start..end).unwrap_or_default());
    body.push_str("</g>\n");
    Ok(Frame { body, area, x: spec.x.range, y: spec.y.range })
}

fn draw_into(svg: &mut String, spec: &FrameSpec<'_>) -> Result<[f64; 4], String> {
    let fine = |px: f64| (px * FINE).round() as i32;
    let say = |e: &dyn std::fmt::Display| e.to_string();
    let size = (fine(spec.size.0) as u32, fine(spec.size.1) as u32);
    let root = SVGBackend::with_string(svg, size).into_drawing_area();
    let colour = |c: (u8, u8, u8)| RGBColor(c.0, c.1, c.2);
    if spec.paper {
        root.fill(&colour(spec.inks.paper)).map_err(|e| say(&e))?;
    }
    let [top, right, bottom, left] = spec.margins.map(fine);
    let inner = root.margin(top, bottom, left, right);
    let mut chart = ChartBuilder::on(&inner)
        .x_label_area_size(fine(X_AXIS_ROOM))
        .y_label_area_size(fine(Y_AXIS_ROOM))
        .build_cartesian_2d(spec.x.clone(), spec.y.clone())
        .map_err(|e| say(&e))?;
    let ink = colour(spec.inks.ink);
    let type_size = AXIS_SIZE * FINE * TEXT_FACTOR;
    let font = (super::text::FAMILY, type_size).into_font().color(&ink);
    chart
        .configure_mesh()
        .disable_mesh()
        .axis_style(ink.stroke_width(fine(1.0) as u32))
        .set_all_tick_mark_size(fine(5.0))
        .label_style(font.clone())
        .axis_desc_style(font)
        .x_desc(spec.x.title)
        .y_desc(spec.y.title)
        .draw()
        .map_err(|e| say(&e))?;
    let style = colour(spec.inks.curve).stroke_width(fine(CURVE_WIDTH) as u32);
    for piece in spec.curves {
        match piece.as_slice() {
            [] => {}
            [(x, y)] => {
                let dot = Circle::new((*x, *y), fine(2.0), style.filled());
                chart.draw_series([dot]).map_err(|e| say(&e))?;
            }
            many => {
                let path = PathElement::new(many.to_vec(), style);
                chart.draw_series([path]).map_err(|e| say(&e))?;
            }
        }
    }
    let (x, y) = chart.plotting_area().get_pixel_range();
    let area = [x.start, y.start, x.end, y.end].map(|v| f64::from(v) / FINE);
    root.present().map_err(|e| say(&e))?;
    Ok(area)
}

/// Round numbers between `low` and `high`, steps of 1, 2 or 5 times a power of ten, about
/// `wanted` of them and two at least, with the number of decimals they need.
pub fn round_steps(low: f64, high: f64, wanted: usize) -> (Vec<f64>, i32) {
    /// Finer steps are tried so often where fewer than two fall into the range.
    const TRIES: u32 = 4;
    let span = high - low;
    if !(span.is_finite() && span > 0.0) {
        return (Vec::new(), 0);
    }
    let mut found = (Vec::new(), 0);
    for finer in 0..TRIES {
        found = steps_of(low, high, span / (wanted.max(1) << finer) as f64);
        if found.0.len() > 1 {
            break;
        }
    }
    found
}

/// Multiples of the round number that is next to `rough` from above.
fn steps_of(low: f64, high: f64, rough: f64) -> (Vec<f64>, i32) {
    // By way of text: the same on every machine, unlike a logarithm near whole numbers.
    let power = format!("{rough:e}").rsplit_once('e').and_then(|(_, e)| e.parse::<i32>().ok());
    let power = power.unwrap_or(0);
    let unit: f64 = format!("1e{power}").parse().unwrap_or(1.0);
    let factor = [1.0, 2.0, 5.0, 10.0].into_iter().find(|f| f * unit >= rough * 0.999);
    let step = factor.unwrap_or(10.0) * unit;
    let first = (low / step - 1e-9).ceil();
    let count = ((high / step + 1e-9).floor() - first + 1.0).max(0.0) as usize;
    let places = if factor == Some(10.0) { -power - 1 } else { -power };
    ((0..count).map(|i| (first + i as f64) * step).collect(), places.clamp(-15, 15))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn steps_are_round() {
        assert_eq!(
            round_steps(300.0, 1000.0, 7).0,
            [300.0, 400.0, 500.0, 600.0, 700.0, 800.0, 900.0, 1000.0]
        );
        assert_eq!(
            round_steps(0.0, 1.0, 5),
            (vec![0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0], 1)
        );
        assert!(round_steps(1.0, 1.0, 5).0.is_empty());
        // The first step that is tried, 500 000, has no multiple in this range.
        assert_eq!(round_steps(-479_557.0, -63_901.0, 2).0, [-400_000.0, -200_000.0]);
    }

    #[test]
    fn two_steps_on_a_range_that_starts_between_them() {
        let (a, span) = (557_212.860_645_424_7, 414_141.142_744_197_3);
        let (t, _) = round_steps(a, a + span, 2);
        assert!((2..=6).contains(&t.len()), "{t:?}");
        assert!(t.iter().all(|v| (a..=a + span).contains(v)), "{t:?}");
    }

    proptest! {
        #[test]
        fn steps_are_within_and_not_too_many(a in -1e6f64..1e6, span in 1e-3f64..1e6, n in 2usize..12) {
            let (t, _) = round_steps(a, a + span, n);
            prop_assert!((2..=n.max(4) + 2).contains(&t.len()), "{}", t.len());
            for v in t {
                prop_assert!(v >= a - span * 1e-6 && v <= a + span * (1.0 + 1e-6));
            }
        }
    }
}
