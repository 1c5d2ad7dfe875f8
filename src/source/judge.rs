//! A label held against the recording.
//!
//! A wavelength is judged with its uncertainty: the claim holds where the emission lies within the
//! window with at least 95 % probability, does not hold where that is at most 5 %, and cannot be
//! tested here in between (decision rule after JCGM 106:2012, 7 and 8). What lies outside of the
//! recording's range is never denied.

use super::claim::Claim;
use super::emission::{Emission, Shape};
use super::kind::{KindReport, SourceKind};
use super::mercury::{Mercury, RESONANCE_NM};
use super::region::{Region, RegionShare};
use crate::{Measured, Result};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

/// Probability from which a claim holds.
const HOLDS_FROM: f64 = 0.95;
/// Share of the light from which an emission, or a window in which one peaks, is what a label may
/// name.
const NAMED_SHARE: f64 = 0.25;
/// Factor by which an array whose response is not known may underrate the ultraviolet or the near
/// infrared: bare silicon falls to a twentieth at both ends (common practice).
const UNKNOWN_RESPONSE: f64 = 10.0;
/// Standard deviations by which a share has to be clear of a limit.
const CLEAR_SIGMAS: f64 = 2.0;
/// Share of visible light from which a lamp sold as ultraviolet is said to leak it.
const LEAK: f64 = 0.02;

/// What becomes of a claim.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It is true of what was recorded.
    Holds,
    /// It is not.
    DoesNotHold,
    /// This recording cannot tell.
    CannotBeTested,
}

impl Outcome {
    /// The words for it.
    pub fn words(self) -> &'static str {
        match self {
            Outcome::Holds => "holds",
            Outcome::DoesNotHold => "does not hold",
            Outcome::CannotBeTested => "cannot be tested here",
        }
    }
}

/// A claim and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClaimResult {
    /// As it was written.
    pub text: String,
    /// As it was read.
    pub claim: Claim,
    /// The answer.
    pub outcome: Outcome,
    /// Probability that the emission lies within the window, where a wavelength was judged.
    pub probability: Option<f64>,
    /// Why, in a sentence or two.
    pub reason: String,
    /// What else the label's reader should know, one sentence each.
    pub remarks: Vec<String>,
}

/// What a claim is judged by.
pub(super) struct Evidence<'a> {
    pub emissions: &'a [Emission],
    pub regions: &'a [RegionShare],
    pub mercury: &'a Mercury,
    pub kind: &'a KindReport,
    pub range_nm: [f64; 2],
    /// True where counts were divided by the instrument's response.
    pub corrected: bool,
    /// True where the axis was calibrated, by a profile or in the file.
    pub calibrated: bool,
    pub axis_u: &'a dyn Fn(f64) -> f64,
    /// Share of the recorded light between two wavelengths.
    pub share: &'a dyn Fn(f64, f64) -> f64,
}

/// Probability that a place lies between two wavelengths.
fn probability_within(place: Measured, [from, to]: [f64; 2]) -> f64 {
    let u = place.u.max(1e-6);
    let Ok(normal) = Normal::new(place.value, u) else { return 0.0 };
    normal.cdf(to) - normal.cdf(from)
}

/// Judges one label.
///
/// # Errors
/// [`crate::Error::Usage`] where the label cannot be read.
pub(super) fn judge(text: &str, e: &Evidence<'_>) -> Result<ClaimResult> {
    let claim = Claim::parse(text)?;
    let (outcome, probability, reason) = match &claim {
        Claim::Part { .. } => part(&claim, e),
        _ => wavelength(&claim, e),
    };
    Ok(ClaimResult {
        text: text.trim().to_string(),
        remarks: remarks(&claim, outcome, e),
        claim,
        outcome,
        probability,
        reason,
    })
}

/// Place of an emission: that of an identified mercury line is known, that of others is corrected
/// by what mercury lines say of the axis, where there are some.
fn place(emission: &Emission, e: &Evidence<'_>) -> Measured {
    let shift = e.mercury.axis_reads_high_nm;
    let line = e
        .mercury
        .seen()
        .find(|c| c.found_nm.is_some_and(|f| (f.value - emission.peak_nm.value).abs() < 1e-6));
    match line {
        Some(c) if emission.shape == Shape::Line && e.mercury.probability > HOLDS_FROM => {
            Measured::new(c.line_nm, 0.1)
        }
        _ if e.mercury.probability > HOLDS_FROM && shift.u > 0.0 => {
            let axis = (e.axis_u)(emission.peak_nm.value);
            let own = (emission.peak_nm.u.powi(2) - axis * axis).max(0.0).sqrt();
            // The lines tell the axis no better than they agree.
            let u = own.hypot(axis.min(shift.u.max(0.2)));
            Measured::new(emission.peak_nm.value - shift.value, u)
        }
        _ => emission.peak_nm,
    }
}

fn percent(share: f64) -> String {
    match 100.0 * share {
        p if p < 0.1 => "less than 0.1 %".into(),
        p if p < 10.0 => format!("{p:.1} %"),
        p => format!("{p:.0} %"),
    }
}

fn describe(emission: &Emission, at: Measured) -> String {
    if emission.rises_to_end {
        return format!(
            "a {} that rises to the end at {:.0} nm, with {} of the recorded light",
            emission.shape.word(),
            emission.peak_nm.value,
            percent(emission.share)
        );
    }
    let what = match (emission.shape, emission.taken_for.as_str()) {
        (Shape::Line, "") => "a line".to_string(),
        (_, "") => format!("a {}", emission.shape.word()),
        (_, name) => name.to_string(),
    };
    format!(
        "{what} at {} nm with {} of the recorded light",
        shown_place(at),
        percent(emission.share)
    )
}

/// Ends of a window without the rests of binary fractions.
fn window_words([from, to]: [f64; 2]) -> String {
    format!("{} to {}", crate::report::format::plain(from), crate::report::format::plain(to))
}

/// A place with its uncertainty, in digits that make sense.
fn shown_place(at: Measured) -> String {
    let digits = if at.u < 0.095 { 2 } else { 1 };
    format!("{:.digits$} ± {:.digits$}", at.value, at.u.max(0.01))
}

fn wavelength(claim: &Claim, e: &Evidence<'_>) -> (Outcome, Option<f64>, String) {
    let [from, to] = claim.window_nm();
    let [low, high] = e.range_nm;
    let out_of_range = to < low || from > high;
    if out_of_range || 0.5 * (from + to) < low || 0.5 * (from + to) > high {
        return (Outcome::CannotBeTested, None, beyond(claim, e));
    }
    let real: Vec<&Emission> = e.emissions.iter().filter(|x| !x.ghost).collect();
    let Some(main) = real.iter().copied().max_by(|a, b| a.share.total_cmp(&b.share)) else {
        return (
            Outcome::CannotBeTested,
            None,
            "the recording shows no light above its scatter".into(),
        );
    };
    // The best of what may be meant: the strongest emission, another strong one, or one that stands
    // in a window with enough of the light.
    let judged = |x: &Emission| (probability_within(place(x, e), [from, to]), place(x, e));
    let there = (e.share)(from, to);
    let meant = |x: &&Emission| {
        x.share >= NAMED_SHARE
            || std::ptr::eq(*x, main)
            || (there >= NAMED_SHARE && judged(x).0 >= HOLDS_FROM)
    };
    let best = real
        .iter()
        .copied()
        .filter(meant)
        .map(|x| (judged(x), x))
        .max_by(|a, b| a.0.0.total_cmp(&b.0.0));
    let Some(((p, at), emission)) = best else {
        return (Outcome::CannotBeTested, None, "nothing was measured".into());
    };
    let shown = describe(emission, at);
    if emission.rises_to_end && p > 1.0 - HOLDS_FROM {
        return (
            Outcome::CannotBeTested,
            None,
            format!("{shown}, is the emission meant: its peak may lie beyond that end"),
        );
    }
    if p >= HOLDS_FROM {
        let all = match emission.share >= NAMED_SHARE {
            true => String::new(),
            false => format!(", and {} of it in all", percent(there)),
        };
        let why = format!("{shown} lies within {} nm{all}", window_words([from, to]));
        return (Outcome::Holds, Some(p), why);
    }
    // Something weaker may lie there, underrated by a response that nobody knows.
    let weaker = real
        .iter()
        .copied()
        .filter(|x| !std::ptr::eq(*x, emission))
        .map(|x| (judged(x), x))
        .filter(|(j, _)| j.0 >= 0.5)
        .max_by(|a, b| a.1.share.total_cmp(&b.1.share));
    if p <= 1.0 - HOLDS_FROM {
        if let Some(((_, at), x)) = weaker {
            let most = x.share * if e.corrected { 1.0 } else { UNKNOWN_RESPONSE };
            let there = describe(x, at);
            if most >= NAMED_SHARE {
                return (
                    Outcome::CannotBeTested,
                    Some(p),
                    format!(
                        "{there} lies there, but most of the recorded light is elsewhere ({shown}), \
                         and the instrument's response, which is not known, may hide how strong \
                         each is"
                    ),
                );
            }
            return (
                Outcome::DoesNotHold,
                Some(p),
                format!("only {there} lies there; the light is {shown}"),
            );
        }
        return (
            Outcome::DoesNotHold,
            Some(p),
            format!(
                "the strongest emission is {shown}; between {from:.0} and {to:.0} nm there is {} of \
                 the recorded light, and no peak",
                percent(there.max(0.0))
            ),
        );
    }
    (
        Outcome::CannotBeTested,
        Some(p),
        format!(
            "{shown} lies within {} nm with a probability of {:.0} % only: {}",
            window_words([from, to]),
            100.0 * p,
            match e.calibrated {
                true => {
                    "the place is too uncertain for this window, on this calibrated axis too; a \
                     sharper instrument or a lamp with lines nearby would tell"
                }
                false => {
                    "the wavelength axis is too uncertain for this window; calibrate it by a lamp \
                     (`glowtell calibrate`) and give the profile"
                }
            }
        ),
    )
}

/// A claim that the instrument cannot see: what else a lamp of that wavelength would show.
fn beyond(claim: &Claim, e: &Evidence<'_>) -> String {
    let [from, to] = claim.window_nm();
    let [low, high] = e.range_nm;
    let mut out = format!(
        "the recording runs from {low:.0} to {high:.0} nm and shows nothing of {}, present or \
         absent",
        claim
    );
    if (from..=to).contains(&RESONANCE_NM) {
        let seen: Vec<String> = e.mercury.seen().map(|c| format!("{:.1}", c.line_nm)).collect();
        let lacking: Vec<String> = e
            .mercury
            .companions
            .iter()
            .filter(|c| c.found_nm.is_none())
            .map(|c| format!("{:.1}", c.line_nm))
            .collect();
        if e.mercury.probability >= 0.9 {
            out += &format!(
                "; but the companions that a mercury lamp must show are there ({} nm), so that \
                 254 nm is to be expected unless the lamp's glass or a phosphor takes it",
                seen.join(", ")
            );
        } else if e.mercury.probability <= 0.1 && !lacking.is_empty() {
            out += &format!(
                "; the companions that a mercury lamp must show beside 254 nm are not there ({} nm), \
                 so that this is no mercury lamp; only another emitter (a UV-C diode, say) could \
                 still make the label true",
                lacking.join(", ")
            );
        }
    }
    out
}

/// A part of the spectrum: judged by the share of the light in it.
fn part(claim: &Claim, e: &Evidence<'_>) -> (Outcome, Option<f64>, String) {
    let [from, to] = claim.window_nm();
    let [low, high] = e.range_nm;
    if to <= low || from >= high {
        return (Outcome::CannotBeTested, None, beyond(claim, e));
    }
    let real = e.emissions.iter().filter(|x| !x.ghost);
    let Some(main) = real.max_by(|a, b| a.share.total_cmp(&b.share)) else {
        return (
            Outcome::CannotBeTested,
            None,
            "the recording shows no light above its scatter".into(),
        );
    };
    let at = place(main, e);
    let inside = probability_within(at, [from, to]);
    let share = (e.share)(from, to);
    let u = e
        .regions
        .iter()
        .filter_map(|r| r.share.filter(|_| r.region.edges_nm()[0] < to))
        .map(|s| s.u)
        .fold(0.0, f64::max);
    let shown = describe(main, at);
    let (from_seen, to_seen) = (from.max(low), to.min(high));
    let amount = format!(
        "{} of the recorded light lies between {from_seen:.0} and {to_seen:.0} nm; the strongest \
         emission is {shown}{}{}",
        percent(share),
        both_sides(main, [from, to]),
        name_words(claim)
    );
    if (inside >= HOLDS_FROM && share >= NAMED_SHARE) || share - CLEAR_SIGMAS * u >= NAMED_SHARE {
        return (Outcome::Holds, Some(inside), amount);
    }
    let most = share * if e.corrected { 1.0 } else { UNKNOWN_RESPONSE } + CLEAR_SIGMAS * u;
    let unseen = low - from > 1.0;
    if most < NAMED_SHARE && !unseen {
        return (Outcome::DoesNotHold, Some(inside), amount);
    }
    if inside <= 1.0 - HOLDS_FROM && share < NAMED_SHARE && !unseen && e.corrected {
        return (Outcome::DoesNotHold, Some(inside), amount);
    }
    let why = if unseen {
        format!("nothing is known below {low:.0} nm, where this recording begins")
    } else if !e.corrected {
        "the instrument's response is not known and may hide how strong each part is".into()
    } else {
        "that is too near to a limit for the uncertainty".into()
    };
    (Outcome::CannotBeTested, Some(inside), format!("{amount}; {why}"))
}

/// Said where half of the height of an emission is reached on both sides of an edge of a claim, so
/// that the neighbouring claim may hold as well.
fn both_sides(emission: &Emission, window: [f64; 2]) -> String {
    let [Some(a), Some(b)] = emission.half_maximum_nm else { return String::new() };
    let edges: Vec<String> =
        window.iter().filter(|e| a < **e && **e < b).map(|e| format!("{e:.0}")).collect();
    match edges.is_empty() {
        true => String::new(),
        false => format!(", which lies on both sides of {} nm", edges.join(" and ")),
    }
}

/// Said of names that overlap others: ISO 21348 lets violet begin inside the ultraviolet.
fn name_words(claim: &Claim) -> String {
    let [from, to] = claim.window_nm();
    let ultraviolet_to = Region::UvA.edges_nm()[1];
    match claim {
        Claim::Part { name, .. } if from < ultraviolet_to && to > ultraviolet_to => format!(
            "; the name `{name}` ({from:.0} to {to:.0} nm) overlaps ultraviolet A, which ends at \
             {ultraviolet_to:.0} nm"
        ),
        _ => String::new(),
    }
}

/// What a reader of the label should know beside the answer.
fn remarks(claim: &Claim, outcome: Outcome, e: &Evidence<'_>) -> Vec<String> {
    let mut out = Vec::new();
    let region = |r: Region| {
        e.regions.iter().find(|s| s.region == r).and_then(|s| s.share).map_or(0.0, |s| s.value)
    };
    let visible = region(Region::Visible);
    if claim.is_ultraviolet() && claim.window_nm()[1] > e.range_nm[0] && visible > LEAK {
        out.push(format!(
            "sold as ultraviolet, and {} of the recorded light is visible (400 to 760 nm){}",
            percent(visible),
            if e.corrected { "" } else { ", before any correction for the response" }
        ));
    }
    let [from, _] = claim.window_nm();
    let ultraviolet_c = from < Region::UvC.edges_nm()[1];
    if ultraviolet_c
        && outcome == Outcome::CannotBeTested
        && e.range_nm[0] > Region::UvC.edges_nm()[0]
    {
        out.push(format!(
            "an instrument that starts at {:.0} nm cannot clear a lamp of UV-C: treat it as if it \
             gave some",
            e.range_nm[0]
        ));
    }
    if ultraviolet_c
        && e.kind.kind == SourceKind::LowPressureMercury
        && outcome == Outcome::CannotBeTested
    {
        out.push(
            "this would decide it: a recording by an instrument that sees 254 nm, or the lamp's \
             glass (fused silica passes 254 nm, ordinary glass does not)"
                .into(),
        );
    }
    out
}
