//! Rows of numbers become a [`Spectrum`].

use super::columns::{AxisUnit, Plan};
use super::layout::Layout;
use super::metadata::MAX_METADATA_LINES;
use super::table::Table;
use crate::{Axis, AxisKind, Error, Mask, Result, Spectrum};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::path::Path;

/// Fewest points that make a spectrum: one line with its flanks and some baseline on both sides.
pub const MIN_POINTS: usize = 8;
/// Largest share of points that may repeat the axis value of their neighbour (rounding in the
/// export does this now and then) before the axis is refused.
pub const DUPLICATES_SHARE: f64 = 0.01;
/// Repeated axis values that are put up with in however short a table.
const DUPLICATES_FREE: usize = 2;
/// Axis values in nm that a spectrometer for light can have; used only where no heading tells.
const NM_RANGE: (f64, f64) = (100.0, 3000.0);
/// A value rounded to a step has a standard uncertainty of the step over √12 (JCGM 100:2008,
/// 4.3.7).
const ROUNDING: f64 = 0.288_675_134_594_812_9;

/// Builds the spectrum from what was read.
pub(super) fn spectrum(
    digest: String,
    path: &Path,
    encoding_note: Option<String>,
    layout: &Layout,
    plan: Plan,
    mut table: Table,
) -> Result<Spectrum> {
    let mut notes: Vec<String> = encoding_note.into_iter().collect();
    let comma = if layout.mark == b',' { "decimal comma" } else { "decimal point" };
    notes.push(format!("Separator: {}; {comma}.", layout.separator.name()));
    notes.extend(plan.notes.iter().cloned());
    check_counts(&table, path, layout)?;
    let reversed = put_in_order(&mut table);
    check_order(&table, path, reversed)?;
    let kind = axis_kind(&mut table, plan.unit, path, layout, &mut notes)?;
    if reversed {
        notes.push("The axis ran from high to low and was turned round.".into());
    }
    let repeats = plan.counts.len();
    if repeats > 1 {
        fill_scatter(&mut table, repeats, &mut notes);
    } else if plan.sigma.is_some() {
        fill_column(&mut table, &mut notes);
    }
    fill_axis_u(&mut table, &plan, kind, &mut notes);
    if let Some((line, word)) = table.no_flag.take() {
        table.flags.clear();
        notes.push(format!(
            "Line {line}: `{word}` is no flag that is known here; the flags were not used."
        ));
    }
    merge_duplicates(&mut table, path, &mut notes)?;
    say_what_is_missing(&table, layout, &plan, &mut notes);

    let dead: Vec<usize> = (0..table.counts.len()).filter(|i| table.counts[*i].is_nan()).collect();
    let mut s = Spectrum::new(Axis::new(kind, table.axis)?, table.counts)?;
    for (i, flags) in table.flags.iter().enumerate() {
        s.flag(i, *flags);
    }
    for i in dead {
        s.flag(i, Mask::DEAD);
    }
    if !table.sigma.is_empty() {
        s = s.with_sigma(table.sigma)?;
    }
    if !table.axis_u.is_empty() {
        s = s.with_axis_u(table.axis_u)?;
    }
    if let Some(unit) = plan.counts_unit {
        s.unit = unit;
    }
    s.provenance.name =
        path.file_stem().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    s.provenance.path = Some(path.to_path_buf());
    s.provenance.sha256 = Some(digest);
    s.provenance.metadata = table.metadata.entries;
    s.provenance.notes = notes;
    s.provenance.reversed = reversed;
    Ok(s)
}

/// SHA-256 in lower-case hexadecimal.
pub(super) fn sha256(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

/// Bytes in lower-case hexadecimal.
pub(super) fn hexadecimal(digest: &[u8]) -> String {
    digest.iter().fold(String::with_capacity(64), |mut text, b| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{b:02x}");
        text
    })
}

/// Refuses too few points and counts that hold no signal.
fn check_counts(table: &Table, path: &Path, layout: &Layout) -> Result<()> {
    let line = Some(layout.start_line);
    let n = table.axis.len();
    if n < MIN_POINTS {
        return Err(Error::input(
            path,
            line,
            format!("there are only {n} data points, and at least {MIN_POINTS} are needed"),
            "export the whole spectrum",
        ));
    }
    let mut real = table.counts.iter().filter(|c| c.is_finite());
    let Some(first) = real.next() else {
        return Err(Error::input(
            path,
            line,
            "no point has a count (all are blank, nan or inf)",
            "export the spectrum again, or choose another column with --columns",
        ));
    };
    if real.all(|c| c == first) {
        let what = if *first == 0.0 {
            "all counts are zero".to_string()
        } else {
            format!("all counts are the same value, {first} (saturated, or no signal)")
        };
        return Err(Error::input(
            path,
            line,
            what,
            "record the spectrum again, or choose another column with --columns",
        ));
    }
    Ok(())
}

/// Turns a table round that runs from high to low; true where it did.
fn put_in_order(table: &mut Table) -> bool {
    let reversed = table.axis.last() < table.axis.first();
    if reversed {
        table.axis.reverse();
        table.counts.reverse();
        table.sigma.reverse();
        table.axis_u.reverse();
        table.flags.reverse();
        table.lines.reverse();
    }
    reversed
}

/// Refuses an axis that goes back.
fn check_order(table: &Table, path: &Path, reversed: bool) -> Result<()> {
    let Some(i) = table.axis.windows(2).position(|w| w[1] < w[0]) else { return Ok(()) };
    // In file order the later of the two lines is the one that turns.
    let (from, to, line) = match reversed {
        false => (table.axis[i], table.axis[i + 1], table.lines[i + 1]),
        true => (table.axis[i + 1], table.axis[i], table.lines[i]),
    };
    Err(Error::input(
        path,
        Some(line as usize),
        format!("the axis turns back here, from {from} to {to}"),
        "export one spectrum per file, with an axis that only rises or only falls",
    ))
}

/// Decides between pixels and nm and converts other lengths.
fn axis_kind(
    table: &mut Table,
    unit: Option<AxisUnit>,
    path: &Path,
    layout: &Layout,
    notes: &mut Vec<String>,
) -> Result<AxisKind> {
    let (low, high) = (
        table.axis.first().copied().unwrap_or_default(),
        table.axis.last().copied().unwrap_or_default(),
    );
    let line = Some(layout.start_line);
    let Some(unit) = unit else { return guess_kind(table, path, line, notes) };
    if unit == AxisUnit::Pixel {
        notes.push("The axis counts pixels (by heading or setting).".into());
        return Ok(AxisKind::Pixel);
    }
    let Some(factor) = unit.to_nm() else {
        return Err(Error::input(
            path,
            line,
            format!("the axis is a {}", unit.name()),
            "export the spectrum over wavelength in nm",
        ));
    };
    if low <= 0.0 {
        return Err(Error::input(
            path,
            line,
            format!("the axis is headed as wavelength, but begins at {low}"),
            "cut off what is not wavelength, or say pixel=1 in columns",
        ));
    }
    if unit == AxisUnit::Nm {
        notes.push("The axis is wavelength in nm (by heading or setting).".into());
    } else {
        table.axis.iter_mut().for_each(|x| *x *= factor);
        notes.push(format!("The axis is wavelength in {}, turned into nm.", unit.name()));
    }
    let (low, high) = (low * factor, high * factor);
    if low < NM_RANGE.0 || high > NM_RANGE.1 {
        notes.push(format!(
            "The axis runs from {low} to {high} nm, beyond the usual {} to {} nm: check its unit.",
            NM_RANGE.0, NM_RANGE.1
        ));
    }
    Ok(AxisKind::Nm)
}

/// Decides by the values: whole numbers from 0 or 1 in steps of 1 are pixels, numbers in the range
/// of light are nm.
fn guess_kind(
    table: &Table,
    path: &Path,
    line: Option<usize>,
    notes: &mut Vec<String>,
) -> Result<AxisKind> {
    let axis = &table.axis;
    let (low, high) =
        (axis.first().copied().unwrap_or_default(), axis.last().copied().unwrap_or_default());
    if (low == 0.0 || low == 1.0) && axis.windows(2).all(|w| w[1] - w[0] == 1.0) {
        notes.push(format!(
            "The axis was taken for pixels, since it counts from {low} in steps of 1 and no \
             heading tells."
        ));
        return Ok(AxisKind::Pixel);
    }
    if low >= NM_RANGE.0 && high <= NM_RANGE.1 {
        notes.push(format!(
            "The axis was taken for wavelength in nm, since it runs from {low} to {high} and no \
             heading tells."
        ));
        return Ok(AxisKind::Nm);
    }
    Err(Error::input(
        path,
        line,
        format!(
            "the axis runs from {low} to {high}, which is neither pixels from 0 or 1 in steps of 1 \
             nor {} to {} nm, and no heading tells its unit",
            NM_RANGE.0, NM_RANGE.1
        ),
        "head the column with its unit, or say nm=1 or pixel=1 in columns",
    ))
}

/// Completes the uncertainties from repeats: rounding is added, and a point with one reading only
/// has the scatter of the others.
fn fill_scatter(table: &mut Table, repeats: usize, notes: &mut Vec<String>) {
    let known: Vec<f64> = table.sigma.iter().copied().filter(|s| s.is_finite()).collect();
    if known.is_empty() {
        table.sigma.clear();
        return;
    }
    let pooled = (known.iter().map(|s| s * s).sum::<f64>() / known.len() as f64).sqrt();
    let step = 10f64.powi(-i32::from(table.decimals));
    let rounding = ROUNDING * step / (repeats as f64).sqrt();
    for s in &mut table.sigma {
        *s = if s.is_finite() { s.hypot(rounding) } else { pooled * (repeats as f64).sqrt() };
    }
    notes.push(format!(
        "The counts are the mean of {repeats} columns; their scatter gives the uncertainty."
    ));
    if table.partial > 0 {
        notes.push(format!("{} points have fewer repeats than the others.", table.partial));
    }
}

/// Completes a column of uncertainties: a point without has that of the median point.
fn fill_column(table: &mut Table, notes: &mut Vec<String>) {
    let usable = |s: &f64| s.is_finite() && *s >= 0.0;
    let mut known: Vec<f64> = table.sigma.iter().copied().filter(usable).collect();
    if !known.iter().any(|s| *s > 0.0) {
        table.sigma.clear();
        notes.push("The column of uncertainties holds none, and was not used.".into());
        return;
    }
    known.sort_by(f64::total_cmp);
    let median = known[known.len() / 2];
    let filled = table.sigma.iter_mut().filter(|s| !usable(s)).map(|s| *s = median).count();
    if filled > 0 {
        notes.push(format!(
            "{filled} points without an uncertainty were given that of the median point."
        ));
    }
}

/// Turns the uncertainties of the axis into nm, or drops them where they are not of use.
fn fill_axis_u(table: &mut Table, plan: &Plan, kind: AxisKind, notes: &mut Vec<String>) {
    let Some((_, unit)) = plan.axis_u else { return };
    let factor = unit.or(plan.unit).unwrap_or(AxisUnit::Nm).to_nm();
    let usable = table.axis_u.iter().all(|u| u.is_finite() && *u >= 0.0)
        && table.axis_u.iter().any(|u| *u > 0.0);
    match factor.filter(|_| usable && kind == AxisKind::Nm) {
        Some(f) => table.axis_u.iter_mut().for_each(|u| *u *= f),
        None => {
            table.axis_u.clear();
            notes.push(
                "The uncertainties of the axis have gaps, or the axis is no wavelength: they were not used.".into(),
            );
        }
    }
}

/// Averages points with the same axis value, or refuses where they are many.
fn merge_duplicates(table: &mut Table, path: &Path, notes: &mut Vec<String>) -> Result<()> {
    let twice = table.axis.windows(2).filter(|w| w[0] == w[1]).count();
    if twice == 0 {
        return Ok(());
    }
    let n = table.axis.len();
    if twice > DUPLICATES_FREE.max((DUPLICATES_SHARE * n as f64) as usize) || twice + MIN_POINTS > n
    {
        let i = table.axis.windows(2).position(|w| w[0] == w[1]).unwrap_or(0);
        let line = table.lines[i].max(table.lines[i + 1]) as usize;
        return Err(Error::input(
            path,
            Some(line),
            format!("{twice} of {n} points repeat an axis value (the first is {})", table.axis[i]),
            "export one spectrum per file, with more digits on the axis",
        ));
    }
    let (mut axis, mut counts, mut sigma) = (Vec::new(), Vec::new(), Vec::new());
    let (mut axis_u, mut flags) = (Vec::new(), Vec::new());
    let mut i = 0;
    while i < n {
        let len = table.axis[i..].iter().take_while(|x| **x == table.axis[i]).count();
        let real: Vec<usize> = (i..i + len).filter(|k| table.counts[*k].is_finite()).collect();
        let m = real.len() as f64;
        axis.push(table.axis[i]);
        counts.push(real.iter().map(|k| table.counts[*k]).sum::<f64>() / m);
        if !table.sigma.is_empty() {
            let squares: f64 = real.iter().map(|k| table.sigma[*k].powi(2)).sum();
            sigma.push(if real.is_empty() { table.sigma[i] } else { squares.sqrt() / m });
        }
        if let Some(u) = table.axis_u.get(i..i + len) {
            axis_u.push(u.iter().copied().fold(0.0, f64::max));
        }
        if let Some(of_all) = table.flags.get(i..i + len) {
            let mut union = Mask::GOOD;
            of_all.iter().for_each(|m| union.set(*m));
            flags.push(union);
        }
        i += len;
    }
    (table.axis, table.counts, table.sigma) = (axis, counts, sigma);
    (table.axis_u, table.flags) = (axis_u, flags);
    notes.push(format!("{twice} points repeated an axis value and were averaged."));
    Ok(())
}

/// Sentences on points without counts and lines that are not data.
fn say_what_is_missing(table: &Table, layout: &Layout, plan: &Plan, notes: &mut Vec<String>) {
    let dead = table.counts.iter().filter(|c| c.is_nan()).count();
    if dead > 0 {
        notes.push(format!(
            "{dead} of {} points have no count (blank, nan or inf) and are left out.",
            table.counts.len()
        ));
    }
    if table.unplaced > 0 {
        notes.push(format!("{} rows have no axis value and were dropped.", table.unplaced));
    }
    let other = table.metadata.lines;
    let headings = plan.heading_lines.len();
    if other + headings > 0 {
        let lines = match other + headings {
            1 => "1 line is".to_string(),
            n => format!("{n} lines are"),
        };
        notes.push(format!(
            "{lines} not data ({headings} of headings); the data start on line {}.",
            layout.start_line
        ));
    }
    if other > MAX_METADATA_LINES {
        notes.push(format!("Of these only the first {MAX_METADATA_LINES} were kept."));
    }
}
