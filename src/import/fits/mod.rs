//! FITS, as far as it holds spectra of one dimension (FITS Standard 4.0, 2018; axes by Greisen et
//! al., A&A 446, 747 (2006)): an image whose first axis is the spectrum, or one table.
//!
//! Of an image with several rows, [`ImportSettings::rows`] says which to take; several are summed.
//! Of several images and tables, [`ImportSettings::block`] says which, counted from 1 as they stand
//! in the file. No length that the header claims is believed before the bytes are there.

mod axis;
mod cards;
mod table;

use super::points::{Points, Quantity, mask_of};
use super::{Error, ImportSettings, Result, Spectrum, too_many_points};
use cards::Cards;
use std::path::Path;

/// Bytes of a block; all parts of a file fill whole blocks (FITS Standard, 3.1).
const BLOCK: usize = 2880;
/// Most parts of one file that are looked at.
const MAX_PARTS: usize = 1000;

/// One header with its data.
struct Part<'a> {
    cards: Cards,
    /// The data without the filling of the last block.
    data: &'a [u8],
    kind: Kind,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    Image,
    /// A table of binary cells.
    Binary,
    /// A table of text cells.
    Ascii,
    /// No data, or a kind that is not read.
    Other,
}

impl Kind {
    fn name(self) -> &'static str {
        match self {
            Kind::Image => "image",
            Kind::Binary | Kind::Ascii => "table",
            Kind::Other => "other data",
        }
    }
}

/// Reads the recording of a file.
pub(super) fn read(bytes: &[u8], path: &Path, settings: &ImportSettings) -> Result<Spectrum> {
    let parts = parts(bytes, path)?;
    let primary = parts.first().map(|p| p.cards.clone()).unwrap_or_default();
    let (part, note) = chosen(&parts, settings.block, path)?;
    let mut points = match part.kind {
        Kind::Image => {
            super::only_for_text(path, settings)?;
            image(part, path, settings)?
        }
        _ => table::read(part, path, settings)?,
    };
    points.notes.splice(0..0, note);
    points.metadata = part.cards.metadata();
    for (key, value) in primary.metadata() {
        if !points.metadata.iter().any(|(k, _)| *k == key) {
            points.metadata.push((key, value));
        }
    }
    points.metadata.truncate(super::MAX_METADATA_LINES);
    if let Some(when) = part.cards.text("DATE-OBS").or_else(|| primary.text("DATE-OBS")) {
        points.metadata.push(("recorded".into(), when.to_string()));
    }
    if points.unit.is_none() {
        points.unit = part.cards.text("BUNIT").map(|u| u.trim().to_lowercase());
    }
    points.spectrum(bytes, path, settings.max_points)
}

/// A sentence about the file as a whole.
fn bad(path: &Path, what: impl Into<String>, remedy: &str) -> Error {
    Error::input(path, None, what, remedy)
}

/// The image or table to read.
fn chosen<'a, 'b>(
    parts: &'a [Part<'b>],
    asked: Option<usize>,
    path: &Path,
) -> Result<(&'a Part<'b>, Option<String>)> {
    /// Parts that are listed.
    const LISTED: usize = 8;
    let with: Vec<&Part> = parts.iter().filter(|p| p.kind != Kind::Other).collect();
    let name = |p: &Part| match p.cards.text("EXTNAME") {
        Some(n) => format!("{} {}", p.kind.name(), n.trim()),
        None => p.kind.name().to_string(),
    };
    match (asked, with.as_slice()) {
        (_, []) => Err(bad(
            path,
            "this FITS file holds no image and no table",
            "export the spectrum with its data, not compressed",
        )),
        (None, [one]) => Ok((one, None)),
        (Some(n), all) => match n.checked_sub(1).and_then(|i| all.get(i)) {
            Some(p) => {
                let note = format!("Block {n} of {} was taken (as asked): {}.", all.len(), name(p));
                Ok((p, Some(note)))
            }
            None => Err(bad(
                path,
                format!("block {n} was asked for, but the file has {}", all.len()),
                "ask for one that exists",
            )),
        },
        (None, all) => {
            let names: Vec<String> =
                (1..).zip(all).take(LISTED).map(|(i, p)| format!("{i} {}", name(p))).collect();
            let more = if all.len() > LISTED { ", ..." } else { "" };
            Err(bad(
                path,
                format!(
                    "the file holds {} images and tables ({}{more})",
                    all.len(),
                    names.join(", ")
                ),
                "say which with --block N",
            ))
        }
    }
}

/// All headers with their data.
fn parts<'a>(bytes: &'a [u8], path: &Path) -> Result<Vec<Part<'a>>> {
    let mut out: Vec<Part> = Vec::new();
    let mut at = 0usize;
    while at < bytes.len() && out.len() < MAX_PARTS {
        let rest = &bytes[at..];
        // What follows the last part may be anything (FITS Standard, 3.5).
        if !out.is_empty() && !rest.starts_with(b"XTENSION") {
            break;
        }
        let (cards, length) = Cards::read(rest, path)?;
        at += length;
        let size = data_bytes(&cards).filter(|s| *s <= bytes.len() - at).ok_or_else(|| {
            bad(
                path,
                format!(
                    "the header of part {} claims more data than the {} bytes that follow",
                    out.len() + 1,
                    bytes.len() - at
                ),
                "copy the file again, it is cut off or its header is wrong",
            )
        })?;
        let kind = kind_of(&cards, out.is_empty());
        out.push(Part { cards, data: &bytes[at..at + size], kind });
        at = at.saturating_add(size.div_ceil(BLOCK).saturating_mul(BLOCK)).min(bytes.len());
    }
    Ok(out)
}

/// Bytes of data that a header claims; `None` where that is no sane number.
fn data_bytes(c: &Cards) -> Option<usize> {
    let axes = usize::try_from(c.whole("NAXIS").unwrap_or(0)).ok().filter(|n| *n <= 999)?;
    if axes == 0 {
        return Some(0);
    }
    let mut product = 1usize;
    for i in 1..=axes {
        let n = usize::try_from(c.whole(&format!("NAXIS{i}"))?).ok()?;
        // Random groups begin with a length of zero.
        product = if i == 1 && n == 0 && axes > 1 { 1 } else { product.checked_mul(n)? };
    }
    let width = usize::try_from(c.whole("BITPIX")?.unsigned_abs()).ok()? / 8;
    let groups = usize::try_from(c.whole("GCOUNT").unwrap_or(1)).ok()?;
    let extra = usize::try_from(c.whole("PCOUNT").unwrap_or(0)).ok()?;
    product.checked_add(extra)?.checked_mul(groups)?.checked_mul(width)
}

fn kind_of(c: &Cards, first: bool) -> Kind {
    let axes = c.whole("NAXIS").unwrap_or(0);
    if axes == 0 || c.whole("NAXIS1") == Some(0) || c.flag("ZIMAGE") {
        return Kind::Other;
    }
    match c.text("XTENSION").map(|t| t.trim().to_uppercase()).as_deref() {
        None if first => Kind::Image,
        Some("IMAGE") => Kind::Image,
        Some("BINTABLE") => Kind::Binary,
        Some("TABLE") => Kind::Ascii,
        _ => Kind::Other,
    }
}

/// An image: one row, or those asked for.
fn image(part: &Part, path: &Path, settings: &ImportSettings) -> Result<Points> {
    let c = &part.cards;
    let n = c.whole("NAXIS1").and_then(|n| usize::try_from(n).ok()).unwrap_or(0);
    let bits = c.whole("BITPIX").unwrap_or(0);
    if !matches!(bits, 8 | 16 | 32 | 64 | -32 | -64) {
        return Err(bad(path, format!("BITPIX is {bits}"), "export the file again"));
    }
    if n > settings.max_points {
        return Err(too_many_points(path, None, settings));
    }
    let width = bits.unsigned_abs() as usize / 8;
    let row_bytes = n * width;
    let rows = part.data.len().checked_div(row_bytes).unwrap_or(0);
    let mut notes = Vec::new();
    let (from, to) = match (settings.rows, rows) {
        (None, 1) => (1, 1),
        (None, _) => {
            return Err(bad(
                path,
                format!("the image has {rows} rows of {n} points"),
                "say which to take with --rows N or --rows FROM..TO",
            ));
        }
        (Some([a, b]), _) if a >= 1 && a <= b && b <= rows => {
            notes.push(match b - a {
                0 => format!("Row {a} of {rows} was taken (as asked)."),
                _ => format!("Rows {a} to {b} of {rows} were summed (as asked)."),
            });
            (a, b)
        }
        (Some([a, b]), _) => {
            return Err(bad(
                path,
                format!("rows {a} to {b} were asked for, but the image has {rows}"),
                "ask for rows that exist, counted from 1",
            ));
        }
    };
    let scale = c.number("BSCALE").unwrap_or(1.0);
    let zero = c.number("BZERO").unwrap_or(0.0);
    let blank = c.whole("BLANK").filter(|_| bits > 0);
    let mut y = vec![0.0; n];
    for row in from..=to {
        let cells = part.data[(row - 1) * row_bytes..row * row_bytes].chunks_exact(width);
        for (y, cell) in y.iter_mut().zip(cells) {
            *y += match cell_value(cell, bits) {
                Some((v, raw)) if raw.is_none() || raw != blank => zero + scale * v,
                _ => f64::NAN,
            };
        }
    }
    let (x, quantity, more) = axis::of(c, n, path)?;
    notes.extend(more);
    let mut points = Points::new(x, y, quantity);
    points.notes = notes;
    Ok(points)
}

/// A big-endian number of `bits` (negative: floating point), with the integer itself where it is
/// one.
fn cell_value(cell: &[u8], bits: i64) -> Option<(f64, Option<i64>)> {
    let whole = |v: i64| Some((v as f64, Some(v)));
    match bits {
        8 => whole(i64::from(*cell.first()?)),
        16 => whole(i64::from(i16::from_be_bytes(cell.try_into().ok()?))),
        32 => whole(i64::from(i32::from_be_bytes(cell.try_into().ok()?))),
        64 => whole(i64::from_be_bytes(cell.try_into().ok()?)),
        -32 => Some((f64::from(f32::from_be_bytes(cell.try_into().ok()?)), None)),
        -64 => Some((f64::from_be_bytes(cell.try_into().ok()?), None)),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
