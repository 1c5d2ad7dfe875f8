//! How well an axis explains a recording of a lamp, with the heights of its peaks.
//!
//! For each feature of the lamp a Bayes factor: it is there or not, and if it is, it shows at a
//! height that its strength foretells within a factor of a few, or is too faint to be seen; against
//! peaks that lie anywhere. The brightness of a gas is not known and is summed over.

use super::marks::Mark;
use super::score::{FITTED_PLACE_FWHM, MATCH_CAP, MAX_SEEN, STRANGERS_LOOKED_AT, Score, Seen};
use std::f64::consts::PI;

/// Standard deviation of the logarithm of a line's height about what the tables foretell: strengths
/// of a discharge are known to a factor of three, and the detector's response is not known (common
/// practice, no published source).
const SCATTER: f64 = 1.2;
/// Share of lines whose strength the tables miss by far, and standard deviation for these.
const ASTRAY: (f64, f64) = (0.1, 3.0);
/// Quantile of the heights of the peaks from which peaks are seen wherever they stand: the faintest
/// were found in the darkest places, away from bright lines.
const SURELY_SEEN: f64 = 0.2;
/// Logarithm of the strength over the group's strongest below which the tables are less sure of a
/// line, and the probability that they are right of it (common practice, no published source).
const FAINT: (f64, f64) = (-4.6, 0.75);
/// Step of the brightness of a gas, in the logarithm.
const STEP: f64 = 1.0;
/// Factor in the logarithm by which the strongest line may be lacking in what is recorded.
const HIDDEN_STRONGEST: f64 = 2.0;
/// Logarithm by which the strongest line of the dimmest gas tried is below what is surely seen.
const DIMMEST: f64 = 0.5;
/// Least that one feature leaves of the odds, whatever lacks: a table may be wrong of any line.
const LEAST_FACTOR: f64 = 1e-3;
/// Exponent of the number of peaks against their height, as far as few peaks can tell it.
const HEIGHT_EXPONENT: (f64, f64) = (0.3, 2.0);
/// Nats from which a group is there for certain, and its odds are no number any more.
const CERTAIN_NATS: f64 = 500.0;
/// Most steps.
const MAX_STEPS: usize = 16;
/// Nats lost for a tall peak that is nothing of the lamp's, from the logarithm of its height over
/// the lamp's tallest: light from elsewhere is seldom brighter than the lamp that is recorded
/// (common practice, no published source).
const STRANGER: [(f64, f64); 3] =
    [(0.0, 4.0), (-std::f64::consts::LN_10, 2.0), (f64::NEG_INFINITY, 1.0)];
/// Main features of a fluorescent lamp's light in the room, nm, with the uncertainty of their places
/// (the lamp table) …
const ROOM_NM: [(f64, f64); 8] = [
    (404.6565, 0.0),
    (435.8335, 0.0),
    (487.7, 1.5),
    (542.4, 1.2),
    (546.075, 0.0),
    (576.961, 0.0),
    (579.067, 0.0),
    (611.5, 0.5),
];
/// … how near in line widths a peak must be to one …
const ROOM_FWHM: f64 = 0.3;
/// … how many peaks it takes that the room's light is there …
const ROOM_LEAST: usize = 2;
/// … and what each of these costs then, nats.
const ROOM_NATS: f64 = 0.5;
/// Distance in line widths within which a peak is a second-order image of a line.
const IMAGE_FWHM: f64 = 1.0;
/// Standing of a line too faint to be expected where another one lays claim to the same peak.
const LEAST_SHOWS: f64 = 0.05;
/// Standard deviations of its height below what can be seen from which a line is of no account.
const UNSEEN_SIGMA: f64 = 3.0;
/// Reach of a feature for its peak, standard deviations of its place.
pub const REACH_SIGMA: f64 = 2.5;
/// Distance in widths of a peak within which it hides a line.
const HIDES_FWHM: f64 = 1.3;
/// Most line widths that a peak counts for there: a hump hides nothing.
const MAX_BREADTH: f64 = 5.0;

/// A feature in range with what stands at its place.
#[derive(Clone, Copy)]
struct Place {
    group: usize,
    ln_strength: f64,
    exists: f64,
    /// Logarithm of the density of its peak's place over that of peaks anywhere, and that peak.
    peak: Option<(f64, usize)>,
    /// True where a taller peak would hide it.
    hidden: bool,
}

fn normal(z: f64, s: f64) -> f64 {
    (-0.5 * (z / s).powi(2)).exp() / (s * (2.0 * PI).sqrt())
}

/// Probability that a normal deviate is below z.
fn below(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

/// True where a peak of its own would not be told from one that is there.
fn covered(seen: &[Seen], nm: &[f64], at: f64, fwhm_nm: f64) -> bool {
    let mut pairs = nm.iter().zip(seen);
    pairs.any(|(nm, s)| (nm - at).abs() < HIDES_FWHM * fwhm_nm * s.breadth.min(MAX_BREADTH))
}

/// Nats lost for tall peaks that are nothing of the lamp's, nor second-order images of its lines; little
/// for those of a fluorescent lamp in the room, where several are there.
fn strangers(seen: &[Seen], nm: &[f64], explained: &[bool; MAX_SEEN], fwhm_nm: f64) -> f64 {
    let own = || seen.iter().zip(nm).zip(explained).filter(|(_, e)| **e).map(|(s, _)| s);
    let tallest = own().map(|(s, _)| s.ln_height).fold(f64::NEG_INFINITY, f64::max);
    let image = |s: &Seen, at: f64| {
        own().any(|(o, nm)| {
            (2.0 * nm - at).abs() < IMAGE_FWHM * fwhm_nm && o.ln_height > s.ln_height
        })
    };
    let all: Vec<(&Seen, f64)> = seen
        .iter()
        .zip(nm)
        .zip(explained)
        .filter(|((s, _), e)| !**e && !s.broad && !s.ripple && s.rank <= STRANGERS_LOOKED_AT as f64)
        .map(|((s, nm), _)| (s, *nm))
        .filter(|(s, nm)| !image(s, *nm))
        .collect();
    let of_the_room = |(s, nm): &(&Seen, f64)| {
        let near = |(at, u): &(f64, f64)| (at - nm).abs() < ROOM_FWHM * fwhm_nm + u;
        s.ln_height < tallest && ROOM_NM.iter().any(near)
    };
    let lit = all.iter().filter(|s| of_the_room(s)).count() >= ROOM_LEAST;
    all.iter()
        .map(|stranger| {
            if lit && of_the_room(stranger) {
                return ROOM_NATS;
            }
            let over = stranger.0.ln_height - tallest;
            STRANGER.iter().find(|(from, _)| over > *from).map_or(0.0, |(_, nats)| *nats)
        })
        .sum()
}

/// Each feature with the peak that is likeliest its own, and which peaks lie on a feature.
fn places(
    marks: &[Mark],
    seen: &[Seen],
    nm: &[f64],
    span: f64,
    fwhm_nm: f64,
    place_fwhm: f64,
) -> (Vec<Place>, [bool; MAX_SEEN]) {
    // Pairs that may belong together, the likeliest first.
    let mut pairs: Vec<(f64, usize, usize, f64)> = Vec::new();
    let mut explained = [false; MAX_SEEN];
    for (i, m) in marks.iter().enumerate() {
        let widest = (FITTED_PLACE_FWHM * fwhm_nm).hypot(m.u_nm);
        let first = nm.partition_point(|v| *v < m.nm - REACH_SIGMA * widest);
        for j in first..nm.len() {
            if nm[j] > m.nm + REACH_SIGMA * widest {
                break;
            }
            let sd =
                (place_fwhm.hypot(seen[j].u_fwhm).min(FITTED_PLACE_FWHM) * fwhm_nm).hypot(m.u_nm);
            if !m.may_be(&seen[j], fwhm_nm) {
                continue;
            }
            explained[j] = true;
            let z = (nm[j] - m.nm) / sd;
            let place = -0.5 * z * z - (sd * (2.0 * PI).sqrt()).ln() - (seen[j].rank / span).ln();
            pairs.push((m.shows.max(LEAST_SHOWS).ln() + place, i, j, place));
        }
    }
    pairs.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut out: Vec<Place> = marks
        .iter()
        .map(|m| Place {
            group: m.group,
            ln_strength: m.ln_strength,
            exists: m.exists,
            peak: None,
            hidden: false,
        })
        .collect();
    let mut taken = [false; MAX_SEEN];
    for (_, i, j, place) in &pairs {
        if !taken[*j] && out[*i].peak.is_none() {
            taken[*j] = true;
            out[*i].peak = Some((*place, *j));
        }
    }
    for (p, m) in out.iter_mut().zip(marks) {
        p.hidden = p.peak.is_none() && covered(seen, nm, m.nm, fwhm_nm);
    }
    (out, explained)
}

/// The heights of a recording's peaks, in the logarithm.
struct Heights {
    /// From here on peaks are surely seen.
    faintest: f64,
    tallest: f64,
    /// Peaks taller than h grow fewer as h to the power of minus this (Hill, Ann. Stat. 3 (1975)
    /// 1163).
    exponent: f64,
}

impl Heights {
    fn of(seen: &[Seen]) -> Self {
        let mut heights: Vec<f64> = seen.iter().map(|s| s.ln_height).collect();
        heights.sort_by(f64::total_cmp);
        let quantile = (SURELY_SEEN * heights.len() as f64) as usize;
        let faintest = heights.get(quantile).copied().unwrap_or(0.0);
        let tallest = heights.last().copied().unwrap_or(f64::NEG_INFINITY);
        let above: f64 = heights.iter().map(|h| (h - faintest).max(0.0)).sum();
        let exponent = heights.len() as f64 / above.max(1.0);
        Heights {
            faintest,
            tallest,
            exponent: exponent.clamp(HEIGHT_EXPONENT.0, HEIGHT_EXPONENT.1),
        }
    }

    /// Evidence of the features of one group, nats, summed over the brightness that it may have.
    fn group_nats(&self, here: &[Place], seen: &[Seen]) -> f64 {
        let strongest = here.iter().map(|p| p.ln_strength).fold(f64::NEG_INFINITY, f64::max);
        let least = self.faintest - strongest - DIMMEST;
        let most = self.tallest - strongest + HIDDEN_STRONGEST;
        let steps = (((most - least) / STEP).ceil() as usize).clamp(1, MAX_STEPS);
        let mut sums = [0.0; MAX_STEPS];
        for (k, sum) in sums[..steps].iter_mut().enumerate() {
            let bright = least + (most - least) * (k as f64 + 0.5) / steps as f64;
            *sum = here.iter().map(|p| self.nats(p, p.ln_strength + bright, strongest, seen)).sum();
        }
        let top = sums[..steps].iter().copied().fold(f64::NEG_INFINITY, f64::max);
        top + (sums[..steps].iter().map(|s| (s - top).exp()).sum::<f64>() / steps as f64).ln()
    }

    /// Evidence of one feature that is expected at a height, nats.
    fn nats(&self, p: &Place, expected: f64, strongest: f64, seen: &[Seen]) -> f64 {
        let unseen = expected < self.faintest - UNSEEN_SIGMA * SCATTER;
        if p.peak.is_none() && (p.hidden || unseen) {
            return 0.0;
        }
        let sure = if p.ln_strength < strongest + FAINT.0 { FAINT.1 } else { 1.0 };
        let exists = p.exists * sure;
        let lacks = 1.0 - exists * below((expected - self.faintest) / SCATTER);
        let factor = match p.peak {
            Some((place, j)) => {
                let s = &seen[j];
                let height = if s.clipped {
                    below((expected - s.ln_height) / SCATTER)
                } else {
                    let d = s.ln_height - expected;
                    ((1.0 - ASTRAY.0) * normal(d, SCATTER) + ASTRAY.0 * normal(d, ASTRAY.1))
                        / self.exponent
                };
                lacks + exists * height * place.min(MATCH_CAP).exp()
            }
            None => lacks,
        };
        factor.max(LEAST_FACTOR).ln()
    }
}

/// Scatter of the peaks about their features' places in line widths, standard deviation, besides what
/// each is uncertain by: how well an axis is fitted and how well lines stand alone differs from
/// recording to recording, so each is tried.
const PLACES_FWHM: [f64; 3] =
    [FITTED_PLACE_FWHM, 0.5 * FITTED_PLACE_FWHM, 0.25 * FITTED_PLACE_FWHM];

/// The evidence for the axis that puts the peak `k` of `seen` at `nm[k]` (ascending) on a recording
/// whose axis runs over `range` nm.
pub fn weigh(marks: &[Mark], seen: &[Seen], nm: &[f64], range: (f64, f64), fwhm_nm: f64) -> Score {
    let all = PLACES_FWHM.map(|place| {
        let Groups { of, met, explained } = groups(marks, seen, nm, range, fwhm_nm, place);
        let nats = of.iter().map(|g| match g.nats > CERTAIN_NATS {
            true => g.nats + g.present.ln(),
            false => (1.0 - g.present + g.present * g.nats.exp()).ln(),
        });
        Score { nats: nats.sum::<f64>() - strangers(seen, nm, &explained, fwhm_nm), met }
    });
    let top = all.iter().map(|s| s.nats).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = all.iter().map(|s| (s.nats - top).exp()).sum();
    Score { nats: top + (sum / all.len() as f64).ln(), met: all[0].met }
}

/// Evidence of each group of a lamp's features, nats, and which peaks lie on any; arguments as in
/// [`weigh`].
fn groups(
    marks: &[Mark],
    seen: &[Seen],
    nm: &[f64],
    range: (f64, f64),
    fwhm_nm: f64,
    place_fwhm: f64,
) -> Groups {
    let span = (range.1 - range.0).max(1.0);
    let from = marks.partition_point(|m| m.nm < range.0 + fwhm_nm);
    let to = marks.partition_point(|m| m.nm <= range.1 - fwhm_nm);
    let marks = &marks[from..to.max(from)];
    let heights = Heights::of(seen);
    let (places, explained) = places(marks, seen, nm, span, fwhm_nm, place_fwhm);
    let mut groups: Vec<usize> = places.iter().map(|p| p.group).collect();
    groups.sort_unstable();
    groups.dedup();
    let of = |group: usize| {
        let here: Vec<Place> = places.iter().filter(|p| p.group == group).copied().collect();
        let present = marks.iter().find(|m| m.group == group).map_or(1.0, |m| m.present);
        GroupNats { group, nats: heights.group_nats(&here, seen), present }
    };
    Groups {
        of: groups.into_iter().map(of).collect(),
        met: marks.iter().zip(&places).filter(|(m, p)| m.line && p.peak.is_some()).count(),
        explained,
    }
}

struct Groups {
    of: Vec<GroupNats>,
    /// Lines that have a peak.
    met: usize,
    explained: [bool; MAX_SEEN],
}

struct GroupNats {
    group: usize,
    /// Evidence if the lamp has the group.
    nats: f64,
    /// Probability that it has.
    present: f64,
}

/// Groups whose features in range do not tell by themselves, by `least` nats, that they are there;
/// other arguments as in [`weigh`].
pub fn doubtful(
    marks: &[Mark],
    seen: &[Seen],
    nm: &[f64],
    range: (f64, f64),
    fwhm_nm: f64,
    least: f64,
) -> Vec<usize> {
    let all = groups(marks, seen, nm, range, fwhm_nm, FITTED_PLACE_FWHM);
    all.of.into_iter().filter(|g| g.nats < least).map(|g| g.group).collect()
}
