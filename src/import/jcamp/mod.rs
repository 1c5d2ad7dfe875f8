//! JCAMP-DX, the exchange format of R. S. McDonald and P. A. Wilks, Appl. Spectrosc. 42, 151
//! (1988), version 4.24, and P. Lampen et al., Pure Appl. Chem. 71, 1549 (1999), version 5.01.
//!
//! One recording is taken from a file; where a compound file holds several, the one asked for by
//! [`ImportSettings::block`]. A table of peaks is no recording and is read by [`peak_table`].

mod numbers;
mod records;
mod stamp;

use super::points::{Points, Quantity, mask_of};
use super::{Error, ImportSettings, Result, Spectrum, too_many_points};
use numbers::Packing;
pub(super) use records::is_jcamp;
use records::{Block, Record};
use std::path::Path;

/// Largest distance of a check value of the axis from its place, in steps: programs write the
/// place of the last point of a line or that of the next, and round (common practice).
const CHECK_STEPS: f64 = 1.5;
/// Share of a step by which the end of the axis may miss what DELTAX says, before it is told.
const DELTA_SHARE: f64 = 0.1;
/// Difference of FIRSTY from the first count that is told, as a share of the larger of the two.
const FIRST_SHARE: f64 = 1e-3;

/// Reads the recording of a file.
pub(super) fn read(
    text: &[u8],
    bytes: &[u8],
    path: &Path,
    settings: &ImportSettings,
) -> Result<Spectrum> {
    let text = String::from_utf8_lossy(text);
    let blocks = records::blocks(&text, path)?;
    let with_data: Vec<&Block> = blocks.iter().filter(|b| b.table().is_some()).collect();
    let (block, mut notes) = chosen(&with_data, settings.block, path)?;
    // `chosen` gives only blocks that have a table.
    let Some(table) = block.table() else {
        return Err(no_data(path));
    };
    let mut points = match table.label.as_str() {
        "XYDATA" => even(block, table, path, settings, &mut notes)?,
        "XYPOINTS" => pairs(block, table, path, settings)?,
        other => {
            return Err(Error::input(
                path,
                Some(table.line),
                match other {
                    "PEAKTABLE" | "PEAKASSIGNMENTS" => {
                        "the block holds a table of peaks, not a recording".to_string()
                    }
                    _ => format!("the block holds ##{}=, which is not read", table.shown),
                },
                "export the spectrum as XYDATA or XYPOINTS (peaks: `glowtell convert --peaks`)",
            ));
        }
    };
    beside(block, path, &mut points, &mut notes)?;
    points.notes.splice(0..0, notes);
    points.spectrum(bytes, path, settings.max_points)
}

/// Place and height of each peak, in file order.
pub type PeakRows = Vec<(f64, f64)>;

/// Peaks of a ##PEAK TABLE=: wavelength in nm (air; pixels where the block says so) and height, in
/// file order, with the notes on what was done to the axis. The first such table, or that of the
/// block asked for.
///
/// # Errors
/// [`Error::Input`] where there is none, or it is damaged.
pub fn peak_table(
    bytes: &[u8],
    path: &Path,
    settings: &ImportSettings,
) -> Result<(PeakRows, Vec<String>)> {
    if bytes.len() as u64 > settings.max_bytes {
        return Err(super::too_many_bytes(path, settings));
    }
    let decoded = super::encoding::decode(bytes, path, settings.encoding.as_deref())?;
    let text = String::from_utf8_lossy(&decoded.text);
    let blocks = records::blocks(&text, path)?;
    let with_data: Vec<&Block> = blocks.iter().filter(|b| b.table().is_some()).collect();
    let is_peaks = |b: &&&Block| b.table().is_some_and(|t| t.label == "PEAKTABLE");
    let block = match settings.block {
        Some(n) => n.checked_sub(1).and_then(|i| with_data.get(i)).filter(is_peaks),
        None => with_data.iter().find(is_peaks),
    };
    let Some((block, table)) = block.and_then(|b| Some((b, b.table()?))) else {
        return Err(Error::input(
            path,
            None,
            "there is no table of peaks here",
            "give a JCAMP-DX file with ##PEAK TABLE=",
        ));
    };
    let points = pairs(block, table, path, settings)?;
    let (mut x, mut notes) = (points.x, Vec::new());
    points.quantity.convert(&mut x, &mut Vec::new(), &mut notes);
    Ok((x.into_iter().zip(points.y).collect(), notes))
}

/// The block to read, with a note where it was one of several.
fn chosen<'a, 'b>(
    blocks: &[&'a Block<'b>],
    asked: Option<usize>,
    path: &Path,
) -> Result<(&'a Block<'b>, Vec<String>)> {
    /// Titles that are listed.
    const LISTED: usize = 8;
    let title = |b: &Block| b.get("TITLE").map_or("untitled".into(), |r| shortened(r.value));
    match (asked, blocks) {
        (_, []) => Err(no_data(path)),
        (None, [one]) => Ok((one, Vec::new())),
        (Some(n), all) => match n.checked_sub(1).and_then(|i| all.get(i)) {
            Some(b) => Ok((
                b,
                vec![format!("Block {n} of {} was taken (as asked): {}.", all.len(), title(b))],
            )),
            None => Err(Error::input(
                path,
                None,
                format!("block {n} was asked for, but the file has {}", all.len()),
                "ask for one that exists",
            )),
        },
        (None, all) => {
            let named = |(i, b): (usize, &&Block)| format!("{} {}", i + 1, title(b));
            let names: Vec<String> = all.iter().enumerate().take(LISTED).map(named).collect();
            let more = if all.len() > LISTED { ", ..." } else { "" };
            Err(Error::input(
                path,
                None,
                format!("the file holds {} blocks ({}{more})", all.len(), names.join(", ")),
                "say which with --block N",
            ))
        }
    }
}

fn no_data(path: &Path) -> Error {
    Error::input(
        path,
        None,
        "no block of this JCAMP-DX file holds ##XYDATA= or ##XYPOINTS=",
        "export the spectrum with its data",
    )
}

/// A value short enough for a sentence.
fn shortened(text: &str) -> String {
    const SHOWN: usize = 40;
    text.trim().chars().take(SHOWN).collect()
}

/// ##XYDATA=(X++(Y..Y)): an even axis, packed or plain.
fn even(
    block: &Block,
    table: &Record,
    path: &Path,
    settings: &ImportSettings,
    notes: &mut Vec<String>,
) -> Result<Points> {
    let form = form_of(table);
    if form != "(X++(Y..Y))" {
        return Err(Error::input(
            path,
            Some(table.line),
            format!("##XYDATA= has the form `{}`", shortened(&form)),
            "export it as (X++(Y..Y)) or as ##XYPOINTS= (XY..XY)",
        ));
    }
    let x_factor = block.number("XFACTOR", path)?.unwrap_or(1.0);
    let y_factor = block.number("YFACTOR", path)?.unwrap_or(1.0);
    let first = block.number("FIRSTX", path)?;
    let last = block.number("LASTX", path)?;
    let delta = block.number("DELTAX", path)?;
    let told = block.number("NPOINTS", path)?;
    let packing = Packing::of(table.lines());
    let mut y: Vec<f64> = Vec::new();
    let mut checks: Vec<(usize, f64, usize)> = Vec::new();
    let mut line_values = Vec::new();
    let mut open = false;
    let mut y_checks = 0usize;
    for (line, text) in table.lines() {
        let before = y.last().copied();
        let room = settings.max_points.saturating_sub(y.len()) + 1;
        let fault = |why: String| {
            Error::input(path, Some(line), why, "export the spectrum again, the table is damaged")
        };
        let Some(row) = numbers::line(text, packing, room, &mut line_values).map_err(fault)? else {
            continue;
        };
        let mut from = 0;
        if open {
            // The last ordinate of a line in difference form comes again as the first of the next.
            let again = line_values.first().copied();
            if again != before {
                return Err(fault(format!(
                    "the check value {} is not the last count of the line before, {}",
                    again.unwrap_or(f64::NAN),
                    before.unwrap_or(f64::NAN)
                )));
            }
            y_checks += 1;
            from = 1;
        }
        checks.push((line, row.x, y.len() - from));
        y.extend_from_slice(&line_values[from.min(line_values.len())..]);
        open = row.ends_in_difference;
        if y.len() > settings.max_points {
            return Err(too_many_points(path, Some(line), settings));
        }
    }
    let n = y.len();
    if let Some(told) = told
        && told != n as f64
    {
        return Err(Error::input(
            path,
            Some(table.line),
            format!("##NPOINTS= says {told} points, but the table holds {n}"),
            "export the spectrum again, or mend ##NPOINTS=",
        ));
    }
    let start = match (first, checks.first()) {
        (Some(first), _) => first,
        (None, Some(c)) => c.1 * x_factor,
        (None, None) => 0.0,
    };
    let step = match (last, delta) {
        (Some(last), _) if n > 1 => (last - start) / (n - 1) as f64,
        (_, Some(delta)) => delta,
        _ => {
            return Err(Error::input(
                path,
                Some(table.line),
                "neither ##LASTX= nor ##DELTAX= tells the step of the axis",
                "export the spectrum again, or add ##LASTX=",
            ));
        }
    };
    if let (Some(last), Some(delta)) = (last, delta)
        && (start + delta * (n as f64 - 1.0) - last).abs() > DELTA_SHARE * step.abs()
    {
        notes.push(format!(
            "##DELTAX= {delta} does not lead to ##LASTX= {last}: the axis was laid between \
             ##FIRSTX= and ##LASTX=."
        ));
    }
    for (line, x, at) in &checks {
        let expected = start + step * *at as f64;
        if (x * x_factor - expected).abs() > CHECK_STEPS * step.abs() {
            return Err(Error::input(
                path,
                Some(*line),
                format!(
                    "the line begins at {}, but the points before it lead to {expected}",
                    x * x_factor
                ),
                "export the spectrum again, points were lost or the axis is not even",
            ));
        }
    }
    notes.push(format!(
        "JCAMP-DX, {}; {} check values on the axis{} hold.",
        packing.name(),
        checks.len(),
        if y_checks > 0 { format!(" and {y_checks} on the counts") } else { String::new() }
    ));
    y.iter_mut().for_each(|v| *v *= y_factor);
    let x = (0..n).map(|i| start + step * i as f64).collect();
    Ok(Points::new(x, y, quantity(block, path)?))
}

/// ##XYPOINTS=(XY..XY) and peaks: pairs (or groups whose first two numbers count).
fn pairs(block: &Block, table: &Record, path: &Path, settings: &ImportSettings) -> Result<Points> {
    let form = form_of(table);
    let group = match form.as_str() {
        "(XY..XY)" => 2,
        "(XYW..XYW)" | "(XYM..XYM)" => 3,
        _ => {
            return Err(Error::input(
                path,
                Some(table.line),
                format!("the table has the form `{}`", shortened(&form)),
                "export it as (XY..XY)",
            ));
        }
    };
    let x_factor = block.number("XFACTOR", path)?.unwrap_or(1.0);
    let y_factor = block.number("YFACTOR", path)?.unwrap_or(1.0);
    let (mut x, mut y) = (Vec::new(), Vec::new());
    let mut at = 0usize;
    for (line, text) in table.lines() {
        for word in numbers::words(text) {
            let value = numbers::affn(word).ok_or_else(|| {
                Error::input(
                    path,
                    Some(line),
                    format!("`{}` is no number", shortened(word)),
                    "export the spectrum again, the table is damaged",
                )
            })?;
            match at % group {
                0 => x.push(value * x_factor),
                1 => y.push(value * y_factor),
                _ => {}
            }
            at += 1;
        }
        if x.len() > settings.max_points {
            return Err(too_many_points(path, Some(line), settings));
        }
    }
    let told = block.number("NPOINTS", path)?;
    if !at.is_multiple_of(group) || told.is_some_and(|t| t != x.len() as f64) {
        return Err(Error::input(
            path,
            Some(table.line),
            match told {
                Some(t) if at.is_multiple_of(group) => {
                    format!("##NPOINTS= says {t} points, but the table holds {}", x.len())
                }
                _ => "the last pair of the table is not whole".to_string(),
            },
            "export the spectrum again",
        ));
    }
    Ok(Points::new(x, y, quantity(block, path)?))
}

/// The form that a table is said to have, `(X++(Y..Y))`, without blanks.
fn form_of(table: &Record) -> String {
    let words = table.value.split_whitespace().collect::<String>();
    words.to_ascii_uppercase()
}

/// What ##XUNITS= says.
fn quantity(block: &Block, path: &Path) -> Result<Quantity> {
    let Some(record) = block.get("XUNITS") else {
        return Err(Error::input(
            path,
            block.table().map(|t| t.line),
            "##XUNITS= is missing",
            "add it: NANOMETERS, MICROMETERS, 1/CM or PIXELS",
        ));
    };
    let medium = block.get("$MEDIUM").map(|r| r.value.trim().to_ascii_uppercase());
    let unit: String = record.value.split_whitespace().collect::<String>().to_lowercase();
    let length = |f: f64| match medium.as_deref() {
        Some("AIR") => Quantity::AirLength(f),
        Some("VACUUM") => Quantity::VacuumLength(f),
        _ => Quantity::Length(f),
    };
    Ok(match unit.as_str() {
        "nanometers" | "nanometer" | "nanometres" | "nanometre" | "nm" | "wavelength(nm)" => {
            length(1.0)
        }
        "micrometers" | "micrometer" | "micrometres" | "micrometre" | "um" | "µm" | "microns"
        | "micron" => length(1e3),
        "angstroms" | "angstrom" | "a" => length(0.1),
        "1/cm" | "cm-1" | "cm^-1" | "wavenumber(cm-1)" | "wavenumbers(cm-1)" => {
            Quantity::Wavenumber(1.0)
        }
        "pixels" | "pixel" | "channels" | "channel" => Quantity::Pixel,
        _ => {
            return Err(Error::input(
                path,
                Some(record.line),
                format!("##XUNITS= is `{}`", shortened(record.value)),
                "export the spectrum over nm, micrometres or 1/cm",
            ));
        }
    })
}

/// Unit, dates, uncertainties and all other labels.
fn beside(block: &Block, path: &Path, points: &mut Points, notes: &mut Vec<String>) -> Result<()> {
    if let Some(unit) = block.get("YUNITS") {
        let name = unit.value.trim().to_lowercase();
        if ["absorb", "transm", "reflect"].iter().any(|w| name.contains(w)) {
            notes.push(format!(
                "The values are {name}, not light: lines in them are taken for emission."
            ));
        }
        if !name.is_empty() {
            points.unit = Some(name);
        }
    }
    if let (Some(first), Some(y)) = (block.number("FIRSTY", path)?, points.y.first())
        && (first - y).abs() > FIRST_SHARE * first.abs().max(y.abs())
    {
        notes.push(format!("##FIRSTY= says {first}, but the first count is {y}."));
    }
    let n = points.y.len();
    points.axis_u = list(block, "$XUNCERTAINTY", n, path)?;
    points.sigma = list(block, "$YUNCERTAINTY", n, path)?;
    points.mask =
        list(block, "$FLAGS", n, path)?.iter().map(|d| mask_of(d.clamp(0.0, 7.0) as u32)).collect();
    for r in &block.records {
        if !r.is_table() && !["$XUNCERTAINTY", "$YUNCERTAINTY", "$FLAGS"].contains(&&*r.label) {
            points.metadata.push((r.shown.trim().into(), r.value.trim().replace('\n', " ")));
        }
    }
    points.metadata.truncate(super::MAX_METADATA_LINES);
    let get = |label: &str| block.get(label).map(|r| r.value);
    match stamp::iso(get("LONGDATE"), get("DATE"), get("TIME")) {
        Some(Ok((when, note))) => {
            points.metadata.push(("recorded".into(), when));
            notes.extend(note);
        }
        Some(Err(text)) => {
            notes.push(format!("The date `{}` is not understood.", shortened(&text)))
        }
        None => {}
    }
    Ok(())
}

/// A list of one number a point under a label of our own; empty where there is none.
fn list(block: &Block, label: &str, n: usize, path: &Path) -> Result<Vec<f64>> {
    let Some(record) = block.get(label) else { return Ok(Vec::new()) };
    let mut out = Vec::new();
    for (line, text) in std::iter::once((record.line, record.value)).chain(record.lines()) {
        for word in numbers::words(text) {
            out.push(numbers::affn(word).ok_or_else(|| {
                Error::input(
                    path,
                    Some(line),
                    format!("`{}` under ##{}= is no number", shortened(word), record.shown),
                    "export the spectrum again",
                )
            })?);
        }
        if out.len() > n {
            break;
        }
    }
    if out.len() != n {
        return Err(Error::input(
            path,
            Some(record.line),
            format!("##{}= does not hold one number for each of {n} points", record.shown),
            "export the spectrum again, or take that label out",
        ));
    }
    Ok(out)
}

#[cfg(test)]
mod tests;
