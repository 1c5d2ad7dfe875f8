//! Setting the wavelength axis by a lamp whose lines are known.

mod profile;

pub use profile::{Anchor, AxisModel, LeftOut, Profile};

use crate::{Result, Spectrum, reference::Tables, signal::PeakList};
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

/// Sets the axis by a recording of a fluorescent or mercury lamp.
///
/// # Errors
/// [`crate::Error::Refused`] where the lamp's pattern is not there, with the reason.
pub fn calibrate(
    _lamp: &Spectrum,
    _peaks: &PeakList,
    _tables: &Tables,
    _settings: &CalibrateSettings,
) -> Result<Profile> {
    todo!()
}
