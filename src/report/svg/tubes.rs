//! Tubes against each other: their spectra one below the other, and who is like whom.

use super::curve;
use super::frame::{self, AxisSpec, Frame, FrameSpec, round_steps};
use super::layer::{Layer, Type};
use super::style::{Inks, PlotStyle};
use super::text::{shortened, width, wrapped};
use super::{EDGE, RIGHT_EDGE, SMALL, SMALL_LINE, TITLE_ROOM, X_TICK_PX};
use crate::bench::{Examination, PairVerdict, TubeComparison};
use crate::report::format;
use crate::report::terminal::tubes_in_words;
use crate::{Error, Result};

/// Height of one spectrum, px.
const ROW: f64 = 64.0;
/// Spectra that are drawn: those that stand out first, then one of each group, then the rest.
pub const MOST_ROWS: usize = 12;
/// Room of the names beside the spectra, px.
const NAMES: f64 = 150.0;
/// Side of a cell of the matrix, px: at least as much as small print is high.
const CELL: std::ops::RangeInclusive<f64> = 13.0..=26.0;
/// Tubes beyond which a matrix would be larger than a poster.
const MOST_CELLS: usize = 200;
/// Room between the parts, px.
const BETWEEN: f64 = 26.0;
/// How much more than a curve by itself these small ones may be straightened.
const ROUGHER: f64 = 6.0;
/// Most lines of words.
const MOST_WORDS: usize = 6;

/// Draws a comparison; `tubes` are its recordings in its order, none of which are drawn where `most_spectra`
/// is 0. The height of the page follows from the
/// number of tubes.
///
/// # Errors
/// [`Error::Usage`] for a style that cannot be drawn, and for more tubes than a page holds;
/// [`Error::Draw`] where the plotting library fails.
pub fn tubes_plot(
    c: &TubeComparison,
    tubes: &[(&str, &Examination)],
    most_spectra: usize,
    style: &PlotStyle,
) -> Result<String> {
    style.check()?;
    let n = tubes.len();
    if n > MOST_CELLS {
        return Err(Error::usage(
            format!("a drawing of {n} tubes would be larger than a poster"),
            format!("draw {MOST_CELLS} at most, or use --csv"),
        ));
    }
    let inks = style.theme.inks();
    let w = style.width_px;
    let rows = chosen(c, n, most_spectra);
    let mut words = wrapped(&tubes_in_words(c), SMALL + 1.0, w - 2.0 * EDGE - 8.0);
    if words.len() > MOST_WORDS {
        words.truncate(MOST_WORDS);
        if let Some(last) = words.last_mut() {
            last.push_str(" …");
        }
    }
    let top = TITLE_ROOM + words.len() as f64 * (SMALL_LINE + 2.0) + 6.0;
    let rows_foot = top + rows.len() as f64 * ROW + frame::X_AXIS_ROOM;
    let side = ((w - 2.0 * EDGE - NAMES) / n as f64).clamp(*CELL.start(), *CELL.end());
    let label = c.tubes.iter().map(|t| width(t, SMALL)).fold(0.0, f64::max).min(NAMES - 12.0);
    let matrix_top = rows_foot + BETWEEN + label + 8.0;
    let h = matrix_top + side * n as f64 + 3.0 * BETWEEN;
    let mut layer = Layer::default();
    super::title(&mut layer, style, "Tubes against each other", &inks, None);
    for (i, line) in words.iter().enumerate() {
        let y = TITLE_ROOM + 4.0 + i as f64 * (SMALL_LINE + 2.0);
        layer.text(EDGE + 8.0, y, 0.0, Type::plain(SMALL + 1.0, inks.ink_text), line);
    }
    let frame = spectra(&mut layer, tubes, &rows, &inks, [w, h, top, h - rows_foot], style)?;
    matrix(&mut layer, c, &inks, (EDGE + NAMES, matrix_top), side, label);
    key(&mut layer, &inks, (EDGE + 8.0, h - BETWEEN));
    let about = format!(
        "{} against each other. {}",
        format::counted(n, "tube", "tubes"),
        tubes_in_words(c)
    );
    let headline = super::headline(style, "Tubes against each other");
    Ok(super::document((w, h), headline, &about, "", &frame.body, layer))
}

/// Which tubes are drawn, in the order of the comparison.
fn chosen(c: &TubeComparison, n: usize, most: usize) -> Vec<usize> {
    let odd = c.standouts.iter().map(|s| s.tube);
    let firsts = c.groups.iter().filter_map(|g| g.first().copied());
    let mut out: Vec<usize> = Vec::new();
    for i in odd.chain(firsts).chain(0..n) {
        if out.len() < most && !out.contains(&i) {
            out.push(i);
        }
    }
    out.sort_unstable();
    out
}

/// The spectra one below the other, each as high as its row, on a square-root scale.
fn spectra(
    layer: &mut Layer,
    tubes: &[(&str, &Examination)],
    rows: &[usize],
    inks: &Inks,
    [w, h, top, below]: [f64; 4],
    style: &PlotStyle,
) -> Result<Frame> {
    let ranges = rows.iter().map(|i| tubes[*i].1.spectrum.axis().range());
    let (low, high) =
        ranges.fold((f64::INFINITY, f64::NEG_INFINITY), |r, s| (r.0.min(s.0), r.1.max(s.1)));
    let (low, high) = style.range.unwrap_or((low, high));
    let left = EDGE + NAMES - frame::Y_AXIS_ROOM;
    let area_w = w - left - frame::Y_AXIS_ROOM - RIGHT_EDGE;
    let (ticks, places) = round_steps(low, high, (area_w / X_TICK_PX) as usize);
    let frame = frame::draw(&FrameSpec {
        size: (w, h),
        margins: [top, RIGHT_EDGE, below, left],
        x: AxisSpec {
            range: (low, high),
            ticks: ticks.into_iter().map(|v| (v, format::decimals(v, places))).collect(),
            title: "wavelength / nm (air), each axis less its common shift",
        },
        y: AxisSpec { range: (0.0, 1.0), ticks: Vec::new(), title: "" },
        curves: &[],
        inks: *inks,
        paper: true,
    })?;
    let [from, area_top, to, area_foot] = frame.area;
    let row = (area_foot - area_top) / rows.len().max(1) as f64;
    for (k, i) in rows.iter().enumerate() {
        let (name, e) = tubes[*i];
        let foot = area_top + (k + 1) as f64 * row;
        let shift = e.gases.as_ref().map_or(0.0, |g| g.shift_nm.value);
        let above: Vec<f64> = e
            .spectrum
            .counts()
            .iter()
            .zip(&e.peaks.baseline)
            .map(|(c, b)| if b.is_finite() { (c - b).max(0.0) } else { 0.0 })
            .collect();
        let most = above.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
        layer.open("tube", Some(name));
        layer.line(&[(from, foot), (to, foot)], inks.leader, 0.6, "");
        let pieces = curve::pieces(&e.spectrum, low - shift, high - shift);
        let lines: Vec<Vec<(f64, f64)>> = pieces
            .iter()
            .map(|piece| {
                let points = piece.iter().map(|(x, _)| {
                    let at = e.spectrum.axis().index_of(*x).round() as usize;
                    let y = above.get(at).copied().unwrap_or(0.0);
                    (frame.px(x + shift), foot - (y / most).sqrt() * (row - 6.0))
                });
                let points =
                    curve::thinned(&points.collect::<Vec<_>>(), |x| (x * 2.0).floor() as i64);
                let kept = curve::needed(&points, ROUGHER * style.tolerance_px);
                kept.into_iter().map(|i| points[i]).collect()
            })
            .collect();
        layer.lines(&lines, inks.curve_text, 0.9, "");
        let text = shortened(name, SMALL + 1.0, NAMES - 16.0);
        let set = Type { anchor: "end", ..Type::plain(SMALL + 1.0, inks.ink_text) };
        layer.text(from - 8.0, foot - 4.0, 0.0, set, &text);
        layer.close();
    }
    Ok(frame)
}

/// One cell a pair.
fn matrix(
    layer: &mut Layer,
    c: &TubeComparison,
    inks: &Inks,
    (left, top): (f64, f64),
    side: f64,
    label: f64,
) {
    let n = c.tubes.len();
    layer.open("matrix", Some("one cell a pair of tubes"));
    let words = Type::plain(SMALL, inks.ink_text);
    let right = Type { anchor: "end", ..words };
    for (i, name) in c.tubes.iter().enumerate() {
        let odd = c.standouts.iter().any(|s| s.tube == i);
        let name = shortened(name, SMALL, label);
        let middle = (i as f64 + 0.5) * side;
        let style = Type { bold: odd, ..right };
        layer.text(left - 6.0, top + middle + 4.0, 0.0, style, &name);
        let style = Type { bold: odd, ..words };
        layer.text(left + middle + 4.0, top - 6.0, -90.0, style, &name);
        layer.rectangle(
            (left + middle - side / 2.0, top + middle - side / 2.0),
            (side, side),
            inks.leader,
            0.35,
        );
    }
    for v in [PairVerdict::SameFill, PairVerdict::Differs, PairVerdict::CannotTell] {
        let of_kind = c.pairs.iter().filter(|p| p.verdict == v);
        let both = of_kind.flat_map(|p| [(p.first, p.second), (p.second, p.first)]);
        let places: Vec<(f64, f64)> =
            both.map(|(i, k)| (left + k as f64 * side, top + i as f64 * side)).collect();
        signs(layer, v, inks, &places, side);
    }
    let end = n as f64 * side;
    let outline =
        [(left, top), (left + end, top), (left + end, top + end), (left, top + end), (left, top)];
    layer.line(&outline, inks.soft, 1.0, "");
    layer.close();
}

/// Filled cells for the same, crosses for differences, dots for what cannot be told; one element for all
/// cells of a kind, whose upper left corners are `places`.
fn signs(layer: &mut Layer, v: PairVerdict, inks: &Inks, places: &[(f64, f64)], side: f64) {
    let square = |(x, y): &(f64, f64), from: f64, to: f64| {
        vec![(x + from, y + from), (x + to, y + from), (x + to, y + to), (x + from, y + to)]
    };
    if places.is_empty() {
        return;
    }
    match v {
        PairVerdict::SameFill => {
            let cells: Vec<_> = places.iter().map(|p| square(p, 1.0, side - 1.0)).collect();
            layer.shapes(&cells, inks.curve_text, 0.75);
        }
        PairVerdict::Differs => {
            let (a, b) = (side * 0.25, side * 0.75);
            let strokes = places.iter().flat_map(|(x, y)| {
                [vec![(x + a, y + a), (x + b, y + b)], vec![(x + a, y + b), (x + b, y + a)]]
            });
            layer.lines(&strokes.collect::<Vec<_>>(), inks.alert, 1.6, "");
        }
        PairVerdict::CannotTell => {
            let middle = side / 2.0;
            let dots: Vec<_> =
                places.iter().map(|p| square(p, middle - 1.0, middle + 1.0)).collect();
            layer.shapes(&dots, inks.soft, 1.0);
        }
    }
}

/// What the signs mean.
fn key(layer: &mut Layer, inks: &Inks, (mut x, y): (f64, f64)) {
    layer.open("key", None);
    let words = Type::plain(SMALL, inks.soft);
    let entries = [
        (PairVerdict::SameFill, "same fill"),
        (PairVerdict::Differs, "differs"),
        (PairVerdict::CannotTell, "cannot tell"),
    ];
    for (v, text) in entries {
        signs(layer, v, inks, &[(x, y - 11.0)], 14.0);
        layer.text(x + 20.0, y, 0.0, words, text);
        x += 44.0 + width(text, SMALL);
    }
    layer.text(
        x,
        y,
        0.0,
        words,
        "bold: stands out of the drawer; spectra on a square-root scale, each to its highest",
    );
    layer.close();
}
