//! The lamp's pattern: which features to expect, and how well an axis brings peaks onto them.

use crate::reference::{AnchorUse, LampFeature, Tables};
use crate::signal::{Peak, PeakList};

/// What a feature counts for in the recognition of the lamp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Wavelength, nm (air).
    pub nm: f64,
    /// Scatter allowed for its place besides the line width, nm.
    pub u_nm: f64,
    /// What is lost, in nats, where it is in range and not there; 0 for features that lamps may
    /// lack.
    pub missing: f64,
    /// True for mercury: only its lines can carry an axis.
    pub mercury: bool,
}

/// Nats lost for each main line of mercury that is in range and not there. The green and the blue
/// line are seen in every mercury lamp through glass; violet and near ultraviolet suffer from
/// glass and detector, the yellow pair from the phosphor beside it (common practice, no published
/// source).
const MAIN_LINES: [(f64, f64); 5] =
    [(365.02, 1.5), (404.66, 3.0), (435.83, 6.0), (546.07, 6.0), (578.0, 2.0)];
/// How far a peak may be off a feature's place, in line widths, standard deviation, on an axis
/// through two or three lines.
pub const PLACE_FWHM: f64 = 0.2;
/// The same once the axis has been fitted to all the lines it meets.
pub const FITTED_PLACE_FWHM: f64 = 0.1;
/// Most that one match can say, nats: a line that fits perfectly may still be another's.
const MATCH_CAP: f64 = 5.0;
/// Nats lost for each of the strongest peaks that no feature of the lamp explains.
const STRANGER: f64 = 1.5;
/// How many of the strongest peaks must be explained.
const STRANGERS_LOOKED_AT: usize = 12;
/// Two lines of one element closer than this (in line widths) are one mark.
const MERGE_FWHM: f64 = 0.85;

/// The lamp's features as marks for a line width in nm.
pub fn marks(tables: &Tables, fwhm_nm: f64) -> Vec<Mark> {
    let mut out: Vec<Mark> = Vec::new();
    let mercury: Vec<&LampFeature> = tables
        .lamp()
        .iter()
        .filter(|f| f.is_mercury && f.intensity.is_some_and(|i| i >= 500.0))
        .collect();
    let mut k = 0;
    while k < mercury.len() {
        // Merge what this instrument cannot separate, weighted by tabulated intensity.
        let (mut sum, mut weight, mut last) = (0.0, 0.0, mercury[k].wavelength_nm);
        let start = k;
        while k < mercury.len() && mercury[k].wavelength_nm - last < MERGE_FWHM * fwhm_nm {
            let w = mercury[k].intensity.unwrap_or(1.0);
            sum += w * mercury[k].wavelength_nm;
            weight += w;
            last = mercury[k].wavelength_nm;
            k += 1;
        }
        let nm = sum / weight;
        let spread = 0.25 * (last - mercury[start].wavelength_nm);
        let main = MAIN_LINES
            .iter()
            .filter(|(m, _)| (mercury[start].wavelength_nm - 1.2..=last + 1.2).contains(m))
            .map(|(_, p)| *p)
            .fold(0.0, f64::max);
        out.push(Mark { nm, u_nm: spread, missing: main, mercury: true });
    }
    for f in tables.lamp().iter().filter(|f| !f.is_mercury) {
        out.push(Mark { nm: f.wavelength_nm, u_nm: f.u_nm, missing: 0.0, mercury: false });
    }
    out.sort_by(|a, b| a.nm.total_cmp(&b.nm));
    out
}

/// Peaks as the recognition sees them: place on the instrument's axis and rank by height.
#[derive(Debug, Clone)]
pub struct Seen {
    /// Place on the instrument's own axis.
    pub x: f64,
    /// Rank by height, 1 for the tallest.
    pub rank: f64,
    /// Index in the list of peaks.
    pub index: usize,
}

/// Most peaks that take part in the recognition.
const MAX_SEEN: usize = 60;
/// Significance below which a peak does not take part.
const MIN_SIGNIFICANCE: f64 = 5.0;

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
        .map(|(r, i)| Seen { x: peaks.peaks[*i].centre.value, rank: (r + 1) as f64, index: *i })
        .collect();
    out.sort_by(|a, b| a.x.total_cmp(&b.x));
    out
}

/// How well an axis fits: nats for the lamp, and how many mercury marks were met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Log-likelihood ratio against peaks that lie anywhere, nats.
    pub nats: f64,
    /// Marks of mercury that have a peak.
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
    let span = (range.1 - range.0).max(1.0);
    let mut nats = 0.0;
    let mut met = 0;
    let mut explained = [false; MAX_SEEN];
    let mut k = 0;
    for m in marks {
        if m.nm < range.0 + fwhm_nm || m.nm > range.1 - fwhm_nm {
            continue;
        }
        let sd = ((place_fwhm * fwhm_nm).powi(2) + m.u_nm.powi(2)).sqrt();
        let reach = 2.5 * sd;
        while k < nm.len() && nm[k] < m.nm - reach {
            k += 1;
        }
        let mut best = 0.0f64;
        let mut j = k;
        while j < nm.len() && nm[j] <= m.nm + reach {
            let z = (nm[j] - m.nm) / sd;
            // Chance: peaks at least as tall as this one, spread over the range.
            let chance = seen[j].rank / span * sd * (2.0 * std::f64::consts::PI).sqrt();
            best = best.max((-chance.ln() - 0.5 * z * z).min(MATCH_CAP));
            explained[j] = true;
            j += 1;
        }
        if best > 0.0 {
            met += usize::from(m.mercury);
            nats += best;
        } else {
            nats -= m.missing;
        }
    }
    for (s, e) in seen.iter().zip(&explained) {
        if !e && s.rank <= STRANGERS_LOOKED_AT as f64 {
            nats -= STRANGER;
        }
    }
    Score { nats, met }
}

/// Lines that may carry the axis (feature, wavelength and its standard uncertainty in nm), and
/// those that may not, with the reason.
pub type AnchorLines<'a> = (Vec<(&'a LampFeature, f64, f64)>, Vec<(&'a LampFeature, String)>);

/// Lines that may carry the axis for this line width: name, wavelength, its uncertainty, whether
/// it is the buffer gas's; and those that may not, with the reason.
pub fn anchor_lines(tables: &Tables, fwhm_nm: f64) -> AnchorLines<'_> {
    let (mut use_, mut leave) = (Vec::new(), Vec::new());
    let lamp = tables.lamp();
    for f in lamp.iter().filter(|f| f.is_mercury || f.is_buffer_gas) {
        let own = f.intensity.unwrap_or(0.0);
        // Neighbours of the same emitter that a fit cannot take apart, as the tables have them.
        let close: Vec<&LampFeature> = lamp
            .iter()
            .filter(|o| {
                o.name != f.name
                    && o.species == f.species
                    && (o.wavelength_nm - f.wavelength_nm).abs() < MERGE_FWHM * fwhm_nm
                    && o.intensity.unwrap_or(0.0) > 0.02 * own
            })
            .collect();
        let pull: f64 = close
            .iter()
            .map(|o| {
                let w = o.intensity.unwrap_or(0.0) / (own + o.intensity.unwrap_or(0.0));
                w * (o.wavelength_nm - f.wavelength_nm)
            })
            .sum();
        if f.anchor == AnchorUse::No || own < 500.0 {
            continue;
        }
        if close.iter().any(|o| o.intensity.unwrap_or(0.0) > own) {
            leave.push((f, "merges with a stronger line at this line width".to_string()));
        } else if pull.abs() > 0.2 * fwhm_nm {
            leave.push((
                f,
                format!("blend at this line width: its centre is shifted by some {pull:+.2} nm"),
            ));
        } else {
            // Shift by the blend, with half of it as its uncertainty: the ratio differs from lamp
            // to lamp.
            let u = (f.u_nm.powi(2) + (0.5 * pull).powi(2)).sqrt();
            use_.push((f, f.wavelength_nm + pull, u));
        }
    }
    (use_, leave)
}
