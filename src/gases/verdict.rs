//! From evidence to a word, with its reason and its limit.

use super::bands::Shape;
use super::chance::share_of_chance;
use super::confidence::{Class, Clues};
use super::evidence::{Evidence, Scene, Showing};
use super::limit::{limit, limit_of_shape};
use super::mixture::Part;
use super::pattern::Pattern;
use super::summary::{NO_SHIFT, by_gas, claimed_share};
use super::words::{self, reason};
use super::{
    ChanceShare, GasReport, GasSettings, LineEvidence, ModelLine, SpeciesVerdict, Verdict,
};
use crate::reference::SpeciesKind;
use crate::signal::PeakList;
use crate::{Measured, Spectrum};

/// Probability from which a species is `seen`.
pub const SEEN: f64 = 0.99;
/// Probability from which a species is `likely`.
pub const LIKELY: f64 = 0.90;
/// Probability up to which a species is `not seen`.
pub const NOT_SEEN: f64 = 0.02;
/// Share of the evidence that counts: lines of one species are not as independent as the sum
/// takes them (one response, one population). The map of `confidence.rs` is fitted on top of it.
const TEMPER: f64 = 0.7;
/// Prior log odds, nats, that even the least expected species gets before it is called not seen.
const NEUTRAL_PRIOR: f64 = -1.7;
/// Share of the lines' light that nothing explains from which "not seen" is no longer said: what
/// misses most of the lines (an axis further off than allowed, a gas outside the tables) may miss
/// this species as well.
const MOSTLY_UNEXPLAINED: f64 = 0.5;
/// Line-like peaks from which that share means something.
const MIN_LINES_FOR_SHARE: usize = 5;
/// Free lines that a species must show to be `seen`.
const FREE_LINES_FOR_SEEN: usize = 2;
/// Significance of its template that a species must have in the whole-spectrum fit to be `seen`
/// or `likely`.
const TEMPLATE_SIGMA: f64 = 2.0;
/// Highest probability with fewer free lines, or where the two views do not agree: below `likely`,
/// whatever the population says, for real light has coincidences that no population draws.
const DISAGREE_CAP: f64 = 0.89;
/// Log odds of the model from which it is told why a species is not believed: odds of six.
const DOUBT_FROM_NATS: f64 = 1.8;
/// A line is free where others explain less than this share of its peak.
pub const FREE_SHARE: f64 = 0.3;
/// Nats from which a line speaks for a species.
const SPEAKS_FROM_NATS: f64 = 0.5;
/// Height over its uncertainty from which a line that was not found, but is read where it belongs, counts
/// as one that speaks for its species: noise alone reaches 4 at 3 of 100,000 places (normal law). The choice
/// of 4 is common practice, no published source.
pub(super) const FAINT_LINE_SIGMA: f64 = 4.0;
/// Share of a species' strongest line below which its range is out of reach.
pub const REACH_SHARE: f64 = 0.03;

/// Note of every report in which a gas shows: what a share is and what it is not.
pub(crate) const SHARES_NOTE: &str = "shares are shares of light, not of gas: the gas with the \
                                      lowest excitation energy takes over the glow";

/// Prior log odds of a species in a tube, nats: one in five for what tubes are filled with, less
/// for what comes in by accident, little for what electrodes are made of. Common practice, no
/// published source.
pub fn prior_nats(p: &Pattern) -> f64 {
    match (p.name.as_str(), p.kind) {
        ("He I" | "Ne I" | "Ar I" | "Hg I" | "H I", _) => -1.4,
        ("Kr I" | "Xe I" | "N2 (C-B)" | "N2 (B-A)", _) => -1.7,
        ("phosphor", _) => -1.4,
        ("O I" | "Na I" | "N2+ (B-X)" | "OH (A-X)" | "N I", _) => -3.0,
        ("Ar II" | "Ne II" | "Kr II" | "Xe II" | "Hg II", _) => -3.5,
        (_, SpeciesKind::Molecule) => -4.0,
        _ => -4.5,
    }
}

/// Log odds after evidence beyond chance, nats.
pub fn log_odds(p: &Pattern, nats_beyond_chance: f64) -> f64 {
    // Missing lines are judged one by one against their own limits: no need to temper those.
    prior_nats(p) + nats_beyond_chance.min(TEMPER * nats_beyond_chance)
}

/// A species as weighed.
pub struct Judged {
    /// Evidence with the others taken away.
    pub evidence: Evidence,
    /// Nats that displaced patterns reach.
    pub chance: f64,
    /// Log odds by lines alone, nats.
    pub by_lines: f64,
    /// The same of its displaced copies, as far as they were tried.
    pub by_chance: Vec<f64>,
    /// What the others explain of each peak.
    pub others: Vec<f64>,
    /// Log odds, nats.
    pub log_odds: f64,
}

/// All that the verdicts are made from.
pub struct Case<'a> {
    /// Patterns.
    pub patterns: &'a [Pattern],
    /// One a pattern.
    pub judged: &'a [Judged],
    /// What the shapes of bands say, one a pattern.
    pub shapes: &'a [Option<Shape>],
    /// One a pattern.
    pub parts: &'a [Part],
    /// Peaks and thresholds.
    pub scene: &'a Scene<'a>,
    /// Settings.
    pub settings: &'a GasSettings,
    /// The recording.
    pub spectrum: &'a Spectrum,
    /// Its peaks.
    pub peaks: &'a PeakList,
    /// Height (counts) of a line at any wavelength, whether one was found there or not.
    pub reading: &'a dyn Fn(f64) -> Option<Measured>,
    /// What the phosphor of a fluorescent lamp explains of each peak.
    pub phosphor: &'a [f64],
}

/// Makes the report; shift, assignments and ghosts are filled in by the caller.
pub fn conclude(case: &Case) -> GasReport {
    let mut species: Vec<SpeciesVerdict> = (0..case.patterns.len()).map(|k| one(case, k)).collect();
    // An ion without its atom.
    let neutral: Vec<(String, bool, f64)> = species
        .iter()
        .zip(case.patterns)
        .filter(|(_, p)| p.kind == SpeciesKind::Neutral)
        .map(|(s, p)| (s.gas.clone(), s.probability >= LIKELY, p.strongest_in_range))
        .collect();
    for (s, p) in species.iter_mut().zip(case.patterns) {
        if p.kind == SpeciesKind::Ion
            && s.clues.log_odds > 0.0
            && neutral.iter().any(|(g, there, reach)| *g == s.gas && !there && *reach > 0.3)
        {
            s.clues.ion_alone = true;
            s.clues.agree = false;
            s.probability = s.clues.probability().min(DISAGREE_CAP);
            s.verdict = Verdict::Undecided;
            s.reason = format!(
                "lines lie where {} has some, but the neutral atom, which should be stronger, is \
                 not there",
                s.species
            );
        }
    }
    let claimed = claimed_share(case, &species);
    let lines = case.peaks.peaks.iter().filter(|p| p.line_like).count();
    let lost = 1.0 - claimed > MOSTLY_UNEXPLAINED && lines >= MIN_LINES_FOR_SHARE;
    if lost {
        for s in species.iter_mut().filter(|s| s.verdict == Verdict::NotSeen) {
            s.verdict = Verdict::Undecided;
            s.reason = format!(
                "nothing explains {:.0} % of the lines' light here (is the axis right? is this a \
                 gas of the tables?), so that missing lines prove little",
                100.0 * (1.0 - claimed)
            );
        }
    }
    let chance = case.settings.chance.then(|| chance_of(case, &species)).filter(|c| c.copies > 0);
    species.sort_by(|a, b| {
        b.probability.total_cmp(&a.probability).then_with(|| a.species.cmp(&b.species))
    });
    let gases = by_gas(&species);
    let mut notes: Vec<String> = Vec::new();
    if gases.iter().any(|g| matches!(g.verdict, Verdict::Seen | Verdict::Likely)) {
        notes.push(SHARES_NOTE.into());
    }
    if case.spectrum.axis_u().is_none() {
        notes.push(format!(
            "the axis is as the file has it: {} nm (k = 1) was allowed for a common error of all \
             lines",
            case.settings.factory_axis_u_nm
        ));
    }
    if let Some(c) = chance.as_ref().filter(|c| c.named > 0) {
        notes.push(format!(
            "of {} displaced copies of all line patterns asked for, {} reach what the weakest of the \
             {} species named by lines has: chance accounts for {:.1} % of these names, by an estimate \
             that errs high",
            c.copies,
            c.reached,
            c.named,
            100.0 * c.share
        ));
    }
    if lost {
        notes.push(
            "most of the lines' light is unexplained: calibrate the axis with a lamp, or look for \
             room light and other sources"
                .into(),
        );
    }
    if case.peaks.peaks.iter().any(|p| p.clipped) {
        notes.push("clipped lines count by their place only; a shorter exposure would help".into());
    }
    let mid = crate::signal::median(&mut case.scene.peaks.iter().map(|p| p.nm).collect::<Vec<_>>());
    GasReport {
        shift_nm: NO_SHIFT,
        fwhm_nm: case.scene.width.fwhm(mid),
        axis_u_nm: 0.0,
        gases,
        species,
        assignments: Vec::new(),
        ghosts: Vec::new(),
        unexplained: 1.0 - claimed,
        chance,
        notes,
        settings: case.settings.clone(),
    }
}

/// What chance accounts for among the species that are named by their lines; `species` in the order of
/// the patterns.
fn chance_of(case: &Case, species: &[SpeciesVerdict]) -> ChanceShare {
    let named: Vec<f64> = species
        .iter()
        .zip(case.judged)
        .filter(|(s, j)| {
            // What its bands' shape alone names is not tried by displaced lines.
            matches!(s.verdict, Verdict::Seen | Verdict::Likely) && j.by_lines >= j.log_odds
        })
        .map(|(_, j)| j.by_lines)
        .collect();
    let weakest = named.iter().copied().fold(f64::INFINITY, f64::min);
    let all = case.judged.iter().flat_map(|j| &j.by_chance);
    let reached = all.clone().filter(|odds| **odds >= weakest).count();
    ChanceShare {
        named: named.len(),
        copies: all.count(),
        reached,
        share: share_of_chance(named.len(), reached, case.settings.decoys),
    }
}

/// One species.
fn one(case: &Case, k: usize) -> SpeciesVerdict {
    let (p, j, part) = (&case.patterns[k], &case.judged[k], &case.parts[k]);
    let mut lines_for = Vec::new();
    let mut lines_missing = Vec::new();
    let mut free = 0;
    let mut tallest_free = 0f64;
    for ((f, w), nats) in p.features.iter().zip(&j.evidence.showing).zip(&j.evidence.each) {
        let expected = j.evidence.amplitude * f.weight[j.evidence.population];
        let mut line = LineEvidence {
            wavelength_nm: f.label_nm,
            peak: None,
            offset_nm: None,
            expected,
            observed: 0.0,
            decibans: decibans(*nats),
            shared_with: Vec::new(),
        };
        match w {
            Showing::Peak { index, .. } => {
                let q = &case.scene.peaks[*index];
                line.peak = Some(*index);
                line.offset_nm = Some(q.nm - f.nm);
                line.observed = q.height;
                let shared = j.others[*index] > FREE_SHARE * q.height;
                if shared {
                    line.shared_with = sharers(case, k, *index);
                }
                if *nats > SPEAKS_FROM_NATS && !shared && !q.ghost {
                    free += 1;
                    tallest_free = tallest_free.max(q.height / case.scene.tallest);
                }
                if *nats > 0.0 || expected > 0.1 * q.height {
                    lines_for.push(line);
                }
            }
            Showing::Nothing { faint: Some(r), .. }
                if r.z > FAINT_LINE_SIGMA && *nats > SPEAKS_FROM_NATS =>
            {
                free += 1;
                line.observed = r.z * r.u;
                tallest_free = tallest_free.max(line.observed / case.scene.tallest);
                lines_for.push(line);
            }
            Showing::Nothing { below, .. } => {
                line.observed = *below;
                if expected > 2.0 * below {
                    lines_missing.push(line);
                }
            }
            Showing::Hidden { .. } => {}
        }
    }
    lines_for.sort_by(|a, b| b.decibans.total_cmp(&a.decibans));
    lines_missing.sort_by(|a, b| b.expected.total_cmp(&a.expected));
    let shape = case.shapes[k].as_ref();
    let limit = limit(case, k).or_else(|| shape.and_then(|s| limit_of_shape(case, s)));
    let leading = shape.filter(|s| leads(s, p, j));
    if let Some(s) = leading {
        lines_for = heads_for(case, s);
        lines_missing.clear();
        free = free.max(lines_for.len());
        let tallest = lines_for.iter().map(|l| l.observed).fold(0.0, f64::max);
        tallest_free = tallest_free.max(tallest / case.scene.tallest);
    }
    let reach = p.strongest_in_range >= REACH_SHARE && !p.features.is_empty() && limit.is_some();
    // The shape is fitted to the whole recording as it is.
    let agree = part.significance >= TEMPLATE_SIGMA || leading.is_some();
    let clues = Clues {
        log_odds: j.log_odds,
        nats: j.evidence.nats,
        chance: j.chance,
        shape_nats: shape.map_or(0.0, |s| s.nats),
        free_lines: free,
        tallest_free,
        template_sigma: part.significance,
        share: part.share,
        in_range: p.strongest_in_range,
        kin: surest(case, |o| o != k && case.patterns[o].gas == p.gas),
        known: surest(case, |o| case.patterns[o].gas != p.gas),
        by_shape: leading.is_some(),
        ion_alone: false,
        class: Class::of(&p.name, p.kind),
        agree: agree && free >= FREE_LINES_FOR_SEEN,
    };
    let mut probability = clues.probability();
    let mut doubt = None;
    if !clues.agree {
        probability = probability.min(DISAGREE_CAP);
        // Worth a word only where the lines alone would have been believed.
        if j.log_odds > DOUBT_FROM_NATS {
            doubt = Some(match leading {
                _ if !agree => {
                    "the lines speak for it, the whole spectrum does not need it".to_string()
                }
                Some(s) => s.words(),
                None => {
                    format!("lines of its own: only {free}; the others are shared or missing")
                }
            });
        }
    }
    // "Not seen" must come from the recording, not from the prior alone.
    let nats = leading.map_or(j.evidence.nats, |s| j.evidence.nats.max(s.nats));
    let against = 1.0 / (1.0 + (-(prior_nats(p).max(NEUTRAL_PRIOR) + nats)).exp());
    let verdict = if probability >= SEEN {
        Verdict::Seen
    } else if probability >= LIKELY {
        Verdict::Likely
    } else if !reach && j.evidence.nats < SPEAKS_FROM_NATS {
        Verdict::OutOfReach
    } else if reach && probability <= NOT_SEEN && against <= NOT_SEEN {
        Verdict::NotSeen
    } else {
        Verdict::Undecided
    };
    let shown = matches!(verdict, Verdict::Seen | Verdict::Likely);
    if let Some(s) = leading.filter(|_| shown) {
        doubt = Some(s.words());
    }
    let reason = doubt.unwrap_or_else(|| {
        reason(verdict, p, j, &lines_for, &lines_missing, free)
            + &words::what_decides(verdict, p, j, limit.as_ref(), case.scene)
    });
    SpeciesVerdict {
        species: p.name.clone(),
        gas: p.gas.clone(),
        verdict,
        probability,
        decibans: decibans(leading.map_or(j.evidence.nats - j.chance, |s| s.nats)),
        lines_for,
        lines_missing,
        share: part.share,
        limit: limit.filter(|_| matches!(verdict, Verdict::NotSeen | Verdict::Undecided)),
        reason,
        light: part
            .lines
            .iter()
            .map(|(at_nm, height)| ModelLine { at_nm: *at_nm, height: *height })
            .collect(),
        clues,
    }
}

/// Log odds of the surest of some species, nats, at least 0.
fn surest(case: &Case, of: impl Fn(usize) -> bool) -> f64 {
    let all = case.judged.iter().enumerate().filter(|(o, _)| of(*o));
    all.map(|(_, j)| j.log_odds).fold(0.0, f64::max)
}

/// Log odds of a species by the shape of its bands, nats; `None` where no head stands out or where
/// the shape makes it no more probable than not: then the peaks decide alone.
pub fn odds_of_shape(p: &Pattern, s: &Shape) -> Option<f64> {
    let odds = log_odds(p, s.nats);
    (odds > 0.0 && s.shown().next().is_some()).then_some(odds)
}

/// True where the shape of the bands says more for a species than the peaks do.
fn leads(s: &Shape, p: &Pattern, j: &Judged) -> bool {
    odds_of_shape(p, s).is_some_and(|odds| odds > log_odds(p, j.evidence.nats - j.chance))
}

/// The heads of bands that the recording needs, as lines that speak for the species.
fn heads_for(case: &Case, s: &Shape) -> Vec<LineEvidence> {
    let mut out: Vec<LineEvidence> = s
        .shown()
        .map(|h| LineEvidence {
            wavelength_nm: h.nm,
            // The tallest peak on this band.
            peak: s
                .on_peaks()
                .enumerate()
                .filter(|(_, (nm, share))| *nm == h.nm && *share > 0.5)
                .max_by(|a, b| {
                    let height = |k: usize| case.scene.peaks[k].height;
                    height(a.0).total_cmp(&height(b.0))
                })
                .map(|(k, _)| k),
            offset_nm: None,
            expected: h.height,
            observed: h.height,
            decibans: decibans(h.nats),
            shared_with: Vec::new(),
        })
        .collect();
    out.sort_by(|a, b| b.decibans.total_cmp(&a.decibans));
    out
}

fn decibans(nats: f64) -> f64 {
    10.0 * nats / std::f64::consts::LN_10
}

/// Other species that have a feature on the same peak and explain it.
fn sharers(case: &Case, k: usize, peak: usize) -> Vec<String> {
    case.patterns
        .iter()
        .enumerate()
        .filter(|(o, _)| *o != k && case.judged[*o].log_odds > 0.0)
        .filter(|(o, p)| {
            let e = &case.judged[*o].evidence;
            p.features.iter().zip(&e.showing).any(|(f, w)| {
                matches!(w, Showing::Peak { index, .. } if *index == peak)
                    && e.amplitude * f.weight[e.population] > 0.1 * case.scene.peaks[peak].height
            })
        })
        .map(|(_, p)| p.name.clone())
        .collect()
}
