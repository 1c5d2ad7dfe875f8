//! Why, in words.

use super::evidence::{Scene, Showing};
use super::pattern::Pattern;
use super::verdict::{FAINT_LINE_SIGMA, Judged, REACH_SHARE};
use super::{Limit, LineEvidence, Verdict};

/// Longer exposures than so many times are not advised: a night instead of a minute.
const LONGEST_EXPOSURE: f64 = 500.0;

/// Lines that a reason for an open question names.
const NAMED: usize = 3;

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
            let (own, shared): (Vec<&LineEvidence>, Vec<&LineEvidence>) =
                lines_for.iter().partition(|l| l.shared_with.is_empty());
            let mut who: Vec<&str> =
                shared.iter().flat_map(|l| l.shared_with.iter().map(String::as_str)).collect();
            who.sort_unstable();
            who.dedup();
            let who = who.join(", ");
            let others = wavelengths(shared.iter().copied(), NAMED);
            let best = wavelengths(own.iter().copied(), NAMED);
            let fit = match own.len() {
                0 => return format!("its lines {others} also belong to {who}"),
                1 => format!("only {best} fits, too little alone"),
                n if n <= NAMED => format!("only {best} fit, too little alone"),
                n => format!("{n} lines fit (best {best}), too little to be sure"),
            };
            match shared.len() {
                0 => fit,
                1 => format!("{fit}; {others} also belongs to {who}"),
                _ => format!("{fit}; {others} also belong to {who}"),
            }
        }
        Verdict::Undecided => "its strong lines are hidden or only just above the noise".into(),
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

fn wavelengths<'a>(lines: impl IntoIterator<Item = &'a LineEvidence>, most: usize) -> String {
    let list: Vec<String> =
        lines.into_iter().take(most).map(|l| format!("{:.1}", l.wavelength_nm)).collect();
    list.join(", ")
}

/// What would decide an open question: which line, and what exposure it takes.
pub fn what_decides(
    v: Verdict,
    p: &Pattern,
    j: &Judged,
    limit: Option<&Limit>,
    scene: &Scene,
) -> String {
    if v != Verdict::Undecided {
        return String::new();
    }
    let clipped = j.evidence.showing.iter().any(|w| match w {
        Showing::Peak { index, .. } => scene.peaks[*index].clipped,
        _ => false,
    });
    if clipped {
        return "; a shorter exposure, which clips none of its lines, would tell more".into();
    }
    // A line that is seen already says nothing more in a longer exposure; one that is not may.
    let evidence = &j.evidence;
    let next = p
        .features
        .iter()
        .zip(&evidence.showing)
        .filter_map(|(f, w)| match w {
            Showing::Nothing { faint: Some(r), .. } if r.z > FAINT_LINE_SIGMA => None,
            Showing::Nothing { below, .. } => {
                // The signal-to-noise ratio grows at least with the root of the exposure.
                let expected = evidence.amplitude * f.weight[evidence.population];
                Some((f.label_nm, (below / expected).powi(2)))
            }
            _ => None,
        })
        .filter(|(_, times)| (1.0..=LONGEST_EXPOSURE).contains(times))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some((nm, times)) = next {
        return format!(
            "; {nm:.1} nm, which is free here and not seen yet, would decide, in about {:.0} times the \
             exposure",
            times.max(2.0)
        );
    }
    let fits = evidence.showing.iter().any(|w| matches!(w, Showing::Peak { .. }));
    match limit {
        None => {
            "; no line of it is free here: a narrower slit or another range would decide".into()
        }
        Some(_) if fits => {
            "; what lines of it are to be seen here are seen: a surer axis, a narrower \
                            slit or a range with more of its lines would decide"
                .into()
        }
        Some(l) => {
            format!("; {:.1} nm, which is free here, decides in a longer exposure", l.line_nm)
        }
    }
}
