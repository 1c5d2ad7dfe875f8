//! The peaks of a recording, and how well the places of a lamp's marks explain them.

use super::marks::Mark;
use crate::signal::{Peak, PeakList};

/// How far a peak may be off a feature's place, in line widths, standard deviation, on an axis
/// through two or three lines.
pub const PLACE_FWHM: f64 = 0.2;
/// The same once the axis has been fitted to all the lines it meets.
pub const FITTED_PLACE_FWHM: f64 = 0.1;
/// Most that one match can say, nats: a line that fits perfectly may still be another's.
pub const MATCH_CAP: f64 = 8.0;
/// Nats lost for each of the strongest peaks that no feature of the lamp explains.
const STRANGER: f64 = 1.5;
/// How many of the strongest peaks must be explained.
pub const STRANGERS_LOOKED_AT: usize = 12;

/// Peaks as the recognition sees them: place on the instrument's axis and rank by height.
#[derive(Debug, Clone)]
pub struct Seen {
    /// Place on the instrument's own axis.
    pub x: f64,
    /// Rank by height, 1 for the tallest.
    pub rank: f64,
    /// Standard uncertainty of its place in line widths.
    pub u_fwhm: f64,
    /// Index in the list of peaks.
    pub index: usize,
    /// True where it is too broad for a line.
    pub broad: bool,
    /// Its width in line widths, at least 1.
    pub breadth: f64,
    /// Most line widths that it may be broad: two standard deviations more, or anything where it is
    /// clipped.
    pub broadest: f64,
    /// Logarithm of its height; of a clipped one, of what is seen of it.
    pub ln_height: f64,
    /// True below the significance of a peak that tells two axes apart.
    pub faint: bool,
    /// True where it may be a ripple of a band.
    pub ripple: bool,
    /// True where its height is only known to be larger.
    pub clipped: bool,
}

/// Width in line widths from which a peak is no line.
pub const BROAD_FWHM: f64 = 2.0;
/// Significance from which a peak tells two axes apart.
const TELLING_SIGNIFICANCE: f64 = 5.0;
/// Standard deviations by which a peak may be broader than it is found.
const BREADTH_SIGMA: f64 = 2.0;
/// Most peaks that take part in the recognition.
pub const MAX_SEEN: usize = 60;
/// Significance below which a peak neither takes part nor is taken for a line of the lamp: a normal
/// distribution passes it once in 4,000 times, so that noise brings less than one to a recording.
pub const MIN_SIGNIFICANCE: f64 = 3.5;

/// The strongest peaks in the order of the axis.
pub fn seen(peaks: &PeakList) -> Vec<Seen> {
    let tallest = peaks.peaks.iter().filter_map(|p| p.height.map(|h| h.value)).fold(0.0, f64::max);
    let height = |p: &Peak| p.height_or(1.1 * tallest);
    let mut order: Vec<usize> = (0..peaks.peaks.len())
        .filter(|i| peaks.peaks[*i].significance > MIN_SIGNIFICANCE || peaks.peaks[*i].clipped)
        .collect();
    order.sort_by(|a, b| height(&peaks.peaks[*b]).total_cmp(&height(&peaks.peaks[*a])));
    order.truncate(MAX_SEEN);
    let mut out: Vec<Seen> = order
        .iter()
        .enumerate()
        .map(|(r, i)| {
            let p = &peaks.peaks[*i];
            let width = peaks.line_width.map(|w| w.fwhm(p.centre.value));
            let broad = !p.line_like && width.is_some_and(|w| p.fwhm.value > BROAD_FWHM * w);
            Seen {
                x: p.centre.value,
                u_fwhm: width.map_or(0.0, |w| p.centre.u / w),
                rank: (r + 1) as f64,
                index: *i,
                broad,
                breadth: width.map_or(1.0, |w| (p.fwhm.value / w).max(1.0)),
                broadest: match width {
                    Some(w) if !p.clipped => {
                        ((p.fwhm.value + BREADTH_SIGMA * p.fwhm.u) / w).max(1.0)
                    }
                    _ => f64::INFINITY,
                },
                ln_height: height(p).max(f64::MIN_POSITIVE).ln(),
                faint: !p.clipped && p.significance <= TELLING_SIGNIFICANCE,
                ripple: !p.clipped && !p.stands_out(),
                clipped: p.height.is_none(),
            }
        })
        .collect();
    out.sort_by(|a, b| a.x.total_cmp(&b.x));
    out
}

/// How well an axis fits: nats for the lamp, and how many of its lines were met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Log-likelihood ratio against peaks that lie anywhere, nats.
    pub nats: f64,
    /// Lines that have a peak.
    pub met: usize,
}

/// Scores the axis that puts the peak `k` of `seen` at `nm[k]` (ascending) on a recording whose
/// axis runs over `range` nm.
pub fn score(
    marks: &[Mark],
    seen: &[Seen],
    nm: &[f64],
    range: (f64, f64),
    fwhm_nm: f64,
    place_fwhm: f64,
) -> Score {
    let mut total = Score { nats: 0.0, met: 0 };
    let explained = score_marks(marks, seen, nm, range, fwhm_nm, place_fwhm, |m, nats, met| {
        total.nats += nats;
        total.met += usize::from(m.line && met);
    });
    for (s, e) in seen.iter().zip(&explained) {
        if !e && !s.broad && !s.ripple && s.rank <= STRANGERS_LOOKED_AT as f64 {
            total.nats -= STRANGER;
        }
    }
    total
}

/// What each mark in range says for the axis, in nats, ascending in wavelength, with whether it met
/// a peak; arguments as in [`score`]. Returns which peaks lie on a mark.
pub fn score_marks(
    marks: &[Mark],
    seen: &[Seen],
    nm: &[f64],
    range: (f64, f64),
    fwhm_nm: f64,
    place_fwhm: f64,
    mut say: impl FnMut(&Mark, f64, bool),
) -> [bool; MAX_SEEN] {
    let span = (range.1 - range.0).max(1.0);
    let mut explained = [false; MAX_SEEN];
    // One peak is one feature's.
    let mut taken = [false; MAX_SEEN];
    let mut k = 0;
    let from = marks.partition_point(|m| m.nm < range.0 + fwhm_nm);
    for m in marks[from..].iter().filter(|m| m.shows > 0.0) {
        if m.nm > range.1 - fwhm_nm {
            break;
        }
        let sd = ((place_fwhm * fwhm_nm).powi(2) + m.u_nm.powi(2)).sqrt();
        let reach = 2.5 * sd;
        // Reaches differ from mark to mark: go back to the first that this one may meet.
        while k > 0 && nm[k - 1] >= m.nm - reach {
            k -= 1;
        }
        while k < nm.len() && nm[k] < m.nm - reach {
            k += 1;
        }
        let (mut best, mut by) = (f64::NEG_INFINITY, None);
        let mut j = k;
        while j < nm.len() && nm[j] <= m.nm + reach {
            if !m.may_be(&seen[j], fwhm_nm) {
                j += 1;
                continue;
            }
            let z = (nm[j] - m.nm) / sd;
            // Chance: peaks at least as tall as this one, spread over the range.
            let chance = seen[j].rank / span * sd * (2.0 * std::f64::consts::PI).sqrt();
            let gain = (-chance.ln() - 0.5 * z * z).min(MATCH_CAP);
            if gain > best && !taken[j] {
                (best, by) = (gain, Some(j));
            }
            explained[j] = true;
            j += 1;
        }
        // Bayes factor of what stands at this place: the feature shows, or chance alone.
        let met = by.filter(|_| best > 0.0);
        if let Some(j) = met {
            taken[j] = true;
        }
        say(m, (1.0 - m.shows + m.shows * best.exp()).ln(), met.is_some());
    }
    explained
}
