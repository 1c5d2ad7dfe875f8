//! Setting the wavelength axis by a lamp whose lines are known.

#[cfg(test)]
mod axis_tests;
mod bayes;
#[cfg(test)]
mod certified;
mod fit;
mod grating;
mod merge;
mod models;
mod pattern;
mod profile;
mod search;
mod series;
mod solve;

pub use fit::{AxisFit, Point, fit as fit_axis};
pub use grating::BenchFacts;
pub use models::{ModelShare, fit_models, fit_models_knowing};
pub use profile::{Anchor, AxisModel, LeftOut, Profile};
pub use solve::calibrate;

use serde::{Deserialize, Serialize};

/// What lamp the pattern belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lamp {
    /// Mercury lines with the peaks of rare-earth phosphors.
    Fluorescent,
    /// Mercury lines without phosphor.
    Mercury,
}

/// Choices for [`calibrate`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct CalibrateSettings {
    /// Largest error of an nm axis that is looked for, nm.
    pub search_nm: f64,
    /// Name of the instrument, for the profile.
    pub instrument: String,
}

impl Default for CalibrateSettings {
    fn default() -> Self {
        CalibrateSettings { search_nm: 6.0, instrument: "unnamed spectrometer".into() }
    }
}
