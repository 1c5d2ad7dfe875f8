//! One table: a row a point, or one row whose cells hold the whole spectrum.

use super::axis::column_quantity;
use super::cards::Cards;
use super::{Kind, Part, Points, Quantity, bad, cell_value, mask_of};
use crate::Result;
use crate::import::columns::{self, AxisUnit};
use crate::import::layout::{Layout, Separator};
use crate::import::{ImportSettings, too_many_points};
use std::fmt::Write as _;
use std::path::Path;

/// Most columns of a table (FITS Standard, 7.2.1).
const MAX_FIELDS: i64 = 999;
/// Rows shown to the choice of columns.
const LOOK_ROWS: usize = 64;

/// Sizes of numbers that are short without an exponent.
const PLAIN: std::ops::Range<f64> = 1e-5..1e15;

/// One numeric column.
struct Column {
    name: String,
    unit: String,
    /// First byte of its cell in a row.
    at: usize,
    /// Numbers in a cell.
    repeat: usize,
    form: Form,
    scale: f64,
    zero: f64,
    null: Option<i64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Form {
    /// As BITPIX: 8, 16, 32, 64, -32, -64.
    Bits(i64),
    /// Text of so many bytes.
    Text(usize),
}

impl Form {
    fn bytes(self) -> usize {
        match self {
            Form::Bits(b) => b.unsigned_abs() as usize / 8,
            Form::Text(n) => n,
        }
    }
}

impl Column {
    /// Number `k` of the cell in this row; NaN where there is none.
    fn value(&self, row: &[u8], k: usize) -> f64 {
        let from = self.at + k * self.form.bytes();
        let Some(cell) = row.get(from..from + self.form.bytes()) else { return f64::NAN };
        match self.form {
            Form::Bits(b) => match cell_value(cell, b) {
                Some((v, raw)) if raw.is_none() || raw != self.null => self.zero + self.scale * v,
                _ => f64::NAN,
            },
            Form::Text(_) => {
                let text = std::str::from_utf8(cell).unwrap_or_default().trim();
                match text.replace(['D', 'd'], "E").parse::<f64>() {
                    Ok(v) => self.zero + self.scale * v,
                    Err(_) => f64::NAN,
                }
            }
        }
    }
}

pub(super) fn read(part: &Part, path: &Path, settings: &ImportSettings) -> Result<Points> {
    let c = &part.cards;
    let size = |key: &str| c.whole(key).and_then(|n| usize::try_from(n).ok()).unwrap_or(0);
    let (row_bytes, rows) = (size("NAXIS1"), size("NAXIS2"));
    let found = numeric_columns(c, part.kind, row_bytes);
    let mut notes = Vec::new();
    // The cells of one row, or the rows of one number each.
    let longest = found.iter().map(|f| f.repeat).max().unwrap_or(0);
    let lying = longest > 1;
    let wanted: Vec<&Column> = found.iter().filter(|f| f.repeat == longest).collect();
    if wanted.len() < 2 {
        return Err(bad(
            path,
            "the table does not have two columns of numbers of the same length",
            "export a table with an axis column and a counts column",
        ));
    }
    if wanted.len() < found.len() {
        notes.push(format!(
            "{} columns that do not hold one number a point were left out.",
            found.len() - wanted.len()
        ));
    }
    let row = match (lying, settings.rows, rows) {
        (false, None, _) => 0,
        (false, Some(_), _) => {
            return Err(bad(
                path,
                "rows were asked for, but each row of this table is one point",
                "leave --rows out for it",
            ));
        }
        (true, None, 1) => 0,
        (true, Some([a, b]), _) if a == b && a >= 1 && a <= rows => {
            notes.push(format!("Row {a} of {rows} was taken (as asked)."));
            a - 1
        }
        (true, _, _) => {
            return Err(bad(
                path,
                format!("the table has {rows} rows with a spectrum each"),
                "say which one to take with --rows N",
            ));
        }
    };
    let n = if lying { longest } else { rows };
    if n > settings.max_points {
        return Err(too_many_points(path, None, settings));
    }
    let value = |col: &Column, i: usize| {
        let (r, k) = if lying { (row, i) } else { (i, 0) };
        col.value(part.data.get(r * row_bytes..).unwrap_or_default(), k)
    };
    let plan = plan(&wanted, &value, n, path, settings)?;
    notes.extend(plan.notes.iter().cloned());
    let all = |i: usize| -> Vec<f64> {
        wanted.get(i).map_or_else(Vec::new, |col| (0..n).map(|k| value(col, k)).collect())
    };
    let x = all(plan.axis);
    let mut columns: Vec<Vec<f64>> = plan.counts.iter().map(|i| all(*i)).collect();
    let y = if columns.len() == 1 {
        columns.remove(0)
    } else {
        return Err(bad(
            path,
            "several columns of counts were asked for, which is possible for text only",
            "name one column of counts",
        ));
    };
    let axis = wanted[plan.axis.min(wanted.len() - 1)];
    let quantity = match plan.unit {
        // What the user said goes first.
        Some(u) if settings.columns.is_some() => of_unit(u),
        _ => column_quantity(&axis.unit, medium(c, axis)).or_else(|| plan.unit.and_then(of_unit)),
    };
    let Some(quantity) = quantity.or_else(|| {
        (axis.unit.is_empty() && plan.unit == Some(AxisUnit::Pixel)).then_some(Quantity::Pixel)
    }) else {
        return Err(bad(
            path,
            format!("column `{}` is the axis, but its unit is `{}`", axis.name, axis.unit),
            "write its unit into TUNIT, or say nm=1 or pixel=1 in columns",
        ));
    };
    let mut points = Points::new(x, y, quantity);
    if let Some(i) = plan.sigma {
        points.sigma = all(i);
    }
    points.unit = plan
        .counts
        .first()
        .and_then(|i| wanted.get(*i))
        .map(|col| col.unit.trim().to_lowercase())
        .map(|u| if u == "ct" || u == "count" { "counts".into() } else { u })
        .filter(|u| !u.is_empty());
    let own = |name: &str| wanted.iter().position(|col| col.name.eq_ignore_ascii_case(name));
    if let Some(i) = own("U_WAVELENGTH") {
        points.axis_u = all(i);
    }
    if let Some(i) = own("FLAGS") {
        let digit = |v: &f64| if v.is_finite() { v.clamp(0.0, 7.0) as u32 } else { 0 };
        points.mask = all(i).iter().map(digit).map(mask_of).collect();
    }
    points.notes = notes;
    Ok(points)
}

fn of_unit(u: AxisUnit) -> Option<Quantity> {
    match u {
        AxisUnit::Pixel => Some(Quantity::Pixel),
        other => other.to_nm().map(Quantity::Length),
    }
}

/// Whether wavelengths are those in air, where the header or the column's name says so.
fn medium(c: &Cards, axis: &Column) -> Option<&'static str> {
    let word = c.text("AIRORVAC").unwrap_or(&axis.name).to_lowercase();
    match () {
        () if word.contains("vac") => Some("vacuum"),
        () if word.contains("air") || word.starts_with("awav") => Some("air"),
        () => None,
    }
}

/// The choice of columns, by the same rules as for text: their names and units as headings, the
/// first rows below.
fn plan(
    wanted: &[&Column],
    value: &dyn Fn(&Column, usize) -> f64,
    n: usize,
    path: &Path,
    settings: &ImportSettings,
) -> Result<columns::Plan> {
    let clean = |s: &str| s.replace(['\t', '"', '[', ']', '\n', '\r'], " ").trim().to_string();
    let mut text = String::new();
    for (i, col) in wanted.iter().enumerate() {
        let unit = clean(&col.unit);
        let tab = if i > 0 { "\t" } else { "" };
        let name = clean(&col.name);
        let name = if name.is_empty() { format!("column {}", i + 1) } else { name };
        let unit = if unit.is_empty() { unit } else { format!(" [{unit}]") };
        let _ = write!(text, "{tab}{name}{unit}");
    }
    text.push('\n');
    let start = text.len();
    for i in 0..n.min(LOOK_ROWS) {
        for (k, col) in wanted.iter().enumerate() {
            let tab = if k > 0 { "\t" } else { "" };
            let v = value(col, i);
            // With an exponent where a number would be longer than the reader of text takes.
            let _ = match PLAIN.contains(&v.abs()) || v == 0.0 {
                true => write!(text, "{tab}{v}"),
                false => write!(text, "{tab}{v:e}"),
            };
        }
        text.push('\n');
    }
    let layout = Layout {
        separator: Separator::Tab,
        mark: b'.',
        mark_seen: true,
        quoting: false,
        width: wanted.len(),
        start,
        start_line: 2,
    };
    columns::choose(text.as_bytes(), &layout, settings.columns.as_deref(), path)
}

/// The columns that hold numbers.
fn numeric_columns(c: &Cards, kind: Kind, row_bytes: usize) -> Vec<Column> {
    let fields = c.whole("TFIELDS").unwrap_or(0).clamp(0, MAX_FIELDS);
    let mut out = Vec::new();
    let mut at = 0usize;
    for i in 1..=fields {
        let key = |name: &str| format!("{name}{i}");
        let Some(form) = c.text(&key("TFORM")).map(str::trim) else { break };
        let described = if kind == Kind::Ascii {
            let from = c.whole(&key("TBCOL")).and_then(|n| usize::try_from(n).ok());
            from.and_then(|f| f.checked_sub(1))
                .zip(ascii_form(form))
                .map(|(at, f)| (at, 1, Some(f)))
        } else {
            binary_form(form).map(|(repeat, form, bytes)| {
                let here = at;
                at = at.saturating_add(bytes);
                (here, repeat, form)
            })
        };
        // Without knowing its length, nothing behind it can be placed.
        let Some((from, repeat, form)) = described else {
            if kind == Kind::Ascii { continue } else { break }
        };
        let Some(form) = form else { continue };
        let end = repeat.checked_mul(form.bytes()).and_then(|b| b.checked_add(from));
        if repeat == 0 || end.is_none_or(|e| e > row_bytes) {
            continue;
        }
        out.push(Column {
            name: c.text(&key("TTYPE")).unwrap_or_default().trim().to_string(),
            unit: c.text(&key("TUNIT")).unwrap_or_default().trim().to_string(),
            at: from,
            repeat,
            form,
            scale: c.number(&key("TSCAL")).unwrap_or(1.0),
            zero: c.number(&key("TZERO")).unwrap_or(0.0),
            null: c.whole(&key("TNULL")),
        });
    }
    out
}

/// `rT` of a binary table: numbers in a cell, their form where they are plain numbers, bytes.
fn binary_form(form: &str) -> Option<(usize, Option<Form>, usize)> {
    let digits = form.bytes().take_while(u8::is_ascii_digit).count();
    let repeat: usize = if digits == 0 { 1 } else { form[..digits].parse().ok()? };
    let (form, bytes) = match form.as_bytes().get(digits)? {
        b'B' => (Some(Form::Bits(8)), repeat),
        b'I' => (Some(Form::Bits(16)), repeat.checked_mul(2)?),
        b'J' => (Some(Form::Bits(32)), repeat.checked_mul(4)?),
        b'K' => (Some(Form::Bits(64)), repeat.checked_mul(8)?),
        b'E' => (Some(Form::Bits(-32)), repeat.checked_mul(4)?),
        b'D' => (Some(Form::Bits(-64)), repeat.checked_mul(8)?),
        b'L' | b'A' => (None, repeat),
        b'X' => (None, repeat.div_ceil(8)),
        b'C' | b'P' => (None, repeat.checked_mul(8)?),
        b'M' | b'Q' => (None, repeat.checked_mul(16)?),
        _ => return None,
    };
    Some((repeat, form, bytes))
}

/// `Iw`, `Fw.d`, `Ew.d`, `Dw.d` of a text table.
fn ascii_form(form: &str) -> Option<Form> {
    let rest = form.strip_prefix(['I', 'F', 'E', 'D'])?;
    let width = rest.split('.').next()?.parse().ok()?;
    (width > 0 && width <= 80).then_some(Form::Text(width))
}
