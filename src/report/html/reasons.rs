//! Why a verdict is what it is, opened on demand.

use super::tables::lines_of;
use super::write::Html;
use crate::gases::{GasReport, SpeciesVerdict, Verdict};
use crate::report::cells;
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
    let ghosts = cells::ghosts(report, peaks);
    if !ghosts.is_empty() {
        h.element("h4", &[], "No lines of the tube");
        h.list(ghosts.iter().map(String::as_str));
    }
    if let Some(open) = cells::unclaimed(report, peaks) {
        h.element("h4", &[], "Claimed by nobody, nm (air)");
        h.paragraph(&open);
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
