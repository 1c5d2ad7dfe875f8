//! One look for all tables: no boxes, a rule under the head, numbers to the right.

use super::code;
use crate::gases::Verdict;
use comfy_table::{
    CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle, Width,
};

/// How a column behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// Numbers: to the right, never broken.
    Number,
    /// A word: to the left, never broken.
    Word,
    /// Text that may be broken over lines.
    Text,
}

/// Space between columns, beside the one that the table itself leaves.
const GUTTER: u16 = 1;
/// Longest unbroken word column; beyond, it is broken like text.
const LONGEST_WORD: u16 = 28;

/// The table as text with a line end, at most `width` columns wide.
pub fn grid(columns: &[(&str, Column)], rows: Vec<Vec<String>>, width: usize) -> String {
    let mut table = Table::new();
    table
        .load_style(TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─')))
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(u16::try_from(width).unwrap_or(u16::MAX))
        .set_header(columns.iter().map(|c| c.0));
    table.add_rows(rows.into_iter().map(|r| r.into_iter().map(|c| tidy(&c)).collect::<Vec<_>>()));
    let widths = table.column_max_content_widths();
    for (i, (column, content)) in columns.iter().zip(widths).enumerate() {
        let Some(c) = table.column_mut(i) else { continue };
        c.set_padding((0, if i + 1 == columns.len() { 0 } else { GUTTER }));
        match column.1 {
            Column::Number => {
                c.set_cell_alignment(CellAlignment::Right);
                c.set_constraint(ColumnConstraint::ContentWidth);
            }
            Column::Word if content <= LONGEST_WORD => {
                c.set_constraint(ColumnConstraint::ContentWidth);
            }
            Column::Word => {
                c.set_constraint(ColumnConstraint::UpperBoundary(Width::Fixed(
                    LONGEST_WORD + GUTTER,
                )));
            }
            Column::Text => {}
        }
    }
    let lines: Vec<String> = table.lines().map(|l| l.trim_end().to_string()).collect();
    lines.join("\n") + "\n"
}

/// Text on one line: control characters of a file must not reach the terminal.
pub fn tidy(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// Sets the words in the column headed `head` in their colours.
pub fn paint(text: &str, head: &str) -> String {
    let Some(at) = text.lines().next().and_then(|l| l.find(head)) else { return text.into() };
    /// All words; `not seen` before `seen` cannot be confused, since the column's start counts.
    const ALL: [Verdict; 5] =
        [Verdict::Seen, Verdict::Likely, Verdict::Undecided, Verdict::NotSeen, Verdict::OutOfReach];
    let mut out = String::with_capacity(text.len() + 64);
    for line in text.lines() {
        // The place is counted in characters: cells before it may hold any.
        let start = line.char_indices().nth(at).map_or(line.len(), |(i, _)| i);
        let (before, rest) = line.split_at(start);
        match ALL.iter().find(|v| rest.starts_with(v.word())) {
            Some(v) => {
                let (word, after) = rest.split_at(v.word().len());
                out.push_str(&format!("{before}\u{1b}[{}m{word}\u{1b}[0m{after}\n", code(*v)));
            }
            None => {
                out.push_str(line);
                out.push('\n');
            }
        }
    }
    out
}
