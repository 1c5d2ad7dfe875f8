//! Which column is which: by its heading, by its values, or as asked.

use super::layout::{self, Layout, Line, Separator};
use super::metadata::without_comment_sign;
use super::numbers::{self, Cell};
use crate::{Error, Result};
use std::path::Path;

mod headings;
mod spec;

pub(super) use headings::AxisUnit;
use headings::{Role, role};

/// The columns to read.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plan {
    /// Column of the axis, from 0.
    pub axis: usize,
    /// Unit of the axis, where heading or setting tell.
    pub unit: Option<AxisUnit>,
    /// Columns of counts; several are repeats.
    pub counts: Vec<usize>,
    /// Column of standard uncertainties.
    pub sigma: Option<usize>,
    /// Column of standard uncertainties of the axis, with their unit where the heading tells.
    pub axis_u: Option<(usize, Option<AxisUnit>)>,
    /// Column of words on what is wrong with a point.
    pub flags: Option<usize>,
    /// Unit of the counts, where the heading tells.
    pub counts_unit: Option<String>,
    /// Line of the headings, where there are any, and of a second line with units.
    pub heading_lines: Vec<usize>,
    /// What was chosen, in sentences.
    pub notes: Vec<String>,
}

/// Lines before the data that are looked at for headings.
const LOOK_BACK: usize = 6;
/// Rows of data looked at to see what a column holds.
const LOOK_ROWS: usize = 64;
/// Columns up to which a table has one point a row; a wider and shorter one lies on its side.
const WIDE: usize = 100;

/// The columns of the table as the first rows show them.
struct Facts {
    /// Values per column in the rows looked at, NaN where there is none.
    values: Vec<Vec<f64>>,
    /// Columns that hold numbers or signs for missing ones, and no words.
    numeric: Vec<usize>,
}

impl Facts {
    fn of(text: &[u8], layout: &Layout) -> Self {
        let mut values = vec![Vec::new(); layout.width];
        let mut words = vec![0usize; layout.width];
        let mut present = vec![0usize; layout.width];
        let mut cells = Vec::new();
        let rows = layout::lines(text, layout.start, 1).take(LOOK_ROWS);
        let mut count = 0usize;
        for line in rows {
            layout::split(line.bytes, layout.separator, layout.quoting, &mut cells);
            if cells.len() < layout.width {
                continue;
            }
            let kinds: Vec<Cell> =
                cells[..layout.width].iter().map(|c| numbers::parse(c, layout.mark)).collect();
            if !kinds.iter().any(|k| matches!(k, Cell::Number { .. })) {
                continue;
            }
            count += 1;
            for (i, kind) in kinds.iter().enumerate() {
                values[i].push(kind.number().unwrap_or(f64::NAN));
                match kind {
                    Cell::Number { .. } | Cell::Missing => present[i] += 1,
                    Cell::Text => words[i] += 1,
                    Cell::Blank => {}
                }
            }
        }
        let numeric =
            (0..layout.width).filter(|i| present[*i] > 0 && words[*i] * 2 <= count).collect();
        Facts { values, numeric }
    }

    /// True where both columns hold the same values.
    fn same(&self, a: usize, b: usize) -> bool {
        self.values[a].iter().zip(&self.values[b]).all(|(x, y)| x == y)
    }

    /// True where the column counts 0, 1, 2 ... or 1, 2, 3 ...
    fn counts_up(&self, i: usize) -> bool {
        let v = &self.values[i];
        v.first().is_some_and(|f| *f == 0.0 || *f == 1.0)
            && v.windows(2).all(|w| w[1] - w[0] == 1.0)
    }

    /// True where the column only rises or only falls.
    fn is_monotonic(&self, i: usize) -> bool {
        let v = &self.values[i];
        v.len() > 1 && (v.windows(2).all(|w| w[1] > w[0]) || v.windows(2).all(|w| w[1] < w[0]))
    }
}

/// Headings of a table with the lines they stand in.
struct Headings {
    texts: Vec<String>,
    lines: Vec<usize>,
}

/// Chooses the columns; `spec` is [`ImportSettings::columns`](super::ImportSettings::columns).
pub(super) fn choose(
    text: &[u8],
    layout: &Layout,
    spec: Option<&str>,
    path: &Path,
) -> Result<Plan> {
    let facts = Facts::of(text, layout);
    let headings = find_headings(text, layout, path, spec.is_some())?;
    if let Some(spec) = spec {
        return spec::read(spec, layout.width, headings.as_ref(), path);
    }
    if facts.numeric.len() > WIDE && layout::lines(text, 0, 1).take(LOOK_ROWS).count() < LOOK_ROWS {
        return Err(Error::input(
            path,
            Some(layout.start_line),
            format!("the rows hold {} numbers each: the table lies on its side", layout.width),
            "export one point per line, or name the columns (for instance columns = \"1,2\")",
        ));
    }
    let roles: Vec<Role> = (0..layout.width)
        .map(|i| match &headings {
            Some(h) => role(&h.texts[i]),
            None => Role::Unknown,
        })
        .collect();
    let known = roles.iter().any(|r| !matches!(r, Role::Unknown | Role::Other | Role::Flags));
    let mut plan = if known {
        by_headings(&facts, &roles, headings.as_ref(), path, layout)?
    } else {
        by_values(&facts, path, layout)?
    };
    // Words that mean nothing here are kept as metadata as well.
    plan.heading_lines = headings.filter(|_| known).map_or_else(Vec::new, |h| h.lines);
    Ok(plan)
}

/// A name for column `i` in a sentence.
fn named(i: usize, headings: Option<&Headings>) -> String {
    match headings.and_then(|h| h.texts.get(i)).filter(|t| !t.is_empty()) {
        Some(text) => format!("column {} (`{text}`)", i + 1),
        None => format!("column {}", i + 1),
    }
}

/// True where cells read like the headings of an axis or of counts.
pub(super) fn heads_columns(cells: &[&[u8]]) -> bool {
    let is_heading = |c: &&[u8]| {
        let text = String::from_utf8_lossy(numbers::trim(c));
        matches!(role(&text), Role::Axis { .. } | Role::Counts)
    };
    cells.len() >= 2 && cells.iter().filter(|c| is_heading(c)).count() >= 2
}

/// Several columns in a sentence.
fn listed(columns: &[usize], headings: Option<&Headings>) -> String {
    columns.iter().map(|i| named(*i, headings)).collect::<Vec<_>>().join(", ")
}

/// Two columns without headings are axis and counts; more need a hint.
fn by_values(facts: &Facts, path: &Path, layout: &Layout) -> Result<Plan> {
    let line = Some(layout.start_line);
    let (axis, counts, why) = match facts.numeric[..] {
        [a, c] => (a, c, "no headings tell, so the first is the axis"),
        [p, a, c] if facts.counts_up(p) && facts.is_monotonic(a) && !facts.counts_up(a) => (
            a,
            c,
            "no headings tell, but the first counts pixels and the second only rises or falls",
        ),
        [] | [_] => {
            return Err(Error::input(
                path,
                line,
                "the numbers stand in one column, without an axis",
                "add a column of pixel numbers or wavelengths",
            ));
        }
        _ => {
            return Err(Error::input(
                path,
                line,
                format!(
                    "there are {} columns of numbers and no headings that tell which is which \
                     (or a comma serves as separator and as decimal sign)",
                    facts.numeric.len()
                ),
                "say which with --columns, for instance `1,2`, or add headings",
            ));
        }
    };
    Ok(Plan {
        axis,
        unit: None,
        counts: vec![counts],
        sigma: None,
        axis_u: None,
        flags: None,
        counts_unit: None,
        heading_lines: Vec::new(),
        notes: vec![format!(
            "Axis from column {}, counts from column {} ({why}).",
            axis + 1,
            counts + 1
        )],
    })
}

/// Chooses by headings of which at least one is understood.
fn by_headings(
    facts: &Facts,
    roles: &[Role],
    headings: Option<&Headings>,
    path: &Path,
    layout: &Layout,
) -> Result<Plan> {
    let line = headings.and_then(|h| h.lines.first().copied()).or(Some(layout.start_line));
    let with = |test: &dyn Fn(&Role) -> bool| -> Vec<usize> {
        facts.numeric.iter().copied().filter(|i| test(&roles[*i])).collect()
    };
    let unknown = with(&|r| *r == Role::Unknown);
    let counted = with(&|r| *r == Role::Counts);
    let rank = |r: &Role| if let Role::Axis { rank, .. } = r { *rank } else { 0 };
    let best = facts.numeric.iter().map(|i| rank(&roles[*i])).max().unwrap_or(0);
    let axes = with(&|r| best > 0 && rank(r) == best);
    let axis = match axes[..] {
        [] => match unknown[..] {
            [one] => one,
            [first, ..] if counted.len() == 1 && unknown.len() == 2 && facts.counts_up(first) => {
                unknown[1]
            }
            [] => {
                return Err(Error::input(
                    path,
                    line,
                    "no column is headed as axis",
                    "add a column of pixel numbers or wavelengths, or name it with --columns",
                ));
            }
            _ => {
                return Err(Error::input(
                    path,
                    line,
                    format!("any of {} may be the axis", listed(&unknown, headings)),
                    "say which with --columns, for instance `axis=1,counts=2`",
                ));
            }
        },
        [first, ref rest @ ..] => {
            if let Some(other) = rest.iter().find(|o| !facts.same(first, **o)) {
                return Err(Error::input(
                    path,
                    line,
                    format!(
                        "{} and {} are both headed as axis and differ",
                        named(first, headings),
                        named(*other, headings)
                    ),
                    "say which with --columns, for instance `axis=1,counts=2`",
                ));
            }
            first
        }
    };
    let unit = if let Role::Axis { unit, .. } = roles[axis] { unit } else { None };
    let candidates: Vec<usize> = match counted.is_empty() {
        false => counted,
        true => unknown.into_iter().filter(|i| *i != axis).collect(),
    };
    let stem = |i: usize| headings.map(|h| headings::stem(&h.texts[i])).unwrap_or_default();
    let counts = match candidates[..] {
        [] if facts.numeric.len() < 2 => {
            return Err(Error::input(
                path,
                line,
                format!("only {} holds numbers", named(axis, headings)),
                "export a table with an axis column and a counts column",
            ));
        }
        [] => {
            return Err(Error::input(
                path,
                line,
                "no column is headed as counts",
                "say which to take with --columns, for instance `axis=1,counts=2`",
            ));
        }
        [first, ref rest @ ..] if rest.iter().any(|i| stem(*i) != stem(first)) => {
            return Err(Error::input(
                path,
                line,
                format!("any of {} may be the counts", listed(&candidates, headings)),
                "say which with --columns, for instance `axis=1,counts=2`, or `counts=2+3` for repeats",
            ));
        }
        _ => candidates,
    };
    let sigma = with(&|r| *r == Role::Sigma);
    let mut notes = Vec::new();
    let mut sigma = match sigma[..] {
        [one] => Some(one),
        _ => None,
    };
    if counts.len() > 1 {
        sigma = None;
    }
    let axis_u = match with(&|r| matches!(r, Role::AxisU { .. }))[..] {
        [one] => match roles[one] {
            Role::AxisU { unit } => Some((one, unit)),
            _ => None,
        },
        _ => None,
    };
    let flagged: Vec<usize> = (0..roles.len()).filter(|i| roles[*i] == Role::Flags).collect();
    let flags = match flagged[..] {
        [one] => Some(one),
        _ => None,
    };
    let beside = |what: &str, column: Option<usize>| {
        column.map_or_else(String::new, |i| format!(", {what} from {}", named(i, headings)))
    };
    notes.push(format!(
        "Axis from {}, counts from {}{}{}{} (by heading).",
        named(axis, headings),
        listed(&counts, headings),
        beside("uncertainties", sigma),
        beside("uncertainties of the axis", axis_u.map(|a| a.0)),
        beside("flags", flags),
    ));
    let unused: Vec<usize> = facts
        .numeric
        .iter()
        .copied()
        .filter(|i| {
            let used = [Some(axis), sigma, axis_u.map(|a| a.0), flags];
            !used.contains(&Some(*i)) && !counts.contains(i)
        })
        .collect();
    let dark: Vec<usize> = unused.iter().copied().filter(|i| roles[*i] == Role::Dark).collect();
    if !dark.is_empty() {
        notes
            .push(format!("The dark readings in {} were not subtracted.", listed(&dark, headings)));
    }
    let rest: Vec<usize> = unused.into_iter().filter(|i| roles[*i] != Role::Dark).collect();
    if !rest.is_empty() {
        notes.push(format!("Not used: {}.", listed(&rest, headings)));
    }
    if headings.is_some_and(|h| headings::says_vacuum(&h.texts[axis])) {
        notes.push(
            "The heading speaks of vacuum wavelengths; they were taken as they are, up to 0.3 nm \
             above those in air."
                .to_string(),
        );
    }
    let counts_unit =
        headings.and_then(|h| headings::bracketed(&h.texts[counts[0]])).map(str::to_string);
    Ok(Plan {
        axis,
        unit,
        counts,
        sigma,
        axis_u,
        flags,
        counts_unit,
        heading_lines: Vec::new(),
        notes,
    })
}

/// Finds the headings: the nearest line of words above the data that has as many cells as a row.
fn find_headings(
    text: &[u8],
    layout: &Layout,
    path: &Path,
    columns_given: bool,
) -> Result<Option<Headings>> {
    let mut above: std::collections::VecDeque<Line> = std::collections::VecDeque::new();
    for line in layout::lines(text, 0, 1).take_while(|l| l.start < layout.start) {
        if !line.bytes.trim_ascii().is_empty() {
            if above.len() == LOOK_BACK {
                above.pop_front();
            }
            above.push_back(line);
        }
    }
    let mut best: Option<(usize, Headings)> = None;
    for (distance, line) in above.iter().rev().enumerate() {
        let Some(texts) = heading_cells(line, layout, path, columns_given)? else { continue };
        let understood = texts.iter().filter(|t| role(t) != Role::Unknown).count();
        if understood == 0 && distance > 0 {
            continue;
        }
        match &mut best {
            // A line of units below a line of names: both speak for the column.
            Some((_, h)) if h.texts.iter().all(|t| headings::is_unit(t)) => {
                for (below, above) in h.texts.iter_mut().zip(texts) {
                    *below = match (above.is_empty(), below.is_empty()) {
                        (true, _) => std::mem::take(below),
                        (_, true) => above,
                        _ => format!("{above} ({})", below.trim_matches(['(', ')', '[', ']'])),
                    };
                }
                h.lines.insert(0, line.number);
                break;
            }
            Some((n, _)) if *n >= understood => {}
            _ => best = Some((understood, Headings { texts, lines: vec![line.number] })),
        }
    }
    Ok(best.map(|(_, h)| h))
}

/// The cells of a line if it can be a heading: as many as a row has, and words rather than
/// numbers.
fn heading_cells(
    line: &Line,
    layout: &Layout,
    path: &Path,
    columns_given: bool,
) -> Result<Option<Vec<String>>> {
    let whole = String::from_utf8_lossy(line.bytes);
    let bare = without_comment_sign(&whole);
    // The comment sign may also be the quote of the first cell.
    let bare = if whole.trim_start().starts_with('"') { whole.trim() } else { bare };
    let clean = |c: &[u8]| String::from_utf8_lossy(numbers::trim(c)).into_owned();
    let is_words = |c: &[String]| {
        !c.iter().any(|t| {
            matches!(numbers::parse(t.as_bytes(), layout.mark), Cell::Number { .. })
                || t.contains(": ")
        })
    };
    let mut cells = Vec::new();
    let separators = [layout.separator, Separator::Tab, Separator::Semicolon, Separator::Comma];
    for (n, separator) in separators.into_iter().enumerate() {
        layout::split(bare.as_bytes(), separator, layout.quoting, &mut cells);
        let mut texts: Vec<String> = cells.iter().map(|c| clean(c)).collect();
        while texts.last().is_some_and(String::is_empty) && texts.len() > layout.width {
            texts.pop();
        }
        let filled = texts.iter().filter(|t| !t.is_empty()).count();
        if texts.len() == layout.width && filled > 0 && is_words(&texts) {
            return Ok(Some(texts));
        }
        // Twice as many cells as names, split at commas: the comma is the decimal sign as well.
        let heads = |t: &String| {
            !t.contains([':', '=']) && !matches!(role(t), Role::Unknown | Role::Other | Role::Flags)
        };
        if n == 0
            && !columns_given
            && separator == Separator::Comma
            && texts.len() == filled
            && 2 * texts.len() == layout.width
            && texts.iter().all(heads)
        {
            return Err(Error::input(
                path,
                Some(layout.start_line),
                format!(
                    "the headings name {} columns, but the commas make {}: they seem to separate \
                     columns and decimals alike",
                    texts.len(),
                    layout.width
                ),
                "export with semicolons or tabs between the columns",
            ));
        }
    }
    // `Wavelength (nm)   Counts (a.u.)`: names that hold blanks, set apart by wider gaps.
    let texts: Vec<String> =
        bare.split("  ").map(|c| clean(c.as_bytes())).filter(|c| !c.is_empty()).collect();
    if texts.len() == layout.width && is_words(&texts) {
        return Ok(Some(texts));
    }
    // `Wavelength [nm] Counts`: units in brackets belong to the name before them.
    let mut texts: Vec<String> = Vec::new();
    for word in bare.split_whitespace() {
        match texts.last_mut() {
            Some(last)
                if word.starts_with(['(', '['])
                    || last.matches('(').count() > last.matches(')').count() =>
            {
                last.push(' ');
                last.push_str(word);
            }
            _ => texts.push(clean(word.as_bytes())),
        }
    }
    Ok((texts.len() == layout.width && is_words(&texts)).then_some(texts))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chosen(head: &str) -> Result<Plan> {
        let text = (0..20).fold(head.to_string(), |t, i| t + &format!("{},{i},7\n", 400 + i));
        let path = Path::new("a.csv");
        let layout = layout::guess(text.as_bytes(), path)?;
        choose(text.as_bytes(), &layout, None, path)
    }

    #[test]
    fn headings_stand_in_any_near_line_and_with_any_separator() {
        for head in [
            "nm,counts,dark\n",
            "# nm,counts,dark\n",
            "nm,counts,dark\n\n# remark\n",
            "\"nm\",\"counts\",\"dark\"\n",
            "nm;counts;dark\n",
            "# nm counts dark\n",
            "Wavelength [nm]  Counts [1]  Dark [1]\n",
            "λ,Intensité,Obscurité\nnm,,\n",
        ] {
            let plan = chosen(head).unwrap();
            assert_eq!((plan.axis, &plan.counts[..], plan.unit), (0, &[1][..], Some(AxisUnit::Nm)));
            assert!(plan.notes.iter().any(|n| n.contains("not subtracted")), "{head}");
        }
    }

    #[test]
    fn what_headings_leave_open_is_asked() {
        assert!(chosen("").unwrap_err().to_string().contains("3 columns of numbers"));
        let twice = chosen("nm,counts,nm\n").unwrap_err().to_string();
        assert!(twice.contains("both headed as axis and differ"), "{twice}");
        let none = chosen("counts 1,counts 2,counts 3\n").unwrap_err().to_string();
        assert!(none.contains("no column is headed as axis"), "{none}");
    }
}
