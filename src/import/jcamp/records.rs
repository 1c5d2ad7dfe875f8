//! Labelled records and the blocks they form.

use crate::{Error, Result};
use std::path::Path;

/// Deepest nesting of blocks within blocks; compound files of practice have one level.
const MAX_DEPTH: usize = 16;
/// Most records of one file beside its data.
const MAX_RECORDS: usize = 200_000;

/// One labelled record.
#[derive(Debug, Clone)]
pub(super) struct Record<'a> {
    /// In upper case, without blank, hyphen, slash and underscore.
    pub label: String,
    /// As it stands in the file.
    pub shown: &'a str,
    /// Line of the label, from 1.
    pub line: usize,
    /// What follows the sign `=` on the same line, without comment.
    pub value: &'a str,
    /// The lines below it, up to the next label.
    body: &'a str,
}

impl<'a> Record<'a> {
    /// Lines below the label with their numbers, without comments.
    pub fn lines(&self) -> impl Iterator<Item = (usize, &'a str)> + use<'a> {
        let first = self.line + 1;
        self.body.lines().enumerate().map(move |(i, l)| (first + i, without_comment(l)))
    }

    /// True where it holds points.
    pub fn is_table(&self) -> bool {
        TABLES.contains(&self.label.as_str())
    }
}

/// Labels that hold points, and such that would if they were read.
const TABLES: [&str; 9] = [
    "XYDATA",
    "XYPOINTS",
    "PEAKTABLE",
    "PEAKASSIGNMENTS",
    "RADATA",
    "NTUPLES",
    "DATATABLE",
    "ASSIGNMENTS",
    "XYZDATA",
];

/// The records between a ##TITLE= and its ##END=.
#[derive(Debug, Default)]
pub(super) struct Block<'a> {
    pub records: Vec<Record<'a>>,
}

impl<'a> Block<'a> {
    /// The first record of that label.
    pub fn get(&self, label: &str) -> Option<&Record<'a>> {
        self.records.iter().find(|r| r.label == label)
    }

    /// The first record that holds points.
    pub fn table(&self) -> Option<&Record<'a>> {
        self.records.iter().find(|r| r.is_table())
    }

    /// The number under a label.
    pub fn number(&self, label: &str, path: &Path) -> Result<Option<f64>> {
        let Some(r) = self.get(label) else { return Ok(None) };
        let value = super::numbers::affn(r.value.trim()).filter(|v| v.is_finite());
        match value {
            Some(v) => Ok(Some(v)),
            None => Err(Error::input(
                path,
                Some(r.line),
                format!("##{}= is `{}`, no number", r.shown, super::shortened(r.value)),
                "mend that line, or export the spectrum again",
            )),
        }
    }
}

/// True where the text begins as this format does.
pub(in crate::import) fn is_jcamp(head: &[u8]) -> bool {
    let text = String::from_utf8_lossy(head);
    for line in text.trim_start_matches('\u{feff}').lines() {
        let line = line.trim_start();
        if line.is_empty() || line.starts_with("$$") {
            continue;
        }
        return label_of(line).is_some_and(|(_, label, _)| label == "TITLE" || label == "JCAMPDX");
    }
    false
}

/// Label as written, label to compare, value.
fn label_of(line: &str) -> Option<(&str, String, &str)> {
    let (shown, value) = line.trim_start().strip_prefix("##")?.split_once('=')?;
    let label = shown.chars().filter(|c| !matches!(c, ' ' | '-' | '/' | '_' | '\t'));
    Some((shown, label.collect::<String>().to_uppercase(), without_comment(value).trim()))
}

/// The part of a line before a comment.
fn without_comment(line: &str) -> &str {
    line.find("$$").map_or(line, |i| &line[..i])
}

/// All blocks that are no mere frames of others, in the order in which they begin.
pub(super) fn blocks<'a>(text: &'a str, path: &Path) -> Result<Vec<Block<'a>>> {
    let mut done: Vec<Block> = Vec::new();
    // Places in `done` of the blocks that are still open.
    let mut open: Vec<usize> = Vec::new();
    let mut count = 0usize;
    let mut at = 0usize;
    let mut number = 0usize;
    while at < text.len() {
        let rest = &text[at..];
        let end = rest.find('\n').map_or(rest.len(), |i| i + 1);
        number += 1;
        let line = &rest[..end];
        if line.len() > super::super::MAX_LINE_BYTES {
            return Err(super::super::line_too_long(path, Some(number)));
        }
        let Some((shown, label, value)) = label_of(line) else {
            at += end;
            continue;
        };
        let body_at = at + end;
        let (body_end, body_lines) = body(text, body_at);
        let record = Record { label, shown, line: number, value, body: &text[body_at..body_end] };
        at = body_end;
        number += body_lines;
        count += 1;
        if count > MAX_RECORDS {
            return Err(Error::input(
                path,
                Some(record.line),
                format!("the file has more than {MAX_RECORDS} labels"),
                "export one spectrum",
            ));
        }
        match record.label.as_str() {
            "TITLE" => {
                if open.len() >= MAX_DEPTH {
                    return Err(Error::input(
                        path,
                        Some(record.line),
                        format!("blocks stand more than {MAX_DEPTH} deep in each other"),
                        "export one spectrum",
                    ));
                }
                open.push(done.len());
                done.push(Block { records: vec![record] });
            }
            "END" => {
                open.pop();
            }
            _ => {
                if open.is_empty() && done.is_empty() {
                    open.push(0);
                    done.push(Block::default());
                }
                // A record behind the last ##END= belongs to nothing.
                if let Some(block) = open.last().and_then(|i| done.get_mut(*i)) {
                    block.records.push(record);
                }
            }
        }
    }
    if let Some(block) = open.last().and_then(|i| done.get(*i))
        && let Some(table) = block.table()
        && table.label == "XYDATA"
        && block.get("NPOINTS").is_none()
    {
        return Err(Error::input(
            path,
            Some(number),
            "the file ends without ##END= and without ##NPOINTS=, so it may be cut off",
            "copy or export it again, or add ##END=",
        ));
    }
    Ok(done)
}

/// Where the lines without label end, and how many they are.
fn body(text: &str, from: usize) -> (usize, usize) {
    let mut at = from;
    let mut lines = 0;
    while at < text.len() {
        let rest = &text[at..];
        let end = rest.find('\n').map_or(rest.len(), |i| i + 1);
        if rest[..end].trim_start().starts_with("##") {
            break;
        }
        at += end;
        lines += 1;
    }
    (at, lines)
}
