//! The light before the instrument.

use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Most exposures that may be averaged.
const MOST_AVERAGES: u32 = 10_000;

/// What glows, and how long the instrument looks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Scene {
    /// Electrons that one unit of light gives where the response is 1 (longer exposure: more).
    pub exposure_electrons: f64,
    /// Number of exposures that the software averages.
    pub averages: u32,
    /// Seed of what the tube is (scatter of its lines, missing lines); `None`: that of the
    /// recording. With a fixed one, recordings of another seed are repeats of the same tube.
    pub tube_seed: Option<u64>,
    /// Glass between the light and the instrument.
    pub glass: Option<Glass>,
    /// Gases and vapours.
    pub glow: Vec<Glow>,
    /// Broad humps: LED, phosphor, excimer.
    pub hump: Vec<Hump>,
    /// Thermal continua.
    pub continuum: Vec<Continuum>,
    /// Fluorescent lamps.
    pub lamp: Vec<Lamp>,
    /// Lines that no table explains.
    pub line: Vec<SingleLine>,
}

impl Default for Scene {
    fn default() -> Self {
        Scene {
            exposure_electrons: 2e5,
            averages: 1,
            tube_seed: None,
            glass: None,
            glow: Vec::new(),
            hump: Vec::new(),
            continuum: Vec::new(),
            lamp: Vec::new(),
            line: Vec::new(),
        }
    }
}

/// Glass that takes the short waves away: transmission `1 / (1 + exp(−(λ − cut)/width))`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Glass {
    /// Wavelength of half transmission, nm.
    pub cut_nm: f64,
    /// Width of the edge, nm (from 27 % to 73 % is twice this).
    pub width_nm: f64,
}

/// How the lines of a species share its light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weights {
    /// `g·A/λ·exp(−E/kT)`; lines without `A` by their tabulated intensity, brought to the same
    /// scale by the median ratio of the lines that have both.
    #[default]
    Boltzmann,
    /// As tabulated; lines without an intensity by the formula, brought to the same scale.
    Tabulated,
}

/// Light of one species of the tables, atom or molecule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Glow {
    /// Name in the tables: `Ne I`, `N2 (C-B)`.
    pub species: String,
    /// Light of its strongest line (or band) within the instrument's range, before scatter.
    pub strength: f64,
    /// How its lines share the light.
    pub weights: Weights,
    /// `kT` of the formula, eV: a nuisance number, not a temperature of the gas.
    pub kt_ev: f64,
    /// Log-normal scatter of each line's light (standard deviation of its natural logarithm).
    pub scatter: f64,
    /// Probability of each line to be missing, 0 to 1.
    pub missing: f64,
    /// Rotational temperature of a molecule, K: how far its bands run from their heads.
    pub rotational_k: f64,
    /// Vibrational temperature of a molecule, K: how its bands share the light.
    pub vibrational_k: f64,
}

impl Default for Glow {
    fn default() -> Self {
        Glow {
            species: String::new(),
            strength: 1.0,
            weights: Weights::Boltzmann,
            kt_ev: 0.8,
            scatter: 0.3,
            missing: 0.0,
            rotational_k: 500.0,
            vibrational_k: 4000.0,
        }
    }
}

impl Glow {
    /// A species at a strength, all else as in [`Glow::default`].
    pub fn new(species: impl Into<String>, strength: f64) -> Self {
        Glow { species: species.into(), strength, ..Glow::default() }
    }
}

/// A Gaussian hump.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Hump {
    /// Its middle, nm (air).
    pub centre_nm: f64,
    /// Its FWHM before the instrument widens it, nm.
    pub fwhm_nm: f64,
    /// Its whole light.
    pub strength: f64,
}

/// A black body's continuum.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Continuum {
    /// Temperature, K.
    pub temperature_k: f64,
    /// Its light in each nm where it is strongest within the instrument's range.
    pub strength: f64,
}

/// A fluorescent lamp with three phosphors, as it leaves the lamp's glass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Lamp {
    /// Light of its green mercury line at 546.07 nm.
    pub strength: f64,
    /// Its phosphors, as a multiple of a usual lamp's.
    pub phosphor: f64,
    /// Light of its strongest argon line over the green mercury line; some tenths in the first
    /// half minute after a cold start, nothing later.
    pub argon: f64,
}

impl Default for Lamp {
    fn default() -> Self {
        Lamp { strength: 1.0, phosphor: 1.0, argon: 0.0 }
    }
}

/// A single line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SingleLine {
    /// Wavelength, nm (air).
    pub wavelength_nm: f64,
    /// Its light.
    pub strength: f64,
}

fn not_negative(what: &str, value: f64) -> Result<()> {
    if value.is_finite() && value >= 0.0 {
        return Ok(());
    }
    Err(Error::usage(format!("{what} is {value}"), "give a finite number that is not below 0"))
}

fn positive(what: &str, value: f64) -> Result<()> {
    if value.is_finite() && value > 0.0 {
        return Ok(());
    }
    Err(Error::usage(format!("{what} is {value}"), "give a finite number above 0"))
}

impl Scene {
    /// Checks that all values make sense (species names are checked where the tables are at hand,
    /// by [`super::record`]).
    ///
    /// # Errors
    /// [`Error::Usage`] with the first value that does not.
    pub fn check(&self) -> Result<()> {
        not_negative("exposure-electrons", self.exposure_electrons)?;
        if !(1..=MOST_AVERAGES).contains(&self.averages) {
            return Err(Error::usage(
                format!("averages is {}", self.averages),
                format!("give a number from 1 to {MOST_AVERAGES}"),
            ));
        }
        if let Some(g) = &self.glass {
            positive("glass: cut-nm", g.cut_nm)?;
            positive("glass: width-nm", g.width_nm)?;
        }
        for g in &self.glow {
            not_negative(&format!("{}: strength", g.species), g.strength)?;
            not_negative(&format!("{}: scatter", g.species), g.scatter)?;
            positive(&format!("{}: kt-ev", g.species), g.kt_ev)?;
            positive(&format!("{}: rotational-k", g.species), g.rotational_k)?;
            positive(&format!("{}: vibrational-k", g.species), g.vibrational_k)?;
            if !(0.0..=1.0).contains(&g.missing) {
                return Err(Error::usage(
                    format!("{}: missing is {}", g.species, g.missing),
                    "give a probability from 0 to 1",
                ));
            }
        }
        for h in &self.hump {
            positive("hump: centre-nm", h.centre_nm)?;
            positive("hump: fwhm-nm", h.fwhm_nm)?;
            not_negative("hump: strength", h.strength)?;
        }
        for c in &self.continuum {
            positive("continuum: temperature-k", c.temperature_k)?;
            not_negative("continuum: strength", c.strength)?;
        }
        for l in &self.lamp {
            not_negative("lamp: strength", l.strength)?;
            not_negative("lamp: phosphor", l.phosphor)?;
            not_negative("lamp: argon", l.argon)?;
        }
        for l in &self.line {
            positive("line: wavelength-nm", l.wavelength_nm)?;
            not_negative("line: strength", l.strength)?;
        }
        Ok(())
    }
}
