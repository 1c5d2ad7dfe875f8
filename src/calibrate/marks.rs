//! What a recording of a lamp may show at a line width, each with the chance that it does.

use super::lamp::{Lamp, MERCURY};
use super::pattern::{
    Emission, GLASS_NM, LampPattern, MAIN_LINES, MAIN_REACH_NM, NARROW_PHOSPHOR_U_NM, Role, SHOWS,
    STRENGTH_FACTOR, TOO_NARROW_NM,
};
use super::score::Seen;

/// What a feature counts for in the recognition of the lamp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Wavelength, nm (air).
    pub nm: f64,
    /// Scatter allowed for its place besides the line width, nm.
    pub u_nm: f64,
    /// Probability that a recording of the lamp shows it.
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
}

impl Mark {
    /// True where a peak may be this feature's by its width.
    pub fn may_be(&self, s: &Seen, fwhm_nm: f64) -> bool {
        !(self.line && s.broad) && s.breadth * fwhm_nm >= self.least_nm
    }
}

/// The same for mercury's other lines, for the fluorescent lamp's argon (seen while it warms up)
/// and for the peaks of its phosphors, of which each lamp has some (common practice, no published
/// source).
const OTHERS_SHOW: [f64; 3] = [0.25, 0.2, 0.4];
/// The main peaks of terbium and europium, nm, which hardly a lamp of three phosphors lacks, and
/// the probability that it shows them (common practice, no published source).
const MAIN_PHOSPHOR: ([f64; 3], f64) = ([487.7, 542.4, 611.5], 0.85);
/// Least width of a phosphor's band, nm: a fifth of the 50 nm of europium's in barium magnesium
/// aluminate (the lamp table), since what rises out of it may be narrower.
const BAND_NM: f64 = 10.0;
/// Group of the phosphors' peaks …
pub const PHOSPHORS: usize = 0;
/// … of the fluorescent lamp's argon …
pub const BUFFER: usize = 1;
/// … and of the first gas.
pub const FIRST_GAS: usize = 2;
/// Probability that a lamp has any phosphor, any argon that shows, any lines of an ion (common
/// practice, no published source).
const PRESENT: [f64; 3] = [0.95, 0.35, 0.3];
/// Strength of the phosphors' other peaks beside their main ones (common practice, no published
/// source).
const MINOR_PHOSPHOR: f64 = 0.15;
/// Probability that a line of the tables is there: one in ten is lacking, for reasons that no table
/// tells (common practice, no published source).
const EXISTS: f64 = 0.9;
/// … and the probability that it does not.
const BEHIND_GLASS: f64 = 0.5;
/// Strength of the strongest line of a stretch, against the strongest of all, below which the gas
/// hardly shines there.
const DIM_STRETCH: f64 = 0.01;
/// Relative strength from which a line may start the search.
const SEED_FROM: f64 = 0.05;
/// Most lines of a gas within half a span that start the search, the strongest first.
const SEEDS_NEARBY: usize = 10;
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
            // Beside another gas, one does not shine in a stretch where it has no strong line.
            let span_nm = if mixed && gas != MERCURY { f64::INFINITY } else { span_nm };
            if gas != MERCURY {
                out.extend(rated(&merged, ion, span_nm, group));
                continue;
            }
            // Without phosphor the further lines of mercury count like those of any gas.
            let further = match self.lamp {
                Lamp::Fluorescent => Vec::new(),
                Lamp::Discharge(_) => rated(&merged, ion, span_nm, group),
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
                    Role::Phosphor => TOO_NARROW_NM,
                    _ => 0.0,
                },
                line: false,
                seed: !buffer && MAIN_PHOSPHOR.0.contains(&e.nm),
                ln_strength: strength.ln(),
                group: if buffer { BUFFER } else { PHOSPHORS },
                exists: EXISTS,
                present: if buffer { PRESENT[1] } else { PRESENT[0] },
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
            } else if m.nm < GLASS_NM {
                BEHIND_GLASS
            } else {
                EXISTS
            },
            present: 1.0,
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

/// Marks of a gas, each judged by its strength among its neighbours within half a span.
fn rated(lines: &[Merged], ion: bool, span_nm: f64, group: usize) -> Vec<Mark> {
    let anywhere = lines.iter().map(|o| o.strength).fold(0.0, f64::max);
    let mut out = Vec::new();
    for m in lines {
        let near = || lines.iter().filter(|o| (o.nm - m.nm).abs() <= 0.5 * span_nm);
        let top = near().map(|o| o.strength).fold(0.0, f64::max);
        // A stretch in which a gas hardly shines is not what lamps are recorded for.
        let dim = (top / (anywhere * DIM_STRETCH)).min(1.0).sqrt();
        let relative = dim * m.strength / top;
        // Fainter ones show only in a recording that tells so by the height of the others.
        let shows = SHOWS.iter().find(|(from, _)| relative >= *from).map_or(0.0, |s| s.1);
        let stronger = near().filter(|o| o.strength > m.strength).count();
        let sure = (SURE_RANGE_NM.0..=SURE_RANGE_NM.1).contains(&m.nm);
        out.push(Mark {
            nm: m.nm,
            u_nm: m.u,
            shows: if ion { ION_SHOWS } else { 1.0 }
                * shows.min(if sure { 1.0 } else { UNSURE_SHOWS }),
            least_nm: 0.0,
            line: true,
            seed: !ion && relative >= SEED_FROM && stronger < SEEDS_NEARBY,
            ln_strength: m.strength.ln(),
            group,
            exists: EXISTS * if sure { 1.0 } else { UNSURE_SHOWS },
            present: if ion { PRESENT[2] } else { 1.0 },
        });
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::score::{FITTED_PLACE_FWHM, score_marks};
    use crate::reference::Tables;

    /// Europium's peak is 2.4 nm wide, its blue band 50 nm: what a sharp instrument shows narrower
    /// there is something else.
    #[test]
    fn a_narrow_peak_is_no_phosphors() {
        const FWHM_NM: f64 = 0.5;
        let pattern = LampPattern::new(&Lamp::Fluorescent, &Tables::bundled().unwrap());
        let marks = pattern.marks(FWHM_NM, 400.0);
        let met = |nm: f64, width_nm: f64| {
            let seen = [Seen {
                x: 0.0,
                rank: 1.0,
                index: 0,
                broad: width_nm > FWHM_NM,
                breadth: width_nm / FWHM_NM,
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
        assert!(!met(611.5, 0.5) && met(611.5, 2.4));
        assert!(!met(450.0, 2.4) && met(450.0, 50.0));
        assert!(met(435.83, 0.5) && !met(435.83, 2.4));
    }
}
