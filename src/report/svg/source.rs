//! The light of a source: the curve, the regions of ISO 21348, emissions and labels.

use super::frame::{self, AxisSpec, FrameSpec, round_steps};
use super::labels::{Wish, place};
use super::layer::{Layer, Type};
use super::style::Inks;
use super::text::{LINE_HEIGHT, shortened, width, wrapped};
use super::{
    EDGE, Heights, KEY_ROOM, RIGHT_EDGE, SMALL, SMALL_LINE, STRIP, TITLE_ROOM, X_TICK_PX, colours,
    curve, document, foot, footer_wrapped, shown_range, ten_to, title, under_the_curve,
};
use crate::report::format;
use crate::report::terminal::{kind_words, share_words};
use crate::signal::PeakList;
use crate::source::{Emission, Outcome, Region, RegionShare, SourceReport};
use crate::{Result, Spectrum};

/// Size of the labels of emissions, px.
const LABEL_SIZE: f64 = 12.0;
/// Height of the row that names the regions, px.
const REGION_ROOM: f64 = 34.0;
/// Height of the row for the shares of regions too narrow for them, px.
const NARROW_ROOM: f64 = 20.0;
/// Height of the row of one label's window, px.
const CLAIM_ROOM: f64 = 18.0;
/// Most labels that are drawn.
const MOST_CLAIMS: usize = 4;
/// Most of the height of the picture that labels of emissions take.
const LABEL_SHARE: f64 = 0.3;
/// Furthest that a label of an emission is shifted, px.
const REACH: f64 = 60.0;
/// Emissions with less of the light have no label.
const LABELLED_SHARE: f64 = 0.005;
/// Narrowest region that has room for its name, px.
const NARROWEST: f64 = 30.0;

/// Draws what a source emits: the curve with edges and names of the regions, their shares, the
/// emissions, and the windows of its labels with what became of them.
///
/// # Errors
/// [`crate::Error::Usage`] for a style that cannot be drawn; [`crate::Error::Draw`] where the
/// plotting library fails.
pub fn source_plot(
    spectrum: &Spectrum,
    peaks: &PeakList,
    report: &SourceReport,
    style: &super::PlotStyle,
) -> Result<String> {
    style.check()?;
    let inks = style.theme.inks();
    let (w, h) = (style.width_px, style.height_px);
    let (low, high) = shown_range(spectrum, style);
    let words = words(report, w);
    let claims: Vec<_> = report.claims.iter().take(MOST_CLAIMS).collect();
    let top = TITLE_ROOM + words.len() as f64 * SMALL_LINE + 6.0;
    let footer = footer(report, style);
    let bottom = footer.len() as f64 * SMALL_LINE + KEY_ROOM;
    let margins = [top, RIGHT_EDGE, bottom, EDGE];
    let area_w = w - RIGHT_EDGE - EDGE - frame::Y_AXIS_ROOM;
    let area_h = h - top - bottom - frame::X_AXIS_ROOM;
    let to_px = |x: f64| (x - low) / (high - low) * area_w;

    // Labels of the emissions decide the headroom. The tallest has one, whatever its share.
    let raw = curve::pieces(spectrum, low, high);
    let tall = |e: &Emission| curve::height_at(&raw, e.peak_nm.value).unwrap_or(f64::MIN);
    let within = |e: &&Emission| (low..=high).contains(&e.peak_nm.value);
    let tallest = report
        .emissions
        .iter()
        .filter(|e| within(e) && !e.ghost)
        .max_by(|a, b| tall(a).total_cmp(&tall(b)));
    let is_tallest = |e: &Emission| tallest.is_some_and(|t| std::ptr::eq(t, e));
    let shown: Vec<_> = report
        .emissions
        .iter()
        .filter(|e| within(e) && (e.share >= LABELLED_SHARE || is_tallest(e)))
        .collect();
    let gap = LABEL_SIZE * LINE_HEIGHT;
    let wishes: Vec<Wish> = shown
        .iter()
        .map(|e| {
            let weight = if is_tallest(e) { f64::INFINITY } else { e.share };
            Wish { at: to_px(e.peak_nm.value), weight }
        })
        .collect();
    let placed = place(&wishes, gap, gap / 2.0 + 1.0, area_w - gap / 2.0 - 1.0, REACH);
    let names: Vec<String> = shown
        .iter()
        .map(|e| {
            let sort = if e.ghost { "image" } else { e.shape.word() };
            let plain = format!("{} {sort}", format::decimals(e.peak_nm.value, 1));
            let name = match e.taken_for.as_str() {
                "" => plain,
                // A whole plain name rather than half of a long one.
                name => Some(name.replace("second order of", "image of"))
                    .filter(|n| width(n, LABEL_SIZE) <= area_h * LABEL_SHARE)
                    .unwrap_or(plain),
            };
            shortened(&name, LABEL_SIZE, area_h * LABEL_SHARE)
        })
        .collect();
    let room = placed.iter().map(|p| width(&names[p.wish], LABEL_SIZE)).fold(0.0, f64::max);
    let narrow = report.regions.iter().any(|s| {
        let [a, b] = s.region.edges_nm();
        let (a, b) = (a.max(low), b.min(high));
        b > a && !share_fits(s, to_px(b) - to_px(a))
    });
    let region_room = REGION_ROOM + if narrow { NARROW_ROOM } else { 0.0 };
    let rows = region_room + claims.len() as f64 * CLAIM_ROOM;
    let headroom = rows + room + 26.0;

    let heights =
        Heights::new(&raw, &[report.dark.value], style.scale, headroom, STRIP + 3.0, area_h);
    let curves = heights.curves(&raw, to_px, area_h, style.tolerance_px);
    let power = heights.power();
    let y_title = match power {
        0 => spectrum.unit.clone(),
        _ => format!("{} / {}", spectrum.unit, ten_to(power)),
    };
    let (ticks, places) = round_steps(low, high, (area_w / X_TICK_PX) as usize);
    let frame = frame::draw(&FrameSpec {
        size: (w, h),
        margins,
        x: AxisSpec {
            range: (low, high),
            ticks: ticks.into_iter().map(|v| (v, format::decimals(v, places))).collect(),
            title: "wavelength / nm (air)",
        },
        y: AxisSpec { range: heights.range, ticks: heights.ticks(area_h, power), title: &y_title },
        curves: &curves,
        inks,
        paper: true,
    })?;
    let mut layer = Layer::default();
    title(&mut layer, style, &spectrum.provenance.name, &inks, None);
    let small = Type::plain(SMALL + 1.0, inks.ink_text);
    for (i, line) in words.iter().enumerate() {
        layer.text(EDGE + 8.0, 46.0 + i as f64 * SMALL_LINE, 0.0, small, line);
    }
    regions(&mut layer, &frame, report, (low, high), &inks);
    colours::strip(&mut layer, &frame, low, high)?;
    under_the_curve(&mut layer, &frame, &curves, style.tolerance_px, &inks);
    for (i, c) in claims.iter().enumerate() {
        let y = frame.area[1] + region_room + (i as f64 + 0.5) * CLAIM_ROOM;
        claim(&mut layer, &frame, c, y, (low, high), &inks);
    }
    // Emissions with leader lines.
    let bend = frame.py(heights.top) - 6.0;
    for p in &placed {
        let e = shown[p.wish];
        let hover = format!(
            "{}: {} nm, {} of the light",
            e.shape.word(),
            format::measured(e.peak_nm),
            format::share(e.share)
        );
        let at = format::decimals(e.peak_nm.value, 3);
        let sort = if e.ghost { "emission ghost" } else { "emission" };
        layer.open_told(sort, &hover, &[("at", &at), ("label", &names[p.wish])]);
        let x = frame.px(e.peak_nm.value);
        let tip = curve::height_at(&raw, e.peak_nm.value).map_or(0.0, |y| heights.of(y));
        let at = frame.area[0] + p.at;
        let foot = frame.area[1] + rows + room + 6.0;
        let dash = if e.ghost { "3 3" } else { "" };
        let line =
            [(x, (frame.py(tip) - 4.0).max(bend)), (x, bend), (at, foot + 6.0), (at, foot + 2.0)];
        layer.line(&line, inks.leader, 0.9, dash);
        let ink = if e.ghost { inks.ghost } else { inks.ink_text };
        let style = Type { class: "peak-label", italic: e.ghost, ..Type::plain(LABEL_SIZE, ink) };
        layer.text_over(
            at + LABEL_SIZE * 0.35,
            foot,
            -90.0,
            style,
            inks.paper_text,
            &names[p.wish],
        );
        layer.close();
    }
    foot(&mut layer, &footer, &inks, h);
    let headline = super::headline(style, &spectrum.provenance.name);
    let description = description(spectrum, peaks, report);
    let told = super::told(&frame, (low, high), spectrum);
    Ok(document((w, h), headline, &description, &told, &frame.body, layer))
}

/// What stands under the title: the sort of source.
fn words(r: &SourceReport, w: f64) -> Vec<String> {
    /// Most lines.
    const LINES: usize = 2;
    let room = w - 2.0 * EDGE - 8.0;
    let mut lines = wrapped(&kind_words(r), SMALL + 1.0, room);
    if lines.len() > LINES {
        lines.truncate(LINES);
        if let Some(last) = lines.last_mut() {
            *last = shortened(&format!("{last} …"), SMALL + 1.0, room);
        }
    }
    lines
}

fn footer(r: &SourceReport, style: &super::PlotStyle) -> Vec<String> {
    let of = match &r.response {
        Some(origin) => format!("curve as recorded; shares with the response {origin}"),
        None => "shares of counts, response not known".into(),
    };
    let own = format!("{of}; k = 1; glowtell {}", crate::VERSION);
    let lines: Vec<String> = style.footer.iter().cloned().chain([own]).collect();
    footer_wrapped(&lines, style)
}

/// Whether a region of so many px has room for its name and its share.
fn share_fits(s: &RegionShare, wide: f64) -> bool {
    wide >= NARROWEST && width(&share_words(s), SMALL) <= wide - 2.0
}

/// Shares of the regions too narrow for them, side by side in a row of their own, with leaders.
fn narrow_shares(
    layer: &mut Layer,
    frame: &frame::Frame,
    list: &[(&RegionShare, f64)],
    inks: &Inks,
) {
    /// Between two of them, px.
    const GAP: f64 = 12.0;
    let [first, top, last, _] = frame.area;
    let texts: Vec<String> =
        list.iter().map(|(s, _)| format!("{} {}", s.region.word(), share_words(s))).collect();
    let long: Vec<f64> = texts.iter().map(|t| width(t, SMALL)).collect();
    let foot = top + REGION_ROOM + NARROW_ROOM - 6.0;
    let mut from = first + 4.0;
    for (i, (_, at)) in list.iter().enumerate() {
        let rest: f64 = long[i..].iter().map(|w| w + GAP).sum();
        let left = (at - 0.5 * long[i]).min(last - rest).max(from);
        let hook = at.clamp(left + 4.0, left + long[i] - 4.0);
        let line = [(*at, top + REGION_ROOM - 16.0), (hook, foot - SMALL - 1.0)];
        layer.line(&line, inks.leader, 0.9, "");
        layer.text_over(
            left,
            foot,
            0.0,
            Type::plain(SMALL, inks.ink_text),
            inks.paper_text,
            &texts[i],
        );
        from = left + long[i] + GAP;
    }
}

/// Edges, names and shares of the regions; every second one has a tone.
fn regions(
    layer: &mut Layer,
    frame: &frame::Frame,
    r: &SourceReport,
    (low, high): (f64, f64),
    inks: &Inks,
) {
    /// Opacity of the tone.
    const TONE: f64 = 0.07;
    let [_, top, _, bottom] = frame.area;
    let mut narrow: Vec<(&RegionShare, f64)> = Vec::new();
    for (i, s) in r.regions.iter().enumerate() {
        let [a, b] = s.region.edges_nm();
        let (a, b) = (a.max(low), b.min(high));
        if b <= a {
            continue;
        }
        let hover = format!("{}: {} of the light", s.region.word(), share_words(s));
        let ends = [("from", &*format!("{a:.0}")), ("to", &*format!("{b:.0}"))];
        layer.open_told("region", &hover, &ends);
        let (left, right) = (frame.px(a), frame.px(b));
        if i % 2 == 0 {
            layer.rectangle((left, top), (right - left, bottom - top), inks.ink_text, TONE);
        }
        if a > low {
            layer.line(&[(left, top), (left, bottom)], inks.soft, 1.0, "2 4");
        }
        if right - left >= NARROWEST {
            let middle = |size: f64, bold: bool| Type {
                anchor: "middle",
                bold,
                ..Type::plain(size, inks.ink_text)
            };
            let x = 0.5 * (left + right);
            let room = right - left - 2.0;
            let name = match s.region {
                Region::NearInfrared if room < 90.0 => "NIR",
                other => other.word(),
            };
            layer.text(
                x,
                top + 14.0,
                0.0,
                middle(SMALL + 1.0, true),
                &shortened(name, SMALL + 1.0, room.max(28.0)),
            );
            if share_fits(s, right - left) {
                layer.text(x, top + 28.0, 0.0, middle(SMALL, false), &share_words(s));
            }
        }
        if !share_fits(s, right - left) {
            narrow.push((s, 0.5 * (left + right)));
        }
        layer.close();
    }
    narrow_shares(layer, frame, &narrow, inks);
}

/// The window of a label as a bracket with its outcome.
fn claim(
    layer: &mut Layer,
    frame: &frame::Frame,
    c: &crate::source::ClaimResult,
    y: f64,
    (low, high): (f64, f64),
    inks: &Inks,
) {
    let [a, b] = c.claim.window_nm();
    let text = format!("claim {}: {}", c.text, c.outcome.words());
    let hover = format!("{text}; {}", c.reason);
    let ends = [("from", &*format::plain(a)), ("to", &*format::plain(b))];
    layer.open_told("claim", &hover, &ends);
    let ink = if c.outcome == Outcome::DoesNotHold { inks.alert } else { inks.ink_text };
    let bold = Type { bold: true, ..Type::plain(SMALL, ink) };
    let (left, right) = (frame.px(a.clamp(low, high)), frame.px(b.clamp(low, high)));
    if b < low || a > high {
        // Out of the picture: an arrow at the edge it lies beyond.
        let (x, way) =
            if b < low { (frame.area[0] + 10.0, -1.0) } else { (frame.area[2] - 10.0, 1.0) };
        layer.line(
            &[(x - 4.0 * way, y - 4.0), (x + 4.0 * way, y), (x - 4.0 * way, y + 4.0)],
            ink,
            1.4,
            "",
        );
    } else {
        let ends = [(left, y - 5.0), (left, y), (right, y), (right, y - 5.0)];
        layer.line(&ends, ink, 1.4, if c.outcome == Outcome::CannotBeTested { "4 3" } else { "" });
    }
    let long = width(&text, super::text::bold(SMALL));
    // Beside the arrow where the window is out of the picture.
    let right = if b < low { frame.area[0] + 12.0 } else { right };
    let left = if a > high { frame.area[2] - 12.0 } else { left };
    if right + 8.0 + long <= frame.area[2] {
        layer.text_over(right + 8.0, y + 4.0, 0.0, bold, inks.paper_text, &text);
    } else {
        let end = Type { anchor: "end", ..bold };
        layer.text_over(left - 8.0, y + 4.0, 0.0, end, inks.paper_text, &text);
    }
    layer.close();
}

fn description(s: &Spectrum, peaks: &PeakList, r: &SourceReport) -> String {
    let (a, b) = s.axis().range();
    let mut text = format!(
        "Recording from {} to {} nm (air), {}. {}",
        format::decimals(a, 1),
        format::decimals(b, 1),
        format::counted(peaks.peaks.len(), "peak", "peaks"),
        kind_words(r)
    );
    for share in r.regions.iter().filter(|s| s.share.is_some()) {
        text += &format!(" {}: {}.", share.region.word(), share_words(share));
    }
    for c in &r.claims {
        text += &format!(" Claim {}: {}.", c.text, c.outcome.words());
    }
    text
}
