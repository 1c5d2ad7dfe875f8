//! The lamp's pattern: which features to expect, and how well an axis brings peaks onto them.

use super::LeftOut;
use super::lamp::{Lamp, MERCURY};
use crate::reference::{AnchorUse, SpeciesKind, Tables, line_strengths};

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
    /// True for one of the main lines of mercury.
    fn is_main(&self) -> bool {
        MAIN_LINES.iter().any(|(nm, _)| (nm - self.nm).abs() < SAME_LINE_NM)
    }

    /// This line in second order: a grating sends it where it sends twice its wavelength in first.
    fn image(&self) -> Self {
        let name = format!("{} in second order", self.name);
        Emission { name, nm: 2.0 * self.nm, u_nm: 2.0 * self.u_nm, ..self.clone() }
    }

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
    /// Images of its short lines in second order.
    pub images: Vec<Emission>,
}

/// The main lines of mercury with the probability that a recording of a lamp shows them. The green
/// and the blue line are seen in every mercury lamp through glass; violet and near ultraviolet
/// suffer from glass and detector, the yellow pair from the phosphor beside it (common practice, no
/// published source).
pub(super) const MAIN_LINES: [(f64, f64); 5] =
    [(365.02, 0.78), (404.66, 0.95), (435.83, 0.997), (546.07, 0.997), (578.0, 0.86)];
/// Wavelength, nm, below which a lamp's glass may hide a line …
const GLASS_NM: f64 = 350.0;
/// Most that a mercury line counts for, on that scale: the resonance line is held back by the vapour
/// itself and by glass (common practice, no published source).
const MERCURY_BRIGHTEST: f64 = 24_000.0;
/// Distance, nm, within which two tables mean the same line.
pub(super) const SAME_LINE_NM: f64 = 0.02;
/// Weakest mercury line of the lamp's table that takes part, on the table's scale.
const MERCURY_FAINTEST: f64 = 500.0;
/// For lines of a gas by their strength relative to the strongest of that gas within half a
/// recording's span: probability that such a line shows. Strengths are known to a factor of three
/// and the detector's response is not known, so that even a strong line may be lacking (common
/// practice, no published source).
pub(super) const SHOWS: [(f64, f64); 4] = [(0.3, 0.9), (0.1, 0.7), (0.03, 0.4), (0.01, 0.15)];
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
pub(super) const MAIN_REACH_NM: f64 = 1.2;
/// Distance in line widths from every atom's line at which an ion's line may carry the axis.
const ION_APART_FWHM: f64 = 3.0;
/// Distance from a phosphor's peak, in line widths and uncertainties of its place together, at which
/// a faint mercury line may carry the axis.
const PHOSPHOR_APART: f64 = 2.0;
/// Uncertainty of place, nm, up to which a phosphor's peak may pass for a line; what is less sure is
/// a band.
pub(super) const NARROW_PHOSPHOR_U_NM: f64 = 2.0;
/// Excitation temperature, eV, for which strengths are taken: the middle of what glow discharges
/// show (Brackett, Mitchell and Vickers, Appl. Spectrosc. 38 (1984) 136, find no single one).
const EXCITATION_EV: f64 = 0.8;
/// Factor by which the strengths of two blended lines may be wrong against each other.
pub(super) const STRENGTH_FACTOR: f64 = 3.0;
/// Two lines of one element closer than this (in line widths) are one mark.
const MERGE_FWHM: f64 = 0.85;
/// Strength of a neighbour, as a share of the line's own, from which it pulls the blend.
const PULLING_SHARE: f64 = 0.02;
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
        let images =
            emissions.iter().filter(|e| e.gas == MERCURY && e.is_main()).map(Emission::image);
        LampPattern { lamp: lamp.clone(), images: images.collect(), emissions }
    }

    /// The nearest narrow phosphor peaks below and above a wavelength, with their uncertainties, nm.
    fn phosphors_beside(&self, nm: f64) -> [Option<(f64, f64)>; 2] {
        let narrow = || {
            let phosphors = self.emissions.iter().filter(|e| e.role == Role::Phosphor);
            phosphors.filter(|e| e.u_nm <= NARROW_PHOSPHOR_U_NM).map(|e| (e.nm, e.u_nm))
        };
        [narrow().rev().find(|p| p.0 < nm), narrow().find(|p| p.0 >= nm)]
    }

    /// How far a phosphor peak that merges with a mercury line may draw it to its side, nm; nobody
    /// knows how far it does.
    pub(super) fn drawn(&self, nm: f64, fwhm_nm: f64) -> f64 {
        self.emissions
            .iter()
            .filter(|e| e.role == Role::Phosphor && e.u_nm < fwhm_nm.max(NARROW_PHOSPHOR_U_NM))
            .filter(|e| (e.nm - nm).abs() < MERGE_FWHM * fwhm_nm + e.u_nm)
            .map(|e| 0.5 * (e.nm - nm).abs().min(fwhm_nm))
            .fold(0.0, f64::max)
    }

    /// The images on the range (nm), each as far as it can be placed at this line width, with the line
    /// that it is one of.
    pub fn image_lines(&self, fwhm_nm: f64, range: (f64, f64)) -> Vec<(AnchorLine<'_>, &Emission)> {
        let place = |image: &'_ Emission| {
            let source = self.emissions.iter().find(|e| 2.0 * e.nm == image.nm)?;
            let same = |o: &&Emission| o.role == Role::Line && o.gas == source.gas && *o != source;
            // In second order the lines of a blend stand twice as far apart.
            let blend = Blend::of(source, self.emissions.iter().filter(same), 0.5 * fwhm_nm);
            let (pull, u) = (2.0 * blend.pull, 2.0 * blend.u);
            (!blend.under_a_stronger && pull.abs() <= MAX_PULL_FWHM * fwhm_nm)
                .then_some((pull, u, source))
        };
        self.images
            .iter()
            .filter(|i| (range.0..=range.1).contains(&i.nm))
            .filter_map(|image| {
                let (pull, u, source) = place(image)?;
                let line = AnchorLine {
                    emission: image,
                    nm: image.nm + pull,
                    u_nm: image.u_nm.hypot(u),
                    drawn_nm: 0.0,
                    phosphors: [None; 2],
                    strong: false,
                };
                Some((line, source))
            })
            .collect()
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
            } else {
                use_.push(AnchorLine {
                    emission: f,
                    nm: f.nm + blend.pull,
                    u_nm: f.u_nm.hypot(blend.u),
                    drawn_nm: if f.gas == MERCURY { self.drawn(f.nm, fwhm_nm) } else { 0.0 },
                    phosphors: self.phosphors_beside(f.nm),
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
    /// How far a phosphor's peak may draw it besides, nm, standard uncertainty.
    pub drawn_nm: f64,
    /// True for lines that a recording hardly lacks: these are looked for first.
    pub strong: bool,
    /// Places and uncertainties, nm, of the phosphor peaks on both sides.
    pub phosphors: [Option<(f64, f64)>; 2],
}

impl AnchorLine<'_> {
    /// True where a peak at this wavelength is rather a phosphor's than this line's.
    pub fn is_rather_a_phosphor(&self, nm: f64) -> bool {
        let own = (nm - self.nm).abs();
        self.phosphors.iter().flatten().any(|(at, u)| (nm - at).abs() + u < own)
    }
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
