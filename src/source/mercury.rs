//! Is it a mercury lamp, and of what sort? Its lines keep company: where one is, the others are.

use super::net::Net;
use crate::signal::PeakList;
use crate::{AxisKind, Measured, Spectrum};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A line that a mercury lamp shows, or a pair that cheap instruments show as one.
struct Expected {
    /// Place, nm (air).
    nm: f64,
    /// Probability that a recording of a mercury lamp shows it where it is in range.
    shown: f64,
}

/// Lines of mercury lamps, nm (air); places from C. Sansonetti, M. Salit, J. Reader, Appl. Opt. 35
/// (1996) 74; of a pair the middle, of a group the strongest. How often they show: through glass the short ones are
/// lost, on phosphor the pair at 578 nm is buried (common practice, no published source).
const EXPECTED: [Expected; 8] = [
    Expected { nm: 253.652, shown: 0.5 },
    Expected { nm: 296.728, shown: 0.3 },
    Expected { nm: 313.1, shown: 0.5 },
    Expected { nm: 365.02, shown: 0.75 },
    Expected { nm: 404.656, shown: 0.85 },
    Expected { nm: 435.834, shown: 0.95 },
    Expected { nm: 546.075, shown: 0.95 },
    Expected { nm: 578.0, shown: 0.7 },
];
/// The resonance line, nm (air).
pub(super) const RESONANCE_NM: f64 = 253.652;
/// The lines that a lamp cannot hide: where they are in range, one of them must be there.
const BACKBONE: [f64; 3] = [404.656, 435.834, 546.075];
/// Distance beyond which a line is not where it should be, nm, beside a share of its width and
/// the axis' uncertainty: a factory's axis is not off by the same everywhere.
const WITHIN_NM: f64 = 0.5;
/// That share of the line width.
const WITHIN_FWHM: f64 = 0.25;
/// Furthest common shift of an axis that nobody has calibrated, in its standard uncertainties.
const SHIFT_SIGMAS: f64 = 2.5;
/// Probability of a mercury lamp before anything is seen: among lamps with lines the commonest.
const PRIOR: f64 = 0.3;
/// Fewest lines for mercury.
const LEAST_LINES: usize = 3;
/// Chance at most that another line stands at a place: many lines make it likely.
const MOST_CHANCE: f64 = 0.6;
/// Least chance, since lines of other species do fall together.
const LEAST_CHANCE: f64 = 0.02;

/// One of the companions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Companion {
    /// Place, nm (air).
    pub line_nm: f64,
    /// Where it was found on the recording's axis, nm; `None` where it is not seen.
    pub found_nm: Option<Measured>,
    /// Height above what is under it over that of the highest point; where it is not seen, the
    /// height from which it would have been.
    pub relative_height: f64,
}

/// The evidence for a mercury lamp.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Mercury {
    /// Probability that the lamp shows mercury, 0 to 1.
    pub probability: f64,
    /// Lines of mercury within the recording's range, seen or not.
    pub companions: Vec<Companion>,
    /// What the axis reads too much at these lines, nm; 0 without lines.
    pub axis_reads_high_nm: Measured,
    /// Light of the resonance line at 253.65 nm over that of 435.83 nm, where both are in range.
    pub resonance_over_blue: Option<f64>,
    /// Light of the group at 365 nm over that of 435.83 nm, where both are in range.
    pub group_365_over_blue: Option<f64>,
    /// Light of the pair at 578 nm over that of 546.07 nm.
    pub yellow_over_green: Option<f64>,
}

impl Mercury {
    /// The companions that are seen.
    pub fn seen(&self) -> impl Iterator<Item = &Companion> {
        self.companions.iter().filter(|c| c.found_nm.is_some())
    }

    /// True where the resonance line is seen.
    pub fn shows_resonance(&self) -> bool {
        self.seen().any(|c| c.line_nm == RESONANCE_NM)
    }
}

/// Judges the mercury lines of any recording whose axis is in nm; `None` where it is in pixels or
/// has too few usable points. `peaks` are those of the recording; an axis that nobody has calibrated
/// is taken as [`super::FACTORY_AXIS_U_NM`] wrong.
pub fn mercury_in(spectrum: &Spectrum, peaks: &PeakList) -> Option<Mercury> {
    if spectrum.axis().kind() != AxisKind::Nm {
        return None;
    }
    let net = Net::new(spectrum, peaks)?;
    let axis_u = |nm: f64| spectrum.axis_u_at(nm).unwrap_or(super::FACTORY_AXIS_U_NM);
    Some(mercury(&net, peaks, &axis_u))
}

/// Judges the lines of a recording. `axis_u` as in [`super::region::shares`].
pub(super) fn mercury(net: &Net, peaks: &PeakList, axis_u: &dyn Fn(f64) -> f64) -> Mercury {
    let [from, to] = net.range();
    let expected: Vec<&Expected> =
        EXPECTED.iter().filter(|e| e.nm > from + 1.0 && e.nm < to - 1.0).collect();
    // Line-like peaks that stand out, lines on phosphor among them.
    let lines: Vec<usize> = net.lines.iter().map(|l| l.peak).collect();
    let place = |k: usize| peaks.peaks[k].centre.value;
    let width = |nm: f64| peaks.line_width.map_or(0.0, |w| w.fwhm(nm));
    let within = |nm: f64| WITHIN_NM + WITHIN_FWHM * width(nm);
    let nearest = |nm: f64, shift: f64| {
        lines.iter().copied().filter(|k| (place(*k) - shift - nm).abs() <= within(nm)).min_by(
            |a, b| (place(*a) - shift - nm).abs().total_cmp(&(place(*b) - shift - nm).abs()),
        )
    };
    let most = |nm: f64| SHIFT_SIGMAS * axis_u(nm);
    // The common shift with the most weight of lines, the smallest among equals.
    let mut shifts: Vec<f64> = vec![0.0];
    for e in &expected {
        let near = lines.iter().map(|k| place(*k) - e.nm).filter(|d| d.abs() <= most(e.nm));
        shifts.extend(near);
    }
    let weight = |shift: f64| -> f64 {
        expected.iter().filter(|e| nearest(e.nm, shift).is_some()).map(|e| e.shown).sum()
    };
    let shift = shifts
        .into_iter()
        .map(|s| (weight(s), s))
        .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.abs().total_cmp(&a.1.abs())))
        .map_or(0.0, |s| s.1);
    let found: Vec<Option<usize>> = expected.iter().map(|e| nearest(e.nm, shift)).collect();
    let density = lines.len() as f64 / (to - from);
    let chance =
        |nm: f64| (1.0 - (-2.0 * within(nm) * density).exp()).clamp(LEAST_CHANCE, MOST_CHANCE);
    // The shift was chosen among so many that make a difference.
    let trials = 1.0 + most(435.834) / within(435.834);
    let mut nats = (PRIOR / (1.0 - PRIOR)).ln() - trials.ln();
    for (e, f) in expected.iter().zip(&found) {
        nats += match f {
            Some(_) => (e.shown / chance(e.nm)).ln(),
            None => ((1.0 - e.shown) / (1.0 - chance(e.nm))).ln(),
        };
    }
    let count = found.iter().flatten().count();
    let backbone = expected
        .iter()
        .zip(&found)
        .filter(|(e, f)| f.is_some() && BACKBONE.contains(&e.nm))
        .count();
    let enough = count >= LEAST_LINES && backbone >= 2;
    let probability = if enough { 1.0 / (1.0 + (-nats).exp()) } else { 0.0 };
    let highest = net.highest().max(f64::MIN_POSITIVE);
    let companions = expected
        .iter()
        .zip(&found)
        .map(|(e, f)| {
            let at = net.x.partition_point(|x| *x < e.nm).min(net.x.len() - 1);
            let height = match f {
                Some(k) => peaks.peaks[*k].height_or(highest),
                None => peaks.threshold.get(at).copied().unwrap_or(0.0),
            };
            Companion {
                line_nm: e.nm,
                found_nm: f.map(|k| peaks.peaks[k].centre),
                // Where nothing stands up, the limit says nothing: it is at most the whole.
                relative_height: (height / highest).min(1.0),
            }
        })
        .collect();
    // Light of everything within a stretch about a line, so that groups count as a whole.
    let light_at = |nm: f64, half: f64| -> Option<f64> {
        (nm > from && nm < to).then(|| {
            let near = |c: f64| (c - shift - nm).abs() <= half + within(nm);
            net.lines.iter().filter(|l| near(l.centre_nm.value)).map(|l| l.light).sum()
        })
    };
    let ratio = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) if b > 0.0 => Some(a / b),
        _ => None,
    };
    let blue = light_at(435.834, 0.0);
    let offsets: Vec<f64> =
        expected.iter().zip(&found).filter_map(|(e, f)| Some(place((*f)?) - e.nm)).collect();
    let n = offsets.len() as f64;
    let mean = offsets.iter().sum::<f64>() / n.max(1.0);
    let spread = offsets.iter().map(|o| (o - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    Mercury {
        probability,
        companions,
        axis_reads_high_nm: if enough {
            Measured::new(mean, spread.sqrt())
        } else {
            Measured::new(0.0, 0.0)
        },
        resonance_over_blue: ratio(light_at(RESONANCE_NM, 0.0), blue),
        group_365_over_blue: ratio(light_at(365.4, 0.8), blue),
        yellow_over_green: ratio(light_at(578.0, 1.2), light_at(546.075, 0.0)),
    }
}
