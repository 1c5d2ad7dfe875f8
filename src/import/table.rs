//! The rows of a table become numbers, in one pass without allocation per line.

use super::columns::Plan;
use super::layout::{self, Layout, Separator, grouped_number};
use super::metadata::Metadata;
use super::numbers::{self, Cell};
use super::{ImportSettings, MAX_LINE_BYTES, line_too_long, too_many_points};
use crate::{Error, Mask, Result};
use std::path::Path;

/// Letters of a strange word that a sentence quotes.
const MOST_LETTERS: usize = 40;

/// The numbers of a table, in file order.
#[derive(Default)]
pub(super) struct Table {
    pub axis: Vec<f64>,
    /// Counts (the mean of repeats), NaN where there is none.
    pub counts: Vec<f64>,
    /// Uncertainties from a column or from repeats (NaN where there is none); empty without.
    pub sigma: Vec<f64>,
    /// Standard uncertainties of the axis values, in the unit of their column (NaN where there is
    /// none); empty without.
    pub axis_u: Vec<f64>,
    /// Flags of each point; empty without.
    pub flags: Vec<Mask>,
    /// A word among the flags that is none, with its line.
    pub no_flag: Option<(usize, String)>,
    /// Line of each point, from 1.
    pub lines: Vec<u32>,
    /// Points without a count.
    pub missing: usize,
    /// Points for which only some of the repeats are there.
    pub partial: usize,
    /// Rows with counts and without a place on the axis.
    pub unplaced: usize,
    /// Most digits after the decimal sign among the counts.
    pub decimals: u8,
    pub metadata: Metadata,
}

/// What came of reading.
pub(super) enum Outcome {
    Read(Box<Table>),
    /// A number with a decimal comma turned up where only whole numbers had been met.
    OtherDecimalSign,
}

/// Why reading stopped.
enum Stop {
    Failed(Error),
    OtherDecimalSign,
}

impl From<Error> for Stop {
    fn from(e: Error) -> Self {
        Stop::Failed(e)
    }
}

/// The cells of a row.
trait Row {
    fn len(&self) -> usize;
    fn cell(&self, i: usize) -> Option<&[u8]>;
}

impl Row for csv::ByteRecord {
    fn len(&self) -> usize {
        self.len()
    }
    fn cell(&self, i: usize) -> Option<&[u8]> {
        self.get(i)
    }
}

/// The cells of a row that are set apart by blanks.
struct BlankRow<'a, 'b>(&'b [&'a [u8]]);

impl Row for BlankRow<'_, '_> {
    fn len(&self) -> usize {
        self.0.len()
    }
    fn cell(&self, i: usize) -> Option<&[u8]> {
        self.0.get(i).copied()
    }
}

/// Reads all rows from the start of the data; lines that are no rows become metadata.
pub(super) fn read(
    text: &[u8],
    layout: &Layout,
    plan: &Plan,
    settings: &ImportSettings,
    path: &Path,
) -> Result<Outcome> {
    let mut reader = Reader::new(layout, plan, settings, path);
    reader.begin(text, text.len());
    match reader.feed(text, layout.start, layout.start_line)? {
        Fed::Taken => Ok(Outcome::Read(Box::new(reader.finish()?))),
        Fed::OtherDecimalSign => Ok(Outcome::OtherDecimalSign),
    }
}

/// What came of a piece of text.
pub(super) enum Fed {
    Taken,
    OtherDecimalSign,
}

/// How the numbers of a column use the decimal sign, to notice thousands signs taken for it:
/// `12`, `999`, `1.005` would all be whole numbers.
struct Grouping {
    possible: bool,
    marked: usize,
    plain: usize,
}

/// Digits in a group of a large number.
const GROUP: u8 = 3;

impl Grouping {
    #[inline]
    fn add(&mut self, value: f64, decimals: u8, whole: u8) {
        if decimals == 0 {
            self.plain += 1;
            self.possible &= whole <= GROUP;
        } else {
            self.marked += 1;
            self.possible &=
                decimals == GROUP && (1..=GROUP).contains(&whole) && value.abs() >= 1.0;
        }
    }

    /// True where the signs can hardly be decimal signs: every number fits thousands, some
    /// have none, and the parts after the sign are not those of an average of a few readings.
    fn is_likely<'a>(&self, values: impl Iterator<Item = &'a f64>) -> bool {
        /// Most readings that an average is commonly taken of.
        const MOST_READINGS: u32 = 16;
        let average = |v: &f64| {
            (1..=MOST_READINGS).any(|n| {
                let scaled = v.abs() * f64::from(n);
                // Within rounding to three decimals of a whole number of counts.
                (scaled - scaled.round()).abs() <= 0.000_51 * f64::from(n)
            })
        };
        self.possible
            && self.marked > 0
            && self.plain > 0
            && !values.filter(|v| v.is_finite()).all(average)
    }
}

/// Reads rows from one piece of text after the other; pieces end at line ends.
pub(super) struct Reader<'a> {
    layout: &'a Layout,
    plan: &'a Plan,
    settings: &'a ImportSettings,
    path: &'a Path,
    table: Table,
    grouping: Grouping,
    /// A row with a word in place of a count: an error once another row follows.
    doubtful: Option<(usize, String)>,
    /// Rows with too few cells since the last whole one, all at the end of `table`.
    short_tail: usize,
}

impl<'a> Reader<'a> {
    pub fn new(
        layout: &'a Layout,
        plan: &'a Plan,
        settings: &'a ImportSettings,
        path: &'a Path,
    ) -> Self {
        Reader {
            layout,
            plan,
            settings,
            path,
            table: Table::default(),
            grouping: Grouping { possible: true, marked: 0, plain: 0 },
            doubtful: None,
            short_tail: 0,
        }
    }

    /// Keeps what stands above the data in the first piece, and makes room for about as many points
    /// as there are in so many bytes, judged by the length of the first rows.
    pub fn begin(&mut self, text: &[u8], of_bytes: usize) {
        /// Rows whose length is taken.
        const ROWS: usize = 32;
        for line in layout::lines(text, 0, 1).take_while(|l| l.start < self.layout.start) {
            let blank = line.bytes.trim_ascii().is_empty();
            if !blank && !self.plan.heading_lines.contains(&line.number) {
                self.table.metadata.add(line.bytes, self.layout.separator.byte());
            }
        }
        let rows = layout::lines(text, self.layout.start, 1).take(ROWS);
        let bytes: usize = rows.map(|l| l.bytes.len() + 1).sum();
        let expected = of_bytes.saturating_sub(self.layout.start) / (bytes / ROWS).max(1);
        let room = (expected + expected / 16).min(self.settings.max_points);
        self.table.axis.reserve(room);
        self.table.counts.reserve(room);
        self.table.lines.reserve(room);
    }

    /// Takes the rows of a piece from byte `start`, which is on line `line` of the file.
    pub fn feed(&mut self, text: &[u8], start: usize, line: usize) -> Result<Fed> {
        let outcome = match self.layout.separator {
            Separator::Blanks => self.blanks(text, start, line),
            _ => self.delimited(text, start, line),
        };
        match outcome {
            Ok(()) => Ok(Fed::Taken),
            Err(Stop::Failed(e)) => Err(e),
            Err(Stop::OtherDecimalSign) => Ok(Fed::OtherDecimalSign),
        }
    }

    /// Rows through the csv reader.
    fn delimited(&mut self, text: &[u8], start: usize, first: usize) -> Result<(), Stop> {
        let Some(delimiter) = self.layout.separator.byte() else { return Ok(()) };
        let data = text.get(start..).unwrap_or_default();
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .has_headers(false)
            .flexible(true)
            .quoting(self.layout.quoting)
            .from_reader(data);
        let mut record = csv::ByteRecord::new();
        loop {
            let more = reader.read_byte_record(&mut record).map_err(|e| {
                Error::input(
                    self.path,
                    None,
                    format!("the table cannot be read ({e})"),
                    "export the spectrum again",
                )
            })?;
            if !more {
                return Ok(());
            }
            let (mut at, mut line) =
                record.position().map_or((0, 1), |p| (p.byte() as usize, p.line() as usize));
            // The place is that before any blank lines.
            while let Some(b'\n' | b'\r') = data.get(at) {
                line += usize::from(data[at] == b'\n');
                at += 1;
            }
            self.row(text, &record, first + line - 1, start + at)?;
        }
    }

    /// Rows set apart by blanks.
    fn blanks(&mut self, text: &[u8], start: usize, first: usize) -> Result<(), Stop> {
        let mut cells = Vec::new();
        for line in layout::lines(text, start, first) {
            layout::split(line.bytes, Separator::Blanks, false, &mut cells);
            if !cells.is_empty() {
                self.row(text, &BlankRow(&cells), line.number, line.start)?;
            }
        }
        Ok(())
    }

    /// Takes one row, or keeps it as metadata.
    #[inline]
    fn row<R: Row>(&mut self, text: &[u8], row: &R, line: usize, at: usize) -> Result<(), Stop> {
        let mark = self.layout.mark;
        let axis_cell = row.cell(self.plan.axis).unwrap_or_default();
        let Cell::Number { value: x, .. } = numbers::parse(axis_cell, mark) else {
            return self.no_axis(text, row, axis_cell, line, at);
        };
        if row.len() > self.layout.width {
            self.no_more_numbers(row, line)?;
        }
        let (count, sigma) = match self.plan.counts[..] {
            [one] => (self.count(row, one, line)?, f64::NAN),
            _ => {
                let counts = &self.plan.counts;
                let (mut sum, mut n) = (0.0, 0usize);
                for i in counts {
                    if let Read::Value(v) = self.count(row, *i, line)? {
                        sum += v;
                        n += 1;
                    }
                }
                if self.doubtful.as_ref().is_some_and(|d| d.0 == line) {
                    return self.keep(text, line, at);
                }
                let mean = sum / n as f64;
                // Second pass over the cells: exact where the scatter is small beside the mean.
                let squares: f64 = counts
                    .iter()
                    .filter_map(|i| numbers::parse(row.cell(*i)?, mark).number())
                    .map(|v| (v - mean).powi(2))
                    .sum();
                self.table.partial += usize::from(n > 0 && n < counts.len());
                let count = if n == 0 { Read::Missing } else { Read::Value(mean) };
                (count, (squares / (n as f64 - 1.0) / n as f64).sqrt())
            }
        };
        let count = match count {
            Read::Value(v) => {
                self.short_tail = 0;
                v
            }
            Read::Missing => {
                self.short_tail = 0;
                f64::NAN
            }
            Read::Short => {
                self.short_tail += 1;
                f64::NAN
            }
            Read::Word => return self.keep(text, line, at),
        };
        if let Some((line, word)) = self.doubtful.take() {
            return Err(not_a_number(self.path, line, &word).into());
        }
        let sigma = match self.plan.sigma {
            Some(s) => {
                row.cell(s).and_then(|c| numbers::parse(c, mark).number()).unwrap_or(f64::NAN)
            }
            None => sigma,
        };
        if self.table.axis.len() >= self.settings.max_points {
            return Err(too_many_points(self.path, Some(line), self.settings).into());
        }
        self.table.axis.push(x);
        self.table.counts.push(count);
        self.table.lines.push(u32::try_from(line).unwrap_or(u32::MAX));
        if self.plan.counts.len() > 1 || self.plan.sigma.is_some() {
            self.table.sigma.push(sigma);
        }
        if let Some((column, _)) = self.plan.axis_u {
            let u = row.cell(column).and_then(|c| numbers::parse(c, mark).number());
            self.table.axis_u.push(u.unwrap_or(f64::NAN));
        }
        if let Some(column) = self.plan.flags {
            self.flags(row.cell(column).unwrap_or_default(), line);
        }
        Ok(())
    }

    /// Reads a cell of flags.
    fn flags(&mut self, cell: &[u8], line: usize) {
        let text = String::from_utf8_lossy(numbers::trim(cell));
        let mut flags = Mask::GOOD;
        for word in text.split('+').map(str::trim).filter(|w| !w.is_empty()) {
            match Mask::of_word(word) {
                Some(flag) => flags.set(flag),
                None => {
                    let word = word.chars().take(MOST_LETTERS).collect();
                    self.table.no_flag.get_or_insert((line, word));
                }
            }
        }
        self.table.flags.push(flags);
    }

    /// Reads a cell of counts.
    #[inline]
    fn count<R: Row>(&mut self, row: &R, i: usize, line: usize) -> Result<Read, Stop> {
        let Some(cell) = row.cell(i) else { return Ok(Read::Short) };
        match numbers::parse(cell, self.layout.mark) {
            Cell::Number { value, decimals, whole } => {
                self.grouping.add(value, decimals, whole);
                self.table.decimals = self.table.decimals.max(decimals);
                Ok(Read::Value(value))
            }
            Cell::Missing | Cell::Blank => Ok(Read::Missing),
            Cell::Text => {
                self.no_other_habit(cell, line)?;
                let word =
                    String::from_utf8_lossy(cell).trim().chars().take(MOST_LETTERS).collect();
                self.doubtful.get_or_insert((line, word));
                Ok(Read::Word)
            }
        }
    }

    /// A row without a number on its axis: a remark, or counts that have no place.
    fn no_axis<R: Row>(
        &mut self,
        text: &[u8],
        row: &R,
        cell: &[u8],
        line: usize,
        at: usize,
    ) -> Result<(), Stop> {
        let has_counts = self.plan.counts.iter().any(|i| {
            row.cell(*i).is_some_and(|c| numbers::parse(c, self.layout.mark).number().is_some())
        });
        match numbers::parse(cell, self.layout.mark) {
            Cell::Text if row.len() >= 2 => self.no_other_habit(cell, line)?,
            Cell::Missing | Cell::Blank if has_counts => {
                self.table.unplaced += 1;
                return Ok(());
            }
            _ => {}
        }
        self.keep(text, line, at)
    }

    /// Fails where a cell is a number in another habit than that of the table.
    fn no_other_habit(&self, cell: &[u8], line: usize) -> Result<(), Stop> {
        if !numbers::looks_like_number(cell) {
            return Ok(());
        }
        if self.layout.mark_is_open() && numbers::parse(cell, b',').number().is_some() {
            return Err(Stop::OtherDecimalSign);
        }
        Err(grouped_number(self.path, Some(line), cell).into())
    }

    /// Fails where a row holds more numbers than the table has columns.
    #[cold]
    fn no_more_numbers<R: Row>(&self, row: &R, line: usize) -> Result<(), Stop> {
        let extra = (self.layout.width..row.len()).find(|i| {
            row.cell(*i).is_some_and(|c| {
                matches!(numbers::parse(c, self.layout.mark), Cell::Number { .. })
                    || numbers::looks_like_number(c)
            })
        });
        match extra {
            None => Ok(()),
            Some(i) => Err(Error::input(
                self.path,
                Some(line),
                format!("there are {} columns here, but {} in most rows", i + 1, self.layout.width),
                "export one table with the same columns in every row",
            )
            .into()),
        }
    }

    /// Keeps a line as metadata; `at` is its first byte.
    #[cold]
    fn keep(&mut self, text: &[u8], line: usize, at: usize) -> Result<(), Stop> {
        let rest = text.get(at..).unwrap_or_default();
        let end = rest.iter().position(|b| *b == b'\n').unwrap_or(rest.len());
        if end > MAX_LINE_BYTES {
            return Err(line_too_long(self.path, Some(line)).into());
        }
        let bytes = &rest[..end];
        self.table
            .metadata
            .add(bytes.strip_suffix(b"\r").unwrap_or(bytes), self.layout.separator.byte());
        Ok(())
    }

    /// Drops short rows at the very end, counts the missing, checks for thousands signs.
    pub fn finish(mut self) -> Result<Table> {
        let t = &mut self.table;
        let keep = t.axis.len() - self.short_tail;
        for i in keep..t.axis.len() {
            t.metadata.add(format!("{}", t.axis[i]).as_bytes(), None);
        }
        t.axis.truncate(keep);
        t.counts.truncate(keep);
        t.sigma.truncate(keep);
        t.axis_u.truncate(keep);
        t.flags.truncate(keep);
        t.lines.truncate(keep);
        t.missing = t.counts.iter().filter(|c| c.is_nan()).count();
        if self.plan.counts.len() == 1 && self.grouping.is_likely(t.counts.iter()) {
            let worst = t.counts.iter().zip(&t.lines).find(|(c, _)| c.fract() != 0.0);
            let (text, line) = worst.map_or((String::new(), None), |(c, l)| {
                (
                    format!("{c:.3}")
                        .replace('.', if self.layout.mark == b',' { "," } else { "." }),
                    Some(*l as usize),
                )
            });
            return Err(grouped_number(self.path, line, text.as_bytes()));
        }
        Ok(self.table)
    }
}

/// What a cell of counts holds.
#[derive(Clone, Copy)]
enum Read {
    Value(f64),
    Missing,
    /// The row ends before it.
    Short,
    Word,
}

/// The sentence for a word among the counts.
fn not_a_number(path: &Path, line: usize, word: &str) -> Error {
    Error::input(
        path,
        Some(line),
        format!("`{word}` stands where a count should be"),
        "replace it by a number, or by nan where nothing was recorded",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn likely(numbers: &[&str]) -> bool {
        let mut g = Grouping { possible: true, marked: 0, plain: 0 };
        let mut values = Vec::new();
        for n in numbers {
            if let Cell::Number { value, decimals, whole } = numbers::parse(n.as_bytes(), b'.') {
                g.add(value, decimals, whole);
                values.push(value);
            }
        }
        g.is_likely(values.iter())
    }

    #[test]
    fn thousands_signs_are_told_from_decimal_signs() {
        assert!(likely(&["12", "999", "1.017", "23.419"]));
        // Always with a sign, with other lengths, below one, too long: decimals.
        assert!(!likely(&["12.000", "1.017"]));
        assert!(!likely(&["12", "1.017", "1.02"]));
        assert!(!likely(&["12", "0.017"]));
        assert!(!likely(&["12", "1234.017"]));
        assert!(!likely(&["1234", "1.017"]));
        // Averages of 3, 8 and 7 readings.
        assert!(!likely(&["12", "12.333", "8.375", "4.143"]));
    }
}
