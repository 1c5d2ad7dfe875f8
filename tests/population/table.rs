//! The population on paper.

use crate::draw::LAMPS;
use crate::judge::{Outcome, Verdict, Way};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Edges of the classes of line width, nm.
pub const CLASSES_NM: [(f64, f64); 4] = [(0.0, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, f64::MAX)];
/// Their names.
const CLASS_NAMES: [&str; 4] = ["0.3-1 nm", "1-2 nm", "2-4 nm", "4-6 nm"];
/// What reasons for a refusal have in common, and what they are called.
const KINDS: [(&str, &str); 14] = [
    ("no narrow line", "no narrow line"),
    ("line(s) stand out", "too few peaks"),
    ("brings two", "no axis with two lines"),
    ("brings more than", "no axis with three lines"),
    ("hardly better", "no better than false lamps"),
    ("accounts for its lines better", "another lamp"),
    ("two axes fit", "two axes"),
    ("pattern of none", "none of the lamps"),
    ("it could be", "two lamps"),
    ("can carry an axis", "too few anchors"),
    ("scatter by", "anchors scatter"),
    ("turn back", "axis turns back"),
    ("no clear", "no clear peak"),
    ("saturated", "clipped"),
];

fn kind(reason: &str) -> String {
    KINDS
        .iter()
        .find(|(part, _)| reason.contains(part))
        .map_or_else(|| reason.chars().take(90).collect(), |(_, name)| (*name).to_string())
}

fn mean(values: &[f64]) -> String {
    if values.is_empty() {
        return "-".into();
    }
    format!("{:.1}", 100.0 * values.iter().sum::<f64>() / values.len() as f64)
}

fn row(t: &mut String, name: &str, here: &[&Outcome]) {
    if here.is_empty() {
        return;
    }
    let share = |n: usize| 100.0 * n as f64 / here.len() as f64;
    let solved: Vec<&&Outcome> = here.iter().filter(|o| o.solved()).collect();
    let wrong = here.iter().filter(|o| o.wrong()).count();
    let (mut rms, mut inside, mut outside) = (Vec::new(), Vec::new(), Vec::new());
    for o in &solved {
        if let Verdict::Axis { rms_fwhm, inside: i, outside: out, .. } = &o.verdict {
            rms.push(*rms_fwhm);
            inside.push(*i);
            outside.extend(*out);
        }
    }
    rms.sort_by(f64::total_cmp);
    let median = rms.get(rms.len() / 2).map_or("-".into(), |r| format!("{r:.3}"));
    let _ = writeln!(
        t,
        "{name:<24} {:>5} {:>7.1} {:>8.1} {:>6.2} {:>7} {:>8} {median:>9}",
        here.len(),
        share(solved.len()),
        share(here.len() - solved.len() - wrong),
        share(wrong),
        mean(&inside),
        mean(&outside),
    );
}

/// The tables by line width and lamp for each way, the reasons of refusals and all failures.
pub fn print(outcomes: &[Outcome]) -> String {
    let mut t = String::new();
    for (way, title) in [
        (Way::Named, "pixels, lamp named"),
        (Way::Auto, "pixels, lamp not named"),
        (Way::Factory, "factory axis wrong by up to 3 nm, lamp named"),
        (Way::Misnamed, "pixels, a lamp named that it is not (to be refused)"),
    ] {
        let these: Vec<&Outcome> = outcomes.iter().filter(|o| o.way == way).collect();
        let _ = writeln!(
            t,
            "\n{title}\n{:<24} {:>5} {:>7} {:>8} {:>6} {:>7} {:>8} {:>9}",
            "FWHM, lamp", "N", "right %", "refused", "wrong", "within", "beyond", "rms/FWHM"
        );
        for (class, name) in CLASSES_NM.iter().zip(CLASS_NAMES) {
            let of = |o: &Outcome| (class.0..class.1).contains(&o.fwhm_nm);
            let all: Vec<&Outcome> = these.iter().copied().filter(|o| of(o)).collect();
            row(&mut t, name, &all);
            for lamp in LAMPS {
                let one: Vec<&Outcome> = all.iter().copied().filter(|o| o.lamp == lamp).collect();
                row(&mut t, &format!("  {lamp}"), &one);
            }
        }
        row(&mut t, "all", &these);
        let mut reasons: BTreeMap<(String, &str), usize> = BTreeMap::new();
        for o in &these {
            if let Verdict::Refused(why) = &o.verdict {
                *reasons.entry((kind(why), o.lamp)).or_default() += 1;
            }
        }
        for ((reason, lamp), n) in reasons {
            let _ = writeln!(t, "  refused: {n:>4} {lamp:<12} {reason}");
        }
    }
    let _ = writeln!(t, "\nnot right");
    for o in
        outcomes.iter().filter(|o| if o.way == Way::Misnamed { o.wrong() } else { !o.solved() })
    {
        let what = match &o.verdict {
            Verdict::Refused(why) => why.chars().take(260).collect(),
            Verdict::Axis { rms_fwhm, inside, anchors, lamp, astray, .. } => {
                format!(
                    "WRONG by {rms_fwhm:.2} FWHM, band holds {:.0} %, with {anchors} anchors as \
                     {lamp}; astray {astray}",
                    100.0 * inside
                )
            }
        };
        let way = format!("{:?}", o.way);
        let _ =
            writeln!(t, "  {} {way} {} {:.2} nm, {}: {what}", o.seed, o.lamp, o.fwhm_nm, o.facts);
    }
    t
}
