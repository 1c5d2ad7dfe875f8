//! Why, in words.

use super::pattern::Pattern;
use super::verdict::{Judged, REACH_SHARE};
use super::{LineEvidence, Verdict};

pub fn reason(
    v: Verdict,
    p: &Pattern,
    j: &Judged,
    lines_for: &[LineEvidence],
    missing: &[LineEvidence],
    free: usize,
) -> String {
    match v {
        Verdict::Seen | Verdict::Likely => {
            let mut s =
                format!("lines that are nobody else's: {free}; best {}", wavelengths(lines_for, 4));
            if !missing.is_empty() {
                s += &format!("; expected and missing: {}", wavelengths(missing, 3));
            }
            s
        }
        Verdict::Undecided if j.chance > 2.0 && j.evidence.nats > 2.0 => {
            "so many lines stand here that displaced patterns fit nearly as well; a narrower slit \
             or a better axis would decide"
                .into()
        }
        Verdict::Undecided if !lines_for.is_empty() => {
            let shared: Vec<&str> =
                lines_for.iter().flat_map(|l| l.shared_with.iter().map(String::as_str)).collect();
            if shared.is_empty() {
                format!(
                    "only {} fit, too little alone; a longer exposure would decide",
                    wavelengths(lines_for, 3)
                )
            } else {
                let mut who: Vec<&str> = shared;
                who.sort_unstable();
                who.dedup();
                format!("its lines {} also belong to {}", wavelengths(lines_for, 3), who.join(", "))
            }
        }
        Verdict::Undecided => {
            "its strong lines are hidden or only just above the noise; a longer exposure would \
             decide"
                .into()
        }
        Verdict::NotSeen => {
            if missing.is_empty() {
                "none of its strong lines stands out".into()
            } else {
                format!("expected and missing: {}", wavelengths(missing, 3))
            }
        }
        Verdict::OutOfReach => {
            if p.features.is_empty() || p.strongest_in_range < REACH_SHARE {
                "its strong lines lie outside the range of this recording".into()
            } else {
                "each of its strong lines here lies under one of something else".into()
            }
        }
    }
}

fn wavelengths(lines: &[LineEvidence], most: usize) -> String {
    let list: Vec<String> =
        lines.iter().take(most).map(|l| format!("{:.1}", l.wavelength_nm)).collect();
    list.join(", ")
}
