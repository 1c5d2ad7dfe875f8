//! Cautions, how it was computed, and the files of the whole bench.

use super::data::{self, Download};
use super::write::{Html, Table, words};
use super::{Page, section};
use crate::bench::ItemKind;
use crate::report::cautions::{self, DEFER};
use crate::report::format::{self, NONE};
use crate::report::record::CautionRecord;
use crate::{Error, Result};

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFile {
    /// What it was: `sheet`, `lamp`, `dark` …
    pub role: String,
    /// Its name.
    pub name: String,
    /// SHA-256 of its bytes, lower-case hexadecimal, where known.
    pub sha256: Option<String>,
}

/// Cautions, each with the items that it is about.
pub fn cautions(h: &mut Html, page: &Page<'_>) {
    let mut all: Vec<(CautionRecord, Vec<&str>)> = Vec::new();
    for (item, record) in page.result.items.iter().zip(page.records) {
        for c in &record.cautions {
            match all.iter_mut().find(|(known, _)| known == c) {
                Some((_, who)) => who.push(&item.name),
                None => all.push((c.clone(), vec![&item.name])),
            }
        }
    }
    let tubes = page.result.items.iter().any(|i| i.kind == ItemKind::Tube);
    let usual = if tubes { &cautions::TUBES[..] } else { &cautions::LAMPS[..] };
    for c in usual.iter().map(CautionRecord::from) {
        if !all.iter().any(|(known, _)| known.topic == c.topic) {
            all.push((c, Vec::new()));
        }
    }
    section(h, "cautions", "Cautions");
    for (c, who) in all {
        let mut topic = c.topic.clone();
        if let Some(first) = topic.get_mut(..1) {
            first.make_ascii_uppercase();
        }
        h.element("h3", &[], &topic);
        h.paragraph(&c.text);
        let of = if who.is_empty() { String::new() } else { format!("For {}. ", who.join(", ")) };
        h.element("p", &[("class", "key")], &format!("{of}Source: {}", c.source));
    }
    h.paragraph(DEFER);
    h.close("section");
}

/// How it was computed, and the files.
///
/// # Errors
/// [`Error::Usage`] where the settings have no JSON form (a defect of the program).
pub fn write(h: &mut Html, page: &Page<'_>) -> Result<()> {
    section(h, "method", "How it was computed");
    h.paragraph(
        "Each recording is put on the instrument's axis; its lines are found by a filter of the line's \
         own shape and fitted; every species of the line tables is then held against them, line by \
         line and as a sum over the whole recording. Lines that one gas explains do not count for \
         another, and what displaced copies of a pattern collect by chance is taken off.",
    );
    let digest = page.records.iter().map(|r| r.tables_digest.as_str()).find(|d| !d.is_empty());
    h.facts(&[
        ("program".into(), format!("glowtell {}", crate::VERSION)),
        ("line tables, SHA-256".into(), digest.unwrap_or(NONE).into()),
        ("command".into(), format!("glowtell run {}", page.sheet.name)),
    ]);
    h.table(&inputs(page));
    let mut settings = Html::default();
    for (name, value) in page.settings {
        settings.element("h3", &[], name);
        let text = serde_json::to_string_pretty(value).map_err(|e| {
            Error::usage(format!("the settings cannot be written ({e})"), "report this as a defect")
        })?;
        settings.lines(&text);
    }
    h.details("Settings", settings);
    h.close("section");
    section(h, "files", "Files");
    h.paragraph(
        "Files of one item stand with it, their numbers rounded; the files beside this page have all \
         digits. Long ones are packed; with scripts on they are unpacked while they are saved.",
    );
    let files: Vec<Download> = page
        .files
        .iter()
        .map(|(name, content)| Download {
            name: name.clone(),
            what: name.split('.').next().unwrap_or(name).replace(['-', '_'], " "),
            content: content.clone(),
        })
        .collect();
    let files: Vec<(&Download, &str)> = files.iter().map(|f| (f, "")).collect();
    data::links(h, "Files of the whole bench", &files);
    h.close("section");
    Ok(())
}

/// Everything that was read.
fn inputs(page: &Page<'_>) -> Table {
    let all = std::iter::once(&page.sheet).chain(page.inputs);
    let rows: Vec<Vec<String>> = all
        .map(|f| vec![f.role.clone(), f.name.clone(), f.sha256.clone().unwrap_or(NONE.into())])
        .collect();
    let caption = format!("What was read: {}", format::counted(rows.len(), "file", "files"));
    Table::new(caption, &[words("what"), words("file"), words("SHA-256")], rows)
}
