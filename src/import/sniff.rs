//! What a file is, from its first bytes.

use crate::{Error, Result};
use std::path::Path;

/// A kind of file that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Format {
    /// Delimited text.
    Text,
    /// JCAMP-DX, a text of labelled records.
    Jcamp,
    /// FITS, in blocks of binary numbers with headers.
    Fits,
    /// A PNG picture of a spectrum.
    Png,
    /// A JPEG picture of a spectrum.
    Jpeg,
}

impl Format {
    /// True for formats that are lines of text.
    pub fn is_text(self) -> bool {
        matches!(self, Format::Text | Format::Jcamp)
    }
}

/// Bytes looked at for control characters.
const LOOK_BYTES: usize = 1024;
/// Share of control characters above which bytes are no text; text has hardly any.
const MAX_CONTROL_SHARE: f64 = 0.05;

/// First bytes of kinds that are no text, with their names in a sentence.
const SIGNATURES: &[(&[u8], &str)] = &[
    (b"GIF87a", "a GIF picture"),
    (b"GIF89a", "a GIF picture"),
    (b"II*\0", "a TIFF picture"),
    (b"MM\0*", "a TIFF picture"),
    (b"PK\x03\x04", "a ZIP archive or an office workbook (xlsx, ods)"),
    (b"PK\x05\x06", "an empty ZIP archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ\0", "an xz archive"),
    (b"\x28\xb5\x2f\xfd", "a Zstandard archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!\x1a\x07", "a RAR archive"),
    (b"%PDF-", "a PDF document"),
    (b"{\\rtf", "an RTF document"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old office document (xls, doc)"),
    (b"\x89HDF\r\n\x1a\n", "an HDF5 file"),
    (b"SQLite format 3\0", "an SQLite database"),
    (b"\x7fELF", "a program"),
];

/// How files of these kinds begin.
const FITS: &[u8] = b"SIMPLE  =";
const PNG: &[u8] = b"\x89PNG\r\n\x1a\n";
const JPEG: &[u8] = b"\xff\xd8\xff";

/// First words of text that is no table.
const MARKUP: &[(&[u8], &str)] = &[
    (b"<!doctype", "a web page"),
    (b"<html", "a web page"),
    (b"<?xml", "an XML document"),
    (b"<svg", "an SVG picture"),
];

/// Says what kind of file these first bytes belong to; `path` is for the message.
///
/// # Errors
/// [`Error::Input`] where the file is empty or nothing that can be read, naming what it looks
/// like.
pub fn sniff(bytes: &[u8], path: &Path) -> Result<Format> {
    if bytes.is_empty() {
        return Err(Error::input(path, None, "the file is empty", "export the spectrum again"));
    }
    for (magic, format) in [(FITS, Format::Fits), (PNG, Format::Png), (JPEG, Format::Jpeg)] {
        if bytes.starts_with(magic) {
            return Ok(format);
        }
    }
    if let Some((_, what)) = SIGNATURES.iter().find(|(magic, _)| bytes.starts_with(magic)) {
        return Err(not_a_table(path, what));
    }
    let skip = if bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    let words = bytes[skip..].trim_ascii_start();
    let found = MARKUP
        .iter()
        .find(|(word, _)| words.get(..word.len()).is_some_and(|w| w.eq_ignore_ascii_case(word)));
    if let Some((_, what)) = found {
        return Err(not_a_table(path, what));
    }
    if super::jcamp::is_jcamp(&bytes[..bytes.len().min(LOOK_BYTES)]) {
        return Ok(Format::Jcamp);
    }
    if super::encoding::utf16(bytes).is_none() && looks_binary(bytes) {
        return Err(not_a_table(path, "binary data"));
    }
    Ok(Format::Text)
}

/// True where the bytes cannot be text of one byte a letter, or UTF-8.
pub(super) fn looks_binary(bytes: &[u8]) -> bool {
    let head = &bytes[..bytes.len().min(LOOK_BYTES)];
    let mut control = 0usize;
    for b in head {
        match b {
            0 => return true,
            b'\t' | b'\n' | b'\r' | 0x0b | 0x0c | 0x1a => {}
            1..0x20 | 0x7f => control += 1,
            _ => {}
        }
    }
    control as f64 > MAX_CONTROL_SHARE * head.len() as f64
}

/// The sentence for a file of another kind.
pub(super) fn not_a_table(path: &Path, what: &str) -> Error {
    Error::input(
        path,
        None,
        format!("this looks like {what}, not like a text table"),
        "export the spectrum as delimited text",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sentence(bytes: &[u8]) -> String {
        sniff(bytes, Path::new("a.csv")).unwrap_err().to_string()
    }

    #[test]
    fn other_kinds_are_named() {
        assert!(sentence(b"GIF89a").contains("GIF"));
        assert!(sentence(b"PK\x03\x04....").contains("ZIP"));
        assert!(sentence(b"\x1f\x8b\x08").contains("gzip"));
        assert!(sentence(b"%PDF-1.7").contains("PDF"));
        assert!(sentence(b"  <!DOCTYPE html>").contains("web page"));
        assert!(sentence(b"1,2\n3,\0 4\n").contains("binary"));
        assert!(sentence(b"").contains("empty"));
    }

    #[test]
    fn text_and_utf16_pass() {
        let path = Path::new("a.csv");
        assert_eq!(sniff(b"1,2\n", path).unwrap(), Format::Text);
        assert_eq!(sniff(b"\x89PNG\r\n\x1a\nxxxx", path).unwrap(), Format::Png);
        assert_eq!(sniff(b"\xff\xd8\xff\xe0", path).unwrap(), Format::Jpeg);
        assert_eq!(sniff(b"$$ made\n## title = x\n", path).unwrap(), Format::Jcamp);
        assert_eq!(sniff(b"## Wavelength, counts\n1,2\n", path).unwrap(), Format::Text);
        assert_eq!(sniff(b"\xff\xfe1\0,\0", path).unwrap(), Format::Text);
        assert_eq!(sniff(b"1\0,\x002\0\n\0", path).unwrap(), Format::Text);
    }
}
