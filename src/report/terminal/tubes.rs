//! Tubes against each other.

use super::grid::{Column, grid};
use super::{Style, notes, paragraph, section};
use crate::bench::{Pair, PairVerdict, TubeComparison};
use crate::report::format::{self, NONE};

/// Most tubes whose pairs are listed one by one; beyond, only the odd ones and the groups.
const LISTED: usize = 6;
/// Most tubes whose matrix fits a terminal.
const MATRIX: usize = 60;

/// A comparison: what stands out, who belongs together, each pair of a few, the matrix of many.
pub fn tubes(c: &TubeComparison, style: &Style) -> String {
    let width = style.columns();
    let mut out = String::new();
    out += &paragraph("", &in_words(c), width);
    if c.tubes.len() <= LISTED {
        out.push('\n');
        out += &pairs(c, width);
        for p in &c.pairs {
            let heading = format!("{} and {}: {}", name(c, p.first), name(c, p.second), verdict(p));
            let said = p.differences.iter().map(|d| {
                format!("{} (p = {})", d.what, format::two_digits(d.adjusted_p.max(1e-12)))
            });
            let all: Vec<String> = said.chain(p.open.iter().cloned()).collect();
            section(&mut out, &heading, all.iter().map(String::as_str), width);
        }
    } else if c.tubes.len() <= MATRIX {
        out.push('\n');
        out += &matrix(c);
    }
    out += &notes("Comparison", c.notes.iter().map(String::as_str), style);
    out
}

fn name(c: &TubeComparison, i: usize) -> &str {
    c.tubes.get(i).map_or(NONE, String::as_str)
}

/// The verdict with what differs.
fn verdict(p: &Pair) -> String {
    let mut gases: Vec<&str> = p.differences.iter().map(|d| d.gas.as_str()).collect();
    gases.dedup();
    match p.verdict {
        PairVerdict::Differs => format!("differs in {}", gases.join(", ")),
        v => v.words().into(),
    }
}

/// The answer in a few sentences.
pub fn in_words(c: &TubeComparison) -> String {
    let mut out = Vec::new();
    for s in &c.standouts {
        out.push(format!("{} stands out: {}.", name(c, s.tube), s.what));
    }
    if c.crowd && c.standouts.is_empty() {
        out.push("No tube stands out of the drawer.".into());
    }
    if !c.crowd && c.tubes.len() >= crate::bench::FEWEST_FOR_STANDOUTS {
        out.push(
            "The tubes are of several sorts: there is no crowd that one could stand out of.".into(),
        );
    }
    for g in c.groups.iter().filter(|g| g.len() > 1) {
        let names: Vec<&str> = g.iter().map(|i| name(c, *i)).collect();
        let gases = g.first().map_or(String::new(), |i| c.gases[*i].join(", "));
        out.push(format!("Same fill, as far as this shows ({gases}): {}.", names.join(", ")));
    }
    let count = |v| c.pairs.iter().filter(|p| p.verdict == v).count();
    out.push(format!(
        "Of {}: {} same fill, {} differ, {} cannot be told.",
        format::counted(c.pairs.len(), "pair", "pairs"),
        count(PairVerdict::SameFill),
        count(PairVerdict::Differs),
        count(PairVerdict::CannotTell)
    ));
    out.join(" ")
}

fn pairs(c: &TubeComparison, width: usize) -> String {
    let columns = [
        ("tubes", Column::Text),
        ("answer", Column::Text),
        ("lines in common", Column::Number),
        ("light not shared", Column::Number),
        ("by noise", Column::Number),
        ("axis ahead, nm", Column::Number),
    ];
    let rows = c
        .pairs
        .iter()
        .map(|p| {
            vec![
                format!("{}, {}", name(c, p.first), name(c, p.second)),
                verdict(p),
                p.ratios.lines.to_string(),
                p.distance.map_or(NONE.into(), |d| format::share(d.share)),
                p.distance.map_or(NONE.into(), |d| format::share(d.by_noise)),
                format::decimals(p.shift_nm, 2),
            ]
        })
        .collect();
    grid(&columns, rows, width)
}

/// One sign a pair: `=` same, `≠` differs, `·` cannot tell.
fn matrix(c: &TubeComparison) -> String {
    let n = c.tubes.len();
    let mut signs = vec![vec![' '; n]; n];
    for p in &c.pairs {
        let sign = match p.verdict {
            PairVerdict::SameFill => '=',
            PairVerdict::Differs => '≠',
            PairVerdict::CannotTell => '·',
        };
        signs[p.first][p.second] = sign;
        signs[p.second][p.first] = sign;
    }
    let most = c.tubes.iter().map(|t| t.chars().count()).max().unwrap_or(0).min(16);
    let mut out =
        String::from("= same fill, ≠ differs, · cannot tell; columns in the order of the rows\n");
    for (i, row) in signs.iter().enumerate() {
        let label: String = c.tubes[i].chars().take(most).collect();
        let mut line = format!("{label:most$}  ");
        line.extend(row.iter());
        out += line.trim_end();
        out.push('\n');
    }
    out
}
