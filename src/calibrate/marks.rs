//! What a recording of a lamp may show at a line width, each with the chance that it does.

use super::lamp::{Lamp, MERCURY};
use super::pattern::{
    Emission, LampPattern, MAIN_LINES, MAIN_REACH_NM, NARROW_PHOSPHOR_U_NM, Role, SHOWS,
    STRENGTH_FACTOR,
};
use super::score::Seen;

/// What a feature counts for in the recognition of the lamp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Wavelength, nm (air).
    pub nm: f64,
    /// Scatter allowed for its place besides the line width, nm.
    pub u_nm: f64,
    /// Probability that a recording of the lamp shows it: of a rated line, one that covers all of the
    /// gas, until [`in_view`] has set it.
    pub shows: f64,
    /// Least width that its peak has, nm: of a phosphor's; 0 for lines.
    pub least_nm: f64,
    /// True for lines: only they can carry an axis.
    pub line: bool,
    /// True where the search may start from it: strong among its neighbours.
    pub seed: bool,
    /// Logarithm of its strength on a scale within its group.
    pub ln_strength: f64,
    /// Which features share that scale: an atom's, an ion's, the phosphors', the buffer gas's.
    pub group: usize,
    /// Probability that it is there at all, however sensitive the recording, if its group is.
    pub exists: f64,
    /// Probability that the lamp has any of its group.
    pub present: f64,
    /// How `shows` follows from what a recording covers; `None` where it does not.
    pub rating: Option<Rating>,
}

/// How probable it is that a recording shows a line, by its strength among those in view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rating {
    /// Logarithm of its group's strongest line anywhere.
    pub ln_anywhere: f64,
    /// True where it is held against that one, not against the strongest in view.
    pub anywhere: bool,
    /// True for an ion's line.
    pub ion: bool,
}

impl Rating {
    /// The probability, for a line of strength `ln` at `nm` where the strongest of its group that is
    /// in view has `ln_top` (both logarithms).
    pub fn shows(&self, nm: f64, ln: f64, ln_top: f64) -> f64 {
        let top = if self.anywhere { self.ln_anywhere } else { ln_top };
        // A stretch in which a gas hardly shines is not what lamps are recorded for.
        let dim = 0.5 * (top - self.ln_anywhere - DIM_STRETCH.ln()).min(0.0);
        let relative = (dim + ln - top).exp();
        // Fainter ones show only in a recording that tells so by the height of the others.
        let shows = SHOWS.iter().find(|(from, _)| relative >= *from).map_or(0.0, |s| s.1);
        let factor = if self.ion { ION_SHOWS } else { 1.0 };
        factor * shows.min(if is_sure(nm) { 1.0 } else { UNSURE_SHOWS })
    }
}

/// True where neither glass nor silicon hides a line.
fn is_sure(nm: f64) -> bool {
    (SURE_RANGE_NM.0..=SURE_RANGE_NM.1).contains(&nm)
}

/// The marks that a recording over `range` (nm) may show, each with the chance that it does; `marks`
/// ascending.
pub fn in_view(marks: &[Mark], range: (f64, f64)) -> Vec<Mark> {
    let mut out = Vec::new();
    put_in_view(marks, range, &mut out);
    out
}

/// [`in_view`] into a list that is there already.
pub fn put_in_view(marks: &[Mark], range: (f64, f64), out: &mut Vec<Mark>) {
    let margin = VIEW_MARGIN * (range.1 - range.0);
    let from = marks.partition_point(|m| m.nm < range.0 - margin);
    let to = marks.partition_point(|m| m.nm <= range.1 + margin);
    out.clear();
    out.extend_from_slice(&marks[from..to.max(from)]);
    let groups = out.iter().map(|m| m.group + 1).max().unwrap_or(0);
    let mut tops = vec![f64::NEG_INFINITY; groups];
    for m in out.iter().filter(|m| (range.0..=range.1).contains(&m.nm)) {
        tops[m.group] = tops[m.group].max(m.ln_strength);
    }
    for m in out {
        if let Some(rating) = m.rating {
            let top = tops[m.group].max(m.ln_strength);
            m.shows = rating.shows(m.nm, m.ln_strength, top);
        }
    }
}

impl Mark {
    /// True where a peak may be this feature's by its width.
    pub fn may_be(&self, s: &Seen, fwhm_nm: f64) -> bool {
        !(self.line && s.broad) && s.broadest * fwhm_nm >= self.least_nm.hypot(NARROWER * fwhm_nm)
    }
}

/// The same for mercury's other lines, for the fluorescent lamp's argon (seen while it warms up)
/// and for the peaks of its phosphors, of which each lamp has some (common practice, no published
/// source).
const OTHERS_SHOW: [f64; 3] = [0.25, 0.2, 0.4];
/// The main peaks of terbium and europium, nm, which hardly a lamp of three phosphors lacks, and
/// the probability that it shows them (common practice, no published source).
const MAIN_PHOSPHOR: ([f64; 3], f64) = ([487.7, 542.4, 611.5], 0.85);
/// Least width of a phosphor's peak without the instrument's part, nm: below that of the narrowest, weak
/// ones of europium in a public recording of a compact lamp, 0.6 (580.7 nm) and 0.7 nm; strong ones have 0.84
/// (650.7), 0.87 (587.5) and 1.07 nm (611.5) …
const NARROWEST_NM: f64 = 0.5;
/// … and share of its line width that an instrument may have where the peak stands: widths change along an
/// axis.
const NARROWER: f64 = 0.85;
/// Least width of a phosphor's band, nm: a fifth of the 50 nm of europium's in barium magnesium
/// aluminate (the lamp table), since what rises out of it may be narrower.
const BAND_NM: f64 = 10.0;
/// Group of the phosphors' peaks …
pub const PHOSPHORS: usize = 0;
/// … of the fluorescent lamp's argon …
pub const BUFFER: usize = 1;
/// … and of the first gas.
pub const FIRST_GAS: usize = 2;
/// Probability that a lamp has any phosphor, any argon that shows, any lines of an ion, any light of
/// the gas that starts a mercury lamp, which fades as the lamp warms up (common practice, no published
/// source).
const PRESENT: [f64; 4] = [0.95, 0.35, 0.3, 0.7];
/// Strength of the phosphors' other peaks beside their main ones (common practice, no published
/// source).
const MINOR_PHOSPHOR: f64 = 0.15;
/// Probability that a line of the tables is there: one in ten is lacking, for reasons that no table
/// tells (common practice, no published source).
const EXISTS: f64 = 0.9;
/// Wavelength, nm, below which lamp glass is opaque (the lamp table: absorbed by glass), and the
/// probability that a lamp shows a mercury line below it all the same.
const OPAQUE_NM: f64 = 305.0;
const EXISTS_BEHIND_OPAQUE: f64 = 0.1;
/// The same of mercury's other lines than the main ones, which low-pressure lamps often hardly show
/// (the lamp table's cautions; both numbers common practice, no published source).
const EXISTS_ELSEWHERE: f64 = 0.5;
/// Strength of the strongest line of a stretch, against the strongest of all, below which the gas
/// hardly shines there.
const DIM_STRETCH: f64 = 0.01;
/// Relative strength from which a line may start the search.
const SEED_FROM: f64 = 0.05;
/// Most lines of a gas in view that start the search, the strongest first …
pub const SEEDS_IN_VIEW: usize = 12;
/// … of any of the views that have the line at this share of their span.
const VIEWS: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];
/// How far beyond the ends of a recording marks are kept, as a share of its span: its axis may still
/// move.
const VIEW_MARGIN: f64 = 0.1;
/// How much less probable it is that an ion's line shows than an atom's of the same standing: lamps
/// of low current hardly excite ions (common practice, no published source).
const ION_SHOWS: f64 = 0.3;
/// Wavelengths, nm, outside which glass or silicon may hide a line, however strong.
const SURE_RANGE_NM: (f64, f64) = (380.0, 920.0);
/// Probability that a line shows outside [`SURE_RANGE_NM`], at most.
const UNSURE_SHOWS: f64 = 0.6;
/// Distance in line widths within which lines add up to a maximum.
const SHIFT_REACH_FWHM: f64 = 1.3;
/// Most steps of a line's climb to its maximum …
const SHIFT_ROUNDS: usize = 24;
/// … which ends with a step shorter than this, in line widths.
const SHIFT_ENOUGH_FWHM: f64 = 0.003;
/// Distance of maxima that are one, in line widths.
const SAME_MAXIMUM_FWHM: f64 = 0.2;

impl LampPattern {
    /// Gases with lines in it, atoms and ions apart.
    fn spectra(&self) -> Vec<(&str, bool)> {
        let mut out: Vec<(&str, bool)> = Vec::new();
        for e in self.emissions.iter().filter(|e| e.role == Role::Line) {
            if !out.contains(&(&e.gas, e.ion)) {
                out.push((&e.gas, e.ion));
            }
        }
        out
    }

    /// The group of a line's marks.
    pub fn group_of(&self, line: &Emission) -> usize {
        let spectra = self.spectra();
        let own = spectra.iter().position(|s| *s == (line.gas.as_str(), line.ion));
        FIRST_GAS + own.unwrap_or_default()
    }

    /// Marks for a line width and the span of a recording, both in nm.
    pub fn marks(&self, fwhm_nm: f64, span_nm: f64) -> Vec<Mark> {
        let mut out = Vec::new();
        let mixed = matches!(&self.lamp, Lamp::Discharge(gases) if gases.len() > 1);
        for (group, (gas, ion)) in self.spectra().into_iter().enumerate() {
            let group = group + FIRST_GAS;
            let lines: Vec<&Emission> = self
                .emissions
                .iter()
                .filter(|e| e.role == Role::Line && e.gas == gas && e.ion == ion)
                .collect();
            let merged = merge(&lines, fwhm_nm);
            if gas != MERCURY {
                // Beside another gas, one does not shine in a stretch where it has no strong line.
                out.extend(rated(&merged, ion, span_nm, group, mixed));
                continue;
            }
            // Without phosphor the further lines of mercury count like those of any gas.
            let further = match self.lamp {
                Lamp::Fluorescent => Vec::new(),
                Lamp::Discharge(_) => rated(&merged, ion, span_nm, group, false),
            };
            out.extend(merged.iter().enumerate().map(|(k, m)| {
                let main = self.mercury_mark(m, fwhm_nm, group);
                if main.seed { main } else { further.get(k).copied().unwrap_or(main) }
            }));
        }
        for e in self.emissions.iter().filter(|e| e.role != Role::Line) {
            let shows = match e.role {
                Role::Buffer => OTHERS_SHOW[1],
                _ if MAIN_PHOSPHOR.0.contains(&e.nm) => MAIN_PHOSPHOR.1,
                _ => OTHERS_SHOW[2],
            };
            let buffer = e.role == Role::Buffer;
            let strength = match (buffer, MAIN_PHOSPHOR.0.contains(&e.nm)) {
                (true, _) => e.strength,
                (false, true) => 1.0,
                (false, false) => MINOR_PHOSPHOR,
            };
            out.push(Mark {
                nm: e.nm,
                u_nm: e.u_nm,
                shows,
                least_nm: match e.role {
                    Role::Phosphor if e.u_nm > NARROW_PHOSPHOR_U_NM => BAND_NM,
                    Role::Phosphor => NARROWEST_NM,
                    _ => 0.0,
                },
                line: false,
                seed: !buffer && MAIN_PHOSPHOR.0.contains(&e.nm),
                ln_strength: strength.ln(),
                group: if buffer { BUFFER } else { PHOSPHORS },
                exists: EXISTS,
                present: if buffer { PRESENT[1] } else { PRESENT[0] },
                rating: None,
            });
        }
        out.sort_by(|a, b| a.nm.total_cmp(&b.nm));
        out
    }

    fn mercury_mark(&self, m: &Merged, fwhm_nm: f64, group: usize) -> Mark {
        let main = MAIN_LINES
            .iter()
            .filter(|(nm, _)| (m.first - MAIN_REACH_NM..=m.last + MAIN_REACH_NM).contains(nm))
            .map(|(_, p)| *p)
            .fold(0.0, f64::max);
        let drawn = self.drawn(m.nm, fwhm_nm);
        Mark {
            nm: m.nm,
            u_nm: m.u.hypot(drawn),
            shows: if main > 0.0 { main } else { OTHERS_SHOW[0] },
            least_nm: 0.0,
            line: true,
            seed: main > 0.0,
            ln_strength: m.strength.ln(),
            group,
            exists: if main > 0.0 {
                main
            } else if m.nm < OPAQUE_NM {
                EXISTS_BEHIND_OPAQUE
            } else {
                EXISTS_ELSEWHERE
            },
            present: 1.0,
            rating: None,
        }
    }
}

/// What an instrument shows of lines that it merges: place of the maximum, its uncertainty, its
/// height, first and last of the lines.
struct Merged {
    nm: f64,
    u: f64,
    strength: f64,
    first: f64,
    last: f64,
}

/// The maxima of the lines' sum at a line width; `lines` ascending.
///
/// Each line climbs the sum of all (mean shift: Fukunaga and Hostetler, IEEE Trans. Inf. Theory 21
/// (1975) 32); lines that arrive at one place are merged.
fn merge(lines: &[&Emission], fwhm_nm: f64) -> Vec<Merged> {
    let reach = SHIFT_REACH_FWHM * fwhm_nm;
    let width = 4.0 * std::f64::consts::LN_2 / (fwhm_nm * fwhm_nm);
    let near = |nm: f64| {
        let from = lines.partition_point(|l| l.nm < nm - reach);
        lines[from..]
            .iter()
            .take_while(move |l| l.nm <= nm + reach)
            .map(move |l| (l.strength * (-width * (l.nm - nm).powi(2)).exp(), l.nm))
    };
    let mut out: Vec<Merged> = Vec::new();
    for l in lines {
        let mut nm = l.nm;
        for _ in 0..SHIFT_ROUNDS {
            let (sum, moment) =
                near(nm).fold((0.0, 0.0), |(s, m), (w, at)| (s + w, m + w * (at - nm)));
            let step = if sum > 0.0 { moment / sum } else { 0.0 };
            nm += step;
            if step.abs() < SHIFT_ENOUGH_FWHM * fwhm_nm {
                break;
            }
        }
        match out.last_mut().filter(|o| (o.nm - nm).abs() < SAME_MAXIMUM_FWHM * fwhm_nm) {
            Some(o) => o.last = l.nm,
            None => out.push(Merged { nm, u: 0.0, strength: 0.0, first: l.nm, last: l.nm }),
        }
    }
    for m in &mut out {
        m.strength = near(m.nm).map(|(w, _)| w).sum();
        // Each strength is known to a factor.
        let pulls: f64 = near(m.nm).map(|(w, at)| (w * (at - m.nm)).powi(2)).sum();
        m.u = (STRENGTH_FACTOR.ln() * pulls.sqrt() / m.strength).min(0.5 * fwhm_nm);
    }
    out
}

/// Marks of a gas for recordings that span so much; `anywhere`: judged by their strength against all
/// of the gas, not against what is in view.
fn rated(lines: &[Merged], ion: bool, span_nm: f64, group: usize, anywhere: bool) -> Vec<Mark> {
    let top_of = |from: f64, to: f64| {
        let here = lines.iter().filter(|o| (from..=to).contains(&o.nm));
        here.map(|o| o.strength).fold(0.0, f64::max)
    };
    let ln_anywhere = top_of(f64::NEG_INFINITY, f64::INFINITY).ln();
    let rating = Rating { ln_anywhere, anywhere, ion };
    let seed = |m: &Merged| {
        VIEWS.iter().any(|at| {
            let (from, to) = (m.nm - at * span_nm, m.nm + (1.0 - at) * span_nm);
            let stronger = lines
                .iter()
                .filter(|o| (from..=to).contains(&o.nm) && o.strength > m.strength)
                .count();
            stronger < SEEDS_IN_VIEW && m.strength >= SEED_FROM * top_of(from, to)
        })
    };
    let mark = |m: &Merged| Mark {
        nm: m.nm,
        u_nm: m.u,
        shows: rating.shows(m.nm, m.strength.ln(), ln_anywhere),
        least_nm: 0.0,
        line: true,
        seed: !ion && seed(m),
        ln_strength: m.strength.ln(),
        group,
        exists: EXISTS * if is_sure(m.nm) { 1.0 } else { UNSURE_SHOWS },
        present: match (ion, anywhere) {
            (true, _) => PRESENT[2],
            (false, true) => PRESENT[3],
            (false, false) => 1.0,
        },
        rating: Some(rating),
    };
    lines.iter().map(mark).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::score::{FITTED_PLACE_FWHM, score_marks};
    use crate::reference::Tables;

    /// Europium's peak is more than 1 nm wide, its blue band 50 nm: what a sharp instrument shows narrower
    /// there is something else.
    #[test]
    fn a_narrow_peak_is_no_phosphors() {
        const FWHM_NM: f64 = 0.5;
        let pattern = LampPattern::new(&Lamp::Fluorescent, &Tables::bundled().unwrap());
        let marks = pattern.marks(FWHM_NM, 400.0);
        let met = |nm: f64, width_nm: f64| {
            let seen = [Seen {
                u_fwhm: 0.0,
                ripple: false,
                x: 0.0,
                rank: 1.0,
                index: 0,
                broad: width_nm > FWHM_NM,
                breadth: width_nm / FWHM_NM,
                broadest: width_nm / FWHM_NM,
                faint: false,
                ln_height: 1.0,
                clipped: false,
            }];
            score_marks(
                &marks,
                &seen,
                &[nm],
                (400.0, 800.0),
                FWHM_NM,
                FITTED_PLACE_FWHM,
                |_, _, _| (),
            )[0]
        };
        assert!(!met(611.5, 0.5) && met(611.5, 1.2));
        assert!(!met(450.0, 2.4) && met(450.0, 50.0));
        assert!(met(435.83, 0.5) && !met(435.83, 2.4));
    }
}
