//! Why a verdict is what it is, opened on demand.

use super::tables::lines_of;
use super::write::Html;
use crate::gases::{GasReport, SpeciesVerdict, Verdict};
use crate::report::format::{self, NONE};
use crate::signal::PeakList;

/// Lines of a species that are listed on each side; the record has all.
const LISTED: usize = 8;

/// Reasons by gas, the lines behind each, ghosts, and what nothing explains.
pub fn of_gases(report: &GasReport, peaks: &PeakList) -> Html {
    let mut h = Html::default();
    let mut not_seen: Vec<&str> = Vec::new();
    for g in &report.gases {
        if g.verdict == Verdict::NotSeen {
            not_seen.push(&g.gas);
            continue;
        }
        h.element("h4", &[], &format!("{}: {}", g.gas, g.verdict.word()));
        h.paragraph(&g.reason);
        if matches!(g.verdict, Verdict::Seen | Verdict::Likely) {
            for s in report.species.iter().filter(|s| s.gas == g.gas && shows(s)) {
                lines(&mut h, s);
            }
        }
    }
    if !not_seen.is_empty() {
        h.element("h4", &[], "Not seen");
        h.paragraph(&format!(
            "{}: lines that they would show above the limits of the table are missing.",
            not_seen.join(", ")
        ));
    }
    let place = |i: usize| peaks.peaks.get(i).map_or(NONE.into(), |p| format::nm(p.centre.value));
    if !report.ghosts.is_empty() {
        h.element("h4", &[], "No lines of the tube");
        let all: Vec<String> =
            report.ghosts.iter().map(|g| format!("{}: {}", place(g.peak), g.what)).collect();
        h.list(all.iter().map(String::as_str));
    }
    let open: Vec<String> = report
        .assignments
        .iter()
        .filter(|a| a.label.is_none() && !report.ghosts.iter().any(|g| g.peak == a.peak))
        .map(|a| place(a.peak))
        .collect();
    if !open.is_empty() {
        h.element("h4", &[], "Claimed by nobody, nm (air)");
        let share = match format::share(report.unexplained) {
            s if s == NONE => String::new(),
            s => format!(" ({s} of the light)"),
        };
        h.paragraph(&format!("{}{share}", open.join(", ")));
    }
    h
}

fn shows(s: &SpeciesVerdict) -> bool {
    matches!(s.verdict, Verdict::Seen | Verdict::Likely)
}

fn lines(h: &mut Html, s: &SpeciesVerdict) {
    let some = |all: &[crate::gases::LineEvidence]| all[..all.len().min(LISTED)].to_vec();
    let caption = |what: &str, n: usize| match n.saturating_sub(LISTED) {
        0 => format!("{}: {what}", s.species),
        more => format!("{}: {what} ({more} more in the record)", s.species),
    };
    h.table(&lines_of(caption("lines that speak for it", s.lines_for.len()), &some(&s.lines_for)));
    let missing = caption("expected lines that are missing", s.lines_missing.len());
    h.table(&lines_of(missing, &some(&s.lines_missing)));
}
