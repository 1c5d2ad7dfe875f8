//! From a scene to single rays and smooth sources.

use super::chance::{Chance, Stream};
use super::instrument::Instrument;
use super::lamp;
use super::scene::{Glow, Lamp, Scene, Weights};
use crate::reference::constants::{BOLTZMANN_EV_PER_K, HC_EV_NM, PER_CM_PER_EV, per_cm_to_ev};
use crate::reference::{Band, LampFeature, Line, Shading, Species, SpeciesKind};
use crate::{Error, Result};

/// Light of a single wavelength.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ray {
    pub nm: f64,
    pub light: f64,
}

/// Light without lines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Smooth {
    /// Gaussian of this whole light.
    Hump { centre_nm: f64, fwhm_nm: f64, light: f64 },
    /// Black body; `scale` turns [`planck`] into light for each nm.
    Thermal { temperature_k: f64, scale: f64 },
}

/// All light of a scene, before glass, exposure and instrument.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Light {
    pub rays: Vec<Ray>,
    pub smooth: Vec<Smooth>,
}

/// Second radiation constant h·c/k, nm·K.
const C2_NM_K: f64 = HC_EV_NM / BOLTZMANN_EV_PER_K;
/// Boltzmann constant in cm⁻¹ for each K.
const WAVENUMBER_PER_K: f64 = BOLTZMANN_EV_PER_K * PER_CM_PER_EV;
/// Relative change `|B′ − B″|/B′` of the rotational constant that sets how fast a band fades:
/// N2 C-B 0.103 (1.825 and 1.637 cm⁻¹), N2 B-A 0.112, N2+ B-X 0.068, OH A-X 0.089, CO B-A 0.18;
/// values from memory of K. P. Huber, G. Herzberg, Constants of Diatomic Molecules (1979).
const ROTATIONAL_CHANGE: f64 = 0.1;
/// Vibrational quantum that shares a system's light between its upper states, cm⁻¹: N2 C 2047,
/// N2 B 1733, N2+ B 2420, values from memory of the same book.
const VIBRATIONAL_QUANTUM_PER_CM: f64 = 2000.0;
/// Smallest transition probability that is taken for one, 1/s: a smaller number in that column is
/// a Franck-Condon factor or belongs to a forbidden system.
const SMALLEST_RATE_PER_S: f64 = 1e3;
/// Lines with both figures that it takes to join an intensity scale to the formula.
const LEAST_COMMON_LINES: usize = 3;
/// FWHM of a bound-free continuum whose table row gives none, nm (invented).
const EXCIMER_FWHM_NM: f64 = 8.0;
/// Depth to which a band is drawn, in decay lengths: exp(−7) is a thousandth of the head.
const BAND_DEPTH: f64 = 7.0;
/// Steps of a band within one decay length; see [`band_rays`].
const BAND_STEPS: f64 = 8.0;
/// Largest step of a band in line widths: far below what the instrument resolves.
const BAND_STEP_FWHM: f64 = 0.15;

/// Spectral radiance of a black body at `nm` and `temperature_k`, per nm, up to a constant
/// factor: `λ⁻⁵ / (exp(c₂/λT) − 1)`. Planck's law; c₂ by CODATA 2018.
pub(super) fn planck(nm: f64, temperature_k: f64) -> f64 {
    let um = nm / 1000.0;
    let um5 = um * um * um * um * um;
    1.0 / (um5 * libm::expm1(C2_NM_K / (nm * temperature_k)))
}

/// Collects the light of a scene.
///
/// # Errors
/// [`Error::Usage`] for a species that is not in the tables, or a lamp table without the lamp's
/// features.
pub(super) fn gather(
    instrument: &Instrument,
    scene: &Scene,
    species: &[Species],
    lamp: &[LampFeature],
    tube_seed: u64,
) -> Result<Light> {
    let mut chance = Chance::new(tube_seed, Stream::Tube);
    let mut light = Light::default();
    for glow in &scene.glow {
        add_glow(&mut light, instrument, glow, species, &mut chance)?;
    }
    for l in &scene.lamp {
        add_lamp(&mut light, instrument, l, species, lamp, &mut chance)?;
    }
    for h in &scene.hump {
        light.smooth.push(Smooth::Hump {
            centre_nm: h.centre_nm,
            fwhm_nm: h.fwhm_nm,
            light: h.strength,
        });
    }
    let (low, high) = instrument.range_nm();
    for c in &scene.continuum {
        // The maximum within the range: Planck's curve has one top, so the grid's best point is
        // within half a step of it.
        let top = (0..=1000)
            .map(|i| planck(low + (high - low) * f64::from(i) / 1000.0, c.temperature_k))
            .fold(0.0, f64::max);
        let scale = if top > 0.0 { c.strength / top } else { 0.0 };
        light.smooth.push(Smooth::Thermal { temperature_k: c.temperature_k, scale });
    }
    light.rays.extend(scene.line.iter().map(|l| Ray { nm: l.wavelength_nm, light: l.strength }));
    Ok(light)
}

fn find<'a>(species: &'a [Species], name: &str) -> Result<&'a Species> {
    species.iter().find(|s| s.name == name).ok_or_else(|| {
        let near = near_names(species.iter().map(|s| &*s.name), name);
        let remedy = if near.is_empty() {
            "list the names with the command `lines`".to_string()
        } else {
            format!("did you mean {}?", near.join(", "))
        };
        Error::usage(format!("species \"{name}\" is not in the tables"), remedy)
    })
}

/// Names that come near `name`: equal but for case and spaces, of the same beginning, or within
/// two changes of a letter; nearest first, five at most.
fn near_names<'a>(names: impl Iterator<Item = &'a str>, name: &str) -> Vec<String> {
    let fold = |s: &str| -> Vec<char> {
        s.chars()
            .filter(|c| c.is_alphanumeric() || *c == '+')
            .flat_map(char::to_lowercase)
            .collect()
    };
    let wanted = fold(name);
    let first_word = fold(name.split_whitespace().next().unwrap_or_default());
    let mut found: Vec<(usize, String)> = names
        .filter_map(|n| {
            let have = fold(n);
            let changes = edit_distance(&wanted, &have);
            let same_element = !first_word.is_empty()
                && first_word == fold(n.split_whitespace().next().unwrap_or_default());
            let near = changes <= 2 && changes < wanted.len().max(1);
            (near || same_element).then(|| (changes, n.to_string()))
        })
        .collect();
    found.sort();
    found.into_iter().take(5).map(|(_, n)| n).collect()
}

/// Number of single-letter insertions, removals and replacements between two words.
fn edit_distance(a: &[char], b: &[char]) -> usize {
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let replace = diagonal + usize::from(x != y);
            diagonal = row[j + 1];
            row[j + 1] = replace.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

fn add_glow(
    light: &mut Light,
    instrument: &Instrument,
    glow: &Glow,
    species: &[Species],
    chance: &mut Chance,
) -> Result<()> {
    let s = find(species, &glow.species)?;
    let (places, weights): (Vec<f64>, Vec<f64>) = if s.kind == SpeciesKind::Molecule {
        (s.bands.iter().map(|b| b.head_nm).collect(), band_weights(&s.bands, glow))
    } else {
        (s.lines.iter().map(|l| l.wavelength_nm).collect(), line_weights(&s.lines, glow))
    };
    let top = strongest(instrument, &places, &weights);
    for (i, (nm, weight)) in places.iter().zip(&weights).enumerate() {
        // Both numbers are drawn for every line, so that another strength, range or kT changes
        // nothing in the luck of the others.
        let factor = libm::exp(glow.scatter * chance.normal());
        let missing = chance.uniform() < glow.missing;
        if missing || top <= 0.0 || *weight <= 0.0 {
            continue;
        }
        let part = glow.strength * factor * weight / top;
        match s.bands.get(i) {
            Some(band) if s.kind == SpeciesKind::Molecule => {
                add_band(light, instrument, band, part, glow.rotational_k);
            }
            _ => light.rays.push(Ray { nm: *nm, light: part }),
        }
    }
    Ok(())
}

/// Largest weight within the instrument's range, or of all where none lies within.
fn strongest(instrument: &Instrument, places: &[f64], weights: &[f64]) -> f64 {
    let (low, high) = instrument.range_nm();
    let within = places
        .iter()
        .zip(weights)
        .filter(|(nm, _)| (low..=high).contains(*nm))
        .map(|(_, w)| *w)
        .fold(0.0, f64::max);
    if within > 0.0 { within } else { weights.iter().copied().fold(0.0, f64::max) }
}

/// Relative light of lines, any scale.
///
/// The formula is `g·A/λ·exp(−E/kT)`: power of a line whose upper level is filled by Boltzmann's
/// law. Glow discharges do not obey it (hence the scatter in [`Glow`]), but it is nearer to them
/// than handbook intensities, which come from other discharges.
fn line_weights(lines: &[Line], glow: &Glow) -> Vec<f64> {
    let lowest = lines.iter().filter_map(|l| l.e_upper_per_cm).fold(f64::INFINITY, f64::min);
    let formula = lines.iter().map(|l| {
        let (a, g, e) = (l.a_per_s?, l.g_upper?, l.e_upper_per_cm?);
        // Counted from the lowest level, so that a small kT does not end in zero for all.
        let e_ev = per_cm_to_ev(e - lowest);
        Some(g * a / l.wavelength_nm * libm::exp(-e_ev / glow.kt_ev))
    });
    let tabulated = lines.iter().map(|l| l.intensity);
    let scales: Vec<&str> = lines.iter().map(|l| &*l.intensity_scale).collect();
    join_scales(formula.collect(), tabulated.collect(), &scales, glow.weights)
}

/// Relative light of bands, any scale: `A/λ·exp(−v′·ω/kT)` where the table has rates, its eye
/// estimates elsewhere; where it has neither for the whole system, all bands alike.
fn band_weights(bands: &[Band], glow: &Glow) -> Vec<f64> {
    let formula = bands.iter().map(|b| {
        let a = b.a_per_s.filter(|a| *a >= SMALLEST_RATE_PER_S)?;
        let quanta = f64::from(upper_vibration(&b.label).unwrap_or(0));
        let e_over_kt =
            quanta * VIBRATIONAL_QUANTUM_PER_CM / (WAVENUMBER_PER_K * glow.vibrational_k);
        Some(a / b.head_nm * libm::exp(-e_over_kt))
    });
    let tabulated = bands.iter().map(|b| b.strength);
    let scales = vec!["eye estimate"; bands.len()];
    let weights = join_scales(formula.collect(), tabulated.collect(), &scales, glow.weights);
    if weights.iter().any(|w| *w > 0.0) { weights } else { vec![1.0; bands.len()] }
}

/// The upper vibrational number of a label like `(1,0)` or `(0-1) Q`.
fn upper_vibration(label: &str) -> Option<u32> {
    let inside = &label[label.find('(')? + 1..];
    inside.chars().take_while(char::is_ascii_digit).collect::<String>().parse().ok()
}

/// One scale out of two: the leading one where it has a figure, the other one elsewhere, times
/// the median ratio of both (of the same intensity scale where that has enough common lines).
/// Where nothing is common, lines of the other scale count only if the leading scale has none.
fn join_scales(
    formula: Vec<Option<f64>>,
    tabulated: Vec<Option<f64>>,
    scales: &[&str],
    weights: Weights,
) -> Vec<f64> {
    let usable = |v: Option<f64>| v.filter(|v| v.is_finite() && *v > 0.0);
    let formula: Vec<Option<f64>> = formula.into_iter().map(usable).collect();
    let tabulated: Vec<Option<f64>> = tabulated.into_iter().map(usable).collect();
    let (lead, other) = match weights {
        Weights::Boltzmann => (&formula, &tabulated),
        Weights::Tabulated => (&tabulated, &formula),
    };
    let ratios = |scale: Option<&str>| -> Vec<f64> {
        let same = |i: usize| scale.is_none_or(|s| scales[i] == s);
        (0..lead.len()).filter(|i| same(*i)).filter_map(|i| Some(lead[i]? / other[i]?)).collect()
    };
    let all = median(ratios(None));
    let none_lead = lead.iter().all(Option::is_none);
    (0..lead.len())
        .map(|i| {
            if let Some(v) = lead[i] {
                return v;
            }
            let Some(v) = other[i] else { return 0.0 };
            let own = ratios(Some(scales[i]));
            let ratio = if own.len() >= LEAST_COMMON_LINES { median(own) } else { all };
            match ratio {
                Some(r) => v * r,
                None if none_lead => v,
                None => 0.0,
            }
        })
        .collect()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

fn add_band(light: &mut Light, instrument: &Instrument, band: &Band, part: f64, rotational_k: f64) {
    match band.shading {
        Shading::LineLike => light.rays.push(Ray { nm: band.head_nm, light: part }),
        Shading::Continuum => light.smooth.push(Smooth::Hump {
            centre_nm: band.head_nm,
            fwhm_nm: band.width_nm.unwrap_or(EXCIMER_FWHM_NM),
            light: part,
        }),
        Shading::Red | Shading::Violet => {
            let fwhm = instrument.fwhm_nm(band.head_nm);
            light.rays.extend(band_rays(band, part, rotational_k, fwhm));
        }
    }
}

/// A shaded band as a comb of rays that the instrument cannot resolve: head and exponential tail.
///
/// Why an exponential: in a branch the lines lie at `ν(m) = ν₀ + (B′+B″)m + (B′−B″)m²`, so beyond
/// the turning point (the head) a line of rotational number `J` is `x ≈ |B′−B″|·J²` away from it.
/// Its light goes as `(2J+1)·exp(−B′J(J+1)/kT)`. With `J² = x/|B′−B″|`, and `J·dJ ∝ dx`, the
/// light in each wavenumber is `∝ exp(−x/x₀)` with
///
/// `x₀ = kT·|B′−B″|/B′`   (kT in cm⁻¹)
///
/// It neglects the distance of the head from the origin and the second branch. Source: G.
/// Herzberg, Spectra of Diatomic Molecules (1950), III.2 and IV.3 for positions and intensities;
/// the joining of both is ours.
fn band_rays(band: &Band, part: f64, rotational_k: f64, fwhm_nm: f64) -> Vec<Ray> {
    let x0_per_cm = WAVENUMBER_PER_K * rotational_k * ROTATIONAL_CHANGE;
    // |dλ| = λ²·dν; 1e7 nm in a cm.
    let decay_nm = band.head_nm * band.head_nm * x0_per_cm / 1e7;
    let step_nm = (decay_nm / BAND_STEPS).min(fwhm_nm * BAND_STEP_FWHM);
    let steps = (BAND_DEPTH * decay_nm / step_nm).ceil().max(1.0);
    let direction = if band.shading == Shading::Violet { -1.0 } else { 1.0 };
    let whole = 1.0 - libm::exp(-steps * step_nm / decay_nm);
    (0..steps as usize)
        .map(|i| {
            let (a, b) = (i as f64 * step_nm, (i + 1) as f64 * step_nm);
            let share = libm::exp(-a / decay_nm) - libm::exp(-b / decay_nm);
            Ray { nm: band.head_nm + direction * (a + b) / 2.0, light: part * share / whole }
        })
        .collect()
}

fn add_lamp(
    light: &mut Light,
    instrument: &Instrument,
    wanted: &Lamp,
    species: &[Species],
    features: &[LampFeature],
    chance: &mut Chance,
) -> Result<()> {
    let nearest = |nm: f64, fits: fn(&LampFeature) -> bool| -> Result<f64> {
        features
            .iter()
            .filter(|f| fits(f))
            .map(|f| f.wavelength_nm)
            .filter(|w| (w - nm).abs() <= lamp::NOMINAL_WITHIN_NM)
            .min_by(|a, b| (a - nm).abs().total_cmp(&(b - nm).abs()))
            .ok_or_else(|| {
                Error::usage(
                    format!("the lamp table has no feature near {nm} nm"),
                    "use a lamp table that has the usual mercury lines and phosphor peaks",
                )
            })
    };
    for (nm, part) in lamp::MERCURY {
        let nm = nearest(*nm, |f| f.is_mercury)?;
        light.rays.push(Ray { nm, light: wanted.strength * part });
    }
    if wanted.phosphor > 0.0 {
        for (nm, part, fwhm_nm) in lamp::PHOSPHOR {
            light.smooth.push(Smooth::Hump {
                centre_nm: nearest(*nm, |f| f.is_phosphor)?,
                fwhm_nm: *fwhm_nm,
                light: wanted.strength * wanted.phosphor * part,
            });
        }
    }
    if wanted.argon > 0.0 {
        let argon =
            Glow { kt_ev: lamp::ARGON_KT_EV, ..Glow::new("Ar I", wanted.strength * wanted.argon) };
        add_glow(light, instrument, &argon, species, chance)?;
    }
    Ok(())
}
