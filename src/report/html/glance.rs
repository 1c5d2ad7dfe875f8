//! The drawer at a glance: every item, the axis, and what that axis is worth.

use super::tables::{claims, comparison};
use super::write::{Cell, Html, Table, words};
use super::{Page, item_id, section};
use crate::bench::{ItemKind, ItemResult};
use crate::gases::{GasReport, Verdict};
use crate::reference::LightTables;
use crate::report::format::{self, NONE};
use crate::report::record::SummaryRow;
use crate::report::svg::of_wavelength;
use crate::report::terminal::kind_words;
use crate::signal::PeakList;
use crate::{AxisKind, Result};

/// The section.
pub fn write(h: &mut Html, page: &Page<'_>) -> Result<()> {
    section(h, "glance", "At a glance");
    axis_in_words(h, page);
    let rows: Vec<SummaryRow> = page.records.iter().map(Into::into).collect();
    let of = |kind: ItemKind| {
        page.result.items.iter().zip(&rows).filter(move |(item, _)| item.kind == kind)
    };
    let light = LightTables::bundled()?;
    let tubes: Vec<Vec<Cell>> =
        of(ItemKind::Tube).map(|(item, row)| tube(item, row, &light)).collect();
    let columns = ["tube", "its lines", "seen", "likely", "undecided", "axis", "remarks"];
    h.table(&Table {
        caption: "Tubes and the gases that they show".into(),
        columns: columns.iter().map(|c| words(c)).collect(),
        rows: tubes,
    });
    let lights: Vec<Vec<Cell>> =
        of(ItemKind::Light).map(|(item, row)| source(item, row, &light)).collect();
    h.table(&Table {
        caption: "Lights, what they are taken for, and their labels".into(),
        columns: ["light", "its lines and bands", "sort", "labels"]
            .iter()
            .map(|c| words(c))
            .collect(),
        rows: lights,
    });
    let labels =
        page.result.items.iter().filter_map(|i| Some((i.name.as_str(), i.source.as_ref()?)));
    h.table(&claims("Why the labels hold or do not", labels));
    if let Some(c) = page.comparison {
        h.table(&comparison(c));
        h.list(c.notes.iter().map(String::as_str));
    }
    if !page.notes.is_empty() {
        h.element("h3", &[], "Of the whole bench");
        h.list(page.notes.iter().copied());
    }
    h.open("p", &[("class", "key")]);
    h.text(
        "● seen: 99 % probable or more. ◐ likely: 90 % or more. ○ undecided: neither shown nor \
         excluded. Gases that are not seen have a limit, and those out of reach a reason; both stand \
         with each tube. Shares and verdicts are about light: a gas that gives none may be there.",
    );
    h.close("p");
    h.close("section");
    Ok(())
}

/// What set the axis, and what it is worth.
fn axis_in_words(h: &mut Html, page: &Page<'_>) {
    let i = &page.result.instrument;
    if let Some(why) = &i.failure {
        h.element("p", &[("class", "alert")], &format!("The lamp could not set the axis: {why}"));
    }
    let text = match &i.profile {
        Some(p) => {
            let lamps: Vec<String> =
                p.lamps.iter().map(|l| format!("{} ({})", l.lamp.words(), l.recording)).collect();
            let by = if lamps.is_empty() { "a profile".into() } else { lamps.join(" and ") };
            format!(
                "The axis was set by {by}: {} from {} to {} nm (air), rms {} nm. Beyond them it is \
                 extrapolated, and less sure.",
                format::counted(p.anchors.len(), "line", "lines"),
                format::nm(p.anchored_nm[0]),
                format::nm(p.anchored_nm[1]),
                format::two_digits(p.rms_nm)
            )
        }
        None => {
            "No lamp and no profile set the axis: every file's own axis stands, as its maker set \
                 it, and may be off by more than a line's width."
                .into()
        }
    };
    h.open("p", &[]);
    h.text(&text);
    h.text(" ");
    h.element("a", &[("href", "#instrument")], "The instrument");
    h.close("p");
}

/// The first cell of a row: the item with a link to its section.
fn name(item: &ItemResult) -> Cell {
    let mut h = Html::default();
    h.element("a", &[("href", &format!("#{}", item_id(&item.file_name)))], &item.name);
    Cell::Html(h.into_text())
}

/// Verdict words are never told by the sign alone: the column and the key say them too.
fn gases(report: Option<&GasReport>, verdict: Verdict, sign: &str) -> Cell {
    let mut h = Html::default();
    let found = report.map_or(&[][..], |r| &r.gases).iter().filter(|g| g.verdict == verdict);
    let names: Vec<&str> = found.map(|g| g.gas.as_str()).collect();
    if names.is_empty() {
        return NONE.into();
    }
    h.element("span", &[("class", "sign"), ("aria-hidden", "true")], sign);
    h.text(&format!(" {}", names.join(", ")));
    Cell::Html(h.into_text())
}

fn tube(item: &ItemResult, row: &SummaryRow, light: &LightTables) -> Vec<Cell> {
    let report = item.outcome.as_ref().ok().and_then(|e| e.gases.as_ref());
    let remarks = match &item.outcome {
        Err(why) => format!("no answer: {why}"),
        Ok(_) if row.remarks.is_empty() => String::new(),
        Ok(_) => format::counted(row.remarks.len(), "note", "notes"),
    };
    vec![
        name(item),
        strip(item, light),
        gases(report, Verdict::Seen, "●"),
        gases(report, Verdict::Likely, "◐"),
        gases(report, Verdict::Undecided, "○"),
        // Number and unit stay together.
        row.axis.replace(' ', "\u{a0}").into(),
        remarks.into(),
    ]
}

fn source(item: &ItemResult, row: &SummaryRow, light: &LightTables) -> Vec<Cell> {
    let sort = match (&item.outcome, &item.source) {
        (Err(why), _) => format!("no answer: {why}"),
        (_, Some(s)) => {
            let all = kind_words(s);
            all.split(". Why:").next().unwrap_or_default().trim_start_matches("Source: ").into()
        }
        _ => NONE.to_string(),
    };
    let claims = if row.claims.is_empty() { NONE.into() } else { row.claims.join("; ") };
    vec![name(item), strip(item, light), sort.into(), claims.into()]
}

/// Size of a strip, px.
const STRIP: (f64, f64) = (168.0, 18.0);
/// Stretch of the axis on a strip, nm.
const STRIP_NM: (f64, f64) = (300.0, 1000.0);
/// Lines on a strip at most, the strongest.
const STRIP_LINES: usize = 28;
/// A line's width, px.
const STRIP_LINE: f64 = 2.0;
/// Light that the eye does not see is drawn in this grey.
const UNSEEN: &str = "#9a9a9a";
/// The stretch that has colours, nm.
const COLOURED: std::ops::Range<f64> = 380.0..760.0;

/// The strongest lines in their colours, as through a hand-held grating: to know an item again, not
/// to read anything from.
fn strip(item: &ItemResult, light: &LightTables) -> Cell {
    let Ok(e) = &item.outcome else { return NONE.into() };
    if e.peaks.axis != AxisKind::Nm {
        return NONE.into();
    }
    let mut shown: Vec<(f64, f64)> = lines(&e.peaks);
    for b in item.source.iter().flat_map(|s| &s.emissions).filter(|b| !b.ghost) {
        // Broad bands have no peak in the list.
        if !shown
            .iter()
            .any(|(at, _)| (at - b.peak_nm.value).abs() < b.fwhm_nm.map_or(1.0, |w| w.value))
        {
            shown.push((b.peak_nm.value, b.share.max(0.0).sqrt()));
        }
    }
    shown.retain(|(at, _)| (STRIP_NM.0..=STRIP_NM.1).contains(at));
    shown.sort_by(|a, b| b.1.total_cmp(&a.1));
    shown.truncate(STRIP_LINES);
    shown.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (w, height) = STRIP;
    let mut out = format!(
        "<svg class=\"strip\" width=\"{w}\" height=\"{height}\" viewBox=\"0 0 {w} {height}\" \
         preserveAspectRatio=\"none\" aria-hidden=\"true\"><rect width=\"{w}\" height=\"{height}\" fill=\"#111111\"/>"
    );
    for (at, strength) in shown {
        let x = (at - STRIP_NM.0) / (STRIP_NM.1 - STRIP_NM.0) * w - STRIP_LINE / 2.0;
        let fill = if COLOURED.contains(&at) {
            let [r, g, b] = of_wavelength(at, light);
            format!("#{r:02x}{g:02x}{b:02x}")
        } else {
            UNSEEN.into()
        };
        let strength = strength.clamp(0.15, 1.0);
        out += &format!(
            "<rect x=\"{x:.1}\" width=\"{STRIP_LINE}\" height=\"{height}\" fill=\"{fill}\" \
             opacity=\"{strength:.2}\"/>"
        );
    }
    Cell::Html(out + "</svg>")
}

/// Places of the peaks and their strength, 0 to 1, as the square root of the height.
fn lines(peaks: &PeakList) -> Vec<(f64, f64)> {
    let highest = peaks.peaks.iter().filter_map(|p| p.height).map(|h| h.value).fold(0.0, f64::max);
    let strength = |p: &crate::signal::Peak| match highest > 0.0 {
        true => (p.height_or(highest) / highest).clamp(0.0, 1.0).sqrt(),
        false => 1.0,
    };
    peaks.peaks.iter().map(|p| (p.centre.value, strength(p))).collect()
}
