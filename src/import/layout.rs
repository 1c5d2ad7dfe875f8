//! The habit of a table: separator, decimal sign, quoting, width, and where its data start.

use super::numbers::{self, Cell};
use super::{MAX_LINE_BYTES, line_too_long};
use crate::{Error, Result};
use std::path::Path;

/// What stands between two cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Separator {
    Tab,
    Semicolon,
    Comma,
    /// A run of spaces and tabs.
    Blanks,
}

impl Separator {
    /// The byte, where it is one.
    pub fn byte(self) -> Option<u8> {
        match self {
            Separator::Tab => Some(b'\t'),
            Separator::Semicolon => Some(b';'),
            Separator::Comma => Some(b','),
            Separator::Blanks => None,
        }
    }

    /// Its name in a sentence.
    pub fn name(self) -> &'static str {
        match self {
            Separator::Tab => "tab",
            Separator::Semicolon => "semicolon",
            Separator::Comma => "comma",
            Separator::Blanks => "blanks",
        }
    }
}

/// The habit of a table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Layout {
    pub separator: Separator,
    /// Decimal sign, `.` or `,`.
    pub mark: u8,
    /// True where a number with that sign was met.
    pub mark_seen: bool,
    /// True where quotes enclose cells.
    pub quoting: bool,
    /// Cells in a row of data.
    pub width: usize,
    /// Byte at which the data start.
    pub start: usize,
    /// Line of that byte, from 1.
    pub start_line: usize,
}

impl Layout {
    /// The same with a decimal comma.
    pub fn with_decimal_comma(self) -> Self {
        Layout { mark: b',', mark_seen: true, ..self }
    }

    /// True where a number with another decimal sign may mean that the sign was guessed wrong.
    pub fn mark_is_open(&self) -> bool {
        !self.mark_seen && self.mark == b'.' && self.separator != Separator::Comma
    }
}

/// Separator and decimal sign, in the order in which a tie is decided.
const HABITS: [(Separator, u8); 8] = [
    (Separator::Tab, b'.'),
    (Separator::Semicolon, b'.'),
    (Separator::Comma, b'.'),
    (Separator::Blanks, b'.'),
    (Separator::Tab, b','),
    (Separator::Semicolon, b','),
    // Only where cells are quoted.
    (Separator::Comma, b','),
    (Separator::Blanks, b','),
];

/// Lines looked at to find the habit; enough for a clear majority, few enough to cost nothing.
const SAMPLE_LINES: usize = 64;
/// Texts up to this length are looked at whole, as are longer ones without enough data among
/// the lines looked at.
const SAMPLE_ALL_BYTES: usize = 4 << 10;
/// Bytes of text looked at for the habit at most, so that absurd lines cost little.
const SAMPLE_MAX_BYTES: usize = 1 << 20;
/// Lines in a row that make a block of data; a header with numbers hardly holds as many alike.
const RUN: usize = 8;
/// Most rows of numbers that may stand right above the data without belonging to them.
const STRAY: usize = 2;
/// How many times the next steps a step has to be to lead out of a stray row; thinned tables have
/// steps that vary by some ten times.
const STRAY_STEP: f64 = 100.0;
/// How much more has to speak for a looser habit than for one before it in the list; a header line
/// may fit the looser one by chance.
const MARGIN: f64 = 1.25;
/// Rows that are data in a sample before it is trusted.
const ENOUGH_ROWS: usize = 8;
/// Weight of a row that holds words beside its numbers, against one for a row of numbers.
const WORDY_ROW: f64 = 0.25;

/// One line of a text: its first byte, its number from 1, and what it holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line<'a> {
    pub start: usize,
    pub number: usize,
    pub bytes: &'a [u8],
}

/// The lines of a text from byte `start`, which is on line `number`, without their ends.
pub(super) fn lines(text: &[u8], start: usize, number: usize) -> impl Iterator<Item = Line<'_>> {
    let mut at = start;
    let mut number = number;
    std::iter::from_fn(move || {
        let rest = text.get(at..).filter(|r| !r.is_empty())?;
        let end = rest.iter().position(|b| *b == b'\n').unwrap_or(rest.len());
        let bytes = &rest[..end];
        let line = Line { start: at, number, bytes: bytes.strip_suffix(b"\r").unwrap_or(bytes) };
        at += end + 1;
        number += 1;
        Some(line)
    })
}

/// Splits a line into cells as the csv reader does.
pub(super) fn split<'a>(
    line: &'a [u8],
    separator: Separator,
    quoting: bool,
    cells: &mut Vec<&'a [u8]>,
) {
    cells.clear();
    let Some(byte) = separator.byte() else {
        cells.extend(line.split(|b| matches!(b, b' ' | b'\t')).filter(|c| !c.is_empty()));
        return;
    };
    if !quoting {
        cells.extend(line.split(|b| *b == byte));
        return;
    }
    let (mut from, mut inside, mut fresh) = (0, false, true);
    for (i, b) in line.iter().enumerate() {
        match *b {
            b'"' if inside => inside = false,
            // A doubled quote closes and opens again, which keeps the cell whole.
            b'"' if fresh || line.get(i.wrapping_sub(1)) == Some(&b'"') => inside = true,
            c if c == byte && !inside => {
                cells.push(&line[from..i]);
                from = i + 1;
                fresh = true;
                continue;
            }
            _ => {}
        }
        fresh = false;
    }
    cells.push(&line[from..]);
}

/// What the cells of a line are.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Kinds {
    numbers: usize,
    missing: usize,
    words: usize,
    /// Digits that are no number in this habit.
    garbled: usize,
    /// Cells up to the last that is not blank.
    width: usize,
    /// A number had the decimal sign.
    marked: bool,
}

impl Kinds {
    fn of(cells: &[&[u8]], mark: u8) -> Self {
        let mut k = Kinds::default();
        for (i, cell) in cells.iter().enumerate() {
            match numbers::parse(cell, mark) {
                Cell::Number { .. } => {
                    k.numbers += 1;
                    k.marked |= cell.contains(&mark);
                }
                Cell::Missing => k.missing += 1,
                Cell::Blank => continue,
                Cell::Text if numbers::looks_like_number(cell) => k.garbled += 1,
                Cell::Text => k.words += 1,
            }
            k.width = i + 1;
        }
        k
    }

    /// How much the line speaks for the habit.
    fn weight(&self) -> f64 {
        if self.garbled > 0 || self.numbers == 0 || self.numbers + self.missing < 2 {
            0.0
        } else if self.words > 0 {
            WORDY_ROW
        } else {
            1.0
        }
    }
}

/// Finds the habit of a table and where its data start.
pub(super) fn guess(text: &[u8], path: &Path) -> Result<Layout> {
    let quoting = text.contains(&b'"')
        && lines(text, 0, 1)
            .all(|l| l.bytes.iter().filter(|b| **b == b'"').count().is_multiple_of(2));
    let mut sample = sample(text);
    let mut best = best_habit(&sample, quoting);
    if best.rows < ENOUGH_ROWS && text.len() > SAMPLE_ALL_BYTES {
        sample = all_lines(text);
        best = best_habit(&sample, quoting);
    }
    if best.rows == 0 {
        return Err(no_table(&sample, quoting, path));
    }
    let layout = Layout {
        separator: best.separator,
        mark: best.mark,
        mark_seen: best.marked,
        quoting,
        width: best.width,
        start: 0,
        start_line: 1,
    };
    find_start(text, layout, path)
}

/// Lines spread evenly over the text, or all of a short one.
fn sample(text: &[u8]) -> Vec<Line<'_>> {
    if text.len() <= SAMPLE_ALL_BYTES {
        return all_lines(text);
    }
    let mut sample: Vec<Line> = Vec::with_capacity(SAMPLE_LINES);
    let mut bytes = 0;
    for i in 0..SAMPLE_LINES {
        let at = text.len() / SAMPLE_LINES * i;
        // The line that begins after this place; line numbers are not needed here.
        let skip = match i {
            0 => 0,
            _ => lines(text, at, 0).next().map_or(0, |l| l.bytes.len() + 1),
        };
        let Some(line) = lines(text, at + skip, 0).find(|l| !l.bytes.trim_ascii().is_empty())
        else {
            break;
        };
        bytes += line.bytes.len();
        if bytes > SAMPLE_MAX_BYTES {
            break;
        }
        if sample.last().is_none_or(|l| l.start < line.start) {
            sample.push(line);
        }
    }
    sample
}

/// All lines that hold something, up to a number of bytes.
fn all_lines(text: &[u8]) -> Vec<Line<'_>> {
    let mut bytes = 0;
    lines(text, 0, 1)
        .filter(|l| !l.bytes.trim_ascii().is_empty())
        .take_while(|l| {
            bytes += l.bytes.len();
            bytes <= SAMPLE_MAX_BYTES
        })
        .collect()
}

/// A habit and what speaks for it.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    separator: Separator,
    mark: u8,
    rows: usize,
    weight: f64,
    width: usize,
    marked: bool,
}

/// The habit that most lines speak for.
fn best_habit(sample: &[Line], quoting: bool) -> Candidate {
    let mut best: Option<Candidate> = None;
    let mut cells = Vec::new();
    for (separator, mark) in HABITS {
        if separator == Separator::Comma && mark == b',' && !quoting {
            continue;
        }
        let mut c = Candidate { separator, mark, rows: 0, weight: 0.0, width: 0, marked: false };
        let mut widths: Vec<(usize, f64)> = Vec::new();
        for line in sample {
            split(line.bytes, separator, quoting, &mut cells);
            let kinds = Kinds::of(&cells, mark);
            let weight = kinds.weight();
            if weight > 0.0 {
                c.rows += 1;
                c.marked |= kinds.marked;
                match widths.iter_mut().find(|w| w.0 == kinds.width) {
                    Some(w) => w.1 += weight,
                    None => widths.push((kinds.width, weight)),
                }
            }
        }
        // Rows of one width make a table; the others may be numbers that were torn apart.
        let common = widths.iter().max_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
        (c.width, c.weight) = common.copied().unwrap_or_default();
        if best.is_none_or(|b| c.weight > b.weight * MARGIN) {
            best = Some(c);
        }
    }
    // There is always a first habit.
    best.unwrap_or(Candidate {
        separator: Separator::Comma,
        mark: b'.',
        rows: 0,
        weight: 0.0,
        width: 0,
        marked: false,
    })
}

/// Why no habit fits: one column, thousands signs, or no numbers.
fn no_table(sample: &[Line], quoting: bool, path: &Path) -> Error {
    let mut cells = Vec::new();
    let mut grouped: Option<&Line> = None;
    let mut single: Option<&Line> = None;
    let mut singles = 0;
    for line in sample {
        for (separator, mark) in HABITS {
            split(line.bytes, separator, quoting, &mut cells);
            let k = Kinds::of(&cells, mark);
            if k.words == 0 && k.garbled > 0 && k.numbers + k.garbled >= 2 && grouped.is_none() {
                grouped = Some(line);
            }
        }
        if matches!(numbers::parse(line.bytes, b'.'), Cell::Number { .. })
            || matches!(numbers::parse(line.bytes, b','), Cell::Number { .. })
            || one_number_and_separators(line.bytes)
        {
            singles += 1;
            single = single.or(Some(line));
        }
    }
    let number = |l: &Line| Some(l.number).filter(|n| *n > 0);
    if let Some(line) = single
        && singles > 1
    {
        return Error::input(
            path,
            number(line),
            "the numbers stand in one column, without an axis",
            "add a column of pixel numbers or wavelengths",
        );
    }
    if let Some(line) = grouped {
        return grouped_number(path, number(line), line.bytes);
    }
    Error::input(
        path,
        None,
        format!("none of the {} lines holds two numbers", sample.len()),
        "export a table with an axis column and a counts column",
    )
}

/// True for `123,` or `;123;`: one number with nothing but separators beside it.
fn one_number_and_separators(line: &[u8]) -> bool {
    let cell = line.trim_ascii();
    let is_sign = |b: &u8| matches!(b, b',' | b';');
    let from = cell.iter().position(|b| !is_sign(b)).unwrap_or(cell.len());
    let to = cell.iter().rposition(|b| !is_sign(b)).map_or(from, |i| i + 1);
    (from > 0 || to < cell.len())
        && matches!(numbers::parse(&cell[from..to], b'.'), Cell::Number { .. })
}

/// The sentence for a number with thousands signs, or with both decimal signs.
pub(super) fn grouped_number(path: &Path, line: Option<usize>, text: &[u8]) -> Error {
    /// Characters of the offending text that are shown.
    const SHOWN: usize = 40;
    let text: String = String::from_utf8_lossy(text).trim().chars().take(SHOWN).collect();
    Error::input(
        path,
        line,
        format!("`{text}` leaves open which sign is the decimal sign and which parts thousands"),
        "export without thousands signs and with one decimal sign throughout",
    )
}

/// Finds the first line of the data: the first run of enough rows alike, or else the longest,
/// and earlier short runs that continue into it.
fn find_start(text: &[u8], layout: Layout, path: &Path) -> Result<Layout> {
    struct Run {
        start: usize,
        line: usize,
        rows: usize,
        first: f64,
        last: f64,
        /// Headings stand between this run and the one before.
        after_words: bool,
    }
    let mut runs: Vec<Run> = Vec::new();
    let mut cells = Vec::new();
    let (mut open, mut words) = (false, false);
    for line in lines(text, 0, 1) {
        if line.bytes.len() > MAX_LINE_BYTES {
            return Err(line_too_long(path, Some(line.number)));
        }
        split(line.bytes, layout.separator, layout.quoting, &mut cells);
        let kinds = Kinds::of(&cells, layout.mark);
        if kinds.weight() == 0.0 || kinds.width != layout.width {
            open = false;
            words |= super::columns::heads_columns(&cells);
            continue;
        }
        let first = cells.iter().find_map(|c| numbers::parse(c, layout.mark).number());
        let x = first.unwrap_or(0.0);
        match runs.last_mut().filter(|_| open) {
            Some(run) => {
                run.rows += 1;
                run.last = x;
                if run.rows >= RUN {
                    break;
                }
            }
            None => {
                let (start, line) = (line.start, line.number);
                runs.push(Run { start, line, rows: 1, first: x, last: x, after_words: words });
                words = false;
            }
        }
        open = true;
    }
    let longest = (0..runs.len()).max_by_key(|i| (runs[*i].rows, std::cmp::Reverse(*i)));
    let Some(mut i) = longest else {
        // Rows were met in the sample, all of a width that no line has: cannot happen, but is
        // no reason to fall over.
        return Ok(layout);
    };
    let falling = runs[i].last < runs[i].first;
    while i > 0 {
        let (before, run) = (&runs[i - 1], &runs[i]);
        let continues = if falling {
            before.last > run.first && before.first >= before.last
        } else {
            before.last < run.first && before.first <= before.last
        };
        let step = (run.last - run.first).abs() / (run.rows.max(2) - 1) as f64;
        let far = run.rows > 1 && (before.last - run.first).abs() > STRAY_STEP * step;
        if run.after_words || !continues || far {
            break;
        }
        i -= 1;
    }
    let layout = Layout { start: runs[i].start, start_line: runs[i].line, ..layout };
    Ok(without_stray_rows(text, layout))
}

/// Moves the start past up to [`STRAY`] rows of numbers that touch the data without belonging to
/// them (`2048 16` above an axis that rises from 200): no column runs on from them, and one does
/// from the next.
fn without_stray_rows(text: &[u8], layout: Layout) -> Layout {
    let mut cells = Vec::new();
    let rows: Vec<(usize, usize, Vec<f64>)> = lines(text, layout.start, layout.start_line)
        .take(RUN)
        .map(|l| {
            split(l.bytes, layout.separator, layout.quoting, &mut cells);
            let value = |c: &&[u8]| numbers::parse(c, layout.mark).number().unwrap_or(f64::NAN);
            (l.start, l.number, cells.iter().map(value).collect())
        })
        .collect();
    if rows.len() < RUN {
        return layout;
    }
    let step = |row: usize, column: usize| -> f64 {
        let value = |r: usize| rows.get(r).and_then(|r| r.2.get(column)).copied();
        value(row + 1).zip(value(row)).map_or(f64::NAN, |(b, a)| b - a)
    };
    // The step out of a stray row turns the other way or is out of all proportion.
    let starts_at = |first: usize| {
        (0..layout.width).any(|column| {
            let run = || (first + 1..RUN - 1).map(|r| step(r, column));
            let sign = step(first + 1, column).signum();
            let largest = run().map(f64::abs).fold(0.0, f64::max);
            let belongs = |s: f64| s * sign > 0.0 && s.abs() <= STRAY_STEP * largest;
            run().all(|s| s * sign > 0.0)
                && belongs(step(first, column))
                && (first == 0 || !belongs(step(first - 1, column)))
        })
    };
    match (0..=STRAY).find(|first| starts_at(*first)) {
        Some(i) => Layout { start: rows[i].0, start_line: rows[i].1, ..layout },
        None => layout,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn layout(text: &str) -> Layout {
        guess(text.as_bytes(), Path::new("a.csv")).unwrap()
    }

    fn habit(row: impl Fn(usize) -> String) -> (Separator, char, usize) {
        let text: String = (0..12).map(row).collect();
        let l = layout(&text);
        (l.separator, char::from(l.mark), l.width)
    }

    #[test]
    fn habits_are_told_apart() {
        use Separator::*;
        assert_eq!(habit(|i| format!("{i}.5,{i}.25\n")), (Comma, '.', 2));
        assert_eq!(habit(|i| format!("{i},{i}\n")), (Comma, '.', 2));
        assert_eq!(habit(|i| format!("{i},5;{i},25\n")), (Semicolon, ',', 2));
        assert_eq!(habit(|i| format!("{i};{i}\n")), (Semicolon, '.', 2));
        assert_eq!(habit(|i| format!("{i},5\t{i},25\n")), (Tab, ',', 2));
        assert_eq!(habit(|i| format!("  {i},5   {i},25\n")), (Blanks, ',', 2));
        assert_eq!(habit(|i| format!("{i},5   {i}\n")), (Blanks, ',', 2));
        assert_eq!(habit(|i| format!("{i} {i}\n")), (Blanks, '.', 2));
        assert_eq!(habit(|i| format!("{i}.5, {i}.25\n")), (Comma, '.', 2));
        assert_eq!(habit(|i| format!("{i}.5 ; {i}.25 ;\n")), (Semicolon, '.', 2));
        assert_eq!(habit(|i| format!("\"{i},5\",\"{i},25\"\n")), (Comma, ',', 2));
        assert_eq!(habit(|i| format!("12:00:0{},{i}.5,7\n", i % 9)), (Comma, '.', 3));
    }

    #[test]
    fn data_start_after_numbers_in_the_header() {
        let mut text = String::from("Detector\n2048 16\n1 2 3 4\nnm counts\n");
        for i in 0..20 {
            text += &format!("{} {}\n", 400 + i, i);
        }
        assert_eq!(layout(&text).start_line, 5);
    }

    #[test]
    fn short_runs_before_a_remark_belong_to_the_data() {
        let mut text = String::new();
        for i in 0..40 {
            text += &format!("{} {}\n", 400 + i, i);
            if i % 3 == 0 {
                text += "# remark\n";
            }
        }
        assert_eq!(layout(&text).start_line, 1);
    }

    #[test]
    fn what_is_no_table_gets_its_sentence() {
        let fails = |t: &str| guess(t.as_bytes(), Path::new("a.csv")).unwrap_err().to_string();
        assert!(fails("1\n2\n3\n").contains("one column"));
        assert!(fails("1,\n2,\n3,\n").contains("one column"));
        assert!(fails("hello\nworld\n").contains("none of the 2 lines"));
        assert!(fails("1.000,5;1.200,5\n1.001,5;1.200,5\n").contains("thousands"));
    }

    #[test]
    fn quoted_cells_keep_their_separators() {
        let mut cells = Vec::new();
        split(b"\"a,b\",c,\"d\"\"e,\"", Separator::Comma, true, &mut cells);
        assert_eq!(cells, [&b"\"a,b\""[..], b"c", b"\"d\"\"e,\""]);
    }
}
