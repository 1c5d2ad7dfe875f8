//! Long text, read in pieces: memory for the points and for one piece at a time.
//!
//! Habit and columns are found from the first piece. Whatever would need the whole text at once
//! (another encoding than UTF-8, old line ends, quotes that first turn up later) is left to the
//! ordinary way.

use super::layout::Layout;
use super::sniff::{Format, sniff};
use super::table::{Fed, Reader};
use super::{ImportSettings, LineCounter, Result, Spectrum, build, columns, encoding, layout};
use crate::Error;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// Files from this length on are read in pieces; shorter ones fit into any memory.
pub(super) const FROM_BYTES: u64 = 16 << 20;
/// Bytes of a piece: so long that the habit shows, so short that it stays in a processor's cache.
const PIECE_BYTES: usize = 1 << 20;

/// What came of one way through the file.
enum Way {
    Read(Box<Spectrum>),
    /// The numbers have a decimal comma, which the first piece did not show.
    DecimalComma,
    /// It takes the whole text.
    Whole,
}

/// Reads the spectrum of a text file, or gives `None` (and the file from its start) where that takes
/// the whole text at once.
///
/// # Errors
/// As [`super::read_file`].
pub(super) fn read(
    file: &mut File,
    length: u64,
    path: &Path,
    settings: &ImportSettings,
) -> Result<Option<Spectrum>> {
    let from_start = |file: &mut File| {
        file.seek(SeekFrom::Start(0))
            .map(|_| ())
            .map_err(|source| Error::Read { path: path.into(), source })
    };
    for comma in [false, true] {
        match way(file, length, path, settings, comma)? {
            Way::Read(s) => return Ok(Some(*s)),
            Way::Whole => break,
            Way::DecimalComma => from_start(file)?,
        }
    }
    from_start(file)?;
    Ok(None)
}

/// One way through the file.
fn way(
    file: &mut File,
    length: u64,
    path: &Path,
    settings: &ImportSettings,
    comma: bool,
) -> Result<Way> {
    let mut pieces = Pieces { file, path, rest: Vec::new(), buffer: Vec::new(), done: false };
    let mut hash = Sha256::new();
    let mut counter = LineCounter::default();
    let Some(first) = pieces.next()? else { return Ok(Way::Whole) };
    let plain = settings.encoding.is_none() && !first.starts_with(b"\xef\xbb\xbf");
    if sniff(first, path)? != Format::Text || !plain || !is_plain(first) {
        return Ok(Way::Whole);
    }
    let mut layout = match layout::guess(first, path) {
        Ok(l) => l,
        // A very long preamble: the whole text may know more.
        Err(_) => return Ok(Way::Whole),
    };
    if comma {
        layout = layout.with_decimal_comma();
    }
    let Ok(plan) = columns::choose(first, &layout, settings.columns.as_deref(), path) else {
        return Ok(Way::Whole);
    };
    let mut reader = Reader::new(&layout, &plan, settings, path);
    reader.begin(first, usize::try_from(length).unwrap_or(usize::MAX));
    let (mut start, mut line) = (layout.start, layout.start_line);
    let mut piece = first;
    let mut line_at_piece = 1;
    loop {
        hash.update(piece);
        counter.add(piece);
        counter.check(path, settings)?;
        if !is_plain(piece) || quotes_differ(piece, &layout) {
            return Ok(Way::Whole);
        }
        if let Fed::OtherDecimalSign = reader.feed(piece, start, line)? {
            return Ok(Way::DecimalComma);
        }
        line_at_piece += piece.iter().filter(|b| **b == b'\n').count();
        (start, line) = (0, line_at_piece);
        match pieces.next()? {
            Some(next) => piece = next,
            None => break,
        }
    }
    let table = reader.finish()?;
    let digest = build::hexadecimal(&hash.finalize());
    let spectrum = build::spectrum(digest, path, None, &layout, plan, table)?;
    Ok(Way::Read(Box::new(spectrum)))
}

/// UTF-8 with line feeds, and no zero bytes.
fn is_plain(piece: &[u8]) -> bool {
    if std::str::from_utf8(piece).is_err() || piece.contains(&0) {
        return false;
    }
    !piece.contains(&b'\r') || encoding::only_whole_line_ends(piece)
}

/// True where quotes stand in a piece otherwise than in the first.
fn quotes_differ(piece: &[u8], layout: &Layout) -> bool {
    piece.contains(&b'"')
        && (!layout.quoting
            || layout::lines(piece, 0, 1)
                .any(|l| !l.bytes.iter().filter(|b| **b == b'"').count().is_multiple_of(2)))
}

/// The file in pieces that end at line ends.
struct Pieces<'a> {
    file: &'a mut File,
    path: &'a Path,
    /// The part of a line that the last piece left over.
    rest: Vec<u8>,
    buffer: Vec<u8>,
    done: bool,
}

impl Pieces<'_> {
    /// The next piece; `None` at the end.
    fn next(&mut self) -> Result<Option<&[u8]>> {
        if self.done {
            return Ok(None);
        }
        self.buffer.clear();
        self.buffer.append(&mut self.rest);
        let had = self.buffer.len();
        self.file
            .by_ref()
            .take(PIECE_BYTES as u64)
            .read_to_end(&mut self.buffer)
            .map_err(|source| Error::Read { path: self.path.into(), source })?;
        if self.buffer.len() == had {
            self.done = true;
            return Ok((had > 0).then_some(&self.buffer[..]));
        }
        match self.buffer.iter().rposition(|b| *b == b'\n') {
            Some(i) => self.rest.extend_from_slice(&self.buffer[i + 1..]),
            // One line longer than a piece: more than any line may have.
            None => {
                return Err(super::line_too_long(self.path, None));
            }
        }
        let keep = self.buffer.len() - self.rest.len();
        self.buffer.truncate(keep);
        Ok(Some(&self.buffer))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::import::{read_bytes, read_file};
    use std::io::Write;

    /// A file longer than several pieces.
    fn long(row: impl Fn(usize) -> String, head: &str) -> (tempfile::TempDir, std::path::PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.csv");
        let mut out = std::io::BufWriter::new(File::create(&path).unwrap());
        out.write_all(head.as_bytes()).unwrap();
        let mut bytes = 0;
        for i in 0.. {
            let text = row(i);
            bytes += text.len();
            out.write_all(text.as_bytes()).unwrap();
            if bytes > FROM_BYTES as usize + 1000 {
                break;
            }
        }
        out.flush().unwrap();
        (folder, path)
    }

    /// Read in pieces and read at once are the same.
    fn same(path: &Path) -> Spectrum {
        let settings = ImportSettings { max_points: 20_000_000, ..ImportSettings::default() };
        let pieces = read(&mut File::open(path).unwrap(), 1 << 24, path, &settings).unwrap();
        let whole = read_bytes(&std::fs::read(path).unwrap(), path, &settings).unwrap();
        let file = read_file(path, &settings).unwrap();
        assert!(file == whole);
        assert!(pieces.is_none_or(|p| p == whole));
        whole
    }

    #[test]
    fn pieces_give_what_the_whole_gives() {
        let nm = |i: usize| 300.0 + i as f64 * 1e-4;
        let pad = " ".repeat(60);
        let (_keep, path) =
            long(|i| format!("{:.4},{}{pad}\n", nm(i), i * 7919 % 65536), "Gain: 2\nnm,counts\n");
        let s = same(&path);
        assert!(s.len() > 200_000);
        assert!(
            read(&mut File::open(&path).unwrap(), 1 << 24, &path, &ImportSettings::default())
                .unwrap()
                .is_some()
        );
        let (_keep, path) = long(|i| format!("{:.4} \t{}{pad}x\r\n", nm(i), i % 977), "");
        same(&path);
        // A decimal comma that shows first far into the file.
        let row = |i: usize| {
            let counts = if i == 150_000 { "17,5".into() } else { (i % 977).to_string() };
            format!("{i};{counts};{pad}\n")
        };
        let (_keep, path) = long(row, "pixel;counts\n");
        assert_eq!(same(&path).counts()[150_000], 17.5);
        // Letters of another encoding at the end.
        let (_keep, path) = long(|i| format!("{i},{}{pad}\n", i % 977), "pixel,counts\n");
        let mut file = std::fs::OpenOptions::new().append(true).open(&path).unwrap();
        file.write_all(b"# \xb5m\n").unwrap();
        let s = same(&path);
        assert!(s.provenance.notes.iter().any(|n| n.contains("windows-1252")));
    }

    #[test]
    fn faults_are_named_with_their_line() {
        let pad = " ".repeat(80);
        let row = |i: usize| {
            let count = if i == 150_000 { "oops".into() } else { (i % 977).to_string() };
            format!("{i},{count}{pad}\n")
        };
        let (_keep, path) = long(row, "pixel,counts\n");
        let e = read_file(&path, &ImportSettings::default()).err().map(|e| e.to_string());
        assert!(
            e.as_ref().is_some_and(|e| e.contains("line 150002") && e.contains("oops")),
            "{e:?}"
        );
    }
}
