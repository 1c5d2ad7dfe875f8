//! The list of verdicts beside a spectrum.

use super::layer::{Layer, Type};
use super::style::Inks;
use super::text::{bold, shortened, width, wrapped};
use crate::gases::{GasReport, GasVerdict, Verdict};
use crate::report::format;

/// Width of the panel, px.
pub const WIDTH: f64 = 252.0;
/// Narrowest plot in px that has the panel beside it; narrower ones get a line of words.
pub const FROM_WIDTH: f64 = 820.0;
/// Small print, px.
const SMALL: f64 = 11.0;
/// Names and verdict words, px.
const NAME: f64 = 13.0;
/// Distance of lines of small print, px.
const LINE: f64 = 15.0;
/// Height of one gas with its second line and bar, px.
const ENTRY: f64 = 46.0;
/// Height of one gas that has neither, px.
const BARE_ENTRY: f64 = 24.0;

/// Draws the verdicts into the column from `left` to `right` and from `top` to `bottom`, px.
pub fn draw(
    layer: &mut Layer,
    report: &GasReport,
    inks: &Inks,
    tint: &dyn Fn(&str) -> Option<&'static str>,
    [left, top, right, bottom]: [f64; 4],
) {
    layer.open("verdicts", None);
    layer.line(&[(left, top), (left, bottom)], inks.leader, 1.0, "");
    let (x, room) = (left + 14.0, right - left - 14.0);
    let mut y = top + 12.0;
    let heading = Type { bold: true, ..Type::plain(NAME, inks.ink_text) };
    layer.text(x, y, 0.0, heading, "What glows");
    y += 12.0;
    let open: Vec<&GasVerdict> = report
        .gases
        .iter()
        .filter(|g| matches!(g.verdict, Verdict::Seen | Verdict::Likely | Verdict::Undecided))
        .collect();
    let closing = closing_words(report, room);
    // The closing paragraph gets up to half of the column, the entries the rest.
    let closing_room = (closing.len() as f64 * LINE + LINE).min((bottom - top) / 2.0);
    let mut shown = 0;
    for gas in &open {
        let more = if shown + 1 < open.len() { LINE } else { 0.0 };
        let height = if second_line(gas).is_empty() { BARE_ENTRY } else { ENTRY };
        if y + height + more > bottom - closing_room {
            break;
        }
        entry(layer, gas, (inks, tint(&gas.gas)), x, y, room);
        y += height;
        shown += 1;
    }
    let small = Type::plain(SMALL, inks.soft);
    if open.is_empty() {
        y += LINE;
        layer.text(x, y, 0.0, small, "no gas is seen or likely");
    }
    if shown < open.len() {
        y += LINE;
        let names: Vec<&str> = open.iter().skip(shown).map(|g| g.gas.as_str()).collect();
        let text = format!("and {} more: {}", names.len(), names.join(", "));
        layer.text(x, y, 0.0, small, &shortened(&text, SMALL, room));
    }
    y += LINE + 4.0;
    for (i, line) in closing.iter().enumerate() {
        let last = y + LINE > bottom && i + 1 < closing.len();
        let text = if last { shortened(&format!("{line} …"), SMALL, room) } else { line.clone() };
        layer.text(x, y, 0.0, small, &text);
        if last {
            break;
        }
        y += LINE;
    }
    layer.close();
}

/// One gas: sign, name, word, probability; below its species and its share of the light, in the tint that
/// its light has under the curve.
fn entry(
    layer: &mut Layer,
    gas: &GasVerdict,
    (inks, tint): (&Inks, Option<&str>),
    x: f64,
    y: f64,
    room: f64,
) {
    layer.open("gas", Some(&gas.reason));
    let base = y + 14.0;
    sign(layer, gas.verdict, inks, x + 5.0, base - 4.5);
    let probability = format::probability(gas.probability);
    let word = format!("{} {probability}", gas.verdict.word());
    let word_room = width(&word, SMALL + 1.0);
    let name = Type { bold: true, ..Type::plain(NAME, inks.ink_text) };
    let name_text = shortened(&gas.gas, bold(NAME), room - word_room - 24.0);
    layer.text(x + 16.0, base, 0.0, name, &name_text);
    let right = Type { anchor: "end", ..Type::plain(SMALL + 1.0, inks.ink_text) };
    layer.text(x + room, base, 0.0, right, &word);
    let second = second_line(gas);
    if second.is_empty() {
        layer.close();
        return;
    }
    let small = Type::plain(SMALL, inks.soft);
    layer.text(x + 16.0, base + 15.0, 0.0, small, &shortened(&second, SMALL, room - 16.0));
    let full = room - 16.0;
    layer.rectangle((x + 16.0, base + 20.0), (full, 3.0), inks.leader, 0.35);
    let share = if gas.share.is_finite() { gas.share.clamp(0.0, 1.0) } else { 0.0 };
    layer.rectangle(
        (x + 16.0, base + 20.0),
        (full * share, 3.0),
        tint.unwrap_or(inks.curve_text),
        1.0,
    );
    layer.close();
}

/// Share of the light and the species that give it; empty where neither is known.
fn second_line(gas: &GasVerdict) -> String {
    let species = gas.species.join(", ");
    match format::share(gas.share) {
        s if s == format::NONE => species,
        s if species.is_empty() => format!("{s} of the light"),
        s => format!("{s} of the light: {species}"),
    }
}

/// Full disc: seen; half disc: likely; ring: undecided.
fn sign(layer: &mut Layer, verdict: Verdict, inks: &Inks, x: f64, y: f64) {
    /// Radius, px.
    const R: f64 = 4.5;
    match verdict {
        Verdict::Seen => layer.circle((x, y), R, inks.ink_text, inks.ink_text),
        Verdict::Likely => {
            layer.circle((x, y), R, "none", inks.ink_text);
            let half: Vec<(f64, f64)> = (0..=12)
                .map(|k| {
                    let a = std::f64::consts::PI * f64::from(k) / 12.0;
                    (x - R * libm::sin(a), y - R * libm::cos(a))
                })
                .collect();
            layer.shape(&half, inks.ink_text, 1.0, "none");
        }
        _ => layer.circle((x, y), R, "none", inks.ink_text),
    }
}

/// What is not seen, with limits, what was out of reach, and what nothing explains.
fn closing_words(report: &GasReport, room: f64) -> Vec<String> {
    let mut lines = Vec::new();
    let of = |v: Verdict| report.gases.iter().filter(move |g| g.verdict == v);
    let not_seen: Vec<String> = of(Verdict::NotSeen)
        .map(|g| match &g.limit {
            Some(l) => format!("{} < {}", g.gas, format::limit(l.relative_to_strongest)),
            None => g.gas.clone(),
        })
        .map(|s| s.replace(' ', "\u{a0}"))
        .collect();
    if !not_seen.is_empty() {
        let text = format!("Not seen, limit against the strongest line: {}", not_seen.join("; "));
        lines.extend(wrapped(&text, SMALL, room));
    }
    let out: Vec<&str> = of(Verdict::OutOfReach).map(|g| g.gas.as_str()).collect();
    if !out.is_empty() {
        lines.extend(wrapped(&format!("Out of reach: {}", out.join(", ")), SMALL, room));
    }
    if report.unexplained.is_finite() && report.unexplained > 0.0 {
        let text = format!("Claimed by nobody: {} of the light", format::share(report.unexplained));
        lines.extend(wrapped(&text, SMALL, room));
    }
    lines
}

/// The verdicts in one line, for plots too narrow for the panel.
pub fn one_line(report: &GasReport) -> String {
    let names = |v: Verdict| {
        let n: Vec<&str> =
            report.gases.iter().filter(|g| g.verdict == v).map(|g| g.gas.as_str()).collect();
        if n.is_empty() { None } else { Some(format!("{}: {}", v.word(), n.join(", "))) }
    };
    let parts: Vec<String> = [Verdict::Seen, Verdict::Likely, Verdict::Undecided]
        .into_iter()
        .filter_map(names)
        .collect();
    if parts.is_empty() { "no gas is seen or likely".into() } else { parts.join(" · ") }
}
