//! The lamp's pattern: which features to expect, and how well an axis brings peaks onto them.

use super::LeftOut;
use super::lamp::{Lamp, MERCURY};
use crate::reference::{AnchorUse, SpeciesKind, Tables, line_strengths};
use crate::signal::{Peak, PeakList};

/// What a feature of a lamp is good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// A line that may carry the axis.
    Line,
    /// A line of the fluorescent lamp's own argon: carries the axis only in company.
    Buffer,
    /// A phosphor peak: recognises the pattern, never carries the axis.
    Phosphor,
}

/// One line or peak that a lamp may show.
#[derive(Debug, Clone, PartialEq)]
pub struct Emission {
    /// Name for reports: `Hg 546.08`.
    pub name: String,
    /// Gas or metal that it counts under.
    pub gas: String,
    /// True for the lines of ions, whose scale of strength is their own.
    pub ion: bool,
    /// Wavelength, nm (air).
    pub nm: f64,
    /// Standard uncertainty of that wavelength, nm.
    pub u_nm: f64,
    /// Strength, on a scale within its gas (of the ion's lines: within those).
    pub strength: f64,
    /// What it is good for.
    pub role: Role,
    /// False where it may only recognise.
    pub carries: bool,
}

impl Emission {
    /// This line among those that do not carry the axis.
    pub fn left_out(&self, reason: String) -> LeftOut {
        LeftOut { feature: self.name.clone(), wavelength_nm: self.nm, reason }
    }
}

/// All that a lamp may show, ascending in wavelength.
#[derive(Debug, Clone, PartialEq)]
pub struct LampPattern {
    /// Which lamp.
    pub lamp: Lamp,
    /// Its lines and peaks.
    pub emissions: Vec<Emission>,
}

/// What a feature counts for in the recognition of the lamp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Wavelength, nm (air).
    pub nm: f64,
    /// Scatter allowed for its place besides the line width, nm.
    pub u_nm: f64,
    /// Probability that a recording of the lamp shows it.
    pub shows: f64,
    /// True for lines: only they can carry an axis.
    pub line: bool,
    /// True where the search may start from it: strong among its neighbours.
    pub seed: bool,
    /// Logarithm of its strength on a scale within its group.
    pub ln_strength: f64,
    /// Which features share that scale: an atom's, an ion's, the phosphors', the buffer gas's.
    pub group: usize,
    /// Probability that it is there at all, however sensitive the recording.
    pub exists: f64,
}

/// The main lines of mercury with the probability that a recording of a lamp shows them. The green
/// and the blue line are seen in every mercury lamp through glass; violet and near ultraviolet
/// suffer from glass and detector, the yellow pair from the phosphor beside it (common practice, no
/// published source).
const MAIN_LINES: [(f64, f64); 5] =
    [(365.02, 0.78), (404.66, 0.95), (435.83, 0.997), (546.07, 0.997), (578.0, 0.86)];
/// The same for mercury's other lines, for the fluorescent lamp's argon (seen while it warms up)
/// and for the peaks of its phosphors, of which each lamp has some (common practice, no published
/// source).
const OTHERS_SHOW: [f64; 3] = [0.25, 0.2, 0.4];
/// The main peaks of terbium and europium, nm, which hardly a lamp of three phosphors lacks, and
/// the probability that it shows them (common practice, no published source).
const MAIN_PHOSPHOR: ([f64; 3], f64) = ([487.7, 542.4, 611.5], 0.85);
/// Group of the phosphors' peaks …
pub const PHOSPHORS: usize = 0;
/// … of the fluorescent lamp's argon …
pub const BUFFER: usize = 1;
/// … and of the first gas.
pub const FIRST_GAS: usize = 2;
/// Strength of the phosphors' other peaks beside their main ones (common practice, no published
/// source).
const MINOR_PHOSPHOR: f64 = 0.15;
/// Probability that a line of the tables is there: one in ten is lacking, for reasons that no table
/// tells (common practice, no published source).
const EXISTS: f64 = 0.9;
/// Wavelength, nm, below which a lamp's glass may hide a line …
const GLASS_NM: f64 = 350.0;
/// … and the probability that it does not.
const BEHIND_GLASS: f64 = 0.5;
/// Most that a mercury line counts for, on that scale: the resonance line is held back by the vapour
/// itself and by glass (common practice, no published source).
const MERCURY_BRIGHTEST: f64 = 24_000.0;
/// Probability that a line of a lamp without phosphor shows, by its strength: its wall may be of
/// quartz (common practice, no published source).
const BARE_SHOWS: [(f64, f64); 2] = [(1000.0, 0.6), (500.0, 0.4)];
/// Distance, nm, within which two tables mean the same line.
const SAME_LINE_NM: f64 = 0.02;
/// Strength from which a mercury line that is none of the main ones is expected anywhere (on the
/// table's scale).
const MERCURY_EXPECTED: f64 = 500.0;
/// Weakest mercury line of the lamp's table that takes part, on the table's scale.
const MERCURY_FAINTEST: f64 = 500.0;
/// For lines of a gas by their strength relative to the strongest of that gas within half a
/// recording's span: probability that such a line shows. Strengths are known to a factor of three
/// and the detector's response is not known, so that even a strong line may be lacking (common
/// practice, no published source).
const SHOWS: [(f64, f64); 4] = [(0.3, 0.9), (0.1, 0.7), (0.03, 0.4), (0.01, 0.15)];
/// Strength against a species' strongest line anywhere below which a line is never expected.
const FAINTEST: f64 = 1e-4;
/// Relative strength from which a line may carry the axis: fainter ones would be taken for
/// something else's.
const CARRIES_FROM: f64 = 0.03;
/// The same for an ion's lines, against the strongest of the ion.
const ION_CARRIES_FROM: f64 = 0.3;
/// Relative strength from which a line is looked for first.
const STRONG_FROM: f64 = 0.1;
/// Distance from a main line of mercury, nm, within which the lines of its multiplet lie.
const MAIN_REACH_NM: f64 = 1.2;
/// Strength of the strongest line of a stretch, against the strongest of all, below which the gas
/// hardly shines there.
const DIM_STRETCH: f64 = 0.01;
/// Distance in line widths from every atom's line at which an ion's line may carry the axis.
const ION_APART_FWHM: f64 = 3.0;
/// Distance from a phosphor's peak, in line widths and uncertainties of its place together, at which
/// a faint mercury line may carry the axis.
const PHOSPHOR_APART: f64 = 2.0;
/// Uncertainty of place, nm, up to which a phosphor's peak may pass for a line; what is less sure is
/// a band.
const NARROW_PHOSPHOR_U_NM: f64 = 2.0;
/// Relative strength from which a line may start the search.
const SEED_FROM: f64 = 0.05;
/// Most lines of a gas within half a span that start the search, the strongest first.
const SEEDS_NEARBY: usize = 10;
/// How much less probable it is that an ion's line shows than an atom's of the same standing: lamps
/// of low current hardly excite ions (common practice, no published source).
const ION_SHOWS: f64 = 0.3;
/// Excitation temperature, eV, for which strengths are taken: the middle of what glow discharges
/// show (Brackett, Mitchell and Vickers, Appl. Spectrosc. 38 (1984) 136, find no single one).
const EXCITATION_EV: f64 = 0.8;
/// Wavelengths, nm, outside which glass or silicon may hide a line, however strong.
const SURE_RANGE_NM: (f64, f64) = (380.0, 920.0);
/// Factor by which the strengths of two blended lines may be wrong against each other.
const STRENGTH_FACTOR: f64 = 3.0;
/// How far a peak may be off a feature's place, in line widths, standard deviation, on an axis
/// through two or three lines.
pub const PLACE_FWHM: f64 = 0.2;
/// The same once the axis has been fitted to all the lines it meets.
pub const FITTED_PLACE_FWHM: f64 = 0.1;
/// Probability that a line shows outside [`SURE_RANGE_NM`], at most.
const UNSURE_SHOWS: f64 = 0.6;
/// Most that one match can say, nats: a line that fits perfectly may still be another's.
pub const MATCH_CAP: f64 = 8.0;
/// Nats lost for each of the strongest peaks that no feature of the lamp explains.
const STRANGER: f64 = 1.5;
/// How many of the strongest peaks must be explained.
pub const STRANGERS_LOOKED_AT: usize = 12;
/// Two lines of one element closer than this (in line widths) are one mark.
const MERGE_FWHM: f64 = 0.85;
/// Distance in line widths within which lines add up to a maximum.
const SHIFT_REACH_FWHM: f64 = 1.3;
/// Most steps of a line's climb to its maximum …
const SHIFT_ROUNDS: usize = 24;
/// … which ends with a step shorter than this, in line widths.
const SHIFT_ENOUGH_FWHM: f64 = 0.003;
/// Distance of maxima that are one, in line widths.
const SAME_MAXIMUM_FWHM: f64 = 0.2;
/// Strength of a neighbour, as a share of the line's own, from which it pulls the blend.
const PULLING_SHARE: f64 = 0.02;
/// How far in line widths a phosphor's peak may draw a line that still carries the axis, with so
/// much more uncertainty.
const MAX_DRAWN_FWHM: f64 = 0.35;
/// Shift of a blend's centre in line widths beyond which it does not carry the axis.
const MAX_PULL_FWHM: f64 = 0.2;

impl LampPattern {
    /// The pattern of a lamp from the tables.
    pub fn new(lamp: &Lamp, tables: &Tables) -> Self {
        let mut emissions: Vec<Emission> = Vec::new();
        if lamp.has_mercury() {
            emissions.extend(mercury(tables));
            if *lamp != Lamp::Fluorescent {
                let more = further_mercury(&emissions, tables);
                emissions.extend(more);
            }
        }
        match lamp {
            Lamp::Fluorescent => emissions.extend(fluorescent(tables)),
            Lamp::Discharge(gases) => {
                for gas in gases.iter().filter(|g| *g != MERCURY) {
                    emissions.extend(gas_lines(gas, tables));
                }
            }
        }
        emissions.sort_by(|a, b| a.nm.total_cmp(&b.nm));
        LampPattern { lamp: lamp.clone(), emissions }
    }

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
            if gas == MERCURY {
                out.extend(merged.iter().map(|m| self.mercury_mark(m, fwhm_nm, group)));
            } else {
                // Beside another gas, one does not shine in a stretch where it has no strong line.
                let span_nm = if mixed { f64::INFINITY } else { span_nm };
                out.extend(rated(&merged, ion, span_nm, group));
            }
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
                line: false,
                seed: !buffer && MAIN_PHOSPHOR.0.contains(&e.nm),
                ln_strength: strength.ln(),
                group: if buffer { BUFFER } else { PHOSPHORS },
                exists: EXISTS,
            });
        }
        out.sort_by(|a, b| a.nm.total_cmp(&b.nm));
        out
    }

    /// How far a phosphor peak that merges with a mercury line may draw it to its side, nm; nobody
    /// knows how far it does.
    fn drawn(&self, nm: f64, fwhm_nm: f64) -> f64 {
        self.emissions
            .iter()
            .filter(|e| e.role == Role::Phosphor && e.u_nm < fwhm_nm.max(NARROW_PHOSPHOR_U_NM))
            .filter(|e| (e.nm - nm).abs() < MERGE_FWHM * fwhm_nm + e.u_nm)
            .map(|e| 0.5 * (e.nm - nm).abs().min(fwhm_nm))
            .fold(0.0, f64::max)
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
            shows: if main > 0.0 {
                main
            } else if self.lamp != Lamp::Fluorescent {
                BARE_SHOWS.iter().find(|(from, _)| m.strength >= *from).map_or(0.0, |s| s.1)
            } else {
                OTHERS_SHOW[0]
            },
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
        }
    }

    /// Lines that may carry the axis at this line width on the range (nm), and those that may not,
    /// with the reason.
    pub fn anchor_lines(
        &self,
        fwhm_nm: f64,
        range: (f64, f64),
    ) -> (Vec<AnchorLine<'_>>, Vec<LeftOut>) {
        let (mut use_, mut leave) = (Vec::new(), Vec::new());
        for f in self.emissions.iter().filter(|e| e.role != Role::Phosphor && e.carries) {
            if f.nm < range.0 || f.nm > range.1 {
                continue;
            }
            let same = |o: &&Emission| {
                o.role != Role::Phosphor
                    && (&o.gas, o.ion) == (&f.gas, f.ion)
                    && (o.nm - f.nm).abs() > 1e-9
            };
            let strongest = self
                .emissions
                .iter()
                .filter(same)
                .filter(|o| (range.0..=range.1).contains(&o.nm))
                .map(|o| o.strength)
                .fold(f.strength, f64::max);
            let rated = f.gas != MERCURY && f.role == Role::Line;
            let least = if f.ion { ION_CARRIES_FROM } else { CARRIES_FROM };
            if rated && f.strength < least * strongest {
                continue;
            }
            // A faint ion's line would be taken for the atom's beside it, and lead the axis astray.
            let beside_an_atom = f.ion
                && self.emissions.iter().any(|o| {
                    !o.ion && o.role == Role::Line && (o.nm - f.nm).abs() < ION_APART_FWHM * fwhm_nm
                });
            if beside_an_atom {
                continue;
            }
            let main = MAIN_LINES.iter().any(|(nm, _)| (nm - f.nm).abs() < MAIN_REACH_NM);
            // Nor is a faint line to be told from a phosphor's peak that may stand on either side.
            let beside_a_phosphor = f.gas == MERCURY
                && !main
                && self.emissions.iter().any(|o| {
                    o.role == Role::Phosphor
                        && o.u_nm <= NARROW_PHOSPHOR_U_NM
                        && (o.nm - f.nm).abs() < PHOSPHOR_APART * (fwhm_nm + o.u_nm)
                });
            if beside_a_phosphor {
                leave.push(f.left_out("a phosphor's peak beside it may be taken for it".into()));
                continue;
            }
            let blend = Blend::of(f, self.emissions.iter().filter(same), fwhm_nm);
            if blend.under_a_stronger {
                if !rated || f.strength > SHOWS[1].0 * strongest {
                    leave.push(f.left_out("merges with a stronger line at this line width".into()));
                }
            } else if blend.pull.abs() > MAX_PULL_FWHM * fwhm_nm
                || (rated && blend.u > MAX_PULL_FWHM * fwhm_nm)
            {
                leave.push(f.left_out(format!(
                    "blend at this line width: its centre is shifted by some {:+.2} nm",
                    blend.pull
                )));
            } else if f.gas == MERCURY && self.drawn(f.nm, fwhm_nm) > MAX_DRAWN_FWHM * fwhm_nm {
                leave.push(f.left_out("merges with a phosphor's peak at this line width".into()));
            } else {
                use_.push(AnchorLine {
                    emission: f,
                    nm: f.nm + blend.pull,
                    u_nm: f.u_nm.hypot(blend.u).hypot(if f.gas == MERCURY {
                        self.drawn(f.nm, fwhm_nm)
                    } else {
                        0.0
                    }),
                    strong: if rated {
                        !f.ion && f.strength >= STRONG_FROM * strongest
                    } else {
                        main
                    },
                });
            }
        }
        (use_, leave)
    }
}

/// A line that may carry the axis.
#[derive(Debug, Clone, Copy)]
pub struct AnchorLine<'a> {
    /// The line.
    pub emission: &'a Emission,
    /// Where its peak stands at this line width, nm (air).
    pub nm: f64,
    /// Standard uncertainty of that place, nm.
    pub u_nm: f64,
    /// True for lines that a recording hardly lacks: these are looked for first.
    pub strong: bool,
}

/// What the neighbours of a line do to the place of its peak.
struct Blend {
    /// Shift of the centre, nm.
    pull: f64,
    /// Standard uncertainty of that shift, nm.
    u: f64,
    /// True where a stronger line of the same gas swallows it.
    under_a_stronger: bool,
}

impl Blend {
    fn of<'a>(f: &Emission, others: impl Iterator<Item = &'a Emission>, fwhm_nm: f64) -> Self {
        // Neighbours that a fit cannot take apart.
        let close: Vec<&Emission> = others
            .filter(|o| {
                (o.nm - f.nm).abs() < MERGE_FWHM * fwhm_nm
                    && o.strength > PULLING_SHARE * f.strength
            })
            .collect();
        let pull = |factor: f64| -> f64 {
            let sum: f64 = f.strength + close.iter().map(|o| factor * o.strength).sum::<f64>();
            close.iter().map(|o| factor * o.strength * (o.nm - f.nm)).sum::<f64>() / sum
        };
        let p = pull(1.0);
        // The ratio differs from lamp to lamp.
        let u = if f.gas == MERCURY {
            0.5 * p.abs()
        } else {
            0.5 * (pull(STRENGTH_FACTOR) - pull(1.0 / STRENGTH_FACTOR)).abs()
        };
        Blend { pull: p, u, under_a_stronger: close.iter().any(|o| o.strength > f.strength) }
    }
}

fn mercury(tables: &Tables) -> impl Iterator<Item = Emission> + '_ {
    tables.lamp().iter().filter(|f| f.is_mercury).filter_map(|f| {
        let strength = f.intensity.filter(|i| *i >= MERCURY_FAINTEST)?.min(MERCURY_BRIGHTEST);
        Some(Emission {
            name: f.name.clone(),
            gas: MERCURY.into(),
            nm: f.wavelength_nm,
            u_nm: f.u_nm,
            strength,
            ion: false,
            role: Role::Line,
            carries: f.anchor != AnchorUse::No,
        })
    })
}

/// Mercury's other lines, on the scale of `known` ones: they recognise, but carry nothing.
fn further_mercury(known: &[Emission], tables: &Tables) -> Vec<Emission> {
    let all = gas_lines(MERCURY, tables);
    let twin = |e: &Emission| known.iter().find(|k| (k.nm - e.nm).abs() < SAME_LINE_NM);
    let top = |es: &mut dyn Iterator<Item = f64>| es.fold(0.0, f64::max);
    let here = top(&mut all
        .iter()
        .filter(|e| !e.ion && twin(e).is_some() && e.nm > GLASS_NM)
        .map(|e| e.strength));
    let there = top(&mut known.iter().filter(|e| e.nm > GLASS_NM).map(|e| e.strength));
    all.iter()
        .filter(|e| !e.ion && twin(e).is_none())
        .map(|e| Emission { strength: e.strength * there / here, carries: false, ..e.clone() })
        .collect()
}

/// What a fluorescent lamp shows besides mercury.
fn fluorescent(tables: &Tables) -> impl Iterator<Item = Emission> + '_ {
    tables.lamp().iter().filter(|f| !f.is_mercury).map(|f| Emission {
        name: f.name.clone(),
        gas: f.species.split(' ').next().unwrap_or_default().into(),
        nm: f.wavelength_nm,
        u_nm: f.u_nm,
        strength: f.intensity.unwrap_or(0.0),
        ion: false,
        role: if f.is_buffer_gas { Role::Buffer } else { Role::Phosphor },
        carries: f.is_buffer_gas && f.anchor != AnchorUse::No,
    })
}

/// The atom's and the ion's lines of a gas.
///
/// Two guides to their strengths are joined in the middle (of the logarithm): transition
/// probability with an excitation temperature, which real discharges do not follow, and the
/// table's intensities, which come from other lamps on compressed scales.
fn gas_lines(gas: &str, tables: &Tables) -> Vec<Emission> {
    let mut out = Vec::new();
    for s in tables.species().iter().filter(|s| s.gas == gas && !s.lines.is_empty()) {
        let computed = line_strengths(s, EXCITATION_EV);
        let mut ratios: Vec<f64> = computed
            .iter()
            .zip(&s.lines)
            .filter_map(|(c, l)| Some(c / l.intensity?).filter(|r| r.is_finite() && *r > 0.0))
            .collect();
        ratios.sort_by(f64::total_cmp);
        let scale = ratios.get(ratios.len() / 2).copied().unwrap_or(1.0);
        let strengths: Vec<f64> = computed
            .iter()
            .zip(&s.lines)
            .map(|(c, l)| l.intensity.map_or(*c, |i| (c * i * scale).sqrt()))
            .collect();
        let top = strengths.iter().copied().fold(0.0, f64::max);
        for (l, strength) in s.lines.iter().zip(&strengths) {
            let strength = strength / top;
            if strength > FAINTEST {
                out.push(Emission {
                    name: format!("{} {:.2}", s.name, l.wavelength_nm),
                    gas: gas.into(),
                    nm: l.wavelength_nm,
                    u_nm: 0.0,
                    strength,
                    ion: s.kind == SpeciesKind::Ion,
                    role: Role::Line,
                    carries: true,
                });
            }
        }
    }
    out
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
            line: true,
            seed: !ion && relative >= SEED_FROM && stronger < SEEDS_NEARBY,
            ln_strength: m.strength.ln(),
            group,
            exists: EXISTS * if sure { 1.0 } else { UNSURE_SHOWS },
        });
    }
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
    /// True where it is too broad for a line.
    pub broad: bool,
    /// Logarithm of its height; of a clipped one, of what is seen of it.
    pub ln_height: f64,
    /// True where its height is only known to be larger.
    pub clipped: bool,
}

/// Width in line widths from which a peak is no line.
pub const BROAD_FWHM: f64 = 2.0;
/// Most peaks that take part in the recognition.
pub const MAX_SEEN: usize = 60;
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
        .map(|(r, i)| {
            let p = &peaks.peaks[*i];
            let width = peaks.line_width.map(|w| w.fwhm(p.centre.value));
            let broad = !p.line_like && width.is_some_and(|w| p.fwhm.value > BROAD_FWHM * w);
            Seen {
                x: p.centre.value,
                rank: (r + 1) as f64,
                index: *i,
                broad,
                ln_height: height(p).max(f64::MIN_POSITIVE).ln(),
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
        if !e && s.rank <= STRANGERS_LOOKED_AT as f64 {
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
            if m.line && seen[j].broad {
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
