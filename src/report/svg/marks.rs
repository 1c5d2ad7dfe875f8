//! Peaks on paper: what each is called, where its label stands, which sign it carries.

use super::frame::Frame;
use super::labels::{Placed, Wish, place};
use super::layer::{Layer, Type};
use super::style::Inks;
use super::text::{LINE_HEIGHT, shortened, width};
use crate::gases::{GasReport, Verdict};
use crate::report::format;
use crate::signal::{Peak, PeakList};
use crate::{AxisKind, Spectrum};

/// Size of peak labels, px.
pub const LABEL_SIZE: f64 = 11.5;
/// Least distance of the middle lines of two labels, px.
const GAP: f64 = LABEL_SIZE * LINE_HEIGHT;
/// Largest shift of a label from its peak, px.
const REACH: f64 = 64.0;
/// Height of the zone in which leader lines turn towards their labels, px.
const BEND: f64 = 26.0;
/// Room of a sign above the tip of a peak, px.
const SIGN_ROOM: f64 = 13.0;
/// Labels take at most this share of the height of the plotting area.
const MOST_LABEL: f64 = 0.36;
/// … but always as much as a species and a wavelength need, px.
const USUAL_LABEL: f64 = 76.0;
/// Free room above the labels, px.
const ABOVE: f64 = 4.0;
/// Weight of the first line of a species that is seen or likely: before all others.
const FIRST_LINE: f64 = 1e3;

/// What a peak is to the reader.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sort {
    /// No gas report: only a place.
    Plain,
    /// Taken for a line of a species.
    Claimed,
    /// Nobody claims it.
    Unclaimed,
    /// A ghost, room light and the like.
    Ghost,
}

/// One peak with its words.
#[derive(Debug, Clone)]
pub struct Mark {
    /// Place, axis units.
    pub x: f64,
    /// Label.
    pub label: String,
    /// For hovering.
    pub title: String,
    /// Kind.
    pub sort: Sort,
    /// At the end of the recording's range.
    pub clipped: bool,
    weight: f64,
}

/// Where the labels stand.
#[derive(Debug)]
pub struct Plan {
    /// Places in px from the left of the plotting area; `wish` is the index of the mark.
    pub placed: Vec<Placed>,
    /// Peaks without a label.
    pub dropped: usize,
    /// Room above the highest point of the curve, px.
    pub headroom: f64,
    /// Room of the labels themselves, px.
    label_room: f64,
}

/// Marks of the peaks that `in_range` lets through, ascending along the axis.
pub fn of_peaks(
    spectrum: &Spectrum,
    list: &PeakList,
    gases: Option<&GasReport>,
    in_range: impl Fn(f64) -> bool,
) -> Vec<Mark> {
    let strongest = list.peaks.iter().filter_map(|p| p.height).map(|h| h.value).fold(0.0, f64::max);
    let mut marks: Vec<Mark> = list
        .peaks
        .iter()
        .enumerate()
        .filter(|(_, p)| p.centre.value.is_finite() && in_range(p.centre.value))
        .map(|(i, p)| mark(i, p, spectrum, list.axis, gases, strongest))
        .collect();
    marks.sort_by(|a, b| a.x.total_cmp(&b.x));
    marks
}

fn mark(
    i: usize,
    peak: &Peak,
    spectrum: &Spectrum,
    axis: AxisKind,
    gases: Option<&GasReport>,
    strongest: f64,
) -> Mark {
    let (unit, places) = match axis {
        AxisKind::Nm => ("nm", 2),
        AxisKind::Pixel => ("px", 1),
    };
    let own = format::decimals(peak.centre.value, places);
    let found = gases.and_then(|g| g.assignments.iter().find(|a| a.peak == i));
    let ghost = gases.and_then(|g| g.ghosts.iter().find(|g| g.peak == i));
    let claim = found.and_then(|a| a.label.clone());
    let (sort, label, what) = match (gases, ghost, claim) {
        (None, ..) => (Sort::Plain, own, String::new()),
        (_, Some(g), label) => {
            (Sort::Ghost, label.unwrap_or(format!("ghost {own}")), g.what.clone())
        }
        (_, None, Some(label)) => (Sort::Claimed, label.clone(), label),
        (_, None, None) => (Sort::Unclaimed, format!("? {own}"), "claimed by nobody".into()),
    };
    let mut title = if what.is_empty() { String::new() } else { format!("{what}; ") };
    title.push_str(&format!("centre {} {unit}", format::measured(peak.centre)));
    match peak.height {
        Some(h) => title.push_str(&format!(", height {} {}", format::measured(h), spectrum.unit)),
        None => title.push_str(", height not measured"),
    }
    title.push_str(&format!(", FWHM {} {unit}", format::measured(peak.fwhm)));
    if peak.clipped {
        title.push_str(", clipped");
    }
    // Height in units of the strongest; the strongest line of each species first.
    let height = peak.height_or(strongest).max(0.0);
    let mut weight = if strongest > 0.0 { height / strongest } else { peak.significance };
    if gases.is_some_and(|g| leads(g, i)) {
        weight += FIRST_LINE;
    }
    let weight = if weight.is_finite() { weight } else { 0.0 };
    Mark { x: peak.centre.value, label, title, sort, clipped: peak.clipped, weight }
}

/// True where the peak carries the strongest evidence for a species that is seen or likely.
fn leads(report: &GasReport, peak: usize) -> bool {
    report
        .species
        .iter()
        .filter(|s| matches!(s.verdict, Verdict::Seen | Verdict::Likely))
        .any(|s| s.lines_for.first().is_some_and(|l| l.peak == Some(peak)))
}

/// Chooses and places labels for a plotting area of the given size; labels that are too long for
/// it are shortened.
pub fn plan(marks: &mut [Mark], area_w: f64, area_h: f64, to_px: impl Fn(f64) -> f64) -> Plan {
    let wishes: Vec<Wish> =
        marks.iter().map(|m| Wish { at: to_px(m.x), weight: m.weight }).collect();
    let placed = place(&wishes, GAP, GAP / 2.0 + 1.0, area_w - GAP / 2.0 - 1.0, REACH);
    let most = (area_h * MOST_LABEL).max(USUAL_LABEL);
    let mut label_room: f64 = 0.0;
    for p in &placed {
        let m = &mut marks[p.wish];
        m.label = shortened(&m.label, LABEL_SIZE, most);
        label_room = label_room.max(width(&m.label, LABEL_SIZE));
    }
    let headroom =
        if placed.is_empty() { SIGN_ROOM } else { label_room + ABOVE + BEND + SIGN_ROOM };
    Plan { dropped: marks.len() - placed.len(), placed, headroom, label_room }
}

/// Draws signs, leader lines and labels. `tip` is the height of the curve in px at an axis value,
/// `curve_top` that of its highest point.
pub fn draw(
    layer: &mut Layer,
    marks: &[Mark],
    plan: &Plan,
    frame: &Frame,
    inks: &Inks,
    tip: impl Fn(f64) -> f64,
    curve_top: f64,
) {
    let [left, top, ..] = frame.area;
    let foot_of_labels = top + ABOVE + plan.label_room;
    let bend_from = curve_top - SIGN_ROOM;
    for (i, m) in marks.iter().enumerate() {
        let class = match m.sort {
            Sort::Plain => "peak",
            Sort::Claimed => "peak claimed",
            Sort::Unclaimed => "peak unclaimed",
            Sort::Ghost => "peak ghost",
        };
        let at = format::decimals(m.x, 3);
        // The title begins with the label where somebody claims the peak.
        let told = [("at", at.as_str()), ("label", m.label.as_str())];
        let told = if m.sort == Sort::Claimed { &told[..1] } else { &told[..] };
        layer.open_told(class, &m.title, told);
        let (x, y) = (frame.px(m.x), tip(m.x));
        let (ink, dash) = match m.sort {
            Sort::Plain | Sort::Claimed => (inks.leader, ""),
            Sort::Unclaimed => (inks.alert, "1.5 3"),
            Sort::Ghost => (inks.ghost, "5 3"),
        };
        let signed = m.clipped || matches!(m.sort, Sort::Unclaimed | Sort::Ghost);
        let start = y - if signed { SIGN_ROOM } else { 3.0 };
        if let Some(p) = plan.placed.iter().find(|p| p.wish == i) {
            let at = left + p.at;
            let line = [
                (x, start.max(bend_from)),
                (x, bend_from),
                (at, foot_of_labels + 7.0),
                (at, foot_of_labels + 3.0),
            ];
            layer.line(&line, ink, 0.9, dash);
            let fill = match m.sort {
                Sort::Plain | Sort::Claimed => inks.ink_text,
                Sort::Unclaimed => inks.alert,
                Sort::Ghost => inks.ghost,
            };
            let italic = m.sort == Sort::Ghost;
            let style = Type { italic, class: "peak-label", ..Type::plain(LABEL_SIZE, fill) };
            // The baseline of turned text is to the right of its middle line.
            layer.text(at + LABEL_SIZE * 0.35, foot_of_labels, -90.0, style, &m.label);
        } else {
            layer.line(&[(x, y - 3.0), (x, y - 8.0)], ink, 1.2, "");
        }
        sign(layer, m, inks, x, y - 3.0);
        layer.close();
    }
}

/// The sign of a peak above its tip at `(x, y)`: a hollow triangle for what nobody claims, a
/// diamond for ghosts, a box under a bar for clipped lines.
fn sign(layer: &mut Layer, m: &Mark, inks: &Inks, x: f64, y: f64) {
    /// Half of the width, px.
    const R: f64 = 4.5;
    if m.clipped {
        let square = [(x - R, y), (x + R, y), (x + R, y - 7.0), (x - R, y - 7.0)];
        layer.shape(&square, inks.paper_text, 1.0, inks.alert);
        layer.line(&[(x - R - 2.0, y - 9.5), (x + R + 2.0, y - 9.5)], inks.alert, 1.6, "");
        return;
    }
    match m.sort {
        Sort::Unclaimed => {
            let triangle = [(x, y), (x + R, y - 8.0), (x - R, y - 8.0)];
            layer.shape(&triangle, inks.paper_text, 1.0, inks.alert);
        }
        Sort::Ghost => {
            let diamond = [(x, y), (x + R, y - 5.0), (x, y - 10.0), (x - R, y - 5.0)];
            layer.shape(&diamond, inks.paper_text, 1.0, inks.ghost);
        }
        _ => {}
    }
}

/// What a drawing has beside its peaks.
#[derive(Debug, Clone)]
pub struct Also {
    /// The dashed baseline.
    pub baseline: bool,
    /// The dotted sum of all species.
    pub sum: bool,
    /// Hollow marks of lines that are missing.
    pub missing: bool,
    /// Gases and the tints of their light, where the list of verdicts does not show them.
    pub tints: Vec<(String, &'static str)>,
}

/// Explains the signs that occur, in one line from `at` to `right`.
pub fn key(
    layer: &mut Layer,
    marks: &[Mark],
    plan: &Plan,
    also: Also,
    inks: &Inks,
    at: (f64, f64),
    right: f64,
) {
    /// Size of the words, px.
    const SIZE: f64 = 11.0;
    let plain = |sort: Sort, clipped: bool| Mark {
        x: 0.0,
        label: String::new(),
        title: String::new(),
        sort,
        clipped,
        weight: 0.0,
    };
    let mut entries: Vec<(Option<Mark>, String)> = Vec::new();
    if plan.dropped > 0 {
        entries.push((
            None,
            format!(
                "+ {} not labelled",
                format::counted(plan.dropped, "fainter line", "fainter lines")
            ),
        ));
    }
    if marks.iter().any(|m| m.sort == Sort::Unclaimed) {
        entries.push((Some(plain(Sort::Unclaimed, false)), "claimed by nobody".into()));
    }
    if marks.iter().any(|m| m.sort == Sort::Ghost) {
        entries.push((Some(plain(Sort::Ghost, false)), "ghost or stray light".into()));
    }
    if marks.iter().any(|m| m.clipped) {
        entries.push((Some(plain(Sort::Plain, true)), "clipped: higher than shown".into()));
    }
    layer.open("key", None);
    let (mut x, y) = at;
    let words = Type::plain(SIZE, inks.soft);
    for (mark, text) in entries {
        if x + 20.0 + width(&text, SIZE) > right {
            break;
        }
        if let Some(m) = mark {
            sign(layer, &m, inks, x + 6.0, y + 1.0);
            x += 17.0;
        }
        layer.text(x, y, 0.0, words, &text);
        x += width(&text, SIZE) + 18.0;
    }
    let missing = "expected and missing";
    if also.missing && x + 20.0 + width(missing, SIZE) < right {
        layer.circle((x + 5.0, y - 4.0), 3.6, "none", inks.alert);
        layer.text(x + 15.0, y, 0.0, words, missing);
        x += width(missing, SIZE) + 33.0;
    }
    for (gas, tint) in &also.tints {
        if x + 18.0 + width(gas, SIZE) > right {
            break;
        }
        layer.rectangle((x, y - 9.0), (11.0, 10.0), tint, 1.0);
        layer.text(x + 15.0, y, 0.0, words, gas);
        x += width(gas, SIZE) + 29.0;
    }
    let lines = [
        (also.sum, "all gases fitted", inks.ink_text, 0.8, "2 2"),
        (also.baseline, "baseline", inks.soft, 1.0, "5 3"),
    ];
    for (_, name, ink, stroke, dash) in lines.iter().filter(|l| l.0) {
        if x + 34.0 + width(name, SIZE) > right {
            break;
        }
        layer.line(&[(x, y - 4.0), (x + 26.0, y - 4.0)], ink, *stroke, dash);
        layer.text(x + 32.0, y, 0.0, words, name);
        x += width(name, SIZE) + 50.0;
    }
    layer.close();
}
