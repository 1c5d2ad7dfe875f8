//! The score on paper.

use crate::index::Entry;
use crate::judge::{AxisOutcome, Counts, Judged, Mark};
use crate::work::Outcome;
use glowtell::gases::Verdict;
use std::fmt::Write;

/// Gases with a column of their own.
const COLUMNS: [&str; 9] = ["He", "Ne", "Ar", "Kr", "Xe", "Hg", "H", "N2", "Na"];

const LEGEND: &str = "\
axis: bias of the file's own axis as the list says it, then the error after calibration (rms over
the truth / rms between the outermost anchors; for lamps on nm the mean correction), nm
gases: S seen, L likely, u undecided, n not seen, o out of reach, blank not spoken of;
before it + belongs there, ~ may be there, and ! after a false or missed one";

/// Longest reason in the table of reasons, characters.
const REASON_LENGTH: usize = 220;

pub fn print(entries: &[Entry], results: &[Outcome], counts: &Counts) -> String {
    let mut t = String::new();
    let wide = entries.iter().map(|e| e.file.len()).max().unwrap_or(0).max(4);
    let _ = writeln!(t, "{LEGEND}\n");
    let _ = write!(t, "{:<wide$} {:>7} {:<15}", "file", "bias", "after");
    for gas in COLUMNS {
        let _ = write!(t, " {gas:>3}");
    }
    let _ = writeln!(t, "  others of the file, false others");
    for (e, r) in entries.iter().zip(results) {
        // Words instead of a number would push the columns apart.
        let bias = if e.axis_bias.len() > 7 { "-" } else { &e.axis_bias };
        let _ = write!(t, "{:<wide$} {bias:>7} {:<15}", e.file, after(r));
        for gas in COLUMNS {
            let cell = match r.gases.iter().find(|j| j.gas == gas) {
                Some(j) => cell(e, j),
                None => String::new(),
            };
            let _ = write!(t, " {cell:>3}");
        }
        let others = r.gases.iter().filter(|j| !COLUMNS.contains(&j.gas.as_str()));
        let others = others.filter(|j| j.mark != Mark::Silent);
        let others: Vec<String> = others.map(|j| format!("{} {}", j.gas, cell(e, j))).collect();
        let _ = writeln!(t, "  {}", others.join(", "));
    }
    reasons(&mut t, entries, results);
    sources(&mut t, entries, results);
    let _ = writeln!(t, "\ntargets main gas seen {} of {}", counts.main_seen, counts.main_of);
    for line in counts.lines() {
        let _ = writeln!(t, "{line}");
    }
    t
}

/// What calibration made of the axis.
fn after(r: &Outcome) -> String {
    let number = |o: &AxisOutcome| match o {
        AxisOutcome::Solved { rms_nm, .. } => format!("{rms_nm:.3}"),
        AxisOutcome::Refused(_) => "-".into(),
    };
    match (&r.axis, &r.axis_inside, &r.correction) {
        (Some(AxisOutcome::Refused(_)), ..) | (None, _, Some(Err(_))) => "refused".into(),
        (Some(all), Some(inside), _) => format!("{} / {}", number(all), number(inside)),
        (None, _, Some(Ok(mean))) => format!("{mean:+.3}"),
        _ => String::new(),
    }
}

fn cell(e: &Entry, j: &Judged) -> String {
    let truth = if e.present.contains(&j.gas) {
        "+"
    } else if e.may_contain.contains(&j.gas) {
        "~"
    } else {
        ""
    };
    let word = match j.verdict {
        Verdict::Seen => "S",
        Verdict::Likely => "L",
        Verdict::Undecided => "u",
        Verdict::NotSeen => "n",
        Verdict::OutOfReach => "o",
    };
    let alarm = match j.mark {
        Mark::Missed | Mark::FalseSeen | Mark::FalseLikely => "!",
        _ => "",
    };
    format!("{truth}{word}{alarm}")
}

fn shorten(reason: &str) -> String {
    let flat = reason.split_whitespace().collect::<Vec<_>>().join(" ");
    match flat.char_indices().nth(REASON_LENGTH) {
        Some((i, _)) => format!("{} …", &flat[..i]),
        None => flat,
    }
}

/// Why: refused axes, gases of the file that were not found, gases that are not there.
fn reasons(t: &mut String, entries: &[Entry], results: &[Outcome]) {
    let _ = writeln!(t, "\naxes refused");
    for (e, r) in entries.iter().zip(results) {
        let why = match (&r.axis, &r.correction) {
            (Some(AxisOutcome::Refused(why)), _) | (None, Some(Err(why))) => why,
            _ => continue,
        };
        let _ = writeln!(t, "  {}: {}", e.file, shorten(why));
    }
    let kinds: [(&str, &[Mark]); 3] = [
        ("gases that are not there", &[Mark::FalseSeen, Mark::FalseLikely]),
        ("gases missed", &[Mark::Missed]),
        ("gases undecided", &[Mark::Undecided]),
    ];
    for (title, marks) in kinds {
        let _ = writeln!(t, "\n{title}");
        for (e, r) in entries.iter().zip(results) {
            for j in r.gases.iter().filter(|j| marks.contains(&j.mark)) {
                let word = j.verdict.word();
                let _ = writeln!(t, "  {}: {} {word}: {}", e.file, j.gas, shorten(&j.reason));
            }
        }
    }
}

fn sources(t: &mut String, entries: &[Entry], results: &[Outcome]) {
    let _ = writeln!(
        t,
        "\nsources, nm (air): list, highest point, fitted peak, centroid, FWHM of the list, FWHM"
    );
    for (e, r) in entries.iter().zip(results) {
        let (Some(peak), Some(source)) = (e.peak_nm, &r.source) else { continue };
        let _ = match source {
            Err(why) => writeln!(t, "  {}: {peak:.1} {}", e.file, shorten(why)),
            Ok(b) => {
                let or_dash = |m: Option<glowtell::Measured>| match m {
                    Some(m) => format!("{:.2} ± {:.2}", m.value, m.u),
                    None => "-".into(),
                };
                writeln!(
                    t,
                    "  {}: {peak:.1}  {}  {}  {}  {}  {}",
                    e.file,
                    or_dash(Some(b.highest_nm)),
                    or_dash(b.fitted_nm),
                    or_dash(Some(b.centroid_nm)),
                    e.fwhm_nm.map_or("-".into(), |f| format!("{f:.1}")),
                    or_dash(b.fwhm_nm),
                )
            }
        };
    }
}
