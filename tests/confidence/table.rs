//! The population in figures.

use crate::ask::{Question, Truth};
use crate::draw::{Draw, FILLINGS, Kind};
use glowtell::gases::Verdict;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Edges of the bins of the reliability diagram.
pub const BINS: [f64; 13] =
    [0.0, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.000_001];
/// Edges of the classes of signal-to-noise ratio of a species' strongest line.
const SNR: [f64; 8] = [3.29, 5.0, 10.0, 20.0, 50.0, 200.0, 1000.0, f64::INFINITY];
/// Edges of the classes of light ratio.
const RATIOS: [f64; 6] = [0.001, 0.003, 0.01, 0.03, 0.1, 1.01];

/// One bin of the reliability diagram.
#[derive(Debug, Clone, Copy)]
pub struct Bin {
    pub stated: f64,
    pub found: f64,
    pub of: usize,
}

/// What the asserts and the diagram need.
#[derive(Debug, Clone)]
pub struct Figures {
    pub questions: usize,
    pub false_seen: usize,
    pub false_likely: usize,
    /// Expected calibration error over all questions, and over those between 5 and 95 %.
    pub ece: f64,
    pub ece_open: f64,
    pub open: usize,
    pub brier: f64,
    pub prevalence: f64,
    pub bins: Vec<Bin>,
    /// Of the species with two strong free lines: seen or likely, all.
    pub two_lines: (usize, usize),
    /// The same of gases, whose species (atom and ion, band systems) count together.
    pub two_lines_of_gas: (usize, usize),
    /// Of what is `not seen`: shows all the same, all.
    pub not_seen: (usize, usize),
    /// Of what is `seen`, and `likely`: there, all.
    pub seen: (usize, usize),
    pub likely: (usize, usize),
}

fn bins(list: &[(f64, bool)]) -> (Vec<Bin>, f64) {
    let mut out = Vec::new();
    let mut error = 0.0;
    for edge in BINS.windows(2) {
        let here: Vec<&(f64, bool)> =
            list.iter().filter(|(p, _)| (edge[0]..edge[1]).contains(p)).collect();
        if here.is_empty() {
            continue;
        }
        let n = here.len() as f64;
        let stated = here.iter().map(|(p, _)| p).sum::<f64>() / n;
        let found = here.iter().filter(|(_, t)| *t).count() as f64 / n;
        error += (stated - found).abs() * n / list.len() as f64;
        out.push(Bin { stated, found, of: here.len() });
    }
    (out, error)
}

fn shown(q: &Question) -> bool {
    matches!(q.verdict, Verdict::Seen | Verdict::Likely)
}

pub fn figures(questions: &[Question]) -> Figures {
    let asked: Vec<(f64, bool)> = questions
        .iter()
        .filter(|q| q.truth != Truth::Below)
        .map(|q| (q.probability, q.truth == Truth::Shows))
        .collect();
    let open: Vec<(f64, bool)> =
        asked.iter().copied().filter(|(p, _)| (0.05..0.95).contains(p)).collect();
    let (all_bins, ece) = bins(&asked);
    let (_, ece_open) = bins(&open);
    let count = |f: &dyn Fn(&Question) -> bool| questions.iter().filter(|q| f(q)).count();
    let there = |q: &Question| q.truth != Truth::Absent;
    let of = |v: Verdict, good: &dyn Fn(&Question) -> bool| {
        (count(&|q| q.verdict == v && good(q)), count(&|q| q.verdict == v))
    };
    Figures {
        questions: questions.len(),
        false_seen: count(&|q| q.verdict == Verdict::Seen && !there(q)),
        false_likely: count(&|q| q.verdict == Verdict::Likely && !there(q)),
        ece,
        ece_open,
        open: open.len(),
        brier: asked.iter().map(|(p, t)| (p - f64::from(u8::from(*t))).powi(2)).sum::<f64>()
            / asked.len() as f64,
        prevalence: asked.iter().filter(|(_, t)| *t).count() as f64 / asked.len() as f64,
        bins: all_bins,
        two_lines: (
            count(&|q| q.strong_free >= 2 && q.truth == Truth::Shows && shown(q)),
            count(&|q| q.strong_free >= 2 && q.truth == Truth::Shows),
        ),
        two_lines_of_gas: by_gas(questions),
        not_seen: of(Verdict::NotSeen, &|q| q.truth == Truth::Shows),
        seen: of(Verdict::Seen, &there),
        likely: of(Verdict::Likely, &there),
    }
}

/// Gases that show with two strong free lines: seen or likely by one of their species, all.
fn by_gas(questions: &[Question]) -> (usize, usize) {
    let mut gases: BTreeMap<(usize, &str), (usize, bool)> = BTreeMap::new();
    for q in questions {
        let g = gases.entry((q.draw, &q.gas)).or_default();
        if q.truth == Truth::Shows {
            g.0 += q.strong_free;
        }
        g.1 |= shown(q);
    }
    let strong = gases.values().filter(|g| g.0 >= 2);
    (strong.clone().filter(|g| g.1).count(), strong.count())
}

fn percent(part: usize, all: usize) -> String {
    if all == 0 { "-".into() } else { format!("{:.1}", 100.0 * part as f64 / all as f64) }
}

/// All figures as text.
pub fn print(draws: &[Draw], questions: &[Question]) -> String {
    let mut t = String::new();
    let f = figures(questions);
    let _ = writeln!(t, "{} recordings, {} species-questions", draws.len(), f.questions);
    let _ = writeln!(t, "prevalence {:.4}, Brier score {:.5}", f.prevalence, f.brier);
    let _ = writeln!(
        t,
        "expected calibration error {:.4}; between 5 and 95 % {:.4} ({} questions)",
        f.ece, f.ece_open, f.open
    );
    let _ = writeln!(
        t,
        "false seen {} ({:.2} per 1,000), false likely {} ({:.2})",
        f.false_seen,
        1e3 * f.false_seen as f64 / f.questions as f64,
        f.false_likely,
        1e3 * f.false_likely as f64 / f.questions as f64
    );
    for (name, (a, b)) in [
        ("seen, and there", f.seen),
        ("likely, and there", f.likely),
        ("not seen, and shows all the same", f.not_seen),
        ("two free lines above 10 sigma: species seen or likely", f.two_lines),
        ("the same by gas, atom and ion and bands together", f.two_lines_of_gas),
    ] {
        let _ = writeln!(t, "{name}: {a} of {b} ({} %)", percent(a, b));
    }
    let _ = writeln!(t, "\nstated   found   questions");
    for b in &f.bins {
        let _ = writeln!(t, "{:.4}  {:.4}  {:>8}", b.stated, b.found, b.of);
    }
    let _ = writeln!(
        t,
        "\n{:<14} {:>9} {:>6} {:>6} {:>7} {:>6} {:>6} {:>6} {:>6} {:>6}",
        "light", "questions", "f.seen", "f.lik.", "there", "seen", "likely", "undec.", "not", "out"
    );
    for kind in Kind::ALL {
        let here: Vec<&Question> =
            questions.iter().filter(|q| draws[q.draw].kind == kind).collect();
        let n = |v: Verdict, truth: Truth| {
            here.iter().filter(|q| q.verdict == v && q.truth == truth).count()
        };
        let shows = here.iter().filter(|q| q.truth == Truth::Shows).count();
        let _ = write!(
            t,
            "{:<14} {:>9} {:>6} {:>6} {:>7}",
            kind.name(),
            here.len(),
            n(Verdict::Seen, Truth::Absent),
            n(Verdict::Likely, Truth::Absent),
            shows
        );
        for v in [
            Verdict::Seen,
            Verdict::Likely,
            Verdict::Undecided,
            Verdict::NotSeen,
            Verdict::OutOfReach,
        ] {
            let _ = write!(t, " {:>6}", percent(n(v, Truth::Shows), shows));
        }
        t.push('\n');
    }
    let _ = writeln!(t, "\nseen or likely, % (of), by signal-to-noise ratio of the strongest line");
    curve(&mut t, questions, &SNR, |q| 3.29 * q.over_limit);
    let _ = writeln!(t, "\nseen or likely, % (of), of the weaker of two gases by its light ratio");
    let weaker: Vec<Question> = questions
        .iter()
        .filter(|q| {
            let d = &draws[q.draw];
            d.kind == Kind::Mixture && d.main != q.gas && q.over_limit > 0.0
        })
        .cloned()
        .collect();
    curve(&mut t, &weaker, &RATIOS, |q| draws[q.draw].ratio);
    let _ = writeln!(t, "\nfalse seen");
    for q in questions.iter().filter(|q| q.verdict == Verdict::Seen && q.truth == Truth::Absent) {
        let d = &draws[q.draw];
        let _ = writeln!(
            t,
            "  seed {} ({}, {:.2} nm, S/N {:.0}, axis {:.2} nm{}{}): {} {:?}",
            d.seed,
            d.kind.name(),
            d.fwhm_nm,
            d.snr,
            d.axis_error_nm,
            if d.calibrated { " calibrated" } else { "" },
            if d.clipped { ", clipped" } else { "" },
            q.species,
            q.reason
        );
    }
    t
}

fn curve(t: &mut String, questions: &[Question], edges: &[f64], of: impl Fn(&Question) -> f64) {
    let _ = write!(t, "{:<8}", "");
    for e in edges.windows(2) {
        let _ = write!(t, " {:>14}", format!("{}-{}", e[0], e[1]));
    }
    t.push('\n');
    for gas in FILLINGS.iter().chain(&["Hg", "H"]) {
        let _ = write!(t, "{:<8}", format!("{gas} I"));
        for e in edges.windows(2) {
            let here: Vec<&Question> = questions
                .iter()
                .filter(|q| q.species == format!("{gas} I") && q.truth == Truth::Shows)
                .filter(|q| (e[0]..e[1]).contains(&of(q)))
                .collect();
            let hit = here.iter().filter(|q| shown(q)).count();
            let _ = write!(t, " {:>14}", format!("{} ({})", percent(hit, here.len()), here.len()));
        }
        t.push('\n');
    }
}
