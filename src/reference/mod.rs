//! What is known before anything is measured: line tables, bands, lamp features, air and vacuum.

mod air;
mod columns;
pub mod constants;
#[cfg(test)]
mod facts;
mod light;
mod read;
mod strength;
mod tables;

pub use air::{air_to_vacuum_nm, refractivity_ciddor, to_vacuum_nm, vacuum_to_air_nm};
pub use light::{Cathode, Glass, LightTables};
pub(crate) use strength::is_allowed;
pub use strength::line_strengths;
pub use tables::{Feature, Neighbour, Tables};

use serde::Serialize;
use std::borrow::Cow;

/// Text of a table: borrowed from the program itself for bundled tables, owned for a user's.
/// Derefs to `str`; make one with `"…".into()`.
pub type Text = Cow<'static, str>;

/// One emission line of an atom or ion.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// Wavelength in nm, standard air above 200 nm, vacuum below.
    pub wavelength_nm: f64,
    /// Relative intensity on the scale of [`Line::intensity_scale`]; never to be compared with
    /// another species' value.
    pub intensity: Option<f64>,
    /// Name of the intensity scale.
    pub intensity_scale: Text,
    /// Transition probability in 1/s.
    pub a_per_s: Option<f64>,
    /// Statistical weight of the upper level.
    pub g_upper: Option<f64>,
    /// Energy of the lower level in 1/cm.
    pub e_lower_per_cm: Option<f64>,
    /// Energy of the upper level in 1/cm.
    pub e_upper_per_cm: Option<f64>,
    /// NIST code of the accuracy of [`Line::a_per_s`], `AAA` to `E`; empty where none is known.
    pub accuracy: Text,
    /// Where the figures are from.
    pub source: Text,
    /// Remark of the table.
    pub note: Text,
}

/// Which side of its head a molecular band runs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shading {
    /// Fades to shorter wavelengths.
    Violet,
    /// Fades to longer wavelengths.
    Red,
    /// Narrow like a line (Q branch, unresolved group).
    LineLike,
    /// A structureless hump (excimer).
    Continuum,
}

/// One molecular band.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Band {
    /// Wavelength of the head (of the maximum for [`Shading::Continuum`]) in nm, air.
    pub head_nm: f64,
    /// Which way it fades.
    pub shading: Shading,
    /// Vibrational label, for instance `(0,0)`.
    pub label: String,
    /// Eye estimate of strength, 0 to 10, within its system.
    pub strength: Option<f64>,
    /// Transition probability in 1/s.
    pub a_per_s: Option<f64>,
    /// Full width at half maximum in nm of a hump ([`Shading::Continuum`]); none for bands.
    pub width_nm: Option<f64>,
    /// Where the figures are from.
    pub source: String,
    /// Remark of the table.
    pub note: String,
}

/// Atom, ion or molecule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SpeciesKind {
    /// Neutral atom, first spectrum.
    Neutral,
    /// Ionised atom, second spectrum (or higher, in a user's table).
    Ion,
    /// Molecule (one entry for each band system) or excimer.
    Molecule,
}

/// One species with all its lines or bands.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Species {
    /// Spectroscopic name: `Ne I`, `Ar II`, `N2 (C-B)`.
    pub name: String,
    /// Gas or element it counts under: `Ne`, `N2`, `H`. Nitrogen atoms and ions count under
    /// `N2`; a molecule under what its bands are the sign of (OH under `H`, CN and CO under
    /// `C`, an excimer under its halogen), as the table says.
    pub gas: String,
    /// Kind.
    pub kind: SpeciesKind,
    /// Full name of the band system, for instance `second positive C3Pu-B3Pg`; empty for atoms.
    pub system: String,
    /// Lines, ascending in wavelength; empty for molecules.
    pub lines: Vec<Line>,
    /// Bands, ascending in wavelength; empty for atoms.
    pub bands: Vec<Band>,
}

/// What a feature of the fluorescent lamp may be used for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AnchorUse {
    /// Good anchor.
    Yes,
    /// Only where resolved, or fitted as a blend.
    Caution,
    /// Only with quartz (glass absorbs it).
    UvOnly,
    /// Only to recognise the pattern.
    No,
}

/// A feature of the calibration lamp.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LampFeature {
    /// Name, for instance `Hg 546.08`.
    pub name: String,
    /// Emitter: `Hg I`, `Ar I`, `Tb3+`, `Eu3+`, `Eu2+`.
    pub species: String,
    /// Wavelength in nm, air.
    pub wavelength_nm: f64,
    /// Standard uncertainty of that wavelength in nm.
    pub u_nm: f64,
    /// True for atomic lines of mercury.
    pub is_mercury: bool,
    /// True for lines of the lamp's buffer gas.
    pub is_buffer_gas: bool,
    /// True for phosphor peaks.
    pub is_phosphor: bool,
    /// Relative intensity, on one scale within the mercury lines.
    pub intensity: Option<f64>,
    /// What it may be used for.
    pub anchor: AnchorUse,
    /// Where the figures are from.
    pub source: String,
    /// Remark of the table.
    pub note: String,
}
