//! Bytes become UTF-8 text with line feeds as line ends.

use crate::{Error, Result};
use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use std::borrow::Cow;
use std::path::Path;

/// Bytes looked at for the zero-byte pattern of UTF-16.
const LOOK_BYTES: usize = 4096;
/// Least share of zero high bytes in UTF-16 text of a table: digits and separators all have one.
const MIN_ZERO_SHARE: f64 = 0.5;
/// Most zero low bytes in such text: none is expected.
const MAX_OTHER_ZERO_SHARE: f64 = 0.02;

/// Text of a file and what was guessed to get it.
pub(super) struct Decoded<'a> {
    /// Valid UTF-8; lines end in LF or CRLF.
    pub text: Cow<'a, [u8]>,
    /// A sentence where the encoding is not plain UTF-8.
    pub note: Option<String>,
}

/// UTF-16 by its byte-order mark or by its zero bytes.
pub(super) fn utf16(bytes: &[u8]) -> Option<&'static Encoding> {
    match bytes {
        [0xff, 0xfe, ..] => return Some(UTF_16LE),
        [0xfe, 0xff, ..] => return Some(UTF_16BE),
        _ => {}
    }
    let head = &bytes[..bytes.len().min(LOOK_BYTES)];
    let pairs = head.len() / 2;
    if pairs < 2 || !head.contains(&0) {
        return None;
    }
    let zeros = |at: usize| head.chunks_exact(2).filter(|p| p[at] == 0).count() as f64;
    let (first, second, pairs) = (zeros(0), zeros(1), pairs as f64);
    if second >= MIN_ZERO_SHARE * pairs && first <= MAX_OTHER_ZERO_SHARE * pairs {
        Some(UTF_16LE)
    } else if first >= MIN_ZERO_SHARE * pairs && second <= MAX_OTHER_ZERO_SHARE * pairs {
        Some(UTF_16BE)
    } else {
        None
    }
}

/// Decodes by the label given, else by byte-order mark, zero bytes, strict UTF-8, windows-1252,
/// in this order.
pub(super) fn decode<'a>(bytes: &'a [u8], path: &Path, label: Option<&str>) -> Result<Decoded<'a>> {
    let asked = label
        .map(|l| {
            Encoding::for_label(l.as_bytes()).ok_or_else(|| {
                Error::usage(
                    format!("`{l}` is not the name of an encoding"),
                    "use a web label such as utf-8, utf-16le, windows-1252 or gbk",
                )
            })
        })
        .transpose()?;
    let marked = Encoding::for_bom(bytes).map(|(e, _)| e);
    let (encoding, why) = if let Some(e) = marked {
        (e, "by its byte-order mark")
    } else if let Some(e) = asked {
        (e, "as asked")
    } else if let Some(e) = utf16(bytes) {
        (e, "since every second byte is zero")
    } else if std::str::from_utf8(bytes).is_ok() {
        return finish(Cow::Borrowed(bytes), None, path);
    } else {
        (WINDOWS_1252, "since it is not valid UTF-8")
    };
    let (text, damaged) = encoding.decode_with_bom_removal(bytes);
    let mut note = (encoding != UTF_8 || asked.is_some())
        .then(|| format!("The text was read as {} {why}.", encoding.name()));
    if damaged {
        note = Some(format!(
            "The text was read as {} {why}; some of its bytes are not valid there.",
            encoding.name()
        ));
    }
    let text = match text {
        Cow::Borrowed(s) => Cow::Borrowed(s.as_bytes()),
        Cow::Owned(s) => Cow::Owned(s.into_bytes()),
    };
    finish(text, note, path)
}

/// Refuses text with zero bytes and unifies line ends.
fn finish<'a>(text: Cow<'a, [u8]>, note: Option<String>, path: &Path) -> Result<Decoded<'a>> {
    if text.contains(&0) {
        return Err(super::sniff::not_a_table(path, "binary data (it holds zero bytes)"));
    }
    if text.trim_ascii().is_empty() {
        return Err(Error::input(
            path,
            None,
            "the file holds only blanks and line ends",
            "export the spectrum again",
        ));
    }
    Ok(Decoded { text: unify_line_ends(text), note })
}

/// True where each CR stands before an LF.
pub(super) fn only_whole_line_ends(text: &[u8]) -> bool {
    let returns = text.iter().filter(|b| **b == b'\r').count();
    text.windows(2).filter(|w| *w == b"\r\n").count() == returns
}

/// Turns a lone CR into LF; text with LF and CRLF only stays as it is, without a copy.
fn unify_line_ends(text: Cow<'_, [u8]>) -> Cow<'_, [u8]> {
    let lone = |t: &[u8], i: usize| t[i] == b'\r' && t.get(i + 1) != Some(&b'\n');
    if !text.contains(&b'\r') {
        return text;
    }
    if only_whole_line_ends(&text) {
        return text;
    }
    let mut text = text.into_owned();
    for i in 0..text.len() {
        if lone(&text, i) {
            text[i] = b'\n';
        }
    }
    Cow::Owned(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(bytes: &[u8]) -> (String, Option<String>) {
        let d = decode(bytes, Path::new("a.csv"), None).unwrap();
        (String::from_utf8(d.text.into_owned()).unwrap(), d.note)
    }

    #[test]
    fn the_order_is_mark_zero_bytes_utf8_windows_1252() {
        assert_eq!(read("µ1,2".as_bytes()), ("µ1,2".into(), None));
        assert_eq!(read(b"\xef\xbb\xbf1,2"), ("1,2".into(), None));
        let (t, n) = read(b"\xff\xfe1\0,\x002\0");
        assert_eq!(t, "1,2");
        assert!(n.unwrap().contains("UTF-16LE"));
        let (t, n) = read(b"\x001\0,\x002");
        assert_eq!(t, "1,2");
        assert!(n.unwrap().contains("UTF-16BE"));
        let (t, n) = read(b"\xb5m,2");
        assert_eq!(t, "µm,2");
        assert!(n.unwrap().contains("windows-1252"));
    }

    #[test]
    fn line_ends_become_line_feeds_without_needless_copies() {
        assert_eq!(read(b"1\r2\r\n3\n4").0, "1\n2\r\n3\n4");
        let text: &[u8] = b"1\r\n2\r\n";
        assert!(matches!(unify_line_ends(Cow::Borrowed(text)), Cow::Borrowed(_)));
    }

    #[test]
    fn a_label_is_obeyed_or_refused() {
        let d = decode(b"1,2 \xc1\xec", Path::new("a"), Some("gbk")).unwrap();
        assert_eq!(std::str::from_utf8(&d.text).unwrap(), "1,2 领");
        assert!(decode(b"1", Path::new("a"), Some("klingon")).is_err());
    }

    #[test]
    fn blanks_only_is_an_error() {
        assert!(decode(b" \r\n\t", Path::new("a"), None).is_err());
    }
}
