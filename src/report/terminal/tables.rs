//! What each table holds.

use super::grid::{Column, grid, paint};
use super::{Style, paragraph, section};
use crate::gases::{GasReport, SHARES_NOTE, Verdict};
use crate::report::format::{self, NONE};
use crate::report::record::SummaryRow;
use crate::report::{Medium, cautions, cells};
use crate::signal::{Peak, PeakList};
use crate::{AxisKind, Measured};

/// The peaks without what they are taken for.
pub fn peaks(list: &PeakList, style: &Style) -> String {
    peaks_with(list, None, style)
}

/// The peaks, and what they are taken for where `gases` is given.
pub fn peaks_with(list: &PeakList, gases: Option<&GasReport>, style: &Style) -> String {
    peaks_table(list, gases, Medium::Air, style)
}

/// The peaks with their wavelengths in `medium`.
pub fn peaks_in(list: &PeakList, medium: Medium, style: &Style) -> String {
    peaks_table(&medium.of_peaks(list), None, medium, style)
}

/// `list` is in `medium` already.
fn peaks_table(
    list: &PeakList,
    gases: Option<&GasReport>,
    medium: Medium,
    style: &Style,
) -> String {
    let width = style.columns();
    let in_nm = format!("centre, {}", medium.words());
    let (centre, fwhm) = match list.axis {
        AxisKind::Nm => (in_nm.as_str(), "FWHM, nm"),
        AxisKind::Pixel => ("centre, pixel", "FWHM, pixel"),
    };
    let mut columns = vec![
        ("no.", Column::Number),
        (centre, Column::Number),
        ("height, counts", Column::Number),
        (fwhm, Column::Number),
        ("signif.", Column::Number),
        ("flags", Column::Text),
    ];
    if gases.is_some() {
        columns.push(("taken for", Column::Text));
    }
    let rows = list
        .peaks
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let mut row = vec![
                (i + 1).to_string(),
                format::measured(p.centre),
                p.height.map_or(NONE.into(), format::measured),
                format::measured(p.fwhm),
                format::decimals(p.significance, if p.significance < 100.0 { 1 } else { 0 }),
                flags(list, p),
            ];
            if let Some(g) = gases {
                row.push(taken_for(g, i));
            }
            row
        })
        .collect();
    let mut out =
        if list.peaks.is_empty() { "No peaks.\n".to_string() } else { grid(&columns, rows, width) };
    let unit = if list.axis == AxisKind::Nm { "nm" } else { "pixels" };
    let mut facts = Vec::new();
    if let Some(lw) = &list.line_width {
        let value = format::measured(Measured::new(lw.value, lw.u));
        facts.push(format!("Width of an unresolved line (FWHM): {value} {unit}."));
    }
    if let Some(s) = &list.saturation {
        let how = if s.given { "as told" } else { "found from flat tops" };
        facts.push(format!(
            "{} at or above {} counts, the end of the range {how}: no height for lines there.",
            format::counted(s.points, "point", "points"),
            format::plain(s.level)
        ));
    }
    facts.extend(list.notes.iter().cloned());
    out.push_str(&super::notes("Notes", facts.iter().map(String::as_str), style));
    out.push_str("\n± is the standard uncertainty, k = 1.\n");
    out
}

/// `clipped`, `broad` or `narrow`, `blend 3`.
fn flags(list: &PeakList, p: &Peak) -> String {
    let mut f = Vec::new();
    if p.clipped {
        f.push("clipped".to_string());
    }
    f.extend(list.odd_width(p).map(String::from));
    if p.group_size > 1 {
        f.push(format!("blend {}", p.group_size));
    }
    f.join(", ")
}

fn taken_for(report: &GasReport, peak: usize) -> String {
    if let Some(g) = report.ghosts.iter().find(|g| g.peak == peak) {
        return g.what.clone();
    }
    let Some(a) = report.assignments.iter().find(|a| a.peak == peak) else { return "?".into() };
    let Some(label) = &a.label else { return "?".into() };
    // Rivals, which the label does not name.
    let others: Vec<String> = a
        .candidates
        .iter()
        .map(|(species, nm)| format!("{species} {}", format::nm(*nm)))
        .filter(|c| c != label)
        .collect();
    if others.is_empty() { label.clone() } else { format!("{label} (or {})", others.join(", ")) }
}

/// What to beware of with the things themselves, and what that does not replace.
pub fn cautions(list: &[cautions::Caution], style: &Style) -> String {
    let width = style.columns();
    let mut out = String::from("\nCautions\n");
    for c in list {
        out.push_str(&paragraph("  - ", &format!("{}: {}", c.topic, c.text), width));
    }
    out.push_str(&paragraph("  ", cautions::DEFER, width));
    out
}

/// The gases with verdict, probability, share of the light and evidence; then reasons, ghosts and
/// notes.
pub fn gases(report: &GasReport, list: &PeakList, style: &Style) -> String {
    let width = style.columns();
    let columns = [
        ("gas", Column::Word),
        ("verdict", Column::Word),
        ("probability", Column::Number),
        ("light", Column::Number),
        ("strongest evidence or limit, nm (air)", Column::Text),
    ];
    let rows: Vec<Vec<String>> = report
        .gases
        .iter()
        .map(|g| {
            vec![
                g.gas.clone(),
                g.verdict.word().to_string(),
                match g.verdict {
                    // No probability for what this recording cannot show.
                    Verdict::OutOfReach => format::NONE.into(),
                    _ => format::probability(g.probability),
                },
                format::share(g.share),
                cells::evidence(report, g),
            ]
        })
        .collect();
    let mut out = if rows.is_empty() {
        "No gas was asked about.\n".to_string()
    } else {
        grid(&columns, rows, width)
    };
    if style.colour {
        out = paint(&out, "verdict");
    }
    let words = crate::gases::in_words(report).join(" ");
    if !words.is_empty() {
        section(&mut out, "In words", [words.as_str()], width);
    }
    let reasons = super::shared(
        report
            .gases
            .iter()
            .filter(|g| g.verdict != Verdict::NotSeen && !g.reason.is_empty())
            .map(|g| (g.gas.as_str(), g.reason.as_str())),
    );
    section(&mut out, "Why", reasons.iter().map(String::as_str), width);

    let ghosts = cells::ghosts(report, list);
    section(&mut out, "No lines of the tube", ghosts.iter().map(String::as_str), width);
    let open = cells::unclaimed(report, list);
    section(&mut out, "Claimed by nobody, nm (air)", open.as_deref(), width);
    let axis = format!(
        "Axis: ± {} nm at worst under the stronger lines; a common shift of {} nm was fitted along; lines are {} nm \
         wide (FWHM).",
        format::two_digits(report.axis_u_nm),
        format::measured(report.shift_nm),
        format::two_digits(report.fwhm_nm)
    );
    // The report says it too, for readers of the record; once is enough here.
    let notes = report.notes.iter().map(String::as_str).filter(|n| *n != SHARES_NOTE);
    let all = [axis.as_str(), cautions::LIGHT_IS_NOT_AMOUNT].into_iter().chain(notes);
    out.push_str(&super::notes("Notes", all, style));
    out
}

/// A whole drawer, one row an item.
pub fn summary(rows: &[SummaryRow], style: &Style) -> String {
    let width = style.columns();
    if rows.is_empty() {
        return "No items.\n".into();
    }
    let columns = [
        ("item", Column::Word),
        ("file", Column::Word),
        ("seen", Column::Text),
        ("likely", Column::Text),
        ("undecided", Column::Number),
        ("axis", Column::Word),
        ("remarks", Column::Text),
    ];
    let list = |v: &[String]| if v.is_empty() { NONE.to_string() } else { v.join(", ") };
    let cells = rows
        .iter()
        .map(|r| {
            let file = r.file.rsplit(['/', '\\']).next().unwrap_or_default().to_string();
            let remarks = match (r.failed, r.remarks.as_slice()) {
                (true, _) => "failed, see below".to_string(),
                (false, []) => String::new(),
                (false, many) => format::counted(many.len(), "note", "notes"),
            };
            let (seen, undecided) = match r.failed {
                true => (NONE.into(), NONE.into()),
                false => (list(&r.seen), r.undecided.to_string()),
            };
            vec![r.item.clone(), file, seen, list(&r.likely), undecided, r.axis.clone(), remarks]
        })
        .collect();
    let mut out = grid(&columns, cells, width);
    let remarks = super::shared(
        rows.iter().flat_map(|r| r.remarks.iter().map(move |t| (r.item.as_str(), t.as_str()))),
    );
    out.push_str(&super::notes("Remarks", remarks.iter().map(String::as_str), style));
    out
}
