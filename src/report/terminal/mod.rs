//! Tables and sentences for a terminal: plain text of a given width, coloured only on request.

mod axis;
mod circuit;
mod grid;
mod pooled;
mod source;
mod tables;
mod tubes;
pub(crate) mod verification;

pub use axis::profile;
pub use circuit::circuits;
pub use pooled::pooled;
pub use source::{claims, comparison, electrodes, kind_words, share_words, source, sources};
pub use tables::{cautions, gases, peaks, peaks_in, peaks_with, summary};
pub use tubes::{in_words as tubes_in_words, tubes};
pub use verification::verification;

use crate::gases::Verdict;

/// How to write for the terminal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Style {
    /// Width in columns that no line exceeds; at least [`Style::MIN_WIDTH`] is used.
    pub width: usize,
    /// True to set verdict words in colour (ANSI); the words stand there either way.
    pub colour: bool,
    /// True to print notes under the tables.
    pub notes: bool,
}

impl Style {
    /// Narrowest width that is used; below, tables fall apart.
    pub const MIN_WIDTH: usize = 60;

    /// The width that is used.
    fn columns(&self) -> usize {
        self.width.max(Self::MIN_WIDTH)
    }
}

impl Default for Style {
    /// 100 columns, no colour, with notes.
    fn default() -> Self {
        Style { width: 100, colour: false, notes: true }
    }
}

/// ANSI codes of a verdict word: bold, or faint for what says little.
fn code(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Seen => "1;32",
        Verdict::Likely => "32",
        Verdict::Undecided => "33",
        Verdict::NotSeen => "2",
        Verdict::OutOfReach => "2;3",
    }
}

/// `text` wrapped to `width` columns, the first line after `lead`, the others indented as far.
fn paragraph(lead: &str, text: &str, width: usize) -> String {
    let indent = lead.chars().count();
    let room = width.saturating_sub(indent).max(20);
    let mut lines: Vec<String> = vec![String::new()];
    let mut used = 0;
    let text = grid::tidy(text);
    for word in text.split_whitespace() {
        let n = word.chars().count();
        if used > 0 && used + 1 + n > room {
            lines.push(String::new());
            used = 0;
        }
        if let Some(line) = lines.last_mut() {
            if used > 0 {
                line.push(' ');
                used += 1;
            }
            line.push_str(word);
            used += n;
        }
    }
    format!("{lead}{}\n", lines.join(&format!("\n{}", " ".repeat(indent))))
}

/// `who: what` for each remark, where all who share one remark stand together before it.
fn shared<'a>(remarks: impl IntoIterator<Item = (&'a str, &'a str)>) -> Vec<String> {
    let mut groups: Vec<(&str, Vec<&str>)> = Vec::new();
    for (who, what) in remarks {
        match groups.iter_mut().find(|(known, _)| *known == what) {
            Some((_, all)) => all.push(who),
            None => groups.push((what, vec![who])),
        }
    }
    groups.iter().map(|(what, all)| format!("{}: {what}", all.join(", "))).collect()
}

/// A heading and its paragraphs as a list; nothing where there is none.
fn section<'a>(
    out: &mut String,
    heading: &str,
    items: impl IntoIterator<Item = &'a str>,
    width: usize,
) {
    let mut items = items.into_iter().peekable();
    if items.peek().is_none() {
        return;
    }
    out.push_str(&format!("\n{heading}\n"));
    for item in items {
        out.push_str(&paragraph("  - ", item, width));
    }
}

/// A heading and its notes as a list; empty where there is none or `style` wants none.
pub fn notes<'a>(heading: &str, items: impl IntoIterator<Item = &'a str>, style: &Style) -> String {
    let mut out = String::new();
    if style.notes {
        section(&mut out, heading, items, style.columns());
    }
    out
}

/// [`notes`] about several things, each `who: what`; what several share is said once.
pub fn notes_by<'a>(
    heading: &str,
    remarks: impl IntoIterator<Item = (&'a str, &'a str)>,
    style: &Style,
) -> String {
    notes(heading, shared(remarks).iter().map(String::as_str), style)
}

#[cfg(test)]
mod tests;
