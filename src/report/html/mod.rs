//! A whole bench as one page: nothing is fetched, no other file is needed.
//!
//! [`page()`] puts the sections together, each from a module of its own; all of them write through
//! `write::Html`, which escapes. Drawings are those of [`super::svg`], drawn again in the size of the
//! page, in light colours; the style sheet turns them dark on a dark screen. The script adds reading
//! and zoom and is not needed for anything else: it reads the drawings' `data-…` attributes and
//! the recording that the page holds for download. A policy in the page's head allows no network, and
//! no script or style but the page's own.

mod axis;
mod data;
mod glance;
mod item;
mod look;
mod method;
mod reasons;
mod tables;
mod write;

#[cfg(test)]
mod tests;

pub use method::InputFile;

use crate::Result;
use crate::bench::{BenchResult, Examination, ItemKind, TubeComparison};
use crate::report::format;
use crate::report::record::Record;
use crate::report::svg::{self, PlotStyle};
use crate::source::Comparison;
use write::Html;

/// Width of a drawing, px.
const DRAWING_WIDTH: f64 = 900.0;
/// Height of a drawing, px.
const DRAWING_HEIGHT: f64 = 540.0;
/// Most tubes that are drawn against each other: more would be a poster.
const MOST_TOGETHER: usize = 60;
/// Spectra below each other: few, since each stands in its own section.
const MOST_SPECTRA: usize = 4;
/// Differences that are listed in words; all are in the table of pairs.
const MOST_DIFFERENCES: usize = 40;
/// How far curves are straightened, px: a quarter of their own width.
const TOLERANCE: f64 = 0.3;

/// All that a page is made from.
#[derive(Debug)]
pub struct Page<'a> {
    /// The bench sheet.
    pub sheet: InputFile,
    /// What was found out.
    pub result: &'a BenchResult,
    /// The record of each item of `result`, in the same order.
    pub records: &'a [Record],
    /// The tubes against each other.
    pub tubes: Option<&'a TubeComparison>,
    /// The lights against each other.
    pub comparison: Option<&'a Comparison>,
    /// Settings of each step, name and value.
    pub settings: &'a [(String, serde_json::Value)],
    /// Files of the whole bench that the page gives out, name and content.
    pub files: &'a [(String, String)],
    /// Everything else that was read: lamps, darks, the items' recordings …
    pub inputs: &'a [InputFile],
    /// What to beware of for the whole bench, one sentence each.
    pub notes: &'a [&'a str],
}

impl Page<'_> {
    /// Style of a drawing on the page.
    fn plot_style(&self, title: &str) -> PlotStyle {
        PlotStyle {
            title: title.into(),
            footer: vec![format!("instrument: {}", self.result.instrument.name)],
            width_px: DRAWING_WIDTH,
            height_px: DRAWING_HEIGHT,
            tolerance_px: TOLERANCE,
            verdicts_beside: false,
            ..PlotStyle::default()
        }
    }
}

/// Id of the heading of an item's section.
fn item_id(file_name: &str) -> String {
    format!("item-{file_name}")
}

/// The page as HTML text; the same input gives the same bytes.
///
/// # Errors
/// [`crate::Error::Draw`] where a drawing fails; [`crate::Error::Usage`] where a table cannot be
/// written (a defect of the program).
pub fn page(page: &Page<'_>) -> Result<String> {
    let style = look::style();
    let title = format!("Bench report: {}", page.result.instrument.name);
    let mut h = Html::default();
    h.raw("<!DOCTYPE html>\n");
    h.open("html", &[("lang", "en")]);
    h.open("head", &[]);
    h.raw("<meta charset=\"utf-8\">\n");
    h.open(
        "meta",
        &[("http-equiv", "Content-Security-Policy"), ("content", &look::policy(&style))],
    );
    h.raw("\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    h.raw("<meta name=\"color-scheme\" content=\"light dark\">\n");
    h.element("title", &[], &title);
    // An empty picture, so that no browser asks for one.
    h.raw("<link rel=\"icon\" href=\"data:,\">\n");
    h.raw(&format!("<style>{style}</style>\n"));
    h.close("head");
    h.open("body", &[]);
    h.element("a", &[("class", "skip"), ("href", "#content")], "To the content");
    head(&mut h, page, &title);
    h.open("main", &[("id", "content"), ("tabindex", "-1")]);
    glance::write(&mut h, page)?;
    items(&mut h, page, ItemKind::Tube)?;
    items(&mut h, page, ItemKind::Light)?;
    axis::write(&mut h, page)?;
    method::cautions(&mut h, page);
    method::write(&mut h, page)?;
    h.close("main");
    h.open("footer", &[]);
    h.paragraph(&format!(
        "Made by glowtell {}. Uncertainties are standard uncertainties (k = 1); wavelengths are nm in \
         standard air above 200 nm.",
        crate::VERSION
    ));
    h.close("footer");
    h.raw(&format!("<script>{}</script>\n", look::SCRIPT));
    h.close("body");
    h.close("html");
    Ok(h.into_text())
}

fn head(h: &mut Html, page: &Page<'_>, title: &str) {
    let count = |kind| page.result.items.iter().filter(|i| i.kind == kind).count();
    let (tubes, lights) = (count(ItemKind::Tube), count(ItemKind::Light));
    h.open("header", &[]);
    h.element("h1", &[], title);
    h.paragraph(&format!(
        "{} and {} of the sheet {}",
        format::counted(tubes, "tube", "tubes"),
        format::counted(lights, "light", "lights"),
        page.sheet.name
    ));
    h.open("nav", &[("aria-label", "Sections")]);
    h.open("ul", &[]);
    let sections = [
        ("glance", "At a glance", true),
        ("tubes", "Tubes", tubes > 0),
        ("lights", "Lights", lights > 0),
        ("instrument", "Instrument", true),
        ("cautions", "Cautions", true),
        ("method", "How it was computed", true),
        ("files", "Files", true),
    ];
    for (id, name, _) in sections.iter().filter(|s| s.2) {
        h.open("li", &[]);
        h.element("a", &[("href", &format!("#{id}"))], name);
        h.close("li");
    }
    h.close("ul");
    h.close("nav");
    h.close("header");
}

/// Opens a section of the page with its heading.
fn section(h: &mut Html, id: &str, heading: &str) {
    let label = format!("{id}-heading");
    h.open("section", &[("id", id), ("aria-labelledby", &label)]);
    h.element("h2", &[("id", &label)], heading);
}

fn items(h: &mut Html, page: &Page<'_>, kind: ItemKind) -> Result<()> {
    let all = page.result.items.iter().zip(page.records);
    let mut of_kind = all.filter(|(item, _)| item.kind == kind).peekable();
    if of_kind.peek().is_none() {
        return Ok(());
    }
    match kind {
        ItemKind::Tube => section(h, "tubes", "Tubes"),
        ItemKind::Light => section(h, "lights", "Lights"),
    }
    for (item, record) in of_kind {
        item::write(h, page, item, record)?;
    }
    if let (ItemKind::Tube, Some(c)) = (kind, page.tubes) {
        together(h, page, c)?;
    }
    h.close("section");
    Ok(())
}

/// The tubes against each other.
fn together(h: &mut Html, page: &Page<'_>, c: &TubeComparison) -> Result<()> {
    h.open("article", &[("aria-labelledby", "together")]);
    h.element("h3", &[("id", "together")], "Tubes against each other");
    h.paragraph(&crate::report::terminal::tubes_in_words(c));
    let found: Vec<(&str, &Examination)> = c
        .tubes
        .iter()
        .filter_map(|name| {
            let item = page.result.items.iter().find(|i| i.name == *name)?;
            Some((name.as_str(), item.outcome.as_ref().ok()?))
        })
        .collect();
    if found.len() <= MOST_TOGETHER {
        let svg =
            svg::tubes_plot(c, &found, MOST_SPECTRA, &page.plot_style("Tubes against each other"))?;
        figure(h, &svg, "Spectra and pairs of tubes", false);
    }
    let differ = c.pairs.iter().filter(|p| !p.differences.is_empty());
    let said: Vec<String> = differ
        .flat_map(|p| &p.differences)
        .map(|d| d.what.clone())
        .take(MOST_DIFFERENCES)
        .collect();
    let mut inner = Html::default();
    inner.list(said.iter().map(String::as_str));
    h.details("What differs", inner);
    h.list(c.notes.iter().map(String::as_str));
    h.close("article");
    Ok(())
}

/// A drawing with its words and, where the page holds the recording, the name of the link to it.
fn figure(h: &mut Html, svg: &str, caption: &str, zoom: bool) {
    h.open("figure", &[("class", if zoom { "plot reads" } else { "plot" })]);
    // Moved sideways by itself where the screen is narrow.
    h.open(
        "div",
        &[("class", "paper"), ("tabindex", "0"), ("role", "group"), ("aria-label", caption)],
    );
    h.raw(&look::lean(svg));
    h.close("div");
    h.element("figcaption", &[], caption);
    h.close("figure");
}
