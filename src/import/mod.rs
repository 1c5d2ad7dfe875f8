//! A file becomes a [`Spectrum`].
//!
//! What a file is, is told from its first bytes: **delimited text** of any habit, **JCAMP-DX**
//! (versions 4.24 and 5.01), **FITS** (images and tables of one dimension), a **picture** of a spectrum (PNG, JPEG). Of text, the separator (comma,
//! semicolon, tab, blanks), the decimal sign, the encoding, the line ends, the number of lines
//! around the data, the columns and the direction of the axis are found from the file; each guess
//! is written as a sentence into [`Provenance::notes`](crate::Provenance), and each line that is
//! not data into [`Provenance::metadata`](crate::Provenance). What cannot be told apart (a
//! thousands sign and a decimal sign, two count columns with different names) is refused with the
//! way out, never guessed in silence.
//!
//! # Choosing columns
//!
//! [`ImportSettings::columns`] overrides the choice. Columns are named by their number, from 1, or
//! by their heading (whole, or a part that only one heading has; upper and lower case alike):
//!
//! | text | meaning |
//! |---|---|
//! | `1,3` | axis in column 1, counts in column 3 |
//! | `1,3+4+5` | the same with three repeats, averaged, their scatter taken as noise |
//! | `axis=wavelength,counts=sample` | by heading |
//! | `axis=1,counts=3,sigma=4` | with a column of standard uncertainties |
//! | `nm=2,counts=3` | column 2 is a wavelength in nm, whatever its heading says |
//!
//! In place of `axis=` stand `pixel=`, `nm=`, `um=` or `angstrom=` to say what the axis is.
//!
//! # Limits
//!
//! A file is refused unread when it is longer than [`ImportSettings::max_bytes`], and while it is
//! being read once it has more lines than [`ImportSettings::max_points`] data lines and
//! [`MAX_OTHER_LINES`] others could fill, or a line longer than [`MAX_LINE_BYTES`]. A long text in
//! UTF-8 is read in pieces, so that memory is bounded by its points; for other files it is bounded
//! by about twice `max_bytes` (the bytes and their decoded text). A picture is refused by its size
//! before it is unpacked; no length that a file claims is believed before its bytes are there.

mod build;
mod columns;
mod encoding;
mod fits;
mod jcamp;
mod layout;
mod metadata;
mod numbers;
mod picture;
mod pieces;
mod points;
mod sniff;
mod table;

use crate::{Error, Result, Spectrum};
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::Read;
use std::path::Path;

pub use build::{DUPLICATES_SHARE, MIN_POINTS};
pub use jcamp::{PeakRows, peak_table};
pub use metadata::MAX_METADATA_LINES;
#[cfg(test)]
pub(crate) use points::mask_of;
pub use sniff::{Format, sniff};

/// Default of [`ImportSettings::max_bytes`]: 256 MiB, above any export of one spectrum met, and
/// twice that still fits into the memory of a small computer.
pub const DEFAULT_MAX_BYTES: u64 = 256 << 20;
/// Default of [`ImportSettings::max_points`]: some hundred times the pixels of a large detector.
pub const DEFAULT_MAX_POINTS: usize = 2_000_000;
/// Longest line read, in bytes: a row of some hundred thousand numbers; more is not a table.
pub const MAX_LINE_BYTES: usize = 1 << 20;
/// Lines beside the data that are put up with before a file counts as too long.
pub const MAX_OTHER_LINES: usize = 100_000;
/// Bytes read at a time; the first of these pieces is looked at before more is read.
const PIECE_BYTES: usize = 256 << 10;

/// How a file is to be read; the default finds everything from the file itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct ImportSettings {
    /// Which columns to take, in the words of the [module](self); `None` chooses by headings and
    /// values.
    pub columns: Option<String>,
    /// Character encoding by its web label (`utf-8`, `windows-1252`, `utf-16le`, `gbk`, ...);
    /// `None` takes a byte-order mark, else UTF-16 where every second byte is zero, else UTF-8,
    /// else windows-1252.
    pub encoding: Option<String>,
    /// Which of several recordings in one file, from 1: a block of JCAMP-DX, an image or table of
    /// FITS.
    pub block: Option<usize>,
    /// First and last row to sum, from 1, where an image has several.
    pub rows: Option<[usize; 2]>,
    /// Longest file read, in bytes.
    pub max_bytes: u64,
    /// Most data points read.
    pub max_points: usize,
}

impl Default for ImportSettings {
    fn default() -> Self {
        ImportSettings {
            columns: None,
            encoding: None,
            block: None,
            rows: None,
            max_bytes: DEFAULT_MAX_BYTES,
            max_points: DEFAULT_MAX_POINTS,
        }
    }
}

/// Reads a spectrum from a file.
///
/// # Errors
/// [`Error::Read`] where the file cannot be opened or read, [`Error::Input`] where it is a folder,
/// empty, too long, not text, or holds no spectrum (with the line where there is one), and
/// [`Error::Usage`] where a setting makes no sense.
pub fn read_file(path: &Path, settings: &ImportSettings) -> Result<Spectrum> {
    let unreadable = |source| Error::Read { path: path.to_path_buf(), source };
    let about = std::fs::metadata(path).map_err(unreadable)?;
    if about.is_dir() {
        return Err(Error::input(
            path,
            None,
            "this is a folder, not a file",
            "name one of the files in it",
        ));
    }
    if about.len() > settings.max_bytes {
        return Err(too_many_bytes(path, settings));
    }
    let mut file = File::open(path).map_err(unreadable)?;
    if about.is_file()
        && about.len() >= pieces::FROM_BYTES
        && let Some(s) = pieces::read(&mut file, about.len(), path, settings)?
    {
        return Ok(s);
    }
    let mut bytes = Vec::with_capacity(usize::try_from(about.len()).unwrap_or(0) + 1);
    let mut lines = LineCounter::default();
    let mut format = Format::Text;
    loop {
        let seen = bytes.len();
        let got =
            file.by_ref().take(PIECE_BYTES as u64).read_to_end(&mut bytes).map_err(unreadable)?;
        if got == 0 {
            break;
        }
        if bytes.len() as u64 > settings.max_bytes {
            return Err(too_many_bytes(path, settings));
        }
        if seen == 0 {
            format = sniff(&bytes, path)?;
        }
        if format.is_text() {
            lines.add(&bytes[seen..]);
            lines.check(path, settings)?;
        }
    }
    read_bytes(&bytes, path, settings)
}

/// Reads a spectrum from the bytes of a file; `path` names it in messages and in the provenance.
///
/// # Errors
/// As [`read_file`], without [`Error::Read`].
pub fn read_bytes(bytes: &[u8], path: &Path, settings: &ImportSettings) -> Result<Spectrum> {
    if bytes.len() as u64 > settings.max_bytes {
        return Err(too_many_bytes(path, settings));
    }
    let format = sniff(bytes, path)?;
    match format {
        Format::Text => read_text(bytes, path, settings),
        Format::Png | Format::Jpeg => {
            only_for_text(path, settings)?;
            picture::read(bytes, path, settings, format == Format::Png)
        }
        Format::Fits => fits::read(bytes, path, settings),
        Format::Jcamp => {
            only_for_text(path, settings)?;
            let decoded = encoding::decode(bytes, path, settings.encoding.as_deref())?;
            jcamp::read(&decoded.text, bytes, path, settings)
        }
    }
}

/// Refuses a choice of columns for a file that has none.
fn only_for_text(path: &Path, settings: &ImportSettings) -> Result<()> {
    match &settings.columns {
        None => Ok(()),
        Some(_) => Err(Error::input(
            path,
            None,
            "columns were asked for, but this file is no table of columns",
            "leave the choice of columns out for it",
        )),
    }
}

/// Delimited text of any habit.
fn read_text(bytes: &[u8], path: &Path, settings: &ImportSettings) -> Result<Spectrum> {
    let decoded = encoding::decode(bytes, path, settings.encoding.as_deref())?;
    let text: &[u8] = &decoded.text;
    let mut layout = layout::guess(text, path)?;
    let (plan, table) = loop {
        let plan = columns::choose(text, &layout, settings.columns.as_deref(), path)?;
        match table::read(text, &layout, &plan, settings, path)? {
            table::Outcome::Read(table) => break (plan, *table),
            // The lines looked at held whole numbers only, and a later one shows the other sign.
            table::Outcome::OtherDecimalSign => layout = layout.with_decimal_comma(),
        }
    };
    build::spectrum(build::sha256(bytes), path, decoded.note, &layout, plan, table)
}

/// The sentence for a file above the limit of bytes.
fn too_many_bytes(path: &Path, settings: &ImportSettings) -> Error {
    Error::input(
        path,
        None,
        format!("the file is longer than the limit of {} bytes (max-bytes)", settings.max_bytes),
        "raise the limit or export fewer points",
    )
}

/// The sentence for a file with too many data points.
fn too_many_points(path: &Path, line: Option<usize>, settings: &ImportSettings) -> Error {
    Error::input(
        path,
        line,
        format!("the file has more than {} data points (max-points)", settings.max_points),
        "raise the limit or export fewer points",
    )
}

/// The sentence for a line without end.
fn line_too_long(path: &Path, line: Option<usize>) -> Error {
    Error::input(
        path,
        line,
        format!("a line is longer than {MAX_LINE_BYTES} bytes"),
        "export a table with one point per line",
    )
}

/// Counts lines while a file is read, so that a hopeless one is given up early.
#[derive(Default)]
struct LineCounter {
    line_feeds: usize,
    returns: usize,
    since_end: usize,
}

impl LineCounter {
    /// Takes the next bytes of the file into account.
    fn add(&mut self, piece: &[u8]) {
        self.line_feeds += piece.iter().filter(|b| **b == b'\n').count();
        self.returns += piece.iter().filter(|b| **b == b'\r').count();
        match piece.iter().rposition(|b| matches!(b, b'\n' | b'\r')) {
            Some(i) => self.since_end = piece.len() - i,
            None => self.since_end += piece.len(),
        }
    }

    /// Fails where the lines are too many, or the last one too long.
    fn check(&self, path: &Path, settings: &ImportSettings) -> Result<()> {
        let lines = self.line_feeds.max(self.returns);
        if lines > settings.max_points.saturating_add(MAX_OTHER_LINES) {
            return Err(too_many_points(path, None, settings));
        }
        // Two bytes a character is the most that an encoding with these line ends takes.
        if self.since_end > 2 * MAX_LINE_BYTES {
            return Err(line_too_long(path, Some(lines + 1)));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
