//! The section of one tube or light.

use super::data::{self, Download};
use super::tables::{claims, emissions, peaks, regions, verdicts};
use super::write::Html;
use super::{Page, figure, item_id, reasons};
use crate::bench::{Examination, ItemKind, ItemResult};
use crate::gases::Verdict;
use crate::report::record::{Record, to_json};
use crate::report::svg::{source_plot, spectrum_plot};
use crate::report::{circuit, csv, format};
use crate::source::SourceReport;
use crate::{AxisKind, Error, Result};

/// Writes the section.
pub fn write(h: &mut Html, page: &Page<'_>, item: &ItemResult, record: &Record) -> Result<()> {
    let id = item_id(&item.file_name);
    h.open("article", &[("aria-labelledby", &id)]);
    h.element("h3", &[("id", &id)], &item.name);
    match &item.outcome {
        Ok(e) => answered(h, page, item, e, record)?,
        Err(why) => {
            h.element("p", &[("class", "alert")], &format!("No answer: {why}"));
            h.facts(&item.told);
            data::links(
                h,
                &format!("Files of {}", item.name),
                &[(&record_file(item, record)?, "")],
            );
        }
    }
    h.close("article");
    Ok(())
}

fn answered(
    h: &mut Html,
    page: &Page<'_>,
    item: &ItemResult,
    e: &Examination,
    record: &Record,
) -> Result<()> {
    let gases = e.gases.as_ref().filter(|_| item.kind == ItemKind::Tube);
    match (&item.source, gases) {
        (Some(s), _) => h.paragraph(&crate::report::terminal::kind_words(s)),
        (None, Some(g)) => h.paragraph(&crate::gases::in_words(g).join(" ")),
        _ => {}
    }
    let style = page.plot_style(&item.name);
    let svg = match &item.source {
        Some(s) => source_plot(&e.spectrum, &e.peaks, s, &style)?,
        None => spectrum_plot(&e.spectrum, &e.peaks, e.gases.as_ref(), &style)?,
    };
    figure(h, &svg, &format!("Recording of {}", item.name), true);
    if let Some(g) = gases {
        h.table(&verdicts(g));
    }
    if let Some(s) = &item.source {
        light(h, item, s);
    }
    h.facts(&item.told);
    if let Some(c) = &item.circuit {
        h.element("h4", &[], "Circuit");
        h.facts(&circuit::facts(c));
        h.list(c.notes.iter().map(String::as_str));
    }
    if let Some(g) = gases {
        h.details("Reasons for each verdict", reasons::of_gases(g, &e.peaks));
    }
    let mut lines = Html::default();
    lines.table(&peaks(&e.peaks, e.gases.as_ref()));
    h.details(&format!("All {}", format::counted(e.peaks.peaks.len(), "line", "lines")), lines);
    let mut notes = Html::default();
    let of_source = item.source.iter().flat_map(|s| &s.notes).map(String::as_str);
    let all: Vec<&str> = e.all_notes().into_iter().chain(of_source).collect();
    notes.list(all.iter().copied());
    h.details(&format::counted(all.len(), "note on the way", "notes on the way"), notes);
    if !record.cautions.is_empty() {
        let topics: Vec<&str> = record.cautions.iter().map(|c| c.topic.as_str()).collect();
        h.open("p", &[("class", "alert")]);
        h.element("a", &[("href", "#cautions")], &format!("Cautions: {}", topics.join(", ")));
        h.close("p");
    }
    let recording = Download {
        name: format!("{}.csv", item.file_name),
        what: match e.spectrum.axis().kind() {
            AxisKind::Nm => "the recording on its axis".into(),
            AxisKind::Pixel => "the recording".into(),
        },
        content: csv::short_recording(&e.spectrum)?,
    };
    let lines = Download {
        name: format!("{}-lines.csv", item.file_name),
        what: "its lines".into(),
        content: csv::peaks(&e.peaks, e.gases.as_ref())?,
    };
    let record = record_file(item, record)?;
    let files = [(&recording, "recording"), (&lines, ""), (&record, "")];
    data::links(h, &format!("Files of {}", item.name), &files);
    Ok(())
}

fn light(h: &mut Html, item: &ItemResult, s: &SourceReport) {
    h.table(&claims("Labels", std::iter::once((item.name.as_str(), s))));
    h.table(&regions(s));
    let mut more = Html::default();
    more.table(&emissions(s));
    h.details("Lines, bands and continuum", more);
}

/// Digits of a number in a record on the page; the record beside the page has more.
const RECORD_DIGITS: usize = 6;

/// Rounds all numbers that are no whole numbers.
fn shorten(value: &mut serde_json::Value) {
    use serde_json::Value;
    match value {
        Value::Number(n) if n.is_f64() => {
            if let Some(short) = n.as_f64().map(|x| format::significant(x, RECORD_DIGITS)) {
                *value = short.into();
            }
        }
        Value::Array(all) => all.iter_mut().for_each(shorten),
        Value::Object(all) => all.values_mut().for_each(shorten),
        _ => {}
    }
}

/// Lines of an undecided species, on each side, in a record on the page.
const UNDECIDED_LINES: usize = 4;

/// The record without the recording, which is a file of its own here, without the single lines of
/// species that are not seen, and with the first few of those that are undecided.
fn record_file(item: &ItemResult, record: &Record) -> Result<Download> {
    let mut lean = Record { points: None, ..record.clone() };
    for s in lean.gases.iter_mut().flat_map(|g| &mut g.species) {
        let kept = match s.verdict {
            Verdict::Seen | Verdict::Likely => usize::MAX,
            Verdict::Undecided => UNDECIDED_LINES,
            Verdict::NotSeen | Verdict::OutOfReach => 0,
        };
        s.lines_for.truncate(kept);
        s.lines_missing.truncate(kept);
    }
    let mut value: serde_json::Value = serde_json::from_str(&lean.to_json()?).map_err(|e| {
        Error::usage(format!("the record cannot be shortened ({e})"), "report this as a defect")
    })?;
    shorten(&mut value);
    Ok(Download {
        name: format!("{}.json", item.file_name),
        what: "its record, shortened".into(),
        content: to_json(&value)?,
    })
}
