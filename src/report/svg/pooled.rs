//! Where the instruments of a pool stand: offset and 95 % interval of each.

use super::frame::{self, AxisSpec, FrameSpec, round_steps};
use super::layer::{Layer, Type};
use super::style::PlotStyle;
use super::text::{shortened, wrapped};
use super::{EDGE, RIGHT_EDGE, SMALL, SMALL_LINE, TITLE_ROOM, X_TICK_PX};
use crate::bench::pool::PoolReport;
use crate::report::format;
use crate::{Error, Result};

/// Height of one instrument, px.
const ROW: f64 = 26.0;
/// Room of the names, px.
const NAMES: f64 = 230.0;
/// Most instruments that are drawn.
const MOST: usize = 300;
/// Standard deviations of a 95 % interval.
const K95: f64 = 1.96;

/// Draws the offsets of the instruments. The height of the page follows from their number.
///
/// # Errors
/// [`Error::Usage`] for a style that cannot be drawn, and without an instrument whose lines tell of its axis;
/// [`Error::Draw`] where the plotting library fails.
pub fn pooled_plot(r: &PoolReport, style: &PlotStyle) -> Result<String> {
    style.check()?;
    if r.instruments.is_empty() || r.instruments.len() > MOST {
        return Err(Error::usage(
            format!("{} instruments cannot be drawn", r.instruments.len()),
            format!(
                "draw 1 to {MOST}; an instrument needs a profile and at least three lines of known species"
            ),
        ));
    }
    let inks = style.theme.inks();
    let w = style.width_px;
    let reach = r
        .instruments
        .iter()
        .map(|i| i.offset_nm.abs() + K95 * i.u_nm)
        .filter(|v| v.is_finite())
        .fold(1e-3, f64::max)
        * 1.08;
    let note = "Dot: median of measured less tabulated wavelength over the instrument's lines; bar: 95 % interval; \
                open square: stands off, all instruments in mind (Holm, 5 %).";
    let note = wrapped(note, SMALL, w - 2.0 * EDGE - 8.0);
    let foot = EDGE + note.len() as f64 * SMALL_LINE;
    let h = TITLE_ROOM + ROW * r.instruments.len() as f64 + frame::X_AXIS_ROOM + foot + 8.0;
    let left = EDGE + NAMES - frame::Y_AXIS_ROOM;
    let area_w = w - left - frame::Y_AXIS_ROOM - RIGHT_EDGE;
    let (ticks, places) = round_steps(-reach, reach, (area_w / X_TICK_PX) as usize);
    let frame = frame::draw(&FrameSpec {
        size: (w, h),
        margins: [TITLE_ROOM, RIGHT_EDGE, foot + 8.0, left],
        x: AxisSpec {
            range: (-reach, reach),
            ticks: ticks.into_iter().map(|v| (v, format::decimals(v, places))).collect(),
            title: "measured less tabulated wavelength / nm",
        },
        y: AxisSpec { range: (0.0, 1.0), ticks: Vec::new(), title: "" },
        curves: &[],
        inks,
        paper: true,
    })?;
    let mut layer = Layer::default();
    super::title(&mut layer, style, "Instruments", &inks, None);
    let [from, top, _, bottom] = frame.area;
    let zero = frame.px(0.0);
    layer.line(&[(zero, top), (zero, bottom)], inks.leader, 1.0, "4 3");
    let row = (bottom - top) / r.instruments.len() as f64;
    for (k, i) in r.instruments.iter().enumerate() {
        let y = top + (k as f64 + 0.5) * row;
        let name = if i.name.is_empty() { "not told" } else { &i.name };
        let about =
            format!("{name}: {} nm", format::measured(crate::Measured::new(i.offset_nm, i.u_nm)));
        layer.open(if i.stands_off { "instrument off" } else { "instrument" }, Some(&about));
        let ink = if i.stands_off { inks.alert } else { inks.curve_text };
        let (a, b) = (frame.px(i.offset_nm - K95 * i.u_nm), frame.px(i.offset_nm + K95 * i.u_nm));
        layer.line(&[(a, y), (b, y)], ink, 1.6, "");
        let x = frame.px(i.offset_nm);
        if i.stands_off {
            let s = 4.5;
            let square = [(x - s, y - s), (x + s, y - s), (x + s, y + s), (x - s, y + s)];
            layer.shape(&square, inks.paper_text, 1.0, ink);
        } else {
            layer.circle((x, y), 3.6, ink, ink);
        }
        let text = shortened(name, SMALL + 1.0, NAMES - 20.0);
        let set =
            Type { anchor: "end", bold: i.stands_off, ..Type::plain(SMALL + 1.0, inks.ink_text) };
        layer.text(from - 10.0, y + 4.0, 0.0, set, &text);
        layer.close();
    }
    for (k, line) in note.iter().enumerate() {
        let y = h - foot + (k + 1) as f64 * SMALL_LINE - 4.0;
        layer.text(EDGE + 8.0, y, 0.0, Type::plain(SMALL, inks.soft), line);
    }
    let about = format!(
        "Offsets of {}.",
        format::counted(r.instruments.len(), "instrument", "instruments")
    );
    let headline = super::headline(style, "Instruments");
    Ok(super::document((w, h), headline, &about, "", &frame.body, layer))
}
