//! What each species would show on this instrument: its lines merged to the instrument's width,
//! with relative strengths for several level populations.

use super::rotation::PER_CM_PER_K;
use super::sequence::vibration;
use crate::reference::{Band, Shading, Species, SpeciesKind, is_allowed, line_strengths};
use crate::signal::LineWidth;

/// Excitation temperatures in eV between which level populations are tried. Published glow
/// discharges do not follow one temperature (Brackett, Mitchell and Vickers, Appl. Spectrosc. 38
/// (1984) 136); the range 0.25 to 3 eV is covered by a factor of three around each.
pub const POPULATIONS_EV: [f64; 3] = [0.35, 0.8, 2.0];
/// Level populations that are tried: those of [`POPULATIONS_EV`], and the middle one with faint lines
/// missing as often as not (see [`missing`]).
pub(super) const POPULATIONS: usize = POPULATIONS_EV.len() + 1;
/// Prior probability of each of them: one tube in ten hardly shows its faint lines (common practice, no
/// published source).
pub(super) const POPULATION_PRIOR: [f64; POPULATIONS] = [0.3, 0.3, 0.3, 0.1];
/// Index of the middle temperature.
const MIDDLE: usize = 1;
/// Index of the population of which faint lines are missing.
const SPARSE: usize = POPULATIONS_EV.len();
/// Chance that a line of a gas that is there is missing all the same (self-absorption, wrong
/// transition probability, an unknown dip of the response).
const MISSING_ANYWAY: f64 = 0.1;
/// The same of a faint line of a tube that hardly shows them: tables come from bright sources, and a
/// lamp of little current may lack all the lines from high levels (common practice, no published
/// source).
const MISSING_WHERE_SPARSE: f64 = 0.5;
/// Share of the strongest line's height below which a line is faint in this sense: the scatter of a
/// factor of three, twice (common practice, no published source).
const FAINT_SHARE: f64 = 0.1;
/// Lines weaker than this share of a species' strongest in range are not expected to show.
const MIN_WEIGHT: f64 = 4e-3;
/// Most features of a species that are held against a recording, strongest first.
const MAX_FEATURES: usize = 28;
/// Lines of one species closer than this, in line widths, are one feature: the fit cannot take
/// them apart reliably.
const MERGE_FWHM: f64 = 0.6;
/// Wavelength in nm below which lamp and tube glass may absorb (window glass, 3 mm: cut-on 300 to
/// 320 nm; J. Ketola and T. Robbins, ASTM STP 1202 (1994)).
pub(super) const GLASS_CUT_NM: f64 = 325.0;
/// Place of a shaded band's maximum behind its head, in line widths …
const BAND_SHIFT_FWHM: f64 = 0.3;
/// … and in nm (rotational structure at room temperature; N2 at 337 nm fades over about 0.4 nm).
const BAND_SHIFT_NM: f64 = 0.15;
/// Scatter of that place: in nm, and in line widths.
const BAND_SCATTER: (f64, f64) = (0.15, 0.15);
/// Vibrational temperatures in K of the upper state between which the strengths of bands are tried,
/// where rates are known. Electrons that excite nitrogen at rest put each v' a factor of nearly two
/// below the one before (Franck-Condon factors of the excitation), which is some 4500 K; the others
/// are a factor of two around it (common practice, no published source).
const VIBRATION_K: [f64; 3] = [2000.0, 4500.0, 10_000.0];
/// Vibrational quantum of the upper states, cm⁻¹: N2 C 2047, N2+ B 2420, C2 d 1788 (K. P. Huber and G.
/// Herzberg, Constants of Diatomic Molecules (1979), from memory). The temperatures span more than the
/// difference.
const QUANTUM_PER_CM: f64 = 2000.0;
/// Decades of strength over the ten steps of an eye estimate within a band system (common
/// practice, no published source: the scale is roughly logarithmic).
pub(super) const EYE_DECADES: f64 = 2.0;

/// A line, or several that this instrument merges.
#[derive(Debug, Clone, PartialEq)]
pub struct Feature {
    /// Expected place, nm (air).
    pub nm: f64,
    /// Standard uncertainty of that place from blending and band shape, nm.
    pub u_nm: f64,
    /// Expected height relative to the species' strongest feature in range, for each population
    /// (see [`POPULATIONS`]).
    pub weight: [f64; POPULATIONS],
    /// Wavelength of the strongest line in it, nm (air).
    pub label_nm: f64,
    /// True for bands, whose width may exceed a line's.
    pub band: bool,
    /// Vibrational quantum numbers v′ and v″ of a band, where the table names them.
    pub v: Option<(u32, u32)>,
    /// True where the tube's or the instrument's glass may have taken the light: its absence says
    /// nothing, its height little.
    pub glass: bool,
}

/// Chance that a line of this weight is missing though its gas is there, in a population.
pub(super) fn missing(population: usize, weight: f64) -> f64 {
    if population == SPARSE && weight < FAINT_SHARE { MISSING_WHERE_SPARSE } else { MISSING_ANYWAY }
}

/// A species as this instrument would show it.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// Spectroscopic name.
    pub name: String,
    /// Gas it counts under.
    pub gas: String,
    /// Kind of species.
    pub kind: SpeciesKind,
    /// Features in range, ascending.
    pub features: Vec<Feature>,
    /// Share of the species' strongest line anywhere (200 to 1100 nm) that is in range: small
    /// where the range misses all that matters; for the middle population.
    pub strongest_in_range: f64,
}

/// Lines or bands of a species one by one, with their strengths: what the patterns of all ranges
/// start from.
pub fn single(species: &Species, width: &LineWidth) -> Vec<Feature> {
    if species.bands.is_empty() { lines(species) } else { bands(species, width) }
}

/// Features on a range, the faint ones too, ascending, from those of [`single`]; see [`pattern`].
pub fn all_features(single: &[Feature], range: (f64, f64), width: &LineWidth) -> Vec<Feature> {
    merged(single, range, width).0
}

/// The pattern of a species, whose lines [`single`] gave, on a range in nm at a line width.
pub fn pattern(
    species: &Species,
    single: &[Feature],
    range: (f64, f64),
    width: &LineWidth,
) -> Pattern {
    let (mut features, strongest_in_range) = merged(single, range, width);
    let best = |f: &Feature| f.weight.iter().copied().fold(0.0, f64::max);
    features.retain(|f| best(f) >= MIN_WEIGHT);
    features.sort_by(|a, b| best(b).total_cmp(&best(a)));
    features.truncate(MAX_FEATURES);
    features.sort_by(|a, b| a.nm.total_cmp(&b.nm));
    Pattern {
        name: species.name.clone(),
        gas: species.gas.clone(),
        kind: species.kind,
        features,
        strongest_in_range,
    }
}

/// Features in range, merged to the line width, and the share of the species' strongest line that
/// is in range.
fn merged(single: &[Feature], range: (f64, f64), width: &LineWidth) -> (Vec<Feature>, f64) {
    let top_of = |inside: bool, k: usize| {
        single
            .iter()
            .filter(|f| !f.glass)
            .filter(|f| !inside || (range.0..=range.1).contains(&f.nm))
            .map(|f| f.weight[k])
            .fold(0.0, f64::max)
    };
    let all = top_of(false, 1);
    let strongest_in_range = if all > 0.0 { top_of(true, 1) / all } else { 0.0 };
    let mut inside: Vec<&Feature> =
        single.iter().filter(|f| (range.0..=range.1).contains(&f.nm)).collect();
    inside.sort_by(|a, b| a.nm.total_cmp(&b.nm));
    let mut merged: Vec<Feature> = Vec::with_capacity(inside.len());
    for f in inside {
        let w = width.fwhm(f.nm);
        match merged.last_mut() {
            Some(m) if f.nm - m.nm < MERGE_FWHM * w && !f.band => merge(m, f),
            _ => merged.push(f.clone()),
        }
    }
    for k in 0..POPULATIONS {
        // Relative to the strongest that glass lets through.
        let through = merged.iter().filter(|f| !f.glass).map(|f| f.weight[k]).fold(0.0, f64::max);
        let any = merged.iter().map(|f| f.weight[k]).fold(0.0, f64::max);
        let top = if through > 0.0 { through } else { any };
        if top > 0.0 {
            for f in &mut merged {
                f.weight[k] = (f.weight[k] / top).min(1.0);
            }
        }
    }
    (merged, strongest_in_range)
}

fn merge(m: &mut Feature, f: &Feature) {
    let (a, b) = (m.weight[1].max(1e-300), f.weight[1].max(1e-300));
    let centre = (a * m.nm + b * f.nm) / (a + b);
    // The balance of the blend is not known: a third of the distance to each side.
    let spread = (f.nm - m.nm).abs() * (a * b).sqrt() / (a + b) * 0.6;
    if b > a {
        m.label_nm = f.label_nm;
    }
    m.u_nm = m.u_nm.hypot(spread);
    m.nm = centre;
    for k in 0..POPULATIONS {
        m.weight[k] += f.weight[k];
    }
}

/// Lines with their strengths by [`line_strengths`]; what is forbidden is left out.
fn lines(species: &Species) -> Vec<Feature> {
    let strengths = POPULATIONS_EV.map(|kt| line_strengths(species, kt));
    species
        .lines
        .iter()
        .enumerate()
        .filter(|(_, l)| is_allowed(l))
        .map(|(i, l)| Feature {
            nm: l.wavelength_nm,
            u_nm: 0.0,
            weight: [strengths[0][i], strengths[1][i], strengths[2][i], strengths[MIDDLE][i]],
            label_nm: l.wavelength_nm,
            band: false,
            v: None,
            glass: l.wavelength_nm < GLASS_CUT_NM,
        })
        .collect()
}

/// Strength of each band of a system, for each population: A/λ · exp(−v′ω/kT) where most of the
/// system's rates are known, with the eye estimates brought onto that scale where one is not; else the
/// eye estimates, alike for all populations.
fn band_strengths(bands: &[Band]) -> Vec<[f64; POPULATIONS]> {
    let by_eye = |b: &Band| 10f64.powf((b.strength.unwrap_or(5.0) - 10.0) / 10.0 * EYE_DECADES);
    let by_rate = |b: &Band, kelvin: f64| {
        let quanta = f64::from(vibration(&b.label)?.0);
        let e_over_kt = quanta * QUANTUM_PER_CM / (PER_CM_PER_K * kelvin);
        Some(b.a_per_s? / b.head_nm * (-e_over_kt).exp())
    };
    let mut all = vec![[0.0; POPULATIONS]; bands.len()];
    for pop in 0..POPULATIONS {
        let kelvin = VIBRATION_K[if pop == SPARSE { MIDDLE } else { pop }];
        let known: Vec<Option<f64>> = bands.iter().map(|b| by_rate(b, kelvin)).collect();
        let mut ratios: Vec<f64> =
            bands.iter().zip(&known).filter_map(|(b, k)| Some((*k)? / by_eye(b))).collect();
        let most = 2 * ratios.len() > bands.len();
        let scale = if most { crate::signal::median(&mut ratios) } else { 1.0 };
        for ((s, b), k) in all.iter_mut().zip(bands).zip(known) {
            s[pop] = k.filter(|_| most).unwrap_or(scale * by_eye(b));
        }
    }
    all
}

fn bands(species: &Species, width: &LineWidth) -> Vec<Feature> {
    species
        .bands
        .iter()
        .zip(band_strengths(&species.bands))
        .map(|(b, weight)| {
            let w = width.fwhm(b.head_nm);
            let shift = BAND_SHIFT_NM + BAND_SHIFT_FWHM * w;
            let (nm, u_nm) = match b.shading {
                Shading::Violet => (b.head_nm - shift, BAND_SCATTER.0 + BAND_SCATTER.1 * w),
                Shading::Red => (b.head_nm + shift, BAND_SCATTER.0 + BAND_SCATTER.1 * w),
                Shading::LineLike => (b.head_nm, BAND_SCATTER.0 + BAND_SCATTER.1 * w),
                Shading::Continuum => (b.head_nm, b.width_nm.map_or(3.0, |w| 0.3 * w)),
            };
            Feature {
                nm,
                u_nm,
                weight,
                label_nm: b.head_nm,
                band: true,
                v: vibration(&b.label),
                glass: nm < GLASS_CUT_NM,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {

    use super::*;
    use crate::reference::Tables;

    fn pattern_of(species: &Species, range: (f64, f64), width: f64) -> Pattern {
        let width = LineWidth::constant(width, 0.1);
        pattern(species, &single(species, &width), range, &width)
    }

    #[test]
    fn neon_red_lines_lead_and_merge_with_width() {
        let t = Tables::bundled().unwrap();
        let ne = t.get("Ne I").unwrap();
        let narrow = pattern_of(ne, (500.0, 800.0), 0.4);
        let broad = pattern_of(ne, (500.0, 800.0), 3.0);
        // NIST ASD: 640.225 has the largest g A among the 2p-1s lines.
        let top =
            narrow.features.iter().max_by(|a, b| a.weight[1].total_cmp(&b.weight[1])).unwrap();
        assert!((top.label_nm - 640.225).abs() < 0.01, "{}", top.label_nm);
        assert!(broad.features.len() <= narrow.features.len());
        assert!(narrow.strongest_in_range > 0.9);
    }

    #[test]
    fn a_range_without_strong_lines_says_so() {
        let t = Tables::bundled().unwrap();
        let p = pattern_of(t.get("Na I").unwrap(), (620.0, 700.0), 1.0);
        assert!(p.strongest_in_range < 0.05, "{}", p.strongest_in_range);
    }

    /// From one upper state the heights go as A/λ: 8.91e6/357.69 over 1.34e7/337.13, rates after Nassar et al.
    /// (2004) and others as the table has them; the next upper state shows the more, the hotter.
    #[test]
    fn bands_of_known_rates_follow_them() {
        let t = Tables::bundled().unwrap();
        let p = pattern_of(t.get("N2 (C-B)").unwrap(), (326.0, 500.0), 0.5);
        let at = |nm: f64| p.features.iter().find(|f| (f.label_nm - nm).abs() < 0.1).unwrap();
        for pop in 0..POPULATIONS {
            let (one, other) = (at(337.13).weight[pop], at(357.69).weight[pop]);
            assert!((other / one - 0.627).abs() < 0.002, "{pop}: {}", other / one);
        }
        let next = at(353.67).weight;
        assert!(next[0] < next[1] && next[1] < next[2] && next[1] == next[SPARSE], "{next:?}");
    }

    #[test]
    fn a_violet_shaded_band_peaks_below_its_head() {
        let t = Tables::bundled().unwrap();
        let p = pattern_of(t.get("N2 (C-B)").unwrap(), (300.0, 500.0), 1.0);
        let f = p.features.iter().find(|f| (f.label_nm - 337.13).abs() < 0.1).unwrap();
        assert!(f.nm < f.label_nm && f.nm > f.label_nm - 1.0 && f.band);
    }
}
